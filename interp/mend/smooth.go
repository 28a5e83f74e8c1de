package mend

import (
	"math"
	"sort"

	"limberjack/interp/warp"
	"limberjack/sequence"
)

// smoothed gives a pace whose script time is the mean of that of another over a
// window around each moment: a change of the rate's slope is spread over the
// window, and with it the jerk. The rate is sampled at every frame; the pace starts
// and ends where the mean of script time does.
func smoothed(knots []sequence.Knot, w windows, frame float64) []sequence.Knot {
	m := newMeanTime(knots, w)
	last := knots[len(knots)-1]
	before, after := w.at(0), w.at(last.Script)
	start, end := -before/2, last.Time+after/2
	if knots[0].Rate > 0 {
		start = m.solve(0, -before/2, before/2)
	}
	if last.Rate > 0 {
		end = m.solve(last.Script, last.Time-after/2, last.Time+after/2)
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

// rateAt gives the rate at a performance time.
func rateAt(knots []sequence.Knot, t float64) float64 {
	i := max(1, min(sort.Search(len(knots), func(i int) bool { return knots[i].Time >= t }), len(knots)-1))
	a, b := knots[i-1], knots[i]
	return a.Rate + float64((b.Rate-a.Rate)*((t-a.Time)/(b.Time-a.Time)))
}

// quadratic gives script time between two knots by the time since the first.
func quadratic(a, b sequence.Knot) [3]float64 {
	h := b.Time - a.Time
	slope := (b.Rate - a.Rate) / (2 * h)
	return [3]float64{a.Script, (b.Script-a.Script)/h - float64(slope*h), slope}
}

// windows are lengths of performance time in s at grid points of script time,
// linear in between.
type windows struct{ script, length []float64 }

// span gives the grid point before a script time, and the slope from there on.
func (w windows) span(script float64) (i int, slope float64) {
	i = max(0, min(sort.SearchFloat64s(w.script, script)-1, len(w.script)-2))
	return i, (w.length[i+1] - w.length[i]) / (w.script[i+1] - w.script[i])
}

func (w windows) at(script float64) float64 {
	i, slope := w.span(script)
	return w.length[i] + float64(slope*(script-w.script[i]))
}

// meanTime is the mean of script time over windows of performance time.
type meanTime struct {
	knots   []sequence.Knot
	sum     []float64 // integral of script time up to each knot
	windows windows
}

func newMeanTime(knots []sequence.Knot, w windows) meanTime {
	m := meanTime{knots: knots, windows: w, sum: make([]float64, len(knots))}
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

// window gives the window around a time and how fast it grows.
func (m meanTime) window(t float64) (length, growth float64) {
	_, c, u := m.span(t)
	last := m.knots[len(m.knots)-1].Script
	script := c[0] + float64((c[1]+float64(c[2]*u))*u)
	if script <= 0 || script >= last {
		return m.windows.at(math.Max(0, math.Min(script, last))), 0
	}
	i, slope := m.windows.span(script)
	return m.windows.length[i] + float64(slope*(script-m.windows.script[i])), slope * (c[1] + float64(2*c[2]*u))
}

// sides gives script time and its integral at the two ends of the window around t.
func (m meanTime) sides(t, window float64) (script, integral [2]float64) {
	for k, at := range [2]float64{t - window/2, t + window/2} {
		i, c, u := m.span(at)
		script[k] = c[0] + float64((c[1]+float64(c[2]*u))*u)
		integral[k] = m.sum[i] + area(c, u)
	}
	return script, integral
}

// rate is how fast the mean grows: by the ends of its window, and as the window
// grows.
func (m meanTime) rate(t float64) float64 {
	w, growth := m.window(t)
	s, sum := m.sides(t, w)
	middle := (s[0]+s[1])/2 - (sum[1]-sum[0])/w
	return math.Max(0, (s[1]-s[0])/w+float64(middle/w*growth))
}

// mean is the mean script time over the window around t.
func (m meanTime) mean(t float64) float64 {
	w, _ := m.window(t)
	_, sum := m.sides(t, w)
	return (sum[1] - sum[0]) / w
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

const (
	windowSlope = 1.0  // s by which a window may grow a second
	windowRound = 2    // frames on each side over which that is rounded
	widest      = 1.5  // factor by which a window is widened at once
	ownJerk     = 0.5  // share of the limit from which on the script's own jerk is slowed down
	littleJerk  = 1.02 // ratio to the limit up to which that alone will do
)

// leastSmoothing is what is tried first.
func (r *retimer) leastSmoothing() *smoothing {
	s := &smoothing{window: make([]float64, len(r.s)), rate: make([]float64, len(r.s)), spared: make([][]float64, len(r.limits))}
	for k := range r.s {
		s.window[k], s.rate[k] = 2*r.finestFrame(), 1
	}
	return s
}

// smoother answers each breach of an attempt, where it is: too much acceleration by
// sparing some of it, too much jerk by slowing down where the script's own has most
// of it, and by a wider window.
func (r *retimer) smoother(s *smoothing, a attempt) {
	before := s.towards(s, 0)
	s.rounds++
	// What has not helped is done harder, and over more frames.
	hard := math.Max(1, float64(s.rounds)/8)
	for _, b := range a.breaches {
		reach := r.finestFrame() * hard
		if b.kind == Acceleration {
			reach += a.windows.at(a.perf.ScriptTime(b.at)) / 2
		}
		i, j := r.around(a, b, reach)
		if b.kind == Acceleration {
			r.spare(s, before, b, hard, i, j)
			continue
		}
		if own := r.ownShare(a, b); own > ownJerk {
			factor := math.Max(0.9, 1/math.Cbrt(1+float64((b.ratio-1)*hard)+2e-3))
			for k := i; k <= j; k++ {
				s.rate[k] = math.Min(s.rate[k], before.rate[k]*factor)
			}
			if b.ratio < littleJerk {
				continue
			}
		}
		factor := math.Min(widest, math.Max(1+float64(0.02*hard), b.ratio))
		if s.rounds > localRounds {
			i, j = 0, len(s.window)-1 // rather slow everywhere than nothing that holds
		}
		for k := i; k <= j; k++ {
			s.window[k] = math.Max(s.window[k], a.windows.length[k]*factor)
		}
	}
}

// around gives the grid points within reach, in s of performance time, of a breach.
func (r *retimer) around(a attempt, b breach, reach float64) (i, j int) {
	i, j = r.index(a.perf.ScriptTime(math.Max(0, b.at-reach))), r.index(a.perf.ScriptTime(math.Min(a.perf.Length, b.at+reach)))
	return max(0, i-1), j
}

// spare lowers the acceleration of an axis around a breach.
func (r *retimer) spare(s, before *smoothing, b breach, hard float64, i, j int) {
	for n, a := range r.limits {
		if a.axis.Spec != b.axis {
			continue
		}
		if s.spared[n] == nil {
			s.spared[n] = make([]float64, len(r.s)-1)
			for k := range s.spared[n] {
				s.spared[n][k] = 1
			}
		}
		factor := 1 / math.Min(1.25, 1+float64((b.ratio-1)*hard)+1e-3)
		for k := i; k < min(j+1, len(r.s)-1); k++ {
			was := 1.0
			if before.spared[n] != nil {
				was = before.spared[n][k]
			}
			s.spared[n][k] = math.Min(s.spared[n][k], was*factor)
		}
	}
}

// ownShare gives the share of the limit that the script's own jerk has at a breach.
func (r *retimer) ownShare(a attempt, b breach) float64 {
	if r.jerkTop == nil {
		return 0
	}
	i, j := r.around(a, b, r.finestFrame())
	top := math.Inf(1)
	for k := i; k <= j; k++ {
		top = math.Min(top, r.jerkTop[k])
	}
	share := rateAt(a.knots, b.at) / top
	return share * share * share
}

// spread gives the windows of a plan: at least those that are asked for, apart
// from rounding, and growing and shrinking slowly.
func (r *retimer) spread(asked []float64, plan []warp.Knot) windows {
	w := windows{script: r.s, length: append([]float64(nil), asked...)}
	n := len(plan)
	for k := 1; k < n; k++ {
		w.length[k] = math.Max(w.length[k], w.length[k-1]-float64(windowSlope*(plan[k].At-plan[k-1].At)))
	}
	for k := n - 2; k >= 0; k-- {
		w.length[k] = math.Max(w.length[k], w.length[k+1]-float64(windowSlope*(plan[k+1].At-plan[k].At)))
	}
	for range 2 {
		w.length = r.rounded(w.length, plan)
	}
	return w
}

// rounded gives the means of windows over some frames.
func (r *retimer) rounded(length []float64, plan []warp.Knot) []float64 {
	reach := windowRound * r.finestFrame()
	out := make([]float64, len(length))
	sum := make([]float64, len(length)) // integral up to each grid point
	for k := 1; k < len(sum); k++ {
		sum[k] = sum[k-1] + float64((length[k]+length[k-1])/2*(plan[k].At-plan[k-1].At))
	}
	integral := func(i int, at float64) (int, float64) {
		for i+2 < len(plan) && plan[i+1].At <= at {
			i++
		}
		h := plan[i+1].At - plan[i].At
		u := math.Max(0, math.Min(h, at-plan[i].At))
		slope := (length[i+1] - length[i]) / h
		return i, sum[i] + float64((length[i]+float64(slope/2*u))*u)
	}
	var low, high int
	end := plan[len(plan)-1].At
	for k := range out {
		near := math.Min(reach, math.Min(plan[k].At, end-plan[k].At))
		if near <= 0 {
			out[k] = length[k]
			continue
		}
		var a, b float64
		low, a = integral(low, plan[k].At-near)
		high, b = integral(high, plan[k].At+near)
		out[k] = (b - a) / (2 * near)
	}
	return out
}

// erode lowers the greatest rates so that a rate smoothed over the windows still
// keeps them, with the limits of speed and of acceleration at a constant rate:
// each becomes the least of those that have it within their window in the plan,
// which is the fastest.
func (r *retimer) erode(top []float64, t tight, w windows, plan []warp.Knot) {
	r.staticTops(top, t)
	faster := 1.0
	if len(r.locks) > 1 {
		faster = r.options.CatchUp
	}
	n := len(top)
	reach := func(k int) float64 { return faster * w.length[k] / 2 }
	least := append([]float64(nil), top...)
	var queue []int // grid points of ascending tops
	next, first := 0, 0
	for k := range top {
		at := plan[k].At
		for ; next < n && plan[next].At-reach(next) <= at; next++ {
			for len(queue) > first && least[queue[len(queue)-1]] >= least[next] {
				queue = queue[:len(queue)-1]
			}
			queue = append(queue, next)
		}
		for plan[queue[first]].At+reach(queue[first]) < at {
			first++
		}
		top[k] = least[queue[first]]
	}
}

// staticTops lowers the greatest rates to those that speed, quiet windows,
// corners and acceleration at a constant rate allow.
func (r *retimer) staticTops(top []float64, t tight) {
	for k := range top {
		if r.jerkTop != nil {
			top[k] = math.Min(top[k], r.jerkTop[k]*t.smooth.rate[k])
		}
	}
	lower := func(k int, rate float64) {
		top[k] = math.Min(top[k], rate)
		top[k+1] = math.Min(top[k+1], rate)
	}
	for n, a := range r.limits {
		spared := t.smooth.spared[n]
		v, acc := a.limits.Speed.V*t.speed*(1-slim), a.limits.Acceleration.V*t.acceleration*(1-slim)
		for i := range a.q1 {
			if q := math.Abs(a.q1[i]); v > 0 && q > 0 {
				lower(i/3, v/q)
			}
			if q := math.Abs(a.q2[i]); acc > 0 && q > 0 {
				if spared != nil {
					q /= spared[i/3]
				}
				lower(i/3, math.Sqrt(acc/q))
			}
			if i%3 == 0 && i > 0 && acc > 0 {
				if jump := math.Abs(a.q1[i] - a.q1[i-1]); jump > 1e-6*v {
					most := acc
					if spared != nil {
						most *= math.Min(spared[i/3], spared[i/3-1])
					}
					top[i/3] = math.Min(top[i/3], most/rateOf(a.axis.Spec)/jump)
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
