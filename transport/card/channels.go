package card

import (
	"fmt"
	"math"

	"limberjack/sequence"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// softOne is one unit in the fixed-point numbers of a soft start.
const softOne = 1 << 16

// ChannelsOf gives the records that a board's channels have on a card, and its tick in
// ps, with limits of change by the rig alone: a card's may be wider, where a motion is
// faster. Print of the two is the fingerprint that a card for this board carries.
func ChannelsOf(r *sequence.Rig, b *sequence.Board) (tick uint32, channels []Channel, err error) {
	list, err := timeline.ChannelsOf(r, b)
	if err != nil {
		return 0, nil, err
	}
	k, err := newContainer(0, &timeline.Timeline{Board: b, Channels: list})
	if err != nil {
		return 0, nil, err
	}
	for i := range k.channels {
		k.channels[i].limit(&list[i], 0)
	}
	return k.header.Tick, k.channels, nil
}

// newChannel gives the record of a channel, without what depends on motions.
func newChannel(c *timeline.Channel) (Channel, error) {
	if c.Number > math.MaxUint8 {
		return Channel{}, sequence.Problem{At: c.Axis.Channel.At, Text: fmt.Sprintf("channel %d of board %s cannot stand on a card, which counts them from 0 to %d", c.Number, c.Axis.Board.Name, math.MaxUint8),
			Hint: "number the board's outputs from 0"}
	}
	ch := Channel{Output: uint8(c.Number), Unit: units[c.Unit], Lost: policies[c.Axis.Lost], Offset: c.Offset,
		Low: clamp32(c.Low), High: clamp32(c.High), Rest: clamp32(c.Rest), Name: cut(c.Axis.Name, nameSize)}
	if c.Unit == timeline.PulseTicks {
		ch.Low = max(1, ch.Low) // 0 is no pulse
	}
	if ch.Rest < ch.Low || ch.Rest > ch.High {
		return Channel{}, sequence.Problem{At: c.Axis.At, Text: fmt.Sprintf("the rest of %s is %d %s, and its channel goes from %d to %d", c.Axis.Name, ch.Rest, c.Unit, ch.Low, ch.High),
			Hint: "give a rest within travel and calibration"}
	}
	if c.Axis.Load.CarriesWeight() {
		ch.Flags |= wire.FlagsWeight
	}
	if c.Axis.Kind == sequence.ContinuousServo {
		ch.Flags |= wire.FlagsTurns
	}
	if c.Trigger {
		ch.Flags |= FlagTrigger
	}
	return ch, nil
}

var (
	units = [...]wire.Unit{timeline.PulseTicks: wire.UnitTicks, timeline.Duty: wire.UnitDuty,
		timeline.StepDelta: wire.UnitSteps, timeline.Level: wire.UnitLevel, timeline.State: wire.UnitState}
	policies = [...]wire.Policy{sequence.LostHold: wire.PolicyHold, sequence.LostRest: wire.PolicyRest, sequence.LostRelease: wire.PolicyRelease}
)

func clamp32(v int64) int32 { return int32(max(math.MinInt32, min(math.MaxInt32, v))) }

// limit sets how fast a channel may change: at least as fast as its motions do.
func (ch *Channel) limit(c *timeline.Channel, change int64) {
	rate := c.Axis.Board.Rate.V
	l := c.LimitsAt(change, timeline.SoftDegrees)
	ch.Change, ch.Slow = l.Change, l.Slow
	ch.Soft, ch.Rise = fixed(l.SoftSpeed/rate), fixed(l.SoftRise/(rate*rate))
}

// fixed gives a number in 1/65536, at least one of them.
func fixed(x float64) uint32 {
	return uint32(math.Max(1, math.Min(math.Round(x*softOne), math.MaxUint32)))
}

// follower finds the greatest change of a channel from frame to frame.
type follower struct {
	unit   timeline.Unit
	change int64
	before int64
	some   bool // there is a frame before
}

// wire takes a value as it stands on the card. A servo without a pulse may come back
// anywhere.
func (f *follower) wire(v uint16) {
	x := int64(f.unit.Number(v))
	switch {
	case f.unit == timeline.StepDelta:
		x = f.before + int64(int16(v-uint16(f.before)))
	case f.unit == timeline.PulseTicks && v == 0:
		f.some = false
		return
	}
	if f.some {
		f.change = max(f.change, x-f.before, f.before-x)
	}
	f.before, f.some = x, true
}
