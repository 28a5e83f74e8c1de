package live

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// Times of a session.
const (
	identifyEvery = 250 * time.Millisecond
	clockFirst    = 30 * time.Millisecond // between the first round trips
	clockEvery    = 100 * time.Millisecond
	keepEvery     = 25 * time.Millisecond // after the last message, while a board is armed: so much shorter is the gap that it bridges
	keepShare     = 0.05                  // of a slow line that this may take
	clockQuick    = 8                     // how many first ones
	answerTime    = 300 * time.Millisecond
	answerTries   = 6
	stopEvery     = 60 * time.Millisecond
	stopTries     = 30
	deafTime      = 2 * time.Second        // without a word from a board, after which its link is given up
	deafArmed     = 500 * time.Millisecond // the same of an armed board, after which it is taken for lost
	asleep        = 150 * time.Millisecond // between two looks, after which it was the host that was away
	backoffFirst  = 40 * time.Millisecond
	backoffMost   = 3 * time.Second
)

// Defaults of Options.
const (
	DefaultSilence = 250 * time.Millisecond
	DefaultWait    = 5 * time.Second
)

// Options are what a session needs.
type Options struct {
	// Timeline is what will be played: it says which channels the board must have.
	Timeline *timeline.Timeline
	// Also are other timelines of the same channels that will be played: the board is set
	// up so that it cuts nothing of them, either.
	Also []*timeline.Timeline
	// Events, where it is not nil, is called for what happens, from one goroutine.
	Events func(Event)
	// Dial opens the link again after it broke. Nil: a broken link ends the session.
	Dial func(context.Context) (Link, error)
	// Take logs what is sent and what comes. Nil: nothing is logged.
	Take *Take
	// Silence is the time without a message after which the board does what its axes'
	// policies say; 0 is DefaultSilence.
	Silence time.Duration
	// Wait is the time that the board has to answer after its port was opened; 0 is
	// DefaultWait.
	Wait time.Duration
	// SoftSpeed is the greatest speed of moves to a first pose and from a last one, in
	// deg/s; linear axes take two thirds of it in mm/s. 0, and all above, is 30 deg/s.
	SoftSpeed float64
	// Clock is the host's; nil is the machine's. Links measure by the machine's.
	Clock Clock
}

func (o *Options) fill() {
	if o.Silence <= 0 {
		o.Silence = DefaultSilence
	}
	if o.Wait <= 0 {
		o.Wait = DefaultWait
	}
	if !(o.SoftSpeed > 0 && o.SoftSpeed < timeline.SoftDegrees) {
		o.SoftSpeed = timeline.SoftDegrees
	}
	if o.Clock == nil {
		o.Clock = systemClock
	}
}

// Errors of a session.
var (
	ErrClosed   = errors.New("the session is closed")
	ErrStopped  = errors.New("the motion was stopped")
	ErrNotArmed = errors.New("the board is not armed: confirm where the prop stands, and arm it")
)

// LostError is a board that was lost while it was needed: its link broke, it was
// reset, or it disarmed by itself. It must be armed anew.
type LostError struct {
	Board, Text string
	Moving      bool    // a motion was under way
	At          float64 // s of performance time, of the last frame that the board is known to have played
}

// Error says which board and why.
func (e *LostError) Error() string { return fmt.Sprintf("the board %s was lost: %s", e.Board, e.Text) }

// Board is a session with one board. Its methods may be called at the same time. It
// lives until Close, or until the context of Connect ends: then what moves is
// stopped.
type Board struct {
	opts   Options
	tl     *timeline.Timeline
	name   string
	clock  Clock
	bounds []bounds
	reach  []reach
	print  string
	tell   *announcer

	ctx    context.Context
	cancel context.CancelFunc
	group  sync.WaitGroup
	done   chan struct{}
	once   sync.Once

	mu      sync.Mutex
	link    Link // nil while there is none
	model   Model
	id      wire.Identity
	known   bool // id is that of the present link
	changed chan struct{}
	wake    chan struct{}
	ended   error // why the session is over

	status   wire.Status
	statusAt time.Duration // 0: there was none on this link
	pose     []uint16
	live     []bool
	poseAt   time.Duration
	limits   map[uint8]wire.Limits
	acks     [32]wire.Ack
	ackCount int
	heard    time.Duration
	probed   time.Duration

	tokens [64]token
	trips  int // clock messages sent on this link
	due    time.Duration
	spoke  time.Duration // when the last message was sent
	keep   time.Duration // time after which the next is, while armed

	ready    bool // set up on the present link
	armed    bool
	arming   bool   // an arm was sent, and nobody knows yet whether it came
	lost     string // why the board is no longer armed
	held     bool
	halted   bool       // by Stop or Drop
	yields   int        // how often Yield was asked for: what was begun before plays no more
	yielding int        // of these, those that are under way
	yielded  bool       // by Yield, since the last stream
	sending  bool       // the pump has a message that has not left yet
	limit    wire.Index // of credit
	index    wire.Index // of the next frame to send
	times    []time.Duration
	at       []int64       // last values sent, or those of the pose
	last     []int64       // last pulse of each channel of ticks that is not 0; it outlives disarming
	told     bool          // at and last are of this session, not only of the rig
	playedAt time.Duration // host time of the last frame that the board is known to have played; 0: none of the stream
	stream   *stream
	ahead    time.Duration
	batch    int
	gather   time.Duration
	flowing  bool // frames are leaving, none waits for others
	stale    int
	values   []int64
	payload  wire.Values
	frame    wire.Frames // these two are the pump's, until Send has returned
	ping     wire.Clock
}

