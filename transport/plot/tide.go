package plot

import (
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot/vg"

	"limberjack/interp/drive"
)

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
func (s *system) drawTide(p *page, r *row) {
	t := r.tide
	points := s.tidePoints(r, t.Tide, s.ends)
	base := r.y(0)
	if len(points) > 0 {
		area := append([]point{{s.x0, base}}, points...)
		p.fill(polygon(append(area, point{points[len(points)-1].x, base})...), wash)
	}
	limit := t.Supply.Limit.V
	if limit > 0 {
		p.fill(floodOf(points, r.y(limit)), iron)
	}
	s.drawOtherTides(p, r)
	if limit > 0 {
		p.stroke(pathOf(points), pen{width: 0.7, colour: ink})
		p.line(s.x0, r.y(limit), s.end(), r.y(limit), limitPen)
		if base-r.y(limit) >= 7 {
			s.drawFigure(p, r.y(limit), "limit "+amperes(limit))
		}
	} else {
		p.stroke(pathOf(points), pen{width: 0.7, colour: ink})
		s.drawFigure(p, r.y(r.crest), amperes(r.crest))
	}
	p.line(s.x0, base, s.end(), base, linePen)
	s.drawFigure(p, base, "0")
	s.drawPeak(p, r)
}

// tidePoints gives the upper edge of a tide, in equal cells up to where its
// motion ends: in each column the greatest current.
func (s *system) tidePoints(r *row, tide []float64, ends float64) []point {
	to := math.Min(s.to, ends)
	if to <= s.from || len(tide) == 0 {
		return nil
	}
	n := max(1, int(math.Ceil((s.x(to)-s.x0)/columnWidth-1e-9)))
	cells := float64(len(tide)) / ends
	var points []point
	for k := range n {
		t0 := s.from + float64((to-s.from)*float64(k))/float64(n)
		t1 := s.from + float64((to-s.from)*float64(k+1))/float64(n)
		y := r.y(greatest(tide, float64(t0*cells), float64(t1*cells)))
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
	text := PeakText(t)
	base := math.Max(r.y0+5.4, math.Min(y-1.6, r.y1-r.pad()-9))
	if len(r.others) > 0 {
		base = r.y0 + 5.4
	}
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

// PeakText tells the greatest current of a supply, when it is, and who draws it.
func PeakText(t *drive.SupplyTrace) string {
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
