package warp

import (
	"fmt"
	"math"
	"math/bits"
)

// Tolerance says how far a thinned warp may go.
type Tolerance struct {
	Limits float64 // share by which limits other than the rate may be exceeded, such as 0.01
	Time   float64 // s by which a moment may shift in the whole performance, pro rata before its end
}

// least shift and excess that count, for rounding.
const (
	timeNoise  = 1e-9 // s
	shareNoise = 1e-9
)

// Thin gives a warp with fewer knots than s, which Solve gave for p: some of
// its knots, with their rates. From each knot it goes on to the farthest one
// found so that every limit still holds within the tolerance at every moment
// in between; MaxRate and corners hold without it. The performance times
// change a little, and with them the duration.
//
// A warp that rides on its limits has little to spare: solve under limits that
// are lower by the tolerance, and the thinned warp keeps the real ones.
// O(N log N (axes + terms)).
func Thin(p Path, s Solution, t Tolerance) (Solution, error) {
	r, err := NewSolver(p)
	if err != nil {
		return Solution{}, err
	}
	return r.Thin(s, t)
}

// Thin is the function Thin on the solver's path.
func (s *Solver) Thin(found Solution, t Tolerance) (Solution, error) {
	if len(found.Knots) != len(s.p.S) {
		return Solution{}, fmt.Errorf("%d knots for %d grid points", len(found.Knots), len(s.p.S))
	}
	if !(t.Limits >= 0 && t.Limits <= math.MaxFloat64 && t.Time >= 0 && t.Time <= math.MaxFloat64) {
		return Solution{}, fmt.Errorf("tolerances of %g and %g s have to be finite and 0 or more", t.Limits, t.Time)
	}
	x, err := squares(&s.p, found.Knots)
	if err != nil {
		return Solution{}, err
	}
	caps := s.rateCaps()
	for i := range s.demands {
		s.demands[i].cap = caps[i+1].x
	}
	th := thinner{p: &s.p, x: x, s: found, t: t, caps: caps, tree: treeOf(s.demands), cell: &s.cell}
	return th.run(), nil
}

type thinner struct {
	p    *Path
	x    []float64
	s    Solution
	t    Tolerance
	caps []bound
	tree demandTree
	cell *cell
	step int // of the span before
}

func (t *thinner) run() Solution {
	out := []Knot{t.s.Knots[0]}
	for at := 0; at < len(t.x)-1; {
		last := out[len(out)-1]
		to := t.farthest(at, last.At)
		k := t.s.Knots[to]
		k.At = last.At + crossing(last, k)
		out = append(out, k)
		at = to
	}
	return Solution{Knots: out, Duration: out[len(out)-1].At}
}

// farthest finds a grid point as far as possible from grid point from, passed
// at the performance time start, by doubling and then halving the step.
func (t *thinner) farthest(from int, start float64) int {
	good, last := from+1, len(t.x)-1
	bad := last + 1
	// Neighbours are often alike: the last step is the first guess.
	for step := max(2, t.step); good < last; step *= 2 {
		to := min(from+step, last)
		if !t.fits(from, to, start) {
			bad = to
			break
		}
		good = to
	}
	for bad-good > 1 {
		to := good + (bad-good)/2
		if t.fits(from, to, start) {
			good = to
		} else {
			bad = to
		}
	}
	t.step = good - from
	return good
}

// fits reports that one span may replace those from grid point from to to.
func (t *thinner) fits(from, to int, start float64) bool {
	a, b := t.s.Knots[from], t.s.Knots[to]
	shift := math.Abs(start + crossing(a, b) - b.At)
	if !(shift <= float64(t.t.Time*(b.At/t.s.Duration))+timeNoise) {
		return false
	}
	// Most spans that do not fit show it at a few cells already.
	if step := (to - from) / probes; step > 1 {
		for i := from + step/2; i < to-1; i += step {
			if !t.keeps(i, chord(t.x, t.p.S, from, to, i), chord(t.x, t.p.S, from, to, i+1), to) {
				return false
			}
		}
	}
	g := span{from: from, to: to, u: math.Abs(t.x[to]-t.x[from]) * 0.5 / (b.Script - a.Script), bound: 1 + t.t.Limits + shareNoise}
	for i := from; i < to; {
		level := min(bits.TrailingZeros(uint(i)|1<<(len(t.tree)-1)), bits.Len(uint(to-i))-1)
		if !t.keepsAll(&g, level, i>>level) {
			return false
		}
		i += 1 << level
	}
	return true
}

// span is a stretch of cells with one change of the rate.
type span struct {
	from, to int
	u        float64 // size of d²s/dt²
	bound    float64 // share of the limits
}

// keepsAll reports whether all cells of an element of the tree hold their limits
// in a span: by their bounds, or else each half by itself.
func (t *thinner) keepsAll(g *span, level, n int) bool {
	i, j := n<<level, (n+1)<<level
	x, y := t.at(g, i), t.at(g, j)
	d := &t.tree[level][n]
	if top := max(x, y); top <= d.cap && d.holds(g.u, top, g.bound) {
		return true
	}
	if level == 0 {
		return t.keeps(i, x, y, g.to)
	}
	return t.keepsAll(g, level-1, 2*n) && t.keepsAll(g, level-1, 2*n+1)
}

// at gives x at a grid point of a span.
func (t *thinner) at(g *span, i int) float64 {
	if i == g.from || i == g.to {
		return t.x[i]
	}
	return chord(t.x, t.p.S, g.from, g.to, i)
}

// probes is how many cells of a span are looked at before all of them.
const probes = 8

// keeps reports whether a cell holds its limits between the squared rates x and y.
func (t *thinner) keeps(i int, x, y float64, to int) bool {
	if i+1 < to && y > float64(t.caps[i+1].x*(1+shareNoise)) {
		return false
	}
	return t.cell.holds(t.p, i, x, y, 1+t.t.Limits+shareNoise)
}
