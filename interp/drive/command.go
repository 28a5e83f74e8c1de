package drive

import (
	"cmp"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
)

const (
	noBoardRate = 50.0 // Hz, of an axis without a board (common practice)
	blockFrames = 128  // frames that are read from a curve at a time
)

// commands are the values that a board sends out, frame by frame: those of a
// curve at the frame times, in the board's steps. Before frame 0 stands the
// value of frame 0.
type commands struct {
	cursor interp.Cursor
	rate   float64 // Hz
	delay  float64 // s, from the frame until the actuator knows
	step   func(float64) float64
	frame  int     // the next
	next   float64 // s, when it arrives
	first  int     // of the block
	size   int
	ts, vs [blockFrames]float64
	raw    [blockFrames]float64 // before they were put into steps
	free   []Release            // those that are not over
	gone   [blockFrames]bool    // where the axis is let go; its values do not count there
}

func newCommands(c *interp.Curve, rate, delay float64, from int, free []Release, step func(float64) float64) *commands {
	s := &commands{cursor: c.Cursor(), rate: rate, delay: delay, step: step, frame: from, free: free}
	s.load(from)
	s.next = s.arrival(from)
	return s
}

func (s *commands) load(first int) {
	s.first, s.size = first, blockFrames
	for i := range s.ts {
		s.ts[i] = math.Max(0, float64(first+i)/s.rate)
	}
	s.cursor.Fill(s.vs[:], s.ts[:])
	s.raw = s.vs
	if s.step != nil {
		for i, v := range s.vs {
			s.vs[i] = s.step(v)
		}
	}
	for i := range s.gone {
		s.gone[i] = s.letGo(first + i)
	}
}

// due gives the time at which the next frame arrives.
func (s *commands) due() float64 { return s.next }

func (s *commands) arrival(frame int) float64 { return float64(frame)/s.rate + s.delay }

// pass goes on to the frame after.
func (s *commands) pass() {
	s.frame++
	s.next = s.arrival(s.frame)
}

// reach loads the block of the next frame.
func (s *commands) reach() {
	if s.frame >= s.first+s.size {
		s.load(s.first + s.size)
	}
}

// value gives the value of the next frame.
func (s *commands) value() float64 {
	s.reach()
	return s.vs[s.frame-s.first]
}

// skip goes on, within the block, past frames whose value passes. It reports
// the time of the first that does not, or of the next block.
func (s *commands) skip(passes func(i int) bool) float64 {
	s.reach()
	for s.frame < s.first+s.size && passes(s.frame-s.first) {
		s.frame++
	}
	s.next = s.arrival(s.frame)
	return s.next
}

// rateOf gives the frames a second that an axis gets.
func rateOf(a *sequence.Axis) float64 {
	if a.Board == nil || !(a.Board.Rate.V > 0) {
		return noBoardRate
	}
	return a.Board.Rate.V
}

// calibration is the map between the horn and the servo's pulses.
type calibration struct {
	points []sequence.PulsePoint
	tick   float64 // us; 0: pulses are not rounded
}

func calibrationOf(a *sequence.Axis) calibration {
	c := calibration{points: a.Pulse}
	if a.Board != nil {
		c.tick = a.Board.Tick.V
	}
	return c
}

// unitsPerPulse gives the mean way for a microsecond of pulse, without sign. An
// axis without a calibration has 0.1 deg (400 us are 40 deg: common practice),
// or its travel over 1000 us.
func unitsPerPulse(a *sequence.Axis) float64 {
	if n := len(a.Pulse); n >= 2 {
		first, last := a.Pulse[0], a.Pulse[n-1]
		if first.Pulse.V != last.Pulse.V && first.Value.V != last.Value.V {
			return math.Abs((last.Value.V - first.Value.V) / (last.Pulse.V - first.Pulse.V))
		}
	}
	if a.Unit != "deg" && a.Travel[1].V > a.Travel[0].V {
		return (a.Travel[1].V - a.Travel[0].V) / 1000
	}
	return 0.1
}

// quantised gives where the horn is sent by the pulse for a position, which the
// board rounds to its tick. The trim cancels out but for the rounding.
func (c calibration) quantised(horn, trim float64) float64 {
	if len(c.points) < 2 || !(c.tick > 0) {
		return horn
	}
	i := 1
	for i < len(c.points)-1 && horn > c.points[i].Value.V {
		i++
	}
	p, q := &c.points[i-1], &c.points[i]
	slope := (q.Pulse.V - p.Pulse.V) / (q.Value.V - p.Value.V)
	if slope == 0 {
		return horn
	}
	pulse := p.Pulse.V + float64((horn-p.Value.V)*slope) + trim
	ticks := math.Round(math.RoundToEven(pulse/c.tick*(1<<20)) * (1.0 / (1 << 20)))
	return p.Value.V + (float64(ticks*c.tick)-trim-p.Pulse.V)/slope
}

// offsets gives, for each axis, how long after the frame its pulse starts: a board
// whose pulses do not start together spreads those of its n servos, in the order
// of their channels, over n equal parts of what the longest pulse leaves of the
// frame.
func offsets(p *interp.Performance) []float64 {
	out := make([]float64, len(p.Axes))
	for _, b := range p.Rig.Boards {
		if b.Together || !(b.Rate.V > 0) {
			continue
		}
		var pulsed []int
		longest := 0.0
		for i, a := range p.Axes {
			if a.Spec.Board != b || a.Spec.Kind != sequence.Servo && a.Spec.Kind != sequence.ContinuousServo {
				continue
			}
			pulsed = append(pulsed, i)
			for _, q := range a.Spec.Pulse {
				longest = math.Max(longest, (q.Pulse.V+a.Spec.Trim.V)/1e6)
			}
		}
		slices.SortStableFunc(pulsed, func(i, j int) int { return cmp.Compare(p.Axes[i].Spec.Channel.V, p.Axes[j].Spec.Channel.V) })
		for k, i := range pulsed {
			out[i] = steady(float64(k) * math.Max(0, b.Frame()-longest) / float64(len(pulsed)))
		}
	}
	return out
}
