package sequence

import (
	"math"
	"strings"

	"gopkg.in/yaml.v3"
)

// Bounds gives the least and greatest value that an axis can be asked for: its
// travel, or what its kind allows. ok is false where there is no bound.
func (a *Axis) Bounds() (low, high float64, ok bool) {
	if a.HasTravel() {
		return a.Travel[0].V, a.Travel[1].V, true
	}
	switch a.Kind {
	case Motor, ContinuousServo:
		return -100, 100, true
	case Dimmer:
		return 0, 100, true
	case Switch:
		return 0, 1, true
	}
	return 0, 0, false
}

var dimOfUnit = map[string]dim{"deg": angle, "mm": length, "%": ratio, "": plain}

// rateDims gives the dimensions of the first three derivatives of a value.
func rateDims(unit string) [3]dim {
	switch unit {
	case "mm":
		return [3]dim{lengthSpeed, lengthAccel, lengthJerk}
	case "%":
		return [3]dim{ratioSpeed, ratioAccel, ratioJerk}
	}
	return [3]dim{angleSpeed, angleAccel, angleJerk}
}

// value reads a value of an axis or control. way is the stretch that 0 % and
// 100 % stand for; nil where percent has no meaning.
func (d *decoder) value(n *yaml.Node, what, unit string, isSwitch bool, way *[2]float64) Num {
	if isSwitch {
		return d.switchValue(n, what)
	}
	s, ok := d.scalar(n, what, dimNames[dimOfUnit[unit]].noun)
	if !ok {
		return Num{}
	}
	n = d.resolve(n)
	if way != nil && unit != "%" && strings.HasSuffix(strings.TrimSpace(s), "%") {
		share := d.number(n, what, ratio, -maxAngle, maxAngle)
		if share.Given() {
			share.V = way[0] + float64(share.V/100*(way[1]-way[0]))
		}
		return share
	}
	return d.number(n, what, dimOfUnit[unit], -maxAngle, maxAngle)
}

func (d *decoder) switchValue(n *yaml.Node, what string) Num {
	s, ok := d.scalar(n, what, "on or off")
	if !ok {
		return Num{}
	}
	n = d.resolve(n)
	v := math.NaN()
	switch strings.ToLower(s) {
	case "on", "true", "1":
		v = 1
	case "off", "false", "0":
		v = 0
	}
	if math.IsNaN(v) {
		d.bad(n, "write on or off", "%s is %q; a switch is on or off", what, s)
		return Num{}
	}
	return Num{V: v, At: d.at(n), Text: s}
}

// axisValue reads a value of an axis and checks it against the axis's bounds.
func (d *decoder) axisValue(n *yaml.Node, what string, a *Axis) Num {
	var way *[2]float64
	if a.HasTravel() {
		way = &[2]float64{a.Travel[0].V, a.Travel[1].V}
	}
	if a.doubtful {
		return d.anyValue(n, what, a, way)
	}
	v := d.value(n, what, a.Unit, a.Kind == Switch, way)
	if v.Given() {
		d.inBounds(v, what, a)
	}
	return v
}

// anyValue reads a value of an axis about which something was reported. Its unit
// and its percent may be unknown, so that only what is no number is a problem.
func (d *decoder) anyValue(n *yaml.Node, what string, a *Axis, way *[2]float64) Num {
	s, ok := d.scalar(n, what, "a value")
	if !ok {
		return Num{}
	}
	if a != nil {
		quiet := &decoder{file: d.file, report: newReport()}
		if v := quiet.value(n, what, a.Unit, a.Kind == Switch, way); v.Given() {
			d.inBounds(v, what, a)
			return v
		}
	}
	n = d.resolve(n)
	if _, _, err := parseNumber(s); err != nil && (a == nil || a.Kind != Switch) {
		d.bad(n, err.hint, "%s: %s", what, err.text)
		return Num{}
	}
	return Num{At: d.at(n), Text: s}
}

func (d *decoder) inBounds(v Num, what string, a *Axis) bool {
	low, high, ok := a.Bounds()
	if !ok || (v.V >= low && v.V <= high) {
		return true
	}
	bound := "travel"
	if !a.HasTravel() {
		bound = "range"
	}
	d.report.add(v.At, "the nearest value that it can reach is "+FormatValue(math.Max(low, math.Min(high, v.V)), a.Unit),
		"%s is %s, which is beyond the %s of %s: %s to %s", what, FormatValue(v.V, a.Unit), bound, a.Name, FormatValue(low, a.Unit), FormatValue(high, a.Unit))
	return false
}

// targetValue reads a value of an axis or control.
func (d *decoder) targetValue(n *yaml.Node, what string, t Target) Num {
	if t.Axis != nil {
		return d.axisValue(n, what, t.Axis)
	}
	if t.Control.doubtful {
		return d.anyValue(n, what, nil, nil)
	}
	return d.value(n, what, t.Control.Unit, false, nil)
}

// amountValue reads a way, not a place: an amplitude. Percent of travel counts
// from nothing.
func (d *decoder) amountValue(n *yaml.Node, what string, t Target) Num {
	var way *[2]float64
	if t.Axis != nil && t.Axis.HasTravel() {
		way = &[2]float64{0, t.Axis.Travel[1].V - t.Axis.Travel[0].V}
	}
	if t.doubtful() {
		return d.anyValue(n, what, nil, nil)
	}
	return d.value(n, what, t.Unit(), t.Axis != nil && t.Axis.Kind == Switch, way)
}

// FormatValue writes a value with its unit as people read it: at most three
// decimals, "on" and "off" for a switch.
func FormatValue(v float64, unit string) string {
	if unit == "" {
		if v >= 0.5 {
			return "on"
		}
		return "off"
	}
	s := formatNumber(math.Round(v*1000) / 1000)
	if unit == "%" {
		return s + " %"
	}
	return s + " " + unit
}
