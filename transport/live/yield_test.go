package live

import (
	"errors"
	"testing"
	"time"

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
