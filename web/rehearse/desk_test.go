//go:build unix

package rehearse

import (
	"context"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/transport/live"
	"limberjack/transport/wire"
)

// pier is a board in software in real time, behind a pseudo-terminal and a WebSocket.
type pier struct {
	server *board.Server
	path   string
	url    string

	mu     sync.Mutex
	states []wire.Status // each as it was sent when the state changed
}

// newPier starts the board of a rig by its name.
func newPier(t *testing.T, p *project, name string, change func(*board.Options)) *pier {
	t.Helper()
	rig, err := p.Rig(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(rig.Boards, func(b *sequence.Board) bool { return b.Name == name })
	config, err := board.ConfigOf(rig, rig.Boards[i])
	if err != nil {
		t.Fatal(err)
	}
	x := &pier{}
	config.Send = x.tell
	o := board.Options{Config: config, Baud: 250_000, Restart: 200 * time.Millisecond}
	if change != nil {
		change(&o)
	}
	x.server = board.NewServer(o)
	ctx, cancel := context.WithCancel(context.Background())
	var group sync.WaitGroup
	t.Cleanup(func() { cancel(); x.server.Close(); group.Wait() })
	ready := make(chan string, 10)
	link := t.TempDir() + "/port"
	group.Go(func() { x.server.ServePTY(ctx, link, func(path string) { ready <- path }) })
	select {
	case x.path = <-ready:
	case <-time.After(10 * time.Second):
		t.Fatal("the board has no port")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	group.Go(func() { x.server.ServeWebSocket(ctx, l) })
	x.url = "ws://" + l.Addr().String() + "/"
	return x
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
		x.states = append(x.states, *s)
	}
}

// since gives how long after a time of its clock, in us, the board began to stop.
func (x *pier) since(from wire.Tick) (us int32, ok bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, s := range x.states {
		if d := s.Time.Since(from); d >= 0 && (s.State == wire.StateStopping || s.State == wire.StateStopped || s.State == wire.StateSilent) {
			return d, true
		}
	}
	return 0, false
}

// waterfront is a desk with real links to boards in software.
func waterfront(t *testing.T, change func(*board.Options)) (d *Desk, main, shore *pier) {
	t.Helper()
	p := newProject(twoRig, keeperMotions())
	main, shore = newPier(t, p, "main", change), newPier(t, p, "shore", change)
	d = NewDesk(Options{Source: p, Places: map[string]string{"main": main.path}})
	t.Cleanup(d.Close)
	return d, main, shore
}

// placed are the boards of a waterfront in a request: one on a serial port, one in a network.
func placed(main, shore *pier) string {
	return fmt.Sprintf(`"motion":"greet","boards":{"main":%q,"shore":%q}`, main.path, shore.url)
}

// TestStopOnRealLinks stops while two boards play, one on a serial line, one in a network: by
// the boards' own time stamps it is less than 50 ms from the call until they stop. A machine
// that is busy with something else may take longer: of several stops the quickest counts, and
// none takes a second.
func TestStopOnRealLinks(t *testing.T) {
	const (
		tries = 5
		most  = 50_000 // us
		never = 1_000_000
	)
	d, main, shore := waterfront(t, nil)
	p, watcher := sit(t, d, "a"), sit(t, d, "b")
	p.ask("drive", "")
	p.ask("connect", placed(main, shore))
	p.beating()
	best := map[string]int32{"main": never, "shore": never}
	for try := range tries {
		p.reach("a question", func(s State) bool { return s.Confirm != "" })
		p.ask("arm", `"confirmed":true`)
		p.ask("play", `"countIn":0,"loop":true`)
		p.until(Playing)
		time.Sleep(100 * time.Millisecond)
		from := map[string]wire.Tick{"main": main.server.Status().Time, "shore": shore.server.Status().Time}
		if try%2 == 0 {
			watcher.ask("stop", "")
		} else {
			watcher.ask("drop", "")
		}
		for name, x := range map[string]*pier{"main": main, "shore": shore} {
			us, ok := x.since(from[name])
			if !ok || us >= never {
				t.Errorf("board %s did not stop within a second: %v, %d us", name, ok, us)
			}
			best[name] = min(best[name], us)
		}
	}
	t.Logf("from the call to the stop, at best: %v us", best)
	for name, us := range best {
		if us >= most {
			t.Errorf("board %s stopped %d us after the call, at best", name, us)
		}
	}
}

// TestFaultsOnRealLinks pulls a cable, resets a board, and lets one hang, on both kinds of
// link: what is left stops, nothing moves by itself, and it goes on once it is armed again.
func TestFaultsOnRealLinks(t *testing.T) {
	faults := map[string]func(*pier){
		"cable":   func(x *pier) { x.server.Cut(600 * time.Millisecond) },
		"reset":   func(x *pier) { x.server.Reset(wire.ResetBrownout) },
		"silence": func(x *pier) { x.server.Stall(1500 * time.Millisecond) },
	}
	for _, which := range []string{"serial", "network"} {
		t.Run(which, func(t *testing.T) {
			for name, fault := range faults {
				t.Run(name, func(t *testing.T) {
					t.Parallel()
					d, main, shore := waterfront(t, nil)
					hit, other := main, shore
					if which == "network" {
						hit, other = shore, main
					}
					meetFault(t, d, placed(main, shore), other, func() { fault(hit) }, hit)
				})
			}
		})
	}
}

// meetFault plays on two boards of which one is hit by a fault.
func meetFault(t *testing.T, d *Desk, boards string, other *pier, fault func(), hit *pier) {
	p := sit(t, d, "a")
	p.ask("drive", "")
	p.ask("connect", boards)
	p.beating()
	p.ask("arm", `"confirmed":true`)
	p.ask("play", `"countIn":0,"loop":true`)
	p.until(Playing)
	time.Sleep(100 * time.Millisecond)
	fault()
	s := p.until(Lost)
	if s.ResumeAt == nil || s.Note == "" {
		t.Errorf("the state is %+v", s)
	}
	// Where this machine is so busy that the other board hears nothing either, that one has
	// stopped by itself.
	await(t, func() string { return fmt.Sprintf("the other board is %v; %+v", other.server.State(), p.now()) }, func() bool {
		st := other.server.State()
		return st == wire.StateStopped || st == wire.StateLost
	})
	p.reach("a question", func(s State) bool { return s.Phase == Lost && s.Confirm != "" })
	if st := hit.server.State(); st == wire.StateArmed || st == wire.StatePlaying {
		t.Errorf("the board is %v because it is back", st)
	}
	p.ask("arm", `"confirmed":true`)
	p.ask("play", fmt.Sprintf(`"countIn":0,"enter":%v`, *s.ResumeAt))
	p.until(Playing)
}

// TestBoardInUse connects to a board that has a host already, to a port that is none, and to
// a board that is another.
func TestBoardInUse(t *testing.T) {
	d, main, shore := waterfront(t, nil)
	p := sit(t, d, "a")
	p.ask("drive", "")
	p.ask("connect", placed(main, shore))
	other := newPier(t, newProject(twoRig, nil), "main", nil)
	second := NewDesk(Options{Source: newProject(twoRig, keeperMotions()), Places: map[string]string{"main": other.path}})
	t.Cleanup(second.Close)
	q := sit(t, second, "a")
	q.ask("drive", "")
	q.refused("connect", placed(other, shore), "the board is in use")
	q.until(Apart)
	if s := other.server.State(); s != wire.StateSilent {
		t.Errorf("the board that could be reached is %v", s)
	}
	q.refused("connect", fmt.Sprintf(`"motion":"greet","boards":{"main":%q,"shore":"/nowhere/port"}`, other.url), "/nowhere/port")
	q.refused("connect", fmt.Sprintf(`"motion":"greet","boards":{"main":%q,"shore":"http://shore.local/"}`, other.url), "begins with ws:// or wss://")
	// The place of the one board is given for the other, and a board of another rig.
	third := newPier(t, newProject(twoRig, nil), "main", nil)
	q.refused("connect", fmt.Sprintf(`"motion":"greet","boards":{"main":%q,"shore":%q}`, other.url, third.url), "says that it is main, not shore")
	fourth := newPier(t, newProject(twoRig, nil), "shore", func(o *board.Options) { o.Config.Outputs[0].High-- })
	q.refused("connect", fmt.Sprintf(`"motion":"greet","boards":{"main":%q,"shore":%q}`, third.url, fourth.url), "channel 0 (fin): the rig goes from 900 us to 2100 us, the board allows 900 us to")
	q.until(Apart)
	if p.now().Phase != Connected {
		t.Errorf("who was there first is %+v", p.now())
	}
}

// TestStopWhileConnecting stops, and parts, while a board does not answer: it is given up at
// once.
func TestStopWhileConnecting(t *testing.T) {
	d, main, shore := waterfront(t, nil)
	shore.server.Stall(4 * time.Second)
	p := sit(t, d, "a")
	p.ask("drive", "")
	for _, word := range []string{"stop", "part"} {
		connect := p.send("connect", placed(main, shore))
		p.until(Connecting)
		time.Sleep(100 * time.Millisecond)
		told := p.send(word, "")
		if a := p.answer(connect); a.OK || !strings.Contains(a.Text, "a stop came first") {
			t.Errorf("%s: the connection is answered by %+v", word, a)
		}
		if a := p.answer(told); !a.OK {
			t.Errorf("%s is answered by %+v", word, a)
		}
		p.until(Apart)
	}
	p.refused("arm", `"confirmed":true`, "connect first")
}

// TestStopInput presses the stop input of a board: that is a loss for the desk, which says
// which input it was.
func TestStopInput(t *testing.T) {
	d, main, shore := waterfront(t, nil)
	p := sit(t, d, "a")
	p.ask("drive", "")
	p.ask("connect", placed(main, shore))
	main.server.Input(1 << 1)
	p.reach("an input", func(s State) bool { return len(s.Boards) == 2 && slices.Equal(s.Boards[0].Inputs, []int{1}) })
	p.beating()
	p.ask("arm", `"confirmed":true`)
	main.server.Input(wire.InputsStop)
	s := p.reach("the stop input", func(s State) bool { return s.Phase == Lost && len(s.Boards) == 2 && s.Boards[0].StopInput })
	if !strings.Contains(s.Note+s.Boards[0].Why, "stop input") {
		t.Errorf("the state is %+v", s)
	}
	await(t, func() string { return "the other board goes on" }, func() bool { return shore.server.State() == wire.StateStopped })
}

// TestPorts lists ports for whoever asks, and says what hinders it.
func TestPorts(t *testing.T) {
	fail := error(nil)
	d := NewDesk(Options{Source: newProject(twoRig, nil), Ports: func() ([]live.Port, error) {
		return []live.Port{{Path: "/dev/ttyUSB0", USB: true, Vendor: "1a86"}}, fail
	}})
	t.Cleanup(d.Close)
	p := sit(t, d, "a")
	if a := p.answer(p.send("ports", "")); !a.OK || len(a.Ports) != 1 || a.Ports[0].Vendor != "1a86" {
		t.Errorf("%+v", a)
	}
	fail = &live.LinkError{Link: "the serial ports", Text: "they cannot be listed"}
	p.refused("ports", "", "cannot be listed")
}

// TestAfterClose: a desk that has ended says so, whatever is asked.
func TestAfterClose(t *testing.T) {
	d, main, shore := waterfront(t, nil)
	p := sit(t, d, "a")
	p.ask("drive", "")
	p.ask("connect", placed(main, shore))
	d.Close()
	d.Close()
	select {
	case <-p.seat.Gone():
	case <-time.After(5 * time.Second):
		t.Fatal("who sat there hears nothing of the end")
	}
	late := d.Join("late")
	select {
	case <-late.Gone():
	default:
		t.Error("who comes too late is not sent away")
	}
	late.Do([]byte(`{"type":"rehearse","do":"ports","id":1}`))
	if a := string(<-late.Answers()); !strings.Contains(a, "the server ends") {
		t.Errorf("the answer is %s", a)
	}
	late.Do([]byte(`{"type":"rehearse","do":"stop","id":2}`))
	late.Leave()
	if _, err := d.Calibrated(t.Context(), "a", "jaw"); err == nil {
		t.Error("a desk that has ended knows ends")
	}
}

// TestNews: a page that does not listen gets the newest only, and loses its oldest answers.
func TestNews(t *testing.T) {
	d := NewDesk(Options{Source: newProject(twoRig, nil)})
	t.Cleanup(d.Close)
	s := d.Join("a")
	for i := range 3 * mostAnswers {
		s.Do(fmt.Appendf(nil, `{"type":"rehearse","do":"drive","id":%d}`, i))
	}
	if n := len(s.Answers()); n != mostAnswers {
		t.Errorf("%d answers wait", n)
	}
	if a := string(<-s.Answers()); !strings.Contains(a, fmt.Sprintf(`"id":%d`, 2*mostAnswers)) {
		t.Errorf("the oldest answer is %s", a)
	}
	await(t, func() string { return "there is no news" }, func() bool { return len(s.News()) == 1 })
}
