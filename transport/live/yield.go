package live

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"limberjack/transport/wire"
)

// ErrYielded is what Play and Move give after Yield: the boards are armed, and stand still.
var ErrYielded = errors.New("the motion gave way to another")

// restLook is how long two poses that are the same lie apart at least in a board at rest.
const restLook = 60 * time.Millisecond

// Yield ends what is played on several boards, held or not, so that something else can
// be: what is queued is dropped, every axis is brought to rest within its limits, and its
// pulses stay. The errors are joined; after one some boards may play on: stop them.
func Yield(ctx context.Context, boards ...*Board) error {
	return each(boards, func(b *Board) error { return b.yield(ctx) })
}

func (b *Board) yield(ctx context.Context) error {
	b.mu.Lock()
	armed := b.armed
	if armed {
		b.stream = nil
		b.yields++
		b.yielding++
		defer b.gave()
	}
	b.mu.Unlock()
	if !armed {
		return fmt.Errorf("board %s: %w", b.name, ErrNotArmed)
	}
	// What the pump has taken already leaves before the question: else it would be queued
	// behind it, and be played in the middle of what comes.
	if err := b.await(ctx, answerTime, func() bool { return !b.sending }); err != nil {
		return err
	}
	b.mu.Lock()
	index := b.status.Index
	b.mu.Unlock()
	if err := b.must(ctx, &wire.Flush{Index: index}); err != nil {
		return err
	}
	st, err := b.Report(ctx)
	if err == nil && st.State == wire.StateHeld {
		// Without frames nothing moves: it only lets the next ones be played.
		err = b.must(ctx, &wire.Resume{Time: st.Time})
	}
	if err == nil {
		err = b.still(ctx)
	}
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.halted || !b.armed {
		return ErrStopped
	}
	b.index, b.held, b.yielded = st.Index, false, true
	b.signal()
	return nil
}

// gave ends a Yield, whatever came of it.
func (b *Board) gave() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.yielding--
}

// still waits until all axes stand.
func (b *Board) still(ctx context.Context) error {
	var before []int64
	// Between two frames every axis stands, also one that moves.
	look := max(restLook, time.Duration(3*period(b.tl)))
	for end := b.clock.Now() + restTime; ; {
		now, _, err := b.Pose(ctx)
		if err != nil {
			return err
		}
		if slices.Equal(now, before) {
			return nil
		}
		if b.clock.Now() > end {
			return &LostError{Board: b.name, Text: "it does not come to rest"}
		}
		before = now
		select {
		case <-b.clock.After(look):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// gaveWay reports whether all boards of a performance have yielded.
func (p *performance) gaveWay() bool {
	for _, v := range p.voices {
		v.board.mu.Lock()
		yielded := v.board.yielded && v.board.armed
		v.board.mu.Unlock()
		if !yielded {
			return false
		}
	}
	return true
}
