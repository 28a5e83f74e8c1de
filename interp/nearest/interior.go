package nearest

import "math"

type state uint8

const (
	stuck    state = iota // no point within all bounds, or none to be found in these numbers
	feasible              // a point within all bounds
	solved                // the best of them
)

// outcome is how a run ended.
type outcome struct {
	state      state
	iterations int
	gap        float64 // the objective is above the least one by at most this
}

const (
	wanted        = 1e-10 // gap at which a run ends, relative to the objective
	accepted      = 1e-8  // gap at which a run that gets no better is good
	insignificant = 1e-17 // gap that is nothing, in squares of the script's range
	met           = 1e-11 // primal residual taken for none
	nearly        = 3e-10 // primal residual of a run that gets no better, still good
	longest       = 120   // iterations
	patience      = 20    // iterations in which the primal residual must halve
)

// interior is the state of a primal-dual interior point method with Mehrotra's
// predictor and corrector (S. Mehrotra, SIAM J. Optimization 2, 1992; J. Nocedal
// and S. Wright, Numerical Optimization, 2nd edition, algorithm 16.4). Slacks and
// multipliers are eliminated, which leaves the normal equations of the motion, a
// matrix of half-bandwidth 3. All arrays are made once.
type interior struct {
	ref, free, x, turn []float64 // script; 1, or 0 where x is fixed; motion; direction
	blocks             []*block
	bands              bands
	weight, pull       [4][]float64 // of the blocks by order
	sides              float64      // number of slacks
	blocked            bool         // the hits break a limit between themselves
	product, residual  float64      // sum of slack times multiplier; largest primal residual
}

func newInterior(ref []float64, hits []int, l limits) *interior {
	n := len(ref)
	all := make([]float64, 3*n)
	p := &interior{ref: ref, free: all[:n:n], x: all[n : 2*n : 2*n], turn: all[2*n:], bands: newBands(n)}
	for i := range p.free {
		p.free[i] = 1
	}
	for _, h := range hits {
		p.free[h] = 0
	}
	copy(p.x, ref)
	none := make([]float64, n+pad)
	for k := range p.weight {
		low, high := -l.step[k], l.step[k]
		if k == 0 {
			low, high = l.low, l.high
		}
		p.weight[k], p.pull[k] = none, none
		if n <= k || math.IsInf(low, -1) && math.IsInf(high, 1) {
			continue
		}
		b := newBlock(k, n, low, high)
		p.blocked = !b.settle(p.free, ref) || p.blocked
		p.blocks = append(p.blocks, b)
		p.weight[k], p.pull[k] = b.weight, b.pull
		p.sides += b.sides()
	}
	return p
}

// run iterates from springs of at most the stiffness given to the goal, or until
// it makes no headway.
func (p *interior) run(goal state, stiffest float64) outcome {
	var out outcome
	if p.blocked {
		return out
	}
	p.start(stiffest)
	p.measure()
	best, mark, since := math.Inf(1), p.residual, 0
	for ; out.iterations < longest; out.iterations++ {
		if p.residual <= met {
			if p.judge(&out, goal, wanted) || p.product >= best && p.judge(&out, goal, accepted) {
				return out
			}
			best = min(best, p.product)
		} else if since++; p.residual < mark/2 {
			mark, since = p.residual, 0
		} else if since > patience {
			break
		}
		if !p.iterate() {
			break
		}
	}
	for _, b := range p.blocks {
		b.close()
	}
	out.state = stuck
	if p.measure(); p.residual <= nearly && !math.IsNaN(p.product) && !p.judge(&out, goal, accepted) {
		out.gap = p.product + p.slope()
	}
	return out
}

// judge completes the outcome at a point within all bounds and reports whether
// the goal is reached, to the part of the objective given.
func (p *interior) judge(out *outcome, goal state, tolerance float64) bool {
	out.state, out.gap = feasible, math.Inf(1)
	if goal == feasible {
		return true
	}
	enough := float64(tolerance*p.objective()) + insignificant
	if p.product <= enough {
		out.gap = p.product + p.slope()
	}
	if out.gap <= enough {
		out.state = solved
	}
	return out.state == goal
}

