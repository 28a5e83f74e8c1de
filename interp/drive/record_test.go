package drive

import (
	"reflect"
	"sync"
	"testing"
)

// A recording has the trace of Run and the samples of Simulate, to the last bit,
// whichever order its parts are played in.
func TestRecordIsRunAndSimulate(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ", load: {mass: 300g, arm: 50mm, gravity_at: 0deg}, measured: {slop: 1deg}")+
		servoAxis("neck", 3, "")+
		"  lamp: {kind: dimmer, board: main, channel: 1, supply: rail, current: 500mA}\n"+
		"  far: {kind: switch, board: main, channel: 2, current: 1A}\n",
		"length: 4s\ntracks: {arm: [[0s, 0], [0.5s, 0], [1s, 60], [2s, 60], [2.2s, 10]], neck: [[1s, 0], [1.5s, 40], [3s, -10]],"+
			" lamp: [[0s, 0], [1s, 60, linear], [4s, 60]], far: [[0s, on], [1.5s, off]]}\n")
	const every = 0.004
	var axes [][]Sample
	var rails [][]Rail
	if err := Simulate(p, every, func(_ float64, a []Sample, s []Rail) error {
		axes, rails = append(axes, append([]Sample(nil), a...)), append(rails, append([]Rail(nil), s...))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	var lock sync.Mutex
	seen := 0
	trace, parts := Recorder{Every: every, Axis: func(k, axis int, s Sample) {
		lock.Lock()
		defer lock.Unlock()
		seen++
		if s != axes[k][axis] {
			t.Fatalf("sample %d of axis %d is %+v; Simulate has %+v", k, axis, s, axes[k][axis])
		}
	}, Supply: func(k, supply int, s Rail) {
		lock.Lock()
		defer lock.Unlock()
		seen++
		if s != rails[k][supply] {
			t.Fatalf("sample %d of supply %d is %+v; Simulate has %+v", k, supply, s, rails[k][supply])
		}
	}}.Parts(p)
	for i := len(parts) - 1; i >= 0; i-- {
		if !parts[i]() {
			t.Fatal("a part gave up though nobody stopped it")
		}
	}
	if want := len(axes) * (len(p.Axes) + len(p.Rig.Supplies)); seen != want {
		t.Errorf("%d samples were given, not %d", seen, want)
	}
	if !reflect.DeepEqual(trace, Run(p)) {
		t.Error("the trace is not that of Run")
	}
}

// A part that is stopped gives up at the next sample.
func TestRecordStops(t *testing.T) {
	p := compile(t, servoAxis("arm", 0, ""), "length: 10s\ntracks: {arm: [[0s, 0], [9s, 60]]}\n")
	asked := 0
	_, parts := Recorder{Every: 0.1, Axis: func(k, axis int, s Sample) {}, Supply: func(k, supply int, s Rail) {},
		Stop: func() bool { asked++; return asked == 3 }}.Parts(p)
	if parts[0]() || asked != 3 {
		t.Errorf("the part did not give up at the third sample (asked %d times)", asked)
	}
}
