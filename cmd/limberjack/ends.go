package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"limberjack/sequence"
	"limberjack/transport/live"
)

// finder looks for the ends of one axis: what jog does with --ends.
type finder struct {
	jog     *jogger
	axis    *sequence.Axis // opened
	read    sequence.Axis  // as it was read from the file
	file    string
	ends    *live.Ends
	step    int // which of endSteps
	saved   bool
	atBegin float64
}

// endSteps are the steps of an arrow in us; none is wider than live.WidenMost.
var endSteps = [...]float64{0.5, 1, 2, 5, live.WidenMost}

// axisForEnds gives the axis whose ends are looked for, opened for that.
func axisForEnds(rig *sequence.Rig, board *sequence.Board, name string) (*sequence.Axis, error) {
	var names []string
	for _, a := range rig.Axes {
		if a.Board != board {
			continue
		}
		if a.Name == name {
			if err := a.Calibrates(); err != nil {
				return nil, fmt.Errorf("--ends: %w", err)
			}
			return a, nil
		}
		names = append(names, a.Name)
	}
	if near := sequence.Nearest(name, names); near != "" {
		return nil, fmt.Errorf("--ends: board %s drives no axis %q; did you mean %s?", board.Name, name, near)
	}
	return nil, fmt.Errorf("--ends: board %s drives no axis %q; it drives %s", board.Name, name, strings.Join(names, ", "))
}

// openForEnds opens one axis of a board; without a name none.
func openForEnds(rig *sequence.Rig, board *sequence.Board, name string) error {
	if name == "" {
		return nil
	}
	a, err := axisForEnds(rig, board, name)
	if err == nil {
		a.OpenPulse()
	}
	return err
}

// newFinder opens an axis of the jogger's board.
func newFinder(j *jogger, name string) (*finder, error) {
	a, err := axisForEnds(j.rig, j.board, name)
	if err != nil {
		return nil, err
	}
	f := &finder{jog: j, axis: a, read: *a, file: j.rig.File, step: len(endSteps) - 2}
	f.atBegin = a.PulseCentre()
	a.OpenPulse()
	f.ends = live.NewEnds(f.atBegin, sequence.PulseLeast, sequence.PulseGreatest)
	j.at[a] = a.Rest.V
	return f, nil
}

// caution is said before the first pulse.
func (f *finder) caution() string {
	return fmt.Sprintf(`Looking for the ends of %s: it takes hold at its centre, %s us, and goes at most %v us further out at a time.
Take the horn off, or see that the axis can go to its centre freely; fingers out of it. A servo that hums against a stop
draws its stall current and gets hot: go back at once.`, f.axis.Name, micros(f.atBegin), live.WidenMost)
}

// micros gives a pulse to 0.1 us.
func micros(us float64) string { return strconv.FormatFloat(math.Round(us*10)/10, 'f', -1, 64) }

// to goes to a pulse, if that is allowed.
func (f *finder) to(ctx context.Context, pulse float64) error {
	if err := f.ends.Allow(pulse); err != nil {
		return err
	}
	was := f.jog.at[f.axis]
	f.jog.at[f.axis] = f.axis.OpenValue(pulse)
	if err := f.jog.follow(ctx); err != nil {
		f.jog.at[f.axis] = was
		return err
	}
	f.ends.Reached(pulse)
	fmt.Fprintf(f.jog.out, "%s at %s us\n", f.axis.Name, micros(pulse))
	return nil
}

func (f *finder) centre(ctx context.Context) error { return f.to(ctx, f.atBegin) }

func (f *finder) confirm(end live.TravelEnd) {
	f.ends.Confirm(end)
	f.saved = false
	fmt.Fprintf(f.jog.out, "%s: %s us is its %s end, %s %s\n", f.axis.Name, micros(f.ends.At()), end, strconv.FormatFloat(f.read.Travel[end].V, 'f', -1, 64), f.axis.Unit)
}

// write writes both ends into the rig.
func (f *finder) write() error {
	low, high, err := f.ends.Pulses()
	if err != nil {
		return fmt.Errorf("nothing was written: %w", err)
	}
	text, err := os.ReadFile(f.file)
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", f.file, reason(err))
	}
	if text, err = sequence.SetPulse(text, &f.read, low, high); err != nil {
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
	fmt.Fprintf(f.jog.out, "%s: %s us to %s us are its pulses in %s now\n", f.axis.Name, micros(low), micros(high), f.file)
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
		f.confirm(live.LowEnd)
		return false, nil
	case "high":
		f.confirm(live.HighEnd)
		return false, nil
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
		pulse += f.ends.At()
	}
	return false, f.to(ctx, pulse)
}

// leave goes back to the centre, and says so where ends were confirmed in vain.
func (f *finder) leave(ctx context.Context) error {
	if _, _, err := f.ends.Pulses(); err == nil && !f.saved {
		fmt.Fprintf(f.jog.out, "the ends of %s were confirmed and not written\n", f.axis.Name)
	}
	return f.centre(ctx)
}

// press does what a key says that moves the axis.
func (f *finder) press(ctx context.Context, k key) (ended bool, err error) {
	switch k {
	case keyLeft:
		return false, f.to(ctx, f.ends.At()-endSteps[f.step])
	case keyRight:
		return false, f.to(ctx, f.ends.At()+endSteps[f.step])
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
		f.confirm(live.LowEnd)
		return nil
	case 'h':
		f.confirm(live.HighEnd)
		return nil
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
		f.axis.Name, micros(f.ends.At()), endSteps[f.step])
}
