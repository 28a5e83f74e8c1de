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
	q1, q2 []float64
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
	derivatives := map[*interp.Axis][2][]float64{}
	sample := func(a *interp.Axis) (q1, q2 []float64) {
		d, ok := derivatives[a]
		if !ok {
			d[0], d[1] = r.derivatives(a)
			derivatives[a] = d
		}
		return d[0], d[1]
	}
	for _, a := range r.perf.Axes {
		l := a.Spec.HornLimits()
		if !shapeable(a.Spec) {
			continue
		}
		if r.quietFor(a) {
			q1, _ := sample(a)
			r.quiet = append(r.quiet, warp.Axis{Speed: 1, Q1: r.quietShares(a, q1), Q2: make([]float64, 3*n)})
		}
		if l.Speed.Known() || l.Acceleration.Known() || l.Jerk.Known() {
			x := limited{axis: a, limits: l}
			x.q1, x.q2 = sample(a)
			r.limits = append(r.limits, x)
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

// derivatives samples the first two derivatives of a horn.
func (r *retimer) derivatives(a *interp.Axis) (q1, q2 []float64) {
	n := len(r.s) - 1
	q1, q2 = make([]float64, 3*n), make([]float64, 3*n)
	cursor := a.Horn.Cursor()
	var states [2]interp.State
	for k := range n {
		from, to := r.s[k], r.s[k+1]
		ts := [2]float64{from, (from + to) / 2}
		cursor.States(states[:], ts[:])
		for m, s := range [3]interp.State{states[0], states[1], a.Horn.Before(to)} {
			q1[3*k+m], q2[3*k+m] = s.Speed, s.Acceleration
		}
		tame(q1[3*k:3*k+3], a.Horn.Value(to)-states[0].Position, to-from)
		tame(q2[3*k:3*k+3], q1[3*k+2]-q1[3*k], to-from)
	}
	return q1, q2
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

func (r *retimer) lowerJerkTop(k int, rate float64) {
	r.jerkTop[k] = math.Min(r.jerkTop[k], math.Max(rate, 1e-3))
	r.jerky = r.jerky || rate < 1 || r.options.Fastest
}

func (r *retimer) jerkInside(a *limited) {
	limit := a.limits.Jerk.V * (1 - slim)
	cursor := a.axis.Horn.Cursor()
	var states [2]interp.State
	for k := range len(r.s) - 1 {
		ts := [2]float64{r.s[k], (r.s[k] + r.s[k+1]) / 2}
		cursor.States(states[:], ts[:])
		worst := math.Max(math.Abs(states[0].Jerk), math.Abs(states[1].Jerk))
		worst = math.Max(worst, math.Abs(a.axis.Horn.Before(r.s[k+1]).Jerk))
		if worst > limit && !math.IsInf(worst, 1) {
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
		if jump > limit {
			r.lowerJerkTop(k, math.Sqrt(limit/jump))
		}
	}
}

// sumOf bounds the current of a supply: the sum of the motors' currents by the
// line of current over torque, I = I0 + |T|/Ts (Is - I0), with the torque linear
// in s” and s'^2 along the path. What does not depend on the pace (idle and
// no-load currents, windings, lamps, relays) is taken off the limit.
func (r *retimer) sumOf(s *sequence.Supply, sample func(*interp.Axis) (q1, q2 []float64)) supplySum {
	sum := supplySum{supply: s, steady: make([]float64, len(r.s)-1)}
	for _, a := range r.perf.Axes {
		if a.Spec.Supply != s {
			continue
		}
		if a.Spec.Kind == sequence.Servo && a.Spec.Unit == "deg" {
			q1, q2 := sample(a)
			sum.terms = append(sum.terms, r.servoTerm(a, q1, q2, sum.steady))
			continue
		}
		for k := range sum.steady {
			sum.steady[k] += steadyCurrent(a, (r.s[k]+r.s[k+1])/2)
		}
	}
	return sum
}

func (r *retimer) servoTerm(a *interp.Axis, q1, q2, steady []float64) warp.Term {
	f := a.Spec.Figures()
	n := len(q1)
	t := warp.Term{A: make([]float64, n), B: make([]float64, n), C: make([]float64, n)}
	perTorque := (f.StallCurrent.V - f.NoLoadCurrent.V) / f.StallTorque.V
	inertia := (f.Inertia.V + a.HornInertia()) * math.Pi / 180 * perTorque
	for k := range n / 3 {
		moving := false
		for m := range 3 {
			i := 3*k + m
			at := r.s[k] + float64((r.s[k+1]-r.s[k])*float64(m)/2)
			t.A[i], t.B[i] = inertia*q1[i], inertia*q2[i]
			t.C[i] = perTorque * a.HornTorque(a.Part.Value(at))
			moving = moving || q1[i] != 0
		}
		if moving {
			steady[k] += f.NoLoadCurrent.V
		} else {
			steady[k] += f.IdleCurrent.V
		}
	}
	return t
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
