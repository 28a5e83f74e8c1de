package web

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// A pose that is taken from a moment of the example, and placed where another one begins,
// shows there what the moment showed, though controls and layers add to the axes: what it
// holds is each one's own share.
func TestPoseOfAMoment(t *testing.T) {
	t.Parallel()
	const motion = `motion: Two at once
format: 1
rig: gull.rig.yaml
length: 8s
tracks:
  wing: [[0s, 0], [1s, 20], [8s, 20]]
  flap: [[0s, 0], [2s, 10], [4s, -5], [6s, 0]]
layers:
  - {axis: wing, add: {sine: {amount: 3deg, rate: 0.5Hz}}} # comes round every 2 s
`
	d := openDesk(t, small(t, map[string]string{"wake.motion.yaml": motion}), "wake.motion.yaml", nil)
	p := d.page()
	v := p.version(p.change("wake", d.textOf("wake").Text, "pose", `[{"do":"store-pose","name":"there","at":2.5}]`))
	score := d.scoreOf("wake")
	if len(score.Poses) != 1 {
		t.Fatalf("%+v", score.Poses)
	}
	pose := score.Poses[0].Values
	perf := d.project.motions[0].take.perf
	wing, flap := perf.Axes[0], perf.Controls[0]
	// wing says 20 deg by itself; flap is between its keys; eye, which nothing moves, rests.
	if want := flap.Curve.Value(2.5); len(pose) != 3 || float64(pose["wing"]) != 20 || math.Abs(float64(pose["flap"])-want) > 0.5/poseFineness || pose["eye"] != 0 {
		t.Errorf("%v, want the wing at 20 and the control at %v", pose, want)
	}
	// 4 s later the sine is where it was.
	v = p.version(p.change("wake", v.Text, "place", `[{"do":"add-placement","pose":"there","time":6.5}]`))
	after := d.project.motions[0].take.perf.Axes[0]
	if was, is := wing.Part.Value(2.5), after.Part.Value(6.5); math.Abs(was-is) > 1.0/poseFineness {
		t.Errorf("the wing was at %v, and is at %v", was, is)
	}
	p.save("wake", v.Text)
	want := strings.NewReplacer("tracks:", "poses:\n  there: {wing: 20deg, eye: 0%, flap: "+fmt.Sprintf("%.2f", flap.Curve.Value(2.5))+"deg}\ntracks:", "layers:", "place:\n  - {pose: there, at: 6.5s}\nlayers:").Replace(motion)
	if got := d.reads("wake.motion.yaml"); got != want {
		t.Errorf("the file holds\n%s\nwant\n%s", got, want)
	}
	v = p.version(p.change("wake", v.Text, "some", `[{"do":"store-pose","name":"some","at":2.5,"of":["wing"]}]`))
	if pose := d.scoreOf("wake").Poses[1].Values; len(pose) != 1 || pose["wing"] != 20 {
		t.Errorf("of the wing alone: %v", pose)
	}
	p.change("wake", v.Text, "none", `[{"do":"store-pose","name":"none","at":2.5,"of":["wnig"]}]`).refusal(t, "no-such-change")
}
