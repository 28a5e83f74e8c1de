// Package mend changes a motion as little as will do: Shape gives the nearest
// motion that the rig can follow, Retime the same choreography at a pace that it
// can follow.
package mend

import (
	"errors"
	"fmt"
	"math"

	"limberjack/interp"
	"limberjack/interp/nearest"
	"limberjack/sequence"
)

// AxisShape says what Shape did to one axis. Deviations are at the horn, in the
// axis's unit.
type AxisShape struct {
	Axis       *sequence.Axis
	Largest    float64 // greatest deviation from the script
	At         float64 // s, when it is reached
	RMS        float64
	Floor      float64 // least greatest deviation that any motion under the speed limit alone can have
	Late       float64 // s by which the axis is late at the greatest deviation; negative: early
	Iterations int
}

// Changed reports whether the axis deviates from the script at all.
func (s AxisShape) Changed() bool { return s.Largest > 0 }

// Shape gives the performance nearest to the script in the sense of least
// squares, on the frames of each axis's board, under the limits of speed,
// acceleration and jerk and within the travel. Keys with hold: true are met at
// the frame nearest to their time. The result is a sampled performance.
//
// The error is of type sequence.Problems where held keys cannot all be met.
func Shape(p *interp.Performance) (*interp.Performance, []AxisShape, error) {
	return shapeAll(p, nil, 0)
}

// ShapeAxis is Shape of one axis alone, under limits from which a share is taken away,
// from 0 up to less than 1: for a result that is to be drawn with fewer points.
func ShapeAxis(p *interp.Performance, axis *sequence.Axis, share float64) (*interp.Performance, error) {
	shaped, _, err := shapeAll(p, axis, share)
	return shaped, err
}

// shapeAll shapes one axis, or all where only is nil.
func shapeAll(p *interp.Performance, only *sequence.Axis, share float64) (*interp.Performance, []AxisShape, error) {
	horns := map[*sequence.Axis][]float64{}
	var shapes []AxisShape
	var problems sequence.Problems
	for _, a := range p.Axes {
		limits := a.Spec.HornLimits()
		if only != nil && a.Spec != only || !shapeable(a.Spec) || (!limits.Speed.Known() && !limits.Acceleration.Known() && !limits.Jerk.Known()) {
			continue
		}
		for _, l := range []*sequence.Figure{&limits.Speed, &limits.Acceleration, &limits.Jerk} {
			l.V *= 1 - share
		}
		x, s, err := shapeAxis(p, a, limits)
		var stuck *nearest.Infeasible
		switch {
		case errors.As(err, &stuck):
			problems = append(problems, infeasible(p, a, stuck))
			continue
		case err != nil:
			return nil, nil, fmt.Errorf("%s cannot be shaped: %w", a.Spec.Name, err)
		}
		horns[a.Spec] = x
		shapes = append(shapes, s)
	}
	if len(problems) > 0 {
		return nil, nil, problems
	}
	return p.Sampled(horns, rateOf), shapes, nil
}

// shapeable reports whether limits have a meaning for an axis: a switch has none.
func shapeable(a *sequence.Axis) bool { return a.Kind != sequence.Switch }

const defaultRate = 50 // Hz, where an axis's board is not known (common practice)

func rateOf(a *sequence.Axis) float64 {
	if a.Board == nil || a.Board.Rate.V <= 0 {
		return defaultRate
	}
	return a.Board.Rate.V
}

func shapeAxis(p *interp.Performance, a *interp.Axis, l sequence.AxisLimits) ([]float64, AxisShape, error) {
	rate := rateOf(a.Spec)
	ref := frames(p, a.Horn, rate)
	low, high := hornTravel(a.Spec)
	problem := nearest.Problem{Ref: ref, Rate: rate, Speed: l.Speed.V, Acceleration: l.Acceleration.V, Jerk: l.Jerk.V,
		Low: low, High: high, Hits: hits(p, a, rate, len(ref))}
	s, err := nearest.Solve(problem)
	if err != nil {
		return nil, AxisShape{}, err
	}
	out := AxisShape{Axis: a.Spec, Largest: s.Largest, At: float64(s.LargestAt) / rate, RMS: rms(s.X, ref), Iterations: s.Iterations}
	if out.Changed() {
		out.Floor, _ = nearest.Floor(ref, rate, l.Speed.V)
		out.Late = late(s.X, ref, s.LargestAt) / rate
	}
	return s.X, out, nil
}

