package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"limberjack/transport/timeline"
)

func newVerifyCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "verify FILE…",
		Short: "Read exported timelines back and prove them whole",
		Long: `verify reads csv, json, vcd and header files that export wrote, and proves that
nothing is missing or changed: every frame in its place, the count and the CRC-32
those of the closing line. It exits 1 when a file is damaged.`,
		Example: "  limberjack verify greet.csv greet.vcd",
		Args:    needs(1, -1, "a file to verify", "limberjack verify greet.csv"),
		RunE: func(c *cobra.Command, args []string) error {
			return runVerify(args, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
}

func runVerify(names []string, out, errOut io.Writer) error {
	damaged := false
	for _, name := range names {
		f, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("%s cannot be read: %w", name, reason(err))
		}
		s, err := timeline.Verify(f)
		f.Close()
		var fault *timeline.FileError
		switch {
		case errors.As(err, &fault):
			fmt.Fprintf(errOut, "%s:%d: %s\n", name, fault.Line, fault.Text)
			damaged = true
			continue
		case err != nil:
			return fmt.Errorf("%s cannot be read: %w", name, reason(err))
		}
		for _, h := range s.Heads {
			fmt.Fprintf(out, "%s: whole (%s, board %s, %d frames, CRC-32 %08x)\n", name, s.Form, h.Board, h.Frames, s.CRC)
		}
	}
	if damaged {
		return errFindings
	}
	return nil
}
