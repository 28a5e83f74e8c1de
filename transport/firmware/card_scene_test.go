package firmware_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"limberjack/transport/card"
)

// The scenes of the design that a board on its own has to pass, in virtual time.

// gallery is a rig of eight servos.
func gallery() string {
	s := `rig: Gallery
format: 1
supplies: {rail: {voltage: 6V, limit: 9A, capacity: 3Ah}}
boards:
  tower: {rate: 50Hz, tick: 0.5us, channels: 12, clock: 450ppm, pulses: staggered, inputs: {1: {active: high}, 2: {active: low, stop: true}}}
axes:
`
	for i := range 8 {
		s += fmt.Sprintf("  wing%d: {kind: servo, board: tower, channel: %d, supply: rail, travel: [-45deg, 45deg], pulse: [[-45deg, 1100us], [45deg, 1900us]], limits: {speed: 300deg/s, acceleration: 3000deg/s2}}\n", i, i)
	}
	return s
}

// flutter moves eight servos up and down for so long, each a little after the one before.
func flutter(seconds float64, more string) string {
	s := fmt.Sprintf("motion: Flutter\nformat: 1\nrig: gallery.rig.yaml\nlength: %gs\n%stracks:\n", seconds, more)
	for i := range 8 {
		s += fmt.Sprintf("  wing%d: [[0s, %ddeg]", i, 5*i-20)
		for k := 1; float64(2*k+2) < seconds; k++ {
			s += fmt.Sprintf(", [%gs, %ddeg, in-out]", 2*float64(k)+0.1*float64(i), (k%2*2-1)*(10+3*i))
		}
		s += fmt.Sprintf(", [%gs, %ddeg, in-out]]\n", seconds, 5*i-20)
	}
	return s
}

func galleryShow(motions string, more documents) documents {
	d := documents{"gallery.rig.yaml": gallery(), "watch.motion.yaml": flutter(8, ""), "greet.motion.yaml": flutter(6, ""),
		"gallery.show.yaml": "show: The gallery\nformat: 1\nrig: gallery.rig.yaml\n" + motions}
	for k, v := range more {
		d[k] = v
	}
	return d
}

const galleryMotions = `start: {play: watch}
motions:
  watch: {file: watch.motion.yaml, every: [5s, 20s], seed: 3}
  greet: {file: greet.motion.yaml, trigger: {input: 1, edge: rising, warm_up: 60s, lockout: 20s}, while_busy: interrupt}
`

const (
	warmUp  = 60_000_000 // us
	lockout = 20_000_000
	grain   = 2_000 // by which it may be longer: a ms that has begun, at either end
)

// Scene 6: eight servos, 12 h a day for 42 days. Visitors come all the time; nobody is
// heard in the first minute, nor for 20 s after a greeting began; everybody else is greeted.
func TestScene6VisitorsForSixWeeks(t *testing.T) {
	t.Parallel()
	days := 42
	if testing.Short() {
		days = 2
	}
	e := exhibitOf(t, galleryShow(galleryMotions, nil), "gallery.show.yaml", card.ImageOptions{})
	const day = 12 * 3600 * 1_000_000
	dice := rand.New(rand.NewPCG(6, 42))
	script := []string{"0 nap 20000"}
	var edges []int64
	for d := range days {
		begin := int64(d) * day
		if d > 0 {
			script = append(script, fmt.Sprintf("%d in 0", begin), fmt.Sprintf("%d reset 1", begin))
		}
		for at := begin + dice.Int64N(5_000_000); at < begin+day-15_000_000; at += 3_000_000 + int64(dice.ExpFloat64()*30e6) {
			script = append(script, fmt.Sprintf("%d in 2", at), fmt.Sprintf("%d in 0", at+1_500_000))
			edges = append(edges, at)
		}
	}
	script = append(script, fmt.Sprintf("%d end", int64(days)*day))
	o := playCard(t, e.program(t, true), e.image, 0, script...)

	greetings, warm, locked := o.asked(t, 1), 0, 0
	var want []int64
	free := int64(0)
	first := o.starts(t, 1)
	for _, at := range edges {
		switch {
		case at%day < warmUp:
			warm++
		case at < free:
			locked++
		default:
			// The lockout counts from the first frame, which comes after the way to it.
			i, _ := slices.BinarySearch(first, at)
			greeted := i < len(first) && first[i] <= at+10_000_000
			if !greeted && at < free+grain { // it counts whole ms, and is never too short
				locked++
				continue
			}
			want = append(want, at)
			if !greeted {
				t.Fatalf("the visitor at %d us is not greeted:\n%s", at, around(o, at))
			}
			free = first[i] + lockout
		}
	}
	if len(greetings) != len(want) {
		t.Fatalf("%d greetings, and %d visitors who count", len(greetings), len(want))
	}
	for i, at := range greetings {
		if at < want[i] || at > want[i]+200_000 {
			t.Fatalf("greeting %d begins at %d us, and the visitor came at %d", i, at, want[i])
		}
	}
	n := o.last()
	if n.late > 0 || n.leftOut > 0 || len(o.all("code")) > 0 {
		t.Errorf("%+v, codes %v", n, o.all("code"))
	}
	t.Logf("%d days of 12 h: %d slots, %d visitors, %d greeted, %d in the warm-up, %d in a lockout; %d rounds of the watch; %d reads of the card",
		days, n.slots, len(edges), len(greetings), warm, locked, len(o.starts(t, 0)), n.reads)
}

