package drive

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// A servo of 0.12 s for 60 deg takes 90 deg in 0.18 s at the very best, and a
// start besides: a move that the script gives 0.10 s comes late.
func TestAMoveBeyondTheServo(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ""), "length: 2s\ntracks: {arm: [[0s, -45], [0.5s, -45], [0.6s, 45, linear]]}\n")
	a := axisOf(t, Run(p), "arm")
	if takes := a.Late.Arrived - a.Late.Began; !(takes >= 0.18 && takes < 0.35) {
		t.Errorf("the move takes %g s (%+v), want at least 0.18 s and less than 0.35 s", takes, a.Late)
	}
	near(t, "the end of the script's move", a.Late.At, 0.6, 1e-9)
	if a.PeakError < 30 || a.PeakErrorAt < 0.5 || a.PeakErrorAt > 0.65 {
		t.Errorf("the part is %g deg behind at %g s", a.PeakError, a.PeakErrorAt)
	}
	if a.Unreached != 0 {
		t.Errorf("%d rests count as not reached", a.Unreached)
	}
	slow := axisOf(t, Run(compile(t, servoAxis("arm", 0, ""), "length: 4s\ntracks: {arm: [[0s, -45], [0.5s, -45], [2.5s, 45, min-jerk]]}\n")), "arm")
	if slow.Late.By > 0.05 || slow.Overshoot > 0.5 || slow.PeakError > 6 {
		t.Errorf("a slow move comes %g s late, %g deg too far and %g deg behind", slow.Late.By, slow.Overshoot, slow.PeakError)
	}
}

// sixLarge are six servos of 2.5 A on 5 A.
func sixLarge(supply string) string {
	var b strings.Builder
	for i := range 6 {
		fmt.Fprintf(&b, `  a%d: {kind: servo, board: main, channel: %d, supply: %s, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]],
    servo: {at: 6V, speed: 400deg/s, stall_torque: 1.1N.m, stall_current: 2.5A, no_load_current: 400mA, idle_current: 10mA}}
`, i, i, supply)
	}
	return b.String()
}

func TestSixLargeServosOnFiveAmperes(t *testing.T) {
	p := compile(t, sixLarge("ideal"), "length: 1s\ntracks: {a0: [[0s, 0]]}\n")
	in := PowerUp(p)[2]
	near(t, "the inrush", in.Together, 15, 1e-9)
	near(t, "what it is kept within", in.Most, 4, 1e-12)
	if len(in.TooMuch) > 0 || len(in.Order) != 6 {
		t.Fatalf("%d of 6 axes have a place, %d do not fit", len(in.Order), len(in.TooMuch))
	}
	if !(in.Staggered <= 4 && in.Staggered > 2.5) {
		t.Errorf("staggered they draw %g A", in.Staggered)
	}
	for i, s := range in.Order {
		if i > 0 && s.Delay < in.Order[i-1].Delay {
			t.Errorf("%s starts at %g s, before the one ahead of it", s.Axis.Name, s.Delay)
		}
		near(t, "the peak of one", s.Peak, 2.49, 0.6) // less the idle current; more where it turns back
		if s.Lasts < 90.0/400 {
			t.Errorf("%s takes %g s for 90 deg", s.Axis.Name, s.Lasts)
		}
	}
	if last := in.Order[5]; in.Lasts < last.Delay+last.Lasts-1e-9 || last.Delay < 0.1 {
		t.Errorf("all stand after %g s, the last starts at %g s", in.Lasts, last.Delay)
	}
}

// A supply with 0.1 ohm: I = V / (R/6 + 0.1) for six motors of R = 6 V / 2.49 A in
// parallel, besides idle currents (Ohm's law).
func TestInrushOfASoftSupply(t *testing.T) {
	p := compile(t, strings.ReplaceAll(sixLarge("rail"), "supply: rail", "supply: soft"), "length: 1s\ntracks: {a0: [[0s, 0]]}\n")
	in := PowerUp(p)[3]
	motors := 6 / (6 / 2.49)
	volt := (6 - 0.1*0.06) / (1 + 0.1*motors)
	near(t, "the voltage", in.Voltage, volt, 1e-9)
	near(t, "the inrush", in.Together, volt*motors+0.06, 1e-9)
	if !in.Resets {
		t.Error("the board is not reset")
	}
}

