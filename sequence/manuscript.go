package sequence

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"
)

// Manuscript is the text of a motion file with what was read from it, ready to be
// changed. It is not changed itself, so that every step of a drag can begin from it.
type Manuscript struct {
	Text   []byte
	Script *Script

	root   *yaml.Node
	shared map[*yaml.Node]bool // what an alias uses a second time
}

// NewManuscript reads the text of a motion. loaded is that motion as it was loaded at
// some time, from this text or an older one: its rig, sounds and pace are used, and no
// file is opened. The error is of type Problems where the text is at fault.
func NewManuscript(text []byte, loaded *Script) (*Manuscript, error) {
	return OpenManuscript(text, loaded, nil)
}

// OpenManuscript is NewManuscript of a text that may name another pace file than loaded
// has, which open opens.
func OpenManuscript(text []byte, loaded *Script, open Open) (*Manuscript, error) {
	script, root, err := reread(loaded, text, open)
	switch {
	case err != nil:
		return nil, err
	case script.Rig == nil:
		return nil, errors.New("the rig of the motion is not known")
	case !plainBreaks(text):
		return nil, Problems{{At: Pos{loaded.File, 1, 1}, Text: errBreaks.Error()}}
	case root.Style&yaml.FlowStyle != 0:
		return nil, Problems{{At: Pos{loaded.File, root.Line, root.Column}, Text: errFlow.Error()}}
	}
	m := &Manuscript{Text: text, Script: script, root: root, shared: map[*yaml.Node]bool{}}
	markShared(root, false, m.shared)
	return m, nil
}

// markShared finds what is reached through an alias.
func markShared(n *yaml.Node, within bool, shared map[*yaml.Node]bool) {
	if n.Kind == yaml.AliasNode {
		n, within = n.Alias, true
		if n == nil || shared[n] {
			return
		}
	}
	if within {
		shared[n] = true
	}
	for _, c := range n.Content {
		markShared(c, within, shared)
	}
}

// Change gives the manuscript after a list of changes, all of them or none. Only the
// lines concerned differ; each time and value keeps its notation. What comes out has
// been read by the ordinary reader: what was asked for is there to within its notation
// (half a frame where a time is written in frames or as timecode, else 1 us; 1e-6 of a
// value's unit), and everything else says what it said. The error is of type Problems,
// at places of the text before the changes.
func (m *Manuscript) Change(changes []Change) (*Manuscript, error) {
	p := &plan{m: m, written: newWritten(m.Text), texts: map[*yaml.Node]string{}, lists: map[*yaml.Node]*listPlan{}, asked: map[*yaml.Node]bool{},
		tracks: map[string]*trackPlan{}, goneNodes: map[*yaml.Node]bool{}, marks: map[string]*markPlan{}, now: map[string]float64{}, raw: map[*yaml.Node]bool{}}
	p.draft = &Draft{script: m.Script, written: p.written, root: m.root}
	p.readTimes()
	for _, c := range changes {
		if err := c.plan(p); err != nil {
			return nil, err
		}
	}
	if err := p.settle(); err != nil {
		return nil, err
	}
	return p.finish()
}

// plan is what a list of changes makes of a text.
type plan struct {
	written
	m         *Manuscript
	draft     *Draft
	times     map[*yaml.Node]writtenTime
	texts     map[*yaml.Node]string // scalars with another text
	raw       map[*yaml.Node]bool   // of these, those that may not stand in quotes as they are
	lists     map[*yaml.Node]*listPlan
	asked     map[*yaml.Node]bool // times that a change names
	goneNodes map[*yaml.Node]bool
	marks     map[string]*markPlan // by their names before
	added     []*AddMark
	tracks    map[string]*trackPlan
	order     []*trackPlan
	timed     []timedPlan
	after     []func() error     // what is settled once all marks are known
	unlocked  bool               // what counts from a mark that moves may move
	now       map[string]float64 // times of marks by their names afterwards
	poses     []poseName
	checks    []func(s *Script) error
}

// timedPlan is a time that shall be another.
type timedPlan struct {
	node *yaml.Node
	to   float64
}

func (p *plan) pos(n *yaml.Node) Pos { return p.draft.pos(n) }

func refuse(at Pos, hint, format string, args ...any) error {
	return Problems{{At: at, Text: fmt.Sprintf(format, args...), Hint: hint}}
}

// list gives the plan of a list, which must be its own.
func (p *plan) list(n *yaml.Node) (*listPlan, error) {
	if err := p.alone(n); err != nil {
		return nil, err
	}
	if p.lists[n] == nil {
		p.lists[n] = &listPlan{gone: map[int]bool{}}
	}
	return p.lists[n], nil
}

