package main

import (
	"fmt"
	"strings"
)

// markdown replaces the tables in a text: what stands between the lines
// <!-- table NAME --> and <!-- end --> is written anew, where NAME is a message, a
// set, bits, or `messages` for the list of them. Every message and list must have
// its place.
func markdown(t *table, text string) (string, error) {
	tables := markdownTables(t)
	out := &page{}
	inside := false
	for _, line := range strings.SplitAfter(text, "\n") {
		mark := strings.TrimSpace(line)
		if mark == "<!-- end -->" {
			inside = false
		}
		if !inside {
			out.WriteString(line)
		}
		name, ok := strings.CutPrefix(mark, "<!-- table ")
		if !ok {
			continue
		}
		name = strings.TrimSuffix(name, " -->")
		body, known := tables[name]
		if !known || inside {
			return "", fmt.Errorf("there is no table %s, it stands there twice, or the one before does not end", name)
		}
		delete(tables, name)
		out.WriteString(body)
		inside = true
	}
	for name := range tables {
		return "", fmt.Errorf("the text has no place for the table %s", name)
	}
	if inside {
		return "", fmt.Errorf("the last table does not end")
	}
	return out.String(), nil
}

func markdownTables(t *table) map[string]string {
	tables := map[string]string{}
	index := &page{}
	index.line("| kind | from | name | answer | payload | |\n|---|---|---|---|---|---|")
	for _, m := range t.messages {
		index.line("| 0x%02x | %s | `%s` | %s | %s | %s |", m.kind, m.side, m.name, m.answer, sizeWords(m), m.doc)
		tables[m.name] = messageTable(m)
	}
	tables["messages"] = index.String()
	for _, l := range t.lists {
		tables[l.name] = listTable(l)
	}
	return tables
}

func sizeWords(m *message) string {
	switch strings.Join(m.tail(), " ") {
	case "":
		return fmt.Sprint(m.least)
	case "bytes*":
		return fmt.Sprintf("%d + text", m.least)
	case "values*":
		return fmt.Sprintf("%d + 2 a value", m.least)
	}
	return fmt.Sprintf("%d + mask + 2 a channel", m.least)
}

func messageTable(m *message) string {
	if len(m.fields) == 0 {
		return "No payload.\n"
	}
	p := &page{}
	p.line("| byte | bytes | field | type | |\n|---|---|---|---|---|")
	for _, f := range m.fields {
		at, size := fmt.Sprint(f.offset), fmt.Sprint(f.size)
		switch {
		case f.typ == "mask[count]":
			size = "(count + 7) / 8"
		case f.typ == "values[count]":
			at, size = "next", "2 count"
		case f.size == 0:
			size = "rest"
		}
		p.line("| %s | %s | `%s` | %s | %s |", at, size, f.name, f.typ, f.text)
	}
	return p.String()
}

func listTable(l *list) string {
	p := &page{}
	head := "number"
	if l.bits {
		head = "bit"
	}
	p.line("| %s | name | |\n|---|---|---|", head)
	for _, e := range l.entries {
		p.line("| %d | `%s` | %s |", e.number, e.name, e.text)
	}
	return p.String()
}
