package sequence

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"limberjack/interp/ease"
)

// FPS is a rate of film frames as the exact fraction Num/Den.
type FPS struct {
	Num, Den int64 // frames, seconds; 0/0 where no rate was given
	Nominal  int64 // frames a second that timecode counts; 0 where the rate is no whole number
}

// Given reports whether a rate was given.
func (f FPS) Given() bool { return f.Num > 0 }

// Rate gives frames a second.
func (f FPS) Rate() float64 { return float64(f.Num) / float64(f.Den) }

// Seconds gives the time of a frame count.
func (f FPS) Seconds(frames float64) float64 { return frames * float64(f.Den) / float64(f.Num) }

// DropFrame reports whether drop-frame timecode is defined at this rate.
func (f FPS) DropFrame() bool { return f.Den == 1001 && (f.Nominal == 30 || f.Nominal == 60) }

// newFPS takes the rate as it is written. 23.976, 29.97 and 59.94 stand for 24,
// 30 and 60 times 1000/1001.
func newFPS(v float64) FPS {
	for _, n := range []int64{24, 30, 60} {
		exact := float64(n) * 1000 / 1001
		if v == exact || v == math.Trunc(exact*1000)/1000 || v == math.Round(exact*1000)/1000 || v == math.Round(exact*100)/100 {
			return FPS{n * 1000, 1001, n}
		}
	}
	if v == math.Trunc(v) {
		return FPS{int64(v), 1, int64(v)}
	}
	return FPS{int64(math.Round(v * 1e6)), 1e6, 0}
}

// Frames gives the frame number of a timecode label. With drop set, the first
// numbers of each minute that is not a multiple of ten (two at 29.97, four at
// 59.94) do not exist and are an error: SMPTE ST 12-1, drop-frame compensation.
func (f FPS) Frames(h, m, s, frame int64, drop bool) (int64, error) {
	n := f.Nominal
	if n == 0 {
		return 0, fmt.Errorf("timecode needs a whole number of frames a second")
	}
	if m > 59 || s > 59 || frame >= n {
		return 0, fmt.Errorf("minutes and seconds go to 59 and frames to %d", n-1)
	}
	count := ((h*60+m)*60+s)*n + frame
	if !drop {
		return count, nil
	}
	if !f.DropFrame() {
		return 0, fmt.Errorf("drop-frame timecode (with a semicolon) is defined at 29.97 and 59.94 only")
	}
	skip := n / 15
	if s == 0 && frame < skip && m%10 != 0 {
		return 0, fmt.Errorf("drop-frame timecode leaves this number out: the minute begins at frame %02d", skip)
	}
	minutes := h*60 + m
	return count - skip*(minutes-minutes/10), nil
}

// Tempo maps beats to seconds. It is a list of constant tempos, the first from
// time 0; empty where none was given.
type Tempo []TempoSpan

// TempoSpan is a constant tempo from a time on.
type TempoSpan struct {
	Time float64 // s
	Beat float64 // the beat at Time
	BPM  float64
}

// Seconds gives the time of a beat.
func (t Tempo) Seconds(beat float64) float64 {
	i := sort.Search(len(t), func(i int) bool { return t[i].Beat > beat })
	span := t[max(0, i-1)]
	return span.Time + (beat-span.Beat)*60/span.BPM
}

// Beat gives the beat at a time.
func (t Tempo) Beat(at float64) float64 {
	i := sort.Search(len(t), func(i int) bool { return t[i].Time > at })
	span := t[max(0, i-1)]
	return span.Beat + float64((at-span.Time)*span.BPM)/60
}

func (t Tempo) append(at, bpm float64) Tempo {
	span := TempoSpan{Time: at, BPM: bpm}
	if n := len(t); n > 0 {
		span.Beat = t[n-1].Beat + float64((at-t[n-1].Time)*t[n-1].BPM)/60
	}
	return append(t, span)
}

// clock turns the time notations of one motion into seconds.
type clock struct {
	fps   FPS
	tempo Tempo
	marks map[string]float64

	// What was given, but wrongly: times that use it are not reported again.
	fpsLost, tempoLost, marksLost bool
	lostMarks                     map[string]bool
}

