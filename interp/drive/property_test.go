package drive

import (
	"fmt"
	"math"
	"math/rand"
	"strings"
	"testing"

	"limberjack/sequence"
)

// chance makes rigs and motions. Times are in 40 ms frames so that a motion that
// is played at half speed is looked at in the same places.
type chance struct{ *rand.Rand }

func (r chance) pick(list ...string) string { return list[r.Intn(len(list))] }

func (r chance) axes(n int) string {
	var b strings.Builder
	for i := range n {
		switch r.Intn(6) {
		case 0, 1:
			b.WriteString(servoAxis(fmt.Sprintf("a%d", i), i, r.pick("", ", load: {inertia: 900g.cm2, torque: 0.1N.m}",
				", load: {mass: 300g, arm: 50mm, gravity_at: 20deg}", ", load: {torque: 0.5N.m}",
				", load: {inertia: 500g.cm2}, linkage: {table: [[-120deg, -91deg], [0deg, 10deg], [120deg, 95deg]]}")))
		case 2:
			fmt.Fprintf(&b, "  a%d: {kind: motor, board: %s, channel: %d, supply: rail, motor: {at: 9V, speed: 100rpm, stall_torque: 0.3N.m, stall_current: 1.5A}, load: {torque: %gN.m}}\n",
				i, r.pick("main", "quick"), i, 0.3*r.Float64())
		case 3:
			fmt.Fprintf(&b, "  a%d: {kind: continuous-servo, board: main, channel: %d, supply: rail}\n", i, i)
		case 4:
			fmt.Fprintf(&b, "  a%d: {kind: dimmer, board: main, channel: %d, supply: rail, current: 700mA, gamma: 2.2}\n", i, i)
		case 5:
			fmt.Fprintf(&b, "  a%d: {kind: stepper, board: main, channel: %d, supply: rail, steps: 200, current: 300mA}\n", i, i)
		}
	}
	return b.String()
}

func (r chance) motion(n int, eases ...string) string {
	b := "length: 12s\ntracks:\n"
	for i := range n {
		b += fmt.Sprintf("  a%d:\n", i)
		t := 0
		for range 2 + r.Intn(8) {
			b += fmt.Sprintf("    - [%gs, %d, %q]\n", 0.04*float64(t), r.Intn(91), r.pick(eases...))
			t += 1 + r.Intn(30)
		}
	}
	return b
}

// most gives the greatest current that an axis can ever draw.
func most(a *sequence.Axis) float64 {
	switch a.Kind {
	case sequence.Servo, sequence.ContinuousServo:
		return a.Figures().StallCurrent.V
	case sequence.Motor:
		return motorLine(a).stall
	case sequence.Stepper:
		return 2 * a.Current.V
	}
	return a.Current.V
}

func TestCurrentsStayWithinBounds(t *testing.T) {
	r := chance{rand.New(rand.NewSource(41))}
	eases := []string{"in-out", "linear", "hold", "back-out", "elastic-in", "circ-in-out", "steps(5)", "min-jerk", "pchip", "expo-in"}
	for range 60 {
		p := compile(t, r.axes(6), r.motion(6, eases...))
		tr := Run(p)
		bound, drawn := 0.0, 0.0
		for i := range tr.Axes {
			a := &tr.Axes[i]
			limit := most(a.Axis) * (1 + 1e-12)
			if !(a.Mean >= 0 && a.Mean <= a.RMS*(1+1e-12) && a.RMS <= a.Peak*(1+1e-12) && a.Peak <= limit) {
				t.Errorf("%s: mean %g, RMS %g, peak %g, at most %g A", a.Axis.Name, a.Mean, a.RMS, a.Peak, limit)
			}
			bound += most(a.Axis)
			drawn += a.Mean
		}
		checkSupply(t, &tr.Supplies[0], bound)
		near(t, "the sum of the axes' means", tr.Supplies[0].Mean, drawn, 1e-9)
	}
}

func checkSupply(t *testing.T, s *SupplyTrace, bound float64) {
	t.Helper()
	if !(s.Mean >= 0 && s.Mean <= s.RMS*(1+1e-12) && s.RMS <= s.Peak*(1+1e-12) && s.Peak <= bound*(1+1e-12)) {
		t.Errorf("mean %g, RMS %g, peak %g, at most %g A", s.Mean, s.RMS, s.Peak, bound)
	}
	high, sum := 0.0, 0.0
	for _, v := range s.Tide {
		high = math.Max(high, v)
	}
	for i, d := range s.Blame {
		sum += d.Current
		if i > 0 && d.Current > s.Blame[i-1].Current {
			t.Errorf("%s with %g A comes after %g A", d.Axis.Name, d.Current, s.Blame[i-1].Current)
		}
	}
	near(t, "the height of the tide", high, s.Peak, 0)
	near(t, "the sum of the blame", sum, s.Peak, 1e-9)
}

