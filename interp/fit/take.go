package fit

import (
	"fmt"
	"math"
	"slices"
)

// series are values at ascending times.
type series struct{ t, y []float64 }

// take is a series as it was recorded.
type take struct {
	series
	repeated int
	gaps     []Gap
}

// Bounds of what a take may hold: those of documents (48 h), and values of which
// squares can be added.
const (
	maxTime  = 48 * 3600.0
	maxValue = 1e9
	// leastApart is how close two samples may be, in seconds: no controller is read
	// more often, and times that differ by less are the same reading.
	leastApart = 1e-6
)

// readTake checks samples. Of several at one time the last one counts, which is what
// the control was left at.
func readTake(times, values []float64) (take, error) {
	fail := func(i int, format string, a ...any) (take, error) {
		return take{}, &SampleError{i + 1, fmt.Sprintf("sample %d: ", i+1) + fmt.Sprintf(format, a...)}
	}
	switch {
	case len(times) != len(values):
		return take{}, &SampleError{min(len(times), len(values)) + 1, fmt.Sprintf("there are %d times and %d values; each sample needs both", len(times), len(values))}
	case len(times) == 0:
		return take{}, &SampleError{1, "the take has no samples; record for longer"}
	case len(times) > MaxSamples:
		return take{}, &SampleError{MaxSamples + 1, fmt.Sprintf("the take has %d samples, and at most %d are read; record in parts", len(times), MaxSamples)}
	}
	k := take{series: series{make([]float64, 0, len(times)), make([]float64, 0, len(times))}}
	for i, t := range times {
		n := len(k.t)
		switch v := values[i]; {
		case !(math.Abs(t) <= maxTime):
			return fail(i, "the time is %v s; give finite seconds, up to 48 h", t)
		case !(math.Abs(v) <= maxValue):
			return fail(i, "the value is %v; leave out what could not be read", v)
		case n > 0 && t < times[i-1]:
			return fail(i, "its time, %v s, is before that of the one before, %v s; sort the take, or leave this sample out", t, times[i-1])
		case n > 0 && t-k.t[n-1] < leastApart:
			k.y[n-1] = v
			k.repeated++
		default:
			k.t, k.y = append(k.t, t), append(k.y, v)
		}
	}
	return k, nil
}

// A stretch without samples is a gap when it is longer than gapShares usual
// intervals, and than gapLeast seconds: below that, the curve through the samples
// beside it has no room to go astray.
const (
	gapShares = 4
	gapLeast  = 0.1
)

// interval is the usual time between samples: the median.
func (k *take) interval() float64 {
	d := make([]float64, len(k.t)-1)
	for i := range d {
		d[i] = k.t[i+1] - k.t[i]
	}
	slices.Sort(d)
	return d[len(d)/2]
}

// bridged fills gaps with points on a straight line, so that the curve has something to
// keep to there, and says which points were samples. It finds the gaps.
func (k *take) bridged() (out series, real []bool) {
	if len(k.t) < 3 {
		return k.series, slices.Repeat([]bool{true}, len(k.t))
	}
	usual := math.Max(gapLeast/gapShares, k.interval())
	left := MaxSamples // points to fill with: a take may be one gap after another
	for i, t := range k.t {
		if i > 0 && t-k.t[i-1] > gapShares*usual {
			from, by := k.t[i-1], t-k.t[i-1]
			k.gaps = append(k.gaps, Gap{from, t})
			n := min(int(by/usual), left/max(1, len(k.t)-i))
			left -= n
			for j := 1; j < n; j++ {
				share := float64(j) / float64(n)
				out.t = append(out.t, from+float64(share*by))
				out.y = append(out.y, k.y[i-1]+float64(share*(k.y[i]-k.y[i-1])))
				real = append(real, false)
			}
		}
		out.t, out.y, real = append(out.t, t), append(out.y, k.y[i]), append(real, true)
	}
	return out, real
}

// weights are the stretches of time that points stand for: to the middles between
// neighbours. With them the sums of smoothing stand for integrals over time, however
// uneven the sampling.
func (s series) weights() []float64 {
	n := len(s.t)
	w := slices.Repeat([]float64{1}, n)
	if n < 2 {
		return w
	}
	w[0], w[n-1] = (s.t[1]-s.t[0])/2, (s.t[n-1]-s.t[n-2])/2
	for i := 1; i+1 < n; i++ {
		w[i] = (s.t[i+1] - s.t[i-1]) / 2
	}
	return w
}
