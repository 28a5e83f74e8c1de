package sequence

import (
	"sort"

	"gopkg.in/yaml.v3"
)

func (m *motionReader) readPlaces(n *yaml.Node) {
	for i, item := range m.items(n, "place") {
		f := m.open(item, placeShape, "a placement")
		p := &Place{At: f.at, Index: i, Times: 1, Stretch: 1, Mirror: f.flag("mirror"), Locked: f.flag("locked")}
		known := m.placed(f, p)
		if v := f.whole("times"); v.Given() {
			p.Times = int(v.V)
		}
		if v := f.num("stretch"); v.Given() {
			p.Stretch = v.V
		}
		if n := f.node("ease"); n != nil {
			p.Ease = m.parseEase(n, f.what)
		}
		if n := f.node("slack"); n != nil {
			p.Slack = m.slack(n, f, p.Locked)
		}
		m.onlyForPhrase(f, p)
		at := f.node("at")
		if at == nil || !known {
			continue
		}
		var ok bool
		if p.Time, ok = m.time(at, f.what); !ok {
			continue
		}
		p.Scale = m.scale(f.node("scale"), p)
		m.script.Places = append(m.script.Places, p)
	}
}

func (m *motionReader) placed(f *fields, p *Place) (ok bool) {
	if n := f.node("pose"); n != nil {
		p.Pose, ok = lookup(m.decoder, n, f.what, "pose", m.poses)
		return ok
	}
	if n := f.node("phrase"); n != nil {
		p.Phrase, ok = lookup(m.decoder, n, f.what, "phrase", m.phrases)
	}
	return ok
}

func (m *motionReader) onlyForPhrase(f *fields, p *Place) {
	if p.Pose != nil {
		for _, name := range []string{"times", "stretch"} {
			if f.has(name) {
				m.report.add(f.keyAt(name), "leave it out", "%q is for phrases; a pose is one moment", name)
			}
		}
	}
	if p.Phrase != nil && f.has("ease") {
		m.report.add(f.keyAt("ease"), "write eases in the phrase's own keys", "%q is for poses", "ease")
	}
}

// scale reads one factor for all targets of a placement, or factors by name.
func (m *motionReader) scale(n *yaml.Node, p *Place) map[Target]float64 {
	if n == nil {
		return nil
	}
	var targets []Target
	if p.Pose != nil {
		for _, v := range p.Pose.Values {
			targets = append(targets, v.Target)
		}
	} else {
		for _, t := range p.Phrase.Tracks {
			targets = append(targets, t.Target)
		}
	}
	out := map[Target]float64{}
	if !m.spend(n, len(targets)) {
		return out
	}
	if n.Kind == yaml.ScalarNode {
		v := m.number(n, "scale", plain, -1e3, 1e3)
		for _, t := range targets {
			if v.Given() && (t.Axis == nil || t.Axis.Kind != Switch) {
				out[t] = v.V
			}
		}
		return out
	}
	byName := map[string]Target{}
	for _, t := range targets {
		byName[t.Name()] = t
	}
	for _, e := range m.entries(n, "scale") {
		t, ok := byName[e.name]
		switch v := m.number(e.value, "scale of "+e.name, plain, -1e3, 1e3); {
		case !ok:
			if p.doubtful() {
				continue
			}
			m.bad(e.key, m.nameHint(e.name, keysOf(byName), "axis or control"), "scale: what is placed here does not move %q", e.name)
		case t.Axis != nil && t.Axis.Kind == Switch:
			m.bad(e.key, "leave it out", "scale: %s is a switch; it is on or off", e.name)
		case v.Given():
			out[t] = v.V
		}
	}
	return out
}

// doubtful reports whether something about the placed pose or phrase was reported.
func (p *Place) doubtful() bool {
	return (p.Pose != nil && p.Pose.doubtful) || (p.Phrase != nil && p.Phrase.doubtful)
}

