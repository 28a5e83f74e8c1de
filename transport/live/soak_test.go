package live

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"limberjack/transport/board"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// soakTime names how long TestSoak plays, as in 30m.
const soakTime = "LIMBERJACK_SOAK"

// soakFor gives that time.
func soakFor(t *testing.T) time.Duration {
	text := os.Getenv(soakTime)
	if text == "" {
		return 5 * time.Second
	}
	d, err := time.ParseDuration(text)
	if err != nil || d <= 0 {
		t.Fatalf("%s is %q: give a time, as in 30m", soakTime, text)
	}
	return d
}

// TestSoak plays over and over, by turns through a cable and a network, while messages
// are lost, spoilt, repeated and late, and the board hangs, is reset, and loses its
// cable, all by the dice of a seed. Whatever happens no pulse is beyond its limits,
// every motion ends, a board that is there again can be armed again, and neither memory
// nor goroutines grow.
func TestSoak(t *testing.T) {
	leaks(t)
	length := soakFor(t)
	s := newSoak(t)
	end := time.Now().Add(length)
	var first, last footprint
	for k := 0; time.Now().Before(end); k++ {
		s.session(end)
		if last = footprintNow(); k == 4 {
			first = last // pools and buffers have their sizes
		}
		if k%50 == 0 {
			t.Logf("session %d: %s; %+v", k, last, s.tally)
		}
	}
	t.Logf("first %s; last %s", first, last)
	t.Logf("%+v", s.tally)
	s.close()
	pulses, steps, wrong := s.gauge.found()
	t.Logf("%d pulses and %d steps were looked at", pulses, steps)
	for _, w := range wrong {
		t.Error(w)
	}
	if pulses == 0 {
		t.Error("no pulse left the board")
	}
	if first.heap > 0 {
		first.holds(t, last)
	}
}

// footprint is what a process takes while nothing is open.
type footprint struct {
	heap       uint64 // bytes that live
	resident   string // as the system counts it
	goroutines int
}

func footprintNow() (f footprint) {
	f.goroutines = runtime.NumGoroutine()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	f.heap, f.resident = m.HeapAlloc, "unknown"
	text, _ := os.ReadFile("/proc/self/status") // Linux only; elsewhere the heap has to do
	for line := range strings.Lines(string(text)) {
		if name, size, _ := strings.Cut(line, ":"); name == "VmRSS" {
			f.resident = strings.Join(strings.Fields(size), " ")
		}
	}
	return f
}

func (f footprint) String() string {
	return fmt.Sprintf("heap %d KB, resident %s, %d goroutines", f.heap/1024, f.resident, f.goroutines)
}

// holds fails where a later footprint is greater by more than what is in flight.
func (f footprint) holds(t *testing.T, later footprint) {
	if later.heap > f.heap+2<<20 {
		t.Errorf("the heap grew from %d to %d KB", f.heap/1024, later.heap/1024)
	}
	if later.goroutines > f.goroutines+5 {
		t.Errorf("the goroutines grew from %d to %d", f.goroutines, later.goroutines)
	}
}

// tally counts what happened in a soak.
type tally struct {
	Sessions, Refused, Played, Lost, Stopped, Held, Other int
	Stalls, Cuts, Resets                                  int
	Frames, Late, Bridged, Clamped, Bad                   int
	Slowest                                               time.Duration // until a board could be armed again
}

// soak is a board under stress.
type soak struct {
	t      *testing.T
	tl     *timeline.Timeline
	server *board.Server
	gauge  *gauge
	path   string
	url    string
	close  func()
	dice   *rand.Rand // of the host
	tally  tally
}

