package ease

import "math"

// Limits of one move, all positive, in the caller's unit of length or angle and
// seconds. A Jerk of 0 or +Inf is none: the acceleration then jumps
// (trapezoidal profile). +Inf is no limit of Speed or Acceleration either.
type Limits struct{ Speed, Acceleration, Jerk float64 }

// Profile is a rest-to-rest move in up to seven phases: speed-up (jerk, constant
// acceleration, jerk back), cruise, slow-down. T holds their durations in
// seconds, J their jerks, and A, V and P the acceleration, speed and place at
// the start of each, all signed. Without a jerk limit only phases 1, 3 and 5
// have a length.
type Profile struct {
	Distance      float64
	T, J, A, V, P [7]float64
}

// RestToRest is the time-optimal profile over the signed distance, at rest (no
// speed, no acceleration) at both ends. If no cruise fits, the speed limit is
// not reached; if the move is shorter still, neither is that of acceleration.
// A limit that is zero, negative or NaN (but for a Jerk of 0), or a distance
// that is not finite, gives a profile that never arrives: its Duration is
// infinite and its position 0.
//
// Source: the double-S profile of L. Biagiotti and C. Melchiorri, Trajectory
// Planning for Automatic Machines and Robots (2008), section 3.4, with equal
// limits both ways. No allocation.
func RestToRest(distance float64, l Limits) Profile {
	d := math.Abs(distance)
	if !(l.Speed > 0) || !(l.Acceleration > 0) || !(l.Jerk >= 0) || !(d < math.Inf(1)) {
		return Profile{T: [7]float64{3: math.Inf(1)}}
	}
	p := Profile{Distance: distance}
	if d == 0 {
		return p
	}
	ramp, constant, cruise := spans(d, l)
	p.T = [7]float64{ramp, constant, ramp, cruise, ramp, constant, ramp}
	p.lay(math.Copysign(1, distance), l)
	return p
}

// spans are the durations of one jerk phase, of constant acceleration and of
// the cruise.
func spans(d float64, l Limits) (ramp, constant, cruise float64) {
	v, a, j := l.Speed, l.Acceleration, l.Jerk
	if unlimited(j) {
		return trapezoidal(d, v, a)
	}
	reached := float64(v*j) > float64(a*a) // acceleration, if there is room
	if reached || math.IsInf(a, 1) && math.IsInf(v, 1) {
		ramp = a / j
	} else {
		ramp = math.Sqrt(v / j)
	}
	least := float64(2 * j * ramp * ramp * ramp)
	switch {
	case d < least:
		return cubeRoot(d / (2 * j)), 0, 0
	case !reached:
		return ramp, 0, (d - least) / v
	}
	constant = v/a - ramp
	if full := float64(v * (2*ramp + constant)); d >= full {
		return ramp, constant, (d - full) / v
	}
	top := 2 * d / (ramp + math.Sqrt(float64(ramp*ramp)+4*d/a))
	return ramp, math.Max(0, top/a-ramp), 0
}

func unlimited(jerk float64) bool { return jerk == 0 || math.IsInf(jerk, 1) }

func trapezoidal(d, v, a float64) (ramp, constant, cruise float64) {
	constant = v / a
	if math.IsInf(a, 1) {
		constant = 0
	}
	full := float64(v * constant)
	if constant == 0 {
		full = 0
	}
	if d < full {
		return 0, math.Sqrt(d / a), 0
	}
	return 0, constant, (d - full) / v
}

// lay sets the state at the start of each phase, the second half as the mirror
// image of the first, so that the move ends exactly at its distance.
func (p *Profile) lay(sign float64, l Limits) {
	ramp, constant := p.T[0], p.T[1]
	jerk, a := 0.0, 0.0
	if !unlimited(l.Jerk) {
		jerk = sign * l.Jerk
		a = jerk * ramp
	} else if constant > 0 {
		a = sign * l.Acceleration
	}
	p.J = [7]float64{jerk, 0, -jerk, 0, -jerk, 0, jerk}
	p.A = [7]float64{0, a, a, 0, 0, -a, -a}
	v1 := a * ramp / 2
	v2 := v1 + float64(a*constant)
	v3 := v2 + v1
	if ramp == 0 && constant == 0 {
		v3 = sign * l.Speed
	}
	p.V = [7]float64{0, v1, v2, v3, v3, v2, v1}
	s1 := a * ramp * ramp / 6
	s2 := s1 + float64(constant*(v1+a*constant/2))
	s3 := s2 + float64(ramp*(v2+a*ramp/3))
	p.P = [7]float64{0, s1, s2, s3, p.Distance - s3, p.Distance - s2, p.Distance - s1}
}

// Duration is the time from start to end, in seconds.
func (p Profile) Duration() float64 {
	sum := 0.0
	for _, t := range p.T {
		sum += t
	}
	return sum
}

// At is the position, from 0 to Distance, with speed, acceleration and jerk, t
// seconds after the start; right-hand ones where they jump, and at rest outside.
func (p Profile) At(t float64) (pos, vel, acc, jerk float64) {
	if !(t >= 0) {
		return 0, 0, 0, 0
	}
	from := 0.0
	for i, span := range p.T {
		if t < from+span {
			y := t - from
			pos = p.P[i] + float64(y*(p.V[i]+float64(y*(p.A[i]/2+float64(y*(p.J[i]/6))))))
			vel = p.V[i] + float64(y*(p.A[i]+float64(y*(p.J[i]/2))))
			return pos, vel, p.A[i] + float64(y*p.J[i]), p.J[i]
		}
		from += span
	}
	return p.Distance, 0, 0, 0
}

// Phase is a piece of a profile over [T0, T1] seconds: C are the ascending
// coefficients of the position in t-T0.
type Phase struct {
	T0, T1 float64
	C      [4]float64
}

// Phases appends the phases that have a length. By Horner's rule at its end the
// last one gives the distance itself.
func (p Profile) Phases(dst []Phase) []Phase {
	from, before := 0.0, len(dst)
	for i, span := range p.T {
		if to := from + span; to > from {
			dst = append(dst, Phase{from, to, [4]float64{p.P[i], p.V[i], p.A[i] / 2, p.J[i] / 6}})
			from = to
		}
	}
	if len(dst) > before {
		dst[len(dst)-1].endAt(p.Distance)
	}
	return dst
}

// endAt shifts the phase by the rounding error of its end. Where the sum of start
// and rise lies halfway between two doubles, no start gives the distance; then
// the least change of speed moves the rise off that tie.
func (f *Phase) endAt(distance float64) {
	y := f.T1 - f.T0
	for range 8 {
		rise := float64(y * (f.C[1] + float64(y*(f.C[2]+float64(y*f.C[3])))))
		f.C[0] = distance - rise
		if f.C[0]+rise == distance {
			return
		}
		f.C[1] = math.Nextafter(f.C[1], 0)
	}
}
