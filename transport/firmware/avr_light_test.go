package firmware_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"limberjack/transport/card"
)

// panel is where a chip's board has its light and its buttons: the tables in chip_NAME.h.
type panel struct{ light, stop, button string }

func panelOf(g *target) panel {
	if g == large {
		return panel{"L0", "K0", "K1"}
	}
	return panel{"D1", "C4", "C5"}
}

// round is how long a light takes to blink so many times, with the pause, in cycles: blinks are
// 250 ms on and off, a pause is six of these.
func round(blinks int) uint64 { return uint64(2*blinks+6) * 250_000 * cyclesPerUS }

// blinks gives how often the light blinks between two pauses, all of which must be alike, and 0
// where it is on for all of the time. It looks for as long as three rounds of so many take.
func blinks(t *testing.T, c *chip, expected int) int {
	t.Helper()
	pin := panelOf(c.target).light
	from, on := c.now, false
	for _, e := range edgesOf(c.edges, pin) {
		on = e.up
	}
	c.edges = nil
	c.run(c.now + 4*round(expected) + 500_000*cyclesPerUS)
	var counts []int
	n, last := 0, from
	for _, e := range edgesOf(c.edges, pin) {
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

// TestLight: the light of the board tells what is wrong with the show, and no pulse minds. Where
// the board refuses a card it stands at rest; stopped, it has no pulses.
func TestLight(t *testing.T) {
	t.Parallel()
	for _, g := range []*target{small, large} {
		t.Run(g.mcu, func(t *testing.T) {
			t.Parallel()
			lightOf(t, g)
		})
	}
}

func lightOf(t *testing.T, g *target) {
	e, image, program := cardBoard(t, g, "bare-show", visitedGallery(), "gallery.show.yaml")
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
	header := bytes.Index(whole, e.file[:512])
	other := visitedGallery()
	other["rig.yaml"] = strings.Replace(other["rig.yaml"], "rest: 60deg", "rest: 61deg", 1)
	strange := exhibitOf(t, other, "gallery.show.yaml", card.ImageOptions{})
	p := panelOf(g)
	resets := func(cause string) func(*chip) {
		return func(c *chip) {
			for range 3 {
				c.do("reset %s", cause)
				c.run(c.now + 500_000*cyclesPerUS)
			}
		}
	}
	for _, test := range []struct {
		name, image string
		then        func(c *chip)
		want        int // LJ_CODE_x of lj_show.h
	}{
		{"the show runs", image, nil, 0},
		{"a card without a file system", changed("empty", func(b []byte) []byte { return make([]byte, len(b)) }), nil, 2},
		{"another rig's card", changed("foreign", func([]byte) []byte { return strange.image }), nil, 3},
		// Bytes 28 to 31 of a container are its period in ns (FORMAT.md). The board could play
		// one of 10 ms, and its own pulses, spread over 20 ms, do not fit into that.
		{"a period too short for its pulses", changed("fast", func(b []byte) []byte {
			binary.LittleEndian.PutUint32(b[header+28:], 10_000_000)
			reseal(b[header : header+512])
			return b
		}), nil, 3},
		{"a period that no program has", changed("faster", func(b []byte) []byte {
			binary.LittleEndian.PutUint32(b[header+28:], 1_000_000)
			reseal(b[header : header+512])
			return b
		}), nil, 3},
		{"a damaged header", changed("damaged", func(b []byte) []byte { b[header+40] ^= 1; return b }), nil, 4},
		{"a file that was cut", changed("cut", func(b []byte) []byte {
			// The length is in bytes 28 to 31 of an entry (Microsoft, "FAT: General Overview of On-Disk Format").
			entry := e.entry(t, "GALLERY LJC") + 28
			binary.LittleEndian.PutUint32(b[entry:], binary.LittleEndian.Uint32(b[entry:])-512)
			return b
		}), nil, 4},
		{"three brown-outs", image, resets("brownout"), 6},
		{"three losses of power that memory outlives", image, resets("dip"), 6},
		{"power three times", image, resets("power"), 0},
		{"a stop", image, func(c *chip) {
			c.do("in %s 0", p.stop)
			c.run(c.now + 300_000*cyclesPerUS)
			c.do("in %s 1", p.stop)
		}, 7},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			c := g.chip(t, program, 250000, "-c", test.image)
			c.do("in %s 1", p.stop)
			c.do("in %s 1", p.button)
			c.run(2_000_000 * cyclesPerUS)
			if test.then != nil {
				test.then(c)
				c.run(c.now + 2_000_000*cyclesPerUS)
			}
			from := c.now
			if n := blinks(t, c, test.want); n != test.want {
				t.Errorf("the light blinks %d times, and %d are asked for", n, test.want)
			}
			switch test.want {
			case 2, 3, 4: // the board stands at rest
				restsWhile(t, c, e, from)
			case 6, 7:
				for _, x := range c.edges {
					if slices.Contains(c.pins, x.pin) {
						t.Fatalf("there is an edge on %s", x.pin)
					}
				}
			}
		})
	}
}

// restsWhile holds the pulses of a board at rest since a time, while its light blinks.
func restsWhile(t *testing.T, c *chip, e *exhibit, from uint64) {
	t.Helper()
	var width, period spread
	up, before := map[string]uint64{}, map[string]uint64{}
	n := 0
	for _, x := range c.edges {
		from, on := up[x.pin]
		if x.up {
			up[x.pin] = x.at
			if b := before[x.pin]; b > 0 && slices.Contains(c.pins, x.pin) {
				period.add(100 * (float64(x.at-b)/(20000*cyclesPerUS) - 1))
			}
			before[x.pin] = x.at
			continue
		}
		for i := range e.lines[0][0].Channels {
			if ch := &e.lines[0][0].Channels[i]; on && c.pins[ch.Number] == x.pin {
				width.add(tickError(pulse{from, x.at - from}, uint16(ch.Rest)))
				n++
			}
		}
	}
	t.Logf("%d pulses while it blinks, widths %s ticks, from rise to rise %s %%", n, width, period)
	slots := int((c.now - from) / (20000 * cyclesPerUS))
	if n < 12*(slots-2) || width.least < -0.5 || width.most > 0.5 || period.least < -0.1 || period.most > 0.1 {
		t.Errorf("the light disturbs the pulses of %d slots", slots)
	}
}
