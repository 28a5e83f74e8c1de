package web

import (
	"fmt"
	"os/signal"
	"strings"
	"syscall"
	"testing"
)

// A disk that takes no more in the middle of a text: the file stays whole, nothing is
// left, it is told, and the text is written when there is room again. The limit of a
// process's files (getrlimit(2)) has a write end as a full disk has it: a part of the
// text is written, then there is an error. This test must not run beside others.
func TestDiskFull(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	p := d.page()
	base := d.textOf("wake").Text
	signal.Ignore(syscall.SIGXFSZ)
	defer signal.Reset(syscall.SIGXFSZ)
	var was syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 64, Max: was.Max}); err != nil {
		t.Fatal(err)
	}
	var a answer
	v := p.version(p.change("wake", base, "a", wing(41)))
	a = p.post("/api/motions/wake/save", fmt.Sprintf(`{"base":%q}`, v.Text))
	state, file := d.textOf("wake"), d.reads("wake.motion.yaml")
	left := texts(t, d.dir)
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
		t.Fatal(err)
	}
	a.refusal(t, "not-saved")
	if state.Saved || !strings.Contains(state.Trouble, "file too large") { // EFBIG
		t.Errorf("%+v", state)
	}
	if file != smallMotion || len(left) != 2 {
		t.Errorf("the file holds %q, and there is %q", file, left)
	}
	d.becomes("wake", "written when there is room", func(s textState) bool { return s.Saved && s.Trouble == "" })
	if want := strings.Replace(smallMotion, "[1s, 40]", "[1s, 41]", 1); d.reads("wake.motion.yaml") != want {
		t.Errorf("the file holds %q", d.reads("wake.motion.yaml"))
	}
}
