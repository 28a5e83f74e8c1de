package live

import (
	"math"
	"time"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// playback gives the frames of a timeline as numbers: of a stepper the position in
// microsteps, not the difference.
type playback struct {
	tl     *timeline.Timeline
	reader *timeline.Reader
	raw    []uint16
	steps  []int64
}

func newPlayback(tl *timeline.Timeline) *playback {
	p := &playback{tl: tl, raw: make([]uint16, len(tl.Channels)), steps: make([]int64, len(tl.Channels))}
	p.rewind()
	return p
}

func (p *playback) rewind() {
	p.reader = p.tl.Reader()
	for i := range p.steps {
		p.steps[i] = p.tl.Channels[i].Start
	}
}

// next gives the next frame, and whether there is one.
func (p *playback) next(dst []int64) bool {
	if !p.reader.Next(p.raw) {
		return false
	}
	for i, v := range p.raw {
		c := &p.tl.Channels[i]
		dst[i] = int64(c.Unit.Number(v))
		if c.Unit == timeline.StepDelta {
			p.steps[i] += dst[i]
			dst[i] = p.steps[i]
		}
	}
	return true
}

// part is a stretch of a timeline at a speed: which frames are played, and how many
// of the board's frames that gives.
type part struct {
	tl          *timeline.Timeline
	bounds      []bounds
	first, last int64 // frames of the timeline
	speed       float64
	seamless    bool  // the timeline's first frame follows upon the last
	frames      int64 // that the board gets
}

// newPart takes the stretch between two performance times in seconds; to 0 is the
// end. Times are rounded to the frame.
func newPart(tl *timeline.Timeline, bs []bounds, from, to, speed float64, loop bool) part {
	rate := tl.Board.Rate.V
	p := part{tl: tl, bounds: bs, speed: speed, last: tl.Frames - 1}
	p.first = min(max(0, int64(math.Round(from*rate))), p.last)
	if to > 0 {
		p.last = max(p.first, min(p.last, int64(math.Round(to*rate))))
	}
	p.seamless = loop && tl.Loop && p.first == 0 && p.last == tl.Frames-1
	way := float64(p.last - p.first)
	if p.seamless {
		p.frames = max(1, int64(math.Round((way+1)/speed)))
	} else {
		p.frames = int64(math.Ceil(way/speed-1e-9)) + 1
	}
	return p
}

// length gives the time from the first frame to the last, or of a round.
func (p *part) length() time.Duration {
	n := p.frames - 1
	if p.seamless {
		n = p.frames
	}
	return time.Duration(float64(n) * period(p.tl))
}

// period gives a timeline's time from frame to frame in ns.
func period(tl *timeline.Timeline) float64 { return 1e9 / tl.Board.Rate.V }

// ends gives the poses in which the part begins, so many of the board's frames from its
// start on, and ends.
func (p *part) ends(offset int64) (first, last []int64) {
	at := p.first + int64(math.Floor(float64(float64(offset)*p.speed)+1e-9))
	return p.pose(min(at, p.last)), p.pose(p.last)
}

// pose gives where the axes are in a frame of the timeline. A servo that a quiet window
// has let go stands where it was let go; one that has not been held before is taken
// hold of where the motion does so first: none may be met at full speed.
func (p *part) pose(frame int64) []int64 {
	n := len(p.bounds)
	row, pose := make([]int64, n), make([]int64, n)
	play := newPlayback(p.tl)
	for k := int64(0); play.next(row); k++ {
		lacking := false
		for i, v := range row {
			pulse := p.bounds[i].unit == wire.UnitTicks
			switch {
			case !pulse && k <= frame, pulse && v != 0 && (k <= frame || pose[i] == 0):
				pose[i] = v
			}
			lacking = lacking || pulse && pose[i] == 0
		}
		if k >= frame && !lacking {
			break
		}
	}
	return pose
}

// cursor reads a part at falling or standing speed: two neighbouring frames.
type cursor struct {
	part      *part
	play      *playback
	at        int64 // frame of the timeline that now holds
	now, then []int64
	end       bool // nothing follows
}

func (p *part) cursor() *cursor {
	n := len(p.bounds)
	c := &cursor{part: p, play: newPlayback(p.tl), at: -1, now: make([]int64, n), then: make([]int64, n)}
	c.ahead()
	for c.at < p.first && c.step() {
	}
	return c
}

// ahead reads the frame that follows; after the last of a seamless round it is the
// first.
func (c *cursor) ahead() {
	if c.play.next(c.then) {
		return
	}
	if c.end = !c.part.seamless; !c.end {
		c.play.rewind()
		c.end = !c.play.next(c.then)
	}
}

// step goes on by one frame.
func (c *cursor) step() bool {
	if c.end {
		return false
	}
	c.now, c.then = c.then, c.now
	c.at++
	c.ahead()
	return true
}

// fill gives the board's frame j of the part. j must not fall.
func (c *cursor) fill(j int64, dst []int64) {
	at := float64(c.part.first) + float64(float64(j)*c.part.speed)
	if !c.part.seamless {
		at = math.Min(at, float64(c.part.last))
	}
	whole := math.Floor(at + 1e-9)
	for c.at < int64(whole) && c.step() {
	}
	f := math.Max(0, at-whole)
	for i := range dst {
		dst[i] = c.now[i]
		if f > 1e-9 && !c.end {
			dst[i] = c.part.bounds[i].between(c.now[i], c.then[i], f)
		}
	}
}

// segment is a run of frames, evenly spaced from a host time on.
type segment struct {
	start  time.Duration
	frames int64
	fill   func(j int64, dst []int64) // with j rising from 0
}

// stream is what a board is to get, frame by frame. It is not safe for use by two
// at a time.
type stream struct {
	period float64 // ns
	list   []segment
	more   func() []segment // further segments; nil, or none: the stream ends
	j      int64            // frame of list[0] that is next
	// overlay, where it is not nil, sets what a frame has beside the motion's values, by
	// the host time that the frame would have had without any hold.
	overlay func(at time.Duration, dst []int64)
	shift   time.Duration // by which holds have moved all that is to come
	last    time.Duration // host time of the last frame that was taken
}

// peek gives the host time of the next frame, and whether there is one.
func (s *stream) peek() (time.Duration, bool) {
	for {
		for len(s.list) > 0 && s.j >= s.list[0].frames {
			s.list, s.j = s.list[1:], 0
		}
		if len(s.list) > 0 {
			return s.list[0].start + s.shift + time.Duration(math.Round(float64(s.j)*s.period)), true
		}
		if s.more == nil {
			return 0, false
		}
		if s.list = s.more(); len(s.list) == 0 {
			s.more = nil
		}
	}
}

// ahead gives the host time of the frame n after the next, and whether it is in the
// same segment.
func (s *stream) ahead(n int64) (time.Duration, bool) {
	at, ok := s.peek()
	if !ok || s.j+n >= s.list[0].frames {
		return at, false
	}
	return at + time.Duration(math.Round(float64(n)*s.period)), true
}

// pop takes the next frame.
func (s *stream) pop(dst []int64) {
	s.last, _ = s.peek()
	s.list[0].fill(s.j, dst)
	if s.overlay != nil {
		s.overlay(s.last-s.shift, dst)
	}
	s.j++
}