// The same way at half the speed has half the corners and a quarter of the
// acceleration: no peak rises. Loads are constant and eases speed up as they slow
// down, so that neither pose nor direction can make up for it.
func TestSlowerNeverRaisesThePeak(t *testing.T) {
	r := chance{rand.New(rand.NewSource(43))}
	lower := 0
	for range 60 {
		load := fmt.Sprintf(", load: {inertia: %dg.cm2, torque: %gN.m}", 1+r.Intn(20000), 0.3*r.Float64())
		motion := r.motion(1, "in-out", "sine-in-out", "min-jerk", "cubic-in-out", "linear", "s-curve")
		peak := func(pace string) float64 { return Run(compile(t, servoAxis("a0", 0, load), motion+pace)).Axes[0].Peak }
		fast, slow := peak(""), peak("pace: [[0, 0, 0.5], [24, 12, 0.5]]\n")
		if slow > fast+1e-9 {
			t.Errorf("at half the speed the peak is %g A, at full speed %g A\n%s%s", slow, fast, load, motion)
		}
		if slow < fast-1e-3 {
			lower++
		}
	}
	if lower < 20 {
		t.Errorf("only %d of 60 peaks fell at all: the motions are too slow to tell", lower)
	}
}

// Mirroring a motion about the axis's rest mirrors torque and speed, and nothing
// that a supply sees.
func TestMirroredMotionDrawsTheSame(t *testing.T) {
	r := chance{rand.New(rand.NewSource(47))}
	for range 20 {
		motion := r.motion(1, "in-out", "linear", "hold", "back-out")
		var mirrored strings.Builder
		for line := range strings.Lines(motion) {
			mirrored.WriteString(strings.Replace(line, "s, ", "s, -", 1))
		}
		axes := servoAxis("a0", 0, ", load: {inertia: 9000g.cm2}")
		a, b := Run(compile(t, axes, motion)).Supplies[0], Run(compile(t, axes, mirrored.String())).Supplies[0]
		near(t, "the mirrored peak", b.Peak, a.Peak, 1e-12)
		near(t, "the mirrored energy", b.Energy, a.Energy, 1e-12)
	}
}

// The work of Run allocates by axes and supplies, not by frames.
func TestMemoryDoesNotGrowWithLength(t *testing.T) {
	axes := servoAxis("a0", 0, ", load: {mass: 300g, arm: 50mm, gravity_at: 20deg}") + fmt.Sprintf(strings.Replace(winch, "channel: 0", "channel: 1", 1), "")
	count := func(length string) float64 {
		p := compile(t, axes, "tracks: {a0: [[0s, 0], ["+length+", 50, linear]], winch: [[0s, 0], ["+length+", 50, linear]]}\n")
		return testing.AllocsPerRun(1, func() { Run(p) })
	}
	if short, long := count("60s"), count("30min"); long > short {
		t.Errorf("%g allocations for 30 min, %g for a minute", long, short)
	}
}

// BenchmarkRun plays 32 servo axes of 60 keys a minute for ten minutes at 50 Hz:
// 960,000 frames of one axis. moving: every axis all the time. resting: every
// axis moves a quarter of the time.
func BenchmarkRun(b *testing.B) {
	for _, c := range []struct {
		name    string
		share   float64
		linkage string
	}{{"moving", 1, ""}, {"resting", 0.25, ""}, {"linkage", 1, ", linkage: {base: 60mm, horn: 18mm, rod: 60mm, arm: 18mm, zero: 90deg, branch: open}"}} {
		b.Run(c.name, func(b *testing.B) {
			var axes, motion strings.Builder
			motion.WriteString("tracks:\n")
			for i := range 32 {
				axes.WriteString(servoAxis(fmt.Sprintf("a%d", i), i, ", load: {mass: 100g, arm: 40mm, gravity_at: 0deg}"+c.linkage))
				fmt.Fprintf(&motion, "  a%d:\n    - [0s, 0]\n", i)
				for k := range 600 {
					to := 30 - 60*(k%2)
					fmt.Fprintf(&motion, "    - [%gs, %d, hold]\n    - [%gs, %d]\n", float64(k)+1-c.share+0.001, -to, float64(k)+1, to)
				}
			}
			p := compile(b, axes.String(), motion.String())
			b.ReportAllocs()
			for b.Loop() {
				Run(p)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(32*600*50), "ns/axis-frame")
		})
	}
}
