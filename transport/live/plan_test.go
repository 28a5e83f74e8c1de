package live

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// TestMinJerk holds the polynomial against its definition: it minimises jerk, so its
// sixth derivative is 0 and its ends are at rest; its greatest speed is 15/8 at half
// time, its greatest acceleration 10/sqrt 3 (Flash and Hogan 1985).
func TestMinJerk(t *testing.T) {
	const h = 1e-4
	speed, rise := 0.0, 0.0
	for u := h; u < 1-h; u += h {
		speed = math.Max(speed, (minJerk(u+h)-minJerk(u-h))/(2*h))
		rise = math.Max(rise, math.Abs(minJerk(u+h)-2*minJerk(u)+minJerk(u-h))/(h*h))
	}
	if math.Abs(speed-minJerkSpeed) > 1e-4 || math.Abs(rise-minJerkRise) > 1e-3 {
		t.Errorf("greatest speed %v and acceleration %v, not %v and %v", speed, rise, minJerkSpeed, minJerkRise)
	}
	if minJerk(0) != 0 || minJerk(1) != 1 || minJerk(0.5) != 0.5 {
		t.Error("it does not go from 0 over 1/2 to 1")
	}
}

func TestApproachKeepsItsLimits(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 300 {
		rate := []float64{24, 50, 100, 333}[r.IntN(4)]
		b := bounds{unit: wire.UnitTicks, low: 1, high: 8000, softSpeed: 50 + 1000*r.Float64(), softRise: 200 + 5000*r.Float64()}
		from, to := 1000+r.Int64N(4000), 1000+r.Int64N(4000)
		a := newApproach([]bounds{b}, []int64{from}, []int64{to}, rate)
		most := int64(max(1, math.Floor(b.softSpeed/rate)))
		if b.softSpeed/rate < 1 {
			most = 1
		}
		last, at := from, []int64{0}
		for j := range a.frames + 1 {
			a.fill(j, at)
			if d := abs(at[0] - last); d > most {
				t.Fatalf("%d to %d at %v Hz: a step of %d ticks, %v a second are allowed", from, to, rate, d, b.softSpeed)
			}
			last = at[0]
		}
		if last != to {
			t.Fatalf("it arrives at %d, not at %d", last, to)
		}
	}
}

func TestApproachLeavesWhatCannotBeDivided(t *testing.T) {
	bs := []bounds{{unit: wire.UnitState, softSpeed: 1, softRise: 1}, {unit: wire.UnitTicks, softSpeed: 100, softRise: 1000}, {unit: wire.UnitSteps, softSpeed: 1000, softRise: 10000}}
	a := newApproach(bs, []int64{0, 3000, -70000}, []int64{1, 0, 70000}, 50)
	at := make([]int64, 3)
	for j := range a.frames {
		if a.fill(j, at); at[0] != 0 || at[1] != 3000 {
			t.Fatalf("frame %d is %v", j, at)
		}
	}
	if a.fill(a.frames, at); at[0] != 1 || at[1] != 3000 || at[2] != 70000 {
		t.Errorf("it arrives at %v", at)
	}
}

// TestBoundsOfAServo works the limits of the arm out by hand: 10 us a degree and 0.5 us
// a tick are 20 ticks a degree, so 120 deg/s are 48 ticks a frame of 20 ms, and 1200
// deg/s2 are 9.6 ticks a frame a frame.
func TestBoundsOfAServo(t *testing.T) {
	_, tl := keeper(t)
	rs, _ := survey(tl)
	b := newBounds(&tl.Channels[0], rs[0], timeline.SoftDegrees)
	m := b.message(&tl.Channels[0])
	if m.Low != 1800 || m.High != 4200 || m.Rest != 2000 {
		t.Errorf("it goes from %d to %d, at rest %d", m.Low, m.High, m.Rest)
	}
	if m.Change < 48 || m.Change > 55 || m.Slow != 10 {
		t.Errorf("change %d and slow %d", m.Change, m.Slow)
	}
	if m.Flags&wire.FlagsWeight == 0 || m.Lost != wire.PolicyHold || m.Unit != wire.UnitTicks {
		t.Errorf("the message is %+v", m)
	}
	if math.Abs(b.softSpeed-30*20*closest) > 1e-9 {
		t.Errorf("the soft start does %v ticks a second", b.softSpeed)
	}
	jaw := newBounds(&tl.Channels[1], rs[1], timeline.SoftDegrees)
	if lid := newBounds(&tl.Channels[2], rs[2], timeline.SoftDegrees); jaw.message(&tl.Channels[1]).Lost != wire.PolicyRest || lid.message(&tl.Channels[2]).Lost != wire.PolicyRelease {
		t.Error("the policies are wrong")
	}
}

