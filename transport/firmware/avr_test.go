package firmware_test

import (
	"context"
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
	"testing/synctest"
	"time"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/firmware"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// barePins and megaPins are the pins of the outputs: the tables in src/avr/chip_*.h.
var barePins = []string{"D2", "D3", "D4", "D5", "D6", "D7", "B0", "B1", "C0", "C1", "C2", "C3"}

var megaPins = []string{"A0", "A1", "A2", "A3", "A4", "A5", "A6", "A7", "C7", "C6", "C5", "C4", "C3", "C2", "C1", "C0"}

// galleryRig has twelve gulls on the lighthouse's gallery, a servo each. Every third has
// the widest range of pulses that servos take (500 to 2500 us, common practice), so that
// ends of pulses meet.
func galleryRig(baud int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "rig: Gallery\nformat: 1\nboards:\n  gallery: {rate: 50Hz, tick: 0.5us, channels: 12, baud: %d}\naxes:\n", baud)
	for i := range 12 {
		low, high := 900+10*i, 2100-7*i
		if i%3 == 0 {
			low, high = 500, 2500
		}
		fmt.Fprintf(&b, "  gull-%d: {kind: servo, board: gallery, channel: %d, travel: [0deg, 120deg], pulse: [[0deg, %dus], [120deg, %dus]], rest: 60deg, limits: {speed: 600deg/s, acceleration: 20000deg/s2}}\n",
			i+1, i, low, high)
	}
	return b.String()
}

// galleryMotion moves them up and down, each at a pace of its own, some fast, some slow.
func galleryMotion(seconds int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "motion: Gulls\nformat: 1\nrig: rig.yaml\nlength: %ds\ntracks:\n", seconds)
	for i := range 12 {
		pace := 0.7 + 0.23*float64(i)
		fmt.Fprintf(&b, "  gull-%d: [[0s, 60deg]", i+1)
		for k, at := 1, pace; at < float64(seconds); k, at = k+1, at+pace {
			to := 10 + 9*((k*7+i*5)%12)
			fmt.Fprintf(&b, ", [%.3fs, %ddeg, min-jerk]", at, to)
		}
		b.WriteString("]\n")
	}
	return b.String()
}

// load compiles a rig and a motion that are given as text.
func load(t testing.TB, rig, motion string) (*sequence.Rig, *timeline.Timeline) {
	t.Helper()
	files := map[string]string{"rig.yaml": rig, "motion.yaml": motion}
	script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) {
		text, ok := files[name]
		if !ok {
			return nil, fmt.Errorf("no file %s", name)
		}
		return io.NopCloser(strings.NewReader(text)), nil
	}, "motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(script)
	if err != nil {
		t.Fatal(err)
	}
	tls, err := timeline.Build(p)
	if err != nil {
		t.Fatal(err)
	}
	return script.Rig, tls[0]
}

// bareConfig is the bare board with the channels of a timeline.
func bareConfig(tl *timeline.Timeline, baud int) *firmware.Config {
	c := &firmware.Config{Name: "bare", Queue: 16, Payload: 128, Tick: 500_000, Least: 10_000_000, Greatest: 100_000_000,
		Print: live.Print(tl.Fingerprint), Lead: 2500, Inputs: 2, Low: 3, Debounce: 20000,
		Port: []firmware.Line{{Name: "LJ_PORT_BAUD", Value: fmt.Sprintf("%dUL", baud)}}}
	for _, ch := range tl.Channels {
		c.Outputs = append(c.Outputs, firmware.Output{Units: wire.UnitsTicks, Offset: ch.Offset, Low: int32(ch.Low), High: int32(ch.High),
			Rest: int32(ch.Rest), Change: uint32(ch.High - ch.Low), Slow: 40, Soft: 20})
	}
	return c
}

// pulse is one pulse of an output, in cycles.
type pulse struct{ rise, width uint64 }

// pulsesOf sorts edges by outputs.
func pulsesOf(t testing.TB, edges []edge) map[string][]pulse {
	all, up := map[string][]pulse{}, map[string]uint64{}
	for _, e := range edges {
		from, on := up[e.pin]
		switch {
		case e.up == on:
			t.Fatalf("%s changes to what it is at cycle %d", e.pin, e.at)
		case e.up:
			up[e.pin] = e.at
		default:
			all[e.pin] = append(all[e.pin], pulse{from, e.at - from})
			delete(up, e.pin)
		}
	}
	return all
}

