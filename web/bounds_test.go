package web

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// Whom an address stands for. The addresses are those of documentation (RFC 5737, RFC
// 3849), link-local ones (RFC 4291, section 2.5.6) and mapped ones (section 2.5.5.2).
func TestSourceOf(t *testing.T) {
	for _, c := range []struct {
		at, from string
		here     bool
	}{
		{"192.0.2.7:4000", "192.0.2.7/32", false},
		{"[::ffff:192.0.2.7]:4000", "192.0.2.7/32", false},
		{"[2001:db8:1:2:3:4:5:6]:80", "2001:db8:1:2::/64", false},
		{"[2001:db8:1:2:ffff::1]:81", "2001:db8:1:2::/64", false},
		{"[fe80::1%eth0]:80", "fe80::1/128", false},
		{"127.0.0.1:80", "127.0.0.1/32", true},
		{"127.8.8.8:80", "127.8.8.8/32", true},
		{"[::1]:80", "::1/128", true},
		{"pipe", "invalid Prefix", false},
	} {
		if from, here := sourceOf(c.at); from.String() != c.from || here != c.here {
			t.Errorf("%s: %s %t", c.at, from, here)
		}
	}
}

// elsewhere is a listener to which all connections seem to come from an address.
type elsewhere struct {
	net.Listener
	from atomic.Pointer[net.TCPAddr]
}

func (e *elsewhere) Accept() (net.Conn, error) {
	c, err := e.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return foreign{c, e.from.Load()}, nil
}

type foreign struct {
	net.Conn
	from net.Addr
}

func (f foreign) RemoteAddr() net.Addr { return f.from }

// openElsewhere serves the small motion to an address of documentation.
func openElsewhere(t *testing.T) (*desk, *elsewhere) {
	t.Helper()
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	e := &elsewhere{Listener: on}
	e.from.Store(&net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 4000})
	return serveAt(t, e, small(t, nil), "wake.motion.yaml", nil), e
}

// One address holds no more connections than its share; others get theirs, and so
// does this one when it lets some go.
func TestMostOfOneAddress(t *testing.T) {
	d, e := openElsewhere(t)
	var all []*websocket.Conn
	defer func() {
		for _, c := range all {
			c.Close()
		}
	}()
	for len(all) < mostOfOne {
		c, _, err := d.dial()
		if err != nil {
			t.Fatalf("connection %d: %v", len(all), err)
		}
		all = append(all, c)
	}
	for range 200 {
		if c, got, err := d.dial(); err == nil || got != nil {
			c.Close()
			t.Fatalf("one more is taken: %v", got)
		}
	}
	e.from.Store(&net.TCPAddr{IP: net.IPv4(192, 0, 2, 8), Port: 4000})
	d.get("/api/project")
	e.from.Store(&net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 4000})
	for len(all) < mostOfOne+10 { // this computer's own have no share
		c, _, err := d.dial()
		if err != nil {
			t.Fatalf("connection %d: %v", len(all), err)
		}
		all = append(all, c)
	}
	e.from.Store(&net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 4000})
	all[0].Close()
	for begin := time.Now(); ; {
		c, _, err := d.dial()
		if err == nil {
			c.Close()
			return
		}
		if time.Since(begin) > waiting {
			t.Fatalf("there is no room after one has left: %v", err)
		}
	}
}

// Who sends no headers holds no place for long, whatever the address.
func TestManySilentConnections(t *testing.T) {
	d, e := openElsewhere(t)
	var all []net.Conn
	for range mostOfOne {
		c, err := net.Dial("tcp", d.host)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		all = append(all, c)
	}
	e.from.Store(&net.TCPAddr{IP: net.IPv4(192, 0, 2, 8), Port: 4000})
	d.get("/api/project")
	for i, c := range all {
		c.SetReadDeadline(time.Now().Add(waiting))
		if _, err := c.Read(make([]byte, 1)); err == nil || strings.Contains(err.Error(), "timeout") {
			t.Fatalf("connection %d: %v", i, err)
		}
	}
}

// clock is a time that a test sets.
type clock struct{ at atomic.Int64 }

func (c *clock) now() time.Time       { return time.Unix(1e9, c.at.Load()) }
func (c *clock) pass(d time.Duration) { c.at.Add(int64(d)) }
func (c *clock) rules(b *brake)       { b.mu.Lock(); defer b.mu.Unlock(); b.now = c.now }
func address(i int) netip.Prefix {
	return netip.PrefixFrom(netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}), 32)
}
func (b *brake) wrongs(from, count int) {
	for range count {
		b.judge(address(from), false)
	}
}