// TestWheelsAreMarked: what turns on with a constant value is brought to standstill by
// its board.
func TestWheelsAreMarked(t *testing.T) {
	_, tls := load(t, `rig: Wheel
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 2}
axes:
  wheel: {kind: continuous-servo, board: main, channel: 0}
`, `motion: Turns
format: 1
rig: rig.yaml
length: 1s
tracks:
  wheel: [[0s, 0%], [0.5s, 50%], [1s, 0%]]
`)
	rs, _ := survey(tls[0])
	b := newBounds(&tls[0].Channels[0], rs[0], timeline.SoftDegrees)
	if m := b.message(&tls[0].Channels[0]); m.Flags != wire.FlagsTurns || m.Rest != 3000 {
		t.Errorf("the message is %+v", m)
	}
}

// TestNothingLegalIsClamped: no channel's limit of change is below what its motion
// does.
func TestNothingLegalIsClamped(t *testing.T) {
	_, tl := keeper(t)
	rs, _ := survey(tl)
	for i := range tl.Channels {
		if b := newBounds(&tl.Channels[i], rs[i], timeline.SoftDegrees); int64(b.change) < rs[i].change {
			t.Errorf("%s changes by %d in a frame, %d are allowed", tl.Channels[i].Axis.Name, rs[i].change, b.change)
		}
	}
}

// rows gives all frames of a part.
func (p *part) rows() (rows [][]int64) {
	c := p.cursor()
	for j := range p.frames {
		row := make([]int64, len(p.bounds))
		c.fill(j, row)
		rows = append(rows, row)
	}
	return rows
}

func keeperBounds(t testing.TB) (*timeline.Timeline, []bounds) {
	_, tl := keeper(t)
	rs, _ := survey(tl)
	var bs []bounds
	for i := range tl.Channels {
		bs = append(bs, newBounds(&tl.Channels[i], rs[i], timeline.SoftDegrees))
	}
	return tl, bs
}

func TestPartsOfATimeline(t *testing.T) {
	tl, bs := keeperBounds(t)
	whole := newPart(tl, bs, 0, 0, 1, false)
	all := whole.rows()
	if int64(len(all)) != tl.Frames {
		t.Fatalf("%d frames, the timeline has %d", len(all), tl.Frames)
	}
	some := newPart(tl, bs, 0.4, 1.0, 1, false)
	rows := some.rows()
	if fmt.Sprint(rows) != fmt.Sprint(all[20:51]) {
		t.Errorf("0.4 s to 1 s is not frames 20 to 50: %v", rows)
	}
	first, last := some.ends(0)
	if fmt.Sprint(first, last) != fmt.Sprint(all[20], all[50]) {
		t.Errorf("the ends are %v and %v", first, last)
	}
	// The beacon turns by 60 deg, which are 533 1/3 microsteps: positions, not differences.
	if end := all[len(all)-1][3]; end != 533 {
		t.Errorf("the stepper ends at %d", end)
	}
}

func TestSlowPartsLieBetween(t *testing.T) {
	tl, bs := keeperBounds(t)
	whole, slow := newPart(tl, bs, 0, 0, 1, false), newPart(tl, bs, 0, 0, 0.25, false)
	all, rows := whole.rows(), slow.rows()
	if want := 4*(tl.Frames-1) + 1; int64(len(rows)) != want {
		t.Fatalf("%d frames at a quarter of the speed, not %d", len(rows), want)
	}
	for j, row := range rows {
		a, b := all[j/4], all[min(j/4+1, len(all)-1)]
		for i, v := range row {
			if v < min(a[i], b[i]) || v > max(a[i], b[i]) || j%4 == 0 && v != a[i] {
				t.Fatalf("frame %d, channel %d: %d is not between %d and %d", j, i, v, a[i], b[i])
			}
		}
	}
}

