package firmware_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/transport/card"
	"limberjack/transport/firmware"
	"limberjack/transport/timeline"
)

// The bare board plays alone from a card: the program that `firmware` writes for it, the
// image that `export` writes, and a card behind SPI in the simulator.

// galleryCard makes the card of the gallery and the program of its board.
func galleryCard(t *testing.T, seconds int) (e *exhibit, image, program string) {
	t.Helper()
	d := documents{"rig.yaml": galleryRig(250000), "motion.yaml": galleryMotion(seconds)}
	return cardBoard(t, small, "bare-card", d, "motion.yaml")
}

// cardBoard makes the card of a show and the program of its board.
func cardBoard(t *testing.T, g *target, name string, d documents, show string) (e *exhibit, image, program string) {
	t.Helper()
	e = exhibitOf(t, d, show, card.ImageOptions{})
	image = filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(image, e.image, 0o644); err != nil {
		t.Fatal(err)
	}
	p, err := firmware.ConfigOf(e.show.Rig, e.show.Rig.Boards[0], portOf(t, g.port))
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Plays(firmware.Plays{Wire: g == large, Card: true}); err != nil {
		t.Fatal(err)
	}
	return e, image, g.program(t, name, p.Config, cardBoardSources(t))
}

// cardBoardSources are those of the whole board with its card.
func cardBoardSources(t testing.TB) (all []string) {
	for _, pattern := range []string{"src/core/*.c", "src/avr/*.c"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("no sources: %v", err)
		}
		all = append(all, files...)
	}
	return all
}

// frameBlocks gives the blocks of the card in which frames stand, in the order of the
// file: byte 0 is 0x46, bytes 2 to 5 the number in the file (FORMAT.md).
func frameBlocks(t *testing.T, e *exhibit) (blocks []int) {
	t.Helper()
	for n := int(e.contents.Header.Data); (n+1)*512 <= len(e.file); n++ {
		sector := e.file[n*512 : (n+1)*512]
		if sector[0] != 0x46 || int(binary.LittleEndian.Uint32(sector[2:])) != n {
			continue
		}
		at := bytes.Index(e.image, sector)
		if at < 0 || at%512 != 0 {
			t.Fatalf("sector %d of the container is not in the image", n)
		}
		blocks = append(blocks, at/512)
	}
	return blocks
}

// TestCardPulses is the proof to the pulse without a host: twelve servos at 50 Hz from a
// card, which is read meanwhile, and every pulse is compared with the timeline. Cards may
// take 100 ms for a block (SD Specifications, Part 1, Physical Layer: what a host has to
// allow for reading).
func TestCardPulses(t *testing.T) {
	const seconds = 20
	e, image, program := galleryCard(t, seconds)
	blocks := frameBlocks(t, e)
	if len(blocks) < seconds*2 {
		t.Fatalf("frames are in %d blocks", len(blocks))
	}
	for _, test := range []struct {
		name  string
		stall func(k int) int // us, of the k-th block of frames
	}{
		{"0.5 ms a block", func(int) int { return 500 }},
		{"100 ms at some blocks", func(k int) int {
			if k%3 == 1 || k < 2 {
				return 100_000
			}
			return 500
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := newChip(t, program, 250000, "-c", image)
			c.do("delay %d", 500*cyclesPerUS)
			for k, block := range blocks {
				if us := test.stall(k); us != 500 {
					c.do("stall %d %d", block, us*cyclesPerUS)
				}
			}
			c.run(2_000_000 * cyclesPerUS) // the card is read, and the motion has begun
			c.stat()
			c.run((seconds - 1) * 1_000_000 * cyclesPerUS)
			figures := c.stat()
			c.run((seconds + 3) * 1_000_000 * cyclesPerUS)
			checkCardPulses(t, c, e.lines[0][0])
			checkCardFigures(t, c, figures)
		})
	}
}

