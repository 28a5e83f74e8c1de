package web

import (
	"bufio"
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// Every address answers, with its type and the headers that a page needs to be safe.
func TestAddresses(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	d.scoreOf("greet") // now it is known
	for _, c := range []struct{ path, kind, begins string }{
		{"/", "text/html; charset=utf-8", "<!doctype html>"},
		{"/page/main.js", "text/javascript; charset=utf-8", ""}, // RFC 9239
		{"/page/style.css", "text/css; charset=utf-8", ""},
		{"/favicon.ico", "image/svg+xml", ""}, // SVG 2, appendix "Media Type Registration"
		{"/api/project", "application/json", `{"title":"The keeper greets a boat","kind":"motion","file":"greet.motion.yaml"`},
		{"/api/motions/greet/score", "application/json", `{"name":"greet","title":"The keeper greets a boat"`},
		{"/api/motions/greet/curves", "application/octet-stream", "LJCV\x01\x00\x00\x00"},
		{"/api/motions/greet/sound", "audio/wav", "RIFF"},
		{"/api/motions/greet/waveform", "application/octet-stream", "LJWF\x01\x00\x00\x00"},
		{"/problems/wrong-host", "text/plain; charset=utf-8", "This server does not answer"},
	} {
		t.Run(c.path, func(t *testing.T) {
			a := d.get(c.path)
			if a.header.Get("Content-Type") != c.kind || !bytes.HasPrefix(a.body, []byte(c.begins)) {
				t.Errorf("%s: %.80q", a.header.Get("Content-Type"), a.body)
			}
			checkHeaders(t, a.header)
			head := d.ask("HEAD", c.path)
			// RFC 9110, section 9.3.2: HEAD is GET without the content.
			if head.status != 200 || len(head.body) != 0 || head.header.Get("Content-Type") != c.kind {
				t.Errorf("HEAD: %d %q", head.status, head.body)
			}
		})
	}
}

// checkHeaders holds what every answer must have: Content Security Policy Level 3
// without inline script or style, Fetch ("nosniff", Cross-Origin-Resource-Policy),
// HTML (opener and embedder policy), Referrer Policy.
func checkHeaders(t *testing.T, h http.Header) {
	t.Helper()
	for name, want := range map[string]string{
		"Content-Security-Policy":      "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; media-src 'self' blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
		"X-Content-Type-Options":       "nosniff",
		"Referrer-Policy":              "no-referrer",
		"Cross-Origin-Resource-Policy": "same-origin",
		"Cross-Origin-Opener-Policy":   "same-origin",
		"Cross-Origin-Embedder-Policy": "require-corp",
	} {
		if h.Get(name) != want {
			t.Errorf("%s is %q", name, h.Get(name))
		}
	}
	if !strings.Contains(h.Get("Permissions-Policy"), "camera=()") {
		t.Errorf("Permissions-Policy is %q", h.Get("Permissions-Policy"))
	}
	if h.Get("Access-Control-Allow-Origin") != "" {
		t.Error("another origin may read this")
	}
}

// What has an entity tag is not sent again to who has it (RFC 9110, section 13.1.2).
func TestEntityTags(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	for _, path := range []string{"/", "/page/main.js", "/api/project", "/api/motions/greet/score", "/api/motions/greet/curves", "/api/motions/greet/sound", "/api/motions/greet/waveform"} {
		tag := d.get(path).header.Get("ETag")
		if len(tag) < 10 || tag[0] != '"' {
			t.Errorf("%s has the tag %s", path, tag)
		}
		if a := d.ask("GET", path, "If-None-Match: "+tag); a.status != http.StatusNotModified || len(a.body) > 0 {
			t.Errorf("%s: %d with the tag %s", path, a.status, tag)
		}
		if cache := d.get(path).header.Get("Cache-Control"); cache != "no-cache" {
			t.Errorf("%s: Cache-Control is %q", path, cache)
		}
	}
	if s := d.scoreOf("greet"); d.get("/api/motions/greet/score").header.Get("ETag") != `"`+s.Revision+`"` {
		t.Error("the tag of a score is not its revision")
	}
}

// What is not in order is refused, with problem details (RFC 9457).
func TestRefusals(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	port := d.host[strings.LastIndex(d.host, ":"):]
	for _, c := range []struct {
		name, method, path string
		headers            []string
		want               string
	}{
		// DNS rebinding: a name that somebody else pointed here. RFC 9110, sections 7.4 and 15.5.20.
		{"foreign host", "GET", "/", []string{"Host: evil.example" + port}, "wrong-host"},
		{"foreign host without a port", "GET", "/", []string{"Host: evil.example"}, "wrong-host"},
		{"own host at another port", "GET", "/", []string{"Host: 127.0.0.1:1"}, "wrong-host"},
		{"own host without a port", "GET", "/", []string{"Host: 127.0.0.1"}, "wrong-host"},
		{"own name as a part", "GET", "/", []string{"Host: localhost.evil.example" + port}, "wrong-host"},
		{"own name with a dot", "GET", "/", []string{"Host: localhost." + port}, "wrong-host"},
		{"another loopback address", "GET", "/", []string{"Host: 127.0.0.2" + port}, "wrong-host"},
		{"an address as a number", "GET", "/", []string{"Host: 2130706433" + port}, "wrong-host"},
		{"user in the host", "GET", "/", []string{"Host: 127.0.0.1@evil.example" + port}, "wrong-host"},
		// Cross-site requests: RFC 6454 (Origin), Fetch Metadata Request Headers.
		{"foreign origin", "GET", "/api/project", []string{"Origin: http://evil.example"}, "wrong-origin"},
		{"no origin at all", "GET", "/api/project", []string{"Origin: null"}, "wrong-origin"},
		{"own address at another port", "GET", "/api/project", []string{"Origin: http://127.0.0.1:1"}, "wrong-origin"},
		{"another scheme", "GET", "/api/project", []string{"Origin: https://" + d.host}, "wrong-origin"},
		{"origin as a part", "GET", "/api/project", []string{"Origin: http://" + d.host + ".evil.example"}, "wrong-origin"},
		{"two origins", "GET", "/api/project", []string{"Origin: http://" + d.host, "Origin: http://evil.example"}, "wrong-origin"},
		{"foreign page loads data", "GET", "/api/project", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Dest: image"}, "wrong-origin"},
		{"page at another port loads data", "GET", "/api/project", []string{"Sec-Fetch-Site: same-site"}, "wrong-origin"},
		{"foreign page frames", "GET", "/", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Dest: iframe"}, "wrong-origin"},
		{"foreign page posts", "POST", "/", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Dest: document"}, "wrong-origin"},
		{"foreign page opens a socket", "GET", "/api/socket", []string{"Origin: http://evil.example", "Connection: Upgrade", "Upgrade: websocket", "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA=="}, "wrong-origin"},
		// Methods: RFC 9110, section 15.5.6.
		{"post", "POST", "/api/project", []string{"Origin: http://" + d.host}, "wrong-method"},
		{"put", "PUT", "/api/motions/greet/score", nil, "wrong-method"},
		{"delete", "DELETE", "/", []string{"Origin: http://" + d.host}, "wrong-method"},
		{"options", "OPTIONS", "/api/project", nil, "wrong-method"},
		{"a word of one's own", "BREW", "/page/main.js", nil, "wrong-method"},
		// Paths.
		{"unknown", "GET", "/api/nothing", nil, "not-found"},
		{"a file of the project", "GET", "/greet.motion.yaml", nil, "not-found"},
		{"a file that is no page", "GET", "/page/nothing.js", nil, "not-found"},
		{"a folder of the page", "GET", "/page/sheet", nil, "not-found"},
		{"a folder of the page with a slash", "GET", "/page/sheet/", nil, "not-found"},
		{"the page's folder", "GET", "/page", nil, "not-found"},
		{"the page's folder with a slash", "GET", "/page/", nil, "not-found"},
		{"a motion's folder", "GET", "/api/motions/greet", nil, "not-found"},
		{"a part with a slash", "GET", "/api/motions/greet/score/", nil, "not-found"},
		{"the source", "GET", "/page/server.go", nil, "not-found"},
		{"a motion that is not there", "GET", "/api/motions/gret/score", nil, "no-such-motion"},
		{"a motion by its file", "GET", "/api/motions/greet.motion.yaml/score", nil, "no-such-motion"},
		{"an unknown problem", "GET", "/problems/none", nil, "not-found"},
		{"too long", "GET", "/page/" + strings.Repeat("a", 2048), nil, "too-long"},
		{"a long query", "GET", "/api/project?" + strings.Repeat("a", 2048), nil, "too-long"},
		{"no socket", "GET", "/api/socket", nil, "no-upgrade"},
		{"half a socket", "GET", "/api/socket", []string{"Connection: Upgrade", "Upgrade: websocket", "Sec-WebSocket-Version: 12"}, "no-upgrade"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := d.ask(c.method, c.path, c.headers...)
			a.refusal(t, c.want)
			checkHeaders(t, a.header)
			if c.want == "wrong-method" && a.header.Get("Allow") == "" {
				t.Error("a 405 must have Allow (RFC 9110, section 15.5.6)")
			}
		})
	}
}

// Steps out of the page's folder are refused in every spelling, as they come over
// the wire: no client tidies them.
func TestPathsOut(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	for _, path := range []string{
		"/page/../server.go", "/page/../../etc/passwd", "/page/%2e%2e/server.go", "/page/%2E%2e/%2e%2E/etc/passwd", "/page/..%2fserver.go",
		"/page/..%5cserver.go", `/page/..\server.go`, "/page//etc/passwd", "//etc/passwd", "/page/./main.js", "/page/main.js%00.css", "/page/%252e%252e/server.go",
		"/../etc/passwd", "/api/motions/../project", "/api/motions/%2e%2e/score", "/api/motions/..%2f..%2fetc%2fpasswd/sound", "/page/%c0%ae%c0%ae/server.go",
	} {
		status, body := d.raw("GET " + path + " HTTP/1.1\r\nHost: " + d.host + "\r\nConnection: close\r\n\r\n")
		if status != 400 && status != 404 {
			t.Errorf("%s: %d %s", path, status, body)
		}
		if !strings.Contains(body, `"type":"/problems/`) {
			t.Errorf("%s is answered by %s", path, body)
		}
	}
}

// raw sends bytes as they are and gives status and content of the answer.
func (d *desk) raw(request string) (status int, body string) {
	d.Helper()
	c, err := net.Dial("tcp", d.host)
	if err != nil {
		d.Fatal(err)
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(waiting))
	go io.WriteString(c, request) // the server may answer and close before it has read all
	got, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		d.Fatalf("%.60q: %v", request, err)
	}
	defer got.Body.Close()
	text, _ := io.ReadAll(got.Body)
	return got.StatusCode, string(text)
}

// Requests that are larger than any that the page makes are refused.
func TestSizes(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	head := "Host: " + d.host + "\r\nConnection: close\r\n"
	for _, c := range []struct {
		name, request string
		status        int
	}{
		{"a body", "GET /api/project HTTP/1.1\r\n" + head + "Content-Length: 4097\r\n\r\n" + strings.Repeat("a", 4097), 413},
		{"a body that is said to be huge", "GET /api/project HTTP/1.1\r\n" + head + "Content-Length: 999999999999\r\n\r\n", 413},
		{"a body of unknown length", "GET /api/project HTTP/1.1\r\n" + head + "Transfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n0\r\n\r\n", 411}, // RFC 9110, section 15.5.12
		{"headers that just do", "GET /api/project HTTP/1.1\r\n" + head + strings.Repeat("X-A: "+strings.Repeat("a", 995)+"\r\n", 16) + "\r\n", 200},
		{"headers that just do not", "GET /api/project HTTP/1.1\r\n" + head + strings.Repeat("X-A: "+strings.Repeat("a", 995)+"\r\n", 17) + "\r\n", 431},
		{"all of the server", "OPTIONS * HTTP/1.1\r\n" + head + "\r\n", 400},
		{"a coding that nobody knows", "GET /api/project HTTP/1.1\r\n" + head + "Transfer-Encoding: gzip\r\n\r\n", 501},                  // RFC 9112, section 6.1
		{"an expectation that nobody knows", "GET /api/project HTTP/1.1\r\n" + head + "Expect: tea\r\n\r\n", 417},                        // RFC 9110, section 10.1.1
		{"headers", "GET /api/project HTTP/1.1\r\n" + head + strings.Repeat("X-A: "+strings.Repeat("a", 1000)+"\r\n", 40) + "\r\n", 431}, // RFC 6585, section 5
		{"an address", "GET /" + strings.Repeat("a", 4000) + " HTTP/1.1\r\n" + head + "\r\n", 414},
		{"no host", "GET / HTTP/1.1\r\nConnection: close\r\n\r\n", 400}, // RFC 9112, section 3.2
		{"two hosts", "GET / HTTP/1.1\r\nHost: " + d.host + "\r\nHost: evil.example\r\nConnection: close\r\n\r\n", 400},
		{"an address with a foreign host", "GET http://evil.example/ HTTP/1.1\r\n" + head + "\r\n", 421},
		{"nothing that is HTTP", "\x16\x03\x01\x02\x00\x01\x00\r\n\r\n", 400},
	} {
		t.Run(c.name, func(t *testing.T) {
			if status, body := d.raw(c.request); status != c.status {
				t.Errorf("%d %.200s", status, body)
			}
		})
	}
	d.get("/api/project")
}

// A token is shown once, in the link; then a cookie stands for it (RFC 6265).
func TestToken(t *testing.T) {
	const token = "lamp-oil-and-wick-7"
	d := openDesk(t, example(t), "greet.motion.yaml", func(a *Access) { a.Token = token })
	for _, c := range []struct {
		name, path string
		headers    []string
		status     int
	}{
		{"none", "/", nil, 401},
		{"none for data", "/api/project", nil, 401},
		{"none for a module", "/page/main.js", nil, 401},
		{"a wrong one", "/?token=lamp-oil-and-wick-8", nil, 401},
		{"its beginning", "/?token=lamp-oil-and-wick", nil, 401},
		{"an empty one", "/?token=", nil, 401},
		{"the right one in the link", "/?token=" + token, nil, 200},
		{"the right one elsewhere", "/api/project?token=" + token, nil, 401},
		{"the right one as a bearer", "/api/project", []string{"Authorization: Bearer " + token}, 200}, // RFC 6750, section 2.1
		{"a wrong bearer", "/api/project", []string{"Authorization: Bearer x"}, 401},
		{"the token as a cookie", "/api/project", []string{"Cookie: " + d.server.cookieName() + "=" + token}, 401},
		{"an empty cookie", "/api/project", []string{"Cookie: " + d.server.cookieName() + "="}, 401},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := d.ask("GET", c.path, c.headers...)
			if a.status != c.status {
				t.Fatalf("%d %s", a.status, a.body)
			}
			if a.status == 401 {
				a.refusal(t, "no-token")
				if a.header.Get("WWW-Authenticate") == "" {
					t.Error("a 401 must have WWW-Authenticate (RFC 9110, section 15.5.2)")
				}
				if a.header.Get("Set-Cookie") != "" {
					t.Error("who has no token gets a cookie")
				}
			}
		})
	}
	welcome := d.ask("GET", "/?token="+token)
	cookie := welcome.header.Get("Set-Cookie")
	for _, want := range []string{"SameSite=Strict", "HttpOnly", "Path=/"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("the cookie %q lacks %s", cookie, want)
		}
	}
	if strings.Contains(cookie, token) || bytes.Contains(welcome.body, []byte(token)) {
		t.Error("the token is told again")
	}
	pair, _, _ := strings.Cut(cookie, ";")
	for _, path := range []string{"/", "/api/project", "/page/main.js", "/api/motions/greet/score"} {
		if a := d.ask("GET", path, "Cookie: "+pair); a.status != 200 {
			t.Errorf("%s with the cookie: %d %s", path, a.status, a.body)
		}
	}
	if _, got, err := d.dial("Origin: http://" + d.host); err == nil || got.StatusCode != 401 {
		t.Errorf("the socket opens without the cookie: %v", err)
	}
	c, _, err := d.dial("Origin: http://"+d.host, "Cookie: "+pair)
	if err != nil {
		t.Fatalf("the socket does not open with the cookie: %v", err)
	}
	c.Close()
}