// around gives the events that are no slots within half a minute of a time.
func around(o *outcome, at int64) string {
	near := &outcome{}
	for _, e := range o.events {
		if e.at > at-30_000_000 && e.at < at+30_000_000 {
			near.events = append(near.events, e)
		}
	}
	return eventsOf(near)
}

// asked gives the times at which a motion was chosen, us.
func (o *outcome) asked(t *testing.T, motion int64) (list []int64) {
	for _, e := range o.all("play") {
		if e.number(t, 0) == motion {
			list = append(list, e.at)
		}
	}
	return list
}

// Scene 6: a board whose clock runs 450 ppm fast stays within 40 ms over a ten-minute show.
// The program's clock is the board's: true time is 450 ppm shorter.
func TestScene6TenMinutesWithAClockThatRunsFast(t *testing.T) {
	t.Parallel()
	d := galleryShow("start: {play: long}\nmotions:\n  long: {file: long.motion.yaml}\n", documents{"long.motion.yaml": flutter(600, "")})
	e := exhibitOf(t, d, "gallery.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "610000000 end")
	want := passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	list, at := beginOf(t, o, want, 0)
	greatest := 0.0
	for k := range want {
		elapsed := float64(list[at+k].at-list[at].at) / (1 + 450e-6)
		greatest = math.Max(greatest, math.Abs(elapsed-20_000*float64(k)))
	}
	if greatest > 40_000 {
		t.Errorf("a frame is %.0f us off", greatest)
	}
	if n := o.last(); n.late > 0 || n.clamped > 0 {
		t.Errorf("%+v", n)
	}
	t.Logf("%d frames, at most %.1f us off the true time", len(want), greatest)
}

// Scene 7: counters wrap in mid-show: cues come within one frame of where they would, there
// is no jump, no trigger is missed.
func TestScene7CountersWrap(t *testing.T) {
	e := exhibitOf(t, galleryShow(galleryMotions, nil), "gallery.show.yaml", card.ImageOptions{})
	greet := func(ms string, clock uint32) *outcome {
		// Two visitors, before and after the wrap, and one in the lockout.
		return playCard(t, e.program(t, false), e.image, clock, "0 slots 1", "1000000 up "+ms,
			"70000000 in 2", "71000000 in 0", "80000000 in 2", "81000000 in 0", "95000000 in 2", "96000000 in 0", "110000000 end")
	}
	plain := greet("1000", 0)
	if n := len(plain.starts(t, 1)); n != 2 {
		t.Fatalf("%d greetings without a wrap, and there should be 2:\n%s", n, eventsOf(plain))
	}
	tests := []struct {
		name  string
		ms    string // of the count of ms, after 1 s
		clock uint32 // us at power-up
	}{
		{"us in mid-greeting", "1000", 1<<32 - 73_000_000},
		{"us in the lockout", "1000", 1<<32 - 80_500_000},
		{"us on the way", "1000", 1<<32 - 70_200_000},
		{"us while loading", "1000", 1<<32 - 5_000},
		{"ms in mid-greeting, after 49.7 days", fmt.Sprint(uint32(1<<32 - 72_000)), 0},
		{"ms in the lockout, after 49.7 days", fmt.Sprint(uint32(1<<32 - 80_000)), 0},
		{"both", fmt.Sprint(uint32(1<<32 - 72_500)), 1<<32 - 73_500_000},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			o := greet(test.ms, test.clock)
			if got, want := eventsOf(o), eventsOf(plain); got != want {
				t.Errorf("with a wrap:\n%s\nwithout:\n%s", got, want)
			}
			a, b := o.all("slot"), plain.all("slot")
			if len(a) != len(b) {
				t.Fatalf("%d slots, and %d without a wrap", len(a), len(b))
			}
			for i := range a {
				if off := a[i].at - b[i].at; off < -20_000 || off > 20_000 || !slices.Equal(a[i].rest[1:], b[i].rest[1:]) {
					t.Fatalf("slot %d is %s, and %s without a wrap", i, a[i], b[i])
				}
			}
		})
	}
}

