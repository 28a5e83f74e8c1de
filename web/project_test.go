package web

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"limberjack/interp/check"
	"limberjack/sequence"
)

// A small rig and motion to break.
const (
	smallRig = `rig: Gull on a post
format: 1
supplies: {battery: {voltage: 6V, limit: 2A, resistance: 60mohm, brownout: 4.5V}}
boards: {main: {rate: 50Hz, tick: 0.5us, channels: 16}}
servos: {micro: {at: 4.8V, speed: 0.12s/60deg, stall_torque: 1.6kg.cm, stall_current: 650mA}}
axes:
  wing: {kind: servo, board: main, channel: 0, supply: battery, servo: micro, travel: [-60deg, 60deg], pulse: [[-60deg, 900us], [60deg, 2100us]]}
  eye: {kind: dimmer, board: main, channel: 1, supply: battery, current: 20mA}
controls: {flap: {wing: 1}}
`
	smallMotion = `motion: The gull wakes
format: 1
rig: gull.rig.yaml
length: 4s
tracks:
  wing: [[0s, 0], [1s, 40], [2s, 0]]
`
)

// small gives a folder with a rig, a motion, and other files.
func small(t testing.TB, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	all := map[string]string{"gull.rig.yaml": smallRig, "wake.motion.yaml": smallMotion}
	for name, text := range files {
		all[name] = text
	}
	for name, text := range all {
		file := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// The listing says of the examples what check says of them (examples/lighthouse: the
// storm is wrong in five ways, the greeting passes).
func TestListing(t *testing.T) {
	for _, c := range []struct {
		file, name, title string
		passes            bool
		errors            int
		length            figure
	}{
		{"greet.motion.yaml", "greet", "The keeper greets a boat", true, 0, 20},
		{"storm.motion.yaml", "storm", "The keeper in a storm", false, 5, 24},
		{"idle.motion.yaml", "idle", "The keeper keeps watch", true, 0, 40},
	} {
		d := openDesk(t, example(t), c.file, nil)
		l := d.listen().until("loaded", settled(stateGood))
		m := l.Motions[0]
		if l.Kind != "motion" || l.Title != c.title || m.Name != c.name || m.Title != c.title || m.File != c.file || m.Passes != c.passes || m.Errors != c.errors || m.Length != c.length || m.Revision == "" || len(l.Problems) > 0 {
			t.Errorf("%s: %+v", c.file, l)
		}
	}
}

// A change to any file that a motion names is followed, however it is written.
func TestFollows(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(d *desk)
	}{
		{"written in place", func(d *desk) { d.edit("greet.motion.yaml", "length: 20s", "length: 21s") }},
		{"another file renamed", func(d *desk) {
			text, _ := os.ReadFile(filepath.Join(d.dir, "greet.motion.yaml"))
			d.write("greet.motion.yaml", strings.Replace(string(text), "length: 20s", "length: 21s", 1))
		}},
		{"taken away and written anew", func(d *desk) {
			text, _ := os.ReadFile(filepath.Join(d.dir, "greet.motion.yaml"))
			os.Remove(filepath.Join(d.dir, "greet.motion.yaml"))
			d.write("greet.motion.yaml", strings.Replace(string(text), "length: 20s", "length: 21s", 1))
		}},
		{"the rig", func(d *desk) { d.edit("keeper.rig.yaml", "rig: Lighthouse keeper", "rig: Lighthouse warden") }},
		{"the sound", func(d *desk) {
			text, err := os.ReadFile(filepath.Join(d.dir, "voice.wav"))
			if err != nil {
				d.Fatal(err)
			}
			text[1000]++
			d.write("voice.wav", string(text))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := openDesk(t, example(t), "greet.motion.yaml", nil)
			e := d.listen()
			before := e.until("loaded", settled(stateGood)).Motions[0].Revision
			c.change(d)
			l := e.until("followed", func(l listing) bool { return settled(stateGood)(l) && l.Motions[0].Revision != before })
			if got := d.scoreOf("greet").Revision; got != l.Motions[0].Revision {
				t.Errorf("the score is of %s, the listing of %s", got, l.Motions[0].Revision)
			}
		})
	}
}

// What follows from reading only the motion anew is what follows from reading all.
func TestReadAnewIsTheSame(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	e := d.listen()
	before := e.until("loaded", settled(stateGood)).Motions[0].Revision
	d.edit("greet.motion.yaml", "high: 18deg, attack: 80ms", "high: 15deg, attack: 90ms")
	e.until("followed", func(l listing) bool { return settled(stateGood)(l) && l.Motions[0].Revision != before })
	fresh := openDesk(t, d.dir, "greet.motion.yaml", nil)
	a, b := d.scoreOf("greet"), fresh.scoreOf("greet")
	a.Revision, b.Revision = "", ""
	if x, y := fmt.Sprintf("%+v", a.Findings), fmt.Sprintf("%+v", b.Findings); x != y {
		t.Errorf("the findings are\n%s\nand\n%s", x, y)
	}
	if x, y := d.get("/api/motions/greet/curves").body, fresh.get("/api/motions/greet/curves").body; string(x) != string(y) {
		t.Error("the curves differ")
	}
}

// A broken file gives its problems with their places and keeps the last good motion;
// a motion that never was in order gives them with status 409.
func TestBroken(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	e := d.listen()
	good := e.until("loaded", settled(stateGood)).Motions[0]
	score := d.get("/api/motions/wake/score").body
	for _, c := range []struct {
		name, file, from, to string
		line                 int
		text                 string
	}{
		{"a name", "wake.motion.yaml", "  wing:", "  wimg:", 6, "wimg"},
		{"YAML", "wake.motion.yaml", "  wing: [[0s", "  wing: [[[0s", 6, ""},
		{"the rig", "gull.rig.yaml", "kind: dimmer", "kind: dimer", 8, "dimer"},
		{"the rig's name", "wake.motion.yaml", "rig: gull.rig.yaml", "rig: gul.rig.yaml", 3, "there is no file"},
		{"beyond the travel", "wake.motion.yaml", "[1s, 40]", "[1s, 400]", 6, "400"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d.edit(c.file, c.from, c.to)
			l := e.until("broken", settled(stateBroken))
			p := l.Problems[0]
			if p.File != c.file || p.Line != c.line || p.Column == 0 || !strings.Contains(p.Text, c.text) {
				t.Errorf("the problem is %+v", p)
			}
			if m := l.Motions[0]; m.Revision != good.Revision || m.Passes {
				t.Errorf("the motion is %+v", m)
			}
			if string(d.get("/api/motions/wake/score").body) != string(score) {
				t.Error("the last good score is gone")
			}
			d.edit(c.file, c.to, c.from)
			if l := e.until("mended", settled(stateGood)); len(l.Problems) > 0 || l.Motions[0].Revision != good.Revision {
				t.Errorf("after it was mended: %+v", l)
			}
		})
	}
	os.Remove(filepath.Join(d.dir, "wake.motion.yaml"))
	l := e.until("gone", settled(stateBroken))
	if p := l.Problems[0]; p.File != "wake.motion.yaml" || !strings.Contains(p.Text, "there is no file") {
		t.Errorf("a file that is gone gives %+v", p)
	}
}

