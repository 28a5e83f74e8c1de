package mend

import (
	"errors"
	"fmt"
	"math"

	"limberjack/interp/warp"
	"limberjack/sequence"
)

// path gives the whole grid with all limits.
func (r *retimer) path(t tight) warp.Path {
	shave := 1 - r.margin(t)
	p := warp.Path{S: r.s, MaxRate: r.tops(t)}
	for _, a := range r.limits {
		p.Axes = append(p.Axes, warp.Axis{Speed: a.limits.Speed.V * t.speed * shave, Acceleration: a.limits.Acceleration.V * t.acceleration * shave,
			Frame: 1 / rateOf(a.axis.Spec), Q1: a.q1, Q2: a.q2})
	}
	for _, q := range r.quiet {
		q.Speed = t.speed * shave
		p.Axes = append(p.Axes, q)
	}
	for k := range r.sums {
		m := &r.sums[k]
		p.Sums = append(p.Sums, warp.Sum{Terms: m.terms, Limit: m.left(t.share[m.supply], r.margin(t))})
	}
	if t.smooth != nil {
		r.spareIn(&p, t, shave)
	}
	return p
}

// spareIn limits the accelerations that are to be spared, as sums of one term.
func (r *retimer) spareIn(p *warp.Path, t tight, shave float64) {
	for n, factors := range t.smooth.spared {
		if factors == nil {
			continue
		}
		a := r.limits[n]
		s := warp.Sum{Terms: []warp.Term{{A: a.q1, B: a.q2}}, Limit: make([]float64, len(factors))}
		for k, f := range factors {
			s.Limit[k] = math.Inf(1)
			if f < 1 {
				s.Limit[k] = a.limits.Acceleration.V * t.acceleration * shave * f
			}
		}
		p.Sums = append(p.Sums, s)
	}
}

// MaxRate is the greatest rate of the fastest performance: where an ease starts
// from rest of itself, as min-jerk does, the shortest time would have no bound.
const MaxRate = 16

// tops gives the greatest rate at each grid point where nothing is to be won
// back, apart from the limits that the path has.
func (r *retimer) tops(t tight) []float64 {
	out := make([]float64, len(r.s))
	top := 1.0
	if r.options.Fastest {
		top = MaxRate
	}
	for k := range out {
		out[k] = top
		if r.jerkTop != nil {
			out[k] = math.Min(top, r.jerkTop[k])
		}
	}
	if r.options.Fastest {
		r.keepHolds(out)
	}
	for _, rates := range t.share {
		for k, rate := range rates {
			if rate < 1 {
				out[k], out[k+1] = math.Min(out[k], rate), math.Min(out[k+1], rate)
			}
		}
	}
	return out
}

// keepHolds keeps to the written rate where nothing with limits moves.
func (r *retimer) keepHolds(top []float64) {
	for k := range len(r.s) - 1 {
		moves := false
		for _, a := range r.limits {
			for m := 3 * k; m < 3*k+3; m++ {
				moves = moves || a.q1[m] != 0
			}
		}
		if !moves {
			top[k], top[k+1] = math.Min(1, top[k]), math.Min(1, top[k+1])
		}
	}
}

// plan is a pace, the locks that it cannot keep, and over which windows it was
// smoothed, if it was.
type plan struct {
	knots   []sequence.Knot
	missing []Missing
	windows windows
}

// plan makes the pace, passage by passage, and where there is a window smooths
// it and aims again until the locks are met.
func (r *retimer) plan(t tight) (plan, error) {
	const aimings = 12
	clear(r.aims)
	p := r.path(t)
	start, end := r.start(), r.end()
	solver, err := warp.NewSolver(p)
	if err != nil {
		return plan{}, err
	}
	first, err := solver.Solve(start, end)
	if err != nil {
		return plan{}, r.stuck(err)
	}
	var made plan
	if t.smooth != nil {
		made.windows = r.spread(t.smooth.window, first.Knots)
		r.erode(p.MaxRate, t, made.windows, first.Knots)
		if first, err = solver.Solve(start, end); err != nil {
			return plan{}, r.stuck(err)
		}
	}
	list, err := r.split(p, solver, t)
	if err != nil {
		return plan{}, err
	}
	for round := 0; ; round++ {
		if made.knots, made.missing, err = r.passages(list, first); err != nil {
			return plan{}, err
		}
		if t.smooth == nil {
			return made, nil
		}
		made.knots = collapsed(smoothed(made.knots, made.windows, r.finestFrame()))
		if round == aimings || !r.aim(made.knots, made.missing) {
			return made, nil
		}
	}
}

