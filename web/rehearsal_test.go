package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/transport/wire"
	"limberjack/web"
	"limberjack/web/rehearse"
)

// keeperRig has two boards: an arm that carries weight and a lamp in the tower, a fin on
// the shore.
const keeperRig = `rig: Keeper and shore
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 8, baud: 250000, inputs: {1: {active: low}}}
  shore: {rate: 50Hz, tick: 0.5us, channels: 8, baud: 250000}
axes:
  arm:
    kind: servo
    board: main
    channel: 0
    travel: [0deg, 120deg]
    pulse: [[0deg, 900us], [120deg, 2100us]] # measured by eye
    rest: 10deg
    limits: {speed: 100deg/s, acceleration: 400deg/s2}
    load: {mass: 150g, arm: 90mm, gravity_at: 90deg}
  lamp: {kind: switch, board: main, channel: 2, current: 60mA, shortest: 20ms}
  fin: {kind: servo, board: shore, channel: 0, travel: [-60deg, 60deg], pulse: [[-60deg, 900us], [60deg, 2100us]], limits: {speed: 200deg/s, acceleration: 800deg/s2}}
`

const looksMotion = `motion: The keeper looks
format: 1
rig: keeper.rig.yaml
length: 6s
tracks:
  arm: [[0s, 10deg], [2s, 60deg, min-jerk], [6s, 10deg, min-jerk]]
  fin: [[0s, 0deg], [3s, 40deg, min-jerk], [6s, 0deg, min-jerk]]
`

// shoreFolder gives a folder with the rig and its motion.
func shoreFolder(t testing.TB) (motion string) {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"keeper.rig.yaml": keeperRig, "looks.motion.yaml": looksMotion} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "looks.motion.yaml")
}

// pier is a board in software in real time, behind a WebSocket, that keeps when its state
// became another one.
type pier struct {
	server *board.Server
	url    string

	mu     sync.Mutex
	states []stateAt
	slots  []slotAt
}

type stateAt struct {
	wire.State
	at time.Time
}

// slotAt is a frame that output 0 played, in ticks of its pulse.
type slotAt struct {
	at    time.Time
	value int
}

// newPiers starts both boards of the rig beside a motion.
func newPiers(t testing.TB, motion string, open ...string) map[string]*pier {
	t.Helper()
	rig, err := sequence.LoadRig(func(name string) (io.ReadCloser, error) { return os.Open(name) }, filepath.Join(filepath.Dir(motion), "keeper.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range open {
		i := slices.IndexFunc(rig.Axes, func(a *sequence.Axis) bool { return a.Name == name })
		rig.Axes[i].OpenPulse()
	}
	piers := map[string]*pier{}
	for _, b := range rig.Boards {
		config, err := board.ConfigOf(rig, b)
		if err != nil {
			t.Fatal(err)
		}
		x := &pier{}
		config.Send, config.Slot = x.tell, x.slot
		x.server = board.NewServer(board.Options{Config: config, Restart: 200 * time.Millisecond})
		on, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		over := make(chan struct{})
		go func() { defer close(over); x.server.ServeWebSocket(ctx, on) }()
		t.Cleanup(func() { cancel(); x.server.Close(); <-over })
		x.url = "ws://" + on.Addr().String() + "/"
		piers[b.Name] = x
	}
	return piers
}

// tell keeps the statuses in which the state is another.
func (x *pier) tell(m wire.Message) {
	s, ok := m.(*wire.Status)
	if !ok {
		return
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if n := len(x.states); n == 0 || x.states[n-1].State != s.State {
		x.states = append(x.states, stateAt{s.State, time.Now()})
	}
}

// slot keeps what output 0 plays.
func (x *pier) slot(s *board.Slot) {
	now := time.Now()
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, pin := range s.Pins {
		if pin.Output == 0 && pin.Live && s.Framed {
			x.slots = append(x.slots, slotAt{now, int(pin.Value)})
		}
	}
}

// played gives the frames of output 0 since a moment.
func (x *pier) played(after time.Time) []slotAt {
	x.mu.Lock()
	defer x.mu.Unlock()
	i := slices.IndexFunc(x.slots, func(s slotAt) bool { return s.at.After(after) })
	if i < 0 {
		return nil
	}
	return slices.Clone(x.slots[i:])
}

// ended gives when, after a moment, the board began to stop or fell silent.
func (x *pier) ended(t testing.TB, after time.Time, states ...wire.State) time.Time {
	t.Helper()
	if len(states) == 0 {
		states = []wire.State{wire.StateStopping, wire.StateStopped, wire.StateSilent, wire.StateLost}
	}
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		x.mu.Lock()
		for _, s := range x.states {
			if s.at.After(after) && slices.Contains(states, s.State) {
				x.mu.Unlock()
				return s.at
			}
		}
		x.mu.Unlock()
	}
	t.Fatalf("the board is %v and was never %v", x.server.State(), states)
	return time.Time{}
}

func placesOf(piers map[string]*pier) string {
	body, err := json.Marshal(map[string]string{"main": piers["main"].url, "shore": piers["shore"].url})
	if err != nil {
		panic(err)
	}
	return string(body)
}

// ended by anybody, all boards have begun to stop.
func allEnd(t testing.TB, piers map[string]*pier, after time.Time, states ...wire.State) (last time.Duration) {
	t.Helper()
	for _, x := range piers {
		last = max(last, x.ended(t, after, states...).Sub(after))
	}
	return last
}

// caller is a page as the server sees it.
type caller struct {
	t    testing.TB
	conn *websocket.Conn
	name string

	mu      sync.Mutex
	state   rehearse.State
	answers map[int]rehearse.Answer
	closed  error
	next    int
}

// callAt opens the socket of a server.
func callAt(t testing.TB, url string) *caller {
	t.Helper()
	origin := strings.TrimSuffix(url, "/")
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(origin, "http")+"/api/socket", http.Header{"Origin": {origin}})
	if err != nil {
		t.Fatal(err)
	}
	c := &caller{t: t, conn: conn, answers: map[int]rehearse.Answer{}}
	over := make(chan struct{})
	go func() { defer close(over); c.hear() }()
	t.Cleanup(func() { conn.Close(); <-over })
	c.until("a name, and the state", func(s rehearse.State) bool { return s.Phase != "" && c.name != "" })
	return c
}

