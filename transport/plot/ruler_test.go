package plot

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"limberjack/sequence"
)

// The labels of frames, against a table of SMPTE ST 12-1 counting that says at
// its head how it was made.
func TestFrameLabels(t *testing.T) {
	f, err := os.Open("testdata/dropframe.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rates := map[int]sequence.FPS{1: {Num: 30000, Den: 1001, Nominal: 30}, 2: {Num: 30, Den: 1, Nominal: 30},
		3: {Num: 60000, Den: 1001, Nominal: 60}, 4: {Num: 25, Den: 1, Nominal: 25}, 5: {Num: 24, Den: 1, Nominal: 24}}
	checked := 0
	for _, row := range rows[1:] {
		frame, err := strconv.ParseInt(row[0], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		for column, fps := range rates {
			if row[column] == "" {
				continue
			}
			checked++
			if got := frameText(frame, fps); got != row[column] {
				t.Errorf("frame %d at %g fps is labelled %s, the table has %s", frame, fps.Rate(), got, row[column])
			}
		}
	}
	if checked < 100 {
		t.Errorf("the table gave only %d labels to compare", checked)
	}
}

// Every frame label must read back to its frame.
func TestFrameLabelsReadBack(t *testing.T) {
	for _, fps := range []sequence.FPS{{Num: 30000, Den: 1001, Nominal: 30}, {Num: 60000, Den: 1001, Nominal: 60}, {Num: 24000, Den: 1001, Nominal: 24}, {Num: 25, Den: 1, Nominal: 25}} {
		for frame := int64(0); frame < 90000; frame += 7 {
			s := frameText(frame, fps)
			var n [4]int64
			for i := range n {
				n[i], _ = strconv.ParseInt(s[3*i:3*i+2], 10, 64)
			}
			if got, err := fps.Frames(n[0], n[1], n[2], n[3], s[8] == ';'); err != nil || got != frame {
				t.Fatalf("%s at %g fps reads back as %d, %v; it is frame %d", s, fps.Rate(), got, err, frame)
			}
		}
	}
}

func TestClockText(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 0.5: "0.5", 59.95: "59.95", 60: "1:00", 90.25: "1:30.25", 3600: "1:00:00", 7325: "2:02:05", 59.9999: "1:00"} {
		if got := clockText(v); got != want {
			t.Errorf("%g s is written %s, want %s", v, got, want)
		}
	}
}

func TestRulerTicks(t *testing.T) {
	p := made(t, 1, 0, "fps: 24\ntempo: [{at: 0s, bpm: 60}, {at: 4s, bpm: 120}]\nlength: 10s\ntracks: {axis-00: [[0s, 0], [1s, 5]]}\n")
	d := &drawing{Sheet: Sheet{Performance: p}, w: 842, h: 595}
	s := d.systemOf(0, 10, 10, true)
	if len(s.rulers) != 3 {
		t.Fatalf("%d rulers, want seconds, frames and beats", len(s.rulers))
	}
	find := func(r ruler, text string) float64 {
		for _, k := range r.ticks {
			if k.text == text {
				return k.at
			}
		}
		return math.NaN()
	}
	if at := find(s.rulers[1], "00:00:06:00"); at != 6 {
		t.Errorf("timecode 00:00:06:00 stands at %g s", at)
	}
	// Four beats in the first four seconds at 60 a minute, then two a second.
	if at := find(s.rulers[2], "8b"); math.Abs(at-6) > 1e-9 {
		t.Errorf("beat 8 stands at %g s, want 6", at)
	}
	for _, r := range s.rulers {
		for i := 1; i < len(r.ticks); i++ {
			if r.ticks[i].at <= r.ticks[i-1].at {
				t.Errorf("%s: ticks out of order at %g s", r.name, r.ticks[i].at)
			}
		}
		if last := r.ticks[len(r.ticks)-1].at; last > 10+1e-9 {
			t.Errorf("%s: a tick at %g s lies beyond the end", r.name, last)
		}
	}
}

func TestStretch(t *testing.T) {
	for _, c := range []struct {
		length float64
		most   int
		want   float64
	}{{61, 240, 35}, {70, 240, 35}, {119, 240, 60}, {121, 240, 45}, {600, 240, 60}, {600, 4, 150}, {48 * 3600, 240, 720}} {
		if got := stretch(c.length, c.most); got != c.want {
			t.Errorf("%g s in at most %d systems: %g s each, want %g", c.length, c.most, got, c.want)
		}
		if got := stretch(c.length, c.most); got*float64(c.most) < c.length {
			t.Errorf("%g s do not fit into %d systems of %g s", c.length, c.most, got)
		}
	}
}
