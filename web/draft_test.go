package web

import (
	"bytes"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// reads gives what a file of the desk holds.
func (d *desk) reads(name string) string {
	d.Helper()
	text, err := os.ReadFile(filepath.Join(d.dir, name))
	if err != nil {
		d.Fatal(err)
	}
	return string(text)
}

// becomes waits until the state of the text is as it should be.
func (d *desk) becomes(name, what string, good func(textState) bool) textState {
	d.Helper()
	var s textState
	for end := time.Now().Add(waiting); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if s = d.textOf(name); good(s) {
			return s
		}
	}
	d.Fatalf("%s: %+v", what, s)
	return s
}

// save ends the step and waits for the file.
func (w writer) save(name, base string) version {
	w.Helper()
	return w.version(w.post("/api/motions/"+name+"/save", fmt.Sprintf(`{"base":%q}`, base)))
}

// undo takes all steps back.
func (w writer) undoAll(name string) version {
	w.Helper()
	v := version{textState: w.textOf(name)}
	for v.Undo > 0 {
		v = w.version(w.post("/api/motions/"+name+"/undo", fmt.Sprintf(`{"base":%q}`, v.Text)))
	}
	return w.save(name, v.Text)
}

// whileUnsaved has something done to the files while a change of the motion wake is
// not saved yet, and gives the text of the page.
func (w writer) whileUnsaved(value float64, do func()) string {
	w.Helper()
	v := w.version(w.change("wake", w.textOf("wake").Text, "first", wing(41)))
	w.save("wake", v.Text)
	w.project.mu.Lock()
	d := w.project.drafts["wake.motion.yaml"]
	w.project.mu.Unlock()
	d.disk.Lock() // neither saved nor met until all is done
	defer d.disk.Unlock()
	w.version(w.change("wake", v.Text, "second", wing(value)))
	do()
	return strings.Replace(smallMotion, "[1s, 40]", fmt.Sprintf("[1s, %g]", value), 1)
}

// besideWake gives what the other versions of the motion wake hold.
func (d *desk) besideWake(whose string) (list []string) {
	d.Helper()
	files, err := filepath.Glob(filepath.Join(d.dir, "wake."+whose+"-*.motion.yaml"))
	if err != nil {
		d.Fatal(err)
	}
	for _, f := range files {
		list = append(list, d.reads(filepath.Base(f)))
	}
	return list
}

const herMotion = `# somebody else's
motion: The gull sleeps
format: 1
rig: gull.rig.yaml
length: 4s
tracks:
  wing: [[0s, 0], [1s, 10], [2s, 0]]
`

