package revise

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/ease"
	"limberjack/interp/mend"
	"limberjack/interp/poly"
	"limberjack/interp/spline"
	"limberjack/sequence"
)

// Shaped is what was done to the keys of a motion so that it keeps every limit.
type Shaped struct {
	Script *sequence.Manuscript
	Axes   []ShapedAxis // that were changed, in the rig's order
}

// ShapedAxis says what was done to one axis. Values are of the moved part.
type ShapedAxis struct {
	Axis    *sequence.Axis
	Largest float64 // farthest from the script
	At      float64 // s of performance time at which that is
	Added   int     // keys that came
	Moved   int     // keys with another value or ease
}

// ErrKept says that a motion keeps every limit as it is written.
var ErrKept = errors.New("nothing to shape: every axis keeps its limits as it is written")

// What is tried to draw a shaped curve with keys: shares by which the limits are
// undercut, the smallest first, and with each the greatest distances between keys, as
// parts of the span that is drawn. Few keys far apart swing about a curve that runs
// along its limits, and so beyond them.
var (
	shapeShares = []float64{0.005, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.4}
	shapeParts  = []int{2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64}
)

// Shape puts keys into the text of a motion with which every axis keeps its limits of
// speed, acceleration and jerk: those of the motion that is nearest to the script
// (mend.Shape), drawn by few keys of a cubic spline. Only the keys between which the
// two differ are concerned, and those with a place of their own there stay. Each result
// is judged by the check of the exact curves. stop is asked now and then (nil: never);
// where it is true, the work ends with mend.ErrStopped. Other errors are ErrKept, or of
// sequence.Problems: where keys come from a placement, for instance.
func Shape(m *sequence.Manuscript, stop func() bool) (*Shaped, error) {
	p, err := interp.Compile(m.Script)
	if err != nil {
		return nil, err
	}
	_, axes, err := mend.Shape(p)
	if err != nil {
		return nil, err
	}
	out := &Shaped{Script: m}
	for _, s := range axes {
		if !s.Changed() || !breaks(p, s.Axis, 0, p.Length) {
			continue
		}
		done, err := shapeAxis(out.Script, p, s.Axis, stop)
		if err != nil {
			return nil, err
		}
		out.Script = done.text
		out.Axes = append(out.Axes, done.ShapedAxis)
	}
	if len(out.Axes) == 0 {
		return nil, ErrKept
	}
	return out, nil
}

// breaks reports whether an axis breaks one of its limits, or its travel, between two
// performance times.
func breaks(p *interp.Performance, a *sequence.Axis, from, to float64) bool {
	for _, f := range check.Run(p, nil, nil).Findings {
		rate := f.Rule == "speed" || f.Rule == "acceleration" || f.Rule == "jerk" || f.Rule == "travel"
		if rate && f.Axis == a.Name && !f.Always && f.Level != check.Note && f.To >= from && f.From <= to {
			return true
		}
	}
	return false
}

// shapedText is a text in which one axis is shaped.
type shapedText struct {
	ShapedAxis
	text *sequence.Manuscript
}

// nearEnough is how much farther from the script than the nearest motion one with fewer
// keys may be.
const nearEnough = 1.2

func shapeAxis(m *sequence.Manuscript, p *interp.Performance, a *sequence.Axis, stop func() bool) (*shapedText, error) {
	nearest, err := mend.ShapeAxis(p, a, 0)
	if err != nil {
		return nil, err
	}
	goal, err := newShaping(m, p, nearest, a)
	if err != nil {
		return nil, err
	}
	ways := make([]*shaping, len(shapeShares))
	for i, share := range shapeShares {
		if shaped, err := mend.ShapeAxis(p, a, share); err == nil { // else held keys ask for all that the limits give
			ways[i], err = newShaping(m, p, shaped, a)
			if err != nil {
				return nil, err
			}
		}
	}
	var best *shapedText
	var why error
	for _, parts := range shapeParts {
		for _, w := range ways {
			if stop != nil && stop() {
				return nil, mend.ErrStopped
			}
			if w == nil {
				continue
			}
			done, err := w.try(parts, stop)
			if errors.Is(err, mend.ErrStopped) {
				return nil, err
			}
			if why == nil {
				why = err
			}
			if done != nil && (best == nil || done.Largest < best.Largest) {
				best = done
			}
		}
		if best != nil && best.Largest <= nearEnough*goal.largest {
			return best, nil
		}
	}
	switch {
	case best == nil && why != nil:
		return nil, why
	case best == nil:
		return nil, sequence.Problems{{At: a.At, Text: fmt.Sprintf("no keys were found with which %s keeps its limits", a.Name), Hint: "give its moves more time, or retime the motion"}}
	}
	return best, nil
}

