package sequence

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"
)

// item finds an item of a list of the motion.
func (p *plan) item(section, noun string, index int) (list, item *yaml.Node, err error) {
	list = child(p.m.root, section)
	items := itemsOf(list)
	if index < 0 || index >= len(items) {
		return nil, nil, refuse(p.m.Script.At, "count from 0", "there is no %s %d; the motion has %d", noun, index, len(items))
	}
	return list, items[index], nil
}

// moveItem plans another time for an item that has one.
func (p *plan) moveItem(item *yaml.Node, noun string, to float64, unlock bool) (notation, error) {
	at := child(item, "at")
	if isTrue(child(item, "locked")) && !unlock {
		return notation{}, refuse(p.pos(item), "unlock it first", "this %s is locked and keeps its time", noun)
	}
	if bad := checkTime(to); bad != nil {
		return notation{}, refuse(p.pos(item), bad.hint, "the time of this %s: %s", noun, bad.text)
	}
	p.retime(at, to)
	w, _ := p.timeAt(at)
	return w.note, nil
}

// retime plans another time of a node.
func (p *plan) retime(n *yaml.Node, to float64) {
	p.asked[n] = true
	p.timed = append(p.timed, timedPlan{n, to})
}

func (p *plan) dropItem(section, noun string, index int, unlock bool) error {
	list, item, err := p.item(section, noun, index)
	if err != nil {
		return err
	}
	if isTrue(child(item, "locked")) && !unlock {
		return refuse(p.pos(item), "unlock it first", "this %s is locked", noun)
	}
	return p.drop(list, index)
}

// newIndex gives the index that an item of a list has afterwards.
func (p *plan) newIndex(section string, index int) int {
	list := child(p.m.root, section)
	l := p.lists[list]
	if l == nil {
		return index
	}
	for k, i := range l.ordered(len(list.Content)) {
		if i == index {
			return k
		}
	}
	return -1
}

func (c *SetCue) plan(p *plan) error {
	_, item, err := p.item("cues", "cue", c.Index)
	if err != nil {
		return err
	}
	if c.Time != nil {
		note, err := p.moveItem(item, "cue", *c.Time, c.Unlock)
		if err != nil {
			return err
		}
		p.checks = append(p.checks, func(s *Script) error {
			for _, q := range s.Cues {
				if q.Index == p.newIndex("cues", c.Index) && math.Abs(q.Time-*c.Time) <= p.grain(note) {
					return nil
				}
			}
			return refuse(p.pos(item), "write it by hand", "this cue would not be at %s", FormatSeconds(*c.Time))
		})
	}
	if c.Say == nil {
		return nil
	}
	if say := child(item, "say"); say != nil {
		p.raw[say] = scalarText(*c.Say, false) != *c.Say || say.Style != 0
		return p.write(say, *c.Say)
	}
	return p.enter(item, "say", strconv.Quote(*c.Say), -1)
}

// AddCue writes a cue as the nearest one is written, after the last that is not later.
func (c *AddCue) plan(p *plan) error {
	if bad := checkTime(c.Time); bad != nil {
		return refuse(p.m.Script.At, bad.hint, "the time of a cue: %s", bad.text)
	}
	if c.Say == "" && len(c.Set) == 0 {
		return refuse(p.m.Script.At, "let it say or set something", "this cue does nothing")
	}
	targets, err := p.targets(c.Set)
	if err != nil {
		return err
	}
	var sets []string
	for _, t := range targets {
		text, bad := freshValue(t, c.Set[t.Name()], false)
		if bad != nil {
			return refuse(p.m.Script.At, bad.hint, "a cue: %s", bad.text)
		}
		sets = append(sets, scalarText(t.Name(), false)+": "+text)
	}
	parts := []string{""}
	if len(sets) > 0 {
		parts = append(parts, "set: {"+strings.Join(sets, ", ")+"}")
	}
	if c.Say != "" {
		parts = append(parts, "say: "+strconv.Quote(c.Say))
	}
	p.after = append(p.after, func() error {
		return p.newItem("cues", "cue", c.Time, parts, 0, func(s *Script, now float64) bool {
			return slices.ContainsFunc(s.Cues, func(q Cue) bool { return q.Time == now && q.Say == c.Say && len(q.Set) == len(c.Set) })
		})
	})
	return nil
}

