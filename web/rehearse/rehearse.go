// Package rehearse plays a project's motions on its real boards for pages of a browser:
// one page drives, the others watch, and anybody may stop.
//
// A Desk owns the boards, by transport/live and so by the same code as the command play.
// Pages sit down at it (Desk.Join) and say what they want as JSON; each hears the newest
// State, and an answer to each of its requests. There is no HTTP here: web connects a
// Seat to a page's socket.
//
// # Who drives
//
// Only the page that has the wheel may connect, arm, play or calibrate. The wheel is free
// again when that page lets go of it, says that it is hidden, or loses its socket; and
// when it gives no sign of life for BeatMost while pulses leave or are about to. Whenever
// it becomes free like this while pulses leave, all boards are stopped, controlled. Nothing
// that moves is ever without an owner for longer than that.
//
// # Stops
//
// A stop, and a drop of the pulses, overtakes everything: from Seat.Do it goes to
// live.Ensemble.Halt in the caller's own goroutine, past all requests that wait, and past
// boards that do not answer. Requests that were made before a stop are refused after it.
// These are stops by software: they reach a board only while browser, network, this
// program, link and board work. They replace no switch that cuts the power.
//
// # Order
//
// Everything else happens in one goroutine, the desk's; what takes time is a job beside it,
// one at a time. What a page is told is always the newest: a page that does not listen
// holds nobody up.
package rehearse

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"runtime/debug"
	"sync"
	"time"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/live"
)

// Motion is a motion as it stands now.
type Motion struct {
	Revision    string
	Performance *interp.Performance
	Refusal     error // why no pulse may be made of it, as that it runs into an end stop; nil: nothing
}

// Source is the project that is rehearsed. Its methods may be called at the same time.
type Source interface {
	// Names gives the names of all motions.
	Names() []string
	// Motion gives the last good version of a motion. It may take time, until ctx ends.
	Motion(ctx context.Context, name string) (*Motion, error)
	// Revision gives the revision of the last good version, empty where there is none. It
	// returns at once.
	Revision(name string) string
	// Rig reads the rig anew: it will be changed.
	Rig(ctx context.Context) (*sequence.Rig, error)
}

// Options are what a Desk needs. All but Source may be left out.
type Options struct {
	Source Source
	// Clock is the host's; nil is the machine's.
	Clock live.Clock
	// Ports lists serial ports; nil is live.Ports.
	Ports func() ([]live.Port, error)
	// Places are those of boards, by the rig's names, that whoever started the program has
	// given. Pages may connect there, wherever that is, and to ports and addresses nearby.
	Places map[string]string
	// Tell takes messages about faults of the program; nil drops them.
	Tell func(format string, args ...any)
	// Dial opens a link; nil opens places that pages may name: see reach.
	Dial func(ctx context.Context, place live.Place) (live.Link, error)
}

// Times and bounds of a desk.
const (
	lookEvery   = 50 * time.Millisecond
	tellEvery   = 100 * time.Millisecond // while boards are connected
	askPatience = 5 * time.Second        // for a board to hold or to resume
	// yieldPatience is how long boards may take to give way: longer than live lets axes take
	// to come to rest, whose error says more.
	yieldPatience = 15 * time.Second
	mostWaiting   = 256 // requests that wait for the desk
	mostAnswers   = 32  // that wait for a page
)

// Errors of requests.
var (
	errOvertaken = errors.New("a stop came first")
	errClosed    = errors.New("the server ends")
	errAside     = errors.New("not now: the boards are being held, resumed, or brought to rest")
	errFull      = fmt.Errorf("%d requests are waiting already", mostWaiting)
	errFault     = errors.New("internal error: what was asked for could not be worked out. This is a fault of limberjack; what it says in its terminal helps to find it")
)

// Desk owns the boards of a project while it is rehearsed. Its methods may be called at
// the same time.
type Desk struct {
	opts  Options
	clock live.Clock
	wall  time.Time // of host time 0
	life  context.Context
	end   context.CancelFunc
	over  chan struct{}
	wake  chan struct{}

	// mu is held only for as long as it takes to look: stops go through it.
	mu      sync.Mutex
	inbox   []func()
	waiting int // requests in inbox
	wheel   wheel
	stops   int // how often all was stopped
	halting int // stops that are under way
	cast    *cast
	cancel  context.CancelFunc // of the job, where a stop gives it up
	seats   map[*Seat]bool

	// What follows belongs to the desk's own goroutine.
	stand
}

