package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"limberjack/interp"
	"limberjack/interp/mend"
	"limberjack/interp/revise"
	"limberjack/sequence"
	"limberjack/transport/samples"
	"limberjack/transport/timeline"
)

type shapeOptions struct {
	file string
	out  string
}

func newShapeCommand() *cobra.Command {
	var o shapeOptions
	c := &cobra.Command{
		Use:   "shape MOTION",
		Short: "Write the closest motion that keeps every limit",
		Long: `shape finds, for each axis, the motion that stays nearest to the script and keeps
the limits of speed, acceleration and jerk and the travel, on the board's frames.
Timing stays; the shape of fast moves gives way. Keys with hold: true are met
exactly.

A csv file holds the time and each axis at the board's frames. The endings .json,
.vcd and .h choose the forms of export.

A file that ends in .motion.yaml becomes the motion itself, with keys that keep the
limits: where the two differ, keys of the track take other values and the ease
cubic, and a few come between. It is judged by the check, and a little farther from
the script than the nearest motion, which no few keys can draw.`,
		Example: `  limberjack shape storm.motion.yaml -o storm.csv
  limberjack shape storm.motion.yaml -o storm.vcd
  limberjack shape storm.motion.yaml -o gentler.motion.yaml`,
		Args: needs(1, 1, "one motion", "limberjack shape storm.motion.yaml -o storm.csv"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runShape(o, c.OutOrStdout())
		},
	}
	c.Flags().StringVarP(&o.out, "output", "o", "", "file to write: its ending is csv, json, vcd, h or motion.yaml")
	return c
}

func runShape(o shapeOptions, out io.Writer) error {
	if o.out == "" {
		return errors.New("shape needs a file to write: -o FILE.csv")
	}
	if strings.HasSuffix(o.out, ".motion.yaml") {
		return shapeKeys(o, out)
	}
	p, err := compileMotion(o.file)
	if err != nil {
		return err
	}
	shaped, axes, err := mend.Shape(p)
	if err != nil {
		return err
	}
	if err := writeShaped(o.out, shaped); err != nil {
		return err
	}
	fps := 24.0
	if p.Script.FPS.Given() {
		fps = p.Script.FPS.Rate()
	}
	changed := 0
	for _, a := range axes {
		if !a.Changed() {
			continue
		}
		changed++
		fmt.Fprintf(out, "%s: at most %s from the script, at %s; %s; no motion within its speed does better than %s\n", a.Axis.Name,
			sequence.FormatValue(a.Largest, a.Axis.Unit), sequence.FormatSeconds(a.At), lateText(a.Late, fps), sequence.FormatValue(a.Floor, a.Axis.Unit))
	}
	if changed == 0 {
		fmt.Fprintln(out, "nothing to shape: every axis keeps its limits as it is written")
	}
	fmt.Fprintln(out, o.out)
	return nil
}

// shapeKeys writes the motion with keys that keep the limits.
func shapeKeys(o shapeOptions, out io.Writer) error {
	script, err := sequence.LoadMotion(openFile, o.file)
	if err != nil {
		return err
	}
	text, err := os.ReadFile(o.file)
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", o.file, reason(err))
	}
	m, err := sequence.NewManuscript(text, script)
	if err != nil {
		return err
	}
	done, err := revise.Shape(m, nil)
	switch {
	case errors.Is(err, revise.ErrKept):
		fmt.Fprintln(out, err)
	case err != nil:
		return err
	default:
		m = done.Script
		for _, a := range done.Axes {
			fmt.Fprintf(out, "%s: at most %s from the script, at %s; %d keys came, and %d have another value or ease\n", a.Axis.Name,
				sequence.FormatValue(a.Largest, a.Axis.Unit), sequence.FormatSeconds(a.At), a.Added, a.Moved)
		}
	}
	var files outputs
	if err := files.write(o.out, func(w io.Writer) error { _, err := w.Write(m.Text); return err }); err != nil {
		return err
	}
	if err := files.commit(); err != nil {
		return err
	}
	fmt.Fprintln(out, o.out)
	return nil
}

// lateText says how late an axis is, in film frames.
func lateText(late, fps float64) string {
	frames := math.Round(math.Abs(late)*fps*10) / 10
	switch {
	case frames == 0:
		return "in time"
	case late < 0:
		return fmt.Sprintf("%g film frames early there", frames)
	}
	return fmt.Sprintf("%g film frames late there", frames)
}

func writeShaped(name string, p *interp.Performance) error {
	ext := strings.ToLower(filepath.Ext(name))
	if ext == ".csv" {
		var files outputs
		if err := files.write(name, func(w io.Writer) error { return samples.WriteCSV(w, p, finestRate(p), false) }); err != nil {
			return err
		}
		return files.commit()
	}
	for _, form := range timeline.Forms() {
		if form.Ext() != ext {
			continue
		}
		lines, err := timeline.Build(p)
		if err != nil {
			return err
		}
		_, err = writeTimelines(name, form, lines)
		return err
	}
	return fmt.Errorf("%s has no ending that shape knows; it may be .csv, .json, .vcd, .h or .motion.yaml", name)
}

// finestRate is the greatest frame rate of the boards of a performance.
func finestRate(p *interp.Performance) float64 {
	rate := 1.0
	for _, b := range p.Rig.Boards {
		rate = math.Max(rate, b.Rate.V)
	}
	return rate
}
