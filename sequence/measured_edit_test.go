package sequence

import (
	"bytes"
	"math"
	"strings"
	"testing"
)

const measuredBase = "    kind: servo\n    board: main\n    channel: 0\n    travel: [-70deg, 70deg]\n    pulse: [[-70deg, 900us], [0, 1500us], [70deg, 2100us]]\n"

// TestSetMeasured holds that figures and their uncertainty are written to the digits
// that are known, and nothing else changes; and that the axis then has them.
func TestSetMeasured(t *testing.T) {
	speed, delay := &Measurement{V: 299.7, Expanded: 10.21}, &Measurement{V: 0.070833, Expanded: 0.00538}
	for name, c := range map[string]struct {
		axis         string
		speed, delay *Measurement
		how          string
		was, want    string
	}{
		"anew": {measuredBase + "    lost: hold # it is heavy\n", speed, delay, "240 fps",
			"    lost:", "    measured: {speed: 300deg/s, delay: 70.8ms} # ±11 deg/s, ±5.4 ms (k=2), 240 fps\n    lost:"},
		"anew, a comment above the last line": {measuredBase + "    # heavy\n    lost: hold\n", speed, delay, "",
			"    pulse:", "    measured: {speed: 300deg/s, delay: 70.8ms} # ±11 deg/s, ±5.4 ms (k=2)\n    pulse:"},
		"anew in braces": {"    {kind: servo, board: main, channel: 0, travel: [-70deg, 70deg], pulse: [[-70deg, 900us], [70deg, 2100us]]} # pan\n", speed, nil, "240 fps",
			"pulse:", "measured: {speed: 300deg/s}, pulse:"},
		"in the place of others": {measuredBase + "    measured: { speed: 0.2s/60deg, delay: \"0.07 s\", slop: 1.5deg }\n", speed, delay, "240 fps",
			"{ speed: 0.2s/60deg, delay: \"0.07 s\", slop: 1.5deg }", "{ speed: 300deg/s, delay: \"70.8ms\", slop: 1.5deg } # ±11 deg/s, ±5.4 ms (k=2), 240 fps"},
		"an old uncertainty": {measuredBase + "    measured: {speed: 310deg/s} # ±30 deg/s (k=2), 60 fps\n", speed, nil, "240 fps",
			"310deg/s} # ±30 deg/s (k=2), 60 fps", "300deg/s} # ±11 deg/s (k=2), 240 fps"},
		"a comment of the user's": {measuredBase + "    measured: {speed: 310deg/s} # by stop watch\n", speed, delay, "240 fps",
			"{speed: 310deg/s}", "{delay: 70.8ms, speed: 300deg/s}"},
		"on lines": {measuredBase + "    measured:\n      speed: 310deg/s\n      slop: 1deg # loose\n    lost: hold\n", speed, delay, "240 fps",
			"      speed: 310deg/s\n", "      speed: 300deg/s # ±11 deg/s (k=2), 240 fps\n      delay: 70.8ms # ±5.4 ms (k=2), 240 fps\n"},
		"a factor of few repeats": {measuredBase + "    measured: {speed: 310deg/s}\n", &Measurement{299.7, 10.21, 2.87}, &Measurement{0.070833, 0.00538, 2}, "240 fps",
			"{speed: 310deg/s}", "{delay: 70.8ms, speed: 300deg/s} # ±11 deg/s (k=2.87), ±5.4 ms (k=2), 240 fps"},
		"the same factor": {measuredBase + "    measured: {speed: 310deg/s}\n", &Measurement{299.7, 10.21, 2.87}, &Measurement{0.070833, 0.00538, 2.87}, "",
			"{speed: 310deg/s}", "{delay: 70.8ms, speed: 300deg/s} # ±11 deg/s, ±5.4 ms (k=2.87)"},
		"no uncertainty": {measuredBase + "    measured: {speed: 310deg/s}\n", &Measurement{V: 287.654}, nil, "240 fps",
			"310deg/s", "287.7deg/s"},
		"no delay":          {measuredBase + "    measured: {delay: 10ms}\n", nil, &Measurement{V: 0, Expanded: 0.004}, "", "10ms}", "0ms} # ±4 ms (k=2)"},
		"a vague one":       {measuredBase + "    measured: {speed: 310deg/s}\n", &Measurement{V: 40, Expanded: 170}, nil, "", "310deg/s}", "40deg/s} # ±170 deg/s (k=2)"},
		"a note with lines": {measuredBase + "    measured: {speed: 310deg/s}\n", speed, nil, "240\r\nfps: x", "310deg/s}", "300deg/s} # ±11 deg/s (k=2), 240  fps: x"},
		"nothing":           {measuredBase, nil, nil, "240 fps", "", ""},
	} {
		for _, ending := range []string{"\n", "\r\n"} {
			before := strings.ReplaceAll(pulseRig(c.axis), "\n", ending)
			axis := loadAxis(t, before)
			after, err := SetMeasured([]byte(before), axis, c.speed, c.delay, c.how)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			want := strings.ReplaceAll(strings.Replace(pulseRig(c.axis), c.was, c.want, 1), "\n", ending)
			if string(after) != want {
				t.Errorf("%s:\n%s\nand not\n%s", name, after, want)
			}
			a := loadAxis(t, string(after))
			if m := c.speed; m != nil && math.Abs(a.Measured.Speed.V-m.V) > 0.1*math.Max(m.Expanded, 0.01*m.V) {
				t.Errorf("%s: the speed is now %v", name, a.Measured.Speed.V)
			}
			if m := c.delay; m != nil && math.Abs(a.Measured.Delay.V-m.V) > 0.1*m.Expanded {
				t.Errorf("%s: the delay is now %v", name, a.Measured.Delay.V)
			}
			if again, err := SetMeasured(after, a, c.speed, c.delay, c.how); err != nil || !bytes.Equal(again, after) {
				t.Errorf("%s: a second time gives %q (%v)", name, again, err)
			}
		}
	}
}

