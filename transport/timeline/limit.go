package timeline

import (
	"fmt"
	"math"
	"strings"

	"limberjack/sequence"
)

// LimitError is a value that its channel cannot hold.
type LimitError struct {
	Axis  *sequence.Axis
	Frame int64
	Time  float64 // s of performance time
	At    float64 // what the actuator should be at, in the axis's unit
	Value float64 // the same in the channel's unit, rounded
	Limit float64 // what the channel holds at most (or at least, where the value is below), in the same unit
	Unit  Unit
}

// Error says what does not fit, where, by how much, and what to do.
func (e *LimitError) Error() string {
	where := fmt.Sprintf("%s at %.3f s (frame %d)", e.Axis.Name, e.Time, e.Frame)
	if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
		return where + ": the curve has no finite value there"
	}
	return where + ": " + e.what()
}

func (e *LimitError) what() string {
	switch e.Unit {
	case PulseTicks:
		if e.Value < 1 {
			return fmt.Sprintf("the calibration gives a pulse of %.0f ticks at %.4g %s; a pulse cannot be shorter than 1 (0 is no pulse): correct the calibration or the motion", e.Value, e.At, e.Axis.Unit)
		}
		if e.Limit == maxPulse {
			return fmt.Sprintf("a pulse of %.0f ticks at %.4g %s is longer than the 65535 ticks that a value holds: correct the calibration, or give the board a longer tick", e.Value, e.At, e.Axis.Unit)
		}
		return fmt.Sprintf("a pulse of %.0f ticks (%.1f us) at %.4g %s is longer than the %.0f ticks that the frame has for it: correct the calibration, or lower the board's rate",
			e.Value, e.Value*e.Axis.Board.Tick.V, e.At, e.Axis.Unit, e.Limit)
	case StepDelta:
		if math.Abs(e.Limit) > maxStep {
			return fmt.Sprintf("the position of %.0f microsteps is beyond the %.0f that a board counts to: use fewer microsteps or turn back", e.Value, e.Limit)
		}
		return fmt.Sprintf("%.0f microsteps in one frame, and a frame holds %.0f: move slower, use fewer microsteps, or raise the board's rate", e.Value, e.Limit)
	case State:
		return fmt.Sprintf("a switch is 0 (off) or 1 (on), and the motion asks for %.4g", e.At)
	}
	return fmt.Sprintf("%.4g %s is %.0f in the board's units, of which the limit is %.0f: keep the motion within the range of the %s", e.At, e.Axis.Unit, e.Value, e.Limit, e.Axis.Kind)
}

// LimitErrors are the first excess of each channel of a board, in order of the
// channels.
type LimitErrors []*LimitError

// Error gives one line a channel.
func (es LimitErrors) Error() string {
	lines := make([]string, len(es))
	for i, e := range es {
		lines[i] = e.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the errors one by one.
func (es LimitErrors) Unwrap() []error {
	list := make([]error, len(es))
	for i, e := range es {
		list[i] = e
	}
	return list
}

// limits gives the least and the greatest value of a channel in a frame that is
// not released.
func (c *Channel) limits(frameTicks int64) (low, high float64) {
	switch c.Unit {
	case Duty:
		return -fullDuty, fullDuty
	case StepDelta:
		return -maxStep, maxStep
	case Level:
		return 0, fullLevel
	case State:
		return 0, 1
	}
	return 1, float64(max(0, min(maxPulse, frameTicks-int64(c.Offset))))
}