func TestCheckToken(t *testing.T) {
	for token, good := range map[string]bool{"lamp-oil-and-wick-7": true, NewToken(): true, "short": false, "": false, "fifteen-letters": false,
		"lamp oil and wick": false, "lamp-oil-and-wick&x=1": false, "lámpara-y-mecha-7": false, strings.Repeat("a", 129): false} {
		if err := CheckToken(token); (err == nil) != good {
			t.Errorf("%q: %v", token, err)
		}
	}
	if a, b := NewToken(), NewToken(); a == b || len(a) < 26 { // 26 letters of 5 bits: 130 bits
		t.Errorf("the tokens %s and %s are made", a, b)
	}
}

// selfSigned makes a certificate for 127.0.0.1.
func selfSigned(t *testing.T) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, &template, &template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

// Over TLS the cookie is for TLS only, and the origin is https.
func TestTLS(t *testing.T) {
	plain, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	pair := selfSigned(t)
	on := tls.NewListener(plain, &tls.Config{Certificates: []tls.Certificate{pair}, NextProtos: []string{"http/1.1"}})
	const token = "lamp-oil-and-wick-7"
	d := serveAt(t, on, example(t), "greet.motion.yaml", func(a *Access) { a.Token, a.TLS = token, true })
	roots := x509.NewCertPool()
	leaf, err := x509.ParseCertificate(pair.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	roots.AddCert(leaf)
	d.scheme, d.client.Transport = "https", &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}}
	cookie := d.ask("GET", "/?token="+token).header.Get("Set-Cookie")
	// RFC 6265bis, section 4.1.3.2: the prefix binds the cookie to this host and to TLS.
	if !strings.HasPrefix(cookie, "__Host-") || !strings.Contains(cookie, "Secure") {
		t.Errorf("the cookie is %q", cookie)
	}
	value, _, _ := strings.Cut(cookie, ";")
	if a := d.ask("GET", "/api/project", "Cookie: "+value, "Origin: https://"+d.host); a.status != 200 {
		t.Errorf("the page's own origin: %d %s", a.status, a.body)
	}
	d.ask("GET", "/api/project", "Cookie: "+value, "Origin: http://"+d.host).refusal(t, "wrong-origin")
	dialer := websocket.Dialer{TLSClientConfig: &tls.Config{RootCAs: roots}}
	c, _, err := dialer.Dial("wss://"+d.host+socketPath, http.Header{"Cookie": {value}, "Origin": {"https://" + d.host}})
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
}

