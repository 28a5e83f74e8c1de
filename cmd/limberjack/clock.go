package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"

	"limberjack/sequence"
)

// Figures of a measured clock.
const (
	clockSure    = 20.0 // ppm, the standard deviation up to which a measured clock is worth keeping: 12 ms in ten minutes
	clockTelling = 50.0 // ppm, a difference that is worth telling: 30 ms in ten minutes
)

// clocks tells of boards whose clock is another than the rig says, or writes what was
// measured into the rig.
func (s *stage) clocks() error {
	var fast []measuredClock
	for i, b := range s.live.Boards() {
		ppm, sd := b.Drift()
		fast = append(fast, measuredClock{s.lines[i].Board, ppm, sd})
	}
	if s.options.writeClock {
		return s.writeClocks(fast)
	}
	for _, c := range fast {
		if off := math.Abs(c.fast - c.board.Clock.V); off > clockTelling && off > 4*c.sd && c.sd <= clockSure {
			s.show.note(fmt.Sprintf("board %s: its clock is %s, the rig says %vppm; --write-clock writes that into %s, so that the board keeps time when it plays alone",
				c.board.Name, pace(c.fast), c.board.Clock.V, s.rig.File))
		}
	}
	return nil
}

// measuredClock is by how many ppm a board's clock is fast, with the standard deviation.
type measuredClock struct {
	board    *sequence.Board
	fast, sd float64
}

// pace says by how much a clock is off.
func pace(ppm float64) string {
	switch ppm = math.Round(ppm); {
	case ppm > 0:
		return fmt.Sprintf("%.0f ppm fast", ppm)
	case ppm < 0:
		return fmt.Sprintf("%.0f ppm slow", -ppm)
	}
	return "right"
}

// writeClocks writes all clocks or none.
func (s *stage) writeClocks(list []measuredClock) error {
	file := s.rig.File
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", file, reason(err))
	}
	var errs []error
	for _, c := range list {
		if c.sd > clockSure {
			errs = append(errs, fmt.Errorf("the clock of board %s is known to %.0f ppm only, and nothing was written: play for longer, a minute or more (--loop)", c.board.Name, c.sd))
			continue
		}
		if text, err = sequence.SetClock(text, c.board.Name, c.fast); err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	var files outputs
	if err := files.write(file, func(w io.Writer) error { _, err := w.Write(text); return err }); err != nil {
		return err
	}
	if err := files.commit(); err != nil {
		return err
	}
	for _, c := range list {
		s.show.note(fmt.Sprintf("board %s: clock: %.0fppm (give or take %.0f) is in %s now", c.board.Name, math.Round(c.fast)+0, math.Ceil(2*c.sd), file))
	}
	return nil
}
