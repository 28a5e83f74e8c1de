package drive

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// gravity is the standard acceleration of free fall in m/s2 (ISO 80000-3).
const gravity = 9.80665

// The torque of a mass on an arm is m g r cos of the angle from level (statics).
func TestHoldingTorqueByPose(t *testing.T) {
	level := 0.120 * gravity * 0.035
	for _, c := range []struct{ value, want float64 }{{0, level}, {60, level / 2}, {90, 0}, {-45, level / math.Sqrt2}} {
		p := compile(t, servoAxis("arm", 0, ", load: {mass: 120g, arm: 35mm, gravity_at: 0deg}"), fmt.Sprintf("length: 2s\ntracks: {arm: [[0s, %g]]}\n", c.value))
		tr := Run(p)
		near(t, fmt.Sprintf("the torque at %g deg", c.value), axisOf(t, tr, "arm").MaxHolding, c.want, 1e-12)
		wantCurrent := 0.010 + c.want/0.4*(1-0.010)
		near(t, fmt.Sprintf("the current at %g deg", c.value), tr.Supplies[0].Mean, wantCurrent, 1e-9)
		wantState := Holding
		if c.want == 0 {
			wantState = Idle
		}
		if got := tr.Supplies[0].Blame[0].State; got != wantState {
			t.Errorf("at %g deg the arm is %s, want %s", c.value, got, wantState)
		}
	}
}

func TestGreatestHoldingTorqueAndItsTime(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ", load: {mass: 200g, arm: 50mm, gravity_at: 20deg}"), "tracks: {arm: [[0s, -60], [2s, 60, linear]]}\n")
	a := axisOf(t, Run(p), "arm")
	near(t, "the torque", a.MaxHolding, 0.2*gravity*0.05, 1e-5)
	near(t, "its time", a.HoldingAt, 80.0/60, 0.02)
	near(t, "the stall torque", a.StallTorque, 0.4, 1e-12)
}

// narrow gives an axis the travel that a linkage leaves it.
func narrow(axis string) string {
	return strings.Replace(axis, "travel: [-90deg, 90deg]", "travel: [-30deg, 30deg]", 1)
}

// A parallelogram moves its part as its horn (any mechanisms textbook), so it
// changes nothing; a lever of 1 to 2 halves the torque (law of the lever).
func TestVirtualWorkThroughALinkage(t *testing.T) {
	holding := func(link string) float64 {
		p := compile(t, narrow(servoAxis("arm", 0, ", load: {mass: 120g, arm: 35mm, gravity_at: 10deg}"+link)), "length: 3s\ntracks: {arm: [[0s, -30], [2s, 30]]}\n")
		return axisOf(t, Run(p), "arm").MaxHolding
	}
	bare := holding("")
	near(t, "the torque through a parallelogram", holding(", linkage: {base: 60mm, horn: 18mm, rod: 60mm, arm: 18mm, zero: 90deg, branch: open}"), bare, 1e-9)
	near(t, "the torque through a lever", holding(", linkage: {table: [[-120deg, -60deg], [120deg, 60deg]]}"), bare/2, 1e-9)
}

// Through any linkage, the torque at the horn is the change of the weight's
// height energy with the horn's angle: differences of the energy against the
// traces, over poses (principle of virtual work).
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

// The greatest acceleration of a 3-4-5 move is 5.7735 x way / time^2 (cam
// handbooks; 10/sqrt 3), its torque that times the moment of inertia.
func TestPeakOfAMoveWithInertia(t *testing.T) {
	axes := servoAxis("arm", 0, ", load: {inertia: 20000g.cm2}")
	p := compile(t, axes, "tracks: {arm: [[0s, -30], [2s, 30, min-jerk], [3s, 30]]}\n")
	own := p.Axes[0].Spec.Figures().Inertia.V
	torque := (0.002 + own) * 10 / math.Sqrt(3) * (math.Pi / 3) / 4
	a := axisOf(t, Run(p), "arm")
	near(t, "the peak", a.Peak, 0.1+torque/0.4*0.9, 1e-4)
	near(t, "the holding torque", a.MaxHolding, 0, 0)
}

