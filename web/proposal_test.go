package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/revise"
	"limberjack/sequence"
)

// hasty is a rig and a motion that asks too much of it.
var hasty = map[string]string{"gull.rig.yaml": strings.Replace(smallRig, "pulse: [[-60deg", "limits: {speed: 250deg/s, acceleration: 1500deg/s2, jerk: 60000deg/s3}, pulse: [[-60deg", 1),
	"hasty.motion.yaml": `motion: The gull is in a hurry   # too much so
format: 1
rig: gull.rig.yaml
fps: 25
length: 4s
marks: {cry: {at: 3s, locked: true}}
tracks:
  # What it does.
  wing:
    - [0s, 0]
    - [1s, 0]          # until then it waits
    - [34f, 58]        # this is too fast
    - [50f, 58deg]
    - {at: cry, to: 0, locked: true}
`}

// asked asks for a proposal and waits until it is worked out.
func (w writer) asked(path, body string) (told proposalAnswer) {
	w.Helper()
	at := w.begun(path, body)
	for until := time.Now().Add(waiting); ; time.Sleep(5 * time.Millisecond) {
		if told = w.told(at); told.State != proposalWorking {
			return told
		}
		if time.Now().After(until) {
			w.Fatalf("still %+v", told)
		}
	}
}

// begun asks for a proposal and gives its address.
func (w writer) begun(path, body string) string {
	w.Helper()
	a := w.post(path, body)
	var id struct{ Proposal string }
	if err := json.Unmarshal(a.body, &id); err != nil || a.status != http.StatusAccepted || id.Proposal == "" {
		w.Fatalf("%d %s (%v)", a.status, a.body, err)
	}
	at := path[:strings.LastIndex(path, "/")] + "/proposals/" + id.Proposal
	if a.header.Get("Location") != at { // RFC 9110, section 15.3.3: what is accepted may say where its state is told
		w.Errorf("Location is %s, not %s", a.header.Get("Location"), at)
	}
	return at
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

// untilProposal waits for what the socket tells of a proposal in a state.
func (e ear) untilProposal(id, state string) (m telling) {
	e.Helper()
	e.conn.SetReadDeadline(time.Now().Add(waiting))
	for {
		_, body, err := e.conn.ReadMessage()
		if err != nil {
			e.Fatalf("%s of %s: %v", state, id, err)
		}
		if err := json.Unmarshal(body, &m); err == nil && m.Type == "proposal" && m.ID == id && m.State == state {
			return m
		}
	}
}

// loadedFrom reads a motion as every command does.
func loadedFrom(t testing.TB, dir, name string) *sequence.Script {
	t.Helper()
	script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return os.Open(name) }, filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	return script
}

