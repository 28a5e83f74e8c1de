package mend

import (
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/interp/warp"
	"limberjack/sequence"
)

const (
	cellTime = 0.010  // s, the length of a cell of the grid
	maxCells = 200000 // of the grid; longer motions get longer cells
	leastLen = 1e-7   // s, cells shorter than this are joined
)

// limited is an axis with limits, and its derivatives by script time on the grid:
// at the start, the middle and the end of each cell.
type limited struct {
	axis   *interp.Axis
	limits sequence.AxisLimits
	samples
}

// supplySum is what bounds the current of one supply: by terms of the pace, and
// what flows at any pace, a cell.
type supplySum struct {
	supply *sequence.Supply
	terms  []warp.Term
	steady []float64 // A
}

// prepare makes the grid and samples everything on it once.
func (r *retimer) prepare() {
	r.locks = findLocks(r.script)
	r.aims = make([]float64, len(r.locks))
	r.makeGrid()
	n := len(r.s) - 1
	known := map[*interp.Axis]samples{}
	sample := func(a *interp.Axis) samples {
		d, ok := known[a]
		if !ok {
			d = r.sample(a, a.Spec.HornLimits().Jerk.Known())
			known[a] = d
		}
		return d
	}
	for _, a := range r.perf.Axes {
		l := a.Spec.HornLimits()
		if !shapeable(a.Spec) {
			continue
		}
		if r.quietFor(a) {
			r.quiet = append(r.quiet, warp.Axis{Speed: 1, Q1: r.quietShares(a, sample(a).q1), Q2: make([]float64, 3*n)})
		}
		if l.Speed.Known() || l.Acceleration.Known() || l.Jerk.Known() {
			r.limits = append(r.limits, limited{axis: a, limits: l, samples: sample(a)})
		}
	}
	r.findJerkTop()
	for _, s := range r.script.Rig.Supplies {
		if s.Limit.Given() && s.Limit.V > 0 {
			if sum := r.sumOf(s, sample); len(sum.terms) > 0 {
				r.sums = append(r.sums, sum)
			}
		}
	}
}

// makeGrid makes the grid of script time: the joints of all curves, the ends of
// windows, the locks, and points between them.
func (r *retimer) makeGrid() {
	length := r.script.Length
	edges := []float64{0, length}
	for _, a := range r.perf.Axes {
		for i := range a.Horn.Spans() {
			if from, _ := a.Horn.Span(i); from > 0 && from < length {
				edges = append(edges, from)
			}
		}
	}
	for _, q := range r.script.Quiet {
		edges = append(edges, math.Min(q.From, length), math.Min(q.To, length))
	}
	for _, l := range r.locks {
		edges = append(edges, l.time)
	}
	sort.Float64s(edges)
	breaks := edges[:1]
	for _, e := range edges[1:] {
		if e-breaks[len(breaks)-1] >= leastLen {
			breaks = append(breaks, e)
		}
	}
	if n := len(breaks); n > 1 {
		breaks[n-1] = length
	}
	r.s = warp.Grid(breaks, math.Max(cellTime, length/maxCells))
}

func (r *retimer) index(s float64) int {
	return min(sort.SearchFloat64s(r.s, s-leastLen), len(r.s)-1)
}

// samples are the derivatives of a horn by script time, three a cell.
type samples struct{ q1, q2, q3 []float64 }

// sample takes the derivatives of a horn, the third where it is asked for. A cell
// ends where the next one starts, but for a joint between them, which has two sides.
func (r *retimer) sample(a *interp.Axis, third bool) samples {
	n := len(r.s) - 1
	d := samples{q1: make([]float64, 3*n), q2: make([]float64, 3*n)}
	if third {
		d.q3 = make([]float64, 3*n)
	}
	put := func(i int, s interp.State) {
		d.q1[i], d.q2[i] = s.Speed, s.Acceleration
		if third {
			d.q3[i] = s.Jerk
		}
	}
	cursor := a.Horn.Cursor()
	var states [2]interp.State
	piece := 0
	for k := range n {
		ts := [2]float64{r.s[k], (r.s[k] + r.s[k+1]) / 2}
		cursor.States(states[:], ts[:])
		put(3*k, states[0])
		put(3*k+1, states[1])
		if k == 0 {
			continue
		}
		from, _ := a.Horn.Span(piece)
		for ; from < ts[0] && piece+1 < a.Horn.Spans(); from, _ = a.Horn.Span(piece) {
			piece++
		}
		if from == ts[0] {
			states[0] = a.Horn.Before(from)
		}
		put(3*k-1, states[0])
	}
	put(3*n-1, a.Horn.Before(r.s[n]))
	for k := range n {
		from, to := r.s[k], r.s[k+1]
		if !finite(d.q1[3*k:3*k+3]) || !finite(d.q2[3*k:3*k+3]) {
			tame(d.q1[3*k:3*k+3], a.Horn.Value(to)-a.Horn.Value(from), to-from)
			tame(d.q2[3*k:3*k+3], d.q1[3*k+2]-d.q1[3*k], to-from)
		}
	}
	return d
}

