package mend

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/drive"
)

// six large servos of 2.5 A stall each, 15 A in all, on one supply.
func six(limit string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "supplies: {rail: {voltage: 6V, limit: %s}}\n%saxes:\n", limit, board)
	for k := range 6 {
		fmt.Fprintf(&b, `  arm-%d: {kind: servo, board: main, channel: %d, supply: rail, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]],
    servo: {at: 6V, speed: 0.17s/60deg, stall_torque: 11kg.cm, stall_current: 2.5A, no_load_current: 200mA, idle_current: 10mA}, load: {inertia: 40000g.cm2}}
`, k, k)
	}
	return b.String()
}

func allAtOnce() string {
	var b strings.Builder
	b.WriteString("length: 4s\ntracks:\n")
	for k := range 6 {
		fmt.Fprintf(&b, "  arm-%d:\n    - [1s, 0deg]\n    - [1.5s, 60deg, min-jerk]\n", k)
	}
	return b.String()
}

// bound is the greatest sum of I0 + |T|/Ts (Is - I0) over a performance, with T of
// inertia alone, from the data sheet's lines: the line of a DC motor's current
// over its torque.
func bound(p *interp.Performance) float64 {
	worst := 0.0
	for k := range 4000 {
		at, sum := p.Length*float64(k)/4000, 0.0
		for _, a := range p.Axes {
			f := a.Spec.Figures()
			s := a.Horn.At(at)
			torque := math.Abs(s.Acceleration) * math.Pi / 180 * (f.Inertia.V + a.Spec.LoadInertia())
			base := f.NoLoadCurrent.V
			if s.Speed == 0 && s.Acceleration == 0 {
				base = f.IdleCurrent.V
			}
			sum += base + torque/f.StallTorque.V*(f.StallCurrent.V-f.NoLoadCurrent.V)
		}
		worst = math.Max(worst, sum)
	}
	return worst
}

func TestTheBoundOfASupplyIsKept(t *testing.T) {
	p := load(t, six("4A"), allAtOnce())
	if had := bound(p); had < 5 {
		t.Fatalf("as it is written the bound is %.2f A only", had)
	}
	r := retime(t, p, Options{})
	if has := bound(r.Performance); has > 4*(1+1e-9) {
		t.Errorf("the bound is %.4f A", has)
	}
	if r.Stretched <= 0 || r.Stretched > 1 {
		t.Errorf("stretched by %v s", r.Stretched)
	}
}

func TestMoreSupplyNeverLengthens(t *testing.T) {
	before := 0.0
	for _, limit := range []string{"16A", "8A", "5A", "4A", "3A", "2A", "1.5A"} {
		r := retime(t, load(t, six(limit), allAtOnce()), Options{})
		if r.Performance.Length < before-1e-9 {
			t.Errorf("%s: %.6f s, and more current took %.6f s", limit, r.Performance.Length, before)
		}
		before = r.Performance.Length
	}
}

func TestLowerLimitsNeverShorten(t *testing.T) {
	for _, fastest := range []bool{false, true} {
		for _, form := range []string{"speed: %gdeg/s, acceleration: 900deg/s2", "speed: 200deg/s, acceleration: %gdeg/s2"} {
			before := 0.0
			for _, limit := range []float64{6400, 3200, 1600, 800, 400, 200, 100} {
				r := retime(t, load(t, pan(fmt.Sprintf(form, limit)), busy), Options{Fastest: fastest})
				if r.Performance.Length < before*(1-1e-3) {
					t.Errorf(form+": %.6f s, and more took %.6f s", limit, r.Performance.Length, before)
				}
				before = r.Performance.Length
			}
		}
	}
}

// loads looks at the means of a tenth of a second by the drive model.
func loads(p *interp.Performance) []Load {
	var out []Load
	for _, s := range drive.Run(p).Supplies {
		out = append(out, Load{Supply: s.Supply, Current: s.Sustained, From: s.SustainedAt, To: s.SustainedAt + 0.1})
	}
	return out
}

// Six large servos (15 A) on 5 A are brought down to 4 A, or it is said that no
// pace does it.
func TestSixLargeServosOnASmallSupply(t *testing.T) {
	p := load(t, six("4A"), allAtOnce())
	r := retime(t, p, Options{Loads: loads})
	got := loads(r.Performance)[0].Current
	t.Logf("%.2f A instead of %.2f A, in %.2f s more", got, loads(p)[0].Current, r.Stretched)
	if len(r.Left) == 0 && got > 4*(1+1e-9) {
		t.Errorf("%.3f A, and nothing is said to be left", got)
	}
	if len(r.Left) > 0 && (r.Left[0].Supply == nil || r.Left[0].Ratio < 1) {
		t.Errorf("%+v", r.Left)
	}
}

// A load that no pace changes is left, and slows nothing down.
func TestALoadThatNoPaceChanges(t *testing.T) {
	p := load(t, six("16A"), allAtOnce())
	stubborn := func(p *interp.Performance) []Load {
		return []Load{{Supply: p.Rig.Supplies[0], Current: 20, From: p.PerformanceTime(1), To: p.PerformanceTime(1.2)}}
	}
	r, free := retime(t, p, Options{Loads: stubborn}), retime(t, p, Options{})
	if len(r.Left) != 1 || r.Left[0].Ratio != 20.0/16 {
		t.Errorf("%+v", r.Left)
	}
	if math.Abs(r.Performance.Length-free.Performance.Length) > 1e-3 {
		t.Errorf("%v s, and %v s without the load", r.Performance.Length, free.Performance.Length)
	}
}

// What is given was certified as a whole: the drive model saw that very performance
// and found nothing in it, or what is said to be left.
func TestWhatIsGivenWasCertifiedAsAWhole(t *testing.T) {
	for _, c := range []struct {
		limit string
		holds bool
	}{{"9A", true}, {"6A", true}, {"2A", false}} {
		rig, body := longShow(c.limit, 20, 4)
		p := load(t, rig, body)
		seen := map[*interp.Performance]int{}
		r := retime(t, p, Options{Loads: func(p *interp.Performance) []Load {
			over := 0
			list := sustained(p)
			for _, l := range list {
				if l.Current > l.Supply.Limit.V {
					over++
				}
			}
			seen[p] = over
			return list
		}})
		over, ok := seen[r.Performance]
		if !ok || c.holds != (over == 0) || (over == 0) != (len(r.Left) == 0) {
			t.Errorf("%s: certified %v, over in %d tenths, %d are left", c.limit, ok, over, len(r.Left))
		}
		if len(seen) > rounds {
			t.Errorf("%s: the drive model was asked %d times", c.limit, len(seen))
		}
	}
}
