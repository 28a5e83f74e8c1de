package drive

import (
	"cmp"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
)

const (
	noBoardFrame = 0.020 // s, the frame of an axis without a board (common practice)
	maxTide      = 2048  // spans of a tide
	copperOhm    = 1.7241e-8
	hour         = 3600.0
)

// Run estimates what the actuators of a performance draw and what that asks of
// the supplies. The axes of a supply are looked at together, at the frames of
// the fastest of their boards. One pass in order of time; memory does not grow
// with the length of the performance.
func Run(p *interp.Performance) *Trace {
	tr := &Trace{Supplies: make([]SupplyTrace, len(p.Rig.Supplies)), Axes: make([]AxisTrace, len(p.Axes))}
	for i, s := range p.Rig.Supplies {
		g := newGroup(p, tr, func(a *sequence.Axis) bool { return a.Supply == s })
		g.tide = newTide(g.frames())
		g.run()
		tr.Supplies[i] = g.supplyTrace(s)
	}
	for i := range p.Axes {
		if a := p.Axes[i].Spec; a.Supply == nil {
			newGroup(p, tr, func(b *sequence.Axis) bool { return b == a }).run()
		}
	}
	return tr
}

// group is the axes that share a supply.
type group struct {
	length float64 // s
	frame  float64 // s
	loads  []*load
	draws  []draw // of the present frame
	atPeak []draw
	tally  tally
	tide   []float64
}

// load is one axis of a group.
type load struct {
	reader   reader
	actuator actuator
	tally    tally
	trace    *AxisTrace
}

func newGroup(p *interp.Performance, tr *Trace, has func(*sequence.Axis) bool) *group {
	g := &group{length: p.Length, frame: math.Inf(1)}
	for _, a := range p.Axes {
		if has(a.Spec) {
			g.frame = min(g.frame, frameOf(a.Spec))
		}
	}
	if math.IsInf(g.frame, 1) {
		g.frame = noBoardFrame
	}
	for i, a := range p.Axes {
		if has(a.Spec) {
			g.loads = append(g.loads, newLoad(a, g.frame, &tr.Axes[i]))
		}
	}
	g.draws = make([]draw, len(g.loads))
	g.atPeak = make([]draw, len(g.loads))
	return g
}

func newLoad(a *interp.Axis, frame float64, trace *AxisTrace) *load {
	l := &load{reader: newReader(a, frame), trace: trace}
	var missing []string
	l.actuator, missing = newActuator(a.Spec, l.reader.advance(0))
	*trace = AxisTrace{Axis: a.Spec, StallTorque: l.actuator.stallTorque(), Missing: missing}
	return l
}

func frameOf(a *sequence.Axis) float64 {
	if a.Board == nil || a.Board.Rate.V <= 0 {
		return noBoardFrame
	}
	return a.Board.Frame()
}

// frames gives the number of frames that the performance begins; the last may
// be cut short.
func (g *group) frames() int { return int(math.Ceil(g.length/g.frame - 1e-9)) }

func newTide(frames int) []float64 { return make([]float64, max(1, min(maxTide, frames))) }

// run looks at every frame, and at the very end, which lasts no time.
func (g *group) run() {
	n := g.frames()
	for k := range n + 1 {
		t := min(float64(float64(k)*g.frame), g.length)
		g.at(t, min(float64(float64(k+1)*g.frame), g.length)-t)
	}
	for _, l := range g.loads {
		l.finish()
	}
}

// at adds up the frame of w seconds that begins at t.
func (g *group) at(t, w float64) {
	var sum draw
	var ripple float64
	for i, l := range g.loads {
		d := l.actuator.draw(l.reader.advance(t))
		r := d.ripple()
		l.tally.add(t, w, d.peak, d.mean, r)
		l.hold(t, d.holding)
		g.draws[i] = d
		sum.peak += d.peak
		sum.mean += d.mean
		ripple += r
	}
	if g.tally.add(t, w, sum.peak, sum.mean, ripple) {
		copy(g.atPeak, g.draws)
	}
	if n := len(g.tide); n > 0 {
		bin := &g.tide[g.bin(t, n)]
		*bin = max(*bin, sum.peak)
	}
}

// bin gives the span of the tide in which t lies.
func (g *group) bin(t float64, n int) int {
	if g.length <= 0 {
		return 0
	}
	return min(n-1, int(t/g.length*float64(n)+1e-6)) // a frame on the edge of a bin is in it
}

func (l *load) hold(t, torque float64) {
	if torque > l.trace.MaxHolding {
		l.trace.MaxHolding, l.trace.HoldingAt = torque, t
	}
}

func (l *load) finish() {
	y, out := &l.tally, l.trace
	out.Peak, out.PeakAt, out.Mean, out.RMS = y.peak, y.peakAt, y.mean(), y.rms()
	out.LeadDrop = y.peak * LeadResistance(out.Axis.Wire)
}

func (g *group) supplyTrace(s *sequence.Supply) SupplyTrace {
	y := &g.tally
	out := SupplyTrace{Supply: s, Peak: y.peak, PeakAt: y.peakAt, RMS: y.rms(), Mean: y.mean(), Tide: g.tide, Blame: g.blame()}
	out.MinVoltage = max(0, s.Voltage.V-float64(s.Resistance.V*y.peak))
	out.Energy = s.Voltage.V * y.charge / hour
	if s.Capacity.Given() && out.Energy > 0 {
		out.Runs = s.Capacity.V * s.Voltage.V / out.Energy
	}
	return out
}

// blame lists the draws at the peak.
func (g *group) blame() []Draw {
	var out []Draw
	for i, d := range g.atPeak {
		if d.peak > 0 {
			out = append(out, Draw{g.loads[i].trace.Axis, d.peak, d.state})
		}
	}
	slices.SortStableFunc(out, func(a, b Draw) int { return cmp.Compare(b.Current, a.Current) })
	return out
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
