package timeline

import (
	"bytes"
	"strconv"
	"strings"
)

// readVCD reads a dump as writeVCD writes it and recovers the frames from the
// edges.
func readVCD(l *lineReader, s *sink) error {
	dumpvars := false
	lines, err := l.front(func(line string) bool {
		dumpvars = dumpvars || line == "$dumpvars"
		return dumpvars && line == "$end"
	})
	if err != nil {
		return err
	}
	heads, err := vcdHeads(l, lines)
	if err != nil {
		return err
	}
	d, err := newDump(heads)
	if err != nil {
		return l.fault("%v", err)
	}
	if err := l.same(lines, d.front()); err != nil {
		return err
	}
	v := newProbe(d, l, s)
	if err := s.found(d.heads); err != nil {
		return err
	}
	return v.read()
}

// vcdHeads reads the comments above the definitions.
func vcdHeads(l *lineReader, lines []string) ([]Head, error) {
	var heads []Head
	for i := 0; i < len(lines); i++ {
		if lines[i] != "$comment" {
			continue
		}
		from := i + 1
		for i < len(lines) && !strings.HasPrefix(lines[i], "frame 0 is at ") {
			i++
		}
		if i == len(lines) {
			return nil, l.faultAt(from, "this comment has no end")
		}
		h, bad, err := parseHead(lines[from:i])
		if err != nil {
			return nil, l.faultAt(from+bad+1, "%v", err)
		}
		heads = append(heads, *h)
	}
	if len(heads) == 0 {
		return nil, l.faultAt(2, "there is no comment that tells the boards and channels")
	}
	return heads, nil
}

// probe follows the wires of a dump.
type probe struct {
	dump   *dump
	line   *lineReader
	sink   *sink
	wires  map[string]int
	state  []wire
	boards []probeBoard
	now    uint64
}

// wire is what a wire did in the current frame of its board.
type wire struct {
	board int
	high  bool
	since uint64 // of the state, but not before the frame
	total uint64 // time high
	rises int
	first uint64 // time of the first rise
}

type probeBoard struct {
	frame  int64
	start  uint64
	end    uint64
	values []uint16
}

func newProbe(d *dump, l *lineReader, s *sink) *probe {
	p := &probe{dump: d, line: l, sink: s, wires: map[string]int{}, state: make([]wire, len(d.wires))}
	for i := range d.boards {
		b := &d.boards[i]
		p.boards = append(p.boards, probeBoard{start: b.start(0), end: b.start(1), values: make([]uint16, len(d.heads[i].Channels))})
		for w := b.wires[0]; w < d.lastWire(i); w++ {
			p.wires[wireCode(w)] = w
			p.state[w].board = i
		}
		d.heads[i].shown = b.shown(&d.heads[i])
	}
	return p
}

// shown gives the function that turns values into what the edges show of them.
func (b *dumpBoard) shown(h *Head) func(frame int64, values []uint16) {
	return func(frame int64, values []uint16) {
		size := b.start(frame+1) - b.start(frame)
		for i, v := range values {
			switch h.Channels[i].Unit {
			case Duty:
				n := int64(int16(v))
				width := part(uint64(max(n, -n)), fullDuty, size)
				values[i] = signed(whole(width, fullDuty, size), n > 0)
			case Level:
				values[i] = uint16(whole(part(uint64(v), fullLevel, size), fullLevel, size))
			}
		}
	}
}

// signed gives a 16-bit value of a size and a direction.
func signed(size uint64, forward bool) uint16 {
	if forward {
		return uint16(int16(size))
	}
	return uint16(-int16(size))
}

// read reads the changes up to the closing line.
func (p *probe) read() error {
	for {
		text, err := p.line.next()
		if err != nil {
			return err
		}
		switch {
		case len(text) > 1 && text[0] == '#':
			err = p.stamp(text[1:])
		case len(text) > 1 && (text[0] == '0' || text[0] == '1'):
			err = p.change(text[0] == '1', text[1:])
		case bytes.HasPrefix(text, []byte("$comment crc32 ")):
			return p.finish(text)
		default:
			err = p.line.fault("%s is no time stamp and no change of a wire", short(text))
		}
		if err != nil {
			return err
		}
	}
}

