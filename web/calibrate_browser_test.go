package web_test

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/timeline"
)

// hand presses what the page shows, by its words, and types into what it shows.
type hand struct {
	*tab
	press func(words string)
	enter func(label, text string)
}

// buttonNamed finds a button that can be pressed, fieldNamed a field by its label.
const (
	buttonNamed = `[...document.querySelectorAll('#rehearse button, .rehearse-open')].find(e => (e.getAttribute('aria-label') ?? e.textContent) === %q && !e.disabled && e.getBoundingClientRect().width > 0)`
	fieldNamed  = `[...document.querySelectorAll('#rehearse input, #rehearse select')].find(e => (e.getAttribute('aria-label') ?? e.labels?.[0]?.textContent ?? '').startsWith(%q) && !e.disabled && e.getBoundingClientRect().width > 0)`
)

// byKeys is a hand that has a keyboard only.
func byKeys(b *tab) hand {
	reach := func(what, find string) {
		b.t.Helper()
		b.until("there is "+what, find)
		back := get[bool](b, `!!(document.activeElement.compareDocumentPosition(`+find+`) & Node.DOCUMENT_POSITION_PRECEDING)`)
		for range 120 {
			if get[bool](b, `document.activeElement === `+find) {
				return
			}
			if back {
				run(b, chromedp.KeyEvent(kb.Tab, chromedp.KeyModifiers(8)))
			} else {
				b.keys(kb.Tab)
			}
		}
		b.t.Fatalf("%s is not reached by Tab", what)
	}
	return hand{b, func(words string) {
		b.t.Helper()
		reach(words, fmt.Sprintf(buttonNamed, words))
		b.keys(kb.Enter)
	}, func(label, text string) {
		b.t.Helper()
		reach(label, fmt.Sprintf(fieldNamed, label))
		run(b, chromedp.KeyEvent("a", chromedp.KeyModifiers(2)))
		b.keys(kb.Delete)
		for _, r := range text {
			b.keys(string(r))
		}
	}}
}

// byFinger is a hand that has no keyboard but that of the screen, which comes with a field.
func byFinger(b *tab) hand {
	tap := func(what, find string) {
		b.t.Helper()
		b.until("there is "+what, find)
		b.until("nothing lies over "+what, `(() => { const e = `+find+`; if (!e) return false; e.scrollIntoView({block: 'center'});
			const r = e.getBoundingClientRect(); return e.contains(document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2)) })()`)
		r := get[[4]float64](b, `(() => { const e = `+find+`; e.scrollIntoView({block: 'center'}); const r = e.getBoundingClientRect(); return [r.left, r.top, r.width, r.height] })()`)
		if r[2] < 44 || r[3] < 44 {
			b.t.Errorf("%s is %.0f x %.0f px", what, r[2], r[3])
		}
		b.tap(r[0]+r[2]/2, r[1]+r[3]/2)
	}
	return hand{b, func(words string) {
		b.t.Helper()
		tap(words, fmt.Sprintf(buttonNamed, words))
	}, func(label, text string) {
		b.t.Helper()
		find := fmt.Sprintf(fieldNamed, label)
		tap(label, find)
		b.do(find + `.select()`)
		for _, r := range text {
			b.keys(string(r))
		}
	}}
}

// opens takes the wheel, says where a board is, and opens the panel.
func (h hand) opens(board string, x *pier) {
	h.t.Helper()
	h.press("Rehearse")
	h.press("Drive")
	h.enter(board, x.url)
	h.press("Calibrate")
	h.until("the rig's axes are there", `document.querySelector('#calibrate-axis')?.options.length === 2`)
}

// steps presses a step so many times, and waits until the axis is at a pulse after each.
func (h hand) steps(words string, from, by float64, times int) {
	h.t.Helper()
	for k := range times {
		h.press(words)
		h.pulseIs(from + by*float64(k+1))
	}
}

func (h hand) pulseIs(us float64) {
	h.t.Helper()
	h.until(fmt.Sprintf("the pulse is %v us", us), fmt.Sprintf(`document.querySelector('#calibrate-tool .pulse').textContent === '%v µs' && document.querySelector('#rehearse .phase').textContent.startsWith('Armed')`, us))
}

// firstTicks gives the width that a motion's files give an axis in the first frame, in ticks.
func firstTicks(t *testing.T, motion, axis string) uint16 {
	t.Helper()
	script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return os.Open(name) }, motion)
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(script)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := timeline.Build(p)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines {
		row := make([]uint16, len(l.Channels))
		l.Reader().Next(row)
		for i, c := range l.Channels {
			if c.Axis != nil && c.Axis.Name == axis {
				return row[i]
			}
		}
	}
	t.Fatalf("nothing moves %s", axis)
	return 0
}