func TestNeverGood(t *testing.T) {
	d := openDesk(t, small(t, map[string]string{"bad.motion.yaml": strings.Replace(smallMotion, "wing", "tail", 1)}), "bad.motion.yaml", nil)
	e := d.listen()
	e.until("read", settled(stateAbsent))
	for _, what := range []string{"score", "curves", "sound", "waveform"} {
		got := d.ask("GET", "/api/motions/bad/"+what).refusal(t, "no-good-version")
		if got.File != "bad.motion.yaml" || got.Line != 6 || got.Column != 3 || len(got.Problems) != 1 || !strings.Contains(got.Problems[0].Text, `"tail"`) {
			t.Errorf("%s: %+v", what, got)
		}
	}
	d.edit("bad.motion.yaml", "tail", "wing")
	e.until("mended", settled(stateGood))
	d.get("/api/motions/bad/score")
}

// Each motion of a show stands by itself.
func TestShow(t *testing.T) {
	d := openDesk(t, example(t), "keeper.show.yaml", nil)
	e := d.listen()
	l := e.until("loaded", settled(stateGood))
	if l.Kind != "show" || l.Title != "The lighthouse, standalone" || len(l.Motions) != 2 || l.Motions[0].Name != "watch" || l.Motions[1].Name != "greet" {
		t.Fatalf("%+v", l)
	}
	if !d.scoreOf("watch").Loop || d.scoreOf("greet").Loop {
		t.Error("what loops is not what the files say")
	}
	watch := l.Motions[0].Revision
	d.edit("greet.motion.yaml", "head-pan:\n    - [look", "head-pam:\n    - [look")
	l = e.until("greet is broken", func(l listing) bool { return l.Motions[1].State == stateBroken })
	if l.Motions[0].State != stateGood || l.Motions[0].Revision != watch || len(l.Problems) == 0 || l.Problems[0].File != "greet.motion.yaml" {
		t.Errorf("%+v", l)
	}
	for _, p := range l.Problems[1:] {
		if p == l.Problems[0] {
			t.Errorf("a problem is told twice: %+v", p)
		}
	}
	d.edit("greet.motion.yaml", "head-pam:", "head-pan:")
	e.until("mended", settled(stateGood))
	d.edit("keeper.show.yaml", "  greet:\n", "  hello:\n")
	l = e.until("renamed", func(l listing) bool {
		return len(l.Motions) == 2 && l.Motions[1].Name == "hello" && settled(stateGood)(l)
	})
	d.ask("GET", "/api/motions/greet/score").refusal(t, "no-such-motion")
	d.edit("keeper.show.yaml", "motions:", "motions: [")
	e.until("the show is broken", func(l listing) bool { return len(l.Problems) > 0 && len(l.Motions) == 2 })
	d.get("/api/motions/hello/score")
}

