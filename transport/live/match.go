package live

import (
	"fmt"
	"hash/crc32"
	"math"
	"strings"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// MismatchError says all in which a board is not the one that a rig describes.
type MismatchError struct {
	Board       string // of the rig
	Name        string // that the board has for itself
	Differences []string
}

// Error gives one line a difference.
func (e *MismatchError) Error() string {
	var s strings.Builder
	fmt.Fprintf(&s, "the board that answers is not the board %s of the rig:", e.Board)
	for _, d := range e.Differences {
		s.WriteString("\n  " + d)
	}
	s.WriteString("\ncorrect the rig, connect the right board, or load this rig's limits onto it")
	return s.String()
}

// Print gives the number by which a board says which rig is built into it: the
// CRC-32 (IEEE) of the rig's fingerprint.
func Print(fingerprint string) uint32 { return crc32.ChecksumIEEE([]byte(fingerprint)) }

// match collects in what a board and a timeline differ.
type match struct {
	tl    *timeline.Timeline
	id    *wire.Identity
	texts []string
}

func (m *match) differ(format string, args ...any) {
	m.texts = append(m.texts, fmt.Sprintf(format, args...))
}

// whole compares what holds for the board as a whole.
func (m *match) whole() {
	b := m.tl.Board
	if tick := math.Round(b.Tick.V * 1e6); tick != float64(m.id.Tick) {
		m.differ("tick: the rig says %v us, the board has %v us", b.Tick.V, float64(m.id.Tick)/1e6)
	}
	if p := periodOf(m.tl); p < m.id.Least || p > m.id.Greatest {
		m.differ("rate: the rig says %v Hz, the board does %.4g to %.4g Hz", b.Rate.V, 1e9/float64(m.id.Greatest), 1e9/float64(max(1, m.id.Least)))
	}
	if need := wire.SizeFrames + 2*len(m.tl.Channels); need > int(m.id.Payload) {
		m.differ("channels: a frame of %d channels is a message of %d bytes, the board takes %d", len(m.tl.Channels), need, m.id.Payload)
	}
	if m.id.Print != 0 && m.id.Print != Print(m.tl.Fingerprint) {
		m.differ("rig: the board has another version of the rig built in")
	}
	if m.id.Depth < 2 {
		m.differ("queue: the board keeps %d frames, 2 are the least", m.id.Depth)
	}
	for i := range m.tl.Channels {
		if c := &m.tl.Channels[i]; c.Number >= int(m.id.Channels) {
			m.differ("channel %d (%s): the board has %d channels, 0 to %d", c.Number, c.Axis.Name, m.id.Channels, int(m.id.Channels)-1)
		}
	}
}

// periodOf gives a timeline's time from frame to frame in whole ns.
func periodOf(tl *timeline.Timeline) uint32 {
	return uint32(math.Min(math.Round(period(tl)), math.MaxUint32))
}

// channel compares one channel with what the board allows on it, and narrows the
// bounds where the rig leaves them open.
func (m *match) channel(c *timeline.Channel, b *bounds, r reach, l *wire.Limits) {
	where := fmt.Sprintf("channel %d (%s)", c.Number, c.Axis.Name)
	if !l.Units.Has(b.unit) {
		m.differ("%s: the rig has a %s here, the board's output cannot play %s", where, c.Axis.Kind, b.unit)
		return
	}
	if width := b.high - b.low; b.unit == wire.UnitSteps && c.Axis.HasTravel() && width >= 1<<16 {
		m.differ("%s: its travel is %d microsteps, and a position on the wire can be told apart within %d: use fewer microsteps, or less travel", where, width, 1<<16-1)
	}
	low, high := int64(l.Low), int64(l.High)
	if !c.Axis.HasTravel() && b.unit != wire.UnitTicks {
		b.low, b.high = max(b.low, low), min(b.high, high)
	}
	if b.low < low || b.high > high {
		m.differ("%s: the rig goes from %s to %s, the board allows %s to %s", where, amount(c, b.low), amount(c, b.high), amount(c, low), amount(c, high))
	}
	if r.some && !c.Axis.HasTravel() && (r.low < low || r.high > high) {
		m.differ("%s: the motion goes from %s to %s, the board allows %s to %s", where, amount(c, r.low), amount(c, r.high), amount(c, low), amount(c, high))
	}
	if r.change > int64(l.Change) && b.unit != wire.UnitState && b.unit != wire.UnitLevel {
		m.differ("%s: the motion changes by %s in a frame, the board allows %s", where, amount(c, r.change), amount(c, int64(l.Change)))
	}
	b.change = max(1, min(b.change, l.Change))
	b.slow = min(b.slow, b.change)
}

// amount gives a value of a channel as people read it.
func amount(c *timeline.Channel, v int64) string {
	switch c.Unit {
	case timeline.PulseTicks:
		return fmt.Sprintf("%.4g us", float64(v)*c.Axis.Board.Tick.V)
	case timeline.Duty:
		return fmt.Sprintf("%.4g %%", float64(v)*100/math.MaxInt16)
	case timeline.Level:
		return fmt.Sprintf("%.4g %%", float64(v)*100/math.MaxUint16)
	case timeline.StepDelta:
		return fmt.Sprintf("%d microsteps", v)
	}
	return fmt.Sprint(v)
}
