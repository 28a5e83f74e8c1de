package firmware_test

import (
	"fmt"
	"testing"

	"limberjack/transport/wire"
)

// towerChannels is the usual configuration of tower.
func towerChannels() []wire.Message {
	return []wire.Message{
		&wire.Channel{Channel: 0, Unit: wire.UnitTicks, Lost: wire.PolicyRelease, Flags: wire.FlagsWeight, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4},
		&wire.Channel{Channel: 1, Unit: wire.UnitTicks, Lost: wire.PolicyRest, Offset: 5000, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4},
		&wire.Channel{Channel: 3, Unit: wire.UnitTicks, Lost: wire.PolicyRelease, Offset: 10000, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4},
		&wire.Channel{Channel: 4, Unit: wire.UnitDuty, Lost: wire.PolicyHold, Low: -30000, High: 30000, Rest: 0, Change: 3000, Slow: 1000},
		&wire.Channel{Channel: 5, Unit: wire.UnitSteps, Lost: wire.PolicyHold, Low: -100_000, High: 100_000, Rest: 0, Change: 400, Slow: 50},
		&wire.Channel{Channel: 6, Unit: wire.UnitLevel, Lost: wire.PolicyRest, Low: 0, High: 65535, Rest: 6000, Change: 65535, Slow: 65535},
		&wire.Channel{Channel: 7, Unit: wire.UnitState, Lost: wire.PolicyHold, Low: 0, High: 1, Rest: 0, Change: 1, Slow: 1},
	}
}

// performer is a host that plays frames on tower.
type performer struct {
	*twin
	index  wire.Index
	at     int64 // us since power-up, of the next frame
	n      int
	period int64 // us
}

func (p *performer) ready() {
	p.period = 20_000
	p.configure(250)
}

// slowly is for scenes that take hours.
func (p *performer) slowly() {
	p.period = 100_000
	p.configure(60_000)
}

func (p *performer) configure(silence uint16) {
	p.say(&wire.Identify{Version: 1})
	p.must(&wire.Setup{Channels: 7, Period: uint32(p.period * 1000), Silence: silence})
	p.must(towerChannels()...)
	p.arm()
}

func (p *performer) arm() {
	p.must(&wire.Arm{Boot: p.boot, Values: wire.Values(nil).Add(3000, 3000, 3000, 0, 0, 0, 0)})
	p.index, p.n = 0, 0
}

// row is a frame of the dance: each channel goes to and fro in its own time.
func (p *performer) row() wire.Values {
	swing := func(period, size int) int { // a triangle
		k := p.n % (2 * period)
		return min(k, 2*period-k) * size / period
	}
	p.n++
	return wire.Values(nil).Add(uint16(3000+swing(30, 600)), uint16(3000-swing(40, 700)), uint16(2800+swing(9, 400)),
		uint16(int16(swing(20, 9000)-4500)), uint16(swing(60, 9000)-100), uint16(swing(5, 65535)), uint16(p.n/10%2))
}

// begin starts in 100 ms.
func (p *performer) begin() {
	p.at = p.now + 100_000
	p.feed(8)
	p.must(&wire.Start{Time: wire.Tick(p.tick(p.at - 100_000))})
}

// feed sends frames, two a message.
func (p *performer) feed(frames int) {
	for ; frames > 0; frames -= 2 {
		p.say(&wire.Frames{Index: p.index, Time: wire.Tick(p.tick(p.at)), Spacing: uint32(p.period * 1000), Values: append(p.row(), p.row()...)})
		p.index, p.at = p.index.Add(2), p.at+2*p.period
	}
}

// dance plays on for some time.
func (p *performer) dance(us int64) {
	for end := p.now + us; p.now < end; {
		if p.at-p.now < 10*p.period {
			p.feed(2)
		}
		p.wait(7_000)
	}
}

// pass lets minutes pass, with a word now and then. After 36 to 71 of them a time that has
// been kept looks as if it were to come.
func (p *performer) pass(minutes int) {
	for range minutes {
		p.wait(30_000_000)
		p.say(&wire.Clock{})
		p.wait(30_000_000)
		p.say(&wire.Clock{})
	}
}

// lose leaves out frames.
func (p *performer) lose(frames int) {
	for range frames {
		p.row()
	}
	p.index, p.at = p.index.Add(frames), p.at+int64(frames)*p.period
}

func (p *performer) expect(s wire.State, c wire.Cause) {
	p.t.Helper()
	if got := p.p.Status(); got.State != s || got.Cause != c {
		p.t.Fatalf("the board is %s because of %s, want %s because of %s", got.State, got.Cause, s, c)
	}
}

