package check

import (
	"fmt"
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/sequence"
)

// run is a stretch of motion in one direction.
type run struct {
	from, to float64 // s
	way      float64 // signed, at the horn
	start    float64 // value at from
}

// findRuns joins the ways of the pieces into stretches of one direction. A
// stretch of rest, or a turn, ends one.
func (x *axisCheck) findRuns() {
	var cur *run
	flush := func() {
		if cur != nil && cur.way != 0 {
			if n := len(x.runsOf); n > 0 && x.runsOf[n-1].way*cur.way < 0 {
				x.turns++
			}
			x.runsOf = append(x.runsOf, *cur)
			x.way += math.Abs(cur.way)
		}
		cur = nil
	}
	m := x.measures.of(x.horn)
	for i := range x.horn.Spans() {
		from, to := x.horn.Span(i)
		if from >= x.perf.Length || math.IsInf(to, 1) {
			break
		}
		if x.horn.Still(i) {
			flush()
			continue
		}
		turns := m.ways[i].Turns
		a := x.horn.At(from).Position
		for k := 0; k <= len(turns); k++ {
			end := to
			if k < len(turns) {
				end = turns[k]
			}
			b := x.horn.Before(end).Position
			if cur != nil && cur.way*(b-a) < 0 {
				flush()
			}
			if cur == nil {
				cur = &run{from: from, start: a}
			}
			cur.to = end
			cur.way += b - a
			a, from = b, end
		}
	}
	flush()
}

// pulseSlope gives the microseconds of pulse for a unit of the horn at a value:
// the slope of the calibration there.
func pulseSlope(a *sequence.Axis, horn float64) float64 {
	n := len(a.Pulse)
	if n < 2 {
		return 0
	}
	i := sort.Search(n-2, func(i int) bool { return a.Pulse[i+1].Value.V > horn })
	p, q := a.Pulse[i], a.Pulse[i+1]
	return math.Abs((q.Pulse.V - p.Pulse.V) / (q.Value.V - p.Value.V))
}

// smallestStep gives the least change of the horn that the axis shows, and what
// sets it: the servo's dead band, the board's tick, or a microstep.
func (x *axisCheck) smallestStep(horn float64) (step float64, why string) {
	switch x.spec.Kind {
	case sequence.Stepper:
		if s := x.spec.StepsPerUnit(); s > 0 {
			return 1 / s, "one microstep"
		}
	case sequence.Servo:
		slope := pulseSlope(x.spec, horn)
		if slope == 0 {
			return 0, ""
		}
		if band := x.spec.Figures().DeadBand.V; band > x.tick() {
			why = fmt.Sprintf("the dead band of %s us", short(band))
			if x.spec.Figures().DeadBand.Origin == sequence.OriginClass {
				why += ", a class default"
			}
			return band / slope, why
		}
		return x.tick() / slope, fmt.Sprintf("the board's tick of %s us", short(x.tick()))
	}
	return 0, ""
}

func (x *axisCheck) tick() float64 {
	if x.spec.Board == nil {
		return 0
	}
	return x.spec.Board.Tick.V
}

// episode is motion without a rest in it: runs that follow each other at once.
type episode struct {
	runs      []run
	low, high float64 // the values between which it goes
}

// episodes joins runs into episodes.
func (x *axisCheck) episodes() []episode {
	var list []episode
	for i, r := range x.runsOf {
		end := r.start + r.way
		low, high := math.Min(r.start, end), math.Max(r.start, end)
		if n := len(list); n > 0 && r.from <= x.runsOf[i-1].to+1e-9 {
			e := &list[n-1]
			e.runs = x.runsOf[i-len(e.runs) : i+1]
			e.low, e.high = math.Min(e.low, low), math.Max(e.high, high)
			continue
		}
		list = append(list, episode{x.runsOf[i : i+1], low, high})
	}
	return list
}

// runs finds moves that are too small to happen, and moves so slow that the
// camera sees their steps.
func (x *axisCheck) runs() {
	fps := 24.0
	if x.perf.Script.FPS.Given() {
		fps = x.perf.Script.FPS.Rate()
	}
	for _, e := range x.episodes() {
		first, last := e.runs[0], e.runs[len(e.runs)-1]
		step, why := x.smallestStep(first.start)
		if step == 0 {
			continue
		}
		// A small turn inside a larger motion is lost in it; only one that stands
		// alone was meant to be seen.
		if way := e.high - e.low; way < step*(1-1e-9) {
			x.tooSmall(run{from: first.from, to: last.to}, way, step, why, (first.from+first.to)/2)
			continue
		}
		for _, r := range e.runs {
			// A step that shows on each of two film frames or more is seen alone.
			if way := math.Abs(r.way); way >= step {
				r = x.body(r)
				if speed := math.Abs(r.way) / (r.to - r.from); speed*2 < step*fps && r.to-r.from > 4/fps {
					x.tooSlow(r, speed, step, fps, why, (r.from+r.to)/2)
				}
			}
		}
	}
}

