package board

import (
	"slices"
	"testing"

	"limberjack/transport/wire"
)

// moving gives a desk on which all channels move in mid-play.
func moving(t *testing.T) *desk {
	t.Helper()
	d := armed(t)
	d.must(&wire.Start{Time: d.tick(0)})
	first := d.tick(40_000)
	for k := range 30 {
		v := uint16(3000 + 30*k)
		d.say(&wire.Frames{Index: wire.Index(k), Time: first.Add(int64(k) * frame),
			Values: wire.Values(nil).Add(v, v, 6000-v, uint16(600*k), uint16(300*k), 40000, 1)})
	}
	d.run(300_000)
	d.slots = d.slots[len(d.slots)-1:]
	return d
}

// ends gives the last value of each output, -1 where it is off.
func (d *desk) ends() (list []int) {
	for _, p := range d.slots[len(d.slots)-1].Pins {
		v := int(p.Unit.Number(p.Value))
		if !p.Live {
			v = -1
		}
		list = append(list, v)
	}
	return list
}

// smooth holds an output against slow: its change may not change by more from slot to
// slot, until it is off.
func (d *desk) smooth(output uint8, speed, slow int) {
	d.t.Helper()
	vs := d.values(output, 0)
	for i := 1; i < len(vs) && vs[i] >= 0; i++ {
		next := vs[i] - vs[i-1]
		if next-speed > slow || speed-next > slow {
			d.t.Errorf("output %d: the change goes from %d to %d in a slot, %d is allowed: %v", output, speed, next, slow, vs)
			return
		}
		speed = next
	}
}

// Stop 1: each axis comes to rest by slow; then only what carries weight has pulses.
func TestControlledStop(t *testing.T) {
	d := moving(t)
	d.must(&wire.Stop{Category: wire.CategoryControlled})
	d.state(wire.StateStopping, wire.CauseHost)
	if d.p.queue.count != 0 {
		t.Error("the queue is still there")
	}
	d.run(1_000_000)
	d.state(wire.StateStopped, wire.CauseHost)
	// 30 a frame by 4: 26 + 22 + ... + 2 = 98 more. Frames 0 to 13 have been played.
	arm := 3000 + 30*13 + 98
	if got := d.ends(); !slices.Equal(got, []int{arm, -1, -1, -1, -1, -1, -1}) {
		t.Errorf("at the end %v, want only the arm, at %d", got, arm)
	}
	for _, o := range []uint8{0, 1, 3} {
		d.smooth(o, map[bool]int{true: 30, false: -30}[o != 3], 4)
	}
	if got := d.values(1, 0); got[slices.Index(got, -1)-1] != arm {
		t.Errorf("the pan is let go at %d, want at rest at %d", got[slices.Index(got, -1)-1], arm)
	}
	// The motor, at 600 x 13 and still gaining 600, is at 0 before it is let go.
	if got := d.values(4, 0); got[slices.Index(got, -1)-1] != 0 {
		t.Errorf("the winch is let go at %d", got[slices.Index(got, -1)-1])
	}
	// Disarmed, the arm is held for ever; arming again keeps it where it is.
	d.wait(10_000_000)
	d.state(wire.StateStopped, wire.CauseHost)
	d.arm(still...)
	d.run(100_000)
	if got := d.ends(); !slices.Equal(got, []int{arm, 3000, 3000, 0, 0, 0, 0}) {
		t.Errorf("armed again at %v, want the arm at %d and the rest as told", got, arm)
	}
}

// Stop 0 ends all pulses between two slots; from then on the board is silent, for good.
func TestDrop(t *testing.T) {
	for _, s := range []wire.State{wire.StateArmed, wire.StatePlaying, wire.StateHeld, wire.StateStopping, wire.StateStopped, wire.StateLost} {
		d := inState(t, s)
		d.slots = nil
		d.must(&wire.Stop{Category: wire.CategoryDrop})
		d.run(1_000_000)
		d.state(wire.StateSilent, wire.CauseHost)
		if len(d.slots) != 0 || !slices.Equal(d.drops, []int64{d.now - 1_000_000}) {
			t.Errorf("%s: %d slots after it, drops at %v", s, len(d.slots), d.drops)
		}
		// The next slot keeps its distance to a pulse that has just begun.
		d.arm(still...)
		d.run(100_000)
	}
}

