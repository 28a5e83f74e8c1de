package web

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/interp/film"
	"limberjack/sequence"
)

// rigOf reads the answer to a request for the rig.
func (a answer) rigOf(t testing.TB) (r rigAnswer) {
	t.Helper()
	if a.status != http.StatusOK {
		t.Fatalf("%d %s", a.status, a.body)
	}
	if err := json.Unmarshal(a.body, &r); err != nil {
		t.Fatal(err)
	}
	return r
}

// axis finds an axis in an answer.
func (r rigAnswer) axis(t testing.TB, name string) rigAxis {
	t.Helper()
	for _, a := range r.Axes {
		if a.Name == name {
			return a
		}
	}
	t.Fatalf("there is no axis %s", name)
	return rigAxis{}
}

// changedLines gives the lines that differ, each as "was -> is"; line by line, since no
// change adds or takes lines but at one place, which is told as "-> is".
func changedLines(before, after string) (list []string) {
	was, is := strings.Split(before, "\n"), strings.Split(after, "\n")
	for i, k := 0, 0; i < len(was) || k < len(is); i, k = i+1, k+1 {
		switch {
		case i < len(was) && k < len(is) && was[i] == is[k]:
		case len(is)-k > len(was)-i:
			list = append(list, "-> "+is[k])
			i--
		default:
			list = append(list, was[i]+" -> "+is[k])
		}
	}
	return list
}

