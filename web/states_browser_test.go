package web_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// takenKeys tries every key with nothing, Shift, Alt, Ctrl, and Ctrl with Shift on an element,
// and gives those that the page takes for itself: it keeps the browser from using them, or
// other parts of the page from hearing of them. A key with which Shift changes nothing is
// given once. Nothing comes between the presses: what is asked of the server waits.
const takenKeys = `(() => {
	const on = %s, before = () => { %s }, taken = [];
	let dirty = true;
	const named = ['ArrowLeft', 'ArrowRight', 'ArrowUp', 'ArrowDown', 'Home', 'End', 'PageUp', 'PageDown', 'Enter', 'Escape', 'Tab', 'Insert', 'Delete', 'Backspace', 'F1', 'F2', 'F6', 'F10', 'ContextMenu'];
	const keys = [...named, ...Array.from({length: 95}, (_, k) => String.fromCharCode(32 + k)).filter(c => c === c.toLowerCase())];
	const reset = () => {
		app.actions.stop();
		app.actions.seek(10);
		app.actions.setRate(0.75);
		app.actions.show({from: 8, to: 14});
		app.actions.setStage({yaw: 20, pitch: 20, distance: 900, target: [0, 0, 300]});
		app.actions.setLoop({from: 2, to: 4});
		app.actions.selectFinding(null);
		app.actions.setTheme('paper');
		app.store.set({edit: {...app.store.get().edit, on: false}});
		before();
		on.focus({preventScroll: true});
		dirty = false;
	};
	const press = (key, how) => {
		if (dirty) reset();
		let came = false;
		const last = () => { came = true; };
		addEventListener('keydown', last, {once: true});
		const event = new KeyboardEvent('keydown', {key, ...how, bubbles: true, cancelable: true});
		on.dispatchEvent(event);
		removeEventListener('keydown', last);
		const help = document.querySelector('#help'), {time, rate, view, stage, loop, looping, playing, finding, row, rows, theme, muted, countIn, edit} = app.store.get();
		const did = JSON.stringify([time, rate, view, stage, loop, looping, playing, finding, row, rows.order, theme, muted, countIn, edit.on, edit.keys, help.open, on.contains(document.activeElement)]);
		if (!event.defaultPrevented && came) return '';
		dirty = true;
		help.close();
		if (muted) app.actions.setMuted(false);
		if (countIn) app.actions.setCountIn(false);
		return did;
	};
	for (const key of keys) {
		const plain = press(key, {}), shift = press(key, {shiftKey: true}), alt = press(key, {altKey: true});
		if (plain) taken.push(key);
		if (shift && shift !== plain) taken.push('Shift ' + key);
		if (alt) taken.push('Alt ' + key);
		const ctrl = press(key, {ctrlKey: true}), both = press(key, {ctrlKey: true, shiftKey: true});
		if (ctrl) taken.push('Ctrl ' + key);
		if (both) taken.push('Ctrl Shift ' + key);
	}
	return taken })()`

// keyNames are how the help writes keys; others that do the same as one that stands there
// are the same key on another keyboard.
var keyNames = map[string]string{
	"ArrowLeft": "←", "ArrowRight": "→", "ArrowUp": "↑", "ArrowDown": "↓", "PageUp": "Page up", "PageDown": "Page down",
	"Escape": "Esc", " ": "Space", "-": "−", "=": "+", "_": "−", "Backspace": "Delete",
}

func keyName(key string) (modifier, name string) {
	for _, m := range []string{"Shift ", "Alt ", "Ctrl Shift ", "Ctrl "} {
		if strings.HasPrefix(key, m) && key != m {
			modifier, key = m, key[len(m):]
			break
		}
	}
	if name, ok := keyNames[key]; ok {
		return modifier, name
	}
	return modifier, strings.ToUpper(key[:1]) + key[1:]
}

