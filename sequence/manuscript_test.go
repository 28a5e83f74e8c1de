package sequence

import (
	"os"
	"strings"
	"testing"
)

const changeRig = `rig: r
format: 1
boards: {main: {rate: 50Hz, tick: 0.5us, channels: 8}}
axes:
  a: {kind: servo, board: main, channel: 0, travel: [-90deg, 90deg], pulse: [[-90deg, 1000us], [90deg, 2000us]], limits: {speed: 100deg/s, acceleration: 1000deg/s2, jerk: 20000deg/s3}}
  left: {kind: servo, board: main, channel: 1, travel: [-90deg, 90deg], pulse: [[-90deg, 1000us], [90deg, 2000us]], rest: 5deg}
  right: {kind: servo, board: main, channel: 3, travel: [-90deg, 90deg], pulse: [[-90deg, 1000us], [90deg, 2000us]], rest: -5deg}
  lamp: {kind: dimmer, board: main, channel: 4}
  horn: {kind: switch, board: main, channel: 2}
controls: {both: {left: 1, right: 1}}
pairs: [[left, right]]
`

const changeHead = "motion: m\nformat: 1\nrig: r.rig.yaml\nfps: 24\ntempo: 120\nlength: 20s # all of it\n"

const changeMotion = changeHead + `
marks:
  boat: 2s     # é before
  bell: {at: "00:00:05:12", locked: true}
  later: boat + 12f

poses:
  low: {left: 0, lamp: 10%}
  high:
    left: 10deg   # up
    lamp: 80%

# The tracks.
tracks:
  # Of a.
  a:
    # first
    - [0s, 0]
    - [500ms,   1deg]   # one
    - [boat, 10deg, in]           # at the boat
    # two beats on
    - {at: 'boat+2b', to: 20}
    - {at: bell-0.25s, to: 50%, ease: "cubic-bezier(0.3, 0, 0.2, 1)", locked: true}

    - [144f, 0deg]
    - [soonest+0.2s, 10]
    - at: later+6s
      to: 0.5rad   # half
      ease: out
    - ["00:00:10:00", 0, out]
  left: [[0s, 5], [1s, 20deg, in], [36f, 7]]
  right:
    - [0s, -5deg]
    - [2s, 0deg, in-out]    # away

place:
  - {pose: low, at: 12.5s}
  - pose: low
    at: 14s # again
layers:
  - {axis: both, add: {sine: {amount: 1deg, rate: 1Hz}}, from: 1s, to: bell}
cues:
  - {at: bell, say: "bell"}
  - {at: 3, set: {horn: on}}
`

func changeFiles(motion string) texts {
	return texts{"r.rig.yaml": changeRig, "m.motion.yaml": motion}
}

