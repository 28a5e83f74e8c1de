package warp

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"limberjack/interp/poly"
)

// reference is one case of testdata/toppra.json, which says how it was made.
type reference struct {
	ID        int         `json:"id"`
	BC        string      `json:"bc"`
	Knots     []float64   `json:"knots_s"`
	Waypoints [][]float64 `json:"waypoints"`
	Vmax      []float64   `json:"vmax"`
	Amax      []float64   `json:"amax"`
	SdMax     float64     `json:"sd_max"`
	Exact     float64     `json:"exact_s"`
	Duration  float64     `json:"duration_s"`
}

func references(t testing.TB) []reference {
	t.Helper()
	text, err := os.ReadFile("testdata/toppra.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Cases []reference }
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Cases) != 14 {
		t.Fatalf("%d cases, want 14", len(file.Cases))
	}
	return file.Cases
}

// curve is a piecewise cubic: ascending coefficients in s - t[i].
type curve struct {
	t []float64
	c [][4]float64
}

func (c *curve) at(s float64) (q, q1, q2 float64) {
	i := 0
	for i+1 < len(c.c) && s >= c.t[i+1] {
		i++
	}
	q, q1, q2, _ = poly.Eval3(c.c[i][:], s-c.t[i])
	return
}

// cubicSpline gives the C2 cubic through the points by its slopes: a dense
// linear system of the continuity of the second derivative and two end
// conditions (de Boor, A Practical Guide to Splines, chapter IV).
func cubicSpline(bc string, t, y []float64) curve {
	n := len(t)
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n+1)
	}
	h := func(i int) float64 { return t[i+1] - t[i] }
	d := func(i int) float64 { return (y[i+1] - y[i]) / h(i) }
	for i := 1; i < n-1; i++ {
		a[i][i-1], a[i][i], a[i][i+1] = 1/h(i-1), 2/h(i-1)+2/h(i), 1/h(i)
		a[i][n] = 3*d(i-1)/h(i-1) + 3*d(i)/h(i)
	}
	switch bc {
	case "natural":
		a[0][0], a[0][1], a[0][n] = 2, 1, 3*d(0)
		a[n-1][n-1], a[n-1][n-2], a[n-1][n] = 2, 1, 3*d(n-2)
	case "clamped":
		a[0][0], a[n-1][n-1] = 1, 1
	case "notaknot":
		thirdEqual(a[0], n, 0, h, d)
		thirdEqual(a[n-1], n, n-3, h, d)
	}
	m := solveDense(a)
	c := curve{t: t}
	for i := range n - 1 {
		c.c = append(c.c, [4]float64{y[i], m[i], (3*d(i) - 2*m[i] - m[i+1]) / h(i), (m[i] + m[i+1] - 2*d(i)) / (h(i) * h(i))})
	}
	return c
}

// thirdEqual asks for the same third derivative in segments i and i+1.
func thirdEqual(row []float64, n, i int, h, d func(int) float64) {
	p, q := 1/(h(i)*h(i)), 1/(h(i+1)*h(i+1))
	row[i], row[i+1], row[i+2] = p, p-q, -q
	row[n] = 2*d(i)*p - 2*d(i+1)*q
}

func solveDense(a [][]float64) []float64 {
	n := len(a)
	for k := range n {
		top := k
		for i := k; i < n; i++ {
			if math.Abs(a[i][k]) > math.Abs(a[top][k]) {
				top = i
			}
		}
		a[k], a[top] = a[top], a[k]
		for i := k + 1; i < n; i++ {
			f := a[i][k] / a[k][k]
			for j := k; j <= n; j++ {
				a[i][j] -= f * a[k][j]
			}
		}
	}
	x := make([]float64, n)
	for k := n - 1; k >= 0; k-- {
		x[k] = a[k][n]
		for j := k + 1; j < n; j++ {
			x[k] -= a[k][j] * x[j]
		}
		x[k] /= a[k][k]
	}
	return x
}

// rig is a path made of cubics with limits, for tests.
type rig struct {
	curves     []curve
	vmax, amax []float64
}

func (r *reference) rig() rig {
	out := rig{vmax: r.Vmax, amax: r.Amax}
	for k := range r.Vmax {
		y := make([]float64, len(r.Knots))
		for i := range y {
			y[i] = r.Waypoints[i][k]
		}
		out.curves = append(out.curves, cubicSpline(r.BC, r.Knots, y))
	}
	return out
}

// path samples the rig with a number of cells in each segment.
func (r *rig) path(cells int) Path {
	var s []float64
	knots := r.curves[0].t
	for i := range len(knots) - 1 {
		for j := range cells {
			s = append(s, knots[i]+(knots[i+1]-knots[i])*float64(j)/float64(cells))
		}
	}
	return r.pathOn(append(s, knots[len(knots)-1]))
}

