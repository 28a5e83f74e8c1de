package check

import (
	"fmt"
	"math"
	"strings"

	"limberjack/interp"
	"limberjack/sequence"
)

// axisCheck holds what the checks of one axis share.
type axisCheck struct {
	*checker
	curves *interp.Axis
	spec   *sequence.Axis
	horn   *interp.Curve
	part   *interp.Curve
	limits sequence.AxisLimits
	frame  float64 // s, of the axis's board
	ranges []pieceRange
	runsOf []run
	turns  int
	way    float64 // at the horn
}

// pieceRange are the extremes of position, speed, acceleration and jerk of one
// piece of the horn's curve.
type pieceRange [4]interp.Range

// day is the seconds of a day, for the forecast of wear.
const day = 86400

const defaultFrame = 0.020 // s, a 50 Hz frame (common practice)

func newAxisCheck(c *checker, a *interp.Axis) *axisCheck {
	x := &axisCheck{checker: c, curves: a, spec: a.Spec, horn: a.Horn, part: a.Part, limits: a.Spec.HornLimits(), frame: frameOf(a.Spec)}
	x.ranges = c.measures.of(a.Horn).ranges(x.frame)
	x.findRuns()
	return x
}

// frameOf gives the frame of an axis's board in seconds.
func frameOf(a *sequence.Axis) float64 {
	if a.Board == nil || a.Board.Rate.V <= 0 {
		return defaultFrame
	}
	return a.Board.Frame()
}

// tame replaces an infinite derivative, at the end of an ease with a vertical
// tangent, by what one board frame makes of it: the board cannot show more.
func (p *pieceRange) tame(c *interp.Curve, i int, frame float64) {
	from, to := c.Span(i)
	for n := 1; n < 4; n++ {
		r := &p[n]
		for _, e := range []struct{ v, at *float64 }{{&r.Min, &r.AtMin}, {&r.Max, &r.AtMax}} {
			if !math.IsInf(*e.v, 0) && !math.IsNaN(*e.v) {
				continue
			}
			a := math.Max(from, *e.at-frame)
			b := math.Min(to, *e.at+frame)
			step := math.Abs(c.Value(b)-c.Value(a)) / math.Pow(frame, float64(n))
			*e.v = math.Copysign(step, *e.v)
		}
	}
}

// unit gives the unit of the derivative of an order.
func (x *axisCheck) unit(order int) string {
	u := x.spec.Unit
	if u == "" {
		u = "state"
	}
	return u + [...]string{"", "/s", "/s2", "/s3"}[order]
}

// summary adds the axis's line to the report, all of it at the moved part, with
// jumps counted over one frame.
func (x *axisCheck) summary() {
	s := AxisSummary{Axis: x.spec.Name, Unit: x.spec.Unit, Min: math.Inf(1), Max: math.Inf(-1), Travelled: x.way, Turns: x.turns}
	ranges := x.ranges
	if x.part != x.horn {
		ranges = x.measures.of(x.part).ranges(x.frame)
		s.Travelled = x.travelled(x.part)
	}
	if x.wears() && x.perf.Script.Loop && x.perf.Length > 0 {
		s.PlaysADay = day / x.perf.Length
	}
	for i, r := range ranges {
		if from, _ := x.part.Span(i); from > x.perf.Length {
			break
		}
		s.Min, s.Max = math.Min(s.Min, r[0].Min), math.Max(s.Max, r[0].Max)
		for n, peak := range []*float64{&s.PeakSpeed, &s.PeakAcceleration, &s.PeakJerk} {
			v, _ := r[n+1].Peak()
			*peak = math.Max(*peak, v)
		}
	}
	for _, j := range x.innerJoints(x.part) {
		for n, peak := range []*float64{&s.PeakSpeed, &s.PeakAcceleration, &s.PeakJerk} {
			*peak = math.Max(*peak, jumpOf(j, n+1, x.frame))
		}
	}
	x.report.Axes = append(x.report.Axes, s)
}

// travelled sums all ways of a curve.
func (x *axisCheck) travelled(c *interp.Curve) float64 {
	sum := 0.0
	m := x.measures.of(c)
	for i := range c.Spans() {
		if from, _ := c.Span(i); from >= x.perf.Length {
			break
		}
		w := m.ways[i]
		sum = sum + w.Up + w.Down
	}
	return sum
}

// innerJoints gives the jumps of a curve. Those at the two ends of a loop are
// the seam's.
func (x *axisCheck) innerJoints(c *interp.Curve) []interp.Joint {
	var out []interp.Joint
	for _, j := range c.Joints(nil) {
		if x.perf.Script.Loop && (j.At <= 0 || j.At >= x.perf.Length-1e-9) {
			continue
		}
		out = append(out, j)
	}
	return out
}

