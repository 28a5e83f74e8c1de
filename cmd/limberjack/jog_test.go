//go:build unix

package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// console is a process on a terminal of its own.
type console struct {
	t    *testing.T
	cmd  *exec.Cmd
	tty  *os.File // our end
	was  *term.State
	over chan struct{}

	mu   sync.Mutex
	said bytes.Buffer
}

func onTerminal(t *testing.T, dir string, args ...string) *console {
	t.Helper()
	c := &console{t: t, cmd: exec.Command("limberjack", args...), over: make(chan struct{})}
	c.cmd.Dir = dir
	first, err := pty.Start(c.cmd)
	if err != nil {
		t.Fatal(err)
	}
	c.tty = closable(t, first)
	c.was = c.state()
	go c.read()
	go func() { c.cmd.Wait(); close(c.over) }()
	t.Cleanup(func() {
		c.cmd.Process.Kill()
		<-c.over
		c.tty.Close()
	})
	return c
}

// closable makes a file of another whose Close ends a Read.
func closable(t *testing.T, f *os.File) *os.File {
	t.Helper()
	defer f.Close()
	fd, err := syscall.Dup(int(f.Fd()))
	if err == nil {
		syscall.CloseOnExec(fd)
		err = syscall.SetNonblock(fd, true)
	}
	if err != nil {
		t.Fatal(err)
	}
	return os.NewFile(uintptr(fd), "terminal")
}

func (c *console) read() {
	b := make([]byte, 4096)
	for {
		n, err := c.tty.Read(b)
		c.mu.Lock()
		c.said.Write(b[:n])
		c.mu.Unlock()
		if err != nil {
			return
		}
	}
}

func (c *console) text() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.said.String()
}

func (c *console) typed(keys string) {
	c.t.Helper()
	if _, err := io.WriteString(c.tty, keys); err != nil {
		c.t.Fatal(err)
	}
}

// shows waits until the terminal has shown some text n times.
func (c *console) shows(n int, text string) {
	c.t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if strings.Count(c.text(), text) >= n {
			return
		}
	}
	c.t.Fatalf("the terminal does not show %q %d times in %v:\n%s", text, n, patience, c.text())
}

func (c *console) exit() int {
	c.t.Helper()
	select {
	case <-c.over:
	case <-time.After(patience):
		c.t.Fatalf("it does not end:\n%s", c.text())
	}
	return c.cmd.ProcessState.ExitCode()
}

// state gives how the terminal is set. File.Fd would undo what closable does.
func (c *console) state() (s *term.State) {
	c.t.Helper()
	conn, err := c.tty.SyscallConn()
	if err != nil {
		c.t.Fatal(err)
	}
	conn.Control(func(fd uintptr) { s, err = term.GetState(int(fd)) })
	if err != nil {
		c.t.Fatal(err)
	}
	return s
}

// restored checks that the terminal is as it was before.
func (c *console) restored() {
	c.t.Helper()
	now := c.state()
	if fmt.Sprint(*now) != fmt.Sprint(*c.was) {
		c.t.Errorf("the terminal was left as %v, it was %v", *now, *c.was)
	}
}

// Keys as terminals send them (ECMA-48: CSI is ESC [, SS3 is ESC O).
const (
	up, down, right, left = "\x1b[A", "\x1b[B", "\x1b[C", "\x1b[D"
	rightOfKeypad         = "\x1bOC"
	ctrlRight             = "\x1b[1;5C"
	escape                = "\x1b"
)

// startJog starts jog on a terminal, armed.
func startJog(t *testing.T) (*softBoard, *console) {
	t.Helper()
	dir := gantry(t)
	b := startBoard(t, dir, "gantry.rig.yaml", "main")
	c := onTerminal(t, dir, "jog", "gantry.rig.yaml", "--port", b.port)
	c.shows(1, "Write yes to arm:")
	c.typed("yes\n")
	c.shows(1, "arm, step 1 deg")
	return b, c
}

