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

// Speeds of a soft start, at the part and at the horn.
const (
	softDegrees     = 30.0 // deg/s
	softMillimetres = 20.0 // mm/s
	softPercent     = 100. // %/s, of motors and lamps
	softRise        = 0.3  // s in which an axis without an acceleration limit gets to that speed
)

// spare is what a board's limit of change is above the fastest that is legal, so
// that rounding never cuts anything.
const spare = 1.05

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
	b := bounds{unit: unitOf(c.Unit), low: clamp32(c.Low), high: clamp32(c.High), rest: clamp32(c.Rest)}
	rate := c.Axis.Board.Rate.V
	full := float64(b.high - b.low)
	most, least := slopes(c)
	limits := c.Axis.HornLimits()
	b.softSpeed, b.softRise = softLimits(c, least, soft, limits)
	if c.Unit == timeline.State || c.Unit == timeline.Level {
		b.change = wholeUp(math.Max(1, full))
		b.slow = b.change
		return b
	}
	change := math.Max(float64(r.change), b.softSpeed/rate)
	if limits.Speed.Known() {
		change = math.Max(change, limits.Speed.V*most/rate)
	}
	slow := change / math.Max(1, 0.2*rate) // to rest in 0.2 s
	if limits.Acceleration.Known() {
		slow = limits.Acceleration.V * most / (rate * rate)
	}
	b.change = wholeUp(math.Min(float64(change*spare)+1, math.Max(1, full)))
	b.slow = min(b.change, wholeUp(math.Max(slow, 1)))
	return b
}

func clamp32(v int64) int64 { return max(math.MinInt32, min(math.MaxInt32, v)) }

func wholeUp(x float64) uint32 { return uint32(math.Min(math.Ceil(x), math.MaxUint32)) }

var wireUnits = [...]wire.Unit{timeline.PulseTicks: wire.UnitTicks, timeline.Duty: wire.UnitDuty, timeline.StepDelta: wire.UnitSteps,
	timeline.Level: wire.UnitLevel, timeline.State: wire.UnitState}

func unitOf(u timeline.Unit) wire.Unit { return wireUnits[u] }

// slopes gives the most and the least units of a channel for one unit of the horn.
func slopes(c *timeline.Channel) (most, least float64) {
	switch c.Unit {
	case timeline.Duty:
		return math.MaxInt16 / 100.0, math.MaxInt16 / 100.0
	case timeline.Level:
		return math.MaxUint16 / 100.0, math.MaxUint16 / 100.0
	case timeline.StepDelta:
		k := math.Abs(timeline.Steps(c.Axis, 1) - timeline.Steps(c.Axis, 0))
		return k, k
	case timeline.State:
		return 1, 1
	}
	least = math.Inf(1)
	ps := c.Axis.Pulse
	for i := 1; i < len(ps); i++ {
		k := math.Abs((ps[i].Pulse.V - ps[i-1].Pulse.V) / (ps[i].Value.V - ps[i-1].Value.V) / c.Axis.Board.Tick.V)
		most, least = math.Max(most, k), math.Min(least, k)
	}
	return most, least
}

// softLimits gives the speed and the acceleration of a soft start, in units of the
// channel: neither part nor horn is faster than the soft speed, nor than the axis's
// limit.
func softLimits(c *timeline.Channel, slope, soft float64, l sequence.AxisLimits) (speed, rise float64) {
	speed = softPercent
	switch {
	case c.Axis.Kind == sequence.ContinuousServo || c.Axis.Unit != "deg" && c.Axis.Unit != "mm":
	case c.Axis.Unit == "deg":
		speed = soft
	default:
		speed = soft * softMillimetres / softDegrees
	}
	if l.Speed.Known() {
		speed = math.Min(speed, l.Speed.V)
	}
	rise = speed / softRise
	if l.Acceleration.Known() {
		rise = math.Min(rise, l.Acceleration.V)
	}
	k := slope * math.Min(1, slowest(c.Axis)) * closest
	return speed * k, rise * k
}

// slowest gives the least way of the horn for a way of the part, over the travel.
func slowest(a *sequence.Axis) float64 {
	low, high, ok := a.Bounds()
	if a.Linkage == nil || !ok {
		return 1
	}
	const steps = 64
	least := math.Inf(1)
	for k := range steps + 1 {
		if _, d, _, _, ok := a.Linkage.Horn(low + float64((high-low)*float64(k)/steps)); ok && d != 0 {
			least = math.Min(least, math.Abs(d))
		}
	}
	if math.IsInf(least, 1) {
		return 1
	}
	// Near a dead point the part runs away from the horn; there no speed is slow enough.
	return math.Max(least, 0.1)
}

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
