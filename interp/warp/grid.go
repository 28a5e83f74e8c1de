package warp

import "math"

// halvings is how often the cells at the ends are halved. Each halving halves
// what is lost there.
const halvings = 8

// Grid gives grid points for a Path that starts and ends at rest: all breaks,
// which have to ascend, and between them equal cells of at most the given
// length in s. At a rest the rate rises steeply with script time, and so
// the first cell is halved again and again towards the start, and the last
// towards the end.
//
// Breaks are the points where a derivative of some axis jumps, such as the
// keys. On splines through random keys, with a hundred such cells from key to
// key the duration is up to two parts in a thousand above the shortest.
func Grid(breaks []float64, cell float64) []float64 {
	var s []float64
	for i := 1; i < len(breaks); i++ {
		a, b := breaks[i-1], breaks[i]
		cells := max(1, math.Ceil(float64((b-a)/cell)-1e-9))
		s = append(s, a)
		for k := 1.0; k < cells; k++ {
			s = append(s, a+float64((b-a)*(k/cells)))
		}
	}
	if len(s) == 0 {
		return append(s, breaks...)
	}
	return halved(append(s, breaks[len(breaks)-1]))
}

// halved splits the first and the last cell, or both halves of a single one.
func halved(s []float64) []float64 {
	if len(s) == 2 {
		s = []float64{s[0], 0.5 * (s[0] + s[1]), s[1]}
	}
	n := len(s) - 1
	first, last := s[1]-s[0], s[n]-s[n-1]
	out := make([]float64, 0, len(s)+2*halvings)
	out = append(out, s[0])
	for k := halvings; k > 0; k-- {
		out = append(out, s[0]+math.Ldexp(first, -k))
	}
	out = append(out, s[1:n]...)
	for k := 1; k <= halvings; k++ {
		out = append(out, s[n]-math.Ldexp(last, -k))
	}
	return append(out, s[n])
}
