//go:build unix

package live

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// boardPort names, for a test that starts itself again as a board, the port to make.
// The rig comes on standard input, at whose end the board ends.
const boardPort = "LIMBERJACK_TEST_BOARD_PORT"

// apart runs a board in software for the rig on standard input.
func apart(path string) int {
	rig, err := sequence.LoadRig(func(string) (io.ReadCloser, error) { return os.Stdin, nil }, "rig.yaml")
	if err != nil {
		fmt.Println(err)
		return 1
	}
	config, err := board.ConfigOf(rig, rig.Boards[0])
	if err != nil {
		fmt.Println(err)
		return 1
	}
	config.Depth = 400
	s := board.NewServer(board.Options{Config: config, Baud: int(rig.Boards[0].Baud.V)})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		fmt.Println(err)
		return 1
	}
	go s.ServeWebSocket(context.Background(), l)
	s.ServePTY(context.Background(), path, func(string) { fmt.Printf("ws://%s/\n", l.Addr()) })
	return 0
}

// otherBoard is a board in another process.
type otherBoard struct {
	port, url string
	cmd       *exec.Cmd
}

func startOther(t testing.TB, rig string) *otherBoard {
	t.Helper()
	o := &otherBoard{port: t.TempDir() + "/port", cmd: exec.Command(os.Args[0])}
	o.cmd.Env = append(os.Environ(), boardPort+"="+o.port)
	o.cmd.Stdin = strings.NewReader(rig)
	out, err := o.cmd.StdoutPipe()
	if err == nil {
		err = o.cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { o.end() })
	said := bufio.NewScanner(out)
	if said.Scan(); !strings.HasPrefix(said.Text(), "ws://") {
		t.Fatalf("the board says %q", said.Text())
	}
	o.url = said.Text()
	return o
}

// end ends the board and gives the processor time that it took in s.
func (o *otherBoard) end() float64 {
	o.cmd.Process.Kill()
	o.cmd.Wait()
	return (o.cmd.ProcessState.UserTime() + o.cmd.ProcessState.SystemTime()).Seconds()
}

// BenchmarkHost plays 32 channels at 333 Hz to a board in another process, through
// 1 Mbaud and through a WebSocket. host-% is the processor time of this process for a
// second of playing, in percent of one core; board-% is that of the board. Most of it is
// the cost of waking up, which a profile of the program does not show: perf does.
func BenchmarkHost(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1)) // as the command play does
	rig, motion := fastRig()
	_, tls := load(b, rig, motion)
	for _, way := range []string{"cable", "network"} {
		b.Run(way, func(b *testing.B) {
			o := startOther(b, rig)
			open := func() (Link, error) { return OpenSerial(o.port, 1_000_000) }
			if way == "network" {
				open = func() (Link, error) { return OpenWebSocket(b.Context(), o.url) }
			}
			link, err := open()
			if err != nil {
				b.Fatal(err)
			}
			s := connect(b, link, Options{Timeline: tls[0]})
			if err := s.Arm(b.Context(), nil); err != nil {
				b.Fatal(err)
			}
			before := cpu()
			for b.Loop() {
				if err := Play(b.Context(), []*Board{s}, []*timeline.Timeline{tls[0]}, PlayOptions{To: 5}); err != nil {
					b.Fatal(err)
				}
			}
			took, st := b.Elapsed().Seconds(), s.Status()
			b.ReportMetric(100*(cpu()-before)/took, "host-%")
			s.Close()
			b.ReportMetric(100*o.end()/took, "board-%")
			b.ReportMetric(float64(st.Late), "late")
			b.ReportMetric(float64(st.Bridged), "bridged")
		})
	}
}

// BenchmarkBareWakes is what a program costs that does nothing but wake up every 3 ms, as
// often as there are frames at 333 Hz: what BenchmarkHost says is to be held against it,
// since virtual machines differ tenfold in it.
func BenchmarkBareWakes(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	before := cpu()
	for b.Loop() {
		for range 333 {
			time.Sleep(3 * time.Millisecond)
		}
	}
	b.ReportMetric(100*(cpu()-before)/b.Elapsed().Seconds(), "host-%")
}

// spinning makes a process of the test binary that does nothing but keep a core busy,
// until its standard input ends.
const spinning = "LIMBERJACK_TEST_SPIN"

func spin() {
	var over atomic.Bool
	go func() {
		io.Copy(io.Discard, os.Stdin)
		over.Store(true)
	}()
	for !over.Load() {
	}
	os.Exit(0)
}

