package drive

import (
	"cmp"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
)

// Inrush is what one supply meets when power comes on and every axis goes to its
// first pose.
type Inrush struct {
	Supply    *sequence.Supply
	Together  float64 // A, when every axis starts at once; a servo that stands draws its stall current
	Voltage   float64 // V at the terminals then
	Resets    bool    // that is below the supply's brownout
	Most      float64 // A that the order keeps within: 80 % of the supply's limit; 0: it has none
	Base      float64 // A that flows whatever the order: electronics, lamps, relays, steppers
	Order     []Start // the order that keeps within Most, in order of time; empty without axes that jump
	Staggered float64 // A, the peak in that order
	Lasts     float64 // s, until the last axis stands in its pose
	TooMuch   []*sequence.Axis
}

// Start is an axis in the order of power-up.
type Start struct {
	Axis  *sequence.Axis
	Delay float64 // s from power-up
	Peak  float64 // A of its jump
	Lasts float64 // s that it takes from the far end of its travel
}

const (
	// supplyShare of a supply's limit leaves a quarter in hand.
	supplyShare = 0.8

	startGrid   = 0.020 // s, in which delays are counted
	longestJump = 5.0   // s
	quietSpans  = 20    // spans of a standing shaft after which it has arrived
	farWay      = 90.0  // unit, the way of a servo without end stops
)

// PowerUp works out, for every supply in the rig's order, what it means that each
// axis jumps to its first pose at once, each from the far end of its travel, and
// an order with delays that keeps the current down. The order is greedy: the
// greatest peak first, every other axis as soon as its jump fits, never before
// the one before it. Axes that do not fit even alone are in TooMuch: they start
// when the others stand. Its cost is the square of the number of axes at worst.
func PowerUp(p *interp.Performance) []Inrush {
	out := make([]Inrush, len(p.Rig.Supplies))
	for i, s := range p.Rig.Supplies {
		out[i] = inrushOf(p, s)
	}
	return out
}

func inrushOf(p *interp.Performance, s *sequence.Supply) Inrush {
	in := Inrush{Supply: s, Most: s.Limit.V * supplyShare}
	var jumps []*jump
	perOhm := 0.0
	for _, a := range p.Axes {
		if a.Spec.Supply != s {
			continue
		}
		var trace AxisTrace
		trace.Axis = a.Spec
		if d := newMotorAxis(p, a, 0, &trace); d != nil {
			in.Base += d.idle
			j := newJump(d, voltageOf(s))
			perOhm += float64(math.Abs(j.drive) * d.shaft.perOhm)
			if len(j.profile) > 0 {
				jumps = append(jumps, j)
			}
			continue
		}
		lamp := newPassive(a, &trace)
		lamp.draw(voltageOf(s), voltageOf(s))
		in.Base += lamp.peak
		perOhm += lamp.perOhm
		in.Together -= float64(lamp.perOhm * voltageOf(s))
	}
	in.Together += in.Base
	in.Voltage = max(0, (voltageOf(s)-float64(s.Resistance.V*in.Together))/(1+float64(s.Resistance.V*perOhm)))
	in.Together += float64(in.Voltage * perOhm)
	in.Resets = s.Brownout.Given() && in.Voltage < s.Brownout.V
	in.stagger(jumps)
	return in
}

// jump is the current of an axis from power-up until it stands.
type jump struct {
	axis    *sequence.Axis
	drive   float64   // share of the voltage at the start
	profile []float64 // A, the greatest in each span of startGrid
	after   float64   // A, the greatest from then on
	peak    float64
}

// newJump plays an axis alone, from the far end of its travel, at a voltage. One
// that a quiet window lets go at once gets no first pulse and does not jump.
func newJump(d *driven, volt float64) *jump {
	j := &jump{axis: d.axis.Spec}
	if d.pulses.limp() {
		return j
	}
	m := &d.shaft
	if d.loop != nil {
		m.position = d.farEnd()
	}
	due := 0.0
	first := d.pulses.value()
	h := startGrid / math.Ceil(startGrid/longestStep)
	for quiet := 0; quiet < quietSpans && float64(len(j.profile))*startGrid < longestJump; quiet++ {
		most := 0.0
		for i := range int(math.Round(startGrid / h)) {
			t := float64(float64(len(j.profile))*startGrid) + float64(float64(i)*h)
			for due <= t+instant {
				d.obey(first, due)
				due += d.frame
			}
			if m.drive != 0 && d.off <= t+instant {
				m.drive = 0
			}
			if t == 0 {
				j.drive = m.drive
			}
			d.draws(volt)
			most = max(most, d.peak-d.idle)
			d.advance(t, h, volt)
		}
		j.profile = append(j.profile, most)
		if math.Abs(m.speed) > d.slow {
			quiet = 0
		}
	}
	j.settle()
	return j
}

// settle takes what the axis draws at rest off the profile.
func (j *jump) settle() {
	for i, v := range j.profile {
		j.peak = max(j.peak, v)
		if i >= len(j.profile)-quietSpans/2 {
			j.after = max(j.after, v)
		}
	}
	for n := len(j.profile); n > 0 && j.profile[n-1] <= j.after; n-- {
		j.profile = j.profile[:n-1]
	}
	if j.drive == 0 {
		j.profile = nil
	}
}

// farEnd gives the end of the travel that is farther from the first pose.
func (d *driven) farEnd() float64 {
	m := &d.shaft
	low, high := m.low, m.high
	if math.IsInf(low, 0) || math.IsInf(high, 0) {
		return m.position - farWay
	}
	if m.position-low > high-m.position {
		return low
	}
	return high
}

// stagger finds the order.
func (in *Inrush) stagger(jumps []*jump) {
	slices.SortStableFunc(jumps, func(a, b *jump) int { return cmp.Compare(b.peak, a.peak) })
	var sum []float64
	after, from := in.Base, 0
	in.Staggered = in.Base
	for _, j := range jumps {
		at, ok := j.place(sum, after, from, in.Most)
		if !ok {
			in.TooMuch = append(in.TooMuch, j.axis)
		}
		for len(sum) < at+len(j.profile) {
			sum = append(sum, after)
		}
		for i := at; i < len(sum); i++ {
			if k := i - at; k < len(j.profile) {
				sum[i] += j.profile[k]
			} else {
				sum[i] += j.after
			}
			in.Staggered = max(in.Staggered, sum[i])
		}
		after += j.after
		from = at
		in.Order = append(in.Order, Start{j.axis, float64(at) * startGrid, j.peak, float64(len(j.profile)) * startGrid})
		in.Lasts = max(in.Lasts, float64(at+len(j.profile))*startGrid)
	}
	in.Staggered = max(in.Staggered, after)
}

// place gives the first span, not before from, from which on a jump fits under
// most beside what flows already; the end of that where it never does.
func (j *jump) place(sum []float64, after float64, from int, most float64) (at int, ok bool) {
	if most == 0 {
		return from, true
	}
	for at = from; at <= len(sum); at++ {
		if j.fits(sum, after, at, most) {
			return at, true
		}
	}
	return len(sum), false
}

func (j *jump) fits(sum []float64, after float64, at int, most float64) bool {
	for i := at; i < max(len(sum), at+len(j.profile)); i++ {
		v := after
		if i < len(sum) {
			v = sum[i]
		}
		if k := i - at; k < len(j.profile) {
			v += j.profile[k]
		} else {
			v += j.after
		}
		if v > most*(1+instant) {
			return false
		}
	}
	return after+j.after <= most*(1+instant)
}
