package drive

import "math"

// tally adds up a current over time.
type tally struct {
	peak, peakAt     float64 // A, s
	time             float64 // s
	charge           float64 // A s
	heat             float64 // A2 s
	lastMean, lastSq float64 // of the last frame, for a performance of no length
}

// add counts a frame of w seconds at t. ripple is the variance in A2 of the
// current within the frame. It reports whether this is a new peak.
func (y *tally) add(t, w, peak, mean, ripple float64) bool {
	y.lastMean, y.lastSq = mean, float64(mean*mean)+ripple
	y.time += w
	y.charge += float64(mean * w)
	y.heat += float64(y.lastSq * w)
	if peak <= y.peak {
		return false
	}
	y.peak, y.peakAt = peak, t
	return true
}

func (y *tally) mean() float64 {
	if y.time == 0 {
		return y.lastMean
	}
	return y.charge / y.time
}

func (y *tally) rms() float64 {
	if y.time == 0 {
		return math.Sqrt(y.lastSq)
	}
	return math.Sqrt(y.heat / y.time)
}

// ripple gives the variance of a current that is peak for a share of the time
// and nothing for the rest.
func (d draw) ripple() float64 { return float64(d.mean * (d.peak - d.mean)) }
