// Package fit turns a performance that was recorded by hand, thousands of noisy
// samples of one control, into the few keys that an animator would have set.
//
// A take is smoothed first, without delay and at the times at which it was sampled
// (smooth.go). A cubic spline with few knots is then laid through it by least
// squares: knots are put where the error asks for them, taken out and moved while the
// tolerance lasts (knots.go). What comes out is not the spline of that search but keys
// on their grid with rounded values, and the curve that the language's ease lays
// through exactly those keys (interp/spline) is held against every sample.
//
// Of the eases of the language, the twice smooth splines take the fewest keys for a
// hand's motion, whose acceleration has no jumps, as theirs has none. Found by one plain
// search for all (TestEaseOfAHand), with cubic and natural as 1, pchip takes 1.08 times as
// many, catmull-rom 1.11, akima 1.14, linear 1.6, and eases that rest at each key 2.6 to
// 3.1; least squares then save a fifth. Cubic is at rest at both ends, as a take should
// be; natural is taken where the take begins or ends in full motion and that saves keys.
//
// A button, or a lever with clicks, is kept as steps (Options.Steps).
//
// Time O(n log n) for n samples, times a constant that bounds how often a stretch of few
// keys is fitted anew; memory O(n).
package fit

import (
	"errors"
	"fmt"
	"math"

	"limberjack/interp/ease"
	"limberjack/interp/poly"
	"limberjack/interp/spline"
)

// MaxSamples is how many samples a take may have: an hour at 250 Hz.
const MaxSamples = 1 << 20

// Options say how a take is fitted. Values are in the control's unit throughout.
type Options struct {
	// Tolerance is how far the curve may be from the smoothed take at any sample.
	Tolerance float64
	// Cutoff is the frequency, in Hz, at which smoothing halves a swing; 0 for
	// DefaultCutoff. Raw turns smoothing off.
	Cutoff float64
	Raw    bool
	// Grid is what the keys' times are whole multiples of.
	Grid Grid
	// Round is what values are whole multiples of, such as 0.1; 0 for none. It may be
	// as large as the tolerance.
	Round float64
	// Steps keeps a take that jumps between levels, as a button's does: unsmoothed, with
	// keys that hold.
	Steps bool
	// Stop is asked now and then; where it is true, the work ends with ErrStopped. Nil: it
	// goes on to its end.
	Stop func() bool
}

// ErrStopped says that the work was given up, as it was asked to.
var ErrStopped = errors.New("given up")

// Grid is a raster of times, Den/Num seconds apart: frames of a film at Num/Den a
// second, or milliseconds where it is {1000, 1}. The zero Grid is none.
type Grid struct{ Num, Den int64 }

// Seconds gives the time of a step.
func (g Grid) Seconds(step int64) float64 { return float64(step) * float64(g.Den) / float64(g.Num) }

func (g Grid) given() bool { return g != Grid{} }

// Key is one key of the result.
type Key struct {
	Time  float64 // s, on the take's own clock
	Step  int64   // Time in steps of the grid; 0 where there is none
	Value float64
}

// Gap is a stretch without samples that was bridged, in seconds.
type Gap struct{ From, To float64 }

// Result is a take as keys.
type Result struct {
	Keys []Key
	Ease ease.Spline // of every key but the first; ease.None for steps, whose keys hold

	Samples  int     // of the take, without repeated times
	Repeated int     // samples left out since another at the same time came after
	Greatest float64 // farthest of the curve from the smoothed take at a sample: within Tolerance
	Raw      float64 // farthest from the take as it was recorded
	RawRMS   float64 // root mean square of that
	Smoothed float64 // root mean square of what smoothing took away
	Gaps     []Gap
	Moved    float64 // s, greatest by which a step had to be moved, beyond the two samples about it, to be on the grid
}

// EaseName is the ease as documents write it.
func (r *Result) EaseName() string {
	if r.Ease == ease.None {
		return "hold"
	}
	return r.Ease.String()
}

// At gives the value of the curve that the keys stand for, which holds its first value
// before and its last after.
func (r *Result) At(t float64) float64 {
	out := make([]float64, 1)
	r.curve().values(out, []float64{t})
	return out[0]
}

// Fit reduces a take, values at ascending times in seconds, to keys. The first and
// last key stand at its ends: the next step of the grid outwards.
//
// A bad sample is a *SampleError, an impossible option an *OptionError, and a grid or
// rounding that cannot keep the tolerance a *CoarseError; what Options.Stop ends is
// ErrStopped.
func Fit(times, values []float64, o Options) (*Result, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	take, err := readTake(times, values)
	if err != nil {
		return nil, err
	}
	r := &Result{Samples: len(take.t), Repeated: take.repeated}
	if o.Steps {
		err = r.steps(take, o)
	} else {
		err = r.spline(take, o)
	}
	if err != nil {
		return nil, err
	}
	return r, nil
}

