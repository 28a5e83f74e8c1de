//go:build linux

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// smallDisk mounts a file system of some bytes at a folder, which only root may.
func smallDisk(t *testing.T, dir string, size int) {
	t.Helper()
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("none", dir, "tmpfs", 0, fmt.Sprintf("size=%d", size)); err != nil {
		t.Skipf("no small file system can be mounted here, which only root may: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
}

// TestFullDisk logs a take to a disk that is full after a part of the motion. The
// motion is played to its end, in time; the user is told of the log once, at once and
// by the exit code; and what was written until then can be read.
func TestFullDisk(t *testing.T) {
	dir := gantry(t)
	small := filepath.Join(dir, "small")
	smallDisk(t, small, 16<<10)
	b := startBoard(t, dir, "gantry.rig.yaml", "main")
	p := startPlay(t, dir, "up.motion.yaml", "--port", b.port, "--end", "release", "--take", "small/first")
	p.reaches(2.5)
	if told := p.told(); !strings.Contains(told, "is not written any further") || !strings.Contains(told, "no space left") {
		t.Errorf("at 2.5 s the user had not been told: %q", told)
	}
	if code := p.exit(); code != exitUnable {
		t.Errorf("play ends with %d", code)
	}
	if told := p.told(); strings.Count(told, "is not written any further") != 1 || !strings.Contains(told, "first.take.jsonl is not whole: ") {
		t.Errorf("play says %q", told)
	}
	if !p.happened("ended") {
		t.Error("the motion did not end")
	}
	b.finish().inTime(t, frames(t, dir))
	text, err := os.ReadFile(filepath.Join(small, "first.take.jsonl"))
	if err != nil || !strings.HasPrefix(string(text), `{"log":"head",`) || !strings.Contains(string(text), "\n"+`{"log":"frames",`) {
		t.Errorf("the take has %d bytes and not what was sent first (%v)", len(text), err)
	}
}
