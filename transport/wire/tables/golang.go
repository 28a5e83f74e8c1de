package main

import (
	"fmt"
	"go/format"
	"strings"
)

// page collects lines of text.
type page struct{ strings.Builder }

func (p *page) line(form string, args ...any) {
	fmt.Fprintf(p, form, args...)
	p.WriteByte('\n')
}

// golang writes the table as Go.
func golang(t *table) ([]byte, error) {
	p := &page{}
	p.line("// Code generated from messages.txt by transport/wire/tables. DO NOT EDIT.\n\npackage wire\n")
	p.line("import (\n\t\"encoding/binary\"\n\t\"fmt\"\n)\n")
	p.line("// Version is the protocol's version that this package speaks.\nconst Version = %d\n", t.version)
	for _, l := range t.lists {
		goList(p, l)
	}
	goKinds(p, t)
	for _, m := range t.messages {
		goMessage(p, t, m)
	}
	return format.Source([]byte(p.String()))
}

func goList(p *page, l *list) {
	verb := "is"
	if l.bits {
		verb = "are"
	}
	p.line("// %s %s %s", l.name, verb, lower(l.doc))
	p.line("type %s %s\n\nconst (", l.name, strings.Replace(l.base, "u", "uint", 1))
	for _, e := range l.entries {
		value := fmt.Sprint(e.number)
		if l.bits {
			value = "1 << " + value
		}
		p.line("%s%s %s = %s // %s", l.name, title(e.name), l.name, value, e.text)
	}
	p.line(")\n")
	if l.bits {
		return
	}
	receiver := strings.ToLower(l.name[:1])
	p.line("// String gives the name, or the number where it has none.")
	p.line("func (%s %s) String() string { switch %s {", receiver, l.name, receiver)
	for _, e := range l.entries {
		p.line("case %s%s: return %q", l.name, title(e.name), e.name)
	}
	p.line("}\nreturn fmt.Sprintf(%q, uint8(%s)) }\n", strings.ToLower(l.name)+" %d", receiver)
	p.line("// Meaning says it in words, nothing where the number has no name.")
	p.line("func (%s %s) Meaning() string { switch %s {", receiver, l.name, receiver)
	for _, e := range l.entries {
		p.line("case %s%s: return %q", l.name, title(e.name), e.text)
	}
	p.line("}\nreturn \"\" }\n")
	p.line("// Known says whether this version has the number.")
	p.line("func (%s %s) Known() bool { return %s < %d }\n", receiver, l.name, receiver, len(l.entries))
}

func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

func goKinds(p *page, t *table) {
	p.line("// The kinds of messages.\nconst (")
	for _, m := range t.messages {
		p.line("Kind%s Kind = 0x%02x // %s", title(m.name), m.kind, goKindNote(m))
	}
	p.line(")\n\n// The sizes of payloads in bytes, without what has no fixed size.\nconst (")
	for _, m := range t.messages {
		p.line("Size%s = %d", title(m.name), m.least)
	}
	p.line(")\n")
	goKindMethods(p, t)
	p.line("// whole checks the length of a payload.")
	p.line("func whole(k Kind, p []byte) error { switch k {")
	for _, m := range t.messages {
		p.line("case Kind%s: return short(k, len(p), %s)", title(m.name), goNeed(m))
	}
	p.line("}\nreturn nil }\n")
}

func goKindNote(m *message) string {
	note := m.side
	if m.answer != "" {
		note += ", answered by " + m.answer
	}
	return note
}

func goKindMethods(p *page, t *table) {
	p.line("// String gives the name, or the number where it has none.")
	p.line("func (k Kind) String() string { switch k {")
	for _, m := range t.messages {
		p.line("case Kind%s: return %q", title(m.name), m.name)
	}
	p.line("}\nreturn fmt.Sprintf(\"message 0x%%02x\", uint8(k)) }\n")
	p.line("// Known says whether this version has the kind.")
	p.line("func (k Kind) Known() bool { return k.Size() >= 0 }\n")
	p.line("// From gives the side that sends the kind, by its number.")
	p.line("func (k Kind) From() Side { if k < 0x40 { return FromHost }; return FromBoard }\n")
	p.line("// Size gives the shortest payload of the kind in bytes, -1 where it is not known.")
	p.line("func (k Kind) Size() int { switch k {")
	for _, m := range t.messages {
		p.line("case Kind%s: return Size%s", title(m.name), title(m.name))
	}
	p.line("}\nreturn -1 }\n")
	p.line("// New gives an empty message of the kind, nil where it is not known.")
	p.line("func (k Kind) New() Message { switch k {")
	for _, m := range t.messages {
		p.line("case Kind%s: return new(%s)", title(m.name), title(m.name))
	}
	p.line("}\nreturn nil }\n")
}

