package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"limberjack/transport/plot"
)

type plotOptions struct {
	file  string
	out   string
	paper string
}

func newPlotCommand() *cobra.Command {
	var o plotOptions
	c := &cobra.Command{
		Use:   "plot MOTION",
		Short: "Draw a motion as a cue sheet: curves, limits, currents and findings",
		Long: `plot draws one sheet: each axis a stave between the lines of its travel, the curve
in ink, marks and cues as bar lines, findings hatched where they are, and the
current of each supply as a tide under its limit. The ending of the file chooses
the form: svg, png or pdf.`,
		Example: `  limberjack plot greet.motion.yaml -o greet.pdf
  limberjack plot greet.motion.yaml -o greet.svg --paper letter`,
		Args: needs(1, 1, "one motion", "limberjack plot greet.motion.yaml -o greet.pdf"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runPlot(o, c.OutOrStdout())
		},
	}
	c.Flags().StringVarP(&o.out, "output", "o", "", "file to draw: its ending is svg, png or pdf")
	c.Flags().StringVar(&o.paper, "paper", "a4", "a4 or letter")
	completeWords(c, "paper", "a4", "letter")
	return c
}

func runPlot(o plotOptions, out io.Writer) error {
	if o.out == "" {
		return errors.New("plot needs a file to draw: -o FILE.svg, FILE.png or FILE.pdf")
	}
	form, err := plot.FormOf(o.out)
	if err != nil {
		return err
	}
	paper, err := plot.PaperOf(o.paper)
	if err != nil {
		return fmt.Errorf("--paper: %w", err)
	}
	p, err := compileMotion(o.file)
	if err != nil {
		return err
	}
	trace := predict(p)
	sheet := plot.Sheet{Performance: p, Report: checkPerformance(p, trace), Trace: trace, Paper: paper}
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
