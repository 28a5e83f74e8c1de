package plot

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// boatBefore is the boat's motion as it might have been before it was mended.
func boatBefore(t testing.TB) *Other {
	p := keeper(t, "boat-before.motion.yaml")
	trace := boatTrace(p)
	rail := &trace.Supplies[0]
	for i, v := range rail.Tide {
		rail.Tide[i] = v * 1.25
	}
	rail.Peak, rail.Sustained = 4.25, 3.5
	return &Other{Performance: p, Trace: trace}
}

// boatShaped stands for the closest motion: head-pan goes straight from frame to
// frame, 6 degrees below what is written.
func boatShaped(p *interp.Performance) *Other {
	const rate = 50.0
	horns := map[*sequence.Axis][]float64{}
	var off []Deviation
	for _, a := range p.Axes {
		if a.Spec.Name != "head-pan" {
			continue
		}
		for k := range p.Frames(rate) {
			horns[a.Spec] = append(horns[a.Spec], a.Horn.Value(float64(k)/rate)-6)
		}
		off = append(off, Deviation{Axis: a.Spec, Largest: 6, At: 5.98, Late: 0.05})
	}
	return &Other{Performance: p.Sampled(horns, func(*sequence.Axis) float64 { return rate }), Trace: boatTrace(p), Deviations: off}
}

// mended is the boat with what it was before; compared has the closest motion
// beneath it too.
func mended(t testing.TB) Sheet {
	s := boat(t)
	s.Before = boatBefore(t)
	return s
}

func compared(t testing.TB) Sheet {
	s := mended(t)
	s.Shaped = boatShaped(s.Performance)
	return s
}

func shapedOnly(t testing.TB) Sheet {
	s := boat(t)
	s.Shaped = boatShaped(s.Performance)
	return s
}

// drawnPath is a stroked path of an SVG: its style, and its corners in points
// from the upper left of the page.
type drawnPath struct {
	style  string
	points []point
}

// pathsOf reads the stroked straight-line paths of an SVG back.
func pathsOf(t *testing.T, raw []byte, height float64) []drawnPath {
	t.Helper()
	var list []drawnPath
	d := xml.NewDecoder(bytes.NewReader(raw))
	for {
		token, err := d.Token()
		if err == io.EOF {
			return list
		}
		if err != nil {
			t.Fatal(err)
		}
		e, ok := token.(xml.StartElement)
		if !ok || e.Name.Local != "path" {
			continue
		}
		var p drawnPath
		var data string
		for _, a := range e.Attr {
			switch a.Name.Local {
			case "d":
				data = a.Value
			case "style":
				p.style = a.Value
			}
		}
		for _, part := range strings.FieldsFunc(data, func(r rune) bool { return r == 'M' || r == 'L' }) {
			var x, y float64
			if _, err := fmt.Sscanf(part, "%g,%g", &x, &y); err != nil {
				p.points = nil
				break // a curve, or an area
			}
			p.points = append(p.points, point{x, height - y})
		}
		list = append(list, p)
	}
}

// horizontals gives the heights of the level lines of a style, from the top.
func horizontals(list []drawnPath, style string) []float64 {
	var out []float64
	for _, p := range list {
		if len(p.points) == 2 && p.points[0].y == p.points[1].y && p.points[1].x-p.points[0].x > 300 && strings.Contains(p.style, style) {
			out = append(out, p.points[0].y)
		}
	}
	sort.Float64s(out)
	return out
}

const (
	dotted      = "stroke-dasharray:1,1.1"
	dashAndDot  = "stroke-dasharray:4.4,1.2,1,1.2"
	staveStyle  = "stroke:#7D8288;stroke-width:0.5"
	limitDashes = "stroke-dasharray:5,2"
)

