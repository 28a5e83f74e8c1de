package sequence

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"gopkg.in/yaml.v3"
)

// quickly runs f under a deadline of seconds and a bound of memory. It is no
// measurement: it fails when the work has no bound.
func quickly(t *testing.T, what string, f func()) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	done := make(chan struct{})
	go func() { defer close(done); f() }()
	select {
	case <-done:
	case <-time.After(30 * time.Second):
		t.Fatalf("%s takes longer than 30 s", what)
	}
	runtime.ReadMemStats(&after)
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 2<<30 {
		t.Errorf("%s takes %d MiB of memory in all", what, grown>>20)
	}
}

// loadText reads one document from memory.
func loadText(text string) (Document, Problems) {
	doc, err := Load(texts{"a.rig.yaml": text}.open, "a.rig.yaml")
	return doc, AsProblems(err)
}

func repeatTo(size int, part func(i int) string) string {
	var b strings.Builder
	for i := 0; b.Len() < size; i++ {
		b.WriteString(part(i))
	}
	return b.String()
}

// Documents that want more time or memory than they are worth. Each gives a
// problem, and soon.
func TestHostileDocuments(t *testing.T) {
	const big = 5 << 20
	laughs := "rig: a\nformat: 1\nl0: &l0 [x, x, x, x, x, x, x, x, x]\n"
	for i := 1; i < 10; i++ {
		laughs += fmt.Sprintf("l%d: &l%d [%s*l%d]\n", i, i, strings.Repeat(fmt.Sprintf("*l%d, ", i-1), 8), i-1)
	}
	keys := "motion: a\nformat: 1\nrig: small.rig.yaml\nphrases:\n  p: &p {keys: {arm: &k [" + strings.Repeat("[0s, 0], ", 300) + "[9s, 0]]}}\n" +
		repeatTo(300000, func(i int) string { return fmt.Sprintf("  p%d: {keys: {arm: *k}}\n", i) })
	for name, text := range map[string]string{
		"a billion laughs":          laughs + "axes: *l9\nboards: *l9\n",
		"aliases of long phrases":   keys,
		"unknown names":             "rig: a\n" + repeatTo(15<<20, func(i int) string { return fmt.Sprintf("a%d: 1\n", i) }),
		"unknown names in brackets": "rig: {" + repeatTo(big, func(i int) string { return fmt.Sprintf("a%d: 1,", i) }) + "}",
		"as many as are read":       "rig: a\n" + repeatTo(700_000, func(i int) string { return fmt.Sprintf("baords%d: 1\n", i) }),
		"many values":               "rig: [" + strings.Repeat("a,", big/2) + "]",
		"deep lists":                "rig: " + strings.Repeat("[", 1_000_000),
		"deep groups":               "rig: " + strings.Repeat("{a: ", 1_000_000),
		"deep indents":              repeatTo(3<<20, func(i int) string { return strings.Repeat(" ", i) + "a:\n" }),
		"deep items":                strings.Repeat("- ", 1_000_000),
		"questions":                 strings.Repeat("? ", 1_000_000),
		"empty lines":               "rig: a\n" + strings.Repeat("\n", big),
		"comments":                  "rig: a\n" + strings.Repeat("#\n", big/2),
		"one long word":             "rig: " + strings.Repeat("a", big),
		"one long quote":            "rig: \"" + strings.Repeat("a", big) + "\"",
		"one long open quote":       "rig: \"" + strings.Repeat("a", big),
		"long text of lines":        "rig: |\n" + strings.Repeat("  a\n", big/4),
		"spaces":                    "rig:" + strings.Repeat(" ", big),
		"tabs":                      strings.Repeat("\t", big),
		"anchors":                   "rig: " + strings.Repeat("&a ", 1_000_000),
		"tags":                      "rig: " + strings.Repeat("!a ", 1_000_000),
		"directives":                strings.Repeat("%a\n", 1_000_000),
		"documents":                 strings.Repeat("---\n", 1_000_000),
		"colons":                    "rig: " + strings.Repeat("a: ", 1_000_000),
		"runs of keys":              "rig: a\naxes:\n" + strings.Repeat("- [1,2]\n", big/8),
		"runs of keys, long":        "rig: a\naxes:\n" + strings.Repeat("  - [1.2s, 40deg, in-out]\n", 200_000),
		"zeros":                     strings.Repeat("\x00", big),
	} {
		t.Run(name, func(t *testing.T) {
			quickly(t, name, func() {
				_, err := Load(texts{"a.rig.yaml": text, "small.rig.yaml": smallRig}.open, "a.rig.yaml")
				ps := AsProblems(err)
				if len(ps) == 0 {
					t.Error("it loads")
				}
				if len(ps) > maxProblems {
					t.Errorf("%d problems", len(ps))
				}
				for _, p := range ps {
					if len(p.Error()) > 1000 {
						t.Errorf("a problem of %d characters: %s …", len(p.Error()), p.Error()[:200])
					}
				}
			})
		})
	}
}

