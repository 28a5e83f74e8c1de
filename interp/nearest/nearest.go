// Package nearest computes the motion nearest to a script that an axis can do.
//
// Nearest is in the sense of least squares over the board's frames. With x the
// motion and r the script, both in the caller's unit of length or angle,
//
//	minimise    1/2 sum (x[i] - r[i])^2
//	subject to  |x[i+1] - x[i]|                        <= V / rate
//	            |x[i+2] - 2x[i+1] + x[i]|              <= A / rate^2
//	            |x[i+3] - 3x[i+2] + 3x[i+1] - x[i]|    <= J / rate^3
//	            low <= x[i] <= high
//	            x[i] = r[i] at the hits
//
// The programme is strictly convex: there is one answer, and the ends are free
// to move. Each row couples at most four neighbouring frames, so that memory
// and the work of an iteration grow linearly with the number of frames.
package nearest

import (
	"fmt"
	"math"
	"slices"
)

// Grace is the part of a limit by which a script may pass it and still count
// as within: the rounding of a script that runs along its limit.
const Grace = 5e-10

// Problem is a script sampled on the board's frames and what its axis can do.
// A limit of 0 or +Inf is none.
type Problem struct {
	Ref          []float64 // the script, one position a frame; not modified
	Rate         float64   // frames a second
	Speed        float64   // unit/s
	Acceleration float64   // unit/s^2
	Jerk         float64   // unit/s^3
	Low, High    float64   // travel; none if both are 0, one-sided if one is infinite
	Hits         []int     // frames where the script is met exactly, ascending
}

// Solution is the nearest motion and how well it is known.
type Solution struct {
	// X is the motion, one position a frame. It equals Ref to the last bit at
	// the hits, where nothing nearby asks for a change (almost always), and
	// everywhere when Ref is within every limit. No limit is
	// passed by more than 1e-9 of itself, as far as numbers of the size of Ref
	// can express it (a few units in the last place of the largest position).
	X          []float64
	Iterations int     // 0 when Ref is within every limit
	Objective  float64 // 1/2 sum (X - Ref)^2, unit^2
	Gap        float64 // the objective is above the least one by at most this, unit^2
	Residual   float64 // largest excess over a limit, as a part of the limit
	Largest    float64 // largest |X - Ref|
	LargestAt  int     // its frame
}

// Solve finds the nearest motion. It is deterministic, takes O(n) memory and
// O(n) work an iteration, and some twenty iterations whatever the length.
//
// Errors: a *Infeasible when the hits cannot be met within the limits, another
// error when the problem itself is wrong (a number that is not finite, a
// negative limit, a hit outside of the script).
func Solve(p Problem) (Solution, error) {
	if err := p.validate(); err != nil {
		return Solution{}, err
	}
	l := p.limits()
	if l.excess(p.Ref) <= Grace {
		return p.solution(slices.Clone(p.Ref), outcome{}), nil
	}
	if err := p.obstacle(l); err != nil {
		return Solution{}, err
	}
	x, out := p.attempt(l)
	if out.state == stuck {
		if err := p.conflict(l); err != nil {
			return Solution{}, err
		}
		return Solution{}, fmt.Errorf("no motion within the limits was found in %d iterations; give limits of more even size, or free a hit", out.iterations)
	}
	return p.solution(x, out), nil
}

// attempt runs the solver, with other starting points when it gets stuck.
func (p Problem) attempt(l limits) ([]float64, outcome) {
	if x, out := p.calm(l); out.state == solved {
		return x, out
	}
	iterations := 0
	for _, try := range []struct {
		limits   limits
		stiffest float64
	}{
		{l, gentle},
		{l, firm},
		// Hits that only a motion along the limits can meet leave no interior.
		{l.widened(Grace), gentle},
		{l.widened(Grace), firm},
	} {
		x, out := try.limits.nearest(p.Ref, p.Hits, solved, try.stiffest)
		iterations += out.iterations
		if out.state != stuck && l.excess(x) <= 2*Grace {
			out.iterations = iterations
			return x, out
		}
	}
	x, out := p.calm(l)
	out.iterations = iterations
	return x, out
}

// calm is rest at one place, the mean of the script or where all hits are. It
// is the solution when the speed leaves no way to speak of, and the last resort
// when limits too uneven for the numbers defeat the solver.
func (p Problem) calm(l limits) ([]float64, outcome) {
	place := 0.0
	for i, r := range p.Ref {
		place += (r - place) / float64(i+1)
	}
	place = min(max(place, l.low), l.high)
	for _, h := range p.Hits {
		if place = p.Ref[p.Hits[0]]; p.Ref[h] != place {
			return nil, outcome{}
		}
	}
	bound, total := 0.0, 0.0
	for _, r := range p.Ref {
		bound += float64(float64((r-place)*(r-place)) / 2)
		total += math.Abs(r - place)
	}
	out := outcome{state: feasible, gap: bound}
	// The objective is convex: a motion that strays by at most way saves at most this.
	way := float64(l.step[1] * float64(len(p.Ref)))
	if saved := float64(way * total); saved <= float64(wanted*bound) {
		out = outcome{state: solved, iterations: 1, gap: saved}
	}
	return slices.Repeat([]float64{place}, len(p.Ref)), out
}

func (p Problem) validate() error {
	for _, l := range []struct {
		name  string
		value float64
	}{{"speed", p.Speed}, {"acceleration", p.Acceleration}, {"jerk", p.Jerk}} {
		if !(l.value >= 0) {
			return fmt.Errorf("the %s limit is %v; use a positive number, or 0 for none", l.name, l.value)
		}
	}
	if !(p.Rate > 0) || math.IsInf(p.Rate, 1) {
		return fmt.Errorf("the rate is %v frames/s; use a positive number", p.Rate)
	}
	if !(p.Low <= p.High) || math.IsInf(p.Low, 1) || math.IsInf(p.High, -1) {
		return fmt.Errorf("the travel is from %v to %v; the low end must not be above the high end", p.Low, p.High)
	}
	for i, r := range p.Ref {
		if math.IsNaN(r) || math.Abs(r) > most {
			return fmt.Errorf("the script is %v at frame %d; use numbers within %.0e", r, i, most)
		}
	}
	return p.validateHits()
}

// most is the largest position: its square, summed, stays finite.
const most = 1e140

func (p Problem) validateHits() error {
	for k, h := range p.Hits {
		if h < 0 || h >= len(p.Ref) {
			return fmt.Errorf("a hit is at frame %d, outside of the script's frames 0 to %d", h, len(p.Ref)-1)
		}
		if k > 0 && h <= p.Hits[k-1] {
			return fmt.Errorf("a hit at frame %d comes after one at frame %d; sort the hits and name each once", h, p.Hits[k-1])
		}
	}
	return nil
}

func (p Problem) solution(x []float64, out outcome) Solution {
	s := Solution{X: x, Iterations: out.iterations, Gap: out.gap, Residual: p.limits().excess(x)}
	for i, r := range p.Ref {
		d := math.Abs(x[i] - r)
		s.Objective += float64(d * d)
		if d > s.Largest {
			s.Largest, s.LargestAt = d, i
		}
	}
	s.Objective /= 2
	return s
}
