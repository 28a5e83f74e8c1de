package revise

import (
	"errors"
	"fmt"
	"math"

	"limberjack/interp"
	"limberjack/interp/ease"
	"limberjack/interp/fit"
	"limberjack/interp/mend"
	"limberjack/sequence"
)

// Take is a recorded performance of one axis or control.
type Take struct {
	Target    sequence.Target
	Times     []float64 // s of script time, never falling
	Values    []float64 // in the target's unit; with Add, what is added to what its track says
	Tolerance float64   // how far the curve may be from the smoothed take at any sample, in the unit
	Add       bool      // over what the track says, in its place otherwise

	// Stop is asked now and then; where it is true, the work ends with mend.ErrStopped.
	// Nil: it goes on to its end.
	Stop func() bool
}

// MostKeys is how many keys a take may become. A hand's motion takes one to three a
// second; a take that needs more than this is noise, and no animator would find his way
// in it.
const MostKeys = 20_000

// Recorded is a take as keys in the text of a motion.
type Recorded struct {
	Script *sequence.Manuscript // with the keys
	Fit    *fit.Result
	Grid   fit.Grid // of the keys' times
	// Greatest and RMS are how far the curve, read back from the text, is from the
	// samples as they were recorded.
	Greatest, RMS float64
}

// Grids of keys where a motion does not count in frames, or its frames are too coarse.
var (
	hundredths = fit.Grid{Num: 100, Den: 1}
	thousandth = fit.Grid{Num: 1000, Den: 1}
)

// Record puts a take into the text of a motion: the track's own keys between its ends
// give way. Keys stand on film frames where the motion counts in them, else on 10 ms;
// where that cannot keep the tolerance, on 1 ms, unless the track is written in frames.
// The error is mend.ErrStopped or of sequence.Problems.
func Record(m *sequence.Manuscript, t Take) (*Recorded, error) {
	if err := t.within(m.Script); err != nil {
		return nil, err
	}
	values := t.Values
	if t.Add {
		before, err := trackValues(m.Script, t.Target, t.Times)
		if err != nil {
			return nil, err
		}
		values = make([]float64, len(before))
		for i, v := range before {
			values[i] = clamp(v+t.Values[i], t.Target)
		}
	}
	out, err := t.fit(m, values)
	if err != nil {
		return nil, err
	}
	if n := len(out.Fit.Keys); n > MostKeys {
		return nil, sequence.Problems{{At: m.Script.At, Text: fmt.Sprintf("the take needs %d keys to be kept to %s; %d are the most", n, sequence.FormatValue(t.Tolerance, t.Target.Unit()), MostKeys),
			Hint: "allow more tolerance, or record in parts"}}
	}
	changes, err := t.changes(m.Script, out.Fit)
	if err != nil {
		return nil, err
	}
	if t.Stop != nil && t.Stop() {
		return nil, mend.ErrStopped
	}
	if out.Script, err = m.Change(changes); err != nil {
		return nil, err
	}
	return out, out.readBack(t, values)
}

// within refuses values that the target cannot have.
func (t Take) within(s *sequence.Script) error {
	low, high, ok := bounds(t.Target)
	if !ok || t.Add {
		return nil
	}
	for i, v := range t.Values {
		if v >= low && v <= high {
			continue
		}
		return sequence.Problems{{At: t.Target.Axis.At, Text: fmt.Sprintf("sample %d of the take asks %s for %s; it goes from %s to %s", i+1, t.Target.Name(),
			sequence.FormatValue(v, t.Target.Unit()), sequence.FormatValue(low, t.Target.Unit()), sequence.FormatValue(high, t.Target.Unit())), Hint: "keep the hand within the travel"}}
	}
	return nil
}

func bounds(t sequence.Target) (low, high float64, ok bool) {
	if t.Axis == nil {
		return 0, 0, false
	}
	return t.Axis.Bounds()
}

func clamp(v float64, t sequence.Target) float64 {
	if low, high, ok := bounds(t); ok {
		return math.Max(low, math.Min(high, v))
	}
	return v
}

