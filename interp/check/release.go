package check

import (
	"fmt"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// What a servo may jump when its pulses come again after a release: 2 degrees of
// the part. A linear axis may jump what 2 degrees of a usual servo are as a pulse,
// 20 us (400 us are 40 deg: common practice), by the mean slope of its calibration,
// and where it has none a fiftieth of its travel.
const (
	rejoinAngle = 2.0  // deg
	rejoinPulse = 20.0 // us
	rejoinShare = 0.02
)

func rejoinLimit(a *sequence.Axis) float64 {
	if a.Unit == "deg" {
		return rejoinAngle
	}
	if n := len(a.Pulse); n >= 2 {
		first, last := a.Pulse[0], a.Pulse[n-1]
		return rejoinPulse * math.Abs((last.Value.V-first.Value.V)/(last.Pulse.V-first.Pulse.V))
	}
	return rejoinShare * (a.Travel[1].V - a.Travel[0].V)
}

// releases judges the axes that quiet windows let go.
func (c *checker) releases(trace *drive.Trace) {
	for i, a := range c.perf.Axes {
		list := drive.Releases(c.perf, a.Spec)
		if a.Spec.Kind == sequence.Servo {
			jumps := false
			for k := range list {
				jumps = c.rejoin(a, list, k) || jumps
			}
			if trace != nil && !jumps {
				c.runOut(a, &trace.Axes[i], list)
			}
		}
		for _, q := range c.perf.Script.Quiet {
			if slices.Contains(q.Release, a.Spec) {
				c.idle(q, a)
			}
		}
	}
}

// engages gives the frames between which an axis has no pulse by one of its
// releases: the last that commands it before, and the first after. A loop goes on
// at its start. It is not ok where no pulse comes after it.
func (c *checker) engages(a *sequence.Axis, list []drive.Release, k int) (last, next int, ok bool) {
	frames := c.perf.Frames(1 / frameOf(a))
	if c.perf.Script.Loop {
		frames = max(1, frames-1) // the end is the start
	}
	last, next = max(0, list[k].From-1), list[k].To
	if next < frames {
		return last, next, true
	}
	if next = 0; list[0].From <= 0 {
		next = list[0].To
	}
	return last, next, c.perf.Script.Loop && next < frames && last < frames
}

// rejoin finds a script that moves an axis while it is let go, so that it jumps
// when its pulses come again. This is an error: a servo covers the way at its full
// speed, which no ease softens and no limit holds, next to people who take it for
// switched off.
func (c *checker) rejoin(a *interp.Axis, list []drive.Release, k int) bool {
	last, next, ok := c.engages(a.Spec, list, k)
	if !ok {
		return false
	}
	frame, q := frameOf(a.Spec), list[k].Window
	from, to := float64(last)*frame, float64(next)*frame
	before, after := a.Part.Value(from), a.Part.Value(to)
	limit := rejoinLimit(a.Spec)
	if math.Abs(after-before) <= limit*(1+1e-9) {
		return false
	}
	c.join(Finding{Level: Error, Rule: "release-jump", Axis: a.Spec.Name, At: q.At, From: math.Min(from, to), To: to, Value: math.Abs(after - before), Limit: limit, Unit: a.Spec.Unit,
		Message: fmt.Sprintf("%s is let go at %s, but is to be at %s when its pulses come again at %s: it jumps by %s at full speed", a.Spec.Name,
			amount(before, a.Spec.Unit), amount(after, a.Spec.Unit), sequence.FormatSeconds(to), amount(math.Abs(after-before), a.Spec.Unit)),
		Remedy: fmt.Sprintf("let it come to rest at %s at least %s before the window and keep it there all through it, or leave it out of release", amount(before, a.Spec.Unit), atLeast(calm))})
	return true
}

// calm is the time, in seconds, that a servo gets to settle before it is let go,
// beside that for its way: it starts within a tenth and stops within two (the time
// constants of the model).
const calm = 0.3

// runOut finds an axis that is still under way when it is let go: it stands away
// from its command, by more than dead band and slop explain, and jumps there
// afterwards. That is a matter of the model, so it is a warning.
func (c *checker) runOut(a *interp.Axis, t *drive.AxisTrace, list []drive.Release) {
	x := &axisCheck{checker: c, curves: a, spec: a.Spec, horn: a.Horn, part: a.Part}
	step, _ := x.smallestStep(a.Horn.Value(t.RejoinAt))
	limit := rejoinLimit(a.Spec) + step + a.Spec.Measured.Slop.V
	if t.Rejoin <= limit {
		return
	}
	frame := frameOf(a.Spec)
	k := slices.IndexFunc(list, func(r drive.Release) bool { return math.Abs(float64(r.To)*frame-t.RejoinAt) < frame/2 })
	if k < 0 {
		return
	}
	needs := calm
	if speed := a.Spec.HornLimits().Speed; speed.Known() && speed.V > 0 {
		needs += t.Rejoin / speed.V
	}
	c.join(Finding{Level: Warning, Rule: "release-jump", Axis: a.Spec.Name, At: list[k].Window.At, From: float64(list[k].From) * frame, To: t.RejoinAt, Value: t.Rejoin, Limit: limit, Unit: a.Spec.Unit,
		Message: fmt.Sprintf("%s is still under way when it is let go at %s: it stands %s from its command, and jumps there when its pulses come again at %s", a.Spec.Name,
			sequence.FormatSeconds(float64(list[k].From)*frame), amount(t.Rejoin, a.Spec.Unit), sequence.FormatSeconds(t.RejoinAt)),
		Remedy: fmt.Sprintf("let it come to rest at least %s before the window, or leave it out of release", atLeast(needs))})
}

// idle finds what is named under release in a window and is not what the script
// takes it for: a motor that is to turn there, and axes that cannot be let go.
func (c *checker) idle(q sequence.Quiet, a *interp.Axis) {
	switch a.Spec.Kind {
	case sequence.Servo:
		return
	case sequence.Motor, sequence.ContinuousServo:
		from, to := c.perf.PerformanceTime(q.From), c.perf.PerformanceTime(q.To)
		total, first, last := 0.0, math.Inf(1), math.Inf(-1)
		for _, s := range c.driven(a.Spec, from, to) {
			total += s[1] - s[0]
			first, last = math.Min(first, s[0]), math.Max(last, s[1])
		}
		if total == 0 {
			return
		}
		c.join(Finding{Level: Warning, Rule: "release-idle", Axis: a.Spec.Name, At: q.At, From: first, To: last, Value: total, Unit: "s",
			Message: fmt.Sprintf("%s is let go in this window and does not turn, but the script drives it there for %s", a.Spec.Name, sequence.FormatSeconds(total)),
			Remedy:  fmt.Sprintf("let it run before %s or after %s, or leave it out of release", sequence.FormatSeconds(q.From), sequence.FormatSeconds(q.To))})
	default:
		c.join(Finding{Level: Warning, Rule: "release-kind", Axis: a.Spec.Name, At: q.At, From: c.perf.PerformanceTime(q.From), To: c.perf.PerformanceTime(q.To),
			Message: fmt.Sprintf("%s is a %s, which cannot be let go: it goes on as the script has it", a.Spec.Name, a.Spec.Kind),
			Remedy:  "leave it out of release"})
	}
}

// driven gives the spans in which a motor is driven between two times.
func (c *checker) driven(a *sequence.Axis, from, to float64) (spans [][2]float64) {
	off := c.inside(sequence.Side{Axis: a, Low: -noDrive, High: noDrive})
	for _, s := range meet([][2]float64{{from, to}}, without([][2]float64{{0, c.perf.Length}}, off)) {
		if s[1] > s[0] {
			spans = append(spans, s)
		}
	}
	return spans
}
