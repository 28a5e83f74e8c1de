package sequence

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"gopkg.in/yaml.v3"
)

// Measurement is a figure that was taken from a rig, with how well it is known.
type Measurement struct {
	V        float64 // of a speed in unit/s, of a delay in s
	Expanded float64 // expanded uncertainty in the same; 0 where it is not known
	Factor   float64 // coverage factor of that (GUM 6.2.1, JCGM 100:2008); 0 is 2
}

// coverage gives the coverage factor as it is written beside the uncertainty (GUM 7.2.3).
func (m *Measurement) coverage() string {
	if m.Factor == 0 {
		return "k=2"
	}
	return "k=" + roundedTo(m.Factor, 0.01)
}

// SetMeasured gives the text of a rig file in which an axis has a measured speed and
// delay; nil leaves what is there. axis is as it was read from the text. Figures are
// written to the second digit of their uncertainty. Where a figure's line holds nothing
// else and no comment of the user's, the uncertainty follows as one, with how it was
// measured, such as "240 fps". Every other line stays as it is; the result has been read
// back. The error says what hinders it.
func SetMeasured(text []byte, axis *Axis, speed, delay *Measurement, how string) ([]byte, error) {
	if err := axis.fitsMeasured(speed, delay); err != nil {
		return nil, err
	}
	var entries []measuredEntry
	if speed != nil {
		entries = append(entries, measuredEntry{"speed", axis.Unit + "/s", 1, *speed})
	}
	if delay != nil {
		entries = append(entries, measuredEntry{"delay", "ms", 1000, *delay})
	}
	byHand := "write measured: " + inBraces(entries) + " by hand"
	e, err := newAxisEdit(text, axis, byHand)
	if err != nil || len(entries) == 0 {
		return text, err
	}
	paths := [][]string{{"axes", axis.Name, "measured", "speed"}, {"axes", axis.Name, "measured", "delay"}}
	now := child(e.spec, "measured")
	switch {
	case now == nil:
		paths = [][]string{{"axes", axis.Name, "measured"}}
		comment := ""
		if e.spec.Style&yaml.FlowStyle == 0 {
			comment = asComment(entries, how)
		}
		e.insert(e.spec, "measured: "+inBraces(entries), comment)
	case now.Kind != yaml.MappingNode || now.Anchor != "" || len(now.Content) == 0:
		return nil, e.unable
	case now.Style&yaml.FlowStyle != 0:
		for _, entry := range entries {
			e.set(now, entry, "")
		}
		if e.spec.Style&yaml.FlowStyle == 0 {
			e.remark(keyOf(e.spec, "measured"), lastLine(now), asComment(entries, how))
		}
	default:
		for _, entry := range entries {
			e.set(now, entry, asComment([]measuredEntry{entry}, how))
		}
	}
	out, after, err := e.done(paths)
	if err != nil {
		return nil, err
	}
	for _, entry := range entries {
		if set := child(child(child(child(after, "axes"), axis.Name), "measured"), entry.key); set == nil || !entry.is(set.Value) {
			return nil, e.unable
		}
	}
	return out, nil
}

// fitsMeasured says which figure cannot stand in a rig.
func (a *Axis) fitsMeasured(speed, delay *Measurement) error {
	if speed != nil && !(speed.V > 0 && speed.V <= speedWant.hi) {
		return fmt.Errorf("a speed of %v %s/s cannot be what %s does; measure it again", speed.V, a.Unit, a.Name)
	}
	if delay != nil && !(delay.V >= 0 && delay.V <= 10) {
		return fmt.Errorf("a delay of %v s cannot be what %s has; up to 10 s can be written", delay.V, a.Name)
	}
	for _, m := range []*Measurement{speed, delay} {
		if m != nil && !(m.Expanded >= 0 && m.Expanded <= 1e9) {
			return fmt.Errorf("an uncertainty of %v cannot be; give 0 where it is not known", m.Expanded)
		}
		if m != nil && m.Factor != 0 && !(m.Factor >= 1 && m.Factor <= 100) {
			return fmt.Errorf("a coverage factor of %v cannot be; give 2, or 0 for it", m.Factor)
		}
	}
	return nil
}

