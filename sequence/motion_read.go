package sequence

import (
	"fmt"
	"math"
	"regexp"
	"sort"
	"strings"

	"gopkg.in/yaml.v3"

	"limberjack/interp/ease"
)

// motionReader holds what the parts of a motion refer to by name.
type motionReader struct {
	*decoder
	load    *loader
	script  *Script
	clock   clock
	targets map[string]Target
	poses   index[*Pose]
	phrases index[*Phrase]
	given   bool // length was written
}

func (l *loader) readMotion(d *decoder, doc *yaml.Node) *Script {
	f := d.open(doc, motionShape, "the motion")
	m := &motionReader{decoder: d, load: l,
		script:  &Script{Name: f.text("motion"), File: d.file, At: f.at, Loop: f.flag("loop"), LoopAt: f.keyAt("loop")},
		clock:   clock{marks: map[string]float64{}, lostMarks: map[string]bool{}},
		targets: map[string]Target{}, poses: newIndex[*Pose](), phrases: newIndex[*Phrase]()}
	f.whole("format")
	m.readRigFile(f)
	m.readClock(f)
	m.readPoses(f)
	m.readPhrases(f)
	for _, e := range m.entries(f.node("tracks"), "tracks") {
		if t, ok := m.target(e); ok {
			tr := &Track{Target: t, At: m.at(e.key)}
			tr.Keys = m.keys(e.value, "track "+e.name, t, false)
			m.script.Tracks = append(m.script.Tracks, tr)
		}
	}
	m.readPlaces(f.node("place"))
	m.readLengthNode(f)
	m.merge()
	m.readAudio(f)
	m.readLayers(f.node("layers"))
	m.readQuiet(f.node("quiet"))
	m.readCues(f.node("cues"))
	m.settleLength()
	m.readPace(f)
	return m.script
}

func (m *motionReader) readRigFile(f *fields) {
	n := f.node("rig")
	if n == nil {
		return
	}
	name, ok := m.scalar(n, f.label("rig"), "a file name")
	if !ok {
		return
	}
	rig := m.load.rig(name, m.decoder, n)
	m.script.Rig = rig
	if rig == nil {
		return
	}
	for _, a := range rig.Axes {
		m.targets[a.Name] = Target{Axis: a}
	}
	for _, c := range rig.Controls {
		m.targets[c.Name] = Target{Control: c}
	}
}

// target finds the axis or control of a key of a mapping. Without a rig nothing
// is known, and nothing is said, since the missing rig has been reported.
func (m *motionReader) target(e entry) (Target, bool) {
	t, ok := m.targets[e.name]
	if !ok {
		m.unknownTarget(e.key, e.name)
	}
	return t, ok
}

func (m *motionReader) unknownTarget(n *yaml.Node, name string) {
	rig := m.script.Rig
	if rig == nil || rig.partial || rig.lost[name] {
		return
	}
	m.bad(n, m.nameHint(name, keysOf(m.targets), "axis or control"), "the rig has no axis or control %q", name)
}

func (m *motionReader) readClock(f *fields) {
	if n := f.node("fps"); n != nil {
		if v := f.num("fps"); v.Given() {
			m.clock.fps = newFPS(v.V)
		}
	}
	m.clock.fpsLost = !m.clock.fps.Given() && (f.has("fps") || f.excused("fps"))
	m.script.FPS = m.clock.fps
	if n := f.node("tempo"); n != nil {
		before := m.report.total
		m.readTempo(n)
		m.clock.tempoLost = m.report.total > before
	}
	m.clock.tempoLost = m.clock.tempoLost || f.excused("tempo")
	m.script.Tempo = m.clock.tempo
	m.readMarks(f)
}

func (m *motionReader) readTempo(n *yaml.Node) {
	if n.Kind == yaml.ScalarNode {
		if v := m.number(n, "tempo", plain, 1, 1000); v.Given() {
			m.clock.tempo = Tempo{{BPM: v.V}}
		}
		return
	}
	for i, item := range m.items(n, "tempo") {
		f := m.open(item, tempoShape, "a tempo change")
		bpm := f.num("bpm")
		if !bpm.Given() || !f.has("at") {
			continue
		}
		at, ok := m.time(f.node("at"), f.label("at"))
		if !ok {
			continue
		}
		if i == 0 && at != 0 {
			m.bad(f.node("at"), "begin the list with the tempo at 0s, as in {at: 0s, bpm: 96}", "the first tempo is that from %s on; the one before is missing", FormatSeconds(at))
			return
		}
		if k := len(m.clock.tempo); k > 0 && at <= m.clock.tempo[k-1].Time {
			m.bad(f.node("at"), "list the changes in order", "the tempo change at %s does not come after the one at %s", FormatSeconds(at), FormatSeconds(m.clock.tempo[k-1].Time))
			continue
		}
		m.clock.tempo = m.clock.tempo.append(at, bpm.V)
	}
}