// runUp is how many frames before and after what is shaped are drawn anew, for the ends
// of the spline, which begins and ends at rest.
const runUp = 3

// shaping is one axis of a motion that is drawn anew where it is shaped.
type shaping struct {
	m      *sequence.Manuscript
	axis   *sequence.Axis
	target sequence.Target
	track  *sequence.Track // nil: there is none yet
	alone  *interp.Curve   // what the track says, over script time
	part   *interp.Curve   // before
	times  []float64       // frames of the board, s of script time
	own    []float64       // what the track shall say there
	frame  float64         // s
	draft  *sequence.Draft
	spans  []shapeSpan

	largest float64 // of the deviation that is drawn
}

// shapeSpan is a stretch of a track, from rest to rest, that is drawn anew.
type shapeSpan struct{ knots []knot }

// knot is a key of a span.
type knot struct {
	time, value float64
	key         *sequence.Key // nil: a new one
	fixed       bool          // keeps its value
}

func newShaping(m *sequence.Manuscript, p, shaped *interp.Performance, a *sequence.Axis) (*shaping, error) {
	w := &shaping{m: m, axis: a, target: sequence.Target{Axis: a}, frame: 0.02}
	if a.Board != nil && a.Board.Rate.V > 0 {
		w.frame = a.Board.Frame()
	}
	for _, tr := range m.Script.Merged {
		if tr.Target == w.target {
			w.track = tr
		}
	}
	n := p.Frames(1 / w.frame)
	at := make([]float64, n)
	w.times = make([]float64, n)
	for i := range at {
		at[i] = math.Min(p.Length, float64(i)*w.frame)
		w.times[i] = p.ScriptTime(at[i])
	}
	w.part = curveOf(p, w.target)
	var err error
	if w.draft, err = sequence.NewDraft(m.Text, m.Script); err != nil {
		return nil, err
	}
	was, now := fill(w.part, at), fill(curveOf(shaped, w.target), at)
	if w.alone, err = trackCurve(m.Script, w.target); err != nil {
		return nil, err
	}
	own := fill(w.alone, w.times)
	largest := 0.0
	for i := range own {
		own[i] += now[i] - was[i]
		largest = math.Max(largest, math.Abs(now[i]-was[i]))
	}
	w.own, w.largest = own, largest
	for i := 0; i < n; i++ {
		if math.Abs(now[i]-was[i]) <= 0.01*largest {
			continue
		}
		j := i
		for j+1 < n && math.Abs(now[j+1]-was[j+1]) > 0.01*largest {
			j++
		}
		if err := w.span(math.Max(0, w.times[i]-float64(runUp*w.frame)), w.times[j]+float64(runUp*w.frame)); err != nil {
			return nil, err
		}
		i = j
	}
	return w, nil
}

func fill(c *interp.Curve, at []float64) []float64 {
	out := make([]float64, len(at))
	cursor := c.Cursor()
	cursor.Fill(out, at)
	return out
}

