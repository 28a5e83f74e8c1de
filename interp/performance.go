// Package interp turns a motion script into one exact curve an axis.
//
// A Performance holds, for each axis of the rig, one piecewise curve over the
// whole motion, with tracks, phrases, controls, layers, linkage and pace folded
// in. Curves are in the documents' units (degrees, millimetres, percent) over
// performance time in seconds, with value and first, second and third
// derivative in closed form. Nothing here reads a file or a clock.
package interp

import (
	"math"

	"limberjack/interp/ease"
	"limberjack/sequence"
)

// State is a curve at one moment: position in the axis's unit, and its first,
// second and third derivative by time (unit/s, unit/s2, unit/s3).
type State struct{ Position, Speed, Acceleration, Jerk float64 }

// Performance is a compiled motion.
type Performance struct {
	Script   *sequence.Script
	Rig      *sequence.Rig
	Length   float64    // s of performance time
	Axes     []*Axis    // in the rig's order
	Controls []*Control // in the rig's order

	pace []paceSpan
}

// Axis is the curve of one axis. Part is what the documents speak of; Horn is
// what the actuator does: the same curve unless a linkage stands between them.
type Axis struct {
	Spec *sequence.Axis
	Part *Curve
	Horn *Curve

	perf  *Performance
	parts []summand
}

// Control is the curve of a control: its own track and layers, and its share of
// other controls.
type Control struct {
	Spec  *sequence.Control
	Curve *Curve
}

// Compile folds a script into curves. The script must have been loaded without
// problems. Its cost is linear in the number of keys and of layer pieces.
func Compile(s *sequence.Script) (*Performance, error) {
	p := &Performance{Script: s, Rig: s.Rig, Length: s.PaceTime(), pace: spansOf(s.Pace)}
	c := &compiler{script: s, cuts: map[ease.Func][]float64{}}
	own, err := c.ownStrands()
	if err != nil {
		return nil, err
	}
	mixes := mixesOf(s.Rig)
	for _, ctl := range s.Rig.Controls {
		parts := own[sequence.Target{Control: ctl}]
		for _, m := range mixes[sequence.Target{Control: ctl}] {
			parts = appendScaled(parts, own[sequence.Target{Control: m.from}], m.share)
		}
		if len(parts) == 0 {
			parts = []summand{{1, resting(0, ctl.At)}}
		}
		p.Controls = append(p.Controls, &Control{Spec: ctl, Curve: &Curve{paced(sum(parts), p.pace)}})
	}
	for _, a := range s.Rig.Axes {
		p.Axes = append(p.Axes, c.axis(p, a, own, mixes[sequence.Target{Axis: a}]))
	}
	return p, nil
}

// ownStrands makes the strands that stand under each target's own name: its
// track, its layers, its cues.
func (c *compiler) ownStrands() (map[sequence.Target][]summand, error) {
	own := map[sequence.Target][]summand{}
	for _, tr := range c.script.Merged {
		if len(tr.Keys) == 0 {
			continue
		}
		s, err := c.trackStrand(tr)
		if err != nil {
			return nil, err
		}
		own[tr.Target] = append(own[tr.Target], summand{1, s})
	}
	cued := map[*sequence.Axis]bool{}
	for _, cue := range c.script.Cues {
		for _, set := range cue.Set {
			cued[set.Axis] = true
		}
	}
	for a := range cued {
		t := sequence.Target{Axis: a}
		own[t] = append(own[t], summand{1, cueStrand(a, sortedCues(c.script.Cues))})
	}
	for _, l := range c.script.Layers {
		if l.To > l.From {
			own[l.Target] = append(own[l.Target], summand{1, layerStrand(l)})
		}
	}
	return own, nil
}

// Own gives what the track of an axis or control says at a performance time, or its
// cues do: without layers, and without what controls add. It is the value of a key that
// would change nothing there. Where nothing is said it is rest.
func (p *Performance) Own(t sequence.Target, at float64) (float64, error) {
	c := &compiler{script: p.Script, cuts: map[ease.Func][]float64{}}
	script := p.ScriptTime(at)
	for _, tr := range p.Script.Merged {
		if tr.Target != t || len(tr.Keys) == 0 {
			continue
		}
		s, err := c.trackStrand(tr)
		if err != nil {
			return 0, err
		}
		own := Curve{s.pieces}
		return own.Value(script), nil
	}
	for _, cue := range p.Script.Cues {
		for _, set := range cue.Set {
			if set.Axis == t.Axis {
				own := Curve{cueStrand(t.Axis, sortedCues(p.Script.Cues)).pieces}
				return own.Value(script), nil
			}
		}
	}
	return t.Rest(), nil
}

// mix is the share of a control in a target, over all ways that lead there.
type mix struct {
	from  *sequence.Control
	share float64
}