// TestPageHelpHasAllKeys presses every key on every part of the page that has keys of its
// own: what the page takes stands in the help, and what stands there it takes.
func TestPageHelpHasAllKeys(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, filepath.Join(copied(t), "storm.motion.yaml")))
	b.until("the heads are there", `document.querySelectorAll('#sheet .sheet-head').length > 2`)
	// The strip and the pulse, and the list of keys, are there when they are wanted.
	b.do(`[...document.querySelectorAll('button')].filter(e => ['Perform', 'Calibrate'].includes(e.textContent)).forEach(e => e.click())`)
	b.until("the tools are there", `document.querySelector('.perform-strip') && document.querySelector('#calibrate-slider')`)
	b.do(`app.actions.selectRow('axis:head-pan'); app.store.set({edit: {...s.edit, on: true}})`)
	b.until("the list of keys is there", `document.querySelectorAll('.edit-keys li').length > 3`)
	b.do(`app.store.set({edit: {...s.edit, on: false}})`)
	type section struct {
		ID   string
		Keys []string
	}
	help := map[string][]string{}
	for _, s := range get[[]section](b, `[...document.querySelectorAll('#help [data-keys]')].map(e => ({ID: e.dataset.keys, Keys: [...e.querySelectorAll('kbd')].map(k => k.textContent)}))`) {
		for _, k := range s.Keys {
			if k == "1 … 9, 0" {
				help[s.ID] = append(help[s.ID], strings.Split("0123456789", "")...)
				continue
			}
			help[s.ID] = append(help[s.ID], k)
		}
	}
	everywhere := help["page"]
	if len(everywhere) < 30 || len(help) < 5 {
		t.Fatalf("the help has %d sections, and %d keys of the page", len(help), len(everywhere))
	}
	// What the server would say of boards that are armed, in the page that drives.
	b.allow = append(b.allow, "/api/motions/storm/") // what the keys of editing ask for in vain, as there is nothing to do again
	const armed = `app.rehearse.take({...app.rehearse.desk.state(), type: 'rehearsal', phase: 'connected'}); app.rehearse.take({...app.rehearse.desk.state(), type: 'rehearsal', phase: 'armed', driver: app.rehearse.desk.page(), motion: 'storm'})`
	const editing = `app.store.set({edit: {...app.store.get().edit, on: true, keys: [], cursor: {row: 'axis:head-pan', k: 2}}})`
	tried := map[string]bool{"open": true} // the last: what closes by Esc, and what Tab does in every browser
	for _, c := range []struct{ id, on, before string }{
		{"page", `document.body`, ``},
		{"stage", `document.querySelector('#stage .stage-room')`, ``},
		{"ruler", `document.querySelector('#sheet .sheet-ruler')`, ``},
		{"rows", `document.querySelectorAll('#sheet .sheet-head .sheet-name')[1]`, ``},
		{"strip", `document.querySelector('.perform-strip')`, ``},
		{"slider", `document.querySelector('#calibrate-slider')`, ``},
		{"edit", `document.body`, editing},
		{"edit-keys", `document.querySelector('.edit-keys li')`, editing},
		{"rehearse", `document.body`, armed},
	} {
		id, taken := c.id, map[string]bool{}
		tried[id] = true
		said := slices.Concat(help[id], everywhere)
		if id == "edit-keys" {
			said = slices.Concat(said, help["edit"])
		}
		for _, key := range get[[]string](b, fmt.Sprintf(takenKeys, c.on, c.before)) {
			modifier, name := keyName(key)
			if name == "Esc" && id == "rehearse" {
				modifier = "" // whatever else a hand lies on
			}
			taken[modifier+name] = true
			if !slices.Contains(said, modifier+name) {
				t.Errorf("on %s: the page takes %s%s, and the help does not say so", id, modifier, name)
			}
		}
		for _, k := range help[id] {
			// Buttons are pressed by the browser itself.
			if !taken[k] && !(id == "rows" && (k == "Enter" || k == "Space")) {
				t.Errorf("on %s: the help has the key %s, and the page does not take it", id, k)
			}
		}
	}
	for id := range help {
		if !tried[id] {
			t.Errorf("nothing tries the keys that the help has of %q", id)
		}
	}
	// Esc and Space are keys of the page, too: of armed boards they ask this.
	b.until("what was asked of boards is answered", `s.boards !== 'running'`)
	if got := get[string](b, `(() => {
		const asked = [], send = WebSocket.prototype.send;
		WebSocket.prototype.send = data => { asked.push(JSON.parse(data).do); };
		for (const key of [' ', 'Escape']) {
			`+armed+`;
			document.body.dispatchEvent(new KeyboardEvent('keydown', {key, bubbles: true, cancelable: true}));
		}
		WebSocket.prototype.send = send;
		return asked.filter(word => word).join() })()`); got != "play,stop" {
		t.Errorf("Space and Esc ask %q of armed boards", got)
	}
	b.do(`document.activeElement.blur()`)
	b.keys("?")
	b.until("the help is open", `document.querySelector('#help').open`)
	b.shoot("keys")
}

