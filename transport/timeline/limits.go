package timeline

import (
	"math"

	"limberjack/sequence"
)

// Speeds at the part of a move that no motion asks for: to a first pose, between two
// motions, to rest.
const (
	SoftDegrees     = 30.0  // deg/s
	softMillimetres = 20.0  // mm/s
	softPercent     = 100.0 // %/s, of motors and lamps
	softTime        = 0.3   // s in which an axis without an acceleration limit gets to that speed
)

const (
	// spare is what a limit of change is above the fastest that is legal, so that rounding
	// never cuts anything.
	spare = 1.05
	// brakeTime is the time in s to rest of an axis without an acceleration limit.
	brakeTime = 0.2
)

// Limits are how fast a channel may change, in its unit: of steps, in microsteps.
type Limits struct {
	Change    uint32  // from frame to frame, at least 1
	Slow      uint32  // of the change, from frame to frame, at least 1: how hard it brakes
	SoftSpeed float64 // a second, in moves that no motion asks for
	SoftRise  float64 // a second a second
}

// LimitsAt gives a channel's limits by its axis and what motions do with it: change is
// the greatest change from frame to frame there is in them. soft is the speed of moves
// that no motion asks for, in deg/s, at most SoftDegrees; linear axes take two thirds of
// it in mm/s.
func (c *Channel) LimitsAt(change int64, soft float64) Limits {
	rate := c.Axis.Board.Rate.V
	full := float64(c.High) - float64(c.Low)
	most, least := slopes(c)
	limits := c.Axis.HornLimits()
	var l Limits
	l.SoftSpeed, l.SoftRise = softLimits(c, least, soft, limits)
	if c.Unit == State || c.Unit == Level {
		l.Change = wholeUp(full)
		l.Slow = l.Change
		return l
	}
	fast := math.Max(float64(change), l.SoftSpeed/rate)
	if limits.Speed.Known() {
		fast = math.Max(fast, limits.Speed.V*most/rate)
	}
	slow := fast / math.Max(1, brakeTime*rate)
	if limits.Acceleration.Known() {
		slow = limits.Acceleration.V * most / (rate * rate)
	}
	fast = math.Min(float64(fast*spare)+1, full)
	if c.Unit == StepDelta {
		fast = math.Min(fast, maxStep)
	}
	l.Change = wholeUp(fast)
	l.Slow = min(l.Change, wholeUp(slow))
	return l
}

// wholeUp gives the next whole number that is not less, and at least 1.
func wholeUp(x float64) uint32 { return uint32(math.Min(math.Ceil(math.Max(x, 1)), math.MaxUint32)) }

// slopes gives the most and the least units of a channel for one unit of the horn.
func slopes(c *Channel) (most, least float64) {
	switch c.Unit {
	case Duty:
		return fullDuty / 100.0, fullDuty / 100.0
	case Level:
		return fullLevel / 100.0, fullLevel / 100.0
	case StepDelta:
		k := math.Abs(Steps(c.Axis, 1) - Steps(c.Axis, 0))
		return k, k
	case State:
		return 1, 1
	}
	least = math.Inf(1)
	ps := c.Axis.Pulse
	for i := 1; i < len(ps); i++ {
		k := math.Abs(Ticks(c.Axis.Board, ps[i].Pulse.V-ps[i-1].Pulse.V) / (ps[i].Value.V - ps[i-1].Value.V))
		most, least = math.Max(most, k), math.Min(least, k)
	}
	return most, least
}

// softLimits gives the soft speed and its rise: neither part nor horn is faster, nor
// faster than the axis's limit.
func softLimits(c *Channel, slope, soft float64, l sequence.AxisLimits) (speed, rise float64) {
	speed = softPercent
	switch {
	case c.Axis.Kind == sequence.ContinuousServo || c.Axis.Unit != "deg" && c.Axis.Unit != "mm":
	case c.Axis.Unit == "deg":
		speed = soft
	default:
		speed = soft * softMillimetres / SoftDegrees
	}
	if l.Speed.Known() {
		speed = math.Min(speed, l.Speed.V)
	}
	rise = speed / softTime
	if l.Acceleration.Known() {
		rise = math.Min(rise, l.Acceleration.V)
	}
	k := slope * math.Min(1, slowest(c.Axis))
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
