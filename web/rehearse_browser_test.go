package web_test

import (
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"limberjack/transport/wire"
)

// press clicks a button of the part by its words.
func (b *tab) press(words string) {
	b.t.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll('#rehearse button, .rehearse-open')].find(e => e.textContent === %q && !e.disabled && e.getBoundingClientRect().width > 0)`, words)
	b.until("there is "+words, find)
	b.do(find + `.click()`)
}

func (b *tab) phaseIs(words string) {
	b.t.Helper()
	b.until("the boards are "+words, fmt.Sprintf(`document.querySelector('#rehearse .phase').textContent.startsWith(%q)`, words))
}

// rehearses opens the part, connects to both boards and plays on them.
func (b *tab) rehearses(piers map[string]*pier) {
	b.t.Helper()
	b.do(`app.actions.setLooping(true)`)
	b.press("Rehearse")
	b.press("Drive")
	for name, x := range piers {
		b.do(fmt.Sprintf(`document.querySelector('#rehearse input[name=%s]').value = %q`, name, x.url))
	}
	b.press("Connect")
	b.press("Yes: arm")
	b.phaseIs("Armed")
	b.press("Play on the boards")
	b.phaseIs("Playing")
	b.until("the page plays along", `s.playing && s.time > 0.1`)
}

// TestPageRehearses plays on boards in software from the page, and stops them in each way.
func TestPageRehearses(t *testing.T) {
	motion := shoreFolder(t)
	piers := newPiers(t, motion)
	url := serve(t, motion)
	b := newTab(t, 1280, 900)
	b.open(url)
	b.rehearses(piers)
	b.shoot("rehearse-playing")
	watcher := callAt(t, url)
	if a := watcher.ask("drive", ""); a.OK {
		t.Error("a second page takes the wheel")
	}

	// Hold and go on.
	b.press("Hold")
	b.phaseIs("Held")
	b.press("Go on")
	b.phaseIs("Playing")

	// Esc stops: from the key, by the page's own clock, to the boards' record. A
	// machine that is busy with something else may take longer than the 50 ms of a quiet one.
	b.do(`const send = WebSocket.prototype.send; WebSocket.prototype.send = function (data) {
		if (String(data).includes('"stop"')) globalThis.pressedAt = performance.timeOrigin + window.event.timeStamp;
		send.call(this, data) }`)
	b.do(`document.querySelector('#help').showModal()`) // from a dialog, too
	from := time.Now()
	b.keys(kb.Escape)
	at := time.UnixMicro(int64(1000 * get[float64](b, `globalThis.pressedAt ?? 0`)))
	for name, x := range piers {
		took := x.ended(t, from).Sub(at)
		t.Logf("board %s: %v from the key", name, took)
		if took <= 0 || took > time.Second {
			t.Errorf("board %s stops %v after the key", name, took)
		}
	}
	b.until("Stop says what a second press does", `document.querySelector('#rehearse .halt').textContent === 'Drop the pulses' && document.querySelector('#halt-note').textContent.includes('falls')`)
	b.shoot("rehearse-stopped")
	from = time.Now()
	b.keys(kb.Escape)
	for _, x := range piers {
		x.ended(t, from.Add(-time.Second), wire.StateSilent)
	}
	b.phaseIs("Stopped")

	// Stop is large enough for a thumb, and is there in the list of keys, too.
	if r := b.box("#rehearse .halt"); r[2] < 44 || r[3] < 44 {
		t.Errorf("Stop is %v px", r[2:])
	}
	b.box("#help .halt")
	b.do(`document.querySelector('#help').close()`)
}

// TestPageGoneStops: a page that drives and is closed, hidden, or without a network stops
// the boards.
func TestPageGoneStops(t *testing.T) {
	motion := shoreFolder(t)
	for _, c := range []struct {
		name string
		end  string
		most time.Duration
	}{
		{"closed", `setTimeout(() => location.replace('about:blank'), 10)`, time.Second},
		{"hidden", `Object.defineProperty(document, 'hidden', {value: true}); document.dispatchEvent(new Event('visibilitychange'))`, time.Second},
		{"frozen", `setTimeout(() => { for (const end = Date.now() + 3000; Date.now() < end;); }, 10)`, 3 * time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			piers := newPiers(t, motion)
			b := newTab(t, 1280, 900)
			b.allow = []string{"/api/rehearsal/"} // the stop of a page that goes may find the test's server gone, too
			b.open(serve(t, motion))
			b.rehearses(piers)
			from := time.Now()
			b.do(c.end)
			took := allEnd(t, piers, from)
			t.Logf("after %v", took)
			if took > c.most {
				t.Errorf("the boards stop %v later", took)
			}
		})
	}
}

// TestPageRehearseAccessible runs axe-core (Deque) on the open part, as TestPageAccessible
// does on the rest.
func TestPageRehearseAccessible(t *testing.T) {
	axe, err := os.ReadFile(os.Getenv("LIMBERJACK_AXE"))
	if err != nil {
		needTool(t, "axe-core", "LIMBERJACK_AXE names axe.min.js of the npm package axe-core")
	}
	motion := shoreFolder(t)
	for _, width := range []int64{390, 1280} {
		piers := newPiers(t, motion)
		b := newTab(t, width, 900)
		call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
		b.open(serve(t, motion))
		run(b, chromedp.Evaluate[chromedp.Void](string(axe)))
		b.rehearses(piers)
		for _, theme := range []string{"paper", "dark"} {
			b.do(fmt.Sprintf(`app.actions.setTheme(%q)`, theme))
			for _, f := range get[[]string](b, `(await axe.run('#rehearse', {resultTypes: ['violations']})).violations.map(v => v.id + ' ' + v.nodes.map(n => n.html.slice(0, 160)).join(' / '))`) {
				t.Errorf("%d px, %s: %s", width, theme, f)
			}
			b.shoot(fmt.Sprintf("rehearse-%d-%s", width, theme))
		}
	}
}
