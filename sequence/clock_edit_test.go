package sequence

import (
	"bytes"
	"strings"
	"testing"
)

func TestSetClock(t *testing.T) {
	for name, c := range map[string]struct {
		text, board string
		fast        float64
		want        string
	}{
		"in place":            {"rig: a\nboards:\n  main:\n    rate: 50Hz\n    clock: 120ppm   # measured\n  shore: {rate: 50Hz}\n", "main", -3099.6, "rig: a\nboards:\n  main:\n    rate: 50Hz\n    clock: -3100ppm   # measured\n  shore: {rate: 50Hz}\n"},
		"first of a block":    {"boards:\n  main:\n    # slow\n    rate: 50Hz\n", "main", 4, "boards:\n  main:\n    # slow\n    clock: 4ppm\n    rate: 50Hz\n"},
		"first in braces":     {"boards:\n  main: {rate: 50Hz}\n  shore: { rate: 50Hz } # b\n", "shore", 4, "boards:\n  main: {rate: 50Hz}\n  shore: { clock: 4ppm, rate: 50Hz } # b\n"},
		"in braces":           {"boards: {main: {rate: 50Hz, clock: 3, tick: 1us}}\nrig: a\n", "main", 0, "boards: {main: {rate: 50Hz, clock: 0ppm, tick: 1us}}\nrig: a\n"},
		"quoted":              {"boards:\n  main: {clock: \"3 ppm\"}\n", "main", -0.3, "boards:\n  main: {clock: \"0ppm\"}\n"},
		"CRLF":                {"boards:\r\n  main:\r\n    rate: 50Hz\r\n", "main", 7, "boards:\r\n  main:\r\n    clock: 7ppm\r\n    rate: 50Hz\r\n"},
		"another of the name": {"clock: 1\nboards:\n  clock: {rate: 50Hz}\n", "clock", 7, "clock: 1\nboards:\n  clock: {clock: 7ppm, rate: 50Hz}\n"},
	} {
		got, err := SetClock([]byte(c.text), c.board, c.fast)
		if err != nil || string(got) != c.want {
			t.Errorf("%s: %v\n%q\nand not\n%q", name, err, got, c.want)
			continue
		}
		again, err := SetClock(got, c.board, c.fast)
		if err != nil || !bytes.Equal(again, got) {
			t.Errorf("%s: a second time gives %q (%v)", name, again, err)
		}
	}
}

func TestSetClockRefuses(t *testing.T) {
	for _, text := range []string{
		"{boards: {main: {rate: 50Hz}}}\n", "boards: {}\n", "rig: a\n", "boards:\n  shore: {rate: 50Hz}\n", "boards:\n  main: {}\n",
		"boards:\n  main: &b {rate: 50Hz}\n  shore: *b\n", "boards:\n  shore: &b {rate: 50Hz}\n  main: *b\n",
		"boards:\n  main: {rate: 50Hz, clock: &c 3ppm}\n  shore: {clock: *c}\n", "boards:\n  main:\n    clock: >-\n      3\n      ppm\n", "boards: [\n",
	} {
		if got, err := SetClock([]byte(text), "main", 5); err == nil {
			t.Errorf("%q became %q", text, got)
		}
	}
	if _, err := SetClock([]byte("boards:\n  main: {rate: 50Hz}\n"), "main", 2e5); err == nil {
		t.Error("200000 ppm were written")
	}
}

// FuzzSetClock: whatever a rig file looks like, setting the clock of a board changes
// that and nothing else.
func FuzzSetClock(f *testing.F) {
	for _, boards := range []string{"boards:\n  main: {rate: 50Hz}\n", "boards:\n  main:\n    rate: 50Hz # x\n    clock: 3\n", "boards: {main: {rate: 50Hz, clock: '1ppm'}}\n",
		"boards:\n  main: &a\n    rate: 50Hz\n  b: *a\n", "boards:\r\n  main:\r\n    rate: 50Hz\r\n", "boards:\n  ? main\n  : {rate: 50Hz}\n", "boards:\n  main: !!map {rate: 50Hz}\n"} {
		f.Add(boards)
	}
	f.Fuzz(func(t *testing.T, boards string) {
		text := "rig: Fuzz\nformat: 1\n" + boards
		load := func(text string) (*Rig, error) { return LoadRig(texts{"a.rig.yaml": text}.open, "a.rig.yaml") }
		before, err := load(text)
		if err != nil {
			return
		}
		changed, err := SetClock([]byte(text), "main", -1234)
		if err != nil {
			return
		}
		after, err := load(string(changed))
		if err != nil {
			t.Fatalf("%q became %q: %v", text, changed, err)
		}
		for i, b := range after.Boards {
			was := before.Boards[i]
			want := was.Clock.V
			if b.Name == "main" {
				want = -1234
			}
			if b.Name != was.Name || b.Clock.V != want || b.Rate.V != was.Rate.V || b.Tick.V != was.Tick.V {
				t.Fatalf("%q became %q", text, changed)
			}
		}
		if strings.Count(string(changed), "\n") > strings.Count(text, "\n")+1 {
			t.Fatalf("%q became %q", text, changed)
		}
	})
}
