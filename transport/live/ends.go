package live

import (
	"errors"
	"fmt"
	"math"
)

// Figures of finding the ends of a servo.
const (
	// WidenMost is how much further out than ever before one step may go, in us: about
	// 1 deg of a usual servo, so that a stop is felt and heard before it is leant on
	// (common practice).
	WidenMost = 10.0
	// endsApart is the least distance between two ends in us; less is a slip of the hand.
	endsApart = 50.0
)

// TravelEnd is one of an axis's two ends of travel.
type TravelEnd int

// The ends of a travel.
const (
	LowEnd TravelEnd = iota
	HighEnd
)

// String gives the end's name.
func (e TravelEnd) String() string { return [...]string{"low", "high"}[e] }

// Ends finds the pulses of an axis at the ends of its travel, from its centre outwards.
// Pulses are in us. Within what was reached before, the axis may go anywhere; beyond it
// only by WidenMost at a time. An end counts once somebody has confirmed it.
type Ends struct {
	least, greatest float64 // that any servo may get
	at              float64
	reached         [2]float64
	sure            [2]bool
	end             [2]float64
}

// NewEnds begins at a centre, within the least and the greatest pulse that may ever be
// given.
func NewEnds(centre, least, greatest float64) *Ends {
	return &Ends{least: least, greatest: greatest, at: centre, reached: [2]float64{centre, centre}}
}

// At gives the present pulse.
func (e *Ends) At() float64 { return e.at }

// Allow says why the axis may not go to a pulse.
func (e *Ends) Allow(pulse float64) error {
	switch {
	case math.IsNaN(pulse) || pulse < e.least || pulse > e.greatest:
		return fmt.Errorf("%s us is not allowed: pulses are from %s to %s us", number(pulse), number(e.least), number(e.greatest))
	case pulse < e.reached[0]-WidenMost || pulse > e.reached[1]+WidenMost:
		return fmt.Errorf("%s us is too far in one step: the axis has been from %s to %s us, and goes at most %v us further out at a time",
			number(pulse), number(e.reached[0]), number(e.reached[1]), WidenMost)
	}
	return nil
}

// Reached takes note that the axis has gone to a pulse.
func (e *Ends) Reached(pulse float64) {
	e.at = pulse
	e.reached = [2]float64{math.Min(e.reached[0], pulse), math.Max(e.reached[1], pulse)}
}

// Confirm takes the present pulse for one of the ends.
func (e *Ends) Confirm(end TravelEnd) { e.sure[end], e.end[end] = true, e.at }

// Range gives the least and the greatest pulse that the axis has been at.
func (e *Ends) Range() (least, greatest float64) { return e.reached[0], e.reached[1] }

// Confirmed gives the pulse at an end, and whether it is confirmed.
func (e *Ends) Confirmed(end TravelEnd) (pulse float64, ok bool) { return e.end[end], e.sure[end] }

// Swap makes the confirmed ends change places, which reverses the axis. Both must be
// confirmed.
func (e *Ends) Swap() error {
	if _, _, err := e.Pulses(); err != nil {
		return err
	}
	e.end[LowEnd], e.end[HighEnd] = e.end[HighEnd], e.end[LowEnd]
	return nil
}

// Pulses gives the pulses at the low and at the high end of the travel. Ends that were
// not confirmed are refused.
func (e *Ends) Pulses() (low, high float64, err error) {
	for end, sure := range e.sure {
		if !sure {
			return 0, 0, fmt.Errorf("the %s end is not confirmed: go there in small steps, look, and confirm it with %s", TravelEnd(end), TravelEnd(end))
		}
	}
	if math.Abs(e.end[1]-e.end[0]) < endsApart {
		return 0, 0, errors.New("both ends were confirmed at nearly the same pulse; go to the other one, and confirm it there")
	}
	return e.end[LowEnd], e.end[HighEnd], nil
}

// number gives a pulse to 0.1 us.
func number(us float64) string { return fmt.Sprintf("%.10g", math.Round(us*10)/10) }
