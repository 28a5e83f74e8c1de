package web

import (
	"net"
	"net/netip"
	"sync"
	"time"
)

// sourceOf gives whom an address and port stands for: an IPv4 address; of IPv6 the
// 64 bits that name a network, since a host there may take any of its addresses (RFC
// 4291, section 2.5.4; RFC 8981), but for link-local ones, whose network is the same
// for all. here is true of this computer's own loopback.
func sourceOf(addressPort string) (from netip.Prefix, here bool) {
	at, err := netip.ParseAddrPort(addressPort)
	if err != nil {
		return netip.Prefix{}, false
	}
	addr := at.Addr().WithZone("").Unmap()
	bits := addr.BitLen()
	if addr.Is6() && !addr.IsLinkLocalUnicast() && !addr.IsLoopback() {
		bits = 64
	}
	return netip.PrefixFrom(addr, bits).Masked(), addr.IsLoopback()
}

// bounded is a listener with so many connections at once; the next one waits. One
// address may hold so many of them, and what it opens beyond is closed.
type bounded struct {
	net.Listener
	places chan struct{}

	mu   sync.Mutex
	held map[netip.Prefix]int
}

func newBounded(on net.Listener) *bounded {
	return &bounded{Listener: on, places: make(chan struct{}, mostConnections), held: map[netip.Prefix]int{}}
}

func (b *bounded) Accept() (net.Conn, error) {
	b.places <- struct{}{}
	for {
		c, err := b.Listener.Accept()
		if err != nil {
			<-b.places
			return nil, err
		}
		from, here := sourceOf(c.RemoteAddr().String())
		if here || b.seat(from) {
			return &seated{Conn: c, leave: sync.OnceFunc(func() { b.leave(from, here) })}, nil
		}
		c.Close()
	}
}

// seat gives an address one more place, if it may have it.
func (b *bounded) seat(from netip.Prefix) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.held[from] >= mostOfOne {
		return false
	}
	b.held[from]++
	return true
}

func (b *bounded) leave(from netip.Prefix, here bool) {
	<-b.places
	if here {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.held[from]--; b.held[from] == 0 {
		delete(b.held, from)
	}
}

// seated is a connection that gives its place back.
type seated struct {
	net.Conn
	leave func()
}

func (p *seated) Close() error {
	p.leave()
	return p.Conn.Close()
}

// Bounds of guesses at the token. The least token that is taken has 16 characters: at
// this pace nobody comes far.
const (
	mostGuesses = 10 // wrong tokens of one address in guessSpan
	guessSpan   = time.Minute
	mostBraked  = 4096 // addresses that are remembered
)

// brake counts wrong tokens by where they come from. Its zero value is ready.
type brake struct {
	now func() time.Time // nil: time.Now

	mu   sync.Mutex
	from map[netip.Prefix]guesses
}

type guesses struct {
	count int
	until time.Time // when they are forgotten
}

func (b *brake) time() time.Time {
	if b.now != nil {
		return b.now()
	}
	return time.Now()
}

// judge takes a token that an address shows, right or wrong, and gives how long it has
// to wait before one of it counts again; 0: this one counts. The last wrong one that
// counts begins the wait.
func (b *brake) judge(from netip.Prefix, right bool) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.time()
	g, known := b.from[from]
	if !now.Before(g.until) {
		g = guesses{}
	}
	if g.count >= mostGuesses {
		return g.until.Sub(now)
	}
	if right {
		return 0
	}
	if !known {
		b.makeRoom(now)
	}
	if g.count++; g.count == 1 || g.count == mostGuesses {
		g.until = now.Add(guessSpan)
	}
	b.from[from] = g
	return 0
}

// makeRoom forgets what is over, and where that is nothing, what is over next. The
// lock is held.
func (b *brake) makeRoom(now time.Time) {
	if b.from == nil {
		b.from = map[netip.Prefix]guesses{}
	}
	if len(b.from) < mostBraked {
		return
	}
	var next netip.Prefix
	for from, g := range b.from {
		if !now.Before(g.until) {
			delete(b.from, from)
		} else if last, ok := b.from[next]; !ok || g.until.Before(last.until) {
			next = from
		}
	}
	if len(b.from) >= mostBraked {
		delete(b.from, next)
	}
}
