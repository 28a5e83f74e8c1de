package timeline

import (
	"bytes"
	"fmt"
	"strings"
)

// The header form: C99 for a controller that keeps the motion in flash. The head
// stands in the first comment; the frames are one table of int16_t where all
// channels are signed and of uint16_t otherwise, signed channels then as two's
// complement. The closing line is a comment with the CRC-32 (IEEE 802.3) of all
// the bytes above it. LIMBERJACK_FLASH may be defined before the file is
// included, as what puts a table into flash (PROGMEM of avr-libc, say). Where
// channels are released, the head says so, and a 0 in a column of ticks is no pulse.

// maxIdent bounds each half of a prefix: C99 tells macros apart by 63 characters.
const maxIdent = 20

func writeHeader(e *encoder, tls []*Timeline) error {
	t := tls[0]
	h := t.Head()
	e.text(strings.Join(headerFront(h), "\n") + "\n")
	cell := tableUnit(h)
	e.frames(t, func(_ int64, values []uint16) {
		e.buf = append(e.buf, "    {"...)
		for i, v := range values {
			if i > 0 {
				e.buf = append(e.buf, ", "...)
			}
			e.buf = appendValue(e.buf, cell, v)
		}
		e.buf = append(e.buf, "},\n"...)
	})
	e.text(strings.Join(headerBack, "\n") + "\n")
	e.text("/* " + closing(t.Frames, e.sum()) + " */\n")
	return nil
}

var headerBack = []string{"};", "", "#endif"}

// tableUnit gives a unit with the sign of the table's type.
func tableUnit(h *Head) Unit {
	for _, c := range h.Channels {
		if !c.Unit.Signed() {
			return Level
		}
	}
	return StepDelta
}

