package board

import (
	"math"
	"slices"
	"testing"

	"limberjack/transport/wire"
)

// inState brings a board into a state.
func inState(t *testing.T, s wire.State) *desk {
	t.Helper()
	switch s {
	case wire.StateSilent:
		d := newDesk(t, deskConfig())
		d.configure(deskChannels()...)
		return d
	case wire.StateArmed:
		return armed(t)
	}
	d, _ := playing(t, ramp(3000, 40, 20)...)
	d.run(200_000)
	switch s {
	case wire.StateHeld:
		d.must(&wire.Hold{})
	case wire.StateStopping:
		d.must(&wire.Stop{Category: wire.CategoryControlled})
	case wire.StateStopped:
		d.must(&wire.Stop{Category: wire.CategoryControlled})
		d.run(500_000)
	case wire.StateLost:
		d.wait(300_000)
	}
	if d.p.state != s {
		t.Fatalf("the board is %s, want %s", d.p.state, s)
	}
	return d
}

// The table of PROTOCOL.md, "States": what is taken in which state, and where it leads.
func TestStates(t *testing.T) {
	const none = wire.Result(255)
	channel := deskChannels()[0]
	messages := []struct {
		name string
		m    wire.Message
	}{
		{"identify", &wire.Identify{Version: 1}},
		{"ask", &wire.Ask{Channel: 1}},
		{"clock", &wire.Clock{Token: 1}},
		{"query", &wire.Query{Topic: wire.TopicPose}},
		{"channel", &channel},
		{"arm", &wire.Arm{Boot: 7, Values: wire.Values(nil).Add(still...)}},
		{"frames", &wire.Frames{Index: 0, Values: wire.Values(nil).Add(still...)}},
		{"flush", &wire.Flush{Index: 30000}},
		{"start", &wire.Start{}},
		{"hold", &wire.Hold{}},
		{"resume", &wire.Resume{}},
		{"stop 1", &wire.Stop{Category: wire.CategoryControlled}},
		{"stop 0", &wire.Stop{Category: wire.CategoryDrop}},
		{"setup", &wire.Setup{Channels: 1, Period: 20_000_000, Silence: 250}},
	}
	type line struct {
		results [7]wire.Result
		states  [7]wire.State
	}
	const (
		silent, armed, playing, held, stopping, stopped, lost = wire.StateSilent, wire.StateArmed, wire.StatePlaying,
			wire.StateHeld, wire.StateStopping, wire.StateStopped, wire.StateLost
		ok, no = wire.ResultOk, wire.ResultState
	)
	same := [7]wire.State{silent, armed, playing, held, stopping, stopped, lost}
	want := map[string]line{
		"identify": {[7]wire.Result{none, none, none, none, none, none, none}, same},
		"ask":      {[7]wire.Result{none, none, none, none, none, none, none}, same},
		"clock":    {[7]wire.Result{none, none, none, none, none, none, none}, same},
		"query":    {[7]wire.Result{none, none, none, none, none, none, none}, same},
		"setup":    {[7]wire.Result{ok, no, no, no, no, ok, ok}, same},
		"channel":  {[7]wire.Result{ok, no, no, no, no, ok, ok}, same},
		"arm":      {[7]wire.Result{ok, no, no, no, no, ok, ok}, [7]wire.State{armed, armed, playing, held, stopping, armed, armed}},
		"frames":   {[7]wire.Result{no, none, none, none, no, no, no}, same},
		"flush":    {[7]wire.Result{no, ok, ok, ok, no, no, no}, same},
		"start":    {[7]wire.Result{no, ok, ok, no, no, no, no}, [7]wire.State{silent, playing, playing, held, stopping, stopped, lost}},
		"hold":     {[7]wire.Result{no, no, ok, ok, no, no, no}, [7]wire.State{silent, armed, held, held, stopping, stopped, lost}},
		"resume":   {[7]wire.Result{no, no, ok, ok, no, no, no}, [7]wire.State{silent, armed, playing, playing, stopping, stopped, lost}},
		"stop 1":   {[7]wire.Result{ok, ok, ok, ok, ok, ok, ok}, [7]wire.State{silent, stopping, stopping, stopping, stopping, stopped, stopping}},
		"stop 0":   {[7]wire.Result{ok, ok, ok, ok, ok, ok, ok}, [7]wire.State{}},
	}
	for s := silent; s <= lost; s++ {
		for _, m := range messages {
			d := inState(t, s)
			got := d.say(m.m)
			if l := want[m.name]; got != l.results[s] || d.p.state != l.states[s] {
				t.Errorf("%s in %s: %s, then %s; want %s, then %s", m.name, s, got, d.p.state, l.results[s], l.states[s])
			}
			d.run(100_000)
		}
	}
}

