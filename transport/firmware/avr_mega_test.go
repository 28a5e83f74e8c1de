package firmware_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"limberjack/transport/card"
	"limberjack/transport/firmware"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// The ATmega2560 plays card and wire alike, by one program: the one that `firmware` writes.

// megaGallery is the gallery's rig for that chip, with buttons for a visitor and for a stop.
func megaGallery(baud int) string {
	return strings.Replace(galleryRig(baud), fmt.Sprintf("baud: %d}", baud), fmt.Sprintf("baud: %d, inputs: {1: {active: low}, 2: {active: low, stop: true}}}", baud), 1)
}

// megaProgram builds the program of a rig for wire and card.
func megaProgram(t *testing.T, name string, d documents, show string) (e *exhibit, program string) {
	t.Helper()
	e = exhibitOf(t, d, show, card.ImageOptions{})
	p, err := firmware.ConfigOf(e.show.Rig, e.show.Rig.Boards[0], portOf(t, large.port))
	if err != nil {
		t.Fatal(err)
	}
	if p.Port.Usual() != (firmware.Plays{Wire: true, Card: true}) {
		t.Errorf("%s plays %s where nobody says", p.Port.Name, p.Port.Usual())
	}
	if err := p.Plays(p.Port.Usual()); err != nil {
		t.Fatal(err)
	}
	return e, large.program(t, name, p.Config, cardBoardSources(t))
}

