package board

import (
	"context"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"go.bug.st/serial"

	"limberjack/transport/wire"
)

// host is the other end of a real link.
type host struct {
	t     *testing.T
	enc   wire.Encoder
	dec   wire.Decoder
	write func([]byte)
	frame func([]byte, wire.Message) ([]byte, error)
	come  chan wire.Message
	ended chan struct{}
}

func newHost(t *testing.T) *host {
	h := &host{t: t, come: make(chan wire.Message, 1000), ended: make(chan struct{})}
	h.dec.From = wire.FromBoard
	return h
}

func (h *host) take(p wire.Packet) {
	m := p.Kind.New()
	if m.Decode(append([]byte(nil), p.Payload...)) == nil {
		select {
		case h.come <- m:
		default:
		}
	}
}

func (h *host) say(ms ...wire.Message) {
	for _, m := range ms {
		if b, err := h.frame(nil, m); err == nil {
			h.write(b)
		}
	}
}

// hear waits for a message of a kind.
func hear[M wire.Message](h *host) (m M) {
	h.t.Helper()
	limit := time.After(5 * time.Second)
	for {
		select {
		case got := <-h.come:
			if m, ok := got.(M); ok {
				return m
			}
		case <-limit:
			h.t.Fatalf("no %s in 5 s", m.Kind())
		}
	}
}

// ok waits for acks that say that all is well.
func (h *host) ok(ms ...wire.Message) {
	h.t.Helper()
	for _, m := range ms {
		h.say(m)
		if a := hear[*wire.Ack](h); a.About != m.Kind() || a.Result != wire.ResultOk {
			h.t.Fatalf("%s: %+v", m.Kind(), a)
		}
	}
}

// open opens a serial port as a host does.
func openSerial(t *testing.T, path string, baud int) (*host, serial.Port) {
	t.Helper()
	port, err := serial.Open(path, &serial.Mode{BaudRate: baud})
	if err != nil {
		t.Fatal(err)
	}
	h := newHost(t)
	h.write, h.frame = func(b []byte) { port.Write(b) }, h.enc.Frame
	go func() {
		defer close(h.ended)
		buf := make([]byte, 512)
		for {
			n, err := port.Read(buf)
			if err != nil || n == 0 {
				return
			}
			h.dec.Write(buf[:n], h.take)
		}
	}()
	t.Cleanup(func() { port.Close() })
	return h, port
}

func openSocket(t *testing.T, url string) (*host, *websocket.Conn) {
	t.Helper()
	c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(url, "http"), nil)
	if err != nil {
		t.Fatal(err)
	}
	h := newHost(t)
	h.write, h.frame = func(b []byte) { c.WriteMessage(websocket.BinaryMessage, b) }, h.enc.Packet
	go func() {
		defer close(h.ended)
		for {
			_, b, err := c.ReadMessage()
			if err != nil {
				return
			}
			if p, err := h.dec.Take(b); err == nil {
				h.take(p)
			}
		}
	}()
	t.Cleanup(func() { c.Close() })
	return h, c
}

// powered gives a server that ends with the test.
func powered(t *testing.T, o Options) *Server {
	t.Helper()
	if o.Config.Depth == 0 {
		slot := o.Config.Slot
		o.Config = deskConfig()
		o.Config.Slot = slot
	}
	s := NewServer(o)
	t.Cleanup(s.Close)
	return s
}

// ports serves a pseudo-terminal and gives the paths of it.
func ports(t *testing.T, s *Server, name string) <-chan string {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	paths, done := make(chan string, 10), make(chan error, 1)
	go func() { done <- s.ServePTY(ctx, name, func(p string) { paths <- p }) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil && err != context.Canceled {
			t.Error(err)
		}
	})
	return paths
}

// prepare configures the usual channels, with a silence in ms, and arms.
func (h *host) prepare(silence uint16) {
	h.t.Helper()
	h.say(&wire.Identify{Version: 1})
	id := hear[*wire.Identity](h)
	h.ok(&wire.Setup{Channels: 7, Period: 20_000_000, Silence: silence})
	for _, c := range deskChannels() {
		h.ok(&c)
	}
	h.ok(&wire.Arm{Boot: id.Boot, Values: wire.Values(nil).Add(still...)})
}

