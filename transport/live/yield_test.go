package live

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// TestYield: a motion gives way in the middle, playing or held, and another is played at
// once: nothing jumps, no frame of the first comes after, and the boards stay armed.
// Speeds are held against the rig's limits, as everywhere here.
func TestYield(t *testing.T) {
	s := newStage(t, nil, func(p *prop) Link { return p.socket(t) })
	for _, held := range []bool{false, true} {
		played := s.board.Status().Played
		s.start(t.Context(), PlayOptions{})
		eventually(t, 10*time.Second, "in the middle", func() bool { return s.board.Status().Played > played+70 })
		if held {
			if err := s.board.Hold(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if err := Yield(t.Context(), s.board); err != nil {
			t.Fatal(err)
		}
		if err := s.result(t); !errors.Is(err, ErrYielded) {
			t.Fatalf("held %v: Play ends with %v", held, err)
		}
		st := s.board.Status()
		if armed, _ := s.board.Armed(); !armed || st.State != wire.StatePlaying || st.Queued != 0 {
			t.Errorf("held %v: armed %v, %+v", held, armed, st)
		}
		at := s.prop.played()
		time.Sleep(400 * time.Millisecond) // longer than anything was sent ahead
		now := s.prop.played()
		for c := range at[len(at)-1].values {
			if a, b := at[len(at)-1].values[c], now[len(now)-1].values[c]; a != b || now[len(now)-1].live[c] != at[len(at)-1].live[c] {
				t.Errorf("held %v: output %d goes on from %d to %d", held, c, a, b)
			}
		}
	}
	s.start(t.Context(), PlayOptions{Speed: 0.5})
	if err := s.result(t); err != nil {
		t.Fatal(err)
	}
	last := s.prop.played()
	if v := last[len(last)-1].values[0]; v != 2200 { // 20 deg of 0 to 120 in 900 to 2100 us, by ticks of 0.5 us
		t.Errorf("the arm ends at %d, not at 2200", v)
	}
	checkSpeeds(t, s.board, last)
	// What a busy machine sends late the board makes up for within its limits.
	if st := s.board.Status(); st.Late == 0 && st.Clamped > 0 {
		t.Errorf("%d values were cut", st.Clamped)
	}
}

// TestYieldOfNothing: boards that are not armed refuse; a stop meanwhile rules.
func TestYieldOfNothing(t *testing.T) {
	s := newStage(t, nil, func(p *prop) Link { return p.socket(t) })
	s.start(t.Context(), PlayOptions{})
	s.play.expect(t, Started, 10*time.Second)
	if err := s.board.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.result(t); !errors.Is(err, ErrStopped) {
		t.Errorf("Play ends with %v", err)
	}
	if err := Yield(t.Context(), s.board); !errors.Is(err, ErrNotArmed) {
		t.Errorf("a stopped board yields: %v", err)
	}
}

// TestYieldBeforeTheFirstFrame: a motion that gives way after it has told of its start, and
// before its frames were let go, plays none; nor does one that has ended, and would go to
// rest; and nothing is begun while a board is being brought to rest.
func TestYieldBeforeTheFirstFrame(t *testing.T) {
	s := newStage(t, nil, func(p *prop) Link { return p.socket(t) })
	boards, lines := []*Board{s.board}, []*timeline.Timeline{s.tl}
	played := s.board.Status().Played
	err := Play(t.Context(), boards, lines, PlayOptions{Events: func(e Event) {
		if e.What != SoftStart {
			return
		}
		if err := Yield(t.Context(), s.board); err != nil {
			t.Error(err)
		}
	}})
	if !errors.Is(err, ErrYielded) {
		t.Errorf("Play ends with %v", err)
	}
	p := &performance{opts: PlayOptions{End: EndRest, Speed: 1, Rounds: 1}, clock: s.board.clock}
	if err := p.add(s.board, s.tl); err != nil {
		t.Fatal(err)
	}
	if err := Yield(t.Context(), s.board); err != nil {
		t.Fatal(err)
	}
	if err := p.close(t.Context()); !errors.Is(err, ErrYielded) {
		t.Errorf("going to rest after giving way ends with %v", err)
	}
	s.board.mu.Lock()
	s.board.yielding++
	s.board.mu.Unlock()
	if err := Play(t.Context(), boards, lines, PlayOptions{}); !errors.Is(err, ErrYielded) {
		t.Errorf("while the board is brought to rest Play ends with %v", err)
	}
	if err := s.board.Move(t.Context(), s.board.restValues()); !errors.Is(err, ErrYielded) {
		t.Errorf("while the board is brought to rest Move ends with %v", err)
	}
	s.board.gave()
	if st, err := s.board.Report(t.Context()); err != nil || st.Played != played || st.Queued != 0 {
		t.Errorf("%v; %d frames were played, and %d wait", err, st.Played-played, st.Queued)
	}
	if armed, why := s.board.Armed(); !armed {
		t.Errorf("the board is not armed any more: %s", why)
	}
}

// TestLate: who waits in vain is told of which board, and nothing that says more is hidden.
func TestLate(t *testing.T) {
	boards := []*Board{{name: "main"}, {name: "shore"}}
	err := each(boards, func(b *Board) error {
		if b.name == "main" {
			return context.DeadlineExceeded
		}
		return ErrStopped
	})
	if !strings.Contains(err.Error(), "board main did not answer in time") || !errors.Is(err, ErrStopped) || strings.Contains(err.Error(), "deadline") {
		t.Errorf("what is told is %v", err)
	}
}
