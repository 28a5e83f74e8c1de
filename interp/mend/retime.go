package mend

import (
	"errors"
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
	// Tolerance is the share by which the plan stays below the limits of speed,
	// acceleration and current, so that a pace of few knots keeps the limits
	// themselves. 0: DefaultTolerance, or FastestTolerance for the fastest.
	Tolerance float64
	// Loads gives the currents of the supplies of a performance, by a model that is
	// better than the bound that the plan is made with: at least every stretch in
	// which one is over its limit. The plan is tightened there until it holds.
	// Nil: the bound is trusted.
	Loads func(*interp.Performance) []Load
	// Stop is asked before each plan that Retime makes; where it is true, the work ends
	// with ErrStopped. Nil: it goes on to its end.
	Stop func() bool
}

// ErrStopped says that the work was given up, as it was asked to.
var ErrStopped = errors.New("given up")

// Load is the greatest current of a supply in a stretch of performance time.
type Load struct {
	Supply   *sequence.Supply
	Current  float64 // A
	From, To float64 // s
}

// DefaultCatchUp is how much faster than written a passage may run to win back
// the time of a stretch before a lock.
const DefaultCatchUp = 1.25

// The tolerances that stand in for none.
const (
	DefaultTolerance = 1e-3
	FastestTolerance = 5e-4
)

// slim is the tolerance where no knots are left out.
const slim = 5e-4

// Retiming is the outcome of Retime.
type Retiming struct {
	Performance *interp.Performance // under the new pace
	Knots       []sequence.Knot     // empty where the script can be played as it is written
	Written     float64             // s, the length of the script
	Stretched   float64             // s that the performance is longer; negative: shorter
	JerkCost    float64             // s by which it is longer than without limits of jerk
	FirstAt     float64             // s of performance time up to which it goes as written
	Missing     []Missing           // locks that cannot be kept
	Left        []Excess            // what is still beyond its limit, as no pace found mends it
}

// Missing is the time that is missing between two locks.
type Missing struct {
	From, To sequence.Pos
	FromS    float64 // s of script time
	ToS      float64
	Seconds  float64 // that are missing
	Why      string  // the limit that takes most of the time
}

// Retime finds the warp of time with the least stretch under which every axis
// keeps its limits of speed, acceleration and jerk, quiet windows their speed
// and supplies their current, with all axes in step. A pace that the script has
// is replaced. A script that keeps all limits gets none, unless the fastest is
// asked for.
//
// The limits are shaved by the tolerance, and the pace has as few knots as keep
// them within that; each plan is certified on the exact curves, and tightened until
// it holds. Where an axis moves at an end, the pace starts or ends at rest.
func Retime(s *sequence.Script, o Options) (*Retiming, error) {
	if o.CatchUp == 0 {
		o.CatchUp = DefaultCatchUp
	}
	if o.Tolerance == 0 {
		o.Tolerance = DefaultTolerance
		if o.Fastest {
			o.Tolerance = FastestTolerance
		}
	}
	written := *s
	written.Pace = nil
	p, err := interp.Compile(&written)
	if err != nil {
		return nil, err
	}
	r := newRetimer(p, o)
	out := &Retiming{Performance: p, Written: written.Length, FirstAt: written.Length}
	if out.Left = r.measure(p); !o.Fastest && steepOnly(out.Left) && !r.trusting() {
		return out, nil
	}
	r.prepare()
	if err := r.run(out); err != nil {
		return nil, err
	}
	if r.jerky {
		if err := r.compare(out); err != nil {
			return nil, err
		}
	}
	out.Stretched = out.Performance.Length - out.Written
	out.FirstAt = firstStretch(out.Knots, out.Performance.Length)
	if plainPace(out.Knots) {
		out.Knots = nil
	}
	return out, nil
}

// compare finds what the limits of jerk cost. A smoothed plan of the fastest
// spreads its slow moments wider the faster it is around them, so that the plan
// at the written rates may be the shorter one; then that is taken.
func (r *retimer) compare(out *Retiming) error {
	if r.options.Fastest {
		calm := *r
		calm.options.Fastest = false
		other := *out
		if err := calm.run(&other); err != nil {
			return err
		}
		if len(other.Missing) <= len(out.Missing) && other.Performance.Length < out.Performance.Length {
			*out = other
		}
	}
	free := *r
	free.noJerk, free.jerkTop, free.lost = true, nil, map[*sequence.Supply][]bool{}
	var bare Retiming
	if err := free.run(&bare); err != nil {
		return err
	}
	out.JerkCost = math.Max(0, out.Performance.Length-bare.Performance.Length)
	return nil
}