var likeOffset = regexp.MustCompile(`[+-]\s*[0-9.]+\s*[a-zµμ]*$`)

// readMarks reads the named times. A mark may count from another, in whatever
// order they stand.
func (m *motionReader) readMarks(f *fields) {
	entries, partial := f.section("marks")
	m.clock.marksLost = partial
	byName := make(map[string]entry, len(entries))
	for _, e := range entries {
		m.goodMarkName(e)
		byName[e.name] = e
	}
	found := make(map[string]Mark, len(entries))
	for _, e := range entries {
		m.settleMark(e, byName, found)
	}
	for _, e := range entries {
		m.script.Marks = append(m.script.Marks, found[e.name])
	}
}

// settleMark finds the time of a mark after that of the one it counts from. Each
// mark counts from one other at most, so that the way there is a chain.
func (m *motionReader) settleMark(e entry, byName map[string]entry, found map[string]Mark) {
	var chain []entry
	onChain := map[string]bool{}
	for {
		if _, done := found[e.name]; done {
			break
		}
		if onChain[e.name] {
			m.circle(chain, e.name, found)
			break
		}
		chain = append(chain, e)
		onChain[e.name] = true
		next, ok := byName[m.countsFrom(e, byName)]
		if !ok {
			break
		}
		e = next
	}
	for i := len(chain) - 1; i >= 0; i-- {
		name := chain[i].name
		if _, done := found[name]; done {
			continue
		}
		mark, ok := m.mark(chain[i])
		found[name] = mark
		if ok {
			m.clock.marks[name] = mark.Time
		} else {
			m.clock.lostMarks[name] = true
		}
	}
}

// circle reports the marks from the last use of a name on.
func (m *motionReader) circle(chain []entry, name string, found map[string]Mark) {
	from := len(chain) - 1
	for chain[from].name != name {
		from--
	}
	var names []string
	first := chain[from]
	for _, e := range chain[from:] {
		names = append(names, e.name)
		if e.key.Line < first.key.Line || (e.key.Line == first.key.Line && e.key.Column < first.key.Column) {
			first = e
		}
		found[e.name] = Mark{Name: e.name, At: m.at(e.key)}
		m.clock.lostMarks[e.name] = true
	}
	text := "the mark " + name + " counts from itself"
	if len(names) > 1 {
		sort.Strings(names)
		if n := len(names); n > 8 {
			names = append(names[:6:6], fmt.Sprintf("and %d more", n-6))
		}
		text = "the marks " + strings.Join(names, ", ") + " count from each other in a circle"
	}
	m.bad(first.key, "give one of them a time of its own", "%s", text)
}

// goodMarkName refuses marks that would read like a time where they are used.
func (m *motionReader) goodMarkName(e entry) {
	m.goodName(e, "mark")
	switch {
	case e.name == "":
	case isDigit(e.name[0]) || e.name[0] == '.':
		m.bad(e.key, "begin its name with a letter, as in act-two", "a mark cannot be called %q, which begins like a number", e.name)
	case likeOffset.MatchString(e.name):
		m.bad(e.key, "choose another name, as in act-two", "a mark cannot be called %q, which ends like an offset", e.name)
	case e.name == "soonest":
		m.bad(e.key, "choose another name", "a mark cannot be called %q, which stands for the earliest arrival", e.name)
	}
}

// countsFrom gives the mark that another counts from, or "": as where times are
// read, the longest name that fits.
func (m *motionReader) countsFrom(e entry, byName map[string]entry) string {
	n := m.resolve(e.value)
	if n != nil && n.Kind == yaml.MappingNode {
		for i := 0; i+1 < len(n.Content); i += 2 {
			if n.Content[i].Value == "at" {
				n = m.resolve(n.Content[i+1])
				break
			}
		}
	}
	if n == nil || n.Kind != yaml.ScalarNode {
		return ""
	}
	s := strings.TrimSpace(n.Value)
	if _, ok := byName[s]; ok {
		return s
	}
	for i := min(len(s), maxName+8) - 1; i > 0; i-- {
		if s[i] != '+' && s[i] != '-' {
			continue
		}
		name := strings.TrimSpace(s[:i])
		if _, ok := byName[name]; ok {
			return name
		}
	}
	return ""
}

