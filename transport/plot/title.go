package plot

import (
	"fmt"
	"math"
	"strings"

	"limberjack/interp/check"
	"limberjack/sequence"
)

// cell is one field of the title block.
type cell struct {
	label, text, small string
	width              float64 // pt; 0 for what is left
	face               face
}

// drawTitle draws the title block: what the sheet shows, as a form is filled in.
func (d *drawing) drawTitle(p *page, sheet, sheets int) {
	cells := d.cells(sheet, sheets)
	rest := d.w - 2*margin
	for _, c := range cells {
		rest -= c.width
	}
	top, bottom := margin, margin+titleHeight-12
	p.line(margin, top, d.w-margin, top, pen{width: 1.4, colour: ink})
	p.line(margin, bottom, d.w-margin, bottom, pen{width: 0.5, colour: ink})
	x := margin
	for i, c := range cells {
		if c.width == 0 {
			c.width = rest
		}
		inset := 7.0
		if i == 0 {
			inset = 0
		} else {
			p.line(x, top+4, x, bottom-3, pen{width: 0.4, colour: pencil})
		}
		room := c.width - inset - 5
		p.writeWithin(x+inset, top+8, room, c.label, smallCaps, left)
		c.draw(p, x+inset, top, room)
		x += c.width
	}
}

func (c cell) draw(p *page, x, top, room float64) {
	base := top + 25.5
	if c.small != "" {
		base = top + 19.5
		p.writeWithin(x, top+27.5, room, c.small, kindFace.at(6.2), left)
	}
	f := c.face
	for f.size > 8 && f.widthOf(c.text) > room {
		f.size -= 0.5
	}
	p.writeWithin(x, base, room, c.text, f, left)
}

func (d *drawing) cells(sheet, sheets int) []cell {
	perf := d.Performance
	length := cell{label: "LENGTH", text: clockTime(perf.Length), width: 62, face: formFace}
	if len(perf.Script.Pace) > 0 {
		length.small = "paced, " + clockTime(perf.Script.Length) + " of script"
		length.width = 92
	}
	cells := []cell{{label: "MOTION", text: perf.Script.Name, face: titleFace},
		{label: "RIG", text: perf.Rig.Name, width: 128, face: formFace}, length}
	if fps := perf.Script.FPS; fps.Given() {
		cells = append(cells, cell{label: "FRAMES", text: number(fps.Rate()) + " fps", width: 62, face: formFace})
	}
	if tempo := perf.Script.Tempo; len(tempo) > 0 {
		cells = append(cells, cell{label: "TEMPO", text: tempoText(tempo), width: 62, face: formFace})
	}
	verdict, small := d.verdict()
	cells = append(cells, cell{label: "CHECK", text: verdict, small: small, width: 122, face: formBold})
	return append(cells, cell{label: "SHEET", text: fmt.Sprintf("%d of %d", sheet, sheets), width: 46, face: formFace})
}

func tempoText(t sequence.Tempo) string {
	low, high := t[0].BPM, t[0].BPM
	for _, s := range t {
		low, high = math.Min(low, s.BPM), math.Max(high, s.BPM)
	}
	if low == high {
		return number(low) + " bpm"
	}
	return number(low) + " to " + number(high) + " bpm"
}

// verdict says what the check found.
func (d *drawing) verdict() (text, small string) {
	if d.Report == nil {
		return "not checked", ""
	}
	n := count(d.Report)
	var parts []string
	for i, name := range []string{"error", "warning", "note"} {
		if n[i] > 0 {
			parts = append(parts, plural(n[i], name))
		}
	}
	small = strings.Join(parts, ", ")
	switch {
	case n[0] > 0:
		return "does not pass", small
	case n[1] > 0:
		return "passes with warnings", small
	}
	return "passes", small
}

func plural(n int, name string) string {
	if n == 1 {
		return "1 " + name
	}
	return fmt.Sprintf("%d %ss", n, name)
}

// drawLegend draws the key to the note heads and to the hatching, as far as the
// sheet uses them, at the foot of the page.
func (d *drawing) drawLegend(p *page) {
	y := p.h - margin - 2
	p.line(margin, y-10, p.w-margin, y-10, pen{width: 0.4, colour: pencil})
	x := margin
	entry := func(text string, width float64, draw func(x, y float64)) {
		draw(x+width/2, y-2)
		b := p.write(x+width+4, y, text, kindFace.at(6.2), left)
		x = b.x1 + 14
	}
	for h := range heads {
		if d.heads[h] {
			entry(headNames[h], 2*headSize, func(x, y float64) { p.drawHead(h, x, y, headSize) })
		}
	}
	entry("moving", 14, func(x, y float64) { p.line(x-7, y, x+7, y, motionPen) })
	entry("still", 14, func(x, y float64) { p.line(x-7, y, x+7, y, restPen) })
	if d.Report != nil {
		n := count(d.Report)
		for level := range hatching {
			if n[level] > 0 {
				entry([]string{"error", "warning"}[level], 9, func(x, y float64) {
					p.hatch(box{x - 4.5, y - 2.8, x + 4.5, y + 2.8}, check.Level(level))
				})
			}
		}
		if n[2] > 0 {
			entry("note", 2, func(x, y float64) { p.tickNote(x, y-2.2) })
		}
	}
	if len(d.Performance.Script.Quiet) > 0 {
		entry("quiet window", 10, func(x, y float64) {
			p.fill(rectangle(box{x - 5, y - 3, x + 5, y + 3}), veil)
			p.stroke(rectangle(box{x - 5, y - 3, x + 5, y + 3}), pen{width: 0.4, colour: pencil, dash: []float64{1, 1.6}})
		})
	}
}
