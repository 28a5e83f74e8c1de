package web_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// bench is a page that edits a motion of a folder of its own.
type bench struct {
	*tab
	file string // of the motion
}

func (b bench) text() string {
	b.t.Helper()
	text, err := os.ReadFile(b.file)
	if err != nil {
		b.t.Fatal(err)
	}
	return string(text)
}

// saved waits until the file has what the page shows.
func (b bench) saved() string {
	b.t.Helper()
	b.do(`document.dispatchEvent(new KeyboardEvent('keydown', {key: 's', ctrlKey: true}))`)
	b.until("it is saved", `!s.edit.busy && document.querySelector('.edit-state').textContent === 'Saved'`)
	return b.text()
}

// lines compares two texts line by line and gives those that differ, as "- old" and
// "+ new", in the order of the text; what both have is kept at the greatest number of lines.
func lines(was, now string) (list []string) {
	old, young := strings.Split(was, "\n"), strings.Split(now, "\n")
	same := make([][]int, len(old)+1) // lines that the rests have in common
	for i := range same {
		same[i] = make([]int, len(young)+1)
	}
	for i := len(old) - 1; i >= 0; i-- {
		for k := len(young) - 1; k >= 0; k-- {
			if same[i][k] = max(same[i+1][k], same[i][k+1]); old[i] == young[k] {
				same[i][k] = 1 + same[i+1][k+1]
			}
		}
	}
	for i, k := 0, 0; i < len(old) || k < len(young); {
		switch {
		case i < len(old) && k < len(young) && old[i] == young[k]:
			i, k = i+1, k+1
		case i < len(old) && (k == len(young) || same[i+1][k] >= same[i][k+1]):
			list = append(list, "- "+strings.TrimSpace(old[i]))
			i++
		default:
			list = append(list, "+ "+strings.TrimSpace(young[k]))
			k++
		}
	}
	return list
}

