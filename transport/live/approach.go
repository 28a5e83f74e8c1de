package live

import (
	"math"

	"limberjack/transport/wire"
)

// Greatest speed and acceleration of the minimum-jerk move over a way of 1 in a
// time of 1: s(u) = 10 u^3 - 15 u^4 + 6 u^5 (Flash and Hogan, J. Neurosci. 5(7),
// 1985), s'(1/2) = 15/8, s” at (3 - sqrt 3)/6 = 10/sqrt 3.
const (
	minJerkSpeed = 15.0 / 8
	minJerkRise  = 5.773502691896258
)

func minJerk(u float64) float64 { return u * u * u * (10 + float64(u*(float64(6*u)-15))) }

// approach is a move of all channels of a board from one pose to another, all in
// the same time and none faster than its soft limits.
type approach struct {
	from, to []int64
	bounds   []bounds
	frames   int64 // until the last one, in which the axes have arrived
}

// newApproach plans a move at a board's rate in Hz. A channel without a pulse at
// one of the ends does not move.
func newApproach(bs []bounds, from, to []int64, rate float64) approach {
	a := approach{from: from, to: to, bounds: bs}
	for i := range bs {
		a.frames = max(a.frames, bs[i].frames(from[i], to[i], rate))
	}
	return a
}

// frames gives the frames that one channel needs.
func (b *bounds) frames(from, to int64, rate float64) int64 {
	way := math.Abs(float64(to - from))
	if way == 0 || b.unit == wire.UnitState || b.unit == wire.UnitTicks && (from == 0 || to == 0) {
		return 0
	}
	speed := b.softSpeed
	if whole := math.Floor(speed / rate); whole >= 1 {
		// A change below k units a frame is at most k when its ends are rounded.
		speed = whole * rate
	}
	t := math.Max(minJerkSpeed*way/speed, math.Sqrt(minJerkRise*way/b.softRise))
	return int64(math.Ceil(t * rate))
}

// fill gives frame j of the move, 0 to frames.
func (a *approach) fill(j int64, dst []int64) {
	s := 1.0
	if a.frames > 0 {
		s = minJerk(float64(j) / float64(a.frames))
	}
	for i := range dst {
		dst[i] = a.bounds[i].between(a.from[i], a.to[i], s)
		if j >= a.frames {
			dst[i] = a.arrive(i)
		}
	}
}

// arrive gives the last value of a channel: one that is to be let go stays where it
// is until the motion lets it go.
func (a *approach) arrive(i int) int64 {
	if a.bounds[i].unit == wire.UnitTicks && a.to[i] == 0 {
		return a.from[i]
	}
	return a.to[i]
}

// between gives a value a part s of the way between two, rounded. What cannot be
// divided stays at the first: switches, and pulses of which one is none.
func (b *bounds) between(from, to int64, s float64) int64 {
	if from == to || s == 0 || b.unit == wire.UnitState || b.unit == wire.UnitTicks && (from == 0 || to == 0) {
		return from
	}
	return from + int64(math.Round(float64(to-from)*s))
}
