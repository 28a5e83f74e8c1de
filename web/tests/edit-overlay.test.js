import assert from "node:assert/strict";
import { test } from "node:test";
import { ghostsOf, keysWithin, keyUnder, placeUnder, stavesWidth, valuePerPixel, xIn, yIn } from "../page/edit/overlay.js";
import { jobOf } from "./edit-job.js";
import { editScore, refs } from "./edit-score.js";

const { job } = jobOf(editScore());

test("times and values lie where the sheet draws them", () => {
  // 100 px of names, then 8 s over 800 px.
  assert.deepEqual([stavesWidth(job), xIn(job, 0), xIn(job, 8), xIn(job, 2)], [800, 100, 900, 300]);
  // The first stave goes from 120 at 60 px (under 50 px of rulers) to -20 at 200 px.
  assert.deepEqual([yIn(job, "axis:arm", 120), yIn(job, "axis:arm", -20), yIn(job, "axis:arm", 50)], [60, 200, 130]);
  assert.equal(valuePerPixel(job, "axis:arm"), 1);
  assert.ok(Number.isNaN(yIn(job, "axis:leg", 0)) && Number.isNaN(yIn(job, "axis:horn", 0)), "a row that is not there, or folded");
  assert.equal(valuePerPixel(job, "axis:leg"), 0);
  assert.equal(yIn({ ...job, scroll: 30 }, "axis:arm", 50), 100);
});

test("what is under a place", () => {
  for (const [x, y, id] of /** @type {[number, number, string|null][]} */ ([
    [300, 100, "axis:arm"], [300, 299, "axis:lantern"], [99, 100, null], [300, 49, null], [300, 571, null], [300, 545, null], [300, 370, "axis:horn"], [300, 470, "control:nod"],
  ])) assert.equal(placeUnder(job, x, y)?.id ?? null, id, `${x}, ${y}`);
  const at = placeUnder(job, 300, 130);
  assert.ok(at && Math.abs(at.value - 50) < 1e-9 && !at.folded && at.row.name === "arm");
  assert.equal(placeUnder(job, 300, 370)?.folded, true);
});

test("the key under a place is the nearest within reach, on its curve", () => {
  // The arm's keys: 1 s at 40 deg, 2 s at 60 deg.
  const [x, y] = [xIn(job, 1), yIn(job, "axis:arm", 40)];
  assert.deepEqual(keyUnder(job, x, y, 11), { row: "axis:arm", k: 1 });
  assert.deepEqual(keyUnder(job, x + 7, y - 7, 11), { row: "axis:arm", k: 1 });
  assert.equal(keyUnder(job, x + 9, y - 9, 11), null);
  assert.equal(keyUnder(job, x, y + 30, 24), null, "beside the curve is beside the key");
  assert.deepEqual(keyUnder(job, x + 20, y, 24), { row: "axis:arm", k: 1 });
  // Between two that are both within reach, the nearer.
  const wide = { ...job, view: { from: 0, to: 80 } };
  assert.deepEqual(keyUnder(wide, xIn(wide, 1.4), yIn(wide, "axis:arm", 40), 24), { row: "axis:arm", k: 1 });
  assert.deepEqual(keyUnder(wide, xIn(wide, 1.9), yIn(wide, "axis:arm", 60), 24), { row: "axis:arm", k: 2 });
  assert.equal(keyUnder(job, xIn(job, 3), 370, 24), null, "none on a folded row");
});

test("a band holds the keys in it, whichever way it was pulled", () => {
  const [l, r] = [xIn(job, 0.4), xIn(job, 2.1)];
  assert.deepEqual(keysWithin(job, { x0: l, y0: 60, x1: r, y1: 200 }), refs("axis:arm", 1, 2));
  assert.deepEqual(keysWithin(job, { x0: r, y0: 200, x1: l, y1: 60 }), refs("axis:arm", 1, 2));
  // Down to the middle of the lantern: its key at 0 % lies lower.
  assert.deepEqual(keysWithin(job, { x0: l, y0: 60, x1: r, y1: 290 }), [...refs("axis:arm", 1, 2), ...refs("axis:lantern", 1)]);
  assert.deepEqual(keysWithin(job, { x0: l, y0: 60, x1: r, y1: 520 }), [...refs("axis:arm", 1, 2), ...refs("axis:lantern", 0, 1), ...refs("control:nod", 0, 1)], "none of the folded horn");
  assert.deepEqual(keysWithin(job, { x0: l, y0: 60, x1: l + 2, y1: 520 }), []);
  // 2 s lies at 60 deg, 120 px: above it the key is out.
  assert.deepEqual(keysWithin(job, { x0: l, y0: 60, x1: r, y1: 119 }), []);
});

test("rings lie on the curve, of keys that are there", () => {
  assert.deepEqual(ghostsOf(job, [...refs("axis:arm", 1, 9), ...refs("axis:leg", 0)]), [{ row: "axis:arm", at: 1, v: 40, head: "eased" }]);
  assert.equal(ghostsOf(job, Array.from({ length: 5000 }, () => ({ row: "axis:arm", k: 1 }))).length, 3000);
});
