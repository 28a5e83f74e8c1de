package firmware_test

import (
	"testing"

	"limberjack/transport/wire"
)

// mcusr is the address of the register that tells why the chip was reset (ATmega328P data
// sheet, "Register Summary").
const mcusr = "@0x54"

// TestHiddenResets: behind a bootloader that clears MCUSR (the Uno's stock one, optiboot of
// arduino-core-avr) no reset has a cause. Power, and a host that opens the port twice within
// the first minute, keep nobody from arming the board.
func TestHiddenResets(t *testing.T) {
	t.Parallel()
	c := bareServos()
	h := newSimHost(t, "servos", c)
	hidden := func(cause string) {
		h.chip.do("reset %s", cause)
		h.chip.do("poke %s 00", mcusr)
		h.run(5)
	}
	hidden("power")
	for range 4 {
		h.run(1000)
		hidden("pin")
	}
	h.say(&wire.Identify{Version: 1})
	if id := last[*wire.Identity](h); id.Cause != wire.ResetUnknown {
		t.Errorf("the board says that it was reset by %s", id.Cause)
	}
	h.arm(c, 20_000_000)
	if st := h.status(); st.State != wire.StateArmed {
		t.Errorf("the board is %s, %s", st.State, st.Cause)
	}
	// Those that are not hidden still count, and those in between count for nothing.
	h.chip.do("reset brownout")
	h.run(5)
	hidden("pin")
	h.chip.do("reset watchdog")
	h.run(5)
	hidden("pin")
	h.chip.do("reset brownout")
	h.run(5)
	h.arm(c, 20_000_000)
	if st := h.status(); st.State != wire.StateSilent || st.Cause != wire.CauseResets {
		t.Errorf("after three that nobody asked for the board is %s, %s", st.State, st.Cause)
	}
}

// TestHiddenResetsOfAShow: the same from a card. The show goes on after power and two openings
// of the port in its first minute, and three brown-outs within a minute stop it.
func TestHiddenResetsOfAShow(t *testing.T) {
	t.Parallel()
	_, image, program := galleryCard(t, 20)
	c := newChip(t, program, 250000, "-c", image)
	c.do("poke %s 00", mcusr)
	plays := func() bool {
		c.run(c.now + 1_500_000*cyclesPerUS)
		c.edges = nil
		c.run(c.now + 200_000*cyclesPerUS)
		return len(c.edges) > 12*2*8
	}
	for k := range 3 {
		if k > 0 {
			c.do("reset pin")
			c.do("poke %s 00", mcusr)
		}
		if !plays() {
			t.Fatalf("after %d resets that are hidden the show is off", k)
		}
	}
	for k := range 3 {
		c.do("reset brownout")
		if on := plays(); on != (k < 2) {
			t.Errorf("after %d brown-outs the show is on: %v", k+1, on)
		}
	}
}

// TestActiveAtPowerUp: an input that is active when the board gets its power has had no edge,
// and starts nothing; when it is let go and pressed, it does. The stop input acts at once.
func TestActiveAtPowerUp(t *testing.T) {
	t.Parallel()
	d := visitedGallery()
	d["gallery.show.yaml"] = `show: Gulls
format: 1
rig: rig.yaml
motions:
  short: {file: short.yaml, trigger: {input: 1}}
`
	_, image, program := cardBoard(t, small, "waits", d, "gallery.show.yaml")
	moves := func(c *chip, ms uint64) bool {
		c.edges = nil
		c.run(c.now + ms*1000*cyclesPerUS)
		all := pulsesOfSteady(c)
		for _, p := range all {
			if p.least != p.most {
				return true
			}
		}
		return false
	}
	c := newChip(t, program, 250000, "-c", image)
	c.do("in C4 1")
	c.do("in C5 0") // somebody leans on the button
	c.run(1_000_000 * cyclesPerUS)
	if moves(c, 3000) {
		t.Error("a motion began without an edge")
	}
	c.do("in C5 1")
	if moves(c, 1000) {
		t.Error("a motion began when the button was let go")
	}
	c.do("in C5 0")
	if !moves(c, 3000) {
		t.Error("no motion began at an edge")
	}
}

