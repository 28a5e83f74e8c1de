package live

import (
	"errors"
	"math"
	"time"

	"limberjack/transport/wire"
)

// Look-ahead.
const (
	aheadLeast  = 250 * time.Millisecond // that a gap of the link may last
	aheadMost   = 1200 * time.Millisecond
	packetTime  = 8 * time.Millisecond  // that one message of frames may take on a serial line
	gatherTime  = 12 * time.Millisecond // by which frames may wait, so that several messages leave together
	staleMargin = 2 * time.Millisecond  // before its time at which a frame is no longer sent
)

// Lookahead gives how far ahead of its time a frame is sent: 250 ms that a gap may
// last, and what a message takes on its way, to be built, and to wait for others; less
// where the board's queue holds less.
func Lookahead(roundTrip, frame time.Duration, depth int) time.Duration {
	want := aheadLeast + 3*roundTrip + 2*packetTime + gatherTime + 2*frame
	return min(want, aheadMost, time.Duration(max(1, depth-1))*frame)
}

// pump sends what is due, as long as the session lives: clock messages, which also
// keep the board from being lost, and frames.
func (b *Board) pump() {
	for b.ctx.Err() == nil {
		b.mu.Lock()
		link, m, until, wait := b.next(b.clock.Now())
		b.sending = m != nil
		b.mu.Unlock()
		if m == nil {
			select {
			case <-b.wake:
			case <-b.clock.After(wait):
			case <-b.ctx.Done():
			}
			continue
		}
		s, err := link.Send(m, until)
		switch {
		case err == nil:
			b.left(m, s)
		case !errors.Is(err, ErrOvertaken):
			b.broken(link, err)
		}
		if f, ok := m.(*wire.Frames); ok && err != nil {
			b.opts.Take.add(takeUnsent{Log: "unsent", Board: b.name, Host: b.clock.Now().Microseconds(), Index: f.Index, Frames: f.Values.Len() / len(b.values), Why: err.Error()})
		}
		b.sent()
	}
}

// sent tells who waits to take the frames away that the pump has let go of the last.
func (b *Board) sent() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.sending = false; b.stream == nil {
		b.signal()
	}
}

// left takes note of when a message left.
func (b *Board) left(m wire.Message, s Sent) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if f, ok := m.(*wire.Frames); ok && b.opts.Take != nil {
		b.opts.Take.add(framesLine(b.name, s.At, b.times[int(f.Index)%len(b.times)], f, len(b.values)))
	}
	c, ok := m.(*wire.Clock)
	if !ok {
		return
	}
	if t := &b.tokens[c.Token%uint32(len(b.tokens))]; t.number == c.Token {
		t.at = s.At
	}
}

// next gives the message that is to be sent now, and until when it may leave, or
// how long there is none. b.mu is held.
func (b *Board) next(now time.Duration) (link Link, m wire.Message, until, wait time.Duration) {
	if b.link == nil || !b.known {
		return nil, nil, 0, time.Second
	}
	due := b.due
	if b.armed {
		due = min(due, b.spoke+b.keep)
	}
	if now >= due {
		return b.link, b.clockMessage(now), 0, 0
	}
	wait = due - now
	if b.stream == nil || b.held || !b.armed || !b.ready {
		return nil, nil, 0, wait
	}
	f, until, later := b.fill(now)
	if f != nil {
		b.spoke = now
		return b.link, f, until, 0
	}
	return nil, nil, 0, min(wait, later)
}

// clockMessage begins a round trip.
func (b *Board) clockMessage(now time.Duration) wire.Message {
	b.trips++
	b.spoke = now
	b.due = now + clockEvery
	if b.trips < clockQuick {
		b.due = now + clockFirst
	}
	number := uint32(b.trips)
	b.tokens[number%uint32(len(b.tokens))] = token{number, now}
	b.ping.Token = number
	return &b.ping
}

// fill makes a message of the frames that may be sent now, or says when to ask
// again. Frames whose time has come are left out, whatever held the host up.
func (b *Board) fill(now time.Duration) (m *wire.Frames, until, later time.Duration) {
	const idle = 50 * time.Millisecond
	s := b.stream
	b.dropStale(now)
	first, ok := s.peek()
	if !ok {
		return nil, 0, idle
	}
	n := 1
	for n < b.batch {
		if _, ok := s.ahead(int64(n)); !ok {
			break
		}
		n++
	}
	end, _ := s.ahead(int64(n - 1))
	// Once some have left, all that are due follow; then the next wait for others, whatever
	// else wakes the pump up: frames right behind a round trip would spoil it, where a board
	// takes both at once.
	early := end - b.ahead - now
	if !b.flowing {
		early += b.gather
	}
	if early > 0 {
		if b.flowing {
			early += b.gather
		}
		b.flowing = false
		return nil, 0, early
	}
	b.flowing = true
	room := b.limit.Ahead(b.index)
	if room < n && (room < 1 || first-now > b.ahead/2) {
		return nil, 0, idle // a credit wakes the pump
	}
	return b.frames(min(n, room), first), first, 0
}

// dropStale leaves out the frames whose time has come.
func (b *Board) dropStale(now time.Duration) {
	for {
		at, ok := b.stream.peek()
		if !ok || at > now+staleMargin {
			return
		}
		b.stream.pop(b.values)
		b.stale++
		b.opts.Take.add(takeUnsent{Log: "unsent", Board: b.name, Host: b.clock.Now().Microseconds(), Frames: 1, Why: "its time had come before it was sent"})
	}
}

// frames takes n frames off the stream.
func (b *Board) frames(n int, first time.Duration) *wire.Frames {
	spacing := uint32(math.Round(b.model.period(b.stream.period)))
	m := &b.frame
	*m = wire.Frames{Index: b.index, Time: b.model.Tick(first), Spacing: spacing, Values: b.payload[:0]}
	for range n {
		b.stream.pop(b.values)
		for _, v := range b.values {
			m.Values = m.Values.Add(uint16(v))
		}
		b.times[int(b.index)%len(b.times)] = b.stream.last
		b.index++
	}
	b.payload = m.Values
	b.sentLast()
	return m
}

// sentLast keeps where the frames that were taken leave the axes.
func (b *Board) sentLast() {
	copy(b.at, b.values)
	for i, v := range b.values {
		if v != 0 {
			b.last[i] = v
		}
	}
}

// measure sets look-ahead and size of messages by what is known of link and board.
func (b *Board) measure(link Link) error {
	frame := time.Duration(period(b.tl))
	b.ahead = Lookahead(b.model.RoundTrip(), frame, int(b.id.Depth))
	width := 2 * len(b.tl.Channels)
	b.batch = max(1, (int(b.id.Payload)-wire.SizeFrames)/width)
	b.batch = min(b.batch, max(1, int(b.ahead/4/frame)), max(1, int(b.id.Depth)/4))
	speed := link.Speed()
	b.keep = keepEvery
	b.gather = min(gatherTime, b.ahead/8)
	if speed <= 0 {
		return nil
	}
	b.keep = min(clockEvery, max(keepEvery, time.Duration(float64(link.Cost(wire.SizeClock))/keepShare/speed*1e9)))
	for b.batch > 1 && float64(link.Cost(wire.SizeFrames+b.batch*width))/speed > packetTime.Seconds() {
		b.batch--
	}
	need := float64(link.Cost(wire.SizeFrames+b.batch*width))/float64(b.batch)*b.tl.Board.Rate.V + 250
	if need > speed {
		return &SlowLinkError{Board: b.name, Need: need, Have: speed, Channels: len(b.tl.Channels), Rate: b.tl.Board.Rate.V}
	}
	return nil
}
