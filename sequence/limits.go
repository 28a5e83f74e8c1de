package sequence

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"limberjack/interp/ease"
)

// class holds what stands in for the lines that a servo's data sheet does not
// give. The figures are round means of the sheets of each class (common
// practice); the mechanical time constant, which no hobby servo's sheet
// publishes, is an assumption: it stands for the rotor's inertia.
type class struct {
	name                              string
	most                              float64 // N.m of stall torque up to which a servo is of this class
	voltage, speed, stallTorque       float64 // V, deg/s, N.m
	stallCurrent, noLoadCurrent, idle float64 // A
	deadBand, timeConstant            float64 // us, s
}

var classes = []class{
	{"micro", 2.6 * kgcm, 4.8, 500, 1.7 * kgcm, 0.65, 0.12, 0.007, 7, 0.030},
	{"standard", 6.5 * kgcm, 4.8, 300, 3.3 * kgcm, 0.75, 0.16, 0.008, 5, 0.040},
	{"large", math.Inf(1), 6.0, 400, 11 * kgcm, 2.5, 0.40, 0.010, 5, 0.050},
}

// ServoFigures are the lines of a servo's data sheet at the voltage of its
// supply, each with its origin.
type ServoFigures struct {
	Class         string
	Voltage       float64 // V, of the supply (of the sheet where there is no supply)
	Speed         Figure  // unit/s without load
	StallTorque   Figure  // N.m
	StallCurrent  Figure  // A
	NoLoadCurrent Figure  // A
	IdleCurrent   Figure  // A
	DeadBand      Figure  // us
	Inertia       Figure  // kg.m2 at the horn, of rotor and gears: assumed
}

func sheetOr(n Num, otherwise float64) Figure {
	if n.Given() {
		return Figure{n.V, OriginSheet}
	}
	return Figure{otherwise, OriginClass}
}

// Figures gives the servo's lines, scaled to its supply: speed, stall torque
// and stall current of a DC motor are proportional to voltage. It is nil for
// other kinds.
func (a *Axis) Figures() *ServoFigures {
	if a.Kind != Servo && a.Kind != ContinuousServo {
		return nil
	}
	s := a.Servo
	if s == nil {
		s = &ServoSheet{}
	}
	c := classes[0]
	for i := 0; s.StallTorque.Given() && s.StallTorque.V > c.most; i++ {
		c = classes[i+1]
	}
	sheetVolt := sheetOr(s.Voltage, c.voltage).V
	f := &ServoFigures{Class: c.name, Voltage: sheetVolt, Speed: sheetOr(s.Speed, c.speed), StallTorque: sheetOr(s.StallTorque, c.stallTorque),
		StallCurrent: sheetOr(s.StallCurrent, c.stallCurrent), NoLoadCurrent: sheetOr(s.NoLoadCurrent, c.noLoadCurrent),
		IdleCurrent: sheetOr(s.IdleCurrent, c.idle), DeadBand: sheetOr(s.DeadBand, c.deadBand)}
	f.NoLoadCurrent.V = math.Min(f.NoLoadCurrent.V, f.StallCurrent.V/2)
	f.IdleCurrent.V = math.Min(f.IdleCurrent.V, f.NoLoadCurrent.V/2)
	if f.Speed.V > 0 {
		f.Inertia = Figure{f.StallTorque.V * c.timeConstant / (f.Speed.V * math.Pi / 180), OriginClass}
	}
	if a.Supply != nil && a.Supply.Voltage.V > 0 && sheetVolt > 0 {
		f.Voltage = a.Supply.Voltage.V
		k := f.Voltage / sheetVolt
		f.Speed.V *= k
		f.StallTorque.V *= k
		f.StallCurrent.V *= k
	}
	if a.Measured.Speed.Given() {
		f.Speed = Figure{a.Measured.Speed.V, OriginMeasured}
	}
	return f
}

// LoadTorque gives the static torque in N.m at the part for a value: the
// constant torque and the weight of a mass on its arm.
func (a *Axis) LoadTorque(value float64) float64 {
	weight := 0.0
	if a.Load.Mass.Given() {
		weight = a.Load.Mass.V * gravity * a.Load.Arm.V / 1000
		if a.Unit == "deg" {
			weight *= math.Cos((value - a.Load.GravityAt.V) * math.Pi / 180)
		}
	}
	return a.Load.Torque.V + float64(weight)
}

