package timeline

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Head is what a file says of one board's timeline apart from its frames.
type Head struct {
	Motion      string
	Board       string
	Fingerprint string  // of the rig
	Rate        float64 // Hz
	Tick        float64 // us
	Frames      int64
	Loop        bool
	Channels    []HeadChannel

	// shown changes values to what the edges of a dump show of them.
	shown func(frame int64, values []uint16)
}

// HeadChannel is a Channel by name.
type HeadChannel struct {
	Axis        string
	Number      int
	Unit        Unit
	Offset      uint16
	Low, High   int64
	Rest, Start int64
	Wrap        int16
	Released    []Release
}

// maxFrames is 48 hours, the longest motion, at 1000 Hz, the highest rate.
const maxFrames = 48*3600*1000 + 1

// Head gives the head that files of the timeline have.
func (t *Timeline) Head() *Head {
	h := &Head{
		Motion: valid(t.Motion), Board: valid(t.Board.Name), Fingerprint: t.Fingerprint,
		Rate: t.Board.Rate.V, Tick: t.Board.Tick.V, Frames: t.Frames, Loop: t.Loop,
	}
	for _, c := range t.Channels {
		h.Channels = append(h.Channels, HeadChannel{
			Axis: valid(c.Axis.Name), Number: c.Number, Unit: c.Unit, Offset: c.Offset,
			Low: c.Low, High: c.High, Rest: c.Rest, Start: c.Start, Wrap: c.Wrap, Released: c.Released,
		})
	}
	return h
}

// valid gives a name as UTF-8, which JSON asks for.
func valid(name string) string { return strings.ToValidUTF8(name, "\uFFFD") }

// sameHead is an error that names the first line in which two heads differ.
func sameHead(file, motion *Head) error {
	a, b := file.lines(), motion.lines()
	for i := range b {
		if i >= len(a) || a[i] != b[i] {
			got := "nothing"
			if i < len(a) {
				got = a[i]
			}
			return fmt.Errorf("the file is of another motion or rig: it says «%s», and the motion gives «%s»", got, b[i])
		}
	}
	if len(a) > len(b) {
		return fmt.Errorf("the file is of another motion or rig: the motion has no «%s»", a[len(b)])
	}
	return nil
}

// lines gives the head as the lines that csv, vcd and header files carry.
func (h *Head) lines() []string {
	list := []string{
		fmt.Sprintf("limberjack timeline %d", version),
		"motion: " + quote(h.Motion),
		"board: " + quote(h.Board),
		"rig: " + h.Fingerprint,
		"rate: " + number(h.Rate) + " Hz",
		"tick: " + number(h.Tick) + " us",
		"frames: " + strconv.FormatInt(h.Frames, 10),
		"loop: " + yesNo(h.Loop),
	}
	for i := range h.Channels {
		list = append(list, h.Channels[i].line(h.Loop))
	}
	if h.releases() {
		list = append(list, releaseKey+": "+releaseNote)
	}
	return list
}

func (c *HeadChannel) line(loop bool) string {
	s := fmt.Sprintf("channel %d: %s %s", c.Number, quote(c.Axis), c.Unit)
	switch {
	case c.Unit == PulseTicks:
		s += fmt.Sprintf(", offset %d", c.Offset)
	case c.Unit == StepDelta && loop:
		s += fmt.Sprintf(", start %d, wrap %d", c.Start, c.Wrap)
	case c.Unit == StepDelta:
		s += fmt.Sprintf(", start %d", c.Start)
	}
	if !c.endless() {
		s += fmt.Sprintf(", low %d, high %d", c.Low, c.High)
	}
	s += fmt.Sprintf(", rest %d", c.Rest)
	if len(c.Released) > 0 {
		s += ", " + releaseKey + c.releaseText()
	}
	return s
}

// endless reports whether a stepper has no end stops; its head then tells no low
// and high.
func (c *HeadChannel) endless() bool {
	return c.Unit == StepDelta && c.Low == math.MinInt32 && c.High == math.MaxInt32
}

