package drive

import "math"

// tally adds up a current over time.
type tally struct {
	peak, peakAt     float64 // A, s
	time             float64 // s
	charge           float64 // A s
	heat             float64 // A2 s
	lastMean, lastSq float64 // of the last stretch, for a performance of no length
}

// add counts a stretch of w seconds at t. ripple is the variance in A2 of the
// current within the stretch. It reports whether this is a new peak.
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

const (
	windowLength  = 10.0 // s, over which windings warm up (choice)
	windowBuckets = 40
	bucketLength  = windowLength / windowBuckets
)

// window finds the stretch of windowLength in which most heat falls, in steps of
// a bucket; the whole where that is shorter.
type window struct {
	buckets [windowBuckets]float64 // A2 s
	bucket  int                    // the one being filled, counted from the start
	sum     float64                // of the full ones in the ring
	open    float64                // of the one being filled
	most    float64
	mostAt  float64 // s, end
}

// add counts the heat in A2 s of w seconds from t on.
func (y *window) add(t, w, heat float64) {
	for t+w >= float64(float64(y.bucket+1)*bucketLength) {
		edge := float64(float64(y.bucket+1) * bucketLength)
		share := 0.0
		if w > 0 {
			share = float64(heat * math.Max(0, math.Min(1, (edge-t)/w)))
		}
		y.open += share
		heat -= share
		if edge > t {
			w -= edge - t
			t = edge
		}
		y.turn(edge)
		if heat == 0 && y.sum == 0 && w > bucketLength { // nothing happens for long
			y.bucket = max(y.bucket, int((t+w)/bucketLength))
		}
	}
	y.open += heat
}

// turn closes a bucket.
func (y *window) turn(edge float64) {
	i := y.bucket % windowBuckets
	y.sum = math.Max(0, y.sum-y.buckets[i]+y.open)
	y.buckets[i], y.open = y.open, 0
	y.bucket++
	if y.sum > y.most {
		y.most, y.mostAt = y.sum, edge
	}
}

// rms gives the greatest RMS current over a window, and when it ends, after
// length seconds in all.
func (y *window) rms(length float64) (current, at float64) {
	if length < windowLength {
		return math.Sqrt(math.Max(0, y.sum+y.open) / math.Max(length, instant)), length
	}
	return math.Sqrt(y.most / windowLength), y.mostAt
}

// surgeLength, in seconds, is as long as the capacitors of a supply may help it.
const surgeLength = 0.1

// surge finds the span, of those that follow one another, with the greatest mean
// current.
type surge struct {
	span   int
	charge float64 // A s in it so far
	total  float64 // A s
	peak   float64 // A s, the most in a span
	at     int     // that span
}

func (y *surge) add(t, w, current float64) {
	y.total += float64(current * w)
	for end := t + w; ; {
		edge := float64(float64(y.span+1) * surgeLength)
		if end < edge {
			y.charge += float64(current * (end - t))
			return
		}
		y.charge += float64(current * max(0, edge-t))
		if y.charge > y.peak {
			y.peak, y.at = y.charge, y.span
		}
		y.span++
		y.charge, t = 0, max(t, edge)
	}
}

// most gives that mean in A and the start of the span, over length seconds in all.
func (y *surge) most(length float64) (current, at float64) {
	if y.peak == 0 && length < surgeLength {
		return y.total / max(length, instant), 0
	}
	return y.peak / surgeLength, float64(y.at) * surgeLength
}