// aim shifts the times that are planned for the locks by how far they are
// missed, and reports whether any was. A lock that cannot be kept is let be.
func (r *retimer) aim(knots []sequence.Knot, missing []Missing) bool {
	const near = 1e-8 // s
	missed := false
	for k := 1; k < len(r.locks); k++ {
		lost := false
		for _, m := range missing {
			lost = lost || m.ToS == r.locks[k].time
		}
		miss := timeOf(knots, r.locks[k].time) - r.locks[k].time
		if !lost && math.Abs(miss) > near {
			r.aims[k] -= miss
			missed = true
		}
	}
	return missed
}

// start and end give the rates at the two ends: at rest where an axis moves
// there, else as great as may be.
func (r *retimer) start() float64 {
	for _, a := range r.perf.Axes {
		if v := a.Part.At(0).Speed; !(math.Abs(v) <= 1e-9) {
			return 0
		}
	}
	return warp.Free
}

func (r *retimer) end() float64 {
	for _, a := range r.perf.Axes {
		if v := a.Part.Before(r.script.Length).Speed; !(math.Abs(v) <= 1e-9) {
			return 0
		}
	}
	return warp.Free
}

// stuck says in the words of the documents what no pace can mend.
func (r *retimer) stuck(err error) error {
	var e *warp.Infeasible
	if !errors.As(err, &e) {
		return err
	}
	return &Stuck{sequence.Problem{At: r.script.At, Text: fmt.Sprintf("no pace can mend what %s does at %s: %s", r.nameOf(e.Limit), sequence.FormatSeconds(e.S), e.Why)}}
}

// Stuck is what no pace can mend.
type Stuck struct{ Problem sequence.Problem }

// Error says what and where.
func (s *Stuck) Error() string { return s.Problem.Error() }

// nameOf names the axis or supply of a limit of a path.
func (r *retimer) nameOf(l warp.Limit) string {
	i := int(l.Index)
	switch {
	case l.Kind == warp.SumOf && i < len(r.sums):
		return "the current of " + r.sums[i].supply.Name
	case l.Kind == warp.SumOf:
		return "the acceleration of an axis"
	case l.Kind == warp.Rate:
		return "the pace as it is written"
	case i < len(r.limits):
		return "the " + l.Kind.String() + " of " + r.limits[i].axis.Spec.Name
	}
	return "a quiet window"
}

// split gives the passages between the locks.
func (r *retimer) split(p warp.Path, solver *warp.Solver, t tight) ([]*passage, error) {
	var list []*passage
	for k := range r.locks {
		g := &passage{r: r, lock: k, i: r.index(r.locks[k].time), j: len(r.s) - 1, tight: t, path: p, solver: solver}
		if k+1 < len(r.locks) {
			g.j, g.fixed = r.index(r.locks[k+1].time), true
		}
		if g.j <= g.i {
			continue
		}
		if len(r.locks) > 1 {
			var err error
			g.path = slicePath(p, g.i, g.j)
			g.written = append([]float64(nil), g.path.MaxRate...)
			if g.solver, err = warp.NewSolver(g.path); err != nil {
				return nil, err
			}
		}
		list = append(list, g)
	}
	return list, nil
}

// passages plans each passage between two locks anew: after its first stretch it
// may run faster than written, up to the catch-up, so that it ends at its time.
func (r *retimer) passages(list []*passage, first warp.Solution) ([]sequence.Knot, []Missing, error) {
	var knots []sequence.Knot
	var missing []Missing
	rate, at := r.start(), 0.0
	for _, g := range list {
		k := g.lock
		g.start, g.end = rate, r.end()
		if g.fixed {
			g.seconds = r.locks[k+1].time + r.aims[k+1] - at
			g.late = at > r.locks[k].time+r.aims[k]+1e-6
			if g.j < len(r.s)-1 {
				g.end = math.Min(1, first.Knots[g.j].Rate)
			}
		}
		s, lacks := first, 0.0
		if len(r.locks) > 1 {
			var err error
			if s, lacks, err = g.solve(); err != nil {
				return nil, nil, r.stuck(err)
			}
		}
		if lacks > 1e-6 {
			missing = append(missing, Missing{From: r.locks[k].at, To: r.locks[k+1].at, FromS: r.locks[k].time, ToS: r.locks[k+1].time, Seconds: lacks, Why: r.slowest(g.path, s)})
		}
		if g.tight.smooth == nil {
			var err error
			if s, err = g.thin(s, lacks); err != nil {
				return nil, nil, err
			}
		}
		part := toKnots(s.Knots, at)
		if len(knots) > 0 {
			part = part[1:]
		}
		knots = append(knots, part...)
		last := knots[len(knots)-1]
		at, rate = last.Time, last.Rate
	}
	return knots, missing, nil
}

