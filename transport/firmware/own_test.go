package firmware_test

import (
	"encoding/binary"
	"fmt"
	"testing"

	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// keeper is a board that plays by itself: an arm that carries weight, a head, a winch, a
// beacon, a lantern and a horn.
func keeper() *firmware.Config {
	return &firmware.Config{Name: "keeper", Queue: 16, Payload: 82, Tick: 500_000, Least: 10_000_000, Greatest: 100_000_000,
		Inputs: 3, Low: 0b101, Debounce: 20_000,
		Outputs: []firmware.Output{
			{Units: wire.UnitsTicks, Flags: wire.FlagsWeight, Lost: wire.PolicyRelease, Low: 2000, High: 4000, Rest: 3000, Change: 60, Slow: 4, Soft: 10},
			{},
			{Units: wire.UnitsTicks, Lost: wire.PolicyRest, Offset: 5000, Low: 1500, High: 4500, Rest: 3000, Change: 60, Slow: 4, Soft: 12},
			{Units: wire.UnitsDuty, Unit: wire.UnitDuty, Low: -20000, High: 20000, Change: 2000, Slow: 500, Soft: 500},
			{Units: wire.UnitsSteps, Unit: wire.UnitSteps, Low: -100_000, High: 100_000, Change: 300, Slow: 20, Soft: 100},
			{Units: wire.UnitsLevel, Unit: wire.UnitLevel, Low: 0, High: 60000, Rest: 500, Change: 60000, Slow: 60000, Soft: 2000},
			{Units: wire.UnitsState, Unit: wire.UnitState, Low: 0, High: 1, Change: 1, Slow: 1, Soft: 1},
		}}
}

// event is a record of the program in C.
type event struct {
	kind   byte
	packet wire.Packet // s
	start  uint32      // l; at of d
	room   uint32
	period uint32
	state  wire.State
	framed bool
	pins   map[uint8]pin
	yes    bool         // o
	word   uint16       // i
	cause  wire.Cause   // q
	own    [4]bool      // own, moving, played, refuses
	free   int          // frames that there is room for
	gaps   []uint16     // p
	m      wire.Message // s
}

type pin struct {
	live  bool
	value uint16
}

// read takes records apart.
func read(t testing.TB, b []byte) (all []event) {
	le := binary.LittleEndian
	for len(b) > 0 {
		e, n := event{kind: b[0]}, 0
		switch e.kind {
		case 's':
			n = 2 + int(b[1])
			body := append([]byte{}, b[2:n-1]...)
			size, err := wire.DecodeCOBS(body)
			if err != nil || b[n-1] != 0 {
				t.Fatalf("sent: %x: %v", b[2:n], err)
			}
			if e.packet, err = wire.ParsePacket(body[:size]); err != nil {
				t.Fatal(err)
			}
			e.m = e.packet.Kind.New()
			if err := e.m.Decode(e.packet.Payload); err != nil {
				t.Fatal(err)
			}
		case 'l':
			n = 18 + 7*int(b[17])
			e.start, e.room, e.period, e.state, e.framed = le.Uint32(b[1:]), le.Uint32(b[5:]), le.Uint32(b[9:]), wire.State(b[15]), b[16]&1 != 0
			e.pins = map[uint8]pin{}
			for p := b[18:n]; len(p) > 0; p = p[7:] {
				e.pins[p[0]] = pin{p[2]&1 != 0, le.Uint16(p[5:])}
			}
		case 'd':
			n = 6
			e.start = le.Uint32(b[1:])
		case 'o':
			n, e.yes = 2, b[1] != 0
		case 'i':
			n, e.word = 3, le.Uint16(b[1:])
		case 'q':
			n, e.state, e.cause, e.free = 5, wire.State(b[1]), wire.Cause(b[2]), int(b[4])
			for i := range e.own {
				e.own[i] = b[3]>>i&1 != 0
			}
		case 'p':
			for n = 1; n == 1 || le.Uint16(b[n-2:]) != 0; n += 2 {
				e.gaps = append(e.gaps, le.Uint16(b[n:]))
			}
		default:
			t.Fatalf("no record: %x", b[:min(len(b), 20)])
		}
		all, b = append(all, e), b[n:]
	}
	return all
}

// soloist drives the program in C alone.
type soloist struct {
	t     *testing.T
	d     *device
	now   uint32
	host  wire.Encoder
	slots []event // of the last command
	sent  []event
}

func newSoloist(t *testing.T, c *firmware.Config, tick uint32) *soloist {
	s := &soloist{t: t, d: newDevice(t, c), now: tick}
	b := binary.LittleEndian.AppendUint32([]byte{'N', 9, 0}, tick)
	s.do(append(b, 0, 0))
	return s
}

// do gives a command, and keeps what came of it.
func (s *soloist) do(script []byte) []event {
	all := read(s.t, s.d.run(s.t, script))
	s.slots, s.sent = nil, nil
	for _, e := range all {
		switch e.kind {
		case 'l':
			s.slots = append(s.slots, e)
		case 's':
			s.sent = append(s.sent, e)
		}
	}
	return all
}

func (s *soloist) timed(letter byte, more ...byte) []event {
	return s.do(append(binary.LittleEndian.AppendUint32([]byte{letter}, s.now), more...))
}

func (s *soloist) wait(us uint32) { s.now += us; s.timed('A') }

// own calls one of the functions of a board that plays by itself.
func (s *soloist) own(what byte, more ...byte) bool {
	s.t.Helper()
	all := s.timed('o', append([]byte{what}, more...)...)
	return all[len(all)-1].yes
}

func (s *soloist) must(what byte, more ...byte) {
	s.t.Helper()
	if !s.own(what, more...) {
		s.t.Fatalf("%c at %d us is refused", what, s.now)
	}
}

func word(x uint32) []byte { return binary.LittleEndian.AppendUint32(nil, x) }

func pose(values ...uint16) []byte {
	v := wire.Values(nil).Add(values...)
	return append([]byte{byte(len(v))}, v...)
}

func (s *soloist) query() event {
	all := s.do([]byte{'?'})
	return all[len(all)-1]
}

func (s *soloist) say(ms ...wire.Message) {
	s.t.Helper()
	for _, m := range ms {
		b, err := s.host.Frame(nil, m)
		if err != nil {
			s.t.Fatal(err)
		}
		s.timed('B', append([]byte{byte(len(b))}, b...)...)
	}
}

// result gives how the last message was taken.
func (s *soloist) result() wire.Result {
	for _, e := range s.sent {
		if a, ok := e.m.(*wire.Ack); ok {
			return a.Result
		}
	}
	return 255
}

func (s *soloist) expect(want wire.State, own bool) {
	s.t.Helper()
	if q := s.query(); q.state != want || q.own[0] != own {
		s.t.Fatalf("at %d us the board is %s, by itself: %v; want %s, %v", s.now, q.state, q.own[0], want, own)
	}
}

// far gives how far a value of the keeper's output has gone from another.
func far(output uint8, from, to uint16) int {
	u := map[uint8]wire.Unit{3: wire.UnitDuty, 4: wire.UnitSteps}[output]
	d := int(u.Number(to)) - int(u.Number(from))
	if u == wire.UnitSteps {
		d = int(int16(to - from))
	}
	return max(d, -d)
}

// A board that plays by itself begins at rest, moves softly, plays each frame at its time,
// stands still where frames are missing, and ends in its last pose.
func TestABoardThatPlaysByItself(t *testing.T) {
	t.Parallel()
	for _, tick := range beginnings {
		t.Run(fmt.Sprint(tick), func(t *testing.T) { solo(t, tick) })
	}
}

func solo(t *testing.T, tick uint32) {
	s := newSoloist(t, keeper(), tick)
	const period = 16_666_667 // ns, 60 frames a second
	if s.own('b', word(9_999_999)...) || s.own('b', word(100_000_001)...) {
		t.Error("a period beyond the limits is taken")
	}
	if s.own('m', pose(0, 0, 0, 0, 0, 0)...) || s.own('f', pose(0, 0, 0, 0, 0, 0)...) || s.own('s', word(s.now)...) || s.own('r') {
		t.Error("it plays before it has begun")
	}
	s.expect(wire.StateSilent, false)
	s.must('b', word(period)...)
	s.expect(wire.StateArmed, true)
	if s.own('b', word(period)...) {
		t.Error("it begins twice")
	}
	s.wait(100_000)
	rest := map[uint8]pin{0: {true, 3000}, 2: {true, 3000}, 3: {true, 0}, 4: {true, 0}, 5: {true, 500}, 6: {true, 0}}
	if len(s.slots) < 5 || fmt.Sprint(s.slots[0].pins) != fmt.Sprint(rest) {
		t.Fatalf("%d slots, first with %v, want %v", len(s.slots), s.slots[0].pins, rest)
	}

	minus := uint16(1<<16 - 900)
	target := []uint16{2222, 0, 4000, minus, 40000, 1}
	s.must('m', pose(target...)...)
	soft := map[uint8]int{0: 10, 2: 12, 3: 500, 4: 100, 5: 2000, 6: 1}
	last := rest
	for k := 0; s.query().own[1]; k++ {
		s.wait(20_000)
		for _, slot := range s.slots {
			for n, p := range slot.pins {
				if way := far(n, last[n].value, p.value); way > soft[n] {
					t.Fatalf("output %d moves by %d in a slot, softly is %d", n, way, soft[n])
				}
			}
			last = slot.pins
		}
		if k > 1000 {
			t.Fatalf("it does not arrive: %v", last)
		}
	}
	want := map[uint8]pin{0: {true, 2222}, 2: {true, 3000}, 3: {true, 0}, 4: {true, minus}, 5: {true, 40000}, 6: {true, 1}}
	if fmt.Sprint(last) != fmt.Sprint(want) { // a motor stands still until a frame turns it
		t.Fatalf("it arrives at %v, want %v", last, want)
	}

	frame := func(k int) []byte {
		return pose(uint16(2222+10*k), uint16(3000-10*k), uint16(4000-100*k), uint16(int(minus)+50*k), uint16(40000+7*k), uint16(k/4%2))
	}
	for k := range 16 {
		if q := s.query(); q.free != 16-k {
			t.Fatalf("room for %d frames after %d", q.free, k)
		}
		s.must('f', frame(k)...)
	}
	if s.own('f', frame(16)...) {
		t.Error("a seventeenth frame is taken")
	}
	start := s.now + 123_456
	s.must('s', word(start)...)
	s.expect(wire.StatePlaying, true)
	var played []event
	k := 16
	for range 150 {
		s.wait(5_000)
		for _, slot := range s.slots {
			if slot.framed {
				played = append(played, slot)
			}
		}
		if k == 20 { // a sector of four frames cannot be read
			s.must('g', 4, 0)
			k = 24
		}
		if k < 30 && s.query().free > 0 {
			s.must('f', frame(k)...)
			k++
		}
	}
	if len(played) != 26 {
		t.Fatalf("%d frames are played, want 26", len(played))
	}
	for i, slot := range played {
		n := i
		if i >= 20 {
			n += 4
		}
		if at := start + uint32(n*period/1000); slot.start != at {
			t.Errorf("frame %d begins at %d us, want %d", n, slot.start, at)
		}
		if i < 20 || i > 24 { // in between they come back within their change
			if v := slot.pins[0].value; v != uint16(2222+10*n) {
				t.Errorf("frame %d has %d, want %d", n, v, 2222+10*n)
			}
		}
	}
	if q := s.query(); !q.own[2] {
		t.Error("it does not say that all is played")
	}
	s.must('r')
	s.expect(wire.StateArmed, true)
	s.must('m', pose(2900, 3100, 0, 0, 700, 0)...)
	s.wait(3_000_000)
	s.expect(wire.StateArmed, true) // no host, and no silence of one

	s.say(&wire.Identify{Version: 1})
	for _, m := range []wire.Message{&wire.Setup{Channels: 6, Period: 20_000_000, Silence: 250}, &wire.Arm{Boot: 9, Values: make(wire.Values, 12)},
		&wire.Frames{Values: make(wire.Values, 12)}, &wire.Start{}, &wire.Hold{}, &wire.Resume{}, &wire.Flush{}} {
		if s.say(m); s.result() != wire.ResultState {
			t.Errorf("%s of a host: %s, want %s", m.Kind(), s.result(), wire.ResultState)
		}
	}
	s.say(&wire.Stop{Category: wire.CategoryControlled})
	if s.result() != wire.ResultOk {
		t.Errorf("the stop of a host: %s", s.result())
	}
	s.wait(2_000_000)
	end := s.slots[len(s.slots)-1]
	s.expect(wire.StateStopped, false)
	for n, p := range end.pins {
		if p.live != (n == 0) {
			t.Errorf("after a stop, output %d is on: %v", n, p.live)
		}
	}
	if s.say(&wire.Arm{Boot: 9, Values: make(wire.Values, 12)}); s.result() != wire.ResultUnset {
		t.Errorf("a host arms what the board has configured for itself: %s", s.result())
	}
	again := map[uint8]pin{0: {true, 2900}, 2: {true, 3100}, 3: {true, 0}, 4: {true, 0}, 5: {true, 700}, 6: {true, 0}}
	s.must('b', word(20_000_000)...) // the arm is still held, the others begin where they were left
	s.wait(100_000)
	if p := s.slots[0].pins; fmt.Sprint(p) != fmt.Sprint(again) {
		t.Errorf("it begins again at %v, want %v", p, again)
	}
	s.say(&wire.Stop{Category: wire.CategoryDrop})
	s.expect(wire.StateSilent, false)
}

// The stop input ends what the board plays by itself, and it does not begin while it is
// active.
func TestTheStopInputOfABoardThatPlaysByItself(t *testing.T) {
	s := newSoloist(t, keeper(), 0)
	s.must('b', word(20_000_000)...)
	s.timed('I', 1, 0)
	s.wait(1_000_000)
	s.expect(wire.StateStopped, false)
	if s.own('b', word(20_000_000)...) {
		t.Error("it begins while the stop input is active")
	}
	s.timed('I', 0, 0)
	s.must('b', word(20_000_000)...)
}

// An axis that carries weight by the rig is let go by stop 0 only, whatever a host has
// made of it.
func TestWeightIsTheRigs(t *testing.T) {
	arm := func(s *soloist) {
		s.say(&wire.Identify{Version: 1}, &wire.Setup{Channels: 2, Period: 20_000_000, Silence: 250})
		for _, n := range []uint8{0, 2} {
			s.say(&wire.Channel{Channel: n, Unit: wire.UnitTicks, Lost: wire.PolicyRelease, Offset: 100, Low: 2000, High: 4000, Rest: 3000, Change: 60, Slow: 4})
		}
		s.say(&wire.Arm{Boot: 9, Values: wire.Values(nil).Add(3000, 3000)})
		if s.result() != wire.ResultOk {
			s.t.Fatalf("arm: %s", s.result())
		}
		s.wait(100_000)
	}
	tests := []struct {
		name string
		end  func(*soloist)
		held bool
	}{
		{"silence", func(s *soloist) { s.wait(2_000_000) }, true},
		{"stop 1", func(s *soloist) { s.say(&wire.Stop{Category: wire.CategoryControlled}) }, true},
		{"stop input", func(s *soloist) { s.timed('I', 1, 0) }, true},
		{"no pulses in a frame", func(s *soloist) {
			s.say(&wire.Frames{Time: wire.Tick(s.now), Values: make(wire.Values, 4)}, &wire.Start{Time: wire.Tick(s.now)})
		}, true},
		{"stop 0", func(s *soloist) { s.say(&wire.Stop{Category: wire.CategoryDrop}) }, false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			s := newSoloist(t, keeper(), 0)
			arm(s)
			test.end(s)
			s.wait(60_000)
			s.say(&wire.Query{Topic: wire.TopicPose})
			live := s.sent[0].m.(*wire.Pose).Live
			if live.Has(0) != test.held {
				t.Errorf("the arm is held: %v", live.Has(0))
			}
			if live.Has(1) {
				t.Error("the head, which carries no weight, is held")
			}
		})
	}
}

