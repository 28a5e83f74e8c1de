package firmware_test

import (
	"bytes"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"limberjack/transport/card"
)

// lightPin is the pin of the light of an ATmega328P that plays from a card.
const lightPin = "D1"

// blinks gives how often the light blinks between two pauses, all of which must be alike, and 0
// where it is on for all of the time. Blinks are 250 ms, a pause is more than 1 s.
func blinks(t *testing.T, c *chip) int {
	t.Helper()
	from, on := c.now, false
	for _, e := range edgesOf(c.edges, lightPin) {
		on = e.up
	}
	c.edges = nil
	c.run(c.now + 26_000_000*cyclesPerUS)
	var counts []int
	n, last := 0, from
	for _, e := range edgesOf(c.edges, lightPin) {
		if e.up {
			if e.at-last > 1_000_000*cyclesPerUS {
				counts, n = append(counts, n), 0
			}
			n++
		} else if w := float64(e.at-last) / cyclesPerUS; last != from && math.Abs(w-250_000) > 5000 {
			t.Errorf("a blink lasts %.1f ms", w/1000)
		}
		last = e.at
	}
	if len(counts) == 0 && on && n == 0 {
		return 0
	}
	if len(counts) < 3 {
		t.Fatalf("the light blinks %v and %d", counts, n)
	}
	for _, k := range counts[2:] { // the first may have begun before
		if k != counts[1] {
			t.Errorf("the light blinks %v", counts)
		}
	}
	return counts[1]
}

// edgesOf gives the edges of a pin.
func edgesOf(all []edge, pin string) (some []edge) {
	for _, e := range all {
		if e.pin == pin {
			some = append(some, e)
		}
	}
	return some
}

// TestLight: the light of the board tells what is wrong with the show, and no pulse minds.
func TestLight(t *testing.T) {
	t.Parallel()
	e, image, program := cardBoard(t, small, "bare-show", visitedGallery(), "gallery.show.yaml")
	whole, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	changed := func(name string, change func([]byte) []byte) string {
		path := image + "-" + name
		if err := os.WriteFile(path, change(bytes.Clone(whole)), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	damaged := func(b []byte) []byte { // a byte of the container's header
		at := bytes.Index(b, e.file[:512])
		b[at+40] ^= 1
		return b
	}
	other := visitedGallery()
	other["rig.yaml"] = strings.Replace(other["rig.yaml"], "rest: 60deg", "rest: 61deg", 1)
	strange := exhibitOf(t, other, "gallery.show.yaml", card.ImageOptions{})
	for _, test := range []struct {
		name, image string
		then        func(c *chip)
		want        int // LJ_CODE_x of lj_show.h
	}{
		{"the show runs", image, nil, 0},
		{"a card without a file system", changed("empty", func(b []byte) []byte { return make([]byte, len(b)) }), nil, 2},
		{"a foreign card", changed("foreign", func([]byte) []byte { return strange.image }), nil, 3},
		{"a damaged card", changed("damaged", damaged), nil, 4},
		{"three resets", image, func(c *chip) {
			for range 3 {
				c.do("reset brownout")
				c.run(c.now + 500_000*cyclesPerUS)
			}
		}, 6},
		{"a stop", image, func(c *chip) {
			c.do("in C4 0")
			c.run(c.now + 300_000*cyclesPerUS)
			c.do("in C4 1")
		}, 7},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			c := newChip(t, program, 250000, "-c", test.image)
			c.do("in C4 1")
			c.do("in C5 1")
			c.run(2_000_000 * cyclesPerUS)
			if test.then != nil {
				test.then(c)
				c.run(c.now + 2_000_000*cyclesPerUS)
			}
			if n := blinks(t, c); n != test.want {
				t.Errorf("the light blinks %d times, and %d are asked for", n, test.want)
			}
			if test.want == 3 || test.want == 4 { // the board stands at rest
				restsWhile(t, c, e)
			}
		})
	}
}

// restsWhile holds the pulses of a board at rest, while its light blinks.
func restsWhile(t *testing.T, c *chip, e *exhibit) {
	t.Helper()
	var width, period spread
	up, before := map[string]uint64{}, map[string]uint64{}
	n := 0
	for _, x := range c.edges {
		from, on := up[x.pin]
		if x.up {
			up[x.pin] = x.at
			if b := before[x.pin]; b > 0 && slices.Contains(barePins, x.pin) {
				period.add(100 * (float64(x.at-b)/(20000*cyclesPerUS) - 1))
			}
			before[x.pin] = x.at
			continue
		}
		for i := range e.lines[0][0].Channels {
			if ch := &e.lines[0][0].Channels[i]; on && barePins[ch.Number] == x.pin {
				width.add(tickError(pulse{from, x.at - from}, uint16(ch.Rest)))
				n++
			}
		}
	}
	t.Logf("%d pulses while it blinks, widths %s ticks, from rise to rise %s %%", n, width, period)
	if n < 12*50*25 || width.least < -0.5 || width.most > 0.5 || period.least < -0.1 || period.most > 0.1 {
		t.Error("the light disturbs the pulses")
	}
}
