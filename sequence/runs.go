package sequence

import (
	"bytes"
	"io"
	"strings"

	"gopkg.in/yaml.v3"
)

// Most of a long motion is lines that hold one key each:
//
//   - [1.2s, 40deg, in-out]
//   - {at: boat+2s, to: -20deg}
//
// The YAML library spends microseconds on each value of such a line. A run of
// such lines is therefore read here, and the library sees one item in place of
// the run. When anything about a document is out of the ordinary, it is read by
// the library alone: the result, place for place, is the same.

const (
	// maxParts and maxPlainBytes bound what the library is given, since its time
	// a value is long; maxRunLines bounds the memory of what is read here. A
	// motion of 32 axes, 100 minutes and a key a second has 192,000 keys.
	maxParts      = 300_000
	maxPlainBytes = 4 << 20
	maxRunLines   = 250_000

	minRunLines = 4
	runMark     = "limberjack-keys"
)

// keyRun is a stretch of lines of one indent that hold one short list or mapping each.
type keyRun struct {
	line  int
	items []*yaml.Node
}

// readRuns reads a document that has runs. It returns nil where there are none
// or the library has to read the whole.
func readRuns(data []byte) *yaml.Node {
	if !plainBreaks(data) || bytes.Contains(data, []byte(runMark)) {
		return nil
	}
	rest, runs := cutRuns(data)
	if len(runs) == 0 || len(rest) > maxPlainBytes || countParts(rest) > maxParts {
		return nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(rest))
	var doc, second yaml.Node
	if decodeNode(dec, &doc) != nil || decodeNode(dec, &second) != io.EOF {
		return nil
	}
	byLine := make(map[int]*keyRun, len(runs))
	for i := range runs {
		byLine[runs[i].line] = &runs[i]
	}
	if putRuns(&doc, byLine) != len(runs) {
		return nil
	}
	return doc.Content[0]
}

// plainBreaks reports whether lines end by LF or CR LF alone: not by a lone CR,
// NEL, LS or PS, which YAML 1.1 counts as line ends too.
func plainBreaks(data []byte) bool {
	for i := 0; i < len(data); {
		j := bytes.IndexByte(data[i:], '\r')
		if j < 0 {
			break
		}
		if i += j + 1; i >= len(data) || data[i] != '\n' {
			return false
		}
	}
	return !bytes.Contains(data, []byte("\u0085")) && !bytes.Contains(data, []byte("\u2028")) && !bytes.Contains(data, []byte("\u2029"))
}

// countParts estimates from above how many values a text holds. It takes linear
// time with a small factor.
func countParts(data []byte) int {
	n := 0
	for i, c := range data {
		switch c {
		case '\n', ',', ':', '[', '{', '?', '&', '*', '!', '#', '|', '>':
			n++
		case '-':
			if i+1 == len(data) || data[i+1] == ' ' || data[i+1] == '\n' || data[i+1] == '\r' {
				n++
			}
		}
	}
	return n
}

// putRuns puts the items of runs where their marks stand and counts them.
func putRuns(n *yaml.Node, byLine map[int]*keyRun) (count int) {
	for i := 0; i < len(n.Content); i++ {
		c := n.Content[i]
		run := byLine[c.Line]
		if c.Value != runMark || run == nil || n.Kind != yaml.SequenceNode {
			if len(c.Content) > 0 {
				count += putRuns(c, byLine)
			}
			continue
		}
		list := make([]*yaml.Node, 0, len(n.Content)+len(run.items))
		list = append(append(append(list, n.Content[:i]...), run.items...), n.Content[i+1:]...)
		n.Content = list
		i += len(run.items) - 1
		count++
	}
	return count
}

// cutRuns replaces each run by one item with the mark, and empty lines.
func cutRuns(data []byte) (rest []byte, runs []keyRun) {
	c := runCutter{text: string(data), indent: -1}
	for at, line := 0, 1; at < len(data); line++ {
		next := at + bytes.IndexByte(data[at:], '\n') + 1
		if next == at {
			next = len(data)
		}
		if c.line(at, next, line); c.total > maxRunLines {
			return data, nil
		}
		at = next
	}
	c.end(len(data))
	return c.rest, c.runs
}

// runCutter goes through a text line by line.
type runCutter struct {
	text   string
	slab   slab
	rest   []byte
	runs   []keyRun
	total  int    // lines in runs
	run    keyRun // the one that is open
	indent int    // of the open run; -1 where there is none
	start  int    // of the open run in the text
}

func (c *runCutter) line(at, next, number int) {
	indent, item := c.slab.line(c.text[at:next], number)
	if item == nil || indent != c.indent {
		c.end(at)
	}
	switch {
	case item == nil:
		c.rest = append(c.rest, c.text[at:next]...)
		return
	case c.indent < 0:
		c.indent, c.start, c.run = indent, at, keyRun{line: number}
	}
	c.run.items = append(c.run.items, item)
	c.total++
}

// end closes the open run, at a place in the text. A short one stays text.
func (c *runCutter) end(at int) {
	if c.indent < 0 {
		return
	}
	if len(c.run.items) < minRunLines {
		c.rest = append(c.rest, c.text[c.start:at]...)
	} else {
		c.rest = append(c.rest, strings.Repeat(" ", c.indent)+"- "+runMark...)
		c.rest = append(c.rest, strings.Repeat("\n", len(c.run.items))...)
		c.runs = append(c.runs, c.run)
	}
	c.run, c.indent = keyRun{}, -1
}

// slab hands out nodes from large blocks.
type slab struct {
	nodes   []yaml.Node
	content []*yaml.Node
}

