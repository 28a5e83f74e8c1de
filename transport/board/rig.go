package board

import (
	"fmt"
	"hash/crc32"
	"math"

	"limberjack/sequence"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// usualOutputs is how many outputs a board has for which the rig gives no number, and
// usualDepth how many frames its queue holds: 0.64 s at 50 Hz, and for 16 channels half
// of the 2 KB of memory that a small 8-bit chip has.
const (
	usualOutputs = 16
	usualDepth   = 32
)

// ConfigOf gives a board that was made for its place in a rig: it holds the travel of
// each axis itself, on the axis's output, and plays frames between half and five times
// the rig's period. Print is the CRC-32 (IEEE 802.3) of the rig's fingerprint. An error
// says what the rig lacks.
func ConfigOf(r *sequence.Rig, b *sequence.Board) (Config, error) {
	period := 1e9 / b.Rate.V
	c := Config{Name: b.Name, Depth: usualDepth, Tick: uint32(math.Round(b.Tick.V * 1e6)),
		Least: uint32(period / 2), Greatest: uint32(min(period*5, math.MaxUint32)), Print: Print(r)}
	c.Outputs = make([]Output, usualOutputs)
	if b.Channels.Given() {
		c.Outputs = make([]Output, int(b.Channels.V))
	}
	if len(c.Outputs) > wire.MaxChannels {
		return c, fmt.Errorf("the board %s has %d channels, and the protocol knows at most %d: split it into two boards", b.Name, len(c.Outputs), wire.MaxChannels)
	}
	channels, err := timeline.ChannelsOf(r, b)
	if err != nil {
		return c, err
	}
	for i := range channels {
		ch := &channels[i]
		if ch.Number >= len(c.Outputs) {
			c.Outputs = append(c.Outputs, make([]Output, ch.Number+1-len(c.Outputs))...)
		}
		c.Outputs[ch.Number] = outputOf(ch)
	}
	return c, nil
}

// Print gives the number by which a board tells which rig it was made for: the CRC-32
// (IEEE 802.3) of the rig's fingerprint.
func Print(r *sequence.Rig) uint32 { return crc32.ChecksumIEEE([]byte(timeline.Fingerprint(r))) }

// outputOf gives what the board allows on a channel.
func outputOf(c *timeline.Channel) Output {
	units := [...]wire.Units{timeline.PulseTicks: wire.UnitsTicks, timeline.Duty: wire.UnitsDuty,
		timeline.StepDelta: wire.UnitsSteps, timeline.Level: wire.UnitsLevel, timeline.State: wire.UnitsState}
	o := Output{Name: c.Axis.Name, Units: units[c.Unit], Low: int32(c.Low), High: int32(c.High)}
	o.Change = uint32(min(c.High-c.Low, widestChange))
	if c.Unit != timeline.State && c.Unit != timeline.Level {
		o.Soft = uint32(math.Max(1, c.LimitsAt(0, timeline.SoftDegrees).SoftSpeed/c.Axis.Board.Rate.V))
	}
	if c.Unit == timeline.StepDelta {
		o.Change = widestSteps
	}
	return o
}
