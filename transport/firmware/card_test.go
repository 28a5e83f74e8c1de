package firmware_test

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/card"
	"limberjack/transport/firmware"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// The card player is run in virtual time: a program in C has the core, a card in memory
// and a script of inputs, and tells what comes out. What is on the card is written by
// package card, and what should come out is taken from package timeline.

// documents are texts that a show is loaded from.
type documents map[string]string

func (d documents) open(name string) (io.ReadCloser, error) {
	s, ok := d[name]
	if !ok {
		return nil, os.ErrNotExist
	}
	return io.NopCloser(strings.NewReader(s)), nil
}

// exhibit is a show with its card, and the configuration of a board that plays it.
type exhibit struct {
	show     *sequence.Show
	lines    [][]*timeline.Timeline // of each motion, of each board
	plan     *card.Card
	image    []byte // with a FAT file system
	file     []byte // the container of the first board
	index    []byte
	contents *card.Container
	config   *firmware.Config
}

// exhibitOf loads a show and makes its card.
func exhibitOf(t testing.TB, d documents, name string, o card.ImageOptions) *exhibit {
	t.Helper()
	doc, err := sequence.Load(d.open, name)
	if err != nil {
		t.Fatal(err)
	}
	e := &exhibit{}
	var ok bool
	if e.show, ok = doc.(*sequence.Show); !ok {
		e.show = card.Alone(doc.(*sequence.Script))
	}
	var performances []*interp.Performance
	for _, sm := range e.show.Motions {
		p, err := interp.Compile(sm.Script)
		if err != nil {
			t.Fatal(err)
		}
		lines, err := timeline.Build(p)
		if err != nil {
			t.Fatal(err)
		}
		performances, e.lines = append(performances, p), append(e.lines, timeline.AddTrigger(e.show.Rig, lines))
	}
	if e.plan, err = card.New(e.show, performances, card.Options{Room: card.RoomMost}); err != nil {
		t.Fatal(err)
	}
	e.write(t, o)
	return e
}

