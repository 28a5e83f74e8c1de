package sequence

import (
	"errors"
	"fmt"
	"math"

	"gopkg.in/yaml.v3"
)

// SetClock gives the text of a rig file in which a board's clock runs fast by so many
// ppm, in whole ones. Every other line stays as it is: comments, order, spelling,
// line endings. The result has been read back: all its values are those of the text
// but for that clock. The error says what hinders it.
func SetClock(text []byte, board string, fast float64) ([]byte, error) {
	if !(math.Abs(fast) <= 1e5) {
		return nil, fmt.Errorf("no clock is off by %v ppm", fast)
	}
	value := formatNumber(math.Round(fast)+0) + "ppm" // no -0
	before, err := rootOf(text)
	if errors.Is(err, errFlow) {
		return nil, errors.New("the rig is written in braces on few lines; write each of its keys on a line of its own, so that others can stay as they are")
	}
	if err != nil {
		return nil, err
	}
	spec := child(child(before, "boards"), board)
	if spec == nil || spec.Kind != yaml.MappingNode || len(spec.Content) == 0 {
		return nil, fmt.Errorf("there is no board %s in the text, so that its clock cannot be written there; write clock: %s by hand", board, value)
	}
	unable := fmt.Errorf("the clock of board %s cannot be written without a change to other lines; write clock: %s by hand", board, value)
	if spec.Anchor != "" || child(before, "boards").Anchor != "" {
		return nil, unable // it speaks for other boards, too
	}
	w := newWritten(text)
	var p patch
	if now := child(spec, "clock"); now != nil {
		var ok bool
		if p, ok = w.replace(now, value); !ok {
			return nil, unable
		}
	} else {
		first := spec.Content[0]
		at := w.offset(first)
		if at < 0 {
			return nil, unable
		}
		p = patch{at, at, w.before(first, "clock: "+value, spec.Style&yaml.FlowStyle != 0)}
	}
	out := w.apply([]patch{p})
	after, err := rootOf(out)
	if err != nil {
		return nil, unable
	}
	set := child(child(child(after, "boards"), board), "clock")
	if set == nil || set.Value != value || set.Kind != yaml.ScalarNode || !sameNode(withoutClock(before, board), withoutClock(after, board)) {
		return nil, unable
	}
	return out, nil
}

// withoutClock gives a rig without one board's clock, as a copy where they differ.
func withoutClock(root *yaml.Node, board string) *yaml.Node {
	return without(root, []string{"boards", board, "clock"})
}

// without gives a mapping without the entry at a path of keys.
func without(n *yaml.Node, path []string) *yaml.Node {
	if n.Kind != yaml.MappingNode {
		return n
	}
	out := *n
	out.Content = nil
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if key.Value == path[0] {
			if len(path) == 1 {
				continue
			}
			value = without(value, path[1:])
		}
		out.Content = append(out.Content, key, value)
	}
	return &out
}
