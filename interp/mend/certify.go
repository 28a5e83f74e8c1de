package mend

import (
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/sequence"
)

// Kind is the kind of a limit that a performance may exceed.
type Kind uint8

// The kinds of limits.
const (
	Speed Kind = iota
	Acceleration
	Jerk
	Quiet   // the speed that a quiet window allows
	Current // of a supply
)

var kindNames = [...]string{"speed", "acceleration", "jerk", "speed in a quiet window", "current"}

func (k Kind) String() string { return kindNames[k] }

// Excess is the greatest ratio of a quantity to its limit over a performance.
type Excess struct {
	Kind   Kind
	Axis   *sequence.Axis   // nil for a current
	Supply *sequence.Supply // nil for all else
	Ratio  float64          // 1 is at the limit
	// Of a current the stretch of performance time, of what no pace changes the
	// moment, in s.
	From, To float64
	// Steep marks what no pace changes: a jump of position, or an ease that
	// starts or ends with infinite speed. Either counts over one board frame.
	Steep bool
}

// steepest is the ratio to a limit beyond which a derivative counts as infinite: a
// pace for it would all but stand still.
const steepest = 1e6

// slight is the part of a limit by which a certified plan may pass it: rounding.
const slight = 1e-9

// measure gives what a performance exceeds, nothing where it holds: the extremes of its curves, its
// jumps over one frame, the speeds in quiet windows and the peaks of its
// supplies.
func (r *retimer) measure(p *interp.Performance) []Excess {
	out, _ := r.examine(p)
	return out
}

// breach is a moment at which a limit of acceleration or jerk is exceeded.
type breach struct {
	kind  Kind
	axis  *sequence.Axis
	at    float64 // s of performance time
	ratio float64 // to the limit
}

// examine measures, and gives each moment at which acceleration or jerk is
// exceeded, too.
func (r *retimer) examine(p *interp.Performance) (out []Excess, breaches []breach) {
	out, breaches = r.examineAxes(p, false)
	for _, a := range p.Axes {
		if e := (Excess{Kind: Quiet, Axis: a.Spec, Ratio: quietExcess(a, p)}); shapeable(a.Spec) && e.over() {
			out = append(out, e)
		}
	}
	if r.options.Loads == nil {
		return out, breaches
	}
	loads := r.options.Loads(p)
	sort.SliceStable(loads, func(i, j int) bool { return loads[i].Current > loads[j].Current })
	for _, l := range loads {
		if !l.Supply.Limit.Given() || l.Supply.Limit.V <= 0 {
			continue
		}
		if e := (Excess{Kind: Current, Supply: l.Supply, Ratio: l.Current / l.Supply.Limit.V, From: l.From, To: l.To}); e.over() {
			out = append(out, e)
		}
	}
	return out, breaches
}

func (e Excess) over() bool { return e.Ratio > 1+slight || e.Supply != nil && e.Ratio > 1 }

// examineAxes measures the axes, but for quiet windows. A glance looks at a few
// moments of each piece only: it may miss what is exceeded, and certifies nothing.
func (r *retimer) examineAxes(p *interp.Performance, glance bool) (out []Excess, breaches []breach) {
	for _, a := range p.Axes {
		if !shapeable(a.Spec) {
			continue
		}
		m := axisMeasure{axis: a, perf: p, frame: 1 / rateOf(a.Spec), glance: glance}
		m.run()
		if r.noJerk {
			m.worst[Jerk] = 0
			if m.steep.Kind == Jerk {
				m.steep = Excess{}
			}
		}
		for n := range m.worst {
			if e := (Excess{Kind: Kind(n), Axis: a.Spec, Ratio: m.worst[n]}); e.over() {
				out = append(out, e)
			}
		}
		if m.steep.over() {
			out = append(out, m.steep)
		}
		for _, b := range m.breaches {
			if b.kind != Jerk || !r.noJerk {
				breaches = append(breaches, b)
			}
		}
	}
	return out, breaches
}

// axisMeasure finds the greatest speed, acceleration and jerk of an axis as ratios
// to their limits; 0 where there is none.
type axisMeasure struct {
	axis     *interp.Axis
	perf     *interp.Performance
	frame    float64 // s
	limits   [3]sequence.Figure
	worst    [3]float64
	steep    Excess
	breaches []breach
	glance   bool // at a few moments of each piece
}