// steady is how a pin's pulses differ, in whole ticks.
type steady struct{ least, most int }

// pulsesOfSteady gives the range of each pin's whole pulses among the edges.
func pulsesOfSteady(c *chip) map[string]steady {
	up, all := map[string]uint64{}, map[string]steady{}
	for _, e := range c.edges {
		from, on := up[e.pin]
		if e.up {
			up[e.pin] = e.at
			continue
		}
		if delete(up, e.pin); !on {
			continue
		}
		ticks := int(e.at-from+8) / 16 // to the us: a width is off by half a tick at most
		s, seen := all[e.pin]
		if !seen {
			s = steady{ticks, ticks}
		}
		all[e.pin] = steady{min(s.least, ticks), max(s.most, ticks)}
	}
	for pin, s := range all {
		if s.most-s.least <= 1 {
			all[pin] = steady{s.least, s.least}
		}
	}
	return all
}

// TestFirstReading: on the host, an input that is active at the first reading is so at once,
// with no edge to come; inputs 0 and 2 of the keeper are active when low.
func TestFirstReading(t *testing.T) {
	for _, first := range []struct{ raw, want uint16 }{{0b101, 0}, {0b111, 2}, {0b100, 1}, {0b011, 6}} {
		s := newSoloist(t, keeper(), 0)
		for _, us := range []uint32{0, 1000, 19_000, 2000, 300_000} {
			s.now += us
			for _, e := range s.timed('i', byte(first.raw), 0) {
				if e.kind == 'i' && e.word != first.want {
					t.Errorf("%03b gives %03b at %d us, want %03b", first.raw, e.word, s.now, first.want)
				}
			}
		}
	}
}

// TestDips: a supply that hiccups. Losses of power that memory outlives count as brown-outs
// within the first minute of a run; after one of a minute it is somebody's switch, and after
// one that memory does not outlive nothing is known.
func TestDips(t *testing.T) {
	t.Parallel()
	c := bareServos()
	h := newSimHost(t, "servos", c)
	expect := func(what string, cause wire.Reset, resets uint16, refuses bool) {
		t.Helper()
		h.say(&wire.Identify{Version: 1})
		if id := last[*wire.Identity](h); id.Cause != cause || id.Resets != resets {
			t.Errorf("%s: %s, %d resets; want %s, %d", what, id.Cause, id.Resets, cause, resets)
		}
		h.arm(c, 20_000_000)
		st := h.status()
		if refused := st.State == wire.StateSilent && st.Cause == wire.CauseResets; refused != refuses || !refuses && st.State != wire.StateArmed {
			t.Errorf("%s: the board is %s, %s", what, st.State, st.Cause)
		}
	}
	reset := func(cause string, then float64) {
		h.chip.do("reset %s", cause)
		h.run(then)
	}
	expect("power-up", wire.ResetPower, 0, false)
	h.run(61_000)
	reset("dip", 5) // switched off and on by somebody
	expect("a dip after a minute", wire.ResetPower, 0, false)
	reset("dip", 1000)
	expect("a dip", wire.ResetBrownout, 1, false)
	reset("dip", 1000)
	expect("two dips", wire.ResetBrownout, 2, false)
	reset("dip", 1000)
	expect("three dips", wire.ResetBrownout, 3, true)
	reset("dip", 5)
	expect("off and on too soon", wire.ResetBrownout, 4, true)
	h.run(61_000)
	reset("dip", 5)
	expect("off and on after a minute", wire.ResetPower, 0, false)
	for range 3 {
		reset("power", 500)
	}
	expect("power that memory does not outlive", wire.ResetPower, 0, false)
	reset("dip", 500)
	reset("brownout", 500)
	reset("watchdog", 500)
	expect("dips and others", wire.ResetWatchdog, 3, true)
	reset("power", 5)
	expect("long off", wire.ResetPower, 0, false)
}
