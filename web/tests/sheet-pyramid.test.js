import assert from "node:assert/strict";
import { test } from "node:test";
import { curveAt } from "../page/curves.js";
import { createColumns, createPyramid, extremes, fold, foldRanges } from "../page/sheet/pyramid.js";
import { createBig, random } from "./big.js";

/** @param {number} n @param {() => number} next */
function noise(n, next) {
  return Float32Array.from({ length: n }, () => 200 * next() - 100);
}

/** The least and greatest of a stretch, sample by sample. @param {ArrayLike<number>} lo @param {ArrayLike<number>} hi @param {number} a @param {number} b */
function direct(lo, hi, a, b) {
  const out = [Infinity, -Infinity];
  for (let k = Math.max(0, a); k < Math.min(lo.length, b); k++) {
    out[0] = Math.min(out[0], lo[k]);
    out[1] = Math.max(out[1], hi[k]);
  }
  return out;
}

test("extremes are those found sample by sample", () => {
  const next = random(7);
  for (const n of [1, 2, 7, 8, 9, 31, 32, 33, 255, 1000, 4097]) {
    const data = noise(n, next);
    const p = createPyramid(data);
    for (let k = 0; k < 300; k++) {
      const a = Math.floor(next() * (n + 6)) - 3;
      const b = a + Math.floor(next() * (n + 6));
      const out = new Float64Array([Infinity, -Infinity]);
      extremes(p, a, b, out);
      assert.deepEqual([...out], direct(data, data, a, b), `${n} samples, ${a} to ${b}`);
    }
  }
});

test("every stretch of a short curve", () => {
  const data = noise(75, random(3));
  const p = createPyramid(data);
  for (let a = 0; a <= 75; a++) {
    for (let b = a; b <= 75; b++) {
      const out = new Float64Array([Infinity, -Infinity]);
      extremes(p, a, b, out);
      assert.deepEqual([...out], direct(data, data, a, b));
    }
  }
});

test("extremes widen what stands there", () => {
  const out = new Float64Array([-500, 500]);
  extremes(createPyramid(noise(100, random(1))), 0, 100, out);
  assert.deepEqual([...out], [-500, 500]);
});

test("a pyramid takes about a third more than its samples", () => {
  const p = createPyramid(new Float32Array(100000));
  const values = p.levels.slice(1).reduce((n, l) => n + l.lo.length + l.hi.length, 0);
  assert.ok(values > 0 && values < 0.34 * 100000, `${values} values`);
});

test("a ramp folds into the values at the edges of its columns", () => {
  const p = createPyramid(Float32Array.from({ length: 101 }, (_, k) => 2 * k)); // 20 a second at 10 Hz
  const out = createColumns(16);
  fold(p, 10, 1, 0.25, 8, out);
  assert.equal(out.count, 8);
  for (let k = 0; k < 8; k++) {
    assert.ok(Math.abs(out.edge[k] - 20 * (1 + 0.25 * k)) < 1e-4);
    assert.equal(out.lo[k], out.edge[k]);
    assert.equal(out.hi[k], out.edge[k + 1]);
  }
});

test("columns hold all that the curve does, and no more", () => {
  const next = random(11);
  const rate = 50;
  const data = noise(2000, next);
  const p = createPyramid(data);
  const curves = { rate, samples: data.length, count: 1, data: [data] };
  const out = createColumns(400);
  for (let k = 0; k < 60; k++) {
    const from = 45 * next() - 2;
    const width = 10 ** (-3 + 2.5 * next());
    fold(p, rate, from, width, 100, out);
    for (let c = 0; c < out.count; c++) {
      const a = from + c * width;
      const b = from + (c + 1) * width;
      // The curve is straight between samples: it is greatest at an end or at a sample.
      const values = [curveAt(curves, 0, a), curveAt(curves, 0, b)];
      for (let i = Math.max(0, Math.ceil(a * rate)); i <= Math.min(data.length - 1, Math.floor(b * rate)); i++) values.push(data[i]);
      assert.ok(Math.abs(out.lo[c] - Math.min(...values)) < 1e-3, `column ${c} from ${from} by ${width}: ${out.lo[c]}`);
      assert.ok(Math.abs(out.hi[c] - Math.max(...values)) < 1e-3);
      assert.ok(Math.abs(out.edge[c] - values[0]) < 1e-3);
    }
  }
});

test("a spike of one sample is in every folding", () => {
  const data = new Float32Array(100000);
  data[54321] = 9;
  const p = createPyramid(data);
  for (const n of [1, 3, 100, 997]) {
    const out = createColumns(1000);
    fold(p, 100, 0, 1000 / n, n, out);
    assert.equal(Math.max(...out.hi.subarray(0, n)), 9);
  }
});

test("a curve without samples has no columns; room bounds them", () => {
  const out = createColumns(5);
  fold(createPyramid(new Float32Array(0)), 10, 0, 1, 4, out);
  assert.equal(out.count, 0);
  fold(createPyramid(new Float32Array(10)), 10, 0, 1, 40, out);
  assert.equal(out.count, 5);
});

test("a waveform folds into the extremes of the buckets that a column meets", () => {
  const next = random(5);
  const low = Int16Array.from({ length: 333 }, () => -32768 * next());
  const high = Int16Array.from({ length: 333 }, () => 32767 * next());
  const p = createPyramid(low, high);
  const out = createColumns(100);
  for (const width of [0.004, 0.01, 0.037, 0.2]) {
    foldRanges(p, 100, 0.5, width, 60, out);
    for (let k = 0; k < out.count; k++) {
      const a = Math.floor((0.5 + k * width) * 100 + 1e-9);
      const b = Math.max(a + 1, Math.ceil((0.5 + (k + 1) * width) * 100 - 1e-9));
      assert.deepEqual([out.lo[k], out.hi[k]], direct(low, high, a, b));
    }
  }
  foldRanges(p, 100, 3, 0.1, 60, out);
  assert.equal(out.count, 4, "a sound of 3.33 s ends there");
  foldRanges(p, 100, 9, 0.1, 60, out);
  assert.equal(out.count, 0);
});

test("the motion for tests of speed is as large as it says", () => {
  const { score, curves } = createBig();
  assert.equal(score.rows.length, 32);
  assert.equal(score.rows.reduce((n, r) => n + r.keys.length, 0), 20000);
  assert.equal(curves.data.length, curves.count);
  assert.ok(curves.samples * curves.count <= 8.1e6);
  for (const r of score.rows) for (let k = 1; k < r.keys.length; k++) assert.ok(r.keys[k].at > r.keys[k - 1].at);
  assert.ok(curves.data.every((d) => d.length === curves.samples && d.every(Number.isFinite)));
});
