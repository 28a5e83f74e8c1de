package mend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"limberjack/interp"
)

// passages are three moves with rests of 3 s between them. pan is too fast for its
// acceleration in the first, tilt has more jerk than its limit in the third.
const passages = `length: 18s
tracks:
  pan:
    - [1s, 0deg]
    - [2s, 80deg, min-jerk]
    - [7s, 80deg, hold]
    - [8.4s, 10deg, in-out]
  tilt:
    - [13s, 0deg]
    - [13.4s, 40deg, min-jerk]
`

// passageEnds are moments at which nothing moves, in s of script time.
var passageEnds = []float64{0, 4.5, 10.5, 18}

// passageTimes gives how long the passages take when tilt, and pan if both, have a
// limit of jerk in deg/s3; 0 is none.
func passageTimes(t *testing.T, jerk float64, both bool) (took [3]float64, r *Retiming) {
	t.Helper()
	limit := map[bool]string{}
	if jerk > 0 {
		limit[true] = fmt.Sprintf(", jerk: %gdeg/s3", jerk)
	}
	const axis = "  %s: {kind: servo, board: main, channel: %d, travel: [-200deg, 200deg], pulse: [[-200deg, 500us], [200deg, 2500us]], limits: {speed: 400deg/s, acceleration: %s}}\n"
	rig := board + "axes:\n" + fmt.Sprintf(axis, "pan", 0, "400deg/s2"+limit[both]) + fmt.Sprintf(axis, "tilt", 1, "4000deg/s2"+limit[true])
	r = retime(t, load(t, rig, passages), Options{})
	for k := range took {
		took[k] = r.Performance.PerformanceTime(passageEnds[k+1]) - r.Performance.PerformanceTime(passageEnds[k])
	}
	if len(r.Left) > 0 {
		t.Errorf("with a jerk of %g, %+v is left", jerk, r.Left)
	}
	within(t, r.Performance, 1, 400, 4000, jerk)
	return took, r
}

// Jerk is paid where it binds. tilt goes 40 deg in 0.4 s: by the least-jerk move (Flash
// and Hogan 1985) its jerk is 60 x 40/0.4^3 = 37,500 deg/s3. The lower the limit, the
// longer that passage lasts, and what the others take does not depend on it. A passage
// that goes as written pays nothing. One that is slowed down for another limit pays for
// the least window that a smoothed rate has, two frames of 20 ms, whether the axis that
// moves there has a limit of jerk or not.
func TestJerkIsPaidWhereItBinds(t *testing.T) {
	free, _ := passageTimes(t, 0, false)
	before := free
	for i, jerk := range []float64{30000, 20000, 10000, 5000, 2500} {
		took, r := passageTimes(t, jerk, false)
		t.Logf("jerk %g: the passages take %.4f s, without a limit %.4f s; the cost is said to be %.4f s", jerk, took, free, r.JerkCost)
		if took[2] < before[2]+0.01 {
			t.Errorf("jerk %g: the third passage takes %.4f s, with a higher limit %.4f s", jerk, took[2], before[2])
		}
		if math.Abs(took[1]-free[1]) > 1e-3 {
			t.Errorf("jerk %g: the second passage takes %.4f s, and %.4f s without", jerk, took[1], free[1])
		}
		if took[0]-free[0] > 0.04 || i > 0 && math.Abs(took[0]-before[0]) > 3e-3 {
			t.Errorf("jerk %g: the first passage takes %.4f s, %.4f s with a higher limit and %.4f s without", jerk, took[0], before[0], free[0])
		}
		if sum := took[0] + took[1] + took[2] - free[0] - free[1] - free[2]; math.Abs(sum-r.JerkCost) > 1e-3 {
			t.Errorf("jerk %g: it takes %.4f s more, and %.4f s are said to be its cost", jerk, sum, r.JerkCost)
		}
		before = took
	}
	// pan's own jerk is 60 x 80/1^3 = 4800 deg/s3 there: a limit of 20,000 changes nothing.
	one, _ := passageTimes(t, 20000, false)
	both, _ := passageTimes(t, 20000, true)
	for k := range one {
		if math.Abs(one[k]-both[k]) > 1e-3 {
			t.Errorf("passage %d takes %.4f s, and %.4f s where both axes have a limit of jerk", k+1, one[k], both[k])
		}
	}
}

