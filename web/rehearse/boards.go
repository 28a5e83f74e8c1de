package rehearse

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
)

// cast is the boards that are connected, and what for.
type cast struct {
	live live.Ensemble
	life context.Context // of the sessions
	end  context.CancelFunc
	ask  map[string]string // places, by the rig's names

	finder *Finder  // of ends; nil: not for that
	slew   *Slewing // a step that is measured; nil: not for that
}

func newCast(ask map[string]string) *cast {
	c := &cast{ask: ask}
	c.life, c.end = context.WithCancel(context.Background())
	return c
}

// close parts from all boards: what is armed is stopped first.
func (c *cast) close() {
	c.live.Close()
	c.end()
}

// wish is a request in its turn.
type wish struct {
	*Request
	seat  *Seat
	at    time.Duration // host time at which it came
	stops int           // that there had been then
}

func (w *wish) answer(err error) { w.seat.answer(w.Request, err) }

// job is what takes time: one at a time.
type job struct {
	what   string // for messages
	phase  Phase  // that the desk is in meanwhile
	cancel context.CancelFunc
	move   bool // pulses may change
}

// stand is what the desk knows of the state of things; it belongs to its goroutine.
type stand struct {
	job     *job
	aside   bool              // a hold or a resume is under way, or what plays gives way
	next    *wish             // the play that comes when that has given way
	places  map[string]string // at which boards were last
	note    string
	dirty   bool // something happened since the last publish
	told    []byte
	toldAt  time.Duration
	leaving []*wish // that want to part
	pending *wish   // the pulse that comes after the present one

	armed    bool   // as far as the desk knows
	stopped  bool   // after a stop
	lost     string // why boards were lost
	resume   *float64
	looked   bool // boards that were stopped or lost were looked at
	question string
	loose    []string
	why      map[string]string // what is the matter with each board
	losses   map[string]string // why boards were lost since they were armed

	play    playing
	started func()              // what is to be done when the frames of a job begin to leave
	atStart func(time.Duration) // and when its motion starts, at a host time
	figures map[string]live.Event
	calib   *Calibration
	slew    *Slew
}

// playing is what plays, or has.
type playing struct {
	motion, revision string
	speed            float64
	loop             bool
	length           float64
	held             bool
	start            time.Duration // host time; 0: none
	position, begin  float64
	round            int
	every            time.Duration // from round to round; 0: there is one
	skew             time.Duration
}

// busy says why the desk cannot begin anything now.
func (d *Desk) busy() error {
	switch {
	case d.job != nil:
		return fmt.Errorf("not now: %s", d.job.what)
	case len(d.leaving) > 0:
		return errors.New("not now: the boards are being parted from")
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.halting > 0 {
		return errors.New("not now: the boards are being stopped")
	}
	return nil
}

// begin does something that takes time, beside the desk. A stop since the request refuses
// it. given is cancelled by a stop where the job is given up then, and otherwise by the
// end of the boards' life only. done is called in the desk's goroutine.
func (d *Desk) begin(w *wish, j *job, given bool, base context.Context, work func(context.Context) error, done func(error)) error {
	ctx, cancel := context.WithCancel(base)
	d.mu.Lock()
	if w != nil && (w.stops != d.stops || d.life.Err() != nil) {
		d.mu.Unlock()
		cancel()
		return errOvertaken
	}
	if given {
		d.cancel = cancel
	}
	d.mu.Unlock()
	j.cancel = cancel
	d.job = j
	go func() {
		err := d.safely(func() error { return work(ctx) })
		d.post(func() {
			cancel()
			d.mu.Lock()
			d.cancel = nil
			d.mu.Unlock()
			d.job = nil
			done(err)
		})
	}()
	return nil
}

// drives says whether a request comes from the page that drives.
func (d *Desk) drives(w *wish) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return w.seat.page != "" && d.wheel.driver == w.seat.page
}

