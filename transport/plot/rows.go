package plot

import (
	"math"
	"path"
	"path/filepath"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// row is one band across a sheet: the stave of an axis or control, the sound or
// the tide of a supply.
type row struct {
	name, kind, unit string

	curve  *interp.Curve // nil for sound and tides
	keys   []sequence.Key
	lines  [2]float64 // values of the two lines of the stave
	bound  bool       // the lines are ends of travel
	reach  [2]float64 // all that the stave has to show
	rest   float64
	rests  bool // the rest value is drawn
	moves  bool
	filled bool // a lamp or relay: the area under the curve is shaded

	others []other // what lies beneath, in order of painting
	note   string  // how the others differ, for the gutter

	level *sequence.Audio
	tide  *drive.SupplyTrace
	crest float64 // A, the greatest that a tide shows

	findings []numbered

	least, natural, most float64 // heights in points
	y0, y1               float64 // where the band lies on its page
}

// numbered is a finding with its number in the list.
type numbered struct {
	number int
	check.Finding
}

// rowsOf gives the bands of a sheet from top to bottom: sound, axes, the
// controls that have a track, and the supplies.
func rowsOf(s Sheet) []*row {
	p := s.Performance
	var rows []*row
	if a := p.Script.Audio; a != nil && a.Level != nil && len(a.Level.Peak) > 0 {
		rows = append(rows, &row{name: "sound", kind: path.Base(filepath.ToSlash(a.File)), level: a, moves: true, least: 18, natural: 24, most: 30})
	}
	keys := keysOf(p.Script)
	for _, a := range p.Axes {
		rows = append(rows, axisRow(a, keys[sequence.Target{Axis: a.Spec}], s.othersOfAxis(a.Spec.Name)))
	}
	for _, c := range p.Controls {
		others, k := s.othersOfControl(c.Spec.Name), keys[sequence.Target{Control: c.Spec}]
		if len(k) > 0 || anyMoves(others) {
			rows = append(rows, controlRow(c, k, others))
		}
	}
	if s.Trace != nil {
		for i := range s.Trace.Supplies {
			if t := &s.Trace.Supplies[i]; t.Supply != nil && len(t.Tide) > 0 {
				rows = append(rows, tideRow(t, s.othersOfSupply(t.Supply.Name)))
			}
		}
	}
	s.giveNotes(rows)
	giveFindings(rows, s.Report)
	for _, r := range rows {
		// A motion of few axes may use the paper.
		if r.curve != nil && r.moves && r.unit != "" {
			r.most = math.Max(r.most, math.Min(170, 380/float64(len(rows))))
		}
	}
	return rows
}

func keysOf(s *sequence.Script) map[sequence.Target][]sequence.Key {
	keys := map[sequence.Target][]sequence.Key{}
	for _, t := range s.Merged {
		keys[t.Target] = t.Keys
	}
	return keys
}

func axisRow(a *interp.Axis, keys []sequence.Key, others []other) *row {
	spec := a.Spec
	r := &row{name: spec.Name, kind: spec.Kind.String(), unit: spec.Unit, curve: a.Part, keys: keys, others: others,
		rest: spec.Rest.V, rests: true, filled: Shaded(spec.Kind)}
	lo, hi := r.span()
	r.lines, r.bound = AxisLines(spec, lo, hi)
	return r.finish(lo, hi)
}

// AxisLines gives the values of the two lines of an axis's stave, for an axis that
// goes from lo to hi, and whether they are ends of what it can do; else they are
// round numbers around where it goes.
func AxisLines(a *sequence.Axis, lo, hi float64) (lines [2]float64, bound bool) {
	switch {
	case a.HasTravel():
		return [2]float64{a.Travel[0].V, a.Travel[1].V}, true
	case a.Kind == sequence.Switch:
		return [2]float64{0, 1}, true
	case a.Kind == sequence.Dimmer:
		return [2]float64{0, 100}, true
	case a.Unit == "%":
		return [2]float64{-100, 100}, true
	}
	return roundLines(math.Min(lo, a.Rest.V), math.Max(hi, a.Rest.V)), false
}

// ControlLines gives the values of the two lines of the stave of a control that
// goes from lo to hi: round numbers around that and 0.
func ControlLines(lo, hi float64) [2]float64 { return roundLines(math.Min(lo, 0), math.Max(hi, 0)) }

// Shaded reports whether the area under the curve of a kind of axis is drawn: of
// those of which there is more or less, and none.
func Shaded(k sequence.Kind) bool { return k == sequence.Dimmer || k == sequence.Switch }

func controlRow(c *interp.Control, keys []sequence.Key, others []other) *row {
	r := &row{name: c.Spec.Name, kind: "control", unit: c.Spec.Unit, curve: c.Curve, keys: keys, others: others, rests: true}
	lo, hi := r.span()
	r.lines = ControlLines(lo, hi)
	return r.finish(lo, hi)
}

// span gives the least and greatest value of all the curves of a band.
func (r *row) span() (lo, hi float64) {
	lo, hi, r.moves = RangeOf(r.curve)
	for _, o := range r.others {
		a, b, moves := RangeOf(o.curve)
		lo, hi, r.moves = math.Min(lo, a), math.Max(hi, b), r.moves || moves
	}
	return lo, hi
}

// finish settles what the stave shows and how high it may be. A stave on which
// nothing moves takes less.
func (r *row) finish(lo, hi float64) *row {
	r.reach = [2]float64{math.Min(r.lines[0], lo), math.Max(r.lines[1], hi)}
	r.least, r.natural, r.most = 22, 44, 92
	switch {
	case !r.moves:
		r.least, r.natural, r.most = 18, 22, 30
	case r.unit == "":
		r.least, r.natural, r.most = 20, 26, 36
	case r.filled:
		r.most = 60
	}
	return r
}

func tideRow(t *drive.SupplyTrace, others []other) *row {
	top := math.Max(t.Peak, t.Supply.Limit.V)
	for _, v := range t.Tide {
		top = math.Max(top, v)
	}
	for _, o := range others {
		for _, v := range o.tide.Tide {
			top = math.Max(top, v)
		}
	}
	if !(top > 0) {
		top = 1
	}
	reach := top
	if len(others) > 0 {
		reach *= 1.15 // a strip for the words at the peak, which would hide the other's crests
	}
	return &row{name: t.Supply.Name, kind: "supply", unit: "A", tide: t, others: others, moves: true, lines: [2]float64{0, t.Supply.Limit.V},
		reach: [2]float64{0, reach}, crest: top, least: 30, natural: 44, most: 72}
}

// roundLines widens a range to round numbers, at least a unit apart.
func roundLines(lo, hi float64) [2]float64 {
	if hi-lo < 1 {
		hi = lo + 1
	}
	const widest = 1e12
	step := 1.0
	for step*10 <= hi-lo && step < widest {
		step *= 10
	}
	if hi-lo <= 5*step {
		step /= 2
	}
	return [2]float64{float64(math.Floor(lo/step) * step), float64(math.Ceil(hi/step) * step)}
}

// giveFindings hands each finding to the band that it speaks of.
func giveFindings(rows []*row, r *check.Report) {
	if r == nil {
		return
	}
	for i, f := range r.Findings {
		for _, row := range rows {
			ofSupply := row.tide != nil && f.Axis == "" && f.Supply == row.name
			ofAxis := row.curve != nil && f.Axis == row.name
			if ofSupply || ofAxis {
				row.findings = append(row.findings, numbered{i + 1, f})
				break
			}
		}
	}
}

// pad is the space above and below the lines of a stave, for what stands on them.
func (r *row) pad() float64 { return math.Min(8, math.Max(3, round(0.17*(r.y1-r.y0)))) }

// fineness scales heads and pens down on a low stave.
func (r *row) fineness() float64 { return round(math.Max(0.74, math.Min(1, (r.y1-r.y0)/32))) }

// y gives the place of a value.
func (r *row) y(v float64) float64 {
	lo, hi := r.reach[0], r.reach[1]
	top, bottom := r.y0+r.pad(), r.y1-r.pad()
	return bottom - float64((bottom-top)*(v-lo))/(hi-lo)
}
