package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"limberjack/interp/revise"
	"limberjack/sequence"
)

// asked asks for a proposal and waits until it is worked out.
func (w writer) asked(path, body string) (told proposalAnswer) {
	w.Helper()
	a := w.post(path, body)
	var id struct{ Proposal string }
	if err := json.Unmarshal(a.body, &id); err != nil || a.status != http.StatusAccepted || id.Proposal == "" {
		w.Fatalf("%d %s (%v)", a.status, a.body, err)
	}
	at := path[:strings.LastIndex(path, "/")] + "/proposals/" + id.Proposal
	for until := time.Now().Add(waiting); ; time.Sleep(10 * time.Millisecond) {
		if told = w.told(at); told.State != proposalWorking {
			return told
		}
		if time.Now().After(until) {
			w.Fatalf("still %+v", told)
		}
	}
}

func (w writer) told(at string) (told proposalAnswer) {
	w.Helper()
	if err := json.Unmarshal(w.get(at).body, &told); err != nil {
		w.Fatal(err)
	}
	return told
}

// remove makes a DELETE as the page does.
func (w writer) remove(path string) answer {
	w.Helper()
	r, err := http.NewRequest("DELETE", w.scheme+"://"+w.host+path, nil)
	if err != nil {
		w.Fatal(err)
	}
	r.Header.Set("Origin", w.scheme+"://"+w.host)
	r.Header.Set(pageHeader, w.key)
	return w.do(r)
}

func (d *desk) file(name string) []byte {
	d.Helper()
	text, err := os.ReadFile(filepath.Join(d.dir, name))
	if err != nil {
		d.Fatal(err)
	}
	return text
}

// A retiming that is accepted gives the files the bytes that the command writes; undone,
// the motion has its own again.
func TestRetimeAccepted(t *testing.T) {
	for _, c := range []struct {
		kind string
		keys bool
	}{{"retime", false}, {"retime-keys", true}} {
		d := openDesk(t, example(t), "storm.motion.yaml", nil)
		p := d.page()
		was := d.file("storm.motion.yaml")
		state := d.textOf("storm")
		told := p.asked("/api/motions/storm/mend", `{"base":"`+state.Text+`","kind":"`+c.kind+`"}`)
		if told.State != proposalReady || told.Figures == nil || told.Figures.ErrorsAfter >= told.Figures.ErrorsBefore || len(told.Lines) == 0 {
			t.Fatalf("%+v", told)
		}
		if now := d.file("storm.motion.yaml"); !bytes.Equal(now, was) {
			t.Error("a proposal has changed the file")
		}
		at := "/api/motions/storm/proposals/" + told.ID
		var score Score
		if err := json.Unmarshal(d.get(at+"/score").body, &score); err != nil || math.Abs(float64(score.Length-told.Figures.LengthAfter)) > 0 {
			t.Errorf("the score of the proposal lasts %v, %v", score.Length, err)
		}
		d.get(at + "/curves")
		state = p.made(p.post(at+"/accept", `{"base":"`+state.Text+`"}`))
		state = p.made(p.post("/api/motions/storm/save", `{"base":"`+state.Text+`"}`))
		script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return os.Open(name) }, "../examples/lighthouse/storm.motion.yaml")
		if err != nil {
			t.Fatal(err)
		}
		want, err := revise.Retime(script, was, revise.RetimeOptions{Keys: c.keys, PaceFile: func([]sequence.Knot) string { return "storm.pace.csv" }})
		if err != nil || !bytes.Equal(d.file("storm.motion.yaml"), want.Text) {
			t.Errorf("%s has written (%v)\n%s", c.kind, err, d.file("storm.motion.yaml"))
		}
		if csv := sequence.PaceCSV(want.Knots); !c.keys && !bytes.Equal(d.file("storm.pace.csv"), csv) {
			t.Error("the pace is another one")
		}
		state = p.made(p.post("/api/motions/storm/undo", `{"base":"`+state.Text+`"}`))
		p.made(p.post("/api/motions/storm/save", `{"base":"`+state.Text+`"}`))
		if now := d.file("storm.motion.yaml"); !bytes.Equal(now, was) {
			t.Errorf("undone, the file holds\n%s", now)
		}
		d.ask("GET", at).refusal(t, "no-such-proposal")
	}
}

// A take of a known curve becomes few keys that are near every sample.
func TestTakeAccepted(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	p := d.page()
	state := d.textOf("wake")
	var samples []string
	for k := range 120 {
		at := float64(k) / 120
		samples = append(samples, fmt.Sprintf("[%g,%g]", at, 20*math.Sin(2*math.Pi*at)*math.Sin(math.Pi*at)))
	}
	told := p.asked("/api/motions/wake/takes", `{"base":"`+state.Text+`","row":"axis:wing","samples":[`+strings.Join(samples, ",")+`],"tolerance":0.5}`)
	if told.State != proposalReady {
		t.Fatalf("%+v", told)
	}
	t.Logf("%+v %+v", told.Text, told.Lines)
	p.made(p.post("/api/motions/wake/proposals/"+told.ID+"/accept", `{"base":"`+state.Text+`"}`))
}
