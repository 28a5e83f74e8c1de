package drive

import (
	"fmt"
	"io"
	"math"
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
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 256}
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

// spell is a run of frames in which an axis has one state.
type spell struct {
	state  string
	frames int
}

// spells plays one axis alone and gives its states.
func spells(p *interp.Performance, name string) []spell {
	g := newGroup(p, &Trace{Axes: make([]AxisTrace, len(p.Axes))}, func(a *sequence.Axis) bool { return a.Name == name })
	var out []spell
	for k := range g.frames() {
		d := g.loads[0].actuator.draw(g.loads[0].reader.advance(float64(k) * g.frame))
		if n := len(out); n > 0 && out[n-1].state == d.state {
			out[n-1].frames++
		} else {
			out = append(out, spell{d.state, 1})
		}
	}
	return out
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
