package interp

import "math"

// Way is what a curve does on one piece: how far it goes up and down in all,
// and the turns between.
type Way struct {
	Up, Down float64   // sizes
	Turns    []float64 // times at which the direction changes, ascending
}

// Way gives the ways of piece i. turns is used as the room for Turns.
func (c *Curve) Way(i int, turns []float64) Way {
	p := &c.pieces[i]
	h := p.t1 - p.t0
	w := Way{Turns: turns[:0]}
	if math.IsInf(h, 1) || c.Still(i) {
		return w
	}
	if len(p.terms) == 1 && len(p.c) <= 1 && p.terms[0].whole() {
		w.Turns = p.turnsAtCuts(w.Turns, h)
	} else {
		w.Turns = p.crossings(w.Turns, 1, 0, h)
	}
	from := p.value(0)
	for k := 0; k <= len(w.Turns); k++ {
		to := 0.0
		if k < len(w.Turns) {
			to = p.value(w.Turns[k] - p.t0)
		} else {
			to = p.value(h)
		}
		if d := to - from; d > 0 {
			w.Up += d
		} else {
			w.Down -= d
		}
		from = to
	}
	return w
}

// turnsAtCuts finds the turns of a single ease, which is monotone between cuts.
func (p *piece) turnsAtCuts(dst []float64, h float64) []float64 {
	cuts := p.cuts(h)
	before := 0.0
	v := p.value(0)
	for i := 1; i < len(cuts); i++ {
		next := p.value(cuts[i])
		d := next - v
		if before*d < 0 {
			dst = append(dst, p.t0+cuts[i-1])
		}
		if d != 0 {
			before = d
		}
		v = next
	}
	return dst
}
