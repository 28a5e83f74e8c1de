package check

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/interp/mend"
	"limberjack/transport/timeline"
)

const releaseRig = "supplies: {rail: {voltage: 6V}}\naxes:\n" +
	"  arm: {kind: servo, board: main, channel: 0, supply: rail, " + wideTravel + ", " + bigServo + "}\n" +
	"  slide: {kind: servo, board: main, channel: 1, supply: rail, travel: [0mm, 80mm], pulse: [[0mm, 1000us], [80mm, 2000us]], servo: {speed: 200mm/s, stall_torque: 11kg.cm, dead_band: 5us}}\n" +
	"  winch: {kind: motor, board: main, channel: 2, supply: rail, motor: {at: 6V, speed: 100rpm, stall_torque: 4kg.cm, stall_current: 1.1A, no_load_current: 90mA}}\n" +
	"  beacon: {kind: stepper, board: main, channel: 3, supply: rail, steps: 200, microsteps: 16, current: 400mA}\n" +
	"  lantern: {kind: dimmer, board: main, channel: 4, supply: rail, current: 300mA}\n"

func TestReleaseRules(t *testing.T) {
	for _, c := range []struct {
		name, body, rule, axis string
		level                  Level
		line                   int
		value, limit, from, to float64
	}{
		{"moved while it is let go", "tracks: {arm: [[0s, 10], [1.5s, 10], [2s, 12.5], [4s, 12.5]]}\nquiet:\n  - {from: 1s, to: 3s, release: [arm]}\n", "release-jump", "arm", Error, 7, 2.5, 2, 0.98, 3},
		{"a jump as the window ends", "tracks: {arm: [[0s, 10], [3s, -40, hold], [4s, -40]]}\nquiet: [{from: 1s, to: 3s, release: [arm]}]\n", "release-jump", "arm", Error, 6, 50, 2, 0.98, 3},
		{"20 us of pulse on a slide", "tracks: {slide: [[0s, 10], [1.5s, 10], [2s, 12], [4s, 12]]}\nquiet: [{from: 1s, to: 3s, release: [slide]}]\n", "release-jump", "slide", Error, 6, 2, 1.6, 0.98, 3},
		{"a loop that takes hold at its start", "loop: true\nlength: 4s\ntracks: {arm: [[0s, 0], [1s, 30], [3s, 30], [4s, 0]]}\nquiet: [{from: 2s, to: 4s, release: [arm]}]\n", "release-jump", "arm", Error, 8, 30, 2, 0, 0},
		{"let go from the start", "length: 4s\ntracks: {arm: [[0s, 0], [1s, 30]]}\nquiet: [{from: 0s, to: 2s, release: [arm]}]\n", "release-jump", "arm", Error, 7, 30, 2, 0, 2},
		{"a motor that is to turn", "tracks: {winch: [[0s, 0], [1.5s, 0], [1.6s, 50, hold], [1.9s, 0, hold], [4s, 0]]}\nquiet: [{from: 1s, to: 3s, release: [winch]}]\n", "release-idle", "winch", Warning, 6, 0.3, 0, 1.6, 1.9},
		{"a stepper", "tracks: {beacon: [[0s, 0], [4s, 0]]}\nquiet: [{from: 1s, to: 3s, release: [beacon]}]\n", "release-kind", "beacon", Warning, 6, 0, 0, 1, 3},
		{"a lamp", "tracks: {lantern: [[0s, 0], [4s, 0]]}\nquiet: [{from: 1s, to: 3s, release: [lantern]}]\n", "release-kind", "lantern", Warning, 6, 0, 0, 1, 3},
	} {
		list := on(t, releaseRig, c.body).found(c.rule, c.axis)
		if len(list) != 1 {
			t.Errorf("%s: %+v", c.name, list)
			continue
		}
		f := list[0]
		if f.Level != c.level || f.At.Line != c.line || math.Abs(f.Value-c.value) > 1e-6 || math.Abs(f.Limit-c.limit) > 1e-9 || math.Abs(f.From-c.from) > 1e-9 || math.Abs(f.To-c.to) > 1e-9 {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}

// What is back in its place, or never takes hold again, is no jump; and a released
// axis is not heard.
func TestReleasesThatAreFine(t *testing.T) {
	for _, body := range []string{
		"tracks: {arm: [[0s, 10], [1s, 10], [2s, 70], [3s, 11.9], [4s, 11.9]]}\nquiet: [{from: 1s, to: 3s, speed: 10deg/s, release: [arm]}]\n",
		"length: 4s\ntracks: {arm: [[0s, 10], [2s, 10], [3.5s, 70]]}\nquiet: [{from: 2s, to: 5s, speed: 10deg/s, release: [arm]}]\n",
		"tracks: {arm: [[0s, 10], [1s, 10], [2s, 30], [3s, 30]]}\nquiet: [{from: 1s, to: 3s}]\n",
		"tracks: {slide: [[0s, 10], [1.5s, 10], [2s, 11.5], [4s, 11.5]]}\nquiet: [{from: 1s, to: 3s, speed: 0.1mm/s, release: [slide]}]\n",
		"tracks: {winch: [[0s, 50], [1s, 50], [3s, 50, hold], [4s, 0]]}\nquiet: [{from: 1s, to: 3s, speed: 10deg/s}]\n",
		"loop: true\nlength: 4s\ntracks: {arm: [[0s, 0], [1s, 30], [2s, 0], [4s, 0]]}\nquiet: [{from: 3s, to: 4s, release: [arm]}, {from: 0s, to: 0.1s, release: [arm]}]\n",
	} {
		r := on(t, releaseRig, body)
		for _, f := range r.Findings {
			if strings.HasPrefix(f.Rule, "release") || f.Rule == "quiet" && f.Axis != "winch" {
				t.Errorf("%s\n%s: %s", body, f.Rule, f.Message)
			}
		}
	}
}

var (
	restAt   = regexp.MustCompile(`come to rest at (-?[0-9.]+) (?:deg|mm) at least ([0-9.]+) s before`)
	restLong = regexp.MustCompile(`come to rest at least ([0-9.]+) s before`)
)

// Each remedy, put into the motion, mends it: an axis that rests in time and stays,
// one that is left out, a motor that runs before or after.
func TestReleaseRemediesAreTrue(t *testing.T) {
	applied := 0
	find := func(track, release string) []Finding {
		return on(t, releaseRig, "length: 6s\ntracks: {arm: "+track+"}\nquiet: [{from: 2s, to: 4s, release: ["+release+"]}]\n").found("release-jump", "arm")
	}
	for _, track := range []string{
		"[[0s, 0], [1.9s, 0], [3s, 40]]", "[[0s, 0], [1s, 0], [2.6s, 70, min-jerk]]", "[[0s, -20], [1.5s, -20], [2s, 50, linear], [3.9s, 20]]",
		"[[0s, 0], [2.2s, 60, linear]]", "[[0s, 0], [1.8s, 0], [2s, 80, linear]]", "[[0s, 0], [1.95s, 70, hold]]", "[[0s, -70], [1.9s, 70, hold]]",
	} {
		list := find(track, "arm")
		if len(list) != 1 {
			t.Errorf("%s: %+v", track, list)
			continue
		}
		mended := ""
		if m := restAt.FindStringSubmatch(list[0].Remedy); m != nil {
			before, _ := strconv.ParseFloat(m[2], 64)
			mended = fmt.Sprintf("[[0s, 0], [%gs, %s, hold]]", 2-before, m[1])
		} else if m := restLong.FindStringSubmatch(list[0].Remedy); m != nil {
			before, _ := strconv.ParseFloat(m[1], 64)
			mended = fmt.Sprintf("[[0s, -70], [%gs, %g, hold]]", 2-before, 70.0)
		}
		if list := find(mended, "arm"); mended == "" || len(list) != 0 {
			t.Errorf("%s is not mended by %s: %+v", track, mended, list)
		}
		if list := find(track, ""); len(list) != 0 {
			t.Errorf("%s: left out of release it jumps: %+v", track, list)
		}
		applied++
	}
	if applied < 7 {
		t.Errorf("only %d remedies were applied", applied)
	}
	idle := func(track, release string) []Finding {
		return on(t, releaseRig, "length: 6s\ntracks: {winch: "+track+"}\nquiet: [{from: 2s, to: 4s, release: ["+release+"]}]\n").found("release-idle", "winch")
	}
	const run = "[[0s, 0], [%gs, 50, hold], [%gs, 0, hold]]"
	if len(idle(fmt.Sprintf(run, 2.5, 3.5), "winch")) != 1 {
		t.Error("the motor is not missed")
	}
	for _, mended := range [][]Finding{idle(fmt.Sprintf(run, 1.0, 2.0), "winch"), idle(fmt.Sprintf(run, 4.0, 5.0), "winch"), idle(fmt.Sprintf(run, 2.5, 3.5), "")} {
		if len(mended) != 0 {
			t.Errorf("%+v", mended)
		}
	}
}

// What is still under way when it is let go is found by the model alone.
func TestLetGoUnderWay(t *testing.T) {
	list := on(t, releaseRig, "length: 6s\ntracks: {arm: [[0s, 0], [1.8s, 0], [2s, 80, linear]]}\nquiet: [{from: 2.02s, to: 4s, release: [arm]}]\n").found("release-jump", "arm")
	if len(list) != 1 || list[0].Level != Warning || list[0].Value < 5 || list[0].To != 4 || math.Abs(list[0].From-2.02) > 1e-9 {
		t.Errorf("%+v", list)
	}
}

// dialogue is a scene with the microphone open between two marks: the lids and the
// winch may be let go, the head and the jaw may not, and the head turns too fast.
const dialogueRig = `supplies: {rail: {voltage: 6V, limit: 20A}}
axes:
  head-pan: {kind: servo, board: main, channel: 0, supply: rail, ` + wideTravel + ", " + bigServo + `, limits: {speed: 250deg/s, acceleration: 2500deg/s2}}
  jaw: {kind: servo, board: main, channel: 1, supply: rail, ` + wideTravel + ", " + bigServo + `, limits: {speed: 250deg/s, acceleration: 2500deg/s2}}
  lids: {kind: servo, board: main, channel: 2, supply: rail, ` + wideTravel + ", " + bigServo + `, limits: {speed: 250deg/s, acceleration: 2500deg/s2}}
  winch: {kind: motor, board: main, channel: 3, supply: rail, stop: brake, motor: {at: 6V, speed: 100rpm, stall_torque: 4kg.cm, stall_current: 1.1A, no_load_current: 90mA}}
`

const dialogue = `length: 9s
marks: {speak: 2.5s, silence: 6.01s}
tracks:
  head-pan: [[0s, 0], [1s, 30], [3s, 30], [3.6s, -40], [5s, -40], [5.5s, 20], [9s, 0]]
  jaw: [[0s, 0], [2.6s, 0], [2.8s, 20], [3s, 0], [4s, 0], [4.3s, 25, min-jerk], [4.6s, 0], [9s, 0]]
  lids: [[0s, 0], [1s, 35], [1.8s, 15], [7s, 15], [8s, 60]]
  winch: [[0s, 60], [1.5s, 60], [2s, 0], [6.5s, 0], [7s, 40], [8.5s, 40, hold], [9s, 0]]
quiet:
  - {from: speak, to: silence, speed: 60deg/s, release: [lids, winch]}
`

// Marked dialogue: axes that may release do, the others stay under 60 deg/s;
// engaging again commands the last position, 2 degrees at most, and the model moves
// by no more.
func TestSceneMarkedDialogue(t *testing.T) {
	written := compiled(t, dialogueRig, dialogue)
	heard := Run(written, drive.Run(written), nil)
	if len(heard.found("quiet", "head-pan")) != 1 || len(heard.found("quiet", "jaw")) != 1 || len(heard.found("quiet", "lids"))+len(heard.found("quiet", "winch")) != 0 {
		t.Errorf("%+v", find(heard, "quiet"))
	}
	mended, err := mend.Retime(written.Script, mend.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p := mended.Performance
	from, to := p.PerformanceTime(2.5), p.PerformanceTime(6.01)
	if mended.Stretched < 1 || from < 2.49 || to-from < 4.5 {
		t.Errorf("the window is from %g s to %g s", from, to)
	}
	for _, a := range p.Axes[:2] {
		for k := range 100001 {
			at := from + (to-from)*float64(k)/100000
			if v := math.Abs(a.Horn.At(at).Speed); v > 60*(1+1e-9) {
				t.Fatalf("%s runs at %g deg/s at %g s", a.Spec.Name, v, at)
			}
		}
	}
	report := Run(p, drive.Run(p), nil)
	for _, f := range report.Findings {
		if f.Rule == "quiet" || strings.HasPrefix(f.Rule, "release") {
			t.Errorf("%s: %s", f.Rule, f.Message)
		}
	}
	first, next := int(math.Ceil(from*50-1e-6)), int(math.Ceil(to*50-1e-6))
	letGo(t, p, first, next)
	rejoins(t, p, first, next)
}

// letGo holds the pulses against the window of frames.
func letGo(t *testing.T, p *interp.Performance, first, next int) {
	t.Helper()
	tls, err := timeline.Build(p)
	if err != nil {
		t.Fatal(err)
	}
	r, row := tls[0].Reader(), make([]uint16, 4)
	var last uint16
	for k := 0; r.Next(row); k++ {
		in := k >= first && k < next
		if (row[2] == 0) != in || in && row[3] != 0 || row[0] == 0 || row[1] == 0 {
			t.Fatalf("frame %d, window from %d to %d: %v", k, first, next, row)
		}
		if k == next && math.Abs(float64(row[2])-float64(last)) > 2/180.0*3600 { // 3600 ticks are 180 deg
			t.Errorf("engaging again commands %d ticks after %d", row[2], last)
		}
		if !in {
			last = row[2]
		}
	}
}

// rejoins plays the model past the end of a window.
func rejoins(t *testing.T, p *interp.Performance, first, next int) {
	t.Helper()
	lids := slices.IndexFunc(p.Axes, func(a *interp.Axis) bool { return a.Spec.Name == "lids" })
	released, low, high := 0.0, math.Inf(1), math.Inf(-1)
	err := drive.Simulate(p, 0.001, func(at float64, axes []drive.Sample, _ []drive.Rail) error {
		s := axes[lids]
		switch k := at * 50; {
		case k > float64(first)+1 && k < float64(next):
			if released = s.Predicted; s.Speed != 0 || s.Peak > 0.010+1e-9 {
				return fmt.Errorf("let go, it moves at %g deg/s and draws %g A at %g s", s.Speed, s.Peak, at)
			}
		case k >= float64(next) && at < float64(next)/50+0.4:
			low, high = math.Min(low, s.Predicted), math.Max(high, s.Predicted)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	if high-released > 2 || released-low > 2 {
		t.Errorf("engaging again moves it from %g deg to between %g and %g", released, low, high)
	}
}
