package sequence

import (
	"sort"
	"strings"

	"gopkg.in/yaml.v3"
)

// written is a document's text, in which nodes are found again.
type written struct {
	text  string
	lines []int // where each begins
}

// patch is a change to a text: what stands from from to to becomes with.
type patch struct {
	from, to int
	with     string
}

func newWritten(text []byte) written {
	w := written{text: string(text), lines: []int{0}}
	for i := range w.text {
		if w.text[i] == '\n' {
			w.lines = append(w.lines, i+1)
		}
	}
	return w
}

// apply makes changes that do not overlap.
func (w *written) apply(patches []patch) []byte {
	sort.SliceStable(patches, func(i, j int) bool { return patches[i].from < patches[j].from })
	var b strings.Builder
	at := 0
	for _, p := range patches {
		b.WriteString(w.text[at:p.from])
		b.WriteString(p.with)
		at = p.to
	}
	b.WriteString(w.text[at:])
	return []byte(b.String())
}

// offset gives the byte at which a node begins, or -1.
func (w *written) offset(n *yaml.Node) int {
	if n.Line < 1 || n.Line > len(w.lines) {
		return -1
	}
	at := w.lines[n.Line-1]
	for range n.Column - 1 {
		if at >= len(w.text) || w.text[at] == '\n' {
			return -1
		}
		at++
		for at < len(w.text) && w.text[at]&0xC0 == 0x80 {
			at++
		}
	}
	return at
}

// replace gives the change that puts another text in the place of a scalar, where
// that stands plainly, or in quotes without escapes.
func (w *written) replace(n *yaml.Node, text string) (patch, bool) {
	at := w.offset(n)
	if at < 0 {
		return patch{}, false
	}
	rest := w.text[at:]
	for _, quote := range []string{"", `"`, "'"} {
		if old := quote + n.Value + quote; quote == "" == (n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) == 0) && strings.HasPrefix(rest, old) {
			return patch{at, at + len(old), quote + text + quote}, true
		}
	}
	return patch{}, false
}

// before gives an entry of a mapping as it is written before the key n of the same
// mapping.
func (w *written) before(n *yaml.Node, entry string, flow bool) string {
	switch {
	case flow:
		return entry + ", "
	case strings.Contains(w.text, "\r\n"):
		return entry + "\r\n" + strings.Repeat(" ", n.Column-1)
	}
	return entry + "\n" + strings.Repeat(" ", n.Column-1)
}
