package sequence

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"limberjack/sequence/sound"
)

// levelHop is the time that one measurement of loudness covers: one frame of
// a 50 Hz board, and two periods of a low voice, which would ripple through
// shorter ones.
const levelHop = 0.020

// Defaults of an envelope (common practice for a jaw that follows a voice).
const (
	defaultAttack  = 0.020
	defaultRelease = 0.090
)

func (m *motionReader) readAudio(f *fields) {
	n := f.node("audio")
	if n == nil {
		return
	}
	name, ok := m.scalar(n, f.label("audio"), "a file name")
	if !ok {
		return
	}
	m.script.Audio = &Audio{At: m.at(n), File: m.load.beside(m.file, name), Level: m.load.level(name, m.decoder, n)}
}

func (m *motionReader) readLayers(n *yaml.Node) {
	for i, item := range m.items(n, "layers") {
		f := m.open(item, layerShape, "a layer")
		l := &Layer{At: f.at, Index: i, To: -1}
		if n := f.node("axis"); n != nil {
			name, ok := m.scalar(n, f.label("axis"), "a name")
			t, known := m.targets[name]
			if ok && !known {
				m.unknownTarget(n, name)
			}
			l.Target = t
		}
		if l.Target == (Target{}) || !f.has("add") {
			continue
		}
		if a := l.Target.Axis; a != nil && a.Kind == Switch {
			m.bad(f.node("axis"), "use cues to switch it", "a layer cannot move %s, which is a switch", a.Name)
			continue
		}
		m.layerSpan(f, l)
		if m.layerAdd(f, l) {
			m.script.Layers = append(m.script.Layers, l)
		}
	}
}

func (m *motionReader) layerSpan(f *fields, l *Layer) {
	if n := f.node("from"); n != nil {
		l.From, _ = m.time(n, f.label("from"))
	}
	if n := f.node("to"); n != nil {
		if t, ok := m.time(n, f.label("to")); ok {
			l.To = t
		}
	}
	if n := f.node("fade"); n != nil {
		l.Fade, _ = m.span(n, f.label("fade"))
	}
}

func (m *motionReader) layerAdd(f *fields, l *Layer) bool {
	add := m.open(f.node("add"), addShape, "add of a layer")
	for kind, name := range layerNames {
		if !add.has(name) {
			continue
		}
		l.Kind = LayerKind(kind)
		g := m.open(add.node(name), add.want(name).shape, name+" of a layer")
		if l.Kind == Envelope {
			return m.envelope(g, l)
		}
		return m.swing(g, l)
	}
	return false
}

func (m *motionReader) swing(g *fields, l *Layer) bool {
	if !g.has("amount") || !g.has("rate") {
		return false
	}
	amount := m.amountValue(g.node("amount"), g.label("amount"), l.Target)
	rate := g.num("rate")
	l.Amount, l.Rate = amount.V, rate.V
	if l.Kind == Sine {
		l.Phase = g.num("phase").V
	} else {
		l.Seed = uint64(g.whole("seed").V)
	}
	return amount.Given() && rate.Given()
}

func (m *motionReader) envelope(g *fields, l *Layer) bool {
	l.Attack, l.Release = defaultAttack, defaultRelease
	if v := g.num("attack"); v.Given() {
		l.Attack = v.V
	}
	if v := g.num("release"); v.Given() {
		l.Release = v.V
	}
	var high Num
	if n := g.node("high"); n != nil {
		high = m.amountValue(n, g.label("high"), l.Target)
	}
	if n := g.node("low"); n != nil {
		l.Low = m.amountValue(n, g.label("low"), l.Target).V
	}
	l.High = high.V
	n := g.node("of")
	if n == nil {
		return false
	}
	name, ok := m.scalar(n, g.label("of"), "a file name")
	if !ok {
		return false
	}
	l.File = m.load.beside(m.file, name)
	l.Level = m.load.level(name, m.decoder, n)
	return l.Level != nil && high.Given()
}