func TestProblemsBeyondTheFirstAreCounted(t *testing.T) {
	_, ps := loadText("rig: a\n" + repeatTo(60_000, func(i int) string { return fmt.Sprintf("none%d: 1\n", i) }))
	if len(ps) != maxProblems {
		t.Fatalf("%d problems", len(ps))
	}
	if last := ps[len(ps)-1]; !strings.Contains(last.Hint, "more problems in this file are not shown") {
		t.Errorf("the last is %v", last)
	}
}

// endless yields the same byte for ever.
type endless struct{ read int64 }

func (e *endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'a'
	}
	e.read += int64(len(p))
	return len(p), nil
}
func (e *endless) Close() error { return nil }

func TestEndlessFile(t *testing.T) {
	e := &endless{}
	quickly(t, "an endless file", func() {
		_, err := Load(func(string) (io.ReadCloser, error) { return e, nil }, "a.rig.yaml")
		if err == nil || !strings.Contains(err.Error(), "larger than 16 MiB") {
			t.Errorf("it gives %v", err)
		}
	})
	if e.read > 40<<20 {
		t.Errorf("%d bytes of it were read", e.read)
	}
}

func TestFilesThatCannotBeRead(t *testing.T) {
	dir := t.TempDir()
	locked := filepath.Join(dir, "locked.rig.yaml")
	if err := os.WriteFile(locked, []byte("rig: a\n"), 0o000); err != nil {
		t.Fatal(err)
	}
	binary := filepath.Join(dir, "binary.rig.yaml")
	if err := os.WriteFile(binary, []byte("\x7fELF\x02\x01\x01\x00\x00\x00\xff\xfe\xfd"), 0o600); err != nil {
		t.Fatal(err)
	}
	cases := map[string]string{
		dir:                                   "cannot be read: is a directory",
		filepath.Join(dir, "none.rig.yaml"):   "there is no file",
		binary:                                "not text",
		filepath.Join(dir, "a\x00b.rig.yaml"): "cannot be read",
	}
	if os.Getuid() != 0 && runtime.GOOS != "windows" {
		cases[locked] = "may not be read"
	}
	for name, want := range cases {
		doc, err := Load(openFile, name)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q gives %v, %v", name, doc, err)
		}
	}
	broken := errors.New("the cable is out")
	_, err := Load(func(string) (io.ReadCloser, error) { return io.NopCloser(errReader{broken}), nil }, "a.rig.yaml")
	if err == nil || !strings.Contains(err.Error(), "the cable is out") {
		t.Errorf("a reader that fails gives %v", err)
	}
}

type errReader struct{ err error }

func (e errReader) Read([]byte) (int, error) { return 0, e.err }

