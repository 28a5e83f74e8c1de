package check

import (
	"fmt"
	"math"

	"limberjack/sequence"
)

// RunShow judges a show as a whole: what a day of it asks of each axis. reports
// are those of its motions, in the show's order, nil where one has none.
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
	var triggered []string
	for i, m := range s.Motions {
		r := reports[i]
		if r == nil || r.Duration <= 0 {
			continue
		}
		plays := playsADay(s, m, r.Duration, hours)
		if plays == 0 && m.Trigger != nil {
			triggered = append(triggered, m.Name)
		}
		for _, a := range r.Axes {
			u := total[a.Axis]
			total[a.Axis] = use{u.way + a.Travelled*plays, u.turns + float64(a.Turns)*plays}
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
	for _, name := range triggered {
		out.Findings = append(out.Findings, Finding{Level: Note, Rule: "wear-triggered", At: s.At,
			Message: fmt.Sprintf("how often %s plays is up to its trigger; it is not counted in the wear of a day", name)})
	}
	out.sort(s.File)
	return out
}

// playsADay forecasts how often a motion is played: over and over for a loop
// that starts at power-up, at the mean of its interval for a timed one. What an
// input triggers cannot be foreseen.
func playsADay(s *sequence.Show, m *sequence.ShowMotion, duration, hours float64) float64 {
	switch {
	case m.Every[0].Given():
		return hours / math.Max(duration, (m.Every[0].V+m.Every[1].V)/2)
	case m == s.Start && (m.Loop || m.Script.Loop):
		return hours / duration
	case m == s.Start:
		return 1
	}
	return 0
}
