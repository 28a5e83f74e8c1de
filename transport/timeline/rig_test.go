package timeline

import (
	"math"
	"testing"

	"limberjack/sequence"
)

// num is a number as if it stood in a document.
func num(v float64) sequence.Num { return sequence.Num{V: v, At: sequence.Pos{Line: 1, Column: 1}} }

// points is a calibration of value, pulse pairs.
func points(vs ...float64) (ps []sequence.PulsePoint) {
	for i := 0; i < len(vs); i += 2 {
		ps = append(ps, sequence.PulsePoint{Value: num(vs[i]), Pulse: num(vs[i+1])})
	}
	return ps
}

// curve is a hand-made curve.
type curve func(t float64) float64

func (c curve) Fill(dst, ts []float64) {
	for i, t := range ts {
		dst[i] = c(t)
	}
}

func (c curve) source(a *sequence.Axis) source {
	return source{axis: a, open: func() sampler { return c }}
}

// keeper is a rig with every kind of axis on two boards, and a motion for it.
func keeper(length float64, loop bool) *plan {
	main := &sequence.Board{Name: "main", Rate: num(50), Tick: num(0.5)}
	shore := &sequence.Board{Name: "shore", Rate: num(60), Tick: num(1), Together: true}
	pan := &sequence.Axis{Name: "head-pan", Kind: sequence.Servo, Unit: "deg", Board: main, Channel: num(0),
		Travel: [2]sequence.Num{num(-70), num(70)}, Pulse: points(-70, 900, 0, 1500, 70, 2100)}
	jaw := &sequence.Axis{Name: "jaw", Kind: sequence.Servo, Unit: "deg", Board: main, Channel: num(1),
		Travel: [2]sequence.Num{num(0), num(25)}, Pulse: points(-45, 2000, 45, 1000), Trim: num(12)}
	beacon := &sequence.Axis{Name: "beacon", Kind: sequence.Stepper, Unit: "deg", Board: main, Channel: num(4),
		Steps: num(200), Microsteps: num(16)}
	winch := &sequence.Axis{Name: "winch", Kind: sequence.Motor, Unit: "%", Board: main, Channel: num(5)}
	lantern := &sequence.Axis{Name: "lantern", Kind: sequence.Dimmer, Unit: "%", Board: main, Channel: num(6), Gamma: num(2.2)}
	horn := &sequence.Axis{Name: "fog-horn", Kind: sequence.Switch, Board: shore, Channel: num(7)}
	wheel := &sequence.Axis{Name: "wheel", Kind: sequence.ContinuousServo, Unit: "%", Board: shore, Channel: num(2),
		Pulse: points(-100, 1000, 0, 1500, 100, 2000)}
	rig := &sequence.Rig{Name: "Lighthouse keeper", Boards: []*sequence.Board{main, shore},
		Axes: []*sequence.Axis{pan, jaw, beacon, winch, lantern, horn, wheel}}
	wave := func(low, high, hz float64) curve {
		return func(t float64) float64 { return low + (high-low)*(0.5-0.5*math.Cos(2*math.Pi*hz*min(t, length))) }
	}
	return &plan{rig: rig, motion: "The keeper sees a boat", length: length, loop: loop, sources: []source{
		wave(-20, 40, 0.5).source(pan),
		wave(0, 25, 2).source(jaw),
		wave(0, 90, 0.5).source(beacon),
		curve(func(t float64) float64 { return 100 * math.Sin(math.Pi*min(t, length)) }).source(winch),
		wave(0, 100, 0.5).source(lantern),
		curve(func(t float64) float64 { return math.Round(0.5 - 0.5*math.Cos(math.Pi*min(t, length))) }).source(horn),
		wave(-50, 50, 1).source(wheel),
	}}
}

// build makes the timelines of a plan.
func (p *plan) must(t testing.TB) []*Timeline {
	t.Helper()
	tls, err := p.build()
	if err != nil {
		t.Fatal(err)
	}
	return tls
}

// all gives the frames of a timeline.
func all(t *Timeline) (frames [][]int) {
	r, values := t.Reader(), make([]uint16, len(t.Channels))
	for r.Next(values) {
		row := make([]int, len(values))
		for i, v := range values {
			row[i] = t.Channels[i].Unit.Number(v)
		}
		frames = append(frames, row)
	}
	return frames
}

// one makes the timeline of a single axis on a board of its own.
func one(t testing.TB, a *sequence.Axis, rate, tick, length float64, c curve) *Timeline {
	t.Helper()
	tls, err := single(a, rate, tick, length, c).build()
	if err != nil {
		t.Fatal(err)
	}
	return tls[0]
}

func single(a *sequence.Axis, rate, tick, length float64, c curve) *plan {
	a.Board = &sequence.Board{Name: "main", Rate: num(rate), Tick: num(tick)}
	if a.Name == "" {
		a.Name = "axis"
	}
	rig := &sequence.Rig{Boards: []*sequence.Board{a.Board}, Axes: []*sequence.Axis{a}}
	return &plan{rig: rig, motion: "test", length: length, sources: []source{c.source(a)}}
}
