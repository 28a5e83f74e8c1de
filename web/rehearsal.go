package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gorilla/websocket"

	"limberjack/interp/check"
	"limberjack/sequence"
	"limberjack/web/rehearse"
)

// Bounds of what a page says on its socket. A page that drives says 4 beats a second.
const (
	mostSaid     = 100 // messages a second
	mostSaidOnce = 200 // messages at once
	// haltPatience is how long an answer to a stop by HTTP waits for the boards.
	haltPatience = 3 * time.Second
)

// source is the project, for the rehearsal.
type source struct{ project *Project }

func (s source) Names() []string { return s.project.names() }

// Motion gives the last good version of a motion, and why no pulses are made of it.
func (s source) Motion(ctx context.Context, name string) (*rehearse.Motion, error) {
	t, err := s.project.takeOf(ctx, name)
	var none absent
	switch {
	case errors.Is(err, errNoMotion):
		return nil, fmt.Errorf("there is no motion %s", quoted(name))
	case errors.As(err, &none):
		return nil, fmt.Errorf("the files of %s have errors, and there was no good version since the start", quoted(name))
	case err != nil:
		return nil, fmt.Errorf("%s is still being worked out", quoted(name))
	}
	return &rehearse.Motion{Revision: t.revision, Performance: t.perf, Refusal: refusal(t.report)}, nil
}

// refusal says which end stop a motion runs into, as the commands that make pulses do.
func refusal(r *check.Report) error {
	for _, f := range r.Findings {
		if f.Rule == "travel" && f.Level == check.Error {
			return fmt.Errorf("%s: %s; %s", f.At, f.Message, f.Remedy)
		}
	}
	return nil
}

func (s source) Revision(name string) string {
	s.project.mu.Lock()
	defer s.project.mu.Unlock()
	for _, m := range s.project.motions {
		if m.name == name && m.take != nil {
			return m.take.revision
		}
	}
	return ""
}

// Rig reads the rig anew. All motions of a project have the same one.
func (s source) Rig(ctx context.Context) (*sequence.Rig, error) {
	for _, name := range s.Names() {
		t, err := s.project.takeOf(ctx, name)
		if err != nil {
			continue
		}
		return s.project.loadRig(t.perf.Rig.File)
	}
	return nil, errNoRig
}

func (p *Project) loadRig(file string) (rig *sequence.Rig, err error) {
	defer p.make.caught(file, &err)
	return sequence.LoadRig(newSnapshot(p.folder).reading().open, file)
}

// CheckBoards says which of some names is none of a board of the project's rig. Of a rig
// that cannot be read nothing is said: the page tells what is wrong with it.
func (p *Project) CheckBoards(names []string) error {
	doc, _ := p.read(p.snapshot().reading())
	var rig *sequence.Rig
	switch d := doc.(type) {
	case *sequence.Show:
		rig = d.Rig
	case *sequence.Script:
		rig = d.Rig
	}
	if rig == nil {
		return nil
	}
	var known []string
	for _, b := range rig.Boards {
		known = append(known, b.Name)
	}
	for _, name := range names {
		if slices.Contains(known, name) {
			continue
		}
		if near := sequence.Nearest(name, known); near != "" {
			return fmt.Errorf("the rig has no board %s; did you mean %s?", name, near)
		}
		return fmt.Errorf("the rig has no board %s; its boards are %s", name, strings.Join(known, ", "))
	}
	return nil
}

// listener takes what a page says on its socket.
type listener struct {
	conn *websocket.Conn
	seat *rehearse.Seat
	now  func() time.Time // nil: time.Now
	left float64          // messages that may come at once
	at   time.Time        // of which left is
}

// listen reads until the page goes away, or says what no page says. The page that drove
// is then taken leave of at once: its writer may hang for as long as a write may take.
func (l *listener) listen() {
	defer l.seat.Leave()
	c := l.conn
	c.SetReadLimit(mostMessage) // beyond it the library closes with 1009
	c.SetReadDeadline(time.Now().Add(socketQuiet))
	c.SetPongHandler(func(string) error { return c.SetReadDeadline(time.Now().Add(socketQuiet)) })
	for {
		kind, body, err := c.ReadMessage()
		if err != nil {
			return
		}
		if why := l.take(kind, body); why != "" {
			l.seat.Leave()
			bye(c, websocket.ClosePolicyViolation, why)
			return
		}
	}
}

// take hands a message on; why says what is wrong with one for which the socket is
// closed. A stop is obeyed first, however it comes, and counts as every other message.
func (l *listener) take(kind int, body []byte) (why string) {
	var m struct {
		Type string `json:"type"`
		Do   string `json:"do"`
	}
	err := json.Unmarshal(body, &m)
	stop := m.Do == "stop" || m.Do == "drop"
	if stop {
		l.seat.Do(body)
	}
	switch {
	case !l.mayTalk():
		return fmt.Sprintf("that is more than %d messages a second", mostSaid)
	case stop:
		return ""
	case kind != websocket.TextMessage || err != nil || m.Type != "rehearse" && m.Type != "beat":
		return "this server takes requests of the rehearsal only"
	}
	l.seat.Do(body)
	return ""
}

// mayTalk counts a message.
func (l *listener) mayTalk() bool {
	now := time.Now
	if l.now != nil {
		now = l.now
	}
	t := now()
	if l.at.IsZero() {
		l.left = mostSaidOnce
	} else {
		l.left = min(mostSaidOnce, l.left+float64(mostSaid*t.Sub(l.at).Seconds()))
	}
	l.at = t
	if l.left < 1 {
		return false
	}
	l.left--
	return true
}

// pageName is how the rehearsal knows a page.
func pageName(number int) string { return strconv.Itoa(number) }

// tellText sends a message that is JSON already. Who does not take it in time is let go.
func tellText(c *websocket.Conn, body []byte) error {
	c.SetWriteDeadline(time.Now().Add(socketWrite))
	return c.WriteMessage(websocket.TextMessage, body)
}

// halt stops the boards for a page whose socket is gone: anybody may stop, so it needs
// no key.
func (s *Server) halt(do string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		seat := s.boards.Join("")
		defer seat.Leave()
		seat.Do([]byte(`{"type":"rehearse","do":"` + do + `"}`))
		late := time.NewTimer(haltPatience)
		defer late.Stop()
		w.Header().Set("Cache-Control", "no-store")
		for {
			select {
			case body := <-seat.Answers():
				w.Header().Set("Content-Type", "application/json")
				_, _ = w.Write(body) // who has gone hears nothing
				return
			case <-late.C:
				faultBoards.refuse(w, "the stop was sent; not all boards have answered within "+timeText(haltPatience))
				return
			}
		}
	}
}

// Halt stops all boards, controlled, or drops their pulses. It returns at once.
func (s *Server) Halt(drop bool) {
	do := "stop"
	if drop {
		do = "drop"
	}
	s.boards.Join("").Do([]byte(`{"type":"rehearse","do":"` + do + `"}`))
}
