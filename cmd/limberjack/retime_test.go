package main

import (
	"bytes"
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
	dir := t.TempDir()
	for _, name := range names {
		text, err := os.ReadFile(filepath.Join("../../examples/lighthouse", name))
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
