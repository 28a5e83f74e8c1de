package rehearse

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

func TestParse(t *testing.T) {
	for _, text := range []string{
		`{"type":"rehearse","do":"drive"}`,
		`{"type":"beat"}`,
		`{"type":"rehearse","do":"connect","id":3,"motion":"greet","boards":{"main":"/dev/ttyUSB0","shore":"ws://shore.local:8090/"},"baud":250000}`,
		`{"type":"rehearse","do":"arm","confirmed":true}`,
		`{"type":"rehearse","do":"play","motion":"greet","from":1.5,"to":null,"speed":0.25,"loop":true,"countIn":0}`,
		`{"type":"rehearse","do":"pulse","us":1480.5}`,
		`{"type":"rehearse","do":"confirm","end":"low"}`,
		`{"type":"rehearse","do":"slew","axis":"head-pan","from":-30,"to":30,"flash":"lantern"}`,
	} {
		if _, err := Parse([]byte(text)); err != nil {
			t.Errorf("%s: %v", text, err)
		}
	}
	for text, says := range map[string]string{
		``:                                  "no JSON object",
		`[]`:                                "no JSON object",
		`{"type":"rehearse","do":"sotp"}`:   "did you mean stop?",
		`{"type":"rehearse"}`:               `there is no request ""`,
		`{"type":"project","do":"stop"}`:    "it may be rehearse or beat",
		`{"type":"rehearse","do":"hold"} 1`: "something stands after",
		`{"type":"rehearse","do":"hold","do":"arm"}`:                                                  `"do" stands twice`,
		`{"type":"rehearse","do":"hold","us":3}`:                                                      `hold takes no "us"; it takes nothing`,
		`{"type":"rehearse","do":"pulse"}`:                                                            `pulse needs "us"`,
		`{"type":"rehearse","Do":"pulse"}`:                                                            `takes no "Do"`,
		`{"type":"rehearse","do":"pulse","us":"3"}`:                                                   "not understood",
		`{"type":"rehearse","do":"arm"}`:                                                              `arm needs "confirmed"`,
		`{"type":"rehearse","do":"play","speed":2}`:                                                   "speed is 2; it may be from 0.05 to 1",
		`{"type":"rehearse","do":"play","from":3,"to":3}`:                                             "holds nothing",
		`{"type":"rehearse","do":"play","from":-1}`:                                                   "from is -1",
		`{"type":"rehearse","do":"play","end":"jump"}`:                                                "hold, rest or release",
		`{"type":"rehearse","do":"play","countIn":61}`:                                                "up to 60 s",
		`{"type":"rehearse","do":"play","to":4,"enter":5}`:                                            "played up to 4",
		`{"type":"rehearse","do":"sweep","times":0}`:                                                  "from 1 to 20",
		`{"type":"rehearse","do":"confirm","end":"left"}`:                                             "low or high",
		`{"type":"rehearse","do":"connect","motion":"a","boards":{"main":""}}`:                        "board main has no place",
		`{"type":"rehearse","do":"connect","motion":"a\u0007","boards":{}}`:                           "control character",
		`{"type":"rehearse","do":"connect","motion":"` + strings.Repeat("a", 300) + `","boards":{}}`:  "too long",
		`{"type":"rehearse","do":"connect","motion":"` + strings.Repeat("a", 5000) + `","boards":{}}`: "4096 are the most",
		`{"type":"rehearse","do":"connect","motion":"a","boards":{},"baud":-1}`:                       "baud is -1",
	} {
		r, err := Parse([]byte(text))
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%.90s: %+v, %v", text, r, err)
		}
	}
}

// TestStopsAreUnderstoodInAnySpelling: nothing that asks for a stop is refused for its form.
func TestStopsAreUnderstoodInAnySpelling(t *testing.T) {
	for text, want := range map[string]string{
		`{"type":"rehearse","do":"stop"}`:                         "stop",
		`{"do":"stop","type":7,"boards":[]}`:                      "stop",
		`{"type":"rehearse","do":"drop","id":4,"something":true}`: "drop",
		`{"type":"rehearse","do":"play"}`:                         "",
		`{"type":"rehearse","motion":"stop"}`:                     "",
		`stop`:                                                    "",
	} {
		got := ""
		if r := stopIn([]byte(text)); r != nil {
			got = r.Do
		}
		if got != want {
			t.Errorf("%s is %q", text, got)
		}
	}
}

// FuzzParse reads anything. What is taken keeps its bounds, and can be written again.
func FuzzParse(f *testing.F) {
	for _, s := range []string{`{"type":"rehearse","do":"play","motion":"greet","from":1,"to":2.5,"speed":0.5,"loop":true,"countIn":3}`, `{"type":"beat"}`,
		`{"type":"rehearse","do":"connect","motion":"m","boards":{"main":"/dev/ttyUSB0"}}`, `{"type":"rehearse","do":"slew","axis":"a","from":-1e3,"to":4,"flash":"l"}`,
		`{"do":"stop"`, `{"type":"rehearse","do":"sweep","times":3}`, `{"type":"rehearse","do":"pulse","us":1e309}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		stopIn(text)
		r, err := Parse(text)
		if err != nil {
			return
		}
		if _, known := words[r.Do]; !known || len(r.Motion) > mostWord || len(r.Boards) > mostBoards {
			t.Errorf("%q was taken as %+v", text, r)
		}
		if s := r.speed(); r.Do == "play" && (math.IsNaN(s) || s < 0.05 || s > 1 || r.countIn() < 0 || r.From < 0) {
			t.Errorf("%q was taken as %+v", text, r)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("%q cannot be written again: %v", text, err)
		}
	})
}
