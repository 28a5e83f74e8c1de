package interp

import (
	"math"
	"slices"

	"limberjack/sequence"
)

// MovedTogether gives the names of two tracks that move the axis at once, the
// first span in which they do, and the place of the second one's key; names is
// empty where there is none. Layers are meant to be added, and do not count.
func (a *Axis) MovedTogether(length float64) (names []string, from, to float64, at sequence.Pos) {
	for i, p := range a.parts {
		for _, q := range a.parts[i+1:] {
			if x, y, src, ok := overlap(p.strand, q.strand, math.Inf(1)); ok {
				first := p.strand.sources[len(p.strand.sources)-1].Track
				return []string{first.Target.Name(), src.Track.Target.Name()}, a.perf.PerformanceTime(x), a.perf.PerformanceTime(y), src.At
			}
		}
	}
	return nil, 0, 0, sequence.Pos{}
}

// overlap finds the first span of script time in which two tracks both move.
func overlap(p, q *strand, length float64) (from, to float64, src Source, ok bool) {
	if p.sources[len(p.sources)-1].Track == nil || q.sources[len(q.sources)-1].Track == nil {
		return
	}
	pc, qc := Curve{p.pieces}, Curve{q.pieces}
	for i, k := 0, 0; i < len(p.pieces) && k < len(q.pieces); {
		a, b := p.pieces[i], q.pieces[k]
		from, to = math.Max(a.t0, b.t0), math.Min(a.t1, b.t1)
		if from < to && from < length && !pc.Still(i) && !qc.Still(k) {
			return from, to, q.sources[k], true
		}
		if a.t1 <= b.t1 {
			i++
		} else {
			k++
		}
	}
	return 0, 0, Source{}, false
}

// BlameJump gives the source of a jump of a derivative of an order (0 to 2) at a
// performance time: what comes after the joint of the contribution that jumps
// most.
func (a *Axis) BlameJump(t float64, order int) Source {
	script := a.perf.ScriptTime(t)
	best, size := a.parts[0].strand.source(script), -1.0
	for _, s := range a.parts {
		c := Curve{s.strand.pieces}
		// Under a pace the joint may lie a rounding beside its script time.
		before, after := c.Before(math.Max(script-1e-9, 0)).Order(order), c.At(script+1e-9).Order(order)
		if script == 0 {
			before = 0
			if order == 0 {
				before = after
			}
		}
		if v := math.Abs(s.share * (after - before)); v > size {
			best, size = s.strand.source(script+1e-9), v
			if best.Track != nil && best.Key == len(best.Track.Keys)-1 && math.Abs(c.At(script+1e-9).Speed) == 0 {
				best = s.strand.source(math.Max(script-1e-9, 0)) // the end of the last move
			}
		}
	}
	return best
}

// MovedBy gives the lines of the motion file that move the axis at a performance
// time, ascending.
func (a *Axis) MovedBy(t float64) []int {
	var lines []int
	for _, src := range a.Movers(t) {
		if src.At.File == a.perf.Script.File && !slices.Contains(lines, src.At.Line) {
			lines = append(lines, src.At.Line)
		}
	}
	slices.Sort(lines)
	return lines
}

// Movers gives the sources of all that moves the axis at a performance time.
func (a *Axis) Movers(t float64) []Source {
	script := a.perf.ScriptTime(t)
	var out []Source
	for _, s := range a.parts {
		c := Curve{s.strand.pieces}
		if i := c.find(script); s.share != 0 && !c.Still(i) {
			out = append(out, s.strand.sources[i])
		}
	}
	return out
}

// FedBy reports whether a track moves the axis between two script times.
func (a *Axis) FedBy(tr *sequence.Track, from, to float64) bool {
	for _, s := range a.parts {
		c := Curve{s.strand.pieces}
		for i := c.find(from); s.share != 0 && i < len(c.pieces) && c.pieces[i].t0 < to; i++ {
			if s.strand.sources[i].Track == tr && !c.Still(i) {
				return true
			}
		}
	}
	return false
}
