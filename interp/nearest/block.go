package nearest

import "math"

// block is one family of constraints, a forward difference of one order kept
// between two bounds, scaled so that the bounds are -1 and 1:
//
//	row = (D x - mid) * inv,  row + above = 1,  -row + below = 1
//
// with slacks above, below > 0 and their multipliers up, down > 0. A bound
// that is absent keeps slack 1 and multiplier 0.
type block struct {
	order                  int
	mid, inv               float64
	soft                   float64 // how far a multiplier of 1 softens its bound within an iteration
	noise                  float64 // rounding error of a row
	hasUpper, hasLower     float64 // 1, or 0 for no bound on that side
	above, below, up, down []float64
	row, turn              []float64 // D x and the present direction's D dx, scaled
	first, second          []float64 // second-order terms of the prediction, then the directions of up and down
	weight, pull           []float64 // what the block adds to the matrix and the gradient, padded
	settled                []int     // rows that the hits alone decide: they constrain nothing
}

func newBlock(order, n int, low, high float64) *block {
	b := &block{order: order, inv: 1, hasUpper: 1, hasLower: 1}
	switch {
	case math.IsInf(low, -1):
		b.mid, b.hasLower = high-1, 0
	case math.IsInf(high, 1):
		b.mid, b.hasUpper = low+1, 0
	default:
		b.mid, b.inv = low+float64((high-low)/2), 2/(high-low)
	}
	b.noise = float64(rounding(order, 1) * b.inv)
	b.soft = float64(softness * float64(b.inv*b.inv))
	m := n - order
	all := make([]float64, 8*m+2*(n+pad))
	for _, s := range []*[]float64{&b.above, &b.below, &b.up, &b.down, &b.row, &b.turn, &b.first, &b.second} {
		*s, all = all[:m:m], all[m:]
	}
	b.weight, b.pull = all[:n+pad:n+pad], all[n+pad:]
	return b
}

// softness is the inverse of the largest weight. Weights grow without bound
// towards the end, and beyond about 1/epsilon their rounding would swamp the
// identity that the script puts on the diagonal. Letting a bound give by soft
// times the change of its multiplier (a proximal term; M. Friedlander and
// D. Orban, Mathematical Programming Computation 4, 2012) bounds them, and
// changes nothing where the iteration comes to rest.
const softness = 1e-14

func (b *block) sides() float64 {
	return float64(float64(len(b.row)) * (b.hasUpper + b.hasLower))
}

// difference sets out to the block's rows of x, less mid.
func (b *block) difference(out, x []float64, mid float64) {
	m, inv := len(out), b.inv
	switch b.order {
	case 0:
		for i, v := range x[:m] {
			out[i] = float64((v - mid) * inv)
		}
	case 1:
		for i, v := range x[1:][:m] {
			out[i] = float64((v - x[i]) * inv)
		}
	case 2:
		speed := x[1] - x[0]
		for i, v := range x[2:][:m] {
			next := v - x[i+1]
			out[i] = float64((next - speed) * inv)
			speed = next
		}
	case 3:
		speed := x[2] - x[1]
		bend := speed - (x[1] - x[0])
		for i, v := range x[3:][:m] {
			s := v - x[i+2]
			c := s - speed
			out[i] = float64((c - bend) * inv)
			speed, bend = s, c
		}
	}
	for _, i := range b.settled {
		out[i] = 0
	}
}

// settle finds the rows between fixed frames only and reports whether x, which
// is the script, keeps them within their bounds. Where it does they constrain
// nothing more.
func (b *block) settle(free, x []float64) (within bool) {
	b.difference(b.row, x, b.mid)
	within = true
	for i, r := range b.row {
		sum := 0.0
		for _, f := range free[i : i+b.order+1] {
			sum += f
		}
		if sum == 0 {
			b.settled = append(b.settled, i)
			slack := 1 + Grace + b.noise
			within = within && float64(r*b.hasUpper) <= slack && float64(-r*b.hasLower) <= slack
		}
	}
	return within
}

