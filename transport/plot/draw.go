package plot

import (
	"io"
	"math"

	"limberjack/interp/check"
)

// drawing is a sheet on its way to the pages.
type drawing struct {
	Sheet
	w, h  float64
	rows  []*row
	marks []moment
	cues  []moment
	loose []numbered // findings of no band
	heads [heads]bool
	pages []*page
	table table   // which performance is which, where there are several
	head  float64 // pt, of the title block and the table
}

const (
	titleHeight  = 44.0
	legendHeight = 21.0
	mostSeconds  = 60.0 // of a system, unless that gives too many
	mostSystems  = 240
	mostHeight   = 9900.0 // pt of one tall sheet: SVG coordinates keep five digits
	listShare    = 0.24   // of a page, for the list of findings, before staves give way
)

func write(w io.Writer, form Form, s Sheet) error {
	d := layout(s, form != PDF)
	title := d.Performance.Script.Name + ": cue sheet"
	switch form {
	case SVG:
		return writeSVG(w, d.pages[0], title)
	case PNG:
		return writePNG(w, d.pages[0], s.DPI)
	default:
		return writePDF(w, d.pages, title)
	}
}

// layout puts a sheet on pages; on a tall one, all on the first.
func layout(s Sheet, tall bool) *drawing {
	d := &drawing{Sheet: s}
	d.w, d.h = s.Paper.size()
	d.rows = rowsOf(s)
	d.marks, d.cues = d.marksOf(), d.cuesOf()
	d.gatherLoose()
	d.gatherHeads()
	d.table = d.tableOf()
	d.head = titleHeight + d.table.height()
	room := d.h - 2*margin - d.head - legendHeight
	list := listingOf(s.Report, d.w-2*margin)
	systems := d.systems(tall)
	if len(systems) == 1 {
		least, natural, _ := systems[0].heights()
		if least+list.least() <= room {
			budget := math.Max(room-natural, math.Min(listShare*room, room-least))
			d.onePage(systems[0], list.fit(budget), room)
			return d
		}
	}
	if tall {
		d.tallPage(systems, list.fit(mostHeight/4), room)
	} else {
		d.manyPages(systems, list, room)
	}
	return d
}

// systems cuts the motion into stretches of time: one where it is short, else
// equal ones of a round length.
func (d *drawing) systems(tall bool) []*system {
	length := d.length()
	if length <= mostSeconds {
		return []*system{d.systemOf(0, length, length, true)}
	}
	most := mostSystems
	if tall {
		least := 0.0
		for _, r := range d.rows {
			least += r.least
		}
		most = min(most, max(1, int((mostHeight*0.7)/(least+90))))
	}
	seconds := stretch(length, most)
	var out []*system
	for k := 0; float64(float64(k)*seconds) < length; k++ {
		from := float64(float64(k) * seconds)
		to := math.Min(length, from+seconds)
		out = append(out, d.systemOf(from, to, seconds, to >= length))
	}
	return out
}

// stretch gives the seconds of a system: the motion in equal parts of at most a
// minute, rounded up to 5 s, or longer ones where there would be too many.
func stretch(length float64, most int) float64 {
	parts := math.Min(math.Ceil(length/mostSeconds), float64(most))
	unit := 5.0
	for _, u := range []float64{5, 60, 300, 600, 3600} {
		if length/parts > 4*u {
			unit = u
		}
	}
	if length/parts <= mostSeconds {
		unit = 5
	}
	return float64(math.Ceil(length/parts/unit-1e-9) * unit)
}

func (d *drawing) gatherLoose() {
	if d.Report == nil {
		return
	}
	claimed := map[int]bool{}
	for _, r := range d.rows {
		for _, f := range r.findings {
			claimed[f.number] = true
		}
	}
	for i, f := range d.Report.Findings {
		if !claimed[i+1] {
			d.loose = append(d.loose, numbered{i + 1, f})
		}
	}
}

func (d *drawing) gatherHeads() {
	for _, r := range d.rows {
		for i, k := range r.keys {
			d.heads[HeadOf(k, i == 0)] = true
		}
	}
}

func (d *drawing) newPage(height float64) *page {
	p := &page{w: d.w, h: round(height)}
	d.pages = append(d.pages, p)
	return p
}