// body gives the run without the first and the last twentieth of its way, where
// a soft start or a decay dawdles and nothing is seen.
func (x *axisCheck) body(r run) run {
	reach := func(share float64) float64 {
		low, high := r.from, r.to
		for range 40 {
			middle := (low + high) / 2
			if (x.horn.Value(middle)-r.start)/r.way < share {
				low = middle
			} else {
				high = middle
			}
		}
		return (low + high) / 2
	}
	from, to := reach(0.05), reach(0.95)
	return run{from: from, to: to, way: x.horn.Value(to) - x.horn.Value(from), start: r.start}
}

func (x *axisCheck) tooSmall(r run, way, step float64, why string, middle float64) {
	rule := "dead-band"
	if x.spec.Kind == sequence.Stepper || x.spec.Figures().DeadBand.V <= x.tick() {
		rule = "resolution"
	}
	src := x.curves.Blame(middle, 1)
	x.join(Finding{Level: Warning, Rule: rule, Axis: x.spec.Name, At: src.At, From: r.from, To: r.to, Value: way, Limit: step, Unit: x.spec.Unit,
		Message: fmt.Sprintf("%s should move by %s, which is less than %s (%s): nothing will be seen", x.spec.Name, amount(way, x.spec.Unit), why, amount(step, x.spec.Unit)),
		Remedy:  fmt.Sprintf("move by %s or more, or leave the move out", amount(roundUp(step), x.spec.Unit))})
}

func (x *axisCheck) tooSlow(r run, speed, step, fps float64, why string, middle float64) {
	src := x.curves.Blame(middle, 1)
	f := Finding{Level: Warning, Rule: "slow-steps", Axis: x.spec.Name, At: src.At, From: r.from, To: r.to, Value: step, Limit: 2 * speed / fps, Unit: x.spec.Unit,
		Message: fmt.Sprintf("%s creeps at %s, so that it moves in steps of %s (%s), one every %s film frames: the camera sees them",
			x.spec.Name, amount(speed, x.unit(1)), amount(step, x.spec.Unit), why, short(step*fps/speed))}
	f.Remedy = fmt.Sprintf("do the move in %s s or less, or make it larger", short2(math.Floor(math.Abs(r.way)/(step*fps/2)*100)/100))
	if src.Layer != nil {
		f.Remedy = fmt.Sprintf("make the %s layer's motion larger or quicker: it is smooth above %s", src.Layer.Kind, amount(step*fps/2, x.unit(1)))
	}
	x.join(f)
}

// firstPose finds a start away from rest.
func (x *axisCheck) firstPose() {
	if x.spec.Kind == sequence.Switch || x.spec.Kind == sequence.Dimmer {
		return
	}
	first := x.part.Value(0)
	step, _ := x.smallestStep(x.horn.Value(0))
	if d := math.Abs(first - x.spec.Rest.V); d > math.Max(step, 1e-9) {
		src := x.curves.BlamePosition(0, math.Inf(1), math.Inf(-1))
		x.add(Finding{Level: Note, Rule: "first-pose", Axis: x.spec.Name, At: src.At, Value: first, Limit: x.spec.Rest.V, Unit: x.spec.Unit,
			Message: fmt.Sprintf("%s starts at %s, but rests at %s: it has to get there before the motion begins", x.spec.Name, amount(first, x.spec.Unit), amount(x.spec.Rest.V, x.spec.Unit)),
			Remedy:  fmt.Sprintf("start from %s, or let the soft start bring it over", amount(x.spec.Rest.V, x.spec.Unit))})
	}
}

