import assert from "node:assert/strict";
import { test } from "node:test";
import { findingsAt, firstFrom, inOrder, intoLanes, keyNear, layOut, metricsOf, moved, pushable, pushed, rowAt, scrolledTo, sideBySide, spanAcross, specsOf, thinned, timeAt, xOf } from "../page/sheet/geometry.js";
import { createBig, random } from "./big.js";

const { score } = createBig({ axes: 6, seconds: 30, keys: 240, rate: 20, findings: 30 });
const specs = specsOf({ ...score, sound: { file: "fog.wav", length: 3, delay: 0 } });
const none = () => ({ order: /** @type {string[]} */ ([]), folded: new Set(), hidden: new Set() });

test("rows: sound, axes, controls, supplies", () => {
  assert.deepEqual(specs.map((s) => s.id), ["sound", ...[1, 2, 3, 4, 5, 6].map((n) => `axis:axis-${n}`), "supply:rail"]);
  assert.equal(new Set(specs.map((s) => s.id)).size, specs.length);
});

test("the order that was chosen comes first, unknown names count for nothing", () => {
  const ids = inOrder(specs, ["supply:rail", "axis:gone", "axis:axis-3"]).map((s) => s.id);
  assert.deepEqual(ids.slice(0, 4), ["supply:rail", "axis:axis-3", "sound", "axis:axis-1"]);
  assert.equal(ids.length, specs.length);
});

test("a row moves past its neighbour that shows, and back", () => {
  const rows = { ...none(), hidden: new Set(["axis:axis-2"]) };
  const order = moved(specs, rows, "axis:axis-3", -1);
  assert.deepEqual(order?.slice(0, 4), ["sound", "axis:axis-3", "axis:axis-1", "axis:axis-2"]);
  const back = moved(specs, { ...rows, order: order ?? [] }, "axis:axis-3", 1);
  const shown = (/** @type {string[]} */ ids) => ids.filter((id) => !rows.hidden.has(id));
  assert.deepEqual(shown(back ?? []), shown(specs.map((s) => s.id)));
  assert.equal(moved(specs, rows, "sound", -1), null);
  assert.equal(moved(specs, rows, "supply:rail", 1), null);
  assert.equal(moved(specs, rows, "axis:gone", 1), null);
  assert.ok(moved(specs, { ...rows, order: ["axis:other"] }, "axis:axis-3", 1)?.includes("axis:other"), "rows of another motion keep their order");
});

test("rows fill the height without gap or overlap, staves lie inside", () => {
  for (const width of [390, 820, 1440]) {
    for (const coarse of [false, true]) {
      for (const room of [0, 300, 2000]) {
        const m = metricsOf(width, coarse);
        const rows = { ...none(), folded: new Set(["axis:axis-2", "supply:rail"]), hidden: new Set(["axis:axis-4"]) };
        const { places, height } = layOut(specs, rows, m, room);
        assert.equal(places.length, specs.length - 1);
        let top = 0;
        for (const p of places) {
          assert.equal(p.top, top);
          top += p.height;
          assert.ok(p.y0 >= p.top + (p.folded ? 0 : m.head) && p.y1 > p.y0 && Math.max(p.y1, p.v1) <= top, JSON.stringify(p));
        }
        assert.equal(height, top);
        if (room === 2000) assert.ok(height <= room && height > 400, `uses the room: ${height}`);
      }
    }
  }
});

test("row at a height: as a search through all finds it", () => {
  const { places, height } = layOut(specs, { ...none(), folded: new Set(["axis:axis-1"]) }, metricsOf(1440, false), 0);
  for (let y = -5; y < height + 5; y += 0.5) {
    assert.equal(rowAt(places, y), places.findIndex((p) => y >= p.top && y < p.top + p.height), `at ${y}`);
  }
  assert.equal(rowAt([], 3), -1);
});

test("time and place are each other's inverse", () => {
  const next = random(2);
  for (let k = 0; k < 200; k++) {
    const view = { from: 100 * next(), to: 0 };
    view.to = view.from + 0.1 + 600 * next();
    const t = view.from + (view.to - view.from) * next();
    assert.ok(Math.abs(timeAt(xOf(t, view, 196, 1200), view, 196, 1200) - t) < 1e-9);
  }
  assert.equal(xOf(3, { from: 2, to: 4 }, 100, 500), 350);
});

