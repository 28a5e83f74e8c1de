package firmware_test

import (
	"bytes"
	"math"
	"strconv"
	"strings"
	"testing"
)

// shyGallery has gulls that move all the time, but for the first, which looks up only when
// somebody has come to the button.
func shyGallery() documents {
	d := visitedGallery()
	long := galleryMotion(8)
	first := strings.Index(long, "  gull-1: ")
	next := strings.Index(long, "  gull-2: ")
	d["long.yaml"] = long[:first] + "  gull-1: [[0s, 60deg]]\n" + long[next:]
	d["short.yaml"] = "motion: Shy\nformat: 1\nrig: rig.yaml\nlength: 2s\ntracks:\n  gull-1: [[0s, 60deg], [1s, 100deg, min-jerk], [2s, 60deg, min-jerk]]\n  gull-2: [[0s, 60deg]]\n"
	d["gallery.show.yaml"] = `show: Gulls
format: 1
rig: rig.yaml
start: {play: long}
motions:
  long: {file: long.yaml, loop: true, after: short}
  short: {file: short.yaml, trigger: {input: 1}, while_busy: interrupt}
`
	return d
}

// TestCardInputsWhileItReads: on the chip, each block of the card comes after 100 ms, as long as
// a host has to allow for (SD Specifications, Part 1, Physical Layer), and visitors press the
// button while one is on its way, at all moments of a read. Each press starts the motion once;
// no pulse leaves its place, and no frame is late.
func TestCardInputsWhileItReads(t *testing.T) {
	t.Parallel()
	const presses, readUS = 9, 100_000
	e, image, program := cardBoard(t, small, "bare-show", shyGallery(), "gallery.show.yaml")
	c := newChip(t, program, 250000, "-c", image)
	c.do("in C4 1")
	c.do("in C5 1")
	c.run(1_500_000 * cyclesPerUS) // the show is loaded
	c.do("delay %d", readUS*cyclesPerUS)
	c.run(4_000_000 * cyclesPerUS)
	reads := func() (at []uint64) {
		for _, n := range c.notes {
			if f := strings.Fields(n); f[0] == "r" {
				cycle, err := strconv.ParseUint(f[1], 10, 64)
				if err != nil {
					t.Fatalf("the simulator says %q", n)
				}
				at = append(at, cycle)
			}
		}
		return at
	}
	var edges []uint64
	for k := range uint64(presses) {
		for before := len(reads()); len(reads()) == before; { // to the begin of a read of frames
			c.run(c.now + 1000*cyclesPerUS)
		}
		c.run(c.now + k*(readUS-10_000)/presses*cyclesPerUS)
		c.do("in C5 0")
		edges = append(edges, c.now)
		c.run(c.now + 60_000*cyclesPerUS)
		c.do("in C5 1")
		c.run(c.now + (4_500_000+k*33_000)*cyclesPerUS)
	}
	during, list := 0, reads()
	for _, edge := range edges {
		for _, from := range list {
			if edge >= from && edge < from+readUS*cyclesPerUS {
				during++
				break
			}
		}
	}
	if during != presses {
		t.Errorf("%d of %d edges came during a read", during, presses)
	}

	var period spread
	all := pulsesOfStill(c)
	for i := range e.lines[0][0].Channels {
		ch := &e.lines[0][0].Channels[i]
		for k, p := range all[c.pins[ch.Number]] {
			if checkLimits(t, ch, p); k > 0 {
				period.add(100 * (float64(p.rise-all[c.pins[ch.Number]][k-1].rise)/(20000*cyclesPerUS) - 1))
			}
		}
	}
	if period.least < -0.1 || period.most > 0.1 {
		t.Errorf("from rise to rise %s %%: a pulse came late, or was left out", period)
	}
	// lj_memory in lj_core.h: late, bridged and clamped are bytes 24 to 29.
	if counts := c.peek("lj_kept+24", 6); !bytes.Equal(counts, make([]byte, 6)) {
		t.Errorf("late, bridged and clamped are %x", counts)
	}
	ups := looksUp(all["D2"], e)
	if len(ups) != presses {
		t.Fatalf("%d presses have started the motion %d times", presses, len(ups))
	}
	longest := 0.0
	for k, up := range ups {
		after := float64(up-edges[k]) / cyclesPerUS / 1e6
		if longest = math.Max(longest, after); up < edges[k] || after > 4 {
			t.Errorf("press %d starts the motion after %.2f s", k, after)
		}
	}
	t.Logf("%d edges during %d reads of 100 ms; the motion is seen %.2f s after its edge at the latest; from rise to rise %s %%", during, len(list), longest, period)
}

// looksUp gives the times at which an output begins to leave its first value for long.
func looksUp(list []pulse, e *exhibit) (at []uint64) {
	rest := float64(e.lines[0][0].Channels[0].Rest)
	away := false
	for _, p := range list {
		switch off := math.Abs(float64(p.width)/8 - rest); {
		case !away && off > 50:
			at, away = append(at, p.rise), true
		case away && off < 2:
			away = false
		}
	}
	return at
}
