package web_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
)

// Clicks of the test's sound: one every so many seconds, each 6 ms of one level, in turns
// of eight levels, so that each is known by its own.
const (
	clickEvery  = 0.25  // s
	clickLength = 0.006 // s
	clickLevels = 8
)

func clickLevel(k int) float64 { return 0.2 + 0.1*float64(k%clickLevels) }

// clickSound writes a WAV file of clicks (RIFF, 16 bit, 48 kHz, one channel).
func clickSound(t testing.TB, file string, seconds float64) {
	t.Helper()
	const rate = 48000
	samples := make([]int16, int(seconds*rate))
	for i := range samples {
		at := float64(i) / rate
		if k := math.Floor(at/clickEvery + 1e-9); at-k*clickEvery < clickLength {
			samples[i] = int16(32767 * clickLevel(int(k)))
		}
	}
	size := uint32(2 * len(samples))
	head := []byte("RIFF")
	head = binary.LittleEndian.AppendUint32(head, 36+size)
	head = append(head, "WAVEfmt "...)
	for _, v := range []uint32{16, 1 | 1<<16, rate, 2 * rate, 2 | 16<<16} {
		head = binary.LittleEndian.AppendUint32(head, v)
	}
	head = append(head, "data"...)
	head = binary.LittleEndian.AppendUint32(head, size)
	body, err := binary.Append(head, binary.LittleEndian, samples)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, body, 0o644); err != nil {
		t.Fatal(err)
	}
}

// smallRig is a rig of one servo, for motions that tests write.
const smallRig = `rig: Small
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 4, baud: 1000000}
axes:
  pan: {kind: servo, board: main, channel: 0, travel: [-60deg, 60deg], pulse: [[-60deg, 900us], [60deg, 2100us]]}
`

