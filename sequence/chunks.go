package sequence

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"unicode/utf8"

	"gopkg.in/yaml.v3"
)

// chunk is where an item of a list, or an entry of a mapping, stands in a text: in
// brackets from its first to its last character, else its lines.
type chunk struct {
	lead     int // where the comments above it begin that belong to it; from without any
	from, to int
}

// listPlan is what becomes of a list or mapping.
type listPlan struct {
	gone  map[int]bool // items that go, by index
	added []*addition
	order []int // items that stay, by index, and added ones as ^index; nil: as they are, then the added ones
}

// addition is a new item or entry.
type addition struct {
	flow  string   // in brackets
	block []string // on lines of its own, without its indent
	nodes []*yaml.Node
	apart bool // a blank line is put before it
}

func (l *listPlan) ordered(n int) []int {
	if l.order != nil {
		return l.order
	}
	var out []int
	for i := range n {
		if !l.gone[i] {
			out = append(out, i)
		}
	}
	for i := range l.added {
		out = append(out, ^i)
	}
	return out
}

// moves reports whether items that stay change places.
func (l *listPlan) moves() bool {
	last := -1
	for _, i := range l.order {
		if i < 0 {
			continue
		}
		if i < last {
			return true
		}
		last = i
	}
	return false
}

// contents gives the nodes that the list is to hold.
func (l *listPlan) contents(n *yaml.Node) []*yaml.Node {
	step := stepOf(n)
	var out []*yaml.Node
	for _, i := range l.ordered(len(n.Content) / step) {
		if i < 0 {
			out = append(out, l.added[^i].nodes...)
			continue
		}
		out = append(out, n.Content[i*step:(i+1)*step]...)
	}
	return out
}

// stepOf gives how many nodes an item has: an entry of a mapping has two.
func stepOf(n *yaml.Node) int {
	if n.Kind == yaml.MappingNode {
		return 2
	}
	return 1
}

var (
	errPlace    = errors.New("it cannot be found again in the text")
	errComments = errors.New("comments stand between its items in brackets")
)

// end gives the offset after what begins at an offset, in brackets.
func (w *written) end(at int) int {
	if at < 0 || at >= len(w.text) {
		return -1
	}
	switch c := w.text[at]; c {
	case '[', '{':
		return w.closing(at + 1)
	case '&', '!', '|', '>', '@', '`', '%':
		return -1
	case '"', '\'':
		for i := at + 1; i < len(w.text); i++ {
			switch {
			case w.text[i] == '\\' && c == '"':
				i++
			case w.text[i] != c:
			case c == '\'' && i+1 < len(w.text) && w.text[i+1] == c:
				i++
			default:
				return i + 1
			}
		}
		return -1
	}
	i, last := at, at
	for ; i < len(w.text) && !strings.ContainsRune(",[]{}\r\n", rune(w.text[i])); i++ {
		next := byte(' ')
		if i+1 < len(w.text) {
			next = w.text[i+1]
		}
		if w.text[i] == ':' && strings.ContainsRune(" \r\n,]}", rune(next)) || w.text[i] == '#' && i > at && w.text[i-1] == ' ' {
			break
		}
		if w.text[i] != ' ' && w.text[i] != '\t' {
			last = i + 1
		}
	}
	if last == at {
		return -1
	}
	return last
}

// closing gives the offset after the bracket that ends what at is in.
func (w *written) closing(at int) int {
	for at < len(w.text) {
		switch c := w.text[at]; {
		case c == ']' || c == '}':
			return at + 1
		case strings.ContainsRune(" \t\r\n,:?", rune(c)):
			at++
		case c == '#':
			next := strings.IndexByte(w.text[at:], '\n')
			if next < 0 {
				return -1
			}
			at += next
		default:
			if at = w.end(at); at < 0 {
				return -1
			}
		}
	}
	return -1
}

// flowUnits gives the items of a list in brackets and where it begins and ends.
func (w *written) flowUnits(n *yaml.Node) (units []chunk, from, to int, err error) {
	from = w.offset(n)
	if to = w.end(from); from < 0 || to < 0 || w.text[from] != '[' && w.text[from] != '{' {
		return nil, 0, 0, errPlace
	}
	step, last := stepOf(n), from+1
	for i := 0; i < len(n.Content); i += step {
		u := chunk{from: w.offset(n.Content[i]), to: w.end(w.offset(n.Content[i+step-1]))}
		if u.lead = u.from; u.from < last || u.to <= u.from || u.to >= to {
			return nil, 0, 0, errPlace
		}
		units, last = append(units, u), u.to
	}
	return units, from, to, nil
}

// lineText gives a line, counted from 0, with its end.
func (w *written) lineText(i int) string {
	if i+1 < len(w.lines) {
		return w.text[w.lines[i]:w.lines[i+1]]
	}
	return w.text[w.lines[i]:]
}

// lineStart gives where a line begins; after the last one, the end of the text.
func (w *written) lineStart(i int) int {
	if i < len(w.lines) {
		return w.lines[i]
	}
	return len(w.text)
}

func indentOf(line string) int { return len(line) - len(strings.TrimLeft(line, " ")) }

