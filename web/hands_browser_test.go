package web_test

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
)

// finger is a point of a touch; the client's own type leaves zeros out.
type finger struct {
	X  float64 `json:"x"`
	Y  float64 `json:"y"`
	ID int     `json:"id"`
}

type touchParams struct {
	Type   string   `json:"type"`
	Points []finger `json:"touchPoints"`
}

var touchEvent = cdp.Command[touchParams, cdp.Empty]{Method: input.CommandDispatchTouchEvent}

// touches lays fingers on, moves each along its way in steps, and lifts them.
func (b *tab) touches(steps int, ways ...[2][2]float64) {
	b.t.Helper()
	at := func(share float64) (list []finger) {
		for i, w := range ways {
			list = append(list, finger{w[0][0] + share*(w[1][0]-w[0][0]), w[0][1] + share*(w[1][1]-w[0][1]), i})
		}
		return list
	}
	call(b, touchEvent, touchParams{"touchStart", at(0)})
	for k := 1; k <= steps; k++ {
		call(b, touchEvent, touchParams{"touchMove", at(float64(k) / float64(steps))})
		time.Sleep(20 * time.Millisecond)
	}
	call(b, touchEvent, touchParams{"touchEnd", []finger{}})
}

func (b *tab) tap(x, y float64) {
	b.t.Helper()
	b.touches(0, [2][2]float64{{x, y}, {x, y}})
}

// box gives left, top, width and height of the first element of a selector that shows.
func (b *tab) box(selector string) [4]float64 {
	b.t.Helper()
	b.until(selector+" shows", fmt.Sprintf(`[...document.querySelectorAll(%q)].some(e => e.getBoundingClientRect().width > 0 && getComputedStyle(e).visibility !== 'hidden')`, selector))
	return get[[4]float64](b, fmt.Sprintf(`(() => { for (const e of document.querySelectorAll(%q)) {
		const r = e.getBoundingClientRect();
		if (r.width > 0 && getComputedStyle(e).visibility !== 'hidden') return [r.left, r.top, r.width, r.height];
	} return [0, 0, 0, 0] })()`, selector))
}

// tapOn taps the middle of an element.
func (b *tab) tapOn(selector string) {
	b.t.Helper()
	r := b.box(selector)
	b.tap(r[0]+r[2]/2, r[1]+r[3]/2)
}

type span struct{ From, To float64 }

func (b *tab) view() span { b.t.Helper(); return get[span](b, `({From: s.view.from, To: s.view.to})`) }

// drawnTwice is true once two more frames have been drawn.
const drawnTwice = `await new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))`

// tablet opens a page as a tablet of 820 x 1180 px shows it, for fingers only.
func tablet(t *testing.T, url string) *tab {
	t.Helper()
	b := newTab(t, 820, 1180)
	call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5})
	b.open(url)
	if !get[bool](b, `matchMedia('(pointer: coarse)').matches`) {
		t.Fatal("the browser does not say that the pointer is a finger")
	}
	return b
}

