package main

import (
	"github.com/spf13/cobra"

	"limberjack/transport/samples"
)

func newSimulateCommand() *cobra.Command {
	var o rowsOptions
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
			return o.write(c.OutOrStdout(), 2000, samples.WritePredictedCSV, samples.WritePredictedJSON)
		},
	}
	o.flags(c, "rows a second, 1 Hz to 2 kHz")
	return c
}