// jumpOf gives what a joint counts as for a derivative of an order: the jump of
// the one before it over one frame, so that a jump of position counts as speed,
// of speed as acceleration, of acceleration as jerk.
func jumpOf(j interp.Joint, order int, frame float64) float64 {
	a, b := j.Before.Order(order-1), j.After.Order(order-1)
	d := math.Abs(b - a)
	if d > 1e-9*math.Max(1, math.Max(math.Abs(a), math.Abs(b))) && !math.IsNaN(d) && !math.IsInf(d, 0) {
		return d / frame
	}
	return 0
}

// travel finds where the part goes beyond its end stops, and the horn beyond
// the calibrated pulses.
func (x *axisCheck) travel() {
	low, high, ok := x.spec.Bounds()
	if ok {
		x.beyond("travel", Error, x.part, low, high, x.travelText)
	}
	if n := len(x.spec.Pulse); n > 0 && x.spec.Pulse[0].Value.Given() {
		x.beyond("calibration", Warning, x.horn, x.spec.Pulse[0].Value.V, x.spec.Pulse[n-1].Value.V, x.calibrationText)
	}
}

// beyond adds a finding for each stretch in which a curve leaves [low, high].
func (x *axisCheck) beyond(rule string, level Level, curve *interp.Curve, low, high float64, text func(*Finding, interp.Source)) {
	tolerance := 1e-9 * math.Max(1, high-low)
	m := x.measures.of(curve)
	for i := range curve.Spans() {
		if from, _ := curve.Span(i); from > x.perf.Length {
			return
		}
		r := m.all[i][0]
		for _, side := range []struct {
			out      bool
			v, at, l float64
			below    bool
		}{{r.Max > high+tolerance, r.Max, r.AtMax, high, false}, {r.Min < low-tolerance, r.Min, r.AtMin, low, true}} {
			if !side.out {
				continue
			}
			src := x.curves.BlamePosition(math.Min(side.at, x.perf.Length), low, high)
			f := Finding{Level: level, Rule: rule, Axis: x.spec.Name, At: src.At, From: side.at, To: side.at, Value: side.v, Limit: side.l, Unit: x.spec.Unit}
			for _, span := range curve.Over(nil, i, 0, side.l, side.below) {
				f.From, f.To = math.Min(f.From, span[0]), math.Max(f.To, math.Min(span[1], x.perf.Length))
			}
			text(&f, src)
			x.join(f)
		}
	}
}

func (x *axisCheck) travelText(f *Finding, src interp.Source) {
	over := math.Abs(f.Value - f.Limit)
	f.Message = fmt.Sprintf("%s reaches %s, %s beyond its end stop at %s: it would stall against the stop",
		f.Axis, amount(f.Value, f.Unit), amount(over, f.Unit), amount(f.Limit, f.Unit))
	switch {
	case src.Layer != nil:
		f.Remedy = fmt.Sprintf("take %s off the %s layer, or off the keys under it", amount(roundUp(over), f.Unit), src.Layer.Kind)
	case src.Track != nil && src.Key > 0 && !x.curves.Alone():
		f.Remedy = fmt.Sprintf("take %s off this key, or off what is added to it", amount(roundUp(over), f.Unit))
	default:
		f.Remedy = fmt.Sprintf("bring the keys %s back from the stop, or use an ease that does not overshoot", amount(roundUp(over), f.Unit))
	}
}

func (x *axisCheck) calibrationText(f *Finding, _ interp.Source) {
	over := math.Abs(f.Value - f.Limit)
	f.Message = fmt.Sprintf("the horn of %s goes to %s, %s beyond the last calibrated point: the pulse there is a guess",
		f.Axis, amount(f.Value, f.Unit), amount(over, f.Unit))
	f.Remedy = fmt.Sprintf("measure a pulse at %s, or keep %s inside", amount(f.Value, f.Unit), amount(f.Limit, f.Unit))
}

var rateRules = [4]string{"", "speed", "acceleration", "jerk"}

func (x *axisCheck) limit(order int) sequence.Figure {
	return [...]sequence.Figure{{}, x.limits.Speed, x.limits.Acceleration, x.limits.Jerk}[order]
}

// rates finds where speed, acceleration and jerk inside a piece are beyond the
// limits.
func (x *axisCheck) rates() {
	for order := 1; order <= 3; order++ {
		limit := x.limit(order)
		if !limit.Known() {
			continue
		}
		for i := range x.ranges {
			if from, _ := x.horn.Span(i); from >= x.perf.Length {
				break
			}
			v, at := x.ranges[i][order].Peak()
			if v <= limit.V*(1+1e-9) {
				continue
			}
			src := x.curves.Blame(at, order)
			f := Finding{Rule: rateRules[order], Axis: x.spec.Name, At: src.At, From: at, To: at, Value: v, Limit: limit.V, Unit: x.unit(order)}
			for _, below := range []bool{false, true} {
				level := limit.V
				if below {
					level = -level
				}
				for _, span := range x.horn.Over(nil, i, order, level, below) {
					f.From, f.To = math.Min(f.From, span[0]), math.Max(f.To, span[1])
				}
			}
			x.rateText(&f, src, order, limit)
			x.join(f)
		}
	}
}

