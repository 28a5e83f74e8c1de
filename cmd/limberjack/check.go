package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/sequence"
	"limberjack/transport/timeline"
)

type checkOptions struct {
	files []string
	json  bool
}

func newCheckCommand() *cobra.Command {
	var o checkOptions
	c := &cobra.Command{
		Use:   "check FILE…",
		Short: "Load, compile and check a rig, a motion or a show",
		Long: `check reads rigs, motions and shows and says what is wrong, where, by how much,
and what would mend it: servos that cannot follow, end stops that are hit, a
supply that sags, a loop that jolts.

It exits 0 when nothing is wrong, 1 when there are findings at error level, and 2
when a file cannot be read.`,
		Example: `  limberjack check greet.motion.yaml
  limberjack check --json keeper.rig.yaml greet.motion.yaml`,
		Args: needs(1, -1, "a file to check", "limberjack check greet.motion.yaml"),
		RunE: func(c *cobra.Command, args []string) error {
			o.files = args
			return runCheck(o, c.OutOrStdout())
		},
	}
	c.Flags().BoolVar(&o.json, "json", false, "print the report as JSON")
	return c
}

func runCheck(o checkOptions, out io.Writer) error {
	var reports []*check.Report
	var problems sequence.Problems
	for _, file := range o.files {
		list, err := reportsOf(file)
		reports = append(reports, list...)
		if err != nil {
			problems = append(problems, sequence.AsProblems(err)...)
			if o.json {
				reports = append(reports, documentReport(file, err))
			}
		}
	}
	if err := writeReports(out, reports, o.json); err != nil {
		return err
	}
	if len(problems) > 0 {
		return problems
	}
	for _, r := range reports {
		if !r.OK() {
			return errFindings
		}
	}
	return nil
}

func writeReports(out io.Writer, reports []*check.Report, asJSON bool) error {
	if asJSON {
		return check.WriteJSON(out, reports...)
	}
	for i, r := range reports {
		if i > 0 {
			fmt.Fprintln(out)
		}
		if err := r.WriteText(out, check.Style{Colour: colourFor(out)}); err != nil {
			return err
		}
	}
	return nil
}

// documentReport puts the problems of a file that could not be read into the
// form of a report, for programs that read JSON.
func documentReport(file string, err error) *check.Report {
	r := &check.Report{File: file}
	for _, p := range sequence.AsProblems(err) {
		r.Findings = append(r.Findings, check.Finding{Level: check.Error, Rule: "document", At: p.At, Message: p.Text, Remedy: p.Hint})
	}
	return r
}

// reportsOf checks one file: a rig, a motion, or a show with all its motions.
func reportsOf(file string) ([]*check.Report, error) {
	doc, err := sequence.Load(openFile, file)
	if err != nil {
		return nil, err
	}
	switch d := doc.(type) {
	case *sequence.Rig:
		return []*check.Report{check.RunRig(d)}, nil
	case *sequence.Show:
		var list []*check.Report
		for _, m := range d.Motions {
			r, err := reportOf(m.Script)
			if err != nil {
				return list, err
			}
			list = append(list, r)
		}
		return []*check.Report{check.RunShow(d, list)}, nil
	case *sequence.Script:
		r, err := reportOf(d)
		return []*check.Report{r}, err
	}
	return nil, fmt.Errorf("%s holds nothing that can be checked", file)
}

func reportOf(s *sequence.Script) (*check.Report, error) {
	p, err := interp.Compile(s)
	if err != nil {
		return nil, err
	}
	return checkPerformance(p, predict(p)), nil
}

// checkPerformance runs the checks with what the boards' links have to carry.
func checkPerformance(p *interp.Performance, trace *drive.Trace) *check.Report {
	return check.Run(p, trace, linksOf(p.Rig))
}

// linksOf tells what the link of each board has to carry.
func linksOf(r *sequence.Rig) []check.Link {
	var links []check.Link
	for _, b := range r.Boards {
		if n := timeline.FrameBytes(r, b); n > 0 {
			links = append(links, check.Link{Board: b, BytesPerFrame: n})
		}
	}
	return links
}