// wants compares the lines that differ with those that are meant to.
func (b bench) wants(what, was, now string, want ...string) {
	b.t.Helper()
	if got := lines(was, now); strings.Join(got, "\n") != strings.Join(want, "\n") {
		b.t.Errorf("%s: the file's difference is\n%s\nnot\n%s", what, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// head gives where the key of a track with an index in the text lies in the window, in px.
func (b bench) head(track string, index int) [2]float64 {
	b.t.Helper()
	return get[[2]float64](b.tab, fmt.Sprintf(`(async () => {
		const { curveAt } = await import('/page/curves.js');
		const { xIn, yIn } = await import('/page/edit/overlay.js');
		const row = s.score.rows.find(r => r.name === %q), key = row.keys.find(k => k.address && k.address.index === %d);
		const box = document.querySelector('.sheet-paper').getBoundingClientRect(), j = app.sheet.ground.job();
		return [box.left + xIn(j, key.at), box.top + yIn(j, row.kind + ':' + row.name, curveAt(s.curves, row.commanded, key.at))] })()`, track, index))
}

func (b bench) key(track string, index int) (k struct{ At, To float64 }) {
	b.t.Helper()
	return get[struct{ At, To float64 }](b.tab, fmt.Sprintf(`(k => ({At: k.at, To: k.to}))(s.score.rows.find(r => r.name === %q).keys.find(k => k.address && k.address.index === %d))`, track, index))
}

// pull drags with the mouse from one place to another, and lets go if asked to.
func (b bench) pull(from [2]float64, dx, dy float64, modifiers int64) {
	b.t.Helper()
	mouse := func(kind input.DispatchMouseEventType, share float64, buttons int64) {
		call(b.tab, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: from[0] + share*dx, Y: from[1] + share*dy, Button: "left", Buttons: buttons, ClickCount: 1, Modifiers: modifiers})
	}
	mouse("mousePressed", 0, 1)
	for k := 1; k <= 8; k++ {
		mouse("mouseMoved", float64(k)/8, 1)
		time.Sleep(15 * time.Millisecond)
	}
	mouse("mouseReleased", 1, 0)
}

// editable opens greet with a key that is locked, and editing on.
func editable(t *testing.T, b *tab) bench {
	t.Helper()
	file := filepath.Join(copied(t), "greet.motion.yaml")
	edit(t, file, "- {at: home, to: 10deg, ease: hold}", "- {at: home, to: 10deg, ease: hold, locked: true}")
	b.open(serve(t, file))
	e := bench{b, file}
	b.do(`app.actions.fit()`)
	return e
}

// turnOn has the page edit.
func (b bench) turnOn() {
	b.t.Helper()
	b.do(`document.querySelector('.edit-on').click()`)
	b.until("the bar shows", `s.edit.on && document.querySelector('#edit').getBoundingClientRect().height > 40`)
	b.until("it is drawn", drawnTwice)
}

// command presses a button of the bar by its words.
func (b bench) command(words string) {
	b.t.Helper()
	b.do(fmt.Sprintf(`[...document.querySelectorAll('#edit button')].find(e => e.textContent === %q || e.getAttribute('aria-label') === %q).click()`, words, words))
}

// makes waits for the step that something makes, and compares the file's difference.
func (b bench) makes(what string, do func(), want ...string) {
	b.t.Helper()
	was, text := b.text(), get[string](b.tab, `s.score.text`)
	do()
	b.until(what+" is made", fmt.Sprintf(`s.score.text !== %q || s.edit.fault`, text))
	if fault := get[string](b.tab, `s.edit.fault`); fault != "" {
		b.t.Errorf("%s: %s", what, fault)
	}
	b.wants(what, was, b.saved(), want...)
}

// refuses holds that something is not done, that the page says why, and that the file
// stays as it is.
func (b bench) refuses(what string, do func(), why string) {
	b.t.Helper()
	was := b.text()
	do()
	b.until(what+" is refused", fmt.Sprintf(`document.querySelector('.edit-fault').textContent.includes(%q)`, why))
	if now := b.saved(); now != was {
		b.t.Errorf("%s: the file has changed:\n%s", what, strings.Join(lines(was, now), "\n"))
	}
}

// shows has the sheet show a row about a time.
func (b bench) shows(row string, from, to float64) {
	b.t.Helper()
	b.do(fmt.Sprintf(`app.actions.show({from: %v, to: %v}); app.sheet.ground.reveal(%q)`, from, to, row))
	b.until("it is drawn", drawnTwice)
	b.do(fmt.Sprintf(`app.sheet.ground.reveal(%q)`, row))
	b.until("it is drawn", drawnTwice)
}

// place gives where a time and a value of a row lie in the window, in px.
func (b bench) place(row string, at, value float64) [2]float64 {
	b.t.Helper()
	return get[[2]float64](b.tab, fmt.Sprintf(`(async () => { const { xIn, yIn } = await import('/page/edit/overlay.js');
		const box = document.querySelector('.sheet-paper').getBoundingClientRect(), j = app.sheet.ground.job();
		return [box.left + xIn(j, %v), box.top + yIn(j, %q, %v)] })()`, at, row, value))
}

// value gives what a hand makes of a value that it moves down by some px.
func (b bench) value(row string, from, down float64) string {
	b.t.Helper()
	return number(get[float64](b.tab, fmt.Sprintf(`(async () => { const { valuePerPixel } = await import('/page/edit/overlay.js'), { snapValue, valueStep } = await import('/page/edit/snap.js'),
		scale = valuePerPixel(app.sheet.ground.job(), 'axis:%s'); return snapValue(%v - %v * scale, valueStep(scale)) })()`, row, from, down)))
}

// undoesAll takes all steps back, compares with what was, makes them again and compares with what came.
func (b bench) undoesAll(first string) {
	b.t.Helper()
	last, steps := b.saved(), get[int](b.tab, `s.score.undo`)
	if steps < 3 {
		b.t.Errorf("there are %d steps to undo", steps)
	}
	for _, way := range []struct{ key, left, want string }{{"Undo", "undo", first}, {"Redo", "redo", last}} {
		for range steps {
			b.command(way.key)
		}
		b.until("all are taken", fmt.Sprintf(`!s.edit.busy && s.score.%s === 0`, way.left))
		if now := b.saved(); now != way.want {
			b.t.Errorf("after %d times %s the file differs:\n%s", steps, way.key, strings.Join(lines(way.want, now), "\n"))
		}
	}
}

func (b bench) click(at [2]float64, count int64, modifiers int64) {
	b.t.Helper()
	for k := int64(1); k <= count; k++ {
		for _, kind := range []input.DispatchMouseEventType{"mousePressed", "mouseReleased"} {
			call(b.tab, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: at[0], Y: at[1], Button: "left", ClickCount: k, Modifiers: modifiers})
		}
	}
}

// TestEditByMouse edits greet with the mouse and compares the file line by line: notations,
// comments and order stay, and nothing else changes.
func TestEditByMouse(t *testing.T) {
	b := editable(t, newTab(t, 1440, 900))
	first := b.text()
	b.turnOn()
	if high := b.box("#edit .edit-tools"); high[3] > 60 {
		t.Errorf("the bar takes %v px, more than one line, in a window of 1440 px", high[3])
	}

	// arm's key at lift+2s, six frames later: the offset stays an offset.
	was := b.key("arm", 1)
	b.shows("axis:arm", was.At-2, was.At+2)
	perPixel := 4 / b.box("#sheet .sheet-ruler")[2]
	b.makes("a drag by six frames", func() { b.pull(b.head("arm", 1), math.Round(0.25/perPixel), 0, 0) },
		"- - {at: lift+2s, to: 95deg, ease: min-jerk, hold: true}", "+ - {at: lift+2.25s, to: 95deg, ease: min-jerk, hold: true}")
	b.shoot("edit-dragged")

	// Two keys of two rows, one added with Shift, go together; one line each.
	b.shows("axis:elbow", 5, 9)
	b.click(b.head("elbow", 1), 1, 0)
	b.click(b.head("arm", 1), 1, 8) // Shift
	b.until("two are selected", `s.edit.keys.length === 2`)
	b.makes("a drag of two", func() { b.pull(b.head("elbow", 1), math.Round(-0.25/perPixel), 0, 0) },
		"- - {at: lift+2.25s, to: 95deg, ease: min-jerk, hold: true}", "+ - {at: lift+2s, to: 95deg, ease: min-jerk, hold: true}",
		"- - [lift+1.5s, 60deg, cycloid]", "+ - [lift+1.25s, 60deg, cycloid]")

	// A band about both keys of the winch's plateau, which go down; the unit stays.
	b.shows("axis:winch", 12, 16)
	one, two := b.head("winch", 1), b.head("winch", 2)
	b.pull([2]float64{one[0] - 14, one[1] - 14}, two[0]-one[0]+28, 28, 0)
	b.until("two are selected", `s.edit.keys.length === 2`)
	const down = 12 // px
	low := b.value("winch", 55, down)
	b.makes("a drag down of two", func() { b.pull(b.head("winch", 1), 0, down, 0) },
		"- - [horn+2b, 55%]", "- - [listen-0.7s, 55%, hold]", "+ - [horn+2b, "+low+"%]", "+ - [listen-0.7s, "+low+"%, hold]")

	// Two clicks on empty paper add a key.
	at := b.place("axis:winch", 15, 20)
	at = [2]float64{math.Round(at[0]), math.Round(at[1])} // a click has whole pixels
	value := b.value("winch", get[float64](b.tab, fmt.Sprintf(`(async () => { const { placeUnder } = await import('/page/edit/overlay.js'), g = app.sheet.ground; return placeUnder(g.job(), g.toX(%v), g.toY(%v)).value })()`, at[0], at[1])), 0)
	b.makes("a double click", func() { b.click(at, 2, 0) }, "+ - [listen+0.3s, "+value+"%]")
	b.makes("Delete", func() { b.command("Delete the selected keys") }, "- - [listen+0.3s, "+value+"%]")

	// What cannot be moved says why: a key of a phrase, and a locked one.
	b.shows("axis:head-pan", 0, 20)
	phrase := get[[2]float64](b.tab, `(k => [k.at, k.to])(s.score.rows.find(r => r.name === 'head-pan').keys.find(k => k.from && k.from.name === 'double-take'))`)
	b.shows("axis:head-pan", phrase[0]-1, phrase[0]+1)
	b.refuses("a drag of a phrase's key", func() { b.pull(b.place("axis:head-pan", phrase[0], phrase[1]), 120, 0, 0) }, "belongs to the phrase double-take, placed in line 129")
	home := b.key("head-pan", 3)
	b.shows("axis:head-pan", home.At-1, home.At+1)
	b.refuses("a drag of a locked key", func() { b.pull(b.head("head-pan", 3), 120, 0, 0) }, "locked and keeps its time")

	// A click on a finding's hatch, where no key is, tells of it.
	spot := get[[3]float64](b.tab, `(f => [f.row, (f.from + f.to) / 2, f.number])(s.score.findings.find(f => f.row >= 0 && f.to > f.from && s.score.rows[f.row].keys.length === 0))`)
	row := get[string](b.tab, fmt.Sprintf(`'axis:' + s.score.rows[%v].name`, spot[0]))
	b.shows(row, spot[1]-1, spot[1]+1)
	b.click(get[[2]float64](b.tab, fmt.Sprintf(`(async () => { const j = app.sheet.ground.job(), { xIn } = await import('/page/edit/overlay.js'), p = j.places.find(p => p.spec.id === %q), box = document.querySelector('.sheet-paper').getBoundingClientRect();
		return [box.left + xIn(j, %v) + 20, box.top + j.bands.head - j.scroll + p.y0 + 3] })()`, row, spot[1])), 1, 0)
	b.until("the finding is selected, and its note says it", fmt.Sprintf(`s.score.findings.find(f => f.number === s.finding)?.row === %v && !document.querySelector('#sheet-note').hidden`, spot[0]))
	b.shoot("edit-finding")

	b.undoesAll(first)
}

// chord types a key with modifiers.
func (b bench) chord(key string, modifiers ...chromedp.Modifier) {
	b.t.Helper()
	run(b.tab, chromedp.KeyEvent(key, chromedp.KeyModifiers(modifiers...)))
}

// tabTo presses Tab until something has the focus, as a person without a pointer does, and
// holds that the focus shows wherever it is.
func (b bench) tabTo(selector string, modifiers ...chromedp.Modifier) {
	b.t.Helper()
	for range 90 {
		b.chord(kb.Tab, modifiers...)
		at := get[struct {
			There, Shows bool
			What         string
		}](b.tab, fmt.Sprintf(`(() => { const e = document.activeElement, c = getComputedStyle(e), r = e.getBoundingClientRect();
			return {There: e.matches(%q), What: e.outerHTML.slice(0, 120), Shows: e === document.body || r.width > 0 && r.height > 0 && (c.outlineStyle !== 'none' && parseFloat(c.outlineWidth) > 0 || c.boxShadow !== 'none')} })()`, selector))
		if !at.Shows {
			b.t.Errorf("the focus on %s does not show", at.What)
		}
		if at.There {
			return
		}
	}
	b.t.Fatalf("Tab does not come to %s", selector)
}

// arrowTo goes down the list of keys to a row.
func (b bench) arrowTo(row string) {
	b.t.Helper()
	for range 20 {
		at := get[string](b.tab, `document.querySelector('.edit-keys').dataset.row`)
		if at == row {
			return
		}
		b.keys(kb.ArrowDown)
		b.until("it goes to the next row", fmt.Sprintf(`document.querySelector('.edit-keys').dataset.row !== %q && document.activeElement.closest('.edit-keys')`, at))
	}
	b.t.Fatalf("the arrow does not come to %s", row)
}

// types writes in the field that has the focus, in the place of what stands there.
func (b bench) types(text string) {
	b.t.Helper()
	b.chord("a", chromedp.ModifierCtrl)
	b.keys(text)
}

// TestEditByKeyboard edits without a pointer: from Tab to a saved change, key by key.
func TestEditByKeyboard(t *testing.T) {
	b := editable(t, newTab(t, 1440, 900))
	first := b.text()
	b.tabTo(".edit-on")
	b.keys(" ")
	b.until("it edits", `s.edit.on`)
	b.tabTo(".edit-keys [role=option]")
	b.until("the list says which key it is", `document.activeElement.textContent.match(/, \d+\.\d\d s, /) && document.activeElement.getAttribute('aria-setsize') > 1`)

	// To the arm's second key; three frames later, and five degrees less, which is one step.
	b.arrowTo("axis:arm")
	b.keys(kb.Home, kb.ArrowRight)
	b.until("the second is selected", `s.edit.keys.length === 1 && s.edit.keys[0].row === 'axis:arm' && s.edit.keys[0].k === 1`)
	b.makes("a nudge", func() {
		for range 3 {
			b.chord(kb.ArrowRight, chromedp.ModifierAlt)
		}
		b.chord(kb.ArrowUp, chromedp.ModifierAlt)
		b.chord(kb.ArrowDown, chromedp.ModifierAlt, chromedp.ModifierShift)
		b.until("all are made", `Math.abs(s.score.rows.find(r => r.name === 'arm').keys[1].to - 86) < 1e-9 && !s.edit.busy`)
	}, "- - {at: lift+2s, to: 95deg, ease: min-jerk, hold: true}", "+ - {at: lift+2.125s, to: 86deg, ease: min-jerk, hold: true}")
	b.until("the list has the focus", `document.activeElement.closest('.edit-keys') && document.activeElement.textContent.includes('86deg')`)

	// A time and a value as they are typed, an ease that is chosen; what is wrong is said, and stays to be mended.
	b.tabTo("#edit input[placeholder='36f']", chromedp.ModifierShift)
	b.refuses("a time that is none", func() { b.types("lift+2x"); b.keys(kb.Enter) }, "x is no unit of time")
	b.makes("a time", func() { b.types("00:00:08:06"); b.keys(kb.Enter) },
		"- - {at: lift+2.125s, to: 86deg, ease: min-jerk, hold: true}", "+ - {at: lift+2s, to: 86deg, ease: min-jerk, hold: true}")
	b.keys(kb.Tab)
	b.refuses("a value beyond the travel", func() { b.types("500deg"); b.keys(kb.Enter) }, "arm goes from")
	b.makes("a value", func() { b.types("1.5rad"); b.keys(kb.Enter) },
		"- - {at: lift+2s, to: 86deg, ease: min-jerk, hold: true}", "+ - {at: lift+2s, to: 85.943669deg, ease: min-jerk, hold: true}")
	b.keys(kb.Tab)
	b.makes("an ease", func() { b.keys("s-c") },
		"- - {at: lift+2s, to: 85.943669deg, ease: min-jerk, hold: true}", "+ - {at: lift+2s, to: 85.943669deg, ease: s-curve, hold: true}")

	// All keys of the winch, copied, and pasted at the playhead.
	b.tabTo(".edit-keys [role=option]")
	b.arrowTo("axis:winch")
	b.chord("a", chromedp.ModifierCtrl)
	b.until("all are selected", `s.edit.keys.length === 4`)
	b.chord("c", chromedp.ModifierCtrl)
	for range 10 { // the playhead, to the mark home
		if get[bool](b.tab, `Math.abs(s.time - 17) < 1e-6`) {
			break
		}
		b.keys(".")
	}
	b.makes("a paste", func() { b.chord("v", chromedp.ModifierCtrl) }, "+ - [listen+2.3s, 0%]", "+ - [listen+2.925s, 55%]", "+ - [listen+3.175s, 55%, hold]", "+ - [listen+3.675s, 0%]")
	b.until("what was pasted is selected", `s.edit.keys.length === 4 && s.edit.keys.every(k => k.row === 'axis:winch' && k.k >= 4)`)
	b.makes("a stretch", func() { b.tabTo("#edit button[aria-label^=Stretch]", chromedp.ModifierShift); b.keys(kb.Enter) },
		"- - [listen+2.925s, 55%]", "- - [listen+3.175s, 55%, hold]", "- - [listen+3.675s, 0%]", "+ - [listen+3.2375s, 55%]", "+ - [listen+3.6125s, 55%, hold]", "+ - [listen+4.3625s, 0%]")
	b.makes("a mirror", func() { b.tabTo("#edit [aria-label^=Mirror]", chromedp.ModifierShift); b.keys(" ") },
		"- - [listen+3.2375s, 55%]", "- - [listen+3.6125s, 55%, hold]", "+ - [listen+3.2375s, -55%]", "+ - [listen+3.6125s, -55%, hold]")
	b.makes("a cut", func() { b.chord("x", chromedp.ModifierCtrl) }, "- - [listen+2.3s, 0%]", "- - [listen+3.2375s, -55%]", "- - [listen+3.6125s, -55%, hold]", "- - [listen+4.3625s, 0%]")
	b.until("the focus is where it was", `document.activeElement.matches('#edit [aria-label^=Mirror]')`)

	// A key at the playhead, and away with it.
	b.tabTo(".edit-keys [role=option]")
	b.makes("Enter", func() { b.keys(kb.Enter) }, "+ - [listen+2.3s, 0%]")
	b.makes("Delete", func() { b.keys(kb.Delete) }, "- - [listen+2.3s, 0%]")
	b.until("the list has the focus", `document.activeElement.closest('.edit-keys')`)

	// Back to the bytes that were, and forth.
	last, steps := b.text(), get[int](b.tab, `s.score.undo`)
	for range steps {
		b.chord("z", chromedp.ModifierCtrl)
	}
	b.until("all is undone", `!s.edit.busy && s.score.undo === 0`)
	if now := b.saved(); now != first {
		t.Errorf("undone, the file differs:\n%s", strings.Join(lines(first, now), "\n"))
	}
	for k := range steps {
		if k%2 == 0 {
			b.chord("z", chromedp.ModifierCtrl, chromedp.ModifierShift)
		} else {
			b.chord("y", chromedp.ModifierCtrl)
		}
	}
	b.until("all is done again", `!s.edit.busy && s.score.redo === 0`)
	if now := b.saved(); now != last {
		t.Errorf("done again, the file differs:\n%s", strings.Join(lines(last, now), "\n"))
	}
}

// TestEditMarksAndPoses moves, names, adds and deletes marks and poses, and moves what is
// placed; all that counts from a mark follows its name.
func TestEditMarksAndPoses(t *testing.T) {
	b := editable(t, newTab(t, 1440, 900))
	b.allow = append(b.allow, "status of 422") // what the server refuses
	first := b.text()
	b.turnOn()
	// fill writes in a field by its label, as a person does who then presses Enter.
	fill := func(label, text string) {
		t.Helper()
		b.do(fmt.Sprintf(`[...document.querySelectorAll('#edit input')].find(e => e.getAttribute('aria-label') === %q).focus()`, label))
		b.types(text)
		b.keys(kb.Enter)
	}
	focused := func(label string) {
		t.Helper()
		b.until("the focus is on "+label, fmt.Sprintf(`document.activeElement.getAttribute('aria-label') === %q`, label))
	}
	b.command("Marks")
	b.makes("a mark moved", func() { fill("Time of mark horn", "13s") }, "- horn: 12.5s", "+ horn: 13s")
	focused("Time of mark horn")
	b.refuses("a mark that is locked", func() {
		b.do(`document.querySelector('[aria-label="Time of mark greeting"]').readOnly = false`) // as if the page had let it
		fill("Time of mark greeting", "3s")
	}, "locked and keeps its time")
	b.refuses("a name that another mark has", func() { fill("Name of mark horn", "lift") }, "lift")
	b.keys(kb.Tab)
	b.until("the field says what stands in the file", `document.querySelector('[aria-label="Name of mark horn"]').value === 'horn'`)
	b.makes("another name", func() { fill("Name of mark boat", "skiff") },
		"- boat: hm+16f                              # 16 frames later he has seen it", "+ skiff: hm+16f                             # 16 frames later he has seen it",
		"- - {pose: calm, at: boat}", "- - {pose: startled, at: boat+5f}", "+ - {pose: calm, at: skiff}", "+ - {pose: startled, at: skiff+5f}",
		"- - {phrase: double-take, at: boat}", "+ - {phrase: double-take, at: skiff}", `- - {at: boat, say: "go, boat"}`, `+ - {at: skiff, say: "go, boat"}`)
	focused("Name of mark skiff")
	b.do(`app.actions.seek(18)`)
	b.makes("a new mark", func() { fill("Name of a new mark", "tide") }, "+ tide: 18s")
	b.makes("it is deleted", func() { b.command("Delete mark tide") }, "- tide: 18s")
	b.refuses("a mark that things count from", func() { b.command("Delete mark look") }, "look")
	b.shoot("edit-marks")
	b.command("Marks")

	b.command("Poses")
	b.do(`app.actions.seek(0); app.actions.selectRow('axis:lid-left')`)
	b.makes("a pose of the row that is chosen", func() { fill("Name of the pose to store", "dozing") }, "+ dozing: {lid-left: 8deg}")
	b.makes("another name", func() { fill("Name of pose dozing", "asleep") }, "- dozing: {lid-left: 8deg}", "+ asleep: {lid-left: 8deg}")
	b.makes("another name of one that is placed", func() { fill("Name of pose startled", "awake") },
		"- startled: {lid-left: 0deg, lid-right: 0deg}", "+ awake: {lid-left: 0deg, lid-right: 0deg}",
		"- - {pose: startled, at: skiff+5f}", "- - {pose: startled, at: greeting-4f, ease: hold}", "+ - {pose: awake, at: skiff+5f}", "+ - {pose: awake, at: greeting-4f, ease: hold}")
	b.do(`app.actions.seek(19)`)
	b.makes("a pose keyed", func() { b.command("As keys: the values of pose asleep at the playhead") }, "+ lid-left:", "+ - {at: 19s, to: 8deg}")
	b.makes("a pose deleted", func() { b.command("Delete pose asleep") }, "- asleep: {lid-left: 8deg}")
	b.refuses("a pose that is placed", func() { b.command("Delete pose calm") }, "calm")
	b.do(`app.actions.seek(6.5)`)
	b.makes("a pose placed", func() { b.command("Place pose calm at the playhead") }, "+ - {pose: calm, at: lift+0.25s}")
	b.do(`app.actions.seek(6.75)`)
	b.makes("a phrase placed", func() { b.command("Place phrase wink at the playhead") }, "+ - {phrase: wink, at: lift+0.5s}")
	line := get[int](b.tab, `s.score.placements.find(p => p.name === 'wink' && p.at > 10).line`)
	b.makes("a phrase moved", func() { fill(fmt.Sprintf("Time of phrase wink, line %d", line), "home+12f") },
		"- - {phrase: wink, at: home+0.3s, mirror: true, scale: -1}", "+ - {phrase: wink, at: home+0.5s, mirror: true, scale: -1}")
	b.makes("a phrase taken away", func() { b.command(fmt.Sprintf("Delete phrase wink, line %d, where it is placed", line)) }, "- - {phrase: wink, at: home+0.5s, mirror: true, scale: -1}")
	b.shoot("edit-poses")
	b.undoesAll(first)
}

// TestEditByTouch edits on a phone with fingers only: buttons, taps, drags, a long press.
func TestEditByTouch(t *testing.T) {
	b := editable(t, newTab(t, 390, 844))
	call(b.tab, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5})
	first := b.text()
	b.tapOn(".edit-on")
	b.until("the bar shows", `s.edit.on && document.querySelector('#edit').getBoundingClientRect().height > 40`)
	// What is pressed is 44 px and more either way (WCAG 2.2, 2.5.5).
	if small := get[[]string](b.tab, `[...document.querySelectorAll('#edit button, #edit input, #edit select, .edit-on, .rehearse-open')].filter(e => { const r = e.getBoundingClientRect(); return r.width > 0 && (r.height < 43.9 || r.width < 43.9) }).map(e => e.outerHTML.slice(0, 100))`); len(small) > 0 {
		t.Errorf("smaller than 44 px: %s", strings.Join(small, "\n"))
	}
	if over := get[[]string](b.tab, `(rs => rs.flatMap((a, i) => rs.slice(i + 1).filter(b => a.left < b.right + 3 && b.left < a.right + 3 && a.top < b.bottom + 3 && b.top < a.bottom + 3).map(b => JSON.stringify([a, b]))))([...document.querySelectorAll('#transport button')].map(e => e.getBoundingClientRect()).filter(r => r.width > 0))`); len(over) > 0 {
		t.Errorf("buttons touch each other: %s", strings.Join(over, "\n"))
	}

	// A finger takes a key, and moves it by six frames.
	b.shows("axis:arm", 6, 11)
	at := b.head("arm", 1)
	b.tap(at[0]+6, at[1]+8) // a finger does not meet it
	b.until("it is selected", `s.edit.keys.length === 1 && s.edit.keys[0].row === 'axis:arm' && s.edit.keys[0].k === 1`)
	perPixel := 5 / b.box("#sheet .sheet-ruler")[2]
	b.makes("a drag", func() { b.touches(8, [2][2]float64{at, {at[0] + math.Round(0.25/perPixel), at[1]}}) },
		"- - {at: lift+2s, to: 95deg, ease: min-jerk, hold: true}", "+ - {at: lift+2.25s, to: 95deg, ease: min-jerk, hold: true}")
	b.shoot("edit-phone")

	// Two fingers move the sheet and no key.
	view, text := b.view(), b.text()
	at = b.head("arm", 1)
	b.touches(8, [2][2]float64{at, {at[0] - 40, at[1]}}, [2][2]float64{{at[0] + 80, at[1]}, {at[0] + 120, at[1]}})
	b.until("the sheet is another part", fmt.Sprintf(`s.view.to - s.view.from < %v`, 0.9*(view.To-view.From)))
	if now := b.saved(); now != text {
		t.Errorf("two fingers have changed the file:\n%s", strings.Join(lines(text, now), "\n"))
	}

	// A finger that stays adds a key; the buttons nudge it, and delete it.
	b.shows("axis:winch", 14, 18)
	b.makes("a long press", func() {
		spot := b.place("axis:winch", 16, 20)
		call(b.tab, touchEvent, touchParams{"touchStart", []finger{{spot[0], spot[1], 0}}})
		b.until("a key is there", `s.score.rows.find(r => r.name === 'winch').keys.length === 5`)
		call(b.tab, touchEvent, touchParams{"touchEnd", []finger{}})
	}, "+ - [listen+1.3s, "+b.value("winch", get[float64](b.tab, `(async () => { const { placeUnder, xIn, yIn } = await import('/page/edit/overlay.js'), j = app.sheet.ground.job(); return placeUnder(j, xIn(j, 16), yIn(j, 'axis:winch', 20)).value })()`), 0)+"%]")
	b.until("it is selected", `s.edit.keys.length === 1 && s.edit.keys[0].k === 4`)
	key := b.key("winch", 4)
	b.makes("Later and More", func() {
		for _, words := range []string{"Later", "More"} {
			b.do(fmt.Sprintf(`[...document.querySelectorAll('#edit button')].find(e => e.textContent === %q).scrollIntoView()`, words)) // as a finger pushes the bar along
			b.tapOn(fmt.Sprintf(`#edit button[aria-label^="%s:"]`, words))
		}
		b.until("both are made", fmt.Sprintf(`Math.abs(s.score.rows.find(r => r.name === 'winch').keys[4].to - %v) < 1e-6 && !s.edit.busy`, key.To+1))
	}, "- - [listen+1.3s, "+number(key.To)+"%]", fmt.Sprintf("+ - [listen+%ss, %s%%]", number(math.Round(1e6*(1.3+1./24))/1e6), number(key.To+1)))

	// More at a time: a tap on each.
	b.shows("axis:winch", 12, 17)
	b.tapOn(".edit-many")
	b.tap(b.head("winch", 3)[0], b.head("winch", 3)[1])
	b.until("two are selected", `s.edit.keys.length === 2`)
	b.do(`document.querySelector('#edit [aria-label="Delete the selected keys"]').scrollIntoView()`)
	b.makes("Delete", func() { b.tapOn(`#edit [aria-label="Delete the selected keys"]`) }, "- - [listen-0.2s, 0%]", fmt.Sprintf("- - [listen+%ss, %s%%]", number(math.Round(1e6*(1.3+1./24))/1e6), number(key.To+1)))
	b.undoesAll(first)
	if wide := get[bool](b.tab, `document.documentElement.scrollWidth > innerWidth`); wide {
		t.Error("the page is wider than the phone")
	}
}