// tickError gives by how many ticks of 0.5 us a pulse is longer than a value.
func tickError(p pulse, value uint16) float64 { return float64(p.width)/8 - float64(value) }

// stat of errors.
type spread struct{ least, most float64 }

func (s *spread) add(x float64) { s.least, s.most = min(s.least, x), max(s.most, x) }

func (s spread) String() string { return fmt.Sprintf("%+.3f to %+.3f", s.least, s.most) }

// TestPulses: the pulses alone, of random widths, in all ways in which they can meet, and
// with the line as busy as it can be.
func TestPulses(t *testing.T) {
	t.Parallel()
	_, tl := load(t, galleryRig(250000), galleryMotion(1))
	const slots = 300
	for _, test := range []struct {
		name string
		mode int
		baud int
		line busy
		move float64 // %, by which the time between two rises of an output may be off 20 ms
	}{
		{"spread, quiet", 0, 250000, quiet, 0.1},
		{"spread, 115200 baud", 0, 115200, echoed, 0.1},
		{"spread, 250000 baud", 0, 250000, echoed, 0.1},
		{"spread, 1 Mbaud", 0, 1000000, taken, 0.1},
		{"spread, 1 Mbaud both ways", 0, 1000000, flooded, 0.1},
		// Where a rig wants its pulses together, starts have to give way by more.
		{"together, quiet", 1, 250000, quiet, 1},
		{"together and alike, quiet", 2, 250000, quiet, alike(12)},
		{"together and alike, 250000 baud", 2, 250000, echoed, alike(12)},
	} {
		t.Run(test.name, func(t *testing.T) {
			echo := 1
			if test.line == taken {
				echo = 0
			}
			program := avrProgram(t, fmt.Sprintf("pulses-%d-%d-%d", test.mode, test.baud, echo), bareConfig(tl, test.baud),
				[]string{"simavr/bench/bench.c", "src/avr/pulses.c", "src/avr/clock.c", "src/avr/serial.c"},
				fmt.Sprintf("-DMODE=%d", test.mode), fmt.Sprintf("-DECHO=%d", echo))
			c := newChip(t, program, test.baud)
			if test.line != quiet {
				line := make([]byte, slots*test.baud/500+test.baud/100)
				for i := range line {
					line[i] = byte(i*i + i/7)
				}
				c.feed(0, line)
			}
			c.run((10000 + slots*20000) * cyclesPerUS)
			checkRandomPulses(t, c, 12, test.mode, slots, test.move)
			checkPlanning(t, c)
			if s := c.stat(); s["overruns"] > 0 && test.line != flooded {
				t.Error("the receiver lost bytes")
			}
		})
	}
}

// alike gives by how much, in %, the time between two rises of an output may be off 20 ms
// where so many pulses of 1500 to 1507.5 us are all asked for at once: by the three steps in
// pulses.c. Starts stand 25 ticks apart in the order of the outputs, so that ends, whose
// widths differ by 15, never pass each other. Ends are spread about their mean: a start is
// moved by the change of that mean and of its own width, 15 ticks each. A start that is
// nearer than 14 ticks to the one before moves on by up to 13, and takes those behind with it.
func alike(pulses int) float64 {
	const slot = 40000 // ticks
	return 100 * float64(15+15+13*(pulses-1)) / slot
}

// checkPlanning holds the time that a slot takes to be planned against the lead that programs
// have for it, with what has to be left before the first edge: it is up to 14 us early three
// times over, and half of sixteen edges may be moved back by 12.5 us each.
func checkPlanning(t *testing.T, c *chip) {
	t.Helper()
	const lead, left = 2500, 3*14 + 100
	us := float64(binary.LittleEndian.Uint16(c.peek("planning", 2))) / 2
	t.Logf("a slot is planned within %.2f ms", us/1000)
	if us > lead-left {
		t.Errorf("a slot takes %.0f us to plan, and there are %d", us, lead-left)
	}
}

// busy is what the line does in a test of pulses: bytes back to back from the host, that
// are only taken or also sent back. At 1 Mbaud there is not time enough for the latter;
// no host sends so (it has credit for some frames only), and pulses must not care.
type busy int

