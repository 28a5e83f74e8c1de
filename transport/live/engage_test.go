package live

import (
	"context"
	"errors"
	"testing"
	"time"

	"limberjack/transport/wire"
)

const sleepyMotion = `motion: The keeper nods off
format: 1
rig: rig.yaml
length: 4s
tracks:
  lid: [[0s, 8deg], [1s, 40deg, min-jerk], [3s, 40deg], [4s, 8deg, min-jerk]]
  jaw: [[0s, 0deg], [4s, 20deg, min-jerk]]
quiet: [{from: 1.5s, to: 2.5s, speed: 600deg/s, release: [lid]}]
`

// engages gives the greatest change in ticks of a servo from its last pulse to the next
// one, whatever time is between them, over the slots of a board, and whether it was ever
// without pulses in between.
func engages(slots []slot, output uint8) (most int, gap bool) {
	last := uint16(0)
	for _, s := range slots {
		switch v := s.values[output]; {
		case !s.live[output]:
			gap = gap || last != 0
		case last == 0:
			last = v
		default:
			most = max(most, int(v)-int(last), int(last)-int(v))
			last = v
		}
	}
	return most, gap
}

// TestEngage: wherever a motion is entered or left while a servo is let go, the servo is
// taken hold of where it is, and never moves faster than the motion or a soft start does:
// the lid's fastest is 32 deg in 1 s, min-jerk, 15/8 x 32 deg/s = 60 deg/s (Flash and
// Hogan, 1985), which at 50 Hz and 21.3 ticks a degree is 26 ticks a frame.
func TestEngage(t *testing.T) {
	for name, o := range map[string]PlayOptions{
		"from within the window": {From: 2, To: 3.2},
		"to within the window":   {From: 0.5, To: 2, Rounds: 2},
		"entered in the window":  {Enter: 2, To: 3.2},
		"entered in its middle":  {From: 0.5, Enter: 1.2, To: 2, Rounds: 2},
	} {
		t.Run(name, func(t *testing.T) {
			leaks(t)
			rig, tls := load(t, keeperRig, sleepyMotion)
			p := newProp(t, rig, rig.Boards[0], nil)
			b := connect(t, p.serial(t, 115200), Options{Timeline: tls[0]})
			if err := b.Arm(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
			if err := Play(t.Context(), []*Board{b}, tls, o); err != nil {
				t.Fatal(err)
			}
			if st := b.Status(); st.Late > 2 || st.Clamped > 0 {
				t.Errorf("%d frames late, %d values clamped", st.Late, st.Clamped)
			}
			most, gap := engages(p.played(), 3)
			if !gap {
				t.Error("the lid was never let go")
			}
			if most > 27 {
				t.Errorf("the lid moves by %d ticks from one pulse to the next, want 26", most)
			}
		})
	}
}

// TestArmAgainAfterStop: a stop lets the lid and the jaw go in mid-motion; armed again,
// they are taken hold of where they were told to be last, and not at rest.
func TestArmAgainAfterStop(t *testing.T) {
	leaks(t)
	rig, tls := load(t, keeperRig, sleepyMotion)
	p := newProp(t, rig, rig.Boards[0], nil)
	b := connect(t, p.serial(t, 115200), Options{Timeline: tls[0]})
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	var d diary
	over := make(chan error, 1)
	go func() { over <- Play(t.Context(), []*Board{b}, tls, PlayOptions{Events: d.note}) }()
	d.expect(t, Started, 10*time.Second)
	time.Sleep(900 * time.Millisecond)
	if err := b.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-over; !errors.Is(err, ErrStopped) {
		t.Fatalf("Play gives %v", err)
	}
	loose, err := b.Loose(t.Context())
	if err != nil || len(loose) < 2 {
		t.Fatalf("let go are %q (%v)", loose, err)
	}
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if err := Play(t.Context(), []*Board{b}, tls, PlayOptions{Enter: 3.5}); err != nil {
		t.Fatal(err)
	}
	// While the board braked it went a little further than it was told: by its slow, 3000
	// deg/s2, from 60 deg/s that is 0.6 deg, 13 ticks, beside a frame's 26.
	for output, want := range map[uint8]int{1: 30, 3: 40} {
		if most, gap := engages(p.played(), output); !gap || most > want {
			t.Errorf("output %d moves by %d ticks from one pulse to the next, want %d (let go: %v)", output, most, want, gap)
		}
	}
}

// TestStopWhileArming: a context that ends while the answer to an arm is under way leaves
// no board armed.
func TestStopWhileArming(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], nil)
	b := connect(t, p.serial(t, 115200), Options{Timeline: tl})
	for i := range 12 {
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(i)*500*time.Microsecond)
		err := b.Arm(ctx, nil)
		cancel()
		if err == nil {
			if err := b.Stop(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if armed, _ := b.Armed(); armed {
			t.Fatalf("after %v the session is armed", err)
		}
		eventually(t, 5*time.Second, "a board at rest", func() bool {
			s := p.server.State()
			return s == wire.StateSilent || s == wire.StateStopped
		})
	}
}

// TestStandingOfSteppers: a stepper far from rest is where it is, also when only 16 bits of
// that are told.
func TestStandingOfSteppers(t *testing.T) {
	b := bounds{unit: wire.UnitSteps, low: 0, high: 60000}
	for _, at := range []int64{0, 1, 32767, 32768, 50000, 60000} {
		if got := b.position(uint16(at), 0); got != at {
			t.Errorf("position %d is taken for %d", at, got)
		}
	}
	wide := bounds{unit: wire.UnitSteps, low: -1 << 31, high: 1<<31 - 1}
	if got := wide.position(uint16(200_000&0xffff), 199_000); got != 200_000 {
		t.Errorf("position 200000 near 199000 is taken for %d", got)
	}
}