// Every message that a host can ask for has its answer.
func TestAnswers(t *testing.T) {
	d := newDesk(t, deskConfig())
	if d.run(1_000_000); len(d.heard) != 20 {
		t.Errorf("a board that was not asked says %d things, want the answers to 20 clocks", len(d.heard))
	}
	d.must(&wire.Identify{Version: 1})
	d.must(&wire.Ask{Channel: 4})
	if got := d.say(&wire.Ask{Channel: 2}); got != wire.ResultChannel {
		t.Errorf("ask for a hole: %s", got)
	}
	d.heard = nil
	d.must(&wire.Identify{Version: 1}, &wire.Ask{Channel: 4}, &wire.Clock{Token: 99}, &wire.Query{Topic: wire.TopicStatus})
	id := d.heard[0].(*wire.Identity)
	if string(id.Name) != "tower" || id.Boot != 7 || id.Cause != wire.ResetPower || id.Channels != 8 || id.Depth != 32 || id.Tick != 500_000 {
		t.Errorf("identity: %+v", id)
	}
	if l := d.heard[1].(*wire.Limits); *l != (wire.Limits{Channel: 4, Units: wire.UnitsDuty, Low: -32767, High: 32767, Change: 65535}) {
		t.Errorf("limits: %+v", l)
	}
	if c := d.heard[2].(*wire.Time); *c != (wire.Time{Token: 99, Received: 1_001_000, Sent: 1_001_000}) {
		t.Errorf("time: %+v", c)
	}
	if s := d.heard[3].(*wire.Status); s.State != wire.StateSilent || s.Time != 1_001_000 {
		t.Errorf("status: %+v", s)
	}
	if c := d.heard[4].(*wire.Credit); *c != (wire.Credit{Limit: 32, Free: 32}) {
		t.Errorf("credit: %+v", c)
	}
	d.heard = nil
	d.wait(1_000_000)
	if len(d.heard) != 20 {
		t.Errorf("%d messages in a second, want 10 statuses and 10 credits", len(d.heard))
	}
}

func TestNoPulseBeforeArmed(t *testing.T) {
	d := newDesk(t, deskConfig())
	d.run(500_000)
	d.configure(deskChannels()...)
	d.send(0, d.tick(0), ramp(3000, 40, 10)...)
	d.say(&wire.Start{Time: d.tick(0)})
	d.run(1_000_000)
	if len(d.slots) > 0 {
		t.Fatalf("%d slots of a board that was not armed", len(d.slots))
	}
	d.arm(still...)
	d.run(100_000)
	if got := d.values(0, 0); len(got) != 6 || slices.Max(got) != 3000 || slices.Min(got) != 3000 {
		t.Errorf("armed at 3000: %v", got)
	}
}

func TestArm(t *testing.T) {
	low := slices.Clone(still)
	low[1] = 1999
	for _, c := range []struct {
		name   string
		boot   uint16
		values []uint16
		setup  func(d *desk)
		result wire.Result
		detail uint8
	}{
		{"another boot", 6, still, nil, wire.ResultBoot, uint8(wire.StateSilent)},
		{"after a reset", 7, still, func(d *desk) { d.p.Reset(d.now, wire.ResetPin) }, wire.ResultBoot, 0},
		{"a value below", 7, low, nil, wire.ResultLimits, 1},
		{"too few values", 7, still[:6], nil, wire.ResultUnset, nobody},
		{"too many values", 7, append(slices.Clone(still), 1), nil, wire.ResultUnset, nobody},
		{"a channel is missing", 7, still, func(d *desk) { d.must(&wire.Setup{Channels: 7, Period: 20_000_000, Silence: 250}) }, wire.ResultUnset, nobody},
		{"stop input", 7, still, func(d *desk) { d.p.Input(d.now, wire.InputsStop) }, wire.ResultState, 0},
		{"well", 7, still, nil, wire.ResultOk, uint8(wire.StateArmed)},
		{"without pulses", 7, []uint16{0, 0, 0, 0, 0, 0, 0}, nil, wire.ResultOk, uint8(wire.StateArmed)},
		{"a stepper below zero", 7, []uint16{3000, 3000, 3000, 0, 65000, 0, 0}, nil, wire.ResultOk, uint8(wire.StateArmed)},
	} {
		d := newDesk(t, deskConfig())
		d.configure(deskChannels()...)
		if c.setup != nil {
			c.setup(d)
		}
		d.heard = nil
		d.say(&wire.Arm{Boot: c.boot, Values: wire.Values(nil).Add(c.values...)})
		a := d.heard[0].(*wire.Ack)
		if a.Result != c.result || a.Detail != c.detail {
			t.Errorf("%s: %s, %d; want %s, %d", c.name, a.Result, a.Detail, c.result, c.detail)
		}
		if c.result != wire.ResultOk {
			if d.run(100_000); len(d.slots) > 0 {
				t.Errorf("%s: pulses leave", c.name)
			}
			continue
		}
		p, ok := d.heard[1].(*wire.Pose)
		if !ok || p.State != wire.StateArmed || p.Values.Len() != 7 {
			t.Fatalf("%s: %+v follows the ack, not the pose", c.name, d.heard[1])
		}
		for i := range 7 {
			if off := i < 3 && c.values[i] == 0; p.Live.Has(i) == off || !off && p.Values.At(i) != c.values[i] {
				t.Errorf("%s: channel %d is at %d, live %v", c.name, i, p.Values.At(i), p.Live.Has(i))
			}
		}
	}
}

