package plot

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"image/png"
	"io"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/interp/check"
)

var update = flag.Bool("update", false, "write the golden files anew")

func drawn(t testing.TB, form Form, s Sheet) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Draw(&b, form, s); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// tool finds an outside program. It skips the test without it, unless the
// environment demands all tools.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatalf("%s is not installed, and LIMBERJACK_TOOLS=required asks for it", name)
		}
		t.Skipf("%s is not installed", name)
	}
	return path
}

func TestGoldenSheets(t *testing.T) {
	for name, s := range map[string]Sheet{"boat": boat(t), "lamp": {Performance: keeper(t, "lamp.motion.yaml"), Paper: Letter},
		"boat-mended": mended(t), "boat-compared": compared(t)} {
		t.Run(name, func(t *testing.T) {
			got := drawn(t, SVG, s)
			file := filepath.Join("testdata", name+".svg")
			if *update {
				if err := os.WriteFile(file, got, 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s differs from the sheet drawn now, first at byte %d; look at it, then run the test with -update", file, firstDifference(got, want))
			}
		})
	}
}

func firstDifference(a, b []byte) int {
	n := min(len(a), len(b))
	for i := range n {
		if a[i] != b[i] {
			return i
		}
	}
	return n
}

func TestSameSheetSameBytes(t *testing.T) {
	sheet := func() Sheet {
		s := boat(t)
		s.DPI = 48
		return s
	}
	for _, form := range []Form{SVG, PNG, PDF} {
		first := drawn(t, form, sheet())
		for range 3 {
			if again := drawn(t, form, sheet()); !bytes.Equal(first, again) {
				t.Fatalf("two %v files of one sheet differ at byte %d", form, firstDifference(first, again))
			}
		}
	}
}

func TestSVGIsWellFormed(t *testing.T) {
	s := boat(t)
	s.Performance.Script.Name = "Tide & <\"turn\">"
	s.Performance.Script.Cues[2].Say = "boat\x01in"
	raw := drawn(t, SVG, s)
	d := xml.NewDecoder(bytes.NewReader(raw))
	var texts []string
	inText := false
	for {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			inText = e.Name.Local == "text"
			if inText {
				texts = append(texts, "")
				checkTextAttributes(t, e)
			}
		case xml.CharData:
			if inText {
				texts[len(texts)-1] += string(e)
			}
		case xml.EndElement:
			inText = false
		}
	}
	all := strings.Join(texts, "\n")
	for _, want := range []string{`Tide & <"turn">`, "head-pan", "boat", "“boat in”", "00:00:04:00", "does not pass", "limit 3\u00a0A", "3.4\u00a0A\u00a0at 8.28 s", "“boat out”", "Mend: start the winch 0.3 s later"} {
		if !strings.Contains(all, want) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
}

func checkTextAttributes(t *testing.T, e xml.StartElement) {
	t.Helper()
	attrs := map[string]string{}
	for _, a := range e.Attr {
		attrs[a.Name.Local] = a.Value
	}
	if attrs["textLength"] == "" || !strings.Contains(attrs["style"], "serif") {
		t.Errorf("a text lacks its width or a generic family: %v", attrs)
	}
}

func TestPNGDecodes(t *testing.T) {
	for _, c := range []struct {
		dpi           int
		paper         Paper
		width, height int
	}{{0, A4, 1684, 1191}, {72, Letter, 792, 612}, {100, Letter, 1100, 850}} {
		s := Sheet{Performance: keeper(t, "lamp.motion.yaml"), DPI: c.dpi, Paper: c.paper}
		img, err := png.Decode(bytes.NewReader(drawn(t, PNG, s)))
		if err != nil {
			t.Fatal(err)
		}
		if b := img.Bounds(); b.Dx() != c.width || b.Dy() != c.height {
			t.Errorf("%v at %d dots an inch: %d x %d pixels, want %d x %d", c.paper, c.dpi, b.Dx(), b.Dy(), c.width, c.height)
		}
	}
}

func TestPDFIsWellFormed(t *testing.T) {
	pdftoppm, pdftotext := tool(t, "pdftoppm"), tool(t, "pdftotext")
	dir := t.TempDir()
	file := filepath.Join(dir, "boat.pdf")
	s := boat(t)
	s.Performance.Script.Name = "Der Wächter · Вахта μ"
	if err := os.WriteFile(file, drawn(t, PDF, s), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(pdftoppm, "-png", "-r", "72", file, filepath.Join(dir, "page")).CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Fatalf("pdftoppm: %v\n%s", err, out)
	}
	pages, _ := filepath.Glob(filepath.Join(dir, "page*.png"))
	if len(pages) != 1 {
		t.Fatalf("%d pages, want 1", len(pages))
	}
	text, err := exec.Command(pdftotext, "-layout", file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Der Wächter · Вахта μ", "head-pan", "“boat in”", "does not pass", "−70°"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the text of the PDF lacks %q:\n%s", want, text)
		}
	}
}

func TestSVGIsDrawnByOthers(t *testing.T) {
	rsvg := tool(t, "rsvg-convert")
	dir := t.TempDir()
	in, out := filepath.Join(dir, "boat.svg"), filepath.Join(dir, "boat.png")
	if err := os.WriteFile(in, drawn(t, SVG, boat(t)), 0o644); err != nil {
		t.Fatal(err)
	}
	if msg, err := exec.Command(rsvg, "-o", out, in).CombinedOutput(); err != nil || len(msg) > 0 {
		t.Fatalf("rsvg-convert: %v\n%s", err, msg)
	}
}