// ramps are two motions of one axis that go straight, so that what a line must
// show is plain arithmetic: before, -60 deg at 1 s to 60 deg at 9 s of 10 s;
// after, 0 deg at 2 s to 30 deg at 6 s of 8 s.
func ramps(t *testing.T) Sheet {
	after := made(t, 1, 0, "length: 8s\ntracks: {axis-00: [[2s, 0deg], [6s, 30deg, linear]]}\n")
	before := made(t, 1, 0, "length: 10s\ntracks: {axis-00: [[1s, -60deg], [9s, 60deg, linear]]}\n")
	trace := func(p *interp.Performance, f func(share float64) float64) *drive.Trace {
		return &drive.Trace{Supplies: []drive.SupplyTrace{{Supply: p.Rig.Supplies[0], Peak: 3, Tide: tideOf(1000, f)}}}
	}
	return Sheet{Performance: after, Trace: trace(after, func(float64) float64 { return 2 }),
		Before: &Other{Performance: before, Trace: trace(before, func(share float64) float64 {
			if share < 0.5 {
				return 3
			}
			return 1
		})}}
}

// What is drawn dotted must stand at the earlier motion's values: paths are read
// back from the SVG and measured against the lines of the stave, which lie at
// -90 and 90 deg, and its width, which is 10 s.
func TestBeforeStandsAtItsValues(t *testing.T) {
	s := ramps(t)
	d := layout(s, true)
	paths := pathsOf(t, drawn(t, SVG, s), d.pages[0].h)
	lines := horizontals(paths, staveStyle)
	if len(lines) != 3 {
		t.Fatalf("%d full lines, want two of the stave and the base of the tide", len(lines))
	}
	x0, x1 := margin+gutter, 841.89-margin
	least, most := math.Inf(1), math.Inf(-1)
	for _, p := range paths {
		if !strings.Contains(p.style, dotted) || len(p.points) < 2 || p.points[0].y > lines[1] || p.points[0].x < x0 || p.points[0].x == p.points[1].x {
			continue
		}
		for _, q := range p.points {
			at := (q.x - x0) / (x1 - x0) * 10
			value := 90 - 180*(q.y-lines[0])/(lines[1]-lines[0])
			want := -60 + 15*(math.Max(1, math.Min(9, at))-1)
			if math.Abs(value-want) > 0.5 {
				t.Errorf("at %.3f s the line stands at %.2f deg, the motion at %.2f", at, value, want)
			}
			least, most = math.Min(least, at), math.Max(most, at)
		}
	}
	if math.Abs(least) > 0.01 || math.Abs(most-10) > 0.01 {
		t.Errorf("the line goes from %.2f to %.2f s, want 0 to 10", least, most)
	}
}

func TestEarlierCurrentStandsAtItsValues(t *testing.T) {
	s := ramps(t)
	paths := pathsOf(t, drawn(t, SVG, s), layout(s, true).pages[0].h)
	lines, limit := horizontals(paths, staveStyle), horizontals(paths, limitDashes)
	if len(lines) != 3 || len(limit) != 1 {
		t.Fatalf("%d full lines and %d limits, want 3 and 1", len(lines), len(limit))
	}
	base := lines[2]
	checked := 0
	for _, p := range paths {
		if !strings.Contains(p.style, dotted) || len(p.points) < 4 || p.points[0].y < lines[1] {
			continue
		}
		for _, q := range p.points {
			at := (q.x - margin - gutter) / (841.89 - 2*margin - gutter) * 10
			current := 5 * (base - q.y) / (base - limit[0]) // the limit is 5 A
			want := 3.0
			if at > 5.01 {
				want = 1
			}
			if math.Abs(current-want) > 0.03 && math.Abs(at-5) > 0.01 {
				t.Errorf("at %.3f s the earlier current stands at %.3f A, want %g", at, current, want)
			}
			checked++
		}
	}
	if checked < 4 {
		t.Errorf("%d corners of the earlier current are drawn, want at least 4", checked)
	}
}

// The sheet is as long as the longer motion, and the double bar stands where its
// own motion ends.
func TestSheetIsAsLongAsTheLonger(t *testing.T) {
	s := ramps(t)
	end := func(s Sheet) (own, other float64) {
		own, other = math.NaN(), math.NaN()
		for _, p := range pathsOf(t, drawn(t, SVG, s), layout(s, true).pages[0].h) {
			upright := len(p.points) == 2 && p.points[0].x == p.points[1].x
			at := math.NaN()
			if upright {
				at = (p.points[0].x - margin - gutter) / (841.89 - 2*margin - gutter) * 10
			}
			switch {
			case upright && strings.Contains(p.style, "stroke-width:1.8"):
				own = at
			case upright && strings.Contains(p.style, dotted):
				other = at
			}
		}
		return own, other
	}
	if own, other := end(s); math.Abs(own-8) > 0.01 || math.Abs(other-10) > 0.01 {
		t.Errorf("the motion ends at %.2f s and the earlier one at %.2f, want 8 and 10", own, other)
	}
	s.Performance, s.Before = s.Before.Performance, &Other{Performance: s.Performance}
	if own, other := end(s); math.Abs(own-10) > 0.01 || math.Abs(other-8) > 0.01 {
		t.Errorf("swapped, the motion ends at %.2f s and the earlier one at %.2f, want 10 and 8", own, other)
	}
}

