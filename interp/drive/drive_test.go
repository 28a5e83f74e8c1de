package drive

import (
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/sequence"
)

// compile makes the performance of a motion on a rig of the given axes, which
// may hang on the supplies rail (6 V) and mains (12 V).
func compile(t testing.TB, axes, motion string) *interp.Performance {
	t.Helper()
	rig := `rig: shore
format: 1
supplies:
  rail: {voltage: 6V, limit: 5A, resistance: 60mohm, capacity: 2200mAh}
  mains: {voltage: 12V, resistance: 0.5ohm, capacity: 2Ah}
  ideal: {voltage: 6V, limit: 5A}
  soft: {voltage: 6V, limit: 5A, resistance: 100mohm, brownout: 5.4V}
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 256, pulses: together}
  spread: {rate: 50Hz, tick: 0.5us, channels: 256}
  quick: {rate: 200Hz, tick: 0.5us, channels: 256}
axes:
` + axes
	files := fstest.MapFS{
		"shore.rig.yaml":    {Data: []byte(rig)},
		"shore.motion.yaml": {Data: []byte("motion: shore\nformat: 1\nrig: shore.rig.yaml\nfps: 25\n" + motion)},
	}
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "shore.motion.yaml")
	if err != nil {
		t.Fatalf("the motion does not load:\n%v\n%s%s", err, rig, motion)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// servoAxis gives a servo axis on channel n. The servo draws 10 mA idle, 100 mA
// free and 1 A stalled, and has 0.4 N.m and 500 deg/s.
func servoAxis(name string, n int, more string) string {
	return fmt.Sprintf(`  %s: {kind: servo, board: main, channel: %d, supply: rail, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]],
    servo: {at: 6V, speed: 500deg/s, stall_torque: 0.4N.m, stall_current: 1A, no_load_current: 100mA, idle_current: 10mA, dead_band: 5us}%s}
`, name, n, more)
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.9g, want %.9g within %g", what, got, want, tolerance)
	}
}

func axisOf(t *testing.T, tr *Trace, name string) *AxisTrace {
	t.Helper()
	for i := range tr.Axes {
		if tr.Axes[i].Axis.Name == name {
			return &tr.Axes[i]
		}
	}
	t.Fatalf("there is no trace of %s", name)
	return nil
}

const winch = `  winch: {kind: motor, board: main, channel: 0, supply: rail%s,
    motor: {at: 6V, speed: 100rpm, stall_torque: 0.4N.m, stall_current: 1.1A, no_load_current: 100mA}}
`

// narrow gives an axis the travel that a linkage leaves it.
func narrow(axis string) string {
	return strings.Replace(axis, "travel: [-90deg, 90deg]", "travel: [-30deg, 30deg]", 1)
}

func num(v float64) sequence.Num {
	return sequence.Num{V: v, At: sequence.Pos{File: "rig", Line: 1, Column: 1}}
}

// energyCases are performances of one axis on a supply that sags.
func energyCases(t testing.TB) map[string]*interp.Performance {
	t.Helper()
	const link = ", linkage: {base: 60mm, horn: 12mm, rod: 60mm, arm: 18mm, zero: 90deg, branch: open}"
	lift := "length: 3s\ntracks: {arm: [[0s, -30], [0.5s, 30, hold], [1.2s, -20], [2s, 10, hold]]}\n"
	return map[string]*interp.Performance{
		"weight":  compile(t, servoAxis("arm", 0, ", load: {mass: 350g, arm: 50mm, gravity_at: 0deg}"), lift),
		"linkage": compile(t, narrow(servoAxis("arm", 0, ", load: {mass: 200g, arm: 50mm, gravity_at: 10deg, inertia: 8000g.cm2}"+link)), lift),
		"stop":    compile(t, narrow(servoAxis("arm", 0, ", load: {inertia: 20000g.cm2}")), "length: 2s\ntracks: {arm: [[0s, -30], [0.5s, 30, hold]]}\n"),
		"winch": compile(t, `  winch: {kind: motor, board: main, channel: 0, supply: rail, stop: brake, load: {torque: 0.08N.m, inertia: 10000g.cm2},
    motor: {at: 6V, speed: 100rpm, stall_torque: 0.4N.m, stall_current: 1.1A, no_load_current: 100mA}}
`, "length: 4s\ntracks: {winch: [[0s, 0], [0.2s, 60, hold], [1s, 0, hold], [1.5s, -100, hold], [3s, 30, hold]]}\n"),
	}
}
