package web_test

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"limberjack/interp/revise"
	"limberjack/sequence"
)

// mending is a page that mends a copy of the storm.
type mending struct {
	*tab
	dir  string
	file string
	was  []byte
}

func mends(t *testing.T, b *tab) mending {
	t.Helper()
	dir := copied(t)
	m := mending{b, dir, filepath.Join(dir, "storm.motion.yaml"), nil}
	m.was = m.now()
	if os.Getenv("LIMBERJACK_AXE") != "" {
		call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
	}
	b.open(serve(t, m.file))
	return m
}

func (m mending) now() []byte {
	m.t.Helper()
	text, err := os.ReadFile(m.file)
	if err != nil {
		m.t.Fatal(err)
	}
	return text
}

// untouched holds that the file, its history and its folder are as they were.
func (m mending) untouched(what string) {
	m.t.Helper()
	if now := m.now(); !bytes.Equal(now, m.was) {
		m.t.Errorf("%s: the file is another one", what)
	}
	if undo := get[int](m.tab, `s.score.undo`); undo != 0 {
		m.t.Errorf("%s: %d steps can be undone", what, undo)
	}
	if beside, _ := filepath.Glob(filepath.Join(m.dir, "*.pace*.csv")); len(beside) > 0 {
		m.t.Errorf("%s: %q came beside the file", what, beside)
	}
}

// written waits until the file has what the page shows.
func (m mending) written() []byte {
	m.t.Helper()
	m.until("it is saved", `!s.edit.busy && !s.proposed && s.project.motions.find(e => e.name === 'storm').text === s.score.text && s.project.motions.find(e => e.name === 'storm').saved`)
	return m.now()
}

