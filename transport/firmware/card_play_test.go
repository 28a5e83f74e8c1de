package firmware_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"limberjack/transport/card"
	"limberjack/transport/wire"
)

// mtool runs a program of dosfstools or mtools.
func mtool(t testing.TB, name string, args ...string) string {
	t.Helper()
	tool(t, name)
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "PATH="+os.Getenv("PATH")+":/sbin:/usr/sbin")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
	return string(out)
}

// perforated makes a volume whose only free clusters are single ones with others between
// them, and copies the files of a card to it. It is made by mkfs.fat and mtools.
func perforated(t testing.TB, e *exhibit, kind string, kib int) []byte {
	t.Helper()
	dir := t.TempDir()
	image := filepath.Join(dir, "card.img")
	mtool(t, "mkfs.fat", "-F", kind, "-s", "1", "-C", image, fmt.Sprint(kib))
	put := func(name string, b []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
		mtool(t, "mcopy", "-i", image, filepath.Join(dir, name), "::"+name)
	}
	var odd []string
	for i := range 160 {
		name := fmt.Sprintf("F%03d", i)
		put(name, make([]byte, 512))
		if i%2 == 1 {
			odd = append(odd, "::"+name)
		}
	}
	free := regexp.MustCompile(`([0-9 ]+) bytes free`).FindStringSubmatch(mtool(t, "mdir", "-i", image, "::"))
	var size int
	if _, err := fmt.Sscan(strings.ReplaceAll(free[1], " ", ""), &size); err != nil {
		t.Fatal(err)
	}
	put("REST", make([]byte, size-8*512)) // the directory grows, too
	mtool(t, "mdel", append([]string{"-i", image}, odd...)...)
	put("TOWER.LJC", e.file)
	put("SHOW.LJI", e.index)
	for _, name := range []string{"TOWER.LJC", "SHOW.LJI"} {
		pieces := strings.Count(mtool(t, "mshowfat", "-i", image, "::"+name), "<")
		if pieces < 3 {
			t.Fatalf("%s is in %d pieces", name, pieces)
		}
		t.Logf("%s is in %d pieces", name, pieces)
	}
	mtool(t, "fsck.fat", "-n", image)
	b, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// partitioned puts a volume behind a table of partitions, as most cards have it: bytes 446
// to 509 of sector 0, by the UEFI Specification 2.10, section 5.2.1 (from memory). mdir reads it.
func partitioned(t testing.TB, volume []byte, kind byte) []byte {
	t.Helper()
	const begin = 2048
	b := make([]byte, begin*512, begin*512+len(volume))
	entry := b[446+16:] // the first one is empty
	entry[4] = kind
	le32(entry[8:], begin)
	le32(entry[12:], uint32(len(volume)/512))
	b[510], b[511] = 0x55, 0xaa
	b = append(b, volume...)
	name := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if out := mtool(t, "mdir", "-i", name+"@@1M", "::"); !strings.Contains(out, "SHOW") {
		t.Fatalf("mdir does not find the show:\n%s", out)
	}
	return b
}

func le32(b []byte, x uint32) { copy(b, []byte{byte(x), byte(x >> 8), byte(x >> 16), byte(x >> 24)}) }

// The same show comes out the same from every kind of volume, in one piece or in many.
func TestCardVolumes(t *testing.T) {
	t.Parallel()
	d := coastShow("start: {play: swell}\nmotions:\n  swell: {file: swell.motion.yaml}\n  round: {file: round.motion.yaml, trigger: {input: 1}, while_busy: interrupt}\n", nil)
	e := exhibitOf(t, d, "coast.show.yaml", card.ImageOptions{})
	want := passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	next := passageOf(t, e.lines[1][0], &e.contents.Motions[1])
	tests := []struct {
		name  string
		image func(t *testing.T) []byte
	}{
		{"FAT16", func(t *testing.T) []byte { e.write(t, card.ImageOptions{FAT: card.FAT16}); return e.image }},
		{"FAT32", func(t *testing.T) []byte { e.write(t, card.ImageOptions{FAT: card.FAT32}); return e.image }},
		{"FAT16 with large clusters", func(t *testing.T) []byte {
			e.write(t, card.ImageOptions{FAT: card.FAT16, Size: 200 << 20})
			return e.image
		}},
		{"FAT16 in pieces", func(t *testing.T) []byte { return perforated(t, e, "16", 4096) }},
		{"FAT32 in pieces", func(t *testing.T) []byte { return perforated(t, e, "32", 36864) }},
		{"FAT16 in a partition", func(t *testing.T) []byte { return partitioned(t, perforated(t, e, "16", 4096), 0x06) }},
		{"FAT32 in a partition", func(t *testing.T) []byte {
			e.write(t, card.ImageOptions{FAT: card.FAT32})
			return partitioned(t, e.image, 0x0c)
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			image := test.image(t)
			o := playCard(t, e.program(t, false), image, 0, "0 slots 1", "8000000 in 2", "16000000 end")
			beginOf(t, o, want, 0)
			beginOf(t, o, next, 1)
			if n := o.last(); n.late > 0 || n.leftOut > 0 {
				t.Errorf("%+v", n)
			}
		})
	}
}

// A seamless loop goes on without a pause; another goes its way to the first pose again.
func TestCardLoops(t *testing.T) {
	d := coastShow("start: {play: round}\nmotions:\n  round: {file: round.motion.yaml, loop: true}\n", nil)
	e := exhibitOf(t, d, "coast.show.yaml", card.ImageOptions{})
	want := passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	whole := slices.Concat(want, want, want)
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "14000000 end")
	list, at := beginOf(t, o, whole, 0)
	if got := list[at+len(whole)-1].at - list[at].at; got < 20_009*int64(len(whole)-1)-2 || got > 20_009*int64(len(whole)-1)+2 {
		t.Errorf("three rounds of %d frames take %d us", len(want), got)
	}

	d = coastShow("start: {play: swell}\nmotions:\n  swell: {file: swell.motion.yaml, loop: true}\n", nil)
	e = exhibitOf(t, d, "coast.show.yaml", card.ImageOptions{})
	want = passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	o = playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "20000000 end")
	beginOf(t, o, want, 0)
	if starts := o.starts(t, 0); len(starts) < 4 || starts[1]-starts[0] < 4_000_000 || starts[1]-starts[0] > 4_500_000 {
		t.Errorf("rounds begin at %v", starts)
	}
}

