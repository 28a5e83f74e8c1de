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
	x := &axisCheck{checker: c, curves: a, spec: a.Spec, horn: a.Horn, part: a.Part, limits: a.Spec.HornLimits(), frame: defaultFrame}
	if a.Spec.Board != nil && a.Spec.Board.Rate.V > 0 {
		x.frame = a.Spec.Board.Frame()
	}
	x.ranges = make([]pieceRange, a.Horn.Spans())
	for i := range x.ranges {
		for n := range 4 {
			x.ranges[i][n] = a.Horn.Range(i, n)
		}
		x.tameInfinite(i)
	}
	x.findRuns()
	return x
}

// tameInfinite replaces an infinite derivative, at the end of an ease with a
// vertical tangent, by what one board frame makes of it: the board cannot show
// more.
func (x *axisCheck) tameInfinite(i int) {
	from, to := x.horn.Span(i)
	for n := 1; n < 4; n++ {
		r := &x.ranges[i][n]
		for _, e := range []struct{ v, at *float64 }{{&r.Min, &r.AtMin}, {&r.Max, &r.AtMax}} {
			if !math.IsInf(*e.v, 0) && !math.IsNaN(*e.v) {
				continue
			}
			a := math.Max(from, *e.at-x.frame)
			b := math.Min(to, *e.at+x.frame)
			step := math.Abs(x.horn.Value(b)-x.horn.Value(a)) / math.Pow(x.frame, float64(n))
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

// summary adds the axis's line to the report, with jumps counted over one frame.
func (x *axisCheck) summary() {
	s := AxisSummary{Axis: x.spec.Name, Unit: x.spec.Unit, Min: math.Inf(1), Max: math.Inf(-1), Travelled: x.way, Turns: x.turns}
	if x.wears() && x.perf.Script.Loop && x.perf.Length > 0 {
		s.PlaysADay = day / x.perf.Length
	}
	for i := range x.ranges {
		from, _ := x.horn.Span(i)
		if from > x.perf.Length {
			break
		}
		r := x.part.Range(i, 0)
		s.Min, s.Max = math.Min(s.Min, r.Min), math.Max(s.Max, r.Max)
		for n, peak := range []*float64{&s.PeakSpeed, &s.PeakAcceleration, &s.PeakJerk} {
			v, _ := x.ranges[i][n+1].Peak()
			*peak = math.Max(*peak, v)
		}
	}
	for _, j := range x.innerJoints() {
		order, size := jumpOf(j, x.frame)
		switch order {
		case 1:
			s.PeakSpeed = math.Max(s.PeakSpeed, size)
		case 2:
			s.PeakAcceleration = math.Max(s.PeakAcceleration, size)
		case 3:
			s.PeakJerk = math.Max(s.PeakJerk, size)
		}
	}
	x.report.Axes = append(x.report.Axes, s)
}

// innerJoints gives the jumps of the horn's curve. Those at the two ends of a
// loop are the seam's.
func (x *axisCheck) innerJoints() []interp.Joint {
	var out []interp.Joint
	for _, j := range x.horn.Joints(nil) {
		if x.perf.Script.Loop && (j.At <= 0 || j.At >= x.perf.Length-1e-9) {
			continue
		}
		out = append(out, j)
	}
	return out
}

// jumpOf gives the derivative that a jump counts as, and its size over one
// frame: a jump of position as speed, of speed as acceleration, of acceleration
// as jerk.
func jumpOf(j interp.Joint, frame float64) (order int, size float64) {
	for n := range 3 {
		a, b := j.Before.Order(n), j.After.Order(n)
		d := math.Abs(b - a)
		if d > 1e-9*math.Max(1, math.Max(math.Abs(a), math.Abs(b))) && !math.IsNaN(d) && !math.IsInf(d, 0) {
			return n + 1, d / frame
		}
	}
	return 3, 0
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
	for i := range curve.Spans() {
		if from, _ := curve.Span(i); from > x.perf.Length {
			return
		}
		r := curve.Range(i, 0)
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
	f.Remedy = x.rateRemedy(src, order, f.Value/f.Limit)
}

func originText(o sequence.Origin, a *sequence.Axis) string {
	switch o {
	case sequence.OriginGiven:
		return "limits in the rig"
	case sequence.OriginSheet:
		return "its data sheet"
	case sequence.OriginMeasured:
		return "as measured"
	}
	return "class default, a " + a.Figures().Class + " servo"
}

// rateRemedy says what would bring a derivative of an order down by the ratio:
// a move stretched by k has its speed divided by k, its acceleration by k^2, its
// jerk by k^3; a move reduced by the ratio has all three divided by it.
func (x *axisCheck) rateRemedy(src interp.Source, order int, ratio float64) string {
	if l := src.Layer; l != nil {
		if l.Kind == sequence.Envelope {
			return fmt.Sprintf("bring high down to %s, or smooth it: attack %s and release %s", amount(l.Low+(l.High-l.Low)/ratio, x.spec.Unit),
				sequence.FormatSeconds(l.Attack*ratio), sequence.FormatSeconds(l.Release*ratio))
		}
		return fmt.Sprintf("reduce its amount to %s, or its rate to %s Hz", amount(l.Amount/ratio, x.spec.Unit), short(l.Rate/math.Pow(ratio, 1/float64(order))))
	}
	if src.Track == nil || src.Key < 1 {
		return fmt.Sprintf("slow it down by a factor of %s", short(math.Pow(ratio, 1/float64(order))))
	}
	a, b := src.Track.Keys[src.Key-1], src.Track.Keys[src.Key]
	if b.Soonest {
		return "soonest leaves nothing to add: end what is added to it before this move, or give the key a time"
	}
	duration, way := b.Time-a.Time, b.Value-a.Value
	more := duration * (math.Pow(ratio, 1/float64(order)) - 1)
	unit := src.Track.Target.Unit()
	text := fmt.Sprintf("give this move %s more (%s in all)", atLeast(more), atLeast(duration+more))
	if way != 0 && b.Ease.Spline() == 0 {
		text += fmt.Sprintf(", or reduce it to %s", amount(math.Abs(way)/ratio, unit))
	}
	return text
}

// joints finds corners: jumps of position, speed and acceleration, each counted
// over one frame of the board.
func (x *axisCheck) joints() {
	if x.spec.Kind == sequence.Switch {
		return
	}
	for _, j := range x.innerJoints() {
		order, size := jumpOf(j, x.frame)
		limit := x.limit(order)
		if !limit.Known() || size <= limit.V*(1+1e-9) {
			continue
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
}

// blameJoint gives the source of a jump: the contribution that changes most.
func (x *axisCheck) blameJoint(j interp.Joint, order int) interp.Source {
	if order == 1 {
		return x.curves.BlamePosition(j.At, math.Inf(1), math.Inf(-1))
	}
	return x.curves.Blame(j.At, order-1)
}

func (x *axisCheck) jointRemedy(src interp.Source, order int, jump, limit float64) string {
	switch {
	case order == 1:
		return fmt.Sprintf("let it move there in %s or more, with an ease such as in-out", atLeast(jump/limit))
	case src.Layer != nil:
		return fmt.Sprintf("give the layer a fade of %s or more, or a smaller amount", atLeast(jump/limit))
	case order == 2:
		return fmt.Sprintf("join the two moves with an ease that starts and stops gently (in-out, min-jerk or pchip), or change speed over %s or more", atLeast(jump/limit))
	}
	return fmt.Sprintf("use min-jerk or s-curve here, or let the acceleration change over %s or more", atLeast(jump/limit))
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
