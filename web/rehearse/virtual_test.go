package rehearse

import (
	"context"
	"encoding/binary"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/transport/live"
	"limberjack/transport/wire"
)

// quay is a board in software in virtual time, and the link to it.
type quay struct {
	clock live.Clock
	start time.Duration // host time of the board's power-up

	mu     sync.Mutex
	player *board.Player
	enc    wire.Encoder // of the board
	link   *quayLink    // nil: nobody is connected
	deaf   bool         // nothing comes from the board, and it hears nothing
	stuck  chan struct{}
	wake   chan struct{}
	stops  []stopAt
	slots  []slotAt
}

// stopAt is a stop as the board heard it.
type stopAt struct {
	at       time.Duration // host time, by the board's own count
	category wire.Category
}

// slotAt is a slot as the board played it.
type slotAt struct {
	at     time.Duration
	us     int64
	state  wire.State
	values map[uint8]uint16
	live   map[uint8]bool
}

// newQuay gives a board power, for as long as a test's bubble lives.
func newQuay(t *testing.T, clock live.Clock, config board.Config) *quay {
	q := &quay{clock: clock, start: clock.Now(), wake: make(chan struct{}, 1)}
	config.Send = q.tell
	config.Slot = func(s *board.Slot) {
		x := slotAt{at: q.start + time.Duration(s.Start)*time.Microsecond, us: s.Start, state: s.State, values: map[uint8]uint16{}, live: map[uint8]bool{}}
		for _, p := range s.Pins {
			x.values[p.Output], x.live[p.Output] = p.Value, p.Live
		}
		q.slots = append(q.slots, x)
	}
	q.player = board.NewPlayer(config)
	done := make(chan struct{})
	t.Cleanup(func() { close(done) })
	go func() {
		for {
			q.mu.Lock()
			now := q.now()
			q.player.Advance(now)
			next := q.player.Next() - now
			q.mu.Unlock()
			select {
			case <-done:
				return
			case <-q.wake:
			case <-time.After(time.Duration(max(1, min(next, 1e9))) * time.Microsecond):
			}
		}
	}()
	return q
}

// now gives the board's time in us since power-up.
func (q *quay) now() int64 { return (q.clock.Now() - q.start).Microseconds() }

// tell takes a message of the board. q.mu is held.
func (q *quay) tell(m wire.Message) {
	if q.link == nil || q.deaf {
		return
	}
	b, err := q.enc.Packet(nil, m)
	if err != nil {
		panic(err)
	}
	select {
	case q.link.come <- b:
	default: // what nobody takes is lost
	}
}

// state gives what the board is doing.
func (q *quay) state() wire.State {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.player.State()
}

// cut pulls the cable.
func (q *quay) cut() {
	q.mu.Lock()
	l := q.link
	q.mu.Unlock()
	if l != nil {
		l.Close()
	}
}

func (q *quay) setDeaf(deaf bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.deaf = deaf
}

// jam makes all that is sent wait, until it is undone.
func (q *quay) jam() (undo func()) {
	q.mu.Lock()
	defer q.mu.Unlock()
	stuck := make(chan struct{})
	q.stuck = stuck
	return func() {
		q.mu.Lock()
		defer q.mu.Unlock()
		q.stuck = nil
		close(stuck)
	}
}

// reset resets the board.
func (q *quay) reset() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.player.Reset(q.now(), wire.ResetWatchdog)
	q.enc = wire.Encoder{}
}

// dial connects to the board, unless somebody is there.
func (q *quay) dial() (live.Link, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.link != nil {
		return nil, &live.LinkError{Link: "quay", Text: "the board is in use"}
	}
	q.link = &quayLink{quay: q, come: make(chan []byte, 1000), done: make(chan struct{}), dec: wire.Decoder{From: wire.FromHost}}
	return q.link, nil
}

// heard gives the stops that the board heard.
func (q *quay) heard() []stopAt {
	q.mu.Lock()
	defer q.mu.Unlock()
	return append([]stopAt(nil), q.stops...)
}

func (q *quay) played() []slotAt {
	q.mu.Lock()
	defer q.mu.Unlock()
	return append([]slotAt(nil), q.slots...)
}

// quayLink is a live.Link with a delay of 1 ms to the board and none back.
type quayLink struct {
	quay *quay
	come chan []byte
	done chan struct{}
	once sync.Once

	mu  sync.Mutex
	enc wire.Encoder
	dec wire.Decoder // of the board
}

func (l *quayLink) Send(m wire.Message, until time.Duration) (live.Sent, error) {
	if now := l.quay.clock.Now(); until > 0 && now > until {
		return live.Sent{}, live.ErrOvertaken
	}
	return l.Urgent(m)
}

func (l *quayLink) Urgent(m wire.Message) (s live.Sent, err error) {
	q := l.quay
	q.mu.Lock()
	stuck := q.stuck
	q.mu.Unlock()
	if stuck != nil {
		select {
		case <-stuck:
		case <-l.done:
		}
	}
	l.mu.Lock()
	s.Sequence = l.enc.Sequence()
	b, err := l.enc.Packet(nil, m)
	l.mu.Unlock()
	if err != nil {
		return s, err
	}
	select {
	case <-l.done:
		return s, &live.LinkError{Link: "quay", Text: "closed", Err: fs.ErrClosed}
	default:
	}
	s.At = q.clock.Now()
	time.AfterFunc(time.Millisecond, func() { l.arrive(b) })
	return s, nil
}