// MostLoadTorque gives the greatest static torque in N.m over the travel.
func (a *Axis) MostLoadTorque() float64 {
	low, high, ok := a.Bounds()
	if !ok || !a.Load.Mass.Given() || a.Unit != "deg" {
		return math.Abs(a.LoadTorque(a.Load.GravityAt.V))
	}
	most := math.Max(math.Abs(a.LoadTorque(low)), math.Abs(a.LoadTorque(high)))
	for k := math.Ceil((low - a.Load.GravityAt.V) / 180); a.Load.GravityAt.V+float64(k*180) <= high; k++ {
		most = math.Max(most, math.Abs(a.LoadTorque(a.Load.GravityAt.V+float64(k*180))))
	}
	return most
}

// LoadInertia gives the moment of inertia in kg.m2 of what the axis moves.
func (a *Axis) LoadInertia() float64 {
	arm := a.Load.Arm.V / 1000
	return a.Load.Inertia.V + float64(a.Load.Mass.V*arm*arm)
}

// AxisLimits are the limits that hold for an axis, in unit/s, unit/s2, unit/s3
// at the horn. A figure that is not known is no limit.
type AxisLimits struct{ Speed, Acceleration, Jerk Figure }

// HornLimits gives the limits of an axis. What the rig does not give follows, for
// a servo, from its data sheet, its supply and its load:
//
//	speed        = no-load speed x (1 - load torque / stall torque)
//	acceleration = (stall torque - load torque) / (load inertia + own inertia)
//
// which are the two ends of the DC motor's line of speed over torque. Jerk is
// never defaulted.
func (a *Axis) HornLimits() AxisLimits {
	l := AxisLimits{givenFigure(a.Limits.Speed), givenFigure(a.Limits.Acceleration), givenFigure(a.Limits.Jerk)}
	if a.Kind != Servo || a.Unit != "deg" {
		switch {
		case l.Speed.Known():
		case a.Measured.Speed.Given():
			l.Speed = Figure{a.Measured.Speed.V, OriginMeasured}
		case a.Kind == Servo && a.Unit == "mm" && a.Servo != nil && a.Servo.Speed.Given():
			// A linear servo's force line is not on its sheet; its speed is.
			l.Speed = a.Figures().Speed
		}
		return l
	}
	f := a.Figures()
	load := a.hornTorque()
	left := math.Max(0, 1-load/f.StallTorque.V)
	if !l.Speed.Known() {
		l.Speed = f.Speed
		if f.Speed.Origin != OriginMeasured {
			l.Speed.V *= left
		}
	}
	if !l.Acceleration.Known() {
		l.Acceleration = Figure{f.StallTorque.V * left / (a.hornInertia() + f.Inertia.V) * 180 / math.Pi, OriginClass}
	}
	// A stalled axis has no speed to give; the torque check says so, and a limit
	// of nothing would only repeat it at every move.
	if l.Speed.V <= 0 {
		l.Speed = Figure{}
	}
	if l.Acceleration.V <= 0 {
		l.Acceleration = Figure{}
	}
	return l
}

func givenFigure(n Num) Figure {
	if n.Given() {
		return Figure{n.V, OriginGiven}
	}
	return Figure{}
}

// hornRatio gives the way of the part for a way of the horn at rest.
func (a *Axis) hornRatio() float64 {
	if a.Linkage == nil {
		return 1
	}
	_, d1, _, _, ok := a.Linkage.Horn(a.Rest.V)
	if !ok || d1 == 0 {
		return 1
	}
	return 1 / d1
}

func (a *Axis) hornTorque() float64  { return a.MostLoadTorque() * math.Abs(a.hornRatio()) }
func (a *Axis) hornInertia() float64 { r := a.hornRatio(); return a.LoadInertia() * r * r }

// ControlLimits gives the limits of a control: the least of the limit of each
// axis that it moves, over its share. Linkages are taken at the axis's rest.
func (c *Control) ControlLimits() AxisLimits { return c.limits(map[*Control]AxisLimits{}) }