// TestJogKeys moves axes by keys. After q all are at rest, and the terminal is as it
// was.
func TestJogKeys(t *testing.T) {
	t.Parallel()
	b, c := startJog(t)
	c.typed(right)
	c.shows(1, "arm at 1 deg\r\n")
	c.typed(up + up)
	c.shows(1, "arm, step 4 deg")
	c.typed(rightOfKeypad)
	c.shows(1, "arm at 5 deg\r\n")
	c.typed(down)
	c.shows(2, "arm, step 2 deg")
	c.typed(left)
	c.shows(1, "arm at 3 deg\r\n")
	c.typed("\t")
	c.shows(1, "jaw, step 2 deg")
	c.typed(left) // beyond the end of its travel
	c.shows(1, "jaw at 0 deg\r\n")
	// What means nothing moves nothing: letters, a modified arrow, the escape key.
	c.typed("CD" + ctrlRight + escape + "x" + up)
	c.shows(1, "jaw, step 4 deg")
	c.typed(right)
	c.shows(1, "jaw at 4 deg\r\n")
	c.typed("q")
	if code := c.exit(); code != exitDone {
		t.Errorf("jog ends with %d", code)
	}
	c.shows(1, "all axes at rest")
	c.restored()
	r := b.finish()
	r.check(t, pins)
	r.softly(t)
	r.reached(t, "arm", 950)
	r.reached(t, "jaw", 1040)
	if r.end("arm").width != 900 || r.end("jaw").width != 1000 {
		t.Errorf("the arm ends at %.1f us and the jaw at %.1f, their rests are 900 and 1000", r.end("arm").width, r.end("jaw").width)
	}
}

// softly holds all pulses against 30 deg/s, 6 us a frame of 20 ms. Frames are 15/16 of
// that apart at least, and rounded to the tick.
func (r recording) softly(t *testing.T) {
	t.Helper()
	for name, ps := range r {
		for i := 1; i < len(ps); i++ {
			if d := ps[i].width - ps[i-1].width; d > 6 || d < -6 {
				t.Errorf("%s changes by %.1f us in a frame at %.0f us", name, d, ps[i].at)
			}
		}
	}
}

// reached checks the greatest pulse of a servo.
func (r recording) reached(t *testing.T, name string, want float64) {
	t.Helper()
	most := 0.0
	for _, p := range r[name] {
		most = max(most, p.width)
	}
	if most != want {
		t.Errorf("%s came to %.1f us, not to %.1f", name, most, want)
	}
}

// TestJogStops ends jog in the middle of a move of the arm to rest, which takes more
// than a second: by keys, by signals, and by closing the terminal. The axes come to
// rest at once, and only the arm, which carries weight, has pulses afterwards.
func TestJogStops(t *testing.T) {
	kill := func(s syscall.Signal) func(*console) { return func(c *console) { c.cmd.Process.Signal(s) } }
	for _, way := range []struct {
		name string
		do   func(*console)
		code int
		tty  bool // there is one to look at afterwards
	}{
		{"space", func(c *console) { c.typed(" ") }, exitDone, true},
		{"ctrl-c", func(c *console) { c.typed("\x03") }, exitDone, true},
		{"escape and ctrl-c", func(c *console) { c.typed(escape + "\x03") }, exitDone, true},
		{"interrupt", kill(syscall.SIGINT), exitFindings, true},
		{"terminate", kill(syscall.SIGTERM), exitFindings, true},
		{"close", func(c *console) { c.tty.Close() }, exitFindings, false},
	} {
		t.Run(way.name, func(t *testing.T) {
			t.Parallel()
			b, c := startJog(t)
			c.typed(up + up + up + up + up) // 20 deg, the most
			c.shows(1, "arm, step 20 deg")
			c.typed(right)
			c.shows(1, "arm at 20 deg\r\n")
			c.typed("r")
			time.Sleep(500 * time.Millisecond)
			way.do(c)
			if code := c.exit(); code != way.code {
				t.Errorf("jog ends with %d, not %d:\n%s", code, way.code, c.text())
			}
			b.becomes("stopped")
			if way.tty {
				c.shows(1, "stopped and disarmed")
				c.restored()
			}
			time.Sleep(400 * time.Millisecond)
			r := b.finish()
			r.check(t, pins)
			r.softly(t)
			if w := r.end("arm").width; !r.rested("arm", 10) || w < 905 || w > 1095 {
				t.Errorf("the arm was not stopped on its way from 1100 us to 900, but rests at %.1f us", w)
			}
			if r.end("jaw").at > r.end("arm").at-200_000 {
				t.Error("the jaw was not let go")
			}
		})
	}
}