func (m *motionReader) mark(e entry) (Mark, bool) {
	n := m.resolve(e.value)
	mark := Mark{Name: e.name, At: m.at(e.key)}
	if n == nil {
		return mark, false
	}
	if n.Kind == yaml.MappingNode {
		f := m.open(n, markShape, "mark "+e.name)
		mark.Locked = f.flag("locked")
		if n = f.node("at"); n == nil {
			return mark, false
		}
	}
	var ok bool
	mark.Time, ok = m.time(n, "mark "+e.name)
	return mark, ok
}

func (m *motionReader) readPoses(f *fields) {
	entries, partial := f.section("poses")
	m.poses.partial = partial
	for _, e := range entries {
		m.goodName(e, "pose")
		before := m.report.total
		p := &Pose{Name: e.name, At: m.at(e.key)}
		for _, v := range m.entries(e.value, "pose "+e.name) {
			t, ok := m.target(v)
			p.doubtful = p.doubtful || !ok
			if ok {
				if val := m.targetValue(v.value, v.name+" of pose "+e.name, t); val.Given() {
					p.Values = append(p.Values, PoseValue{val.At, t, val.V})
				}
			}
		}
		p.doubtful = p.doubtful || m.report.total > before
		m.poses.known[e.name] = p
		m.script.Poses = append(m.script.Poses, p)
	}
}

func (m *motionReader) readPhrases(rf *fields) {
	entries, partial := rf.section("phrases")
	m.phrases.partial = partial
	for _, e := range entries {
		m.goodName(e, "phrase")
		before := m.report.total
		f := m.open(e.value, phraseShape, "phrase "+e.name)
		p := &Phrase{Name: e.name, At: m.at(e.key)}
		for _, k := range m.entries(f.node("keys"), "keys of phrase "+e.name) {
			t, ok := m.target(k)
			p.doubtful = p.doubtful || !ok
			if ok {
				keys := m.keys(k.value, fmt.Sprintf("%s of phrase %s", k.name, e.name), t, true)
				p.Tracks = append(p.Tracks, &Track{Target: t, At: m.at(k.key), Keys: keys})
			}
		}
		p.doubtful = p.doubtful || m.report.total > before
		m.phrases.known[e.name] = p
		m.script.Phrase = append(m.script.Phrase, p)
	}
}

// keys reads the keys of one target, in order of time.
func (m *motionReader) keys(n *yaml.Node, what string, t Target, inPhrase bool) []Key {
	items := m.items(n, what)
	keys := make([]Key, 0, len(items))
	oneKey := "a key of " + what
	timeOf := "the time of " + oneKey
	lost := false // the key above was wrong, so that soonest has nothing to count from
	for i, item := range items {
		k, ok := m.key(item, oneKey, timeOf, t, inPhrase, i == 0)
		k.Index = i
		if ok && k.Soonest {
			ok = !lost && m.arrive(keys, &k, t, what)
		} else if n := len(keys); ok && n > 0 {
			ok = m.ascending(keys[n-1], k, what)
		}
		if lost = !ok; ok {
			keys = append(keys, k)
		}
	}
	return keys
}

func (m *motionReader) ascending(before, k Key, what string) bool {
	switch {
	case k.Time == before.Time:
		m.report.add(k.TimeAt, "give one of them another time", "%s has two keys at %s (line %d too)", what, FormatSeconds(k.Time), before.TimeAt.Line)
		return false
	case k.Time < before.Time && before.Soonest:
		m.report.add(k.TimeAt, fmt.Sprintf("write %s or later", FormatSeconds(before.Time)), "the key at %s of %s comes before the soonest arrival of the key above it, %s", FormatSeconds(k.Time), what, FormatSeconds(before.Time))
		return false
	case k.Time < before.Time:
		m.report.add(k.TimeAt, "list keys in order of time", "the key at %s of %s is out of order: it comes after the one at %s", FormatSeconds(k.Time), what, FormatSeconds(before.Time))
		return false
	}
	return true
}