// A file that others change while something is not saved rules; what the page had is
// kept beside it and shown as a motion. Either version can be chosen, and undone.
func TestConflict(t *testing.T) {
	t.Parallel()
	for _, keep := range []string{"file", "mine"} {
		d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
		p, e := d.page(), d.listen()
		mine := p.whileUnsaved(43, func() { d.write("wake.motion.yaml", herMotion) })
		l := e.until("both shown", func(l listing) bool { return len(l.Motions) == 2 && settled(stateGood)(l) && l.Motions[0].Undo == 3 })
		if l.Motions[0].Conflict == nil || l.Motions[0].Title != "The gull sleeps" || l.Motions[1].Title != "The gull wakes" || filepath.Base(l.Motions[1].File) != l.Motions[0].Conflict.File {
			t.Fatalf("%+v", l)
		}
		if got := d.besideWake("mine"); len(got) != 1 || got[0] != mine || d.reads("wake.motion.yaml") != herMotion {
			t.Fatalf("%q stands beside %q", got, d.reads("wake.motion.yaml"))
		}
		p.post("/api/motions/wake/resolve", `{"base":"stale","keep":"mine"}`).refusal(t, "another-version")
		if got := d.besideWake("other"); len(got) > 0 {
			t.Errorf("a refused answer has written %q", got)
		}
		v := p.version(p.post("/api/motions/wake/resolve", fmt.Sprintf(`{"base":%q,"keep":%q}`, d.textOf("wake").Text, keep)))
		if v.Conflict != nil {
			t.Errorf("keep %s: %+v", keep, v)
		}
		p.save("wake", v.Text)
		want, other := herMotion, 0
		if keep == "mine" {
			want, other = mine, 1
		}
		if got := d.reads("wake.motion.yaml"); got != want {
			t.Errorf("keep %s: the file holds %q", keep, got)
		}
		if got := d.besideWake("other"); len(got) != other || other == 1 && got[0] != herMotion {
			t.Errorf("keep %s: %q is kept of the file", keep, got)
		}
		if keep == "mine" {
			v = p.version(p.post("/api/motions/wake/undo", fmt.Sprintf(`{"base":%q}`, v.Text)))
			if p.save("wake", v.Text); d.reads("wake.motion.yaml") != herMotion {
				t.Errorf("undone, the file holds %q", d.reads("wake.motion.yaml"))
			}
		}
		p.post("/api/motions/wake/resolve", fmt.Sprintf(`{"base":%q,"keep":"mine"}`, d.textOf("wake").Text)).refusal(t, "no-such-change")
		if p.undoAll("wake"); d.reads("wake.motion.yaml") != smallMotion {
			t.Errorf("all undone, the file holds %q", d.reads("wake.motion.yaml"))
		}
	}
}

// Where nothing is unsaved, what others write is one step, whatever the file went
// through meanwhile; the page can change nothing while it is not in order.
func TestChangedOnDisk(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		spoil func(d *desk)
	}{
		{"at once", nil},
		{"broken first", func(d *desk) { d.write("wake.motion.yaml", "motion: [\n") }},
		{"emptied first", func(d *desk) { os.Truncate(filepath.Join(d.dir, "wake.motion.yaml"), 0) }},
		{"deleted first", func(d *desk) { os.Remove(filepath.Join(d.dir, "wake.motion.yaml")) }},
	} {
		d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
		p, e := d.page(), d.listen()
		v := p.version(p.change("wake", d.textOf("wake").Text, "a", wing(41)))
		p.save("wake", v.Text)
		mine := d.reads("wake.motion.yaml")
		if c.spoil != nil {
			c.spoil(d)
			e.until(c.name, settled(stateBroken))
			p.change("wake", d.textOf("wake").Text, "b", wing(42)).refusal(t, "not-in-order")
		}
		d.write("wake.motion.yaml", herMotion)
		e.until(c.name+", and mended", func(l listing) bool {
			return settled(stateGood)(l) && l.Title == "The gull sleeps" && l.Motions[0].Undo == 2
		})
		if s := d.textOf("wake"); s.Conflict != nil || !s.Saved || s.Redo != 0 {
			t.Errorf("%s: %+v", c.name, s)
		}
		for _, want := range []string{mine, smallMotion} {
			v = p.version(p.post("/api/motions/wake/undo", fmt.Sprintf(`{"base":%q}`, d.textOf("wake").Text)))
			if p.save("wake", v.Text); d.reads("wake.motion.yaml") != want {
				t.Errorf("%s: undone, the file holds %q", c.name, d.reads("wake.motion.yaml"))
			}
		}
		for range 2 {
			v = p.version(p.post("/api/motions/wake/redo", fmt.Sprintf(`{"base":%q}`, d.textOf("wake").Text)))
		}
		if p.save("wake", v.Text); d.reads("wake.motion.yaml") != herMotion {
			t.Errorf("%s: made again, the file holds %q", c.name, d.reads("wake.motion.yaml"))
		}
		if list := texts(t, d.dir); len(list) != 2 {
			t.Errorf("%s: there are %d files", c.name, len(list))
		}
	}
}

