package lighthouse_test

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/sequence"
	"limberjack/transport/timeline"
)

func open(name string) (io.ReadCloser, error) { return os.Open(name) }

// changed opens files, one of them with its text replaced.
func changed(file string, text []byte) sequence.Open {
	return func(name string) (io.ReadCloser, error) {
		if name == file {
			return io.NopCloser(bytes.NewReader(text)), nil
		}
		return open(name)
	}
}

func compiled(t *testing.T, from sequence.Open, file string) *interp.Performance {
	t.Helper()
	s, err := sequence.LoadMotion(from, file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func findings(p *interp.Performance) *check.Report {
	var links []check.Link
	for _, b := range p.Rig.Boards {
		links = append(links, check.Link{Board: b, BytesPerFrame: timeline.FrameBytes(p.Rig, b)})
	}
	return check.Run(p, drive.Run(p), links)
}

// errorsOf gives the rules of the findings at error level, in order.
func errorsOf(r *check.Report) []string {
	var rules []string
	for _, f := range r.Findings {
		if f.Level == check.Error {
			rules = append(rules, f.Rule)
		}
	}
	slices.Sort(rules)
	return rules
}

func report(f check.Finding) string {
	return fmt.Sprintf("%s: %s %s: %s", f.At, f.Level, f.Rule, f.Message)
}

// stormRules are the five ways in which storm.motion.yaml is wrong.
var stormRules = []string{"never", "quiet", "reversal", "speed", "supply-current"}

func TestMotions(t *testing.T) {
	for _, c := range []struct {
		file           string
		least, longest float64 // s
		errors         []string
	}{
		{"greet.motion.yaml", 12, 20, nil},
		{"idle.motion.yaml", 30, 60, nil},
		{"storm.motion.yaml", 20, 40, stormRules},
	} {
		t.Run(c.file, func(t *testing.T) {
			p := compiled(t, open, c.file)
			if p.Length < c.least || p.Length > c.longest {
				t.Errorf("it lasts %g s, not %g to %g s", p.Length, c.least, c.longest)
			}
			r := findings(p)
			if got := errorsOf(r); !slices.Equal(got, c.errors) {
				t.Errorf("the rules of its errors are %q, want %q", got, c.errors)
			}
			for _, f := range r.Findings {
				if f.Level == check.Error {
					t.Log(report(f))
				}
			}
		})
	}
}

// TestStormMends does what each comment in the storm advises, and finds that the
// error is gone and no other has come.
func TestStormMends(t *testing.T) {
	const file = "storm.motion.yaml"
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for rule, edits := range map[string][]string{
		"speed":          {"gust+2.7s, 55deg", "gust+2.8s, 55deg"},
		"quiet":          {"hush+1.8s, 30deg", "hush+2.3s, 30deg"},
		"supply-current": {"[lightning, 0deg]                 #", "[lightning+0.5s, 0deg]  #", "lightning+0.2s, 20deg", "lightning+0.7s, 20deg"},
		"never":          {"lightning+0.3s, 12deg", "lightning+0.3s, 26deg", "lightning+2.2s, 12deg", "lightning+2.2s, 26deg"},
		"reversal":       {"- [rope+2.5s, -60%]", "- [rope+2.2s, 0%]\n    - [rope+2.35s, 0%]\n    - [rope+2.6s, -60%]"},
	} {
		t.Run(rule, func(t *testing.T) {
			mended := string(text)
			for i := 0; i < len(edits); i += 2 {
				if !strings.Contains(mended, edits[i]) {
					t.Fatalf("%q is not in %s", edits[i], file)
				}
				mended = strings.ReplaceAll(mended, edits[i], edits[i+1])
			}
			want := slices.DeleteFunc(slices.Clone(stormRules), func(r string) bool { return r == rule })
			r := findings(compiled(t, changed(file, []byte(mended)), file))
			if got := errorsOf(r); !slices.Equal(got, want) {
				t.Errorf("after mending %s the errors are %q, want %q", rule, got, want)
			}
		})
	}
}

// TestIdleSeam looks at the seam itself: where an axis is and how fast it moves at
// the end is what it does at the start.
func TestIdleSeam(t *testing.T) {
	p := compiled(t, open, "idle.motion.yaml")
	if !p.Script.Loop {
		t.Fatal("idle is no loop")
	}
	for _, a := range p.Axes {
		end, start := a.Part.Before(p.Length), a.Part.At(0)
		if d := math.Abs(end.Position - start.Position); d > 1e-9 {
			t.Errorf("%s jumps by %g %s", a.Spec.Name, d, a.Spec.Unit)
		}
		if d := math.Abs(end.Speed - start.Speed); d > 1e-9 {
			t.Errorf("the speed of %s jumps by %g %s/s", a.Spec.Name, d, a.Spec.Unit)
		}
	}
	for _, f := range findings(p).Findings {
		if f.Rule == "loop-seam" {
			t.Error(report(f))
		}
	}
}

// TestJawFollowsVoice checks that the mouth is shut in the pauses of the voice and
// opens at its words.
func TestJawFollowsVoice(t *testing.T) {
	p := compiled(t, open, "greet.motion.yaml")
	for _, a := range p.Axes {
		if a.Spec.Name != "jaw" {
			continue
		}
		for _, at := range []float64{0.5, 2.7, 7, 15} {
			if v := a.Part.Value(at); math.Abs(v) > 0.5 {
				t.Errorf("at %g s, in a pause, the jaw is open by %.2f deg", at, v)
			}
		}
		for _, at := range []float64{1.2, 3.3, 3.9, 4.9, 5.6} {
			if v := a.Part.Value(at); v < 3 {
				t.Errorf("at %g s, in a word, the jaw is open by %.2f deg only", at, v)
			}
		}
	}
}

func TestShow(t *testing.T) {
	doc, err := sequence.Load(open, "keeper.show.yaml")
	if err != nil {
		t.Fatal(err)
	}
	show, ok := doc.(*sequence.Show)
	if !ok {
		t.Fatalf("keeper.show.yaml was read as a %T", doc)
	}
	if show.Start == nil || show.Start.File != "idle.motion.yaml" {
		t.Error("the show does not start with idle")
	}
	for _, m := range show.Motions {
		p, err := interp.Compile(m.Script)
		if err != nil {
			t.Fatal(err)
		}
		if got := errorsOf(findings(p)); len(got) > 0 {
			t.Errorf("motion %s of the show has errors: %q", m.Name, got)
		}
		// Motions that follow one another in any order begin and end at rest, so
		// that the way between them is short.
		for _, a := range p.Axes {
			for _, at := range []float64{0, p.Length} {
				if d := math.Abs(a.Part.Value(at) - a.Spec.Rest.V); d > 1e-9 {
					t.Errorf("motion %s: %s is %g %s from rest at %g s", m.Name, a.Spec.Name, d, a.Spec.Unit, at)
				}
			}
		}
	}
}

// TestPicture checks that every axis that moves something is in the picture.
func TestPicture(t *testing.T) {
	rig, err := sequence.LoadRig(open, "keeper.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	drawn := map[*sequence.Axis]bool{}
	for _, j := range rig.Joints {
		if j.Turns != nil {
			drawn[j.Turns.Axis] = true
		}
	}
	for _, a := range rig.Axes {
		if a.Kind != sequence.Dimmer && a.Kind != sequence.Switch && !drawn[a] {
			t.Errorf("no joint shows %s", a.Name)
		}
	}
}

// TestWiringTable checks that README.md has a row for every output and input of
// the rig, and none besides.
func TestWiringTable(t *testing.T) {
	rig, err := sequence.LoadRig(open, "keeper.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, a := range rig.Axes {
		want = append(want, fmt.Sprintf("%s %g %s %s", a.Board.Name, a.Channel.V, a.Name, a.Supply.Name))
	}
	for _, b := range rig.Boards {
		for _, in := range b.Inputs {
			want = append(want, fmt.Sprintf("%s input %d - -", b.Name, in.Number))
		}
	}
	want = append(want, fmt.Sprintf("%s %g sound trigger -", rig.Sound.Board.Name, rig.Sound.Channel.V))
	text, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, line := range strings.Split(string(text), "\n") {
		cells := strings.Split(line, "|")
		if len(cells) != 7 {
			continue
		}
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		if cells[1] == "main" || cells[1] == "shore" {
			got = append(got, strings.Join(cells[1:5], " "))
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("the wiring table has\n%s\nand the rig\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
