package firmware

import (
	"fmt"
	"math"
	"strings"

	"limberjack/sequence"
	"limberjack/transport/wire"
)

// How many steps a second a stepper may take, and all of them together: the interrupt of a
// step takes about 10 us of a chip at 16 MHz, which has servos, a line and a card to look
// after, too.
const (
	stepsOfOne = 8000
	stepsOfAll = 20000
)

// longestOfSteppers is the longest period in ns over which a stepper's steps are spread: its
// timer tells times apart up to 24 ms ahead, and half of an interval has to fit in.
const longestOfSteppers = 43_000_000

// steppers settles how fast steppers are, and how they find their zero.
func (f *fitting) steppers() {
	all, homes := 0.0, []string{}
	for _, a := range f.rig.Axes {
		output := int(a.Channel.V)
		if a.Board != f.board || a.Kind != sequence.Stepper || output >= len(f.config.Outputs) || f.config.Outputs[output].Units != wire.UnitsSteps {
			continue
		}
		most := float64(f.config.Outputs[output].Change) * f.board.Rate.V
		all += most
		if most > stepsOfOne*spareOfSteps {
			f.bad(a.Limits.Speed.At, fmt.Sprintf("limit its speed to %.3g %s/s, or use fewer microsteps", stepsOfOne/a.StepsPerUnit(), a.Unit),
				"%s may go at %.0f steps/s, and the %s gives at most %d to a stepper", a.Name, math.Abs(a.Limits.Speed.V)*a.StepsPerUnit(), f.port.Chip, stepsOfOne)
		}
		if a.Home == nil {
			f.notes = append(f.notes, fmt.Sprintf("stepper %s has no home: where it stands when the board is armed is taken for where it is told to be, and from a card for its rest", a.Name))
			continue
		}
		if line, ok := f.home(a); ok {
			homes = append(homes, line)
		}
	}
	if all > stepsOfAll*spareOfSteps {
		f.bad(f.board.At, "use fewer microsteps, or lower speeds", "the steppers of board %s may take %.0f steps/s together, and the %s has time for %d", f.board.Name, all, f.port.Chip, stepsOfAll)
	}
	if len(homes) > 0 {
		f.config.Homing = true
		f.config.Port = append(f.config.Port, Line{"LJ_PORT_HOMES", "{ " + strings.Join(homes, ", ") + " }"})
	}
}

// spareOfSteps is what the change from frame to frame is above the speed's (rounding).
const spareOfSteps = 1.06

// home gives the line of LJ_PORT_HOMES of a stepper that has a home.
func (f *fitting) home(a *sequence.Axis) (string, bool) {
	h, rate := a.Home, a.Home.Speed.V*a.StepsPerUnit()
	way := 360.0
	switch {
	case a.HasTravel():
		way = a.Travel[1].V - a.Travel[0].V
	case a.Unit != "deg":
		f.bad(h.At, "give it a travel", "%s looks for its home, and nothing says how far that can be", a.Name)
		return "", false
	}
	limit := float64(stepsOfOne)
	if a.PullIn.Given() {
		limit = math.Min(limit, a.PullIn.V*a.StepsPerUnit()/a.FullSteps())
	}
	if rate > limit || rate < 1 {
		f.bad(h.At, fmt.Sprintf("write a speed of %.3g to %.3g %s/s", math.Ceil(100/a.StepsPerUnit())/100, limit/a.StepsPerUnit(), a.Unit),
			"%s looks for its home at %.4g steps/s, where it starts and stops at once: from 1 to %.4g can be had", a.Name, rate, limit)
		return "", false
	}
	bit := h.Input
	for _, in := range f.board.Inputs {
		if in.Number == h.Input && in.Stop {
			f.bad(h.At, "give its switch an input of its own", "%s looks for its home by the input that stops board %s", a.Name, f.board.Name)
			return "", false
		}
	}
	plus := 0
	if h.Plus {
		plus = 1
	}
	const spare = 1.1 // a whole way, and something for a belt
	return fmt.Sprintf("{%du, %du, %du, %du, %dul}", int(a.Channel.V), bit, plus, int(math.Round(rate)), int(math.Ceil(way*a.StepsPerUnit()*spare))), true
}

// period holds the board's rate against what the chip can do.
func (f *fitting) period() {
	longest, with := f.port.longest, ""
	if f.config.steppers() == 1 {
		longest, with = min(longest, longestOfSteppers), " with steppers"
	}
	f.config.Greatest = min(f.config.Greatest, longest)
	if ns := 1e9 / f.board.Rate.V; ns > float64(longest) {
		f.bad(f.board.Rate.At, "50Hz is usual", "board %s plays %g frames a second, and the %s%s needs at least %.4g", f.board.Name, f.board.Rate.V, f.port.Chip, with, math.Ceil(1e10/float64(longest))/10)
	}
}
