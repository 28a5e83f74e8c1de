package drive

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

func TestSimulateRefusesNoInterval(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ""), "length: 1s\ntracks: {arm: [[0s, 0]]}\n")
	for _, every := range []float64{0, -1, math.NaN()} {
		if Simulate(p, every, nil) == nil {
			t.Errorf("an interval of %g s is taken", every)
		}
	}
	stop := errors.New("enough")
	calls := 0
	err := Simulate(p, 0.1, func(float64, []Sample, []Rail) error {
		calls++
		if calls == 3 {
			return stop
		}
		return nil
	})
	if err != stop || calls != 3 {
		t.Errorf("after %d calls: %v", calls, err)
	}
}

// The samples of a performance add up to what Run says of it.
func TestSamplesAddUp(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ", load: {mass: 300g, arm: 50mm, gravity_at: 0deg}, measured: {slop: 1deg}")+
		"  lamp: {kind: dimmer, board: main, channel: 1, supply: rail, current: 500mA}\n"+
		"  far: {kind: switch, board: main, channel: 2, current: 1A}\n",
		"length: 4s\ntracks: {arm: [[0s, 0], [0.5s, 0], [1s, 60], [2s, 60], [2.2s, 10]], lamp: [[0s, 0], [1s, 60, linear], [4s, 60]], far: [[0s, on]]}\n")
	tr := Run(p)
	var charges [3]float64
	var charge, peak, least, off float64
	least = math.Inf(1)
	n := 0
	const every = 0.01
	err := Simulate(p, every, func(at float64, axes []Sample, supplies []Rail) error {
		near(t, "the time", at, float64(n)*every, 1e-12)
		n++
		near(t, "the command", axes[0].Commanded, p.Axes[0].Part.Value(at), 1e-12)
		off = math.Max(off, math.Abs(axes[0].Commanded-axes[0].Predicted))
		if at > 0 {
			for i := range charges {
				charges[i] += axes[i].Current * every
			}
			charge += supplies[0].Current * every
			peak, least = math.Max(peak, supplies[0].Peak), math.Min(least, supplies[0].Least)
		}
		return nil
	})
	if err != nil || n != 401 {
		t.Fatalf("%d samples: %v", n, err)
	}
	for i, q := range charges {
		near(t, "the charge of "+p.Axes[i].Spec.Name, q, tr.Axes[i].Mean*4, 0.005*q)
	}
	near(t, "the charge of the supply", charge, tr.Supplies[0].Mean*4, 1e-6)
	near(t, "the peak", peak, tr.Supplies[0].Peak, 1e-9)
	near(t, "the least voltage", least, tr.Supplies[0].MinVoltage, 1e-9)
	near(t, "the greatest error", off, tr.Axes[0].PeakError, 0.5)
}

// A motor that runs free is predicted at its share of the free speed.
func TestSamplesOfAMotor(t *testing.T) {
	p := compile(t, strings.Replace(fmt.Sprintf(winch, ""), "rail", "ideal", 1), "length: 2s\ntracks: {winch: [[0s, 100]]}\n")
	var last Sample
	if err := Simulate(p, 0.5, func(_ float64, axes []Sample, _ []Rail) error { last = axes[0]; return nil }); err != nil {
		t.Fatal(err)
	}
	near(t, "the speed in percent", last.Predicted, 100, 0.01)
	near(t, "the speed in deg/s", last.Speed, 600, 0.1)
	near(t, "the current", last.Current, 0.1, 1e-3)
}

func TestSamplesCostNoMemory(t *testing.T) {
	axes := servoAxis("a0", 0, ", load: {mass: 300g, arm: 50mm, gravity_at: 20deg}") + fmt.Sprintf(strings.Replace(winch, "channel: 0", "channel: 1", 1), "")
	count := func(length string, every float64) float64 {
		p := compile(t, axes, "tracks: {a0: [[0s, 0], ["+length+", 50, linear]], winch: [[0s, 0], ["+length+", 50, linear]]}\n")
		return testing.AllocsPerRun(1, func() {
			if err := Simulate(p, every, func(float64, []Sample, []Rail) error { return nil }); err != nil {
				t.Fatal(err)
			}
		})
	}
	if few, many := count("10s", 0.1), count("60s", 0.01); many > few {
		t.Errorf("%g allocations for 6000 samples, %g for 100", many, few)
	}
}

