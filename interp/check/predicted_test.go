package check

import (
	"io"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// on gives the report of a motion on a rig of its own.
func on(t *testing.T, rig, motion string) *Report {
	t.Helper()
	p := compiled(t, rig, motion)
	return Run(p, drive.Run(p), nil)
}

func compiled(t testing.TB, rig, motion string) *interp.Performance {
	t.Helper()
	files := fstest.MapFS{
		"a.rig.yaml":    {Data: []byte("rig: a\nformat: 1\nboards: {main: {rate: 50Hz, tick: 0.5us, channels: 16}}\n" + rig)},
		"a.motion.yaml": {Data: []byte("motion: a\nformat: 1\nrig: a.rig.yaml\nfps: 24\n" + motion)},
	}
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "a.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

const (
	micro      = "servo: {at: 4.8V, speed: 0.12s/60deg, stall_torque: 1.6kg.cm, stall_current: 650mA, no_load_current: 120mA, idle_current: 8mA, dead_band: 5us}"
	bigServo   = "servo: {at: 6V, speed: 0.17s/60deg, stall_torque: 11kg.cm, stall_current: 2.5A, no_load_current: 500mA, idle_current: 10mA, dead_band: 5us}"
	wideTravel = "travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]]"
)

// A servo of 0.12 s/60 deg that shall do 90 deg in 0.10 s needs 0.18 s at its
// no-load speed, so that it is at least 0.08 s late.
func TestLagOfAMoveThatIsTooFast(t *testing.T) {
	r := on(t, "supplies: {rail: {voltage: 4.8V}}\naxes: {arm: {kind: servo, board: main, channel: 0, supply: rail, "+wideTravel+", "+micro+"}}\n",
		"tracks: {arm: [[0s, -45], [1s, -45], [1.1s, 45, linear], [3s, 45]]}\n")
	list := r.found("lag", "arm")
	if len(list) != 1 || list[0].Value < 0.08 || list[0].Value > 0.4 || list[0].From > 1.02 || list[0].To < 1.18 {
		t.Errorf("%+v", list)
	}
	if len(r.found("speed", "arm")) != 1 {
		t.Error("the speed is not flagged")
	}
	slow := on(t, "supplies: {rail: {voltage: 4.8V}}\naxes: {arm: {kind: servo, board: main, channel: 0, supply: rail, "+wideTravel+", "+micro+"}}\n",
		"tracks: {arm: [[0s, -45], [1s, -45], [2s, 45, min-jerk], [3s, 45]]}\n")
	for _, f := range slow.Findings {
		if f.Level != Note && f.Rule != "never-arrives" {
			t.Errorf("a slow move: %s", f.Message)
		}
	}
}

func sixLarge(limit string) string {
	var b strings.Builder
	b.WriteString("supplies: {rail: {voltage: 6V, limit: " + limit + ", resistance: 50mohm, brownout: 4.8V}}\naxes:\n")
	for _, n := range []string{"a", "b", "c", "d", "e", "f"} {
		b.WriteString("  " + n + ": {kind: servo, board: main, channel: " + string('0'+n[0]-'a') + ", supply: rail, " + wideTravel + ", " + bigServo + "}\n")
	}
	return b.String()
}

const allAtOnce = "tracks:\n  a: [[0s, 0], [1s, 0], [1.2s, 60], [3s, 60]]\n  b: [[0s, 0], [1s, 0], [1.2s, 60], [3s, 60]]\n  c: [[0s, 0], [1s, 0], [1.2s, 60], [3s, 60]]\n" +
	"  d: [[0s, 0], [1s, 0], [1.2s, 60], [3s, 60]]\n  e: [[0s, 0], [1s, 0], [1.2s, 60], [3s, 60]]\n  f: [[0s, 0], [1s, 0], [1.2s, 60], [3s, 60]]\n"

// Six servos of 2.5 A ask for 15 A when they start together.
func TestSixLargeServosOnFiveAmperes(t *testing.T) {
	r := on(t, strings.Replace(sixLarge("5A"), "50mohm", "0mohm", 1), allAtOnce)
	inrush := find(r, "inrush")
	if len(inrush) != 1 || inrush[0].Value < 14.5 || inrush[0].Value > 15.5 || !strings.Contains(inrush[0].Remedy, "one after another") {
		t.Errorf("inrush: %+v", inrush)
	}
	over := find(r, "supply-current")
	if len(over) != 1 || over[0].Level != Error || over[0].Value <= 5 {
		t.Errorf("supply-current: %+v", over)
	}
	if r.OK() {
		t.Error("the motion passes")
	}
	if strong := on(t, sixLarge("25A"), allAtOnce); len(find(strong, "supply-current"))+len(find(strong, "inrush")) != 0 {
		t.Error("a strong supply is blamed")
	}
}

func find(r *Report, rule string) []Finding {
	var list []Finding
	for _, f := range r.Findings {
		if f.Rule == rule {
			list = append(list, f)
		}
	}
	return list
}

// With 300 mohm, six servos that draw 12 A and more pull 6 V below 4.8 V.
func TestBrownOutNamesMomentAndAxes(t *testing.T) {
	r := on(t, strings.Replace(sixLarge("25A"), "50mohm", "300mohm", 1), allAtOnce)
	list := find(r, "brown-out")
	if len(list) != 1 || list[0].Value >= 4.8 || list[0].From < 1 || list[0].From > 1.3 || !strings.Contains(list[0].Message, "by line") {
		t.Errorf("%+v", list)
	}
	if sag := on(t, strings.Replace(sixLarge("25A"), "50mohm", "80mohm", 1), allAtOnce); len(find(sag, "brown-out")) != 0 || len(find(sag, "sag")) != 1 {
		t.Errorf("%+v", find(sag, "sag"))
	}
}

// A weight that asks for nine tenths of the stall torque heats the motor.
func TestStallHeat(t *testing.T) {
	rig := func(torque string) string {
		return "supplies: {rail: {voltage: 4.8V}}\naxes: {arm: {kind: servo, board: main, channel: 0, supply: rail, " + wideTravel + ", " + micro + ", load: {torque: " + torque + "}}}\n"
	}
	const motion = "tracks: {arm: [[0s, 0], [12s, 0]]}\nlength: 12s\n"
	if list := find(on(t, rig("1.44kg.cm"), motion), "stall-heat"); len(list) != 1 || list[0].Level != Error {
		t.Errorf("%+v", list)
	}
	if list := find(on(t, rig("0.1kg.cm"), motion), "stall-heat"); len(list) != 0 {
		t.Errorf("%+v", list)
	}
}

// A heavy wheel on a small servo swings past its rest; a light one does not.
func TestOvershootOfAHeavyLoad(t *testing.T) {
	rig := func(inertia string) string {
		return "supplies: {rail: {voltage: 4.8V}}\naxes: {arm: {kind: servo, board: main, channel: 0, supply: rail, " + wideTravel + ", " + micro + ", load: {inertia: " + inertia + "}}}\n"
	}
	const motion = "tracks: {arm: [[0s, -60], [0.5s, -60], [0.8s, 60], [3s, 60]]}\n"
	if list := find(on(t, rig("60000g.cm2"), motion), "overshoot"); len(list) != 1 {
		t.Errorf("heavy: %+v", list)
	}
	if list := find(on(t, rig("50g.cm2"), motion), "overshoot"); len(list) != 0 {
		t.Errorf("light: %+v", list)
	}
}

// A stepper cannot turn torque x speed into more than voltage x current.
func TestStepperPullOut(t *testing.T) {
	rig := "supplies: {rail: {voltage: 5V}}\naxes: {beacon: {kind: stepper, board: main, channel: 0, supply: rail, steps: 200, microsteps: 8, current: 400mA, load: {inertia: 400000g.cm2}}}\n"
	if list := find(on(t, rig, "tracks: {beacon: [[0s, 0], [0.3s, 360], [1s, 360]]}\n"), "lost-steps"); len(list) != 1 {
		t.Errorf("fast: %+v", list)
	}
	if list := find(on(t, rig, "tracks: {beacon: [[0s, 0], [9s, 360], [10s, 360]]}\n"), "lost-steps"); len(list) != 0 {
		t.Errorf("slow: %+v", list)
	}
}

// Reversed at full speed a motor of 1.1 A draws (V + k w)/R = 2.1 A (see the test of
// reversals in drive), which a supply of 1.5 A is asked for; with the dwell of the
// rig and a brake it is the stall current again.
func TestReversalIsSeenAtTheSupply(t *testing.T) {
	const rig = "supplies: {rail: {voltage: 6V, limit: 1.5A}}\naxes: {winch: {kind: motor, board: main, channel: 0, supply: rail, stop: brake, reverse_dwell: 100ms,\n" +
		"  motor: {at: 6V, speed: 100rpm, stall_torque: 0.4N.m, stall_current: 1.1A, no_load_current: 100mA}}}\n"
	at := func(keys string) *Report {
		return on(t, rig, "tracks: {winch: [[0s, 0], [1s, 100], "+keys+", [4s, -100], [5s, 0]]}\n")
	}
	r := at("[2s, -100, hold]")
	list := find(r, "supply-current")
	if len(list) != 1 || !strings.Contains(list[0].Message, "peaks of 2.1 A") || !strings.Contains(list[0].Message, "winch reversing 2.1 A by line 5") {
		t.Errorf("%+v", list)
	}
	if len(find(r, "reversal")) != 1 {
		t.Error("the missing dwell is not found")
	}
	r = at("[2s, 0, hold], [2.1s, -100, hold]")
	if list := append(find(r, "supply-current"), find(r, "reversal")...); len(list) != 0 {
		t.Errorf("with a dwell: %+v", list)
	}
}