// blockUnits gives the items of a list, or the entries of a mapping, on lines of
// their own. The first one may begin after a dash.
func (w *written) blockUnits(n *yaml.Node) ([]chunk, error) {
	step, column := stepOf(n), n.Column-1
	var starts []int
	for i := 0; i < len(n.Content); i += step {
		line := n.Content[i].Line - 1
		for n.Kind == yaml.SequenceNode && line >= 0 && !isDash(w.lineText(line), column) {
			line--
		}
		if line < n.Line-1 || len(starts) > 0 && line <= starts[len(starts)-1] {
			return nil, errPlace
		}
		starts = append(starts, line)
	}
	units := make([]chunk, len(starts))
	for i, line := range starts {
		limit := len(w.lines)
		if i+1 < len(starts) {
			limit = starts[i+1]
		}
		flush := n.Kind == yaml.MappingNode && behind(n.Content[2*i+1]).Kind == yaml.SequenceNode
		end := line + 1
		for ; end < limit; end++ {
			text := w.lineText(end)
			if indent := indentOf(text); !isAside(text) && indent <= column && !(flush && isDash(text, column)) {
				break
			}
		}
		for end > line+1 && isAside(w.lineText(end-1)) {
			end--
		}
		u := chunk{from: w.lines[line], to: w.lineStart(end)}
		if text := w.lineText(line); indentOf(text) < column && n.Kind == yaml.MappingNode {
			if u.from = w.offset(n.Content[2*i]); i > 0 || u.from < 0 {
				return nil, errPlace
			}
		}
		u.lead = u.from
		for above := line - 1; i > 0 && w.lines[above] >= units[i-1].to; above-- {
			if text := strings.TrimSpace(w.lineText(above)); text == "" || text[0] != '#' {
				break
			}
			u.lead = w.lines[above]
		}
		units[i] = u
	}
	return units, nil
}

// isDash reports whether a line is an item of a list at a column.
func isDash(line string, column int) bool {
	if indentOf(line) != column || column >= len(line) || line[column] != '-' {
		return false
	}
	rest := line[column+1:]
	return rest == "" || strings.ContainsRune(" \t\r\n", rune(rest[0]))
}

// op puts another text in the place of what stands from from to to. render gets the
// texts of parts of that, with what else changes in them.
type op struct {
	from, to int
	render   func(part func(from, to int) string) string
}

// flowOp gives the change of a list in brackets.
func (w *written) flowOp(n *yaml.Node, l *listPlan) (op, error) {
	units, from, to, err := w.flowUnits(n)
	if err != nil {
		return op{}, err
	}
	var before []int // the item before each one that stays
	for i := range units {
		if !l.gone[i] {
			before = append(before, i-1)
		}
	}
	comment := strings.Contains(w.outside(units, from, to), "#")
	if comment && (l.moves() || len(l.added) > 0 || len(l.gone) > 0) {
		return op{}, errComments
	}
	return op{from, to, func(part func(from, to int) string) string {
		if len(units) == 0 {
			return w.text[from:from+1] + flowJoin(l.added) + w.text[to-1:to]
		}
		var b strings.Builder
		head := w.text[from:units[0].from]
		between := ", "
		if i := strings.LastIndexByte(head, '\n'); i >= 0 {
			between = "," + head[i:]
			if i > 0 && head[i-1] == '\r' {
				between = "," + head[i-1:]
			}
		}
		b.WriteString(head)
		slot := 0
		for k, i := range l.ordered(len(units)) {
			text := ""
			if i < 0 {
				text = l.added[^i].flow
			} else {
				text = part(units[i].from, units[i].to)
			}
			switch {
			case k == 0:
			case i >= 0 && slot > 0:
				u := before[slot]
				b.WriteString(w.text[units[u].to:units[u+1].from])
			default:
				b.WriteString(between)
			}
			if i >= 0 {
				slot++
			}
			b.WriteString(text)
		}
		b.WriteString(w.text[units[len(units)-1].to:to])
		return b.String()
	}}, nil
}

func flowJoin(added []*addition) string {
	var all []string
	for _, a := range added {
		all = append(all, a.flow)
	}
	return strings.Join(all, ", ")
}

// outside gives what stands between units.
func (w *written) outside(units []chunk, from, to int) string {
	var b strings.Builder
	for _, u := range units {
		b.WriteString(w.text[from:u.from])
		from = u.to
	}
	b.WriteString(w.text[from:to])
	return b.String()
}

// ending gives how the text ends its lines.
func (w *written) ending() string {
	if strings.Contains(w.text, "\r\n") {
		return "\r\n"
	}
	return "\n"
}