func (m *motionReader) key(item *yaml.Node, what, timeOf string, t Target, inPhrase, first bool) (Key, bool) {
	if m.commaTime(item, what) {
		return Key{}, false
	}
	f := m.open(item, keyShape, what)
	at, to := f.node("at"), f.node("to")
	if at == nil || to == nil {
		return Key{}, false
	}
	k := Key{At: f.at, TimeAt: m.at(at), ValueAt: m.at(to), Hold: f.flag("hold"), Locked: f.flag("locked")}
	if f.excused("ease") {
		return k, false
	}
	okTime := m.keyTime(&k, timeOf, at, inPhrase, first)
	if n := f.node("slack"); n != nil {
		k.Slack = m.slack(n, f, k.Locked)
		switch {
		case inPhrase:
			m.bad(n, "give the slack to the placement, as in {phrase: …, at: 2s, slack: 0.3s}", "%s: a key of a phrase has no slack of its own", f.what)
		case first:
			m.bad(n, "give it to the key that the move arrives at", "%s: no move arrives at the first key, so that it has no slack", f.what)
		}
	}
	v := m.targetValue(to, f.what, t)
	k.Value = v.V
	k.Ease = defaultEase(t)
	if n := f.node("ease"); n != nil {
		k.EaseAt = m.at(n)
		if k.Soonest {
			m.bad(n, "leave the ease out", "%s: a key at soonest takes no ease; its shape is the quickest one", f.what)
		}
		e := m.parseEase(n, f.what)
		if e == nil {
			return k, false
		}
		k.Ease = e
		m.switchEase(n, t, e)
	}
	return k, okTime && v.Given()
}

// slack reads by how much a move may be put off.
func (m *motionReader) slack(n *yaml.Node, f *fields, locked bool) float64 {
	v, ok := m.span(n, f.label("slack"))
	if ok && locked {
		m.bad(n, "leave slack or locked out", "%s: what is locked keeps its time and has no slack", f.what)
	}
	return v
}

// commaTime finds a time with a decimal comma in the short form of a key, as in
// [1,2s, 40deg], which reads as three parts: 2s is no value of anything.
func (m *motionReader) commaTime(item *yaml.Node, what string) bool {
	n := m.resolve(item)
	if n == nil || n.Kind != yaml.SequenceNode || len(n.Content) < 2 {
		return false
	}
	hint := commaHint(n.Content[:2], "")
	if hint == "" {
		return m.commaValue(n, what)
	}
	switch _, unit, _ := parseNumber(n.Content[1].Value); unit {
	case "s", "ms", "us", "min", "h", "f", "b":
		m.bad(n.Content[0], hint, "%s: the time is written with a decimal comma", what)
		return true
	}
	return m.commaValue(n, what)
}

// commaValue finds a value with a decimal comma, as in [1s, 2,5deg]: 5deg is no
// ease.
func (m *motionReader) commaValue(n *yaml.Node, what string) bool {
	if len(n.Content) != 3 || n.Content[1].Kind != yaml.ScalarNode {
		return false
	}
	hint := commaHint(n.Content[1:], "")
	if hint != "" {
		m.bad(n.Content[1], hint, "%s: the value is written with a decimal comma", what)
	}
	return hint != ""
}

func (m *motionReader) switchEase(n *yaml.Node, t Target, e *ease.Ease) {
	if t.Axis != nil && t.Axis.Kind == Switch && e.Family() != "hold" && e.Family() != "steps" {
		m.bad(n, "leave the ease out, or write hold", "%s is a switch; it cannot be between on and off", t.Name())
	}
}

func (m *motionReader) keyTime(k *Key, what string, at *yaml.Node, inPhrase, first bool) bool {
	text, ok := m.scalar(at, what, "a time")
	if !ok {
		return false
	}
	wait, soonest, err := m.soonest(text)
	switch {
	case err == followOn:
		return false
	case err != nil:
		m.bad(at, err.hint, "%s: %s", what, err.text)
		return false
	case soonest && inPhrase:
		m.bad(at, "give the key a time", "%s: soonest cannot stand in a phrase, whose length must be known before it is placed", what)
		return false
	case soonest && first:
		m.bad(at, "give the first key a time, as in 0s", "%s: the first key cannot be at soonest; there is nothing that it could come after", what)
		return false
	case soonest:
		k.Soonest, k.wait = true, wait
		return true
	case inPhrase:
		k.Time, ok = m.span(at, what)
		k.inBeats, k.beats = m.beats(text)
	default:
		k.Time, ok = m.time(at, what)
	}
	k.Arrive = k.Time
	return ok
}