// measuredEntry is an entry of measured, in a unit of which there are per to that of the
// figure.
type measuredEntry struct {
	key, unit string
	per       float64
	Measurement
}

// place gives what to round to: the second digit of the uncertainty (GUM 7.2.6, JCGM
// 100:2008), so long as a digit of the figure is left; its fourth where none is known.
func (m measuredEntry) place() float64 {
	if m.Expanded == 0 {
		return digit(m.V*m.per, 4)
	}
	return math.Min(digit(m.Expanded*m.per, 2), digit(m.V*m.per, 1))
}

// digit gives the place of a digit of a number, from the first that is not zero.
func digit(v float64, n int) float64 {
	if !(v > 1e-6) {
		return 1e-6
	}
	return math.Max(1e-6, math.Pow(10, math.Floor(math.Log10(v))+1-float64(n)))
}

func roundedTo(v, place float64) string {
	if place < 1 { // a tenth is no binary number, but ten is
		per := math.Round(1 / place)
		return formatNumber(math.Round(v*per)/per + 0)
	}
	return formatNumber(float64(math.Round(v/place)*place) + 0)
}

func (m measuredEntry) number() string { return roundedTo(m.V*m.per, m.place()) }

// is reports whether a written number is the figure, to its rounding.
func (m measuredEntry) is(text string) bool {
	v, unit, err := parseNumber(text)
	return err == nil && unit == m.unit && formatNumber(v) == m.number()
}

// inBraces writes entries as a mapping on one line.
func inBraces(entries []measuredEntry) string {
	parts := make([]string, len(entries))
	for i, m := range entries {
		parts[i] = m.key + ": " + m.number() + m.unit
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// uncertaintyMark begins the comments that SetMeasured writes, and replaces.
const uncertaintyMark = "# ±"

// asComment tells the uncertainties of entries; empty where none is known.
func asComment(entries []measuredEntry, how string) string {
	var parts []string
	factor := ""
	for _, m := range entries {
		u := m.Expanded * m.per
		if !(u > 0) {
			continue
		}
		if n := len(parts); n > 0 && factor != m.coverage() { // each with its own
			parts[n-1] += " (" + factor + ")"
		}
		place := digit(u, 2)
		parts = append(parts, "±"+roundedTo(math.Ceil(u/place-1e-9)*place, place)+" "+m.unit)
		factor = m.coverage()
	}
	if len(parts) == 0 {
		return ""
	}
	comment := "# " + strings.Join(parts, ", ") + " (" + factor + ")"
	if how = oneLine(how); how != "" {
		comment += ", " + how
	}
	return comment
}

// oneLine gives what may stand in a comment.
func oneLine(text string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == '\u2028' || r == '\u2029' || r == '\ufeff' || r == '\ufffd' {
			return ' '
		}
		return r
	}, text))
}

// axisEdit changes entries of one axis in a rig's text.
type axisEdit struct {
	w       written
	before  *yaml.Node // the document
	spec    *yaml.Node // the axis in it
	unable  error
	failed  bool
	patches []patch
}

// newAxisEdit finds an axis in a text. byHand tells what to do where it cannot be
// changed.
func newAxisEdit(text []byte, axis *Axis, byHand string) (*axisEdit, error) {
	before, err := rootOf(text)
	if errors.Is(err, errFlow) {
		return nil, errors.New("the rig is written in braces on few lines; " + byHand)
	}
	if err != nil {
		return nil, err
	}
	e := &axisEdit{w: newWritten(text), before: before}
	e.unable = fmt.Errorf("axis %s cannot be changed without a change to other lines; %s", axis.Name, byHand)
	e.spec = child(child(before, "axes"), axis.Name)
	if e.spec == nil || e.spec.Kind != yaml.MappingNode || len(e.spec.Content) == 0 || e.spec.Anchor != "" || child(before, "axes").Anchor != "" {
		return nil, e.unable // what has an anchor speaks for other axes, too
	}
	return e, nil
}