// seam checks that a loop's end joins its start, in value and in speed.
func (x *axisCheck) seam() {
	if !x.perf.Script.Loop {
		return
	}
	end, start := x.horn.Before(x.perf.Length), x.horn.At(0)
	at := x.perf.Script.LoopAt
	step, _ := x.smallestStep(start.Position)
	if d := math.Abs(end.Position - start.Position); d > math.Max(1e-6, step/2) {
		level := Warning
		if x.limits.Speed.Known() && d/x.frame > x.limits.Speed.V || d > step {
			level = Error
		}
		x.add(Finding{Level: level, Rule: "loop-seam", Axis: x.spec.Name, At: at, From: x.perf.Length, To: x.perf.Length, Value: d, Limit: 0, Unit: x.spec.Unit,
			Message: fmt.Sprintf("%s ends at %s, but the loop starts at %s: it jumps by %s each time round", x.spec.Name, amount(end.Position, x.spec.Unit), amount(start.Position, x.spec.Unit), amount(d, x.spec.Unit)),
			Remedy:  x.seamRemedy()})
		return
	}
	jump := math.Abs(end.Speed-start.Speed) / x.frame
	if x.spec.Kind == sequence.Switch || jump*x.frame <= seamShare*x.topSpeed() {
		return
	}
	level := Warning
	if x.limits.Acceleration.Known() && jump > x.limits.Acceleration.V {
		level = rateLevel(x.limits.Acceleration)
	}
	x.add(Finding{Level: level, Rule: "loop-seam", Axis: x.spec.Name, At: at, From: x.perf.Length, To: x.perf.Length, Value: math.Abs(end.Speed - start.Speed), Limit: x.limits.Acceleration.V * x.frame, Unit: x.unit(1),
		Message: fmt.Sprintf("%s ends at %s, but the loop starts at %s: the seam is a jolt", x.spec.Name, amount(end.Speed, x.unit(1)), amount(start.Speed, x.unit(1))),
		Remedy:  "end and start at rest, or repeat the first keys after the end so that the speeds join"})
}

// seamShare is the jump of speed, as a share of the greatest speed of the motion,
// from which a seam is seen as a jolt.
const seamShare = 0.05

func (x *axisCheck) topSpeed() float64 {
	top := 0.0
	for _, r := range x.ranges {
		v, _ := r[1].Peak()
		top = math.Max(top, v)
	}
	return top
}

// seamRemedy says how the end joins the start: by the last key, or by the layer
// that makes the difference.
func (x *axisCheck) seamRemedy() string {
	src := x.curves.Blame(math.Max(0, x.perf.Length-1e-6), 1)
	switch {
	case src.Layer == nil:
		return fmt.Sprintf("end the motion at %s", amount(x.part.Value(0), x.spec.Unit))
	case src.Layer.Kind == sequence.Sine:
		rounds := math.Max(1, math.Round(src.Layer.Rate*x.perf.Length))
		return fmt.Sprintf("give the sine of line %d a rate of %s Hz, so that it comes round %s", src.Layer.At.Line, short(rounds/x.perf.Length), times(int(rounds)))
	}
	return fmt.Sprintf("give the %s of line %d a fade, so that it is nothing at both ends", src.Layer.Kind, src.Layer.At.Line)
}

// times writes how often.
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// together notes the times at which two tracks move one axis at once.
func (x *axisCheck) together() {
	names, from, to, at := x.curves.MovedTogether(x.perf.Length)
	if len(names) == 0 {
		return
	}
	x.add(Finding{Level: Note, Rule: "two-at-once", Axis: x.spec.Name, At: at, From: from, To: to,
		Message: fmt.Sprintf("%s is moved by %s and %s at once: their ways add up", x.spec.Name, names[0], names[1]),
		Remedy:  "this is fine where it is meant; otherwise end one before the other starts"})
}

// stepper checks starts and stops against the pull-in rate, and the step rate
// against what a frame can hold.
func (x *axisCheck) stepper() {
	if x.spec.Kind != sequence.Stepper || x.spec.StepsPerUnit() == 0 {
		return
	}
	full := x.spec.FullSteps()
	if x.spec.PullIn.Given() {
		for _, j := range x.innerJoints(x.horn) {
			jump := math.Abs(j.After.Speed-j.Before.Speed) * full
			if math.Abs(j.After.Position-j.Before.Position) > 1e-9 {
				jump = math.Abs(j.After.Position-j.Before.Position) / x.frame * full
			}
			if jump > x.spec.PullIn.V*(1+1e-9) {
				x.pullIn(j, jump)
			}
		}
	}
	if x.tick() == 0 {
		return
	}
	most := 1e6 / x.tick() / 2
	for i := range x.ranges {
		v, at := x.ranges[i][1].Peak()
		rate := v * x.spec.StepsPerUnit()
		if from, _ := x.horn.Span(i); from < x.perf.Length && (rate > most || rate*x.frame > math.MaxInt16) {
			src := x.curves.Blame(at, 1)
			x.join(Finding{Level: Error, Rule: "step-rate", Axis: x.spec.Name, At: src.At, From: at, To: at, Value: rate, Limit: math.Min(most, math.MaxInt16/x.frame), Unit: "steps/s",
				Message: fmt.Sprintf("%s asks for %s microsteps a second, %s in a frame: the board cannot send them", x.spec.Name, short(rate), short(rate*x.frame)),
				Remedy:  fmt.Sprintf("slow down to %s, or use fewer microsteps", amount(math.Min(most, math.MaxInt16/x.frame)/x.spec.StepsPerUnit(), x.unit(1)))})
		}
	}
}

