// Package live plays timelines on controller boards over a serial line or a
// WebSocket, in time, and so that every failure ends in a known, gentle state.
//
// The host need not be real-time: it sends frames ahead, stamped with the time of
// the board's own clock, and the board's timer plays them. How far ahead follows
// from the link's speed and the board's queue (see Lookahead); the board's credits
// refill it. A frame whose time has come is never sent.
//
// # Times
//
// Host times are monotonic, as a time.Duration since some moment of the Clock.
// Board times are a wire.Tick. A Model, made from round trips, is all that turns
// one into the other. Performance times are seconds of the timeline.
//
// # Slow rehearsal
//
// A speed below 1 resamples: the board gets frames at its usual rate, with values
// between those of the timeline in proportion. Frames set further apart would
// move the axes in steps. Switches, and pulses that come or go, keep the value of
// the frame before.
//
// # Safety
//
// Stops sent by this package are stops by software. They reach a board only while
// host, link and board work, and replace no switch that cuts the power.
package live

import (
	"time"
)

// Clock gives a host's monotonic time. Nothing in this package looks at another,
// except the log of a take for the date.
type Clock interface {
	// Now gives the time since some moment.
	Now() time.Duration
	// After gives a channel that gets a value when d has passed.
	After(d time.Duration) <-chan time.Time
}

// MachineClock gives the clock by which links measure, and sessions that are given no
// other.
func MachineClock() Clock { return systemClock }

// SystemClock is the clock of the machine, from when it was made.
type SystemClock struct{ start time.Time }

// NewSystemClock gives a clock that begins now.
func NewSystemClock() SystemClock { return SystemClock{time.Now()} }

// Now gives the time since the clock was made.
func (c SystemClock) Now() time.Duration { return time.Since(c.start) }

// After is time.After.
func (c SystemClock) After(d time.Duration) <-chan time.Time { return time.After(d) }