// A slot is given to the port some time before it begins; one that comes too late for that
// begins later.
func TestTheLeadOfSlots(t *testing.T) {
	t.Parallel()
	const lead = 2000
	c := keeper()
	c.Name, c.Lead = "pilot", lead
	s := newSoloist(t, c, 1<<32-50_000)
	s.must('b', word(20_000_000)...)
	s.wait(20_000)
	if len(s.slots) != 1 {
		t.Fatalf("%d slots in 20 ms", len(s.slots))
	}
	begin := s.slots[0].start
	for k := uint32(1); k < 10; k++ {
		s.now = begin + k*20_000 - lead - 1
		if s.timed('A'); len(s.slots) > 0 {
			t.Fatalf("the slot at %d us is given at %d us", s.slots[0].start, s.now)
		}
		s.now++
		if s.timed('A'); len(s.slots) != 1 || s.slots[0].start != s.now+lead {
			t.Fatalf("%v at %d us, want a slot at %d us", s.slots, s.now, s.now+lead)
		}
	}
	s.now += 20_000 + lead + 1 // 1 us past its begin
	if s.timed('A'); len(s.slots) != 1 || s.slots[0].start != s.now+lead {
		t.Errorf("%v at %d us, want a slot at %d us", s.slots, s.now, s.now+lead)
	}
}

