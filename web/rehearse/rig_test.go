package rehearse

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"limberjack/interp"
	"limberjack/sequence"
)

// twoRig has two boards: an arm that carries weight, a jaw and a lamp on the one, a fin on
// the other.
const twoRig = `rig: Keeper and shore
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 8, baud: 250000, inputs: {1: {active: low}, 2: {stop: true}}}
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
  jaw: {kind: servo, board: main, channel: 1, travel: [0deg, 60deg], pulse: [[0deg, 1000us], [60deg, 1600us]], limits: {speed: 200deg/s, acceleration: 800deg/s2}, lost: rest}
  lamp: {kind: switch, board: main, channel: 2, current: 60mA, shortest: 20ms}
  fin: {kind: servo, board: shore, channel: 0, travel: [-60deg, 60deg], pulse: [[-60deg, 900us], [60deg, 2100us]], limits: {speed: 200deg/s, acceleration: 800deg/s2}}
never:
  - {arm: [100deg, 120deg], jaw: [0deg, 5deg], why: the arm strikes the chin}
`

const twoMotion = `motion: The keeper looks
format: 1
rig: rig.yaml
length: %s
tracks:
  arm: [[0s, 10deg], [2s, 60deg, min-jerk], [4s, 10deg, min-jerk]]
  jaw: [[0s, 0deg], [2s, 30deg, min-jerk], [4s, 0deg, min-jerk]]
  fin: [[0s, 0deg], [2s, 40deg, min-jerk], [4s, 0deg, min-jerk]]
`

// oneRig is the rig with the board main only.
func oneRig() string {
	text, never, _ := strings.Cut(twoRig, "  fin:")
	_, never, _ = strings.Cut(never, "\n")
	return strings.Replace(text, "  shore: {rate: 50Hz, tick: 0.5us, channels: 8, baud: 250000}\n", "", 1) + never
}

func oneMotion() string {
	text, _, _ := strings.Cut(twoMotion, "  fin:")
	return text
}

// project is a Source of texts.
type project struct {
	mu    sync.Mutex
	files map[string]string // rig.yaml, and motions by name
	count int               // of changes
	late  time.Duration     // that reading the rig takes
	fault bool              // whatever is asked for panics
}

func newProject(rig string, motions map[string]string) *project {
	p := &project{files: map[string]string{"rig.yaml": rig}}
	for name, text := range motions {
		p.files[name] = text
	}
	return p
}

func (p *project) change(name, text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.files[name] = text
	p.count++
}

func (p *project) open(name string) (io.ReadCloser, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	text, ok := p.files[name]
	if !ok {
		return nil, fmt.Errorf("no file %s", name)
	}
	return io.NopCloser(strings.NewReader(text)), nil
}

func (p *project) Names() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var names []string
	for name := range p.files {
		if name != "rig.yaml" && name != "voice.wav" {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func (p *project) Motion(_ context.Context, name string) (*Motion, error) {
	p.meetFault()
	script, err := sequence.LoadMotion(p.open, name)
	if err != nil {
		return nil, err
	}
	perf, err := interp.Compile(script)
	m := &Motion{Revision: p.Revision(name), Performance: perf}
	if strings.Contains(script.Name, "beyond") {
		m.Refusal = errors.New("it runs into an end stop")
	}
	return m, err
}

func (p *project) Revision(string) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return fmt.Sprint("r", p.count)
}

// setFault makes the source panic, as a program does that is at fault with an odd rig.
func (p *project) setFault(fault bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fault = fault
}

func (p *project) meetFault() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fault {
		panic("a fault for the test")
	}
}

// slow makes reading the rig take so long.
func (p *project) slow(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.late = d
}

func (p *project) Rig(context.Context) (*sequence.Rig, error) {
	p.meetFault()
	p.mu.Lock()
	late := p.late
	p.mu.Unlock()
	time.Sleep(late)
	return sequence.LoadRig(p.open, "rig.yaml")
}

// page is a browser's page: it keeps the newest state, and the answers.
type page struct {
	t    testing.TB
	name string
	seat *Seat

	mu      sync.Mutex
	state   State
	news    int
	answers map[int64]Answer
	next    int64
	phases  []Phase
	gone    chan struct{}
	over    sync.WaitGroup
}