// write writes the image, and reads the files back.
func (e *exhibit) write(t testing.TB, o card.ImageOptions) {
	t.Helper()
	m, err := e.plan.NewImage(o)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(filepath.Join(t.TempDir(), "card.img"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(m.Size()); err != nil {
		t.Fatal(err)
	}
	if err := m.Write(f, nil); err != nil {
		t.Fatal(err)
	}
	if e.image, err = os.ReadFile(f.Name()); err != nil {
		t.Fatal(err)
	}
	inputs, err := card.ImageFiles(f, m.Size())
	if err != nil {
		t.Fatal(err)
	}
	for _, in := range inputs {
		b := make([]byte, in.Size)
		if _, err := in.ReadAt(b, 0); err != nil && err != io.EOF {
			t.Fatal(err)
		}
		switch {
		case in.Name == card.IndexName:
			e.index = b
		case strings.HasSuffix(in.Name, card.ContainerExt) && e.file == nil:
			e.file = b
		}
	}
	if e.contents, err = card.OpenContainer(bytes.NewReader(e.file), int64(len(e.file))); err != nil {
		t.Fatal(err)
	}
	e.config = boardFor(e.contents)
}

// program gives the program of the board for which the card is.
func (e *exhibit) program(t testing.TB, fast bool) string {
	return cardProgram(t, e.config, e.contents.Header.Print, fast)
}

// boardFor gives the board for which a container was made. Its limits of speed are wide, so
// that one program plays all shows of a rig: those of the card hold. Its queue holds 320 ms
// at 50 Hz.
func boardFor(c *card.Container) *firmware.Config {
	f := &firmware.Config{Name: c.Header.Name, Queue: 16, Payload: 128, Tick: c.Header.Tick, Least: 2_000_000, Greatest: 100_000_000, Inputs: 16, Debounce: 5000}
	for _, ch := range c.Channels {
		for len(f.Outputs) < int(ch.Output) {
			f.Outputs = append(f.Outputs, firmware.Output{})
		}
		f.Outputs = append(f.Outputs, firmware.Output{Units: 1 << ch.Unit, Flags: ch.Flags &^ card.FlagTrigger, Unit: ch.Unit, Lost: ch.Lost,
			Offset: ch.Offset, Low: ch.Low, High: ch.High, Rest: ch.Rest, Change: 30000, Slow: 30000, Soft: 10})
	}
	return f
}

// cardProgram gives the program of the card player for a board with a card's print; fast
// is without sanitizers, for weeks of virtual time.
func cardProgram(t testing.TB, c *firmware.Config, print uint32, fast bool, more ...string) string {
	t.Helper()
	tool(t, "cc")
	flags := append([]string{printFlag(print)}, more...)
	if fast {
		flags = append(flags, "-O2", "-flto")
	} else {
		flags = append(flags, sanitized...)
	}
	var text strings.Builder
	if _, err := c.WriteTo(&text); err != nil {
		t.Fatal(err)
	}
	key := text.String() + strings.Join(flags, " ")
	return shared(t, key, func() string { return compile(t, "cc", c, cardSources(t), flags...) })
}

func printFlag(print uint32) string { return fmt.Sprintf("-DLJ_SHOW_PRINT=0x%08xu", print) }

// cardSources are those of the program that plays from a card in memory.
func cardSources(t testing.TB) []string {
	files, err := filepath.Glob("src/core/*.c")
	if err != nil || len(files) == 0 {
		t.Fatalf("no sources: %v", err)
	}
	files = slices.DeleteFunc(files, func(name string) bool { return filepath.Base(name) == "lj_show.c" }) // card_host.c has it
	return append(files, "src/host/card_host.c", "src/host/lj_no_eeprom.c")
}

// told is a line of what the program tells.
type told struct {
	what string
	at   int64 // us since power-up
	rest []string
}

func (e told) String() string {
	return fmt.Sprintf("%s %d %s", e.what, e.at, strings.Join(e.rest, " "))
}

// number gives the i-th number behind the time.
func (e told) number(t testing.TB, i int) int64 {
	t.Helper()
	if i >= len(e.rest) {
		t.Fatalf("%s: there is no number %d", e, i)
	}
	n, err := strconv.ParseInt(e.rest[i], 10, 64)
	if err != nil {
		t.Fatalf("%s: %v", e, err)
	}
	return n
}

// tally is what the program counts.
type tally struct {
	played, late, clamped, leftOut, reads, slots int64
	longest                                      int64 // us between two slots, since the last tally
}

// outcome is all that came out.
type outcome struct {
	events  []told
	tallies []tally
}

// playCard runs a script with an image on the program. clock is what the board's clock shows
// at power-up, us.
func playCard(t testing.TB, program string, image []byte, clock uint32, script ...string) *outcome {
	t.Helper()
	name := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(name, image, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, name, fmt.Sprint(clock))
	cmd.Stdin = strings.NewReader(strings.Join(script, "\n") + "\n")
	var trouble bytes.Buffer
	cmd.Stderr = &trouble
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	o := &outcome{}
	for s := bufio.NewScanner(out); s.Scan(); {
		o.add(t, strings.Fields(s.Text()))
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("the card player: %v\n%s", err, trouble.Bytes())
	}
	for _, e := range o.all("bad") {
		t.Errorf("an output leaves what is built into the board: %s", e)
	}
	return o
}

func (o *outcome) add(t testing.TB, f []string) {
	t.Helper()
	if f[0] == "status" {
		var n [7]int64
		for i := range n {
			n[i], _ = strconv.ParseInt(f[1+i], 10, 64)
		}
		o.tallies = append(o.tallies, tally{n[0], n[1], n[2], n[3], n[4], n[5], n[6]})
		return
	}
	at, err := strconv.ParseInt(f[1], 10, 64)
	if err != nil {
		t.Fatalf("%q: %v", f, err)
	}
	o.events = append(o.events, told{f[0], at, f[2:]})
}

// all gives the events of a kind.
func (o *outcome) all(what string) (list []told) {
	for _, e := range o.events {
		if e.what == what {
			list = append(list, e)
		}
	}
	return list
}

// last gives the tally at the end.
func (o *outcome) last() tally { return o.tallies[len(o.tallies)-1] }

// starts gives the times of the first frames of a motion, us.
func (o *outcome) starts(t testing.TB, motion int64) (list []int64) {
	for _, e := range o.all("frame") {
		if e.number(t, 0) == motion {
			list = append(list, e.at)
		}
	}
	return list
}

// values gives what stands on the pins in a slot; -1: no pulse.
func (e told) values(t testing.TB) []int64 {
	t.Helper()
	list := make([]int64, 0, len(e.rest)-1)
	for i, s := range e.rest[1:] {
		if s == "-" {
			list = append(list, -1)
			continue
		}
		list = append(list, e.number(t, 1+i))
	}
	return list
}

// passage is a motion as it should come out: a row of values a frame, -1 for no pulse.
type passage [][]int64

// passageOf gives a motion by its timeline, the frames before it included.
func passageOf(t testing.TB, line *timeline.Timeline, m *card.Motion) (p passage) {
	t.Helper()
	r, raw := line.Reader(), make([]uint16, len(line.Channels))
	position := make([]int64, len(raw))
	for i := range line.Channels {
		position[i] = line.Channels[i].Start
	}
	for r.Next(raw) {
		row := make([]int64, len(raw))
		for i, v := range raw {
			row[i] = int64(v)
			switch u := line.Channels[i].Unit; {
			case u == timeline.StepDelta:
				position[i] += int64(int16(v))
				row[i] = position[i] & 0xffff
			case u == timeline.PulseTicks && v == 0:
				row[i] = -1
			}
		}
		if p == nil {
			for range m.Prelude {
				p = append(p, slices.Clone(row))
			}
		}
		p = append(p, row)
	}
	if int64(len(p)) != int64(m.Frames) {
		t.Fatalf("the timeline has %d frames with those before it, and the card %d", len(p), m.Frames)
	}
	return p
}

// differs says where slots differ first from a passage.
func (p passage) differs(t testing.TB, list []told) string {
	for k, row := range p {
		if k >= len(list) {
			return fmt.Sprintf("frame %d of %d is missing", k, len(p))
		}
		if got := list[k].values(t); !slices.Equal(got, row) {
			return fmt.Sprintf("frame %d: %v is on the pins, the timeline has %v", k, got, row)
		}
	}
	return ""
}

// beginOf gives all slots, and the place of the one in which the first frame of a motion
// is played for the first time; that what follows is the passage is checked.
func beginOf(t testing.TB, o *outcome, p passage, number int64) ([]told, int) {
	t.Helper()
	list, starts := o.all("slot"), o.starts(t, number)
	if len(starts) == 0 {
		t.Fatalf("motion %d never starts:\n%s", number, eventsOf(o))
	}
	at := slices.IndexFunc(list, func(s told) bool { return s.at == starts[0] })
	if at < 0 {
		t.Fatalf("there is no slot at %d us", starts[0])
	}
	if d := p.differs(t, list[at:]); d != "" {
		t.Fatalf("motion %d does not come out as it is: %s\n%s", number, d, eventsOf(o))
	}
	return list, at
}

// eventsOf gives the events that are no slots.
func eventsOf(o *outcome) string {
	var b strings.Builder
	for _, e := range o.events {
		if e.what != "slot" {
			fmt.Fprintln(&b, e)
		}
	}
	return b.String()
}

// coast is a rig with an output of each unit; its clock runs 450 ppm fast.
const coastRig = `rig: Coast
format: 1
supplies: {rail: {voltage: 6V, limit: 5A, capacity: 2Ah}}
boards:
  tower: {rate: 50Hz, tick: 0.5us, channels: 12, clock: 450ppm, inputs: {1: {active: high}, 2: {active: high}, 3: {active: low, stop: true}}}
axes:
  pan: {kind: servo, board: tower, channel: 0, supply: rail, lost: hold, travel: [-60deg, 60deg], pulse: [[-60deg, 1000us], [60deg, 2000us]], limits: {speed: 300deg/s, acceleration: 3000deg/s2}}
  arm: {kind: servo, board: tower, channel: 3, supply: rail, travel: [0deg, 90deg], rest: 10deg, pulse: [[0deg, 900us], [90deg, 2100us]], lost: rest}
  wheel: {kind: continuous-servo, board: tower, channel: 4, supply: rail}
  beacon: {kind: stepper, board: tower, channel: 5, supply: rail, steps: 200, microsteps: 16}
  winch: {kind: motor, board: tower, channel: 6, supply: rail}
  lamp: {kind: dimmer, board: tower, channel: 7, supply: rail, current: 300mA, gamma: 2.2}
  horn: {kind: switch, board: tower, channel: 8, supply: rail, current: 80mA}
`

// swell is a motion that moves every axis of the coast.
func swell(seconds float64, more string) string {
	h := seconds / 2
	return fmt.Sprintf(`motion: Swell
format: 1
rig: coast.rig.yaml
fps: 25
length: %gs
%stracks:
  pan: [[0s, 20deg], [%gs, 50deg, in-out], [%gs, 20deg, in-out]]
  arm: [[0s, 30deg], [%gs, 80deg, min-jerk], [%gs, 30deg, min-jerk]]
  wheel: [[0s, 0], [%gs, 60, linear], [%gs, 0, linear]]
  beacon: [[0s, 0deg], [%gs, 720deg, in-out], [%gs, 0deg, in-out]]
  winch: [[0s, 0], [%gs, -80, linear], [%gs, 0, linear]]
  lamp: [[0s, 0], [%gs, 100], [%gs, 0]]
cues:
  - {at: %gs, set: {horn: on}}
  - {at: %gs, set: {horn: off}}
  - {at: %gs, say: "the tide turns"}
`, seconds, more, h, seconds, h, seconds, h, seconds, h, seconds, h, seconds, h, seconds, h/2, h, h)
}

func coastShow(motions string, more documents) documents {
	d := documents{"coast.rig.yaml": coastRig, "swell.motion.yaml": swell(4, ""), "round.motion.yaml": swell(3, "loop: true\n"),
		"coast.show.yaml": "show: The coast, alone\nformat: 1\nrig: coast.rig.yaml\n" + motions}
	for k, v := range more {
		d[k] = v
	}
	return d
}

// A motion that plays at power-up comes out value by value, after a way from rest to its
// first pose within the soft start.
func TestCardPlaysTheTimeline(t *testing.T) {
	d := coastShow("start: {play: swell}\nmotions:\n  swell: {file: swell.motion.yaml}\n", nil)
	e := exhibitOf(t, d, "coast.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "12000000 end")
	want := passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	list, at := beginOf(t, o, want, 0)
	for k := range want {
		slot := list[at+k]
		if due := list[at].at + int64(float64(k)*float64(e.contents.Header.Period)/1000+0.5); slot.at < due-1 || slot.at > due+1 {
			t.Fatalf("frame %d is played at %d us and is due at %d", k, slot.at, due)
		}
	}
	if n := o.last(); n.late > 0 || n.clamped > 0 || n.leftOut > 0 || n.longest > 20_100 {
		t.Errorf("%+v", n)
	}
	softly(t, e, list[:at+1])
	if got := o.all("code"); len(got) != 0 {
		t.Errorf("codes %v", got)
	}
}

// softly holds the way to a first pose against the soft start of the card: speed and
// acceleration, to half a unit of rounding at each of the values that they come from.
func softly(t *testing.T, e *exhibit, list []told) {
	t.Helper()
	var before, speed []int64
	for k, slot := range list {
		v := slot.values(t)
		for i := range v {
			if k == 0 {
				continue
			}
			d := v[i] - before[i]
			if e.contents.Channels[i].Unit == wire.UnitDuty || e.contents.Channels[i].Unit == wire.UnitSteps {
				d = int64(int16(v[i] - before[i]))
			}
			soft, rise := float64(e.contents.Channels[i].Soft)/65536, float64(e.contents.Channels[i].Rise)/65536
			if math.Abs(float64(d)) > soft+1 {
				t.Fatalf("%d slots before the motion, output %d changes by %d in a frame, and soft is %.3f", len(list)-k, i, d, soft)
			}
			if k > 1 && math.Abs(float64(d-speed[i])) > rise+2 {
				t.Fatalf("%d slots before the motion, output %d changes its speed from %d to %d, and rise is %.3f", len(list)-k, i, speed[i], d, rise)
			}
			if speed == nil {
				continue
			}
			speed[i] = d
		}
		if speed == nil {
			speed = make([]int64, len(v))
		}
		before = v
	}
}

// place gives where a file stands in the image.
func (e *exhibit) place(t testing.TB, file []byte) int {
	t.Helper()
	i := bytes.Index(e.image, file)
	if i < 0 || i%512 != 0 {
		t.Fatal("the file is not in the image")
	}
	return i
}

// entry gives where a file's entry in the root directory stands.
func (e *exhibit) entry(t testing.TB, name string) int {
	t.Helper()
	i := bytes.Index(e.image, []byte(name))
	if i < 0 || i%32 != 0 {
		t.Fatalf("no entry of %q is in the image", name)
	}
	return i
}

// reseal puts the right check behind a sector that was changed.
func reseal(sector []byte) { binary.LittleEndian.PutUint16(sector[510:], wire.Checksum(sector[:510])) }
