package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/gorilla/websocket"
)

// Times of a socket.
const (
	socketWrite = 5 * time.Second  // in which a message must be taken
	socketPing  = 20 * time.Second // between two pings
	socketQuiet = time.Minute      // without an answer to them
	socketBye   = time.Second      // for a last word
)

// socket tells a page of each change of the project (RFC 6455).
func (s *Server) socket(w http.ResponseWriter, r *http.Request) {
	if !websocket.IsWebSocketUpgrade(r) {
		w.Header().Set("Upgrade", "websocket")
		w.Header().Set("Connection", "Upgrade")
		faultUpgrade.refuse(w, "open "+socketPath+" with a WebSocket")
		return
	}
	select {
	case s.sockets <- struct{}{}:
		defer func() { <-s.sockets }()
	default:
		faultBusy.refuse(w, fmt.Sprintf("%d pages are open, the most that this server takes", mostSockets))
		return
	}
	up := websocket.Upgrader{HandshakeTimeout: headerPatience, ReadBufferSize: 1024, WriteBufferSize: 4096,
		CheckOrigin: func(r *http.Request) bool { return true }, // the guard has checked it
		Error: func(w http.ResponseWriter, r *http.Request, status int, reason error) {
			faultUpgrade.refuse(w, reason.Error())
		}}
	c, err := up.Upgrade(w, r, nil)
	if err != nil {
		return
	}
	defer c.Close()
	if !s.enter() {
		return
	}
	defer s.talks.Done()
	cut := context.AfterFunc(s.stop, func() { time.AfterFunc(socketBye, func() { c.NetConn().Close() }) })
	defer cut()
	s.talk(c)
}

// hello is the first message on a socket.
type hello struct {
	Type string `json:"type"`
	Page int    `json:"page"` // the page's number, which everyone may know
	Key  string `json:"key"`  // with which this page writes
}

// talk greets the page and sends the newest listing, and what the boards do, until it
// goes away, or says something that this server does not understand.
func (s *Server) talk(c *websocket.Conn) {
	number, key, left := s.seats.join()
	defer left()
	c.SetWriteDeadline(time.Now().Add(socketWrite))
	if c.WriteJSON(hello{"hello", number, key}) != nil {
		return
	}
	news, leave := s.project.Hear()
	defer leave()
	box, shut := s.project.hearProposals()
	defer shut()
	gone := make(chan struct{})
	seat := s.boards.Join(pageName(number))
	defer seat.Leave()
	go func() {
		defer close(gone)
		(&listener{conn: c, seat: seat}).listen()
	}()
	ping := time.NewTicker(socketPing)
	defer ping.Stop()
	for {
		var err error
		select {
		case <-gone:
			return
		case <-s.stop.Done():
			seat.Leave()
			bye(c, websocket.CloseGoingAway, "the server ends")
			return
		case body := <-news:
			err = send(c, body)
		case <-box.ready:
			for _, l := range s.project.lettersIn(box) {
				err = errors.Join(err, tellText(c, l.body))
			}
		case body := <-seat.News():
			err = tellText(c, body)
		case body := <-seat.Answers():
			err = tellText(c, body)
		case <-ping.C:
			err = c.WriteControl(websocket.PingMessage, nil, time.Now().Add(socketWrite))
		}
		if err != nil {
			return
		}
	}
}

// send sends a listing. Who does not take it in time is let go.
func send(c *websocket.Conn, body []byte) error {
	c.SetWriteDeadline(time.Now().Add(socketWrite))
	w, err := c.NextWriter(websocket.TextMessage)
	if err != nil {
		return err
	}
	for _, part := range [][]byte{[]byte(`{"type":"project","project":`), body, []byte("}")} {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return w.Close()
}

// bye closes with a reason. Who does not take it is closed all the same.
func bye(c *websocket.Conn, code int, why string) {
	_ = c.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, why), time.Now().Add(socketBye))
}
