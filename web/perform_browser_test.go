package web_test

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/deviceorientation"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"limberjack/interp"
	"limberjack/sequence"
)

// gullMotion is a motion to perform in: a second axis moves in it, so that there is
// something to play along with.
const gullMotion = `motion: The gull looks about   # who performs it writes the rest
format: 1
rig: small.rig.yaml
fps: 24
length: 8s
tracks:
  # to and fro, as before
  roll: [[0s, 0deg], [4s, 20deg], [8s, 0deg]]
`

const gullRig = smallRig + `  roll: {kind: servo, board: main, channel: 1, travel: [-30deg, 30deg], pulse: [[-30deg, 900us], [30deg, 2100us]]}
controls:
  bank: {roll: 0.5}
`

// perch is a page that performs.
type perch struct {
	*tab
	file string
}

func performs(t *testing.T, b *tab) perch {
	t.Helper()
	dir := written(t, map[string]string{"gull.motion.yaml": gullMotion, "small.rig.yaml": gullRig})
	p := perch{b, filepath.Join(dir, "gull.motion.yaml")}
	b.open(serve(t, p.file))
	return p
}

func (p perch) text() string {
	p.t.Helper()
	text, err := os.ReadFile(p.file)
	if err != nil {
		p.t.Fatal(err)
	}
	return string(text)
}

// opens opens the part.
func (p perch) opens() {
	p.t.Helper()
	p.do(`[...document.querySelectorAll('.rehearse-open')].find(e => e.textContent === 'Perform').click()`)
	p.until("it is open", `!document.querySelector('#perform-tool').hidden && document.querySelector('.perform-strip').getBoundingClientRect().height > 100`)
}