// obey does what a request says, or says why not.
func (d *Desk) obey(w *wish) {
	if w.Do == "ports" {
		d.list(w)
		return
	}
	if !d.drives(w) {
		w.answer(errNotDriver)
		return
	}
	d.mu.Lock()
	overtaken := w.stops != d.stops
	d.mu.Unlock()
	if overtaken && w.Do != "part" {
		w.answer(errOvertaken)
		return
	}
	do := map[string]func(*wish) error{
		"connect": d.connect, "arm": d.arm, "play": d.perform, "hold": d.hold, "resume": d.goOn, "part": d.part,
		"calibrate": d.calibrate, "pulse": d.pulse, "confirm": d.confirm, "centre": d.centre, "sweep": d.sweep, "reverse": d.reverse,
		"done": d.done, "slew": d.prepareSlew,
	}[w.Do]
	if err := d.safely(func() error { return do(w) }); err != nil {
		w.answer(err)
	}
}

// list lists the serial ports, which takes a moment.
func (d *Desk) list(w *wish) {
	go func() {
		ports, err := d.opts.Ports()
		if err != nil {
			w.answer(err)
			return
		}
		w.seat.say(Answer{Do: w.Do, ID: w.ID, OK: true, Ports: ports})
	}()
}

// connect connects to all boards of a motion, as play does.
func (d *Desk) connect(w *wish) error {
	if d.present() != nil {
		return errors.New("boards are connected already: part first")
	}
	var lines []*timeline.Timeline
	return d.meet(w, newCast(w.Boards), func(ctx context.Context, c *cast) error {
		m, err := d.motion(ctx, w.Motion)
		if err != nil {
			return err
		}
		if lines, err = linesOf(m.Performance); err != nil {
			return err
		}
		if err := seated(lines, w.Boards); err != nil {
			return err
		}
		also := d.others(ctx, w.Motion)
		for _, t := range lines {
			o := d.sessions(t)
			o.Also = also[t.Board.Name]
			if err := d.dial(ctx, c, t.Board, w.Baud, o); err != nil {
				return err
			}
		}
		return swapped(c, lines)
	}, func() {
		d.play = playing{motion: w.Motion, speed: 1}
		d.question = live.RestQuestion
	})
}

// swapped says which board has, for itself, the name of another one of the rig: boards of
// one rig may be so alike that nothing else tells them apart.
func swapped(c *cast, lines []*timeline.Timeline) error {
	for _, b := range c.live.Boards() {
		id := b.Identity()
		says := string(id.Name)
		if says != b.Name() && slices.ContainsFunc(lines, func(t *timeline.Timeline) bool { return t.Board.Name == says }) {
			return fmt.Errorf("the board at %s says that it is %s, not %s: are the places swapped?", c.ask[b.Name()], says, b.Name())
		}
	}
	return nil
}

// meet connects to boards in a job. ready is called in the desk's goroutine when all are
// there.
func (d *Desk) meet(w *wish, c *cast, dial func(context.Context, *cast) error, ready func()) error {
	if err := d.busy(); err != nil {
		return err
	}
	old := d.present()
	j := &job{what: "the boards are being connected", phase: Connecting}
	err := d.begin(w, j, true, context.Background(), func(ctx context.Context) error {
		if old != nil {
			old.close()
		}
		// Given up before all are there, the sessions end, too.
		settled := context.AfterFunc(ctx, c.end)
		err := dial(ctx, c)
		if !settled() { // what was given up fails in many words
			err = ctx.Err()
		}
		return err
	}, func(err error) {
		if err != nil {
			d.apart(c, w, err)
			return
		}
		for name, at := range c.ask {
			d.places[name] = at
		}
		d.note = ""
		ready()
		w.answer(nil)
	})
	if err != nil {
		c.end()
		return err
	}
	d.fresh()
	d.mu.Lock()
	d.cast = c
	d.mu.Unlock()
	return nil
}

// apart closes, in a job, a cast that came to nothing, and tells why.
func (d *Desk) apart(c *cast, w *wish, why error) {
	if errors.Is(why, context.Canceled) {
		why = errOvertaken
	}
	d.note = why.Error()
	d.shut(c, Connecting, func() { w.answer(why) })
}

