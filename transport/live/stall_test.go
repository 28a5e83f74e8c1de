//go:build unix

package live

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// hostPort names, for a test that starts itself again as a host, the port to play to.
const hostPort = "LIMBERJACK_TEST_HOST_PORT"

func TestMain(m *testing.M) {
	if path := os.Getenv(hostPort); path != "" {
		os.Exit(host(path))
	}
	if os.Getenv(spinning) != "" {
		spin()
	}
	if path := os.Getenv(boardPort); path != "" {
		os.Exit(apart(path))
	}
	os.Exit(m.Run())
}

// host plays to a port, and tells on standard output how that ends.
func host(path string) int {
	_, tl := keeper(&testing.T{})
	link, err := OpenSerial(path, 115200)
	if err != nil {
		fmt.Println(err)
		return 1
	}
	b, err := Connect(context.Background(), link, Options{Timeline: tl})
	if err != nil {
		fmt.Println(err)
		return 1
	}
	if err := b.Arm(context.Background(), nil); err != nil {
		fmt.Println(err)
		return 1
	}
	err = Play(context.Background(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{Rounds: Forever, Events: func(e Event) {
		if e.What == Started {
			fmt.Println("started")
		}
	}})
	st := b.Status()
	fmt.Printf("end: %v; state %v, late %d\n", err, st.State, st.Late)
	return 0
}

// TestStoppedProcess stops the host's process in the middle of a motion by SIGSTOP and
// lets it go on after 0.7 s. The board has by then done what its axes' policies say;
// nothing that the host sends afterwards moves it.
func TestStoppedProcess(t *testing.T) {
	rig, _ := keeper(t)
	p := newProp(t, rig, rig.Boards[0], nil)
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), hostPort+"="+p.path)
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	defer c.Process.Kill()
	text := bufio.NewScanner(out)
	if !text.Scan() || text.Text() != "started" {
		t.Fatalf("the host says %q", text.Text())
	}
	time.Sleep(300 * time.Millisecond)
	c.Process.Signal(syscall.SIGSTOP)
	time.Sleep(700 * time.Millisecond)
	if s := p.server.State(); s != wire.StateLost {
		t.Errorf("the board is %v after 0.7 s of silence", s)
	}
	before := p.played()
	c.Process.Signal(syscall.SIGCONT)
	text.Scan()
	if err := c.Wait(); err != nil {
		t.Error(err)
	}
	if got := text.Text(); !strings.Contains(got, "was lost") || !strings.Contains(got, "late 0") {
		t.Errorf("the host says %q", got)
	}
	for _, s := range p.played()[len(before):] {
		if s.framed || s.values[0] != before[len(before)-1].values[0] {
			t.Fatalf("the arm was moved to %d after the stall", s.values[0])
		}
	}
}