func (m *axisMeasure) run() {
	l := m.axis.Spec.HornLimits()
	m.limits = [3]sequence.Figure{l.Speed, l.Acceleration, l.Jerk}
	horn := m.axis.Horn
	cursor := horn.Cursor()
	for i := range horn.Spans() {
		if from, _ := horn.Span(i); from >= m.perf.Length {
			break
		}
		if horn.Still(i) {
			continue
		}
		if m.glance {
			m.look(i, &cursor)
			continue
		}
		for n, l := range m.limits {
			if l.Known() {
				v, at := horn.Range(i, n+1).Peak()
				m.take(i, n, v, at)
			}
		}
	}
	for _, j := range horn.Joints(nil) {
		if m.perf.Script.Loop && (j.At <= 0 || j.At >= m.perf.Length-1e-9) {
			continue // the seam is not an end
		}
		m.joint(j)
	}
}

// look takes a few moments of a piece.
func (m *axisMeasure) look(piece int, cursor *interp.Cursor) {
	from, to := m.axis.Horn.Span(piece)
	h := math.Min(to, m.perf.Length) - from
	ts := [5]float64{from, from + h/4, from + h/2, from + float64(h*0.75), from + float64(h*(1-1e-6))}
	var states [len(ts)]interp.State
	cursor.States(states[:], ts[:])
	for n, l := range m.limits {
		if !l.Known() {
			continue
		}
		most, at := 0.0, from
		for k, s := range states {
			if v := math.Abs(s.Order(n + 1)); v > most {
				most, at = v, ts[k]
			}
		}
		m.take(piece, n, most, at)
	}
}

func (m *axisMeasure) take(piece, n int, v, at float64) {
	if math.IsNaN(v) {
		return
	}
	if v/m.limits[n].V <= steepest {
		m.raise(n, v/m.limits[n].V, at)
		return
	}
	from, to := m.axis.Horn.Span(piece)
	a, b := math.Max(from, at-m.frame), math.Min(to, at+m.frame)
	v = math.Abs(m.axis.Horn.Value(b) - m.axis.Horn.Value(a))
	for range n + 1 {
		v /= m.frame
	}
	m.takeSteep(n, v, at)
}

func (m *axisMeasure) raise(n int, ratio, at float64) {
	m.worst[n] = math.Max(m.worst[n], ratio)
	if Kind(n) != Speed && ratio > 1+slight {
		m.breaches = append(m.breaches, breach{Kind(n), m.axis.Spec, at, ratio})
	}
}

func (m *axisMeasure) takeSteep(n int, v, at float64) {
	if ratio := v / m.limits[n].V; ratio > m.steep.Ratio {
		m.steep = Excess{Kind: Kind(n), Axis: m.axis.Spec, Ratio: ratio, From: at, To: at, Steep: true}
	}
}

// joint takes what jumps: each derivative as the next one over a frame.
func (m *axisMeasure) joint(j interp.Joint) {
	for n, l := range m.limits {
		a, b := j.Before.Order(n), j.After.Order(n)
		d := math.Abs(b - a)
		if !l.Known() || !(d > 1e-9*math.Max(1, math.Max(math.Abs(a), math.Abs(b)))) || math.IsInf(d, 1) {
			continue
		}
		if v := d / m.frame; n == 0 || v/l.V > steepest {
			m.takeSteep(n, v, j.At)
		} else {
			m.raise(n, v/l.V, j.At)
		}
	}
}

// quietExcess gives the greatest ratio of an axis's speed to what the quiet
// windows allow.
func quietExcess(a *interp.Axis, p *interp.Performance) float64 {
	worst := 0.0
	for _, q := range p.Script.Quiet {
		if !q.Applies(a.Spec) || q.Speed.V <= 0 {
			continue
		}
		from, to := p.PerformanceTime(q.From), p.PerformanceTime(q.To)
		for i := range a.Horn.Spans() {
			low, high := a.Horn.Span(i)
			if low, high = math.Max(low, from), math.Min(high, to); low >= high {
				continue
			}
			if peak, at := a.Horn.Range(i, 1).Peak(); at >= low && at <= high && !math.IsInf(peak, 0) {
				worst = math.Max(worst, peak/q.Speed.V)
				continue
			}
			// The window cuts the piece: its speed is looked at closely there.
			const steps = 64
			for k := range steps + 1 {
				t := low + float64((high-low)*float64(k)/steps)
				v := a.Horn.At(t).Speed
				if k == steps {
					v = a.Horn.Before(t).Speed
				}
				if !math.IsInf(v, 0) {
					worst = math.Max(worst, math.Abs(v)/q.Speed.V)
				}
			}
		}
	}
	return worst
}
