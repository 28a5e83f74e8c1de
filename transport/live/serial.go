package live

import (
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"go.bug.st/serial"

	"limberjack/transport/wire"
)

// port is what the link needs of a serial port.
type port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	ResetOutputBuffer() error
	Close() error
}

// serialLink is a Link over a serial port. What is written is paced by the baud
// rate, since the kernel's own queue is first in, first out: what it holds delays a
// stop.
type serialLink struct {
	path  string
	port  port
	clock Clock

	turn   chan struct{} // holds one token: whoever has it writes
	urgent atomic.Int32  // messages that want to overtake
	rush   chan struct{} // wakes a writer that waits for the line
	pacer  pacer
	enc    wire.Encoder
	buf    []byte

	once   sync.Once
	closed atomic.Bool
}

// OpenSerial opens a serial port at a baud rate, 8 data bits, no parity, one stop
// bit. Opening resets many boards: their axes may go limp. Errors are *LinkError
// and say what to do.
func OpenSerial(path string, baud int) (Link, error) {
	if baud <= 0 {
		return nil, &LinkError{Link: path, Text: fmt.Sprintf("%d is no baud rate", baud), Hint: "give the rig's board a baud rate, such as 115200"}
	}
	p, err := serial.Open(path, &serial.Mode{BaudRate: baud})
	if err != nil {
		return nil, openError(path, baud, err)
	}
	// A pseudo-terminal knows no timeout error: a read without bytes gives none.
	if err := p.SetReadTimeout(200 * time.Millisecond); err != nil {
		p.Close()
		return nil, openError(path, baud, err)
	}
	return newSerialLink(path, baud, p, systemClock), nil
}

// systemClock is what links measure by when nobody gives them another; sessions
// with such links must use the same (see Options).
var systemClock Clock = NewSystemClock()

func newSerialLink(path string, baud int, p port, clock Clock) *serialLink {
	l := &serialLink{path: path, port: p, clock: clock, pacer: newPacer(baud), turn: make(chan struct{}, 1), rush: make(chan struct{}, 1)}
	l.turn <- struct{}{}
	l.clear()
	return l
}

// clear ends what a receiver may hold of an earlier, broken frame.
func (l *serialLink) clear() {
	if n, err := l.port.Write([]byte{0}); err == nil {
		l.pacer.wrote(l.clock.Now(), n)
	}
}

func (l *serialLink) String() string       { return l.path }
func (l *serialLink) Speed() float64       { return float64(time.Second) / float64(l.pacer.byteTime) }
func (l *serialLink) Cost(payload int) int { return payload + wire.Overhead + 2 }

func (l *serialLink) Send(m wire.Message, until time.Duration) (Sent, error) {
	<-l.turn
	defer l.yield()
	sequence, err := l.encode(m)
	if err != nil {
		return Sent{}, err
	}
	return l.write(sequence, until)
}

func (l *serialLink) yield() { l.turn <- struct{}{} }

func (l *serialLink) encode(m wire.Message) (sequence uint16, err error) {
	sequence = l.enc.Sequence()
	l.buf, err = l.enc.Frame(l.buf[:0], m)
	return sequence, err
}

// write writes the frame in portions, each when the line has room for it.
func (l *serialLink) write(sequence uint16, until time.Duration) (Sent, error) {
	s := Sent{Sequence: sequence}
	for rest := l.buf; len(rest) > 0; {
		n := min(len(rest), l.pacer.portion())
		l.await(l.pacer.wait(l.clock.Now(), n))
		if now := l.clock.Now(); l.urgent.Load() > 0 || until > 0 && now > until {
			return s, l.cut(len(rest) < len(l.buf))
		}
		var err error
		if s.At, err = l.put(rest[:n]); err != nil {
			return s, err
		}
		rest = rest[n:]
	}
	return s, nil
}

// cut gives up a frame. One that is half written is ended by a zero; the board
// counts it as bad.
func (l *serialLink) cut(begun bool) error {
	if begun {
		if _, err := l.put([]byte{0}); err != nil {
			return err
		}
	}
	return ErrOvertaken
}