// TestPageByTouch rehearses with fingers only, on a tablet.
func TestPageByTouch(t *testing.T) {
	b := tablet(t, serve(t, lighthouse+"/storm.motion.yaml"))

	// What is pressed is 44 px and more either way (common practice for fingers; WCAG 2.2,
	// 2.5.8 asks for 24, and 2.5.5 of level AAA for 44). The numbers on the staves are
	// excepted, as what has an equal elsewhere on the page is there: the list of findings.
	small := get[[]string](b, strings.Replace(smallTargets, "wide < 24 || high < 24", "(wide < 44 || high < 44) && !e.closest('label') && !e.dataset.finding", 1))
	if len(small) > 0 {
		t.Errorf("smaller than 44 px: %s", strings.Join(small[:min(5, len(small))], "\n"))
	}

	// Play and stop by a tap.
	b.do(`app.actions.seek(2)`)
	b.tapOn("#transport .play")
	b.until("it plays", `s.playing && s.time > 2.1`)
	b.tapOn("#transport .play")
	b.until("it has stopped", `!s.playing`)

	// Scrub: along the slider, and along the ruler of the sheet.
	for _, selector := range []string{"#scrub", "#sheet .sheet-ruler"} {
		r := b.box(selector)
		y := r[1] + r[3] - 12
		var times []float64
		call(b, touchEvent, touchParams{"touchStart", []finger{{r[0] + 0.2*r[2], y, 0}}})
		for _, share := range []float64{0.3, 0.5, 0.7} {
			call(b, touchEvent, touchParams{"touchMove", []finger{{r[0] + share*r[2], y, 0}}})
			time.Sleep(40 * time.Millisecond)
			times = append(times, get[float64](b, `s.time`))
		}
		call(b, touchEvent, touchParams{"touchEnd", []finger{}})
		length := get[float64](b, `s.score.length`)
		if !(times[1] > times[0]+0.1*length && times[2] > times[1]+0.1*length) || math.Abs(times[1]-0.5*length) > 0.05*length {
			t.Errorf("a finger along %s goes to %v s of %v", selector, times, length)
		}
	}

	// A tap on a hatched stretch, beside its number, says what is wrong there.
	b.do(`const f = s.score.findings.find(f => f.severity === 'error' && f.row >= 0 && f.to > f.from); app.actions.show({from: f.from - 0.3, to: f.to + 0.3})`)
	b.until("the sheet is drawn", drawnTwice)
	spot := get[[3]float64](b, `(() => {
		const ruler = document.querySelector('#sheet .sheet-ruler').getBoundingClientRect();
		const f = s.score.findings.find(f => f.severity === 'error' && f.row >= 0 && f.to > f.from);
		const head = document.querySelector('.sheet-head[data-row="axis:' + s.score.rows[f.row].name + '"]').getBoundingClientRect();
		return [ruler.left + (f.from + 0.1 * (f.to - f.from) - s.view.from) / (s.view.to - s.view.from) * ruler.width, head.top + head.height / 2, f.number] })()`)
	if on := get[string](b, fmt.Sprintf(`document.elementFromPoint(%v, %v).className`, spot[0], spot[1])); on != "sheet-paper" {
		t.Fatalf("the hatching cannot be tapped beside its number: on it is %q", on)
	}
	b.tap(spot[0], spot[1])
	b.until("the note says it, and the finding is selected", fmt.Sprintf(`(() => { const n = document.querySelector('#sheet-note'), f = s.score.findings.find(f => f.number === %v);
		return !n.hidden && [f.text, f.remedy].every(part => n.textContent.includes(part)) && s.score.findings.find(f => f.number === s.finding).row === f.row })()`, spot[2]))
	b.shoot("tablet-note")

	away := func() { // a tap on the note puts it away
		t.Helper()
		b.tapOn("#sheet-note")
		b.until("the note is away", `document.querySelector('#sheet-note').hidden`)
	}
	away()

	// A tap on a number chooses its finding, the nearest where two lie side by side; fingers
	// that land on numbers still pinch.
	b.do(`app.actions.fit(); app.actions.selectFinding(null); app.actions.selectRow(null)`)
	var x, y float64
	for _, n := range get[[]int](b, `s.score.findings.filter(f => f.row >= 0 && f.severity !== 'note').map(f => f.number)`)[:4] {
		b.do(fmt.Sprintf(`const f = s.score.findings.find(f => f.number === %d); app.sheet.ground.reveal('axis:' + s.score.rows[f.row].name)`, n))
		b.until("it is drawn", drawnTwice)
		b.until("the sheet lies still", `document.querySelector('.sheet-found').style.transform === 'translate(0px, 0px)' && document.querySelector('.sheet-found').style.opacity === '1'`)
		r := b.box(fmt.Sprintf(`.sheet-found [data-finding="%d"]`, n))
		x, y = r[0]+r[2]/2, r[1]+r[3]/2
		b.tap(x, y)
		b.until(fmt.Sprintf("finding %d is chosen", n), fmt.Sprintf(`s.finding === %d && !document.querySelector('#sheet-note').hidden`, n))
		away()
	}
	was := b.view()
	b.touches(8, [2][2]float64{{x, y}, {x, y}}, [2][2]float64{{x + 100, y}, {x + 200, y}})
	if now := b.view(); now.To-now.From > 0.7*(was.To-was.From) {
		t.Errorf("a pinch that begins on a number shows %v, and before %v", now, was)
	}

	// Fold a row: a tap on its name brings its buttons.
	row := get[string](b, `document.querySelector('#sheet .sheet-head').dataset.row`)
	b.do(`app.actions.selectRow(null); document.querySelector('.sheet-scroll').scrollTop = 0`)
	b.until("it is drawn", drawnTwice)
	b.until("nothing lies over the name", `(() => { const n = document.querySelector('#sheet .sheet-head .sheet-name'), r = n.getBoundingClientRect();
		return n.contains(document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2)) && document.querySelector('.sheet-found').style.transform === 'translate(0px, 0px)' })()`)
	// The browser may take a tap that comes right after a pinch for a part of that.
	for range 3 {
		b.tapOn(`#sheet .sheet-head .sheet-name`)
		if get[bool](b, `new Promise(done => setTimeout(() => done(app.store.get().row !== null), 400))`) {
			break
		}
	}
	b.until("its buttons show", `s.row === '`+row+`' && document.querySelector('#sheet .sheet-head .sheet-tools').getBoundingClientRect().height >= 44`)
	b.tapOn(`#sheet .sheet-head .sheet-tools button`)
	b.until("it is folded", `s.rows.folded.has('`+row+`')`)
	b.do(`app.actions.setRows({folded: new Set()}); app.actions.selectRow(null); app.actions.selectFinding(null)`)

	t.Run("pinch the sheet", func(t *testing.T) { pinchSheet(t, b) })
	t.Run("pinch the stage", func(t *testing.T) { pinchStage(t, b) })
	t.Run("throw the sheet", func(t *testing.T) { throwSheet(t, b) })
}

