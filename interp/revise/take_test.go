package revise

import (
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/mend"
	"limberjack/sequence"
)

// minJerk is the movement of a hand from 0 to 1 in a time from 0 to 1: x = 10 t^3 - 15 t^4
// + 6 t^5 (T. Flash and N. Hogan, The coordination of arm movements, J. Neurosci. 5, 1985,
// from memory).
func minJerk(t float64) float64 {
	t = math.Max(0, math.Min(1, t))
	return t * t * t * (10 + t*(6*t-15))
}

// sweeps is a hand that goes there and back again.
func sweeps(t float64) float64 {
	return 40*minJerk((t-1)/0.8) - 65*minJerk((t-2.5)/1.2) + 25*minJerk((t-4.6)/0.7)
}

// sway is a sum of slow sines, as of something that is carried.
func sway(t float64) float64 {
	return 20*math.Sin(2*math.Pi*0.4*t) + 8*math.Sin(2*math.Pi*0.9*t+1)
}

// sampled gives 120 samples a second of a curve, at times that jitter as those of a
// browser do.
func sampled(curve func(float64) float64, from, to float64) (times, values []float64) {
	r := rand.New(rand.NewPCG(7, 120))
	for k := 0; ; k++ {
		t := from + float64(k)/120 + 0.003*(r.Float64()-0.5)
		if k == 0 {
			t = from
		}
		if t > to {
			return times, values
		}
		times, values = append(times, t), append(values, curve(t))
	}
}

func targetNamed(t testing.TB, s *sequence.Script, name string) sequence.Target {
	t.Helper()
	for _, a := range s.Rig.Axes {
		if a.Name == name {
			return sequence.Target{Axis: a}
		}
	}
	for _, c := range s.Rig.Controls {
		if c.Name == name {
			return sequence.Target{Control: c}
		}
	}
	t.Fatalf("the rig has no %s", name)
	return sequence.Target{}
}

// A take of a known curve becomes ten times fewer keys, of which the file, read by the
// ordinary reader, gives the curve within the tolerance at every sample.
func TestRecordKnownCurves(t *testing.T) {
	t.Parallel()
	const tolerance = 0.5
	for _, c := range []struct {
		name, text, target string
		curve              func(float64) float64
		want               string // in the text
	}{
		{"a new track", "length: 6s\n", "pan", sweeps, "tracks:\n  pan:\n    - ["},
		{"a control", "length: 6s\ntracks:\n  pan: [[0s, 0]]   # stays\n", "nod", sweeps, "[[0s, 0]]   # stays\n  nod:"},
		{"a sum of sines", "length: 6s\n", "pan", sway, ""},
		{"in frames", "fps: 24\nlength: 6s\ntracks:\n  pan:\n    - [0f, 0deg]   # stays\n    - [5f, 9deg]\n    - [144f, 0deg]\n", "pan", sweeps, "- [0f, 0deg]   # stays\n    - [5f, 9deg]\n    - [12f, 0.2deg]\n    - ["},
		{"in percent", "length: 6s\ntracks:\n  pan:\n    - [0s, 50%]\n    - [1s, 60%]\n", "pan", sweeps, "%, cubic]"},
		{"under a pace", "length: 6s\ntracks: {tilt: [[0s, 0], [6s, 10]]}\npace: [[0, 0, 0], [2, 1, 1], [7, 6, 1]]\n", "pan", sweeps, "pace: [[0, 0, 0]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := written(t, c.text)
			m := manuscript(t, file)
			times, values := sampled(c.curve, 0.5, 5.9)
			done, err := Record(m, Take{Target: targetNamed(t, m.Script, c.target), Times: times, Values: values, Tolerance: tolerance})
			if err != nil {
				t.Fatal(err)
			}
			if n := len(done.Fit.Keys); 10*n > len(times) {
				t.Errorf("%d keys of %d samples", n, len(times))
			}
			if !strings.Contains(string(done.Script.Text), c.want) {
				t.Errorf("the text lacks %q:\n%s", c.want, done.Script.Text)
			}
			if err := os.WriteFile(file, done.Script.Text, 0o644); err != nil {
				t.Fatal(err)
			}
			script, _ := load(t, file)
			alone := *script
			alone.Pace = nil
			p, err := interp.Compile(&alone)
			if err != nil {
				t.Fatal(err)
			}
			curve, worst, squares := curveOf(p, targetNamed(t, script, c.target)), 0.0, 0.0
			for i, at := range times {
				d := math.Abs(curve.Value(at) - values[i])
				worst, squares = math.Max(worst, d), squares+d*d
			}
			if worst > tolerance || math.Abs(worst-done.Greatest) > 1e-6 || math.Abs(math.Sqrt(squares/float64(len(times)))-done.RMS) > 1e-6 {
				t.Errorf("off by %.4f, which was told as %.4f (rms %.4f)", worst, done.Greatest, done.RMS)
			}
		})
	}
}

