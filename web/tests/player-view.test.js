import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { panned, showsAll, turned, within, zoomed } from "../page/view.js";

/** @param {{from: number, to: number}} v @param {number} t */
const place = (v, t) => (t - v.from) / (v.to - v.from);

describe("what the sheet shows", () => {
  test("zooming keeps a time where it stands", () => {
    for (const about of [30, 41.3, 50]) {
      const v = { from: 30, to: 50 };
      const z = zoomed(v, 1.7, about, 100);
      assert.ok(Math.abs(place(z, about) - place(v, about)) < 1e-12);
      assert.ok(Math.abs((z.to - z.from) * 1.7 - 20) < 1e-9);
    }
  });
  test("in and out again is where it was", () => {
    const z = zoomed(zoomed({ from: 30, to: 50 }, 4, 37, 100), 1 / 4, 37, 100);
    assert.ok(Math.abs(z.from - 30) < 1e-9 && Math.abs(z.to - 50) < 1e-9);
  });
  test("not beyond the motion, and not below a few frames", () => {
    assert.deepEqual(zoomed({ from: 30, to: 50 }, 0.01, 40, 100), { from: 0, to: 100 });
    const z = zoomed({ from: 30, to: 50 }, 1e6, 40, 100);
    assert.ok(Math.abs(z.to - z.from - 0.1) < 1e-9);
  });
  test("panning ends at the ends", () => {
    assert.deepEqual(panned({ from: 10, to: 30 }, 5, 100), { from: 15, to: 35 });
    assert.deepEqual(panned({ from: 10, to: 30 }, -50, 100), { from: 0, to: 20 });
    assert.deepEqual(panned({ from: 10, to: 30 }, 500, 100), { from: 80, to: 100 });
  });
  test("a motion without length still has a view", () => assert.deepEqual(within({ from: 0, to: 0 }, 0), { from: 0, to: 0.1 }));
  test("the page turns when the time leaves it", () => {
    const v = { from: 10, to: 20 };
    for (const t of [10, 15, 20]) assert.equal(turned(v, t, 100, true), v);
    const next = turned(v, 20.01, 100, true);
    assert.ok(next.from < 20.01 && place(next, 20.01) < 0.05);
    assert.equal(place(turned(v, 60, 100, false), 60), 0.5);
    assert.deepEqual(turned(v, 0, 100, true), { from: 0, to: 10 });
    assert.deepEqual(turned(v, 100, 100, true), { from: 90, to: 100 });
  });
  test("all of it", () => {
    assert.equal(showsAll({ from: 0, to: 24 }, 24), true);
    assert.equal(showsAll({ from: 0.1, to: 24 }, 24), false);
  });
});
