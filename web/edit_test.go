package web

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
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

// After many changes, what the page has, put together from its answers, and what the
// server gives, is what a server gives that starts with the files.
func TestEditedIsFresh(t *testing.T) {
	t.Parallel()
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	p := d.page()
	page := map[string]json.RawMessage{}
	if err := json.Unmarshal(d.get("/api/motions/greet/score").body, &page); err != nil {
		t.Fatal(err)
	}
	curves, patches := d.get("/api/motions/greet/curves").body, 0
	for i, change := range []string{
		`{"do":"set-key","track":"elbow","index":1,"value":61}`, `{"do":"set-key","track":"tilt","index":1,"value":30}`, `{"do":"set-key","track":"tilt","index":1,"value":7.5}`,
		`{"do":"set-key","track":"lantern","index":1,"value":99}`, `{"do":"set-mark","name":"lift","time":6.4}`, `{"do":"add-key","track":"head-pan","time":17.5,"value":-20}`,
		`{"do":"set-key","track":"arm","index":1,"value":90}`, `{"do":"shift-keys","keys":[{"track":"beacon","index":1}],"time":-0.4}`,
	} {
		var text, revision string
		if err := errors.Join(json.Unmarshal(page["text"], &text), json.Unmarshal(page["revision"], &revision)); err != nil {
			t.Fatal(err)
		}
		a := p.post("/api/motions/greet/changes", fmt.Sprintf(`{"base":%q,"have":%q,"step":"%d","changes":[%s]}`, text, revision, i, change))
		if a.status != http.StatusOK {
			t.Fatalf("%s: %d %s", change, a.status, a.body)
		}
		assign(t, page, a.body)
		if patched(t, curves, a.body) {
			patches++
		} else {
			curves = d.get("/api/motions/greet/curves").body
		}
	}
	if patches < 4 {
		t.Errorf("only %d answers of changes had what differs in the curves", patches)
	}
	p.save("greet", d.textOf("greet").Text)
	var now map[string]json.RawMessage
	if err := json.Unmarshal(d.get("/api/motions/greet/score").body, &now); err != nil {
		t.Fatal(err)
	}
	again := openDesk(t, d.dir, "greet.motion.yaml", nil)
	var fresh map[string]json.RawMessage
	if err := json.Unmarshal(again.get("/api/motions/greet/score").body, &fresh); err != nil {
		t.Fatal(err)
	}
	for name, want := range fresh {
		switch name {
		case "text", "revision", "undo", "redo", "saved": // of each server its own
		default:
			if string(page[name]) != string(want) || string(now[name]) != string(want) {
				t.Errorf("%s: the page has\n%s\nthe server\n%s\nand a fresh one\n%s", name, page[name], now[name], want)
			}
		}
	}
	if a, b := d.get("/api/motions/greet/curves").body, again.get("/api/motions/greet/curves").body; string(a) != string(b) || string(curves) != string(b) {
		t.Error("the curves differ")
	}
}

// patched puts into curves what an answer says that differs, where it does.
func patched(t *testing.T, curves, body []byte) bool {
	t.Helper()
	var a struct{ Spans []curveSpan }
	if err := json.Unmarshal(body, &a); err != nil {
		t.Fatal(err)
	}
	samples := int(binary.LittleEndian.Uint32(curves[16:]))
	for _, s := range a.Spans {
		copy(curves[curveHead+4*(s.Curve*samples+s.From):], s.Values)
	}
	return a.Spans != nil
}

// TestSpans: what differs is told once for each curve, and not at all where the curves are
// sampled otherwise, or most of a long motion is another.
func TestSpans(t *testing.T) {
	t.Parallel()
	make := func(samples int, set func(r *recording)) []byte {
		r := newRecording(layout{rate: 250, samples: samples, count: 3})
		if set != nil {
			set(r)
		}
		return r.body
	}
	l := layout{rate: 250, samples: 40, count: 3}
	was := make(40, nil)
	now := make(40, func(r *recording) { r.put(0, 39, 1); r.put(2, 4, 0.5); r.put(2, 7, -2) })
	spans := spansOf(was, now, l)
	if len(spans) != 2 || spans[0].Curve != 0 || spans[0].From != 39 || len(spans[0].Values) != 4 || spans[1].Curve != 2 || spans[1].From != 4 || len(spans[1].Values) != 16 {
		t.Errorf("%+v", spans)
	}
	if spans := spansOf(was, was, l); spans == nil || len(spans) > 0 {
		t.Errorf("of the same curves: %#v", spans)
	}
	if spansOf(was, make(41, nil), layout{rate: 250, samples: 41, count: 3}) != nil {
		t.Error("curves of other lengths are compared")
	}
	if spansOf(nil, now, l) != nil {
		t.Error("curves are compared with none")
	}
	long := mostSpans/4 + 1
	if spansOf(make(long, nil), make(long, func(r *recording) { r.put(1, 0, 1); r.put(1, long-1, 1) }), layout{rate: 250, samples: long, count: 3}) != nil {
		t.Error("more than an answer carries is told")
	}
}

// assign takes an answer in as the page does.
func assign(t *testing.T, page map[string]json.RawMessage, body []byte) {
	t.Helper()
	var a map[string]json.RawMessage
	var score map[string]json.RawMessage
	var rows []struct {
		Index int
		Row   json.RawMessage
	}
	if err := errors.Join(json.Unmarshal(body, &a), json.Unmarshal(a["score"], &score), json.Unmarshal(a["rows"], &rows)); err != nil {
		t.Fatal(err)
	}
	delete(a, "score")
	delete(a, "rows")
	delete(a, "spans")
	maps.Copy(page, a)
	maps.Copy(page, score)
	var all []json.RawMessage
	if err := json.Unmarshal(page["rows"], &all); err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		all[r.Index] = r.Row
	}
	whole, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	page["rows"] = whole
}
