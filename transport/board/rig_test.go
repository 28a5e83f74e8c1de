package board

import (
	"fmt"
	"slices"
	"testing"

	"limberjack/transport/wire"
)

// desk is a player on a desk: a host that keeps what it hears, and a probe on each
// output that holds every slot against the limits.
type desk struct {
	t        testing.TB
	p        *Player
	now      int64
	sequence uint16
	heard    []wire.Message
	slots    []Slot
	drops    []int64
	keep     bool

	limits map[uint8]wire.Channel // what the board has taken
	last   map[uint8]Pin
	end    int64 // us, of the last pulse
	prev   int64
	least  int64 // us, to the next slot
	fail   string
}

// The desk's board has a servo that carries weight, two that carry none, a motor, a
// stepper, a lamp, a switch, and a hole. Ticks are 0.5 us, frames 20 ms.
const frame = 20_000

func deskConfig() Config {
	return Config{Name: "tower", Depth: 32, Tick: 500_000, Least: 5_000_000, Greatest: 100_000_000, Boot: 7, Epoch: 1000,
		Outputs: []Output{
			{Name: "arm", Units: wire.UnitsTicks, Low: 1000, High: 5000, Change: 4000},
			{Name: "head-pan", Units: wire.UnitsTicks, Low: 1000, High: 5000, Change: 4000},
			{},
			{Name: "jaw", Units: wire.UnitsTicks, Low: 1000, High: 5000, Change: 4000},
			{Name: "winch", Units: wire.UnitsDuty, Low: -32767, High: 32767, Change: 65535},
			{Name: "beacon", Units: wire.UnitsSteps, Low: -1 << 31, High: 1<<31 - 1, Change: 32767},
			{Name: "lantern", Units: wire.UnitsLevel, Low: 0, High: 65535, Change: 65535},
			{Name: "fog-horn", Units: wire.UnitsState, Low: 0, High: 1, Change: 1},
		}}
}

// deskChannels is the usual configuration.
func deskChannels() []wire.Channel {
	return []wire.Channel{
		{Channel: 0, Unit: wire.UnitTicks, Lost: wire.PolicyRelease, Flags: wire.FlagsWeight, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4},
		{Channel: 1, Unit: wire.UnitTicks, Lost: wire.PolicyRest, Offset: 5000, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4},
		{Channel: 3, Unit: wire.UnitTicks, Lost: wire.PolicyRelease, Offset: 10000, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4},
		{Channel: 4, Unit: wire.UnitDuty, Lost: wire.PolicyHold, Low: -30000, High: 30000, Rest: 0, Change: 3000, Slow: 1000},
		{Channel: 5, Unit: wire.UnitSteps, Lost: wire.PolicyHold, Low: -100_000, High: 100_000, Rest: 0, Change: 400, Slow: 50},
		{Channel: 6, Unit: wire.UnitLevel, Lost: wire.PolicyRest, Low: 0, High: 65535, Rest: 6000, Change: 65535, Slow: 65535},
		{Channel: 7, Unit: wire.UnitState, Lost: wire.PolicyHold, Low: 0, High: 1, Rest: 0, Change: 1, Slow: 1},
	}
}

// still is where the props stand when they are armed.
var still = []uint16{3000, 3000, 3000, 0, 0, 0, 0}

func newDesk(t testing.TB, c Config) *desk {
	d := &desk{t: t, limits: map[uint8]wire.Channel{}, last: map[uint8]Pin{}, keep: true, prev: -1}
	c.Send, c.Slot, c.Drop = d.hear, d.probe, d.dropped
	d.p = NewPlayer(c)
	return d
}

// hear keeps a copy of a message.
func (d *desk) hear(m wire.Message) {
	if !d.keep {
		return
	}
	again := m.Kind().New()
	if err := again.Decode(m.Append(nil)); err != nil {
		d.wrong("%s does not decode: %v", m.Kind(), err)
	}
	d.heard = append(d.heard, again)
}

func (d *desk) wrong(format string, args ...any) {
	if d.fail == "" {
		d.fail = fmt.Sprintf(format, args...)
	}
}

func (d *desk) dropped(at int64, cut bool) {
	d.drops = append(d.drops, at)
	clear(d.last)
}

// probe is the property of all tests: whatever has come, a slot is within all limits.
func (d *desk) probe(s *Slot) {
	if d.keep {
		again := *s
		again.Pins = slices.Clone(s.Pins)
		d.slots = append(d.slots, again)
	}
	if s.State == wire.StateSilent {
		d.wrong("a slot at %d us of a silent board", s.Start)
	}
	if d.prev >= 0 && s.Start < max(d.prev+d.least, d.end) {
		d.wrong("a slot at %d us, the last was at %d us, its pulses end at %d us", s.Start, d.prev, d.end)
	}
	d.prev, d.least, d.end = s.Start, s.Period-s.Period/16, s.Start
	if s.Framed && s.State != wire.StatePlaying {
		d.wrong("a frame is played in state %s", s.State)
	}
	for _, p := range s.Pins {
		d.probePin(s, p)
	}
}

