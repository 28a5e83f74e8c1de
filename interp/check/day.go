package check

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"limberjack/sequence"
)

// playsADay forecasts how often each motion of a show is played in a day of so many seconds,
// parts of plays counted as such: a day of the show by the rules by which a board starts
// motions (transport/card, FORMAT.md, "Triggers"), in which each random interval has its mean
// length and nobody touches an input. The ways between motions take no time.
func playsADay(s *sequence.Show, reports []*Report, seconds float64) []float64 {
	d := &showDay{show: s, length: make([]float64, len(s.Motions)), due: make([]float64, len(s.Motions)), plays: make([]float64, len(s.Motions)),
		waiting: make([]bool, len(s.Motions)), polite: make([]bool, len(s.Motions)), current: -1}
	for i, m := range s.Motions {
		if r := reports[i]; r != nil {
			d.length[i] = r.Duration
		}
		d.due[i] = math.Inf(1)
		if m != s.Start {
			d.draw(i)
		}
	}
	if s.Start != nil {
		d.start(slices.Index(s.Motions, s.Start))
	}
	d.run(seconds)
	return d.plays
}

// showDay is a board that plays a show.
type showDay struct {
	show            *sequence.Show
	length          []float64 // s of each motion
	due             []float64 // s; when its interval has passed, +Inf: none runs
	plays           []float64
	waiting, polite []bool // polite ones let the others go first
	current         int    // -1: none
	now, since      float64
}

// dayMoments bounds the work: what is longer is like what was, and counted in proportion.
const dayMoments = 200_000

func (d *showDay) run(seconds float64) {
	for range dayMoments {
		next, which := math.Inf(1), -1
		for i, t := range d.due {
			if t < next {
				next, which = t, i
			}
		}
		end := math.Inf(1)
		if d.current >= 0 {
			end = d.since + d.length[d.current]
		}
		if math.Min(next, end) >= seconds {
			d.now = seconds
			break
		}
		if d.now = math.Min(next, end); end <= next {
			d.end()
		} else {
			d.ask(which)
		}
	}
	d.leave()
	if d.now > 0 && d.now < seconds {
		for i := range d.plays {
			d.plays[i] *= seconds / d.now
		}
	}
}

// start begins a motion. One without a length cannot be played.
func (d *showDay) start(i int) {
	if d.length[i] <= 0 {
		return
	}
	clear(d.polite)
	d.current, d.since = i, d.now
	d.waiting[i] = false
}

// leave counts what was played of the motion, which need not be all.
func (d *showDay) leave() {
	if d.current >= 0 {
		d.plays[d.current] += (d.now - d.since) / d.length[d.current]
		d.since = d.now
	}
}

// draw begins the next interval of a motion.
func (d *showDay) draw(i int) {
	if m := d.show.Motions[i]; m.Every[0].Given() {
		// An interval of no length would pass without end where it is dropped.
		d.due[i] = d.now + math.Max(1e-3, (m.Every[0].V+m.Every[1].V)/2)
	}
}

// end is the end of the motion, or of a round of it.
func (d *showDay) end() {
	was := d.current
	d.leave()
	if d.show.Motions[was].Loop && !slices.Contains(d.waiting, true) {
		return
	}
	d.current = -1
	d.draw(was)
	for i, m := range d.show.Motions {
		if slices.Contains(m.After, d.show.Motions[was]) {
			d.follow(i)
		}
	}
	if i := d.turn(); d.current < 0 && i >= 0 {
		d.start(i)
	}
}

// follow starts what comes after the motion that has ended: the first one plays, others only
// where they wait. One that waits lets those go first that wait already.
func (d *showDay) follow(i int) {
	waits := d.show.Motions[i].WhileBusy == sequence.BusyWait
	switch others := slices.Contains(d.waiting, true); {
	case d.current < 0 && !(waits && others):
		d.start(i)
	case d.current < 0:
		d.polite[i], d.waiting[i] = !d.waiting[i], true
	case waits:
		d.waiting[i] = true
	}
}

// turn gives the motion that waited and is next, -1: none waits.
func (d *showDay) turn() int {
	for i, w := range d.waiting {
		if w && !d.polite[i] {
			return i
		}
	}
	return slices.Index(d.waiting, true)
}

// ask is a start by an interval.
func (d *showDay) ask(i int) {
	d.due[i] = math.Inf(1)
	busy := d.show.Motions[i].WhileBusy
	switch was := d.current; {
	case was < 0:
		d.start(i)
		if d.current < 0 { // it has no length
			d.draw(i)
		}
	case was == i || busy == sequence.BusyDrop:
		d.draw(i)
	case busy == sequence.BusyWait:
		d.waiting[i] = true
	default:
		d.leave()
		d.start(i)
		d.draw(was)
	}
}

// waitsForInput says whether an input starts a motion, or one of those after which it comes.
func waitsForInput(m *sequence.ShowMotion, seen []*sequence.ShowMotion) bool {
	if m.Trigger != nil {
		return true
	}
	if slices.Contains(seen, m) {
		return false
	}
	return slices.ContainsFunc(m.After, func(b *sequence.ShowMotion) bool { return waitsForInput(b, append(seen, m)) })
}

func whoseTrigger(m *sequence.ShowMotion) string {
	if m.Trigger != nil {
		return "its trigger"
	}
	return "the trigger of what it comes after"
}

// neverFirst finds motions that the same edge of the same input starts and of which only the
// first can ever play by it: the edge starts that one, and the others find a busy board and
// are dropped.
func neverFirst(s *sequence.Show, reports []*Report) (list []Finding) {
	told := map[*sequence.ShowMotion]bool{}
	for i, first := range s.Motions {
		if first.Trigger == nil || told[first] {
			continue
		}
		var names []string
		for _, m := range s.Motions[i+1:] {
			if !sameEdge(m.Trigger, first.Trigger) {
				continue
			}
			told[m] = true
			if m.WhileBusy == sequence.BusyDrop && first.Trigger.WarmUp.V <= m.Trigger.WarmUp.V {
				names = append(names, m.Name)
			}
		}
		// Behind its end and within its lockout the others hear the edge alone.
		open := reports[i] == nil || !first.Loop && first.Trigger.Lockout.V > reports[i].Duration
		if len(names) == 0 || open {
			continue
		}
		list = append(list, Finding{Level: Note, Rule: "same-edge", At: first.At,
			Message: fmt.Sprintf("input %d starts %s, and by the same edge never %s: the board is busy with %s then, and drops what comes second",
				first.Trigger.Input, first.Name, strings.Join(names, ", "), first.Name),
			Remedy: "give the others while_busy: wait, or after: " + first.Name + ", or an input of their own"})
	}
	return list
}

func sameEdge(a, b *sequence.Trigger) bool {
	return a != nil && b != nil && a.Board == b.Board && a.Input == b.Input && a.Falling == b.Falling
}
