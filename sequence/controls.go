package sequence

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gopkg.in/yaml.v3"
)

// rawShare is a share of a mix before the unit of its control is known.
type rawShare struct {
	Share
	per string // the control's unit as the share's own unit tells it; "" where it has none
}

// readControls reads the mixes. Names are entered first, since a control may
// mix another that comes later in the file.
func (r *rigReader) readControls(f *fields) {
	entries, partial := f.section("controls")
	r.rig.partial = r.rig.partial || partial
	var own []entry
	for _, e := range entries {
		r.goodName(e, "control")
		if a, taken := r.axes.known[e.name]; taken {
			r.bad(e.key, "give the control a name of its own", "%q is an axis already (line %d)", e.name, a.At.Line)
			continue
		}
		c := &Control{Name: e.name, At: r.at(e.key)}
		r.controls[e.name] = c
		r.rig.Controls = append(r.rig.Controls, c)
		own = append(own, e)
	}
	shares := map[*Control][]rawShare{}
	for i, e := range own {
		c := r.rig.Controls[i]
		before := r.report.total
		shares[c] = r.shares(e, c, partial)
		c.doubtful = r.report.total > before
	}
	if r.cyclic(shares) {
		for _, c := range r.rig.Controls {
			c.Shares, c.Unit, c.doubtful = nil, "deg", true
		}
		return
	}
	done := map[*Control]int{}
	for _, c := range r.rig.Controls {
		r.settleControl(c, shares, done)
	}
}

func (r *rigReader) shares(e entry, c *Control, partial bool) []rawShare {
	var out []rawShare
	what := "control " + e.name
	for _, s := range r.entries(e.value, what) {
		sh := rawShare{Share: Share{At: r.at(s.key), Axis: r.axes.known[s.name], Control: r.controls[s.name]}}
		if sh.Axis == nil && sh.Control == nil {
			c.doubtful = true
			if !partial && !r.axes.excused(s.name) {
				known := append(keysOf(r.axes.known), keysOf(r.controls)...)
				r.bad(s.key, r.nameHint(s.name, known, "axis or control"), "%s: there is no axis or control %q", what, s.name)
			}
			continue
		}
		if sh.Axis != nil && sh.Axis.Kind == Switch {
			r.bad(s.key, "use a cue to set a switch", "%s: %s is a switch and cannot be mixed", what, s.name)
			continue
		}
		text, ok := r.scalar(s.value, "the share of "+s.name, "a number")
		if !ok {
			continue
		}
		v, unit, err := parseNumber(text)
		if err != nil {
			if err.hint == "" {
				err.hint = "write for example 0.5, or 0.5mm/deg"
			}
			r.bad(s.value, err.hint, "the share of %s: %s", s.name, err.text)
			continue
		}
		sh.Share.Share = v
		if math.Abs(v) > 1e6 {
			r.bad(s.value, rangeHint(plain, -1e6, 1e6), "the share of %s is %s, which is out of range", s.name, text)
			continue
		}
		if unit != "" && !r.shareUnit(s, &sh, unit) {
			continue
		}
		out = append(out, sh)
	}
	if n := r.resolve(e.value); n != nil && n.Kind == yaml.MappingNode && len(n.Content) == 0 {
		r.bad(e.key, "write for example {head-pan: 1}", "%s mixes nothing", what)
	}
	return out
}

// shareUnit reads the unit of a share, such as mm/deg: of the target, a unit of
// the control.
func (r *rigReader) shareUnit(e entry, sh *rawShare, unit string) bool {
	num, den, ok := strings.Cut(unit, "/")
	nu, okNum := shareDim(num)
	du, okDen := shareDim(den)
	if !ok || !okNum || !okDen {
		r.bad(e.value, "write it as 0.5mm/deg: units of the axis a unit of the control", "the share of %s has the unit %q", e.name, unit)
		return false
	}
	if sh.Axis != nil && naturalUnit[nu.dim] != sh.Axis.Unit {
		if sh.Axis.doubtful {
			return true
		}
		r.bad(e.value, fmt.Sprintf("write %s/%s", sh.Axis.Unit, den), "the share of %s is in %s, but %s moves in %s", e.name, unit, e.name, sh.Axis.Unit)
		return false
	}
	sh.Share.Share = sh.Share.Share * (nu.num / nu.den) / (du.num / du.den)
	sh.per = naturalUnit[du.dim]
	return true
}

func (s *rawShare) doubtful() bool { return Target{s.Axis, s.Control}.doubtful() }

func shareDim(name string) (unit, bool) {
	for _, u := range units[strings.TrimSpace(name)] {
		if u.dim == angle || u.dim == length || u.dim == ratio {
			return u, true
		}
	}
	return unit{}, false
}

// cyclic reports a control that mixes itself, over whatever way.
func (r *rigReader) cyclic(shares map[*Control][]rawShare) bool {
	state := map[*Control]int{} // 1 on the way, 2 done
	var way []string
	found := false
	var visit func(c *Control)
	visit = func(c *Control) {
		state[c] = 1
		way = append(way, c.Name)
		for _, s := range shares[c] {
			if s.Control == nil {
				continue
			}
			switch state[s.Control] {
			case 1:
				from := slices.Index(way, s.Control.Name)
				r.report.add(s.At, "take one of them out of the other's mix", "control %s mixes itself: %s -> %s", s.Control.Name, strings.Join(way[from:], " -> "), s.Control.Name)
				found = true
			case 0:
				visit(s.Control)
			}
		}
		state[c], way = 2, way[:len(way)-1]
	}
	for _, c := range r.rig.Controls {
		if state[c] == 0 {
			visit(c)
		}
	}
	return found
}