// The same document in other clothes.
func TestEncodings(t *testing.T) {
	crlf := strings.ReplaceAll(smallRig, "\n", "\r\n")
	utf16le := append([]byte{0xff, 0xfe}, utf16Bytes(smallRig, 0)...)
	utf16be := append([]byte{0xfe, 0xff}, utf16Bytes(smallRig, 1)...)
	want, problems := loadText(smallRig)
	if problems != nil {
		t.Fatal(problems)
	}
	for name, text := range map[string]string{
		"CR LF": crlf, "byte order mark": "\ufeff" + smallRig, "UTF-16 LE": string(utf16le), "UTF-16 BE": string(utf16be),
		"no last line end": strings.TrimSpace(smallRig), "comments": "# one\n" + strings.ReplaceAll(smallRig, "\n", " # end\n"),
		"a document mark": "---\n" + smallRig + "...\n",
	} {
		doc, problems := loadText(text)
		rig, ok := doc.(*Rig)
		if !ok || problems != nil {
			t.Errorf("%s: %v", name, problems)
			continue
		}
		if len(rig.Axes) != len(want.(*Rig).Axes) || rig.Axes[0].Travel[1].V != 60 || rig.Name != "Signal post" {
			t.Errorf("%s: it is read as %+v", name, rig)
		}
	}
	// Columns count characters, also after a mark and in UTF-16.
	wrong := strings.Replace(smallRig, "board: main, channel: 6", "board: mïan, channel: 6", 1)
	utf := string(append([]byte{0xff, 0xfe}, utf16Bytes(wrong, 0)...))
	for name, text := range map[string]string{"UTF-8": wrong, "CR LF": strings.ReplaceAll(wrong, "\n", "\r\n"), "UTF-16": utf} {
		_, problems := loadText(text)
		if len(problems) != 1 || problems[0].At.Line != 12 || problems[0].At.Column != 31 {
			t.Errorf("%s: %v", name, problems)
		}
	}
}

func utf16Bytes(s string, low int) []byte {
	var out []byte
	for _, u := range utf16.Encode([]rune(s)) {
		pair := [2]byte{byte(u), byte(u >> 8)}
		out = append(out, pair[low], pair[1-low])
	}
	return out
}

func TestAnchorsAndAliases(t *testing.T) {
	text := strings.Replace(smallRig, "travel: [-60deg, 60deg], pulse: [[-60deg, 1000us], [60deg, 2000us]], limits: {", "travel: &way [&low -60deg, &high 60deg], pulse: [[*low, 1000us], [*high, 2000us]], limits: &slow {", 1)
	text = strings.Replace(text, "travel: [-30deg, 60deg], pulse: [[-30deg, 1000us], [60deg, 2000us]]", "travel: *way, pulse: [[-30deg, 1000us], [60deg, 2000us]], limits: *slow", 1)
	doc, problems := loadText(text)
	if problems != nil {
		t.Fatal(problems)
	}
	rig := doc.(*Rig)
	if a, b := rig.Axes[0], rig.Axes[1]; a.Pulse[1].Value.V != 60 || b.Travel[0].V != -60 || b.Limits.Speed.V != 90 {
		t.Errorf("the aliases are read as %+v and %+v", a, b)
	}
	for _, text := range []string{
		"rig: &a [*a]\n", "rig: a\nformat: 1\naxes: &a {x: *a}\nboards: *a\n", "&r {rig: *r}", "rig: a\naxes: {a: &t {kind: servo, travel: &w [*w, *w], pulse: *w}}\n",
	} {
		quickly(t, text, func() {
			if _, problems := loadText(text); len(problems) == 0 {
				t.Errorf("%q loads", text)
			}
		})
	}
	s := mustLoadLines(t, "fps: 24\nmarks: {a: &t 1s, b: *t}\ntracks:\n  arm: &keys\n    - &first [0s, 0]\n    - [1s, &v 5deg, &e out]\n    - {at: 2s, to: *v, ease: *e}\n  left: *keys\n")
	for _, name := range []string{"arm", "left"} {
		if k := merged(t, s, name).Keys; len(k) != 3 || k[2].Value != 5 || k[2].Ease.String() != "out" {
			t.Errorf("%s has the keys %v", name, k)
		}
	}
}

// on and off may come as text or as booleans.
func TestSwitchWords(t *testing.T) {
	s := mustLoadLines(t, "length: 9s\ntracks: {horn: [[0s, on], [1s, off], [2s, true], [3s, false], [4s, \"on\"], [5s, 'Off'], [6s, 1], [7s, 0], [8s, ON]]}\n")
	for i, k := range merged(t, s, "horn").Keys {
		if want := float64((i + 1) % 2); k.Value != want {
			t.Errorf("key %d is %v", i, k.Value)
		}
	}
}