func (m *motionReader) readQuiet(n *yaml.Node) {
	axes := newIndex[*Axis]()
	if rig := m.script.Rig; rig != nil {
		axes.partial, axes.lost = rig.partial, rig.lost
		for _, a := range rig.Axes {
			axes.known[a.Name] = a
		}
	}
	for _, item := range m.items(n, "quiet") {
		f := m.open(item, quietShape, "a quiet window")
		q := Quiet{At: f.at}
		from, to := f.node("from"), f.node("to")
		if from == nil || to == nil {
			continue
		}
		var ok1, ok2 bool
		q.From, ok1 = m.time(from, f.label("from"))
		q.To, ok2 = m.time(to, f.label("to"))
		if s := f.node("speed"); s != nil {
			q.Speed = f.numOf("speed", speedDim(f, "speed"))
		}
		for _, r := range m.items(f.node("release"), f.label("release")) {
			m.releasable(r, f, &q, axes)
		}
		if !ok1 || !ok2 {
			continue
		}
		if q.From >= q.To {
			m.bad(to, "write the earlier time in from", "the quiet window ends at %s, which is not after its start at %s", FormatSeconds(q.To), FormatSeconds(q.From))
			continue
		}
		m.script.Quiet = append(m.script.Quiet, q)
	}
}

func (m *motionReader) releasable(n *yaml.Node, f *fields, q *Quiet, axes index[*Axis]) {
	if m.script.Rig == nil {
		return
	}
	a, ok := lookup(m.decoder, n, f.label("release"), "axis", axes)
	if !ok {
		return
	}
	if a.Load.CarriesWeight() {
		m.bad(n, "leave it out of release", "%s carries weight and would fall when let go", a.Name)
		return
	}
	q.Release = append(q.Release, a)
}

// setOnce refuses two cues that set one axis at one time.
func (m *motionReader) setOnce() {
	type moment struct {
		axis *Axis
		time float64
	}
	first := map[moment]Pos{}
	for _, c := range m.script.Cues {
		for _, s := range c.Set {
			k := moment{s.Axis, c.Time}
			if at, twice := first[k]; twice {
				m.report.add(s.At, "keep one of them", "%s is set twice at %s (line %d too)", s.Axis.Name, FormatSeconds(c.Time), at.Line)
				continue
			}
			first[k] = s.At
		}
	}
}

func (m *motionReader) readCues(n *yaml.Node) {
	defer m.setOnce()
	moved := map[*Axis]Pos{}
	for _, t := range m.script.Merged {
		if t.Target.Axis != nil {
			moved[t.Target.Axis] = t.At
		}
	}
	for i, item := range m.items(n, "cues") {
		f := m.open(item, cueShape, "a cue")
		c := Cue{At: f.at, Index: i, Say: f.text("say"), Locked: f.flag("locked")}
		if !f.has("set") && !f.has("say") && f.has("at") && !f.excused("set") && !f.excused("say") {
			m.report.add(f.at, "add set: {…} or say: …", "this cue does nothing")
		}
		for _, e := range m.entries(f.node("set"), f.label("set")) {
			m.cueSet(e, &c, moved)
		}
		at := f.node("at")
		if at == nil {
			continue
		}
		var ok bool
		if c.Time, ok = m.time(at, f.label("at")); ok {
			m.script.Cues = append(m.script.Cues, c)
		}
	}
}

func (m *motionReader) cueSet(e entry, c *Cue, moved map[*Axis]Pos) {
	t, ok := m.target(e)
	if !ok {
		return
	}
	if t.Axis == nil {
		m.bad(e.key, "set the axes that it mixes, or give the control a track", "a cue cannot set %s, which is a control", e.name)
		return
	}
	if at, has := moved[t.Axis]; has {
		m.bad(e.key, "add a key to that track instead", "a cue cannot set %s, which has a track (line %d)", e.name, at.Line)
		return
	}
	if v := m.axisValue(e.value, "set "+e.name, t.Axis); v.Given() {
		c.Set = append(c.Set, CueSet{At: m.at(e.key), Axis: t.Axis, Value: v.V})
	}
}

func (m *motionReader) readPace(f *fields) {
	n := f.node("pace")
	if n == nil {
		return
	}
	m.script.PaceAt = f.keyAt("pace")
	before := m.report.total
	if n.Kind == yaml.ScalarNode {
		m.paceFile(n)
	} else {
		for _, item := range m.items(n, "pace") {
			if k, ok := m.paceKnot(item); ok {
				m.script.Pace = append(m.script.Pace, k)
			}
		}
	}
	if m.report.total > before {
		m.script.Pace = nil
		return
	}
	m.checkPace(n)
}

func (m *motionReader) paceKnot(item *yaml.Node) (Knot, bool) {
	parts := m.items(item, "a knot of pace")
	if parts == nil {
		return Knot{}, false
	}
	if len(parts) != 3 {
		m.bad(item, commaHint(parts, "write [at, script time, rate], as in [0, 0, 1]"), "a knot of pace has %s where three belong", countOf(len(parts), "value", "values"))
		return Knot{}, false
	}
	at := m.number(parts[0], "pace", seconds, 0, maxTime)
	script := m.number(parts[1], "pace", seconds, 0, maxTime)
	rate := m.number(parts[2], "pace", plain, 0, 1e6)
	return Knot{m.at(item), at.V, script.V, rate.V}, at.Given() && script.Given() && rate.Given()
}

