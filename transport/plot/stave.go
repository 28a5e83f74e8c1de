package plot

import (
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot/vg"

	"limberjack/interp"
	"limberjack/sequence"
)

// The faces of a sheet.
var (
	titleFace  = face{serif, 18, ink}
	formFace   = face{serif, 10, ink}
	formBold   = face{serifBold, 10, ink}
	smallCaps  = face{sans, 5.6, pencil}
	nameFace   = face{serifBold, 9, ink}
	kindFace   = face{sans, 5.8, pencil}
	figureFace = face{sans, 5.8, ink}
	rulerFace  = face{sans, 6.2, ink}
	markFace   = face{serifBold, 8, ink}
	quietFace  = face{serifItalic, 7.5, pencil}
	cueFace    = face{serifItalic, 8, ink}
	numberFace = face{sansBold, 5.8, iron}
	listHead   = face{sansBold, 6.6, ink}
	listFace   = face{serif, 7.8, ink}
	listItalic = face{serifItalic, 7.8, ink}
	peakFace   = face{sans, 6.2, ink}

	tableFace = face{sans, 6.6, ink}
	tableBold = face{sansBold, 6.6, ink}
)

// The pens of a sheet.
var (
	motionPen = pen{width: 1.15, colour: ink}
	restPen   = pen{width: 0.6, colour: ink, dash: []float64{2.4, 2.2}}
	linePen   = pen{width: 0.5, colour: pencil}
	openPen   = pen{width: 0.5, colour: pencil, dash: []float64{0.8, 2}}
	homePen   = pen{width: 0.35, colour: faint, dash: []float64{3, 2}}
	guidePen  = pen{width: 0.3, colour: faint}
	markPen   = pen{width: 0.55, colour: ink}
	crowdPen  = pen{width: 0.25, colour: pencil} // bar lines too close together for labels
	cuePen    = pen{width: 0.6, colour: ink, dash: []float64{0.9, 2}}
	limitPen  = pen{width: 1, colour: iron, dash: []float64{5, 2}}
)

const columnWidth = 0.5 // pt: a pixel at 144 dots an inch

// drawSystem draws a stretch of time whose rows have their places.
func (d *drawing) drawSystem(p *page, s *system) {
	if len(s.rows) == 0 {
		return
	}
	top, bottom := s.rows[0].y0, s.rows[len(s.rows)-1].y1
	d.drawQuiet(p, s, top, bottom)
	for _, t := range s.rulers[0].ticks {
		if t.text != "" {
			p.line(s.x(t.at), top, s.x(t.at), bottom, guidePen)
		}
	}
	for i := range s.rows {
		r := &s.rows[i]
		s.drawHatches(p, r.findings, r.y0+r.pad(), r.y1-r.pad())
	}
	s.drawBars(p, top, bottom)
	for i := range s.rows {
		s.drawRow(p, &s.rows[i], d.keyTime)
	}
	s.drawEnds(p, top, bottom, d.Performance.Script.Loop)
	s.drawRulers(p, top)
}

func (d *drawing) keyTime(k sequence.Key) float64 {
	t := k.Time
	if k.Soonest {
		t = k.Arrive
	}
	return d.Performance.PerformanceTime(t)
}

// drawRow draws what a band holds, and its name and figures.
func (s *system) drawRow(p *page, r *row, when func(sequence.Key) float64) {
	s.drawName(p, r)
	switch {
	case r.level != nil:
		s.drawSound(p, r)
	case r.tide != nil:
		s.drawTide(p, r)
	default:
		s.drawStave(p, r)
		s.drawCurve(p, r)
		s.drawKeys(p, r, when)
	}
	y := r.y0 + math.Max(5.2, r.pad()-1)
	if r.tide != nil {
		y = r.y1 - r.pad() - 1.5 // the peak has its label above
	}
	s.drawNumbers(p, r.findings, y)
}

