package live

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

const keeperRig = `rig: Keeper
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 16, baud: 115200}
axes:
  arm:
    kind: servo
    board: main
    channel: 0
    travel: [0deg, 120deg]
    pulse: [[0deg, 900us], [120deg, 2100us]]
    rest: 10deg
    limits: {speed: 120deg/s, acceleration: 1200deg/s2}
    load: {mass: 150g, arm: 90mm, gravity_at: 90deg}
  jaw:
    kind: servo
    board: main
    channel: 1
    travel: [0deg, 24deg]
    pulse: [[-45deg, 1030us], [45deg, 1990us]]
    limits: {speed: 200deg/s, acceleration: 2000deg/s2}
    lost: rest
  lid:
    kind: servo
    board: main
    channel: 3
    travel: [0deg, 45deg]
    pulse: [[0deg, 1250us], [45deg, 1730us]]
    rest: 8deg
    limits: {speed: 300deg/s, acceleration: 3000deg/s2}
    lost: release
  beacon:
    kind: stepper
    board: main
    channel: 4
    steps: 200
    microsteps: 16
    limits: {speed: 90deg/s, acceleration: 360deg/s2}
  lamp: {kind: dimmer, board: main, channel: 5, current: 60mA}
  horn: {kind: switch, board: main, channel: 6, current: 60mA, shortest: 100ms}
`

const keeperMotion = `motion: The keeper looks
format: 1
rig: rig.yaml
length: %s
tracks:
  arm: [[0s, 20deg], [0.8s, 60deg, min-jerk], [1.6s, 20deg, min-jerk]]
  jaw: [[0s, 0deg], [0.4s, 10deg, min-jerk], [0.8s, 0deg, min-jerk]]
  lid: [[0s, 8deg], [0.5s, 30deg, min-jerk], [1s, 8deg, min-jerk]]
  beacon: [[0s, 0deg], [1.5s, 60deg, min-jerk]]
  lamp: [[0s, 0%%], [1s, 80%%]]
  horn: [[0s, off], [0.5s, on], [1s, off]]
`

// load compiles a rig and a motion that are given as text.
func load(t testing.TB, rig, motion string) (*sequence.Rig, []*timeline.Timeline) {
	t.Helper()
	files := map[string]string{"rig.yaml": rig, "motion.yaml": motion}
	script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) {
		text, ok := files[name]
		if !ok {
			return nil, fmt.Errorf("no file %s", name)
		}
		return io.NopCloser(strings.NewReader(text)), nil
	}, "motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(script)
	if err != nil {
		t.Fatal(err)
	}
	tls, err := timeline.Build(p)
	if err != nil {
		t.Fatal(err)
	}
	return script.Rig, tls
}

func keeper(t testing.TB) (*sequence.Rig, *timeline.Timeline) {
	rig, tls := load(t, keeperRig, fmt.Sprintf(keeperMotion, "1.6s"))
	return rig, tls[0]
}

// slot is a slot of the software board, as it was played.
type slot struct {
	host   time.Duration // when it was told of
	us     int64
	state  wire.State
	framed bool
	values map[uint8]uint16
	live   map[uint8]bool
}

// prop is a software board with what it played.
type prop struct {
	server *board.Server
	path   string // of its port
	url    string

	mu    sync.Mutex
	slots []slot
	drops int
}

// newProp starts a board made for a rig behind a pseudo-terminal, and a WebSocket.
func newProp(t testing.TB, rig *sequence.Rig, b *sequence.Board, change func(*board.Options)) *prop {
	t.Helper()
	config, err := board.ConfigOf(rig, b)
	if err != nil {
		t.Fatal(err)
	}
	p := &prop{}
	config.Slot = p.slot
	config.Drop = func(int64, bool) { p.mu.Lock(); p.drops++; p.mu.Unlock() }
	o := board.Options{Config: config, Baud: int(b.Baud.V)}
	if change != nil {
		change(&o)
	}
	p.server = board.NewServer(o)
	ctx, cancel := context.WithCancel(context.Background())
	var group sync.WaitGroup
	t.Cleanup(func() { cancel(); p.server.Close(); group.Wait() })
	ready := make(chan string, 10)
	link := t.TempDir() + "/port"
	group.Go(func() { p.server.ServePTY(ctx, link, func(path string) { ready <- path }) })
	select {
	case p.path = <-ready:
	case <-time.After(5 * time.Second):
		t.Fatal("the board has no port")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	group.Go(func() { p.server.ServeWebSocket(ctx, l) })
	p.url = "ws://" + l.Addr().String() + "/"
	return p
}

func (p *prop) slot(s *board.Slot) {
	x := slot{host: systemClock.Now(), us: s.Start, state: s.State, framed: s.Framed, values: map[uint8]uint16{}, live: map[uint8]bool{}}
	for _, pin := range s.Pins {
		x.values[pin.Output], x.live[pin.Output] = pin.Value, pin.Live
	}
	p.mu.Lock()
	p.slots = append(p.slots, x)
	p.mu.Unlock()
}

// played gives the slots so far.
func (p *prop) played() []slot {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.slots)
}

// pulses counts the slots in which any servo had a pulse.
func (p *prop) pulses() (n int) {
	for _, s := range p.played() {
		if s.live[0] || s.live[1] || s.live[3] {
			n++
		}
	}
	return n
}

func (p *prop) serial(t testing.TB, baud int) Link {
	t.Helper()
	l, err := OpenSerial(p.path, baud)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func (p *prop) socket(t testing.TB) Link {
	t.Helper()
	l, err := OpenWebSocket(t.Context(), p.url)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// connect connects to a prop; the session is closed when the test ends.
func connect(t testing.TB, link Link, o Options) *Board {
	t.Helper()
	b, err := Connect(context.Background(), link, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

// diary keeps events.
type diary struct {
	mu   sync.Mutex
	list []Event
}

func (d *diary) note(e Event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.list = append(d.list, e)
}

func (d *diary) all(what Happening) (list []Event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range d.list {
		if e.What == what {
			list = append(list, e)
		}
	}
	return list
}

// expect waits until something happened.
func (d *diary) expect(t testing.TB, what Happening, within time.Duration) Event {
	t.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if list := d.all(what); len(list) > 0 {
			return list[len(list)-1]
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	t.Fatalf("there was no event %s within %v; there were %v", what, within, d.list)
	return Event{}
}

// eventually waits until a condition holds.
func eventually(t testing.TB, within time.Duration, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if holds() {
			return
		}
	}
	t.Fatalf("within %v there was not: %s", within, what)
}

// leaks fails a test that leaves goroutines of this package behind. It is called
// first in a test, so that it looks last.
func leaks(t testing.TB) {
	t.Cleanup(func() {
		var left []byte
		for end := time.Now().Add(3 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			buf := make([]byte, 1<<20)
			buf = buf[:runtime.Stack(buf, true)]
			left = nil
			for _, g := range bytes.Split(buf, []byte("\n\n")) {
				if bytes.Contains(g, []byte("created by limberjack/transport/live.")) && !bytes.Contains(g, []byte("_test.go")) {
					left = append(append(left, g...), '\n')
				}
			}
			if left == nil {
				return
			}
		}
		t.Errorf("goroutines are left:\n%s", left)
	})
}

// dialer opens a prop's port again.
func dialer(p *prop) func(context.Context) (Link, error) {
	return func(context.Context) (Link, error) { return OpenSerial(p.path, 115200) }
}
