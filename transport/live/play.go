package live

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// End is what happens after the last frame.
type End uint8

// The ends.
const (
	EndHold    End = iota // the last pose is held
	EndRest               // the axes are moved to rest, and held there
	EndRelease            // a controlled stop: what carries no weight is let go
)

// Forever is a number of rounds.
const Forever = -1

// The range of speeds.
const (
	SpeedLeast = 0.05
	SpeedMost  = 1.0
)

// PlayOptions say how a motion is played.
type PlayOptions struct {
	From, To float64       // s of performance time; To 0 is the end
	Enter    float64       // s of performance time at which the first round is entered, up to To; at most From: at its start
	Rounds   int           // 0 and 1: once; Forever: until it is stopped
	Speed    float64       // 0.05 to 1; 0 is 1
	CountIn  time.Duration // in the first pose
	// SoundDelay is the time from the start of the sound player until it is heard. The
	// event Sound comes at the start, the motion begins so much later.
	SoundDelay time.Duration
	// Trigger is how long the channel of a timeline that starts the sound player is on,
	// from the event Sound of each round on. 0: it stays off.
	Trigger time.Duration
	End     End
	// Events, where it is not nil, is called from Play for what concerns all boards, and
	// for each board's progress.
	Events func(Event)
}

// fill checks options and fills those that were left out.
func (o *PlayOptions) fill() error {
	if o.Speed == 0 {
		o.Speed = 1
	}
	switch {
	case !(o.Speed >= SpeedLeast && o.Speed <= SpeedMost):
		return fmt.Errorf("the speed is %v: give one from %v to %v", o.Speed, SpeedLeast, SpeedMost)
	case o.From < 0 || o.To < 0 || o.To > 0 && o.To <= o.From || math.IsNaN(o.From+o.To):
		return fmt.Errorf("the motion cannot be played from %.3f s to %.3f s: the end must be after the start", o.From, o.To)
	case math.IsNaN(o.Enter) || o.To > 0 && o.Enter > o.To:
		return fmt.Errorf("the motion cannot be entered at %.3f s: it is played up to %.3f s", o.Enter, o.To)
	case o.CountIn < 0 || o.SoundDelay < 0 || o.Trigger < 0:
		return errors.New("count-in, sound delay and trigger cannot be negative")
	}
	if o.Rounds == 0 {
		o.Rounds = 1
	}
	return nil
}

// Play plays a motion on armed boards, each with its timeline, and returns when it is
// over. First every board is moved to its first pose, no axis above its soft speed;
// after the count-in all start at the same host time, each by its own clock. When
// one is lost the others are stopped, controlled, and the error is a *LostError;
// after Stop or Drop it is ErrStopped, after Yield ErrYielded. When ctx ends all are stopped, controlled.
func Play(ctx context.Context, boards []*Board, tls []*timeline.Timeline, opts PlayOptions) error {
	if err := opts.fill(); err != nil {
		return err
	}
	if len(boards) == 0 || len(boards) != len(tls) {
		return fmt.Errorf("there are %d boards for %d timelines", len(boards), len(tls))
	}
	p := &performance{opts: opts, clock: boards[0].clock}
	for i, b := range boards {
		if err := p.add(b, tls[i]); err != nil {
			return err
		}
	}
	if err := p.prepare(ctx); err != nil {
		return err
	}
	p.begin()
	err := p.follow(ctx)
	if err == nil {
		err = p.close(ctx)
	}
	if errors.Is(err, ErrYielded) {
		return err
	}
	if err != nil {
		p.abandon()
		return err
	}
	p.tell(Event{What: Ended})
	return nil
}

// performance is one run of Play.
type performance struct {
	opts   PlayOptions
	clock  Clock
	voices []*voice
	into   time.Duration // by which the first round is entered after its start
	enter  time.Duration // host time at which the motion begins
	start  time.Duration // host time of the first frame of the first round, which is not played when that is entered later
	sound  time.Duration // host time at which the sound of the first round starts
	length time.Duration // of the frames of a round
	round  time.Duration // from start to start
	told   int           // s of count-in that were told of
	events map[Happening]bool
	due    time.Duration // of the next progress
}

// voice is a board in a performance.
type voice struct {
	board    *Board
	part     part
	yields   int   // of the board, when this was begun
	skip     int64 // frames that the first round is entered after its start
	first    []int64
	last     []int64
	approach approach
	back     approach // from the end of a round to the next
	stream   *stream
}

