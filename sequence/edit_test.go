package sequence

import (
	"bytes"
	"fmt"
	"reflect"
	"strings"
	"testing"
)

func TestSetPace(t *testing.T) {
	knots := PaceText([]Knot{{Time: 0, Script: 0, Rate: 1}, {Time: 10, Script: 8, Rate: 0.6}})
	list := "pace:\n  - [0, 0, 1]\n  - [10, 8, 0.6]\n"
	for name, c := range map[string]struct{ text, value, want string }{
		"at the end":             {"a: 1 # one\n\nb: [2]\n", knots, "a: 1 # one\n\nb: [2]\n\n" + list},
		"no line end":            {"a: 1", "p.csv", "a: 1\n\npace: p.csv\n"},
		"blank lines at the end": {"a: 1\n\n\n", "p.csv", "a: 1\n\npace: p.csv\n"},
		"in place":               {"a: 1\npace: [[0, 0, 1], [8, 8, 1]]\n\n# of b\nb: 2\n", knots, "a: 1\n" + list + "\n# of b\nb: 2\n"},
		"a list by a name":       {"pace:\n- [0, 0, 1]\n# between\n- [8, 8, 1]\nb: 2\n", "p.csv", "pace: p.csv\nb: 2\n"},
		"a name by a list":       {"pace: p.csv  # mine\nb: 2\n", knots, list + "b: 2\n"},
		"the last key":           {"b: 2\npace:\n  - [0, 0, 1]\n  - [8, 8, 1]\n# the end\n", "p.csv", "b: 2\npace: p.csv\n# the end\n"},
		"quoted":                 {"\"pace\": p.csv\nb: 2\n", "q.csv", "pace: q.csv\nb: 2\n"},
		"taken away":             {"a: 1\npace: p.csv\nb: 2\n", "", "a: 1\nb: 2\n"},
		"the last taken away":    {"a: 1\n\npace:\n  - [0, 0, 1]\n  - [8, 8, 1]\n", "", "a: 1\n"},
		"none to take away":      {"a: 1\n\n\n", "", "a: 1\n\n\n"},
		"CRLF":                   {"a: 1\r\npace: p.csv\r\nb: 2\r\n", knots, strings.ReplaceAll("a: 1\n"+list+"b: 2\n", "\n", "\r\n")},
		"CRLF at the end":        {"a: 1\r\n", "p.csv", "a: 1\r\n\r\npace: p.csv\r\n"},
		"a byte order mark":      {"\ufeffa: 1\n", "p.csv", "\ufeffa: 1\n\npace: p.csv\n"},
		"an end of document":     {"---\na: 1\n...\n", "p.csv", "---\na: 1\n\npace: p.csv\n...\n"},
		"lines of both kinds":    {"a: 1\r\n# x\nb: 2\r\n", "p.csv", "a: 1\r\n# x\nb: 2\r\n\r\npace: p.csv\r\n"},
		"pace elsewhere":         {"marks: {pace: 1s}\nb:\n  pace: 2\n", "p.csv", "marks: {pace: 1s}\nb:\n  pace: 2\n\npace: p.csv\n"},
		"text in a block":        {"a: |\n  pace: no\nb: 2\n", "p.csv", "a: |\n  pace: no\nb: 2\n\npace: p.csv\n"},
		"a name for YAML":        {"a: 1\n", "a # b: c.csv", "a: 1\n\npace: \"a # b: c.csv\"\n"},
		"a name like a flag":     {"a: 1\n", "on", "a: 1\n\npace: \"on\"\n"},
	} {
		got, err := SetPace([]byte(c.text), c.value)
		if err != nil || string(got) != c.want {
			t.Errorf("%s: %v\n%q\nand not\n%q", name, err, got, c.want)
			continue
		}
		again, err := SetPace(got, c.value)
		if err != nil || !bytes.Equal(again, got) {
			t.Errorf("%s: a second time gives %q (%v)", name, again, err)
		}
	}
}

func TestSetPaceRefuses(t *testing.T) {
	for _, text := range []string{"{a: 1, b: 2}\n", "- a\n", "just text\n", "a: [\n", "", "a: 1\n---\nb: 2\n", "pace: &x [[0, 0, 1], [8, 8, 1]]\nb: *x\n", "a: 1\rb: 2\n", "a: 1\u2028b: 2\n"} {
		if got, err := SetPace([]byte(text), "p.csv"); err == nil {
			t.Errorf("%q became %q", text, got)
		}
	}
}

