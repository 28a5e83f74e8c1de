package interp

import (
	"math"

	"limberjack/interp/poly"
	"limberjack/sequence"
)

// paceSpan is the map from performance time to script time on one stretch: a
// quadratic of local performance time, since the rate is linear in time.
type paceSpan struct {
	t0, t1 float64 // performance time
	q      [3]float64
}

// spansOf makes the map. The times of the knots rule; the mean rate is fitted
// to them.
func spansOf(knots []sequence.Knot) []paceSpan {
	spans := make([]paceSpan, 0, len(knots))
	for i := 1; i < len(knots); i++ {
		a, b := knots[i-1], knots[i]
		h := b.Time - a.Time
		k := (b.Rate - a.Rate) / (2 * h)
		r := math.Max(0, (b.Script-a.Script)/h-float64(k*h))
		spans = append(spans, paceSpan{a.Time, b.Time, [3]float64{a.Script, r, k}})
	}
	return spans
}

// ScriptTime gives the script time of a performance time.
func (p *Performance) ScriptTime(t float64) float64 {
	if len(p.pace) == 0 {
		return t
	}
	for i := range p.pace {
		if s := &p.pace[i]; t <= s.t1 {
			return poly.Eval(s.q[:], math.Max(0, t-s.t0))
		}
	}
	return p.Script.Length
}

// PerformanceTime gives the first performance time of a script time.
func (p *Performance) PerformanceTime(script float64) float64 {
	if len(p.pace) == 0 {
		return script
	}
	for i := range p.pace {
		s := &p.pace[i]
		if h := s.t1 - s.t0; script <= poly.Eval(s.q[:], h) {
			return s.t0 + solveRising(s.q, script, h)
		}
	}
	return p.Length
}

// paced carries pieces of script time over into performance time. A polynomial
// of degree n becomes one of degree 2n at most.
func paced(pieces []piece, spans []paceSpan) []piece {
	if len(spans) == 0 {
		return pieces
	}
	var out []piece
	i := 0
	for _, s := range spans {
		h := s.t1 - s.t0
		for from := 0.0; from < h; {
			p := &pieces[i]
			to := h
			if end := poly.Eval(s.q[:], h); p.t1 < end {
				to = solveRising(s.q, p.t1, h)
			}
			if to > from {
				out = append(out, pacedPiece(p, s, from, to))
			}
			from = to
			if to < h {
				i++
			}
		}
		for i+1 < len(pieces) && pieces[i].t1 <= poly.Eval(s.q[:], h) {
			i++
		}
	}
	last := spans[len(spans)-1]
	tail := pieces[len(pieces)-1]
	end := piece{t0: last.t1, t1: forever, c: []float64{tail.value(math.Max(0, poly.Eval(last.q[:], last.t1-last.t0)-tail.t0))}}
	return append(out, end)
}

// pacedPiece gives piece p of script time on [from, to) of a span.
func pacedPiece(p *piece, s paceSpan, from, to float64) piece {
	var buf [3]float64
	q := poly.Shift(buf[:0], s.q[:], from)
	out := piece{t0: s.t0 + from, t1: s.t0 + to}
	local := [3]float64{q[0] - p.t0, q[1], q[2]}
	for n := len(p.c) - 1; n >= 0; n-- {
		out.c = product(out.c, local[:])
		if len(out.c) == 0 {
			out.c = []float64{0}
		}
		out.c[0] += p.c[n]
	}
	for len(out.c) > 1 && out.c[len(out.c)-1] == 0 {
		out.c = out.c[:len(out.c)-1]
	}
	for _, t := range p.terms {
		out.terms = append(out.terms, paceTerm{t, local})
	}
	return out
}