test("the first key from a time, and the nearest: as a search through all finds them", () => {
  const { keys } = score.rows[0];
  const next = random(4);
  for (let k = 0; k < 500; k++) {
    const t = 34 * next() - 2;
    const reach = 0.6 * next();
    const first = keys.findIndex((key) => key.at >= t);
    assert.equal(firstFrom(keys, t), first < 0 ? keys.length : first);
    const near = keys.filter((key) => Math.abs(key.at - t) <= reach).sort((a, b) => Math.abs(a.at - t) - Math.abs(b.at - t))[0];
    const found = keyNear(keys, t, reach);
    assert.equal(found < 0 ? undefined : keys[found], near);
  }
});

test("spans across are kept within the staves and never too narrow to see", () => {
  const out = new Float64Array(2);
  const view = { from: 10, to: 20 };
  assert.equal(spanAcross(3, 9.9, view, 100, 1000, 5, out), false);
  assert.equal(spanAcross(20.1, 30, view, 100, 1000, 5, out), false);
  assert.ok(spanAcross(12, 13, view, 100, 1000, 5, out));
  assert.deepEqual([...out], [300, 400]);
  assert.ok(spanAcross(0, 99, view, 100, 1000, 5, out));
  assert.deepEqual([...out], [100, 1100]);
  for (const t of [10, 15, 20]) {
    assert.ok(spanAcross(t, t, view, 100, 1000, 5, out));
    assert.ok(out[0] >= 100 && out[1] <= 1100 && Math.abs(out[1] - out[0] - 5) < 1e-9);
  }
});

test("findings at a place: all whose span meets it, the narrowest first", () => {
  const view = { from: 5, to: 25 };
  const out = new Float64Array(2);
  let met = 0;
  for (let x = 100; x <= 1100; x += 3) {
    const found = findingsAt(score.findings, x, view, 100, 1000, 5);
    const want = score.findings.filter((f) => spanAcross(f.from, f.to, view, 100, 1000, 5, out) && out[0] <= x && x <= out[1]);
    assert.deepEqual([...found].sort((a, b) => a - b), want.map((f) => f.number).sort((a, b) => a - b));
    const lengths = found.map((n) => score.findings[n - 1].to - score.findings[n - 1].from);
    assert.deepEqual(lengths, [...lengths].sort((a, b) => a - b));
    met = Math.max(met, found.length);
  }
  assert.ok(met > 1, "some overlap");
});

test("labels side by side: none covers another, and none can do better", () => {
  const next = random(9);
  const cost = (/** @type {number[]} */ a, /** @type {number[]} */ b) => a.reduce((s, v, k) => s + (v - b[k]) ** 2, 0);
  for (let k = 0; k < 200; k++) {
    const wanted = Array.from({ length: 1 + Math.floor(8 * next()) }, () => 300 + 100 * next()).sort((a, b) => a - b);
    const got = sideBySide(wanted, 24, 0, 1000);
    for (let i = 1; i < got.length; i++) assert.ok(got[i] - got[i - 1] >= 24 - 1e-9);
    // Moving any run of labels a little either way must not bring them nearer (the cost is convex).
    for (let i = 0; i < got.length; i++) {
      for (let j = i; j < got.length; j++) {
        for (const by of [-0.01, 0.01]) {
          const other = got.map((v, n) => (n >= i && n <= j ? v + by : v));
          if (other.every((v, n) => n === 0 || v - other[n - 1] >= 24 - 1e-9)) assert.ok(cost(other, wanted) >= cost(got, wanted) - 1e-9);
        }
      }
    }
  }
  assert.deepEqual(sideBySide([50, 300], 24, 0, 1000), [50, 300]);
  assert.deepEqual(sideBySide([-90, 2000], 24, 0, 1000), [0, 976]);
  const crowd = sideBySide(new Array(100).fill(10), 24, 0, 240);
  assert.ok(crowd[0] >= 0 && crowd[99] <= 216 + 1e-9, "too many for the room overlap within it");
  assert.deepEqual(sideBySide([], 24, 0, 10), []);
});

