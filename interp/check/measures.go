package check

import "limberjack/interp"

// Measures are what was measured of the curves of a performance. They are not changed,
// and may serve several checks at the same time.
type Measures struct {
	axes   [][2]*curveMeasure // of the horn, and of the part where that is another curve
	curves map[*interp.Curve]*curveMeasure
}

// curveMeasure is what was measured of the pieces of a curve.
type curveMeasure struct {
	curve *interp.Curve
	all   []pieceRange // as the curve has them, also where a derivative is infinite
	ways  []interp.Way
}

// measure measures the curves of all axes, but for what last has.
func measure(p *interp.Performance, last *Measures) *Measures {
	m := &Measures{make([][2]*curveMeasure, len(p.Axes)), map[*interp.Curve]*curveMeasure{}}
	for i, a := range p.Axes {
		var before [2]*curveMeasure
		if last != nil && i < len(last.axes) {
			before = last.axes[i]
		}
		m.axes[i][0] = m.add(a.Horn, before[0])
		if a.Part != a.Horn {
			m.axes[i][1] = m.add(a.Part, before[1])
		}
	}
	return m
}

func (m *Measures) add(c *interp.Curve, before *curveMeasure) *curveMeasure {
	n := c.Spans()
	out := &curveMeasure{c, make([]pieceRange, n), make([]interp.Way, n)}
	var kept []int
	if before != nil {
		kept = c.Kept(before.curve)
	}
	for i := range n {
		if before != nil && kept[i] >= 0 {
			out.all[i], out.ways[i] = before.all[kept[i]], before.ways[kept[i]]
			continue
		}
		out.all[i], out.ways[i] = c.Ranges(i), c.Way(i, nil)
	}
	m.curves[c] = out
	return out
}

// of gives what was measured of a curve.
func (m *Measures) of(c *interp.Curve) *curveMeasure { return m.curves[c] }

// ranges gives the extremes of all pieces as a board with such frames shows them.
func (m *curveMeasure) ranges(frame float64) []pieceRange {
	ranges := make([]pieceRange, len(m.all))
	for i, r := range m.all {
		r.tame(m.curve, i, frame)
		ranges[i] = r
	}
	return ranges
}
