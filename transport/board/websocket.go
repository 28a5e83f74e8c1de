package board

import (
	"context"
	"errors"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"limberjack/transport/wire"
)

// patience is how long a host may take to take a message.
const patience = 2 * time.Second

// ServeHTTP serves a host by a WebSocket. One that comes while another is there gets
// the status 409; while the cable is out the status is 503. A page of another origin
// is not let in.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if s.out() > 0 {
		http.Error(w, "the board cannot be reached now", http.StatusServiceUnavailable)
		return
	}
	if s.taken() {
		http.Error(w, "the board has a host already: close the other connection first", http.StatusConflict)
		return
	}
	upgrader := websocket.Upgrader{HandshakeTimeout: patience, ReadBufferSize: 1024, WriteBufferSize: 1024}
	c, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return
	}
	defer c.Close()
	s.converse(c)
}

// taken says whether a host is there.
func (s *Server) taken() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.link != nil
}

// converse serves one host until the connection ends.
func (s *Server) converse(c *websocket.Conn) {
	c.SetReadLimit(wire.MaxPacket)
	l := newLink(s.opt.Faults, func(b []byte) error {
		c.SetWriteDeadline(time.Now().Add(patience))
		return c.WriteMessage(websocket.BinaryMessage, b)
	}, func() { c.NetConn().Close() })
	l.packets = true
	if !s.attach(l) {
		return
	}
	defer s.detach(l)
	var parts sync.WaitGroup
	defer parts.Wait()
	defer l.close()
	in := make(chan parcel, waiting)
	parts.Go(l.deliver)
	parts.Go(func() { s.intake(l, in) })
	m := newMangler(s.opt.Faults, 2)
	for {
		kind, b, err := c.ReadMessage()
		if err != nil {
			return
		}
		if kind != websocket.BinaryMessage {
			b = nil // counted as no packet
		}
		if !pass(l, m, in, b, time.Now()) {
			return
		}
	}
}

// ServeWebSocket serves hosts that connect to a listener, at any path, until ctx ends
// or the server is closed; then it gives the context's error, or nil.
func (s *Server) ServeWebSocket(ctx context.Context, on net.Listener) error {
	within, cancel := s.within(ctx)
	defer cancel()
	server := &http.Server{Handler: s, ReadHeaderTimeout: patience, MaxHeaderBytes: 1 << 14}
	stop := context.AfterFunc(within, func() { server.Close() })
	defer stop()
	err := server.Serve(on)
	s.hangUp()
	if errors.Is(err, http.ErrServerClosed) {
		return ctx.Err()
	}
	return err
}

// hangUp ends the connection with the host.
func (s *Server) hangUp() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.link != nil {
		s.link.close()
	}
}