// Silence of 250 ms: the arm, which carries weight, is held though its policy is
// release; the pan goes to rest, the jaw is let go at rest, the motor stops, the lamp
// goes to its rest, the switch stays. Nothing jumps.
func TestSilence(t *testing.T) {
	d := moving(t)
	d.wait(249_000)
	d.state(wire.StatePlaying, wire.CauseHost)
	d.wait(2_000)
	d.state(wire.StateLost, wire.CauseSilence)
	d.wait(3_000_000)
	d.state(wire.StateLost, wire.CauseSilence)
	got := d.ends()
	if want := []int{3000 + 30*25 + 98, 3000, -1, 0, got[4], 6000, 1}; !slices.Equal(got, want) {
		t.Errorf("at the end %v, want %v", got, want)
	}
	d.smooth(0, 30, 4)
	d.smooth(1, 30, 4)
	d.smooth(3, -30, 4)
	d.smooth(5, 300, 50)
	if jaw := d.values(3, 0); jaw[slices.Index(jaw, -1)-1] != 3000-30*25-98 {
		t.Errorf("the jaw is let go at %d", jaw[slices.Index(jaw, -1)-1])
	}
	if got := d.say(&wire.Start{}); got != wire.ResultState {
		t.Errorf("a host that is back without arming: %s", got)
	}
	d.run(500_000)
	d.state(wire.StateLost, wire.CauseSilence)
}

// Time in which the board's program could not listen is no silence, but only as far as
// it lies behind what was heard last.
func TestUnheard(t *testing.T) {
	d := armed(t)
	d.wait(100_000)
	d.p.Unheard(d.now, 60_000)
	d.wait(209_000)
	d.state(wire.StateArmed, wire.CauseHost)
	d.wait(2_000)
	d.state(wire.StateLost, wire.CauseSilence)
	d = armed(t)
	d.p.Unheard(d.now, 60_000) // heard just now
	d.wait(251_000)
	d.state(wire.StateLost, wire.CauseSilence)
}

// Each policy, with and without weight, in each state that listens for the host.
func TestPolicies(t *testing.T) {
	for _, c := range []struct {
		lost   wire.Policy
		weight bool
		moved  int // where it is at the end, from 3500
	}{
		{wire.PolicyHold, false, 3500}, {wire.PolicyHold, true, 3500},
		{wire.PolicyRest, false, 3000}, {wire.PolicyRest, true, 3000},
		{wire.PolicyRelease, false, -1}, {wire.PolicyRelease, true, 3500},
	} {
		for _, s := range []wire.State{wire.StateArmed, wire.StatePlaying, wire.StateHeld} {
			ch := deskChannels()[0]
			ch.Lost, ch.Flags = c.lost, 0
			if c.weight {
				ch.Flags = wire.FlagsWeight
			}
			d := newDesk(t, deskConfig())
			d.configure(ch)
			d.arm(3500)
			if s != wire.StateArmed {
				d.must(&wire.Start{})
			}
			if s == wire.StateHeld {
				d.must(&wire.Hold{})
			}
			d.wait(3_000_000)
			d.state(wire.StateLost, wire.CauseSilence)
			if got := d.ends()[0]; got != c.moved {
				t.Errorf("%s, weight %v, in %s: %d, want %d", c.lost, c.weight, s, got, c.moved)
			}
			d.smooth(0, 0, 4)
		}
	}
}

// An axis that a frame has let go is not moved by a loss: nobody knows where it is.
func TestSilenceInRelease(t *testing.T) {
	d := armed(t)
	d.must(&wire.Start{Time: d.tick(0)})
	values := slices.Clone(still)
	values[1] = 0
	d.say(&wire.Frames{Time: d.tick(40_000), Values: wire.Values(nil).Add(values...)})
	d.wait(2_000_000)
	d.state(wire.StateLost, wire.CauseSilence)
	if got := d.ends(); got[1] != -1 {
		t.Errorf("the pan has pulses: %v", got)
	}
}

func TestStopInput(t *testing.T) {
	d := moving(t)
	d.heard = nil
	d.p.Input(d.now, wire.InputsStop)
	if s, ok := d.heard[0].(*wire.Status); !ok || s.State != wire.StateStopping || s.Cause != wire.CauseInput || s.Inputs != wire.InputsStop {
		t.Errorf("at once: %+v", d.heard[0])
	}
	d.run(1_000_000)
	d.state(wire.StateStopped, wire.CauseInput)
	if got := d.ends(); got[0] != 3000+30*13+98 || got[1] != -1 {
		t.Errorf("at the end %v", got)
	}
	arm := &wire.Arm{Boot: 7, Values: wire.Values(nil).Add(still...)}
	if got := d.say(arm); got != wire.ResultState {
		t.Errorf("armed against the stop input: %s", got)
	}
	d.p.Input(d.now, 0)
	if got := d.say(arm); got != wire.ResultOk {
		t.Errorf("armed after it: %s", got)
	}
	// Other inputs are told, and stop nothing.
	d.heard = nil
	d.p.Input(d.now, 4)
	if s, ok := d.heard[0].(*wire.Status); !ok || s.Inputs != 4 || s.State != wire.StateArmed {
		t.Errorf("input 2: %+v", d.heard[0])
	}
}