func newSoak(t *testing.T) *soak {
	rig, tl := keeper(t)
	config, err := board.ConfigOf(rig, rig.Boards[0])
	if err != nil {
		t.Fatal(err)
	}
	const seed = 20
	o := board.Options{Config: config, Baud: 115200, PPM: 1258, Jitter: 3 * time.Millisecond, Restart: 100 * time.Millisecond,
		Faults: board.Faults{Drop: 0.01, Corrupt: 0.01, Duplicate: 0.01, Delay: 4 * time.Millisecond, Seed: seed}}
	s := &soak{t: t, tl: tl, gauge: newGauge(keeperLanes), dice: rand.New(rand.NewPCG(seed, 4))}
	finish := s.gauge.record(&o)
	s.server = board.NewServer(o)
	ctx, cancel := context.WithCancel(context.Background())
	var group sync.WaitGroup
	s.close = sync.OnceFunc(func() {
		cancel()
		s.server.Close()
		group.Wait()
		if err := finish(); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(s.close)
	s.path = t.TempDir() + "/port"
	ready := make(chan string, 1)
	group.Go(func() {
		s.server.ServePTY(ctx, s.path, func(path string) {
			select {
			case ready <- path:
			default:
			}
		})
	})
	<-ready
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	group.Go(func() { s.server.ServeWebSocket(ctx, l) })
	s.url = "ws://" + l.Addr().String() + "/"
	return s
}

// session connects once and plays some rounds.
func (s *soak) session(end time.Time) {
	s.tally.Sessions++
	dial := func(context.Context) (Link, error) { return OpenSerial(s.path, 115200) }
	if s.tally.Sessions%2 == 0 {
		dial = func(ctx context.Context) (Link, error) { return OpenWebSocket(ctx, s.url) }
	}
	b := s.connect(dial)
	for range 4 {
		if time.Now().Before(end) && s.arm(b) {
			s.play(b)
		}
	}
	st := s.server.Status()
	s.tally.Late, s.tally.Bridged = s.tally.Late+int(st.Late), s.tally.Bridged+int(st.Bridged)
	s.tally.Clamped, s.tally.Bad = s.tally.Clamped+int(st.Clamped), s.tally.Bad+int(st.Bad)
	b.Close() // may fail, if the board hangs just now
	s.server.Reset(wire.ResetPower)
}

// within is the time in which anything has to come to its end, on a machine that is
// busy.
const within = 40 * time.Second

func (s *soak) connect(dial func(context.Context) (Link, error)) *Board {
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		link, err := dial(s.t.Context())
		if err != nil {
			continue // the cable is out, or the board has not seen yet that the last host went
		}
		b, err := Connect(context.Background(), link, Options{Timeline: s.tl, Dial: dial})
		if err == nil {
			return b
		}
		s.tally.Refused++
	}
	s.t.Fatalf("the board cannot be connected within %v; %+v", within, s.tally)
	return nil
}

// arm arms a board as soon as it can be, after the time that somebody takes at least to
// look where the prop stands. A board that had three resets in a minute wants its power
// cut.
func (s *soak) arm(b *Board) bool {
	time.Sleep(2 * again * time.Microsecond)
	began := time.Now()
	for time.Since(began) < within {
		err := b.Arm(s.t.Context(), nil)
		if err == nil {
			s.tally.Slowest = max(s.tally.Slowest, time.Since(began))
			return true
		}
		if s.server.Status().Cause == wire.CauseResets {
			s.server.Reset(wire.ResetPower)
		}
		time.Sleep(20 * time.Millisecond)
	}
	s.t.Fatalf("the board cannot be armed within %v; %+v", within, s.tally)
	return false
}

// play plays a part of the motion, in which something goes wrong.
func (s *soak) play(b *Board) {
	o := PlayOptions{Speed: 0.5 + float64(s.dice.Float64()/2), End: End(s.dice.IntN(3)), From: 0.3 * s.dice.Float64(), Rounds: 1 + s.dice.IntN(2)}
	ctx, cancel := context.WithCancel(s.t.Context())
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- Play(ctx, []*Board{b}, []*timeline.Timeline{s.tl}, o) }()
	mishap, after := s.mishap(b, cancel), time.Duration(s.dice.Int64N(int64(2500*time.Millisecond)))
	deadline := time.After(within)
	for {
		select {
		case <-time.After(after):
			mishap()
			after = within
		case err := <-done:
			s.count(err)
			s.tally.Frames += int(s.server.Status().Played)
			return
		case <-deadline:
			s.t.Fatalf("Play does not end within %v; %+v", within, s.tally)
		}
	}
}

// mishap chooses what goes wrong.
func (s *soak) mishap(b *Board, cancel func()) func() {
	span := time.Duration(s.dice.Int64N(int64(600 * time.Millisecond)))
	switch s.dice.IntN(8) {
	case 0:
		return func() { s.tally.Stalls++; s.server.Stall(span) }
	case 1:
		return func() { s.tally.Cuts++; s.server.Cut(span) }
	case 2:
		return func() { s.tally.Resets++; s.server.Reset(wire.ResetPin) }
	case 3:
		return func() { s.tally.Resets++; s.server.Reset(wire.ResetWatchdog) }
	case 4:
		return func() {
			s.tally.Held++
			if Hold(s.t.Context(), b) == nil {
				time.Sleep(span)
				Resume(s.t.Context(), b)
			}
		}
	case 5:
		return func() { b.Stop(s.t.Context()) }
	case 6:
		return func() { b.Drop(s.t.Context()) }
	}
	return cancel
}

func (s *soak) count(err error) {
	var lost *LostError
	switch {
	case err == nil:
		s.tally.Played++
	case errors.Is(err, ErrStopped) || errors.Is(err, context.Canceled):
		s.tally.Stopped++
	case errors.As(err, &lost):
		s.tally.Lost++
	default:
		if s.tally.Other++; s.tally.Other < 20 {
			s.t.Logf("Play gives %v", err)
		}
	}
}