// runLines are lines of keys, and lines that look like them.
var runLines = []string{
	"- [1.2s, 40deg, in-out]", "- [0, -5]", "-   [ 0s ,  1 ]", "- {at: boat+2s, to: -20deg, ease: \"cubic-bezier(0.3, 0, 0.2, 1)\"}", "- [00:00:01:12, 5]",
	"- ['it', \"a b\"]", "- [1s, 2]  # why", "- [1s, 2] # °", "- [bell - 2s, +.5e3%]", "- []", "- [a]", "- [[0, 1]]", "- {a: {b: c}}", "- [~, null]", "- [a,b,]",
	"- [\"a\\n\", 1]", "- ['it''s', 1]", "- [&a 1, *a]", "- [!x 1, 2]", "- [a: b]", "- {a:b}", "- {a: 1, a: 2}", "- [60 deg, 5]", "- [-, 1]", "- [- 1, 2]", "- [a #b, 1]",
	"- [a# b, 1]", "- [<<, 1]", "- {<<: 1}", "- {? a: 1}", "- [40°, 5]", "- [a\t, 1]", "- [1s, 2]x", "- [1s, 2", "-[1s, 2]", "- [1s 2", "- [=, 1]", "- [.inf, .5]", "- [true, off]", "- [1_0, 0x1]",
	"- [a:1, b]", "- [a :1, b]", "- [(x), %5]", "- [5%, a/b]", "- [\"\", '']", "- [..., ---]", "- [1, 2]\t", "- [::, 1]", "- [a:: b]", "- [0:, 1]", "- [null x, Null]", "- {null: 1}", "- {1: 2, 3: 4}",
}

// What is read here line by line is what the library reads, place for place.
func TestRunsAreReadAsTheLibraryReadsThem(t *testing.T) {
	texts := []string{"text: |\n  - [a, b]\n  - [a, b]\n  - [a, b]\n  - [a, b]\n  - [a, b]\n", "text: \"\n  - [a, b]\n  - [a, b]\n  - [a, b]\n  - [a, b]\n  \"\n",
		"- [a, b]\n- [a, b]\n- [a, b]\n- [a, b]\n   - [a, b]\n", "x:\n- [a, b]\n- [a, b]\n- [a, b]\n- [a, b]\n\n\ny: 1\n", "x: [\n- [a, b]\n- [a, b]\n- [a, b]\n- [a, b]\n]\n",
		"x: &k\r\n  - [a, b]\r\n  - [a, b]\r\n  - [a, b]\r\n  - [a, b]\r\ny: *k\r\n", "# c\n- [a, b]\n- [a, b]\n- [a, b]\n- [a, b]\n- other\n- [a, b]\n- [a, b]\n- [a, b]\n- [a, b]",
		"x: y\n- [a, b]\n- [a, b]\n- [a, b]\n- [a, b]\n", "x:\n  - [a, b]\n  - [a, b]\n  - [a, b]\n  - [a, b]\n  -\n    - [a, b]\n    - [a, b]\n    - [a, b]\n    - [a, b]\n---\n"}
	for _, line := range runLines {
		texts = append(texts, "x:\n"+strings.Repeat("  "+line+"\n", 5), "x:\n"+strings.Repeat("- [a, b]\n", 4)+line+"\n"+strings.Repeat("- [a, b]\n", 4)+"y: 1\n")
	}
	runs := 0
	for _, text := range texts {
		if compareRuns(t, text) {
			runs++
		}
	}
	if runs < 60 {
		t.Errorf("only %d of %d texts have runs", runs, len(texts))
	}
}

// compareRuns reports whether a text was read by runs, and fails where the
// library reads something else.
func compareRuns(t *testing.T, text string) bool {
	t.Helper()
	got := readRuns([]byte(text))
	if got == nil {
		return false
	}
	dec := yaml.NewDecoder(bytes.NewReader([]byte(text)))
	var doc, second yaml.Node
	if err := decodeNode(dec, &doc); err != nil {
		t.Errorf("%q is read, but the library says %v", text, err)
		return true
	}
	if err := decodeNode(dec, &second); err != io.EOF {
		t.Errorf("%q is read, but the library finds more", text)
		return true
	}
	if g, w := flatten(got), flatten(doc.Content[0]); !reflect.DeepEqual(g, w) {
		t.Errorf("%q is read as\n%v\nand by the library as\n%v", text, g, w)
	}
	return true
}

