package check

import (
	"fmt"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// quiet finds axes that are faster than a quiet window allows.
func (c *checker) quiet() {
	for _, q := range c.perf.Script.Quiet {
		from, to := c.perf.PerformanceTime(q.From), c.perf.PerformanceTime(q.To)
		for _, a := range c.perf.Axes {
			switch {
			case q.Applies(a.Spec):
				c.quietAxis(q, a, from, to)
			case a.Spec.Kind == sequence.Motor || a.Spec.Kind == sequence.ContinuousServo:
				c.quietMotor(q, a, from, to)
			}
		}
	}
}

func (c *checker) quietAxis(q sequence.Quiet, a *interp.Axis, from, to float64) {
	limit := q.Speed.V
	worst := Finding{Level: Error, Rule: "quiet", Axis: a.Spec.Name, From: math.Inf(1), To: math.Inf(-1), Limit: limit, Unit: a.Spec.Unit + "/s"}
	at := 0.0
	for i := range a.Horn.Spans() {
		pieceFrom, pieceTo := a.Horn.Span(i)
		if pieceFrom >= to || pieceTo <= from || a.Horn.Still(i) {
			continue
		}
		if peak, _ := a.Horn.Range(i, 1).Peak(); peak <= limit*(1+1e-6) {
			continue
		}
		over := a.Horn.Over(nil, i, 1, limit, false)
		over = a.Horn.Over(over, i, 1, -limit, true)
		for _, s := range over {
			s[0], s[1] = math.Max(s[0], from), math.Min(s[1], to)
			if s[0] >= s[1] {
				continue
			}
			worst.From, worst.To = math.Min(worst.From, s[0]), math.Max(worst.To, s[1])
			if v, when := greatestSpeed(a.Horn, i, s); v > worst.Value {
				worst.Value, at = v, when
			}
		}
	}
	frame := frameOf(a.Spec)
	for _, j := range a.Horn.Joints(nil) {
		if v := jumpOf(j, 1, frame); j.At >= from && j.At <= to && v > worst.Value {
			worst.Value, at = v, j.At
			worst.From, worst.To = math.Min(worst.From, j.At), math.Max(worst.To, j.At)
		}
	}
	if worst.Value <= limit*(1+1e-6) {
		return
	}
	src := a.Blame(at, 1)
	if src.Track == nil && src.Layer == nil || jumpedAt(a, at) {
		src = a.BlameJump(at, 0)
	}
	worst.At = src.At
	worst.Message = fmt.Sprintf("%s runs at %s in the quiet window of line %d, which allows %s: the microphone hears it", a.Spec.Name, amount(worst.Value, worst.Unit), q.At.Line, amount(limit, worst.Unit))
	worst.Remedy = quietRemedy(src, worst.Value/limit, q)
	c.join(worst)
}

// quietMotor finds a motor that is driven in a quiet window. Its drive is no
// speed that a limit could be held against, but it is heard.
func (c *checker) quietMotor(q sequence.Quiet, a *interp.Axis, from, to float64) {
	if slices.Contains(q.Release, a.Spec) {
		return
	}
	spans := c.driven(a.Spec, from, to)
	if len(spans) == 0 {
		return
	}
	first, last := spans[0][0], spans[len(spans)-1][1]
	src := a.BlamePosition((first+last)/2, math.Inf(1), math.Inf(-1))
	c.join(Finding{Level: Warning, Rule: "quiet", Axis: a.Spec.Name, At: src.At, From: first, To: last, Value: last - first, Unit: "s",
		Message: fmt.Sprintf("%s runs for %s in the quiet window of line %d: the microphone hears it", a.Spec.Name, sequence.FormatSeconds(last-first), q.At.Line),
		Remedy:  fmt.Sprintf("let it run before %s or after %s", sequence.FormatSeconds(q.From), sequence.FormatSeconds(q.To))})
}

// noDrive is the drive, in percent, below which a motor does not turn.
const noDrive = 0.5

// jumpedAt reports whether the position jumps at a time.
func jumpedAt(a *interp.Axis, at float64) bool {
	before, after := a.Horn.Before(at).Position, a.Horn.At(at).Position
	return math.Abs(after-before) > 1e-9
}

// greatestSpeed gives the greatest speed on a stretch of one piece: the piece's
// own peak where it lies inside, else that of the ends.
func greatestSpeed(c *interp.Curve, i int, span [2]float64) (v, at float64) {
	r := c.Range(i, 1)
	v, at = math.Abs(c.At(span[0]).Speed), span[0]
	if end := math.Abs(c.Before(span[1]).Speed); end > v {
		v, at = end, span[1]
	}
	for _, e := range [][2]float64{{math.Abs(r.Min), r.AtMin}, {math.Abs(r.Max), r.AtMax}} {
		if e[1] >= span[0] && e[1] <= span[1] && e[0] > v && !math.IsInf(e[0], 0) {
			v, at = e[0], e[1]
		}
	}
	return v, at
}

func quietRemedy(src interp.Source, ratio float64, q sequence.Quiet) string {
	if src.Layer != nil {
		return fmt.Sprintf("reduce the amount of the %s layer by a factor of %s there", src.Layer.Kind, short(ratio))
	}
	if src.Track == nil || src.Key < 1 {
		return "move it out of the window"
	}
	a, b := src.Track.Keys[src.Key-1], src.Track.Keys[src.Key]
	return fmt.Sprintf("give this move %s in all, or do it before %s or after %s", atLeast((b.Time-a.Time)*ratio), sequence.FormatSeconds(q.From), sequence.FormatSeconds(q.To))
}

// cues finds cues after the end of the motion.
func (c *checker) cues() {
	end := c.perf.Script.Length
	for _, cue := range c.perf.Script.Cues {
		if cue.Time <= end+1e-9 {
			continue
		}
		c.add(Finding{Level: Error, Rule: "cue-outside", At: cue.At, From: c.perf.Length, To: c.perf.Length, Value: cue.Time, Limit: end, Unit: "s",
			Message: fmt.Sprintf("this cue is at %s, but the motion ends at %s: it never happens", sequence.FormatSeconds(cue.Time), sequence.FormatSeconds(end)),
			Remedy:  fmt.Sprintf("make the length %s or more, or move the cue", atLeast(cue.Time))})
	}
}

// paceAndSound checks that a performance under a pace starts and ends at rest,
// and says by how much sound and motion part.
func (c *checker) paceAndSound() {
	s := c.perf.Script
	if n := len(s.Pace); n > 0 {
		c.paceEnd(0, s.Pace[0].Rate, s.Pace[0].At)
		c.paceEnd(s.Length, s.Pace[n-1].Rate, s.Pace[n-1].At)
		if s.Audio != nil {
			c.parting()
		}
	}
	if s.Audio == nil || s.Audio.Level == nil {
		return
	}
	if d := s.Audio.Level.Info.Duration; d > c.perf.Length+0.05 {
		c.add(Finding{Level: Note, Rule: "audio-length", At: s.Audio.At, From: c.perf.Length, To: d, Value: d, Limit: c.perf.Length, Unit: "s",
			Message: fmt.Sprintf("the sound lasts %s, the motion %s: it goes on after the end", sequence.FormatSeconds(d), sequence.FormatSeconds(c.perf.Length)),
			Remedy:  fmt.Sprintf("make the length %s, or cut the sound", atLeast(d))})
	}
}

// paceEnd finds axes that move at an end of the script while the pace there is
// not 0.
func (c *checker) paceEnd(script, rate float64, at sequence.Pos) {
	if rate == 0 {
		return
	}
	t := 0.0
	if script > 0 {
		t = c.perf.Length
	}
	for _, a := range c.perf.Axes {
		state := a.Part.At(0)
		if t > 0 {
			state = a.Part.Before(t)
		}
		if math.Abs(state.Speed) > 1e-6 {
			c.add(Finding{Level: Error, Rule: "pace-end", Axis: a.Spec.Name, At: at, From: t, To: t, Value: rate, Limit: 0,
				Message: fmt.Sprintf("the pace at %s is %s, but %s moves there: a performance starts and ends at rest", sequence.FormatSeconds(t), short(rate), a.Spec.Name),
				Remedy:  "let the pace be 0 at this end"})
		}
	}
}

// parting notes the greatest time by which script and sound part under a pace.
func (c *checker) parting() {
	worst, at := 0.0, 0.0
	take := func(t float64) {
		if d := c.perf.ScriptTime(t) - t; math.Abs(d) > math.Abs(worst) {
			worst, at = d, t
		}
	}
	// They part most at a knot, or where the rate passes 1 between two.
	for i, k := range c.perf.Script.Pace {
		take(k.Time)
		if i == 0 {
			continue
		}
		if b := c.perf.Script.Pace[i-1]; (b.Rate-1)*(k.Rate-1) < 0 {
			take(b.Time + (k.Time-b.Time)*(1-b.Rate)/(k.Rate-b.Rate))
		}
	}
	if math.Abs(worst) < 1e-3 {
		return
	}
	word := "behind"
	if worst > 0 {
		word = "ahead of"
	}
	c.add(Finding{Level: Note, Rule: "pace-sound", At: c.perf.Script.PaceAt, From: at, To: at, Value: worst * 1000, Unit: "ms",
		Message: fmt.Sprintf("under this pace the motion runs up to %s ms %s the sound (at %s): the sound is not stretched", short(math.Abs(worst)*1000), word, sequence.FormatSeconds(at)),
		Remedy:  "lock the marks that must meet the sound, or delete the pace"})
}

// budget takes the supplies of the trace into the report and judges them.
func (c *checker) budget(trace *drive.Trace) {
	if trace == nil {
		return
	}
	for _, s := range trace.Supplies {
		sum := SupplySummary{Supply: s.Supply.Name, Peak: s.Peak, RMS: s.RMS, Mean: s.Mean, PeakAt: s.PeakAt, Limit: s.Supply.Limit.V, Sustained: s.Sustained,
			MinVoltage: s.MinVoltage, Energy: s.Energy, Runs: s.Runs}
		for _, d := range s.Blame {
			if d.Current > 0 {
				sum.Blame = append(sum.Blame, d.Axis.Name)
			}
		}
		c.report.Supplies = append(c.report.Supplies, sum)
		c.supply(s)
	}
	c.predicted(trace)
	for _, a := range trace.Axes {
		f := a.Axis.Figures()
		if f != nil && a.MaxHolding > f.StallTorque.V/2 {
			c.holding(a.Axis, a.MaxHolding, f.StallTorque, a.HoldingAt)
		}
	}
}

// supply judges what a supply has to deliver. Its limit is held against what
// lasts a tenth of a second; what is shorter, the capacitors of the boards and of
// the supply may give.
func (c *checker) supply(s drive.SupplyTrace) {
	if limit := s.Supply.Limit; limit.Given() && (s.Sustained > limit.V*0.8 || s.Peak > limit.V) {
		c.add(c.overload(s, limit))
	}
	sag := s.Supply.Voltage.V - s.MinVoltage
	blame := c.blameText(s.SagBlame, s.MinVoltageAt)
	switch b := s.Supply.Brownout; {
	case len(s.BrownOuts) > 0:
		out := s.BrownOuts[0]
		c.add(Finding{Level: Error, Rule: "brown-out", Supply: s.Supply.Name, At: b.At, From: out.At, To: out.At, Value: out.Least, Limit: b.V, Unit: "V",
			Message: fmt.Sprintf("%s sags to %s at %s, below the %s at which the board resets (%s; %s in all)", s.Supply.Name, amount(out.Least, "V"), sequence.FormatSeconds(out.At), amount(b.V, "V"), c.blameText(out.Blame, out.At), times(s.BrownOutCount)),
			Remedy:  fmt.Sprintf("keep the current below %s, or bring the resistance of source and leads down to %s", amount((s.Supply.Voltage.V-b.V)/math.Max(s.Supply.Resistance.V, 1e-9), "A"), amount((s.Supply.Voltage.V-b.V)/math.Max(s.Peak, 1e-9)*1000, "mohm"))})
	case sag > s.Supply.Voltage.V*sagShare:
		c.add(Finding{Level: Warning, Rule: "sag", Supply: s.Supply.Name, At: s.Supply.At, From: s.MinVoltageAt, To: s.MinVoltageAt, Value: s.MinVoltage, Limit: s.Supply.Voltage.V * (1 - sagShare), Unit: "V",
			Message: fmt.Sprintf("%s sags from %s to %s at %s (%s): everything on it gets slower and weaker", s.Supply.Name, amount(s.Supply.Voltage.V, "V"), amount(s.MinVoltage, "V"), sequence.FormatSeconds(s.MinVoltageAt), blame),
			Remedy:  fmt.Sprintf("use shorter or thicker leads, or a stiffer supply: %s or less", amount(s.Supply.Voltage.V*sagShare/math.Max(s.Peak, 1e-9)*1000, "mohm"))})
	}
}

// sagShare is the fall of a supply's voltage from which it is worth a word.
const sagShare = 0.1

func (c *checker) overload(s drive.SupplyTrace, limit sequence.Num) Finding {
	blame := c.blameText(s.Blame, s.PeakAt)
	f := Finding{Level: Warning, Rule: "supply-current", Supply: s.Supply.Name, At: limit.At, From: s.SustainedAt, To: s.SustainedAt, Value: s.Sustained, Limit: limit.V, Unit: "A",
		Message: fmt.Sprintf("%s delivers %s at %s, %s %% of its %s, with peaks of %s (%s)", s.Supply.Name, amount(s.Sustained, "A"), sequence.FormatSeconds(s.SustainedAt), short(100*s.Sustained/limit.V), amount(limit.V, "A"), amount(s.Peak, "A"), blame),
		Remedy:  fmt.Sprintf("use a supply of %s or more, to have a quarter in hand", amount(roundUp(s.Sustained*1.25), "A"))}
	switch {
	case s.Sustained > limit.V:
		f.Level = Error
		f.Message = fmt.Sprintf("%s must deliver %s at %s, more than its %s, with peaks of %s (%s): the voltage falls and boards may reset", s.Supply.Name, amount(s.Sustained, "A"), sequence.FormatSeconds(s.SustainedAt), amount(limit.V, "A"), amount(s.Peak, "A"), blame)
		f.Remedy = fmt.Sprintf("start these moves one after another, slow them down, or use a supply of %s or more", amount(roundUp(s.Sustained*1.25), "A"))
	case s.Sustained <= limit.V*0.8:
		f.Message = fmt.Sprintf("%s has peaks of %s at %s, above its %s, but no more than %s over a tenth of a second (%s)", s.Supply.Name, amount(s.Peak, "A"), sequence.FormatSeconds(s.PeakAt), amount(limit.V, "A"), amount(s.Sustained, "A"), blame)
		f.From, f.To, f.Value = s.PeakAt, s.PeakAt, s.Peak
		f.Remedy = fmt.Sprintf("put capacitors near the servos, or use a supply that gives %s for a moment", amount(roundUp(s.Peak), "A"))
		f.Level = Note
	}
	return f
}

// blameText names the axes that draw most at a moment, with the lines of the
// motion that move them then.
func (c *checker) blameText(draws []drive.Draw, at float64) string {
	text := "nothing draws"
	for i, d := range draws {
		if i == 3 || d.Current <= 0 {
			break
		}
		if i == 0 {
			text = ""
		} else {
			text += ", "
		}
		text += fmt.Sprintf("%s %s %s", d.Axis.Name, d.State, amount(d.Current, "A"))
		if src := c.axisOf(d.Axis).Blame(at, 1); src.At.File == c.perf.Script.File && src.At.Known() {
			text += fmt.Sprintf(" by line %d", src.At.Line)
		}
	}
	return text
}

// links checks that the frames of each board fit its serial link: ten bits a
// byte (8N1).
func (c *checker) links(links []Link) {
	for _, l := range links {
		b := l.Board
		s := BoardSummary{Board: b.Name, BytesPerSecond: l.BytesPerFrame * b.Rate.V, Resolution: b.Tick.V}
		if b.Baud.Given() {
			s.LinkShare = s.BytesPerSecond * 10 / b.Baud.V
		}
		c.report.Boards = append(c.report.Boards, s)
		if s.LinkShare <= 0.8 {
			continue
		}
		f := Finding{Level: Warning, Rule: "link", At: b.Baud.At, Value: s.BytesPerSecond, Limit: b.Baud.V / 10, Unit: "bytes/s",
			Message: fmt.Sprintf("board %s needs %s bytes a second, %s %% of what %s baud carry", b.Name, short(s.BytesPerSecond), short(s.LinkShare*100), short(b.Baud.V)),
			Remedy:  fmt.Sprintf("use %s baud or more, or fewer frames a second", short(standardBaud(s.BytesPerSecond*10/0.8)))}
		if s.LinkShare > 1 {
			f.Level = Error
		}
		c.add(f)
	}
}

// standardBaud gives the next usual data rate.
func standardBaud(least float64) float64 {
	for _, b := range []float64{9600, 19200, 38400, 57600, 115200, 250000, 500000, 1e6} {
		if b >= least {
			return b
		}
	}
	return math.Ceil(least/1e6) * 1e6
}
