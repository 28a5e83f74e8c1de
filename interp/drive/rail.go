package drive

import (
	"cmp"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
)

const (
	longestStep  = 0.0005    // s
	shortestStep = 0.00002   // s
	stepsOfDecay = 8         // steps in the shortest mechanical time constant
	maxTide      = 2048      // spans of a tide
	copperOhm    = 1.7241e-8 // ohm m, at 20 deg C
	hour         = 3600.0
	keptBrownOut = 16
)

// rail is a supply with the axes that it couples.
type rail struct {
	supply   *sequence.Supply // nil: axes without one, at a voltage that does not fall
	source   float64          // V
	ohm      float64
	length   float64 // s
	step     float64 // s
	frame    float64 // s, of the fastest board
	at       float64 // s
	before   float64 // s, a step ago
	count    int     // steps since the start of the performance; negative before
	motors   []*driven
	awake    []*driven
	lamps    []*passive
	wake     float64 // s, when the first of those that sleep wakes
	change   float64 // s, when the next lamp changes
	constant float64 // A, of electronics of sleeping axes, and of steppers
	perOhm   float64 // 1/ohm, lamps by their duty
	perOhmOn float64 // 1/ohm, lamps that are on
	ripple   float64 // A2, of lamps at a volt, for their pulses
	volt     float64
	fixed    float64 // A, of all but lamps, motors in their on time
	tally    tally
	surge    surge
	tide     []float64
	started  bool

	out        *SupplyTrace
	lowest     float64
	sagging    bool
	leastSince float64 // V, since the last sample
	peakSince  float64 // A
	voltTime   float64 // V s, counted on
	lit        float64 // s, when the lamps were last counted
	voltLit    float64 // V s since then
	high       float64 // V, the highest since then while all are on
}

// newRail puts the axes of a supply together.
func newRail(p *interp.Performance, after []float64, tr *Trace, out *SupplyTrace, has func(*sequence.Axis) bool) *rail {
	r := &rail{supply: out.Supply, source: voltageOf(out.Supply), length: p.Length, frame: math.Inf(1), out: out, lowest: math.Inf(1)}
	if out.Supply != nil {
		r.ohm = out.Supply.Resistance.V
	}
	fastest := math.Inf(1)
	for i, a := range p.Axes {
		if !has(a.Spec) {
			continue
		}
		trace := &tr.Axes[i]
		*trace = AxisTrace{Axis: a.Spec, Missing: missing(a.Spec), Figures: figuresOf(a.Spec)}
		r.frame = min(r.frame, 1/rateOf(a.Spec))
		if d := newMotorAxis(p, a, after[i], trace); d != nil {
			d.index = i
			r.motors = append(r.motors, d)
			fastest = min(fastest, d.shaft.fastest())
			if out.Supply == nil {
				r.source = d.rated
			}
		} else {
			lamp := newPassive(a, trace)
			lamp.index = i
			r.lamps = append(r.lamps, lamp)
		}
	}
	if math.IsInf(r.frame, 1) {
		r.frame = 1 / noBoardRate
	}
	r.step = stepFor(r.frame, fastest)
	r.tide = make([]float64, max(1, min(maxTide, int(math.Ceil(r.length/r.frame-instant)))))
	r.settle()
	return r
}

func newMotorAxis(p *interp.Performance, a *interp.Axis, offset float64, trace *AxisTrace) *driven {
	switch a.Spec.Kind {
	case sequence.Servo, sequence.ContinuousServo, sequence.Motor:
		return newDriven(a, offset, Releases(p, a.Spec), trace)
	}
	return nil
}

// fastest gives the shortest mechanical time constant, in seconds.
func (m *shaft) fastest() float64 {
	inertia := m.inertia
	if m.table != nil {
		inertia = m.table.own
	}
	return inertia / float64(m.emf*m.braking*math.Max(m.perOhm, m.perOhmOff))
}

// stepFor gives the step: a whole part of the frame, short against the fastest
// time constant.
func stepFor(frame, fastest float64) float64 {
	most := longestStep
	if h := fastest / stepsOfDecay; h < most {
		most = math.Max(h, shortestStep)
	}
	return frame / math.Ceil(frame/most-instant)
}

// settle lets the rig stand in its first pose, so that what hangs has sunk into
// its place, and then starts the performance.
func (r *rail) settle() {
	r.awake = append(make([]*driven, 0, len(r.motors)), r.motors...)
	r.volt = r.source
	r.change, r.wake = math.Inf(1), math.Inf(1)
	r.count = -int(math.Ceil(preRoll / r.step))
	r.at = float64(float64(r.count) * r.step)
	r.relight()
	for r.at < 0 && len(r.motors) > 0 {
		r.tick(r.step)
	}
	r.count, r.at = 0, 0
	for _, d := range r.motors {
		d.begins()
	}
	r.started = true
	r.change = r.nextChange()
}