// A server at all addresses answers by the one at which it was reached.
func TestAnyAddress(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", func(a *Access) { a.Names, a.AnyAddress = []string{"stage.local"}, true })
	d.get("/api/project")
	port := d.host[strings.LastIndex(d.host, ":"):]
	if a := d.ask("GET", "/api/project", "Host: STAGE.local"+port); a.status != 200 {
		t.Errorf("by its name: %d", a.status)
	}
	d.ask("GET", "/api/project", "Host: 192.0.2.7"+port).refusal(t, "wrong-host")
	d.ask("GET", "/api/project", "Host: localhost"+port).refusal(t, "wrong-host")
}

// The socket tells the project at once; what a page sends to it ends it (RFC 6455,
// section 7.4.1: 1008 for a message against the rules, 1009 for one too big).
func TestSocket(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	for _, c := range []struct {
		name string
		kind int
		size int
		code int
	}{
		{"a word", websocket.TextMessage, 5, websocket.ClosePolicyViolation},
		{"bytes", websocket.BinaryMessage, 4096, websocket.ClosePolicyViolation},
		{"nothing", websocket.TextMessage, 0, websocket.ClosePolicyViolation},
		{"too much", websocket.TextMessage, 4097, websocket.CloseMessageTooBig},
		{"far too much", websocket.BinaryMessage, 1 << 20, websocket.CloseMessageTooBig},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := d.listen()
			e.until("the first word", settled(stateGood))
			go e.conn.WriteMessage(c.kind, make([]byte, c.size))
			err := e.end()
			var closed *websocket.CloseError
			if !errors.As(err, &closed) || closed.Code != c.code {
				t.Errorf("it ends with %v, not %d", err, c.code)
			}
		})
	}
}

