package sequence

import (
	"fmt"
	"math"
	"strings"

	"gopkg.in/yaml.v3"
)

// SetReverse gives the text of a rig file in which an axis runs the other way round:
// the pulse of each value becomes that of the value as far from the other end of the
// travel. So the axis keeps to the pulses that it had, and no stop is passed; what was
// at one end of the travel is then at the other. axis is as it was read from the text.
// Pulses change places where the points lie evenly about the middle of the travel;
// otherwise the points get other values. Every other line stays as it is.
//
// Where the axis is on, its present value means another pulse from then on: whoever takes
// the text over has to bring it to rest from where it really stands, as after power-up.
func SetReverse(text []byte, axis *Axis) ([]byte, error) {
	e, points, err := calibrationOf(text, axis, "reverse the pulses of "+axis.Name+" by hand")
	if err != nil {
		return nil, err
	}
	sum := axis.hornAt(0) + axis.hornAt(1)
	n := len(points)
	even := true
	for i := range axis.Pulse {
		even = even && math.Abs(axis.Pulse[i].Value.V+axis.Pulse[n-1-i].Value.V-sum) <= 1e-9*(1+math.Abs(sum))
	}
	for i, p := range points {
		if even {
			if was := points[n-1-i].Content[1]; was != p.Content[1] {
				e.replace(p.Content[1], was.Value)
			}
			continue
		}
		e.replace(p.Content[0], atHorn(axis, sum-axis.written(points, i).Value.V))
	}
	return e.calibrated(axis)
}

// SetPulsePoint gives the text of a rig file in which an axis has a pulse, in us with its
// trim, at a value of the horn: in the place of that of the point there, or as a new
// point between two. With the middle of the travel it sets the centre. axis is as it was
// read from the text; every other line stays as it is.
func SetPulsePoint(text []byte, axis *Axis, value, us float64) ([]byte, error) {
	pulse := formatNumber(tenth(us-axis.Trim.V)) + "us"
	point := "[" + atHorn(axis, value) + ", " + pulse + "]"
	e, points, err := calibrationOf(text, axis, "write the point "+point+" by hand")
	if err != nil {
		return nil, err
	}
	if !(us > 0 && us <= 1e5) || !(math.Abs(value) <= maxAngle) {
		return nil, fmt.Errorf("%v us at %v %s cannot be a point of %s", us, value, axis.Unit, axis.Name)
	}
	at := 0 // of the points before
	for at < len(axis.Pulse) && axis.Pulse[at].Value.V < value-1e-9 {
		at++
	}
	there := at < len(axis.Pulse) && axis.Pulse[at].Value.V <= value+1e-9
	if err := axis.between(at, there, value, tenth(us-axis.Trim.V)); err != nil {
		return nil, err
	}
	if there {
		for i := range points {
			if axis.written(points, i) == axis.Pulse[at] {
				e.replace(points[i].Content[1], pulse)
			}
		}
		return e.calibrated(axis)
	}
	// In a list that falls the point before this value comes after it.
	next := at
	if axis.written(points, 0) != axis.Pulse[0] {
		next = len(points) - at
	}
	e.item(points[next], point, e.table(axis).Style&yaml.FlowStyle != 0)
	return e.calibrated(axis)
}

// between says why a pulse does not go at a place of the calibration.
func (a *Axis) between(at int, there bool, value, us float64) error {
	after := at
	if there {
		after++
	}
	if !there && (at == 0 || at == len(a.Pulse)) {
		low, high := a.Pulse[0].Value.V, a.Pulse[len(a.Pulse)-1].Value.V
		return fmt.Errorf("%v %s is beyond the points of %s, %v and %v %s; set the ends by looking for them first", value, a.Unit, a.Name, low, high, a.Unit)
	}
	if at > 0 && after < len(a.Pulse) {
		p, q := a.Pulse[at-1].Pulse.V, a.Pulse[after].Pulse.V
		if (us-p)*(q-us) <= 0 {
			return fmt.Errorf("%s: %v us at %v %s is not between the pulses of the points beside it, %v and %v us", a.Name, us, value, a.Unit, p, q)
		}
		return nil
	}
	// An end: its neighbour may not be passed.
	rises := a.Pulse[len(a.Pulse)-1].Pulse.V > a.Pulse[0].Pulse.V
	beside, before := 0.0, at > 0
	if before {
		beside = a.Pulse[at-1].Pulse.V
	} else {
		beside = a.Pulse[after].Pulse.V
	}
	if us == beside || us > beside != (rises == before) {
		return fmt.Errorf("%s: %v us at %v %s would be on the wrong side of the point beside it, %v us", a.Name, us, value, a.Unit, beside)
	}
	return nil
}