// arrive gives the board a packet.
func (l *quayLink) arrive(b []byte) {
	q := l.quay
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.link != l || q.deaf {
		return
	}
	p, err := l.dec.Take(b)
	if err != nil {
		panic(err)
	}
	var stop wire.Stop
	if p.Kind == wire.KindStop && stop.Decode(p.Payload) == nil {
		q.stops = append(q.stops, stopAt{q.start + time.Duration(q.now())*time.Microsecond, stop.Category})
	}
	q.player.Receive(q.now(), p)
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

func (l *quayLink) Receive(visit func(wire.Packet, time.Duration)) error {
	dec := wire.Decoder{From: wire.FromBoard}
	for {
		select {
		case b := <-l.come:
			if p, err := dec.Take(b); err == nil {
				visit(p, l.quay.clock.Now())
			}
		case <-l.done:
			return &live.LinkError{Link: "quay", Text: "the connection broke"}
		}
	}
}

func (l *quayLink) Speed() float64       { return 0 }
func (l *quayLink) Cost(payload int) int { return payload + wire.Overhead }
func (l *quayLink) String() string       { return "quay" }
func (l *quayLink) Close() error {
	l.once.Do(func() {
		close(l.done)
		l.quay.mu.Lock()
		if l.quay.link == l {
			l.quay.link = nil
		}
		l.quay.mu.Unlock()
	})
	return nil
}

// harbour is a desk with boards in virtual time.
type harbour struct {
	t       *testing.T
	clock   live.Clock
	desk    *Desk
	project *project
	boards  map[string]*quay
	faults  atomic.Int32 // of the program, that were told
}

// inHarbour runs a test in virtual time, with a board for each of the rig's, of which one
// axis may be opened.
func inHarbour(t *testing.T, rig string, motions map[string]string, open string, use func(t *testing.T, h *harbour)) {
	synctest.Test(t, func(t *testing.T) {
		h := &harbour{t: t, clock: live.NewSystemClock(), project: newProject(rig, motions), boards: map[string]*quay{}}
		r, err := h.project.Rig(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range r.Boards {
			if a, err := AxisForEnds(r, b, open); err == nil {
				a.OpenPulse()
			}
		}
		for _, b := range r.Boards {
			config, err := board.ConfigOf(r, b)
			if err != nil {
				t.Fatal(err)
			}
			h.boards[b.Name] = newQuay(t, h.clock, config)
		}
		tell := func(string, ...any) { h.faults.Add(1) }
		h.desk = NewDesk(Options{Source: h.project, Clock: h.clock, Tell: tell, Dial: func(_ context.Context, place live.Place) (live.Link, error) {
			q := h.boards[place.At]
			if q == nil {
				return nil, fmt.Errorf("nothing is at %s", place.At)
			}
			return q.dial()
		}})
		t.Cleanup(h.desk.Close)
		use(t, h)
	})
}

// keeperMotions are motions of the rig with two boards.
func keeperMotions() map[string]string {
	return map[string]string{"greet": fmt.Sprintf(twoMotion, "4s")}
}

const bothBoards = `"motion":"greet","boards":{"main":"main","shore":"shore"}`

// drive seats a page that drives, with boards that are armed. It sends beats until end is
// called.
func (h *harbour) drive(name string) (p *page, end func()) {
	h.t.Helper()
	p = sit(h.t, h.desk, name)
	p.ask("drive", "")
	p.ask("connect", bothBoards)
	end = p.beating()
	p.ask("arm", `"confirmed":true`)
	return p, end
}

// play lets a page play until the motion runs.
func (h *harbour) play(p *page) {
	h.t.Helper()
	p.ask("play", `"motion":"greet","countIn":0.1,"loop":true`)
	p.until(Playing)
	time.Sleep(500 * time.Millisecond)
}

// within checks that both boards heard a stop so soon after a host time.
func (h *harbour) within(from, most time.Duration, category wire.Category) {
	h.t.Helper()
	for name, q := range h.boards {
		took := time.Duration(math.MaxInt64)
		for _, s := range q.heard() {
			if s.category == category && s.at >= from {
				took = min(took, s.at-from)
			}
		}
		h.t.Logf("board %s heard the stop after %v", name, took)
		if took > most {
			h.t.Errorf("board %s heard the stop after %v, %v are allowed; %v", name, took, most, q.heard())
		}
	}
}

// stands waits until all boards have stopped, and looks at what they did.
func (h *harbour) stands(want ...wire.State) {
	h.t.Helper()
	for name, q := range h.boards {
		await(h.t, func() string { return fmt.Sprintf("board %s is %v", name, q.state()) }, func() bool { return slices.Contains(want, q.state()) })
		h.smooth(name, q)
	}
}

// smooth holds every change of a servo from slot to slot against the limits of the rig: 200
// deg/s at most, at 10 us a degree and 50 frames a second, with 5 % and a tick for rounding.
func (h *harbour) smooth(name string, q *quay) {
	h.t.Helper()
	const most = 200*10/50*1.05 + 0.5
	slots := q.played()
	for i := 1; i < len(slots); i++ {
		for n, v := range slots[i].values {
			if was := slots[i-1]; slots[i].live[n] && was.live[n] && v > 1 {
				if us := math.Abs(float64(v)-float64(was.values[n])) / 2; us > most {
					h.t.Errorf("output %d of board %s jumps by %v us at %v", n, name, us, slots[i].at)
				}
			}
		}
	}
}

// TestRehearsal goes once through all that a page does, with what each step is refused for
// before it is its turn.
func TestRehearsal(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, watcher := sit(t, h.desk, "a"), sit(t, h.desk, "b")
		p.refused("connect", bothBoards, "only the page that drives")
		p.ask("drive", "")
		watcher.refused("drive", "", "another page drives (a)")
		watcher.refused("connect", bothBoards, "only the page that drives")
		p.refused("arm", `"confirmed":true`, "no boards are connected")
		p.refused("play", "", "connect first")
		p.refused("part", "", "no boards are connected")
		p.refused("hold", "", "nothing is played")
		p.refused("connect", `"motion":"gret","boards":{}`, "did you mean greet?")
		p.refused("connect", `"motion":"greet","boards":{"main":"main"}`, "board shore has no place")
		p.refused("connect", `"motion":"greet","boards":{"main":"main","shore":"shore","moon":"x"}`, `nothing on a board "moon"; the boards are main, shore`)
		p.refused("connect", `"motion":"greet","boards":{"main":"main","shore":"elsewhere"}`, "nothing is at elsewhere")
		p.until(Apart)
		p.ask("connect", bothBoards)
		s := p.reach("two boards", func(s State) bool { return s.Phase == Connected && len(s.Boards) == 2 })
		if b := s.Boards[0]; b.Name != "main" || b.At != "main" || b.Says != "main" || !b.Linked || b.State != "silent" || s.Confirm != live.RestQuestion || s.Driver != "a" || s.Beat {
			t.Errorf("the state is %+v", s)
		}
		p.refused("connect", bothBoards, "part first")
		p.refused("play", "", "not armed")
		p.refused("pulse", `"us":1500`, "calibrate one first")
		p.refused("arm", `"confirmed":false`, "nobody has said")
		end := p.beating()
		defer end()
		p.ask("arm", `"confirmed":true`)
		if s := p.until(Armed); !s.Beat || s.Confirm != "" {
			t.Errorf("the state is %+v", s)
		}
		p.refused("arm", `"confirmed":true`, "armed already")
		p.refused("play", `"motion":"greet","from":9`, "the motion ends at 4.000 s")
		p.until(Armed)
		p.ask("play", `"motion":"greet","countIn":0.5,"speed":0.5`)
		p.until(Playing)
		s = watcher.reach("a place in the motion", func(s State) bool { return s.Position > 0.5 })
		at := float64(s.Now-*s.SoundAt) / 1000 * float64(s.Speed)
		if math.Abs(at-float64(s.Position)) > 0.06 || s.Motion != "greet" || s.Revision != "r0" || s.Newer || s.Length != 4 || s.Round != 1 || s.Skew == nil || s.Boards[1].Buffer <= 0 {
			t.Errorf("by the clock the motion is at %.3f s; %+v", at, s)
		}
		h.project.change("greet", fmt.Sprintf(twoMotion, "5s"))
		watcher.reach("word of a newer version", func(s State) bool { return s.Newer && s.Revision == "r0" && s.Newest == "r1" })
		p.ask("hold", "")
		s = p.until(Held)
		p.refused("hold", "", "is held already")
		time.Sleep(time.Second)
		if now := p.now(); math.Abs(float64(now.Position-s.Position)) > 0.06 || now.SoundAt != nil {
			t.Errorf("held at %v, it is at %v", s.Position, now.Position)
		}
		p.ask("resume", "")
		p.until(Playing)
		s = p.until(Armed)
		if s.Length != 4 || s.Position != 4 {
			t.Errorf("what was begun was played to %v of %v s: another version than that at its start", s.Position, s.Length)
		}
		p.ask("play", `"motion":"greet","countIn":0,"from":4.5`)
		s = p.until(Armed)
		p.ask("part", "")
		p.until(Apart)
		h.stands(wire.StateStopped)
		for _, b := range s.Boards {
			if b.Late+b.Clamped+b.Stale+b.Bad != 0 {
				t.Errorf("%+v", b)
			}
		}
		const want = "connecting connected arming armed moving count-in playing held playing armed moving"
		p.mu.Lock()
		defer p.mu.Unlock()
		if got := fmt.Sprint(p.phases); !strings.Contains(got, want) {
			t.Errorf("the phases were %s, and not %s among them", got, want)
		}
	})
}

