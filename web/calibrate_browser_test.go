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
	"limberjack/transport/wire"
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
		r := get[[4]float64](b, `(() => { const e = `+find+`; e.scrollIntoView({block: 'center'}); const r = e.getBoundingClientRect(); return [r.left, r.top, r.width, r.height] })()`)
		if r[2] < 44 || r[3] < 44 {
			b.t.Errorf("%s is %.0f x %.0f px", what, r[2], r[3])
		}
		if !get[bool](b, fmt.Sprintf(`(() => { const e = %s; return e.contains(document.elementFromPoint(%v, %v)) })()`, find, r[0]+r[2]/2, r[1]+r[3]/2)) {
			b.t.Errorf("something lies over %s", what)
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
			h.press("Connect, opened for its ends")
			h.until("the question says what is at stake", `document.querySelector('#calibrate-tool .ask p').textContent.includes('hot')`)
			h.press("Yes: arm")
			h.pulseIs(1500)
			h.steps("10 microseconds more", 1500, 10, 3)
			h.press("This is the high end")
			h.until("it is confirmed", `document.querySelector('#calibrate-tool .found').textContent.includes('120°: confirmed at 1530')`)
			h.press("Centre")
			h.pulseIs(1500)
			h.steps("10 microseconds less", 1500, -10, 3)
			h.press("This is the low end")
			h.press("Sweep twice")
			h.until("it sweeps", `document.querySelector('#rehearse .phase').textContent.startsWith('Moving')`)
			h.pulseIs(1500)
			h.shoot("calibrate-ends-" + name)
			h.press("Write to the rig")
			h.until("it is told", `document.querySelector('#calibrate-tool .told').textContent.includes('keeper.rig.yaml')`)
			text, err := os.ReadFile(filepath.Join(filepath.Dir(motion), "keeper.rig.yaml"))
			if want := strings.Replace(keeperRig, "[[0deg, 900us], [120deg, 2100us]] # measured", "[[0deg, 1470us], [120deg, 1530us]] # measured", 1); err != nil || string(text) != want {
				t.Errorf("the rig is now (%v)\n%s", err, text)
			}
			if is := firstTicks(t, motion, "arm"); is != 2950 {
				t.Errorf("then, the first width is %d ticks", is)
			}
			h.until("the check says so", `s.score.findings.some(f => f.rule === 'slow-steps' && f.text.includes('in steps of 14 deg (the dead band of 7 us'))`)
			h.press("Done")
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

var _ = []any{time.Second, wire.StateSilent, page.SetBypassCSP}