// shut parts from boards in a job.
func (d *Desk) shut(c *cast, phase Phase, then func()) {
	j := &job{what: "the boards are being parted from", phase: phase}
	_ = d.begin(nil, j, false, context.Background(), func(context.Context) error { // no wish: nothing overtakes it
		c.close()
		return nil
	}, func(error) {
		d.mu.Lock()
		if d.cast == c {
			d.cast = nil
		}
		d.wheel.disarmed()
		d.mu.Unlock()
		d.fresh()
		then()
	})
}

// fresh forgets what was of the boards before.
func (d *Desk) fresh() {
	d.forget()
	d.armed, d.stopped, d.lost, d.resume, d.looked, d.question, d.loose = false, false, "", nil, false, "", nil
	d.why, d.losses, d.figures, d.play, d.calib, d.slew = map[string]string{}, map[string]string{}, map[string]live.Event{}, playing{}, nil, nil
}

// sessions are the options of a board's session.
func (d *Desk) sessions(t *timeline.Timeline) live.Options {
	return live.Options{Timeline: t, Clock: d.opts.Clock, Events: func(e live.Event) { d.post(func() { d.session(e) }) }}
}

// dial connects to one board of a cast.
func (d *Desk) dial(ctx context.Context, c *cast, b *sequence.Board, baud int, o live.Options) error {
	place := live.PlaceOf(b, c.ask[b.Name], baud)
	o.Dial = func(ctx context.Context) (live.Link, error) { return d.opts.Dial(ctx, place) }
	return c.live.Connect(ctx, c.life, place, o)
}

// present gives the cast.
func (d *Desk) present() *cast {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.cast
}

// motion gives a motion of which pulses may be made.
func (d *Desk) motion(ctx context.Context, name string) (*Motion, error) {
	if names := d.opts.Source.Names(); !slices.Contains(names, name) {
		return nil, unknown("motion", name, names)
	}
	m, err := d.opts.Source.Motion(ctx, name)
	if err == nil && m.Refusal != nil {
		err = fmt.Errorf("%s is not played: %w", name, m.Refusal)
	}
	return m, err
}

// linesOf makes a motion into pulses, with the channel of the sound player's trigger
// whether it has a sound or not: so that all motions of a rig have the same channels.
func linesOf(p *interp.Performance) ([]*timeline.Timeline, error) {
	lines, err := timeline.Build(p)
	if err == nil && len(lines) == 0 {
		err = errors.New("the rig has no axes, so that there is nothing to play")
	}
	return timeline.AddTrigger(p.Rig, lines), err
}

// others gives the timelines of the other motions, by board: boards are set up so that
// those can be played, too. One that is not in order is left out.
func (d *Desk) others(ctx context.Context, but string) map[string][]*timeline.Timeline {
	list := map[string][]*timeline.Timeline{}
	for _, name := range d.opts.Source.Names() {
		if name == but || ctx.Err() != nil {
			continue
		}
		m, err := d.motion(ctx, name)
		if err != nil {
			continue
		}
		lines, err := linesOf(m.Performance)
		if err != nil {
			continue
		}
		for _, t := range lines {
			list[t.Board.Name] = append(list[t.Board.Name], t)
		}
	}
	return list
}

// seated says which board has no place, or which place no board.
func seated(lines []*timeline.Timeline, boards map[string]string) error {
	var names []string
	for _, t := range lines {
		names = append(names, t.Board.Name)
	}
	for _, name := range slices.Sorted(maps.Keys(boards)) {
		if !slices.Contains(names, name) {
			return fmt.Errorf("the motion moves nothing on a board %q; the boards are %s", name, strings.Join(names, ", "))
		}
	}
	for _, name := range names {
		if boards[name] == "" {
			return fmt.Errorf("board %s has no place: give a serial port or an address, as in ws://keeper.local:8090/", name)
		}
	}
	return nil
}