func TestConfigure(t *testing.T) {
	good := deskChannels()[1]
	for _, c := range []struct {
		name   string
		change func(*wire.Channel)
		result wire.Result
	}{
		{"good", func(c *wire.Channel) {}, wire.ResultOk},
		{"a hole", func(c *wire.Channel) { c.Channel = 2 }, wire.ResultChannel},
		{"no such output", func(c *wire.Channel) { c.Channel = 8 }, wire.ResultChannel},
		{"unknown unit", func(c *wire.Channel) { c.Unit = 9 }, wire.ResultUnclear},
		{"unknown policy", func(c *wire.Channel) { c.Lost = 3 }, wire.ResultUnclear},
		{"a unit it cannot play", func(c *wire.Channel) { c.Unit = wire.UnitLevel }, wire.ResultLimits},
		{"wider below", func(c *wire.Channel) { c.Low = 999 }, wire.ResultLimits},
		{"wider above", func(c *wire.Channel) { c.High = 5001 }, wire.ResultLimits},
		{"faster", func(c *wire.Channel) { c.Change = 4001 }, wire.ResultLimits},
		{"rest outside", func(c *wire.Channel) { c.Rest = 1999 }, wire.ResultLimits},
		{"upside down", func(c *wire.Channel) { c.Low, c.High = c.High, c.Low }, wire.ResultLimits},
		{"cannot brake", func(c *wire.Channel) { c.Slow = 0 }, wire.ResultLimits},
		{"cannot move", func(c *wire.Channel) { c.Change = 0 }, wire.ResultLimits},
		{"beyond the frame", func(c *wire.Channel) { c.Offset = 40000 - 4000 + 1 }, wire.ResultLimits},
		{"to the end of the frame", func(c *wire.Channel) { c.Offset = 40000 - 4000 }, wire.ResultOk},
	} {
		d := newDesk(t, deskConfig())
		d.must(&wire.Setup{Channels: 1, Period: 20_000_000, Silence: 250})
		m := good
		c.change(&m)
		if got := d.say(&m); got != c.result {
			t.Errorf("%s: %s, want %s", c.name, got, c.result)
		}
	}
	d := newDesk(t, deskConfig())
	if got := d.say(&good); got != wire.ResultUnset {
		t.Errorf("without a setup: %s", got)
	}
	d.must(&wire.Setup{Channels: 1, Period: 20_000_000, Silence: 250}, &good, &good)
	other := deskChannels()[0]
	if got := d.say(&other); got != wire.ResultChannel {
		t.Errorf("one more than the setup has: %s", got)
	}
	for _, m := range []wire.Setup{{Channels: 8, Period: 20_000_000, Silence: 250}, {Channels: 1, Period: 4_999_999, Silence: 250}, {Channels: 1, Period: 100_000_001, Silence: 250}} {
		if got := d.say(&m); got != wire.ResultLimits {
			t.Errorf("%+v: %s", m, got)
		}
	}
	for _, m := range []wire.Setup{{Channels: 0, Period: 20_000_000, Silence: 250}, {Channels: 1, Silence: 250}, {Channels: 1, Period: 20_000_000}} {
		if got := d.say(&m); got != wire.ResultUnclear {
			t.Errorf("%+v: %s", m, got)
		}
	}
}

