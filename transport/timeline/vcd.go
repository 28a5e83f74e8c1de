package timeline

import (
	"cmp"
	"fmt"
	"math/bits"
	"slices"
	"strconv"
	"strings"
)

// The vcd form: a value change dump (IEEE 1364-2005, clause 18) of what the pins
// do, one scope a board, wires of one bit. Its time unit is the coarsest of 1, 10
// and 100 s, ms, us, ns, ps, fs that divides every board's tick, so that edges on
// ticks are exact. A frame starts on the last tick that is not after k/rate.
// Frame 0 starts one millisecond into the dump (or one unit, where that is
// longer), so that every wire starts low and the first rise is seen.
//
//   - ticks: high from the offset of the channel, for the width of the pulse; low
//     for the whole of a released frame
//   - duty:  NAME_pwm is high from the start of the frame for |duty|/32767 of
//     it; NAME_dir is high for forward
//   - steps: NAME_step has |delta| pulses, evenly spaced; NAME_dir is high for
//     forward and changes at the start of the frame, before the first step
//   - level: high from the start of the frame for level/65535 of it
//   - state: the state, for the whole frame
//
// Widths of duty and level are rounded to the nearest time unit. Below the last
// frame its pulses come once more, because a decoder reports a pulse when it sees
// the next; then the dump ends with a time stamp. Every frame's start has a time
// stamp, also where no wire changes. The last command is a comment with the
// CRC-32 (IEEE 802.3) of all the bytes above it.

// Femtoseconds.
const (
	femtoUs = 1_000_000_000
	femtoMs = 1000 * femtoUs
)

// dump is the plan of a value change dump.
type dump struct {
	heads  []Head
	scale  string // the time unit, as $timescale has it
	lead   uint64 // units before frame 0
	boards []dumpBoard
	wires  []string // references, by wire
}

// dumpBoard places one board in the dump.
type dumpBoard struct {
	clock ratio  // ticks a frame
	tick  uint64 // units a tick
	lead  uint64
	wires []int // of each channel the first wire; the dir wire is the next
}

// start gives the time unit at which a frame starts.
func (b *dumpBoard) start(frame int64) uint64 {
	return b.lead + b.clock.floor(uint64(frame))*b.tick
}

// newDump plans the dump of boards.
func newDump(heads []Head) (*dump, error) {
	d := &dump{heads: heads}
	common := uint64(0)
	for i := range heads {
		h := &heads[i]
		clock, err := boardClock(h.Board, h.Rate, h.Tick)
		if err != nil {
			return nil, err
		}
		femto, err := femtoTick(h)
		if err != nil {
			return nil, err
		}
		common = gcd(common, femto)
		d.boards = append(d.boards, dumpBoard{clock: clock, tick: femto})
	}
	unit := d.setScale(common)
	for i := range d.boards {
		d.boards[i].tick /= unit
		d.boards[i].lead = d.lead
		if err := d.fits(i); err != nil {
			return nil, err
		}
	}
	d.nameWires()
	return d, nil
}

// femtoTick gives a board's tick in femtoseconds.
func femtoTick(h *Head) (uint64, error) {
	tick, err := exactRatio(h.Tick)
	if err != nil {
		return 0, err
	}
	fs, ok := tick.times(ratio{femtoUs, 1})
	if !ok || fs.den != 1 {
		return 0, fmt.Errorf("the tick of board %s, %v us, is no whole number of femtoseconds, the finest unit of a VCD file: give it with at most nine decimals", h.Board, h.Tick)
	}
	return fs.num, nil
}

// setScale sets the time unit to the coarsest that divides common and gives it
// in femtoseconds.
func (d *dump) setScale(common uint64) uint64 {
	unit, digits := uint64(1), 0
	for digits < 17 && common%(10*unit) == 0 {
		unit, digits = 10*unit, digits+1
	}
	names := []string{"fs", "ps", "ns", "us", "ms", "s"}
	d.scale = "1" + strings.Repeat("0", digits%3) + " " + names[digits/3]
	d.lead = max(1, femtoMs/unit)
	return unit
}

// fits is an error where a board's last time stamp does not fit 63 bits.
func (d *dump) fits(i int) error {
	b, h := &d.boards[i], &d.heads[i]
	hi, lo := bits.Mul64(uint64(h.Frames+2), b.clock.num)
	over := hi >= b.clock.den
	if !over {
		ticks, _ := bits.Div64(hi, lo, b.clock.den)
		hi, lo = bits.Mul64(ticks, b.tick)
		over = hi != 0 || lo+d.lead >= 1<<63
	}
	if over {
		return fmt.Errorf("the dump would be too long to count in %s, the unit that divides the tick of board %s (%v us): give the tick with fewer digits", d.scale, h.Board, h.Tick)
	}
	return nil
}

