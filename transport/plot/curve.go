package plot

import (
	"math"
	"sort"

	"gonum.org/v1/plot/vg"

	"limberjack/interp"
)

// column is all that a curve does in one column of a stave.
type column struct {
	lo, hi      float64 // least and greatest value
	first, last float64 // values at the edges
	still       bool    // the curve does not move here
	jumps       bool    // the curve has a step here
	known       bool
}

func (c *column) take(from, to float64, still bool) {
	if !c.known {
		*c = column{lo: from, hi: from, first: from, last: from, still: true, known: true}
	}
	c.jumps = c.jumps || apart(from, c.last)
	c.lo = math.Min(c.lo, math.Min(from, to))
	c.hi = math.Max(c.hi, math.Max(from, to))
	c.last = to
	c.still = c.still && still
}

// folding is a curve on its way into columns.
type folding struct {
	curve    *interp.Curve
	from, to float64
	cols     []column
	k        int // the column that is being filled
	turns    []float64
}

// columnsOf folds a curve between two times into n columns of equal width. Each
// column holds the curve's exact extremes there: a piece turns at the times that
// it gives itself, and jumps only at its ends, so that no spike between two
// samples is lost. The cost is linear in columns and in pieces.
func columnsOf(c *interp.Curve, from, to float64, n int) []column {
	f := folding{curve: c, from: from, to: to, cols: make([]column, n)}
	first := max(0, sort.Search(c.Spans(), func(i int) bool { a, _ := c.Span(i); return a > from })-1)
	for i := first; i < c.Spans() && f.k < n; i++ {
		if a, b := c.Span(i); b > from && a < to {
			f.piece(i, a, b)
		}
	}
	// Where the motion ends in a jump, the value that it jumps to still counts.
	end := c.Value(to)
	if last := &f.cols[n-1]; last.last != end || !last.known {
		last.take(end, end, true)
	}
	return filled(f.cols)
}

// edge gives the time at which column k begins.
func (f *folding) edge(k int) float64 {
	return f.from + float64((f.to-f.from)*float64(k))/float64(len(f.cols))
}

// piece folds piece i, which lies on [a, b), from turn to turn and from edge to
// edge: on each such stretch it is monotone.
func (f *folding) piece(i int, a, b float64) {
	still := isStill(f.curve, i)
	f.turns = f.turns[:0]
	if !still {
		f.turns = f.curve.Turns(f.turns, i)
	}
	turns := f.turns
	u := math.Max(a, f.from)
	value := f.curve.Value(u)
	for end := math.Min(b, f.to); u < end && f.k < len(f.cols); {
		next := math.Min(end, f.edge(f.k+1))
		for len(turns) > 0 && turns[0] <= u {
			turns = turns[1:]
		}
		if len(turns) > 0 && turns[0] < next {
			next = turns[0]
		}
		v := value
		switch {
		case still:
		case next == b:
			v = f.curve.Before(next).Position
		default:
			v = f.curve.Value(next)
		}
		f.cols[f.k].take(value, v, still)
		u, value = next, v
		for f.k < len(f.cols) && u >= f.edge(f.k+1) {
			f.k++
		}
	}
}

// filled gives columns too narrow to hold a moment the value before them, and
// marks as moving those that a jump leads into.
func filled(cols []column) []column {
	for i := 1; i < len(cols); i++ {
		before := cols[i-1].last
		if !cols[i].known {
			cols[i] = column{lo: before, hi: before, first: before, last: before, still: true, known: true}
		}
		if apart(cols[i].first, before) || apart(cols[i].lo, cols[i].hi) {
			cols[i].still = false
		}
	}
	return cols
}

// isStill reports whether a piece does not move, or by no more than rounding.
func isStill(c *interp.Curve, i int) bool {
	if c.Still(i) {
		return true
	}
	r := c.Range(i, 0)
	return !apart(r.Min, r.Max)
}

// apart reports whether two values differ by more than rounding.
func apart(a, b float64) bool {
	return math.Abs(a-b) > 1e-9*math.Max(1, math.Max(math.Abs(a), math.Abs(b)))
}

// RangeOf gives the least and greatest value of a whole curve, and whether it
// moves at all.
func RangeOf(c *interp.Curve) (lo, hi float64, moves bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for i := range c.Spans() {
		r := c.Range(i, 0)
		lo, hi = math.Min(lo, r.Min), math.Max(hi, r.Max)
	}
	return lo, hi, apart(lo, hi)
}

