package main

import (
	"fmt"
	"os"
	"path/filepath"

	"limberjack/transport/board"
)

// recordTo makes a board write every edge of its pins to the file that was asked
// for. What it gives has to be called after the board's power is cut.
func (o boardOptions) recordTo(c *board.Config) (finish func() error, err error) {
	if o.record == "" {
		return func() error { return nil }, nil
	}
	forms := map[string]board.Form{".vcd": board.VCD, ".csv": board.CSV}
	form, ok := forms[filepath.Ext(o.record)]
	if !ok {
		return nil, fmt.Errorf("--record %s: the file ends in .vcd or .csv", o.record)
	}
	// A recording is looked at while the board runs: it appears at once.
	f, err := os.Create(o.record)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be written: %w", o.record, reason(err))
	}
	r := board.NewRecorder(f, form, c)
	c.Slot, c.Drop = r.Slot, r.Drop
	return func() error {
		err := r.Close()
		if e := f.Close(); err == nil {
			err = e
		}
		if err != nil {
			return fmt.Errorf("%s is not whole: %w", o.record, reason(err))
		}
		return nil
	}, nil
}