// TestEditAccessible runs axe-core (Deque; the rules of WCAG 2.2 A and AA) on what editing
// shows, in both themes, on a desk and on a phone.
func TestEditAccessible(t *testing.T) {
	axe, err := os.ReadFile(os.Getenv("LIMBERJACK_AXE"))
	if err != nil {
		needTool(t, "axe-core", "LIMBERJACK_AXE names axe.min.js of the npm package axe-core")
	}
	for _, size := range [][2]int64{{1440, 900}, {390, 844}} {
		b := newTab(t, size[0], size[1])
		call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
		if size[0] < 1000 {
			call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true})
		}
		e := editable(t, b)
		run(b, chromedp.Evaluate[chromedp.Void](string(axe)))
		e.turnOn()
		e.shows("axis:arm", 6, 11)
		e.do(`document.querySelector('.edit-keys [tabindex="0"]').focus()`)
		e.keys(kb.ArrowRight)
		e.until("a key is selected", `s.edit.keys.length === 1`)
		b.shoot(fmt.Sprintf("edit-%d", size[0]))
		e.command("Marks")
		e.command("Poses")
		for _, theme := range []string{"paper", "dark"} {
			e.do(fmt.Sprintf(`app.actions.setTheme(%q)`, theme))
			e.until("it is drawn", drawnTwice)
			for _, f := range get[[]string](b, `(await axe.run({include: ['#edit', '.edit-keys', '.edit-on']}, {resultTypes: ['violations']})).violations.map(v => v.impact + ' ' + v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + n.failureSummary.slice(0, 200)).join(' / '))`) {
				t.Errorf("%d px, %s: %s", size[0], theme, f)
			}
			b.shoot(fmt.Sprintf("edit-%d-%s", size[0], theme))
		}
		if wide := get[bool](b, `document.documentElement.scrollWidth > innerWidth`); wide {
			t.Errorf("%d px: the page is wider than its window", size[0])
		}
	}
}