// frames gives a curve at the frames of a board.
func frames(p *interp.Performance, c *interp.Curve, rate float64) []float64 {
	n := p.Frames(rate)
	ts, out := make([]float64, n), make([]float64, n)
	for k := range ts {
		ts[k] = float64(k) / rate
	}
	cursor := c.Cursor()
	cursor.Fill(out, ts)
	return out
}

// hornTravel gives the end stops at the horn; both 0 where there are none.
func hornTravel(a *sequence.Axis) (low, high float64) {
	if !a.HasTravel() {
		return 0, 0
	}
	low, high = a.Travel[0].V, a.Travel[1].V
	if a.Linkage == nil {
		return low, high
	}
	x, _, _, _, ok1 := a.Linkage.Horn(low)
	y, _, _, _, ok2 := a.Linkage.Horn(high)
	if !ok1 || !ok2 {
		return 0, 0
	}
	return math.Min(x, y), math.Max(x, y)
}

// hits gives the frames of the keys of the axis's own track that must be met.
func hits(p *interp.Performance, a *interp.Axis, rate float64, n int) []int {
	var out []int
	for _, tr := range p.Script.Merged {
		if tr.Target.Axis != a.Spec {
			continue
		}
		for _, k := range tr.Keys {
			if !k.Hold {
				continue
			}
			i := min(n-1, int(math.Round(p.PerformanceTime(k.Time)*rate)))
			if len(out) == 0 || out[len(out)-1] < i {
				out = append(out, i)
			}
		}
	}
	return out
}

func rms(x, ref []float64) float64 {
	sum := 0.0
	for i := range x {
		d := x[i] - ref[i]
		sum += float64(d * d)
	}
	return math.Sqrt(sum / float64(len(x)))
}

// late gives by how many frames x is behind the reference at a frame: how long
// until (or since when) it is where the reference is then. It looks two seconds
// around at most, and gives the nearer of both directions.
func late(x, ref []float64, at int) float64 {
	const reach = 200
	target := ref[at]
	for d := 0; d < reach; d++ {
		if i := at + d; i+1 < len(x) && between(target, x[i], x[i+1]) {
			return float64(d) + share(target, x[i], x[i+1])
		}
		if i := at - d; i >= 1 && between(target, x[i-1], x[i]) {
			return -(float64(d) + share(target, x[i], x[i-1]))
		}
	}
	return 0
}

func between(v, a, b float64) bool { return a != b && (v-a)*(v-b) <= 0 }

func share(v, from, to float64) float64 { return (v - from) / (to - from) }

// infeasible says which held keys cannot all be met, at the first of them.
func infeasible(p *interp.Performance, a *interp.Axis, e *nearest.Infeasible) sequence.Problem {
	rate := rateOf(a.Spec)
	first, last := holdAt(p, a, e.From, rate), holdAt(p, a, e.To, rate)
	if e.Outside != 0 {
		return sequence.Problem{At: first, Text: fmt.Sprintf("the held key of %s at %s lies %s beyond its travel, with what is added to it",
			a.Spec.Name, sequence.FormatSeconds(float64(e.From)/rate), sequence.FormatValue(e.Outside, a.Spec.Unit)), Hint: "take hold away, or move the key"}
	}
	return sequence.Problem{At: first, Text: fmt.Sprintf("%s cannot meet its held keys from %s to %s (line %d): they leave it %s, and its limits ask for %s",
		a.Spec.Name, sequence.FormatSeconds(float64(e.From)/rate), sequence.FormatSeconds(float64(e.To)/rate), last.Line,
		sequence.FormatSeconds(e.Have), sequence.FormatSeconds(e.Need)), Hint: fmt.Sprintf("give them %s more, or take hold from one of them", sequence.FormatSeconds(math.Ceil((e.Need-e.Have)*1000)/1000))}
}

func holdAt(p *interp.Performance, a *interp.Axis, frame int, rate float64) sequence.Pos {
	for _, tr := range p.Script.Merged {
		if tr.Target.Axis != a.Spec {
			continue
		}
		for _, k := range tr.Keys {
			if k.Hold && int(math.Round(p.PerformanceTime(k.Time)*rate)) >= frame {
				return k.At
			}
		}
	}
	return a.Spec.At
}
