package sequence

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"gopkg.in/yaml.v3"
)

// trackPlan is what becomes of a track.
type trackPlan struct {
	name   string
	target Target
	node   *yaml.Node // its list; nil where there is none yet
	keys   []*keyPlan // in the order of the text, then the new ones
	old    int        // how many of them are in the text
}

// keyPlan is what becomes of a key.
type keyPlan struct {
	key   *Key       // as it was read; nil of a new one
	node  *yaml.Node // its item; nil of a new one
	index int
	time  *float64
	value *float64
	ease  *string
	gone  bool
	from  *keyPlan // that a new one is mirrored from

	at     float64 // s: where it will be
	to     float64 // its value
	grain  float64
	waited bool // at soonest
}

// parts gives the nodes of a key's time, value and ease; nil where there is no ease.
func (k *keyPlan) parts() (at, to, ease *yaml.Node) {
	n := k.node
	if n.Kind == yaml.MappingNode {
		return child(n, "at"), child(n, "to"), child(n, "ease")
	}
	at, to = behind(n.Content[0]), behind(n.Content[1])
	if len(n.Content) > 2 {
		ease = behind(n.Content[2])
	}
	return at, to, ease
}

// track finds what is planned for a track, which may not be there yet.
func (p *plan) track(name string) (*trackPlan, error) {
	if t := p.tracks[name]; t != nil {
		return t, nil
	}
	target := p.target(name)
	if target == (Target{}) {
		_, err := p.targets(map[string]float64{name: 0})
		return nil, err
	}
	t := &trackPlan{name: name, target: target, node: child(child(p.m.root, "tracks"), name)}
	for _, written := range p.m.Script.Tracks {
		if written.Target != target {
			continue
		}
		items := itemsOf(t.node)
		for i := range written.Keys {
			k := &written.Keys[i]
			t.keys = append(t.keys, &keyPlan{key: k, node: items[k.Index], index: k.Index, at: k.Time, to: k.Value, waited: k.Soonest})
		}
	}
	t.old = len(t.keys)
	p.tracks[name] = t
	p.order = append(p.order, t)
	return t, nil
}

// key finds a key.
func (p *plan) key(at KeyAt) (*keyPlan, *trackPlan, error) {
	t, err := p.track(at.Track)
	if err != nil {
		return nil, nil, err
	}
	if at.Index < 0 || at.Index >= t.old {
		where := p.m.Script.At
		if t.node != nil {
			where = p.pos(t.node)
		}
		return nil, nil, refuse(where, "count from 0", "there is no key %d on the track %s; it has %d", at.Index, t.name, t.old)
	}
	return t.keys[at.Index], t, nil
}

// free refuses to move or delete a locked key.
func (p *plan) free(k *keyPlan, t *trackPlan, unlock bool) error {
	if k.key.Locked && !unlock {
		return refuse(k.key.At, "unlock it first", "the key of %s at %s is locked and keeps its time", t.name, FormatSeconds(k.key.Time))
	}
	return nil
}

func (p *plan) setKey(at KeyAt, time, value *float64, ease *string, unlock bool) error {
	k, t, err := p.key(at)
	if err != nil {
		return err
	}
	if k.gone {
		return refuse(k.key.At, "leave one of the two out", "the key of %s at %s is changed and deleted at once", t.name, FormatSeconds(k.key.Time))
	}
	if time != nil {
		if err := p.free(k, t, unlock); err != nil {
			return err
		}
		if bad := checkTime(*time); bad != nil {
			return refuse(k.key.TimeAt, bad.hint, "the time of a key of track %s: %s", t.name, bad.text)
		}
		k.time = time
	}
	if value != nil {
		k.value = value
	}
	if ease != nil {
		k.ease = ease
	}
	return nil
}

func (c *SetKey) plan(p *plan) error { return p.setKey(c.KeyAt, c.Time, c.Value, c.Ease, c.Unlock) }

func (c *AddKey) plan(p *plan) error {
	t, err := p.track(c.Track)
	if err != nil {
		return err
	}
	if bad := checkTime(c.Time); bad != nil {
		return refuse(p.m.Script.At, bad.hint, "the time of a key of track %s: %s", t.name, bad.text)
	}
	k := &keyPlan{time: &c.Time, value: &c.Value, at: c.Time}
	if c.Ease != "" {
		k.ease = &c.Ease
	}
	t.keys = append(t.keys, k)
	return nil
}

