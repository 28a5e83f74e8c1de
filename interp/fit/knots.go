package fit

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"limberjack/interp/ease"
)

// search looks for few knots of a spline of one kind. Knots are candidates: steps of
// the grid near points of the goal, or points themselves.
type search struct {
	goal  series
	o     Options
	cand  []float64
	steps []int64
	pos   []int // the first point of the goal at or after each candidate

	sides   [2]side
	work    float64 // the tolerance less what rounding needs
	local   leastSquares
	x       []float64 // knots of a trial
	knots   []int     // candidates that are knots
	v, m    []float64 // values and slopes there
	trialed []int
	settled map[int]bool // candidates that are knots and cannot be spared
	thinned []int        // the knots at the end of a search
	over    bool         // it was asked to stop
}

// stopped reports whether the work is to end; once it is, it stays so.
func (s *search) stopped() bool {
	s.over = s.over || s.o.Stop != nil && s.o.Stop()
	return s.over
}

func newSearch(goal series, o Options) *search {
	s := &search{goal: goal, o: o}
	n := len(goal.t)
	for i, t := range goal.t {
		k := o.keyAt(t, 0)
		switch i {
		case 0:
			k = o.keyAt(t, -1)
		case n - 1:
			k = o.keyAt(t, 1)
		}
		if m := len(s.cand); m > 0 && k.Time <= s.cand[m-1] {
			continue
		}
		s.cand, s.steps = append(s.cand, k.Time), append(s.steps, k.Step)
	}
	// The key at the end is after the last point, and those beside it are before.
	if last := o.keyAt(goal.t[n-1], 1); n > 1 {
		for m := len(s.cand); m > 1 && s.cand[m-1] >= goal.t[n-1]; m-- {
			s.cand, s.steps = s.cand[:m-1], s.steps[:m-1]
		}
		if last.Time > s.cand[len(s.cand)-1] {
			s.cand, s.steps = append(s.cand, last.Time), append(s.steps, last.Step)
		}
	}
	s.pos = make([]int, len(s.cand))
	for i, c := range s.cand {
		s.pos[i] = sort.SearchFloat64s(goal.t, c)
	}
	// Rounding values by half a step moves the curve by less than 0.8 of it nearly always.
	s.work = math.Max(0.4*o.Tolerance, o.Tolerance-float64(0.7*o.Round)) * (1 - 1e-9)
	return s
}

// keyAt gives a key at the step of the grid nearest to a time; for side -1 and 1 not
// after and not before it.
func (o Options) keyAt(t float64, side int) Key {
	g := o.Grid
	if !g.given() {
		return Key{Time: t}
	}
	n := int64(math.Round(t * float64(g.Num) / float64(g.Den)))
	for side < 0 && g.Seconds(n) > t {
		n--
	}
	for side > 0 && g.Seconds(n) < t {
		n++
	}
	return Key{Time: g.Seconds(n), Step: n}
}

// rounded gives the nearest multiple of the step for values.
func (o Options) rounded(v float64) float64 {
	if o.Round == 0 {
		return v
	}
	n := math.Round(v / o.Round)
	// A step such as 0.1 is no binary number, but 10 is: 3/10 is written 0.3 and
	// 3*0.1 is not.
	if per := math.Round(1 / o.Round); per >= 1 && math.Abs(float64(per*o.Round)-1) < 1e-12 {
		return n/per + 0
	}
	return float64(n*o.Round) + 0
}

// best gives the keys of the better of the two splines.
func (s *search) best() ([]Key, ease.Spline, error) {
	rest, err := s.run(ease.Cubic)
	if err == nil && len(rest) <= 3 {
		return rest, ease.Cubic, nil
	}
	open, err2 := s.run(ease.Natural)
	switch {
	case s.over:
		return nil, 0, ErrStopped
	case err2 != nil && err != nil:
		return nil, 0, err2
	case err2 != nil || err == nil && len(rest) <= len(open)+favour:
		return rest, ease.Cubic, nil
	}
	return open, ease.Natural, nil
}

// favour is how many keys more cubic may take: it begins and ends at rest, where natural
// has a jump of speed that a check will find. At an end that is in full motion cubic
// needs two to three more.
const favour = 2

