package drive

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"limberjack/sequence"
)

// testdata/wire.csv says where its figures come from.
func TestLeadResistanceOfTheGauges(t *testing.T) {
	f, err := os.Open("testdata/wire.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 10 {
		t.Fatalf("%d rows: %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		area, _ := strconv.ParseFloat(row[1], 64)
		drop, _ := strconv.ParseFloat(row[3], 64)
		got := LeadResistance(&sequence.Wire{Length: num(1000), Area: num(area)})
		near(t, "the drop of a metre of AWG "+row[0]+" at 1 A", got, drop, 0.0005*drop+0.00005)
	}
}

// 3 A through 2 m of AWG 22, there and back: 3 x 4 x 0.05296 = 0.635 V; 1 A
// through 5 m of AWG 24: about 0.84 V (builders' reports agree).
func TestLeadDrop(t *testing.T) {
	p := compile(t, `  beam: {kind: switch, board: main, channel: 0, supply: ideal, current: 3A, wire: {length: 2m, gauge: 22}}
  buoy: {kind: switch, board: main, channel: 1, supply: ideal, current: 1A, wire: {length: 5m, gauge: 24}}
  bell: {kind: switch, board: main, channel: 2, supply: ideal, current: 1A}
`, "length: 1s\ncues: [{at: 0.1s, set: {beam: on, buoy: on, bell: on}}]\n")
	tr := Run(p)
	near(t, "the drop to the beam", axisOf(t, tr, "beam").LeadDrop, 0.635, 0.001)
	near(t, "the drop to the buoy", axisOf(t, tr, "buoy").LeadDrop, 0.84, 0.005)
	near(t, "the drop without a wire", axisOf(t, tr, "bell").LeadDrop, 0, 0)
}

// Energy is V x I x t: half an ampere at 12 V for a minute is 0.1 Wh, of which a
// charge of 2 Ah at 12 V holds 240. A lamp is a resistor: behind 0.5 ohm the 24
// ohm take 12 V / 24.5 ohm (Ohm's law).
func TestLampEnergy(t *testing.T) {
	p := compile(t, "  lamp: {kind: dimmer, board: main, channel: 0, supply: mains, current: 500mA}\n",
		"length: 60s\ntracks: {lamp: [[0s, 100]]}\n")
	s, current := Run(p).Supplies[1], 12/24.5
	near(t, "the energy", s.Energy, 0.1*current/0.5, 1e-9)
	near(t, "the runs", s.Runs, 240/(current/0.5), 1e-6)
	near(t, "the least voltage", s.MinVoltage, current*24, 1e-9)
	near(t, "the mean", s.Mean, current, 1e-9)
	near(t, "the RMS", s.RMS, current, 1e-9)
}

// A square wave of half the time on has a mean of I/2 and an RMS of I/sqrt 2.
func TestSquareWave(t *testing.T) {
	p := compile(t, "  fog-horn: {kind: switch, board: main, channel: 0, supply: ideal, current: 2A}\n",
		"length: 4s\ntracks: {fog-horn: [[0s, on], [1s, off], [2s, on], [3s, off], [4s, off]]}\n")
	tr := Run(p)
	for _, got := range [][2]float64{{tr.Supplies[2].Mean, tr.Supplies[2].RMS}, {tr.Axes[0].Mean, tr.Axes[0].RMS}} {
		near(t, "the mean", got[0], 1, 1e-9)
		near(t, "the RMS", got[1], math.Sqrt2, 1e-9)
	}
}

// The RMS of pulses is that of pulses, and two lamps whose pulses do not keep
// step have that of their sum: compared with adding the two up instant by
// instant over periods that never meet.
func TestRMSOfPulses(t *testing.T) {
	p := compile(t, `  one: {kind: dimmer, board: main, channel: 0, supply: ideal, current: 400mA}
  two: {kind: dimmer, board: main, channel: 1, supply: ideal, current: 300mA, gamma: 2}
`, "length: 2s\ntracks: {one: [[0s, 25]], two: [[0s, 50]]}\n") // both at a duty of a quarter
	tr := Run(p)
	one := axisOf(t, tr, "one")
	near(t, "the peak of one", one.Peak, 0.4, 1e-12)
	near(t, "the mean of one", one.Mean, 0.1, 1e-12)
	near(t, "the RMS of one", one.RMS, 0.2, 1e-12) // I sqrt(duty)
	near(t, "the mean of two", axisOf(t, tr, "two").Mean, 0.075, 1e-12)

	var sum float64
	const n = 1 << 20
	for i := range n {
		v := 0.0
		if math.Mod(float64(i)*0.00137, 1) < 0.25 {
			v += 0.4
		}
		if math.Mod(float64(i)*0.00137*math.Phi, 1) < 0.25 {
			v += 0.3
		}
		sum += v * v
	}
	near(t, "the RMS of both", tr.Supplies[2].RMS, math.Sqrt(sum/n), 1e-3)
	near(t, "the peak of both", tr.Supplies[2].Peak, 0.7, 1e-12)
}

func TestBlameAndPeak(t *testing.T) {
	p := compile(t, `  bell: {kind: switch, board: main, channel: 0, supply: ideal, current: 1A}
  lamp: {kind: dimmer, board: main, channel: 1, supply: ideal, current: 3A}
  beacon: {kind: stepper, board: main, channel: 2, supply: ideal, steps: 200, current: 400mA}
  gate: {kind: switch, board: main, channel: 3, supply: ideal, current: 5A}
  far: {kind: switch, board: main, channel: 4, supply: mains, current: 9A}
`, `length: 4s
tracks: {lamp: [[1s, 0], [2s, 100, hold], [3s, 0, hold]], beacon: [[0s, 0], [4s, 90, linear]]}
cues: [{at: 2.5s, set: {bell: on}}, {at: 3.5s, set: {bell: off}}, {at: 0s, set: {far: on}}]
`)
	s := Run(p).Supplies[2]
	near(t, "the peak", s.Peak, 1+3+2*0.4, 1e-12)
	near(t, "its time", s.PeakAt, 2.5, 0.02+1e-9)
	want := []Draw{{p.Axes[1].Spec, 3, On}, {p.Axes[0].Spec, 1, On}, {p.Axes[2].Spec, 0.8, Moving}}
	if len(s.Blame) != len(want) {
		t.Fatalf("%d axes draw at the peak, want %d: %v", len(s.Blame), len(want), s.Blame)
	}
	for i, d := range s.Blame {
		if d.Axis != want[i].Axis || math.Abs(d.Current-want[i].Current) > 1e-9 || d.State != want[i].State {
			t.Errorf("draw %d is %s %g A %s, want %s %g A %s", i, d.Axis.Name, d.Current, d.State, want[i].Axis.Name, want[i].Current, want[i].State)
		}
	}
}

// A peak at the very end is not lost.
func TestTheEndCounts(t *testing.T) {
	p := compile(t, "  bell: {kind: switch, board: main, channel: 0, supply: ideal, current: 1A}\n", "tracks: {bell: [[0s, off], [3.32s, on]]}\n")
	s := Run(p).Supplies[2]
	near(t, "the peak", s.Peak, 1, 1e-9)
	near(t, "its time", s.PeakAt, 3.32, 1e-9)
	near(t, "the mean", s.Mean, 0, 0)
}

func TestTide(t *testing.T) {
	p := compile(t, "  bell: {kind: switch, board: main, channel: 0, supply: ideal, current: 1A}\n",
		"length: 100s\ntracks: {bell: [[0s, off], [25s, on], [50s, off], [75s, on], [75.1s, off]]}\n")
	tide := Run(p).Supplies[2].Tide
	if len(tide) != maxTide {
		t.Fatalf("the tide has %d spans, want %d", len(tide), maxTide)
	}
	for i, v := range tide {
		from, to := 100*float64(i)/maxTide, 100*float64(i+1)/maxTide
		want := 0.0
		if from >= 25 && to <= 50 || from >= 75 && to <= 75.1 {
			want = 1
		} else if from < 50 && to > 25 || from < 75.1 && to > 75 {
			continue // the edge is inside
		}
		if math.Abs(v-want) > 1e-9 {
			t.Errorf("from %g s to %g s the tide is %g A, want %g A", from, to, v, want)
		}
	}
}

// A short performance has a span a frame.
func TestTideOfAShortPerformance(t *testing.T) {
	p := compile(t, "  bell: {kind: switch, board: main, channel: 0, supply: ideal, current: 1A}\n", "length: 1.01s\ntracks: {bell: [[0s, on]]}\n")
	s := Run(p).Supplies[2]
	if len(s.Tide) != 51 {
		t.Fatalf("the tide has %d spans, want 51", len(s.Tide))
	}
	for i, v := range s.Tide {
		if math.Abs(v-1) > 1e-9 {
			t.Errorf("span %d is %g A, want 1 A", i, v)
		}
	}
	near(t, "the energy", s.Energy, 6*1*1.01/3600, 1e-9)
}

func TestOfNoLength(t *testing.T) {
	p := compile(t, "  bell: {kind: switch, board: main, channel: 0, supply: ideal, current: 1A}\n", "length: 1s\ntracks: {bell: [[0s, on]]}\n")
	p.Length = 0
	s := Run(p).Supplies[2]
	near(t, "the peak", s.Peak, 1, 1e-9)
	near(t, "the mean", s.Mean, 1, 1e-9)
	near(t, "the RMS", s.RMS, 1, 1e-9)
	near(t, "the energy", s.Energy, 0, 0)
	near(t, "the runs", s.Runs, 0, 0)
}

func TestMissingLinesAreNamed(t *testing.T) {
	p := compile(t, `  lamp: {kind: dimmer, board: main, channel: 0, supply: rail}
  winch: {kind: motor, board: main, channel: 1, supply: rail}
  bell: {kind: switch, board: main, channel: 2, current: 1A}
`, "length: 1s\ntracks: {lamp: [[0s, 50]], winch: [[0s, 50]], bell: [[0s, on]]}\n")
	tr := Run(p)
	for name, want := range map[string]string{"lamp": "current", "winch": "motor", "bell": ""} {
		got := ""
		if m := axisOf(t, tr, name).Missing; len(m) > 0 {
			got = m[0]
		}
		if got != want {
			t.Errorf("%s misses %q, want %q", name, got, want)
		}
	}
	near(t, "the peak without a supply", axisOf(t, tr, "bell").Peak, 1, 1e-9)
	near(t, "the peak of the rail", tr.Supplies[0].Peak, 0, 0)
	near(t, "the voltage of the idle rail", tr.Supplies[0].MinVoltage, 6, 0)
}

// Each axis is looked at in the frames of its own board.
func TestEachBoardHasItsFrames(t *testing.T) {
	for _, c := range []struct {
		board string
		peak  float64
	}{{"main", 0}, {"quick", 1}} {
		bell := "  bell: {kind: switch, board: " + c.board + ", channel: 0, supply: ideal, current: 1A}\n"
		tr := Run(compile(t, bell, "length: 1s\ntracks: {bell: [[0s, off], [0.505s, on], [0.515s, off]]}\n"))
		near(t, "the peak", tr.Supplies[2].Peak, c.peak, 1e-9)
		near(t, "the mean", tr.Supplies[2].Mean, 0.01*c.peak, 1e-9)
	}
}

// Two lamps and a relay on one supply: the closed form of a voltage divider at a
// steady load; lamps at half duty sag by the mean of their currents, and at their
// on times by the whole.
func TestSteadySag(t *testing.T) {
	p := compile(t, `  lamp: {kind: dimmer, board: main, channel: 0, supply: mains, current: 2A}
  bell: {kind: switch, board: main, channel: 1, supply: mains, current: 1A}
`, "length: 2s\ntracks: {lamp: [[0s, 50]], bell: [[0s, on]]}\n")
	s := Run(p).Supplies[1]
	on := 12 / (1 + 0.5*(2.0/12+1.0/12))
	mean := 12 / (1 + 0.5*(1.0/12+1.0/12))
	near(t, "the least voltage", s.MinVoltage, on, 1e-9)
	near(t, "the mean", s.Mean, (1.0/12+1.0/12)*mean, 1e-9)
	near(t, "the peak", s.Peak, (2.0/12+1.0/12)*on, 1e-9)
}