// A jump of 60 deg at 500 deg/s takes 0.12 s: six frames of 20 ms, of which the
// first has no back-EMF yet.
func TestJump(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ""), "length: 1s\ntracks: {arm: [[0s, 0], [0.2s, 60, hold]]}\n")
	want := []spell{{Idle, 10}, {Starting, 1}, {Moving, 5}, {Idle, 34}}
	if got := spells(p, "arm"); !slices.Equal(got, want) {
		t.Errorf("the states are %v, want %v", got, want)
	}
	s := Run(p).Supplies[0]
	near(t, "the peak", s.Peak, 1, 0)
	near(t, "its time", s.PeakAt, 0.2, 1e-9)
	near(t, "the energy", s.Energy, 6*(0.02*1+5*0.02*0.1+44*0.02*0.01)/3600, 1e-12)
}

// Half the stall torque leaves half the speed: the same jump takes twice as long.
func TestJumpUnderLoadIsSlower(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ", load: {torque: 0.2N.m}"), "length: 1s\ntracks: {arm: [[0s, 0], [0.2s, 60, hold]]}\n")
	want := []spell{{Holding, 10}, {Starting, 1}, {Moving, 11}, {Holding, 28}}
	if got := spells(p, "arm"); !slices.Equal(got, want) {
		t.Errorf("the states are %v, want %v", got, want)
	}
}

// On a board of 200 Hz the start lasts as long, in more frames.
func TestStartLastsAsLongAtEveryRate(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, "")+"  gong: {kind: switch, board: quick, channel: 0, supply: rail, current: 0A}\n",
		"length: 1s\ntracks: {arm: [[0s, 0], [0.2s, 60, hold]]}\n")
	near(t, "the energy", Run(p).Supplies[0].Energy, 6*(0.02*1+5*0.02*0.1+44*0.02*0.01)/3600, 1e-12)
}

// A jump within the dead band is none.
func TestJumpWithinTheDeadBand(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ""), "length: 1s\ntracks: {arm: [[0s, 0], [0.2s, 0.4, hold]]}\n") // 5 us is 0.5 deg
	want := []spell{{Idle, 10}, {Moving, 1}, {Idle, 39}}
	if got := spells(p, "arm"); !slices.Equal(got, want) {
		t.Errorf("the states are %v, want %v", got, want)
	}
}

// A servo that is asked for 1000 deg/s and has 500 goes on after the end of the
// move, at full drive, until it has caught up.
func TestTooFastAMoveIsCaughtUp(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ""), "length: 1s\ntracks: {arm: [[0.2s, -50], [0.3s, 50, linear]]}\n")
	a := axisOf(t, Run(p), "arm")
	near(t, "the peak", a.Peak, 1, 0)
	busy := 0
	for _, s := range spells(p, "arm") {
		if s.state != Idle {
			busy += s.frames
		}
	}
	near(t, "the time it is busy", float64(busy)*0.02, 100.0/500, 0.021)
}

func TestOverloadStalls(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ", load: {mass: 1kg, arm: 60mm, gravity_at: 0deg}"), "length: 1s\ntracks: {arm: [[0s, 0]]}\n")
	s := Run(p).Supplies[0]
	if got := s.Blame[0]; got.State != Stalled || got.Current != 1 {
		t.Errorf("the arm is %s at %g A, want stalled at 1 A", got.State, got.Current)
	}
	near(t, "the least voltage", s.MinVoltage, 6-0.06, 1e-12)
}

const winch = `  winch: {kind: motor, board: main, channel: 0, supply: rail%s,
    motor: {at: 6V, speed: 100rpm, stall_torque: 0.4N.m, stall_current: 1.1A, no_load_current: 100mA}}
`

// A motor on a share of its voltage starts with that share of its stall current
// (V/R: there is no back-EMF yet), runs free on that share of its no-load
// current, and takes Kt = torque / current for its load at any share.
func TestMotor(t *testing.T) {
	p := compile(t, fmt.Sprintf(winch, ""), "length: 1s\ntracks: {winch: [[0s, 0], [0.2s, 60, hold], [0.5s, 0, hold], [0.6s, -100, hold], [0.8s, 0, hold]]}\n")
	want := []spell{{Off, 10}, {Starting, 1}, {Moving, 14}, {Off, 5}, {Starting, 1}, {Moving, 9}, {Off, 10}}
	if got := spells(p, "winch"); !slices.Equal(got, want) {
		t.Errorf("the states are %v, want %v", got, want)
	}
	a := axisOf(t, Run(p), "winch")
	near(t, "the peak", a.Peak, 1.1, 1e-12)
	near(t, "its time", a.PeakAt, 0.6, 1e-9)
	near(t, "the mean", a.Mean, 0.02*(0.6*1.1+14*0.6*0.1+1.1+9*0.1), 1e-9)

	p = compile(t, fmt.Sprintf(winch, ", load: {torque: 0.1N.m}"), "length: 10s\ntracks: {winch: [[0s, 50]]}\n")
	near(t, "the mean under load", axisOf(t, Run(p), "winch").Mean, 0.5*0.1+0.1/0.4*1.0, 1e-3)
}

