package sequence

import (
	"errors"
	"fmt"
	"math"

	"gopkg.in/yaml.v3"
)

// Pulses that may be given while the ends of a servo are looked for, in us: beyond the
// 1000 to 2000 us of a usual calibration, and what hobby servos are commonly sold for
// (common practice).
const (
	PulseLeast    = 500.0
	PulseGreatest = 2500.0
)

// Calibrates says why the ends of an axis cannot be looked for; nil if they can.
func (a *Axis) Calibrates() error {
	switch {
	case a.Kind != Servo:
		return fmt.Errorf("%s is a %s; ends are looked for on a servo", a.Name, a.Kind)
	case !a.HasTravel() || len(a.Pulse) < 2:
		return fmt.Errorf("%s has no travel and pulses to begin with; give it both, carefully narrow", a.Name)
	}
	return nil
}

// PulseCentre gives the middle of the calibrated pulses of an axis with its trim, in us.
func (a *Axis) PulseCentre() float64 {
	return (a.Pulse[0].Pulse.V+a.Pulse[len(a.Pulse)-1].Pulse.V)/2 + a.Trim.V
}

// OpenPulse gives the axis, in place of its calibration, one that reaches every pulse
// from PulseLeast to PulseGreatest, in the same direction: its travel stands for them.
// Its rest is the centre of the calibration, and there is no linkage. That is for
// looking for its ends; the rest of the rig stays as it is.
func (a *Axis) OpenPulse() {
	centre := a.PulseCentre()
	ends := [2]float64{PulseLeast, PulseGreatest}
	if a.Pulse[0].Pulse.V > a.Pulse[len(a.Pulse)-1].Pulse.V {
		ends[0], ends[1] = ends[1], ends[0]
	}
	a.Pulse = []PulsePoint{{a.Travel[0], Num{At: a.Pulse[0].Pulse.At, V: ends[0]}}, {a.Travel[1], Num{At: a.Pulse[0].Pulse.At, V: ends[1]}}}
	a.Trim.V, a.Linkage = 0, nil
	a.Rest.V = a.OpenValue(centre)
}

// OpenValue gives the value at which an axis after OpenPulse has a pulse in us.
func (a *Axis) OpenValue(pulse float64) float64 {
	p, q := a.Pulse[0].Pulse.V, a.Pulse[1].Pulse.V
	return a.Travel[0].V + float64((pulse-p)/(q-p)*(a.Travel[1].V-a.Travel[0].V))
}

// SetPulse gives the text of a rig file in which an axis has the pulses low and high, in
// us, at the ends of its travel. axis is as it was read from the text. Points of its
// calibration between the ends stay; every other line does, too, with comments, order
// and spelling. The error says what hinders it.
func SetPulse(text []byte, axis *Axis, low, high float64) ([]byte, error) {
	want := [2]float64{low - axis.Trim.V, high - axis.Trim.V}
	byHand := fmt.Sprintf("write pulse: [[%s, %sus], [%s, %sus]] by hand", ends(axis, 0), formatNumber(tenth(want[0])), ends(axis, 1), formatNumber(tenth(want[1])))
	before, err := rootOf(text)
	if errors.Is(err, errFlow) {
		return nil, errors.New("the rig is written in braces on few lines; " + byHand)
	}
	if err != nil {
		return nil, err
	}
	unable := fmt.Errorf("the calibration of %s cannot be written without a change to other lines; %s", axis.Name, byHand)
	spec := child(child(before, "axes"), axis.Name)
	table := child(spec, "pulse")
	if table == nil || table.Kind != yaml.SequenceNode || table.Anchor != "" || spec.Anchor != "" || child(before, "axes").Anchor != "" {
		return nil, unable
	}
	if err := axis.keeps(want, byHand); err != nil {
		return nil, err
	}
	w := newWritten(text)
	var patches []patch
	for end := range want {
		point := table.Content[axis.place(end, len(table.Content)-1)]
		if point.Kind != yaml.SequenceNode || len(point.Content) != 2 || point.Anchor != "" {
			return nil, unable
		}
		if value := axis.hornAt(end); math.Abs(value-axis.outer(end).Value.V) > 1e-9 {
			p, ok := w.replace(point.Content[0], ends(axis, end))
			if !ok {
				return nil, unable
			}
			patches = append(patches, p)
		}
		p, ok := w.replace(point.Content[1], formatNumber(tenth(want[end]))+"us")
		if !ok {
			return nil, unable
		}
		patches = append(patches, p)
	}
	out := w.apply(patches)
	after, err := rootOf(out)
	path := []string{"axes", axis.Name, "pulse"}
	if err != nil || !sameNode(without(before, path), without(after, path)) {
		return nil, unable
	}
	return out, nil
}

// keeps says why points between the ends of a calibration do not go with new ends.
func (a *Axis) keeps(want [2]float64, byHand string) error {
	outside := false
	for end := range want {
		outside = outside || math.Abs(a.hornAt(end)-a.outer(end).Value.V) > 1e-9
	}
	if outside && len(a.Pulse) > 2 {
		return fmt.Errorf("the calibration of %s has points beyond the ends of its travel and others between; %s", a.Name, byHand)
	}
	for _, p := range a.Pulse[1 : len(a.Pulse)-1] {
		if (p.Pulse.V-want[0])*(want[1]-p.Pulse.V) <= 0 {
			return fmt.Errorf("%s: the point at %v %s has %v us, which is not between the new ends, %v and %v us; %s", a.Name, p.Value.V, a.Unit, p.Pulse.V, tenth(want[0]), tenth(want[1]), byHand)
		}
	}
	return nil
}

// outer gives the point of the calibration that belongs to an end of the travel.
func (a *Axis) outer(end int) PulsePoint {
	if a.hornAt(0) > a.hornAt(1) { // the linkage turns the way round
		end = 1 - end
	}
	return a.Pulse[end*(len(a.Pulse)-1)]
}

// place gives where in the written list, whose last is at an index, that point stands:
// the list may fall.
func (a *Axis) place(end, last int) int {
	p, q := a.Pulse[0].Value.At, a.Pulse[len(a.Pulse)-1].Value.At
	falls := p.Line > q.Line || p.Line == q.Line && p.Column > q.Column
	if falls != (a.hornAt(0) > a.hornAt(1)) {
		end = 1 - end
	}
	return end * last
}

// hornAt gives where the horn is at an end of the travel.
func (a *Axis) hornAt(end int) float64 {
	value := a.Travel[end].V
	if a.Linkage == nil {
		return value
	}
	horn, _, _, _, _ := a.Linkage.Horn(value)
	return horn
}

// ends gives an end of the travel, at the horn, as it is written.
func ends(a *Axis, end int) string { return formatNumber(math.Round(a.hornAt(end)*1e4)/1e4+0) + a.Unit }

func tenth(us float64) float64 { return math.Round(us*10) / 10 }
