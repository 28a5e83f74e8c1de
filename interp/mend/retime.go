package mend

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/interp/warp"
	"limberjack/sequence"
)

// Options say how a motion is to be retimed.
type Options struct {
	Fastest bool    // the shortest performance; otherwise never faster than written
	CatchUp float64 // greatest rate between a stretch and the lock after it; 0: DefaultCatchUp
	// Peak gives the greatest current of each supply of a performance, by a model
	// that is better than the bound that the plan is made with. The plan is
	// tightened until it holds. Nil: the bound is trusted.
	Peak func(*interp.Performance) map[*sequence.Supply]float64
}

// DefaultCatchUp is how much faster than written a passage may run to win back
// the time of a stretch before a lock.
const DefaultCatchUp = 1.25

// Retiming is the outcome of Retime.
type Retiming struct {
	Performance *interp.Performance // under the new pace
	Knots       []sequence.Knot     // empty where the script can be played as it is written
	Written     float64             // s, the length of the script
	Stretched   float64             // s that the performance is longer
	JerkCost    float64             // s of that which the jerk limits cost
	FirstAt     float64             // s of performance time up to which nothing is stretched
	Findings    []Missing           // locks that cannot be kept
}

// Missing is the time that is missing between two locks.
type Missing struct {
	From, To sequence.Pos
	FromS    float64 // s of script time
	ToS      float64
	Seconds  float64 // that are missing
	Why      string  // what takes the time
}

// Retime finds the warp of time with the least stretch under which every axis
// keeps its limits of speed, acceleration and jerk, quiet windows their speed
// and supplies their current, with all axes in step. A pace that the script has
// is replaced.
func Retime(s *sequence.Script, o Options) (*Retiming, error) {
	if o.CatchUp == 0 {
		o.CatchUp = DefaultCatchUp
	}
	written := *s
	written.Pace = nil
	p, err := interp.Compile(&written)
	if err != nil {
		return nil, err
	}
	r := &retimer{script: &written, perf: p, options: o, ease: 1, share: map[*sequence.Supply]float64{}}
	r.grid()
	return r.run()
}

// retimer holds what one retiming works with.
type retimer struct {
	script  *sequence.Script
	perf    *interp.Performance
	options Options
	s       []float64 // grid of script time
	axes    []*interp.Axis
	ease    float64                      // factor on the acceleration limits, lowered until all holds
	share   map[*sequence.Supply]float64 // factor on the current limits
}

const (
	cellTime = 0.010  // s, the length of a cell of the grid
	maxCells = 200000 // of the grid; longer motions get longer cells
	leastLen = 1e-7   // s, cells shorter than this are joined
)

// grid makes the grid of script time: the joints of all curves, and points
// between them.
func (r *retimer) grid() {
	length := r.script.Length
	edges := []float64{0, length}
	for _, a := range r.perf.Axes {
		if !shapeable(a.Spec) {
			continue
		}
		r.axes = append(r.axes, a)
		for i := range a.Horn.Spans() {
			if from, _ := a.Horn.Span(i); from > 0 && from < length {
				edges = append(edges, from)
			}
		}
	}
	for _, q := range r.script.Quiet {
		edges = append(edges, math.Min(q.From, length), math.Min(q.To, length))
	}
	for _, l := range r.locks() {
		edges = append(edges, l.time)
	}
	sort.Float64s(edges)
	breaks := edges[:1]
	for _, e := range edges[1:] {
		if e-breaks[len(breaks)-1] >= leastLen {
			breaks = append(breaks, e)
		}
	}
	breaks[len(breaks)-1] = length
	r.s = warp.Grid(breaks, math.Max(cellTime, length/maxCells))
}

// lock is a moment that keeps its time.
type lock struct {
	time float64
	at   sequence.Pos
}

// locks gives the locked marks, cues, keys and placements, ascending, with the
// start before them.
func (r *retimer) locks() []lock {
	var list []lock
	for _, m := range r.script.Marks {
		if m.Locked {
			list = append(list, lock{m.Time, m.At})
		}
	}
	for _, c := range r.script.Cues {
		if c.Locked {
			list = append(list, lock{c.Time, c.At})
		}
	}
	for _, t := range r.script.Merged {
		for _, k := range t.Keys {
			if k.Locked {
				list = append(list, lock{k.Time, k.At})
			}
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].time < list[j].time })
	out := []lock{{0, r.script.At}}
	for _, l := range list {
		if l.time > out[len(out)-1].time+leastLen && l.time <= r.script.Length {
			out = append(out, l)
		}
	}
	return out
}