// flatten lists what a reader can see of a node.
func flatten(n *yaml.Node) []string {
	tag := ""
	if n.Tag == "!!null" || n.Tag == "!!merge" || n.Style&yaml.TaggedStyle != 0 {
		tag = n.Tag
	}
	out := []string{fmt.Sprintf("%d:%d kind %d %q %s", n.Line, n.Column, n.Kind, n.Value, tag)}
	for _, c := range n.Content {
		out = append(out, flatten(c)...)
	}
	return out
}

// Work that could grow by the square of a document, or faster.
func TestWorkStaysInProportion(t *testing.T) {
	many := func(n int, format string) string {
		var b strings.Builder
		for i := 0; i < n; i++ {
			fmt.Fprintf(&b, format, i, i+1)
		}
		return b.String()
	}
	long := "[1s, 1], "
	for i := 2; i < 300; i++ {
		long += fmt.Sprintf("[%ds, %d], ", i, i%50)
	}
	for name, c := range map[string]struct{ rig, motion, say string }{
		"marks that count from the next": {smallRig, motionText("length: 9s\nmarks:\n" + many(20000, "  m%d: m%d\n") + "  m20000: 1s\n"), ""},
		"marks in a wide circle":         {smallRig, motionText("length: 9s\nmarks:\n" + many(20000, "  m%d: m%d\n") + "  m20000: m0\n"), "in a circle"},
		"mixes that double":              {strings.Replace(smallRig, "controls:\n", "controls:\n"+many(60, "  a%d: {a%[2]d: 1, b%[2]d: 1}\n")+many(60, "  b%d: {a%[2]d: 1, b%[2]d: 1}\n")+"  a60: {arm: 1}\n  b60: {arm: 1}\n", 1), motionText("length: 9s\n"), "in more than 10000 ways"},
		"a long chain of controls":       {strings.Replace(smallRig, "controls:\n", "controls:\n"+many(20000, "  a%d: {a%d: 1}\n")+"  a20000: {arm: 1}\n", 1), motionText("tracks: {a0: [[0s, 0], [soonest, 5]]}\n"), ""},
		"a long chain of joints":         {smallRig + "joints:\n" + many(20000, "  j%d: {parent: j%d}\n") + "  j20000: {}\n", motionText("length: 9s\n"), ""},
		"a wide circle of joints":        {smallRig + "joints:\n" + many(20000, "  j%d: {parent: j%d}\n") + "  j20000: {parent: j0}\n", motionText("length: 9s\n"), "carried by itself"},
		"a phrase repeated without end":  {smallRig, motionText("phrases: {p: {keys: {arm: [" + long + "[300s, 0]]}}}\nplace: [{phrase: p, at: 0s, times: 10000}]\n"), "unfold to more than"},
		"a long text with many aliases":  {smallRig, motionText("length: 9s\ncues:\n  - {at: 1s, say: &a " + strings.Repeat("a+", 1<<20) + "}\n" + many(20000, "  - {at: *a, say: *a} # %d %d\n")), "longer than 4096 characters"},
		"a time of many signs":           {smallRig, motionText("length: 9s\ncues:\n" + many(5000, "  - {at: "+strings.Repeat("a+", 150)+", say: %d %d}\n")), "neither a time"},
		"a name of many letters":         {smallRig, motionText("length: 9s\n? " + strings.Repeat("a", 1<<20) + "\n: 1\n"), "longer than 4096 characters"},
		"a spread of inputs":             {strings.Replace(smallRig, "inputs: {", "inputs: {"+many(1000, "1%d: {debounce: %dus}, ")+"010: {}, 1e2: {}, 100: {}, ", 1), motionText("length: 9s\n"), "declared twice"},
	} {
		t.Run(name, func(t *testing.T) {
			quickly(t, name, func() {
				_, err := Load(texts{"small.rig.yaml": c.rig, "t.motion.yaml": c.motion}.open, "t.motion.yaml")
				switch {
				case c.say == "" && err != nil:
					t.Errorf("it gives %.1000s", err.Error())
				case c.say != "" && (err == nil || !strings.Contains(err.Error(), c.say)):
					t.Errorf("it gives %.1000v", err)
				}
			})
		})
	}
}