// Stiffness of the springs at the start, in squares of the script's range: where
// it begins, the factor by which it grows, and where it ends at the latest.
// Gentle springs leave fewer iterations; firm ones start nearer to the bounds,
// which is safer when hits leave little room between them. Where every limit is
// far below the range, forces are too, and the springs begin softer.
const (
	softest = 1e-3
	stiffen = 10
	gentle  = 0.1
	firm    = 10
)

// start chooses the first point, which decides between a dozen iterations and
// failure. It lets springs draw the rows to the middle between their bounds,
// stiffer and stiffer until all rows are within, or to the stiffest: the forces
// are multipliers for which the dual residual is zero, of the size that the
// optimum's will have.
func (p *interior) start(stiffest float64) {
	theta := p.softest()
	for p.relax(theta) > 1 && theta < stiffest {
		theta *= stiffen
	}
	for _, b := range p.blocks {
		b.open(theta)
	}
}

func (p *interior) softest() float64 {
	loosest := math.Inf(1)
	for _, b := range p.blocks {
		if b.order > 0 {
			loosest = min(loosest, b.inv)
		}
	}
	if math.IsInf(loosest, 1) {
		return softest
	}
	return min(softest, 1/loosest)
}

// relax moves x to where springs of that stiffness come to rest and returns how
// far a row is then from the middle of its bounds, at most.
func (p *interior) relax(stiffness float64) float64 {
	for _, b := range p.blocks {
		b.difference(b.row, p.x, b.mid)
		b.spring(stiffness)
	}
	p.bands.factorise(p.free, p.weight)
	p.descend()
	p.walk(1)
	worst := 0.0
	for _, b := range p.blocks {
		b.difference(b.row, p.x, b.mid)
		worst = max(worst, b.furthest())
	}
	return worst
}

// walk moves x along the direction.
func (p *interior) walk(step float64) {
	for i, t := range p.turn {
		p.x[i] += float64(step * t)
	}
}

// measure brings the rows, weights and uncentred pulls up to date with x.
func (p *interior) measure() {
	p.product, p.residual = 0, 0
	for _, b := range p.blocks {
		b.difference(b.row, p.x, b.mid)
		product, residual := b.predict()
		p.product += product
		p.residual = max(p.residual, residual)
	}
}

// descend solves for the direction that the blocks' pulls ask for.
func (p *interior) descend() {
	gradient(p.turn, p.free, p.ref, p.x, p.pull)
	p.bands.solve(p.turn)
	for _, b := range p.blocks {
		b.difference(b.turn, p.turn, 0)
	}
}

const (
	boundary = 0.995 // part of the way to the boundary that a step goes
	closest  = 1e-4  // least the prediction may promise: the product falls to this part
)

// iterate takes one step; false when rounding leaves no direction to go.
func (p *interior) iterate() bool {
	p.bands.factorise(p.free, p.weight)
	p.descend()
	step, second := 1.0, 0.0
	for _, b := range p.blocks {
		s, c := b.aim()
		step = min(step, s)
		second += c
	}
	ahead := (float64((1-step)*p.product) + float64(float64(step*step)*second)) / p.product
	ahead = max(closest, ahead)
	centre := float64(ahead*ahead) * ahead * p.product / p.sides
	for _, b := range p.blocks {
		b.correct(centre)
	}
	p.descend()
	// What is not a number spreads to the first frame, the last to be solved for.
	if t := p.turn[0]; math.IsNaN(t) || math.IsInf(t, 0) {
		return false
	}
	step = 2
	for _, b := range p.blocks {
		step = min(step, b.direct())
	}
	step = min(1, float64(step*boundary))
	for _, b := range p.blocks {
		b.move(step)
	}
	p.walk(step)
	p.measure()
	return true
}

// objective is half the sum of squares at x.
func (p *interior) objective() float64 {
	sum := 0.0
	for i, x := range p.x {
		d := x - p.ref[i]
		sum += float64(d * d)
	}
	return sum / 2
}

// slope is half the squared norm of the Lagrangian's gradient at x, by which
// the product understates the gap: the objective's curvature is 1. It costs the
// uncentred pulls, which it restores.
func (p *interior) slope() float64 {
	for _, b := range p.blocks {
		b.force()
	}
	gradient(p.turn, p.free, p.ref, p.x, p.pull)
	sum := 0.0
	for _, g := range p.turn {
		sum += float64(g * g)
	}
	for _, b := range p.blocks {
		b.predict()
	}
	return sum / 2
}
