package linkage

import (
	"fmt"
	"math"
	"sort"

	"limberjack/interp/poly"
	"limberjack/interp/spline"
)

// table is a measured relation: a monotone cubic between each two rows.
type table struct {
	horn, part []float64
	segments   []spline.Cubic3
	falling    bool
}

// NewTable makes a linkage from measured rows {horn, part}, in degrees: two or
// more, the horn ascending, the part strictly rising or strictly falling. The
// angles are taken as measured: horn 0 need not be part 0, nor be in the table.
//
// Rows are joined by monotone cubics with the weights of pchip; at the ends the
// slope is at least a quarter of that between the outer two rows, so that the
// relation can be inverted. The first derivative is continuous, the second jumps
// at rows. A look-up is O(log n); the inverse solves the cubic.
func NewTable(points [][2]float64) (Linkage, error) {
	t := &table{}
	for _, p := range points {
		t.horn, t.part = append(t.horn, p[0]), append(t.part, p[1])
	}
	if err := t.check(); err != nil {
		return nil, err
	}
	slopes, err := spline.Slopes(nil, spline.Pchip, t.horn, t.part)
	if err != nil {
		return nil, fmt.Errorf("the linkage's table: %w", err)
	}
	last := len(slopes) - 1
	slopes[0] = t.atLeastQuarter(slopes[0], 0)
	slopes[last] = t.atLeastQuarter(slopes[last], last-1)
	t.segments = spline.Hermite(nil, t.horn, t.part, slopes)
	return t, nil
}

func (t *table) check() error {
	if len(t.horn) < 2 {
		return fmt.Errorf("a linkage's table needs at least 2 rows of [horn, part], but it has %d", len(t.horn))
	}
	t.falling = t.part[1] < t.part[0]
	for i, h := range t.horn {
		p := t.part[i]
		if !(math.Abs(h) <= largestAngle && math.Abs(p) <= largestAngle) {
			return fmt.Errorf("row %d of the linkage's table [%g, %g] is not within 1e6 deg", i+1, h, p)
		}
		if i == 0 {
			continue
		}
		if h <= t.horn[i-1] {
			return fmt.Errorf("the horn angles of a linkage's table have to ascend, but row %d (%g deg) is not above row %d (%g deg)", i+1, h, i, t.horn[i-1])
		}
		if p == t.part[i-1] || (p < t.part[i-1]) != t.falling {
			return fmt.Errorf("the part in a linkage's table has to keep rising or keep falling, but it turns at row %d (%g deg after %g deg)", i+1, p, t.part[i-1])
		}
	}
	return nil
}

func (t *table) atLeastQuarter(slope float64, segment int) float64 {
	chord := (t.part[segment+1] - t.part[segment]) / (t.horn[segment+1] - t.horn[segment])
	if math.Abs(slope) < math.Abs(chord)/4 {
		return chord / 4
	}
	return slope
}

// Part implements Linkage.
func (t *table) Part(horn float64) (p, d1, d2, d3 float64, ok bool) {
	last := len(t.horn) - 1
	if !(horn >= t.horn[0] && horn <= t.horn[last]) {
		return 0, 0, 0, 0, false
	}
	i := min(sort.Search(last, func(i int) bool { return t.horn[i+1] > horn }), last-1)
	p, d1, d2, d3 = poly.Eval3(t.segments[i][:], horn-t.horn[i])
	return p, d1, d2, d3, true
}

// Horn implements Linkage.
func (t *table) Horn(part float64) (h, d1, d2, d3 float64, ok bool) {
	_, _, partLo, partHi := t.Range()
	if !(part >= partLo && part <= partHi) {
		return 0, 0, 0, 0, false
	}
	last := len(t.part) - 1
	passed := func(i int) bool { return t.part[i+1] != part && (t.part[i+1] < part) == t.falling }
	i := min(sort.Search(last, passed), last-1)
	u := t.solve(i, part)
	_, d1, d2, d3 = poly.Eval3(t.segments[i][:], u)
	d1, d2, d3 = inverse(d1, d2, d3)
	return t.horn[i] + u, d1, d2, d3, true
}

// solve finds where in segment i the part is reached. Where rounding hides the
// root it is at the nearer end.
func (t *table) solve(i int, part float64) float64 {
	c, width := t.segments[i], t.horn[i+1]-t.horn[i]
	c[0] -= part
	var store [3]float64
	if roots := poly.Roots(store[:0], c[:], 0, width); len(roots) > 0 {
		return roots[0]
	}
	if math.Abs(part-t.part[i]) < math.Abs(part-t.part[i+1]) {
		return 0
	}
	return width
}

// Range implements Linkage.
func (t *table) Range() (hornLo, hornHi, partLo, partHi float64) {
	last := len(t.horn) - 1
	partLo, partHi = t.part[0], t.part[last]
	if t.falling {
		partLo, partHi = partHi, partLo
	}
	return t.horn[0], t.horn[last], partLo, partHi
}
