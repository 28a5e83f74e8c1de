package live

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/gorilla/websocket"

	"limberjack/transport/wire"
)

// Bounds of a WebSocket.
const (
	handshakeTime = 5 * time.Second
	writeTime     = 2 * time.Second // after which a link that takes nothing is broken
	socketBuffer  = 4096            // bytes that may wait in the kernel, before a stop
	busyTries     = 10              // while a board may not yet know that its last host has left
	busyTime      = 100 * time.Millisecond
)

// webSocketLink is a Link over a WebSocket, one packet a binary message.
type webSocketLink struct {
	url   string
	conn  *websocket.Conn
	clock Clock

	turn   sync.Mutex
	urgent atomic.Int32
	enc    wire.Encoder
	buf    []byte

	once   sync.Once
	closed atomic.Bool
}

// OpenWebSocket connects to a board at an address such as ws://keeper.local:8080/.
// Errors are *LinkError and say what to do.
func OpenWebSocket(ctx context.Context, url string) (Link, error) {
	return openWebSocket(ctx, url, nil)
}

// openWebSocket connects by a dialer with a Control; nil is none.
func openWebSocket(ctx context.Context, url string, control func(network, address string, c syscall.RawConn) error) (Link, error) {
	conn, response, err := dial(ctx, url, control)
	for range busyTries {
		if response == nil || response.StatusCode != http.StatusConflict {
			break
		}
		select {
		case <-systemClock.After(busyTime):
		case <-ctx.Done():
		}
		conn, response, err = dial(ctx, url, control)
	}
	if err != nil {
		return nil, dialError(url, response, err)
	}
	if tcp, ok := conn.UnderlyingConn().(*net.TCPConn); ok {
		tcp.SetWriteBuffer(socketBuffer)
	}
	conn.SetReadLimit(wire.MaxPacket)
	return &webSocketLink{url: url, conn: conn, clock: systemClock}, nil
}

func dial(ctx context.Context, url string, control func(network, address string, c syscall.RawConn) error) (*websocket.Conn, *http.Response, error) {
	d := websocket.Dialer{HandshakeTimeout: handshakeTime, ReadBufferSize: 1024, WriteBufferSize: 1024, NetDialContext: (&net.Dialer{Control: control}).DialContext}
	conn, response, err := d.DialContext(ctx, url, nil)
	if response != nil && response.Body != nil {
		response.Body.Close()
	}
	return conn, response, err
}

func (l *webSocketLink) String() string       { return l.url }
func (l *webSocketLink) Speed() float64       { return 0 }
func (l *webSocketLink) Cost(payload int) int { return payload + wire.Overhead + 8 }

func (l *webSocketLink) Send(m wire.Message, until time.Duration) (Sent, error) {
	l.turn.Lock()
	defer l.turn.Unlock()
	if l.urgent.Load() > 0 || until > 0 && l.clock.Now() > until {
		return Sent{}, ErrOvertaken
	}
	return l.write(m)
}

func (l *webSocketLink) Urgent(m wire.Message) (Sent, error) {
	l.urgent.Add(1)
	l.turn.Lock()
	l.urgent.Add(-1)
	defer l.turn.Unlock()
	return l.write(m)
}

func (l *webSocketLink) write(m wire.Message) (s Sent, err error) {
	s.Sequence = l.enc.Sequence()
	if l.buf, err = l.enc.Packet(l.buf[:0], m); err != nil {
		return s, err
	}
	// A deadline of a connection is a time of the machine, whatever clock is used.
	l.conn.SetWriteDeadline(time.Now().Add(writeTime))
	if err := l.conn.WriteMessage(websocket.BinaryMessage, l.buf); err != nil {
		return s, l.broken(err)
	}
	s.At = l.clock.Now()
	return s, nil
}

func (l *webSocketLink) Receive(visit func(wire.Packet, time.Duration)) error {
	dec := wire.Decoder{From: wire.FromBoard}
	for {
		kind, b, err := l.conn.ReadMessage()
		if err != nil {
			return l.broken(err)
		}
		now := l.clock.Now()
		if kind != websocket.BinaryMessage {
			continue
		}
		if p, err := dec.Take(b); err == nil {
			visit(p, now)
		}
	}
}

func (l *webSocketLink) Close() (err error) {
	l.once.Do(func() {
		l.closed.Store(true)
		l.conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseNormalClosure, ""), time.Now().Add(50*time.Millisecond))
		err = l.conn.Close()
	})
	return err
}

func (l *webSocketLink) broken(err error) error {
	if l.closed.Load() {
		return &LinkError{Link: l.url, Text: "closed", Err: fs.ErrClosed}
	}
	e := &LinkError{Link: l.url, Text: "the connection broke", Hint: "the network or the board's power failed", Err: err}
	switch {
	case errors.Is(err, websocket.ErrReadLimit):
		e.Text, e.Hint = fmt.Sprintf("the board sent a message longer than %d bytes", wire.MaxPacket), "its program does not speak this protocol"
	case websocket.IsCloseError(err, websocket.CloseNormalClosure, websocket.CloseGoingAway):
		e.Text, e.Hint = "the board closed the connection", ""
	}
	return e
}

// dialError says in plain words why a connection does not come about.
func dialError(url string, response *http.Response, err error) error {
	e := &LinkError{Link: url, Text: err.Error(), Err: err}
	var dns *net.DNSError
	var op *net.OpError
	switch {
	case errors.Is(err, context.Canceled):
		e.Text = "given up"
	case errors.Is(err, ErrFar):
		e.Text, e.Hint = ErrFar.Error(), "a board has an address such as ws://192.168.4.1/"
	case response != nil && response.StatusCode == http.StatusConflict:
		e.Text, e.Hint = "the board is in use", "close the program that is connected to it"
	case response != nil:
		e.Text, e.Hint = fmt.Sprintf("a web server answers there, but not as a board does (%s)", response.Status), "look at the port and the path of the address"
	case errors.As(err, &dns):
		e.Text, e.Hint = "no machine of this name is known", "is the board on this network? Try its number, such as ws://192.168.4.1/"
	case errors.As(err, &op):
		e.Text, e.Hint = "nothing answers there", "is the board switched on, and on this network?"
	}
	return e
}