// A proposal changes nothing until it is accepted. Then the files have the bytes that the
// command writes, as one step; undone, the motion has its own again.
func TestProposalAccepted(t *testing.T) {
	t.Parallel()
	pace := func(file string) func([]sequence.Knot) string { return func([]sequence.Knot) string { return file } }
	retime := func(o revise.RetimeOptions) func(testing.TB, *sequence.Script, []byte) ([]byte, []byte) {
		return func(t testing.TB, s *sequence.Script, text []byte) ([]byte, []byte) {
			done, err := revise.Retime(s, text, o)
			if err != nil {
				t.Fatal(err)
			}
			if !done.Apart {
				return done.Text, nil
			}
			return done.Text, sequence.PaceCSV(done.Knots)
		}
	}
	shape := func(t testing.TB, s *sequence.Script, text []byte) ([]byte, []byte) {
		m, err := sequence.NewManuscript(text, s)
		if err != nil {
			t.Fatal(err)
		}
		done, err := revise.Shape(m, nil)
		if err != nil {
			t.Fatal(err)
		}
		return done.Script.Text, nil
	}
	for _, c := range []struct {
		motion, options string
		want            func(testing.TB, *sequence.Script, []byte) (text, csv []byte)
	}{
		{"hasty", `"kind":"retime","catchUp":2`, retime(revise.RetimeOptions{CatchUp: 2, PaceFile: pace("hasty.pace.csv")})},
		{"hasty", `"kind":"retime","catchUp":2,"tolerance":5`, retime(revise.RetimeOptions{CatchUp: 2, Within: 5, PaceFile: pace("hasty.pace.csv")})},
		{"hasty", `"kind":"retime-keys","catchUp":1.5`, retime(revise.RetimeOptions{Keys: true, CatchUp: 1.5})},
		{"hasty", `"kind":"shape"`, shape},
	} {
		t.Run(c.motion+c.options, func(t *testing.T) {
			d := openDesk(t, small(t, hasty), c.motion+".motion.yaml", nil)
			p, ear := d.page(), d.listen()
			name := c.motion + ".motion.yaml"
			was, state, script := d.file(name), d.textOf(c.motion), loadedFrom(t, d.dir, name)
			told := p.asked("/api/motions/"+c.motion+"/mend", `{"base":"`+state.Text+`",`+c.options+`}`)
			if told.State != proposalReady || told.Figures == nil || told.Figures.ErrorsAfter >= told.Figures.ErrorsBefore || len(told.Lines) == 0 || told.Base != state.Text {
				t.Fatalf("%+v", told)
			}
			at := "/api/motions/" + c.motion + "/proposals/" + told.ID
			if told.File != "" {
				if _, err := os.Stat(filepath.Join(d.dir, told.File)); err == nil {
					t.Error("the pace is written before it is accepted")
				}
			}
			ear.untilProposal(told.ID, proposalReady)
			if now := d.file(name); !bytes.Equal(now, was) || d.textOf(c.motion) != state {
				t.Error("a proposal has changed the motion")
			}
			proposed := d.get(at + "/score").body
			d.get(at + "/curves")
			state = p.made(p.post(at+"/accept", `{"base":"`+state.Text+`"}`))
			ear.untilProposal(told.ID, proposalGone)
			state = p.made(p.post("/api/motions/"+c.motion+"/save", `{"base":"`+state.Text+`"}`))
			text, csv := c.want(t, script, was)
			if now := d.file(name); !bytes.Equal(now, text) {
				t.Errorf("written is\n%s", now)
			}
			if csv != nil && !bytes.Equal(d.file(c.motion+".pace.csv"), csv) {
				t.Error("the pace is another one")
			}
			var a, b Score
			if json.Unmarshal(proposed, &a) != nil || json.Unmarshal(d.get("/api/motions/"+c.motion+"/score").body, &b) != nil || a.Length != told.Figures.LengthAfter || len(a.Findings) != len(b.Findings) || a.Length != b.Length {
				t.Errorf("proposed were %v s with %d findings, accepted %v s with %d", a.Length, len(a.Findings), b.Length, len(b.Findings))
			}
			for _, way := range []struct {
				do   string
				want []byte
			}{{"undo", was}, {"redo", text}, {"undo", was}} {
				state = p.made(p.post("/api/motions/"+c.motion+"/"+way.do, `{"base":"`+state.Text+`"}`))
				state = p.made(p.post("/api/motions/"+c.motion+"/save", `{"base":"`+state.Text+`"}`))
				if now := d.file(name); !bytes.Equal(now, way.want) {
					t.Errorf("after %s the file holds\n%s", way.do, now)
				}
			}
			if state.Undo != 0 || state.Redo != 1 {
				t.Errorf("an accepted proposal is not one step: %+v", state)
			}
			d.ask("GET", at).refusal(t, "no-such-proposal")
			p.post(at+"/accept", `{"base":"stale"}`).refusal(t, "another-version")
		})
	}
}

