package mend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/sequence"
)

var smoothEases = []string{"in-out", "min-jerk", "pchip", "linear", "\"cubic-bezier(0.3, 0, 0.2, 1)\"", "sine-in-out", "s-curve", "back-out", "hold"}

// randomMotion makes three axes, one behind a linkage, with a control over two, a
// layer, a quiet window and maybe a lock.
func randomMotion(r *rand.Rand, jerk, lock bool) (rig, body string) {
	limits := func() string {
		s := fmt.Sprintf("speed: %.0fdeg/s, acceleration: %.0fdeg/s2", 80+r.Float64()*300, 500+r.Float64()*4000)
		if jerk {
			s += fmt.Sprintf(", jerk: %.0fdeg/s3", 2e4+r.Float64()*2e5)
		}
		return s
	}
	var b, m strings.Builder
	b.WriteString(board + "axes:\n")
	for k := range 3 {
		travel, link := "[-200deg, 200deg]", ""
		if k == 2 {
			travel, link = "[-30deg, 30deg]", ", linkage: {base: 60mm, horn: 12mm, rod: 60mm, arm: 18mm, zero: 90deg, branch: open}"
		}
		fmt.Fprintf(&b, "  a%d: {kind: servo, board: main, channel: %d, travel: %s, pulse: [[-200deg, 500us], [200deg, 2500us]], limits: {%s}%s}\n", k, k, travel, limits(), link)
	}
	b.WriteString("controls: {both: {a0: 0.5, a1: -0.3}}\n")
	m.WriteString("length: 12s\n")
	if lock {
		m.WriteString("marks: {bell: {at: 11s, locked: true}}\n")
	}
	m.WriteString("tracks:\n")
	for k, name := range []string{"a0", "a1", "a2", "both"} {
		fmt.Fprintf(&m, "  %s:\n    - [0s, 0deg]\n", name)
		at, value := 0.3, 0.0
		for at < 7 {
			e := smoothEases[r.IntN(len(smoothEases))]
			if e != "hold" {
				value = math.Round(r.Float64()*60 - 30)
				if k == 2 {
					value = math.Round(r.Float64()*16 - 8)
				}
			}
			fmt.Fprintf(&m, "    - [%.2fs, %gdeg, %s]\n", at, value, e)
			at += 0.25 + r.Float64()*1.5
		}
	}
	m.WriteString("layers:\n  - {axis: a0, add: {wiggle: {amount: 2deg, rate: 1Hz, seed: 7}}, from: 1s, to: 6s, fade: 0.5s}\n")
	m.WriteString("quiet:\n  - {from: 3s, to: 5s, speed: 60deg/s}\n")
	return b.String(), m.String()
}

// TestWhateverIsRetimedPassesTheCheck retimes random motions and asks the check of
// whole performances, which shares nothing with the plan, and looks densely.
func TestWhateverIsRetimedPassesTheCheck(t *testing.T) {
	for seed := range uint64(8) {
		jerk, lock, fastest := seed%2 == 1, seed%3 == 1, seed%4 > 1
		rig, body := randomMotion(rand.New(rand.NewPCG(seed, 1)), jerk, lock)
		p := load(t, rig, body)
		r := retime(t, p, Options{Fastest: fastest})
		name := fmt.Sprintf("seed %d (jerk %v, lock %v, fastest %v)", seed, jerk, lock, fastest)
		if len(r.Left) > 0 {
			t.Errorf("%s: %d are left, %+v", name, len(r.Left), r.Left[0])
		}
		knotsAreWhole(t, r)
		lost := map[float64]bool{}
		for _, m := range r.Missing {
			lost[m.ToS] = true
		}
		if got := r.Performance.PerformanceTime(11); lock && !lost[11] && math.Abs(got-11) > microsecond {
			t.Errorf("%s: the lock at 11 s comes at %.9f s", name, got)
		}
		for k, a := range r.Performance.Axes {
			l := a.Spec.HornLimits()
			within(t, r.Performance, k, l.Speed.V, l.Acceleration.V, l.Jerk.V)
		}
		passes(t, name, r.Performance)
		// After a lock the smoothed rate is still coming down from the catch-up.
		if !fastest && r.Performance.Length < r.Written-1e-3 {
			t.Errorf("%s: %.6f s instead of %.6f s", name, r.Performance.Length, r.Written)
		}
	}
}

// passes fails where the check finds a limit exceeded that a pace is to keep. The
// performance is compiled anew from what would be written.
func passes(t *testing.T, name string, p *interp.Performance) {
	t.Helper()
	s := *p.Script
	fresh, err := interp.Compile(&s)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range check.Run(fresh, nil, nil).Findings {
		switch f.Rule {
		case "speed", "acceleration", "jerk", "quiet", "pace-end":
			t.Errorf("%s: %s of %s is %.9g of %.9g at %.4f s", name, f.Rule, f.Axis, f.Value, f.Limit, f.From)
		}
	}
}

func TestShapeOfRandomMotions(t *testing.T) {
	for seed := range uint64(20) {
		rig, body := randomMotion(rand.New(rand.NewPCG(seed, 2)), seed%2 == 1, false)
		p := load(t, rig, body)
		shaped, axes := shape(t, p)
		for k, a := range shaped.Axes {
			l := a.Spec.HornLimits()
			worst := differences(atFrames(shaped, a.Horn))
			for n, limit := range []sequence.Figure{l.Speed, l.Acceleration, l.Jerk} {
				if limit.Known() && worst[n+1] > limit.V*(1+1e-9) {
					t.Errorf("seed %d: the difference of order %d of %s is %.12g of %g", seed, n+1, a.Spec.Name, worst[n+1], limit.V)
				}
			}
			if got := axes[k]; got.Largest < got.Floor*(1-1e-9) || got.RMS > got.Largest {
				t.Errorf("seed %d: %+v", seed, got)
			}
		}
	}
}