// Ease is the ease of the keys as documents write it; empty: they hold.
func (r *Recorded) Ease() string {
	if r.Fit.Ease == ease.None {
		return ""
	}
	return r.Fit.EaseName()
}

// isSwitch reports whether a target is on or off.
func (t Take) isSwitch() bool { return t.Target.Axis != nil && t.Target.Axis.Kind == sequence.Switch }

// fit finds the keys.
func (t Take) fit(m *sequence.Manuscript, values []float64) (*Recorded, error) {
	s := m.Script
	grids := []fit.Grid{hundredths, thousandth}
	if s.FPS.Given() {
		grids[0] = fit.Grid{Num: s.FPS.Num, Den: s.FPS.Den}
		inFrames, err := t.inFrames(m)
		if err != nil {
			return nil, err
		}
		if inFrames {
			grids = grids[:1]
		}
	}
	o := fit.Options{Tolerance: t.Tolerance, Round: roundOf(t.Tolerance), Steps: t.isSwitch(), Stop: t.Stop}
	var coarse *fit.CoarseError
	for _, o.Grid = range grids {
		r, err := fit.Fit(t.Times, values, o)
		if errors.As(err, &coarse) {
			continue
		}
		if errors.Is(err, fit.ErrStopped) {
			return nil, mend.ErrStopped
		}
		if err != nil {
			return nil, sequence.Problems{{At: s.At, Text: "the take cannot be used: " + err.Error()}}
		}
		for i := range r.Keys {
			r.Keys[i].Value = clamp(r.Keys[i].Value, t.Target)
		}
		return &Recorded{Fit: r, Grid: o.Grid}, nil
	}
	return nil, sequence.Problems{{At: s.At, Text: fmt.Sprintf("no keys at %s keep the take to %s; they keep it to %s", gridName(o.Grid), sequence.FormatValue(t.Tolerance, t.Target.Unit()),
		sequence.FormatValue(coarse.Reached, t.Target.Unit())), Hint: "allow more tolerance"}}
}

// inFrames reports whether keys of the track are written in frames, as new ones will be.
func (t Take) inFrames(m *sequence.Manuscript) (bool, error) {
	d, err := sequence.NewDraft(m.Text, m.Script)
	if err != nil {
		return false, err
	}
	for _, tr := range m.Script.Tracks {
		if tr.Target != t.Target {
			continue
		}
		for _, k := range tr.Keys {
			if d.Step(k.Time) > thousandth.Seconds(1) {
				return true, nil
			}
		}
	}
	return false, nil
}

func gridName(g fit.Grid) string {
	if g == thousandth {
		return "whole milliseconds"
	}
	return "whole frames"
}

// roundOf gives the power of ten that values are rounded to: a fifth of the tolerance
// at most.
func roundOf(tolerance float64) float64 {
	return math.Pow(10, math.Floor(math.Log10(tolerance/5)))
}

// changes puts the keys in the place of those of the track.
func (t Take) changes(s *sequence.Script, r *fit.Result) ([]sequence.Change, error) {
	first, last := r.Keys[0].Time, r.Keys[len(r.Keys)-1].Time
	gone, next, err := t.givesWay(s, first, last)
	if err != nil {
		return nil, err
	}
	var out []sequence.Change
	name := t.Target.Name()
	if len(gone) > 0 {
		out = append(out, &sequence.DeleteKeys{Keys: gone})
	}
	for i, k := range r.Keys {
		add := &sequence.AddKey{Track: name, Time: k.Time, Value: k.Value}
		if i > 0 && r.Ease != ease.None {
			add.Ease = r.EaseName()
		}
		out = append(out, add)
	}
	// A spline that goes on after the take would be one with it, and bend both.
	if next != nil && r.Ease != ease.None && next.Ease != nil && !next.Soonest && next.Ease.Spline() == r.Ease {
		apart := "in-out"
		out = append(out, &sequence.SetKey{KeyAt: sequence.KeyAt{Track: name, Index: next.Index}, Ease: &apart})
	}
	return out, nil
}