func (s *slab) node(kind yaml.Kind, tag, value string, line, column int) *yaml.Node {
	if len(s.nodes) == cap(s.nodes) {
		s.nodes = make([]yaml.Node, 0, 1024)
	}
	s.nodes = append(s.nodes, yaml.Node{Kind: kind, Tag: tag, Value: value, Line: line, Column: column})
	return &s.nodes[len(s.nodes)-1]
}

// list gives room for n children.
func (s *slab) list(children []*yaml.Node) []*yaml.Node {
	if len(s.content)+len(children) > cap(s.content) {
		s.content = make([]*yaml.Node, 0, 2048)
	}
	from := len(s.content)
	s.content = append(s.content, children...)
	return s.content[from:len(s.content):len(s.content)]
}

// line reads "- [a, b]" or "- {a: b}" with plain or simply quoted scalars. It
// returns nil for any other line.
func (s *slab) line(text string, number int) (indent int, item *yaml.Node) {
	indent = skipSpaces(text, 0)
	if indent+3 >= len(text) || text[indent] != '-' || text[indent+1] != ' ' {
		return 0, nil
	}
	i := skipSpaces(text, indent+1)
	if i >= len(text) {
		return 0, nil
	}
	var buffer [12]*yaml.Node
	switch text[i] {
	case '[':
		if children := s.children(text, i+1, number, ']', buffer[:0]); children != nil {
			item = s.node(yaml.SequenceNode, "!!seq", "", number, i+1)
			item.Style, item.Content = yaml.FlowStyle, s.list(children)
		}
	case '{':
		if children := s.children(text, i+1, number, '}', buffer[:0]); children != nil {
			item = s.node(yaml.MappingNode, "!!map", "", number, i+1)
			item.Style, item.Content = yaml.FlowStyle, s.list(children)
		}
	}
	return indent, item
}

// children reads what stands between brackets, to the end of the line; nil where
// it is anything but scalars.
func (s *slab) children(text string, i, line int, closing byte, children []*yaml.Node) []*yaml.Node {
	for len(children)+2 <= cap(children) {
		if closing == '}' {
			key, after := s.scalar(text, i, line)
			if key == nil || key.Style != 0 || after+1 >= len(text) || text[after] != ':' || text[after+1] != ' ' {
				return nil
			}
			children, i = append(children, key), after+2
		}
		value, after := s.scalar(text, i, line)
		if value == nil || after >= len(text) {
			return nil
		}
		children = append(children, value)
		switch {
		case text[after] == closing && blankTail(text[after+1:]):
			return children
		case text[after] != ',':
			return nil
		}
		i = after + 1
	}
	return nil
}

func skipSpaces(text string, i int) int {
	for i < len(text) && text[i] == ' ' {
		i++
	}
	return i
}

// blankTail reports whether a line ends here but for spaces and a comment.
func blankTail(s string) bool {
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case ' ':
		case '\r':
			return i+1 < len(s) && s[i+1] == '\n'
		case '\n':
			return true
		case '#':
			return i > 0 && isPrintableASCII(s[i:])
		default:
			return false
		}
	}
	return true
}

// isPrintableASCII refuses comments whose characters the library would refuse.
func isPrintableASCII(s string) bool {
	for i := 0; i < len(s); i++ {
		if c := s[i]; (c < ' ' && c != '\n' && c != '\r') || c > '~' {
			return false
		}
	}
	return true
}

// scalar reads a plain or simply quoted scalar from text[i:] and gives the place
// of the character after it and its spaces.
func (s *slab) scalar(text string, i, line int) (*yaml.Node, int) {
	start := skipSpaces(text, i)
	if start >= len(text) {
		return nil, 0
	}
	if text[start] == '"' || text[start] == '\'' {
		return s.quoted(text, start, line)
	}
	end, j := start, start
	for ; j < len(text); j++ {
		c := text[j]
		if c == ' ' {
			continue
		}
		if !plainChar(c) && (c != ':' || j+1 >= len(text) || !isDigit(text[j+1]) || j == start) {
			break
		}
		end = j + 1
	}
	value := text[start:end]
	if !plainStart(value) {
		return nil, 0
	}
	return s.node(yaml.ScalarNode, plainTag(value), value, line, start+1), j
}

// quoted reads text in quotes that holds no escape.
func (s *slab) quoted(text string, start, line int) (*yaml.Node, int) {
	q, j := text[start], start+1
	for ; j < len(text) && text[j] != q; j++ {
		if c := text[j]; c < ' ' || c > '~' || c == '\\' {
			return nil, 0
		}
	}
	if j++; j >= len(text) || text[j] == q {
		return nil, 0
	}
	n := s.node(yaml.ScalarNode, "!!str", text[start+1:j-1], line, start+1)
	n.Style = yaml.DoubleQuotedStyle
	if q == '\'' {
		n.Style = yaml.SingleQuotedStyle
	}
	return n, skipSpaces(text, j)
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isLetter(c byte) bool { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') }

func plainChar(c byte) bool {
	return isDigit(c) || isLetter(c) || c == '.' || c == '+' || c == '-' || c == '%' || c == '/' || c == '_' || c == '(' || c == ')'
}

// plainStart reports whether a plain scalar is text or a number and nothing that
// YAML gives another meaning.
func plainStart(s string) bool {
	switch {
	case s == "":
		return false
	case isLetter(s[0]):
		return s != "null" && s != "Null" && s != "NULL"
	case isDigit(s[0]):
		return true
	}
	return len(s) > 1 && (s[0] == '-' || s[0] == '+' || s[0] == '.') && (isDigit(s[1]) || s[1] == '.')
}

func plainTag(s string) string {
	if number, rest := splitNumber(s); number != "" && rest == "" {
		return "!!float"
	}
	return "!!str"
}