// newItem writes an item of a list as the nearest one is written, after the last that
// is not later. Its time is the part at an index; is says whether the item is there.
func (p *plan) newItem(section, noun string, time float64, parts []string, at int, is func(s *Script, now float64) bool) error {
	like, after := notation{form: inUnit, after: "s", per: 1}, -1
	list := child(p.m.root, section)
	style, best := yaml.FlowStyle, math.Inf(1)
	for i, item := range itemsOf(list) {
		w, ok := p.timeAt(child(item, "at"))
		if ok && w.time <= time {
			after = i
		}
		if ok && math.Abs(w.time-time) < best && (w.note.mark == "" || !p.markGone(w.note.mark)) && w.note.form != onMark {
			best, like, style = math.Abs(w.time-time), w.note, item.Style&yaml.FlowStyle
		}
	}
	text, now, bad := p.timeText(like, "", time, notation{})
	if bad != nil {
		return refuse(p.m.Script.At, bad.hint, "the time of a %s: %s", noun, bad.text)
	}
	p.checks = append(p.checks, func(s *Script) error {
		if is(s, now) {
			return nil
		}
		return refuse(s.At, "write it by hand", "the %s would not be at %s", noun, FormatSeconds(time))
	})
	parts[at] = "at: " + quotedTime(text)
	flow := "{" + strings.Join(parts, ", ") + "}"
	if list == nil {
		return p.section(section, "- "+flow)
	}
	block := []string{"- " + flow}
	if style == 0 {
		block = dashed(parts)
	}
	return p.place(list, flow, block, after)
}

// place puts a new item into a list after the one at an index that stays; -1: first.
func (p *plan) place(list *yaml.Node, flow string, block []string, after int) error {
	a, err := newAddition(flow, block)
	if err != nil {
		return err
	}
	l, err := p.list(list)
	if err != nil {
		return err
	}
	order := l.ordered(len(list.Content))
	l.added = append(l.added, a)
	at := 0
	for k, i := range order {
		if i >= 0 && i <= after || i < 0 && k == at {
			at = k + 1
		}
	}
	l.order = slices.Insert(slices.Clone(order), at, ^(len(l.added) - 1))
	return nil
}

// dashed gives the lines of an item that is a mapping.
func dashed(parts []string) []string {
	out := []string{"- " + parts[0]}
	for _, part := range parts[1:] {
		out = append(out, "  "+part)
	}
	return out
}

func (p *plan) markGone(name string) bool { return p.marks[name] != nil && p.marks[name].gone }

func (c *DeleteCue) plan(p *plan) error { return p.dropItem("cues", "cue", c.Index, c.Unlock) }

func (c *AddPlacement) plan(p *plan) error {
	if bad := checkTime(c.Time); bad != nil {
		return refuse(p.m.Script.At, bad.hint, "the time of a placement: %s", bad.text)
	}
	first, err := c.named(p)
	if err != nil {
		return err
	}
	parts := []string{first, ""}
	for _, m := range []struct {
		given bool
		text  string
	}{{c.Times != 0, "times: " + strconv.Itoa(c.Times)}, {c.Stretch != 0, "stretch: " + formatNumber(c.Stretch)}, {c.Mirror, "mirror: true"},
		{c.Ease != "", "ease: " + scalarText(c.Ease, false)}, {c.Locked, "locked: true"}} {
		if m.given {
			parts = append(parts, m.text)
		}
	}
	p.after = append(p.after, func() error {
		return p.newItem("place", "placement", c.Time, parts, 1, func(s *Script, now float64) bool {
			return slices.ContainsFunc(s.Places, func(q *Place) bool { return q.Time == now && c.is(q) })
		})
	})
	return nil
}