func TestSetMeasuredRefuses(t *testing.T) {
	axis := loadAxis(t, pulseRig(measuredBase))
	good := &Measurement{V: 300, Expanded: 10}
	for name, c := range map[string]struct {
		text         string
		speed, delay *Measurement
		says         string
	}{
		"in braces":      {"{axes: {pan: {kind: servo}}}\n", good, nil, "in braces on few lines; write measured: {speed: 300deg/s} by hand"},
		"another axis":   {"axes:\n  tilt: {kind: servo}\n", good, nil, "by hand"},
		"an anchor":      {"axes:\n  tilt: &a {kind: servo}\n  pan: *a\n", good, nil, "by hand"},
		"shared figures": {"axes:\n  pan: {kind: servo, measured: &m {speed: 3}}\n", good, nil, "by hand"},
		"a folded one":   {"axes:\n  pan:\n    measured:\n      speed: >-\n        3\n        deg/s\n", good, nil, "by hand"},
		"no speed":       {pulseRig(measuredBase), &Measurement{V: 0, Expanded: 1}, nil, "measure it again"},
		"no number":      {pulseRig(measuredBase), good, &Measurement{V: math.NaN(), Expanded: 1}, "up to 10 s"},
		"a long delay":   {pulseRig(measuredBase), nil, &Measurement{V: 11, Expanded: 1}, "up to 10 s"},
		"less than none": {pulseRig(measuredBase), &Measurement{V: 300, Expanded: -1}, nil, "give 0 where it is not known"},
		"no factor":      {pulseRig(measuredBase), &Measurement{300, 10, 0.5}, nil, "give 2"},
	} {
		if after, err := SetMeasured([]byte(c.text), axis, c.speed, c.delay, ""); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, %q", name, err, after)
		}
	}
}

// FuzzSetMeasured: whatever a rig file looks like, what is measured changes and nothing
// else.
func FuzzSetMeasured(f *testing.F) {
	for _, axis := range []string{measuredBase, measuredBase + "    measured: {speed: 3} # x\n", measuredBase + "    measured:\n      delay: '3ms'\n      # y\n      speed: 4\n",
		"    {kind: servo, board: main, channel: 0, travel: [-70deg, 70deg], pulse: [[-70deg, 900us], [70deg, 2100us]]} # pan\n"} {
		f.Add(axis, 299.7, 10.2, 0.07, "240 fps")
	}
	f.Fuzz(func(t *testing.T, axis string, speed, within, delay float64, how string) {
		text := pulseRig(axis)
		load := func(text string) (*Rig, error) { return LoadRig(texts{"a.rig.yaml": text}.open, "a.rig.yaml") }
		before, err := load(text)
		if err != nil || len(before.Axes) == 0 {
			return
		}
		was := before.Axes[0]
		changed, err := SetMeasured([]byte(text), was, &Measurement{V: speed, Expanded: within}, &Measurement{V: delay}, how)
		if err != nil {
			return
		}
		after, err := load(string(changed))
		if err != nil {
			t.Fatalf("%q became %q: %v", text, changed, err)
		}
		now := after.Axes[0]
		if math.Abs(now.Measured.Delay.V-delay) > 1e-3*delay+1e-9 || math.Abs(now.Measured.Speed.V-speed) > 0.5*speed+1e-6 ||
			now.Measured.Slop.V != was.Measured.Slop.V || len(now.Pulse) != len(was.Pulse) || now.Name != was.Name {
			t.Fatalf("%q became %q", text, changed)
		}
		if strings.Count(string(changed), "\n") > strings.Count(text, "\n")+2 {
			t.Fatalf("%q became %q", text, changed)
		}
	})
}

