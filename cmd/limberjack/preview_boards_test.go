//go:build unix

package main

import (
	"fmt"
	"net/http"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// driver is a page that drives, as the server sees it.
type driver struct {
	t    *testing.T
	conn *websocket.Conn
}

// said is what the driver looks for in what it is told.
type said struct {
	Type, Phase, Confirm, Text string
	ID                         int
	OK                         bool
	Position                   float64
	Places                     map[string]string
}

// hears waits for something that it is told.
func (d driver) hears(what string, is func(said) bool) (m said) {
	d.t.Helper()
	d.conn.SetReadDeadline(time.Now().Add(30 * time.Second))
	for {
		m = said{}
		if err := d.conn.ReadJSON(&m); err != nil {
			d.t.Fatalf("waited in vain for %s: %v", what, err)
		}
		if m.Type == "rehearsal-answer" && !m.OK {
			d.t.Fatalf("waited in vain for %s: %s", what, m.Text)
		}
		if is(m) {
			return m
		}
	}
}

func (d driver) asks(id int, do, more string) {
	d.t.Helper()
	if err := d.conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"type":"rehearse","do":%q,"id":%d%s}`, do, id, more)); err != nil {
		d.t.Fatal(err)
	}
	d.hears("an answer to "+do, func(m said) bool { return m.Type == "rehearsal-answer" && m.ID == id })
}

// previewInMotion starts a preview whose page plays the gantry's motion on a board in
// software, until it is at 1 s. The place of the board is none that a page may name by
// itself.
func previewInMotion(t *testing.T) (*softBoard, *process, driver) {
	t.Helper()
	dir := gantry(t)
	b := startBoard(t, dir, "gantry.rig.yaml", "main")
	p := start(t, dir, "preview", "up.motion.yaml", "--board", "main="+b.port)
	link := p.await("an address", func(l string) bool { return strings.HasPrefix(l, "http://127.0.0.1:") })
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(link, "http")+"api/socket", http.Header{"Origin": {strings.TrimSuffix(link, "/")}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	d := driver{t, conn}
	d.hears("the place of the board", func(m said) bool { return m.Places["main"] == b.port })
	d.asks(1, "drive", "")
	d.asks(2, "connect", fmt.Sprintf(`,"motion":"up","boards":{"main":%q}`, b.port))
	over := make(chan struct{})
	t.Cleanup(func() { close(over) })
	d.asks(3, "arm", `,"confirmed":true`)
	d.asks(4, "play", `,"countIn":0`)
	go func() { // from here on the only one that writes
		for {
			select {
			case <-over:
				return
			case <-time.After(250 * time.Millisecond):
				if conn.WriteMessage(websocket.TextMessage, []byte(`{"type":"beat"}`)) != nil {
					return
				}
			}
		}
	}()
	d.hears("1 s of the motion", func(m said) bool { return m.Phase == "playing" && m.Position > 1 })
	return b, p, d
}

// TestPreviewStops presses Ctrl-C once while the page drives: a controlled stop.
func TestPreviewStops(t *testing.T) {
	b, p, _ := previewInMotion(t)
	p.signal(os.Interrupt)
	b.becomes("stopped")
	if code := p.exit(); code != exitDone {
		t.Errorf("preview ends with %d: %q", code, p.told())
	}
	time.Sleep(400 * time.Millisecond) // in which only the arm has pulses
	b.finish().stopped(t)
}

// TestPreviewDrops presses Ctrl-C twice: the arm takes 0.6 s to stop, so that the second
// meets it in motion.
func TestPreviewDrops(t *testing.T) {
	b, p, _ := previewInMotion(t)
	p.signal(os.Interrupt)
	b.becomes("stopping")
	time.Sleep(120 * time.Millisecond) // nobody presses it twice in less than 100 ms
	p.signal(os.Interrupt)
	b.becomes("silent")
	if code := p.exit(); code != exitDone {
		t.Errorf("preview ends with %d: %q", code, p.told())
	}
	time.Sleep(time.Second) // with pulses the arm would come to rest in that time
	r := b.finish()
	r.check(t, pins)
	if r.rested("arm", 3) {
		t.Error("the arm has pulses until it rests: they were not dropped")
	}
}

// TestPreviewFrozen halts the server in mid-motion, as a machine does that runs out of
// memory: the board finds out by itself, and nothing moves when the server is back.
func TestPreviewFrozen(t *testing.T) {
	b, p, d := previewInMotion(t)
	from := time.Now()
	p.signal(syscall.SIGSTOP)
	b.becomes("lost")
	took := time.Since(from)
	t.Logf("the board stops by itself after %v", took)
	if took > 1200*time.Millisecond {
		t.Errorf("the board stops %v later", took)
	}
	time.Sleep(softRest)
	p.signal(syscall.SIGCONT)
	d.hears("the end of it", func(m said) bool {
		return m.Type == "rehearsal" && m.Phase != "playing" && m.Phase != "armed" && m.Confirm != ""
	})
	p.signal(os.Interrupt)
	if code := p.exit(); code != exitDone {
		t.Errorf("preview ends with %d: %q", code, p.told())
	}
	b.finish().lostInMotion(t)
}