const (
	quiet busy = iota
	taken
	echoed
	flooded
)

// checkRandomPulses holds all pulses against the numbers that the program drew.
func checkRandomPulses(t *testing.T, c *chip, pins, mode, slots int, move float64) {
	t.Helper()
	all := pulsesOf(t, c.edges)
	x := uint32(2463534242) // Marsaglia, "Xorshift RNGs", 2003, as in the program
	var width, period spread
	var ends []uint64
	for k := range slots - 1 {
		for _, pin := range c.pins[:pins] {
			x ^= x << 13
			x ^= x >> 17
			x ^= x << 5
			want := 1000 + uint16(x>>16)&4095
			if mode == 2 {
				want = 3000 + uint16(x>>16)&15
			}
			if k >= len(all[pin]) {
				t.Fatalf("%s has only %d pulses", pin, len(all[pin]))
			}
			p := all[pin][k]
			ends = append(ends, p.rise+p.width)
			if width.add(tickError(p, want)); math.Abs(tickError(p, want)) > c.off {
				t.Fatalf("slot %d, %s: %.2f ticks are asked for, and %d come", k, pin, float64(p.width)/8, want)
			}
			if k > 0 {
				period.add(100 * (float64(p.rise-all[pin][k-1].rise)/(20000*cyclesPerUS) - 1))
			}
		}
	}
	slices.Sort(ends)
	gap := uint64(math.MaxUint64)
	for i := range ends[1:] {
		gap = min(gap, ends[i+1]-ends[i])
	}
	t.Logf("widths %s ticks, from rise to rise %s %%, ends at least %.2f us apart", width, period, float64(gap)/cyclesPerUS)
	if period.least < -move || period.most > move {
		t.Errorf("from rise to rise %s %%", period)
	}
	if gap < 12*cyclesPerUS {
		t.Errorf("ends are %.2f us apart", float64(gap)/cyclesPerUS)
	}
}

// divisors is the data sheet's table for 16 MHz and double speed: ATmega328P data sheet,
// "Examples of UBRRn Settings for Commonly Used Oscillator Frequencies".
var divisors = []struct {
	baud  int
	ubrr  int
	error float64 // %, as printed there
}{
	{9600, 207, 0.2}, {19200, 103, 0.2}, {38400, 51, 0.2}, {57600, 34, -0.8}, {76800, 25, 0.2}, {115200, 16, 2.1},
	{250000, 7, 0}, {500000, 3, 0}, {1000000, 1, 0},
}

// TestDivisors reads the divisor from the chip when the board has started.
func TestDivisors(t *testing.T) {
	t.Parallel()
	_, tl := load(t, galleryRig(250000), galleryMotion(1))
	for _, d := range divisors {
		t.Run(strconv.Itoa(d.baud), func(t *testing.T) {
			program := avrProgram(t, fmt.Sprintf("line-%d", d.baud), bareConfig(tl, d.baud),
				[]string{"simavr/bench/bench.c", "src/avr/pulses.c", "src/avr/clock.c", "src/avr/serial.c"})
			c := newChip(t, program, d.baud)
			c.do("run %d", 16000)
			s := c.stat()
			off := 100 * (s["baud"]/float64(d.baud) - 1)
			t.Logf("UBRR0 %v, double speed %v, %.1f baud, %+.2f %%", s["ubrr"], s["u2x"], s["baud"], off)
			if s["ubrr"] != float64(d.ubrr) || s["u2x"] != 1 || math.Abs(off-d.error) > 0.06 {
				t.Errorf("the data sheet says %d, %+.1f %%", d.ubrr, d.error)
			}
		})
	}
	t.Run("230400 is refused", func(t *testing.T) { // -3.5 %, outside of what the data sheet recommends
		tool(t, "avr-gcc")
		dir := t.TempDir()
		args := append(small.flags(t), header(t, bareConfig(tl, 230400), dir, "src/avr")...)
		out, err := exec.Command("avr-gcc", append(args, "-c", "-o", filepath.Join(dir, "x.o"), "src/avr/serial.c")...).CombinedOutput()
		if err == nil || !strings.Contains(string(out), "take 250000") {
			t.Errorf("%v\n%s", err, out)
		}
	})
}