func manuscript(t testing.TB, motion string) *Manuscript {
	t.Helper()
	s, err := LoadMotion(changeFiles(motion).open, "m.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m, err := NewManuscript([]byte(motion), s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// changed makes the changes of a JSON list.
func changed(t testing.TB, m *Manuscript, list string) (*Manuscript, error) {
	t.Helper()
	changes, err := ParseChanges([]byte(list))
	if err != nil {
		t.Fatal(err)
	}
	return m.Change(changes)
}

// lineDiff gives the lines that went, with -, and those that came, with +: the longest
// common subsequence of the rest.
func lineDiff(before, after string) string {
	a, b := strings.SplitAfter(before, "\n"), strings.SplitAfter(after, "\n")
	length := make([][]int, len(a)+1)
	for i := range length {
		length[i] = make([]int, len(b)+1)
	}
	for i := len(a) - 1; i >= 0; i-- {
		for j := len(b) - 1; j >= 0; j-- {
			if length[i][j] = max(length[i+1][j], length[i][j+1]); a[i] == b[j] {
				length[i][j] = length[i+1][j+1] + 1
			}
		}
	}
	var out strings.Builder
	i, j := 0, 0
	for i < len(a) || j < len(b) {
		switch {
		case i < len(a) && j < len(b) && a[i] == b[j]:
			i, j = i+1, j+1
		case i < len(a) && (j == len(b) || length[i+1][j] >= length[i][j+1]):
			out.WriteString("-" + a[i])
			i++
		default:
			out.WriteString("+" + b[j])
			j++
		}
	}
	return strings.TrimSuffix(out.String(), "\n")
}

var changeCases = []struct{ name, changes, diff string }{
	{"a value", `[{"do":"set-key","track":"a","index":2,"value":12.5}]`, "-    - [boat, 10deg, in]           # at the boat\n+    - [boat, 12.5deg, in]         # at the boat"},
	{"a bare value", `[{"do":"set-key","track":"a","index":0,"value":-7}]`, "-    - [0s, 0]\n+    - [0s, -7]"},
	{"percent of the travel", `[{"do":"set-key","track":"a","index":4,"value":9}]`, "-    - {at: bell-0.25s, to: 50%, ease: \"cubic-bezier(0.3, 0, 0.2, 1)\", locked: true}\n+    - {at: bell-0.25s, to: 55%, ease: \"cubic-bezier(0.3, 0, 0.2, 1)\", locked: true}"},
	{"radians", `[{"do":"set-key","track":"a","index":7,"value":57.29577951308232}]`, "-      to: 0.5rad   # half\n+      to: 1rad     # half"},
	{"milliseconds and columns", `[{"do":"set-key","track":"a","index":1,"time":1.25}]`, "-    - [500ms,   1deg]   # one\n+    - [1250ms,  1deg]   # one"},
	{"frames", `[{"do":"set-key","track":"a","index":5,"time":6.27}]`, "-    - [144f, 0deg]\n+    - [150f, 0deg]"},
	{"timecode", `[{"do":"set-key","track":"a","index":8,"time":10.52}]`, "-    - [\"00:00:10:00\", 0, out]\n+    - [\"00:00:10:12\", 0, out]"},
	{"beats from a mark, in quotes", `[{"do":"set-key","track":"a","index":3,"time":3.75}]`, "-    - {at: 'boat+2b', to: 20}\n+    - {at: 'boat+3.5b', to: 20}"},
	{"before its mark", `[{"do":"set-key","track":"a","index":3,"time":1.75},{"do":"set-key","track":"a","index":2,"time":1.5}]`, "-    - [boat, 10deg, in]           # at the boat\n+    - [boat-1b, 10deg, in]        # at the boat\n-    - {at: 'boat+2b', to: 20}\n+    - {at: 'boat-0.5b', to: 20}"},
	{"soonest waits", `[{"do":"set-key","track":"a","index":6,"time":7}]`, "-    - [soonest+0.2s, 10]\n+    - [soonest+0.743845s, 10]"},
	{"a locked key, unlocked", `[{"do":"set-key","track":"a","index":4,"time":5,"unlock":true}]`, "-    - {at: bell-0.25s, to: 50%, ease: \"cubic-bezier(0.3, 0, 0.2, 1)\", locked: true}\n+    - {at: bell-0.5s, to: 50%, ease: \"cubic-bezier(0.3, 0, 0.2, 1)\", locked: true}"},
	{"another ease", `[{"do":"set-key","track":"a","index":2,"ease":"steps(2, jump-end)"}]`, "-    - [boat, 10deg, in]           # at the boat\n+    - [boat, 10deg, \"steps(2, jump-end)\"] # at the boat"},
	{"an ease more", `[{"do":"set-key","track":"a","index":1,"ease":"out"}]`, "-    - [500ms,   1deg]   # one\n+    - [500ms,   1deg, out] # one"},
	{"an ease more, long", `[{"do":"set-key","track":"a","index":3,"ease":"out"}]`, "-    - {at: 'boat+2b', to: 20}\n+    - {at: 'boat+2b', to: 20, ease: out}"},
	{"no ease", `[{"do":"set-key","track":"a","index":2,"ease":""},{"do":"set-key","track":"a","index":4,"ease":""},{"do":"set-key","track":"a","index":7,"ease":""}]`,
		"-    - [boat, 10deg, in]           # at the boat\n+    - [boat, 10deg]               # at the boat\n-    - {at: bell-0.25s, to: 50%, ease: \"cubic-bezier(0.3, 0, 0.2, 1)\", locked: true}\n+    - {at: bell-0.25s, to: 50%, locked: true}\n-      ease: out"},
	{"passing over", `[{"do":"set-key","track":"a","index":2,"time":0.25}]`, "+    - [boat-3.5b, 10deg, in]      # at the boat\n-    - [boat, 10deg, in]           # at the boat"},
	{"passing over in brackets", `[{"do":"set-key","track":"left","index":1,"time":1.75}]`, "-  left: [[0s, 5], [1s, 20deg, in], [36f, 7]]\n+  left: [[0s, 5], [36f, 7], [1.75s, 20deg, in]]"},
	{"comments above travel", `[{"do":"set-key","track":"a","index":3,"time":1}]`, "-    - [boat, 10deg, in]           # at the boat\n-    - {at: 'boat+2b', to: 20}\n+    - {at: 'boat-2b', to: 20}\n+    - [boat, 10deg, in]           # at the boat"},
	{"a new key as its neighbour", `[{"do":"add-key","track":"a","time":5.4,"value":3},{"do":"add-key","track":"a","time":9.11,"value":28.64788975654116,"ease":"min-jerk"},{"do":"add-key","track":"a","time":11.03,"value":-3.5,"ease":"min-jerk"}]`, "+    - {at: bell-0.1s, to: 51.6666667%}\n+    - at: later+6.61s\n+      to: 0.5rad\n+      ease: min-jerk\n+    - [\"00:00:11:01\", -3.5, min-jerk]"},
	{"deleted keys", `[{"do":"delete-keys","keys":[{"track":"a","index":0},{"track":"a","index":3},{"track":"left","index":0},{"track":"left","index":2}]}]`,
		"-    - [0s, 0]\n-    - {at: 'boat+2b', to: 20}\n-  left: [[0s, 5], [1s, 20deg, in], [36f, 7]]\n+  left: [[1s, 20deg, in]]"},
	{"a deleted track", `[{"do":"delete-keys","keys":[{"track":"right","index":0},{"track":"right","index":1}]}]`, "-  right:\n-    - [0s, -5deg]\n-    - [2s, 0deg, in-out]    # away"},
	{"a new track", `[{"do":"add-key","track":"both","time":1.25,"value":2.5},{"do":"add-key","track":"both","time":0.5,"value":0}]`, "+  both:\n+    - [500ms, 0deg]\n+    - [1.25s, 2.5deg]"},
	{"moved together", `[{"do":"shift-keys","keys":[{"track":"left","index":0},{"track":"left","index":1},{"track":"left","index":2}],"frames":6,"value":1}]`, "-  left: [[0s, 5], [1s, 20deg, in], [36f, 7]]\n+  left: [[0.25s, 6], [1.25s, 21deg, in], [42f, 8]]"},
	{"stretched", `[{"do":"stretch-keys","keys":[{"track":"left","index":1},{"track":"left","index":2}],"anchor":0.5,"factor":3}]`, "-  left: [[0s, 5], [1s, 20deg, in], [36f, 7]]\n+  left: [[0s, 5], [2s, 20deg, in], [84f, 7]]"},
	{"mirrored", `[{"do":"mirror-keys","keys":[{"track":"a","index":2}]}]`, "-    - [boat, 10deg, in]           # at the boat\n+    - [boat, -10deg, in]          # at the boat"},
	{"mirrored to the pair", `[{"do":"mirror-keys","keys":[{"track":"left","index":1},{"track":"right","index":1}]}]`, "-  left: [[0s, 5], [1s, 20deg, in], [36f, 7]]\n+  left: [[0s, 5], [36f, 7], [2s, 0deg, in-out]]\n-    - [2s, 0deg, in-out]    # away\n+    - [1s, -20deg, in]"},
	{"mirrored from the pair", `[{"do":"mirror-keys","keys":[{"track":"left","index":2}]}]`, "-  left: [[0s, 5], [1s, 20deg, in], [36f, 7]]\n+  left: [[0s, 5], [1s, 20deg, in]]\n+    - [36f, -7]"},
	{"a mark", `[{"do":"set-mark","name":"boat","time":2.1}]`, "-  boat: 2s     # é before\n+  boat: 2.1s   # é before"},
	{"a locked mark", `[{"do":"set-mark","name":"bell","time":5.75,"unlock":true}]`, "-  bell: {at: \"00:00:05:12\", locked: true}\n+  bell: {at: \"00:00:05:18\", locked: true}"},
	{"a mark that counts", `[{"do":"set-mark","name":"later","time":2.25},{"do":"set-mark","name":"boat","time":1.75}]`, "-  boat: 2s     # é before\n+  boat: 1.75s  # é before"},
	{"a new mark", `[{"do":"add-mark","name":"tide","time":5,"locked":true}]`, "+  tide: {at: \"00:00:05:00\", locked: true}"},
	{"a mark's name", `[{"do":"rename-mark","name":"boat","to":"ship"}]`, "-  boat: 2s     # é before\n+  ship: 2s     # é before\n-  later: boat + 12f\n+  later: ship + 12f\n-    - [boat, 10deg, in]           # at the boat\n+    - [ship, 10deg, in]           # at the boat\n-    - {at: 'boat+2b', to: 20}\n+    - {at: 'ship+2b', to: 20}"},
	{"a mark that nothing needs", `[{"do":"delete-keys","keys":[{"track":"a","index":7}]},{"do":"delete-mark","name":"later"}]`, "-  later: boat + 12f\n-    - at: later+6s\n-      to: 0.5rad   # half\n-      ease: out"},
	{"a pose", `[{"do":"store-pose","name":"high","values":{"left":12,"a":1.5}}]`, "-    left: 10deg   # up\n-    lamp: 80%\n+    left: 12deg   # up\n+    a: 1.5deg"},
	{"a new pose", `[{"do":"store-pose","name":"mid","values":{"left":12,"horn":1}}]`, "+  mid: {left: 12deg, horn: on}"},
	{"a pose's name", `[{"do":"rename-pose","name":"low","to":"on"}]`, "-  low: {left: 0, lamp: 10%}\n+  \"on\": {left: 0, lamp: 10%}\n-  - {pose: low, at: 12.5s}\n-  - pose: low\n+  - {pose: \"on\", at: 12.5s}\n+  - pose: \"on\""},
	{"a pose that goes", `[{"do":"delete-pose","name":"high"}]`, "-  high:\n-    left: 10deg   # up\n-    lamp: 80%"},
	{"cues", `[{"do":"set-cue","index":1,"time":4},{"do":"set-cue","index":0,"say":"the \"bell\""},{"do":"add-cue","time":3.5,"say":"now: go"}]`,
		"-  - {at: bell, say: \"bell\"}\n-  - {at: 3, set: {horn: on}}\n+  - {at: bell, say: \"the \\\"bell\\\"\"}\n+  - {at: 4, set: {horn: on}}\n+  - {at: 3.5, say: \"now: go\"}"},
	{"a cue that goes", `[{"do":"delete-cue","index":0}]`, "-  - {at: bell, say: \"bell\"}"},
	{"placements", `[{"do":"set-placement","index":1,"time":15.25},{"do":"delete-placement","index":0}]`, "-  - {pose: low, at: 12.5s}\n-    at: 14s # again\n+    at: 15.25s # again"},
	{"a layer", `[{"do":"set-layer","index":0,"from":1.5,"to":6}]`, "-  - {axis: both, add: {sine: {amount: 1deg, rate: 1Hz}}, from: 1s, to: bell}\n+  - {axis: both, add: {sine: {amount: 1deg, rate: 1Hz}}, from: 1.5s, to: bell+0.5s}"},
	{"nothing", `[{"do":"set-key","track":"a","index":5,"time":6.01,"value":0}]`, ""},
}

// Each change differs in the lines concerned, and in no other.
func TestChangeDiffs(t *testing.T) {
	for _, crlf := range []bool{false, true} {
		for _, c := range changeCases {
			text := changeMotion
			if crlf {
				text = strings.ReplaceAll(text, "\n", "\r\n")
			}
			m := manuscript(t, text)
			out, err := changed(t, m, c.changes)
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
				continue
			}
			if crlf != strings.Contains(string(out.Text), "\r\n") || crlf && strings.Count(string(out.Text), "\n") != strings.Count(string(out.Text), "\r\n") {
				t.Errorf("%s: other line ends", c.name)
			}
			if got := lineDiff(changeMotion, strings.ReplaceAll(string(out.Text), "\r\n", "\n")); got != c.diff {
				t.Errorf("%s:\n%s\nand not\n%s", c.name, got, c.diff)
			}
		}
	}
}

// What cannot be done is said, at its place in the text as it is.
func TestChangeRefusals(t *testing.T) {
	for _, c := range []struct{ name, motion, changes, want string }{
		{"a locked key", changeMotion, `[{"do":"set-key","track":"a","index":4,"time":5}]`, "m.motion.yaml:29:7: the key of a at 5.25 s is locked and keeps its time; unlock it first"},
		{"a locked key deleted", changeMotion, `[{"do":"delete-keys","keys":[{"track":"a","index":4}]}]`, "m.motion.yaml:29:7: the key of a at 5.25 s is locked"},
		{"a locked mark", changeMotion, `[{"do":"set-mark","name":"bell","time":5}]`, "m.motion.yaml:10:3: the mark bell is locked and keeps its time"},
		{"what is locked and counts from a mark", strings.Replace(changeMotion, `"00:00:05:12", locked: true}`, `"00:00:05:12"}`, 1), `[{"do":"set-mark","name":"bell","time":5.6}]`, "m.motion.yaml:29:12: what is at bell-0.25s is locked"},
		{"no such key", changeMotion, `[{"do":"set-key","track":"a","index":9,"value":1}]`, "m.motion.yaml:24:5: there is no key 9 on the track a; it has 9"},
		{"no such axis", changeMotion, `[{"do":"add-key","track":"lift","time":1,"value":1}]`, "there is no axis or control \"lift\"; did you mean left?"},
		{"beyond travel", changeMotion, `[{"do":"set-key","track":"a","index":2,"value":91}]`, "m.motion.yaml:26:14: a key of track a is 91 deg, which is beyond the travel of a"},
		{"two keys at one time", changeMotion, `[{"do":"set-key","track":"left","index":1,"time":1.5}]`, "m.motion.yaml:37:39: track left has two keys at 1.5 s"},
		{"after the end", changeMotion, `[{"do":"set-key","track":"a","index":8,"time":21}]`, "m.motion.yaml:36:8: the key at 21 s comes after the end of the motion"},
		{"before the start", changeMotion, `[{"do":"shift-keys","keys":[{"track":"a","index":1}],"time":-1}]`, "m.motion.yaml:25:8: the time of a key of track a: -0.5 s is before the start"},
		{"sooner than soonest", changeMotion, `[{"do":"set-key","track":"a","index":6,"time":6.1}]`, "m.motion.yaml:32:8: the key of a at soonest cannot be at 6.1 s; it arrives at 6.256 s; move it to 6.257 s or later"},
		{"a mark that times count from", changeMotion, `[{"do":"delete-mark","name":"boat"}]`, "m.motion.yaml:9:3: times count from the mark boat, in lines 11, 26 and 28"},
		{"a mark's name taken", changeMotion, `[{"do":"rename-mark","name":"boat","to":"bell"}]`, "there is a mark bell already"},
		{"a mark's name that is none", changeMotion, `[{"do":"rename-mark","name":"boat","to":"act-2s"}]`, "ends like an offset"},
		{"a mark that takes an offset's place", changeMotion, `[{"do":"add-mark","name":"boat+2b","time":7}]`, "cannot be the name of a mark"},
		{"a mark that hides an offset", strings.Replace(changeMotion, "bell-0.25s", "bell-2e0s", 1), `[{"do":"add-mark","name":"bell-2e0s","time":3.6}]`, "would mean something else by the new name of a mark"},
		{"a placed pose", changeMotion, `[{"do":"delete-pose","name":"low"}]`, "m.motion.yaml:14:3: the pose low is placed in lines 43 and 44"},
		{"a switch between", changeMotion, `[{"do":"add-cue","time":3,"set":{"horn":0.5}}]`, "0.5 is no value of horn, which is a switch"},
		{"set and deleted", changeMotion, `[{"do":"set-key","track":"a","index":2,"value":1},{"do":"delete-keys","keys":[{"track":"a","index":2}]}]`, "changed and deleted at once"},
		{"an ease that is none", changeMotion, `[{"do":"set-key","track":"a","index":2,"ease":"inn"}]`, "m.motion.yaml:26:21: a key of track a: ease \"inn\" is not known"},
		{"an ease at soonest", changeMotion, `[{"do":"set-key","track":"a","index":6,"ease":"in"}]`, "takes no ease"},
		{"an alias", changeHead + "tracks:\n  left: &k [[0s, 0], [1s, 2]]\n  right: *k\n", `[{"do":"set-key","track":"right","index":1,"value":1}]`, "m.motion.yaml:8:27: what stands here serves several things by an alias"},
		{"an anchor", changeHead + "tracks:\n  left: [[0s, 0], &k [1s, 2]]\n", `[{"do":"delete-keys","keys":[{"track":"left","index":1}]}]`, "without anchors (&)"},
		{"comments in brackets", changeHead + "tracks:\n  left: [\n    [0s, 0], # one\n    [1s, 2]]\n", `[{"do":"set-key","track":"left","index":0,"time":2}]`, "write each item on a line of its own, beginning with a dash"},
		{"text over two lines", changeHead + "cues:\n  - {at: 1s, say: a\n     b}\n", `[{"do":"set-cue","index":0,"say":"c"}]`, "m.motion.yaml:8:19: \"a b\" cannot be written anew where it stands"},
	} {
		m := manuscript(t, c.motion)
		out, err := changed(t, m, c.changes)
		if err == nil || out != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s gives %v\nand not\n%s", c.name, err, c.want)
		}
		if string(m.Text) != c.motion {
			t.Errorf("%s: the manuscript changed", c.name)
		}
	}
	for _, text := range []string{"{motion: m, format: 1, rig: r.rig.yaml, length: 2s}\n", "motion: m\rformat: 1\rrig: r.rig.yaml\rlength: 2s\r"} {
		s, err := LoadMotion(changeFiles(text).open, "m.motion.yaml")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := NewManuscript([]byte(text), s); err == nil || !AsProblems(err)[0].At.Known() {
			t.Errorf("%q gives %v", text, err)
		}
	}
}

