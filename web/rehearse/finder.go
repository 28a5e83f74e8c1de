package rehearse

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
)

// AxisForEnds finds the axis of a board whose ends are looked for. The error names the
// nearest one, or says why its ends cannot be looked for.
func AxisForEnds(rig *sequence.Rig, board *sequence.Board, name string) (*sequence.Axis, error) {
	var names []string
	for _, a := range rig.Axes {
		if a.Board != board {
			continue
		}
		if a.Name == name {
			if err := a.Calibrates(); err != nil {
				return nil, err
			}
			return a, nil
		}
		names = append(names, a.Name)
	}
	if near := sequence.Nearest(name, names); near != "" {
		return nil, fmt.Errorf("board %s drives no axis %q; did you mean %s?", board.Name, name, near)
	}
	return nil, fmt.Errorf("board %s drives no axis %q; it drives %s", board.Name, name, strings.Join(names, ", "))
}

// Finder looks for the pulses at the ends of one servo's travel, from its centre
// outwards: by live.Ends, on a board that was opened for that axis.
type Finder struct {
	*live.Ends
	Axis    *sequence.Axis // opened
	Read    sequence.Axis  // as it was read from the rig's file
	AtBegin float64        // us, the centre at which the axis takes hold

	pose    *Pose
	channel int  // of the board's timeline
	astray  bool // the axis stands elsewhere than at Ends.At
}

// NewFinder opens an axis of a pose's rig, which is of no use for anything else from
// now on: its travel stands for all pulses.
func NewFinder(pose *Pose, name string) (*Finder, error) {
	a, err := AxisForEnds(pose.Rig, pose.Board, name)
	if err != nil {
		return nil, err
	}
	f := &Finder{Axis: a, Read: *a, AtBegin: a.PulseCentre(), pose: pose}
	a.OpenPulse()
	f.Ends = live.NewEnds(f.AtBegin, sequence.PulseLeast, sequence.PulseGreatest)
	pose.At[a] = a.Rest.V
	t, err := pose.Timeline()
	if err != nil {
		return nil, err
	}
	f.channel = slices.IndexFunc(t.Channels, func(c timeline.Channel) bool { return c.Axis == a })
	return f, nil
}

// Caution is to be said before the first pulse.
func (f *Finder) Caution() string {
	return fmt.Sprintf(`Looking for the ends of %s: it takes hold at its centre, %s us, and goes at most %v us further out at a time.
Take the horn off, or see that the axis can go to its centre freely; fingers out of it. A servo that hums against a stop
draws its stall current and gets hot: go back at once.`, f.Axis.Name, Micros(f.AtBegin), live.WidenMost)
}

// Micros gives a pulse in us to 0.1 us, as it is written.
func Micros(us float64) string { return strconv.FormatFloat(math.Round(us*10)/10, 'f', -1, 64) }

// To goes to a pulse in us at the soft speed, if that is allowed, and returns when the
// axis is there. Where it was cut short the axis stands somewhere on its way.
func (f *Finder) To(ctx context.Context, b *live.Board, pulse float64) error {
	if err := f.Allow(pulse); err != nil {
		return err
	}
	was := f.pose.At[f.Axis]
	f.pose.At[f.Axis] = f.Axis.OpenValue(pulse)
	if err := f.pose.Move(ctx, b); err != nil {
		f.pose.At[f.Axis], f.astray = was, true
		return err
	}
	f.Reached(pulse)
	f.astray = false
	return nil
}

// Look sees, on a board that has been armed or asked for its pose, whether the axis stands
// where To brought it last: a stop may have cut a move short, and a board that was lost or
// reset may have gone elsewhere by itself.
func (f *Finder) Look(b *live.Board) {
	f.astray = math.Abs(f.stands(b)-f.At()) > f.Axis.Board.Tick.V
}

// stands gives the pulse in us at which the axis is taken to stand.
func (f *Finder) stands(b *live.Board) float64 {
	return float64(b.Standing()[f.channel]) * f.Axis.Board.Tick.V
}

// Confirm takes the present pulse for one of the ends. An axis that stands elsewhere than
// To brought it is refused: nobody has seen the pulse that would be taken.
func (f *Finder) Confirm(end live.TravelEnd) error {
	if f.astray {
		return fmt.Errorf("%s was stopped on its way, and stands between: go to a pulse first, look, and then confirm", f.Axis.Name)
	}
	f.Ends.Confirm(end)
	return nil
}

// Sweep goes so many times from one confirmed end to the other and back, and then to the
// centre, all at the soft speed.
func (f *Finder) Sweep(ctx context.Context, b *live.Board, times int) error {
	low, high, err := f.Pulses()
	if err != nil {
		return err
	}
	for range times {
		for _, pulse := range []float64{low, high} {
			if err := f.To(ctx, b, pulse); err != nil {
				return err
			}
		}
	}
	return f.To(ctx, b, f.AtBegin)
}

// Set gives the text of the rig's file with both ends in it, which must be confirmed.
// Nothing else in it changes: see sequence.SetPulse.
func (f *Finder) Set(text []byte) ([]byte, error) {
	low, high, err := f.Pulses()
	if err != nil {
		return nil, err
	}
	return sequence.SetPulse(text, &f.Read, low, high)
}

// OpenHint says, of an error of connecting for ends, how the board is opened for that.
// rig is the name of the rig's file.
func OpenHint(err error, rig, axis string) error {
	var other *live.MismatchError
	if !errors.As(err, &other) {
		return err
	}
	return fmt.Errorf("%w\nto look for ends the board must be open: make its program with limberjack firmware %s --ends %s, or give limberjack board the same", err, rig, axis)
}