// collides changes a key in the page and the file in an editor before the page's change is
// saved, and gives both texts and the key's value in each.
func (b bench) collides(from, to string) (mine, theirs string, value [2]float64) {
	b.t.Helper()
	at := regexp.MustCompile(`to: (\d+)deg, ease: min-jerk, hold`)
	for range 10 {
		was, text := b.text(), get[string](b.tab, `s.score.text`)
		if theirs = strings.Replace(was, from, to, 1); theirs == was {
			b.t.Fatalf("the file has no %q", from)
		}
		b.command("More: a degree more")
		b.until("it is made", fmt.Sprintf(`s.score.text !== %q`, text))
		if b.text() != was {
			b.saved() // the machine was slow, and the change is saved already
			continue
		}
		replaceFile(b.t, b.file, []byte(theirs))
		old, err := strconv.ParseFloat(at.FindStringSubmatch(was)[1], 64)
		if err != nil {
			b.t.Fatal(err)
		}
		return at.ReplaceAllString(was, "to: "+number(old+1)+"deg, ease: min-jerk, hold"), theirs, [2]float64{old + 1, old}
	}
	b.t.Fatal("each change was saved before the file could be changed")
	return
}

// beside gives the only file beside the motion that keeps another version, and its text.
func (b bench) beside(whose string) (name, text string) {
	b.t.Helper()
	list, err := filepath.Glob(filepath.Join(filepath.Dir(b.file), "greet."+whose+"-*.motion.yaml"))
	if err != nil || len(list) == 0 {
		b.t.Fatalf("no version of %s is kept: %q, %v", whose, list, err)
	}
	data, err := os.ReadFile(list[len(list)-1])
	if err != nil {
		b.t.Fatal(err)
	}
	return filepath.Base(list[len(list)-1]), string(data)
}