// identifier gives the letters and digits of a name, with _ between its words.
func identifier(name string) string {
	words := strings.FieldsFunc(name, func(r rune) bool {
		return !(r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z')
	})
	return strings.Join(words, "_")
}

// cut shortens an identifier to maxIdent characters, after a word where it can.
func cut(id string) string {
	if len(id) <= maxIdent {
		return id
	}
	if end := strings.LastIndexByte(id[:maxIdent+1], '_'); end > 0 {
		return id[:end]
	}
	return id[:maxIdent]
}

// prefix gives what the names of a header begin with, in small letters.
func (h *Head) prefix() string {
	var halves []string
	for _, name := range []string{h.Motion, h.Board} {
		id := cut(strings.ToLower(identifier(name)))
		if id != "" {
			halves = append(halves, id)
		}
	}
	id := strings.Join(halves, "_")
	if id == "" || id[0] >= '0' && id[0] <= '9' {
		id = "motion_" + id
	}
	return strings.TrimRight(id, "_")
}

// headerFront gives the lines above the rows.
func headerFront(h *Head) []string {
	id := h.prefix()
	guard := "LIMBERJACK_" + strings.ToUpper(id) + "_H"
	lines := []string{"/*"}
	for _, line := range h.lines() {
		lines = append(lines, " * "+line)
	}
	lines = append(lines, " */", "#ifndef "+guard, "#define "+guard, "", "#include <stdint.h>", "",
		"#ifndef LIMBERJACK_FLASH", "#define LIMBERJACK_FLASH", "#endif", "")
	lines = append(lines, headerDefines(h, strings.ToUpper(id))...)
	lines = append(lines, "", "/* one entry a channel, in the order of the table's columns; low, high and rest of", " * a stepper are positions in microsteps, and frame 0 stands for its start */")
	lines = append(lines, headerTables(h, id)...)
	cell := "uint16_t"
	if tableUnit(h).Signed() {
		cell = "int16_t"
	}
	return append(lines, "", "/* one row a frame; columns of duty and steps are signed 16-bit numbers */",
		fmt.Sprintf("static const %s %s_frames[%s_FRAMES][%s_CHANNELS] LIMBERJACK_FLASH = {", cell, id, strings.ToUpper(id), strings.ToUpper(id)))
}

func headerDefines(h *Head, id string) []string {
	clock, _ := boardClock(h.Board, h.Rate, h.Tick)
	loop := 0
	if h.Loop {
		loop = 1
	}
	lines := []string{
		fmt.Sprintf("#define %s_RIG \"%s\"", id, cString(h.Fingerprint)),
		fmt.Sprintf("#define %s_RATE_HZ %s", id, cDouble(h.Rate)),
		fmt.Sprintf("#define %s_TICK_US %s", id, cDouble(h.Tick)),
		fmt.Sprintf("#define %s_FRAME_TICKS %dUL", id, clock.floor(1)),
		fmt.Sprintf("#define %s_FRAMES %dL", id, h.Frames),
		fmt.Sprintf("#define %s_CHANNELS %d", id, len(h.Channels)),
		fmt.Sprintf("#define %s_LOOP %d", id, loop),
		"",
		"/* columns of the table */",
	}
	names := newNames()
	for i, c := range h.Channels {
		lines = append(lines, fmt.Sprintf("#define %s_%s %d", id, names.unique("COLUMN_"+strings.ToUpper(identifier(c.Axis))), i))
	}
	return lines
}

// cDouble writes a number as a constant of type double.
func cDouble(v float64) string {
	s := number(v)
	if !strings.ContainsAny(s, ".e") {
		s += ".0"
	}
	return s
}

// cString escapes a string for a C literal: ASCII only, and no trigraph.
func cString(s string) string {
	var b strings.Builder
	for _, c := range []byte(s) {
		switch {
		case c == '"' || c == '\\' || c == '?':
			b.WriteByte('\\')
			b.WriteByte(c)
		case c < ' ' || c > '~':
			fmt.Fprintf(&b, "\\%03o", c)
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// headerTables gives the arrays with one entry a channel.
func headerTables(h *Head, id string) []string {
	table := func(cell, name string, entry func(c *HeadChannel) string) string {
		entries := make([]string, len(h.Channels))
		for i := range h.Channels {
			entries[i] = entry(&h.Channels[i])
		}
		return fmt.Sprintf("static const %s%s_%s[%s_CHANNELS] = {%s};", cell, id, name, strings.ToUpper(id), strings.Join(entries, ", "))
	}
	text := func(s string) string { return `"` + cString(s) + `"` }
	return []string{
		table("char *const ", "axes", func(c *HeadChannel) string { return text(c.Axis) }),
		table("char *const ", "units", func(c *HeadChannel) string { return text(c.Unit.String()) }),
		table("uint16_t ", "outputs", func(c *HeadChannel) string { return fmt.Sprint(c.Number) }),
		table("uint16_t ", "offsets", func(c *HeadChannel) string { return fmt.Sprint(c.Offset) }),
		table("int32_t ", "low", func(c *HeadChannel) string { return cInt32(c.Low) }),
		table("int32_t ", "high", func(c *HeadChannel) string { return cInt32(c.High) }),
		table("int32_t ", "rest", func(c *HeadChannel) string { return cInt32(c.Rest) }),
		table("int32_t ", "start", func(c *HeadChannel) string { return cInt32(c.Start) }),
		table("int16_t ", "wrap", func(c *HeadChannel) string { return fmt.Sprint(c.Wrap) }),
	}
}

// cInt32 writes a constant of 32 bits; C has no literal for the least of them.
func cInt32(v int64) string {
	if v == -1<<31 {
		return "INT32_MIN"
	}
	return fmt.Sprint(v)
}

// names makes names unique, in the order in which they come.
type names struct{ taken map[string]bool }

func newNames() *names { return &names{map[string]bool{}} }

func (n *names) unique(name string) string {
	if name == "" {
		name = "axis"
	}
	try := name
	for i := 2; n.taken[try]; i++ {
		try = fmt.Sprintf("%s_%d", name, i)
	}
	n.taken[try] = true
	return try
}

func readHeader(l *lineReader, s *sink) error {
	lines, err := l.front(func(line string) bool {
		return strings.HasPrefix(line, "static const ") && strings.HasSuffix(line, "= {")
	})
	if err != nil {
		return err
	}
	var head []string
	for _, line := range lines[1:] {
		text, ok := strings.CutPrefix(line, " * ")
		if !ok {
			break
		}
		head = append(head, text)
	}
	h, bad, err := parseHead(head)
	if err != nil {
		return l.faultAt(bad+2, "%v", err)
	}
	if err := l.same(lines, headerFront(h)); err != nil {
		return err
	}
	if err := s.found([]Head{*h}); err != nil {
		return err
	}
	if err := readHeaderRows(l, s, h); err != nil {
		return err
	}
	for _, want := range headerBack {
		if err := l.expect(want); err != nil {
			return err
		}
	}
	text, err := l.next()
	if err != nil {
		return err
	}
	return l.close(text, func(crc uint32) string { return "/* " + closing(h.Frames, crc) + " */" })
}

func readHeaderRows(l *lineReader, s *sink, h *Head) error {
	r, cell := newRows(l, h), tableUnit(h)
	for i := range r.units {
		r.units[i] = cell
	}
	for k := int64(0); k < h.Frames; k++ {
		text, err := l.next()
		if err != nil {
			return err
		}
		inner, ok := bytes.CutPrefix(text, []byte("    {"))
		if ok {
			inner, ok = bytes.CutSuffix(inner, []byte("},"))
		}
		if !ok {
			return l.fault("frame %d of %d belongs here, and the line is %s", k, h.Frames, short(text))
		}
		if err := r.parse(inner, ", "); err != nil {
			return err
		}
		if err := s.frame(l, h, k, r.values); err != nil {
			return err
		}
	}
	return nil
}