// slicePath gives the part of a path from grid point i to j.
func slicePath(p warp.Path, i, j int) warp.Path {
	out := warp.Path{S: p.S[i : j+1], MaxRate: append([]float64(nil), p.MaxRate[i:j+1]...)}
	for _, a := range p.Axes {
		a.Q1, a.Q2 = a.Q1[3*i:3*j], a.Q2[3*i:3*j]
		out.Axes = append(out.Axes, a)
	}
	for _, s := range p.Sums {
		cut := warp.Sum{Limit: s.Limit[i:j]}
		for _, t := range s.Terms {
			c := t.C
			if c != nil {
				c = c[3*i : 3*j]
			}
			cut.Terms = append(cut.Terms, warp.Term{A: t.A[3*i : 3*j], B: t.B[3*i : 3*j], C: c})
		}
		out.Sums = append(out.Sums, cut)
	}
	return out
}

// passage is the way from one lock to the next, or to the end.
type passage struct {
	r          *retimer
	lock       int // that it starts at
	i, j       int // grid points
	path       warp.Path
	solver     *warp.Solver // of the path
	written    []float64    // the greatest rates of the path where nothing is won back
	start, end float64
	tight      tight
	fixed      bool    // it ends at a lock, and
	seconds    float64 // has so long
	late       bool    // it starts too late already
	free       float64 // s of script time from which it may run faster than written
}

// at plans the passage at rates up to most.
func (g *passage) at(most float64) (warp.Solution, error) {
	copy(g.path.MaxRate, g.written)
	if g.fixed {
		for k, rate := range g.written {
			g.path.MaxRate[k] = math.Min(rate, 1) // a lock leaves nothing to the fastest
		}
	}
	g.raise(most)
	return g.solver.Solve(g.start, g.end)
}

// solve plans the passage. lacks is the time by which it is too long even at the
// catch-up.
func (g *passage) solve() (s warp.Solution, lacks float64, err error) {
	g.free = math.Inf(1)
	if s, err = g.at(1); err != nil || !g.fixed {
		return s, 0, err
	}
	if g.late {
		g.free = g.path.S[0]
	}
	for _, k := range s.Knots {
		if k.Rate < 1-1e-9 {
			g.free = math.Min(g.free, k.Script)
			break
		}
	}
	const near = 1e-9 // s
	late := s.Duration - g.seconds
	if math.Abs(late) <= near {
		return s, 0, nil
	}
	other := 0.25
	if late > 0 {
		other = math.Max(1, g.r.options.CatchUp*(1-2*slim))
	}
	if s, err = g.at(other); err != nil {
		return s, 0, err
	}
	if early := s.Duration - g.seconds; late > 0 && early > near {
		return s, early, nil
	} else if late > 0 == (early >= 0) {
		return s, 0, nil
	}
	s, err = g.meet(1, late, other, s.Duration-g.seconds)
	return s, 0, err
}

// meet finds the greatest rate between a and b with which the passage takes its
// seconds; late is how much longer it takes with each, of different signs. It goes
// by the chord, with the halved weight of a side that stays (the Illinois method;
// Dowell and Jarratt, BIT 11, 1971), and in between by halving.
func (g *passage) meet(a, lateA, b, lateB float64) (s warp.Solution, err error) {
	const near = 1e-11 // s
	weightA, weightB := lateA, lateB
	for round := 1; round <= 100; round++ {
		m := (a + b) / 2
		if round%4 != 0 {
			m = a + float64((b-a)*(weightA/(weightA-weightB)))
		}
		if s, err = g.at(m); err != nil {
			return s, err
		}
		late := s.Duration - g.seconds
		if math.Abs(late) <= near || math.Abs(b-a) <= 1e-15 {
			break
		}
		if late > 0 == (lateA > 0) {
			a, lateA, weightA = m, late, late
			weightB /= 2
		} else {
			b, lateB, weightB = m, late, late
			weightA /= 2
		}
	}
	return s, nil
}

