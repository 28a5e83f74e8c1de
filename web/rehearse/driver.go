package rehearse

import (
	"errors"
	"fmt"
	"time"
)

// Times of the rule of who drives.
const (
	// BeatEvery is how often the page that drives says that somebody is there, from the
	// request to arm until nothing is armed any more.
	BeatEvery = 250 * time.Millisecond
	// BeatMost is how long pulses may leave without a beat: then all is stopped.
	BeatMost = time.Second
)

// Errors of the wheel.
var (
	errNotDriver = errors.New("only the page that drives may do that: take the wheel first")
	errNoPage    = errors.New("a page without a name cannot drive")
)

// wheel says which page drives. Whatever happens, pulses leave no longer than BeatMost
// without a driver that gave a sign of life: the calls that find none ask for a stop.
// It has no clock: times are given, since some moment, and never go back.
//
// It is one of four, by whether there is a driver and whether pulses may leave (live):
//
//	                    take    arm     gone, hidden, let go  no beat for 1 s  disarmed
//	free                driven  -       -                     -                -
//	driven              -       live    free                  -                -
//	driven and live     -       -       stop, stopping        stop, stopping   driven
//	stopping (no driver) driven and live -  -                 -                free
type wheel struct {
	driver string // page; empty: nobody
	live   bool   // pulses leave, or are about to
	heard  time.Duration
}

// take gives the wheel to a page, if it is free.
func (w *wheel) take(page string, now time.Duration) error {
	switch {
	case page == "":
		return errNoPage
	case w.driver == page:
	case w.driver != "":
		return fmt.Errorf("another page drives (%s): it has to stop driving first; anybody may stop", w.driver)
	}
	w.driver, w.heard = page, now
	return nil
}

// leave is a page that lets go, is hidden, or is gone. stop: all is to be stopped.
func (w *wheel) leave(page string) (stop bool) {
	if page == "" || w.driver != page {
		return false
	}
	w.driver = ""
	return w.live
}

// beat is a sign of life of a page.
func (w *wheel) beat(page string, now time.Duration) {
	if page != "" && w.driver == page {
		w.heard = now
	}
}

// arm says that pulses may leave from now on, because the page that drives asked for it.
func (w *wheel) arm(page string, now time.Duration) error {
	if page == "" || w.driver != page {
		return errNotDriver
	}
	w.live, w.heard = true, max(w.heard, now) // a beat may have come since
	return nil
}

// disarmed says that no pulses leave any more that move anything.
func (w *wheel) disarmed() { w.live = false }

// look finds a driver that gave no sign of life for too long. stop: all is to be stopped.
func (w *wheel) look(now time.Duration) (stop bool) {
	if w.driver == "" || !w.live || now-w.heard < BeatMost {
		return false
	}
	w.driver = ""
	return true
}