// pinchSheet spreads two fingers to twice their distance: half the time shows, and what
// was between the fingers stays there.
func pinchSheet(t *testing.T, b *tab) {
	b.do(`app.actions.fit()`)
	ruler, sheet := b.box("#sheet .sheet-ruler"), b.box("#sheet .sheet-paper")
	x, y := ruler[0]+0.4*ruler[2], sheet[1]+0.6*sheet[3]
	was := b.view()
	if on := get[[]string](b, fmt.Sprintf(`[%v, %v].map(x => document.elementFromPoint(x, %v).className)`, x-60, x+60, y)); !slices.Equal(on, []string{"sheet-paper", "sheet-paper"}) {
		t.Fatalf("the fingers would be on %q", on)
	}
	b.touches(10, [2][2]float64{{x - 60, y}, {x - 120, y}}, [2][2]float64{{x + 60, y}, {x + 120, y}})
	now := b.view()
	if by := (was.To - was.From) / (now.To - now.From); math.Abs(by-2) > 0.15 {
		t.Errorf("fingers at twice the distance zoom by %.2f", by)
	}
	under := func(v span) float64 { return v.From + 0.4*(v.To-v.From) }
	if off := math.Abs(under(now)-under(was)) / (now.To - now.From) * ruler[2]; off > 12 {
		t.Errorf("the time between the fingers went %.1f px", off)
	}
	b.touches(10, [2][2]float64{{x - 120, y}, {x - 60, y}}, [2][2]float64{{x + 120, y}, {x + 60, y}})
	if back := b.view(); math.Abs((back.To-back.From)/(was.To-was.From)-1) > 0.1 {
		t.Errorf("fingers back together show %v, and before %v", back, was)
	}
}

// pinchStage spreads two fingers over the stage: the rig comes nearer by as much.
func pinchStage(t *testing.T, b *tab) {
	b.do(`app.actions.setStage({yaw: -35, pitch: 18, distance: 0})`)
	b.until("the stage is drawn", drawnTwice)
	r := b.box("#stage .stage-room")
	x, y := r[0]+r[2]/2, r[1]+r[3]/2
	spread := [][2][2]float64{{{x - 50, y}, {x - 75, y}}, {{x + 50, y}, {x + 75, y}}}
	b.touches(8, spread...) // the first only takes the distance that the fit has
	was := get[float64](b, `s.stage.distance`)
	b.touches(8, spread...)
	now := get[float64](b, `s.stage.distance`)
	if was <= 0 || math.Abs(was/now-1.5) > 0.08 {
		t.Errorf("fingers at 1.5 times the distance bring the rig from %.0f to %.0f mm", was, now)
	}
	yaw := get[float64](b, `s.stage.yaw`)
	b.touches(8, [2][2]float64{{x, y}, {x + 50, y}})
	if turned := get[float64](b, `s.stage.yaw`) - yaw; math.Abs(math.Abs(turned)-20) > 3 {
		t.Errorf("a finger over 50 px turns by %.1f degrees", turned)
	}
	b.do(`app.actions.setStage({distance: 0})`)
}