// trusting reports whether supplies are judged by the plan alone.
func (r *retimer) trusting() bool {
	for _, s := range r.script.Rig.Supplies {
		if r.options.Loads == nil && s.Limit.Given() {
			return true
		}
	}
	return false
}

// steepOnly reports whether there is no excess that a pace could mend.
func steepOnly(list []Excess) bool {
	for _, e := range list {
		if !e.Steep {
			return false
		}
	}
	return true
}

// retimer holds what one retiming works with.
type retimer struct {
	script  *sequence.Script
	perf    *interp.Performance
	options Options
	s       []float64 // grid of script time
	limits  []limited
	quiet   []warp.Axis // speeds as shares of what quiet windows allow, with a limit of 1
	sums    []supplySum
	jerkTop []float64 // greatest rate at each grid point for the script's own jerk
	locks   []lock
	aims    []float64                   // s to add to the time of each lock while planning
	lost    map[*sequence.Supply][]bool // cells in which no pace helps a supply
	eased   map[*sequence.Supply][]easing
	noJerk  bool // limits of jerk are left out
	jerky   bool // they have changed a plan
}

// newRetimer makes a retimer of a performance in script time.
func newRetimer(p *interp.Performance, o Options) *retimer {
	return &retimer{script: p.Script, perf: p, options: o, lost: map[*sequence.Supply][]bool{}}
}

// tight says by how much a plan is tightened.
type tight struct {
	speed, acceleration float64                        // factors on the limits
	share               map[*sequence.Supply][]float64 // greatest rate for the sake of a supply, a cell; none is 1
	smooth              *smoothing                     // nil: the rate is not smoothed
}

// smoothing says how the rate is smoothed, for limits of jerk.
type smoothing struct {
	window []float64   // s of performance time over which, at each grid point
	rate   []float64   // factor on the rates that the script's own jerk allows, at each grid point
	spared [][]float64 // factors on the accelerations of each limited axis, a cell; nil is 1
	rounds int         // of tightening so far
}

// margin gives the share by which limits are shaved. A smoothed pace keeps all
// its knots.
func (r *retimer) margin(t tight) float64 {
	if t.smooth != nil {
		return math.Min(slim, r.options.Tolerance)
	}
	return r.options.Tolerance
}

// towards gives the settings between t and u, at the fraction f of the way.
func (t tight) towards(u tight, f float64) tight {
	mix := func(a, b float64) float64 { return a + float64((b-a)*f) }
	out := tight{mix(t.speed, u.speed), mix(t.acceleration, u.acceleration), map[*sequence.Supply][]float64{}, t.smooth.towards(u.smooth, f)}
	for s, to := range u.share {
		list := make([]float64, len(to))
		for k := range list {
			list[k] = to[k]
			if from := t.share[s]; from != nil {
				list[k] = mix(from[k], to[k])
			} else {
				list[k] = mix(1, to[k])
			}
		}
		out.share[s] = list
	}
	return out
}

// towards gives the smoothing between s and u; where s is none, u.
func (s *smoothing) towards(u *smoothing, f float64) *smoothing {
	if s == nil || u == nil {
		s = u
	}
	if u == nil {
		return nil
	}
	mix := func(from, to []float64) []float64 {
		out := append([]float64(nil), to...)
		for k := range out {
			if from == nil {
				out[k] = 1 + float64((to[k]-1)*f)
			} else {
				out[k] = from[k] + float64((to[k]-from[k])*f)
			}
		}
		return out
	}
	out := &smoothing{window: mix(s.window, u.window), rate: mix(s.rate, u.rate), spared: make([][]float64, len(u.spared)), rounds: u.rounds}
	for i := range out.spared {
		if u.spared[i] != nil {
			out.spared[i] = mix(s.spared[i], u.spared[i])
		}
	}
	return out
}

// attempt is one plan and what it exceeds.
type attempt struct {
	plan
	perf     *interp.Performance
	excess   []Excess
	breaches []breach
	glance   bool // it was not measured exactly, as it fails at a glance
}

const (
	rounds      = 40 // of tightening, with exact measures
	glances     = 80 // rounds beside them in which a glance was enough
	localRounds = 20 // rounds in which smoothed plans are tightened only where they exceed a limit
	restarts    = 10 // after a supply was given up somewhere
	refines     = 5  // halvings between the last plan that failed and the first that holds
)