func (d *desk) probePin(s *Slot, p Pin) {
	was, before := d.last[p.Output]
	d.last[p.Output] = p
	l, known := d.limits[p.Output]
	if !p.Live {
		if p.Value != 0 && p.Unit != wire.UnitSteps {
			d.wrong("output %d is off and has the value %d", p.Output, p.Value)
		}
		return
	}
	if p.Fresh == (before && was.Live) {
		d.wrong("output %d at %d us: fresh is %v", p.Output, s.Start, p.Fresh)
	}
	n := int64(p.Unit.Number(p.Value))
	if p.Unit == wire.UnitTicks {
		d.end = max(d.end, s.Start+(int64(p.Offset)+n)/2)
	}
	if !known {
		d.wrong("output %d has pulses and was never configured", p.Output)
		return
	}
	if p.Unit != wire.UnitSteps && (n < int64(l.Low) || n > int64(l.High)) {
		d.wrong("output %d at %d us: %d is not within %d..%d", p.Output, s.Start, n, l.Low, l.High)
	}
	if !p.Fresh {
		way := n - int64(p.Unit.Number(was.Value))
		if p.Unit == wire.UnitSteps {
			way = int64(int16(p.Value - was.Value))
		}
		if way > int64(l.Change) || -way > int64(l.Change) {
			d.wrong("output %d at %d us: a change of %d, %d is allowed", p.Output, s.Start, way, l.Change)
		}
	}
}

// say sends a message, and gives the result of its ack, or 255 where there is none.
func (d *desk) say(m wire.Message) wire.Result {
	d.sequence++
	d.p.Receive(d.now, wire.Packet{Kind: m.Kind(), Sequence: d.sequence, Payload: m.Append(nil)})
	for i := len(d.heard) - 1; i >= 0; i-- {
		if a, ok := d.heard[i].(*wire.Ack); ok && a.Sequence == d.sequence {
			if c, ok := m.(*wire.Channel); ok && a.Result == wire.ResultOk {
				d.limits[c.Channel] = *c
			}
			return a.Result
		}
	}
	return 255
}

// must sends messages that have to be taken.
func (d *desk) must(ms ...wire.Message) {
	d.t.Helper()
	for _, m := range ms {
		want := wire.ResultOk
		switch m.Kind() {
		case wire.KindFrames, wire.KindIdentify, wire.KindClock, wire.KindQuery, wire.KindAsk:
			want = 255
		}
		if got := d.say(m); got != want {
			d.t.Fatalf("%s: %s, want %s", m.Kind(), got, want)
		}
	}
}

// run lets time pass with a host that asks now and then.
func (d *desk) run(us int64) {
	d.t.Helper()
	for end := d.now + us; d.now < end; {
		d.now = min(end, d.now+50_000)
		d.say(&wire.Clock{})
	}
	d.check()
}

// wait lets time pass with a host that is silent.
func (d *desk) wait(us int64) {
	d.t.Helper()
	d.now += us
	d.p.Advance(d.now)
	d.check()
}

func (d *desk) check() {
	d.t.Helper()
	if d.fail != "" {
		d.t.Fatal(d.fail)
	}
}

// configure sends the usual setup.
func (d *desk) configure(channels ...wire.Channel) {
	d.t.Helper()
	d.must(&wire.Identify{Version: 1}, &wire.Setup{Channels: uint8(len(channels)), Period: frame * 1000, Silence: 250})
	for i := range channels {
		d.must(&channels[i])
	}
}

// armed gives a desk with an armed board.
func armed(t testing.TB) *desk {
	t.Helper()
	d := newDesk(t, deskConfig())
	d.configure(deskChannels()...)
	d.arm(still...)
	return d
}

func (d *desk) arm(values ...uint16) {
	d.t.Helper()
	d.must(&wire.Arm{Boot: d.p.boot, Values: wire.Values(nil).Add(values...)})
}

// tick gives the board's time so long after now.
func (d *desk) tick(us int64) wire.Tick { return d.p.tick(d.now).Add(us) }

// send queues frames of the arm's values from an index on, the first at a time; the
// other channels stand still.
func (d *desk) send(index wire.Index, at wire.Tick, arm ...uint16) wire.Result {
	var last wire.Result = 255
	for i, v := range arm {
		values := slices.Clone(still)
		values[0] = v
		last = d.say(&wire.Frames{Index: index.Add(i), Time: at.Add(int64(i) * frame), Values: wire.Values(nil).Add(values...)})
	}
	return last
}

// playing gives a desk with a board that plays frames of the arm, the first after 40 ms,
// and the tick of that.
func playing(t testing.TB, arm ...uint16) (*desk, wire.Tick) {
	t.Helper()
	d := armed(t)
	first := d.tick(40_000)
	d.must(&wire.Start{Time: d.tick(0)})
	if r := d.send(0, first, arm...); r != 255 {
		t.Fatalf("frames: %s", r)
	}
	return d, first
}

// values gives what an output had in the slots from one on; -1 where it was off.
func (d *desk) values(output uint8, from int) (list []int) {
	for _, s := range d.slots[from:] {
		for _, p := range s.Pins {
			if p.Output == output {
				v := int(p.Unit.Number(p.Value))
				if !p.Live {
					v = -1
				}
				list = append(list, v)
			}
		}
	}
	return list
}

// framed gives what an output had in the slots of frames.
func (d *desk) framed(output uint8) (list []int) {
	for i, s := range d.slots {
		if s.Framed {
			list = append(list, d.values(output, i)[0])
		}
	}
	return list
}

// state is an error where the board's state or its cause is another.
func (d *desk) state(s wire.State, c wire.Cause) {
	d.t.Helper()
	if d.p.state != s || d.p.cause != c {
		d.t.Fatalf("the board is %s by %s, want %s by %s", d.p.state, d.p.cause, s, c)
	}
}

// ramp gives n values from one on.
func ramp(from, step, n int) (list []uint16) {
	for i := range n {
		list = append(list, uint16(from+step*i))
	}
	return list
}