func TestBrownOut(t *testing.T) {
	p := compile(t, sixLarge("soft"), "length: 3s\ntracks:\n"+
		"  a0: [[0s, 0], [1s, 60, hold]]\n  a1: [[0s, 0], [1s, 60, hold]]\n  a2: [[0s, 0], [1s, 60, hold]]\n  a3: [[0s, 0], [1s, 60, hold]]\n  a4: [[0s, 0], [2s, 10, hold]]\n")
	s := Run(p).Supplies[3]
	if s.BrownOutCount < 1 || len(s.BrownOuts) < 1 {
		t.Fatal("there is no brown-out")
	}
	b := s.BrownOuts[0]
	near(t, "the first moment", b.At, 1, 1e-9)
	volt := (6 - 0.1*0.06) / (1 + 0.1*4*2.49/6)
	near(t, "the voltage then", b.Least, volt, 1e-9)
	near(t, "the least voltage", s.MinVoltage, volt, 0.5)
	if len(b.Blame) != 6 || b.Blame[0].State != Starting || b.Blame[3].Current < 2 || b.Blame[4].Current > 0.1 {
		t.Errorf("to blame are %v", b.Blame)
	}
	for _, other := range s.BrownOuts {
		if other.At >= 2 {
			t.Errorf("one axis alone browns out at %g s", other.At)
		}
	}
}

// A heavy flywheel on a light servo swings past its rest; the servo alone stays
// within its dead band.
func TestOvershoot(t *testing.T) {
	over := func(load string) *AxisTrace {
		return axisOf(t, Run(compile(t, servoAxis("arm", 0, load), "length: 2s\ntracks: {arm: [[0s, 0], [0.5s, 40, hold]]}\n")), "arm")
	}
	if a := over(""); a.Overshoot > 0.55 {
		t.Errorf("a servo alone overshoots by %g deg", a.Overshoot)
	}
	a := over(", load: {inertia: 60000g.cm2}")
	if a.Overshoot < 2 || a.OvershootAt < 0.6 || a.OvershootAt > 1 {
		t.Errorf("a flywheel overshoots by %g deg at %g s", a.Overshoot, a.OvershootAt)
	}
}

// Half the stall torque needs half the drive, which the amplifier gives at an
// error of about half of its range: the arm hangs below its rest.
func TestNeverArrives(t *testing.T) {
	a := axisOf(t, Run(compile(t, servoAxis("arm", 0, ", load: {torque: 0.2N.m}"), "length: 3s\ntracks: {arm: [[0s, 0], [0.5s, 0], [1s, 40], [2s, 40], [2.5s, 10]]}\n")), "arm")
	if a.Unreached != 3 {
		t.Errorf("%d rests are not reached, want 3", a.Unreached)
	}
	// (duty - least)/(1 - least) of 70 us beyond 5 us, at 0.1 deg a us: duty 0.5
	if a.Missed < 1.5 || a.Missed > 4.5 {
		t.Errorf("the arm is %g deg off at %g s", a.Missed, a.MissedAt)
	}
	if a := axisOf(t, Run(compile(t, servoAxis("arm", 0, ""), "length: 3s\ntracks: {arm: [[0s, 0], [0.5s, 0], [1s, 40], [2s, 40], [2.5s, 10]]}\n")), "arm"); a.Unreached != 0 {
		t.Errorf("without a load %d rests are not reached, by %g deg", a.Unreached, a.Missed)
	}
}

// The least pulse of drive turns the shaft by more than a dead band of a fraction
// of a microsecond is wide: it never finds its place.
func TestHunting(t *testing.T) {
	motion := "length: 4s\ntracks: {arm: [[0s, 0], [0.5s, 30, hold]]}\n"
	calm := axisOf(t, Run(compile(t, servoAxis("arm", 0, ""), motion)), "arm")
	if calm.Hunting != 0 {
		t.Errorf("a servo with a usual dead band hunts for %g s", calm.Hunting)
	}
	a := axisOf(t, Run(compile(t, strings.Replace(servoAxis("arm", 0, ""), "dead_band: 5us", "dead_band: 0.1us", 1), motion)), "arm")
	if a.Hunting < 2 || a.LongestHunt > 3.1 || a.HuntingWay < 0.05 || a.HuntingAt < 0.9 {
		t.Errorf("with a dead band of 0.1 us it hunts for %g s (%g s at %g s, %g deg)", a.Hunting, a.LongestHunt, a.HuntingAt, a.HuntingWay)
	}
}