// A file that is another one for a moment, and again what the page has before anybody has
// read it, leaves the motion free to be changed.
func TestChangedOnDiskAndBack(t *testing.T) {
	t.Parallel()
	dir := small(t, nil)
	p, err := Open(dir, filepath.Join(dir, "wake.motion.yaml"), Options{Tell: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	p.load(t.Context(), p.snapshot()) // nothing follows the files: the test looks when it wants to
	k, err := p.takeOf(t.Context(), "wake")
	if err != nil {
		t.Fatal(err)
	}
	_, d, err := p.writable("wake", k)
	if err != nil {
		t.Fatal(err)
	}
	base := d.state().Text
	for _, c := range []struct {
		text string
		free bool
	}{{"motion: [\n", false}, {smallMotion, true}} {
		if err := os.WriteFile(filepath.Join(dir, "wake.motion.yaml"), []byte(c.text), 0o644); err != nil {
			t.Fatal(err)
		}
		d.meet()
		d.mu.Lock()
		err := d.current(base)
		d.mu.Unlock()
		if (err == nil) != c.free {
			t.Errorf("with %q in the file a change is answered by %v", c.text, err)
		}
	}
	if s := d.state(); !s.Saved || s.Conflict != nil || s.Undo != 0 {
		t.Errorf("%+v", s)
	}
}

// A version that is broken, or a file that is gone, while something is not saved: the
// page's version is kept, and may be put in its place at once.
func TestConflictWithBroken(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		spoil func(d *desk)
		other []string
	}{
		{"broken", func(d *desk) { d.write("wake.motion.yaml", "motion: [\n") }, []string{"motion: [\n"}},
		{"emptied", func(d *desk) { os.Truncate(filepath.Join(d.dir, "wake.motion.yaml"), 0) }, []string{""}},
		{"deleted", func(d *desk) { os.Remove(filepath.Join(d.dir, "wake.motion.yaml")) }, nil},
	} {
		d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
		p, e := d.page(), d.listen()
		mine := p.whileUnsaved(43, func() { c.spoil(d) })
		e.until(c.name, func(l listing) bool { return l.Motions[0].State == stateBroken && l.Motions[0].Conflict != nil })
		if got := d.besideWake("mine"); len(got) != 1 || got[0] != mine {
			t.Errorf("%s: %q is kept", c.name, got)
		}
		base := d.textOf("wake").Text
		p.change("wake", base, "b", wing(42)).refusal(t, "not-in-order")
		p.post("/api/motions/wake/resolve", fmt.Sprintf(`{"base":%q,"keep":"file"}`, base)).refusal(t, "not-in-order")
		p.post("/api/motions/wake/resolve", `{"base":"stale","keep":"mine"}`).refusal(t, "another-version")
		p.made(p.post("/api/motions/wake/resolve", fmt.Sprintf(`{"base":%q,"keep":"mine"}`, base)))
		e.until(c.name+", resolved", func(l listing) bool {
			return l.Motions[0].State == stateGood && l.Motions[0].Conflict == nil && l.Motions[0].Saved
		})
		if got := d.reads("wake.motion.yaml"); got != mine {
			t.Errorf("%s: the file holds %q", c.name, got)
		}
		if got := d.besideWake("other"); fmt.Sprintf("%q", got) != fmt.Sprintf("%q", c.other) {
			t.Errorf("%s: %q is kept of the file", c.name, got)
		}
		if p.undoAll("wake"); d.reads("wake.motion.yaml") != smallMotion {
			t.Errorf("%s: all undone, the file holds %q", c.name, d.reads("wake.motion.yaml"))
		}
	}
}

// What keeps a file from being written is told, and it is written when that is over,
// without anybody asking.
func TestTrouble(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	p := d.page()
	file := filepath.Join(d.dir, "wake.motion.yaml")
	if err := os.Chmod(file, 0o444); err != nil {
		t.Fatal(err)
	}
	v := p.version(p.change("wake", d.textOf("wake").Text, "a", wing(41)))
	p.post("/api/motions/wake/save", fmt.Sprintf(`{"base":%q}`, v.Text)).refusal(t, "not-saved")
	if s := d.textOf("wake"); s.Saved || !strings.Contains(s.Trouble, "read-only") {
		t.Errorf("%+v", s)
	}
	v = p.version(p.change("wake", v.Text, "a", wing(42))) // the page goes on
	if err := os.Chmod(file, 0o644); err != nil {
		t.Fatal(err)
	}
	d.becomes("wake", "written when it may be", func(s textState) bool { return s.Saved && s.Trouble == "" })
	if want := strings.Replace(smallMotion, "[1s, 40]", "[1s, 42]", 1); d.reads("wake.motion.yaml") != want || d.textOf("wake").Text != v.Text {
		t.Errorf("the file holds %q", d.reads("wake.motion.yaml"))
	}
}

// When the server ends, everything is written; where that is in nobody's power, as
// others have changed the file, it is kept beside it.
func TestCloseSaves(t *testing.T) {
	t.Parallel()
	mine := strings.Replace(smallMotion, "[1s, 40]", "[1s, 43]", 1)
	for _, c := range []struct {
		name   string
		change func(file string) error
		file   string
		mine   bool
	}{
		{"nothing", func(string) error { return nil }, mine, false},
		{"another text", func(file string) error { return os.WriteFile(file, []byte(herMotion), 0o644) }, herMotion, true},
		{"emptied", func(file string) error { return os.Truncate(file, 0) }, "", true},
	} {
		dir := small(t, nil)
		var d *desk
		t.Run(c.name, func(t *testing.T) {
			d = openDesk(t, dir, "wake.motion.yaml", nil)
			p := d.page()
			p.version(p.change("wake", d.textOf("wake").Text, "a", wing(43)))
			d.project.mu.Lock()
			draft := d.project.drafts["wake.motion.yaml"]
			d.project.mu.Unlock()
			draft.disk.Lock()
			draft.mu.Lock()
			draft.stopTimer() // nothing is written but by the end
			draft.mu.Unlock()
			t.Cleanup(func() { // just before the server ends: cleanups run last in, first out
				if err := c.change(filepath.Join(dir, "wake.motion.yaml")); err != nil {
					t.Error(err)
				}
				draft.disk.Unlock()
			})
		})
		got := d.besideWake("mine")
		if d.reads("wake.motion.yaml") != c.file || c.mine != (len(got) == 1 && got[0] == mine) || !c.mine && len(got) > 0 {
			t.Errorf("%s: the file holds %q, and beside it is %q", c.name, d.reads("wake.motion.yaml"), got)
		}
	}
}

// Two pages change a motion at once: each change is made for the version that it names
// or refused, and all that was made can be undone, step by step.
func TestTwoPages(t *testing.T) {
	t.Parallel()
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	pages := []writer{d.page(), d.page()}
	made := [2]int{}
	var wait sync.WaitGroup
	for i, p := range pages {
		wait.Go(func() {
			for k := range 25 {
				// Both pages call their steps the same; they are steps of their own.
				a := p.change("wake", d.textOf("wake").Text, fmt.Sprint("step ", k), fmt.Sprintf(`[{"do":"shift-keys","keys":[{"track":"wing","index":%d}],"value":0.25}]`, 2*i))
				switch a.status {
				case http.StatusOK:
					made[i]++
				case http.StatusConflict:
				default:
					t.Errorf("%d %s", a.status, a.body)
				}
			}
		})
	}
	wait.Wait()
	s := d.textOf("wake")
	if s.Undo != made[0]+made[1] || made[0] == 0 || made[1] == 0 {
		t.Errorf("%v changes were made, and %d can be undone", made, s.Undo)
	}
	pages[0].save("wake", s.Text)
	want := strings.NewReplacer("[0s, 0]", fmt.Sprintf("[0s, %g]", float64(made[0])/4), "[2s, 0]", fmt.Sprintf("[2s, %g]", float64(made[1])/4)).Replace(smallMotion)
	if got := d.reads("wake.motion.yaml"); got != want {
		t.Errorf("the file holds\n%s\nwant\n%s", got, want)
	}
	if pages[1].undoAll("wake"); d.reads("wake.motion.yaml") != smallMotion {
		t.Errorf("all undone, the file holds %q", d.reads("wake.motion.yaml"))
	}
}

// A motion that has two names in a show is one text.
func TestTwoNames(t *testing.T) {
	t.Parallel()
	const show = "show: Two\nformat: 1\nrig: gull.rig.yaml\nstart: {play: dawn}\nmotions:\n  dawn: {file: wake.motion.yaml}\n  dusk: {file: wake.motion.yaml, loop: true}\n"
	d := openDesk(t, small(t, map[string]string{"two.show.yaml": show}), "two.show.yaml", nil)
	p, e := d.page(), d.listen()
	e.until("loaded", settled(stateGood))
	v := p.version(p.change("dawn", d.textOf("dawn").Text, "a", wing(41)))
	same := func(l listing) bool {
		return settled(stateGood)(l) && l.Motions[0].Text == l.Motions[1].Text && l.Motions[1].Text == d.textOf("dusk").Text && d.scoreOf("dusk").Rows[0].Keys[1].To == d.scoreOf("dawn").Rows[0].Keys[1].To
	}
	e.until("both have it", func(l listing) bool { return same(l) && l.Motions[0].Text == v.Text })
	if to := d.scoreOf("dusk").Rows[0].Keys[1].To; to != 41 {
		t.Errorf("the other name goes to %v", to)
	}
	v = p.version(p.change("dusk", v.Text, "a", wing(42)))
	e.until("both have that", func(l listing) bool { return same(l) && l.Motions[0].Text == v.Text })
	p.save("dawn", v.Text)
	if want := strings.Replace(smallMotion, "[1s, 40]", "[1s, 42]", 1); d.reads("wake.motion.yaml") != want {
		t.Errorf("the file holds %q", d.reads("wake.motion.yaml"))
	}
	if p.undoAll("dusk"); d.reads("wake.motion.yaml") != smallMotion {
		t.Errorf("all undone, the file holds %q", d.reads("wake.motion.yaml"))
	}
}

// Bytes that no change names stay: ends of lines, a byte order mark, no end of the last
// line, blanks, comments with tabs, anchors, notations.
func TestBytesStay(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, text, from, to string }{
		{"LF", smallMotion, "[1s, 40]", "[1s, 41]"},
		{"CRLF", strings.ReplaceAll(smallMotion, "\n", "\r\n"), "[1s, 40]", "[1s, 41]"},
		{"a byte order mark", "\ufeff" + smallMotion, "[1s, 40]", "[1s, 41]"},
		{"no end of the last line", strings.TrimSuffix(smallMotion, "\n"), "[1s, 40]", "[1s, 41]"},
		{"a comment at the end, without its end", smallMotion + "# the end\t", "[1s, 40]", "[1s, 41]"},
		{"tabs in comments", strings.Replace(smallMotion, "\ntracks:", "  # all\tof\tit\n\n#\ttracks\ntracks: \t# them", 1), "[1s, 40]", "[1s, 41]"},
		{"blanks at ends of lines", strings.ReplaceAll(smallMotion, "\n", "  \n"), "[1s, 40]", "[1s, 41]"},
		{"an anchor", strings.Replace(smallMotion, "tracks:", "poses:\n  low: &low {wing: 5}\n  high: *low\ntracks:", 1), "[1s, 40]", "[1s, 41]"},
		{"frames and units", strings.NewReplacer("length: 4s", "length: 4s\nfps: 24", " [[0s, 0], [1s, 40], [2s, 0]]", "\n    - [0s, 0]\n    - [\"00:00:01:00\",   40.0deg,in-out]   # é up\n    - [2s, 0]").Replace(smallMotion),
			"40.0deg,in-out]   #", "41deg,in-out]     #"}, // blanks before a comment line it up
	} {
		d := openDesk(t, small(t, map[string]string{"wake.motion.yaml": c.text}), "wake.motion.yaml", nil)
		p := d.page()
		v := p.version(p.change("wake", d.textOf("wake").Text, "a", wing(41)))
		p.save("wake", v.Text)
		want := strings.Replace(c.text, c.from, c.to, 1)
		if got := d.reads("wake.motion.yaml"); got != want {
			t.Errorf("%s: the file holds\n%q\nwant\n%q", c.name, got, want)
		}
		if p.undoAll("wake"); d.reads("wake.motion.yaml") != c.text {
			t.Errorf("%s: undone, the file holds\n%q", c.name, d.reads("wake.motion.yaml"))
		}
	}
}