// A motion's file that becomes a show's is followed, and what the show then names.
func TestMotionBecomesShow(t *testing.T) {
	dir := small(t, map[string]string{"gulls.yaml": strings.Replace(smallMotion, "The gull wakes", "At first", 1)})
	d := openDesk(t, dir, "gulls.yaml", nil)
	e := d.listen()
	if l := e.until("loaded", settled(stateGood)); l.Kind != "motion" || l.Title != "At first" {
		t.Fatalf("%+v", l)
	}
	d.write("gulls.yaml", "show: Gulls\nformat: 1\nrig: gull.rig.yaml\nmotions:\n  wake: {file: wake.motion.yaml}\nstart: {play: wake}\n")
	l := e.until("a show", func(l listing) bool { return l.Kind == "show" && settled(stateGood)(l) })
	if l.Title != "Gulls" || len(l.Motions) != 1 || l.Motions[0].Name != "wake" {
		t.Errorf("%+v", l)
	}
	d.get("/api/motions/wake/score")
}

// What a motion says wrong of its show is told when only the motion has changed.
func TestShowHearsOfItsMotions(t *testing.T) {
	d := openDesk(t, small(t, map[string]string{"tern.rig.yaml": strings.Replace(smallRig, "Gull", "Tern", 1),
		"gulls.show.yaml": "show: Gulls\nformat: 1\nrig: gull.rig.yaml\nmotions:\n  wake: {file: wake.motion.yaml}\nstart: {play: wake}\n"}), "gulls.show.yaml", nil)
	e := d.listen()
	if l := e.until("loaded", settled(stateGood)); len(l.Problems) > 0 {
		t.Fatalf("%+v", l.Problems)
	}
	d.edit("wake.motion.yaml", "gull.rig.yaml", "tern.rig.yaml")
	if l := e.until("another rig", func(l listing) bool { return len(l.Problems) > 0 }); l.Problems[0].File != "gulls.show.yaml" {
		t.Errorf("%+v", l.Problems)
	}
	d.edit("wake.motion.yaml", "tern.rig.yaml", "gull.rig.yaml")
	e.until("mended", func(l listing) bool { return len(l.Problems) == 0 && settled(stateGood)(l) })
}

