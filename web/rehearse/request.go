package rehearse

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"

	"limberjack/sequence"
	"limberjack/transport/live"
)

// Bounds of a request.
const (
	mostRequest = 4096 // bytes
	mostWord    = 256  // bytes of a name or a place
	mostBoards  = 64
	mostSweeps  = 20
	mostCountIn = 60.0 // s
	mostTime    = 48 * 3600.0
)

// Request is what a page asks for. Which fields may be set depends on Do: see words.
type Request struct {
	Type string `json:"type"` // "rehearse"; beats may come as {"type":"beat"}
	Do   string `json:"do"`
	ID   int64  `json:"id"` // comes back in the answer

	Motion string            `json:"motion"`
	Boards map[string]string `json:"boards"` // places by the rig's names
	Baud   int               `json:"baud"`   // bits a second; 0: the rig's

	Confirmed bool `json:"confirmed"` // somebody has answered the question

	From    float64  `json:"from"`    // s; of slew in the axis's unit
	To      *float64 `json:"to"`      // s; of slew in the axis's unit
	Enter   float64  `json:"enter"`   // s, of the first round
	Speed   *float64 `json:"speed"`   // 0.05 to 1; 1
	Loop    bool     `json:"loop"`    // over and over
	CountIn *float64 `json:"countIn"` // s; 3
	End     string   `json:"end"`     // hold, rest or release; hold

	Axis  string  `json:"axis"`
	At    string  `json:"at"` // place of the axis's board; empty: the last one
	US    float64 `json:"us"` // pulse
	Times int     `json:"times"`
	Flash string  `json:"flash"` // axis of the lamp
}

// words are what a page may ask for, each with the fields that it takes beside type, do
// and id.
var words = map[string][]string{
	"beat": {}, "hidden": {}, "stop": {}, "drop": {}, "drive": {}, "let-go": {},
	"ports":     {},
	"connect":   {"motion", "boards", "baud"},
	"arm":       {"confirmed"},
	"play":      {"motion", "from", "to", "enter", "speed", "loop", "countIn", "end"},
	"hold":      {},
	"resume":    {},
	"part":      {},
	"calibrate": {"axis", "at", "baud"},
	"pulse":     {"us"},
	"confirm":   {"end"},
	"centre":    {},
	"sweep":     {"times"},
	"reverse":   {},
	"done":      {},
	"slew":      {"axis", "from", "to", "flash", "at", "baud"},
}

// Parse reads a request. Whatever it does not know is an error that says what would do.
func Parse(text []byte) (*Request, error) {
	if len(text) > mostRequest {
		return nil, fmt.Errorf("the request has %d bytes, of which %d are the most", len(text), mostRequest)
	}
	fields, err := fieldsOf(text)
	if err != nil {
		return nil, err
	}
	r := &Request{}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(r); err != nil {
		return nil, fmt.Errorf("the request is not understood: %w", err)
	}
	switch {
	case r.Type == "beat" && r.Do == "":
		r.Do = "beat"
	case r.Type != "rehearse":
		return nil, fmt.Errorf("the type of the request is %q; it may be rehearse or beat", r.Type)
	}
	may, known := words[r.Do]
	if !known {
		return nil, unknown("request", r.Do, slices.Sorted(maps.Keys(words)))
	}
	for _, f := range fields {
		if f != "type" && f != "do" && f != "id" && !slices.Contains(may, f) {
			return nil, fmt.Errorf("%s takes no %q; %s", r.Do, f, takes(may))
		}
	}
	return r, r.check(fields)
}

// fieldsOf gives the names of the fields of one object, and refuses any that stands
// there twice.
func fieldsOf(text []byte) (names []string, err error) {
	d := json.NewDecoder(bytes.NewReader(text))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return nil, errors.New(`the request is no JSON object; one is {"type":"rehearse","do":"stop"}`)
	}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return nil, fmt.Errorf("the request is no JSON: %w", err)
		}
		name := t.(string) // keys of objects are strings, or Token gives an error
		if slices.Contains(names, name) {
			return nil, fmt.Errorf("%q stands twice in the request", name)
		}
		names = append(names, name)
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return nil, fmt.Errorf("the request is no JSON: %w", err)
		}
	}
	if _, err := d.Token(); err != nil {
		return nil, fmt.Errorf("the request is no JSON: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("something stands after the request")
	}
	return names, nil
}

