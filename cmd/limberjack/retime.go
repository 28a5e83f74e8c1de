package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/rogpeppe/go-internal/diff"
	"github.com/spf13/cobra"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/interp/mend"
	"limberjack/sequence"
)

type retimeOptions struct {
	file    string
	out     string
	fastest bool
	keys    bool
	stagger bool
	dryRun  bool
	catchUp float64
	within  float64
}

func newRetimeCommand() *cobra.Command {
	o := retimeOptions{catchUp: mend.DefaultCatchUp}
	c := &cobra.Command{
		Use:   "retime MOTION",
		Short: "Write the same choreography at a pace that the rig can follow",
		Long: `retime finds the least stretching of time under which every axis keeps its limits,
quiet windows their speed and supplies their current, with all axes in step. It is
never faster than written (with --fastest it is as fast as the limits allow).

It writes the motion file anew with a pace: added; every other line stays as it
is. A pace of many knots goes into a CSV file beside it. Marks and cues with
locked: true keep their time: what is stretched before a lock is won back at the
catch-up rate. The sound is never stretched.

With --keys it moves the times of keys, marks, cues and placements instead, each
in its own notation: plain to read, and mostly longer, since a whole move is slowed
down where a pace slows its fastest moment. Where a lock cannot be kept it writes
nothing.

With --stagger it first puts moves off, each within the slack that it has
(slack: 0.3s on a key or a placement), so that the peaks of a supply's current do
not coincide. What a move is put off by is taken from its slack.

The result is checked on the exact curves and by the drive model before it is
written. It exits 1 when a lock cannot be kept, or when no pace keeps a limit: a
jump, or a supply that is too weak however slow the moves are.`,
		Example: `  limberjack retime storm.motion.yaml -o calmer.motion.yaml
  limberjack retime storm.motion.yaml --dry-run
  limberjack retime storm.motion.yaml --keys -o plain.motion.yaml
  limberjack retime lift.motion.yaml --stagger -o lift-in-turn.motion.yaml`,
		Args: needs(1, 1, "one motion", "limberjack retime storm.motion.yaml -o calmer.motion.yaml"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runRetime(o, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	c.Flags().StringVarP(&o.out, "output", "o", "", "motion file to write")
	c.Flags().BoolVar(&o.fastest, "fastest", false, "the shortest performance that keeps every limit")
	c.Flags().BoolVar(&o.keys, "keys", false, "move the keys themselves instead of writing a pace")
	c.Flags().BoolVar(&o.stagger, "stagger", false, "first put moves off within their slack where that spares a supply")
	c.Flags().BoolVar(&o.dryRun, "dry-run", false, "show what would change, and write nothing")
	c.Flags().Float64Var(&o.catchUp, "catch-up", o.catchUp, "greatest rate between a stretch and the lock after it, 1 to 4")
	c.Flags().Float64Var(&o.within, "tolerance", 0, "percent to stay below the limits, for a pace of few knots, 0.01 to 10 (default 0.1, with --fastest 0.05)")
	return c
}

func runRetime(o retimeOptions, out, errOut io.Writer) error {
	if o.out == "" && !o.dryRun {
		return errors.New("retime needs a file to write: -o NEW.motion.yaml, or --dry-run")
	}
	if !(o.catchUp >= 1 && o.catchUp <= 4) {
		return fmt.Errorf("--catch-up is %g; it may be from 1 to 4", o.catchUp)
	}
	if o.within != 0 && !(o.within >= 0.01 && o.within <= 10) {
		return fmt.Errorf("--tolerance is %g; it may be from 0.01 to 10 percent", o.within)
	}
	if o.within != 0 && o.keys {
		return errors.New("--tolerance is for a pace; with --keys leave it out")
	}
	w, err := openRewriting(o.file)
	if err != nil {
		return err
	}
	var report mending
	if o.stagger {
		if report.staggered, err = mend.Stagger(w.script, w, mend.StaggerOptions{Loads: loadsOf, Currents: currentsOf, Accept: asGoodAs(w.script)}); err != nil {
			return err
		}
		if len(report.staggered.Delays) > 0 {
			if err := w.advance(); err != nil {
				return err
			}
		}
	}
	options := mend.Options{Fastest: o.fastest, CatchUp: o.catchUp, Tolerance: o.within / 100, Loads: loadsOf}
	var stuck *mend.Stuck
	if report.paced, err = mend.Retime(w.script, options); errors.As(err, &stuck) && o.keys {
		report.paced = nil
	} else if errors.As(err, &stuck) {
		fmt.Fprintln(errOut, stuck)
		return errFindings
	} else if err != nil {
		return err
	}
	var csvName string
	if o.keys {
		good := asGoodAs(w.script)
		if report.keyed, err = mend.Rekey(w.script, w, options); err != nil {
			return err
		}
		if len(report.keyed.Missing) > 0 {
			fmt.Fprintln(errOut, "nothing is written: moved keys cannot keep what is locked")
			return report.tell(out, errOut)
		}
		if report.worse = !good(report.keyed.Performance); report.keyed.Changed {
			err = w.advance()
		}
	} else {
		csvName, err = w.setPace(o.target(), report.paced.Knots)
	}
	if err != nil {
		return err
	}
	if err := o.write(w, csvName, report.paced.Knots, out); err != nil {
		return err
	}
	return report.tell(out, errOut)
}

// target is the file that is to be written.
func (o retimeOptions) target() string {
	if o.out == "" {
		return o.file
	}
	return o.out
}

// write writes the motion and its pace, or shows what would change.
func (o retimeOptions) write(w *rewriting, csvName string, knots []sequence.Knot, out io.Writer) error {
	target := o.target()
	if o.dryRun {
		_, err := out.Write(diff.Diff(o.file, w.original, target, w.text))
		return err
	}
	var files outputs
	if err := files.write(target, func(f io.Writer) error { _, err := f.Write(w.text); return err }); err != nil {
		return err
	}
	if csvName != "" {
		if err := files.write(csvName, func(f io.Writer) error { _, err := f.Write(sequence.PaceCSV(knots)); return err }); err != nil {
			return err
		}
	}
	if err := files.commit(); err != nil {
		return err
	}
	fmt.Fprintln(out, target)
	if csvName != "" {
		fmt.Fprintln(out, csvName)
	}
	if filepath.Clean(filepath.Dir(target)) != filepath.Clean(filepath.Dir(o.file)) {
		fmt.Fprintf(out, "it stands in another folder than %s: the rig and the sound are looked for beside it\n", o.file)
	}
	return nil
}

// mending is what was done to a motion; nil where it was not asked for.
type mending struct {
	staggered *mend.Staggering
	keyed     *mend.Rekeying
	worse     bool           // moved keys break a rule that the script did not break
	paced     *mend.Retiming // also for comparison with what was done to the keys; nil: no pace helps
}

func (m mending) tell(out, errOut io.Writer) error {
	if m.staggered != nil {
		reportStagger(out, m.staggered)
	}
	var missing []mend.Missing
	var left []mend.Excess
	if m.keyed != nil {
		reportKeys(out, m.keyed, m.paced)
		missing, left = m.keyed.Missing, m.keyed.Left
	} else {
		reportRetiming(out, m.paced)
		missing, left = m.paced.Missing, m.paced.Left
	}
	if m.worse {
		fmt.Fprintln(errOut, "with its keys moved the motion breaks a rule that it did not break before; limberjack check shows which")
	}
	for _, m := range missing {
		fmt.Fprintf(errOut, "%s: between %s and this lock at %s, %.2f s are missing, even at the catch-up; most of the time goes to %s\n",
			m.To, sequence.FormatSeconds(m.FromS), sequence.FormatSeconds(m.ToS), math.Max(0.01, m.Seconds), m.Why)
	}
	for _, e := range worstLeft(left) {
		fmt.Fprintln(errOut, leftText(e))
	}
	if len(missing)+len(left) > 0 || m.worse {
		return errFindings
	}
	return nil
}

func reportStagger(out io.Writer, r *mend.Staggering) {
	for i, before := range r.Before {
		limit := strings.TrimSpace(before.Supply.Limit.Text)
		switch {
		case len(r.Delays) > 0:
			fmt.Fprintf(out, "%s delivers %.2f A at most instead of %.2f A (limit %s)\n", before.Supply.Name, r.After[i].Current, before.Current, limit)
		case before.Current > before.Supply.Limit.V:
			fmt.Fprintf(out, "%s delivers %.2f A at most (limit %s), and no move that may be put off brings it down\n", before.Supply.Name, before.Current, limit)
		}
	}
	if len(r.Before) == 0 {
		fmt.Fprintln(out, "nothing to stagger: no supply has a limit")
	} else if len(r.Delays) == 0 && overLoaded(r.Before) == 0 {
		fmt.Fprintln(out, "nothing to stagger: every supply holds")
	}
	for _, d := range r.Delays {
		fmt.Fprintf(out, "%s: %s starts %s later than at %s\n", d.At, d.Name, sequence.FormatSeconds(d.Seconds), sequence.FormatSeconds(d.From))
	}
	if overLoaded(r.After) == 0 {
		return
	}
	for _, i := range r.Idle {
		fmt.Fprintf(out, "%s: this slack cannot be used: %s\n", i.At, i.Why)
	}
}

// overLoaded counts the supplies that deliver more than they can.
func overLoaded(list []mend.Load) (n int) {
	for _, l := range list {
		if l.Current > l.Supply.Limit.V {
			n++
		}
	}
	return n
}

func reportKeys(out io.Writer, r *mend.Rekeying, paced *mend.Retiming) {
	if !r.Changed {
		text := "nothing to stretch: the rig can follow the script as it is written, and its keys stay where they are"
		if len(r.Left) > 0 {
			text = "nothing to stretch: no other times of the keys would help"
		}
		fmt.Fprintln(out, text)
		return
	}
	fmt.Fprintf(out, "%s instead of %s: %+.2f s by the keys", sequence.FormatSeconds(r.Performance.Length), sequence.FormatSeconds(r.Written), r.Stretched)
	if paced != nil && len(paced.Left)+len(paced.Missing) == 0 {
		fmt.Fprintf(out, ", where a pace needs %+.2f s", paced.Stretched)
	}
	fmt.Fprintln(out)
	if r.Performance.Script.Audio != nil {
		fmt.Fprintf(out, "sound and motion are together until %s, and part by %.0f ms at most\n", sequence.FormatSeconds(r.FirstAt), 1000*r.Parting)
	}
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

func leftText(e mend.Excess) string {
	if s := e.Supply; s != nil {
		return fmt.Sprintf("%s: %s still delivers %.2f A at %s, where %s is the most, and no slower pace found brings it down: start the moves there one after another, or use a supply of %.1f A",
			s.Limit.At, s.Name, e.Ratio*s.Limit.V, sequence.FormatSeconds(e.From), strings.TrimSpace(s.Limit.Text), math.Ceil(e.Ratio*s.Limit.V*12.5)/10)
	}
	if e.Steep {
		return fmt.Sprintf("%s: %s jumps at %s, or starts or stops there with infinite speed, which no pace mends: use a gentler ease there", e.Axis.At, e.Axis.Name, sequence.FormatSeconds(e.From))
	}
	return fmt.Sprintf("%s: %s is still at %.3g times its limit of %s, and no slower pace found brings it down: use a gentler ease for its moves", e.Axis.At, e.Axis.Name, e.Ratio, e.Kind)
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

func reportRetiming(out io.Writer, r *mend.Retiming) {
	if len(r.Knots) == 0 {
		text := "nothing to stretch: the rig can follow the script as it is written, and no pace is needed"
		if len(r.Left) > 0 {
			text = "nothing to stretch: no pace would help"
		}
		fmt.Fprintln(out, text)
		return
	}
	fmt.Fprintf(out, "%s instead of %s: %+.2f s", sequence.FormatSeconds(r.Performance.Length), sequence.FormatSeconds(r.Written), r.Stretched)
	if r.JerkCost > 0.005 {
		fmt.Fprintf(out, ", of which %.2f s for the jerk limits", r.JerkCost)
	}
	fmt.Fprintf(out, ", in %d knots\n", len(r.Knots))
	if r.Performance.Script.Audio != nil {
		fmt.Fprintf(out, "sound and motion are together until %s, and part by %.0f ms at most\n", sequence.FormatSeconds(r.FirstAt), 1000*parting(r.Knots))
	}
}

// parting is the greatest time by which script and performance part at a knot.
func parting(knots []sequence.Knot) float64 {
	worst := 0.0
	for _, k := range knots {
		worst = math.Max(worst, math.Abs(k.Time-k.Script))
	}
	return worst
}
