import assert from "node:assert/strict";
import { test } from "node:test";
import { hatchBox, hatching, merge } from "../page/sheet/hatch.js";
import { headNames, heads, reach, shapeOf, trace } from "../page/sheet/heads.js";
import { bandsOf, createTicks, rulersOf, rulerStep } from "../page/sheet/ruler.js";
import { specsOf } from "../page/sheet/geometry.js";
import { compact, createScene, figure } from "../page/sheet/scene.js";
import { createBig, random } from "./big.js";

const big = createBig({ axes: 4, seconds: 20, keys: 40, rate: 50, findings: 12 });

/** @param {number[]} box @param {import("../page/sheet/hatch.js").Hatch} h @param {number} origin */
function linesIn(box, h, origin) {
  /** @type {number[][]} */
  const lines = [];
  hatchBox(box[0], box[1], box[2], box[3], h, origin, (...l) => lines.push(l));
  return lines;
}

test("hatching lies in its box, at 45 degrees, on one grid, from border to border", () => {
  const next = random(8);
  for (const severity of /** @type {const} */ (["error", "warning"])) {
    const h = hatching[severity];
    assert.ok(h);
    for (let k = 0; k < 200; k++) {
      const x0 = 500 * next();
      const y0 = 300 * next();
      const box = [x0, y0, x0 + 1 + 80 * next(), y0 + 1 + 60 * next()];
      const origin = -1000 * next();
      const lines = linesIn(box, h, origin);
      const reachOf = box[2] - box[0] + box[3] - box[1];
      assert.ok(Math.abs(lines.length - reachOf / h.step) <= 1, `${lines.length} lines on ${reachOf} px`);
      for (const [a, b, c, d] of lines) {
        assert.ok(a >= box[0] - 1e-9 && c <= box[2] + 1e-9 && Math.min(b, d) >= box[1] - 1e-9 && Math.max(b, d) <= box[3] + 1e-9);
        assert.ok(Math.abs(c - a - (h.falling ? d - b : b - d)) < 1e-9 && c >= a);
        /** @type {number} */
        const steps = ((h.falling ? a - b : a + b) - origin) / h.step;
        assert.ok(Math.abs(steps - Math.round(steps)) < 1e-6);
        for (const [x, y] of [[a, b], [c, d]]) assert.ok([x - box[0], x - box[2], y - box[1], y - box[3]].some((v) => Math.abs(v) < 1e-9), "ends on the border");
      }
    }
  }
  assert.deepEqual(linesIn([5, 5, 5, 9], /** @type {any} */ (hatching.error), 0), []);
});

test("errors and warnings differ in density and direction", () => {
  assert.ok(hatching.error && hatching.warning);
  assert.ok(hatching.warning.step >= 2 * hatching.error.step);
  assert.notEqual(hatching.error.falling, hatching.warning.falling);
});

test("merged spans cover what the spans cover, and no two touch", () => {
  const next = random(12);
  for (let k = 0; k < 100; k++) {
    const pairs = Array.from({ length: 12 }, () => Math.floor(100 * next())).map((a) => [a, a + Math.floor(9 * next())]).sort((a, b) => a[0] - b[0]);
    const spans = Float64Array.from(pairs.flat());
    const n = merge(spans, pairs.length);
    for (let x = 0; x <= 110; x += 0.5) {
      const want = pairs.some(([a, b]) => x >= a && x <= b);
      let got = false;
      for (let i = 0; i < n; i++) got ||= x >= spans[2 * i] && x <= spans[2 * i + 1];
      assert.equal(got, want);
    }
    for (let i = 1; i < n; i++) assert.ok(spans[2 * i] > spans[2 * i - 1]);
  }
});

test("each family has a shape of its own that stays within its reach", () => {
  const seen = new Set();
  for (const head of heads) {
    assert.ok(headNames[head]);
    const shape = shapeOf(head, 3);
    seen.add(JSON.stringify(shape));
    assert.ok(shape.fill || shape.line > 0);
    let far = 0;
    const note = (/** @type {number} */ x, /** @type {number} */ y) => { far = Math.max(far, Math.abs(x), Math.abs(y)); };
    let closed = 0;
    trace({ moveTo: note, lineTo: note, closePath: () => closed++, ellipse: (x, y, rx, ry) => note(x + rx, y + ry) }, shape.path, 0, 0);
    assert.ok(far + shape.line / 2 <= reach * 3 && far >= 2.5, `${head} reaches ${far}`);
    if (shape.fill) assert.ok(closed === 1 || shape.path[0][0] === "O");
  }
  assert.equal(seen.size, heads.length);
});

test("a head is traced around its place", () => {
  /** @type {number[][]} */
  const at = [];
  const pen = { moveTo: (/** @type {number} */ x, /** @type {number} */ y) => void at.push([x, y]), lineTo: (/** @type {number} */ x, /** @type {number} */ y) => void at.push([x, y]), closePath() {}, ellipse() {} };
  trace(pen, shapeOf("straight", 5).path, 40, 70);
  assert.deepEqual(at, [[40, 64], [46, 70], [40, 76], [34, 70]]);
});

test("rulers: seconds always, frames with a rate, beats with a tempo", () => {
  assert.deepEqual(rulersOf(big.score).map((r) => r.name), ["seconds", "24 fps", "beats"]);
  assert.deepEqual(rulersOf({ ...big.score, fps: null, tempo: null }).map((r) => r.kind), ["seconds"]);
  assert.equal(rulersOf({ ...big.score, fps: { rate: 30000 / 1001, count: 30, drop: true } })[1].name, "29.97 fps");
});