// checkCardPulses holds all pulses of all outputs against the timeline: at rest until it
// begins, then frame by frame, then in its last pose.
func checkCardPulses(t *testing.T, c *chip, tl *timeline.Timeline) {
	t.Helper()
	const slot = 20000 * cyclesPerUS
	all := pulsesOf(t, c.edges)
	rows := framesOf(tl)
	begin := beginOfPulses(t, c, all, tl, rows)
	var width, period spread
	compared, held := 0, 0
	for i := range tl.Channels {
		ch, list := &tl.Channels[i], all[c.pins[tl.Channels[i].Number]]
		for k, p := range list {
			want := rows[min(max(k-begin, 0), len(rows)-1)][i]
			width.add(tickError(p, want))
			if math.Abs(tickError(p, want)) > c.off {
				t.Fatalf("%s: frame %d is %d ticks, and %.2f come", c.pins[i], k-begin, want, float64(p.width)/8)
			}
			checkLimits(t, ch, p)
			if k > 0 {
				period.add(100 * (float64(p.rise-list[k-1].rise)/slot - 1))
			}
			if k >= begin && k < begin+len(rows) {
				compared++
			} else {
				held++
			}
		}
		if silent := float64(c.now-list[len(list)-1].rise) / slot; silent > 2 {
			t.Errorf("%s: pulses end %.1f slots before the end", c.pins[i], silent)
		}
	}
	t.Logf("%d pulses compared, %d more hold a pose: widths %s ticks, from rise to rise %s %%", compared, held, width, period)
	if period.least < -0.1 || period.most > 0.1 {
		t.Errorf("from rise to rise %s %%: a pulse came late, or was left out", period)
	}
	if compared != len(rows)*len(tl.Channels) {
		t.Errorf("%d pulses of %d", compared, len(rows)*len(tl.Channels))
	}
}

// framesOf gives all frames of a timeline.
func framesOf(tl *timeline.Timeline) [][]uint16 {
	rows, r := make([][]uint16, tl.Frames), tl.Reader()
	for k := range rows {
		rows[k] = make([]uint16, len(tl.Channels))
		r.Next(rows[k])
	}
	return rows
}

// beginOfPulses gives the number of the pulse that is the timeline's first frame, counted
// from power-up: one at which an output leaves its first value tells it for all outputs.
func beginOfPulses(t *testing.T, c *chip, all map[string][]pulse, tl *timeline.Timeline, rows [][]uint16) int {
	t.Helper()
	leaves := func(i int, width func(int) float64, count int) int {
		for k := range count {
			if math.Abs(width(k)-float64(rows[0][i])) > 1 {
				return k
			}
		}
		t.Fatalf("output %d does not move", i)
		return 0
	}
	const i = 0
	list := all[c.pins[tl.Channels[i].Number]]
	frame := leaves(i, func(k int) float64 { return float64(rows[k][i]) }, len(rows))
	pulse := leaves(i, func(k int) float64 { return float64(list[k].width) / 8 }, len(list))
	if pulse <= frame {
		t.Fatalf("output %d moves at pulse %d, and in frame %d", i, pulse, frame)
	}
	// A pulse may leave it a frame before or after, by half a tick: the next frames tell.
	best, least := 0, math.Inf(1)
	for begin := pulse - frame - 1; begin <= pulse-frame+1; begin++ {
		off := 0.0
		for k := 0; k < len(rows) && begin+k < len(list); k++ {
			off += math.Abs(tickError(list[begin+k], rows[k][i]))
		}
		if off < least {
			best, least = begin, off
		}
	}
	return best
}

// checkCardFigures prints what the board needs of the chip, and holds what must hold.
func checkCardFigures(t *testing.T, c *chip, f map[string]float64) {
	t.Helper()
	all := c.stat()
	t.Logf("processor %.1f %% busy while it plays, static memory %.0f bytes, stack %.0f of %.0f; %.0f blocks were read, %.0f collisions on SPI",
		100*f["load"], all["static"], all["stack"], c.memory-all["static"], all["reads"], all["collisions"])
	if f["load"] >= 0.5 {
		t.Errorf("the processor is %.1f %% busy", 100*f["load"])
	}
	if all["static"]+all["stack"] > c.memory-64 {
		t.Error("memory is nearly full")
	}
	if all["collisions"] != 0 {
		t.Error("bytes on SPI collided")
	}
	for _, n := range c.notes {
		if strings.HasPrefix(n, "z ") {
			t.Errorf("the chip was reset: %s", n)
		}
	}
}