// Lost, and on the way to rest: a stop stops it there.
func TestStopWhileLost(t *testing.T) {
	ch := deskChannels()[1]
	d := newDesk(t, deskConfig())
	d.configure(ch)
	d.arm(4000)
	d.wait(500_000)
	d.state(wire.StateLost, wire.CauseSilence)
	d.p.Input(d.now, wire.InputsStop)
	d.run(1_000_000)
	d.state(wire.StateStopped, wire.CauseInput)
	vs := d.values(1, 0)
	if at := vs[slices.Index(vs, -1)-1]; at < 3100 || at > 3950 {
		t.Errorf("let go at %d: %v", at, vs)
	}
	d.smooth(1, 0, 4)
}

func TestResets(t *testing.T) {
	for _, c := range []struct {
		name   string
		cause  wire.Reset
		apart  int64
		refuse bool
	}{
		{"three in a minute", wire.ResetBrownout, 29_000_000, true},
		{"three in more than a minute", wire.ResetBrownout, 31_000_000, false},
		{"watchdog", wire.ResetWatchdog, 1_000_000, true},
		{"unknown", wire.ResetUnknown, 1_000_000, false},
		{"the port was opened", wire.ResetPin, 1_000_000, false},
	} {
		d := armed(t)
		for k := range 3 {
			d.p.Reset(d.now, c.cause)
			clear(d.last)
			cause := wire.CauseReset
			if k == 2 && c.refuse {
				cause = wire.CauseResets
			}
			d.state(wire.StateSilent, cause)
			d.heard = nil
			d.must(&wire.Identify{Version: 1})
			if id := d.heard[0].(*wire.Identity); id.Boot != uint16(8+k) || id.Cause != c.cause || id.Resets != uint16(1+k) {
				t.Errorf("%s: %+v", c.name, id)
			}
			if got := d.p.Tick(); got != 0 {
				t.Errorf("%s: the clock is at %d after a reset", c.name, got)
			}
			d.wait(c.apart)
		}
		d.configure(deskChannels()...)
		want := wire.ResultOk
		if c.refuse {
			want = wire.ResultState
		}
		arm := &wire.Arm{Boot: d.p.boot, Values: wire.Values(nil).Add(still...)}
		if got := d.say(arm); got != want {
			t.Errorf("%s: arm %s, want %s", c.name, got, want)
		}
		// More resets, later, do not help; power does.
		d.wait(100_000_000)
		d.p.Reset(d.now, wire.ResetPower)
		clear(d.last)
		d.state(wire.StateSilent, wire.CauseNone)
		d.configure(deskChannels()...)
		d.arm(still...)
	}
}

// A reset in mid-pulse cuts it, as the pins of a chip fall; a later arm must know of it.
func TestResetWhilePlaying(t *testing.T) {
	d := moving(t)
	d.p.Reset(d.now, wire.ResetBrownout)
	d.wait(1_000_000)
	if len(d.slots) != 1 || len(d.drops) != 1 {
		t.Errorf("%d slots after a reset", len(d.slots)-1)
	}
	d.configure(deskChannels()...)
	if got := d.say(&wire.Arm{Boot: 7, Values: wire.Values(nil).Add(still...)}); got != wire.ResultBoot {
		t.Errorf("armed with the boot from before: %s", got)
	}
}

// A program that hung has played nothing meanwhile: what is over by then is late, and
// the axes come back within their change.
func TestSkip(t *testing.T) {
	d, _ := playing(t, ramp(3000, 30, 30)...)
	d.run(200_000) // frames 0 to 8
	d.slots = nil
	d.now += 150_000
	d.p.Skip(d.now)
	d.run(300_000)
	if s := d.slots[0]; s.Start < d.now-300_000 {
		t.Errorf("a slot at %d us, while the program hung until %d us", s.Start, d.now-300_000)
	}
	if s := d.p.Status(); s.Late < 5 || s.Late > 7 || s.Played+uint32(s.Late) < 22 {
		t.Errorf("%+v", s)
	}
}

// Pulses that leave survive a new setup: the axis keeps its value and its limits until
// it is configured anew, and then only by limits that hold it.
func TestSetupKeepsPulses(t *testing.T) {
	d := inState(t, wire.StateStopped)
	at := d.ends()[0]
	d.must(&wire.Setup{Channels: 1, Period: 25_000_000, Silence: 250})
	d.run(500_000)
	if got := d.ends(); !slices.Equal(got, []int{at}) {
		t.Errorf("after a setup %v, want %d", got, at)
	}
	ch := deskChannels()[0]
	ch.High, ch.Rest = int32(at-1), 2500
	if got := d.say(&ch); got != wire.ResultLimits {
		t.Errorf("limits that leave the axis outside: %s", got)
	}
	ch.High = int32(at)
	d.must(&ch)
	d.arm(2500)
	d.run(300_000)
	if got := d.ends(); !slices.Equal(got, []int{at}) {
		t.Errorf("armed at %v, want still %d", got, at)
	}
}
