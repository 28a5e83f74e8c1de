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
		for _, fastest := range []bool{false, true} {
			b.Run(fmt.Sprintf("%s/fastest %v", c.name, fastest), func(b *testing.B) {
				rig, body := many(6, c.limits, "pchip")
				p := load(b, rig, body)
				b.ReportAllocs()
				var r *Retiming
				for b.Loop() {
					var err error
					if r, err = Retime(p.Script, Options{Fastest: fastest}); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(len(r.Knots)), "knots")
			})
		}
	}
}

// BenchmarkPlan is one plan of that, without its certification.
func BenchmarkPlan(b *testing.B) {
	rig, body := many(6, "speed: 120deg/s, acceleration: 900deg/s2", "pchip")
	p := load(b, rig, body)
	r := newRetimer(p, Options{CatchUp: DefaultCatchUp, Tolerance: DefaultTolerance})
	r.prepare()
	for b.Loop() {
		if _, err := r.plan(tight{speed: 1, acceleration: 1}); err != nil {
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

// longShow has six large servos on one supply. Every six seconds they move one after
// another, and in a number of places all at once, which is too much for it.
func longShow(limit string, moves, together int) (rig, body string) {
	rig = six(limit)
	var m strings.Builder
	fmt.Fprintf(&m, "length: %ds\ntracks:\n", 6*moves)
	for k := range 6 {
		fmt.Fprintf(&m, "  arm-%d:\n    - [0s, 0deg]\n", k)
		for n := range moves {
			at := 6*float64(n) + 0.8*float64(k) + 0.1
			if together > 0 && n%(moves/together) == moves/together/2 {
				at = 6*float64(n) + 0.1 + 0.01*float64(k*(n%7)) // closer together in some places than in others
			}
			fmt.Fprintf(&m, "    - [%.2fs, %ddeg, hold]\n    - [%.2fs, %ddeg, min-jerk]\n", at, 50*(n%2), at+0.6, 50*((n+1)%2))
		}
	}
	return rig, m.String()
}

// sustained certifies by the drive model: by all tenths of a second in which a
// supply delivers too much, if there are any.
func sustained(p *interp.Performance) []Load {
	const tenth = 0.1
	var out []Load
	over := false
	for _, s := range drive.Run(p).Supplies {
		out = append(out, Load{Supply: s.Supply, Current: s.Sustained, From: s.SustainedAt, To: s.SustainedAt + tenth})
		over = over || s.Sustained > s.Supply.Limit.V
	}
	if !over {
		return out
	}
	drive.Simulate(p, tenth, func(t float64, _ []drive.Sample, rails []drive.Rail) error {
		for i, s := range p.Rig.Supplies {
			if t > 0 && rails[i].Current > s.Limit.V {
				out = append(out, Load{Supply: s, Current: rails[i].Current, From: t - tenth, To: t})
			}
		}
		return nil
	})
	return out
}

// BenchmarkLongShow retimes ten minutes, certified by the drive model. rounds is how
// often that was run.
func BenchmarkLongShow(b *testing.B) {
	for _, c := range []struct {
		name, limit string
		together    int
	}{{"holds", "16A", 0}, {"10 places", "6A", 10}, {"10 places and a weaker supply", "4A", 10}, {"hopeless", "1A", 10}} {
		b.Run(c.name, func(b *testing.B) {
			rig, body := longShow(c.limit, 100, c.together)
			p := load(b, rig, body)
			rounds := 0
			var r *Retiming
			for b.Loop() {
				rounds = 0
				var err error
				if r, err = Retime(p.Script, Options{Loads: func(p *interp.Performance) []Load { rounds++; return sustained(p) }}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(rounds), "rounds")
			b.ReportMetric(r.Stretched, "s-stretched")
			b.ReportMetric(float64(len(r.Left)), "left")
			b.ReportMetric(float64(len(r.Knots)), "knots")
		})
	}
}