// setEndless is the inverse: what low and high are where they are not told.
func (c *HeadChannel) setEndless() {
	if c.Unit == StepDelta {
		c.Low, c.High = math.MinInt32, math.MaxInt32
	}
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// quote writes a string so that it stays on its line and cannot end, or begin, a
// comment of C or a keyword of a value change dump.
func quote(s string) string {
	q := strconv.Quote(s)
	return strings.NewReplacer("$", `\x24`, "*/", `*\x2f`, "/*", `\x2f*`, "??", `?\x3f`).Replace(q)
}

// parseHead reads lines as (*Head).lines gives them. bad is the index of the
// line with the fault.
func parseHead(lines []string) (h *Head, bad int, err error) {
	h = &Head{}
	if len(lines) == 0 || lines[0] != fmt.Sprintf("limberjack timeline %d", version) {
		return nil, 0, fmt.Errorf("this is not a limberjack timeline of version %d", version)
	}
	for i, line := range lines[1:] {
		key, rest, ok := strings.Cut(line, ": ")
		if !ok {
			return nil, i + 1, errors.New("there is no «name: value» here")
		}
		if err := h.set(key, rest); err != nil {
			return nil, i + 1, err
		}
	}
	if bad, err := h.check(lines); err != nil {
		return nil, bad, err
	}
	return h, 0, nil
}

// check proves that a head was written by this program: it writes it again.
func (h *Head) check(lines []string) (bad int, err error) {
	again := h.lines()
	for i, line := range lines {
		if i >= len(again) || again[i] != line {
			return i, errors.New("this line is not as it was written")
		}
	}
	if len(again) > len(lines) {
		return len(lines), errors.New("a line is missing here: " + again[len(lines)])
	}
	return 0, h.sane()
}

// sane bounds what a reader computes from a head.
func (h *Head) sane() error {
	if h.Frames < 1 || h.Frames > maxFrames {
		return fmt.Errorf("%d frames: a timeline has 1 to %d", h.Frames, maxFrames)
	}
	if len(h.Channels) == 0 {
		return errors.New("there is no channel")
	}
	if len(h.Fingerprint) != 16 {
		return errors.New("the rig's fingerprint has 16 digits")
	}
	if err := h.saneReleases(); err != nil {
		return err
	}
	_, err := boardClock(h.Board, h.Rate, h.Tick)
	return err
}

func (h *Head) set(key, value string) (err error) {
	switch key {
	case "motion":
		h.Motion, err = unquote(value)
	case "board":
		h.Board, err = unquote(value)
	case "rig":
		h.Fingerprint = value
	case "rate":
		h.Rate, err = parseNumber(value, " Hz")
	case "tick":
		h.Tick, err = parseNumber(value, " us")
	case "frames":
		h.Frames, err = strconv.ParseInt(value, 10, 64)
	case "loop":
		h.Loop = value == "yes"
	case releaseKey: // a note, which check compares
	default:
		return h.setChannel(key, value)
	}
	if err != nil {
		return fmt.Errorf("%s: the value is not readable", key)
	}
	return nil
}

func unquote(s string) (string, error) { return strconv.Unquote(s) }

func parseNumber(s, unit string) (float64, error) {
	digits, ok := strings.CutSuffix(s, unit)
	if !ok {
		return 0, errors.New("no unit")
	}
	v, err := strconv.ParseFloat(digits, 64)
	if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
		return 0, errors.New("not finite")
	}
	return v, err
}

// setChannel reads a channel's line, which check then holds against a new one.
func (h *Head) setChannel(key, value string) error {
	digits, ok := strings.CutPrefix(key, "channel ")
	c := HeadChannel{}
	var err error
	if c.Number, err = strconv.Atoi(digits); !ok || err != nil {
		return fmt.Errorf("%q is no part of a head", key)
	}
	quoted, err := strconv.QuotedPrefix(value)
	if err != nil {
		return errors.New("there is no axis in quotes here")
	}
	c.Axis, _ = unquote(quoted)
	fields := strings.Split(strings.TrimPrefix(value[len(quoted):], " "), ", ")
	if c.Unit, err = parseUnit(fields[0]); err != nil {
		return err
	}
	c.setEndless()
	for _, f := range fields[1:] {
		if err := c.set(f); err != nil {
			return err
		}
	}
	h.Channels = append(h.Channels, c)
	return nil
}

func parseUnit(name string) (Unit, error) {
	for i, n := range unitNames {
		if n == name {
			return Unit(i), nil
		}
	}
	return 0, fmt.Errorf("%q is no unit: there are %s", name, strings.Join(unitNames, ", "))
}

func (c *HeadChannel) set(field string) error {
	name, digits, _ := strings.Cut(field, " ")
	if name == releaseKey {
		return c.setReleases(digits)
	}
	v, err := strconv.ParseInt(digits, 10, 64)
	if err != nil {
		return fmt.Errorf("%q is not a name and a whole number", field)
	}
	switch name {
	case "offset":
		c.Offset = uint16(v)
	case "low":
		c.Low = v
	case "high":
		c.High = v
	case "rest":
		c.Rest = v
	case "start":
		c.Start = v
	case "wrap":
		c.Wrap = int16(v)
	default:
		return fmt.Errorf("%q is no part of a channel", name)
	}
	return nil
}
