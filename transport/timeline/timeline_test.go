package timeline

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"limberjack/interp/linkage"
	"limberjack/sequence"
)

func TestFrameCount(t *testing.T) {
	for _, c := range []struct {
		length, rate float64
		loop         bool
		want         int64
	}{
		{0, 50, false, 1},
		{1, 50, false, 51},
		{12, 50, false, 601},
		{5.12, 50, false, 257}, // 5.12 x 50 is 256.00000000000006 in floating point
		{0.07, 100, false, 8},  // 0.07 x 100 is 7.000000000000001
		{1.001, 50, false, 52},
		{10, 30000.0 / 1001, false, 301},
		{1001, 30000.0 / 1001, false, 30001},
		{12, 50, true, 600},
		{1.001, 50, true, 50},
		{0, 50, true, 1},
	} {
		if got := frameCount(c.length, c.rate, c.loop); got != c.want {
			t.Errorf("%v s at %v Hz, loop %v: %d frames, want %d", c.length, c.rate, c.loop, got, c.want)
		}
	}
}

// A stepper at 4.2 microsteps a frame for 9 hours: the remainder is carried, so
// that the sum of the deltas is the rounded position in every single frame.
func TestStepsNeverDrift(t *testing.T) {
	const perFrame, rate, length = 4.2, 24, 9 * 3600.0
	a := &sequence.Axis{Kind: sequence.Stepper, Unit: "deg", Steps: num(200), Microsteps: num(16)}
	speed := perFrame * rate * 360 / 3200 // deg/s
	tl := one(t, a, rate, 0.5, length, func(at float64) float64 { return 10 + at*speed })
	if want := int64(math.Round(10.0 / 360 * 3200)); tl.Channels[0].Start != want {
		t.Fatalf("start at %d microsteps, want %d", tl.Channels[0].Start, want)
	}
	position, counts := tl.Channels[0].Start, map[int]int{}
	r, v := tl.Reader(), make([]uint16, 1)
	k := int64(0)
	for ; r.Next(v); k++ {
		delta := StepDelta.Number(v[0])
		counts[delta]++
		position += int64(delta)
		// 10 deg are 88 + 8/9 microsteps, k frames 21k/5; in 45ths there is no rounding.
		whole := (4000 + 189*k + 22) / 45
		if position != whole {
			t.Fatalf("frame %d: position %d, want %d", k, position, whole)
		}
	}
	if k != length*rate+1 || counts[0] != 1 || len(counts) != 3 || counts[4] == 0 || counts[5] == 0 {
		t.Errorf("%d frames with deltas %v", k, counts)
	}
}

// In a loop the deltas of one round and the wrap lead back to the start.
func TestStepsWrap(t *testing.T) {
	tl := keeper(2, true).must(t)[0]
	sum := 0
	for _, row := range all(tl) {
		sum += row[2]
	}
	if c := tl.Channels[2]; c.Wrap == 0 || sum+int(c.Wrap) != 0 {
		t.Errorf("the deltas sum to %d, and the wrap is %d", sum, c.Wrap)
	}
}

func TestStagger(t *testing.T) {
	tls := keeper(1, false).must(t)
	main := tls[0]
	// 40000 ticks less the longest pulse, 2100 us, over 2 channels; the jaw's
	// longest is 2012 us.
	if main.Channels[0].Offset != 0 || main.Channels[1].Offset != (40000-4200)/2 {
		t.Errorf("offsets %d and %d", main.Channels[0].Offset, main.Channels[1].Offset)
	}
	if tls[1].Channels[0].Offset != 0 {
		t.Error("a board with pulses together has an offset")
	}
}