// drawName writes the name of a band in the gutter.
func (s *system) drawName(p *page, r *row) {
	height, middle := r.y1-r.y0, (r.y0+r.y1)/2
	if height < 8 {
		return
	}
	const width = gutter - 40
	f := nameFace
	if height < 24 {
		f = f.at(8)
	}
	for f.size > 6.9 && f.widthOf(r.name) > width {
		f.size -= 0.6
	}
	below, face := r.kind, kindFace
	if r.unit != "" {
		below += ", " + r.unit
	}
	name := r.name
	if first, rest := f.breakName(name, width); rest != "" {
		name, below, face = first, rest, f
	}
	note := r.note
	if note != "" && face != f && height < 36 {
		below, note, height = note, "", height+8 // in place of the kind
	}
	if height < 26 && face != f || height < 18 {
		p.writeWithin(margin, middle+2.6, width, r.name, f, left)
		return
	}
	if note != "" && height >= 36 {
		middle -= 4
		p.writeWithin(margin, middle+14.2, width, note, kindFace, left)
	}
	p.writeWithin(margin, middle-0.6, width, name, f, left)
	p.writeWithin(margin, middle+7, width, below, face, left)
}

// drawStave draws the two lines, the line of rest and their figures.
func (s *system) drawStave(p *page, r *row) {
	with := linePen
	if !r.bound {
		with = openPen
	}
	if r.rests && r.rest > r.lines[0] && r.rest < r.lines[1] {
		p.line(s.x0, r.y(r.rest), s.end(), r.y(r.rest), homePen)
	}
	for _, v := range r.lines {
		p.line(s.x0, r.y(v), s.end(), r.y(v), with)
	}
	if r.y(r.lines[0])-r.y(r.lines[1]) >= 7 {
		for _, v := range r.lines {
			s.drawFigure(p, r.y(v), figureText(v, r.unit))
		}
	}
}

func (s *system) drawFigure(p *page, y float64, text string) {
	p.writeWithin(s.x0-4, y+2, 34, text, figureFace, right)
}

func figureText(v float64, unit string) string {
	switch unit {
	case "":
		return sequence.FormatValue(v, "")
	case "deg":
		return compact(v) + "°"
	}
	return compact(v) + " " + unit
}

// compact writes a figure with at most five digits.
func compact(v float64) string {
	text := strconv.FormatFloat(math.Round(v*100)/100+0, 'g', 5, 64)
	return strings.Replace(text, "-", "\u2212", 1)
}

// drawCurve draws what is commanded: with a pen while it moves, dashed while it
// stands still.
func (s *system) drawCurve(p *page, r *row) {
	cols, width := s.columns(r.curve, s.ends)
	if r.filled && len(cols) > 0 {
		p.fill(s.areaUnder(r, cols, width), wash)
	}
	for _, o := range r.others {
		s.drawOther(p, r, o, cols, width)
	}
	for _, run := range runsOf(cols, s.x0, width, r.y) {
		with := motionPen
		with.width *= r.fineness()
		if run.still {
			with = restPen
		}
		p.stroke(pathOf(run.points), with)
	}
}

// columns folds a curve that ends at a time into the columns of the system, and
// gives their width; none where it has ended before.
func (s *system) columns(c *interp.Curve, ends float64) ([]column, float64) {
	to := math.Min(s.to, ends)
	if to <= s.from {
		return nil, columnWidth
	}
	n := max(1, int(math.Ceil((s.x(to)-s.x0)/columnWidth-1e-9)))
	return columnsOf(c, s.from, to, n), (s.x(to) - s.x0) / float64(n)
}

// areaUnder gives the area between a curve and the line of nothing.
func (s *system) areaUnder(r *row, cols []column, width float64) vg.Path {
	base := r.y(math.Max(r.lines[0], 0))
	if !r.moves && cols[0].first == 0 {
		return nil
	}
	points := []point{{s.x0, base}}
	for _, run := range runsOf(cols, s.x0, width, r.y) {
		points = append(points, run.points...)
	}
	return polygon(append(points, point{points[len(points)-1].x, base})...)
}

// drawKeys puts the note heads on the curve. Where they would cover each other,
// some are left out.
func (s *system) drawKeys(p *page, r *row, when func(sequence.Key) float64) {
	if r.y1-r.y0 < 10 {
		return
	}
	size := float64(headSize * r.fineness())
	var last point
	drawn := false
	for i, k := range r.keys {
		t := when(k)
		if t < s.from || t > s.to || t == s.to && !s.last {
			continue
		}
		q := point{s.x(t), r.y(r.curve.Value(t))}
		if drawn && math.Abs(q.x-last.x) < 2*size && math.Abs(q.y-last.y) < 2*size {
			continue
		}
		p.drawHead(HeadOf(k, i == 0), q.x, q.y, size)
		last, drawn = q, true
	}
}