// A socket ends with 1001 when the server does (RFC 6455, section 7.4.1).
func TestSocketEnds(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	e := d.listen()
	e.until("the first word", settled(stateGood))
	d.server.Close()
	if err := e.end(); !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("it ends with %v", err)
	}
}

// Fifty pages that take nothing keep neither the files from being followed nor
// another page from its news, however long the news are.
func TestSlowClients(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	for range 50 {
		c := d.deaf()
		defer c.Close()
	}
	e := d.listen()
	e.until("the start", settled(stateGood))
	var wrong strings.Builder // 200 problems, the most that are told of a file
	for i := range 300 {
		fmt.Fprintf(&wrong, "  unknown-%d-%s: [[0s, 0]]\n", i, strings.Repeat("x", 40))
	}
	for i := range 15 {
		d.write("wake.motion.yaml", smallMotion+wrong.String())
		if l := e.until("broken", settled(stateBroken)); len(l.Problems) < 200 {
			t.Fatalf("%d problems", len(l.Problems))
		}
		title := fmt.Sprintf("Take %d", i)
		d.write("wake.motion.yaml", strings.Replace(smallMotion, "The gull wakes", title, 1))
		e.until(title, func(l listing) bool { return l.Title == title && settled(stateGood)(l) })
	}
}

// Who does not listen for a while hears the newest only.
func TestNewestOnly(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	e := d.listen()
	e.until("the start", settled(stateGood))
	news, leave := d.project.Hear()
	defer leave()
	for i := range 5 {
		title := fmt.Sprintf("Take %d", i)
		d.write("wake.motion.yaml", strings.Replace(smallMotion, "The gull wakes", title, 1))
		e.until(title, func(l listing) bool { return l.Title == title && settled(stateGood)(l) })
	}
	if got := <-news; !bytes.Contains(got, []byte("Take 4")) {
		t.Errorf("what is heard is %s", got)
	}
	select {
	case more := <-news:
		t.Errorf("there is more: %s", more)
	default:
	}
}

