package main

import (
	"bytes"
	"flag"
	"os"
	"os/exec"
	"strings"
	"testing"
)

const kept = "../voice.wav"

var update = flag.Bool("update", false, "write the WAV file anew")

// TestSameBytes makes the voice again and compares it with the file that the
// motions use.
func TestSameBytes(t *testing.T) {
	got := wav(speak(greeting, length))
	if *update {
		if err := os.WriteFile(kept, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(kept)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s is not what the program makes; make it again with go run ./examples/lighthouse/voice -o examples/lighthouse/voice.wav", kept)
	}
	if len(want) >= 200_000 {
		t.Errorf("%s has %d bytes; it should stay under 200 kB", kept, len(want))
	}
}

// TestSilence checks the pauses that the motions count on: nothing is heard
// before the murmur, between murmur and greeting, and at the end.
func TestSilence(t *testing.T) {
	sound := speak(greeting, length)
	for _, span := range [][2]float64{{0, 0.9}, {1.33, 2.8}, {5.85, 6}} {
		for i := int(span[0] * rate); i < int(span[1]*rate); i++ {
			if sound[i] != 0 {
				t.Fatalf("a sound at %.3f s, inside the pause from %g s to %g s", float64(i)/rate, span[0], span[1])
			}
		}
	}
}

// TestFormat asks SoX what the file is.
func TestFormat(t *testing.T) {
	sox, err := exec.LookPath("sox")
	if err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatal("sox is not installed")
		}
		t.Skip("sox is not installed, so the file is not read by another program")
	}
	for flag, want := range map[string]string{"-r": "16000", "-c": "1", "-b": "16", "-s": "96000", "-e": "Signed Integer PCM"} {
		out, err := exec.Command(sox, "--info", flag, kept).Output()
		if got := strings.TrimSpace(string(out)); err != nil || got != want {
			t.Errorf("sox --info %s: %q, %v; want %q", flag, got, err, want)
		}
	}
}