// visitedGallery is the gallery with a button for visitors and one that stops it.
func visitedGallery() documents {
	rig := strings.Replace(galleryRig(250000), "baud: 250000}", "baud: 250000, inputs: {1: {active: low}, 2: {active: low, stop: true}}}", 1)
	return documents{"rig.yaml": rig, "long.yaml": galleryMotion(8), "short.yaml": galleryMotion(3), "gallery.show.yaml": `show: Gulls
format: 1
rig: rig.yaml
start: {play: long}
motions:
  long: {file: long.yaml, loop: true}
  short: {file: short.yaml, trigger: {input: 1, lockout: 2s}, while_busy: interrupt}
`}
}

// TestCardInputs: on the chip, a visitor's button starts a motion in the midst of another, the
// stop button stops it, a visitor brings it back, and the card is taken out and put in
// again. No pulse leaves its limits or its period, and memory is enough for all of it.
func TestCardInputs(t *testing.T) {
	e, image, program := cardBoard(t, small, "bare-show", visitedGallery(), "gallery.show.yaml")
	c := newChip(t, program, 250000, "-c", image)
	at := func(ms int, command string) {
		c.run(uint64(ms) * 1000 * cyclesPerUS)
		if command != "" {
			c.do("%s", command)
		}
	}
	c.do("in C4 1")
	c.do("in C5 1")
	at(3000, "in C5 0") // a visitor
	at(3200, "in C5 1")
	at(8000, "in C5 0")
	at(8200, "in C5 1")
	at(8700, "in C4 0") // stop
	at(9000, "in C4 1")
	at(12000, "")
	stopped := c.now
	at(14000, "in C5 0") // it comes back
	at(14200, "in C5 1")
	at(20000, "pull 1")
	at(24000, "pull 0")
	at(36000, "")
	back := false
	all := pulsesOf(t, c.edges)
	for i := range e.lines[0][0].Channels {
		ch := &e.lines[0][0].Channels[i]
		list := all[c.pins[ch.Number]]
		for k, p := range list {
			checkLimits(t, ch, p)
			if k == 0 {
				continue
			}
			slots := float64(p.rise-list[k-1].rise) / (20000 * cyclesPerUS)
			if p.rise > 14_000_000*cyclesPerUS && list[k-1].rise < stopped {
				back = true // in between there are none
			} else if math.Abs(slots-1) > 0.001 {
				t.Fatalf("%s: pulse %d comes %.4f slots after the one before, at cycle %d", c.pins[ch.Number], k, slots, p.rise)
			}
		}
		if last := list[len(list)-1]; c.now-last.rise > 25_000*cyclesPerUS {
			t.Fatalf("%s has no pulses at the end", c.pins[ch.Number])
		}
	}
	if !back {
		t.Error("the stop button did not stop it")
	}
	checkCardFigures(t, c, c.stat())
}

// TestCardSize prints the sizes of the board that plays from a card for the table in the
// README, and holds them against the chip.
func TestCardSize(t *testing.T) {
	tool(t, "avr-size")
	_, _, program := galleryCard(t, 20)
	out, err := exec.Command("avr-size", program).Output()
	if err != nil {
		t.Fatal(err)
	}
	var text, data, bss int
	if _, err := fmt.Sscan(strings.Split(string(out), "\n")[1], &text, &data, &bss); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Logf("flash %d of 32768 bytes, static memory %d of %.0f", text+data, data+bss, small.memory)
	checkReadme(t, "ATmega328P, for a card", text+data, data+bss)
	if float64(text+data) > small.flash || float64(data+bss) > small.memory-300 {
		t.Error("too large for an ATmega328P with a bootloader of 512 bytes and a stack of 300")
	}
	for _, use := range stackUse(t, filepath.Join(scratch, "bare-card"))[:8] {
		t.Logf("stack: %s", use)
	}
}