// A limit of jerk that all of a motion keeps costs nothing at all, and leaves the pace
// as it is without.
func TestJerkThatDoesNotBindCostsNothing(t *testing.T) {
	free := retime(t, load(t, pan("speed: 100deg/s, acceleration: 400deg/s2"), busy), Options{})
	kept := retime(t, load(t, pan("speed: 100deg/s, acceleration: 400deg/s2, jerk: 10000000deg/s3"), busy), Options{})
	if kept.JerkCost != 0 || len(kept.Knots) != len(free.Knots) {
		t.Errorf("it costs %v s, and the pace has %d knots, not %d", kept.JerkCost, len(kept.Knots), len(free.Knots))
	}
	for i := range free.Knots {
		if kept.Knots[i] != free.Knots[i] {
			t.Errorf("knot %d is %+v, without the limit it is %+v", i, kept.Knots[i], free.Knots[i])
		}
	}
}

// A glance never certifies: it looks at five moments of a piece, and finds nothing in
// some plans that are beyond a limit between them. Only an exact measure of the whole
// lets a plan pass. The test tightens smoothed plans until they hold and goes back
// halfway, again and again, so that many are next to their limits, and measures each.
func TestAGlanceNeverCertifies(t *testing.T) {
	var c glanceCount
	for seed := range uint64(6) {
		rig, body := randomMotion(rand.New(rand.NewPCG(seed, 9)), true, false)
		p := load(t, rig, body)
		r := newRetimer(p, Options{CatchUp: DefaultCatchUp, Tolerance: DefaultTolerance})
		r.prepare()
		holds := tight{speed: 1, acceleration: 1, smooth: r.leastSmoothing()}
		fails := holds
		for range 14 {
			a, good := c.judge(t, r, holds)
			if good {
				break
			}
			fails, holds = holds, r.tighter(holds, a)
		}
		for range 5 {
			middle := fails.towards(holds, 0.5)
			if _, good := c.judge(t, r, middle); good {
				holds = middle
			} else {
				fails = middle
			}
		}
	}
	t.Logf("%+v", c)
	if c.Glanced == 0 || c.Fooled == 0 || c.Passed == 0 {
		t.Error("the plans do not show the difference: this test tells nothing")
	}
}

// glanceCount counts plans: those that failed at a glance, those in which a glance saw
// nothing and an exact measure did, and those that passed.
type glanceCount struct{ Plans, Glanced, Fooled, Passed int }

// judge makes a plan and holds the verdict on it against an exact measure.
func (c *glanceCount) judge(t *testing.T, r *retimer, set tight) (a attempt, good bool) {
	t.Helper()
	a, err := r.attempt(set)
	if err != nil {
		t.Fatal(err)
	}
	over, _ := r.examine(a.perf)
	_, seen := r.examineAxes(a.perf, true)
	good = r.enough(a)
	if c.Plans++; good {
		c.Passed++
	}
	if a.glance {
		c.Glanced++
	}
	if len(seen) == 0 && beyond(over) {
		c.Fooled++
	}
	if good == beyond(over) {
		t.Errorf("a plan passes: %v, and beyond its limits are %+v", good, over)
	}
	return a, good
}

// beyond reports whether anything is exceeded that a pace mends.
func beyond(list []Excess) bool {
	for _, e := range list {
		if !e.Steep {
			return true
		}
	}
	return false
}

// What Retime gives under limits of jerk holds as a whole when it is compiled anew from
// the knots, by a dense look and by the check; with its first and last plan, in either
// mode.
func TestSmoothedPacesHoldAsAWhole(t *testing.T) {
	for seed := range uint64(4) {
		rig, body := randomMotion(rand.New(rand.NewPCG(seed, 9)), true, false)
		p := load(t, rig, body)
		for _, fastest := range []bool{false, true} {
			r := retime(t, p, Options{Fastest: fastest})
			name := fmt.Sprintf("seed %d (fastest %v)", seed, fastest)
			s := *p.Script
			s.Pace = r.Knots
			fresh, err := interp.Compile(&s)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if len(r.Left) > 0 {
				t.Errorf("%s: %+v is left", name, r.Left[0])
			}
			for k, a := range fresh.Axes {
				l := a.Spec.HornLimits()
				within(t, fresh, k, l.Speed.V, l.Acceleration.V, l.Jerk.V)
			}
			passes(t, name, fresh)
		}
	}
}