// limits works each control of the mix out once.
func (c *Control) limits(known map[*Control]AxisLimits) AxisLimits {
	if l, ok := known[c]; ok {
		return l
	}
	var l AxisLimits
	for _, s := range c.Shares {
		part := AxisLimits{}
		if s.Axis != nil {
			part = s.Axis.partLimits()
		} else {
			part = s.Control.limits(known)
		}
		k := math.Abs(s.Share)
		if k == 0 {
			continue
		}
		l.Speed = least(l.Speed, part.Speed, k)
		l.Acceleration = least(l.Acceleration, part.Acceleration, k)
		l.Jerk = least(l.Jerk, part.Jerk, k)
	}
	known[c] = l
	return l
}

// partLimits gives limits at the part under which the horn keeps its own, over
// the whole travel. With h(p) the horn over the part,
//
//	h' v <= V,  h' a + h" v^2 <= A,  h' j + 3 h" v a + h"' v^3 <= J
//
// hold when each of the terms of a sum takes no more than its share.
func (a *Axis) partLimits() AxisLimits {
	l := a.HornLimits()
	if a.Linkage == nil {
		return l
	}
	h1, h2, h3 := a.steepest()
	l.Speed.V /= h1
	if h2 > 0 && l.Acceleration.Known() {
		l.Speed.V = math.Min(l.Speed.V, math.Sqrt(l.Acceleration.V/2/h2))
		l.Acceleration.V /= 2
	}
	l.Acceleration.V /= h1
	if !l.Jerk.Known() {
		return l
	}
	if h3 > 0 {
		l.Speed.V = math.Min(l.Speed.V, math.Cbrt(l.Jerk.V/3/h3))
	}
	if h2 > 0 && l.Speed.V > 0 {
		l.Acceleration.V = math.Min(l.Acceleration.V, l.Jerk.V/9/h2/l.Speed.V)
	}
	l.Jerk.V /= 3 * h1
	return l
}

// steepest gives the greatest size of the first three derivatives of the horn by
// the part over the travel, on a fine grid.
func (a *Axis) steepest() (h1, h2, h3 float64) {
	const steps = 256
	low, high, ok := a.Bounds()
	if !ok {
		_, _, low, high = a.Linkage.Range()
	}
	for k := range steps + 1 {
		_, d1, d2, d3, ok := a.Linkage.Horn(low + float64((high-low)*float64(k)/steps))
		if ok {
			h1, h2, h3 = math.Max(h1, math.Abs(d1)), math.Max(h2, math.Abs(d2)), math.Max(h3, math.Abs(d3))
		}
	}
	if h1 == 0 {
		return 1, 0, 0
	}
	return h1, h2, h3
}

func least(have, other Figure, share float64) Figure {
	if !other.Known() {
		return have
	}
	other.V /= share
	if !have.Known() || other.V < have.V {
		return other
	}
	return have
}

// Soonest gives the quickest rest-to-rest profile between two values of the
// target, and why there is none. On an axis with a linkage the profile is that
// of the horn.
func (t Target) Soonest(from, to float64) (ease.Profile, string) {
	var l AxisLimits
	if t.Axis != nil {
		l = t.Axis.HornLimits()
		if t.Axis.Linkage != nil {
			from, _, _, _, _ = t.Axis.Linkage.Horn(from)
			to, _, _, _, _ = t.Axis.Linkage.Horn(to)
		}
	} else {
		l = t.Control.ControlLimits()
	}
	switch {
	case !l.Speed.Known():
		return ease.Profile{}, fmt.Sprintf("%s has no speed limit", t.Name())
	case !l.Acceleration.Known():
		return ease.Profile{}, fmt.Sprintf("%s has no acceleration limit", t.Name())
	}
	return ease.RestToRest(to-from, ease.Limits{Speed: l.Speed.V, Acceleration: l.Acceleration.V, Jerk: l.Jerk.V}), ""
}

// Applies reports whether the window's speed limit holds for an axis: one whose
// gears are heard, that is not released in the window, and whose unit is that of
// the limit.
func (q Quiet) Applies(a *Axis) bool {
	if !q.Speed.Given() || (a.Kind != Servo && a.Kind != Stepper) {
		return false
	}
	if linear := strings.HasSuffix(strings.TrimSpace(q.Speed.Text), "mm/s"); (a.Unit == "mm") != linear {
		return false
	}
	// A stepper that is named under release turns on: its values cannot say that
	// it is let go.
	return a.Kind == Stepper || !slices.Contains(q.Release, a)
}
