package fit

import "math"

// steps fits levels: each lasts while all samples are within the tolerance of one
// value, which gives the fewest levels that there are, as each starts as late as any
// choice of levels allows.
func (r *Result) steps(take take, o Options) error {
	squares, n := 0.0, len(take.t)
	for i := 0; i < n; {
		j := i + 1
		low, high := take.y[i], take.y[i]
		value, ok := o.level(low, high)
		if !ok {
			return &CoarseError{o.Tolerance, math.Abs(value - low)}
		}
		for ; j < n; j++ {
			l, h := math.Min(low, take.y[j]), math.Max(high, take.y[j])
			v, ok := o.level(l, h)
			if !ok {
				break
			}
			low, high, value = l, h, v
		}
		r.Greatest = math.Max(r.Greatest, math.Max(high-value, value-low))
		for _, y := range take.y[i:j] {
			squares += float64((y - value) * (y - value))
		}
		r.append(o.keyAt(take.t[i], -1), take.t[max(0, i-1)], take.t[i], value, o)
		i = j
	}
	r.Raw, r.RawRMS = r.Greatest, math.Sqrt(squares/float64(n))
	return nil
}

// append adds a level that begins after one sample and at another. Between them lies
// the true change, and any step of the grid there is as good; where there is none, the
// nearest one is taken, and one that is taken already gives way.
func (r *Result) append(k Key, after, at, value float64, o Options) {
	if n := len(r.Keys); n > 0 && o.Grid.given() {
		if k.Time <= after {
			k = o.keyAt(at, 0)
		}
		k.Step = max(k.Step, r.Keys[n-1].Step+1)
		k.Time = o.Grid.Seconds(k.Step)
		if k.Time > at {
			r.Moved = math.Max(r.Moved, k.Time-at)
		} else if k.Time <= after {
			r.Moved = math.Max(r.Moved, after-k.Time)
		}
	}
	k.Value = value
	r.Keys = append(r.Keys, k)
}

// level gives the value for samples from low to high, and whether it is near enough to
// both.
func (o Options) level(low, high float64) (float64, bool) {
	v := o.rounded(low + float64((high-low)/2))
	return v, high-v <= o.Tolerance && v-low <= o.Tolerance
}
