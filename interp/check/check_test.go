package check

import (
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

const testRig = `rig: test bench
format: 1
supplies:
  rail: {voltage: 4.8V, limit: 1.5A, resistance: 400mohm, brownout: 4.5V, capacity: 2000mAh}
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 16, baud: 9600}
axes:
  pan: {kind: servo, board: main, channel: 0, travel: [-90deg, 90deg], pulse: [[-80deg, 700us], [80deg, 2300us]],
        servo: {dead_band: 5us}, limits: {speed: 250deg/s, acceleration: 1500deg/s2, jerk: 20000deg/s3}}
  sheet: {kind: servo, board: main, channel: 1, supply: rail, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]],
          servo: {at: 4.8V, speed: 0.12s/60deg, stall_torque: 1.6kg.cm, stall_current: 650mA, no_load_current: 120mA}}
  beacon: {kind: stepper, board: main, channel: 2, steps: 200, microsteps: 16, pull_in: 300steps/s,
           limits: {speed: 3600deg/s, acceleration: 1000000deg/s2}}
  winch: {kind: motor, board: main, channel: 3, reverse_dwell: 100ms}
  horn: {kind: switch, board: main, channel: 4, shortest: 200ms}
  arm: {kind: servo, board: main, channel: 5, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]],
        servo: {at: 4.8V, stall_torque: 3kg.cm}, load: {mass: 1kg, arm: 20mm}, limits: {speed: 200deg/s, acceleration: 2000deg/s2}}
  plain: {kind: servo, board: main, channel: 6, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]], servo: {dead_band: 5us}}
controls:
  turn: {pan: 1, plain: 0.5}
never:
  - {pan: [40deg, 90deg], plain: [30deg, 90deg], why: the hat hits the lamp}
`

func report(t *testing.T, body string) *Report {
	t.Helper()
	files := fstest.MapFS{
		"test.rig.yaml":    {Data: []byte(testRig)},
		"test.motion.yaml": {Data: []byte("motion: test\nformat: 1\nrig: test.rig.yaml\nfps: 25\n" + body)},
	}
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "test.motion.yaml")
	if err != nil {
		t.Fatalf("the motion does not load:\n%v", err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return Run(p, drive.Run(p), []Link{{Board: s.Rig.Boards[0], BytesPerFrame: 26}})
}

// found gives the findings of a rule on an axis.
func (r *Report) found(rule, axis string) []Finding {
	var list []Finding
	for _, f := range r.Findings {
		if f.Rule == rule && f.Axis == axis {
			list = append(list, f)
		}
	}
	return list
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-6*math.Max(1, math.Abs(b)) }

// The peak factors are those of the cam handbooks (Norton, Cam Design and
// Manufacturing Handbook; from memory): 3-4-5 polynomial 1.875, 5.7735, 60;
// cycloid 2, 2 pi, 4 pi^2; simple harmonic pi/2, pi^2/2, pi^3/2; the seven-phase
// profile of equal times by its definition 7/4, 49/8, 343/8.
func TestPeaksOfOneMove(t *testing.T) {
	for _, c := range []struct {
		ease                      string
		speed, acceleration, jerk float64
	}{
		{"min-jerk", 1.875, 10 / math.Sqrt(3), 60},
		{"cycloid", 2, 2 * math.Pi, 4 * math.Pi * math.Pi},
		{"s-curve", 1.75, 6.125, 42.875},
		{"min-snap", 2.1875, 7.5131884, 52.5},
	} {
		r := report(t, "tracks: {pan: [[0s, 0], [0.4s, 60, "+c.ease+"], [2s, 60]]}\n")
		const way, time = 60, 0.4
		for rule, want := range map[string]float64{"speed": c.speed * way / time, "acceleration": c.acceleration * way / (time * time), "jerk": c.jerk * way / (time * time * time)} {
			limit := map[string]float64{"speed": 250, "acceleration": 1500, "jerk": 20000}[rule]
			list := r.found(rule, "pan")
			if len(list) != 1 {
				t.Errorf("%s: %d findings of %s", c.ease, len(list), rule)
				continue
			}
			f := list[0]
			if math.Abs(f.Value-want) > 1e-6*want || f.Limit != limit || f.Level != Error || f.At.Line != 5 {
				t.Errorf("%s: %s is %g, want %g; limit %g, level %v, line %d", c.ease, rule, f.Value, want, f.Limit, f.Level, f.At.Line)
			}
			if f.From < 0 || f.To > time || f.From >= f.To {
				t.Errorf("%s: %s lasts from %g to %g", c.ease, rule, f.From, f.To)
			}
		}
	}
}

// A servo of 0.12 s/60 deg cannot do 90 deg in 0.10 s; in a straight line it
// needs 0.18 s.
func TestRemedyNamesTheTimeThatWouldDo(t *testing.T) {
	r := report(t, "tracks: {sheet: [[0s, -45], [1s, -45], [1.1s, 45, linear], [2s, 45]]}\n")
	list := r.found("speed", "sheet")
	if len(list) != 1 || !near(list[0].Value, 900) || !near(list[0].Limit, 500) {
		t.Fatalf("findings: %+v", list)
	}
	if !strings.Contains(list[0].Remedy, "0.08 s more (0.18 s in all)") || !strings.Contains(list[0].Remedy, "reduce it to 50 deg") {
		t.Errorf("the remedy is %q", list[0].Remedy)
	}
}

// The time and the way that a remedy names must do what it says.
func TestRemediesMend(t *testing.T) {
	before := report(t, "tracks: {pan: [[0s, 0], [0.5s, 80, min-jerk], [2s, 80]]}\n")
	for _, c := range []struct{ rule, remedy, mended string }{
		{"speed", "give this move 0.1 s more (0.6 s in all), or reduce it to 66.66 deg", "[[0s, 0], [0.6s, 80, min-jerk], [2s, 80]]"},
		{"acceleration", "give this move 0.06 s more (0.56 s in all), or reduce it to 64.95 deg", "[[0s, 0], [0.56s, 80, min-jerk], [2s, 80]]"},
		{"jerk", "give this move 0.13 s more (0.63 s in all), or reduce it to 41.66 deg", "[[0s, 0], [0.5s, 41.66, min-jerk], [2s, 41.66]]"},
	} {
		list := before.found(c.rule, "pan")
		if len(list) != 1 || list[0].Remedy != c.remedy {
			t.Errorf("%s: %+v, want the remedy %q", c.rule, list, c.remedy)
		}
		if list := report(t, "tracks: {pan: "+c.mended+"}\n").found(c.rule, "pan"); len(list) != 0 {
			t.Errorf("%s is not mended: %+v", c.rule, list)
		}
	}
}

// Each figure of a remedy is put into the motion, which then keeps that limit.
func TestRemediesAreTrue(t *testing.T) {
	inAll := regexp.MustCompile(`([0-9.]+) s in all`)
	reduce := regexp.MustCompile(`reduce it to ([0-9.]+) deg`)
	applied := 0
	for _, ease := range []string{"in-out", "min-jerk", "sine-in-out", "back-out", "cubic-bezier(0.7, 0, 0.3, 1)", "s-curve", "modified-sine", "quint-in-out", "elastic-out", "circ-in-out", "circ-out"} {
		motion := func(time, way, ease string) *Report {
			return report(t, "tracks: {pan: [[0s, -60], [1s, -60, hold], {at: "+time+"s, to: "+way+", ease: \""+ease+"\"}, [20s, "+way+"]]}\n")
		}
		for _, rule := range []string{"speed", "acceleration", "jerk"} {
			for _, f := range motion("1.37", "43.7", ease).found(rule, "pan") {
				next := ease
				if strings.Contains(f.Remedy, "min-jerk") {
					next = "min-jerk"
				}
				if m := inAll.FindStringSubmatch(f.Remedy); m != nil {
					seconds, _ := strconv.ParseFloat(m[1], 64)
					for _, g := range motion(fmt.Sprint(1+seconds), "43.7", next).found(rule, "pan") {
						t.Errorf("%s, %s: %q does not mend it: %s", ease, rule, f.Remedy, g.Message)
					}
					applied++
				}
				if m := reduce.FindStringSubmatch(f.Remedy); m != nil {
					way, _ := strconv.ParseFloat(m[1], 64)
					for _, g := range motion("1.37", fmt.Sprint(way-60), next).found(rule, "pan") {
						t.Errorf("%s, %s: %q does not mend it: %s", ease, rule, f.Remedy, g.Message)
					}
					applied++
				}
			}
		}
	}
	if applied < 40 {
		t.Errorf("only %d remedies were applied", applied)
	}
}

func TestRules(t *testing.T) {
	for _, c := range []struct {
		name, body, rule, axis string
		level                  Level
		line                   int
		value, limit           float64
	}{
		{"a corner counts over one frame", "tracks: {pan: [[0s, 0], [1s, 50, linear], [2s, 50]]}\n", "acceleration", "pan", Error, 5, 50 / 0.02, 1500},
		{"a jump counts over one frame", "tracks: {pan: [[0s, 0], [1s, 30, hold], [2s, 30]]}\n", "speed", "pan", Error, 5, 30 / 0.02, 250},
		{"travel with an overshoot", "tracks:\n  pan:\n    - [0s, 0]\n    - [2s, 90, back-out]\n", "travel", "pan", Error, 8, 90 * (1 + 4*math.Pow(1.70158, 3)/(27*math.Pow(2.70158, 2))), 90},
		{"travel by a layer", "tracks: {pan: [[0s, 88], [2s, 88]]}\nlayers:\n  - {axis: pan, add: {sine: {amount: 5, rate: 0.5Hz}}}\n", "travel", "pan", Error, 7, 93, 90},
		{"beyond the calibration", "tracks: {pan: [[0s, 0], [3s, 85], [5s, 85]]}\n", "calibration", "pan", Warning, 5, 85, 80},
		{"less than the dead band", "tracks: {plain: [[0s, 0], [1s, 0.3], [2s, 0.3]]}\n", "dead-band", "plain", Warning, 5, 0.3, 0.5},
		{"less than a microstep", "tracks: {beacon: [[0s, 0], [1s, 0.05], [2s, 0.05]]}\n", "resolution", "beacon", Warning, 5, 0.05, 0.1125},
		{"creeping in steps", "tracks: {plain: [[0s, 0], [10s, 5, linear], [12s, 5]]}\n", "slow-steps", "plain", Warning, 5, 0.5, 0.04},
		{"a loop that does not close", "loop: true\ntracks: {plain: [[0s, 0], [2s, 20]]}\n", "loop-seam", "plain", Error, 5, 20, 0},
		{"a start away from rest", "tracks: {pan: [[0s, 20], [2s, 20]]}\n", "first-pose", "pan", Note, 5, 20, 0},
		{"a stepper started too fast", "tracks: {beacon: [[0s, 0], [1s, 720, linear], [2s, 720]]}\n", "pull-in", "beacon", Error, 5, 400, 300},
		{"a motor reversed at once", "tracks: {winch: [[0s, 0], [1s, 50], [2s, -50], [3s, 0]]}\n", "reversal", "winch", Error, 5, -1, 0.1},
		{"a switch that chatters", "length: 2s\ncues:\n  - {at: 1s, set: {horn: on}}\n  - {at: 1.1s, set: {horn: off}}\n", "switch-time", "horn", Error, 8, 0.1, 0.2},
		{"a forbidden combination", "tracks:\n  pan: [[0s, 0], [2s, 60], [4s, 0]]\n  plain: [[0s, 40], [4s, 40]]\n", "never", "pan", Error, 6, -1, 0},
		{"loud in a quiet window", "tracks: {pan: [[0s, 0], [2s, 60, linear], [4s, 60]]}\nquiet: [{from: 1s, to: 3s, speed: 20deg/s}]\n", "quiet", "pan", Error, 5, 30, 20},
		{"a motor in a quiet window", "tracks: {winch: [[0s, 50], [2s, 50], [2.1s, 0], [4s, 0]]}\nquiet: [{from: 1s, to: 3s, speed: 20deg/s}]\n", "quiet", "winch", Warning, 5, 1.099, 0},
		{"a weight that is held", "tracks: {arm: [[0s, 0], [2s, 0]]}\nlength: 2s\n", "holding-torque", "arm", Warning, -1, 0.1961330, 0.2941995},
		{"two tracks on one axis", "tracks:\n  pan: [[0s, 0], [2s, 20]]\n  turn: [[1s, 0], [3s, 10]]\n", "two-at-once", "pan", Note, 7, 0, 0},
		{"a link that is too slow", "tracks: {pan: [[0s, 0], [2s, 20]]}\n", "link", "", Error, -1, 1300, 960},
		{"a cue after the end", "length: 2s\ntracks: {pan: [[0s, 0], [2s, 20]]}\ncues: [{at: 3s, say: late}]\n", "cue-outside", "", Error, 7, 3, 2},
		{"a pace that starts in motion", "tracks: {pan: [[0s, 0], [1s, 20, linear]]}\npace: [[0, 0, 1], [2, 1, 0]]\n", "pace-end", "pan", Error, 6, 1, 0},
		{"limits from the data sheet", "tracks: {sheet: [[0s, 0], [2s, 20]]}\n", "limit-origin", "sheet", Note, -1, 0, 0},
		{"wear", "tracks: {pan: [[0s, 0], [2s, 20], [4s, -10]]}\n", "wear", "pan", Note, -1, 50, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := report(t, c.body)
			list := r.found(c.rule, c.axis)
			if len(list) != 1 {
				var b strings.Builder
				_ = r.WriteText(&b, Style{})
				t.Fatalf("%d findings of %s on %q\n%s", len(list), c.rule, c.axis, b.String())
			}
			f := list[0]
			if f.Level != c.level || (c.line >= 0 && f.At.Line != c.line) || (c.value >= 0 && math.Abs(f.Value-c.value) > 1e-5*math.Max(1, c.value)) || math.Abs(f.Limit-c.limit) > 1e-6*math.Max(1, c.limit) {
				t.Errorf("level %v line %d value %.8g limit %.8g; want %v %d %g %g\n%s", f.Level, f.At.Line, f.Value, f.Limit, c.level, c.line, c.value, c.limit, f.Message)
			}
			if !f.At.Known() || f.Message == "" || (f.Remedy == "" && f.Rule != "wear") {
				t.Errorf("incomplete: %+v", f)
			}
		})
	}
}

// A motion that keeps within everything has no error and no warning.
func TestACleanMotionIsClean(t *testing.T) {
	r := report(t, "loop: true\ntracks:\n  pan: [[0s, 0], [2s, 20, min-jerk], [4s, 0, min-jerk]]\n")
	for _, f := range r.Findings {
		if f.Level != Note && f.Rule != "link" && f.Axis != "arm" { // the arm's load is too heavy for any motion
			t.Errorf("%s: %s", f.Rule, f.Message)
		}
	}
}

func TestMendsThatNeedNoThought(t *testing.T) {
	clean := map[string]string{
		"reversal":    "tracks: {winch: [[0s, 0], [1s, 50], [1.5s, 0], [1.7s, 0], [2s, -50], [3s, 0]]}\n",
		"pull-in":     "tracks: {beacon: [[0s, 0], [1s, 720, min-jerk], [2s, 720]]}\n",
		"switch-time": "length: 2s\ncues:\n  - {at: 1s, set: {horn: on}}\n  - {at: 1.2s, set: {horn: off}}\n",
		"quiet":       "tracks: {pan: [[0s, 0], [2s, 60, linear], [4s, 60]], winch: [[0s, 50], [2s, 50], [2.1s, 0], [4s, 0]]}\nquiet: [{from: 2s, to: 3s, speed: 20deg/s, release: [winch]}]\n",
		"never":       "tracks:\n  pan: [[0s, 0], [2s, 39], [4s, 0]]\n  plain: [[0s, 40], [4s, 40]]\n",
		"loop-seam":   "loop: true\ntracks: {plain: [[0s, 0], [1s, 20], [2s, 0]]}\n",
	}
	for rule, body := range clean {
		for _, f := range report(t, body).Findings {
			if f.Rule == rule {
				t.Errorf("%s: %s", rule, f.Message)
			}
		}
	}
}

func TestReportsFitEightyColumns(t *testing.T) {
	r := report(t, "tracks:\n  pan: [[0s, 0], [0.4s, 88, back-out], [2s, 60]]\n  sheet: [[0s, 0], [0.1s, 80, linear], [3s, 0]]\n  beacon: [[0s, 0], [1s, 7200, linear]]\n")
	var b strings.Builder
	if err := r.WriteText(&b, Style{}); err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(b.String(), "\n") {
		if n := len([]rune(line)); n > 80 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	if strings.Contains(b.String(), "\x1b") {
		t.Error("there is colour in a report without colour")
	}
}