// run searches with one kind. The splines differ at their ends only: where another has
// been searched with, its knots are begun with.
func (s *search) run(kind ease.Spline) ([]Key, error) {
	s.sides = [2]side{{end: free}, {end: free}}
	if kind == ease.Cubic {
		s.sides = [2]side{{end: resting}, {end: resting}}
	}
	last := len(s.cand) - 1
	if last == 0 {
		return []Key{{s.cand[0], s.steps[0], s.o.rounded(s.goal.y[0])}}, nil
	}
	if len(s.thinned) == 0 {
		s.knots, s.settled = append(s.knots[:0], 0, last), map[int]bool{}
		for !s.stopped() && s.split(s.work) {
		}
	} else {
		s.knots = append(s.knots[:0], s.thinned...)
		s.unsettle(0, min(2*reach, len(s.knots)-1))
		s.unsettle(max(0, len(s.knots)-1-2*reach), len(s.knots)-1)
	}
	for range mostRounds {
		if s.stopped() || !s.thin() {
			break
		}
	}
	s.thinned = append(s.thinned[:0], s.knots...)
	return s.certified(kind)
}

// unsettle makes thin look anew at knots from one to another.
func (s *search) unsettle(from, to int) {
	for _, k := range s.knots[from : to+1] {
		delete(s.settled, k)
	}
}

// mostRounds bounds how often all knots are gone through. Each round takes some out;
// few are left to take after three.
const mostRounds = 6

// refit fits the whole goal with the knots as they are. It reports whether the points
// decide the curve.
func (s *search) refit() bool {
	s.x = s.x[:0]
	for _, k := range s.knots {
		s.x = append(s.x, s.cand[k])
	}
	s.v, s.m = grown(s.v, len(s.knots)), grown(s.m, len(s.knots))
	if !s.local.fit(s.x, s.goal.t, s.goal.y, s.sides[0], s.sides[1]) {
		s.interpolate()
		return false
	}
	for i := range s.knots {
		s.v[i], s.m[i] = s.local.value(i)
	}
	return true
}

// interpolate takes values from the goal itself, where points are too few for least
// squares.
func (s *search) interpolate() {
	t, y := s.goal.t, s.goal.y
	for i, k := range s.knots {
		at, c := s.pos[k], s.cand[k]
		s.m[i] = 0
		switch {
		case at == 0:
			s.v[i] = y[0]
		case at == len(t):
			s.v[i] = y[len(y)-1]
		default:
			s.v[i] = y[at-1] + float64((y[at]-y[at-1])*((c-t[at-1])/(t[at]-t[at-1])))
		}
	}
}

// split puts a knot into the middle of each segment whose error is over a bound, and
// reports whether it put any.
func (s *search) split(bound float64) bool {
	if !s.refit() {
		return false // there are as many knots as points: certified goes on
	}
	s.local.worst(s.goal.y)
	var more []int
	for i := range len(s.knots) - 1 {
		more = append(more, s.knots[i])
		if s.local.errs[i] <= bound {
			continue
		}
		if mid, ok := s.middle(s.knots[i], s.knots[i+1]); ok {
			more = append(more, mid)
		}
	}
	more = append(more, s.knots[len(s.knots)-1])
	put := len(more) > len(s.knots)
	s.knots = more
	return put
}

// middle gives the candidate nearest to the middle in time of two others.
func (s *search) middle(a, b int) (int, bool) {
	if b-a < 2 {
		return 0, false
	}
	return s.near((s.cand[a]+s.cand[b])/2, a, b), true
}

// near gives the candidate between a and b nearest to a time.
func (s *search) near(t float64, a, b int) int {
	i := a + sort.SearchFloat64s(s.cand[a:b+1], t)
	if i > a && i <= b && t-s.cand[i-1] < s.cand[min(i, b)]-t {
		i--
	}
	return max(a+1, min(b-1, i))
}

// reach is how many knots to each side a window has. What a knot does to a spline fades
// by more than three from one to the next (the root of the spline's recurrence is
// 2 - sqrt 3), so that what is beyond 2 %.
const reach = 3

// trial fits a window of the curve, where knots are to be in the place of those from
// a+1 to b-1, and gives the greatest error. The curve at a and b, and beyond, stays.
func (s *search) trial(a, b int, inner []int) float64 {
	s.x = append(s.x[:0], s.cand[s.knots[a]])
	for _, k := range inner {
		s.x = append(s.x, s.cand[k])
	}
	s.x = append(s.x, s.cand[s.knots[b]])
	from, to := side{pinned, s.v[a], s.m[a]}, side{pinned, s.v[b], s.m[b]}
	i, j := s.pos[s.knots[a]], s.pos[s.knots[b]]
	if a == 0 {
		from = s.sides[0]
	}
	if b == len(s.knots)-1 {
		to, j = s.sides[1], len(s.goal.t)
	}
	t, y := s.goal.t[i:j], s.goal.y[i:j]
	if !s.local.fit(s.x, t, y, from, to) {
		return math.Inf(1)
	}
	return s.local.worst(y)
}