// advance goes on until t seconds or the end.
func (r *rail) advance(t float64) {
	for r.at < min(t, r.length)-instant {
		r.tick(r.length - r.at)
	}
}

// tick takes the next step, of most seconds at the most, or the time until
// something happens where every axis sleeps.
func (r *rail) tick(most float64) {
	r.events()
	h := min(r.step, most)
	n := 1
	if len(r.awake) == 0 && r.started {
		n = max(1, int(math.Ceil((min(r.wake, r.change, r.length)-r.at)/r.step-instant/r.step)))
		h = min(float64(float64(r.count+n)*r.step)-r.at, most)
	}
	on := r.balance()
	at := r.at
	for _, d := range r.awake {
		d.advance(at, h, r.volt)
	}
	if r.started {
		r.tell(at, h, on)
	}
	r.count += n
	r.before = at
	r.at = float64(float64(r.count) * r.step)
	if r.started {
		r.at = min(r.at, r.length)
	}
}

// events wakes what is to be awake at this time and takes in its frames.
func (r *rail) events() {
	t := r.at
	if r.change <= t+instant {
		r.countLamps(t)
		for _, p := range r.lamps {
			if p.wake <= t+instant {
				p.begin(t)
			}
		}
		r.relight()
		r.change = r.nextChange()
	}
	if r.wake <= t+instant {
		for _, d := range r.motors {
			if d.asleep && d.wake <= t+instant {
				d.rouse(t)
				r.constant -= d.idle
				r.awake = append(r.awake, d)
			}
		}
		r.nextWake()
	}
	for _, d := range r.awake {
		d.begin(t)
	}
	r.doze()
}

// doze takes those that fell asleep off the list.
func (r *rail) doze() {
	kept := r.awake[:0]
	for _, d := range r.awake {
		if !d.asleep {
			kept = append(kept, d)
			continue
		}
		r.constant += d.idle
		r.wake = min(r.wake, d.wake)
	}
	r.awake = kept
}

func (r *rail) nextWake() {
	r.wake = math.Inf(1)
	for _, d := range r.motors {
		if d.asleep {
			r.wake = min(r.wake, d.wake)
		}
	}
}

func (r *rail) nextChange() float64 {
	next := math.Inf(1)
	for _, p := range r.lamps {
		next = min(next, p.wake)
	}
	return next
}

// countLamps counts the currents of lamps, relays and steppers up to t.
func (r *rail) countLamps(t float64) {
	volt, high := r.volt, r.high
	if w := t - r.lit; w > 0 {
		volt = r.voltLit / w
	}
	for _, p := range r.lamps {
		p.count(t, volt, high)
	}
	r.lit, r.voltLit, r.high = t, 0, 0
}

// relight adds up what lamps, relays, steppers and sleeping electronics draw.
func (r *rail) relight() {
	r.constant, r.perOhm, r.perOhmOn, r.ripple = 0, 0, 0, 0
	for _, d := range r.motors {
		if d.asleep {
			r.constant += d.idle
		}
	}
	for _, p := range r.lamps {
		r.constant += p.steady
		r.perOhm += float64(p.perOhm * p.duty)
		r.perOhmOn += p.perOhm
		r.ripple += float64(p.perOhm * p.perOhm * p.duty * (1 - p.duty))
	}
}

// balance finds the voltage at which source and axes agree, back-EMFs being what
// they are (Kirchhoff; the axes' lines make it a linear equation). It gives the
// least voltage, at which every lamp is in its on time.
func (r *rail) balance() (on float64) {
	r.volt = r.source
	if r.ohm > 0 {
		constant, perOhm := r.constant, r.perOhm
		for _, d := range r.awake {
			g, less := d.admittance(r.volt)
			constant += d.idle - less
			perOhm += g
		}
		r.volt = max(0, (r.source-float64(r.ohm*constant))/(1+float64(r.ohm*perOhm)))
	}
	r.fixed = r.constant
	for _, d := range r.awake {
		d.draws(r.volt)
		r.fixed += d.peak
	}
	return max(0, (r.source-float64(r.ohm*r.fixed))/(1+float64(r.ohm*r.perOhmOn)))
}

