package sequence

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"
)

// markPlan is what becomes of a mark.
type markPlan struct {
	to     *float64
	name   string // its new one
	gone   bool
	unlock bool
}

// poseName is a pose that gets another name, "" where it goes.
type poseName struct{ from, to string }

// mark finds the place of a mark in its section.
func (p *plan) mark(name string) (section *yaml.Node, at int, err error) {
	section = child(p.m.root, "marks")
	if at = indexOf(section, name); at >= 0 {
		return section, at, nil
	}
	var names []string
	for _, m := range p.m.Script.Marks {
		names = append(names, m.Name)
	}
	return nil, 0, p.unknown("mark", name, names)
}

func (p *plan) unknown(noun, name string, names []string) error {
	d := decoder{file: p.m.Script.File, report: newReport()}
	return refuse(p.m.Script.At, d.nameHint(name, names, noun), "there is no %s %q", noun, clip(name, 80))
}

func (p *plan) markPlan(name string) *markPlan {
	if p.marks[name] == nil {
		p.marks[name] = &markPlan{name: name}
	}
	return p.marks[name]
}

// nameOf gives the new name of a mark.
func (p *plan) nameOf(mark string) string {
	if m := p.marks[mark]; m != nil {
		return m.name
	}
	return mark
}

func (c *SetMark) plan(p *plan) error {
	section, at, err := p.mark(c.Name)
	if err != nil {
		return err
	}
	if isTrue(child(section.Content[2*at+1], "locked")) && !c.Unlock {
		return refuse(p.pos(section.Content[2*at]), "unlock it first", "the mark %s is locked and keeps its time", c.Name)
	}
	if bad := checkTime(c.Time); bad != nil {
		return refuse(p.pos(section.Content[2*at]), bad.hint, "the mark %s: %s", c.Name, bad.text)
	}
	m := p.markPlan(c.Name)
	m.to, m.unlock = &c.Time, c.Unlock
	p.unlocked = p.unlocked || c.Unlock
	return nil
}

func (c *AddMark) plan(p *plan) error {
	if section := child(p.m.root, "marks"); indexOf(section, c.Name) >= 0 {
		return refuse(p.pos(section.Content[2*indexOf(section, c.Name)]), "move that one, or choose another name", "there is a mark %s already", c.Name)
	}
	if bad := checkTime(c.Time); bad != nil {
		return refuse(p.m.Script.At, bad.hint, "the mark %s: %s", clip(c.Name, 80), bad.text)
	}
	for _, other := range p.added {
		if other.Name == c.Name {
			return refuse(p.m.Script.At, "choose another name for one of them", "the mark %s is added twice", clip(c.Name, 80))
		}
	}
	p.added = append(p.added, c)
	return nil
}

func (c *RenameMark) plan(p *plan) error {
	section, at, err := p.mark(c.Name)
	if err != nil {
		return err
	}
	if other := indexOf(section, c.To); other >= 0 && c.To != c.Name {
		return refuse(p.pos(section.Content[2*other]), "choose another name", "there is a mark %s already", c.To)
	}
	p.markPlan(c.Name).name = c.To
	return p.rename(section.Content[2*at], c.To)
}

// rename writes a name, in quotes where YAML needs them.
func (p *plan) rename(n *yaml.Node, name string) error {
	p.raw[n] = scalarText(name, false) != name || strings.ContainsAny(name, "\\\"'")
	return p.write(n, name)
}

func (c *DeleteMark) plan(p *plan) error {
	section, at, err := p.mark(c.Name)
	if err != nil {
		return err
	}
	if isTrue(child(section.Content[2*at+1], "locked")) && !c.Unlock {
		return refuse(p.pos(section.Content[2*at]), "unlock it first", "the mark %s is locked", c.Name)
	}
	p.markPlan(c.Name).gone = true
	return p.drop(section, at)
}

