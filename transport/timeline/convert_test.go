package timeline

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"limberjack/sequence"
)

// Common practice: a servo's centre is 1.5 ms in a frame of 20 ms, which is 3000
// ticks of 0.5 us in a frame of 40000.
func TestCentrePulse(t *testing.T) {
	a := &sequence.Axis{Kind: sequence.Servo, Unit: "deg", Pulse: points(-45, 1000, 45, 2000)}
	tl := one(t, a, 50, 0.5, 1, func(float64) float64 { return 0 })
	for k, row := range all(tl) {
		if row[0] != 3000 {
			t.Fatalf("frame %d: %d ticks, want 3000", k, row[0])
		}
	}
	clock, err := boardClock("", 50, 0.5)
	if err != nil || clock.floor(1) != 40000 {
		t.Errorf("a frame of %d ticks, want 40000 (%v)", clock.floor(1), err)
	}
}

func TestServoMaps(t *testing.T) {
	text, err := os.ReadFile("testdata/servo_map.json")
	if err != nil {
		t.Fatal(err)
	}
	var table struct {
		Rows []struct{ Min_us, Max_us, Deg_range, Deg, Us float64 }
	}
	if err := json.Unmarshal(text, &table); err != nil || len(table.Rows) == 0 {
		t.Fatal(err)
	}
	for _, r := range table.Rows {
		a := &sequence.Axis{Kind: sequence.Servo, Unit: "deg", Pulse: points(0, r.Min_us, r.Deg_range, r.Max_us)}
		if got := Pulse(a, r.Deg); math.Abs(got-r.Us) > 1e-9 {
			t.Errorf("%v: %v us", r, got)
		}
		tl := one(t, a, 50, 0.5, 0, func(float64) float64 { return r.Deg })
		if got := all(tl)[0][0]; float64(got) != 2*r.Us {
			t.Errorf("%v: %v ticks of 0.5 us", r, got)
		}
	}
}

func TestPulse(t *testing.T) {
	bent := points(-70, 900, 0, 1500, 70, 2000)
	falling := points(-45, 2000, 0, 1600, 45, 1000)
	for _, c := range []struct {
		name     string
		pulse    []sequence.PulsePoint
		trim     float64
		horn, us float64
	}{
		{"on the first point", bent, 0, -70, 900},
		{"on a middle point", bent, 0, 0, 1500},
		{"on the last point", bent, 0, 70, 2000},
		{"inside the first part", bent, 0, -35, 1200},
		{"inside the last part", bent, 0, 35, 1750},
		{"beyond the first point", bent, 0, -77, 840},
		{"beyond the last point", bent, 0, 84, 2100},
		{"with trim", bent, -12.5, 0, 1487.5},
		{"falling", falling, 0, -22.5, 1800},
		{"falling, beyond", falling, 0, 90, 400},
	} {
		a := &sequence.Axis{Board: &sequence.Board{Tick: num(1)}, Pulse: c.pulse, Trim: num(c.trim)}
		if got := Pulse(a, c.horn); math.Abs(got-c.us) > 1e-9 {
			t.Errorf("%s: %v us, want %v", c.name, got, c.us)
		}
		// A converter goes from part to part and has to agree, from wherever it comes.
		conv := newConverter(a)
		for _, from := range []float64{-100, 0, 100} {
			conv.pulse(from)
			if got := conv.pulse(c.horn); got != Pulse(a, c.horn) {
				t.Errorf("%s, coming from %v: %v us, want %v", c.name, from, got, Pulse(a, c.horn))
			}
		}
	}
	if !math.IsNaN(Pulse(&sequence.Axis{}, 0)) {
		t.Error("an axis without a calibration has a pulse")
	}
}

func TestRound(t *testing.T) {
	tiny := math.Nextafter(0.5, 0)
	for _, c := range [][2]float64{
		{0, 0}, {0.49, 0}, {0.5, 1}, {-0.5, -1}, {1.5, 2}, {2.5, 3}, {-2.5, -3}, {tiny, 1}, {-tiny, -1},
		{2.5 - 1e-9, 3}, {2.5 - 1e-5, 2}, {3000.4999999, 3001}, {3000.499, 3000}, {1e15 + 0.5, 1e15 + 1},
	} {
		if got := Round(c[0]); got != c[1] {
			t.Errorf("Round(%v) = %v, want %v", c[0], got, c[1])
		}
	}
}

// The own power function against math.Pow.
func TestPower(t *testing.T) {
	for x := 0.0; x <= 1.5; x += 0.001 {
		for _, y := range []float64{0.45, 1, 1.8, 2.2, 2.8, 5} {
			got, want := power(x, y), math.Pow(x, y)
			if math.Abs(got-want) > 1e-14*want {
				t.Fatalf("%v to the %v: %v, want %v", x, y, got, want)
			}
		}
	}
}