// beats tells whether a time is written in beats. A phrase keeps them, since
// what they last depends on where it is placed.
func (m *motionReader) beats(text string) (bool, float64) {
	v, unit, err := parseNumber(text)
	return err == nil && unit == "b", v
}

// arrive sets the time of a key at soonest: the earliest rest-to-rest arrival
// within the limits of the track's own axis or control.
func (m *motionReader) arrive(keys []Key, k *Key, t Target, what string) bool {
	if len(keys) == 0 {
		return false
	}
	before := keys[len(keys)-1]
	profile, why := t.Soonest(before.Value, k.Value)
	if why != "" {
		if !t.doubtful() {
			m.report.add(k.TimeAt, "add limits: {speed: …, acceleration: …} to the axis, or give the key a time", "%s: soonest cannot be worked out: %s", what, why)
		}
		return false
	}
	k.Arrive = before.Time + profile.Duration()
	k.Time = k.Arrive + k.wait
	if k.Time == before.Time {
		m.report.add(k.TimeAt, "leave this key out, or write soonest+0.5s to wait", "%s: the key above has this value already, so that soonest is no time at all", what)
		return false
	}
	if !(k.Time <= maxTime) {
		m.report.add(k.TimeAt, "check the limits of the axis", "%s: the soonest arrival is after %s, which is out of range", what, FormatSeconds(k.Arrive))
		return false
	}
	return true
}

func defaultEase(t Target) *ease.Ease {
	if t.Axis == nil {
		return easeInOut
	}
	switch t.Axis.Kind {
	case Servo, Stepper:
		return easeInOut
	case Switch:
		return easeHold
	}
	return easeLinear
}

func mustEase(text string) *ease.Ease {
	e, err := ease.Parse(text)
	if err != nil {
		panic("sequence: " + err.Error())
	}
	return e
}

var (
	easeInOut  = mustEase("in-out")
	easeLinear = mustEase("linear")
	easeHold   = mustEase("hold")
)

func (m *motionReader) readLengthNode(f *fields) {
	n := f.node("length")
	if n == nil {
		return
	}
	if v, ok := m.time(n, f.label("length")); ok {
		if v == 0 {
			m.bad(n, "write the length, or leave it out to end at the last key", "the length of the motion is 0 s")
			return
		}
		m.script.Length, m.script.LengthAt, m.given = v, m.at(n), true
	}
}

// settleLength finds the length after all that has a time is known, and refuses
// keys after the end.
func (m *motionReader) settleLength() {
	last, at := 0.0, Pos{}
	for _, t := range m.script.Merged {
		if n := len(t.Keys); n > 0 && t.Keys[n-1].Time >= last {
			last, at = t.Keys[n-1].Time, t.Keys[n-1].TimeAt
			if p := t.Keys[n-1].Place; p != nil {
				at = p.At
			}
		}
	}
	if m.given {
		if last > m.script.Length+1e-9 {
			m.report.add(at, fmt.Sprintf("make the length %s or more", FormatSeconds(math.Ceil(last*1000)/1000)), "the key at %s comes after the end of the motion, %s", FormatSeconds(last), FormatSeconds(m.script.Length))
		}
	} else {
		m.script.Length = last
		if last == 0 && m.script.Rig != nil && len(m.report.list) == 0 {
			m.report.add(m.script.At, "add length: 12s, or a key after 0 s", "the motion has no length: no key comes after 0 s")
		}
	}
	for _, l := range m.script.Layers {
		if l.To < 0 {
			l.To = m.script.Length
		}
		if l.From >= l.To {
			m.report.add(l.At, "end the layer after its start", "the layer on %s ends at %s, which is not after its start at %s", l.Target.Name(), FormatSeconds(l.To), FormatSeconds(l.From))
			l.To = l.From
		}
		if l.Fade > (l.To-l.From)/2 && l.To > l.From {
			m.report.add(l.At, fmt.Sprintf("write fade: %s or less", FormatSeconds((l.To-l.From)/2)), "the fade of the layer on %s is longer than half of its span", l.Target.Name())
		}
	}
}
