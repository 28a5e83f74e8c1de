package nearest

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// optimum is a row of a table in testdata, made outside of this package as the
// table's "about" says.
type optimum struct {
	ID        int       `json:"id"`
	Rate      float64   `json:"fs"`
	V         float64   `json:"V"`
	A         float64   `json:"A"`
	J         float64   `json:"J"`
	Low       *float64  `json:"low"`
	High      *float64  `json:"high"`
	Ref       []float64 `json:"ref"`
	Hits      []int     `json:"fixed_idx"`
	Objective float64   `json:"objective_half_sum_sq"`
	X         []float64 `json:"x"`
}

func (o optimum) problem() Problem {
	p := Problem{Ref: o.Ref, Rate: o.Rate, Speed: o.V, Acceleration: o.A, Jerk: o.J, Hits: o.Hits}
	if o.Low != nil || o.High != nil {
		p.Low, p.High = math.Inf(-1), math.Inf(1)
	}
	if o.Low != nil {
		p.Low = *o.Low
	}
	if o.High != nil {
		p.High = *o.High
	}
	return p
}

func optima(t *testing.T, file string) []optimum {
	t.Helper()
	var table struct{ Cases []optimum }
	text, err := os.ReadFile(file)
	if err == nil {
		err = json.Unmarshal(text, &table)
	}
	if err != nil || len(table.Cases) == 0 {
		t.Fatalf("%s: %d cases, %v", file, len(table.Cases), err)
	}
	return table.Cases
}

// TestOptima compares with optima found by a general-purpose solver of convex
// programmes. The tables' scripts span some 100 degrees.
func TestOptima(t *testing.T) {
	for _, file := range []string{"testdata/optima.json", "testdata/small.json"} {
		for _, c := range optima(t, file) {
			p := c.problem()
			s, err := Solve(p)
			if err != nil {
				t.Errorf("%s case %d: %v", file, c.ID, err)
				continue
			}
			within(t, p, s)
			// An objective below 1e-12 square degrees is the tables' rounding.
			if d := math.Abs(s.Objective - c.Objective); d > 1e-6*c.Objective+1e-9 {
				t.Errorf("%s case %d: objective %.12g, want %.12g", file, c.ID, s.Objective, c.Objective)
			}
			if s.Gap > 1e-8*s.Objective+1e-9 {
				t.Errorf("%s case %d: gap %g at objective %g", file, c.ID, s.Gap, s.Objective)
			}
			for i, x := range s.X {
				if math.Abs(x-c.X[i]) > 1e-3 {
					t.Errorf("%s case %d frame %d: %v, want %v", file, c.ID, i, x, c.X[i])
					break
				}
			}
			t.Logf("%s case %d: %d iterations, objective %.9g, gap %.2g", file, c.ID, s.Iterations, s.Objective, s.Gap)
		}
	}
}