// A second take over the middle of the first leaves the first one's keys before and after
// it; added to it, the curve is the sum of both.
func TestRecordInLayers(t *testing.T) {
	t.Parallel()
	const tolerance = 0.4
	m := manuscript(t, written(t, "length: 8s\n"))
	pan := targetNamed(t, m.Script, "pan")
	times, values := sampled(sweeps, 0.5, 6.5)
	first, err := Record(m, Take{Target: pan, Times: times, Values: values, Tolerance: tolerance})
	if err != nil {
		t.Fatal(err)
	}
	over, wave := sampled(func(t float64) float64 { return 10 * math.Sin(math.Pi*(t-2)) * math.Sin(math.Pi*(t-2)/2) }, 2, 4)
	for _, add := range []bool{false, true} {
		second, err := Record(first.Script, Take{Target: pan, Times: over, Values: wave, Tolerance: tolerance, Add: add})
		if err != nil {
			t.Fatal(err)
		}
		before, err := trackValues(first.Script.Script, pan, over)
		if err != nil {
			t.Fatal(err)
		}
		now, err := trackValues(second.Script.Script, pan, over)
		if err != nil {
			t.Fatal(err)
		}
		for i := range over {
			want := wave[i]
			if add {
				want += before[i]
			}
			if math.Abs(now[i]-want) > 1.2*tolerance { // what smoothing takes away comes to it
				t.Fatalf("add %t: at %.3f s it is %.3f, not %.3f", add, over[i], now[i], want)
			}
		}
		// Both texts hold the keys of the first take outside of the second.
		for _, tr := range first.Script.Script.Tracks {
			for _, k := range tr.Keys {
				if k.Time > 1.9 && k.Time < 4.1 {
					continue
				}
				found := false
				for _, n := range second.Script.Script.Tracks[0].Keys {
					found = found || n.Time == k.Time && n.Value == k.Value
				}
				if !found {
					t.Errorf("add %t: the key at %g s is gone", add, k.Time)
				}
			}
		}
	}
}

// A switch is kept as steps, on and off.
func TestRecordSwitch(t *testing.T) {
	t.Parallel()
	file := written(t, "length: 4s\n")
	rig := strings.Replace(rigText, "controls:", "  horn: {kind: switch, board: main, channel: 2}\ncontrols:", 1)
	if err := os.WriteFile(strings.Replace(file, "m.motion", "test.rig", 1), []byte(rig), 0o644); err != nil {
		t.Fatal(err)
	}
	m := manuscript(t, file)
	times, values := sampled(func(t float64) float64 {
		if t > 1 && t < 2.5 {
			return 1
		}
		return 0
	}, 0, 4)
	done, err := Record(m, Take{Target: targetNamed(t, m.Script, "horn"), Times: times, Values: values, Tolerance: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	if done.Ease() != "" || len(done.Fit.Keys) > 5 || !strings.Contains(string(done.Script.Text), "s, on]") {
		t.Errorf("%d keys:\n%s", len(done.Fit.Keys), done.Script.Text)
	}
}

// What cannot be recorded there is refused, at its place.
func TestRecordRefusals(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, text string
		tolerance  float64
		want       string
	}{
		{"a locked key", "tracks:\n  pan:\n    - [0s, 0]\n    - {at: 2s, to: 3, locked: true}\n    - [4s, 0]\n", 0.5, "m.motion.yaml:7:7: the key of pan at 2 s is locked"},
		{"a placed pose", "length: 8s\nposes: {up: {pan: 20}}\nplace:\n  - {pose: up, at: 2s}\n", 0.5, "m.motion.yaml:7:5: what is placed here moves pan at 2 s"},
		{"beyond the travel", "length: 8s\n", -1, "asks pan for 71 deg"},
		{"frames too coarse for it", "fps: 4\nlength: 8s\ntracks:\n  pan: [[0f, 0], [32f, 0]]\n", 0.05, "no keys at whole frames keep the take to 0.05 deg"},
	} {
		m := manuscript(t, written(t, c.text))
		times, values := sampled(sweeps, 0.5, 6)
		if c.tolerance < 0 {
			c.tolerance, values[7] = 0.5, 71
		}
		done, err := Record(m, Take{Target: targetNamed(t, m.Script, "pan"), Times: times, Values: values, Tolerance: c.tolerance})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, %v", c.name, done, err)
		}
	}
}

// A take that needs very many keys is refused with what would do, and one that is called off
// ends.
func TestRecordBounds(t *testing.T) {
	t.Parallel()
	file := written(t, "length: 300s\n")
	rig := strings.Replace(rigText, "controls:", "  horn: {kind: switch, board: main, channel: 2}\ncontrols:", 1)
	if err := os.WriteFile(strings.Replace(file, "m.motion", "test.rig", 1), []byte(rig), 0o644); err != nil {
		t.Fatal(err)
	}
	m := manuscript(t, file)
	take := Take{Target: targetNamed(t, m.Script, "horn"), Tolerance: 0.1}
	for k := range MostKeys + 1 { // on and off all the time: each sample takes a key
		take.Times, take.Values = append(take.Times, float64(k)/100), append(take.Values, float64(k%2))
	}
	done, err := Record(m, take)
	if err == nil || !strings.Contains(err.Error(), "the take needs 20001 keys") || !strings.Contains(err.Error(), "record in parts") {
		t.Errorf("%v, %v", done, err)
	}
	take.Times, take.Values, take.Stop = take.Times[:4], take.Values[:4], func() bool { return true }
	if done, err := Record(m, take); done != nil || err != mend.ErrStopped { // few steps, of which only the text is left to be written
		t.Errorf("%v, %v", done, err)
	}
	times, values := sampled(sweeps, 0.5, 6)
	asked, at := 0, math.MaxInt
	take = Take{Target: targetNamed(t, m.Script, "pan"), Times: times, Values: values, Tolerance: 0.5, Stop: func() bool { asked++; return asked >= at }}
	if _, err := Record(m, take); err != nil {
		t.Fatal(err)
	}
	for _, at = range []int{1, asked / 2, asked} {
		asked = 0
		if done, err := Record(m, take); done != nil || err != mend.ErrStopped {
			t.Errorf("stopped at %d: %v, %v", at, done, err)
		}
	}
}