// grain is the time in s that two notations of one moment may be apart.
const grain = 1e-6

// givesWay finds the keys of the track between two times, and the one that follows
// them. What is locked, or placed there, is refused.
func (t Take) givesWay(s *sequence.Script, first, last float64) (gone []sequence.KeyAt, next *sequence.Key, err error) {
	var problems sequence.Problems
	for _, tr := range s.Merged {
		if tr.Target != t.Target {
			continue
		}
		for i := range tr.Keys {
			k := &tr.Keys[i]
			switch {
			case k.Arrive > last+grain:
				if next == nil && k.Place == nil {
					next = k
				}
			case k.Arrive < first-grain:
			case k.Place != nil:
				if at := k.Place.At; len(problems) == 0 || problems[len(problems)-1].At != at {
					problems = append(problems, sequence.Problem{At: at, Text: fmt.Sprintf("what is placed here moves %s at %s, in the middle of the take", tr.Target.Name(), sequence.FormatSeconds(k.Arrive)),
						Hint: "take the placement away first, or record before or after it"})
				}
			case k.Locked:
				problems = append(problems, sequence.Problem{At: k.At, Text: fmt.Sprintf("the key of %s at %s is locked, and would have to give way to the take", tr.Target.Name(), sequence.FormatSeconds(k.Arrive)),
					Hint: "unlock it first, or record before or after it"})
			default:
				gone = append(gone, sequence.KeyAt{Track: tr.Target.Name(), Index: k.Index})
			}
		}
	}
	if len(problems) > 0 {
		return nil, nil, problems
	}
	return gone, next, nil
}

// readBack holds the curve of the text against the take.
func (r *Recorded) readBack(t Take, values []float64) error {
	now, err := trackValues(r.Script.Script, t.Target, t.Times)
	if err != nil {
		return err
	}
	slack := math.Max(1e-6, t.Tolerance/20) // of times and values in their notations
	squares := 0.0
	for i, v := range now {
		d := math.Abs(v - values[i])
		squares += float64(d * d)
		r.Greatest = math.Max(r.Greatest, d)
		if off := math.Abs(v - r.Fit.At(t.Times[i])); off > slack && !t.isSwitch() {
			return sequence.Problems{{At: r.Script.Script.At, Text: fmt.Sprintf("the keys, written as those of the track %s are, would miss the take by %s more at %s", t.Target.Name(),
				sequence.FormatValue(off, t.Target.Unit()), sequence.FormatSeconds(t.Times[i])), Hint: "write the times of its keys in seconds, or allow more tolerance"}}
		}
	}
	r.RMS = math.Sqrt(squares / float64(len(now)))
	return nil
}

// trackValues gives what a target's own track says at ascending script times.
func trackValues(s *sequence.Script, of sequence.Target, times []float64) ([]float64, error) {
	curve, err := trackCurve(s, of)
	if err != nil {
		return nil, err
	}
	return fill(curve, times), nil
}

// trackCurve gives what a target's own track says over script time: neither layers, nor
// controls, nor a pace. Without a track it rests.
func trackCurve(s *sequence.Script, of sequence.Target) (*interp.Curve, error) {
	alone := *s
	alone.Layers, alone.Cues, alone.Pace, alone.Merged = nil, nil, nil, nil
	for _, tr := range s.Merged {
		if tr.Target == of {
			alone.Merged = append(alone.Merged, tr)
		}
	}
	p, err := interp.Compile(&alone)
	if err != nil {
		return nil, err
	}
	return curveOf(p, of), nil
}

func curveOf(p *interp.Performance, of sequence.Target) *interp.Curve {
	for _, a := range p.Axes {
		if of.Axis == a.Spec && of.Axis != nil {
			return a.Part
		}
	}
	for _, c := range p.Controls {
		if of.Control == c.Spec && of.Control != nil {
			return c.Curve
		}
	}
	panic("interp/revise: a target that its rig does not have")
}