// busyCores keeps every core busy by a process of its own until the test ends. Each has
// a session of its own, as a program in another terminal has: Linux shares the
// processors among sessions first (sched(7), autogroups).
func busyCores(t testing.TB) {
	t.Helper()
	for range runtime.NumCPU() {
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), spinning+"=1", "GOMAXPROCS=2")
		c.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
		if _, err := c.StdinPipe(); err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	}
}

// sixteen has 16 servos at 50 Hz behind 250,000 baud.
func sixteen() (rig, motion string) {
	rig = "rig: Sixteen\nformat: 1\nboards:\n  main: {rate: 50Hz, tick: 0.5us, channels: 16, baud: 250000}\naxes:\n"
	motion = "motion: Swell\nformat: 1\nrig: rig.yaml\nlength: 6s\nloop: true\ntracks:\n"
	for i := range 16 {
		rig += fmt.Sprintf("  s%d: {kind: servo, board: main, channel: %d, travel: [-60deg, 60deg], pulse: [[-60deg, 900us], [60deg, 2100us]]}\n", i, i)
		motion += fmt.Sprintf("  s%d: [[0s, %ddeg], [3s, %ddeg, sine-in-out], [6s, %ddeg, sine-in-out]]\n", i, i-8, 20+i, i-8)
	}
	return rig, motion
}

// worstGap gives the longest time in ms for which a process did not run, as a timer of
// 5 ms in it shows, since the last Swap.
func worstGap(t testing.TB) *atomic.Int64 {
	var worst atomic.Int64
	go func() {
		for last := time.Now(); t.Context().Err() == nil; {
			time.Sleep(5 * time.Millisecond)
			now := time.Now()
			worst.Store(max(worst.Load(), now.Sub(last).Milliseconds()))
			last = now
		}
	}()
	return &worst
}

// BenchmarkLoaded plays 16 servos at 50 Hz, in rounds without a seam, through a cable to
// a board in another process while every core is busy with something else. Ten minutes
// of that are
//
//	go test -run '^$' -bench Loaded -benchtime 100x -timeout 20m ./transport/live
//
// late and bridged are the board's counts of frames, stale is what the host did not send
// as its time had come, lost how often the board was lost, all for the whole run. A loss
// tells nothing of this program where its process did not run for the time of silence,
// which is logged beside it.
func BenchmarkLoaded(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	rig, motion := sixteen()
	_, tls := load(b, rig, motion)
	o := startOther(b, rig)
	link, err := OpenSerial(o.port, 250_000)
	if err != nil {
		b.Fatal(err)
	}
	s := connect(b, link, Options{Timeline: tls[0], Dial: func(context.Context) (Link, error) { return OpenSerial(o.port, 250_000) }})
	busyCores(b)
	gap := worstGap(b)
	stale, lost, played := 0, 0, 0
	for b.Loop() {
		played++
		if err := s.Await(b.Context()); err != nil {
			b.Fatal(err)
		}
		if err := s.Arm(b.Context(), nil); err != nil {
			b.Fatal(err)
		}
		var now int
		err := Play(b.Context(), []*Board{s}, tls, PlayOptions{Events: func(e Event) { now = max(now, e.Stale) }})
		var gone *LostError
		var no *RefusedError // the board was lost, and the host has not heard of it yet
		if errors.As(err, &gone) || errors.As(err, &no) {
			lost++
			b.Logf("round %d: %v; this process did not run for %d ms", played, err, gap.Swap(0))
		} else if err != nil {
			b.Fatal(err)
		}
		stale = max(stale, now)
	}
	st := s.Status()
	b.ReportMetric(float64(st.Late), "late")
	b.ReportMetric(float64(st.Bridged), "bridged")
	b.ReportMetric(float64(st.Clamped), "clamped")
	b.ReportMetric(float64(stale), "stale")
	b.ReportMetric(float64(lost), "lost")
}

// TestKilledHost kills the process that plays. Within the silence that the board was
// set up with and a period the board is lost; the 50 ms are the scheduler's, and the
// host's last message may be 25 ms old when it is killed.
func TestKilledHost(t *testing.T) {
	rig, _ := keeper(t)
	p := newProp(t, rig, rig.Boards[0], nil)
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), hostPort+"="+p.path)
	out, err := c.StdoutPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	defer c.Wait()
	defer c.Process.Kill()
	said := make([]byte, 200)
	if n, _ := out.Read(said); !strings.HasPrefix(string(said[:n]), "started") {
		t.Fatalf("the host says %q", said[:n])
	}
	time.Sleep(400 * time.Millisecond)
	cut := systemClock.Now()
	c.Process.Kill()
	eventually(t, 2*time.Second, "the board is lost", func() bool { return p.server.State() == wire.StateLost })
	time.Sleep(700 * time.Millisecond)
	checkLost(t, p.played(), cut)
}