// goNeed writes how many bytes a payload must have.
func goNeed(m *message) string {
	size := "Size" + title(m.name)
	switch tail := strings.Join(m.tail(), " "); tail {
	case "values*":
		return fmt.Sprintf("%s+halves(len(p)-%s)", size, size)
	case "mask[count] values[count]":
		return fmt.Sprintf("%s+counted(p, %d)", size, m.countOffset())
	}
	return size
}

// countOffset gives the offset of the field count.
func (m *message) countOffset() int {
	for _, f := range m.fields {
		if f.name == "count" {
			return f.offset
		}
	}
	return -1
}

func goMessage(p *page, t *table, m *message) {
	name := title(m.name)
	p.line("// %s is sent by the %s. %s", name, m.side, m.doc)
	p.line("type %s struct {", name)
	for _, f := range m.fields {
		if f.name != "count" {
			p.line("%s %s // %s", title(f.name), goType(f.typ), f.text)
		}
	}
	p.line("}\n")
	p.line("// Kind gives Kind%s.\nfunc (m *%s) Kind() Kind { return Kind%s }\n", name, name, name)
	p.line("// Append appends the payload.")
	p.line("func (m *%s) Append(dst []byte) []byte {", name)
	for _, f := range m.fields {
		p.line("%s", goAppend(t, f))
	}
	p.line("return dst }\n")
	p.line("// Decode reads a payload%s.", map[bool]string{true: ", whose bytes the message then shares", false: ""}[len(m.tail()) > 0])
	p.line("func (m *%s) Decode(payload []byte) error {", name)
	p.line("if err := whole(Kind%s, payload); err != nil { return err }", name)
	for _, f := range m.fields {
		p.line("%s", goDecode(t, f))
	}
	p.line("return nil }\n")
}

func goType(typ string) string {
	switch typ {
	case "u8", "u16", "u32":
		return "uint" + typ[1:]
	case "i32":
		return "int32"
	case "tick", "index", "kind":
		return title(typ)
	case "bytes*":
		return "[]byte"
	case "values*", "values[count]":
		return "Values"
	case "mask[count]":
		return "Mask"
	}
	return typ
}

func goAppend(t *table, f field) string {
	value := "m." + title(f.name)
	switch {
	case f.name == "count":
		return "count := m.Values.Len()\ndst = append(dst, byte(count))"
	case f.typ == "mask[count]":
		return fmt.Sprintf("dst = appendMask(dst, %s, count)", value)
	case f.typ == "values[count]":
		return fmt.Sprintf("dst = append(dst, %s[:2*count]...)", value)
	case f.size == 0:
		return fmt.Sprintf("dst = append(dst, %s...)", value)
	case f.size == 1:
		return fmt.Sprintf("dst = append(dst, byte(%s))", value)
	}
	return fmt.Sprintf("dst = binary.LittleEndian.AppendUint%d(dst, uint%d(%s))", 8*f.size, 8*f.size, value)
}

func goDecode(t *table, f field) string {
	to := "m." + title(f.name)
	switch {
	case f.name == "count":
		return fmt.Sprintf("count := int(payload[%d])", f.offset)
	case f.typ == "mask[count]":
		return fmt.Sprintf("values := %d + maskSize(count)\n%s = Mask(payload[%d:values:values])", f.offset, to, f.offset)
	case f.typ == "values[count]":
		return fmt.Sprintf("end := values + 2*count\n%s = Values(payload[values:end:end])", to)
	case f.size == 0:
		return fmt.Sprintf("%s = payload[%d:len(payload):len(payload)]", to, f.offset)
	case f.size == 1:
		return fmt.Sprintf("%s = %s(payload[%d])", to, goType(f.typ), f.offset)
	}
	return fmt.Sprintf("%s = %s(binary.LittleEndian.Uint%d(payload[%d:]))", to, goType(f.typ), 8*f.size, f.offset)
}