// token is a clock message under way.
type token struct {
	number uint32
	at     time.Duration
}

// Connect identifies the board at the other end of a link, compares it with the
// timeline's board, and sets it up. Opening a serial port resets many boards, so that
// axes may go limp: Connect asks again until the board answers. The board is not
// armed. A board that is another than the rig's is a *MismatchError. The session
// owns the link from now on, and closes it, also where Connect fails.
func Connect(ctx context.Context, link Link, opts Options) (*Board, error) {
	opts.fill()
	if opts.Timeline == nil || len(opts.Timeline.Channels) == 0 {
		link.Close()
		return nil, errors.New("there is no timeline to compare the board with")
	}
	b := newBoard(ctx, opts)
	b.group.Go(func() { b.tell.run(b.done) })
	b.group.Go(b.pump)
	b.attach(link)
	if err := b.handshake(); err != nil {
		b.shut(err)
		return nil, err
	}
	b.group.Go(b.watch)
	return b, nil
}

func newBoard(ctx context.Context, opts Options) *Board {
	tl := opts.Timeline
	n := len(tl.Channels)
	b := &Board{opts: opts, tl: tl, name: tl.Board.Name, clock: opts.Clock, tell: newAnnouncer(opts.Events), done: make(chan struct{}),
		changed: make(chan struct{}), wake: make(chan struct{}, 1), limits: map[uint8]wire.Limits{}, values: make([]int64, n), at: make([]int64, n), last: make([]int64, n)}
	b.model.Trim = tl.Board.Clock.V
	b.ctx, b.cancel = context.WithCancel(ctx)
	b.reach, b.print = survey(tl)
	for _, other := range opts.Also {
		if sameChannels(tl, other) {
			b.reach = widened(b.reach, other)
		}
	}
	return b
}

// attach takes a link into use.
func (b *Board) attach(link Link) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.link, b.known, b.ready, b.trips, b.due = link, false, false, 0, 0
	b.statusAt, b.heard = 0, b.clock.Now()
	b.tokens = [64]token{}
	clear(b.limits)
	b.signal()
	b.group.Go(func() {
		err := link.Receive(func(p wire.Packet, at time.Duration) { b.take(link, p, at) })
		b.broken(link, err)
	})
}

