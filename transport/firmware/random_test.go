package firmware_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// source gives numbers for random scripts: from a generator, or from a fuzzer's bytes.
type source interface {
	next(n int) int
	more() bool
}

type dice struct {
	*rand.Rand
	left int
}

func (d *dice) next(n int) int { return d.IntN(n) }
func (d *dice) more() bool     { d.left--; return d.left >= 0 }

type tape struct{ bytes []byte }

func (b *tape) more() bool { return len(b.bytes) > 0 }

func (b *tape) next(n int) int {
	v := 0
	for k := 0; k < 2 && len(b.bytes) > 0; k++ {
		v, b.bytes = v<<8|int(b.bytes[0]), b.bytes[1:]
	}
	return v % n
}

// beginnings are times near which 32 bits, or their sign, go around.
var beginnings = []uint32{0, 1<<32 - 1, 1<<32 - 150_000, 1<<32 - 2_000_000, 1<<31 - 100_000, 1<<31 - 3_000_000, 1 << 30, 3 << 30}

// stranger is a host that says whatever it likes, through a bad line.
type stranger struct {
	*twin
	source
	channels []*wire.Channel // that it believes to be configured
	good     bool            // the line is, for now
}

// channel gives a configuration that an output may take, or may not.
func (s *stranger) channel(n int) *wire.Channel {
	o := s.conf.Outputs[n]
	unit := wire.Unit(s.next(5))
	for k := 0; k < 5 && !o.Units.Has(unit) && (s.good || s.next(20) > 0); k++ {
		unit = (unit + 1) % 5
	}
	c := &wire.Channel{Channel: uint8(n), Unit: unit, Lost: wire.Policy(s.next(3)), Flags: wire.Flags(s.next(4) * s.next(2)), Low: o.Low, High: o.High,
		Change: uint32(1 + s.next(200)), Slow: uint32(1 + s.next(60))}
	low, high := map[wire.Unit]int32{wire.UnitTicks: 1, wire.UnitDuty: -32767, wire.UnitSteps: -100_000}, map[wire.Unit]int32{
		wire.UnitTicks: 5000, wire.UnitDuty: 32767, wire.UnitSteps: 100_000, wire.UnitLevel: 65535, wire.UnitState: 1}
	c.Low, c.High = max(o.Low, low[unit]), min(o.High, high[unit])
	if unit == wire.UnitTicks {
		c.Offset = uint16(s.next(6) * 2500)
	}
	c.Rest = c.Low + (c.High-c.Low)/2
	if unit == wire.UnitState || unit == wire.UnitLevel {
		c.Change = o.Change
	}
	if s.good {
		c.Change = min(c.Change, max(1, o.Change))
		return c
	}
	switch s.next(12) {
	case 0:
		c.Change, c.Slow = uint32(s.next(65536)), uint32(s.next(65536)*3)
	case 1:
		c.Change, c.Slow = 65535, 1
	case 2:
		c.Low, c.High = c.Low+int32(s.next(3)-1)*500, c.High+int32(s.next(3)-1)*500
	case 3:
		c.Low, c.High = o.Low, o.High
		c.Rest = []int32{o.Low, o.High, 0}[s.next(3)]
	case 4:
		c.Unit, c.Lost, c.Offset = wire.Unit(s.next(7)), wire.Policy(s.next(4)), uint16(s.next(65536))
	}
	c.Change = min(c.Change, max(1, o.Change))
	return c
}

// configure is a whole configuration, as a sane host makes it or not, and an arm.
func (s *stranger) configure() {
	s.good = s.next(4) > 0
	defer func() { s.good = false }()
	s.channels = nil
	few := s.next(3) == 0
	for n := range s.conf.Outputs {
		if s.conf.Outputs[n].Units == 0 && (s.good || s.next(4) > 0) || few && s.next(2) == 0 || s.conf.Queue == 255 && n > 20 && s.next(10) > 0 {
			continue
		}
		s.channels = append(s.channels, s.channel(n))
	}
	if s.good {
		s.send(&wire.Stop{Category: wire.CategoryDrop})
		s.input(0)
	}
	period := uint32(20_000_000 + s.next(3)*1_234_567*s.next(2))
	s.send(&wire.Setup{Channels: uint8(len(s.channels)), Period: period, Silence: uint16(100 + s.next(3)*150)})
	for _, c := range s.channels {
		s.send(c)
	}
	s.send(&wire.Arm{Boot: s.boot, Values: s.values(2)})
}

// values gives a value a channel: 0 any, 1 some off, otherwise near rest.
func (s *stranger) values(what int) wire.Values {
	v := wire.Values(nil)
	for _, c := range s.channels {
		near := int64(c.Rest) + int64(s.next(200)) - 100
		near = max(int64(c.Low), min(near, int64(c.High)))
		switch {
		case what == 0:
			v = v.Add(uint16(s.next(65536)))
		case what == 1 && s.next(8) == 0:
			v = v.Add(0)
		default:
			v = v.Add(uint16(near))
		}
	}
	return v
}

// stamp gives a time of a frame, mostly a near one.
func (s *stranger) stamp() wire.Tick {
	near := int64(s.next(500_000)) - 100_000
	if s.next(40) == 0 {
		near = int64(s.next(1<<15)-1<<14) << 15 // nine minutes either way
	}
	return wire.Tick(s.tick(s.now + near))
}

