package timeline

import (
	"bufio"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"strconv"
)

const (
	flushAt  = 32 << 10
	maxLine  = 1 << 20
	maxFront = 8 << 20 // bytes above the frames
)

// encoder collects text and its CRC-32.
type encoder struct {
	w   io.Writer
	buf []byte
	crc uint32
	err error
}

// room writes the text so far where it is long enough, and reports whether all
// is well.
func (e *encoder) room() bool {
	if len(e.buf) >= flushAt {
		e.flush()
	}
	return e.err == nil
}

func (e *encoder) flush() {
	if e.err == nil && len(e.buf) > 0 {
		e.crc = crc32.Update(e.crc, crc32.IEEETable, e.buf)
		_, e.err = e.w.Write(e.buf)
	}
	e.buf = e.buf[:0]
}

func (e *encoder) text(s string) { e.buf = append(e.buf, s...) }

// sum gives the CRC-32 of all the text so far.
func (e *encoder) sum() uint32 {
	e.flush()
	return e.crc
}

// frames calls each for the frames of a timeline, as long as all is well.
func (e *encoder) frames(t *Timeline, each func(frame int64, values []uint16)) {
	r, values := t.Reader(), make([]uint16, len(t.Channels))
	for k := int64(0); e.room() && r.Next(values); k++ {
		each(k, values)
	}
}

// appendValue appends a value in decimal.
func appendValue(buf []byte, u Unit, v uint16) []byte {
	if u.Signed() {
		return strconv.AppendInt(buf, int64(int16(v)), 10)
	}
	return strconv.AppendUint(buf, uint64(v), 10)
}

// closing is the text of the closing line of csv and header files.
func closing(frames int64, crc uint32) string {
	return fmt.Sprintf("end: %d frames, crc32 %08x", frames, crc)
}

// lineReader gives a file line by line with the CRC-32 of all lines above.
type lineReader struct {
	r     *bufio.Reader
	form  Form
	line  int // of the text that next gave last
	bytes int64
	crc   uint32 // of the lines above it
	buf   []byte
	long  []byte
}

// fault makes a FileError at the current line.
func (l *lineReader) fault(format string, args ...any) error {
	return &FileError{Form: l.form, Line: l.line, Text: fmt.Sprintf(format, args...)}
}

// next gives the next line without its line break. The end of the file is a
// fault.
func (l *lineReader) next() ([]byte, error) {
	l.crc = crc32.Update(l.crc, crc32.IEEETable, l.buf)
	l.line++
	text, err := l.r.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		text, err = l.longLine(text)
	}
	l.buf = text
	l.bytes += int64(len(text))
	switch {
	case err == io.EOF && len(text) == 0:
		return nil, l.fault("the file ends here, before its closing line: it was cut; write it again")
	case err == io.EOF:
		return nil, l.fault("the file ends in the middle of this line: it was cut; write it again")
	case err != nil:
		return nil, err
	}
	return text[:len(text)-1], nil
}

func (l *lineReader) longLine(start []byte) ([]byte, error) {
	l.long = append(l.long[:0], start...)
	for {
		more, err := l.r.ReadSlice('\n')
		l.long = append(l.long, more...)
		if len(l.long) > maxLine {
			return nil, l.fault("the line is longer than %d characters", maxLine)
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return l.long, err
		}
	}
}

// front gives the lines up to and with the one for which last is true.
func (l *lineReader) front(last func(line string) bool) ([]string, error) {
	var lines []string
	for l.bytes < maxFront {
		text, err := l.next()
		if err != nil {
			return nil, err
		}
		lines = append(lines, string(text))
		if last(lines[len(lines)-1]) {
			return lines, nil
		}
	}
	return nil, l.fault("there are no frames in the first %d bytes", maxFront)
}

// same is a fault at the first line where the front of a file is not as this
// program writes it.
func (l *lineReader) same(lines, again []string) error {
	for i, line := range lines {
		if i >= len(again) || again[i] != line {
			return l.faultAt(i+1, "this line is not as it was written; the file was changed, write it again")
		}
	}
	if len(again) > len(lines) {
		return l.faultAt(len(lines), "below this line «%s» is missing", again[len(lines)])
	}
	return nil
}

func (l *lineReader) faultAt(line int, format string, args ...any) error {
	return &FileError{Form: l.form, Line: line, Text: fmt.Sprintf(format, args...)}
}

// expect reads a line that has to be just so.
func (l *lineReader) expect(want string) error {
	text, err := l.next()
	if err != nil {
		return err
	}
	if string(text) != want {
		return l.fault("«%s» belongs here, and the line is %s", want, short(text))
	}
	return nil
}

// close checks the closing line, of which text gives what it says for a CRC-32,
// and that nothing follows.
func (l *lineReader) close(line []byte, text func(crc uint32) string) error {
	if want := text(l.crc); string(line) != want {
		return l.fault("the file was changed or is not whole: by what is above, the closing line is «%s», and it is %s; write the file again", want, short(line))
	}
	if _, err := l.r.ReadByte(); err != io.EOF {
		if err != nil {
			return err
		}
		return l.faultAt(l.line+1, "something follows the closing line")
	}
	return nil
}

// short quotes a line of a file for a message.
func short(text []byte) string {
	if len(text) > 60 {
		return strconv.QuoteToASCII(string(text[:57])) + "..."
	}
	return strconv.QuoteToASCII(string(text))
}

// rows reads values between separators, one row at a time.
type rows struct {
	l      *lineReader
	head   *Head
	units  []Unit // by which the numbers are read
	values []uint16
}

func newRows(l *lineReader, h *Head) *rows {
	r := &rows{l: l, head: h, values: make([]uint16, len(h.Channels))}
	for _, c := range h.Channels {
		r.units = append(r.units, c.Unit)
	}
	return r
}

// parse reads a row's values, which fill the text and have sep between them.
func (r *rows) parse(text []byte, sep string) error {
	for i := range r.values {
		if i > 0 {
			if len(text) < len(sep) || string(text[:len(sep)]) != sep {
				return r.l.fault("%d values are here, and there are %d channels", i, len(r.values))
			}
			text = text[len(sep):]
		}
		v, size := integer(text)
		low, high := r.units[i].span()
		if size == 0 || v < low || v > high {
			return r.l.fault("%s has no whole number of %d to %d here", r.head.Channels[i].Axis, low, high)
		}
		r.values[i], text = uint16(v), text[size:]
	}
	if len(text) > 0 {
		return r.l.fault("there is more than the values of %d channels: %s", len(r.values), short(text))
	}
	return nil
}

// span gives the range of a unit's 16 bits.
func (u Unit) span() (low, high int) {
	switch u {
	case Duty, StepDelta:
		return -maxStep, maxStep
	case State:
		return 0, 1
	}
	return 0, fullLevel
}

// integer reads a decimal number of at most five digits at the start of a text.
func integer(text []byte) (v, size int) {
	sign := 1
	if len(text) > 0 && text[0] == '-' {
		sign, size = -1, 1
	}
	digits := size
	for size < len(text) && size < digits+5 && text[size] >= '0' && text[size] <= '9' {
		v = 10*v + int(text[size]-'0')
		size++
	}
	if size == digits {
		return 0, 0
	}
	return sign * v, size
}
