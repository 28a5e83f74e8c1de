package rehearse

import (
	"math"
	"strings"
	"testing"
	"time"

	"limberjack/transport/wire"
)

// at reports whether a motion plays at a speed, and is near where it should be: its own
// account is held against the server's clock and the place at which it was entered.
func (h *harbour) at(s State, speed, enter float64) bool {
	return s.Phase == Playing && s.SoundAt != nil && float64(s.Speed) == speed && float64(s.Position) >= enter && float64(s.Position) < enter+1
}

// TestAnotherPlay asks for another place, speed and loop while a motion plays, is held, or
// has not come to its first pose: it gives way, its boards stay armed, nothing jumps, and of
// several requests the last one counts.
func TestAnotherPlay(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, end := h.drive("a")
		defer end()
		h.play(p)
		p.ask("play", `"motion":"greet","countIn":0,"loop":true,"enter":2,"speed":0.5`)
		s := p.reach("2 s at half speed", func(s State) bool { return h.at(s, 0.5, 2) })
		if s.Every == nil || float64(*s.Every) < 8 || float64(*s.Every) > 10 { // 4 s at half speed, and the way back
			t.Errorf("a round comes every %v s", s.Every)
		}
		p.ask("hold", "")
		p.until(Held)
		time.Sleep(700 * time.Millisecond)
		p.ask("play", `"motion":"greet","countIn":0,"enter":1`)
		p.reach("1 s at full speed", func(s State) bool { return h.at(s, 1, 1) })
		p.ask("play", `"motion":"greet","countIn":0.4,"loop":true,"from":1,"to":3`)
		var ids []int64
		for range 4 {
			ids = append(ids, p.send("play", `"motion":"greet","countIn":0,"loop":true,"from":1,"to":3,"enter":2.2`))
		}
		for k, id := range ids {
			a := p.answer(id)
			if last := k == len(ids)-1; a.OK != last || !last && !strings.Contains(a.Text, "a later play") {
				t.Errorf("request %d of %d: %+v", k, len(ids), a)
			}
		}
		p.reach("2.2 s of the loop", func(s State) bool { return h.at(s, 1, 2.2) && s.Loop && math.Abs(float64(s.Length)-2) < 0.03 })
		for name, q := range h.boards {
			if st := q.state(); st != wire.StatePlaying {
				t.Errorf("board %s is %v", name, st)
			}
			h.smooth(name, q)
		}
		for _, b := range p.now().Boards {
			if b.Late+b.Clamped+b.Stale+b.Bad != 0 {
				t.Errorf("%+v", b)
			}
		}
	})
}

// TestStopWhileAnotherPlayIsAsked: a stop overtakes what was to come, whenever it comes.
func TestStopWhileAnotherPlayIsAsked(t *testing.T) {
	for _, after := range []time.Duration{0, time.Millisecond, 20 * time.Millisecond, 100 * time.Millisecond, 400 * time.Millisecond} {
		inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
			p, end := h.drive("a")
			defer end()
			h.play(p)
			id := p.send("play", `"motion":"greet","countIn":0,"enter":2`)
			time.Sleep(after)
			from := h.clock.Now()
			p.ask("stop", "")
			h.within(from, 50*time.Millisecond, wire.CategoryControlled)
			h.stands(wire.StateStopped)
			if a := p.answer(id); a.OK && after < 100*time.Millisecond {
				t.Errorf("stopped after %v, it plays: %+v", after, a)
			}
			p.reach("the end of it", func(s State) bool { return s.Phase == Stopped && s.Confirm != "" })
			time.Sleep(2 * time.Second)
			h.stands(wire.StateStopped)
			p.ask("arm", `"confirmed":true`)
			h.play(p)
		})
	}
}

// TestBoardThatDoesNotGiveWay: all are stopped.
func TestBoardThatDoesNotGiveWay(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, end := h.drive("a")
		defer end()
		h.play(p)
		h.boards["shore"].setDeaf(true)
		if a := p.answer(p.send("play", `"motion":"greet","countIn":0,"enter":2`)); a.OK {
			t.Errorf("it plays: %+v", a)
		}
		await(t, func() string { return "the other board goes on" }, func() bool { return h.boards["main"].state() == wire.StateStopped })
		h.boards["shore"].setDeaf(false)
		p.reach("a question", func(s State) bool { return s.Confirm != "" })
	})
}
