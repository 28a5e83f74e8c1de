package firmware_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/sequence"
	"limberjack/transport/card"
	"limberjack/transport/firmware"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// lighthouse has all files of the example.
func lighthouse(t *testing.T) documents {
	t.Helper()
	const root = "../../examples/lighthouse"
	d := documents{}
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		name, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		b, err := os.ReadFile(path)
		d[filepath.ToSlash(name)] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// shoreBoard makes the card of the greeting and the program of the example's shore board, whose
// beacon has its zero where its switch closes, towards minus.
func shoreBoard(t *testing.T) (tl *timeline.Timeline, image, program string) {
	t.Helper()
	e := exhibitOf(t, lighthouse(t), "greet.motion.yaml", card.ImageOptions{})
	var shore *sequence.Board
	for _, b := range e.show.Rig.Boards {
		if b.Name == "shore" {
			shore = b
		}
	}
	for _, line := range e.lines[0] {
		if line.Board == shore {
			tl = line
		}
	}
	p, err := firmware.ConfigOf(e.show.Rig, shore, portOf(t, large.port))
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Plays(p.Port.Usual()); err != nil {
		t.Fatal(err)
	}
	return tl, imageFile(t, e), large.program(t, "shore", p.Config, cardBoardSources(t))
}

// beacon is the beacon on its stepper, with a cam at its zero that closes a switch over 200
// steps.
type beacon struct {
	*simHost
	place  int  // steps from where the switch closes
	seen   int  // edges
	back   bool // the direction
	broken bool // the switch does not close
	closed bool
	turned []int // places, after each step
}

const shoreSwitch = "K3" // A11, input 3

func newBeacon(t *testing.T, c *chip, place int) *beacon {
	b := &beacon{simHost: &simHost{t: t, chip: c, dec: wire.Decoder{From: wire.FromBoard}}, place: place}
	b.closed = !b.closes()
	b.set()
	return b
}

func (b *beacon) closes() bool { return !b.broken && b.place <= 0 && b.place > -200 }

// set gives the switch's level, and lets it bounce by some 0.2 ms.
func (b *beacon) set() {
	closed := b.closes()
	if closed == b.closed {
		return
	}
	b.closed = closed
	level := map[bool]int{true: 0, false: 1}
	for range 3 {
		b.chip.do("in %s %d", shoreSwitch, level[closed])
		b.chip.run(b.chip.now + 40*cyclesPerUS)
		b.chip.do("in %s %d", shoreSwitch, level[!closed])
		b.chip.run(b.chip.now + 30*cyclesPerUS)
	}
	b.chip.do("in %s %d", shoreSwitch, level[closed])
}

// turn runs so many ms, and lets the beacon follow its steps.
func (b *beacon) turn(ms float64) {
	for until := b.chip.now + uint64(ms*1000*cyclesPerUS); b.chip.now < until; {
		b.run(0.25)
		b.follow()
		b.set()
	}
}

// follow lets the beacon follow the steps that have come.
func (b *beacon) follow() {
	for ; b.seen < len(b.chip.edges); b.seen++ {
		switch e := b.chip.edges[b.seen]; {
		case e.pin == b.chip.pins[0]:
			b.back = e.up
		case e.pin == stepPins[0] && e.up && b.back:
			b.place--
			b.turned = append(b.turned, b.place)
		case e.pin == stepPins[0] && e.up:
			b.place++
			b.turned = append(b.turned, b.place)
		}
	}
}

// sweep gives the positions of the beacon in a timeline.
func sweep(tl *timeline.Timeline) (places []int) {
	place := 0
	for _, row := range framesOf(tl) {
		for i := range tl.Channels {
			if tl.Channels[i].Unit == timeline.StepDelta {
				place += int(int16(row[i]))
				places = append(places, place)
			}
		}
	}
	return places
}

// TestHomingFromCard: at power-up the beacon stands anywhere. It looks for its switch at the
// rig's 20 deg/s (533 steps/s), and only then the motion begins; from then on its places are
// those of the timeline, to the step that passes while the switch is read.
func TestHomingFromCard(t *testing.T) {
	t.Parallel()
	tl, image, program := shoreBoard(t)
	want := sweep(tl)
	lowest, highest := 0, 0
	for _, x := range want {
		lowest, highest = min(lowest, x), max(highest, x)
	}
	for name, start := range map[string]int{"in front of it": 700, "upon it": -100} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBeacon(t, large.chip(t, program, 250000, "-c", image), start)
			b.turn(4000)
			found := 0
			for b.turned[found] != 0 || found == 0 || b.turned[found-1] <= 0 {
				found++ // it comes to the switch from above
			}
			homing := stepsOf(t, b.chip, 0)
			for k := 2; k < found; k++ {
				if d := float64(homing[k].at - homing[k-1].at); homing[k].back == homing[k-1].back && (d < cyclesPerUS*1e6/600 || d > 2*cyclesPerUS*1e6/533) {
					t.Fatalf("it looks at %.0f cycles a step", d)
				}
			}
			if b.turned[found] > start && start > 0 {
				t.Error("it goes away from a switch that is open")
			}
			b.turn(float64(len(want))*20 + 4000)
			// What came after it was found: some steps of way, back to zero, and the motion.
			low, high := 0, 0
			for _, x := range b.turned[found+4:] {
				low, high = min(low, x), max(high, x)
			}
			t.Logf("%d steps until it was found; then places from %d to %d, the timeline has %d to %d, and %d at its end, where it is %d", found, low, high, lowest, highest, want[len(want)-1], b.place)
			if d := b.place - want[len(want)-1]; d < -1 || d > 1 {
				t.Errorf("it ends at %d, the timeline at %d", b.place, want[len(want)-1])
			}
			if d := high - highest; d < -1 || d > 1 {
				t.Errorf("its highest place is %d, the timeline's %d", high, highest)
			}
			if d := low - lowest; d < -8 || d > 1 {
				t.Errorf("its lowest place is %d, the timeline's %d", low, lowest)
			}
			if st := b.status(); st.Late+st.Clamped > 0 {
				t.Errorf("%+v", *st)
			}
		})
	}
}

