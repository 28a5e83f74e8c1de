package sequence

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

type timecodeRow struct {
	index  int64
	labels map[string]string // by rate
	second float64
}

func timecodeRows(t *testing.T) []timecodeRow {
	t.Helper()
	text, err := os.ReadFile("testdata/smpte_dropframe.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil || len(records) < 40 {
		t.Fatalf("%d rows: %v", len(records), err)
	}
	var rows []timecodeRow
	for _, rec := range records[1:] {
		index, err1 := strconv.ParseInt(rec[0], 10, 64)
		second, err2 := strconv.ParseFloat(rec[6], 64)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		rows = append(rows, timecodeRow{index, map[string]string{"29.97": rec[1], "30": rec[2], "59.94": rec[3], "25": rec[4], "24": rec[5]}, second})
	}
	return rows
}

// framesPerDay is how often labels repeat, by rate: after 24 hours of labels.
var framesPerDay = map[string]int64{"29.97": 2589408, "59.94": 5178816, "30": 2592000, "25": 2160000, "24": 2073600}

func clockAt(t *testing.T, rate string) clock {
	t.Helper()
	v, err := strconv.ParseFloat(rate, 64)
	if err != nil {
		t.Fatal(err)
	}
	return clock{fps: newFPS(v)}
}

// SMPTE ST 12-1: label to frame number to seconds, at every rate of the table.
func TestTimecodeAgainstTheStandard(t *testing.T) {
	for _, row := range timecodeRows(t) {
		for rate, label := range row.labels {
			c := clockAt(t, rate)
			want := c.fps.Seconds(float64(row.index % framesPerDay[rate]))
			got, err := c.moment(label)
			if err != nil || got != want {
				t.Errorf("%s at %s is %v s (%v), not %v", label, rate, got, err, want)
			}
		}
		if s := newFPS(29.97).Seconds(float64(row.index)); math.Abs(s-row.second) > 0.5e-6 {
			t.Errorf("frame %d is at %v s, not %v", row.index, s, row.second)
		}
	}
}

// labelOf writes the label of a frame by counting, as the standard describes it:
// numbers are left out at the start of each minute but every tenth.
func labelOf(frame, nominal, skip int64) string {
	var h, m, s, f int64
	perTen := 600*nominal - 9*skip
	tens, rest := frame/perTen, frame%perTen
	m = tens * 10
	for first := true; ; first = false {
		in := 60*nominal - skip
		if first {
			in = 60 * nominal
		}
		if rest < in {
			if !first {
				rest += skip
			}
			break
		}
		rest -= in
		m++
	}
	h, m = m/60, m%60
	s, f = rest/nominal, rest%nominal
	return fmt.Sprintf("%02d:%02d:%02d;%02d", h, m, s, f)
}

// Every label of the first 21 minutes and of the last minute of a day, there and back.
func TestDropFrameBothWays(t *testing.T) {
	for _, c := range []struct {
		rate          string
		nominal, skip int64
	}{{"29.97", 30, 2}, {"59.94", 60, 4}} {
		for _, row := range timecodeRows(t) {
			if got := labelOf(row.index%framesPerDay[c.rate], c.nominal, c.skip); got != row.labels[c.rate] {
				t.Errorf("frame %d at %s is labelled %s, not %s", row.index, c.rate, got, row.labels[c.rate])
			}
		}
		clk := clockAt(t, c.rate)
		day := framesPerDay[c.rate]
		check := func(frame int64) {
			label := labelOf(frame, c.nominal, c.skip)
			if got, err := clk.moment(label); err != nil || got != clk.fps.Seconds(float64(frame)) {
				t.Fatalf("%s at %s is %v s (%v), not frame %d", label, c.rate, got, err, frame)
			}
		}
		for frame := int64(0); frame < 21*60*c.nominal; frame++ {
			check(frame)
		}
		for frame := day - 60*c.nominal; frame < day; frame++ {
			check(frame)
		}
	}
}