// A second pace leaves the file of the first alone, which the text before it names.
func TestProposalKeepsEarlierPaces(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, hasty), "hasty.motion.yaml", nil)
	p, state := d.page(), d.textOf("hasty")
	var texts [][]byte
	for i, options := range []string{`"catchUp":2`, `"tolerance":0.02`} {
		texts = append(texts, d.file("hasty.motion.yaml"))
		told := p.asked("/api/motions/hasty/mend", `{"base":"`+state.Text+`","kind":"retime",`+options+`}`)
		if want := []string{"hasty.pace.csv", "hasty.pace-2.csv"}[i]; told.File != want {
			t.Fatalf("%d: the pace goes to %q, not %s: %s", i, told.File, want, told.Text)
		}
		state = p.made(p.post("/api/motions/hasty/proposals/"+told.ID+"/accept", `{"base":"`+state.Text+`"}`))
		state = p.made(p.post("/api/motions/hasty/save", `{"base":"`+state.Text+`"}`))
		loadedFrom(t, d.dir, "hasty.motion.yaml")
	}
	for i := range texts {
		state = p.made(p.post("/api/motions/hasty/undo", `{"base":"`+state.Text+`"}`))
		state = p.made(p.post("/api/motions/hasty/save", `{"base":"`+state.Text+`"}`))
		if now := d.file("hasty.motion.yaml"); !bytes.Equal(now, texts[len(texts)-1-i]) {
			t.Errorf("undone, the file holds\n%s", now)
		}
		loadedFrom(t, d.dir, "hasty.motion.yaml")
	}
	if state = d.textOf("hasty"); state.Undo != 0 || state.Conflict != nil || state.Trouble != "" {
		t.Errorf("%+v", state)
	}
}

// What is refused says why at a place, and changes nothing.
func TestProposalRefused(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, hasty), "hasty.motion.yaml", nil)
	p := d.page()
	was, state := d.file("hasty.motion.yaml"), d.textOf("hasty")
	for _, c := range []struct{ path, body, want string }{
		{"takes", `"row":"axis:wing","tolerance":1,"samples":[[2.5,10],[2.8,12],[3.2,11]]`, "locked, and would have to give way"},
		{"takes", `"row":"axis:wing","tolerance":1,"samples":[[2.2,10],[2.4,61]]`, "sample 2 of the take asks wing for 61 deg"},
		{"takes", `"row":"axis:wing","tolerance":1,"samples":[[3.2,10],[5,11]]`, "after the end of the motion"},
		{"mend", `"kind":"retime-keys","catchUp":1`, "moved keys cannot keep what is locked"},
	} {
		told := p.asked("/api/motions/hasty/"+c.path, `{"base":"`+state.Text+`",`+c.body+`}`)
		if told.State != proposalRefused || !strings.Contains(told.Text, c.want) || len(told.Problems) == 0 || told.Problems[0].Line == 0 || told.Figures != nil {
			t.Errorf("%s: %+v", c.body, told)
		}
		at := "/api/motions/hasty/proposals/" + told.ID
		p.post(at+"/accept", `{"base":"`+state.Text+`"}`).refusal(t, "not-ready")
		d.ask("GET", at+"/score").refusal(t, "not-ready")
		d.ask("GET", at+"/curves").refusal(t, "not-ready")
	}
	easy := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	q, base := easy.page(), easy.textOf("wake").Text
	for _, kind := range []string{"retime", "retime-keys", "shape"} {
		if told := q.asked("/api/motions/wake/mend", `{"base":"`+base+`","kind":"`+kind+`"}`); told.State != proposalRefused || !strings.HasPrefix(told.Text, "nothing to ") {
			t.Errorf("%s of what needs none: %+v", kind, told)
		}
	}
	if now := d.file("hasty.motion.yaml"); !bytes.Equal(now, was) || d.textOf("hasty") != state {
		t.Error("a refused proposal has changed the motion")
	}
}

