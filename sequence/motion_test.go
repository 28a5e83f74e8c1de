package sequence

import (
	"math"
	"strings"
	"testing"
)

type wantKey struct{ time, value float64 }

func checkKeys(t *testing.T, s *Script, name string, want ...wantKey) {
	t.Helper()
	got := merged(t, s, name).Keys
	ok := len(got) == len(want)
	for i := 0; ok && i < len(want); i++ {
		ok = math.Abs(got[i].Time-want[i].time) < 1e-12 && math.Abs(got[i].Value-want[i].value) < 1e-12
	}
	if !ok {
		t.Errorf("%s has the keys", name)
		for _, k := range got {
			t.Errorf("  %v s, %v", k.Time, k.Value)
		}
		t.Errorf("and not %v", want)
	}
}

const shake = "phrases:\n  shake: {keys: {left: [[0s, 10], [1s, 40, out], [2s, 10]]}}\n  long: {keys: {arm: [[0s, 0], [1s, 30]], winch: [[0s, 0], [2s, 50]]}}\n"

func TestPlacements(t *testing.T) {
	for _, c := range []struct {
		name, place string
		axis        string
		want        []wantKey
	}{
		{"plain", "{phrase: shake, at: 3s}", "left", []wantKey{{3, 10}, {4, 40}, {5, 10}}},
		// A repeat starts at the previous last key and drops its own first.
		{"repeated", "{phrase: shake, at: 3s, times: 3}", "left", []wantKey{{3, 10}, {4, 40}, {5, 10}, {6, 40}, {7, 10}, {8, 40}, {9, 10}}},
		{"stretched", "{phrase: shake, at: 3s, stretch: 1.5}", "left", []wantKey{{3, 10}, {4.5, 40}, {6, 10}}},
		{"stretched and repeated", "{phrase: shake, at: 0s, stretch: 0.5, times: 2}", "left", []wantKey{{0, 10}, {0.5, 40}, {1, 10}, {1.5, 40}, {2, 10}}},
		// About rest, which is 10: 10 + 0.5 x 30 = 25.
		{"scaled", "{phrase: shake, at: 3s, scale: 0.5}", "left", []wantKey{{3, 10}, {4, 25}, {5, 10}}},
		{"scaled by name", "{phrase: shake, at: 3s, scale: {left: -0.5}}", "left", []wantKey{{3, 10}, {4, -5}, {5, 10}}},
		// right rests at -10: -10 - 30 = -40.
		{"mirrored to the pair", "{phrase: shake, at: 3s, mirror: true}", "right", []wantKey{{3, -10}, {4, -40}, {5, -10}}},
		{"mirrored and scaled", "{phrase: shake, at: 3s, mirror: true, scale: 0.5}", "right", []wantKey{{3, -10}, {4, -25}, {5, -10}}},
		{"mirrored without a pair", "{phrase: long, at: 1s, mirror: true}", "arm", []wantKey{{1, 0}, {2, -30}}},
		// Tracks of a repeated phrase keep step with its longest.
		{"tracks of two lengths", "{phrase: long, at: 1s, times: 2}", "arm", []wantKey{{1, 0}, {2, 30}, {3, 0}, {4, 30}}},
	} {
		s := mustLoadLines(t, shake+"place:\n  - "+c.place+"\n")
		if merged := s.Merged; len(merged) == 0 {
			t.Errorf("%s: no tracks", c.name)
			continue
		}
		checkKeys(t, s, c.axis, c.want...)
		for _, tr := range s.Merged {
			for _, k := range tr.Keys {
				if k.Place != s.Places[0] {
					t.Errorf("%s: a key does not know its placement", c.name)
				}
			}
		}
	}
}

func TestPosesArePlaced(t *testing.T) {
	s := mustLoadLines(t, "poses: {up: {left: 50%, right: 0, lamp: 30%, nod: 5}}\nplace:\n  - {pose: up, at: 1s, ease: min-jerk, locked: true}\n  - {pose: up, at: 2s, mirror: true}\ntracks: {arm: [[0s, 0], [9s, 1]]}\n")
	checkKeys(t, s, "left", wantKey{1, 15}, wantKey{2, 0}) // 50 % of -30 to 60; then 10 - (0 - -10)
	checkKeys(t, s, "right", wantKey{1, 0}, wantKey{2, -15})
	checkKeys(t, s, "lamp", wantKey{1, 30}, wantKey{2, 30}) // light has no left and right
	checkKeys(t, s, "nod", wantKey{1, 5}, wantKey{2, -5})
	k := merged(t, s, "lamp").Keys
	if k[0].Ease.String() != "min-jerk" || !k[0].Locked || k[1].Ease.String() != "linear" || k[1].Locked {
		t.Errorf("the keys of the lamp are %+v", k)
	}
}

