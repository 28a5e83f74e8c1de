package firmware_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"limberjack/transport/firmware"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// Drivers of steppers: TI DRV8825 data sheet, "Timing Requirements": a step is high and low for
// 1.9 us at least, a direction stands 650 ns before a step and after it (Allegro A4988: 1 us
// and 200 ns); all from memory. This project wants 2 us, 1 us and 650 ns.
const (
	stepHigh  = 2 * cyclesPerUS
	stepLow   = 2 * cyclesPerUS
	wayBefore = 1 * cyclesPerUS
	wayAfter  = 65 * cyclesPerUS / 100
)

// stepPins are the pins of the steps by their outputs: the table in src/avr/chip_atmega2560.h.
var stepPins = []string{"E3", "E4", "E5", "H3", "H4", "H5"}

// pierRig has a wheel that turns steadily, a crane that goes to and fro, a drum that is fast,
// and so many servos besides.
func pierRig(servos int) string {
	var b strings.Builder
	b.WriteString(`rig: Pier
format: 1
boards:
  pier: {rate: 50Hz, tick: 0.5us, channels: 16, baud: 250000}
axes:
  wheel: {kind: stepper, board: pier, channel: 0, steps: 200, microsteps: 16, limits: {speed: 60deg/s, acceleration: 6000deg/s2}}
  crane: {kind: stepper, board: pier, channel: 2, steps: 200, microsteps: 8, travel: [-90deg, 90deg], limits: {speed: 400deg/s, acceleration: 4000deg/s2}}
  drum: {kind: stepper, board: pier, channel: 5, steps: 200, microsteps: 16, limits: {speed: 700deg/s, acceleration: 4000deg/s2}}
`)
	for i, channel := range []int{1, 3, 4, 6, 7, 8, 9, 10, 11, 12, 13, 14}[:servos] {
		fmt.Fprintf(&b, "  gull-%d: {kind: servo, board: pier, channel: %d, travel: [0deg, 120deg], pulse: [[0deg, %dus], [120deg, %dus]], rest: 60deg, limits: {speed: 600deg/s, acceleration: 20000deg/s2}}\n",
			i+1, channel, 700+10*i, 2300-7*i)
	}
	return b.String()
}

// pierMotion turns the wheel by 4.2 steps a frame: 200 x 16 / 360 steps a degree, 50 frames
// a second, 23.625 deg/s.
func pierMotion(servos, seconds int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "motion: Pier\nformat: 1\nrig: rig.yaml\nlength: %ds\ntracks:\n  wheel: [[0s, 0deg], [%ds, %gdeg, linear]]\n  crane: [[0s, 0deg]", seconds, seconds, 23.625*float64(seconds))
	for at, k := 0.6, 0; at < float64(seconds); at, k = at+0.61, k+1 {
		fmt.Fprintf(&b, ", [%.2fs, %ddeg, min-jerk]", at, 80-40*(k*7%5))
	}
	b.WriteString("]\n  drum: [[0s, 0deg]")
	for at, k := 1.5, 0; at < float64(seconds); at, k = at+1.5, k+1 {
		fmt.Fprintf(&b, ", [%.1fs, %ddeg, sine-in-out]", at, 600*(1-k%2))
	}
	b.WriteString("]\n")
	if servos > 0 {
		_, gulls, _ := strings.Cut(galleryMotion(seconds), "tracks:\n")
		b.WriteString(gulls)
	}
	return b.String()
}

// step is one step of a stepper.
type step struct {
	at, high uint64 // cycles
	back     bool
}

// stepsOf takes the steps of an output from all edges, and holds them against what drivers ask
// for.
func stepsOf(t *testing.T, c *chip, output int) (all []step) {
	t.Helper()
	var fell, turned uint64
	back, on := false, false
	for _, e := range c.edges {
		switch e.pin {
		case c.pins[output]:
			if turned, back = e.at, e.up; on || len(all) > 0 && e.at < all[len(all)-1].at+wayAfter {
				t.Fatalf("output %d: the direction changes at cycle %d, a step came at %d", output, e.at, all[len(all)-1].at)
			}
		case stepPins[output]:
			if on = e.up; !on {
				fell = e.at
				if all[len(all)-1].high = e.at - all[len(all)-1].at; all[len(all)-1].high < stepHigh {
					t.Fatalf("output %d: the step at cycle %d is high for %d cycles", output, all[len(all)-1].at, all[len(all)-1].high)
				}
				continue
			}
			if len(all) > 0 && (e.at < fell+stepLow || e.at < turned+wayBefore) {
				t.Fatalf("output %d: the step at cycle %d comes %d cycles after the one before, %d after the direction", output, e.at, e.at-fell, e.at-turned)
			}
			all = append(all, step{at: e.at, back: back})
		}
	}
	return all
}

