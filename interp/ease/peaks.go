package ease

import "math"

// peaksOf takes the extremes at the parts' ends and at their splits: between
// those every derivative is monotone, so that no extreme is missed. An error
// of 1e-16 in a split is one of 1e-32 in the extreme.
func peaksOf(parts []Part) Peaks {
	if len(parts) == 0 {
		return Peaks{Min: 0, Max: 1, Speed: 1}
	}
	p := Peaks{Min: math.Inf(1), Max: math.Inf(-1)}
	for i := range parts {
		part := &parts[i]
		if part.Func == nil {
			p.addPoly(part.Poly, part.X1-part.X0)
			continue
		}
		if f, ok := part.Func.(interface{ addPeaks(*Peaks) }); ok {
			f.addPeaks(&p)
			continue
		}
		for _, x := range append([]float64{part.X0, part.X1}, part.Func.Splits()...) {
			p.add(part.Func.At(x))
		}
	}
	return p
}

func (p *Peaks) addPoly(c []float64, width float64) {
	p.add(polyAt(c, 0))
	if len(c) > 1 {
		p.add(polyAt(c, width))
	}
	for _, y := range polySplits(c, width) {
		p.add(polyAt(c, y))
	}
}

func (p *Peaks) add(v, d1, d2, d3 float64) {
	p.Min = math.Min(p.Min, v)
	p.Max = math.Max(p.Max, v)
	p.Speed = math.Max(p.Speed, math.Abs(d1))
	p.Acceleration = math.Max(p.Acceleration, math.Abs(d2))
	p.Jerk = math.Max(p.Jerk, math.Abs(d3))
}
