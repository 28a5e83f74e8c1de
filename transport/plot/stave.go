package plot

import (
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot/vg"

	"limberjack/interp/drive"
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
		s.drawRow(p, &s.rows[i], d.Performance.Length, d.keyTime)
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

// drawQuiet veils the windows in which axes must be slow.
func (d *drawing) drawQuiet(p *page, s *system, top, bottom float64) {
	for _, q := range d.Performance.Script.Quiet {
		a, b := d.Performance.PerformanceTime(q.From), d.Performance.PerformanceTime(q.To)
		x0, x1 := math.Max(s.x0, s.x(a)), math.Min(s.end(), s.x(b))
		if x1 > x0 {
			p.fill(rectangle(box{x0, top, x1, bottom}), veil)
			edge := pen{width: 0.4, colour: pencil, dash: []float64{1, 1.6}}
			p.line(x0, top, x0, bottom, edge)
			p.line(x1, top, x1, bottom, edge)
		}
	}
}

// drawBars draws marks and cues through the staves, with their labels.
func (s *system) drawBars(p *page, top, bottom float64) {
	head := top - s.headHeight()
	rulerTop := head + float64(float64(s.tops)*laneHeight)
	for _, b := range s.marks {
		from := rulerTop
		if b.lane >= 0 {
			from = head + float64(float64(b.lane)*laneHeight) + 1
			s.drawLabel(p, b, head+float64(float64(b.lane)*laneHeight)+laneHeight-2.2)
		}
		switch {
		case b.flag && b.lane < 0:
			p.line(b.x, from, b.x, bottom, crowdPen)
		case b.flag:
			p.line(b.x, from, b.x, bottom, markPen)
			p.fill(polygon(point{b.x, from}, point{b.x + 1.8, from + 2.2}, point{b.x, from + 4.4}, point{b.x - 1.8, from + 2.2}), ink)
		case b.lane >= 0:
			p.line(b.x, from, b.x, top, pen{width: 0.4, colour: pencil, dash: []float64{1, 1.6}})
		}
	}
	for _, b := range s.cues {
		to, with := bottom+3, crowdPen
		if b.lane >= 0 {
			with = cuePen
			// Lanes of cues count from the edge of the page, as those of marks do.
			y := bottom + 4 + float64(float64(s.bottoms-b.lane)*laneHeight)
			to = y - 1.5
			s.drawLabel(p, b, y-1.8)
		}
		p.line(b.x, top, b.x, to, with)
		if b.lane >= 0 {
			p.fill(oval(b.x, to, 1.2, 1.2), ink)
		}
	}
}

func (s *system) drawLabel(p *page, b label, y float64) {
	x0, _ := b.span()
	p.write(x0, y, b.text, b.face, left)
}

// drawEnds joins the staves at the left and closes the motion at the right, with
// the sign of a repeat where it loops.
func (s *system) drawEnds(p *page, top, bottom float64, loop bool) {
	top += s.rows[0].pad()
	bottom -= s.rows[len(s.rows)-1].pad()
	p.line(s.x0, top, s.x0, bottom, pen{width: 0.9, colour: ink})
	x := s.end()
	if !s.last {
		p.line(x, top, x, bottom, pen{width: 0.5, colour: ink})
		return
	}
	p.line(x-2.6, top, x-2.6, bottom, pen{width: 0.5, colour: ink})
	p.line(x, top, x, bottom, pen{width: 1.8, colour: ink})
	if !loop {
		return
	}
	for i := range s.rows {
		r := &s.rows[i]
		m := (r.y0 + r.y1) / 2
		p.fill(oval(x-5, m-2.4, 0.8, 0.8), ink)
		p.fill(oval(x-5, m+2.4, 0.8, 0.8), ink)
	}
}

// drawRulers draws the scales of time over the first stave, and above it the
// findings that belong to no stave.
func (s *system) drawRulers(p *page, top float64) {
	y := top - s.headHeight() + float64(float64(s.tops)*laneHeight)
	limit := p.w - margin + 4
	for _, r := range s.rulers {
		base := y + rulerRow
		p.write(s.x0-6, base-2, r.name, kindFace, right)
		p.line(s.x0, base, s.end(), base, pen{width: 0.4, colour: pencil})
		s.drawTicks(p, r, base, limit)
		y = base
	}
	if len(s.loose) > 0 {
		base := y + rulerRow
		p.write(s.x0-6, base-2, "whole rig", kindFace, right)
		s.drawHatches(p, s.loose, base-4, base-0.5)
		s.drawNumbers(p, s.loose, base-4)
	}
}

func (s *system) drawTicks(p *page, r ruler, base, limit float64) {
	clear := math.Inf(-1)
	for _, t := range r.ticks {
		x := s.x(t.at)
		if t.text == "" {
			p.line(x, base-1.8, x, base, pen{width: 0.35, colour: pencil})
			continue
		}
		p.line(x, base-6, x, base, pen{width: 0.5, colour: ink})
		if b := textBox(x+2, base-2.2, t.text, rulerFace, left); b.x1 <= limit && b.x0 >= clear {
			if s.struckOut(b) {
				p.plate(b)
			}
			p.write(x+2, base-2.2, t.text, rulerFace, left)
			clear = b.x1 + 2
		}
	}
}

// struckOut reports whether the bar line of a mark runs through a text.
func (s *system) struckOut(b box) bool {
	for _, m := range s.marks {
		if m.flag && m.x > b.x0-0.5 && m.x < b.x1+0.5 {
			return true
		}
	}
	return false
}

// drawRow draws what a band holds, and its name and figures.
func (s *system) drawRow(p *page, r *row, length float64, when func(sequence.Key) float64) {
	s.drawName(p, r)
	switch {
	case r.level != nil:
		s.drawSound(p, r)
	case r.tide != nil:
		s.drawTide(p, r, length)
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
	if height < 26 && face != f || height < 18 {
		p.writeWithin(margin, middle+2.6, width, r.name, f, left)
		return
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
	n := max(1, int(math.Ceil((s.end()-s.x0)/columnWidth-1e-9)))
	width := (s.end() - s.x0) / float64(n)
	cols := columnsOf(r.curve, s.from, s.to, n)
	if r.filled {
		p.fill(s.areaUnder(r, cols, width), wash)
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
	return polygon(append(points, point{s.end(), base})...)
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
		p.drawHead(headOf(k, i == 0), q.x, q.y, size)
		last, drawn = q, true
	}
}

// drawSound draws the level of the sound: its peaks around its mean.
func (s *system) drawSound(p *page, r *row) {
	l := r.level.Level
	middle, half := (r.y0+r.y1)/2, (r.y1-r.y0)/2-3
	loudest := float32(1e-6)
	for _, v := range l.Peak {
		loudest = max(loudest, v)
	}
	p.line(s.x0, middle, s.end(), middle, pen{width: 0.3, colour: pencil})
	for _, layer := range []struct {
		of     []float32
		colour face
	}{{l.Peak, face{colour: wash}}, {l.RMS, face{colour: pencil}}} {
		p.fill(s.band(layer.of, l.Hop, loudest, middle, half), layer.colour.colour)
	}
}

// band gives the area of a level mirrored about a line, one height a column.
func (s *system) band(of []float32, hop float64, loudest float32, middle, half float64) vg.Path {
	sounding := math.Min(s.to, float64(float64(len(of))*hop))
	if sounding <= s.from {
		return nil
	}
	n := max(1, int((s.x(sounding)-s.x0)/columnWidth))
	var above, below []point
	for k := range n {
		t0 := s.from + float64((sounding-s.from)*float64(k))/float64(n)
		t1 := s.from + float64((sounding-s.from)*float64(k+1))/float64(n)
		h := float64(half * float64(greatest(of, t0/hop, t1/hop)/loudest))
		x := s.x((t0 + t1) / 2)
		above = append(above, point{x, middle - h})
		below = append(below, point{x, middle + h})
	}
	for i := len(below) - 1; i >= 0; i-- {
		above = append(above, below[i])
	}
	return polygon(above...)
}

// greatest gives the greatest of the values whose unit cells meet [from, to).
func greatest[T float32 | float64](of []T, from, to float64) T {
	first := max(0, min(len(of)-1, int(math.Floor(from+1e-9))))
	last := max(first, min(len(of)-1, int(math.Ceil(to-1e-9))-1))
	top := of[first]
	for _, v := range of[first : last+1] {
		top = max(top, v)
	}
	return top
}

// drawTide draws the current of a supply under its limit.
func (s *system) drawTide(p *page, r *row, length float64) {
	t := r.tide
	points := s.tidePoints(r, length)
	base := r.y(0)
	area := append([]point{{s.x0, base}}, points...)
	p.fill(polygon(append(area, point{s.end(), base})...), wash)
	if limit := t.Supply.Limit.V; limit > 0 {
		p.fill(floodOf(points, r.y(limit)), iron)
		p.stroke(pathOf(points), pen{width: 0.7, colour: ink})
		p.line(s.x0, r.y(limit), s.end(), r.y(limit), limitPen)
		if base-r.y(limit) >= 7 {
			s.drawFigure(p, r.y(limit), "limit "+amperes(limit))
		}
	} else {
		p.stroke(pathOf(points), pen{width: 0.7, colour: ink})
		s.drawFigure(p, r.y(r.reach[1]), amperes(r.reach[1]))
	}
	p.line(s.x0, base, s.end(), base, linePen)
	s.drawFigure(p, base, "0")
	s.drawPeak(p, r)
}

// tidePoints gives the upper edge of a tide: in each column the greatest current.
func (s *system) tidePoints(r *row, length float64) []point {
	if !(length > 0) {
		length = 1
	}
	n := max(1, int(math.Ceil((s.end()-s.x0)/columnWidth-1e-9)))
	cells := float64(len(r.tide.Tide)) / length
	var points []point
	for k := range n {
		t0 := s.from + float64((s.to-s.from)*float64(k))/float64(n)
		t1 := s.from + float64((s.to-s.from)*float64(k+1))/float64(n)
		y := r.y(greatest(r.tide.Tide, float64(t0*cells), float64(t1*cells)))
		if m := len(points); m >= 2 && points[m-1].y == y && points[m-2].y == y {
			points[m-1].x = s.x(t1)
			continue
		}
		points = append(points, point{s.x(t0), y}, point{s.x(t1), y})
	}
	return points
}

// floodOf gives the part of a tide that stands over its limit.
func floodOf(points []point, limit float64) vg.Path {
	var path vg.Path
	for i := 0; i+1 < len(points); i++ {
		a, b := points[i], points[i+1]
		if a.y >= limit || b.y >= limit || a.x == b.x {
			continue
		}
		path = append(path, polygon(point{a.x, limit}, a, b, point{b.x, limit})...)
	}
	return path
}

// drawPeak marks the greatest current, and says who draws it.
func (s *system) drawPeak(p *page, r *row) {
	t := r.tide
	if t.PeakAt < s.from || t.PeakAt > s.to || t.PeakAt == s.to && !s.last || !(t.Peak > 0) {
		return
	}
	x, y := s.x(t.PeakAt), r.y(t.Peak)
	p.fill(polygon(point{x, y - 0.8}, point{x - 2, y - 4.4}, point{x + 2, y - 4.4}), ink)
	text := peakText(t)
	base := math.Max(r.y0+5.4, math.Min(y-1.6, r.y1-r.pad()-9))
	room := [2]float64{p.w - margin - x - 4, x - s.x0 - 6}
	a, at, space := left, x+4, room[0]
	if peakFace.widthOf(text) > room[0] && room[1] > room[0] {
		a, at, space = right, x-4, room[1]
	}
	text = peakFace.shorten(text, space)
	p.plate(textBox(at, base, text, peakFace, a))
	p.write(at, base, text, peakFace, a)
}

// hardSpace keeps a unit with its number. Fonts leave it as it is, where they
// draw a plain space close to an A.
const hardSpace = "\u00a0"

func amperes(v float64) string { return compact(v) + hardSpace + "A" }

const mostBlamed = 3

func peakText(t *drive.SupplyTrace) string {
	text := amperes(t.Peak) + hardSpace + "at " + clockTime(t.PeakAt)
	var who []string
	for i, b := range t.Blame {
		if i == mostBlamed {
			who = append(who, strconv.Itoa(len(t.Blame)-i)+" more")
			break
		}
		part := b.Axis.Name
		if b.State != "" {
			part += " " + b.State
		}
		who = append(who, part+" "+amperes(b.Current))
	}
	if len(who) > 0 {
		text += ": " + strings.Join(who, ", ")
	}
	return text
}