test("ticks are made anew only when what shows has changed", () => {
  const ticks = createTicks();
  const rulers = rulersOf(big.score);
  const first = ticks(big.score, rulers, { from: 0, to: 10 }, 1000);
  assert.equal(first.length, 3);
  assert.equal(ticks(big.score, rulers, { from: 0, to: 10 }, 1000), first);
  assert.notEqual(ticks(big.score, rulers, { from: 0, to: 10.5 }, 1000), first);
  assert.deepEqual(ticks(big.score, rulers, { from: 3, to: 3 }, 1000), [[], [], []]);
  assert.deepEqual(ticks(big.score, rulers, { from: 0, to: 1 }, 0), [[], [], []]);
});

test("while the sheet moves, ticks are kept that hold beside the view; at rest those of the view", () => {
  const ticks = createTicks();
  const rulers = rulersOf(big.score);
  const exact = createTicks();
  ticks(big.score, rulers, { from: 4, to: 6 }, 1000);
  const wide = ticks(big.score, rulers, { from: 4.1, to: 6.1 }, 1000, true);
  for (let from = 2.2; from < 6; from += 0.13) {
    const view = { from, to: from + 2 };
    assert.equal(ticks(big.score, rulers, view, 1000, true), wide, `at ${from}`);
    exact(big.score, rulers, view, 1000).forEach((list, k) => {
      const same = wide[k].filter((t) => t.at >= from - 1e-6 && t.at <= view.to + 1e-6);
      assert.deepEqual(same.map((t) => t.text), list.map((t) => t.text));
      list.forEach((t, n) => assert.ok(Math.abs(same[n].at - t.at) < 1e-9));
    });
  }
  assert.notEqual(ticks(big.score, rulers, { from: 6.2, to: 8.2 }, 1000, true), wide, "beyond what was made");
  const rest = ticks(big.score, rulers, { from: 6.2, to: 8.2 }, 1000);
  assert.deepEqual(rest, exact(big.score, rulers, { from: 6.2, to: 8.2 }, 1000));
});

test("the bands of head and foot do not overlap", () => {
  for (const coarse of [false, true]) {
    for (const low of [false, true]) {
      for (const loose of [false, true]) {
        const s = { ...big.score, findings: loose ? [{ ...big.score.findings[0], row: -1 }] : [] };
        const b = bandsOf(s, 3, coarse, low);
        const ends = b.rulers + 3 * rulerStep(coarse);
        assert.ok(b.loop >= b.marks * 16 && b.rulers > b.loop);
        assert.equal(b.loose, loose ? ends : -1);
        assert.ok(b.head >= ends + (loose ? 20 : 0));
        assert.ok(b.foot >= b.cues * 16 && b.cues > 0);
      }
    }
  }
  const bare = bandsOf({ ...big.score, marks: [], quiet: [], cues: [], findings: [] }, 1, false, false);
  assert.equal(bare.marks + bare.foot, 0);
});

test("figures as the sheet on paper writes them", () => {
  assert.equal(figure(-70, "deg"), "\u221270°");
  assert.equal(figure(100, "%"), "100\u00a0%");
  assert.equal(figure(1, "on"), "on");
  assert.equal(figure(0, "on"), "off");
  assert.equal(compact(-0.001), "0");
  assert.equal(compact(12.345), "12.35");
  assert.equal(compact(123456), "123460");
});

test("a scene has a band for each row, which holds its curves and findings", () => {
  const scene = createScene(big.score, big.curves);
  let findings = scene.loose.length;
  for (const { id } of specsOf(big.score)) {
    const band = scene.bands.get(id);
    assert.ok(band && band === scene.bands.get(id), "made once");
    findings += band.findings.length;
    assert.equal(band.spec.id, id);
    assert.ok(band.high > band.low);
    const levels = band.findings.map((f) => ["note", "warning", "error"].indexOf(f.severity));
    assert.deepEqual(levels, [...levels].sort((a, b) => a - b), "graver ones are drawn later");
    const row = big.score.rows[band.spec.index];
    if (band.spec.kind !== "axis") continue;
    for (const k of [row.commanded, row.predicted]) for (const v of big.curves.data[k]) assert.ok(v >= band.low - 1e-3 && v <= band.high + 1e-3);
  }
  assert.equal(findings, big.score.findings.length);
  assert.equal(scene.bands.get("axis:gone"), undefined);
  const rail = scene.bands.get("supply:rail");
  assert.ok(rail && rail.high > 5 && rail.voltLow < 4.8 && rail.voltHigh > 6 && rail.figures[1] === "limit 5\u00a0A");
  assert.equal(scene.pyramid(0), scene.pyramid(0));
  assert.equal(scene.pyramid(-1), null);
});

test("cues at one time are one label; quiet windows stand among the marks by time", () => {
  const s = { ...big.score, cues: [{ at: 2, say: "boat in", set: [{ axis: "axis-1", value: 5 }], line: 1 }, { at: 2, say: "", set: [{ axis: "axis-2", value: -5 }], line: 2 }, { at: 3, say: "x".repeat(60), set: [], line: 3 }] };
  const scene = createScene(s, big.curves);
  assert.deepEqual(scene.cues.map((q) => q.text), ["axis-1 5°, \u201cboat in\u201d, axis-2 \u22125°", `\u201c${"x".repeat(39)}\u2026\u201d`]);
  assert.deepEqual(scene.marks.map((m) => m.at), scene.marks.map((m) => m.at).sort((a, b) => a - b));
  assert.ok(scene.marks.some((m) => m.text === "quiet, at most 40 deg/s"));
});