// span takes in a stretch of script time in which the axis is to be drawn anew: it
// grows to keys at rest on both sides, and becomes one with a span that it meets.
func (w *shaping) span(from, to float64) error {
	if n := len(w.spans); n > 0 {
		if last := w.spans[n-1].knots; from <= last[len(last)-1].time {
			from = last[0].time
			w.spans = w.spans[:n-1]
		}
	}
	var keys []sequence.Key
	if w.track != nil {
		keys = w.track.Keys
	}
	first, last := -1, len(keys)
	for i, k := range keys {
		if k.Arrive <= from+grain && (w.resting(k.Arrive) || first < 0) {
			first = i
		}
	}
	for i := len(keys) - 1; i > first; i-- {
		if keys[i].Arrive >= to-grain && (w.resting(keys[i].Arrive) || last == len(keys)) {
			last = i
		}
	}
	for last+1 < len(keys) && keys[last+1].Ease.Spline() == ease.Cubic && !keys[last+1].Soonest {
		last++ // what follows as one spline is one with it
	}
	knots, err := w.between(keys, first, last, from, to)
	w.spans = append(w.spans, shapeSpan{knots})
	return err
}

// still reports whether a track stays where it is from a key to the next one.
func still(keys []sequence.Key, i int) bool {
	next := &keys[i+1]
	return keys[i].Value == next.Value && (next.Soonest || next.Ease.Spline() == ease.None)
}

// resting reports whether the track is at rest at a time.
func (w *shaping) resting(t float64) bool {
	const slow = 1e-3 // unit/s
	speed := math.Abs(w.alone.At(t).Speed)
	if t > 0 {
		speed = math.Max(speed, math.Abs(w.alone.Before(t).Speed))
	}
	return speed < slow
}

// between gives the knots of a span: keys of the track, with new ones at its ends where
// the track has none, or stays where it is. The first and the last key of a track may
// have other values, too, which hold before and after. What is not a key of its own
// cannot be drawn anew.
func (w *shaping) between(keys []sequence.Key, first, last int, from, to float64) ([]knot, error) {
	from, to = w.grid(from, math.Floor), math.Min(w.grid(to, math.Ceil), w.m.Script.Length)
	rest := func(t float64) knot { return knot{time: t, value: w.alone.Value(t), fixed: true} }
	var out []knot
	switch {
	case first < 0:
		out, first = append(out, rest(from)), 0
	case first+1 < len(keys) && still(keys, first) && keys[first].Arrive < from-grain && from < keys[first+1].Arrive-grain:
		out, first = append(out, rest(from)), first+1
	default:
		out, first = append(out, knot{time: keys[first].Arrive, value: keys[first].Value, key: &keys[first], fixed: first > 0 || keys[first].Hold}), first+1
	}
	open := last == len(keys)
	if !open && last > 0 && still(keys, last-1) && keys[last-1].Arrive < to-grain && to < keys[last].Arrive-grain {
		open, last = true, last-1
	}
	for i := first; i <= last && i < len(keys); i++ {
		k := &keys[i]
		switch {
		case k.Place != nil:
			return nil, sequence.Problems{{At: k.Place.At, Text: fmt.Sprintf("what is placed here moves %s at %s, where its motion would have to be another", w.axis.Name, sequence.FormatSeconds(k.Arrive)),
				Hint: "write its keys into the track, or retime the motion"}}
		case k.Soonest:
			return nil, sequence.Problems{{At: k.At, Text: fmt.Sprintf("the key of %s at %s is soonest, and takes no ease", w.axis.Name, sequence.FormatSeconds(k.Arrive)), Hint: "give it a time, or retime the motion"}}
		}
		out = append(out, knot{time: k.Arrive, value: k.Value, key: k, fixed: k.Hold || !open && i == last && last+1 < len(keys)})
	}
	if open && to > out[len(out)-1].time+grain {
		out = append(out, rest(to))
	}
	return out, nil
}

// grid gives the time in s near to one that a new key can have: a whole frame where the
// key before it is written in frames, else a whole millisecond.
func (w *shaping) grid(t float64, round func(float64) float64) float64 {
	like := t
	if w.track != nil {
		i := sort.Search(len(w.track.Keys), func(i int) bool { return w.track.Keys[i].Time > t })
		like = w.track.Keys[max(0, i-1)].Time
	}
	step := w.draft.Step(like)
	slack := 1e-6 // of a step: what is on the grid stays there
	if round(0.5) > 0.5 {
		slack = -slack
	}
	if step == 0.001 {
		return round(float64(t*1000)+slack) / 1000
	}
	return round(t/step+slack) * step
}

