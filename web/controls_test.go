package web

import (
	"strings"
	"testing"
)

// A control of a control moves the axes of both ways, and goes as far as the axis with
// the least room: reckoned by hand.
func TestControls(t *testing.T) {
	t.Parallel()
	rig := strings.Replace(smallRig, "{flap: {wing: 1}}", "{flap: {wing: 2}, soar: {flap: -0.5, wing: -1}}", 1)
	d := openDesk(t, small(t, map[string]string{"gull.rig.yaml": rig}), "wake.motion.yaml", nil)
	s := d.scoreOf("wake")
	wing := s.Rows[0]
	if wing.Name != "wing" || wing.Travel == nil || wing.Rest != 0 || len(s.Controls) != 2 {
		t.Fatalf("%+v", s)
	}
	low, high := wing.Travel[0], wing.Travel[1]
	for i, want := range []Control{
		{Name: "flap", Row: -1, Low: low / 2, High: high / 2, Shares: []Moved{{0, 2}}},
		{Name: "soar", Row: -1, Low: -high / 2, High: -low / 2, Shares: []Moved{{0, -2}}},
	} {
		got := s.Controls[i]
		if got.Name != want.Name || got.Unit != "deg" || got.Row != want.Row || got.Low != want.Low || got.High != want.High || len(got.Shares) != 1 || got.Shares[0] != want.Shares[0] {
			t.Errorf("%+v, not %+v", got, want)
		}
	}
}