// alone refuses what an alias uses elsewhere, too.
func (p *plan) alone(n *yaml.Node) error {
	if p.m.shared[n] {
		return refuse(p.pos(n), "write it out where the alias (*) stands", "what stands here serves several things by an alias, and cannot be changed for one of them")
	}
	return nil
}

// write gives a scalar another text.
func (p *plan) write(n *yaml.Node, text string) error {
	if text == n.Value {
		delete(p.texts, n)
		return nil
	}
	if err := p.alone(n); err != nil {
		return err
	}
	p.texts[n] = text
	return nil
}

// drop takes an item out of a list.
func (p *plan) drop(n *yaml.Node, i int) error {
	l, err := p.list(n)
	if err != nil {
		return err
	}
	l.gone[i] = true
	step := stepOf(n)
	for _, c := range n.Content[i*step : (i+1)*step] {
		if err := p.forget(c); err != nil {
			return err
		}
	}
	return nil
}

// forget marks what goes, which no alias may use.
func (p *plan) forget(n *yaml.Node) error {
	if err := p.alone(n); err != nil {
		return err
	}
	p.goneNodes[n] = true
	for _, c := range n.Content {
		if err := p.forget(c); err != nil {
			return err
		}
	}
	return nil
}

// indexOf gives the place of a key in a mapping, or -1.
func indexOf(n *yaml.Node, key string) int {
	for i := 0; n != nil && n.Kind == yaml.MappingNode && i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return i / 2
		}
	}
	return -1
}

// entry makes a new entry of a mapping: a name, and a value of one line.
func newEntry(name, value string) (*addition, error) {
	text := name + ": " + value
	return newAddition(text, []string{text})
}

// newAddition makes a new item or entry from its text in brackets and on lines; the
// latter begin with a dash where it is an item.
func newAddition(flow string, block []string) (*addition, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal([]byte(strings.Join(block, "\n")+"\n"), &doc); err != nil || len(doc.Content) == 0 {
		return nil, errors.New("what is to be written cannot be read: " + clip(flow, 80))
	}
	return &addition{flow: flow, block: block, nodes: doc.Content[0].Content}, nil
}

// enter puts a new entry into a mapping, after the one at an index, or last.
func (p *plan) enter(n *yaml.Node, name, value string, after int) error {
	a, err := newEntry(name, value)
	if err != nil {
		return err
	}
	l, err := p.list(n)
	if err != nil {
		return err
	}
	l.insert(a, after, len(n.Content)/stepOf(n))
	return nil
}

// insert puts an addition after the item at an index; -1: last.
func (l *listPlan) insert(a *addition, after, items int) {
	order := slices.Clone(l.ordered(items))
	at := len(order)
	if k := slices.Index(order, after); after >= 0 && k >= 0 {
		at = k + 1
	}
	l.added = append(l.added, a)
	l.order = slices.Insert(order, at, ^(len(l.added) - 1))
}

// section puts lines into a section that the motion does not have, in its usual place.
func (p *plan) section(name string, block ...string) error {
	root := p.m.root
	l, err := p.list(root)
	if err != nil {
		return err
	}
	for _, a := range l.added {
		if a.block[0] == name+":" {
			more, err := newAddition("", append(a.block, indented(block)...))
			if err == nil {
				a.block, a.nodes = more.block, more.nodes
			}
			return err
		}
	}
	a, err := newAddition("", append([]string{name + ":"}, indented(block)...))
	if err != nil {
		return err
	}
	a.apart = strings.Contains(strings.ReplaceAll(p.text, "\r\n", "\n"), "\n\n")
	order, at := l.ordered(len(root.Content)/2), 0
	for k, i := range order {
		other := ""
		if i < 0 {
			other = strings.TrimSuffix(l.added[^i].block[0], ":")
		} else {
			other = root.Content[2*i].Value
		}
		if rank(other) < rank(name) {
			at = k + 1
		}
	}
	l.added = append(l.added, a)
	l.order = slices.Insert(slices.Clone(order), at, ^(len(l.added) - 1))
	return nil
}

func rank(section string) int { return motionShape.index(section) }

func indented(lines []string) []string {
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = "  " + l
	}
	return out
}

// settle works out what is written where.
func (p *plan) settle() error {
	if err := p.settleMarks(); err != nil {
		return err
	}
	for _, t := range p.order {
		if err := p.settleTrack(t); err != nil {
			return err
		}
	}
	for _, settle := range p.after {
		if err := settle(); err != nil {
			return err
		}
	}
	for _, t := range p.timed {
		if err := p.settleTime(t.node, t.to); err != nil {
			return err
		}
	}
	if err := p.settleReferences(); err != nil {
		return err
	}
	return p.settlePoses()
}

