// Package timeline turns curves into the values that controller boards take:
// one 16-bit value a channel a frame, in the board's own units. It is the only
// code that turns degrees into ticks.
//
// # Time
//
// Frame k holds what the axes shall do at k/rate seconds of performance time.
// The frames go from 0 to length x rate, rounded up, so that the last one holds
// the end pose; a motion that loops has length x rate frames, rounded, and no
// closing one, because frame 0 follows. The board's clock trim is not applied:
// a frame here is a frame of a clock that is right.
//
// # Values
//
// A value is computed in floating point, snapped to a grid of 2^-20 unit, and
// rounded to the nearest whole unit, halves away from zero (see Round). Nothing
// is clamped: a value that its channel cannot hold is a LimitError of Build.
//
// A quiet window of the motion may let axes go: from the first frame at or after
// its start to the last one before its end a servo's or continuous servo's value
// is 0, which is no pulse, and a motor's is 0, which is off. A pulse of 0 ticks
// stands nowhere else. Steppers, lamps and relays go on (see Channel).
//
// # Files
//
// Write puts timelines into one of four forms; Verify proves such a file whole;
// Compare holds it against the timeline itself. All of them stream: memory does
// not grow with the length of the motion.
package timeline

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
)

// Unit is what the values of a channel count.
type Unit uint8

// The units of a channel.
const (
	PulseTicks Unit = iota // servo, continuous-servo: width of the pulse in board ticks, unsigned; 0: no pulse
	Duty                   // motor: signed, -32767..32767 for -100..100 %
	StepDelta              // stepper: signed microsteps to make in this frame
	Level                  // dimmer: 0..65535 for dark to full, gamma applied
	State                  // switch: 0 off, 1 on
)

var unitNames = []string{"ticks", "duty", "steps", "level", "state"}

// String gives the unit as files write it.
func (u Unit) String() string { return unitNames[u] }

// Signed reports whether the 16 bits of a value are two's complement.
func (u Unit) Signed() bool { return u == Duty || u == StepDelta }

// Number gives a 16-bit value as the number that it stands for.
func (u Unit) Number(v uint16) int {
	if u.Signed() {
		return int(int16(v))
	}
	return int(v)
}

func unitOf(k sequence.Kind) Unit {
	switch k {
	case sequence.Motor:
		return Duty
	case sequence.Stepper:
		return StepDelta
	case sequence.Dimmer:
		return Level
	case sequence.Switch:
		return State
	}
	return PulseTicks
}

// Channel is one output of a board. Low, High and Rest are in the unit of the
// channel, but positions in microsteps for a stepper, of which the values are
// differences.
type Channel struct {
	Axis   *sequence.Axis
	Number int
	Unit   Unit
	Offset uint16 // of PulseTicks: ticks from the start of the frame to the start of the pulse
	Low    int64  // at the lower end of what the travel allows; without a travel, the least that the unit holds
	High   int64
	Rest   int64
	Start  int64 // of StepDelta: position in microsteps that frame 0 stands for; its delta is 0
	Wrap   int16 // of StepDelta in a loop: the delta of frame 0 in every round but the first

	Trigger bool // the output starts the sound player: see AddTrigger

	// Released are the frames, ascending and apart, in which a quiet window lets
	// the axis go: all its values there are 0. Only channels of PulseTicks and Duty
	// have any. A StepDelta of 0 holds: it cannot say that the windings are off.
	Released []Release
}

// Timeline is a motion for one board: a head in memory, and frames that a
// Reader computes as they are asked for.
type Timeline struct {
	Board       *sequence.Board
	Motion      string
	Frames      int64
	Loop        bool
	Channels    []Channel // ascending in Number
	Fingerprint string    // of the rig

	sources []source // one a channel
	length  float64  // s of performance time
}

// Time gives the performance time in seconds that a frame stands for.
func (t *Timeline) Time(frame int64) float64 { return float64(frame) / t.Board.Rate.V }

// sampler gives the values of one curve in order of time.
type sampler interface{ Fill(dst, ts []float64) }

// source is the horn's curve of an axis: open returns a sampler at its start.
type source struct {
	axis *sequence.Axis
	open func() sampler
	free [][2]float64 // s, the spans in which it is let go
}

