package rehearse

import (
	"fmt"
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

// TestBoardThatDoesNotGiveWay: all are stopped, and it is said which one it was.
func TestBoardThatDoesNotGiveWay(t *testing.T) {
	for name, c := range map[string]struct {
		how  func(*quay) (mend func())
		says string
	}{
		"deaf":  {func(q *quay) func() { q.setDeaf(true); return func() { q.setDeaf(false) } }, "shore"},
		"stuck": {(*quay).jam, "board shore did not answer in time"},
	} {
		t.Run(name, func(t *testing.T) {
			inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
				p, end := h.drive("a")
				defer end()
				h.play(p)
				mend := c.how(h.boards["shore"])
				time.Sleep(50 * time.Millisecond) // until something is under way
				if a := p.answer(p.send("play", `"motion":"greet","countIn":0,"enter":2`)); a.OK || !strings.Contains(a.Text, c.says) {
					t.Errorf("it plays, or says not why: %+v", a)
				}
				await(t, func() string { return "the other board goes on" }, func() bool { return h.boards["main"].state() == wire.StateStopped })
				mend()
				p.reach("a question", func(s State) bool { return s.Confirm != "" })
			})
		})
	}
}

// TestSlowToGiveWay: an axis that may only be braked slowly, as a lift with a load, is waited
// for. From 1.3 mm/s (1.875 times 18 mm in 26 s) at 0.17 mm/s2 it takes 7.6 s, and a little less
// by the resolution of frames and steps.
func TestSlowToGiveWay(t *testing.T) {
	before, fin, _ := strings.Cut(twoRig, "  fin:")
	_, after, _ := strings.Cut(fin, "\n")
	before = strings.Replace(before, "shore: {rate: 50Hz", "shore: {rate: 10Hz", 1)
	rig := before + "  fin: {kind: stepper, board: shore, channel: 0, steps: 200, microsteps: 16, lead: 1mm, travel: [0mm, 20mm], limits: {speed: 2mm/s, acceleration: 0.17mm/s2}}\n" + after
	motion, _, _ := strings.Cut(fmt.Sprintf(twoMotion, "28s"), "  fin:")
	inHarbour(t, rig, map[string]string{"greet": motion + "  fin: [[0s, 0mm], [26s, 18mm, min-jerk]]\n"}, "", func(t *testing.T, h *harbour) {
		p, end := h.drive("a")
		defer end()
		p.ask("play", `"motion":"greet","countIn":0`)
		p.reach("full speed", func(s State) bool { return s.Phase == Playing && s.Position > 13 })
		from := h.clock.Now()
		p.ask("play", `"motion":"greet","countIn":0`)
		if took := h.clock.Now() - from; took < askPatience {
			t.Errorf("it gave way within %v: no such axis", took)
		}
		if s := p.now(); !s.Beat || s.Phase == Stopped || s.Phase == Stopping {
			t.Errorf("the state is %+v", s)
		}
	})
}