// blockOp gives the change of a list on lines.
func (w *written) blockOp(n *yaml.Node, l *listPlan) (op, error) {
	units, err := w.blockUnits(n)
	if err != nil || len(units) == 0 {
		return op{}, errPlace
	}
	from, to := units[0].lead, units[len(units)-1].to
	inline := from > 0 && w.text[from-1] != '\n'
	order := l.ordered(len(units))
	if inline && (len(order) == 0 || l.moves()) {
		return op{}, errPlace
	}
	return op{from, to, func(part func(from, to int) string) string {
		b := blockText{ending: w.ending(), indent: strings.Repeat(" ", n.Column-1), inline: inline}
		var chunks [][]string // for each slot: its unit, and what is added after it
		var first []string
		for _, i := range order {
			switch {
			case i >= 0:
				chunks = append(chunks, []string{part(units[i].lead, units[i].to)})
			case len(chunks) == 0:
				first = append(first, b.added(l.added[^i]))
			default:
				chunks[len(chunks)-1] = append(chunks[len(chunks)-1], b.added(l.added[^i]))
			}
		}
		for _, text := range first {
			b.add(text)
		}
		slot := 0
		for i, u := range units {
			if i > 0 {
				b.add(w.text[units[i-1].to:u.lead])
			}
			if l.gone[i] {
				b.add(commentLines(w.text[u.lead:u.to]))
				continue
			}
			for _, text := range chunks[slot] {
				b.add(text)
			}
			slot++
		}
		out := b.String()
		if !strings.HasSuffix(w.text[from:to], "\n") {
			out = strings.TrimSuffix(out, b.ending)
		}
		return out
	}}, nil
}

// blockText is lines that are being put together.
type blockText struct {
	bytes.Buffer
	ending, indent string
	inline         bool // the first one begins after a dash
}

func (b *blockText) add(text string) {
	if text == "" {
		return
	}
	if n := b.Len(); n > 0 && b.Bytes()[n-1] != '\n' {
		b.WriteString(b.ending)
	}
	if b.Len() == 0 && b.inline {
		text = strings.TrimPrefix(text, b.indent)
	}
	b.WriteString(text)
}

func (b *blockText) added(a *addition) string {
	out := ""
	if a.apart {
		out = b.ending
	}
	for _, line := range a.block {
		out += b.indent + line + b.ending
	}
	return out
}

// commentLines gives the lines of a text that are nothing but a comment.
func commentLines(text string) string {
	out := ""
	for _, line := range strings.SplitAfter(text, "\n") {
		if strings.HasPrefix(strings.TrimLeft(line, " \t"), "#") {
			out += line
		}
	}
	return out
}

// perform makes changes of which one may lie within another, and keeps comments at
// the ends of lines in their columns where there is room.
func (w *written) perform(ops []op) []byte {
	slices.SortStableFunc(ops, func(a, b op) int {
		if a.from != b.from {
			return a.from - b.from
		}
		return b.to - a.to
	})
	ops = append(ops, w.aligned(ops)...)
	slices.SortStableFunc(ops, func(a, b op) int {
		if a.from != b.from {
			return a.from - b.from
		}
		return b.to - a.to
	})
	return []byte(w.part(ops, 0, len(w.text)))
}

// part gives a part of the text with the changes in it, of which ops are in order.
func (w *written) part(ops []op, from, to int) string {
	var b strings.Builder
	at := from
	first, _ := slices.BinarySearchFunc(ops, from, func(o op, from int) int { return o.from - from })
	for i := first; i < len(ops) && ops[i].from < to; i++ {
		o := ops[i]
		if o.from < at || o.to > to {
			continue
		}
		b.WriteString(w.text[at:o.from])
		b.WriteString(o.render(func(from, to int) string { return w.part(ops[i+1:], from, to) }))
		at = o.to
	}
	b.WriteString(w.text[at:to])
	return b.String()
}

// aligned gives the changes of the blanks before comments at the ends of lines, which
// take up what the lines become longer or shorter.
func (w *written) aligned(ops []op) (out []op) {
	covered := -1
	for i := 0; i < len(ops); {
		if ops[i].to <= covered || strings.Contains(w.text[ops[i].from:ops[i].to], "\n") {
			i++
			continue
		}
		end := ops[i].to + strings.IndexByte(w.text[ops[i].to:]+"\n", '\n')
		by, last := 0, 0
		for ; i < len(ops) && ops[i].from < end; i++ {
			o := ops[i]
			if o.from < last || o.to > end {
				continue
			}
			text := o.render(func(from, to int) string { return w.part(ops[i+1:], from, to) })
			by += utf8.RuneCountInString(text) - utf8.RuneCountInString(w.text[o.from:o.to])
			last = o.to
		}
		covered = last
		if from, to := w.comment(last, end); by != 0 && to-from >= 2 {
			blanks := strings.Repeat(" ", max(1, to-from-by))
			out = append(out, op{from, to, func(func(int, int) string) string { return blanks }})
		}
	}
	return out
}

// comment gives the blanks before the comment of a line, looking from a place that is
// within no quotes.
func (w *written) comment(from, end int) (int, int) {
	quote := byte(0)
	for i := from; i < end; i++ {
		switch c := w.text[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case (c == '"' || c == '\'') && strings.ContainsRune(" [{,:", rune(w.text[i-1])):
			quote = c
		case c == '#' && i > from && w.text[i-1] == ' ':
			start := i
			for start > from && w.text[start-1] == ' ' {
				start--
			}
			return start, i
		}
	}
	return 0, 0
}