// TestCard: an SD card is read beside the pulses. One block comes after 100 ms, as cards
// may be busy (SD Specifications, Part 1, Physical Layer: 100 ms is what a host has to
// allow); in one the line flips a bit, which its CRC finds; one the card cannot read.
func TestCard(t *testing.T) {
	_, tl := load(t, galleryRig(250000), galleryMotion(1))
	program := avrProgram(t, "card", bareConfig(tl, 250000), []string{"simavr/bench/bench.c", "simavr/bench/card.c", "src/avr/sd.c",
		"src/avr/pulses.c", "src/avr/clock.c", "src/avr/serial.c"}, "-DCARD")
	image := make([]byte, 4096*512)
	for i := range image {
		image[i] = byte(i/512*7 + i%512*3)
	}
	name := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(name, image, 0o644); err != nil {
		t.Fatal(err)
	}
	c := newChip(t, program, 250000, "-c", name)
	c.do("delay %d", 500*cyclesPerUS)
	c.do("stall 20 %d", 100_000*cyclesPerUS)
	c.do("flip 30 511 80")
	c.do("fail 40")
	line := make([]byte, 2*25000)
	for i := range line {
		line[i] = byte(i * 5)
	}
	c.feed(0, line)
	const slots = 100
	c.run((10000 + slots*20000) * cyclesPerUS)
	checkRandomPulses(t, c, 12, 0, slots, 0.1)
	number := func(name string) int { return int(binary.LittleEndian.Uint16(c.peek(name, 2))) }
	s := c.stat()
	t.Logf("%d blocks in %d s, %d failed as they should, %d wrong; %.0f commands, %.0f collisions on SPI", number("good"), slots/50, number("bad"), number("wrong"), s["commands"], s["collisions"])
	if number("good") < 300 || number("bad") != 4 || number("wrong") != 0 || number("tries") != 1 || s["collisions"] != 0 {
		t.Error("the card was not read as it should be")
	}
	asked := map[string]int{}
	for _, n := range c.notes {
		if f := strings.Fields(n); f[0] == "r" {
			asked[f[2]]++
		}
	}
	if asked["20"] != 1 || asked["30"] != 2 || asked["40"] != 2 || asked["41"] != 1 {
		t.Errorf("blocks 20, 30, 40, 41 were asked for %d, %d, %d, %d times", asked["20"], asked["30"], asked["40"], asked["41"])
	}

	c.do("pull 1") // the card is taken out, and put in again
	c.run(c.now + 700_000*cyclesPerUS)
	before := number("good")
	if c.peek("absent", 1)[0] == 0 && number("tries") < 2 {
		t.Error("nobody noticed that there is no card")
	}
	c.do("pull 0")
	c.run(c.now + 3_000_000*cyclesPerUS)
	if number("good") < before+100 {
		t.Errorf("the card is back, and %d blocks were read", number("good")-before)
	}
}

// streamed is what came of playing a motion to the board in the simulator.
type streamed struct {
	chip   *chip
	slot   float64   // cycles from frame to frame
	epoch  wire.Tick // the board's time when its clock began
	tl     *timeline.Timeline
	frames []sentFrame
	status wire.Status
	id     wire.Identity
	figure map[string]float64 // while it was playing
}

// stream plays a motion on the board in virtual time, by the session that plays on boards.
func stream(t *testing.T, tl *timeline.Timeline, baud int, ppm float64) *streamed {
	t.Helper()
	program := avrProgram(t, fmt.Sprintf("bare-%d", baud), bareConfig(tl, baud), bareSources(t))
	return streamTo(t, newChip(t, program, baud), tl, baud, ppm)
}

