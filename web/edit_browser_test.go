package web_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
)

// bench is a page that edits a motion of a folder of its own.
type bench struct {
	*tab
	file string // of the motion
}

// edits opens greet in a folder of its own, with editing on.
func edits(t *testing.T, b *tab) bench {
	t.Helper()
	file := filepath.Join(copied(t), "greet.motion.yaml")
	b.open(serve(t, file))
	b.do(`app.actions.fit()`)
	return bench{b, file}
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
	now := b.saved()
	if fault := get[string](b.tab, `s.edit.fault`); fault != "" {
		b.t.Errorf("%s: %s", what, fault)
	}
	b.wants(what, was, now, want...)
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
