package live

import (
	"errors"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"limberjack/transport/wire"
)

// radio is a network between host and board that can go silent without breaking, as
// Wi-Fi does: what was under way arrives late.
type radio struct {
	mu sync.Mutex
}

// pause holds all traffic up.
func (r *radio) pause(d time.Duration) {
	r.mu.Lock()
	time.Sleep(d)
	r.mu.Unlock()
}

func (r *radio) carry(to, from net.Conn) {
	defer to.Close()
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		r.mu.Lock()
		_, werr := to.Write(buf[:n])
		r.mu.Unlock()
		if err != nil || werr != nil {
			return
		}
	}
}

// over connects to a prop through the radio.
func (r *radio) over(t *testing.T, p *prop) Link {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			host, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", strings.Trim(strings.TrimPrefix(p.url, "ws://"), "/"))
			if err != nil {
				host.Close()
				continue
			}
			go r.carry(host, far)
			go r.carry(far, host)
		}
	}()
	link, err := OpenWebSocket(t.Context(), "ws://"+l.Addr().String()+"/")
	if err != nil {
		t.Fatal(err)
	}
	return link
}

// TestPauseOfTheNetwork: the board's queue carries the motion over a pause of 180 ms;
// every frame is played, at its time.
func TestPauseOfTheNetwork(t *testing.T) {
	var r radio
	s := newStage(t, nil, func(p *prop) Link { return r.over(t, p) })
	s.start(t.Context(), PlayOptions{})
	s.play.expect(t, Started, 5*time.Second)
	time.Sleep(300 * time.Millisecond)
	r.pause(180 * time.Millisecond)
	time.Sleep(300 * time.Millisecond)
	r.pause(180 * time.Millisecond)
	if err := s.result(t); err != nil {
		t.Fatal(err)
	}
	if st := s.board.Status(); st.Late > 0 || st.Bridged > 0 || st.Clamped > 0 {
		t.Errorf("%d frames late, %d bridged, %d values clamped", st.Late, st.Bridged, st.Clamped)
	}
	rows, _ := motionRows(s.prop.played(), s.tl, int(s.tl.Frames))
	tr, row := s.tl.Reader(), make([]uint16, len(s.tl.Channels))
	for k := range rows {
		if tr.Next(row); rows[k][0] != row[0] {
			t.Fatalf("frame %d of the arm is %d, not %d", k, rows[k][0], row[0])
		}
	}
}

// TestLongPauseOfTheNetwork: after a pause of 0.6 s the board is disarmed, though the
// link never broke; it plays again when it was armed again.
func TestLongPauseOfTheNetwork(t *testing.T) {
	var r radio
	s := newStage(t, nil, func(p *prop) Link { return r.over(t, p) })
	s.start(t.Context(), PlayOptions{})
	s.play.expect(t, Started, 5*time.Second)
	time.Sleep(300 * time.Millisecond)
	r.pause(600 * time.Millisecond)
	var lost *LostError
	if err := s.result(t); !errors.As(err, &lost) {
		t.Fatalf("Play gives %v", err)
	}
	// Play stops a board that still was armed as far as it knew, and arming waits for that.
	switch st := s.prop.server.State(); st {
	case wire.StateLost, wire.StateStopping, wire.StateStopped:
	default:
		t.Errorf("the board is %v", st)
	}
	from := len(s.prop.played()) - 1
	if err := s.board.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	s.start(t.Context(), PlayOptions{To: 0.2})
	if err := s.result(t); err != nil {
		t.Fatal(err)
	}
	checkSpeeds(t, s.board, s.prop.played()[from:])
}
