package mend

import (
	"math"
	"sort"

	"limberjack/interp/warp"
	"limberjack/sequence"
)

// smoothed gives a pace whose rate is the mean of that of another over a window,
// centred: a change of the rate's slope is spread over the window, and with it
// the jerk. The rate is sampled at every frame; the pace starts and ends where
// the mean of script time does.
func smoothed(knots []sequence.Knot, window, frame float64) []sequence.Knot {
	m := newMeanTime(knots, window)
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
	if knots[0].Rate == 0 {
		out[0].Rate = 0
	}
	if last.Rate == 0 {
		out[n].Rate = 0
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

// collapsed leaves out the knots inside stretches on which the rate's slope does
// not change by more than rounding.
func collapsed(knots []sequence.Knot) []sequence.Knot {
	const near = 1e-10
	out := knots[:1:1]
	for i := 1; i+1 < len(knots); i++ {
		a, b, c := out[len(out)-1], knots[i], knots[i+1]
		on := a.Rate + float64((c.Rate-a.Rate)*(b.Time-a.Time)/(c.Time-a.Time))
		mean := (c.Script - a.Script) / (c.Time - a.Time)
		if math.Abs(on-b.Rate) > near || math.Abs(mean-(a.Rate+c.Rate)/2) > near {
			out = append(out, b)
		}
	}
	return append(out, knots[len(knots)-1])
}

// timeOf gives the performance time of a script time.
func timeOf(knots []sequence.Knot, script float64) float64 {
	i := sort.Search(len(knots), func(i int) bool { return knots[i].Script >= script })
	if i == 0 {
		return knots[0].Time
	}
	if i == len(knots) {
		return knots[len(knots)-1].Time
	}
	a, b := knots[i-1], knots[i]
	c := quadratic(a, b)
	low, high := 0.0, b.Time-a.Time
	for range 60 {
		if u := (low + high) / 2; float64((c[1]+float64(c[2]*u))*u)+c[0] < script {
			low = u
		} else {
			high = u
		}
	}
	return a.Time + (low+high)/2
}

// quadratic gives script time between two knots by the time since the first.
func quadratic(a, b sequence.Knot) [3]float64 {
	h := b.Time - a.Time
	slope := (b.Rate - a.Rate) / (2 * h)
	return [3]float64{a.Script, (b.Script-a.Script)/h - float64(slope*h), slope}
}

// meanTime is the mean of script time over a window of performance time.
type meanTime struct {
	knots  []sequence.Knot
	sum    []float64 // integral of script time up to each knot
	window float64
}

func newMeanTime(knots []sequence.Knot, window float64) meanTime {
	m := meanTime{knots: knots, window: window, sum: make([]float64, len(knots))}
	for i := 1; i < len(knots); i++ {
		m.sum[i] = m.sum[i-1] + area(quadratic(knots[i-1], knots[i]), knots[i].Time-knots[i-1].Time)
	}
	return m
}

// area is the integral of a quadratic from 0 to u.
func area(c [3]float64, u float64) float64 {
	return float64((c[0] + float64((c[1]/2+float64(c[2]/3*u))*u)) * u)
}

// span finds the knot before t and gives script time from there on: beyond the
// ends it goes on at its end rates.
func (m meanTime) span(t float64) (i int, c [3]float64, u float64) {
	k := m.knots
	n := len(k) - 1
	switch {
	case t <= k[0].Time:
		return 0, [3]float64{k[0].Script, k[0].Rate}, t - k[0].Time
	case t >= k[n].Time:
		return n, [3]float64{k[n].Script, k[n].Rate}, t - k[n].Time
	}
	i = sort.Search(len(k), func(i int) bool { return k[i].Time > t }) - 1
	return i, quadratic(k[i], k[i+1]), t - k[i].Time
}

func (m meanTime) script(t float64) float64 {
	_, c, u := m.span(t)
	return c[0] + float64((c[1]+float64(c[2]*u))*u)
}

func (m meanTime) integral(t float64) float64 {
	i, c, u := m.span(t)
	return m.sum[i] + area(c, u)
}

// rate is the mean rate over the window around t.
func (m meanTime) rate(t float64) float64 {
	return math.Max(0, (m.script(t+m.window/2)-m.script(t-m.window/2))/m.window)
}

// mean is the mean script time over the window around t.
func (m meanTime) mean(t float64) float64 {
	return (m.integral(t+m.window/2) - m.integral(t-m.window/2)) / m.window
}

// solve finds the time in [low, high] at which the mean script time is s.
func (m meanTime) solve(s, low, high float64) float64 {
	for range 60 {
		if middle := (low + high) / 2; m.mean(middle) < s {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// erode lowers the greatest rates so that a rate smoothed over the window still
// keeps them, with the limits of speed and of acceleration at a constant rate:
// each becomes the least within reach of half a window.
func (r *retimer) erode(top []float64, t tight, plan []warp.Knot) {
	fastest := 1.0
	for _, k := range plan {
		fastest = math.Max(fastest, k.Rate)
	}
	if len(r.locks) > 1 {
		fastest = math.Max(fastest, r.options.CatchUp)
	}
	r.staticTops(top, t)
	reach := fastest * t.window / 2
	least := append([]float64(nil), top...)
	var queue []int // indices of ascending tops
	next := 0
	for k := range top {
		for ; next < len(top) && r.s[next] <= r.s[k]+reach; next++ {
			for len(queue) > 0 && least[queue[len(queue)-1]] >= least[next] {
				queue = queue[:len(queue)-1]
			}
			queue = append(queue, next)
		}
		for r.s[queue[0]] < r.s[k]-reach {
			queue = queue[1:]
		}
		top[k] = least[queue[0]]
	}
}

// staticTops lowers the greatest rates to those that speed, quiet windows,
// corners and acceleration at a constant rate allow.
func (r *retimer) staticTops(top []float64, t tight) {
	lower := func(k int, rate float64) {
		top[k] = math.Min(top[k], rate)
		top[k+1] = math.Min(top[k+1], rate)
	}
	for _, a := range r.limits {
		v, acc := a.limits.Speed.V*t.speed*(1-slim), a.limits.Acceleration.V*t.acceleration*(1-slim)
		for i := range a.q1 {
			if q := math.Abs(a.q1[i]); v > 0 && q > 0 {
				lower(i/3, v/q)
			}
			if q := math.Abs(a.q2[i]); acc > 0 && q > 0 {
				lower(i/3, math.Sqrt(acc/q))
			}
			if i%3 == 0 && i > 0 && acc > 0 {
				if jump := math.Abs(a.q1[i] - a.q1[i-1]); jump > 1e-6*v {
					top[i/3] = math.Min(top[i/3], acc/rateOf(a.axis.Spec)/jump)
				}
			}
		}
	}
	for _, q := range r.quiet {
		for i, v := range q.Q1 {
			if v != 0 {
				lower(i/3, t.speed*(1-slim)/math.Abs(v))
			}
		}
	}
}
