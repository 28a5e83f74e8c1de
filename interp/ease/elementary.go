package ease

import "math"

// The standard library's elementary functions may differ in the last bit from
// one processor to another. These do not: every product is converted, because
// the compiler may fuse one with a later sum even across statements.

// sincos is the sine and cosine of an angle in turns, within 1e-16 of 1, exact
// at quarter turns. The angle is reduced exactly to an eighth of a turn, where
// the Taylor series to the 17th power leave less than 1e-19.
func sincos(turns float64) (s, c float64) {
	q := math.Floor(float64(turns*4) + 0.5)
	z := float64((turns - float64(q*0.25)) * (2 * math.Pi))
	s, c = sineSeries(z), cosineSeries(z)
	switch int64(q) & 3 {
	case 1:
		return c, -s
	case 2:
		return -s, -c
	case 3:
		return -c, s
	}
	return s, c
}

// sineSeries is the sine for |z| <= pi/4.
func sineSeries(z float64) float64 {
	y := float64(z * z)
	p := float64(y * (1.0 / 355687428096000))
	p = float64(y * (p - 1.0/1307674368000))
	p = float64(y * (p + 1.0/6227020800))
	p = float64(y * (p - 1.0/39916800))
	p = float64(y * (p + 1.0/362880))
	p = float64(y * (p - 1.0/5040))
	p = float64(y * (p + 1.0/120))
	p = float64(y * (p - 1.0/6))
	return z + float64(z*p)
}

// cosineSeries is the cosine for |z| <= pi/4.
func cosineSeries(z float64) float64 {
	y := float64(z * z)
	p := float64(y * (1.0 / 20922789888000))
	p = float64(y * (p - 1.0/87178291200))
	p = float64(y * (p + 1.0/479001600))
	p = float64(y * (p - 1.0/3628800))
	p = float64(y * (p + 1.0/40320))
	p = float64(y * (p - 1.0/720))
	p = float64(y * (p + 1.0/24))
	return 1 + float64(y*(p-0.5))
}

// exp2 is 2 to the power y for |y| <= 1000, exact for whole numbers. The
// series of the fraction's exponential to the 14th power leaves less than 1e-19.
func exp2(y float64) float64 {
	n := math.Floor(y + 0.5)
	z := float64((y - n) * math.Ln2)
	p := float64(z * (1.0 / 87178291200))
	p = float64(z * (p + 1.0/6227020800))
	p = float64(z * (p + 1.0/479001600))
	p = float64(z * (p + 1.0/39916800))
	p = float64(z * (p + 1.0/3628800))
	p = float64(z * (p + 1.0/362880))
	p = float64(z * (p + 1.0/40320))
	p = float64(z * (p + 1.0/5040))
	p = float64(z * (p + 1.0/720))
	p = float64(z * (p + 1.0/120))
	p = float64(z * (p + 1.0/24))
	p = float64(z * (p + 1.0/6))
	p = float64(z * (p + 0.5))
	p = float64(z * (p + 1))
	return (1 + p) * math.Float64frombits(uint64(int64(n)+1023)<<52)
}

// cubeRoot is the cube root of a positive number, within two units in the last
// place: a guess from a third of the exponent, good to a few per cent, then
// four Newton steps.
func cubeRoot(a float64) float64 {
	if a < 1e-290 {
		if a <= 0 {
			return 0
		}
		return cubeRoot(a*0x1p+120) * 0x1p-40
	}
	r := math.Float64frombits(math.Float64bits(a)/3 + 0x2A9F_7893_782D_A1CE)
	for range 4 {
		r -= (r - a/float64(r*r)) / 3
	}
	return r
}