test("names in lanes never cover each other; what finds no room is left out", () => {
  const next = random(6);
  const starts = Float64Array.from({ length: 60 }, () => 900 * next()).sort();
  const widths = Float64Array.from({ length: 60 }, () => 20 + 90 * next());
  const lanes = new Int8Array(60);
  const more = new Uint16Array(60).fill(9);
  intoLanes(60, starts, widths, 2, 10, 950, lanes, more);
  for (let a = 0; a < 60; a++) {
    if (lanes[a] < 0) continue;
    assert.ok(starts[a] + widths[a] <= 950);
    for (let b = a + 1; b < 60; b++) if (lanes[b] === lanes[a]) assert.ok(starts[b] >= starts[a] + widths[a] + 10);
  }
  assert.ok(lanes.some((l) => l < 0) && lanes.some((l) => l === 1));
  assert.equal(lanes[0], 0);
  // Each one without room is counted at the last one before it that has some.
  const counted = new Array(60).fill(0);
  let last = -1;
  lanes.forEach((lane, k) => (lane >= 0 ? (last = k) : counted[last]++));
  assert.deepEqual([...more], counted);
  const none = new Int8Array(2);
  intoLanes(2, [0, 5], [100, 100], 0, 10, 950, none, more);
  assert.deepEqual([...none, more[0], more[1]], [-1, -1, 0, 0], "without a lane nothing has room, and nothing to be counted at");
});

test("a sheet is pushed by whole pixels, and not where another length shows", () => {
  const next = random(5);
  for (let k = 0; k < 500; k++) {
    const span = 0.1 + 600 * next();
    const width = 1 + Math.floor(3000 * next());
    const was = { from: 500 * next(), to: 0 };
    was.to = was.from + span;
    const by = (2 * next() - 1) * span;
    const wanted = { from: was.from + by, to: was.to + by };
    const now = pushable(was, wanted, width);
    const pixel = span / width;
    assert.ok(Math.abs(now.from - wanted.from) <= 0.5001 * pixel && Math.abs(now.to - now.from - span) <= 1e-9 * (span + was.to));
    const step = pushed(was, now, width);
    assert.ok(Number.isInteger(step));
    // What lay at x lies at x + step now.
    const t = was.from + span * next();
    assert.ok(Math.abs(xOf(t, now, 0, width) - xOf(t, was, 0, width) - step) < 0.02, `${step}`);
    const half = { from: was.from + 0.5 * pixel, to: was.to + 0.5 * pixel };
    if (pixel > 1e-5 * was.to) assert.ok(Number.isNaN(pushed(was, half, width)), "half a pixel");
  }
  const zoomed = { from: 1, to: 9 };
  assert.equal(pushable({ from: 0, to: 10 }, zoomed, 100), zoomed);
  assert.ok(Number.isNaN(pushed({ from: 0, to: 10 }, zoomed, 100)));
  assert.ok(Object.is(pushed({ from: 0, to: 10 }, { from: 1e-9, to: 10 + 1e-9 }, 100), 0));
});

test("keys are thinned from the first on, whatever shows of them", () => {
  const next = random(8);
  const keys = Array.from({ length: 400 }, () => ({ at: 60 * next() })).sort((a, b) => a.at - b.at);
  for (const gap of [0, 0.05, 0.4, 100]) {
    const shown = new Uint8Array(keys.length).fill(7);
    thinned(keys, gap, shown);
    const kept = keys.filter((_, k) => shown[k] === 1);
    assert.ok(shown.every((v) => v <= 1) && kept[0] === keys[0]);
    for (let k = 1; k < kept.length; k++) assert.ok(kept[k].at - kept[k - 1].at >= gap - 1e-12);
    // Whoever is left out stands within the gap after one that shows.
    keys.forEach((key, k) => assert.ok(shown[k] || kept.some((o) => o.at <= key.at && key.at - o.at < gap)));
    if (gap === 0) assert.equal(kept.length, keys.length);
    if (gap === 100) assert.equal(kept.length, 1);
  }
});

test("scrolling shows a row and moves no more than it must", () => {
  for (const [scroll, room, top, height, want] of [[0, 100, 10, 50, 0], [50, 100, 10, 50, 10], [0, 100, 90, 50, 40], [0, 100, 300, 200, 300], [40, 100, 40, 100, 40]]) {
    assert.equal(scrolledTo(scroll, room, top, height), want);
  }
});
