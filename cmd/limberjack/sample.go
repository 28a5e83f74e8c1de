package main

import (
	"io"

	"github.com/spf13/cobra"

	"limberjack/interp"
	"limberjack/transport/samples"
)

func newSampleCommand() *cobra.Command {
	var o rowsOptions
	var derivatives bool
	c := &cobra.Command{
		Use:   "sample MOTION",
		Short: "Write each axis at a fixed rate",
		Long: `sample writes the position of each axis at a fixed rate, in the units of the
documents: degrees, millimetres or percent, at the moved part. With --derivatives
it adds speed and acceleration, exact, not differenced.`,
		Example: `  limberjack sample greet.motion.yaml --rate 1kHz > greet.csv
  limberjack sample greet.motion.yaml --rate 50Hz --format json --derivatives -o greet.json`,
		Args: needs(1, 1, "one motion", "limberjack sample greet.motion.yaml"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runSample(o, derivatives, c.OutOrStdout())
		},
	}
	o.flags(c, "samples a second, 1 Hz to 100 kHz")
	c.Flags().BoolVar(&derivatives, "derivatives", false, "add speed and acceleration of each axis")
	return c
}

func runSample(o rowsOptions, derivatives bool, out io.Writer) error {
	return o.write(out, 100000,
		func(w io.Writer, p *interp.Performance, rate float64) error {
			return samples.WriteCSV(w, p, rate, derivatives)
		},
		func(w io.Writer, p *interp.Performance, rate float64) error {
			return samples.WriteJSON(w, p, rate, derivatives)
		})
}