// spline fits keys of a spline ease.
func (r *Result) spline(take take, o Options) error {
	filled, real := take.bridged()
	r.Gaps = take.gaps
	goal := filled
	if !o.Raw {
		smoothed, err := smooth(filled.t, filled.y, filled.weights(), o.cutoff())
		if err != nil {
			return err
		}
		goal.y = smoothed
	}
	s := newSearch(goal, o)
	best, kind, err := s.best()
	if err != nil {
		return err
	}
	r.Keys, r.Ease = best, kind
	r.judge(filled, goal, real)
	return nil
}

// judge holds the curve of the keys against the samples.
func (r *Result) judge(raw, goal series, real []bool) {
	at := make([]float64, len(raw.t))
	r.curve().values(at, raw.t)
	var squares, taken, n float64
	for i, v := range at {
		if !real[i] {
			continue
		}
		r.Greatest = math.Max(r.Greatest, math.Abs(v-goal.y[i]))
		d, e := math.Abs(v-raw.y[i]), goal.y[i]-raw.y[i]
		r.Raw = math.Max(r.Raw, d)
		squares += float64(d * d)
		taken += float64(e * e)
		n++
	}
	r.RawRMS, r.Smoothed = math.Sqrt(squares/n), math.Sqrt(taken/n)
}

func (r *Result) curve() *curve {
	t, y := make([]float64, len(r.Keys)), make([]float64, len(r.Keys))
	for i, k := range r.Keys {
		t[i], y[i] = k.Time, k.Value
	}
	return newCurve(r.Ease, t, y)
}

// curve is what interp compiles from keys, evaluated as it does.
type curve struct {
	t, y     []float64
	segments []spline.Cubic3 // nil: hold
}

// kinds are the splines that keys can be fitted with.
var kinds = map[ease.Spline]spline.Kind{ease.Cubic: spline.Cubic, ease.Natural: spline.Natural}

func newCurve(s ease.Spline, t, y []float64) *curve {
	c := &curve{t: t, y: y}
	if kind, ok := kinds[s]; ok && len(t) > 1 {
		c.segments, _ = spline.Build(nil, kind, t, y) // only what Build has taken before gets here
	}
	return c
}

// values writes the values at ascending times.
func (c *curve) values(dst, at []float64) {
	i, last := 0, len(c.t)-1
	for j, t := range at {
		for i < last && c.t[i+1] <= t {
			i++
		}
		switch {
		case t <= c.t[0]:
			dst[j] = c.y[0]
		case i == last || c.segments == nil:
			dst[j] = c.y[i]
		default:
			dst[j] = poly.Eval(c.segments[i][:], t-c.t[i])
		}
	}
}

// OptionError says which option cannot be and what would do.
type OptionError struct{ Option, Msg string }

func (e *OptionError) Error() string { return e.Msg }

// SampleError says which sample, counted from 1, cannot be used.
type SampleError struct {
	Sample int
	Msg    string
}

func (e *SampleError) Error() string { return e.Msg }

// CoarseError says that no keys on the grid, or with values so rounded, keep the
// tolerance, and what they do keep.
type CoarseError struct{ Tolerance, Reached float64 }

func (e *CoarseError) Error() string {
	return fmt.Sprintf("with keys on this grid and values so rounded, the curve is off by up to %.3g at a sample, and not by %.3g at most: allow %.2g, or take a finer grid", e.Reached, e.Tolerance, roundUp(e.Reached))
}

// roundUp gives two digits, no less than v.
func roundUp(v float64) float64 {
	if v <= 0 {
		return 0
	}
	unit := math.Pow(10, math.Floor(math.Log10(v))-1)
	return math.Ceil(v/unit*(1+1e-12)) * unit
}

func (o Options) cutoff() float64 {
	if o.Cutoff == 0 {
		return DefaultCutoff
	}
	return o.Cutoff
}

func (o Options) check() error {
	bad := func(option, format string, a ...any) error {
		return &OptionError{option, fmt.Sprintf(format, a...)}
	}
	switch g := o.Grid; {
	case !(o.Tolerance > 0 && o.Tolerance <= 1e9):
		return bad("tolerance", "the tolerance is %v; give how far the curve may be from the hand, such as 0.5", o.Tolerance)
	case o.Cutoff != 0 && !(o.Cutoff >= 0.1 && o.Cutoff <= 1000):
		return bad("cutoff", "smoothing at %v Hz cannot be; give 0.1 to 1000 Hz, a hand's motion has up to about %v", o.Cutoff, DefaultCutoff)
	case g.given() && (g.Num <= 0 || g.Den <= 0 || g.Seconds(1) > 10 || g.Seconds(1) < 1e-6):
		return bad("grid", "a grid of %d/%d steps a second cannot be; give frames a second, or 1000/1 for milliseconds", g.Num, g.Den)
	case !(o.Round >= 0) || o.Round > 0 && o.Round < 1e-9*o.Tolerance:
		return bad("round", "values cannot be rounded to %v; give a step such as 0.1, or 0", o.Round)
	case o.Round > o.Tolerance:
		return bad("round", "values that are rounded to %v cannot stay within %v; round to %.2g at most, or allow %v", o.Round, o.Tolerance, o.Tolerance, o.Round)
	}
	return nil
}