const busyMotions = `start: {play: swell}
motions:
  swell: {file: swell.motion.yaml}
  dropped: {file: round.motion.yaml, trigger: {input: 1}}
  second: {file: round.motion.yaml, trigger: {input: 2}, while_busy: wait}
  first: {file: swell.motion.yaml, trigger: {input: 2, edge: falling}, while_busy: wait}
`

// What a start does to a busy board: it is dropped, or it waits, in the order of the show.
func TestCardBusy(t *testing.T) {
	e := exhibitOf(t, coastShow(busyMotions, nil), "coast.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "2500000 in 4", "2600000 in 0", "2700000 in 2", "2800000 in 0", "2900000 in 4", "4000000 in 0", "30000000 in 2", "31000000 in 0", "40000000 end")
	var got []int64
	for _, p := range o.all("play") {
		got = append(got, p.number(t, 0))
	}
	if want := []int64{0, -1, 2, -1, 3, -1, 1, -1}; !slices.Equal(got, want) {
		t.Errorf("%v play, and it should be %v:\n%s", got, want, eventsOf(o))
	}
}

// A motion that waits for a loop starts at the end of the round.
func TestCardWaitsForTheRound(t *testing.T) {
	d := coastShow("start: {play: round}\nmotions:\n  round: {file: round.motion.yaml, loop: true}\n  swell: {file: swell.motion.yaml, trigger: {input: 1}, while_busy: wait}\n", nil)
	e := exhibitOf(t, d, "coast.show.yaml", card.ImageOptions{})
	want := passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "6000000 in 2", "20000000 end")
	list, at := beginOf(t, o, slices.Concat(want, want), 0)
	if s := o.starts(t, 1); len(s) != 1 || s[0] < list[at+2*len(want)-1].at {
		t.Errorf("the motion that waits starts at %v:\n%s", s, eventsOf(o))
	}
	if n := o.last(); n.clamped > 0 || n.late > 0 {
		t.Errorf("%+v", n)
	}
}