// throwSheet throws the sheet: it glides on, and lies still at once for those who asked
// their system for less motion (WCAG 2.2, 2.3.3; CSS Media Queries 5, prefers-reduced-motion).
func throwSheet(t *testing.T, b *tab) {
	ruler, sheet := b.box("#sheet .sheet-ruler"), b.box("#sheet .sheet-paper")
	x, y := ruler[0]+0.7*ruler[2], sheet[1]+0.6*sheet[3]
	for _, calm := range []bool{false, true} {
		wish := map[bool]string{false: "no-preference", true: "reduce"}[calm]
		call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: wish}}})
		b.do(`app.actions.show({from: 4, to: 10})`)
		b.do(`globalThis.views = []; globalThis.leave = app.store.subscribe(() => globalThis.views.push(app.store.get().view.from))`)
		// All of it from the page itself: a throw ends with the hand still moving.
		b.do(fmt.Sprintf(`
			const paper = document.querySelector('#sheet .sheet-paper');
			paper.setPointerCapture = () => {}; // no finger that the browser knows
			const send = (type, x) => paper.dispatchEvent(new PointerEvent(type, {bubbles: true, cancelable: true, pointerId: 7, pointerType: 'touch', isPrimary: true, button: type === 'pointermove' ? -1 : 0, buttons: 1, clientX: x, clientY: %v}));
			const wait = performance.now();
			send('pointerdown', %[2]v);
			for (let k = 1; k <= 6; k++) { while (performance.now() < wait + 8 * k); send('pointermove', %[2]v - 20 * k); }
			globalThis.lifted = app.store.get().view.from;
			send('pointerup', %[2]v - 120);
			delete paper.setPointerCapture`, y, x))
		time.Sleep(500 * time.Millisecond)
		way := get[float64](b, `Math.abs(s.view.from - globalThis.lifted)`)
		b.do(`globalThis.leave()`)
		if !calm && way < 0.05 {
			t.Errorf("a thrown sheet glides %.3f s of its time", way)
		}
		if calm && way != 0 {
			t.Errorf("with less motion asked for, a thrown sheet still glides %.3f s of its time", way)
		}
		moving := get[[]string](b, `[...document.querySelectorAll('*')].flatMap(e => { const c = getComputedStyle(e);
			return parseFloat(c.transitionDuration) > 0 || c.animationName !== 'none' ? [e.tagName + '.' + e.className] : [] })`)
		if calm && len(moving) > 0 {
			t.Errorf("with less motion asked for, these still move: %q", moving)
		}
		if !calm && !slices.Contains(moving, "A.skip") {
			t.Errorf("of what moves, only %q is found", moving)
		}
	}
}

// TestPageLoopByDrag draws a loop with the mouse: in its lane of the ruler, and anywhere in
// it with Shift; drags one end of it; and takes it away by a click.
func TestPageLoopByDrag(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, lighthouse+"/storm.motion.yaml"))
	r := b.box("#sheet .sheet-ruler")
	length := get[float64](b, `s.score.length`)
	b.do(`app.actions.fit()`)
	drag := func(y float64, shift int64, shares ...float64) {
		t.Helper()
		mouse := func(kind input.DispatchMouseEventType, share float64) {
			call(b, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: r[0] + share*r[2], Y: y, Button: "left", Buttons: 1, ClickCount: 1, Modifiers: shift})
		}
		mouse("mousePressed", shares[0])
		for k := 1; k <= 5; k++ {
			mouse("mouseMoved", shares[0]+(shares[1]-shares[0])*float64(k)/5)
		}
		mouse("mouseReleased", shares[1])
	}
	holds := func(what string, from, to float64) {
		t.Helper()
		v := get[*span](b, `s.loop && ({From: s.loop.from, To: s.loop.to})`)
		// Ends are on film frames, and the pointer's place is a whole pixel.
		near := func(a, share float64) bool {
			return math.Abs(a-share*length) < 1.0/24+length/r[2] && math.Abs(a*24-math.Round(a*24)) < 1e-6
		}
		if v == nil || !near(v.From, from) || !near(v.To, to) {
			t.Errorf("%s: the loop is %v, not from %v to %v of %v s", what, v, from, to, length)
		}
	}
	const shift = 8                            // bit of Input.dispatchMouseEvent's modifiers
	lane := r[1] + r[3] - 4.0                  // where the lane is not: below the ruler's scales
	for y := r[1] + 2; y < r[1]+r[3]; y += 3 { // the lane is where a drag makes a loop and does not scrub
		b.do(`app.actions.setLoop(null); app.actions.seek(0)`)
		drag(y, 0, 0.25, 0.5)
		if get[bool](b, `s.loop !== null && s.time === 0`) {
			lane = y
			break
		}
	}
	holds("along the lane", 0.25, 0.5)
	if !get[bool](b, `s.looping`) {
		t.Error("the loop is not on")
	}
	b.until("it is drawn", drawnTwice)
	picture, _, err := image.Decode(bytes.NewReader(b.shoot("loop")))
	if err != nil {
		t.Fatal(err)
	}
	bar := 0 // px of the lane's height that look otherwise within the loop than after it
	for y := int(lane); y < int(lane)+14; y++ {
		if picture.At(int(r[0]+0.4*r[2]), y) != picture.At(int(r[0]+0.6*r[2]), y) {
			bar++
		}
	}
	if bar < 3 {
		t.Error("the loop does not show in its lane")
	}
	if now := b.box("#sheet .sheet-ruler"); now != r {
		t.Fatalf("the ruler went from %v to %v as the loop was set, away from under the hand", r, now)
	}
	drag(lane, 0, 0.5, 0.75)
	holds("its end", 0.25, 0.75)
	drag(lane, 0, 0.25, 0.125)
	holds("its beginning", 0.125, 0.75)
	drag(lane, 0, 0.4, 0.4)
	b.until("a click takes it away", `s.loop === null`)
	drag(r[1]+r[3]-6, shift, 0.75, 0.5)
	holds("with Shift, from right to left", 0.5, 0.75)
}
