package web

import (
	"io"
	"net/http"
	"strings"
	"time"
)

// serveContent answers with a body that may be asked for in part and by conditions
// (RFC 9110, sections 13 and 14). What is refused is told as problem details.
func serveContent(w http.ResponseWriter, r *http.Request, body io.ReadSeeker) {
	c := &content{patientWriter: patient(w)}
	http.ServeContent(c, rangeOf(r), "", time.Time{}, body)
	switch c.refused {
	case http.StatusRequestedRangeNotSatisfiable:
		faultRange.refuse(w, quoted(r.Header.Get("Range"))+" names no byte of this; Content-Range says how many there are")
	case http.StatusPreconditionFailed:
		faultVersion.refuse(w, "the version that If-Match asks for is not the one that is here")
	}
}

// content holds back what the standard library says of a request that it refuses.
type content struct {
	patientWriter
	refused int // status; 0: it is not refused
}

func (c *content) WriteHeader(status int) {
	switch status {
	case http.StatusRequestedRangeNotSatisfiable, http.StatusPreconditionFailed:
		c.refused = status
	default:
		c.patientWriter.WriteHeader(status)
	}
}

func (c *content) Write(b []byte) (int, error) {
	if c.refused != 0 {
		return len(b), nil
	}
	return c.patientWriter.Write(b)
}

// rangeOf gives the request with the range that it may ask for, or without. Methods
// other than GET have none, a unit other than bytes has to be ignored, and what is no
// range, or several at once, may be (RFC 9110, section 14.2): those cost much, and
// nobody needs them here.
func rangeOf(r *http.Request) *http.Request {
	asked := r.Header.Values("Range")
	if len(asked) == 0 {
		return r
	}
	out := r.Clone(r.Context())
	out.Header.Del("Range")
	if len(asked) == 1 && r.Method == http.MethodGet {
		if one, ok := oneRange(asked[0]); ok {
			out.Header.Set("Range", one)
		}
	}
	return out
}

// oneRange reads a Range header that asks for one range of bytes (RFC 9110, section
// 14.1.1). Empty places of a list do not count (section 5.6.1).
func oneRange(text string) (string, bool) {
	unit, set, found := strings.Cut(text, "=")
	if !found || !strings.EqualFold(strings.TrimSpace(unit), "bytes") { // section 14.1: units are case-insensitive
		return "", false
	}
	var one string
	for part := range strings.SplitSeq(set, ",") {
		part = strings.Trim(part, " \t")
		switch {
		case part == "":
		case one != "":
			return "", false
		default:
			one = part
		}
	}
	first, last, found := strings.Cut(one, "-")
	if !found || first == "" && last == "" || !number(first) || !number(last) || first != "" && last != "" && less(last, first) {
		return "", false
	}
	if first == "" && strings.Trim(last, "0") == "" { // the last 0 bytes: not satisfiable (section 14.1.2); the library gives them
		first, last = beyondAll, ""
	}
	return "bytes=" + first + "-" + last, true
}

// beyondAll is a byte that no body has.
const beyondAll = "999999999999999999"

// number reports whether a text is digits, or nothing, of a number that a file may
// have as its size.
func number(s string) bool { return len(s) <= 18 && strings.Trim(s, "0123456789") == "" }

// less compares two numbers as digits.
func less(a, b string) bool {
	a, b = strings.TrimLeft(a, "0"), strings.TrimLeft(b, "0")
	return len(a) < len(b) || len(a) == len(b) && a < b
}

// patientWriter gives a slow reader time for each block, and not for the whole.
type patientWriter struct {
	http.ResponseWriter
	control *http.ResponseController
}

func patient(w http.ResponseWriter) patientWriter {
	return patientWriter{w, http.NewResponseController(w)}
}

const writeBlock = 64 << 10

func (p patientWriter) Write(b []byte) (n int, err error) {
	for len(b) > 0 && err == nil {
		// A writer that knows no deadlines has none to put off.
		_ = p.control.SetWriteDeadline(time.Now().Add(writePatience))
		var k int
		k, err = p.ResponseWriter.Write(b[:min(len(b), writeBlock)])
		n += k
		b = b[k:]
	}
	return n, err
}
