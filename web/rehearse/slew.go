package rehearse

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// Times of a slew measurement in s.
const (
	slewStill  = 1.0 // in which the axis stands before the step
	slewFlash  = 0.5 // for which the lamp is on
	slewLength = 3.0 // until then the axis has arrived
	mostRuns   = 50  // that are kept
)

// Slewing is a step of one axis, with a flash in the same frame, by which film shows how
// long the axis takes: a motion like any other, made here.
type Slewing struct {
	Axis, Flash *sequence.Axis
	From, To    float64 // in the axis's unit
	Performance *interp.Performance
}

// Slew is the state of a slew measurement.
type Slew struct {
	Axis  string `json:"axis"`
	Flash string `json:"flash"`
	Unit  string `json:"unit"`
	From  figure `json:"from"`
	To    figure `json:"to"`
	Runs  []Run  `json:"runs"` // the newest last
}

// Run is one step, in times of the board's clock.
type Run struct {
	Flash    wire.Tick `json:"flash_tick"` // us: the lamp goes on
	Command  figure    `json:"command_us"` // after it, the first pulse of the new place begins
	Pulse    figure    `json:"pulse_us"`   // how long that pulse is: by its end the servo knows
	At       figure    `json:"at_ms"`      // of the flash, ms since 1970 by the server's clock
	Doubtful bool      `json:"doubtful"`   // frames were late or missing meanwhile, or it was stopped
}

// NewSlewing makes a step between two values of a servo, with the flash of a lamp or a
// switch on the same board, while everything else on the rig rests. What would run into an
// end stop, or into what the rig says must never be, is refused.
func NewSlewing(rig *sequence.Rig, axis, flash string, from, to float64) (*Slewing, error) {
	a, err := findAxis(rig, axis)
	if err != nil {
		return nil, err
	}
	lamp, err := findAxis(rig, flash)
	if err != nil {
		return nil, err
	}
	switch {
	case a.Kind != sequence.Servo || !a.HasTravel():
		return nil, fmt.Errorf("%s is a %s; slew is measured on a servo with a travel", axis, a.Kind)
	case lamp.Kind != sequence.Dimmer && lamp.Kind != sequence.Switch:
		return nil, fmt.Errorf("%s is a %s; what flashes is a dimmer or a switch", flash, lamp.Kind)
	case lamp.Board != a.Board:
		return nil, fmt.Errorf("%s is on board %s, and %s on board %s: the flash has to come from the same board, by the same clock", flash, lamp.Board.Name, axis, a.Board.Name)
	case math.IsNaN(from+to) || from == to:
		return nil, fmt.Errorf("from %v to %v %s is no step", from, to, a.Unit)
	}
	for _, v := range []float64{from, to} {
		if low, high := a.Travel[0].V, a.Travel[1].V; v < low || v > high {
			return nil, fmt.Errorf("%v %s is beyond the travel of %s, %v to %v %s", v, a.Unit, axis, low, high, a.Unit)
		}
	}
	s := &Slewing{Axis: a, Flash: lamp, From: from, To: to}
	return s, s.compile(rig)
}

// compile makes the step, and holds it against the rig.
func (s *Slewing) compile(rig *sequence.Rig) (err error) {
	full := 100.0
	if s.Flash.Kind == sequence.Switch {
		full = 1
	}
	at := func(t float64, sets ...sequence.CueSet) sequence.Cue { return sequence.Cue{Time: t, Set: sets} }
	script := &sequence.Script{Name: "slew of " + s.Axis.Name, Rig: rig, Length: slewLength, Cues: []sequence.Cue{
		at(0, sequence.CueSet{Axis: s.Axis, Value: s.From}, sequence.CueSet{Axis: s.Flash, Value: 0}),
		at(slewStill, sequence.CueSet{Axis: s.Axis, Value: s.To}, sequence.CueSet{Axis: s.Flash, Value: full}),
		at(slewStill+slewFlash, sequence.CueSet{Axis: s.Flash, Value: 0}),
	}}
	if s.Performance, err = interp.Compile(script); err != nil {
		return err
	}
	report := check.Run(s.Performance, drive.Run(s.Performance), nil)
	for _, f := range report.Findings {
		if f.Level == check.Error && (f.Rule == "travel" || f.Rule == "never") {
			return fmt.Errorf("the step is refused: %s", f.Message)
		}
	}
	return nil
}

