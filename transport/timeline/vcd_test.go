package timeline

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"limberjack/sequence"
)

// The time unit is the coarsest of IEEE 1364-2005 18.2.3.6 that divides all
// ticks.
func TestTimescale(t *testing.T) {
	for _, c := range []struct {
		ticks []float64
		scale string
		tick  uint64 // of the first board, in units
		lead  uint64
	}{
		{[]float64{0.5}, "100 ns", 5, 10000},
		{[]float64{1}, "1 us", 1, 1000},
		{[]float64{0.0625}, "100 ps", 625, 10000000},
		{[]float64{4.88}, "10 ns", 488, 100000},
		{[]float64{4.8828125}, "100 fs", 48828125, 10000000000},
		{[]float64{1, 0.5}, "100 ns", 10, 10000},
		{[]float64{4, 6}, "1 us", 4, 1000},
		{[]float64{20, 50}, "10 us", 2, 100},
		{[]float64{10000}, "10 ms", 1, 1},
		{[]float64{0.000000001e6}, "1 ns", 1, 1000000},
		{[]float64{0.001000001}, "1 fs", 1000001, 1000000000000},
	} {
		var heads []Head
		for _, tick := range c.ticks {
			heads = append(heads, Head{Board: "main", Rate: 20, Tick: tick, Frames: 10, Channels: []HeadChannel{{Axis: "jaw"}}})
		}
		d, err := newDump(heads)
		if err != nil {
			t.Errorf("%v us: %v", c.ticks, err)
			continue
		}
		if d.scale != c.scale || d.boards[0].tick != c.tick || d.lead != c.lead {
			t.Errorf("%v us: %s, tick %d, lead %d", c.ticks, d.scale, d.boards[0].tick, d.lead)
		}
	}
}

func TestDumpRefuses(t *testing.T) {
	for text, h := range map[string]Head{
		"femtoseconds": {Rate: 50, Tick: 1.0 / 3, Frames: 10},
		"too long":     {Rate: 50, Tick: 0.500000001, Frames: 48 * 3600 * 50},
	} {
		h.Board = "main"
		if _, err := newDump([]Head{h}); err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%s: %v", text, err)
		}
	}
	a := &sequence.Axis{Kind: sequence.Stepper, Unit: "deg", Steps: num(200), Microsteps: num(16)}
	tl := one(t, a, 100, 1000, 1, func(at float64) float64 { return at * 360 })
	if err := Write(io.Discard, VCD, tl); err == nil || !strings.Contains(err.Error(), "shorter tick") {
		t.Errorf("32 steps in 10 units: %v", err)
	}
}

// Where a frame has fewer time units than a value has steps, the dump shows what
// it can, and Compare asks for no more.
func TestCoarseDump(t *testing.T) {
	for _, tick := range []float64{1, 100, 2500} {
		for _, kind := range []sequence.Kind{sequence.Motor, sequence.Dimmer} {
			a := &sequence.Axis{Kind: kind, Unit: "%"}
			tl := one(t, a, 60, tick, 1, func(at float64) float64 { return 100 * at })
			text := files(t, VCD, []*Timeline{tl})[0]
			if err := Compare(strings.NewReader(text), tl); err != nil {
				t.Errorf("tick %v us, %v: %v", tick, kind, err)
			}
		}
	}
}

func TestWireNames(t *testing.T) {
	d, err := newDump([]Head{{Board: "main", Rate: 50, Tick: 1, Frames: 1, Channels: []HeadChannel{
		{Axis: "lid-left"}, {Axis: "lid left"}, {Axis: "шлюз"}, {Axis: "2nd"}, {Axis: "arm", Unit: Duty}, {Axis: "arm-dir"}, {Axis: "arm", Unit: StepDelta},
	}}})
	if err != nil {
		t.Fatal(err)
	}
	want := "lid_left lid_left_2 axis axis_2nd arm_pwm arm_dir arm_dir_2 arm_step arm_dir_3"
	if got := strings.Join(d.wires, " "); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestWireCodes(t *testing.T) {
	seen := map[string]bool{}
	for i := range 94*94 + 200 {
		code := wireCode(i)
		if seen[code] || strings.Trim(code, "!\"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\]^_`abcdefghijklmnopqrstuvwxyz{|}~") != "" {
			t.Fatalf("wire %d: code %q", i, code)
		}
		seen[code] = true
	}
}

// In the dump every wire is low at 0, no time stamp falls, and no wire changes to
// what it is.
func TestDumpIsTidy(t *testing.T) {
	var b bytes.Buffer
	if err := Write(&b, VCD, keeper(2, false).must(t)...); err != nil {
		t.Fatal(err)
	}
	_, changes, _ := strings.Cut(b.String(), "$end\n#10000\n")
	state := map[string]byte{}
	for _, line := range strings.Split(changes, "\n") {
		if line == "" || line[0] == '#' || line[0] == '$' {
			continue
		}
		before, ok := state[line[1:]]
		if ok && before == line[0] || !ok && line[0] == '0' {
			t.Fatalf("%q changes nothing", line)
		}
		state[line[1:]] = line[0]
	}
	if len(state) != 9 {
		t.Errorf("%d wires change", len(state))
	}
}
