package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A plot of two rigs is one that could not be done: exit code 2, one line that
// says why, and no file.
func TestPlotOfTwoRigs(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return file
	}
	const head = "rig: Pier\nformat: 1\nboards: {desk: {rate: 50Hz, tick: 0.5us, channels: 4}}\naxes:\n"
	const arm = "  arm: {kind: servo, board: desk, channel: 0, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]], limits: {speed: 200deg/s}}\n"
	const lamp = "  lamp: {kind: dimmer, board: desk, channel: 1}\n"
	const motion = "motion: Wave\nformat: 1\nlength: 2s\ntracks: {arm: [[0s, 0deg], [1s, 40deg]]}\nrig: "
	write("one.rig.yaml", head+arm+lamp)
	write("copy.rig.yaml", head+lamp+arm)
	write("less.rig.yaml", head+arm)
	after := write("after.motion.yaml", motion+"one.rig.yaml\n")
	for _, c := range []struct {
		rig  string
		code int
		says string
	}{
		{"one.rig.yaml", exitDone, ""},
		{"copy.rig.yaml", exitDone, ""},
		{"less.rig.yaml", exitUnable, "axis lamp of"},
	} {
		before := write("before.motion.yaml", motion+c.rig+"\n")
		file := filepath.Join(dir, c.rig+".svg")
		var out, errOut bytes.Buffer
		if code := run([]string{"plot", after, "--before", before, "-o", file}, &out, &errOut); code != c.code {
			t.Errorf("%s: exit code %d, want %d\n%s", c.rig, code, c.code, errOut.String())
		}
		if got := errOut.String(); !strings.Contains(got, c.says) || strings.Count(got, "\n") > 1 {
			t.Errorf("%s: the message is %q, want one line with %q", c.rig, got, c.says)
		}
		if _, err := os.Stat(file); (err == nil) != (c.code == exitDone) {
			t.Errorf("%s: the file is there: %v", c.rig, err == nil)
		}
	}
}

// The words for a deviation on the sheet are those that shape reports.
func TestPlotTellsWhatShapeTells(t *testing.T) {
	const storm = "../../examples/lighthouse/storm.motion.yaml"
	dir := t.TempDir()
	var out, errOut bytes.Buffer
	if code := run([]string{"shape", storm, "-o", filepath.Join(dir, "storm.csv")}, &out, &errOut); code != exitDone {
		t.Fatalf("shape: %s", errOut.String())
	}
	if want := "head-pan: at most 0.993 deg from the script, at 4.42 s; 0.1 film frames late there"; !strings.Contains(out.String(), want) {
		t.Fatalf("shape says %q, want %q", out.String(), want)
	}
	file := filepath.Join(dir, "storm.svg")
	if code := run([]string{"plot", storm, "--shaped", "-o", file}, &out, &errOut); code != exitDone {
		t.Fatalf("plot: %s", errOut.String())
	}
	raw, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if want := "head-pan off by 0.99° at 4.42 s, 0.1 film frames late"; !strings.Contains(string(raw), want) {
		t.Errorf("the sheet does not say %q", want)
	}
}