// try draws all spans with keys so near to each other, and gives nil where a limit is
// not kept so.
func (w *shaping) try(parts int, stop func() bool) (*shapedText, error) {
	out := &shapedText{ShapedAxis: ShapedAxis{Axis: w.axis}}
	var changes []sequence.Change
	for _, s := range w.spans {
		knots, err := w.drawn(s, parts, stop)
		if knots == nil {
			return nil, err
		}
		for i, k := range knots {
			c := w.change(k, i == 0)
			switch c.(type) {
			case *sequence.AddKey:
				out.Added++
			case *sequence.SetKey:
				out.Moved++
			}
			if c != nil {
				changes = append(changes, c)
			}
		}
	}
	var err error
	if out.text, err = w.m.Change(changes); err != nil {
		return nil, err
	}
	p, err := interp.Compile(out.text.Script)
	if err != nil {
		return nil, err
	}
	for _, s := range w.spans {
		from, to := s.knots[0].time, s.knots[len(s.knots)-1].time
		if breaks(p, w.axis, p.PerformanceTime(from), p.PerformanceTime(to)) {
			return nil, nil
		}
	}
	w.compare(out, p)
	return out, nil
}

// change is what is written for a knot; nil: nothing.
func (w *shaping) change(k knot, first bool) sequence.Change {
	eased := ease.Cubic.String()
	if k.key == nil {
		if first {
			eased = ""
		}
		return &sequence.AddKey{Track: w.axis.Name, Time: k.time, Value: k.value, Ease: eased}
	}
	c := &sequence.SetKey{KeyAt: sequence.KeyAt{Track: w.axis.Name, Index: k.key.Index}, Ease: &eased}
	if !k.fixed {
		c.Value = &k.value
	}
	if first { // the spline begins there
		if c.Ease = nil; k.fixed {
			return nil
		}
	}
	return c
}

// drawn gives the knots of a span with new ones between, no farther apart than a part
// of it, with the values with which their spline is nearest to what the track shall say
// (least squares). It gives nil where the frames are too few for that, with an error where
// it is too much to be worked out.
func (w *shaping) drawn(s shapeSpan, parts int, stop func() bool) ([]knot, error) {
	first, last := s.knots[0].time, s.knots[len(s.knots)-1].time
	most := (last - first) / float64(parts)
	if most < 1.5*w.frame {
		return nil, nil
	}
	var knots []knot
	for i, k := range s.knots {
		if i > 0 {
			gap := k.time - s.knots[i-1].time
			n := math.Ceil(gap/most - 1e-9)
			for j := 1.0; j < n; j++ {
				at := s.knots[i-1].time + float64(gap*j/n)
				if at = w.grid(at, math.Round); at > knots[len(knots)-1].time+grain && at < k.time-grain {
					knots = append(knots, knot{time: at})
				}
			}
		}
		knots = append(knots, k)
	}
	return w.fitted(knots, stop)
}

// mostDrawn bounds a least squares fit: free keys of a span times frames of the board in
// it, for each of which it holds a number (160 MB in all).
const mostDrawn = 20_000_000