// clicks presses a button of the part by its words.
func (p perch) clicks(words string) {
	p.t.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll('#perform-tool button')].find(e => e.textContent === %q && !e.disabled && e.getBoundingClientRect().width > 0)`, words)
	p.until("there is "+words, `(e => e && (e.click(), true))(`+find+`)`)
}

// sets puts a value into a field of the part by its label.
func (p perch) sets(label, value string) {
	p.t.Helper()
	p.do(fmt.Sprintf(`const e = [...document.querySelectorAll('#perform-tool label')].find(l => l.textContent.startsWith(%q) || l.querySelector('span').textContent === %q).querySelector('select, input');
		if (e.type === 'checkbox') e.checked = %q === 'on'; else e.value = %q; e.dispatchEvent(new Event('input', {bubbles: true})); e.dispatchEvent(new Event('change', {bubbles: true}))`, label, label, value, value))
}

// fits has the last take fitted and gives what is said of it.
func (p perch) fits() string {
	p.t.Helper()
	p.clicks("Fit")
	p.until("the keys are worked out", `!document.querySelector('.perform-keep').disabled || document.querySelector('.perform-fault').textContent || document.querySelector('.perform-result').textContent.startsWith('Not done')`)
	return get[string](p.tab, `document.querySelector('.perform-fault').textContent + document.querySelector('.perform-result').textContent`)
}

// keeps keeps what was fitted, and waits until the file has it.
func (p perch) keeps(was string) string {
	p.t.Helper()
	p.clicks("Keep")
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if now := p.text(); now != was {
			p.until("the page has it", `document.querySelector('.perform-result').textContent.startsWith('Kept')`)
			return now
		}
		if time.Now().After(end) {
			p.t.Fatalf("the file stays as it was; the page says %q", get[string](p.tab, `document.querySelector('#perform-tool').innerText`))
		}
	}
}

// curve reads the motion from its file, and gives the curve of an axis and the keys of its
// track.
func (p perch) curve(axis string) (at func(s float64) float64, keys int) {
	p.t.Helper()
	script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return os.Open(name) }, p.file)
	if err != nil {
		p.t.Fatal(err)
	}
	for _, tr := range script.Merged {
		if tr.Target.Name() == axis {
			keys = len(tr.Keys)
		}
	}
	perf, err := interp.Compile(script)
	if err != nil {
		p.t.Fatal(err)
	}
	for _, a := range perf.Axes {
		if a.Spec.Name == axis {
			return a.Part.Value, keys
		}
	}
	p.t.Fatalf("there is no axis %s", axis)
	return nil, 0
}

// move is a movement of a hand from one place to another, in parts of a stick's way.
type move struct{ At, For, From, To float64 }

// performance is what the synthetic hand does, from a moment on: there, a rest, back and
// beyond, a rest, and to the middle.
var performance = []move{{0.1, 0.8, 0, 0.7}, {1.1, 1, 0.7, -0.5}, {2.3, 0.6, -0.5, 0}}

// stick gives where the hand is, t seconds after its moment. Each movement has the least
// jerk: 10 u^3 - 15 u^4 + 6 u^5 of its way (Flash and Hogan, The coordination of arm movements,
// Journal of Neuroscience 5, 1985).
func stick(t float64) float64 {
	x := performance[0].From
	for _, m := range performance {
		if u := math.Min(1, (t-m.At)/m.For); u > 0 {
			x = m.From + (m.To-m.From)*u*u*u*(10+u*(-15+6*u))
		}
	}
	return x
}

// gamepad puts a gamepad of the standard layout into the page, before its own code runs: its
// left stick rests a little off its middle and trembles, as sticks do, and performs from
// hand.from on. The page's clock against the motion's is read from the frames that are drawn.
const gamepad = `(() => {
	const moves = %s;
	const hand = globalThis.hand = {from: Infinity, on: true, there: false, other: 0, rest: 0.04, frames: []};
	const x = t => moves.reduce((x, m) => { const u = Math.min(1, (t - m.At) / m.For); return u > 0 ? m.From + (m.To - m.From) * u * u * u * (10 + u * (-15 + 6 * u)) : x }, moves[0].From);
	let trembles = 1;
	navigator.getGamepads = () => {
		const now = performance.now();
		if (!hand.there) return [null, null, null, null];
		trembles = -trembles;
		const to = x((now - hand.from) / 1000);
		const y = hand.rest + (to > 0 ? 1 - hand.rest : 1 + hand.rest) * to + 0.002 * trembles;
		return [{index: 0, id: 'Test pad (STANDARD GAMEPAD Vendor: 0000 Product: 0000)', connected: true, mapping: 'standard', timestamp: now,
			axes: [hand.other, -y, 0, 0], buttons: Array.from({length: 17}, () => ({value: 0, pressed: false, touched: false}))}, null, null, null];
	};
	const ask = globalThis.fetch;
	globalThis.fetch = (url, init) => {
		if (String(url).endsWith('/takes')) hand.sent = JSON.parse(init.body).samples;
		return ask(url, init);
	};
	hand.plug = on => { hand.there = on; dispatchEvent(new Event(on ? 'gamepadconnected' : 'gamepaddisconnected')); };
	addEventListener('load', () => globalThis.limberjack.store.subscribe((s, before) => {
		if (s.playing && s.time > before.time && before.playing) {
			const frame = document.timeline.currentTime, now = performance.now();
			hand.frames.push([s.time, (now - frame > 8 ? now : frame) / 1000]); // as the page reads its clock
		}
	}));
})()`

// played gives the hand's own time, in s, at which the page showed a time of the motion: each
// frame that was drawn says the motion's time and the screen's.
func (p perch) played() func(s float64) float64 {
	p.t.Helper()
	from, frames := get[float64](p.tab, `hand.from / 1000`), get[[][2]float64](p.tab, `hand.frames`)
	if len(frames) < 10 {
		p.t.Fatalf("%d frames were drawn", len(frames))
	}
	return func(s float64) float64 {
		k := min(max(2, slices.IndexFunc(frames, func(f [2]float64) bool { return f[0] >= s })), len(frames)-3)
		var apart []float64 // of both clocks, at the frames about it
		for _, f := range frames[k-2 : k+3] {
			apart = append(apart, f[1]-f[0])
		}
		slices.Sort(apart)
		return s + apart[2] - from
	}
}

// TestPerformByGamepad performs a known curve with a gamepad, and reads the keys that come
// of it back from the file; then a second layer over it, a take that is dropped, and one whose
// gamepad is pulled out.
func TestPerformByGamepad(t *testing.T) {
	b := newTab(t, 1100, 800)
	moves, _ := json.Marshal(performance)
	call(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: fmt.Sprintf(gamepad, moves)})
	p := performs(t, b)
	first := p.text()
	p.opens()
	p.sets("Row", "axis:pan")
	p.do(`hand.plug(true)`)
	p.clicks("Find it by moving it")
	p.do(`hand.from = performance.now() - 500`) // in mid-movement
	p.until("the part that moves is the hand", `document.querySelector('#perform-tool').dataset.hand === 'pad' && [...document.querySelectorAll('#perform-tool select')][1].value === 'pad:0:axis-1'`)
	p.do(`hand.from = Infinity`)
	p.until("the rest is that from before the movement", `Math.abs(Number(document.querySelector('.perform-learned').textContent.replace('\u2212', '-').match(/rests at ([-0-9.]+)/)?.[1]) + 0.04) < 0.005`)
	p.do(`document.querySelector('.perform-fine summary').click()`)
	p.sets("dead zone, %", "0")
	p.until("the needle stands in the middle", `s.live && Math.abs(s.live[0][1]) < 0.5`)

	// Before anything is recorded, needle and stage follow the hand.
	p.do(`hand.from = performance.now() - 1000`)
	p.until("the ghost follows", `s.live && s.live[0][0] === s.score.rows.findIndex(r => r.name === 'pan') && Math.abs(s.live[0][1] - 42) < 1.5 && parseFloat(document.querySelector('.perform-value').textContent) > 40`)
	p.do(`hand.from = Infinity`)

	// Punch in at 1 s, out at 5 s.
	p.do(`app.actions.setLoop({from: 1, to: 5}); hand.frames = []`)
	p.clicks("Record")
	p.until("it plays", `s.playing && s.time > 1`)
	p.do(`hand.from = performance.now() + 100`)
	p.until("it records", `document.querySelector('.perform-state').textContent.startsWith('Recording pan')`)
	p.shoot("perform-recording")
	p.until("the span ends the take", `!s.playing && document.querySelectorAll('.perform-take').length === 1`)
	played := p.played()
	busy := get[bool](b, `document.querySelector('.perform-fault').textContent.startsWith('The page was busy')`)
	p.do(`hand.from = Infinity`)
	p.do(`const e = document.querySelector('.perform-fit input'); e.value = Number(e.value) + 2; e.dispatchEvent(new Event('input', {bubbles: true}))`) // a little wider
	p.until("the tolerance is known", `parseFloat(document.querySelector('.perform-within').textContent) > 0`)
	tolerance := get[float64](b, `parseFloat(document.querySelector('.perform-within').textContent)`)
	t.Logf("%s", p.fits())
	p.shoot("perform-fitted")
	if now := p.text(); now != first {
		t.Error("the file has changed before the take was kept")
	}
	samples := get[float64](b, `parseFloat(document.querySelector('.perform-take').textContent.match(/(\d+) samples/)[1])`)
	second := p.keeps(first)
	at, keys := p.curve("pan")
	// What the hand trembles, and 8 ms of the page's frames at its greatest speed, which is 15/8
	// of the mean one, are no fault of the fit.
	slack := 60*0.002 + 0.008*60*1.2*15/8
	var worst, greatest float64
	for _, x := range get[[][2]float64](b, `hand.sent`) {
		known := 60 * stick(played(x[0]))
		worst, greatest = math.Max(worst, math.Abs(x[1]-known)), math.Max(greatest, math.Abs(at(x[0])-known))
	}
	t.Logf("%v samples, at most %.3f deg from the known curve; %d keys, %.1f times fewer, at most %.3f deg from it; tolerance %v deg", samples, worst, keys, samples/float64(keys), greatest, tolerance)
	if worst > slack || greatest > tolerance+slack {
		t.Errorf("the samples are %.3f deg from the known curve, the keys %.3f, with a tolerance of %v", worst, greatest, tolerance)
	}
	// All samples are sent, and looked at as often as the page says; of a machine that is busy
	// with something else it says how long it did not look.
	sent := get[[][2]float64](b, `hand.sent`)
	if len(sent) != int(samples) || sent[0][0] != 1 || sent[len(sent)-1][0] != 5 {
		t.Errorf("%d of %v samples are sent, from %v to %v s, not from 1 to 5", len(sent), samples, sent[0][0], sent[len(sent)-1][0])
	}
	for i, x := range sent[1:] {
		if by := x[0] - sent[i][0]; by <= 0 || by > 0.125 && !busy {
			t.Errorf("after %.3f s comes %.3f s, and nothing is said of it", sent[i][0], x[0])
		}
	}
	// Three movements and three rests: by a cubic each takes a few keys, however many samples there are.
	if keys < 6 || keys > 24 || float64(len(sent)) < 4*float64(keys) && !busy {
		t.Errorf("%d keys for %d samples", keys, len(sent))
	}
	for _, line := range strings.Split(strings.TrimSpace(first), "\n") {
		if !strings.Contains(second, line+"\n") {
			t.Errorf("the line %q is gone:\n%s", line, second)
		}
	}

	// A second layer, added over the first: half a second of it, then the rest is as it was.
	p.sets("The take", "add")
	p.do(`app.actions.setLoop({from: 1.5, to: 3}); hand.frames = []`)
	p.clicks("Record")
	p.until("it plays", `s.playing && s.time > 1.5`)
	p.do(`hand.from = performance.now() - 200`)
	p.until("the take is there", `!s.playing && document.querySelectorAll('.perform-take').length === 2`)
	played2 := p.played()
	p.do(`hand.from = Infinity`)
	t.Logf("%s", p.fits())
	width := get[float64](b, `Number([...document.querySelectorAll('#perform-tool input[type=number]')][1].value)`)
	tolerance2 := get[float64](b, `parseFloat(document.querySelector('.perform-within').textContent)`)
	p.keeps(second)
	sum, _ := p.curve("pan")
	for _, x := range get[[][2]float64](b, `hand.sent`) {
		if want := at(x[0]) + width*stick(played2(x[0])); x[0] > 1.6 && x[0] < 2.9 && math.Abs(sum(x[0])-want) > tolerance2+slack {
			t.Errorf("at %.2f s both layers give %.2f, not %.2f", x[0], sum(x[0]), want)
		}
	}
	p.clicks("Undo keeping")
	p.until("it is undone", `s.score.undo === 1`)
	for end := time.Now().Add(10 * time.Second); p.text() != second; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("undone, the file is\n%s\nnot\n%s", p.text(), second)
		}
	}

	// Dropped, the file stays as it is, to the byte. A gamepad that is pulled out ends the take.
	p.sets("The take", "replace")
	p.do(`app.actions.setLoop(null); app.actions.setLooping(false); app.actions.seek(3)`)
	p.clicks("Record")
	p.until("it records", `s.playing && s.time > 3.3`)
	p.do(`hand.plug(false)`)
	p.until("the take is kept until then, and it is said", `!s.playing && document.querySelectorAll('.perform-take').length === 3 && document.querySelector('.perform-fault').textContent.includes('gamepad is gone')`)
	// With a gamepad that is gone nothing is recorded.
	p.clicks("Record")
	p.until("it is refused", `!s.playing && document.querySelectorAll('.perform-take').length === 3 && document.querySelector('.perform-fault').textContent.includes('plug it in')`)
	p.do(`hand.plug(true)`)
	p.fits()
	p.clicks("Discard the keys")
	p.until("nothing is proposed", `s.project.motions[0].proposal === null`)
	if now := p.text(); now != second {
		t.Errorf("discarded, the file is another:\n%s", now)
	}

	// Takes in no file hold a page that is left; one that was discarded comes back.
	left := `(() => { const e = new Event('beforeunload', {cancelable: true}); dispatchEvent(e); return e.defaultPrevented })()`
	if !get[bool](b, left) {
		t.Error("the page is left with takes that are in no file, and nothing is asked")
	}
	// Nothing is recorded while a proposal is shown, and no take of one motion is fitted or kept
	// in another.
	p.do(`app.store.set({proposed: true})`)
	p.clicks("Record")
	p.until("it is refused", `!s.playing && document.querySelector('.perform-fault').textContent.includes('is a proposal')`)
	p.do(`app.store.set({proposed: false})`)
	p.do(`hand.motion = s.motion; app.store.set({motion: 'another'})`)
	p.until("the takes are those of the motion", `document.querySelectorAll('.perform-take').length === 0 && document.querySelector('.perform-fit').hidden`)
	p.do(`app.store.set({motion: hand.motion})`)
	p.until("they are back", `document.querySelectorAll('.perform-take').length === 3 && !document.querySelector('.perform-fit').hidden`)
	discard := func() { p.clicks("Discard") }
	discard()
	p.until("it can be put back", `document.querySelectorAll('.perform-take').length === 2 && document.querySelector('.perform-takes').innerText.includes('Take 1 was discarded')`)
	p.shoot("perform-discarded")
	p.clicks("Put it back")
	p.until("it is back", `document.querySelectorAll('.perform-take').length === 3`)
	for range 3 {
		discard()
	}
	p.until("none is there", `document.querySelectorAll('.perform-take').length === 0`)
	if get[bool](b, left) {
		t.Error("with no take left the page is held")
	}
}

// TestPerformOnAPhone performs with a thumb on the strip, and by the tilt of the phone.
func TestPerformOnAPhone(t *testing.T) {
	b := newTab(t, 390, 844)
	call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5})
	p := performs(t, b)
	first := p.text()
	p.tapOn(".rehearse-open:last-of-type")
	p.until("it is open", `!document.querySelector('#perform-tool').hidden`)
	r := p.box(".perform-strip")
	if r[1]+r[3] > 844 || r[1] < 400 || r[2] < 80 || r[3] < 200 {
		t.Errorf("the strip is at %v px, not under the thumb", r)
	}
	if wide := get[bool](b, `document.documentElement.scrollWidth > innerWidth`); wide {
		t.Error("the page is wider than its window")
	}
	if small := get[[]string](b, strings.Replace(smallTargets, "wide < 24 || high < 24", "(wide < 44 || high < 44) && e.closest('#perform-tool') && e.type !== 'checkbox'", 1)); len(small) > 0 {
		t.Errorf("smaller than 44 px: %s", small)
	}
	p.shoot("perform-phone")

	// A thumb goes from the middle to the top while the motion plays.
	p.sets("Row", "axis:pan")
	p.do(`app.actions.seek(1)`)
	p.tapOn(".perform-record")
	p.until("it plays", `s.playing && s.time > 1.05`)
	// A phone that is turned meanwhile leaves the strip where it is: moved, it would lose the thumb.
	for _, wide := range []int64{844, 390} {
		call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: wide, Height: 844, DeviceScaleFactor: 1, Mobile: true})
		p.until("it is turned", fmt.Sprintf(`innerWidth === %d`, wide))
		if !get[bool](b, `s.playing && document.querySelector('#desk').nextElementSibling.id === 'perform-tool'`) {
			t.Errorf("at %d px the strip is moved while it records", wide)
		}
	}
	x, middle, top := r[0]+r[2]/2, r[1]+r[3]/2, r[1]+20
	p.touches(15, [2][2]float64{{x, middle}, {x, top}})
	if v := get[float64](b, `s.live[0][1]`); v != 60 {
		t.Errorf("with the thumb at the top pan is at %v deg", v)
	}
	p.tapOn(".perform-record")
	p.until("the take is there", `!s.playing && document.querySelectorAll('.perform-take').length === 1`)
	end := get[float64](b, `s.time`)
	t.Logf("%s", p.fits())
	p.shoot("perform-phone-fitted")
	p.do(`document.querySelector('.perform-keep').scrollIntoView()`)
	p.tapOn(".perform-keep")
	for end := time.Now().Add(20 * time.Second); p.text() == first; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the take is not in the file")
		}
	}
	if at, _ := p.curve("pan"); math.Abs(at(end)-60) > 3 || math.Abs(at(1)) > 3 {
		t.Errorf("the kept take goes from %.1f to %.1f deg", at(1), at(end))
	}

	// The tilt: level is where the phone is as the take begins; 30 degrees are all of it.
	tilt := func(beta float64) {
		call(b, deviceorientation.SetDeviceOrientationOverride, deviceorientation.SetDeviceOrientationOverrideParams{Alpha: 10, Beta: beta, Gamma: 3})
	}
	p.sets("moved by", "tilt:pitch")
	tilt(40)
	p.until("the tilt is heard", `s.live !== null`)
	tilt(55)
	p.until("half the tilt is half the way", `Math.abs(s.live[0][1] - 30) < 0.5`)
	p.do(`document.querySelector('.perform-record').scrollIntoView()`)
	p.tapOn(".perform-record")
	p.until("it records", `s.playing && document.querySelector('.perform-state').textContent.startsWith('Recording')`)
	for k := range 10 {
		tilt(55 - 3*float64(k+1))
		time.Sleep(20 * time.Millisecond)
	}
	p.until("the other end is reached from the new level", `Math.abs(s.live[0][1] + 60) < 0.5`)
	p.tapOn(".perform-record")
	p.until("the take is there", `!s.playing && document.querySelectorAll('.perform-take').length === 2`)
	call(b, deviceorientation.ClearDeviceOrientationOverride, cdp.Empty{})
}

// TestPerformByKeys performs with the keyboard alone, from opening the part to keeping the
// take.
func TestPerformByKeys(t *testing.T) {
	p := performs(t, newTab(t, 1280, 900))
	first := p.text()
	p.do(`app.actions.setLoop({from: 1, to: 2.5})`)
	focus := func(what string) {
		t.Helper()
		for range 90 {
			if get[bool](p.tab, "!!("+what+")") {
				return
			}
			p.keys(kb.Tab)
		}
		t.Fatalf("Tab does not reach %s; the focus is on %s", what, get[string](p.tab, `document.activeElement.outerHTML.slice(0, 200)`))
	}
	on := func(words string) string { return fmt.Sprintf(`document.activeElement.textContent === %q`, words) }
	p.do(`document.querySelector('.play').focus()`)
	focus(on("Perform"))
	p.keys(kb.Enter)
	p.until("it is open", `!document.querySelector('#perform-tool').hidden`)
	p.do(`document.querySelector('#masthead button:last-of-type').focus()`)
	focus(`document.activeElement.closest('label')?.textContent.startsWith('Row')`)
	p.keys("p") // of pan
	p.until("pan is the row", `[...document.querySelectorAll('#perform-tool select')][0].value === 'axis:pan'`)
	p.do(`document.querySelector('#masthead button:last-of-type').focus()`)
	focus(on("Record"))
	p.keys(kb.Enter)
	p.until("it plays, and the strip has the focus", `s.playing && s.time > 1.05 && document.activeElement.matches('.perform-strip')`)
	press := func(kind input.DispatchKeyEventType) {
		call(p.tab, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: "ArrowUp", Code: "ArrowUp", WindowsVirtualKeyCode: 38})
	}
	press("keyDown")
	p.until("the hand goes up softly", `s.live && s.live[0][1] > 20`)
	press("keyUp")
	p.until("the take is there", `!s.playing && document.querySelectorAll('.perform-take').length === 1`)
	value := get[float64](p.tab, `s.live[0][1]`)
	focus(on("Fit"))
	p.keys(kb.Enter)
	p.until("the keys are worked out", `!document.querySelector('.perform-keep').disabled`)
	t.Logf("%s", get[string](p.tab, `document.querySelector('.perform-result').textContent`))
	focus(on("Keep"))
	p.keys(kb.Enter)
	for end := time.Now().Add(20 * time.Second); p.text() == first; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the take is not in the file")
		}
	}
	if at, keys := p.curve("pan"); math.Abs(at(2.5)-value) > 2 || keys < 2 {
		t.Errorf("%d keys end at %.1f deg; the hand was at %.1f", keys, at(2.5), value)
	}
	// Esc and Close give the page back as it was.
	focus(on("Close"))
	p.keys(kb.Enter)
	p.until("it is closed", `document.querySelector('#perform-tool').hidden && s.live === null && document.activeElement.textContent === 'Perform'`)
}

// TestPerformByMouse performs with the mouse, slowly, with the whole page at work; axe-core
// (Deque) finds nothing in the part, light or dark.
func TestPerformByMouse(t *testing.T) {
	axe, err := os.ReadFile(os.Getenv("LIMBERJACK_AXE"))
	if err != nil {
		needTool(t, "axe-core", "LIMBERJACK_AXE names axe.min.js of the npm package axe-core")
	}
	b := newTab(t, 1440, 900)
	call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
	p := perch{b, filepath.Join(copied(t), "greet.motion.yaml")}
	p.open(serve(t, p.file))
	run(b, chromedp.Evaluate[chromedp.Void](string(axe)))
	first := p.text()
	p.opens()
	// A control moves its axes, each with its share.
	p.sets("Row", "control:tilt")
	p.do(`app.actions.seek(9.5); app.actions.setRate(0.5)`)
	r := p.box(".perform-strip")
	x, bottom, high := r[0]+r[2]/2, r[1]+r[3]-22, r[3]-44
	mouse := func(kind input.DispatchMouseEventType, share float64, buttons int64) {
		call(b, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x, Y: bottom - share*high, Button: "left", Buttons: buttons, ClickCount: 1})
	}
	mouse("mousePressed", 0.2, 1)
	p.until("both sides of the neck follow", `s.live?.length === 2 && s.live.every(([row]) => s.score.rows[row].name.startsWith('neck'))`)
	mouse("mouseReleased", 0.2, 0)
	b.do(`const hand = globalThis.hand = {sent: null, frames: [], moves: []};
		const ask = globalThis.fetch;
		globalThis.fetch = (url, init) => {
			if (String(url).endsWith('/takes')) hand.sent = JSON.parse(init.body).samples;
			return ask(url, init);
		};
		app.store.subscribe((s, before) => {
			const frame = document.timeline.currentTime, now = performance.now();
			if (s.playing && before.playing && s.time > before.time) hand.frames.push([s.time, (now - frame > 8 ? now : frame) / 1000]);
		});
		const strip = document.querySelector('.perform-strip');
		for (const kind of ['pointerdown', 'pointermove']) strip.addEventListener(kind, e => {
			const r = strip.getBoundingClientRect();
			hand.moves.push([e.timeStamp / 1000, (r.bottom - 22 - e.clientY) / (r.height - 44)]);
		})`)
	p.clicks("Record")
	p.until("it plays", `s.playing && s.time > 9.55`)
	mouse("mousePressed", 0.2, 1)
	for k := range 20 {
		mouse("mouseMoved", 0.2+0.5*math.Sin(math.Pi*float64(k+1)/20), 1)
		time.Sleep(20 * time.Millisecond)
	}
	mouse("mouseReleased", 0.2, 0)
	p.shoot("perform-mouse")
	p.clicks("End the take")
	p.until("the take is there", `!s.playing && document.querySelectorAll('.perform-take').length === 1`)
	t.Logf("%s", p.fits())
	p.slowly(0.5)
	for _, theme := range []string{"paper", "dark"} {
		b.do(fmt.Sprintf(`app.actions.setTheme(%q)`, theme))
		b.until("it is drawn", drawnTwice)
		for _, f := range get[[]string](b, `(await axe.run('#perform-tool', {resultTypes: ['violations']})).violations.map(v => v.id + ' ' + v.nodes.map(n => n.html.slice(0, 160)).join(' / '))`) {
			t.Errorf("%s: %s", theme, f)
		}
		p.shoot("perform-" + theme)
	}
	if p.text() != first {
		t.Error("the file has changed")
	}
}

// slowly compares a take's times with the screen's: at half the speed what the mouse did in a second
// lies half a second apart in the motion.
func (p perch) slowly(rate float64) {
	p.t.Helper()
	frames, moves, sent := get[[][2]float64](p.tab, `hand.frames`), get[[][2]float64](p.tab, `hand.moves`), get[[][2]float64](p.tab, `hand.sent`)
	low, high := get[float64](p.tab, `Number([...document.querySelectorAll('#perform-tool input[type=number]')][0].value)`), get[float64](p.tab, `Number([...document.querySelectorAll('#perform-tool input[type=number]')][1].value)`)
	if len(frames) < 10 || len(moves) < 10 || len(sent) < 20 {
		p.t.Fatalf("%d frames, %d moves, %d samples", len(frames), len(moves), len(sent))
	}
	// The motion's time at no moment of the screen, from the middle frame that was drawn: a slow
	// one of them does not count.
	apart := make([]float64, len(frames))
	for i, f := range frames {
		apart[i] = f[0] - rate*f[1]
	}
	slices.Sort(apart)
	zero := apart[len(apart)/2]
	if spread := apart[len(apart)*3/4] - apart[len(apart)/4]; spread > 0.02 {
		p.t.Errorf("the motion does not go at %v: half the frames are %.3f s apart", rate, spread)
	}
	found := 0
	for _, m := range moves {
		want, value := zero+rate*m[0], low+m[1]*(high-low)
		if want < sent[0][0] || want > sent[len(sent)-1][0] {
			continue
		}
		near := math.Inf(1) // s, the nearest sample that has this value
		for _, x := range sent {
			if math.Abs(x[1]-value) < 0.005*(high-low) {
				near = math.Min(near, math.Abs(x[0]-want))
			}
		}
		if near > 0.03 {
			p.t.Errorf("at %.3f s of the motion the hand was at %.2f; the take has that %.3f s away", want, value, near)
		}
		found++
	}
	if found < 10 {
		p.t.Errorf("only %d moves are within the take", found)
	}
}

// TestPerformMovesNoBoard performs while boards are armed and driven by the page: the hand
// moves the picture, a take plays the motion on the boards as its file has it.
func TestPerformMovesNoBoard(t *testing.T) {
	motion := shoreFolder(t)
	piers := newPiers(t, motion)
	b := newTab(t, 1280, 900)
	p := perch{b, motion}
	b.open(serve(t, motion))
	b.press("Rehearse")
	b.press("Drive")
	for name, x := range piers {
		b.do(fmt.Sprintf(`document.querySelector('#rehearse input[name=%s]').value = %q`, name, x.url))
	}
	b.press("Connect")
	b.press("Yes: arm")
	b.phaseIs("Armed")
	p.opens()
	b.until("it says that boards play", `document.querySelector('.perform-record').textContent === 'Record, boards play' && document.querySelector('#perform-tool').innerText.includes('not your hand')`)
	r := p.box(".perform-strip")
	p.sets("Row", "axis:fin")
	from := time.Now()
	for k := range 10 {
		kind, x, y := input.DispatchMouseEventType("mouseMoved"), r[0]+r[2]/2, r[1]+r[3]/2-float64(9*k)
		if k == 0 {
			kind = "mousePressed"
		}
		call(b, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: "left", Buttons: 1, ClickCount: 1})
	}
	b.until("the picture follows the hand", `s.live && s.live[0][1] > 40`)
	b.phaseIs("Armed")
	// fin rests at 0 deg: 1500 us, in ticks of 0.5 us 3000. By hand: 60 deg are 600 us, so the
	// hand's 40 deg and more would be 3800 ticks and more; the board is sent none of it.
	for _, s := range piers["shore"].played(from) {
		if s.value != 3000 {
			t.Fatalf("while the hand moves the picture, the board plays %d ticks, not 3000", s.value)
		}
	}
	b.do(`app.actions.setLooping(false)`)
	from = time.Now()
	p.clicks("Record, boards play")
	b.until("it records while the boards play", `document.querySelector('.perform-state').textContent.startsWith('Recording fin') && s.playing && s.time > 0.5`)
	p.shoot("perform-boards")
	p.clicks("End the take")
	b.until("the take is there, and the boards are held", `!s.playing && document.querySelectorAll('.perform-take').length === 1`)
	b.phaseIs("Held")
	// Recorded for a second or two it is on its way to the file's 40 deg at 3 s, which is far below
	// the hand all the while: at most 20 ticks a degree of 40 above the middle, and never back.
	went := piers["shore"].played(from)
	if len(went) < 10 || went[len(went)-1].value < 3001 {
		t.Errorf("the board played %d frames while the take was recorded, at last %v", len(went), went[max(0, len(went)-1):])
	}
	end := get[float64](b, `s.time`)
	u := math.Min(1, end/3)
	most := 3000 + 20*40*u*u*u*(10+u*(-15+6*u)) // the file's least jerk, as stick has it
	for i, s := range went {
		if float64(s.value) > most+1+20 || i > 0 && s.value < went[i-1].value-1 {
			t.Fatalf("after %d ticks the board plays %d, where the file gives at most %.0f by %.2f s", went[max(0, i-1)].value, s.value, most, end)
		}
	}
	if v := get[float64](b, `s.live[0][1]`); v < 40 {
		t.Errorf("the hand is at %.1f deg", v)
	}
}