func (p *plan) deleteKey(at KeyAt, unlock bool) error {
	k, t, err := p.key(at)
	if err != nil {
		return err
	}
	if k.time != nil || k.value != nil || k.ease != nil {
		return refuse(k.key.At, "leave one of the two out", "the key of %s at %s is changed and deleted at once", t.name, FormatSeconds(k.key.Time))
	}
	k.gone = true
	return p.free(k, t, unlock)
}

func (c *DeleteKeys) plan(p *plan) error {
	for _, at := range c.Keys {
		if err := p.deleteKey(at, c.Unlock); err != nil {
			return err
		}
	}
	return nil
}

func (c *ShiftKeys) plan(p *plan) error {
	by := c.Time
	if c.Frames != 0 {
		if !p.m.Script.FPS.Given() {
			return refuse(p.m.Script.At, "add fps: 24, or move by seconds", "keys cannot move by frames, since the motion has no fps")
		}
		by += p.m.Script.FPS.Seconds(float64(c.Frames))
	}
	for _, at := range c.Keys {
		k, _, err := p.key(at)
		if err != nil {
			return err
		}
		var time, value *float64
		if by != 0 {
			t := k.key.Time + by
			time = &t
		}
		if c.Value != 0 {
			v := k.key.Value + c.Value
			value = &v
		}
		if err := p.setKey(at, time, value, nil, c.Unlock); err != nil {
			return err
		}
	}
	return nil
}

func (c *StretchKeys) plan(p *plan) error {
	if !(c.Factor > 0 && c.Factor <= 1e6) {
		return refuse(p.m.Script.At, "give a factor above 0, as 1.5", "keys cannot be stretched by %s", formatNumber(c.Factor))
	}
	for _, at := range c.Keys {
		k, _, err := p.key(at)
		if err != nil {
			return err
		}
		if k.key.Soonest {
			continue
		}
		t := c.Anchor + float64((k.key.Time-c.Anchor)*c.Factor)
		if err := p.setKey(at, &t, nil, nil, c.Unlock); err != nil {
			return err
		}
	}
	return nil
}

func (c *MirrorKeys) plan(p *plan) error {
	twin := map[*Axis]*Axis{}
	for _, pair := range p.m.Script.Rig.Pairs {
		twin[pair[0]], twin[pair[1]] = pair[1], pair[0]
	}
	for _, at := range c.Keys {
		k, t, err := p.key(at)
		if err != nil {
			return err
		}
		a := t.target.Axis
		if a != nil && (a.Kind == Switch || a.Kind == Dimmer) {
			continue
		}
		if a == nil || twin[a] == nil {
			v := t.target.Rest() - (k.key.Value - t.target.Rest())
			if err := p.setKey(at, nil, &v, nil, false); err != nil {
				return err
			}
			continue
		}
		if err := p.mirror(k, t, twin[a]); err != nil {
			return err
		}
	}
	return nil
}

// mirror sends a key to the other axis of its pair.
func (p *plan) mirror(k *keyPlan, t *trackPlan, twin *Axis) error {
	if k.gone || k.time != nil || k.value != nil || k.ease != nil {
		return refuse(k.key.At, "do one after the other", "the key of %s at %s is mirrored and changed at once", t.name, FormatSeconds(k.key.Time))
	}
	other, err := p.track(twin.Name)
	if err != nil {
		return err
	}
	k.gone = true
	v := twin.Rest.V - (k.key.Value - t.target.Rest())
	other.keys = append(other.keys, &keyPlan{value: &v, at: k.key.Time, from: k, waited: k.key.Soonest})
	return nil
}

// settleTrack finds the times, values and order of a track's keys, and what is written.
func (p *plan) settleTrack(t *trackPlan) error {
	for _, k := range t.keys {
		if k.gone || k.waited {
			continue
		}
		if err := p.settleKeyTime(t, k); err != nil {
			return err
		}
	}
	for _, k := range t.keys {
		if k.value != nil {
			k.to = *k.value
		}
	}
	order := t.inOrder()
	for i, k := range order {
		if k.waited {
			if err := p.settleSoonest(t, order, i); err != nil {
				return err
			}
		}
	}
	for _, k := range order {
		if k.node == nil {
			continue
		}
		if err := p.settleKey(t, k); err != nil {
			return err
		}
	}
	p.expectKeys(t, order)
	return p.settleItems(t, order)
}