// Beats in a phrase count from where it is placed, at the tempo there.
func TestPhrasesInBeats(t *testing.T) {
	s := mustLoadLines(t, "tempo: [{at: 0s, bpm: 60}, {at: 4s, bpm: 120}]\nphrases: {nod: {keys: {arm: [[0b, 0], [2b, 20], [4b, 0]]}}}\nplace:\n  - {phrase: nod, at: 3s}\n  - {phrase: nod, at: 8s, stretch: 2}\n")
	checkKeys(t, s, "arm", wantKey{3, 0}, wantKey{4.5, 20}, wantKey{5.5, 0}, wantKey{8, 0}, wantKey{10, 20}, wantKey{12, 0})
}

func TestPlacementsKeepOrderWithTracks(t *testing.T) {
	s := mustLoadLines(t, shake+"tracks: {left: [[0s, 0], [2.9s, 5], [5.1s, 6]]}\nplace:\n  - {phrase: shake, at: 3s}\n")
	checkKeys(t, s, "left", wantKey{0, 0}, wantKey{2.9, 5}, wantKey{3, 10}, wantKey{4, 40}, wantKey{5, 10}, wantKey{5.1, 6})
	if s.Length != 5.1 || len(s.Tracks) != 1 || len(s.Tracks[0].Keys) != 3 {
		t.Errorf("length %v, tracks %v", s.Length, s.Tracks)
	}
}

// problemsAt lists line:column of each problem.
func problemPlaces(ps Problems) string {
	var out []string
	for _, p := range ps {
		out = append(out, strings.TrimPrefix(p.At.String(), p.At.File+":"))
	}
	return strings.Join(out, " ")
}

func TestOverlapsAreToldAtBothPlaces(t *testing.T) {
	for _, c := range []struct{ name, lines, want string }{
		{"a key inside", shake + "tracks:\n  left: [[0s, 0], [4.5s, 5]]\nplace:\n  - {phrase: shake, at: 3s}\n", "8:20 10:5"},
		{"a key on the first", shake + "tracks:\n  left: [[0s, 0], [3s, 5]]\nplace:\n  - {phrase: shake, at: 3s}\n", "8:20 10:5"},
		{"a key on the last", shake + "tracks:\n  left: [[0s, 0], [5s, 5]]\nplace:\n  - {phrase: shake, at: 3s}\n", "8:20 10:5"},
		{"two placements", shake + "place:\n  - {phrase: shake, at: 3s}\n  - {phrase: shake, at: 4s}\n", "8:5 9:5"},
		{"two that touch", shake + "place:\n  - {phrase: shake, at: 5s}\n  - {phrase: shake, at: 3s}\n", "8:5 9:5"},
		{"two clear of each other", shake + "place:\n  - {phrase: shake, at: 5.01s}\n  - {phrase: shake, at: 3s}\n", ""},
		{"other axes", shake + "place:\n  - {phrase: shake, at: 3s}\n  - {phrase: long, at: 3s}\n", ""},
		{"a mirrored one meets the pair's key", shake + "tracks:\n  right: [[0s, 0], [4s, 5]]\nplace:\n  - {phrase: shake, at: 3s, mirror: true}\n", "8:21 10:5"},
	} {
		_, problems := loadLines(c.lines)
		if got := problemPlaces(problems); got != c.want {
			t.Errorf("%s: problems at %q, not %q: %v", c.name, got, c.want, problems)
		}
	}
}

func TestKeysOfEachKindHaveTheirDefaults(t *testing.T) {
	s := mustLoadLines(t, "tracks: {arm: [[0s, 0], [1s, 1]], float: [[0s, 0], [1s, 1cm]], winch: [[0s, 0], [1s, 1]], lamp: [[0s, 0], [1s, 1]], horn: [[0s, off], [1s, on]], nod: [[0s, 0], [1s, 0.1rad]]}\n")
	for name, want := range map[string]struct {
		ease  string
		value float64
	}{"arm": {"in-out", 1}, "float": {"in-out", 10}, "winch": {"linear", 1}, "lamp": {"linear", 1}, "horn": {"hold", 1}, "nod": {"in-out", 18 / math.Pi}} {
		if k := merged(t, s, name).Keys[1]; k.Ease.String() != want.ease || !within(k.Value, want.value, 1e-15) {
			t.Errorf("%s arrives at %v by %s", name, k.Value, k.Ease)
		}
	}
	var order []string
	for _, tr := range s.Merged {
		order = append(order, tr.Target.Name())
	}
	if got := strings.Join(order, " "); got != "arm float winch lamp horn nod" {
		t.Errorf("the tracks are in the order %s", got)
	}
}