func finite(q []float64) bool {
	for _, v := range q {
		if math.IsInf(v, 0) || math.IsNaN(v) {
			return false
		}
	}
	return true
}

// tame replaces an infinite derivative, at a vertical tangent, by the mean over
// the cell.
func tame(q []float64, difference, h float64) {
	for m, v := range q {
		if math.IsInf(v, 0) || math.IsNaN(v) {
			q[m] = difference / h
		}
	}
}

func (r *retimer) quietFor(a *interp.Axis) bool {
	for _, q := range r.script.Quiet {
		if q.Applies(a.Spec) && q.Speed.V > 0 {
			return true
		}
	}
	return false
}

// quietShares gives the speed of an axis as a share of what the quiet windows
// allow; 0 outside of them.
func (r *retimer) quietShares(a *interp.Axis, q1 []float64) []float64 {
	out := make([]float64, len(q1))
	for _, q := range r.script.Quiet {
		if !q.Applies(a.Spec) || q.Speed.V <= 0 {
			continue
		}
		for k := r.index(q.From); k < len(r.s)-1 && r.s[k+1] <= q.To+leastLen; k++ {
			for m := 3 * k; m < 3*k+3; m++ {
				if share := q1[m] / q.Speed.V; math.Abs(share) > math.Abs(out[m]) {
					out[m] = share
				}
			}
		}
	}
	return out
}

// findJerkTop finds the greatest rate at each grid point at which the script's
// own jerk, which grows with the third power of a constant rate, and its jumps
// of acceleration, which grow with the second, stay below the limits.
func (r *retimer) findJerkTop() {
	for i := range r.limits {
		a := &r.limits[i]
		if !a.limits.Jerk.Known() {
			continue
		}
		if r.jerkTop == nil {
			r.jerkTop = make([]float64, len(r.s))
			for k := range r.jerkTop {
				r.jerkTop[k] = math.Inf(1)
			}
		}
		r.jerkInside(a)
		r.jerkJumps(a)
	}
}

// mostRate is the greatest rate that a plan may have anywhere.
func (r *retimer) mostRate() float64 {
	switch {
	case r.options.Fastest:
		return MaxRate
	case len(r.locks) > 1:
		return r.options.CatchUp
	}
	return 1
}

func (r *retimer) lowerJerkTop(k int, rate float64) {
	r.jerkTop[k] = math.Min(r.jerkTop[k], math.Max(rate, 1e-3))
	r.jerky = r.jerky || rate < 1 || r.options.Fastest
}

func (r *retimer) jerkInside(a *limited) {
	limit := a.limits.Jerk.V * (1 - slim)
	for k := range len(r.s) - 1 {
		j := a.q3[3*k:]
		worst := math.Max(math.Abs(j[0]), math.Max(math.Abs(j[1]), math.Abs(j[2])))
		if most := r.mostRate(); float64(worst*most*most*most) > limit && !math.IsInf(worst, 1) {
			rate := math.Floor(math.Cbrt(limit/worst)*0x1p40) / 0x1p40 // the same on every machine
			r.lowerJerkTop(k, rate)
			r.lowerJerkTop(k+1, rate)
		}
	}
}

func (r *retimer) jerkJumps(a *limited) {
	n := len(r.s) - 1
	limit := a.limits.Jerk.V * (1 - slim) / rateOf(a.axis.Spec)
	at := func(q []float64, i int) float64 {
		if i < 0 || i >= len(q) {
			return 0
		}
		return q[i]
	}
	for k := range n + 1 {
		jump := math.Abs(at(a.q2, 3*k) - at(a.q2, 3*k-1))
		if most := r.mostRate(); float64(jump*most*most) > limit {
			r.lowerJerkTop(k, math.Sqrt(limit/jump))
		}
	}
}

