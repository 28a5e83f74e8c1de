package web

import (
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/plot"
)

// Control is a control of the rig, whether the motion uses it or not.
type Control struct {
	Name   string  `json:"name"`
	Unit   string  `json:"unit"`
	Row    int     `json:"row"` // index; -1 where the motion does not use it
	Low    figure  `json:"low"` // by which it can move its axes from their rest
	High   figure  `json:"high"`
	Shares []Moved `json:"shares"`
}

// Moved is an axis that a control moves, over all controls in between.
type Moved struct {
	Row   int    `json:"row"`
	Share figure `json:"share"` // units of the axis a unit of the control
}

// giveControls comes after the rows.
func (s *scoring) giveControls() {
	s.out.Controls = []Control{}
	for _, c := range s.perf.Controls {
		one := Control{Name: c.Spec.Name, Unit: unitName(c.Spec.Unit), Row: -1, Shares: []Moved{}}
		if row, ok := s.rows[c.Spec.Name]; ok {
			one.Row = row
		}
		shares := sharesOf(c.Spec)
		lo, hi := math.Inf(-1), math.Inf(1)
		for i, a := range s.perf.Axes {
			if k := shares[a.Spec]; k != 0 {
				one.Shares = append(one.Shares, Moved{i, figure(k)})
				from, to := roomOf(a, k)
				lo, hi = math.Max(lo, from), math.Min(hi, to)
			}
		}
		one.Low, one.High = figure(lo), figure(hi)
		s.out.Controls = append(s.out.Controls, one)
	}
}

// sharesOf gives the axes that a control moves, each with the sum of all ways.
func sharesOf(c *sequence.Control) map[*sequence.Axis]float64 {
	out := map[*sequence.Axis]float64{}
	var walk func(c *sequence.Control, share float64)
	walk = func(c *sequence.Control, share float64) {
		for _, s := range c.Shares {
			if s.Control != nil {
				walk(s.Control, float64(share*s.Share))
			} else {
				out[s.Axis] += float64(share * s.Share)
			}
		}
	}
	walk(c, 1)
	return out
}

// roomOf gives how far a control with a share may move an axis that rests, so that the
// axis stays within what it can do.
func roomOf(a *interp.Axis, share float64) (lo, hi float64) {
	lines, _ := plot.AxisLines(a.Spec, a.Spec.Rest.V, a.Spec.Rest.V)
	ends := []float64{(lines[0] - a.Spec.Rest.V) / share, (lines[1] - a.Spec.Rest.V) / share}
	slices.Sort(ends)
	return ends[0], ends[1]
}