// rateLevel is an error for what the maker said or the data sheet says, and a
// warning for what stands on an assumption.
func rateLevel(limit sequence.Figure) Level {
	if limit.Origin == sequence.OriginClass {
		return Warning
	}
	return Error
}

var rateMeaning = [4]string{"", "the axis falls behind and cuts the move short", "the axis starts late and overshoots", "the axis shakes what it carries"}

func (x *axisCheck) rateText(f *Finding, src interp.Source, order int, limit sequence.Figure) {
	f.Level = rateLevel(limit)
	f.Message = fmt.Sprintf("%s asks for %s where %s is the most (%s): %s", f.Axis, amount(f.Value, f.Unit), amount(f.Limit, f.Unit), originText(limit.Origin, x.spec), rateMeaning[order])
	f.Remedy = x.rateRemedy(src, order, f.Value/f.Limit, (f.From+f.To)/2)
}

func originText(o sequence.Origin, a *sequence.Axis) string {
	switch o {
	case sequence.OriginGiven:
		return "limits in the rig"
	case sequence.OriginSheet:
		if a.MostLoadTorque() > 0 {
			return "its data sheet, under its load"
		}
		return "its data sheet"
	case sequence.OriginMeasured:
		return "as measured"
	}
	return "class default, a " + a.Figures().Class + " servo"
}

// rateRemedy says what would bring a derivative of an order down by the ratio:
// a move stretched by k has its speed divided by k, its acceleration by k^2, its
// jerk by k^3; a move reduced by the ratio has all three divided by it.
func (x *axisCheck) rateRemedy(src interp.Source, order int, ratio, at float64) string {
	stretch := math.Pow(ratio, 1/float64(order))
	if l := src.Layer; l != nil && x.curves.Alone() {
		return layerRemedy(l, order, ratio, x.spec.Unit)
	}
	if lines := x.curves.MovedBy(at); len(lines) > 1 {
		return fmt.Sprintf("give all that moves it there %s times its time (%s), or make it smaller by a factor of %s", up(stretch), lineList(lines), up(ratio))
	}
	if l := src.Layer; l != nil {
		return layerRemedy(l, order, ratio, x.spec.Unit)
	}
	if src.Track == nil || src.Key < 1 {
		return fmt.Sprintf("give it %s times its time", up(stretch))
	}
	a, b := src.Track.Keys[src.Key-1], src.Track.Keys[src.Key]
	if b.Soonest {
		return "soonest leaves nothing to add: end what is added to it before this move, or give the key a time"
	}
	duration, way, unit := b.Time-a.Time, b.Value-a.Value, src.Track.Target.Unit()
	if rough(b, order) {
		return fmt.Sprintf("this ease starts or stops with a jolt; use min-jerk and give the move %s in all", atLeast(x.softTime(way)))
	}
	text := fmt.Sprintf("give this move %s more (%s in all)", atLeast(duration*(stretch-1)), atLeast(duration*stretch))
	if way != 0 && b.Ease.Spline() == 0 {
		text += fmt.Sprintf(", or reduce it to %s", atMost(math.Abs(way)/ratio, unit))
	}
	return text
}

func layerRemedy(l *sequence.Layer, order int, ratio float64, unit string) string {
	if l.Kind == sequence.Envelope {
		return fmt.Sprintf("bring high down to %s, or smooth it: attack %s and release %s", atMost(l.Low+(l.High-l.Low)/ratio, unit),
			atLeast(l.Attack*ratio), atLeast(l.Release*ratio))
	}
	return fmt.Sprintf("reduce its amount to %s, or its rate to %s Hz", atMost(l.Amount/ratio, unit), down(l.Rate/math.Pow(ratio, 1/float64(order))))
}

// rough reports whether stretching a move does not do for a derivative of an
// order: it is without bound inside the ease, or one below it jumps at an end.
func rough(k sequence.Key, order int) bool {
	if k.Ease.Spline() != 0 {
		return false
	}
	p := k.Ease.Peaks()
	if math.IsInf([...]float64{0, p.Speed, p.Acceleration, p.Jerk}[order], 0) {
		return true
	}
	for _, x := range []float64{0, math.Nextafter(1, 0)} {
		_, d1, d2, _ := k.Ease.At(x)
		if order >= 2 && math.Abs(d1) > 1e-6 || order == 3 && math.Abs(d2) > 1e-6 {
			return true
		}
	}
	return false
}

