package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// table is the parsed table of messages.
type table struct {
	version  int
	lists    []*list
	messages []*message
}

// list is a set of numbers, or of bits.
type list struct {
	name, base, doc string
	bits            bool
	entries         []entry
}

type entry struct {
	number     int
	name, text string
}

type message struct {
	kind               int
	side, name, answer string
	doc                string
	fields             []field
	least              int // bytes of the shortest payload
}

type field struct {
	name, typ, text string
	size            int // bytes, 0 for a tail
	offset          int // bytes from the start of the payload, -1 where it depends on a count
}

// widths are the sizes of the types that every table knows.
var widths = map[string]int{"u8": 1, "u16": 2, "u32": 4, "i32": 4, "tick": 4, "index": 2, "kind": 1}

var tails = []string{"bytes*", "values*", "mask[count]", "values[count]"}

// parse reads a table. Errors name the line.
func parse(text string) (*table, error) {
	t := &table{}
	for i, line := range strings.Split(text, "\n") {
		if err := t.line(line); err != nil {
			return nil, fmt.Errorf("line %d: %v", i+1, err)
		}
	}
	return t, t.check()
}

func (t *table) line(line string) error {
	words := strings.Fields(line)
	switch {
	case len(words) == 0 || strings.HasPrefix(words[0], "#"):
		return nil
	case line[0] == ' ':
		return t.below(words)
	case words[0] == "version" && len(words) == 2:
		var err error
		t.version, err = strconv.Atoi(words[1])
		return err
	case (words[0] == "set" || words[0] == "bits") && len(words) == 3:
		t.lists = append(t.lists, &list{name: words[1], base: words[2], bits: words[0] == "bits"})
		return nil
	case words[0] == "message" && (len(words) == 4 || len(words) == 6 && words[4] == "->"):
		return t.message(words)
	}
	return fmt.Errorf("%q is no version, set, bits or message", line)
}

func (t *table) message(words []string) error {
	kind, err := strconv.ParseUint(words[1], 0, 7)
	if err != nil {
		return fmt.Errorf("the kind %s is no number from 0 to 0x7f", words[1])
	}
	m := &message{kind: int(kind), side: words[2], name: words[3]}
	if len(words) == 6 {
		m.answer = words[5]
	}
	if m.side != "host" && m.side != "board" || (m.side == "board") != (kind >= 0x40) {
		return fmt.Errorf("kind 0x%02x does not belong to the %s", kind, m.side)
	}
	t.messages = append(t.messages, m)
	return nil
}

// below takes a line that belongs to the last set, bits or message.
func (t *table) below(words []string) error {
	var l *list
	if len(t.lists) > 0 {
		l = t.lists[len(t.lists)-1]
	}
	text := func(n int) string { return strings.Join(words[min(n, len(words)):], " ") }
	switch {
	case words[0] == ">" && len(t.messages) > 0:
		m := t.messages[len(t.messages)-1]
		m.doc = strings.TrimSpace(m.doc + " " + text(1))
		return nil
	case words[0] == ">" && l != nil:
		l.doc = strings.TrimSpace(l.doc + " " + text(1))
		return nil
	case len(words) < 3:
		return fmt.Errorf("%q lacks its words", text(0))
	case len(t.messages) > 0:
		return t.field(t.messages[len(t.messages)-1], field{name: words[0], typ: words[1], text: text(2)})
	case l != nil:
		n, err := strconv.Atoi(words[0])
		l.entries = append(l.entries, entry{number: n, name: words[1], text: text(2)})
		return err
	}
	return fmt.Errorf("%q belongs to nothing", text(0))
}

// field adds a field to a message, and finds its place.
func (t *table) field(m *message, f field) error {
	f.size = widths[f.typ]
	if l := t.list(f.typ); l != nil {
		f.size = widths[l.base]
	}
	if f.size == 0 && !slices.Contains(tails, f.typ) {
		return fmt.Errorf("there is no type %s", f.typ)
	}
	if n := len(m.fields); n > 0 && m.fields[n-1].size == 0 {
		if f.typ != "values[count]" {
			return fmt.Errorf("%s stands behind a tail", f.name)
		}
		f.offset = -1
	} else {
		f.offset = m.least
	}
	m.least += f.size
	m.fields = append(m.fields, f)
	return nil
}

func (t *table) list(name string) *list {
	for _, l := range t.lists {
		if l.name == name {
			return l
		}
	}
	return nil
}

// check finds what no single line shows.
func (t *table) check() error {
	if t.version < 1 {
		return fmt.Errorf("there is no version")
	}
	for _, l := range t.lists {
		if err := l.check(); err != nil {
			return err
		}
	}
	kinds, names := map[int]bool{}, map[string]bool{}
	for _, m := range t.messages {
		if kinds[m.kind] || names[m.name] {
			return fmt.Errorf("there are two messages 0x%02x or %s", m.kind, m.name)
		}
		kinds[m.kind], names[m.name] = true, true
		if m.doc == "" {
			return fmt.Errorf("message %s lacks its description", m.name)
		}
	}
	for _, m := range t.messages {
		if m.answer != "" && !names[m.answer] {
			return fmt.Errorf("message %s is answered by %s, which there is not", m.name, m.answer)
		}
	}
	return nil
}

// check finds numbers that are missing, and bits that have no room.
func (l *list) check() error {
	size := widths[l.base]
	if size == 0 || l.doc == "" {
		return fmt.Errorf("%s lacks its description, or its type %s is none", l.name, l.base)
	}
	for i, e := range l.entries {
		if e.number != i || l.bits && i >= 8*size {
			return fmt.Errorf("%s: %s has the number %d, not %d, or there is no such bit", l.name, e.name, e.number, i)
		}
	}
	return nil
}

// tail gives the types of the fields of variable length.
func (m *message) tail() (types []string) {
	for _, f := range m.fields {
		if f.size == 0 {
			types = append(types, f.typ)
		}
	}
	return types
}

// title writes a name with a capital letter.
func title(name string) string { return strings.ToUpper(name[:1]) + name[1:] }
