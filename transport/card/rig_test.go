package card

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/sequence"
)

// memory is a medium of fixed length.
type memory []byte

func (m memory) WriteAt(b []byte, at int64) (int, error) {
	if at+int64(len(b)) > int64(len(m)) {
		return 0, io.ErrShortWrite
	}
	return copy(m[at:], b), nil
}

func (m memory) ReadAt(b []byte, at int64) (int, error) {
	if at >= int64(len(m)) {
		return 0, io.EOF
	}
	n := copy(b, m[at:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

// disk is a directory in memory.
type disk map[string]memory

func (d disk) place(f File) Medium {
	d[f.Name] = make(memory, f.Size)
	return d[f.Name]
}

// inputs gives the files in the order of a card's list.
func (d disk) inputs(c *Card) (list []Input) {
	for _, f := range c.Files() {
		if b, ok := d[f.Name]; ok {
			list = append(list, Input{f.Name, int64(len(b)), b})
		}
	}
	return list
}

// texts opens documents that are in memory.
type texts map[string]string

func (x texts) open(name string) (io.ReadCloser, error) {
	s, ok := x[name]
	if !ok {
		return nil, &os.PathError{Op: "open", Path: name, Err: os.ErrNotExist}
	}
	return io.NopCloser(strings.NewReader(s)), nil
}

func openFile(name string) (io.ReadCloser, error) { return os.Open(name) }

// loadShow loads a show and its performances.
func loadShow(t testing.TB, open func(string) (io.ReadCloser, error), name string) (*sequence.Show, []*interp.Performance) {
	t.Helper()
	doc, err := sequence.Load(open, name)
	if err != nil {
		t.Fatal(err)
	}
	show, ok := doc.(*sequence.Show)
	if !ok {
		show = Alone(doc.(*sequence.Script))
	}
	var ps []*interp.Performance
	for _, sm := range show.Motions {
		p, err := interp.Compile(sm.Script)
		if err != nil {
			t.Fatal(err)
		}
		ps = append(ps, p)
	}
	return show, ps
}

// planned plans a card of documents in memory.
func planned(t testing.TB, x texts, name string, o Options) *Card {
	t.Helper()
	show, ps := loadShow(t, x.open, name)
	c, err := New(show, ps, o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// lighthouse is the show of the examples, with two boards and a sound.
func lighthouse(t testing.TB) *Card {
	t.Helper()
	show, ps := loadShow(t, openFile, "../../examples/lighthouse/keeper.show.yaml")
	c, err := New(show, ps, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// written writes a card to memory.
func onDisk(t testing.TB, c *Card) disk {
	t.Helper()
	d := disk{}
	if err := c.Write(d.place, nil); err != nil {
		t.Fatal(err)
	}
	return d
}

// shoreRig is a rig with each kind of unit, a board whose clock runs 450 ppm fast, an
// input, a stop and a sound player.
const shoreRig = `rig: Shore
format: 1
supplies: {rail: {voltage: 6V, limit: 5A, capacity: 2Ah}}
boards:
  tower: {rate: 50Hz, tick: 0.5us, channels: 12, clock: 450ppm, inputs: {1: {active: high}, 2: {active: low, stop: true}}}
axes:
  pan: {kind: servo, board: tower, channel: 0, supply: rail, travel: [-60deg, 60deg], pulse: [[-60deg, 1000us], [60deg, 2000us]], limits: {speed: 300deg/s, acceleration: 3000deg/s2}}
  arm: {kind: servo, board: tower, channel: 3, supply: rail, travel: [0deg, 90deg], rest: 10deg, pulse: [[0deg, 900us], [90deg, 2100us]], load: {mass: 100g, arm: 50mm}}
  wheel: {kind: continuous-servo, board: tower, channel: 4, supply: rail}
  beacon: {kind: stepper, board: tower, channel: 5, supply: rail, steps: 200, microsteps: 16}
  winch: {kind: motor, board: tower, channel: 6, supply: rail}
  lamp: {kind: dimmer, board: tower, channel: 7, supply: rail, current: 300mA, gamma: 2.2}
  horn: {kind: switch, board: tower, channel: 8, supply: rail, current: 80mA}
sound: {delay: 310ms, trigger: {board: tower, channel: 9, pulse: 50ms}}
`

// wave is a motion that moves every axis of shoreRig, with a sound or without.
func wave(seconds float64, more string) string {
	return fmt.Sprintf(`motion: Waves
format: 1
rig: shore.rig.yaml
fps: 25
length: %gs
%stracks:
  pan: [[0s, 0deg], [%gs, 50deg, in-out], [%gs, 0deg, in-out]]
  arm: [[0s, 10deg], [%gs, 80deg, min-jerk], [%gs, 10deg, min-jerk]]
  wheel: [[0s, 0], [%gs, 60, linear], [%gs, 0, linear]]
  beacon: [[0s, 0deg], [%gs, 720deg, in-out], [%gs, 0deg, in-out]]
  winch: [[0s, 0], [%gs, -80, linear], [%gs, 0, linear]]
  lamp: [[0s, 0], [%gs, 100], [%gs, 0]]
cues:
  - {at: %gs, set: {horn: on}}
  - {at: %gs, set: {horn: off}}
  - {at: %gs, say: "the wave is up"}
`, seconds, more, seconds/2, seconds, seconds/2, seconds, seconds/2, seconds, seconds/2, seconds, seconds/2, seconds, seconds/2, seconds,
		seconds/4, seconds/2, seconds/2)
}

// tone is a WAV file of a tenth of a second: RIFF, PCM, 8000 Hz, 8 bits, silence.
func tone() string {
	const n = 800
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x40\x1f\x00\x00\x40\x1f\x00\x00\x01\x00\x08\x00data\x00\x00\x00\x00")
	le.PutUint32(b[4:], uint32(36+n))
	le.PutUint32(b[40:], n)
	return string(b) + strings.Repeat("\x80", n)
}

// shore gives documents for a show of three motions on shoreRig.
func shore() texts {
	return texts{
		"shore.rig.yaml":    shoreRig,
		"idle.motion.yaml":  wave(4, "loop: true\n"),
		"greet.motion.yaml": wave(3, "audio: tone.wav\n"),
		"storm.motion.yaml": wave(2, "loop: true\naudio: tone.wav\n"),
		"tone.wav":          tone(),
		"shore.show.yaml": `show: The shore, alone
format: 1
rig: shore.rig.yaml
start: {play: idle}
join: 1s
motions:
  idle: {file: idle.motion.yaml, loop: true}
  greet: {file: greet.motion.yaml, trigger: {input: 1, warm_up: 60s, lockout: 20s}, while_busy: interrupt}
  storm: {file: storm.motion.yaml, loop: true, every: [4s, 9s], seed: 3, while_busy: wait}
hours: {from: 10h, to: 22h}
`}
}

// near says whether two numbers are within a distance.
func near(a, b, within float64) bool { return math.Abs(a-b) <= within }