// Against a load beyond its torque a servo draws its stall current all the time.
func TestOverloadStalls(t *testing.T) {
	p := compile(t, free(servoAxis("arm", 0, ", load: {mass: 1kg, arm: 60mm, gravity_at: 0deg}")), "length: 20s\ntracks: {arm: [[0s, -80], [0.5s, 0]]}\n")
	a := axisOf(t, Run(p), "arm")
	near(t, "the mean", a.Mean, 1, 0.05)
	near(t, "the winding's current over 10 s", a.WindowRMS, 0.99, 0.001)
	if a.Stalled < 19 {
		t.Errorf("it is stalled for %g s of 20 s", a.Stalled)
	}
}

// The measured delay comes on top of everything.
func TestMeasuredDelay(t *testing.T) {
	late := func(more string) Late {
		return axisOf(t, Run(compile(t, servoAxis("arm", 0, more), "length: 2s\ntracks: {arm: [[0s, 0], [0.5s, 60, hold]]}\n")), "arm").Late
	}
	near(t, "the lateness", late(", measured: {delay: 70ms}").By-late("").By, 0.070, 0.001)
}

// A weight that the gears hold is not let down by play; without a weight the part
// follows half the slop behind.
func TestSlop(t *testing.T) {
	at := func(more string) float64 {
		a := axisOf(t, Run(compile(t, servoAxis("arm", 0, more), "length: 2s\ntracks: {arm: [[0s, 0], [0.5s, 0], [1s, 30], [2s, 30]]}\n")), "arm")
		return a.RMSError
	}
	if none, some := at(""), at(", measured: {slop: 2deg}"); some < none+0.3 {
		t.Errorf("the error is %g deg without slop, %g deg with 2 deg", none, some)
	}
}

// An axis that is sent beyond its end stop stands there and stalls; no path goes
// beyond.
func TestEndStop(t *testing.T) {
	axis := strings.Replace(servoAxis("arm", 0, ""), "travel: [-90deg, 90deg]", "travel: [-30deg, 30deg]", 1)
	p := compile(t, axis, "length: 2s\ntracks: {arm: [[0s, 0], [0.5s, 30, back-out], [2s, 30]]}\n")
	most := 0.0
	err := Simulate(p, 0.002, func(_ float64, axes []Sample, _ []Rail) error {
		most = math.Max(most, axes[0].Predicted)
		return nil
	})
	if err != nil || most > 30 || most < 29 {
		t.Errorf("the arm goes to %g deg: %v", most, err)
	}
}

// Four servos that hold less than half of their torque pull at the same moments on
// a board whose pulses start together, and one after another on one that spreads
// them over the frame.
func TestSpreadPulsesPullOneAfterAnother(t *testing.T) {
	run := func(board string) SupplyTrace {
		axes := ""
		for i := range 4 {
			axes += strings.Replace(servoAxis(fmt.Sprintf("a%d", i), i, ", load: {torque: 0.1N.m}"), "board: main", "board: "+board, 1)
		}
		return Run(compile(t, axes, "length: 4s\ntracks: {a0: [[0s, 0]]}\n")).Supplies[0]
	}
	together, spread := run("main"), run("spread")
	if together.Peak < 3 || spread.Peak > together.Peak*0.8 {
		t.Errorf("together they peak at %g A, spread at %g A", together.Peak, spread.Peak)
	}
	near(t, "the mean", spread.Mean, together.Mean, 0.2*together.Mean)
	near(t, "the greatest mean of 0.1 s", spread.Sustained, spread.Mean, 0.1*spread.Mean)
}

func TestSustainedCurrent(t *testing.T) {
	p := compile(t, "  bell: {kind: switch, board: main, channel: 0, supply: ideal, current: 1A}\n",
		"length: 4s\ntracks: {bell: [[0s, off], [1.04s, on], [1.34s, off], [2.5s, on], [2.54s, off], [4s, off]]}\n")
	s := Run(p).Supplies[2]
	near(t, "the greatest mean of 0.1 s", s.Sustained, 1, 1e-9)
	near(t, "its start", s.SustainedAt, 1.1, 1e-9)
}
