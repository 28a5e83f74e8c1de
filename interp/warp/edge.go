package warp

import "math"

// gap is the interval of y that the rows of a cell leave at some x, and the
// rows that bound it.
type gap struct {
	lo, hi       float64
	loRow, hiRow int
}

func (c *cell) gapAt(x float64) gap {
	g := gap{lo: c.rows[0].lo, hi: c.rows[0].hi}
	for k := 1; k < len(c.rows); k++ {
		r := &c.rows[k]
		shift := float64(r.slope * x)
		if hi := r.hi - shift; hi < g.hi {
			g.hi, g.hiRow = hi, k
		}
		if lo := r.lo - shift; lo > g.lo {
			g.lo, g.loRow = lo, k
		}
	}
	return g
}

// empty reports that no y is left, by more than rounding explains.
func (c *cell) empty(g gap, x float64) bool {
	if g.lo <= g.hi {
		return false
	}
	h, l := &c.rows[g.hiRow], &c.rows[g.loRow]
	size := math.Abs(h.hi) + math.Abs(l.lo) + float64((math.Abs(h.slope)+math.Abs(l.slope))*x)
	return g.lo-g.hi > float64(1e-15*size)
}

// mostSteps bounds iterations that end by themselves but for rounding.
const mostSteps = 200

// edge walks x from outside to the nearest x that leaves a y: down to the
// greatest (way -1) or up to the least (way +1). The gap by which the rows
// miss each other is convex and piecewise linear in x, and so Newton's steps
// never pass its zero and end after finitely many.
func (c *cell) edge(x, way float64) (float64, bool) {
	for range mostSteps {
		if x < c.lo || x > c.hi {
			return x, false
		}
		g := c.gapAt(x)
		if c.empty(g, x) {
			h, l := &c.rows[g.hiRow], &c.rows[g.loRow]
			c.accuse(h.by, l.by)
			d := h.slope - l.slope
			if float64(d*way) >= 0 {
				return x, false
			}
			to := (h.hi - l.lo) / d
			if float64((to-x)*way) <= 0 {
				return x, true
			}
			x = to
			continue
		}
		if !c.cut(x, g.hi) {
			return x, true
		}
		if way < 0 && x > c.hi {
			x = c.hi
		} else if way > 0 && x < c.lo {
			x = c.lo
		}
	}
	return x, true
}

// accuse notes which of two limits to name for the state of the cell. Only a
// sum can forbid to stand still, and so it comes first.
func (c *cell) accuse(a, b Limit) {
	if a.Kind == Rate || b.Kind == SumOf {
		a = b
	}
	c.blame = a
}

// inside is the share by which the greatest x stays inside its set, so that
// the forward pass meets no set that rounding has emptied.
const inside = 1e-12

// greatest gives the greatest x at the start of the cell from which some y is
// allowed.
func (c *cell) greatest() (float64, bool) {
	c.accuse(c.byHi, c.blame)
	x, ok := c.edge(c.hi, -1)
	if x < c.hi {
		x -= float64(inside * x)
	}
	return x, ok
}

// least gives the least such x, known to be no greater than top.
func (c *cell) least(top float64) (float64, bool) {
	if c.rows[0].lo == 0 && c.lo <= 0 && c.restful() {
		return 0, true
	}
	x, ok := c.edge(min(c.lo, top), 1)
	return min(x, top), ok
}

// restful reports that standing still is allowed.
func (c *cell) restful() bool {
	for k := range c.sums {
		held := 0.0
		for _, t := range c.sums[k].terms {
			held += math.Abs(t.c)
		}
		if held > 1 {
			return false
		}
	}
	return true
}

// next gives the greatest y that x leaves.
func (c *cell) next(x float64) float64 {
	g := c.gapAt(x)
	for range mostSteps {
		if g.lo > g.hi || !c.cut(x, g.hi) {
			break
		}
		last := g.hi
		if g = c.gapAt(x); g.hi >= last {
			break
		}
	}
	if g.lo > g.hi {
		g.hi = 0.5 * (g.lo + g.hi)
	}
	return min(max(g.hi, c.rows[0].lo), c.rows[0].hi)
}
