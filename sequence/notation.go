package sequence

import (
	"math"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"
)

// Resolution of what changes write: of times that are not in frames, in s, and of
// values, in their unit.
const (
	timeGrain  = 1e-6
	valueGrain = 1e-6
)

// shortest gives the decimal of x with the fewest places that a reader accepts.
func shortest(x float64, accepts func(text string) bool) string {
	for places := 0; places <= 12; places++ {
		if text := decimal(x, places); accepts(text) {
			return text
		}
	}
	return decimal(x, -1)
}

// decimal gives x with so many places, without zeros at the end and without -0.
func decimal(x float64, places int) string {
	s := strconv.FormatFloat(x, 'f', places, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// checkTime refuses times that no motion has.
func checkTime(t float64) *quantityError {
	switch {
	case !(t >= 0):
		return &quantityError{FormatSeconds(t) + " is before the start", "times count from the start of the motion"}
	case t > maxTime:
		return &quantityError{FormatSeconds(t) + " is out of range", "a motion lasts at most 48 h"}
	}
	return nil
}

// timeText writes a time in a notation, and gives the time that it reads back as. old
// is the text that stays where it says so already; like is the notation of an offset
// for a mark that has none yet.
func (p *plan) timeText(n notation, old string, to float64, like notation) (string, float64, *quantityError) {
	if err := checkTime(to); err != nil {
		return "", 0, err
	}
	c := p.clock()
	name := p.nameOf(n.mark)
	if old != "" {
		same := old
		if n.mark != "" {
			same = name + strings.TrimPrefix(strings.TrimSpace(old), n.mark)
		}
		if now, err := c.moment(same); err == nil && math.Abs(now-to) <= timeGrain/2 {
			return same, now, nil
		}
	}
	if n.mark == "" {
		return p.timeFrom(n, "", to, 0)
	}
	base := c.marks[name]
	if n.form == onMark {
		if math.Abs(to-base) <= timeGrain/2 {
			return name, base, nil
		}
		n.form, n.after, n.per, n.blank = like.form, like.after, like.per, "|"
		if like.form == onMark || like.form == inUnit && like.per == 0 {
			n.form, n.after, n.per = inUnit, "s", 1
		}
	}
	before, after, _ := strings.Cut(n.blank, "|")
	if to < base {
		text, now, err := p.timeFrom(n, name+before+"-"+after, to, base)
		if err != nil || now != base {
			return text, now, err
		}
	}
	return p.timeFrom(n, name+before+"+"+after, to, base)
}

// timeFrom writes a time as what stands before its number, and how far it is from a base.
func (p *plan) timeFrom(n notation, prefix string, to, base float64) (string, float64, *quantityError) {
	c := p.clock()
	text := prefix + p.number(n, to, base, func(text string) bool {
		t, err := c.moment(prefix + text)
		return err == nil && math.Abs(t-to) <= timeGrain/2
	})
	now, err := c.moment(text)
	if err == nil {
		err = checkTime(now)
	}
	return text, now, err
}

// number writes how far a time is from a base: whole frames, or the shortest decimal.
func (p *plan) number(n notation, to, base float64, accepts func(string) bool) string {
	fps, tempo := p.m.Script.FPS, p.m.Script.Tempo
	by := math.Abs(to - base)
	switch n.form {
	case inFrames:
		return decimal(math.Round(by*fps.Rate()), 0) + n.after
	case inTimecode, inDropFrame:
		return fps.label(int64(math.Round(by*fps.Rate())), n.form == inDropFrame)
	case inBeats:
		by = math.Abs(tempo.beat(to) - tempo.beat(base))
	default:
		by /= n.per
	}
	return shortest(by, func(text string) bool { return accepts(text + n.after) }) + n.after
}

// grain gives how far a time may lie from what was asked for, in s.
func (p *plan) grain(n notation) float64 {
	if n.form == inFrames || n.form == inTimecode || n.form == inDropFrame {
		return p.m.Script.FPS.Seconds(0.5) + timeGrain
	}
	return timeGrain
}

// clock reads times as they will be.
func (p *plan) clock() *clock { return p.draft.clock(p.now) }

// readValue reads a value as the reader of motions does.
func readValue(text string, t Target) (float64, bool) {
	d := &decoder{report: newReport()}
	v := d.targetValue(&yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: text, Line: 1, Column: 1}, "", t)
	return v.V, v.Given()
}

// valueText writes a value in the notation of another text of the same target.
func valueText(old string, t Target, v float64) (string, *quantityError) {
	if now, ok := readValue(old, t); ok && math.Abs(now-v) <= valueGrain/2 {
		return old, nil
	}
	if math.IsNaN(v) || math.Abs(v) > maxAngle {
		return "", &quantityError{formatNumber(v) + " is out of range", "choose a value within the travel"}
	}
	if t.Axis != nil && t.Axis.Kind == Switch {
		return switchText(old, t, v)
	}
	_, unit, err := parseNumber(old)
	if err != nil {
		unit = t.Unit()
	}
	number, _ := splitNumber(trimBlank(old))
	after := unit
	if err == nil {
		after = trimBlank(old)[len(number):]
	}
	x := v
	if unit != "" {
		zero, _ := readValue("0"+after, t)
		one, _ := readValue("1"+after, t)
		if one == zero {
			return "", &quantityError{"a value in " + unit + " cannot be written here", "write it in " + t.Unit()}
		}
		x = (v - zero) / (one - zero)
	}
	return shortest(x, func(text string) bool {
		got, ok := readValue(text+after, t)
		return ok && math.Abs(got-v) <= valueGrain/2
	}) + after, nil
}

var switchWords = [][2]string{{"off", "on"}, {"false", "true"}, {"0", "1"}}

func switchText(old string, t Target, v float64) (string, *quantityError) {
	if v != 0 && v != 1 {
		return "", &quantityError{formatNumber(v) + " is no value of " + t.Name() + ", which is a switch", "choose 0 (off) or 1 (on)"}
	}
	words := switchWords[0]
	for _, w := range switchWords {
		if strings.EqualFold(old, w[0]) || strings.EqualFold(old, w[1]) {
			words = w
		}
	}
	return words[int(v)], nil
}

// freshValue writes a value of a target of which nothing is written yet; bare: without
// a unit.
func freshValue(t Target, v float64, bare bool) (string, *quantityError) {
	switch {
	case t.Axis != nil && t.Axis.Kind == Switch:
		return valueText("off", t, v)
	case bare:
		return valueText("0", t, v)
	}
	return valueText("0"+t.Unit(), t, v)
}

// isBare reports whether a value is written without a unit.
func isBare(text string) bool {
	_, unit, err := parseNumber(text)
	return err == nil && unit == ""
}
