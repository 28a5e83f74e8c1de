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
// value is empty. value is what stands behind "pace:", on one line or indented
// on several. Every other line stays as it is: comments, order and spelling.
func SetPace(text []byte, value string) ([]byte, error) {
	lines, ending := splitLines(text)
	from, to, err := topLevel(text, lines, "pace")
	if err != nil {
		return nil, err
	}
	var block []string
	if value != "" {
		block = strings.Split("pace: "+value, "\n")
		block[0] = strings.TrimRight(block[0], " ")
	}
	if from < 0 {
		if len(block) == 0 {
			return text, nil
		}
		// After the last line that is not blank, with one blank line between.
		from = len(lines)
		for from > 0 && strings.TrimSpace(lines[from-1]) == "" {
			from--
		}
		to = len(lines)
		block = append([]string{""}, block...)
	}
	out := append(append(append([]string(nil), lines[:from]...), block...), lines[to:]...)
	return []byte(strings.Join(out, ending) + ending), nil
}

// splitLines gives the lines of a text without their endings, and the ending
// that the text uses.
func splitLines(text []byte) ([]string, string) {
	ending := "\n"
	if bytes.Contains(text, []byte("\r\n")) {
		ending = "\r\n"
	}
	s := strings.ReplaceAll(string(text), "\r\n", "\n")
	return strings.Split(strings.TrimSuffix(s, "\n"), "\n"), ending
}

var errFlow = errors.New("the motion is written in braces on few lines; write each of its keys on a line of its own, so that others can stay as they are")

// topLevel gives the lines [from, to) that a key of the document's mapping takes
// with its value; from is -1 where the key is not there. Blank lines and
// comments above the next key belong to that.
func topLevel(text []byte, lines []string, name string) (from, to int, err error) {
	var doc yaml.Node
	if err := decodeNode(yaml.NewDecoder(bytes.NewReader(text)), &doc); err != nil && !errors.Is(err, io.EOF) {
		return 0, 0, err
	}
	if len(doc.Content) == 0 || doc.Content[0].Kind != yaml.MappingNode {
		return 0, 0, fmt.Errorf("the file is not a mapping")
	}
	root := doc.Content[0]
	if root.Style&yaml.FlowStyle != 0 {
		return 0, 0, errFlow
	}
	from, to = -1, len(lines)
	for i := 0; i+1 < len(root.Content); i += 2 {
		key := root.Content[i]
		if from >= 0 {
			to = key.Line - 1
			break
		}
		if key.Value == name {
			from = key.Line - 1
		}
	}
	if from < 0 {
		return -1, -1, nil
	}
	for to > from+1 && isAside(lines[to-1]) {
		to--
	}
	return from, to, nil
}

// isAside reports whether a line is blank or a comment.
func isAside(line string) bool {
	s := strings.TrimSpace(line)
	return s == "" || s[0] == '#'
}

// PaceText writes knots as the value of a pace in a motion file, one a line.
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
