package board

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"limberjack/transport/wire"
)

// Form is how a Recorder writes edges.
type Form uint8

// The forms of recordings.
const (
	VCD Form = iota // value change dump, IEEE 1364-2005, clause 18
	CSV             // one edge a line: us since power-up, number and name of the output, wire, level
)

// ps in a us.
const psMicro = 1_000_000

// Recorder writes down each edge of each pin of a board, as its outputs would show it:
//
//   - ticks: high from the offset of the channel, for the width of the pulse
//   - duty:  NAME_pwm is high from the start of the slot for |duty|/32767 of the
//     period; NAME_dir is high for forward
//   - steps: NAME_step has a pulse for each microstep, evenly over the least time of
//     the slot; NAME_dir is high for forward
//   - level: high from the start of the slot for level/65535 of the period
//   - state: the state
//
// An output that can play more than one of these has NAME, and NAME_dir where it may
// need it. Edges of ticks are exact; others are on the recording's time unit, which is
// the coarsest power of ten that divides the tick and a microsecond. Slot and Drop are
// for the fields of those names in Config. The first error of writing is given by
// Close; nothing is written after it.
type Recorder struct {
	out   *bufio.Writer
	form  Form
	tick  int64 // ps
	unit  int64 // ps
	pins  []pins
	wires []pin
	ahead []change // edges that have not come, in order of time
	now   int64    // ps, of the last edge that was written
	end   int64    // ps, of the last slot
	err   error
}

// pins are the wires of an output.
type pins struct {
	name     string
	main     int // -1: there is no such output
	dir      int // -1: it has none
	position uint16
}

// pin is one wire.
type pin struct {
	output int
	name   string
	part   string // of the output
	code   string
	high   bool
	whole  bool // a pulse that has begun has to end
}

// change is an edge of a wire.
type change struct {
	time int64 // ps
	wire int
	high bool
}

// NewRecorder begins a recording of a board.
func NewRecorder(w io.Writer, form Form, c *Config) *Recorder {
	r := &Recorder{out: bufio.NewWriter(w), form: form, tick: int64(c.Tick), unit: psMicro, now: -1}
	for r.unit > 1 && r.tick%r.unit != 0 {
		r.unit /= 10
	}
	taken := map[string]bool{}
	for i := range c.Outputs {
		r.output(i, &c.Outputs[i], taken)
	}
	r.front(c.Name)
	return r
}

// output gives an output its wires.
func (r *Recorder) output(i int, o *Output, taken map[string]bool) {
	p := pins{name: o.Name, main: -1, dir: -1}
	if o.Units != 0 {
		name, part, suffix := reference(o.Name, i), "pulse", ""
		switch o.Units {
		case wire.UnitsDuty:
			part, suffix = "pwm", "_pwm"
		case wire.UnitsSteps:
			part, suffix = "step", "_step"
		}
		for taken[name] {
			name += "_"
		}
		taken[name] = true
		p.main = r.wire(i, name+suffix, part)
		if o.Units&(wire.UnitsDuty|wire.UnitsSteps) != 0 {
			p.dir = r.wire(i, name+"_dir", "dir")
		}
	}
	r.pins = append(r.pins, p)
}

func (r *Recorder) wire(output int, name, part string) int {
	r.wires = append(r.wires, pin{output: output, name: name, part: part, code: code(len(r.wires))})
	return len(r.wires) - 1
}

// reference makes a name that can stand in a dump: ASCII letters, digits and
// underscores, not a digit at first.
func reference(name string, output int) string {
	clean := strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' {
			return c
		}
		return '_'
	}, name)
	if clean = strings.Trim(clean, "_"); clean == "" {
		return "out" + strconv.Itoa(output)
	}
	if clean[0] <= '9' {
		return "axis_" + clean
	}
	return clean
}

// code is the identifier of a wire: digits of base 94, the printable characters from !
// to ~.
func code(n int) string {
	b := []byte{byte('!' + n%94)}
	for n /= 94; n > 0; n /= 94 {
		b = append(b, byte('!'+n%94))
	}
	return string(b)
}

// front writes what stands before the first edge.
func (r *Recorder) front(board string) {
	if r.form == CSV {
		r.print("us,output,name,wire,level\n")
		return
	}
	scale, names, n := int64(1), []string{"ps", "ns", "us"}, 0
	for scale*10 <= r.unit {
		scale, n = scale*10, n+1
	}
	r.print("$version limberjack board $end\n$timescale 1%s %s $end\n", strings.Repeat("0", n%3), names[n/3])
	r.print("$scope module %s $end\n", reference(board, 0))
	for i := range r.wires {
		r.print("$var wire 1 %s %s $end\n", r.wires[i].code, r.wires[i].name)
	}
	r.print("$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n")
	for i := range r.wires {
		r.print("0%s\n", r.wires[i].code)
	}
	r.print("$end\n")
	r.now = 0
}

func (r *Recorder) print(format string, args ...any) {
	if r.err == nil {
		_, r.err = fmt.Fprintf(r.out, format, args...)
	}
}