// A proposal goes when it is dropped, replaced, outdated by a change, or not asked for.
func TestProposalGone(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, hasty), "hasty.motion.yaml", nil)
	p, ear := d.page(), d.listen()
	state := d.textOf("hasty")
	const path = "/api/motions/hasty/takes"
	take := func() (at, id string) {
		told := p.asked(path, `{"base":"`+state.Text+`","row":"axis:eye","tolerance":1,"samples":[[0.5,10],[1,30],[1.5,10]]}`)
		if told.State != proposalReady {
			t.Fatalf("%+v", told)
		}
		return "/api/motions/hasty/proposals/" + told.ID, told.ID
	}
	at, id := take()
	writer{d, "a key that nobody has"}.remove(at).refusal(t, "no-page")
	ear.until("the listing names it", func(l listing) bool { return l.Motions[0].Proposal != nil && *l.Motions[0].Proposal == id })
	if a := p.remove(at); a.status != http.StatusNoContent || len(a.body) > 0 {
		t.Errorf("dropped: %d %s", a.status, a.body)
	}
	ear.untilProposal(id, proposalGone)
	ear.until("the listing has none", func(l listing) bool { return l.Motions[0].Proposal == nil })
	p.remove(at).refusal(t, "no-such-proposal")

	_, id = take()
	at, second := take()
	if m := ear.untilProposal(id, proposalGone); !strings.Contains(m.Text, "another proposal") {
		t.Errorf("replaced: %+v", m)
	}
	base := state.Text
	state = p.made(p.post("/api/motions/hasty/changes", `{"base":"`+base+`","step":"a","changes":[{"do":"set-key","track":"wing","index":1,"value":1}]}`))
	if m := ear.untilProposal(second, proposalGone); !strings.Contains(m.Text, "has changed") {
		t.Errorf("outdated: %+v", m)
	}
	if got := p.post(at+"/accept", `{"base":"`+base+`"}`).refusal(t, "another-version"); got.Text != state.Text {
		t.Errorf("the current text is %s, not %s", got.Text, state.Text)
	}
	p.post(at+"/accept", `{"base":"`+state.Text+`"}`).refusal(t, "no-such-proposal")
	p.post(path, `{"base":"`+base+`","row":"axis:eye","tolerance":1,"samples":[[0.5,10],[1,30]]}`).refusal(t, "another-version")

	d.project.mu.Lock()
	d.project.patience = time.Millisecond
	d.project.mu.Unlock()
	at = p.begun(path, `{"base":"`+state.Text+`","row":"axis:eye","tolerance":1,"samples":[[0.5,10],[1,30],[1.5,10]]}`)
	if m := ear.untilProposal(filepath.Base(at), proposalGone); !strings.Contains(m.Text, "nobody") {
		t.Errorf("not asked for: %+v", m)
	}
}

// Times are told in words, and what differs in two files in lines of theirs only: diff (POSIX)
// says by a line of its own that no line end follows.
func TestProposalTexts(t *testing.T) {
	t.Parallel()
	for d, want := range map[time.Duration]string{proposalPatience: "10 min", buildPatience: "2 min", 90 * time.Second: "90 s", time.Millisecond: "0.001 s"} {
		if got := timeText(d); got != want {
			t.Errorf("%v is told as %q and not %q", d, got, want)
		}
	}
	got := hunksOf([]byte("a\nb"), []byte("a\nc"))
	if len(got) != 1 || !slices.Equal(got[0].Lines, []string{" a", "-b", "+c"}) || got[0].Cut != 0 {
		t.Errorf("%+v", got)
	}
}

// A show may name its motions by their whole paths. A pace that comes in a file of its own
// is written all the same, beside the motion.
func TestProposalOfAWholePath(t *testing.T) {
	t.Parallel()
	dir := small(t, hasty)
	show := "show: Gulls\nformat: 1\nrig: gull.rig.yaml\nstart: {play: hurry}\nmotions:\n  hurry: {file: " + strconv.Quote(filepath.Join(dir, "hasty.motion.yaml")) + ", every: [4s, 9s]}\n"
	if err := os.WriteFile(filepath.Join(dir, "gulls.show.yaml"), []byte(show), 0o644); err != nil {
		t.Fatal(err)
	}
	d := openDesk(t, dir, "gulls.show.yaml", nil)
	d.listen().until("it is there", settled(stateGood))
	p, state := d.page(), d.textOf("hurry")
	told := p.asked("/api/motions/hurry/mend", `{"base":"`+state.Text+`","kind":"retime","catchUp":2}`)
	if told.State != proposalReady || told.File != "hasty.pace.csv" {
		t.Fatalf("%+v", told)
	}
	state = p.made(p.post("/api/motions/hurry/proposals/"+told.ID+"/accept", `{"base":"`+state.Text+`"}`))
	p.made(p.post("/api/motions/hurry/save", `{"base":"`+state.Text+`"}`))
	if s := loadedFrom(t, dir, "hasty.motion.yaml"); len(s.Pace) < 25 {
		t.Errorf("the motion has a pace of %d knots", len(s.Pace))
	}
}