func (c *caller) hear() {
	for {
		_, body, err := c.conn.ReadMessage()
		c.mu.Lock()
		if err != nil {
			c.closed = err
			c.mu.Unlock()
			return
		}
		var head struct {
			Type string
			Page int
		}
		err = json.Unmarshal(body, &head)
		switch head.Type {
		case "hello":
			c.name = fmt.Sprint(head.Page)
		case "rehearsal":
			c.state = rehearse.State{}
			err = json.Unmarshal(body, &c.state)
		case "rehearsal-answer":
			var a rehearse.Answer
			err = json.Unmarshal(body, &a)
			c.answers[int(a.ID)] = a
		}
		c.mu.Unlock()
		if err != nil {
			c.t.Errorf("%s: %v", body, err)
		}
	}
}

func (c *caller) await(what string, holds func() bool) {
	c.t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(2 * time.Millisecond) {
		c.mu.Lock()
		ok := holds()
		state, closed := c.state, c.closed
		c.mu.Unlock()
		if ok {
			return
		}
		if time.Now().After(end) {
			c.t.Fatalf("waited in vain for %s; %+v %v", what, state, closed)
		}
	}
}

func (c *caller) until(what string, is func(rehearse.State) bool) rehearse.State {
	c.t.Helper()
	var s rehearse.State
	c.await(what, func() bool { s = c.state; return is(s) })
	return s
}

func (c *caller) say(text string) {
	c.t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.conn.WriteMessage(websocket.TextMessage, []byte(text)); err != nil {
		c.t.Error(err)
	}
}

// ask makes a request and gives its answer.
func (c *caller) ask(do, more string) (a rehearse.Answer) {
	c.t.Helper()
	c.next++
	id := c.next
	c.say(fmt.Sprintf(`{"type":"rehearse","do":%q,"id":%d%s}`, do, id, more))
	c.await("an answer to "+do, func() (ok bool) { a, ok = c.answers[id]; return ok })
	return a
}

func (c *caller) must(do, more string) {
	c.t.Helper()
	if a := c.ask(do, more); !a.OK {
		c.t.Fatalf("%s is refused: %s", do, a.Text)
	}
}

