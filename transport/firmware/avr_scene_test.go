package firmware_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// simHost speaks to a board in the simulator without a session, so that each message has
// its time.
type simHost struct {
	t    *testing.T
	chip *chip
	enc  wire.Encoder
	dec  wire.Decoder
	got  []wire.Message
}

func newSimHost(t *testing.T, name string, c *firmware.Config) *simHost {
	h := &simHost{t: t, dec: wire.Decoder{From: wire.FromBoard}}
	c.Port = append(c.Port, firmware.Line{Name: "LJ_PORT_BAUD", Value: "250000UL"})
	h.chip = newChip(t, avrProgram(t, name, c, bareSources(t)), 250000)
	h.run(5)
	return h
}

// run runs so many ms, and takes what the board says.
func (h *simHost) run(ms float64) {
	h.chip.run(h.chip.now + uint64(ms*1000*cyclesPerUS))
	for _, s := range h.chip.sent {
		h.dec.Write([]byte{s.byte}, func(p wire.Packet) {
			if m := messageOf(p.Kind); m != nil && m.Decode(p.Payload) == nil {
				h.got = append(h.got, m)
			}
		})
	}
	h.chip.sent = h.chip.sent[:0]
}

func messageOf(k wire.Kind) wire.Message {
	switch k {
	case wire.KindIdentity:
		return &wire.Identity{}
	case wire.KindStatus:
		return &wire.Status{}
	case wire.KindAck:
		return &wire.Ack{}
	}
	return nil
}

// say sends messages, and runs for 3 ms after each.
func (h *simHost) say(ms ...wire.Message) {
	h.t.Helper()
	for _, m := range ms {
		b, err := h.enc.Frame(nil, m)
		if err != nil {
			h.t.Fatal(err)
		}
		h.chip.feed(h.chip.now, b)
		h.run(3)
	}
}

// last gives the last message of a kind.
func last[M wire.Message](h *simHost) M {
	h.t.Helper()
	for _, m := range slices.Backward(h.got) {
		if x, ok := m.(M); ok {
			return x
		}
	}
	var none M
	h.t.Fatalf("the board has sent no %T", none)
	return none
}

func (h *simHost) status() *wire.Status {
	h.t.Helper()
	h.say(&wire.Query{Topic: wire.TopicStatus})
	return last[*wire.Status](h)
}

// arm sets up servos on all outputs that are there, and lets their pulses leave.
func (h *simHost) arm(c *firmware.Config, period uint32) {
	h.t.Helper()
	h.say(&wire.Identify{Version: 1})
	var values wire.Values
	var channels []wire.Message
	for i, o := range c.Outputs {
		if o.Units == 0 {
			continue
		}
		channels = append(channels, &wire.Channel{Channel: uint8(i), Unit: o.Unit, Flags: o.Flags, Lost: o.Lost, Offset: o.Offset,
			Low: o.Low, High: o.High, Rest: o.Rest, Change: o.Change, Slow: o.Slow})
		values = values.Add(uint16(o.Rest))
	}
	h.say(&wire.Setup{Channels: uint8(len(channels)), Period: period, Silence: 60000})
	h.say(channels...)
	h.say(&wire.Arm{Boot: last[*wire.Identity](h).Boot, Values: values})
}

// bareServos is the bare board with twelve servos, the second of which carries weight.
func bareServos() *firmware.Config {
	c := &firmware.Config{Name: "bare", Queue: 16, Payload: 128, Tick: 500_000, Least: 10_000_000, Greatest: 100_000_000,
		Lead: 2500, Inputs: 2, Low: 3, Debounce: 20000}
	for i := range 12 {
		c.Outputs = append(c.Outputs, firmware.Output{Units: wire.UnitsTicks, Offset: uint16(2900 * i), Low: 1000, High: 5000,
			Rest: 2000 + int32(200*i), Change: 4000, Slow: 40, Soft: 20})
	}
	c.Outputs[1].Flags = wire.FlagsWeight
	return c
}

// restPulses holds all pulses against the values at rest.
func restPulses(t *testing.T, h *simHost, c *firmware.Config) map[string][]pulse {
	t.Helper()
	all := pulsesOf(t, h.chip.edges)
	for i, o := range c.Outputs {
		for _, p := range all[barePins[i]] {
			if math.Abs(tickError(p, uint16(o.Rest))) > 1 {
				t.Errorf("%s: a pulse of %.2f ticks at cycle %d, %d are asked for", barePins[i], float64(p.width)/8, p.rise, o.Rest)
			}
		}
	}
	return all
}