// await waits, unless something urgent comes.
func (l *serialLink) await(d time.Duration) {
	if d <= 0 {
		return
	}
	select {
	case <-l.clock.After(d):
	case <-l.rush:
	}
}

// put writes bytes to the port.
func (l *serialLink) put(b []byte) (at time.Duration, err error) {
	n, err := l.port.Write(b)
	at = l.pacer.wrote(l.clock.Now(), n)
	if err == nil && n < len(b) {
		err = errors.New("the port took only a part of the bytes")
	}
	if err != nil {
		return at, l.broken(err)
	}
	return at, nil
}

func (l *serialLink) Urgent(m wire.Message) (Sent, error) {
	l.urgent.Add(1)
	select {
	case l.rush <- struct{}{}:
	default:
	}
	err := l.take()
	l.urgent.Add(-1)
	if err != nil {
		return Sent{}, err
	}
	defer l.yield()
	sequence, err := l.encode(m)
	if err != nil {
		return Sent{}, err
	}
	at, err := l.put(l.buf)
	return Sent{Sequence: sequence, At: at}, err
}

// take waits for the turn. A writer whose port takes nothing any more is freed by
// throwing away what the kernel holds.
func (l *serialLink) take() error {
	select {
	case <-l.turn:
		return nil
	case <-l.clock.After(2 * backlog):
	}
	l.port.ResetOutputBuffer()
	select {
	case <-l.turn:
		return nil
	case <-l.clock.After(100 * time.Millisecond):
		return l.broken(errors.New("the port takes no bytes"))
	}
}

func (l *serialLink) Receive(visit func(wire.Packet, time.Duration)) error {
	dec := wire.Decoder{From: wire.FromBoard}
	buf := make([]byte, 1024)
	for {
		n, err := l.port.Read(buf)
		if err != nil || l.closed.Load() {
			return l.broken(err)
		}
		now := l.clock.Now()
		dec.Write(buf[:n], func(p wire.Packet) {
			visit(p, now-time.Duration(l.Cost(len(p.Payload)))*l.pacer.byteTime)
		})
	}
}

func (l *serialLink) Close() (err error) {
	l.once.Do(func() {
		l.closed.Store(true)
		l.port.ResetOutputBuffer() // frees a write to a board that takes nothing
		err = l.port.Close()
	})
	return err
}

// broken says in plain words why a port gives or takes no more.
func (l *serialLink) broken(err error) error {
	if l.closed.Load() {
		return &LinkError{Link: l.path, Text: "closed", Err: fs.ErrClosed}
	}
	return &LinkError{Link: l.path, Text: "the connection broke", Hint: "the cable was pulled, or the board lost power", Err: err}
}

// openError says in plain words why a port does not open.
func openError(path string, baud int, err error) error {
	e := &LinkError{Link: path, Text: err.Error(), Err: err}
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case code == serial.PortNotFound || errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.ENODEV):
		e.Text, e.Hint = "there is no such port", "plug the board in, and look which ports there are with limberjack ports"
	case code == serial.PortBusy || errors.Is(err, syscall.EBUSY):
		e.Text, e.Hint = "the port is in use", "close the program that has it open, such as a serial monitor"
	case code == serial.PermissionDenied || errors.Is(err, fs.ErrPermission):
		e.Text, e.Hint = "no permission to use the port", permissionHint(path)
	case code == serial.InvalidSpeed:
		e.Text, e.Hint = fmt.Sprintf("the port cannot do %d baud", baud), "take a usual rate: 57600, 115200, 250000, 500000 or 1000000"
	case code == serial.InvalidSerialPort:
		e.Text, e.Hint = "this is no serial port", "give the path of a port that limberjack ports lists"
	}
	return e
}

// usualGroup is the group that owns serial ports on most Linux systems.
const usualGroup = "dialout"

func permissionHint(path string) string {
	group := groupOf(path)
	if group == "" || group == "root" {
		group = usualGroup
	}
	return fmt.Sprintf("become a member of the group %s (sudo usermod -a -G %s $USER), then log out and in again", group, group)
}
