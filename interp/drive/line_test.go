package drive

import (
	"math"
	"testing"

	"limberjack/sequence"
)

func num(v float64) sequence.Num {
	return sequence.Num{V: v, At: sequence.Pos{File: "rig", Line: 1, Column: 1}}
}

// The points between no load and stall that a maker publishes lie on our line.
// Source: data sheet of the small motor RF-500TB (14415 at 5 V, 12560 at 12 V),
// columns "no load", "at maximum efficiency", "stall". The sheet rounds currents
// to 0.01 A and speeds to 10 r/min.
func TestLineMeetsPublishedPoints(t *testing.T) {
	for _, m := range []struct {
		volt                      float64
		line                      line // torque in mN.m, speed in r/min
		torque, current, turnRate float64
	}{
		{5, line{noLoad: 0.026, stall: 0.54, torque: 6.86, speed: 3100}, 1.23, 0.12, 2540},
		{12, line{noLoad: 0.025, stall: 0.71, torque: 11.3, speed: 5500}, 1.79, 0.13, 4630},
	} {
		near(t, "the current", m.line.current(m.torque, m.line.noLoad), m.current, 0.005)
		near(t, "the speed", m.line.speedAt(m.torque), m.turnRate, 10)
	}
}

// Torque constant and resistance identified from the sheet of a standard servo
// (HS-311: 3.0 kg.cm, 0.7 A, 160 mA, 7.4 mA, 0.19 s/60deg at 4.8 V; 3.5 kg.cm,
// 0.8 A, 180 mA, 7.7 mA, 0.15 s/60deg at 6 V), by T = Kt (I - I0) and V = R I at
// stall, which is how motor guides read a data sheet.
func TestLineOfAStandardServo(t *testing.T) {
	const kgcm = 0.0980665
	for _, c := range []struct{ volt, speed, torque, stall, noLoad, idle, kt, ohm float64 }{
		{4.8, 60 / 0.19, 3.0 * kgcm, 0.7, 0.16, 0.0074, 0.5448138888888889, 6.930407161420733},
		{6.0, 60 / 0.15, 3.5 * kgcm, 0.8, 0.18, 0.0077, 0.5536012096774192, 7.5728890571753125},
	} {
		a := &sequence.Axis{Kind: sequence.Servo, Unit: "deg", Servo: &sequence.ServoSheet{Voltage: num(c.volt), Speed: num(c.speed),
			StallTorque: num(c.torque), StallCurrent: num(c.stall), NoLoadCurrent: num(c.noLoad), IdleCurrent: num(c.idle)}}
		l := servoLine(a.Figures())
		for _, torque := range []float64{0, 0.05, 0.1, 0.2} {
			near(t, "the running current", l.current(torque, l.noLoad), c.noLoad+torque/c.kt, 1e-12)
		}
		near(t, "the current at half the stall torque", l.current(c.torque/2, l.noLoad), (c.stall+c.noLoad)/2, 1e-12)
		near(t, "the speed at half the stall torque", l.speedAt(c.torque/2), c.speed/2, 1e-9)
		near(t, "the resistance", c.volt/(l.current(2*c.torque, l.noLoad)-c.idle), c.ohm, 1e-9)
	}
}

// Servos whose makers publish two voltages: the line of the lower, scaled to a
// supply of the higher, comes near that of the higher. Sources: the HS-311's
// sheet, and the XL330-M288-T's (0.52 N.m, 1.47 A, 103 r/min at 5 V; 0.60 N.m,
// 1.74 A, 123 r/min at 6 V).
func TestLineScalesWithTheSupply(t *testing.T) {
	for _, c := range []struct {
		name         string
		volt, supply float64
		low, high    line
		within       float64
	}{
		{"standard", 4.8, 6, line{stall: 0.7, torque: 3.0, speed: 60 / 0.19}, line{stall: 0.8, torque: 3.5, speed: 60 / 0.15}, 0.10},
		{"geared", 5, 6, line{stall: 1.47, torque: 0.52, speed: 618}, line{stall: 1.74, torque: 0.60, speed: 738}, 0.05},
	} {
		a := &sequence.Axis{Kind: sequence.Motor, Unit: "%", Supply: &sequence.Supply{Voltage: num(c.supply)}, Motor: &sequence.MotorSheet{
			Voltage: num(c.volt), Speed: num(c.low.speed), StallTorque: num(c.low.torque), StallCurrent: num(c.low.stall)}}
		l := motorLine(a)
		near(t, c.name+": stall current", l.stall, c.high.stall, c.within*c.high.stall)
		near(t, c.name+": stall torque", l.torque, c.high.torque, c.within*c.high.torque)
		near(t, c.name+": speed", l.speed, c.high.speed, c.within*c.high.speed)
	}
}

func TestLineWithoutATorqueIgnoresTorque(t *testing.T) {
	l := line{noLoad: 0.1, stall: 1}
	if got := l.current(3, l.noLoad); got != 0.1 {
		t.Errorf("the current is %g A, want 0.1 A", got)
	}
	if l.stalls(3) {
		t.Error("a motor of unknown stall torque counts as stalled")
	}
	if got := (line{}).current(math.Inf(1), 0); got != 0 {
		t.Errorf("a motor without any figures draws %g A", got)
	}
}
