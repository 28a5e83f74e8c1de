package sequence

import (
	"math"
	"os"
	"strings"
	"testing"
)

func keeper(t *testing.T) *Rig {
	t.Helper()
	r, err := LoadRig(openFile, "testdata/good/keeper.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func axisOf(t *testing.T, r *Rig, name string) *Axis {
	t.Helper()
	for _, a := range r.Axes {
		if a.Name == name {
			return a
		}
	}
	t.Fatalf("no axis %s", name)
	return nil
}

func controlOf(t *testing.T, r *Rig, name string) *Control {
	t.Helper()
	for _, c := range r.Controls {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no control %s", name)
	return nil
}

func TestRigIsReadWhole(t *testing.T) {
	r := keeper(t)
	b := r.Boards[0]
	if b.Rate.V != 50 || b.Tick.V != 0.5 || b.Channels.V != 16 || b.Baud.V != 250000 || b.Clock.V != -310 || b.Together || b.Frame() != 0.02 {
		t.Errorf("the board is %+v", b)
	}
	if in := b.Inputs; len(in) != 3 || in[0].Number != 1 || !in[0].ActiveLow || in[0].Debounce.V != 0.02 || !in[1].Stop || in[2].ActiveLow {
		t.Errorf("the inputs are %+v", in)
	}
	if s := r.Supplies[0]; s.Voltage.V != 6 || s.Limit.V != 5 || s.Resistance.V != 0.06 || s.Brownout.V != 4.8 || s.Capacity.V != 2.2 {
		t.Errorf("the supply is %+v", s)
	}
	pan := axisOf(t, r, "head-pan")
	if pan.Unit != "deg" || pan.Trim.V != 10 || pan.Lost != LostRest || pan.Limits.Jerk.V != 20000 || pan.Load.Inertia.V != 8e-5 || pan.Load.Torque.V != 0.05 ||
		pan.Wire.Length.V != 2000 || pan.Measured.Delay.V != 0.07 || pan.Measured.Slop.V != 1.5 || pan.Servo.Speed.V != 500 || pan.Travel[0].V != -70 {
		t.Errorf("head-pan is %+v", pan)
	}
	if pan.At.Line != 23 || pan.At.Column != 3 || pan.Travel[1].At.Line != 29 || pan.Travel[1].At.Column != 22 || pan.Travel[1].Text != "70deg" {
		t.Errorf("head-pan is at %v, its travel at %v", pan.At, pan.Travel[1].At)
	}
	beacon := axisOf(t, r, "beacon")
	// 200 full steps a revolution: 300 steps/s stay a step rate; 16 microsteps a step.
	if beacon.Steps.V != 200 || beacon.PullIn.V != 300 || beacon.Home.Input != 3 || beacon.Home.Plus || beacon.Home.Speed.V != 20 || !within(beacon.StepsPerUnit(), 200*16/360.0, 1e-15) || !within(beacon.FullSteps(), 200/360.0, 1e-15) {
		t.Errorf("the beacon is %+v", beacon)
	}
	if f := axisOf(t, r, "float"); f.Unit != "mm" || f.StepsPerUnit() != 25 || f.Limits.Speed.V != 40 {
		t.Errorf("the float is %+v", f)
	}
	if w := axisOf(t, r, "winch"); w.Unit != "%" || !w.Brake || w.ReverseDwell.V != 0.1 || w.Motor.Speed.V != 600 || !within(w.Motor.StallTorque.V, 0.392266, 1e-14) {
		t.Errorf("the winch is %+v", w)
	}
	if h := axisOf(t, r, "fog-horn"); h.Unit != "" || h.Current.V != 0.5 || h.Shortest.V != 0.02 {
		t.Errorf("the horn is %+v", h) // 6 W at 12 V
	}
	if f := axisOf(t, r, "flag"); len(f.Pulse) != 3 || f.Pulse[1].Pulse.V != 1500 || f.Pulse[2].Value.V != 100 {
		t.Errorf("the flag is %+v", f)
	}
	if s := r.Sound; s.Delay.V != 0.3 || s.Channel.V != 13 || s.Pulse.V != 0.05 || s.Board != b {
		t.Errorf("the sound is %+v", s)
	}
	if len(r.Pairs) != 1 || r.Pairs[0][0].Name != "lid-left" || r.Pairs[0][1].Name != "lid-right" {
		t.Errorf("the pairs are %v", r.Pairs)
	}
	if n := r.Never; len(n) != 1 || len(n[0].Sides) != 2 || n[0].Sides[0].Low != 20 || n[0].Sides[1].High != 70 || n[0].Why != "the chin strikes the collar" {
		t.Errorf("never is %+v", n)
	}
	if j := r.Joints; len(j) != 3 || j[1].Parent != "torso" || j[1].Origin != [3]float64{0, 0, 120} || j[1].Turns.Axis != pan || j[1].Turns.Along != [3]float64{0, 0, 1} ||
		j[1].Solid != (Solid{"sphere", [3]float64{40}}) || j[2].Slides.Axis.Name != "float" || j[2].Solid != (Solid{"cylinder", [3]float64{10, 90}}) {
		t.Errorf("the joints are %+v", j)
	}
}

// lost defaults to hold where something would fall, and else to rest.
func TestLostDefaults(t *testing.T) {
	r := keeper(t)
	for name, want := range map[string]Lost{"neck-left": LostHold, "neck-right": LostRest, "head-pan": LostRest, "lantern": LostRest, "winch": LostRest} {
		if a := axisOf(t, r, name); a.Lost != want {
			t.Errorf("%s: %s", name, a.Lost)
		}
	}
}

// rest defaults to 0, or to the nearest point of the travel.
func TestRestDefaults(t *testing.T) {
	for travel, want := range map[string]float64{"[-60deg, 60deg]": 0, "[10deg, 60deg]": 10, "[-60deg, -20deg]": -20} {
		text := strings.Replace(smallRig, "travel: [-60deg, 60deg], pulse: [[-60deg, 1000us], [60deg, 2000us]]", "travel: "+travel+", pulse: [[-60deg, 1000us], [60deg, 2000us]]", 1)
		doc, problems := loadText(text)
		if problems != nil || doc.(*Rig).Axes[0].Rest.V != want {
			t.Errorf("with the travel %s: rest %v, %v", travel, doc.(*Rig).Axes[0].Rest.V, problems)
		}
	}
}

func TestCalibrations(t *testing.T) {
	with := func(pulse string) (*Axis, Problems) {
		doc, problems := loadText(strings.Replace(smallRig, "pulse: [[-60deg, 1000us], [60deg, 2000us]], limits", "pulse: "+pulse+", limits", 1))
		if r, ok := doc.(*Rig); ok {
			return r.Axes[0], problems
		}
		return nil, problems
	}
	// Falling pulses reverse; points may be listed from the top down; both are in order of value after.
	for pulse, want := range map[string][]float64{
		"[[-60deg, 2000us], [0deg, 1520us], [60deg, 1ms]]": {-60, 2000, 0, 1520, 60, 1000},
		"[[60deg, 2000us], [-60deg, 1000us]]":              {-60, 1000, 60, 2000},
		"[[-60, 0.0009s], [60, 2.1ms]]":                    {-60, 900, 60, 2100},
		"[[-1rad, 1000us], [1rad, 2000us]]":                {-180 / math.Pi, 1000, 180 / math.Pi, 2000},
	} {
		a, problems := with(pulse)
		if problems != nil || len(a.Pulse) != len(want)/2 {
			t.Errorf("%s: %v", pulse, problems)
			continue
		}
		for i, p := range a.Pulse {
			if !within(p.Value.V, want[2*i], 1e-15) || !within(p.Pulse.V, want[2*i+1], 1e-15) {
				t.Errorf("%s: point %d is %v, %v", pulse, i, p.Value.V, p.Pulse.V)
			}
		}
	}
	for pulse, say := range map[string]string{
		"[[0deg, 1500us]]": "two or more points", "[]": "two or more points", "[[0deg, 1500us], [0deg, 1600us]]": "not in order",
		"[[-60deg, 1000us], [10deg, 2000us], [0deg, 2100us], [60deg, 2200us]]": "not in order", "[[-60deg, 1000us], [0deg, 2000us], [60deg, 1500us]]": "not monotone",
		"[[-60deg, 1000us], [60deg, 1000us]]": "not monotone", "[[-60deg, 1000us], [60deg, 25ms]]": "does not fit a frame", "[[-60deg, 0us], [60deg, 2ms]]": "does not fit a frame",
		"[[-60deg, 1000us], [60deg, 2000]]": "a pulse needs one", "[[-60deg, 1000us], [60deg]]": "has 1 value where two belong", "[[-60mm, 1000us], [60deg, 2000us]]": "angle",
		"1500us": "must be a list", "[1000us, 2000us]": "must be a list",
	} {
		_, problems := with(pulse)
		if len(problems) == 0 || !strings.Contains(problems.Error(), say) {
			t.Errorf("%s: %v", pulse, problems)
		}
	}
}

func TestControls(t *testing.T) {
	r := keeper(t)
	nod, tilt, rise := controlOf(t, r, "nod"), controlOf(t, r, "tilt"), controlOf(t, r, "rise")
	if nod.Unit != "deg" || len(nod.Shares) != 2 || nod.Shares[1].Share != 1 || nod.Shares[0].Axis.Name != "neck-left" {
		t.Errorf("nod is %+v", nod)
	}
	if tilt.Unit != "deg" || len(tilt.Shares) != 3 || tilt.Shares[2].Control != nod || tilt.Shares[2].Share != 0.1 || tilt.Shares[1].Share != -0.5 {
		t.Errorf("tilt is %+v", tilt)
	}
	if rise.Unit != "deg" || rise.Shares[0].Share != 0.5 || rise.Shares[0].Axis.Unit != "mm" {
		t.Errorf("rise is %+v", rise)
	}
	for mix, want := range map[string]struct {
		share float64
		unit  string
	}{
		"{float: 0.5mm/deg}": {0.5, "deg"}, "{float: 1cm/rev}": {10.0 / 360, "deg"}, "{float: 2}": {2, "mm"}, "{float: 0.5mm / %}": {0.5, "%"},
		"{lamp: 1}": {1, "%"}, "{lamp: 2%/mm}": {2, "mm"}, "{arm: 0.1rad/deg}": {18 / math.Pi, "deg"}, "{arm: -1e-1}": {-0.1, "deg"},
	} {
		doc, problems := loadText(strings.Replace(smallRig, "controls:\n  nod: {left: 1, right: -1}", "controls:\n  nod: "+mix, 1))
		if problems != nil {
			t.Errorf("%s: %v", mix, problems)
			continue
		}
		if c := doc.(*Rig).Controls[0]; c.Unit != want.unit || !within(c.Shares[0].Share, want.share, 1e-14) {
			t.Errorf("%s is in %s with the share %v", mix, c.Unit, c.Shares[0].Share)
		}
	}
	for mix, say := range map[string]string{
		"{nod: 1}": "mixes itself", "{lefd: 1}": "did you mean left?", "{left: one}": "not a number", "{left: 1deg}": "units of the axis a unit of the control",
		"{left: 1mm/deg}": "moves in deg", "{left: 1, float: 1}": "give this share a unit, such as 0.5mm/deg", "{horn: 1}": "a switch", "{}": "mixes nothing", "{left: 1e7}": "out of range",
		"{left: 0,5}": "decimal comma", "{left: 1V/deg}": "units of the axis", "[left, right]": "set of names", "{left: .nan}": "not a finite number",
	} {
		_, problems := loadText(strings.Replace(smallRig, "controls:\n  nod: {left: 1, right: -1}", "controls:\n  nod: "+mix, 1))
		if len(problems) != 1 || !strings.Contains(problems.Error(), say) {
			t.Errorf("%s: %v", mix, problems)
		}
	}
}

// A control's limits are the least of axis limit over share.
func TestControlLimits(t *testing.T) {
	doc, problems := loadText(strings.Replace(smallRig, "controls:\n  nod: {left: 1, right: -1}", "controls:\n  nod: {arm: -0.5, sway: 2}\n  sway: {arm: 0.25}", 1))
	if problems != nil {
		t.Fatal(problems)
	}
	// arm: 90 deg/s over 0.5 is 180; by sway it is 90/0.25/2 = 180 too, and 180 deg/s2 gives 360 both ways.
	if l := doc.(*Rig).Controls[0].ControlLimits(); l.Speed.V != 180 || l.Acceleration.V != 360 || l.Jerk.Known() {
		t.Errorf("the limits are %+v", l)
	}
}

// A servo's own figures scale with the supply (the DC motor's line: speed, stall
// torque and stall current are proportional to voltage).
func TestServoFigures(t *testing.T) {
	r := keeper(t)
	f := axisOf(t, r, "head-pan").Figures()
	if f.Speed != (Figure{310, OriginMeasured}) || !within(f.StallTorque.V, 1.6*0.0980665*6/4.8, 1e-14) || !within(f.StallCurrent.V, 0.65*6/4.8, 1e-14) || f.NoLoadCurrent.V != 0.12 {
		t.Errorf("the figures are %+v", f)
	}
	left := axisOf(t, r, "neck-left")
	if f := left.Figures(); !within(f.Speed.V, 625, 1e-14) || f.Speed.Origin != OriginSheet {
		t.Errorf("the speed is %+v", f.Speed)
	}
	// 120 g on 35 mm, level at 0 deg: 0.12 x 9.80665 x 0.035 N.m; at 60 deg half of it.
	if got, want := left.LoadTorque(60), 0.12*9.80665*0.035/2; !within(got, want, 1e-12) {
		t.Errorf("the load is %v N.m, not %v", got, want)
	}
	if brow := axisOf(t, r, "brow").Figures(); brow.Class != "micro" || brow.StallTorque.Origin != OriginClass {
		t.Errorf("without a data sheet the figures are %+v", brow)
	}
}

func TestLinkages(t *testing.T) {
	r := keeper(t)
	jaw := axisOf(t, r, "jaw")
	p, _, _, _, ok := jaw.Linkage.Part(0)
	if !ok || math.Abs(p) > 1e-9 {
		t.Errorf("the jaw's part is at %v where its horn is at 0", p)
	}
	brow := axisOf(t, r, "brow")
	if p, _, _, _, ok := brow.Linkage.Part(-30); !ok || math.Abs(p+20) > 1e-9 {
		t.Errorf("the brow's part is at %v where its horn is at -30", p)
	}
	with := func(linkage string) Problems {
		_, problems := loadText(strings.Replace(smallRig, "limits: {speed: 90deg/s, acceleration: 180deg/s2}", "linkage: "+linkage, 1))
		return problems
	}
	for linkage, say := range map[string]string{
		"{base: 60mm, horn: 12mm, rod: 10mm, arm: 18mm}": "does not meet", "{base: 60mm}": `has no "horn"`, "{table: [[0deg, 0deg]]}": "at least 2 rows",
		"{table: [[-90deg, -60deg], [0deg, 0deg], [90deg, -10deg]]}": "keep rising or keep falling", "{table: [[-90deg, -50deg], [90deg, 60deg]]}": "moves the part from -50 deg to 60 deg only",
		"{table: [[-90deg, -60deg], [90deg, 60deg]], base: 60mm}": `"base" means nothing`, "{base: 0mm, horn: 12mm, rod: 60mm, arm: 18mm}": "over 0 mm",
		"{base: 60mm, horn: 12mm, rod: 60mm, arm: 18mm, branch: shut}": "open or crossed", "{}": `has no "base"`,
	} {
		if problems := with(linkage); len(problems) == 0 || !strings.Contains(problems.Error(), say) {
			t.Errorf("%s: %v", linkage, problems)
		}
	}
}

func TestServoOfTheOtherKindOfMotion(t *testing.T) {
	_, problems := loadText(strings.Replace(smallRig, "limits: {speed: 90deg/s, acceleration: 180deg/s2}", "servo: {speed: 80mm/s}", 1))
	if len(problems) != 1 || !strings.Contains(problems.Error(), "moves in deg") {
		t.Errorf("%v", problems)
	}
}

func TestPairs(t *testing.T) {
	for pairs, say := range map[string]string{
		"[[left, right], [left, arm]]": "in another pair already", "[[left, left]]": "paired with itself", "[[left, lamp]]": "cannot be swapped", "[left, right]": "must be a list",
		"[[left, right, arm]]": "has 3 axes where two belong", "[[left, nod]]": `no axis "nod"`,
	} {
		_, problems := loadText(strings.Replace(smallRig, "pairs: [[left, right]]", "pairs: "+pairs, 1))
		if len(problems) == 0 || !strings.Contains(problems.Error(), say) {
			t.Errorf("%s: %v", pairs, problems)
		}
	}
}

func TestNever(t *testing.T) {
	for box, say := range map[string]string{
		"{arm: [10deg, 20deg], left: [0deg, 5deg], why: they meet}": "", "{arm: [20deg, 10deg]}": "upside down", "{arm: [20deg, 90deg]}": "beyond the travel", "{arm: 20deg}": "must be a list",
		"{why: nothing}": "names no axis", "{arn: [1deg, 2deg]}": "did you mean arm?", "{lamp: [0%, 50%]}": "", "{arm: [0%, 50%]}": "",
	} {
		doc, problems := loadText(smallRig + "never:\n  - " + box + "\n")
		if say == "" {
			if problems != nil || len(doc.(*Rig).Never) != 1 {
				t.Errorf("%s: %v", box, problems)
			}
		} else if len(problems) != 1 || !strings.Contains(problems.Error(), say) {
			t.Errorf("%s: %v", box, problems)
		}
	}
	// Percent of the travel, -60 to 60 deg.
	doc, _ := loadText(smallRig + "never:\n  - {arm: [0%, 50%]}\n")
	if side := doc.(*Rig).Never[0].Sides[0]; side.Low != -60 || side.High != 0 {
		t.Errorf("0 %% to 50 %% is %+v", side)
	}
}

func TestJoints(t *testing.T) {
	for joint, say := range map[string]string{
		"{parent: none}": `no joint "none"`, "{parent: a}": "carried by itself", "{parent: b}": "carried by itself", "{at: [1mm, 2mm]}": "has 2 numbers where 3 belong",
		"{turns: {about: [0, 0, 0], axis: arm}}": "no direction", "{turns: {axis: arm}}": `has no "about"`, "{slides: {along: [1, 0, 0], axis: flaot}}": "did you mean float?",
		"{solid: {sphere: 1mm, box: [1mm, 1mm, 1mm]}}": "exactly one", "{solid: {cylinder: [1mm]}}": "has 1 number where 2 belong", "{solid: {sphere: 4deg}}": "a length belongs",
	} {
		_, problems := loadText(smallRig + "joints:\n  a: " + joint + "\n  b: {parent: a}\n")
		if len(problems) == 0 || !strings.Contains(problems.Error(), say) {
			t.Errorf("%s: %v", joint, problems)
		}
	}
}

func TestShow(t *testing.T) {
	doc, err := Load(openFile, "testdata/good/harbour.show.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s := doc.(*Show)
	idle, greet, blink := s.Motions[0], s.Motions[1], s.Motions[2]
	if s.Start != idle || !idle.Loop || idle.Script == nil || idle.Script != blink.Script || idle.Script.Rig != s.Rig {
		t.Errorf("idle is %+v", idle)
	}
	if tr := greet.Trigger; tr.Input != 1 || tr.Falling || tr.WarmUp.V != 60 || tr.Lockout.V != 20 || tr.Board != s.Rig.Boards[0] || greet.WhileBusy != BusyWait {
		t.Errorf("greet is %+v with %+v", greet, tr)
	}
	if blink.Every[0].V != 4 || blink.Every[1].V != 9 || blink.Seed != 3 || blink.WhileBusy != BusyInterrupt || idle.WhileBusy != BusyDrop {
		t.Errorf("blink is %+v", blink)
	}
	if s.Join.V != 1 || s.Hours.From.V != 36000 || s.Hours.To.V != 79200 {
		t.Errorf("join %v, hours %+v", s.Join.V, s.Hours)
	}
}

func TestBrokenShows(t *testing.T) {
	text, err := os.ReadFile("testdata/good/harbour.show.yaml")
	if err != nil {
		t.Fatal(err)
	}
	other := strings.Replace(smallRig, "rig: Signal post", "rig: Other", 1)
	for _, c := range []struct{ from, to, say string }{
		{"input: 1", "input: 4", "board main has no input 4"}, {"loop: true}", "loop: true, trigger: {input: 1, while_busy: drop}, while_busy: wait}", "given twice"},
		{"{play: idle}", "{play: idl}", "did you mean idle?"}, {"every: [4s, 9s]", "every: [9s, 4s]", "upside down"}, {"file: boat.motion.yaml", "file: other.motion.yaml", "is for the rig"},
		{"trigger: {input: 1, edge: rising, warm_up: 60s, lockout: 20s, while_busy: wait}", "loop: false", "nothing starts the motion greet"},
		{"file: idle.motion.yaml, loop: true", "file: keeper.rig.yaml", "is a rig, not a motion"}, {"to: 22h", "to: 9h", "not after 10h"}, {"edge: rising", "edge: up", "rising or falling"},
	} {
		files := texts{"other.motion.yaml": strings.Replace(motionText("length: 4s\n"), "small", "other", 1), "other.rig.yaml": other}
		open := func(name string) string {
			if s, ok := files[name]; ok {
				return s
			}
			b, err := os.ReadFile("testdata/good/" + name)
			if err != nil {
				t.Fatal(err)
			}
			return string(b)
		}
		for _, name := range []string{"keeper.rig.yaml", "boat.motion.yaml", "idle.motion.yaml", "fog.wav"} {
			files[name] = open(name)
		}
		_, err := Load(files.with("h.show.yaml", strings.Replace(string(text), c.from, c.to, 1)).open, "h.show.yaml")
		problems := AsProblems(err)
		if len(problems) != 1 || !strings.Contains(problems.Error(), c.say) {
			t.Errorf("%s: %v", c.to, problems)
		}
	}
}

// What motions come after, and the mistakes that there can be: each once, at its place.
func TestShowsInSequence(t *testing.T) {
	const head = "show: A\nformat: 1\nrig: small.rig.yaml\n"
	for _, c := range []struct {
		name, text string
		want       string // name of each motion and what it comes after; or the problem
	}{
		{"chain", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: a, loop: true}\n", "a: b: a"},
		{"a name that comes later", "motions:\n  b: {file: m.motion.yaml, after: a}\n  a: {file: m.motion.yaml, every: [1s, 2s]}\n", "b: a a:"},
		{"back to the idle", "start: {play: i}\nmotions:\n  i: {file: m.motion.yaml, loop: true, after: [g, w]}\n  g: {file: m.motion.yaml, every: [1s, 2s], while_busy: interrupt}\n  w: {file: m.motion.yaml, every: [5s, 6s], while_busy: interrupt}\n", "i: g w g: w:"},
		{"ring that power-up starts", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml, after: b}\n  b: {file: m.motion.yaml, after: a}\n", "a: b b: a"},
		{"ring that a timer enters", "motions:\n  a: {file: m.motion.yaml, after: [b, t]}\n  b: {file: m.motion.yaml, after: a}\n  t: {file: m.motion.yaml, every: [1s, 2s]}\n", "a: b t b: a t:"},
		{"two that wait their turn", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: a}\n  c: {file: m.motion.yaml, after: a, while_busy: wait}\n", "a: b: a c: a"},

		{"unknown", "start: {play: greet}\nmotions:\n  greet: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: great}\n", `a.show.yaml:7:35: after of motion b: there is no motion "great"; did you mean greet?`},
		{"unknown in a list", "start: {play: greet}\nmotions:\n  greet: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: [greet, bow]}\n", `a.show.yaml:7:43: after of motion b: there is no motion "bow"; the motions are b, greet`},
		{"itself", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml, after: a}\n", "a.show.yaml:6:35: the motion a cannot come after itself; write loop: true to play it over and over"},
		{"a loop", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml, loop: true}\n  b: {file: m.motion.yaml, after: a}\n", "a.show.yaml:7:35: a plays over and over and never ends, so that b never comes after it; name a motion that ends, or take loop out of a"},
		{"twice", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: [a, a]}\n", "a.show.yaml:7:39: after of motion b names a twice; keep one of them"},
		{"two at once", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: a}\n  c: {file: m.motion.yaml, after: a}\n", "a.show.yaml:8:35: b and c both come after a, and only the first of them can start; write after: b, or while_busy: wait"},
		{"two at once, one misspelt", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: a}\n  c: {file: m.motion.yaml, after: a, while_busy: wate}\n", `a.show.yaml:8:50: while_busy of motion c is "wate"; did you mean wait? it may be wait, drop or interrupt`},
		{"none", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: []}\n", "a.show.yaml:7:35: after of motion b names no motion; write for example after: a"},
		{"no name", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: {a: b}}\n", "a.show.yaml:7:35: after of motion b must be a name, not a set of names with values"},
		{"misspelt", "start: {play: a}\nmotions:\n  a: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, aftr: a}\n", `a.show.yaml:7:28: motion b has nothing called "aftr"; did you mean after?`},
		{"ring that nothing starts", "start: {play: x}\nmotions:\n  x: {file: m.motion.yaml}\n  tail: {file: m.motion.yaml, after: b}\n  a: {file: m.motion.yaml, after: c}\n  b: {file: m.motion.yaml, after: a}\n  c: {file: m.motion.yaml, after: b, while_busy: wait}\n",
			"a.show.yaml:8:3: a, c, b come after each other in a ring, and nothing starts it; start one of them: start: {play: a}, a trigger, or every: [4s, 9s]"},
		{"after what nothing starts", "start: {play: x}\nmotions:\n  x: {file: m.motion.yaml}\n  b: {file: m.motion.yaml, after: a}\n  a: {file: m.motion.yaml}\n",
			"a.show.yaml:8:3: nothing starts the motion a; give it a trigger, every: [4s, 9s], a motion to come after, or start: {play: a}"},
	} {
		t.Run(c.name, func(t *testing.T) {
			files := texts{"small.rig.yaml": smallRig, "m.motion.yaml": motionText("length: 4s\n"), "a.show.yaml": head + c.text}
			doc, err := Load(files.open, "a.show.yaml")
			got := ""
			if err != nil {
				got = AsProblems(err).Error()
			} else {
				for _, sm := range doc.(*Show).Motions {
					got += " " + sm.Name + ":"
					for _, m := range sm.After {
						got += " " + m.Name
					}
				}
				got = got[1:]
			}
			if got != c.want {
				t.Errorf("%s\nwant %s", got, c.want)
			}
		})
	}
}

// A mistake is told once, however often the broken thing is used.
func TestFollowOnProblemsAreSilent(t *testing.T) {
	rig := func(from, to string) texts {
		return texts{"small.rig.yaml": strings.Replace(smallRig, from, to, 1), "t.motion.yaml": motionText("fps: 24\ntempo: 96\nmarks: {bell: 2s}\nposes: {up: {arm: 5, lamp: 50%, nod: 3}}\n" +
			"tracks:\n  arm: [[0s, 0%], [soonest, 10deg], [bell, 5]]\n  nod: [[0s, 0], [9s, 5deg]]\nplace: [{pose: up, at: 5s, scale: {arm: 0.5}}]\nlayers: [{axis: arm, add: {sine: {amount: 10%, rate: 1}}}]\nquiet: [{from: 1s, to: 2s, release: [lamp]}]\n" +
			"cues: [{at: bell, set: {horn: on}}]\n")}
	}
	motion := func(from, to string) texts {
		files := rig("", "")
		files["t.motion.yaml"] = strings.Replace("motion: Test\nformat: 1\nrig: small.rig.yaml\nfps: 24\ntempo: 96\nmarks: {bell: 2s, late: bell+1s}\nposes: {up: {arm: 5}}\nphrases: {wave: {keys: {left: [[0s, 10], [12f, 20]]}}}\ntracks:\n  lamp: [[0s, 0], [36f, 5], [3b, 6], [\"00:00:03:12\", 7], [late+1s, 9]]\n  float: [[bell, 0], [late, 5]]\nplace: [{pose: up, at: bell}, {phrase: wave, at: late}, {phrase: wave, at: 9s}]\ncues: [{at: bell+6f, set: {horn: on}}, {at: late+1b, say: x}]\n", from, to, 1)
		return files
	}
	for name, files := range map[string]texts{
		"no kind":                rig("arm: {kind: servo,", "arm: {kind: sevro,"),
		"no travel":              rig("travel: [-60deg, 60deg], pulse: [[-60deg, 1000us]", "travel: [60deg, -60deg], pulse: [[-60deg, 1000us]"),
		"a misspelt travel":      rig("travel: [-60deg, 60deg], pulse: [[-60deg, 1000us]", "travl: [-60deg, 60deg], pulse: [[-60deg, 1000us]"),
		"a bad limit":            rig("limits: {speed: 90deg/s", "limits: {speed: 90V"),
		"an axis that is a word": rig("lamp: {kind: dimmer, board: main, channel: 5}", "lamp: bright"),
		"a bad board":            rig("channels: 16", "channels: lots"),
		"a misspelt section":     rig("boards:", "bords:"),
		"a missing section":      rig("boards: {main: {rate: 50Hz, tick: 0.5us, channels: 16, inputs: {1: {active: low}, 3: {stop: true}}}}", ""),
		"axes of the wrong name": rig("axes:", "axis:"),
		"a bad control":          rig("nod: {left: 1, right: -1}", "nod: {left: one, right: -1}"),
		"controls that are none": rig("controls:\n  nod: {left: 1, right: -1}", "controls: nod"),
		"a circle":               rig("nod: {left: 1, right: -1}", "nod: {nod: 1}"),
		"a bad supply":           rig("{rail: {voltage: 6V}}", "{rail: 6V}"),
		"supplies misspelt":      rig("supplies:", "suplies:"),
		"fps":                    motion("fps: 24", "fps: NaN"),
		"fps misspelt":           motion("fps: 24", "fsp: 24"),
		"fps out of range":       motion("fps: 24", "fps: 0"),
		"tempo":                  motion("tempo: 96", "tempo: fast"),
		"tempo list":             motion("tempo: 96", "tempo: [{at: 0s, bpm: 0}]"),
		"a mark":                 motion("bell: 2s", "bell: bad"),
		"a mark in a circle":     motion("bell: 2s", "bell: late-1s"),
		"marks misspelt":         motion("marks:", "mark:"),
		"marks that are a list":  motion("{bell: 2s, late: bell+1s}", "[bell, late]"),
		"a merge in marks":       motion("{bell: 2s,", "{<<: {bell: 2s},"),
		"a pose":                 motion("{up: {arm: 5}}", "{up: 5}"),
		"a value of a pose":      motion("{up: {arm: 5}}", "{up: {arm: high}}"),
		"poses misspelt":         motion("poses:", "pose:"),
		"a phrase":               motion("{keys: {left: [[0s, 10], [12f, 20]]}}", "{kyes: {left: [[0s, 10], [12f, 20]]}}"),
		"phrases misspelt":       motion("phrases:", "phrase:"),
		"a rig that is missing":  motion("rig: small.rig.yaml", "rig: none.rig.yaml"),
		"an empty rig line":      motion("rig: small.rig.yaml", "rig:"),
	} {
		_, err := Load(files.open, "t.motion.yaml")
		if problems := AsProblems(err); len(problems) != 1 {
			t.Errorf("%s: %d problems:\n%v", name, len(problems), err)
		}
	}
	if _, err := Load(rig("", "").open, "t.motion.yaml"); err != nil {
		t.Errorf("unbroken: %v", err)
	}
	if _, err := Load(motion("", "").open, "t.motion.yaml"); err != nil {
		t.Errorf("unbroken: %v", err)
	}
}
