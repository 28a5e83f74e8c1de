package live

import (
	"errors"
	"testing"
	"time"

	"limberjack/transport/board"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

const twoBoards = `rig: Two
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 4, baud: 115200}
  shore: {rate: 60Hz, tick: 1us, channels: 4, baud: 115200}
axes:
  arm: {kind: servo, board: main, channel: 0, travel: [0deg, 120deg], pulse: [[0deg, 900us], [120deg, 2100us]]}
  boat: {kind: servo, board: shore, channel: 0, travel: [0deg, 120deg], pulse: [[0deg, 900us], [120deg, 2100us]]}
`

const twoMotion = `motion: Both
format: 1
rig: rig.yaml
length: 1.01s
tracks:
  arm: [[0s, 5deg], [0.5s, 40deg, min-jerk], [1s, 5deg, min-jerk]]
  boat: [[0s, 15deg], [0.5s, 40deg, min-jerk], [1s, 15deg, min-jerk]]
`

// pair is two boards with clocks that part by 5588 ppm, the most that was measured
// between resonators; one hangs on a cable, the other on a network.
func pair(t *testing.T) (ps [2]*prop, bs []*Board, tls []*timeline.Timeline) {
	rig, tls := load(t, twoBoards, twoMotion)
	ppm := [2]float64{-4330, 1258}
	for i := range ps {
		ps[i] = newProp(t, rig, rig.Boards[i], func(o *board.Options) { o.PPM = ppm[i] })
		link := ps[i].serial
		if i == 1 {
			link = func(t testing.TB, _ int) Link { return ps[i].socket(t) }
		}
		b := connect(t, link(t, 115200), Options{Timeline: tls[i]})
		if err := b.Arm(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		bs = append(bs, b)
	}
	return ps, bs, tls
}

func TestTwoBoardsStartTogether(t *testing.T) {
	leaks(t)
	ps, bs, tls := pair(t)
	var d diary
	if err := Play(t.Context(), bs, tls, PlayOptions{Rounds: 2, Events: d.note}); err != nil {
		t.Fatal(err)
	}
	var last [2]time.Duration
	for i, p := range ps {
		for _, s := range p.played() {
			if s.framed {
				last[i] = s.host
			}
		}
	}
	// The last frames stand at 1.02 s and 1.0167 s of the second round. 20 ms are for
	// the scheduler.
	if skew := (last[0] - last[1] - 3*time.Millisecond).Abs(); skew > 20*time.Millisecond {
		t.Errorf("the boards end %v apart", skew)
	}
	list := d.all(Progress)
	if e := list[len(list)-1]; e.Skew <= 0 || e.Skew > 20*time.Millisecond {
		t.Errorf("it tells of a skew of %v", e.Skew)
	}
	for i, b := range bs {
		if st := b.Status(); st.Clamped > 0 {
			t.Errorf("board %d clamped %d values", i, st.Clamped)
		}
	}
}

func TestOneLostBoardStopsTheOther(t *testing.T) {
	leaks(t)
	ps, bs, tls := pair(t)
	var d diary
	done := make(chan error, 1)
	go func() { done <- Play(t.Context(), bs, tls, PlayOptions{Rounds: Forever, Events: d.note}) }()
	d.expect(t, Started, 5*time.Second)
	ps[0].server.Cut(5 * time.Second)
	var lost *LostError
	if err := <-done; !errors.As(err, &lost) && !isLink(err) {
		t.Errorf("Play gives %v", err)
	}
	if s := ps[1].server.State(); s != wire.StateStopped {
		t.Errorf("the other board is %v", s)
	}
}

func isLink(err error) bool {
	var e *LinkError
	return errors.As(err, &e)
}