// arm lets pulses leave, once somebody has answered the question.
func (d *Desk) arm(w *wish) error {
	c := d.present()
	switch {
	case c == nil:
		return errors.New("no boards are connected: connect first")
	case d.armed:
		return errors.New("the boards are armed already")
	}
	if err := d.busy(); err != nil {
		return err
	}
	switch {
	case d.question == "":
		return errors.New("not now: the boards are not there yet")
	case !w.Confirmed:
		return fmt.Errorf("not armed: nobody has said that the prop stands where it should. Ask %q, and arm with confirmed: true", d.question)
	}
	d.mu.Lock()
	err := d.wheel.arm(w.seat.page, w.at)
	d.mu.Unlock()
	if err != nil {
		return err
	}
	return d.begin(w, &job{what: "the boards are being armed", phase: Arming}, true, c.life, c.live.Arm, func(err error) {
		if err == nil && c.live.Armed() != nil {
			err = errOvertaken
		}
		if err != nil {
			d.failed(c, err)
			w.answer(stoppedBy(err))
			return
		}
		d.armed, d.stopped, d.lost, d.looked, d.question, d.loose, d.note = true, false, "", false, "", nil, ""
		clear(d.why)
		clear(d.losses)
		d.lookAgain(c)
		w.answer(nil)
	})
}

// stoppedBy says of an error of what a stop ended that a stop came first.
func stoppedBy(err error) error {
	if errors.Is(err, live.ErrStopped) || errors.Is(err, context.Canceled) {
		return errOvertaken
	}
	return err
}

// failed stops what a failure has left armed.
func (d *Desk) failed(c *cast, err error) {
	if stoppedBy(err) != errOvertaken {
		d.note = err.Error()
	}
	d.stopped, d.looked = true, false
	if c.live.AnyArmed() {
		d.halt(false, d.note, nil)
	}
}

// perform plays a motion, as it is now, on armed boards. What plays already gives way.
func (d *Desk) perform(w *wish) error {
	c := d.present()
	if d.next != nil || c != nil && d.job != nil && d.job.move && d.started == nil && c.finder == nil && c.slew == nil {
		return d.replace(w, c)
	}
	if err := d.free(c); err != nil {
		return err
	}
	if c.finder != nil {
		return errors.New("the boards were connected for looking for ends: part, and connect for a motion")
	}
	if c.slew != nil {
		return d.performSlew(w, c)
	}
	if w.Motion == "" {
		w.Motion = d.play.motion
	}
	var revision string
	return d.runs(w, c, func(ctx context.Context) error {
		m, err := d.motion(ctx, w.Motion)
		if err != nil {
			return err
		}
		revision = m.Revision
		return d.show(ctx, w, c, m)
	}, func() {
		d.play = playing{motion: w.Motion, revision: revision, speed: w.speed(), loop: w.Loop}
	}, nil)
}

// replace lets what plays, or is held, come to rest where it is, and then plays something
// else. Boards that do not give way are stopped.
func (d *Desk) replace(w *wish, c *cast) error {
	if d.next != nil { // of those that come meanwhile only the last counts
		d.next.answer(errors.New("a later play was asked for"))
		d.next = w
		return nil
	}
	if d.aside {
		return errAside
	}
	d.aside, d.next = true, w
	go func() {
		ctx, cancel := context.WithTimeout(c.life, yieldPatience)
		defer cancel()
		err := live.Yield(ctx, c.live.Boards()...)
		d.post(func() {
			d.aside = false
			if err != nil && d.armed && c.live.AnyArmed() {
				d.halt(false, "controlled stop: what was played did not give way: "+err.Error(), nil)
			}
			d.follow(err)
		})
	}()
	return nil
}

// follow plays what was to come after something that gave way, once that is over.
func (d *Desk) follow(err error) {
	w := d.next
	switch {
	case w == nil:
		return
	case err != nil:
		d.next = nil
		w.answer(stoppedBy(err))
		return
	case d.aside || d.job != nil:
		return
	}
	d.next = nil
	if err := d.perform(w); err != nil {
		w.answer(err)
	}
}

// free says why armed boards cannot be moved now.
func (d *Desk) free(c *cast) error {
	switch {
	case c == nil:
		return errors.New("no boards are connected: connect first")
	case d.job == nil && !d.armed:
		return live.ErrNotArmed
	}
	return d.busy()
}