// TestStopInTime stops in all the ways there are, while two boards play. From the call to the
// boards' own record of the stop it is less than 50 ms: in virtual time, with 1 ms on the way.
func TestStopInTime(t *testing.T) {
	const most = 50 * time.Millisecond
	for name, c := range map[string]struct {
		how      func(h *harbour, p, watcher *page, end func())
		most     time.Duration
		category wire.Category
		free     bool // the wheel, afterwards
	}{
		"the driver stops":     {func(_ *harbour, p, _ *page, _ func()) { p.send("stop", "") }, most, wire.CategoryControlled, false},
		"a watcher stops":      {func(_ *harbour, _, w *page, _ func()) { w.send("stop", "") }, most, wire.CategoryControlled, false},
		"a watcher drops":      {func(_ *harbour, _, w *page, _ func()) { w.send("drop", "") }, most, wire.CategoryDrop, false},
		"the driver lets go":   {func(_ *harbour, p, _ *page, _ func()) { p.send("let-go", "") }, most, wire.CategoryControlled, true},
		"the page is hidden":   {func(_ *harbour, p, _ *page, _ func()) { p.send("hidden", "") }, most, wire.CategoryControlled, true},
		"the socket is closed": {func(_ *harbour, p, _ *page, _ func()) { p.leave() }, most, wire.CategoryControlled, true},
		"the driver parts":     {func(_ *harbour, p, _ *page, _ func()) { p.send("part", "") }, most + lookEvery, wire.CategoryControlled, false},
		"no beats":             {func(_ *harbour, _, _ *page, end func()) { end() }, BeatMost + lookEvery + most, wire.CategoryControlled, true},
		"the server ends":      {func(h *harbour, _, _ *page, _ func()) { h.desk.Close() }, most, wire.CategoryControlled, false},
	} {
		t.Run(name, func(t *testing.T) {
			inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
				p, end := h.drive("a")
				watcher := sit(t, h.desk, "b")
				h.play(p)
				from := h.clock.Now()
				c.how(h, p, watcher, end)
				want := map[wire.Category]wire.State{wire.CategoryControlled: wire.StateStopped, wire.CategoryDrop: wire.StateSilent}[c.category]
				if name == "the server ends" {
					h.stands(want, wire.StateLost) // where the arm holds, and nobody is there any more
				} else {
					h.stands(want)
				}
				h.within(from, c.most, c.category)
				if c.free {
					watcher.reach("a free wheel", func(s State) bool { return s.Driver == "" && s.Phase == Stopped && !s.Beat })
				}
			})
		})
	}
}