// play streams frames of the arm's ramp, by credits.
func (h *host) play(n int) {
	h.t.Helper()
	h.say(&wire.Clock{})
	first := hear[*wire.Time](h).Sent.Add(300_000)
	h.ok(&wire.Start{Time: first})
	limit := wire.Index(32)
	for k := range n {
		for limit.Ahead(wire.Index(k)) <= 0 {
			limit = hear[*wire.Credit](h).Limit
		}
		h.say(&wire.Frames{Index: wire.Index(k), Time: first.Add(int64(k) * frame),
			Values: wire.Values(nil).Add(uint16(3000+5*k), 3000, 3000, 0, 0, 0, 0)})
	}
	for end := time.Now().Add(10 * time.Second); hear[*wire.Status](h).Index != wire.Index(n); {
		if h.say(&wire.Clock{}); time.Now().After(end) {
			h.t.Fatal("the frames have not been played after 10 s")
		}
	}
}

// A host streams 60 frames over a real pseudo-terminal and over a real socket.
func TestServedFrames(t *testing.T) {
	for _, link := range []string{"serial", "socket"} {
		t.Run(link, func(t *testing.T) {
			var mu sync.Mutex
			var values []uint16
			s := powered(t, Options{Baud: 115200, PPM: 1258, Jitter: 300 * time.Microsecond, Config: Config{Slot: func(s *Slot) {
				mu.Lock()
				defer mu.Unlock()
				if s.Framed {
					values = append(values, s.Pins[0].Value)
				}
			}}})
			var h *host
			if link == "serial" {
				h, _ = openSerial(t, <-ports(t, s, ""), 115200)
			} else {
				web := httptest.NewServer(s)
				defer web.Close()
				h, _ = openSocket(t, web.URL)
			}
			h.prepare(3000)
			h.play(60)
			st := s.Status()
			mu.Lock()
			defer mu.Unlock()
			if len(values) != 60 {
				t.Fatalf("%d frames came out, want 60: %+v", len(values), st)
			}
			for k, v := range values {
				if v != uint16(3000+5*k) {
					t.Fatalf("frame %d: %d", k, v)
				}
			}
			if st.Bad != 0 || st.Bridged != 0 || st.Clamped != 0 {
				t.Errorf("%+v", st)
			}
		})
	}
}

// Over a link that loses and spoils one message in ten, what comes out stays within the
// limits, and bad messages are counted.
func TestBadLink(t *testing.T) {
	d := newDesk(t, deskConfig())
	d.believe()
	for _, c := range deskChannels() {
		d.limits[c.Channel] = c
	}
	var mu sync.Mutex
	s := powered(t, Options{Faults: Faults{Drop: 0.05, Corrupt: 0.05, Duplicate: 0.05, Delay: 5 * time.Millisecond, Seed: 4},
		Config: Config{Slot: func(s *Slot) {
			mu.Lock()
			defer mu.Unlock()
			d.probe(s)
		}}})
	h, _ := openSerial(t, <-ports(t, s, ""), 115200)
	channels := deskChannels()
	for end := time.Now().Add(2 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		switch s.State() {
		case wire.StateSilent, wire.StateLost:
			h.say(&wire.Identify{Version: 1}, &wire.Setup{Channels: 7, Period: 20_000_000, Silence: 250})
			for i := range channels {
				h.say(&channels[i])
			}
			h.say(&wire.Arm{Boot: 7, Values: wire.Values(nil).Add(still...)})
		case wire.StateArmed:
			h.say(&wire.Start{Time: s.Status().Time})
		default:
			st := s.Status()
			h.say(&wire.Frames{Index: st.Index.Add(int(st.Queued)), Time: st.Time.Add(30_000), Values: wire.Values(nil).Add(3500, 2500, 3900, 500, 90, 40000, 1)})
		}
	}
	st := s.Status()
	mu.Lock()
	defer mu.Unlock()
	d.check()
	if st.Bad == 0 || st.Played == 0 {
		t.Errorf("%+v", st)
	}
}