// onePage draws a motion that one sheet of paper holds.
func (d *drawing) onePage(s *system, list fitted, room float64) {
	p := d.newPage(d.h)
	top := margin + d.head
	space := room
	if h := list.height(); h > 0 {
		space -= h
	}
	bottom := s.settle(top, space)
	d.drawSystem(p, s)
	list.draw(p, math.Max(bottom, math.Min(bottom+24, top+room-list.height())))
	d.finishPages()
}

// tallPage draws all systems one under the other on one sheet as tall as they
// need.
func (d *drawing) tallPage(systems []*system, list fitted, room float64) {
	spare := mostHeight - 2*margin - d.head - legendHeight - list.height()
	want, least := 0.0, 0.0
	for _, s := range systems {
		l, n, _ := s.heights()
		want += n + systemGap
		least += l + systemGap
	}
	share := math.Max(0, math.Min(1, (spare-least)/math.Max(1, want-least)))
	squeeze := math.Min(1, spare/least)
	y := margin + d.head
	p := d.newPage(d.h)
	for i, s := range systems {
		if i > 0 {
			y += systemGap
		}
		l, n, _ := s.heights()
		y = s.settle(y, between(float64(l*squeeze), n, share))
		d.drawSystem(p, s)
	}
	list.draw(p, y+6)
	p.h = round(math.Max(d.h, y+6+list.height()+legendHeight+margin))
	d.finishPages()
}

// manyPages fills pages with systems from top to bottom; rows that do not fit
// under each other go on to the next page. The list of findings shares the last
// page where the staves leave it room, else it has its own.
func (d *drawing) manyPages(systems []*system, list listing, room float64) {
	var blocks []*system
	for _, s := range systems {
		blocks = append(blocks, s.split(room)...)
	}
	for {
		n := fitting(blocks, room)
		if n == len(blocks) {
			break
		}
		d.fillPage(blocks[:n], room, room)
		blocks = blocks[n:]
	}
	least, natural := stacked(blocks)
	const gap = 12
	shared := list.fit(room - gap - between(least, natural, 0.25))
	if shared.rest > 0 {
		d.fillPage(blocks, room, natural)
		d.listPage(list.fit(room - gap))
	} else {
		h := shared.height()
		p := d.fillPage(blocks, math.Min(natural, room-gap-h), natural)
		shared.draw(p, margin+d.head+room-h)
	}
	d.finishPages()
}

func (d *drawing) listPage(list fitted) { list.draw(d.newPage(d.h), margin+d.head+8) }

// fitting gives how many systems stand under each other on a page; at least one.
func fitting(blocks []*system, room float64) int {
	for n := 1; n < len(blocks); n++ {
		if _, natural := stacked(blocks[:n+1]); natural > room {
			return n
		}
	}
	return len(blocks)
}

// stacked gives the least and the natural height of systems under each other.
func stacked(blocks []*system) (least, natural float64) {
	for i, s := range blocks {
		l, n, _ := s.heights()
		if i > 0 {
			l, n = l+systemGap, n+systemGap
		}
		least, natural = least+l, natural+n
	}
	return least, natural
}

// fillPage draws systems on a new page. They take their natural height, or less
// where there is less room, or more, up to a height, where there is more.
func (d *drawing) fillPage(blocks []*system, room, upTo float64) *page {
	p := d.newPage(d.h)
	least, natural := stacked(blocks)
	share, extra := 1.0, 0.0
	if room < natural {
		share = math.Max(0, (room-least)/math.Max(1, natural-least))
	} else {
		extra = math.Max(0, math.Min(room, upTo)-natural) / float64(len(blocks))
	}
	y := margin + d.head
	for i, s := range blocks {
		if i > 0 {
			y += systemGap
		}
		l, n, _ := s.heights()
		y = s.settle(y, between(l, n, share)+extra)
		d.drawSystem(p, s)
	}
	return p
}

// finishPages puts the title block and the legend on every page.
func (d *drawing) finishPages() {
	for i, p := range d.pages {
		d.drawTitle(p, i+1, len(d.pages))
		d.table.draw(p, margin+titleHeight)
		d.drawLegend(p)
	}
}

// count gives the number of findings of each level.
func count(r *check.Report) (n [3]int) {
	for _, f := range r.Findings {
		if int(f.Level) < len(n) {
			n[f.Level]++
		}
	}
	return n
}