// Scene 9: three resets that nobody asked for within a minute stop the show, until the power
// is cut.
func TestScene9ThreeResetsAMinuteStopTheShow(t *testing.T) {
	e := exhibitOf(t, galleryShow(galleryMotions, nil), "gallery.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "5000000 reset 3", "20000000 reset 3", "30000000 status", "40000000 reset 3",
		"41000000 status", "100000000 status", "100000000 reset 3", "130000000 reset 1", "140000000 end")
	if len(o.starts(t, 0)) < 3 {
		t.Fatalf("the show does not play before:\n%s", eventsOf(o))
	}
	for _, at := range o.starts(t, 0) {
		if at > 40_000_000 && at < 130_000_000 {
			t.Errorf("a motion starts at %d us, after three resets", at)
		}
	}
	if s := o.tallies; s[2].slots != s[1].slots {
		t.Errorf("%d slots after three resets", s[2].slots-s[1].slots)
	}
	if at := o.starts(t, 0); at[len(at)-1] < 130_000_000 {
		t.Errorf("the show does not come back with the power:\n%s", eventsOf(o))
	}
	var codes []string
	for _, c := range o.all("code") {
		codes = append(codes, c.String())
	}
	if len(codes) != 2 || o.all("code")[0].number(t, 0) != 6 || o.all("code")[1].number(t, 0) != 0 {
		t.Errorf("codes %v, and there should be 6 and then 0", codes)
	}
}

// Scene 10: a show that was changed or cut is refused, and the pose at rest that is built
// in stands, with a code.
func TestScene10AChangedShowIsRefused(t *testing.T) {
	e := exhibitOf(t, galleryShow(galleryMotions, nil), "gallery.show.yaml", card.ImageOptions{})
	container, index := e.place(t, e.file), e.place(t, e.index)
	table := container + 512*int(e.contents.Header.Table)
	size := e.entry(t, "TOWER   LJC") + 28
	const card_, files, foreign, damaged = 1, 2, 3, 4
	tests := []struct {
		name   string
		change func(image []byte) []byte
		code   int64
	}{
		{"header", func(b []byte) []byte { b[container+100] ^= 1; return b }, damaged},
		{"header's CRC", func(b []byte) []byte { b[container+510] ^= 0x80; return b }, damaged},
		{"channels", func(b []byte) []byte { b[container+512+30] ^= 4; return b }, damaged},
		{"table of motions", func(b []byte) []byte { b[table+9] ^= 4; return b }, damaged},
		{"index", func(b []byte) []byte { b[index+25] ^= 1; return b }, damaged},
		{"list of boards", func(b []byte) []byte { b[index+512+40] ^= 1; return b }, damaged},
		{"triggers", func(b []byte) []byte { b[index+1024+300] ^= 1; return b }, damaged},
		{"cut by a sector", func(b []byte) []byte { binary.LittleEndian.PutUint32(b[size:], uint32(len(e.file)-512)); return b }, damaged},
		{"cut within a sector", func(b []byte) []byte { binary.LittleEndian.PutUint32(b[size:], uint32(len(e.file)-100)); return b }, damaged},
		{"an empty file", func(b []byte) []byte { binary.LittleEndian.PutUint32(b[size:], 0); return b }, damaged},
		{"another version", func(b []byte) []byte { b[container+1] = 2; reseal(b[container:]); return b }, foreign},
		{"for another rig", func(b []byte) []byte { b[index+512+8+12] ^= 1; reseal(b[index+512:]); return b }, foreign},
		{"for another board", func(b []byte) []byte { b[index+512+8+36] ^= 1; reseal(b[index+512:]); return b }, foreign},
		{"no show", func(b []byte) []byte { copy(b[e.entry(t, "SHOW    LJI"):], "NONE    "); return b }, files},
		{"no container", func(b []byte) []byte { copy(b[e.entry(t, "TOWER   LJC"):], "NONE    "); return b }, damaged},
		{"no volume", func(b []byte) []byte { clear(b[:512]); return b }, files},
		{"no card", func(b []byte) []byte { return nil }, card_},
	}
	rest := make([]int64, len(e.contents.Channels))
	for i, ch := range e.contents.Channels {
		rest[i] = int64(ch.Rest)
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			o := playCard(t, e.program(t, false), test.change(slices.Clone(e.image)), 0, "0 slots 1", "70000000 in 2", "71000000 in 0", "80000000 end")
			if n := len(o.all("play")); n > 0 {
				t.Errorf("a motion plays:\n%s", eventsOf(o))
			}
			codes := o.all("code")
			if len(codes) != 1 || codes[0].number(t, 0) != test.code {
				t.Errorf("codes %v, and there should be %d", codes, test.code)
			}
			slots := o.all("slot")
			if len(slots) < 3000 {
				t.Fatalf("%d slots", len(slots))
			}
			for _, s := range slots {
				if !slices.Equal(s.values(t), rest) {
					t.Fatalf("%s, and at rest it should be %v", s, rest)
				}
			}
		})
	}
}