// tell counts what the supply gave in h seconds from t.
func (r *rail) tell(t, h, on float64) {
	mean := r.constant + float64(r.perOhm*r.volt)
	ripple := float64(r.ripple * r.volt * r.volt)
	for _, d := range r.awake {
		mean += d.mean
		ripple += d.ripple
	}
	peak := max(mean, r.fixed+float64(r.perOhmOn*on))
	if r.tally.add(t, h, peak, mean, ripple) {
		r.out.Blame = r.blame(r.out.Blame, on)
	}
	r.peakSince, r.leastSince = max(r.peakSince, peak), min(r.leastSince, on)
	r.voltTime += float64(r.volt * h)
	r.voltLit += float64(r.volt * h)
	r.high = max(r.high, on)
	r.surge.add(t, h, mean)
	r.sag(t, on)
	first := r.bin(t, 1e-6)
	for i := first; i <= max(first, r.bin(t+h, -1e-6)); i++ {
		r.tide[i] = max(r.tide[i], peak)
	}
}

// bin gives the span of the tide in which t lies, or the next where it is within a
// slack of its end.
func (r *rail) bin(t, slack float64) int {
	if r.length <= 0 {
		return 0
	}
	return max(0, min(len(r.tide)-1, int(float64(t/r.length*float64(len(r.tide)))+slack)))
}

// sag notes the least voltage and the brown-outs.
func (r *rail) sag(t, on float64) {
	if r.supply == nil {
		return
	}
	if on < r.lowest {
		r.lowest = on
		r.out.MinVoltage, r.out.MinVoltageAt = on, t
		r.out.SagBlame = r.blame(r.out.SagBlame, on)
	}
	limit := r.supply.Brownout
	if !limit.Given() || on >= limit.V {
		r.sagging = false
		return
	}
	if !r.sagging {
		r.sagging = true
		r.out.BrownOutCount++
		if len(r.out.BrownOuts) < keptBrownOut {
			r.out.BrownOuts = append(r.out.BrownOuts, BrownOut{At: t, Least: on, Blame: r.blame(nil, on)})
		}
		return
	}
	if n := r.out.BrownOutCount; n <= len(r.out.BrownOuts) {
		b := &r.out.BrownOuts[n-1]
		b.Least = math.Min(b.Least, on)
	}
}

// blame lists who draws what at this step, into the room of another list.
func (r *rail) blame(room []Draw, on float64) []Draw {
	room = room[:0]
	for _, d := range r.motors {
		if d.peak > 0 {
			room = append(room, Draw{d.axis.Spec, d.peak, d.state(r.at)})
		}
	}
	for _, p := range r.lamps {
		p.draw(r.volt, on)
		if p.peak > 0 {
			room = append(room, Draw{p.axis.Spec, p.peak, p.state})
		}
	}
	slices.SortStableFunc(room, func(a, b Draw) int { return cmp.Compare(b.Current, a.Current) })
	return room
}

// finish looks at the very end, which lasts no time, and closes the account.
func (r *rail) finish() {
	r.events()
	on := r.balance()
	r.countLamps(r.length)
	for _, p := range r.lamps {
		p.draw(r.volt, on)
		p.tally.add(r.length, 0, p.peak, p.mean, float64(p.mean*(p.peak-p.mean)))
		p.trace.close(&p.tally)
	}
	for _, d := range r.awake {
		d.mean, d.ripple = d.peak, 0
		d.tally.add(r.length, 0, d.peak, d.mean, 0)
	}
	r.tell(r.length, 0, on)
	back := 0.0
	for _, d := range r.motors {
		d.finish(r.length)
		back += d.shaft.back
	}
	out, y := r.out, &r.tally
	if r.supply == nil {
		return
	}
	out.Peak, out.PeakAt, out.RMS, out.Mean, out.Tide = y.peak, y.peakAt, y.rms(), y.mean(), r.tide
	out.Sustained, out.SustainedAt = r.surge.most(r.length)
	out.Energy, out.Refused = r.source*y.charge/hour, back/hour
	if r.supply.Capacity.Given() && out.Energy > 0 {
		out.Runs = r.supply.Capacity.V * r.source / out.Energy
	}
}

// close writes a tally into a trace.
func (a *AxisTrace) close(y *tally) {
	a.Peak, a.PeakAt, a.Mean, a.RMS = y.peak, y.peakAt, y.mean(), y.rms()
	a.LeadDrop = y.peak * LeadResistance(a.Axis.Wire)
}

// LeadResistance gives the ohms of a lead of copper at 20 °C (IEC 60028), there
// and back. It is 0 without a wire or without its gauge.
func LeadResistance(w *sequence.Wire) float64 {
	if w == nil || w.Area.V <= 0 {
		return 0
	}
	length, area := w.Length.V/1e3, w.Area.V/1e6 // m, m2
	return 2 * copperOhm * length / area
}