func TestKeyFlagsAndPlaces(t *testing.T) {
	s := mustLoadLines(t, "tracks:\n  arm:\n    - [0s, 0deg]\n    - {to: 5, at: 1s, ease: out, hold: true, locked: true}\n")
	k := merged(t, s, "arm").Keys[1]
	if !k.Hold || !k.Locked || k.At.Line != 7 || k.At.Column != 7 || k.TimeAt.Column != 19 || k.ValueAt.Column != 12 || k.EaseAt.Column != 29 {
		t.Errorf("the key is %+v", k)
	}
}

func TestCues(t *testing.T) {
	s := mustLoadLines(t, "length: 9s\nmarks: {bell: 2s}\ncues:\n  - {at: bell, set: {horn: on, lamp: 40%, left: 0}, locked: true}\n  - {at: 3s, say: boat in}\n  - {at: 1s, set: {horn: off}}\n")
	if len(s.Cues) != 3 || s.Cues[0].Time != 2 || !s.Cues[0].Locked || s.Cues[1].Say != "boat in" {
		t.Fatalf("the cues are %+v", s.Cues)
	}
	set := s.Cues[0].Set
	if len(set) != 3 || set[0].Axis.Name != "horn" || set[0].Value != 1 || set[1].Value != 40 || set[2].Value != 0 {
		t.Errorf("the first cue sets %+v", set)
	}
	for lines, want := range map[string]string{
		"length: 9s\ntracks: {lamp: [[0s, 0], [1s, 1]]}\ncues:\n  - {at: 1s, set: {lamp: 3}}\n":                "7:20",
		"length: 9s\nposes: {p: {lamp: 1}}\nplace: [{pose: p, at: 1s}]\ncues:\n  - {at: 1s, set: {lamp: 3}}\n": "8:20",
		"length: 9s\ncues:\n  - {at: 1s, set: {nod: 3}}\n":                                                     "6:20",
		"length: 9s\ncues:\n  - {at: 1s}\n":                                                                    "6:5",
		"length: 9s\ncues:\n  - {set: {horn: on}}\n":                                                           "6:5",
		"length: 9s\ncues:\n  - {at: 1s, set: {lamp: 101}}\n":                                                  "6:26",
	} {
		if _, problems := loadLines(lines); problemPlaces(problems) != want {
			t.Errorf("%s: %v", lines, problems)
		}
	}
}

func TestLayers(t *testing.T) {
	s := mustLoadLines(t, "length: 9s\nmarks: {bell: 2s}\nlayers:\n  - {axis: left, add: {wiggle: {amount: 10%, rate: 0.7Hz, seed: 7}}, from: bell, to: 8s, fade: 0.5s}\n  - {axis: nod, add: {sine: {amount: 3, rate: 2Hz, phase: 0.5rev}}}\n  - {axis: float, add: {noise: {amount: 2mm, rate: 1kHz}}}\n")
	l := s.Layers
	if len(l) != 3 {
		t.Fatalf("%d layers", len(l))
	}
	// Percent is a share of the whole way, -30 to 60: 9 deg.
	if a := l[0]; a.Kind != Wiggle || a.Amount != 9 || a.Rate != 0.7 || a.Seed != 7 || a.From != 2 || a.To != 8 || a.Fade != 0.5 {
		t.Errorf("the wiggle is %+v", a)
	}
	if a := l[1]; a.Kind != Sine || a.Phase != 180 || a.From != 0 || a.To != 9 || a.Target.Control == nil {
		t.Errorf("the sine is %+v", a)
	}
	if a := l[2]; a.Kind.String() != "noise" || a.Rate != 1000 || a.Amount != 2 {
		t.Errorf("the noise is %+v", a)
	}
	for lines, want := range map[string]string{
		"{axis: left, add: {wiggle: {amount: 2, rate: 1}}, from: 3s, to: 2s}":          "6:5",
		"{axis: left, add: {wiggle: {amount: 2, rate: 1}}, from: 3s, to: 4s, fade: 1}": "6:5",
		"{axis: lefd, add: {wiggle: {amount: 2, rate: 1}}}":                            "6:12",
		"{axis: horn, add: {wiggle: {amount: 2, rate: 1}}}":                            "6:12",
		"{axis: left, add: {wiggle: {amount: 2, rate: 2000}}}":                         "6:50",
		"{axis: left, add: {envelope: {of: none.wav, high: 20deg}}}":                   "6:39",
		"{axis: left}": "6:5",
	} {
		if _, problems := loadLines("length: 9s\nlayers:\n  - " + lines + "\n"); problemPlaces(problems) != want {
			t.Errorf("%s: %v", lines, problems)
		}
	}
}