// What waits for a motion that is being worked out for the first time is told so after a
// while, also where it writes, and of the rig.
func TestNotYet(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	d.listen().until("it is there", settled(stateGood))
	p := d.page()
	d.project.mu.Lock()
	d.project.first = time.Millisecond
	m := d.project.motionOf("wake")
	m.take, m.first = nil, make(chan struct{}) // as if it had not been worked out yet
	d.project.mu.Unlock()
	for _, c := range []struct{ path, body string }{
		{"/api/motions/wake/changes", `{"base":"a","step":"a","changes":[{"do":"set-key","track":"wing","index":1,"value":1}]}`},
		{"/api/motions/wake/undo", `{"base":"a"}`},
		{"/api/motions/wake/save", `{"base":"a"}`},
		{"/api/motions/wake/mend", `{"base":"a","kind":"shape"}`},
		{"/api/motions/wake/takes", `{"base":"a","row":"axis:wing","tolerance":1,"samples":[[0,1],[1,2]]}`},
		{"/api/rig/axes/wing/trim", `{"base":"a","us":5}`},
		{"/api/rig/undo", `{"base":"a"}`},
	} {
		if a := p.post(c.path, c.body); a.header.Get("Retry-After") == "" {
			t.Errorf("%s does not say when to ask again", c.path)
		} else {
			a.refusal(t, "not-yet")
		}
	}
	d.ask("GET", "/api/rig").refusal(t, "not-yet")
}

// slowReader is a reader of an answer: what is written to him fails once his time is
// over, as net/http has it.
type slowReader struct {
	*httptest.ResponseRecorder
	until time.Time
}

func (s *slowReader) SetWriteDeadline(t time.Time) error {
	s.until = t
	return nil
}

func (s *slowReader) Write(b []byte) (int, error) {
	if time.Now().After(s.until) {
		return 0, os.ErrDeadlineExceeded
	}
	return s.ResponseRecorder.Write(b)
}

// A refusal is told also where it took longer to find than an answer has time.
func TestLateRefusal(t *testing.T) {
	t.Parallel()
	w := &slowReader{ResponseRecorder: httptest.NewRecorder()} // its time is over
	faultChange.refuse(w, "it cannot be")
	answer{w.Code, w.Header(), w.Body.Bytes()}.refusal(t, "no-such-change")
}

// What was measured of a proposal is of no use, nor is that of a motion of very many pieces.
func TestMeasuresKept(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, hasty), "hasty.motion.yaml", nil)
	p, state := d.page(), d.textOf("hasty")
	told := p.asked("/api/motions/hasty/mend", `{"base":"`+state.Text+`","kind":"shape"}`)
	if _, _, out := d.project.proposalBy("hasty", told.ID); out == nil || out.take.measures != nil {
		t.Errorf("%+v", told)
	}
	change := func(more string) *take {
		state = p.made(p.post("/api/motions/hasty/changes", `{"base":"`+state.Text+`","step":"`+more+`","changes":[{"do":"set-key","track":"wing","index":1,"value":`+more+`}]}`))
		return d.takeAt("hasty")
	}
	if change("1").measures == nil {
		t.Error("nothing is kept of a small motion that is edited")
	}
	for parts, want := range map[float64]bool{1: true, mostMeasured: true, mostMeasured + 1: false, mostParts: false} {
		if keepsMeasures(d.takeAt("hasty"), parts) != want {
			t.Errorf("what was measured of %g pieces is not kept, or is: want %t", parts, want)
		}
	}
}