// twoSided reports whether the block has both bounds.
func (b *block) twoSided() bool { return b.hasUpper+b.hasLower == 2 }

// spring sets weights and pulls to those of springs between the rows and the
// middle of their bounds; a single bound has none.
func (b *block) spring(stiffness float64) {
	pull := b.pull[pad:]
	weight := b.weight[pad:]
	if !b.twoSided() {
		stiffness = 0
	}
	w := float64(stiffness*b.inv) * b.inv
	for i, r := range b.row {
		weight[i], pull[i] = w, float64(float64(stiffness*r)*b.inv)
	}
}

// furthest is how far a row is from the middle of its two bounds, at most.
func (b *block) furthest() float64 {
	worst := 0.0
	if b.twoSided() {
		for _, r := range b.row {
			worst = max(worst, math.Abs(r))
		}
	}
	return worst
}

const ajar = 0.1 // least slack and, in parts of the springs' stiffness, multiplier at the start

// open sets slacks and multipliers from the rows and the forces of springs.
func (b *block) open(stiffness float64) {
	force := stiffness
	if !b.twoSided() {
		force = 0
	}
	rest := float64(ajar * stiffness)
	for i, r := range b.row {
		f := float64(force * r)
		b.above[i], b.up[i] = max(1-r, ajar), max(f, 0)+rest
		b.below[i], b.down[i] = max(1+r, ajar), max(-f, 0)+rest
		if b.hasUpper == 0 {
			b.above[i], b.up[i] = 1, 0
		}
		if b.hasLower == 0 {
			b.below[i], b.down[i] = 1, 0
		}
	}
}

// close sets the slacks to what the rows leave, for a last measure of a run
// whose slacks do not come to agree with its rows.
func (b *block) close() {
	for i, r := range b.row {
		if b.hasUpper == 1 {
			b.above[i] = max(tight, 1-r)
		}
		if b.hasLower == 1 {
			b.below[i] = max(tight, 1+r)
		}
	}
}

// force sets the pull to the multipliers' own.
func (b *block) force() {
	pull, down := b.pull[pad:], b.down[:len(b.up)]
	for i, u := range b.up {
		pull[i] = float64((u - down[i]) * b.inv)
	}
}

// predict sets the weights and the pull towards the bounds without centring,
// and returns the sum of slack times multiplier and the largest residual.
func (b *block) predict() (product, residual float64) {
	m := len(b.row)
	above, below, up, down := b.above[:m], b.below[:m], b.up[:m], b.down[:m]
	weight, pull := b.weight[pad:][:m], b.pull[pad:][:m]
	inv2, soft := float64(b.inv*b.inv), b.soft
	for i, r := range b.row {
		s, t := above[i], below[i]
		over, under := float64(b.hasUpper*((r+s)-1)), float64(b.hasLower*((t-r)-1))
		u, d := up[i], down[i]
		product += float64(s*u) + float64(t*d)
		if a := math.Abs(over); a > residual {
			residual = a
		}
		if a := math.Abs(under); a > residual {
			residual = a
		}
		su, sd := float64(soft*u), float64(soft*d)
		ws, wt := u/(s+su), d/(t+sd)
		weight[i] = float64((ws + wt) * inv2)
		pull[i] = float64((float64(ws*(over+su)) - float64(wt*(under+sd))) * b.inv)
	}
	return product, max(0, residual-b.noise)
}