func (x *axisCheck) pullIn(j interp.Joint, jump float64) {
	src := x.curves.Blame(j.At, 1)
	x.join(Finding{Level: Error, Rule: "pull-in", Axis: x.spec.Name, At: src.At, From: j.At, To: j.At, Value: jump, Limit: x.spec.PullIn.V, Unit: "steps/s",
		Message: fmt.Sprintf("%s changes its step rate by %s at once, but starts and stops only up to %s: it loses steps and its place", x.spec.Name, amount(jump, "steps/s"), amount(x.spec.PullIn.V, "steps/s")),
		Remedy:  fmt.Sprintf("use an ease that starts gently, or keep the jump below %s", amount(x.spec.PullIn.V/x.spec.FullSteps(), x.unit(1)))})
}

// usualDwell is the rest between two directions that is asked for where the rig
// gives none, in seconds (common practice).
const usualDwell = 0.1

// reversals checks that a motor rests between its two directions.
func (x *axisCheck) reversals() {
	if x.spec.Kind != sequence.Motor {
		return
	}
	dwell, level := x.spec.ReverseDwell.V, Error
	if !x.spec.ReverseDwell.Given() {
		dwell, level = usualDwell, Warning
	}
	const least = 0.01 // percent of drive that counts as none
	type drive struct {
		span [2]float64
		sign float64
	}
	var list []drive
	for i := range x.horn.Spans() {
		if from, _ := x.horn.Span(i); from > x.perf.Length {
			break
		}
		for _, s := range x.horn.Over(nil, i, 0, least, false) {
			list = append(list, drive{s, 1})
		}
		for _, s := range x.horn.Over(nil, i, 0, -least, true) {
			list = append(list, drive{s, -1})
		}
	}
	sort.Slice(list, func(i, j int) bool { return list[i].span[0] < list[j].span[0] })
	for i := 1; i < len(list); i++ {
		gap := list[i].span[0] - list[i-1].span[1]
		if list[i].sign == list[i-1].sign || gap >= dwell-1e-9 {
			continue
		}
		src := x.curves.BlamePosition(list[i].span[0], math.Inf(1), math.Inf(-1))
		x.join(Finding{Level: level, Rule: "reversal", Axis: x.spec.Name, At: src.At, From: list[i-1].span[1], To: list[i].span[0], Value: gap, Limit: dwell, Unit: "s",
			Message: fmt.Sprintf("%s changes direction with %s of rest between, but needs %s: the bridge and the gears take the blow", x.spec.Name, sequence.FormatSeconds(gap), sequence.FormatSeconds(dwell)),
			Remedy:  fmt.Sprintf("hold it at 0 %% for %s more", atLeast(dwell-gap))})
	}
}

// switching checks that a switch stays in each state for long enough.
func (x *axisCheck) switching() {
	if x.spec.Kind != sequence.Switch {
		return
	}
	least := math.Max(x.spec.Shortest.V, x.frame)
	last := 0.0
	for _, j := range x.horn.Joints(nil) {
		if j.At > x.perf.Length {
			break
		}
		if j.At > 0 && j.At-last < least-1e-9 {
			src := x.curves.BlamePosition(j.At, math.Inf(1), math.Inf(-1))
			x.join(Finding{Level: Error, Rule: "switch-time", Axis: x.spec.Name, At: src.At, From: last, To: j.At, Value: j.At - last, Limit: least, Unit: "s",
				Message: fmt.Sprintf("%s stays in one state for %s only; it needs %s", x.spec.Name, sequence.FormatSeconds(j.At-last), sequence.FormatSeconds(least)),
				Remedy:  fmt.Sprintf("keep it there %s longer", atLeast(least-(j.At-last)))})
		}
		last = j.At
	}
}

// wears reports whether the axis has gears or bearings that travel wears out.
func (x *axisCheck) wears() bool {
	return x.spec.Kind == sequence.Servo || x.spec.Kind == sequence.Stepper
}

// wear forecasts travel and reversals: a play, and a day for a loop.
func (x *axisCheck) wear() {
	if x.way == 0 || !x.wears() {
		return
	}
	f := Finding{Level: Note, Rule: "wear", Always: true, Axis: x.spec.Name, At: x.spec.At, From: 0, To: x.perf.Length, Value: x.way, Unit: x.spec.Unit,
		Message: fmt.Sprintf("%s travels %s and turns round %s a play", x.spec.Name, amount(x.way, x.spec.Unit), times(x.turns))}
	if x.perf.Script.Loop && x.perf.Length > 0 {
		plays := day / x.perf.Length
		f.Message += fmt.Sprintf("; looped for a day, %s and %s turns", amount(x.way*plays, x.spec.Unit), short(float64(x.turns)*plays))
	}
	x.add(f)
}