// Where both motions rest at one place, only the motion is drawn.
func TestCommonRestIsDrawnOnce(t *testing.T) {
	after := made(t, 1, 0, "length: 10s\ntracks: {axis-00: [[0s, 0deg], [4s, 0deg], [6s, 30deg, linear], [10s, 30deg]]}\n")
	before := made(t, 1, 0, "length: 10s\ntracks: {axis-00: [[0s, 0deg], [4s, 0deg], [5s, 30deg, linear], [10s, 30deg]]}\n")
	s := Sheet{Performance: after, Before: &Other{Performance: before}}
	for _, p := range pathsOf(t, drawn(t, SVG, s), layout(s, true).pages[0].h) {
		if !strings.Contains(p.style, dotted) || p.points[0].x < margin+gutter {
			continue
		}
		for _, q := range p.points {
			if at := (q.x - margin - gutter) / (841.89 - 2*margin - gutter) * 10; at < 3.98 || at > 6.02 {
				t.Errorf("the earlier motion is drawn at %.2f s, where both rest together", at)
			}
		}
	}
}

func TestTableSaysWhichIsWhich(t *testing.T) {
	raw := string(drawn(t, SVG, compared(t)))
	for _, want := range []string{">before<", ">boat-before.motion.yaml<", ">after<", ">boat.motion.yaml<", ">shaped<", ">11.2 s<", ">12 s<",
		"4.25\u00a0A, 3.5\u00a0A", ">before 4.25\u00a0A<", "head-pan off by 6° at 5.98 s, 1.2 film frames late", ">off by 6° at 5.98 s<", dotted, dashAndDot} {
		if !strings.Contains(raw, want) {
			t.Errorf("the sheet does not have %q", want)
		}
	}
	raw = string(drawn(t, SVG, shapedOnly(t)))
	if !strings.Contains(raw, ">as written<") || strings.Contains(raw, dotted) {
		t.Error("a sheet with the closest motion alone does not say what is as written, or has something dotted")
	}
	s := boat(t)
	s.Shaped = &Other{Performance: s.Performance}
	if raw := string(drawn(t, SVG, s)); !strings.Contains(raw, "the motion as it is written") {
		t.Error("a sheet whose motion keeps every limit does not say so")
	}
}

// Names of two files that are alike are told apart by their folders.
func TestFilesOfOneName(t *testing.T) {
	a, b := *made(t, 1, 0, "length: 1s\n"), *made(t, 1, 0, "length: 1s\n")
	a.Script, b.Script = &sequence.Script{File: "new/storm.motion.yaml"}, &sequence.Script{File: "old/storm.motion.yaml"}
	if x, y := fileNames(&a, &b); x != "new/storm.motion.yaml" || y != "old/storm.motion.yaml" {
		t.Errorf("%s and %s", x, y)
	}
	b.Script.File = "old/calm.motion.yaml"
	if x, y := fileNames(&a, &b); x != "storm.motion.yaml" || y != "calm.motion.yaml" {
		t.Errorf("%s and %s", x, y)
	}
}

