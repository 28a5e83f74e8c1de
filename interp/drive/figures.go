package drive

import "limberjack/sequence"

// Figure is a figure that the model rests on.
type Figure struct {
	Name string // as the rig file spells it, with spaces
	Unit string
	sequence.Figure
}

// figuresOf lists what the model of an axis rests on and where it comes from.
func figuresOf(a *sequence.Axis) []Figure {
	given := func(n sequence.Num, otherwise float64) sequence.Figure {
		if n.Given() {
			return sequence.Figure{V: n.V, Origin: sequence.OriginSheet}
		}
		return sequence.Figure{V: otherwise, Origin: sequence.OriginClass}
	}
	switch a.Kind {
	case sequence.Servo, sequence.ContinuousServo:
		f := a.Figures()
		out := []Figure{{"speed", unitOrDegree(a) + "/s", f.Speed}, {"stall torque", "N.m", f.StallTorque}, {"stall current", "A", f.StallCurrent},
			{"no load current", "A", f.NoLoadCurrent}, {"idle current", "A", f.IdleCurrent}, {"dead band", "us", f.DeadBand}, {"own inertia", "kg.m2", f.Inertia}}
		if a.Measured.Delay.Given() {
			out = append(out, Figure{"delay", "s", sequence.Figure{V: a.Measured.Delay.V, Origin: sequence.OriginMeasured}})
		}
		if a.Measured.Slop.Given() {
			out = append(out, Figure{"slop", a.Unit, sequence.Figure{V: a.Measured.Slop.V, Origin: sequence.OriginMeasured}})
		}
		return out
	case sequence.Motor:
		l, ok := motorLines(a)
		if !ok {
			return nil
		}
		m := a.Motor
		return []Figure{{"speed", "deg/s", given(m.Speed, l.Speed)}, {"stall torque", "N.m", given(m.StallTorque, l.StallTorque)},
			{"stall current", "A", given(m.StallCurrent, l.StallCurrent)}, {"no load current", "A", given(m.NoLoadCurrent, l.NoLoadCurrent)},
			{"time constant", "s", sequence.Figure{V: motorTimeConstant, Origin: sequence.OriginClass}}}
	}
	if a.Current.Given() {
		return []Figure{{"current", "A", sequence.Figure{V: a.Current.V, Origin: sequence.OriginGiven}}}
	}
	return nil
}

func unitOrDegree(a *sequence.Axis) string {
	if a.Kind == sequence.ContinuousServo {
		return "deg"
	}
	return a.Unit
}

// missing gives the keys of the rig file without which the currents are too low.
func missing(a *sequence.Axis) []string {
	switch a.Kind {
	case sequence.Servo, sequence.ContinuousServo:
		return nil
	case sequence.Motor:
		switch m := a.Motor; {
		case m == nil:
			return []string{"motor"}
		case !m.StallCurrent.Given():
			return []string{"stall_current"}
		case !m.StallTorque.Given() && a.LoadTorque(a.Rest.V) != 0:
			return []string{"stall_torque"}
		}
		return nil
	}
	if a.Current.Given() {
		return nil
	}
	return []string{"current"}
}
