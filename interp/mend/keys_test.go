package mend

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/sequence"
)

// page is the text of a motion in memory, with what was last written.
type page struct {
	*sequence.Draft
	files fstest.MapFS
	text  string
}

const motionHead = "motion: test\nformat: 1\nrig: test.rig.yaml\nfps: 24\n"

// turn makes a page of a motion; both are given without their first lines.
func turn(t testing.TB, rig, body string) (*sequence.Script, *page) {
	t.Helper()
	p := &page{files: fstest.MapFS{"test.rig.yaml": {Data: []byte("rig: bench\nformat: 1\n" + rig)}}, text: motionHead + body}
	s, err := p.load(p.text)
	if err != nil {
		t.Fatalf("the motion does not load:\n%v\n%s", err, p.text)
	}
	if p.Draft, err = sequence.NewDraft([]byte(p.text), s); err != nil {
		t.Fatal(err)
	}
	return s, p
}

func (p *page) load(text string) (*sequence.Script, error) {
	p.files["test.motion.yaml"] = &fstest.MapFile{Data: []byte(text)}
	return sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return p.files.Open(name) }, "test.motion.yaml")
}

func (p *page) Move(m sequence.Moves) (*sequence.Script, error) {
	text, err := p.Rewrite(m)
	if err != nil {
		return nil, err
	}
	p.text = string(text)
	return p.load(p.text)
}

// rekey moves the keys of a motion and gives its text without the first lines.
func rekey(t testing.TB, rig, body string, o Options) (*Rekeying, string) {
	t.Helper()
	s, p := turn(t, rig, body)
	r, err := Rekey(s, p, o)
	if err != nil {
		t.Fatalf("%v\n%s", err, p.text)
	}
	return r, strings.TrimPrefix(p.text, motionHead)
}

