package live

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"limberjack/sequence"
	"limberjack/transport/timeline"
)

// Questions that somebody who sees the prop has to answer with yes before Arm.
const (
	RestQuestion  = "Does every axis stand at its rest, with hands and cables out of the way? Servos take hold at full speed."
	clearQuestion = "Look at the prop: is all clear of hands and cables?"
)

// AgainQuestion is what has to be answered with yes before boards are armed anew in a
// session. loose is what Back gives.
func AgainQuestion(loose []string) string {
	if len(loose) == 0 {
		return clearQuestion + " Every axis has held its place."
	}
	return fmt.Sprintf("%s Let go, and taken to stand still where they were last told to: %s. What stands elsewhere now would go there at full speed.",
		clearQuestion, strings.Join(loose, ", "))
}

// stopPatience is how long Halt lets a board take to stop.
const stopPatience = 5 * time.Second

// Ensemble is the boards that play together, in the order in which they were added. The
// zero value has none. Its methods may be called at the same time; Halt waits for none
// of the others.
type Ensemble struct {
	mu     sync.Mutex
	boards []*Board
	halts  []<-chan struct{}
}

// Connect dials a place, connects to the board there, and adds it, before it is armed.
// opts.Dial is set to dial the place, where it is nil. The session lives as long as life, dialling as long as ctx.
func (e *Ensemble) Connect(ctx, life context.Context, place Place, opts Options) error {
	if opts.Dial == nil {
		opts.Dial = place.Dial
	}
	link, err := opts.Dial(ctx)
	if err != nil {
		return err
	}
	b, err := Connect(life, link, opts)
	if err == nil {
		e.Add(b)
	}
	return err
}

// Add adds a board, which is under Halt from now on.
func (e *Ensemble) Add(b *Board) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.boards = append(e.boards[:len(e.boards):len(e.boards)], b)
}

// Boards gives the boards, in order.
func (e *Ensemble) Boards() []*Board {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.boards
}

// Flush waits until all that has happened was told of.
func (e *Ensemble) Flush() {
	for _, b := range e.Boards() {
		b.Flush()
	}
}

// Arm arms all boards, one after the other, where Board.Standing takes them to stand.
// Where one cannot be armed the others are as they are: stop them. Whoever stops
// meanwhile ends ctx first, so that no board is armed after it was stopped.
func (e *Ensemble) Arm(ctx context.Context) error {
	for _, b := range e.Boards() {
		if err := b.Arm(ctx, nil); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// Armed is nil while all boards are armed, and otherwise tells of the first that is not.
func (e *Ensemble) Armed() *LostError {
	for _, b := range e.Boards() {
		if armed, why := b.Armed(); !armed {
			return &LostError{Board: b.Name(), Text: why}
		}
	}
	return nil
}

// AnyArmed says whether pulses leave any of the boards, or may, as far as the host knows.
func (e *Ensemble) AnyArmed() bool {
	for _, b := range e.Boards() {
		b.mu.Lock()
		armed := b.armed || b.arming
		b.mu.Unlock()
		if armed {
			return true
		}
	}
	return false
}

// Back waits until all boards are connected and set up, as they are anew some time after
// one was lost, and says in words which axes were let go: see Board.Loose.
func (e *Ensemble) Back(ctx context.Context) (loose []string, err error) {
	for _, b := range e.Boards() {
		if err := b.Await(ctx); err != nil {
			return nil, err
		}
		list, err := b.Loose(ctx)
		if err != nil {
			return nil, err
		}
		loose = append(loose, list...)
		b.Flush()
	}
	return loose, nil
}

// Halt stops all boards, controlled, or drops their pulses. It returns at once: each
// board is stopped beside the others, so that a slow one holds none of them up. failed
// is called with what went wrong: then the power has to be switched off. The channel is
// closed when all is over.
func (e *Ensemble) Halt(drop bool, failed func(error)) <-chan struct{} {
	done := make(chan struct{})
	var all sync.WaitGroup
	for _, b := range e.Boards() {
		all.Go(func() {
			if err := b.bring(drop); err != nil && !errors.Is(err, ErrClosed) {
				failed(err)
			}
		})
	}
	e.mu.Lock()
	e.halts = append(e.halts, done)
	e.mu.Unlock()
	go func() {
		all.Wait()
		e.mu.Lock()
		e.halts = slices.DeleteFunc(e.halts, func(c <-chan struct{}) bool { return c == (<-chan struct{})(done) })
		e.mu.Unlock()
		close(done)
	}()
	return done
}

// bring stops a board, and waits until it has.
func (b *Board) bring(drop bool) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(b.ctx), stopPatience)
	defer cancel()
	if drop {
		return b.Drop(ctx)
	}
	return b.Stop(ctx)
}

// Halted waits until all is over that Halt has begun so far.
func (e *Ensemble) Halted() {
	e.mu.Lock()
	list := slices.Clone(e.halts)
	e.mu.Unlock()
	for _, done := range list {
		<-done
	}
}

// Close ends all sessions at once: what is armed is stopped first, controlled, and what
// Halt has begun is waited for, since a link that is closed carries no stop.
func (e *Ensemble) Close() {
	e.Halted()
	var all sync.WaitGroup
	for _, b := range e.Boards() {
		all.Go(func() { b.Close() })
	}
	all.Wait()
}

// Play plays timelines, one a board, in their order: see Play.
func (e *Ensemble) Play(ctx context.Context, lines []*timeline.Timeline, opts PlayOptions) error {
	return Play(ctx, e.Boards(), lines, opts)
}

// Sounding sets how the motion waits for the sound player on a rig, and for how long the
// player's trigger is on. The player knows its sound only from the beginning and at full
// speed: otherwise it is not started. From and Speed must have been set.
func (o *PlayOptions) Sounding(rig *sequence.Rig) {
	p := rig.Sound
	if p == nil {
		return
	}
	o.SoundDelay = seconds(p.Delay.V)
	if o.From == 0 && o.Speed == 1 {
		o.Trigger = seconds(p.PulseLength())
	}
}

func seconds(v float64) time.Duration { return time.Duration(v * float64(time.Second)) }
