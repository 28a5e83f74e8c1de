package live

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"limberjack/sequence"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// Rest gives the values at which the rig's axes rest, one a channel of the timeline,
// for Arm.
func (b *Board) Rest() []uint16 {
	b.mu.Lock()
	defer b.mu.Unlock()
	values := make([]uint16, len(b.bounds))
	for i := range b.bounds {
		values[i] = uint16(b.bounds[i].rest)
	}
	return values
}

// Standing gives where the axes are taken to stand, one value a channel of the
// timeline, for Arm: where they were told to be last in this session, and otherwise at
// rest. What turns on and on is at rest in any case.
func (b *Board) Standing() []uint16 {
	b.mu.Lock()
	defer b.mu.Unlock()
	values := make([]uint16, len(b.bounds))
	for i := range b.bounds {
		values[i] = uint16(b.standing(i))
	}
	return values
}

// standing gives where an axis is taken to stand. b.mu is held.
func (b *Board) standing(i int) int64 {
	c := &b.tl.Channels[i]
	switch {
	case !b.told || c.Unit == timeline.Duty || c.Axis.Kind == sequence.ContinuousServo || c.Trigger:
		return b.bounds[i].rest
	case b.bounds[i].unit != wire.UnitTicks:
		return b.at[i]
	case b.last[i] == 0:
		return b.bounds[i].rest
	}
	return b.last[i]
}

// Loose says in words which servos and steppers have no pulse now, and where Arm would
// take them to stand: an axis that was let go may have been moved, or may have fallen.
func (b *Board) Loose(ctx context.Context) ([]string, error) {
	_, live, err := b.Pose(ctx)
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	var list []string
	for i := range live {
		c := &b.tl.Channels[i]
		if live[i] || c.Unit != timeline.PulseTicks && c.Unit != timeline.StepDelta || c.Axis.Kind == sequence.ContinuousServo {
			continue
		}
		at := b.standing(i)
		if at == b.bounds[i].rest {
			list = append(list, c.Axis.Name+" at rest")
			continue
		}
		list = append(list, c.Axis.Name+" at "+amount(c, at))
	}
	return list, nil
}

// Arm lets pulses leave. values, one a channel of the timeline in its order, say
// where somebody has seen that the prop stands: a servo drives there at full speed
// with its first pulse. nil is what Standing gives: after a connection the rest pose.
// Channels that still hold after a stop keep their present values. Where Arm gives up
// before it knows whether the board is armed, it stops the board.
func (b *Board) Arm(ctx context.Context, values []uint16) (err error) {
	if values == nil {
		b.Pose(ctx) // where it is not answered, what is known is what was sent
		values = b.Standing()
	}
	if len(values) != len(b.tl.Channels) {
		return fmt.Errorf("the pose has %d values, board %s has %d channels", len(values), b.name, len(b.tl.Channels))
	}
	b.mu.Lock()
	ready, boot, was := b.ready, b.id.Boot, b.armed
	b.mu.Unlock()
	switch {
	case was:
		return nil
	case !ready:
		return &LostError{Board: b.name, Text: "it is not set up"}
	case ctx.Err() != nil:
		return ctx.Err()
	}
	b.mu.Lock()
	b.arming, b.halted = true, false
	b.mu.Unlock()
	defer func() { err = b.decided(err) }()
	ack, err := b.request(ctx, &wire.Arm{Boot: boot, Values: wire.Values(nil).Add(values...)})
	if err == nil && ack.Result == wire.ResultState && wire.State(ack.Detail) == wire.StateStopping {
		if err = b.comesToRest(ctx); err == nil {
			ack, err = b.request(ctx, &wire.Arm{Boot: boot, Values: wire.Values(nil).Add(values...)})
		}
	}
	if err != nil {
		return err
	}
	// An ack that was lost leaves an armed board, which refuses to be armed again.
	if ack.Result != wire.ResultOk && !(ack.Result == wire.ResultState && wire.State(ack.Detail) == wire.StateArmed) {
		b.mu.Lock()
		b.arming = false
		b.mu.Unlock()
		return b.notArmed(ack)
	}
	b.mu.Lock()
	if b.halted { // by another goroutine, while the answer was under way
		b.arming = true
		b.mu.Unlock()
		return ErrStopped
	}
	b.armed, b.arming, b.held, b.lost, b.stream, b.stale = true, false, false, "", nil, 0
	b.index, b.limit = 0, wire.Index(b.id.Depth)
	for i := range b.at {
		b.at[i] = b.standing(i)
		if b.bounds[i].unit == wire.UnitTicks {
			b.last[i] = int64(values[i])
		}
	}
	b.told = true
	b.mu.Unlock()
	if _, _, err := b.Pose(ctx); err != nil {
		b.mu.Lock()
		b.armed, b.arming = false, true
		b.mu.Unlock()
		return err
	}
	b.announce(Event{What: Armed})
	return nil
}