// Staggered pulses of 12 channels on a fast frame all end inside it.
func TestStaggerInside(t *testing.T) {
	b := &sequence.Board{Name: "main", Rate: num(333), Tick: num(1)}
	p := &plan{rig: &sequence.Rig{Boards: []*sequence.Board{b}}, length: 1}
	for i := range 12 {
		a := &sequence.Axis{Name: string(rune('a' + i)), Kind: sequence.Servo, Unit: "deg", Board: b, Channel: num(float64(11 - i)), Pulse: points(0, 500, 180, 2500)}
		p.rig.Axes = append(p.rig.Axes, a)
		p.sources = append(p.sources, curve(func(t float64) float64 { return 180 * t }).source(a))
	}
	tl := p.must(t)[0]
	for i, c := range tl.Channels {
		if c.Number != i || int(c.Offset) != 41*i { // (3003-2500)/12 = 41
			t.Errorf("channel %d is %d at %d", i, c.Number, c.Offset)
		}
	}
	for _, row := range all(tl) {
		for i, v := range row {
			if int(tl.Channels[i].Offset)+v > 3003 {
				t.Fatalf("channel %d ends at %d", i, int(tl.Channels[i].Offset)+v)
			}
		}
	}
}

func TestChannels(t *testing.T) {
	tls := keeper(1, false).must(t)
	if len(tls) != 2 || tls[0].Board.Name != "main" || tls[1].Board.Name != "shore" {
		t.Fatal("boards are not in the rig's order")
	}
	for i, want := range []Channel{
		{Number: 0, Unit: PulseTicks, Low: 1800, High: 4200, Rest: 3000},
		{Number: 1, Unit: PulseTicks, Offset: 17900, Low: 2468, High: 3024, Rest: 3024}, // 25 deg: 1222.2 + 12 us, falling
		{Number: 4, Unit: StepDelta, Low: math.MinInt32, High: math.MaxInt32},
		{Number: 5, Unit: Duty, Low: -32767, High: 32767},
		{Number: 6, Unit: Level, Low: 0, High: 65535},
	} {
		got := tls[0].Channels[i]
		got.Axis = nil
		if !reflect.DeepEqual(got, want) {
			t.Errorf("channel %d: %+v, want %+v", i, got, want)
		}
	}
}

// Through a linkage, travel and rest are at the part and pulses at the horn.
func TestLinkageEnds(t *testing.T) {
	a := &sequence.Axis{Kind: sequence.Servo, Unit: "deg", Travel: [2]sequence.Num{num(0), num(30)}, Rest: num(10),
		Pulse: points(-90, 500, 90, 2500), Linkage: doubling{}}
	tl := one(t, a, 50, 1, 0, func(float64) float64 { return 20 })
	c := tl.Channels[0]
	if c.Low != 1500 || c.High != 2167 || c.Rest != 1722 || all(tl)[0][0] != 1722 {
		t.Errorf("%+v", c)
	}
}

// doubling is a linkage of which the horn turns twice as far as the part.
type doubling struct{}

var _ linkage.Linkage = doubling{}

func (doubling) Part(h float64) (p, d1, d2, d3 float64, ok bool) { return h / 2, 0.5, 0, 0, true }
func (doubling) Horn(p float64) (h, d1, d2, d3 float64, ok bool) { return 2 * p, 2, 0, 0, true }
func (doubling) Range() (hornLo, hornHi, partLo, partHi float64) { return -90, 90, -45, 45 }