// Frames come out in their order, at their times, as they are.
func TestFramesAtTheirTimes(t *testing.T) {
	want := ramp(3000, 40, 12)
	d, first := playing(t, want...)
	d.run(500_000)
	var got []uint16
	for i, s := range d.slots {
		if !s.Framed {
			continue
		}
		if at := first.Add(int64(len(got)) * frame); d.p.tick(s.Start) != at || int(s.Index) != len(got) || s.Bridged {
			t.Errorf("frame %d (%d) at %d, want at %d", len(got), s.Index, d.p.tick(s.Start), at)
		}
		got = append(got, uint16(d.values(0, i)[0]))
	}
	if !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	s := d.p.Status()
	if s.Played != 12 || s.Late != 0 || s.Bridged != 0 || s.Clamped != 0 || s.Queued != 0 || s.Index != 12 {
		t.Errorf("%+v", s)
	}
}

// A dry queue: the arm goes 40 ticks a frame, and comes to rest by 4 a frame in nine
// frames, 180 ticks on. The board goes on playing; what comes later is played, by 40
// a frame at most.
func TestDryQueue(t *testing.T) {
	d, _ := playing(t, ramp(3000, 40, 10)...)
	d.run(600_000)
	all := d.values(0, 0)
	if got := all[len(all)-1]; got != 3360+180 {
		t.Errorf("it comes to rest at %d, want 3540", got)
	}
	d.state(wire.StatePlaying, wire.CauseHost)
	d.send(10, d.tick(40_000), 3400, 3400, 3400, 3400, 3400)
	d.run(200_000)
	if got := d.framed(0)[10:]; !slices.Equal(got, []int{3500, 3460, 3420, 3400, 3400}) {
		t.Errorf("it comes back by %v", got)
	}
	if s := d.p.Status(); s.Clamped != 3 {
		t.Errorf("%d values clamped, want 3", s.Clamped)
	}
}

// Between idle slots and frames that are out of step with them there is neither a pulse
// too many nor too few.
func TestSlotsFollowFrames(t *testing.T) {
	for shift := int64(0); shift < frame; shift += 500 {
		d := armed(t)
		d.must(&wire.Start{Time: d.tick(0)})
		d.send(0, d.tick(60_000+shift), ramp(3000, 4, 20)...)
		d.run(600_000)
		for i := 1; i < len(d.slots); i++ {
			gap := d.slots[i].Start - d.slots[i-1].Start
			if gap < frame-frame/16 || gap >= 2*frame-frame/16 {
				t.Fatalf("shift %d: %d us between slots %d and %d", shift, gap, i-1, i)
			}
		}
		if s := d.p.Status(); s.Played != 20 || s.Late != 0 {
			t.Errorf("shift %d: %+v", shift, s)
		}
	}
}

func TestMissingFramesAreBridged(t *testing.T) {
	d := armed(t)
	d.must(&wire.Start{Time: d.tick(0)})
	first := d.tick(60_000)
	d.send(0, first, 3000, 3020)
	d.send(4, first.Add(4*frame), 3080, 3100)
	d.run(100_000)
	d.send(3, first.Add(3*frame), 3060) // it comes just in time after all
	d.run(200_000)
	if got := d.framed(0); !slices.Equal(got, []int{3000, 3020, 3040, 3060, 3080, 3100}) {
		t.Errorf("%v", got)
	}
	if s := d.p.Status(); s.Bridged != 1 || s.Played != 5 || s.Late != 0 {
		t.Errorf("%+v", s)
	}
}

// A frame that comes less than half a period late is played at once, one that comes
// later is dropped and counted.
func TestLateFrames(t *testing.T) {
	for _, c := range []struct {
		late   int64
		played uint32
		count  uint16
	}{{0, 3, 0}, {9_000, 3, 0}, {11_000, 2, 1}, {35_000, 1, 2}} {
		d := armed(t)
		d.must(&wire.Start{Time: d.tick(0)})
		d.run(305_000)
		d.send(0, d.tick(-c.late), 3010, 3020, 3030)
		d.run(100_000)
		if s := d.p.Status(); s.Played != c.played || s.Late != c.count || s.Index != 3 {
			t.Errorf("%d us late: %d played, %d late, next %d", c.late, s.Played, s.Late, s.Index)
		}
	}
}