func (p *performance) add(b *Board, tl *timeline.Timeline) error {
	bs, yields, err := b.free()
	switch {
	case err != nil:
		return err
	case !sameChannels(b.tl, tl):
		return fmt.Errorf("the timeline is not one for the channels that board %s was set up with: connect anew", b.name)
	case p.opts.From >= tl.Time(tl.Frames) && p.opts.From > 0:
		return fmt.Errorf("the motion ends at %.3f s, before the start at %.3f s", tl.Time(tl.Frames-1), p.opts.From)
	}
	v := &voice{board: b, yields: yields, part: newPart(tl, bs, p.opts.From, p.opts.To, p.opts.Speed, p.opts.Rounds != 1)}
	p.into = time.Duration(math.Max(0, p.opts.Enter-p.opts.From) / p.opts.Speed * 1e9)
	v.skip = min(int64(math.Ceil(float64(p.into)/period(tl)-1e-6)), v.part.frames-1)
	v.first, v.last = v.part.ends(v.skip)
	begin := v.first
	if v.skip > 0 {
		begin, _ = v.part.ends(0)
	}
	v.back = newApproach(bs, v.last, begin, tl.Board.Rate.V)
	p.voices = append(p.voices, v)
	return nil
}

// busy reports whether frames are still to be sent. b.mu is held.
func (b *Board) busy() bool {
	if b.stream == nil {
		return false
	}
	_, more := b.stream.peek()
	return more
}

func sameChannels(a, b *timeline.Timeline) bool {
	return a == b || a.Fingerprint == b.Fingerprint && a.Board.Name == b.Board.Name &&
		slices.EqualFunc(a.Channels, b.Channels, func(x, y timeline.Channel) bool { return x.Number == y.Number && x.Unit == y.Unit })
}

// prepare brings every board to play, without frames, and plans its first move.
func (p *performance) prepare(ctx context.Context) error {
	return each(p.boards(), func(b *Board) error {
		v := p.voice(b)
		from, err := b.stand(ctx, v.first, v.part.tl)
		if err != nil {
			return err
		}
		v.approach = newApproach(v.part.bounds, from, v.first, v.part.tl.Board.Rate.V)
		return b.start(ctx)
	})
}

func (p *performance) boards() []*Board {
	list := make([]*Board, len(p.voices))
	for i, v := range p.voices {
		list[i] = v.board
	}
	return list
}

func (p *performance) voice(b *Board) *voice {
	i := slices.IndexFunc(p.voices, func(v *voice) bool { return v.board == b })
	return p.voices[i]
}

// stand gives where the axes are, to begin a move to a pose. A servo that was let go
// is engaged again where it was told to be last.
func (b *Board) stand(ctx context.Context, to []int64, tl *timeline.Timeline) ([]int64, error) {
	from, _, err := b.Pose(ctx)
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range from {
		if b.bounds[i].unit != wire.UnitTicks || from[i] != 0 || to[i] == 0 {
			continue
		}
		if from[i] = b.last[i]; from[i] == 0 {
			// Arm gives every servo a pulse; without one nothing is known of it.
			return nil, fmt.Errorf("%s on board %s has no pulse, and nobody has said where it stands: arm the board with its pose", tl.Channels[i].Axis.Name, b.name)
		}
	}
	return from, nil
}

// start lets the board play what will come. It is asked before there are frames, so
// that a lost answer costs none.
func (b *Board) start(ctx context.Context) error {
	st, err := b.Report(ctx)
	if err != nil {
		return err
	}
	switch st.State {
	case wire.StatePlaying:
		return nil
	case wire.StateHeld:
		return fmt.Errorf("board %s is held: resume it first", b.name)
	}
	b.mu.Lock()
	now := b.model.Tick(b.clock.Now())
	b.mu.Unlock()
	ack, err := b.request(ctx, &wire.Start{Time: now})
	if err == nil && ack.Result != wire.ResultOk && !(ack.Result == wire.ResultState && wire.State(ack.Detail) == wire.StatePlaying) {
		err = &RefusedError{Board: b.name, Ack: ack}
	}
	return err
}

// lead is how far ahead of now the first frame is.
func (b *Board) lead() time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	return 100*time.Millisecond + 3*b.model.RoundTrip() + time.Duration(2*period(b.tl))
}

// begin fixes the times of all and lets the frames go.
func (p *performance) begin() {
	var lead, approach, length, back, apart time.Duration
	for _, v := range p.voices {
		frame := period(v.part.tl)
		apart = max(apart, time.Duration(frame))
		lead = max(lead, v.board.lead())
		approach = max(approach, time.Duration(float64(v.approach.frames)*frame))
		length = max(length, v.part.length())
		if !v.part.seamless {
			back = max(back, time.Duration(float64(max(1, v.back.frames))*frame))
		}
	}
	at := p.clock.Now() + lead
	p.events = map[Happening]bool{}
	p.enter = at + approach + max(p.opts.CountIn, apart)
	if p.into == 0 {
		p.enter += p.opts.SoundDelay
	} else {
		p.events[Sound] = true // a player knows its sound only from the beginning
	}
	p.start = p.enter - p.into
	p.sound = p.start - p.opts.SoundDelay
	p.length, p.round = length, length+back
	p.told = -1
	p.tell(Event{What: SoftStart, Left: approach, Start: p.start})
	for _, v := range p.voices {
		v.stream = p.stream(v, at)
		v.board.play(v.stream, v.yields)
	}
}

