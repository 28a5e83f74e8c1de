package drive

import (
	"cmp"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
)

// Release is a run of an axis's frames in which a quiet window lets it go: a servo
// has no pulse, a motor no drive. It is joined from windows that touch.
type Release struct {
	From, To int             // frames of the axis's board, To not included; not bounded by the performance
	Window   *sequence.Quiet // the one that ends it
}

// Releases gives the runs of frames in which an axis is let go, in order of time:
// of each window the frames from the first at or after its start to the last before
// its end. Steppers, lamps and relays are never let go: their values cannot say it.
func Releases(p *interp.Performance, a *sequence.Axis) []Release {
	if p.Script == nil || !releasable(a.Kind) {
		return nil
	}
	var list []Release
	for i := range p.Script.Quiet {
		q := &p.Script.Quiet[i]
		if !slices.Contains(q.Release, a) {
			continue
		}
		r := Release{frameFrom(p.PerformanceTime(q.From), rateOf(a)), frameFrom(p.PerformanceTime(q.To), rateOf(a)), q}
		if r.From < r.To {
			list = append(list, r)
		}
	}
	slices.SortStableFunc(list, func(a, b Release) int { return cmp.Compare(a.From, b.From) })
	var joined []Release
	for _, r := range list {
		last := len(joined) - 1
		switch {
		case last < 0 || r.From > joined[last].To:
			joined = append(joined, r)
		case r.To > joined[last].To:
			joined[last].To, joined[last].Window = r.To, r.Window
		}
	}
	return joined
}

func releasable(k sequence.Kind) bool {
	return k == sequence.Servo || k == sequence.ContinuousServo || k == sequence.Motor
}

// frameFrom gives the first frame at or after a time in seconds, snapped to 2^-20
// frame, so that a window's edge on a frame is not missed by a last bit.
func frameFrom(t, rate float64) int {
	const grid = 1 << 20
	return int(math.Ceil(math.Round(t*rate*grid) / grid))
}

// letGo goes on to a frame that is not before the last one asked for, and reports
// whether the axis is let go there.
func (s *commands) letGo(frame int) bool {
	frame = max(0, frame) // before frame 0 it is as in frame 0
	for len(s.free) > 0 && s.free[0].To <= frame {
		s.free = s.free[1:]
	}
	return len(s.free) > 0 && s.free[0].From <= frame
}

// limp reports whether the next frame lets the axis go.
func (s *commands) limp() bool {
	s.reach()
	return s.gone[s.frame-s.first]
}
