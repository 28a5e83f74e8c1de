package main

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// copyExample copies documents of the lighthouse into a folder of the test's own.
func copyExample(t *testing.T, names ...string) string {
	t.Helper()
	return copyFrom(t, "../../examples/lighthouse", names...)
}

func copyFrom(t *testing.T, from string, names ...string) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range names {
		text, err := os.ReadFile(filepath.Join(from, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// errorsOf gives the rules that a motion breaks at error level.
func errorsOf(t *testing.T, file string) map[string]bool {
	t.Helper()
	s, err := sequence.LoadMotion(openFile, file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	rules := map[string]bool{}
	for _, f := range check.Run(p, drive.Run(p), nil).Findings {
		if f.Level == check.Error {
			rules[f.Rule] = true
		}
	}
	return rules
}

func retimed(t *testing.T, from, to string) (code int, out, errOut string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run([]string{"retime", from, "-o", to}, &o, &e)
	if code == exitUnable {
		t.Fatal(e.String())
	}
	return code, o.String(), e.String()
}

// The keeper's wrong motion: a pace mends speed, quiet window and supply; what no
// pace mends stays. Every line but the pace is
// as it was, and a second time changes nothing.
func TestRetimeMendsTheStorm(t *testing.T) {
	dir := copyExample(t, "keeper.rig.yaml", "storm.motion.yaml")
	storm, calm := filepath.Join(dir, "storm.motion.yaml"), filepath.Join(dir, "calm.motion.yaml")
	before := errorsOf(t, storm)
	for _, rule := range []string{"speed", "quiet", "supply-current", "never", "reversal"} {
		if !before[rule] {
			t.Errorf("the storm does not break %s", rule)
		}
	}
	code, out, errOut := retimed(t, storm, calm)
	t.Log(out, errOut)
	after := errorsOf(t, calm)
	for _, rule := range []string{"speed", "acceleration", "jerk", "quiet", "supply-current", "pace-end"} {
		if after[rule] {
			t.Errorf("the pace leaves %s", rule)
		}
	}
	for _, rule := range []string{"never", "reversal"} {
		if !after[rule] {
			t.Errorf("the pace mends %s", rule)
		}
	}
	if code != exitDone || errOut != "" {
		t.Errorf("exit code %d, and %s", code, errOut)
	}
	linesButThePace(t, storm, calm)
	theSameAgain(t, calm)
}

func linesButThePace(t *testing.T, from, to string) {
	t.Helper()
	a, b := read(t, from), read(t, to)
	if !strings.HasPrefix(b, a) || strings.TrimSpace(strings.TrimPrefix(b, a)) != "pace: calm.pace.csv" {
		t.Errorf("other lines than the pace have changed, or it is %q", strings.TrimPrefix(b, a))
	}
}

func theSameAgain(t *testing.T, motion string) {
	t.Helper()
	csv := strings.TrimSuffix(motion, ".motion.yaml") + ".pace.csv"
	text, pace := read(t, motion), read(t, csv)
	if n := strings.Count(pace, "\n"); n > 150 {
		t.Errorf("the pace has %d knots", n-1)
	}
	retimed(t, motion, motion)
	if read(t, motion) != text || read(t, csv) != pace {
		t.Error("a second retime changes something")
	}
}

func read(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// predictedOf gives what a motion asks of its first supply, by the model.
func predictedOf(t *testing.T, file string) drive.SupplyTrace {
	t.Helper()
	p, err := compileMotion(file)
	if err != nil {
		t.Fatal(err)
	}
	return drive.Run(p).Supplies[0]
}

// The wave boards: six large servos, 15 A at stall, behind a fuse of 4 A. The swell
// is refused as it is written; put off within its slack it holds, no move is any
// slower, and the length stays. A start order brings power-up under the fuse, too.
func TestWaveBoardsRollWithinTheirFuse(t *testing.T) {
	dir := copyFrom(t, "../../examples/waves", "waves.rig.yaml", "swell.motion.yaml")
	swell, rolling := filepath.Join(dir, "swell.motion.yaml"), filepath.Join(dir, "rolling.motion.yaml")
	if broken := errorsOf(t, swell); len(broken) != 1 || !broken["supply-current"] {
		t.Fatalf("the swell breaks %v", broken)
	}
	var out, errOut bytes.Buffer
	if code := run([]string{"retime", swell, "--stagger", "-o", rolling}, &out, &errOut); code != exitDone || errOut.Len() > 0 {
		t.Fatalf("exit code %d, and %s%s", code, out.String(), errOut.String())
	}
	if broken := errorsOf(t, rolling); len(broken) != 0 {
		t.Errorf("staggered it breaks %v", broken)
	}
	before, after := predictedOf(t, swell), predictedOf(t, rolling)
	if before.Sustained < 5 || after.Sustained > 4 {
		t.Errorf("%.2f A, and %.2f A staggered", before.Sustained, after.Sustained)
	}
	a, err := compileMotion(swell)
	if err != nil {
		t.Fatal(err)
	}
	b, err := compileMotion(rolling)
	if err != nil {
		t.Fatal(err)
	}
	if a.Length != b.Length || len(b.Script.Pace) > 0 {
		t.Errorf("%v s instead of %v s, with %d knots", b.Length, a.Length, len(b.Script.Pace))
	}
	for i, tr := range a.Script.Merged {
		for j := 1; j < len(tr.Keys); j++ {
			was, is := tr.Keys[j], b.Script.Merged[i].Keys[j]
			by := is.Time - was.Time
			if by < -1e-9 || by > was.Slack+1e-9 && was.Slack > 0 {
				t.Errorf("key %d of %s is put off by %v s of %v s", j, tr.Target.Name(), by, was.Slack)
			}
			if was.Value != tr.Keys[j-1].Value && math.Abs(is.Time-b.Script.Merged[i].Keys[j-1].Time-(was.Time-tr.Keys[j-1].Time)) > 1e-9 {
				t.Errorf("the move to key %d of %s does not last as long as before", j, tr.Target.Name())
			}
		}
	}
	if up := drive.PowerUp(b)[0]; up.Together < 10 || len(up.Order) != 6 || up.Staggered > 4 {
		t.Errorf("together they draw %.2f A, in order %.2f A: %+v", up.Together, up.Staggered, up.Order)
	}
}
