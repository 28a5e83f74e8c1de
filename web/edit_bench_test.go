package web_test

import (
	"path/filepath"
	"testing"
)

// BenchmarkEditDrag drags a key of greet with 20 moves a second for 4 s, and says how long
// the page takes from a move to the picture of its check, and where: the changes' answer,
// the curves, the state with all that hears of it, and the drawing.
func BenchmarkEditDrag(b *testing.B) {
	x := newTab(b, 1440, 900)
	x.open(serve(b, filepath.Join(copied(b), "greet.motion.yaml")))
	x.do(`document.querySelector('.edit-on').click()`)
	bench{x, ""}.shows("axis:arm", 5, 12)
	for b.Loop() {
		got := get[struct{ All, Post, Curves, Set, Draw, Shown []float64 }](x, dragged)
		for name, list := range map[string][]float64{"all": got.All, "answer": got.Post, "curves": got.Curves, "state": got.Set, "draw": got.Draw} {
			b.ReportMetric(share(list, 0.5), name+"-ms")
			b.ReportMetric(share(list, 0.95), name+"-p95-ms")
		}
		b.ReportMetric(float64(len(got.Shown))/4, "shown/s")
	}
}

const dragged = `(async () => {
	const { curveAt } = await import('/page/curves.js'), { xIn, yIn } = await import('/page/edit/overlay.js');
	const j = app.sheet.ground.job(), canvas = document.querySelector('.sheet-paper'), box = canvas.getBoundingClientRect();
	const row = s.score.rows.find(r => r.name === 'arm'), key = row.keys[1];
	const at = [box.left + xIn(j, key.at), box.top + yIn(j, 'axis:arm', curveAt(s.curves, row.commanded, key.at))];
	const out = {All: [], Post: [], Curves: [], Set: [], Draw: [], Shown: []};
	const real = window.fetch, set = app.store.set;
	let sent = 0;
	window.fetch = async (path, init) => {
		const from = performance.now();
		if (String(path).endsWith('/changes')) sent = from;
		const answer = await real(path, init), body = await answer.arrayBuffer(), took = performance.now() - from;
		if (String(path).endsWith('/changes')) out.Post.push(took); else if (String(path).endsWith('/curves')) out.Curves.push(took);
		return new Response(body, {status: answer.status, headers: answer.headers});
	};
	app.store.set = patch => {
		const from = performance.now();
		set(patch);
		if (!patch.score) return;
		out.Set.push(performance.now() - from);
		const since = sent;
		requestAnimationFrame(() => { const drawing = performance.now(); setTimeout(() => { out.Draw.push(performance.now() - drawing); out.All.push(performance.now() - since); out.Shown.push(0); }) });
	};
	const point = (type, dx, dy) => canvas.dispatchEvent(new PointerEvent(type, {pointerId: 1, pointerType: 'mouse', button: 0, buttons: 1, bubbles: true, clientX: at[0] + dx, clientY: at[1] + dy}));
	canvas.setPointerCapture = () => {};
	point('pointerdown', 0, 0);
	for (let k = 0; k < 80; k++) {
		await new Promise(done => setTimeout(done, 50));
		point('pointermove', 10 + 30 * Math.sin(k / 6), 10 + 8 * Math.sin(k / 4));
	}
	point('pointerup', 0, 0);
	await new Promise(done => setTimeout(done, 500));
	window.fetch = real;
	app.store.set = set;
	return out;
})()`

// BenchmarkEditMany goes along 20,000 keys of one row with the arrow key, and selects them all.
func BenchmarkEditMany(b *testing.B) {
	x := newTab(b, 1440, 900)
	x.open(serve(b, bigMotion(b)))
	x.do(`document.querySelector('.edit-on').click()`)
	x.until("it is drawn", drawnTwice)
	for b.Loop() {
		got := get[struct {
			Steps    []float64
			All      float64
			Items    int
			Selected int
		}](x, `(async () => {
			const out = {Steps: [], All: 0, Items: 0, Selected: 0}, frame = () => new Promise(done => requestAnimationFrame(() => setTimeout(done)));
			document.querySelector('.edit-keys [tabindex="0"]').focus();
			for (let k = 0; k < 30; k++) {
				await frame();
				const from = performance.now();
				document.activeElement.dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowRight', bubbles: true, cancelable: true}));
				await frame();
				out.Steps.push(performance.now() - from);
			}
			const from = performance.now(), { allOf } = await import('/page/edit/select.js');
			app.store.set({edit: {...app.store.get().edit, keys: s.score.rows.flatMap(r => allOf(s.score, r.kind + ':' + r.name))}});
			await frame();
			out.All = performance.now() - from;
			out.Items = document.querySelectorAll('.edit-keys li').length;
			out.Selected = app.store.get().edit.keys.length;
			return out })()`)
		if got.Items > 81 || got.Selected != 20000 {
			b.Fatalf("the list holds %d keys, and %d are selected", got.Items, got.Selected)
		}
		b.ReportMetric(share(got.Steps, 0.5), "arrow-ms")
		b.ReportMetric(share(got.Steps, 0.95), "arrow-p95-ms")
		b.ReportMetric(got.All, "all-ms")
	}
}
