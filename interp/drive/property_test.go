package drive

import (
	"fmt"
	"math"
	"math/rand"
	"strings"
	"sync"
	"testing"

	"limberjack/interp"
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

// most gives the greatest current that an axis can ever draw: a motor that is
// reversed at full speed adds its back-EMF to the supply's voltage, and a load
// that pulls it along adds more.
func most(a *sequence.Axis) float64 {
	switch a.Kind {
	case sequence.Servo, sequence.ContinuousServo:
		return 2.5 * a.Figures().StallCurrent.V
	case sequence.Motor:
		return 2.5 * a.Motor.StallCurrent.V * a.Supply.Voltage.V / a.Motor.Voltage.V
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
	near(t, "the height of the tide", high, s.Peak, 1e-12)
	near(t, "the sum of the blame", sum, s.Peak, 1e-6)
}

// speeds plays a performance and gives the greatest speed of its first axis, and
// the least and greatest share of that in the free speed at the rail's voltage.
func speeds(t *testing.T, p *interp.Performance) (most, share float64) {
	t.Helper()
	r := railsOf(p, newTrace(p))[0]
	d := r.motors[0]
	for r.at < r.length-instant {
		r.tick(r.length - r.at)
		v := math.Abs(d.shaft.speed)
		most = math.Max(most, v)
		share = math.Max(share, v/(d.noLoad*r.volt/r.source))
	}
	return most, share
}

// A motor without a load that pulls it along never turns faster than its free
// speed at the voltage that is there; on a step whose voltage falls it may still
// have the speed of the step before.
func TestNeverBeyondTheFreeSpeed(t *testing.T) {
	r := chance{rand.New(rand.NewSource(53))}
	for range 40 {
		load := fmt.Sprintf(", load: {inertia: %dg.cm2}", 1+r.Intn(20000))
		p := compile(t, servoAxis("a0", 0, load), r.motion(1, "in-out", "hold", "linear", "back-out"))
		most, share := speeds(t, p)
		if free := p.Axes[0].Spec.Figures().Speed.V; most > free || share > 1+1e-9 {
			t.Errorf("it turns at %g deg/s of %g, %g of the rail's\n%s", most, free, share, load)
		}
	}
}

// The heavier the part and the greater the torque against it, the later a jump
// gets to its middle.
func TestMoreLoadIsNeverFaster(t *testing.T) {
	for _, load := range []func(k int) string{
		func(k int) string { return fmt.Sprintf("inertia: %dg.cm2", 400*k) },
		func(k int) string { return fmt.Sprintf("torque: %gN.m", 0.004*float64(k)) },
	} {
		last := 0.0
		for _, k := range []int{0, 1, 5, 10, 20, 40, 80} {
			p := compile(t, servoAxis("a0", 0, ", load: {"+load(k)+"}"), "length: 4s\ntracks: {a0: [[0s, -60], [0.5s, 60, hold]]}\n")
			half := 0.0
			err := Simulate(p, 0.001, func(at float64, axes []Sample, _ []Rail) error {
				if half == 0 && axes[0].Predicted > 0 {
					half = at
				}
				return nil
			})
			if err != nil || half < last || half == 0 {
				t.Errorf("with %s the middle is reached at %g s, with less at %g s (%v)", load(k), half, last, err)
			}
			last = half
		}
	}
}

// On a supply that does not sag nothing that others do reaches an axis.
func TestAnIdealSupplyIsolates(t *testing.T) {
	r := chance{rand.New(rand.NewSource(59))}
	for range 10 {
		motion := r.motion(4, "in-out", "hold", "linear")
		axes := func(n int) string {
			var b strings.Builder
			for i := range n {
				b.WriteString(strings.Replace(servoAxis(fmt.Sprintf("a%d", i), i, ", load: {mass: 300g, arm: 50mm, gravity_at: 20deg}"), "rail", "ideal", 1))
			}
			return b.String()
		}
		alone := motion[:strings.Index(motion, "  a1:")]
		a, b := Run(compile(t, axes(1), alone)).Axes[0], Run(compile(t, axes(4), motion)).Axes[0]
		near(t, "the mean beside others", b.Mean, a.Mean, 1e-12)
		near(t, "the greatest error beside others", b.PeakError, a.PeakError, 1e-9)
		near(t, "the stall heat beside others", b.WindowRMS, a.WindowRMS, 1e-9)
	}
}

// A finer dead band ends nearer to the command: the worst rest of many moves.
func TestAFinerDeadBandRestsNearer(t *testing.T) {
	last := math.Inf(1)
	for _, band := range []string{"16us", "8us", "4us", "2us"} {
		axis := strings.Replace(servoAxis("a0", 0, ""), "dead_band: 5us", "dead_band: "+band, 1)
		motion := "length: 42s\ntracks:\n  a0:\n    - [0s, 0]\n"
		for k := range 40 {
			motion += fmt.Sprintf("    - [%ds, %d, hold]\n", k+1, (k*37)%121-60)
		}
		worst := 0.0
		err := Simulate(compile(t, axis, motion), 1, func(at float64, axes []Sample, _ []Rail) error {
			if at > 1.5 && at < 41 { // the command of the second before
				worst = math.Max(worst, math.Abs(axes[0].Predicted-float64((int(at-1.5)*37)%121-60)))
			}
			return nil
		})
		if err != nil || worst > last {
			t.Errorf("with a dead band of %s it rests %g deg off at worst, with twice of it %g deg (%v)", band, worst, last, err)
		}
		last = worst
	}
}

// Two runs of one performance give the same to the last bit, and so do Run and
// Simulate, whatever the times at which it is read.
func TestDeterminism(t *testing.T) {
	r := chance{rand.New(rand.NewSource(61))}
	p := compile(t, r.axes(6), r.motion(6, "in-out", "hold", "elastic-out"))
	a, b := Run(p), Run(p)
	if fmt.Sprintf("%+v", a.Supplies[0].Blame) != fmt.Sprintf("%+v", b.Supplies[0].Blame) || a.Supplies[0].Energy != b.Supplies[0].Energy {
		t.Error("two runs differ")
	}
	c, parts := Parts(p)
	var wait sync.WaitGroup
	for _, part := range parts {
		wait.Go(part)
	}
	wait.Wait()
	if c.Supplies[0].Energy != a.Supplies[0].Energy || c.Axes[5].RMS != a.Axes[5].RMS {
		t.Error("parts at the same time differ from one after another")
	}
	paths := map[float64][]float64{}
	for _, every := range []float64{0.02, 0.00125, 0.0033} {
		err := Simulate(p, every, func(at float64, axes []Sample, supplies []Rail) error {
			if k := math.Round(at / 0.66); math.Abs(at-k*0.66) < 1e-9 {
				paths[every] = append(paths[every], axes[0].Predicted, supplies[0].Voltage)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	for i := 0; i < len(paths[0.02]); i += 2 {
		near(t, "the path read at another rate", paths[0.0033][i], paths[0.02][i], 1e-9)
	}
}

// Mirroring a motion about the axis's rest mirrors torque and speed, and nothing
// that a supply sees but for ties in rounding to the board's tick.
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
		near(t, "the mirrored peak", b.Peak, a.Peak, 0.01*a.Peak)
		near(t, "the mirrored energy", b.Energy, a.Energy, 0.01*a.Energy)
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

// BenchmarkRun plays 32 servo axes of 60 keys a minute for ten minutes at 50 Hz
// in steps of 0.5 ms: 38.4 million steps of one axis. moving: every axis all the time. resting: every
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
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(32*600*2000), "ns/axis-step")
		})
	}
}