func TestMotorStallsOnTooLittleDrive(t *testing.T) {
	p := compile(t, fmt.Sprintf(winch, ", load: {torque: 0.1N.m}"), "length: 1s\ntracks: {winch: [[0s, 0], [0.2s, 20, hold]]}\n")
	want := []spell{{Off, 10}, {Stalled, 40}}
	if got := spells(p, "winch"); !slices.Equal(got, want) {
		t.Errorf("the states are %v, want %v", got, want)
	}
	near(t, "the peak", axisOf(t, Run(p), "winch").Peak, 0.2*1.1, 1e-12)
}

// A reversal without a dwell starts anew; a slow rise of the drive has no start
// worth the name.
func TestMotorReversalAndRamp(t *testing.T) {
	p := compile(t, fmt.Sprintf(winch, ""), "length: 2s\ntracks: {winch: [[0s, 50], [1s, -50, hold]]}\n")
	a := axisOf(t, Run(p), "winch")
	near(t, "the peak", a.Peak, 0.55, 1e-12)
	near(t, "the mean", a.Mean, 0.01*(2*0.55+98*0.05), 1e-9)
	p = compile(t, fmt.Sprintf(winch, ""), "length: 3s\ntracks: {winch: [[0s, 0], [2s, 100, linear]]}\n")
	near(t, "the peak of a ramp", axisOf(t, Run(p), "winch").Peak, 0.1+0.01*1.0, 2e-3)
}

// In frames of 5 ms the back-EMF takes as long to rise: the charge of a start is
// the same.
func TestMotorStartLastsAsLongAtEveryRate(t *testing.T) {
	mean := func(more string) float64 {
		p := compile(t, fmt.Sprintf(winch, "")+more, "length: 2s\ntracks: {winch: [[0s, 0], [1s, 80, hold]]}\n")
		return axisOf(t, Run(p), "winch").Mean
	}
	slow := mean("")
	quick := mean("  gong: {kind: switch, board: quick, channel: 0, supply: rail, current: 0A}\n")
	near(t, "the mean in frames of 5 ms", quick, slow, 1e-9)
	near(t, "the mean", slow, (0.02*0.88+0.98*0.08)/2, 1e-9)
}

// A motor far below its sheet's voltage draws no more free than stalled.
func TestMotorFarBelowItsVoltage(t *testing.T) {
	p := compile(t, "  winch: {kind: motor, board: main, channel: 0, supply: rail, motor: {at: 24V, speed: 100rpm, stall_torque: 0.4N.m, stall_current: 1A, no_load_current: 300mA}}\n",
		"length: 1s\ntracks: {winch: [[0s, 100]]}\n")
	a := axisOf(t, Run(p), "winch")
	near(t, "the peak", a.Peak, 0.25, 1e-12)
	near(t, "the mean", a.Mean, 0.25, 1e-12)
}

func TestContinuousServoIdles(t *testing.T) {
	p := compile(t, `  reel: {kind: continuous-servo, board: main, channel: 0, supply: rail, servo: {at: 6V, speed: 300deg/s, stall_torque: 0.3N.m, stall_current: 0.8A, no_load_current: 150mA, idle_current: 8mA}}
`, "length: 2s\ntracks: {reel: [[0s, 0], [0.5s, 100, hold], [1s, 1, hold]]}\n")
	want := []spell{{Idle, 25}, {Starting, 1}, {Moving, 74}}
	if got := spells(p, "reel"); !slices.Equal(got, want) {
		t.Errorf("the states are %v, want %v", got, want)
	}
	near(t, "the mean", axisOf(t, Run(p), "reel").Mean, (0.5*0.008+0.02*0.8+0.48*0.15+1*0.008)/2, 1e-9)
}