// Sections that are not there come in their usual place.
func TestChangeMakesSections(t *testing.T) {
	text := "motion: m\nformat: 1\nrig: r.rig.yaml\nlength: 9s\n\n# At the end.\ncues:\n- {at: 1s, say: a}"
	m, err := changed(t, manuscript(t, text), `[{"do":"add-key","track":"a","time":1.5,"value":2},{"do":"add-key","track":"lamp","time":2,"value":30},{"do":"add-mark","name":"x","time":1},{"do":"add-mark","name":"z","time":2.0000001},{"do":"store-pose","name":"p","values":{"left":1}},{"do":"add-cue","time":0.5,"say":"b"}]`)
	want := "motion: m\nformat: 1\nrig: r.rig.yaml\nlength: 9s\n\nmarks:\n  x: 1s\n  z: 2s\n\nposes:\n  p: {left: 1deg}\n\ntracks:\n  a:\n    - [1.5s, 2deg]\n  lamp:\n    - [2s, 30%]\n\n# At the end.\ncues:\n- {at: 0.5s, say: \"b\"}\n- {at: 1s, say: a}"
	if err != nil || string(m.Text) != want {
		t.Fatalf("%v\n%s", err, lineDiff(want, string(m.Text)))
	}
	m, err = changed(t, m, `[{"do":"delete-keys","keys":[{"track":"a","index":0},{"track":"lamp","index":0}]},{"do":"delete-mark","name":"x"},{"do":"delete-mark","name":"z"},{"do":"delete-pose","name":"p"},{"do":"delete-cue","index":0}]`)
	if err != nil || strings.ReplaceAll(string(m.Text), "\n\n", "\n") != strings.ReplaceAll(text, "\n\n", "\n") && !strings.Contains(string(m.Text), "# At the end.\ncues:\n- {at: 1s") {
		t.Fatalf("%v\n%s", err, lineDiff(text, string(m.Text)))
	}
	for _, gone := range []string{"marks", "poses", "tracks"} {
		if strings.Contains(string(m.Text), gone) {
			t.Errorf("%s is still there:\n%s", gone, m.Text)
		}
	}
}

