package live

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"limberjack/transport/board"
)

// lane is what a servo's pulse may be, worked out by hand from the rig's text: from
// the calibration's ends of travel, and the speed limit over one frame.
type lane struct {
	low, high float64 // us
	change    float64 // us from pulse to pulse
}

// keeperLanes are those of keeperRig. arm: 120 deg in 1200 us, so 10 us a degree, and
// 120 deg/s over 20 ms. jaw and lid: 90 deg in 960 us; 200 and 300 deg/s.
var keeperLanes = map[string]lane{
	"arm": {900, 2100, 24},
	"jaw": {1510, 1766, 4 * 960.0 / 90},
	"lid": {1250, 1730, 6 * 960.0 / 90},
}

// allow is by how much pulses and steps of a board may pass the limit of change: its
// own is 1.05 times that of the rig, so that rounding cuts nothing, and a tick more.
const (
	allow = 1.05
	tick  = 0.5 // us
)

// again is the time in us after which a pulse is the first of a new train: four frames
// without one.
const again = 80_000

// gauge looks at the edges of a board's pins, as its recorder writes them, and keeps
// what is out of limits. It is a writer, so that a recording of any length takes no
// memory.
type gauge struct {
	lanes map[string]lane

	mu     sync.Mutex
	rest   []byte
	rise   map[string]float64 // us, of each wire's last rising edge
	width  map[string]float64 // us, of the last pulse
	pulses int                // that were looked at
	steps  int
	cuts   map[float64]bool // us at which power was cut: what ends then is no pulse
	wrong  []string
	recent map[string][]float64 // rising edges of steppers
	way    map[string]bool      // their direction
}

func newGauge(lanes map[string]lane) *gauge {
	return &gauge{lanes: lanes, rise: map[string]float64{}, width: map[string]float64{}, recent: map[string][]float64{}, way: map[string]bool{}, cuts: map[float64]bool{}}
}

// record makes a board's configuration write its edges to the gauge. What it gives
// ends the recording.
func (g *gauge) record(o *board.Options) (finish func() error) {
	r := board.NewRecorder(g, board.CSV, &o.Config)
	slot, drop := o.Config.Slot, o.Config.Drop
	o.Config.Slot = func(s *board.Slot) {
		if slot != nil {
			slot(s)
		}
		r.Slot(s)
	}
	o.Config.Drop = func(at int64, cut bool) {
		if drop != nil {
			drop(at, cut)
		}
		if cut {
			g.mu.Lock()
			g.cuts[float64(at)] = true
			g.mu.Unlock()
		}
		r.Drop(at, cut)
	}
	return r.Close
}

// Write takes a part of a recording.
func (g *gauge) Write(p []byte) (int, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.rest = append(g.rest, p...)
	for {
		line, rest, ok := bytes.Cut(g.rest, []byte("\n"))
		if !ok {
			return len(p), nil
		}
		g.line(string(line))
		g.rest = append(g.rest[:0], rest...)
	}
}

func (g *gauge) line(text string) {
	f := strings.Split(text, ",")
	at, err := strconv.ParseFloat(f[0], 64)
	if err != nil || len(f) != 5 {
		return // the head
	}
	name, wire, high := f[2], f[3], f[4] == "1"
	switch {
	case wire == "pulse" && high:
		if at-g.rise[name] > again {
			delete(g.width, name)
		}
		g.rise[name] = at
	case wire == "pulse":
		g.pulse(name, at)
	case wire == "dir":
		g.way[name] = high
		g.recent[name] = nil
	case wire == "step" && high:
		g.step(name, at)
	}
}

// pulse looks at a pulse that ends.
func (g *gauge) pulse(name string, at float64) {
	l, ok := g.lanes[name]
	if !ok || g.cuts[at] {
		return
	}
	w := at - g.rise[name]
	g.pulses++
	if w < l.low-1e-6 || w > l.high+1e-6 {
		g.fault("%s has a pulse of %.4f us at %.0f us, %.1f to %.1f are allowed", name, w, at, l.low, l.high)
	}
	if before, ok := g.width[name]; ok {
		// Both pulses are rounded to the tick, and the limit is rounded up to one.
		if d := max(w-before, before-w); d > l.change*allow+2*tick {
			g.fault("%s jumps by %.4f us at %.0f us, %.1f are allowed", name, d, at, l.change*allow+2*tick)
		}
	}
	g.width[name] = w
}

// step looks at as many steps as may come in a frame: there is at least the least time
// between slots, 15/16 of a frame, between the first and the one after the last.
func (g *gauge) step(name string, at float64) {
	const most = 18 // 16 times 1.05, and the next whole step
	const room = 20_000 * 15.0 / 16
	g.steps++
	list := append(g.recent[name], at)
	if n := len(list) - 1; n > most {
		// Steps stand in the middle of equal parts of a slot, so that up to one part less
		// can be between them.
		if span := at - list[0]; span < room*(1-1.0/most)-1 {
			g.fault("%s makes %d steps in %.0f us at %.0f us", name, n, span, at)
		}
		list = list[1:]
	}
	g.recent[name] = list
}

func (g *gauge) fault(format string, args ...any) {
	if len(g.wrong) < 20 {
		g.wrong = append(g.wrong, fmt.Sprintf(format, args...))
	}
}

// found gives what was looked at, and what was wrong.
func (g *gauge) found() (pulses, steps int, wrong []string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.pulses, g.steps, append([]string(nil), g.wrong...)
}
