package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"limberjack/transport/card"
)

type inspectOptions struct {
	path string
	json bool
}

func newInspectCommand() *cobra.Command {
	var o inspectOptions
	c := &cobra.Command{
		Use:   "inspect PATH",
		Short: "Say what is on a card",
		Long: `inspect says what is in the folder or the image of a card that export wrote, or in
one file of it: boards with their channels, limits and clock, motions with their
lengths, sectors and cues, and what starts which motion; of a card that something else
formatted also in how many pieces its containers lie.

It is no proof that the card is whole: verify is.`,
		Example: `  limberjack inspect card.img
  limberjack inspect --json card/MAIN.LJC`,
		Args: needs(1, 1, "a card: a folder, an image or a file", "limberjack inspect card.img"),
		RunE: func(c *cobra.Command, args []string) error {
			o.path = args[0]
			return runInspect(o, c.OutOrStdout())
		},
	}
	c.Flags().BoolVar(&o.json, "json", false, "print the contents as JSON")
	return c
}

func runInspect(o inspectOptions, out io.Writer) error {
	in, err := openCard(o.path)
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", o.path, reason(err))
	}
	if in == nil {
		return fmt.Errorf("%s is no card and no file of one; verify reads csv, json, vcd and header files", o.path)
	}
	defer in.close()
	if in.image != nil {
		if in.files, err = card.ImageFiles(in.image, in.size); err != nil {
			return fmt.Errorf("%s: %w", o.path, err)
		}
	}
	contents, err := card.Describe(in.files)
	var fault *card.FileError
	if errors.As(err, &fault) {
		return fmt.Errorf("%s: %w; limberjack verify %s says all that is wrong", o.path, err, o.path)
	}
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", o.path, reason(err))
	}
	if len(contents.Boards) == 0 && len(contents.Motions) == 0 {
		return fmt.Errorf("%s holds no container and no index of a card", o.path)
	}
	if o.json {
		return contents.WriteJSON(out)
	}
	return contents.WriteText(out)
}