// A board that does nothing for two months, in which its time goes around 1,200 times and a
// count of ms once, plays then as it does at once.
func TestTwoMonthsOfSilence(t *testing.T) {
	s := newSoloist(t, keeper(), 0)
	var idle []byte
	const day = 24 * 3600 / 1200
	for range day {
		s.now += 1_200_000_000
		idle = append(idle, 'A')
		idle = append(idle, word(s.now)...)
	}
	for d := range 60 {
		if d > 0 {
			for i := 1; i < len(idle); i += 5 {
				s.now += 1_200_000_000
				binary.LittleEndian.PutUint32(idle[i:], s.now)
			}
		}
		if s.do(idle); len(s.slots) > 0 {
			t.Fatalf("a pulse on day %d", d)
		}
	}
	s.must('b', word(20_000_000)...)
	s.must('f', pose(3030, 3000, 0, 0, 500, 0)...)
	start := s.now + 50_000
	s.must('s', word(start)...)
	s.wait(100_000)
	framed := 0
	for _, slot := range s.slots {
		if slot.framed {
			framed++
			if slot.start != start || slot.pins[0].value != 3030 {
				t.Errorf("a frame at %d us with %d, want %d", slot.start, slot.pins[0].value, start)
			}
		}
	}
	if framed != 1 {
		t.Errorf("%d frames", framed)
	}
}

