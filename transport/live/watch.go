package live

import (
	"context"
	"errors"
	"fmt"
	"time"

	"limberjack/transport/wire"
)

// watchEvery is how often a session looks after its link.
const watchEvery = 50 * time.Millisecond

// probeEvery is after what time without a status, of which there should be ten a
// second, a board is asked who it is: one that was reset says nothing by itself.
const probeEvery = 250 * time.Millisecond

// toBeat gives the time to the next multiple of a time: what looks around now and then
// does so on one beat, since each wake-up of a computer costs more than the look.
func toBeat(now, every time.Duration) time.Duration { return every - now%every }

// watch looks after the link as long as the session lives: it gives one up that says
// nothing, opens it again, and sets a board up anew that was reset. In the end it
// stops what is armed.
func (b *Board) watch() {
	down := time.Duration(-1) // since when there is no link
	looked := b.clock.Now()
	for b.ctx.Err() == nil {
		select {
		case <-b.clock.After(toBeat(b.clock.Now(), watchEvery)):
		case <-b.ctx.Done():
			continue
		}
		b.mu.Lock()
		link, now, over := b.link, b.clock.Now(), b.ended != nil
		if now-looked > asleep {
			b.heard = max(b.heard, now-deafArmed/2) // what came meanwhile is still to be read
		}
		looked = now
		silent, quiet := link != nil && now-b.heard > deafTime, link != nil && b.armed && now-b.heard > deafArmed
		probe := link != nil && b.ready && now-max(b.statusAt, b.probed) > probeEvery
		if probe {
			b.probed = now
		}
		anew := link != nil && !b.ready && b.known || b.wasReset()
		b.mu.Unlock()
		switch {
		case over && link == nil:
			b.unlinked(now, &down)
			<-b.ctx.Done()
		case silent:
			b.broken(link, &LinkError{Link: link.String(), Text: fmt.Sprintf("nothing was heard of the board for %v", deafTime)})
		case quiet:
			b.fellQuiet(link)
		case link == nil:
			b.unlinked(now, &down)
			b.redial()
		case anew:
			b.again()
		case probe:
			down = -1
			b.send(&wire.Identify{Version: wire.Version})
		default:
			down = -1
		}
	}
	b.farewell()
}

// fellQuiet gives up an armed board that says nothing: others shall not play on
// without it. Should it hear more than it says, it stops.
func (b *Board) fellQuiet(link Link) {
	b.mu.Lock()
	b.disarmed(fmt.Sprintf("nothing was heard of it for %v", deafArmed))
	b.signal()
	b.mu.Unlock()
	link.Urgent(&wire.Stop{Category: wire.CategoryControlled})
}

// wasReset reports whether the last status is that of a board that began anew. b.mu
// is held.
func (b *Board) wasReset() bool {
	return b.ready && !b.armed && b.statusAt > 0 && b.status.State == wire.StateSilent && b.status.Cause == wire.CauseReset && b.lost != ""
}

// unlinked disarms, as far as the host is concerned, a board that by now has done
// what its axes' policies say.
func (b *Board) unlinked(now time.Duration, down *time.Duration) {
	if *down < 0 {
		*down = now
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ended != nil || now-*down > b.opts.Silence {
		b.disarmed("the connection broke")
		b.signal()
	}
}

// redial opens the link again, each time waiting longer.
func (b *Board) redial() {
	wait := backoffFirst
	began := b.clock.Now()
	for b.ctx.Err() == nil {
		link, err := b.opts.Dial(b.ctx)
		if err == nil {
			b.attach(link)
			b.again()
			return
		}
		b.announce(Event{What: Reconnecting, Text: err.Error(), Left: wait})
		select {
		case <-b.clock.After(wait):
		case <-b.ctx.Done():
			return
		}
		b.unlinked(b.clock.Now(), &began)
		wait = min(2*wait, backoffMost)
	}
}

// again identifies a board that was connected before. One that is still armed goes
// on as it is; any other is set up anew. What fails is tried again by watch.
func (b *Board) again() {
	err := b.identify()
	if err == nil {
		_, err = b.Report(b.ctx)
	}
	if err == nil {
		b.mu.Lock()
		keeps := b.armed && b.link != nil
		if keeps {
			b.ready = true
			b.signal()
		}
		b.lost = ""
		b.mu.Unlock()
		if keeps {
			b.announce(Event{What: Connected, Text: "the connection is back in time; the motion goes on"})
			return
		}
		err = b.setupAgain()
	}
	if err != nil && b.ctx.Err() == nil {
		b.announce(Event{What: Reconnecting, Text: err.Error()})
		b.mu.Lock()
		link := b.link
		b.mu.Unlock()
		if link != nil {
			b.broken(link, err)
		}
		select {
		case <-b.clock.After(backoffFirst):
		case <-b.ctx.Done():
		}
	}
}

func (b *Board) setupAgain() error {
	err := b.handshake()
	var mismatch *MismatchError
	if errors.As(err, &mismatch) {
		b.mu.Lock()
		b.ended = err
		b.mu.Unlock()
	}
	return err
}

// farewell stops what is armed when the context of the session has ended.
func (b *Board) farewell() {
	b.mu.Lock()
	armed, over := (b.armed || b.arming) && b.link != nil, b.ended != nil
	b.mu.Unlock()
	if armed && !over {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(b.ctx), stopEvery*stopTries)
		b.halt(ctx, wire.CategoryControlled)
		cancel()
	}
	b.end(context.Cause(b.ctx))
	b.once.Do(func() { close(b.done) })
}
