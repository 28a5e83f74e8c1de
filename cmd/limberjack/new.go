package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"limberjack/sequence"
)

func newNewCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "new DIR",
		Short: "Write a small rig and motion to start from",
		Long: `new writes a commented rig file and a motion file into a folder, which it makes
where there is none. Files that are there already are never written over.`,
		Example: `  limberjack new signalman
  limberjack check signalman/starter.motion.yaml`,
		Args: needs(1, 1, "one folder", "limberjack new signalman"),
		RunE: func(c *cobra.Command, args []string) error {
			return runNew(args[0], c.OutOrStdout())
		},
	}
}

func runNew(dir string, out io.Writer) error {
	starter := sequence.Starter()
	names := slices.Sorted(maps.Keys(starter))
	for _, name := range names {
		path := filepath.Join(dir, name)
		if _, err := os.Lstat(path); err == nil {
			return fmt.Errorf("%s is there already; choose another folder", path)
		} else if !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%s cannot be looked at: %w", path, reason(err))
		}
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("%s cannot be made: %w", dir, reason(err))
	}
	var files outputs
	for _, name := range names {
		err := files.write(filepath.Join(dir, name), func(w io.Writer) error {
			_, err := w.Write(starter[name])
			return err
		})
		if err != nil {
			return err
		}
	}
	if err := files.commit(); err != nil {
		return err
	}
	for _, name := range names {
		fmt.Fprintln(out, filepath.Join(dir, name))
	}
	return nil
}