// A move that arrives by an ease lasts as long as the peak factors of that ease
// ask for: distance x Cv / limit, sqrt(distance x Ca / limit), cbrt(distance x Cj
// / limit). Cv and Ca of the 3-4-5 polynomial are 1.875 and 5.7735, Cj is 60, those
// of the cycloid (sine of the slope) are not used here; 2 and 4 of two parabolas:
// VDI 2143 and Norton, Cam Design and Manufacturing Handbook.
func TestMovedKeysHaveTheLeastTimes(t *testing.T) {
	for name, c := range map[string]struct {
		ease, limits string
		want         float64
	}{
		"speed of the 3-4-5 polynomial":        {"min-jerk", "speed: 250deg/s, acceleration: 1e6deg/s2", 90 * 1.875 / 250},
		"acceleration of the 3-4-5 polynomial": {"min-jerk", "speed: 1e5deg/s, acceleration: 1500deg/s2", math.Sqrt(90 * 10 / math.Sqrt(3) / 1500)},
		"jerk of the 3-4-5 polynomial":         {"min-jerk", "speed: 1e5deg/s, acceleration: 1e5deg/s2, jerk: 20000deg/s3", math.Cbrt(90 * 60 / 20000.0)},
		"speed of two parabolas":               {"quad-in-out", "speed: 250deg/s, acceleration: 1e6deg/s2", 90 * 2 / 250.0},
		"acceleration of two parabolas":        {"quad-in-out", "speed: 1e5deg/s, acceleration: 1500deg/s2", math.Sqrt(90 * 4 / 1500.0)},
	} {
		r, text := rekey(t, pan(c.limits), "tracks:\n  pan: [[1s, 0deg], [1.2s, 90deg, "+c.ease+"], [2.2s, 90deg]]\n", Options{})
		keys := r.Performance.Script.Tracks[0].Keys
		got := keys[1].Time - keys[0].Time
		if keys[0].Time != 1 || got < c.want || got > c.want*(1+2*(raiseBy-1))+plainMs {
			t.Errorf("%s: the move lasts %.6f s from %v s, and the least is %.6f s\n%s", name, got, keys[0].Time, c.want, text)
		}
		if d := keys[2].Time - keys[1].Time; math.Abs(d-1) > plainMs {
			t.Errorf("%s: the rest after it lasts %v s", name, d)
		}
		if math.Abs(r.Stretched-(r.Performance.Length-2.2)) > 1e-12 || r.FirstAt != 1 || !r.Changed || len(r.Left) > 0 {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

const plainMs = 0.001 + 1e-9 // s: the step of times in seconds

// Two axes whose keys interleave: by hand, with linear moves and limits of speed
// alone. a needs 2 s for its first move (200 deg at 100 deg/s) and b 1 s for the
// one that begins in the middle of it; what happens at one time stays together.
func TestMovedKeysStayInStep(t *testing.T) {
	rig := board + "axes:\n"
	for i, name := range []string{"a", "b"} {
		rig += fmt.Sprintf("  %s: {kind: servo, board: main, channel: %d, travel: [-200deg, 200deg], pulse: [[-200deg, 500us], [200deg, 2500us]], limits: {speed: 100deg/s, acceleration: 1e8deg/s2}}\n", name, i)
	}
	body := "marks: {half: 0.5s}\ntracks:\n  a: [[0s, 0], [1s, 200, linear], [2s, 200]]\n  b: [[half, 0], [1s, 100, linear], [1.5s, 0, linear]]\ncues: [{at: half, say: now}, {at: 1s+0, say: no}]\n"
	body = strings.ReplaceAll(body, "1s+0", "1s")
	r, text := rekey(t, rig, body, Options{})
	want := "marks: {half: 0.5s}\ntracks:\n  a: [[0s, 0], [2s, 200, linear], [3.5s, 200]]\n  b: [[half, 0], [2s, 100, linear], [3s, 0, linear]]\ncues: [{at: half, say: now}, {at: 2s, say: no}]\n"
	// All moves keep 2e-4 more than they need.
	for from, to := range map[string]string{"2.001s": "2s", "3.002s": "3s", "3.502s": "3.5s", "3.001s": "3s", "3.501s": "3.5s"} {
		text = strings.ReplaceAll(text, from, to)
	}
	if text != want || len(r.Missing)+len(r.Left) > 0 {
		t.Errorf("got\n%s\nand not\n%s\n%+v", text, want, r)
	}
}

// A lock keeps its time: what is stretched before it is won back, or missing.
func TestMovedKeysMeetLocks(t *testing.T) {
	rig := pan("speed: 100deg/s, acceleration: 1e8deg/s2")
	body := func(lock string) string {
		return "marks: {bell: {at: " + lock + ", locked: true}}\ntracks:\n  pan: [[0s, 0], [0.5s, 100, linear], [bell, 100], [6s, 0, linear]]\n"
	}
	r, text := rekey(t, rig, body("4s"), Options{})
	if !strings.Contains(text, "{at: 4s, locked") || len(r.Missing)+len(r.Left) > 0 || !strings.Contains(text, "[6s, 0") {
		t.Errorf("%+v\n%s", r, text)
	}
	// 0.5 s are lost, and 2.5 s at 1.25 win back 0.5 s: just so.
	if r, text = rekey(t, rig, body("3.01s"), Options{}); len(r.Missing) > 0 || r.Stretched > 0 {
		t.Errorf("%+v\n%s", r, text)
	}
	if r, text = rekey(t, rig, body("2s"), Options{}); len(r.Missing) != 1 || math.Abs(r.Missing[0].Seconds-0.2) > 2e-3 || r.Missing[0].Why != "the moves of pan" {
		t.Errorf("%+v\n%s", r, text)
	}
	if r, _ = rekey(t, rig, body("2s"), Options{CatchUp: 1.6}); len(r.Missing) > 0 {
		t.Errorf("%+v", r)
	}
}

// A placed phrase is stretched evenly, and what happens inside of it with it.
func TestMovedKeysStretchPhrases(t *testing.T) {
	rig := board + "axes:\n"
	for i, name := range []string{"a", "b"} {
		rig += fmt.Sprintf("  %s: {kind: servo, board: main, channel: %d, travel: [-200deg, 200deg], pulse: [[-200deg, 500us], [200deg, 2500us]], limits: {speed: 100deg/s, acceleration: 1e8deg/s2}}\n", name, i)
	}
	body := "phrases: {bow: {keys: {a: [[0s, 0], [0.5s, 75, linear], [1s, 0, linear]]}}}\ntracks:\n  b: [[1s, 0], [2.5s, 50, linear], [4s, 0]]\nplace: [{phrase: bow, at: 2s, times: 2}]\n"
	r, text := rekey(t, rig, body, Options{})
	if !strings.Contains(text, "{phrase: bow, stretch: 1.5, at: 2s, times: 2}") || !strings.Contains(text, "[1s, 0], [2.75s, 50") || !strings.Contains(text, "[5s, 0]") {
		t.Errorf("%+v\n%s", r, text)
	}
	within(t, r.Performance, 0, 100, 0, 0)
}

// Frames stay whole, beats beats, and what counts from a mark goes with it.
func TestMovedKeysKeepTheirNotation(t *testing.T) {
	body := "tempo: 120\nmarks: {go: 24f}\ntracks:\n  pan: [[0f, 0], [go, 100], [go+12f, 0], [\"00:00:02:12\", 100], [6b, 0]]\n"
	r, text := rekey(t, pan("speed: 100deg/s, acceleration: 1e8deg/s2"), body, Options{})
	// In its middle cubic-bezier(0.42, 0, 0.58, 1) has 1.5 / 0.87 of its mean speed:
	// 100 deg at 100 deg/s last 1.724 s, 41.4 frames.
	if !strings.HasPrefix(text, "tempo: 120\nmarks: {go: 42f}\ntracks:\n  pan: [[0f, 0], [go, 100], [go+42f, 0], [\"00:00:05:06\"") || !strings.Contains(text, "b, 0]]") {
		t.Errorf("%+v\n%s", r, text)
	}
	again, second := rekey(t, pan("speed: 100deg/s, acceleration: 1e8deg/s2"), text, Options{})
	if second != text || again.Changed {
		t.Errorf("a second time gives\n%s", second)
	}
}

// TestWhateverIsRekeyedPassesTheCheck moves the keys of random motions and asks
// the check of the text as it was written.
func TestWhateverIsRekeyedPassesTheCheck(t *testing.T) {
	for seed := range uint64(6) {
		jerk, lock, fastest := seed%2 == 1, seed%3 == 1, seed%4 > 1
		rig, body := randomMotion(rand.New(rand.NewPCG(seed, 1)), jerk, lock)
		s, p := turn(t, rig, body)
		r, err := Rekey(s, p, Options{Fastest: fastest})
		name := fmt.Sprintf("seed %d (jerk %v, lock %v, fastest %v)", seed, jerk, lock, fastest)
		if err != nil || len(r.Left) > 0 {
			t.Errorf("%s: %v, %+v", name, err, r)
			continue
		}
		for _, m := range s.Marks {
			if got := r.Performance.Script.Marks[0].Time; len(r.Missing) == 0 && got != m.Time {
				t.Errorf("%s: the lock at %v s comes at %v s", name, m.Time, got)
			}
		}
		passes(t, name, r.Performance)
	}
}

// A limit that is lowered never makes the performance shorter.
func TestMovedKeysAreMonotone(t *testing.T) {
	before := 0.0
	for _, v := range []string{"400", "200", "150", "100", "60"} {
		r, _ := rekey(t, pan("speed: "+v+"deg/s, acceleration: 3000deg/s2"), "tracks:\n  pan: [[0s, 0], [0.5s, 70], [1s, 40, pchip], [1.4s, 120, pchip], [2s, 0, back-out]]\n", Options{})
		if r.Performance.Length < before || len(r.Left) > 0 {
			t.Errorf("at %s deg/s it lasts %v s, after %v s: %+v", v, r.Performance.Length, before, r.Left)
		}
		before = r.Performance.Length
	}
}

// Only stretched: a script that holds is left alone, and a jump is told.
func TestMovedKeysLeaveAlone(t *testing.T) {
	r, text := rekey(t, pan("speed: 250deg/s, acceleration: 1500deg/s2"), "tracks:\n  pan: [[0s, 0], [2s, 70]]\n", Options{})
	if r.Changed || r.Stretched != 0 || text != "tracks:\n  pan: [[0s, 0], [2s, 70]]\n" {
		t.Errorf("%+v\n%s", r, text)
	}
	r, _ = rekey(t, pan("speed: 250deg/s, acceleration: 1500deg/s2"), "tracks:\n  pan: [[0s, 0], [2s, 70, hold], [2.1s, 0]]\n", Options{})
	if len(r.Left) != 1 || !r.Left[0].Steep || !r.Changed {
		t.Errorf("%+v", r)
	}
	r, _ = rekey(t, pan("speed: 250deg/s, acceleration: 1500deg/s2"), "length: 3s\nlayers: [{axis: pan, add: {sine: {amount: 100deg, rate: 1Hz}}, fade: 0.5s}]\n", Options{})
	if len(r.Left) == 0 || r.Changed {
		t.Errorf("%+v", r)
	}
}