// deaf opens a socket and then reads nothing. Its buffer for what arrives is small.
func (d *desk) deaf() net.Conn {
	d.Helper()
	c, err := net.Dial("tcp", d.host)
	if err != nil {
		d.Fatal(err)
	}
	c.(*net.TCPConn).SetReadBuffer(1024)
	fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: %s\r\nConnection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n", socketPath, d.host)
	c.SetReadDeadline(time.Now().Add(waiting))
	if _, err := io.ReadFull(c, make([]byte, len("HTTP/1.1 101"))); err != nil {
		d.Fatal(err)
	}
	return c
}

// More pages than there is room for are told so, and one that leaves makes room.
func TestMostSockets(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	var all []*websocket.Conn
	defer func() {
		for _, c := range all {
			c.Close()
		}
	}()
	for len(all) < mostSockets {
		c, _, err := d.dial()
		if err != nil {
			t.Fatalf("socket %d: %v", len(all), err)
		}
		all = append(all, c)
	}
	_, got, err := d.dial()
	if err == nil || got.StatusCode != http.StatusServiceUnavailable || got.Header.Get("Retry-After") == "" {
		t.Fatalf("one more: %v", err)
	}
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

// A connection that sends its headers drop by drop is closed, and the others are
// answered meanwhile.
func TestSlowHeaders(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	c, err := net.Dial("tcp", d.host)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	io.WriteString(c, "GET / HTTP/1.1\r\nHost: "+d.host+"\r\nX-Slow: ")
	d.get("/api/project")
	c.SetReadDeadline(time.Now().Add(waiting))
	if _, err := io.Copy(io.Discard, c); errors.Is(err, os.ErrDeadlineExceeded) {
		t.Error("the connection is still open")
	}
}

// Many may ask at once, and each gets the same.
func TestManyAtOnce(t *testing.T) {
	d := openDesk(t, example(t), "keeper.show.yaml", nil)
	want := map[string][]byte{}
	paths := []string{"/api/motions/greet/curves", "/api/motions/watch/curves", "/api/motions/greet/sound", "/api/motions/greet/waveform", "/api/motions/watch/score"}
	for _, p := range paths {
		want[p] = d.get(p).body
	}
	var wait sync.WaitGroup
	for i := range 60 {
		wait.Go(func() {
			p := paths[i%len(paths)]
			if a := d.ask("GET", p); a.status != 200 || !bytes.Equal(a.body, want[p]) {
				t.Errorf("%s: %d, %d bytes", p, a.status, len(a.body))
			}
		})
	}
	wait.Wait()
}

// FuzzHost: what is taken for a host is one that the header may hold, whole.
func FuzzHost(f *testing.F) {
	for _, s := range []string{"127.0.0.1:80", "localhost", "[::1]:8080", "[::1", "a:b", ":1", "[fe80::1%25eth0]:1", "a@b:1", "[::ffff:1.2.3.4]:9", "evil.example:", "[]:1", "[127.0.0.1]:1", "a:1:2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		host, port, ok := splitHost(s)
		if !ok {
			return
		}
		if host == "" || strings.ContainsAny(host, "/\\@?#% []") {
			t.Errorf("%q has the host %q", s, host)
		}
		if port != "" {
			if _, err := strconv.ParseUint(port, 10, 32); err != nil {
				t.Errorf("%q has the port %q", s, port)
			}
		}
		if strings.Contains(host, ":") {
			if _, _, err := net.SplitHostPort("[" + host + "]:1"); err != nil || net.ParseIP(host) == nil {
				t.Errorf("%q has the address %q", s, host)
			}
		}
	})
}

