package web

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

var update = flag.Bool("update", false, "write golden files anew")

// The scores of the examples, but for their revisions, are kept in testdata; look at
// the difference before you take a new one.
func TestScoreGolden(t *testing.T) {
	for _, name := range []string{"greet", "storm", "idle"} {
		d := openDesk(t, example(t), name+".motion.yaml", nil)
		s := d.get("/api/motions/" + name + "/score").body
		var m map[string]any
		if err := json.Unmarshal(s, &m); err != nil {
			t.Fatal(err)
		}
		for _, salted := range []string{"revision", "text"} {
			s = bytes.Replace(s, []byte(m[salted].(string)), nil, 1)
		}
		var got bytes.Buffer
		if err := json.Indent(&got, s, "", " "); err != nil {
			t.Fatal(err)
		}
		got.WriteByte('\n')
		golden := filepath.Join("testdata", name+".score.json")
		if *update {
			if err := os.WriteFile(golden, got.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.Bytes(), want) {
			t.Errorf("the score of %s is another; go test ./web -run Golden -update, and look at the difference", name)
		}
	}
}

// compiled gives the performance of a motion of a folder.
func compiled(t testing.TB, dir, file string) *interp.Performance {
	t.Helper()
	f, err := openFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.close()
	s, err := sequence.LoadMotion(newSnapshot(f).reading().open, file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// The curves are those of the performance and of the drive model at their times.
func TestCurves(t *testing.T) {
	dir := example(t)
	d := openDesk(t, dir, "greet.motion.yaml", nil)
	score := d.scoreOf("greet")
	rate, curves := curvesOf(t, d.get("/api/motions/greet/curves").body)
	p := compiled(t, dir, "greet.motion.yaml")
	samples := len(curves[0])
	if rate != 250 || float64(samples-1)/rate < p.Length || float64(samples-2)/rate >= p.Length {
		t.Fatalf("%d samples at %g Hz for %g s", samples, rate, p.Length)
	}
	near := func(what string, k int, got float32, want float64) {
		if math.Abs(float64(got)-want) > 1e-6*math.Max(1, math.Abs(want)) { // float32 has 24 bits
			t.Fatalf("%s at sample %d is %g, not %g", what, k, got, want)
		}
	}
	k := 0
	if err := drive.Simulate(p, 1/rate, func(at float64, axes []drive.Sample, supplies []drive.Rail) error {
		for i, a := range p.Axes {
			row := score.Rows[i]
			near(row.Name, k, curves[row.Commanded][k], a.Part.Value(float64(k)/rate))
			if row.Predicted >= 0 {
				near(row.Name+" predicted", k, curves[row.Predicted][k], axes[i].Predicted)
			}
			if v := figure(curves[row.Commanded][k]); v < row.Low-1e-4 || v > row.High+1e-4 {
				t.Fatalf("%s goes to %g, beyond %g to %g", row.Name, v, row.Low, row.High)
			}
		}
		for i, s := range score.Supplies {
			near(s.Name, k, curves[s.Current][k], supplies[i].Peak)
			near(s.Name, k, curves[s.Volts][k], supplies[i].Least)
		}
		k++
		return nil
	}); err != nil || k < samples-1 {
		t.Fatalf("%d samples: %v", k, err)
	}
	for _, row := range score.Rows {
		if row.Kind != "control" {
			continue
		}
		for _, c := range p.Controls {
			for k := 0; k < samples && c.Spec.Name == row.Name; k += 7 {
				near(row.Name, k, curves[row.Commanded][k], c.Curve.Value(float64(k)/rate))
			}
		}
	}
}

// However long and wide a motion is, its curves stay within bounds.
func TestSampleRate(t *testing.T) {
	for _, c := range []struct {
		length float64
		count  int
	}{{0, 1}, {0.001, 5}, {20, 29}, {600, 78}, {48 * 3600, 140}, {48 * 3600, 1}, {10, 100_000}} {
		rate := sampleRate(c.length, c.count)
		samples := math.Max(2, math.Ceil(c.length*rate-1e-9)+1)
		if !(rate > 0) || rate > 250 || samples*float64(c.count) > 8e6 {
			t.Errorf("%g s of %d curves: %g Hz, %g values", c.length, c.count, rate, samples*float64(c.count))
		}
	}
}

// The beats of a motion with a pace are those of its script, to within half a
// millisecond of it.
func TestTempo(t *testing.T) {
	for name, pace := range map[string]string{
		"none":   "",
		"slower": "pace: [[0s, 0s, 0], [2s, 1s, 1], [4s, 2.8s, 0.8], [7s, 4s, 0]]\n",
	} {
		text := strings.Replace(smallMotion, "length: 4s\n", "length: 4s\ntempo: [{at: 0s, bpm: 96}, {at: 1.5s, bpm: 140}]\n"+pace, 1)
		dir := small(t, map[string]string{"beat.motion.yaml": text})
		p := compiled(t, dir, "beat.motion.yaml")
		points := tempoOf(p)
		if len(points) < 2 || points[0].At != 0 || points[0].Beat != 0 {
			t.Fatalf("%s: %+v", name, points)
		}
		i := 0
		for at := 0.0; at <= p.Length; at += 0.01 {
			for i+1 < len(points) && float64(points[i+1].At) <= at {
				i++
			}
			q := points[i]
			beat := float64(q.Beat) + (at-float64(q.At))*float64(q.BPM)/60
			if want := p.Script.Tempo.Beat(p.ScriptTime(at)); math.Abs(beat-want) > 140.0/60*0.0006 {
				t.Errorf("%s: beat %g at %g s, not %g", name, beat, at, want)
			}
		}
	}
}

// Joints come after their parents, however the rig lists them.
func TestJointsParentsFirst(t *testing.T) {
	rig := smallRig + "joints:\n  feather: {parent: wing, at: [0mm, 0mm, 5mm], solid: {sphere: 4mm}}\n  wing: {parent: body, turns: {about: [0, 1, 0], axis: wing}, solid: {box: [1mm, 2mm, 3mm]}}\n  body: {solid: {cylinder: [10mm, 30mm]}}\n"
	d := openDesk(t, small(t, map[string]string{"gull.rig.yaml": rig}), "wake.motion.yaml", nil)
	joints := d.scoreOf("wake").Joints
	if len(joints) != 3 {
		t.Fatalf("%+v", joints)
	}
	for i, j := range joints {
		if j.Parent >= i {
			t.Errorf("%s is before its parent", j.Name)
		}
	}
	if j := joints[0]; j.Name != "body" || j.Parent != -1 || len(j.Solid.Size) != 2 || j.Solid.Size[1] != 30 {
		t.Errorf("%+v", j)
	}
	if j := joints[1]; j.Turns == nil || j.Turns.Row != 0 || j.Turns.About != [3]float64{0, 1, 0} || len(j.Solid.Size) != 3 {
		t.Errorf("%+v", j)
	}
}

// What is not finite is no JSON (RFC 8259, section 6), and becomes null.
func TestFigures(t *testing.T) {
	for v, want := range map[figure]string{0.1: "0.1", figure(math.Inf(1)): "null", figure(math.NaN()): "null", -3: "-3"} {
		if got, err := json.Marshal(v); err != nil || string(got) != want {
			t.Errorf("%g: %s %v", float64(v), got, err)
		}
	}
}
