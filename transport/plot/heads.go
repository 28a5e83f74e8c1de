package plot

import (
	"strconv"

	"gonum.org/v1/plot/vg"

	"limberjack/interp/ease"
	"limberjack/sequence"
)

// Head is the shape of a key on its curve: it says by which kind of ease the
// axis arrives there.
type Head uint8

const (
	headFirst    Head = iota // the first key of a track: nothing leads to it
	headEased                // speeds up and slows down
	headSpline               // passes through on a spline
	headStraight             // at constant speed
	headStepped              // holds and jumps
	headSpringy              // overshoots or bounces
	headSoonest              // as fast as the limits allow
	heads
)

var headNames = [heads]string{"first key", "eased", "spline", "straight", "held or stepped", "overshoots", "soonest"}

// headWords name the families in one word each, for programs.
var headWords = [heads]string{"first", "eased", "spline", "straight", "stepped", "springy", "soonest"}

// String gives the family in one word: first, eased, spline, straight, stepped,
// springy or soonest.
func (h Head) String() string {
	if h < heads {
		return headWords[h]
	}
	return "head " + strconv.Itoa(int(h))
}

// HeadOf gives the shape for a key of a track; first, for the first key of one.
func HeadOf(k sequence.Key, first bool) Head {
	switch {
	case first:
		return headFirst
	case k.Soonest:
		return headSoonest
	case k.Ease == nil:
		return headEased
	case k.Ease.Spline() != ease.None:
		return headSpline
	}
	switch k.Ease.Family() {
	case "linear":
		return headStraight
	case "hold", "steps":
		return headStepped
	case "back", "elastic", "bounce":
		return headSpringy
	}
	const rounding = 1e-9
	if p := k.Ease.Peaks(); p.Min < -rounding || p.Max > 1+rounding {
		return headSpringy
	}
	return headEased
}

const headSize = 2.1 // pt, half the height of a note head

// drawHead puts a note head of half a height r on the page.
func (p *page) drawHead(h Head, x, y, r float64) {
	outline := pen{width: 0.75, colour: ink}
	open := func(path vg.Path) {
		p.fill(path, cream)
		p.stroke(path, outline)
	}
	switch h {
	case headFirst:
		p.line(x, y-r-0.6, x, y+r+0.6, pen{width: 1.3, colour: ink})
	case headEased:
		p.fill(oval(x, y, float64(r*1.12), float64(r*0.92)), ink)
	case headSpline:
		open(oval(x, y, float64(r*1.05), float64(r*0.9)))
	case headStraight:
		tip := float64(r * 1.2)
		open(polygon(point{x, y - tip}, point{x + tip, y}, point{x, y + tip}, point{x - tip, y}))
	case headStepped:
		half := float64(r * 0.9)
		p.fill(rectangle(box{x - half, y - half, x + half, y + half}), ink)
	case headSpringy:
		tip, foot := float64(r*1.25), float64(r*0.9)
		p.fill(polygon(point{x, y - tip}, point{x + tip, y + foot}, point{x - tip, y + foot}), ink)
	case headSoonest:
		cross := pen{width: 1, colour: ink}
		p.line(x-r, y-r, x+r, y+r, cross)
		p.line(x-r, y+r, x+r, y-r, cross)
	}
}
