package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
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
}

func openRewriting(file string) (*rewriting, error) {
	script, err := sequence.LoadMotion(openFile, file)
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", file, reason(err))
	}
	bare, err := sequence.SetPace(text, "")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	w := &rewriting{script: script, original: text, bare: bare, tried: bare}
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

// setPace gives the text a pace, and the name of the file beside target that its
// knots go to where they are many.
func (w *rewriting) setPace(target string, knots []sequence.Knot) (csvName string, err error) {
	value := ""
	if len(knots) > 0 {
		value = sequence.PaceText(knots)
		if len(knots) > fewKnots {
			csvName = strings.TrimSuffix(strings.TrimSuffix(target, ".yaml"), ".motion") + ".pace.csv"
			value = filepath.Base(csvName)
		}
	}
	if bytes.Equal(w.text, w.bare) {
		w.text = w.original // so that a pace is replaced where it stands
	}
	if w.text, err = sequence.SetPace(w.text, value); err != nil {
		return "", fmt.Errorf("%s: %w", w.script.File, err)
	}
	return csvName, nil
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