// plays gives the motions that were chosen, in order; -1 where the board was free.
func (o *outcome) plays(t testing.TB) (list []int64) {
	t.Helper()
	for _, p := range o.all("play") {
		list = append(list, p.number(t, 0))
	}
	return list
}

// press gives the script of a visitor who presses a button, input 1 or 2, for 0.1 s.
func press(input int, at int64) []string {
	return []string{fmt.Sprintf("%d in %d", at, 1<<input), fmt.Sprintf("%d in 0", at+100_000)}
}

// What comes after a motion starts at its end: alone, with others that ask, and round and
// round. The swell lasts 4 s, the round 3 s.
func TestCardSequence(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, motions string
		script        []string
		end           int64 // s
		want          []int64
	}{
		{"one after the other", "start: {play: a}\nmotions:\n  a: {file: swell.motion.yaml}\n  b: {file: round.motion.yaml, after: a}\n  c: {file: swell.motion.yaml, after: b}\n",
			nil, 30, []int64{0, -1, 1, -1, 2, -1}},
		{"listed before it", "start: {play: a}\nmotions:\n  b: {file: round.motion.yaml, after: a}\n  a: {file: swell.motion.yaml}\n",
			nil, 20, []int64{1, -1, 0, -1}},
		{"either of two", "motions:\n  a: {file: swell.motion.yaml, trigger: {input: 1}}\n  b: {file: round.motion.yaml, trigger: {input: 2}}\n  c: {file: swell.motion.yaml, after: [a, b]}\n",
			slices.Concat(press(1, 3_000_000), press(2, 20_000_000)), 40, []int64{0, -1, 2, -1, 1, -1, 2, -1}},
		{"before one that waits", "start: {play: a}\nmotions:\n  w: {file: round.motion.yaml, trigger: {input: 1}, while_busy: wait}\n  a: {file: swell.motion.yaml}\n  b: {file: round.motion.yaml, after: a}\n",
			press(1, 3_000_000), 30, []int64{1, -1, 2, -1, 0, -1}},
		{"behind one that waits", "start: {play: a}\nmotions:\n  a: {file: swell.motion.yaml}\n  b: {file: round.motion.yaml, after: a, while_busy: wait}\n  w: {file: round.motion.yaml, trigger: {input: 1}, while_busy: wait}\n",
			press(1, 3_000_000), 30, []int64{0, -1, 2, -1, 1, -1}},
		{"behind one that waits and is listed first", "start: {play: a}\nmotions:\n  w: {file: round.motion.yaml, trigger: {input: 1}, while_busy: wait}\n  a: {file: swell.motion.yaml}\n  b: {file: round.motion.yaml, after: a, while_busy: wait}\n",
			press(1, 3_000_000), 30, []int64{1, -1, 0, -1, 2, -1}},
		{"two, of which one waits", "start: {play: a}\nmotions:\n  a: {file: swell.motion.yaml}\n  c: {file: round.motion.yaml, after: a, while_busy: wait}\n  b: {file: round.motion.yaml, after: a, while_busy: wait}\n",
			nil, 30, []int64{0, -1, 1, -1, 2, -1}},
		{"not after an interruption", "start: {play: a}\nmotions:\n  a: {file: swell.motion.yaml}\n  b: {file: round.motion.yaml, after: a}\n  i: {file: round.motion.yaml, trigger: {input: 1}, while_busy: interrupt}\n",
			press(1, 3_000_000), 60, []int64{0, 2, -1}},
		{"not after a stop", "start: {play: a}\nmotions:\n  a: {file: swell.motion.yaml}\n  b: {file: round.motion.yaml, after: a}\n  i: {file: round.motion.yaml, trigger: {input: 1}}\n",
			slices.Concat([]string{"3000000 in 1", "4000000 in 0"}, press(1, 20_000_000)), 80, []int64{0, -1, 2, -1}},
		{"the idle comes back", "start: {play: i}\nmotions:\n  i: {file: round.motion.yaml, loop: true, after: g}\n  g: {file: swell.motion.yaml, trigger: {input: 1}, while_busy: interrupt}\n",
			slices.Concat(press(1, 6_000_000), press(1, 30_000_000)), 60, []int64{0, 1, -1, 0, 1, -1, 0}},
		{"a ring keeps the board busy", "start: {play: a}\nmotions:\n  a: {file: round.motion.yaml, after: b}\n  b: {file: round.motion.yaml, after: a}\n  w: {file: round.motion.yaml, trigger: {input: 1}, while_busy: wait}\n",
			press(1, 3_000_000), 16, []int64{0, -1, 1, -1, 0, -1, 1, -1, 0}},
		{"a ring that lets others in", "start: {play: a}\nmotions:\n  a: {file: round.motion.yaml, after: b}\n  b: {file: round.motion.yaml, after: a, while_busy: wait}\n  w: {file: swell.motion.yaml, trigger: {input: 1}, while_busy: wait}\n",
			press(1, 3_000_000), 22, []int64{0, -1, 2, -1, 1, -1, 0, -1, 1, -1, 0}},
		{"a timed one is drawn again at its end", "motions:\n  a: {file: round.motion.yaml, every: [1s, 1s]}\n  b: {file: round.motion.yaml, after: a}\n",
			nil, 16, []int64{0, -1, 1, -1, 0, -1, 1}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			e := exhibitOf(t, coastShow(test.motions, nil), "coast.show.yaml", card.ImageOptions{})
			o := playCard(t, e.program(t, false), e.image, 0, append(test.script, fmt.Sprintf("%d end", test.end*1_000_000))...)
			if got := o.plays(t); !slices.Equal(got, test.want) {
				t.Errorf("%v play, and it should be %v:\n%s", got, test.want, eventsOf(o))
			}
			if n := o.last(); n.clamped > 0 || n.late > 0 || n.leftOut > 0 {
				t.Errorf("%+v", n)
			}
		})
	}
}

