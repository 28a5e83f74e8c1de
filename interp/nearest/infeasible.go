package nearest

import (
	"fmt"
	"math"
)

// Infeasible is the error for hits that the limits do not allow. From and To
// are the first and last of a shortest run of hits that cannot all be met, as
// frames.
type Infeasible struct {
	From, To int
	Between  int     // number of hits between the two that take part
	Have     float64 // seconds from From to To
	// Need is the least number of seconds that would do. With hits between, all
	// the gaps are taken to grow in the same proportion. Its relative error is
	// below 1e-3 (none when the speed alone decides, as it does for two hits).
	Need float64
	// Outside is how far the hit at From, which is then To as well, lies beyond
	// the travel, in the script's unit; 0 for all other cases.
	Outside float64
}

func (e *Infeasible) Error() string {
	switch {
	case e.Outside > 0:
		return fmt.Sprintf("the hit at frame %d lies %.4g outside of the travel; move it inside, or free it", e.From, e.Outside)
	case e.Between == 0:
		return fmt.Sprintf("the hits at frames %d and %d cannot both be met: %.4g s lie between them and at least %.4g s are needed; "+
			"move them apart, or free one", e.From, e.To, e.Have, e.Need)
	}
	return fmt.Sprintf("the %d hits from frame %d to frame %d cannot all be met: they take %.4g s and need at least %.4g s, "+
		"spread in proportion; move them apart, or free one", e.Between+2, e.From, e.To, e.Have, e.Need)
}

// obstacle finds, exactly and in one pass, a hit outside of the travel or two
// hits too far apart for the speed: at full speed a step a frame, no other limit
// binds between two hits.
func (p Problem) obstacle(l limits) error {
	step := l.step[1] + float64(l.step[1]*Grace)
	for k, h := range p.Hits {
		r := p.Ref[h]
		if out := max(l.low-r, r-l.high); out > 0 {
			return &Infeasible{From: h, To: h, Outside: out}
		}
		if k == 0 {
			continue
		}
		g := p.Hits[k-1]
		way, frames := math.Abs(r-p.Ref[g]), float64(h-g)
		if way > float64(step*frames)+rounding(1, max(math.Abs(r), math.Abs(p.Ref[g]))) {
			return &Infeasible{From: g, To: h, Have: frames / p.Rate, Need: way / p.Speed}
		}
	}
	return nil
}

// conflict finds a shortest run of hits that cannot all be met: the first hit
// that cannot be met with all before it, then the last from which on it cannot.
// Each test costs at most one solution of the script's length.
func (p Problem) conflict(l limits) error {
	if len(p.Hits) < 2 {
		return nil
	}
	last := search(1, len(p.Hits)-1, func(k int) bool { return !p.reachable(l, 0, k) })
	if last == len(p.Hits) {
		return nil
	}
	// Look at ever longer runs, so that most tests are short.
	length := 1
	for length < last && p.reachable(l, last-length, last) {
		length *= 2
	}
	length = search(length/2+1, min(length, last)-1, func(n int) bool { return !p.reachable(l, last-n, last) })
	first := last - length
	have := float64(p.Hits[last]-p.Hits[first]) / p.Rate
	return &Infeasible{From: p.Hits[first], To: p.Hits[last], Between: length - 1,
		Have: have, Need: float64(have * p.stretch(l, first, last))}
}

// search is the least k from low to high for which holds(k), high+1 if none is.
func search(low, high int, holds func(int) bool) int {
	for low <= high {
		if middle := (low + high) / 2; holds(middle) {
			high = middle - 1
		} else {
			low = middle + 1
		}
	}
	return low
}

// reachable reports whether the hits numbered first to last can all be met.
// Frames before and after are part of the test, four times as many as between
// the hits and four seconds more, for the motion must have room to stop.
func (p Problem) reachable(l limits, first, last int) bool {
	hits := p.Hits[first : last+1]
	room := 4*(hits[len(hits)-1]-hits[0]) + int(min(4*p.Rate, float64(len(p.Ref))))
	from, to := max(0, hits[0]-room), min(len(p.Ref), hits[len(hits)-1]+room+1)
	shifted := make([]int, len(hits))
	for i, h := range hits {
		shifted[i] = h - from
	}
	for _, stiffest := range []float64{firm, gentle} {
		if _, out := l.widened(Grace).nearest(p.Ref[from:to], shifted, feasible, stiffest); out.state != stuck {
			return true
		}
	}
	return false
}

// stretch is the least factor of time by which the hits numbered first to last
// can all be met, to 3e-4 of itself.
func (p Problem) stretch(l limits, first, last int) float64 {
	low, high := 1.0, 2.0
	for !p.reachable(l.stretched(high), first, last) {
		if low, high = high, float64(high*2); high > 1e9 {
			return math.Inf(1)
		}
	}
	for high > low+float64(3e-4*low) {
		middle := low + float64((high-low)/2)
		if p.reachable(l.stretched(middle), first, last) {
			high = middle
		} else {
			low = middle
		}
	}
	return high
}
