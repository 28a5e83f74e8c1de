package live

import (
	"errors"
	"time"

	"limberjack/transport/wire"
)

// Link carries messages to one board and back. All methods may be called at the
// same time.
type Link interface {
	// Send sends one message, and returns when it is on its way: no more than about
	// 8 ms of bytes wait behind it. A message that has not left before a host time
	// until is given up with ErrOvertaken, as is one that a message of Urgent
	// overtakes; until 0 is no bound.
	Send(m wire.Message, until time.Duration) (Sent, error)
	// Urgent sends one message ahead of all that waits, also of what is half sent.
	Urgent(m wire.Message) (Sent, error)
	// Receive hands the packets that come to visit, each with the host time at which
	// its first byte came, until the link ends; then it gives why. A packet's payload
	// is valid until visit returns.
	Receive(visit func(p wire.Packet, at time.Duration)) error
	// Speed gives the bytes a second that the link carries, 0 where it is not known.
	Speed() float64
	// Cost gives the bytes that a payload takes on the link.
	Cost(payload int) int
	// Close ends the link, and Receive. It may be called again.
	Close() error
	// String gives the port or the address.
	String() string
}

// Sent says how a message left.
type Sent struct {
	Sequence uint16
	At       time.Duration // host time at which its last byte leaves, as far as the host knows
}

// ErrOvertaken is a message that was given up for an urgent one, or because its
// time was over.
var ErrOvertaken = errors.New("the message was overtaken")

// LinkError is a link that could not be opened, or that broke.
type LinkError struct {
	Link string // port or address
	Text string
	Hint string // what to do
	Err  error
}

// Error says what is wrong and what to do.
func (e *LinkError) Error() string {
	s := e.Link + ": " + e.Text
	if e.Hint != "" {
		s += ": " + e.Hint
	}
	return s
}

// Unwrap gives the cause.
func (e *LinkError) Unwrap() error { return e.Err }
