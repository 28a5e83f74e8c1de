package live

import (
	"sync"
	"time"

	"limberjack/transport/wire"
)

// Happening is what an Event tells of.
type Happening uint8

// The happenings.
const (
	Connected    Happening = iota // the board was identified and set up; it is not armed
	Armed                         // pulses leave
	SoftStart                     // the board is moved to the first pose; Left is how long that takes
	CountIn                       // Left is the time to the start
	Sound                         // now the sound is to be started
	Started                       // the motion begins
	Progress                      // where the motion is; every 0.1 s
	Held                          // playing was stopped by Hold
	Resumed                       // it goes on
	Stopping                      // a controlled stop was asked for
	Stopped                       // the board is at rest, disarmed
	Dropped                       // no pulses leave any more
	Ended                         // the motion is over
	Lost                          // the board is not reached, or has disarmed by itself
	Reconnecting                  // Text says what failed; Left is the time to the next try
	Note                          // Text says something worth knowing
)

var happenings = [...]string{"connected", "armed", "soft-start", "count-in", "sound", "started", "progress", "held", "resumed",
	"stopping", "stopped", "dropped", "ended", "lost", "reconnecting", "note"}

// String gives the happening as machines read it.
func (h Happening) String() string { return happenings[h] }

// Event is something that happened. Which fields are set depends on What.
type Event struct {
	What  Happening
	Time  time.Duration // host time
	Board string        // of the rig; empty where all boards are meant
	Text  string        // in plain words
	Left  time.Duration // until what the event tells of
	// Start is the host time at which the round has begun, or will, with what holds have
	// added: of SoftStart, CountIn, Started and Progress.
	Start time.Duration

	// Of Progress, by board:
	Position  float64       // s of performance time
	Begin     float64       // s of performance time at which a round begins
	Length    float64       // s of performance time in one round
	Round     int           // from 1
	Every     time.Duration // from the start of a round to that of the next; 0: there is one
	Buffer    time.Duration // by how much frames were sent ahead
	Queued    int           // frames that wait on the board
	Late      int           // frames that came too late, since Connect
	Bridged   int           // missing frames that the board bridged
	Clamped   int           // values that the board cut to its limits
	Bad       int           // packets that came spoilt, there
	Stale     int           // frames that were not sent because their time had come
	Drift     float64       // ppm by which the board's clock is fast
	DriftSD   float64       // ppm, standard deviation of Drift
	RoundTrip time.Duration // the least
	Skew      time.Duration // bound of the time between the boards, by their clocks' uncertainties
	Supply    int           // mV; 0: not measured
	State     wire.State
}

// announcer calls a function for events, in their order and never two at a time,
// without holding up who tells of them.
type announcer struct {
	mu    sync.Mutex
	queue []told
	wake  chan struct{}
	call  func(Event)
}

// told is an event, or a question whether all before it were told of.
type told struct {
	Event
	done chan struct{}
}

// queueMost bounds what waits for a slow callback: beyond, progress is left out.
const queueMost = 1000

func newAnnouncer(call func(Event)) *announcer {
	return &announcer{call: call, wake: make(chan struct{}, 1)}
}

func (a *announcer) tell(e Event) {
	if a.call == nil {
		return
	}
	a.mu.Lock()
	if e.What != Progress || len(a.queue) < queueMost {
		a.queue = append(a.queue, told{Event: e})
	}
	a.mu.Unlock()
	a.poke()
}

func (a *announcer) poke() {
	select {
	case a.wake <- struct{}{}:
	default:
	}
}

// ask gives a channel that is closed when all that has happened so far was told of.
func (a *announcer) ask() <-chan struct{} {
	done := make(chan struct{})
	if a.call == nil {
		close(done)
		return done
	}
	a.mu.Lock()
	a.queue = append(a.queue, told{done: done})
	a.mu.Unlock()
	a.poke()
	return done
}

// run calls until done is closed, and then for what is left.
func (a *announcer) run(done <-chan struct{}) {
	for {
		select {
		case <-a.wake:
			a.flush()
		case <-done:
			a.flush()
			return
		}
	}
}

func (a *announcer) flush() {
	for {
		a.mu.Lock()
		list := a.queue
		a.queue = nil
		a.mu.Unlock()
		if len(list) == 0 {
			return
		}
		for _, e := range list {
			if e.done != nil {
				close(e.done)
				continue
			}
			a.call(e.Event)
		}
	}
}