// With a pace in a file beside the motion, keys can be changed, as no file is read.
func TestChangeKeepsThePace(t *testing.T) {
	files := changeFiles(changeMotion+"pace: p.csv\n").with("p.csv", "at,script,rate\n0,0,1\n20,20,1\n")
	s, err := LoadMotion(files.open, "m.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m, err := NewManuscript([]byte(files["m.motion.yaml"]), s)
	if err != nil {
		t.Fatal(err)
	}
	out, err := changed(t, m, `[{"do":"set-key","track":"a","index":0,"value":2}]`)
	if err != nil || len(out.Script.Pace) != 2 || out.Script.Tracks[0].Keys[0].Value != 2 {
		t.Errorf("%v", err)
	}
}

// Each key carries the address by which it is changed, or its placement.
func TestKeysCarryTheirAddresses(t *testing.T) {
	m := exampleManuscript(t, "../examples/lighthouse/greet.motion.yaml")
	placed := 0
	for _, tr := range m.Script.Merged {
		for _, k := range tr.Keys {
			if (k.Index < 0) != (k.Place != nil) {
				t.Errorf("%s: %+v", tr.Target.Name(), k)
			}
			if k.Place != nil {
				placed++
				if m.Script.Places[k.Place.Index] != k.Place {
					t.Errorf("the placement %d is another", k.Place.Index)
				}
				continue
			}
			item := child(child(m.root, "tracks"), tr.Target.Name()).Content[k.Index]
			if item.Line != k.At.Line {
				t.Errorf("%s: key %d is at line %d and not %d", tr.Target.Name(), k.Index, k.At.Line, item.Line)
			}
		}
	}
	if placed < 20 {
		t.Errorf("only %d placed keys", placed)
	}
}

func exampleManuscript(t testing.TB, file string) *Manuscript {
	t.Helper()
	s, err := LoadMotion(openFile, file)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	m, err := NewManuscript(text, s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// A whole number may come into a list that is read as a run of plain items, too.
func TestChangeWholeNumber(t *testing.T) {
	text := changeHead + "tracks:\n  a:\n    - [0s, 0]\n    - [1s, 4]\n    - [2s, 8]\n    - [3s, 0]\n"
	for _, value := range []string{"3", "-3", "0", "3.5"} {
		out, err := changed(t, manuscript(t, text), `[{"do":"add-key","track":"a","time":1.5,"value":`+value+`}]`)
		if err != nil || !strings.Contains(string(out.Text), "    - [1.5s, "+value+"]\n") {
			t.Errorf("%s: %v", value, err)
		}
	}
}