// settleTime writes a time in its notation.
func (p *plan) settleTime(n *yaml.Node, to float64) error {
	if p.goneNodes[n] {
		return refuse(p.pos(n), "leave one of the two out", "what is at this time is moved and deleted at once")
	}
	w, ok := p.timeAt(n)
	if !ok {
		return refuse(p.pos(n), "write it plainly, as in 1.2s", "the time %q cannot be written anew", n.Value)
	}
	text, _, err := p.timeText(w.note, w.node.Value, to, notation{})
	if err != nil {
		return refuse(p.pos(n), err.hint, "%s", err.text)
	}
	return p.write(n, text)
}

// readTimes finds all times of the text, also those of envelopes.
func (p *plan) readTimes() {
	p.draft.read()
	for _, l := range itemsOf(child(p.m.root, "layers")) {
		if add := child(l, "add"); add != nil && child(add, layerNames[Envelope]) != nil {
			p.draft.time(child(l, "from"), Pos{}, "")
			p.draft.time(child(l, "to"), Pos{}, "")
		}
	}
	p.times = make(map[*yaml.Node]writtenTime, len(p.draft.times))
	for _, w := range p.draft.times {
		p.times[w.node] = w
	}
}

func (p *plan) timeAt(n *yaml.Node) (writtenTime, bool) {
	w, ok := p.times[n]
	return w, ok
}

// finish writes the text and proves it.
func (p *plan) finish() (*Manuscript, error) {
	ops, err := p.ops()
	if err != nil {
		return nil, err
	}
	if len(ops) == 0 {
		return p.m, nil
	}
	out := p.perform(ops)
	script, root, err := reread(p.m.Script, out, nil)
	if err != nil {
		return nil, p.placed(err, out)
	}
	if !p.same(p.m.root, root) {
		return nil, refuse(p.firstPlace(ops), "write each item on a line of its own, as in - [1.2s, 40deg]", "the change cannot be made without a change to something else")
	}
	if err := p.others(script); err != nil {
		return nil, err
	}
	for _, check := range p.checks {
		if err := check(script); err != nil {
			return nil, err
		}
	}
	m := &Manuscript{Text: out, Script: script, root: root, shared: map[*yaml.Node]bool{}}
	markShared(root, false, m.shared)
	return m, nil
}

func (p *plan) firstPlace(ops []op) Pos {
	line := sort.SearchInts(p.lines, ops[0].from+1)
	return Pos{p.m.Script.File, line, 1}
}

// ops gives the changes to the text.
func (p *plan) ops() (ops []op, err error) {
	for n, text := range p.texts {
		if p.goneNodes[n] {
			continue
		}
		o, ok := p.scalarOp(n, text)
		if !ok {
			return nil, refuse(p.pos(n), "write it plainly on one line, as in 1.2s", "%q cannot be written anew where it stands", clip(strings.TrimSpace(n.Value), 80))
		}
		ops = append(ops, o)
	}
	for n, l := range p.lists {
		if len(l.gone)+len(l.added) == 0 && !l.moves() || p.goneNodes[n] {
			continue
		}
		make := p.blockOp
		if n.Style&yaml.FlowStyle != 0 {
			make = p.flowOp
		}
		o, err := make(n, l)
		switch err {
		case nil:
		case errComments:
			return nil, refuse(p.pos(n), "write each item on a line of its own, beginning with a dash", "items of a list in brackets, with comments between them, cannot come, go or change places")
		default:
			return nil, refuse(p.pos(n), "write each item on a line of its own, without anchors (&)", "items of this list cannot come, go or change places as it is written")
		}
		ops = append(ops, o)
	}
	return ops, nil
}

// scalarOp puts a text in the place of a scalar. Blanks that line up what stands
// behind it take up the difference.
func (p *plan) scalarOp(n *yaml.Node, text string) (op, bool) {
	q, ok := p.replace(n, text)
	switch quotes := n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) != 0; {
	case !ok && p.raw[n] && quotes:
		if q.from = p.offset(n); q.from < 0 {
			return op{}, false
		}
		q.to = p.end(q.from)
		ok = q.to > q.from
	case !ok:
		return op{}, false
	}
	if p.raw[n] {
		q.with = scalarText(text, false)
	}
	behind := p.text[q.to:]
	if blanks := indentOf(strings.TrimPrefix(behind, ",")); ok && strings.HasPrefix(behind, ",") && blanks >= 2 && !strings.HasPrefix(strings.TrimLeft(behind[1:], " "), "#") {
		by := len([]rune(q.with)) - len([]rune(p.text[q.from:q.to]))
		q.to += 1 + blanks
		q.with += "," + strings.Repeat(" ", max(1, blanks-by))
	}
	return op{q.from, q.to, func(func(int, int) string) string { return q.with }}, ok
}

