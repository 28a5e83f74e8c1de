package check

import (
	"fmt"
	"math"
	"strings"

	"limberjack/interp"
	"limberjack/sequence"
)

// limitOrigins notes which limits of an axis were not given, and where they come
// from instead.
func (c *checker) limitOrigins(a *sequence.Axis) {
	if a.Kind != sequence.Servo && a.Kind != sequence.Stepper {
		return
	}
	l := a.HornLimits()
	var derived, none []string
	for _, f := range []struct {
		name string
		sequence.Figure
		unit string
	}{{"speed", l.Speed, a.Unit + "/s"}, {"acceleration", l.Acceleration, a.Unit + "/s2"}, {"jerk", l.Jerk, a.Unit + "/s3"}} {
		switch f.Origin {
		case sequence.OriginGiven:
		case sequence.OriginNone:
			none = append(none, f.name)
		default:
			derived = append(derived, fmt.Sprintf("%s %s (%s)", f.name, amount(f.V, f.unit), originText(f.Origin, a)))
		}
	}
	if len(derived) > 0 {
		c.add(Finding{Level: Note, Rule: "limit-origin", Always: true, Axis: a.Name, At: a.At,
			Message: fmt.Sprintf("%s has limits that the rig does not give: %s", a.Name, strings.Join(derived, ", ")),
			Remedy:  "measure them and write limits: into the rig"})
	}
	if len(none) > 0 && !(len(none) == 1 && none[0] == "jerk") {
		c.add(Finding{Level: Note, Rule: "no-limit", Always: true, Axis: a.Name, At: a.At,
			Message: fmt.Sprintf("%s has no limit for %s, so that nothing is checked there", a.Name, strings.Join(none, " and ")),
			Remedy:  "write limits: into the rig"})
	}
}

// standIns notes what the current of an axis is worked out from that the rig does
// not say.
func (c *checker) standIns(a *sequence.Axis) {
	if a.Supply == nil && len(c.rig.Supplies) > 0 {
		c.add(Finding{Level: Note, Rule: "no-supply", Always: true, Axis: a.Name, At: a.At,
			Message: fmt.Sprintf("%s names no supply, so that no budget counts its current", a.Name),
			Remedy:  "add supply: with the name of the one that feeds it"})
	}
	f := a.Figures()
	if f == nil {
		return
	}
	var assumed []string
	for _, x := range []struct {
		name string
		sequence.Figure
		unit string
	}{{"dead band", f.DeadBand, "us"}, {"stall torque", f.StallTorque, "N.m"}, {"stall current", f.StallCurrent, "A"},
		{"no-load current", f.NoLoadCurrent, "A"}, {"idle current", f.IdleCurrent, "A"}} {
		if x.Origin == sequence.OriginClass {
			assumed = append(assumed, fmt.Sprintf("%s %s", x.name, amount(x.V, x.unit)))
		}
	}
	if len(assumed) == 0 {
		return
	}
	gap := "has a data sheet that lacks some lines"
	if a.Servo == nil {
		gap = "has no data sheet"
	}
	c.add(Finding{Level: Note, Rule: "class-default", Always: true, Axis: a.Name, At: a.At,
		Message: fmt.Sprintf("%s %s; a %s servo stands in: %s", a.Name, gap, f.Class, strings.Join(assumed, ", ")),
		Remedy:  "write the lines of its data sheet into the rig"})
}

// restHolding checks the torque that an axis must hold at rest.
func (c *checker) restHolding(a *sequence.Axis) {
	f := a.Figures()
	if f == nil || a.Unit != "deg" {
		return
	}
	torque := a.MostLoadTorque()
	if torque <= f.StallTorque.V/2 {
		return
	}
	c.holding(a, torque, f.StallTorque, 0)
}

// holding judges a static torque at the horn against stall.
func (c *checker) holding(a *sequence.Axis, torque float64, stall sequence.Figure, at float64) {
	f := Finding{Level: Warning, Rule: "holding-torque", Axis: a.Name, At: a.At, From: at, To: at, Value: torque, Limit: stall.V, Unit: "N.m"}
	if a.Load.At.Known() {
		f.At = a.Load.At
	}
	share := torque / stall.V
	f.Message = fmt.Sprintf("%s must hold %s, which is %s %% of its stall torque of %s (%s): it gets hot, and hums", a.Name, amount(torque, "N.m"), short(share*100), amount(stall.V, "N.m"), originText(stall.Origin, a))
	if share >= 1 {
		f.Level = Error
		f.Message = fmt.Sprintf("%s must hold %s, more than its stall torque of %s (%s): it drops what it carries and overheats", a.Name, amount(torque, "N.m"), amount(stall.V, "N.m"), originText(stall.Origin, a))
	}
	f.Remedy = fmt.Sprintf("balance it with a spring or a counterweight down to %s or less, or use a servo of %s or more", amount(stall.V/2, "N.m"), amount(roundUp(torque*2), "N.m"))
	c.add(f)
}