func TestFramesAreRefused(t *testing.T) {
	one := wire.Values(nil).Add(still...)
	two := wire.Values(nil).Add(append(slices.Clone(still), still...)...)
	for _, c := range []struct {
		name string
		m    wire.Frames
		want wire.Result
	}{
		{"the last that there is room for", wire.Frames{Index: 31, Values: one}, 255},
		{"one beyond", wire.Frames{Index: 32, Values: one}, wire.ResultFull},
		{"two, the second beyond", wire.Frames{Index: 31, Spacing: 20_000_000, Values: two}, wire.ResultFull},
		{"half a frame", wire.Frames{Values: one[:12]}, wire.ResultUnset},
		{"too close", wire.Frames{Spacing: 18_000_000, Values: two}, wire.ResultLimits},
		{"too far apart", wire.Frames{Spacing: 100_000_001, Values: two}, wire.ResultLimits},
		{"a clock that is off by 4330 ppm", wire.Frames{Spacing: 19_913_400, Values: two}, 255},
		{"played already", wire.Frames{Index: 0xfff0, Values: one}, 255},
		{"none", wire.Frames{}, 255},
	} {
		d := armed(t)
		if got := d.say(&c.m); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		if want := 0; c.want != 255 && d.p.queue.count != want {
			t.Errorf("%s: %d frames are queued of a message that was refused", c.name, d.p.queue.count)
		}
	}
}

// Credit comes with every quarter of the depth, so that a host which follows it keeps
// the queue full and loses nothing.
func TestCredits(t *testing.T) {
	d := armed(t)
	d.must(&wire.Start{Time: d.tick(0)})
	first, sent, limit := d.tick(60_000), 0, wire.Index(0)
	for range 400 {
		for _, m := range d.heard {
			if c, ok := m.(*wire.Credit); ok {
				if int(c.Free) > 32 {
					t.Fatalf("room for %d frames of 32", c.Free)
				}
				limit = c.Limit
			}
		}
		d.heard = nil
		for limit.Ahead(wire.Index(sent)) > 0 {
			d.send(wire.Index(sent), first.Add(int64(sent)*frame), uint16(3000+sent%3))
			sent++
		}
		d.wait(10_000)
	}
	s := d.p.Status()
	if s.Late != 0 || s.Bridged != 0 || int(s.Played) < 195 || s.Queued < 20 {
		t.Errorf("%+v", s)
	}
}

// The uint32 clock wraps 2 s after the start, and the index shortly after; the show
// goes on as before.
func TestWraps(t *testing.T) {
	c := deskConfig()
	c.Epoch = math.MaxUint32 - 2_000_000
	d := newDesk(t, c)
	d.configure(deskChannels()...)
	d.arm(still...)
	d.must(&wire.Start{Time: d.tick(0)})
	d.p.queue.next, d.p.told = 65500, 65500
	first := d.tick(60_000)
	value := func(k int) uint16 { return uint16(3000 + 400*math.Sin(float64(k)/30)) }
	for k := range 200 {
		d.send(wire.Index(65500).Add(k), first.Add(int64(k)*frame), value(k))
		if k >= 20 {
			d.wait(frame)
		}
	}
	d.run(500_000)
	if s := d.p.Status(); s.Played != 200 || s.Late != 0 || s.Bridged != 0 || s.Clamped != 0 || s.Index != wire.Index(164) {
		t.Errorf("%+v", s)
	}
	if tick := d.p.Tick(); tick > 3_000_000 {
		t.Errorf("the clock is at %d and has not wrapped", tick)
	}
	for k, v := range d.framed(0) {
		if v != int(value(k)) {
			t.Fatalf("frame %d: %d, want %d", k, v, value(k))
		}
	}
}

// A duplicate, an older one and frames out of order make no difference.
func TestOrder(t *testing.T) {
	d := armed(t)
	d.must(&wire.Start{Time: d.tick(0)})
	first := d.tick(60_000)
	for _, k := range []int{3, 1, 0, 2, 2, 0, 5, 4, 3} {
		d.send(wire.Index(k), first.Add(int64(k)*frame), uint16(3000+20*k))
	}
	d.run(100_000)
	d.send(0, first, 3500)
	d.run(200_000)
	if got := d.framed(0); !slices.Equal(got, []int{3000, 3020, 3040, 3060, 3080, 3100}) {
		t.Errorf("%v", got)
	}
}

