package main

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

func TestByteCount(t *testing.T) {
	for s, want := range map[string]int64{"64MB": 64_000_000, "64 MB": 64_000_000, "2gb": 2_000_000_000, "1.5GB": 1_500_000_000, "500MiB": 500 << 20,
		"3000000": 3_000_000, "7KiB": 7 << 10, "12B": 12} {
		if got, err := byteCount(s); err != nil || got != want {
			t.Errorf("%q: %d, %v; want %d", s, got, err, want)
		}
	}
	for _, s := range []string{"", "MB", "64TB", "-1MB", "0", "64 M B", "1e99GB", "NaN", "infMB", "64MBMB", "6 4MB"} {
		if got, err := byteCount(s); err == nil {
			t.Errorf("%q was taken for %d", s, got)
		}
	}
}

// TestSwapFolder: a folder takes another's place whole, or everything stays as it was.
func TestSwapFolder(t *testing.T) {
	dir := t.TempDir()
	fresh, place := filepath.Join(dir, ".fresh"), filepath.Join(dir, "card")
	fill := func(folder, text string) {
		t.Helper()
		if err := errors.Join(os.MkdirAll(folder, 0o755), os.WriteFile(filepath.Join(folder, "a"), []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	holds := func(text string) {
		t.Helper()
		if b, err := os.ReadFile(filepath.Join(place, "a")); err != nil || string(b) != text {
			t.Errorf("it holds %q (%v), want %q", b, err, text)
		}
		if list, _ := os.ReadDir(dir); len(list) != 1 {
			t.Errorf("something was left behind: %v", list)
		}
	}
	fill(fresh, "first")
	if err := swapFolder(fresh, place); err != nil {
		t.Fatal(err)
	}
	holds("first")
	fill(fresh, "second")
	if err := swapFolder(fresh, place); err != nil {
		t.Fatal(err)
	}
	holds("second")
	if err := swapFolder(filepath.Join(dir, "nothing"), place); err == nil {
		t.Error("a folder that is not there was put in place")
	}
	holds("second")
}