// TestCalibrateFromPage finds the ends of an arm on a board in software, from its centre in
// steps of 10 us, once with a keyboard only and once with a finger only. The rig's file then
// differs by the two pulses alone, and what is made of it follows, by hand: 10 degrees of 120
// between 1470 and 1530 us are 1475 us, where they were 1000 us before, in ticks of 0.5 us; and
// at 2 degrees a microsecond a dead band of 7 us is one of 14 degrees.
func TestCalibrateFromPage(t *testing.T) {
	for name, take := range map[string]func(*testing.T, string) hand{
		"keyboard": func(t *testing.T, url string) hand {
			b := newTab(t, 1440, 900)
			b.open(url)
			return byKeys(b)
		},
		"finger": func(t *testing.T, url string) hand { return byFinger(phone(t, url)) },
	} {
		t.Run(name, func(t *testing.T) {
			motion := shoreFolder(t)
			piers := newPiers(t, motion, "arm")
			url := serve(t, motion)
			h := take(t, url)
			if was := firstTicks(t, motion, "arm"); was != 2000 {
				t.Errorf("before, the first width is %d ticks", was)
			}
			if get[bool](h.tab, `s.score.findings.some(f => f.rule === 'slow-steps')`) {
				t.Error("before, the check has small steps already")
			}
			h.opens("main", piers["main"])
			h.shoot("calibrate-begin-" + name)
			h.press("Connect to find its ends")
			h.until("the question says what is at stake", `document.querySelector('#calibrate-tool .ask p').textContent.includes('hot')`)
			h.press("Yes: arm")
			h.pulseIs(1500)
			h.steps("10 microseconds more", 1500, 10, 2)
			if name == "finger" { // at the slider's end, which is one step beyond
				r := h.box("#calibrate-slider")
				h.tap(r[0]+r[2]-6, r[1]+r[3]/2)
				h.pulseIs(1530)
			} else {
				h.steps("10 microseconds more", 1520, 10, 1)
			}
			h.press("This is the high end")
			h.until("it is confirmed", `document.querySelector('#calibrate-tool .found').textContent.includes('120°: confirmed at 1530')`)
			h.press("Centre")
			h.pulseIs(1500)
			h.steps("10 microseconds less", 1500, -10, 3)
			h.press("This is the low end")
			// An end that is confirmed and in no file is not closed over with the rehearsal.
			h.until("closing says what it drops", `document.querySelector('#calibrate-tool .shut').textContent === 'Close, without writing'`)
			if name == "keyboard" {
				h.press("Rehearse")
				h.until("the rehearsal stays, and says why", `document.querySelector('#calibrate-tool .fault').textContent.includes('in no file') && document.querySelector('#calibrate-tool .pulse').getBoundingClientRect().width > 0`)
				h.press("Sweep twice")
				h.until("it sweeps", `document.querySelector('#rehearse .phase').textContent.startsWith('Moving')`)
				h.pulseIs(1500)
			}
			h.until("Stop is in sight, wherever the page was scrolled to", `(() => { const e = document.querySelector('#rehearse .halt'), r = e.getBoundingClientRect();
				return r.top >= 0 && r.bottom <= innerHeight && document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2) === e && document.documentElement.scrollHeight <= innerHeight })()`)
			h.shoot("calibrate-ends-" + name)
			h.press("Write to the rig")
			h.until("it is told", `document.querySelector('#calibrate-tool .told').textContent.includes('keeper.rig.yaml') && document.querySelector('#calibrate-tool .fault').textContent === ''`)
			text, err := os.ReadFile(filepath.Join(filepath.Dir(motion), "keeper.rig.yaml"))
			if want := strings.Replace(keeperRig, "[[0deg, 900us], [120deg, 2100us]] # measured", "[[0deg, 1470us], [120deg, 1530us]] # measured", 1); err != nil || string(text) != want {
				t.Errorf("the rig is now (%v)\n%s", err, text)
			}
			if is := firstTicks(t, motion, "arm"); is != 2950 {
				t.Errorf("then, the first width is %d ticks", is)
			}
			h.until("the check says so", `s.score.findings.some(f => f.rule === 'slow-steps' && f.text.includes('in steps of 14 deg (the dead band of 7 us'))`)
			// Written, the axis is let go by each way out.
			h.press(map[string]string{"keyboard": "Rehearse", "finger": "Done"}[name])
			if name == "keyboard" {
				h.until("the panel is closed with the rehearsal", `document.querySelector('#calibrate-tool').hidden`)
			}
			h.phaseIs("No boards")
		})
	}
}

