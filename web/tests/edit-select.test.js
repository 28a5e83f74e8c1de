import assert from "node:assert/strict";
import { test } from "node:test";
import { allOf, among, bound, carried, found, has, idOf, joined, keyOf, movable, nearestOf, rowOf, sameKey, spotsOf, stretchOf, toggled } from "../page/edit/select.js";
import { editScore, keysOf, refs, rowWith } from "./edit-score.js";

/** @typedef {import("../page/types.js").Score} Score */

const score = editScore();

test("rows and keys by their names", () => {
  assert.deepEqual(score.rows.map(idOf), ["axis:arm", "axis:lantern", "axis:horn", "control:nod"]);
  assert.equal(rowOf(score, "control:nod"), score.rows[3]);
  for (const id of ["axis:nod", "nod", "", null]) assert.equal(rowOf(score, id), null, String(id));
  assert.equal(keyOf(score, { row: "axis:arm", k: 1 }), score.rows[0].keys[1]);
  for (const ref of [undefined, { row: "axis:arm", k: 4 }, { row: "axis:arm", k: -1 }, { row: "axis:leg", k: 0 }]) assert.equal(keyOf(score, ref), null);
  // Another version has other rows.
  const other = editScore({ rows: score.rows.slice(1) });
  assert.equal(rowOf(other, "axis:arm"), null);
});

test("selections join, toggle and stretch without doubles", () => {
  const arm = refs("axis:arm", 0, 2);
  assert.deepEqual(toggled(arm, { row: "axis:arm", k: 2 }), refs("axis:arm", 0));
  assert.deepEqual(toggled(arm, { row: "control:nod", k: 2 }), [...arm, { row: "control:nod", k: 2 }]);
  assert.deepEqual(joined(arm, [...refs("axis:arm", 2, 3), ...refs("control:nod", 0)]), [...refs("axis:arm", 0, 2, 3), ...refs("control:nod", 0)]);
  assert.deepEqual([has(arm, { row: "axis:arm", k: 0 }), has(arm, { row: "axis:arm", k: 1 }), has(arm, { row: "axis:lantern", k: 0 })], [true, false, false]);
  const known = among([{ row: "axis:1 2", k: 3 }, { row: "axis:2", k: 31 }]);
  assert.deepEqual([known({ row: "axis:1 2", k: 3 }), known({ row: "axis:2", k: 3 }), known({ row: "axis:2", k: 31 })], [true, false, true]);
  assert.ok(sameKey({ row: "a", k: 1 }, { row: "a", k: 1 }) && !sameKey({ row: "a", k: 1 }, { row: "b", k: 1 }) && !sameKey({ row: "a", k: 1 }, { row: "a", k: 2 }));
  assert.deepEqual(stretchOf({ row: "axis:arm", k: 3 }, { row: "axis:arm", k: 1 }), refs("axis:arm", 1, 2, 3));
  assert.deepEqual(stretchOf({ row: "axis:arm", k: 1 }, { row: "axis:arm", k: 1 }), refs("axis:arm", 1));
  assert.deepEqual(allOf(score, "axis:arm"), refs("axis:arm", 0, 1, 2, 3));
  assert.deepEqual(allOf(score, "axis:leg"), []);
});

test("the nearest key of a row, as a look at each finds it", () => {
  const keys = score.rows[0].keys;
  for (let t = -1; t < 6; t += 0.05) {
    let best = 0;
    keys.forEach((key, k) => { if (Math.abs(key.at - t) < Math.abs(keys[best].at - t)) best = k; });
    assert.deepEqual(nearestOf(score, "axis:arm", t), { row: "axis:arm", k: best }, `at ${t}`);
  }
  assert.equal(nearestOf(score, "axis:leg", 1), null);
  assert.equal(nearestOf(editScore({ rows: [rowWith({ name: "arm", keys: [] })] }), "axis:arm", 1), null);
});

