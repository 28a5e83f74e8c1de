package web

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/web/rehearse"
)

// The stop that makes a page a hasty one is obeyed, and then it is closed: by a clock that
// stands still, so that nothing may be said anew.
func TestStopOfAHastyPage(t *testing.T) {
	boards := rehearse.NewDesk(rehearse.Options{Source: source{}})
	t.Cleanup(boards.Close)
	for _, do := range []string{"stop", "drop"} {
		l := listener{seat: boards.Join(do), now: func() time.Time { return time.Unix(1, 0) }}
		for range mostSaidOnce {
			if why := l.take(websocket.TextMessage, []byte(`{"type":"beat"}`)); why != "" {
				t.Fatal(why)
			}
		}
		if why := l.take(websocket.TextMessage, []byte(`{"type":"rehearse","do":"`+do+`","id":7}`)); !strings.Contains(why, "100 messages a second") {
			t.Errorf("%s: the page goes on (%q)", do, why)
		}
		select {
		case said := <-l.seat.Answers():
			if !strings.Contains(string(said), `"id":7,"ok":true`) {
				t.Errorf("%s is answered by %s", do, said)
			}
		case <-time.After(waiting):
			t.Errorf("%s is not obeyed", do)
		}
		l.seat.Leave()
	}
}

// A rig that the program cannot work out is a problem of its file, and ends nothing.
func TestRigOfAFault(t *testing.T) {
	var told string
	p := &Project{make: maker{tell: func(format string, args ...any) { told = fmt.Sprintf(format, args...) }}} // without a folder
	if _, err := p.loadRig("odd.rig.yaml"); err == nil || !strings.Contains(err.Error(), "internal error") || !strings.Contains(told, "odd.rig.yaml") {
		t.Errorf("it is %v; told was %q", err, told)
	}
}

// TestEndsAreWrittenAgain: what was found and written counts as written until the rig's file is
// changed otherwise, also by undo.
func TestEndsAreWrittenAgain(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	p := d.page()
	now := d.get("/api/rig").rigOf(t)
	axis := now.axis(t, "wing")
	seat := d.server.boards.Join("a page")
	defer seat.Leave()
	written := func(what string, want bool) {
		t.Helper()
		for end := time.After(waiting); ; {
			select {
			case body := <-seat.News():
				var s rehearse.State
				if err := json.Unmarshal(body, &s); err != nil {
					t.Fatal(err)
				}
				if s.Calibrate != nil && s.Calibrate.Written == want {
					return
				}
			case body := <-seat.Answers():
				if !strings.Contains(string(body), `"ok":true`) {
					t.Fatalf("refused: %s", body)
				}
			case <-end:
				t.Fatalf("%s: written is not %v", what, want)
			}
		}
	}
	seat.Do([]byte(`{"type":"rehearse","do":"drive"}`))
	seat.Do(fmt.Appendf(nil, `{"type":"rehearse","do":"calibrate","axis":"wing","at":%q}`, openBoard(t, filepath.Join(d.dir, "gull.rig.yaml"), axis)))
	written("connected", false)
	seat.Do([]byte(`{"type":"rehearse","do":"let-go"}`))
	d.server.boards.Written("wing")
	written("the ends", true)
	now = p.post("/api/rig/axes/wing/trim", `{"base":"`+now.Text+`","us":5}`).rigOf(t)
	written("a trim", false)
	d.server.boards.Written("wing")
	written("the ends again", true)
	p.post("/api/rig/undo", `{"base":"`+now.Text+`"}`).rigOf(t)
	written("undo", false)
}

// openBoard starts the board of an axis, opened for its ends, and gives its address.
func openBoard(t *testing.T, file string, axis rigAxis) string {
	t.Helper()
	rig, err := sequence.LoadRig(func(name string) (io.ReadCloser, error) { return os.Open(name) }, file)
	if err != nil {
		t.Fatal(err)
	}
	var config board.Config
	for _, a := range rig.Axes {
		if a.Name == axis.Name {
			a.OpenPulse()
			if config, err = board.ConfigOf(rig, a.Board); err != nil {
				t.Fatal(err)
			}
		}
	}
	server := board.NewServer(board.Options{Config: config})
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() { defer close(over); server.ServeWebSocket(ctx, on) }()
	t.Cleanup(func() { cancel(); server.Close(); <-over })
	return "ws://" + on.Addr().String() + "/"
}
