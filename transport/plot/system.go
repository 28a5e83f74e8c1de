package plot

import (
	"math"
	"sort"
	"strings"

	"limberjack/sequence"
)

// system is one stretch of time across a page, as in a score: ruler, rows and
// the labels of marks and cues.
type system struct {
	from, to float64 // s of performance time
	scale    float64 // pt a second
	x0, x1   float64 // the staves
	rows     []row
	marks    []label
	cues     []label
	tops     int // lanes of marks
	bottoms  int // lanes of cues
	rulers   []ruler
	last     bool    // the sheet's time ends here
	ends     float64 // s at which the sheet's own motion ends
	loose    []numbered
}

func (s *system) x(t float64) float64 { return s.x0 + float64((t-s.from)*s.scale) }

// right is where the system's time ends.
func (s *system) end() float64 { return s.x(s.to) }

const (
	margin     = 30.0 // of a page, on all sides
	gutter     = 104.0
	rulerRow   = 9.5
	systemGap  = 18.0
	headroom   = 4.0 // between ruler and first stave
	mostLetter = 26  // characters of a mark's name
)

func (s *system) headHeight() float64 {
	h := float64(float64(s.tops)*laneHeight) + float64(float64(len(s.rulers))*rulerRow) + headroom
	if len(s.loose) > 0 {
		h += rulerRow
	}
	return h
}

func (s *system) footHeight() float64 {
	if s.bottoms == 0 {
		return 2
	}
	return float64(float64(s.bottoms)*laneHeight) + 5
}

// heights gives the least, natural and greatest height of a system.
func (s *system) heights() (least, natural, most float64) {
	fixed := s.headHeight() + s.footHeight()
	least, natural, most = fixed, fixed, fixed
	for _, r := range s.rows {
		least += r.least
		natural += r.natural
		most += r.most
	}
	return least, natural, most
}

// moment is something with a name at a performance time.
type moment struct {
	at    float64
	text  string
	faint bool
}

// marksOf gives the marks and quiet windows of a motion, in order of time.
func (d *drawing) marksOf() []moment {
	p := d.Performance
	var list []moment
	for _, m := range p.Script.Marks {
		list = append(list, moment{at: p.PerformanceTime(m.Time), text: shortName(m.Name)})
	}
	for _, q := range p.Script.Quiet {
		text := "quiet"
		if q.Speed.Given() {
			text = "quiet, at most " + number(q.Speed.V) + " deg/s"
		}
		list = append(list, moment{at: p.PerformanceTime(q.From), text: text, faint: true})
	}
	return sorted(list)
}

// cuesOf gives the cues of a motion; those at one time are one moment.
func (d *drawing) cuesOf() []moment {
	p := d.Performance
	var list []moment
	for _, c := range p.Script.Cues {
		list = append(list, moment{at: p.PerformanceTime(c.Time), text: cueText(c)})
	}
	list = sorted(list)
	var out []moment
	for _, m := range list {
		if n := len(out); n > 0 && out[n-1].at == m.at {
			out[n-1].text += ", " + m.text
			continue
		}
		out = append(out, m)
	}
	return out
}

func sorted(list []moment) []moment {
	sort.SliceStable(list, func(i, j int) bool { return list[i].at < list[j].at })
	return list
}

func cueText(c sequence.Cue) string {
	var parts []string
	for _, set := range c.Set {
		parts = append(parts, set.Axis.Name+" "+sequence.FormatValue(set.Value, set.Axis.Unit))
	}
	if c.Say != "" {
		parts = append(parts, "“"+shortTo(printable(c.Say), 40)+"”")
	}
	return strings.Join(parts, ", ")
}

func shortName(s string) string { return shortTo(s, mostLetter) }

func shortTo(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + ellipsis
	}
	return s
}

// systemOf lays out a stretch of time across a page.
func (d *drawing) systemOf(from, to, seconds float64, last bool) *system {
	s := &system{from: from, to: to, x0: margin + gutter, x1: d.w - margin, last: last, ends: endOf(d.Performance)}
	s.scale = (s.x1 - s.x0) / seconds
	for _, r := range d.rows {
		s.rows = append(s.rows, *r)
	}
	s.marks = s.labels(d.marks, markFace)
	lanes := mostLanes(len(d.rows))
	s.tops = placeAll(s.marks, lanes, s.x0-gutter/2, d.w-margin)
	s.cues = s.labels(d.cues, cueFace)
	s.bottoms = placeAll(s.cues, lanes, s.x0-gutter/2, d.w-margin)
	s.rulers = rulersOf(d.Performance, s)
	for _, f := range d.loose {
		if s.shows(f) {
			s.loose = append(s.loose, f)
		}
	}
	return s
}

func (s *system) labels(list []moment, f face) []label {
	var out []label
	for _, m := range list {
		if m.at < s.from || m.at > s.to || (m.at == s.to && !s.last) {
			continue
		}
		b := label{x: s.x(m.at), text: m.text, face: f, flag: !m.faint}
		if m.faint {
			b.face = quietFace
		}
		out = append(out, b)
	}
	return out
}

// holds reports whether a span of time shows in the system.
func (s *system) holds(from, to float64) bool {
	from, to = math.Max(from, 0), math.Max(to, 0)
	if s.last {
		from, to = math.Min(from, s.to), math.Min(to, s.to)
	}
	return from <= s.to && to >= s.from && (from < s.to || s.last) && (to > s.from || s.from == 0 || to == from)
}

// split gives a system's rows to several systems of the same time, so that none
// is higher than there is room.
func (s *system) split(room float64) []*system {
	least, _, _ := s.heights()
	if least <= room || len(s.rows) < 2 {
		return []*system{s}
	}
	fixed := s.headHeight() + s.footHeight()
	parts := int(math.Ceil((least - fixed) / math.Max(1, room-fixed)))
	share := (least - fixed) / float64(parts)
	var out []*system
	part, height := *s, 0.0
	part.rows = nil
	for i, r := range s.rows {
		over := fixed+height+r.least > room
		if len(part.rows) > 0 && (over || height+r.least/2 > share) {
			p := part
			out = append(out, &p)
			part.rows, height = nil, 0
		}
		part.rows = append(part.rows, s.rows[i])
		height += r.least
	}
	return append(out, &part)
}

// settle gives every row its place, with the system's upper edge at top and as
// much height as there is, up to what the rows want.
func (s *system) settle(top, height float64) (bottom float64) {
	least, natural, most := s.heights()
	y := top + s.headHeight()
	for i := range s.rows {
		r := &s.rows[i]
		var h float64
		switch {
		case height >= most:
			h = r.most
		case height >= natural:
			h = between(r.natural, r.most, (height-natural)/(most-natural))
		case height >= least:
			h = between(r.least, r.natural, (height-least)/(natural-least))
		default:
			h = math.Max(6, r.least*(height-(least-rowsOnly(s.rows)))/math.Max(1, rowsOnly(s.rows)))
		}
		r.y0, r.y1 = y, y+round(h)
		y = r.y1
	}
	return y + s.footHeight()
}

func rowsOnly(rows []row) float64 {
	sum := 0.0
	for _, r := range rows {
		sum += r.least
	}
	return sum
}

func between(a, b, share float64) float64 { return a + float64((b-a)*share) }

// mostLanes is how many lanes of labels a sheet may have: more where few staves
// leave room for them.
func mostLanes(rows int) int {
	if rows <= 24 {
		return 5
	}
	return 3
}