// settleMarks finds the times of all marks, those first that others count from.
func (p *plan) settleMarks() error {
	times := map[string]writtenTime{}
	for _, w := range p.draft.times {
		if w.named != "" {
			times[w.named] = w
		}
	}
	for _, m := range p.m.Script.Marks {
		if err := p.settleMark(m.Name, times); err != nil {
			return err
		}
	}
	section := child(p.m.root, "marks")
	for _, c := range p.added {
		if err := p.settleNewMark(c, section, times); err != nil {
			return err
		}
	}
	return nil
}

func (p *plan) settleMark(name string, times map[string]writtenTime) error {
	if _, done := p.now[p.nameOf(name)]; done {
		return nil
	}
	w := times[name]
	if w.note.mark != "" {
		if err := p.settleMark(w.note.mark, times); err != nil {
			return err
		}
	}
	m := p.marks[name]
	if m == nil || m.to == nil || m.gone {
		text := p.renamed(w)
		now, err := p.clock().moment(text)
		if err != nil {
			return refuse(p.pos(w.node), "choose another name", "the time of the mark %s could not be read any more: %s", name, err.text)
		}
		p.now[p.nameOf(name)] = now
		return nil
	}
	text, now, err := p.timeText(w.note, w.node.Value, *m.to, notation{})
	if err != nil {
		return refuse(p.pos(w.node), err.hint, "the mark %s: %s", name, err.text)
	}
	p.now[m.name] = now
	p.asked[w.node] = true
	p.expectMark(m.name, *m.to, p.grain(w.note), p.pos(w.node))
	return p.write(w.node, text)
}

// renamed gives a time as it is written, with the new name of its mark.
func (p *plan) renamed(w writtenTime) string {
	if name := p.nameOf(w.note.mark); w.note.mark != "" && name != w.note.mark {
		return name + strings.TrimPrefix(strings.TrimSpace(w.node.Value), w.note.mark)
	}
	return w.node.Value
}

func (p *plan) expectMark(name string, to, grain float64, at Pos) {
	p.checks = append(p.checks, func(s *Script) error {
		for _, m := range s.Marks {
			if m.Name == name && math.Abs(m.Time-to) <= grain {
				return nil
			}
		}
		return refuse(at, "write it by hand", "the mark %s would not be at %s", name, FormatSeconds(to))
	})
}

// settleNewMark writes a mark as the nearest one is written, from the start.
func (p *plan) settleNewMark(c *AddMark, section *yaml.Node, times map[string]writtenTime) error {
	like := notation{form: inUnit, after: "s", per: 1}
	best := math.Inf(1)
	for _, m := range p.m.Script.Marks {
		if w := times[m.Name]; w.note.form != onMark && math.Abs(w.time-c.Time) < best {
			best, like = math.Abs(w.time-c.Time), w.note
		}
	}
	like.mark, like.blank = "", ""
	text, now, bad := p.timeText(like, "", c.Time, notation{})
	if bad != nil {
		return refuse(p.m.Script.At, bad.hint, "the mark %s: %s", clip(c.Name, 80), bad.text)
	}
	p.now[c.Name] = now
	p.expectMark(c.Name, c.Time, p.grain(like), p.m.Script.At)
	value := quotedTime(text)
	if c.Locked {
		value = "{at: " + value + ", locked: true}"
	}
	if section != nil {
		return p.enter(section, scalarText(c.Name, false), value, -1)
	}
	return p.section("marks", scalarText(c.Name, false)+": "+value)
}

// quotedTime quotes timecode, in which YAML may see something else.
func quotedTime(text string) string {
	if strings.Contains(text, ":") {
		return strconv.Quote(text)
	}
	return text
}