// TestSetReverse holds that each value then has the pulse of the value as far from the
// other end, in the text by changes to the points alone.
func TestSetReverse(t *testing.T) {
	for name, c := range map[string]struct{ axis, was, want string }{
		"even": {measuredBase, "[[-70deg, 900us], [0, 1500us], [70deg, 2100us]]", "[[-70deg, 2100us], [0, 1500us], [70deg, 900us]]"},
		"bent": {"    {kind: servo, board: main, channel: 0, trim: 5us, travel: [0, 90], pulse: [[0deg, 1000us], [30deg, 1300us], [90deg, 2000us]]} # a\n",
			"[[0deg, 1000us], [30deg, 1300us], [90deg, 2000us]]", "[[90deg, 1000us], [60deg, 1300us], [0deg, 2000us]]"},
		"on lines, falling": {"    kind: servo\n    board: main\n    channel: 0\n    travel: [0, 90]\n    pulse:\n      - [90deg, 2000 us] # up\n      - [0deg, \"1000us\"]\n",
			"- [90deg, 2000 us] # up\n      - [0deg, \"1000us\"]", "- [90deg, 1000us] # up\n      - [0deg, \"2000 us\"]"},
		"a data sheet's points": {"    {kind: servo, board: main, channel: 0, travel: [0, 25], pulse: [[-45deg, 1000us], [45deg, 2000us]]}\n",
			"[[-45deg, 1000us], [45deg, 2000us]]", "[[70deg, 1000us], [-20deg, 2000us]]"},
	} {
		before := pulseRig(c.axis)
		was := loadAxis(t, before)
		after, err := SetReverse([]byte(before), was)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if want := strings.Replace(before, c.was, c.want, 1); string(after) != want {
			t.Errorf("%s:\n%s\nand not\n%s", name, after, want)
		}
		now := loadAxis(t, string(after))
		for share := 0.0; share <= 1; share += 0.125 {
			low, high := was.Travel[0].V, was.Travel[1].V
			x := low + share*(high-low)
			if p, q := pulseAt(now, x), pulseAt(was, low+high-x); math.Abs(p-q) > 1e-9 {
				t.Errorf("%s: at %v the pulse is %v us, and was %v us at the other side", name, x, p, q)
			}
		}
		if back, err := SetReverse(after, now); err != nil || strings.ReplaceAll(string(back), ".0", "") != before && name == "even" {
			t.Errorf("%s: twice gives %q (%v)", name, back, err)
		}
	}
	text := pulseRig("    {kind: servo, board: main, channel: 0, travel: [0, 9], pulse: &p [[0, 1000us], [9, 1100us]]}\n")
	if after, err := SetReverse([]byte(text), loadAxis(t, text)); err == nil || !strings.Contains(err.Error(), "by hand") {
		t.Errorf("an anchor: %v, %q", err, after)
	}
}

// pulseAt gives the pulse at a value of the horn, straight between points and beyond.
func pulseAt(a *Axis, x float64) float64 {
	i := 1
	for i+1 < len(a.Pulse) && a.Pulse[i].Value.V < x {
		i++
	}
	p, q := a.Pulse[i-1], a.Pulse[i]
	return p.Pulse.V + (q.Pulse.V-p.Pulse.V)*(x-p.Value.V)/(q.Value.V-p.Value.V) + a.Trim.V
}

func TestSetPulsePoint(t *testing.T) {
	const lines = "    kind: servo\n    board: main\n    channel: 0\n    trim: 10us\n    travel: [0, 90]\n    pulse:\n      - [90deg, 2000us] # up\n      - [0deg, 1000us]\n"
	for name, c := range map[string]struct {
		axis      string
		at, us    float64
		was, want string
	}{
		"the centre":     {measuredBase, 0, 1512.34, "[0, 1500us]", "[0, 1512.3us]"},
		"an end":         {measuredBase, 70, 2050, "2100us", "2050us"},
		"a new one":      {measuredBase, 35, 1790, "[70deg, 2100us]", "[35deg, 1790us], [70deg, 2100us]"},
		"new on lines":   {lines, 45, 1530, "      - [0deg,", "      - [45deg, 1520us]\n      - [0deg,"},
		"there, falling": {lines, 90, 1950, "2000us", "1940us"},
	} {
		before := pulseRig(c.axis)
		after, err := SetPulsePoint([]byte(before), loadAxis(t, before), c.at, c.us)
		if want := strings.Replace(before, c.was, c.want, 1); err != nil || string(after) != want {
			t.Errorf("%s: %v\n%s\nand not\n%s", name, err, after, want)
			continue
		}
		if p := pulseAt(loadAxis(t, string(after)), c.at); math.Abs(p-tenth(c.us)) > 1e-9 {
			t.Errorf("%s: the pulse is now %v us", name, p)
		}
	}
	for name, c := range map[string]struct {
		at, us float64
		says   string
	}{
		"not between":   {0, 2200, "not between the pulses of the points beside it, 900 and 2100 us"},
		"past the next": {70, 1400, "wrong side of the point beside it, 1500 us"},
		"past the last": {-70, 1500, "wrong side"},
		"beyond":        {80, 2200, "beyond the points of pan"},
		"no pulse":      {0, math.NaN(), "cannot be a point"},
		"no value":      {math.Inf(1), 1500, "cannot be a point"},
	} {
		text := pulseRig(measuredBase)
		if after, err := SetPulsePoint([]byte(text), loadAxis(t, text), c.at, c.us); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, %q", name, err, after)
		}
	}
}

