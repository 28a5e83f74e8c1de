package interp

import (
	"math"

	"limberjack/sequence"
)

// Frames gives how many frames of a rate a performance takes, the one that holds
// its end included.
func (p *Performance) Frames(rate float64) int {
	return int(math.Ceil(float64(p.Length*rate)-1e-9)) + 1
}

// Sampled gives a performance whose horns go straight from frame to frame
// through the given values, for the axes that have any; the others keep their
// curves. horns holds Frames(rate) values an axis, rate is that of its board.
func (p *Performance) Sampled(horns map[*sequence.Axis][]float64, rate func(*sequence.Axis) float64) *Performance {
	out := *p
	out.Axes = make([]*Axis, len(p.Axes))
	for i, a := range p.Axes {
		values, ok := horns[a.Spec]
		if !ok {
			out.Axes[i] = a
			continue
		}
		b := *a
		b.Horn = polyline(values, rate(a.Spec))
		b.Part = b.Horn
		if a.Spec.Linkage != nil {
			b.Part = &Curve{partOf(b.Horn.pieces, a.Spec)}
		}
		out.Axes[i] = &b
	}
	return &out
}

// polyline joins values at k/rate by straight lines.
func polyline(values []float64, rate float64) *Curve {
	c := &Curve{}
	for k := 1; k < len(values); k++ {
		t0, t1 := float64(k-1)/rate, float64(k)/rate
		c.pieces = append(c.pieces, piece{t0: t0, t1: t1, c: []float64{values[k-1], (values[k] - values[k-1]) / (t1 - t0)}})
	}
	last := len(values) - 1
	c.pieces = append(c.pieces, piece{t0: float64(last) / rate, t1: forever, c: []float64{values[last]}})
	return c
}

// partOf gives the pieces of the part that a horn moves.
func partOf(horn []piece, a *sequence.Axis) []piece {
	out := make([]piece, len(horn))
	for i, p := range horn {
		out[i] = piece{t0: p.t0, t1: p.t1, terms: []term{linkTerm{link: a.Linkage, inner: p, k: 1}}}
	}
	return out
}
