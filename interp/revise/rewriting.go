package revise

import (
	"bytes"
	"fmt"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/interp/mend"
	"limberjack/sequence"
)

// rewriting is a motion that is changed in its own text, without a pace.
type rewriting struct {
	*sequence.Draft
	script   *sequence.Script
	original []byte
	bare     []byte // the same without a pace
	text     []byte // as it is now
	tried    []byte // as it was moved last, and
	read     *sequence.Script
	stop     func() bool // nil: never
}

func newRewriting(script *sequence.Script, text []byte, stop func() bool) (*rewriting, error) {
	bare, err := sequence.SetPace(text, "")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", script.File, err)
	}
	w := &rewriting{script: script, original: text, bare: bare, tried: bare, stop: stop}
	if w.read, err = sequence.Reread(script, bare); err != nil {
		return nil, err
	}
	return w, w.advance()
}

// advance makes the text that was tried last the one to go on from.
func (w *rewriting) advance() (err error) {
	w.text, w.script = w.tried, w.read
	if w.Draft, err = sequence.NewDraft(w.text, w.script); err != nil {
		return fmt.Errorf("%s: %w", w.script.File, err)
	}
	return nil
}

// Move writes the text with its times moved and reads it back.
func (w *rewriting) Move(m sequence.Moves) (*sequence.Script, error) {
	if w.stop != nil && w.stop() {
		return nil, mend.ErrStopped
	}
	text, err := w.Rewrite(m)
	if err != nil {
		return nil, err
	}
	s, err := sequence.Reread(w.script, text)
	if err != nil {
		return nil, err
	}
	w.tried, w.read = text, s
	return s, nil
}

// fewKnots is how many knots of a pace are still read with ease in the motion
// file itself.
const fewKnots = 24

// setPace gives the text a pace, and says whether its knots, being many, go to the
// file that is named.
func (w *rewriting) setPace(file func([]sequence.Knot) string, knots []sequence.Knot) (apart bool, err error) {
	value := ""
	if len(knots) > 0 {
		value = sequence.PaceText(knots)
		if apart = len(knots) > fewKnots; apart {
			value = file(knots)
		}
	}
	if bytes.Equal(w.text, w.bare) {
		w.text = w.original // so that a pace is replaced where it stands
	}
	if w.text, err = sequence.SetPace(w.text, value); err != nil {
		return false, fmt.Errorf("%s: %w", w.script.File, err)
	}
	return apart, nil
}

// tenth is the time in s over which the check judges what a supply must deliver.
const tenth = 0.1

// loadsOf certifies a plan by the drive model, as the check does: by what each
// supply must deliver over a tenth of a second. Where that is too much somewhere,
// it gives all tenths in which it is.
func loadsOf(p *interp.Performance) []mend.Load {
	var out []mend.Load
	over := false
	for _, s := range drive.Run(p).Supplies {
		out = append(out, mend.Load{Supply: s.Supply, Current: s.Sustained, From: s.SustainedAt, To: s.SustainedAt + tenth})
		over = over || s.Supply.Limit.Given() && s.Sustained > s.Supply.Limit.V
	}
	if !over {
		return out
	}
	// The only error is one of the visit, which has none.
	drive.Simulate(p, tenth, func(t float64, _ []drive.Sample, rails []drive.Rail) error {
		for i, s := range p.Rig.Supplies {
			if t > 0 && s.Limit.Given() && rails[i].Current > s.Limit.V {
				out = append(out, mend.Load{Supply: s, Current: rails[i].Current, From: t - tenth, To: t})
			}
		}
		return nil
	})
	return out
}

// currentsOf gives the mean current of every axis by the drive model.
func currentsOf(p *interp.Performance, every float64) [][]float64 {
	out := make([][]float64, len(p.Axes))
	// The only error is one of the visit, which has none.
	drive.Simulate(p, every, func(_ float64, axes []drive.Sample, _ []drive.Rail) error {
		for i, a := range axes {
			out[i] = append(out[i], a.Current)
		}
		return nil
	})
	return out
}

// asGoodAs judges whether a changed script breaks no rule of the curves that the
// script does not break already: a collision, a quiet window, an end stop.
func asGoodAs(script *sequence.Script) func(*interp.Performance) bool {
	type broken struct{ rule, axis string }
	count := func(p *interp.Performance) map[broken]int {
		out := map[broken]int{}
		for _, f := range check.Run(p, nil, nil).Findings {
			if f.Level == check.Error {
				out[broken{f.Rule, f.Axis}]++
			}
		}
		return out
	}
	var before map[broken]int
	return func(p *interp.Performance) bool {
		if before == nil {
			was, err := interp.Compile(script)
			if err != nil {
				return false
			}
			before = count(was)
		}
		for b, n := range count(p) {
			if n > before[b] {
				return false
			}
		}
		return true
	}
}
