package interp

import (
	"math"
	"reflect"

	"limberjack/interp/ease"
)

// Kept gives, for each piece of the curve, the index of the piece of an older curve that
// is the same to the bit, -1 where there is none: what was worked out of that one holds
// for it, too. Linear in the number of pieces.
func (c *Curve) Kept(older *Curve) []int {
	kept := make([]int, len(c.pieces))
	k := 0
	for i := range c.pieces {
		p := &c.pieces[i]
		for k < len(older.pieces) && older.pieces[k].t0 < p.t0 {
			k++
		}
		kept[i] = -1
		if k < len(older.pieces) && p.same(&older.pieces[k]) {
			kept[i] = k
		}
	}
	return kept
}

func (p *piece) same(o *piece) bool {
	if !sameBits(p.t0, o.t0) || !sameBits(p.t1, o.t1) || !sameList(p.c, o.c) || len(p.terms) != len(o.terms) {
		return false
	}
	for i := range p.terms {
		if !sameTerm(p.terms[i], o.terms[i]) {
			return false
		}
	}
	return true
}

// sameBits tells 0 from -0, whose quotients differ.
func sameBits(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

func sameList(a, b []float64) bool {
	if len(a) != len(b) || (a == nil) != (b == nil) {
		return false
	}
	for i := range a {
		if !sameBits(a[i], b[i]) {
			return false
		}
	}
	return true
}

func sameTerm(a, b term) bool {
	switch a := a.(type) {
	case easeTerm: // the cuts are those of the ease
		b, ok := b.(easeTerm)
		return ok && sameBits(a.k, b.k) && sameBits(a.x0, b.x0) && sameBits(a.rate, b.rate) && sameEase(a.f, b.f)
	case sineTerm:
		b, ok := b.(sineTerm)
		return ok && sameBits(a.k, b.k) && sameBits(a.w, b.w) && sameBits(a.phase, b.phase) && sameList(a.g, b.g)
	case linkTerm:
		b, ok := b.(linkTerm)
		return ok && a.horn == b.horn && sameBits(a.from, b.from) && sameBits(a.k, b.k) && sameThing(a.link, b.link) && a.inner.same(&b.inner)
	case paceTerm:
		b, ok := b.(paceTerm)
		return ok && sameList(a.q[:], b.q[:]) && sameTerm(a.inner, b.inner)
	}
	return false
}

func sameEase(a, b ease.Func) bool { return sameThing(a, b) || reflect.DeepEqual(a, b) }

// sameThing compares what may not be comparable, which is then not the same.
func sameThing(a, b any) bool { return reflect.ValueOf(a).Comparable() && a == b }