// mixesOf gives the controls that reach each target, in the rig's order. Mixes
// have no cycles.
func mixesOf(r *sequence.Rig) map[sequence.Target][]mix {
	out := map[sequence.Target][]mix{}
	for _, c := range r.Controls {
		total := map[sequence.Target]float64{}
		var order []sequence.Target
		var walk func(k *sequence.Control, share float64)
		walk = func(k *sequence.Control, share float64) {
			for _, s := range k.Shares {
				t := sequence.Target{Axis: s.Axis, Control: s.Control}
				if _, met := total[t]; !met {
					order = append(order, t)
				}
				total[t] += float64(share * s.Share)
				if s.Control != nil {
					walk(s.Control, share*s.Share)
				}
			}
		}
		walk(c, 1)
		for _, t := range order {
			if total[t] != 0 {
				out[t] = append(out[t], mix{c, total[t]})
			}
		}
	}
	return out
}

func appendScaled(dst, add []summand, share float64) []summand {
	for _, s := range add {
		dst = append(dst, summand{share * s.share, s.strand})
	}
	return dst
}

func resting(value float64, at sequence.Pos) *strand {
	s := &strand{}
	s.constant(0, forever, value, Source{At: at, Key: -1})
	return s
}

// axis makes the curve of one axis: its own track (or rest), and the share of
// every control that reaches it.
func (c *compiler) axis(p *Performance, a *sequence.Axis, own map[sequence.Target][]summand, mixes []mix) *Axis {
	out := &Axis{Spec: a, perf: p, parts: own[sequence.Target{Axis: a}]}
	if !hasBase(out.parts) {
		out.parts = append([]summand{{1, resting(a.Rest.V, a.At)}}, out.parts...)
	}
	for _, m := range mixes {
		out.parts = appendScaled(out.parts, own[sequence.Target{Control: m.from}], m.share)
	}
	part := paced(sum(out.parts), p.pace)
	out.Part = &Curve{part}
	out.Horn = out.Part
	if a.Linkage != nil {
		out.Horn = &Curve{linked(part, a)}
	}
	return out
}

// hasBase reports whether one of the strands stands for the axis's own value;
// layers only add to it.
func hasBase(parts []summand) bool {
	for _, s := range parts {
		if s.strand.sources[0].Layer == nil {
			return true
		}
	}
	return false
}

// linked gives the pieces of the horn for those of the part.
func linked(part []piece, a *sequence.Axis) []piece {
	out := make([]piece, len(part))
	for i, p := range part {
		c := Curve{part}
		t := linkTerm{link: a.Linkage, horn: true, inner: p, k: 1}
		out[i] = piece{t0: p.t0, t1: p.t1}
		if c.Still(i) {
			out[i].c = []float64{t.value(0)}
			continue
		}
		out[i].terms = []term{t}
	}
	return out
}

// Blame gives the source of what an axis does at a performance time: the
// contribution with the largest share of the derivative of an order, 1 to 3.
func (a *Axis) Blame(t float64, order int) Source {
	script := a.perf.ScriptTime(t)
	best, size := a.parts[0].strand.source(script), -1.0
	for _, s := range a.parts {
		c := Curve{s.strand.pieces}
		for _, at := range []float64{script, math.Max(0, script-1e-9)} {
			if v := math.Abs(s.share * c.At(at).Order(order)); v > size {
				best, size = s.strand.source(at), v
			}
		}
	}
	return best
}

// BlamePosition gives the source of where an axis is at a performance time: its
// own track, unless what that says lies between low and high; then whatever adds
// most to it.
func (a *Axis) BlamePosition(t, low, high float64) Source {
	script := a.perf.ScriptTime(t)
	base := a.parts[0]
	own := Curve{base.strand.pieces}
	best := base.strand.source(script)
	if v := base.share * own.Value(script); len(a.parts) == 1 || v < low || v > high {
		return best
	}
	size := 0.0
	for _, s := range a.parts[1:] {
		c := Curve{s.strand.pieces}
		if v := math.Abs(s.share * c.Value(script)); v > size {
			best, size = s.strand.source(script), v
		}
	}
	return best
}

// Alone reports whether the axis does what one track says and nothing else.
func (a *Axis) Alone() bool {
	return len(a.parts) == 1 && a.parts[0].share == 1 && len(a.perf.pace) == 0 && a.Spec.Linkage == nil
}

// HornTorque gives the static torque in N.m that the horn must hold for a value
// of the part, by virtual work through the linkage.
func (a *Axis) HornTorque(part float64) float64 {
	torque := a.Spec.LoadTorque(part)
	if a.Spec.Linkage == nil {
		return torque
	}
	if _, d1, _, _, ok := a.Spec.Linkage.Horn(part); ok && d1 != 0 {
		return torque / d1
	}
	return torque
}

// HornInertia gives the moment of inertia in kg.m2 of the load, at the horn. With
// a linkage it is taken at rest.
func (a *Axis) HornInertia() float64 {
	inertia := a.Spec.LoadInertia()
	if a.Spec.Linkage == nil {
		return inertia
	}
	if _, d1, _, _, ok := a.Spec.Linkage.Horn(a.Spec.Rest.V); ok && d1 != 0 {
		return inertia / (d1 * d1)
	}
	return inertia
}