// sumOf bounds the current of a supply: the sum of the motors' currents by the
// line of current over torque, I = I0 + |T|/Ts (Is - I0), with the torque linear
// in s” and s'^2 along the path. What does not depend on the pace (idle and
// no-load currents, windings, lamps, relays) is taken off the limit.
func (r *retimer) sumOf(s *sequence.Supply, sample func(*interp.Axis) samples) supplySum {
	sum := supplySum{supply: s, steady: make([]float64, len(r.s)-1)}
	for _, a := range r.perf.Axes {
		if a.Spec.Supply != s {
			continue
		}
		if a.Spec.Kind == sequence.Servo && a.Spec.Unit == "deg" {
			sum.terms = append(sum.terms, r.servoTerm(a, sample(a), sum.steady))
			continue
		}
		for k := range sum.steady {
			sum.steady[k] += steadyCurrent(a, (r.s[k]+r.s[k+1])/2)
		}
	}
	return sum
}

func (r *retimer) servoTerm(a *interp.Axis, d samples, steady []float64) warp.Term {
	f := a.Spec.Figures()
	n := len(d.q1)
	t := warp.Term{A: make([]float64, n), B: make([]float64, n)}
	perTorque := (f.StallCurrent.V - f.NoLoadCurrent.V) / f.StallTorque.V
	inertia := (f.Inertia.V + a.HornInertia()) * math.Pi / 180 * perTorque
	for i := range t.A {
		t.A[i], t.B[i] = inertia*d.q1[i], inertia*d.q2[i]
	}
	for k := range steady {
		if q := d.q1[3*k:]; q[0] != 0 || q[1] != 0 || q[2] != 0 {
			steady[k] += f.NoLoadCurrent.V
		} else {
			steady[k] += f.IdleCurrent.V
		}
	}
	if a.Spec.Load.Mass.Given() || a.Spec.Load.Torque.V != 0 {
		t.C = r.heldCurrents(a, perTorque)
	}
	return t
}

// heldCurrents gives the current in A that an axis takes to hold its load.
func (r *retimer) heldCurrents(a *interp.Axis, perTorque float64) []float64 {
	out := make([]float64, 3*(len(r.s)-1))
	at := make([]float64, len(out))
	for i := range at {
		k := i / 3
		at[i] = r.s[k] + float64((r.s[k+1]-r.s[k])*float64(i%3)/2)
	}
	cursor := a.Part.Cursor()
	cursor.Fill(out, at)
	for i, part := range out {
		out[i] = perTorque * a.HornTorque(part)
	}
	return out
}

// steadyCurrent gives what an axis without inertia in this model draws.
func steadyCurrent(a *interp.Axis, at float64) float64 {
	switch v := a.Part.Value(at); a.Spec.Kind {
	case sequence.Stepper:
		return 2 * a.Spec.Current.V
	case sequence.Dimmer, sequence.Switch:
		if v > 0 {
			return a.Spec.Current.V
		}
	case sequence.Motor:
		if m := a.Spec.Motor; m != nil {
			return math.Abs(v) / 100 * m.NoLoadCurrent.V
		}
	case sequence.ContinuousServo:
		return math.Abs(v) / 100 * a.Spec.Figures().NoLoadCurrent.V
	}
	return 0
}

// left gives what the terms of a sum may take in each cell: what the supply has
// left beside steady currents and held torques, times the square of the rate that
// is allowed for its sake. There is no limit where these alone are too much.
func (m *supplySum) left(rate []float64, margin float64) []float64 {
	limit := m.supply.Limit.V
	out := make([]float64, len(m.steady))
	for k := range out {
		held := 0.0
		for _, t := range m.terms {
			if t.C == nil {
				continue
			}
			c := t.C[3*k:]
			held += math.Max(math.Abs(c[0]), math.Max(math.Abs(c[1]), math.Abs(c[2])))
		}
		free := float64(limit*(1-margin)) - m.steady[k] - held
		if rate != nil {
			free *= float64(rate[k] * rate[k])
		}
		out[k] = held + free
		if free <= 1e-5*limit {
			out[k] = math.Inf(1)
		}
	}
	return out
}
