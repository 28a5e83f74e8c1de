package board

import (
	"math/rand/v2"
	"testing"

	"limberjack/transport/wire"
)

// source gives numbers for random messages: from a generator, or from a fuzzer's bytes.
type source interface{ next(n int) int }

type dice struct{ *rand.Rand }

func (d dice) next(n int) int { return d.IntN(n) }

type tape struct{ bytes []byte }

func (b *tape) next(n int) int {
	v := 0
	for k := 0; k < 2 && len(b.bytes) > 0; k++ {
		v, b.bytes = v<<8|int(b.bytes[0]), b.bytes[1:]
	}
	return v % n
}

// abuse does something to the board: mostly what a host might send, often wrong.
func abuse(d *desk, s source) {
	switch s.next(24) {
	case 0:
		d.say(&wire.Setup{Channels: uint8(s.next(9)), Period: uint32(s.next(4)) * 10_000_000, Silence: uint16(s.next(3) * 125)})
	case 1:
		c := deskChannels()[s.next(7)]
		c.Low += int32(s.next(3)-1) * 500
		c.High += int32(s.next(3)-1) * 500
		c.Change = uint32(s.next(100))
		c.Slow = uint32(s.next(30))
		c.Lost, c.Flags = wire.Policy(s.next(4)), wire.Flags(s.next(4))
		d.say(&c)
	case 2:
		d.say(&wire.Setup{Channels: 7, Period: 20_000_000, Silence: 250})
		for _, c := range deskChannels() {
			d.say(&c)
		}
	case 3, 4:
		v := wire.Values(nil)
		for range s.next(9) {
			v = v.Add(uint16(2900 + s.next(200)))
		}
		d.say(&wire.Arm{Boot: d.p.boot - uint16(s.next(4)/3), Values: v})
	case 5, 6:
		d.say(&wire.Arm{Boot: d.p.boot, Values: wire.Values(nil).Add(still...)})
	case 7, 8, 9, 10, 11, 12:
		v := wire.Values(nil)
		for range s.next(5) * len(d.p.used) {
			few, many := s.next(5000), s.next(65536)
			v = v.Add(uint16([]int{few, many}[s.next(2)]))
		}
		d.say(&wire.Frames{Index: d.p.queue.next.Add(s.next(40) - 4), Time: d.tick(int64(s.next(500_000)) - 100_000),
			Spacing: uint32(10_000_000 + s.next(20)*1_000_000), Values: v})
	case 13, 14:
		d.say(&wire.Start{Time: d.tick(int64(s.next(60_000)) - 20_000)})
	case 15:
		d.say(&wire.Hold{})
	case 16:
		d.say(&wire.Resume{Time: d.tick(int64(s.next(100_000)) - 20_000)})
	case 17:
		d.say(&wire.Stop{Category: wire.Category(s.next(3))})
	case 18:
		d.say(&wire.Flush{Index: d.p.queue.next.Add(s.next(40) - 4)})
	case 19:
		d.now += int64(s.next(400_000))
		d.p.Advance(d.now)
	case 20:
		d.p.Input(d.now, wire.Inputs(s.next(2)))
	case 21:
		raw := make([]byte, s.next(64))
		for i := range raw {
			raw[i] = byte(s.next(256))
		}
		d.p.Receive(d.now, wire.Packet{Kind: wire.Kind(s.next(128)), Payload: raw})
	case 22:
		if s.next(8) == 0 {
			d.p.Reset(d.now, wire.Reset(1+s.next(2)))
			clear(d.limits)
			clear(d.last)
		}
	case 23:
		d.now += int64(s.next(60_000))
		d.p.Skip(d.now)
	}
	d.now += int64(s.next(30_000))
	d.p.Advance(d.now)
	d.heard = d.heard[:0]
	d.slots = d.slots[:0]
	d.drops = d.drops[:0]
}

// believe takes the board's word for its limits: channels may have been configured by
// bytes that the probe has not read.
func (d *desk) believe() {
	for i := range d.p.axes {
		if a := &d.p.axes[i]; a.conf.Change != 0 {
			d.limits[uint8(i)] = a.conf
		}
	}
}

// Whatever comes, in any state, at any time: no slot has a value outside low to high or
// a change above change, no slot comes of a silent board, none cuts a pulse. The checks
// are those of probe.
func TestNothingLeavesTheLimits(t *testing.T) {
	seen := map[wire.State]int{}
	for seed := range uint64(150) {
		d := newDesk(t, deskConfig())
		s := dice{rand.New(rand.NewPCG(seed, 5))}
		for k := range 500 {
			abuse(d, s)
			d.believe()
			if d.fail != "" {
				t.Fatalf("seed %d, step %d: %s", seed, k, d.fail)
			}
			seen[d.p.state]++
		}
	}
	for s := wire.StateSilent; s <= wire.StateLost; s++ {
		if seen[s] < 100 {
			t.Errorf("only %d steps in state %s", seen[s], s)
		}
	}
}

func FuzzPlayer(f *testing.F) {
	f.Add([]byte("\x00\x02\x00\x00\x00\x05\x00\x00\x00\x0d\x00\x00\x00\x07\x00\x04"))
	random := rand.New(rand.NewPCG(9, 9))
	for range 8 {
		b := make([]byte, 300)
		for i := range b {
			b[i] = byte(random.Uint32())
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<14 {
			return
		}
		d := newDesk(t, deskConfig())
		depth, values := cap(d.p.queue.entries), cap(d.p.queue.values)
		for s := (&tape{b}); len(s.bytes) > 0; {
			abuse(d, s)
			d.believe()
			d.check()
			if d.p.queue.count > 32 || cap(d.p.queue.entries) != depth || cap(d.p.queue.values) != values || len(d.p.used) > 8 {
				t.Fatal("memory has grown")
			}
		}
	})
}