// replace puts a text in the place of a scalar.
func (e *axisEdit) replace(n *yaml.Node, text string) {
	if n.Kind != yaml.ScalarNode || n.Anchor != "" {
		e.failed = true
		return
	}
	p, ok := e.w.replace(n, text)
	e.failed = e.failed || !ok
	e.patches = append(e.patches, p)
}

// insert puts an entry into a mapping: before its last key above which there is no
// comment, which is near where a new line is looked for and parts no comment from its
// line.
func (e *axisEdit) insert(m *yaml.Node, entry, comment string) {
	at := m.Content[0]
	for i := len(m.Content) - 2; i > 0; i -= 2 {
		if !e.commented(m.Content[i]) {
			at = m.Content[i]
			break
		}
	}
	from := e.w.offset(at)
	if from < 0 {
		e.failed = true
		return
	}
	if comment != "" {
		entry += " " + comment
	}
	e.patches = append(e.patches, patch{from, from, e.w.before(at, entry, m.Style&yaml.FlowStyle != 0)})
}

// commented reports whether the line above a key's is a comment.
func (e *axisEdit) commented(key *yaml.Node) bool {
	if key.Line < 2 {
		return false
	}
	above := e.w.text[e.w.lines[key.Line-2]:e.w.lines[key.Line-1]]
	return strings.HasPrefix(strings.TrimSpace(above), "#")
}

// set writes an entry of measured, in the place of what is there.
func (e *axisEdit) set(m *yaml.Node, entry measuredEntry, comment string) {
	now := child(m, entry.key)
	if now == nil {
		e.insert(m, entry.key+": "+entry.number()+entry.unit, comment)
		return
	}
	if !entry.is(now.Value) {
		e.replace(now, entry.number()+entry.unit)
	}
	if comment != "" {
		e.remark(keyOf(m, entry.key), now.Line, comment)
	}
}

// remark puts a comment at the end of the line of a key, whose value ends on a line. A
// comment of the user's there stays.
func (e *axisEdit) remark(key *yaml.Node, last int, comment string) {
	start := e.w.offset(key)
	if comment == "" || start < 0 || key.Line != last {
		return
	}
	line := e.w.text[e.w.lines[key.Line-1]:]
	if i := strings.IndexByte(line, '\n'); i >= 0 {
		line = line[:i]
	}
	line = strings.TrimRight(line, " \t\r")
	from := e.w.lines[key.Line-1]
	to := from + len(line)
	switch i := strings.Index(line, " "+uncertaintyMark); {
	case i >= 0:
		e.patches = append(e.patches, patch{from + i + 1, to, comment})
	case !strings.Contains(line, "#"):
		e.patches = append(e.patches, patch{to, to, " " + comment})
	}
}

// done makes the changes and reads them back: but for the entries at the paths, the
// document says what it said.
func (e *axisEdit) done(paths [][]string) (out []byte, after *yaml.Node, err error) {
	if e.failed {
		return nil, nil, e.unable
	}
	out = e.w.apply(e.patches)
	if after, err = rootOf(out); err != nil {
		return nil, nil, e.unable
	}
	x, y := e.before, after
	for _, p := range paths {
		x, y = without(x, p), without(y, p)
	}
	if !sameNode(x, y) {
		return nil, nil, e.unable
	}
	return out, after, nil
}

// keyOf gives the key of an entry of a mapping.
func keyOf(m *yaml.Node, key string) *yaml.Node {
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Value == key {
			return m.Content[i]
		}
	}
	return nil
}

// lastLine gives the last line on which something in a node begins.
func lastLine(n *yaml.Node) int {
	line := n.Line
	for _, c := range n.Content {
		line = max(line, lastLine(c))
	}
	return line
}
