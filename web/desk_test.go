package web

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// waiting is how long a test waits for what must happen: long, since the machine may
// be busy.
const waiting = 30 * time.Second

// desk is a served project in a folder of its own.
type desk struct {
	testing.TB
	dir     string
	project *Project
	server  *Server
	host    string // address and port
	scheme  string
	client  *http.Client
}

// example gives a copy of the example's folder.
func example(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../examples/lighthouse")); err != nil {
		t.Fatal(err)
	}
	return dir
}

// openDesk serves a file of a folder. change may change who has access.
func openDesk(t testing.TB, dir, file string, change func(*Access)) *desk {
	t.Helper()
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return serveAt(t, on, dir, file, change)
}

func serveAt(t testing.TB, on net.Listener, dir, file string, change func(*Access)) *desk {
	t.Helper()
	p, err := Open(dir, filepath.Join(dir, file), Options{Tell: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	a := Access{Names: []string{"localhost", "127.0.0.1", "::1"}, Port: on.Addr().(*net.TCPAddr).Port}
	if change != nil {
		change(&a)
	}
	d := &desk{TB: t, dir: dir, project: p, server: NewServer(p, a, t.Logf), host: on.Addr().String(), scheme: "http",
		client: &http.Client{Timeout: waiting, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	ctx, end := context.WithCancel(context.Background())
	served, followed := make(chan error, 1), make(chan struct{})
	go func() { served <- d.server.Serve(ctx, on) }()
	go func() { defer close(followed); p.Follow(ctx) }()
	t.Cleanup(func() {
		d.client.CloseIdleConnections()
		end()
		if err := <-served; err != nil {
			t.Errorf("the server ended with %v", err)
		}
		<-followed
		p.Close()
	})
	return d
}

// answer is what the server says to a request.
type answer struct {
	status int
	header http.Header
	body   []byte
}

// ask makes a request, with headers as "Name: value".
func (d *desk) ask(method, path string, headers ...string) answer {
	d.Helper()
	r, err := http.NewRequest(method, d.scheme+"://"+d.host+path, nil)
	if err != nil {
		d.Fatal(err)
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		if name == "Host" {
			r.Host = value
		} else {
			r.Header.Add(name, value)
		}
	}
	return d.do(r)
}

func (d *desk) do(r *http.Request) answer {
	d.Helper()
	got, err := d.client.Do(r)
	if err != nil {
		d.Fatal(err)
	}
	defer got.Body.Close()
	body, err := io.ReadAll(got.Body)
	if err != nil {
		d.Fatal(err)
	}
	return answer{got.StatusCode, got.Header, body}
}

// get asks for something that must be there.
func (d *desk) get(path string) answer {
	d.Helper()
	a := d.ask("GET", path)
	if a.status != http.StatusOK {
		d.Fatalf("%s: %d %s", path, a.status, a.body)
	}
	return a
}

// refusal reads an answer as problem details of a type.
func (a answer) refusal(t testing.TB, name string) details {
	t.Helper()
	f, ok := faultNamed(name)
	if !ok {
		t.Fatalf("there is no fault %s", name)
	}
	var d details
	if err := json.Unmarshal(a.body, &d); err != nil {
		t.Fatalf("%d %s: %v", a.status, a.body, err)
	}
	// RFC 9457, section 3: the media type, and a status member that repeats the status.
	if a.status != f.status || a.header.Get("Content-Type") != "application/problem+json" || d.Type != "/problems/"+name || d.Status != f.status || d.Title != f.title || d.Detail == "" {
		t.Errorf("%d %s %s\nwant %d and /problems/%s", a.status, a.header.Get("Content-Type"), a.body, f.status, name)
	}
	if a.header.Get("ETag") != "" || a.header.Get("Cache-Control") != "no-store" {
		t.Errorf("a refusal may be kept: %v", a.header)
	}
	return d
}

// write gives a file of the desk a text, as an editor does that writes another file
// and renames it.
func (d *desk) write(name, text string) {
	d.Helper()
	file := filepath.Join(d.dir, name)
	if err := os.WriteFile(file+"~", []byte(text), 0o644); err != nil {
		d.Fatal(err)
	}
	if err := os.Rename(file+"~", file); err != nil {
		d.Fatal(err)
	}
}

// edit replaces a text in a file of the desk, in place.
func (d *desk) edit(name, from, to string) {
	d.Helper()
	file := filepath.Join(d.dir, name)
	text, err := os.ReadFile(file)
	if err != nil || !strings.Contains(string(text), from) {
		d.Fatalf("%s has no %q (%v)", name, from, err)
	}
	if err := os.WriteFile(file, []byte(strings.Replace(string(text), from, to, 1)), 0o644); err != nil {
		d.Fatal(err)
	}
}

// dial opens the socket, with headers as in ask.
func (d *desk) dial(headers ...string) (*websocket.Conn, *http.Response, error) {
	h := http.Header{}
	for _, line := range headers {
		name, value, _ := strings.Cut(line, ": ")
		h.Add(name, value)
	}
	return websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.scheme, "http")+"://"+d.host+socketPath, h)
}

// ear hears what the socket tells.
type ear struct {
	*desk
	conn *websocket.Conn
}

func (d *desk) listen() ear {
	d.Helper()
	c, _, err := d.dial("Origin: " + d.scheme + "://" + d.host)
	if err != nil {
		d.Fatal(err)
	}
	d.Cleanup(func() { c.Close() })
	return ear{d, c}
}

// until waits for a listing that is as it should be.
func (e ear) until(what string, good func(listing) bool) listing {
	e.Helper()
	e.conn.SetReadDeadline(time.Now().Add(waiting))
	var last []byte
	for {
		_, body, err := e.conn.ReadMessage()
		if err != nil {
			e.Fatalf("%s: %v; the last was %s", what, err, last)
		}
		last = body
		var m struct {
			Type    string
			Project listing
		}
		if err := json.Unmarshal(body, &m); err != nil || !slices.Contains([]string{"hello", "project", "rehearsal", "proposal"}, m.Type) {
			e.Fatalf("%s: %v", body, err)
		}
		if m.Type == "project" && good(m.Project) {
			return m.Project
		}
	}
}

// settled says that every motion is in a state.
func settled(state string) func(listing) bool {
	return func(l listing) bool {
		for _, m := range l.Motions {
			if m.State != state {
				return false
			}
		}
		return len(l.Motions) > 0
	}
}

// scoreOf reads a score.
func (d *desk) scoreOf(name string) Score {
	d.Helper()
	var s Score
	if err := json.Unmarshal(d.get("/api/motions/"+name+"/score").body, &s); err != nil {
		d.Fatal(err)
	}
	return s
}

// UnmarshalJSON reads null as it is written for what is not finite.
func (f *figure) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		return nil
	}
	_, err := fmt.Sscan(string(b), (*float64)(f))
	return err
}

// end reads until the socket ends, and gives why it did.
func (e ear) end() error {
	e.conn.SetReadDeadline(time.Now().Add(waiting))
	for {
		if _, _, err := e.conn.ReadMessage(); err != nil {
			return err
		}
	}
}