func streamTo(t *testing.T, c *chip, tl *timeline.Timeline, baud int, ppm float64) *streamed {
	t.Helper()
	s := &streamed{chip: c, tl: tl, slot: 20000 * cyclesPerUS * (1 + ppm*1e-6)}
	synctest.Test(t, func(t *testing.T) {
		clock := live.NewSystemClock()
		link := newSimLink(s.chip, clock, baud, ppm)
		link.width = len(tl.Channels)
		b, err := live.Connect(t.Context(), link, live.Options{Timeline: tl, Clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		s.id = b.Identity()
		if err := b.Arm(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Second) // until the host knows the board's clock to some us
		<-link.turn
		s.chip.stat()
		link.turn <- struct{}{}
		if err := live.Play(t.Context(), []*live.Board{b}, []*timeline.Timeline{tl}, live.PlayOptions{}); err != nil {
			t.Fatal(err)
		}
		<-link.turn
		s.figure = s.chip.stat()
		link.turn <- struct{}{}
		if s.status, err = b.Report(t.Context()); err != nil {
			t.Fatal(err)
		}
		s.frames = link.frames
	})
	return s
}

// TestStream is the proof to the pulse: a timeline is streamed to the board at 12 channels
// and 50 Hz, and every pulse that comes out is compared.
func TestStream(t *testing.T) {
	t.Parallel()
	for _, baud := range []int{115200, 250000, 1000000} {
		t.Run(strconv.Itoa(baud), func(t *testing.T) {
			_, tl := load(t, galleryRig(baud), galleryMotion(20))
			s := stream(t, tl, baud, 0)
			checkFrames(t, s)
			checkPulses(t, s)
			checkFigures(t, s, baud)
		})
	}
}

// checkFrames holds what was sent against the timeline, so that the pulses are compared
// with it and not with what a host made of it.
func checkFrames(t *testing.T, s *streamed) {
	t.Helper()
	n := int64(len(s.frames)) - s.tl.Frames
	if n < 0 {
		t.Fatalf("%d frames were sent of %d", len(s.frames), s.tl.Frames)
	}
	r, want := s.tl.Reader(), make([]uint16, len(s.tl.Channels))
	for _, f := range s.frames[n:] {
		if r.Next(want); !slices.Equal(f.values, want) {
			t.Fatalf("frame %d was sent as %v, the timeline has %v", f.index, f.values, want)
		}
	}
	st := &s.status
	if st.Late+st.Bridged+st.Clamped+st.Bad+st.Unknown != 0 || int(st.Played) != len(s.frames) {
		t.Errorf("%d frames were sent; the board says %+v", len(s.frames), *st)
	}
}

// checkPulses compares every pulse of every output with the frame at whose time it came.
func checkPulses(t *testing.T, s *streamed) {
	t.Helper()
	all := pulsesOf(t, s.chip.edges)
	slot := s.slot
	var width, period spread
	place := spread{math.Inf(1), math.Inf(-1)}
	held, compared := 0, 0
	for i := range s.tl.Channels {
		c := &s.tl.Channels[i]
		pin := s.chip.pins[c.Number]
		list := all[pin]
		k := 0
		for n, f := range s.frames {
			due := float64(uint32(f.time-s.epoch))*cyclesPerUS + float64(c.Offset)*8
			// Pulses before the first frame, and after the last, hold a pose.
			for k < len(list) && float64(list[k].rise) < due-slot/2 {
				if n > 0 {
					t.Fatalf("%s: a pulse at cycle %d has no frame", pin, list[k].rise)
				}
				checkLimits(t, c, list[k])
				held++
				k++
			}
			if k == len(list) || float64(list[k].rise) > due+slot/2 {
				t.Fatalf("%s: frame %d has no pulse at cycle %.0f", pin, f.index, due)
			}
			p := list[k]
			e := tickError(p, f.values[i])
			width.add(e)
			place.add((float64(p.rise) - due) / cyclesPerUS)
			if math.Abs(e) > s.chip.off {
				t.Fatalf("%s: frame %d is %d ticks, and %.2f come", pin, f.index, f.values[i], float64(p.width)/8)
			}
			if checkLimits(t, c, p); n > 0 {
				period.add(100 * (float64(p.rise-list[k-1].rise)/slot - 1))
			}
			compared++
			k++
		}
		for ; k < len(list); k++ {
			checkLimits(t, c, list[k])
			held++
		}
	}
	t.Logf("%d pulses compared, %d more hold a pose: widths %s ticks, from rise to rise %s %%, places %.2f us apart from those that were asked for", compared, held, width, period, place.most-place.least)
	// The board's clock begins some time after its power came, always the same.
	if period.least < -0.1 || period.most > 0.1 || place.most-place.least > 100 {
		t.Errorf("from rise to rise %s %%, places %s us", period, place)
	}
	if compared != len(s.frames)*len(s.tl.Channels) {
		t.Errorf("%d pulses of %d", compared, len(s.frames)*len(s.tl.Channels))
	}
}

func checkLimits(t *testing.T, c *timeline.Channel, p pulse) {
	t.Helper()
	if w := float64(p.width) / 8; w < float64(c.Low)-1 || w > float64(c.High)+1 {
		t.Fatalf("channel %d: a pulse of %.2f ticks at cycle %d, allowed are %d to %d", c.Number, w, p.rise, c.Low, c.High)
	}
}

// checkFigures prints what the board needs of the chip, and holds what must hold.
func checkFigures(t *testing.T, s *streamed, baud int) {
	t.Helper()
	f := s.figure
	t.Logf("processor %.1f %% busy, static memory %.0f bytes, stack %.0f of %.0f, UBRR0 %.0f, %.1f baud, %.0f bytes came, %.0f overruns",
		100*f["load"], f["static"], f["stack"], s.chip.memory-f["static"], f["ubrr"], f["baud"], f["arrived"], f["overruns"])
	if f["overruns"] != 0 || f["garbled"] != 0 {
		t.Error("bytes were lost")
	}
	if f["load"] >= 0.5 {
		t.Errorf("the processor is %.1f %% busy", 100*f["load"])
	}
	if f["static"]+f["stack"] > s.chip.memory-64 {
		t.Error("memory is nearly full")
	}
	for _, d := range divisors {
		if d.baud == baud && f["ubrr"] != float64(d.ubrr) {
			t.Errorf("UBRR0 is %v, the data sheet has %d", f["ubrr"], d.ubrr)
		}
	}
	if s.chip.notes != nil && slices.ContainsFunc(s.chip.notes, func(n string) bool { return strings.HasPrefix(n, "z ") }) {
		t.Error("the chip was reset")
	}
}

// TestStreamWithDrift: the board's clock is 450 ppm fast, as a ceramic resonator's may well
// be, and the host follows it; in the board's own time every pulse is as before.
func TestStreamWithDrift(t *testing.T) {
	t.Parallel()
	_, tl := load(t, galleryRig(250000), galleryMotion(20))
	s := stream(t, tl, 250000, 450)
	checkFrames(t, s)
	checkPulses(t, s)
}

// TestStreamOverTheWrap: the board's microseconds go around from 2^32 to 0 in the middle of a
// motion, and nobody sees it.
func TestStreamOverTheWrap(t *testing.T) {
	t.Parallel()
	_, tl := load(t, galleryRig(250000), galleryMotion(10))
	const rounds = 1<<17 - 450 // of 32.768 ms: 14.7 s before
	config := bareConfig(tl, 250000)
	config.Port = append(config.Port, firmware.Line{Name: "LJ_PORT_ROUNDS", Value: fmt.Sprintf("%dUL", rounds)})
	s := streamTo(t, newChip(t, avrProgram(t, "wrap", config, bareSources(t)), 250000), tl, 250000, 0)
	s.epoch = wire.Tick(rounds << 15 & 0xffffffff)
	if first, last := s.frames[0].time, s.frames[len(s.frames)-1].time; first < last {
		t.Fatalf("the clock did not go around: from %d to %d", first, last)
	}
	checkFrames(t, s)
	checkPulses(t, s)
}

// TestSameTwice: what the host sent is played again into a new board, without a host. All
// edges and bytes are the same, to the cycle.
func TestSameTwice(t *testing.T) {
	t.Parallel()
	_, tl := load(t, galleryRig(250000), galleryMotion(5))
	first := stream(t, tl, 250000, 0).chip
	again := newChip(t, avrProgram(t, "bare-250000", nil, nil), 250000)
	for _, command := range first.script {
		again.do("%s", command)
	}
	if len(first.edges) < 1000 || !slices.Equal(first.log, again.log) {
		t.Errorf("two runs differ: %d and %d lines, %d edges", len(first.log), len(again.log), len(first.edges))
	}
}

// TestSize prints sizes for the table in the README, and holds them against the chip.
func TestSize(t *testing.T) {
	tool(t, "avr-size")
	_, tl := load(t, galleryRig(250000), galleryMotion(1))
	program := avrProgram(t, "bare-250000", bareConfig(tl, 250000), bareSources(t))
	out, err := exec.Command("avr-size", program).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(out), "\n")
	f := strings.Fields(lines[1])
	text, _ := strconv.Atoi(f[0])
	data, _ := strconv.Atoi(f[1])
	bss, _ := strconv.Atoi(f[2])
	t.Logf("flash %d of 32768 bytes, static memory %d of 2048", text+data, data+bss)
	checkReadme(t, "ATmega328P, for the wire", text+data, data+bss)
	if text+data > 32768-512 || data+bss > 2048-300 {
		t.Error("too large for an ATmega328P with a bootloader of 512 bytes and a stack of 300")
	}
	for _, use := range stackUse(t, filepath.Join(scratch, "bare-250000"))[:5] {
		t.Logf("stack: %s", use)
	}
}

// stackUse gives the lines of the compiler about the stack, the largest first.
func stackUse(t *testing.T, dir string) (all []string) {
	files, _ := filepath.Glob(filepath.Join(dir, "*.su"))
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(b)) {
			f := strings.Fields(line)
			if f[2] != "static" {
				t.Errorf("the stack of %s is not bounded", f[0])
			}
			all = append(all, fmt.Sprintf("%4s bytes %s", f[1], f[0]))
		}
	}
	slices.Sort(all)
	slices.Reverse(all)
	return all
}

