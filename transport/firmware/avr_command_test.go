package firmware_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestCommandToTheChip: the command that people type, in real time through a pseudo-terminal,
// with the simulated chip behind it. Every pulse has a width that the motion has, in its
// order, and none leaves its limits; how many are late a busy machine decides.
func TestCommandToTheChip(t *testing.T) {
	tool(t, "go")
	rig, motion := galleryRig(250000), galleryMotion(2)
	_, tl := load(t, rig, motion)
	program := avrProgram(t, "bare-250000", bareConfig(tl, 250000), bareSources(t))
	command := once(t, "limberjack", func(path string) {
		if out, err := exec.Command("go", "build", "-o", path, "limberjack/cmd/limberjack").CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	})
	dir := t.TempDir()
	for name, text := range map[string]string{"rig.yaml": rig, "motion.yaml": motion} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	port := filepath.Join(dir, "port")
	c := newChip(t, program, 250000, "-p", port)
	if line, err := c.out.ReadString('\n'); err != nil || line != "ready\n" {
		t.Fatalf("%q, %v\n%s", line, err, c.trouble.Bytes())
	}
	play := exec.CommandContext(t.Context(), command, "play", filepath.Join(dir, "motion.yaml"), "--port", port, "--at-rest", "--count-in", "500ms")
	out, err := play.CombinedOutput()
	t.Logf("%s", out)
	if err != nil && play.ProcessState.ExitCode() != 1 { // 1: it played, and says that some came late
		t.Fatal(err)
	}
	c.in.Close()
	for {
		line, err := c.out.ReadString('\n')
		if err != nil {
			break
		}
		c.take(strings.Fields(line))
	}
	rows, all, seen := framesOf(tl), pulsesOf(t, c.edges), 0
	for i := range tl.Channels {
		k := 0
		for _, p := range all[barePins[i]] {
			checkLimits(t, &tl.Channels[i], p)
			for n := k; n < len(rows); n++ {
				if e := tickError(p, rows[n][i]); e >= -1 && e <= 1 {
					k, seen = n+1, seen+1
					break
				}
			}
		}
	}
	t.Logf("%d pulses of the motion seen in order, of %d", seen, len(rows)*len(tl.Channels))
	if seen < 10*len(tl.Channels) {
		t.Errorf("only %d pulses are those of the motion", seen)
	}
}