// TestStopPassesAStuckBoard stops while the link of one board takes nothing, as a network
// that is jammed: the other one hears it in time all the same. So does a watcher that takes
// no news hold nothing up.
func TestStopPassesAStuckBoard(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, _ := h.drive("a")
		for range 20 {
			h.desk.Join("one that does not listen")
		}
		h.play(p)
		undo := h.boards["main"].jam()
		defer undo()
		time.Sleep(20 * time.Millisecond)
		from := h.clock.Now()
		p.send("stop", "")
		await(t, func() string { return "the other board does not stop" }, func() bool { return h.boards["shore"].state() == wire.StateStopped })
		if s := h.boards["shore"].heard(); len(s) == 0 || s[0].at-from > 50*time.Millisecond {
			t.Errorf("stopped at %v, it heard %v", from, s)
		}
		// The stuck board hears nothing any more, and does what its axes say.
		await(t, func() string { return "the stuck board goes on" }, func() bool { return h.boards["main"].state() == wire.StateLost })
	})
}

// TestStopInEachPhase stops at many moments from the first request on. Whatever was under
// way, no board is armed afterwards until somebody arms it, and what waited is refused.
func TestStopInEachPhase(t *testing.T) {
	at := map[Phase]int{}
	for ms := time.Duration(1); ms <= 900; ms += 7 {
		inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
			p, watcher := sit(t, h.desk, "a"), sit(t, h.desk, "b")
			p.ask("drive", "")
			p.beating()
			over := make(chan struct{})
			var asking sync.Mutex
			stopped := false
			go func() {
				defer close(over)
				for _, ask := range [][2]string{{"connect", bothBoards}, {"arm", `"confirmed":true`}, {"play", `"countIn":0`}} {
					asking.Lock() // what is asked for after a stop is another matter
					if stopped {
						asking.Unlock()
						return
					}
					id := p.send(ask[0], ask[1])
					asking.Unlock()
					if a := p.answer(id); !a.OK {
						return
					}
				}
			}()
			time.Sleep(ms * time.Millisecond)
			asking.Lock()
			stopped = true
			at[watcher.now().Phase]++
			watcher.send("stop", "")
			asking.Unlock()
			sent := p.send("arm", `"confirmed":true`) // asked for after the stop, and it is still being stopped
			<-over
			time.Sleep(3 * time.Second)
			if a := p.answer(sent); a.OK {
				t.Errorf("after %d ms: armed while all was being stopped", ms)
			}
			for name, q := range h.boards {
				if st := q.state(); st != wire.StateSilent && st != wire.StateStopped {
					t.Errorf("after %d ms: board %s is %v, the page says %+v", ms, name, st, p.now())
				}
			}
			if s := p.now(); s.Phase != Apart && s.Phase != Stopped || s.Beat {
				t.Errorf("after %d ms: the state is %+v", ms, s)
			}
		})
	}
	t.Logf("stopped in the phases %v", at)
	for _, phase := range []Phase{Connecting, Arming, Moving, Playing} {
		if at[phase] == 0 {
			t.Errorf("no stop met the phase %s", phase)
		}
	}
}

// TestWaitingRequestsAreOvertaken lets requests wait while the desk reads a rig, and stops:
// none of them is obeyed afterwards, and the stop has not waited.
func TestWaitingRequestsAreOvertaken(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, watcher := sit(t, h.desk, "a"), sit(t, h.desk, "b")
		p.ask("drive", "")
		p.ask("connect", bothBoards)
		h.project.slow(time.Second)
		reading := p.send("calibrate", `"axis":"jwa"`)
		time.Sleep(100 * time.Millisecond)
		arm, hold := p.send("arm", `"confirmed":true`), p.send("hold", "")
		from := h.clock.Now()
		watcher.send("stop", "")
		later := p.send("pulse", `"us":1500`)
		for _, id := range []int64{arm, hold} {
			if a := p.answer(id); a.OK || a.Text != errOvertaken.Error() {
				t.Errorf("a request from before the stop is answered by %+v", a)
			}
		}
		if a := p.answer(later); a.OK || !strings.Contains(a.Text, "calibrate one first") {
			t.Errorf("a request from after it is answered by %+v", a)
		}
		p.answer(reading)
		h.within(from, 50*time.Millisecond, wire.CategoryControlled)
	})
}

// TestOwnerless takes the driver away by force, as no page can: the desk sees that something
// is armed that nobody drives, and stops it.
func TestOwnerless(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, _ := h.drive("a")
		h.play(p)
		h.desk.mu.Lock()
		h.desk.wheel = wheel{}
		h.desk.mu.Unlock()
		from := h.clock.Now()
		h.stands(wire.StateStopped)
		h.within(from, lookEvery+50*time.Millisecond, wire.CategoryControlled)
	})
}

// TestArmAgain stops in mid-motion, and goes on: with another question, that says what was
// let go, and without a jump.
func TestArmAgain(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, _ := h.drive("a")
		h.play(p)
		p.ask("stop", "")
		s := p.reach("a question", func(s State) bool { return s.Phase == Stopped && s.Confirm != "" })
		if !strings.Contains(s.Confirm, "jaw at ") || strings.Contains(s.Confirm, "arm") || len(s.Loose) != 2 {
			t.Errorf("after a stop that let go of jaw and fin, not of the arm, which carries weight, the question is %q, loose %q", s.Confirm, s.Loose)
		}
		p.refused("play", "", "not armed")
		p.ask("arm", `"confirmed":true`)
		h.play(p)
		h.smooth("main", h.boards["main"])
	})
}