// NewDesk makes a desk. It works until Close.
func NewDesk(o Options) *Desk {
	if o.Clock == nil {
		o.Clock = live.MachineClock()
	}
	if o.Ports == nil {
		o.Ports = live.Ports
	}
	if o.Tell == nil {
		o.Tell = func(string, ...any) {}
	}
	if o.Dial == nil {
		o.Dial = reach{given: o.Places, ports: o.Ports}.dial
	}
	d := &Desk{opts: o, clock: o.Clock, wall: time.Now().Add(-o.Clock.Now()), over: make(chan struct{}), wake: make(chan struct{}, 1), seats: map[*Seat]bool{}}
	d.life, d.end = context.WithCancel(context.Background())
	d.places = map[string]string{}
	maps.Copy(d.places, o.Places)
	go d.run()
	return d
}

// Close stops what is armed, controlled, parts from all boards, and ends the desk.
func (d *Desk) Close() {
	d.halt(false, "the server ends", nil)
	d.end()
	<-d.over
}

// post gives the desk something to do. It never waits.
func (d *Desk) post(do func()) {
	d.mu.Lock()
	d.inbox = append(d.inbox, do)
	d.mu.Unlock()
	d.poke()
}

func (d *Desk) poke() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

// run is the desk's goroutine.
func (d *Desk) run() {
	defer close(d.over)
	for {
		d.work()
		d.look()
		d.publish()
		select {
		case <-d.wake:
		case <-d.clock.After(d.pause()):
		case <-d.life.Done():
			d.finish()
			return
		}
	}
}

// work does what was posted.
func (d *Desk) work() {
	for {
		d.mu.Lock()
		list := d.inbox
		d.inbox = nil
		d.mu.Unlock()
		if len(list) == 0 {
			return
		}
		for _, do := range list {
			_ = d.safely(func() error { do(); return nil }) // who asked has gone on, or is answered by obey
			d.dirty = true
		}
	}
}

// safely does something that an odd rig may make panic: that ends the program, and with it
// the way by which a page stops the boards.
func (d *Desk) safely(do func() error) (err error) {
	defer func() {
		what := recover()
		if what == nil {
			return
		}
		d.opts.Tell("internal error of the rehearsal: %v\n%s", what, debug.Stack())
		err = errFault
		if c := d.present(); c != nil && c.live.AnyArmed() {
			d.halt(false, "controlled stop: internal error", nil) // nobody knows what was left half done
		}
	}()
	return do()
}

// pause gives the time until the desk looks around.
func (d *Desk) pause() time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.cast == nil && !d.wheel.live && d.job == nil {
		return time.Hour
	}
	now := d.clock.Now()
	return lookEvery - now%lookEvery
}