// same reports whether the document that was written says what the one before says
// with the changes.
func (p *plan) same(a, b *yaml.Node) bool {
	if text, ok := p.texts[a]; ok {
		return b.Kind == yaml.ScalarNode && b.Value == text
	}
	if a.Kind != b.Kind || a.Value != b.Value || tagOf(a) != tagOf(b) || a.Anchor != b.Anchor {
		return false
	}
	content := a.Content
	if l := p.lists[a]; l != nil {
		content = l.contents(a)
	}
	if len(content) != len(b.Content) {
		return false
	}
	for i := range content {
		if !p.same(content[i], b.Content[i]) {
			return false
		}
	}
	return true
}

// tagOf gives the tag of a node. Numbers have one tag: the reader of long lists does not
// tell whole ones apart.
func tagOf(n *yaml.Node) string {
	if n.Tag == "!!int" {
		return "!!float"
	}
	return n.Tag
}

// others refuses changes that give another meaning to a time that no change names,
// but for those that count from a mark that moves, and are not locked.
func (p *plan) others(after *Script) error {
	before, now := map[string]float64{}, map[string]float64{}
	for _, mark := range after.Marks {
		now[mark.Name] = mark.Time
	}
	for _, mark := range p.m.Script.Marks {
		before[mark.Name] = now[p.nameOf(mark.Name)]
	}
	c, d := p.draft.clock(before), p.draft.clock(now)
	locked := lockedTimes(p.m.root)
	for _, w := range p.draft.times {
		if p.asked[w.node] || p.goneNodes[w.node] {
			continue
		}
		text := w.node.Value
		if new, ok := p.texts[w.node]; ok {
			text = new
		}
		want, err1 := c.moment(w.node.Value)
		got, err2 := d.moment(text)
		switch {
		case err1 != nil || err2 != nil || math.Abs(want-got) > 1e-9:
			return refuse(p.pos(w.node), "choose another name", "the time %s would mean something else by the new name of a mark", w.node.Value)
		case locked[w.node] && math.Abs(got-w.time) > 1e-9 && !p.unlocked:
			return refuse(p.pos(w.node), "unlock it, or leave the mark where it is", "what is at %s is locked, and would move with the mark that it counts from", w.node.Value)
		}
	}
	return nil
}

// lockedTimes finds the times of what is locked.
func lockedTimes(root *yaml.Node) map[*yaml.Node]bool {
	out := map[*yaml.Node]bool{}
	var walk func(n *yaml.Node)
	walk = func(n *yaml.Node) {
		if at := child(n, "at"); at != nil && isTrue(child(n, "locked")) {
			out[at] = true
		}
		for _, c := range n.Content {
			walk(c)
		}
	}
	walk(root)
	return out
}

func isTrue(n *yaml.Node) bool { return n != nil && strings.EqualFold(n.Value, "true") }

// placed gives problems of the text that was tried at the places of the text before.
func (p *plan) placed(err error, tried []byte) error {
	problems := AsProblems(err)
	before, after := strings.SplitAfter(p.text, "\n"), strings.SplitAfter(string(tried), "\n")
	head := 0
	for head < len(before) && head < len(after) && before[head] == after[head] {
		head++
	}
	tail := 0
	for tail < len(before)-head && tail < len(after)-head && before[len(before)-1-tail] == after[len(after)-1-tail] {
		tail++
	}
	by := len(before) - len(after)
	out := make(Problems, len(problems))
	for i, q := range problems {
		switch line := q.At.Line - 1; {
		case q.At.File != p.m.Script.File || line < head:
		case line >= len(after)-tail:
			q.At.Line += by
		case by != 0:
			q.At.Line = min(q.At.Line, max(head+1, len(before)-tail))
			q.At.Column = 1
		}
		out[i] = q
	}
	return out
}

// scalarText gives text as a scalar is written; a word that other readers of YAML take
// for a flag, or what is no plain word, in quotes.
func scalarText(s string, flag bool) string {
	plain := s != "" && (isLetter(s[0]) || isDigit(s[0]) || len(s) > 1 && strings.ContainsRune("+-.", rune(s[0])) && (isDigit(s[1]) || s[1] == '.'))
	for i := 0; plain && i < len(s); i++ {
		plain = plainChar(s[i]) || s[i] == ' ' && i+1 < len(s) || strings.HasPrefix(s[i:], "°") || s[i] >= 0x80
	}
	switch strings.ToLower(s) {
	case "on", "off", "yes", "no", "y", "n", "true", "false":
		plain = plain && flag
	case "null":
		plain = false
	}
	if plain {
		return s
	}
	return strconv.Quote(s)
}