// run is a stretch of a curve that is drawn in one way.
type run struct {
	still  bool
	points []point
}

// shortestStill is how many columns of stillness are worth a change of pen.
const shortestStill = 8

// runsOf turns columns of a width into lines. A column is crossed from edge to
// edge; where the curve went beyond both edges, by way of its extremes.
func runsOf(cols []column, x0, width float64, y func(float64) float64) []run {
	still := restingColumns(cols)
	var runs []run
	for i := 0; i < len(cols); {
		j := i
		for j < len(cols) && still[j] == still[i] {
			j++
		}
		runs = append(runs, run{still[i], lineThrough(cols, i, j, !still[i], x0, width, y)})
		i = j
	}
	return runs
}

// lineThrough gives the line through the columns from i up to j; joined, it
// begins where the column before ends.
func lineThrough(cols []column, i, j int, joined bool, x0, width float64, y func(float64) float64) []point {
	var t tracer
	x := func(k int) float64 { return x0 + float64(width*float64(k)) }
	if i > 0 && joined {
		t.corner(point{x(i), y(cols[i-1].last)})
	}
	t.corner(point{x(i), y(cols[i].first)})
	for k := i; k < j; k++ {
		t.cross(cols[k], x(k), x(k+1), y)
	}
	return t.done()
}

// restingColumns says which columns are drawn as rest.
func restingColumns(cols []column) []bool {
	still := make([]bool, len(cols))
	for i := 0; i < len(cols); {
		j := i
		for j < len(cols) && cols[j].still {
			j++
		}
		for k := i; k < j; k++ {
			still[k] = j-i >= shortestStill || j-i == len(cols)
		}
		i = max(j, i+1)
	}
	return still
}

// tracer gathers the points of a line and leaves out those that lie on it to
// within a slack: it keeps the slopes that pass all points since the last corner.
type tracer struct {
	points    []point
	low, high float64
	pending   bool
	last      point
}

const slack = 0.06 // pt, below half a pixel at 600 dots an inch

// corner ends the straight stretch at a point.
func (t *tracer) corner(p point) {
	t.flush()
	if n := len(t.points); n == 0 || t.points[n-1] != p {
		t.points = append(t.points, p)
	}
	t.low, t.high = math.Inf(-1), math.Inf(1)
}

func (t *tracer) flush() {
	if t.pending {
		t.points = append(t.points, t.last)
		t.pending = false
		t.low, t.high = math.Inf(-1), math.Inf(1)
	}
}

// to goes on to a point further right.
func (t *tracer) to(p point) {
	from := t.points[len(t.points)-1]
	slope := (p.y - from.y) / (p.x - from.x)
	if slope < t.low || slope > t.high {
		t.flush()
		from = t.points[len(t.points)-1]
	}
	dx := p.x - from.x
	t.low = math.Max(t.low, (p.y-slack-from.y)/dx)
	t.high = math.Min(t.high, (p.y+slack-from.y)/dx)
	t.last, t.pending = p, true
}

// cross goes through a column from x0 to x1.
func (t *tracer) cross(c column, x0, x1 float64, y func(float64) float64) {
	n := len(t.points)
	if before := t.points[n-1]; !t.pending && before.y != y(c.first) || t.pending && t.last.y != y(c.first) {
		t.corner(point{x0, y(c.first)})
	}
	middle := (x0 + x1) / 2
	if c.jumps {
		t.corner(point{middle, y(c.first)})
	}
	if c.lo < math.Min(c.first, c.last) || c.hi > math.Max(c.first, c.last) {
		t.extremes(c, middle, y)
	}
	if c.jumps {
		t.corner(point{middle, y(c.last)})
	}
	t.to(point{x1, y(c.last)})
}

func (t *tracer) extremes(c column, x float64, y func(float64) float64) {
	a, b := c.lo, c.hi
	if c.first > c.last {
		a, b = b, a
	}
	for _, v := range [2]float64{a, b} {
		if v < math.Min(c.first, c.last) || v > math.Max(c.first, c.last) {
			t.corner(point{x, y(v)})
		}
	}
}

func (t *tracer) done() []point {
	t.flush()
	return t.points
}

func pathOf(points []point) vg.Path {
	path := make(vg.Path, 0, len(points))
	appendLine(&path, points)
	return path
}