func TestLimitErrors(t *testing.T) {
	servo := func() *sequence.Axis {
		return &sequence.Axis{Name: "jaw", Kind: sequence.Servo, Unit: "deg", Pulse: points(0, 1000, 90, 2000)}
	}
	ramp := func(v float64) curve { return func(t float64) float64 { return v * t } }
	for _, c := range []struct {
		name       string
		axis       *sequence.Axis
		rate, tick float64
		curve      curve
		frame      int64
		value      float64
		limit      float64
		text       string
	}{
		{"pulse longer than the frame", servo(), 333, 1, ramp(90 * 3.0), 223, 3009, 3003, "longer than the 3003 ticks"},
		{"pulse beyond 16 bits", servo(), 1, 0.01, ramp(0), 0, 100000, 65535, "longer than the 65535 ticks"},
		{"pulse below nothing", servo(), 50, 1, ramp(-100), 45, 0, 1, "shorter than 1"},
		{"steps in a frame", &sequence.Axis{Name: "jaw", Kind: sequence.Stepper, Unit: "deg", Steps: num(200), Microsteps: num(256)}, 1, 1, ramp(-360), 1, -51200, -32767, "a frame holds -32767"},
		{"position", &sequence.Axis{Name: "jaw", Kind: sequence.Stepper, Unit: "deg", Steps: num(200), Microsteps: num(256)}, 50, 1, func(float64) float64 { return 1e9 }, 0, 142222222222, math.MaxInt32, "beyond the 2147483647"},
		{"duty", &sequence.Axis{Name: "jaw", Kind: sequence.Motor, Unit: "%"}, 50, 1, ramp(200), 26, 34078, 32767, "limit is 32767"},
		{"level", &sequence.Axis{Name: "jaw", Kind: sequence.Dimmer, Unit: "%"}, 50, 1, ramp(-1), 1, -13, 0, "limit is 0"},
		{"state", &sequence.Axis{Name: "jaw", Kind: sequence.Switch}, 50, 1, ramp(3), 25, 2, 1, "off"},
		{"no number", &sequence.Axis{Name: "jaw", Kind: sequence.Motor, Unit: "%"}, 50, 1, func(t float64) float64 { return math.Log(-t) }, 0, math.Inf(-1), -32767, "no finite value"},
	} {
		_, err := single(c.axis, c.rate, c.tick, 1, c.curve).build()
		var e *LimitError
		if !errors.As(err, &e) {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if e.Axis != c.axis || e.Frame != c.frame || e.Time != float64(c.frame)/c.rate || e.Limit != c.limit || e.Value != c.value {
			t.Errorf("%s: frame %d at %v s, value %v, limit %v", c.name, e.Frame, e.Time, e.Value, e.Limit)
		}
		if !strings.Contains(err.Error(), c.text) || !strings.Contains(err.Error(), "jaw") {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// All boards and channels report, each its first excess.
func TestLimitErrorsAll(t *testing.T) {
	p := keeper(1, false)
	for i := range p.sources {
		p.sources[i] = curve(func(t float64) float64 { return 1e7 * t }).source(p.sources[i].axis)
	}
	_, err := p.build()
	if err == nil || strings.Count(err.Error(), "\n") != 6 {
		t.Fatalf("want seven lines: %v", err)
	}
	if !strings.Contains(err.Error(), "fog-horn at 0.017 s (frame 1)") {
		t.Error(err)
	}
}

func TestBuildRefuses(t *testing.T) {
	for text, p := range map[string]*plan{
		"calibration": single(&sequence.Axis{Kind: sequence.Servo}, 50, 0.5, 1, func(float64) float64 { return 0 }),
		"no steps":    single(&sequence.Axis{Kind: sequence.Stepper, Unit: "deg"}, 50, 0.5, 1, func(float64) float64 { return 0 }),
		"no lead":     single(&sequence.Axis{Kind: sequence.Stepper, Unit: "mm", Steps: num(200)}, 50, 0.5, 1, func(float64) float64 { return 0 }),
		"rate":        single(&sequence.Axis{Kind: sequence.Motor}, 0, 0.5, 1, func(float64) float64 { return 0 }),
		"longer than": single(&sequence.Axis{Kind: sequence.Motor}, 1000, 2000, 1, func(float64) float64 { return 0 }),
		"digits":      single(&sequence.Axis{Kind: sequence.Motor}, math.Nextafter(300, 0), math.Nextafter(0.3, 1), 1, func(float64) float64 { return 0 }),
	} {
		if _, err := p.build(); err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// An axis on no board, and a board without axes, have no timeline.
func TestBuildSkips(t *testing.T) {
	p := keeper(1, false)
	p.rig.Boards = append(p.rig.Boards, &sequence.Board{Name: "spare", Rate: num(50), Tick: num(1)})
	p.rig.Axes[0].Board = nil
	tls := p.must(t)
	if len(tls) != 2 || len(tls[0].Channels) != 4 {
		t.Errorf("%d boards, %d channels", len(tls), len(tls[0].Channels))
	}
}

// Frames do not depend on how a reader's blocks fall, and two readers do not
// disturb each other.
func TestReaders(t *testing.T) {
	tl := keeper(30, false).must(t)[0]
	a, b := tl.Reader(), tl.Reader()
	va, vb := make([]uint16, 5), make([]uint16, 5)
	for range 300 {
		a.Next(va)
	}
	for range 300 {
		b.Next(vb)
	}
	for i := range va {
		if va[i] != vb[i] {
			t.Errorf("channel %d: %d and %d", i, va[i], vb[i])
		}
	}
	if n := testing.AllocsPerRun(900, func() { a.Next(va) }); n != 0 {
		t.Errorf("%v allocations a frame", n)
	}
	if int64(len(all(tl))) != tl.Frames {
		t.Errorf("%d frames of %d", len(all(tl)), tl.Frames)
	}
}

func TestFingerprint(t *testing.T) {
	base := Fingerprint(keeper(1, false).rig)
	if len(base) != 16 || strings.Trim(base, "0123456789abcdef") != "" {
		t.Fatalf("%q", base)
	}
	same := map[string]func(r *sequence.Rig){
		"name": func(r *sequence.Rig) { r.Name, r.File = "Other", "other.rig.yaml" },
		"order": func(r *sequence.Rig) {
			r.Axes[0], r.Axes[5] = r.Axes[5], r.Axes[0]
			r.Boards[0], r.Boards[1] = r.Boards[1], r.Boards[0]
		},
		"places":      func(r *sequence.Rig) { r.Axes[0].At = sequence.Pos{Line: 99}; r.Axes[0].Rest.At.Line = 7 },
		"limits":      func(r *sequence.Rig) { r.Axes[0].Limits.Speed = num(7) },
		"load":        func(r *sequence.Rig) { r.Axes[0].Load.Mass = num(7) },
		"supplies":    func(r *sequence.Rig) { r.Supplies = []*sequence.Supply{{Name: "rail"}} },
		"clock, baud": func(r *sequence.Rig) { r.Boards[0].Clock, r.Boards[0].Baud = num(40), num(9600) },
		"gear of 1":   func(r *sequence.Rig) { r.Axes[2].Gear = num(1) },
	}
	for name, change := range same {
		r := keeper(1, false).rig
		change(r)
		if got := Fingerprint(r); got != base {
			t.Errorf("%s changes the fingerprint", name)
		}
	}
	other := map[string]func(r *sequence.Rig){
		"rate":        func(r *sequence.Rig) { r.Boards[0].Rate = num(60) },
		"tick":        func(r *sequence.Rig) { r.Boards[0].Tick = num(0.25) },
		"together":    func(r *sequence.Rig) { r.Boards[0].Together = true },
		"channel":     func(r *sequence.Rig) { r.Axes[0].Channel = num(9) },
		"board":       func(r *sequence.Rig) { r.Axes[0].Board = r.Boards[1] },
		"kind":        func(r *sequence.Rig) { r.Axes[0].Kind = sequence.ContinuousServo },
		"axis name":   func(r *sequence.Rig) { r.Axes[0].Name = "head" },
		"calibration": func(r *sequence.Rig) { r.Axes[0].Pulse[1].Pulse = num(1501) },
		"trim":        func(r *sequence.Rig) { r.Axes[0].Trim = num(1) },
		"travel":      func(r *sequence.Rig) { r.Axes[0].Travel[1] = num(71) },
		"rest":        func(r *sequence.Rig) { r.Axes[0].Rest = num(1) },
		"linkage":     func(r *sequence.Rig) { r.Axes[0].Linkage = doubling{} },
		"microsteps":  func(r *sequence.Rig) { r.Axes[2].Microsteps = num(8) },
		"gear":        func(r *sequence.Rig) { r.Axes[2].Gear = num(2) },
		"gamma":       func(r *sequence.Rig) { r.Axes[4].Gamma = num(1.8) },
	}
	seen := map[string]string{base: "nothing"}
	for name, change := range other {
		r := keeper(1, false).rig
		change(r)
		got := Fingerprint(r)
		if before, ok := seen[got]; ok {
			t.Errorf("%s has the fingerprint of %s", name, before)
		}
		seen[got] = name
	}
}
