package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"limberjack/web/rehearse"
)

// Limits of the server. API.md states them.
const (
	mostConnections = 512
	mostOfOne       = 64  // connections of one address that is not this computer's
	mostRequests    = 256 // that are answered at once
	mostSockets     = 128
	mostHeader      = 16 << 10 // bytes
	mostAddress     = 2048     // bytes of path and query
	mostBody        = 4096     // bytes of the body of a request that changes nothing
	mostMessage     = 4096     // bytes of a message on a socket

	headerSlop = 4096 // bytes that net/http reads beyond its limit

	headerPatience = 3 * time.Second
	readPatience   = 10 * time.Second
	writePatience  = 15 * time.Second // for each block of an answer
	idlePatience   = time.Minute
	firstPatience  = 10 * time.Second // for a motion that is being worked out for the first time
	closePatience  = 2 * time.Second
)

// leastToken is the least length of a token that the user gives.
const leastToken = 16

// Access says who may ask the server.
type Access struct {
	// Names are host names and addresses, without ports, by which the server may be
	// asked.
	Names []string
	// AnyAddress allows the address at which a connection arrives, for a server that
	// listens at all addresses of the machine.
	AnyAddress bool
	Port       int
	TLS        bool
	// Token must be shown once by everyone; empty: by nobody.
	Token string
	// Boards are places of boards, by the rig's names, to which pages may connect wherever
	// they are; else they may to ports of this computer and addresses nearby.
	Boards map[string]string
}

// CheckToken says what is wrong with a token that a user gives.
func CheckToken(token string) error {
	if len(token) < leastToken || len(token) > 128 {
		return fmt.Errorf("the token has %d characters; %d to 128 will do, and without --token a good one is made", len(token), leastToken)
	}
	for _, r := range token {
		if r > '~' || !strings.ContainsRune("-._~", r) && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z') {
			return fmt.Errorf("the token holds %q; letters, digits, and - . _ ~ will do, since it stands in a link", r)
		}
	}
	return nil
}

// NewToken makes a token of at least 128 random bits.
func NewToken() string { return rand.Text() }

// Server hands a project out to browsers.
type Server struct {
	project *Project
	boards  *rehearse.Desk
	access  Access
	token   [sha256.Size]byte
	session string // what the cookie holds; another at each start
	sum     [sha256.Size]byte
	brake   brake // of wrong tokens
	seats   seats // of the pages that are open
	mux     *http.ServeMux
	tell    func(format string, args ...any)

	places  chan struct{} // of requests
	sockets chan struct{}
	stop    context.Context // ends the sockets
	end     context.CancelFunc

	mu     sync.Mutex
	closed bool
	talks  sync.WaitGroup
}

// NewServer makes a server. tell takes messages about faults of the program; nil
// drops them.
func NewServer(p *Project, a Access, tell func(format string, args ...any)) *Server {
	s := &Server{project: p, access: a, token: sha256.Sum256([]byte(a.Token)), session: rand.Text(), mux: http.NewServeMux(), tell: tell,
		places: make(chan struct{}, mostRequests), sockets: make(chan struct{}, mostSockets)}
	if s.tell == nil {
		s.tell = func(string, ...any) {}
	}
	s.sum = sha256.Sum256([]byte(s.session))
	s.stop, s.end = context.WithCancel(context.Background())
	s.boards = rehearse.NewDesk(rehearse.Options{Source: source{p}, Places: a.Boards, Tell: s.tell})
	allowed := map[string][]string{}
	for _, r := range s.routes() {
		s.mux.HandleFunc(r.method+" "+r.pattern, r.serve) // GET: HEAD, too
		if allowed[r.pattern] = append(allowed[r.pattern], r.method); r.method == http.MethodGet {
			allowed[r.pattern] = append(allowed[r.pattern], http.MethodHead)
		}
	}
	for pattern, methods := range allowed {
		s.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Allow", strings.Join(methods, ", "))
			faultMethod.refuse(w, r.Method+" is not for this address; "+strings.Join(methods, " and ")+" will do")
		})
	}
	s.mux.HandleFunc("/", nothing)
	s.mux.HandleFunc("/page", nothing) // else the library sends on to /page/
	return s
}

// Serve answers on a listener until ctx ends; then it closes every connection and
// gives nil.
func (s *Server) Serve(ctx context.Context, on net.Listener) error {
	server := &http.Server{Handler: s, ReadHeaderTimeout: headerPatience, ReadTimeout: readPatience, WriteTimeout: writePatience, IdleTimeout: idlePatience,
		MaxHeaderBytes: mostHeader - headerSlop, DisableGeneralOptionsHandler: true, ErrorLog: log.New(io.Discard, "", 0)}
	var only http.Protocols
	only.SetHTTP1(true) // one request a connection at a time, so that the limits hold
	server.Protocols = &only
	shut := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(shut)
		s.end()
		go s.boards.Close() // what moves is stopped before anything is waited for
		within, cancel := context.WithTimeout(context.Background(), closePatience)
		defer cancel()
		if server.Shutdown(within) != nil {
			server.Close()
		}
	})
	err := server.Serve(newBounded(on))
	if !stop() {
		<-shut
	}
	s.Close()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// Close stops the boards, parts from them, and ends all sockets; it waits for both.
func (s *Server) Close() {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.end()
	s.boards.Close()
	s.talks.Wait()
}

// enter notes that a socket begins; false where the server ends.
func (s *Server) enter() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		s.talks.Add(1)
	}
	return !s.closed
}

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	defer s.caught(w, r)
	secure(w.Header())
	select {
	case s.places <- struct{}{}:
		defer func() { <-s.places }()
	default:
		faultBusy.refuse(w, fmt.Sprintf("%d requests are being answered", mostRequests))
		return
	}
	if s.guard(w, r) {
		s.mux.ServeHTTP(w, r)
	}
}

// caught answers where the program is at fault. A connection that is given up on
// purpose stays so.
func (s *Server) caught(w http.ResponseWriter, r *http.Request) {
	what := recover()
	if what == nil {
		return
	}
	if what == http.ErrAbortHandler {
		panic(what)
	}
	s.tell("internal error at %s: %v\n%s", r.URL.Path, what, debug.Stack())
	faultInternal.refuse(w, "what happened stands in the messages of limberjack")
}

// same compares a text with a sum in constant time.
func same(text string, sum [sha256.Size]byte) bool {
	got := sha256.Sum256([]byte(text))
	return subtle.ConstantTimeCompare(got[:], sum[:]) == 1
}