// run plans, certifies and tightens until the plan holds, and then loosens again
// as far as it holds. Where a supply had to be given up, it goes on without, so that
// nothing is slowed down for that.
func (r *retimer) run(out *Retiming) error {
	set := tight{speed: 1, acceleration: 1}
	r.eased = map[*sequence.Supply][]easing{}
	for again := restarts; ; again-- {
		a, last, err := r.tighten(set)
		if err != nil {
			return err
		}
		if again > 0 && r.spreadLost(last) {
			set = r.withoutLost(last)
			continue
		}
		out.Performance, out.Knots, out.Missing, out.Left = a.perf, a.knots, a.missing, a.excess
		return nil
	}
}

// tighten gives the first plan that holds, loosened unless more has to be given up,
// or the last one tried, with the settings that made it hold.
func (r *retimer) tighten(from tight) (last attempt, set tight, err error) {
	set = from
	var before *tight
	for measured, glanced := 0, 0; measured < rounds && glanced < glances; {
		if last, err = r.attempt(set); err != nil {
			return last, set, err
		}
		if r.enough(last) {
			last, err = r.loosened(last, before, set)
			return last, set, err
		}
		if last.glance {
			glanced++
		} else {
			measured++
		}
		was := set
		before = &was
		set = r.tighter(set, last)
	}
	last.excess, last.breaches = r.examine(last.perf)
	return last, set, nil
}

// loosened loosens a plan that holds, unless more has to be given up first. before
// are the settings that failed last, nil where none did.
func (r *retimer) loosened(good attempt, before *tight, holds tight) (attempt, error) {
	switch {
	case before == nil || r.lostBeside(holds):
		return good, nil
	case holds.speed == before.speed && holds.acceleration == before.acceleration && holds.smooth == nil:
		return r.loosenCurrents(good, holds)
	}
	return r.loosen(good, *before, holds)
}

// withoutLost slows nothing down where a supply was given up.
func (r *retimer) withoutLost(set tight) tight {
	out := set.towards(set, 0)
	for s, lost := range r.lost {
		for k := range out.share[s] {
			if lost[k] {
				out.share[s][k] = 1
			}
		}
	}
	return out
}

// lostBeside reports whether cells are slowed down beside some where a supply was
// given up.
func (r *retimer) lostBeside(set tight) bool {
	for s, lost := range r.lost {
		rates := set.share[s]
		for k := 1; k < len(rates); k++ {
			if lost[k-1] && !lost[k] && rates[k] < 1 || lost[k] && !lost[k-1] && rates[k-1] < 1 {
				return true
			}
		}
	}
	return false
}

// spreadLost gives a supply up in the cells, too, that were slowed down beside
// those where it was given up, and reports whether there were any.
func (r *retimer) spreadLost(set tight) bool {
	grown := false
	for s, lost := range r.lost {
		rates := set.share[s]
		if rates == nil {
			continue
		}
		reach := func(k, from int) {
			if !lost[k] && rates[k] < 1 && lost[from] {
				lost[k], grown = true, true
			}
		}
		for k := 1; k < len(lost); k++ {
			reach(k, k-1)
		}
		for k := len(lost) - 2; k >= 0; k-- {
			reach(k, k+1)
		}
	}
	return grown
}

// enough reports whether a plan exceeds nothing but currents that no pace helps.
func (r *retimer) enough(a attempt) bool {
	for _, e := range a.excess {
		if e.Steep {
			continue
		}
		if e.Supply == nil {
			return false
		}
		if i, j := r.cells(a, e); !r.hopeless(e.Supply, i, j) {
			return false
		}
	}
	return true
}

// loosen looks for the loosest settings that still hold, by halving.
func (r *retimer) loosen(good attempt, fails, holds tight) (attempt, error) {
	for range refines {
		middle := fails.towards(holds, 0.5)
		a, err := r.attempt(middle)
		if err != nil {
			return good, err
		}
		if !r.enough(a) {
			fails = middle
			continue
		}
		holds = middle
		if a.perf.Length <= good.perf.Length {
			good = a
		}
	}
	return good, nil
}

