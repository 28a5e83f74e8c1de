package drive

import (
	"math"

	"limberjack/sequence"
)

// burden is what an axis moves, by the position of its horn: the load's torque
// carried through the linkage by virtual work, and the inertia. Between nodes at
// equal distances everything is a cubic with the right values and slopes at the
// nodes (Hermite); its error falls with the fourth power of the distance.
type burden struct {
	low, perUnit float64 // position of the first node; nodes for a unit
	cells        []cell
	own, load    float64 // N.m for 1 unit/s2: of rotor and gears; of the part at the part
}

// cell holds cubics over one distance, ascending in the share of it.
type cell struct{ torque, ratio, part [4]float64 }

// cellsOf is how many distances a table has. A quarter turn of an arm is met to
// 2e-9 of its torque.
const cellsOf = 180

// at gives torque and inertia at the horn, and half the inertia's slope, which is
// the torque that a changing inertia asks for at 1 unit/s.
func (b *burden) at(x float64) (torque, inertia, slope float64) {
	c, u := b.find(x)
	torque = cubic(&c.torque, u)
	inertia = b.own
	if b.load != 0 {
		r := cubic(&c.ratio, u)
		dr := float64((float64(float64(3*c.ratio[3])*u)+float64(2*c.ratio[2]))*u) + c.ratio[1]
		inertia += float64(b.load * r * r)
		slope = b.load * r * dr * b.perUnit
	}
	return torque, inertia, slope
}

// part gives the position of the part and its way for a way of the horn.
func (b *burden) partAt(x float64) (part, ratio float64) {
	c, u := b.find(x)
	return cubic(&c.part, u), cubic(&c.ratio, u)
}

func (b *burden) find(x float64) (*cell, float64) {
	s := float64((x - b.low) * b.perUnit)
	i := min(max(int(s), 0), len(b.cells)-1)
	u := s - float64(i)
	if u < 0 {
		u = 0
	} else if u > 1 {
		u = 1
	}
	return &b.cells[i], u
}

func cubic(c *[4]float64, u float64) float64 {
	return float64((float64((float64(c[3]*u)+c[2])*u)+c[1])*u) + c[0]
}

// hermite gives the cubic with values a, b and slopes by the share da, db.
func hermite(a, b, da, db float64) [4]float64 {
	d := b - a
	return [4]float64{steady(a), steady(da), steady(float64(3*d) - float64(2*da) - db), steady(da + db - float64(2*d))}
}

// newBurden makes the table of an axis between two positions of its horn. It is
// nil where nothing depends on the position.
func newBurden(a *sequence.Axis, own, low, high float64) *burden {
	weighs := a.Load.Mass.Given() && a.Unit == "deg"
	if a.Linkage == nil && !weighs || !(high > low) {
		return nil
	}
	b := &burden{low: low, perUnit: steady(cellsOf / (high - low)), own: own, load: loadInertia(a)}
	if a.Linkage == nil {
		b.own, b.load = own+b.load, 0
	}
	at := func(x float64) (torque, ratio, part float64) {
		part, ratio = partOf(a, x)
		return a.LoadTorque(part) * ratio, ratio, part
	}
	width := (high - low) / cellsOf
	node := func(i int) (v, d [3]float64) {
		x := low + float64(float64(i)*width)
		e := math.Min(width/16, 0.01)
		x0, x1 := math.Max(low, x-e), math.Min(high, x+e)
		v[0], v[1], v[2] = at(x)
		t0, r0, p0 := at(x0)
		t1, r1, p1 := at(x1)
		k := width / (x1 - x0)
		return v, [3]float64{(t1 - t0) * k, (r1 - r0) * k, (p1 - p0) * k}
	}
	v0, d0 := node(0)
	for i := range cellsOf {
		v1, d1 := node(i + 1)
		b.cells = append(b.cells, cell{hermite(v0[0], v1[0], d0[0], d1[0]), hermite(v0[1], v1[1], d0[1], d1[1]), hermite(v0[2], v1[2], d0[2], d1[2])})
		v0, d0 = v1, d1
	}
	return b
}

// partOf gives the part's position, and its way for a way of the horn.
func partOf(a *sequence.Axis, horn float64) (part, ratio float64) {
	if a.Linkage == nil {
		return horn, 1
	}
	low, high, _, _ := a.Linkage.Range()
	part, ratio, _, _, _ = a.Linkage.Part(math.Max(low, math.Min(high, horn)))
	return part, ratio
}

// loadInertia gives N.m at the part for 1 unit/s2 of the part.
func loadInertia(a *sequence.Axis) float64 { return steady(a.LoadInertia() * radianOf(a)) }

// stopsOf gives the positions of the horn at the end stops of the travel.
func stopsOf(a *sequence.Axis) (low, high float64) {
	low, high = math.Inf(-1), math.Inf(1)
	if a.HasTravel() {
		low, high = a.Travel[0].V, a.Travel[1].V
	}
	if a.Linkage == nil {
		return low, high
	}
	hornLow, hornHigh, p0, p1 := a.Linkage.Range()
	least, most := math.Min(p0, p1), math.Max(p0, p1)
	x, _, _, _, ok0 := a.Linkage.Horn(math.Max(least, math.Min(most, low)))
	y, _, _, _, ok1 := a.Linkage.Horn(math.Max(least, math.Min(most, high)))
	if !ok0 || !ok1 {
		return hornLow, hornHigh
	}
	return steady(math.Min(x, y)), steady(math.Max(x, y))
}
