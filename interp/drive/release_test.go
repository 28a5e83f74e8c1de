package drive

import (
	"fmt"
	"math"
	"math/rand"
	"reflect"
	"strings"
	"testing"

	"limberjack/interp"
)

// quiet lets axes go from one time to another.
func quiet(from, to string, axes ...string) string {
	return fmt.Sprintf("quiet: [{from: %s, to: %s, release: [%s]}]\n", from, to, strings.Join(axes, ", "))
}

// played gives the samples of the first axis, every 20 ms.
func played(t *testing.T, p *interp.Performance) (list []Sample) {
	t.Helper()
	if err := Simulate(p, 0.02, func(_ float64, axes []Sample, _ []Rail) error {
		list = append(list, axes[0])
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return list
}

// A servo that is let go at rest stays where it is and draws its idle current, no
// matter where the script goes; with the next pulse it goes there.
func TestReleasedServoStaysAndComesBack(t *testing.T) {
	const motion = "length: 4s\ntracks: {arm: [[0s, 10], [1.2s, 10], [1.5s, 60, linear], [4s, 60]]}\n"
	p := compile(t, servoAxis("arm", 0, ""), motion+quiet("1s", "3s", "arm"))
	list := played(t, p)
	for k := 51; k <= 150; k++ {
		if s := list[k]; s.Predicted != list[50].Predicted || s.Speed != 0 || math.Abs(s.Current-0.010) > 1e-12 || s.Peak > 0.010+1e-12 {
			t.Fatalf("frame %d: %+v", k, s)
		}
	}
	near(t, "where it stands", list[150].Predicted, 10, 0.6)
	near(t, "where it goes", list[200].Predicted, 60, 0.6)
	a := axisOf(t, Run(p), "arm")
	near(t, "how far it is from its command", a.Rejoin, 50, 0.6)
	near(t, "when the pulses come again", a.RejoinAt, 3, 1e-9)
	if a.PeakAt < 3 || a.PeakErrorAt < 3 || a.Late.By > 0 || a.CutShort > 0 || a.Unreached > 0 {
		t.Errorf("%+v", a)
	}
	held := axisOf(t, Run(compile(t, servoAxis("arm", 0, ""), motion)), "arm")
	if held.PeakAt > 2 || held.Rejoin != 0 {
		t.Errorf("without a window it peaks at %g s", held.PeakAt)
	}
}

// Let go in mid-move, a shaft runs out against the shorted motor and friction:
//
//	J dw/dt = -(K Ke/R) w - Tc,  way = tau w0 - c t,  t = tau ln(1 + w0/c)
//
// with tau = J R/(K Ke) and c = Tc R/(K Ke): the linear equation of motion of a
// motor under dynamic braking, solved by hand. K is that of the braking motor.
func TestReleasedShaftRunsOut(t *testing.T) {
	p := compile(t, alone(servoAxis("arm", 0, ", load: {inertia: 4000g.cm2}")),
		"length: 4s\ntracks: {arm: [[0s, -80], [0.5s, 80, hold]]}\n"+quiet("0.66s", "3s", "arm"))
	if len(p.Script.Quiet) != 1 {
		t.Fatal("no window")
	}
	r := railsOf(p, newTrace(p))[2]
	d := r.motors[0]
	r.advance(0.66)
	m := d.shaft
	tau := m.inertia / (m.braking * m.emf * m.perOhmOff)
	c := m.sliding / (m.braking * m.emf * m.perOhmOff)
	lasts := tau * math.Log(1+m.speed/c)
	if m.speed < 200 || lasts < 0.02 {
		t.Fatalf("it is let go at %g deg/s and runs out in %g s", m.speed, lasts)
	}
	r.advance(0.66 + lasts*0.9)
	if d.shaft.speed <= 0 {
		t.Errorf("it stands after %g s, want %g s", r.at-0.66, lasts)
	}
	r.advance(2.9)
	near(t, "the way on which it runs out", d.shaft.position-m.position, tau*m.speed-c*lasts, 1e-6)
	if d.shaft.speed != 0 || !d.asleep {
		t.Error("it does not come to a stand")
	}
	r.advance(4)
	near(t, "where it goes", d.shaft.position, 80, 1)
}

// Whatever a script does in a window, it is no lag, no overshoot, no rest that is
// missed and no hunting; what comes after it is judged again.
func TestNothingIsJudgedWhileReleased(t *testing.T) {
	wild := "[1.1s, 60, linear], [1.2s, -60, linear], [2s, -60], [2.1s, 30, linear], [2.8s, 10]"
	p := compile(t, servoAxis("arm", 0, ""), "length: 6s\ntracks: {arm: [[0s, 10], [1s, 10], "+wild+", [6s, 10]]}\n"+quiet("1s", "3s", "arm"))
	a := axisOf(t, Run(p), "arm")
	if a.PeakError > 0.6 || a.Late.By > 0 || a.CutShort > 0 || a.Overshoot > 0.6 || a.Unreached > 0 || a.Hunting > 0 || a.Rejoin > 0.6 {
		t.Errorf("%+v", a)
	}
	if held := axisOf(t, Run(compile(t, servoAxis("arm", 0, ""), "length: 6s\ntracks: {arm: [[0s, 10], [1s, 10], "+wild+", [6s, 10]]}\n")), "arm"); held.PeakError < 30 || held.CutShort == 0 {
		t.Errorf("held, it follows: %+v", held)
	}
	late := compile(t, servoAxis("arm", 0, ""), "length: 6s\ntracks: {arm: [[0s, 10], [4s, 10], [4.1s, 80, linear], [6s, 80]]}\n"+quiet("1s", "3s", "arm"))
	if a := axisOf(t, Run(late), "arm"); a.Late.By < 0.03 || a.Late.At != 4.1 {
		t.Errorf("after the window it is never late: %+v", a.Late)
	}
	hunts := strings.Replace(servoAxis("arm", 0, ""), "dead_band: 5us", "dead_band: 0.1us", 1)
	const jump = "length: 6s\ntracks: {arm: [[0s, 0], [0.3s, 30, hold]]}\n"
	a, held := axisOf(t, Run(compile(t, hunts, jump+quiet("1s", "6s", "arm"))), "arm"), axisOf(t, Run(compile(t, hunts, jump)), "arm")
	if a.Hunting > 0.3 || held.Hunting < 4 {
		t.Errorf("it hunts for %g s, and for %g s where it is held", a.Hunting, held.Hunting)
	}
}

// A motor that is let go coasts, or brakes, as its rig says, and draws nothing.
// With its winding open only friction slows it: w = w0 - Tc/J t.
func TestReleasedMotor(t *testing.T) {
	const motion = "length: 2s\ntracks: {winch: [[0s, 100], [2s, 100]]}\n"
	speed := func(more string, at float64) float64 {
		p := compile(t, alone(fmt.Sprintf(winch, more)), motion+quiet("1s", "1.5s", "winch"))
		r := railsOf(p, newTrace(p))[2]
		r.advance(at)
		return r.motors[0].shaft.speed
	}
	p := compile(t, alone(fmt.Sprintf(winch, "")), motion+quiet("1s", "1.5s", "winch"))
	m := railsOf(p, newTrace(p))[2].motors[0].shaft
	w0 := speed("", 1)
	near(t, "the speed after 20 ms", speed("", 1.02), w0-m.sliding/m.inertia*0.02, 1e-6*w0)
	if brakes := speed(", stop: brake", 1.02); brakes > 0.8*speed("", 1.02) {
		t.Errorf("braked, it turns at %g deg/s", brakes)
	}
	list := played(t, p)
	for k := 51; k <= 75; k++ {
		if list[k].Current != 0 {
			t.Fatalf("frame %d: %+v", k, list[k])
		}
	}
	if list[78].Current < 0.1 {
		t.Errorf("after the window: %+v", list[78])
	}
}

// A continuous servo without a pulse stops.
func TestReleasedContinuousServo(t *testing.T) {
	p := compile(t, "  reel: {kind: continuous-servo, board: main, channel: 0, supply: ideal, servo: {at: 6V, speed: 300deg/s, stall_torque: 0.3N.m, stall_current: 0.8A, no_load_current: 150mA, idle_current: 8mA}}\n",
		"length: 2s\ntracks: {reel: [[0s, 60], [2s, 60]]}\n"+quiet("0.5s", "1.5s", "reel"))
	list := played(t, p)
	friction := 6 * (0.150 - 0.008) / (0.8 - 0.008) // V on the winding that friction asks for
	near(t, "the speed before", list[24].Predicted, 100*(0.6*6-friction)/(6-friction), 0.01)
	for k := 40; k <= 75; k++ {
		if s := list[k]; s.Speed != 0 || math.Abs(s.Current-0.008) > 1e-12 {
			t.Fatalf("frame %d: %+v", k, s)
		}
	}
	near(t, "the speed after", list[100].Predicted, list[24].Predicted, 0.01)
}

// Steppers, lamps and relays are not let go.
func TestOthersAreNotReleased(t *testing.T) {
	const axes = `  beacon: {kind: stepper, board: main, channel: 0, supply: ideal, steps: 200, current: 400mA}
  lantern: {kind: dimmer, board: main, channel: 1, supply: ideal, current: 300mA}
  fog-horn: {kind: switch, board: main, channel: 2, supply: ideal, current: 80mA}
`
	const motion = "length: 3s\ntracks: {beacon: [[0s, 0], [3s, 90]], lantern: [[0s, 50]], fog-horn: [[0s, on]]}\n"
	held, free := compile(t, axes, motion), compile(t, axes, motion+quiet("1s", "2s", "beacon", "lantern", "fog-horn"))
	for i := range held.Axes {
		a, b := Run(held).Axes[i], Run(free).Axes[i]
		if a.Mean != b.Mean || a.RMS != b.RMS || Releases(free, b.Axis) != nil {
			t.Errorf("%s draws %g A, want %g A", b.Axis.Name, b.Mean, a.Mean)
		}
	}
}

func TestReleases(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, "")+servoAxis("hand", 1, ""), `length: 9s
tracks: {arm: [[0s, 0]]}
quiet:
  - {from: 5s, to: 6s, release: [arm]}
  - {from: 1s, to: 2.001s, release: [arm, hand]}
  - {from: 2s, to: 3s, release: [arm]}
  - {from: 2.2s, to: 2.4s, release: [arm]}
  - {from: 6.001s, to: 6.019s, release: [arm]}
`)
	var got [][3]float64
	for _, r := range Releases(p, p.Axes[0].Spec) {
		got = append(got, [3]float64{float64(r.From), float64(r.To), r.Window.From})
	}
	if want := [][3]float64{{50, 150, 2}, {250, 300, 5}}; !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if n := len(Releases(p, p.Axes[1].Spec)); n != 1 {
		t.Errorf("the hand has %d releases", n)
	}
}

