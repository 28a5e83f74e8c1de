//go:build unix

package live

import (
	"errors"
	"os"
	"sync"
	"syscall"
	"testing"
	"time"

	"limberjack/transport/timeline"
)

// TestDeviceFull logs a take to /dev/full, which takes nothing: ENOSPC for each write
// (Linux, full(4)). The motion is played as if nobody logged it, and the failure is
// told once.
func TestDeviceFull(t *testing.T) {
	leaks(t)
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skipf("there is no device that is always full: %v", err)
	}
	defer full.Close()
	var mu sync.Mutex
	var told []error
	k := NewTake(full, "1", "test", time.Unix(0, 0), func(err error) {
		mu.Lock()
		defer mu.Unlock()
		told = append(told, err)
	})
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], nil)
	b := connect(t, p.serial(t, 115200), Options{Timeline: tl, Take: k})
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if err := Play(t.Context(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{}); err != nil {
		t.Errorf("Play gives %v", err)
	}
	rows, _ := motionRows(p.played(), tl, int(tl.Frames))
	r, row := tl.Reader(), make([]uint16, len(tl.Channels))
	for k := range rows {
		if r.Next(row); rows[k][0] != row[0] {
			t.Fatalf("frame %d of the arm is %d, not %d", k, rows[k][0], row[0])
		}
	}
	if err := k.Close(); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("Close gives %v", err)
	}
	if mu.Lock(); len(told) != 1 || !errors.Is(told[0], syscall.ENOSPC) {
		t.Errorf("%v were told", told)
	}
	mu.Unlock()
}
