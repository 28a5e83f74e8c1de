package interp

import (
	"math"

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
