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

	"limberjack/interp/mend"
	"limberjack/interp/revise"
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
	csvName := strings.TrimSuffix(strings.TrimSuffix(o.target(), ".yaml"), ".motion") + ".pace.csv"
	options := revise.RetimeOptions{Fastest: o.fastest, Keys: o.keys, Stagger: o.stagger, CatchUp: o.catchUp, Within: o.within,
		PaceFile: func([]sequence.Knot) string { return filepath.Base(csvName) }}
	if err := o.check(options); err != nil {
		return err
	}
	script, err := sequence.LoadMotion(openFile, o.file)
	if err != nil {
		return err
	}
	text, err := os.ReadFile(o.file)
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", o.file, reason(err))
	}
	done, err := revise.Retime(script, text, options)
	var stuck *mend.Stuck
	if errors.As(err, &stuck) {
		fmt.Fprintln(errOut, stuck)
		return errFindings
	} else if err != nil {
		return err
	}
	if done.Withheld {
		fmt.Fprintln(errOut, "nothing is written: moved keys cannot keep what is locked")
		return tellRetimed(done, out, errOut)
	}
	if !done.Apart {
		csvName = ""
	}
	if err := o.write(text, done, csvName, out); err != nil {
		return err
	}
	return tellRetimed(done, out, errOut)
}

// check says which flag cannot be.
func (o retimeOptions) check(options revise.RetimeOptions) error {
	if !(o.catchUp >= 1 && o.catchUp <= 4) {
		return fmt.Errorf("--catch-up is %g; it may be from 1 to 4", o.catchUp)
	}
	var bad *revise.OptionError
	switch err := options.Check(); {
	case !errors.As(err, &bad):
		return err
	case o.keys:
		return errors.New("--tolerance is for a pace; with --keys leave it out")
	default:
		return errors.New("--tolerance " + bad.Msg)
	}
}

// target is the file that is to be written.
func (o retimeOptions) target() string {
	if o.out == "" {
		return o.file
	}
	return o.out
}

// write writes the motion and its pace, or shows what would change.
func (o retimeOptions) write(original []byte, done *revise.Retimed, csvName string, out io.Writer) error {
	target := o.target()
	if o.dryRun {
		_, err := out.Write(diff.Diff(o.file, original, target, done.Text))
		return err
	}
	var files outputs
	if err := files.write(target, func(f io.Writer) error { _, err := f.Write(done.Text); return err }); err != nil {
		return err
	}
	if csvName != "" {
		if err := files.write(csvName, func(f io.Writer) error { _, err := f.Write(sequence.PaceCSV(done.Knots)); return err }); err != nil {
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

// tellRetimed reports what was done to a motion, and what is left.
func tellRetimed(r *revise.Retimed, out, errOut io.Writer) error {
	if r.Staggered != nil {
		reportStagger(out, r.Staggered)
	}
	if r.Keyed != nil {
		reportKeys(out, r.Keyed, r.Paced)
	} else {
		reportRetiming(out, r.Paced)
	}
	if r.Worse {
		fmt.Fprintln(errOut, "with its keys moved the motion breaks a rule that it did not break before; limberjack check shows which")
	}
	left := r.Remains()
	for _, p := range left {
		fmt.Fprintln(errOut, p)
	}
	if len(left) > 0 || r.Worse {
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
		fmt.Fprintf(out, "sound and motion are together until %s, and part by %.0f ms at most\n", sequence.FormatSeconds(r.FirstAt), 1000*revise.Parting(r.Knots))
	}
}
