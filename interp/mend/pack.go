package mend

import (
	"math"

	"limberjack/interp"
	"limberjack/sequence"
)

// packer chooses delays on a grid of slots by adding up currents.
type packer struct {
	rails  []packRail
	pulses [][]pulse // of each bundle
	steps  []int     // slots of a delay's step, a bundle
	most   []int     // slots
	slots  []int     // chosen
	delays []float64 // the same in s
	barred []bool    // stay where they are
	margin float64   // share by which the limits are lowered
}

// packRail is a supply.
type packRail struct {
	limit float64
	rest  []float64 // A by slot, without the moves that can be put off
	now   []float64 // with all moves where they are
}

// pulse is what a bundle's moves draw from a supply beyond rest, from a slot on.
type pulse struct {
	rail, from int
	amps       []float64
}

// newPacker takes the currents of a performance in script time apart.
func newPacker(p *interp.Performance, bundles []*bundle, currents func(*interp.Performance, float64) [][]float64) *packer {
	axes := currents(p, slotTime)
	k := &packer{pulses: make([][]pulse, len(bundles)), slots: make([]int, len(bundles)), delays: make([]float64, len(bundles)), barred: make([]bool, len(bundles))}
	railOf := map[*sequence.Supply]int{}
	longest := 0
	for i, a := range p.Axes {
		s := a.Spec.Supply
		if s == nil || !s.Limit.Given() || s.Limit.V <= 0 {
			continue
		}
		if _, ok := railOf[s]; !ok {
			railOf[s] = len(k.rails)
			k.rails = append(k.rails, packRail{limit: s.Limit.V})
		}
		longest = max(longest, len(axes[i]))
	}
	most := 0
	for _, g := range bundles {
		step := max(1, int(math.Round(g.step/slotTime)))
		k.steps = append(k.steps, step)
		k.most = append(k.most, int(math.Floor(g.most/g.step+1e-6))*step)
		most = max(most, k.most[len(k.most)-1])
	}
	for r := range k.rails {
		k.rails[r].rest = make([]float64, longest+most)
	}
	for i, a := range p.Axes {
		r, ok := railOf[a.Spec.Supply]
		if !ok {
			continue
		}
		rest := append([]float64(nil), axes[i]...)
		for g, list := range bundles {
			for _, w := range windowsOf(a, list, p) {
				k.cut(g, r, rest, axes[i], w)
			}
		}
		for n := range k.rails[r].rest {
			k.rails[r].rest[n] += rest[min(n, len(rest)-1)]
		}
	}
	return k
}

// cut takes what a window of an axis draws beyond its rest out of the base.
func (k *packer) cut(g, rail int, rest, amps []float64, w [2]float64) {
	from, to := int(w[0]/slotTime), min(len(amps), int(math.Ceil(w[1]/slotTime)))
	if from >= to {
		return
	}
	idle := amps[max(0, from-1)]
	for n := from; n < to; n++ {
		idle = math.Min(idle, amps[n])
	}
	u := pulse{rail: rail, from: from}
	for n := from; n < to; n++ {
		u.amps = append(u.amps, math.Max(0, rest[n]-idle))
		rest[n] = math.Min(rest[n], idle)
	}
	k.pulses[g] = append(k.pulses[g], u)
}

// settleTime is how long a drive may still draw current after its move.
const settleTime = 0.25 // s

// windowsOf gives the spans in which an axis does what a bundle makes it do.
func windowsOf(a *interp.Axis, g *bundle, p *interp.Performance) [][2]float64 {
	var out [][2]float64
	for _, u := range g.units {
		for _, s := range u.keys {
			tr := p.Script.Merged[s.track]
			if s.key == 0 {
				continue
			}
			from, to := tr.Keys[s.key-1].Time, tr.Keys[s.key].Time
			if !a.FedBy(tr, from, to) {
				continue
			}
			end := to + settleTime
			if next := s.key + 1; next < len(tr.Keys) {
				if tr.Keys[next].Value != tr.Keys[s.key].Value {
					end = to
				}
				end = math.Min(end, tr.Keys[next].Time)
			}
			if n := len(out); n > 0 && out[n-1][1] >= from && out[n-1][0] <= from {
				out[n-1][1] = math.Max(out[n-1][1], end)
				continue
			}
			out = append(out, [2]float64{from, end})
		}
	}
	return out
}

