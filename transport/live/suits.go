package live

import (
	"fmt"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// UnsuitedError is a timeline that a board was not set up for.
type UnsuitedError struct {
	Board, Text string
}

// Error says what does not suit, and what to do.
func (e *UnsuitedError) Error() string {
	return fmt.Sprintf("board %s was set up for something else: %s: part, connect, and arm again", e.Board, e.Text)
}

// Suits says why a timeline would not be played as it is: the rig is another now, or an
// axis changes more from frame to frame than the board was set up for, so that the board
// would cut it. nil: it suits.
func (b *Board) Suits(tl *timeline.Timeline) error {
	if !sameChannels(b.tl, tl) {
		return &UnsuitedError{b.name, "the rig's channels, calibrations or boards have changed"}
	}
	rs, _ := survey(tl)
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.bounds) != len(rs) {
		return &LostError{Board: b.name, Text: "it is not set up"}
	}
	for i, r := range rs {
		o, c := &b.bounds[i], &tl.Channels[i]
		switch free := !c.Axis.HasTravel() && o.unit != wire.UnitTicks; {
		case o.unit == wire.UnitState || o.unit == wire.UnitLevel:
		case r.change > int64(o.change):
			return &UnsuitedError{b.name, fmt.Sprintf("%s changes by %s in a frame, and %s were allowed for", c.Axis.Name, amount(c, r.change), amount(c, int64(o.change)))}
		case r.some && free && (r.low < o.low || r.high > o.high):
			return &UnsuitedError{b.name, fmt.Sprintf("%s goes from %s to %s, and %s to %s were allowed for", c.Axis.Name, amount(c, r.low), amount(c, r.high), amount(c, o.low), amount(c, o.high))}
		}
	}
	return nil
}