// A message takes ten bits a byte: 20 messages of 240 bytes at 115200 take 430 ms, in
// either direction; the bound is from below, so that a slow machine does not fail it.
func TestBaud(t *testing.T) {
	s := powered(t, Options{Baud: 115200})
	h, _ := openSerial(t, <-ports(t, s, ""), 115200)
	begun := time.Now()
	for range 20 {
		h.say(&wire.Frames{Values: make(wire.Values, 230)})
	}
	h.say(&wire.Clock{Token: 5})
	hear[*wire.Time](h)
	if took, least := time.Since(begun), 20*248*10*time.Second/115200; took < least {
		t.Errorf("%v, want at least %v", took, least)
	}
}

// The board's clock is off by what was asked for: over half a second 50000 ppm are 25
// ms, and a machine under load answers within less.
func TestClockIsOff(t *testing.T) {
	s := powered(t, Options{PPM: 50_000})
	web := httptest.NewServer(s)
	defer web.Close()
	h, _ := openSocket(t, web.URL)
	// The middle of the quickest of ten round trips, on both clocks.
	look := func() (host time.Time, board wire.Tick) {
		quickest := time.Hour
		for range 10 {
			sent := time.Now()
			h.say(&wire.Clock{})
			m := hear[*wire.Time](h)
			if trip := time.Since(sent); trip < quickest {
				quickest, host, board = trip, sent.Add(trip/2), m.Received
			}
		}
		return host, board
	}
	h0, b0 := look()
	time.Sleep(500 * time.Millisecond)
	h1, b1 := look()
	ppm := (float64(b1.Since(b0))/float64(h1.Sub(h0).Microseconds()) - 1) * 1e6
	if math.Abs(ppm-50_000) > 25_000 {
		t.Errorf("%.0f ppm, want 50000", ppm)
	}
}

// The cable is pulled: the port is gone, the board is lost after 250 ms and holds; then
// the port comes back under its name, and the board needs arming.
func TestCut(t *testing.T) {
	s := powered(t, Options{})
	name := filepath.Join(t.TempDir(), "board")
	paths := ports(t, s, name)
	if got := <-paths; got != name {
		t.Fatalf("ready at %s", got)
	}
	h, _ := openSerial(t, name, 115200)
	h.prepare(250)
	s.Cut(400 * time.Millisecond)
	select {
	case <-h.ended:
	case <-time.After(5 * time.Second):
		t.Fatal("the host does not see that the cable is out")
	}
	<-paths
	until(t, "the board is lost", func() bool { return s.State() == wire.StateLost })
	h, _ = openSerial(t, name, 115200)
	h.say(&wire.Identify{Version: 1}, &wire.Query{Topic: wire.TopicPose})
	if p := hear[*wire.Pose](h); p.State != wire.StateLost || !p.Live.Has(0) {
		t.Errorf("%+v", p)
	}
}

func TestCutSocket(t *testing.T) {
	s := powered(t, Options{})
	web := httptest.NewServer(s)
	defer web.Close()
	h, _ := openSocket(t, web.URL)
	h.prepare(250)
	if _, r, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(web.URL, "http"), nil); err == nil || r.StatusCode != http.StatusConflict {
		t.Errorf("a second host: %v", err)
	}
	s.Cut(300 * time.Millisecond)
	<-h.ended
	if _, r, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(web.URL, "http"), nil); err == nil || r.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("with the cable out: %v", err)
	}
	until(t, "the board is lost", func() bool { return s.State() == wire.StateLost })
	until(t, "the cable is in again", func() bool { return s.out() <= 0 })
	h, _ = openSocket(t, web.URL)
	h.prepare(250)
}

// A page of another origin is not let in, and a message that is too long ends the
// connection.
func TestSocketIsGuarded(t *testing.T) {
	s := powered(t, Options{})
	web := httptest.NewServer(s)
	defer web.Close()
	url := "ws" + strings.TrimPrefix(web.URL, "http")
	if _, _, err := websocket.DefaultDialer.Dial(url, http.Header{"Origin": {"http://elsewhere.example"}}); err == nil {
		t.Error("a page of another origin is let in")
	}
	h, c := openSocket(t, web.URL)
	c.WriteMessage(websocket.TextMessage, []byte("hello"))
	h.say(&wire.Identify{Version: 1})
	hear[*wire.Identity](h)
	if got := s.Status().Bad; got != 1 {
		t.Errorf("%d bad messages after a text", got)
	}
	c.WriteMessage(websocket.BinaryMessage, make([]byte, wire.MaxPacket+1))
	select {
	case <-h.ended:
	case <-time.After(5 * time.Second):
		t.Error("a message that is too long does not end the connection")
	}
}