// phone opens a page on a phone with fingers.
func phone(t *testing.T, url string) *tab {
	t.Helper()
	b := newTab(t, 390, 844)
	call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5})
	b.open(url)
	return b
}

// axes runs axe-core (Deque) on the open part, in both themes.
func (h hand) axes(name string) {
	h.t.Helper()
	axe, err := os.ReadFile(os.Getenv("LIMBERJACK_AXE"))
	if err != nil {
		needTool(h.t, "axe-core", "LIMBERJACK_AXE names axe.min.js of the npm package axe-core")
	}
	run(h.tab, chromedp.Evaluate[chromedp.Void](string(axe)))
	for _, theme := range []string{"dark", "paper"} {
		h.do(fmt.Sprintf(`app.actions.setTheme(%q)`, theme))
		for _, f := range get[[]string](h.tab, `(await axe.run('#rehearse', {resultTypes: ['violations']})).violations.map(v => v.id + ' ' + v.nodes.map(n => n.html.slice(0, 160)).join(' / '))`) {
			h.t.Errorf("%s, %s: %s", name, theme, f)
		}
		h.shoot(name + "-" + theme)
	}
}

// TestSlewFromPage moves an arm once for a film, by a finger, and works three counts out, which
// are made up, by a finger and by a keyboard. By hand from JCGM 100:2008, in frames of 1/240 s:
// 48, 48 and 49 for 60 degrees are 48.3333 on the mean, whose scatter is 0.57735/sqrt 3 = 0.33333
// (4.2.3), with each end known to one frame: sqrt(2/3 + 1/9) = 0.88192 (4.3.7, 5.1.2). So 297.93
// deg/s, u = 297.93 x 0.88192/48.3333 = 5.4362; 2 x (0.88192/0.33333)^4 = 98 degrees of freedom
// (G.4.1) take 2.05 (table G.2, the row of 50): 11.14 deg/s. 60 degrees take 0.20139 s, known
// to 0.20139 x 11.14/297.93 = 0.0075. Delays of 17, 18 and 17 frames are 72.22 ms; u = sqrt(1/12 +
// 1/3 + 1/9) = 0.72648 frames = 3.0270 ms, with 45.1 degrees of freedom 2.06: 6.24 ms.
func TestSlewFromPage(t *testing.T) {
	for name, take := range map[string]func(*testing.T, string) hand{
		"keyboard": func(t *testing.T, url string) hand {
			b := newTab(t, 1440, 900)
			b.open(url)
			return byKeys(b)
		},
		"finger": func(t *testing.T, url string) hand { return byFinger(phone(t, url)) },
	} {
		t.Run(name, func(t *testing.T) {
			motion := shoreFolder(t)
			h := take(t, serve(t, motion))
			call(h.tab, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
			h.open(get[string](h.tab, `location.href`))
			x := &pier{url: "ws://127.0.0.1:9/"}
			if name == "finger" {
				x = newPiers(t, motion)["main"]
			}
			h.opens("main", x)
			h.press("Slew by film")
			h.enter("From", "30")
			h.enter("To", "90")
			if name == "finger" {
				h.moves()
			}
			for i, c := range [][2]string{{"17", "65"}, {"18", "66"}, {"17", "66"}} {
				if i > 0 {
					h.press("Another film")
				}
				h.enter(fmt.Sprintf("Film %d: frames to the first movement", i+1), c[0])
				h.enter(fmt.Sprintf("Film %d: frames to rest", i+1), c[1])
			}
			h.press("Work it out")
			h.until("it is worked out", `document.querySelectorAll('#calibrate-tool .result dd').length === 3`)
			got := get[string](h.tab, `[...document.querySelectorAll('#calibrate-tool .result dd')].map(e => e.textContent).join('; ')`)
			if want := "298 ± 12 °/s (k = 2.05); 0.2014 ± 0.0076 s/60° (k = 2.05); 72.2 ± 6.3 ms (k = 2.06)"; got != want {
				t.Errorf("it comes to %s, and not to %s", got, want)
			}
			if name == "finger" {
				h.axes("slew")
			}
			h.press("Write to the rig")
			h.until("it is told", `document.querySelector('#calibrate-tool .told').textContent.includes('keeper.rig.yaml')`)
			text, err := os.ReadFile(filepath.Join(filepath.Dir(motion), "keeper.rig.yaml"))
			line := "    measured: {speed: 298deg/s, delay: 72.2ms} # ±12 deg/s (k=2.05), ±6.3 ms (k=2.06), 240 fps, 3 films\n"
			if want := strings.Replace(keeperRig, "    load: {mass", line+"    load: {mass", 1); err != nil || string(text) != want {
				t.Errorf("the rig is now (%v)\n%s", err, text)
			}
		})
	}
}

// moves connects for a step, and makes it once.
func (h hand) moves() {
	h.t.Helper()
	h.press("Connect for the step")
	h.until("the question says what will happen", `document.querySelector('#calibrate-tool .ask p').textContent.includes('full speed')`)
	h.press("Yes: arm")
	h.press("Move once")
	h.until("the run is told", `document.querySelector('#calibrate-tool .runs').textContent.startsWith('Moved once.')`)
	h.press("Disconnect")
	h.phaseIs("No boards")
}

// TestCalibrateOwner: a page that watches cannot calibrate; Esc stops from within the panel, and
// a page that goes away in mid-calibration leaves no pulses.
func TestCalibrateOwner(t *testing.T) {
	motion := shoreFolder(t)
	main := newPiers(t, motion, "arm")["main"]
	url := serve(t, motion)
	b := newTab(t, 1440, 900)
	b.allow = []string{"409", "/api/rehearsal/"} // the stop of a page that goes may find the test's server gone, too
	call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
	b.open(url)
	other := callAt(t, url)
	other.must("drive", "")
	other.must("calibrate", fmt.Sprintf(`,"axis":"arm","at":%q`, main.url))
	endBeats := other.beating()
	other.must("arm", `,"confirmed":true`)
	h := byKeys(b)
	h.press("Rehearse")
	h.press("Calibrate")
	h.until("it says who may", `document.querySelector('#calibrate-tool .why')?.textContent.includes('watches')`)
	h.until("it sees the pulse", `document.querySelector('#calibrate-tool .pulse').textContent === '1500 µs'`)
	if live := get[[]string](b, `[...document.querySelectorAll('#calibrate-tool :is(button, input, select)')].filter(e => !e.disabled && e.getBoundingClientRect().width > 0).map(e => e.textContent)`); strings.Join(live, ", ") != "Ends of the travel, Close" {
		t.Errorf("a page that watches may press %q", live)
	}
	for _, path := range []string{"axes/arm/pulse", "axes/arm/reverse", "undo"} {
		said := get[string](b, fmt.Sprintf(`await (async () => {
			const rig = await (await fetch('/api/rig')).json();
			const key = await new Promise(done => { const w = new WebSocket('ws://' + location.host + '/api/socket'); w.onmessage = (e) => { const m = JSON.parse(e.data); if (m.type === 'hello') done(m.key) } });
			const a = await fetch('/api/rig/%s', {method: 'POST', headers: {'Content-Type': 'application/json', 'Limberjack-Page': key}, body: JSON.stringify({base: rig.text})});
			return a.status + ' ' + (await a.json()).type })()`, path))
		if said != "409 /problems/rig-in-use" {
			t.Errorf("%s by a page that watches: %s", path, said)
		}
	}

	other.must("done", "")
	other.must("let-go", "")
	endBeats()
	h.press("Drive")
	h.enter("main", main.url)
	h.press("Connect to find its ends")
	h.press("Yes: arm")
	h.pulseIs(1500)

	// The slider has the keyboard when pulses leave: 1, 5 and 10 us, and Esc.
	h.keys(kb.ArrowRight)
	h.pulseIs(1501)
	run(b, chromedp.KeyEvent(kb.ArrowRight, chromedp.KeyModifiers(8)))
	h.pulseIs(1506)
	h.keys(kb.PageUp)
	h.pulseIs(1516)
	from := time.Now()
	h.keys(kb.Escape)
	took := main.ended(t, from).Sub(from)
	t.Logf("Esc on the slider: the board stops after %v", took)
	if took > time.Second {
		t.Errorf("the board stops %v after the key", took)
	}
	h.phaseIs("Stopped")
	h.axes("calibrate") // which holds the page up for longer than pulses leave without a beat
	h.press("Yes: arm")
	h.pulseIs(1516)
	from = time.Now()
	b.do(`setTimeout(() => location.replace('about:blank'), 10)`)
	took = main.ended(t, from).Sub(from)
	t.Logf("the page is gone: the board stops after %v", took)
	if took > time.Second {
		t.Errorf("the board stops %v after its page has gone", took)
	}
}