// A history forgets its oldest steps where all of them take too much, keeps the newest,
// and goes back from there to the byte.
func TestHistoryBound(t *testing.T) {
	t.Parallel()
	p := &Project{}
	d := &draft{project: p}
	const piece = 1 << 20
	text := bytes.Repeat([]byte("0"), piece)
	var all [][]byte
	for i := range 100 {
		next := bytes.Repeat([]byte{byte('a' + i%26)}, piece)
		all = append(all, text)
		d.push(&d.past, spliceOf(text, next))
		text = next
		if cost := p.history.Load(); cost > mostHistory {
			t.Fatalf("after %d steps the history holds %d bytes", i+1, cost)
		}
	}
	if want := mostHistory / (2*piece + spliceCost); len(d.past) != want {
		t.Errorf("%d steps are left, want %d", len(d.past), want)
	}
	for len(d.past) > 0 {
		step := d.past[len(d.past)-1]
		text = step.undo(text)
		if want := all[len(all)-1]; !bytes.Equal(text, want) {
			t.Fatalf("with %d steps left, the text is another one", len(d.past))
		}
		all = all[:len(all)-1]
		d.pop(&d.past)
		d.push(&d.future, step)
	}
	d.drop(&d.future)
	if cost := p.history.Load(); cost != 0 {
		t.Errorf("an empty history holds %d bytes", cost)
	}
}