// nameWires gives each channel its wires.
func (d *dump) nameWires() {
	unique := newNames()
	for i := range d.heads {
		for _, c := range d.heads[i].Channels {
			name := identifier(c.Axis)
			if name == "" || name[0] >= '0' && name[0] <= '9' {
				name = strings.TrimRight("axis_"+name, "_")
			}
			d.boards[i].wires = append(d.boards[i].wires, len(d.wires))
			switch c.Unit {
			case Duty:
				d.wires = append(d.wires, unique.unique(name+"_pwm"), unique.unique(name+"_dir"))
			case StepDelta:
				d.wires = append(d.wires, unique.unique(name+"_step"), unique.unique(name+"_dir"))
			default:
				d.wires = append(d.wires, unique.unique(name))
			}
		}
	}
}

// wireCode gives the identifier code of a wire: digits of base 94, the printable
// characters from ! to ~.
func wireCode(wire int) string {
	code := []byte{byte('!' + wire%94)}
	for wire /= 94; wire > 0; wire /= 94 {
		code = append(code, byte('!'+wire%94))
	}
	return string(code)
}

// front gives the lines of the dump above the first frame.
func (d *dump) front() []string {
	lines := []string{fmt.Sprintf("$version limberjack timeline %d $end", version)}
	for i := range d.heads {
		lines = append(append(lines, "$comment"), d.heads[i].lines()...)
		lines = append(lines, fmt.Sprintf("frame 0 is at #%d", d.lead), "$end")
	}
	lines = append(lines, "$timescale "+d.scale+" $end")
	wire := 0
	for i := range d.heads {
		scope := identifier(d.heads[i].Board)
		if scope == "" {
			scope = "board"
		}
		lines = append(lines, "$scope module "+scope+" $end")
		for end := d.lastWire(i); wire < end; wire++ {
			lines = append(lines, "$var wire 1 "+wireCode(wire)+" "+d.wires[wire]+" $end")
		}
		lines = append(lines, "$upscope $end")
	}
	lines = append(lines, "$enddefinitions $end", "#0", "$dumpvars")
	for wire := range d.wires {
		lines = append(lines, "0"+wireCode(wire))
	}
	return append(lines, "$end")
}

// lastWire gives the wire after the last of a board.
func (d *dump) lastWire(board int) int {
	if board+1 < len(d.boards) {
		return d.boards[board+1].wires[0]
	}
	return len(d.wires)
}

// end gives the last time stamp.
func (d *dump) end() uint64 {
	last := uint64(0)
	for i := range d.boards {
		last = max(last, d.boards[i].start(d.heads[i].Frames+1))
	}
	return last
}

// part gives the width of value/full of a frame, to the nearest unit.
func part(value, full, frame uint64) uint64 {
	hi, lo := bits.Mul64(2*value, frame)
	lo, carry := bits.Add64(lo, full, 0)
	q, _ := bits.Div64(hi+carry, lo, 2*full)
	return q
}

// whole is the inverse of part: the value that a width shows.
func whole(width, full, frame uint64) uint64 { return part(width, frame, full) }

// edge is a change of a wire, or only a time stamp where wire is negative.
type edge struct {
	time uint64
	wire int
	high bool
}

// pin makes the edges of one board.
type pin struct {
	board  *dumpBoard
	head   *Head
	reader *Reader
	values []uint16
	frame  int64
	level  []bool // by wire of the board
	first  int    // wire of the board
	edges  []edge
	next   int
	err    error
}

func newPin(b *dumpBoard, h *Head, r *Reader, wires int) *pin {
	return &pin{board: b, head: h, reader: r, values: make([]uint16, len(h.Channels)), first: b.wires[0], level: make([]bool, wires)}
}

// fill makes the edges of the next frame, then of the pulses that come once more
// after the last, then the stamp of their end; after that there are none.
func (p *pin) fill() {
	p.edges, p.next = p.edges[:0], 0
	if p.frame > p.head.Frames+1 {
		return
	}
	if p.frame < p.head.Frames {
		p.reader.Next(p.values)
	}
	start, end := p.board.start(p.frame), p.board.start(p.frame+1)
	p.edges = append(p.edges, edge{time: start, wire: -1})
	for i := range p.head.Channels {
		if p.frame <= p.head.Frames {
			p.channel(i, start, end)
		}
	}
	slices.SortStableFunc(p.edges, func(a, b edge) int { return cmp.Compare(a.time, b.time) })
	p.frame++
}

