package mend

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/sequence"
)

// atFrames gives a curve at the frames of a 50 Hz board.
func atFrames(p *interp.Performance, c *interp.Curve) []float64 {
	out := make([]float64, p.Frames(50))
	for k := range out {
		out[k] = c.Value(float64(k) / 50)
	}
	return out
}

// differences gives the greatest forward difference of each order, 1 to 3, as
// speed, acceleration and jerk at 50 Hz, less what the rounding of positions can
// make of it: 2^n ulps of the greatest.
func differences(x []float64) (worst [4]float64) {
	top := 0.0
	for _, v := range x {
		top = math.Max(top, math.Abs(v))
	}
	d, rate := append([]float64(nil), x...), 1.0
	for n := 1; n < len(worst); n++ {
		rate *= 50
		for i := 0; i+1 < len(d); i++ {
			d[i] = d[i+1] - d[i]
		}
		d = d[:max(0, len(d)-1)]
		for _, v := range d {
			worst[n] = math.Max(worst[n], (math.Abs(v)-math.Ldexp(top, n-52))*rate)
		}
	}
	return worst
}

func shape(t *testing.T, p *interp.Performance) (*interp.Performance, []AxisShape) {
	t.Helper()
	shaped, axes, err := Shape(p)
	if err != nil {
		t.Fatal(err)
	}
	return shaped, axes
}

func TestShapeKeepsEveryLimitOnTheFrames(t *testing.T) {
	for _, c := range [][3]float64{{200, 900, 0}, {200, 900, 20000}, {100, 5000, 0}, {1000, 500, 8000}, {60, 300, 3000}} {
		limits := fmt.Sprintf("speed: %gdeg/s, acceleration: %gdeg/s2", c[0], c[1])
		if c[2] > 0 {
			limits += fmt.Sprintf(", jerk: %gdeg/s3", c[2])
		}
		p := load(t, pan(limits), busy)
		shaped, axes := shape(t, p)
		if len(axes) != 1 || !axes[0].Changed() {
			t.Fatalf("%s: %+v", limits, axes)
		}
		x, ref := atFrames(shaped, shaped.Axes[0].Horn), atFrames(p, p.Axes[0].Horn)
		worst := differences(x)
		for n, limit := range c {
			if limit > 0 && worst[n+1] > limit*(1+1e-9) {
				t.Errorf("%s: the difference of order %d is %.12g", limits, n+1, worst[n+1])
			}
		}
		largest, sum := 0.0, 0.0
		for i := range x {
			largest = math.Max(largest, math.Abs(x[i]-ref[i]))
			sum += (x[i] - ref[i]) * (x[i] - ref[i])
		}
		a := axes[0]
		near(t, "the largest deviation", a.Largest, largest, 1e-12)
		near(t, "the mean deviation", a.RMS, math.Sqrt(sum/float64(len(x))), 1e-9)
		if a.Floor > a.Largest || a.Floor < 0 {
			t.Errorf("%s: a floor of %v above %v", limits, a.Floor, a.Largest)
		}
	}
}

func TestShapeOfAMotionWithinItsLimitsIsThatMotion(t *testing.T) {
	p := load(t, pan("speed: 1000deg/s, acceleration: 30000deg/s2, jerk: 3000000deg/s3"), busy)
	shaped, axes := shape(t, p)
	if axes[0].Changed() || axes[0].Largest != 0 || axes[0].RMS != 0 {
		t.Errorf("%+v", axes[0])
	}
	x, ref := atFrames(shaped, shaped.Axes[0].Horn), atFrames(p, p.Axes[0].Horn)
	for i := range x {
		if x[i] != ref[i] {
			t.Fatalf("frame %d is at %v, not at %v", i, x[i], ref[i])
		}
	}
}

// A ramp that is twice as fast as the axis, between two rests: half of the way
// missing at its end is made up for afterwards, and the axis can begin early, so
// that no motion under the speed limit alone comes nearer than a quarter of the
// way: (w/T - V) T / 2 = w/4 (the mid-point of the Lipschitz envelopes).
func TestTheFloorAndTheDelay(t *testing.T) {
	p := load(t, pan("speed: 100deg/s"), "length: 6s\ntracks:\n  pan:\n    - [2s, 0deg]\n    - [2.5s, 100deg, linear]\n")
	_, axes := shape(t, p)
	a := axes[0]
	near(t, "the floor", a.Floor, 25, 1e-9)
	if a.Largest < 25-1e-9 || a.Largest > 25+1 {
		t.Errorf("the largest deviation is %v deg at %v s", a.Largest, a.At)
	}
	// It runs at 100 deg/s: what it is behind (or ahead) it makes up at that speed
	// at most, and the script was there at 200 deg/s.
	if late := math.Abs(a.Late); late < a.Largest/100-0.02 || late > a.Largest/100*1.5 {
		t.Errorf("the delay is %v s", a.Late)
	}
}

