package sequence

import (
	"math"
	"strings"
	"testing"
)

const draftRig = `rig: r
format: 1
boards: {main: {rate: 50Hz, tick: 0.5us, channels: 8}}
axes:
  a: {kind: servo, board: main, channel: 0, travel: [-90deg, 90deg], pulse: [[-90deg, 1000us], [90deg, 2000us]], limits: {speed: 100deg/s, acceleration: 1000deg/s2}}
  b: {kind: servo, board: main, channel: 1, travel: [-90deg, 90deg], pulse: [[-90deg, 1000us], [90deg, 2000us]], limits: {speed: 100deg/s, acceleration: 1000deg/s2}}
  horn: {kind: switch, board: main, channel: 2}
`

const draftMotion = "motion: m\r\nformat: 1\nrig: r.rig.yaml\nfps: 24\ntempo: 120\nlength: 20s # all of it\n" + `marks:
  boat: 2s   # é before
  bell: {at: "00:00:05:12", locked: true}
  later: boat + 12f
phrases:
  bow: {keys: {b: [[0s, 0], [0.5s, 30]]}}
tracks:
  a:
    - [0s, 0]
    - [500ms, 1]
    - [boat, 10deg, in]    # at the boat
    - {at: 'boat+2b', to: 20}
    - [bell-0.25s, 5]
    - {at: 144f, to: 0}
    - [soonest+0.2s, 10]
    - [ 20b , 0]
    - [0.2min, 3]
place:
  - {phrase: bow, at: later, times: 2}
  - phrase: bow
    at: 9s # nine
    stretch: 1.5
  - {pose: low, at: 12.5s}
poses: {low: {b: 0}}
layers:
  - {axis: b, add: {sine: {amount: 1, rate: 1Hz}}, from: 1s, to: bell}
quiet: [{from: 1s, to: boat, speed: 10deg/s}]
cues:
  - {at: bell, say: "00:00:05:12"}
  - {at: 3, set: {horn: on}}
`

