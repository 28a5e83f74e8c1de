package sequence

import (
	"bytes"
	"io"

	"gopkg.in/yaml.v3"
)

// Most of a long motion is lines that hold one key each:
//
//   - [1.2s, 40deg, in-out]
//   - {at: boat+2s, to: -20deg}
//
// The YAML library spends some 20 us on such a line. A run of such lines is
// therefore read here, and the library sees one item in place of the run. When
// anything about a document is out of the ordinary, it is read by the library
// alone: the result, place for place, is the same.

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
	text := string(data)
	s := slab{}
	var run keyRun
	runIndent, runStart, total := -1, 0, 0
	end := func(at int) {
		if len(run.items) >= minRunLines {
			for k := 0; k < runIndent; k++ {
				rest = append(rest, ' ')
			}
			rest = append(rest, "- "+runMark...)
			for range run.items {
				rest = append(rest, '\n')
			}
			runs = append(runs, run)
		} else {
			rest = append(rest, text[runStart:at]...)
		}
		run, runIndent = keyRun{}, -1
	}
	line := 0
	for at := 0; at < len(text); {
		next := at + bytes.IndexByte(data[at:], '\n') + 1
		if next == at {
			next = len(text)
		}
		line++
		indent, item := s.line(text[at:next], line)
		if item != nil && total >= maxRunLines {
			return data, nil
		}
		if runIndent >= 0 && (item == nil || indent != runIndent) {
			end(at)
		}
		switch {
		case item == nil:
			rest = append(rest, text[at:next]...)
		case runIndent < 0:
			runIndent, runStart, run = indent, at, keyRun{line: line, items: []*yaml.Node{item}}
		default:
			run.items = append(run.items, item)
		}
		if item != nil {
			total++
		}
		at = next
	}
	if runIndent >= 0 {
		end(len(text))
	}
	return rest, runs
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
	i := 0
	for i < len(text) && text[i] == ' ' {
		i++
	}
	indent = i
	if i+3 >= len(text) || text[i] != '-' || text[i+1] != ' ' {
		return 0, nil
	}
	for i++; i < len(text) && text[i] == ' '; i++ {
	}
	if i >= len(text) || (text[i] != '[' && text[i] != '{') {
		return 0, nil
	}
	kind, tag, closing := yaml.SequenceNode, "!!seq", byte(']')
	if text[i] == '{' {
		kind, tag, closing = yaml.MappingNode, "!!map", '}'
	}
	var buffer [12]*yaml.Node
	children := buffer[:0]
	for j := i + 1; ; {
		if len(children)+2 > len(buffer) {
			return 0, nil
		}
		if kind == yaml.MappingNode {
			key, after := s.scalar(text, j, number)
			if key == nil || key.Style != 0 || after+1 >= len(text) || text[after] != ':' || text[after+1] != ' ' {
				return 0, nil
			}
			children, j = append(children, key), after+2
		}
		value, after := s.scalar(text, j, number)
		if value == nil || after >= len(text) {
			return 0, nil
		}
		children = append(children, value)
		if text[after] == closing {
			if !blankTail(text[after+1:]) {
				return 0, nil
			}
			break
		}
		if text[after] != ',' {
			return 0, nil
		}
		j = after + 1
	}
	item = s.node(kind, tag, "", number, i+1)
	item.Style, item.Content = yaml.FlowStyle, s.list(children)
	return indent, item
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
	for i < len(text) && text[i] == ' ' {
		i++
	}
	if i >= len(text) {
		return nil, 0
	}
	start, j := i, i
	if q := text[i]; q == '"' || q == '\'' {
		for j++; j < len(text) && text[j] != q; j++ {
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
		for j < len(text) && text[j] == ' ' {
			j++
		}
		return n, j
	}
	end := start
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