// FuzzPath: a path that is in order stays where it is, whoever reads it.
func FuzzPath(f *testing.F) {
	for _, s := range []string{"/", "/page/main.js", "/page/../x", "/page/%2e%2e/x", "/a//b", "/a\\b", "/a/.", "a"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if !inOrder(s) {
			return
		}
		if s[0] != '/' || strings.Contains(s, "/../") || strings.HasSuffix(s, "/..") || strings.ContainsAny(s, "\\\x00") {
			t.Errorf("%q is taken", s)
		}
		for part := range strings.SplitSeq(s[1:], "/") {
			if part == ".." || part == "." || part == "" && s != "/" && !strings.HasSuffix(s, "/") {
				t.Errorf("%q is taken", s)
			}
		}
	})
}

// The bytes of a curve body are what web/API.md says.
func curvesOf(t testing.TB, body []byte) (rate float64, curves [][]float32) {
	t.Helper()
	var head struct {
		Magic          [4]byte
		Version, Zero  uint16
		Rate           float64
		Samples, Count uint32
	}
	if err := binary.Read(bytes.NewReader(body), binary.LittleEndian, &head); err != nil || string(head.Magic[:]) != "LJCV" || head.Version != 1 || head.Zero != 0 {
		t.Fatalf("the head is %+v (%v)", head, err)
	}
	if len(body) != curveHead+int(4*head.Samples*head.Count) {
		t.Fatalf("%d bytes for %d x %d samples", len(body), head.Count, head.Samples)
	}
	all := make([]float32, head.Samples*head.Count)
	if err := binary.Read(bytes.NewReader(body[curveHead:]), binary.LittleEndian, all); err != nil {
		t.Fatal(err)
	}
	for i := range int(head.Count) {
		curves = append(curves, all[i*int(head.Samples):(i+1)*int(head.Samples)])
	}
	return head.Rate, curves
}