// plan is what is to be built, without its frames.
type plan struct {
	rig     *sequence.Rig
	motion  string
	length  float64 // s
	loop    bool
	sources []source
}

// Build makes one timeline for each board that drives an axis of the
// performance, in the rig's order. It runs through every frame once, in memory
// that does not grow with their number; a timeline that it returns can be read
// to its end without an error. The errors are LimitErrors where values do not
// fit their channels. Values beyond the travel are no errors here: whoever
// exports refuses such a motion before.
func Build(p *interp.Performance) ([]*Timeline, error) {
	pl := plan{rig: p.Rig, length: p.Length}
	if p.Script != nil {
		pl.motion, pl.loop = p.Script.Name, p.Script.Loop
	}
	for _, a := range p.Axes {
		horn := a.Horn
		pl.sources = append(pl.sources, source{axis: a.Spec, free: windows(p, a.Spec), open: func() sampler {
			c := horn.Cursor()
			return &c
		}})
	}
	return pl.build()
}

func (p *plan) build() ([]*Timeline, error) {
	mark := Fingerprint(p.rig)
	var list []*Timeline
	var errs []error
	for _, b := range p.rig.Boards {
		t := &Timeline{Board: b, Motion: p.motion, Loop: p.loop, Fingerprint: mark}
		for _, s := range p.sources {
			if s.axis.Board == b {
				t.sources = append(t.sources, s)
			}
		}
		if len(t.sources) == 0 {
			continue
		}
		if err := t.fill(p.length); err != nil {
			errs = append(errs, err)
		}
		list = append(list, t)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return list, nil
}

// fill makes the channels and proves the frames.
func (t *Timeline) fill(length float64) error {
	if _, err := boardClock(t.Board.Name, t.Board.Rate.V, t.Board.Tick.V); err != nil {
		return err
	}
	t.length, t.Frames = length, frameCount(length, t.Board.Rate.V, t.Loop)
	slices.SortStableFunc(t.sources, func(a, b source) int { return cmp.Compare(a.axis.Channel.V, b.axis.Channel.V) })
	for _, s := range t.sources {
		c, err := newChannel(s.axis)
		if err != nil {
			return err
		}
		c.Released = releases(s.free, t.Board.Rate.V, t.Frames)
		t.Channels = append(t.Channels, c)
	}
	if err := t.stagger(); err != nil {
		return err
	}
	return t.prove()
}

// frameCount gives the number of frames of a motion of length seconds.
func frameCount(length, rate float64, loop bool) int64 {
	frames := math.Round(length*rate*grid) / grid
	if loop {
		return max(1, int64(math.Round(frames)))
	}
	return int64(math.Ceil(frames)) + 1
}

// newChannel makes the channel of an axis, but for what depends on the others
// of its board and on its curve.
func newChannel(a *sequence.Axis) (Channel, error) {
	c := Channel{Axis: a, Number: int(a.Channel.V), Unit: unitOf(a.Kind)}
	if err := driven(a); err != nil {
		return c, err
	}
	convert := newConverter(a)
	rest, ok := horn(a, a.Rest.V)
	if !ok {
		return c, fmt.Errorf("the linkage of %s does not reach its rest, %v %s", a.Name, a.Rest.V, a.Unit)
	}
	c.Rest = int64(Round(convert.unit(rest)))
	c.Low, c.High = widest(&c)
	if low, high, ok := hornTravel(a); ok {
		l, h := Round(convert.unit(low)), Round(convert.unit(high))
		c.Low, c.High = int64(min(l, h)), int64(max(l, h))
	}
	return c, nil
}

// driven is an error where the axis lacks what its conversion needs.
func driven(a *sequence.Axis) error {
	switch u := unitOf(a.Kind); {
	case u == PulseTicks && len(a.Pulse) < 2:
		return fmt.Errorf("%s has no calibration: give at least two points of value and pulse", a.Name)
	case u == StepDelta && !(a.Steps.V > 0):
		return fmt.Errorf("%s has no steps: give the full steps of one motor revolution, commonly 200", a.Name)
	case u == StepDelta && a.Unit == "mm" && !(a.Lead.V > 0):
		return fmt.Errorf("%s has no lead: give the millimetres that it travels in one motor revolution", a.Name)
	}
	return nil
}

// widest gives the range of a channel whose axis has no end stops: that of its
// calibration, or of its unit.
func widest(c *Channel) (low, high int64) {
	switch c.Unit {
	case Duty:
		return -fullDuty, fullDuty
	case StepDelta:
		return math.MinInt32, math.MaxInt32
	case Level:
		return 0, fullLevel
	case State:
		return 0, 1
	}
	least, most := math.Inf(1), math.Inf(-1)
	for _, p := range c.Axis.Pulse {
		ticks := Round(Ticks(c.Axis.Board, p.Pulse.V+c.Axis.Trim.V))
		least, most = min(least, ticks), max(most, ticks)
	}
	return int64(least), int64(most)
}

// horn gives the actuator's value at one of the part.
func horn(a *sequence.Axis, part float64) (float64, bool) {
	if a.Linkage == nil {
		return part, true
	}
	h, _, _, _, ok := a.Linkage.Horn(part)
	return h, ok
}

// hornTravel gives the travel at the actuator. It is not ok where there is none
// or where the linkage does not reach its ends.
func hornTravel(a *sequence.Axis) (low, high float64, ok bool) {
	if !a.HasTravel() {
		return 0, 0, false
	}
	low, okLow := horn(a, a.Travel[0].V)
	high, okHigh := horn(a, a.Travel[1].V)
	return low, high, okLow && okHigh
}

// stagger gives each pulse channel its place in the frame: the k-th of n starts
// k slots after the frame, where a slot is the n-th part of what the longest
// pulse of the board leaves of the frame. So all edges stay inside the frame.
func (t *Timeline) stagger() error {
	if t.Board.Together {
		return nil
	}
	clock, err := boardClock(t.Board.Name, t.Board.Rate.V, t.Board.Tick.V)
	if err != nil {
		return err
	}
	longest, n := int64(0), int64(0)
	for i := range t.Channels {
		if c := &t.Channels[i]; c.Unit == PulseTicks {
			_, high := widest(c)
			longest, n = max(longest, high, c.High), n+1
		}
	}
	if n == 0 {
		return nil
	}
	slot := max(0, (int64(clock.floor(1))-longest)/n)
	slot = min(slot, math.MaxUint16/max(1, n-1)) // an offset has 16 bits
	k := int64(0)
	for i := range t.Channels {
		if c := &t.Channels[i]; c.Unit == PulseTicks {
			c.Offset = uint16(k * slot)
			k++
		}
	}
	return nil
}

// boardClock gives a board's ticks a frame, from its rate in Hz and its tick in
// microseconds.
func boardClock(board string, rate, tick float64) (ratio, error) {
	r, err := exactRatio(rate)
	if err != nil {
		return ratio{}, fmt.Errorf("the rate of board %s in Hz: %w", board, err)
	}
	t, err := exactRatio(tick)
	if err != nil {
		return ratio{}, fmt.Errorf("the tick of board %s in us: %w", board, err)
	}
	period, ok := r.times(t)
	if ok {
		period, ok = period.inverse().times(ratio{1e6, 1})
	}
	if !ok {
		return ratio{}, fmt.Errorf("the rate %v Hz and the tick %v us of board %s have too many digits together: round one of them", rate, tick, board)
	}
	if period.num < period.den {
		return ratio{}, fmt.Errorf("the tick %v us of board %s is longer than its frame: give a shorter tick or a lower rate", tick, board)
	}
	return period, nil
}

// prove runs through the frames and collects the first excess of each channel.
func (t *Timeline) prove() error {
	r := t.newReader()
	excess := make([]*LimitError, len(t.Channels))
	r.excess = func(e *LimitError, channel int) {
		if first := excess[channel]; first == nil || e.Frame < first.Frame {
			excess[channel] = e
		}
	}
	for i := range t.Channels {
		t.Channels[i].Start = r.channels[i].start()
	}
	for r.load() {
	}
	for i := range t.Channels {
		if c := &t.Channels[i]; c.Unit == StepDelta && t.Loop {
			wrap := c.Start - r.channels[i].position
			if wrap < -maxStep || wrap > maxStep {
				r.report(i, t.Frames, r.channels[i].value, float64(wrap))
			}
			c.Wrap = int16(wrap)
		}
	}
	var list LimitErrors
	for _, e := range excess {
		if e != nil {
			list = append(list, e)
		}
	}
	if len(list) == 0 {
		return nil
	}
	return list
}
