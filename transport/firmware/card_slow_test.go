package firmware_test

import (
	"fmt"
	"strings"
	"testing"

	"limberjack/transport/card"
)

// Cards that take 100 ms for a block, as long as a host has to allow for by the SD
// Specifications, Part 1, Physical Layer Simplified Specification, 4.6.2.1 (from memory), and
// visitors meanwhile: what starts which motion stands in another sector than the frames, and
// there is memory for one.

// askedGallery has twelve servos, a loop from power-up on, and a button that starts more motions.
func askedGallery(busy string, more int) documents {
	d := visitedGallery()
	d["rig.yaml"] = strings.Replace(d["rig.yaml"], "inputs: {1:", "inputs: {3: {active: low}, 1:", 1)
	s := "show: Gulls\nformat: 1\nrig: rig.yaml\nstart: {play: long}\nmotions:\n  long: {file: long.yaml, loop: true}\n"
	for i := range more {
		s += fmt.Sprintf("  quiet%d: {file: short.yaml, trigger: {input: 3}}\n", i)
	}
	d["gallery.show.yaml"] = s + "  short: {file: short.yaml, trigger: {input: 1}, while_busy: " + busy + "}\n"
	return d
}

// TestCardAskedWhileItIsSlow: an edge makes no frame late, whatever the card takes up to
// 100 ms, and is dealt with.
func TestCardAskedWhileItIsSlow(t *testing.T) {
	t.Parallel()
	var presses []string // at all phases of the 400 ms that a sector of frames lasts
	for k := range int64(12) {
		presses = append(presses, press(1, 4_000_000+k*470_000)...)
	}
	for _, test := range []struct {
		name, busy string
		more       int // motions between
		delay      int // us a read
		index      int // us a read of the triggers, where it is another
		script     []string
		starts     int // of the motion that is asked for
	}{
		{"dropped, 100 ms", "drop", 0, 100_000, 0, presses, 0},
		{"dropped, 40 ms", "drop", 0, 40_000, 0, presses, 0},
		{"dropped, 0.5 ms, triggers 100 ms", "drop", 0, 500, 100_000, press(1, 4_000_000), 0},
		{"dropped, three sectors of triggers", "drop", 18, 100_000, 0, presses, 0},
		{"waits, 100 ms", "wait", 0, 100_000, 0, press(1, 4_000_000), 1},
		{"interrupts, 100 ms", "interrupt", 0, 100_000, 0, press(1, 4_000_000), 1},
		{"interrupts, three sectors of triggers", "interrupt", 18, 100_000, 0, press(1, 4_000_000), 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			e := exhibitOf(t, askedGallery(test.busy, test.more), "gallery.show.yaml", card.ImageOptions{})
			script := append([]string{fmt.Sprintf("2000000 delay %d", test.delay)}, test.script...)
			if test.index > 0 {
				script = append(script[:1:1], append([]string{fmt.Sprintf("2000000 slow %d %d", e.place(t, e.index)/512+2, test.index)}, script[1:]...)...)
			}
			o := playCard(t, e.program(t, false), e.image, 0, append(script, "14000000 status", "34000000 end")...)
			if n := o.last(); n.late > 0 || n.leftOut > 0 || n.longest > 20_100 {
				t.Errorf("%+v", n)
			}
			if test.starts == 0 && o.last().played-o.tallies[0].played < 900 {
				t.Errorf("it does not play: %+v", o.tallies)
			}
			asked := int64(1 + test.more)
			if n := len(o.starts(t, asked)); n != test.starts {
				t.Errorf("what was asked for starts %d times, not %d:\n%s", n, test.starts, eventsOf(o))
			}
			// An edge that is dealt with is forgotten: the triggers are not read for ever.
			if reads := o.last().reads - o.tallies[0].reads; test.starts == 0 && reads > 20_000/400+7 {
				t.Errorf("%d reads in 20 s after the last edge, of frames that stand in 50 sectors", reads)
			}
		})
	}
}

// TestCardNeverAhead: where frames come too fast for a card so slow that they are never far
// enough ahead, somebody who asks is heard all the same.
func TestCardNeverAhead(t *testing.T) {
	t.Parallel()
	d := askedGallery("interrupt", 0)
	d["rig.yaml"] = strings.Replace(d["rig.yaml"], "rate: 50Hz", "rate: 150Hz", 1)
	if !strings.Contains(d["rig.yaml"], "150Hz") {
		t.Fatal("the rig has another rate")
	}
	e := exhibitOf(t, d, "gallery.show.yaml", card.ImageOptions{})
	o := playCard(t, e.program(t, false), e.image, 0, append([]string{"1500000 delay 100000"}, append(press(1, 4_000_000), "20000000 end")...)...)
	if s := o.asked(t, 1); len(s) != 1 || s[0] > 7_000_000 {
		t.Errorf("what was asked for at 4 s is chosen at %v:\n%s", s, eventsOf(o))
	}
}
