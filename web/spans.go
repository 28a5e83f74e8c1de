package web

import "bytes"

// mostSpans bounds what an answer to a change carries of curves, in bytes: beyond, the page
// asks for all of them, in one piece and not as text.
const mostSpans = 256 << 10

// curveSpan is where a curve differs from that of the version before: its samples from one
// on, as 32-bit floats, little endian.
type curveSpan struct {
	Curve  int    `json:"curve"`
	From   int    `json:"from"`
	Values []byte `json:"values"`
}

// spansOf gives where the curves of two versions differ, one span for each that does; nil
// where they are sampled otherwise, or too much differs.
func spansOf(was, now []byte, l layout) []curveSpan {
	if len(was) != len(now) || len(now) != curveHead+4*l.samples*l.count || !bytes.Equal(was[:curveHead], now[:curveHead]) {
		return nil
	}
	spans := []curveSpan{}
	for c, room := 0, mostSpans; c < l.count; c++ {
		from := curveHead + 4*l.samples*c
		a, b := was[from:from+4*l.samples], now[from:from+4*l.samples]
		if bytes.Equal(a, b) {
			continue
		}
		s := spliceOf(a, b)
		first, end := s.offset/4, (s.offset+len(s.put)+3)/4
		if room -= 4 * (end - first); room < 0 {
			return nil
		}
		spans = append(spans, curveSpan{c, first, b[4*first : 4*end]})
	}
	return spans
}

// kept gives the curves of a take where they are there.
func (t *take) kept() []byte {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.curves
}