// There are eight proposals at most, and one a motion; a page that comes later is told of
// them at once. They wait while something else needs the processors.
func TestProposalsBounded(t *testing.T) {
	t.Parallel()
	files := map[string]string{}
	show := "show: Gulls\nformat: 1\nrig: gull.rig.yaml\nstart: {play: m0}\nmotions:\n"
	for i := range mostProposals + 1 {
		files[fmt.Sprintf("m%d.motion.yaml", i)] = smallMotion
		show += fmt.Sprintf("  m%d: {file: m%d.motion.yaml, every: [4s, 9s]}\n", i, i)
	}
	files["gulls.show.yaml"] = show
	d := openDesk(t, small(t, files), "gulls.show.yaml", nil)
	d.listen().until("all are there", settled(stateGood))
	var busy atomic.Bool
	busy.Store(true)
	none := func(*sequence.Manuscript, *take, func() bool) (*outcome, error) {
		return nil, sequence.Problems{{Text: "nothing to do"}}
	}
	propose := func(i int) (string, error) {
		name := fmt.Sprintf("m%d", i)
		return d.project.propose(context.Background(), name, d.textOf(name).Text, kindShape, busy.Load, none)
	}
	var ids []string
	for i := range mostProposals {
		id, err := propose(i)
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, id)
	}
	if _, err := propose(mostProposals); err != errProposals {
		t.Errorf("one more gives %v", err)
	}
	d.page().post(fmt.Sprintf("/api/motions/m%d/mend", mostProposals), `{"base":"`+d.textOf("m8").Text+`","kind":"shape"}`).refusal(t, "too-many-proposals")
	id, err := propose(0)
	if err != nil {
		t.Errorf("in the place of the one there was: %v", err)
	}
	ids[0] = id
	time.Sleep(2 * restEvery) // nothing may come of them meanwhile
	late := d.listen()
	var heard []string
	for len(heard) < mostProposals {
		_, body, err := late.conn.ReadMessage()
		if err != nil {
			t.Fatal(err)
		}
		var m telling
		if json.Unmarshal(body, &m) == nil && m.Type == "proposal" {
			if heard = append(heard, m.ID); m.State != proposalWorking {
				t.Errorf("it did not wait: %+v", m)
			}
		}
	}
	slices.Sort(heard)
	if slices.Sort(ids); !slices.Equal(heard, ids) {
		t.Errorf("heard of %v, not of %v", heard, ids)
	}
	busy.Store(false)
	late.untilProposal(id, proposalRefused)
}