func TestSetTrim(t *testing.T) {
	for name, c := range map[string]struct {
		axis      string
		us        float64
		was, want string
	}{
		"anew":     {measuredBase + "    lost: hold\n", -12.34, "    lost:", "    trim: -12.3us\n    lost:"},
		"in place": {strings.Replace(measuredBase, "    channel", "    trim: 3 us # old\n    channel", 1), 0, "3 us", "0us"},
	} {
		before := pulseRig(c.axis)
		after, err := SetTrim([]byte(before), loadAxis(t, before), c.us)
		if want := strings.Replace(before, c.was, c.want, 1); err != nil || string(after) != want {
			t.Errorf("%s: %v\n%s\nand not\n%s", name, err, after, want)
		} else if a := loadAxis(t, string(after)); a.Trim.V != tenth(c.us) {
			t.Errorf("%s: the trim is now %v", name, a.Trim.V)
		}
	}
	text := pulseRig(measuredBase)
	if _, err := SetTrim([]byte(text), loadAxis(t, text), 2e4); err == nil {
		t.Error("20 ms of trim were written")
	}
	lamp := pulseRig("    {kind: dimmer, board: main, channel: 0}\n")
	if _, err := SetTrim([]byte(lamp), loadAxis(t, lamp), 1); err == nil || !strings.Contains(err.Error(), "for a servo") {
		t.Errorf("a lamp's trim: %v", err)
	}
}

// FuzzDirection: whatever a calibration looks like, an edit gives one that loads, with
// what was asked for and nothing else changed.
func FuzzDirection(f *testing.F) {
	for _, axis := range []string{measuredBase, "    {kind: servo, board: main, channel: 0, trim: 5us, travel: [0, 90], pulse: [[90deg, 1000us], [30deg, 1300us], [0, 2000us]]} # a\n",
		"    kind: servo\n    board: main\n    channel: 0\n    travel: [0, 90]\n    pulse:\n      - [90deg, 2000 us] # up\n      -\n        - 0deg\n        - '1000us'\n"} {
		f.Add(axis, 20.0, 1400.0)
	}
	f.Fuzz(func(t *testing.T, axis string, at, us float64) {
		text := pulseRig(axis)
		load := func(text string) (*Rig, error) { return LoadRig(texts{"a.rig.yaml": text}.open, "a.rig.yaml") }
		rig, err := load(text)
		if err != nil || len(rig.Axes) == 0 {
			return
		}
		was := rig.Axes[0]
		read := func(changed []byte, err error) *Axis {
			if err != nil {
				return nil
			}
			after, err := load(string(changed))
			if after == nil || len(after.Axes) == 0 || err != nil && !strings.Contains(err.Error(), "does not fit a frame") && !strings.Contains(err.Error(), "may be from") {
				t.Fatalf("%q became %q: %v", text, changed, err)
			}
			if strings.Count(string(changed), "\n") > strings.Count(text, "\n")+1 || after.Axes[0].Kind != was.Kind {
				t.Fatalf("%q became %q", text, changed)
			}
			return after.Axes[0]
		}
		if now := read(SetReverse([]byte(text), was)); now != nil && (now.Pulse[0].Pulse.V < now.Pulse[1].Pulse.V) == (was.Pulse[0].Pulse.V < was.Pulse[1].Pulse.V) {
			t.Fatalf("%q still runs the same way", text)
		}
		if now := read(SetPulsePoint([]byte(text), was, at, us)); now != nil && math.Abs(pulseAt(now, at)-us) > 0.06 {
			// A value is written to its fourth decimal, which a steep calibration shows.
			if steep := math.Abs(pulseAt(now, at+1e-4)-pulseAt(now, at-1e-4)) + 0.06; math.Abs(pulseAt(now, at)-us) > steep {
				t.Fatalf("%q: %v us at %v became %v", text, us, at, pulseAt(now, at))
			}
		}
		if now := read(SetTrim([]byte(text), was, us)); now != nil && now.Trim.V != tenth(us) {
			t.Fatalf("%q: a trim of %v became %v", text, us, now.Trim.V)
		}
	})
}