func TestLabelsThatDoNotExist(t *testing.T) {
	for _, c := range []struct{ rate, label, say string }{
		{"29.97", "00:01:00;00", "begins at frame 02"}, {"29.97", "00:01:00;01", "begins at frame 02"}, {"29.97", "00:09:00;00", "begins at frame 02"},
		{"59.94", "00:01:00;03", "begins at frame 04"}, {"29.97", "00:00:00;30", "frames to 29"}, {"24", "00:00:00:24", "frames to 23"},
		{"24", "00:00:60:00", "seconds go to 59"}, {"24", "00:60:00:00", "minutes and seconds"}, {"30", "00:00:01;00", "29.97 and 59.94 only"},
		{"24", "00:00:01;00", "29.97 and 59.94 only"}, {"23.976", "00:00:01;00", "29.97 and 59.94 only"}, {"12.5", "00:00:01:00", "whole number of frames"},
		{"24", "00:00:01", "hours:minutes:seconds:frames"}, {"24", "0:0:1:1:1", "hours:minutes:seconds:frames"}, {"24", "aa:00:01:00", "hours:minutes"},
		{"29.97", "00;00:01:00", "semicolon before the frames"}, {"24", "-0:00:01:00", "hours:minutes"}, {"24", "00:00:01:0000", "hours:minutes"},
	} {
		clk := clockAt(t, c.rate)
		got, err := clk.moment(c.label)
		if err == nil {
			t.Errorf("%s at %s is read as %v s", c.label, c.rate, got)
		} else if !strings.Contains(err.text+"; "+err.hint, c.say) {
			t.Errorf("%s at %s gives %q; %q", c.label, c.rate, err.text, err.hint)
		}
	}
	// Each tenth minute has all its numbers.
	clk := clockAt(t, "29.97")
	for _, label := range []string{"00:00:00;00", "00:10:00;00", "01:00:00;01", "00:10:00;01"} {
		if _, err := clk.moment(label); err != nil {
			t.Errorf("%s: %s", label, err.text)
		}
	}
}

// Film rates are exact fractions: 30000/1001 and not 29.97 (SMPTE ST 12-1).
func TestRates(t *testing.T) {
	for written, want := range map[float64]FPS{
		23.976: {24000, 1001, 24}, 23.98: {24000, 1001, 24}, 29.97: {30000, 1001, 30}, 59.94: {60000, 1001, 60},
		24: {24, 1, 24}, 25: {25, 1, 25}, 12.5: {12500000, 1000000, 0}, 1000: {1000, 1, 1000},
	} {
		if got := newFPS(written); got != want {
			t.Errorf("%v frames a second is %v, not %v", written, got, want)
		}
	}
	if got := newFPS(29.97).Seconds(30000); got != 1001 {
		t.Errorf("30000 frames at 29.97 last %v s", got)
	}
}