// TestHeldArrow holds an arrow down: a terminal repeats it 30 times a second. When it
// is let go the axis stops within a step.
func TestHeldArrow(t *testing.T) {
	t.Parallel()
	b, c := startJog(t)
	for range 30 {
		c.typed(right)
		time.Sleep(33 * time.Millisecond)
	}
	at := strings.Count(c.text(), "arm at ")
	time.Sleep(2 * time.Second)
	if now := strings.Count(c.text(), "arm at "); now > at+2 {
		t.Errorf("%d steps came after the key was let go", now-at)
	}
	c.typed(" ")
	c.exit()
	b.finish().check(t, map[string]pinLimits{"arm": pins["arm"]})
}

// TestLostBoardEndsJog takes the board away: jog cannot move it any more, and says so.
func TestLostBoardEndsJog(t *testing.T) {
	t.Parallel()
	b, c := startJog(t)
	b.signal(syscall.SIGKILL)
	b.exit()
	time.Sleep(400 * time.Millisecond)
	c.typed(right)
	if code := c.exit(); code != exitFindings {
		t.Errorf("jog ends with %d", code)
	}
	c.shows(1, "look at the prop, then start jog again")
	c.restored()
}

// TestJogLinesAreInterrupted ends jog by a signal in the middle of a long move, with
// more lines waiting, of which none is obeyed.
func TestJogLinesAreInterrupted(t *testing.T) {
	t.Parallel()
	dir := gantry(t)
	b := startBoard(t, dir, "gantry.rig.yaml", "main")
	p := start(t, dir, "jog", "gantry.rig.yaml", "--port", b.port, "--at-rest")
	fmt.Fprint(p.in, "arm 10\narm 100\n\narm 0\njaw 30\n")
	p.await("the first place", func(l string) bool { return l == "arm at 10 deg" })
	time.Sleep(time.Second)
	p.signal(syscall.SIGTERM)
	if code := p.exit(); code != exitFindings {
		t.Errorf("jog ends with %d: %q", code, p.told())
	}
	if said := p.said(); !slices.Contains(said, "stopped and disarmed") {
		t.Errorf("jog says %q", said)
	}
	b.becomes("stopped")
	time.Sleep(400 * time.Millisecond)
	r := b.finish()
	r.check(t, pins)
	r.softly(t)
	if w := r.end("arm").width; !r.rested("arm", 10) || w < 1005 || w > 1895 {
		t.Errorf("the arm rests at %.1f us, and not on its way from 1000 to 1900", w)
	}
	r.reached(t, "jaw", 1000)
}

// TestJogStopInLines writes a stop in mid-move: it does not wait for what else stands there.
// One that is in a script has its turn.
func TestJogStopInLines(t *testing.T) {
	t.Parallel()
	dir := gantry(t)
	b := startBoard(t, dir, "gantry.rig.yaml", "main")
	p := start(t, dir, "jog", "gantry.rig.yaml", "--port", b.port, "--at-rest")
	fmt.Fprint(p.in, "arm 10\narm 100\narm 0\njaw 30\nstop\n")
	p.await("the first place", func(l string) bool { return l == "arm at 10 deg" })
	time.Sleep(time.Second)
	fmt.Fprint(p.in, "stop\n")
	if code := p.exit(); code != exitDone {
		t.Errorf("jog ends with %d: %q", code, p.told())
	}
	if said := p.said(); !slices.Contains(said, "stopped and disarmed") || slices.Contains(said, "arm at 100 deg") {
		t.Errorf("jog says %q", said)
	}
	b.becomes("stopped")
	r := b.finish()
	r.check(t, pins)
	r.reached(t, "jaw", 1000)

	b = startBoard(t, dir, "gantry.rig.yaml", "main")
	p = start(t, dir, "jog", "gantry.rig.yaml", "--port", b.port, "--at-rest")
	fmt.Fprint(p.in, "arm 10\nstop\n")
	if code := p.exit(); code != exitDone {
		t.Errorf("jog ends with %d: %q", code, p.told())
	}
	if said := p.said(); !slices.Contains(said, "arm at 10 deg") {
		t.Errorf("jog says %q", said)
	}
	b.finish()
}