// duration reads a length of time in seconds, frames or beats, or as a timecode.
func (c *clock) duration(text string) (float64, *quantityError) {
	if strings.Count(text, ":") >= 2 {
		return c.timecode(strings.TrimSpace(text))
	}
	v, unit, err := parseNumber(text)
	if err != nil {
		return 0, err
	}
	switch unit {
	case "f":
		if c.fpsLost {
			return 0, followOn
		}
		if !c.fps.Given() {
			return 0, badNumber(text, "is in frames, but the motion has no fps", "add fps: 24, or write seconds")
		}
		return c.fps.Seconds(v), nil
	case "b":
		if c.tempoLost {
			return 0, followOn
		}
		if len(c.tempo) == 0 {
			return 0, badNumber(text, "is in beats, but there is no tempo to count them by", "add tempo: 96 to the motion (a list of tempos begins at 0s), or write seconds")
		}
		return c.tempo.Seconds(v), nil
	}
	s, err := convert(text, seconds)
	if err != nil {
		if err.hint != "" && unit != "" && !strings.Contains(err.text, "comma") {
			err.hint = "a time takes s, ms, us, min, h, f (frames), b (beats), a timecode or a mark"
		}
		return 0, err
	}
	return s, nil
}

// moment reads a time of any notation but soonest.
func (c *clock) moment(text string) (float64, *quantityError) {
	s := strings.TrimSpace(text)
	if t, ok := c.marks[s]; ok {
		return t, nil
	}
	if strings.Count(s, ":") >= 2 {
		return c.timecode(s)
	}
	if number, _ := splitNumber(s); number != "" {
		return c.duration(s)
	}
	if c.lostMarks[s] {
		return 0, followOn
	}
	return c.offset(s)
}

// offset reads a mark with an offset: bell+6f. The longest name that is a mark
// wins, since names may hold hyphens.
func (c *clock) offset(s string) (float64, *quantityError) {
	for i := len(s) - 1; i > 0; i-- {
		if s[i] != '+' && s[i] != '-' {
			continue
		}
		name := strings.TrimSpace(s[:i])
		if len(name) > maxName {
			continue
		}
		if c.lostMarks[name] {
			return 0, followOn
		}
		base, ok := c.marks[name]
		if !ok {
			continue
		}
		by := strings.TrimSpace(s[i+1:])
		d, err := c.offsetFrom(base, by, s[i] == '-')
		if err == followOn {
			return 0, err
		}
		if err != nil {
			return 0, badNumber(s, "has an offset that cannot be read: "+err.text, err.hint)
		}
		return d, nil
	}
	if strings.HasPrefix(s, "soonest") {
		return 0, badNumber(s, "is for the keys of a track only", "write a time or a mark")
	}
	if c.marksLost {
		return 0, followOn
	}
	name := s
	if i := strings.IndexAny(s, "+"); i > 0 {
		name = strings.TrimSpace(s[:i])
	} else if at := likeOffset.FindStringIndex(s); at != nil {
		name = s[:at[0]]
	}
	names := keysOf(c.marks)
	hint := "write seconds (1.2s), frames (36f), beats (3b), a timecode (00:00:01:12) or a mark"
	if near := Nearest(name, names); near != "" {
		hint = "did you mean the mark " + near + "?"
	} else if Nearest(name, []string{"soonest"}) != "" {
		hint = "did you mean soonest?"
	}
	return 0, badNumber(s, "is neither a time nor the name of a mark", hint)
}

// offsetFrom adds an offset. One in beats counts beats from the base, whatever
// the tempo does in between.
func (c *clock) offsetFrom(base float64, by string, back bool) (float64, *quantityError) {
	v, unit, err := parseNumber(by)
	if err != nil {
		return 0, err
	}
	if back {
		v = -v
	}
	if unit == "b" && len(c.tempo) > 0 && !c.tempoLost {
		return c.tempo.Seconds(c.tempo.beat(base) + v), nil
	}
	d, err := c.duration(by)
	if back {
		d = -d
	}
	return base + d, err
}

func (t Tempo) beat(at float64) float64 {
	i := sort.Search(len(t), func(i int) bool { return t[i].Time > at })
	span := t[max(0, i-1)]
	return span.Beat + (at-span.Time)*span.BPM/60
}

