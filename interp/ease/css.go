package ease

import (
	"math"
	"sort"
	"strings"
)

// The CSS eases that jump: steps() and linear().

// jump is where a steps() ease jumps.
type jump uint8

const (
	jumpEnd jump = iota
	jumpStart
	jumpNone
	jumpBoth
)

var jumpNames = map[string]jump{
	"jump-end": jumpEnd, "end": jumpEnd, "jump-start": jumpStart, "start": jumpStart,
	"jump-none": jumpNone, "jump-both": jumpBoth,
}

func (j jump) String() string {
	return [...]string{"jump-end", "jump-start", "jump-none", "jump-both"}[j]
}

// stairs is steps(n, jump).
type stairs struct {
	n    int
	jump jump
}

// jumps is the number of rises on the way from 0 to 1.
func (s stairs) jumps() int {
	switch s.jump {
	case jumpNone:
		return s.n - 1
	case jumpBoth:
		return s.n + 1
	}
	return s.n
}

// first is the number of rises already done at x = 0.
func (s stairs) first() int {
	if s.jump == jumpStart || s.jump == jumpBoth {
		return 1
	}
	return 0
}

func (s stairs) parts() []Part {
	parts := make([]Part, s.n)
	for i := range parts {
		parts[i] = Part{
			X0:   float64(i) / float64(s.n),
			X1:   float64(i+1) / float64(s.n),
			Poly: []float64{float64(i+s.first()) / float64(s.jumps())},
		}
	}
	return parts
}

// progress follows "calculate a step easing output progress". A rise lies at the
// double nearest to i/n, so that x*n is never rounded across it.
func (s stairs) progress(x float64, before bool) float64 {
	n := float64(s.n)
	step := math.Floor(x * n)
	if (step+1)/n <= x {
		step++
	} else if step/n > x {
		step--
	}
	onRise := step/n == x
	step += float64(s.first())
	if before && onRise {
		step--
	}
	if x >= 0 {
		step = math.Max(step, 0)
	}
	if x <= 1 {
		step = math.Min(step, float64(s.jumps()))
	}
	return step / float64(s.jumps())
}

// stop is a control point of linear(): an input, in per cent as it is written,
// and an output.
type stop struct{ percent, y float64 }

func (s stop) x() float64 { return s.percent / 100 }

// polyline is linear() with its canonical control points.
type polyline []stop

// closeStops are stops nearer to one another than this, in share of the time:
// one instant.
const closeStops = 1e-12

// canonical fills in missing inputs (NaN) and raises those out of order, as
// "create a linear easing function" has it.
func canonical(stops []stop) polyline {
	largest := math.Inf(-1)
	for i := range stops {
		s := &stops[i]
		switch {
		case !math.IsNaN(s.percent):
			s.percent = math.Max(s.percent, largest)
		case i == 0:
			s.percent = 0
		case i == len(stops)-1:
			s.percent = math.Max(100, largest)
		default:
			continue
		}
		largest = s.percent
	}
	for i := 1; i < len(stops); i++ {
		if math.IsNaN(stops[i].percent) {
			spread(stops, i)
		}
		if stops[i].percent-stops[i-1].percent < 100*closeStops {
			stops[i].percent = stops[i-1].percent
		}
	}
	return stops
}

// spread spaces the run of missing inputs that begins at i evenly.
func spread(stops []stop, i int) {
	end := i
	for math.IsNaN(stops[end].percent) {
		end++
	}
	from := stops[i-1].percent
	width := (stops[end].percent - from) / float64(end-i+1)
	for k := i; k < end; k++ {
		stops[k].percent = from + float64(float64(k-i+1)*width)
	}
}

// text is the canonical form, every input given.
func (p polyline) text() string {
	var b strings.Builder
	b.WriteString("linear(")
	for i, s := range p {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(number(s.y) + " " + number(s.percent) + "%")
	}
	return b.String() + ")"
}

// segment are the points A and B of "calculate linear easing output progress".
func (p polyline) segment(x float64) (a, b stop) {
	i := sort.Search(len(p), func(i int) bool { return p[i].x() > x }) - 1
	i = min(max(i, 0), len(p)-2)
	return p[i], p[i+1]
}

func (p polyline) progress(x float64, _ bool) float64 {
	a, b := p.segment(x)
	if a.x() == b.x() {
		return b.y
	}
	return a.y + float64((b.y-a.y)*((x-a.x())/(b.x()-a.x())))
}

// parts are the stretches of the line within [0, 1], its ends continued.
func (p polyline) parts() []Part {
	knots := []float64{0}
	for _, s := range p {
		if x := s.x(); x > knots[len(knots)-1]+closeStops/2 && x < 1-closeStops/2 {
			knots = append(knots, x)
		}
	}
	knots = append(knots, 1)
	parts := make([]Part, len(knots)-1)
	for i := range parts {
		a, b := knots[i], knots[i+1]
		parts[i] = Part{X0: a, X1: b, Poly: p.line((a+b)/2, a)}
	}
	return parts
}

// line is the stretch around middle as a polynomial in x - from.
func (p polyline) line(middle, from float64) []float64 {
	a, b := p.segment(middle)
	if a.x() == b.x() {
		return []float64{b.y}
	}
	slope := (b.y - a.y) / (b.x() - a.x())
	return []float64{a.y + float64(slope*(from-a.x())), slope}
}
