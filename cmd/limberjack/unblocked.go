package main

import (
	"io"
	"time"
)

// Bounds of an unblocked writer.
const (
	unblockedChunks = 4096
	unblockedFlush  = time.Second
)

// unblocked is a writer that never waits: what a slow reader has not taken stays in a
// queue, and what that cannot hold is left out. A stop must not wait for a pager.
type unblocked struct{ chunks chan chunk }

// chunk is text, or a question whether all before it was written.
type chunk struct {
	text []byte
	done chan struct{}
}

func newUnblocked(w io.Writer) *unblocked {
	u := &unblocked{make(chan chunk, unblockedChunks)}
	go func() {
		for c := range u.chunks {
			if c.done != nil {
				close(c.done)
				continue
			}
			w.Write(c.text) // who reads may be gone: that ends no motion
		}
	}()
	return u
}

func (u *unblocked) Write(p []byte) (int, error) {
	select {
	case u.chunks <- chunk{text: append([]byte(nil), p...)}:
	default:
	}
	return len(p), nil
}

// flush waits until all is written, or a second.
func (u *unblocked) flush() {
	done := make(chan struct{})
	over := time.After(unblockedFlush)
	select {
	case u.chunks <- chunk{done: done}:
	case <-over:
		return
	}
	select {
	case <-done:
	case <-over:
	}
}