func (m *motionReader) paceFile(n *yaml.Node) {
	name := m.load.beside(m.file, n.Value)
	data, err := m.load.read(name)
	if err != nil {
		m.bad(n, fileHint(err), "pace: %s", openText(name, err))
		return
	}
	m.report.meet(name)
	knots, err := readPaceCSV(name, data)
	if err != nil {
		for _, p := range AsProblems(err) {
			m.report.add(p.At, p.Hint, "%s", p.Text)
		}
		return
	}
	m.script.Pace = knots
}

// readPaceCSV reads the columns at, script and rate.
func readPaceCSV(name string, data []byte) ([]Knot, error) {
	r := csv.NewReader(bytes.NewReader(data))
	r.FieldsPerRecord = 3
	r.ReuseRecord = true
	bad := func(line, column int, hint, format string, args ...any) error {
		return Problems{{At: Pos{name, line, column}, Text: fmt.Sprintf(format, args...), Hint: hint}}
	}
	head, err := r.Read()
	if err != nil || strings.TrimPrefix(strings.Join(head, ","), "\ufeff") != "at,script,rate" {
		return nil, bad(1, 1, "the first line must be at,script,rate", "this is not a pace file")
	}
	var knots []Knot
	for {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) {
			return knots, nil
		}
		if err != nil {
			line, col, text := 1, 1, "this line cannot be read"
			var pe *csv.ParseError
			if errors.As(err, &pe) {
				line, col = pe.Line, max(1, pe.Column)
				if errors.Is(pe.Err, csv.ErrFieldCount) {
					text = fmt.Sprintf("this line has %s where three belong", countOf(len(rec), "value", "values"))
				}
			}
			return nil, bad(line, col, "write at,script,rate as three plain numbers", "%s", text)
		}
		line, _ := r.FieldPos(0)
		var v [3]float64
		for i := range v {
			x, err := strconv.ParseFloat(strings.TrimSpace(rec[i]), 64)
			if err != nil || math.IsNaN(x) || x < 0 || x > 1e6 {
				_, col := r.FieldPos(i)
				return nil, bad(line, col, "write a plain number from 0 to 1e6", "%q is not a number that can stand here", rec[i])
			}
			v[i] = x
		}
		knots = append(knots, Knot{Pos{name, line, 1}, v[0], v[1], v[2]})
	}
}

// checkPace refuses a map that is not whole: from 0 to the length, rising, its
// mean rates those of its times.
func (m *motionReader) checkPace(n *yaml.Node) {
	knots := m.script.Pace
	if len(knots) == 0 {
		m.bad(n, "delete it, or give it two knots or more", "pace has no knots")
		return
	}
	first, last := knots[0], knots[len(knots)-1]
	if len(knots) < 2 || first.Time != 0 || first.Script != 0 {
		m.report.add(first.At, "begin with the knot [0, 0, rate] and end at the end of the motion", "pace must begin at 0 and have two knots or more")
		m.script.Pace = nil
		return
	}
	for i := 1; i < len(knots); i++ {
		a, b := knots[i-1], knots[i]
		if b.Time <= a.Time || b.Script < a.Script {
			m.report.add(b.At, "list the knots in order", "this knot of pace is not after the one before it")
			m.script.Pace = nil
			return
		}
		mean, want := (b.Script-a.Script)/(b.Time-a.Time), (a.Rate+b.Rate)/2
		if math.Abs(mean-want) > 1e-6 {
			m.report.add(b.At, fmt.Sprintf("the rates here must have the mean %s", formatNumber(mean)), "the rates of this stretch of pace do not fit its times: %s against %s", formatNumber(want), formatNumber(mean))
			m.script.Pace = nil
			return
		}
	}
	if m.report.total == 0 && math.Abs(last.Script-m.script.Length) > 1e-6 {
		m.report.add(last.At, "the last knot must be that of the end, "+FormatSeconds(m.script.Length), "pace ends at script time %s, but the motion at %s", FormatSeconds(last.Script), FormatSeconds(m.script.Length))
		m.script.Pace = nil
	}
}

func openText(name string, err error) string {
	if sound := (*sound.Error)(nil); errors.As(err, &sound) {
		return fmt.Sprintf("%s, byte %d: %s", name, sound.Offset, sound.Msg)
	}
	return err.Error()
}