// TestResetCauses: the board tells why it was reset, and after three resets within a minute
// that nobody asked for it does not arm.
func TestResetCauses(t *testing.T) {
	t.Parallel()
	c := bareServos()
	h := newSimHost(t, "servos", c)
	boots := map[uint16]bool{}
	expect := func(cause wire.Reset, resets uint16) {
		t.Helper()
		h.say(&wire.Identify{Version: 1})
		id := last[*wire.Identity](h)
		if id.Cause != cause || id.Resets != resets || boots[id.Boot] {
			t.Errorf("%s, %d resets, boot %d; want %s, %d, and another boot", id.Cause, id.Resets, id.Boot, cause, resets)
		}
		boots[id.Boot] = true
	}
	reset := func(cause string) {
		h.chip.do("reset %s", cause)
		h.run(5)
	}
	expect(wire.ResetPower, 0)
	// The watchdog is on, at 0.12 s: WDE, and WDP 3. Data sheet, "Watchdog Timer".
	if w := h.chip.peek("@0x60", 1)[0]; w&0x6f != 0x0b {
		t.Errorf("WDTCSR is 0x%02x", w)
	}
	h.arm(c, 20_000_000)
	h.run(100)
	if n := len(pulsesOf(t, h.chip.edges)["D2"]); n < 4 {
		t.Fatalf("%d pulses", n)
	}
	edges := len(h.chip.edges)
	reset("pin")
	h.run(100)
	for _, e := range h.chip.edges[edges:] {
		if e.up {
			t.Fatalf("a pulse on %s after a reset", e.pin)
		}
	}
	expect(wire.ResetPin, 1)
	reset("brownout")
	expect(wire.ResetBrownout, 2)
	reset("watchdog")
	expect(wire.ResetWatchdog, 3)
	h.arm(c, 20_000_000)
	if st := h.status(); st.State != wire.StateArmed {
		t.Errorf("after two such resets the board is %s", st.State)
	}
	reset("brownout")
	expect(wire.ResetBrownout, 4)
	h.arm(c, 20_000_000)
	if st := h.status(); st.State != wire.StateSilent || st.Cause != wire.CauseResets {
		t.Errorf("after three the board is %s, %s", st.State, st.Cause)
	}
	reset("power")
	clear(boots) // what memory holds then is noise on a chip, and always the same here
	expect(wire.ResetPower, 0)
	h.arm(c, 20_000_000)
	if st := h.status(); st.State != wire.StateArmed {
		t.Errorf("after its power was off the board is %s", st.State)
	}

	h.run(50) // and now the program hangs
	h.chip.do("hang")
	h.run(200)
	if !slices.ContainsFunc(h.chip.notes, func(n string) bool { return strings.HasSuffix(n, " watchdog") }) {
		t.Fatal("the program hangs, and nobody has reset it")
	}
	edges = len(h.chip.edges)
	h.run(50)
	if len(h.chip.edges) > edges {
		t.Error("pulses leave after the watchdog has reset the chip")
	}
	expect(wire.ResetWatchdog, 1)
}

// TestStopInput: the stop input ends what carries no weight, between pulses, and the board
// says so within 5 ms.
func TestStopInput(t *testing.T) {
	c := bareServos()
	h := newSimHost(t, "servos", c)
	h.arm(c, 20_000_000)
	h.run(105)
	h.got = nil
	h.chip.do("in C4 0")
	h.run(5)
	if st := last[*wire.Status](h); st.Cause != wire.CauseInput || st.Inputs&wire.InputsStop == 0 {
		t.Errorf("%+v", *st)
	}
	h.run(100)
	edges := len(h.chip.edges)
	h.run(100)
	for _, e := range h.chip.edges[edges:] {
		if e.pin != barePins[1] {
			t.Fatalf("%s still has pulses", e.pin)
		}
	}
	if all := restPulses(t, h, c); len(all[barePins[1]]) < 14 || len(all[barePins[0]]) > 8 {
		t.Errorf("%d pulses of what carries weight, %d of another", len(all[barePins[1]]), len(all[barePins[0]]))
	}
	h.say(&wire.Arm{Boot: boot(h), Values: make(wire.Values, 24)})
	if a := last[*wire.Ack](h); a.Result != wire.ResultState {
		t.Errorf("armed while the stop input is active: %s", a.Result)
	}
}

// boot asks who is there, and gives the number of its start.
func boot(h *simHost) uint16 {
	h.say(&wire.Identify{Version: 1})
	return last[*wire.Identity](h).Boot
}