test("keys are found again where they were put, each once", () => {
  // A time that was written as a whole frame may lie half a frame, 21 ms, off.
  assert.deepEqual(found(score, [{ row: "axis:arm", at: 1.02, to: 40 }, { row: "axis:arm", at: 0, to: 10 }]), refs("axis:arm", 1, 0));
  assert.deepEqual(found(score, [{ row: "axis:arm", at: 1.031, to: 40 }, { row: "axis:leg", at: 0, to: 1 }]), []);
  assert.deepEqual(found(score, [{ row: "axis:arm", at: 1, to: 40 }, { row: "axis:arm", at: 1, to: 40 }]), refs("axis:arm", 1));
  // Two keys within reach: the nearer in time, then the nearer in value.
  const close = editScore({ rows: [rowWith({ name: "arm", keys: keysOf("arm", [[1, 5], [1.01, 50], [1.02, 7]]) })] });
  assert.deepEqual(found(close, [{ row: "axis:arm", at: 1.012, to: 5 }]), refs("axis:arm", 1));
  assert.deepEqual(found(close, [{ row: "axis:arm", at: 1.01, to: 50 }, { row: "axis:arm", at: 1.01, to: 7 }]), refs("axis:arm", 1, 2));
  assert.deepEqual(spotsOf(score, [...refs("axis:arm", 1, 9), ...refs("control:nod", 1)]), [{ row: "axis:arm", at: 1, to: 40 }, { row: "control:nod", at: 2, to: 8 }]);
});

test("of 20,000 keys a few are looked at for each that is found", () => {
  let looks = 0;
  const keys = keysOf("arm", Array.from({ length: 20000 }, (_, k) => [k / 10, k % 7])).map((key) => {
    const { at, ...rest } = key;
    return Object.defineProperty({ ...rest }, "at", { get: () => (looks++, at) });
  });
  const many = editScore({ rows: [rowWith({ name: "arm", keys: /** @type {import("../page/types.js").Key[]} */ (keys) })] });
  const spots = Array.from({ length: 1000 }, (_, k) => ({ row: "axis:arm", at: 2 * k, to: 0 }));
  assert.deepEqual(found(many, spots).map((r) => r.k), spots.map((_, k) => 20 * k));
  nearestOf(many, "axis:arm", 777);
  assert.ok(looks < 30 * 1001, `${looks} looks`); // 15 halvings of 20,000, and some about the place
});

test("a selection is carried to the next version", () => {
  const keys = [...refs("axis:arm", 1), ...refs("axis:lantern", 1)];
  // As many keys of the arm: their places stay, wherever they are now. One more of the
  // lantern: its keys are looked for by time.
  const next = editScore();
  next.rows = [...next.rows];
  next.rows[0] = { ...next.rows[0], keys: next.rows[0].keys.map((k) => ({ ...k, at: k.at + 0.5 })) };
  next.rows[1] = { ...next.rows[1], keys: keysOf("lantern", [[0.5, 0], [1, 50], [1.5, 90]]) };
  assert.deepEqual(carried(keys, score, next), [...refs("axis:arm", 1), ...refs("axis:lantern", 2)]);
  assert.deepEqual(carried(keys, score, editScore({ rows: score.rows.slice(0, 1) })), refs("axis:arm", 1));
  assert.equal(carried([], score, next).length, 0);
});

test("where a key has passed others, none is taken for its neighbour", () => {
  // The second of four goes behind the third, and is put back: it is nowhere for certain.
  const before = editScore({ rows: [rowWith({ name: "arm", keys: keysOf("arm", [[0, 10], [1, 40], [2, 60], [4, 100]]) })] });
  const after = editScore({ rows: [rowWith({ name: "arm", keys: keysOf("arm", [[0, 10], [2, 60], [3, 40], [4, 100]]) })] });
  assert.deepEqual(carried(refs("axis:arm", 2), after, before), []);
  assert.deepEqual(carried(refs("axis:arm", 1), after, before), refs("axis:arm", 2), "the one that was passed is where it was");
  assert.deepEqual(carried(refs("axis:arm", 0, 3), after, before), refs("axis:arm", 0, 3));
});

test("locked keys and those of placements say why they stay", () => {
  const all = allOf(score, "axis:arm");
  const got = movable(score, [...all, { row: "axis:leg", k: 0 }]);
  assert.deepEqual([got.free, got.locked, got.placed], [refs("axis:arm", 0, 1), 1, 1]);
  assert.match(got.why, /locked/);
  const [, , locked, placed] = score.rows[0].keys;
  assert.match(bound(locked), /locked and keeps its time/);
  assert.equal(bound(placed), "This key belongs to the phrase wave, placed in line 61: that can be moved under Poses");
  assert.equal(bound({ ...placed, from: null }), "This key cannot be changed here");
  assert.equal(bound(score.rows[0].keys[0]), "");
  assert.equal(movable(score, refs("axis:arm", 3)).why, bound(placed));
  assert.equal(movable(score, refs("axis:arm", 0)).why, "");
});
