package drive

import (
	"limberjack/interp"
	"limberjack/sequence"
)

// Run works out what the actuators of a performance really do, what they draw,
// and what that does to the supplies. The axes of a supply are looked at
// together, supplies one after another. One pass in order of time; memory does
// not grow with the length of the performance.
func Run(p *interp.Performance) *Trace {
	tr, parts := Parts(p)
	for _, part := range parts {
		part()
	}
	return tr
}

// Parts splits Run by supplies, which do not know of one another: the trace is
// that of Run once every part was called once, in any order or at the same time.
func Parts(p *interp.Performance) (*Trace, []func()) {
	tr := newTrace(p)
	var parts []func()
	for _, r := range railsOf(p, tr) {
		parts = append(parts, func() {
			r.advance(r.length)
			r.finish()
		})
	}
	return tr, parts
}

func newTrace(p *interp.Performance) *Trace {
	return &Trace{Supplies: make([]SupplyTrace, len(p.Rig.Supplies)), Axes: make([]AxisTrace, len(p.Axes))}
}

// railsOf makes a rail for each supply, in the rig's order, and then one for
// each axis without.
func railsOf(p *interp.Performance, tr *Trace) []*rail {
	var rails []*rail
	after := offsets(p)
	for i, s := range p.Rig.Supplies {
		out := &tr.Supplies[i]
		*out = SupplyTrace{Supply: s, MinVoltage: s.Voltage.V}
		rails = append(rails, newRail(p, after, tr, out, func(a *sequence.Axis) bool { return a.Supply == s }))
	}
	for i := range p.Axes {
		if a := p.Axes[i].Spec; a.Supply == nil {
			rails = append(rails, newRail(p, after, tr, &SupplyTrace{}, func(b *sequence.Axis) bool { return b == a }))
		}
	}
	return rails
}