func TestComparedSheetsKeepTheLayout(t *testing.T) {
	for name, s := range map[string]Sheet{"mended": mended(t), "compared": compared(t), "shaped": shapedOnly(t), "ramps": ramps(t)} {
		t.Run(name, func(t *testing.T) { checkLayout(t, s) })
	}
	t.Run("longer before", func(t *testing.T) {
		s := Sheet{Performance: made(t, 3, 0, busy(3, 0, 70, 1)), Before: &Other{Performance: made(t, 3, 0, busy(3, 0, 130, 1))}}
		checkLayout(t, s)
		s.Performance, s.Before = s.Before.Performance, &Other{Performance: s.Performance}
		checkLayout(t, s)
	})
	all := crowded(t)
	for _, name := range []string{"one axis, ten minutes", "eight axes", "32 axes, three minutes", "480 axes", "a moment"} {
		t.Run(name, func(t *testing.T) {
			s := all[name]
			s.Before = &Other{Performance: s.Performance, Trace: s.Trace}
			s.Shaped = &Other{Performance: s.Performance, Trace: s.Trace}
			for i, a := range s.Performance.Axes {
				s.Shaped.Deviations = append(s.Shaped.Deviations, Deviation{Axis: a.Spec, Largest: 0.004 * float64(i*i), At: 0.1, Late: -0.2})
			}
			checkLayout(t, s)
		})
	}
}

func TestComparedIsDrawnByOthers(t *testing.T) {
	rsvg, pdftotext := tool(t, "rsvg-convert"), tool(t, "pdftotext")
	dir := t.TempDir()
	svg, pdf := filepath.Join(dir, "boat.svg"), filepath.Join(dir, "boat.pdf")
	for file, form := range map[string]Form{svg: SVG, pdf: PDF} {
		if err := os.WriteFile(file, drawn(t, form, compared(t)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if msg, err := exec.Command(rsvg, "-o", filepath.Join(dir, "boat.png"), svg).CombinedOutput(); err != nil || len(msg) > 0 {
		t.Fatalf("rsvg-convert: %v\n%s", err, msg)
	}
	text, err := exec.Command(pdftotext, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"boat-before.motion.yaml", "11.2 s", "off by 6°"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the text of the PDF lacks %q", want)
		}
	}
}

// rigOf compiles a motion that does nothing on a rig of some axes.
func rigOf(t *testing.T, name, axes string) *sequence.Rig {
	t.Helper()
	rig := "rig: " + name + "\nformat: 1\nsupplies: {rail: {voltage: 6V}}\nboards: {desk: {rate: 50Hz, tick: 0.5us, channels: 8}}\naxes:\n" + axes
	return compile(t, fstest.MapFS{
		name + ".rig.yaml": {Data: []byte(rig)},
		"m.motion.yaml":    {Data: []byte("motion: Still\nformat: 1\nrig: " + name + ".rig.yaml\nlength: 1s\n")},
	}, "m.motion.yaml").Rig
}

func TestSameRig(t *testing.T) {
	const arm = "  arm: {kind: servo, board: desk, channel: 0, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]]}\n"
	const lamp = "  lamp: {kind: dimmer, board: desk, channel: 1}\n"
	const relay = "  lamp: {kind: switch, board: desk, channel: 1}\n"
	one := rigOf(t, "pier", arm+lamp)
	for _, c := range []struct {
		name  string
		other *sequence.Rig
		says  []string
	}{
		{"itself", one, nil},
		{"a copy in another order", rigOf(t, "pier", lamp+arm), nil},
		{"another name", rigOf(t, "mole", arm+lamp), []string{`"pier"`, `"mole"`, "pier.rig.yaml", "mole.rig.yaml"}},
		{"an axis less", rigOf(t, "pier", arm), []string{"axis lamp", "missing"}},
		{"another kind", rigOf(t, "pier", arm+relay), []string{"axis lamp", "dimmer", "switch"}},
	} {
		for _, pair := range [][2]*sequence.Rig{{one, c.other}, {c.other, one}} {
			err := SameRig(pair[0], pair[1])
			if (err != nil) != (len(c.says) > 0) {
				t.Errorf("%s: %v", c.name, err)
				continue
			}
			for _, want := range c.says {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%s: %q does not say %q", c.name, err, want)
				}
			}
		}
	}
}

func TestDrawRefusesWhatCannotLieBeneath(t *testing.T) {
	s := boat(t)
	s.Before = &Other{}
	if err := Draw(io.Discard, SVG, s); err == nil {
		t.Error("nothing to draw beneath gives no error")
	}
	s.Before = &Other{Performance: made(t, 1, 0, "length: 1s\n")}
	if err := Draw(io.Discard, SVG, s); err == nil || !strings.Contains(err.Error(), "two rigs") {
		t.Errorf("another rig gives %v", err)
	}
}
