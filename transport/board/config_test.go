package board

import (
	"hash/crc32"
	"io"
	"os"
	"testing"

	"limberjack/sequence"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

func keeper(t testing.TB) *sequence.Rig {
	t.Helper()
	open := func(name string) (io.ReadCloser, error) { return os.Open("../../examples/lighthouse/" + name) }
	doc, err := sequence.Load(open, "keeper.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return doc.(*sequence.Rig)
}

// A board that was made for the example's rig holds its travel. By hand: head-pan goes
// from 860 to 2140 us, 1720 to 4280 ticks of 0.5 us; the arm from 900 to 2110 us.
func TestConfigOf(t *testing.T) {
	rig := keeper(t)
	c, err := ConfigOf(rig, rig.Boards[0])
	if err != nil {
		t.Fatal(err)
	}
	if c.Name != "main" || len(c.Outputs) != 16 || c.Tick != 500_000 || c.Least != 10_000_000 || c.Greatest != 100_000_000 {
		t.Errorf("%+v", c)
	}
	if want := crc32.ChecksumIEEE([]byte(timeline.Fingerprint(rig))); c.Print != want {
		t.Errorf("print %08x, want %08x", c.Print, want)
	}
	for n, want := range map[int]Output{
		2:  {Name: "head-pan", Units: wire.UnitsTicks, Low: 1720, High: 4280, Change: 2560, Soft: 10}, // 2560 ticks in 140 deg, 30 deg/s, 50 Hz: 10.97
		6:  {Name: "arm", Units: wire.UnitsTicks, Low: 1800, High: 4220, Change: 2420, Soft: 11},
		8:  {Name: "lantern", Units: wire.UnitsLevel, Low: 0, High: 65535, Change: 65535},
		15: {},
	} {
		if c.Outputs[n] != want {
			t.Errorf("output %d: %+v, want %+v", n, c.Outputs[n], want)
		}
	}
	shore, err := ConfigOf(rig, rig.Boards[1])
	if err != nil {
		t.Fatal(err)
	}
	if o := shore.Outputs[0]; o.Units != wire.UnitsSteps || o.Low != -1<<31 || o.Change != 32767 {
		t.Errorf("beacon: %+v", o)
	}
}

// BenchmarkAdvance plays frames of 32 channels, 333 a second.
func BenchmarkAdvance(b *testing.B) {
	const channels = 32
	c := Config{Depth: 64, Tick: 500_000, Least: 3_000_000, Greatest: 3_100_000, Slot: func(*Slot) {}, Send: func(wire.Message) {}}
	for range channels {
		c.Outputs = append(c.Outputs, Output{Units: wire.UnitsTicks, Low: 1000, High: 5000, Change: 4000})
	}
	p := NewPlayer(c)
	now := int64(0)
	say := func(m wire.Message) { p.Receive(now, wire.Packet{Kind: m.Kind(), Payload: m.Append(nil)}) }
	say(&wire.Setup{Channels: channels, Period: 3_003_000, Silence: 250})
	arm := wire.Arm{}
	for i := range uint8(channels) {
		say(&wire.Channel{Channel: i, Low: 1000, High: 5000, Rest: 3000, Change: 40, Slow: 4})
		arm.Values = arm.Values.Add(3000)
	}
	say(&arm)
	say(&wire.Start{Time: p.Tick()})
	frames := wire.Frames{Values: arm.Values, Time: p.Tick().Add(3_003)}
	payload := make([]byte, 0, 240)
	b.ReportAllocs()
	for k := 0; b.Loop(); k++ {
		frames.Index = wire.Index(k)
		frames.Values.Set(k%channels, uint16(3000+k%30))
		payload = frames.Append(payload[:0])
		p.Receive(now, wire.Packet{Kind: wire.KindFrames, Payload: payload})
		frames.Time = frames.Time.Add(3_003)
		now += 3_003
		p.Advance(now)
	}
	if s := p.Status(); s.State != wire.StatePlaying || s.Late > 0 || s.Played < uint32(b.N)-1 {
		b.Fatalf("%+v after %d", s, b.N)
	}
}
