package drive

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"limberjack/interp"
)

// testdata/reference.py says how the table was made.
func reference(t *testing.T, name string) (rows [][3]float64) {
	t.Helper()
	f, err := os.Open("testdata/reference.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range all {
		if row[0] != name {
			continue
		}
		var v [3]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		rows = append(rows, v)
	}
	if len(rows) < 50 {
		t.Fatalf("%d rows of %s", len(rows), name)
	}
	return rows
}

// free takes an axis off its supply, so that the voltage is that of its sheet.
func free(axis string) string { return strings.Replace(axis, "supply: rail, ", "", 1) }

// cases are the performances of the reference table.
func cases(t testing.TB) map[string]*interp.Performance {
	t.Helper()
	motor := func(stop string) *interp.Performance {
		return compile(t, `  arm: {kind: motor, board: main, channel: 0, stop: `+stop+`, load: {torque: 0.08N.m, inertia: 10000g.cm2},
    motor: {at: 6V, speed: 100rpm, stall_torque: 0.4N.m, stall_current: 1.1A, no_load_current: 100mA}}
`, "length: 1s\ntracks: {arm: [[0s, 0], [0.1s, 60, hold], [0.4s, 0, hold], [0.7s, -100, hold]]}\n")
	}
	return map[string]*interp.Performance{
		"servo":   compile(t, free(servoAxis("arm", 0, "")), "length: 1s\ntracks: {arm: [[0s, 0], [0.1s, 60, hold], [0.6s, 52, hold]]}\n"),
		"inertia": compile(t, free(servoAxis("arm", 0, ", load: {inertia: 20000g.cm2}")), "length: 1s\ntracks: {arm: [[0s, 0], [0.1s, 30, hold]]}\n"),
		"gravity": compile(t, free(servoAxis("arm", 0, ", load: {mass: 350g, arm: 50mm, gravity_at: 0deg}")), "length: 0.8s\ntracks: {arm: [[0s, -30], [0.1s, 60, hold]]}\n"),
		"coast":   motor("coast"),
		"brake":   motor("brake"),
	}
}

// trail plays a single axis and gives position and speed of its shaft at times
// that fall on steps; steps are so many times shorter than usual.
func trail(p *interp.Performance, every float64, finer int) (rows [][3]float64) {
	rails := railsOf(p, newTrace(p))
	axis := rails[len(rails)-1]
	axis.refine(finer)
	for k := 0; float64(k)*every < p.Length-instant; k++ {
		axis.advance(float64(k) * every)
		axis.events()
		m := &axis.motors[0].shaft
		rows = append(rows, [3]float64{float64(k) * every, m.position, m.speed})
	}
	return rows
}

// refine divides the step.
func (r *rail) refine(by int) { r.step /= float64(by) }

// gap gives the greatest difference of position and of speed, and when the first is.
func gap(a, b [][3]float64) (way, speed, at float64) {
	for i := range a {
		if off := math.Abs(a[i][1] - b[i][1]); off > way {
			way, at = off, a[i][0]
		}
		speed = math.Max(speed, math.Abs(a[i][2]-b[i][2]))
	}
	return way, speed, at
}

// Where the load is constant the motor equation is solved exactly, but for the
// step in which the current changes its sign; gravity is taken from the middle of
// each step.
func TestAgainstAReferenceSolver(t *testing.T) {
	for _, c := range []struct {
		name       string
		way, speed float64 // deg, deg/s
	}{{"servo", 1e-8, 1e-6}, {"inertia", 1e-8, 1e-6}, {"gravity", 1e-4, 5e-3}, {"coast", 1e-4, 2e-3}, {"brake", 1e-4, 2e-3}} {
		way, speed, at := gap(trail(cases(t)[c.name], 0.01, 1), reference(t, c.name))
		if way > c.way || speed > c.speed {
			t.Errorf("%s is off the reference by %.2g deg (%.2g deg/s), the most at %g s; allowed are %g deg and %g deg/s", c.name, way, speed, at, c.way, c.speed)
		}
	}
}

// Halving the step of an axis under gravity divides the error by four or more:
// the method is of second order.
func TestErrorAgainstARefinedStep(t *testing.T) {
	for name, p := range cases(t) {
		fine := trail(p, 0.01, 32)
		way, _, _ := gap(trail(p, 0.01, 1), fine)
		half, _, _ := gap(trail(p, 0.01, 2), fine)
		t.Logf("%s: %.2g deg at the usual step, %.2g deg at half of it", name, way, half)
		if way > 1e-4 {
			t.Errorf("%s is off its refined path by %g deg", name, way)
		}
		if half > way/3 && name == "gravity" {
			t.Errorf("%s: halving the step takes the error from %g deg to %g deg only", name, way, half)
		}
	}
}