// readDraft loads a motion and makes a draft of it.
func readDraft(t *testing.T, motion string) (*Script, *Draft) {
	t.Helper()
	s, err := LoadMotion(texts{"r.rig.yaml": draftRig, "m.motion.yaml": motion}.open, "m.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	d, err := NewDraft([]byte(motion), s)
	if err != nil {
		t.Fatal(err)
	}
	return s, d
}

func TestDraftThatMovesNothingIsTheText(t *testing.T) {
	_, d := readDraft(t, draftMotion)
	got, err := d.Rewrite(Moves{Time: func(_ Pos, t float64) float64 { return t }, Stretch: func(_ Pos, k float64) float64 { return k }})
	if err != nil || string(got) != draftMotion {
		t.Errorf("%v\n%s", err, got)
	}
}

// Every notation is kept: the same text with other figures.
func TestDraftKeepsNotations(t *testing.T) {
	_, d := readDraft(t, draftMotion)
	double := func(_ Pos, t float64) float64 { return 2 * t }
	got, err := d.Rewrite(Moves{Time: double, Stretch: func(_ Pos, k float64) float64 { return 2 * k }})
	if err != nil {
		t.Fatal(err)
	}
	want := draftMotion
	for _, change := range []string{
		"length: 20s>length: 40s", "boat: 2s >boat: 4s ", `"00:00:05:12", l>"00:00:11:00", l`, "boat + 12f>boat + 24f", "[500ms>[1000ms",
		"'boat+2b'>'boat+4b'", "bell-0.25s>bell-0.5s", "144f>288f", "[ 20b >[ 40b ", "0.2min>0.4min", "times: 2}>times: 2}",
		"bow, at: later>bow, stretch: 2, at: later", "stretch: 1.5>stretch: 3", "at: 9s>at: 18s", "at: 12.5s>at: 25s", "from: 1s, to: bell>from: 2s, to: bell",
		"from: 1s, to: boat>from: 2s, to: boat", "{at: 3, set>{at: 6, set",
	} {
		from, to, _ := strings.Cut(change, ">")
		if strings.Count(want, from) != 1 {
			t.Fatalf("%q stands %d times", from, strings.Count(want, from))
		}
		want = strings.Replace(want, from, to, 1)
	}
	if string(got) != want {
		t.Errorf("got\n%s\nand not\n%s", got, want)
	}
	after, err := LoadMotion(texts{"r.rig.yaml": draftRig, "m.motion.yaml": string(got)}.open, "m.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for i, k := range after.Tracks[0].Keys {
		if before := d.script.Tracks[0].Keys[i]; !k.Soonest && math.Abs(k.Time-2*before.Time) > 1e-9 {
			t.Errorf("key %d is at %v and not %v", i, k.Time, 2*before.Time)
		}
	}
}

// A move by place leaves all else alone, also what stood at the same time.
func TestDraftMovesOnePlace(t *testing.T) {
	s, d := readDraft(t, draftMotion)
	at := s.Tracks[0].Keys[2].TimeAt
	place := s.Places[1].At
	got, err := d.Rewrite(Moves{Time: func(p Pos, t float64) float64 {
		switch p {
		case at:
			return t + 0.3
		case place:
			return t - 0.125
		}
		return t
	}})
	want := strings.Replace(strings.Replace(draftMotion, "[boat, 10deg", "[boat+0.3s, 10deg", 1), "at: 9s", "at: 8.875s", 1)
	if err != nil || string(got) != want {
		t.Errorf("%v\n%s", err, got)
	}
}

// What a move is put off by is taken from its slack.
func TestDraftWritesSlack(t *testing.T) {
	text := "motion: m\nformat: 1\nrig: r.rig.yaml\nfps: 24\nphrases: {p: {keys: {b: [[0s, 0], [1s, 5]]}}}\ntracks:\n  a: [[0s, 0], {at: 24f, to: 5, slack: 12f}]\nplace: [{phrase: p, at: 2s, slack: 0.3s}]\n"
	s, d := readDraft(t, text)
	key, place := s.Tracks[0].Keys[1].TimeAt, s.Places[0].At
	got, err := d.Rewrite(Moves{Time: func(p Pos, t float64) float64 {
		if p == key || p == place {
			return t + 0.125
		}
		return t
	}, Slack: func(_ Pos, s float64) float64 { return s - 0.125 }})
	want := strings.NewReplacer("24f, to", "27f, to", "slack: 12f", "slack: 9f", "at: 2s, slack: 0.3s", "at: 2.125s, slack: 0.175s").Replace(text)
	if err != nil || string(got) != want {
		t.Errorf("%v\n%s", err, got)
	}
}

func TestDraftSteps(t *testing.T) {
	_, d := readDraft(t, draftMotion)
	for at, want := range map[float64]float64{0: plainStep, 2: plainStep, 5.5: 1.0 / 24, 6: 1.0 / 24, 12.5: plainStep} {
		if got := d.Step(at); got != want {
			t.Errorf("the step at %v s is %v and not %v", at, got, want)
		}
	}
}

// What an alias uses elsewhere cannot move alone, and says so.
func TestDraftRefusesSharedTimes(t *testing.T) {
	motion := "motion: m\nformat: 1\nrig: r.rig.yaml\nphrases: {p: {keys: {a: &k [[0s, 0], [1s, 5]]}}}\ntracks:\n  b: *k\n"
	s, err := LoadMotion(texts{"r.rig.yaml": draftRig, "m.motion.yaml": motion}.open, "m.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if _, err = NewDraft([]byte(motion), s); err == nil || !strings.Contains(err.Error(), "m.motion.yaml:4:") || !strings.Contains(err.Error(), "by an alias") {
		t.Errorf("the error is %v", err)
	}
}

// SMPTE ST 12-1: a label made from a frame count is that of the table.
func TestTimecodeLabelsAgainstTheStandard(t *testing.T) {
	seen := 0
	for _, row := range timecodeRows(t) {
		for rate, label := range row.labels {
			f := clockAt(t, rate).fps
			if row.index >= framesPerDay[rate] {
				continue
			}
			seen++
			if got := f.label(row.index, strings.Contains(label, ";")); got != label {
				t.Errorf("frame %d at %s is %s and not %s", row.index, rate, got, label)
			}
		}
	}
	if seen < 150 {
		t.Errorf("only %d labels", seen)
	}
}

func TestSlackIsRead(t *testing.T) {
	head := "motion: m\nformat: 1\nrig: r.rig.yaml\nfps: 24\n"
	s, err := LoadMotion(texts{"r.rig.yaml": draftRig, "m.motion.yaml": head + "phrases: {p: {keys: {b: [[0s, 0], [1s, 5]]}}}\ntracks:\n  a: [[0s, 0], {at: 1s, to: 5, slack: 12f}]\nplace: [{phrase: p, at: 2s, slack: 0.3s}]\n"}.open, "m.motion.yaml")
	if err != nil || s.Tracks[0].Keys[1].Slack != 0.5 || s.Places[0].Slack != 0.3 {
		t.Errorf("%v: %+v", err, s)
	}
	for text, want := range map[string]string{
		"tracks:\n  a: [{at: 0s, to: 0, slack: 1s}, [1s, 0]]\n":                          "m.motion.yaml:6:30: a key of track a: no move arrives at the first key, so that it has no slack",
		"tracks:\n  a: [[0s, 0], {at: 1s, to: 0, slack: 1s, locked: true}]\n":            "m.motion.yaml:6:39: a key of track a: what is locked keeps its time and has no slack",
		"phrases: {p: {keys: {a: [[0s, 0], {at: 1s, to: 0, slack: 1s}]}}}\nlength: 2s\n": "a key of a of phrase p: a key of a phrase has no slack of its own",
		"tracks:\n  a: [[0s, 0], {at: 1s, to: 0, slack: 1deg}]\n":                        "m.motion.yaml:6:39: slack of a key of track a: \"1deg\" is an angle",
		"poses: {p: {a: 1}}\nplace: [{pose: p, at: 1s, locked: true, slack: 1s}]\n":      "a placement: what is locked keeps its time and has no slack",
	} {
		_, err := LoadMotion(texts{"r.rig.yaml": draftRig, "m.motion.yaml": head + text}.open, "m.motion.yaml")
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q gives %v", text, err)
		}
	}
}

