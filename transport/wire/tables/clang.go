package main

import (
	"fmt"
	"strings"
)

// clang writes the table as a C99 header: numbers, sizes and offsets as macros,
// which take no memory and may stand in #if.
func clang(t *table) []byte {
	p := &page{}
	p.line("/* Generated from messages.txt by transport/wire/tables: change the table, not this file.")
	p.line(" * The protocol is explained in PROTOCOL.md. Integers are little-endian.")
	p.line(" * LJ_SIZE_x: bytes of the payload without what has no fixed size.")
	p.line(" * LJ_AT_x_y: offset of a field from the start of the payload. */")
	p.line("#ifndef LIMBERJACK_WIRE_H\n#define LIMBERJACK_WIRE_H\n")
	for _, d := range defines(t) {
		p.line("%s", d)
	}
	p.line("\n#endif")
	return []byte(p.String())
}

// define is one macro of the header, or a comment where it has no name.
type define struct{ name, value, note string }

func (d define) String() string {
	switch {
	case d.name == "":
		return "\n/* " + d.note + " */"
	case d.note == "":
		return fmt.Sprintf("#define %s %s", d.name, d.value)
	}
	return fmt.Sprintf("#define %s %s /* %s */", d.name, d.value, d.note)
}

func defines(t *table) []define {
	all := []define{
		{"LJ_VERSION", fmt.Sprintf("%du", t.version), ""},
		{"LJ_HEAD", "4u", "kind, length, sequence number"},
		{"LJ_OVERHEAD", "6u", "head and CRC"},
		{"LJ_MAX_PAYLOAD", "240u", ""},
		{"LJ_MAX_PACKET", "246u", ""},
		{"LJ_MAX_FRAME", "248u", "with COBS and the 0x00 at the end"},
		{"LJ_MAX_CHANNELS", "112u", ""},
		{"LJ_CRC_POLYNOMIAL", "0x1021u", "CRC-16/IBM-3740"},
		{"LJ_CRC_INITIAL", "0xffffu", ""},
	}
	for _, l := range t.lists {
		all = append(all, listDefines(l)...)
	}
	for _, m := range t.messages {
		all = append(all, messageDefines(m)...)
	}
	return all
}

func listDefines(l *list) []define {
	all := []define{{note: l.name + ": " + lower(l.doc)}}
	for _, e := range l.entries {
		value := fmt.Sprintf("%du", e.number)
		if l.bits {
			value = fmt.Sprintf("0x%02xu", 1<<e.number)
		}
		all = append(all, define{macro(l.name, e.name), value, e.text})
	}
	return all
}

func messageDefines(m *message) []define {
	all := []define{
		{note: m.name + ", from the " + m.side},
		{macro("kind", m.name), fmt.Sprintf("0x%02xu", m.kind), ""},
		{macro("size", m.name), fmt.Sprintf("%du", m.least), ""},
	}
	for _, f := range m.fields {
		if f.offset >= 0 {
			all = append(all, define{macro("at", m.name, f.name), fmt.Sprintf("%du", f.offset), f.typ + ": " + f.text})
		}
	}
	return all
}

func macro(words ...string) string {
	return "LJ_" + strings.ToUpper(strings.Join(words, "_"))
}