// TestDrop: stop 0 at any moment of a slot. What has begun is finished at its width; nothing
// else comes, and all outputs are low.
func TestDrop(t *testing.T) {
	c := bareServos()
	finished := 0
	for k := range 25 {
		h := newSimHost(t, "servos", c)
		h.arm(c, 20_000_000)
		h.run(60 + 0.8*float64(k))
		b, err := h.enc.Frame(nil, &wire.Stop{Category: wire.CategoryDrop})
		if err != nil {
			t.Fatal(err)
		}
		h.chip.feed(h.chip.now, b)
		h.run(1) // the message takes 0.4 ms on the line
		edges := len(h.chip.edges)
		h.run(60)
		for _, e := range h.chip.edges[edges:] {
			if e.up {
				t.Fatalf("drop %d: a pulse begins on %s, %d us later", k, e.pin, (e.at-h.chip.edges[edges-1].at)/cyclesPerUS)
			}
			finished++
		}
		restPulses(t, h, c)
		level := map[string]bool{}
		for _, e := range h.chip.edges {
			level[e.pin] = e.up
		}
		for pin, up := range level {
			if up {
				t.Errorf("drop %d: %s stays high", k, pin)
			}
		}
	}
	t.Logf("%d pulses were on when they were dropped, and were finished", finished)
	if finished == 0 {
		t.Error("no drop came in the middle of a pulse")
	}
}

// TestLampsMotorsSwitches: the outputs that are no servos, measured on their pins.
func TestLampsMotorsSwitches(t *testing.T) {
	c := bareServos()
	c.Name = "lamps"
	c.Outputs[0] = firmware.Output{} // direction of the motor
	c.Outputs[1] = firmware.Output{Units: wire.UnitsDuty, Unit: wire.UnitDuty, Low: -32767, High: 32767, Change: 65535, Slow: 65535}
	c.Outputs[3] = firmware.Output{Units: wire.UnitsLevel, Unit: wire.UnitLevel, Low: 0, High: 65535, Change: 65535, Slow: 65535}
	c.Outputs[4] = firmware.Output{Units: wire.UnitsLevel, Unit: wire.UnitLevel, Low: 0, High: 65535, Change: 65535, Slow: 65535}
	c.Outputs[6] = firmware.Output{Units: wire.UnitsState, Unit: wire.UnitState, Low: 0, High: 1, Change: 1, Slow: 1}
	h := newSimHost(t, "lamps", c)
	h.arm(c, 20_000_000)
	h.say(&wire.Start{Time: wire.Tick(h.chip.now / cyclesPerUS)})
	index := wire.Index(0)
	for _, test := range []struct {
		duty        int
		lamp, other int
		on          bool
	}{
		{0, 0, 0, false}, {16384, 32768, 65535, true}, {-16384, 6554, 1, true}, {32767, 65535, 40000, false}, {-32767, 257, 0, true}, {-1, 300, 20000, false}, {0, 0, 0, false},
	} {
		on := map[bool]uint16{false: 0, true: 1}[test.on]
		row := []uint16{uint16(int16(test.duty)), 2400, uint16(test.lamp), uint16(test.other), 3000, on, 3400, 3600, 3800, 4000, 4200}
		var values wire.Values
		for range 5 {
			values = values.Add(row...)
		}
		// A motor is brought to rest where no frame follows: five frames, and a look in the middle.
		h.say(&wire.Frames{Index: index, Time: wire.Tick(h.chip.now/cyclesPerUS + 20000), Spacing: 20_000_000, Values: values})
		index += 5
		h.run(45)
		from := h.chip.now
		h.run(16.384) // sixteen periods of the timers
		to := h.chip.now
		h.run(80)
		name := fmt.Sprintf("motor %d, lamps %d and %d, switch %v", test.duty, test.lamp, test.other, test.on)
		close := func(pin string, want float64) {
			t.Helper()
			if have := h.share(pin, from, to); math.Abs(have-want) > 2./256 || want == 0 && have != 0 || want == 1 && have != 1 {
				t.Errorf("%s: %s is on for %.4f of the time, %.4f are asked for", name, pin, have, want)
			}
		}
		close("D3", math.Abs(float64(test.duty))/32767)
		close("D5", float64(test.lamp)/65535)
		close("D6", float64(test.other)/65535)
		close("B0", float64(on))
		if test.duty != 0 {
			close("D2", map[bool]float64{false: 0, true: 1}[test.duty < 0])
		}
	}
	if st := h.status(); st.Late != 0 || st.Clamped != 0 || st.Played != uint32(index) {
		t.Errorf("%+v", *st)
	}
	h.say(&wire.Stop{Category: wire.CategoryDrop})
	h.run(5)
	from := h.chip.now
	h.run(40)
	for _, pin := range []string{"D3", "D5", "D6", "B0"} {
		if s := h.share(pin, from, h.chip.now); s != 0 {
			t.Errorf("after stop 0, %s is on for %.4f of the time", pin, s)
		}
	}
}

// share gives the part of a time for which a pin was high.
func (h *simHost) share(pin string, from, to uint64) float64 {
	up, since, sum := false, from, uint64(0)
	for _, e := range h.chip.edges {
		if e.pin != pin {
			continue
		}
		at := min(max(e.at, from), to)
		if up {
			sum += at - since
		}
		up, since = e.up, at
	}
	if up {
		sum += to - since
	}
	return float64(sum) / float64(to-from)
}
