package web_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	_ "image/png"
	"math"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"limberjack/web"
)

const lighthouse = "../examples/lighthouse"

// serve serves a motion or show as the command does, and gives its address.
func serve(t testing.TB, file string) string {
	t.Helper()
	project, err := web.Open("", file, web.Options{Tell: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := web.NewServer(project, web.Access{Names: []string{"127.0.0.1"}, Port: on.Addr().(*net.TCPAddr).Port}, t.Logf)
	ctx, end := context.WithCancel(context.Background())
	served, followed := make(chan struct{}), make(chan struct{})
	go func() { defer close(served); server.Serve(ctx, on) }()
	go func() { defer close(followed); project.Follow(ctx) }()
	t.Cleanup(func() {
		end()
		<-served
		<-followed
		project.Close()
	})
	return "http://" + on.Addr().String() + "/"
}

// copied gives a copy of the example's folder.
func copied(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(lighthouse)); err != nil {
		t.Fatal(err)
	}
	return dir
}

// edit changes a text in a file as an editor does: it writes another file and renames it.
func edit(t testing.TB, file, from, to string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil || !bytes.Contains(text, []byte(from)) {
		t.Fatalf("%s has no %q (%v)", file, from, err)
	}
	replaceFile(t, file, bytes.Replace(text, []byte(from), []byte(to), 1))
}

func replaceFile(t testing.TB, file string, text []byte) {
	t.Helper()
	other := file + "~"
	if err := os.WriteFile(other, text, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(other, file); err != nil {
		t.Fatal(err)
	}
}

// TestPageShowsTheMotion holds that the page says what the check says of the storm: five
// errors, and the verdict.
func TestPageShowsTheMotion(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/storm.motion.yaml"))
	text := get[string](b, `document.body.innerText`)
	for _, want := range []string{"The keeper in a storm", "Lighthouse keeper", "does not pass"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if n := get[int](b, `s.score.findings.filter(f => f.severity === 'error').length`); n != 5 {
		t.Errorf("%d errors, and not 5", n)
	}
	if n := get[int](b, `document.querySelectorAll('#findings li').length`); n < 5 {
		t.Errorf("the list of findings has %d entries", n)
	}
	if wide := get[bool](b, `document.documentElement.scrollWidth > innerWidth`); wide {
		t.Error("the page is wider than its window")
	}
}

// TestPageLoops plays a span round and round.
func TestPageLoops(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/storm.motion.yaml"))
	b.do(`app.actions.setLoop({from: 2, to: 2.5}); app.actions.seek(2); app.actions.play()`)
	times := get[[]float64](b, `new Promise(done => {
		const list = [], began = performance.now();
		const look = () => { list.push(app.store.get().time); performance.now() - began < 2500 ? requestAnimationFrame(look) : done(list) };
		requestAnimationFrame(look);
	})`)
	b.do(`app.actions.stop()`)
	turns := 0
	for i, at := range times {
		if at < 2-0.05 || at > 2.5+0.05 {
			t.Fatalf("%v s is outside of the loop from 2 to 2.5 s", at)
		}
		if i > 0 && at < times[i-1] {
			turns++
		}
	}
	if turns < 3 {
		t.Errorf("%d rounds of 0.5 s in 2.5 s", turns)
	}
}

// TestPageFollowsFiles edits the motion in another program: the page draws the new one,
// and stays where it was.
func TestPageFollowsFiles(t *testing.T) {
	dir := copied(t)
	file := filepath.Join(dir, "storm.motion.yaml")
	b := newTab(t, 1440, 900)
	b.open(serve(t, file))
	b.do(`app.actions.show({from: 6, to: 10}); app.actions.seek(8)`)
	was := get[string](b, `s.score.revision`)
	edit(t, file, "motion: The keeper in a storm", "motion: The keeper in a gale")
	began := time.Now()
	b.until("the page has the new title", `s.score.title === 'The keeper in a gale'`)
	t.Logf("the edit was drawn after %v", time.Since(began).Round(time.Millisecond))
	if now := get[string](b, `s.score.revision`); now == was {
		t.Error("the revision is the old one")
	}
	if text := get[string](b, `document.querySelector('#masthead').innerText`); !strings.Contains(text, "gale") {
		t.Errorf("the masthead says %q", text)
	}
	if at := get[[]float64](b, `[s.view.from, s.view.to, s.time]`); !slices.Equal(at, []float64{6, 10, 8}) {
		t.Errorf("the page went to %v", at)
	}
}

// TestPageShowsBrokenFile breaks the motion: its errors are shown with their lines, the last
// good motion stays, and all is well again with the next save.
func TestPageShowsBrokenFile(t *testing.T) {
	dir := copied(t)
	file := filepath.Join(dir, "storm.motion.yaml")
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	b := newTab(t, 1440, 900)
	b.open(serve(t, file))
	was := get[string](b, `s.score.revision`)
	edit(t, file, "  head-pan:", "  haed-pan:")
	b.until("the errors are shown", `document.querySelector('#notices').innerText.includes('haed-pan')`)
	line := 1 + bytes.Count(good[:bytes.Index(good, []byte("  head-pan:"))], []byte("\n"))
	text := get[string](b, `document.querySelector('#notices').innerText`)
	for _, want := range []string{fmt.Sprintf("storm.motion.yaml:%d:", line), "head-pan", "last good"} {
		if !strings.Contains(text, want) {
			t.Errorf("the notice does not say %q but %q", want, text)
		}
	}
	if now := get[string](b, `s.score.revision`); now != was {
		t.Error("the last good motion went")
	}
	replaceFile(t, file, good)
	b.until("the errors are gone", `s.problems.length === 0 && !document.querySelector('#notices').innerText.includes('haed-pan')`)
}

// TestPageShowsShow goes through the motions of a show.
func TestPageShowsShow(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/keeper.show.yaml"))
	names := get[[]string](b, `s.project.motions.map(m => m.name)`)
	if len(names) < 2 {
		t.Fatalf("the show has the motions %q", names)
	}
	for _, name := range names {
		b.do(fmt.Sprintf(`app.actions.choose(%q)`, name))
		b.until(name+" is shown", fmt.Sprintf(`s.motion === %q && s.score.name === %[1]q`, name))
	}
}

// TestPageByKeyboard does all of a rehearsal without a pointer.
func TestPageByKeyboard(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/storm.motion.yaml"))
	at := func() float64 { return get[float64](b, `s.time`) }
	near := func(what string, want float64) {
		t.Helper()
		if now := at(); math.Abs(now-want) > 1e-6 {
			t.Errorf("%s: at %v s, not %v", what, now, want)
		}
	}
	b.keys(kb.Home)
	b.keys(kb.ArrowRight, kb.ArrowRight, kb.ArrowRight)
	near("three film frames on", 3.0/24)
	b.keys(kb.ArrowLeft)
	near("one back", 2.0/24)
	b.keys(kb.End)
	near("the end", get[float64](b, `s.score.length`))
	b.keys(kb.Home)
	near("the start", 0)
	b.keys(".")
	near("the first mark", get[float64](b, `s.score.marks[0].at`))
	b.keys(" ")
	b.until("it plays", `s.playing && s.time > s.score.marks[0].at + 0.2`)
	b.keys(" ")
	b.until("it has stopped", `!s.playing`)
	b.keys(kb.Home, "[", kb.End, "]")
	if span := get[*struct{ From, To float64 }](b, `s.loop`); span == nil || span.From != 0 || math.Abs(span.To-24) > 0.05 {
		t.Errorf("the loop is %v", span)
	}
	b.keys("?")
	b.until("the help is open", `document.querySelector('#help').open`)
	b.keys(kb.Escape)
	b.until("the help is closed", `!document.querySelector('#help').open`)

	// Tab goes through all that can be used, shows where it is, and comes to the end.
	seen := map[string]bool{}
	b.do(`document.activeElement.blur()`)
	for range 400 {
		b.keys(kb.Tab)
		f := get[struct {
			Name    string
			Visible bool
			Box     [4]float64
		}](b, `(() => { const e = document.activeElement, c = getComputedStyle(e), r = e.getBoundingClientRect();
			const name = e === document.body ? '' : e.tagName + '|' + (e.id || e.getAttribute('aria-label') || e.textContent.trim().slice(0, 60)) + '|' + [...e.parentElement.children].indexOf(e);
			return {Name: name, Visible: c.outlineStyle !== 'none' && parseFloat(c.outlineWidth) > 0 || c.boxShadow !== 'none', Box: [r.left, r.top, r.width, r.height]} })()`)
		if f.Name == "" || seen[f.Name] && len(seen) > 20 {
			break
		}
		seen[f.Name] = true
		if !f.Visible {
			t.Errorf("the focus on %s does not show", f.Name)
		}
		if f.Box[2] == 0 || f.Box[3] == 0 {
			t.Errorf("%s has the focus and no size", f.Name)
		}
	}
	if len(seen) < 15 {
		t.Errorf("Tab reaches %d things only", len(seen))
	}
}

// TestPageAccessible runs axe-core (Deque; the rules of WCAG 2.2 A and AA) on the page, in
// both themes, at three widths, with help and notices open.
func TestPageAccessible(t *testing.T) {
	path := os.Getenv("LIMBERJACK_AXE")
	axe, err := os.ReadFile(path)
	if err != nil {
		needTool(t, "axe-core", "LIMBERJACK_AXE names axe.min.js of the npm package axe-core")
	}
	dir := copied(t)
	file := filepath.Join(dir, "storm.motion.yaml")
	url := serve(t, file)
	check := func(b *tab, what string) {
		t.Helper()
		found := get[[]struct{ ID, Impact, Help, Where string }](b, `(async () => {
			const result = await axe.run(document, {resultTypes: ['violations']});
			return result.violations.map(v => ({ID: v.id, Impact: v.impact, Help: v.help, Where: v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + n.failureSummary.slice(0, 200)).join(' / ')})) })()`)
		for _, f := range found {
			if f.Impact == "serious" || f.Impact == "critical" {
				t.Errorf("%s: %s %s: %s (%s)", what, f.Impact, f.ID, f.Help, f.Where)
			} else {
				t.Logf("%s: %s %s: %s", what, f.Impact, f.ID, f.Help)
			}
		}
	}
	for _, width := range []int64{390, 820, 1440} {
		b := newTab(t, width, 900)
		call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
		b.open(url)
		run(b, chromedp.Evaluate[chromedp.Void](string(axe)))
		for _, theme := range []string{"paper", "dark"} {
			b.do(fmt.Sprintf(`app.actions.setTheme(%q)`, theme))
			time.Sleep(300 * time.Millisecond) // what fades has faded
			check(b, fmt.Sprintf("%d px, %s", width, theme))
		}
		if width == 1440 {
			b.keys("?")
			check(b, "help")
			b.keys(kb.Escape)
			edit(t, file, "  head-pan:", "  haed-pan:")
			b.until("the errors are shown", `document.querySelector('#notices').innerText.includes('haed-pan')`)
			check(b, "a broken file")
		}
	}
}

// TestPageScrubs drags over the sheet: the time goes with the pointer, from film frame to
// film frame.
func TestPageScrubs(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/storm.motion.yaml"))
	box := get[[4]float64](b, `(() => { const r = document.querySelector('#sheet .sheet-ruler').getBoundingClientRect(); return [r.left, r.top, r.width, r.height] })()`)
	mouse := func(kind input.DispatchMouseEventType, x, y float64) {
		call(b, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: "left", Buttons: 1, ClickCount: 1})
	}
	y := box[1] + box[3] - 10
	var xs, ts []float64
	at := func(share float64) float64 { return box[0] + share*box[2] }
	mouse("mousePressed", at(0.2), y)
	for share := 0.2; share <= 0.8; share += 0.1 {
		mouse("mouseMoved", at(share), y)
		time.Sleep(50 * time.Millisecond)
		xs, ts = append(xs, at(share)), append(ts, get[float64](b, `s.time`))
	}
	mouse("mouseReleased", at(0.8), y)
	slope := (ts[len(ts)-1] - ts[0]) / (xs[len(xs)-1] - xs[0])
	if slope <= 0 {
		t.Fatalf("the times are %v", ts)
	}
	for i := range ts {
		if f := ts[i] * 24; math.Abs(f-math.Round(f)) > 1e-6 {
			t.Errorf("%v s is no film frame", ts[i])
		}
		if off := ts[0] + slope*(xs[i]-xs[0]) - ts[i]; math.Abs(off) > 1.0/24+1e-9 {
			t.Errorf("at %v px the time is %v s, %.3f s off the line", xs[i], ts[i], off)
		}
	}
}

// smallTargets gives what can be pressed and is smaller than 24 px either way (WCAG 2.2,
// 2.5.8), counting in what a pseudo-element adds around it.
const smallTargets = `[...document.querySelectorAll('button, select, input, a[href], summary')].filter(e => {
	const r = e.getBoundingClientRect(), after = getComputedStyle(e, '::after'), around = after.content !== 'none' && after.position === 'absolute';
	const wide = r.width - (around ? Math.min(0, parseFloat(after.left)) + Math.min(0, parseFloat(after.right)) : 0);
	const high = r.height - (around ? Math.min(0, parseFloat(after.top)) + Math.min(0, parseFloat(after.bottom)) : 0);
	return r.width > 0 && r.height > 0 && getComputedStyle(e).visibility !== 'hidden' && (wide < 24 || high < 24);
}).map(e => e.outerHTML.slice(0, 120))`

// TestPageScreens makes the screenshots of the README, and holds that nothing runs out of
// the window, at three widths, in both themes. LIMBERJACK_SCREENSHOTS names the folder.
func TestPageScreens(t *testing.T) {
	url := serve(t, lighthouse+"/storm.motion.yaml")
	for name, size := range map[string][2]int64{"phone": {390, 844}, "tablet": {820, 1180}, "desktop": {1440, 900}} {
		for _, theme := range []string{"paper", "dark"} {
			b := newTab(t, size[0], size[1])
			if name != "desktop" {
				call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true})
			}
			b.open(url)
			b.do(fmt.Sprintf(`app.actions.setTheme(%q); app.actions.seek(8.25)`, theme))
			time.Sleep(400 * time.Millisecond)
			png := b.shoot(name + "-" + theme)
			m, _, err := image.Decode(bytes.NewReader(png))
			if err != nil {
				t.Fatal(err)
			}
			colours := map[[3]uint32]bool{}
			for y := 0; y < m.Bounds().Dy(); y += 3 {
				for x := 0; x < m.Bounds().Dx(); x += 3 {
					r, g, b, _ := m.At(x, y).RGBA()
					colours[[3]uint32{r, g, b}] = true
				}
			}
			if len(colours) < 50 {
				t.Errorf("%s, %s: the picture has %d colours", name, theme, len(colours))
			}
			if wide := get[bool](b, `document.documentElement.scrollWidth > innerWidth`); wide {
				t.Errorf("%s, %s: the page is wider than its window", name, theme)
			}
			small := get[[]string](b, smallTargets)
			if len(small) > 0 {
				t.Errorf("%s, %s: smaller than 24 px (WCAG 2.2, 2.5.8): %s", name, theme, strings.Join(small[:min(3, len(small))], "\n"))
			}
		}
	}
}