// settleKeyTime finds where a key with a time of its own will be.
func (p *plan) settleKeyTime(t *trackPlan, k *keyPlan) error {
	if k.node == nil {
		return nil // once its neighbours are known
	}
	at, _, _ := k.parts()
	w, ok := p.timeAt(at)
	if !ok {
		return refuse(k.key.TimeAt, "write it plainly, as in 1.2s", "the time of this key cannot be written anew")
	}
	if k.time == nil {
		now, err := p.clock().moment(p.renamed(w))
		if k.at = now; err != nil && !p.markGone(w.note.mark) {
			return refuse(k.key.TimeAt, err.hint, "the time of a key of track %s: %s", t.name, err.text)
		}
		return nil
	}
	text, now, err := p.timeText(w.note, at.Value, *k.time, p.offsetLike(t, k))
	if err != nil {
		return refuse(k.key.TimeAt, err.hint, "the time of a key of track %s: %s", t.name, err.text)
	}
	k.at, k.grain = now, p.grain(w.note)
	p.asked[at] = true
	return p.write(at, text)
}

// offsetLike gives the notation of the nearest key of a track whose time has a number.
func (p *plan) offsetLike(t *trackPlan, k *keyPlan) notation {
	best, like := math.Inf(1), notation{}
	for _, other := range t.keys[:t.old] {
		at, _, _ := other.parts()
		if w, ok := p.timeAt(at); ok && other != k && w.note.form != onMark && math.Abs(w.time-k.key.Time) < best {
			best, like = math.Abs(w.time-k.key.Time), w.note
		}
	}
	if like.form == inTimecode || like.form == inDropFrame {
		like = notation{form: inFrames, after: "f"}
	}
	return like
}

// inOrder gives the keys that stay, in order of time. A key at soonest stays behind
// the one that it counts from.
func (t *trackPlan) inOrder() []*keyPlan {
	var groups [][]*keyPlan
	for _, k := range t.keys {
		switch n := len(groups); {
		case k.gone:
		case k.waited && k.from == nil && n > 0:
			groups[n-1] = append(groups[n-1], k)
		default:
			groups = append(groups, []*keyPlan{k})
		}
	}
	sort.SliceStable(groups, func(i, j int) bool { return groups[i][0].at < groups[j][0].at })
	return slices.Concat(groups...)
}

// settleSoonest finds when a key at soonest will be, and how long it waits to be at
// the time that is asked for.
func (p *plan) settleSoonest(t *trackPlan, order []*keyPlan, i int) error {
	k := order[i]
	if i == 0 || k.node == nil {
		return nil // the reader says what is wrong
	}
	profile, why := t.target.Soonest(order[i-1].to, k.to)
	if why != "" {
		return nil
	}
	arrive := order[i-1].at + profile.Duration()
	k.at = arrive + k.key.wait
	if k.time == nil {
		return nil
	}
	wait := *k.time - arrive
	if wait < -timeGrain {
		return refuse(k.key.TimeAt, "move it to "+FormatSeconds(math.Ceil(arrive*1000)/1000)+" or later", "the key of %s at soonest cannot be at %s; it arrives at %s", t.name, FormatSeconds(*k.time), FormatSeconds(arrive))
	}
	at, _, _ := k.parts()
	text := "soonest"
	n := notation{form: inUnit, after: "s", per: 1}
	if _, by, ok := strings.Cut(at.Value, "+"); ok {
		n = p.draft.notationOf(by, p.draft.clock(nil))
	}
	k.grain = p.grain(n)
	if wait > timeGrain/2 {
		text += "+" + p.number(n, wait, 0, func(text string) bool {
			d, err := p.clock().duration(text)
			return err == nil && math.Abs(d-wait) <= timeGrain/2
		})
	}
	k.at = *k.time
	return p.write(at, text)
}

// settleKey writes the value and the ease of a key of the text.
func (p *plan) settleKey(t *trackPlan, k *keyPlan) error {
	_, to, ease := k.parts()
	if k.value != nil {
		text, bad := valueText(to.Value, t.target, *k.value)
		if bad != nil {
			return refuse(k.key.ValueAt, bad.hint, "a key of track %s: %s", t.name, bad.text)
		}
		if err := p.write(to, text); err != nil {
			return err
		}
	}
	if k.ease == nil {
		return nil
	}
	in, long := k.node, k.node.Kind == yaml.MappingNode
	switch {
	case *k.ease == "" && ease != nil && long:
		return p.drop(in, indexOf(in, "ease"))
	case *k.ease == "" && ease != nil:
		return p.drop(in, 2)
	case *k.ease == "":
		return nil
	case ease != nil:
		p.raw[ease] = scalarText(*k.ease, false) != *k.ease && ease.Style == 0
		return p.write(ease, *k.ease)
	case long:
		return p.enter(in, "ease", scalarText(*k.ease, false), indexOf(in, "to"))
	}
	text := scalarText(*k.ease, false)
	return p.place(in, text, []string{"- " + text}, 1)
}

