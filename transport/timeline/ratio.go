package timeline

import (
	"fmt"
	"math"
	"math/bits"
)

// ratio is a positive fraction in lowest terms.
type ratio struct{ num, den uint64 }

// decimals is ten to the number of decimals with which a number is taken as it
// is written.
const decimals = 1e9

// exactRatio gives the fraction that a floating point number was written as: the
// decimal one where nine decimals are enough for it, as 1/2 for 0.5; otherwise the
// simplest convergent of its continued fraction that is the same number, as
// 30000/1001 for 29.97002997002997.
func exactRatio(v float64) (ratio, error) {
	if !(v >= 1.0/1024 && v < 1e9) {
		return ratio{}, fmt.Errorf("%v is outside the range of 0.001 to 1e9", v)
	}
	for den := 1.0; den <= decimals; den *= 10 {
		if num := math.Round(v * den); num < 1<<53 && num/den == v {
			g := gcd(uint64(num), uint64(den))
			return ratio{uint64(num) / g, uint64(den) / g}, nil
		}
	}
	return convergent(v), nil
}

// convergent runs Euclid's algorithm on the binary fraction that v is.
func convergent(v float64) ratio {
	frac, exp := math.Frexp(v)
	a, b := uint64(math.Ldexp(frac, 53)), uint64(1)
	if shift := 53 - exp; shift > 62 {
		a, b = a>>(shift-62), 1<<62
	} else {
		b <<= shift
	}
	r, last := ratio{1, 0}, ratio{0, 1}
	for b != 0 && (r.den == 0 || float64(r.num)/float64(r.den) != v) {
		q := a / b
		r, last = ratio{q*r.num + last.num, q*r.den + last.den}, r
		a, b = b, a%b
	}
	return r
}

// times gives the product of two fractions, or false where it does not fit.
func (r ratio) times(s ratio) (ratio, bool) {
	g, h := gcd(r.num, s.den), gcd(s.num, r.den)
	numHi, num := bits.Mul64(r.num/g, s.num/h)
	denHi, den := bits.Mul64(r.den/h, s.den/g)
	return ratio{num, den}, numHi == 0 && denHi == 0
}

// inverse gives 1/r.
func (r ratio) inverse() ratio { return ratio{r.den, r.num} }

// floor gives the whole part of k times r. The result must fit 64 bits.
func (r ratio) floor(k uint64) uint64 {
	hi, lo := bits.Mul64(k, r.num)
	q, _ := bits.Div64(hi, lo, r.den)
	return q
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