// decided ends an arming. A board of which nobody knows whether it is armed is stopped.
func (b *Board) decided(err error) error {
	b.mu.Lock()
	open := b.arming && b.link != nil
	b.arming = false
	b.mu.Unlock()
	if !open {
		return err
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(b.ctx), stopEvery*stopTries)
	defer cancel()
	return errors.Join(err, b.halt(ctx, wire.CategoryControlled))
}

func (b *Board) notArmed(ack wire.Ack) error {
	if ack.Result == wire.ResultBoot {
		return &LostError{Board: b.name, Text: "it was reset since it was identified; connect again"}
	}
	return &RefusedError{Board: b.name, Ack: ack}
}

// Await waits until the board is connected and set up, as it is anew some time after
// it was lost. The error is that of the context, or why the session is over.
func (b *Board) Await(ctx context.Context) error {
	for {
		err := b.await(ctx, time.Hour, func() bool { return b.ready && b.link != nil })
		if !errors.Is(err, context.DeadlineExceeded) || ctx.Err() != nil {
			return err
		}
	}
}

// Armed says whether pulses leave the board, as far as the host knows, and
// otherwise why they do not any more.
func (b *Board) Armed() (armed bool, why string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.armed, b.lost
}

// Pose asks for the values that the board has now, and on which channels pulses
// leave. Positions of steppers are in microsteps.
func (b *Board) Pose(ctx context.Context) (values []int64, live []bool, err error) {
	for range answerTries {
		b.mu.Lock()
		before := b.poseAt
		b.mu.Unlock()
		if _, err := b.send(&wire.Query{Topic: wire.TopicPose}); err != nil && !errors.Is(err, ErrOvertaken) {
			return nil, nil, err
		}
		err := b.await(ctx, answerTime, func() bool { return b.poseAt > before })
		if err == nil {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.seen()
			return slices.Clone(b.at), slices.Clone(b.live), nil
		}
		if !errors.Is(err, context.DeadlineExceeded) || ctx.Err() != nil {
			return nil, nil, err
		}
	}
	return nil, nil, &LostError{Board: b.name, Text: "it does not tell its pose"}
}

// seen takes the last pose as where the axes are. b.mu is held.
func (b *Board) seen() {
	for i, v := range b.pose {
		switch b.bounds[i].unit {
		case wire.UnitSteps:
			b.at[i] = b.bounds[i].position(v, b.at[i])
		default:
			b.at[i] = int64(b.bounds[i].unit.Number(v))
		}
		switch {
		case b.bounds[i].unit != wire.UnitTicks:
		case !b.live[i]:
			// A board keeps where it let an axis go, until it is reset or set up anew. What was
			// sent last may not have been played.
			if b.told && b.at[i] >= b.bounds[i].low && b.at[i] <= b.bounds[i].high {
				b.last[i] = b.at[i]
			}
			b.at[i] = 0
		default:
			b.last[i] = b.at[i]
		}
	}
}

// Stop asks for a controlled stop until the board acknowledges it: every axis is
// brought to rest within its limits, then let go unless it carries weight. It
// overtakes all that waits on the link.
func (b *Board) Stop(ctx context.Context) error {
	b.announce(Event{What: Stopping})
	if err := b.halt(ctx, wire.CategoryControlled); err != nil {
		return err
	}
	err := b.comesToRest(ctx)
	if err == nil {
		b.announce(Event{What: Stopped})
	}
	return err
}

// restTime is how long a board may take to bring its axes to rest.
const restTime = 10 * time.Second

// comesToRest waits until a board that stops has stopped.
func (b *Board) comesToRest(ctx context.Context) error {
	return b.deaf(b.await(ctx, restTime, func() bool { return b.status.State == wire.StateStopped || b.status.State == wire.StateSilent }), "it does not come to rest")
}

// Drop ends all pulses now, also of axes that carry weight, which then fall. It
// asks until the board acknowledges, and overtakes all that waits on the link.
func (b *Board) Drop(ctx context.Context) error {
	err := b.halt(ctx, wire.CategoryDrop)
	if err == nil {
		b.announce(Event{What: Dropped})
	}
	return err
}

