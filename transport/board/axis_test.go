package board

import (
	"math/rand/v2"
	"testing"

	"limberjack/transport/wire"
)

func newAxis(c wire.Channel) *axis {
	a := &axis{}
	a.configure(&c, 0)
	a.place(int64(c.Rest))
	return a
}

// The way to rest is the sum of an arithmetic series: from 40 a frame by 4 a frame,
// 36 + 32 + ... + 4 = 180 in 9 frames.
func TestBrake(t *testing.T) {
	for _, c := range []struct {
		speed, slow, way int64
		slots            int
	}{
		{40, 4, 180, 9}, {-40, 4, -180, 9}, {40, 40, 0, 0}, {41, 40, 1, 1}, {7, 2, 5 + 3 + 1, 3}, {0, 5, 0, 0},
	} {
		a := newAxis(wire.Channel{Low: -1000, High: 1000, Change: 100, Slow: uint32(c.slow)})
		a.speed = c.speed
		slots := 0
		for a.brake(); a.speed != 0; a.brake() {
			slots++
		}
		if a.value != c.way || slots != c.slots {
			t.Errorf("from %d by %d: %d in %d slots, want %d in %d", c.speed, c.slow, a.value, slots, c.way, c.slots)
		}
	}
}

func TestStopWay(t *testing.T) {
	for slow := int64(1); slow < 20; slow++ {
		for v := int64(0); v < 200; v++ {
			want := int64(0)
			for u := v; u > 0; u -= slow {
				want += u
			}
			if got := stopWay(v, slow); got != want {
				t.Fatalf("from %d by %d: %d, want %d", v, slow, got, want)
			}
		}
	}
}

// An axis that goes to its target from anywhere, at any speed, gets there and stays,
// and never changes faster than it may, nor its speed. From rest it takes the time of
// the trapezoid, to two slots: way/change + change/slow.
func TestApproach(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		c := wire.Channel{Low: -20000, High: 20000, Change: uint32(1 + random.IntN(300)), Slow: uint32(1 + random.IntN(60))}
		a := newAxis(c)
		target := int64(random.IntN(20001) - 10000)
		fast := random.IntN(2) == 0
		if fast {
			a.speed = clamp(int64(random.IntN(601)-300), -a.change, a.change)
		}
		slots := int64(0)
		for ; a.value != target || a.speed != 0; slots++ {
			before := a.speed
			a.approach(target, a.change)
			if a.speed > a.change || -a.speed > a.change || a.speed-before > a.slow || before-a.speed > a.slow {
				t.Fatalf("%+v to %d: from %d to %d in a slot", c, target, before, a.speed)
			}
			if slots > 50_000 {
				t.Fatalf("%+v to %d: not there, at %d", c, target, a.value)
			}
		}
		way := max(target, -target)
		if most := way/a.change + a.change/a.slow + 3; !fast && slots > most {
			t.Errorf("%+v to %d: %d slots, want %d at most", c, target, slots, most)
		}
		if a.approach(target, a.change); a.value != target {
			t.Fatalf("%+v: it does not stay at %d", c, target)
		}
	}
}

func TestFollow(t *testing.T) {
	servo := wire.Channel{Unit: wire.UnitTicks, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4}
	heavy := servo
	heavy.Flags = wire.FlagsWeight
	motor := wire.Channel{Unit: wire.UnitDuty, Low: -20000, High: 30000, Change: 65535, Slow: 100}
	stepper := wire.Channel{Unit: wire.UnitSteps, Low: -40000, High: 40000, Rest: 32700, Change: 500, Slow: 100}
	lamp := wire.Channel{Unit: wire.UnitLevel, High: 65535, Change: 65535, Slow: 65535}
	relay := wire.Channel{Unit: wire.UnitState, High: 1, Change: 1, Slow: 1}
	type step struct {
		value   uint16
		want    int64
		live    bool
		clamped bool
	}
	for _, c := range []struct {
		name  string
		conf  wire.Channel
		steps []step
	}{
		{"a servo by its change", servo, []step{{3040, 3040, true, false}, {3081, 3080, true, true}, {2000, 3040, true, true}}},
		{"a servo at its end", servo, []step{{3040, 3040, true, false}, {65535, 3080, true, true}, {1, 3040, true, true}}},
		{"a servo let go comes back where it is told", servo, []step{{0, 3000, false, false}, {0, 3000, false, false}, {3900, 3900, true, false}, {3950, 3940, true, true}}},
		{"not beyond its end", servo, []step{{0, 3000, false, false}, {4500, 4000, true, true}}},
		{"a servo with weight is not let go", heavy, []step{{3040, 3040, true, false}, {0, 3076, true, true}, {0, 3108, true, true}}},
		{"a motor", motor, []step{{0x8000, -20000, true, true}, {30000, 30000, true, false}, {32767, 30000, true, true}}},
		{"a stepper beyond 16 bits", stepper, []step{{32800, 32800, true, false}, {33200, 33200, true, false}, {34000, 33700, true, true}}},
		{"a stepper at its end", stepper, []step{{33200, 33200, true, false}, {33700, 33700, true, false}}},
		{"a lamp jumps", lamp, []step{{65535, 65535, true, false}, {0, 0, true, false}}},
		{"all but 0 is on", relay, []step{{1, 1, true, false}, {0, 0, true, false}, {512, 1, true, false}}},
	} {
		a := newAxis(c.conf)
		for i, s := range c.steps {
			clamped := a.follow(s.value)
			if a.value != s.want || a.live != s.live || clamped != s.clamped {
				t.Errorf("%s, step %d: %d, live %v, clamped %v; want %+v", c.name, i, a.value, a.live, clamped, s)
			}
		}
	}
}

