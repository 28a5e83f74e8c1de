//go:build linux

package web

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

const killedFolder = "LIMBERJACK_KILLED_FOLDER"

func init() {
	if dir := os.Getenv(killedFolder); dir != "" {
		killedChild(dir)
	}
}

// killedChild serves the motion of a folder as preview does, until it is killed, and
// says where.
func killedChild(dir string) {
	p, err := Open(dir, filepath.Join(dir, crashFile), Options{})
	if err != nil {
		panic(err)
	}
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		panic(err)
	}
	fmt.Println(on.Addr())
	s := NewServer(p, Access{Names: []string{"127.0.0.1"}, Port: on.Addr().(*net.TCPAddr).Port}, nil)
	go p.Follow(context.Background())
	panic(s.Serve(context.Background(), on))
}

// killedText is the text in which the wing goes to i/100 deg.
func killedText(i int) string {
	return strings.Replace(smallMotion, "[1s, 40]", fmt.Sprintf("[1s, %g]", float64(i)/100), 1)
}

// killed is a server that is killed again and again while it is written to.
type killed struct {
	*testing.T
	dir  string
	sent int           // the last version that was sent, in all rounds
	amid int           // rounds that ended in mid-save: something of it is left
	lost time.Duration // at most, from the answer of what is lost to the end
}

// round starts the server, looks whether all is cleared up, changes the motion until
// its time is over, and kills it. With drag all changes are one step.
func (k *killed) round(life time.Duration, drag bool) {
	server := exec.Command("/proc/self/exe")
	server.Env = append(os.Environ(), killedFolder+"="+k.dir)
	out, err := server.StdoutPipe()
	if err != nil {
		k.Fatal(err)
	}
	if err := server.Start(); err != nil {
		k.Fatal(err)
	}
	defer server.Wait()
	defer server.Process.Kill()
	host, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		k.Fatal(err)
	}
	d := &desk{TB: k, dir: k.dir, host: strings.TrimSpace(host), scheme: "http", client: &http.Client{Timeout: waiting}}
	defer d.client.CloseIdleConnections()
	p := d.page()
	base := d.textOf("wake").Text // it has started when this is answered
	k.tidied()
	answered := []time.Time{} // of the changes of this round
	first := k.sent + 1
	var killed atomic.Pointer[time.Time]
	late := k.watch()
	for {
		k.sent++
		step := "drag"
		if !drag {
			step = fmt.Sprint(k.sent)
		}
		text, ok := k.change(p, base, step, k.sent)
		if !ok {
			break
		}
		if base, answered = text, append(answered, time.Now()); len(answered) == 1 {
			time.AfterFunc(life, func() {
				now := time.Now()
				killed.Store(&now)
				server.Process.Signal(syscall.SIGKILL)
			})
		}
	}
	server.Wait()
	slack := 2 * late()
	if killed.Load() == nil {
		k.Fatal("the server has ended by itself")
	}
	k.judge(first, answered, *killed.Load(), slack)
}

// watch saves a small file all the while, as the server does, and gives how much longer
// than its pauses that took at most: a machine that does not keep time, for which no
// program can make up. stop ends it.
func (k *killed) watch() (stop func() time.Duration) {
	const name, pause = "watch", 20 * time.Millisecond
	f, err := openFolder(k.TempDir())
	if err == nil {
		err = f.root.WriteFile(name, nil, 0o644)
	}
	if err != nil {
		k.Fatal(err)
	}
	over, worst := make(chan struct{}), make(chan time.Duration)
	go func() {
		defer f.close()
		most, known := time.Duration(0), stampOf(nil)
		for i := 0; ; i++ {
			began := time.Now()
			select {
			case <-over:
				worst <- most
				return
			case <-time.After(pause):
			}
			text := fmt.Appendf(nil, "%d", i)
			if _, err := f.replace(name, text, known); err != nil {
				k.Error(err)
			}
			known, most = stampOf(text), max(most, time.Since(began)-pause)
		}
	}()
	return func() time.Duration { close(over); return <-worst }
}

