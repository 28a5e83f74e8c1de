package interp

import (
	"math"
	"sort"

	"limberjack/interp/poly"
	"limberjack/interp/spline"
	"limberjack/sequence"
)

// minJerk is the fifth-degree step that starts and ends with no speed and no
// acceleration (Flash and Hogan 1985), ascending in the share of its time.
var minJerk = []float64{0, 0, 0, 10, -15, 6}

// unitNoise gives a number from -1 to 1 for a seed and a place on its lattice:
// the SplitMix64 mixing function (Steele, Lea, Flood 2014), which is integer
// arithmetic and so the same on every machine.
func unitNoise(seed uint64, place int64) float64 {
	z := seed*0x9e3779b97f4a7c15 + uint64(place)*0xd1b54a32d192ed03 + 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	z ^= z >> 31
	return float64(float64(z>>11)/(1<<52)) - 1
}

// layerStrand makes the piecewise curve of a layer: zero outside its span.
func layerStrand(l *sequence.Layer) *strand {
	s := &strand{}
	src := Source{At: l.At, Key: -1, Layer: l}
	s.constant(0, l.From, 0, src)
	for _, p := range faded(layerPieces(l), l) {
		s.add(p, src)
	}
	s.constant(l.To, forever, 0, src)
	return s
}

func layerPieces(l *sequence.Layer) []piece {
	switch l.Kind {
	case sequence.Wiggle:
		return lattice(l, 2*l.Rate, func(k int64) float64 {
			// Every second swing goes to the other side, at half of the amount or
			// more, so that the motion never dozes.
			v := 0.75 + float64(0.25*unitNoise(l.Seed, k))
			if k&1 != 0 {
				v = -v
			}
			return v * l.Amount
		})
	case sequence.Noise:
		return octaves(l)
	case sequence.Sine:
		w := 2 * math.Pi * l.Rate
		phase := l.Phase*math.Pi/180 + float64(w*l.From)
		return []piece{{t0: l.From, t1: l.To, terms: []term{sineTerm{k: l.Amount, w: w, phase: math.Mod(phase, 2*math.Pi)}}}}
	}
	return envelopePieces(l)
}

// lattice makes minimum-jerk steps between values at multiples of 1/rate of
// script time: smooth to the second derivative, and never beyond the values.
func lattice(l *sequence.Layer, rate float64, value func(k int64) float64) []piece {
	var out []piece
	for k := int64(math.Floor(l.From * rate)); ; k++ {
		t0, t1 := float64(k)/rate, float64(k+1)/rate
		if t0 >= l.To {
			return out
		}
		a, b := value(k), value(k+1)
		out = append(out, clipped(piece{t0: t0, t1: t1, c: stretched(minJerk, a, b-a, t1-t0)}, l.From, l.To))
	}
}

// clipped gives the part of a piece that lies between two times.
func clipped(p piece, from, to float64) piece {
	out := piece{t0: math.Max(p.t0, from), t1: math.Min(p.t1, to)}
	out.include(&p, 1)
	return out
}

// octaves adds three lattices of doubling rate and halving size, together
// bounded by the amount.
func octaves(l *sequence.Layer) []piece {
	var parts []summand
	for o := range int64(3) {
		size := l.Amount * float64(int64(4)>>o) / 7
		s := &strand{}
		s.constant(0, l.From, 0, Source{})
		for _, p := range lattice(l, l.Rate*float64(int64(1)<<o), func(k int64) float64 {
			return size * unitNoise(l.Seed+uint64(o)<<32, k)
		}) {
			s.add(p, Source{})
		}
		s.constant(l.To, forever, 0, Source{})
		parts = append(parts, summand{1, s})
	}
	var out []piece
	for _, p := range sum(parts) {
		if p.t0 >= l.From && p.t1 <= l.To {
			out = append(out, p)
		}
	}
	return out
}

