package web

import (
	"fmt"
	"math"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"
)

// policy is what a page of this server may load: its own parts and nothing else, no
// script or style in the HTML, no frame around it (Content Security Policy Level 3).
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; media-src 'self' blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// powers are those of a browser that the page has no use for, and those that it
// has: performing by the tilt of a phone or a gamepad, and a screen that stays awake while a rig
// moves.
const powers = "accelerometer=(self), gyroscope=(self), screen-wake-lock=(self), gamepad=(self), camera=(), display-capture=(), geolocation=(), magnetometer=(), microphone=(), midi=(), payment=(), serial=(), usb=(), bluetooth=(), hid=()"

// secure sets the headers that every answer has.
func secure(h http.Header) {
	h.Set("Content-Security-Policy", policy)
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Embedder-Policy", "require-corp")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", powers)
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cache-Control", "no-cache")
}

// guard lets a request through, or refuses it.
func (s *Server) guard(w http.ResponseWriter, r *http.Request) bool {
	switch {
	case !s.asked(r):
		faultHost.refuse(w, fmt.Sprintf("this server does not answer for %s; open the link that limberjack preview printed", quoted(r.Host)))
	case len(r.RequestURI) > mostAddress:
		faultLong.refuse(w, fmt.Sprintf("the address has %d bytes; %d are the most", len(r.RequestURI), mostAddress))
	case r.ContentLength < 0:
		faultLength.refuse(w, "leave the body out, or say its length")
	case r.ContentLength > bodyRoom(r):
		faultLarge.refuse(w, fmt.Sprintf("the body has %d bytes; %d are the most", r.ContentLength, bodyRoom(r)))
	case !inOrder(r.URL.Path) || !inOrder(r.URL.EscapedPath()):
		faultPath.refuse(w, "the path has a step, a backslash or an empty part that no address of this server has")
	case !s.own(r):
		faultOrigin.refuse(w, "only this server's own page may ask")
	default:
		r.Body = http.MaxBytesReader(w, r.Body, bodyRoom(r))
		return s.admit(w, r)
	}
	return false
}

// bodyRoom gives how many bytes the body of a request may have.
func bodyRoom(r *http.Request) int64 {
	switch {
	case r.Method != http.MethodPost:
		return mostBody
	case strings.HasSuffix(r.URL.Path, "/takes"):
		return mostTake
	}
	return mostWrite
}

func quoted(s string) string { return strconv.QuoteToASCII(s[:min(len(s), 100)]) }

// asked reports whether a request names this server by one of its own names. A page
// that has pointed a name of its own at this machine is found out by it (DNS
// rebinding); RFC 9110, section 7.4, has the server reject what is misdirected.
func (s *Server) asked(r *http.Request) bool {
	host, port, ok := splitHost(r.Host)
	if !ok {
		return false
	}
	usual := "80"
	if s.access.TLS {
		usual = "443"
	}
	if port == "" {
		port = usual
	}
	if port != strconv.Itoa(s.access.Port) {
		return false
	}
	if slices.ContainsFunc(s.access.Names, func(name string) bool { return strings.EqualFold(name, host) }) {
		return true
	}
	return s.access.AnyAddress && host == arrival(r)
}

// arrival gives the address at which a request's connection arrived.
func arrival(r *http.Request) string {
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return ""
	}
	at, err := netip.ParseAddrPort(local.String())
	if err != nil {
		return ""
	}
	return at.Addr().Unmap().WithZone("").String()
}

// splitHost gives host and port of a Host header (RFC 9110, section 7.2), an IPv6
// address without its brackets.
func splitHost(text string) (host, port string, ok bool) {
	host, port = text, ""
	if strings.HasPrefix(text, "[") {
		inside, rest, closed := strings.Cut(text[1:], "]")
		addr, err := netip.ParseAddr(inside)
		if !closed || err != nil || !addr.Is6() || rest != "" && rest[0] != ':' {
			return "", "", false
		}
		if host = addr.String(); rest != "" {
			port = rest[1:]
		}
	} else if before, after, found := strings.Cut(text, ":"); found {
		host, port = before, after
	}
	unfit := func(r rune) bool { return r <= ' ' || r == 0x7f || strings.ContainsRune("/\\@?#%[]", r) }
	if host == "" || strings.ContainsFunc(host, unfit) || !digits(port) || strings.HasSuffix(text, ":") {
		return "", "", false
	}
	return host, port, true
}

func digits(s string) bool { return strings.Trim(s, "0123456789") == "" && len(s) <= 5 }

// inOrder reports whether a path has no steps up, no empty parts and nothing that a
// file system might take for another separator.
func inOrder(path string) bool {
	if !strings.HasPrefix(path, "/") || strings.ContainsAny(path, "\\\x00") || strings.Contains(path, "//") {
		return false
	}
	for part := range strings.SplitSeq(path, "/") {
		if part == "." || part == ".." {
			return false
		}
	}
	lower := strings.ToLower(path)
	return !strings.Contains(lower, "%2f") && !strings.Contains(lower, "%5c") && !strings.Contains(lower, "%00") && !strings.Contains(lower, "%2e%2e")
}