// Slot records a slot.
func (r *Recorder) Slot(s *Slot) {
	start := s.Start * psMicro
	r.flush(start)
	r.ahead = r.ahead[:0] // what a share of the period would have had left
	r.end = start + s.Period*psMicro
	for i := range s.Pins {
		r.plan(s, &s.Pins[i], start)
	}
	slices.SortStableFunc(r.ahead, func(a, b change) int { return cmp.Compare(a.time, b.time) })
}

// plan makes the edges of one output in a slot.
func (r *Recorder) plan(s *Slot, p *Pin, start int64) {
	o := &r.pins[p.Output]
	if o.main < 0 {
		return
	}
	r.wires[o.main].whole = p.Unit == wire.UnitTicks || p.Unit == wire.UnitSteps
	period := s.Period * psMicro
	switch p.Unit {
	case wire.UnitTicks:
		if p.Live && p.Value > 0 {
			rise := start + int64(p.Offset)*r.tick
			r.add(rise, o.main, true)
			r.add(rise+int64(p.Value)*r.tick, o.main, false)
			return
		}
		r.add(start, o.main, false)
	case wire.UnitDuty:
		duty := int64(int16(p.Value))
		if duty != 0 {
			r.add(start, o.dir, duty > 0)
		}
		r.share(o.main, start, period, max(duty, -duty), 32767)
	case wire.UnitLevel:
		r.share(o.main, start, period, int64(p.Value), 65535)
	case wire.UnitState:
		r.add(start, o.main, p.Value != 0)
	case wire.UnitSteps:
		if p.Live && !p.Fresh {
			r.steps(o, start, s.Room*psMicro, int64(int16(p.Value-o.position)))
		}
		o.position = p.Value
	}
}

// share makes a pulse of a part of the period.
func (r *Recorder) share(wire int, start, period, part, full int64) {
	r.add(start, wire, part > 0)
	if part > 0 && part < full {
		units := period / r.unit
		r.add(start+(2*part*units+full)/(2*full)*r.unit, wire, false)
	}
}

// steps makes a pulse in the middle of each n-th part of a stretch of time.
func (r *Recorder) steps(o *pins, start, room, n int64) {
	if n == 0 {
		return
	}
	r.add(start, o.dir, n > 0)
	n = max(n, -n)
	units := room / r.unit
	for i := range n {
		r.add(start+units*(4*i+1)/(4*n)*r.unit, o.main, true)
		r.add(start+units*(4*i+3)/(4*n)*r.unit, o.main, false)
	}
}

func (r *Recorder) add(time int64, wire int, high bool) {
	r.ahead = append(r.ahead, change{time, wire, high})
}

// flush writes the edges up to a time.
func (r *Recorder) flush(until int64) {
	n := 0
	for ; n < len(r.ahead) && r.ahead[n].time <= until; n++ {
		r.write(r.ahead[n])
	}
	r.ahead = r.ahead[:copy(r.ahead, r.ahead[n:])]
}

// write writes one edge, where it is one.
func (r *Recorder) write(c change) {
	w := &r.wires[c.wire]
	if w.high == c.high {
		return
	}
	w.high = c.high
	level := 0
	if c.high {
		level = 1
	}
	if r.form == CSV {
		r.print("%d.%06d,%d,%s,%s,%d\n", c.time/psMicro, c.time%psMicro, w.output, quoted(r.pins[w.output].name), w.part, level)
		return
	}
	r.stamp(c.time)
	r.print("%d%s\n", level, w.code)
}

// stamp writes a time once.
func (r *Recorder) stamp(time int64) {
	if time != r.now {
		r.print("#%d\n", time/r.unit)
	}
	r.now = time
}

// quoted makes a field of RFC 4180.
func quoted(s string) string {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}

// Drop records that all outputs are switched off.
func (r *Recorder) Drop(at int64, cut bool) {
	time := at * psMicro
	r.flush(time)
	r.ahead = slices.DeleteFunc(r.ahead, func(c change) bool {
		w := &r.wires[c.wire]
		keep := !cut && w.high && w.whole && !c.high
		w.whole = w.whole && !keep // its first fall is the last edge
		return !keep
	})
	for i := range r.wires {
		if w := &r.wires[i]; w.high && !r.falls(i) && (cut || w.part != "dir") {
			r.write(change{time, i, false})
		}
	}
}

// falls says whether a wire has an edge ahead.
func (r *Recorder) falls(wire int) bool {
	return slices.ContainsFunc(r.ahead, func(c change) bool { return c.wire == wire })
}

// Close writes what is left and ends the recording at the end of the last slot. It does
// not close the writer.
func (r *Recorder) Close() error {
	for len(r.ahead) > 0 {
		r.flush(r.ahead[len(r.ahead)-1].time)
	}
	if r.form == VCD && r.end > r.now {
		r.stamp(r.end)
	}
	if err := r.out.Flush(); r.err == nil {
		r.err = err
	}
	return r.err
}
