package live

import (
	"fmt"
	"time"

	"limberjack/transport/wire"
)

// take takes a packet that came over a link.
func (b *Board) take(link Link, p wire.Packet, at time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.link != link {
		return
	}
	b.heard = b.clock.Now()
	if b.read(p, at) {
		b.signal()
	}
}

// staleStatus is the age in us up to which an earlier time is that of a status that
// came late; a greater one is that of a clock that began anew.
const staleStatus = 2_000_000

// read takes the message of a packet, and says whether anything changed. What does
// not decode is left alone: the decoder has counted it.
func (b *Board) read(p wire.Packet, at time.Duration) bool {
	switch p.Kind {
	case wire.KindTime:
		var m wire.Time
		return m.Decode(p.Payload) == nil && b.tookTime(&m, at)
	case wire.KindAck:
		var m wire.Ack
		return m.Decode(p.Payload) == nil && b.tookAck(&m)
	case wire.KindStatus:
		var m wire.Status
		return m.Decode(p.Payload) == nil && b.tookStatus(&m)
	case wire.KindCredit:
		var m wire.Credit
		return m.Decode(p.Payload) == nil && b.tookCredit(&m)
	case wire.KindPose:
		var m wire.Pose
		return m.Decode(p.Payload) == nil && b.tookPose(&m)
	case wire.KindIdentity:
		var m wire.Identity
		return m.Decode(p.Payload) == nil && b.tookIdentity(&m)
	case wire.KindLimits:
		var m wire.Limits
		if m.Decode(p.Payload) != nil {
			return false
		}
		b.limits[m.Channel] = m
		return true
	}
	return false
}

// tookTime puts a round trip into the clock model.
func (b *Board) tookTime(m *wire.Time, at time.Duration) bool {
	t := &b.tokens[m.Token%uint32(len(b.tokens))]
	if t.number != m.Token || t.number == 0 {
		return false
	}
	t.number = 0
	b.model.Add(Exchange{Sent: t.at, Received: at, Taken: m.Received, Answered: m.Sent})
	if b.opts.Take != nil {
		ppm, sd := b.model.Drift()
		b.opts.Take.add(takeClock{Log: "clock", Board: b.name, Host: at.Microseconds(), Tick: uint32(b.model.Tick(at)),
			Drift: ppm, DriftU: sd, Within: micros(b.model.Uncertainty(at))})
	}
	return true
}

func (b *Board) tookAck(m *wire.Ack) bool {
	b.acks[b.ackCount%len(b.acks)] = *m
	b.ackCount++
	return true
}

// tookIdentity takes note of who is there. Another boot number is a board that was
// reset: its clock is another, and it is not armed.
func (b *Board) tookIdentity(m *wire.Identity) bool {
	if first := b.id.Depth == 0; first || b.id.Boot != m.Boot {
		if !first {
			b.disarmed("it was reset: " + m.Cause.Meaning())
			b.model.Reset()
			b.ready = false
		}
		b.id = *m
		b.id.Name = append([]byte(nil), m.Name...)
	}
	b.known = true
	return true
}

// tookCredit moves the limit of what may be sent. One of a credit that came late is
// behind the present one.
func (b *Board) tookCredit(m *wire.Credit) bool {
	room := m.Limit.Ahead(b.index)
	if m.Limit.Ahead(b.limit) <= 0 || room > int(b.id.Depth) {
		return false
	}
	b.limit = m.Limit
	return true
}

func (b *Board) tookStatus(m *wire.Status) bool {
	before, first := b.status, b.statusAt == 0
	if back := before.Time.Since(m.Time); !first && back > 0 && back < staleStatus && m.Cause != wire.CauseReset {
		return false // overtaken by a later one
	}
	b.status, b.statusAt = *m, b.clock.Now()
	b.tookPlace(m)
	if b.opts.Take != nil {
		b.opts.Take.add(takeStatus{Log: "status", Board: b.name, Host: b.statusAt.Microseconds(), Status: *m})
	}
	switch m.State {
	case wire.StateSilent, wire.StateStopping, wire.StateStopped, wire.StateLost:
		if b.armed {
			b.disarmed(why(m))
		}
	}
	if !first && m.Inputs&wire.InputsStop != 0 && before.Inputs&wire.InputsStop == 0 {
		b.announce(Event{What: Note, Text: "the stop input of the board is active"})
	}
	return true
}

// tookPlace keeps the host time of the last frame that an armed board has played. b.mu
// is held.
func (b *Board) tookPlace(m *wire.Status) {
	if sent := b.index.Ahead(m.Index); b.armed && b.stream != nil && m.State != wire.StateSilent && m.Played > 0 && sent >= 0 && sent < len(b.times) {
		b.playedAt = b.times[int(m.Index-1)%len(b.times)]
	}
}

// why says in words why a board is no longer armed.
func why(m *wire.Status) string {
	if m.Cause == wire.CauseSilence {
		return fmt.Sprintf("it had no word from this computer for its time of silence, and is now %s", m.State)
	}
	return fmt.Sprintf("it is now %s: %s", m.State, m.Cause.Meaning())
}

// disarmed takes note that the board is not armed any more. b.mu is held.
func (b *Board) disarmed(text string) {
	if !b.armed {
		return
	}
	b.armed, b.held, b.stream, b.lost = false, false, nil, text
	b.announce(Event{What: Lost, Text: text})
}

// tookPose keeps the pose, of which a stepper's values are continued over 16 bits.
func (b *Board) tookPose(m *wire.Pose) bool {
	if m.Values.Len() != len(b.at) {
		return false
	}
	b.pose, b.live = b.pose[:0], b.live[:0]
	for i := range b.at {
		b.pose = append(b.pose, m.Values.At(i))
		b.live = append(b.live, m.Live.Has(i))
	}
	b.poseAt = b.clock.Now()
	return true
}