// settleReferences writes times that count from marks with other names, and refuses
// to delete marks that times count from.
func (p *plan) settleReferences() error {
	lines := map[string][]int{}
	for _, w := range p.draft.times {
		if p.goneNodes[w.node] || w.note.mark == "" {
			continue
		}
		if m := p.marks[w.note.mark]; m != nil && m.gone {
			lines[w.note.mark] = append(lines[w.note.mark], w.node.Line)
		}
		if _, written := p.texts[w.node]; written || p.asked[w.node] {
			continue
		}
		if text := p.renamed(w); text != w.node.Value {
			if err := p.write(w.node, text); err != nil {
				return err
			}
		}
	}
	if len(lines) > 0 {
		name := slices.Min(slices.Collect(maps.Keys(lines))) // the first is told
		section, i, err := p.mark(name)
		if err != nil {
			return err
		}
		return refuse(p.pos(section.Content[2*i]), "let that count from something else first", "times count from the mark %s, in %s", name, lineList(lines[name]))
	}
	return nil
}

// lineList names lines: "line 3", or "lines 3, 7 and 8".
func lineList(lines []int) string {
	sort.Ints(lines)
	var words []string
	for i, l := range lines {
		if i == 0 || l != lines[i-1] {
			words = append(words, strconv.Itoa(l))
		}
	}
	if n := len(words); n > 8 {
		words = append(words[:7:7], fmt.Sprintf("%d more", n-7))
	}
	if len(words) == 1 {
		return "line " + words[0]
	}
	return "lines " + strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// pose finds the place of a pose in its section.
func (p *plan) pose(name string) (section *yaml.Node, at int, err error) {
	section = child(p.m.root, "poses")
	if at = indexOf(section, name); at >= 0 {
		return section, at, nil
	}
	var names []string
	for _, q := range p.m.Script.Poses {
		names = append(names, q.Name)
	}
	return nil, 0, p.unknown("pose", name, names)
}

func (c *StorePose) plan(p *plan) error {
	if len(c.Values) > 0 && (c.At != nil || c.Of != nil) {
		return refuse(p.m.Script.At, "leave out the values, or the moment", "the pose %s has values, and a moment that they are taken from", clip(c.Name, 80))
	}
	if len(c.Values) == 0 {
		return refuse(p.m.Script.At, "give it the value of one axis or more", "the pose %s has no values", clip(c.Name, 80))
	}
	targets, err := p.targets(c.Values)
	if err != nil {
		return err
	}
	section := child(p.m.root, "poses")
	at := indexOf(section, c.Name)
	p.stored = append(p.stored, c.Name)
	p.expectPose(c)
	if at < 0 {
		return p.newPose(c, section, targets)
	}
	values := behind(section.Content[2*at+1])
	bare := true
	for i := 0; i+1 < len(values.Content); i += 2 {
		name, value := values.Content[i].Value, behind(values.Content[i+1])
		v, stays := c.Values[name]
		if !stays {
			if err := p.drop(values, i/2); err != nil {
				return err
			}
			continue
		}
		bare = bare && isBare(value.Value)
		text, bad := valueText(value.Value, p.target(name), v)
		if bad != nil {
			return refuse(p.pos(value), bad.hint, "%s of pose %s: %s", name, c.Name, bad.text)
		}
		if err := p.write(value, text); err != nil {
			return err
		}
	}
	for _, t := range targets {
		if indexOf(values, t.Name()) >= 0 {
			continue
		}
		text, bad := freshValue(t, c.Values[t.Name()], bare)
		if bad != nil {
			return refuse(p.pos(values), bad.hint, "%s of pose %s: %s", t.Name(), c.Name, bad.text)
		}
		if err := p.enter(values, scalarText(t.Name(), false), text, -1); err != nil {
			return err
		}
	}
	return nil
}

func (p *plan) newPose(c *StorePose, section *yaml.Node, targets []Target) error {
	bare := len(p.m.Script.Poses) > 0
	for i := 0; section != nil && i+1 < len(section.Content); i += 2 {
		values := behind(section.Content[i+1])
		for j := 1; j < len(values.Content); j += 2 {
			bare = bare && isBare(behind(values.Content[j]).Value)
		}
	}
	var list []string
	for _, t := range targets {
		text, bad := freshValue(t, c.Values[t.Name()], bare)
		if bad != nil {
			return refuse(p.m.Script.At, bad.hint, "%s of pose %s: %s", t.Name(), clip(c.Name, 80), bad.text)
		}
		list = append(list, scalarText(t.Name(), false)+": "+text)
	}
	value := "{" + strings.Join(list, ", ") + "}"
	if section != nil {
		return p.enter(section, scalarText(c.Name, false), value, -1)
	}
	return p.section("poses", scalarText(c.Name, false)+": "+value)
}

func (p *plan) expectPose(c *StorePose) {
	p.checks = append(p.checks, func(s *Script) error {
		for _, q := range s.Poses {
			if q.Name != c.Name || len(q.Values) != len(c.Values) {
				continue
			}
			good := true
			for _, v := range q.Values {
				want, ok := c.Values[v.Target.Name()]
				good = good && ok && math.Abs(v.Value-want) <= valueGrain
			}
			if good {
				return nil
			}
		}
		return refuse(s.At, "write it by hand", "the pose %s would not have these values", clip(c.Name, 80))
	})
}

// targets finds the axes and controls that values are for, in the rig's order.
func (p *plan) targets(values map[string]float64) (out []Target, err error) {
	rig, names := p.m.Script.Rig, []string{}
	for _, a := range rig.Axes {
		names = append(names, a.Name)
		if _, ok := values[a.Name]; ok {
			out = append(out, Target{Axis: a})
		}
	}
	for _, c := range rig.Controls {
		names = append(names, c.Name)
		if _, ok := values[c.Name]; ok {
			out = append(out, Target{Control: c})
		}
	}
	given := keysOf(values)
	sort.Strings(given)
	for _, name := range given {
		if p.target(name) == (Target{}) {
			return nil, p.unknown("axis or control", name, names)
		}
	}
	return out, nil
}

// target finds an axis or control by its name; none where there is none.
func (p *plan) target(name string) Target {
	for _, a := range p.m.Script.Rig.Axes {
		if a.Name == name {
			return Target{Axis: a}
		}
	}
	for _, c := range p.m.Script.Rig.Controls {
		if c.Name == name {
			return Target{Control: c}
		}
	}
	return Target{}
}

func (c *RenamePose) plan(p *plan) error {
	section, at, err := p.pose(c.Name)
	if err != nil {
		return err
	}
	if other := indexOf(section, c.To); other >= 0 && c.To != c.Name {
		return refuse(p.pos(section.Content[2*other]), "choose another name", "there is a pose %s already", c.To)
	}
	p.poses = append(p.poses, poseName{c.Name, c.To})
	return p.rename(section.Content[2*at], c.To)
}

func (c *DeletePose) plan(p *plan) error {
	section, at, err := p.pose(c.Name)
	if err != nil {
		return err
	}
	p.poses = append(p.poses, poseName{c.Name, ""})
	return p.drop(section, at)
}

// settlePoses writes the new names of poses where they are placed.
func (p *plan) settlePoses() error {
	for _, q := range p.poses {
		var lines []int
		for _, item := range itemsOf(child(p.m.root, "place")) {
			n := child(item, "pose")
			if n == nil || n.Value != q.from || p.goneNodes[n] {
				continue
			}
			lines = append(lines, n.Line)
			if q.to == "" {
				continue
			}
			if err := p.rename(n, q.to); err != nil {
				return err
			}
		}
		if q.to == "" && len(lines) > 0 {
			section, at, err := p.pose(q.from)
			if err != nil {
				return err
			}
			return refuse(p.pos(section.Content[2*at]), "delete those placements first", "the pose %s is placed in %s", q.from, lineList(lines))
		}
	}
	return p.settleSections()
}

// settleSections takes sections away of which all goes.
func (p *plan) settleSections() error {
	root := p.m.root
	for i := 0; i+1 < len(root.Content); i += 2 {
		n := root.Content[i+1]
		l := p.lists[n]
		if l == nil || len(l.added) > 0 || len(l.gone) == 0 || len(l.gone) < len(n.Content)/stepOf(n) {
			continue
		}
		if err := p.drop(root, i/2); err != nil {
			return err
		}
	}
	return nil
}
