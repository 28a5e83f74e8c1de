package timeline

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"slices"
)

// Form is a file form of timelines.
type Form uint8

// The forms.
const (
	CSV    Form = iota // one board; for spreadsheets
	JSON               // one board; for programs
	VCD                // all boards; edges over time, IEEE 1364-2005 clause 18
	Header             // one board; C99 arrays for flash
)

// version is that of all four forms.
const version = 1

type formInfo struct {
	name, ext string
	write     func(e *encoder, tls []*Timeline) error
	read      func(l *lineReader, s *sink) error
}

func (f Form) info() formInfo {
	switch f {
	case JSON:
		return formInfo{"json", ".json", writeJSON, readJSON}
	case VCD:
		return formInfo{"vcd", ".vcd", writeVCD, readVCD}
	case Header:
		return formInfo{"header", ".h", writeHeader, readHeader}
	}
	return formInfo{"csv", ".csv", writeCSV, readCSV}
}

// Forms gives all forms.
func Forms() []Form { return []Form{CSV, JSON, VCD, Header} }

// ParseForm gives the form of a name as String gives it.
func ParseForm(name string) (Form, bool) {
	for _, f := range Forms() {
		if f.String() == name {
			return f, true
		}
	}
	return CSV, false
}

// String gives the name of the form: csv, json, vcd or header.
func (f Form) String() string { return f.info().name }

// Ext gives the ending of the form's files, with the dot.
func (f Form) Ext() string { return f.info().ext }

// OneBoard reports whether a file of this form holds one board; otherwise it
// holds all boards of a motion.
func (f Form) OneBoard() bool { return f != VCD }

// Write writes timelines of one motion: exactly one where the form holds one
// board. The same timelines give the same bytes, everywhere.
func Write(w io.Writer, form Form, tls ...*Timeline) error {
	if len(tls) == 0 || form.OneBoard() && len(tls) != 1 {
		return fmt.Errorf("a %s file cannot hold %d boards: write one file a board", form, len(tls))
	}
	e := &encoder{w: w}
	if err := form.info().write(e, tls); err != nil {
		return err
	}
	e.flush()
	return e.err
}

// Summary is what Read and Verify found in a file.
type Summary struct {
	Form  Form
	Heads []Head // one a board
	Lines int
	Bytes int64
	CRC   uint32 // CRC-32 of all the bytes above the closing line
}

// Read reads a file of any form and gives its frames to visit, in order, with
// the head of the board that each is of; visit may not keep values. An error of
// visit ends the reading and is returned as it is. What is wrong with the file
// itself is a *FileError. Dumps (VCD) hold duty and level only as finely as
// their time unit divides a frame; the values that come back are those that the
// edges show.
func Read(r io.Reader, visit func(h *Head, frame int64, values []uint16) error) (Summary, error) {
	return read(r, &sink{visit: visit})
}

// Verify reads a file of any form and proves it whole: written by Write of this
// version and not changed since, with every frame in its place, and outputs off in
// released frames and nowhere else. What is wrong is a *FileError.
func Verify(r io.Reader) (Summary, error) {
	return Read(r, func(*Head, int64, []uint16) error { return nil })
}

// Compare reads a file and holds it against the timelines that it should hold,
// value by value, while it computes them anew.
func Compare(r io.Reader, tls ...*Timeline) error {
	c := comparison{timelines: tls}
	_, err := read(r, &sink{heads: c.heads, visit: c.frame})
	return err
}

// FileError is a fault of a file, at a line that counts from 1.
type FileError struct {
	Form Form
	Line int
	Text string
}

// Error gives the line and what is wrong.
func (e *FileError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Text) }

// sink takes what a reader finds.
type sink struct {
	heads   func(hs []Head) error // may be nil
	visit   func(h *Head, frame int64, values []uint16) error
	summary Summary
}

// found takes the heads, which come before all frames.
func (s *sink) found(hs []Head) error {
	s.summary.Heads = hs
	if s.heads == nil {
		return nil
	}
	return s.heads(hs)
}

// frame takes a frame that a reader found at its present line.
func (s *sink) frame(l *lineReader, h *Head, frame int64, values []uint16) error {
	if err := h.effort(frame, values); err != nil {
		return l.fault("%v", err)
	}
	return s.visit(h, frame, values)
}

func read(r io.Reader, s *sink) (Summary, error) {
	l := &lineReader{r: bufio.NewReaderSize(r, 64<<10)}
	start, err := l.r.Peek(2)
	if err != nil && err != io.EOF {
		return s.summary, err
	}
	form, ok := sniff(start)
	if !ok {
		return s.summary, &FileError{Line: 1, Text: "this is not a timeline of a form known here (csv, json, vcd, header)"}
	}
	l.form, s.summary.Form = form, form
	err = form.info().read(l, s)
	s.summary.Lines, s.summary.Bytes, s.summary.CRC = l.line, l.bytes, l.crc
	return s.summary, err
}

// sniff tells the form by the first characters.
func sniff(start []byte) (Form, bool) {
	for i, s := range []string{CSV: "# ", JSON: "{\n", VCD: "$v", Header: "/*"} {
		if bytes.Equal(start, []byte(s)) {
			return Form(i), true
		}
	}
	return CSV, false
}

// comparison holds a file against timelines.
type comparison struct {
	timelines []*Timeline
	readers   []*Reader
	wants     [][]uint16
	names     []string
}

func (c *comparison) heads(hs []Head) error {
	if len(hs) != len(c.timelines) {
		return fmt.Errorf("the file holds %d boards and the motion %d", len(hs), len(c.timelines))
	}
	for i, t := range c.timelines {
		if err := sameHead(&hs[i], t.Head()); err != nil {
			return err
		}
		c.names = append(c.names, hs[i].Board)
		c.readers = append(c.readers, t.Reader())
		c.wants = append(c.wants, make([]uint16, len(t.Channels)))
	}
	return nil
}

func (c *comparison) frame(h *Head, frame int64, values []uint16) error {
	i := slices.Index(c.names, h.Board)
	want := c.wants[i]
	c.readers[i].Next(want)
	if h.shown != nil {
		h.shown(frame, want)
	}
	for k, v := range values {
		if v != want[k] {
			u := h.Channels[k].Unit
			return fmt.Errorf("frame %d of %s: the file has %s %d, the motion gives %d", frame, h.Channels[k].Axis, u, u.Number(v), u.Number(want[k]))
		}
	}
	return nil
}
