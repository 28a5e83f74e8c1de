package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"limberjack/sequence"
	"limberjack/transport/samples"
)

type simulateOptions struct {
	file   string
	rate   string
	format string
	out    string
}

func newSimulateCommand() *cobra.Command {
	var o simulateOptions
	c := &cobra.Command{
		Use:   "simulate MOTION",
		Short: "Predict what the rig will really do: position, current and voltage over time",
		Long: `simulate plays a motion on a model of the rig: servos with dead band, back-EMF,
friction and load, motors on their bridges, supplies that sag. It writes for each
axis where the script has it and where it will be, with its current, and for each
supply its voltage and current.

What the rig file does not say comes from class defaults; check names them.`,
		Example: `  limberjack simulate storm.motion.yaml > storm.csv
  limberjack simulate storm.motion.yaml --rate 200Hz --format json -o storm.json`,
		Args: needs(1, 1, "one motion", "limberjack simulate storm.motion.yaml"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runSimulate(o, c.OutOrStdout())
		},
	}
	c.Flags().StringVar(&o.rate, "rate", "50Hz", "rows a second, 1 Hz to 2 kHz")
	c.Flags().StringVar(&o.format, "format", "csv", "csv or json")
	c.Flags().StringVarP(&o.out, "output", "o", "", "file to write; default: standard output")
	completeWords(c, "format", "csv", "json")
	return c
}

func runSimulate(o simulateOptions, out io.Writer) error {
	rate, err := sequence.ParseRate(o.rate, 1, 2000)
	if err != nil {
		return fmt.Errorf("--rate: %w", err)
	}
	write := samples.WritePredictedCSV
	switch o.format {
	case "csv":
	case "json":
		write = samples.WritePredictedJSON
	default:
		return fmt.Errorf("--format is %q; it may be csv or json", o.format)
	}
	p, err := compileMotion(o.file)
	if err != nil {
		return err
	}
	if o.out == "" {
		return write(out, p, rate)
	}
	var files outputs
	if err := files.write(o.out, func(w io.Writer) error { return write(w, p, rate) }); err != nil {
		return err
	}
	return files.commit()
}
