package plot

import (
	"math"
)

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
	s.drawOtherEnds(p, top, bottom)
	if !s.last {
		p.line(s.end(), top, s.end(), bottom, pen{width: 0.5, colour: ink})
	}
	if s.ends <= s.from || s.ends > s.to {
		return
	}
	x := s.x(s.ends)
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