// What is no take gives one clear problem, and no proposal.
func TestTakesRefusedAtOnce(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	p, text := d.page(), d.textOf("wake").Text
	body := func(row, tolerance, samples string) string {
		return `{"base":"` + text + `","row":"` + row + `","tolerance":` + tolerance + `,"samples":` + samples + `}`
	}
	many := "[" + strings.Repeat("[1,2],", mostSamples) + "[2,2]]"
	for _, c := range []struct{ body, kind, want string }{
		{body("axis:wing", "1", "[[0,NaN],[1,2]]"), "bad-body", "JSON"},
		{body("axis:wing", "1", "[[0,1e400],[1,2]]"), "bad-body", "sample 1 "},
		{body("axis:wing", "1", "[[0,1],[null,2]]"), "bad-body", "sample 2 "},
		{body("axis:wing", "1", "[[0,1],[1,2,3]]"), "bad-body", "sample 2 "},
		{body("axis:wing", "1", "[[0,1],[1]]"), "bad-body", "sample 2 "},
		{body("axis:wing", "1", "[[0,1],1]"), "bad-body", "sample 2 "},
		{body("axis:wing", "1", `[[0,1],["1",2]]`), "bad-body", "sample 2 "},
		{body("axis:wing", "1", "[[0,1],[1,2],[0.5,2]]"), "bad-body", "sample 3 of the take is at 0.5 s, before"},
		{body("axis:wing", "1", "[[-1,1],[1,2]]"), "bad-body", "sample 1 "},
		{body("axis:wing", "1", "[[0,1],[1e9,2]]"), "bad-body", "sample 2 "},
		{body("axis:wing", "1", "[[0,1],[1,1e7]]"), "bad-body", "sample 2 "},
		{body("axis:wing", "1", "[[1,1],[1,2]]"), "bad-body", "the least"},
		{body("axis:wing", "1", "[]"), "bad-body", "the least"},
		{body("axis:wing", "1", "{}"), "bad-body", "list"},
		{body("axis:wing", "0", "[[0,1],[1,2]]"), "bad-body", "tolerance"},
		{body("axis:wing", "-1", "[[0,1],[1,2]]"), "bad-body", "tolerance"},
		{body("axis:wing", "1e400", "[[0,1],[1,2]]"), "bad-body", "tolerance"},
		{body("axis:wing", "1", many), "bad-body", "more than 150000 samples"},
		{strings.Replace(body("axis:wing", "1", "[[0,1],[1,2]]"), `"row"`, `"over":"under","row"`, 1), "bad-body", "replace"},
		{body("axis:wong", "1", "[[0,1],[1,2]]"), "no-such-change", "axis:wong"},
		{body("wing", "1", "[[0,1],[1,2]]"), "no-such-change", "no row"},
		{strings.Repeat(" ", mostTake+1), "too-large", ""},
	} {
		if got := p.post("/api/motions/wake/takes", c.body).refusal(t, c.kind); !strings.Contains(got.Detail, c.want) || c.kind == "no-such-change" && len(got.Problems) != 1 {
			t.Errorf("%.120s: %+v", c.body, got)
		}
	}
	for _, c := range []struct{ options, want string }{
		{`"kind":"retune"`, "retime"}, {`"kind":"retime","catchUp":5`, "1 to 4"}, {`"kind":"retime","catchUp":0`, "1 to 4"}, {`"kind":"retime","tolerance":11`, "0.01 to 10"},
		{`"kind":"retime-keys","tolerance":1`, "leave it out"}, {`"kind":"shape","fastest":true`, "no options"}, {`"kind":"retime","fastest":1`, "wrong kind"}, {`"kind":"retime","dryRun":true`, "nothing called"},
	} {
		if got := p.post("/api/motions/wake/mend", `{"base":"`+text+`",`+c.options+`}`).refusal(t, "bad-body"); !strings.Contains(got.Detail, c.want) {
			t.Errorf("%s: %s", c.options, got.Detail)
		}
	}
	if now := d.textOf("wake"); now.Text != text || now.Undo != 0 {
		t.Errorf("something has changed: %+v", now)
	}
}

