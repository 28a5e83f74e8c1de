package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
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

The pace is checked on the exact curves and by the drive model before it is
written. It exits 1 when a lock cannot be kept, or when no pace keeps a limit: a
jump, or a supply that is too weak however slow the moves are.`,
		Example: `  limberjack retime storm.motion.yaml -o calmer.motion.yaml
  limberjack retime storm.motion.yaml --dry-run`,
		Args: needs(1, 1, "one motion", "limberjack retime storm.motion.yaml -o calmer.motion.yaml"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runRetime(o, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	c.Flags().StringVarP(&o.out, "output", "o", "", "motion file to write")
	c.Flags().BoolVar(&o.fastest, "fastest", false, "the shortest performance that keeps every limit")
	c.Flags().BoolVar(&o.dryRun, "dry-run", false, "show what would change, and write nothing")
	c.Flags().Float64Var(&o.catchUp, "catch-up", o.catchUp, "greatest rate between a stretch and the lock after it, 1 to 4")
	c.Flags().Float64Var(&o.within, "tolerance", 0, "percent to stay below the limits, for a pace of few knots, 0.01 to 10 (default 0.1, with --fastest 0.05)")
	return c
}

func runRetime(o retimeOptions, out, errOut io.Writer) error {
	if o.out == "" && !o.dryRun {
		return errors.New("retime needs a file to write: -o NEW.motion.yaml, or --dry-run")
	}
	if o.catchUp < 1 || o.catchUp > 4 {
		return fmt.Errorf("--catch-up is %g; it may be from 1 to 4", o.catchUp)
	}
	if o.within != 0 && !(o.within >= 0.01 && o.within <= 10) {
		return fmt.Errorf("--tolerance is %g; it may be from 0.01 to 10 percent", o.within)
	}
	script, err := sequence.LoadMotion(openFile, o.file)
	if err != nil {
		return err
	}
	r, err := mend.Retime(script, mend.Options{Fastest: o.fastest, CatchUp: o.catchUp, Tolerance: o.within / 100, Loads: loadsOf})
	if err != nil {
		return err
	}
	if err := writePaced(o, r, out); err != nil {
		return err
	}
	reportRetiming(out, r)
	for _, m := range r.Missing {
		fmt.Fprintf(errOut, "%s: between %s and this lock at %s, %.2f s are missing, even at the catch-up; most of the time goes to %s\n",
			m.To, sequence.FormatSeconds(m.FromS), sequence.FormatSeconds(m.ToS), math.Max(0.01, m.Seconds), m.Why)
	}
	for _, e := range worstLeft(r.Left) {
		fmt.Fprintln(errOut, leftText(e))
	}
	if len(r.Missing)+len(r.Left) > 0 {
		return errFindings
	}
	return nil
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

// fewKnots is how many knots of a pace are still read with ease in the motion
// file itself.
const fewKnots = 24

func writePaced(o retimeOptions, r *mend.Retiming, out io.Writer) error {
	text, err := os.ReadFile(o.file)
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", o.file, reason(err))
	}
	target := o.out
	if target == "" {
		target = o.file
	}
	value, csvName := "", ""
	if len(r.Knots) > 0 {
		value = sequence.PaceText(r.Knots)
		if len(r.Knots) > fewKnots {
			csvName = strings.TrimSuffix(strings.TrimSuffix(target, ".yaml"), ".motion") + ".pace.csv"
			value = filepath.Base(csvName)
		}
	}
	changed, err := sequence.SetPace(text, value)
	if err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	if o.dryRun {
		_, err := out.Write(diff.Diff(o.file, text, target, changed))
		return err
	}
	var files outputs
	if err := files.write(target, func(w io.Writer) error { _, err := w.Write(changed); return err }); err != nil {
		return err
	}
	if csvName != "" {
		if err := files.write(csvName, func(w io.Writer) error { _, err := w.Write(sequence.PaceCSV(r.Knots)); return err }); err != nil {
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