// SetTrim gives the text of a rig file in which an axis has a trim, in us, which is added
// to all its pulses. axis is as it was read from the text; every other line stays as it
// is.
func SetTrim(text []byte, axis *Axis, us float64) ([]byte, error) {
	if !(math.Abs(us) <= 1e4) {
		return nil, fmt.Errorf("a trim of %v us cannot be; it may be up to 10000 us either way", us)
	}
	value := formatNumber(tenth(us)+0) + "us"
	if axis.Kind != Servo && axis.Kind != ContinuousServo {
		return nil, fmt.Errorf("%s is a %s; a trim is for a servo", axis.Name, axis.Kind)
	}
	e, err := newAxisEdit(text, axis, "write trim: "+value+" by hand")
	if err != nil {
		return nil, err
	}
	if now := child(e.spec, "trim"); now != nil {
		e.replace(now, value)
	} else {
		e.insert(e.spec, "trim: "+value, "")
	}
	out, after, err := e.done([][]string{{"axes", axis.Name, "trim"}})
	if err != nil {
		return nil, err
	}
	if set := child(child(child(after, "axes"), axis.Name), "trim"); set == nil || set.Value != value {
		return nil, e.unable
	}
	return out, nil
}

// calibrationOf finds the points of a calibration as they are written.
func calibrationOf(text []byte, axis *Axis, byHand string) (*axisEdit, []*yaml.Node, error) {
	if axis.Kind != Servo || !axis.HasTravel() || len(axis.Pulse) < 2 {
		return nil, nil, fmt.Errorf("%s has no travel and pulses to change; %s", axis.Name, byHand)
	}
	e, err := newAxisEdit(text, axis, byHand)
	if err != nil {
		return nil, nil, err
	}
	table := e.table(axis)
	if table == nil || table.Kind != yaml.SequenceNode || table.Anchor != "" || len(table.Content) != len(axis.Pulse) {
		return nil, nil, e.unable
	}
	for _, p := range table.Content {
		if p.Kind != yaml.SequenceNode || len(p.Content) != 2 || p.Anchor != "" {
			return nil, nil, e.unable
		}
	}
	return e, table.Content, nil
}

func (e *axisEdit) table(axis *Axis) *yaml.Node { return child(e.spec, "pulse") }

// written gives the point of the calibration that stands at a place of the written list,
// which may fall.
func (a *Axis) written(points []*yaml.Node, i int) PulsePoint {
	first := points[0].Content[0]
	if at := a.Pulse[0].Value.At; at.Line == first.Line && at.Column == first.Column {
		return a.Pulse[i]
	}
	return a.Pulse[len(a.Pulse)-1-i]
}

// item puts an item before another of a list.
func (e *axisEdit) item(next *yaml.Node, text string, flow bool) {
	at := e.w.offset(next)
	if at < 0 {
		e.failed = true
		return
	}
	insert := text + ", "
	if !flow {
		line := e.w.text[e.w.lines[next.Line-1]:at]
		if strings.Trim(line, " -") != "" {
			e.failed = true
			return
		}
		ending := "\n"
		if strings.Contains(e.w.text, "\r\n") {
			ending = "\r\n"
		}
		insert = text + ending + line
	}
	e.patches = append(e.patches, patch{at, at, insert})
}

// calibrated makes the changes to a calibration and reads them back.
func (e *axisEdit) calibrated(axis *Axis) ([]byte, error) {
	out, _, err := e.done([][]string{{"axes", axis.Name, "pulse"}})
	return out, err
}

// atHorn writes a value of the horn.
func atHorn(a *Axis, value float64) string {
	return formatNumber(math.Round(value*1e4)/1e4+0) + a.Unit
}
