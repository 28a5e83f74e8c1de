package check

import (
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/sequence"
)

// dayOf gives the report of a show of motions that last 1, 2, 3 … s and go 10 deg and back.
func dayOf(t *testing.T, head, motions string) (*sequence.Show, *Report) {
	t.Helper()
	files := fstest.MapFS{
		"test.rig.yaml": {Data: []byte(strings.Replace(testRig, "baud: 9600}", "baud: 9600, inputs: {1: {active: high}, 2: {active: high}}}", 1))},
		"s.show.yaml":   {Data: []byte("show: s\nformat: 1\nrig: test.rig.yaml\n" + head + "motions:\n" + motions + "hours: {from: 10h, to: 20h}\n")},
	}
	for i := 1; i <= 4; i++ {
		files[fmt.Sprintf("m%d.yaml", i)] = &fstest.MapFile{Data: fmt.Appendf(nil, "motion: m\nformat: 1\nrig: test.rig.yaml\ntracks: {pan: [[0s, 0], [%gs, 10], [%ds, 0]]}\n", float64(i)/2, i)}
	}
	doc, err := sequence.Load(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "s.show.yaml")
	if err != nil {
		t.Fatal(err)
	}
	show := doc.(*sequence.Show)
	return show, RunShow(show, reportsOf(t, show))
}

func reportsOf(t *testing.T, show *sequence.Show) (reports []*Report) {
	t.Helper()
	for _, m := range show.Motions {
		p, err := interp.Compile(m.Script)
		if err != nil {
			t.Fatal(err)
		}
		reports = append(reports, Run(p, nil, nil))
	}
	return reports
}

// TestPlaysADay: ten hours are 36000 s. The figures are worked out by hand from the rules of
// the card (FORMAT.md, "Triggers"): an interval counts from the end of its motion, what is
// interrupted does not come back, a loop ends only for what waits, and what comes after a
// motion plays as often as that ends.
func TestPlaysADay(t *testing.T) {
	const day = 36000.0
	for _, c := range []struct {
		name, start, motions string
		want                 []float64
	}{
		{"a loop", "start: {play: a}\n", "  a: {file: m4.yaml, loop: true}\n", []float64{9000}},
		{"once", "start: {play: a}\n", "  a: {file: m4.yaml}\n", []float64{1}},
		// 58 s in the mean, then 2 s, over and over.
		{"an interval", "", "  a: {file: m2.yaml, every: [48s, 68s]}\n", []float64{600}},
		// a for 1 s, b after it for 2 s, then 7 s of a's interval from a's end: a every 8 s.
		{"a follower", "start: {play: a}\n", "  a: {file: m1.yaml, every: [7s, 7s]}\n  b: {file: m2.yaml, after: a}\n", []float64{4500, 4500}},
		// Three that follow each other, once.
		{"a chain", "start: {play: a}\n", "  a: {file: m1.yaml}\n  b: {file: m2.yaml, after: a}\n  c: {file: m3.yaml, after: b}\n", []float64{1, 1, 1}},
		// 1 s once, then a ring of 2 + 3 + 4 s for 35999 s: 3999 rounds are 35991 s, and of the last
		// 8 s b and c have 2 and 3, d 3 of its 4.
		{"a ring", "start: {play: a}\n", "  a: {file: m1.yaml}\n  b: {file: m2.yaml, after: [a, d]}\n  c: {file: m3.yaml, after: b}\n  d: {file: m4.yaml, after: c}\n", []float64{1, 4000, 4000, 3999.75}},
		// A loop has no end to come after, and drops.
		{"after a loop", "start: {play: a}\n", "  a: {file: m4.yaml, loop: true}\n  b: {file: m1.yaml, every: [9s, 11s]}\n", []float64{9000, 0}},
		// It lets in what waits: at 10 s b asks, at 12 s it plays, and a does not come back; then b
		// alone, 1 s and 10 s: 35988 s are 3271 rounds of 11 s and 7 s, in which it plays once more.
		{"waits for a loop", "start: {play: a}\n", "  a: {file: m4.yaml, loop: true}\n  b: {file: m1.yaml, every: [9s, 11s], while_busy: wait}\n", []float64{3, 3272}},
		// With a after b it does come back: a from 0 to 12, b to 13; b's interval passes at 23, a
		// ends a round at 25: rounds of 13 s of three a and one b; 36000 = 2769 x 13 + 3.
		{"comes back", "start: {play: a}\n", "  a: {file: m4.yaml, loop: true, after: b}\n  b: {file: m1.yaml, every: [9s, 11s], while_busy: wait}\n", []float64{3*2769 + 0.75, 2769}},
		// Interrupted: a from 0 to 10 s, b to 11, a to 21: rounds of 11 s; 36000 = 3272 x 11 + 8.
		{"interrupts", "start: {play: a}\n", "  a: {file: m4.yaml, loop: true, after: b}\n  b: {file: m1.yaml, every: [9s, 11s], while_busy: interrupt}\n", []float64{3272*2.5 + 2, 3272}},
		// Of two that follow the first of the show plays, the other where it waits.
		{"two followers, one waits", "start: {play: a}\n", "  a: {file: m1.yaml}\n  b: {file: m2.yaml, after: a}\n  c: {file: m3.yaml, after: a, while_busy: wait}\n", []float64{1, 1, 1}},
		{"inputs are not foreseen", "", "  a: {file: m1.yaml, trigger: {input: 1}}\n  b: {file: m2.yaml, after: a}\n", []float64{0, 0}},
	} {
		t.Run(c.name, func(t *testing.T) {
			show, _ := dayOf(t, c.start, c.motions)
			got := playsADay(show, reportsOf(t, show), day)
			for i := range c.want {
				if math.Abs(got[i]-c.want[i]) > 1e-6 {
					t.Errorf("%s plays %v times, and by hand %v", show.Motions[i].Name, got[i], c.want[i])
				}
			}
		})
	}
}

