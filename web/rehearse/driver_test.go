package rehearse

import (
	"testing"
	"time"
)

// TestWheel goes through the table of the rule, row by row.
func TestWheel(t *testing.T) {
	const a, b = "page a", "page b"
	s := time.Second
	var w wheel
	if err := w.arm(a, 0); err == nil {
		t.Error("a page that does not drive arms")
	}
	if err := w.take("", 0); err == nil {
		t.Error("a page without a name drives")
	}
	if err := w.take(a, 0); err != nil {
		t.Fatal(err)
	}
	if w.take(b, s) == nil || w.arm(b, s) == nil {
		t.Error("a second page drives, too")
	}
	if w.take(a, s) != nil {
		t.Error("who drives cannot ask again")
	}
	if w.look(time.Hour) || w.driver != a {
		t.Error("a driver has to give signs of life while nothing is armed")
	}
	if w.leave(b) || w.driver != a {
		t.Error("another page that is hidden lets go for the driver")
	}
	if w.leave(a) || w.driver != "" {
		t.Error("nothing is armed, and all is stopped, or the driver still drives")
	}
	w.take(b, 10*s)
	if err := w.arm(b, 20*s); err != nil {
		t.Fatal(err)
	}
	w.beat(a, 20*s+900*time.Millisecond) // of a page that does not drive
	if w.look(21*s - 1) {
		t.Error("stopped before its time")
	}
	w.beat(b, 21*s-1)
	if w.look(21*s) || !w.look(22*s-1) || w.driver != "" || !w.live {
		t.Error("it is not stopped 1 s after the last beat, or not without a driver")
	}
	if w.look(30 * s) {
		t.Error("it is stopped twice")
	}
	w.take(b, 30*s)
	w.beat(b, 31*s)
	if err := w.arm(b, 30*s); err != nil || w.look(32*s-1) { // a request that waited while a beat came
		t.Errorf("%v; stopped sooner than 1 s after the last beat", err)
	}
	w.leave(b)
	w.beat(b, 30*s)
	if w.driver != "" {
		t.Error("a beat takes the wheel")
	}
	if w.take(a, 30*s) != nil || !w.live {
		t.Error("while all is being stopped nobody can drive")
	}
	if !w.leave(a) {
		t.Error("who took the wheel of what is still armed may leave it")
	}
	w.disarmed()
	if w.live {
		t.Error("what is disarmed is live")
	}
}

// FuzzWheel plays the rule against a rig that takes time to arm and to stop, with pages
// that come, go, hide, beat and do not, in any order. Whatever happens, pulses leave for no
// longer than BeatMost and the look of a desk after the last sign of life of a page that
// drove: unless all is being stopped by then.
func FuzzWheel(f *testing.F) {
	f.Add([]byte{0, 0, 3, 0, 5, 200, 5, 200, 5, 200})
	f.Add([]byte{0, 0, 3, 0, 4, 50, 1, 0, 0, 1, 3, 1, 2, 1, 5, 255})
	f.Add([]byte{0, 0, 3, 0, 6, 0, 0, 1, 5, 255, 5, 255})
	f.Add([]byte{0, 2, 3, 2, 4, 2, 5, 90, 4, 2, 5, 90, 4, 1, 5, 90, 7, 0, 3, 2, 5, 100, 5, 100})
	f.Fuzz(func(t *testing.T, script []byte) {
		pages := []string{"a", "b", "c", ""}
		var w wheel
		var now, alive time.Duration
		armed, stopping := false, time.Duration(-1) // until when it stops
		const look, rest = 50 * time.Millisecond, 300 * time.Millisecond
		stop := func(yes bool) {
			if yes && stopping < 0 {
				stopping = now + rest
			}
		}
		check := func() {
			if armed && stopping < 0 && (w.driver == "" || now-alive > BeatMost+look) {
				t.Fatalf("at %v pulses leave, the last sign of life was at %v, the driver is %q", now, alive, w.driver)
			}
		}
		for ; len(script) >= 2; script = script[2:] {
			page := pages[int(script[1])%len(pages)]
			switch script[0] % 8 {
			case 0:
				if w.take(page, now) == nil {
					alive = now
				}
			case 1, 2: // gone, hidden
				stop(w.leave(page))
			case 3:
				if stopping < 0 && w.arm(page, now) == nil {
					armed, alive = true, now
				}
			case 4:
				if w.driver == page && page != "" {
					alive = now
				}
				w.beat(page, now)
			case 5: // time passes
				for end := now + time.Duration(script[1])*10*time.Millisecond; now < end; {
					now += look
					stop(w.look(now))
					if stopping >= 0 && now >= stopping {
						armed, stopping = false, -1
						w.disarmed()
					}
					check()
				}
			case 6: // anybody stops
				stop(true)
			case 7: // it is lost, or disarms by itself
				armed, stopping = false, -1
				w.disarmed()
			}
			check()
		}
	})
}
