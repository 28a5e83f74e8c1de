package main

import (
	"bytes"
	"os"
	"strings"
	"testing"
)

func TestWhatIsGeneratedIsUpToDate(t *testing.T) {
	files, err := generate("..")
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range files {
		if got, err := os.ReadFile(name); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s does not fit messages.txt (%v): run go generate ./transport/wire", name, err)
		}
	}
	if len(files) != 3 {
		t.Errorf("%d files", len(files))
	}
}

func TestMistakesInATable(t *testing.T) {
	const head = "version 1\nset State u8\n  > Words.\n  0 silent no pulse\n"
	for _, c := range []struct{ text, says string }{
		{"", "there is no version"},
		{"version x\n", "line 1"},
		{"  0 silent no pulse\n", "line 1: \"0 silent no pulse\" belongs to nothing"},
		{head + "  2 armed pulses leave\n", "State: armed has the number 2, not 1"},
		{"version 1\nset State u8\n  0 silent no pulse\n", "State lacks its description"},
		{"version 1\nbits Lamps u9\n  > Words.\n", "its type u9 is none"},
		{head + "  1 armed\n", "line 5: \"1 armed\" lacks its words"},
		{head + "  x armed yes\n", "line 5"},
		{head + "letter 0x01 host identify\n", "line 5"},
		{head + "message 0x80 host identify\n", "line 5: the kind 0x80"},
		{head + "message 0x41 host identify\n", "line 5: kind 0x41 does not belong to the host"},
		{head + "message 0x01 nobody identify\n", "line 5: kind 0x01 does not belong to the nobody"},
		{head + "message 0x01 host a\n  version u7 its version\n", "line 6: there is no type u7"},
		{head + "message 0x01 host a\n  > Words.\n  name bytes* its name\n  more u8 more\n", "line 8: more stands behind a tail"},
		{head + "message 0x01 host a\n  version u8 its version\n", "message a lacks its description"},
		{head + "message 0x01 host a\n  > Words.\nmessage 0x01 host b\n  > Words.\n", "two messages 0x01"},
		{head + "message 0x01 host a -> b\n  > Words.\n", "answered by b, which there is not"},
	} {
		if _, err := parse(c.text); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v, want %q", c.text, err, c.says)
		}
	}
}

func TestFieldsStandWithoutGaps(t *testing.T) {
	table, err := parse("version 3\nset Mood u8\n  > Words.\n  0 calm at ease\nmessage 0x41 board lamp\n  > Words.\n  mood Mood of the keeper\n  turn i32 of the lens\n  count u8 of panes\n  lit mask[count] panes\n  values values[count] of panes\n")
	if err != nil {
		t.Fatal(err)
	}
	m := table.messages[0]
	want := []int{0, 1, 5, 6, -1}
	for i, f := range m.fields {
		if f.offset != want[i] {
			t.Errorf("%s at %d, want %d", f.name, f.offset, want[i])
		}
	}
	if m.least != 6 || table.version != 3 || m.countOffset() != 5 {
		t.Errorf("%d bytes, version %d, count at %d", m.least, table.version, m.countOffset())
	}
}

func TestTablesMustHaveTheirPlaces(t *testing.T) {
	table, err := parse("version 1\nset Mood u8\n  > Words.\n  0 calm at ease\nmessage 0x01 host hush\n  > Asks for silence.\n")
	if err != nil {
		t.Fatal(err)
	}
	const whole = "Before\n<!-- table messages -->\nold\n<!-- end -->\n<!-- table hush -->\n<!-- end -->\n<!-- table Mood -->\n<!-- end -->\nAfter\n"
	got, err := markdown(table, whole)
	if err != nil || strings.Contains(got, "old") || !strings.HasPrefix(got, "Before\n") || !strings.HasSuffix(got, "After\n") ||
		!strings.Contains(got, "| 0x01 | host | `hush` |") || !strings.Contains(got, "| 0 | `calm` | at ease |") {
		t.Errorf("%s %v", got, err)
	}
	for _, text := range []string{
		strings.Replace(whole, "table hush", "table hiss", 1),
		strings.Replace(whole, "<!-- table hush -->", "", 1),
		strings.TrimSuffix(whole, "<!-- end -->\nAfter\n"),
		strings.Replace(whole, "<!-- end -->\n<!-- table Mood", "<!-- table Mood", 1),
	} {
		if got, err := markdown(table, text); err == nil {
			t.Errorf("%s gives %s", text, got)
		}
	}
}