// moved is where a placement puts a value: scaled and mirrored about rest. A
// mirrored value goes to the other axis of a pair. What shines or switches has
// no left and right, and is not mirrored.
func (p *Place) moved(t Target, v float64, twin map[*Axis]*Axis) (Target, float64) {
	k := 1.0
	if s, ok := p.Scale[t]; ok {
		k = s
	}
	to := t
	if p.Mirror && (t.Axis == nil || (t.Axis.Kind != Switch && t.Axis.Kind != Dimmer)) {
		k = -k
		if t.Axis != nil && twin[t.Axis] != nil {
			to = Target{Axis: twin[t.Axis]}
		}
	}
	if k == 1 && to == t {
		return t, v
	}
	return to, to.Rest() + float64(k*(v-t.Rest()))
}

// placedKeys gives the keys that a placement inserts, by target, in order.
func (m *motionReader) placedKeys(p *Place, twin map[*Axis]*Axis) map[Target][]Key {
	out := map[Target][]Key{}
	if p.Pose != nil {
		for _, v := range p.Pose.Values {
			t, value := p.moved(v.Target, v.Value, twin)
			k := Key{At: p.At, TimeAt: p.At, ValueAt: p.At, Time: p.Time, Arrive: p.Time, Value: value, Ease: defaultEase(t), Place: p, Index: -1, Locked: p.Locked}
			if p.Ease != nil {
				k.Ease = p.Ease
			}
			out[t] = append(out[t], k)
		}
		return out
	}
	base := p.Time
	for rep := 0; rep < p.Times; rep++ {
		end := base
		for _, tr := range p.Phrase.Tracks {
			for i, k := range tr.Keys {
				t, value := p.moved(tr.Target, k.Value, twin)
				k.Time = m.phraseTime(base, k, p.Stretch)
				k.Arrive, k.Value, k.Place, k.Index = k.Time, value, p, -1
				k.Locked = k.Locked || p.Locked
				end = max(end, k.Time)
				if have := out[t]; i == 0 && rep > 0 && len(have) > 0 && k.Time <= have[len(have)-1].Time {
					continue
				}
				out[t] = append(out[t], k)
			}
		}
		if end == base {
			break
		}
		base = end
	}
	return out
}

func (m *motionReader) phraseTime(base float64, k Key, stretch float64) float64 {
	if k.inBeats && len(m.clock.tempo) > 0 {
		return m.clock.tempo.Seconds(m.clock.tempo.beat(base) + float64(k.beats*stretch))
	}
	return base + float64(k.Time*stretch)
}

// maxPlacedKeys bounds what repeated phrases can unfold to.
const maxPlacedKeys = 1 << 19

// merge puts the placements into the tracks.
func (m *motionReader) merge() {
	if m.script.Rig == nil {
		return
	}
	twin := map[*Axis]*Axis{}
	for _, pair := range m.script.Rig.Pairs {
		twin[pair[0]], twin[pair[1]] = pair[1], pair[0]
	}
	own := map[Target]*Track{}
	for _, t := range m.script.Tracks {
		own[t.Target] = t
	}
	targets := m.orderedTargets()
	order := make(map[Target]int, len(targets))
	for i, t := range targets {
		order[t] = i
	}
	placed := map[Target][][]Key{}
	total := 0
	for _, p := range m.script.Places {
		if p.Phrase != nil {
			for _, tr := range p.Phrase.Tracks {
				total += len(tr.Keys) * p.Times
			}
		} else {
			total += len(p.Pose.Values)
		}
		if total > maxPlacedKeys {
			m.report.add(p.At, "repeat less often, or loop the motion", "the placements unfold to more than %d keys", maxPlacedKeys)
			return
		}
		keys := m.placedKeys(p, twin)
		for _, t := range inOrder(keys, order) {
			m.placedInBounds(p, t, keys[t])
			placed[t] = append(placed[t], keys[t])
		}
	}
	for _, t := range targets {
		if own[t] == nil && placed[t] == nil {
			continue
		}
		m.script.Merged = append(m.script.Merged, m.mergeTrack(t, own[t], placed[t]))
	}
}