// play lets the frames go, unless the board has given way since they were made, or is
// about to: they would be played in the middle of what comes.
func (b *Board) play(s *stream, yields int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.armed && b.yields == yields {
		b.stream, b.playedAt, b.yielded = s, 0, false
	}
	b.signal()
}

// stream gives the frames of a board: the move to the first pose, then the rounds.
func (p *performance) stream(v *voice, at time.Duration) *stream {
	round := 0
	s := &stream{period: period(v.part.tl)}
	s.list = []segment{{start: at, frames: v.approach.frames + 1, fill: v.approach.fill}}
	if c := v.trigger(); c >= 0 && p.opts.Trigger > 0 {
		if p.into == 0 {
			s.list = append(s.list, p.prelude(v, s.period))
		}
		s.overlay = func(at time.Duration, dst []int64) { dst[c] = p.sounding(at, s.period) }
	}
	s.more = func() (list []segment) {
		if p.opts.Rounds > 0 && round == p.opts.Rounds {
			return nil
		}
		if round > 0 && v.back.frames > 1 && !v.part.seamless {
			end := p.start + time.Duration(round-1)*p.round + v.part.length()
			list = append(list, segment{start: end + time.Duration(s.period), frames: v.back.frames - 1,
				fill: func(j int64, dst []int64) { v.back.fill(j+1, dst) }})
		}
		skip := int64(0)
		if round == 0 {
			skip = v.skip
		}
		c := v.part.cursor()
		list = append(list, segment{start: p.start + time.Duration(round)*p.round + time.Duration(float64(skip)*s.period), frames: v.part.frames - skip,
			fill: func(j int64, dst []int64) { c.fill(j+skip, dst) }})
		round++
		return list
	}
	return s
}

// trigger gives the place of the channel that starts the sound player, or -1.
func (v *voice) trigger() int {
	return slices.IndexFunc(v.part.tl.Channels, func(c timeline.Channel) bool { return c.Trigger })
}

// prelude gives the frames from the start of the sound player on that are over before
// the motion begins: the pulse of the trigger, to the frame that ends it.
func (p *performance) prelude(v *voice, period float64) segment {
	n := min(math.Ceil(float64(p.opts.Trigger)/period)+1, math.Floor(float64(p.opts.SoundDelay)/period))
	return segment{start: p.sound, frames: int64(n), fill: func(_ int64, dst []int64) { v.approach.fill(v.approach.frames, dst) }}
}

// sounding gives the value of the trigger in the frame at a host time: on in as many
// frames as its pulse needs, from the one that is nearest to the start of the sound.
func (p *performance) sounding(at time.Duration, period float64) int64 {
	since, round := float64(at-p.sound)+period/2, 0.0
	if p.opts.Rounds != 1 {
		round = math.Max(0, math.Floor(since/float64(p.round)))
		if p.opts.Rounds > 0 {
			round = min(round, float64(p.opts.Rounds-1))
		}
		since -= float64(round * float64(p.round))
	}
	if round == 0 && p.into > 0 {
		return 0
	}
	if frame := math.Floor(since / period); frame < 0 || frame >= math.Ceil(float64(p.opts.Trigger)/period) {
		return 0
	}
	return 1
}