// imageFile writes the card's image to a file.
func imageFile(t *testing.T, e *exhibit) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(name, e.image, 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// TestMegaPulses: sixteen pulses of random widths, in all ways in which they can meet.
func TestMegaPulses(t *testing.T) {
	t.Parallel()
	_, tl := load(t, galleryRig(250000), galleryMotion(1))
	config := bareConfig(tl, 250000)
	for i := range 4 {
		config.Outputs = append(config.Outputs, config.Outputs[i])
	}
	const slots = 300
	for _, test := range []struct {
		name string
		mode int
		line busy
		move float64 // as in TestPulses
	}{
		{"spread, 250000 baud", 0, echoed, 0.1},
		{"together and alike, quiet", 2, quiet, alike(16)},
	} {
		t.Run(test.name, func(t *testing.T) {
			program := large.program(t, fmt.Sprintf("pulses-%d", test.mode), config,
				[]string{"simavr/bench/bench.c", "src/avr/pulses.c", "src/avr/clock.c", "src/avr/serial.c"}, fmt.Sprintf("-DMODE=%d", test.mode))
			c := large.chip(t, program, 250000)
			if test.line != quiet {
				line := make([]byte, slots*500+2500)
				for i := range line {
					line[i] = byte(i*i + i/7)
				}
				c.feed(0, line)
			}
			c.run((10000 + slots*20000) * cyclesPerUS)
			checkRandomPulses(t, c, 16, test.mode, slots, test.move)
			checkPlanning(t, c)
			if s := c.stat(); s["overruns"] > 0 {
				t.Error("the receiver lost bytes")
			}
		})
	}
}

// TestMegaStream is TestStream on this chip, with no card in its socket.
func TestMegaStream(t *testing.T) {
	t.Parallel()
	const baud = 250000
	d := documents{"rig.yaml": megaGallery(baud), "motion.yaml": galleryMotion(20)}
	e, program := megaProgram(t, "both", d, "motion.yaml")
	s := streamTo(t, large.chip(t, program, baud), e.lines[0][0], baud, 0)
	checkFrames(t, s)
	checkPulses(t, s)
	checkFigures(t, s, baud)
}

// TestMegaCardPulses is TestCardPulses on this chip: all from the card, with some blocks
// that come after 100 ms, while a host asks for the time and for the status all the while.
func TestMegaCardPulses(t *testing.T) {
	t.Parallel()
	const seconds = 20
	d := documents{"rig.yaml": megaGallery(250000), "motion.yaml": galleryMotion(seconds)}
	e, program := megaProgram(t, "both", d, "motion.yaml")
	image := imageFile(t, e)
	for _, asked := range []bool{false, true} {
		t.Run(fmt.Sprintf("asked %v", asked), func(t *testing.T) {
			c := large.chip(t, program, 250000, "-c", image)
			for k, block := range frameBlocks(t, e) {
				if k%3 == 1 {
					c.do("stall %d %d", block, 100_000*cyclesPerUS)
				}
			}
			var enc wire.Encoder
			for ms := 50; asked && ms < (seconds+3)*1000; ms += 7 {
				for _, m := range []wire.Message{&wire.Clock{Token: uint32(ms)}, &wire.Query{Topic: wire.TopicStatus}} {
					b, err := enc.Frame(nil, m)
					if err != nil {
						t.Fatal(err)
					}
					c.feed(uint64(ms)*1000*cyclesPerUS, b)
				}
			}
			c.run(2_000_000 * cyclesPerUS)
			c.stat()
			c.run((seconds - 1) * 1_000_000 * cyclesPerUS)
			figures := c.stat()
			c.run((seconds + 3) * 1_000_000 * cyclesPerUS)
			checkCardPulses(t, c, e.lines[0][0])
			checkCardFigures(t, c, figures)
			if asked && len(c.sent) < seconds*1000/7*40 {
				t.Errorf("the board has answered by %d bytes", len(c.sent))
			}
		})
	}
}

// TestMegaSize prints the sizes of the board that plays both for the table in the README, and
// holds them against the chip.
func TestMegaSize(t *testing.T) {
	tool(t, "avr-size")
	d := documents{"rig.yaml": megaGallery(250000), "motion.yaml": galleryMotion(20)}
	_, program := megaProgram(t, "both", d, "motion.yaml")
	out, err := exec.Command("avr-size", program).Output()
	if err != nil {
		t.Fatal(err)
	}
	var text, data, bss int
	if _, err := fmt.Sscan(strings.Split(string(out), "\n")[1], &text, &data, &bss); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Logf("flash %d of 262144 bytes, static memory %d of %.0f", text+data, data+bss, large.memory)
	checkReadme(t, "ATmega2560, for both", text+data, data+bss)
	if float64(text+data) > large.flash || float64(data+bss) > large.memory-1000 {
		t.Error("too large for an ATmega2560 with its bootloader and a stack of 1000")
	}
	// Constants are read with addresses of 16 bits.
	if text+data > 65536 {
		t.Error("too large for constants in flash")
	}
	for _, use := range stackUse(t, filepath.Join(scratch, "both-"+large.mcu))[:5] {
		t.Logf("stack: %s", use)
	}
}

// TestMegaHostMeetsCard: a host connects while the board plays from its card. By the player's
// rules (as in TestABoardThatPlaysByItself, TestCardHostStop) it tells that it is playing,
// refuses to be set up, armed and fed, and not a pulse is late or another; it obeys the host's
// stop, between pulses, and from then on it is the host's: what it is sent it plays, to the tick.
func TestMegaHostMeetsCard(t *testing.T) {
	t.Parallel()
	const baud = 250000
	d := documents{"rig.yaml": megaGallery(baud), "motion.yaml": galleryMotion(20)}
	e, program := megaProgram(t, "both", d, "motion.yaml")
	tl := e.lines[0][0]
	c := large.chip(t, program, baud, "-c", imageFile(t, e))
	h := &simHost{t: t, chip: c, dec: wire.Decoder{From: wire.FromBoard}}
	h.run(5000) // it plays
	h.say(&wire.Identify{Version: 1})
	h.run(2) // question and answer take 2.3 ms on the line, and a slot that is planned meanwhile another
	if id := last[*wire.Identity](h); id.Print != live.Print(tl.Fingerprint) || int(id.Channels) != 12 {
		t.Errorf("it says that it is %+v", id)
	}
	if st := h.status(); st.State != wire.StatePlaying || st.Cause != wire.CauseNone {
		t.Errorf("it says that it is %s, %s", st.State, st.Cause)
	}
	row := make(wire.Values, 24)
	for _, m := range []wire.Message{
		&wire.Setup{Channels: 12, Period: 20_000_000, Silence: 250},
		&wire.Channel{Channel: 0, Low: 1000, High: 5000, Rest: 3000, Change: 1, Slow: 1},
		&wire.Arm{Boot: last[*wire.Identity](h).Boot, Values: row},
		&wire.Frames{Index: 0, Time: wire.Tick(c.now/cyclesPerUS + 20000), Spacing: 20_000_000, Values: row},
		&wire.Start{}, &wire.Hold{}, &wire.Resume{}, &wire.Flush{},
	} {
		h.got = nil
		h.say(m)
		if a := last[*wire.Ack](h); a.About != m.Kind() || a.Result != wire.ResultState {
			t.Errorf("%s: %s", a.About, a.Result)
		}
	}
	h.run(4000) // silence of the host is nothing to it
	if st := h.status(); st.State != wire.StatePlaying || st.Late+st.Clamped+st.Bridged+st.Bad+st.Unknown > 0 {
		t.Errorf("%+v", *st)
	}
	before := *c
	before.edges = c.edges[:len(c.edges):len(c.edges)]
	h.say(&wire.Stop{Category: wire.CategoryControlled})
	if a := last[*wire.Ack](h); a.Result != wire.ResultOk {
		t.Errorf("its stop: %s", a.Result)
	}
	h.run(1500)
	if st := h.status(); st.State != wire.StateStopped || st.Cause != wire.CauseHost {
		t.Errorf("after the stop it is %s, %s", st.State, st.Cause)
	}
	quiet := len(c.edges)
	h.run(3000)
	for _, e := range c.edges[quiet:] {
		if slices.Contains(c.pins, e.pin) {
			t.Fatalf("it plays again though a host has stopped it: %v", e)
		}
	}
	checkPrefix(t, &before, tl)
	for pin, list := range pulsesOf(t, c.edges) {
		for i := range tl.Channels {
			for _, p := range list {
				if c.pins[tl.Channels[i].Number] == pin {
					checkLimits(t, &tl.Channels[i], p)
				}
			}
		}
	}

	c.edges, c.sent = nil, nil
	s := &streamed{chip: c, slot: 20000 * cyclesPerUS, tl: tl}
	playTo(t, s, baud)
	checkFrames(t, s)
	checkPulses(t, s)
}

// checkPrefix holds the pulses so far, of a card that has not been played to its end,
// against the timeline.
func checkPrefix(t *testing.T, c *chip, tl *timeline.Timeline) {
	t.Helper()
	all, rows := pulsesOfStill(c), framesOf(tl) // some pulses may be on
	begin := beginOfPulses(t, c, all, tl, rows)
	var width spread
	for i := range tl.Channels {
		list := all[c.pins[tl.Channels[i].Number]]
		for k, p := range list {
			e := tickError(p, rows[max(k-begin, 0)][i])
			if width.add(e); e > c.off || e < -c.off {
				t.Fatalf("%s: frame %d is %.2f ticks off", c.pins[i], k-begin, e)
			}
		}
		if len(list) < begin+8*50 {
			t.Errorf("%s has %d pulses of the motion", c.pins[i], len(list)-begin)
		}
	}
	t.Logf("until the host's stop: widths %s ticks", width)
}

// playTo plays a timeline to a board that is on already, by the session that plays on boards.
func playTo(t *testing.T, s *streamed, baud int) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		clock := live.NewSystemClock()
		link := newSimLink(s.chip, clock, baud, 0)
		link.zero = clock.Now() - time.Duration(s.chip.now*1000/cyclesPerUS)
		link.width = len(s.tl.Channels)
		b, err := live.Connect(t.Context(), link, live.Options{Timeline: s.tl, Clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		if err := b.Arm(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Second) // until the host knows the board's clock to some us
		if err := live.Play(t.Context(), []*live.Board{b}, []*timeline.Timeline{s.tl}, live.PlayOptions{}); err != nil {
			t.Fatal(err)
		}
		if s.status, err = b.Report(t.Context()); err != nil {
			t.Fatal(err)
		}
		s.frames = link.frames
	})
}