// What is read while an editor may be at work is told only when it has settled: not
// at all where the file has changed again by then.
func TestSettles(t *testing.T) {
	for _, c := range []struct {
		name  string
		age   time.Duration
		taken bool
	}{{"just read", -time.Hour, false}, {"read long ago", time.Hour, true}} {
		t.Run(c.name, func(t *testing.T) {
			ctx, changed := context.WithCancel(t.Context())
			dir := small(t, nil)
			p, err := Open(dir, filepath.Join(dir, "wake.motion.yaml"), Options{Tell: t.Logf, Links: func(*sequence.Rig) []check.Link { changed(); return nil }})
			if err != nil {
				t.Fatal(err)
			}
			defer p.Close()
			now := newSnapshot(p.folder)
			now.begun = now.begun.Add(-c.age)
			p.load(ctx, now)
			if p.motions[0].loaded != c.taken {
				t.Errorf("it is taken in: %t", p.motions[0].loaded)
			}
		})
	}
}

// No file outside the project's folder is read, by whatever way it is named, and the
// problem says where it was named.
func TestFolder(t *testing.T) {
	secret := filepath.Join(t.TempDir(), "secret.rig.yaml")
	if err := os.WriteFile(secret, []byte(smallRig), 0o644); err != nil {
		t.Fatal(err)
	}
	voice, err := filepath.Abs("../examples/lighthouse/voice.wav")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, from, to string
		line           int
		links          map[string]string
	}{
		{"an absolute rig", "gull.rig.yaml", secret, 3, nil},
		{"a rig by steps", "gull.rig.yaml", "../x.rig.yaml", 3, nil},
		{"a rig by a linked file", "gull.rig.yaml", "linked.rig.yaml", 3, map[string]string{"linked.rig.yaml": secret}},
		{"a rig by a linked folder", "gull.rig.yaml", "linked/secret.rig.yaml", 3, map[string]string{"linked": filepath.Dir(secret)}},
		{"an absolute sound", "length: 4s", "length: 4s\naudio: " + voice, 5, nil},
		{"a sound by steps", "length: 4s", "length: 4s\naudio: ../../../../../etc/passwd", 5, nil},
		{"a linked sound", "length: 4s", "length: 4s\naudio: voice.wav", 5, map[string]string{"voice.wav": voice}},
		{"a link to a link", "length: 4s", "length: 4s\naudio: a.wav", 5, map[string]string{"a.wav": "b.wav", "b.wav": voice}},
		{"a pace", "length: 4s", "length: 4s\npace: /etc/passwd", 5, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := small(t, map[string]string{"out.motion.yaml": strings.Replace(smallMotion, c.from, c.to, 1)})
			for name, to := range c.links {
				if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
					t.Skipf("this system makes no links: %v", err)
				}
			}
			d := openDesk(t, dir, "out.motion.yaml", nil)
			d.listen().until("read", settled(stateAbsent))
			got := d.ask("GET", "/api/motions/out/score").refusal(t, "no-good-version")
			if got.Line != c.line || !strings.Contains(got.Problems[0].Text, "outside the folder of the project") || !strings.Contains(got.Problems[0].Text, "--folder") {
				t.Errorf("%+v", got)
			}
		})
	}
}

