package timeline

import (
	"math"

	"limberjack/sequence"
)

// blockFrames is how many frames a Reader computes at a time.
const blockFrames = 256

// Reader gives the frames of a timeline in order. It holds one block of frames,
// however long the timeline is.
type Reader struct {
	timeline *Timeline
	channels []*converter
	frame    int64 // of the block's end
	next     int   // in the block
	size     int   // of the block
	times    [blockFrames]float64
	values   [blockFrames]float64
	units    [blockFrames]float64
	block    []uint16 // frame by frame
	excess   func(e *LimitError, channel int)
}

// Reader returns a reader before frame 0.
func (t *Timeline) Reader() *Reader {
	r := t.newReader()
	for i := range t.Channels {
		r.channels[i].position = t.Channels[i].Start
	}
	return r
}

func (t *Timeline) newReader() *Reader {
	r := &Reader{timeline: t, block: make([]uint16, blockFrames*len(t.Channels))}
	clock, err := boardClock(t.Board.Name, t.Board.Rate.V, t.Board.Tick.V)
	ticks := int64(math.MaxUint16)
	if err == nil {
		ticks = int64(clock.floor(1))
	}
	for i := range t.Channels {
		c := newConverter(t.Channels[i].Axis)
		c.sampler = t.sources[i].open()
		c.open = t.sources[i].open
		c.low, c.high = t.Channels[i].limits(ticks)
		c.free = t.Channels[i].Released
		r.channels = append(r.channels, c)
	}
	return r
}

// Next writes the next frame into dst, one value a channel, signed ones as
// two's complement, and reports whether there was one. It allocates nothing.
func (r *Reader) Next(dst []uint16) bool {
	if r.next == r.size && !r.load() {
		return false
	}
	n := len(r.channels)
	copy(dst[:n], r.block[r.next*n:])
	r.next++
	return true
}

// load computes the next block.
func (r *Reader) load() bool {
	r.next, r.size = 0, int(min(blockFrames, r.timeline.Frames-r.frame))
	if r.size == 0 {
		return false
	}
	ts, vs := r.times[:r.size], r.values[:r.size]
	for i := range ts {
		ts[i] = r.timeline.Time(r.frame + int64(i))
	}
	for channel, c := range r.channels {
		c.sampler.Fill(vs, ts)
		r.convert(channel, c, vs)
	}
	r.frame += int64(r.size)
	return true
}

// convert puts one channel into the block.
func (r *Reader) convert(channel int, c *converter, vs []float64) {
	xs := r.units[:len(vs)]
	c.fill(xs, vs)
	if c.kind == StepDelta {
		r.steps(channel, c, xs, vs)
	}
	n, at := len(r.channels), channel
	for i, x := range xs {
		u, ok := c.whole(x)
		if c.letGo(r.frame + int64(i)) {
			u, ok = 0, true
		}
		if !ok {
			r.report(channel, r.frame+int64(i), vs[i], Round(x))
		}
		r.block[at] = uint16(u)
		at += n
	}
}

// steps turns positions into the whole microsteps from the position before.
func (r *Reader) steps(channel int, c *converter, xs, vs []float64) {
	for i, x := range xs {
		x = Round(x)
		if !(math.Abs(x) <= math.MaxInt32) {
			r.report(channel, r.frame+int64(i), vs[i], x)
			xs[i] = 0
			continue
		}
		xs[i] = float64(int64(x) - c.position)
		c.position, c.value = int64(x), vs[i]
	}
}

// report hands an excess to whoever proves the timeline.
func (r *Reader) report(channel int, frame int64, v, x float64) {
	if r.excess == nil {
		return
	}
	c := r.channels[channel]
	e := &LimitError{Axis: c.axis, Frame: frame, Time: r.timeline.Time(frame), At: v, Value: x, Limit: c.high, Unit: c.kind}
	if x < c.low {
		e.Limit = c.low
	}
	if c.kind == StepDelta && math.Abs(x) > math.MaxInt32 {
		e.Limit = math.Copysign(math.MaxInt32, x)
	}
	r.excess(e, channel)
}

// converter turns values of one axis into its channel's unit.
type converter struct {
	axis      *sequence.Axis
	kind      Unit
	open      func() sampler
	sampler   sampler
	low, high float64 // of the channel's unit, inclusive
	gamma     float64
	parts     []segment // of a calibration
	at        int       // the segment of the value before
	position  int64     // of a stepper, microsteps
	value     float64   // the same in the axis's unit
	free      []Release // those that are not over
}

// segment is a straight part of a calibration: us = start + slope (value - from).
type segment struct{ from, to, start, slope float64 }

func newConverter(a *sequence.Axis) *converter {
	c := &converter{axis: a, kind: unitOf(a.Kind), gamma: orOne(a.Gamma)}
	if c.kind != PulseTicks {
		return c
	}
	for i := 1; i < len(a.Pulse); i++ {
		p, q := a.Pulse[i-1], a.Pulse[i]
		slope := (q.Pulse.V - p.Pulse.V) / (q.Value.V - p.Value.V)
		c.parts = append(c.parts, segment{p.Value.V, q.Value.V, p.Pulse.V, slope})
	}
	return c
}

// letGo reports whether a frame, none of which comes before the last, is in a
// release.
func (c *converter) letGo(frame int64) bool {
	for len(c.free) > 0 && c.free[0].Last < frame {
		c.free = c.free[1:]
	}
	return len(c.free) > 0 && c.free[0].First <= frame
}

// start gives the position at frame 0 and takes it as the one before.
func (c *converter) start() int64 {
	if c.kind != StepDelta {
		return 0
	}
	var v [1]float64
	c.open().Fill(v[:], []float64{0})
	x := Round(c.unit(v[0]))
	if math.Abs(x) <= math.MaxInt32 {
		c.position = int64(x)
	}
	return c.position
}

// whole rounds a value and reports whether the channel holds it.
func (c *converter) whole(x float64) (int64, bool) {
	if !(x > c.low-1 && x < c.high+1) { // so for NaN
		return 0, false
	}
	u := roundFine(x)
	return u, u >= int64(c.low) && u <= int64(c.high)
}

// unit gives a value of the axis in the channel's unit, not rounded.
func (c *converter) unit(v float64) float64 {
	var x [1]float64
	c.fill(x[:], []float64{v})
	return x[0]
}

// fill gives values of the axis in the channel's unit, not rounded.
func (c *converter) fill(dst, vs []float64) {
	switch c.kind {
	case PulseTicks:
		board := c.axis.Board
		for i, v := range vs {
			dst[i] = Ticks(board, c.pulse(v))
		}
	case Duty:
		for i, v := range vs {
			dst[i] = float64(v*fullDuty) / 100
		}
	case StepDelta:
		for i, v := range vs {
			dst[i] = Steps(c.axis, v)
		}
	case Level:
		for i, v := range vs {
			dst[i] = level(c.gamma, v)
		}
	default:
		copy(dst, vs)
	}
}

// pulse is Pulse, with the segments prepared and the one of the value before
// tried first.
func (c *converter) pulse(v float64) float64 {
	for c.at < len(c.parts)-1 && v > c.parts[c.at].to {
		c.at++
	}
	for c.at > 0 && v <= c.parts[c.at].from {
		c.at--
	}
	s := &c.parts[c.at]
	return s.start + float64((v-s.from)*s.slope) + c.axis.Trim.V
}