// caution is to be answered before the board is armed for the step.
func (s *Slewing) caution() string {
	text := fmt.Sprintf(`Measuring the slew of %s: each time it is played, it jumps from %v to %v %s at the full speed of its servo, and %s flashes.
Nothing eases that move. Keep hands, hair and cables out of its way, fasten what it carries, and have the power's switch at hand.`,
		s.Axis.Name, s.From, s.To, s.Axis.Unit, s.Flash.Name)
	if s.Axis.Load.CarriesWeight() {
		text += fmt.Sprintf("\n%s carries weight: take the load off, or make the step small, since gears break by such a move.", s.Axis.Name)
	}
	return text
}

// prepareSlew connects to the board of an axis, set up for a step.
func (d *Desk) prepareSlew(w *wish) error {
	if err := d.ready(); err != nil {
		return err
	}
	rig, a, err := d.rigWith(w.Axis)
	if err != nil {
		return err
	}
	s, err := NewSlewing(rig, w.Axis, w.Flash, w.From, w.to())
	if err != nil {
		return err
	}
	c, err := d.alone(w, a.Board)
	if err != nil {
		return err
	}
	c.slew = s
	return d.meet(w, c, func(ctx context.Context, c *cast) error {
		t, err := s.line()
		if err == nil {
			err = d.dial(ctx, c, a.Board, w.Baud, d.sessions(t))
		}
		return err
	}, func() {
		d.slew = &Slew{Axis: s.Axis.Name, Flash: s.Flash.Name, Unit: s.Axis.Unit, From: figure(s.From), To: figure(s.To), Runs: []Run{}}
		d.question = s.caution() + "\n" + live.RestQuestion
	})
}

// line gives the step as frames of its board.
func (s *Slewing) line() (*timeline.Timeline, error) {
	lines, err := linesOf(s.Performance)
	if err != nil {
		return nil, err
	}
	return soleLine(lines, s.Axis.Board)
}

// performSlew plays the step once.
func (d *Desk) performSlew(w *wish, c *cast) error {
	t, err := c.slew.line()
	if err != nil {
		return err
	}
	b := c.live.Boards()[0]
	var run *Run
	var before live.Event
	err = d.runs(w, c, func(ctx context.Context) error {
		return c.live.Play(ctx, []*timeline.Timeline{t}, live.PlayOptions{CountIn: secondsOf(w.countIn()), Events: d.heard})
	}, func() { d.play = playing{speed: 1} }, func(err error) {
		d.atStart = nil
		if run == nil {
			return
		}
		after := b.Figures()
		run.Doubtful = err != nil || after.Late != before.Late || after.Bridged != before.Bridged || after.Clamped != before.Clamped || after.Stale != before.Stale
		now := *d.slew
		now.Runs = append(slices.Clone(now.Runs), *run)
		now.Runs = now.Runs[max(0, len(now.Runs)-mostRuns):]
		d.slew = &now
	})
	if err == nil {
		d.atStart = func(start time.Duration) {
			r := c.slew.run(t, b, start)
			r.At = d.unix(start + frameTime(t, c.slew.frame(t)))
			run, before = &r, b.Figures()
		}
	}
	return err
}

// frame gives the frame of the step.
func (s *Slewing) frame(t *timeline.Timeline) int64 {
	return int64(math.Ceil(float64(slewStill*t.Board.Rate.V) - 1e-9))
}

// frameTime gives the time from the first frame to another one.
func frameTime(t *timeline.Timeline, frame int64) time.Duration {
	return secondsOf(float64(frame) / t.Board.Rate.V)
}

// run gives when flash and command of a step leave that starts at a host time.
func (s *Slewing) run(t *timeline.Timeline, b *live.Board, start time.Duration) Run {
	k := s.frame(t)
	r := Run{Flash: b.Tick(start + frameTime(t, k))}
	i := slices.IndexFunc(t.Channels, func(c timeline.Channel) bool { return c.Axis == s.Axis })
	row, frames := make([]uint16, len(t.Channels)), t.Reader()
	for range k + 1 {
		frames.Next(row)
	}
	r.Command = tenth(float64(t.Channels[i].Offset) * t.Board.Tick.V)
	r.Pulse = tenth(float64(row[i]) * t.Board.Tick.V)
	return r
}
