package mend

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// The closeness of a lock, in s.
const microsecond = 1e-6

const locked = `length: 20s
marks: {bell: {at: 6s, locked: true}, boat: {at: 14s, locked: true}}
tracks:
  pan:
    - [0.5s, 0deg]
    - [1s, 80deg]
    - [1.6s, -60deg, min-jerk]
    - [3s, 20deg, in-out]
    - [8s, 20deg, hold]
    - [8.5s, 90deg]
    - [9s, 0deg]
    - [13s, 60deg]
    - [15s, 0deg]
    - [17s, 0deg, hold]
    - [17.3s, 90deg]
`

func TestLocksKeepTheirTime(t *testing.T) {
	for _, limits := range []string{
		"speed: 1000deg/s, acceleration: 900deg/s2",
		"speed: 180deg/s, acceleration: 50000deg/s2",
		"speed: 180deg/s, acceleration: 900deg/s2, jerk: 20000deg/s3",
	} {
		longest := 0.0
		for _, fastest := range []bool{false, true} {
			body := locked
			if limits == "speed: 180deg/s, acceleration: 900deg/s2, jerk: 20000deg/s3" {
				body = gentle
			}
			p := load(t, pan(limits), body)
			r := retime(t, p, Options{Fastest: fastest})
			for _, at := range []float64{6, 14} {
				if got := r.Performance.PerformanceTime(at); math.Abs(got-at) > microsecond {
					t.Errorf("%s, fastest %v: the lock at %v s comes at %.9f s", limits, fastest, at, got)
				}
			}
			knotsAreWhole(t, r)
			l := p.Axes[0].Spec.HornLimits()
			within(t, r.Performance, 0, l.Speed.V, l.Acceleration.V, l.Jerk.V)
			if len(r.Missing) > 0 || len(r.Left) > 0 {
				t.Errorf("%s: %+v, %+v", limits, r.Missing, r.Left)
			}
			if fastest && r.Performance.Length > longest+1e-9 {
				t.Errorf("%s: the fastest takes %.4f s", limits, r.Performance.Length)
			}
			longest = r.Performance.Length
			first := r.Written
			for i, k := range r.Knots {
				if k.Rate < 1-1e-9 && i > 0 {
					first = math.Min(first, r.Knots[i-1].Script)
				}
				if k.Rate > 1+1e-9 && k.Script < first && !fastest {
					t.Errorf("%s: the pace runs at %v at %v s, before the first stretch", limits, k.Rate, k.Script)
				}
				if k.Rate > DefaultCatchUp*(1+1e-9) && k.Script < 14 {
					t.Errorf("%s: knot %d goes at %v, above the catch-up", limits, i, k.Rate)
				}
			}
			t.Logf("%s: %.4f s, %d knots", limits, r.Performance.Length, len(r.Knots))
		}
	}
}

const gentle = `length: 20s
marks: {bell: {at: 6s, locked: true}, boat: {at: 14s, locked: true}}
tracks:
  pan:
    - [0.5s, 0deg]
    - [1s, 60deg, min-jerk]
    - [1.6s, -20deg, min-jerk]
    - [3s, 20deg, min-jerk]
    - [8s, 20deg, hold]
    - [8.5s, 80deg, min-jerk]
    - [9s, 20deg, min-jerk]
    - [17s, 20deg, hold]
    - [17.3s, 80deg, min-jerk]
`

func TestALockThatCannotBeKeptIsNamed(t *testing.T) {
	body := `length: 8s
marks: {bell: {at: 2s, locked: true}}
tracks:
  pan:
    - [0.5s, 0deg]
    - [1s, 180deg]
    - [4s, 0deg]
`
	// 180 deg at 100 deg/s take 1.8 s and the ramps of in-out a little more;
	// what is left to 2 s may go at 1.25.
	p := load(t, pan("speed: 100deg/s, acceleration: 100000deg/s2"), body)
	r := retime(t, p, Options{})
	if len(r.Missing) != 1 {
		t.Fatalf("%+v", r.Missing)
	}
	m := r.Missing[0]
	least := 0.5 + 1.8 + 1/DefaultCatchUp - 2
	if m.FromS != 0 || m.ToS != 2 || m.To.Line != 6 || m.Why != "the speed of pan" || m.Seconds < least-0.01 || m.Seconds > least+0.3 {
		t.Errorf("%+v, with a least of %.3f s", m, least)
	}
	if late := r.Performance.PerformanceTime(2) - 2; math.Abs(late-m.Seconds) > 2e-3 {
		t.Errorf("the lock comes %.5f s late, and %.5f s are said to be missing", late, m.Seconds)
	}
	// More catch-up leaves less missing.
	if faster := retime(t, p, Options{CatchUp: 2}); len(faster.Missing) == 1 && faster.Missing[0].Seconds >= m.Seconds {
		t.Errorf("%+v with a catch-up of 2", faster.Missing)
	}
}