// own reports whether a request comes from the server's own page or from no page at
// all. Browsers send Origin with every socket and everything that changes something
// (RFC 6454), and tell where a request comes from (Fetch Metadata, Sec-Fetch-Site).
// Following a link to the page itself is anybody's right. What changes something has to
// say that it comes from here.
func (s *Server) own(r *http.Request) bool {
	write := writes(r.Method)
	if write && r.Header.Get("Origin") == "" {
		return false
	}
	if origin := r.Header.Get("Origin"); origin != "" {
		scheme := "http://"
		if s.access.TLS {
			scheme = "https://"
		}
		if len(r.Header.Values("Origin")) > 1 || !strings.EqualFold(origin, scheme+r.Host) {
			return false
		}
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin":
		return true
	case "none":
		return !write
	}
	return r.URL.Path == "/" && r.Method == http.MethodGet && r.Header.Get("Sec-Fetch-Dest") == "document"
}

// writes reports whether a method may change something; every other one of RFC 9110
// that this server answers is safe, or refused as such.
func writes(method string) bool { return method == http.MethodPost || method == http.MethodDelete }

// pageHeader names the page that writes, by its key.
const pageHeader = "Limberjack-Page"

// written lets a write through that a page of this server makes, as JSON: neither a
// form of another page can send that, nor a script of one without asking first (Fetch,
// section 3.3.5), which is answered by 405.
func (s *Server) written(serve func(w http.ResponseWriter, r *http.Request, page int)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !isJSON(r) {
			faultType.refuse(w, "send Content-Type: application/json")
			return
		}
		page := 0
		if keys := r.Header.Values(pageHeader); len(keys) == 1 {
			page = s.seats.numberOf(keys[0])
		}
		if page == 0 {
			faultPage.refuse(w, "send "+pageHeader+" with the key that the first message of this page's socket has; the socket has to be open")
			return
		}
		serve(w, r, page)
	}
}

// isJSON reports whether a request has a body of JSON, or none at all and no need of
// one.
func isJSON(r *http.Request) bool {
	if r.Method == http.MethodDelete && r.ContentLength == 0 {
		return true
	}
	kinds := r.Header.Values("Content-Type")
	if len(kinds) != 1 {
		return false
	}
	kind, more, err := mime.ParseMediaType(kinds[0])
	return err == nil && kind == "application/json" && (len(more) == 0 || len(more) == 1 && strings.EqualFold(more["charset"], "utf-8"))
}

// cookieName is the server's own: cookies do not keep ports apart (RFC 6265, section
// 8.5).
func (s *Server) cookieName() string {
	if s.access.TLS {
		return "__Host-limberjack-" + strconv.Itoa(s.access.Port)
	}
	return "limberjack-" + strconv.Itoa(s.access.Port)
}

// admit asks for the token: once in the link, from then on by the cookie, or in a
// header. Who has the cookie is let in whatever others of the same address guess.
func (s *Server) admit(w http.ResponseWriter, r *http.Request) bool {
	if s.access.Token == "" {
		return true
	}
	c, err := r.Cookie(s.cookieName())
	known := err == nil && same(c.Value, s.sum)
	token, link := shown(r)
	if token == "" && known {
		return true
	}
	if right := same(token, s.token); token != "" {
		from, _ := sourceOf(r.RemoteAddr)
		wait := time.Duration(0)
		if !known {
			wait = s.brake.judge(from, right)
		}
		switch {
		case wait > 0:
			refuseGuess(w, wait)
			return false
		case right && link:
			s.welcome(w)
			return false
		case right || known:
			return true
		}
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="limberjack"`)
	faultToken.refuse(w, "open the whole link that limberjack preview printed, with its token")
	return false
}

// refuseGuess tells how long to wait after too many wrong tokens.
func refuseGuess(w http.ResponseWriter, wait time.Duration) {
	seconds := int(math.Ceil(wait.Seconds()))
	w.Header().Set("Retry-After", strconv.Itoa(seconds))
	faultGuesses.refuse(w, fmt.Sprintf("%d wrong tokens came from your address within %.0f s; a token counts again in %d s", mostGuesses, guessSpan.Seconds(), seconds))
}

// shown gives the token that a request shows, in its link or in a header.
func shown(r *http.Request) (token string, link bool) {
	if scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " "); strings.EqualFold(scheme, "Bearer") {
		if token = strings.TrimSpace(token); token != "" {
			return token, false
		}
	}
	if r.URL.Path == "/" && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
		return r.URL.Query().Get("token"), true
	}
	return "", false
}

// welcomePage goes on to the page without the token in the address. It is no redirect:
// after one, a browser that came by a link elsewhere would not send a strict cookie.
const welcomePage = `<!doctype html>
<html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="0; url=/"><title>limberjack</title>
<p><a href="/">Open the cue sheet</a></p></html>
`

// welcome gives the cookie to someone who has shown the token.
func (s *Server) welcome(w http.ResponseWriter) {
	http.SetCookie(w, &http.Cookie{Name: s.cookieName(), Value: s.session, Path: "/", HttpOnly: true, Secure: s.access.TLS, SameSite: http.SameSiteStrictMode})
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	fmt.Fprint(w, welcomePage)
}