// halt sends a stop until it is acknowledged.
func (b *Board) halt(ctx context.Context, category wire.Category) error {
	b.mu.Lock()
	b.stream, b.armed, b.arming, b.held, b.halted, b.lost = nil, false, false, false, true, ErrStopped.Error()
	b.signal()
	b.mu.Unlock()
	var numbers []uint16
	for range stopTries {
		b.mu.Lock()
		link, from, ended := b.link, b.ackCount, b.ended
		b.mu.Unlock()
		if ended != nil {
			return ended
		}
		if link == nil {
			return &LostError{Board: b.name, Text: fmt.Sprintf("there is no connection to stop it by; after %v of silence it does what its axes' \"lost\" says", b.opts.Silence)}
		}
		stop := &wire.Stop{Category: category}
		if s, err := link.Urgent(stop); err != nil {
			b.broken(link, err)
			continue
		} else {
			numbers = append(numbers, s.Sequence)
		}
		b.logSent(stop)
		err := b.await(ctx, stopEvery, func() bool {
			a, ok := b.answer(wire.KindStop, numbers, from)
			return ok && a.Result == wire.ResultOk
		})
		if err == nil || !errors.Is(err, context.DeadlineExceeded) || ctx.Err() != nil {
			return err
		}
	}
	return &LostError{Board: b.name, Text: "it does not acknowledge the stop: switch the power off"}
}

// Hold stops playing where it is; pulses stay.
func (b *Board) Hold(ctx context.Context) error { return Hold(ctx, b) }

// Resume goes on after Hold.
func (b *Board) Resume(ctx context.Context) error { return Resume(ctx, b) }

// Hold stops several boards where they are; pulses stay, and what is queued. What
// was asked is done on as many as possible; the errors are joined.
func Hold(ctx context.Context, boards ...*Board) error {
	return each(boards, func(b *Board) error {
		b.mu.Lock()
		armed := b.armed
		b.held = armed // no frames while the question is open
		b.mu.Unlock()
		if !armed {
			return ErrNotArmed
		}
		if err := b.must(ctx, &wire.Hold{}); err != nil {
			b.mu.Lock()
			b.held = false
			b.signal()
			b.mu.Unlock()
			return err
		}
		b.announce(Event{What: Held})
		return nil
	})
}

// resumeLead is how far ahead of now a motion is resumed.
const resumeLead = 150 * time.Millisecond

// Resume goes on with the motion on several boards that were held, all at the same
// moment of it.
func Resume(ctx context.Context, boards ...*Board) error {
	base, err := firstHeld(ctx, boards)
	if err != nil {
		return err
	}
	var at time.Duration
	for _, b := range boards {
		at = max(at, b.clock.Now()+resumeLead)
	}
	return each(boards, func(b *Board) error { return b.resume(ctx, at-base) })
}

// firstHeld gives the host time at which the first frame that waits on any of the
// boards would have been played.
func firstHeld(ctx context.Context, boards []*Board) (base time.Duration, err error) {
	for i, b := range boards {
		if _, err := b.Report(ctx); err != nil {
			return 0, late(b, err)
		}
		at, ok := b.waiting()
		if !ok {
			return 0, fmt.Errorf("board %s is not held", b.name)
		}
		if i == 0 || at < base {
			base = at
		}
	}
	return base, nil
}

// waiting gives the host time of the first frame that the board has not played.
func (b *Board) waiting() (time.Duration, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.held {
		return 0, false
	}
	if b.index.Ahead(b.status.Index) > 0 {
		return b.times[int(b.status.Index)%len(b.times)], true
	}
	if b.stream != nil {
		if at, ok := b.stream.peek(); ok {
			return at, true
		}
	}
	return b.clock.Now(), true
}

// resume moves all that is to come by shift, and tells the board.
func (b *Board) resume(ctx context.Context, shift time.Duration) error {
	at, ok := b.waiting()
	if !ok {
		return fmt.Errorf("board %s is not held", b.name)
	}
	b.mu.Lock()
	tick := b.model.Tick(at + shift)
	b.mu.Unlock()
	ack, err := b.request(ctx, &wire.Resume{Time: tick})
	if err != nil {
		return err
	}
	if ack.Result != wire.ResultOk && !(ack.Result == wire.ResultState && wire.State(ack.Detail) == wire.StatePlaying) {
		return &RefusedError{Board: b.name, Ack: ack}
	}
	b.mu.Lock()
	for i := b.status.Index; b.index.Ahead(i) > 0; i++ {
		b.times[int(i)%len(b.times)] += shift
	}
	if b.stream != nil {
		b.stream.shift += shift
		b.stream.last += shift
	}
	b.held = false
	b.signal()
	b.mu.Unlock()
	b.announce(Event{What: Resumed})
	return nil
}

// late says of time that is over which board took it: who reads that can look there.
func late(b *Board, err error) error {
	if err == context.DeadlineExceeded { // and nothing better is said already
		return fmt.Errorf("board %s did not answer in time: look at its power and its link", b.name)
	}
	return err
}

// each does the same with all boards at once, and joins the errors.
func each(boards []*Board, do func(*Board) error) error {
	errs := make(chan error, len(boards))
	for _, b := range boards {
		go func() { errs <- late(b, do(b)) }()
	}
	var list []error
	for range boards {
		list = append(list, <-errs)
	}
	return errors.Join(list...)
}