// A stepper loses steps where it starts faster than its pull-in rate, and where
// torque x speed is more than voltage x current.
func TestLostSteps(t *testing.T) {
	run := func(more, motion string) *AxisTrace {
		return axisOf(t, Run(compile(t, "  beacon: {kind: stepper, board: main, channel: 0, supply: rail, steps: 200, current: 400mA"+more+"}\n", motion)), "beacon")
	}
	steady := "length: 4s\ntracks: {beacon: [[0s, 0], [1s, 0], [2s, 360, linear], [4s, 360]]}\n"
	if a := run(", pull_in: 300steps/s", steady); a.LostSteps != "" {
		t.Errorf("200 steps/s lose steps: %s", a.LostSteps)
	}
	a := run(", pull_in: 150steps/s", steady)
	if a.LostSteps != "pull-in" || math.Abs(a.LostStepsAt-1.02) > 1e-9 {
		t.Errorf("it loses steps by %q at %g s", a.LostSteps, a.LostStepsAt)
	}
	// 4.8 W at 2 pi rad/s are 0.76 N.m
	if a := run(", load: {torque: 0.7N.m}", steady); a.LostSteps != "" {
		t.Errorf("0.7 N.m lose steps: %s", a.LostSteps)
	}
	if a := run(", load: {torque: 0.8N.m}", steady); a.LostSteps != "pull-out" {
		t.Errorf("0.8 N.m lose steps by %q", a.LostSteps)
	}
	near(t, "the current", a.Mean, 0.8, 1e-9)
}

// Through a linkage the torque of a pose is the slope of its height energy, in
// every pose (principle of virtual work).
func TestTorqueIsTheSlopeOfEnergy(t *testing.T) {
	const link = ", linkage: {base: 60mm, horn: 12mm, rod: 60mm, arm: 18mm, zero: 90deg, branch: open}"
	for _, pose := range []float64{-15, 0, 5, 12, 20} {
		p := compile(t, narrow(servoAxis("arm", 0, ", load: {mass: 120g, arm: 35mm, gravity_at: 10deg}"+link)),
			fmt.Sprintf("length: 1s\ntracks: {arm: [[0s, %g]]}\n", pose))
		axis := p.Axes[0].Spec
		horn, _, _, _, _ := axis.Linkage.Horn(pose)
		energy := func(h float64) float64 {
			part, _, _, _, _ := axis.Linkage.Part(h)
			return 0.120 * gravity * 0.035 * math.Sin((part-10)*math.Pi/180)
		}
		const h = 0.01 // deg
		want := math.Abs(energy(horn+h)-energy(horn-h)) / (2 * h * math.Pi / 180)
		near(t, fmt.Sprintf("the torque at %g deg", pose), axisOf(t, Run(p), "arm").MaxHolding, want, 1e-7)
	}
}

// gravity is the standard acceleration of free fall in m/s2 (ISO 80000-3).
const gravity = 9.80665

// The torque of a mass on an arm is m g r cos of the angle from level (statics); a
// parallelogram carries it as it is and a lever of 1 to 2 halves it; on a pinion it
// is m g r at every position.
func TestHoldingTorque(t *testing.T) {
	level := 0.120 * gravity * 0.035
	holding := func(axis string, pose float64) float64 {
		return axisOf(t, Run(compile(t, axis, fmt.Sprintf("length: 2s\ntracks: {arm: [[0s, %g]]}\n", pose))), "arm").MaxHolding
	}
	arm := func(more string) string {
		return servoAxis("arm", 0, ", load: {mass: 120g, arm: 35mm, gravity_at: 0deg}"+more)
	}
	for _, c := range []struct{ value, want float64 }{{0, level}, {60, level / 2}, {90, 0}, {-45, level / math.Sqrt2}} {
		near(t, fmt.Sprintf("the torque at %g deg", c.value), holding(arm(""), c.value), c.want, 1e-9)
	}
	near(t, "through a parallelogram", holding(narrow(arm(", linkage: {base: 60mm, horn: 18mm, rod: 60mm, arm: 18mm, zero: 90deg, branch: open}")), 10), level*math.Cos(math.Pi/18), 1e-9)
	near(t, "through a lever", holding(narrow(arm(", linkage: {table: [[-120deg, -60deg], [120deg, 60deg]]}")), 0), level/2, 1e-9)
	near(t, "on a pinion", holding(`  arm: {kind: servo, board: main, channel: 0, supply: rail, travel: [0mm, 60mm], pulse: [[0mm, 1000us], [60mm, 2000us]],
    servo: {at: 6V, speed: 200mm/s, stall_torque: 0.4N.m, stall_current: 1A}, load: {mass: 120g, arm: 35mm}}
`, 30), level, 1e-9)
}

// What the model rests on is listed with where it comes from.
func TestOrigins(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ", measured: {speed: 400deg/s, delay: 20ms}")+"  jaw: {kind: servo, board: main, channel: 1, supply: rail, travel: [0deg, 25deg], pulse: [[-45deg, 1000us], [45deg, 2000us]]}\n",
		"length: 1s\ntracks: {arm: [[0s, 0]]}\n")
	tr := Run(p)
	origins := func(a *AxisTrace) (text string) {
		for _, f := range a.Figures {
			text += f.Name + ": " + f.Origin.String() + ", "
		}
		return text
	}
	for name, want := range map[string]string{"arm": "speed: measured, stall torque: data sheet", "jaw": "speed: class default, stall torque: class default"} {
		if got := origins(axisOf(t, tr, name)); !strings.Contains(got, want) {
			t.Errorf("%s rests on %s want %s", name, got, want)
		}
	}
	if got := origins(axisOf(t, tr, "arm")); !strings.Contains(got, "delay: measured") || !strings.Contains(got, "own inertia: class default") {
		t.Errorf("arm rests on %s", got)
	}
}
