package drive

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// alone puts an axis on a supply that does not sag.
func alone(axis string) string { return strings.Replace(axis, "supply: rail", "supply: ideal", 1) }

// A motor on a share of its voltage starts with that share of its stall current
// (V/R: there is no back-EMF yet) and comes down to its no-load current, the
// friction being the same at every speed; the supply gives the share of that, while
// the bridge is on. A load adds torque / Kt.
func TestMotorOnAShareOfItsVoltage(t *testing.T) {
	run := func(load string) (*AxisTrace, Sample) {
		p := compile(t, alone(fmt.Sprintf(winch, load)), "length: 3s\ntracks: {winch: [[0s, 0], [0.2s, 60, hold]]}\n")
		var last Sample
		if err := Simulate(p, 1, func(_ float64, axes []Sample, _ []Rail) error { last = axes[0]; return nil }); err != nil {
			t.Fatal(err)
		}
		return axisOf(t, Run(p), "winch"), last
	}
	a, last := run("")
	near(t, "the peak", a.Peak, 0.6*1.1, 1e-4)
	near(t, "its time", a.PeakAt, 0.2, 1e-9)
	near(t, "the current", last.Current, 0.6*0.1, 1e-5)
	_, last = run(", load: {torque: 0.1N.m}")
	near(t, "the current under load", last.Current, 0.6*(0.1+0.1/0.4*1.0), 1e-5)
}

// At a fifth of the voltage there is a fifth of the stall current; that is less
// than friction and load ask for.
func TestMotorStallsOnTooLittleDrive(t *testing.T) {
	p := compile(t, alone(fmt.Sprintf(winch, ", stop: brake, load: {torque: 0.1N.m}")), "length: 3s\ntracks: {winch: [[0s, 0], [1s, 20, hold]]}\n")
	a := axisOf(t, Run(p), "winch")
	near(t, "the time for which it is stalled", a.Stalled, 1.9, 0.6)
	p = compile(t, alone(fmt.Sprintf(winch, "")), "length: 3s\ntracks: {winch: [[0s, 0], [1s, 8, hold]]}\n")
	a = axisOf(t, Run(p), "winch")
	near(t, "the time against friction alone", a.Stalled, 1.9, 0.002)
	near(t, "its start", a.StalledAt, 1.1, 0.002)
	near(t, "the current while it is on", a.Peak, 0.08*1.1, 1e-4)
}

// Reversed while it turns (plugging), a motor has its back-EMF and the supply's
// voltage on its winding: i = (V + k w)/R at that moment, nearly twice the stall
// current at full speed (Hughes and Drury, Electric Motors and Drives, on plug
// reversal; from memory). With the lines of the sheet V/R = 1.1 A and, running
// free, k w0/R = (V - I0 R)/R = 1 A; on a share u of the voltage V is u V and k w
// is u V - I0 R. A dwell lets it slow down first: its winding open, by
// friction alone, w = w0 (1 - Tc/(Ts tau) t) with Tc/Ts = I0/(Is - I0) = 0.1 and
// the assumed tau of 50 ms; shorted, by much more.
func TestReversal(t *testing.T) {
	for _, c := range []struct {
		more, keys string
		at, want   float64
		within     float64
	}{
		{"", "[2s, -100, hold]", 2, 1.1 + 1, 1e-3},
		{"", "[2s, -50, hold]", 2, 0.55 + 1, 1e-3},
		{", stop: brake", "[2s, -100, hold]", 2, 1.1 + 1, 1e-3},
		{"", "[2s, 0, hold], [2.1s, -100, hold]", 2.1, 1.1 + 0.8, 1e-3},
		{"", "[2s, 0, hold], [2.3s, -100, hold]", 2.3, 1.1 + 0.4, 1e-3},
		{", stop: brake", "[2s, 0, hold], [2.1s, -100, hold]", 2.1, 1.1, 0.1},
		{", wire: {length: 2m, gauge: 0.2mm2}", "[2s, -100, hold]", 2, (6 + 6 - 0.1*(6/1.1+0.344820)) / (6/1.1 + 0.344820), 1e-3}, // 2 x 2 m x 17.241 mohm mm2/m / 0.2 mm2
	} {
		p := compile(t, alone(fmt.Sprintf(winch, c.more)), "length: 4s\ntracks: {winch: [[0s, 0], [1s, 100, linear], "+c.keys+"]}\n")
		tr := Run(p)
		a, s := axisOf(t, tr, "winch"), tr.Supplies[2]
		near(t, c.keys+c.more+": the peak", a.Peak, c.want, c.within)
		near(t, c.keys+c.more+": its time", a.PeakAt, c.at, 1e-9)
		near(t, c.keys+c.more+": the supply's peak", s.Peak, a.Peak, 1e-9)
		if state := s.Blame[0].State; (state == Reversing) != (c.within < 0.1) {
			t.Errorf("%s%s: the motor is %s", c.keys, c.more, state)
		}
	}
	p := compile(t, alone(fmt.Sprintf(winch, "")), "length: 4s\ntracks: {winch: [[0s, 60], [2s, -60, hold]]}\n")
	tr := Run(p)
	near(t, "the peak on a share of the voltage", axisOf(t, tr, "winch").Peak, 0.66+(0.66-0.1), 1e-3)
}