// beating says each 250 ms that somebody is there, until it is ended.
func (c *caller) beating() (end func()) {
	done, over := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(over)
		for {
			select {
			case <-done:
				return
			case <-time.After(rehearse.BeatEvery):
				c.mu.Lock()
				_ = c.conn.WriteMessage(websocket.TextMessage, []byte(`{"type":"beat"}`)) // it may be cut
				c.mu.Unlock()
			}
		}
	}()
	var once sync.Once
	end = func() { once.Do(func() { close(done); <-over }) }
	c.t.Cleanup(end)
	return end
}

// performs takes the wheel and plays until the motion moves.
func (c *caller) performs(piers map[string]*pier) (endBeats func()) {
	c.t.Helper()
	c.must("drive", "")
	if s := c.until("boards or none", func(rehearse.State) bool { return true }); s.Phase == rehearse.Apart {
		c.must("connect", `,"motion":"looks","boards":`+placesOf(piers))
	}
	end := c.beating()
	c.until("the question", func(s rehearse.State) bool { return s.Confirm != "" })
	c.must("arm", `,"confirmed":true`)
	c.must("play", `,"countIn":0,"loop":true`)
	c.until("the motion plays", func(s rehearse.State) bool { return s.Phase == rehearse.Playing && s.Position > 0.1 })
	return end
}

// TestRehearsalStops: however a performance over the socket ends, the boards stop, within
// the bound that API.md states, by the boards' own record.
func TestRehearsalStops(t *testing.T) {
	motion := shoreFolder(t)
	piers := newPiers(t, motion)
	for _, c := range []struct {
		name  string
		end   func(t *testing.T, url string, driver, watcher *caller, endBeats func())
		most  time.Duration // generous: the machine may be busy
		phase rehearse.Phase
	}{
		{"the driver stops", func(t *testing.T, _ string, d, _ *caller, _ func()) { d.say(`{"type":"rehearse","do":"stop"}`) }, time.Second, rehearse.Stopped},
		{"a watcher stops", func(t *testing.T, _ string, _, w *caller, _ func()) { w.say(`{"type":"rehearse","do":"stop"}`) }, time.Second, rehearse.Stopped},
		{"a watcher drops", func(t *testing.T, _ string, _, w *caller, _ func()) { w.say(`{"type":"rehearse","do":"drop"}`) }, time.Second, rehearse.Stopped},
		{"a stop that is misspelled otherwise", func(t *testing.T, _ string, _, w *caller, _ func()) { w.say(`{"do":"stop","so":1}`) }, time.Second, rehearse.Stopped},
		{"the driver is hidden", func(t *testing.T, _ string, d, _ *caller, _ func()) { d.say(`{"type":"rehearse","do":"hidden"}`) }, time.Second, rehearse.Stopped},
		{"the driver lets go", func(t *testing.T, _ string, d, _ *caller, _ func()) { d.say(`{"type":"rehearse","do":"let-go"}`) }, time.Second, rehearse.Stopped},
		{"the driver's socket breaks", func(t *testing.T, _ string, d, _ *caller, end func()) { end(); d.conn.NetConn().Close() }, time.Second, rehearse.Stopped},
		{"the driver says what no page says", func(t *testing.T, _ string, d, _ *caller, end func()) { end(); d.say("hello") }, time.Second, rehearse.Stopped},
		{"the driver says nothing any more", func(t *testing.T, _ string, _, _ *caller, end func()) { end() }, 3 * time.Second, rehearse.Stopped},
		{"a stop by HTTP", func(t *testing.T, url string, _, _ *caller, _ func()) { post(t, url, "stop", 200) }, time.Second, rehearse.Stopped},
		{"a drop by HTTP", func(t *testing.T, url string, _, _ *caller, _ func()) { post(t, url, "drop", 200) }, time.Second, rehearse.Stopped},
		{"a board loses its link", func(t *testing.T, _ string, _, _ *caller, _ func()) {
			piers["shore"].server.Cut(700 * time.Millisecond)
		}, 3 * time.Second, rehearse.Lost},
		{"a board is reset", func(t *testing.T, _ string, _, _ *caller, _ func()) { piers["shore"].server.Reset(wire.ResetPower) }, 3 * time.Second, rehearse.Lost},
		{"a board hangs", func(t *testing.T, _ string, _, _ *caller, _ func()) { piers["shore"].server.Stall(time.Second) }, 4 * time.Second, rehearse.Lost},
	} {
		t.Run(c.name, func(t *testing.T) {
			url := serve(t, motion)
			driver, watcher := callAt(t, url), callAt(t, url)
			end := driver.performs(piers)
			if a := watcher.ask("drive", ""); a.OK || !strings.Contains(a.Text, driver.name) {
				t.Errorf("a second page takes the wheel: %+v", a)
			}
			if a := watcher.ask("play", ""); a.OK {
				t.Error("a page that does not drive plays")
			}
			if s := watcher.until("a driver", func(s rehearse.State) bool { return s.Driver != "" }); s.Driver != driver.name || len(s.Boards) != 2 {
				t.Errorf("the watcher is told that %q drives %d boards", s.Driver, len(s.Boards))
			}
			from := time.Now()
			c.end(t, url, driver, watcher, end)
			took := allEnd(t, piers, from)
			if took > c.most {
				t.Errorf("the boards stop %v later", took)
			}
			t.Logf("after %v", took)
			s := watcher.until("it is over", func(s rehearse.State) bool { return s.Phase == c.phase })
			if c.phase == rehearse.Lost && s.Confirm == "" {
				watcher.until("the question anew", func(s rehearse.State) bool { return s.Confirm != "" })
			}
		})
	}
}

