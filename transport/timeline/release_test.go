package timeline

import (
	"fmt"
	"hash/crc32"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"limberjack/sequence"
)

// freed is the keeper's motion with a pan, a wheel and a winch that are let go.
func freed(length float64, loop bool, spans ...[2]float64) *plan {
	p := keeper(length, loop)
	for i := range p.sources {
		if name := p.sources[i].axis.Name; name == "head-pan" || name == "wheel" || name == "winch" {
			p.sources[i].free = spans
		}
	}
	return p
}

// A window holds the frames from the first at or after its start to the last
// before its end.
func TestReleaseEdges(t *testing.T) {
	for _, c := range []struct {
		spans  [][2]float64
		rate   float64
		frames int64
		want   []Release
	}{
		{nil, 50, 100, nil},
		{[][2]float64{{0.5, 1}}, 50, 100, []Release{{25, 49}}},
		{[][2]float64{{0.5001, 1.0001}}, 50, 100, []Release{{26, 50}}},
		{[][2]float64{{0.4999, 0.9999}}, 50, 100, []Release{{25, 49}}},
		{[][2]float64{{0.501, 0.519}}, 50, 100, nil}, // between two frames
		{[][2]float64{{0, 0.02}}, 50, 100, []Release{{0, 0}}},
		{[][2]float64{{1.5, 9}}, 50, 100, []Release{{75, 99}}},
		{[][2]float64{{1, 1.5}, {0.5, 1}}, 50, 100, []Release{{25, 74}}},
		{[][2]float64{{0.5, 1.2}, {0.6, 1}, {1.5, 1.6}}, 50, 100, []Release{{25, 59}, {75, 79}}},
		{[][2]float64{{0.1 + 0.2, 0.7}}, 10, 20, []Release{{3, 6}}}, // 0.30000000000000004 s is frame 3
	} {
		got := releases(c.spans, c.rate, c.frames)
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%v at %v Hz: %v, want %v", c.spans, c.rate, got, c.want)
		}
	}
}

// In its released frames, and nowhere else, a servo has no pulse and a motor no
// duty; every other value is as without the windows.
func TestReleasedValues(t *testing.T) {
	spans := [][2]float64{{0.31, 0.7}, {1.2, 1.21}}
	for _, loop := range []bool{false, true} {
		held, free := keeper(2, loop).must(t), freed(2, loop, spans...).must(t)
		for b := range held {
			want, got := all(held[b]), all(free[b])
			for k := range want {
				for i, c := range free[b].Channels {
					at, v := free[b].Time(int64(k)), want[k][i]
					in := at >= spans[0][0] && at < spans[0][1] || at >= spans[1][0] && at < spans[1][1]
					if name := c.Axis.Name; in && (name == "head-pan" || name == "wheel" || name == "winch") {
						v = 0
					}
					if got[k][i] != v {
						t.Fatalf("%s frame %d: %d, want %d", c.Axis.Name, k, got[k][i], v)
					}
				}
			}
		}
	}
}

// From documents: under a pace the windows are where performance time has them;
// a stepper that is named goes on.
func TestBuildReleases(t *testing.T) {
	files := map[string]string{"tower.rig.yaml": towerRig, "tower.motion.yaml": towerMotion +
		"quiet: [{from: 1s, to: 2.5s, speed: 600deg/s, release: [hand, beacon]}, {from: 3s, to: 3.5s, speed: 600deg/s}]\n" +
		"pace: [[0s, 0s, 0], [2s, 1s, 1], [4s, 2.5s, 0.5], [7s, 4s, 0.5]]\n"}
	p := compile(t, files, "tower.motion.yaml")
	tls, err := Build(p)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := tls[0].Channels[2].Released, []Release{{100, 199}}; !reflect.DeepEqual(got, want) {
		t.Errorf("hand: %v, want %v", got, want)
	}
	if got := tls[0].Channels[0].Released; got != nil {
		t.Errorf("the stepper is released in %v", got)
	}
	steps := 0
	for k, row := range all(tls[0]) {
		if in := k >= 100 && k <= 199; in != (row[2] == 0) {
			t.Errorf("frame %d: %d ticks", k, row[2])
		}
		steps += row[0]
	}
	if steps != 3200 { // one turn, as without a window
		t.Errorf("the stepper makes %d microsteps", steps)
	}
}

// A value that does not fit its channel does no harm where it is not sent.
func TestNoLimitWhileReleased(t *testing.T) {
	jump := func(at float64) float64 {
		if at >= 0.4 && at < 0.6 {
			return 5000
		}
		return 0
	}
	p := single(&sequence.Axis{Kind: sequence.Servo, Unit: "deg", Pulse: points(-90, 600, 90, 2400)}, 50, 0.5, 1, jump)
	if _, err := p.build(); err == nil {
		t.Fatal("5000 deg pass")
	}
	p.sources[0].free = [][2]float64{{0.4, 0.6}}
	p.must(t)
}