// loosenCurrents looks for the greatest rates at which the supplies still hold, by
// halving at each place by itself. What it gives was certified as a whole.
func (r *retimer) loosenCurrents(good attempt, holds tight) (attempt, error) {
	fails, safe := holds.towards(holds, 0), holds.towards(holds, 0)
	for s, list := range fails.share {
		for k, rate := range list {
			if rate < 1 && r.eased[s] != nil {
				list[k] = math.Max(rate, r.eased[s][k].rate)
				safe.share[s][k] *= 0.99
			}
		}
	}
	try := func(set tight) (a attempt, holds bool, err error) {
		a, err = r.attempt(set)
		if holds = err == nil && r.enough(a); holds && a.perf.Length <= good.perf.Length {
			good = a
		}
		return a, holds, err
	}
	for range refines - 2 {
		middle := fails.towards(holds, 0.5)
		a, _, err := try(middle)
		if err != nil || !r.sides(a, middle, fails, holds) {
			return good, err
		}
	}
	// What holds at each place was not tried together, and the knots fall elsewhere:
	// where that fails, the place goes back to what was safe, and a little more.
	for range 2 {
		a, held, err := try(holds)
		if err != nil || held || !r.sides(a, safe, holds, fails) {
			return good, err
		}
	}
	return good, nil
}

// sides takes the rates of a plan as failing in the places where it exceeds a
// current, and as holding in the others; a place is what is slowed down without a gap. It reports whether nothing else is exceeded.
func (r *retimer) sides(a attempt, set, fails, holds tight) bool {
	over := map[*sequence.Supply][]bool{}
	for _, e := range a.excess {
		if e.Supply == nil && !e.Steep {
			return false
		}
		if e.Supply == nil {
			continue
		}
		if over[e.Supply] == nil {
			over[e.Supply] = make([]bool, len(r.s)-1)
		}
		// A place may exceed it just before or after it is slow.
		e.From, e.To = e.From-2*leadTime, e.To+2*leadTime
		i, j := r.cells(a, e)
		for k := i; k < j; k++ {
			over[e.Supply][k] = true
		}
	}
	for s, list := range set.share {
		for from := 0; from < len(list); {
			to, failed := from, false
			for ; to < len(list) && (to == from || list[to] < 1); to++ {
				failed = failed || over[s] != nil && over[s][to]
			}
			side := holds.share[s]
			if failed {
				side = fails.share[s]
			}
			copy(side[from:to], list[from:to])
			from = to
		}
	}
	return true
}

// tighter answers each excess.
func (r *retimer) tighter(t tight, a attempt) tight {
	out := t.towards(t, 0)
	var worst [Current + 1]float64
	eased := map[*sequence.Supply][]bool{}
	for _, e := range a.excess {
		if e.Steep {
			continue
		}
		worst[e.Kind] = math.Max(worst[e.Kind], e.Ratio)
		if e.Kind == Current {
			r.ease(out.share, eased, a, e)
		}
	}
	by := func(k Kind) float64 { return math.Max(1, math.Min(1.25, worst[k]*(1+2e-4))) }
	if worst[Speed] > 1 || worst[Quiet] > 1 {
		out.speed /= math.Max(by(Speed), by(Quiet))
	}
	if worst[Acceleration] > 1 && (t.smooth == nil || t.smooth.rounds >= localRounds) {
		out.acceleration /= by(Acceleration)
	}
	if worst[Jerk] > 1 {
		r.jerky = true
	}
	if t.smooth != nil {
		r.smoother(out.smooth, a)
	} else if worst[Jerk] > 1 {
		out.smooth = r.leastSmoothing()
	}
	return out
}

const (
	leadTime  = 0.15 // s before a peak of current in which the pace is eased
	leastRate = 0.25 // of the written rate: where that does not help, starts have to be moved
)

// cells gives the cells of script time that an excess of current comes from.
func (r *retimer) cells(a attempt, e Excess) (i, j int) {
	i = r.index(a.perf.ScriptTime(math.Max(0, e.From-leadTime)))
	j = r.index(a.perf.ScriptTime(math.Min(a.perf.Length, e.To+leadTime/3)))
	return max(0, min(i, len(r.s)-2)), max(j, i+1)
}

// ease lowers the rate around an excess of current, and with its square what the
// motors may take; where that has not helped it gives up, and slows nothing down.
// A cell is eased once a round, by the worst excess, which comes first.
func (r *retimer) ease(share map[*sequence.Supply][]float64, eased map[*sequence.Supply][]bool, a attempt, e Excess) {
	i, j := r.cells(a, e)
	if r.hopeless(e.Supply, i, j) {
		return
	}
	list := share[e.Supply]
	if list == nil {
		list = make([]float64, len(r.s)-1)
		for k := range list {
			list[k] = 1
		}
		share[e.Supply] = list
	}
	if eased[e.Supply] == nil {
		eased[e.Supply] = make([]bool, len(list))
	}
	if r.eased[e.Supply] == nil {
		r.eased[e.Supply] = make([]easing, len(list))
	}
	least := 1.0
	for k := i; k < j; k++ {
		if eased[e.Supply][k] {
			continue
		}
		eased[e.Supply][k] = true
		list[k] = r.eased[e.Supply][k].next(list[k], e.Ratio)
		least = math.Min(least, list[k])
	}
	if least >= leastRate {
		return
	}
	for k := i; k < j; k++ {
		list[k] = 1
		r.lost[e.Supply][k] = true
	}
}