// Links inside the folder are followed, and a wider folder can be named.
func TestFolderInside(t *testing.T) {
	dir := small(t, map[string]string{"acts/one.motion.yaml": strings.Replace(smallMotion, "gull.rig.yaml", "../gull.rig.yaml", 1)})
	if err := os.Symlink("gull.rig.yaml", filepath.Join(dir, "same.rig.yaml")); err == nil {
		os.WriteFile(filepath.Join(dir, "linked.motion.yaml"), []byte(strings.Replace(smallMotion, "gull.rig.yaml", "same.rig.yaml", 1)), 0o644)
		d := openDesk(t, dir, "linked.motion.yaml", nil)
		d.get("/api/motions/linked/score")
	}
	d := openDesk(t, dir, "acts/one.motion.yaml", nil)
	d.get("/api/motions/one/score")
	p, err := Open("", filepath.Join(dir, "acts/one.motion.yaml"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if _, err := Open(filepath.Join(dir, "acts"), filepath.Join(dir, "wake.motion.yaml"), Options{}); err == nil {
		t.Error("a file outside the named folder is taken")
	}
}

// What cannot be followed is said at once.
func TestOpenRefuses(t *testing.T) {
	dir := small(t, nil)
	for file, want := range map[string]string{"none.motion.yaml": "there is no file", "gull.rig.yaml": "this is a rig", ".": "not a plain file"} {
		if p, err := Open(dir, filepath.Join(dir, file), Options{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", file, err)
			if p != nil {
				p.Close()
			}
		}
	}
	if _, err := Open(filepath.Join(dir, "none"), filepath.Join(dir, "wake.motion.yaml"), Options{}); err == nil || !strings.Contains(err.Error(), "there is no folder") {
		t.Errorf("a folder that is not there: %v", err)
	}
}

// Whatever a file holds, the server goes on and says what is wrong.
func TestHostileFiles(t *testing.T) {
	layer := func(text string) string { return smallMotion + "layers:\n" + text }
	many := func(n int, line string) string { return strings.Repeat(line, n) }
	for _, c := range []struct{ name, motion, want string }{
		{"nothing", "", ""},
		{"zeros", strings.Repeat("\x00", 1<<16), ""},
		{"no text", "\xff\xfe\x00\x01", ""},
		{"deep lists", "motion: " + strings.Repeat("[", 1<<17), ""},
		{"aliases in aliases", "motion: x\na: &a [x, x, x, x, x, x, x, x, x]\nb: &b [*a, *a, *a, *a, *a, *a, *a, *a, *a]\nc: &c [*b, *b, *b, *b, *b, *b, *b, *b, *b]\nd: &d [*c, *c, *c, *c, *c, *c, *c, *c, *c]\ntracks: *d\n", ""},
		{"a long line", "motion: " + strings.Repeat("x", 1<<20), ""},
		{"many marks", smallMotion + "marks:\n" + many(20000, "  m: m+1s\n"), ""},
		{"two days of wiggle at 1 kHz", strings.Replace(layer("  - {axis: wing, add: {wiggle: {amount: 1deg, rate: 1kHz, seed: 1}}}\n"), "length: 4s", "length: 48h", 1), "million pieces"},
		{"two days of noise at 1 kHz", strings.Replace(layer("  - {axis: flap, add: {noise: {amount: 1deg, rate: 1kHz, seed: 1}}}\n"), "length: 4s", "length: 48h", 1), "million pieces"},
		{"many layers", strings.Replace(layer(many(3000, "  - {axis: wing, add: {noise: {amount: 0.001deg, rate: 100Hz, seed: 1}}}\n")), "length: 4s", "length: 10s", 1), "million pieces"},
		{"a sound that is none", smallMotion + "audio: wake.motion.yaml\n", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := openDesk(t, small(t, map[string]string{"bad.motion.yaml": c.motion}), "bad.motion.yaml", nil)
			l := d.listen().until("read", settled(stateAbsent))
			if len(l.Problems) == 0 || !strings.Contains(l.Problems[0].Text, c.want) {
				t.Errorf("%+v", l.Problems)
			}
			for _, p := range l.Problems {
				if strings.Contains(p.Text, "internal error") {
					t.Errorf("%+v", p)
				}
			}
			d.ask("GET", "/api/motions/bad/score").refusal(t, "no-good-version")
		})
	}
}

// A pipe in the place of a file keeps nobody waiting.
func TestPipe(t *testing.T) {
	dir := small(t, map[string]string{"bad.motion.yaml": smallMotion + "audio: pipe.wav\n"})
	makePipe(t, filepath.Join(dir, "pipe.wav"))
	d := openDesk(t, dir, "bad.motion.yaml", nil)
	l := d.listen().until("read", settled(stateAbsent))
	if !strings.Contains(l.Problems[0].Text, "not a plain file") {
		t.Errorf("%+v", l.Problems)
	}
}

// A fault of the program while it works a file out is a problem of that file. The
// others, and the server, go on.
func TestInternalError(t *testing.T) {
	dir := small(t, nil)
	var told []string
	p, err := Open(dir, filepath.Join(dir, "wake.motion.yaml"), Options{Links: func(*sequence.Rig) []check.Link { panic("a fault for the test") },
		Tell: func(format string, args ...any) { told = append(told, fmt.Sprintf(format, args...)) }})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	p.load(t.Context(), newSnapshot(p.folder))
	_, err = p.takeOf(t.Context(), "wake")
	none, ok := err.(absent)
	if !ok || len(none.problems) != 1 || !strings.Contains(none.problems[0].Text, "internal error") || none.problems[0].File != "wake.motion.yaml" {
		t.Fatalf("%v", err)
	}
	if len(told) != 1 || !strings.Contains(told[0], "a fault for the test") || !strings.Contains(told[0], "project_test.go") {
		t.Errorf("what is told is %q", told)
	}
}

// A panic in a part that runs beside others comes out where it can be caught.
func TestTogetherPassesPanicsOn(t *testing.T) {
	defer func() {
		if c, ok := recover().(*crash); !ok || c.what != "a fault for the test" || !strings.Contains(string(c.stack), "project_test.go") {
			t.Errorf("what comes out is %v", c)
		}
	}()
	together([]func() bool{func() bool { return true }, func() bool { panic("a fault for the test") }})
}

// A panic while a request is answered is told as status 500.
func TestInternalErrorOfARequest(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	d.server.mux.HandleFunc("GET /fault", func(http.ResponseWriter, *http.Request) { panic("a fault for the test") })
	d.ask("GET", "/fault").refusal(t, "internal-error")
	d.get("/api/project")
}

// Curves that were let go are worked out again, the same.
func TestCurvesComeBack(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	before := d.get("/api/motions/wake/curves").body
	take, err := d.project.takeOf(t.Context(), "wake")
	if err != nil {
		t.Fatal(err)
	}
	take.letGo()
	if after := d.get("/api/motions/wake/curves").body; string(after) != string(before) {
		t.Error("the curves are others")
	}
}

// What the motions of a show hold together stays within the budget.
func TestCurveBudget(t *testing.T) {
	p := &Project{}
	var takes []*take
	for range 10 {
		tk := &take{layout: layout{samples: curveBudget / 16, count: 1}, curves: []byte{1}} // a quarter of the budget each
		takes = append(takes, tk)
		p.keep(tk)
		p.keep(takes[0])
	}
	if len(p.used) > 4 || p.used[len(p.used)-1] != takes[0] {
		t.Errorf("%d are kept", len(p.used))
	}
	huge := &take{layout: layout{samples: curveBudget, count: 1}}
	if p.keep(huge); len(p.used) != 1 || p.used[0] != huge {
		t.Error("one that is larger than the budget is not kept alone")
	}
}

// Reading on and on while files change leaves nothing behind.
func TestNoGoroutinesLeft(t *testing.T) {
	before := runtime.NumGoroutine()
	t.Run("run", func(t *testing.T) {
		d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
		e := d.listen()
		e.until("loaded", settled(stateGood))
		d.edit("wake.motion.yaml", "length: 4s", "length: 5s")
		e.until("followed", func(l listing) bool { return l.Motions[0].Length == 5 })
	})
	for i := 0; runtime.NumGoroutine() > before+2; i++ {
		if i > 1e7 {
			t.Fatalf("%d goroutines, %d before", runtime.NumGoroutine(), before)
		}
		runtime.Gosched()
	}
}