func TestBridge(t *testing.T) {
	for _, c := range []struct {
		unit        wire.Unit
		from, to    uint16
		part, whole int64
		want        uint16
	}{
		{wire.UnitTicks, 3000, 3040, 1, 2, 3020},
		{wire.UnitTicks, 3040, 3000, 1, 4, 3030},
		{wire.UnitTicks, 3000, 0, 1, 2, 3000},
		{wire.UnitTicks, 0, 3000, 1, 2, 0},
		{wire.UnitDuty, 0xff9c, 100, 3, 4, 50}, // from -100
		{wire.UnitSteps, 65530, 10, 1, 2, 2},   // 16 steps forward over the end of 16 bits
		{wire.UnitSteps, 10, 65530, 1, 4, 6},   // 16 back
		{wire.UnitLevel, 0, 65535, 1, 3, 21845},
		{wire.UnitState, 0, 1, 1, 2, 0},
	} {
		a := newAxis(wire.Channel{Unit: c.unit})
		if got := a.bridge(c.from, c.to, c.part, c.whole); got != c.want {
			t.Errorf("%s from %d to %d, %d/%d: %d, want %d", c.unit, c.from, c.to, c.part, c.whole, got, c.want)
		}
	}
}

// On the way to rest no slot has more than the soft change, and the way there is whole.
func TestSoftRest(t *testing.T) {
	for _, from := range []int64{900, -900, 7, 1} {
		a := &axis{}
		a.configure(&wire.Channel{Low: -1000, High: 1000, Change: 100, Slow: 4}, 11)
		a.place(from)
		a.aim = aimHome
		fastest := int64(0)
		for n := 0; a.value != 0 || a.speed != 0; n++ {
			before := a.value
			a.settle()
			fastest = max(fastest, a.value-before, before-a.value)
			if n > 1000 {
				t.Fatalf("from %d: at %d after %d slots", from, a.value, n)
			}
		}
		if fastest > 11 || from > 100 && fastest < 11 {
			t.Errorf("from %d: up to %d a slot, want 11", from, fastest)
		}
	}
}

// A stepper's value tells one position within its travel, wherever that lies; where the
// travel is wider, the one that is nearest to rest. At the end of 32 bits a position does
// not come out at the other end.
func TestStepperBegins(t *testing.T) {
	for _, c := range []struct {
		low, high, rest int32
		value           uint16
		want            int64
	}{
		{0, 60000, 0, 50000, 50000}, {0, 65535, 0, 65535, 65535}, {-60000, 0, 0, 15536, -50000}, {100_000, 160_000, 100_000, 18928, 150_000},
		{0, 80000, 0, 6464, 6464}, {-1 << 31, 1<<31 - 1, 200_000, 60000, 191_072},
	} {
		a := newAxis(wire.Channel{Unit: wire.UnitSteps, Low: c.low, High: c.high, Rest: c.rest, Change: 100, Slow: 10})
		if got := a.begin(c.value); got != c.want {
			t.Errorf("%d in %d to %d: %d, want %d", c.value, c.low, c.high, got, c.want)
		}
	}
	a := newAxis(wire.Channel{Unit: wire.UnitSteps, Low: -1 << 31, High: 1<<31 - 1, Change: 100, Slow: 10})
	if got := a.number(10, 1<<31-1); got != 1<<31+10 {
		t.Errorf("after the last position of 32 bits comes %d", got)
	}
}
