package nearest

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestKKT checks the Karush-Kuhn-Tucker conditions of the programme, with the
// rows written out, from nothing but the motion
// and the multipliers that the solver ends with.
func TestKKT(t *testing.T) {
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 8))
		p := rig(rng)
		p.Ref = script(rng, 20+rng.IntN(600))
		// In units of 128 degrees from 0, the size that the method is made for.
		l := p.limits().scaled(0, 128)
		for i := range p.Ref {
			p.Ref[i] /= 128
		}
		solver := newInterior(p.Ref, nil, l)
		if out := solver.run(solved, gentle); out.state != solved {
			t.Errorf("script %d: not solved in %d iterations", seed, out.iterations)
			continue
		}
		x := solver.x
		gradient := make([]float64, len(x))
		size := 0.0
		for i := range x {
			gradient[i] = x[i] - p.Ref[i]
			size += gradient[i] * gradient[i]
		}
		slackness := 0.0
		for _, b := range solver.blocks {
			stencil := [][]float64{{1}, {-1, 1}, {1, -2, 1}, {-1, 3, -3, 1}}[b.order]
			low, high := -l.step[b.order], l.step[b.order]
			if b.order == 0 {
				low, high = l.low, l.high
			}
			for i := range b.row {
				value := 0.0
				for j, c := range stencil {
					value += c * x[i+j]
				}
				// A multiplier of a row scaled to 1 is the row's own times its limit.
				up, down := b.up[i]*b.inv, b.down[i]*b.inv
				if up < 0 || down < 0 || value > high+1e-9*math.Abs(high) || value < low-1e-9*math.Abs(low) {
					t.Fatalf("script %d order %d row %d: %v in %v to %v, multipliers %v, %v", seed, b.order, i, value, low, high, up, down)
				}
				if up > 0 {
					slackness += up * (high - value)
				}
				if down > 0 {
					slackness += down * (value - low)
				}
				for j, c := range stencil {
					gradient[i+j] += c * (up - down)
				}
			}
		}
		rest := 0.0
		for _, g := range gradient {
			rest = max(rest, math.Abs(g))
		}
		if rest > 1e-8 {
			t.Errorf("script %d: the gradient of the Lagrangian is %g", seed, rest)
		}
		if math.Abs(slackness) > 1e-8*size/2+1e-13 {
			t.Errorf("script %d: complementary slackness is %g at objective %g", seed, slackness, size/2)
		}
	}
}
