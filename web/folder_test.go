package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A snapshot keeps so much of what documents hold, whatever their number; what it
// does not keep, it still knows.
func TestSnapshotKeepsSoMuch(t *testing.T) {
	const size, count = 3 << 20, 20 // 60 MiB
	dir := t.TempDir()
	text := strings.Repeat("# the sea\n", size/10+1)[:size]
	for i := range count {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%d.yaml", i)), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	f, err := openFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.close()
	s := newSnapshot(f)
	for i := range count {
		file, st, err := s.open(fmt.Sprintf("%d.yaml", i))
		if err != nil {
			t.Fatal(err)
		}
		if data, err := io.ReadAll(file); err != nil || string(data) != text || st.size != size {
			t.Fatalf("document %d has %d bytes (%v)", i, len(data), err)
		}
		file.Close()
	}
	held := 0
	for _, d := range s.known {
		held += len(d.data)
	}
	if held != s.kept || held > mostCached || held < mostCached-size {
		t.Errorf("%d bytes are held, %d counted", held, s.kept)
	}
	seen := s.looked()
	if len(seen) != count || !newSnapshot(f).same(seen) {
		t.Errorf("%d files were seen, and are others now", len(seen))
	}
	for _, i := range []int{0, count - 1} { // one that was kept, and one that was not
		name := filepath.Join(dir, fmt.Sprintf("%d.yaml", i))
		os.WriteFile(name, []byte(text[:size-1]+"!"), 0o644)
		if newSnapshot(f).same(seen) {
			t.Errorf("that document %d has changed is not seen", i)
		}
		os.WriteFile(name, []byte(text), 0o644)
	}
	if !newSnapshot(f).same(seen) {
		t.Error("what is as before is taken for another")
	}
}

// Motions with large documents are worked out one after another; the others do not
// wait for them.
func TestHeavyMotionsInTurn(t *testing.T) {
	heavy := smallMotion + strings.Repeat("# the sea\n", heavyDocument/10)
	dir := small(t, map[string]string{
		"one.motion.yaml": heavy, "two.motion.yaml": heavy,
		"gulls.show.yaml": "show: Gulls\nformat: 1\nrig: gull.rig.yaml\nmotions:\n  one: {file: one.motion.yaml}\n  two: {file: two.motion.yaml}\n  light: {file: wake.motion.yaml}\n",
	})
	p, err := Open(dir, filepath.Join(dir, "gulls.show.yaml"), Options{Tell: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	p.heavy <- struct{}{}
	ctx, end := context.WithCancel(t.Context())
	followed := make(chan struct{})
	go func() { defer close(followed); p.Follow(ctx) }()
	defer func() { end(); <-followed }()
	if len(p.motions) != 3 {
		t.Fatalf("%d motions: %v", len(p.motions), p.problems)
	}
	if _, err := p.takeOf(t.Context(), "light"); err != nil {
		t.Error(err)
	}
	for _, name := range []string{"one", "two"} {
		if _, err := p.takeOf(ended(), name); !errors.Is(err, errWaiting) {
			t.Errorf("%s is there out of turn: %v", name, err)
		}
	}
	<-p.heavy
	for _, name := range []string{"one", "two"} {
		if _, err := p.takeOf(t.Context(), name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	end()
	<-followed
	if len(p.heavy) != 0 {
		t.Error("the turn is not given back")
	}
}

// A turn is taken once, waits for the one before, and is given up with the work.
func TestTurn(t *testing.T) {
	place := make(chan struct{}, 1)
	ctx, cancel := context.WithCancel(t.Context())
	waits := 0
	first := &turn{place: place, ctx: ctx, wait: func(bool) { waits++ }}
	second := &turn{place: place, ctx: ctx, wait: func(bool) { waits++ }}
	for range 2 {
		if err := first.take(); err != nil {
			t.Error(err)
		}
	}
	if waits != 2 { // it is told when one wait begins and when it ends
		t.Errorf("the first one waits %d times", waits)
	}
	got := make(chan error)
	go func() { got <- second.take() }()
	first.leave()
	if err := <-got; err != nil || !second.has || first.has {
		t.Errorf("the second one gets %v", err)
	}
	go func() { got <- first.take() }()
	cancel()
	if err := <-got; !errors.Is(err, errStopped) || first.has {
		t.Errorf("who gives up gets %v", err)
	}
	second.leave()
	second.leave()
	if len(place) != 0 {
		t.Error("the place is not free")
	}
}
