package board

import "limberjack/transport/wire"

// aim is what an axis does while no frame drives it.
type aim uint8

const (
	aimHold aim = iota // come to rest, stay
	aimFree            // come to rest, then be let go
	aimHome            // come to rest, then go to the rest value
	aimGo              // go to the rest value
)

// axis is what the board knows of one output in motion. Whatever drives it, value
// changes by at most change from slot to slot and stays in low..high.
type axis struct {
	conf   wire.Channel
	set    bool // configured
	live   bool // pulses leave
	shown  bool // pulses left in the last slot
	aim    aim
	value  int64
	speed  int64 // change of the value in the last slot
	change int64
	soft   int64
	slow   int64
}

// widest bounds what a change can be worth: a value has 16 bits, and a stepper's
// position cannot be told apart beyond half of that.
const (
	widestChange = 65535
	widestSteps  = 32767
)

func (a *axis) configure(c *wire.Channel, soft uint32) {
	a.conf, a.set = *c, true
	a.change = min(int64(c.Change), widestChange)
	if c.Unit == wire.UnitSteps {
		a.change = min(a.change, widestSteps)
	}
	if a.soft = min(int64(soft), a.change); a.soft == 0 {
		a.soft = a.change
	}
	a.slow = min(int64(c.Slow), 2*widestChange)
	a.speed = clamp(a.speed, -a.change, a.change)
}

func (a *axis) low() int64   { return int64(a.conf.Low) }
func (a *axis) high() int64  { return int64(a.conf.High) }
func (a *axis) weight() bool { return a.conf.Flags&wire.FlagsWeight != 0 }

func clamp(x, low, high int64) int64 { return max(low, min(x, high)) }

// number gives what a value on the wire counts: for steps the position nearest
// to another.
func (a *axis) number(value uint16, near int64) int64 {
	switch a.conf.Unit {
	case wire.UnitSteps:
		return near + int64(int16(value-uint16(near))) // as wire.Position, but it may leave 32 bits
	case wire.UnitState:
		return min(int64(value), 1)
	}
	return int64(a.conf.Unit.Number(value))
}

// begin gives where an axis without pulses is taken to stand by a value on the wire: of
// a stepper the position within its limits, or, where those are wider than what the value
// tells apart, the one nearest to rest.
func (a *axis) begin(value uint16) int64 {
	near := int64(a.conf.Rest)
	if width := a.high() - a.low(); width < 1<<16 {
		near = a.low() + (width+1)/2
	}
	return a.number(value, near)
}

// place puts an axis that has no pulses to a value.
func (a *axis) place(x int64) {
	a.value, a.speed, a.live, a.aim = clamp(x, a.low(), a.high()), 0, true, aimHold
}

// off says whether a value asks for no pulses.
func (a *axis) off(value uint16) bool { return a.conf.Unit == wire.UnitTicks && value == 0 }

// within says whether a number is within the limits.
func (a *axis) within(x int64) bool { return x >= a.low() && x <= a.high() }

// free lets the axis go.
func (a *axis) free() { a.live, a.speed = false, 0 }

// move changes the value by v, but not beyond the limits.
func (a *axis) move(v int64) {
	x := clamp(a.value+v, a.low(), a.high())
	a.speed, a.value = x-a.value, x
}

// follow plays a frame's value, and says whether it had to be changed. A servo's
// pulses end with a value of 0 and come back at whatever value is next; an axis
// that carries weight is held instead.
func (a *axis) follow(value uint16) (clamped bool) {
	if a.off(value) {
		if a.live && a.weight() {
			a.brake()
			return true
		}
		a.free()
		return false
	}
	want := a.number(value, a.value)
	if !a.live {
		a.place(want)
		return a.value != want
	}
	a.move(clamp(want-a.value, -a.change, a.change))
	return a.value != want
}

// turns says that the value is a speed, so that an axis at rest is one whose value
// says so.
func (a *axis) turns() bool { return turns(&a.conf) }

func turns(c *wire.Channel) bool { return c.Unit == wire.UnitDuty || c.Flags&wire.FlagsTurns != 0 }

// standstill is the value at which such an axis stands still.
func (a *axis) standstill() int64 {
	if a.conf.Unit == wire.UnitDuty {
		return clamp(0, a.low(), a.high())
	}
	return int64(a.conf.Rest)
}

// resting says whether the axis stands still.
func (a *axis) resting() bool {
	return a.speed == 0 && (!a.turns() || a.value == a.standstill())
}

// brake brings the axis to rest: its change a slot shrinks by slow a slot.
func (a *axis) brake() {
	if a.turns() {
		a.approach(a.standstill(), a.change)
		return
	}
	if a.speed > 0 {
		a.move(max(0, a.speed-a.slow))
	} else {
		a.move(min(0, a.speed+a.slow))
	}
}

// approach goes on towards a target, with at most fast a slot and a change of that of
// at most slow, so that it comes to rest there. An axis that is faster slows down to it.
func (a *axis) approach(target, fast int64) {
	way, speed, sign := target-a.value, a.speed, int64(1)
	if way < 0 {
		way, speed, sign = -way, -speed, -1
	}
	low, high := max(speed-a.slow, -a.change), min(speed+a.slow, fast)
	high = max(high, low)
	for low < high { // the greatest speed from which it can still stop
		mid := low + (high-low+1)/2
		if stopWay(mid, a.slow) <= way {
			low = mid
		} else {
			high = mid - 1
		}
	}
	a.move(sign * low)
}

// stopWay is the way of an axis that goes at a speed for one slot and then slows
// down: v + (v-slow) + (v-2 slow) + ... in time that does not depend on it.
func stopWay(v, slow int64) int64 {
	if v <= 0 {
		return v
	}
	n := v / slow
	return v + n*v - slow*n*(n+1)/2
}

// settle moves the axis on by a slot in which no frame drives it.
func (a *axis) settle() {
	if !a.live {
		return
	}
	switch {
	case a.aim == aimGo:
		a.approach(int64(a.conf.Rest), a.soft)
	case !a.resting():
		a.brake()
	case a.aim == aimHome:
		a.aim = aimGo
		a.approach(int64(a.conf.Rest), a.soft)
	case a.aim == aimFree && !a.weight():
		a.free()
	}
}

// settled says whether a stopped axis has nothing left to do.
func (a *axis) settled() bool {
	return !a.live || a.resting() && (a.aim != aimFree || a.weight())
}

// wire gives the value as it stands on the wire.
func (a *axis) wire() uint16 { return uint16(a.value) }

// bridge gives the value at part/whole of the way between two frames' values.
// Switches, and servos that have no pulse in one of the frames, do not change on
// the way.
func (a *axis) bridge(from, to uint16, part, whole int64) uint16 {
	unit := a.conf.Unit
	if unit == wire.UnitState || unit == wire.UnitTicks && (from == 0 || to == 0) {
		return from
	}
	way := int64(unit.Number(to)) - int64(unit.Number(from))
	if unit == wire.UnitSteps {
		way = int64(int16(to - from))
	}
	return from + uint16(way*part/whole)
}