// show plays a motion with what a request says.
func (d *Desk) show(ctx context.Context, w *wish, c *cast, m *Motion) error {
	p := m.Performance
	lines, err := linesOf(p)
	if err != nil {
		return err
	}
	boards := c.live.Boards()
	if len(lines) != len(boards) {
		return fmt.Errorf("the rig has %d boards now, and %d are connected: part, and connect again", len(lines), len(boards))
	}
	for i, b := range boards {
		if err := b.Suits(lines[i]); err != nil {
			return err
		}
	}
	o := live.PlayOptions{From: w.From, To: w.to(), Enter: w.Enter, Speed: w.speed(), CountIn: secondsOf(w.countIn()), End: endings[w.End], Events: d.heard}
	if w.Loop {
		o.Rounds = live.Forever
	}
	o.Sounding(p.Rig)
	if p.Script.Audio == nil {
		o.SoundDelay, o.Trigger = 0, 0
	}
	return c.live.Play(ctx, lines, o)
}

func secondsOf(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// heard takes an event of what is played.
func (d *Desk) heard(e live.Event) { d.post(func() { d.event(e) }) }

// runs plays something in a job. begun is called when the first frames leave, over when it
// has ended as it should; both in the desk's goroutine.
func (d *Desk) runs(w *wish, c *cast, play func(context.Context) error, begun func(), over func(error)) error {
	err := d.begin(w, &job{what: "a motion is played: stop it first", phase: Armed, move: true}, false, c.life, play, func(err error) {
		never := d.started != nil
		d.started, d.play.held, d.play.start = nil, false, 0
		if over != nil {
			over(err)
		}
		d.ended(c, err)
		if never && err != nil {
			w.answer(stoppedBy(err))
		}
		d.follow(nil)
	})
	if err == nil {
		d.started = func() {
			d.resume, d.note = nil, ""
			begun()
			w.answer(nil)
		}
	}
	return err
}

// ended takes note of how something ended that moved boards.
func (d *Desk) ended(c *cast, err error) {
	var lost *live.LostError
	switch {
	case err == nil, stoppedBy(err) == errOvertaken, errors.Is(err, live.ErrYielded):
	case errors.As(err, &lost):
		d.note, d.lost, d.looked = err.Error(), err.Error(), false
		if lost.Moving {
			d.resume = &lost.At
		}
	default:
		d.note = err.Error()
	}
	if d.armed = d.armed && c.live.Armed() == nil; !d.armed && d.lost == "" {
		d.stopped, d.looked = true, false
	}
	if !d.armed && c.live.AnyArmed() {
		d.halt(false, d.note, nil)
	}
}

// hold holds what is played, at once on all boards.
func (d *Desk) hold(w *wish) error { return d.pauseOr(w, false, live.Hold) }

// goOn goes on after hold.
func (d *Desk) goOn(w *wish) error { return d.pauseOr(w, true, live.Resume) }

func (d *Desk) pauseOr(w *wish, held bool, do func(context.Context, ...*live.Board) error) error {
	c := d.present()
	switch {
	case c == nil || d.job == nil || !d.job.move || d.started != nil || c.finder != nil:
		return errors.New("nothing is played")
	case d.aside:
		return errAside
	case d.play.held != held:
		return fmt.Errorf("what is played %s", map[bool]string{true: "is held already", false: "is not held"}[d.play.held])
	}
	d.aside = true
	go func() {
		ctx, cancel := context.WithTimeout(c.life, askPatience)
		defer cancel()
		err := do(ctx, c.live.Boards()...)
		d.post(func() {
			d.aside = false
			if err == nil {
				d.play.held = !held
			} else {
				d.note = err.Error()
			}
			w.answer(err)
		})
	}()
	return nil
}

// part stops what moves and parts from the boards.
func (d *Desk) part(w *wish) error {
	c := d.present()
	if c == nil {
		return errors.New("no boards are connected")
	}
	d.leaving = append(d.leaving, w)
	if d.job != nil && !d.job.move {
		d.job.cancel()
	}
	if d.armed || d.job != nil {
		d.halt(false, "controlled stop, to part from the boards", nil)
	}
	return nil
}

// session takes an event of a board's session.
func (d *Desk) session(e live.Event) {
	switch e.What {
	case live.Connected:
		delete(d.why, e.Board)
	case live.Lost:
		d.why[e.Board] = e.Text
		if d.losses[e.Board] == "" {
			d.losses[e.Board] = e.Text // what came first says most
		}
	case live.Reconnecting:
		d.why[e.Board] = e.Text
	case live.Note:
		if d.lost == "" {
			d.note = e.Board + ": " + e.Text
		}
	case live.Stopping:
		if d.job != nil && d.job.move {
			d.play.start = 0
		}
	}
}

// event takes an event of what is played.
func (d *Desk) event(e live.Event) {
	if d.job == nil || !d.job.move {
		return
	}
	if begun := d.started; begun != nil && e.What == live.SoftStart {
		d.started = nil
		begun()
	}
	switch e.What {
	case live.SoftStart:
		d.job.phase, d.play.start = Moving, e.Start
	case live.CountIn:
		d.job.phase, d.play.start = CountIn, e.Start
	case live.Started:
		d.job.phase, d.play.start = Playing, e.Start
		if d.atStart != nil {
			d.atStart(e.Start)
		}
	case live.Progress:
		d.figures[e.Board] = e
		p := &d.play
		p.position, p.begin, p.length, p.round, p.every, p.skew = e.Position, e.Begin, e.Length, e.Round, e.Every, e.Skew
		if p.start != 0 {
			p.start = e.Start
		}
	}
}

// halted takes note that a stop is over.
func (d *Desk) halted(c *cast, drop bool, err error) {
	if c == nil || d.present() != c {
		return
	}
	if err != nil {
		d.note = err.Error()
	}
	d.stopped, d.armed, d.looked = true, d.armed && c.live.Armed() == nil, false
	if d.armed { // armed anew since
		d.stopped = false
	}
}

// look sees whether somebody drives, whether the boards are there, and whether what was
// begun is over.
func (d *Desk) look() {
	d.mu.Lock()
	late := d.wheel.look(d.clock.Now())
	c, halting := d.cast, d.halting
	d.mu.Unlock()
	if late {
		d.halt(false, fmt.Sprintf("controlled stop: the page that drove gave no sign of life for %v", BeatMost), nil)
		return
	}
	if halting > 0 {
		return
	}
	if c == nil {
		if d.job == nil {
			d.parted() // from boards that had not come yet
		}
		return
	}
	d.ownerless(c)
	switch {
	case d.job != nil:
	case len(d.leaving) > 0:
		d.shut(c, Stopping, d.parted)
	case d.armed:
		if lost := c.live.Armed(); lost != nil {
			d.armed, d.lost, d.looked, d.note = false, lost.Error(), false, lost.Error()
			d.halt(false, d.note, nil)
		}
	case (d.stopped || d.lost != "") && !d.looked:
		d.back(c)
	}
}

// parted answers those that wanted to part.
func (d *Desk) parted() {
	if len(d.leaving) == 0 {
		return
	}
	for _, w := range d.leaving {
		w.answer(nil)
	}
	d.leaving, d.note, d.dirty = nil, "", true
}

// ownerless stops boards that are armed while nobody drives, should that ever be.
func (d *Desk) ownerless(c *cast) {
	armed := c.live.AnyArmed()
	d.mu.Lock()
	free := d.wheel.driver == ""
	if !armed && (d.job == nil || d.job.phase != Arming) {
		d.wheel.disarmed()
	}
	d.mu.Unlock()
	if armed && free {
		d.halt(false, "controlled stop: nobody drives", nil)
	}
}

// back waits in a job until boards that were stopped or lost are there, and makes the
// question that has to be answered before they are armed again.
func (d *Desk) back(c *cast) {
	d.question, d.loose, d.looked = "", nil, true
	var loose []string
	err := d.begin(nil, &job{what: "the boards are not there yet", phase: d.phase()}, true, c.life, func(ctx context.Context) (err error) {
		loose, err = c.live.Back(ctx)
		return err
	}, func(err error) {
		switch {
		case errors.Is(err, context.Canceled):
			d.looked = false
		case err != nil:
			d.note = err.Error()
		default:
			d.loose, d.question = loose, live.AgainQuestion(loose)
			d.lookAgain(c)
			if c.slew != nil {
				d.question = c.slew.caution() + "\n" + d.question
			}
		}
	})
	if err != nil {
		d.looked = false
	}
}