// Inputs 0 and 2 are active when low; all but a stop that is pressed have to be steady for
// 20 ms, which are counted in 256 us.
func TestInputs(t *testing.T) {
	s := newSoloist(t, keeper(), 1<<32-70_000)
	at := func(us uint32, raw, want uint16) {
		t.Helper()
		s.now += us
		all := s.timed('i', byte(raw), 0)
		for _, e := range all {
			if e.kind == 'i' && e.word != want {
				t.Errorf("at %d us %03b gives %03b, want %03b", s.now, raw, e.word, want)
			}
		}
	}
	const none = 0b101
	at(0, none, 0)
	at(1000, none|2, 0) // input 1 is pressed
	at(19_000, none|2, 0)
	at(2000, none|2, 2)
	at(1000, none, 2) // it bounces
	at(500, none|2, 2)
	at(19_000, none, 2)
	at(15_000, none|2, 2)
	at(10_000, none, 2)
	at(21_000, none, 0)
	at(1000, 0b100, 1) // a stop is not waited for
	at(1000, none, 1)  // but its end is
	at(10_000, 0b100, 1)
	at(1000, none, 1)
	at(21_000, none, 0)
	at(1000, 0b001, 0)
	at(21_000, 0b001, 4)
	at(600_000_000, 0b001, 4)
	at(1000, 0b001, 4)
	at(1000, none, 4)
	at(20_500, none, 0)
}