// signal wakes all that wait for something to change. b.mu is held.
func (b *Board) signal() {
	close(b.changed)
	b.changed = make(chan struct{})
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// broken drops a link that failed.
func (b *Board) broken(link Link, err error) {
	link.Close()
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.link != link {
		return
	}
	b.link, b.known = nil, false
	if b.ended == nil && b.opts.Dial == nil && b.ctx.Err() == nil {
		b.ended = err
	}
	b.signal()
	if b.ctx.Err() == nil && b.ready {
		b.announce(Event{What: Lost, Text: err.Error()})
	}
}

// announce tells of an event, and logs it.
func (b *Board) announce(e Event) {
	e.Time, e.Board = b.clock.Now(), b.name
	b.tell.tell(e)
	if e.What != Progress {
		b.opts.Take.add(takeEvent{Log: "event", Board: b.name, Host: e.Time.Microseconds(), What: e.What.String(), Text: e.Text})
	}
}

// await waits until a condition holds, which is asked with b.mu held. It gives an
// error when the time is over, the context or the session.
func (b *Board) await(ctx context.Context, d time.Duration, holds func() bool) error {
	timeout := b.clock.After(d)
	for {
		b.mu.Lock()
		ok, changed, ended := holds(), b.changed, b.ended
		b.mu.Unlock()
		if ok {
			return nil
		}
		if ended != nil {
			return ended
		}
		select {
		case <-changed:
		case <-timeout:
			return context.DeadlineExceeded
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// send sends a message on the present link.
func (b *Board) send(m wire.Message) (Sent, error) {
	b.mu.Lock()
	link, ended, stopped := b.link, b.ended, b.halted && m.Kind() == wire.KindArm
	b.mu.Unlock()
	switch {
	case ended != nil:
		return Sent{}, ended
	case stopped:
		return Sent{}, ErrStopped
	}
	if link == nil {
		return Sent{}, &LostError{Board: b.name, Text: "there is no connection to it"}
	}
	s, err := link.Send(m, 0)
	if err == nil {
		b.logSent(m)
	}
	return s, err
}

func (b *Board) logSent(m wire.Message) {
	if b.opts.Take == nil || m.Kind() == wire.KindClock {
		return
	}
	b.opts.Take.add(takeSent{Log: "sent", Board: b.name, Host: b.clock.Now().Microseconds(), Kind: m.Kind().String(), What: m})
}

// request sends a message until it is acknowledged.
func (b *Board) request(ctx context.Context, m wire.Message) (ack wire.Ack, err error) {
	var numbers []uint16
	for range answerTries {
		if ctx.Err() != nil {
			return ack, ctx.Err()
		}
		b.mu.Lock()
		from := b.ackCount
		b.mu.Unlock()
		s, err := b.send(m)
		if err != nil && !errors.Is(err, ErrOvertaken) {
			return ack, err
		}
		if err == nil {
			numbers = append(numbers, s.Sequence)
		}
		err = b.await(ctx, answerTime, func() (ok bool) {
			ack, ok = b.answer(m.Kind(), numbers, from)
			return ok
		})
		if !errors.Is(err, context.DeadlineExceeded) || ctx.Err() != nil {
			return ack, err
		}
	}
	return ack, &LostError{Board: b.name, Text: fmt.Sprintf("it does not answer (%s)", m.Kind())}
}

// answer looks for the ack of a message among those that came. b.mu is held.
func (b *Board) answer(kind wire.Kind, numbers []uint16, from int) (wire.Ack, bool) {
	for i := max(from, b.ackCount-len(b.acks)); i < b.ackCount; i++ {
		a := b.acks[i%len(b.acks)]
		for _, n := range numbers {
			if a.About == kind && a.Sequence == n {
				return a, true
			}
		}
	}
	return wire.Ack{}, false
}

// must is request where any other result than ok is an error.
func (b *Board) must(ctx context.Context, m wire.Message) error {
	ack, err := b.request(ctx, m)
	if err == nil && ack.Result != wire.ResultOk {
		err = &RefusedError{Board: b.name, Ack: ack}
	}
	return err
}

// RefusedError is a message that a board refused.
type RefusedError struct {
	Board string
	Ack   wire.Ack
}

// Error says what was refused and why.
func (e *RefusedError) Error() string {
	s := fmt.Sprintf("the board %s refused %s: %s", e.Board, e.Ack.About, e.Ack.Result.Meaning())
	switch e.Ack.Result {
	case wire.ResultLimits, wire.ResultUnset, wire.ResultChannel:
		return s + fmt.Sprintf(" (channel %d)", e.Ack.Detail)
	case wire.ResultState:
		return s + fmt.Sprintf(" (%s)", wire.State(e.Ack.Detail).Meaning())
	}
	return s
}

// Identity gives what the board said of itself.
func (b *Board) Identity() wire.Identity {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.id
}

// Flush waits until Events was called for all that has happened, at most a second.
func (b *Board) Flush() {
	select {
	case <-b.tell.ask():
	case <-b.done:
	case <-b.clock.After(time.Second):
	}
}

// Name gives the board's name in the rig.
func (b *Board) Name() string { return b.name }

// Status gives the board's last report.
func (b *Board) Status() wire.Status {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.status
}

// Drift gives by how many ppm the board's clock is fast, as measured, with its
// standard deviation.
func (b *Board) Drift() (ppm, deviation float64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.model.Drift()
}

// Figures gives what is known of the board now, as an event of Progress without a
// place in a motion.
func (b *Board) Figures() Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.figures()
}

// figures is Figures. b.mu is held.
func (b *Board) figures() Event {
	e := Event{What: Progress, Board: b.name, Queued: int(b.status.Queued), Late: int(b.status.Late), Bridged: int(b.status.Bridged),
		Clamped: int(b.status.Clamped), Bad: int(b.status.Bad), Stale: b.stale, Supply: int(b.status.Supply), State: b.status.State, RoundTrip: b.model.RoundTrip()}
	e.Drift, e.DriftSD = b.model.Drift()
	return e
}

// Linked says whether there is a connection to the board, on which it was set up.
func (b *Board) Linked() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.link != nil && b.ready
}

// Tick gives the board's time at a host time, as the session's model of its clock has it.
func (b *Board) Tick(host time.Duration) wire.Tick {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.model.Tick(host)
}

// Close ends the session: what is armed is stopped first, controlled.
func (b *Board) Close() error {
	b.mu.Lock()
	armed := (b.armed || b.arming) && b.link != nil
	b.mu.Unlock()
	var err error
	if armed {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(b.ctx), stopEvery*stopTries)
		err = b.Stop(ctx)
		cancel()
	}
	b.shut(ErrClosed)
	return err
}

// shut ends all goroutines and waits for them.
func (b *Board) shut(why error) {
	b.end(why)
	b.once.Do(func() { close(b.done) })
	b.group.Wait()
}

// end closes the link and lets nothing new begin.
func (b *Board) end(why error) {
	b.mu.Lock()
	link := b.link
	b.link, b.stream, b.armed = nil, nil, false
	if b.ended == nil || errors.Is(why, ErrClosed) {
		b.ended = why
	}
	b.signal()
	b.mu.Unlock()
	b.cancel()
	if link != nil {
		link.Close()
	}
}