// post stops by HTTP from the server's own page.
func post(t testing.TB, url, do string, status int, headers ...string) {
	t.Helper()
	r, err := http.NewRequest("POST", url+"api/rehearsal/"+do, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Origin", strings.TrimSuffix(url, "/"))
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		r.Header.Set(name, value)
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	body, _ := io.ReadAll(a.Body)
	if a.StatusCode != status {
		t.Errorf("%s: %d %s", do, a.StatusCode, body)
	}
	if status == 200 {
		var said rehearse.Answer
		if err := json.Unmarshal(body, &said); err != nil || !said.OK || said.Do != do {
			t.Errorf("%s: %v %s", do, err, body)
		}
	}
}

// A stop needs no key and no socket, but comes from the server's own page: another page
// could else spoil a performance.
func TestStopsFromElsewhere(t *testing.T) {
	url := serve(t, shoreFolder(t))
	post(t, url, "stop", 200)
	post(t, url, "drop", 200)
	post(t, url, "stop", 403, "Origin: http://example.org")
	post(t, url, "stop", 403, "Sec-Fetch-Site: cross-site")
}

// The server's end stops what moves before it is over.
func TestServerEndStopsBoards(t *testing.T) {
	motion := shoreFolder(t)
	piers := newPiers(t, motion)
	project, err := web.Open("", motion, web.Options{Tell: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := web.NewServer(project, web.Access{Names: []string{"127.0.0.1"}, Port: on.Addr().(*net.TCPAddr).Port}, t.Logf)
	ctx, end := context.WithCancel(context.Background())
	served, followed := make(chan error, 1), make(chan struct{})
	go func() { served <- server.Serve(ctx, on) }()
	go func() { defer close(followed); project.Follow(ctx) }()
	defer func() { <-followed; project.Close() }()
	c := callAt(t, "http://"+on.Addr().String()+"/")
	c.performs(piers)
	from := time.Now()
	end()
	if err := <-served; err != nil {
		t.Error(err)
	}
	over := time.Since(from)
	for name, x := range piers {
		if s := x.server.State(); s != wire.StateStopped && s != wire.StateSilent {
			t.Errorf("the server has ended, and board %s is %v", name, s)
		}
	}
	if took := allEnd(t, piers, from); took > time.Second || over > 15*time.Second {
		t.Errorf("the boards stop %v later, the server ends %v later", took, over)
	}
}

// A page that says too much is closed, and so stopped, also one that says stop over and over.
func TestHastyPage(t *testing.T) {
	url := serve(t, shoreFolder(t))
	for _, said := range []string{`{"type":"beat"}`, `{"type":"rehearse","do":"stop","id":7}`} {
		c := callAt(t, url)
		for range 1000 {
			c.mu.Lock()
			err := c.conn.WriteMessage(websocket.TextMessage, []byte(said))
			c.mu.Unlock()
			if err != nil {
				break
			}
		}
		c.await("the end of the socket", func() bool { return c.closed != nil })
		// What the server has not read any more may have the system reset the connection (RFC
		// 1122, 4.2.2.13), before its reason is read here.
		if websocket.IsUnexpectedCloseError(c.closed, websocket.ClosePolicyViolation) {
			t.Errorf("who says %s over and over hears %v", said, c.closed)
		}
	}
}