func TestMoments(t *testing.T) {
	tempo := Tempo{}.append(0, 96).append(6, 120).append(10, 60)
	c := clock{fps: newFPS(24), tempo: tempo, marks: map[string]float64{"boat": 3.2, "bell": 5.5, "act-two": 7, "act": 100, "act-two-end": 9, "m": 1}}
	for text, want := range map[string]float64{
		"1.2s": 1.2, "1.2": 1.2, "1200ms": 1.2, "2min": 120, "1h": 3600, "36f": 1.5, "0.5f": 0.5 / 24, "00:00:01:12": 1.5, "0:0:0:6": 0.25,
		"boat": 3.2, " boat ": 3.2, "boat+6f": 3.45, "boat + 6f": 3.45, "bell-0.25s": 5.25, "bell-0.25": 5.25, "bell+500ms": 6,
		"act-two": 7, "act-two+1s": 8, "act-two-1s": 6, "act-two-end-1s": 8, "act+1s": 101, "m+1min": 61, "boat+00001s": 4.2,
		// Beats by hand: 96 a minute to 6 s is 9.6 beats; 120 a minute to 10 s is 8 more; then 60 a minute.
		"0b": 0, "9.6b": 6, "10.6b": 6.5, "17.6b": 10, "18.6b": 11, "1.6b": 1,
		"bell+1.8b":  6.5, // 0.5 s at 96 a minute is 0.8 beats, and one more at 120
		"act-two-2b": 6, "act-two-3.6b": 5,
	} {
		got, err := c.moment(text)
		if err != nil || math.Abs(got-want) > 1e-12 {
			t.Errorf("%q is %v s (%v), not %v", text, got, err, want)
		}
	}
	for text, say := range map[string]string{
		"baot": "did you mean the mark boat?", "baot+1s": "did you mean the mark boat?", "baot-1s": "did you mean the mark boat?", "boat+": "offset", "boat+x": "offset", "boat+1V": "offset",
		"soonst": "did you mean soonest?", "soonest": "keys of a track only", "soonest+1s": "keys of a track only", "1,5s": "decimal comma", "1V": "a time belongs", "1x": "a time takes", "": "neither a time",
		"boat+1,5s": "decimal comma",
	} {
		got, err := c.moment(text)
		if err == nil {
			t.Errorf("%q is read as %v s", text, got)
		} else if !strings.Contains(err.text+"; "+err.hint, say) {
			t.Errorf("%q gives %q; %q", text, err.text, err.hint)
		}
	}
	bare := clock{}
	for text, say := range map[string]string{"36f": "no fps", "3b": "no tempo", "00:00:01:12": "no fps"} {
		if _, err := bare.moment(text); err == nil || !strings.Contains(err.text, say) {
			t.Errorf("%q without a rate gives %v", text, err)
		}
	}
}

func TestMarksCountFromEachOtherInAnyOrder(t *testing.T) {
	s := mustLoadLines(t, "fps: 24\nlength: 9s\nmarks: {late: early+1s, early: middle-12f, middle: {at: 2s, locked: true}, act-two: late, then: act-two-0.5s}\ntracks: {arm: [[0s, 0], [then, 5]]}\n")
	want := map[string]float64{"late": 2.5, "early": 1.5, "middle": 2, "act-two": 2.5, "then": 2}
	for _, m := range s.Marks {
		if m.Time != want[m.Name] || m.Locked != (m.Name == "middle") {
			t.Errorf("the mark %s is at %v, locked %v", m.Name, m.Time, m.Locked)
		}
	}
	if len(s.Marks) != len(want) || s.Marks[0].Name != "late" {
		t.Errorf("the marks are %v", s.Marks)
	}
	if k := merged(t, s, "arm").Keys[1]; k.Time != 2 {
		t.Errorf("the key at a mark is at %v s", k.Time)
	}
}

// The trapezoidal profile by hand: 90 deg/s reached in 0.5 s over 22.5 deg, so
// 60 deg take 60/90 + 90/180 = 1.1667 s; 10 deg never reach the speed: 2 sqrt(10/180).
func TestSoonest(t *testing.T) {
	s := mustLoadLines(t, "tracks: {arm: [[1s, 0], [soonest, 60], [soonest+0.5s, 50], [9s, 0]]}\n")
	k := merged(t, s, "arm").Keys
	first, second := 60.0/90+90.0/180, 2*math.Sqrt(10.0/180)
	if !within(k[1].Time, 1+first, 1e-14) || k[1].Arrive != k[1].Time || !k[1].Soonest {
		t.Errorf("the first key arrives at %v, not %v", k[1].Time, 1+first)
	}
	if !within(k[2].Arrive, 1+first+second, 1e-14) || !within(k[2].Time, 1.5+first+second, 1e-14) {
		t.Errorf("the second key arrives at %v and stays to %v", k[2].Arrive, k[2].Time)
	}
}

func TestFormatSeconds(t *testing.T) {
	for v, want := range map[float64]string{0: "0 s", 1.5: "1.5 s", 1.23456: "1.235 s", 172800: "172800 s"} {
		if got := FormatSeconds(v); got != want {
			t.Errorf("%v is written %q", v, got)
		}
	}
}
