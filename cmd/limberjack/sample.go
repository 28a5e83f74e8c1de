package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"limberjack/sequence"
	"limberjack/transport/samples"
)

type sampleOptions struct {
	file        string
	rate        string
	format      string
	out         string
	derivatives bool
}

func newSampleCommand() *cobra.Command {
	var o sampleOptions
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
			return runSample(o, c.OutOrStdout())
		},
	}
	c.Flags().StringVar(&o.rate, "rate", "50Hz", "samples a second, 1 Hz to 100 kHz")
	c.Flags().StringVar(&o.format, "format", "csv", "csv or json")
	c.Flags().StringVarP(&o.out, "output", "o", "", "file to write; default: standard output")
	c.Flags().BoolVar(&o.derivatives, "derivatives", false, "add speed and acceleration of each axis")
	completeWords(c, "format", "csv", "json")
	return c
}

func runSample(o sampleOptions, out io.Writer) error {
	rate, err := sequence.ParseRate(o.rate, 1, 100000)
	if err != nil {
		return fmt.Errorf("--rate: %w", err)
	}
	write := samples.WriteCSV
	switch o.format {
	case "csv":
	case "json":
		write = samples.WriteJSON
	default:
		return fmt.Errorf("--format is %q; it may be csv or json", o.format)
	}
	p, err := compileMotion(o.file)
	if err != nil {
		return err
	}
	if o.out == "" {
		return write(out, p, rate, o.derivatives)
	}
	var files outputs
	if err := files.write(o.out, func(w io.Writer) error { return write(w, p, rate, o.derivatives) }); err != nil {
		return err
	}
	return files.commit()
}

// completeWords offers the values of a flag to the shell.
func completeWords(c *cobra.Command, flag string, words ...string) {
	// The flag exists, so that the only error there is cannot come up.
	_ = c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp))
}
