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
	faultOrigin   = fault{"wrong-origin", http.StatusForbidden, "Another page may not ask this server", "Only the server's own page may read from it, open its socket, or write; what writes has to say by Origin that it comes from there."}
	faultToken    = fault{"no-token", http.StatusUnauthorized, "The link lacks its token", "Open the whole link that limberjack preview printed, or send Authorization: Bearer and the token."}
	faultGuesses  = fault{"too-many-guesses", http.StatusTooManyRequests, "Too many wrong tokens came from there", "Wait as long as the header Retry-After says, and open the whole link that limberjack preview printed. Pages that are open go on."}
	faultPath     = fault{"bad-path", http.StatusBadRequest, "The path is not in order", "A path has no steps such as .., no backslashes and no empty parts."}
	faultLong     = fault{"too-long", http.StatusRequestURITooLong, "The address is too long", "No address of this server is longer than 2048 bytes."}
	faultLarge    = fault{"too-large", http.StatusRequestEntityTooLarge, "The request is too large", "What is sent by POST has 1048576 bytes at most, a recorded take 4194304, and every other request 4096."}
	faultLength   = fault{"no-length", http.StatusLengthRequired, "The length of the body is not said", "A body of unknown length (Transfer-Encoding: chunked) is not taken."}
	faultMethod   = fault{"wrong-method", http.StatusMethodNotAllowed, "That method is not for this address", "The header Allow has those that are."}
	faultMissing  = fault{"not-found", http.StatusNotFound, "There is nothing at that address", "API.md lists every address."}
	faultMotion   = fault{"no-such-motion", http.StatusNotFound, "There is no such motion", "The project lists the names of its motions."}
	faultAbsent   = fault{"no-good-version", http.StatusConflict, "The motion has never been in order", "The problems say what to mend, and where. The motion appears when its files are saved."}
	faultSilent   = fault{"no-sound", http.StatusNotFound, "The motion has no sound", "A motion has a sound when its file says audio: and the name of a WAV file."}
	faultSound    = fault{"bad-sound", http.StatusConflict, "The sound cannot be played", "The detail says what is wrong with the file."}
	faultRange    = fault{"no-such-range", http.StatusRequestedRangeNotSatisfiable, "There are no such bytes", "The header Content-Range has the number of bytes that there are."}
	faultVersion  = fault{"other-version", http.StatusPreconditionFailed, "It is another version", "The condition of the request, such as If-Match, does not hold for what is here."}
	faultBusy     = fault{"busy", http.StatusServiceUnavailable, "Too many ask at once", "Close other pages, or ask again in a few seconds."}
	faultWaiting  = fault{"not-yet", http.StatusServiceUnavailable, "The motion is still being worked out", "Ask again in a few seconds."}
	faultUpgrade  = fault{"no-upgrade", http.StatusUpgradeRequired, "This address speaks WebSocket only", "Open it with a WebSocket (RFC 6455)."}
	faultType     = fault{"wrong-type", http.StatusUnsupportedMediaType, "That is not how changes are sent", "What writes is sent as application/json."}
	faultPage     = fault{"no-page", http.StatusForbidden, "No open page says that it writes", "The header Limberjack-Page must hold the key of a page whose socket is open, or was 30 s ago. Load the page anew."}
	faultBody     = fault{"bad-body", http.StatusBadRequest, "The body is not in order", "The detail says what is wrong. API.md has what each address takes; nothing was changed."}
	faultAnother  = fault{"another-version", http.StatusConflict, "The text has changed meanwhile", "The member text has the revision that is current. Get the score, or the rig, anew, and make the change from there; nothing was changed."}
	faultOvertook = fault{"overtaken", http.StatusConflict, "A newer change came before this one was worked out", "Nothing was changed by this one."}
	faultOrder    = fault{"not-in-order", http.StatusConflict, "The files on disk are not in order", "The problems say what to mend, and where. The page can change the motion again when the files are saved."}
	faultChange   = fault{"no-such-change", http.StatusUnprocessableEntity, "The change cannot be made", "The problems say why, and what would do. Nothing was changed."}
	faultOffer    = fault{"no-such-proposal", http.StatusNotFound, "There is no such proposal", "A proposal goes when it is accepted or dropped, when the motion changes, when another one is asked for, and when nobody asks for it any more."}
	faultUnready  = fault{"not-ready", http.StatusConflict, "The proposal has nothing to show", "It is still being worked out, or was refused; the detail says which."}
	faultOffers   = fault{"too-many-proposals", http.StatusTooManyRequests, "Too many proposals are open", "Accept or drop some of them."}
	faultUnsaved  = fault{"not-saved", http.StatusInternalServerError, "The file cannot be written", "The detail says why. The change is kept in memory while limberjack runs, and writing is tried again by itself."}
	faultBoards   = fault{"not-stopped", http.StatusGatewayTimeout, "Not all boards have answered to the stop", "The stop was sent. A board that is not reached ends by itself as its axes' lost: says; only a switch that cuts the power is sure."}
	faultAxis     = fault{"no-such-axis", http.StatusNotFound, "The rig has no such axis", "The rig lists the names of its axes."}
	faultInUse    = fault{"rig-in-use", http.StatusConflict, "The rig is in use, or its ends are not known yet", "Another page drives, boards are armed, or not both ends were confirmed: the detail says which. Nothing was changed."}
	faultCount    = fault{"bad-count", http.StatusUnprocessableEntity, "The count of the film cannot be", "The detail says which film, and what would do. Nothing was changed."}
	faultInternal = fault{"internal-error", http.StatusInternalServerError, "The server made a mistake", "This is a fault of the program. What it was doing stands in its messages."}
)

var faults = []fault{faultHost, faultOrigin, faultToken, faultGuesses, faultPath, faultLong, faultLarge, faultLength, faultMethod, faultMissing, faultMotion,
	faultAbsent, faultSilent, faultSound, faultRange, faultVersion, faultBusy, faultWaiting, faultUpgrade,
	faultType, faultPage, faultBody, faultAnother, faultOvertook, faultOrder, faultChange, faultOffer, faultUnready, faultOffers, faultUnsaved, faultBoards, faultAxis, faultInUse, faultCount, faultInternal}

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
	Text     string    `json:"text,omitempty"` // revision of a motion's text that is current
}

// refuse answers with problem details.
func (f fault) refuse(w http.ResponseWriter, detail string, problems ...Problem) {
	f.answer(w, details{Detail: detail, Problems: problems})
}

// answer is refuse with more to tell.
func (f fault) answer(w http.ResponseWriter, d details) {
	d.Type, d.Title, d.Status = "/problems/"+f.name, f.title, f.status
	problems := d.Problems
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
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusMisdirectedRequest, http.StatusTooManyRequests, http.StatusBadRequest,
		http.StatusRequestURITooLong, http.StatusRequestEntityTooLarge, http.StatusLengthRequired:
		h.Set("Connection", "close") // who is not let in holds no place
	}
	w.WriteHeader(f.status)
	patient(w).Write(append(body, '\n')) // it may have taken longer to find than an answer has time; who is gone needs none
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
