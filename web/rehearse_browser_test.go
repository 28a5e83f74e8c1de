package web_test

import (
	"context"
	"fmt"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"limberjack/transport/wire"
	"limberjack/web"
)

// press clicks a button of the part by its words.
func (b *tab) press(words string) {
	b.t.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll('#rehearse button, .rehearse-open')].find(e => e.textContent.startsWith(%q) && !e.disabled && e.getBoundingClientRect().width > 0)`, words)
	b.until("there is "+words, find)
	b.do(find + `.click()`)
}

func (b *tab) phaseIs(words string) {
	b.t.Helper()
	b.rig("the boards are "+words, fmt.Sprintf(`document.querySelector('#rehearse .phase').textContent.startsWith(%q)`, words))
}

// rig waits as until does; in vain, it says what the part says.
func (b *tab) rig(what, is string) {
	b.t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if get[bool](b, "!!("+is+")") {
			return
		}
	}
	b.t.Fatalf("waited in vain until %s: %s", what, get[string](b, `document.querySelector('#rehearse').innerText`))
}

// arms opens the part, connects to both boards and arms them.
func (b *tab) arms(piers map[string]*pier) {
	b.t.Helper()
	b.press("Rehearse")
	b.press("Drive")
	for name, x := range piers {
		b.until("there is a field for "+name, fmt.Sprintf(`document.querySelector('#rehearse input[name=%s]')`, name))
		b.do(fmt.Sprintf(`document.querySelector('#rehearse input[name=%s]').value = %q`, name, x.url))
	}
	b.press("Connect")
	b.press("Yes: arm")
	b.phaseIs("Armed")
}

// rehearses arms both boards and plays on them, over and over.
func (b *tab) rehearses(piers map[string]*pier) {
	b.t.Helper()
	b.do(`app.actions.setLooping(true)`)
	b.arms(piers)
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
	b.do(`globalThis.wakes = []; WakeLock.prototype.request = async kind => { wakes.push(kind); return {addEventListener() {}, async release() { wakes.push('let go') }} }`)
	b.rehearses(piers)
	b.until("the screen is kept awake", `wakes.join() === 'screen'`)
	b.shoot("rehearse-playing")
	watcher := callAt(t, url)
	if a := watcher.ask("drive", ""); a.OK || !strings.Contains(a.Text, "another page drives (") {
		t.Errorf("a second page takes the wheel: %+v", a)
	}
	w := newTab(t, 1280, 900)
	w.open(url)
	w.until("a page that watches plays along, and has Stop", `s.playing && s.time > 0.1 && document.querySelector('#rehearse .halt').getBoundingClientRect().height >= 44`)
	w.press("Rehearse")
	w.until("it cannot take the wheel, and says who has it", `[...document.querySelectorAll('#rehearse button')].find(e => e.textContent === 'Drive').disabled && document.querySelector('#rehearse .who').textContent.includes('Another page (')`)

	// Esc stops: from the key, by the page's own clock, to the boards' record. A machine that
	// is busy with something else may take longer than the 50 ms of a quiet one: of five
	// presses the quickest counts, and none takes a second.
	b.do(`const send = WebSocket.prototype.send; WebSocket.prototype.send = function (data) {
		if (String(data).includes('"stop"')) globalThis.pressedAt = performance.timeOrigin + window.event.timeStamp;
		send.call(this, data) }`)
	var list []string
	best := time.Hour
	for press := range 5 {
		if press > 0 {
			b.press("Yes: arm")
			b.phaseIs("Armed")
			b.press("Play on the boards")
			b.phaseIs("Playing")
		}
		if press%2 == 1 {
			b.do(`document.querySelector('#help').showModal()`) // from a dialog, too
		}
		from := time.Now()
		b.keys(kb.Escape)
		last := time.Duration(0)
		for name, x := range piers {
			at := time.UnixMicro(int64(1000 * get[float64](b, `globalThis.pressedAt ?? 0`)))
			took := x.ended(t, from).Sub(at)
			if took <= 0 || took > time.Second {
				t.Errorf("board %s stops %v after the key", name, took)
			}
			last = max(last, took)
		}
		best = min(best, last)
		list = append(list, fmt.Sprintf("%.1f", 1000*last.Seconds()))
		b.phaseIs("Stopped")
		if press%2 == 1 {
			b.do(`document.querySelector('#help').close()`)
		}
	}
	t.Logf("ms from the key to the slower board's stop: %s", strings.Join(list, ", "))
	if best > 50*time.Millisecond {
		t.Errorf("the quickest of five stops takes %v", best)
	}
	b.until("the screen may sleep", `wakes.at(-1) === 'let go' && wakes.length === 10`)
	b.until("Stop says what a second press does", `document.querySelector('#rehearse .halt').textContent === 'Drop the pulses' && document.querySelector('#halt-note').textContent.includes('falls')`)
	b.shoot("rehearse-stopped")
	w.keys(kb.Escape) // somebody else's, for something else: it drops nothing
	b.settles()
	for name, x := range piers {
		if st := x.server.State(); st == wire.StateSilent {
			t.Errorf("board %s: Esc in a page that watches drops the pulses", name)
		}
	}
	b.do(`document.querySelector('#help').showModal()`)
	from := time.Now()
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
	w.until("the page that watches has stopped, too", `!s.playing`)
}

// boardsOver gives a motion's time over the wall clock, both in s, as a board plays it, by its
// frames of a pulse that goes evenly: so many ticks from so many at 0 s, in a second of the
// motion, of which rate go in one of the clock.
func boardsOver(t *testing.T, slots []slotAt, from, ticks, rate float64) func(at float64) float64 {
	t.Helper()
	var off []float64
	for _, s := range slots {
		off = append(off, (float64(s.value)-from)/ticks-rate*float64(s.at.UnixMicro())/1e6)
	}
	if len(off) < 20 {
		t.Fatalf("%d frames were played", len(off))
	}
	middle := median(off)
	return func(at float64) float64 { return rate*at + middle }
}

// TestPageConducts: while a page drives and the boards are armed, its transport is theirs.
// The page's sound is held against the boards' frames, at full and at half speed: the samples
// on their way to the sound card against the pulses that are played, within a film frame.
func TestPageConducts(t *testing.T) {
	const film = 1.0 / 24
	motion := shoreFolder(t)
	text := "motion: Clicks\nformat: 1\nrig: keeper.rig.yaml\nfps: 24\nlength: 12s\naudio: clicks.wav\nmarks: {half: 6s}\ntracks:\n  arm: [[0s, 10deg], [12s, 16deg, linear]]\n  fin: [[0s, -25deg], [12s, 25deg, linear]]\n"
	file := filepath.Join(filepath.Dir(motion), "clicks.motion.yaml")
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	clickSound(t, filepath.Join(filepath.Dir(motion), "clicks.wav"), 12)
	piers := newPiers(t, motion)
	url := serve(t, file)
	b := newTab(t, 1280, 900)
	call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true}) // for the ear
	call(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: listenAtTheOutput})
	b.open(url)
	b.until("the sound is decoded", `s.sound === 'ready'`)
	b.do(readPlayhead)
	b.until("its transport is its own", `s.boards === '' && document.querySelector('#transport .play').textContent === 'Play'`)
	b.arms(piers)
	b.until("it says that its transport is the boards'", `document.querySelector('#rehearse .rule').textContent.includes('those of the boards') && document.querySelector('#transport .play').getAttribute('aria-label') === 'Play: on the boards'`)
	w := newTab(t, 1280, 900)
	w.open(url)

	// With a count-in, by the key.
	b.do(`document.activeElement.blur(); app.actions.setCountIn(true)`)
	b.keys(" ")
	b.until("it is counted", `s.counting > 0 && document.querySelector('#rehearse .phase').textContent.startsWith('Counting in')`)
	b.until("both pages play", `s.playing && s.boards === 'running' && s.time > 0.3`)
	w.until("the watcher's page plays along", `s.playing && s.time > 0.3`)
	for _, rate := range []float64{1, 0.5} {
		if rate < 1 {
			b.keys("5")
			b.until("the boards play at half speed", `app.rehearse.desk.state().speed === 0.5 && app.rehearse.desk.state().phase === 'playing' && s.playing`)
		}
		time.Sleep(600 * time.Millisecond) // for the first corrections
		from := time.Now()
		heard := get[watched](b, fmt.Sprintf(watchAndListen, 2000))
		origin := get[float64](b, `performance.timeOrigin`)
		var wall []float64
		for _, s := range heard.Stamps {
			wall = append(wall, (origin+s[0])/1000-s[1])
		}
		if len(heard.Clicks) < 3 || len(wall) < 20 {
			t.Fatalf("at %v %%: %d clicks and %d time stamps in 2 s", 100*rate, len(heard.Clicks), len(wall))
		}
		// fin: 10 us a degree in ticks of 0.5 us, 50 degrees in 12 s, from 1250 us.
		board := boardsOver(t, piers["shore"].played(from), 2500, 1000.0/12, rate)
		clock := median(wall)
		now := board(heard.Clicks[0][0] + clock)
		at, measured, _ := soundOver(t, heard.Clicks, max(0, math.Round(now/clickEvery-0.45)*clickEvery))
		end := heard.Clicks[len(heard.Clicks)-1][0]
		apart := (at + measured*end) - board(end+clock)
		t.Logf("at %v %%: the page's sound is %.1f ms ahead of the boards (%d clicks)", 100*rate, 1000*apart/rate, len(heard.Clicks))
		if math.Abs(apart)/rate > film {
			t.Errorf("at %v %%: the page's sound is %.1f ms off the boards", 100*rate, 1000*apart/rate)
		}
		// The watcher's playhead, by its own account at a moment of the wall clock.
		var off []float64
		for range 15 {
			p := get[[2]float64](w, `await new Promise(done => requestAnimationFrame(() => setTimeout(() => done([(performance.timeOrigin + performance.now()) / 1000, app.store.get().time]))))`)
			off = append(off, (p[1]-board(p[0]))/rate)
		}
		t.Logf("the page that watches is %.1f ms ahead of the boards (median)", 1000*median(off))
		if math.Abs(median(off)) > film {
			t.Errorf("at %v %%: the page that watches is %.1f ms off the boards", 100*rate, 1000*median(off))
		}
	}

	// Space holds, and goes on from there.
	b.keys(" ")
	b.phaseIs("Held")
	b.until("the page has stopped where they hold", `!s.playing && s.boards === 'still' && Math.abs(s.time - app.rehearse.desk.state().position) < 0.05`)
	held := get[float64](b, `s.time`)
	b.until("it says so", `[...document.querySelectorAll('#rehearse button')].some(e => e.textContent === 'Go on')`)
	b.keys(" ")
	b.phaseIs("Playing")
	b.until("they go on", fmt.Sprintf(`s.playing && s.time > %v`, held))

	// A loop span, and a jump to a mark while they play: they come to rest, go there, and play on.
	b.keys("0")
	b.do(`app.actions.setLoop({from: 2, to: 2.5})`)
	b.until("the boards loop", `(d => d.phase === 'playing' && d.loop && d.begin === 2 && d.round > 1 && d.speed === 1)(app.rehearse.desk.state()) && s.time >= 2 && s.time < 2.6`)
	b.do(`app.actions.setLoop(null); app.actions.setLooping(false)`)
	b.until("they do not any more", `(d => d.phase === 'playing' && !d.loop)(app.rehearse.desk.state())`)
	b.keys(".")
	b.until("they play from the mark", `(d => d.phase === 'playing' && d.position > 6 && d.position < 8)(app.rehearse.desk.state()) && s.playing && s.time > 6`)

	// The slider: they hold while it is drawn, and play from there.
	b.do(`app.actions.scrub(1); app.actions.scrub(3)`)
	b.phaseIs("Held")
	b.do(`app.actions.scrub(4); app.actions.scrubEnd()`)
	b.until("they play from there", `(d => d.phase === 'playing' && d.position > 4 && d.position < 5.5)(app.rehearse.desk.state())`)
	b.shoot("rehearse-conducts")
	for name, x := range piers {
		if st := x.server.State(); st != wire.StatePlaying {
			t.Errorf("board %s is %v", name, st)
		}
	}

	// Who watches may look elsewhere by their own transport, and no board moves for that.
	w.do(`app.actions.stop(); app.actions.seek(0.5)`)
	time.Sleep(300 * time.Millisecond)
	w.until("it stays there", `!s.playing && s.time === 0.5`)
	b.do(`app.actions.stop()`)
	b.phaseIs("Held")
}

// settles waits until a press of Stop counts as another one.
func (b *tab) settles() {
	b.t.Helper()
	b.do(`globalThis.settlesAt = performance.now() + 400`)
	b.until("a press counts anew", `performance.now() > settlesAt`)
}

// takesUp arms boards that are connected and plays from 1 s on. On a machine that is so busy
// that the page gives no sign of life for a second it is stopped, and takes them up again.
func (b *tab) takesUp() {
	b.t.Helper()
	const stopped = `document.querySelector('#rehearse .note').textContent.includes('no sign of life')`
	for range 3 {
		b.press("Yes: arm")
		b.phaseIs("Armed")
		b.do(`app.actions.seek(1)`)
		b.press("Play")
		b.rig("it plays", `s.playing && s.time > 1.2 || `+stopped)
		if !get[bool](b, stopped) {
			return
		}
		b.t.Log("the machine is too busy for the page's beats")
		b.press("Drive")
	}
	b.t.Fatal("the machine is too busy for the page's beats")
}

// TestPageLosesBoards: whatever befalls a board is said of it in plain words, with what would
// help; nothing moves because it is back; and the page offers to go on where it was.
func TestPageLosesBoards(t *testing.T) {
	motion := shoreFolder(t)
	piers := newPiers(t, motion)
	b := newTab(t, 1280, 900)
	b.open(serve(t, motion))

	// A second host: one of the boards is taken.
	other := callAt(t, serve(t, motion))
	other.must("drive", "")
	other.must("connect", `,"motion":"looks","boards":`+placesOf(piers))
	b.press("Rehearse")
	b.press("Drive")
	for name, x := range piers {
		b.do(fmt.Sprintf(`document.querySelector('#rehearse input[name=%s]').value = %q`, name, x.url))
	}
	b.press("Connect")
	b.until("the page says that the board is in use", `document.querySelector('#rehearse .fault').textContent.includes('in use')`)
	other.must("part", "")

	b.press("Connect")
	for _, c := range []struct {
		name  string
		fault func(x *pier)
		says  string // of the board
		helps string
	}{
		{"cable", func(x *pier) { x.server.Cut(700 * time.Millisecond) }, "connection", "cable"},
		{"reset", func(x *pier) { x.server.Reset(wire.ResetBrownout) }, "the supply sagged", "stronger supply"},
		{"silence", func(x *pier) { x.server.Stall(700 * time.Millisecond) }, "nothing was heard", "link"},
	} {
		b.takesUp()
		from := time.Now()
		c.fault(piers["shore"])
		b.phaseIs("A board was lost")
		b.until(c.name+" is said", fmt.Sprintf(`(t => t.includes('shore was lost') && t.includes(%q) && t.includes(%q))(document.querySelector('#rehearse .losses').textContent)`, c.says, c.helps))
		piers["main"].ended(t, from)
		b.until("it asks, once the board is back", `document.querySelector('#rehearse .question').getBoundingClientRect().height > 0 && document.querySelector('#rehearse .losses').textContent.includes('It is back')`)
		t.Logf("%s: %s", c.name, get[string](b, `document.querySelector('#rehearse .losses').textContent`))
		b.shoot("rehearse-lost-" + c.name)
		lost := get[float64](b, `app.rehearse.desk.state().resume_at`)
		if !(lost > 0.9 && lost < 5) {
			t.Errorf("%s: it was lost at %v s", c.name, lost)
		}
		for name, x := range piers {
			if st := x.server.State(); st == wire.StateArmed || st == wire.StatePlaying {
				t.Errorf("board %s is %v because it is back", name, st)
			}
		}
		b.press("Yes: arm")
		b.phaseIs("Armed")
		b.press("Play from ")
		b.until("it plays on from there", fmt.Sprintf(`(d => d.phase === 'playing' && d.position > %v - 0.05 && d.position < %v + 1.5)(app.rehearse.desk.state())`, lost, lost))
		b.keys(kb.Escape)
		b.phaseIs("Stopped")
	}
}

// cable is a network between pages and a server that can be cut: nothing comes through any
// more, and nobody is told.
type cable struct {
	net.Listener
	cut chan struct{}
}

func (c *cable) Accept() (net.Conn, error) {
	conn, err := c.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &cabled{Conn: conn, cut: c.cut, over: make(chan struct{})}, nil
}

func (c *cable) sever() { close(c.cut) }

// cabled is a connection through it.
type cabled struct {
	net.Conn
	cut  chan struct{}
	over chan struct{}
	once sync.Once
}

func (c *cabled) severed() bool {
	select {
	case <-c.cut:
		return true
	default:
		return false
	}
}

func (c *cabled) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if c.severed() {
		<-c.over
		return 0, net.ErrClosed
	}
	return n, err
}

func (c *cabled) Write(p []byte) (int, error) {
	if c.severed() {
		return len(p), nil
	}
	return c.Conn.Write(p)
}

func (c *cabled) Close() error {
	c.once.Do(func() { close(c.over) })
	return c.Conn.Close()
}

// serveBy serves a motion through a cable.
func serveBy(t testing.TB, file string) (url string, c *cable) {
	t.Helper()
	project, err := web.Open("", file, web.Options{Tell: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	on, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c = &cable{Listener: on, cut: make(chan struct{})}
	server := web.NewServer(project, web.Access{Names: []string{"127.0.0.1"}, Port: on.Addr().(*net.TCPAddr).Port}, t.Logf)
	ctx, end := context.WithCancel(context.Background())
	served, followed := make(chan struct{}), make(chan struct{})
	go func() { defer close(served); server.Serve(ctx, c) }()
	go func() { defer close(followed); project.Follow(ctx) }()
	t.Cleanup(func() { end(); <-served; <-followed; project.Close() })
	return "http://" + on.Addr().String() + "/", c
}

// TestPageGoneStops: a page that drives and is closed, left, loaded anew, hidden, frozen, or
// cut off stops the boards; where Stop finds no way to them, it says so.
func TestPageGoneStops(t *testing.T) {
	motion := shoreFolder(t)
	piers := newPiers(t, motion)
	url, c := serveBy(t, motion)
	for _, e := range []struct {
		name string
		end  func(b *tab)
		most time.Duration // generous: the machine may be busy
	}{
		{"closed", func(b *tab) { call(b, page.Close, cdp.Empty{}) }, time.Second},
		{"left", func(b *tab) { b.do(`setTimeout(() => location.replace('about:blank'), 10)`) }, time.Second},
		{"loaded anew", func(b *tab) { b.do(`setTimeout(() => location.reload(), 10)`) }, time.Second},
		{"hidden", func(b *tab) {
			b.do(`Object.defineProperty(document, 'hidden', {value: true}); document.dispatchEvent(new Event('visibilitychange'))`)
		}, time.Second},
		{"frozen", func(b *tab) {
			b.do(`setTimeout(() => { for (const end = Date.now() + 3000; Date.now() < end;); }, 10)`)
		}, 3 * time.Second},
		{"off the network", func(b *tab) {
			call(b, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{{Offline: true, DownloadThroughput: -1, UploadThroughput: -1}}})
			b.do(`WebSocket.prototype.send = () => {}`) // a socket that is open already is not cut by that
		}, 3 * time.Second},
		{"cut off", func(*tab) { c.sever() }, 3 * time.Second}, // the last: it stays cut
	} {
		t.Run(e.name, func(t *testing.T) {
			b := newTab(t, 1280, 900)
			b.allow = []string{"/api/", "WebSocket connection"} // what a page says of a server that it does not reach
			b.open(url)
			b.until("nobody drives", `document.querySelector('#rehearse .who').textContent.startsWith('Nobody')`)
			if piers["main"].server.State() != wire.StateSilent {
				b.press("Rehearse")
				b.press("Drive")
				b.press("Yes: arm")
				b.phaseIs("Armed")
				b.press("Play on the boards")
				b.until("it plays", `s.playing && s.boards === 'running' && s.time > 0.1`)
			} else {
				b.rehearses(piers)
			}
			from := time.Now()
			e.end(b)
			took := allEnd(t, piers, from)
			t.Logf("after %v", took)
			if took > e.most {
				t.Errorf("the boards stop %v later", took)
			}
			if e.name == "off the network" || e.name == "cut off" {
				b.keys(kb.Escape)
				b.until("it says that Stop found no way", `document.querySelector('#rehearse .fault').textContent.includes('use the switch that cuts the power')`)
			}
		})
	}
}

// tabTo goes by Tab to a button of some words, or the field of a board.
func (b *tab) tabTo(words string) {
	b.t.Helper()
	for range 150 {
		b.keys(kb.Tab)
		if get[bool](b, fmt.Sprintf(`(e => (e.textContent.startsWith(%q) || e.name === %q) && e.matches(':focus-visible'))(document.activeElement)`, words, words)) {
			return
		}
	}
	b.t.Fatalf("no Tab leads to %s", words)
}

// TestPageRehearsesByKeys goes from opening the part to the drop with keys only, and
// TestPageRehearsesByTouch with fingers.
func TestPageRehearsesByKeys(t *testing.T) {
	motion := shoreFolder(t)
	piers := newPiers(t, motion)
	b := newTab(t, 1280, 900)
	b.open(serve(t, motion))
	b.do(`app.actions.setLooping(true)`)
	go1 := func(words string) { b.tabTo(words); b.keys(kb.Enter) }
	go1("Rehearse")
	go1("Drive")
	for _, name := range []string{"main", "shore"} {
		b.tabTo(name)
		b.keys(piers[name].url)
	}
	go1("Connect")
	b.until("it asks", `document.querySelector('#rehearse .question').getBoundingClientRect().height > 0`)
	go1("Yes: arm")
	b.phaseIs("Armed")
	go1("Play on the boards")
	b.phaseIs("Playing")
	from := time.Now()
	b.keys(kb.Escape)
	allEnd(t, piers, from)
	b.phaseIs("Stopped")
	b.settles()
	from = time.Now().Add(-10 * time.Millisecond)
	b.keys(kb.Escape)
	allEnd(t, piers, from, wire.StateSilent)
}

func TestPageRehearsesByTouch(t *testing.T) {
	motion := shoreFolder(t)
	piers := newPiers(t, motion)
	b := newTab(t, 390, 844)
	call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5})
	b.open(serve(t, motion))
	b.do(`app.actions.setLooping(true)`)
	tap := func(words string) {
		t.Helper()
		find := fmt.Sprintf(`[...document.querySelectorAll('#rehearse button, .rehearse-open, #transport button')].find(e => e.textContent.startsWith(%q) && !e.disabled && e.getBoundingClientRect().width > 0)`, words)
		b.until("there is "+words, find)
		b.do(find + `.scrollIntoView({block: 'center'})`)
		r := get[[4]float64](b, `(r => [r.left, r.top, r.width, r.height])(`+find+`.getBoundingClientRect())`)
		if r[2] < 44 || r[3] < 44 {
			t.Errorf("%s is %v px", words, r[2:])
		}
		if !get[bool](b, fmt.Sprintf(`(e => e === document.elementFromPoint(%v, %v)?.closest('button'))(%s)`, r[0]+r[2]/2, r[1]+r[3]/2, find)) {
			t.Errorf("something lies on %s", words)
		}
		b.tap(r[0]+r[2]/2, r[1]+r[3]/2)
	}
	tap("Rehearse")
	tap("Drive")
	for name, x := range piers {
		field := fmt.Sprintf(`document.querySelector('#rehearse input[name=%s]')`, name)
		b.do(field + `.scrollIntoView({block: 'center'})`)
		b.rig("nothing lies on the field", `(e => { const r = e.getBoundingClientRect(); return document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2) === e })(`+field+`) && `+drawnTwice)
		b.tapOn(fmt.Sprintf("#rehearse input[name=%s]", name))
		b.rig("the field has the focus", fmt.Sprintf(`document.activeElement.name === %q`, name))
		b.keys(x.url)
	}
	tap("Connect")
	tap("Yes: arm")
	b.phaseIs("Armed")
	tap("Play on the boards")
	b.phaseIs("Playing")
	b.shoot("rehearse-touch")
	from := time.Now()
	tap("Stop")
	allEnd(t, piers, from)
	b.phaseIs("Stopped")
	b.settles()
	from = time.Now().Add(-10 * time.Millisecond)
	tap("Drop the pulses")
	allEnd(t, piers, from, wire.StateSilent)
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
		look := func(what string) {
			for _, theme := range []string{"paper", "dark"} {
				b.do(fmt.Sprintf(`app.actions.setTheme(%q)`, theme))
				for _, f := range get[[]string](b, `(await axe.run('#rehearse', {resultTypes: ['violations']})).violations.map(v => v.id + ' ' + v.nodes.map(n => n.html.slice(0, 160)).join(' / '))`) {
					t.Errorf("%d px, %s, %s: %s", width, what, theme, f)
				}
				b.shoot(fmt.Sprintf("rehearse-%s-%d-%s", what, width, theme))
			}
		}
		b.do(`app.actions.setLooping(true)`)
		b.press("Rehearse")
		b.press("Drive")
		b.until("there are fields", `document.querySelector('#rehearse input')`)
		look("apart")
		for name, x := range piers {
			b.do(fmt.Sprintf(`document.querySelector('#rehearse input[name=%s]').value = %q`, name, x.url))
		}
		b.press("Connect")
		b.until("it asks", `document.querySelector('#rehearse .question').getBoundingClientRect().height > 0`)
		look("question")
		b.press("Yes: arm")
		b.phaseIs("Armed")
		b.press("Play on the boards")
		b.phaseIs("Playing")
		look("playing")
		b.keys(kb.Escape)
		b.phaseIs("Stopped")
	}
}

// TestPageRefusesPlace: a place that no board may be at is refused with what helps, said once
// though the page hears it twice, as the answer and in the state of the rehearsal.
func TestPageRefusesPlace(t *testing.T) {
	b := newTab(t, 1280, 900)
	b.open(serve(t, shoreFolder(t)))
	b.press("Rehearse")
	b.press("Drive")
	b.until("there is a field for each board", `document.querySelectorAll('#rehearse input[name=main], #rehearse input[name=shore]').length === 2`)
	b.do(`for (const name of ['main', 'shore']) document.querySelector('#rehearse input[name=' + name + ']').value = '/tmp/no-' + name`)
	b.press("Connect")
	b.until("it is refused", `document.querySelector('#rehearse .fault').textContent.includes('by --board NAME=/tmp/no-main')`)
	for _, width := range []int64{1280, 390} { // each size draws the part anew
		call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 900, DeviceScaleFactor: 1})
		if n := get[int](b, `document.querySelector('#rehearse').innerText.split('is no serial port').length - 1`); n != 1 {
			t.Errorf("at %d px it is said %d times", width, n)
		}
	}
}