// settleItems puts the keys of a track in order, with the new ones.
func (p *plan) settleItems(t *trackPlan, order []*keyPlan) error {
	if len(order) == 0 && t.node != nil {
		tracks := child(p.m.root, "tracks")
		return p.drop(tracks, indexOf(tracks, t.name))
	}
	var added []*addition
	var refs []int
	l := &listPlan{gone: map[int]bool{}}
	for _, k := range t.keys[:t.old] {
		if k.gone {
			l.gone[k.index] = true
			if err := p.forget(k.node); err != nil {
				return err
			}
		}
	}
	for _, k := range order {
		if k.node != nil {
			refs = append(refs, k.index)
			continue
		}
		a, err := p.newKey(t, k)
		if err != nil {
			return err
		}
		added = append(added, a)
		refs = append(refs, ^(len(added) - 1))
	}
	// A new key's time is known exactly only once it is written.
	l.added, l.order = added, t.sorted(order, refs)
	if len(l.gone)+len(l.added) == 0 && !l.moves() {
		return nil
	}
	if t.node != nil {
		if err := p.alone(t.node); err != nil {
			return err
		}
		p.lists[t.node] = l
		return nil
	}
	return p.newTrack(t, l)
}

// sorted gives the order of items again, after the times of new keys have been
// rounded to their notation.
func (t *trackPlan) sorted(order []*keyPlan, refs []int) []int {
	for i := range order {
		order[i].index = refs[i]
	}
	out := make([]int, 0, len(refs))
	for _, k := range t.inOrder() {
		out = append(out, k.index)
	}
	return out
}

// newTrack writes a track that is not there.
func (p *plan) newTrack(t *trackPlan, l *listPlan) error {
	var flow []string
	block := []string{scalarText(t.name, false) + ":"}
	for _, i := range l.order {
		flow = append(flow, l.added[^i].flow)
		block = append(block, indented(l.added[^i].block)...)
	}
	tracks := child(p.m.root, "tracks")
	if tracks == nil {
		return p.section("tracks", block...)
	}
	a, err := newAddition(block[0]+" ["+strings.Join(flow, ", ")+"]", block)
	if err != nil {
		return err
	}
	list, err := p.list(tracks)
	if err != nil {
		return err
	}
	list.insert(a, -1, len(tracks.Content)/2)
	return nil
}

// model finds the key whose form a new one takes: the nearest of its track, rather
// before than after it, else of any track.
func (p *plan) model(t *trackPlan, at float64) (node *yaml.Node, note notation, own bool) {
	best := math.Inf(1)
	look := func(items []*yaml.Node) {
		for _, item := range items {
			if item.Kind == yaml.SequenceNode && len(item.Content) < 2 {
				continue
			}
			k := keyPlan{node: item}
			n, _, _ := k.parts()
			w, ok := p.timeAt(n)
			far := math.Abs(w.time - at)
			if w.time > at {
				far += maxTime
			}
			if ok && far < best && !p.markGone(w.note.mark) {
				best, node, note = far, item, w.note
			}
		}
	}
	if look(itemsOf(t.node)); node != nil {
		return node, note, true
	}
	for tracks, i := child(p.m.root, "tracks"), 1; tracks != nil && i < len(tracks.Content); i += 2 {
		look(itemsOf(tracks.Content[i]))
	}
	return node, note, false
}

