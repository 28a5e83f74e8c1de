package web

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"strings"
)

// policy is what a page of this server may load: its own parts and nothing else, no
// script or style in the HTML, no frame around it (Content Security Policy Level 3).
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; media-src 'self' blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// unused are the powers of a browser that the page has no use for.
const unused = "accelerometer=(), camera=(), display-capture=(), geolocation=(), gyroscope=(), magnetometer=(), microphone=(), midi=(), payment=(), serial=(), usb=(), bluetooth=(), hid=()"

// secure sets the headers that every answer has.
func secure(h http.Header) {
	h.Set("Content-Security-Policy", policy)
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Embedder-Policy", "require-corp")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", unused)
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
	case r.ContentLength > mostBody:
		faultLarge.refuse(w, fmt.Sprintf("the body has %d bytes; %d are the most", r.ContentLength, mostBody))
	case !inOrder(r.URL.Path) || !inOrder(r.URL.EscapedPath()):
		faultPath.refuse(w, "the path has a step, a backslash or an empty part that no address of this server has")
	case !s.own(r):
		faultOrigin.refuse(w, "only this server's own page may ask")
	default:
		r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		return s.admit(w, r)
	}
	return false
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
// Following a link to the page itself is anybody's right.
func (s *Server) own(r *http.Request) bool {
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
	case "", "same-origin", "none":
		return true
	}
	return r.URL.Path == "/" && r.Method == http.MethodGet && r.Header.Get("Sec-Fetch-Dest") == "document"
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
// header.
func (s *Server) admit(w http.ResponseWriter, r *http.Request) bool {
	if s.access.Token == "" {
		return true
	}
	if scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " "); strings.EqualFold(scheme, "Bearer") && same(strings.TrimSpace(token), s.token) {
		return true
	}
	if token := r.URL.Query().Get("token"); r.URL.Path == "/" && token != "" && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
		if same(token, s.token) {
			s.welcome(w)
			return false
		}
	} else if c, err := r.Cookie(s.cookieName()); err == nil && same(c.Value, s.sum) {
		return true
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="limberjack"`)
	faultToken.refuse(w, "open the whole link that limberjack preview printed, with its token")
	return false
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
