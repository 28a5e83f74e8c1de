package live

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"limberjack/transport/board"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// stage is a connected and armed board that plays the keeper's motion.
type stage struct {
	prop  *prop
	board *Board
	tl    *timeline.Timeline
	life  diary // of the session
	play  diary // of Play
	done  chan error
}

func newStage(t *testing.T, change func(*board.Options), open func(*prop) Link) *stage {
	t.Helper()
	leaks(t)
	rig, tl := keeper(t)
	s := &stage{prop: newProp(t, rig, rig.Boards[0], change), tl: tl, done: make(chan error, 1)}
	link := s.prop.serial
	if open != nil {
		link = func(testing.TB, int) Link { return open(s.prop) }
	}
	dial := dialer(s.prop)
	if open != nil {
		dial = func(ctx context.Context) (Link, error) { return OpenWebSocket(ctx, s.prop.url) }
	}
	s.board = connect(t, link(t, 115200), Options{Timeline: tl, Events: s.life.note, Dial: dial})
	if err := s.board.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *stage) start(ctx context.Context, o PlayOptions) {
	o.Events = s.play.note
	go func() { s.done <- Play(ctx, []*Board{s.board}, []*timeline.Timeline{s.tl}, o) }()
}

func (s *stage) result(t *testing.T) error {
	t.Helper()
	select {
	case err := <-s.done:
		return err
	case <-time.After(15 * time.Second):
		t.Fatal("Play does not end")
		return nil
	}
}

func TestShortGapIsBridged(t *testing.T) {
	s := newStage(t, nil, func(p *prop) Link { return p.socket(t) })
	s.start(t.Context(), PlayOptions{})
	s.play.expect(t, Started, 5*time.Second)
	time.Sleep(300 * time.Millisecond)
	s.prop.server.Cut(90 * time.Millisecond)
	if err := s.result(t); err != nil {
		t.Fatal(err)
	}
	if armed, _ := s.board.Armed(); !armed {
		t.Error("the board is not armed any more")
	}
	rows, _ := motionRows(s.prop.played(), s.tl, int(s.tl.Frames))
	r, row := s.tl.Reader(), make([]uint16, len(s.tl.Channels))
	for k := range rows {
		r.Next(row)
		if rows[k][0] != row[0] {
			t.Fatalf("frame %d of the arm is %d, not %d: the motion did not go on in time", k, rows[k][0], row[0])
		}
	}
	checkSpeeds(t, s.board, s.prop.played())
}

func TestSpoiltMessagesDoNoHarm(t *testing.T) {
	s := newStage(t, func(o *board.Options) {
		o.Faults = board.Faults{Drop: 0.03, Corrupt: 0.03, Duplicate: 0.03, Delay: 5 * time.Millisecond, Seed: 11}
	}, nil)
	s.start(t.Context(), PlayOptions{End: EndRest})
	if err := s.result(t); err != nil {
		t.Fatal(err)
	}
	slots := s.prop.played()
	checkSpeeds(t, s.board, slots)
	for _, x := range slots {
		for c := range s.tl.Channels {
			n, b := uint8(s.tl.Channels[c].Number), s.board.bounds[c]
			if v := int64(x.values[n]); b.unit == wire.UnitTicks && x.live[n] && (v < b.low || v > b.high) {
				t.Errorf("channel %d is at %d, outside of %d to %d", n, v, b.low, b.high)
			}
		}
	}
	if last := slots[len(slots)-1]; last.values[0] != 2000 || last.values[3] != 2671 {
		t.Errorf("the axes are not at rest (1000 us, 1335.3 us): %v", last.values)
	}
}

func TestResetInMidShow(t *testing.T) {
	s := newStage(t, func(o *board.Options) { o.Restart = 300 * time.Millisecond }, nil)
	s.start(t.Context(), PlayOptions{})
	s.play.expect(t, Started, 5*time.Second)
	time.Sleep(200 * time.Millisecond)
	s.prop.server.Reset(wire.ResetWatchdog)
	var lost *LostError
	if err := s.result(t); !errors.As(err, &lost) {
		t.Fatalf("Play gives %v", err)
	}
	eventually(t, 5*time.Second, "set up again", func() bool { return len(s.life.all(Connected)) == 2 })
	if n := s.board.Identity(); n.Cause != wire.ResetWatchdog {
		t.Errorf("the cause of the reset is %v", n.Cause)
	}
	from := s.prop.pulses()
	time.Sleep(200 * time.Millisecond)
	if s.prop.pulses() != from {
		t.Error("pulses leave a board that was reset")
	}
	if err := s.board.Arm(t.Context(), nil); err != nil {
		t.Error(err)
	}
}

func TestStopAndDrop(t *testing.T) {
	s := newStage(t, nil, nil)
	s.start(t.Context(), PlayOptions{})
	s.play.expect(t, Started, 5*time.Second)
	time.Sleep(300 * time.Millisecond)
	if err := s.board.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.result(t); !errors.Is(err, ErrStopped) {
		t.Errorf("Play gives %v", err)
	}
	time.Sleep(100 * time.Millisecond)
	slots := s.prop.played()
	last := slots[len(slots)-1]
	if !last.live[0] || last.live[1] || last.live[3] {
		t.Errorf("after a stop pulses leave on %v; the arm carries weight", last.live)
	}
	checkSpeeds(t, s.board, slots)
	if err := s.board.Drop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if st := s.prop.server.State(); st != wire.StateSilent {
		t.Errorf("after a drop the board is %v", st)
	}
	n := s.prop.pulses()
	time.Sleep(100 * time.Millisecond)
	if more := s.prop.pulses(); more != n {
		t.Errorf("%d slots with pulses after the drop", more-n)
	}
}