// FuzzDraft moves all times of a motion that loads. It is refused with an error, or
// reads back with every key of a track where it was sent.
func FuzzDraft(f *testing.F) {
	f.Add(draftMotion, 2.0)
	f.Add("motion: m\nformat: 1\nrig: r.rig.yaml\nfps: 29.97\nmarks: {a: \"00:01:00;02\", b: {at: a-3f}}\ntracks: {a: [[a, 1], ['b+1s', 2], [ 5min , 3]]}\n", 1.5)
	f.Add("motion: m\r\nformat: 1\r\nrig: r.rig.yaml\r\ntempo: [{at: 0s, bpm: 60}, {at: 2s, bpm: 90}]\r\ntracks:\r\n  a:\r\n  - {to: 1, at: 1b}\r\n  - at: 4b # four\r\n    to: 2\r\n", 1.25)
	f.Add("motion: m\nformat: 1\nrig: r.rig.yaml\ntracks: &t {a: &k [[0s, 1], [1s, 2]], b: *k}\n", 3.0)
	f.Fuzz(func(t *testing.T, motion string, by float64) {
		if !(by >= 1 && by <= 4) || len(motion) > 4000 {
			return
		}
		files := texts{"r.rig.yaml": draftRig, "m.motion.yaml": motion}
		s, err := LoadMotion(files.open, "m.motion.yaml")
		if err != nil || s.Rig == nil || len(s.Pace) > 0 || s.Length > 1e4 {
			return
		}
		d, err := NewDraft([]byte(motion), s)
		if err != nil {
			return
		}
		same, err := d.Rewrite(Moves{Time: func(_ Pos, t float64) float64 { return t }})
		if err != nil || string(same) != motion {
			t.Fatalf("moving nothing gives %v and\n%q\nof\n%q", err, same, motion)
		}
		out, err := d.Rewrite(Moves{Time: func(_ Pos, t float64) float64 {
			step := d.Step(t)
			return math.Ceil(t*by/step-1e-6) * step
		}, Stretch: func(_ Pos, k float64) float64 { return k * by }})
		if err != nil {
			return
		}
		after, err := Reread(s, out)
		if err != nil {
			return // a sane range is left, or a placement meets a key that was rounded up
		}
		for i, tr := range s.Tracks {
			for j, k := range tr.Keys {
				step := d.Step(k.Time)
				if want := math.Ceil(k.Time*by/step-1e-6) * step; !k.Soonest && math.Abs(after.Tracks[i].Keys[j].Time-want) > 1e-5 {
					t.Fatalf("a key at %v goes to %v and not to %v:\n%q\n%q", k.Time, after.Tracks[i].Keys[j].Time, want, motion, out)
				}
			}
		}
	})
}