// FuzzSplice: a step goes from one text to the other and back, whatever they are.
func FuzzSplice(f *testing.F) {
	for _, s := range [][2]string{{"", ""}, {"a", ""}, {"aaa", "aa"}, {"abab", "ab"}, {"aXb", "aYb"}, {smallMotion, herMotion}} {
		f.Add([]byte(s[0]), []byte(s[1]))
	}
	f.Fuzz(func(t *testing.T, a, b []byte) {
		s := spliceOf(a, b)
		if !bytes.Equal(s.redo(a), b) || !bytes.Equal(s.undo(b), a) {
			t.Errorf("from %q to %q: %+v", a, b, s)
		}
	})
}

// A key counts while its page is open and 30 s more; of pages that have left, so many
// are remembered.
func TestKeysEnd(t *testing.T) {
	t.Parallel()
	now := time.Unix(0, 0)
	s := seats{now: func() time.Time { return now }}
	number, key, leave := s.join()
	now = now.Add(24 * time.Hour)
	if s.numberOf(key) != number || s.numberOf(key+"A") != 0 || s.numberOf("") != 0 {
		t.Error("the key of an open page does not count, or another one does")
	}
	leave()
	if now = now.Add(keyPatience - 1); s.numberOf(key) != number {
		t.Error("it does not count until the end of its time")
	}
	if now = now.Add(1); s.numberOf(key) != 0 {
		t.Error("it counts after its time")
	}
	var keys []string
	for range mostLeftPages + 1 {
		_, key, leave := s.join()
		leave()
		keys = append(keys, key)
	}
	if s.numberOf(keys[0]) != 0 || s.numberOf(keys[1]) == 0 || s.numberOf(keys[mostLeftPages]) == 0 || len(s.list) != mostLeftPages {
		t.Errorf("%d pages that have left are remembered", len(s.list))
	}
}