// TestJogKeepsToItsRange asks for more than there is.
func TestJogKeepsToItsRange(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	rig := `rig: Odd
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 8, baud: 250000}
axes:
  lamp: {kind: dimmer, board: main, channel: 0, current: 60mA}
  horn: {kind: switch, board: main, channel: 1, current: 60mA}
  wheel: {kind: continuous-servo, board: main, channel: 2}
`
	if err := os.WriteFile(dir+"/odd.rig.yaml", []byte(rig), 0o644); err != nil {
		t.Fatal(err)
	}
	b := startBoard(t, dir, "odd.rig.yaml", "main")
	p := start(t, dir, "jog", "odd.rig.yaml", "--port", b.port, "--at-rest")
	fmt.Fprint(p.in, "wheel 300\nwheel by -300\nlamp 500\nlamp 100\nhorn 3\nhorn 1\nlamp nan\nquit\n")
	if code := p.exit(); code != exitDone {
		t.Errorf("jog ends with %d: %q", code, p.told())
	}
	said := strings.Join(p.said(), "\n")
	for _, want := range []string{"wheel at 100 %\n", "wheel at -100 %\n", "lamp at 0.000 s (frame 0): 500 % is", "lamp at 100 %\n",
		"the motion asks for 3", "horn at 1 ", `"nan" is no value of lamp`, "all axes at rest"} {
		if !strings.Contains(said, want) {
			t.Errorf("jog does not say %q:\n%s", want, said)
		}
	}
	// A continuous servo has 1000, 1500 and 2000 us for -100, 0 and 100 % (common practice).
	r := b.finish()
	most, least := 0.0, 9999.0
	for _, p := range r["wheel"] {
		most, least = max(most, p.width), min(least, p.width)
	}
	if most != 2000 || least != 1000 {
		t.Errorf("the wheel's pulses are from %.1f to %.1f us", least, most)
	}
}

// TestKeyOf reads keys as terminals send them.
func TestKeyOf(t *testing.T) {
	for _, c := range []struct {
		in   string
		want []key
	}{
		{"a D", []key{'a', ' ', 'D'}},
		{up + down + right + left, []key{keyUp, keyDown, keyRight, keyLeft}},
		{"\x1bOA\x1bOD", []key{keyUp, keyLeft}},
		{ctrlRight + "x", []key{keyOther, 'x'}},
		{"\x1b[3~ ", []key{keyOther, ' '}},
		{escape + " ", []key{keyOther, ' '}},
		{escape + escape + "[C", []key{keyOther, keyRight}},
		{"\x1b[\x03", []key{ctrlC}},
		{"\x1b[12\x03", []key{ctrlC}},
		{"\x1b[", nil},
	} {
		in := bufio.NewReader(strings.NewReader(c.in))
		var got []key
		for {
			k, err := keyOf(in)
			if err != nil {
				break
			}
			got = append(got, k)
		}
		if fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%q is %v, not %v", c.in, got, c.want)
		}
	}
}

// TestTerminalCloses closes the terminal of play in mid-motion, and presses Ctrl-C on
// it: both are a controlled stop.
func TestTerminalCloses(t *testing.T) {
	for _, way := range []struct {
		name string
		do   func(*console)
	}{
		{"close", func(c *console) { c.tty.Close() }},
		{"ctrl-c", func(c *console) { c.typed("\x03") }},
	} {
		t.Run(way.name, func(t *testing.T) {
			dir := gantry(t)
			b := startBoard(t, dir, "gantry.rig.yaml", "main")
			c := onTerminal(t, dir, "play", "up.motion.yaml", "--port", b.port, "--at-rest", "--count-in", "40ms")
			c.shows(1, "started")
			c.shows(1, " 1.2") // s, of the position
			way.do(c)
			if code := c.exit(); code != exitFindings {
				t.Errorf("play ends with %d:\n%s", code, c.text())
			}
			b.becomes("stopped")
			time.Sleep(400 * time.Millisecond)
			b.finish().stopped(t)
		})
	}
}