// until waits for something that the server does by itself.
func until(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(5 * time.Second); !is(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s: not in 5 s", what)
		}
	}
}

// Opening the port resets the board, which then hears nothing for a while.
func TestOpeningResets(t *testing.T) {
	s := powered(t, Options{OnOpen: true, Restart: 200 * time.Millisecond})
	path := <-ports(t, s, "")
	for boot := uint16(8); boot < 10; boot++ {
		h, port := openSerial(t, path, 115200)
		var id *wire.Identity
		for id == nil {
			h.say(&wire.Identify{Version: 1})
			select {
			case m := <-h.come:
				id, _ = m.(*wire.Identity)
			case <-time.After(50 * time.Millisecond):
			}
		}
		if id.Boot != boot || id.Cause != wire.ResetPin {
			t.Errorf("%+v, want boot %d", id, boot)
		}
		port.Close()
		<-h.ended
		until(t, "the board sees the port closed", func() bool { return !s.taken() })
	}
}

// A board that hangs says nothing and plays nothing; then it goes on.
func TestStall(t *testing.T) {
	var mu sync.Mutex
	var starts []int64
	s := powered(t, Options{Config: Config{Slot: func(s *Slot) {
		mu.Lock()
		defer mu.Unlock()
		starts = append(starts, s.Start)
	}}})
	h, _ := openSerial(t, <-ports(t, s, ""), 115200)
	h.prepare(250)
	time.Sleep(100 * time.Millisecond)
	s.Stall(300 * time.Millisecond)
	time.Sleep(400 * time.Millisecond)
	mu.Lock()
	defer mu.Unlock()
	widest := int64(0)
	for i := 1; i < len(starts); i++ {
		widest = max(widest, starts[i]-starts[i-1])
	}
	if widest < 280_000 {
		t.Errorf("the widest gap between slots is %d us", widest)
	}
}

// A stop input that is pressed while the program hangs stops when it runs again, and a
// reset ends the hang without what it has missed.
func TestInputWhileStalled(t *testing.T) {
	s := powered(t, Options{})
	h, _ := openSerial(t, <-ports(t, s, ""), 115200)
	h.prepare(250)
	s.Stall(100 * time.Millisecond)
	s.Input(wire.InputsStop)
	if got := s.State(); got != wire.StateArmed {
		t.Errorf("%s in the hang", got)
	}
	for k := 0; hear[*wire.Status](h).Cause != wire.CauseInput; k++ {
		if k == 30 {
			t.Fatal("the stop input is not seen after the hang")
		}
	}
	s.Stall(time.Hour)
	s.Reset(wire.ResetWatchdog)
	if st := s.Status(); st.State != wire.StateSilent || st.Cause != wire.CauseReset || st.Inputs != wire.InputsStop {
		t.Errorf("%+v", st)
	}
	h.say(&wire.Identify{Version: 1})
	if id := hear[*wire.Identity](h); id.Cause != wire.ResetWatchdog {
		t.Errorf("%+v", id)
	}
}

// Resets, inputs and reports go on while nobody is connected.
func TestServedWithoutHost(t *testing.T) {
	s := powered(t, Options{})
	s.Input(wire.InputsStop)
	for range 3 {
		s.Reset(wire.ResetBrownout)
	}
	st := s.Status()
	if st.State != wire.StateSilent || st.Cause != wire.CauseResets || st.Inputs != wire.InputsStop {
		t.Errorf("%+v", st)
	}
	s.Close()
	s.Close()
}

// A name that is no link is left alone.
func TestPortName(t *testing.T) {
	s := powered(t, Options{})
	name := filepath.Join(t.TempDir(), "board")
	if err := os.WriteFile(name, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := s.ServePTY(context.Background(), name, nil); err == nil || !strings.Contains(err.Error(), name) {
		t.Errorf("over a file: %v", err)
	}
}
