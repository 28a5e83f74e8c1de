// Package warp computes time warps: script time as a function of performance
// time, so that a choreography keeps every axis in step and yet keeps speed
// and acceleration limits, and limits on sums of absolute values such as the
// currents of one supply.
//
// The warp found has the least total stretch: at every point the rate ds/dt is
// as great as the limits and the cap allow. The method is reachability analysis
// on a grid (H. Pham and Q.-C. Pham, A New Approach to Time-Optimal Path
// Parameterization Based on Reachability Analysis, IEEE Transactions on
// Robotics 34(3), 2018). With x = (ds/dt)² and u = d²s/dt² all limits are
// linear or convex in (u, x). A backward pass finds from which x the end can
// be reached, a forward pass takes the greatest x in reach. In each cell of the
// grid u is constant and x linear in s, and the limits are imposed on the
// whole cell, not only on grid points.
//
// Paths of cubics keep their limits on any grid, see Path; on a coarse one the
// warp is somewhat slower than it could be.
//
// Time is linear in the number of cells, and of axes and terms. The working
// memory is sixteen numbers a grid point beside the result, and eight more to
// thin it. Most cells of a choreography are far from every limit: bounds of what a
// cell asks, and of what stretches of cells ask, spare a look at each axis there.
package warp

import (
	"fmt"
	"math"
)

// Knot is a point of the warp. Between two knots the rate is linear in
// performance time.
type Knot struct {
	At     float64 // performance time in s
	Script float64 // script time in s
	Rate   float64 // ds/dt
}

// Solution is a warp, with one knot for each grid point.
type Solution struct {
	Knots    []Knot
	Duration float64 // s
}

// Free as a rate at an end lets it be as great as the limits and the cap allow.
const Free = -1

// Solve gives the warp with the greatest rates under the limits of p, from
// startRate to endRate (0 is rest, or Free), starting at performance time 0.
// O(N (axes + terms)). The error is an *Infeasible if no warp exists, another
// if p is malformed.
func Solve(p Path, startRate, endRate float64) (Solution, error) {
	s, err := NewSolver(p)
	if err != nil {
		return Solution{}, err
	}
	return s.Solve(startRate, endRate)
}

// Solver solves one path several times, such as under several MaxRates, and thins
// what it found, with what depends on the path computed once. It is not for use
// by several goroutines at once.
type Solver struct {
	p       Path
	demands []demand // of the cells
	corners []bound  // caps of x at each grid point, apart from MaxRate
	open    []bool   // cells that no limit touches
	cell    cell
	reach   []bounds // x from which the end can be reached
	rates   []bound  // caps of x with MaxRate
	caps    []bound  // caps of x with the limits of speed, too
}

// NewSolver makes a solver. The values of p.MaxRate may be changed between its
// calls, all else of p may not. The error says how p is malformed.
func NewSolver(p Path) (*Solver, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	s := &Solver{p: p, demands: demandsOf(&p), corners: corners(&p), open: make([]bool, len(p.S)-1), cell: newCell(&p), reach: make([]bounds, len(p.S))}
	for i := range s.open {
		s.open[i] = s.untouched(i)
	}
	return s, nil
}

// Solve is the function Solve on the solver's path.
func (s *Solver) Solve(startRate, endRate float64) (Solution, error) {
	if err := s.p.checkRates(); err != nil {
		return Solution{}, err
	}
	for _, r := range [2]float64{startRate, endRate} {
		if r != Free && !(r >= 0 && r <= rateCap) {
			return Solution{}, fmt.Errorf("a rate of %g at an end is outside 0 to %g", r, float64(rateCap))
		}
	}
	s.caps = s.speedCaps()
	if err := s.backward(endRate); err != nil {
		return Solution{}, err
	}
	return s.forward(startRate)
}

const (
	noWay = "every rate here breaks a limit now or further on"
	stuck = "the rate is 0 at both ends of the cell before; a grid point in between may help"
)