func TestStepperHoldsWhatItMovesWith(t *testing.T) {
	p := compile(t, "  beacon: {kind: stepper, board: main, channel: 0, supply: rail, steps: 200, current: 400mA}\n",
		"length: 1s\ntracks: {beacon: [[0s, 0], [0.4s, 90, linear]]}\n")
	want := []spell{{Moving, 20}, {Holding, 30}}
	if got := spells(p, "beacon"); len(got) != 2 || got[1].state != want[1].state {
		t.Errorf("the states are %v, want %v", got, want)
	}
	a := axisOf(t, Run(p), "beacon")
	near(t, "the peak", a.Peak, 0.8, 1e-12)
	near(t, "the mean", a.Mean, 0.8, 1e-12)
}

// Eases whose speed or acceleration is infinite at an end ask for the stall
// current there, and leave no figure that is not a number.
func TestInfiniteDerivativesAreStalls(t *testing.T) {
	for _, ease := range []string{"circ-in", "circ-out", "circ-in-out", `"cubic-bezier(0, 1, 1, 0)"`, "elastic-out", "hold"} {
		p := compile(t, servoAxis("arm", 0, ""), "length: 2s\ntracks: {arm: [[0.2s, 0], [1.2s, 50, "+ease+"]]}\n")
		tr := Run(p)
		s := tr.Supplies[0]
		for what, v := range map[string]float64{"peak": s.Peak, "mean": s.Mean, "RMS": s.RMS, "energy": s.Energy} {
			if math.IsNaN(v) || math.IsInf(v, 0) || v <= 0 || v > 1 {
				t.Errorf("%s: the %s is %g", ease, what, v)
			}
		}
	}
}

// A corner, where speed jumps, is that jump over one frame of acceleration.
func TestCornerIsOneFrameOfAcceleration(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ", load: {inertia: 2000g.cm2}"), "tracks: {arm: [[0.2s, 0], [1.2s, 60, linear], [2s, 60]]}\n")
	own := p.Axes[0].Spec.Figures().Inertia.V
	torque := (0.0002 + own) * (math.Pi / 3) / 0.020
	near(t, "the peak", axisOf(t, Run(p), "arm").Peak, 0.1+torque/0.4*0.9, 1e-9)
}

// Inertia is seen through a lever of 1 to 2 as a quarter of itself.
func TestInertiaThroughALinkage(t *testing.T) {
	link := ", linkage: {table: [[-120deg, -60deg], [120deg, 60deg]]}"
	p := compile(t, narrow(servoAxis("arm", 0, ", load: {inertia: 20000g.cm2}"+link)), "tracks: {arm: [[0s, -30], [2s, 30, min-jerk], [3s, 30]]}\n")
	own := p.Axes[0].Spec.Figures().Inertia.V
	hornAcceleration := 10 / math.Sqrt(3) * (2 * math.Pi / 3) / 4
	near(t, "the peak", axisOf(t, Run(p), "arm").Peak, 0.1+(0.002/4+own)*hornAcceleration/0.4*0.9, 2e-4)
}

// A rack on a pinion of radius r: force m a at r is the torque m r a, besides
// that of the weight, m g r, and of the servo itself.
func TestLinearServo(t *testing.T) {
	p := compile(t, `  hatch: {kind: servo, board: main, channel: 0, supply: rail, travel: [0mm, 60mm], pulse: [[0mm, 1000us], [60mm, 2000us]],
    servo: {at: 6V, speed: 200mm/s, stall_torque: 0.4N.m, stall_current: 1A, no_load_current: 100mA, idle_current: 10mA}, load: {mass: 500g, arm: 20mm}}
`, "tracks: {hatch: [[0s, 0], [1s, 50, min-jerk], [2s, 50]]}\n")
	a := axisOf(t, Run(p), "hatch")
	weight := 0.5 * gravity * 0.020
	near(t, "the holding torque", a.MaxHolding, weight, 1e-12)
	acceleration := 10 / math.Sqrt(3) * 0.050 // m/s2
	// The servo's own share follows from the mechanical time constant of its class,
	// 40 ms: at stall torque it would be at its speed after that time.
	own := 0.4 * 0.040 * acceleration / 0.200
	near(t, "the peak", a.Peak, 0.1+(weight+0.5*0.020*acceleration+own)/0.4*0.9, 1e-3)
}