// channel makes the edges of one channel from start to before end.
func (p *pin) channel(i int, start, end uint64) {
	c, v, wire := &p.head.Channels[i], p.values[i], p.board.wires[i]
	frame := end - start
	n := int64(int16(v))
	size := uint64(max(n, -n))
	switch c.Unit {
	case PulseTicks:
		p.pulse(wire, start, end, uint64(c.Offset)*p.board.tick, uint64(v)*p.board.tick)
	case Duty:
		p.direction(wire+1, start, n)
		p.pulse(wire, start, end, 0, part(size, fullDuty, frame))
	case StepDelta:
		if p.frame < p.head.Frames {
			p.direction(wire+1, start, n)
			p.steps(i, start, frame, size)
		}
	case Level:
		p.pulse(wire, start, end, 0, part(uint64(v), fullLevel, frame))
	case State:
		p.set(wire, start, v == 1)
	}
}

// direction sets a dir wire; nothing changes where nothing moves.
func (p *pin) direction(wire int, at uint64, n int64) {
	if n != 0 {
		p.set(wire, at, n > 0)
	}
}

func (p *pin) set(wire int, at uint64, high bool) {
	if p.level[wire-p.first] != high {
		p.level[wire-p.first] = high
		p.edges = append(p.edges, edge{at, wire, high})
	}
}

// pulse makes one pulse. A fall at the end of the frame is left to the next
// frame, in which the wire may stay high.
func (p *pin) pulse(wire int, start, end, offset, width uint64) {
	if offset > 0 || width == 0 {
		p.set(wire, start, false)
	}
	if width == 0 {
		return
	}
	p.set(wire, start+offset, true)
	if start+offset+width < end {
		p.set(wire, start+offset+width, false)
	}
}

// steps makes n pulses, each in the middle of the n-th part of the frame.
func (p *pin) steps(channel int, start, frame, n uint64) {
	if 2*n > frame {
		p.err = fmt.Errorf("%d microsteps of %s in a frame of %d time units cannot be drawn as edges: give the board of %s a shorter tick", n, p.head.Channels[channel].Axis, frame, p.head.Channels[channel].Axis)
		return
	}
	wire := p.board.wires[channel]
	for i := uint64(0); i < n; i++ {
		p.set(wire, start+ratio{4*i + 1, 4 * n}.floor(frame), true)
		p.set(wire, start+ratio{4*i + 3, 4 * n}.floor(frame), false)
	}
}

func writeVCD(e *encoder, tls []*Timeline) error {
	heads := make([]Head, len(tls))
	for i, t := range tls {
		heads[i] = *t.Head()
	}
	d, err := newDump(heads)
	if err != nil {
		return err
	}
	e.text(strings.Join(d.front(), "\n") + "\n")
	pins := make([]*pin, len(tls))
	for i, t := range tls {
		pins[i] = newPin(&d.boards[i], &d.heads[i], t.Reader(), d.lastWire(i)-d.boards[i].wires[0])
		pins[i].fill()
	}
	if err := writeEdges(e, d, pins); err != nil {
		return err
	}
	e.text(vcdClosing(e.sum()) + "\n")
	return nil
}

func vcdClosing(crc uint32) string { return fmt.Sprintf("$comment crc32 %08x $end", crc) }

// writeEdges merges the boards' edges in order of time.
func writeEdges(e *encoder, d *dump, pins []*pin) error {
	codes := make([]string, len(d.wires))
	for wire := range codes {
		codes[wire] = wireCode(wire) + "\n"
	}
	last := uint64(0)
	for e.room() {
		p := earliest(pins)
		if p == nil {
			break
		}
		x := p.edges[p.next]
		p.next++
		if x.time != last {
			e.buf = append(strconv.AppendUint(append(e.buf, '#'), x.time, 10), '\n')
			last = x.time
		}
		if x.wire >= 0 {
			level := byte('0')
			if x.high {
				level = '1'
			}
			e.buf = append(append(e.buf, level), codes[x.wire]...)
		}
		if p.next == len(p.edges) {
			p.fill()
		}
		if p.err != nil {
			return p.err
		}
	}
	return nil
}

// earliest gives the pin with the earliest edge, or nil.
func earliest(pins []*pin) (first *pin) {
	for _, p := range pins {
		if p.next < len(p.edges) && (first == nil || p.edges[p.next].time < first.edges[first.next].time) {
			first = p
		}
	}
	return first
}