// Scene 10: a card that stalls for 100 ms makes nothing late, at any of its reads.
func TestScene10ACardThatStalls(t *testing.T) {
	e := exhibitOf(t, galleryShow(galleryMotions, nil), "gallery.show.yaml", card.ImageOptions{})
	want := passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "0 delay 100000", "40000000 end")
	_, _ = beginOf(t, o, want, 0)
	if n := o.last(); n.late > 0 || n.clamped > 0 || n.longest > 20_100 || n.leftOut > 0 {
		t.Errorf("all reads take 100 ms: %+v", n)
	}
	m := &e.contents.Motions[0]
	for i := range m.Sectors {
		lba := e.place(t, e.file)/512 + int(m.First+i)
		o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", fmt.Sprintf("0 stall %d 100000", lba), "20000000 end")
		_, _ = beginOf(t, o, want, 0)
		if n := o.last(); n.late > 0 || n.clamped > 0 || n.longest > 20_100 {
			t.Errorf("a stall at sector %d of the motion: %+v", i, n)
		}
	}
	t.Logf("%d sectors, each late by 100 ms once", m.Sectors)
}

// Scene 10: a sector of frames that was changed is left out: the axes come to rest, it is
// counted and shown, and the show goes on at the next good one, at that one's own time.
func TestScene10ADamagedSectorIsLeftOut(t *testing.T) {
	e := exhibitOf(t, galleryShow(galleryMotions, nil), "gallery.show.yaml", card.ImageOptions{})
	want := passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	m, each := &e.contents.Motions[0], int(e.contents.Header.Frames)
	for _, damage := range []string{"flipped", "broken"} {
		t.Run(damage, func(t *testing.T) {
			lba := e.place(t, e.file)/512 + int(m.First) + 3
			script := fmt.Sprintf("0 flip %d 5", lba*512+77)
			if damage == "broken" {
				script = fmt.Sprintf("0 broken %d", lba)
			}
			o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", script, "14000000 end")
			list, at := beginOf(t, o, want[:3*each], 0)
			period := float64(e.contents.Header.Period) / 1000
			after := want[4*each:]
			i := slices.IndexFunc(list[at:], func(s told) bool {
				return math.Abs(float64(s.at-list[at].at)-period*float64(4*each)) < 2
			})
			if i < 0 {
				t.Fatal("no slot stands at the time of the next good sector")
			}
			// The axes catch up within `change`.
			if d := after[25:].differs(t, list[at+i+25:]); d != "" {
				t.Errorf("after the sector that was left out: %s", d)
			}
			if n := o.last(); n.leftOut != 1 || n.late > 0 || n.longest > 40_100 {
				t.Errorf("%+v", n)
			}
			if c := o.all("code"); len(c) != 1 || c[0].number(t, 0) != 8 {
				t.Errorf("codes %v", c)
			}
		})
	}
}