// pack chooses the delays anew, from all in their places and from an empty
// supply, and keeps the better choice.
func (k *packer) pack() {
	free := k.descend(false)
	kept := append([]int(nil), k.slots...)
	if k.descend(true) >= free {
		copy(k.slots, kept)
	}
	for g, n := range k.slots {
		k.delays[g] = float64(float64(n) * slotTime)
	}
}

// descend puts the moves in, one after the other or all at once, and improves
// each in turn until none gets better. It gives the cost.
func (k *packer) descend(oneByOne bool) float64 {
	const passes = 50
	for r := range k.rails {
		k.rails[r].now = append(k.rails[r].now[:0], k.rails[r].rest...)
	}
	for g := range k.slots {
		k.slots[g] = 0
		if !oneByOne {
			k.add(g, 1)
		}
	}
	for pass := range passes {
		moved := false
		for g := range k.slots {
			if !oneByOne || pass > 0 {
				k.add(g, -1)
			}
			was := k.slots[g]
			k.slots[g] = k.best(g)
			k.add(g, 1)
			moved = moved || k.slots[g] != was
		}
		if !moved && pass > 0 {
			break
		}
	}
	cost := 0.0
	for r := range k.rails {
		cost += k.cost(r, 0, len(k.rails[r].now))
	}
	for _, n := range k.slots {
		cost += float64(delayCost * float64(n))
	}
	return cost
}

// delayCost keeps moves where they are unless it helps.
const delayCost = 1e-7

// best gives the slots by which a bundle, which is out of the sums, is put off best.
func (k *packer) best(g int) int {
	if k.barred[g] {
		return 0
	}
	best, least := 0, math.Inf(1)
	for n := 0; n <= k.most[g]; n += k.steps[g] {
		k.slots[g] = n
		k.add(g, 1)
		cost := float64(delayCost * float64(n))
		for _, u := range k.pulses[g] {
			cost += k.cost(u.rail, u.from, u.from+len(u.amps)+k.most[g])
		}
		k.add(g, -1)
		if cost < least*(1-1e-12) {
			best, least = n, cost
		}
	}
	return best
}

// add puts a bundle in its place into the sums, or takes it out.
func (k *packer) add(g int, sign float64) {
	for _, u := range k.pulses[g] {
		now := k.rails[u.rail].now
		for n, a := range u.amps {
			if at := u.from + n + k.slots[g]; at < len(now) {
				now[at] += float64(sign * a)
			}
		}
	}
}

// cost is the sum over slots of the square of the share by which the mean over a
// tenth of a second is over the limit.
func (k *packer) cost(rail, from, to int) float64 {
	limit := k.rails[rail].limit * (1 - k.margin)
	cost := 0.0
	k.means(rail, from, to, func(mean float64) {
		if d := mean/limit - 1; d > 0 {
			cost += float64(d * d)
		}
	})
	return cost
}

// means visits the mean over each tenth of a second that ends in the slots given,
// or a little later.
func (k *packer) means(rail, from, to int, visit func(float64)) {
	now := k.rails[rail].now
	from, to = max(0, from), min(len(now), to+loadSlots)
	sum, first := 0.0, max(0, from-loadSlots+1)
	for n := first; n < to; n++ {
		sum += now[n]
		if n-loadSlots >= first {
			sum -= now[n-loadSlots]
		}
		if n >= from && n >= loadSlots-1 {
			visit(sum / loadSlots)
		}
	}
}

// worst gives the greatest mean of any supply as a ratio to its limit.
func (k *packer) worst() float64 {
	worst := 0.0
	for r := range k.rails {
		k.means(r, 0, len(k.rails[r].now), func(mean float64) { worst = math.Max(worst, mean/k.rails[r].limit) })
	}
	return worst
}

// still reports whether nothing is put off.
func (k *packer) still() bool {
	for _, n := range k.slots {
		if n > 0 {
			return false
		}
	}
	return true
}

// giveUp bars the bundle without which the others are accepted, or the one that
// is put off longest.
func (k *packer) giveUp(b *bundler, accept func(*interp.Performance) bool) error {
	longest := -1
	for g, d := range k.delays {
		if d == 0 {
			continue
		}
		if longest < 0 || d > k.delays[longest] {
			longest = g
		}
		without := append([]float64(nil), k.delays...)
		without[g] = 0
		p, err := b.write(without)
		if err != nil {
			return err
		}
		if accept(p) {
			k.barred[g] = true
			return nil
		}
	}
	k.barred[longest] = true
	return nil
}