// storm is the example's own text of the storm.
func storm(t *testing.T) *sequence.Manuscript {
	t.Helper()
	name := lighthouse + "/storm.motion.yaml"
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	open := func(name string) (io.ReadCloser, error) { return os.Open(name) }
	script, err := sequence.LoadMotion(open, name)
	if err != nil {
		t.Fatal(err)
	}
	m, err := sequence.OpenManuscript(text, script, open)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// retimed is what limberjack retime writes of the storm, by the code that the command has.
func retimed(t *testing.T, keys bool) *revise.Retimed {
	t.Helper()
	m := storm(t)
	r, err := revise.Retime(m.Script, m.Text, revise.RetimeOptions{Keys: keys, PaceFile: func([]sequence.Knot) string { return "storm.pace.csv" }})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// accessible runs axe-core (Deque; the rules of WCAG 2.2 A and AA), a test of its own that is
// skipped where that is missing.
func (m mending) accessible(t *testing.T, what string) {
	t.Run("accessible: "+what, func(t *testing.T) {
		axe, err := os.ReadFile(os.Getenv("LIMBERJACK_AXE"))
		if err != nil {
			needTool(t, "axe-core", "LIMBERJACK_AXE names axe.min.js of the npm package axe-core")
		}
		was := m.tab.t
		m.tab.t = t
		defer func() { m.tab.t = was }()
		run(m.tab, chromedp.Evaluate[chromedp.Void](string(axe)))
		for _, theme := range []string{"paper", "dark"} {
			m.do(fmt.Sprintf(`app.actions.setTheme(%q)`, theme))
			m.until("it is drawn", drawnTwice)
			for _, f := range get[[]string](m.tab, `(await axe.run(document.querySelector('#desk'), {resultTypes: ['violations']})).violations
				.filter(v => v.impact === 'serious' || v.impact === 'critical').map(v => v.id + ': ' + v.help + ' ' + v.nodes.slice(0, 2).map(n => n.html.slice(0, 120)).join(' / '))`) {
				t.Errorf("%s, %s: %s", what, theme, f)
			}
		}
		m.do(`app.actions.setTheme('paper')`)
	})
}

// tabTo presses Tab until what has the focus has a name that begins so.
func (m mending) tabTo(name string) {
	m.t.Helper()
	for range 60 {
		if strings.HasPrefix(get[string](m.tab, `(e => e.getAttribute('aria-label') || e.textContent)(document.activeElement)`), name) {
			return
		}
		m.keys(kb.Tab)
	}
	m.t.Fatalf("Tab does not reach %q", name)
}

// ghostInk is how many pixels the other version has on the sheet.
const ghostInk = `(c => { const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let n = 0; for (let k = 3; k < d.length; k += 4) n += d[k] > 40; return n })(document.querySelector('.mend-paper'))`

// TestMendByKeyboard has the storm retimed without a pointer: proposed, looked at both
// ways, discarded; proposed again, accepted, undone; and once the file changes meanwhile.
func TestMendByKeyboard(t *testing.T) {
	b := newTab(t, 1440, 900)
	m := mends(t, b)
	want := retimed(t, false)

	// By the third skip link to the findings, and to the button there.
	b.do(`document.querySelectorAll('.skip')[2].focus()`)
	b.keys(kb.Enter)
	m.tabTo("Mend")
	b.keys(kb.Enter)
	b.until("the panel is open, with the focus on a way", `document.activeElement.value === 'retime' && getComputedStyle(document.querySelector('.mend-way')).borderBottomWidth === '1px'`)
	b.shoot("mend-ways")
	b.keys(kb.Enter)
	b.until("the proposal is on the sheet", `s.proposed && !document.querySelector('.mend-strip').hidden`)
	b.until("it is drawn", drawnTwice)
	if n := get[int](b, ghostInk); n < 300 {
		t.Errorf("what stands now has %d pixels beside what is proposed", n)
	}
	got := get[[]string](b, `[...document.querySelectorAll('.mend tbody tr')].map(r => [...r.children].map(c => c.textContent).join(' '))`)
	length := strings.TrimSuffix(strings.TrimSuffix(fmt.Sprintf("%.2f", want.Paced.Performance.Length), "0"), ".0")
	if told := []string{"Length 24 s " + length + " s", "Errors 5 2", "Warnings 3 3"}; !slices.Equal(got, told) {
		t.Errorf("the figures are %q, not %q", got, told)
	}
	lines := get[[]string](b, `[...document.querySelectorAll('.mend-lines li:not(.mend-head)')].filter(l => l.firstChild.textContent.trim()).map(l => l.textContent)`)
	if !slices.ContainsFunc(lines, func(l string) bool { return strings.HasPrefix(l, "+pace: ") }) {
		t.Errorf("the lines that change are %q", lines)
	}
	m.untouched("proposed")
	m.accessible(t, "a proposal")
	b.shoot("mend-proposed")
	b.do(`app.actions.setTheme('dark')`)
	b.until("it is drawn", drawnTwice)
	b.shoot("mend-proposed-dark")
	b.do(`app.actions.setTheme('paper')`)

	// V goes between the two at the same moment of the choreography, also while it plays.
	b.do(`app.actions.seek(s.score.marks.find(m => m.name === 'hush').at)`)
	b.keys("v")
	b.until("it is as it stands", `!s.proposed && s.score.length === 24 && Math.abs(s.time - s.score.marks.find(m => m.name === 'hush').at) < 1/24`)
	if n := get[int](b, ghostInk); n < 300 {
		t.Errorf("what is proposed has %d pixels beside what stands now", n)
	}
	b.keys(" ")
	b.until("it plays", `s.playing && s.time > 16.1`)
	b.keys("v")
	b.until("it plays the proposal", `s.playing && s.proposed`)
	b.keys(" ")
	b.keys("e")
	if get[bool](b, `s.edit.on`) {
		t.Error("a proposal can be edited")
	}

	// Discarded, nothing has happened.
	m.tabTo("Discard")
	b.keys(kb.Enter)
	b.until("it is gone", `!s.proposed && s.project.motions.find(e => e.name === 'storm').proposal === null && document.querySelector('.mend-strip').hidden`)
	m.untouched("discarded")

	// Accepted, the file has the bytes of the command, and Undo takes all of it back.
	m.tabTo("Propose")
	b.keys(kb.Enter)
	b.until("the proposal is on the sheet", `s.proposed`)
	m.tabTo("Accept")
	b.keys(kb.Enter)
	b.until("it is accepted", `!s.proposed && s.score.undo === 1`)
	if now := m.written(); !bytes.Equal(now, want.Text) {
		t.Errorf("accepted, the file is not as limberjack retime writes it:\n%s", now)
	}
	if csv, err := os.ReadFile(filepath.Join(m.dir, "storm.pace.csv")); err != nil || !bytes.Equal(csv, sequence.PaceCSV(want.Knots)) {
		t.Errorf("the pace is not that of limberjack retime (%v)", err)
	}
	if n := get[int](b, `s.score.findings.filter(f => f.severity === 'error').length`); n != 2 {
		t.Errorf("%d errors after the mend, and not 2", n)
	}
	// There is nothing more to stretch, and the page says why not.
	m.tabTo("Propose")
	b.keys(kb.Enter)
	b.until("it is refused", `document.querySelector('.mend-problems') && document.querySelector('.mend-says').textContent.includes('nothing can be proposed') && document.querySelector('.mend-problems').textContent.includes('nothing to stretch')`)
	b.shoot("mend-refused")
	m.tabTo("Put away")
	b.keys(kb.Enter)
	b.keys("e")
	b.until("it can be edited", `s.edit.on`)
	const control = 2 // bit of Input.dispatchKeyEvent's modifiers
	run(b, chromedp.KeyEvent("z", chromedp.KeyModifiers(control)))
	b.until("it is undone", `s.score.undo === 0 && s.score.redo === 1`)
	if now := m.written(); !bytes.Equal(now, m.was) {
		t.Error("undone, the file is another one")
	}

	// A change of the file calls a proposal off, and the page says so.
	m.tabTo("Propose")
	b.keys(kb.Enter)
	b.until("the proposal is on the sheet", `s.proposed`)
	edit(t, m.file, "motion: The keeper in a storm", "motion: The keeper in a gale")
	b.until("it is called off", `!s.proposed && s.score.title === 'The keeper in a gale' && document.querySelector('.mend-says').textContent.includes('gone: the motion has changed')`)
}

// TestMendByTouch shapes the storm and moves its keys apart on a phone, with fingers only,
// from the card of a finding.
func TestMendByTouch(t *testing.T) {
	b := newTab(t, 390, 844)
	call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5})
	m := mends(t, b)
	want := retimed(t, true)
	press := func(selector string) {
		t.Helper()
		b.do(fmt.Sprintf(`[...document.querySelectorAll(%q)].find(e => e.getBoundingClientRect().width > 0).scrollIntoView({block: 'center'})`, selector))
		b.until("it is drawn", drawnTwice)
		b.tapOn(selector)
	}
	press("#lower button:nth-child(2)")
	press(".mend-this")
	b.until("the panel is open", `document.querySelector('.mend') && !document.querySelector('.mend').hidden`)
	b.until("its style is there", `getComputedStyle(document.querySelector('.mend-way')).borderBottomWidth === '1px'`)
	choose := func(kind string) {
		t.Helper()
		press(`.mend-way label:has([value="` + kind + `"])`)
		b.until("the way is chosen", fmt.Sprintf(`document.querySelector('input[value=%q]').checked`, kind))
	}
	choose("shape")
	b.shoot("mend-phone-ways")
	press(".mend-propose")
	b.until("the proposal is there", `s.proposed && document.querySelectorAll('.mend-lines .mend-comes').length > 0 && document.querySelector('.mend-problems').textContent.startsWith('head-pan: at most ')`)
	b.shoot("mend-phone-lines")
	small := get[[]string](b, `[...document.querySelectorAll('.mend button, .mend summary, .mend label, .mend-strip button')].filter(e => { const r = e.getBoundingClientRect(); return r.width > 0 && r.height > 0 && (r.width < 44 || r.height < 43.5) }).map(e => e.outerHTML.slice(0, 90))`)
	if len(small) > 0 {
		t.Errorf("smaller than 44 px (WCAG 2.2, 2.5.5): %s", strings.Join(small, "\n"))
	}
	m.accessible(t, "a proposal on a phone")
	press("#lower button:nth-child(1)")
	b.until("it is drawn", drawnTwice)
	b.shoot("mend-phone-sheet")
	b.do(`app.actions.setTheme('dark')`)
	b.until("it is drawn", drawnTwice)
	b.shoot("mend-phone-sheet-dark")
	if wide := get[bool](b, `document.documentElement.scrollWidth > innerWidth`); wide {
		t.Error("the page is wider than its window")
	}
	press(".mend-strip .mend-tools button:nth-child(1)")
	b.until("it is as it stands", `!s.proposed`)
	press(".mend-strip .mend-tools button:nth-child(3)")
	b.until("it is discarded", `s.project.motions.find(e => e.name === 'storm').proposal === null`)
	m.untouched("discarded")

	press("#lower button:nth-child(2)")
	choose("retime-keys")
	press(".mend-propose")
	b.until("the proposal is there", `s.proposed`)
	press("#lower button:nth-child(1)")
	press(".mend-strip .mend-tools button:nth-child(2)")
	b.until("it is accepted", `!s.proposed && s.score.undo === 1`)
	if now := m.written(); !bytes.Equal(now, want.Text) {
		t.Errorf("accepted, the file is not as limberjack retime --keys writes it:\n%s", now)
	}
	// Line by line: only times of keys, marks, cues and placements, no comment, no order.
	old, young := strings.Split(string(m.was), "\n"), strings.Split(string(m.now()), "\n")
	if len(old) != len(young) {
		t.Fatalf("the file had %d lines and has %d", len(old), len(young))
	}
	digits := strings.NewReplacer("0", "", "1", "", "2", "", "3", "", "4", "", "5", "", "6", "", "7", "", "8", "", "9", "", ".", "")
	for i := range old {
		if digits.Replace(old[i]) != digits.Replace(young[i]) {
			t.Errorf("line %d is another one:\n%s\n%s", i+1, old[i], young[i])
		}
	}
	press("#lower button:nth-child(2)")
	press(`.mend-tools button[aria-label^="Undo"]`)
	b.until("it is undone", `s.score.undo === 0`)
	if now := m.written(); !bytes.Equal(now, m.was) {
		t.Error("undone, the file is another one")
	}

	// A shape is what the command writes, and passes what it was made for.
	shaped, err := revise.Shape(storm(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	choose("shape")
	press(".mend-propose")
	b.until("the proposal is there", `s.proposed`)
	press(`.mend .mend-tools button[aria-label^="Accept"]`)
	b.until("it is accepted", `!s.proposed && s.score.undo === 1`)
	if now := m.written(); !bytes.Equal(now, shaped.Script.Text) {
		t.Errorf("accepted, the file is not as limberjack shape writes it:\n%s", now)
	}
	if rules := get[[]string](b, `s.score.findings.map(f => f.rule)`); slices.Contains(rules, "speed") || slices.Contains(rules, "acceleration") || slices.Contains(rules, "jerk") {
		t.Errorf("shaped, the check still finds %q", rules)
	}
	press(`.mend-tools button[aria-label^="Undo"]`)
	b.until("it is undone", `s.score.undo === 0`)
	if now := m.written(); !bytes.Equal(now, m.was) {
		t.Error("undone, the file is another one")
	}
}