// Twenty motions one after the other, over three sectors of triggers and over a slow card,
// come out in order, each value by value.
func TestCardLongSequence(t *testing.T) {
	t.Parallel()
	s := "start: {play: m0}\nmotions:\n  m0: {file: swell.motion.yaml}\n"
	want := []int64{0, -1}
	for i := 1; i < 20; i++ {
		s += fmt.Sprintf("  m%d: {file: %s.motion.yaml, after: m%d}\n", i, []string{"swell", "round"}[i%2], i-1)
		want = append(want, int64(i), -1)
	}
	e := exhibitOf(t, coastShow(s, nil), "coast.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "0 delay 20000", "120000000 end")
	if got := o.plays(t); !slices.Equal(got, want) {
		t.Fatalf("%v play:\n%s", got, eventsOf(o))
	}
	for k, p := range o.all("play")[1:] {
		// The board is free for as long as it takes to read three sectors.
		if before := o.all("play")[k]; before.number(t, 0) == -1 && p.at-before.at > 100_000 {
			t.Errorf("%s comes late after %s", p, before)
		}
	}
	for i := range 20 {
		beginOf(t, o, passageOf(t, e.lines[i][0], &e.contents.Motions[i]), int64(i))
	}
	if n := o.last(); n.clamped > 0 || n.late > 0 || n.leftOut > 0 {
		t.Errorf("%+v", n)
	}
}

// A board whose program knows version 1 of the index only says of one of version 2, or of a
// later one, that the show is not for it; damage is told from that.
func TestCardOfALaterVersion(t *testing.T) {
	e := exhibitOf(t, coastShow(stopMotions, nil), "coast.show.yaml", card.ImageOptions{})
	place := e.place(t, e.index)
	for _, c := range []struct {
		version byte
		seal    bool
		code    int64
	}{{3, true, 3}, {0, true, 3}, {2, false, 4}} {
		image := slices.Clone(e.image)
		image[place+1] = c.version
		if c.seal {
			reseal(image[place : place+512])
		}
		o := playCard(t, e.program(t, false), image, 0, "2000000 end")
		if got := o.all("code"); len(got) != 1 || got[0].number(t, 0) != c.code {
			t.Errorf("version %d: codes %v, want %d", c.version, got, c.code)
		}
	}
}

// Random intervals are those of the generator, from the end of a motion to its start.
func TestCardRandomIntervals(t *testing.T) {
	d := coastShow("motions:\n  swell: {file: swell.motion.yaml, every: [1s, 6s], seed: 5}\n  round: {file: round.motion.yaml, every: [7s, 30s], seed: 9, while_busy: wait}\n", nil)
	e := exhibitOf(t, d, "coast.show.yaml", card.ImageOptions{})
	x, err := card.OpenIndex(bytes.NewReader(e.index), int64(len(e.index)))
	if err != nil {
		t.Fatal(err)
	}
	o := playCard(t, e.program(t, false), e.image, 0, "600000000 end")
	free, random, n := int64(0), card.Random(x.Triggers[0].Seed), 0
	var playing int64 = -1
	other := false
	for _, p := range o.all("play") {
		switch m := p.number(t, 0); {
		case m == 0 && !other: // a start of the other one in between would have dropped some
			want := int64(random.Interval(x.Triggers[0].Least, x.Triggers[0].Greatest)) * 1000
			if got := p.at - free; got < want-2000 || got > want+60_000 {
				t.Fatalf("%s: %d us after the end, and %d were drawn", p, got, want)
			}
			n++
			playing = m
		case m == 1:
			other, playing = true, m
		case m == -1 && playing == 0:
			free = p.at
		}
		if other {
			break
		}
	}
	if n < 1 || len(o.starts(t, 0)) < 30 || len(o.starts(t, 1)) < 8 {
		t.Errorf("%d intervals, %d and %d starts", n, len(o.starts(t, 0)), len(o.starts(t, 1)))
	}
}

const stopMotions = `start: {play: round}
motions:
  round: {file: round.motion.yaml, loop: true}
  swell: {file: swell.motion.yaml, trigger: {input: 1}, while_busy: interrupt}
`

// After the stop input nothing moves until somebody asks for a motion; then that one plays,
// and the axes begin where they were left.
func TestCardStopInput(t *testing.T) {
	e := exhibitOf(t, coastShow(stopMotions, nil), "coast.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "4000000 in 1", "6000000 in 3", "7000000 in 1", "8000000 in 0", "20000000 in 2", "30000000 end")
	if s := o.starts(t, 1); len(s) != 1 || s[0] < 20_000_000 {
		t.Errorf("the motion starts at %v:\n%s", s, eventsOf(o))
	}
	var before []int64
	for _, s := range o.all("slot") {
		if s.at > 8_000_000 && s.at < 20_000_000 {
			t.Fatalf("%s, and the board is stopped", s)
		}
		if v := s.values(t); s.at < 6_000_000 && v[0] >= 0 {
			before = v
		} else if s.at > 20_000_000 {
			if d := v[0] - before[0]; d < -40 || d > 40 {
				t.Fatalf("the first pulse after the stop is %d, and the last one before was %d", v[0], before[0])
			}
			break
		}
	}
	if n := o.last(); n.clamped > 0 {
		t.Errorf("%+v", n)
	}
}

// A board whose program has no wire (LJ_WIRE is 0) plays as one that has it and is not
// spoken to: through starts, a slow card, damage, a stop, a reset and the clock's wrap.
func TestCardWithoutAWire(t *testing.T) {
	t.Parallel()
	e := exhibitOf(t, coastShow(stopMotions, nil), "coast.show.yaml", card.ImageOptions{})
	script := []string{"0 slots 1", "2500000 delay 100000", "4000000 in 1", "6000000 in 3", "7000000 in 1", "8000000 in 0",
		"20000000 in 2", "24000000 card 0", "27000000 card 1", "40000000 in 0", "41000000 in 2", "43000000 reset 2", "55000000 status", "60000000 end"}
	for _, clock := range []uint32{0, 1<<32 - 21_000_000} {
		with := playCard(t, e.program(t, false), e.image, clock, script...)
		without := playCard(t, cardProgram(t, e.config, e.contents.Header.Print, false, "-DLJ_WIRE=0"), e.image, clock, script...)
		for i, want := range with.events {
			if i >= len(without.events) || without.events[i].String() != want.String() {
				t.Fatalf("clock %d: event %d of %d and %d differs: %s", clock, i, len(with.events), len(without.events), want)
			}
		}
		if len(with.events) != len(without.events) || !slices.Equal(with.tallies, without.tallies) {
			t.Errorf("clock %d: %d and %d events, %v and %v", clock, len(with.events), len(without.events), with.tallies, without.tallies)
		}
		if n := len(with.all("slot")); n < 1000 || len(with.starts(t, 1)) == 0 {
			t.Errorf("clock %d: only %d slots to compare", clock, n)
		}
	}
}

// cardFrame gives a message as it stands on a serial line.
func cardFrame(t testing.TB, m wire.Message) []byte {
	t.Helper()
	var e wire.Encoder
	b, err := e.Frame(nil, m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A host that stops the show has the board until the next reset.
func TestCardHostStop(t *testing.T) {
	e := exhibitOf(t, coastShow(stopMotions, nil), "coast.show.yaml", card.ImageOptions{})
	script := []string{"0 slots 1"}
	for i, m := range [][]byte{cardFrame(t, &wire.Query{}), cardFrame(t, &wire.Stop{Category: wire.CategoryControlled})} {
		for _, b := range m {
			script = append(script, fmt.Sprintf("%d byte %d", 3_000_000+i*2_000_000, b))
		}
	}
	o := playCard(t, e.program(t, false), e.image, 0, append(script, "10000000 in 2", "11000000 in 0", "20000000 reset 2", "26000000 end")...)
	states := o.all("state")
	if len(states) < 3 || states[2].at != 5_000_000 {
		t.Fatalf("states %v", states)
	}
	for _, s := range o.all("slot") {
		if s.at > 7_000_000 && s.at < 20_000_000 {
			t.Fatalf("%s, and a host has stopped the board", s)
		}
	}
	if s := o.starts(t, 0); s[len(s)-1] < 20_000_000 {
		t.Errorf("the show does not come back after a reset:\n%s", eventsOf(o))
	}
}

// A card that is pulled out in mid-motion: the axes do what their policies say, the code is
// shown, and the show comes back with the card.
func TestCardPulledOut(t *testing.T) {
	e := exhibitOf(t, coastShow(stopMotions, nil), "coast.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "3800000 card 0", "40000000 status", "40000000 card 1", "70000000 end")
	codes := o.all("code")
	// The sectors that fail are counted first.
	if len(codes) != 3 || codes[0].number(t, 0) != 8 || codes[1].number(t, 0) != 1 || codes[2].number(t, 0) != 0 || codes[1].at > 3_800_000+2_000_000 {
		t.Fatalf("codes %v", codes)
	}
	list := o.all("slot")
	i := slices.IndexFunc(list, func(s told) bool { return s.at > 30_000_000 })
	v := list[i].values(t)
	if rest := int64(e.contents.Channels[1].Rest); v[1] != rest {
		t.Errorf("the arm's policy is rest: it stands at %d, not at %d", v[1], rest)
	}
	if v[0] == int64(e.contents.Channels[0].Rest) || v[0] < 0 {
		t.Errorf("the pan's policy is hold: it stands at %d", v[0])
	}
	if s := o.starts(t, 0); s[len(s)-1] < 40_000_000 {
		t.Errorf("the show does not come back with the card:\n%s", eventsOf(o))
	}
	if n := o.tallies[0]; n.longest > 20_100 {
		t.Errorf("%+v", n)
	}
}

// A show with more triggers than there is memory for is refused with a code of its own.
func TestCardWithTooManyTriggers(t *testing.T) {
	t.Parallel()
	s := "motions:\n"
	for i := range 7 {
		s += fmt.Sprintf("  m%d: {file: swell.motion.yaml, trigger: {input: 1, lockout: 1s}}\n", i)
	}
	e := exhibitOf(t, coastShow(s, nil), "coast.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "2000000 end")
	if c := o.all("code"); len(c) != 1 || c[0].number(t, 0) != 5 {
		t.Errorf("codes %v", c)
	}
	o = playCard(t, cardProgram(t, e.config, e.contents.Header.Print, false, "-DLJ_SHOW_TIMERS=7"), e.image, 0, "2000000 end")
	if c := o.all("code"); len(c) != 0 {
		t.Errorf("codes %v with memory for them", c)
	}
}

// The card player is clean under both compilers, and on a chip of 8 bits; there its sizes
// are told.
func TestCardNoWarnings(t *testing.T) {
	t.Parallel()
	e := exhibitOf(t, coastShow(stopMotions, nil), "coast.show.yaml", card.ImageOptions{})
	for _, compiler := range []string{"gcc", "clang"} {
		t.Run(compiler, func(t *testing.T) {
			tool(t, compiler)
			warnings(t, compiler, e.config, cardSources(t), "-DLJ_SHOW_PRINT=1")
			warnings(t, compiler, e.config, cardSources(t), "-DLJ_SHOW_PRINT=1", "-DLJ_WIRE=0")
		})
	}
	t.Run("avr-gcc", func(t *testing.T) {
		tool(t, "avr-gcc")
		tool(t, "avr-size")
		dir := t.TempDir()
		args := append([]string{"-mmcu=atmega328p", "-Os", "-mcall-prologues", "-DLJ_SHOW_PRINT=1", "-fstack-usage", "-c"}, strict...)
		args = append(args, header(t, e.config, dir, "src/avr")...)
		for _, f := range []string{"lj_fat", "lj_card", "lj_show"} {
			object := filepath.Join(dir, f+".o")
			if out, err := exec.Command("avr-gcc", append(slices.Clone(args), "-o", object, "src/core/"+f+".c")...).CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			t.Log(mtool(t, "avr-size", object))
		}
	})
}

// silence is a WAV file of so many seconds: RIFF, PCM, 8000 Hz, 8 bits.
func silence(seconds float64) string {
	n := int(8000 * seconds)
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x40\x1f\x00\x00\x40\x1f\x00\x00\x01\x00\x08\x00data\x00\x00\x00\x00")
	le32(b[4:], uint32(36+n))
	le32(b[40:], uint32(n))
	return string(b) + strings.Repeat("\x80", n)
}

// The output that starts the sound player is on before the motion, by the player's delay,
// and in a seamless loop as long before each round; the rounds follow without a pause.
func TestCardSound(t *testing.T) {
	t.Parallel()
	d := coastShow("start: {play: round}\nmotions:\n  round: {file: loud.motion.yaml, loop: true}\n", documents{
		"loud.motion.yaml": swell(3, "loop: true\naudio: tone.wav\n"), "tone.wav": silence(2),
		"coast.rig.yaml": coastRig + "sound: {delay: 310ms, trigger: {board: tower, channel: 9, pulse: 50ms}}\n"})
	e := exhibitOf(t, d, "coast.show.yaml", card.ImageOptions{})
	m := e.contents.Motions[0]
	var want passage
	row := make([]uint16, e.contents.Header.Channels)
	add := func(k uint32) {
		if err := e.contents.Frame(0, k, row); err != nil {
			t.Fatal(err)
		}
		values := make([]int64, len(row))
		for i, v := range row {
			values[i] = int64(v)
		}
		want = append(want, values)
	}
	for k := range m.Frames {
		add(k)
	}
	for range 2 {
		for k := m.From; k < m.Frames; k++ {
			add(k)
		}
	}
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "14000000 end")
	list, at := beginOf(t, o, want, 0)
	// By the rig: 310 ms are 15.5 frames, rounded to 16; 50 ms are 3 frames, rounded up.
	trigger := len(row) - 1
	var on []int
	for k, s := range list[at : at+len(want)] {
		if s.values(t)[trigger] == 1 {
			on = append(on, k)
		}
	}
	round := 150 // frames of 3 s
	if w := []int{0, 1, 2, round, round + 1, round + 2, 2 * round, 2*round + 1, 2*round + 2, 3 * round, 3*round + 1, 3*round + 2}; !slices.Equal(on, w) {
		t.Errorf("the output is on in frames %v, and should be in %v", on, w)
	}
}

// A join time makes the way to a motion quicker, as far as the axes can go.
func TestCardJoin(t *testing.T) {
	show := "start: {play: swell}\nmotions:\n  swell: {file: swell.motion.yaml}\n"
	times := map[string]int64{}
	for _, join := range []string{"", "join: 5s\n", "join: 400ms\n", "join: 10ms\n"} {
		e := exhibitOf(t, coastShow(join+show, nil), "coast.show.yaml", card.ImageOptions{})
		o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "6000000 end")
		want := passageOf(t, e.lines[0][0], &e.contents.Motions[0])
		list, at := beginOf(t, o, want, 0)
		i := slices.IndexFunc(list, func(s told) bool { return s.rest[0] != "-" })
		times[join] = list[at].at - list[i].at
		if n := o.last(); n.clamped > 0 {
			t.Errorf("%q: %+v", join, n)
		}
		slow(t, e, list[:at+1])
	}
	t.Logf("the way takes, in us: %v", times)
	if times[""] != times["join: 5s\n"] || times["join: 400ms\n"] > 400_000 || times["join: 400ms\n"] < 300_000 || times[""] < 700_000 ||
		times["join: 10ms\n"] > 300_000 {
		t.Errorf("the way takes %v us", times)
	}
}

// slow holds slots against what the axes can do at most: change, and change of it.
func slow(t *testing.T, e *exhibit, list []told) {
	t.Helper()
	for i, ch := range e.contents.Channels {
		if ch.Unit != wire.UnitTicks {
			continue
		}
		before, speed := int64(ch.Rest), int64(0)
		for k, s := range list {
			v := s.values(t)[i]
			d := v - before
			// Values are rounded, so that a change of speed may be two more.
			if max(d, -d) > int64(ch.Change) || max(d-speed, speed-d) > int64(ch.Slow)+2 {
				t.Fatalf("%d slots before the motion, output %d changes by %d after %d; change is %d, slow %d", len(list)-k, i, d, speed, ch.Change, ch.Slow)
			}
			before, speed = v, d
		}
	}
}

// A card that is put in after power-up: the board stands at rest until then, and plays.
func TestCardComesLate(t *testing.T) {
	e := exhibitOf(t, coastShow(stopMotions, nil), "coast.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, "0 slots 1", "0 card 0", "30000000 card 1", "60000000 end")
	codes := o.all("code")
	if len(codes) != 2 || codes[0].number(t, 0) != 1 || codes[0].at > 3_000_000 || codes[1].number(t, 0) != 0 || codes[1].at > 45_000_000 {
		t.Errorf("codes %v", codes)
	}
	if s := o.starts(t, 0); len(s) == 0 || s[0] < 30_000_000 || s[0] > 46_000_000 {
		t.Errorf("the show starts at %v:\n%s", s, eventsOf(o))
	}
	for _, s := range o.all("slot") {
		if v := s.values(t); s.at < 30_000_000 && v[0] != int64(e.contents.Channels[0].Rest) {
			t.Fatalf("%s, and there is no card", s)
		}
	}
}