// envelopePieces follows the loudness of a sound: its envelope at the end of each
// window, joined by a monotone cubic, so that it never leaves low to high.
func envelopePieces(l *sequence.Layer) []piece {
	env := l.Level.Envelope(l.Attack, l.Release)
	hop := l.Level.Hop
	t, y := []float64{0}, []float64{0}
	for k, v := range env {
		t = append(t, float64(k+1)*hop)
		y = append(y, v)
	}
	// After the sound the envelope falls on until nothing is left of it.
	for v, fall := y[len(y)-1], releaseFactor(hop, l.Release); v > 0; {
		if v *= fall; v < 1e-3 {
			v = 0
		}
		t = append(t, t[len(t)-1]+hop)
		y = append(y, v)
	}
	t, y = withoutFlats(t, y)
	last := len(t) - 1
	var out []piece
	if len(t) > 1 {
		cubics, err := spline.Build(make([]spline.Cubic3, 0, last), spline.Pchip, t, y)
		if err == nil {
			for i, q := range cubics {
				if t[i+1] > l.From && t[i] < l.To {
					out = append(out, clipped(piece{t0: t[i], t1: t[i+1], c: lowToHigh(q, l)}, l.From, l.To))
				}
			}
		}
	}
	if end := math.Max(t[last], l.From); end < l.To {
		out = append(out, piece{t0: end, t1: l.To, c: []float64{l.Low}})
	}
	return out
}

func releaseFactor(hop, release float64) float64 {
	if release <= 0 {
		return 0
	}
	return math.Exp(-hop / release)
}

func lowToHigh(q spline.Cubic3, l *sequence.Layer) []float64 {
	c := make([]float64, 4)
	for n, x := range q {
		c[n] = x * (l.High - l.Low)
	}
	c[0] += l.Low
	return c
}

// withoutFlats leaves out knots inside runs of equal values: silence costs two
// knots however long it lasts.
func withoutFlats(t, y []float64) ([]float64, []float64) {
	out := 0
	for i := range t {
		if i > 0 && i+1 < len(t) && y[i] == y[i-1] && y[i] == y[i+1] {
			continue
		}
		t[out], y[out] = t[i], y[i]
		out++
	}
	return t[:out], y[:out]
}

// faded multiplies the pieces of a layer by its smooth start and end.
func faded(pieces []piece, l *sequence.Layer) []piece {
	if l.Fade <= 0 {
		return pieces
	}
	in := piece{t0: l.From, t1: l.From + l.Fade, c: stretched(minJerk, 0, 1, l.Fade)}
	out := piece{t0: l.To - l.Fade, t1: l.To, c: stretched(minJerk, 1, -1, l.Fade)}
	edges := []float64{in.t1, out.t0}
	var list []piece
	for _, p := range pieces {
		for _, q := range cutAt(p, edges) {
			for _, ramp := range []*piece{&in, &out} {
				if q.t0 >= ramp.t0 && q.t1 <= ramp.t1 {
					q = q.times(poly.Shift(nil, ramp.c, q.t0-ramp.t0))
				}
			}
			list = append(list, q)
		}
	}
	return list
}

// cutAt cuts a piece at those of the ascending times that lie inside it.
func cutAt(p piece, edges []float64) []piece {
	edges = append([]float64(nil), edges...)
	sort.Float64s(edges)
	var out []piece
	from := p.t0
	for _, e := range append(edges, p.t1) {
		if e <= from || e > p.t1 {
			continue
		}
		q := piece{t0: from, t1: e}
		q.include(&p, 1)
		out = append(out, q)
		from = e
	}
	return out
}

// times multiplies a piece by a polynomial of local time. Of terms, a layer has
// sines only.
func (p piece) times(g []float64) piece {
	out := piece{t0: p.t0, t1: p.t1, c: product(p.c, g)}
	for _, t := range p.terms {
		s := t.(sineTerm)
		s.g = g
		out.terms = append(out.terms, s)
	}
	return out
}

func product(a, b []float64) []float64 {
	if len(a) == 0 || len(b) == 0 {
		return nil
	}
	out := make([]float64, len(a)+len(b)-1)
	for i, x := range a {
		for j, y := range b {
			out[i+j] += float64(x * y)
		}
	}
	return out
}
