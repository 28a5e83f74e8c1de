package warp

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// A bound has to be at least what is used, in each cell and in stretches of cells,
// whatever the rates.
func TestDemandsBoundWhatIsUsed(t *testing.T) {
	for number := range uint64(60) {
		p, _, _ := roughPath(number)
		s, err := NewSolver(p)
		if err != nil {
			t.Fatal(err)
		}
		rnd := rand.New(rand.NewPCG(number, 5))
		tree := treeOf(s.demands)
		for i := range s.demands {
			x, y := 10*rnd.Float64(), 10*rnd.Float64()
			used := s.cell.use(&p, i, x, y).Share
			u := math.Abs(y-x) * 0.5 / (p.S[i+1] - p.S[i])
			for level := range tree {
				if n := i >> level; used > 0 && n < len(tree[level]) && tree[level][n].holds(u, max(x, y), used*(1-1e-9)) {
					t.Fatalf("path %d: cell %d uses %.12g, and level %d says less", number, i, used, level)
				}
			}
		}
	}
}

// A solver that is used again, under other caps in between, gives what a new one
// does, to the last bit.
func TestASolverMayBeUsedAgain(t *testing.T) {
	r := randomRig(rand.New(rand.NewPCG(3, 4)), 3, 20)
	p := r.path(30)
	motors(&p, 0.1, 0.05, 3)
	capped(&p, 1)
	s, err := NewSolver(p)
	if err != nil {
		t.Fatal(err)
	}
	tolerance := Tolerance{Limits: 0.01, Time: 0.1}
	for _, rate := range []float64{1, 0.5, 3, 1} {
		for i := range p.MaxRate {
			p.MaxRate[i] = rate
		}
		again, err := s.Solve(0, 0)
		if err != nil {
			t.Fatal(err)
		}
		fresh, err := Solve(p, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		if fmt.Sprint(again) != fmt.Sprint(fresh) {
			t.Errorf("at %v: %v s used again, %v s new", rate, again.Duration, fresh.Duration)
		}
		thin, err := s.Thin(again, tolerance)
		if err != nil {
			t.Fatal(err)
		}
		other, err := Thin(p, fresh, tolerance)
		if err != nil {
			t.Fatal(err)
		}
		if fmt.Sprint(thin) != fmt.Sprint(other) {
			t.Errorf("at %v: %d knots used again, %d new", rate, len(thin.Knots), len(other.Knots))
		}
	}
	p.MaxRate[3] = -1
	if _, err := s.Solve(0, 0); err == nil {
		t.Error("a rate below 0 passes")
	}
}