// aim measures the predicted direction: the longest step that keeps slacks and
// multipliers positive (at most 1), and the sum of the products of their
// directions, which it keeps for correct.
func (b *block) aim() (step, second float64) {
	m := len(b.row)
	above, below, up, down := b.above[:m], b.below[:m], b.up[:m], b.down[:m]
	row, pu, pd := b.row[:m], b.first[:m], b.second[:m]
	step = 1
	soft := b.soft
	for i, t := range b.turn {
		s, r, u, d := above[i], row[i], up[i], down[i]
		v := below[i]
		su, sd := float64(soft*u), float64(soft*d)
		over, under := float64(b.hasUpper*((r+s)-1+t))+su, float64(b.hasLower*((v-r)-1-t))+sd
		du, dd := float64(u*over)/(s+su)-u, float64(d*under)/(v+sd)-d
		ds, dv := su+float64(soft*du)-over, sd+float64(soft*dd)-under
		step = shorter(shorter(shorter(shorter(step, s, ds), v, dv), u, du), d, dd)
		pu[i], pd[i] = float64(ds*du), float64(dv*dd)
		second += pu[i] + pd[i]
	}
	return step, second
}

// shorter is the step, or less if value would pass zero with it.
func shorter(step, value, direction float64) float64 {
	if value+float64(step*direction) < 0 {
		return -value / direction
	}
	return step
}

// correct sets the pull for the centred and corrected direction.
func (b *block) correct(centre float64) {
	m := len(b.row)
	above, below, up, down := b.above[:m], b.below[:m], b.up[:m], b.down[:m]
	pu, pd, pull := b.first[:m], b.second[:m], b.pull[pad:][:m]
	cu, cd := float64(b.hasUpper*centre), float64(b.hasLower*centre)
	soft := b.soft
	for i, r := range b.row {
		s, t := above[i], below[i]
		u, d := up[i], down[i]
		su, sd := float64(soft*u), float64(soft*d)
		over, under := float64(b.hasUpper*((r+s)-1))+su, float64(b.hasLower*((t-r)-1))+sd
		pu[i], pd[i] = cu-pu[i], cd-pd[i]
		pull[i] = float64(((pu[i]+float64(u*over))/(s+su) - (pd[i]+float64(d*under))/(t+sd)) * b.inv)
	}
}

// direct turns the targets left by correct into the directions of the
// multipliers and returns the longest step, as aim does but without a limit of 1.
func (b *block) direct() (step float64) {
	m := len(b.row)
	above, below, up, down := b.above[:m], b.below[:m], b.up[:m], b.down[:m]
	row, pu, pd := b.row[:m], b.first[:m], b.second[:m]
	step = 2
	soft := b.soft
	for i, t := range b.turn {
		s, r, u, d := above[i], row[i], up[i], down[i]
		v := below[i]
		su, sd := float64(soft*u), float64(soft*d)
		over, under := float64(b.hasUpper*((r+s)-1+t))+su, float64(b.hasLower*((v-r)-1-t))+sd
		du, dd := (pu[i]+float64(u*over))/(s+su)-u, (pd[i]+float64(d*under))/(v+sd)-d
		ds, dv := su+float64(soft*du)-over, sd+float64(soft*dd)-under
		step = shorter(shorter(shorter(shorter(step, s, ds), v, dv), u, du), d, dd)
		pu[i], pd[i] = du, dd
	}
	return step
}

// tight is the smallest slack. The rows themselves are known no better.
const tight = 1e-15

// move goes along the direction.
func (b *block) move(step float64) {
	m := len(b.row)
	above, below, up, down := b.above[:m], b.below[:m], b.up[:m], b.down[:m]
	row, pu, pd, soft := b.row[:m], b.first[:m], b.second[:m], b.soft
	for i, t := range b.turn {
		s, v, r := above[i], below[i], row[i]
		ds := float64(soft*pu[i]) - float64(b.hasUpper*((r+s)-1+t))
		dv := float64(soft*pd[i]) - float64(b.hasLower*((v-r)-1-t))
		if s += float64(step * ds); s < tight {
			s = tight
		}
		if v += float64(step * dv); v < tight {
			v = tight
		}
		above[i], below[i] = s, v
		up[i] += float64(step * pu[i])
		down[i] += float64(step * pd[i])
	}
}
