package main

import (
	"bytes"
	"fmt"
	"strings"
	"sync"
	"testing"
)

// blocked is a writer that takes nothing until it is let go.
type blocked struct {
	gate chan struct{}
	mu   sync.Mutex
	text bytes.Buffer
}

func (b *blocked) Write(p []byte) (int, error) {
	<-b.gate
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *blocked) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// TestUnblocked: writes to who reads nothing return, and what the queue holds comes when
// it is read again, whole and in order.
func TestUnblocked(t *testing.T) {
	w := &blocked{gate: make(chan struct{})}
	u := newUnblocked(w)
	const lines = 2 * unblockedChunks
	for i := range lines {
		fmt.Fprintf(u, "line %d\n", i)
	}
	u.flush() // gives up
	if got := w.String(); got != "" {
		t.Fatalf("%q was written", got)
	}
	close(w.gate)
	u.flush()
	got := strings.Split(strings.TrimSuffix(w.String(), "\n"), "\n")
	if len(got) < unblockedChunks || len(got) >= lines {
		t.Errorf("%d lines came of %d", len(got), lines)
	}
	// What the queue has room for comes without a gap. When the writer takes its first
	// line, there is room for one more, whichever that is then.
	last := -1
	for i, line := range got {
		var n int
		if _, err := fmt.Sscanf(line, "line %d", &n); err != nil || n <= last || i < unblockedChunks && n != i {
			t.Fatalf("line %d is %q", i, line)
		}
		last = n
	}
}
