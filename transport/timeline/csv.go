package timeline

import (
	"strconv"
	"strings"
	"unicode"
)

// The csv form: the head in lines that begin with "# ", a line of column names,
// a row a frame (number, performance time in seconds, the values), and a closing
// line "# end: N frames, crc32 XXXXXXXX". The CRC-32 (IEEE 802.3) is that of all
// the bytes above the closing line. Names are quoted as RFC 4180 says. Where
// channels are released, the head gives the frames and says what 0 means there.

func writeCSV(e *encoder, tls []*Timeline) error {
	t := tls[0]
	e.text(strings.Join(csvFront(t.Head()), "\n") + "\n")
	e.frames(t, func(k int64, values []uint16) {
		e.buf = appendRowStart(e.buf, k, t.Board.Rate.V)
		for i, v := range values {
			e.buf = appendValue(append(e.buf, ','), t.Channels[i].Unit, v)
		}
		e.buf = append(e.buf, '\n')
	})
	e.text("# " + closing(t.Frames, e.sum()) + "\n")
	return nil
}

// appendRowStart appends the number and the time of a frame.
func appendRowStart(buf []byte, frame int64, rate float64) []byte {
	buf = append(strconv.AppendInt(buf, frame, 10), ',')
	return strconv.AppendFloat(buf, float64(frame)/rate, 'f', -1, 64)
}

// csvFront gives the lines above the rows.
func csvFront(h *Head) []string {
	var lines []string
	for _, line := range h.lines() {
		lines = append(lines, "# "+line)
	}
	names := []string{"frame", "time_s"}
	for _, c := range h.Channels {
		names = append(names, csvField(c.Axis+" ("+c.Unit.String()+")"))
	}
	return append(lines, strings.Join(names, ","))
}

func csvField(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, s)
	if !strings.ContainsAny(s, "\",") && s == strings.TrimSpace(s) {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}

func readCSV(l *lineReader, s *sink) error {
	lines, err := l.front(func(line string) bool { return !strings.HasPrefix(line, "# ") })
	if err != nil {
		return err
	}
	var head []string
	for _, line := range lines[:len(lines)-1] {
		head = append(head, strings.TrimPrefix(line, "# "))
	}
	h, bad, err := parseHead(head)
	if err != nil {
		return l.faultAt(bad+1, "%v", err)
	}
	if err := l.same(lines, csvFront(h)); err != nil {
		return err
	}
	if err := s.found([]Head{*h}); err != nil {
		return err
	}
	return readCSVRows(l, s, h)
}

func readCSVRows(l *lineReader, s *sink, h *Head) error {
	r := newRows(l, h)
	var start []byte
	for k := int64(0); k < h.Frames; k++ {
		text, err := l.next()
		if err != nil {
			return err
		}
		start = append(appendRowStart(start[:0], k, h.Rate), ',')
		if len(text) < len(start) || string(text[:len(start)]) != string(start) {
			return l.fault("frame %d belongs here and begins %s; the line is %s", k, start, short(text))
		}
		if err := r.parse(text[len(start):], ","); err != nil {
			return err
		}
		if err := s.frame(l, h, k, r.values); err != nil {
			return err
		}
	}
	text, err := l.next()
	if err != nil {
		return err
	}
	return l.close(text, func(crc uint32) string { return "# " + closing(h.Frames, crc) })
}
