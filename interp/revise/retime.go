// Package revise makes new texts of motions: one that the rig can follow, by a pace or
// by other times for its keys, and one with a recorded take in it. It joins what finds
// the mend (interp/mend, interp/fit) with the models that judge it and with the user's
// own text, of which only the lines concerned differ. It opens no file and writes none.
package revise

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"limberjack/interp/mend"
	"limberjack/sequence"
)

// RetimeOptions say how a motion is to be retimed.
type RetimeOptions struct {
	Fastest bool    // the shortest performance that keeps every limit
	Keys    bool    // move the keys themselves instead of writing a pace
	Stagger bool    // first put moves off within their slack where that spares a supply
	CatchUp float64 // greatest rate between a stretch and the lock after it, 1 to 4; 0: mend.DefaultCatchUp
	Within  float64 // percent to stay below the limits, 0.01 to 10, for a pace of few knots; 0: the default
	// PaceFile gives the name of the file beside the motion to which the knots of a
	// pace go where they are many.
	PaceFile func(knots []sequence.Knot) string
	// Stop is asked now and then; where it is true, the work ends with mend.ErrStopped.
	// Nil: it goes on to its end.
	Stop func() bool
}

// OptionError says which option cannot be, and what would do.
type OptionError struct{ Option, Msg string }

func (e *OptionError) Error() string { return e.Option + " " + e.Msg }

// Check says which option cannot be: a *OptionError with its field's name.
func (o RetimeOptions) Check() error {
	switch {
	case o.CatchUp != 0 && !(o.CatchUp >= 1 && o.CatchUp <= 4):
		return &OptionError{"CatchUp", fmt.Sprintf("is %g; it may be from 1 to 4", o.CatchUp)}
	case o.Within != 0 && !(o.Within >= 0.01 && o.Within <= 10):
		return &OptionError{"Within", fmt.Sprintf("is %g; it may be from 0.01 to 10 percent", o.Within)}
	case o.Within != 0 && o.Keys:
		return &OptionError{"Within", "is for a pace; with moved keys leave it out"}
	}
	return nil
}

// Retimed is what was done to a motion; what was not asked for is nil.
type Retimed struct {
	Text      []byte          // of the motion
	Knots     []sequence.Knot // of its pace; none where it has none
	Apart     bool            // the knots are in the pace file
	Withheld  bool            // nothing is to be written: moved keys cannot keep what is locked
	Worse     bool            // moved keys break a rule that the script did not break
	Staggered *mend.Staggering
	Keyed     *mend.Rekeying
	Paced     *mend.Retiming // also for comparison with what was done to the keys; nil: no pace helps
}

// Retime makes the text of a motion at a pace that its rig can follow. The motion and
// its text are one. The error is a *mend.Stuck where no pace mends what is wrong, or a
// *OptionError.
func Retime(script *sequence.Script, text []byte, o RetimeOptions) (*Retimed, error) {
	if err := o.Check(); err != nil {
		return nil, err
	}
	w, err := newRewriting(script, text, o.Stop)
	if err != nil {
		return nil, err
	}
	out := &Retimed{}
	if o.Stagger {
		if out.Staggered, err = mend.Stagger(w.script, w, mend.StaggerOptions{Loads: loadsOf, Currents: currentsOf, Accept: asGoodAs(w.script)}); err != nil {
			return nil, err
		}
		if len(out.Staggered.Delays) > 0 {
			if err := w.advance(); err != nil {
				return nil, err
			}
		}
	}
	options := mend.Options{Fastest: o.Fastest, CatchUp: o.CatchUp, Tolerance: o.Within / 100, Loads: loadsOf, Stop: o.Stop}
	var stuck *mend.Stuck
	if out.Paced, err = mend.Retime(w.script, options); errors.As(err, &stuck) && o.Keys {
		out.Paced = nil
	} else if err != nil {
		return nil, err
	}
	if o.Keys {
		err = out.rekey(w, options)
	} else {
		out.Knots = out.Paced.Knots
		out.Apart, err = w.setPace(o.PaceFile, out.Knots)
	}
	out.Text = w.text
	return out, err
}

// rekey moves the keys of a motion.
func (r *Retimed) rekey(w *rewriting, o mend.Options) (err error) {
	good := asGoodAs(w.script)
	if r.Keyed, err = mend.Rekey(w.script, w, o); err != nil {
		return err
	}
	if r.Withheld = len(r.Keyed.Missing) > 0; r.Withheld {
		return nil
	}
	if r.Worse = !good(r.Keyed.Performance); r.Keyed.Changed {
		return w.advance()
	}
	return nil
}

// Remains tells what is still wrong afterwards: time that is missing before locks, and
// limits that are not kept.
func (r *Retimed) Remains() sequence.Problems {
	var missing []mend.Missing
	var left []mend.Excess
	if r.Keyed != nil {
		missing, left = r.Keyed.Missing, r.Keyed.Left
	} else if r.Paced != nil {
		missing, left = r.Paced.Missing, r.Paced.Left
	}
	var out sequence.Problems
	for _, m := range missing {
		out = append(out, sequence.Problem{At: m.To, Text: fmt.Sprintf("between %s and this lock at %s, %.2f s are missing, even at the catch-up; most of the time goes to %s",
			sequence.FormatSeconds(m.FromS), sequence.FormatSeconds(m.ToS), math.Max(0.01, m.Seconds), m.Why)})
	}
	for _, e := range worstLeft(left) {
		out = append(out, leftProblem(e))
	}
	return out
}

// worstLeft gives the greatest excess of each axis and kind, and of each supply.
func worstLeft(list []mend.Excess) []mend.Excess {
	var out []mend.Excess
next:
	for _, e := range list {
		for i := range out {
			if out[i].Kind == e.Kind && out[i].Steep == e.Steep && out[i].Axis == e.Axis && out[i].Supply == e.Supply {
				if e.Ratio > out[i].Ratio {
					out[i] = e
				}
				continue next
			}
		}
		out = append(out, e)
	}
	return out
}

// leftProblem tells of a limit that is not kept.
func leftProblem(e mend.Excess) sequence.Problem {
	if s := e.Supply; s != nil {
		return sequence.Problem{At: s.Limit.At, Text: fmt.Sprintf("%s still delivers %.2f A at %s, where %s is the most, and no slower pace found brings it down",
			s.Name, e.Ratio*s.Limit.V, sequence.FormatSeconds(e.From), strings.TrimSpace(s.Limit.Text)),
			Hint: fmt.Sprintf("start the moves there one after another, or use a supply of %.1f A", math.Ceil(e.Ratio*s.Limit.V*12.5)/10)}
	}
	if e.Steep {
		return sequence.Problem{At: e.Axis.At, Text: fmt.Sprintf("%s jumps at %s, or starts or stops there with infinite speed, which no pace mends", e.Axis.Name, sequence.FormatSeconds(e.From)),
			Hint: "use a gentler ease there"}
	}
	return sequence.Problem{At: e.Axis.At, Text: fmt.Sprintf("%s is still at %.3g times its limit of %s, and no slower pace found brings it down", e.Axis.Name, e.Ratio, e.Kind),
		Hint: "use a gentler ease for its moves"}
}

// Parting is the greatest time in s by which script and performance part at a knot of
// a pace.
func Parting(knots []sequence.Knot) float64 {
	worst := 0.0
	for _, k := range knots {
		worst = math.Max(worst, math.Abs(k.Time-k.Script))
	}
	return worst
}
