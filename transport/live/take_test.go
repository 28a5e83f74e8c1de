package live

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"
)

// lines reads a take back.
func lines(t testing.TB, text []byte) (list []map[string]any) {
	t.Helper()
	s := bufio.NewScanner(bytes.NewReader(text))
	s.Buffer(nil, 1<<20)
	for s.Scan() {
		var m map[string]any
		if err := json.Unmarshal(s.Bytes(), &m); err != nil {
			t.Fatalf("line %d of the take: %v", len(list)+1, err)
		}
		list = append(list, m)
	}
	return list
}

// of gives the lines of one log.
func of(list []map[string]any, log string) (found []map[string]any) {
	for _, m := range list {
		if m["log"] == log {
			found = append(found, m)
		}
	}
	return found
}

// fullDisk takes some bytes and then no more.
type fullDisk struct {
	mu   sync.Mutex
	left int
}

var errFull = errors.New("no space left on device")

func (f *fullDisk) Write(p []byte) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.left -= len(p); f.left < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestFullDiskStopsTheLogOnce(t *testing.T) {
	leaks(t)
	var failures []error
	k := NewTake(&fullDisk{left: 300}, "1", "test", time.Unix(0, 0), func(err error) { failures = append(failures, err) })
	for range 100 {
		k.add(takeEvent{Log: "event", What: "note"})
	}
	err := k.Close()
	if !errors.Is(err, errFull) || len(failures) != 1 || !strings.Contains(failures[0].Error(), "no longer written") {
		t.Errorf("Close gives %v, and %v were told", err, failures)
	}
}

// stuckDisk takes nothing until it is let go.
type stuckDisk struct{ free chan struct{} }

func (s stuckDisk) Write(p []byte) (int, error) { <-s.free; return len(p), nil }

func TestSlowDiskHoldsNothingUp(t *testing.T) {
	leaks(t)
	s := stuckDisk{make(chan struct{})}
	k := NewTake(s, "1", "test", time.Unix(0, 0), nil)
	for range 3 * takeQueue {
		k.add(takeEvent{Log: "event", What: "note"})
	}
	k.mu.Lock()
	missed := k.missed
	k.mu.Unlock()
	if missed < takeQueue {
		t.Errorf("%d lines were missed, at least %d did not fit", missed, takeQueue)
	}
	close(s.free)
	if err := k.Close(); err != nil {
		t.Error(err)
	}
}

func TestTakeTellsItsVersions(t *testing.T) {
	var out bytes.Buffer
	k := NewTake(&out, "A1", "limberjack 1", time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), nil)
	if err := k.Close(); err != nil {
		t.Fatal(err)
	}
	k.add(takeEvent{}) // after the end: nothing happens
	list := lines(t, out.Bytes())
	if len(list) != 2 || list[0]["take"] != 1.0 || list[0]["protocol"] != 1.0 || list[0]["program"] != "limberjack 1" || list[0]["name"] != "A1" || list[1]["log"] != "end" {
		t.Errorf("the take is %v", list)
	}
}
