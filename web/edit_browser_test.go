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
	b.until("it is saved", `!s.edit.busy && document.querySelector('.edit-state').textContent === 'Saved'`)
	return b.text()
}

// lines compares two texts line by line and gives those that differ, as "- old" and "+ new".
// Both must have as many lines: what is edited here adds none.
func (b bench) lines(was, now string) (list []string) {
	b.t.Helper()
	old, young := strings.Split(was, "\n"), strings.Split(now, "\n")
	if len(old) != len(young) {
		b.t.Fatalf("the file had %d lines and has %d", len(old), len(young))
	}
	for i := range old {
		if old[i] != young[i] {
			list = append(list, "- "+strings.TrimSpace(old[i]), "+ "+strings.TrimSpace(young[i]))
		}
	}
	return list
}

// wants compares the lines that differ with those that are meant to.
func (b bench) wants(what, was, now string, lines ...string) {
	b.t.Helper()
	if got := b.lines(was, now); strings.Join(got, "\n") != strings.Join(lines, "\n") {
		b.t.Errorf("%s: the file's difference is\n%s\nnot\n%s", what, strings.Join(got, "\n"), strings.Join(lines, "\n"))
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

// TestEditByMouse drags a key and compares the file line by line.
func TestEditByMouse(t *testing.T) {
	b := edits(t, newTab(t, 1440, 900))
	first := b.text()
	b.do(`document.querySelector('.edit-on').click()`)
	b.until("the bar shows", `s.edit.on && document.querySelector('#edit').getBoundingClientRect().height > 40`)
	b.until("it is drawn", drawnTwice)

	// arm's key at lift+2s, a frame or more later: the offset stays an offset, the comment and
	// the order stay, nothing else changes.
	was := b.key("arm", 1)
	b.do(fmt.Sprintf(`app.actions.show({from: %v, to: %v})`, was.At-2, was.At+2))
	b.do(`app.sheet.ground.reveal('axis:arm')`)
	b.until("it is drawn", drawnTwice)
	perPixel := 4 / b.box("#sheet .sheet-ruler")[2]
	b.pull(b.head("arm", 1), math.Round(0.25/perPixel), 0, 0)
	b.until("it has moved", fmt.Sprintf(`s.score.rows.find(r => r.name === 'arm').keys.some(k => Math.abs(k.at - %v) < 1e-3)`, was.At+0.25))
	b.shoot("edit-dragged")
	b.wants("a drag by six frames", first, b.saved(),
		"- - {at: lift+2s, to: 95deg, ease: min-jerk, hold: true}", "+ - {at: lift+2.25s, to: 95deg, ease: min-jerk, hold: true}")
	b.do(`document.querySelector('#edit .edit-tools button').click()`)
	b.until("it is undone", `s.score.undo === 0 && s.score.redo === 1`)
	if now := b.saved(); now != first {
		t.Errorf("undone, the file is another one:\n%s", strings.Join(b.lines(first, now), "\n"))
	}
}
