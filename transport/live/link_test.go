package live

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"limberjack/transport/wire"
)

// uart is a port that empties its queue at 10 bits a byte, as a serial chip does.
type uart struct {
	byteTime time.Duration
	mu       sync.Mutex
	free     time.Duration
	most     time.Duration // the longest time that a byte waited
	left     []leaving
	closed   chan struct{}
}

// leaving is a byte and when its last bit is on the wire.
type leaving struct {
	b  byte
	at time.Duration
}

func newUART(baud float64) *uart {
	return &uart{byteTime: time.Duration(10 / baud * 1e9), closed: make(chan struct{})}
}

func (u *uart) Write(p []byte) (int, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	now := systemClock.Now()
	for _, b := range p {
		u.free = max(u.free, now) + u.byteTime
		u.left = append(u.left, leaving{b, u.free})
	}
	u.most = max(u.most, u.free-now)
	return len(p), nil
}

func (u *uart) Read([]byte) (int, error) { <-u.closed; return 0, fs.ErrClosed }
func (u *uart) ResetOutputBuffer() error { return nil }
func (u *uart) Close() error             { close(u.closed); return nil }

// TestStopOvertakes: with messages of the longest payload waiting all the time, a stop
// is on the wire within 20 ms at 115200 baud.
func TestStopOvertakes(t *testing.T) {
	leaks(t)
	for range 10 {
		u := newUART(115200)
		l := newSerialLink("test", 115200, u, systemClock)
		ctx, cancel := context.WithCancel(t.Context())
		var group sync.WaitGroup
		for range 3 {
			group.Go(func() {
				m := &wire.Frames{Values: make(wire.Values, wire.MaxPayload-wire.SizeFrames)}
				for ctx.Err() == nil {
					if _, err := l.Send(m, 0); err != nil && !errors.Is(err, ErrOvertaken) {
						t.Error(err)
						return
					}
				}
			})
		}
		time.Sleep(60 * time.Millisecond)
		called := systemClock.Now()
		if _, err := l.Urgent(&wire.Stop{Category: wire.CategoryControlled}); err != nil {
			t.Fatal(err)
		}
		cancel()
		group.Wait()
		l.Close()
		at, bad := stopAt(u)
		if took := at - called; at == 0 || took > 20*time.Millisecond {
			t.Errorf("the stop was on the wire after %v", took)
		}
		if bad > 3 { // the message that was cut, of each sender
			t.Errorf("%d messages arrive spoilt", bad)
		}
	}
}

// stopAt decodes what left a port: when the stop was whole, and what was spoilt.
func stopAt(u *uart) (at time.Duration, bad uint64) {
	d := wire.Decoder{From: wire.FromHost}
	for _, x := range u.left {
		d.Write([]byte{x.b}, func(p wire.Packet) {
			if p.Kind == wire.KindStop {
				at = x.at
			}
		})
	}
	return at, d.Counts.Bad()
}

// TestStaleMessagesDoNotLeave: a message whose time is over is given up, also where the
// line was the reason.
func TestStaleMessagesDoNotLeave(t *testing.T) {
	u := newUART(9600)
	l := newSerialLink("test", 9600, u, systemClock)
	defer l.Close()
	m := &wire.Frames{Values: make(wire.Values, 200)} // takes 0.23 s
	if _, err := l.Send(m, systemClock.Now()+50*time.Millisecond); !errors.Is(err, ErrOvertaken) {
		t.Errorf("Send gives %v", err)
	}
	if _, err := l.Send(&wire.Hold{}, systemClock.Now()-1); !errors.Is(err, ErrOvertaken) {
		t.Errorf("Send gives %v", err)
	}
	if _, err := l.Send(&wire.Hold{}, 0); err != nil {
		t.Error(err)
	}
	var kinds []wire.Kind
	d := wire.Decoder{From: wire.FromHost}
	for _, x := range u.left {
		d.Write([]byte{x.b}, func(p wire.Packet) { kinds = append(kinds, p.Kind) })
	}
	if fmt.Sprint(kinds) != "[hold]" || u.most > backlog+2*time.Millisecond {
		t.Errorf("what left is %v, and bytes waited for %v", kinds, u.most)
	}
}

func TestOpenErrorsInPlainWords(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	open := func(path string, baud int) error { _, err := OpenSerial(path, baud); return err }
	for _, c := range []struct {
		err  error
		want []string
	}{
		{open("/dev/no-such-port", 115200), []string{"/dev/no-such-port", "no such port", "limberjack ports"}},
		{open(file, 115200), []string{"no serial port"}},
		{open(file, 0), []string{"baud"}},
		{openError("/dev/x", 9600, syscall.EBUSY), []string{"in use", "close the program"}},
		{openError("/dev/null-and-void", 9600, syscall.EACCES), []string{"no permission", "group dialout", "log out"}},
	} {
		var le *LinkError
		if !errors.As(c.err, &le) || le.Unwrap() == nil && !strings.Contains(le.Text, "baud") {
			t.Errorf("%v is no LinkError with its cause", c.err)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(c.err.Error(), w) {
				t.Errorf("%q does not say %q", c.err, w)
			}
		}
	}
}

func TestWebSocketErrorsInPlainWords(t *testing.T) {
	none, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	none.Close()
	web := httptest.NewServer(http.NotFoundHandler())
	defer web.Close()
	used := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusConflict) }))
	defer used.Close()
	for url, want := range map[string]string{
		"ws" + strings.TrimPrefix(used.URL, "http"):  "in use: close the program",
		"ws://" + none.Addr().String() + "/":         "nothing answers",
		"ws" + strings.TrimPrefix(web.URL, "http"):   "not as a board does",
		"ws://keeper.invalid/":                       "no machine of this name",
		"http" + strings.TrimPrefix(web.URL, "http"): "malformed",
	} {
		_, err := OpenWebSocket(t.Context(), url)
		var le *LinkError
		if !errors.As(err, &le) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", url, err)
		}
	}
}

// TestWebSocketIsBounded: a message longer than a packet ends the link.
func TestWebSocketIsBounded(t *testing.T) {
	leaks(t)
	up := websocket.Upgrader{}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, err := up.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		defer c.Close()
		c.WriteMessage(websocket.TextMessage, []byte("hello"))
		c.WriteMessage(websocket.BinaryMessage, []byte{1, 2, 3})
		c.WriteMessage(websocket.BinaryMessage, make([]byte, wire.MaxPacket+1))
		c.ReadMessage()
	}))
	defer s.Close()
	l, err := OpenWebSocket(t.Context(), "ws"+strings.TrimPrefix(s.URL, "http"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	err = l.Receive(func(p wire.Packet, _ time.Duration) { t.Errorf("%v came", p) })
	if err == nil || !strings.Contains(err.Error(), "longer than 246 bytes") {
		t.Errorf("Receive gives %v", err)
	}
}
