package check

import (
	"fmt"
	"math"
	"slices"

	"limberjack/sequence"
)

// RunShow judges a show as a whole: all that the reports of its motions say, each
// thing once, and what a day of it asks of each axis. reports are those of its
// motions, in the show's order, nil where one has none.
func RunShow(s *sequence.Show, reports []*Report) *Report {
	out := &Report{File: s.File}
	hours := float64(day)
	span := "a day of 24 h"
	if s.Hours != nil {
		hours = s.Hours.To.V - s.Hours.From.V
		span = fmt.Sprintf("a day of %s h", short(hours/3600))
	}
	type use struct{ way, turns float64 }
	total := map[string]use{}
	plays := playsADay(s, reports, hours)
	for i, r := range reports {
		if r == nil || plays[i] == 0 {
			continue
		}
		for _, a := range r.Axes {
			u := total[a.Axis]
			total[a.Axis] = use{u.way + float64(a.Travelled*plays[i]), u.turns + float64(float64(a.Turns)*plays[i])}
		}
	}
	for _, a := range s.Rig.Axes {
		u := total[a.Name]
		if u.turns == 0 || (a.Kind != sequence.Servo && a.Kind != sequence.Stepper) {
			continue
		}
		out.Findings = append(out.Findings, Finding{Level: Note, Rule: "wear", Axis: a.Name, At: a.At, Value: u.way, Unit: a.Unit,
			Message: fmt.Sprintf("in %s, %s travels %s and turns round %s times", span, a.Name, amount(u.way, a.Unit), large(u.turns))})
	}
	for i, m := range s.Motions {
		if reports[i] != nil && plays[i] == 0 && waitsForInput(m, nil) {
			out.Findings = append(out.Findings, Finding{Level: Note, Rule: "wear-triggered", At: s.At,
				Message: fmt.Sprintf("how often %s plays is up to %s; it is not counted in the wear of a day", m.Name, whoseTrigger(m))})
		}
	}
	out.Findings = append(out.Findings, neverFirst(s, reports)...)
	for _, r := range reports {
		if r != nil {
			out.take(r)
		}
	}
	out.sort(s.File)
	return out
}

// take merges the report of one motion: its findings but for the wear of a single
// play, and the greatest that each axis, supply and board has to do.
func (r *Report) take(o *Report) {
	r.Duration = math.Max(r.Duration, o.Duration)
	for _, f := range o.Findings {
		if f.Rule != "wear" && !r.says(f) {
			r.Findings = append(r.Findings, f)
		}
	}
	for _, a := range o.Axes {
		a.PlaysADay = 0 // the forecast of the whole show stands instead
		i := slices.IndexFunc(r.Axes, func(b AxisSummary) bool { return b.Axis == a.Axis })
		if i < 0 {
			r.Axes = append(r.Axes, a)
			continue
		}
		b := &r.Axes[i]
		b.PeakSpeed, b.PeakAcceleration, b.PeakJerk = math.Max(b.PeakSpeed, a.PeakSpeed), math.Max(b.PeakAcceleration, a.PeakAcceleration), math.Max(b.PeakJerk, a.PeakJerk)
		b.Min, b.Max = math.Min(b.Min, a.Min), math.Max(b.Max, a.Max)
		b.Travelled, b.Turns = math.Max(b.Travelled, a.Travelled), max(b.Turns, a.Turns)
	}
	for _, s := range o.Supplies {
		i := slices.IndexFunc(r.Supplies, func(b SupplySummary) bool { return b.Supply == s.Supply })
		switch {
		case i < 0:
			r.Supplies = append(r.Supplies, s)
		case s.Peak > r.Supplies[i].Peak:
			r.Supplies[i] = s
		}
	}
	if r.Boards == nil {
		r.Boards = o.Boards
	}
}

func (r *Report) says(f Finding) bool {
	return slices.ContainsFunc(r.Findings, func(g Finding) bool {
		return g.Rule == f.Rule && g.Axis == f.Axis && g.At == f.At && g.Message == f.Message
	})
}
