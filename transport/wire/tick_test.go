package wire_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"limberjack/transport/wire"
)

func TestTicksCompareAcrossTheWrap(t *testing.T) {
	for _, c := range []struct {
		t, u wire.Tick
		want int32
	}{
		{0, 0, 0},
		{1, 0, 1},
		{0, 1, -1},
		{0, 0xffffffff, 1},
		{0xffffffff, 0, -1},
		{5, 0xfffffffb, 10},
		{0xfffffffb, 5, -10},
		{0x80000000, 0x7fffffff, 1},
		{0x7fffffff, 0, math.MaxInt32},
		{0x7ffffff0, 0xfffffff1, math.MaxInt32},
		{1, 0x80000002, math.MaxInt32},
	} {
		if got := c.t.Since(c.u); got != c.want {
			t.Errorf("%d since %d: %d us, want %d", c.t, c.u, got, c.want)
		}
		if c.t.Before(c.u) != (c.want < 0) || c.u.Before(c.t) != (c.want > 0) {
			t.Errorf("the order of %d and %d does not fit %d us", c.t, c.u, c.want)
		}
		if got := c.u.Add(int64(c.want)); got != c.t {
			t.Errorf("%d us after %d is %d, want %d", c.want, c.u, got, c.t)
		}
	}
}

// Ticks must order as an unbounded clock does, wherever that clock stands.
func TestTicksFollowAnUnboundedClock(t *testing.T) {
	r := rand.New(rand.NewPCG(32, 71))
	for range 100000 {
		now := r.Int64N(1 << 50)
		apart := r.Int64N(1<<32-1) - (1<<31 - 1)
		a, b := wire.Tick(now&math.MaxUint32), wire.Tick((now+apart)&math.MaxUint32)
		if int64(b.Since(a)) != apart || b.Before(a) != (apart < 0) || a.Add(apart) != b || a.Add(apart-(7<<32)) != b {
			t.Fatalf("%d us after %d: since %d, before %v", apart, now, b.Since(a), b.Before(a))
		}
	}
}

func TestIndexesFollowAnUnboundedCount(t *testing.T) {
	for _, c := range []struct {
		i, of wire.Index
		want  int
	}{{0, 65535, 1}, {65535, 0, -1}, {3, 65533, 6}, {32767, 0, 32767}, {0, 32769, 32767}, {40000, 40000, 0}} {
		if got := c.i.Ahead(c.of); got != c.want {
			t.Errorf("%d is %d ahead of %d, want %d", c.i, got, c.of, c.want)
		}
	}
	r := rand.New(rand.NewPCG(16, 2))
	for range 100000 {
		n, ahead := r.IntN(1<<40), r.IntN(1<<16-1)-(1<<15-1)
		i := wire.Index(n & 0xffff)
		if j := i.Add(ahead); j != wire.Index((n+ahead)&0xffff) || j.Ahead(i) != ahead {
			t.Fatalf("%d frames after %d: %d, ahead by %d", ahead, n, j, j.Ahead(i))
		}
	}
}

// A stepper's path must come back from its low 16 bits while it moves less than
// half of their range from frame to frame.
func TestPositionFollowsAStepper(t *testing.T) {
	r := rand.New(rand.NewPCG(200, 16))
	place := int32(-70000)
	at := place
	for range 100000 {
		place += r.Int32N(1<<16-1) - (1<<15 - 1)
		place = max(min(place, 1<<29), -1<<29)
		at = wire.Position(uint16(place), at)
		if at != place {
			t.Fatalf("%d is taken as %d", place, at)
		}
	}
}

func TestNumbersOfUnits(t *testing.T) {
	for _, c := range []struct {
		unit  wire.Unit
		value uint16
		want  int32
	}{
		{wire.UnitTicks, 0xffff, 65535},
		{wire.UnitDuty, 0xffff, -1},
		{wire.UnitDuty, 0x8000, -32768},
		{wire.UnitDuty, 0x7fff, 32767},
		{wire.UnitLevel, 0xff00, 65280},
	} {
		if got := c.unit.Number(c.value); got != c.want {
			t.Errorf("0x%04x in %v is %d, want %d", c.value, c.unit, got, c.want)
		}
	}
}