// send sends a message through a line that loses, doubles, cuts and changes bytes.
func (s *stranger) send(m wire.Message) {
	b := s.frame(m)
	if s.good {
		s.bytes(b)
		return
	}
	switch s.next(40) {
	case 0:
		return
	case 1:
		s.bytes(b)
	case 2:
		b[s.next(len(b))] ^= 1 << s.next(8)
	case 3:
		b = b[:s.next(len(b))]
	case 4:
		b = append([]byte{0, byte(s.next(256)), 0, 0}, b...)
	case 5:
		n := s.next(len(b))
		s.bytes(b[:n])
		s.wait(int64(s.next(30_000)))
		b = b[n:]
	}
	s.bytes(b)
}

// act does one thing.
func (s *stranger) act() {
	next := s.p.Status().Index
	switch s.next(26) {
	case 0:
		if s.next(3) > 0 {
			s.configure()
			return
		}
		s.send(&wire.Setup{Channels: uint8(s.next(9)), Period: uint32(s.next(4)) * 10_000_000, Silence: uint16(s.next(3) * 125)})
	case 1:
		s.send(s.channel(s.next(len(s.conf.Outputs))))
	case 2:
		s.configure()
	case 3, 4, 5:
		s.send(&wire.Arm{Boot: s.boot - uint16(s.next(8)/7), Values: s.values(s.next(8))[2*min(len(s.channels), s.next(8)/7):]})
	case 6, 7, 8, 9, 10, 11, 12:
		room := (s.conf.Payload - wire.SizeFrames) / max(1, 2*len(s.channels))
		m := &wire.Frames{Index: next.Add(s.next(12) - 2), Time: s.stamp(), Spacing: uint32(19_000_000 + s.next(20)*200_017)}
		if s.conf.Queue == 1 {
			m.Index = next
		}
		what := s.next(6)
		for range s.next(min(5, room+2)) {
			m.Values = append(m.Values, s.values(what)...)
		}
		if s.next(16) == 0 {
			m.Values = append(m.Values, 7)
		}
		if len(m.Append(nil)) <= wire.MaxPayload {
			s.send(m)
		}
	case 13, 14:
		s.send(&wire.Start{Time: wire.Tick(s.tick(s.now + int64(s.next(60_000)) - 20_000))})
	case 15:
		s.send(&wire.Hold{})
	case 16, 17:
		s.send(&wire.Resume{Time: wire.Tick(s.tick(s.now + int64(s.next(100_000)) - 20_000))})
	case 18:
		if s.next(3) == 0 {
			s.send(&wire.Stop{Category: wire.Category(s.next(9) / 2 % 3)})
		}
	case 19:
		s.send(&wire.Flush{Index: next.Add(s.next(40) - 4)})
	case 20:
		if s.next(4) == 0 {
			s.wait(int64(s.next(400_000)))
		}
		if s.next(200) == 0 {
			for range s.next(30) {
				s.wait(300_000_000)
			}
		}
	case 21:
		s.input(wire.Inputs(s.next(9) &^ min(1, s.next(4))))
	case 22:
		raw := make([]byte, s.next(300))
		for i := range raw {
			raw[i] = byte(s.next(256))
		}
		s.bytes(raw)
	case 23:
		if s.next(12) == 0 {
			s.reset([]wire.Reset{wire.ResetPin, wire.ResetPower, wire.ResetUnknown, wire.ResetBrownout, wire.ResetWatchdog}[s.next(10)%5*s.next(2)])
			s.say(&wire.Identify{Version: 1})
		} else {
			s.send(&wire.Ask{Channel: uint8(s.next(len(s.conf.Outputs) + 1))})
		}
	case 24:
		s.skip(int64(s.next(60_000)))
	case 25:
		s.send(&wire.Query{Topic: wire.Topic(s.next(3))})
	}
	s.wait(int64(s.next(30_000)))
}

// play is a whole script.
func play(t testing.TB, c *firmware.Config, src source) *twin {
	s := &stranger{twin: newTwin(t, c, beginnings[src.next(len(beginnings))]), source: src}
	if src.next(4) > 0 {
		s.send(&wire.Identify{Version: 1})
		s.configure()
	}
	for s.more() {
		s.act()
	}
	return s.twin
}

// scripts is how many random scripts are compared on each board; LIMBERJACK_SCRIPTS gives
// another number.
func scripts(t *testing.T) int {
	if text := os.Getenv("LIMBERJACK_SCRIPTS"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	return 200
}

// Whatever comes, at any time, Go and C do the same to the byte.
func TestRandomScripts(t *testing.T) {
	t.Parallel()
	for _, c := range []*firmware.Config{tower(), shore(), pier(), buoy(), island()} {
		t.Run(c.Name, func(t *testing.T) {
			d := newDevice(t, c)
			states, slots, sent := map[wire.State]int{}, 0, 0
			for seed := range uint64(scripts(t)) {
				w := play(t, c, &dice{rand.New(rand.NewPCG(seed, 5)), 120})
				w.label = fmt.Sprintf("seed %d", seed)
				w.compare(d)
				states[w.p.State()]++
				slots += w.slots
				sent += len(w.acks)
			}
			t.Logf("%d scripts, %d slots, %d acknowledgements, last states %v", scripts(t), slots, sent, states)
			if slots < 50*scripts(t) {
				t.Errorf("only %d slots in %d scripts", slots, scripts(t))
			}
		})
	}
}
