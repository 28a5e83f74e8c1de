package web

import (
	"context"
	"errors"
	"runtime"
	"runtime/debug"
	"sync"
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
	return e.sendAfter(func(context.Context) {}, work, over)
}

// sendAfter is send with something to wait for first, which takes no place.
func (e *errands) sendAfter(ready func(ctx context.Context), work func(stop func() bool) ([]byte, error), over func(body []byte)) *errand {
	ctx, callOff := context.WithCancelCause(e.ctx)
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
		ready(ctx)
		if w.body, w.err = e.inTurn(ctx, work); w.err != nil {
			w.body = nil
		}
		if cause := context.Cause(ctx); errors.Is(w.err, errStopped) && cause != nil {
			w.err = cause
		}
	})
	return w
}

// inTurn works when there is a place. A panic becomes errFault.
func (e *errands) inTurn(ctx context.Context, work func(stop func() bool) ([]byte, error)) (body []byte, err error) {
	select {
	case e.places <- struct{}{}:
		defer func() { <-e.places }()
	case <-ctx.Done():
		return nil, errStopped
	}
	ctx, cancel := context.WithTimeoutCause(ctx, buildPatience, errTooLong)
	defer cancel()
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
	return work(stopOf(ctx))
}