// stamp moves the time on and ends the frames that are over.
func (p *probe) stamp(digits []byte) error {
	t, err := strconv.ParseUint(string(digits), 10, 63)
	if err != nil {
		return p.line.fault("#%s is no time stamp", short(digits))
	}
	if t <= p.now {
		return p.line.fault("the time stamp #%d does not follow #%d", t, p.now)
	}
	p.now = t
	for i := range p.boards {
		b := &p.boards[i]
		if b.frame > p.dump.heads[i].Frames {
			continue
		}
		if t > b.end {
			return p.line.fault("frame %d of board %s starts at #%d, for which there is no time stamp", b.frame+1, p.dump.heads[i].Board, b.end)
		}
		if t == b.end {
			if err := p.endFrame(i); err != nil {
				return err
			}
		}
	}
	return nil
}

// change takes a change of a wire.
func (p *probe) change(high bool, code []byte) error {
	i, ok := p.wires[string(code)]
	if !ok {
		return p.line.fault("there is no wire %s", short(code))
	}
	w := &p.state[i]
	if w.high == high {
		return p.line.fault("%s is at %s already", p.dump.wires[i], code0(high))
	}
	if p.now < p.boards[w.board].start {
		return p.line.fault("%s changes before its board's first frame, which starts at #%d", p.dump.wires[i], p.boards[w.board].start)
	}
	if high {
		if w.rises == 0 {
			w.first = p.now
		}
		w.rises++
	} else {
		w.total += p.now - w.since
	}
	w.high, w.since = high, p.now
	return nil
}

func code0(high bool) string {
	if high {
		return "1"
	}
	return "0"
}

// endFrame works out the values of a board's frame and begins the next.
func (p *probe) endFrame(i int) error {
	b, plan, h := &p.boards[i], &p.dump.boards[i], &p.dump.heads[i]
	for w := plan.wires[0]; w < p.dump.lastWire(i); w++ {
		if s := &p.state[w]; s.high {
			s.total += b.end - s.since
		}
	}
	if b.frame < h.Frames {
		for c := range h.Channels {
			v, err := p.value(i, c)
			if err != nil {
				return err
			}
			b.values[c] = v
		}
		if err := p.sink.frame(p.line, h, b.frame, b.values); err != nil {
			return err
		}
	}
	b.frame++
	b.start, b.end = b.end, plan.start(b.frame+1)
	for w := plan.wires[0]; w < p.dump.lastWire(i); w++ {
		s := &p.state[w]
		*s = wire{board: i, high: s.high, since: b.start}
		if s.high {
			s.first = b.start
		}
	}
	return nil
}

// value gives what the edges of a channel show in the frame that ends.
func (p *probe) value(board, channel int) (uint16, error) {
	b, plan := &p.boards[board], &p.dump.boards[board]
	c, at := &p.dump.heads[board].Channels[channel], plan.wires[channel]
	w, size := &p.state[at], b.end-b.start
	switch c.Unit {
	case PulseTicks:
		if w.total%plan.tick != 0 || w.total > 0 && w.first != b.start+uint64(c.Offset)*plan.tick {
			return 0, p.bad(board, at, "a pulse is not where the channel's offset and the board's ticks put it")
		}
		if w.total/plan.tick > maxPulse {
			return 0, p.bad(board, at, "a pulse is longer than 65535 ticks")
		}
		return uint16(w.total / plan.tick), nil
	case Duty:
		return signed(whole(w.total, fullDuty, size), p.state[at+1].high), nil
	case StepDelta:
		if w.rises > maxStep {
			return 0, p.bad(board, at, "there are more steps than 32767")
		}
		return signed(uint64(w.rises), p.state[at+1].high), nil
	case Level:
		return uint16(whole(w.total, fullLevel, size)), nil
	}
	if w.total != 0 && w.total != size {
		return 0, p.bad(board, at, "the state changes inside a frame")
	}
	return uint16(w.total / size), nil
}

func (p *probe) bad(board, wire int, what string) error {
	return p.line.fault("above this line, %s in frame %d: %s", p.dump.wires[wire], p.boards[board].frame, what)
}

// finish proves that all frames were there, and the closing line.
func (p *probe) finish(text []byte) error {
	for i := range p.boards {
		if n, h := p.boards[i].frame, &p.dump.heads[i]; n <= h.Frames {
			return p.line.fault("board %s has %d of %d frames here: the dump was cut; write it again", h.Board, max(0, n), h.Frames)
		}
	}
	if end := p.dump.end(); p.now != end {
		return p.line.fault("the last time stamp is #%d and has to be #%d", p.now, end)
	}
	return p.line.close(text, vcdClosing)
}