// path gives the grid with all limits, for the cells from index i to j.
func (r *retimer) path(i, j int, cap func(s float64) float64) warp.Path {
	p := warp.Path{S: r.s[i : j+1]}
	n := j - i
	p.MaxRate = make([]float64, n+1)
	for k := range p.MaxRate {
		p.MaxRate[k] = cap(r.s[i+k])
	}
	for _, a := range r.axes {
		l := a.Spec.HornLimits()
		if !l.Speed.Known() && !l.Acceleration.Known() {
			continue
		}
		x := warp.Axis{Speed: l.Speed.V, Acceleration: l.Acceleration.V * r.ease, Frame: 1 / rateOf(a.Spec)}
		x.Q1, x.Q2 = r.derivatives(a, i, j)
		p.Axes = append(p.Axes, x)
		r.quietCaps(a, x.Q1, p.MaxRate, i)
	}
	for _, s := range r.script.Rig.Supplies {
		if s.Limit.Given() {
			if sum, ok := r.current(s, i, j); ok {
				p.Sums = append(p.Sums, sum)
			}
		}
	}
	return p
}

// derivatives samples the first two derivatives of a horn at the start, the
// middle and the end of each cell.
func (r *retimer) derivatives(a *interp.Axis, i, j int) (q1, q2 []float64) {
	n := j - i
	q1, q2 = make([]float64, 3*n), make([]float64, 3*n)
	cursor := a.Horn.Cursor()
	var states [2]interp.State
	for k := range n {
		from, to := r.s[i+k], r.s[i+k+1]
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

// quietCaps lowers the rate where a quiet window allows an axis less speed.
func (r *retimer) quietCaps(a *interp.Axis, q1, cap []float64, first int) {
	for _, q := range r.script.Quiet {
		if !q.Applies(a.Spec) {
			continue
		}
		for k := 0; 3*k < len(q1); k++ {
			if r.s[first+k] < q.From-leastLen || r.s[first+k+1] > q.To+leastLen {
				continue
			}
			for m := range 3 {
				if v := math.Abs(q1[3*k+m]); v > q.Speed.V {
					rate := q.Speed.V / v
					cap[k], cap[k+1] = math.Min(cap[k], rate), math.Min(cap[k+1], rate)
				}
			}
		}
	}
}

// current bounds the current of a supply: the sum of the motors' currents by the
// line of current over torque, I = I0 + |T|/Ts (Is - I0), with the torque linear
// in s” and s'^2 along the path. What does not depend on the pace (idle and
// no-load currents, windings, lamps, relays) is taken off the limit.
func (r *retimer) current(s *sequence.Supply, i, j int) (warp.Sum, bool) {
	n := j - i
	sum := warp.Sum{Limit: make([]float64, n)}
	factor := 1.0
	if f, ok := r.share[s]; ok {
		factor = f
	}
	for k := range n {
		sum.Limit[k] = s.Limit.V * factor
	}
	for _, a := range r.perf.Axes {
		if a.Spec.Supply != s {
			continue
		}
		if a.Spec.Kind == sequence.Servo && a.Spec.Unit == "deg" {
			sum.Terms = append(sum.Terms, r.servoTerm(a, i, j, sum.Limit))
			continue
		}
		r.steadyCurrent(a, i, sum.Limit)
	}
	for k, l := range sum.Limit {
		if l <= s.Limit.V*1e-3 {
			// No pace brings this below the limit; the certification says so.
			sum.Limit[k] = math.Inf(1)
		}
	}
	return sum, len(sum.Terms) > 0
}

func (r *retimer) servoTerm(a *interp.Axis, i, j int, left []float64) warp.Term {
	f := a.Spec.Figures()
	n := j - i
	t := warp.Term{A: make([]float64, 3*n), B: make([]float64, 3*n), C: make([]float64, 3*n)}
	perTorque := (f.StallCurrent.V - f.NoLoadCurrent.V) / f.StallTorque.V
	inertia := (f.Inertia.V + a.HornInertia()) * math.Pi / 180 * perTorque
	q1, q2 := r.derivatives(a, i, j)
	for k := range n {
		moving := false
		for m := range 3 {
			at := r.s[i+k] + (r.s[i+k+1]-r.s[i+k])*float64(m)/2
			t.A[3*k+m], t.B[3*k+m] = inertia*q1[3*k+m], inertia*q2[3*k+m]
			t.C[3*k+m] = perTorque * a.HornTorque(a.Part.Value(at))
			moving = moving || q1[3*k+m] != 0
		}
		if moving {
			left[k] -= f.NoLoadCurrent.V
		} else {
			left[k] -= f.IdleCurrent.V
		}
	}
	return t
}

// steadyCurrent takes off what an axis without inertia in this model draws.
func (r *retimer) steadyCurrent(a *interp.Axis, i int, left []float64) {
	for k := range left {
		at := (r.s[i+k] + r.s[i+k+1]) / 2
		left[k] -= steady(a, at)
	}
}

func steady(a *interp.Axis, at float64) float64 {
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

// run plans, certifies and tightens until the plan holds.
func (r *retimer) run() (*Retiming, error) {
	const rounds = 12
	out := &Retiming{Written: r.script.Length}
	window, before := 0.0, math.NaN()
	for range rounds {
		knots, missing, err := r.plan()
		if err != nil {
			return nil, err
		}
		out.Findings = missing
		plain := knots[len(knots)-1].Time
		if math.IsNaN(before) {
			before = plain
		}
		if window > 0 {
			knots = smoothed(knots, window, r.finestFrame())
		}
		p, err := r.paced(knots)
		if err != nil {
			return nil, err
		}
		out.Performance, out.Knots = p, knots
		out.Stretched = p.Length - out.Written
		out.JerkCost = math.Max(0, p.Length-before)
		worst := r.measure(p)
		if worst.holds() {
			break
		}
		if worst.jerk > 1 {
			window = math.Max(window*math.Min(2, math.Max(1.1, worst.jerk)), r.jerkWindow())
		}
		if worst.acceleration > 1 {
			r.ease /= math.Min(1.5, worst.acceleration*1.002)
		}
		for s, ratio := range worst.current {
			if ratio > 1 {
				r.share[s] = r.shareOf(s) / math.Min(1.5, ratio*1.02)
			}
		}
	}
	out.FirstAt = firstStretch(out.Knots, out.Performance.Length)
	if plainPace(out.Knots) {
		out.Knots = nil
	}
	return out, nil
}

func (r *retimer) shareOf(s *sequence.Supply) float64 {
	if f, ok := r.share[s]; ok {
		return f
	}
	return 1
}

// paced compiles the script under a pace.
func (r *retimer) paced(knots []sequence.Knot) (*interp.Performance, error) {
	s := *r.script
	s.Pace = knots
	return interp.Compile(&s)
}

func (r *retimer) finestFrame() float64 {
	f := 1.0 / defaultRate
	for _, b := range r.script.Rig.Boards {
		f = math.Min(f, b.Frame())
	}
	return f
}

// jerkWindow is how long a change of acceleration from one limit to the other
// must take for the jerk limit of the axis that needs longest.
func (r *retimer) jerkWindow() float64 {
	w := r.finestFrame()
	for _, a := range r.axes {
		if l := a.Spec.HornLimits(); l.Jerk.Known() && l.Acceleration.Known() {
			w = math.Max(w, 2*l.Acceleration.V*r.ease/l.Jerk.V)
		}
	}
	return w
}

// plainPace reports whether knots say nothing but "as written".
func plainPace(knots []sequence.Knot) bool {
	for _, k := range knots {
		if math.Abs(k.Rate-1) > 1e-9 || math.Abs(k.Time-k.Script) > 1e-9 {
			return false
		}
	}
	return true
}

// firstStretch gives the time up to which performance and script time are one.
func firstStretch(knots []sequence.Knot, length float64) float64 {
	for i, k := range knots {
		if math.Abs(k.Rate-1) > 1e-9 || math.Abs(k.Time-k.Script) > 1e-9 {
			if i == 0 {
				return 0
			}
			return knots[i-1].Time
		}
	}
	return length
}

// plan makes the pace, lock by lock.
func (r *retimer) plan() ([]sequence.Knot, []Missing, error) {
	first, err := r.solve(0, len(r.s)-1, r.start(), r.end(), r.cap)
	if err != nil {
		return nil, nil, err
	}
	locks := r.locks()
	if len(locks) < 2 {
		return toKnots(first.Knots, 0), nil, nil
	}
	return r.betweenLocks(first, locks)
}

// cap is the greatest rate at a script time where nothing is to be won back.
func (r *retimer) cap(s float64) float64 {
	if r.options.Fastest {
		return math.Inf(1)
	}
	return 1
}

// start and end give the rates at the two ends: at rest where an axis moves
// there, else as great as may be.
func (r *retimer) start() float64 {
	for _, a := range r.perf.Axes {
		if math.Abs(a.Part.At(0).Speed) > 1e-9 {
			return 0
		}
	}
	return warp.Free
}

func (r *retimer) end() float64 {
	for _, a := range r.perf.Axes {
		if math.Abs(a.Part.Before(r.script.Length).Speed) > 1e-9 {
			return 0
		}
	}
	return warp.Free
}

func (r *retimer) solve(i, j int, start, end float64, cap func(float64) float64) (warp.Solution, error) {
	s, err := warp.Solve(r.path(i, j, cap), start, end)
	var stuck *warp.Infeasible
	if errors.As(err, &stuck) {
		return s, r.stuck(stuck)
	}
	return s, err
}

// stuck says in the words of the documents what no pace can mend.
func (r *retimer) stuck(e *warp.Infeasible) error {
	for _, a := range r.axes {
		for _, j := range a.Horn.Joints(nil) {
			if math.Abs(j.After.Position-j.Before.Position) > 1e-9 {
				src := a.Blame(j.At, 1)
				return sequence.Problems{{At: src.At, Text: fmt.Sprintf("no pace can mend this: %s jumps at %s", a.Spec.Name, sequence.FormatSeconds(j.At)), Hint: "let it move there with an ease"}}
			}
		}
	}
	return sequence.Problems{{At: r.script.At, Text: fmt.Sprintf("no pace can mend what happens at %s: %s", sequence.FormatSeconds(e.S), e.Why)}}
}

// betweenLocks plans each passage between two locks anew: after its first
// stretch it may run faster than written, up to the catch-up, so that it ends at
// its time.
func (r *retimer) betweenLocks(first warp.Solution, locks []lock) ([]sequence.Knot, []Missing, error) {
	var knots []sequence.Knot
	var missing []Missing
	rate := first.Knots[0].Rate
	if r.start() == 0 {
		rate = 0
	}
	at := 0.0
	for k := range locks {
		from := locks[k].time
		to, fixed := r.script.Length, false
		if k+1 < len(locks) {
			to, fixed = locks[k+1].time, true
		}
		i, j := r.index(from), r.index(to)
		if j <= i {
			continue
		}
		end := r.end()
		if fixed {
			end = math.Min(1, first.Knots[j].Rate)
		}
		solution, lacks, err := r.passage(i, j, rate, end, fixed, (to-from)+(from-at))
		if err != nil {
			return nil, nil, err
		}
		if lacks > 1e-6 {
			missing = append(missing, Missing{From: locks[k].at, To: locks[k+1].at, FromS: from, ToS: to, Seconds: lacks, Why: r.slowest(solution)})
		}
		part := toKnots(solution.Knots, at)
		if len(knots) > 0 {
			part = part[1:]
		}
		knots = append(knots, part...)
		at = knots[len(knots)-1].Time
		rate = knots[len(knots)-1].Rate
	}
	return knots, missing, nil
}

func (r *retimer) index(s float64) int {
	i := sort.SearchFloat64s(r.s, s-leastLen)
	return min(i, len(r.s)-1)
}

// passage plans one passage that has so many seconds. lacks is the time by which
// it is too long even at the catch-up.
func (r *retimer) passage(i, j int, start, end float64, fixed bool, seconds float64) (s warp.Solution, lacks float64, err error) {
	s, err = r.solve(i, j, start, end, r.cap)
	if err != nil || !fixed || s.Duration <= seconds+1e-9 {
		return s, 0, err
	}
	from := r.s[j]
	for _, k := range s.Knots {
		if k.Rate < 1-1e-9 {
			from = k.Script
			break
		}
	}
	at := func(most float64) (warp.Solution, error) {
		return r.solve(i, j, start, end, func(s float64) float64 {
			if s <= from || s >= r.s[j] {
				return 1
			}
			return most
		})
	}
	best, err := at(r.options.CatchUp)
	if err != nil || best.Duration > seconds+1e-9 {
		return best, best.Duration - seconds, err
	}
	low, high := 1.0, r.options.CatchUp
	for range 60 {
		middle := (low + high) / 2
		t, err := at(middle)
		if err != nil {
			return s, 0, err
		}
		if t.Duration > seconds {
			low = middle
		} else {
			high, best = middle, t
		}
	}
	return best, 0, nil
}

// slowest names what holds a passage back most: the axis whose limit is reached
// at its lowest rate.
func (r *retimer) slowest(s warp.Solution) string {
	low, at := math.Inf(1), 0.0
	for _, k := range s.Knots {
		if k.Rate < low && k.Script > 0 {
			low, at = k.Rate, k.Script
		}
	}
	name, worst := "", 0.0
	for _, a := range r.axes {
		l := a.Spec.HornLimits()
		st := a.Horn.At(at)
		for _, v := range []struct{ x, limit float64 }{{st.Speed, l.Speed.V}, {st.Acceleration, l.Acceleration.V}} {
			if v.limit > 0 && math.Abs(v.x)/v.limit > worst {
				name, worst = a.Spec.Name, math.Abs(v.x)/v.limit
			}
		}
	}
	return name
}

func toKnots(knots []warp.Knot, at float64) []sequence.Knot {
	out := make([]sequence.Knot, len(knots))
	for i, k := range knots {
		out[i] = sequence.Knot{Time: at + k.At, Script: k.Script, Rate: k.Rate}
	}
	return out
}