func TestReleasedFiles(t *testing.T) {
	for _, loop := range []bool{false, true} {
		tls := freed(2, loop, [2]float64{0, 0.1}, [2]float64{0.5, 1}, [2]float64{1.9, 5}).must(t)
		for _, form := range Forms() {
			for i, text := range files(t, form, tls) {
				group := tls
				if form.OneBoard() {
					group = tls[i : i+1]
				}
				sum, err := Verify(strings.NewReader(text))
				if err != nil {
					t.Fatalf("%v: %v", form, err)
				}
				if got, want := sum.Heads[0].Channels[0].Released, group[0].Channels[0].Released; !reflect.DeepEqual(got, want) || len(want) != 3 {
					t.Errorf("%v: %v, want %v", form, got, want)
				}
				if err := Compare(strings.NewReader(text), group...); err != nil {
					t.Errorf("%v: %v", form, err)
				}
				if form != VCD {
					readsBack(t, text, group[0])
				}
				if form != JSON && !strings.Contains(text, releaseNote) {
					t.Errorf("%v does not say what 0 means", form)
				}
			}
		}
	}
	for _, form := range Forms() {
		golden(t, "release-keeper"+form.Ext(), files(t, form, freed(0.4, false, [2]float64{0.1, 0.24}).must(t))[0])
	}
}

var sumLine = regexp.MustCompile(`(crc32"?:? "?)[0-9a-f]{8}`)

// forged puts the right CRC-32 to a file that was changed: that of all above the
// closing line, which in JSON is the last but one.
func forged(form Form, text string) string {
	lines := strings.SplitAfter(strings.TrimSuffix(text, "\n"), "\n")
	last := len(lines) - 1
	if form == JSON {
		last--
	}
	above := strings.Join(lines[:last], "")
	sum := crc32.ChecksumIEEE([]byte(above))
	return above + sumLine.ReplaceAllString(strings.Join(lines[last:], ""), fmt.Sprintf("${1}%08x", sum)) + "\n"
}

// A missing pulse where the head has no release, and an effort where it has one,
// are found, also under a CRC-32 that is right.
func TestVerifyFindsStrayPulses(t *testing.T) {
	tls := freed(2, false, [2]float64{0.5, 1}).must(t)
	for _, form := range Forms() {
		text, first, last := files(t, form, tls)[0], "25-49", "-"
		if form == JSON {
			first, last = "[25,49]", ","
		}
		if forged(form, text) != text {
			t.Fatalf("%v: the closing line is not as the test makes it", form)
		}
		for _, c := range []struct{ to, want string }{
			{strings.Replace(first, "49", "48", 1), "head-pan has no pulse in frame 49"},
			{strings.Replace(first, "25", "26", 1), "head-pan has no pulse in frame 25"},
			{strings.Replace(first, "49", "50", 1), "head-pan is released in frame 50"},
			{strings.Replace(first, "25"+last, "24"+last, 1), "head-pan is released in frame 24"},
			{strings.Replace(first, "49", "400", 1), "cannot be released"},
			{strings.Replace(first, "25", "60", 1), "cannot be released"},
		} {
			_, err := Verify(strings.NewReader(forged(form, strings.Replace(text, first, c.to, 1))))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v with %s: %v, want %q", form, c.to, err, c.want)
			}
		}
	}
	winch := strings.Replace(files(t, CSV, tls)[0], "rest 0, released 25-49", "rest 0, released 24-49", 1)
	if _, err := Verify(strings.NewReader(forged(CSV, winch))); err == nil || !strings.Contains(err.Error(), "winch is released in frame 24") {
		t.Errorf("a motor that runs where it is released: %v", err)
	}
}

// An independent reader of the dump sees every pulse outside the window and none
// in it, and the frames of the other servo whole.
func TestSigrokRelease(t *testing.T) {
	tool(t, "sigrok-cli")
	tls := freed(2, false, [2]float64{0.5, 1}).must(t)
	path := dumpFile(t, tls)
	found, rows := pulses(t, path, "head_pan"), all(tls[0])
	if want := len(rows) - 25; len(found) != want {
		t.Errorf("%d pulses, want %d", len(found), want)
	}
	for k, row := range rows {
		got, ok := found[10000+200000*uint64(k)]
		want := uint64(row[0]) * 5
		if in := k >= 25 && k < 50; ok == in || !in && got != want {
			t.Errorf("frame %d: a pulse %v of %d, want %d", k, ok, got, want)
		}
	}
	if jaw := pulses(t, path, "jaw"); len(jaw) != len(rows) {
		t.Errorf("the jaw has %d pulses of %d", len(jaw), len(rows))
	}
}