// TestRealTime is the one run in real time: the session over a serial port, which is a
// pseudo-terminal with the simulated chip behind it. What was played and acknowledged is
// compared, never how fast.
func TestRealTime(t *testing.T) {
	_, tl := load(t, galleryRig(250000), galleryMotion(2))
	program := avrProgram(t, "bare-250000", bareConfig(tl, 250000), bareSources(t))
	port := filepath.Join(t.TempDir(), "port")
	c := newChip(t, program, 250000, "-p", port)
	if line, err := c.out.ReadString('\n'); err != nil || line != "ready\n" {
		t.Fatalf("%q, %v\n%s", line, err, c.trouble.Bytes())
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	link, err := live.OpenSerial(port, 250000)
	if err != nil {
		t.Fatal(err)
	}
	b, err := live.Connect(ctx, link, live.Options{Timeline: tl, Wait: 20 * time.Second, Silence: 5 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Arm(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if err := live.Play(ctx, []*live.Board{b}, []*timeline.Timeline{tl}, live.PlayOptions{}); err != nil {
		t.Fatal(err)
	}
	pose, _, err := b.Pose(ctx)
	if err != nil {
		t.Fatal(err)
	}
	st, err := b.Report(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	c.in.Close()
	for {
		line, err := c.out.ReadString('\n')
		if err != nil {
			break
		}
		c.take(strings.Fields(line))
	}
	checkRealTime(t, c, tl, pose, st)
}

func checkRealTime(t *testing.T, c *chip, tl *timeline.Timeline, pose []int64, st wire.Status) {
	t.Helper()
	if st.Played == 0 || st.Clamped != 0 || st.Bad != 0 || st.Unknown != 0 {
		t.Errorf("the board says %+v", st)
	}
	frames := make([][]uint16, tl.Frames)
	r := tl.Reader()
	for k := range frames {
		frames[k] = make([]uint16, len(tl.Channels))
		r.Next(frames[k])
	}
	all := pulsesOf(t, c.edges)
	seen := 0
	for i := range tl.Channels {
		if want := int64(frames[len(frames)-1][i]); pose[i] != want {
			t.Errorf("channel %d ends at %d, the timeline at %d", i, pose[i], want)
		}
		list := all[barePins[i]]
		k := 0
		for _, p := range list {
			checkLimits(t, &tl.Channels[i], p)
			for n := k; n < len(frames); n++ {
				if math.Abs(tickError(p, frames[n][i])) <= 1 {
					k, seen = n+1, seen+1
					break
				}
			}
		}
	}
	t.Logf("%d of %d frames played, %d pulses of theirs seen in order; late %d, bridged %d", st.Played, tl.Frames, seen, st.Late, st.Bridged)
	if seen < 10*len(tl.Channels) { // a busy machine may be late with many
		t.Errorf("only %d pulses are those of the timeline", seen)
	}
}
