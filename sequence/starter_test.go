package sequence

import (
	"math"
	"strings"
	"testing"
)

func TestStarterLoads(t *testing.T) {
	files := texts{}
	for name, text := range Starter() {
		files[name] = string(text)
		if err := compileSchema(t, documentKind(name)).Validate(asJSON(t, text)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if strings.Count(string(text), "#") < 10 {
			t.Errorf("%s has few remarks", name)
		}
		for i, line := range strings.Split(string(text), "\n") {
			if len(line) > 88 {
				t.Errorf("%s: line %d is long", name, i+1)
			}
		}
	}
	if len(files) != 2 {
		t.Fatalf("the starter has %d files", len(files))
	}
	s, err := LoadMotion(files.open, "starter.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	// No move asks for more than the limits: a minimum-jerk move peaks at 15/8 of
	// its mean speed and at 10/sqrt(3) of its way over time squared (Flash and
	// Hogan 1985), more than any other ease used here.
	for _, tr := range s.Merged {
		if tr.Target.Axis.Kind != Servo {
			continue
		}
		limits := tr.Target.Axis.HornLimits()
		for i := 1; i < len(tr.Keys); i++ {
			way, time := math.Abs(tr.Keys[i].Value-tr.Keys[i-1].Value), tr.Keys[i].Time-tr.Keys[i-1].Time
			if speed := 15.0 / 8 * way / time; speed > limits.Speed.V {
				t.Errorf("%s reaches %v deg/s", tr.Target.Name(), speed)
			}
			if acceleration := 10 / math.Sqrt(3) * way / time / time; acceleration > limits.Acceleration.V {
				t.Errorf("%s reaches %v deg/s2", tr.Target.Name(), acceleration)
			}
		}
		if first := tr.Keys[0]; first.Value != tr.Target.Rest() {
			t.Errorf("%s starts at %v", tr.Target.Name(), first.Value)
		}
		if figures := tr.Target.Axis.Figures(); tr.Target.Axis.MostLoadTorque() > figures.StallTorque.V/3 {
			t.Errorf("%s carries %v N.m", tr.Target.Name(), tr.Target.Axis.MostLoadTorque())
		}
	}
}
