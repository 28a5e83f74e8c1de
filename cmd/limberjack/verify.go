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
		Use:   "verify PATH…",
		Short: "Read exported timelines and cards back and prove them whole",
		Long: `verify reads csv, json, vcd and header files that export wrote, and proves that
nothing is missing or changed: every frame in its place, the count and the CRC-32
those of the closing line. Of a card it reads a folder, an image or a single file,
and names each damage by file, sector, motion and time. Of a card that something else
formatted, given as a device or as an image of all of it, it also counts the pieces in
which files lie, and notes where they are too many for a slow card. It exits 1 when
something is damaged.`,
		Example: `  limberjack verify greet.csv greet.vcd
  limberjack verify card.img`,
		Args: needs(1, -1, "a file to verify", "limberjack verify greet.csv"),
		RunE: func(c *cobra.Command, args []string) error {
			return runVerify(args, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
}

func runVerify(names []string, out, errOut io.Writer) error {
	damaged := false
	for _, name := range names {
		c, err := openCard(name)
		if err != nil {
			return fmt.Errorf("%s cannot be read: %w", name, reason(err))
		}
		if c != nil {
			whole, err := verifyCard(name, c, out, errOut)
			c.close()
			if err != nil {
				return err
			}
			damaged = damaged || !whole
			continue
		}
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
