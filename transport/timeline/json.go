package timeline

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// The json form: one object, laid out so that it can be read line by line: a
// line a member, a channel and a frame. Its last member is the CRC-32 (IEEE
// 802.3) of all the bytes above that member's line. A channel that is let go has a
// member released, pairs of its first and last frames without a pulse (ticks of 0)
// or with its motor off (duty of 0).

// jsonHead is the object without its frames, in the order of the file.
type jsonHead struct {
	Format   string        `json:"format"`
	Version  int           `json:"version"`
	Motion   string        `json:"motion"`
	Board    string        `json:"board"`
	Rig      string        `json:"rig"`
	Rate     float64       `json:"rate_hz"`
	Tick     float64       `json:"tick_us"`
	Count    int64         `json:"frame_count"`
	Loop     bool          `json:"loop"`
	Channels []jsonChannel `json:"channels"`
}

type jsonChannel struct {
	Axis   string  `json:"axis"`
	Number int     `json:"channel"`
	Unit   string  `json:"unit"`
	Offset *uint16 `json:"offset,omitempty"` // of ticks
	Start  *int64  `json:"start,omitempty"`  // of steps
	Wrap   *int16  `json:"wrap,omitempty"`   // of steps in a loop
	Low    *int64  `json:"low,omitempty"`    // not of a stepper without end stops
	High   *int64  `json:"high,omitempty"`
	Rest   int64   `json:"rest"`

	Released [][2]int64 `json:"released,omitempty"` // first and last frames of 0: no pulse, or a motor that is off
}

const (
	jsonFormat = "limberjack timeline"
	jsonFrames = `"frames": [`
)

func writeJSON(e *encoder, tls []*Timeline) error {
	t := tls[0]
	front, err := jsonFront(t.Head())
	if err != nil {
		return err
	}
	e.text(strings.Join(front, "\n") + "\n")
	e.frames(t, func(k int64, values []uint16) {
		e.buf = append(e.buf, '[')
		for i, v := range values {
			if i > 0 {
				e.buf = append(e.buf, ',')
			}
			e.buf = appendValue(e.buf, t.Channels[i].Unit, v)
		}
		e.buf = append(e.buf, jsonRowEnd(k, t.Frames)...)
		e.buf = append(e.buf, '\n')
	})
	e.text("],\n")
	e.text(jsonClosing(e.sum()) + "\n}\n")
	return nil
}

func jsonRowEnd(frame, frames int64) string {
	if frame == frames-1 {
		return "]"
	}
	return "],"
}

func jsonClosing(crc uint32) string { return fmt.Sprintf(`"crc32": "%08x"`, crc) }

// jsonFront gives the lines above the frames.
func jsonFront(h *Head) ([]string, error) {
	channels := make([]string, len(h.Channels))
	for i := range h.Channels {
		text, err := marshal(h.Channels[i].json(h.Loop))
		if err != nil {
			return nil, err
		}
		channels[i] = text
		if i < len(channels)-1 {
			channels[i] += ","
		}
	}
	motion, err := marshal(h.Motion)
	if err != nil {
		return nil, err
	}
	board, err := marshal(h.Board)
	if err != nil {
		return nil, err
	}
	lines := []string{
		"{",
		`"format": "` + jsonFormat + `",`,
		`"version": ` + strconv.Itoa(version) + `,`,
		`"motion": ` + motion + `,`,
		`"board": ` + board + `,`,
		`"rig": "` + h.Fingerprint + `",`,
		`"rate_hz": ` + number(h.Rate) + `,`,
		`"tick_us": ` + number(h.Tick) + `,`,
		`"frame_count": ` + strconv.FormatInt(h.Frames, 10) + `,`,
		`"loop": ` + strconv.FormatBool(h.Loop) + `,`,
		`"channels": [`,
	}
	return append(append(lines, channels...), "],", jsonFrames), nil
}

// marshal is json.Marshal without the escapes that only web pages need.
func marshal(v any) (string, error) {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return strings.TrimSuffix(buf.String(), "\n"), err
}

