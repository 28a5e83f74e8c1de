package timeline

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"limberjack/interp"
	"limberjack/sequence"
)

// Release is a run of frames in which a channel is let go.
type Release struct{ First, Last int64 }

// releasable reports whether a channel of this unit can be let go: without a
// pulse a servo makes no effort, and a motor at no duty is off, braked or coasting
// as its rig says. A stepper's value counts steps and cannot say that its windings
// are off; they hold, and its position stays known. Lamps and relays have nothing
// to let go. Those three go on with their values.
func releasable(u Unit) bool { return u == PulseTicks || u == Duty }

// windows gives the spans of performance time in which a motion's quiet windows
// let an axis go.
func windows(p *interp.Performance, a *sequence.Axis) (spans [][2]float64) {
	if p.Script == nil || !releasable(unitOf(a.Kind)) {
		return nil
	}
	for _, q := range p.Script.Quiet {
		if slices.Contains(q.Release, a) {
			spans = append(spans, [2]float64{p.PerformanceTime(q.From), p.PerformanceTime(q.To)})
		}
	}
	return spans
}

// releases gives the frames in spans of time, each from the first frame at or
// after its start to the last one before its end, joined where they touch. Times
// are snapped to the grid, so that a frame at an edge is on the same side of it
// everywhere.
func releases(spans [][2]float64, rate float64, frames int64) []Release {
	var list []Release
	for _, s := range spans {
		r := Release{max(0, frameFrom(s[0], rate)), min(frames, frameFrom(s[1], rate)) - 1}
		if r.First <= r.Last {
			list = append(list, r)
		}
	}
	slices.SortFunc(list, func(a, b Release) int { return cmp.Compare(a.First, b.First) })
	var joined []Release
	for _, r := range list {
		if n := len(joined); n > 0 && r.First <= joined[n-1].Last+1 {
			joined[n-1].Last = max(joined[n-1].Last, r.Last)
			continue
		}
		joined = append(joined, r)
	}
	return joined
}

// frameFrom gives the first frame at or after a time in seconds.
func frameFrom(t, rate float64) int64 {
	return int64(math.Ceil(math.Round(t*rate*grid) / grid))
}

// released reports whether a frame is in one of the releases.
func released(list []Release, frame int64) bool {
	_, in := slices.BinarySearchFunc(list, frame, func(r Release, frame int64) int {
		switch {
		case r.Last < frame:
			return -1
		case r.First > frame:
			return 1
		}
		return 0
	})
	return in
}

// releaseKey and releaseNote are the line by which a head says what its released
// frames hold.
const (
	releaseKey  = "released"
	releaseNote = "in these frames ticks of 0 are no pulse, duty of 0 is a motor that is off"
)

// releases reports whether any channel is let go.
func (h *Head) releases() bool {
	return slices.ContainsFunc(h.Channels, func(c HeadChannel) bool { return len(c.Released) > 0 })
}

// releaseText gives the releases as a channel's line has them.
func (c *HeadChannel) releaseText() string {
	var s strings.Builder
	for _, r := range c.Released {
		fmt.Fprintf(&s, " %d-%d", r.First, r.Last)
	}
	return s.String()
}

// setReleases is the inverse.
func (c *HeadChannel) setReleases(text string) error {
	for _, word := range strings.Split(text, " ") {
		first, last, _ := strings.Cut(word, "-")
		a, errA := strconv.ParseInt(first, 10, 64)
		b, errB := strconv.ParseInt(last, 10, 64)
		if err := errors.Join(errA, errB); err != nil {
			return fmt.Errorf("%q is no first and last frame", word)
		}
		c.Released = append(c.Released, Release{a, b})
	}
	return nil
}

// saneReleases is an error where releases are not in order, not in the motion, or
// of a channel that cannot be let go.
func (h *Head) saneReleases() error {
	for i := range h.Channels {
		c, from := &h.Channels[i], int64(0)
		for _, r := range c.Released {
			if r.First < from || r.Last < r.First || r.Last >= h.Frames || !releasable(c.Unit) {
				return fmt.Errorf("%s cannot be released in frames %d to %d", c.Axis, r.First, r.Last)
			}
			from = r.Last + 2
		}
	}
	return nil
}

// effort is an error where a frame's values do not fit the releases: in those, and
// only in those, is there no pulse, and a motor that is let go is off.
func (h *Head) effort(frame int64, values []uint16) error {
	for i := range h.Channels {
		c := &h.Channels[i]
		if !releasable(c.Unit) || c.Unit == Duty && len(c.Released) == 0 {
			continue
		}
		switch free := released(c.Released, frame); {
		case free && values[i] != 0:
			return fmt.Errorf("%s is released in frame %d, and its value is not 0", c.Axis, frame)
		case !free && values[i] == 0 && c.Unit == PulseTicks:
			return fmt.Errorf("%s has no pulse in frame %d, where it is not released", c.Axis, frame)
		}
	}
	return nil
}
