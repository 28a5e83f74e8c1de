package sequence

import (
	"strings"
	"testing"
)

// pulseRig is a rig with one servo, whose lines are given.
func pulseRig(axis string) string {
	return "rig: Ends\nformat: 1\nboards:\n  main: {rate: 50Hz, tick: 0.5us, channels: 4}\naxes:\n  pan: # the head\n" + axis
}

func loadAxis(t testing.TB, text string) *Axis {
	t.Helper()
	rig, err := LoadRig(texts{"a.rig.yaml": text}.open, "a.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return rig.Axes[0]
}

// TestSetPulse holds that the ends of a calibration change, and nothing else in the text,
// and that the axis then has those pulses at its ends.
func TestSetPulse(t *testing.T) {
	for name, c := range map[string]struct {
		axis      string
		low, high float64
		was, want string
	}{
		"in place": {"    {kind: servo, board: main, channel: 0, travel: [-70deg, 70deg], pulse: [[-70deg, 900us], [0, 1500us], [70deg, 2100us]]} # pan\n",
			880.25, 2130, "[[-70deg, 900us], [0, 1500us], [70deg, 2100us]]", "[[-70deg, 880.3us], [0, 1500us], [70deg, 2130us]]"},
		"on lines": {"    kind: servo\n    board: main\n    channel: 0\n    travel: [0, 90]\n    pulse:\n      - [0deg, 1000us] # down\n      - [90deg, 2000 us]\n",
			1100, 1900, "- [0deg, 1000us] # down\n      - [90deg, 2000 us]", "- [0deg, 1100us] # down\n      - [90deg, 1900us]"},
		"falling list": {"    {kind: servo, board: main, channel: 0, travel: [0, 90], pulse: [[90deg, 2000us], [0deg, 1000us]]}\n",
			1100, 1900, "[[90deg, 2000us], [0deg, 1000us]]", "[[90deg, 1900us], [0deg, 1100us]]"},
		"reversed": {"    {kind: servo, board: main, channel: 0, travel: [0, 90], pulse: [[0deg, 2000us], [90deg, 1000us]]}\n",
			1900, 1100, "[[0deg, 2000us], [90deg, 1000us]]", "[[0deg, 1900us], [90deg, 1100us]]"},
		"a data sheet's points": {"    {kind: servo, board: main, channel: 0, travel: [0, 25], pulse: [[-45deg, 1000us], [45deg, 2000us]]}\n",
			1480, 1800, "[[-45deg, 1000us], [45deg, 2000us]]", "[[0deg, 1480us], [25deg, 1800us]]"},
		"with a trim": {"    {kind: servo, board: main, channel: 0, trim: 20us, travel: [0, 90], pulse: [[0deg, 1000us], [90deg, 2000us]]}\n",
			1100, 1900, "[[0deg, 1000us], [90deg, 2000us]]", "[[0deg, 1080us], [90deg, 1880us]]"},
		"a falling linkage": {"    {kind: servo, board: main, channel: 0, travel: [0, 20], linkage: {table: [[-40deg, 20deg], [0deg, 10deg], [40deg, 0deg]]}, pulse: [[-45deg, 1000us], [45deg, 2000us]]}\n",
			1900, 1100, "[[-45deg, 1000us], [45deg, 2000us]]", "[[-40deg, 1100us], [40deg, 1900us]]"},
	} {
		before := pulseRig(c.axis)
		after, err := SetPulse([]byte(before), loadAxis(t, before), c.low, c.high)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if want := strings.Replace(before, c.was, c.want, 1); string(after) != want {
			t.Errorf("%s:\n%s\nand not\n%s", name, after, want)
		}
		a := loadAxis(t, string(after))
		for end, pulse := range [2]float64{c.low, c.high} {
			if p := a.outer(end).Pulse.V + a.Trim.V; p != tenth(pulse) {
				t.Errorf("%s: at the %v end of the travel the pulse is now %v us, not %v", name, end, p, pulse)
			}
		}
	}
}

func TestSetPulseRefuses(t *testing.T) {
	const plain = "    {kind: servo, board: main, channel: 0, travel: [-70deg, 70deg], pulse: [[-70deg, 900us], [0, 1500us], [70deg, 2100us]]}\n"
	for name, c := range map[string]struct {
		axis      string
		low, high float64
		says      string
	}{
		"a point outside":      {plain, 1600, 2100, "the point at 0 deg has 1500 us, which is not between the new ends, 1600 and 2100 us"},
		"the other way round":  {strings.Replace(plain, "[0, 1500us], ", "[0, 1500us], [10, 1700us], ", 1), 2100, 1600, "not between"},
		"points beyond travel": {strings.Replace(plain, "-70deg, 70deg", "-60deg, 60deg", 1), 950, 2050, "points beyond the ends of its travel and others between"},
		"an alias":             {"    {kind: servo, board: main, channel: 0, travel: [0, 9], pulse: &p [[0, 1000us], [9, 1100us]]}\n", 1010, 1090, "by hand"},
	} {
		text := pulseRig(c.axis)
		after, err := SetPulse([]byte(text), loadAxis(t, text), c.low, c.high)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, %q", name, err, after)
		}
	}
}

// TestOpenPulse holds that an opened axis has every pulse between its ends, in its
// direction, and rests at its calibration's centre.
func TestOpenPulse(t *testing.T) {
	for pulses, want := range map[string]struct{ rest, low, high float64 }{
		"[[-70deg, 900us], [70deg, 2100us]]":  {0, 500, 2500},
		"[[-70deg, 2000us], [70deg, 1000us]]": {0, 2500, 500},
		"[[-70deg, 1000us], [70deg, 1500us]]": {-17.5, 500, 2500},
	} {
		a := loadAxis(t, pulseRig("    {kind: servo, board: main, channel: 0, travel: [-70deg, 70deg], pulse: "+pulses+"}\n"))
		centre := a.PulseCentre()
		a.OpenPulse()
		if a.Pulse[0].Pulse.V != want.low || a.Pulse[1].Pulse.V != want.high || a.Rest.V != want.rest {
			t.Errorf("%s: %v to %v us, rest %v", pulses, a.Pulse[0].Pulse.V, a.Pulse[1].Pulse.V, a.Rest.V)
		}
		if at := a.OpenValue(centre); at != a.Rest.V {
			t.Errorf("%s: the centre is at %v", pulses, at)
		}
	}
}
