package main

import (
	"errors"
	"fmt"
	"io"
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
catch-up rate. It exits 1 when a lock cannot be kept.`,
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
	return c
}

func runRetime(o retimeOptions, out, errOut io.Writer) error {
	if o.out == "" && !o.dryRun {
		return errors.New("retime needs a file to write: -o NEW.motion.yaml, or --dry-run")
	}
	if o.catchUp < 1 || o.catchUp > 4 {
		return fmt.Errorf("--catch-up is %g; it may be from 1 to 4", o.catchUp)
	}
	script, err := sequence.LoadMotion(openFile, o.file)
	if err != nil {
		return err
	}
	r, err := mend.Retime(script, mend.Options{Fastest: o.fastest, CatchUp: o.catchUp, Peak: peakCurrents})
	if err != nil {
		return err
	}
	if err := writePaced(o, r, out); err != nil {
		return err
	}
	reportRetiming(out, r)
	for _, m := range r.Findings {
		fmt.Fprintf(errOut, "%s: between this lock at %s and the one at %s (line %d), %.2f s are missing; %s needs them\n",
			m.From, sequence.FormatSeconds(m.FromS), sequence.FormatSeconds(m.ToS), m.To.Line, m.Seconds, m.Why)
	}
	if len(r.Findings) > 0 {
		return errFindings
	}
	return nil
}

// peakCurrents certifies a plan by the drive model.
func peakCurrents(p *interp.Performance) map[*sequence.Supply]float64 {
	peaks := map[*sequence.Supply]float64{}
	for _, s := range drive.Run(p).Supplies {
		peaks[s.Supply] = s.Peak
	}
	return peaks
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
	return nil
}

func reportRetiming(out io.Writer, r *mend.Retiming) {
	if len(r.Knots) == 0 {
		fmt.Fprintln(out, "nothing to stretch: the rig can follow the script as it is written")
		return
	}
	fmt.Fprintf(out, "%s instead of %s: %+.2f s", sequence.FormatSeconds(r.Performance.Length), sequence.FormatSeconds(r.Written), r.Stretched)
	if r.JerkCost > 0.005 {
		fmt.Fprintf(out, ", of which %.2f s for the jerk limits", r.JerkCost)
	}
	fmt.Fprintln(out)
	if a := r.Performance.Script.Audio; a != nil {
		fmt.Fprintf(out, "sound and motion are together until %s\n", sequence.FormatSeconds(r.FirstAt))
	}
}