func takes(may []string) string {
	if len(may) == 0 {
		return "it takes nothing"
	}
	return "it takes " + strings.Join(may, ", ")
}

// unknown names the nearest word that is known.
func unknown(what, word string, known []string) error {
	if near := sequence.Nearest(word, known); near != "" {
		return fmt.Errorf("there is no %s %q; did you mean %s?", what, word, near)
	}
	return fmt.Errorf("there is no %s %q; there are %s", what, word, strings.Join(known, ", "))
}

// check holds what is written against its bounds.
func (r *Request) check(fields []string) error {
	for _, need := range needs[r.Do] {
		if !slices.Contains(fields, need) {
			return fmt.Errorf("%s needs %q", r.Do, need)
		}
	}
	for _, w := range []string{r.Motion, r.Axis, r.At, r.Flash} {
		if err := plain(w); err != nil {
			return err
		}
	}
	if len(r.Boards) > mostBoards {
		return fmt.Errorf("%d boards are given, of which %d are the most", len(r.Boards), mostBoards)
	}
	for name, at := range r.Boards {
		if err := errors.Join(plain(name), plain(at)); err != nil {
			return err
		}
		if at == "" {
			return fmt.Errorf("board %s has no place; give a port or an address", name)
		}
	}
	switch {
	case r.Baud < 0 || r.Baud > 10_000_000:
		return fmt.Errorf("baud is %d; it may be up to 10000000", r.Baud)
	case r.Do == "play":
		return r.checkPlay()
	case r.Do == "confirm" && r.End != "low" && r.End != "high":
		return fmt.Errorf("end is %q; it may be low or high", r.End)
	case r.Do == "sweep" && (r.Times < 1 || r.Times > mostSweeps):
		return fmt.Errorf("times is %d; it may be from 1 to %d", r.Times, mostSweeps)
	}
	return nil
}

// needs are the fields that must stand there.
var needs = map[string][]string{"connect": {"motion", "boards"}, "play": {}, "arm": {"confirmed"}, "calibrate": {"axis"}, "pulse": {"us"},
	"confirm": {"end"}, "sweep": {"times"}, "slew": {"axis", "from", "to", "flash"}}

// plain refuses a name that can be none.
func plain(word string) error {
	if len(word) > mostWord {
		return fmt.Errorf("%.20q… is too long: %d bytes are the most", word, mostWord)
	}
	for _, c := range word {
		if c < ' ' || c == 0x7f {
			return fmt.Errorf("%q holds a control character", word)
		}
	}
	return nil
}

var endings = map[string]live.End{"": live.EndHold, "hold": live.EndHold, "rest": live.EndRest, "release": live.EndRelease}

func (r *Request) checkPlay() error {
	_, known := endings[r.End]
	switch {
	case !known:
		return fmt.Errorf("end is %q; it may be hold, rest or release", r.End)
	case !(r.speed() >= live.SpeedLeast && r.speed() <= live.SpeedMost):
		return fmt.Errorf("speed is %g; it may be from %g to %g", r.speed(), live.SpeedLeast, live.SpeedMost)
	case !(r.From >= 0 && r.From <= mostTime) || !(r.Enter >= 0 && r.Enter <= mostTime):
		return fmt.Errorf("from is %g and enter is %g; both may be from 0 to the end of the motion", r.From, r.Enter)
	case r.To != nil && !(*r.To > r.From && *r.To <= mostTime):
		return fmt.Errorf("from %g to %g holds nothing: to comes after from", r.From, *r.To)
	case r.To != nil && r.Enter > *r.To:
		return fmt.Errorf("enter is %g; the motion is played up to %g", r.Enter, *r.To)
	case !(r.countIn() >= 0 && r.countIn() <= mostCountIn):
		return fmt.Errorf("countIn is %g; it may be up to %g s", r.countIn(), mostCountIn)
	}
	return nil
}

func (r *Request) speed() float64 {
	if r.Speed == nil {
		return 1
	}
	return *r.Speed
}

func (r *Request) countIn() float64 {
	if r.CountIn == nil {
		return 3
	}
	return *r.CountIn
}

func (r *Request) to() float64 {
	if r.To == nil {
		return 0
	}
	return *r.To
}

// figure is a number in JSON; one that is not finite is null.
type figure float64

// MarshalJSON writes the shortest decimal that gives the number back.
func (f figure) MarshalJSON() ([]byte, error) {
	if v := float64(f); math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(f))
}
