package web

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// writer is a page that writes.
type writer struct {
	*desk
	key string
}

// page opens a socket and reads its first word.
func (d *desk) page() writer {
	d.Helper()
	e := d.listen()
	e.conn.SetReadDeadline(time.Now().Add(waiting))
	var h hello
	if err := e.conn.ReadJSON(&h); err != nil || h.Type != "hello" || h.Page < 1 || len(h.Key) < 26 { // 26 letters of 5 bits: 130 bits
		d.Fatalf("the first word is %+v, %v", h, err)
	}
	return writer{d, h.Key}
}

// post writes.
func (w writer) post(path, body string) answer {
	w.Helper()
	r, err := http.NewRequest("POST", w.scheme+"://"+w.host+path, strings.NewReader(body))
	if err != nil {
		w.Fatal(err)
	}
	r.Header.Set("Origin", w.scheme+"://"+w.host)
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set(pageHeader, w.key)
	return w.do(r)
}

// made reads the answer to a write that must be made.
func (w writer) made(a answer) (state textState) {
	w.Helper()
	if a.status != http.StatusOK {
		w.Fatalf("%d %s", a.status, a.body)
	}
	if err := json.Unmarshal(a.body, &state); err != nil {
		w.Fatal(err)
	}
	return state
}

// textOf reads the revision of a motion's text.
func (d *desk) textOf(name string) (s textState) {
	d.Helper()
	if err := json.Unmarshal(d.get("/api/motions/"+name+"/score").body, &s); err != nil {
		d.Fatal(err)
	}
	return s
}

// A drag is one step, saved in the file with its line alone changed; undo gives the
// bytes that were, redo those that came.
func TestChangeUndoRedo(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	p := d.page()
	file := filepath.Join(d.dir, "wake.motion.yaml")
	state := d.textOf("wake")
	for _, value := range []string{"41", "43", "45"} {
		state = p.made(p.post("/api/motions/wake/changes", `{"base":"`+state.Text+`","step":"drag","changes":[{"do":"set-key","track":"wing","index":1,"value":`+value+`}]}`))
	}
	if state.Undo != 1 || state.Redo != 0 {
		t.Errorf("after a drag: %+v", state)
	}
	changed := strings.Replace(smallMotion, "[1s, 40]", "[1s, 45]", 1)
	for _, c := range []struct{ way, want string }{{"save", changed}, {"undo", smallMotion}, {"redo", changed}} {
		state = p.made(p.post("/api/motions/wake/"+c.way, `{"base":"`+state.Text+`"}`))
		state = p.made(p.post("/api/motions/wake/save", `{"base":"`+state.Text+`"}`))
		if text, err := os.ReadFile(file); err != nil || string(text) != c.want || !state.Saved {
			t.Errorf("after %s the file holds %q (%v), %+v", c.way, text, err, state)
		}
	}
	p.post("/api/motions/wake/redo", `{"base":"`+state.Text+`"}`).refusal(t, "no-such-change")
	p.post("/api/motions/wake/undo", `{"base":"stale"}`).refusal(t, "another-version")
	left, err := filepath.Glob(filepath.Join(d.dir, ".*"))
	if err != nil || len(left) > 0 {
		t.Errorf("writing has left %q (%v)", left, err)
	}
}

// What is no write of this server's page changes nothing.
func TestWritesRefused(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	p := d.page()
	text := d.textOf("wake").Text
	const path = "/api/motions/wake/changes"
	for _, c := range []struct{ body, want string }{
		{``, "bad-body"}, {`[]`, "bad-body"}, {`{}`, "bad-body"}, {`{"base":"x"}{}`, "bad-body"}, {"{\"base\":\"\xff\"}", "bad-body"},
		{`{"base":null,"step":"a","changes":[]}`, "bad-body"}, {`{"BASE":"x","step":"a","changes":[]}`, "bad-body"},
		{`{"base":"x","base":"x","step":"a","changes":[]}`, "bad-body"}, {`{"base":"x","step":"a","changes":[]}`, "bad-body"},
		{`{"base":"` + text + `","step":"a","changes":[{"do":"set-key","track":"wing","index":1,"value":400}]}`, "no-such-change"},
		{`{"base":"` + text + `","step":"a","changes":[{"do":"set-key","track":"tail","index":1,"value":4}]}`, "no-such-change"},
		{strings.Repeat(" ", mostWrite+1), "too-large"},
	} {
		p.post(path, c.body).refusal(t, c.want)
	}
	writer{d, "a key that nobody has"}.post(path, `{}`).refusal(t, "no-page")
	own := "Origin: http://" + d.host
	d.ask("POST", path).refusal(t, "wrong-origin")
	d.ask("POST", path, own, "Sec-Fetch-Site: none").refusal(t, "wrong-origin")
	d.ask("POST", path, own, "Content-Type: text/plain").refusal(t, "wrong-type")
	d.ask("POST", path, own, "Content-Type: application/json").refusal(t, "no-page")
	d.ask("OPTIONS", path, own).refusal(t, "wrong-method")
	if now := d.textOf("wake"); now.Text != text || now.Undo != 0 || !now.Saved {
		t.Errorf("something has changed: %+v", now)
	}
}

// FuzzBody: what is taken for a body has exactly its members.
func FuzzBody(f *testing.F) {
	for _, s := range []string{`{"base":"a"}`, `{"base":"a","have":"b"}`, `{"base":1}`, `{"base":"a","base":"b"}`, `{`, `{"base":"a"} x`, `{"Base":"a"}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var base, have string
		if fill(data, member{"base", &base, false}, member{"have", &have, true}) != nil {
			return
		}
		var back map[string]string
		if err := json.Unmarshal(data, &back); err != nil || back["base"] != base || back["have"] != have || len(back) > 2 {
			t.Errorf("%q is read as %q and %q (%v)", data, base, have, err)
		}
	})
}