// softTime gives the least time in which a minimum-jerk move over a way keeps
// all limits: its peak factors are 15/8, 10/sqrt(3) and 60.
func (x *axisCheck) softTime(way float64) float64 {
	t := 0.0
	for order, factor := range [4]float64{0, 15.0 / 8, 10 / math.Sqrt(3), 60} {
		if l := x.limit(order); order > 0 && l.Known() {
			t = math.Max(t, math.Pow(factor*math.Abs(way)/l.V, 1/float64(order)))
		}
	}
	return t
}

func lineList(lines []int) string {
	words := make([]string, len(lines))
	for i, l := range lines {
		words[i] = fmt.Sprint(l)
	}
	return "lines " + strings.Join(words, ", ")
}

// up and down write a factor to three decimals that must not be undercut, or not
// be passed.
func up(v float64) string   { return trimZeros(math.Ceil(v*1000-1e-9) / 1000) }
func down(v float64) string { return trimZeros(math.Floor(v*1000+1e-9) / 1000) }

func trimZeros(v float64) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.3f", v), "0"), ".")
}

// atMost writes a way that must not be passed, rounded down to a hundredth.
func atMost(v float64, unit string) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.2f", math.Floor(v*100+1e-9)/100), "0"), ".") + " " + unit
}

// joints finds corners: jumps of position, speed and acceleration, each counted
// over one frame of the board.
func (x *axisCheck) joints() {
	if x.spec.Kind == sequence.Switch {
		return
	}
	for _, j := range x.innerJoints(x.horn) {
		for order := 1; order <= 3; order++ {
			x.joint(j, order)
		}
	}
}

// joint judges what a joint counts as for a derivative of one order.
func (x *axisCheck) joint(j interp.Joint, order int) {
	limit, size := x.limit(order), jumpOf(j, order, x.frame)
	if !limit.Known() || size <= limit.V*(1+1e-9) {
		return
	}
	src := x.blameJoint(j, order)
	f := Finding{Level: rateLevel(limit), Rule: rateRules[order], Axis: x.spec.Name, At: src.At, From: j.At, To: j.At,
		Value: size, Limit: limit.V, Unit: x.unit(order)}
	before, after := j.Before.Order(order-1), j.After.Order(order-1)
	f.Message = fmt.Sprintf("%s jumps from %s to %s at once, which over one frame of %s is %s, where %s is the most (%s): %s",
		f.Axis, amount(before, x.unit(order-1)), amount(after, x.unit(order-1)), sequence.FormatSeconds(x.frame),
		amount(size, f.Unit), amount(limit.V, f.Unit), originText(limit.Origin, x.spec), rateMeaning[order])
	f.Remedy = x.jointRemedy(src, order, math.Abs(after-before), limit.V)
	x.join(f)
}

// blameJoint gives the source of a jump: the contribution that jumps most.
func (x *axisCheck) blameJoint(j interp.Joint, order int) interp.Source {
	return x.curves.BlameJump(j.At, order-1)
}

func (x *axisCheck) jointRemedy(src interp.Source, order int, jump, limit float64) string {
	switch {
	case src.Layer != nil:
		return fmt.Sprintf("give the layer a fade of %s or more, or a smaller amount", atLeast(math.Max(jump/limit, 0.1)))
	case order == 1:
		return fmt.Sprintf("let it move there by min-jerk in %s or more", atLeast(x.softTime(jump)))
	case src.Track == nil || src.Key < 1:
		return fmt.Sprintf("let it change over %s or more", atLeast(jump/limit))
	}
	a, b := src.Track.Keys[src.Key-1], src.Track.Keys[src.Key]
	return fmt.Sprintf("let the moves on both sides arrive by min-jerk, this one in %s in all", atLeast(math.Max(b.Time-a.Time, x.softTime(b.Value-a.Value))))
}

// amount writes a figure with its unit, to three or four figures.
func amount(v float64, unit string) string {
	switch unit {
	case "":
		return sequence.FormatValue(v, "")
	case "%":
		return short(v) + " %"
	}
	return short(v) + " " + unit
}

// short writes a number to four figures at most, without an exponent below a
// million.
func short(v float64) string {
	a := math.Abs(v)
	digits := 0
	switch {
	case a == 0:
		return "0"
	case a < 0.01:
		digits = 5
	case a < 1:
		digits = 3
	case a < 10:
		digits = 2
	case a < 100:
		digits = 1
	}
	s := fmt.Sprintf("%.*f", digits, v)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// atLeast writes a time that must not be undercut, rounded up to 10 ms.
func atLeast(t float64) string {
	return short2(math.Ceil(t*100-1e-9)/100) + " s"
}

func short2(v float64) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.2f", v), "0"), ".")
}

func roundUp(v float64) float64 { return math.Ceil(v*100-1e-9) / 100 }