func TestContinuousServo(t *testing.T) {
	p := compile(t, `  reel: {kind: continuous-servo, board: main, channel: 0, supply: ideal, servo: {at: 6V, speed: 300deg/s, stall_torque: 0.3N.m, stall_current: 0.8A, no_load_current: 150mA, idle_current: 8mA}}
`, "length: 2s\ntracks: {reel: [[0s, 0], [0.5s, 100, hold], [1.5s, 0, hold]]}\n")
	tr := Run(p)
	a := axisOf(t, tr, "reel")
	near(t, "the peak", a.Peak, 0.8, 1e-9)
	var samples []Sample
	if err := Simulate(p, 0.1, func(_ float64, axes []Sample, _ []Rail) error { samples = append(samples, axes[0]); return nil }); err != nil {
		t.Fatal(err)
	}
	near(t, "the current at rest", samples[4].Current, 0.008, 1e-9)
	near(t, "the current that runs free", samples[14].Current, 0.15, 1e-5)
	near(t, "the speed that runs free", samples[14].Speed, 300, 0.05)
	near(t, "the current after it", samples[19].Current, 0.008, 1e-9)
}

// Data sheets that cannot be, and such as leave everything open, give figures that
// are numbers.
func TestStrangeSheetsGiveNumbers(t *testing.T) {
	const servo = "  a: {kind: servo, board: main, channel: 0, supply: soft, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]], %s}\n"
	for _, axis := range []string{
		fmt.Sprintf(servo, "servo: {dead_band: 0us}"),
		fmt.Sprintf(servo, "servo: {dead_band: 200us}, load: {mass: 20kg, arm: 500mm, gravity_at: 0deg}"),
		fmt.Sprintf(servo, "servo: {stall_torque: 0.001N.m, speed: 5000deg/s}, load: {inertia: 10000000g.cm2}"),
		fmt.Sprintf(servo, "servo: {stall_current: 1mA}"),
		fmt.Sprintf(servo, "measured: {speed: 1deg/s, delay: 2s, slop: 40deg}"),
		fmt.Sprintf(servo, "measured: {speed: 100000deg/s}"),
		fmt.Sprintf(servo, "servo: {stall_torque: 0N.m}"),
		"  a: {kind: motor, board: main, channel: 0, supply: soft, motor: {at: 6V, speed: 100rpm, stall_current: 1A}, load: {torque: 1N.m}}\n",
		"  a: {kind: motor, board: main, channel: 0, supply: soft, motor: {at: 24V, speed: 100rpm, stall_torque: 0.4N.m, stall_current: 1A, no_load_current: 900mA}}\n",
		"  a: {kind: motor, board: main, channel: 0, motor: {at: 6V, speed: 100rpm, stall_current: 1A}}\n",
	} {
		p := compile(t, axis, "length: 3s\ntracks: {a: [[0s, 0], [1s, 60, hold], [1.5s, -60, elastic-out]]}\n")
		a, s := Run(p).Axes[0], Run(p).Supplies[3]
		for _, v := range []float64{a.Peak, a.RMS, a.Mean, a.WindowRMS, a.PeakError, a.Late.By, a.Overshoot, s.Peak, s.RMS, s.MinVoltage, s.Energy} {
			if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				t.Errorf("a figure is %g:\n%s", v, axis)
			}
		}
		for _, in := range PowerUp(p) {
			if math.IsNaN(in.Together) || math.IsNaN(in.Staggered) || in.Together < 0 {
				t.Errorf("the inrush is %g A, %g A staggered:\n%s", in.Together, in.Staggered, axis)
			}
		}
	}
}
