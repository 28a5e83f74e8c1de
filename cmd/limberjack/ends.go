package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/web/rehearse"
)

// finder looks for the ends of one axis from the keyboard: what jog does with --ends.
type finder struct {
	*rehearse.Finder
	jog   *jogger
	file  string
	step  int // which of endSteps
	saved bool
}

// endSteps are the steps of an arrow in us; none is wider than live.WidenMost.
var endSteps = [...]float64{0.5, 1, 2, 5, live.WidenMost}

// openForEnds opens one axis of a board; without a name none.
func openForEnds(rig *sequence.Rig, board *sequence.Board, name string) error {
	if name == "" {
		return nil
	}
	a, err := rehearse.AxisForEnds(rig, board, name)
	if err != nil {
		return fmt.Errorf("--ends: %w", err)
	}
	a.OpenPulse()
	return nil
}

// newFinder opens an axis of the jogger's board.
func newFinder(j *jogger, name string) (*finder, error) {
	f, err := rehearse.NewFinder(j.pose, name)
	if err != nil {
		return nil, fmt.Errorf("--ends: %w", err)
	}
	return &finder{Finder: f, jog: j, file: j.pose.Rig.File, step: len(endSteps) - 2}, nil
}

// to goes to a pulse, if that is allowed.
func (f *finder) to(ctx context.Context, pulse float64) error {
	if err := f.To(ctx, f.jog.live, pulse); err != nil {
		return err
	}
	fmt.Fprintf(f.jog.out, "%s at %s us\n", f.Axis.Name, rehearse.Micros(pulse))
	return nil
}

func (f *finder) centre(ctx context.Context) error { return f.to(ctx, f.AtBegin) }

func (f *finder) confirm(end live.TravelEnd) error {
	if err := f.Confirm(end); err != nil {
		return err
	}
	f.saved = false
	fmt.Fprintf(f.jog.out, "%s: %s us is its %s end, %s %s\n", f.Axis.Name, rehearse.Micros(f.At()), end, strconv.FormatFloat(f.Read.Travel[end].V, 'f', -1, 64), f.Axis.Unit)
	return nil
}

// write writes both ends into the rig.
func (f *finder) write() error {
	low, high, err := f.Pulses()
	if err != nil {
		return fmt.Errorf("nothing was written: %w", err)
	}
	text, err := os.ReadFile(f.file)
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", f.file, reason(err))
	}
	if text, err = f.Set(text); err != nil {
		return fmt.Errorf("nothing was written to %s: %w", f.file, err)
	}
	var files outputs
	if err := files.write(f.file, func(w io.Writer) error { _, err := w.Write(text); return err }); err != nil {
		return err
	}
	if err := files.commit(); err != nil {
		return err
	}
	f.saved = true
	fmt.Fprintf(f.jog.out, "%s: %s us to %s us are its pulses in %s now\n", f.Axis.Name, rehearse.Micros(low), rehearse.Micros(high), f.file)
	return nil
}

var errEndWords = errors.New("write a pulse as in 1480us, a way as in by -5us, or low, high (confirm an end here), centre, write, stop, quit")

// obey does what a line says.
func (f *finder) obey(ctx context.Context, text string) (ended bool, err error) {
	switch text {
	case "":
		return false, nil
	case "centre", "rest":
		return false, f.centre(ctx)
	case "low":
		return false, f.confirm(live.LowEnd)
	case "high":
		return false, f.confirm(live.HighEnd)
	case "write":
		return false, f.write()
	case "stop":
		return true, f.jog.stop()
	case "quit", "q":
		return true, f.leave(ctx)
	}
	way, by := strings.CutPrefix(text, "by ")
	number, ok := strings.CutSuffix(strings.TrimSpace(way), "us")
	pulse, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !ok {
		return false, fmt.Errorf("%q is no pulse; %w", text, errEndWords)
	}
	if by {
		pulse += f.At()
	}
	return false, f.to(ctx, pulse)
}

// leave goes back to the centre, and says so where ends were confirmed in vain.
func (f *finder) leave(ctx context.Context) error {
	if _, _, err := f.Pulses(); err == nil && !f.saved {
		fmt.Fprintf(f.jog.out, "the ends of %s were confirmed and not written\n", f.Axis.Name)
	}
	return f.centre(ctx)
}

// press does what a key says that moves the axis.
func (f *finder) press(ctx context.Context, k key) (ended bool, err error) {
	switch k {
	case keyLeft:
		return false, f.to(ctx, f.At()-endSteps[f.step])
	case keyRight:
		return false, f.to(ctx, f.At()+endSteps[f.step])
	case 'r':
		return false, f.centre(ctx)
	}
	return true, f.leave(ctx)
}

// turn does what a key says that moves nothing.
func (f *finder) turn(k key) error {
	switch k {
	case keyUp:
		f.step = min(f.step+1, len(endSteps)-1)
	case keyDown:
		f.step = max(f.step-1, 0)
	case 'l':
		return f.confirm(live.LowEnd)
	case 'h':
		return f.confirm(live.HighEnd)
	case 'w':
		return f.write()
	default:
		return nil
	}
	f.tell()
	return nil
}

func (f *finder) tell() {
	fmt.Fprintf(f.jog.out, "%s at %s us, step %g us  (arrows move, l: low end is here, h: high end, w: write both, r: centre, space: stop, q: quit)\n",
		f.Axis.Name, rehearse.Micros(f.At()), endSteps[f.step])
}