// A wrong token too many makes one address wait, for so long, and no other.
func TestBrake(t *testing.T) {
	var c clock
	b := &brake{now: c.now}
	b.wrongs(1, mostGuesses-1)
	if wait := b.judge(address(1), true); wait != 0 {
		t.Errorf("the right one after %d wrong ones waits %v", mostGuesses-1, wait)
	}
	c.pass(guessSpan - time.Second)
	b.wrongs(1, 1)
	for _, right := range []bool{false, true} {
		if wait := b.judge(address(1), right); wait != guessSpan {
			t.Errorf("after %d wrong ones it waits %v", mostGuesses, wait)
		}
	}
	if wait := b.judge(address(2), false); wait != 0 {
		t.Errorf("another address waits %v", wait)
	}
	c.pass(guessSpan - 1)
	if wait := b.judge(address(1), false); wait != 1 {
		t.Errorf("just before the end it waits %v", wait)
	}
	c.pass(1)
	b.wrongs(1, mostGuesses-1)
	if wait := b.judge(address(1), true); wait != 0 {
		t.Errorf("when it is over, it waits %v", wait)
	}
	c.pass(guessSpan)
	b.wrongs(1, mostGuesses-1) // the others are forgotten by now
	if wait := b.judge(address(1), true); wait != 0 {
		t.Errorf("slow guesses add up: %v", wait)
	}
}

// However many addresses guess, few are remembered, and those that wait keep waiting
// while there are others to forget.
func TestBrakeForgets(t *testing.T) {
	var c clock
	b := &brake{now: c.now}
	b.wrongs(0, 1)
	c.pass(time.Second)
	b.wrongs(1, mostGuesses)
	for i := 2; i < 2*mostBraked; i++ {
		b.wrongs(i, 1)
		if i == mostBraked && b.judge(address(1), true) == 0 {
			t.Error("who has to wait is forgotten before who does not")
		}
	}
	if len(b.from) > mostBraked {
		t.Errorf("%d addresses are remembered", len(b.from))
	}
	c.pass(2 * guessSpan)
	b.wrongs(0, 1)
	if len(b.from) != 1 {
		t.Errorf("%d addresses are remembered when all is over", len(b.from))
	}
}

// Who guesses too often is told when to ask again (RFC 6585, section 4; RFC 9110,
// section 10.2.3), and even the right token waits; who has the cookie does not.
func TestGuesses(t *testing.T) {
	const token = "lamp-oil-and-wick-7"
	d := openDesk(t, small(t, nil), "wake.motion.yaml", func(a *Access) { a.Token = token })
	var c clock
	c.rules(&d.server.brake)
	cookie, _, _ := strings.Cut(d.get("/?token="+token).header.Get("Set-Cookie"), ";")
	for i := range mostGuesses {
		if i%2 == 0 {
			d.ask("GET", fmt.Sprintf("/?token=lamp-oil-and-wick-%d", 10+i)).refusal(t, "no-token")
		} else {
			d.ask("GET", "/api/project", fmt.Sprintf("Authorization: Bearer lamp-oil-%d", i)).refusal(t, "no-token")
		}
	}
	c.pass(guessSpan / 4)
	for _, ask := range [][]string{{"/?token=" + token}, {"/?token=x"}, {"/api/project", "Authorization: Bearer " + token}} {
		a := d.ask("GET", ask[0], ask[1:]...)
		a.refusal(t, "too-many-guesses")
		if a.header.Get("Retry-After") != fmt.Sprint(guessSpan.Seconds()*3/4) || a.header.Get("Set-Cookie") != "" {
			t.Errorf("%s: %v", ask[0], a.header)
		}
	}
	d.ask("GET", "/").refusal(t, "no-token") // it has not guessed
	for _, ask := range [][]string{{"/"}, {"/api/project"}, {"/?token=x"}, {"/?token=" + token}, {"/api/project", "Authorization: Bearer x"}} {
		if a := d.ask("GET", ask[0], append(ask[1:], "Cookie: "+cookie)...); a.status != http.StatusOK {
			t.Errorf("%s with the cookie: %d", ask[0], a.status)
		}
	}
	c.pass(guessSpan * 3 / 4)
	d.get("/?token=" + token)
}
