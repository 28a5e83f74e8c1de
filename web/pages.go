package web

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"sync"
	"time"
)

// Bounds of pages.
const (
	keyPatience   = 30 * time.Second // that a key counts after its socket: a write may be under way
	mostLeftPages = 1024             // that are remembered after their sockets
)

// seat is a page as it is known while its socket is open. Everyone may know its
// number; who has its key may write in its name.
type seat struct {
	number int
	sum    [sha256.Size]byte // of its key
	until  time.Time         // when the key ends; zero: its socket is open
}

// seats are the pages of a server. The zero value is ready.
type seats struct {
	now func() time.Time // nil: time.Now

	mu   sync.Mutex
	last int
	list []*seat // the oldest first
}

func (s *seats) time() time.Time {
	if s.now != nil {
		return s.now()
	}
	return time.Now()
}

// join takes a page in. leave says that its socket has closed.
func (s *seats) join() (number int, key string, leave func()) {
	key = rand.Text() // 128 random bits at least
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tidy()
	s.last++
	p := &seat{number: s.last, sum: sha256.Sum256([]byte(key))}
	s.list = append(s.list, p)
	return p.number, key, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		p.until = s.time().Add(keyPatience)
		s.tidy()
	}
}

// tidy forgets whose time is over, and where too many have left, the first of them.
// The lock is held.
func (s *seats) tidy() {
	now, left := s.time(), 0
	for _, p := range s.list {
		if !p.until.IsZero() {
			left++
		}
	}
	kept := s.list[:0]
	for _, p := range s.list {
		if !p.until.IsZero() && (left > mostLeftPages || !now.Before(p.until)) {
			left--
			continue
		}
		kept = append(kept, p)
	}
	clear(s.list[len(kept):])
	s.list = kept
}

// numberOf gives the number of the page that has a key; 0: none has. All keys are
// compared in constant time, so that how long it takes tells nothing of them.
func (s *seats) numberOf(key string) int {
	sum := sha256.Sum256([]byte(key))
	s.mu.Lock()
	defer s.mu.Unlock()
	now, number := s.time(), 0
	for _, p := range s.list {
		if subtle.ConstantTimeCompare(sum[:], p.sum[:]) == 1 && (p.until.IsZero() || now.Before(p.until)) {
			number = p.number
		}
	}
	return number
}
