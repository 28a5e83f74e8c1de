package mend

import (
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/sequence"
)

// excess is the greatest ratio of each quantity to its limit over a performance.
type excess struct {
	speed, acceleration, jerk float64
	current                   map[*sequence.Supply]float64
}

// tolerance is the part of a limit by which a certified plan may pass it: the
// rounding of its knots.
const tolerance = 1e-6

func (e excess) holds() bool {
	for _, r := range e.current {
		if r > 1+tolerance {
			return false
		}
	}
	return e.speed <= 1+tolerance && e.acceleration <= 1+tolerance && e.jerk <= 1+tolerance
}

// measure finds the excess of a performance: extremes of its curves, jumps over
// one frame, and the peaks of its supplies.
func (r *retimer) measure(p *interp.Performance) excess {
	e := excess{current: map[*sequence.Supply]float64{}}
	for _, a := range p.Axes {
		if shapeable(a.Spec) {
			e.axis(a, p.Length)
		}
	}
	if r.options.Peak == nil {
		return e
	}
	for s, peak := range r.options.Peak(p) {
		if s.Limit.Given() {
			e.current[s] = peak / s.Limit.V
		}
	}
	return e
}

func (e *excess) axis(a *interp.Axis, length float64) {
	l := a.Spec.HornLimits()
	limits := [4]sequence.Figure{{}, l.Speed, l.Acceleration, l.Jerk}
	worst := [4]*float64{nil, &e.speed, &e.acceleration, &e.jerk}
	take := func(order int, v float64) {
		if limits[order].Known() && !math.IsInf(v, 0) && !math.IsNaN(v) {
			*worst[order] = math.Max(*worst[order], v/limits[order].V)
		}
	}
	for i := range a.Horn.Spans() {
		if from, _ := a.Horn.Span(i); from >= length {
			break
		}
		for order := 1; order <= 3; order++ {
			if limits[order].Known() {
				v, _ := a.Horn.Range(i, order).Peak()
				take(order, v)
			}
		}
	}
	frame := 1 / rateOf(a.Spec)
	for _, j := range a.Horn.Joints(nil) {
		for n := range 3 {
			if d := math.Abs(j.After.Order(n) - j.Before.Order(n)); d > 1e-9*math.Max(1, math.Abs(j.Before.Order(n))) {
				take(n+1, d/frame)
				break
			}
		}
	}
}

// smoothed gives a pace whose rate is the mean of that of another over a window,
// centred: a change of the rate's slope is spread over the window, and with it
// the jerk. The rate is sampled at every frame; the pace starts and ends where
// the mean of script time does.
func smoothed(knots []sequence.Knot, window, frame float64) []sequence.Knot {
	m := meanTime{knots: knots, window: window}
	last := knots[len(knots)-1]
	start, end := -window/2, last.Time+window/2
	if knots[0].Rate > 0 {
		start = m.solve(0, -window/2, window/2)
	}
	if last.Rate > 0 {
		end = m.solve(last.Script, last.Time-window/2, last.Time+window/2)
	}
	n := max(2, int(math.Ceil((end-start)/frame)))
	step := (end - start) / float64(n)
	out := make([]sequence.Knot, n+1)
	for k := range out {
		out[k] = sequence.Knot{Time: float64(k) * step, Rate: m.rate(start + float64(float64(k)*step))}
	}
	// The rates rule the shape; the script times are their integral, fitted to
	// the length.
	for k := 1; k <= n; k++ {
		out[k].Script = out[k-1].Script + float64((out[k-1].Rate+out[k].Rate)/2*step)
	}
	fit := last.Script / out[n].Script
	for k := range out {
		out[k].Script *= fit
		out[k].Rate *= fit
	}
	out[n].Script = last.Script
	return out
}

// meanTime is the mean of script time over a window of performance time.
type meanTime struct {
	knots  []sequence.Knot
	window float64
}

// script gives script time, which goes on at its end rates beyond the ends.
func (m meanTime) script(t float64) float64 {
	k := m.knots
	last := k[len(k)-1]
	switch {
	case t <= k[0].Time:
		return k[0].Script + float64(k[0].Rate*(t-k[0].Time))
	case t >= last.Time:
		return last.Script + float64(last.Rate*(t-last.Time))
	}
	i := sort.Search(len(k), func(i int) bool { return k[i].Time > t })
	a, b := k[i-1], k[i]
	h, u := b.Time-a.Time, t-a.Time
	slope := (b.Rate - a.Rate) / (2 * h)
	first := (b.Script-a.Script)/h - float64(slope*h)
	return a.Script + float64((first+float64(slope*u))*u)
}

// rate is the mean rate over the window around t.
func (m meanTime) rate(t float64) float64 {
	return math.Max(0, (m.script(t+m.window/2)-m.script(t-m.window/2))/m.window)
}

// mean is the mean script time over the window around t, by Simpson's rule on
// short steps.
func (m meanTime) mean(t float64) float64 {
	const steps = 64
	h := m.window / steps
	sum := 0.0
	for k := range steps {
		a := t - m.window/2 + float64(float64(k)*h)
		sum += (m.script(a) + float64(4*m.script(a+h/2)) + m.script(a+h)) / 6
	}
	return sum / steps
}

// solve finds the time in [low, high] at which the mean script time is s.
func (m meanTime) solve(s, low, high float64) float64 {
	for range 60 {
		middle := (low + high) / 2
		if m.mean(middle) < s {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}