// follow tells of what happens until all frames were played.
func (p *performance) follow(ctx context.Context) error {
	for {
		if err := p.fault(); err != nil {
			return err
		}
		now := p.clock.Now()
		p.announce(now)
		if p.over(now) {
			return nil
		}
		select {
		case <-p.clock.After(p.pause(now)):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// pause gives the time until something is to be told, or the boards are looked at.
func (p *performance) pause(now time.Duration) time.Duration {
	d := toBeat(now, watchEvery)
	for _, at := range []time.Duration{p.sound, p.enter} {
		if at > now {
			d = min(d, at-now)
		}
	}
	return max(d, time.Millisecond)
}

// fault gives why one of the boards does not go on.
func (p *performance) fault() error {
	for _, v := range p.voices {
		b := v.board
		b.mu.Lock()
		armed, halted, lost, ended := b.armed, b.halted, b.lost, b.ended
		at, known := p.reached(v)
		b.mu.Unlock()
		switch {
		case halted:
			return ErrStopped
		case !armed && lost != "":
			return &LostError{Board: b.name, Text: lost, Moving: known, At: at}
		case !armed && ended != nil:
			return fmt.Errorf("board %s: %w", b.name, ended)
		case !armed:
			return &LostError{Board: b.name, Text: "it is not armed any more", Moving: known, At: at}
		}
	}
	if p.gaveWay() {
		return ErrYielded
	}
	return nil
}

// reached gives the performance time of the last frame that a board is known to have
// played, or at which it would have begun, and whether it is a motion that is played.
// b.mu is held.
func (p *performance) reached(v *voice) (at float64, known bool) {
	b := v.board
	if p.start == 0 || v.stream == nil {
		return 0, false
	}
	done := p.into
	if b.playedAt != 0 {
		done = max(done, b.playedAt-p.start-v.stream.shift)
	}
	if p.round > 0 && p.opts.Rounds != 1 && done >= p.round {
		done %= p.round
	}
	return v.part.tl.Time(v.part.first) + float64(min(done, v.part.length()).Seconds()*p.opts.Speed), true
}

// abandon stops, controlled, all boards that are still armed.
func (p *performance) abandon() {
	each(p.boards(), func(b *Board) error {
		if armed, _ := b.Armed(); !armed {
			return nil
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(b.ctx), stopEvery*stopTries)
		defer cancel()
		return b.Stop(ctx)
	})
}

// over reports whether all frames were played: the boards say so, or should long
// have.
func (p *performance) over(now time.Duration) bool {
	for _, v := range p.voices {
		if !v.board.played(now) {
			return false
		}
	}
	return true
}

// overdue is how long a board's word is waited for, after its last frame.
const overdue = 500 * time.Millisecond

func (b *Board) played(now time.Duration) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.held || b.stream == nil || b.busy() {
		return false
	}
	end := b.stream.last + time.Duration(b.stream.period)
	return now >= end && (b.index.Ahead(b.status.Index) <= 0 || now >= end+overdue && now-b.statusAt < overdue)
}

// close does what is to be done after the last frame.
func (p *performance) close(ctx context.Context) error {
	switch p.opts.End {
	case EndRest:
		return each(p.boards(), func(b *Board) error { return b.move(ctx, b.restValues(), p.voice(b).yields) })
	case EndRelease:
		return each(p.boards(), func(b *Board) error { return b.Stop(ctx) })
	}
	return nil
}

func (b *Board) restValues() []int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := make([]int64, len(b.bounds))
	for i := range list {
		list[i] = b.bounds[i].rest
	}
	return list
}

// free gives the limits of a board that can be moved, armed, and neither playing nor
// giving way, and how often it has given way so far.
func (b *Board) free() (bs []bounds, yields int, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case !b.armed:
		return nil, 0, fmt.Errorf("board %s: %w", b.name, ErrNotArmed)
	case b.yielding > 0:
		return nil, 0, fmt.Errorf("board %s is being brought to rest: %w", b.name, ErrYielded)
	case b.busy():
		return nil, 0, fmt.Errorf("board %s is playing", b.name)
	}
	return b.bounds, b.yields, nil
}

// Move moves an armed board's axes to a pose, one value a channel of the timeline,
// none above its soft speed and none beyond its limits, and returns when they are
// there. Values are in the channel's unit; of a stepper they are positions in
// microsteps.
func (b *Board) Move(ctx context.Context, to []int64) error { return b.move(ctx, to, -1) }

// move is Move as a part of something: unless the board has given way since then. yields is
// how often it had when that was begun, or negative where this is no part of anything.
func (b *Board) move(ctx context.Context, to []int64, yields int) error {
	bs, now, err := b.free()
	switch {
	case err != nil:
		return err
	case yields >= 0 && yields != now:
		return ErrYielded
	case len(to) != len(bs):
		return fmt.Errorf("the pose has %d values, board %s has %d channels", len(to), b.name, len(bs))
	}
	to = slices.Clone(to)
	for i := range to {
		to[i] = max(bs[i].low, min(bs[i].high, to[i]))
	}
	p := &performance{opts: PlayOptions{}, clock: b.clock}
	v := &voice{board: b, yields: now, part: part{tl: b.tl, bounds: bs}, first: to}
	p.voices = []*voice{v}
	if err := p.prepare(ctx); err != nil {
		return err
	}
	b.play(&stream{period: period(b.tl), list: []segment{{start: b.clock.Now() + b.lead(), frames: v.approach.frames + 1, fill: v.approach.fill}}}, now)
	err = p.follow(ctx)
	if err != nil && !errors.Is(err, ErrYielded) {
		p.abandon()
	}
	return err
}