func TestContextStopsTheBoard(t *testing.T) {
	s := newStage(t, nil, nil)
	ctx, cancel := context.WithCancel(t.Context())
	s.start(ctx, PlayOptions{Rounds: Forever})
	s.play.expect(t, Started, 5*time.Second)
	time.Sleep(200 * time.Millisecond)
	cancel()
	if err := s.result(t); !errors.Is(err, context.Canceled) {
		t.Errorf("Play gives %v", err)
	}
	eventually(t, time.Second, "stopped", func() bool { return s.prop.server.State() == wire.StateStopped })
}

// TestSessionContextStopsTheBoard: a session whose context ends, as that of a program
// that gives up, leaves no moving prop.
func TestSessionContextStopsTheBoard(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], nil)
	ctx, cancel := context.WithCancel(t.Context())
	b, err := Connect(ctx, p.serial(t, 115200), Options{Timeline: tl})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	cancel()
	eventually(t, 2*time.Second, "stopped", func() bool { return p.server.State() == wire.StateStopped })
}

func TestHoldAndResume(t *testing.T) {
	s := newStage(t, nil, nil)
	s.start(t.Context(), PlayOptions{})
	s.play.expect(t, Started, 5*time.Second)
	time.Sleep(400 * time.Millisecond)
	if err := s.board.Hold(t.Context()); err != nil {
		t.Fatal(err)
	}
	time.Sleep(300 * time.Millisecond)
	t.Logf("held: %+v", s.board.Status())
	held := s.prop.played()
	time.Sleep(400 * time.Millisecond)
	now := s.prop.played()
	if a, b := held[len(held)-1].values[0], now[len(now)-1].values[0]; a != b || !now[len(now)-1].live[0] {
		t.Errorf("the arm goes on from %d to %d while held", a, b)
	}
	if err := s.board.Resume(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.result(t); err != nil {
		t.Fatal(err)
	}
	checkSpeeds(t, s.board, s.prop.played())
	last := s.prop.played()
	if v := last[len(last)-1].values[0]; v != 2200 { // 20 deg
		t.Errorf("the arm ends at %d, not at 2200", v)
	}
	if st := s.board.Status(); st.Late > 0 {
		t.Errorf("%d frames were late", st.Late)
	}
}

func TestRoundsAndSpeed(t *testing.T) {
	s := newStage(t, nil, nil)
	s.start(t.Context(), PlayOptions{From: 0.2, To: 0.6, Rounds: 2, Speed: 0.5, End: EndRest})
	if err := s.result(t); err != nil {
		t.Fatal(err)
	}
	checkSpeeds(t, s.board, s.prop.played())
	var most float64
	rounds := 0
	for _, e := range s.play.all(Progress) {
		most, rounds = max(most, e.Position), max(rounds, e.Round)
	}
	if most < 0.5 || most > 0.6001 || rounds != 2 {
		t.Errorf("it told of %.3f s at most and of %d rounds", most, rounds)
	}
	peaks := 0 // the horn goes on at 0.5 s, once a round
	slots := s.prop.played()
	for i := 1; i < len(slots); i++ {
		if slots[i].values[6] == 1 && slots[i-1].values[6] == 0 {
			peaks++
		}
	}
	if peaks != 2 {
		t.Errorf("the horn sounded %d times in two rounds", peaks)
	}
}

func TestWrongBoardIsRefused(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], func(o *board.Options) {
		o.Config.Tick *= 2
		o.Config.Outputs = o.Config.Outputs[:6]
		o.Config.Outputs[0].High = 4000
		o.Config.Outputs[5].Units = wire.UnitsState
		o.Config.Print++
		o.Config.Greatest = 15_000_000
	})
	_, err := Connect(t.Context(), p.serial(t, 115200), Options{Timeline: tl})
	var m *MismatchError
	if !errors.As(err, &m) {
		t.Fatalf("Connect gives %v", err)
	}
	text := err.Error()
	for _, w := range []string{"tick: the rig says 0.5 us, the board has 1 us", "channel 6 (horn): the board has 6 channels", "channel 0 (arm): the rig goes from 900 us to 2100 us, the board allows",
		"to 2000 us", "channel 5 (lamp): the rig has a dimmer", "another version of the rig", "rate: the rig says 50 Hz"} {
		if !strings.Contains(text, w) {
			t.Errorf("the message does not say %q:\n%s", w, text)
		}
	}
}

func TestSlowLinkIsRefused(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], func(o *board.Options) { o.Baud = 9600 })
	_, err := Connect(t.Context(), p.serial(t, 9600), Options{Timeline: tl})
	var slow *SlowLinkError
	if !errors.As(err, &slow) || !strings.Contains(err.Error(), "raise the baud rate") {
		t.Errorf("Connect gives %v", err)
	}
}

func TestNobodyAnswers(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], nil)
	p.server.Stall(10 * time.Second)
	_, err := Connect(t.Context(), p.serial(t, 115200), Options{Timeline: tl, Wait: 400 * time.Millisecond})
	if err == nil || !strings.Contains(err.Error(), "nothing answered within 400ms") {
		t.Errorf("Connect gives %v", err)
	}
}
