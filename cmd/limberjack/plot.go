package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"limberjack/interp"
	"limberjack/interp/mend"
	"limberjack/transport/plot"
)

type plotOptions struct {
	file   string
	before string
	shaped bool
	out    string
	paper  string
}

func newPlotCommand() *cobra.Command {
	var o plotOptions
	c := &cobra.Command{
		Use:   "plot MOTION",
		Short: "Draw a motion as a cue sheet: curves, limits, currents and findings",
		Long: `plot draws one sheet: each axis a stave between the lines of its travel, the curve
in ink, marks and cues as bar lines, findings hatched where they are, and the
current of each supply as a tide under its limit. The ending of the file chooses
the form: svg, png or pdf.

--before draws what a motion was before it was mended beneath it, dotted, on the
same staves and the same scale of time: its curves and its currents. Both must be
motions of one rig. The sheet is as long as the longer one; marks, keys and
findings are those of MOTION.

--shaped draws beneath it, in dash and dot, the closest motion that keeps the
limits of every axis, as shape writes it, and says how far each is from the script.

The two may be used together. A table under the title says which is which, and
compares lengths and greatest currents.`,
		Example: `  limberjack plot greet.motion.yaml -o greet.pdf
  limberjack plot greet.motion.yaml -o greet.svg --paper letter
  limberjack plot calmer.motion.yaml --before storm.motion.yaml -o mended.svg
  limberjack plot storm.motion.yaml --shaped -o shaped.svg`,
		Args: needs(1, 1, "one motion", "limberjack plot greet.motion.yaml -o greet.pdf"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runPlot(o, c.Flags().Changed("before"), c.OutOrStdout())
		},
	}
	c.Flags().StringVarP(&o.out, "output", "o", "", "file to draw: its ending is svg, png or pdf")
	c.Flags().StringVar(&o.before, "before", "", "motion to draw beneath: what it was before it was mended")
	c.Flags().BoolVar(&o.shaped, "shaped", false, "draw beneath it the closest motion that keeps the limits of every axis")
	c.Flags().StringVar(&o.paper, "paper", "a4", "a4 or letter")
	completeWords(c, "paper", "a4", "letter")
	return c
}

func runPlot(o plotOptions, compared bool, out io.Writer) error {
	if o.out == "" {
		return errors.New("plot needs a file to draw: -o FILE.svg, FILE.png or FILE.pdf")
	}
	if compared && o.before == "" {
		return errors.New("--before needs the name of a motion file")
	}
	form, err := plot.FormOf(o.out)
	if err != nil {
		return err
	}
	paper, err := plot.PaperOf(o.paper)
	if err != nil {
		return fmt.Errorf("--paper: %w", err)
	}
	sheet, err := sheetOf(o)
	if err != nil {
		return err
	}
	sheet.Paper = paper
	var files outputs
	if err := files.write(o.out, func(w io.Writer) error { return plot.Draw(w, form, sheet) }); err != nil {
		return err
	}
	if err := files.commit(); err != nil {
		return err
	}
	fmt.Fprintln(out, o.out)
	return nil
}

// sheetOf compiles, predicts and checks what is to be drawn.
func sheetOf(o plotOptions) (plot.Sheet, error) {
	var none plot.Sheet
	p, err := compileMotion(o.file)
	if err != nil {
		return none, err
	}
	sheet := plot.Sheet{Performance: p}
	if o.before != "" {
		if sheet.Before, err = motionBefore(o.before, p); err != nil {
			return none, err
		}
	}
	if o.shaped {
		if sheet.Shaped, err = closestTo(p); err != nil {
			return none, err
		}
	}
	sheet.Trace = predict(p)
	sheet.Report = checkPerformance(p, sheet.Trace)
	return sheet, nil
}

// motionBefore compiles and predicts a motion that is to lie beneath another.
func motionBefore(file string, after *interp.Performance) (*plot.Other, error) {
	p, err := compileMotion(file)
	if err != nil {
		return nil, err
	}
	if err := plot.SameRig(after.Rig, p.Rig); err != nil {
		return nil, fmt.Errorf("--before %s: %w", file, err)
	}
	return &plot.Other{Performance: p, Trace: predict(p)}, nil
}

// closestTo gives the closest motion that keeps the limits of every axis, with
// what it does to the supplies.
func closestTo(p *interp.Performance) (*plot.Other, error) {
	shaped, axes, err := mend.Shape(p)
	if err != nil {
		return nil, err
	}
	o := &plot.Other{Performance: shaped, Trace: predict(shaped)}
	for _, a := range axes {
		if a.Changed() {
			o.Deviations = append(o.Deviations, plot.Deviation{Axis: a.Axis, Largest: a.Largest, At: a.At, Late: a.Late})
		}
	}
	return o, nil
}