func TestQuietWindows(t *testing.T) {
	s := mustLoadLines(t, "length: 9s\nquiet:\n  - {from: 2s, to: 5s, speed: 60deg/s, release: [left, winch]}\n  - {from: 6s, to: 7s, speed: 10mm/s}\n")
	if q := s.Quiet[0]; q.From != 2 || q.To != 5 || q.Speed.V != 60 || len(q.Release) != 2 || q.Release[0].Name != "left" {
		t.Errorf("the first window is %+v", q)
	}
	for lines, want := range map[string]string{
		"{from: 5s, to: 5s}":                    "6:20",
		"{from: 1s, to: 5s, release: [weight]}": "6:34",
		"{from: 1s, to: 5s, release: [wrench]}": "6:34",
		"{from: 1s}":                            "6:5",
	} {
		if _, problems := loadLines("length: 9s\nquiet:\n  - " + lines + "\n"); problemPlaces(problems) != want {
			t.Errorf("%s: %v", lines, problems)
		}
	}
}

func TestPace(t *testing.T) {
	s := mustLoadLines(t, "length: 8s\npace:\n  - [0, 0, 0]\n  - [2s, 1s, 1]\n  - [8, 7, 1]\n  - [10, 8, 0]\n")
	if len(s.Pace) != 4 || s.Pace[2] != (Knot{Pos{"t.motion.yaml", 8, 5}, 8, 7, 1}) || s.PaceTime() != 10 {
		t.Errorf("the pace is %+v", s.Pace)
	}
	if plain := mustLoadLines(t, "length: 8s\n"); plain.PaceTime() != 8 {
		t.Errorf("without a pace the performance lasts %v s", plain.PaceTime())
	}
	for lines, want := range map[string]string{
		"[[0, 0, 1]]":                       "5:8",
		"[]":                                "5:7",
		"[[0, 0, 1], [8, 8, 1.00001]]":      "5:19",
		"[[0, 0, 1], [8, 8, 1.000001]]":     "",
		"[[1, 0, 1], [8, 8, 1]]":            "5:8",
		"[[0, 0, 1], [9, 9, 1]]":            "5:19",
		"[[0, 0, 1], [4, 4, 1], [4, 8, 1]]": "5:30",
		"[[0, 0, 1], [4, 4, 1], [5, 3, 1]]": "5:30",
		"[[0, 0, -1], [8, 8, 1]]":           "5:15",
		"[[0, 0], [8, 8, 1]]":               "5:8",
		"[[0, 0, 1], [8, 8, one]]":          "5:26",
		"[[0, 0, 2], [4, 4, 0], [8, 8, 2]]": "",
		"no.csv":                            "5:7",
	} {
		if _, problems := loadLines("length: 8s\npace: " + lines + "\n"); problemPlaces(problems) != want {
			t.Errorf("%s: %v", lines, problems)
		}
	}
}

func TestPaceFile(t *testing.T) {
	load := func(csv string) (*Script, Problems) {
		s, err := LoadMotion(texts{"small.rig.yaml": smallRig, "p.csv": csv, "t.motion.yaml": motionText("length: 8s\npace: p.csv\n")}.open, "t.motion.yaml")
		return s, AsProblems(err)
	}
	for name, csv := range map[string]string{
		"plain": "at,script,rate\n0,0,0\n2,1,1\n8,7,1\n10,8,0\n", "CR LF": "at,script,rate\r\n0,0,0\r\n2,1,1\r\n8,7,1\r\n10,8,0\r\n",
		"mark and spaces": "\ufeffat,script,rate\n0,0,0\n 2, 1, 1\n8,7,1\n10,8,0", "exponents": "at,script,rate\n0,0,0\n2e0,1,1\n8,7.0,1\n1e1,8,0\n",
	} {
		if s, problems := load(csv); problems != nil || len(s.Pace) != 4 || s.Pace[3].Time != 10 {
			t.Errorf("%s: %v", name, problems)
		}
	}
	for csv, want := range map[string]string{
		"":                                      "1:1",
		"time,script,rate\n0,0,1\n":             "1:1",
		"at,script,rate\n":                      "5:7",
		"at,script,rate\n0,0\n":                 "2:1",
		"at,script,rate\n0,0,1,2\n":             "2:1",
		"at,script,rate\n0,0,x\n":               "2:5",
		"at,script,rate\n0,0,NaN\n":             "2:5",
		"at,script,rate\n0,0,1\n8,-8,1\n":       "3:3",
		"at,script,rate\n0,0,1\n8,1e99,1\n":     "3:3",
		"at,script,rate\n0,0,1\n8,9,1\n":        "3:1",
		"at,script,rate\n0,0,\"1\n":             "2:8",
		"at,script,rate\n0,0,1\n4,4,1\n4,5,1\n": "4:1",
	} {
		_, problems := load(csv)
		if got := problemPlaces(problems); got != want {
			t.Errorf("%q: at %q, not %q: %v", csv, got, want, problems)
		}
	}
}