// raise lets the passage run at most as fast as given: over the written rate only
// after its first stretch, and not where jerk or the smoothing keeps it lower.
func (g *passage) raise(most float64) {
	n := len(g.path.S) - 1
	for k := 1; k < n; k++ {
		switch {
		case most < 1:
			g.path.MaxRate[k] = math.Min(g.path.MaxRate[k], most)
		case g.path.S[k] > g.free && g.path.MaxRate[k] >= 1:
			g.path.MaxRate[k] = most
			if g.r.jerkTop != nil {
				g.path.MaxRate[k] = math.Min(most, g.r.jerkTop[g.i+k])
			}
		}
	}
}

// slowest names the limit that takes most of the time that a passage loses.
func (r *retimer) slowest(p warp.Path, s warp.Solution) string {
	uses, err := warp.Uses(p, s.Knots)
	if err != nil {
		return "the pace as it is written"
	}
	lost := map[warp.Limit]float64{}
	best, most := warp.Limit{}, 0.0
	for k, u := range uses {
		a, b := s.Knots[k], s.Knots[k+1]
		if u.Limit.Kind == warp.Rate {
			continue
		}
		lost[u.Limit] += math.Max(0, (b.At-a.At)-(b.Script-a.Script))
		if lost[u.Limit] > most {
			best, most = u.Limit, lost[u.Limit]
		}
	}
	return r.nameOf(best)
}

func toKnots(knots []warp.Knot, at float64) []sequence.Knot {
	out := make([]sequence.Knot, len(knots))
	for i, k := range knots {
		out[i] = sequence.Knot{Time: at + k.At, Script: k.Script, Rate: k.Rate}
	}
	return out
}

// The tolerances of thinning. What of the margin is left serves for curves that
// are not cubics, and for meeting locks.
const (
	thinLimits = 0.8  // of the margin
	thinTime   = 2e-4 // of the length
)

// thin leaves out the knots that are not needed, and gives a passage that ends at
// a lock its exact time back.
func (g *passage) thin(s warp.Solution, lacks float64) (warp.Solution, error) {
	out, err := g.solver.Thin(s, warp.Tolerance{Limits: thinLimits * g.r.margin(g.tight), Time: thinTime * s.Duration})
	if err != nil {
		return s, err
	}
	if g.fixed && lacks <= 1e-6 && !fit(out.Knots, g.seconds, g.free) {
		out = s
	}
	out.Duration = out.Knots[len(out.Knots)-1].At
	return out, nil
}

// fit changes the rates of the knots after a script time by a common small
// factor, but not those at the two ends, so that the last knot is reached after
// the given seconds. It reports whether that could be done.
func fit(knots []warp.Knot, seconds, after float64) bool {
	const most = slim
	n := len(knots) - 1
	lasts := func(share float64) float64 {
		at, before := 0.0, knots[0].Rate
		for i := 1; i <= n; i++ {
			rate := knots[i].Rate
			if i < n && knots[i].Script > after {
				rate += float64(rate * share)
			}
			at += 2 * (knots[i].Script - knots[i-1].Script) / (before + rate)
			before = rate
		}
		return at
	}
	low, high := -most, most
	if lasts(0) == seconds {
		return true
	}
	if !(lasts(low) >= seconds-1e-9 && lasts(high) <= seconds+1e-9) {
		return math.Abs(lasts(0)-seconds) <= 1e-7
	}
	for range 60 {
		if middle := (low + high) / 2; lasts(middle) > seconds {
			low = middle
		} else {
			high = middle
		}
	}
	for i := 1; i < n; i++ {
		if knots[i].Script > after {
			knots[i].Rate += float64(knots[i].Rate * high)
		}
	}
	for i := 1; i <= n; i++ {
		knots[i].At = knots[i-1].At + 2*(knots[i].Script-knots[i-1].Script)/(knots[i-1].Rate+knots[i].Rate)
	}
	return true
}
