package web_test

import (
	"fmt"
	"math"
	"strconv"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// TestSheetByKeyboard goes through the row heads without a pointer: one stop of the Tab
// key for all, arrows between rows and along their buttons (the roving tabindex of the
// W3C's ARIA Authoring Practices, "Keyboard Navigation Inside Components").
func TestSheetByKeyboard(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/storm.motion.yaml"))
	b.until("the heads are there", `document.querySelectorAll('#sheet .sheet-head').length > 2`)
	if n := get[int](b, `document.querySelectorAll('#sheet .sheet-heads button[tabindex="0"]').length`); n != 1 {
		t.Errorf("the row heads are %d stops of the Tab key, not 1", n)
	}
	const rows = `[...document.querySelectorAll('#sheet .sheet-head')].map(e => e.dataset.row)`
	const focus = `document.activeElement.closest('.sheet-head')?.dataset.row + ' ' + (document.activeElement.className || document.activeElement.textContent)`
	first := get[[]string](b, rows)
	on := func(what, want string) {
		t.Helper()
		if got := get[string](b, focus); got != want {
			t.Errorf("%s: the focus is on %q, not %q", what, got, want)
		}
	}
	b.do(`document.activeElement.blur()`)
	for range 100 {
		b.keys(kb.Tab)
		if get[bool](b, `!!document.activeElement.closest('.sheet-head')`) {
			break
		}
	}
	on("Tab", first[0]+" sheet-name")
	before := get[float64](b, `s.time`)
	b.keys(kb.ArrowDown)
	on("down", first[1]+" sheet-name")
	b.keys(kb.ArrowRight)
	on("right", first[1]+" Fold")
	b.keys(kb.ArrowUp)
	on("up", first[0]+" Fold")
	b.keys(kb.ArrowDown)
	if now := get[float64](b, `s.time`); now != before {
		t.Errorf("arrows in the heads moved the time from %v to %v s", before, now)
	}
	b.keys(kb.Enter)
	b.until("it is folded", `s.rows.folded.has('`+first[1]+`')`)
	b.keys(kb.ArrowRight, kb.Enter)
	b.until("it has moved up", rows+`[0] === '`+first[1]+`'`)
	on("moved", first[1]+" Up")
	b.keys(kb.ArrowRight, kb.Enter)
	b.until("it has moved down", rows+`[1] === '`+first[1]+`'`)
	on("moved back", first[1]+" Down")
	b.keys(kb.ArrowRight, kb.Enter)
	b.until("it is hidden", `s.rows.hidden.has('`+first[1]+`') && !`+rows+`.includes('`+first[1]+`')`)
	on("hidden", first[2]+" sheet-name")
	b.do(`document.querySelector('#sheet .sheet-rows').focus()`)
	b.keys(kb.Enter)
	b.until("the list is open", `!document.querySelector('#sheet .sheet-panel').hidden`)
	b.do(`document.querySelector('#sheet .sheet-panel button').focus()`)
	b.keys(kb.Enter)
	b.until("all rows show", "s.rows.hidden.size === 0 && "+rows+".includes('"+first[1]+"')")
	b.keys(kb.Escape)
	b.until("the list is closed", `document.querySelector('#sheet .sheet-panel').hidden`)
}

// wheelParams are those of Input.dispatchMouseEvent (Chrome DevTools Protocol), which asks
// for both ways of the wheel; the client's own type leaves a zero out.
type wheelParams struct {
	Type      string  `json:"type"`
	X         float64 `json:"x"`
	Y         float64 `json:"y"`
	DeltaX    float64 `json:"deltaX"`
	DeltaY    float64 `json:"deltaY"`
	Modifiers int64   `json:"modifiers"`
}

var wheelEvent = cdp.Command[wheelParams, cdp.Empty]{Method: input.CommandDispatchMouseEvent}

// TestSheetWheel zooms about the pointer and pans.
func TestSheetWheel(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/storm.motion.yaml"))
	box := get[[4]float64](b, `(() => { const r = document.querySelector('#sheet .sheet-ruler').getBoundingClientRect(); return [r.left, r.top, r.width, r.height] })()`)
	type span struct{ From, To float64 }
	view := func() span { return get[span](b, `({From: s.view.from, To: s.view.to})`) }
	wheel := func(x, y, by float64, keys int64) {
		call(b, wheelEvent, wheelParams{"mouseWheel", x, y, 0, by, keys})
	}
	const control, shift = 2, 8 // bits of Input.dispatchMouseEvent's modifiers
	x, y := box[0]+0.3*box[2], box[1]+box[3]+60
	was := view()
	wheel(x, y, -200, control)
	b.until("it has zoomed in", `s.view.to - s.view.from < 0.95 * (`+number(was.To-was.From)+`)`)
	now := view()
	under := func(v span) float64 { return v.From + 0.3*(v.To-v.From) }
	if off := math.Abs(under(now)-under(was)) / (now.To - now.From) * box[2]; off > 1 {
		t.Errorf("the time under the pointer went %.2f px", off)
	}
	wheel(x, y, 100, shift)
	b.until("it has panned", `s.view.from > `+number(now.From)+` + 1e-6`)
	panned := view()
	if math.Abs((panned.To-panned.From)-(now.To-now.From)) > 1e-9 {
		t.Errorf("panning changed the span from %v to %v", now, panned)
	}
}

// TestSheetFindingNote shows a finding's note by keyboard focus, and Escape closes it.
func TestSheetFindingNote(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/storm.motion.yaml"))
	if get[int](b, `s.score.findings.length`) == 0 {
		t.Fatal("the example has no findings to show")
	}
	b.until("its button is there", `document.querySelector('#sheet [data-finding]:not(.away)')`)
	b.do(`document.querySelector('#sheet [data-finding]:not(.away)').focus()`)
	b.until("the note says all", `(() => { const n = document.querySelector('#sheet-note'), e = document.activeElement,
		f = s.score.findings.find(f => String(f.number) === e.dataset.finding);
		return f && !n.hidden && e.getAttribute('aria-describedby') === n.id && [f.text, f.remedy, f.file && f.line > 0 ? f.file + ':' + f.line : f.file].every(part => n.textContent.includes(part)) })()`)
	run(b, chromedp.KeyEvent(kb.Escape))
	b.until("the note is closed", `document.querySelector('#sheet-note').hidden`)
}

// pushedSheet pans and scrolls the sheet in steps, takes the canvas while it is on its way
// and again at rest, and gives the share of pixels that differ by more than a tenth, in
// per cent, and how many there are: numbers for the steps.
const pushedSheet = `new Promise(done => {
	const paper = document.querySelector('#sheet .sheet-paper'), box = document.querySelector('#sheet .sheet-scroll');
	const pixels = () => paper.getContext('2d').getImageData(0, 0, paper.width, paper.height).data;
	const start = pixels();
	let n = 0;
	const step = () => {
		if (n++ < 10) {
			app.actions.pan(%v * (app.store.get().view.to - app.store.get().view.from) / 1000);
			box.scrollTop += %v;
			requestAnimationFrame(step);
		} else if (n < 14) requestAnimationFrame(step); // the last scroll is told of
		else {
			const moving = pixels();
			setTimeout(() => {
				const rest = pixels();
				const apart = (a, b) => { let k = 0; for (let i = 0; i < a.length; i += 4) if (Math.max(Math.abs(a[i] - b[i]), Math.abs(a[i + 1] - b[i + 1]), Math.abs(a[i + 2] - b[i + 2])) > 25) k++; return 400 * k / a.length; };
				done({Way: apart(start, moving), Rest: apart(moving, rest)});
			}, 800);
		}
	};
	requestAnimationFrame(step);
})`

// TestSheetIsPushed holds that a sheet on its way, of which only what comes into view is
// drawn, shows what it shows at rest but for half a pixel.
func TestSheetIsPushed(t *testing.T) {
	url := serve(t, lighthouse+"/storm.motion.yaml")
	for _, name := range []string{"paper", "dark"} {
		b := newTab(t, 1440, 900)
		b.open(url)
		b.do(fmt.Sprintf(`app.actions.setTheme(%q); app.actions.show({from: 6, to: 16}); app.actions.setLoop({from: 7, to: 11})`, name))
		time.Sleep(500 * time.Millisecond)
		for _, by := range [][2]float64{{7.3, 0}, {-4.1, 0}, {0, 6}, {0, -4}, {3.7, 5}} {
			got := get[struct{ Way, Rest float64 }](b, fmt.Sprintf(pushedSheet, by[0], by[1]))
			t.Logf("%s, %v: %.2f %% of the pixels changed on the way, %.2f %% at rest", name, by, got.Way, got.Rest)
			// Lines of one pixel may come to rest one beside where they were: 2 % is less than all of them.
			if got.Way < 1 || got.Rest > 2 {
				t.Errorf("%s, %v: %.2f %% of the pixels changed on the way, %.2f %% at rest", name, by, got.Way, got.Rest)
			}
		}
	}
}

// number writes a number as a script does.
func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
