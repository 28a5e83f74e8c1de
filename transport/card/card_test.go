package card

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"limberjack/sequence"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

func sqrt(x float64) float64 { return math.Sqrt(x) }

// opened opens the container of shoreRig's board.
func opened(t testing.TB, d disk, name string) *Container {
	t.Helper()
	c, err := OpenContainer(d[name], int64(len(d[name])))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// frame reads one frame.
func frame(t testing.TB, c *Container, motion int, k uint32) []uint16 {
	t.Helper()
	v := make([]uint16, len(c.Channels))
	if err := c.Frame(motion, k, v); err != nil {
		t.Fatal(err)
	}
	return v
}

// TestValuesOfShore holds values on the card against numbers worked out by hand from
// the rig: pan 50 deg is 1000 us + (50 + 60) / 120 x 1000 us = 1916.67 us, which is 3833
// ticks of 0.5 us; arm 80 deg is 900 + 80/90 x 1200 = 1966.67 us, 3933 ticks; wheel 60 % is
// 1800 us, 3600 ticks; beacon 720 deg is two turns of 3200 microsteps; winch -80 % is
// -0.8 x 32767; the lamp is full; the horn is off again at the middle.
func TestValuesOfShore(t *testing.T) {
	c := opened(t, onDisk(t, planned(t, shore(), "shore.show.yaml", Options{})), "TOWER.LJC")
	winch := int16(-26214)
	for _, x := range []struct {
		frame uint32
		want  []uint16
	}{
		{0, []uint16{3000, 2067, 3000, 0, 0, 0, 0, 0}},
		{100, []uint16{3833, 3933, 3600, 6400, uint16(winch), 65535, 0, 0}},
	} {
		if got := frame(t, c, 0, x.frame); !slices.Equal(got, x.want) {
			t.Errorf("frame %d: %v, want %v", x.frame, got, x.want)
		}
	}
	if got := frame(t, c, 0, 50); got[6] != 1 || got[2] != 3300 {
		t.Errorf("after a quarter the horn is on, and the wheel at 30 %%, 1650 us: %v", got)
	}
}

// TestSeek: each frame by itself is the one that reading in order gives, and it takes
// one read of one sector, wherever it is.
func TestSeek(t *testing.T) {
	d := onDisk(t, planned(t, shore(), "shore.show.yaml", Options{}))
	c := opened(t, d, "TOWER.LJC")
	reads := &counter{m: d["TOWER.LJC"]}
	c.r = reads
	for motion := range c.Motions {
		m := &c.Motions[motion]
		for _, k := range []uint32{0, 1, m.Frames / 2, m.Frames - 1, uint32(c.Header.Frames), uint32(c.Header.Frames) - 1} {
			*reads = counter{m: reads.m}
			frame(t, c, motion, k)
			if reads.calls != 1 || reads.bytes != SectorSize {
				t.Errorf("frame %d took %d reads of %d bytes", k, reads.calls, reads.bytes)
			}
		}
		if err := c.Frame(motion, m.Frames, make([]uint16, 8)); err == nil {
			t.Error("a frame behind the last could be read")
		}
	}
}

type counter struct {
	m            memory
	calls, bytes int
}

func (c *counter) ReadAt(b []byte, at int64) (int, error) {
	c.calls++
	c.bytes += len(b)
	return c.m.ReadAt(b, at)
}

// TestChannelsAreWhatTheWireTells: units, policies and flags mean what they mean in the
// wire's message of that name; rest and limits by hand from the rig.
func TestChannelsAreWhatTheWireTells(t *testing.T) {
	c := opened(t, onDisk(t, planned(t, shore(), "shore.show.yaml", Options{})), "TOWER.LJC")
	for i, want := range []Channel{
		{Output: 0, Unit: wire.UnitTicks, Lost: wire.PolicyRest, Low: 2000, High: 4000, Rest: 3000, Name: "pan"},
		{Output: 3, Unit: wire.UnitTicks, Lost: wire.PolicyHold, Flags: wire.FlagsWeight, Low: 1800, High: 4200, Rest: 2067, Name: "arm"},
		{Output: 4, Unit: wire.UnitTicks, Lost: wire.PolicyRest, Flags: wire.FlagsTurns, Low: 2000, High: 4000, Rest: 3000, Name: "wheel"},
		{Output: 5, Unit: wire.UnitSteps, Lost: wire.PolicyRest, Low: math.MinInt32, High: math.MaxInt32, Name: "beacon"},
		{Output: 6, Unit: wire.UnitDuty, Lost: wire.PolicyRest, Low: -32767, High: 32767, Name: "winch"},
		{Output: 7, Unit: wire.UnitLevel, Lost: wire.PolicyRest, High: 65535, Name: "lamp"},
		{Output: 8, Unit: wire.UnitState, Lost: wire.PolicyRest, High: 1, Name: "horn"},
		{Output: 9, Unit: wire.UnitState, Lost: wire.PolicyHold, Flags: FlagTrigger, High: 1, Name: "sound player"},
	} {
		got := c.Channels[i]
		want.Offset, want.Change, want.Slow, want.Soft, want.Rise = got.Offset, got.Change, got.Slow, got.Soft, got.Rise
		if got != want {
			t.Errorf("channel %d: %+v, want %+v", i, got, want)
		}
	}
	// pan: 300 deg/s at 50 Hz are 6 deg a frame, 100 ticks, and 5 % and one more; 3000 deg/s2
	// are 1.2 deg a frame a frame, 20 ticks. Softly 30 deg/s: 0.6 deg, 10 ticks a frame; in
	// 0.3 s, 15 frames.
	pan := c.Channels[0]
	if pan.Change != 106 || pan.Slow != 20 || pan.Soft != 10<<16 || !near(float64(pan.Rise), 10.0/15*65536, 1) {
		t.Errorf("pan: change %d, slow %d, soft %d, rise %d", pan.Change, pan.Slow, pan.Soft, pan.Rise)
	}
}

// TestBoardAndCardCarryTheSamePrint: what firmware is made from is what a card has, with
// limits of change that are no wider.
func TestBoardAndCardCarryTheSamePrint(t *testing.T) {
	c := planned(t, shore(), "shore.show.yaml", Options{})
	on := opened(t, onDisk(t, c), "TOWER.LJC")
	tick, channels, err := ChannelsOf(c.show.Rig, c.show.Rig.Boards[0])
	if err != nil {
		t.Fatal(err)
	}
	if tick != 500_000 || Print(tick, channels) != on.Header.Print {
		t.Errorf("the board has %08x, the card %08x", Print(tick, channels), on.Header.Print)
	}
	for i, ch := range channels {
		if ch.Change > on.Channels[i].Change || ch.Soft != on.Channels[i].Soft || ch.Name != on.Channels[i].Name {
			t.Errorf("the board has %+v, the card %+v", ch, on.Channels[i])
		}
	}
}

// TestNoMotionIsCut: no frame of any motion differs from the one before by more than the
// channel's change, over the seams of loops too, so that the board cuts nothing.
func TestNoMotionIsCut(t *testing.T) {
	for name, card := range map[string]*Card{"lighthouse": lighthouse(t), "shore": planned(t, shore(), "shore.show.yaml", Options{})} {
		d := onDisk(t, card)
		for _, f := range card.Files() {
			if !isContainerName(f.Name) {
				continue
			}
			c := opened(t, d, f.Name)
			for motion := range c.Motions {
				m := &c.Motions[motion]
				last := frame(t, c, motion, 0)
				for k := uint32(1); k <= m.Frames; k++ {
					at := k
					if k == m.Frames {
						if m.Flags != FlagLoop|FlagSeamless {
							break
						}
						at = m.From
					}
					now := frame(t, c, motion, at)
					for i, ch := range c.Channels {
						way := int64(ch.Unit.Number(now[i])) - int64(ch.Unit.Number(last[i]))
						if ch.Unit == wire.UnitSteps {
							way = int64(int16(now[i] - last[i]))
						}
						if off := ch.Unit == wire.UnitTicks && (now[i] == 0 || last[i] == 0); !off && max(way, -way) > int64(ch.Change) {
							t.Fatalf("%s %s, %s frame %d, %s: a change of %d over %d", name, f.Name, m.Name, at, ch.Name, way, ch.Change)
						}
					}
					last = now
				}
			}
		}
	}
}

// TestTriggerOfTheSound: 310 ms at 50 Hz are 15.5 frames, 16 when rounded; 50 ms are 2.5
// frames, 3 when rounded up.
func TestTriggerOfTheSound(t *testing.T) {
	c := opened(t, onDisk(t, planned(t, shore(), "shore.show.yaml", Options{})), "TOWER.LJC")
	on := func(motion int) (list []uint32) {
		for k := range c.Motions[motion].Frames {
			if frame(t, c, motion, k)[7] == 1 {
				list = append(list, k)
			}
		}
		return list
	}
	for i, want := range [][]uint32{nil, {0, 1, 2}, {0, 1, 2, 100, 101, 102}} {
		if got := on(i); !slices.Equal(got, want) {
			t.Errorf("%s: on in frames %v, want %v", c.Motions[i].Name, got, want)
		}
	}
	for i, want := range []Motion{{Frames: 200}, {Frames: 151 + 16, Prelude: 16}, {Frames: 100 + 16, Prelude: 16, From: 16}} {
		if m := c.Motions[i]; m.Frames != want.Frames || m.Prelude != want.Prelude || m.From != want.From {
			t.Errorf("%+v, want %+v", m, want)
		}
	}
	first := frame(t, c, 1, 0)
	for k := range uint32(16) {
		if got := frame(t, c, 1, k+1); !slices.Equal(got[:7], first[:7]) {
			t.Errorf("the axes move in frame %d, before the sound is heard", k+1)
		}
	}
}

// TestTenMinutesWithAClockThatRunsFast is the sixth scene: 450 ppm of clock error held
// within 40 ms over a ten-minute show. What the board counts off is period x frames of
// its own nanoseconds; a clock that runs fast by 450 ppm counts 1.00045 of them in a true
// one. Without the trim the show would be 270 ms short.
func TestTenMinutesWithAClockThatRunsFast(t *testing.T) {
	x := shore()
	x["long.motion.yaml"] = wave(600, "")
	c := opened(t, onDisk(t, planned(t, x, "long.motion.yaml", Options{})), "TOWER.LJC")
	counted := float64(c.Header.Period) * float64(c.Motions[0].Frames-1) / 1e9
	if lasts := counted / 1.00045; !near(lasts, 600, 0.040) || !near(lasts, 600, 20e-6) {
		t.Errorf("the show lasts %.6f s", lasts)
	}
	if !near(counted, 600.27, 1e-4) {
		t.Errorf("the board counts %.6f s of its own", counted)
	}
}

// TestPeriods: the error of rounding to the nanosecond, over the rates that documents
// may have.
func TestPeriods(t *testing.T) {
	for _, rate := range []float64{1, 23.976, 24, 25, 29.97, 30, 50, 59.94, 60, 100, 333, 1000} {
		for _, ppm := range []float64{0, 450, -4330, 1258, 120.5, 1e5, -1e5} {
			b := &sequence.Board{Rate: sequence.Num{V: rate}, Clock: sequence.Num{V: ppm}}
			want := 1e9 / rate * (1 + ppm*1e-6)
			if got := periodOf(b); !near(got, want, 0.5+1e-6) || got != math.Trunc(got) {
				t.Errorf("%v Hz, %v ppm: %v ns, want %v", rate, ppm, got, want)
			}
		}
	}
}

// TestSameShowSameBytes: on one processor or on many, again and again.
func TestSameShowSameBytes(t *testing.T) {
	var before []byte
	for _, n := range []int{1, 2, 8} {
		old := runtime.GOMAXPROCS(n)
		c := lighthouse(t)
		m, err := c.NewImage(ImageOptions{})
		if err != nil {
			t.Fatal(err)
		}
		b := make(memory, m.Size())
		err = m.Write(b, nil)
		runtime.GOMAXPROCS(old)
		if err != nil {
			t.Fatal(err)
		}
		if before != nil && !bytes.Equal(before, b) {
			t.Fatalf("other bytes with %d processors", n)
		}
		before = b
	}
}

// TestDateIsOnlyThereIfAskedFor, in the sheet and in the directory of an image.
func TestDateIsOnlyThereIfAskedFor(t *testing.T) {
	for date, want := range map[string]uint16{"": 1<<5 | 1, "2025-06-30": 45<<9 | 6<<5 | 30, "2107-12-31": 127<<9 | 12<<5 | 31} {
		c := planned(t, shore(), "shore.show.yaml", Options{Date: date})
		d := onDisk(t, c)
		if got := strings.Contains(string(d[HandoverName]), "Date: "); got != (date != "") {
			t.Errorf("%q: a date in the sheet: %v", date, got)
		}
		m, err := c.NewImage(ImageOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if m.volume.date != want {
			t.Errorf("%q: %04x, want %04x", date, m.volume.date, want)
		}
	}
	for _, date := range []string{"1979-12-31", "2108-01-01", "30.6.2025", "2025-02-30", "x"} {
		show, ps := loadShow(t, shore().open, "shore.show.yaml")
		if _, err := New(show, ps, Options{Date: date}); err == nil {
			t.Errorf("%q was taken for a date", date)
		}
	}
}

// TestHandoverIsOnePage, whatever the show is like.
func TestHandoverIsOnePage(t *testing.T) {
	long := shore()
	var motions strings.Builder
	for i := range 300 {
		fmt.Fprintf(&motions, "  a-motion-with-a-name-of-some-length-%d: {file: greet.motion.yaml, trigger: {input: 1}}\n", i)
	}
	long["shore.show.yaml"] = "show: " + strings.Repeat("Lighthouse", 20) + "\nformat: 1\nrig: shore.rig.yaml\nmotions:\n" + motions.String()
	many := shore()
	var boards, axes strings.Builder
	for i := range 40 {
		fmt.Fprintf(&boards, "  a-board-with-some-name-%d: {rate: 50Hz, tick: 0.5us, channels: 4, inputs: {1: {active: high}, 2: {stop: true}}}\n", i)
		fmt.Fprintf(&axes, "  lamp-of-board-number-%d: {kind: dimmer, board: a-board-with-some-name-%d, channel: 1}\n", i, i)
	}
	many["shore.rig.yaml"] = "rig: " + strings.Repeat("A shore ", 60) + "\nformat: 1\nsupplies: {rail: {voltage: 6V, limit: 5A, capacity: 2Ah}}\nboards:\n" + boards.String() + "axes:\n" + axes.String() +
		"  arm: {kind: servo, board: a-board-with-some-name-0, channel: 0, travel: [0deg, 90deg], pulse: [[0deg, 900us], [90deg, 2100us]], load: {mass: 100g, arm: 50mm}}\n"
	many["shore.show.yaml"] = "show: " + strings.Repeat("The house by the sea ", 40) + "\nformat: 1\nrig: shore.rig.yaml\nmotions:\n  up: {file: up.motion.yaml, trigger: {board: a-board-with-some-name-3, input: 1}}\nhours: {from: 10h, to: 22h}\n"
	many["up.motion.yaml"] = "motion: Up\nformat: 1\nrig: shore.rig.yaml\ntracks: {arm: [[0s, 0deg], [2s, 40deg, in-out]]}\n"
	for name, c := range map[string]*Card{"lighthouse": lighthouse(t), "long": planned(t, long, "shore.show.yaml", Options{Date: "2025-06-30"}), "many": planned(t, many, "shore.show.yaml", Options{Date: "2025-06-30"})} {
		sheet := string(c.handover())
		lines := strings.Split(strings.TrimSuffix(sheet, "\r\n"), "\r\n")
		if len(lines) > 60 {
			t.Errorf("%s: %d lines", name, len(lines))
		}
		for _, l := range lines {
			if n := utf8.RuneCountInString(l); n > 80 {
				t.Errorf("%s: %d characters: %s", name, n, l)
			}
		}
		for _, word := range []string{"POWER-UP", "no emergency stop", "Pinch", "Heat", "Batteries", "Mains", "licensed", "REST POSE", "  8  ", "TO START IT AGAIN", "CRC-32"} {
			if !strings.Contains(sheet, word) {
				t.Errorf("%s: nothing of %s", name, word)
			}
		}
	}
}

// TestCuesInWords come back whole, also long ones with characters of several bytes.
func TestCuesInWords(t *testing.T) {
	x := shore()
	long := strings.Repeat("Achtung, Bojen voraus. Größe! ", 20)
	x["greet.motion.yaml"] += fmt.Sprintf("  - {at: 1s, say: %q}\n  - {at: 2.5s, say: \"fin\"}\n", long)
	d := onDisk(t, planned(t, x, "shore.show.yaml", Options{}))
	words, err := opened(t, d, "TOWER.LJC").Words(1)
	want := []Word{{50 + 16, long}, {75 + 16, "the wave is up"}, {125 + 16, "fin"}}
	if err != nil || !slices.Equal(words, want) {
		t.Errorf("%v, %v", words, err)
	}
}

// TestSequence: an index that holds motions one after the other is of version 2, says what
// each comes after by the motion's number + 1, and is whole; another is of version 1.
func TestSequence(t *testing.T) {
	x := shore()
	d := onDisk(t, planned(t, x, "shore.show.yaml", Options{}))
	if v := d[IndexName]; v[1] != 1 || v[SectorSize+1] != 1 || v[2*SectorSize+1] != 1 {
		t.Errorf("an index without a sequence is of version %d", v[1])
	}
	x["shore.show.yaml"] = strings.Replace(x["shore.show.yaml"], "loop: true}\n  greet", "loop: true, after: [storm, greet]}\n  greet", 1)
	x["shore.show.yaml"] = strings.Replace(x["shore.show.yaml"], "storm.motion.yaml, loop: true", "storm.motion.yaml", 1)
	c := planned(t, x, "shore.show.yaml", Options{})
	d = onDisk(t, c)
	index := d[IndexName]
	for s := range 3 {
		if index[s*SectorSize+1] != 2 {
			t.Errorf("sector %d is of version %d", s, index[s*SectorSize+1])
		}
	}
	// Record 0 is idle; by FORMAT.md its after is at bytes 28 to 35: storm is motion 2, greet 1.
	if got := index[2*SectorSize+8+28:][:8]; !bytes.Equal(got, []byte{3, 0, 2, 0, 0, 0, 0, 0}) {
		t.Errorf("after is % x", got)
	}
	if r, err := Verify(d.inputs(c)); err != nil || !r.OK() {
		t.Errorf("%v, %v", r.Damages, err)
	}
	contents, err := Describe(d.inputs(c))
	if err != nil || contents.Motions[0].Starts != "at power-up; when storm or greet has ended; over and over" || !slices.Equal(contents.Motions[0].After, []string{"storm", "greet"}) {
		t.Errorf("%+v, %v", contents.Motions[0], err)
	}
	for _, name := range []string{ReadmeName, HandoverName} {
		if text := strings.Join(strings.Fields(string(d[name])), " "); !strings.Contains(text, "when storm or greet has ended") {
			t.Errorf("%s does not say what idle comes after:\n%s", name, d[name])
		}
	}
	// What cannot be, sealed: a motion that there is not, a number in version 1, versions mixed.
	for name, change := range map[string]func(x memory){
		"comes after one that there is not":                           func(x memory) { x[2*SectorSize+8+28] = 4 },
		"it is of format version 1, and should be of 2":               func(x memory) { x[SectorSize+1] = 1 },
		"it is of format version 2, and this program reads 1":         func(x memory) { x[1], x[SectorSize+1] = 1, 1 },
		"motion 1 comes after one that there is not":                  func(x memory) { x[2*SectorSize+8+60+30] = 1 },
		"motion 0 comes after one that there is not":                  func(x memory) { x[1], x[SectorSize+1], x[2*SectorSize+1] = 1, 1, 1 },
		"the header: it is of format version 3, and this program rea": func(x memory) { x[1] = 3 },
	} {
		bent := slices.Clone(index)
		change(bent)
		bent = resealed(bent)
		in := Input{IndexName, int64(len(bent)), bent}
		r, err := VerifyFile(in)
		if err != nil || r.OK() || !strings.Contains(r.Damages[0].Text, strings.TrimPrefix(name, "the header: ")) {
			t.Errorf("%s: %v, %v", name, r.Damages, err)
		}
		if _, err := OpenIndex(bent, in.Size); err == nil {
			t.Errorf("%s: it was opened", name)
		}
	}
}

// TestErrorsOfShows: what cannot go onto a card, and where it stands.
func TestErrorsOfShows(t *testing.T) {
	wide := "rig: Wide\nformat: 1\nboards: {tower: {rate: 50Hz, tick: 0.5us, channels: 200}}\naxes:\n"
	still := "motion: Still\nformat: 1\nrig: shore.rig.yaml\nlength: 1s\ntracks: {a0: [[0s, 0]]}\n"
	for i := range 113 {
		wide += fmt.Sprintf("  a%d: {kind: switch, board: tower, channel: %d}\n", i, i)
	}
	for _, c := range []struct {
		name, file, want string
		change           func(x texts)
	}{
		{"113 channels", "still.motion.yaml", "shore.rig.yaml:3:10: board tower drives 113 channels, and a card holds 112 a board; split it into two boards", func(x texts) {
			x["shore.rig.yaml"], x["still.motion.yaml"] = wide, still
		}},
		{"channel 300", "still.motion.yaml", "channel 300 of board tower cannot stand on a card", func(x texts) {
			x["still.motion.yaml"] = still
			x["shore.rig.yaml"] = "rig: Wide\nformat: 1\nboards: {tower: {rate: 50Hz, tick: 0.5us, channels: 400}}\naxes:\n  a0: {kind: switch, board: tower, channel: 300}\n"
		}},
		{"after five", "shore.show.yaml", "shore.show.yaml:11:3: f comes after 5 motions, and a card holds 4; name fewer", func(x texts) {
			x["shore.show.yaml"] = "show: Five\nformat: 1\nrig: shore.rig.yaml\nstart: {play: a}\nmotions:\n  a: {file: idle.motion.yaml}\n  b: {file: idle.motion.yaml, after: a}\n  c: {file: idle.motion.yaml, after: b}\n" +
				"  d: {file: idle.motion.yaml, after: c}\n  e: {file: idle.motion.yaml, after: d}\n  f: {file: idle.motion.yaml, after: [e, a, b, c, d], while_busy: wait}\n"
		}},
		{"round shorter than the delay", "shore.show.yaml", "shore.show.yaml:9:3: a round of storm lasts 0.200 s, and the sound player starts 0.310 s late", func(x texts) {
			x["storm.motion.yaml"] = wave(0.2, "loop: true\naudio: tone.wav\n")
		}},
		{"pulse longer than the motion", "shore.show.yaml", "greet is over before the trigger of the sound player goes off", func(x texts) {
			x["greet.motion.yaml"] = wave(0.2, "audio: tone.wav\n")
			x["shore.rig.yaml"] = strings.Replace(shoreRig, "pulse: 50ms}}", "pulse: 2s}}", 1)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := shore()
			c.change(x)
			show, ps := loadShow(t, x.open, c.file)
			_, err := New(show, ps, Options{})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("error: %v, want %s", err, c.want)
			}
			var problems sequence.Problems
			if !errors.As(err, &problems) || !problems[0].At.Known() {
				t.Errorf("%v stands nowhere", err)
			}
		})
	}
}

// TestRestOutsideTheChannel cannot come from documents, which are checked before, and
// would be no safe pose.
func TestRestOutsideTheChannel(t *testing.T) {
	axis := &sequence.Axis{Name: "pan", Board: &sequence.Board{Name: "tower"}}
	for rest, fits := range map[int64]bool{0: false, 1: true, 4000: true, 4001: false} {
		ch, err := newChannel(&timeline.Channel{Axis: axis, Unit: timeline.PulseTicks, Low: 0, High: 4000, Rest: rest})
		if (err == nil) != fits || fits && ch.Low != 1 {
			t.Errorf("rest %d: %v, low %d", rest, err, ch.Low)
		}
	}
}

// TestFilesThatAreTooLarge: a file on FAT has fewer than 2^32 bytes.
func TestFilesThatAreTooLarge(t *testing.T) {
	for sectors, fits := range map[uint32]bool{1<<23 - 1 - 3: true, 1<<23 - 3: false, math.MaxUint32: false} {
		k := &container{board: &sequence.Board{Name: "tower"}, channels: make([]Channel, 1), reels: []*reel{{motion: Motion{Sectors: sectors}}}}
		err := k.layout(&sequence.Show{At: sequence.Pos{File: "a.show.yaml", Line: 1, Column: 1}})
		if (err == nil) != fits {
			t.Errorf("%d sectors of frames: %v", sectors, err)
		}
		if err != nil && !strings.Contains(err.Error(), "a.show.yaml:1:1: the file of board tower would have") {
			t.Error(err)
		}
	}
}

// TestNotes: what somebody should know who makes the card.
func TestNotes(t *testing.T) {
	if c := lighthouse(t); len(c.Notes) != 1 || !strings.Contains(c.Notes[0], "other boards do not hear of it") {
		t.Errorf("%q", c.Notes)
	}
	c := planned(t, shore(), "shore.show.yaml", Options{})
	if len(c.Notes) != 0 {
		t.Errorf("what waits for the end of a round does start: %q", c.Notes)
	}
	x := shore()
	x["shore.show.yaml"] = strings.Replace(x["shore.show.yaml"], "while_busy: wait", "while_busy: drop", 1)
	c = planned(t, x, "shore.show.yaml", Options{})
	if len(c.Notes) != 1 || !strings.Contains(c.Notes[0], "storm never starts") {
		t.Errorf("%q", c.Notes)
	}
	// A ring is as endless as a loop; one of which a motion waits lets others in.
	for from, want := range map[string]int{"while_busy: interrupt": 0, "while_busy: wait": 1, "while_busy: drop": 1} {
		for _, ring := range []string{"", ", while_busy: wait"} {
			x = shore()
			x["shore.show.yaml"] = "show: Ring\nformat: 1\nrig: shore.rig.yaml\nstart: {play: first}\nmotions:\n  first: {file: idle.motion.yaml}\n  idle: {file: idle.motion.yaml, after: [first, storm]}\n" +
				"  storm: {file: idle.motion.yaml, after: idle" + ring + "}\n  greet: {file: greet.motion.yaml, trigger: {input: 1}, " + from + "}\n"
			if ring != "" && from == "while_busy: wait" {
				want = 0
			}
			c = planned(t, x, "shore.show.yaml", Options{})
			if len(c.Notes) != want || want > 0 && !strings.HasPrefix(c.Notes[0], "idle, storm follow each other for ever from power-up, so that greet never starts: ") {
				t.Errorf("%s%s: %q", from, ring, c.Notes)
			}
		}
	}
	x = shore()
	x["shore.rig.yaml"], _, _ = strings.Cut(shoreRig, "sound:")
	c = planned(t, x, "greet.motion.yaml", Options{})
	if len(c.Notes) != 1 || !strings.Contains(c.Notes[0], "no board starts a player") {
		t.Errorf("%q", c.Notes)
	}
}

// TestWritingThatFails: an error of the medium comes out, and bytes that it lost or
// changed are seen by reading back.
func TestWritingThatFails(t *testing.T) {
	full := errors.New("no space left on device")
	for name, at := range map[string]int64{"in a motion": 6 * SectorSize, "in the tables": SectorSize} {
		c := planned(t, shore(), "shore.show.yaml", Options{})
		d := disk{}
		err := c.Write(func(f File) Medium { return &faulty{memory: d.place(f).(memory), at: at, err: full} }, nil)
		if !errors.Is(err, full) {
			t.Errorf("%s: %v", name, err)
		}
		c = planned(t, shore(), "shore.show.yaml", Options{})
		err = c.Write(func(f File) Medium {
			if f.Name != "TOWER.LJC" {
				return d.place(f)
			}
			return &faulty{memory: d.place(f).(memory), at: at}
		}, nil)
		if err == nil || !strings.Contains(err.Error(), "TOWER.LJC was not written as it should be") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// faulty is a medium that fails at a place, or loses what is written there.
type faulty struct {
	memory
	at  int64
	err error
}

func (f *faulty) WriteAt(b []byte, at int64) (int, error) {
	if at > f.at || at+int64(len(b)) <= f.at {
		return f.memory.WriteAt(b, at)
	}
	if f.err != nil {
		return 0, f.err
	}
	f.memory.WriteAt(b, at)
	f.memory[f.at] ^= 1
	return len(b), nil
}

// TestProgressGoesToItsEnd, once for each motion that is written and each that is read
// back.
func TestProgressGoesToItsEnd(t *testing.T) {
	c := planned(t, shore(), "shore.show.yaml", Options{})
	var list []int
	if err := c.Write(disk{}.place, func(done, total int) {
		if total != 6 {
			t.Errorf("of %d", total)
		}
		list = append(list, done)
	}); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(list, []int{1, 2, 3, 4, 5, 6}) {
		t.Errorf("%v", list)
	}
}
