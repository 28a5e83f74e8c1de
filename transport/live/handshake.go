package live

import (
	"context"
	"errors"
	"fmt"
	"time"

	"limberjack/transport/wire"
)

// SlowLinkError is a link that cannot carry what a motion needs.
type SlowLinkError struct {
	Board      string
	Need, Have float64 // bytes a second
	Channels   int
	Rate       float64 // Hz
}

// Error says what is needed and what to do.
func (e *SlowLinkError) Error() string {
	return fmt.Sprintf("the link to board %s is too slow: %d channels at %v Hz need %.0f bytes a second, and it carries %.0f: raise the baud rate to %.0f at least, or lower the board's rate",
		e.Board, e.Channels, e.Rate, e.Need, e.Have, e.Need*wire.BitsPerByte)
}

// handshake identifies, compares, measures the clock and sets up.
func (b *Board) handshake() error {
	if err := b.identify(); err != nil {
		return err
	}
	if err := b.compare(); err != nil {
		return err
	}
	if err := b.await(b.ctx, time.Second, func() bool { return len(b.model.kept) >= 3 && b.trips >= clockQuick/2 }); err != nil {
		return b.deaf(err, "it does not tell its time")
	}
	if err := b.configure(); err != nil {
		return err
	}
	b.mu.Lock()
	link, id := b.link, b.id
	b.mu.Unlock()
	if link == nil {
		return &LostError{Board: b.name, Text: "the connection broke"}
	}
	b.logBoard(link, &id)
	text := fmt.Sprintf("%s on %s, %d channels, queue of %d frames", id.Name, link, id.Channels, id.Depth)
	if id.Cause != wire.ResetUnknown || id.Resets > 0 {
		text += fmt.Sprintf("; last reset: %s", id.Cause.Meaning())
	}
	b.announce(Event{What: Connected, Text: text})
	return nil
}

// identify asks who is there until there is an answer.
func (b *Board) identify() error {
	if b.opts.Events != nil {
		b.announce(Event{What: Note, Text: "opening a port resets many boards: axes may go limp until the board is armed"})
	}
	for end := b.clock.Now() + b.opts.Wait; b.clock.Now() < end; {
		if _, err := b.send(&wire.Identify{Version: wire.Version}); err != nil && !errors.Is(err, ErrOvertaken) {
			return err
		}
		err := b.await(b.ctx, identifyEvery, func() bool { return b.known })
		if !errors.Is(err, context.DeadlineExceeded) {
			return err
		}
	}
	return &LostError{Board: b.name, Text: fmt.Sprintf("nothing answered within %v; is it powered, does it run the firmware, is the baud rate of the rig its own?", b.opts.Wait)}
}

// deaf makes an error of the session out of one of await.
func (b *Board) deaf(err error, text string) error {
	if errors.Is(err, context.DeadlineExceeded) && b.ctx.Err() == nil {
		return &LostError{Board: b.name, Text: text}
	}
	return err
}

// compare holds the board against the timeline, and works the bounds out.
func (b *Board) compare() error {
	id := b.Identity()
	m := match{tl: b.tl, id: &id}
	m.whole()
	var bs []bounds
	for i := range b.tl.Channels {
		c := &b.tl.Channels[i]
		bs = append(bs, newBounds(c, b.reach[i], b.opts.SoftSpeed))
		if c.Number >= int(id.Channels) {
			continue
		}
		l, err := b.ask(uint8(c.Number))
		if err != nil {
			return err
		}
		m.channel(c, &bs[i], b.reach[i], &l)
	}
	if len(m.texts) > 0 {
		return &MismatchError{Board: b.name, Name: string(id.Name), Differences: m.texts}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.bounds = bs
	return nil
}

// ask asks for the limits of an output.
func (b *Board) ask(channel uint8) (l wire.Limits, err error) {
	for range answerTries {
		if _, err := b.send(&wire.Ask{Channel: channel}); err != nil && !errors.Is(err, ErrOvertaken) {
			return l, err
		}
		err := b.await(b.ctx, answerTime, func() (ok bool) {
			l, ok = b.limits[channel]
			return ok
		})
		if !errors.Is(err, context.DeadlineExceeded) {
			return l, err
		}
	}
	return l, &LostError{Board: b.name, Text: fmt.Sprintf("it does not tell the limits of channel %d", channel)}
}

// configure tells the board how its channels are used.
func (b *Board) configure() error {
	if err := b.rest(); err != nil {
		return err
	}
	setup := &wire.Setup{Channels: uint8(len(b.tl.Channels)), Period: periodOf(b.tl), Silence: uint16(min(b.opts.Silence.Milliseconds(), 60000))}
	if err := b.must(b.ctx, setup); err != nil {
		return err
	}
	for i := range b.tl.Channels {
		m := b.bounds[i].message(&b.tl.Channels[i])
		if err := b.must(b.ctx, &m); err != nil {
			return err
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.link == nil {
		return &LostError{Board: b.name, Text: "the connection broke"}
	}
	if err := b.measure(b.link); err != nil {
		return err
	}
	size := 1024
	for size < int(b.id.Depth)+16 {
		size *= 2
	}
	b.times = make([]time.Duration, min(size, 1<<16))
	b.ready = true
	return nil
}

// rest stops a board that is still armed, from a session that ended without its
// knowing: it can be set up only then.
func (b *Board) rest() error {
	st, err := b.Report(b.ctx)
	if err != nil {
		return err
	}
	switch st.State {
	case wire.StateArmed, wire.StatePlaying, wire.StateHeld, wire.StateStopping:
		if err := b.halt(b.ctx, wire.CategoryControlled); err != nil {
			return err
		}
		return b.comesToRest(b.ctx)
	}
	return nil
}

// Report asks the board for its status.
func (b *Board) Report(ctx context.Context) (wire.Status, error) {
	for range answerTries {
		b.mu.Lock()
		before := b.statusAt
		b.mu.Unlock()
		if _, err := b.send(&wire.Query{Topic: wire.TopicStatus}); err != nil && !errors.Is(err, ErrOvertaken) {
			return wire.Status{}, err
		}
		err := b.await(ctx, answerTime, func() bool { return b.statusAt > before })
		if err == nil {
			return b.Status(), nil
		}
		if !errors.Is(err, context.DeadlineExceeded) || ctx.Err() != nil {
			return wire.Status{}, err
		}
	}
	return wire.Status{}, &LostError{Board: b.name, Text: "it does not report"}
}

func (b *Board) logBoard(link Link, id *wire.Identity) {
	if b.opts.Take == nil {
		return
	}
	l := takeBoard{Log: "board", Board: b.name, Name: string(id.Name), Link: link.String(), Boot: id.Boot,
		Rig: b.tl.Fingerprint, Motion: b.tl.Motion, Print: b.print}
	for i := range b.tl.Channels {
		l.Channel = append(l.Channel, b.tl.Channels[i].Number)
		l.Axes = append(l.Axes, b.tl.Channels[i].Axis.Name)
	}
	b.opts.Take.add(l)
}
