package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"limberjack/transport/timeline"
)

type exportOptions struct {
	file string
	form string
	out  string
	card cardOptions
}

func newExportCommand() *cobra.Command {
	var o exportOptions
	c := &cobra.Command{
		Use:   "export MOTION|SHOW",
		Short: "Write the pulse timelines of a motion, or a show for an SD card",
		Long: `export writes what a board plays: one value a channel a frame, in the board's
own units. csv, json and header hold one board a file (with several boards, the
board's name is put before the ending); vcd holds the edges of all of them. card
puts a whole show, or one motion, onto an SD card from which boards play alone: into
a folder to copy onto a card, or into an image with a FAT file system where the name
ends in .img. A folder must be new or empty, or hold only an earlier card. What motors and
supplies do is not looked at for a card: limberjack check says it.

A motion that runs into an end stop is refused (exit 1). Files appear whole or not
at all, and are read back and compared before they get their names.`,
		Example: `  limberjack export greet.motion.yaml --to csv -o greet.csv
  limberjack export greet.motion.yaml --to vcd -o greet.vcd
  limberjack export keeper.show.yaml --to card -o card.img`,
		Args: needs(1, 1, "one motion or show", "limberjack export greet.motion.yaml --to csv -o greet.csv"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runExport(o, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	c.Flags().StringVar(&o.form, "to", "csv", "csv, json, vcd, header or card")
	c.Flags().StringVarP(&o.out, "output", "o", "", "file to write; of a card also a folder")
	o.card.flags(c)
	names := formNames()
	completeWords(c, "to", names...)
	return c
}

func formNames() []string {
	var names []string
	for _, f := range timeline.Forms() {
		names = append(names, f.String())
	}
	return append(names, cardForm)
}

func runExport(o exportOptions, out, errOut io.Writer) error {
	form, ok := timeline.ParseForm(o.form)
	if !ok && o.form != cardForm {
		return fmt.Errorf("--to is %q; it may be %s", o.form, strings.Join(formNames(), ", "))
	}
	if o.out == "" {
		return errors.New("export needs a file to write: -o PATH")
	}
	if err := folderThere(o.out); err != nil {
		return err
	}
	if o.form == cardForm {
		return exportCard(o.file, o.out, o.card, out, errOut)
	}
	if err := o.card.unused(o.form); err != nil {
		return err
	}
	_, lines, err := pulsesOf(o.file, errOut)
	if err != nil {
		return err
	}
	if len(lines) == 0 {
		return fmt.Errorf("%s: its rig has no axes, so that there is nothing to export", o.file)
	}
	names, err := writeTimelines(o.out, form, lines)
	if err != nil {
		return err
	}
	for _, name := range names {
		fmt.Fprintln(out, name)
	}
	return nil
}

// folderThere is an error where the folder in which something is to appear is not there.
func folderThere(out string) error {
	folder := filepath.Dir(filepath.Clean(out))
	info, err := os.Stat(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s cannot be written: there is no folder %s; make it first, or name a place in %s", out, folder, nearestFolder(folder))
	case err == nil && !info.IsDir():
		return fmt.Errorf("%s cannot be written: %s is a file and no folder", out, folder)
	}
	return nil // what else is wrong is said where it is written
}

// nearestFolder gives the folder on the way to one that is the last that there is.
func nearestFolder(folder string) string {
	for parent := filepath.Dir(folder); ; folder, parent = parent, filepath.Dir(parent) {
		if info, err := os.Stat(parent); err == nil && info.IsDir() || parent == folder {
			if parent == "." {
				return "this folder"
			}
			return parent
		}
	}
}

// writeTimelines writes all boards, each file read back and compared with what
// it should hold before any gets its name.
func writeTimelines(out string, form timeline.Form, lines []*timeline.Timeline) ([]string, error) {
	var files outputs
	var names []string
	put := func(name string, tls ...*timeline.Timeline) error {
		names = append(names, name)
		if err := files.write(name, func(w io.Writer) error { return timeline.Write(w, form, tls...) }); err != nil {
			return err
		}
		return compareBack(files.pending[len(files.pending)-1].temporary, name, tls)
	}
	var err error
	if !form.OneBoard() || len(lines) == 1 {
		err = put(out, lines...)
	} else {
		for _, t := range lines {
			ext := filepath.Ext(out)
			if err = put(strings.TrimSuffix(out, ext)+"."+t.Board.Name+ext, t); err != nil {
				break
			}
		}
	}
	if err != nil {
		files.discard()
		return nil, err
	}
	return names, files.commit()
}

func compareBack(temporary, name string, tls []*timeline.Timeline) error {
	f, err := os.Open(temporary)
	if err != nil {
		return fmt.Errorf("%s cannot be read back: %w", name, reason(err))
	}
	defer f.Close()
	if err := timeline.Compare(f, tls...); err != nil {
		return fmt.Errorf("%s was not written as it should be: %w", name, err)
	}
	return nil
}
