package mend

import (
	"io"
	"math"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/sequence"
)

// load compiles a motion on a rig; both are given without their first lines.
func load(t testing.TB, rig, body string) *interp.Performance {
	t.Helper()
	files := fstest.MapFS{
		"test.rig.yaml":    {Data: []byte("rig: bench\nformat: 1\n" + rig)},
		"test.motion.yaml": {Data: []byte("motion: test\nformat: 1\nrig: test.rig.yaml\nfps: 24\n" + body)},
	}
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "test.motion.yaml")
	if err != nil {
		t.Fatalf("the motion does not load:\n%v", err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// board is the beginning of a rig: one board at 50 Hz.
const board = "boards: {main: {rate: 50Hz, tick: 0.5us, channels: 16}}\n"

// pan makes a rig of one axis with the given limits.
func pan(limits string) string {
	return board + "axes:\n  pan: {kind: servo, board: main, channel: 0, travel: [-200deg, 200deg], pulse: [[-200deg, 500us], [200deg, 2500us]], limits: {" + limits + "}}\n"
}

func retime(t testing.TB, p *interp.Performance, o Options) *Retiming {
	t.Helper()
	r, err := Retime(p.Script, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// near fails unless got is within a part of want.
func near(t *testing.T, what string, got, want, part float64) {
	t.Helper()
	if math.Abs(got-want) > part*math.Abs(want) {
		t.Errorf("%s is %.7g, not %.7g within %g", what, got, want, part)
	}
}

// dense looks at an axis 2000 times a second, without any of the package's own
// measures, and gives the greatest speed, acceleration and jerk, by the curve's
// derivatives and, for jerk, half of what its acceleration changes in one board
// frame: inside a piece it may change by one frame's jerk, and at a joint once more.
func dense(p *interp.Performance, axis int) (speed, acceleration, jerk float64) {
	a := p.Axes[axis]
	const frame = 0.02
	for k := 0; ; k++ {
		at := float64(k) / 2000
		if at >= p.Length {
			break
		}
		s := a.Horn.At(at)
		speed, acceleration = math.Max(speed, math.Abs(s.Speed)), math.Max(acceleration, math.Abs(s.Acceleration))
		jerk = math.Max(jerk, math.Abs(s.Jerk))
		if at >= frame {
			jerk = math.Max(jerk, math.Abs(s.Acceleration-a.Horn.At(at-frame).Acceleration)/frame/2)
		}
	}
	return speed, acceleration, jerk
}

// within fails where an axis is beyond limits (0 is none) at a dense evaluation.
func within(t *testing.T, p *interp.Performance, axis int, speed, acceleration, jerk float64) {
	t.Helper()
	v, a, j := dense(p, axis)
	if speed > 0 && v > speed*(1+1e-9) || acceleration > 0 && a > acceleration*(1+1e-9) || jerk > 0 && j > jerk*(1+1e-6) {
		t.Errorf("%s reaches %.7g, %.7g, %.7g, with limits of %g, %g, %g", p.Axes[axis].Spec.Name, v, a, j, speed, acceleration, jerk)
	}
}

// knotsAreWhole fails where knots break the rules of the motion file for a pace.
func knotsAreWhole(t *testing.T, r *Retiming) {
	t.Helper()
	k := r.Knots
	if len(k) == 0 {
		return
	}
	if k[0].Time != 0 || k[0].Script != 0 || k[len(k)-1].Script != r.Written {
		t.Errorf("the pace goes from %+v to %+v", k[0], k[len(k)-1])
	}
	for i := 1; i < len(k); i++ {
		mean, want := (k[i].Script-k[i-1].Script)/(k[i].Time-k[i-1].Time), (k[i].Rate+k[i-1].Rate)/2
		if !(k[i].Time > k[i-1].Time) || k[i].Script < k[i-1].Script || math.Abs(mean-want) > 1e-7 {
			t.Errorf("knot %d %+v does not follow %+v", i, k[i], k[i-1])
		}
	}
}

// One axis from rest to rest over a distance d has closed forms of least time:
// 2 sqrt(d/a) where it speeds up and slows down only, d/v + v/a where it cruises
// between (any text on motion profiles; here Biagiotti and Melchiorri, Trajectory
// Planning for Automatic Machines and Robots, section 3.2, from memory).
func TestFastestHasTheClosedForms(t *testing.T) {
	for name, c := range map[string]struct {
		limits, ease string
		want         float64
	}{
		"bang-bang":            {"acceleration: 400deg/s2, speed: 1000deg/s", "linear", 2 * math.Sqrt(90.0/400)},
		"bang-bang, min-jerk":  {"acceleration: 400deg/s2, speed: 1000deg/s", "min-jerk", 2 * math.Sqrt(90.0/400)},
		"trapezoid":            {"acceleration: 400deg/s2, speed: 100deg/s", "linear", 90.0/100 + 100.0/400},
		"trapezoid, in-out":    {"acceleration: 400deg/s2, speed: 100deg/s", "in-out", 90.0/100 + 100.0/400},
		"speed alone":          {"speed: 100deg/s, acceleration: 10000000deg/s2", "linear", 90.0 / 100},
		"trapezoid, from slow": {"acceleration: 50deg/s2, speed: 45deg/s", "cubic-in-out", 90.0/45 + 45.0/50},
	} {
		p := load(t, pan(c.limits), "tracks:\n  pan:\n    - [0s, 0deg]\n    - [2s, 90deg, "+c.ease+"]\n")
		r := retime(t, p, Options{Fastest: true})
		part := 2e-3
		if c.ease != "linear" {
			part = 1e-2 // an ease that starts gently is let out at MaxRate only
		}
		near(t, name, r.Performance.Length, c.want, part)
		knotsAreWhole(t, r)
		l := p.Axes[0].Spec.HornLimits()
		within(t, r.Performance, 0, l.Speed.V, l.Acceleration.V, 0)
		if len(r.Left) > 0 || r.Performance.Length < c.want {
			t.Errorf("%s: %.6f s, less than the least, or %v is left", name, r.Performance.Length, r.Left)
		}
	}
}

// A servo of 0.12 s/60 deg (500 deg/s) needs 0.18 s for 90 deg, however it speeds
// up; 0.10 s were written.
func TestAMoveTooFastForItsServo(t *testing.T) {
	rig := board + `axes:
  jaw: {kind: servo, board: main, channel: 0, travel: [0deg, 90deg], pulse: [[0deg, 1000us], [90deg, 2000us]],
        servo: {at: 4.8V, speed: 0.12s/60deg, stall_torque: 1.6kg.cm, stall_current: 650mA, no_load_current: 120mA}}
`
	p := load(t, rig, "length: 2s\ntracks:\n  jaw:\n    - [1s, 0deg]\n    - [1.1s, 90deg]\n")
	r := retime(t, p, Options{})
	took := r.Performance.PerformanceTime(1.1) - r.Performance.PerformanceTime(1)
	if took < 0.18 || took > 0.25 {
		t.Errorf("the move takes %.3f s, which is not a little over 0.18 s", took)
	}
	within(t, r.Performance, 0, 500, 0, 0)
	knotsAreWhole(t, r)
}

// 60 deg/s is what dialogue on a sound stage is given here.
func TestQuietWindowsAreKept(t *testing.T) {
	p := load(t, pan("speed: 300deg/s, acceleration: 3000deg/s2"), `length: 8s
tracks:
  pan:
    - [0s, 0deg]
    - [1s, 90deg]
    - [4s, 90deg, hold]
    - [4.7s, 0deg]
    - [5.5s, 60deg, pchip]
    - [6.5s, -20deg, pchip]
quiet:
  - {from: 3s, to: 6s, speed: 60deg/s}
`)
	r := retime(t, p, Options{})
	from, to := r.Performance.PerformanceTime(3), r.Performance.PerformanceTime(6)
	for k := range 100000 {
		at := from + (to-from)*float64(k)/100000
		if v := r.Performance.Axes[0].Horn.At(at).Speed; math.Abs(v) > 60*(1+1e-9) {
			t.Fatalf("%.9g deg/s at %.4f s in the quiet window", v, at)
		}
	}
	if first := r.Performance.PerformanceTime(4); math.Abs(first-4) > 1e-9 {
		t.Errorf("what comes before is stretched: 4 s of script come at %v s", first)
	}
	knotsAreWhole(t, r)
}

const busy = `length: 12s
tracks:
  pan:
    - [0.5s, 0deg]
    - [1s, 80deg]
    - [1.6s, -60deg, min-jerk]
    - [3s, 20deg, pchip]
    - [3.3s, 50deg, pchip]
    - [5s, -20deg, pchip]
    - [7s, -20deg, hold]
    - [7.4s, 60deg, "cubic-bezier(0.3, 0, 0.2, 1)"]
    - [9s, 0deg, linear]
    - [11s, 60deg, linear]
`

func TestTheLimitsHoldWithFewKnots(t *testing.T) {
	for _, limits := range []string{"speed: 200deg/s, acceleration: 900deg/s2", "speed: 100deg/s, acceleration: 5000deg/s2", "speed: 1000deg/s, acceleration: 500deg/s2"} {
		for _, fastest := range []bool{false, true} {
			p := load(t, pan(limits), busy)
			r := retime(t, p, Options{Fastest: fastest})
			l := p.Axes[0].Spec.HornLimits()
			within(t, r.Performance, 0, l.Speed.V, l.Acceleration.V, 0)
			knotsAreWhole(t, r)
			if len(r.Left) > 0 {
				t.Errorf("%s: %+v is left", limits, r.Left)
			}
			if len(r.Knots) > 500 {
				t.Errorf("%s: %d knots", limits, len(r.Knots))
			}
			for i, k := range r.Knots {
				if !fastest && (k.Rate > 1+1e-12 || k.Time < k.Script-1e-9) {
					t.Errorf("%s: knot %d runs ahead of the script: %+v", limits, i, k)
				}
			}
			t.Logf("%s, fastest %v: %d knots, %.3f s", limits, fastest, len(r.Knots), r.Performance.Length)
		}
	}
}

func TestAMotionWithinItsLimitsGetsNoPace(t *testing.T) {
	p := load(t, pan("speed: 1000deg/s, acceleration: 100000deg/s2"), busy+"pace: [[0, 0, 0.5], [24, 12, 0.5]]\n")
	r := retime(t, p, Options{})
	if len(r.Knots) > 0 || r.Performance.Length != 12 || r.Stretched != 0 {
		t.Errorf("%d knots, %v s", len(r.Knots), r.Performance.Length)
	}
}

func TestASecondRetimeChangesNothing(t *testing.T) {
	p := load(t, pan("speed: 200deg/s, acceleration: 900deg/s2, jerk: 20000deg/s3"), busy)
	for _, o := range []Options{{}, {Fastest: true}} {
		first := retime(t, p, o)
		s := *p.Script
		s.Pace = first.Knots
		again, err := Retime(&s, o)
		if err != nil {
			t.Fatal(err)
		}
		if sequence.PaceText(first.Knots) != sequence.PaceText(again.Knots) {
			t.Error("the second pace is another")
		}
	}
}

func TestWhereNothingMovesTheFastestKeepsItsRate(t *testing.T) {
	p := load(t, pan("speed: 1000deg/s, acceleration: 100000deg/s2"), "length: 6s\ntracks:\n  pan:\n    - [0s, 0deg]\n    - [2s, 90deg]\n    - [5s, 90deg, hold]\n    - [6s, 0deg]\n")
	r := retime(t, p, Options{Fastest: true})
	if hold := r.Performance.PerformanceTime(5) - r.Performance.PerformanceTime(2); math.Abs(hold-3) > 0.01 {
		t.Errorf("the hold of 3 s takes %.4f s", hold)
	}
	if r.Performance.Length > 3.6 {
		t.Errorf("the whole takes %.4f s", r.Performance.Length)
	}
}

func TestAPerformanceStartsAndEndsAtRest(t *testing.T) {
	p := load(t, pan("speed: 100deg/s, acceleration: 300deg/s2"), "tracks:\n  pan:\n    - [0s, 0deg]\n    - [1s, 90deg, linear]\n    - [2s, 20deg, linear]\n")
	for _, o := range []Options{{}, {Fastest: true}} {
		r := retime(t, p, o)
		n := len(r.Knots)
		if n == 0 || r.Knots[0].Rate != 0 || r.Knots[n-1].Rate != 0 {
			t.Errorf("%+v: the pace goes from %+v to %+v", o, r.Knots[0], r.Knots[n-1])
		}
		within(t, r.Performance, 0, 100, 300, 0)
	}
}

func TestWhatNoPaceMendsIsNamed(t *testing.T) {
	for _, ease := range []string{"hold", "circ-in-out"} {
		p := load(t, pan("speed: 100deg/s, acceleration: 300deg/s2"), "length: 3s\ntracks:\n  pan:\n    - [0s, 0deg]\n    - [1s, 90deg, "+ease+"]\n    - [2s, 0deg]\n")
		r := retime(t, p, Options{})
		if !(r.Performance.Length > 3 && r.Performance.Length < 30) || len(r.Left) != 1 || !r.Left[0].Steep {
			t.Errorf("%s: %v s, %+v", ease, r.Performance.Length, r.Left)
		}
		p = load(t, pan("speed: 200deg/s, acceleration: 30000deg/s2"), "length: 3s\ntracks:\n  pan:\n    - [0s, 0deg]\n    - [1s, 90deg, "+ease+"]\n")
		if r = retime(t, p, Options{}); len(r.Left) != 1 || !r.Left[0].Steep {
			t.Errorf("%s alone: %v s, %+v", ease, r.Performance.Length, r.Left)
		}
	}
}

func TestWhatIsNotWhole(t *testing.T) {
	p := load(t, pan("speed: 100deg/s, acceleration: 300deg/s2"), "length: 3s\n")
	if r := retime(t, p, Options{Fastest: true}); r.Performance.Length != 3 {
		t.Errorf("a motion without moves takes %v s", r.Performance.Length)
	}
}