// TestPageWithLittle opens what has next to nothing in it: the page says what is missing,
// and whatever cannot be used cannot be pressed.
func TestPageWithLittle(t *testing.T) {
	emptyRig := strings.NewReplacer("rig: Small", "rig: Bare", "axes:\n", "axes: {}\n").Replace(smallRig[:strings.Index(smallRig, "  pan:")])
	motion := "motion: %s\nformat: 1\nrig: %s\nfps: 24\nlength: 4s\ntracks: {}\n"
	dir := written(t, map[string]string{
		"small.rig.yaml":       smallRig,
		"bare.rig.yaml":        emptyRig,
		"axisless.motion.yaml": fmt.Sprintf(motion, "No axes", "bare.rig.yaml"),
		"keyless.motion.yaml":  fmt.Sprintf(motion, "No keys", "small.rig.yaml"),
		"broken.motion.yaml":   "motion: Broken\nformat: 1\nrig: small.rig.yaml\nlength: 4s\ntracks:\n  nap: [[0s, 0deg]]\n",
	})
	b := newTab(t, 1440, 900)
	state := func(selector string) map[string]bool { // what is there to be pressed, and whether it can be
		return get[map[string]bool](b, fmt.Sprintf(`Object.fromEntries([...document.querySelectorAll(%q)].filter(e => e.getBoundingClientRect().width > 0).map(e => [e.id || e.textContent.slice(0, 20), !e.disabled]))`, selector))
	}
	for _, c := range []struct {
		file   string
		ready  string
		plays  bool
		says   []string
		silent []string // what must not be there
	}{
		{"broken", `s.problems.length > 0`, false, []string{"Nothing to play: broken.motion.yaml does not load", "There is no good version yet", "nap", "No motion to show."}, nil},
		{"axisless", `s.score && s.curves`, true, []string{"The rig has no axes, so nothing moves.", "No sound", "The check found nothing."}, []string{"Nothing to play", "NaN", "Infinity", "undefined"}},
		{"keyless", `s.score && s.curves`, true, []string{"No sound", "passes"}, []string{"Nothing to play", "The rig has no axes", "NaN", "Infinity", "undefined"}},
	} {
		t.Run(c.file, func(t *testing.T) {
			b.t = t
			run(b, chromedp.Navigate(serve(t, filepath.Join(dir, c.file+".motion.yaml"))))
			b.until("the page is ready", `app && s.connected && (`+c.ready+`)`)
			b.until("it is drawn", drawnTwice)
			text := get[string](b, `document.body.innerText`)
			for _, want := range c.says {
				if !strings.Contains(strings.ToLower(text), strings.ToLower(want)) {
					t.Errorf("the page does not say %q", want)
				}
			}
			for _, not := range c.silent {
				if strings.Contains(text, not) {
					t.Errorf("the page says %q", not)
				}
			}
			pressed := state("#transport button, #transport select, #transport input")
			if len(pressed) < 15 {
				t.Fatalf("the transport has %v", pressed)
			}
			for name, can := range pressed {
				without := slices.Contains([]string{"Mark −", "Mark +", "No span", "No sound"}, name)
				// Boards can be reached, and stopped, whatever the files are like.
				if can != (c.plays && !without || name == "Rehearse") {
					t.Errorf("%q can be pressed: %v", name, can)
				}
			}
			// Keys do no more than buttons.
			before := get[string](b, `JSON.stringify([s.looping, s.countIn, s.rate, s.muted, s.view])`)
			b.do(`document.activeElement.blur()`)
			b.keys("l", "c", "5", "m", "+")
			if now := get[string](b, `JSON.stringify([s.looping, s.countIn, s.rate, s.muted, s.view])`); (now != before) != c.plays {
				t.Errorf("keys changed %s to %s", before, now)
			}
			b.shoot("with-" + c.file)
			if !c.plays {
				b.keys(" ")
				b.until("a screen reader is told", `document.querySelector('#said').textContent.includes('does not load')`)
				if get[bool](b, `s.playing`) {
					t.Error("it plays")
				}
				if by := get[string](b, `document.getElementById(document.querySelector('#transport .first').getAttribute('aria-describedby')).textContent`); !strings.Contains(by, "does not load") {
					t.Errorf("the buttons are described by %q", by)
				}
				return
			}
			if why := get[string](b, `[...document.querySelectorAll('#transport button')].find(e => e.textContent === 'No sound').title`); why != "The motion names no sound file" {
				t.Errorf("of the sound it says %q", why)
			}
			b.keys("0", "l", "c", " ")
			b.until("it plays", `s.playing && s.time > 0.2`)
			b.keys(" ")
			b.until("it has stopped", `!s.playing`)
		})
	}
	b.t = t
}