func (c *HeadChannel) json(loop bool) jsonChannel {
	j := jsonChannel{Axis: c.Axis, Number: c.Number, Unit: c.Unit.String(), Rest: c.Rest}
	if !c.endless() {
		j.Low, j.High = &c.Low, &c.High
	}
	for _, r := range c.Released {
		j.Released = append(j.Released, [2]int64{r.First, r.Last})
	}
	switch c.Unit {
	case PulseTicks:
		j.Offset = &c.Offset
	case StepDelta:
		j.Start = &c.Start
		if loop {
			j.Wrap = &c.Wrap
		}
	}
	return j
}

func readJSON(l *lineReader, s *sink) error {
	lines, err := l.front(func(line string) bool { return line == jsonFrames })
	if err != nil {
		return err
	}
	h, bad, err := parseJSONHead(lines)
	if err != nil {
		return l.faultAt(bad+1, "%v", err)
	}
	again, err := jsonFront(h)
	if err != nil {
		return err
	}
	if err := l.same(lines, again); err != nil {
		return err
	}
	if err := s.found([]Head{*h}); err != nil {
		return err
	}
	if err := readJSONRows(l, s, h); err != nil {
		return err
	}
	text, err := l.next()
	if err != nil {
		return err
	}
	if want := jsonClosing(l.crc); string(text) != want {
		return l.fault("the file was changed or is not whole: by what is above, this line is «%s», and it is %s; write the file again", want, short(text))
	}
	text, err = l.next()
	if err != nil {
		return err
	}
	return l.close(text, func(uint32) string { return "}" })
}

// parseJSONHead reads the lines above the frames. bad is the index of the line
// with the fault, as far as that is known.
func parseJSONHead(lines []string) (h *Head, bad int, err error) {
	text := strings.Join(lines, "\n")
	text = strings.TrimSuffix(text, ",\n"+jsonFrames) + "}"
	dec := json.NewDecoder(strings.NewReader(text))
	dec.DisallowUnknownFields()
	var j jsonHead
	if err := dec.Decode(&j); err != nil {
		return nil, strings.Count(text[:faultOffset(err, dec)], "\n"), err
	}
	if j.Format != jsonFormat || j.Version != version {
		return nil, 1, fmt.Errorf("this is not a %s of version %d", jsonFormat, version)
	}
	h = &Head{Motion: j.Motion, Board: j.Board, Fingerprint: j.Rig, Rate: j.Rate, Tick: j.Tick, Frames: j.Count, Loop: j.Loop}
	for _, c := range j.Channels {
		u, err := parseUnit(c.Unit)
		if err != nil {
			return nil, 0, err
		}
		hc := HeadChannel{Axis: c.Axis, Number: c.Number, Unit: u, Rest: c.Rest}
		hc.Offset, hc.Start, hc.Wrap = value(c.Offset), value(c.Start), value(c.Wrap)
		hc.setEndless()
		if c.Low != nil && c.High != nil {
			hc.Low, hc.High = *c.Low, *c.High
		}
		for _, r := range c.Released {
			hc.Released = append(hc.Released, Release{r[0], r[1]})
		}
		h.Channels = append(h.Channels, hc)
	}
	return h, 0, h.sane()
}

// faultOffset gives the byte at which JSON could not be read.
func faultOffset(err error, dec *json.Decoder) int64 {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		return max(0, syntax.Offset-1)
	case errors.As(err, &kind):
		return max(0, kind.Offset-1)
	}
	return dec.InputOffset()
}

// value gives what p points to, or zero.
func value[T any](p *T) (v T) {
	if p != nil {
		v = *p
	}
	return v
}

func readJSONRows(l *lineReader, s *sink, h *Head) error {
	r := newRows(l, h)
	for k := int64(0); k < h.Frames; k++ {
		text, err := l.next()
		if err != nil {
			return err
		}
		inner, ok := bytes.CutPrefix(text, []byte("["))
		if ok {
			inner, ok = bytes.CutSuffix(inner, []byte(jsonRowEnd(k, h.Frames)))
		}
		if !ok {
			return l.fault("frame %d of %d belongs here, and the line is %s", k, h.Frames, short(text))
		}
		if err := r.parse(inner, ","); err != nil {
			return err
		}
		if err := s.frame(l, h, k, r.values); err != nil {
			return err
		}
	}
	return l.expect("],")
}
