package fit

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"limberjack/interp/ease"
)

// minJerk is the share of a point-to-point movement of a hand that is done at a share
// of its time: T. Flash and N. Hogan, The coordination of arm movements: an
// experimentally confirmed mathematical model, Journal of Neuroscience 5 (1985),
// 1688-1703, the polynomial for rest at both ends (from memory).
func minJerk(x float64) float64 {
	x = math.Max(0, math.Min(1, x))
	return x * x * x * (10 + x*(-15+6*x))
}

// hand is a made-up performance: moves of 0.25 to 1 s, up to 60 degrees to a side, that
// overlap or leave rests, as a hand strings minimum-jerk movements together, sampled
// with jitter at about a rate, with noise (its standard deviation) and a tremor of half
// that at 9 Hz.
func hand(seed uint64, seconds, rate, noise float64) (t, y []float64) {
	rng := rand.New(rand.NewPCG(seed, 7))
	type move struct{ from, length, by float64 }
	var moves []move
	value := 0.0
	for at := 0.3; at < seconds-1.2; {
		to, length := 120*(rng.Float64()-0.5), 0.25+0.75*rng.Float64()
		moves = append(moves, move{at, length, to - value})
		value = to
		at += length * (0.6 + 0.6*rng.Float64())
		if rng.IntN(4) == 0 {
			at += 0.8 * rng.Float64()
		}
	}
	done, first := 0.0, 0
	for i := range int(seconds * rate) {
		at := math.Max(0, (float64(i)+0.3*(rng.Float64()-0.5))/rate)
		for first < len(moves) && moves[first].from+moves[first].length < at-0.1 {
			done += moves[first].by
			first++
		}
		v := done
		for _, m := range moves[first:] {
			if m.from > at {
				break
			}
			v += m.by * minJerk((at-m.from)/m.length)
		}
		v += noise * (rng.NormFloat64() + 0.5*math.Sin(2*math.Pi*9*at))
		t, y = append(t, at), append(y, v)
	}
	return t, y
}