// timecode reads hh:mm:ss:ff, or hh:mm:ss;ff in drop-frame.
func (c *clock) timecode(s string) (float64, *quantityError) {
	drop := strings.Contains(s, ";")
	parts := strings.FieldsFunc(s, func(r rune) bool { return r == ':' || r == ';' })
	var n [4]int64
	ok := len(parts) == 4 && strings.Count(s, ":")+strings.Count(s, ";") == 3 && (!drop || strings.LastIndex(s, ";") > strings.LastIndex(s, ":"))
	for i := 0; ok && i < 4; i++ {
		v, err := strconv.ParseUint(parts[i], 10, 32)
		n[i], ok = int64(v), err == nil && len(parts[i]) <= 3
	}
	if !ok {
		return 0, badNumber(s, "is not a timecode", "write hours:minutes:seconds:frames, as in 00:00:01:12, with a semicolon before the frames for drop-frame")
	}
	if c.fpsLost {
		return 0, followOn
	}
	if !c.fps.Given() {
		return 0, badNumber(s, "is a timecode, but the motion has no fps", "add fps: 24")
	}
	frames, err := c.fps.Frames(n[0], n[1], n[2], n[3], drop)
	if err != nil {
		return 0, badNumber(s, "is not a timecode at this frame rate", err.Error())
	}
	return c.fps.Seconds(float64(frames)), nil
}

// time reads a moment from a node and checks its range.
func (m *motionReader) time(n *yaml.Node, what string) (float64, bool) {
	return m.timeBy(n, what, m.clock.moment)
}

// span reads a length of time from a node and checks its range.
func (m *motionReader) span(n *yaml.Node, what string) (float64, bool) {
	return m.timeBy(n, what, m.clock.duration)
}

func (m *motionReader) timeBy(n *yaml.Node, what string, read func(string) (float64, *quantityError)) (float64, bool) {
	s, ok := m.scalar(n, what, "a time")
	if !ok {
		return 0, false
	}
	n = m.resolve(n)
	t, err := read(s)
	if err == followOn {
		return 0, false
	}
	if err != nil {
		if err.hint == "" {
			err.hint = "write for example 1.2s"
		}
		m.bad(n, err.hint, "%s: %s", what, err.text)
		return 0, false
	}
	if t < 0 {
		m.bad(n, "times count from the start of the motion", "%s is %s, which is before the start", what, timeText(s, t))
		return 0, false
	}
	if !(t <= maxTime) {
		m.bad(n, "a motion lasts at most 48 h", "%s is %s, which is out of range", what, timeText(s, t))
		return 0, false
	}
	return t, true
}

func timeText(written string, t float64) string {
	plainText := FormatSeconds(t)
	if number, unit := splitNumber(written); number != "" && (unit == "s" || unit == "") {
		return written
	}
	return fmt.Sprintf("%s (%s)", written, plainText)
}

// FormatSeconds writes a time as people read it: seconds to the millisecond.
func FormatSeconds(t float64) string {
	return formatNumber(math.Round(t*1000)/1000) + " s"
}

// soonest reads soonest and soonest+0.2s: the wait after arrival.
func (m *motionReader) soonest(text string) (wait float64, ok bool, err *quantityError) {
	s := strings.TrimSpace(text)
	rest, found := strings.CutPrefix(s, "soonest")
	if !found {
		return 0, false, nil
	}
	if rest = strings.TrimSpace(rest); rest == "" {
		return 0, true, nil
	}
	if by, plus := strings.CutPrefix(rest, "+"); plus {
		if strings.TrimSpace(by) == "" {
			return 0, true, badNumber(text, "has no time after the plus", "write soonest, or soonest+0.2s to wait after arrival")
		}
		wait, err = m.clock.duration(by)
		if err == nil && (wait < 0 || wait > maxTime) {
			err = badNumber(text, "waits for a time that is out of range", "write soonest+0.2s")
		}
		return wait, true, err
	}
	if _, isMark := m.clock.marks[s]; isMark {
		return 0, false, nil
	}
	return 0, true, badNumber(text, "is not a time", "write soonest, or soonest+0.2s to wait after arrival")
}

// parseEase reads the text of an ease from a node.
func (d *decoder) parseEase(n *yaml.Node, what string) *ease.Ease {
	s, ok := d.scalar(n, what, "the name of an ease")
	if !ok {
		return nil
	}
	if e, known := d.eases[s]; known {
		return e
	}
	n = d.resolve(n)
	e, err := ease.Parse(s)
	if err == nil {
		d.eases[s] = e
		return e
	}
	hint := ""
	if strings.HasSuffix(easeText(err), "is not known") {
		hint = `write for example in-out, or in quotes "cubic-bezier(0.3, 0, 0.2, 1)"`
	}
	if pe, isParse := err.(*ease.ParseError); isParse && pe.Near != "" {
		hint = "did you mean " + pe.Near + "?"
	}
	d.bad(n, hint, "%s: %s", what, easeText(err))
	return nil
}

func easeText(err error) string {
	if pe, ok := err.(*ease.ParseError); ok {
		return pe.Msg
	}
	return err.Error()
}