// Scenes as they are told to people, each near the times at which 32 bits go around.
func TestScenes(t *testing.T) {
	tests := []struct {
		name string
		play func(*performer)
	}{
		{"nobody asks", func(p *performer) { p.wait(1_000_000) }},
		{"who is there", func(p *performer) {
			p.say(&wire.Identify{Version: 1}, &wire.Ask{Channel: 4}, &wire.Ask{Channel: 2}, &wire.Ask{Channel: 200}, &wire.Clock{Token: 0xdeadbeef},
				&wire.Query{Topic: wire.TopicStatus}, &wire.Query{Topic: wire.TopicPose}, &wire.Query{Topic: 9})
			p.wait(1_000_000)
		}},
		{"armed and still", func(p *performer) { p.ready(); p.run(3_000_000); p.expect(wire.StateArmed, wire.CauseHost) }},
		{"a dance", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(6_000_000)
			p.expect(wire.StatePlaying, wire.CauseHost)
			if s := p.p.Status(); s.Played < 290 || s.Late > 0 || s.Bridged > 0 {
				p.t.Fatalf("%+v", s)
			}
		}},
		{"frames are lost and bridged", func(p *performer) {
			p.ready()
			p.begin()
			for k := range 12 {
				p.dance(400_000)
				p.lose(k % 5)
			}
			if s := p.p.Status(); s.Bridged < 15 {
				p.t.Fatalf("%+v", s)
			}
		}},
		{"the first frames are lost", func(p *performer) {
			p.ready()
			p.at, p.index = p.now+100_000, 5
			p.must(&wire.Start{Time: wire.Tick(p.tick(p.now))})
			p.dance(500_000)
		}},
		{"a hold, and on", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(2_000_000)
			p.must(&wire.Hold{}, &wire.Hold{})
			p.run(700_000)
			p.expect(wire.StateHeld, wire.CauseHost)
			later := p.now + 150_000
			queued := int64(p.index.Ahead(p.p.Status().Index))
			p.must(&wire.Resume{Time: wire.Tick(p.tick(later))}, &wire.Resume{})
			p.at = later + queued*p.period
			p.dance(2_000_000)
			p.expect(wire.StatePlaying, wire.CauseHost)
		}},
		{"a flush", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(1_000_000)
			next := p.p.Status().Index
			p.must(&wire.Flush{Index: next.Add(3)})
			p.index, p.at = next.Add(3), p.at-int64(p.index.Ahead(next.Add(3)))*p.period
			p.dance(500_000)
			p.must(&wire.Flush{Index: next.Add(-9)})
			p.run(500_000)
		}},
		{"stop 1", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(1_230_000)
			p.must(&wire.Stop{Category: wire.CategoryControlled})
			p.run(2_000_000)
			p.expect(wire.StateStopped, wire.CauseHost)
			p.arm() // the arm that carries weight keeps its value
			p.run(500_000)
		}},
		{"stop 0", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(1_230_000)
			p.must(&wire.Stop{Category: wire.CategoryDrop})
			p.wait(1_000_000)
			p.expect(wire.StateSilent, wire.CauseHost)
		}},
		{"silence", func(p *performer) { // each axis does what its policy says
			p.ready()
			p.begin()
			p.dance(1_230_000)
			p.say(&wire.Clock{})
			p.wait(249_000)
			p.expect(wire.StatePlaying, wire.CauseHost)
			p.wait(10_000)
			p.expect(wire.StateLost, wire.CauseSilence)
			p.wait(5_000_000)
			p.arm()
			p.begin()
			p.dance(500_000)
		}},
		{"a stop after silence", func(p *performer) {
			p.ready()
			p.wait(400_000)
			p.must(&wire.Stop{Category: wire.CategoryControlled})
			p.wait(3_000_000)
			p.expect(wire.StateStopped, wire.CauseHost)
		}},
		{"the stop input", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(900_000)
			p.input(wire.InputsStop | 4)
			p.run(2_000_000)
			p.expect(wire.StateStopped, wire.CauseInput)
			p.say(&wire.Arm{Boot: p.boot, Values: wire.Values(nil).Add(3000, 3000, 3000, 0, 0, 0, 0)})
			p.expect(wire.StateStopped, wire.CauseInput)
			p.input(0)
			p.arm()
		}},
		{"a servo without pulses", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(500_000)
			p.say(&wire.Frames{Index: p.index, Time: wire.Tick(p.tick(p.at)), Spacing: 20_000_000,
				Values: wire.Values(nil).Add(0, 0, 0, 0, 0, 0, 0, 0, 0, 3600, 0, 0, 0, 0)})
			p.index, p.at = p.index.Add(2), p.at+40_000
			p.dance(1_000_000)
		}},
		{"late frames", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(500_000)
			p.at -= 300_000
			p.feed(20)
			p.dance(500_000)
			if p.p.Status().Late < 3 {
				p.t.Fatalf("%+v", p.p.Status())
			}
		}},
		{"duplicates, and out of order", func(p *performer) {
			p.ready()
			p.begin()
			for range 40 {
				i, at, n := p.index, p.at, p.n
				p.lose(2)
				p.feed(2)
				after, later := p.index, p.at
				p.index, p.at, p.n = i, at, n
				p.feed(2)
				p.index, p.at, p.n = i, at, n
				p.feed(2)
				p.index, p.at = after, later
				p.wait(80_000)
			}
		}},
		{"a bad line", func(p *performer) {
			p.ready()
			p.begin()
			for k := range 60 {
				b := p.frame(&wire.Frames{Index: p.index, Time: wire.Tick(p.tick(p.at)), Spacing: 20_000_000, Values: append(p.row(), p.row()...)})
				switch k % 5 {
				case 1:
					b[k%len(b)] ^= 0x10
				case 2:
					b = b[:k%len(b)]
				case 3:
					b = append([]byte{0, 0, 5, 5, 0}, b...)
				}
				p.bytes(b)
				p.index, p.at = p.index.Add(2), p.at+40_000
				p.wait(40_000)
			}
			if s := p.p.Status(); s.Bad < 20 {
				p.t.Fatalf("%+v", s)
			}
		}},
		{"longer than a packet", func(p *performer) {
			p.say(&wire.Identify{Version: 1})
			for _, n := range []int{245, 246, 247, 248, 249, 300, 1000} {
				b := make([]byte, n)
				for i := range b {
					b[i] = byte(1 + i%200)
				}
				p.bytes(append(b, 0))
				b[0] = 255
				p.bytes(append(b, 0))
			}
			p.say(&wire.Query{})
		}},
		{"messages of nobody", func(p *performer) {
			p.say(&wire.Identify{Version: 1}, &wire.Status{}, &wire.Credit{})
			for _, raw := range []wire.Packet{{Kind: 0}, {Kind: 0x0e}, {Kind: 0x3f}, {Kind: 0x80}, {Kind: wire.KindArm, Payload: make([]byte, 3)},
				{Kind: wire.KindArm, Payload: make([]byte, 1)}, {Kind: wire.KindFrames, Payload: make([]byte, 11)}, {Kind: wire.KindHold, Payload: make([]byte, 9)},
				{Kind: wire.KindSetup, Payload: make([]byte, 6)}, {Kind: wire.KindChannel, Payload: make([]byte, 25)}, {Kind: wire.KindStop},
				{Kind: wire.KindIdentify, Payload: make([]byte, 240)}} {
				packet, err := raw.Append(nil)
				if err != nil {
					p.t.Fatal(err)
				}
				p.bytes(append(wire.AppendCOBS(nil, packet), 0))
			}
			p.say(&wire.Query{})
			if s := p.p.Status(); s.Unknown != 12 {
				p.t.Fatalf("%+v", s)
			}
		}},
		{"three resets in a minute", func(p *performer) {
			for range 2 {
				p.ready()
				p.run(5_000_000)
				p.reset(wire.ResetBrownout)
			}
			p.ready() // twice is bad luck
			p.reset(wire.ResetPin)
			p.reset(wire.ResetWatchdog)
			p.say(&wire.Identify{Version: 1})
			p.expect(wire.StateSilent, wire.CauseResets)
			p.must(&wire.Setup{Channels: 7, Period: 20_000_000, Silence: 250})
			p.must(towerChannels()...)
			p.say(&wire.Arm{Boot: p.boot, Values: wire.Values(nil).Add(3000, 3000, 3000, 0, 0, 0, 0)})
			p.expect(wire.StateSilent, wire.CauseResets)
			p.wait(100_000_000)
			p.reset(wire.ResetPin)
			p.expect(wire.StateSilent, wire.CauseResets)
			p.reset(wire.ResetPower)
			p.ready()
		}},
		{"resets now and then", func(p *performer) {
			for range 6 {
				p.wait(31_000_000)
				p.reset(wire.ResetBrownout)
				p.expect(wire.StateSilent, wire.CauseReset)
			}
			p.ready()
		}},
		{"a program that hangs", func(p *performer) {
			p.ready()
			p.begin()
			p.dance(500_000)
			p.skip(150_000)
			p.dance(500_000)
		}},
		{"a stepper whose low bits go around", func(p *performer) {
			p.ready()
			p.at = p.now + 100_000
			p.must(&wire.Start{Time: wire.Tick(p.tick(p.now))})
			for k := range 400 {
				p.say(&wire.Frames{Index: p.index, Time: wire.Tick(p.tick(p.at)), Values: wire.Values(nil).Add(3000, 3000, 3000, 0, uint16(390*k), 0, 0)})
				p.index, p.at = p.index.Add(1), p.at+20_000
				p.wait(20_000)
			}
		}},
		{"pulses that are longer than the frames are apart", func(p *performer) {
			p.ready()
			p.must(&wire.Stop{Category: wire.CategoryDrop}, &wire.Setup{Channels: 1, Period: 20_000_000, Silence: 250},
				&wire.Channel{Channel: 1, Unit: wire.UnitTicks, Offset: 36_000, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4},
				&wire.Arm{Boot: p.boot, Values: wire.Values(nil).Add(3800)}, &wire.Start{Time: wire.Tick(p.tick(p.now))})
			p.at = p.now + 50_000
			for k := range 120 {
				p.say(&wire.Frames{Index: wire.Index(k), Time: wire.Tick(p.tick(p.at)), Values: wire.Values(nil).Add(uint16(3700 + k))})
				p.at += 18_750
				p.wait(18_750)
			}
			if s := p.p.Status(); s.Late == 0 {
				p.t.Fatalf("%+v", s)
			}
		}},
		{"a pause of hours", func(p *performer) { // while held, frames outlast the time that 32 bits tell apart
			p.slowly()
			p.begin()
			p.dance(5_000_000)
			p.must(&wire.Hold{})
			p.pass(80)
			left := p.p.Status().Queued
			played := p.p.Status().Played
			p.must(&wire.Resume{Time: wire.Tick(p.tick(p.now + 150_000))})
			p.run(5_000_000)
			if s := p.p.Status(); left == 0 || s.Played != played+uint32(left) || s.Late > 0 {
				p.t.Fatalf("%d frames were left, then %+v", left, s)
			}
		}},
		{"frames in a pause of hours", func(p *performer) { // stamped as they follow those before
			for i, minutes := range []int{1, 30, 36, 40, 72, 80} {
				p.slowly()
				p.begin()
				p.dance(2_000_000)
				p.must(&wire.Hold{})
				p.pass(minutes)
				cut := 3
				if i%2 == 1 { // all of them
					cut = int(p.p.Status().Queued)
				}
				p.index, p.at = p.index.Add(-cut), p.at-int64(cut)*p.period
				p.must(&wire.Flush{Index: p.index})
				queued := p.p.Status()
				p.feed(2)
				p.must(&wire.Resume{Time: wire.Tick(p.tick(p.now + 150_000))})
				p.run(2_000_000)
				if s := p.p.Status(); s.Queued > 0 || s.Late > 0 || s.Played != queued.Played+uint32(queued.Queued)+2 {
					p.t.Fatalf("after %d minutes: %+v, then %+v", minutes, queued, s)
				}
				p.must(&wire.Stop{Category: wire.CategoryDrop})
			}
		}},
		{"armed for hours before the start", func(p *performer) {
			p.slowly()
			p.at = p.now + 100_000
			p.feed(6) // nobody plays these
			p.pass(50)
			p.at = p.now + 100_000
			p.feed(6)
			p.must(&wire.Start{Time: wire.Tick(p.tick(p.now))})
			p.run(2_000_000)
			if s := p.p.Status(); s.Played != 6 || s.Queued != 0 {
				p.t.Fatalf("%+v", s)
			}
		}},
		{"nothing to play for hours", func(p *performer) {
			p.slowly()
			p.begin()
			p.dance(5_000_000)
			p.pass(50)
			p.lose(4)
			p.at = p.now + 100_000
			p.dance(5_000_000)
			p.expect(wire.StatePlaying, wire.CauseHost)
		}},
		{"lost for hours", func(p *performer) {
			p.slowly()
			for range 20 {
				p.wait(150_000_000)
			}
			p.arm()
			p.begin()
			p.dance(5_000_000)
			if s := p.p.Status(); s.Played < 40 {
				p.t.Fatalf("%+v", s)
			}
		}},
	}
	c := tower()
	d := newDevice(t, c)
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			for _, epoch := range beginnings {
				p := &performer{twin: newTwin(t, c, epoch)}
				p.label = fmt.Sprintf("time begins at %d", epoch)
				test.play(p)
				p.compare(d)
			}
		})
	}
}