const held = `length: 5s
tracks:
  pan:
    - [0s, 0deg]
    - {at: 1s, to: 0deg, hold: true}
    - {at: %s, to: 90deg, hold: true}
    - [3s, 90deg]
    - [3.2s, 20deg]
`

func TestHeldKeysAreMet(t *testing.T) {
	p := load(t, pan("speed: 100deg/s, acceleration: 1000deg/s2, jerk: 20000deg/s3"), fmt.Sprintf(held, "2.2s"))
	shaped, axes := shape(t, p)
	for at, want := range map[float64]float64{1: 0, 2.2: 90} {
		if got := shaped.Axes[0].Horn.Value(at); math.Abs(got-want) > 1e-9 {
			t.Errorf("the held key at %v s is at %v", at, got)
		}
	}
	if !axes[0].Changed() {
		t.Error("the last move needs a change")
	}
}

// 90 deg at 100 deg/s take 0.9 s: no limit allows less.
func TestHeldKeysThatCannotBeMetAreNamed(t *testing.T) {
	p := load(t, pan("speed: 100deg/s"), fmt.Sprintf(held, "1.5s"))
	_, _, err := Shape(p)
	var problems sequence.Problems
	if !errors.As(err, &problems) || len(problems) != 1 {
		t.Fatalf("%v", err)
	}
	if x := problems[0]; x.At.Line != 9 || !strings.Contains(x.Text, "(line 10)") || !strings.Contains(x.Text, "they leave it 0.5 s, and its limits ask for 0.9 s") || !strings.Contains(x.Hint, "0.4 s more") {
		t.Errorf("%v: %v, %v", x.At, x.Text, x.Hint)
	}
}

// The linkage turns the part by half of what the horn turns: a limit of 100 deg/s
// at the horn is 50 deg/s at the part.
func TestLimitsAreThoseOfTheHorn(t *testing.T) {
	rig := board + `axes:
  neck: {kind: servo, board: main, channel: 0, travel: [-40deg, 40deg], pulse: [[-80deg, 900us], [80deg, 2100us]], rest: 0deg,
         linkage: {table: [[-90deg, -45deg], [0deg, 0deg], [90deg, 45deg]]}, limits: {speed: 100deg/s, acceleration: 2000deg/s2}}
`
	p := load(t, rig, "length: 4s\ntracks:\n  neck:\n    - [1s, -20deg]\n    - [1.5s, 20deg]\n")
	shaped, _ := shape(t, p)
	if w := differences(atFrames(shaped, shaped.Axes[0].Horn)); w[1] > 100*(1+1e-9) || w[1] < 99 || w[2] > 2000*(1+1e-9) {
		t.Errorf("the horn reaches %v", w)
	}
	if w := differences(atFrames(shaped, shaped.Axes[0].Part)); math.Abs(w[1]-50) > 0.1 {
		t.Errorf("the part reaches %v deg/s", w[1])
	}
	r := retime(t, p, Options{})
	within(t, r.Performance, 0, 100, 2000, 0)
	// 80 deg of the horn at 100 deg/s and 2000 deg/s2.
	if took := r.Performance.PerformanceTime(1.5) - r.Performance.PerformanceTime(1); took < 0.85 || took > 1.1 {
		t.Errorf("the move takes %v s", took)
	}
}

func TestShapeStaysWithinTheTravel(t *testing.T) {
	rig := strings.Replace(pan("speed: 200deg/s, acceleration: 1000deg/s2"), "[-200deg, 200deg]", "[-30deg, 30deg]", 1)
	p := load(t, rig, "length: 4s\ntracks:\n  pan:\n    - [0s, 0deg]\n    - [1s, 30deg, back-out]\n    - [2s, -30deg, back-out]\n")
	shaped, _ := shape(t, p)
	for i, v := range atFrames(shaped, shaped.Axes[0].Part) {
		if math.Abs(v) > 30*(1+1e-9) {
			t.Errorf("%v at frame %d", v, i)
		}
	}
}