// change sends a change; not ok: the server is gone.
func (k *killed) change(p writer, base, step string, i int) (text string, ok bool) {
	r, err := http.NewRequest("POST", "http://"+p.host+"/api/motions/wake/changes", strings.NewReader(fmt.Sprintf(`{"base":%q,"step":%q,"changes":%s}`, base, step, wing(float64(i)/100))))
	if err != nil {
		k.Fatal(err)
	}
	r.Header.Set("Origin", "http://"+p.host)
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set(pageHeader, p.key)
	got, err := p.client.Do(r)
	if err != nil {
		return "", false
	}
	defer got.Body.Close()
	body, err := io.ReadAll(got.Body)
	if err != nil {
		return "", false
	}
	return p.made(answer{got.StatusCode, got.Header, body}).Text, true
}

// judge looks at what is there after the kill: the file is a version that was sent,
// whole, and none is missing whose answer came more than a second before the end, and
// as much as the machine was late. The time of an answer is when it was read here, which
// is later than the server's.
func (k *killed) judge(first int, answered []time.Time, end time.Time, slack time.Duration) {
	text, err := os.ReadFile(filepath.Join(k.dir, crashFile))
	if err != nil {
		k.Fatalf("the file is lost: %v", err)
	}
	if len(texts(k, k.dir)) > 2 {
		k.amid++
	}
	at := k.version(string(text))
	if at < 0 {
		k.Fatalf("the file is no version that was sent: %q", text)
	}
	for i, when := range answered {
		if first+i <= at {
			continue
		}
		k.lost = max(k.lost, end.Sub(when))
		if end.Sub(when) > time.Second+slack {
			k.Errorf("the change %d was answered %v before the end, and the file is the version %d; the machine was late by %v at most", first+i, end.Sub(when), at, slack/2)
		}
		break
	}
}

// version gives the number of a text; -1: it was never sent.
func (k *killed) version(text string) int {
	for i := k.sent; i >= 0; i-- {
		if text == killedText(i) {
			return i
		}
	}
	return -1
}

// tidied looks whether a start has cleared up: beside the file and the rig there are only
// whole versions of the page, newer than the file.
func (k *killed) tidied() {
	all := texts(k, k.dir)
	now := k.version(all[crashFile])
	for name, text := range all {
		switch {
		case name == crashFile, name == "gull.rig.yaml":
		case strings.HasPrefix(name, "wake.mine-") && k.version(text) > now:
			os.Remove(filepath.Join(k.dir, name)) // else the show of them grows
		default:
			k.Errorf("%s is left: %q", name, text)
		}
	}
}

// A hundred times the server is killed while changes stream in that are saved at the end
// of each, and a few times in the midst of a long drag: the file is always there, whole,
// and at most the last second is lost.
func TestKilledAHundredTimes(t *testing.T) {
	t.Parallel()
	for line, c := range []struct {
		rounds      int
		drag        bool
		least, most time.Duration
	}{
		{49, false, 0, 25 * time.Millisecond},
		{49, false, 0, 25 * time.Millisecond},
		{2, true, 1300 * time.Millisecond, 1900 * time.Millisecond},
	} {
		t.Run(fmt.Sprint(line), func(t *testing.T) {
			t.Parallel()
			k := &killed{T: t, dir: small(t, map[string]string{crashFile: killedText(0)})}
			random := rand.New(rand.NewPCG(uint64(line), 9))
			for range c.rounds {
				k.round(c.least+time.Duration(random.Int64N(int64(c.most-c.least))), c.drag)
			}
			t.Logf("%d versions were sent in %d rounds, of which %d ended in mid-save; at most the last %v were lost", k.sent, c.rounds, k.amid, k.lost)
		})
	}
}