func TestLengths(t *testing.T) {
	for lines, want := range map[string]float64{
		"length: 12s\n": 12, "fps: 24\nlength: 36f\n": 1.5, "tempo: 120\nlength: 32b\n": 16, "tracks: {arm: [[0s, 0], [7s, 1]]}\n": 7,
		"length: 9s\ntracks: {arm: [[0s, 0], [7s, 1]]}\n": 9, "length: bell+1s\nmarks: {bell: 3s}\n": 4, "fps: 25\nlength: 00:00:02:05\n": 2.2,
	} {
		if s := mustLoadLines(t, lines); s.Length != want {
			t.Errorf("%s: the length is %v s", lines, s.Length)
		}
	}
	for lines, want := range map[string]string{
		"length: 0s\n": "4:9", "length: 49h\n": "4:9", "length: -1s\n": "4:9", "": "1:1",
		"length: 5s\ntracks: {arm: [[0s, 0], [7s, 1]]}\n": "5:26", "tracks: {arm: [[0s, 0]]}\n": "1:1",
	} {
		if _, problems := loadLines(lines); problemPlaces(problems) != want {
			t.Errorf("%q: %v", lines, problems)
		}
	}
}

func TestAllProblemsOfAllFilesInOneRun(t *testing.T) {
	files := texts{
		"a.show.yaml":     "show: A\nformat: 1\nrig: small.rig.yaml\nmotions:\n  one: {file: one.motion.yaml, evry: [1s, 2s]}\n  two: {file: two.motion.yaml, every: [2s, 1s]}\n",
		"small.rig.yaml":  strings.Replace(smallRig, "kind: dimmer", "kind: dimer", 1),
		"one.motion.yaml": motionText("length: 5s\ntracks: {arm: [[0s, 99]], lamp: [[0s, 1]]}\n"),
		"two.motion.yaml": motionText("length: 5s\ntracks: {arm: [[0, 0], [1s, 1, inn]]}\ncues:\n  - {at: 1s, set: {horn: maybe}}\n"),
	}
	_, err := Load(files.open, "a.show.yaml")
	var got []string
	for _, p := range AsProblems(err) {
		got = append(got, p.At.String())
	}
	want := "a.show.yaml:5:32 a.show.yaml:6:39 small.rig.yaml:11:16 one.motion.yaml:5:21 two.motion.yaml:5:32 two.motion.yaml:7:26"
	if strings.Join(got, " ") != want {
		t.Errorf("problems at\n%s\nand not\n%s\n%v", strings.Join(got, " "), want, err)
	}
}

func TestWrongKindOfFile(t *testing.T) {
	files := texts{"small.rig.yaml": smallRig, "t.motion.yaml": motionText("length: 5s\n"), "m.motion.yaml": strings.Replace(motionText("length: 5s\n"), "small.rig", "t.motion", 1)}
	if _, err := LoadMotion(files.open, "small.rig.yaml"); err == nil || !strings.Contains(err.Error(), "not a motion") {
		t.Errorf("a rig as a motion: %v", err)
	}
	if _, err := LoadRig(files.open, "t.motion.yaml"); err == nil || !strings.Contains(err.Error(), "not a rig") {
		t.Errorf("a motion as a rig: %v", err)
	}
	if _, err := LoadMotion(files.open, "m.motion.yaml"); err == nil || !strings.Contains(err.Error(), "m.motion.yaml:3:6: t.motion.yaml is a motion, not a rig") {
		t.Errorf("a motion as the rig of a motion: %v", err)
	}
	if r, err := LoadRig(files.open, "small.rig.yaml"); err != nil || r.Name != "Signal post" {
		t.Errorf("%v, %v", r, err)
	}
}