// sit opens a page at a desk. It leaves at the end of the test.
func sit(t testing.TB, d *Desk, name string) *page {
	t.Helper()
	p := &page{t: t, name: name, seat: d.Join(name), answers: map[int64]Answer{}, gone: make(chan struct{})}
	p.over.Go(p.listen)
	t.Cleanup(p.leave)
	return p
}

func (p *page) leave() {
	p.seat.Leave()
	select {
	case <-p.gone:
	default:
		close(p.gone)
	}
	p.over.Wait()
}

func (p *page) listen() {
	for {
		select {
		case body := <-p.seat.News():
			var s State
			if err := json.Unmarshal(body, &s); err != nil {
				p.t.Errorf("%s cannot be read: %v", body, err)
			}
			p.mu.Lock()
			p.state = s
			p.news++
			if n := len(p.phases); n == 0 || p.phases[n-1] != s.Phase {
				p.phases = append(p.phases, s.Phase)
			}
			p.mu.Unlock()
		case body := <-p.seat.Answers():
			var a Answer
			if err := json.Unmarshal(body, &a); err != nil {
				p.t.Errorf("%s cannot be read: %v", body, err)
			}
			p.mu.Lock()
			p.answers[a.ID] = a
			p.mu.Unlock()
		case <-p.gone:
			return
		case <-p.seat.Gone():
			return
		}
	}
}

// now gives the newest state.
func (p *page) now() State {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state
}

// send sends a request: its word, and further fields in JSON. It gives the request's id.
func (p *page) send(do, more string) int64 {
	p.mu.Lock()
	p.next++
	id := p.next
	p.mu.Unlock()
	if more != "" {
		more = "," + more
	}
	p.seat.Do(fmt.Appendf(nil, `{"type":"rehearse","do":%q,"id":%d%s}`, do, id, more))
	return id
}

// await waits until a condition holds.
func await(t testing.TB, what func() string, holds func() bool) {
	t.Helper()
	for range 4000 {
		if holds() {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Fatal(what())
}

// answer waits for what comes of a request.
func (p *page) answer(id int64) (a Answer) {
	p.t.Helper()
	await(p.t, func() string { return fmt.Sprintf("%s: no answer to request %d; %+v", p.name, id, p.now()) }, func() (ok bool) {
		p.mu.Lock()
		defer p.mu.Unlock()
		a, ok = p.answers[id]
		return ok
	})
	return a
}

// ask sends a request and wants it to be done.
func (p *page) ask(do, more string) {
	p.t.Helper()
	if a := p.answer(p.send(do, more)); !a.OK {
		p.t.Fatalf("%s: %s is refused: %s", p.name, do, a.Text)
	}
}

// refused sends a request and wants it to be refused in words.
func (p *page) refused(do, more, says string) {
	p.t.Helper()
	if a := p.answer(p.send(do, more)); a.OK || !strings.Contains(a.Text, says) {
		p.t.Errorf("%s: %s %s is answered by %v %q, without %q", p.name, do, more, a.OK, a.Text, says)
	}
}

// until waits for a phase.
func (p *page) until(phase Phase) State {
	p.t.Helper()
	p.reach(string(phase), func(s State) bool { return s.Phase == phase })
	return p.now()
}

// reach waits for a state.
func (p *page) reach(what string, is func(State) bool) State {
	p.t.Helper()
	var s State
	await(p.t, func() string {
		return fmt.Sprintf("%s: there was no %s; %+v; phases %v", p.name, what, p.now(), p.phases)
	}, func() bool {
		s = p.now()
		return is(s)
	})
	return s
}

// beating sends beats until the test, or a function, ends them.
func (p *page) beating() (end func()) {
	done := make(chan struct{})
	var once sync.Once
	end = func() { once.Do(func() { close(done) }) }
	p.over.Go(func() {
		for {
			select {
			case <-done:
				return
			case <-p.gone:
				return
			case <-time.After(BeatEvery):
				p.seat.Do([]byte(`{"type":"beat"}`))
			}
		}
	})
	return end
}