// named gives the part that names the pose or phrase, which must be there.
func (c *AddPlacement) named(p *plan) (string, error) {
	if (c.Pose == "") == (c.Phrase == "") {
		return "", refuse(p.m.Script.At, "give it one of the two", "a placement is of a pose or of a phrase")
	}
	if c.Phrase == "" {
		return "pose: " + scalarText(c.Pose, false), p.mustHavePose(c.Pose)
	}
	section, names := child(p.m.root, "phrases"), []string(nil)
	if indexOf(section, c.Phrase) < 0 {
		for i := 0; section != nil && i+1 < len(section.Content); i += 2 {
			names = append(names, section.Content[i].Value)
		}
		return "", p.unknown("phrase", c.Phrase, names)
	}
	return "phrase: " + scalarText(c.Phrase, false), nil
}

// mustHavePose refuses a pose that will not be there. One that is stored by another
// change of the list will.
func (p *plan) mustHavePose(name string) error {
	if slices.Contains(p.stored, name) {
		return nil
	}
	_, _, err := p.pose(name)
	return err
}

// is reports whether a placement is as the change asks for.
func (c *AddPlacement) is(q *Place) bool {
	named := q.Pose != nil && q.Pose.Name == c.Pose || q.Phrase != nil && q.Phrase.Name == c.Phrase
	return named && q.Times == max(1, c.Times) && (c.Stretch == 0 || math.Abs(q.Stretch-c.Stretch) <= valueGrain) && q.Mirror == c.Mirror && q.Locked == c.Locked
}

func (c *SetPlacement) plan(p *plan) error {
	_, item, err := p.item("place", "placement", c.Index)
	if err != nil {
		return err
	}
	note, err := p.moveItem(item, "placement", c.Time, c.Unlock)
	p.checks = append(p.checks, func(s *Script) error {
		for _, q := range s.Places {
			if q.Index == p.newIndex("place", c.Index) && math.Abs(q.Time-c.Time) <= p.grain(note) {
				return nil
			}
		}
		return refuse(p.pos(item), "write it by hand", "this placement would not be at %s", FormatSeconds(c.Time))
	})
	return err
}

func (c *DeletePlacement) plan(p *plan) error {
	return p.dropItem("place", "placement", c.Index, c.Unlock)
}

func (c *SetLayer) plan(p *plan) error {
	_, item, err := p.item("layers", "layer", c.Index)
	if err != nil {
		return err
	}
	for _, end := range []struct {
		name string
		to   *float64
	}{{"from", c.From}, {"to", c.To}} {
		if end.to == nil {
			continue
		}
		if bad := checkTime(*end.to); bad != nil {
			return refuse(p.pos(item), bad.hint, "%s of a layer: %s", end.name, bad.text)
		}
		if n := child(item, end.name); n != nil {
			p.retime(n, *end.to)
			continue
		}
		text := shortest(*end.to, func(text string) bool {
			v, err := strconv.ParseFloat(text, 64)
			return err == nil && math.Abs(v-*end.to) <= timeGrain/2
		})
		if err := p.enter(item, end.name, text+"s", -1); err != nil {
			return err
		}
	}
	p.expectLayer(c, item)
	return nil
}

func (p *plan) expectLayer(c *SetLayer, item *yaml.Node) {
	grain := timeGrain
	for _, name := range []string{"from", "to"} {
		if w, ok := p.timeAt(child(item, name)); ok {
			grain = max(grain, p.grain(w.note))
		}
	}
	p.checks = append(p.checks, func(s *Script) error {
		for _, l := range s.Layers {
			if l.Index == c.Index && (c.From == nil || math.Abs(l.From-*c.From) <= grain) && (c.To == nil || math.Abs(l.To-*c.To) <= grain) {
				return nil
			}
		}
		return refuse(p.pos(item), "write it by hand", "this layer would not end and begin as asked")
	})
}