// pathOn samples the rig on a grid that has the knots of its curves.
func (r *rig) pathOn(grid []float64) Path {
	p := Path{S: grid}
	for k, c := range r.curves {
		a := Axis{Speed: r.vmax[k], Acceleration: r.amax[k]}
		seg := 0
		for i := range len(grid) - 1 {
			for seg+1 < len(c.c) && grid[i] >= c.t[seg+1] {
				seg++
			}
			for _, s := range [3]float64{grid[i], 0.5 * (grid[i] + grid[i+1]), grid[i+1]} {
				_, q1, q2, _ := poly.Eval3(c.c[seg][:], s-c.t[seg])
				a.Q1, a.Q2 = append(a.Q1, q1), append(a.Q2, q2)
			}
		}
		p.Axes = append(p.Axes, a)
	}
	return p
}

// worst evaluates a warp densely in performance time, apart from the code
// under test, and gives the greatest speed and acceleration of any axis as
// shares of their limits.
func (r *rig) worst(k []Knot, rate float64) (speed, acc float64) {
	i := 1
	for n := 0; ; n++ {
		t := float64(n) / rate
		if t > k[len(k)-1].At {
			return
		}
		for i < len(k)-1 && t > k[i].At {
			i++
		}
		a, b := k[i-1], k[i]
		u := (b.Rate - a.Rate) / (b.At - a.At)
		dt := t - a.At
		s, sd := a.Script+a.Rate*dt+0.5*u*dt*dt, a.Rate+u*dt
		for j := range r.curves {
			_, q1, q2 := r.curves[j].at(s)
			speed = max(speed, math.Abs(q1*sd)/r.vmax[j])
			acc = max(acc, math.Abs(q1*u+q2*sd*sd)/r.amax[j])
		}
	}
}

func capped(p *Path, rate float64) {
	p.MaxRate = make([]float64, len(p.S))
	for i := range p.MaxRate {
		p.MaxRate[i] = rate
	}
}

// TestReferences compares with the reference durations (see testdata), checks
// each limit at 2 kHz of the performance time, and that coarse grids keep the
// limits as well.
func TestReferences(t *testing.T) {
	for _, c := range references(t) {
		t.Run(fmt.Sprint(c.ID), func(t *testing.T) {
			r := c.rig()
			for _, g := range []struct {
				name string
				grid []float64
				most float64 // greatest loss, as a share
			}{
				{"uniform, 5 cells a segment", r.path(5).S, 1},
				{"uniform, 25 cells a segment", r.path(25).S, 0.03},
				{"uniform, 400 cells a segment", r.path(400).S, 1e-3},
				{"100 cells a segment", Grid(c.Knots, c.Knots[1]/100), 2e-3},
				{"400 cells a segment", Grid(c.Knots, c.Knots[1]/400), 5e-4},
			} {
				p := r.pathOn(g.grid)
				if c.SdMax > 0 {
					capped(&p, c.SdMax)
				}
				s, err := Solve(p, 0, 0)
				if err != nil {
					t.Fatal(err)
				}
				speed, acc := r.worst(s.Knots, 2000)
				if speed > 1+1e-9 || acc > 1+1e-9 {
					t.Errorf("%s: speed reaches %.12f, acceleration %.12f of its limit", g.name, speed, acc)
				}
				want := c.Duration
				if c.Exact > 0 {
					want = c.Exact
				}
				if off := s.Duration/want - 1; off < -1e-6 || off > g.most {
					t.Errorf("%s: %.9f s, want %.9f s and at most %g more; it is %+.3g", g.name, s.Duration, want, g.most, off)
				}
			}
		})
	}
}

func TestGrid(t *testing.T) {
	g := Grid([]float64{0, 1, 1.25, 2}, 0.5)
	want := []float64{0, 0.001953125, 0.00390625, 0.0078125, 0.015625, 0.03125, 0.0625, 0.125, 0.25, 0.5, 1, 1.25, 1.625,
		1.8125, 1.90625, 1.953125, 1.9765625, 1.98828125, 1.994140625, 1.9970703125, 1.99853515625, 2}
	if fmt.Sprint(g) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", g, want)
	}
	if g := Grid([]float64{0, 1}, 5); len(g) != 3+2*halvings || g[1] != 0.5/256 {
		t.Errorf("one cell: %v", g)
	}
	if g := Grid([]float64{3}, 1); len(g) != 1 {
		t.Errorf("one break: %v", g)
	}
}
