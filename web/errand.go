package web

import (
	"context"
	"errors"
	"runtime"
	"runtime/debug"
	"sync"
	"time"
)

// errFault says that the program is at fault.
var errFault = errors.New("the program could not work it out")

// errand is work that requests wait for. It goes on when they have left, so that the
// next one that asks for the same joins it and does not begin anew.
type errand struct {
	done    chan struct{} // closed when body and err are there
	body    []byte
	err     error
	callOff context.CancelCauseFunc
}

// wait gives what the work has come to, or errWaiting when ctx ends before it.
func (e *errand) wait(ctx context.Context) ([]byte, error) {
	select {
	case <-e.done:
		return e.body, e.err
	case <-ctx.Done():
		return nil, errWaiting
	}
}

// errands does the work of a project in the background: as much at once as there are
// processors, the rest in turn.
type errands struct {
	places chan struct{}
	ctx    context.Context
	end    context.CancelCauseFunc
	tell   func(format string, args ...any)

	mu     sync.Mutex
	closed bool
	wait   sync.WaitGroup
}

func (e *errands) begin(tell func(format string, args ...any)) {
	e.places, e.tell = make(chan struct{}, runtime.GOMAXPROCS(0)), tell
	e.ctx, e.end = context.WithCancelCause(context.Background())
}

// close calls off all work and waits for its end.
func (e *errands) close() {
	e.mu.Lock()
	e.closed = true
	e.mu.Unlock()
	e.end(errStopped)
	e.wait.Wait()
}

// send begins a piece of work, which gives up when stop says so. over takes what it
// has come to, nil where that is nothing, before anyone who waits.
func (e *errands) send(work func(stop func() bool) ([]byte, error), over func(body []byte)) *errand {
	return e.sendResting(e.ctx, nil, work, over)
}

// sendResting is send of work that rests while busy says so, before it begins and whenever
// it asks for stop, and takes no place then. It ends with ctx.
func (e *errands) sendResting(ctx context.Context, busy func() bool, work func(stop func() bool) ([]byte, error), over func(body []byte)) *errand {
	ctx, callOff := context.WithCancelCause(ctx)
	w := &errand{done: make(chan struct{}), callOff: callOff}
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.closed {
		w.err = errStopped
		callOff(nil)
		close(w.done)
		return w
	}
	e.wait.Go(func() {
		defer callOff(nil)
		defer close(w.done)
		defer func() { over(w.body) }()
		if w.body, w.err = e.inTurn(ctx, busy, work); w.err != nil {
			w.body = nil
		}
		if cause := context.Cause(ctx); errors.Is(w.err, errStopped) && cause != nil {
			w.err = cause
		}
	})
	return w
}

// inTurn works when there is a place. A panic becomes errFault.
func (e *errands) inTurn(ctx context.Context, busy func() bool, work func(stop func() bool) ([]byte, error)) (body []byte, err error) {
	s := &shift{places: e.places, busy: busy, left: buildPatience}
	s.ctx, s.end = context.WithCancelCause(ctx)
	defer s.end(nil)
	if !s.enter() {
		return nil, errStopped
	}
	defer s.leave()
	defer func() {
		if what := recover(); what != nil {
			stack := debug.Stack()
			if c, ok := what.(*crash); ok {
				what, stack = c.what, c.stack
			}
			e.tell("internal error in the background: %v\n%s", what, stack)
			err = errFault
		}
	}()
	return work(s.stop)
}

// lookEvery is how often work that goes on looks whether it has to rest.
const lookEvery = 10 * time.Millisecond

// shift is a piece of work in its place. Its rests do not count as time that it takes.
type shift struct {
	ctx    context.Context
	end    context.CancelCauseFunc
	places chan struct{}
	busy   func() bool // something else needs the processors more; nil: nothing ever does

	mu     sync.Mutex // parts of the work, side by side, may ask for stop at once
	inside bool
	since  time.Time     // it has its place
	looked time.Time     // whether it has to rest
	left   time.Duration // that it may take
	timer  *time.Timer   // ends it then
}

// enter rests, and waits for a place; false: the work is called off.
func (s *shift) enter() bool {
	for s.busy != nil && s.busy() {
		select {
		case <-time.After(restEvery):
		case <-s.ctx.Done():
			return false
		}
	}
	select {
	case s.places <- struct{}{}:
	case <-s.ctx.Done():
		return false
	}
	s.inside, s.since = true, time.Now()
	s.timer = time.AfterFunc(s.left, func() { s.end(errTooLong) })
	return true
}

// leave gives the place back.
func (s *shift) leave() {
	if !s.inside {
		return
	}
	s.timer.Stop()
	s.left -= time.Since(s.since)
	s.inside = false
	<-s.places
}

// stop reports whether the work is called off, after a rest where that is due.
func (s *shift) stop() bool {
	if s.ctx.Err() != nil || s.busy == nil {
		return s.ctx.Err() != nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if now := time.Now(); now.Sub(s.looked) >= lookEvery {
		if s.looked = now; s.busy() {
			s.leave()
			return !s.enter()
		}
	}
	return false
}