// easing is what a cell was eased for last.
type easing struct {
	rate, ratio float64
	stuck       int // how often that did not help
}

// next gives the rate to try after one at which the current was a ratio over its
// limit: where the line through this and the last one meets the limit, or less and
// less where there is no such line.
func (s *easing) next(rate, ratio float64) float64 {
	const most = 1.25
	factor := math.Max(1.03, math.Sqrt(ratio)*1.01)
	if s.rate > rate {
		if drop := s.ratio - ratio; drop > 0.1*(s.ratio-1) {
			to := rate - float64((ratio-1)*((s.rate-rate)/drop))
			factor = most
			if to > rate/most {
				factor = math.Max(1.02, 1.005*rate/to)
			}
		} else {
			s.stuck++
			factor = math.Max(factor, 1+float64(0.03*math.Ldexp(1, s.stuck)))
		}
	}
	s.rate, s.ratio = rate, ratio
	return rate / math.Min(most, factor)
}

// hopeless reports whether a supply has been given up in one of the cells from i
// to j.
func (r *retimer) hopeless(s *sequence.Supply, i, j int) bool {
	if r.lost[s] == nil {
		r.lost[s] = make([]bool, len(r.s)-1)
	}
	for k := i; k < j; k++ {
		if r.lost[s][k] {
			return true
		}
	}
	return false
}

func (r *retimer) finestFrame() float64 {
	f := 1.0 / defaultRate
	for _, b := range r.script.Rig.Boards {
		f = math.Min(f, b.Frame())
	}
	return f
}

// attempt makes a plan and certifies it.
func (r *retimer) attempt(t tight) (attempt, error) {
	if r.options.Stop != nil && r.options.Stop() {
		return attempt{}, ErrStopped
	}
	made, err := r.plan(t)
	if err != nil {
		return attempt{}, err
	}
	s := *r.script
	s.Pace = made.knots
	p, err := interp.Compile(&s)
	if err != nil {
		return attempt{}, err
	}
	a := attempt{plan: made, perf: p}
	if t.smooth != nil {
		// Most smoothed plans fail, and show it at a glance.
		if a.excess, a.breaches = r.examineAxes(p, true); len(a.breaches) > 0 {
			a.glance = true
			return a, nil
		}
	}
	a.excess, a.breaches = r.examine(p)
	return a, nil
}

// plainPace reports whether knots say nothing but "as written".
func plainPace(knots []sequence.Knot) bool {
	for _, k := range knots {
		if stretchedAt(k) {
			return false
		}
	}
	return true
}

func stretchedAt(k sequence.Knot) bool {
	return math.Abs(k.Rate-1) > 1e-9 || math.Abs(k.Time-k.Script) > 1e-9
}

// firstStretch gives the time up to which performance and script time are one.
func firstStretch(knots []sequence.Knot, length float64) float64 {
	for i, k := range knots {
		if stretchedAt(k) {
			return knots[max(0, i-1)].Time
		}
	}
	return length
}

// lock is a moment that keeps its time.
type lock struct {
	time float64
	at   sequence.Pos
}

// findLocks gives the locked marks, cues, keys and placements, ascending, with
// the start before them.
func findLocks(s *sequence.Script) []lock {
	var list []lock
	for _, m := range s.Marks {
		if m.Locked {
			list = append(list, lock{m.Time, m.At})
		}
	}
	for _, c := range s.Cues {
		if c.Locked {
			list = append(list, lock{c.Time, c.At})
		}
	}
	for _, p := range s.Places {
		if p.Locked {
			list = append(list, lock{p.Time, p.At})
		}
	}
	for _, t := range s.Merged {
		for _, k := range t.Keys {
			if k.Locked {
				list = append(list, lock{k.Time, k.At})
			}
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].time < list[j].time })
	out := []lock{{0, s.At}}
	for _, l := range list {
		if l.time > out[len(out)-1].time+leastLen && l.time <= s.Length {
			out = append(out, l)
		}
	}
	return out
}
