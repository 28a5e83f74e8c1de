package timeline

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// files gives a form's files of some timelines.
func files(t testing.TB, form Form, tls []*Timeline) (list []string) {
	t.Helper()
	groups := [][]*Timeline{tls}
	if form.OneBoard() {
		groups = nil
		for _, tl := range tls {
			groups = append(groups, []*Timeline{tl})
		}
	}
	for _, g := range groups {
		var b bytes.Buffer
		if err := Write(&b, form, g...); err != nil {
			t.Fatal(err)
		}
		list = append(list, b.String())
	}
	return list
}

func TestGolden(t *testing.T) {
	for _, loop := range []bool{false, true} {
		tls := keeper(0.4, loop).must(t)
		for _, form := range Forms() {
			for i, text := range files(t, form, tls) {
				name := fmt.Sprintf("keeper-%s%s", tls[i].Board.Name, form.Ext())
				if !form.OneBoard() {
					name = "keeper" + form.Ext()
				}
				if loop {
					name = "loop-" + name
				}
				golden(t, name, text)
			}
		}
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s is not as it was; if it should change, run the test with -update", name)
	}
}

// A file that was written is found whole, holds what the timeline gives, and
// reads back as it.
func TestWriteReadCompare(t *testing.T) {
	for _, loop := range []bool{false, true} {
		tls := keeper(3.01, loop).must(t)
		for _, form := range Forms() {
			for i, text := range files(t, form, tls) {
				group := tls
				if form.OneBoard() {
					group = tls[i : i+1]
				}
				sum, err := Verify(strings.NewReader(text))
				if err != nil {
					t.Fatalf("%v: %v", form, err)
				}
				if sum.Form != form || len(sum.Heads) != len(group) || sum.Bytes != int64(len(text)) || sum.Lines != strings.Count(text, "\n") {
					t.Errorf("%v: summary %+v", form, sum)
				}
				if err := Compare(strings.NewReader(text), group...); err != nil {
					t.Errorf("%v: %v", form, err)
				}
				if form != VCD {
					readsBack(t, text, group[0])
				}
			}
		}
	}
}