func TestPaceTextAndCSVReadBackExactly(t *testing.T) {
	knots := []Knot{{Rate: 1}, {Time: 1.0 / 3, Script: 1.0/3 - 1e-17, Rate: 1}, {Time: 9.87654321012345678, Script: 8, Rate: 0.606}}
	mean := (knots[2].Script - knots[1].Script) / (knots[2].Time - knots[1].Time)
	knots[2].Rate = 2*mean - 1
	for _, files := range []texts{
		{"p.csv": string(PaceCSV(knots)), "t.motion.yaml": motionText("length: 8s\npace: p.csv\n"), "small.rig.yaml": smallRig},
		{"t.motion.yaml": motionText("length: 8s\npace: " + PaceText(knots) + "\n"), "small.rig.yaml": smallRig},
	} {
		s, err := LoadMotion(files.open, "t.motion.yaml")
		if err != nil {
			t.Fatal(err)
		}
		for i, k := range s.Pace {
			if k.Time != knots[i].Time || k.Script != knots[i].Script || k.Rate != knots[i].Rate {
				t.Errorf("knot %d came back as %v, %v, %v", i, k.Time, k.Script, k.Rate)
			}
		}
	}
}

// FuzzSetPace sets the pace of texts. One that loads must still load, with the same
// values but for the pace, and a second time must change nothing.
func FuzzSetPace(f *testing.F) {
	for _, body := range []string{
		"length: 8s\n", "length: 8s\r\n", "length: 8s\npace: [[0, 0, 1], [8, 8, 1]]\n", "pace:\n- [0, 0, 1]\n- [8, 8, 1]\n# c\nlength: 8s",
		"length: 8s\ntracks:\n  arm:\n    - [0s, 0]   # here\n    - [7s, 1]\n\n\n# end\n", "length: 8s\npace: {}\n", "? length\n: 8s\n",
		"length: 8s\ncues:\n  - {at: 1s, say: |\n    pace\n    }\n", "length: 8s\n...\n", "length: 8s\ncues:\n  - at: 1s\n    say: |+\n      a\n\n\n", "length: &a 8s\npace: *a\n",
		"length: 8s\ncues: [{at: 1s, say: \"a\n\n  b\"}]\n", "length: 8s\ncues:\n  - at: 1s\n    say: |+\n      a\n\n\n      # b\n",
	} {
		f.Add(body)
	}
	f.Fuzz(func(t *testing.T, body string) {
		text := motionText(body)
		load := func(text string) (*Script, error) {
			return LoadMotion(texts{"small.rig.yaml": smallRig, "t.motion.yaml": text}.open, "t.motion.yaml")
		}
		before, err := load(text)
		if err != nil {
			return
		}
		before.Pace = nil
		value := PaceText([]Knot{{Rate: 1}, {Time: before.Length, Script: before.Length, Rate: 1}})
		changed, err := SetPace([]byte(text), value)
		if err != nil {
			return
		}
		after, err := load(string(changed))
		if err != nil {
			t.Fatalf("%q became %q: %v", text, changed, err)
		}
		if len(after.Pace) != 2 || after.Pace[1].Time != before.Length {
			t.Fatalf("%q became %q with the pace %v", text, changed, after.Pace)
		}
		if a, b := valuesOf(before), valuesOf(after); a != b {
			t.Fatalf("%q became %q:\n%s\n%s", text, changed, a, b)
		}
		again, err := SetPace(changed, value)
		if err != nil || !bytes.Equal(again, changed) {
			t.Fatalf("%q became %q, and then %q (%v)", text, changed, again, err)
		}
		if gone, err := SetPace(changed, ""); err != nil {
			t.Fatal(err)
		} else if plain, err := load(string(gone)); err != nil || len(plain.Pace) > 0 || valuesOf(plain) != valuesOf(before) {
			t.Fatalf("%q became %q without its pace: %v", changed, gone, err)
		}
	})
}

// valuesOf writes the values of a script without their places.
func valuesOf(s *Script) string {
	var b strings.Builder
	for _, tr := range s.Merged {
		fmt.Fprintf(&b, "%s:", tr.Target.Name())
		for _, k := range tr.Keys {
			fmt.Fprintf(&b, " %v %v %v %v %v;", k.Time, k.Value, k.Soonest, k.Hold, k.Locked)
		}
	}
	for _, m := range s.Marks {
		fmt.Fprintf(&b, " %q %v %v;", m.Name, m.Time, m.Locked)
	}
	for _, c := range s.Cues {
		fmt.Fprintf(&b, " %v %q %d;", c.Time, c.Say, len(c.Set))
	}
	for _, q := range s.Quiet {
		fmt.Fprintf(&b, " %v %v %v;", q.From, q.To, q.Speed.V)
	}
	fmt.Fprintf(&b, "%q %v %v %d %d %v", s.Name, s.Length, s.Loop, len(s.Layers), len(s.Places), reflect.ValueOf(s.FPS))
	return b.String()
}