// TestRigChanges: each change of the example's rig differs in its own lines only, comments,
// order and units kept; undo gives back every byte. The figures of a film are worked out by
// hand from JCGM 100:2008: 60 degrees in 48 frames of 1/240 s are 300 deg/s; with each end
// known to one frame (4.3.7: a/sqrt 3), u(t) = sqrt(2/3)/240 s = 3.4021 ms and u(v) = 300/0.2 x
// that = 5.1031 deg/s (5.1.2); 17 frames are 70.833 ms, u = sqrt(0.25/3 + 1/3)/240 = 2.6896 ms.
// The neck's linkage turns the horn by 2 degrees for one of the part (its table), so that
// half the way there is as fast at the horn.
func TestRigChanges(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	p := d.page()
	file := filepath.Join(d.dir, "keeper.rig.yaml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	was := string(text)
	now := d.get("/api/rig").rigOf(t)
	if a := now.axis(t, "jaw"); now.File != "keeper.rig.yaml" || now.Undo != 0 || a.Horn == nil || *a.Travel != [2]figure{0, 24} || a.Ends != "" || now.axis(t, "lantern").Ends == "" {
		t.Errorf("the rig is told as %+v", now)
	}
	if a := now.axis(t, "neck-right"); len(a.Pulse) != 3 || a.Pulse[0] != [2]figure{-30, 1815} || *a.Horn != [2]figure{-30, 30} {
		t.Errorf("the neck's right servo is told as %+v", a)
	}
	const film48 = `"fps":240,"films":[[17,65]]`
	for _, c := range []struct {
		path, more string
		want       []string
	}{
		{"head-pan/pulse", `,"value":0,"us":1500`, []string{
			"    pulse: [[-70deg, 860us], [0deg, 1490us], [70deg, 2140us]] ->     pulse: [[-70deg, 860us], [0deg, 1500us], [70deg, 2140us]]"}},
		{"neck-right/pulse", `,"value":10,"us":1400`, []string{
			"    pulse: [[-30deg, 1815us], [0deg, 1512us], [30deg, 1208us]] ->     pulse: [[-30deg, 1815us], [0deg, 1512us], [10deg, 1400us], [30deg, 1208us]]"}},
		{"lid-left/reverse", ``, []string{
			"    pulse: [[0deg, 1250us], [45deg, 1730us]] ->     pulse: [[0deg, 1730us], [45deg, 1250us]]"}},
		{"elbow/trim", `,"us":-12.5`, []string{"->     trim: -12.5us"}},
		{"head-pan/measured", `,"write":true,"from":-30,"to":30,` + film48, []string{
			"    measured: {speed: 310deg/s, delay: 60ms, slop: 1deg}           # filmed with a phone at 240 fps ->     measured: {speed: 300deg/s, delay: 70.8ms, slop: 1deg}           # filmed with a phone at 240 fps"}},
		{"neck-left/measured", `,"write":true,"from":15,"to":-15,` + film48, []string{
			"->     measured: {speed: 300deg/s, delay: 70.8ms} # ±11 deg/s, ±5.4 ms (k=2), 240 fps, 1 film, at the horn"}},
	} {
		now = p.post("/api/rig/axes/"+c.path, `{"base":"`+now.Text+`"`+c.more+`}`).rigOf(t)
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got := changedLines(was, string(text)); strings.Join(got, "\n") != strings.Join(c.want, "\n") {
			t.Errorf("%s changes\n%s\nand not\n%s", c.path, strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
		if now.Undo != 1 {
			t.Errorf("after %s there are %d steps", c.path, now.Undo)
		}
		now = p.post("/api/rig/undo", `{"base":"`+now.Text+`"}`).rigOf(t)
		if text, err := os.ReadFile(file); err != nil || string(text) != was || now.Undo != 0 {
			t.Errorf("undo of %s leaves %q, %d steps (%v)", c.path, changedLines(was, string(text)), now.Undo, err)
		}
	}
	left, err := filepath.Glob(filepath.Join(d.dir, ".*"))
	if err != nil || len(left) > 0 {
		t.Errorf("writing has left %q (%v)", left, err)
	}
}

// TestRigMeasured: what films tell, without writing it: by hand as above.
func TestRigMeasured(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	p := d.page()
	was := d.get("/api/rig").rigOf(t)
	near := func(what string, got figure, want float64) {
		t.Helper()
		if math.Abs(float64(got)-want) > 1e-4*math.Abs(want) {
			t.Errorf("%s is %v and not %v", what, got, want)
		}
	}
	e := p.post("/api/rig/axes/neck-left/measured", `{"from":-15,"to":15,"fps":240,"films":[[17,65]],"late":0.002}`).rigOf(t).Estimate
	near("the speed", e.Speed.Value, 300)
	near("its uncertainty", e.Speed.Expanded, 10.2062)
	near("60 degrees take", e.Sixty.Value, 0.2)
	near("known to", e.Sixty.Expanded, 2*0.0034021) // t = 60/v is here the time of the film itself
	near("the delay", e.Delay.Value, 17.0/240-0.002)
	near("its uncertainty", e.Delay.Expanded, 2*0.0026896)
	near("the horn's way", e.Moved, 60)
	if !e.Horn || e.Speed.Factor != 2 {
		t.Errorf("%+v", e)
	}
	// Half of 29.97 frames a second are NTSC's 30000/1001: 300 frames are 10.01 s.
	e = p.post("/api/rig/axes/head-pan/measured", `{"from":-70,"to":70,"fps":29.97,"films":[[3,303]],"reading":0.5}`).rigOf(t).Estimate
	near("the speed", e.Speed.Value, 140/10.01)
	near("its uncertainty", e.Speed.Standard, 140/10.01/10.01*math.Sqrt(0.5/3)*1001/30000)
	if now := d.get("/api/rig").rigOf(t); now.Text != was.Text {
		t.Error("an estimate has changed the rig")
	}
	// What the part may be off by turns the horn by twice as much: half-width 1 of the part is
	// 2 of 60 degrees, u = 2/sqrt 3 deg; with the reading, sqrt(5.1031^2 + (2/sqrt 3/0.2)^2).
	e = p.post("/api/rig/axes/neck-left/measured", `{"from":-14,"to":14,"fps":240,"films":[[17,65]],"within":1}`).rigOf(t).Estimate
	near("the speed", e.Speed.Value, 280)
	near("its uncertainty", e.Speed.Standard, math.Hypot(280/0.2*0.0034021, 2/math.Sqrt(3)/0.2))
	for _, c := range []struct{ axis, more, want string }{
		{"head-pan", `"from":-30,"to":30,"fps":240,"films":[]`, "bad-count"},
		{"head-pan", `"from":-30,"to":30,"fps":240,"films":[[17,17]]`, "bad-count"},
		{"head-pan", `"from":-30,"to":30,"fps":24,"films":[[1,5]]`, "bad-count"}, // too few frames
		{"head-pan", `"from":30,"to":30,"fps":240,"films":[[17,65]]`, "bad-count"},
		{"head-pan", `"from":-80,"to":30,"fps":240,"films":[[17,65]]`, "no-such-change"},
		{"lantern", `"from":0,"to":30,"fps":240,"films":[[17,65]]`, "no-such-change"},
		{"head", `"from":0,"to":30,"fps":240,"films":[[17,65]]`, "no-such-axis"},
		{"head-pan", `"from":0,"to":30,"fps":0,"films":[[17,65]]`, "bad-body"},
		{"head-pan", `"from":0,"to":30,"fps":240,"films":[[17,65.5]]`, "bad-body"},
		{"head-pan", `"from":0,"to":30,"fps":240,"films":[[17]]`, "bad-body"},
		{"head-pan", `"from":0,"to":30,"fps":240,"films":{}`, "bad-body"},
		{"head-pan", `"from":0,"to":1e999,"fps":240,"films":[[17,65]]`, "bad-body"},
		{"head-pan", `"from":0,"to":30,"fps":240,"films":[[17,65]],"write":true`, "bad-body"},
		{"head-pan", `"from":0,"to":30,"fps":240,"films":[[17,65]],"write":true,"base":"stale"`, "another-version"},
	} {
		p.post("/api/rig/axes/"+c.axis+"/measured", `{`+c.more+`}`).refusal(t, c.want)
	}
}

// TestRigRefusals: what cannot be changes nothing, and says what would do.
func TestRigRefusals(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	p := d.page()
	base := d.get("/api/rig").rigOf(t).Text
	is := `{"base":"` + base + `"`
	for _, c := range []struct{ path, body, want, says string }{
		{"axes/head-pan/pulse", `{"base":"stale","value":0,"us":1500}`, "another-version", ""},
		{"axes/head-pan/pulse", is + `,"value":0}`, "bad-body", "both"},
		{"axes/head-pan/pulse", is + `}`, "rig-in-use", "calibrate one first"},
		{"axes/head-pan/pulse", is + `,"value":0,"us":1500,"x":1}`, "bad-body", ""},
		{"axes/head-pan/pulse", is + `,"value":0,"us":2200}`, "no-such-change", "not between"},
		{"axes/head-pan/pulse", is + `,"value":70,"us":2600}`, "no-such-change", "few servos take"},
		{"axes/head-pan/pulse", is + `,"value":90,"us":2200}`, "no-such-change", "beyond"},
		{"axes/head-pna/pulse", is + `,"value":0,"us":1500}`, "no-such-axis", "head-pan"},
		{"axes/beacon/reverse", is + `}`, "no-such-change", "no travel and pulses"},
		{"axes/lantern/trim", is + `,"us":3}`, "no-such-change", "for a servo"},
		{"axes/jaw/trim", is + `}`, "bad-body", "us"},
		{"axes/jaw/trim", is + `,"us":5000}`, "no-such-change", "by hand"}, // pulses of 6 ms
		{"undo", is + `}`, "no-such-change", "nothing to undo"},
	} {
		if d := p.post("/api/rig/"+c.path, c.body).refusal(t, c.want); !strings.Contains(d.Detail, c.says) || c.want == "another-version" && d.Text != base {
			t.Errorf("%s %s: %+v", c.path, c.body, d)
		}
	}
	d.ask("POST", "/api/rig/undo").refusal(t, "wrong-origin")
	writer{d, "a key that nobody has"}.post("/api/rig/undo", is+`}`).refusal(t, "no-page")
	if now := d.get("/api/rig").rigOf(t); now.Text != base || now.Undo != 0 {
		t.Errorf("something has changed: %+v", now)
	}
}

// TestRigElsewhere: a rig that somebody else changes meanwhile is not written over, and its
// history ends; one that is broken is refused with what to mend. The listing follows.
func TestRigElsewhere(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	p := d.page()
	base := d.get("/api/rig").rigOf(t).Text
	revision := d.scoreOf("wake").Revision
	now := p.post("/api/rig/axes/wing/trim", `{"base":"`+base+`","us":5}`).rigOf(t)
	d.listen().until("the motion with the new rig", func(l listing) bool { return l.Motions[0].Revision != revision && settled(stateGood)(l) })
	d.edit("gull.rig.yaml", "Gull on a post", "Gull on a mast")
	p.post("/api/rig/undo", `{"base":"`+now.Text+`"}`).refusal(t, "another-version")
	other := d.get("/api/rig").rigOf(t)
	p.post("/api/rig/undo", `{"base":"`+other.Text+`"}`).refusal(t, "no-such-change")
	text, err := os.ReadFile(filepath.Join(d.dir, "gull.rig.yaml"))
	if want := strings.Replace(strings.Replace(smallRig, "post", "mast", 1), "kind: servo", "kind: servo", 1); err != nil || !strings.Contains(string(text), "trim: 5us") || strings.Replace(string(text), "trim: 5us, ", "", 1) != want {
		t.Errorf("the file holds %s (%v)", text, err)
	}
	d.edit("gull.rig.yaml", "channels: 16", "channels: many")
	bad := p.post("/api/rig/axes/wing/trim", `{"base":"`+other.Text+`","us":6}`).refusal(t, "not-in-order")
	if bad.File != "gull.rig.yaml" || bad.Line != 4 {
		t.Errorf("%+v", bad)
	}
}

// TestRigBeside: what somebody writes between the look at the file and the new text is kept
// beside it, under a name that no motion has.
func TestRigBeside(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	d.get("/api/rig")
	f := d.project.folder
	_, known, err := f.read("gull.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	other, err := f.keepBeside("gull.rig.yaml", "other", []byte(smallRig))
	if err != nil || !strings.HasPrefix(other, "gull.other-") || !isRigName(other) || known.missing {
		t.Errorf("another version of the rig is kept as %q (%v)", other, err)
	}
}

// FuzzRigBodies: what is taken for a body of the rig's addresses is what it says, and what
// comes of a film is finite or refused.
func FuzzRigBodies(f *testing.F) {
	for _, s := range []string{`{"base":"a"}`, `{"base":"a","value":-1.5,"us":900}`, `{"base":"a","us":3}`, `{"base":"a","value":1}`,
		`{"from":-30,"to":30,"fps":240,"films":[[17,65]]}`, `{"base":"a","write":true,"from":0,"to":15,"fps":29.97,"films":[[3,303],[3,304]],"reading":0.5,"rolling":0.01,"late":0.02,"within":1,"acceleration":9000,"accelerationWithin":1000}`,
		`{"from":0,"to":1,"fps":1e9,"films":[]}`, `{"from":0,"to":1,"fps":240,"films":[[1e300,2]]}`, `{"from":0,"to":1,"fps":240,"films":[[1,2,3]]}`, `{"from":0,"to":1,"fps":240,"films":null}`, `[]`, ``} {
		f.Add([]byte(s))
	}
	axes := fuzzAxes(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		if b, err := parsePulse(data); err == nil {
			var back map[string]any
			if err := json.Unmarshal(data, &back); err != nil || back["base"] != b.base || (b.value == nil) != (back["value"] == nil) || b.value != nil && (back["value"] != *b.value || back["us"] != b.us) {
				t.Errorf("%q is read as %+v (%v)", data, b, err)
			}
		}
		if b, err := parseTrim(data); err == nil {
			var back map[string]any
			if err := json.Unmarshal(data, &back); err != nil || back["us"] != b.us || len(back) != 2 {
				t.Errorf("%q is read as %+v (%v)", data, b, err)
			}
		}
		b, err := parseMeasured(data)
		if err != nil {
			return
		}
		for _, a := range axes {
			s, e, err := b.measure(a)
			if err != nil {
				continue
			}
			for _, v := range []film.Value{s.Speed, s.Delay} {
				if !(v.V >= 0 && v.V < math.MaxFloat64 && v.Expanded >= v.Standard && v.Standard > 0 && v.Expanded < math.MaxFloat64) {
					t.Errorf("%s: %q gives %+v", a.Name, data, s)
				}
			}
			if _, err := json.Marshal(e); err != nil {
				t.Errorf("%q gives %+v, which cannot be told: %v", data, e, err)
			}
		}
	})
}

// fuzzAxes are the axes of the example.
func fuzzAxes(t testing.TB) []*sequence.Axis {
	dir := example(t)
	f, err := openFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.close)
	rig, err := sequence.LoadRig(newSnapshot(f).reading().open, "keeper.rig.yaml")
	if err != nil {
		t.Fatal(fmt.Errorf("the example: %w", err))
	}
	return rig.Axes
}
