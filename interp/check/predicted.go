package check

import (
	"fmt"
	"math"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// predicted judges what the drive model says that the axes will do.
func (c *checker) predicted(trace *drive.Trace) {
	for i := range trace.Axes {
		t := &trace.Axes[i]
		a := c.axisOf(t.Axis)
		c.late(a, t)
		c.arrival(a, t)
		c.heat(a, t)
		c.lostSteps(a, t)
		if t.Efficiency > 1.05 {
			c.add(Finding{Level: Note, Rule: "sheet-mismatch", Always: true, Axis: t.Axis.Name, At: t.Axis.At, Value: t.Efficiency, Limit: 1,
				Message: fmt.Sprintf("the data sheet of %s promises more than its current can give (gears of %s %% efficiency): its lines do not fit together", t.Axis.Name, short(t.Efficiency*100)),
				Remedy:  "look for speed, stall torque and stall current at one and the same voltage"})
		}
	}
}

// filmRate gives the film frames a second of the motion; 24 where it has none.
func (c *checker) filmRate() float64 {
	if fps := c.perf.Script.FPS; fps.Given() {
		return fps.Rate()
	}
	return 24
}

// lateFrames is the lag, in film frames, from which it is worth a word: what a
// servo needs to get going is two frames (common practice).
const lateFrames = 3

func (c *checker) late(a *interp.Axis, t *drive.AxisTrace) {
	fps := c.filmRate()
	if frames := t.Late.By * fps; frames > lateFrames {
		src := a.Blame(math.Max(0, t.Late.At-1e-6), 1)
		c.add(Finding{Level: Warning, Rule: "lag", Axis: t.Axis.Name, At: src.At, From: t.Late.Began, To: t.Late.Arrived, Value: t.Late.By, Limit: lateFrames / fps, Unit: "s",
			Message: fmt.Sprintf("%s comes %s late, %s film frames: it should be there at %s and is at %s, up to %s behind on the way", t.Axis.Name,
				sequence.FormatSeconds(t.Late.By), short(frames), sequence.FormatSeconds(t.Late.At), sequence.FormatSeconds(t.Late.Arrived), amount(t.PeakError, t.Axis.Unit)),
			Remedy: fmt.Sprintf("start the move %s earlier, or give it %s more", atLeast(t.Late.By), atLeast(t.Late.By))})
	}
	if step := c.seen(a, t); t.CutShort > 2*step {
		src := a.Blame(math.Max(0, t.CutShortAt-1e-6), 1)
		c.add(Finding{Level: Warning, Rule: "cut-short", Axis: t.Axis.Name, At: src.At, From: t.CutShortAt, To: t.CutShortAt, Value: t.CutShort, Limit: step, Unit: t.Axis.Unit,
			Message: fmt.Sprintf("%s turns back %s before it is where the script has it at %s", t.Axis.Name, amount(t.CutShort, t.Axis.Unit), sequence.FormatSeconds(t.CutShortAt)),
			Remedy:  fmt.Sprintf("give the move more time, or aim %s farther", amount(t.CutShort, t.Axis.Unit))})
	}
}

// seen gives the least way that counts beside what the servo's dead band and the
// slop of the part hide: a degree (or millimetre) more.
func (c *checker) seen(a *interp.Axis, t *drive.AxisTrace) float64 {
	x := &axisCheck{checker: c, curves: a, spec: a.Spec, horn: a.Horn, part: a.Part}
	step, _ := x.smallestStep(a.Horn.Value(0))
	return step + t.Axis.Measured.Slop.V + 1
}

func (c *checker) arrival(a *interp.Axis, t *drive.AxisTrace) {
	step := c.seen(a, t)
	if t.Overshoot > step {
		src := a.Blame(math.Max(0, t.OvershootAt-0.05), 1)
		c.add(Finding{Level: Warning, Rule: "overshoot", Axis: t.Axis.Name, At: src.At, From: t.OvershootAt, To: t.OvershootAt, Value: t.Overshoot, Limit: step, Unit: t.Axis.Unit,
			Message: fmt.Sprintf("%s goes %s past its rest at %s before it settles", t.Axis.Name, amount(t.Overshoot, t.Axis.Unit), sequence.FormatSeconds(t.OvershootAt)),
			Remedy:  "let it arrive more softly (min-jerk, or more time), or make what it carries lighter"})
	}
	if t.Unreached > 0 && t.Missed > step {
		src := a.Blame(math.Max(0, t.MissedAt-1e-6), 1)
		c.add(Finding{Level: Warning, Rule: "never-arrives", Axis: t.Axis.Name, At: src.At, From: t.MissedAt, To: t.MissedAt, Value: t.Missed, Limit: step, Unit: t.Axis.Unit,
			Message: fmt.Sprintf("%s is still %s away when its rest at %s ends; it never arrives there (%s in all)", t.Axis.Name, amount(t.Missed, t.Axis.Unit), sequence.FormatSeconds(t.MissedAt), times(t.Unreached)),
			Remedy:  "give the move before more time, or the rest"})
	}
	if t.LongestHunt > 0.5 {
		c.add(Finding{Level: Warning, Rule: "hunting", Axis: t.Axis.Name, At: t.Axis.At, From: t.HuntingAt, To: t.HuntingAt + t.LongestHunt, Value: t.HuntingWay, Unit: t.Axis.Unit,
			Message: fmt.Sprintf("%s turns to and fro by %s for %s while it should rest: it hums, and the camera may see it", t.Axis.Name, amount(t.HuntingWay, t.Axis.Unit), sequence.FormatSeconds(t.LongestHunt)),
			Remedy:  "use a servo with a wider dead band, balance the load, or take slop out of the linkage"})
	}
}

// Shares of the stall current, as a mean square over ten seconds, from which a
// motor gets hot and too hot (common practice).
const (
	hotShare    = 0.5
	tooHotShare = 0.75
)

func (c *checker) heat(a *interp.Axis, t *drive.AxisTrace) {
	if t.StallCurrent <= 0 {
		return
	}
	share := t.WindowRMS / t.StallCurrent
	if share <= hotShare && t.Stalled <= 1 {
		return
	}
	f := Finding{Level: Warning, Rule: "stall-heat", Axis: t.Axis.Name, At: t.Axis.At, From: math.Max(0, t.WindowEnd-10), To: t.WindowEnd, Value: t.WindowRMS, Limit: hotShare * t.StallCurrent, Unit: "A"}
	f.Message = fmt.Sprintf("%s draws %s in its winding over ten seconds (root mean square), %s %% of its stall current: it gets hot", t.Axis.Name, amount(t.WindowRMS, "A"), short(share*100))
	if t.Stalled > 1 {
		f.Message += fmt.Sprintf("; from %s on it stands at full drive for %s", sequence.FormatSeconds(t.StalledAt), sequence.FormatSeconds(t.Stalled))
	}
	if share > tooHotShare || t.Stalled > 5 {
		f.Level = Error
	}
	f.Remedy = "take load off it, keep it away from its stops, or let it rest between moves"
	c.add(f)
}

func (c *checker) lostSteps(a *interp.Axis, t *drive.AxisTrace) {
	if t.LostSteps != "pull-out" {
		return // pull-in has a rule of its own
	}
	src := a.Blame(t.LostStepsAt, 1)
	c.add(Finding{Level: Error, Rule: "lost-steps", Axis: t.Axis.Name, At: src.At, From: t.LostStepsAt, To: t.LostStepsAt,
		Message: fmt.Sprintf("%s asks its stepper for more power at %s than voltage and current can give: it loses steps and its place", t.Axis.Name, sequence.FormatSeconds(t.LostStepsAt)),
		Remedy:  "give the move more time, or the motor more current"})
}

// inrush judges the first moment, when every axis jumps to its first pulse.
func (c *checker) inrush(list []drive.Inrush) {
	for _, in := range list {
		limit := in.Supply.Limit
		if !limit.Given() || (in.Together <= limit.V && !in.Resets) || len(in.Order) == 0 {
			continue
		}
		f := Finding{Level: Warning, Rule: "inrush", Supply: in.Supply.Name, At: limit.At, Value: in.Together, Limit: limit.V, Unit: "A",
			Message: fmt.Sprintf("switched on together, the axes of %s draw %s, more than its %s", in.Supply.Name, amount(in.Together, "A"), amount(limit.V, "A"))}
		if in.Resets {
			f.Message += fmt.Sprintf("; it sags to %s and the boards reset", amount(in.Voltage, "V"))
		}
		f.Remedy = "start them one after another: " + startOrder(in) + fmt.Sprintf("; then it is %s at most", amount(in.Staggered, "A"))
		if len(in.TooMuch) > 0 {
			f.Remedy += fmt.Sprintf(" (%s alone asks for more than %s)", in.TooMuch[0].Name, amount(in.Most, "A"))
		}
		c.add(f)
	}
}

func startOrder(in drive.Inrush) string {
	text := ""
	for i, s := range in.Order {
		if i > 0 {
			text += ", "
		}
		text += fmt.Sprintf("%s at %s", s.Axis.Name, sequence.FormatSeconds(s.Delay))
	}
	return text
}
