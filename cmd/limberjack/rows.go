package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"limberjack/interp"
	"limberjack/sequence"
)

// rowsOptions are those of the commands that write rows at a fixed rate.
type rowsOptions struct {
	file   string
	rate   string
	format string
	out    string
}

// rowWriter writes a performance at a rate.
type rowWriter func(w io.Writer, p *interp.Performance, rate float64) error

func (o *rowsOptions) flags(c *cobra.Command, rateHelp string) {
	c.Flags().StringVar(&o.rate, "rate", "50Hz", rateHelp)
	c.Flags().StringVar(&o.format, "format", "csv", "csv or json")
	c.Flags().StringVarP(&o.out, "output", "o", "", "file to write; default: standard output")
	completeWords(c, "format", "csv", "json")
}

// write writes the rows of a motion, at most so many a second, in the form that
// was asked for.
func (o *rowsOptions) write(out io.Writer, most float64, csv, json rowWriter) error {
	rate, err := sequence.ParseRate(o.rate, 1, most)
	if err != nil {
		return fmt.Errorf("--rate: %w", err)
	}
	write, ok := map[string]rowWriter{"csv": csv, "json": json}[o.format]
	if !ok {
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

// completeWords offers the values of a flag to the shell.
func completeWords(c *cobra.Command, flag string, words ...string) {
	// The flag exists, so that the only error there is cannot come up.
	_ = c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp))
}