// finish ends all that is under way.
func (d *Desk) finish() {
	d.mu.Lock()
	c, cancel := d.cast, d.cancel
	d.mu.Unlock()
	if cancel != nil {
		cancel()
	}
	if c != nil {
		c.close()
	}
	for d.job != nil {
		d.work()
		if d.job != nil {
			<-d.wake
		}
	}
	d.work()
	if c := d.present(); c != nil {
		c.close() // where it is closed already, nothing happens
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for s := range d.seats {
		close(s.gone)
	}
	clear(d.seats)
}

// halt stops all boards, controlled, or drops their pulses, past whatever is under way.
// why is told, answer is called when the boards stand. It may be called from anywhere.
func (d *Desk) halt(drop bool, why string, answer func(error)) {
	d.mu.Lock()
	d.stops++
	d.halting++
	c, cancel := d.cast, d.cancel
	d.mu.Unlock()
	if cancel != nil {
		cancel() // first: so nothing is armed after it was stopped
	}
	var failures struct {
		sync.Mutex
		err error
	}
	done := (<-chan struct{})(nil)
	if c != nil {
		done = c.live.Halt(drop, func(err error) {
			failures.Lock()
			failures.err = errors.Join(failures.err, err)
			failures.Unlock()
		})
	}
	d.post(func() { d.note = why })
	go func() {
		if done != nil {
			<-done
		}
		d.mu.Lock()
		d.halting--
		d.mu.Unlock()
		failures.Lock()
		err := failures.err
		failures.Unlock()
		d.post(func() { d.halted(c, drop, err) })
		if answer != nil {
			answer(err)
		}
	}()
}

// leave is a page that drives no longer.
func (d *Desk) leave(page, why string) (drove bool) {
	d.mu.Lock()
	drove = page != "" && d.wheel.driver == page
	stop := d.wheel.leave(page)
	d.mu.Unlock()
	if stop {
		d.halt(false, why, nil)
	} else if drove {
		d.post(func() {})
	}
	return drove
}

// Seat is a page at the desk.
type Seat struct {
	desk    *Desk
	page    string
	news    chan []byte
	answers chan []byte
	gone    chan struct{}
	once    sync.Once
}

// Join sits a page down, by the name that its socket has. After Close it gives a seat at
// which nothing is told.
func (d *Desk) Join(page string) *Seat {
	s := &Seat{desk: d, page: page, news: make(chan []byte, 1), answers: make(chan []byte, mostAnswers), gone: make(chan struct{})}
	d.mu.Lock()
	over := d.life.Err() != nil
	if !over {
		d.seats[s] = true
	}
	d.mu.Unlock()
	if over {
		close(s.gone)
		return s
	}
	d.post(func() { d.told = nil })
	return s
}

// News has the newest State as JSON, at once and after each change; what was not taken is
// replaced.
func (s *Seat) News() <-chan []byte { return s.news }

// Answers has what came of this page's requests, each an Answer as JSON. A page that takes
// none loses the oldest.
func (s *Seat) Answers() <-chan []byte { return s.answers }

// Gone is closed when the desk ends.
func (s *Seat) Gone() <-chan struct{} { return s.gone }

// Leave gets up, as when the socket is closed: a page that drives lets go, and what moves is
// stopped.
func (s *Seat) Leave() {
	s.once.Do(func() {
		s.desk.leave(s.page, "controlled stop: the page that drove is gone")
		s.desk.mu.Lock()
		delete(s.desk.seats, s)
		s.desk.mu.Unlock()
	})
}

// Answer is what came of a request: to the page that made it, and to no other.
type Answer struct {
	Type  string      `json:"type"` // "rehearsal-answer"
	Do    string      `json:"do"`
	ID    int64       `json:"id"`
	OK    bool        `json:"ok"`
	Text  string      `json:"text,omitempty"` // what is wrong and what would work
	Ports []live.Port `json:"ports,omitempty"`
}

// answer tells a page what came of a request.
func (s *Seat) answer(r *Request, err error) {
	a := Answer{Do: r.Do, ID: r.ID, OK: err == nil}
	if err != nil {
		a.Text = err.Error()
	}
	s.say(a)
}

func (s *Seat) say(a Answer) {
	a.Type = "rehearsal-answer"
	body, err := json.Marshal(a)
	if err != nil {
		return // texts and numbers: there is nothing that cannot be written
	}
	for {
		select {
		case s.answers <- body:
			return
		default:
		}
		select {
		case <-s.answers:
		default:
		}
	}
}

// Do takes a message of the page. It returns at once; a stop is on its way to the boards'
// links by then. What comes of it is an Answer.
func (s *Seat) Do(message []byte) {
	now := s.desk.clock.Now()
	r, err := Parse(message)
	if stop := stopIn(message); stop != nil {
		s.stop(stop)
		return
	}
	if err != nil {
		if r == nil {
			r = &Request{}
		}
		s.answer(r, err)
		return
	}
	d := s.desk
	switch r.Do {
	case "beat":
		d.mu.Lock()
		d.wheel.beat(s.page, now)
		d.mu.Unlock()
	case "hidden":
		d.leave(s.page, "controlled stop: the page that drove is hidden")
		s.answer(r, nil)
	case "let-go":
		if !d.leave(s.page, "controlled stop: the page that drove has let go") {
			err = errNotDriver
		}
		s.answer(r, err)
	case "drive":
		d.mu.Lock()
		err = d.wheel.take(s.page, now)
		d.mu.Unlock()
		s.answer(r, err)
		d.post(func() {})
	default:
		s.ask(r, now)
	}
}

// stopIn gives the stop in a message, whatever else may be wrong with it: nothing that asks
// for a stop is refused for its spelling.
func stopIn(message []byte) *Request {
	var head struct {
		Do string `json:"do"`
		ID int64  `json:"id"`
	}
	if len(message) > mostRequest || json.Unmarshal(message, &head) != nil && head.Do == "" {
		return nil
	}
	if head.Do != "stop" && head.Do != "drop" {
		return nil
	}
	return &Request{Do: head.Do, ID: head.ID}
}

func (s *Seat) stop(r *Request) {
	why := "controlled stop; drop ends the pulses now, and what carries weight falls"
	if r.Do == "drop" {
		why = "pulses dropped"
	}
	s.desk.halt(r.Do == "drop", why, func(err error) { s.answer(r, err) })
}

// ask gives the desk a request in its turn.
func (s *Seat) ask(r *Request, now time.Duration) {
	d := s.desk
	d.mu.Lock()
	stops, full, over := d.stops, d.waiting >= mostWaiting, d.life.Err() != nil
	if !full && !over {
		d.waiting++
		d.inbox = append(d.inbox, func() {
			d.mu.Lock()
			d.waiting--
			d.mu.Unlock()
			d.obey(&wish{Request: r, seat: s, at: now, stops: stops})
		})
	}
	d.mu.Unlock()
	switch {
	case over:
		s.answer(r, errClosed)
	case full:
		s.answer(r, errFull)
	default:
		d.poke()
	}
}