func fitted(t testing.TB, times, values []float64, o Options) *Result {
	t.Helper()
	r, err := Fit(times, values, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// checkCurve holds all that a result promises, by evaluations of its own.
func checkCurve(t *testing.T, times, values []float64, o Options, r *Result) {
	t.Helper()
	goal := values
	if !o.Raw && !o.Steps && len(r.Gaps) == 0 && len(times) == r.Samples {
		s, err := smooth(times, values, series{times, values}.weights(), o.cutoff())
		if err != nil {
			t.Fatal(err)
		}
		goal = s
	}
	for i, k := range r.Keys {
		if i > 0 && !(k.Time > r.Keys[i-1].Time) {
			t.Fatalf("key %d at %v s is not after %v s", i+1, k.Time, r.Keys[i-1].Time)
		}
		if o.Grid.given() && k.Time != o.Grid.Seconds(k.Step) {
			t.Fatalf("key %d at %v s is not step %d of the grid", i+1, k.Time, k.Step)
		}
		if o.Round > 0 && math.Abs(k.Value/o.Round-math.Round(k.Value/o.Round)) > 1e-6 {
			t.Fatalf("key %d has %v, which is no multiple of %v", i+1, k.Value, o.Round)
		}
	}
	if r.Greatest > o.Tolerance || len(r.Gaps) > 0 || len(times) != r.Samples {
		if r.Greatest > o.Tolerance {
			t.Fatalf("off by %v, and %v was allowed", r.Greatest, o.Tolerance)
		}
		return
	}
	greatest, raw, squares := 0.0, 0.0, 0.0
	for i, at := range times {
		v := r.At(at)
		greatest, raw = math.Max(greatest, math.Abs(v-goal[i])), math.Max(raw, math.Abs(v-values[i]))
		squares += (v - values[i]) * (v - values[i])
	}
	if o.Steps && r.Moved > 0 {
		return
	}
	if rms := math.Sqrt(squares / float64(len(times))); math.Abs(greatest-r.Greatest)+math.Abs(raw-r.Raw)+math.Abs(rms-r.RawRMS) > 1e-9*(1+raw) {
		t.Fatalf("off by %v, %v of the take, root mean square %v; told are %v, %v and %v", greatest, raw, rms, r.Greatest, r.Raw, r.RawRMS)
	}
}

// TestHands: whatever the device and the grid, a hand's take keeps its tolerance with
// at least ten times fewer values.
func TestHands(t *testing.T) {
	for seed := range uint64(6) {
		for _, rate := range []float64{50, 60, 120, 250} {
			for _, o := range []Options{
				{Tolerance: 1},
				{Tolerance: 1, Round: 0.1, Grid: Grid{24, 1}},
				{Tolerance: 1, Round: 0.1, Grid: Grid{1000, 1}},
				{Tolerance: 0.5, Round: 0.1, Grid: Grid{30000, 1001}, Cutoff: 8},
				{Tolerance: 1.5, Round: 1, Grid: Grid{25, 1}},
				{Tolerance: 2, Raw: true},
			} {
				times, values := hand(seed, 12, rate, 0.2)
				r := fitted(t, times, values, o)
				checkCurve(t, times, values, o, r)
				if 10*len(r.Keys) > len(times) {
					t.Errorf("seed %d at %v Hz, %+v: %d keys for %d samples", seed, rate, o, len(r.Keys), len(times))
				}
			}
		}
	}
}

// TestReach: the hand movement of Flash and Hogan (see minJerk) takes a handful of keys,
// and the smoothed curve stays with the formula.
func TestReach(t *testing.T) {
	for _, length := range []float64{0.4, 0.8, 1.5} {
		var times, values []float64
		for i := range int((length + 0.6) * 120) {
			at := float64(i) / 120
			times, values = append(times, at), append(values, 60*minJerk((at-0.3)/length))
		}
		o := Options{Tolerance: 0.5, Round: 0.1, Grid: Grid{1000, 1}}
		r := fitted(t, times, values, o)
		checkCurve(t, times, values, o, r)
		if len(r.Keys) > 8 || r.Ease != ease.Cubic || r.Raw > 0.7 {
			t.Errorf("a reach of %v s: %d keys of %s, off by %v", length, len(r.Keys), r.EaseName(), r.Raw)
		}
		for at := 0.0; at < length+0.6; at += 0.001 {
			if e := math.Abs(r.At(at) - 60*minJerk((at-0.3)/length)); at < times[len(times)-1] && e > 0.75 {
				t.Errorf("a reach of %v s: at %v s off by %v", length, at, e)
				break
			}
		}
	}
}

type tables struct {
	Smooth []struct {
		Cutoff  float64
		T, Y, F []float64
	}
	Swing struct {
		Rate, Cutoff float64
		First, Every int
		Y, F         []float64
	}
	Curve []struct {
		Kind       string
		T, Y, Q, V []float64
	}
}

func readTables(t *testing.T) (out tables) {
	text, err := os.ReadFile("testdata/scipy_tables.json")
	if err == nil {
		err = json.Unmarshal(text, &out)
	}
	if err != nil || len(out.Smooth) == 0 || len(out.Curve) == 0 || len(out.Swing.F) == 0 {
		t.Fatal("testdata/scipy_tables.json: ", err)
	}
	return out
}

// TestSmoothingSpline holds smoothing against scipy's make_smoothing_spline
// (testdata/make_tables.py).
func TestSmoothingSpline(t *testing.T) {
	for _, c := range readTables(t).Smooth {
		got, err := smooth(c.T, c.Y, series{c.T, c.Y}.weights(), c.Cutoff)
		if err != nil {
			t.Fatal(err)
		}
		for i := range got {
			if math.Abs(got[i]-c.F[i]) > 1e-8 {
				t.Errorf("%d samples, %v Hz: sample %d is %v and not %v", len(c.T), c.Cutoff, i+1, got[i], c.F[i])
				break
			}
		}
	}
}

// TestSmoothingIsButterworth: on even samples it is the filter that is usual for recorded
// movement, a Butterworth of the second order run both ways (scipy's butter and filtfilt).
// The digital filter bends frequencies by (pi cutoff/rate)^2/3, under 1e-4 here.
func TestSmoothingIsButterworth(t *testing.T) {
	c := readTables(t).Swing
	var s series
	for i, y := range c.Y {
		s.t, s.y = append(s.t, float64(i)/c.Rate), append(s.y, y)
	}
	got, err := smooth(s.t, s.y, s.weights(), c.Cutoff)
	if err != nil {
		t.Fatal(err)
	}
	spread := slices.Max(c.F) - slices.Min(c.F)
	for i, want := range c.F {
		if e := math.Abs(got[c.First+i*c.Every] - want); e > 0.005*spread {
			t.Errorf("sample %d: %v and not %v", c.First+i*c.Every, got[c.First+i*c.Every], want)
		}
	}
}

// TestSmoothingGain: a swing keeps its phase, and 1/(1 + (f/cutoff)^4) of its height, on
// uneven samples too.
func TestSmoothingGain(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, f := range []float64{1, 3, 6, 10, 15, 25} {
		var s series
		for i := range 4000 {
			at := (float64(i) + 0.5*(rng.Float64()-0.5)) / 1000
			s.t, s.y = append(s.t, at), append(s.y, math.Sin(2*math.Pi*f*at))
		}
		got, err := smooth(s.t, s.y, s.weights(), 10)
		if err != nil {
			t.Fatal(err)
		}
		want := 1 / (1 + math.Pow(f/10, 4))
		for i := 1000; i < 3000; i++ {
			if math.Abs(got[i]-want*s.y[i]) > 0.002 {
				t.Errorf("%v Hz: at %v s %v and not %v of %v", f, s.t[i], got[i], want, s.y[i])
				break
			}
		}
	}
}

// TestCurveIsScipys holds the curve through keys against scipy's CubicSpline
// (testdata/make_tables.py).
func TestCurveIsScipys(t *testing.T) {
	for _, c := range readTables(t).Curve {
		kind := map[string]ease.Spline{"cubic": ease.Cubic, "natural": ease.Natural}[c.Kind]
		r := Result{Ease: kind}
		for i := range c.T {
			r.Keys = append(r.Keys, Key{Time: c.T[i], Value: c.Y[i]})
		}
		for i, q := range c.Q {
			if got := r.At(q); math.Abs(got-c.V[i]) > 1e-12*50 {
				t.Errorf("%s at %v: %v and not %v", c.Kind, q, got, c.V[i])
			}
		}
	}
}

// TestNearTheFewest holds the number of keys against the fewest there are, for takes so
// small that all choices of samples as keys can be tried: those whose curve goes through
// the samples, and those whose values are fitted by least squares.
func TestNearTheFewest(t *testing.T) {
	got, through, fitting := 0, 0, 0
	for seed := range uint64(12) {
		times, values := hand(seed+100, 3, 6, 0)
		times, values = times[:16], values[:16]
		for i := range times {
			times[i] = float64(i) / 6
		}
		o := Options{Tolerance: 6, Raw: true}
		r := fitted(t, times, values, o)
		checkCurve(t, times, values, o, r)
		a, b := fewest(times, values, o.Tolerance, r.Ease)
		if len(r.Keys) > int(math.Ceil(1.3*float64(a))) || len(r.Keys) > int(math.Ceil(1.3*float64(b))) {
			t.Errorf("seed %d: %d keys, and %d through samples or %d fitted would do", seed, len(r.Keys), a, b)
		}
		got, through, fitting = got+len(r.Keys), through+a, fitting+b
	}
	t.Logf("%d keys, and the fewest are %d through samples and %d fitted", got, through, fitting)
	if 10*got > 13*through || 10*got > 13*fitting {
		t.Errorf("%d keys, and the fewest are %d through samples and %d fitted", got, through, fitting)
	}
}

// fewest tries all choices of inner samples as knots.
func fewest(times, values []float64, tolerance float64, kind ease.Spline) (through, fitting int) {
	n := len(times)
	through, fitting = n, n
	at := make([]float64, n)
	var l leastSquares
	sides := [2]side{{end: free}, {end: free}}
	if kind == ease.Cubic {
		sides = [2]side{{end: resting}, {end: resting}}
	}
	for set := range 1 << (n - 2) {
		x, y := []float64{times[0]}, []float64{values[0]}
		for i := 1; i < n-1; i++ {
			if set>>(i-1)&1 == 1 {
				x, y = append(x, times[i]), append(y, values[i])
			}
		}
		x, y = append(x, times[n-1]), append(y, values[n-1])
		if len(x) < through {
			newCurve(kind, x, y).values(at, times)
			worst := 0.0
			for i := range at {
				worst = math.Max(worst, math.Abs(at[i]-values[i]))
			}
			if worst <= tolerance {
				through = len(x)
			}
		}
		if len(x) < fitting && l.fit(x, times, values, sides[0], sides[1]) && l.worst(values) <= tolerance {
			fitting = len(x)
		}
	}
	return through, fitting
}

// TestFewerThanLines: no polyline through samples has as few corners, neither that of
// Ramer (1972), Douglas and Peucker (1973) nor the best there is, found by dynamic
// programming over all pairs of samples (Imai and Iri, 1986).
func TestFewerThanLines(t *testing.T) {
	for seed := range uint64(4) {
		times, values := hand(seed, 6, 60, 0.1)
		o := Options{Tolerance: 0.5}
		r := fitted(t, times, values, o)
		goal, err := smooth(times, values, series{times, values}.weights(), DefaultCutoff)
		if err != nil {
			t.Fatal(err)
		}
		best, split := leastLines(times, goal, o.Tolerance), splitLines(times, goal, o.Tolerance)+1
		t.Logf("%d keys; lines take %d at best and %d by splitting", len(r.Keys), best, split)
		if best > split || len(r.Keys) >= best {
			t.Errorf("seed %d: %d keys; lines take %d at best and %d by splitting", seed, len(r.Keys), best, split)
		}
	}
}

// off gives the farthest sample between i and j from the line between the two.
func off(t, y []float64, i, j int) (at int, e float64) {
	for k := i + 1; k < j; k++ {
		if d := math.Abs(y[i] + (y[j]-y[i])*(t[k]-t[i])/(t[j]-t[i]) - y[k]); d > e {
			at, e = k, d
		}
	}
	return at, e
}

func splitLines(t, y []float64, tolerance float64) int {
	at, e := off(t, y, 0, len(t)-1)
	if e <= tolerance {
		return 1
	}
	return splitLines(t[:at+1], y[:at+1], tolerance) + splitLines(t[at:], y[at:], tolerance)
}

func leastLines(t, y []float64, tolerance float64) int {
	least := make([]int, len(t))
	least[0] = 1
	for j := 1; j < len(t); j++ {
		least[j] = j + 1
		for i := range j {
			if least[i]+1 < least[j] {
				if _, e := off(t, y, i, j); e <= tolerance {
					least[j] = least[i] + 1
				}
			}
		}
	}
	return least[len(t)-1]
}

// TestStretchAndMirror: a take that is twice as slow, higher by a power of two, upside
// down or later gives the same keys, so changed.
func TestStretchAndMirror(t *testing.T) {
	times, values := hand(3, 8, 100, 0)
	o := Options{Tolerance: 1, Raw: true}
	r := fitted(t, times, values, o)
	again := fitted(t, times, values, o)
	if !reflect.DeepEqual(r, again) {
		t.Fatal("the same take gives other keys a second time")
	}
	slow, down := make([]float64, len(times)), make([]float64, len(times))
	for i := range times {
		slow[i], down[i] = 2*times[i], -4*values[i]
	}
	s := fitted(t, slow, down, Options{Tolerance: 4, Raw: true})
	if len(s.Keys) != len(r.Keys) {
		t.Fatalf("%d keys, and %d of the take as it was", len(s.Keys), len(r.Keys))
	}
	for i, k := range s.Keys {
		if k.Time != 2*r.Keys[i].Time || math.Abs(k.Value+4*r.Keys[i].Value) > 1e-9 {
			t.Fatalf("key %d: %v, and was %v", i+1, k, r.Keys[i])
		}
	}
}

func TestSmallTakes(t *testing.T) {
	for name, c := range map[string]struct {
		times, values []float64
		o             Options
		keys          []Key
		repeated      int
	}{
		"one sample":         {[]float64{2}, []float64{7.04}, Options{Tolerance: 1, Round: 0.1}, []Key{{2, 0, 7}}, 0},
		"one on a grid":      {[]float64{2.03}, []float64{7}, Options{Tolerance: 1, Grid: Grid{10, 1}}, []Key{{2, 20, 7}}, 0},
		"two":                {[]float64{0, 1}, []float64{0, 5}, Options{Tolerance: 1, Raw: true}, []Key{{0, 0, 0}, {1, 0, 5}}, 0},
		"the last counts":    {[]float64{0, 0, 1, 1, 1}, []float64{9, 0, 9, 9, 5}, Options{Tolerance: 1, Raw: true}, []Key{{0, 0, 0}, {1, 0, 5}}, 3},
		"constant":           {[]float64{0, 1, 2, 3, 4}, []float64{3, 3, 3, 3, 3}, Options{Tolerance: 1e-6}, []Key{{0, 0, 3}, {4, 0, 3}}, 0},
		"outwards":           {[]float64{0.52, 1, 1.57}, []float64{3, 3, 3}, Options{Tolerance: 1, Grid: Grid{10, 1}, Round: 0.5}, []Key{{0.5, 5, 3}, {1.6, 16, 3}}, 0},
		"within a grid step": {[]float64{0.11, 0.12, 0.13, 0.14}, []float64{3, 3, 3, 3}, Options{Tolerance: 1, Grid: Grid{1, 1}}, []Key{{0, 0, 3}, {1, 1, 3}}, 0},
		"before zero":        {[]float64{-1, -0.5}, []float64{1, 1}, Options{Tolerance: 1}, []Key{{-1, 0, 1}, {-0.5, 0, 1}}, 0},
	} {
		r, err := Fit(c.times, c.values, c.o)
		if err != nil || r.Repeated != c.repeated || len(r.Keys) != len(c.keys) {
			t.Errorf("%s: %+v (%v)", name, r, err)
			continue
		}
		for i, k := range c.keys {
			if g := r.Keys[i]; g.Time != k.Time || g.Step != k.Step || math.Abs(g.Value-k.Value) > 1e-9 {
				t.Errorf("%s: key %d is %v, not %v", name, i+1, g, k)
			}
		}
	}
}

// TestButton: levels are kept with the fewest keys, and changes stand between the samples
// that tell of them.
func TestButton(t *testing.T) {
	var times, values []float64
	for i := range 600 {
		times = append(times, float64(i)/100)
		v := 0.0
		if i >= 130 && i < 137 || i >= 300 && i < 480 {
			v = 100
		}
		values = append(values, v+0.4*math.Sin(float64(i)))
	}
	for _, g := range []Grid{{}, {1000, 1}, {24, 1}} {
		o := Options{Tolerance: 0.5, Steps: true, Grid: g, Round: 0.5}
		r := fitted(t, times, values, o)
		checkCurve(t, times, values, o, r)
		if len(r.Keys) != 5 || r.EaseName() != "hold" || r.Moved > 1.0/24 || g.Num == 1000 && r.Moved != 0 {
			t.Errorf("%v: %+v", g, r)
			continue
		}
		for i, want := range []float64{0, 1.3, 1.37, 3, 4.8} {
			if math.Abs(r.Keys[i].Time-want) > 1.0/24 || math.Abs(r.Keys[i].Value-float64(100*(i%2))) > 0.5 {
				t.Errorf("%v: key %d is %v", g, i+1, r.Keys[i])
			}
		}
	}
	// Changes faster than the grid push each other on, and it is told by how much.
	r := fitted(t, []float64{0, 0.01, 0.02, 0.03}, []float64{0, 9, 0, 9}, Options{Tolerance: 1, Steps: true, Grid: Grid{10, 1}})
	if len(r.Keys) != 4 || r.Keys[3].Step != 3 || math.Abs(r.Moved-0.27) > 1e-9 {
		t.Errorf("%+v", r)
	}
}

// TestJump: a jump in a curve takes more keys about it, and no more than the tolerance.
func TestJump(t *testing.T) {
	var times, values []float64
	for i := range 600 {
		times, values = append(times, float64(i)/120), append(values, 0)
		if i >= 300 {
			values[i] = 60
		}
	}
	for _, raw := range []bool{false, true} {
		o := Options{Tolerance: 0.5, Raw: raw, Round: 0.1}
		r := fitted(t, times, values, o)
		checkCurve(t, times, values, o, r)
		if len(r.Keys) > 24 {
			t.Errorf("%d keys for a jump", len(r.Keys))
		}
	}
}

// TestGaps: where a device was silent the curve goes on between the samples beside the
// gap, and does not swing out.
func TestGaps(t *testing.T) {
	times, values := hand(5, 10, 120, 0.1)
	var t2, y2 []float64
	for i, at := range times {
		if at > 3 && at < 3.7 || at > 6 && at < 6.5 || at > 8 && at < 8.05 {
			continue
		}
		t2, y2 = append(t2, at), append(y2, values[i])
	}
	o := Options{Tolerance: 0.5, Round: 0.1}
	r := fitted(t, t2, y2, o)
	checkCurve(t, t2, y2, o, r)
	if len(r.Gaps) != 2 || math.Abs(r.Gaps[0].From-3) > 0.02 || math.Abs(r.Gaps[1].To-6.5) > 0.02 || r.Samples != len(t2) {
		t.Errorf("%+v", r.Gaps)
	}
	for _, g := range r.Gaps {
		i, _ := slices.BinarySearch(t2, g.From)
		low, high := math.Min(y2[i], y2[i+1]), math.Max(y2[i], y2[i+1])
		for at := g.From; at < g.To; at += 0.005 {
			if v := r.At(at); v < low-3 || v > high+3 {
				t.Errorf("in the gap at %v s the curve is at %v, between %v and %v", at, v, low, high)
				break
			}
		}
	}
}

// TestInMotionAtTheEnds: a take that is cut out of a motion has the ease that lets it.
func TestInMotionAtTheEnds(t *testing.T) {
	var times, values []float64
	for i := range 100 {
		times, values = append(times, float64(i)/100), append(values, 50*float64(i)/100)
	}
	r := fitted(t, times, values, Options{Tolerance: 0.05})
	if r.Ease != ease.Natural || len(r.Keys) != 2 {
		t.Errorf("a straight line is %d keys of %s", len(r.Keys), r.EaseName())
	}
}

func TestRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := Options{Tolerance: 1}
	for name, c := range map[string]struct {
		times, values []float64
		o             Options
		sample        int
		option, says  string
	}{
		"none":             {nil, nil, good, 1, "", "record for longer"},
		"a value short":    {[]float64{0, 1}, []float64{0}, good, 2, "", "2 times and 1 values"},
		"no number":        {[]float64{0, 1}, []float64{0, nan}, good, 2, "", "leave out what could not be read"},
		"no time":          {[]float64{0, inf}, []float64{0, 0}, good, 2, "", "finite seconds"},
		"time goes back":   {[]float64{0, 2, 1}, []float64{0, 0, 0}, good, 3, "", "is before that of the one before, 2 s"},
		"too many":         {make([]float64, MaxSamples+1), make([]float64, MaxSamples+1), good, MaxSamples + 1, "", "record in parts"},
		"no tolerance":     {[]float64{0}, []float64{0}, Options{}, 0, "tolerance", "such as 0.5"},
		"tolerance NaN":    {[]float64{0}, []float64{0}, Options{Tolerance: nan}, 0, "tolerance", "such as 0.5"},
		"a slow filter":    {[]float64{0}, []float64{0}, Options{Tolerance: 1, Cutoff: 0.01}, 0, "cutoff", "0.1 to 1000 Hz"},
		"no grid":          {[]float64{0}, []float64{0}, Options{Tolerance: 1, Grid: Grid{24, 0}}, 0, "grid", "1000/1 for milliseconds"},
		"rounded too far":  {[]float64{0}, []float64{0}, Options{Tolerance: 1, Round: 3}, 0, "round", "round to 1 at most, or allow 3"},
		"rounded negative": {[]float64{0}, []float64{0}, Options{Tolerance: 1, Round: -1}, 0, "round", "such as 0.1"},
	} {
		_, err := Fit(c.times, c.values, c.o)
		var s *SampleError
		var o *OptionError
		if c.option == "" && (!errors.As(err, &s) || s.Sample != c.sample) || c.option != "" && (!errors.As(err, &o) || o.Option != c.option) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestCoarse: a grid on which the tolerance cannot be kept is refused, with a tolerance
// that can.
func TestCoarse(t *testing.T) {
	times, values := hand(2, 6, 120, 0.1)
	o := Options{Tolerance: 0.5, Round: 0.1, Grid: Grid{3, 1}}
	_, err := Fit(times, values, o)
	var c *CoarseError
	if !errors.As(err, &c) || c.Tolerance != 0.5 || !strings.Contains(err.Error(), "take a finer grid") {
		t.Fatalf("%v", err)
	}
	o.Tolerance = roundUp(c.Reached)
	checkCurve(t, times, values, o, fitted(t, times, values, o))
}

// FuzzFit: any take gives keys that keep their promises, or one of the errors.
func FuzzFit(f *testing.F) {
	f.Add([]byte{10, 20, 10, 30, 10, 40, 255, 1, 0, 9, 3, 200}, 0.5, 0.1, 10.0, int64(24), int64(1), false, false)
	f.Add([]byte{1, 0, 1, 255, 1, 0, 1, 255, 1, 0}, 3.0, 0.0, 0.0, int64(0), int64(0), true, false)
	f.Add([]byte{9, 0, 9, 255, 9, 0, 200, 255, 200, 0}, 3.0, 1.0, 0.0, int64(30000), int64(1001), false, true)
	f.Fuzz(func(t *testing.T, data []byte, tolerance, round, cutoff float64, num, den int64, raw, steps bool) {
		var times, values []float64
		at := 0.0
		for i := 0; i+1 < len(data) && i < 400; i += 2 {
			at += math.Pow(float64(data[i]), 2) / 1e4
			times, values = append(times, at), append(values, float64(data[i+1])-128)
		}
		o := Options{tolerance, cutoff, raw, Grid{num, den}, round, steps, nil}
		r, err := Fit(times, values, o)
		if err != nil {
			var s *SampleError
			var p *OptionError
			var c *CoarseError
			if !errors.As(err, &s) && !errors.As(err, &p) && !errors.As(err, &c) || len(times) > 0 && errors.As(err, &s) {
				t.Fatal(err)
			}
			return
		}
		checkCurve(t, times, values, o, r)
	})
}

// BenchmarkTenMinutes fits ten minutes at 120 Hz.
func BenchmarkTenMinutes(b *testing.B) {
	times, values := hand(1, 600, 120, 0.2)
	o := Options{Tolerance: 1, Round: 0.1, Grid: Grid{1000, 1}}
	var r *Result
	b.ReportAllocs()
	for b.Loop() {
		r = fitted(b, times, values, o)
	}
	b.ReportMetric(float64(len(r.Keys)), "keys")
	b.ReportMetric(float64(len(times)), "samples")
}

// Work that is to stop ends at once, wherever it is; asked and told to go on, it gives what
// it gives unasked.
func TestStop(t *testing.T) {
	t.Parallel()
	times, values := hand(5, 12, 120, 0.1)
	o := Options{Tolerance: 0.3, Grid: Grid{1000, 1}, Round: 0.01}
	want, err := Fit(times, values, o)
	if err != nil {
		t.Fatal(err)
	}
	asked := 0
	o.Stop = func() bool { asked++; return false }
	if got, err := Fit(times, values, o); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("asked, it gives %v, %v", got, err)
	}
	all := asked
	if all < len(want.Keys) {
		t.Errorf("for %d keys it asks %d times", len(want.Keys), all)
	}
	for at := 1; at <= all; at += 1 + all/23 {
		asked = 0
		o.Stop = func() bool { asked++; return asked >= at }
		if got, err := Fit(times, values, o); got != nil || err != ErrStopped || asked != at {
			t.Errorf("stopped at %d of %d it gives %v, %v, and has asked %d times", at, all, got, err, asked)
		}
	}
}