// TestHomingWithoutSwitch: it gives up after a turn and a tenth, and does not move any more; all
// else plays.
func TestHomingWithoutSwitch(t *testing.T) {
	t.Parallel()
	_, image, program := shoreBoard(t)
	b := newBeacon(t, large.chip(t, program, 250000, "-c", image), 3000)
	b.broken = true
	b.set()
	b.run(45_000)
	all := stepsOf(t, b.chip, 0)
	const turn = 200 * 16 * 3
	if n := len(all); n < turn || n > turn*11/10+20 || !all[0].back || !all[len(all)-1].back {
		t.Errorf("%d steps, a turn has %d", n, turn)
	}
	at := all[len(all)-1].at
	horn := 0
	for _, e := range b.chip.edges {
		if e.pin == b.chip.pins[2] && e.at > at {
			horn++
		}
	}
	if b.run(5000); len(stepsOf(t, b.chip, 0)) != len(all) || horn == 0 {
		t.Errorf("%d steps, the horn has %d edges", len(stepsOf(t, b.chip, 0)), horn)
	}
}

// TestHomingStops: the stop input, a host's stop and its stop 0 end the search at once or
// within a slot, and it is begun anew when the board is armed again.
func TestHomingStops(t *testing.T) {
	t.Parallel()
	_, _, program := shoreBoard(t)
	c := large.chip(t, program, 250000)
	b := newBeacon(t, c, 600)
	b.turn(5)
	arm := func() {
		b.say(&wire.Identify{Version: 1}, &wire.Setup{Channels: 1, Period: 20_000_000, Silence: 60000},
			&wire.Channel{Channel: 0, Unit: wire.UnitSteps, Low: -1 << 31, High: 1<<31 - 1, Change: 50, Slow: 2})
		b.say(&wire.Arm{Boot: last[*wire.Identity](b.simHost).Boot, Values: wire.Values(nil).Add(0)})
		if a := last[*wire.Ack](b.simHost); a.Result != wire.ResultOk {
			t.Fatalf("arm: %s", a.Result)
		}
	}
	moved := func(ms float64) int {
		b.follow()
		n := len(b.turned)
		b.turn(ms)
		return len(b.turned) - n
	}
	for name, stop := range map[string]func(){
		"the stop input": func() { c.do("in K0 0"); b.turn(40); c.do("in K0 1"); b.turn(40) },
		"a host's stop":  func() { b.say(&wire.Stop{Category: wire.CategoryControlled}); b.turn(40) },
		"stop 0":         func() { b.say(&wire.Stop{Category: wire.CategoryDrop}) },
	} {
		arm()
		if n := moved(150); n < 50 {
			t.Errorf("%s: armed, it takes %d steps in 150 ms", name, n)
		}
		stop()
		if n := moved(300); n > 0 {
			t.Errorf("%s: %d steps follow", name, n)
		}
	}
	arm()
	if st := b.status(); st.State != wire.StateArmed {
		t.Fatalf("%+v", *st)
	}
	b.turn(1500)
	if b.place < -1 || b.place > 1 {
		t.Errorf("it stands at %d", b.place)
	}
	stepsOf(t, c, 0)
	if strings.Contains(strings.Join(c.notes, "\n"), "z ") {
		t.Error("the chip was reset")
	}
}
