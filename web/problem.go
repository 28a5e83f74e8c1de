package web

import (
	"encoding/json"
	"net/http"
	"slices"

	"limberjack/sequence"
)

// fault is a kind of error that a request may meet: the type, title and status of
// its problem details (RFC 9457), and what its page says.
type fault struct {
	name   string
	status int
	title  string
	about  string
}

// The faults. API.md lists them; a test compares.
var (
	faultHost     = fault{"wrong-host", http.StatusMisdirectedRequest, "This server does not answer for that name", "A page elsewhere may have pointed a name of its own at this computer. Open the link that limberjack preview printed."}
	faultOrigin   = fault{"wrong-origin", http.StatusForbidden, "Another page may not ask this server", "Only the server's own page may read from it, or open its socket."}
	faultToken    = fault{"no-token", http.StatusUnauthorized, "The link lacks its token", "Open the whole link that limberjack preview printed, or send Authorization: Bearer and the token."}
	faultPath     = fault{"bad-path", http.StatusBadRequest, "The path is not in order", "A path has no steps such as .., no backslashes and no empty parts."}
	faultLong     = fault{"too-long", http.StatusRequestURITooLong, "The address is too long", "No address of this server is longer than 2048 bytes."}
	faultLarge    = fault{"too-large", http.StatusRequestEntityTooLarge, "The request is too large", "No request needs a body of more than 4096 bytes."}
	faultMethod   = fault{"wrong-method", http.StatusMethodNotAllowed, "That method is not for this address", "The header Allow has those that are."}
	faultMissing  = fault{"not-found", http.StatusNotFound, "There is nothing at that address", "API.md lists every address."}
	faultMotion   = fault{"no-such-motion", http.StatusNotFound, "There is no such motion", "The project lists the names of its motions."}
	faultAbsent   = fault{"no-good-version", http.StatusConflict, "The motion has never been in order", "The problems say what to mend, and where. The motion appears when its files are saved."}
	faultSilent   = fault{"no-sound", http.StatusNotFound, "The motion has no sound", "A motion has a sound when its file says audio: and the name of a WAV file."}
	faultSound    = fault{"bad-sound", http.StatusConflict, "The sound cannot be played", "The detail says what is wrong with the file."}
	faultBusy     = fault{"busy", http.StatusServiceUnavailable, "Too many ask at once", "Close other pages, or ask again in a few seconds."}
	faultWaiting  = fault{"not-yet", http.StatusServiceUnavailable, "The motion is still being worked out", "Ask again in a few seconds."}
	faultUpgrade  = fault{"no-upgrade", http.StatusUpgradeRequired, "This address speaks WebSocket only", "Open it with a WebSocket (RFC 6455)."}
	faultInternal = fault{"internal-error", http.StatusInternalServerError, "The server made a mistake", "This is a fault of the program. What it was doing stands in its messages."}
)

var faults = []fault{faultHost, faultOrigin, faultToken, faultPath, faultLong, faultLarge, faultMethod, faultMissing, faultMotion, faultAbsent,
	faultSilent, faultSound, faultBusy, faultWaiting, faultUpgrade, faultInternal}

// faultNamed finds a fault by its name.
func faultNamed(name string) (fault, bool) {
	i := slices.IndexFunc(faults, func(f fault) bool { return f.name == name })
	if i < 0 {
		return fault{}, false
	}
	return faults[i], true
}

// details are the members of problem details (RFC 9457, section 3), with those of
// the place where a file is wrong.
type details struct {
	Type     string    `json:"type"`
	Title    string    `json:"title"`
	Status   int       `json:"status"`
	Detail   string    `json:"detail"`
	File     string    `json:"file,omitempty"`
	Line     int       `json:"line,omitempty"`
	Column   int       `json:"column,omitempty"`
	Problems []Problem `json:"problems,omitempty"`
}

// refuse answers with problem details.
func (f fault) refuse(w http.ResponseWriter, detail string, problems ...Problem) {
	d := details{Type: "/problems/" + f.name, Title: f.title, Status: f.status, Detail: detail, Problems: problems}
	if len(problems) > 0 {
		d.File, d.Line, d.Column = problems[0].File, problems[0].Line, problems[0].Column
	}
	body, err := json.Marshal(d)
	if err != nil {
		body = []byte("{}") // strings and numbers always marshal
	}
	h := w.Header()
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	h.Del("ETag")
	if f.status == http.StatusServiceUnavailable {
		h.Set("Retry-After", "2")
	}
	switch f.status {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusMisdirectedRequest:
		h.Set("Connection", "close") // who is not let in holds no place
	}
	w.WriteHeader(f.status)
	w.Write(append(body, '\n'))
}

// Problem is a mistake in one of the user's files. Line and column count from 1;
// they are 0 where no place is known.
type Problem struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
	Text   string `json:"text"`
	Hint   string `json:"hint"`
}

func problemsOf(list sequence.Problems) []Problem {
	out := make([]Problem, 0, len(list))
	for _, p := range list {
		out = append(out, Problem{p.At.File, p.At.Line, p.At.Column, p.Text, p.Hint})
	}
	return out
}