// accept puts the window of the last trial into the curve.
func (s *search) accept(a, b int, inner []int) {
	var v, m []float64
	from, to := a+1, b
	list := append([]int(nil), inner...)
	if a == 0 {
		from, list = a, append([]int{s.knots[a]}, list...)
	}
	if b == len(s.knots)-1 {
		to, list = b+1, append(list, s.knots[b])
	}
	for i := range list {
		k := i + 1
		if a == 0 {
			k = i
		}
		value, slope := s.local.value(k)
		v, m = append(v, value), append(m, slope)
	}
	s.knots = slices.Replace(s.knots, from, to, list...)
	s.v = slices.Replace(s.v, from, to, v...)
	s.m = slices.Replace(s.m, from, to, m...)
}

// window gives a knot's window and the knots inside it without that knot.
func (s *search) window(i int) (a, b int, rest []int) {
	a, b = max(0, i-reach), min(len(s.knots)-1, i+reach)
	s.trialed = append(s.trialed[:0], s.knots[a+1:i]...)
	s.trialed = append(s.trialed, s.knots[i+1:b]...)
	return a, b, s.trialed
}

// thin goes through the knots, the least needed first, and takes out those that can be
// spared, moving their neighbours where that helps. It reports whether it took any.
func (s *search) thin() bool {
	s.refit()
	type need struct {
		knot int
		err  float64
	}
	var needs []need
	for i := 1; i+1 < len(s.knots); i++ {
		if s.stopped() {
			return false
		}
		if s.settled[s.knots[i]] {
			continue
		}
		a, b, rest := s.window(i)
		e := s.trial(a, b, rest)
		needs = append(needs, need{s.knots[i], e})
	}
	slices.SortStableFunc(needs, func(p, q need) int { return cmp.Compare(p.err, q.err) })
	took := false
	for _, n := range needs {
		if s.stopped() {
			return false
		}
		i, ok := slices.BinarySearch(s.knots, n.knot)
		if !ok || i == 0 || i == len(s.knots)-1 {
			continue // it has been moved
		}
		took = s.spare(i) || took
	}
	return took
}

// spare takes a knot out if the tolerance allows it.
func (s *search) spare(i int) bool {
	a, b, rest := s.window(i)
	e := s.trial(a, b, rest)
	if e > s.work && s.hopeful() {
		e = s.balance(a, b, rest, i-a-1, e)
	}
	if e > s.work {
		s.settled[s.knots[i]] = true
		return false
	}
	s.trial(a, b, rest)
	s.accept(a, b, rest)
	s.unsettle(max(0, a-reach), min(len(s.knots)-1, b-1+reach))
	return true
}

// hopeful reports whether moving the knots of the last trial might keep the tolerance.
// The error of a cubic goes with the fourth power of a segment's width: the fourth root
// of an error is the share of its width that a segment may keep, and all shares
// together have to leave room.
func (s *search) hopeful() bool {
	sum := 0.0
	for _, e := range s.local.errs {
		sum += math.Sqrt(math.Sqrt(e / s.work))
	}
	return sum <= 1.05*float64(len(s.local.errs))
}

// balance moves the knots beside the place of one that was taken out, at index at of
// the window's, to where the greatest error is least. It changes inner, and stops when
// the tolerance is kept.
func (s *search) balance(a, b int, inner []int, at int, e float64) float64 {
	for share := 0.3; share > 0.05; share /= 2 {
		for _, j := range [...]int{at - 1, at, at - 2, at + 1} {
			if j < 0 || j >= len(inner) {
				continue
			}
			if e = s.shift(a, b, inner, j, share, e); e <= s.work {
				return e
			}
		}
	}
	return e
}