// The intervals of a span add up to it, but for the half before the first step, and differ
// by one at most.
func TestStepsAreSpreadEvenly(t *testing.T) {
	d := newDevice(t, keeper())
	for _, span := range []uint16{1, 2, 7, 1000, 20_000, 40_000, 65_535} {
		for _, steps := range []uint16{0, 1, 2, 3, 7, 99, 400, 999, 1000, 19_999, 32_767, 65_535} {
			if steps > span/2 {
				continue
			}
			script := binary.LittleEndian.AppendUint16([]byte{'p'}, steps)
			gaps := read(t, d.run(t, binary.LittleEndian.AppendUint16(script, span)))[0].gaps
			if len(gaps) != int(steps)+1 {
				t.Fatalf("%d steps in %d: %d intervals", steps, span, len(gaps)-1)
			}
			sum := 0
			for i, g := range gaps[:steps] {
				if i > 0 && (g < span/steps || g > span/steps+1) {
					t.Fatalf("%d steps in %d: an interval of %d", steps, span, g)
				}
				// Step i stands in the middle of its share of the span.
				sum += int(g)
				if want := (2*i + 1) * int(span) / (2 * int(steps)); sum < want-1 || sum > want+1 {
					t.Fatalf("%d steps in %d: step %d comes at %d, want %d", steps, span, i, sum, want)
				}
			}
		}
	}
}