// TestShowForecastsADay: 9000 rounds of a loop that goes 20 deg and turns once, and what
// inputs start is told and not counted.
func TestShowForecastsADay(t *testing.T) {
	_, r := dayOf(t, "start: {play: a}\n", "  a: {file: m4.yaml, loop: true, after: c}\n  b: {file: m1.yaml, trigger: {input: 1}, while_busy: interrupt}\n  c: {file: m2.yaml, after: b}\n")
	list := r.found("wear", "pan")
	if len(list) != 1 || math.Abs(list[0].Value-9000*20) > 1e-6 {
		t.Fatalf("%+v", list)
	}
	if want := "in a day of 10 h, pan travels 180000 deg and turns round 9000 times"; list[0].Message != want {
		t.Errorf("%q, want %q", list[0].Message, want)
	}
	var told []string
	for _, f := range r.found("wear-triggered", "") {
		told = append(told, f.Message)
	}
	want := "how often b plays is up to its trigger; it is not counted in the wear of a day\nhow often c plays is up to the trigger of what it comes after; it is not counted in the wear of a day"
	if got := strings.Join(told, "\n"); got != want {
		t.Errorf("%s", got)
	}
}

// TestSameEdge: motions on one edge that are all dropped while another plays.
func TestSameEdge(t *testing.T) {
	for _, c := range []struct{ name, motions, want string }{
		{"three that drop", "  a: {file: m1.yaml, trigger: {input: 1}}\n  b: {file: m2.yaml, trigger: {input: 1}}\n  c: {file: m2.yaml, trigger: {input: 1}}\n",
			"input 1 starts a, and by the same edge never b, c: the board is busy with a then, and drops what comes second"},
		{"two edges", "  a: {file: m1.yaml, trigger: {input: 1}}\n  b: {file: m2.yaml, trigger: {input: 1, edge: falling}}\n", ""},
		{"two inputs", "  a: {file: m1.yaml, trigger: {input: 1}}\n  b: {file: m2.yaml, trigger: {input: 2}}\n", ""},
		{"the second waits", "  a: {file: m1.yaml, trigger: {input: 1}}\n  b: {file: m2.yaml, trigger: {input: 1}, while_busy: wait}\n", ""},
		{"the second interrupts", "  a: {file: m1.yaml, trigger: {input: 1}}\n  b: {file: m2.yaml, trigger: {input: 1}, while_busy: interrupt}\n", ""},
		{"the first one's lockout is longer than it", "  a: {file: m1.yaml, trigger: {input: 1, lockout: 5s}}\n  b: {file: m2.yaml, trigger: {input: 1}}\n", ""},
		{"the first one's lockout is over before it", "  a: {file: m2.yaml, trigger: {input: 1, lockout: 1s}}\n  b: {file: m2.yaml, trigger: {input: 1}}\n", "input 1 starts a, and by the same edge never b: "},
		{"the first one's warm-up is longer", "  a: {file: m1.yaml, trigger: {input: 1, warm_up: 60s}}\n  b: {file: m2.yaml, trigger: {input: 1}}\n", ""},
	} {
		_, r := dayOf(t, "", c.motions)
		list := r.found("same-edge", "")
		if (len(list) > 0) != (c.want != "") || len(list) > 1 || c.want != "" && (!strings.HasPrefix(list[0].Message, c.want) || list[0].Level != Note) {
			t.Errorf("%s: %+v", c.name, list)
		}
	}
}

// TestLongDays: a show with so many starts that they are not all counted is forecast from
// what was: a loop of 20 ms is as exact as that.
func TestLongDays(t *testing.T) {
	d := &sequence.ShowMotion{Name: "a", Loop: true}
	s := &sequence.Show{Start: d, Motions: []*sequence.ShowMotion{d}}
	if got := playsADay(s, []*Report{{Duration: 0.02}}, 86400); math.Abs(got[0]-86400/0.02) > 1 {
		t.Errorf("%v", got)
	}
	if got := playsADay(s, []*Report{nil}, 86400); got[0] != 0 {
		t.Errorf("without a report %v", got)
	}
}
