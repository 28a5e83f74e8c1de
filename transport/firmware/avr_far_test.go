package firmware_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// TestFarPulses: pulses that are more than half of the timer's round (16.4 ms) apart from each
// other or from now, as few axes at a slow rate have them, and one that is left of twelve.
func TestFarPulses(t *testing.T) {
	t.Parallel()
	_, tl := load(t, galleryRig(250000), galleryMotion(1))
	var twelve []int
	for i := range 12 {
		twelve = append(twelve, 2900*i)
	}
	for _, test := range []struct {
		rate    int
		offsets []int // ticks of 0.5 us
	}{
		{25, []int{0, 37900}}, {50, twelve}, {50, []int{34000}}, {20, []int{0, 30000, 54000}}, {20, []int{54000}},
		{30, []int{0, 5000, 45000, 50000}}, {25, []int{33000, 33010, 54000}}, {30, twelve},
	} {
		t.Run(fmt.Sprintf("%d Hz, %v", test.rate, test.offsets), func(t *testing.T) {
			t.Parallel()
			text := strings.Trim(strings.ReplaceAll(fmt.Sprint(test.offsets), " ", ","), "[]")
			period := 1_000_000 / test.rate
			program := avrProgram(t, fmt.Sprintf("far-%d-%s", test.rate, text), bareConfig(tl, 250000),
				[]string{"simavr/bench/sparse.c", "src/avr/pulses.c", "src/avr/clock.c", "src/avr/serial.c"},
				fmt.Sprintf("-DPERIOD=%d", period), fmt.Sprintf("-DCOUNT=%d", len(test.offsets)), "-DOFFSETS="+text)
			c := newChip(t, program, 250000)
			const slots = 100
			c.run(uint64(10000+slots*period) * cyclesPerUS)
			checkFarPulses(t, c, test.offsets, period, slots-1)
		})
	}
}

// checkFarPulses holds all pulses against the numbers that the program drew, and their places
// against where they are asked for: 13 ticks are a step of 25 that two ends share.
func checkFarPulses(t *testing.T, c *chip, offsets []int, period, slots int) {
	t.Helper()
	all := pulsesOf(t, c.edges)
	x := uint32(2463534242)
	var width, place spread
	next := make([]int, len(offsets))
	zero := math.NaN() // of the board's clock, in us
	for k := range slots {
		for i, offset := range offsets {
			x ^= x << 13
			x ^= x >> 17
			x ^= x << 5
			want := 1000 + uint16(x>>16)&4095
			if k%8 == 7 && i+1 < len(offsets) {
				continue
			}
			if next[i] >= len(all[barePins[i]]) {
				t.Fatalf("slot %d: output %d has only %d pulses", k, i, next[i])
			}
			p := all[barePins[i]][next[i]]
			next[i]++
			due := 10000 + float64(k*period) + float64(offset)/2
			if math.IsNaN(zero) {
				zero = float64(p.rise)/cyclesPerUS - due
			}
			width.add(tickError(p, want))
			place.add(float64(p.rise)/cyclesPerUS - due - zero)
			if off := float64(p.rise)/cyclesPerUS - due - zero; math.Abs(off) > 50 {
				t.Fatalf("slot %d: output %d begins %.1f us off its place", k, i, off)
			}
			if math.Abs(tickError(p, want)) > 1 {
				t.Fatalf("slot %d: output %d: %d ticks are asked for, and %.2f come", k, i, want, float64(p.width)/8)
			}
		}
	}
	for i := range offsets {
		if n := len(all[barePins[i]]); n > next[i]+1 {
			t.Errorf("output %d has %d pulses, %d are asked for", i, n, next[i])
		}
	}
	t.Logf("widths %s ticks, places %s us", width, place)
}

// TestLampsBesideServos: lamps and switches on outputs that could be motors leave the pins
// alone on which a motor has its direction: those are servos, and every pulse is whole.
func TestLampsBesideServos(t *testing.T) {
	t.Parallel()
	for _, kind := range []struct {
		name string
		unit wire.Unit
		high int32
	}{{"lamps", wire.UnitLevel, 65535}, {"switches", wire.UnitState, 1}} {
		t.Run(kind.name, func(t *testing.T) {
			c := bareServos()
			c.Name = "beside " + kind.name
			c.Outputs[1].Flags = 0
			for _, n := range []int{1, 3, 4} {
				c.Outputs[n] = firmware.Output{Units: 1 << kind.unit, Unit: kind.unit, High: kind.high, Change: 65535, Slow: 65535}
			}
			h := newSimHost(t, "beside-"+kind.name, c)
			h.arm(c, 20_000_000)
			h.say(&wire.Start{Time: wire.Tick(h.chip.now / cyclesPerUS)})
			index := wire.Index(0)
			for k := range 40 {
				var values, row wire.Values
				for n, o := range c.Outputs {
					switch {
					case n != 1 && n != 3 && n != 4:
						row = row.Add(uint16(o.Rest))
					case kind.unit == wire.UnitState:
						row = row.Add(uint16((k + n) & 1))
					default:
						row = row.Add(uint16((k*9973 + n*20011) & 0xffff))
					}
				}
				for range 2 {
					values = append(values, row...)
				}
				h.say(&wire.Frames{Index: index, Time: wire.Tick(h.chip.now/cyclesPerUS + 30000), Spacing: 20_000_000, Values: values})
				index += 2
				h.run(37)
			}
			all := pulsesOf(t, h.chip.edges)
			compared := 0
			var width spread
			for n, o := range c.Outputs {
				if o.Unit != wire.UnitTicks {
					continue
				}
				for _, p := range all[barePins[n]] {
					compared++
					width.add(tickError(p, uint16(o.Rest)))
					if math.Abs(tickError(p, uint16(o.Rest))) > 1 {
						t.Fatalf("%s: a pulse of %.2f ticks, %d are asked for", barePins[n], float64(p.width)/8, o.Rest)
					}
				}
			}
			if st := h.status(); st.Played < 60 || compared < 9*70 {
				t.Errorf("%d pulses, %+v", compared, *st)
			}
			t.Logf("%d pulses, widths %s ticks", compared, width)
		})
	}
}
