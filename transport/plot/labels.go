package plot

import (
	"math"
)

// label is a text that belongs to a moment: at a bar line, in one of the lanes
// above or below the staves.
type label struct {
	x     float64 // of the bar line
	text  string
	face  face
	lane  int // 0 is next to the edge of the page; -1 where there was no room
	flip  bool
	flag  bool // the label's line is drawn
	width float64
}

const (
	laneHeight = 9.0
	laneGap    = 2.5 // between a bar line and its label
)

// lanes places labels so that neither texts nor the lines that lead to them
// meet. Lane 0 is the farthest from the staves; a line runs from its lane
// through all nearer ones.
type lanes struct {
	most      int
	low, high float64 // the space across
	taken     []box   // x across, y in lanes
	used      int
}

// place finds room for a label and notes where.
func (l *lanes) place(b *label) {
	b.width = b.face.widthOf(b.text)
	for _, flip := range []bool{false, true} {
		for lane := range l.most {
			b.lane, b.flip = lane, flip
			x0, x1 := b.span()
			if x0 < l.low || x1 > l.high {
				continue
			}
			text := box{x0 - 1, float64(lane) + 0.1, x1 + 1, float64(lane) + 0.9}
			lead := box{b.x - 0.4, float64(lane), b.x + 0.4, math.Inf(1)}
			if l.free(text) && l.free(lead) {
				l.taken = append(l.taken, text, lead)
				l.used = max(l.used, lane+1)
				return
			}
		}
	}
	b.lane = -1
}

func (l *lanes) free(b box) bool {
	for _, t := range l.taken {
		if t.meets(b) {
			return false
		}
	}
	return true
}

// span gives where the text lies.
func (b *label) span() (x0, x1 float64) {
	if b.flip {
		return b.x - laneGap - b.width, b.x - laneGap
	}
	return b.x + laneGap, b.x + laneGap + b.width
}

// placeAll puts labels, ascending in x, into at most so many lanes and gives
// the number of lanes that they took.
func placeAll(labels []label, most int, low, high float64) int {
	l := lanes{most: most, low: low, high: high}
	for i := range labels {
		l.place(&labels[i])
	}
	return l.used
}
