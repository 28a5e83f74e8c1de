package sequence

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"
)

// SetPace gives the text of a motion file with its pace set, or taken away where
// value is empty. value is the name of a pace file, or a list as PaceText writes
// it. Every other line stays as it is: comments, order, spelling, line endings. The
// result has been read back: all its values are those of the text but for the pace.
func SetPace(text []byte, value string) ([]byte, error) {
	before, err := rootOf(text)
	if err != nil {
		return nil, err
	}
	e := newEditing(text, before)
	for _, out := range e.ways(paceBlock(value)) {
		if after, err := rootOf(out); err == nil && sameBut(before, after, value != "") {
			return out, nil
		}
	}
	return nil, errUneditable
}

var (
	errFlow       = errors.New("the motion is written in braces on few lines; write each of its keys on a line of its own, so that others can stay as they are")
	errBreaks     = errors.New("lines end in other ways than by LF or CR LF, so that a line cannot be found again; save the file with plain line ends")
	errUneditable = errors.New("the pace cannot be set without a change to other lines; write pace: on a line of its own at the end of the file, and delete what refers into it")
)

// rootOf reads the mapping of a document.
func rootOf(text []byte) (*yaml.Node, error) {
	if !plainBreaks(text) {
		return nil, errBreaks
	}
	var doc yaml.Node
	d := yaml.NewDecoder(bytes.NewReader(text))
	if err := decodeNode(d, &doc); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if len(doc.Content) == 0 || doc.Content[0].Kind != yaml.MappingNode {
		return nil, errors.New("the file is not a mapping")
	}
	if more := (yaml.Node{}); !errors.Is(decodeNode(d, &more), io.EOF) {
		return nil, errors.New("the file holds more than one document")
	}
	if root := doc.Content[0]; root.Style&yaml.FlowStyle == 0 {
		return root, nil
	}
	return nil, errFlow
}

const paceKey = "pace"

// paceBlock gives the lines of a pace, without their endings.
func paceBlock(value string) []string {
	switch {
	case value == "":
		return nil
	case value[0] == '\n':
		return strings.Split(paceKey+":"+value, "\n")
	}
	var n yaml.Node
	plain := yaml.Unmarshal([]byte(paceKey+": "+value), &n) == nil && len(n.Content) == 1 && n.Content[0].Kind == yaml.MappingNode
	if plain {
		v := n.Content[0].Content[1]
		plain = v.Kind == yaml.ScalarNode && v.Tag == "!!str" && v.Value == value && v.Style == 0
	}
	switch strings.ToLower(value) {
	case "on", "off", "yes", "no", "y", "n":
		plain = false // flags to some readers of YAML
	}
	if !plain {
		value = strconv.Quote(value)
	}
	return []string{paceKey + ": " + value}
}

// editing is a text by its lines, each with its ending, and where its pace is.
type editing struct {
	lines    []string
	ending   string
	from, to int // lines of the pace with its value; from is -1 where there is none
	last     int // the line of the last key
	end      int // the line after the document
}

func newEditing(text []byte, root *yaml.Node) *editing {
	e := &editing{lines: strings.SplitAfter(string(text), "\n"), ending: "\n", from: -1}
	if n := len(e.lines); e.lines[n-1] == "" {
		e.lines = e.lines[:n-1]
	}
	if strings.HasSuffix(e.lines[0], "\r\n") {
		e.ending = "\r\n"
	}
	e.end = len(e.lines)
	for i, l := range e.lines {
		if i >= root.Line && strings.TrimRight(l, " \t\r\n") == "..." && l[0] == '.' {
			e.end = i
			break
		}
	}
	e.to = e.end
	for i := 0; i+1 < len(root.Content); i += 2 {
		key := root.Content[i]
		if e.from >= 0 && e.to == e.end {
			e.to = min(key.Line-1, e.end)
		}
		if key.Value == paceKey {
			e.from = key.Line - 1
		}
		e.last = key.Line - 1
	}
	// Blank lines and comments above the next key belong to that.
	for e.from >= 0 && e.to > e.from+1 && isAside(e.lines[e.to-1]) {
		e.to--
	}
	return e
}

// ways gives texts with the block in the place of the pace, the best first. What
// looks like blank lines or a comment may be text of a value in a block.
func (e *editing) ways(block []string) [][]byte {
	trimmed := func(at int) int {
		for at > 0 && strings.TrimSpace(e.lines[at-1]) == "" {
			at--
		}
		return at
	}
	apart := append([]string{""}, block...)
	switch {
	case e.from < 0 && len(block) == 0:
		return [][]byte{e.with(0, 0, nil)}
	case e.from < 0:
		return [][]byte{e.with(trimmed(e.end), e.end, apart), e.with(e.end, e.end, block), e.with(e.last, e.last, block)}
	case len(block) == 0 && e.to == e.end:
		return [][]byte{e.with(trimmed(e.from), e.to, nil), e.with(e.from, e.to, nil)}
	}
	return [][]byte{e.with(e.from, e.to, block)}
}

// with gives the text with lines put in the place of those in [from, to).
func (e *editing) with(from, to int, block []string) []byte {
	var b bytes.Buffer
	for _, l := range e.lines[:from] {
		b.WriteString(l)
	}
	if n := b.Len(); n > 0 && len(block) > 0 && b.Bytes()[n-1] != '\n' {
		b.WriteString(e.ending)
	}
	for _, l := range block {
		b.WriteString(l + e.ending)
	}
	for _, l := range e.lines[to:] {
		b.WriteString(l)
	}
	return b.Bytes()
}

// isAside reports whether a line is blank or a comment.
func isAside(line string) bool {
	s := strings.TrimSpace(line)
	return s == "" || s[0] == '#'
}

// sameBut reports whether two mappings have the same keys and values but for the
// pace, which the second one has or not.
func sameBut(a, b *yaml.Node, has bool) bool {
	x, _ := apartFromPace(a)
	y, had := apartFromPace(b)
	if had != has || len(x) != len(y) {
		return false
	}
	for i := range x {
		if !sameNode(x[i], y[i]) {
			return false
		}
	}
	return true
}

func apartFromPace(root *yaml.Node) (out []*yaml.Node, has bool) {
	for i := 0; i+1 < len(root.Content); i += 2 {
		if root.Content[i].Value == paceKey {
			has = true
			continue
		}
		out = append(out, root.Content[i], root.Content[i+1])
	}
	return out, has
}

// sameNode compares what two nodes say, not where they stand. An alias says what
// its anchor does, which is compared where that stands.
func sameNode(a, b *yaml.Node) bool {
	if a.Kind != b.Kind || a.Tag != b.Tag || a.Value != b.Value || a.Anchor != b.Anchor || len(a.Content) != len(b.Content) {
		return false
	}
	for i := range a.Content {
		if !sameNode(a.Content[i], b.Content[i]) {
			return false
		}
	}
	return true
}

// PaceText writes knots as the value of a pace in a motion file, one a line, for
// SetPace.
func PaceText(knots []Knot) string {
	var b strings.Builder
	for _, k := range knots {
		fmt.Fprintf(&b, "\n  - [%s, %s, %s]", number17(k.Time), number17(k.Script), number17(k.Rate))
	}
	return b.String()
}

// PaceCSV writes knots as a pace file.
func PaceCSV(knots []Knot) []byte {
	var b bytes.Buffer
	b.WriteString("at,script,rate\n")
	for _, k := range knots {
		fmt.Fprintf(&b, "%s,%s,%s\n", number17(k.Time), number17(k.Script), number17(k.Rate))
	}
	return b.Bytes()
}

// number17 is the shortest decimal that reads back exactly.
func number17(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