func TestSeamlessRounds(t *testing.T) {
	_, tls := load(t, strings.Split(keeperRig, "  jaw:")[0], `motion: Round
format: 1
rig: rig.yaml
length: 1s
loop: true
tracks:
  arm: [[0s, 40deg], [0.5s, 50deg, min-jerk], [1s, 40deg, min-jerk]]
`)
	tl := tls[0]
	rs, _ := survey(tl)
	bs := []bounds{newBounds(&tl.Channels[0], rs[0], timeline.SoftDegrees)}
	for _, speed := range []float64{1, 0.5, 0.3, 0.07} {
		p := newPart(tl, bs, 0, 0, speed, true)
		if !p.seamless || p.frames != int64(math.Round(50/speed)) {
			t.Errorf("at %v a round has %d frames", speed, p.frames)
		}
		rows := p.rows()
		if d := abs(rows[0][0] - rows[len(rows)-1][0]); d > int64(bs[0].change) {
			t.Errorf("at %v the seam jumps by %d", speed, d)
		}
	}
}

func TestStreamTimes(t *testing.T) {
	count := func(j int64, dst []int64) { dst[0] = j }
	s := &stream{period: 20e6, list: []segment{{start: time.Second, frames: 2, fill: count}, {start: 2 * time.Second, frames: 1, fill: count}}}
	var got []string
	v := []int64{0}
	for at, ok := s.peek(); ok; at, ok = s.peek() {
		s.pop(v)
		got = append(got, fmt.Sprint(at, v[0]))
		if len(got) == 2 {
			s.shift += time.Second
		}
	}
	if fmt.Sprint(got) != "[1s 0 1.02s 1 3s 0]" {
		t.Errorf("the stream gives %v", got)
	}
}

func TestLookahead(t *testing.T) {
	for _, c := range []struct {
		trip, frame time.Duration
		depth       int
		least, most time.Duration
	}{
		{2 * time.Millisecond, 20 * time.Millisecond, 64, 250 * time.Millisecond, 400 * time.Millisecond},
		{50 * time.Millisecond, 20 * time.Millisecond, 64, 400 * time.Millisecond, 600 * time.Millisecond},
		{2 * time.Millisecond, 20 * time.Millisecond, 8, 140 * time.Millisecond, 140 * time.Millisecond}, // what the queue holds
		{time.Second, 20 * time.Millisecond, 1000, aheadMost, aheadMost},
	} {
		if got := Lookahead(c.trip, c.frame, c.depth); got < c.least || got > c.most {
			t.Errorf("round trip %v, frame %v, queue of %d: %v", c.trip, c.frame, c.depth, got)
		}
	}
}

// TestPacing: 10 bits a byte; no more than 8 ms of bytes ever wait.
func TestPacing(t *testing.T) {
	p := newPacer(115200)
	if rate := float64(time.Second) / float64(p.byteTime); math.Abs(rate-11520) > 2 {
		t.Errorf("%v bytes a second at 115200 baud", rate)
	}
	now, sent := time.Duration(0), 0
	for range 1000 {
		n := p.portion()
		now += p.wait(now, n)
		p.wrote(now, n)
		sent += n
		if waits := p.free - now; waits > backlog+time.Microsecond {
			t.Fatalf("%v of bytes wait", waits)
		}
	}
	if rate := float64(sent) / now.Seconds(); rate < 11400 || rate > 11700 {
		t.Errorf("the line carries %v bytes a second", rate)
	}
	// After a pause the line is free at once, and no time is made up for.
	now += time.Second
	if w := p.wait(now, p.portion()); w != 0 {
		t.Errorf("a free line is waited for %v", w)
	}
}