// TestEditTwoVersions edits in two pages at once, and in a page and an editor at once: both
// versions are kept and shown, and either can be made to hold.
func TestEditTwoVersions(t *testing.T) {
	b := editable(t, newTab(t, 1440, 900))
	first := b.text()
	other := bench{newTab(t, 820, 1180), b.file}
	other.open(get[string](b.tab, `location.href`))
	b.turnOn()
	other.turnOn()
	arm := `s.score.rows.find(r => r.name === 'arm').keys[1].to`
	chooses := `(() => { const e = document.querySelector('.edit-keys'); app.store.set({edit: {...s.edit, keys: [{row: 'axis:arm', k: 1}], cursor: {row: 'axis:arm', k: 1}}}) })()`
	b.do(`globalThis.told = []; new MutationObserver(() => told.push(document.querySelector('.edit-state').textContent)).observe(document.querySelector('.edit-state'), {childList: true, characterData: true, subtree: true})`)
	for k, x := range []bench{b, other} {
		x.do(chooses)
		x.command("More: a degree more")
		for _, y := range []bench{b, other} {
			y.until("both have it", fmt.Sprintf(`%s === %d && s.score.undo === %d && !s.edit.busy`, arm, 96+k, k+1))
		}
	}
	// The step that goes is the newest, whoever made it.
	other.command("Undo")
	b.until("it is undone", arm+` === 96 && !s.edit.busy`)
	b.command("Undo")
	other.until("it is undone", arm+` === 95 && !s.edit.busy`)
	b.until("it is saved, and was said to be on its way", `document.querySelector('.edit-state').textContent === 'Saved' && told.includes('Saving \u2026')`)
	if now := b.text(); now != first {
		t.Errorf("undone by both, the file differs:\n%s", strings.Join(lines(first, now), "\n"))
	}

	// The file is changed in an editor while the page's change is not saved.
	for k, c := range []struct{ button, keeps string }{{"Keep the file\u2019s version; yours stays beside it", "file"}, {"Keep mine: it is written into the file, and the file\u2019s version stays beside it", "mine"}} {
		b.do(chooses)
		mine, theirs, value := b.collides([]string{`say: "go, boat"`, `say: "go, now, boat"`}[k], []string{`say: "go, now, boat"`, `say: "go at last, boat"`}[k])
		for _, x := range []bench{b, other} {
			x.until("both versions are told of", `document.querySelector('.edit-conflict').innerText.includes('yours is in greet.mine-') && document.querySelector('.edit-state').textContent === 'Two versions'`)
		}
		b.until("the file's version shows", fmt.Sprintf(`%s === %v`, arm, value[1]))
		b.shoot("edit-two-versions")
		name, text := b.beside("mine")
		if text != mine || b.text() != theirs {
			t.Fatalf("kept are\n%s\nand\n%s", strings.Join(lines(mine, text), "\n"), strings.Join(lines(theirs, b.text()), "\n"))
		}
		b.command("Look at the other: " + name)
		b.until("it shows", fmt.Sprintf(`%s === %v && s.motion !== 'greet'`, arm, value[0]))
		b.do(`document.querySelector('#motions [data-name=greet]').click()`)
		b.until("the file's version shows", fmt.Sprintf(`%s === %v && s.motion === 'greet'`, arm, value[1]))
		b.command(c.button)
		b.until("it is one version again", `document.querySelector('.edit-conflict').hidden && !s.edit.busy`)
		now := b.saved()
		if want := map[string]string{"file": theirs, "mine": mine}[c.keeps]; now != want {
			t.Errorf("keep %s: the file differs:\n%s", c.keeps, strings.Join(lines(want, now), "\n"))
		}
		if c.keeps == "file" {
			continue
		}
		if _, text := b.beside("other"); text != theirs {
			t.Errorf("the file's version is kept as\n%s", strings.Join(lines(theirs, text), "\n"))
		}
		b.command("Undo")
		b.until("it is undone", fmt.Sprintf(`%s === %v && !s.edit.busy`, arm, value[1]))
		if now := b.saved(); now != theirs {
			t.Errorf("undone, the file differs:\n%s", strings.Join(lines(theirs, now), "\n"))
		}
	}
}

// TestEditUnsaved says so where the file cannot be written, and why; what was done stays.
func TestEditUnsaved(t *testing.T) {
	b := newTab(t, 1440, 900)
	// With a name as long as a name may be there is none left for the new file beside it.
	file := filepath.Join(copied(t), strings.Repeat("g", 255-len(".motion.yaml"))+".motion.yaml")
	if err := os.Rename(filepath.Join(filepath.Dir(file), "greet.motion.yaml"), file); err != nil {
		t.Skipf("this disk has no names of 255 bytes: %v", err)
	}
	b.open(serve(t, file))
	e := bench{b, file}
	was := e.text()
	e.turnOn()
	b.do(`app.store.set({edit: {...s.edit, keys: [{row: 'axis:arm', k: 1}], cursor: {row: 'axis:arm', k: 1}}})`)
	e.command("More: a degree more")
	b.until("it says why it is not saved", `document.querySelector('.edit-state').textContent === 'Not saved: file name too long' && s.score.rows.find(r => r.name === 'arm').keys[1].to === 96`)
	if now := e.text(); now != was {
		t.Errorf("the file has changed:\n%s", strings.Join(lines(was, now), "\n"))
	}
}