// shift tries one knot of a window at places to both sides, a share of the way to its
// neighbours.
func (s *search) shift(a, b int, inner []int, j int, share, e float64) float64 {
	low, high := s.knots[a], s.knots[b]
	if j > 0 {
		low = inner[j-1]
	}
	if j+1 < len(inner) {
		high = inner[j+1]
	}
	for range 3 {
		was, moved := inner[j], false
		for _, to := range [...]int{low, high} {
			if high-low < 2 {
				continue
			}
			k := s.near(s.cand[was]+float64(share*(s.cand[to]-s.cand[was])), low, high)
			if k == was {
				continue
			}
			inner[j] = k
			if now := s.trial(a, b, inner); now < e {
				e, moved = now, true
				break
			}
			inner[j] = was
		}
		if !moved {
			break
		}
	}
	return e
}

// certified rounds values and holds the curve of the keys against the goal. Where it is
// not within the tolerance, values are tried a step up and down and knots put in.
func (s *search) certified(kind ease.Spline) ([]Key, error) {
	at := make([]float64, len(s.goal.t))
	least := math.Inf(1)
	for {
		if s.stopped() {
			return nil, ErrStopped
		}
		s.refit()
		t, y := make([]float64, len(s.knots)), make([]float64, len(s.knots))
		for i, k := range s.knots {
			t[i], y[i] = s.cand[k], s.o.rounded(s.v[i])
		}
		errs, worst := s.errors(newCurve(kind, t, y), at)
		if worst > s.o.Tolerance && s.o.Round > 0 {
			errs, worst = s.nudge(kind, t, y, at, errs, worst)
		}
		if worst <= s.o.Tolerance {
			return s.keys(y), nil
		}
		least = math.Min(least, worst)
		if !s.mend(errs) {
			return nil, &CoarseError{s.o.Tolerance, least}
		}
	}
}

func (s *search) keys(y []float64) []Key {
	keys := make([]Key, len(s.knots))
	for i, k := range s.knots {
		keys[i] = Key{s.cand[k], s.steps[k], y[i]}
	}
	return keys
}

// errors gives the greatest error in each segment, and of all.
func (s *search) errors(c *curve, at []float64) (errs []float64, worst float64) {
	c.values(at, s.goal.t)
	errs = make([]float64, max(1, len(s.knots)-1))
	seg := 0
	for i, v := range at {
		for seg < len(errs)-1 && s.pos[s.knots[seg+1]] <= i {
			seg++
		}
		e := math.Abs(v - s.goal.y[i])
		if !(e <= errs[seg]) {
			errs[seg] = e
		}
		worst = math.Max(worst, e)
	}
	return errs, worst
}

// nudge tries the values about each segment that is off one step up and down.
func (s *search) nudge(kind ease.Spline, t, y, at, errs []float64, worst float64) ([]float64, float64) {
	tries := 0
	for i := range errs {
		if errs[i] <= s.o.Tolerance {
			continue
		}
		for _, j := range [...]int{i, i + 1, i - 1, i + 2} {
			if j < 0 || j >= len(y) {
				continue
			}
			for _, by := range [...]float64{1, -1} {
				if tries++; tries > mostNudges {
					return errs, worst
				}
				was := y[j]
				y[j] = s.o.rounded(was + float64(by*s.o.Round))
				now, w := s.errors(newCurve(kind, t, y), at)
				if over(now, s.o.Tolerance) < over(errs, s.o.Tolerance) {
					errs, worst = now, w
				} else {
					y[j] = was
				}
			}
		}
	}
	return errs, worst
}

// mostNudges bounds the tries, each of which evaluates the whole take.
const mostNudges = 64

// over adds up by how much errors are over a bound.
func over(errs []float64, bound float64) float64 {
	sum := 0.0
	for _, e := range errs {
		sum += math.Max(0, e-bound)
	}
	return sum
}

// mend puts a knot into each segment that is off, or where none goes in, into the
// nearest one that has room. It reports whether it put any.
func (s *search) mend(errs []float64) bool {
	put := map[int]bool{}
	for i, e := range errs {
		if e <= s.o.Tolerance {
			continue
		}
		for d := 0; d < len(errs); d++ {
			mid, ok := 0, false
			for _, j := range [...]int{i - d, i + d} {
				if j >= 0 && j < len(errs) && !ok {
					mid, ok = s.middle(s.knots[j], s.knots[j+1])
				}
			}
			if ok {
				put[mid] = true
				break
			}
			if d > reach {
				break
			}
		}
	}
	if len(put) == 0 {
		return false
	}
	for k := range put {
		s.knots = append(s.knots, k)
	}
	slices.Sort(s.knots)
	s.knots = slices.Compact(s.knots)
	return true
}