func TestLongMotionsBreakIntoPages(t *testing.T) {
	s := crowded(t)["32 axes, three minutes"]
	d := layout(s, false)
	if n := len(d.pages); n < 6 || n > 8 {
		t.Errorf("three minutes of 32 axes take %d pages, want two for each minute and one of findings", n)
	}
	for i, p := range d.pages {
		if p.w != 841.89 || p.h != 595.28 {
			t.Errorf("page %d is %g x %g", i+1, p.w, p.h)
		}
	}
	if tall := layout(s, true); len(tall.pages) != 1 || tall.pages[0].h > mostHeight {
		t.Errorf("the tall sheet has %d pages, the first %g pt tall", len(tall.pages), tall.pages[0].h)
	}
}

// Each number over a stave must lead to a line of the list, or the list must say
// that it goes on.
func TestEveryFindingIsListed(t *testing.T) {
	p := keeper(t, "boat.motion.yaml")
	for n := range 15 {
		r := rand.New(rand.NewSource(int64(100 + n)))
		rep := randomReport(r, p, 1+r.Intn(120))
		list := listingOf(rep, 780)
		for _, room := range []float64{40, 90, 200, 460} {
			f := list.fit(room)
			if len(f.items)+f.rest != len(rep.Findings) {
				t.Fatalf("%d findings: %d listed and %d more", len(rep.Findings), len(f.items), f.rest)
			}
			if h := f.height(); h > room && f.rest > 0 && len(f.items) > 0 {
				t.Fatalf("%d findings in %g pt take %g", len(rep.Findings), room, h)
			}
		}
	}
}

func TestHatchStaysInItsBox(t *testing.T) {
	r := rand.New(rand.NewSource(4))
	for range 300 {
		b := box{r.Float64() * 500, r.Float64() * 500, 0, 0}
		b.x1, b.y1 = b.x0+3+r.Float64()*200, b.y0+3+r.Float64()*60
		for _, level := range []check.Level{check.Error, check.Warning} {
			var p page
			p.hatch(b, level)
			for _, m := range p.shapes {
				for _, c := range m.path {
					x, y := c.Pos.X.Points(), c.Pos.Y.Points()
					if x < b.x0-0.02 || x > b.x1+0.02 || y < b.y0-0.02 || y > b.y1+0.02 {
						t.Fatalf("%v: a line leaves the box %.2f at %g, %g", level, b, x, y)
					}
				}
			}
		}
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("the disk is full") }

func TestDrawRefuses(t *testing.T) {
	good := boat(t)
	for name, c := range map[string]struct {
		form Form
		s    Sheet
	}{
		"no performance": {SVG, Sheet{}},
		"form":           {Form(9), good},
		"paper":          {SVG, Sheet{Performance: good.Performance, Paper: 9}},
		"dots an inch":   {PNG, Sheet{Performance: good.Performance, DPI: 9000}},
	} {
		if err := Draw(io.Discard, c.form, c.s); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	good.DPI = 24
	for _, form := range []Form{SVG, PNG, PDF} {
		if err := Draw(brokenWriter{}, form, good); err == nil {
			t.Errorf("%v: a writer that fails gives no error", form)
		}
	}
}

func TestNames(t *testing.T) {
	for name, want := range map[string]Form{"a.svg": SVG, "b/c.PNG": PNG, "x.y.pdf": PDF} {
		if got, err := FormOf(name); err != nil || got != want {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	if _, err := FormOf("svg"); err == nil {
		t.Error("a name without an ending gives a form")
	}
	for name, want := range map[string]Paper{"A4": A4, "letter": Letter} {
		if got, err := PaperOf(name); err != nil || got != want {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	if _, err := PaperOf("a3"); err == nil {
		t.Error("an unknown paper gives no error")
	}
}

// 32 axes over ten minutes, a key a second on each: on one core of a server of
// 2025 about 0.5 s as SVG or PDF (0.2 s of it layout) and 4.7 s as a PNG of 48
// million pixels.
func BenchmarkDraw(b *testing.B) {
	p := made(b, 32, 12, "fps: 24\n"+busy(32, 12, 600, 1))
	r := rand.New(rand.NewSource(1))
	s := Sheet{Performance: p, Report: randomReport(r, p, 60), Trace: randomTrace(r, p)}
	for _, form := range []Form{SVG, PNG, PDF} {
		b.Run(form.String(), func(b *testing.B) {
			for range b.N {
				if err := Draw(io.Discard, form, s); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("layout", func(b *testing.B) {
		for range b.N {
			layout(s, false)
		}
	})
}

// Where room is short, notes make way for errors.
func TestErrorsComeFirst(t *testing.T) {
	rep := &check.Report{}
	for range 40 {
		rep.Findings = append(rep.Findings, check.Finding{Level: check.Note, Axis: "jaw", Message: "The jaw travels 112 deg a play."})
	}
	rep.Findings = append(rep.Findings, check.Finding{Level: check.Error, Axis: "arm", Message: "The arm strikes the rail.", Remedy: "lift it 5 deg"})
	f := listingOf(rep, 780).fit(100)
	if f.rest == 0 || len(f.items)+f.rest != 41 {
		t.Fatalf("%d findings listed and %d left out of 41", len(f.items), f.rest)
	}
	last := len(f.items) - 1
	if it := f.items[last]; it.number != 41 || len(f.blocks[last]) != 3 {
		t.Errorf("the last item is number %d with the lines %q, want the error with its message and remedy", it.number, f.blocks[last])
	}
}