// A driver chip of 12 bits a frame with its oscillator of 25 MHz divided by 122
// (NXP PCA9685 data sheet rev. 4, 7.3.5: prescale 121 for 50 Hz): a tick of 4.88
// us, 4096 ticks a frame, and 205, 307 and 410 counts for 1, 1.5 and 2 ms.
func TestCoarseTick(t *testing.T) {
	const rate, tick = 25e6 / (4096 * 122), 4.88
	clock, err := boardClock("", rate, tick)
	if err != nil || clock != (ratio{4096, 1}) {
		t.Errorf("a frame of %v ticks (%v)", clock, err)
	}
	for deg, want := range map[float64]int{-45: 205, 0: 307, 45: 410} {
		a := &sequence.Axis{Kind: sequence.Servo, Unit: "deg", Pulse: points(-45, 1000, 45, 2000)}
		tl := one(t, a, rate, tick, 0, func(float64) float64 { return deg })
		if got := all(tl)[0][0]; got != want {
			t.Errorf("%v deg: %d counts, want %d", deg, got, want)
		}
	}
}

// A dimmer at half brightness with gamma 2.2: 0.5^2.2 x 65535 = 14263.0 (table
// value of the power 0.217638).
func TestLevel(t *testing.T) {
	a := &sequence.Axis{Kind: sequence.Dimmer, Unit: "%", Gamma: num(2.2)}
	plain := &sequence.Axis{Kind: sequence.Dimmer, Unit: "%"}
	for _, c := range []struct {
		axis    *sequence.Axis
		percent float64
		want    int
	}{{a, 0, 0}, {a, 50, 14263}, {a, 100, 65535}, {plain, 50, 32768}, {plain, 100, 65535}, {plain, 1, 655}, {a, -1e-9, 0}, {a, 100 + 1e-9, 65535}} {
		tl := one(t, c.axis, 50, 0.5, 0, func(float64) float64 { return c.percent })
		if got := all(tl)[0][0]; got != c.want {
			t.Errorf("%v %% with gamma %v: %d, want %d", c.percent, c.axis.Gamma.V, got, c.want)
		}
	}
}

func TestDuty(t *testing.T) {
	for percent, want := range map[float64]int{-100: -32767, -50: -16384, 0: 0, 0.001: 0, 0.002: 1, 50: 16384, 100: 32767} {
		a := &sequence.Axis{Kind: sequence.Motor, Unit: "%"}
		tl := one(t, a, 50, 0.5, 0, func(float64) float64 { return percent })
		if got := all(tl)[0][0]; got != want {
			t.Errorf("%v %%: %d, want %d", percent, got, want)
		}
	}
}

// One turn of a common stepper (200 steps, 16 microsteps) is 3200 microsteps,
// through a gear of 3 it is 9600; a lead screw of 8 mm makes 3200 in 8 mm.
func TestSteps(t *testing.T) {
	for _, c := range []struct {
		axis  *sequence.Axis
		value float64
		want  float64
	}{
		{&sequence.Axis{Unit: "deg", Steps: num(200)}, 360, 200},
		{&sequence.Axis{Unit: "deg", Steps: num(200), Microsteps: num(16)}, -360, -3200},
		{&sequence.Axis{Unit: "deg", Steps: num(200), Microsteps: num(16), Gear: num(3)}, 360, 9600},
		{&sequence.Axis{Unit: "deg", Steps: num(200), Microsteps: num(16)}, 1.8, 16},
		{&sequence.Axis{Unit: "mm", Steps: num(200), Microsteps: num(16), Lead: num(8)}, 8, 3200},
		{&sequence.Axis{Unit: "mm", Steps: num(200), Lead: num(2)}, 0.01, 1},
	} {
		if got := Round(Steps(c.axis, c.value)); got != c.want {
			t.Errorf("%v %s: %v microsteps, want %v", c.value, c.axis.Unit, got, c.want)
		}
	}
}

func TestExactRatio(t *testing.T) {
	for v, want := range map[float64]ratio{
		50: {50, 1}, 0.5: {1, 2}, 1000: {1000, 1}, 0.1: {1, 10}, 4.8828125: {625, 128},
		30000.0 / 1001: {30000, 1001}, 24000.0 / 1001: {24000, 1001}, 1.0 / 3: {1, 3}, 33.3: {333, 10}, 0.0625: {1, 16},
		0.542534722: {271267361, 500000000},
	} {
		got, err := exactRatio(v)
		if err != nil || got != want {
			t.Errorf("%v: %v, want %v (%v)", v, got, want, err)
		}
	}
	for _, v := range []float64{0, -1, math.NaN(), math.Inf(1), 1e-9, 1e9} {
		if _, err := exactRatio(v); err == nil {
			t.Errorf("%v has a ratio", v)
		}
	}
}

func FuzzExactRatio(f *testing.F) {
	f.Add(0.5)
	f.Add(29.97)
	f.Fuzz(func(t *testing.T, v float64) {
		r, err := exactRatio(v)
		if err == nil && float64(r.num)/float64(r.den) != v {
			t.Errorf("%v: %v is %v", v, r, float64(r.num)/float64(r.den))
		}
	})
}