// maxMix bounds the ways by which a control moves axes, over all controls in
// between: mixes of mixes can double them at each step.
const maxMix = 10000

// settleControl finds the unit of a control after those that it mixes. It gives
// the number of ways by which the control moves axes, and keeps it in done.
func (r *rigReader) settleControl(c *Control, shares map[*Control][]rawShare, done map[*Control]int) int {
	if ways, ok := done[c]; ok {
		return ways
	}
	ways := 0
	for _, s := range shares[c] {
		if s.Control != nil {
			ways += r.settleControl(s.Control, shares, done)
		} else {
			ways++
		}
	}
	if ways > maxMix {
		r.report.add(c.At, "mix fewer controls", "control %s moves axes in more than %d ways", c.Name, maxMix)
		c.doubtful, ways, shares[c] = true, 0, nil
	}
	done[c] = ways
	for _, s := range shares[c] {
		u := s.per
		if u == "" {
			u = Target{s.Axis, s.Control}.Unit()
		}
		switch c.Unit {
		case "":
			c.Unit = u
		case u:
		default:
			if c.doubtful || s.doubtful() {
				c.doubtful = true
				continue
			}
			c.doubtful = true
			r.report.add(s.At, fmt.Sprintf("give this share a unit, such as 0.5%s/%s", Target{s.Axis, s.Control}.Unit(), c.Unit),
				"control %s is in %s, but its share of %s is in %s", c.Name, c.Unit, Target{s.Axis, s.Control}.Name(), u)
			continue
		}
		c.Shares = append(c.Shares, s.Share)
	}
	if c.Unit == "" {
		c.Unit = "deg"
	}
	return ways
}

func (r *rigReader) readJoints(rf *fields) {
	entries, partial := rf.section("joints")
	joints := newIndex[*Joint]()
	joints.partial = partial
	byName := joints.known
	nodes := map[string]*yaml.Node{}
	for _, e := range entries {
		r.goodName(e, "joint")
		j := &Joint{Name: e.name, At: r.at(e.key)}
		f := r.open(e.value, jointShape, "joint "+e.name)
		if p := f.node("parent"); p != nil {
			j.Parent, _ = r.scalar(p, f.label("parent"), "a name")
			nodes[e.name] = p
		}
		if f.has("at") {
			j.Origin = r.triple(f.node("at"), f.label("at"), length, 3)
		}
		j.Turns = r.jointMove(f, "turns", "about", turnsShape)
		j.Slides = r.jointMove(f, "slides", "along", slidesShape)
		if f.has("solid") {
			j.Solid = r.solid(r.open(f.node("solid"), solidShape, "solid of joint "+e.name))
		}
		byName[e.name] = j
		r.rig.Joints = append(r.rig.Joints, j)
	}
	for _, j := range r.rig.Joints {
		if j.Parent == "" {
			continue
		}
		if _, ok := lookup(r.decoder, nodes[j.Name], "parent of joint "+j.Name, "joint", joints); !ok {
			j.Parent = ""
		}
	}
	r.jointTree(byName)
}

// jointTree refuses joints that carry themselves. Each joint is walked once.
func (r *rigReader) jointTree(byName map[string]*Joint) {
	walk := map[*Joint]int{} // the number of the walk that met a joint
	for i, j := range r.rig.Joints {
		for up := j; up != nil && walk[up] == 0; up = byName[up.Parent] {
			walk[up] = i + 1
			if next := byName[up.Parent]; next != nil && walk[next] == i+1 {
				r.report.add(next.At, "one joint of the tree must have no parent", "joint %s is carried by itself", next.Name)
				up.Parent = ""
			}
		}
	}
}

func (r *rigReader) triple(n *yaml.Node, what string, dm dim, count int) [3]float64 {
	var out [3]float64
	items := r.items(n, what)
	if items == nil {
		return out
	}
	if len(items) != count {
		r.bad(n, commaHint(items, "write for example "+[]string{"[40mm, 80mm]", "[0, 0, 1]"}[count-2]), "%s has %s where %d belong", what, countOf(len(items), "number", "numbers"), count)
		return out
	}
	for i, item := range items {
		out[i] = r.number(item, what, dm, -maxAngle, maxAngle).V
	}
	return out
}

func (r *rigReader) jointMove(f *fields, name, direction string, s *shape) *JointMove {
	if !f.has(name) {
		return nil
	}
	m := r.open(f.node(name), s, name+" of "+f.what)
	out := &JointMove{}
	if m.has(direction) {
		before := r.report.total
		out.Along = r.triple(m.node(direction), m.label(direction), plain, 3)
		if out.Along == [3]float64{} && r.report.total == before {
			r.bad(m.node(direction), "write for example [0, 0, 1]", "%s has no direction", m.label(direction))
		}
	}
	if n := m.node("axis"); n != nil {
		out.Axis, _ = lookup(r.decoder, n, m.label("axis"), "axis", r.axes)
	}
	if out.Axis == nil {
		return nil
	}
	return out
}

func (r *rigReader) solid(f *fields) Solid {
	switch {
	case f.has("sphere"):
		return Solid{"sphere", [3]float64{f.num("sphere").V}}
	case f.has("box"):
		return Solid{"box", r.triple(f.node("box"), f.label("box"), length, 3)}
	case f.has("cylinder"):
		return Solid{"cylinder", r.triple(f.node("cylinder"), f.label("cylinder"), length, 2)}
	}
	return Solid{}
}
