package rehearse

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"limberjack/transport/live"
)

// TestReach holds to where a page may have this computer connect: nothing else is opened, and
// no machine elsewhere hears of it. Addresses that nobody answers at are those of RFC 5737
// (192.0.2.0/24) and RFC 3849 (2001:db8::/32), which are set apart for examples.
func TestReach(t *testing.T) {
	dir := t.TempDir()
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := reach{given: map[string]string{"main": secret, "moon": "ws://192.0.2.7/"}, ports: func() ([]live.Port, error) {
		return []live.Port{{Path: "/dev/limberjack-none-1"}, {Path: "/dev/limberjack-none-2"}}, nil
	}}
	for _, c := range []struct{ at, says string }{
		{"/etc/passwd", "is no serial port of this computer, which has /dev/limberjack-none-1, /dev/limberjack-none-2"},
		{secret + "x", "--board NAME=" + secret + "x"},
		{"/dev/null", "is no serial port"},
		{"/dev/limberjack-none-1/../null", "is no serial port"},
		{"keeper.local:8090", "is no serial port"},
		{"ws://192.0.2.1/", "neither this computer nor in a network of its own"},
		{"ws://[2001:db8::1]:80/", "--board NAME=ws://[2001:db8::1]:80/"},
		{"wss://192.0.2.1/", "neither this computer nor in a network of its own"},
		{"http://127.0.0.1/", "begins with ws:// or wss://"},
		{"file:///etc/passwd", "begins with ws:// or wss://"},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		_, err := r.dial(ctx, live.Place{At: c.at, Baud: 9600})
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.at, err)
		}
		if ctx.Err() != nil {
			t.Errorf("%s is tried: %v", c.at, err)
		}
		cancel()
	}
	// A port that is listed, and a place that was given, are tried.
	for _, at := range []string{"/dev/limberjack-none-1", secret} {
		var e *live.LinkError
		if _, err := r.dial(t.Context(), live.Place{At: at, Baud: 9600}); !errors.As(err, &e) {
			t.Errorf("%s is not tried: %v", at, err)
		}
	}
	// So is an address of this computer, by number and by name.
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	asked := make(chan bool, 8)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			asked <- true
			c.Close()
		}
	}()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	for _, host := range []string{"127.0.0.1", "localhost"} {
		if _, err := r.dial(t.Context(), live.Place{At: "ws://" + net.JoinHostPort(host, port) + "/"}); err == nil {
			t.Errorf("%s: a board answers", host)
		}
		select {
		case <-asked:
		case <-time.After(10 * time.Second):
			t.Errorf("%s is not tried", host)
		}
	}
}

// TestListed: a link to a port is the port, where the system keeps such links.
func TestListed(t *testing.T) {
	dir := t.TempDir()
	port := filepath.Join(dir, "ttyX")
	link := filepath.Join(dir, "by-id")
	if err := errors.Join(os.WriteFile(port, nil, 0o600), os.Symlink(port, link)); err != nil {
		t.Fatal(err)
	}
	ports := []live.Port{{Path: port}}
	if !listed(port, ports) || listed(link, ports) || listed(dir, ports) {
		t.Error("a link that anybody may have made counts, or the port does not")
	}
}