// checkSteps holds all steps of a board against the frames that it was sent: each frame's are
// there, no others, in its time, and even to a tick of 0.5 us.
func checkSteps(t *testing.T, s *streamed) {
	t.Helper()
	for i := range s.tl.Channels {
		if s.tl.Channels[i].Unit != timeline.StepDelta {
			continue
		}
		output := s.tl.Channels[i].Number
		all, count := stepsOf(t, s.chip, output), 0
		place := spread{math.Inf(1), math.Inf(-1)}
		var uneven float64
		before := uint16(0) // where it was armed
		for k, f := range s.frames {
			n := int(int16(f.values[i] - before))
			before = f.values[i]
			due := uint64(uint32(f.time-s.epoch)) * cyclesPerUS
			size := max(n, -n)
			if count+size > len(all) {
				t.Fatalf("output %d: frame %d wants %d steps, and there are %d of %d", output, k, n, len(all)-count, len(all))
			}
			mine := all[count : count+size]
			count += size
			least, most := math.Inf(1), 0.0
			for j, x := range mine {
				if x.back != (n < 0) {
					t.Fatalf("output %d: frame %d wants %d steps, and one goes the other way at cycle %d", output, k, n, x.at)
				}
				place.add((float64(x.at) - float64(due) - (float64(j)+0.5)*20000*cyclesPerUS/float64(size)) / 8)
				if j > 0 {
					d := float64(x.at - mine[j-1].at)
					least, most = min(least, d), max(most, d)
				}
			}
			if size > 1 {
				uneven = max(uneven, (most-least)/8)
			}
		}
		t.Logf("%s: %d steps in %d frames, places %.2f ticks apart from even ones, intervals of a frame differ by %.2f ticks at most", s.tl.Channels[i].Axis.Name, count, len(s.frames), place.most-place.least, uneven)
		if count != len(all) {
			t.Errorf("output %d: %d steps came, and %d were asked for", output, len(all), count)
		}
		if uneven > 1 || place.most-place.least > 2 {
			t.Errorf("output %d: steps are uneven", output)
		}
	}
}

// pierProgram builds the program of the pier, and gives its timeline.
func pierProgram(t *testing.T, servos, seconds int) (*timeline.Timeline, string) {
	t.Helper()
	rig, tl := load(t, pierRig(servos), pierMotion(servos, seconds))
	p, err := firmware.ConfigOf(rig, rig.Boards[0], portOf(t, large.port))
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Plays(p.Port.Usual()); err != nil {
		t.Fatal(err)
	}
	return tl, large.program(t, fmt.Sprintf("pier-%d", servos), p.Config, cardBoardSources(t))
}

// TestStepsBesideServos: three steppers beside twelve servos. Steps are even to a tick, and
// no servo's pulse is off by more than half of one.
func TestStepsBesideServos(t *testing.T) {
	t.Parallel()
	tl, program := pierProgram(t, 12, 20)
	s := streamTo(t, large.chip(t, program, 250000), tl, 250000, 0)
	checkSteps(t, s)
	servos := *s
	chip := *s.chip
	chip.edges = nil
	for _, e := range s.chip.edges {
		if !strings.Contains("A0 A2 A5 E3 E4 E5 H3 H4 H5", e.pin) {
			chip.edges = append(chip.edges, e)
		}
	}
	servos.chip = &chip
	servos.frames = nil
	line := *tl
	line.Channels = nil
	for i := range tl.Channels {
		if tl.Channels[i].Unit == timeline.PulseTicks {
			line.Channels = append(line.Channels, tl.Channels[i])
		}
	}
	for _, f := range s.frames {
		x := sentFrame{index: f.index, time: f.time}
		for i := range tl.Channels {
			if tl.Channels[i].Unit == timeline.PulseTicks {
				x.values = append(x.values, f.values[i])
			}
		}
		servos.frames = append(servos.frames, x)
	}
	servos.tl = &line
	checkPulses(t, &servos)
	checkFigures(t, s, 250000)
}

// TestStepsOverMinutes: 4.2 steps a frame are 21 in five, 12600 a minute.
func TestStepsOverMinutes(t *testing.T) {
	t.Parallel()
	const seconds = 120
	tl, program := pierProgram(t, 0, seconds)
	s := streamTo(t, large.chip(t, program, 250000), tl, 250000, 0)
	checkSteps(t, s)
	checkFigures(t, s, 250000)
	motion := s.frames[int64(len(s.frames))-tl.Frames:]
	for k := 5; k < len(motion); k++ {
		if n := int(int16(motion[k].values[0] - motion[k-5].values[0])); n != 21 {
			t.Fatalf("frames %d to %d have %d steps", k-5, k, n)
		}
	}
	if n := len(stepsOf(t, s.chip, 0)); n != (len(motion)-1)*21/5 {
		t.Errorf("%d steps in %d frames", n, len(motion))
	}
	if st := s.status; st.State != wire.StateArmed && st.State != wire.StatePlaying || st.Clamped > 0 {
		t.Errorf("%+v", st)
	}
}