// A take that comes by the page at 120 samples a second becomes few keys; read back from
// the file by every command, the curve is within the tolerance at every sample. The
// motion is the minimum-jerk one: x = 10 t^3 - 15 t^4 + 6 t^5 (T. Flash and N. Hogan, The
// coordination of arm movements, J. Neurosci. 5, 1985, from memory).
func TestTakeAccepted(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, hasty), "wake.motion.yaml", nil)
	p, state := d.page(), d.textOf("wake")
	curve := func(t float64) float64 {
		u := math.Min(1, math.Max(0, (t-0.5)/1.5))
		return 40 * u * u * u * (10 + u*(6*u-15))
	}
	var samples []string
	var times []float64
	for k := range 360 {
		times = append(times, float64(k)/120+0.002*math.Sin(float64(k*k)))
		times[k] = math.Max(0, times[k])
		samples = append(samples, fmt.Sprintf("[%.6f,%.9f]", times[k], curve(times[k])))
	}
	const tolerance = 0.5
	told := p.asked("/api/motions/wake/takes", fmt.Sprintf(`{"base":%q,"row":"control:flap","tolerance":%g,"samples":[%s]}`, state.Text, tolerance, strings.Join(samples, ",")))
	if told.State != proposalReady || told.Figures.TakeFigures == nil || told.Figures.Samples != 360 || told.Figures.Keys*10 > 360 || told.Figures.Greatest > tolerance || told.Figures.Unit != "deg" {
		t.Fatalf("%+v", told)
	}
	state = p.made(p.post("/api/motions/wake/proposals/"+told.ID+"/accept", `{"base":"`+state.Text+`"}`))
	p.made(p.post("/api/motions/wake/save", `{"base":"`+state.Text+`"}`))
	var score Score
	if err := json.Unmarshal(d.get("/api/motions/wake/score").body, &score); err != nil {
		t.Fatal(err)
	}
	row := slices.IndexFunc(score.Rows, func(r Row) bool { return r.Kind == "control" && r.Name == "flap" })
	if row < 0 || len(score.Rows[row].Keys) != told.Figures.Keys {
		t.Fatalf("the control is not drawn with its %d keys", told.Figures.Keys)
	}
	worst := 0.0
	for i, v := range controlValues(t, loadedFrom(t, d.dir, "wake.motion.yaml"), "flap", times) {
		worst = math.Max(worst, math.Abs(v-curve(times[i])))
	}
	if t.Logf("%s; from the file %.3f", told.Text, worst); worst > tolerance {
		t.Errorf("read back, the curve is off by %g", worst)
	}
	if score.Findings == nil || told.Figures.ErrorsAfter != len(errorsIn(score)) {
		t.Errorf("%d errors were told, %d are there", told.Figures.ErrorsAfter, len(errorsIn(score)))
	}
}

func errorsIn(s Score) (out []Finding) {
	for _, f := range s.Findings {
		if f.Severity == check.Error.String() {
			out = append(out, f)
		}
	}
	return out
}

// FuzzTake: what is taken for a take is one: as many times as values, that never fall and
// are within bounds, the same that the JSON holds.
func FuzzTake(f *testing.F) {
	for _, s := range []string{`[[0,1],[1,2]]`, `[[0,1],[0,2],[1,3]]`, `[[0,1e400],[1,2]]`, `[[0,NaN]]`, `[[0,1],[1,2]`, `[]`, `[[1,2],[0,1]]`, `[[null,1],[1,2]]`, `[[0,"1"],[1,2]]`, `[[[0],1],[1,2]]`, `[[0,1],[1,-0]]`, `[[0,1],[48000000,1]]`} {
		f.Add([]byte(`{"base":"b","row":"axis:wing","tolerance":0.5,"samples":` + s + `}`))
	}
	f.Add([]byte(`{"base":"b","row":"axis:wing","tolerance":0.5,"samples":[[0,1],[1,2]],"over":"add"}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		base, take, err := readRecording(data)
		if err != nil {
			if err.Error() == "" {
				t.Error("it does not say why")
			}
			return
		}
		var back struct {
			Base, Row, Over string
			Tolerance       float64
			Samples         [][2]float64
		}
		if err := json.Unmarshal(data, &back); err != nil || back.Base != base || back.Row != take.row || back.Tolerance != take.tolerance || take.add != (back.Over == "add") || len(back.Samples) != len(take.times) || len(take.values) != len(take.times) {
			t.Fatalf("%q is read as %+v (%v)", data, take, err)
		}
		for i, s := range back.Samples {
			if s[0] != take.times[i] || s[1] != take.values[i] || i > 0 && take.times[i] < take.times[i-1] || take.times[i] < 0 || take.times[i] > mostSeconds || math.Abs(s[1]) > mostValue {
				t.Fatalf("%q: sample %d is read as %g, %g", data, i, take.times[i], take.values[i])
			}
		}
	})
}

// controlValues gives the curve of a control at ascending times.
func controlValues(t testing.TB, s *sequence.Script, name string, times []float64) []float64 {
	t.Helper()
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range p.Controls {
		if c.Spec.Name == name {
			out := make([]float64, len(times))
			for i, at := range times {
				out[i] = c.Curve.Value(at)
			}
			return out
		}
	}
	t.Fatalf("there is no control %s", name)
	return nil
}
