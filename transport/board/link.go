package board

import (
	"io"
	"sync"
	"time"

	"limberjack/transport/wire"
)

// waiting is how many messages may wait in a link in one direction. A board that
// cannot get rid of its messages loses them.
const waiting = 256

// link is one connection with a host: messages wait in it for their turn on the line.
type link struct {
	write   func([]byte) error
	shut    func()
	packets bool // a WebSocket: packets as they are
	bytes   time.Duration
	mangle  *mangler

	out  chan parcel
	done chan struct{}
	once sync.Once
	free time.Time // when the line has taken all that waits in out
}

// parcel is a message on its way.
type parcel struct {
	bytes []byte
	at    time.Time // when it is there
}

// byteTime gives the time of a byte on a serial line.
func byteTime(baud int) time.Duration {
	if baud <= 0 {
		return 0
	}
	return wire.BitsPerByte * time.Second / time.Duration(baud)
}

func newLink(f Faults, write func([]byte) error, shut func()) *link {
	return &link{write: write, shut: shut, mangle: newMangler(f, 1), out: make(chan parcel, waiting), done: make(chan struct{})}
}

func (l *link) close() {
	l.once.Do(func() {
		close(l.done)
		l.shut()
	})
}

// clear forgets what waits, as a reset does.
func (l *link) clear() {
	for {
		select {
		case <-l.out:
		default:
			l.free = time.Time{}
			return
		}
	}
}

// send puts a message on the line. A time that a board tells as that of leaving is
// that at which its first bit will leave. Only the holder of the server's lock may
// call it.
func (l *link) send(e *wire.Encoder, m wire.Message) {
	now := time.Now()
	start := now
	if l.free.After(now) {
		start = l.free
	}
	if t, ok := m.(*wire.Time); ok {
		t.Sent = t.Sent.Add(start.Sub(now).Microseconds())
	}
	encode := e.Frame
	if l.packets {
		encode = e.Packet
	}
	b, err := encode(nil, m)
	if err != nil || len(l.out) == cap(l.out) {
		return
	}
	l.free = start.Add(time.Duration(len(b)) * l.bytes)
	times, at := l.mangle.mangle(b, l.free)
	for range times {
		select {
		case l.out <- parcel{b, at}:
		default:
		}
	}
}

// deliver writes what waits, each message when its last bit has left.
func (l *link) deliver() {
	for {
		select {
		case <-l.done:
			return
		case p := <-l.out:
			if !l.sleep(time.Until(p.at)) || l.write(p.bytes) != nil {
				return
			}
		}
	}
}

// sleep is false when the link is closed.
func (l *link) sleep(d time.Duration) bool {
	if d <= 0 {
		return true
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-l.done:
		return false
	case <-timer.C:
		return true
	}
}

// intake gives messages to the board when they are there.
func (s *Server) intake(l *link, in <-chan parcel) {
	for {
		select {
		case <-l.done:
			return
		case p := <-in:
			if !l.sleep(time.Until(p.at) + s.jitter()) {
				return
			}
			s.receive(l, p.bytes)
		}
	}
}

// jitter gives how long the program takes to get to a message.
func (s *Server) jitter() time.Duration {
	if s.opt.Jitter <= 0 {
		return 0
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return time.Duration(s.noise.Int64N(int64(s.opt.Jitter) + 1))
}

// pass sends a message of the host through the faults of the link.
func pass(l *link, m *mangler, in chan<- parcel, b []byte, at time.Time) bool {
	times, at := m.mangle(b, at)
	for range times {
		// Decoding works in place: each gets bytes of its own.
		select {
		case in <- parcel{append([]byte(nil), b...), at}:
		case <-l.done:
			return false
		}
	}
	return true
}

// readSerial reads bytes no faster than the line carries them and cuts them into
// messages. Bytes without an end are passed on as they are, so that memory is bounded.
func (s *Server) readSerial(l *link, r io.Reader) error {
	var parts sync.WaitGroup
	defer parts.Wait()
	defer l.close()
	in := make(chan parcel, waiting)
	parts.Go(l.deliver)
	parts.Go(func() { s.intake(l, in) })
	m := newMangler(s.opt.Faults, 2)
	chunk, frame := make([]byte, s.chunk(l)), make([]byte, 0, 2*wire.MaxFrame)
	line := time.Now()
	for {
		n, err := r.Read(chunk)
		if now := time.Now(); line.Before(now) {
			line = now
		}
		for _, b := range chunk[:n] {
			line = line.Add(l.bytes)
			frame = append(frame, b)
			if b == 0 || len(frame) == cap(frame) {
				if !pass(l, m, in, frame, line) {
					return nil
				}
				frame = frame[:0]
			}
		}
		if err != nil {
			return err
		}
		// What has not been read waits at the host, as before a real line. The pace may
		// run ahead by a chunk, so that no bit of the line is wasted.
		if !l.sleep(time.Until(line)) {
			return nil
		}
	}
}

// chunk is how many bytes are read at once: what the line carries in 2 ms.
func (s *Server) chunk(l *link) int {
	if l.bytes == 0 {
		return 4096
	}
	return int(max(1, min(4096, 2*time.Millisecond/l.bytes)))
}
