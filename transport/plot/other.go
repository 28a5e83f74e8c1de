package plot

import (
	"fmt"
	"math"
	"path/filepath"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// Other is a performance that is drawn beneath the sheet's own: on the same
// staves and on the same scale of performance time, from 0 to its own end.
type Other struct {
	Performance *interp.Performance // required; of the same rig, as SameRig has it
	Trace       *drive.Trace        // nil: no line in the tides
	Deviations  []Deviation         // how far it is from the sheet's own motion, where that is worth a word
}

// Deviation says how far one axis of a performance is from the sheet's own.
type Deviation struct {
	Axis    *sequence.Axis
	Largest float64 // in the axis's unit; with a linkage, at the horn
	At      float64 // s, when it is reached
	Late    float64 // s by which the axis is late there; negative: early
}

// others gives what lies beneath, in order of painting.
func (s Sheet) others() []*Other {
	var list []*Other
	for _, o := range []*Other{s.Before, s.Shaped} {
		if o != nil {
			list = append(list, o)
		}
	}
	return list
}

// SameRig reports as an error what two rigs differ in, where their motions
// cannot share staves: the name, or an axis that only one of them has, or has in
// another kind or unit. The order of the axes does not matter.
func SameRig(a, b *sequence.Rig) error {
	if a.Name != b.Name {
		return fmt.Errorf("the motions are of two rigs, %q (%s) and %q (%s); one plot shows motions of one rig", a.Name, a.File, b.Name, b.File)
	}
	for _, pair := range [2][2]*sequence.Rig{{a, b}, {b, a}} {
		for _, axis := range pair[0].Axes {
			if axisNamed(pair[1], axis.Name) == nil {
				return fmt.Errorf("the motions are of two rigs: axis %s of %s is missing in %s; one plot shows motions of one rig", axis.Name, pair[0].File, pair[1].File)
			}
		}
	}
	for _, x := range a.Axes {
		if y := axisNamed(b, x.Name); x.Kind != y.Kind || x.Unit != y.Unit {
			return fmt.Errorf("the motions are of two rigs: axis %s is %s in %s and %s in %s; one plot shows motions of one rig", x.Name, kindText(x), a.File, kindText(y), b.File)
		}
	}
	return nil
}

func kindText(a *sequence.Axis) string {
	if a.Unit == "" {
		return "a " + a.Kind.String()
	}
	return fmt.Sprintf("a %v in %s", a.Kind, a.Unit)
}

func axisNamed(r *sequence.Rig, name string) *sequence.Axis {
	for _, a := range r.Axes {
		if a.Name == name {
			return a
		}
	}
	return nil
}

// other is what a second performance has in one band.
type other struct {
	curve *interp.Curve
	tide  *drive.SupplyTrace
	ends  float64 // s
	pen   pen
}

// The pens of what lies beneath. Their patterns are found nowhere else on a
// sheet, so that black and white is enough to tell them.
var (
	beforePen = pen{width: 0.95, colour: slate, dash: []float64{1, 1.1}}
	shapedPen = pen{width: 0.8, colour: slate, dash: []float64{4.4, 1.2, 1, 1.2}}
)

// penOf gives the pen for what lies beneath.
func (s Sheet) penOf(o *Other) pen {
	if o == s.Before {
		return beforePen
	}
	return shapedPen
}

func (s Sheet) othersOfAxis(name string) []other {
	return s.othersOf(func(o *Other) (found other, ok bool) {
		for _, a := range o.Performance.Axes {
			if a.Spec.Name == name {
				return other{curve: a.Part}, true
			}
		}
		return other{}, false
	})
}

func (s Sheet) othersOfControl(name string) []other {
	return s.othersOf(func(o *Other) (found other, ok bool) {
		for _, c := range o.Performance.Controls {
			// Shaping changes axes: the controls are as they were.
			if c.Spec.Name == name && o == s.Before {
				return other{curve: c.Curve}, true
			}
		}
		return other{}, false
	})
}

func (s Sheet) othersOfSupply(name string) []other {
	return s.othersOf(func(o *Other) (found other, ok bool) {
		t := supplyNamed(o.Trace, name)
		return other{tide: t}, t != nil
	})
}

func (s Sheet) othersOf(part func(*Other) (other, bool)) []other {
	var list []other
	for _, o := range s.others() {
		if found, ok := part(o); ok {
			found.ends, found.pen = endOf(o.Performance), s.penOf(o)
			list = append(list, found)
		}
	}
	return list
}

// supplyNamed gives the trace of a supply; nil where there is none with a tide.
func supplyNamed(t *drive.Trace, name string) *drive.SupplyTrace {
	if t == nil {
		return nil
	}
	for i := range t.Supplies {
		if s := &t.Supplies[i]; s.Supply != nil && s.Supply.Name == name && len(s.Tide) > 0 {
			return s
		}
	}
	return nil
}

func anyMoves(list []other) bool {
	for _, o := range list {
		if _, _, moves := RangeOf(o.curve); moves {
			return true
		}
	}
	return false
}

// endOf gives when a performance ends; a pose that only stands takes a second.
func endOf(p *interp.Performance) float64 {
	if p.Length > 0 {
		return p.Length
	}
	return 1
}

// length gives the seconds of a sheet, those of its longest performance.
func (d *drawing) length() float64 {
	length := endOf(d.Performance)
	for _, o := range d.others() {
		length = math.Max(length, endOf(o.Performance))
	}
	return length
}

// giveNotes gives bands a word on how the others differ.
func (s Sheet) giveNotes(rows []*row) {
	for _, r := range rows {
		switch {
		case r.tide != nil:
			r.note = s.tideNote(r.name)
		case s.Shaped != nil:
			for _, d := range s.Shaped.Deviations {
				if r.curve != nil && d.Axis.Name == r.name {
					r.note = "off by " + d.sizeText() + " at " + clockTime(d.At)
				}
			}
		}
	}
}

// tideNote tells the greatest current of a supply in what lies lowest beneath.
func (s Sheet) tideNote(name string) string {
	for _, o := range s.others() {
		t := supplyNamed(o.Trace, name)
		switch {
		case t == nil:
		case o == s.Before:
			return "before " + amperes(t.Peak)
		default:
			return "shaped " + amperes(t.Peak)
		}
	}
	return ""
}

// sizeText writes a deviation to a hundredth.
func (d Deviation) sizeText() string {
	const least = 0.01
	if d.Largest < least {
		return "under " + figureText(least, d.Axis.Unit)
	}
	return figureText(d.Largest, d.Axis.Unit)
}

// drawOther draws a curve beneath that of a band, whose columns are given. Where
// both rest at one place it is left out: its dashes would fill the gaps between
// those of the band's own.
func (s *system) drawOther(p *page, r *row, o other, own []column, ownWidth float64) {
	cols, width := s.columns(o.curve, o.ends)
	together := func(k int) bool {
		c := cols[k]
		first, last := int(float64(k)*width/ownWidth), int(math.Ceil(float64(k+1)*width/ownWidth-1e-9))-1
		for i := first; i <= last; i++ {
			if i >= len(own) || !own[i].still || !c.still || math.Abs(r.y(own[i].first)-r.y(c.first)) > slack {
				return false
			}
		}
		return true
	}
	with := o.pen
	with.width *= r.fineness()
	for i := 0; i < len(cols); {
		j := i
		for j < len(cols) && !together(j) {
			j++
		}
		if j > i {
			p.stroke(pathOf(lineThrough(cols, i, j, true, s.x0, width, r.y)), with)
		}
		i = max(j, i+1)
	}
}

// drawOtherTides draws the currents of a supply in the other performances.
func (s *system) drawOtherTides(p *page, r *row) {
	for _, o := range r.others {
		p.stroke(pathOf(s.tidePoints(r, o.tide.Tide, o.ends)), o.pen)
	}
}

// drawOtherEnds draws a double bar in the pattern of another performance where
// that ends, unless the motion ends there too.
func (s *system) drawOtherEnds(p *page, top, bottom float64) {
	drawn := map[float64]bool{s.ends: true}
	for _, r := range s.rows {
		for _, o := range r.others {
			if !drawn[o.ends] && o.ends > s.from && o.ends <= s.to {
				x := s.x(o.ends)
				p.line(x-2.6, top, x-2.6, bottom, o.pen)
				p.line(x, top, x, bottom, o.pen)
			}
			drawn[o.ends] = true
		}
	}
}

func shortFile(p *interp.Performance) string { return filepath.Base(p.Script.File) }

// fileNames gives short names of the files of two motions that tell them apart.
func fileNames(a, b *interp.Performance) (string, string) {
	if x, y := shortFile(a), shortFile(b); x != y {
		return x, y
	}
	return a.Script.File, b.Script.File
}