// An axis that has no first pulse does not jump at power-up.
func TestPowerUpWithoutAPulse(t *testing.T) {
	axes := strings.ReplaceAll(servoAxis("arm", 0, "")+servoAxis("hand", 1, ""), "supply: rail", "supply: ideal")
	in := PowerUp(compile(t, axes, "length: 3s\ntracks: {arm: [[0s, 0]]}\n"+quiet("0s", "2s", "arm")))[2]
	if len(in.Order) != 1 || in.Order[0].Axis.Name != "hand" {
		t.Errorf("%+v", in.Order)
	}
	near(t, "the inrush", in.Together, 0.010+1, 1e-9)
}

// Released all the way, an axis never moves; a window in which a script rests does
// not change what comes after it by more than the dead band; and Run, Simulate and
// Parts agree.
func TestReleaseAtRandom(t *testing.T) {
	r := chance{rand.New(rand.NewSource(71))}
	for range 30 {
		axes, motion := servoAxis("a0", 0, ", load: {inertia: 900g.cm2}")+servoAxis("a1", 1, ""), r.motion(2, "in-out", "hold", "linear", "back-out")
		p := compile(t, axes, motion+quiet("0s", "13s", "a0"))
		a := axisOf(t, Run(p), "a0")
		near(t, "the mean of an axis that is let go", a.Mean, 0.010, 1e-12)
		if a.PeakError != 0 || a.Rejoin != 0 || a.RMSError != 0 {
			t.Errorf("%+v", a)
		}
		from := 0.04 * float64(r.Intn(150))
		p = compile(t, axes, motion+quiet(fmt.Sprintf("%gs", from), fmt.Sprintf("%gs", from+2), "a0", "a1"))
		tr, parts := Parts(p)
		for i := range parts {
			parts[len(parts)-1-i]()
		}
		if whole := Run(p); !reflect.DeepEqual(whole, tr) {
			t.Error("Run and Parts differ")
		}
		charge := 0.0
		for _, s := range played(t, p) {
			charge += s.Current * 0.02
		}
		near(t, "the charge", charge, tr.Axes[0].Mean*p.Length, 0.03)
	}
}