// newKey writes a new key.
func (p *plan) newKey(t *trackPlan, k *keyPlan) (*addition, error) {
	where := p.m.Script.At
	if t.node != nil {
		where = p.pos(t.node)
	}
	node, note, own := p.model(t, k.at)
	short, block := true, false
	if node != nil {
		short, block = node.Kind == yaml.SequenceNode, node.Kind == yaml.MappingNode && node.Style&yaml.FlowStyle == 0
	}
	time, value, ease, more, bad := "", "", "", []string(nil), (*quantityError)(nil)
	if k.from != nil {
		time, more = p.mirroredTime(k)
		_, to, e := k.from.parts()
		if value, bad = valueText(to.Value, t.target, *k.value); bad == nil && e != nil {
			ease = e.Value
		}
	} else {
		if !own {
			note = plainNotation(note, node != nil)
		}
		time, k.at, bad = p.timeText(note, "", *k.time, notation{})
		if note.form == onMark {
			time, k.at, bad = p.timeText(note, "", *k.time, p.offsetNear(t, *k.time))
		}
		k.grain = p.grain(note)
		if bad == nil {
			value, bad = p.newValue(t, node, own, *k.value)
		}
		if k.ease != nil {
			ease = *k.ease
		}
	}
	if bad != nil {
		return nil, refuse(where, bad.hint, "a new key of track %s: %s", t.name, bad.text)
	}
	flag := t.target.Axis != nil && t.target.Axis.Kind == Switch
	time, value = timeScalar(time), scalarText(value, flag)
	if short && len(more) == 0 {
		list := time + ", " + value
		if ease != "" {
			list += ", " + scalarText(ease, false)
		}
		return newAddition("["+list+"]", []string{"- [" + list + "]" + p.remark(k)})
	}
	parts := []string{"at: " + time, "to: " + value}
	if ease != "" {
		parts = append(parts, "ease: "+scalarText(ease, false))
	}
	parts = append(parts, more...)
	flow := "{" + strings.Join(parts, ", ") + "}"
	if block {
		return newAddition(flow, dashed(parts))
	}
	return newAddition(flow, []string{"- " + flow + p.remark(k)})
}

// remark gives the comment behind the key that a new one is mirrored from, with the
// blanks before it.
func (p *plan) remark(k *keyPlan) string {
	if k.from == nil {
		return ""
	}
	line := k.from.node.Line - 1
	start := p.offset(k.from.node)
	end := p.lines[line] + len(strings.TrimRight(p.lineText(line), "\r\n"))
	if after := p.end(start); after > start && after <= end {
		if from, to := p.comment(after, end); to > from {
			return p.text[from:end]
		}
	}
	return ""
}

// timeScalar quotes timecode, and marks whose names YAML would take for something else.
func timeScalar(text string) string {
	if strings.Contains(text, ":") {
		return quotedTime(text)
	}
	return scalarText(text, false)
}

// plainNotation gives a notation without a mark; seconds where there is none to follow.
func plainNotation(n notation, known bool) notation {
	if !known || n.form == onMark {
		return notation{form: inUnit, after: "s", per: 1}
	}
	n.mark, n.blank = "", ""
	return n
}

// offsetNear gives the notation of offsets near a time.
func (p *plan) offsetNear(t *trackPlan, at float64) notation {
	return p.offsetLike(t, &keyPlan{key: &Key{Time: at}})
}

// newValue writes a value as the model does, with or without a unit.
func (p *plan) newValue(t *trackPlan, node *yaml.Node, own bool, v float64) (string, *quantityError) {
	if node == nil {
		return freshValue(t.target, v, false)
	}
	_, to, _ := (&keyPlan{node: node}).parts()
	if own {
		return valueText(to.Value, t.target, v)
	}
	return freshValue(t.target, v, isBare(to.Value))
}

// mirroredTime gives the time of the key that a new one is mirrored from, as it is
// written, and what else is written there.
func (p *plan) mirroredTime(k *keyPlan) (text string, more []string) {
	at, _, _ := k.from.parts()
	text = at.Value
	if w, ok := p.timeAt(at); ok {
		text = p.renamed(w)
	}
	for _, name := range []string{"hold", "locked", "slack"} {
		if n := child(k.from.node, name); n != nil {
			more = append(more, name+": "+n.Value)
		}
	}
	return text, more
}

// expectKeys has what was asked for looked up in what was read.
func (p *plan) expectKeys(t *trackPlan, order []*keyPlan) {
	p.checks = append(p.checks, func(s *Script) error {
		var keys []Key
		for _, tr := range s.Tracks {
			if tr.Target.Name() == t.name {
				keys = tr.Keys
			}
		}
		if len(keys) != len(order) {
			return refuse(s.At, "write it by hand", "the track %s would have %d keys and not %d", t.name, len(keys), len(order))
		}
		for i, k := range t.inOrder() {
			got := keys[i]
			if k.time != nil && !(math.Abs(got.Time-*k.time) <= k.grain) || k.value != nil && !(math.Abs(got.Value-*k.value) <= valueGrain) {
				return refuse(got.At, "write it by hand", "a key of %s would be at %s with %s", t.name, FormatSeconds(got.Time), fmt.Sprint(got.Value))
			}
		}
		return nil
	})
}
