package web

import (
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
)

// TempoPoint is a moment of a known beat. Beats are linear in time up to the next
// point, and after the last go on at its rate.
type TempoPoint struct {
	At   figure `json:"at"`
	Beat figure `json:"beat"`
	BPM  figure `json:"bpm"` // beats a minute of performance time, from here on
}

// beatSlack is the greatest error in s of script time that drawing the beats of a
// pace as straight lines may make.
const beatSlack = 0.0005

// mostBeatParts bounds the points of one stretch of a pace.
const mostBeatParts = 256

// tempoOf gives the beats of a performance; nil where the motion has no tempo.
func tempoOf(p *interp.Performance) []TempoPoint {
	tempo := p.Script.Tempo
	if len(tempo) == 0 {
		return nil
	}
	times := []float64{0, p.Length}
	for _, span := range tempo {
		times = append(times, p.PerformanceTime(span.Time))
	}
	times = append(times, paceTimes(p.Script.Pace)...)
	slices.Sort(times)
	times = slices.Compact(times)
	out := make([]TempoPoint, 0, len(times))
	for _, t := range times {
		if t >= 0 && (t <= p.Length || len(p.Script.Pace) == 0) {
			out = append(out, TempoPoint{At: figure(t), Beat: figure(tempo.Beat(p.ScriptTime(t)))})
		}
	}
	for i := range out {
		out[i].BPM = figure(tempo[len(tempo)-1].BPM)
		if i+1 < len(out) {
			out[i].BPM = (out[i+1].Beat - out[i].Beat) / (out[i+1].At - out[i].At) * 60
		}
	}
	return straightened(out)
}

// straightened leaves out points on the line between their neighbours.
func straightened(points []TempoPoint) []TempoPoint {
	out := points[:0]
	for i, p := range points {
		if i > 0 && math.Abs(float64(p.BPM-out[len(out)-1].BPM)) < 1e-9*math.Abs(float64(p.BPM)) {
			continue
		}
		out = append(out, p)
	}
	return out
}

// paceTimes gives performance times between which script time is a straight line to
// within beatSlack. Between two knots it is a parabola, whose chord is off by at most
// an eighth of the change of rate times the time.
func paceTimes(knots []sequence.Knot) []float64 {
	var times []float64
	for i := 1; i < len(knots); i++ {
		a, b := knots[i-1], knots[i]
		h := b.Time - a.Time
		n := math.Ceil(math.Sqrt(math.Abs(b.Rate-a.Rate) * h / 8 / beatSlack))
		n = math.Max(1, math.Min(mostBeatParts, n))
		for k := range int(n) {
			times = append(times, a.Time+float64(h*float64(k)/n))
		}
	}
	return times
}