// inOrder lists the targets of a placement in the rig's order, so that problems
// are told in the same order each time.
func inOrder(keys map[Target][]Key, order map[Target]int) []Target {
	list := make([]Target, 0, len(keys))
	for t := range keys {
		list = append(list, t)
	}
	sort.Slice(list, func(i, j int) bool { return order[list[i]] < order[list[j]] })
	return list
}

func (m *motionReader) orderedTargets() []Target {
	var list []Target
	for _, a := range m.script.Rig.Axes {
		list = append(list, Target{Axis: a})
	}
	for _, c := range m.script.Rig.Controls {
		list = append(list, Target{Control: c})
	}
	return list
}

// placedInBounds refuses placed values beyond travel, once a placement and axis.
func (m *motionReader) placedInBounds(p *Place, t Target, keys []Key) {
	if t.Axis == nil {
		return
	}
	for _, k := range keys {
		if !m.inBounds(Num{V: k.Value, At: p.At}, "a value placed here for "+t.Name(), t.Axis) {
			return
		}
	}
}

// mergeTrack joins a track's own keys with the placed ones. A key inside a
// placed span, and two spans that overlap, are problems at both places.
func (m *motionReader) mergeTrack(t Target, own *Track, placed [][]Key) *Track {
	out := &Track{Target: t}
	if own != nil {
		out.At = own.At
		out.Keys = append(out.Keys, own.Keys...)
	}
	sort.SliceStable(placed, func(i, j int) bool { return placed[i][0].Time < placed[j][0].Time })
	for i, span := range placed {
		if !out.At.Known() {
			out.At = span[0].Place.At
		}
		if i > 0 {
			before := placed[i-1]
			if end := before[len(before)-1]; span[0].Time <= end.Time {
				m.overlap(span[0], end, t)
			}
		}
		m.keysInSpan(own, span, t)
		out.Keys = append(out.Keys, span...)
	}
	sort.SliceStable(out.Keys, func(i, j int) bool { return out.Keys[i].Time < out.Keys[j].Time })
	for i := 1; i < len(out.Keys); i++ {
		if k := out.Keys[i]; k.Soonest && out.Keys[i-1].Place != nil {
			m.report.add(k.TimeAt, "give this key a time", "a placement lies before this key of %s, so that soonest cannot count from the key above it", t.Name())
		}
	}
	return out
}

func (m *motionReader) keysInSpan(own *Track, span []Key, t Target) {
	if own == nil {
		return
	}
	first, last := span[0].Time, span[len(span)-1].Time
	i := sort.Search(len(own.Keys), func(i int) bool { return own.Keys[i].Time >= first })
	if i < len(own.Keys) && own.Keys[i].Time <= last {
		k, p := own.Keys[i], span[0].Place
		m.report.add(k.TimeAt, "move one of them", "the key of %s at %s lies inside what the placement at line %d puts there, %s to %s",
			t.Name(), FormatSeconds(k.Time), p.At.Line, FormatSeconds(first), FormatSeconds(last))
		m.report.add(p.At, "move one of them", "what is placed here on %s, %s to %s, meets the key at line %d",
			t.Name(), FormatSeconds(first), FormatSeconds(last), k.TimeAt.Line)
	}
}

// overlap reports two placements that meet on one target, at both places.
func (m *motionReader) overlap(later, earlier Key, t Target) {
	m.report.add(later.Place.At, "move one of them", "this placement overlaps another on %s: it begins at %s, and the one at line %d ends at %s",
		t.Name(), FormatSeconds(later.Time), earlier.Place.At.Line, FormatSeconds(earlier.Time))
	m.report.add(earlier.Place.At, "move one of them", "this placement overlaps another on %s: it ends at %s, and the one at line %d begins at %s",
		t.Name(), FormatSeconds(earlier.Time), later.Place.At.Line, FormatSeconds(later.Time))
}