func TestALockedKeyAndPlacement(t *testing.T) {
	body := `length: 10s
poses: {home: {pan: 0}}
tracks:
  pan:
    - [0.5s, 0deg]
    - [0.9s, 90deg]
    - {at: 5s, to: 90deg, ease: hold, locked: true}
    - [6s, 0deg]
    - [6.3s, 60deg]
cues:
  - {at: 9s, say: "over", locked: true}
`
	r := retime(t, load(t, pan("speed: 150deg/s, acceleration: 2000deg/s2"), body), Options{})
	for _, at := range []float64{5, 9} {
		if got := r.Performance.PerformanceTime(at); math.Abs(got-at) > microsecond {
			t.Errorf("%v s comes at %.9f s", at, got)
		}
	}
	if got := r.Performance.PerformanceTime(0.9); got < 1.05 {
		t.Errorf("the first move ends at %v s", got)
	}
}

// Jerk binds: the plan by speed and acceleration alone would jump from one
// limit of acceleration to the other.
func TestJerkIsKeptAndItsCostTold(t *testing.T) {
	for _, limits := range []string{
		"speed: 1000deg/s, acceleration: 900deg/s2, jerk: 20000deg/s3",
		"speed: 180deg/s, acceleration: 100000deg/s2, jerk: 20000deg/s3",
		"speed: 1000deg/s, acceleration: 100000deg/s2, jerk: 8000deg/s3",
	} {
		for _, body := range []string{gentle, busy} {
			p := load(t, pan(limits), body)
			r := retime(t, p, Options{})
			l := p.Axes[0].Spec.HornLimits()
			within(t, r.Performance, 0, l.Speed.V, l.Acceleration.V, l.Jerk.V)
			knotsAreWhole(t, r)
			if len(r.Left) > 0 || len(r.Missing) > 0 {
				t.Errorf("%s: left %+v, missing %+v", limits, r.Left, r.Missing)
			}
			bare := p.Axes[0].Spec.Limits.Jerk
			p.Axes[0].Spec.Limits.Jerk.At.Line = 0
			free := retime(t, p, Options{})
			p.Axes[0].Spec.Limits.Jerk = bare
			if r.JerkCost <= 0 || r.Performance.Length < free.Performance.Length {
				t.Errorf("%s: %.4f s with jerk, %.4f s without", limits, r.Performance.Length, free.Performance.Length)
			}
			if cost := r.Performance.Length - free.Performance.Length; math.Abs(cost-r.JerkCost) > 1e-9 {
				t.Errorf("%s: jerk is said to cost %.6f s and costs %.6f s", limits, r.JerkCost, cost)
			}
			t.Logf("%s: %.4f s, without %.4f s, cost said %.4f s, %d knots", limits, r.Performance.Length, free.Performance.Length, r.JerkCost, len(r.Knots))
		}
	}
}

// Jerk that binds hard in one place costs nothing in another: there the same time
// goes by with that place as without it.
func TestJerkCostsTimeOnlyWhereItBinds(t *testing.T) {
	const hard = "    - [0.5s, 0deg]\n    - [1s, 80deg]\n    - [1.6s, -60deg, min-jerk]\n    - [3s, 20deg, pchip]\n    - [3.3s, 50deg, pchip]\n    - [5s, 0deg, pchip]\n"
	body := func(place string) string {
		var b strings.Builder
		b.WriteString("length: 40s\ntracks:\n  pan:\n    - [0s, 0deg]\n" + place)
		for k := range 15 {
			fmt.Fprintf(&b, "    - [%ds, %ddeg, hold]\n    - [%d.5s, %ddeg, min-jerk]\n", 10+2*k, 20*(k%2), 10+2*k, 20*((k+1)%2))
		}
		return b.String()
	}
	rig := pan("speed: 1000deg/s, acceleration: 100000deg/s2, jerk: 8000deg/s3")
	with, without := retime(t, load(t, rig, body(hard)), Options{}), retime(t, load(t, rig, body("")), Options{})
	lasts := func(r *Retiming) float64 {
		return r.Performance.PerformanceTime(40) - r.Performance.PerformanceTime(9)
	}
	if len(with.Left)+len(without.Left) > 0 || lasts(without) < 31.05 {
		t.Fatalf("left %v and %v; the moves at 10 s to 40 s take %.4f s", with.Left, without.Left, lasts(without))
	}
	if more := lasts(with) - lasts(without); math.Abs(more) > 0.01 {
		t.Errorf("the moves at 10 s to 40 s take %.4f s more because of those before", more)
	}
	within(t, with.Performance, 0, 1000, 100000, 8000)
}

// The pace of the fastest performance may be far above the written one, where the
// script's own jumps of acceleration are small at the written rate.
func TestTheFastestKeepsJerkToo(t *testing.T) {
	p := load(t, pan("speed: 300deg/s, acceleration: 2000deg/s2, jerk: 30000deg/s3"), "length: 12s\ntracks:\n  pan:\n    - [0s, 0deg]\n    - [2s, 60deg, pchip]\n    - [5s, -40deg, pchip]\n    - [8s, 70deg, pchip]\n    - [12s, 0deg, pchip]\n")
	r := retime(t, p, Options{Fastest: true})
	if len(r.Left) > 0 || r.Performance.Length > 4 {
		t.Errorf("%v is left, after %.3f s", r.Left, r.Performance.Length)
	}
	within(t, r.Performance, 0, 300, 2000, 30000)
	passes(t, "fastest", r.Performance)
}