// fitted gives knots the values that fit best. A spline is linear in the values of its
// knots, so that it is a sum of those in which a single one is 1.
func (w *shaping) fitted(knots []knot, stop func() bool) ([]knot, error) {
	t, y := make([]float64, len(knots)), make([]float64, len(knots))
	var free []int
	low, high := math.Inf(1), math.Inf(-1)
	for i, k := range knots {
		t[i] = k.time
		if k.fixed {
			y[i] = k.value
		} else {
			free = append(free, i)
		}
	}
	from, _ := slices.BinarySearch(w.times, t[0])
	to, _ := slices.BinarySearch(w.times, t[len(t)-1])
	at, want := w.times[from:to], slices.Clone(w.own[from:to])
	if len(at) < len(free) {
		return nil, nil
	}
	if len(free)*len(at) > mostDrawn {
		return nil, sequence.Problems{{At: w.axis.At, Text: fmt.Sprintf("%s moves from %s to %s without a rest, by %d keys, which is too much to be shaped at once", w.axis.Name,
			sequence.FormatSeconds(t[0]), sequence.FormatSeconds(t[len(t)-1]), len(free)), Hint: "let it rest somewhere between, take keys out there, or retime the motion"}}
	}
	for i, v := range splineAt(t, y, at) {
		low, high = math.Min(low, want[i]), math.Max(high, want[i])
		want[i] -= v
	}
	basis := make([][]float64, len(free))
	one := make([]float64, len(knots))
	for i, k := range free {
		if stop != nil && stop() {
			return nil, mend.ErrStopped
		}
		one[k] = 1
		basis[i] = splineAt(t, one, at)
		one[k] = 0
	}
	values, err := leastSquares(basis, want, stop)
	if values == nil {
		return nil, err
	}
	unit := math.Pow(10, math.Floor(math.Log10(math.Max(high-low, 1e-3)*1e-4)))
	for i, k := range free {
		knots[k].value = clamp(math.Round(values[i]/unit)*unit, w.target)
	}
	return knots, nil
}

// splineAt gives the values at ascending times of the cubic spline through knots.
func splineAt(t, y, at []float64) []float64 {
	out := make([]float64, len(at))
	segments, err := spline.Build(nil, spline.Cubic, t, y)
	if err != nil {
		panic(err) // times of keys ascend and are finite
	}
	i := 0
	for j, x := range at {
		for i+1 < len(segments) && t[i+1] <= x {
			i++
		}
		out[j] = poly.Eval(segments[i][:], x-t[i])
	}
	return out
}

// leastSquares gives the factors of basis with which its sum is nearest to want: the
// normal equations, by Cholesky's method. It gives nil where they do not tell them, and
// mend.ErrStopped where stop says so.
func leastSquares(basis [][]float64, want []float64, stop func() bool) ([]float64, error) {
	n := len(basis)
	a, b := make([][]float64, n), make([]float64, n)
	for i := range n {
		if stop != nil && stop() {
			return nil, mend.ErrStopped
		}
		a[i] = make([]float64, n)
		for j := range i + 1 {
			a[i][j] = dot(basis[i], basis[j])
		}
		b[i] = dot(basis[i], want)
	}
	for i := range n {
		if stop != nil && stop() {
			return nil, mend.ErrStopped
		}
		for j := range i + 1 {
			sum := a[i][j] - dot(a[i][:j], a[j][:j])
			switch {
			case i != j:
				a[i][j] = sum / a[j][j]
			case sum <= 1e-9:
				return nil, nil
			default:
				a[i][i] = math.Sqrt(sum)
			}
		}
		b[i] = (b[i] - dot(a[i][:i], b[:i])) / a[i][i]
	}
	for i := n - 1; i >= 0; i-- {
		for j := i + 1; j < n; j++ {
			b[i] -= float64(a[j][i] * b[j])
		}
		b[i] /= a[i][i]
	}
	return b, nil
}

func dot(a, b []float64) (sum float64) {
	for i := range a {
		sum += float64(a[i] * b[i])
	}
	return sum
}

// compare tells how far the axis is from the script.
func (w *shaping) compare(out *shapedText, p *interp.Performance) {
	n := p.Frames(1 / w.frame)
	at := make([]float64, n)
	for i := range at {
		at[i] = math.Min(p.Length, float64(i)*w.frame)
	}
	was, now := fill(w.part, at), fill(curveOf(p, w.target), at)
	for i := range at {
		if d := math.Abs(now[i] - was[i]); d > out.Largest {
			out.Largest, out.At = d, at[i]
		}
	}
}
