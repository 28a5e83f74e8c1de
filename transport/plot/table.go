package plot

import (
	"fmt"
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/interp/drive"
)

// table says which performance is which, and compares them, where a sheet shows
// several.
type table struct {
	title string
	heads []string // of the columns after the names
	lines []tableLine
	width float64
}

// tableLine is one performance.
type tableLine struct {
	pen        pen
	role, name string
	cells      []string
}

// The measures of a table in points.
const (
	tableRise   = 3.0 // how far the heads stand into the room of the title block
	tableLead   = 9.2
	tableBelow  = 5.0
	sampleWidth = 26.0
	roleWidth   = 46.0
	nameLeast   = 160.0
	lengthWidth = 56.0
	supplyWidth = 112.0
)

// tableOf gives the table of a sheet; an empty one where it shows one
// performance.
func (d *drawing) tableOf() table {
	if len(d.others()) == 0 {
		return table{}
	}
	t := table{title: "ON THESE STAVES", heads: []string{"LENGTH"}, width: d.w - 2*margin}
	names := d.tableSupplies()
	room := int((t.width - sampleWidth - roleWidth - nameLeast - lengthWidth) / supplyWidth)
	if more := len(names) - room; more > 0 {
		t.title += fmt.Sprintf(" (supplies beyond %d: at their staves)", room)
		names = names[:room]
	}
	for _, name := range names {
		const what = ": PEAK, MOST OVER 0.1 s"
		t.heads = append(t.heads, smallCaps.shorten(name, supplyWidth-6-smallCaps.widthOf(what))+what)
	}
	own := tableLine{pen: motionPen, role: "as written", name: shortFile(d.Performance)}
	if d.Before != nil {
		before := tableLine{pen: beforePen, role: "before"}
		own.role = "after"
		own.name, before.name = fileNames(d.Performance, d.Before.Performance)
		t.lines = append(t.lines, before.with(d.Before.Performance, d.Before.Trace, names))
	}
	t.lines = append(t.lines, own.with(d.Performance, d.Trace, names))
	if d.Shaped != nil {
		shaped := tableLine{pen: shapedPen, role: "shaped", name: d.deviationText(t.nameWidth())}
		t.lines = append(t.lines, shaped.with(d.Shaped.Performance, d.Shaped.Trace, names))
	}
	return t
}

// tableSupplies names the supplies that have a tide.
func (d *drawing) tableSupplies() []string {
	var names []string
	for _, r := range d.rows {
		if r.tide != nil {
			names = append(names, r.name)
		}
	}
	return names
}

// with fills the cells of a line: the length, and of each supply the greatest
// current and the greatest mean over a tenth of a second.
func (l tableLine) with(p *interp.Performance, t *drive.Trace, supplies []string) tableLine {
	l.cells = []string{lengthText(p.Length)}
	for _, name := range supplies {
		text := "not known"
		if s := supplyNamed(t, name); s != nil {
			text = amperes(s.Peak)
			if s.Sustained > 0 {
				text += ", " + amperes(s.Sustained)
			}
		}
		l.cells = append(l.cells, text)
	}
	return l
}

// lengthText writes a time to a millisecond: two lengths may differ by little.
func lengthText(t float64) string {
	if t < 60 {
		return number(t) + " s"
	}
	return clockText(t)
}

// deviationText names the closest motion and tells its greatest deviations, as
// many as fit a width.
func (d *drawing) deviationText(width float64) string {
	const name = "the closest within the axes' limits"
	list := append([]Deviation{}, d.Shaped.Deviations...)
	if len(list) == 0 {
		return name + ": the motion as it is written"
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].share() > list[j].share() })
	fps := 24.0
	if d.Performance.Script.FPS.Given() {
		fps = d.Performance.Script.FPS.Rate()
	}
	text, fitting := name, name+"; deviations at the staves"
	for i, v := range list {
		text += "; " + v.text(fps)
		whole := text
		if more := len(list) - i - 1; more > 0 {
			whole += fmt.Sprintf("; %d more at the staves", more)
		}
		if tableFace.widthOf(whole) > width-8 {
			break
		}
		fitting = whole
	}
	return fitting
}

// share gives a deviation as a share of the axis's travel, by which axes of
// several units can be put in order.
func (v Deviation) share() float64 {
	if span := v.Axis.Travel[1].V - v.Axis.Travel[0].V; v.Axis.HasTravel() && span > 0 {
		return v.Largest / span
	}
	return v.Largest / 100
}

func (v Deviation) text(fps float64) string {
	text := v.Axis.Name + " off by " + v.sizeText() + " at " + clockTime(v.At)
	if v.Axis.Linkage != nil {
		text += " (horn)"
	}
	frames := math.Round(math.Abs(v.Late)*fps*10) / 10
	switch {
	case frames == 0:
		return text + ", in time"
	case v.Late < 0:
		return text + ", " + number(frames) + " film frames early"
	}
	return text + ", " + number(frames) + " film frames late"
}

// nameWidth is the width from the names to the first column.
func (t table) nameWidth() float64 {
	return t.width - sampleWidth - roleWidth - lengthWidth - float64(float64(len(t.heads)-1)*supplyWidth)
}

// height gives the room that a table takes.
func (t table) height() float64 {
	if len(t.lines) == 0 {
		return 0
	}
	return float64(float64(len(t.lines))*tableLead) + tableBelow
}

// draw puts the table on a page, from y down.
func (t table) draw(p *page, y float64) {
	if len(t.lines) == 0 {
		return
	}
	y -= tableRise
	names := margin + sampleWidth + roleWidth
	cells := names + t.nameWidth()
	across := func(i int) (x, width float64) {
		if i == 0 {
			return cells, lengthWidth - 6
		}
		return cells + lengthWidth + float64(float64(i-1)*supplyWidth), supplyWidth - 6
	}
	p.writeWithin(margin, y, cells-margin-6, t.title, smallCaps, left)
	for i, head := range t.heads {
		x, width := across(i)
		p.writeWithin(x, y, width, head, smallCaps, left)
	}
	for _, l := range t.lines {
		y += tableLead
		p.line(margin, y-2.2, margin+sampleWidth-5, y-2.2, l.pen)
		p.writeWithin(margin+sampleWidth, y, roleWidth-4, l.role, tableBold, left)
		p.writeWithin(names, y, cells-names-8, l.name, tableFace, left)
		for i, text := range l.cells {
			x, width := across(i)
			p.writeWithin(x, y, width, text, tableFace, left)
		}
	}
}
