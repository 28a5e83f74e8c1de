package live

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"

	"limberjack/sequence"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// closest is the part of a period by which slots on a board may follow each other, as
// its clock is being found out: a change a frame is then so much faster.
const closest = 15.0 / 16

// bounds are the limits of one channel, in its unit.
type bounds struct {
	unit            wire.Unit
	low, high, rest int64
	change, slow    uint32  // a frame, a frame a frame
	softSpeed       float64 // a second
	softRise        float64 // a second a second
}

// reach is what a motion does with a channel.
type reach struct {
	low, high    int64 // values, released frames left out
	change, slow int64 // greatest first and second difference
	some         bool
}

// survey runs once through a timeline: what it does with each channel, and a
// fingerprint of its values.
func survey(tl *timeline.Timeline) (rs []reach, print string) {
	rs = make([]reach, len(tl.Channels))
	h := sha256.New()
	n := len(tl.Channels)
	now, values, raw := make([]int64, n), newPlayback(tl), make([]byte, 8*n)
	before, step := make([]int64, n), make([]int64, n)
	fresh := make([]int, n) // frames since the channel had none
	for values.next(now) {
		for i, v := range now {
			binary.LittleEndian.PutUint64(raw[8*i:], uint64(v))
			fresh[i] = rs[i].take(tl.Channels[i].Unit, v, &before[i], &step[i], fresh[i])
		}
		h.Write(raw)
	}
	return rs, hex.EncodeToString(h.Sum(nil)[:8])
}

// widened gives what either a motion that is known or another one does with each channel.
func widened(rs []reach, tl *timeline.Timeline) []reach {
	more, _ := survey(tl)
	for i, r := range more {
		if r.some && rs[i].some {
			r.low, r.high = min(r.low, rs[i].low), max(r.high, rs[i].high)
			r.change, r.slow = max(r.change, rs[i].change), max(r.slow, rs[i].slow)
		}
		if r.some {
			rs[i] = r
		}
	}
	return rs
}

// take widens a reach by a frame's value, and gives the number of frames there are
// to compare the next one with.
func (r *reach) take(unit timeline.Unit, v int64, before, step *int64, fresh int) int {
	if unit == timeline.PulseTicks && v == 0 {
		return 0
	}
	if !r.some {
		r.low, r.high, r.some = v, v, true
	}
	r.low, r.high = min(r.low, v), max(r.high, v)
	d := v - *before
	if fresh > 0 {
		r.change = max(r.change, abs(d))
	}
	if fresh > 1 {
		r.slow = max(r.slow, abs(d-*step))
	}
	*before, *step = v, d
	return fresh + 1
}

func abs(x int64) int64 { return max(x, -x) }

// newBounds gives the limits of a channel by its axis, its board and its motion.
func newBounds(c *timeline.Channel, r reach, soft float64) bounds {
	l := c.LimitsAt(r.change, soft)
	return bounds{unit: unitOf(c.Unit), low: clamp32(c.Low), high: clamp32(c.High), rest: clamp32(c.Rest), change: l.Change, slow: l.Slow,
		softSpeed: l.SoftSpeed * closest, softRise: l.SoftRise * closest}
}

// position gives a stepper's position from its low 16 bits: the one within its travel,
// or, where that is wider, or there is none, the one that is nearest to another.
func (b *bounds) position(v uint16, near int64) int64 {
	if width := b.high - b.low; width < 1<<16 {
		near = b.low + (width+1)/2
	}
	return int64(wire.Position(v, int32(near)))
}

func clamp32(v int64) int64 { return max(math.MinInt32, min(math.MaxInt32, v)) }

var wireUnits = [...]wire.Unit{timeline.PulseTicks: wire.UnitTicks, timeline.Duty: wire.UnitDuty, timeline.StepDelta: wire.UnitSteps,
	timeline.Level: wire.UnitLevel, timeline.State: wire.UnitState}

func unitOf(u timeline.Unit) wire.Unit { return wireUnits[u] }

// message gives the limits as the board is told them.
func (b *bounds) message(c *timeline.Channel) wire.Channel {
	m := wire.Channel{Channel: uint8(c.Number), Unit: b.unit, Lost: policyOf(c.Axis.Lost), Offset: c.Offset,
		Low: int32(b.low), High: int32(b.high), Rest: int32(b.rest), Change: b.change, Slow: b.slow}
	if c.Axis.Load.CarriesWeight() {
		m.Flags |= wire.FlagsWeight
	}
	if c.Axis.Kind == sequence.ContinuousServo {
		m.Flags |= wire.FlagsTurns
	}
	return m
}

func policyOf(l sequence.Lost) wire.Policy {
	switch l {
	case sequence.LostRest:
		return wire.PolicyRest
	case sequence.LostRelease:
		return wire.PolicyRelease
	}
	return wire.PolicyHold
}
