package drive

import "math"

const (
	restLeast  = 0.1  // s, of a still command that counts as a rest
	settleTime = 0.5  // s after which a servo that still turns is hunting
	huntWait   = 0.25 // s within which a hunting servo comes to a stand again and again
	aims       = 8    // extremes of the command that may be under way at once
)

// path compares where a part is with where the script has it, once a frame of
// its board and wherever the shaft comes to a stand. What it knows does not grow
// with time.
type path struct {
	near  float64 // unit: dead band, slop and a tick; what counts as there
	still float64 // unit of way in a frame, below which a servo does not turn
	out   *AxisTrace

	frames   int
	squares  float64
	free     bool    // the axis is let go: nothing is judged
	last     float64 // command of the frame before
	lastAt   float64
	heading  float64 // of the command
	began    float64 // s, of the move under way
	resting  bool
	restAt   float64
	side     float64 // from which the part comes to the rest
	nearest  float64 // least distance in this rest
	distance float64 // the present one

	queue  [aims]aim
	head   int
	queued int

	turnedAt  float64
	huntStart float64
	hunts     float64 // s in this rest
	low, high float64 // in this rest, since it hunts
}

// aim is an extreme of the command that the part has not reached yet.
type aim struct {
	value, heading float64
	at, began      float64 // s: of the extreme, and of the start of the move
	best, bestAt   float64 // how far the part came
	seen           bool
}

// frame takes in a frame: command and part, and the way of the horn since the
// last.
func (p *path) frame(t, command, part, way, frame float64) {
	p.frames++
	off := command - part
	p.squares += float64(off * off)
	p.distance = math.Abs(off)
	if p.distance > p.out.PeakError {
		p.out.PeakError, p.out.PeakErrorAt = p.distance, t
	}
	switch {
	case p.frames == 1 || p.free:
		p.begin(t, command, part)
	case command != p.last:
		p.moves(command)
	case !p.resting:
		p.rests(part)
	}
	p.last, p.lastAt = command, t
	p.check(t, part)
	if p.resting {
		p.nearest = min(p.nearest, p.distance)
		p.beyond(t, part)
		p.hunt(t, part, way, frame)
	}
}

// begin takes in the first frame of all, or the first with a pulse after a release.
func (p *path) begin(t, command, part float64) {
	p.resting, p.restAt, p.nearest, p.hunts = true, t, math.Inf(1), 0
	if !p.free {
		return
	}
	p.free = false
	if p.distance > p.out.Rejoin {
		p.out.Rejoin, p.out.RejoinAt = p.distance, t
	}
	if p.distance > p.near {
		p.side = math.Copysign(1, part-command)
	}
}

// release takes in a frame without a pulse: a rest ends with the frame before, and
// what the part was under way to no longer counts.
func (p *path) release() {
	if p.frames > 0 && p.resting {
		p.leave(p.lastAt)
	}
	p.free, p.resting, p.queued, p.side = true, false, 0, 0
}

// moves takes in that the command left its last value.
func (p *path) moves(command float64) {
	heading := math.Copysign(1, command-p.last)
	switch {
	case p.resting:
		p.leave(p.lastAt)
		p.began = p.lastAt
	case heading != p.heading:
		p.aim()
		p.began = p.lastAt
	}
	p.heading = heading
}

// rests takes in that the command stands since the frame before.
func (p *path) rests(part float64) {
	p.aim()
	p.resting, p.restAt, p.nearest, p.hunts = true, p.lastAt, math.Inf(1), 0
	p.side = -p.heading
	if off := part - p.last; math.Abs(off) > p.near {
		p.side = math.Copysign(1, off)
	}
}

// leave ends a rest.
func (p *path) leave(t float64) {
	p.resting = false
	if t-p.restAt < restLeast-instant {
		return
	}
	if p.nearest > p.near {
		p.out.Unreached++
		if p.distance > p.out.Missed {
			p.out.Missed, p.out.MissedAt = p.distance, t
		}
	}
	p.queued = 0
}

// aim queues the last value of the command as an extreme.
func (p *path) aim() {
	if p.queued == aims {
		p.drop()
	}
	p.queue[(p.head+p.queued)%aims] = aim{value: p.last, heading: p.heading, at: p.lastAt, began: p.began}
	p.queued++
}

func (p *path) drop() {
	p.head = (p.head + 1) % aims
	p.queued--
}

// check sees whether the part at t has reached the extremes that it is under way
// to, or has turned back before.
func (p *path) check(t, part float64) {
	for p.queued > 0 {
		a := &p.queue[p.head]
		far := float64(a.heading * (part - a.value))
		switch {
		case far >= -p.near:
			p.arrived(a, t)
		case !a.seen || far > a.best:
			a.seen, a.best, a.bestAt = true, far, t
			return
		case far < a.best-p.near && !(p.resting && p.queued == 1):
			p.short(a)
		default:
			return
		}
		p.drop()
	}
}

func (p *path) arrived(a *aim, t float64) {
	if late := t - a.at; a.seen && late > p.out.Late.By {
		p.out.Late = Late{By: late, At: a.at, Began: a.began, Arrived: t}
	}
}

func (p *path) short(a *aim) {
	if by := -a.best; by > p.out.CutShort {
		p.out.CutShort, p.out.CutShortAt = by, a.at
	}
	if late := a.bestAt - a.at; late > p.out.Late.By {
		p.out.Late = Late{By: late, At: a.at, Began: a.began, Arrived: a.bestAt}
	}
}

// beyond measures by how much the part has gone past a rest.
func (p *path) beyond(t, part float64) {
	if by := float64(-p.side * (part - p.last)); by > p.out.Overshoot {
		p.out.Overshoot, p.out.OvershootAt = by, t
	}
}

// turned takes in that the horn came to a stand at t, where the part is at its
// farthest.
func (p *path) turned(t, part float64) {
	p.turnedAt = t
	if p.resting {
		p.beyond(t, part)
		p.low, p.high = min(p.low, part), max(p.high, part)
	}
	p.check(t, part)
}

// hunt counts a frame in which a servo turns to and fro although its command has
// been still for long.
func (p *path) hunt(t, part, way, frame float64) {
	if t-p.restAt < settleTime || way <= p.still || t-p.turnedAt > huntWait {
		return
	}
	if p.hunts == 0 {
		p.huntStart, p.low, p.high = t-frame, part, part
	}
	p.hunts += frame
	p.out.Hunting += frame
	p.low, p.high = min(p.low, part), max(p.high, part)
	p.out.HuntingWay = max(p.out.HuntingWay, p.high-p.low)
	if p.hunts > p.out.LongestHunt {
		p.out.LongestHunt, p.out.HuntingAt = p.hunts, p.huntStart
	}
}

// finish ends the last rest at t.
func (p *path) finish(t float64) {
	if p.resting {
		p.leave(t)
	}
	if p.frames > 0 {
		p.out.RMSError = math.Sqrt(p.squares / float64(p.frames))
	}
}