// TestLost pulls the cable of one board, resets it, and lets it fall silent, while two play:
// the other one is stopped, nothing moves because it is back, and it goes on from where the
// motion was once somebody has looked.
func TestLost(t *testing.T) {
	for name, how := range map[string]func(q *quay) (mend func()){
		"cable":   func(q *quay) func() { q.cut(); q.setDeaf(true); return func() { q.setDeaf(false) } },
		"reset":   func(q *quay) func() { q.reset(); return func() {} },
		"silence": func(q *quay) func() { q.setDeaf(true); return func() { q.setDeaf(false) } },
	} {
		t.Run(name, func(t *testing.T) {
			inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
				p, _ := h.drive("a")
				h.play(p)
				mend := how(h.boards["shore"])
				s := p.reach("a loss", func(s State) bool { return s.Phase == Lost })
				await(t, func() string { return "the other board goes on" }, func() bool { return h.boards["main"].state() == wire.StateStopped })
				if s.ResumeAt == nil || *s.ResumeAt < 0.2 || *s.ResumeAt > 2 || !strings.Contains(s.Note, "shore") {
					t.Errorf("the state is %+v", s)
				}
				time.Sleep(300 * time.Millisecond)
				mend()
				p.refused("play", "", "")
				s = p.reach("a question", func(s State) bool { return s.Phase == Lost && s.Confirm != "" })
				time.Sleep(2 * time.Second)
				for name, q := range h.boards {
					if st := q.state(); st == wire.StateArmed || st == wire.StatePlaying {
						t.Errorf("board %s is %v because it is back", name, st)
					}
				}
				p.ask("arm", `"confirmed":true`)
				p.ask("play", fmt.Sprintf(`"enter":%v,"countIn":0,"loop":true`, *s.ResumeAt))
				p.reach("a place behind that of the loss", func(now State) bool { return now.Phase == Playing && now.Position > *s.ResumeAt && now.ResumeAt == nil })
				h.smooth("main", h.boards["main"])
			})
		})
	}
}

// TestLostAtRest loses one of two armed boards that hold a pose: the other is stopped.
func TestLostAtRest(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, _ := h.drive("a")
		h.boards["shore"].reset()
		p.until(Lost)
		h.boards["main"].stopsSoon(t)
	})
}

func (q *quay) stopsSoon(t *testing.T) {
	t.Helper()
	await(t, func() string { return fmt.Sprintf("the board is %v", q.state()) }, func() bool { return q.state() == wire.StateStopped })
}

// TestAnotherDriver lets a second page drive once the first has let go of the wheel.
func TestAnotherDriver(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, _ := h.drive("a")
		other := sit(t, h.desk, "b")
		h.play(p)
		other.refused("hold", "", "only the page that drives")
		other.refused("part", "", "only the page that drives")
		p.leave()
		other.reach("a free wheel", func(s State) bool { return s.Driver == "" && s.Phase == Stopped && s.Confirm != "" })
		other.ask("drive", "")
		other.beating()
		other.ask("arm", `"confirmed":true`)
		h.play(other)
	})
}

// TestMotionsThatDoNotSuit asks for motions that cannot be played as they are.
func TestMotionsThatDoNotSuit(t *testing.T) {
	motions := keeperMotions()
	motions["beyond"] = strings.Replace(fmt.Sprintf(twoMotion, "4s"), "The keeper looks", "Far beyond", 1)
	motions["quick"] = strings.Replace(fmt.Sprintf(twoMotion, "4s"), "[2s, 40deg, min-jerk]", "[0.1s, 40deg, linear]", 1)
	inHarbour(t, twoRig, motions, "", func(t *testing.T, h *harbour) {
		p, _ := h.drive("a")
		p.refused("play", `"motion":"beyond"`, "it runs into an end stop")
		p.ask("play", `"motion":"quick","countIn":0`) // known when the boards were connected
		p.until(Armed)
		h.project.change("greet", strings.Replace(fmt.Sprintf(twoMotion, "4s"), "[2s, 30deg, min-jerk]", "[0.05s, 30deg, linear]", 1))
		p.refused("play", `"motion":"greet"`, "jaw changes by")
		h.project.change("rig.yaml", strings.Replace(twoRig, "2100us", "2110us", 1))
		p.refused("play", `"motion":"quick"`, "calibrations or boards have changed")
		p.until(Armed)
	})
}

// TestEndings plays to each of the ends that there are: the pose is held, or that of rest, or
// all is let go that carries no weight.
func TestEndings(t *testing.T) {
	for end, want := range map[string]struct {
		phase Phase
		arm   uint16 // ticks
		jaw   bool   // has pulses
	}{"hold": {Armed, 2 * 1500, true}, "rest": {Armed, 2 * 1000, true}, "release": {Stopped, 2 * 1500, false}} {
		inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
			p, _ := h.drive("a")
			p.ask("play", fmt.Sprintf(`"countIn":0,"from":1.5,"to":2,"end":%q`, end))
			p.until(Playing)
			p.until(want.phase)
			time.Sleep(100 * time.Millisecond)
			slots := h.boards["main"].played()
			if last := slots[len(slots)-1]; last.values[0] != want.arm || last.live[1] != want.jaw || !last.live[0] {
				t.Errorf("%s: %+v, %+v", end, last, p.now())
			}
		})
	}
}

// silentWAV is a WAV file of 16 bit, one channel, 8000 Hz, without a sound in it (the layout
// is that of Microsoft and IBM, Multimedia Programming Interface, 1991).
func silentWAV(seconds int) string {
	data := make([]byte, seconds*8000*2)
	b := append([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(36+len(data)))...)
	b = append(b, "WAVEfmt "...)
	for _, v := range []any{uint32(16), uint16(1), uint16(1), uint32(8000), uint32(16000), uint16(2), uint16(16)} {
		b, _ = binary.Append(b, binary.LittleEndian, v)
	}
	b = append(append(b, "data"...), binary.LittleEndian.AppendUint32(nil, uint32(len(data)))...)
	return string(append(b, data...))
}

// TestSoundPlayer starts the player on the rig for a motion that has a sound, so much before
// it as the player is late, and only where the whole of it is played at full speed.
func TestSoundPlayer(t *testing.T) {
	motions := keeperMotions()
	motions["voiced"] = strings.Replace(motions["greet"], "tracks:", "audio: voice.wav\ntracks:", 1)
	motions["voice.wav"] = silentWAV(4)
	rig := twoRig + "sound: {delay: 300ms, trigger: {board: main, channel: 3, pulse: 60ms}}\n"
	inHarbour(t, rig, motions, "", func(t *testing.T, h *harbour) {
		p, _ := h.drive("a")
		pulses := func(ask string) (on int, first time.Duration) {
			from := len(h.boards["main"].played())
			p.ask("play", ask)
			s := p.until(Playing)
			p.until(Armed)
			for _, x := range h.boards["main"].played()[from:] {
				if x.values[3] == 1 {
					if on++; on == 1 {
						first = time.Duration(float64(*s.SoundAt)*1e6) - time.Duration(float64(h.desk.unix(x.at))*1e6)
					}
				}
			}
			return on, first
		}
		if on, before := pulses(`"motion":"voiced","countIn":1`); on != 3 || (before-300*time.Millisecond).Abs() > 20*time.Millisecond {
			t.Errorf("the player is started %v before the motion, by %d frames of 20 ms", before, on)
		}
		for _, ask := range []string{`"motion":"greet","countIn":1`, `"motion":"voiced","countIn":1,"from":1`, `"motion":"voiced","countIn":1,"speed":0.5`} {
			if on, _ := pulses(ask); on != 0 {
				t.Errorf("%s: the player is started, by %d frames", ask, on)
			}
		}
	})
}

