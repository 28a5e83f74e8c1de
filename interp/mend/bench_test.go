package mend

import (
	"fmt"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/drive"
)

// many makes a rig of axes and a motion of 100 s in which each has a key a second.
func many(axes int, limits, ease string) (rig, body string) {
	var r, m strings.Builder
	r.WriteString("supplies: {rail: {voltage: 6V, limit: 8A}}\n" + board + "axes:\n")
	m.WriteString("length: 100s\ntracks:\n")
	for a := range axes {
		fmt.Fprintf(&r, "  axis-%d: {kind: servo, board: main, channel: %d, supply: rail, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]], limits: {%s}}\n", a, a, limits)
		fmt.Fprintf(&m, "  axis-%d:\n", a)
		for k := range 100 {
			fmt.Fprintf(&m, "    - [%ds, %ddeg, %s]\n", k, (k*37+a*11)%80-40, ease)
		}
	}
	return r.String(), m.String()
}

// BenchmarkRetime retimes six axes over 100 s, which is a grid of 10,000 points.
func BenchmarkRetime(b *testing.B) {
	for _, c := range []struct{ name, limits string }{
		{"speed and acceleration", "speed: 120deg/s, acceleration: 900deg/s2"},
		{"jerk", "speed: 120deg/s, acceleration: 900deg/s2, jerk: 30000deg/s3"},
	} {
		b.Run(c.name, func(b *testing.B) {
			rig, body := many(6, c.limits, "pchip")
			p := load(b, rig, body)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Retime(p.Script, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkPlan is one plan of that, without its certification.
func BenchmarkPlan(b *testing.B) {
	rig, body := many(6, "speed: 120deg/s, acceleration: 900deg/s2", "pchip")
	p := load(b, rig, body)
	r := newRetimer(p, Options{CatchUp: DefaultCatchUp, Tolerance: DefaultTolerance})
	r.prepare()
	for b.Loop() {
		if _, _, err := r.plan(tight{speed: 1, acceleration: 1}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRetimeCertifiedByTheDrives(b *testing.B) {
	rig, body := many(6, "speed: 120deg/s, acceleration: 900deg/s2", "pchip")
	p := load(b, rig, body)
	peaks := func(p *interp.Performance) []Load {
		var out []Load
		for _, s := range drive.Run(p).Supplies {
			out = append(out, Load{Supply: s.Supply, Current: s.Peak, From: s.PeakAt, To: s.PeakAt})
		}
		return out
	}
	for b.Loop() {
		if _, err := Retime(p.Script, Options{Loads: peaks}); err != nil {
			b.Fatal(err)
		}
	}
}
