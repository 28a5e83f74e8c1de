package live

import (
	"testing"
	"time"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// handClock is a clock that a test sets.
type handClock struct{ now time.Duration }

func (c *handClock) Now() time.Duration                   { return c.now }
func (c *handClock) After(time.Duration) <-chan time.Time { return nil }

// deafLink is a link on which nothing comes by itself.
type deafLink struct {
	closed chan struct{}
	speed  float64
}

func (l deafLink) Send(wire.Message, time.Duration) (Sent, error) { return Sent{}, nil }
func (l deafLink) Urgent(wire.Message) (Sent, error)              { return Sent{}, nil }
func (l deafLink) Receive(func(wire.Packet, time.Duration)) error { <-l.closed; return nil }
func (l deafLink) Speed() float64                                 { return l.speed }
func (l deafLink) Cost(payload int) int                           { return payload + 8 }
func (l deafLink) String() string                                 { return "test" }
func (l deafLink) Close() error {
	select {
	case <-l.closed:
	default:
		close(l.closed)
	}
	return nil
}

// armedSession gives a session that is set up and armed, and driven by hand: no
// goroutine of its own sends anything.
func armedSession(t testing.TB, tl *timeline.Timeline, clock *handClock) (*Board, Link) {
	o := Options{Timeline: tl, Clock: clock}
	o.fill()
	b := newBoard(t.Context(), o)
	link := deafLink{make(chan struct{}), tl.Board.Baud.V / 10}
	b.attach(link)
	b.id = wire.Identity{Boot: 1, Depth: 40, Payload: 240, Channels: 8}
	for i := range tl.Channels {
		b.bounds = append(b.bounds, newBounds(&tl.Channels[i], b.reach[i], timeline.SoftDegrees))
	}
	if err := b.measure(link); err != nil {
		t.Fatal(err)
	}
	b.times = make([]time.Duration, 64)
	b.known, b.ready, b.armed, b.limit = true, true, true, 40
	for i := range 8 { // a good clock to begin with
		at := clock.now + time.Duration(i)*time.Millisecond
		b.model.Add(Exchange{Sent: at, Received: at + time.Millisecond, Taken: wire.Tick(at / 1000), Answered: wire.Tick(at / 1000)})
	}
	t.Cleanup(func() { b.end(ErrClosed); b.group.Wait() })
	return b, link
}

// FuzzSession gives a session that is playing messages of a board in any order, with
// any content, and lets any time pass between them. Whatever comes, no frame is sent
// beyond the credit, twice, out of order, when its time has come, or with a value that
// its channel does not allow.
func FuzzSession(f *testing.F) {
	_, tl := keeper(f)
	f.Add([]byte{})
	f.Add([]byte{6, 4, 40, 0, 40, 0, 0, 50, 5, 28, 2, 1, 0, 0, 0, 0, 9, 0, 9, 0, 0, 0})
	f.Add([]byte{0, 26, 1, 2, 0, 1, 0, 0, 8, 40, 0, 240, 0, 0, 0, 0, 0, 0, 0, 0, 255, 255, 255, 255, 0, 0, 0, 0})
	f.Add([]byte{7, 250, 7, 250, 7, 250, 2, 12, 1, 0, 0, 0, 9, 9, 9, 255, 9, 9, 9, 255, 7, 20})
	kinds := []wire.Kind{wire.KindIdentity, wire.KindLimits, wire.KindTime, wire.KindAck, wire.KindPose, wire.KindStatus, wire.KindCredit}
	f.Fuzz(func(t *testing.T, data []byte) {
		clock := &handClock{now: time.Second}
		b, link := armedSession(t, tl, clock)
		p := newPart(tl, b.bounds, 0, 0, 1, false)
		b.stream = &stream{period: period(tl), list: []segment{{start: clock.now + 50*time.Millisecond, frames: p.frames, fill: p.cursor().fill}}}
		w := witness{t: t, b: b}
		for len(data) >= 2 {
			op, n := int(data[0])%(len(kinds)+1), int(data[1])
			data = data[2:]
			if op == len(kinds) {
				clock.now += time.Duration(n) * time.Millisecond
			} else {
				n = min(n, len(data))
				b.take(link, wire.Packet{Kind: kinds[op], Payload: data[:n]}, clock.now)
				data = data[n:]
			}
			w.drain(clock.now)
		}
	})
}

// witness looks at what a session sends.
type witness struct {
	t    *testing.T
	b    *Board
	next wire.Index
}

func (w *witness) drain(now time.Duration) {
	b := w.b
	for range 100 {
		b.mu.Lock()
		limit := b.limit
		_, m, until, _ := b.next(now)
		b.mu.Unlock()
		switch m := m.(type) {
		case nil:
			return
		case *wire.Frames:
			w.frames(m, limit, now, until)
		}
	}
	w.t.Fatal("it does not come to an end of sending at one moment")
}

func (w *witness) frames(m *wire.Frames, limit wire.Index, now, until time.Duration) {
	width := len(w.b.tl.Channels)
	count := m.Values.Len() / width
	if m.Index != w.next || count == 0 || m.Values.Len()%width != 0 {
		w.t.Fatalf("frame %d follows %d, with %d values", m.Index, w.next, m.Values.Len())
	}
	w.next = m.Index.Add(count)
	if limit.Ahead(w.next) < 0 {
		w.t.Fatalf("frames up to %d are sent, the credit ends at %d", w.next, limit)
	}
	if until <= now {
		w.t.Fatalf("a frame is sent at %v, its time was %v", now, until)
	}
	for i := range m.Values.Len() {
		bs := &w.b.bounds[i%width]
		if v := int64(m.Values.At(i)); bs.unit == wire.UnitTicks && (v < bs.low || v > bs.high) {
			w.t.Fatalf("channel %d gets %d, it has %d to %d", i%width, v, bs.low, bs.high)
		}
	}
}

// TestStalledHostSendsNothingStale: whatever the host missed is left out, and what it
// sends then is in time.
func TestStalledHostSendsNothingStale(t *testing.T) {
	_, tl := keeper(t)
	clock := &handClock{now: time.Second}
	b, _ := armedSession(t, tl, clock)
	p := newPart(tl, b.bounds, 0, 0, 1, false)
	b.stream = &stream{period: period(tl), list: []segment{{start: clock.now + 50*time.Millisecond, frames: p.frames, fill: p.cursor().fill}}}
	w := witness{t: t, b: b}
	w.drain(clock.now)
	sent := int(w.next)
	clock.now += 700 * time.Millisecond // the process was stopped
	b.limit = w.next.Add(40)
	w.drain(clock.now)
	// 650 ms of motion are over: frames 0 to 32 and what is due within 2 ms.
	if want := 33 - sent; b.stale < want || b.stale > want+1 {
		t.Errorf("%d frames were left out, %d had been sent: not %d", b.stale, sent, want)
	}
	if int(w.next) <= sent {
		t.Error("nothing was sent after the stall")
	}
}
