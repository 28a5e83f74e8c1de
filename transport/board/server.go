package board

import (
	"context"
	"math/rand/v2"
	"sync"
	"time"

	"limberjack/transport/wire"
)

// Options are what a Server is made of.
type Options struct {
	Config  Config        // Send, Slot and Drop may be set; they hold the server's lock, and must not call it
	PPM     float64       // how much faster the board's clock runs than the computer's
	Jitter  time.Duration // the longest time until the board's program gets to a message
	Baud    int           // bits a second of the serial line, 10 bits a byte; 0: as fast as it goes
	Restart time.Duration // how long the board hears and says nothing after a reset (1.5 s on many)
	OnOpen  bool          // opening the port resets the board, as on many with a serial chip
	Faults  Faults
}

// Server runs a board in real time. It runs from NewServer to Close, whether a host
// is there or not; one host at a time is let in by ServePTY or ServeHTTP. Its methods
// may be called at any time and from anywhere.
type Server struct {
	opt   Options
	start time.Time // power-up

	mu      sync.Mutex
	player  *Player
	decoder wire.Decoder
	encoder wire.Encoder
	counted wire.Counts
	link    *link
	cut     time.Time // the cable is out until then
	deaf    time.Time // the board restarts, or hangs, until then
	hung    bool
	due     time.Time // when the next tick is to be
	inputs  wire.Inputs
	noise   *rand.Rand

	wake chan struct{}
	done chan struct{}
	over sync.WaitGroup
}

// NewServer gives a board power.
func NewServer(o Options) *Server {
	s := &Server{opt: o, start: time.Now(), wake: make(chan struct{}, 1), done: make(chan struct{}),
		noise: rand.New(rand.NewPCG(o.Faults.Seed, 3))}
	s.decoder.From = wire.FromHost
	c := o.Config
	c.Send = s.send
	s.player = NewPlayer(c)
	s.over.Go(s.run)
	return s
}

// Close cuts the power, and ends all that the server does.
func (s *Server) Close() {
	s.mu.Lock()
	select {
	case <-s.done:
	default:
		close(s.done)
		if s.link != nil {
			s.link.close()
		}
		s.reset(wire.ResetPower)
	}
	s.mu.Unlock()
	s.over.Wait()
}

// now gives the board's time since power-up in us.
func (s *Server) now() int64 { return s.board(time.Now()) }

// board gives the board's time at a moment.
func (s *Server) board(t time.Time) int64 {
	us := float64(t.Sub(s.start)) / 1000
	return int64(us + us*s.opt.PPM*1e-6)
}

// moment gives the moment of a time of the board.
func (s *Server) moment(us int64) time.Time {
	return s.start.Add(time.Duration(float64(us) / (1 + s.opt.PPM*1e-6) * 1000))
}

// run is the board's timer.
func (s *Server) run() {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-s.done:
			return
		case <-s.wake:
		case <-timer.C:
		}
		timer.Reset(time.Until(s.tick()))
	}
}

// tick does what is due, and gives the moment of what comes next.
func (s *Server) tick() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.awake(time.Now()) {
		s.due = time.Time{}
		return s.deaf
	}
	// Where this computer was too busy to run the board in time, a real one would
	// have listened: that is no silence of the host.
	if late := time.Since(s.due); !s.due.IsZero() && late > busy {
		s.player.Unheard(s.now(), late.Microseconds())
	}
	s.player.Advance(s.now())
	s.due = s.moment(s.player.Next())
	return s.due
}

// busy is how late a tick may be for the computer's load.
const busy = 20 * time.Millisecond

// awake says whether the board's program runs. Where it did not, and does again, it
// has missed what was due.
func (s *Server) awake(now time.Time) bool {
	if now.Before(s.deaf) {
		return false
	}
	if s.hung {
		s.hung = false
		s.player.Skip(s.board(s.deaf))
		s.player.Input(s.board(s.deaf), s.inputs)
	}
	return true
}

// nudge lets run look again.
func (s *Server) nudge() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// send gives a message to the host, or to nobody.
func (s *Server) send(m wire.Message) {
	if s.opt.Config.Send != nil {
		s.opt.Config.Send(m)
	}
	if s.link != nil {
		s.link.send(&s.encoder, m)
	}
}

// receive takes bytes from a link.
func (s *Server) receive(l *link, b []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.link != l || !s.awake(time.Now()) {
		return
	}
	take := func(p wire.Packet) { s.player.Receive(s.now(), p) }
	if l.packets {
		if p, err := s.decoder.Take(b); err == nil {
			take(p)
		}
	} else {
		s.decoder.Write(b, take)
	}
	c := s.decoder.Counts
	s.player.Bad(int(c.Bad()-s.counted.Bad()), int(c.Unknown+c.Short-s.counted.Unknown-s.counted.Short))
	s.counted = c
	s.nudge()
}

// State gives what the board is doing.
func (s *Server) State() wire.State {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.player.State()
}

// Status gives the board's status now; of a board that hangs, the last one.
func (s *Server) Status() wire.Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.awake(time.Now()) {
		s.player.Advance(s.now())
	}
	return s.player.Status()
}

// Reset resets the board. It is deaf for Options.Restart.
func (s *Server) Reset(cause wire.Reset) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.reset(cause)
}

func (s *Server) reset(cause wire.Reset) {
	now := time.Now()
	if !s.awake(now) {
		s.player.Skip(s.board(now))
	}
	s.player.Reset(s.board(now), cause)
	s.encoder = wire.Encoder{}
	s.decoder = wire.Decoder{From: wire.FromHost, Counts: s.decoder.Counts}
	if s.link != nil {
		s.link.clear()
	}
	s.deaf, s.hung = now, false // a reset ends a hang
	s.pause(now.Add(s.opt.Restart))
}

// opening does what opening its port does to a board.
func (s *Server) opening() {
	if s.opt.OnOpen {
		s.Reset(wire.ResetPin)
	}
}

// pause keeps the board's program from running.
func (s *Server) pause(until time.Time) {
	if until.After(s.deaf) {
		s.deaf, s.hung = until, true
	}
	s.nudge()
}

// Stall hangs the board's program for some time: no slot begins, nothing is said, and
// what comes is lost.
func (s *Server) Stall(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	if s.awake(now) {
		s.player.Advance(s.board(now))
	}
	s.pause(now.Add(d))
}

// Input sets the board's inputs; wire.InputsStop is the stop input. A program that
// hangs sees them when it runs again.
func (s *Server) Input(active wire.Inputs) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.inputs = active
	if s.awake(time.Now()) {
		s.player.Input(s.now(), active)
	}
	s.nudge()
}

// Cut pulls the cable for some time. The board goes on by itself.
func (s *Server) Cut(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cut = time.Now().Add(d)
	if s.link != nil {
		s.link.close()
		s.link = nil
	}
}

// out gives the time for which the cable is still out.
func (s *Server) out() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	return time.Until(s.cut)
}

// attach makes a link the one that the board talks on; it is false where the cable
// is out, the server closed, or another host there.
func (s *Server) attach(l *link) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case <-s.done:
		return false
	default:
	}
	if s.link != nil || time.Now().Before(s.cut) {
		return false
	}
	s.link = l
	return true
}

func (s *Server) detach(l *link) {
	s.mu.Lock()
	defer s.mu.Unlock()
	l.close()
	if s.link == l {
		s.link = nil
	}
}

// within gives a context that ends with the server, too.
func (s *Server) within(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		select {
		case <-s.done:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}