// TestCalibrate finds the ends of the jaw, in steps of 10 us at most, and writes them.
func TestCalibrate(t *testing.T) {
	inHarbour(t, oneRig(), map[string]string{"greet": fmt.Sprintf(oneMotion(), "4s")}, "jaw", func(t *testing.T, h *harbour) {
		p := sit(t, h.desk, "a")
		p.refused("calibrate", `"axis":"jaw","at":"main"`, "only the page that drives")
		p.ask("drive", "")
		p.refused("calibrate", `"axis":"jaw"`, "board main has no place")
		p.refused("calibrate", `"axis":"jwa","at":"main"`, "did you mean jaw?")
		p.refused("calibrate", `"axis":"lamp","at":"main"`, "ends are looked for on a servo")
		p.refused("calibrate", `"axis":"arm","at":"main"`, "make its program with limberjack firmware rig.yaml --ends arm")
		p.until(Apart)
		p.ask("calibrate", `"axis":"jaw","at":"main"`)
		s := p.until(Connected)
		if c := s.Calibrate; c == nil || c.Axis != "jaw" || c.Centre != 1300 || c.Step != 10 || !strings.Contains(s.Confirm, "Take the horn off") || !strings.Contains(s.Confirm, live.RestQuestion) {
			t.Fatalf("the state is %+v", s)
		}
		p.refused("pulse", `"us":1300`, "not armed")
		p.beating()
		p.ask("arm", `"confirmed":true`)
		p.refused("play", "", "connected for looking for ends")
		p.refused("pulse", `"us":1310.5`, "too far in one step")
		p.refused("sweep", `"times":1`, "the low end is not confirmed")
		p.refused("reverse", "", "not confirmed")
		set := func() ([]byte, error) {
			found, err := h.desk.Calibrated(t.Context(), "a", "jaw")
			if err != nil {
				return nil, err
			}
			rig, err := newProject(oneRig(), nil).Rig(t.Context())
			if err != nil {
				return nil, err
			}
			return found.Set([]byte(oneRig()), rig.Axes[1])
		}
		if _, err := set(); err == nil {
			t.Error("ends that nobody confirmed can be written")
		}
		for us := 1310.0; us <= 1400; us += 10 {
			p.ask("pulse", fmt.Sprintf(`"us":%v`, us))
		}
		p.ask("confirm", `"end":"high"`)
		p.ask("centre", "")
		for us := 1290.0; us >= 1205; us -= 5 {
			p.ask("pulse", fmt.Sprintf(`"us":%v`, us))
		}
		p.ask("confirm", `"end":"low"`)
		s = p.reach("both ends", func(s State) bool { return s.Calibrate.Ends[0] != nil })
		if c := s.Calibrate; *c.Ends[0] != 1205 || *c.Ends[1] != 1400 || c.Reached != [2]figure{1205, 1400} || c.Pulse != 1205 {
			t.Errorf("the state is %+v", c)
		}
		text, err := set()
		if want := strings.Replace(oneRig(), "[[0deg, 1000us], [60deg, 1600us]]", "[[0deg, 1205us], [60deg, 1400us]]", 1); err != nil || string(text) != want {
			t.Errorf("%v:\n%s", err, text)
		}
		if _, err := h.desk.Calibrated(t.Context(), "b", "jaw"); err == nil {
			t.Error("a page that does not drive writes")
		}
		if _, err := h.desk.Calibrated(t.Context(), "a", "arm"); err == nil {
			t.Error("another axis is written")
		}
		for _, c := range []struct {
			page   string
			pulses bool
			says   string
		}{{"a", true, "armed"}, {"b", true, "another page drives (a)"}, {"b", false, "another page drives (a)"}, {"a", false, ""}} {
			if err := h.desk.MayChange(t.Context(), c.page, c.pulses); (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
				t.Errorf("page %s may change the rig, pulses %v: %v", c.page, c.pulses, err)
			}
		}
		moved, err := newProject(strings.Replace(oneRig(), "travel: [0deg, 60deg]", "travel: [0deg, 50deg]", 1), nil).Rig(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if found, err := h.desk.Calibrated(t.Context(), "a", "jaw"); err != nil {
			t.Error(err)
		} else if _, err := found.Set([]byte(oneRig()), moved.Axes[1]); err == nil || !strings.Contains(err.Error(), "look for them again") {
			t.Errorf("ends of another travel are written: %v", err)
		}
		h.desk.Written("jaw")
		p.reach("that it is written", func(s State) bool { return s.Calibrate.Written })
		h.desk.Unwritten()
		p.reach("that it is not any more", func(s State) bool { return !s.Calibrate.Written })
		p.ask("sweep", `"times":2`)
		p.ask("reverse", "")
		if text, err = set(); err != nil || !strings.Contains(string(text), "[[0deg, 1400us], [60deg, 1205us]]") {
			t.Errorf("reversed: %v:\n%s", err, text)
		}
		// Of pulses that come while the axis moves the last counts.
		first, second, third := p.send("pulse", `"us":1205`), p.send("pulse", `"us":1390`), p.send("pulse", `"us":1250`)
		if a := p.answer(second); a.OK || !strings.Contains(a.Text, "a later pulse") {
			t.Errorf("the second of three pulses: %+v", a)
		}
		if a, b := p.answer(first), p.answer(third); !a.OK || !b.OK {
			t.Errorf("%+v, %+v", a, b)
		}
		p.reach("the last", func(s State) bool { return s.Calibrate.Pulse == 1250 })
		done, late := p.send("done", ""), p.send("pulse", `"us":1250`)
		if a, b := p.answer(done), p.answer(late); !a.OK || b.OK || b.Text != errOvertaken.Error() {
			t.Errorf("done is answered by %+v, a pulse that comes meanwhile by %+v", a, b)
		}
		p.until(Apart)
		h.stands(wire.StateStopped)
		h.softly(1, 1205, 1400)
	})
}

// softly holds an output's pulses against the range that it may have been in, in us, and its
// changes against the soft speed of the opened axis: 30 deg/s of a travel of 60 deg that
// stands for 2000 us are 1000 us/s, 20 us a frame.
func (h *harbour) softly(output uint8, low, high float64) {
	h.t.Helper()
	slots, least, most := h.boards["main"].played(), math.Inf(1), math.Inf(-1)
	for i := range slots {
		if us := float64(slots[i].values[output]) / 2; slots[i].live[output] {
			least, most = min(least, us), max(most, us)
			if i > 0 && slots[i-1].live[output] && math.Abs(us-float64(slots[i-1].values[output])/2) > 20.5 {
				h.t.Errorf("a jump from %v to %v us", float64(slots[i-1].values[output])/2, us)
			}
		}
	}
	if least != low || most != high {
		h.t.Errorf("the pulses were from %v to %v us, not from %v to %v", least, most, low, high)
	}
}

// TestConfirmAfterACut cuts a move short, by a stop and by a board that is reset, and has a board
// that hears nothing go to rest by itself: the axis then stands elsewhere than at the last pulse,
// and nothing is an end until it was at a pulse again.
func TestConfirmAfterACut(t *testing.T) {
	for name, c := range map[string]struct {
		moves bool
		cut   func(h *harbour, p *page)
		phase Phase
	}{
		"stop":  {true, func(_ *harbour, p *page) { p.ask("stop", "") }, Stopped},
		"reset": {true, func(h *harbour, _ *page) { h.boards["main"].reset() }, Lost},
		"silence": {false, func(h *harbour, p *page) {
			h.boards["main"].setDeaf(true)
			p.until(Lost)
			time.Sleep(2 * time.Second) // in which the jaw goes to rest
			h.boards["main"].setDeaf(false)
		}, Lost},
	} {
		t.Run(name, func(t *testing.T) {
			inHarbour(t, oneRig(), map[string]string{"greet": fmt.Sprintf(oneMotion(), "4s")}, "jaw", func(t *testing.T, h *harbour) {
				p := sit(t, h.desk, "a")
				p.ask("drive", "")
				p.ask("calibrate", `"axis":"jaw","at":"main"`)
				p.beating()
				p.ask("arm", `"confirmed":true`)
				for us := 1310.0; us <= 1400; us += 10 {
					p.ask("pulse", fmt.Sprintf(`"us":%v`, us))
				}
				p.ask("pulse", `"us":1390`)
				if c.moves {
					begun := len(h.boards["main"].played())
					back := p.send("pulse", `"us":1310`)
					await(t, func() string { return "the axis does not move" }, func() bool {
						slots := h.boards["main"].played()
						return len(slots) > begun && slots[len(slots)-1].values[1] < 2*1375
					})
					defer func() {
						if a := p.answer(back); a.OK {
							t.Errorf("a move that was cut is answered by %+v", a)
						}
					}()
				}
				c.cut(h, p)
				between := func(us figure) bool { return us >= 1300 && us < 1385 }
				p.reach("a question", func(s State) bool { return s.Phase == c.phase && s.Confirm != "" && between(s.Calibrate.Pulse) })
				p.refused("confirm", `"end":"high"`, "not armed")
				p.ask("arm", `"confirmed":true`)
				p.refused("confirm", `"end":"high"`, "stands between")
				if s := p.now(); s.Calibrate.Ends[1] != nil || !between(s.Calibrate.Pulse) {
					t.Errorf("the state is %+v", s.Calibrate)
				}
				p.ask("pulse", `"us":1390`)
				p.ask("confirm", `"end":"high"`)
				if s := p.reach("an end", func(s State) bool { return s.Calibrate.Ends[1] != nil }); *s.Calibrate.Ends[1] != 1390 || s.Calibrate.Pulse != 1390 {
					t.Errorf("the state is %+v", s.Calibrate)
				}
				// Stopped where it stands, it is still there: a pulse more is not needed.
				p.ask("stop", "")
				p.reach("a question", func(s State) bool { return s.Phase == Stopped && s.Confirm != "" })
				p.ask("arm", `"confirmed":true`)
				p.ask("confirm", `"end":"high"`)
			})
		})
	}
}

// TestFaultOfTheProgram: a panic is told, refuses what was asked for, and stops what is armed;
// the desk goes on, and stops are obeyed.
func TestFaultOfTheProgram(t *testing.T) {
	inHarbour(t, twoRig, keeperMotions(), "", func(t *testing.T, h *harbour) {
		p, _ := h.drive("a")
		h.project.setFault(true)
		from := h.clock.Now()
		p.refused("play", `"motion":"greet"`, "internal error") // in a job
		h.stands(wire.StateStopped)
		h.within(from, 50*time.Millisecond, wire.CategoryControlled)
		p.reach("a question", func(s State) bool { return s.Phase == Stopped && s.Confirm != "" })
		p.refused("slew", `"axis":"jaw","from":10,"to":50,"flash":"lamp"`, "internal error") // in the desk's goroutine
		p.ask("stop", "")
		if err := h.desk.call(t.Context(), func() error { panic("a fault for the test") }); err != errFault {
			t.Errorf("a call that panics gives %v", err)
		}
		h.desk.post(func() { panic("a fault for the test") })
		h.project.setFault(false)
		p.reach("a question", func(s State) bool { return s.Phase == Stopped && s.Confirm != "" })
		p.ask("arm", `"confirmed":true`)
		h.play(p)
		if n := h.faults.Load(); n != 4 {
			t.Errorf("%d faults were told", n)
		}
	})
}

// TestStopInSweep stops while an axis goes to and fro, with pulses waiting.
func TestStopInSweep(t *testing.T) {
	inHarbour(t, oneRig(), map[string]string{"greet": fmt.Sprintf(oneMotion(), "4s")}, "jaw", func(t *testing.T, h *harbour) {
		p := sit(t, h.desk, "a")
		p.ask("drive", "")
		p.ask("calibrate", `"axis":"jaw","at":"main"`)
		p.beating()
		p.ask("arm", `"confirmed":true`)
		for us := 1310.0; us <= 1360; us += 10 {
			p.ask("pulse", fmt.Sprintf(`"us":%v`, us))
		}
		p.ask("confirm", `"end":"high"`)
		p.ask("pulse", `"us":1300`)
		p.ask("confirm", `"end":"low"`)
		sweep := p.send("sweep", `"times":20`)
		p.until(Moving)
		waiting := p.send("pulse", `"us":1300`)
		time.Sleep(700 * time.Millisecond)
		from := h.clock.Now()
		p.ask("stop", "")
		h.within(from, 50*time.Millisecond, wire.CategoryControlled)
		if a, b := p.answer(sweep), p.answer(waiting); a.OK || b.OK {
			t.Errorf("a sweep that was stopped is answered by %+v, the pulse after it by %+v", a, b)
		}
		p.reach("a question", func(s State) bool { return s.Phase == Stopped && s.Confirm != "" })
		p.ask("arm", `"confirmed":true`)
		p.ask("pulse", `"us":1360`)
		done, late := p.send("done", ""), p.send("pulse", `"us":1350`)
		time.Sleep(100 * time.Millisecond)
		p.ask("stop", "")
		if a, b := p.answer(done), p.answer(late); a.OK || b.OK {
			t.Errorf("done that was stopped is answered by %+v, the pulse after it by %+v", a, b)
		}
		h.softly(1, 1300, 1360)
	})
}

// TestSlew plays steps for a film: flash and command are where the board says they were.
func TestSlew(t *testing.T) {
	inHarbour(t, oneRig(), map[string]string{"greet": fmt.Sprintf(oneMotion(), "4s")}, "", func(t *testing.T, h *harbour) {
		p := sit(t, h.desk, "a")
		p.ask("drive", "")
		p.ask("connect", `"motion":"greet","boards":{"main":"main"}`) // from now on its place is known
		p.refused("slew", `"axis":"jaw","from":10,"to":70,"flash":"lamp"`, "beyond the travel of jaw, 0 to 60 deg")
		p.refused("slew", `"axis":"jaw","from":10,"to":50,"flash":"arm"`, "a dimmer or a switch")
		p.refused("slew", `"axis":"lamp","from":0,"to":1,"flash":"lamp"`, "measured on a servo")
		p.refused("slew", `"axis":"jaw","from":10,"to":10,"flash":"lamp"`, "is no step")
		p.refused("slew", `"axis":"arm","from":20,"to":110,"flash":"lamp"`, "the arm strikes the chin")
		p.ask("slew", `"axis":"jaw","from":10,"to":50,"flash":"lamp"`)
		s := p.until(Connected)
		if s.Slew == nil || s.Slew.From != 10 || s.Slew.To != 50 || !strings.Contains(s.Confirm, "full speed of its servo") {
			t.Fatalf("the state is %+v", s)
		}
		p.refused("arm", `"confirmed":false`, "nobody has said")
		p.beating()
		p.ask("arm", `"confirmed":true`)
		for run := range 2 {
			p.ask("play", `"countIn":0.2`)
			p.reach("a run", func(s State) bool { return s.Slew != nil && len(s.Slew.Runs) == run+1 })
			p.until(Armed)
		}
		var flashes, steps []slotAt
		slots := h.boards["main"].played()
		for i := 1; i < len(slots); i++ {
			if slots[i].values[2] == 1 && slots[i-1].values[2] == 0 {
				flashes = append(flashes, slots[i])
			}
			if slots[i].values[1] == 3000 && slots[i-1].values[1] == 2200 { // 50 deg: 1500 us, 10 deg: 1100 us
				steps = append(steps, slots[i])
			}
		}
		runs := p.now().Slew.Runs
		if len(flashes) != 2 || len(steps) != 2 {
			t.Fatalf("%d flashes and %d steps in two runs", len(flashes), len(steps))
		}
		for i, r := range runs {
			// The board's count is that of its ticks: it was not reset. A frame begins within a
			// tick of the microsecond.
			off := int64(r.Flash) - flashes[i].us
			t.Logf("run %d: told %d us, played at %d us; %+v", i, r.Flash, flashes[i].us, r)
			if flashes[i].us != steps[i].us || off < -100 || off > 100 || r.Pulse != 1500 || r.Doubtful {
				t.Errorf("flash at %d, step at %d us: %+v", flashes[i].us, steps[i].us, r)
			}
			if at := r.At - h.desk.unix(flashes[i].at); math.Abs(float64(at)) > 1 {
				t.Errorf("the flash was told %v ms off by the server's clock", at)
			}
		}
	})
}

// TestSlewing makes steps that are refused, and one of an axis that carries weight.
func TestSlewing(t *testing.T) {
	rig, err := newProject(twoRig, nil).Rig(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := NewSlewing(rig, "fin", "lamp", 0, 20); err == nil || !strings.Contains(err.Error(), "from the same board") {
		t.Errorf("a flash on another board: %v", err)
	}
	s, err := NewSlewing(rig, "arm", "lamp", 20, 60)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(s.caution(), "carries weight") {
		t.Errorf("the caution is %q", s.caution())
	}
	if a := s.Axis; a.Kind != sequence.Servo || a.Name != "arm" {
		t.Errorf("%+v", a)
	}
}