// Start leaves out what is before it, and counts nothing of that as late.
func TestStartLater(t *testing.T) {
	d := armed(t)
	first := d.tick(60_000)
	d.send(0, first, ramp(3000, 10, 10)...)
	d.must(&wire.Start{Time: first.Add(3*frame - 5_000)})
	d.run(500_000)
	if got := d.framed(0); !slices.Equal(got, []int{3030, 3040, 3050, 3060, 3070, 3080, 3090}) {
		t.Errorf("%v", got)
	}
	if s := d.p.Status(); s.Late != 0 || s.Played != 7 {
		t.Errorf("%+v", s)
	}
}

func TestHoldAndResume(t *testing.T) {
	d, first := playing(t, ramp(3000, 40, 15)...)
	d.run(150_000) // frames 0 to 5
	d.must(&wire.Hold{})
	d.run(1_000_000)
	d.state(wire.StateHeld, wire.CauseHost)
	all := d.values(0, 0)
	if got := all[len(all)-1]; got != 3200+180 {
		t.Errorf("held at %d, want 3380: it runs on for nine frames", got)
	}
	again := d.tick(100_000)
	d.must(&wire.Resume{Time: again})
	d.run(400_000)
	got := d.framed(0)[6:]
	if want := []int{3340, 3300, 3320, 3360, 3400, 3440, 3480, 3520, 3560}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v: back to the frames by 40", got, want)
	}
	i := slices.IndexFunc(d.slots, func(s Slot) bool { return s.Framed && s.Index == 6 })
	if at := d.p.tick(d.slots[i].Start); at != again {
		t.Errorf("frame 6 at %d, want %d (it was for %d)", at, again, first.Add(6*frame))
	}
	if s := d.p.Status(); s.Late != 0 || s.Played != 15 {
		t.Errorf("%+v", s)
	}
}

// While held the times of frames stand still: a host that fills the queue in a hold of 40 or
// 80 minutes, longer than 2^31 and 2^32 us, goes on where the frames before ended.
func TestFramesInALongHold(t *testing.T) {
	for _, minutes := range []int64{1, 34, 36, 40, 71, 72, 80} {
		for _, left := range []int{0, 3} { // frames that were queued before
			d, first := playing(t, ramp(3000, 10, 6+left)...)
			d.run(150_000) // frames 0 to 5
			d.must(&wire.Hold{})
			d.now += minutes * 60_000_000 // in one leap, which is no silence of the host
			d.p.Skip(d.now)
			d.p.Unheard(d.now, minutes*60_000_000)
			d.run(100_000)
			d.state(wire.StateHeld, wire.CauseHost)
			d.send(wire.Index(6+left), first.Add(int64(6+left)*frame), ramp(3060+10*left, 10, 9-left)...)
			again := d.tick(100_000)
			d.must(&wire.Resume{Time: again})
			d.run(400_000)
			if got, want := d.framed(0), []int{3000, 3010, 3020, 3030, 3040, 3050, 3060, 3070, 3080, 3090, 3100, 3110, 3120, 3130, 3140}; !slices.Equal(got, want) {
				t.Errorf("%d minutes, %d frames left: %v", minutes, left, got)
				continue
			}
			i := slices.IndexFunc(d.slots, func(s Slot) bool { return s.Framed && s.Index == 6 })
			for k, s := range d.slots[i : i+9] {
				if at := d.p.tick(s.Start); at != again.Add(int64(k)*frame) {
					t.Errorf("%d minutes, %d frames left: frame %d at %d, want %d", minutes, left, 6+k, at, again.Add(int64(k)*frame))
				}
			}
			if s := d.p.Status(); s.Late != 0 || s.Bridged != 0 {
				t.Errorf("%+v", s)
			}
		}
	}
}

func TestFlush(t *testing.T) {
	d, first := playing(t, ramp(3000, 10, 15)...)
	d.run(150_000) // frames 0 to 5
	d.heard = nil
	d.must(&wire.Flush{Index: 9})
	if c, ok := d.heard[1].(*wire.Credit); !ok || c.Limit != 6+32 || c.Free != 29 {
		t.Errorf("after the ack: %+v", d.heard[1])
	}
	d.send(9, first.Add(9*frame), ramp(3050, -10, 5)...)
	d.run(400_000)
	if got := d.framed(0)[6:]; !slices.Equal(got, []int{3060, 3070, 3080, 3050, 3040, 3030, 3020, 3010}) {
		t.Errorf("%v", got)
	}
	d.must(&wire.Flush{Index: 0})
	if d.p.queue.count != 0 {
		t.Errorf("%d frames after a flush from 0", d.p.queue.count)
	}
}
