package firmware

import (
	"fmt"
	"math"
)

// How long before its start a slot is given to the port: what working it out and planning
// its pulses takes, and a message that comes just before (12 outputs on a chip at 16 MHz
// take 1.1 ms, and a message up to 1 ms; measured in the simulator). It is a quarter of the
// shortest period at most.
const (
	leadOfOne   = 150 // us an output
	leadOfSlot  = 100 // us
	leadOfChip  = 700 // us, proven up to 333 Hz
	leadOfQuick = 4   // parts of the shortest period
)

// spareOfPeriod is what a host may shorten the period by, as a board's clock is off.
const spareOfPeriod = 0.98

// lead settles how far ahead slots are given, and the shortest period with it: at a high rate
// the board takes no half of its period.
func (f *fitting) lead() {
	c, rate := f.config, f.board.Rate.V
	shortest := spareOfPeriod * 1e9 / rate
	c.Least = uint32(math.Min(shortest, math.Max(float64(c.Least), leadOfQuick*1000*float64(f.port.lead))))
	c.Lead = min(f.port.lead, c.Least/(leadOfQuick*1000))
	need := f.leadNeeded()
	if c.Lead >= need {
		return
	}
	most := math.Floor(spareOfPeriod * 1e6 / (leadOfQuick * float64(need)))
	hint := fmt.Sprintf("write rate: %gHz or less", most)
	if need > leadOfChip && !f.port.driver {
		hint += ", or give the board fewer outputs"
	}
	f.bad(f.board.Rate.At, hint, "board %s plays %g frames a second, and the %s has time for %g at most with its %d outputs", f.board.Name, rate, f.port.Chip, most, f.count())
}

// leadNeeded gives the least lead, us. A driver gets a slot by its bus, all outputs at once.
func (f *fitting) leadNeeded() uint32 {
	if f.port.driver {
		return f.port.lead
	}
	return max(leadOfChip, uint32(leadOfSlot+leadOfOne*f.count()))
}

// count gives how many outputs there are.
func (f *fitting) count() (n int) {
	for i := range f.config.Outputs {
		if f.config.Outputs[i].Units != 0 {
			n++
		}
	}
	return n
}