// bounds is an interval of x.
type bounds struct{ lo, hi float64 }

// backward computes the sets of x from which the end can be reached.
func (s *Solver) backward(endRate float64) error {
	n := len(s.p.S) - 1
	end := s.caps[n]
	s.reach[n] = bounds{0, end.x}
	if endRate != Free {
		x := float64(endRate * endRate)
		if x > float64(end.x*(1+1e-12)) {
			return s.infeasible(n, end.by, fmt.Sprintf("the rate at the end can be at most %.6g, not %.6g", math.Sqrt(end.x), endRate))
		}
		s.reach[n] = bounds{x, x}
	}
	for i := n - 1; i >= 0; i-- {
		if s.reach[i+1].lo == 0 && s.easy(i, s.caps[i].x, s.reach[i+1].hi) {
			s.reach[i] = bounds{0, s.caps[i].x}
			continue
		}
		s.cell.build(&s.p, i, s.caps[i].x, s.reach[i+1])
		hi, ok := s.cell.greatest()
		if !ok {
			return s.infeasible(i, s.cell.blame, noWay)
		}
		lo, ok := s.cell.least(hi)
		if !ok {
			return s.infeasible(i, s.cell.blame, noWay)
		}
		s.reach[i] = bounds{lo, hi}
	}
	return nil
}

// easy reports that x and y at the ends of cell i keep every limit by far, and
// standing still does, too.
func (s *Solver) easy(i int, x, y float64) bool {
	return s.demands[i].holds(math.Abs(y-x)*0.5/(s.p.S[i+1]-s.p.S[i]), max(x, y), 1)
}

// forward takes the greatest x in reach from cell to cell.
func (s *Solver) forward(startRate float64) (Solution, error) {
	x := s.reach[0].hi
	if startRate != Free {
		x = float64(startRate * startRate)
		if r := s.reach[0]; x > float64(r.hi*(1+1e-9)) || x < float64(r.lo*(1-1e-9)) {
			return Solution{}, s.infeasible(0, s.startLimit(), fmt.Sprintf("the rate at the start has to be from %.6g to %.6g, not %.6g", math.Sqrt(r.lo), math.Sqrt(r.hi), startRate))
		}
		x = min(max(x, s.reach[0].lo), s.reach[0].hi)
	}
	k := make([]Knot, len(s.p.S))
	k[0] = Knot{Script: s.p.S[0], Rate: math.Sqrt(x)}
	for i := 1; i < len(k); i++ {
		if y := s.reach[i].hi; s.easy(i-1, x, y) {
			x = y
		} else {
			s.cell.build(&s.p, i-1, s.caps[i-1].x, s.reach[i])
			x = s.cell.next(x)
		}
		k[i] = Knot{Script: s.p.S[i], Rate: math.Sqrt(x)}
		k[i].At = k[i-1].At + crossing(k[i-1], k[i])
		if !(k[i].At <= math.MaxFloat64) {
			return Solution{}, s.infeasible(i, s.stall(i), stuck)
		}
	}
	return Solution{Knots: k, Duration: k[len(k)-1].At}, nil
}

// crossing gives the performance time from knot a to knot b.
func crossing(a, b Knot) float64 {
	return float64(2*(b.Script-a.Script)) / (a.Rate + b.Rate)
}

func (s *Solver) infeasible(i int, by Limit, why string) error {
	return &Infeasible{I: i, S: s.p.S[i], Limit: by, Why: why}
}

// startLimit says what bounds the rate at the start.
func (s *Solver) startLimit() Limit {
	s.cell.build(&s.p, 0, s.caps[0].x, s.reach[1])
	s.cell.blame = s.caps[0].by
	s.cell.greatest()
	return s.cell.blame
}

// stall says what keeps the rate before grid point i at 0.
func (s *Solver) stall(i int) Limit {
	for _, c := range s.caps[i-1 : i+1] {
		if c.x == 0 {
			return c.by
		}
	}
	return Limit{}
}
