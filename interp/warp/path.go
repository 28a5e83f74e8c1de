package warp

import (
	"fmt"
	"math"
)

// Path is a choreography on a grid of script time s, with what it must keep.
// In each of the N cells between neighbouring grid points every quantity is
// given three times: just after the first point, in the middle, and just
// before the last point. Cell i has the elements 3i, 3i+1 and 3i+2, so that a
// corner on a grid point has a value on either side.
//
// Between those samples the derivative Q1, the acceleration Q1 u + Q2 x of an
// axis and each term of a Sum count as the parabolas through their three
// values; the limits then hold at every moment of the cell, not only at the
// samples. That is exact for axes that are cubics in s with their knots on grid
// points. For other smooth curves the error falls with the third power of the
// cell. Here x is the square of the rate ds/dt and u is d²s/dt².
type Path struct {
	S    []float64 // ascending script times in s, N+1 of them, N >= 1
	Axes []Axis
	// MaxRate is the greatest rate ds/dt at each grid point: 1 is as written,
	// 0 stops there, +Inf is no cap. Nil is no cap anywhere. A cell that no
	// limit touches keeps a rate of at most 1 where there is no cap.
	MaxRate []float64
	Sums    []Sum
}

// Axis is one axis along the path: derivatives of its value by script time and
// its limits by performance time. Zero or +Inf is no limit.
//
// Where the first derivative of an axis that has an acceleration limit jumps
// at a grid point, by more than a millionth of its greatest value, the jump of
// its speed counts as acceleration over one Frame: the rate there is low enough
// for that, and 0 where Frame is 0. A Sum alone slows nothing: where a
// coefficient A of it jumps, give a MaxRate.
type Axis struct {
	Speed        float64   // unit/s
	Acceleration float64   // unit/s²
	Frame        float64   // s, over which a jump of speed counts as acceleration; 0: corners stop
	Q1           []float64 // dq/ds in unit/s, 3N
	Q2           []float64 // d²q/ds² in unit/s², 3N
}

// Sum limits a sum of absolute values, such as the currents of all motors on
// one supply:
//
//	Σ |A u + B x + C| <= Limit
//
// with x the square of the rate ds/dt and u = d²s/dt². A Sum of one term is a
// limit of its own for each cell.
type Sum struct {
	Terms []Term
	Limit []float64 // over 0 (or +Inf: none), one a cell
}

// Term is one absolute value of a Sum: 3N coefficients each. Nil is zero.
type Term struct {
	A, B, C []float64
}

// Kind is the kind of a limit.
type Kind uint8

// The kinds of limits. Rate is the cap MaxRate or a rate asked for at an end. A
// corner counts as Acceleration.
const (
	Rate Kind = iota
	Speed
	Acceleration
	SumOf
)

func (k Kind) String() string {
	return [...]string{"rate", "speed", "acceleration", "sum"}[k&3]
}

// Limit names a limit: of the axis Index, or the Sum of that index; for Rate
// the index is 0.
type Limit struct {
	Kind  Kind
	Index int32
}

func (l Limit) String() string {
	switch l.Kind {
	case Rate:
		return "the rate"
	case SumOf:
		return fmt.Sprintf("sum %d", l.Index)
	}
	return fmt.Sprintf("the %s of axis %d", l.Kind, l.Index)
}

// Infeasible is the error for a path that no warp can follow.
type Infeasible struct {
	I     int     // grid point
	S     float64 // its script time in s
	Limit Limit   // what stops it
	Why   string
}

func (e *Infeasible) Error() string {
	return fmt.Sprintf("no rate keeps every limit at %.6g s of script time, because of %v: %s", e.S, e.Limit, e.Why)
}

// The ranges in which the arithmetic can neither overflow nor lose everything.
const (
	greatest  = 1e60
	least     = 1e-60
	cellLeast = 1e-12 // s
	longest   = 1e9   // s
	rateCap   = 1e6   // where nothing else caps the rate
)

func limited(v float64) bool { return v > 0 && !math.IsInf(v, 1) }

// check says what is wrong with the shape of a path.
func (p *Path) check() error {
	n := len(p.S) - 1
	if n < 1 {
		return fmt.Errorf("a path needs at least 2 grid points, not %d", n+1)
	}
	for i := range p.S {
		if !(math.Abs(p.S[i]) <= longest) || i > 0 && !(p.S[i]-p.S[i-1] >= cellLeast) {
			return fmt.Errorf("script times have to ascend by at least %g s and stay within %g s: grid point %d is at %g s", cellLeast, longest, i, p.S[i])
		}
	}
	if p.MaxRate != nil && len(p.MaxRate) != n+1 {
		return fmt.Errorf("%d greatest rates for %d grid points", len(p.MaxRate), n+1)
	}
	if err := p.checkRates(); err != nil {
		return err
	}
	for k := range p.Axes {
		if err := p.Axes[k].check(n); err != nil {
			return fmt.Errorf("axis %d: %w", k, err)
		}
	}
	for k := range p.Sums {
		if err := p.Sums[k].check(n); err != nil {
			return fmt.Errorf("sum %d: %w", k, err)
		}
	}
	return nil
}

func (p *Path) checkRates() error {
	for i, r := range p.MaxRate {
		if !(r >= 0) {
			return fmt.Errorf("the greatest rate at grid point %d is %g; it has to be 0 or more", i, r)
		}
	}
	return nil
}

func (a *Axis) check(n int) error {
	for _, l := range [2]float64{a.Speed, a.Acceleration} {
		if l != 0 && !math.IsInf(l, 1) && !(l >= least && l <= greatest) {
			return fmt.Errorf("a limit of %g is out of range", l)
		}
	}
	if err := checkSamples("Q1", a.Q1, n, false); err != nil {
		return err
	}
	return checkSamples("Q2", a.Q2, n, false)
}

func (s *Sum) check(n int) error {
	if len(s.Limit) != n {
		return fmt.Errorf("%d limits for %d cells", len(s.Limit), n)
	}
	for i, l := range s.Limit {
		if !math.IsInf(l, 1) && !(l >= least && l <= greatest) {
			return fmt.Errorf("a limit of %g in cell %d is out of range", l, i)
		}
	}
	for k, t := range s.Terms {
		for j, v := range [3][]float64{t.A, t.B, t.C} {
			if err := checkSamples("ABC"[j:j+1], v, n, true); err != nil {
				return fmt.Errorf("term %d: %w", k, err)
			}
		}
	}
	return nil
}

// checkSamples wants three finite numbers of sane size for each cell.
func checkSamples(name string, v []float64, cells int, optional bool) error {
	if optional && v == nil {
		return nil
	}
	if len(v) != 3*cells {
		return fmt.Errorf("%s has %d samples for %d cells of three", name, len(v), cells)
	}
	for i, x := range v {
		if !(math.Abs(x) <= greatest) {
			return fmt.Errorf("%s is %g in cell %d", name, x, i/3)
		}
	}
	return nil
}