// written writes files of a motion into a folder of its own, and gives the folder.
func written(t testing.TB, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// listenAtTheOutput puts an ear at the way out of each audio context, before the page's own
// code runs: a worklet that is handed the very samples which go to the sound card, and
// notes at which time of the context each click is among them, and its level.
const listenAtTheOutput = `(() => {
	const ear = URL.createObjectURL(new Blob([` + "`" + `
		registerProcessor('ear', class extends AudioWorkletProcessor {
			constructor() { super(); this.began = 0; this.values = []; }
			process([input]) {
				const x = input[0] ?? new Float32Array(128);
				for (let i = 0; i < x.length; i++) {
					if (x[i] > 0.05) {
						if (this.values.length === 0) this.began = currentTime + i / sampleRate;
						this.values.push(x[i]);
					} else if (this.values.length > 0) {
						this.port.postMessage([this.began, this.values[this.values.length >> 1]]);
						this.values = [];
					}
				}
				return true;
			}
		})` + "`" + `], {type: 'text/javascript'}));
	globalThis.heard = [];
	const connect = AudioNode.prototype.connect;
	AudioNode.prototype.connect = function (to, ...rest) {
		if (to instanceof AudioDestinationNode && to.context instanceof AudioContext) {
			globalThis.output = to.context;
			to.context.audioWorklet.addModule(ear).then(() => {
				const node = new AudioWorkletNode(to.context, 'ear');
				node.port.onmessage = e => globalThis.heard.push(e.data);
				connect.call(this, node);
				connect.call(node, to);
				globalThis.listening = true;
			});
		}
		return connect.call(this, to, ...rest);
	};
})()`

// readPlayhead makes a function that reads off the canvas where the playhead's ink is, in
// CSS pixels from the left of the window.
const readPlayhead = `globalThis.playhead = (() => {
	const scratch = new OffscreenCanvas(64, 1).getContext('2d', {willReadFrequently: true});
	return () => {
		const hand = document.querySelector('#sheet .sheet-hand'), box = hand.getBoundingClientRect();
		if (getComputedStyle(hand).visibility === 'hidden' || hand.width === 0) return NaN;
		scratch.clearRect(0, 0, 64, 1);
		scratch.drawImage(hand, 0, Math.round(hand.height / 2), hand.width, 1, 0, 0, hand.width, 1);
		const ink = scratch.getImageData(0, 0, hand.width, 1).data;
		let sum = 0, n = 0;
		for (let x = 0; x < hand.width; x++) if (ink[4 * x + 3] > 128) { sum += x + 0.5; n++; }
		return box.left + sum / n * box.width / hand.width;
	};
})()`

// watchAndListen notes for some ms, when a frame is drawn and where the playhead is in it, and by
// the browser's own account which time of the audio context is at the loudspeaker (Web
// Audio API, getOutputTimestamp). All times are ms of the page but those of the context.
const watchAndListen = `new Promise(done => {
	const seen = [], stamps = [], began = performance.now();
	const from = globalThis.output?.currentTime ?? 0; // what sounded before may be told late
	const channel = new MessageChannel();
	channel.port1.onmessage = e => { const x = globalThis.playhead(); if (x > 0) seen.push([e.data, x]); };
	const frame = () => {
		const s = globalThis.output?.getOutputTimestamp();
		if (s?.performanceTime > 0) stamps.push([s.performanceTime, s.contextTime]);
		channel.port2.postMessage(performance.now()); // read when all have drawn
		performance.now() - began < %d ? requestAnimationFrame(frame) : setTimeout(() => done({Seen: seen, Stamps: stamps, Clicks: globalThis.heard.filter(([at]) => at > from)}), 100);
	};
	requestAnimationFrame(frame);
})`

type watched struct{ Seen, Stamps, Clicks [][2]float64 }

// soundOver gives the line that the place of the sound makes over the time of the audio
// context, by the clicks that went out: place = at + rate x time, and by how much one was
// off it at most, in s.
func soundOver(t *testing.T, clicks [][2]float64, from float64) (at, rate, off float64) {
	t.Helper()
	number := func(level float64) int { return int(math.Round((level - clickLevel(0)) / 0.1)) }
	k := int(math.Ceil(from/clickEvery - 1e-9))
	for k%clickLevels != number(clicks[0][1]) {
		k++
	}
	places := make([]float64, len(clicks))
	for i, c := range clicks {
		if number(c[1]) != (k+i)%clickLevels {
			t.Fatalf("click %d has the level %.3f, and that of click %d is %.1f: the sound has a gap", i, c[1], k+i, clickLevel(k+i))
		}
		places[i] = float64(k+i) * clickEvery
	}
	n := len(clicks) - 1
	rate = (places[n] - places[0]) / (clicks[n][0] - clicks[0][0])
	at = places[0] - rate*clicks[0][0]
	for i, c := range clicks {
		off = max(off, math.Abs(at+rate*c[0]-places[i]))
	}
	return at, rate, off
}

func median(list []float64) float64 { return share(list, 0.5) }

// TestPagePlaysInTime holds the picture against the sound, at full speed and slowed down:
// the ink of the playhead is read off its canvas, and the samples on their way to the sound
// card are listened to for clicks whose places are known. Nothing of it is the page's own
// account. Half of the frames are within half a film frame of the sound, and 95 % within
// one; three of four on a machine that is too busy to draw 40 frames/s.
func TestPagePlaysInTime(t *testing.T) {
	dir := written(t, map[string]string{
		"small.rig.yaml":     smallRig,
		"clicks.motion.yaml": "motion: Clicks\nformat: 1\nrig: small.rig.yaml\nfps: 24\nlength: 8s\naudio: clicks.wav\ntracks:\n  pan: [[0s, 0deg], [8s, 20deg]]\n",
	})
	clickSound(t, filepath.Join(dir, "clicks.wav"), 8)
	b := newTab(t, 1440, 900)
	call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true}) // for the ear
	call(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: listenAtTheOutput})
	b.open(serve(t, filepath.Join(dir, "clicks.motion.yaml")))
	b.until("the sound is decoded", `s.sound === 'ready'`)
	b.do(readPlayhead)
	b.do(`app.actions.show({from: 1.5, to: 5.5})`)
	xOf := func(time float64) float64 {
		b.do(fmt.Sprintf(`app.actions.seek(%v)`, time))
		b.until("the playhead is drawn", fmt.Sprintf(`s.time === %v && `, time)+drawnTwice)
		return get[float64](b, `globalThis.playhead()`)
	}
	x2, x4 := xOf(2), xOf(4)
	if !(x4-x2 > 300) {
		t.Fatalf("the playhead is at %v and %v px at 2 and 4 s", x2, x4)
	}
	b.do(`app.actions.seek(2); app.actions.play()`) // wakes the sound, and the ear
	b.until("the ear listens", `globalThis.listening && globalThis.heard.length > 0`)
	for _, rate := range []float64{1, 0.5} {
		b.do(`app.actions.stop()`)
		time.Sleep(100 * time.Millisecond) // what is on its way out still sounds
		b.do(fmt.Sprintf(`app.actions.seek(2); app.actions.setRate(%v); app.actions.play()`, rate))
		w := get[watched](b, fmt.Sprintf(watchAndListen, 2400))
		if len(w.Clicks) < 4 || len(w.Seen) < 20 || len(w.Stamps) < 20 {
			t.Fatalf("at %v %%: %d clicks, %d frames and %d time stamps in 2.4 s", 100*rate, len(w.Clicks), len(w.Seen), len(w.Stamps))
		}
		at, measured, off := soundOver(t, w.Clicks, 2)
		if math.Abs(measured/rate-1) > 0.002 || off > 0.002 {
			t.Errorf("at %v %%: the sound goes at %.2f %%, and clicks are up to %.1f ms off", 100*rate, 100*measured, 1000*off)
		}
		var ahead []float64 // s of the page's clock before the context's, at the loudspeaker
		for _, s := range w.Stamps {
			ahead = append(ahead, s[0]/1000-s[1])
		}
		clock := median(ahead)
		var late, size []float64
		for _, s := range w.Seen[len(w.Seen)/10:] { // the first may still wait for the sound
			heard := at + measured*(s[0]/1000-clock)
			drawn := 2 + 2*(s[1]-x2)/(x4-x2)
			late = append(late, heard-drawn)
			size = append(size, math.Abs(heard-drawn))
		}
		t.Logf("at %v %%: %d clicks, %d frames; the picture is %.1f ms behind the sound (median), 95 %% within %.1f ms, all within %.1f ms",
			100*rate, len(w.Clicks), len(w.Seen), 1000*median(late), 1000*share(size, 0.95), 1000*slices.Max(size))
		const film = 1.0 / 24
		within := 0.95
		if float64(len(w.Seen))/2.4 < 40 { // the browser gets too little of the processor
			within = 0.75
		}
		if share(size, within) > film {
			t.Errorf("at %v %%: picture and sound are %.1f ms apart, more than a film frame", 100*rate, 1000*share(size, within))
		}
		if math.Abs(median(late)) > film/2 {
			t.Errorf("at %v %%: the picture is %.1f ms behind the sound, more than half a film frame", 100*rate, 1000*median(late))
		}
		if way := (w.Seen[len(w.Seen)-1][1] - w.Seen[0][1]) * 2 / (x4 - x2); way < 1.5*rate {
			t.Errorf("at %v %%: the picture moved on by %.2f s only", 100*rate, way)
		}
	}
	b.do(`app.actions.stop()`)
}
