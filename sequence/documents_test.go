package sequence

import (
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// texts is a folder of files in memory.
type texts map[string]string

func (t texts) open(name string) (io.ReadCloser, error) {
	if s, ok := t[filepath.ToSlash(name)]; ok {
		return io.NopCloser(strings.NewReader(s)), nil
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

// with gives a copy of the folder with one file more.
func (t texts) with(name, text string) texts {
	out := texts{name: text}
	for n, s := range t {
		if n != name {
			out[n] = s
		}
	}
	return out
}

func openFile(name string) (io.ReadCloser, error) { return os.Open(name) }

// smallRig is a rig with an axis of each kind, for motions in tests.
const smallRig = `rig: Signal post
format: 1
supplies: {rail: {voltage: 6V}}
boards: {main: {rate: 50Hz, tick: 0.5us, channels: 16, inputs: {1: {active: low}, 3: {stop: true}}}}
axes:
  arm: {kind: servo, board: main, channel: 0, supply: rail, travel: [-60deg, 60deg], pulse: [[-60deg, 1000us], [60deg, 2000us]], limits: {speed: 90deg/s, acceleration: 180deg/s2}}
  left: {kind: servo, board: main, channel: 1, travel: [-30deg, 60deg], pulse: [[-30deg, 1000us], [60deg, 2000us]], rest: 10deg}
  right: {kind: servo, board: main, channel: 2, travel: [-60deg, 30deg], pulse: [[-60deg, 1000us], [30deg, 2000us]], rest: -10deg}
  float: {kind: stepper, board: main, channel: 3, steps: 200, lead: 8mm, travel: [0mm, 80mm]}
  winch: {kind: motor, board: main, channel: 4}
  lamp: {kind: dimmer, board: main, channel: 5}
  horn: {kind: switch, board: main, channel: 6}
  weight: {kind: servo, board: main, channel: 7, travel: [0deg, 90deg], pulse: [[0deg, 1000us], [90deg, 2000us]], load: {mass: 100g, arm: 30mm}}
controls:
  nod: {left: 1, right: -1}
pairs: [[left, right]]
`

// motionText gives a motion for smallRig with some more lines.
func motionText(lines string) string {
	return "motion: Test\nformat: 1\nrig: small.rig.yaml\n" + lines
}

// loadLines loads a motion for smallRig.
func loadLines(lines string) (*Script, Problems) {
	s, err := LoadMotion(texts{"small.rig.yaml": smallRig, "t.motion.yaml": motionText(lines)}.open, "t.motion.yaml")
	return s, AsProblems(err)
}

func mustLoadLines(t *testing.T, lines string) *Script {
	t.Helper()
	s, problems := loadLines(lines)
	if len(problems) > 0 {
		t.Fatalf("%s\n%v", lines, problems)
	}
	return s
}

// merged finds the merged track of a target.
func merged(t *testing.T, s *Script, name string) *Track {
	t.Helper()
	for _, tr := range s.Merged {
		if tr.Target.Name() == name {
			return tr
		}
	}
	t.Fatalf("no track of %s", name)
	return nil
}

func goodFiles(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("testdata/good/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no good documents: %v", err)
	}
	return files
}

func TestGoodDocumentsLoad(t *testing.T) {
	for _, name := range goodFiles(t) {
		if _, err := Load(openFile, name); err != nil {
			t.Errorf("%v", err)
		}
	}
}
