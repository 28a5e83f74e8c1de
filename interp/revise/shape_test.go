package revise

import (
	"bytes"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/mend"
	"limberjack/sequence"
)

// load reads a motion with its text.
func load(t testing.TB, file string) (*sequence.Script, []byte) {
	t.Helper()
	script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return os.Open(name) }, file)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return script, text
}

func manuscript(t testing.TB, file string) *sequence.Manuscript {
	t.Helper()
	script, text := load(t, file)
	m, err := sequence.NewManuscript(text, script)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// rates gives the axes that break a limit of speed, acceleration or jerk.
func rates(t testing.TB, s *sequence.Script) map[string]bool {
	t.Helper()
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]bool{}
	for _, f := range check.Run(p, nil, nil).Findings {
		if (f.Rule == "speed" || f.Rule == "acceleration" || f.Rule == "jerk") && f.Level != check.Note && !f.Always {
			out[f.Axis+" "+f.Rule] = true
		}
	}
	return out
}

const rigText = `rig: Test
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 8, baud: 250000}
axes:
  pan: {kind: servo, board: main, channel: 0, travel: [-70deg, 70deg], pulse: [[-70deg, 900us], [70deg, 2100us]], limits: {speed: 250deg/s, acceleration: 1500deg/s2, jerk: 60000deg/s3}}
  tilt: {kind: servo, board: main, channel: 1, travel: [-70deg, 70deg], pulse: [[-70deg, 900us], [70deg, 2100us]], limits: {speed: 250deg/s, acceleration: 1500deg/s2, jerk: 60000deg/s3}}
controls:
  nod: {tilt: 1}
`

// written writes a motion with the test's rig, and gives its file.
func written(t testing.TB, text string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"test.rig.yaml": rigText, "m.motion.yaml": "motion: Test\nformat: 1\nrig: test.rig.yaml\n" + text} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "m.motion.yaml")
}

// Whatever breaks a limit keeps it once it is shaped, in a text of which other lines are
// as they were.
func TestShapeKeepsEveryLimit(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, text string }{
		{"one move", "tracks:\n  pan:\n    - [0s, 0]\n    - [1s, 0]   # stays\n    - [1.4s, 60]\n    - [2s, 60]\n"},
		{"two moves apart", "tracks:\n  pan: [[0s, 0], [1s, 0], [1.4s, 60], [3s, 60], [3.4s, 0], [5s, 0]]\n"},
		{"moves without a rest", "tracks:\n  pan: [[1s, 0], [1.2s, 30], [1.4s, 0], [1.6s, 30], [1.8s, 0], [3s, 0]]\n"},
		{"a corner", "tracks:\n  pan: [[0s, 0], [1s, 50, linear], [2s, 50]]\n"},
		{"a jump", "tracks:\n  pan: [[0s, 0], [1s, 30, hold], [2s, 30]]\n"},
		{"in frames", "fps: 25\ntracks:\n  pan:\n    - [0f, 0]\n    - [25f, 0]   # stays\n    - [34f, 60]\n    - [50f, 60]\n"},
		{"a spline", "tracks:\n  pan: [[0s, 0], [0.5s, 40, cubic], [0.8s, -40, cubic], [1.4s, 0, cubic], [2s, 0]]\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := manuscript(t, written(t, c.text))
			if len(rates(t, m.Script)) == 0 {
				t.Fatal("it keeps its limits already")
			}
			done, err := Shape(m, nil)
			if err != nil {
				t.Fatal(err)
			}
			if left := rates(t, done.Script.Script); len(left) > 0 {
				t.Errorf("still broken: %v in\n%s", left, done.Script.Text)
			}
		})
	}
	m := manuscript(t, "../../examples/lighthouse/storm.motion.yaml")
	done, err := Shape(m, nil)
	if err != nil {
		t.Fatal(err)
	}
	if left := rates(t, done.Script.Script); len(left) > 0 {
		t.Errorf("the storm still breaks %v", left)
	}
	for _, line := range strings.SplitAfter(string(m.Text), "\n") {
		if !strings.Contains(line, "gust+2.7s") && !bytes.Contains(done.Script.Text, []byte(line)) {
			t.Errorf("the storm lost %q", line)
		}
	}
}

// What keys cannot mend is refused with a place, and nothing else is said of it.
func TestShapeRefusals(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, text, want string }{
		{"nothing to do", "tracks:\n  pan: [[0s, 0], [2s, 10]]\n", "nothing to shape"},
		{"corners of a control", "length: 3s\ntracks:\n  nod: [[1s, 0], [1.2s, 40], [2s, 40]]\n", "test.rig.yaml:7:3: no keys were found with which tilt keeps its limits"},
		{"placed", "phrases:\n  look: {keys: {pan: [[0s, 0], [0.3s, 60]]}}\nplace:\n  - {phrase: look, at: 1s}\n", "m.motion.yaml:7:5: what is placed here moves pan at 1 s"},
		{"held", "tracks:\n  pan:\n    - [1s, 0]\n    - {at: 1.2s, to: 60, hold: true}\n    - [1.3s, 0]\n    - {at: 1.4s, to: -60, hold: true}\n", "m.motion.yaml:7:7: pan cannot meet its held keys"},
	} {
		m := manuscript(t, written(t, c.text))
		done, err := Shape(m, nil)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, %v", c.name, done, err)
		}
	}
	m := manuscript(t, "../../examples/lighthouse/storm.motion.yaml")
	if _, err := Shape(m, func() bool { return true }); err != mend.ErrStopped {
		t.Errorf("what is stopped gives %v", err)
	}
}

// The least squares of a span that nothing rests in are bounded before they take any room,
// and can be called off.
func TestFittedIsBounded(t *testing.T) {
	t.Parallel()
	m := manuscript(t, written(t, "length: 200s\n"))
	w := &shaping{m: m, axis: m.Script.Rig.Axes[0], target: sequence.Target{Axis: m.Script.Rig.Axes[0]}, frame: 0.02}
	for i := range 10_000 { // 200 s at 50 frames a second
		w.times, w.own = append(w.times, float64(i)*w.frame), append(w.own, 10*math.Sin(float64(i)/40))
	}
	knots := func(n int) (list []knot) {
		for i := range n {
			list = append(list, knot{time: 200 * float64(i) / float64(n)})
		}
		return list
	}
	if got, err := w.fitted(knots(mostDrawn/10_000+10), nil); got != nil || err == nil || !strings.Contains(err.Error(), "too much to be shaped at once") || !strings.Contains(err.Error(), "let it rest") {
		t.Errorf("%d knots, %v", len(got), err)
	}
	const few = 20
	asked := 0
	for at := 0; at < 3*few; at++ { // once for each knot while it is built up, and twice while it is solved
		asked = 0
		got, err := w.fitted(knots(few), func() bool { asked++; return asked > at })
		if got != nil || err != mend.ErrStopped {
			t.Errorf("stopped after %d: %d knots, %v", at, len(got), err)
		}
	}
	if got, err := w.fitted(knots(few), func() bool { return false }); err != nil || len(got) != few {
		t.Errorf("told to go on: %d knots, %v", len(got), err)
	}
}