func readsBack(t *testing.T, text string, tl *Timeline) {
	t.Helper()
	want := all(tl)
	_, err := Read(strings.NewReader(text), func(h *Head, k int64, values []uint16) error {
		for i, v := range values {
			if got := h.Channels[i].Unit.Number(v); got != want[k][i] {
				return fmt.Errorf("frame %d %s: %d, want %d", k, h.Channels[i].Axis, got, want[k][i])
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// Compare sees one value that differs, and another rig.
func TestCompareDiffers(t *testing.T) {
	for _, form := range Forms() {
		tls := keeper(1, false).must(t)
		text := files(t, form, tls)[0]
		group := tls
		if form.OneBoard() {
			group = tls[:1]
		}
		inner := tls[0].sources[0].open
		tls[0].sources[0].open = func() sampler {
			s := inner()
			return curve(func(at float64) float64 {
				var v [1]float64
				s.Fill(v[:], []float64{at})
				if at == 0.5 {
					v[0] += 0.08 // one tick is 0.058 deg
				}
				return v[0]
			})
		}
		err := Compare(strings.NewReader(text), group...)
		if err == nil || !strings.Contains(err.Error(), "frame 25 of head-pan") {
			t.Errorf("%v: %v", form, err)
		}
		other := keeper(1, false)
		other.rig.Axes[1].Trim = num(13)
		others := other.must(t)[:len(group)]
		err = Compare(strings.NewReader(text), others...)
		if err == nil || !strings.Contains(err.Error(), "another motion or rig") {
			t.Errorf("%v: %v", form, err)
		}
	}
}

// Wherever a file is cut, and whichever digit is changed, Verify finds it.
func TestVerifyFindsDamage(t *testing.T) {
	tls := keeper(0.04, true).must(t)
	for _, form := range Forms() {
		text := files(t, form, tls)[0]
		if _, err := Verify(strings.NewReader(text)); err != nil {
			t.Fatal(err)
		}
		for i := range len(text) {
			if cut := text[:i]; !found(t, cut) {
				t.Fatalf("%v cut after %d bytes, %q, passes", form, i, tail(cut))
			}
			for _, c := range changes(text[i]) {
				damaged := text[:i] + string(c) + text[i+1:]
				if !found(t, damaged) {
					t.Fatalf("%v with %q at byte %d, after %q, passes", form, c, i, tail(text[:i]))
				}
			}
		}
		lines := strings.SplitAfter(text, "\n")
		for i := range lines {
			without := strings.Join(lines[:i], "") + strings.Join(lines[i+1:], "")
			if lines[i] != "" && !found(t, without) {
				t.Fatalf("%v without line %d passes", form, i+1)
			}
			twice := strings.Join(lines[:i+1], "") + strings.Join(lines[i:], "")
			if lines[i] != "" && !found(t, twice) {
				t.Fatalf("%v with line %d twice passes", form, i+1)
			}
		}
		if !found(t, text+"\n") || !found(t, strings.ReplaceAll(text, "\n", "\r\n")) {
			t.Errorf("%v: other line ends pass", form)
		}
	}
}

// changes gives other bytes for a place of a file, digits for a digit.
func changes(c byte) []byte {
	if c >= '0' && c <= '9' {
		return []byte{'0' + (c-'0'+1)%10, '0' + (c-'0'+9)%10}
	}
	return []byte{c ^ 1}
}

func found(t *testing.T, text string) bool {
	t.Helper()
	_, err := Verify(strings.NewReader(text))
	var fe *FileError
	if err != nil && (!errors.As(err, &fe) || fe.Line < 1) {
		t.Fatalf("the error tells no line: %v", err)
	}
	return err != nil
}

func tail(s string) string { return s[max(0, len(s)-30):] }

func TestForms(t *testing.T) {
	for _, f := range Forms() {
		got, ok := ParseForm(f.String())
		if !ok || got != f {
			t.Errorf("%v reads as %v", f, got)
		}
	}
	if _, ok := ParseForm("card"); ok {
		t.Error("card is no text form")
	}
	tls := keeper(1, false).must(t)
	if err := Write(io.Discard, CSV, tls...); err == nil {
		t.Error("two boards in one csv file")
	}
}

// A writer that fails is reported, and the writing stops there.
func TestWriteFails(t *testing.T) {
	tls := keeper(600, false).must(t)
	for _, form := range Forms() {
		w := &shortWriter{left: 100_000}
		group := tls
		if form.OneBoard() {
			group = tls[:1]
		}
		if err := Write(w, form, group...); !errors.Is(err, errFull) {
			t.Errorf("%v: %v", form, err)
		}
		if w.calls > 5 {
			t.Errorf("%v wrote %d more times", form, w.calls)
		}
	}
}

var errFull = errors.New("disk full")

type shortWriter struct{ left, calls int }

func (w *shortWriter) Write(b []byte) (int, error) {
	w.calls++
	if len(b) > w.left {
		return 0, errFull
	}
	w.left -= len(b)
	return len(b), nil
}

// What a file is told to be at fault for, and where.
func TestFileErrors(t *testing.T) {
	tls := keeper(0.1, false).must(t)
	csv, json := files(t, CSV, tls)[0], files(t, JSON, tls)[0]
	vcd, header := files(t, VCD, tls)[0], files(t, Header, tls)[0]
	for _, c := range []struct{ name, text, want string }{
		{"nothing", "", "line 1: this is not a timeline"},
		{"another file", "hello\n", "line 1: this is not a timeline"},
		{"another version", strings.Replace(csv, "timeline 1", "timeline 2", 1), "line 1: this is not a limberjack timeline of version 1"},
		{"another version", strings.Replace(json, ": 1,", ": 2,", 1), "line 2: this is not a limberjack timeline of version 1"},
		{"a long line", "# " + strings.Repeat("a", 2<<20), "line 1: the line is longer than 1048576 characters"},
		{"endless front", strings.Repeat("# limberjack\n", 1<<20), "no frames in the first"},
		{"a frame too few", strings.Replace(csv, "\n3,", "\n4,", 1), "line 18: frame 3 belongs here"},
		{"a value too many", strings.Replace(csv, "\n# end", ",1\n# end", 1), "line 20: there is more than the values of 5 channels"},
		{"a value too few", csv[:strings.LastIndex(csv[:strings.Index(csv, "\n# end")], ",")] + csv[strings.Index(csv, "\n# end"):], "line 20: 4 values are here, and there are 5 channels"},
		{"a value too large", strings.Replace(csv, "2657", "99999", 1), "line 15: head-pan has no whole number of 0 to 65535 here"},
		{"a changed value", strings.Replace(csv, "2657", "2658", 1), "line 21: the file was changed"},
		{"a changed head", strings.Replace(csv, "rest 3000", "rest 03000", 1), "line 9: this line is not as it was written"},
		{"an unknown unit", strings.Replace(csv, " ticks, offset 0", " inches, offset 0", 1), "line 9: \"inches\" is no unit"},
		{"broken JSON", strings.Replace(json, `"rate_hz": 50`, `"rate_hz": x`, 1), "line 7: "},
		{"a text as number", strings.Replace(json, `"rate_hz": 50`, `"rate_hz": "x"`, 1), "line 7: "},
		{"an unknown member", strings.Replace(json, `"rate_hz"`, `"hz"`, 1), "unknown field"},
		{"too many frames", strings.Replace(csv, "frames: 6", "frames: 999999999999", 1), "999999999999 frames"},
		{"another pulse", strings.Replace(vcd, "#23285", "#23284", 1), "a pulse is not where"},
		{"another time", strings.Replace(vcd, "#23285", "#22285", 1), "line 63: the time stamp #22285 does not follow #22500"},
		{"an unknown wire", strings.Replace(vcd, "#10000\n1!", "#10000\n1~", 1), "line 59: there is no wire"},
		{"a cut dump", vcd[:strings.Index(vcd, "#99500")] + vcd[strings.LastIndex(vcd, "$comment"):], "board main has 0 of 6 frames here"},
		{"another guard", strings.Replace(header, "#endif\n/*", "#endif /*", 1), "«#endif» belongs here"},
		{"more", header + "int x;\n", "something follows the closing line"},
	} {
		_, err := Verify(strings.NewReader(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}

// A name may be longer than what a reader reads at once.
func TestLongName(t *testing.T) {
	p := keeper(0.1, false)
	p.rig.Axes[0].Name = strings.Repeat("long-", 20_000)
	tls := p.must(t)
	for _, form := range Forms() {
		text := files(t, form, tls)[0]
		if _, err := Verify(strings.NewReader(text)); err != nil {
			t.Errorf("%v: %v", form, err)
		}
	}
}

// Names that would end a comment, a line, a literal or a field do not.
func TestHostileNames(t *testing.T) {
	for _, name := range []string{"*/ int x; /*", "$end", "a\nb", `"`, `\`, "??/", "a,b (ticks)", "шлюз", "", "9", "\xff\x00", "{\n"} {
		p := keeper(0.1, false)
		p.motion, p.rig.Boards[0].Name, p.rig.Axes[0].Name, p.rig.Axes[1].Name = name, "b"+name, name, name+"-"
		tls := p.must(t)
		for _, form := range Forms() {
			text := files(t, form, tls)[0]
			group := tls
			if form.OneBoard() {
				group = tls[:1]
			}
			if err := Compare(strings.NewReader(text), group...); err != nil {
				t.Errorf("%v, name %q: %v", form, name, err)
			}
		}
	}
}