// never finds the times at which a forbidden combination of axes is met.
func (c *checker) never() {
	for _, box := range c.perf.Rig.Never {
		spans := [][2]float64{{0, c.perf.Length}}
		var names []string
		for _, side := range box.Sides {
			spans = meet(spans, c.inside(side))
			names = append(names, side.Axis.Name)
		}
		if len(spans) == 0 {
			continue
		}
		var total float64
		for _, s := range spans {
			total += s[1] - s[0]
		}
		why := "this combination is forbidden"
		if box.Why != "" {
			why = box.Why
		}
		at := c.blameBox(box, spans[0][0])
		f := Finding{Level: Error, Rule: "never", Axis: box.Sides[0].Axis.Name, At: at, From: spans[0][0], To: spans[len(spans)-1][1], Value: total, Unit: "s",
			Message: fmt.Sprintf("%s come together where they must not (rig line %d): %s", strings.Join(names, " and "), box.At.Line, why),
			Remedy:  c.boxRemedy(box, spans[0])}
		if len(names) == 1 {
			f.Message = fmt.Sprintf("%s is where it must not be (rig line %d): %s", names[0], box.At.Line, why)
		}
		c.add(f)
	}
}

// inside gives the spans in which an axis is inside one side of a box.
func (c *checker) inside(side sequence.Side) [][2]float64 {
	curve := c.axisOf(side.Axis).Part
	spans, m := [][2]float64{{0, c.perf.Length}}, c.measures.of(curve)
	for _, edge := range []struct {
		level float64
		below bool
	}{{side.Low, true}, {side.High, false}} {
		var out [][2]float64
		for i := range curve.Spans() {
			from, to := curve.Span(i)
			if from > c.perf.Length {
				break
			}
			r := m.all[i][0]
			if (edge.below && r.Min >= edge.level) || (!edge.below && r.Max <= edge.level) {
				continue
			}
			if curve.Still(i) {
				out = append(out, [2]float64{from, math.Min(to, c.perf.Length)})
				continue
			}
			out = curve.Over(out, i, 0, edge.level, edge.below)
		}
		spans = without(spans, out)
	}
	return spans
}

// meet gives what two ascending lists of spans have in common.
func meet(a, b [][2]float64) (out [][2]float64) {
	for i, k := 0, 0; i < len(a) && k < len(b); {
		from, to := math.Max(a[i][0], b[k][0]), math.Min(a[i][1], b[k][1])
		if from <= to {
			out = append(out, [2]float64{from, to})
		}
		if a[i][1] < b[k][1] {
			i++
		} else {
			k++
		}
	}
	return out
}

// without takes the ascending spans cut out of the spans.
func without(spans, cut [][2]float64) (out [][2]float64) {
	for _, s := range spans {
		from := s[0]
		for _, c := range cut {
			if c[1] <= from || c[0] >= s[1] {
				continue
			}
			if c[0] > from {
				out = append(out, [2]float64{from, c[0]})
			}
			from = c[1]
		}
		if from < s[1] {
			out = append(out, [2]float64{from, s[1]})
		}
	}
	return out
}

func (c *checker) axisOf(a *sequence.Axis) *interp.Axis {
	for _, x := range c.perf.Axes {
		if x.Spec == a {
			return x
		}
	}
	return nil
}

// blameBox gives the place of the key that moves into a box: that of the axis
// whose stretch at that moment began last.
func (c *checker) blameBox(box sequence.Never, t float64) sequence.Pos {
	best, since := sequence.Pos{}, math.Inf(-1)
	for _, side := range box.Sides {
		a := c.axisOf(side.Axis)
		if a.Part.At(t).Speed == 0 && a.Part.Before(math.Max(t, 1e-9)).Speed == 0 && best.Known() {
			continue
		}
		src := a.Blame(t, 1)
		when := 0.0
		if src.Track != nil && src.Key >= 0 {
			when = src.Track.Keys[src.Key].Time
		}
		if when > since {
			best, since = src.At, when
		}
	}
	return best
}

func (c *checker) boxRemedy(box sequence.Never, span [2]float64) string {
	var parts []string
	low, high, bounded := 0.0, 0.0, false
	for _, side := range box.Sides {
		low, high, bounded = side.Axis.Bounds()
		switch {
		case !bounded || side.High >= high-1e-9:
			parts = append(parts, fmt.Sprintf("keep %s below %s", side.Axis.Name, amount(side.Low, side.Axis.Unit)))
		case side.Low <= low+1e-9:
			parts = append(parts, fmt.Sprintf("keep %s above %s", side.Axis.Name, amount(side.High, side.Axis.Unit)))
		default:
			parts = append(parts, fmt.Sprintf("keep %s below %s or above %s", side.Axis.Name, amount(side.Low, side.Axis.Unit), amount(side.High, side.Axis.Unit)))
		}
	}
	return fmt.Sprintf("from %s to %s, %s", sequence.FormatSeconds(span[0]), sequence.FormatSeconds(span[1]), strings.Join(parts, ", or "))
}
