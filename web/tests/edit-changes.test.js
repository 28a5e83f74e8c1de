import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { add, copy, inTravel, mirror, ownEase, paste, poseKeys, remove, setKeys, shift, stretch } from "../page/edit/changes.js";
import { editScore, refs } from "./edit-score.js";

/** @typedef {import("../page/edit/changes.js").Plan} Plan */

const score = editScore();
const arm = (/** @type {number} */ index) => ({ track: "arm", index });
const lantern = (/** @type {number} */ index) => ({ track: "lantern", index });

/** @param {Plan} got @param {object[]} changes @param {[string, number, number][]} spots @param {RegExp} [why] */
function same(got, changes, spots, why = /^$/) {
  assert.deepEqual(JSON.parse(JSON.stringify(got.changes)), changes);
  assert.equal(got.spots.length, spots.length, JSON.stringify(got.spots));
  spots.forEach(([row, at, to], k) => {
    const s = got.spots[k];
    assert.ok(s.row === row && Math.abs(s.at - at) < 1e-9 && Math.abs(s.to - to) < 1e-9, `${JSON.stringify(s)}, not ${row} ${at} ${to}`);
  });
  assert.match(got.why, why);
}

describe("shift", () => {
  test("one key is put at a time and value", () => same(shift(score, refs("axis:arm", 1), { time: 0.25, value: 2.5 }), [{ do: "set-key", ...arm(1), time: 1.25, value: 42.5 }], [["axis:arm", 1.25, 42.5]]));
  test("only what moves is named", () => {
    same(shift(score, refs("axis:arm", 1), { time: 0.25 }), [{ do: "set-key", ...arm(1), time: 1.25 }], [["axis:arm", 1.25, 40]]);
    same(shift(score, refs("axis:arm", 1), { value: -1 }), [{ do: "set-key", ...arm(1), value: 39 }], [["axis:arm", 1, 39]]);
  });
  test("several go together, by frames where they are whole", () => {
    const two = [...refs("axis:arm", 1), ...refs("axis:lantern", 0)];
    same(shift(score, two, { time: 0.125, value: 5 }), [{ do: "shift-keys", keys: [arm(1), lantern(0)], frames: 3, value: 5 }], [["axis:arm", 1.125, 45], ["axis:lantern", 0.625, 5]]);
    same(shift(score, two, { time: 0.13 }), [{ do: "shift-keys", keys: [arm(1), lantern(0)], time: 0.13 }], [["axis:arm", 1.13, 40], ["axis:lantern", 0.63, 0]]);
    same(shift(editScore({ fps: null }), two, { time: 0.125 }), [{ do: "shift-keys", keys: [arm(1), lantern(0)], time: 0.125 }], [["axis:arm", 1.125, 40], ["axis:lantern", 0.625, 0]]);
  });
  test("under a pace, or with a switch among them, each is put", () => {
    const two = refs("axis:arm", 0, 1);
    same(shift(editScore({ paced: true }), two, { time: 0.5 }), [{ do: "set-key", ...arm(0), time: 0.5 }, { do: "set-key", ...arm(1), time: 1.5 }], [["axis:arm", 0.5, 10], ["axis:arm", 1.5, 40]]);
    // The horn is on, and cannot be more.
    same(shift(score, [...refs("axis:horn", 0), ...refs("axis:arm", 1)], { time: 1, value: 5 }),
      [{ do: "set-key", track: "horn", index: 0, time: 4 }, { do: "set-key", ...arm(1), time: 2 }], [["axis:horn", 4, 1], ["axis:arm", 2, 40]]);
  });
  test("nothing goes before 0 s or beyond its travel, and all stay together", () => {
    same(shift(score, [...refs("axis:arm", 1), ...refs("axis:lantern", 0)], { time: -2 }), [{ do: "shift-keys", keys: [arm(1), lantern(0)], frames: -12 }], [["axis:arm", 0.5, 40], ["axis:lantern", 0, 0]]);
    same(shift(score, refs("axis:arm", 1), { value: 500 }), [{ do: "set-key", ...arm(1), value: 120 }], [["axis:arm", 1, 120]]);
    same(shift(score, [...refs("axis:arm", 1), ...refs("axis:lantern", 1)], { value: 40 }), [{ do: "shift-keys", keys: [arm(1), lantern(1)], value: 10 }], [["axis:arm", 1, 50], ["axis:lantern", 1.5, 100]]);
    same(shift(score, refs("control:nod", 1), { value: 500 }), [{ do: "set-key", track: "nod", index: 1, value: 508 }], [["control:nod", 2, 508]]);
  });
  test("what is bound stays, and says why", () => {
    same(shift(score, refs("axis:arm", 0, 2, 3), { value: 1 }), [{ do: "set-key", ...arm(0), value: 11 }], [["axis:arm", 0, 11]], /locked/);
    same(shift(score, refs("axis:arm", 3), { value: 1 }), [], [], /phrase wave/);
    same(shift(score, [], { value: 1 }), [], [], /No key is selected/);
  });
  test("no way is no change", () => same(shift(score, refs("axis:arm", 1), {}), [], [["axis:arm", 1, 40]]));
});

describe("set", () => {
  test("a locked key keeps its time, and takes a value and an ease", () => {
    same(setKeys(score, refs("axis:arm", 1, 2), { time: 3 }), [{ do: "set-key", ...arm(1), time: 3 }], [["axis:arm", 3, 40]], /locked/);
    same(setKeys(score, refs("axis:arm", 1, 2), { value: 3 }), [{ do: "set-key", ...arm(1), value: 3 }, { do: "set-key", ...arm(2), value: 3 }], [["axis:arm", 1, 3], ["axis:arm", 2, 3]]);
    same(setKeys(score, refs("axis:arm", 2, 3), { ease: "linear" }), [{ do: "set-key", ...arm(2), ease: "linear" }], [["axis:arm", 2, 60]], /phrase wave/);
  });
  test("no key, no change", () => same(setKeys(score, refs("axis:leg", 0), { value: 3 }), [], []));
});

test("delete takes what can be deleted", () => {
  same(remove(score, refs("axis:arm", 0, 1, 3)), [{ do: "delete-keys", keys: [arm(0), arm(1)] }], [], /phrase wave/);
  same(remove(score, []), [], [], /No key/);
  same(remove(score, refs("axis:arm", 2)), [], [], /locked/);
});

test("add puts a key within its travel", () => {
  same(add(score, "axis:arm", 1.5, 33), [{ do: "add-key", track: "arm", time: 1.5, value: 33 }], [["axis:arm", 1.5, 33]]);
  same(add(score, "axis:arm", 1.5, 333), [{ do: "add-key", track: "arm", time: 1.5, value: 120 }], [["axis:arm", 1.5, 120]]);
  same(add(score, "axis:horn", 1.5, 0.6), [{ do: "add-key", track: "horn", time: 1.5, value: 1 }], [["axis:horn", 1.5, 1]]);
  same(add(score, "supply:rail", 1.5, 0.6), [], [], /Choose a row/);
  assert.deepEqual([inTravel(score, "axis:arm", -50), inTravel(score, "axis:horn", 7), inTravel(score, "control:nod", -50), inTravel(score, "axis:arm", 0.1 + 0.2)], [-20, 1, -50, 0.3]);
});

test("stretch goes from the first key on", () => {
  const keys = [...refs("axis:arm", 1), ...refs("axis:lantern", 0, 1)];
  same(stretch(score, keys, 1.5), [{ do: "stretch-keys", keys: [arm(1), lantern(0), lantern(1)], anchor: 0.5, factor: 1.5 }], [["axis:arm", 1.25, 40], ["axis:lantern", 0.5, 0], ["axis:lantern", 2, 90]]);
  same(stretch(score, refs("axis:arm", 1), 2), [], [], /two keys or more/);
  for (const factor of [0, -1, NaN, 1001]) same(stretch(score, keys, factor), [], [], /factor above 0/);
  same(stretch(score, refs("axis:arm", 0, 1, 2), 2), [{ do: "stretch-keys", keys: [arm(0), arm(1)], anchor: 0, factor: 2 }], [["axis:arm", 0, 10], ["axis:arm", 2, 40]], /locked/);
});

test("mirror is about rest; a locked key's value may change", () => {
  same(mirror(score, refs("axis:arm", 1, 2, 3)), [{ do: "mirror-keys", keys: [arm(1), arm(2)] }], [["axis:arm", 1, -20], ["axis:arm", 2, -40]]);
  same(mirror(score, refs("axis:arm", 3)), [], [], /phrase wave/);
  same(mirror(score, []), [], [], /No key/);
});

test("copies keep their distances and eases, and go where the playhead is", () => {
  const clip = copy(score, [...refs("axis:arm", 3), ...refs("axis:lantern", 1), ...refs("axis:arm", 1)]);
  assert.deepEqual(clip, [{ row: "axis:arm", by: 0, to: 40, ease: "" }, { row: "axis:lantern", by: 0.5, to: 90, ease: "linear" }, { row: "axis:arm", by: 3, to: 100, ease: "" }]);
  same(paste(score, clip, 5), [
    { do: "add-key", track: "arm", time: 5, value: 40 }, { do: "add-key", track: "lantern", time: 5.5, value: 90, ease: "linear" }, { do: "add-key", track: "arm", time: 8, value: 100 },
  ], [["axis:arm", 5, 40], ["axis:lantern", 5.5, 90], ["axis:arm", 8, 100]]);
  // A first key arrives by nothing.
  assert.equal(copy(score, refs("axis:arm", 0))[0].ease, "");
  same(paste(score, copy(score, refs("axis:arm", 0)), 5), [{ do: "add-key", track: "arm", time: 5, value: 10 }], [["axis:arm", 5, 10]]);
  same(paste(score, [], 5), [], [], /Nothing has been copied/);
  same(paste(editScore({ rows: score.rows.slice(1) }), clip, 5), [], [], /no row arm/);
  assert.deepEqual(copy(score, refs("axis:leg", 0)), []);
});

test("an ease that the row has anyway is not written", () => {
  // The language's own rule: in-out for servo, stepper and control, linear for dimmer, motor and continuous servo, hold for switch.
  for (const [actuator, ease] of /** @type {[import("../page/types.js").Row["actuator"], string][]} */ ([["servo", "in-out"], ["stepper", "in-out"], ["", "in-out"], ["dimmer", "linear"], ["motor", "linear"], ["continuous-servo", "linear"], ["switch", "hold"]])) {
    const rows = [{ ...score.rows[0], actuator, keys: score.rows[0].keys.map((k) => ({ ...k, ease })) }];
    assert.equal(ownEase(rows[0]), ease);
    assert.deepEqual(copy({ ...score, rows }, refs("axis:arm", 1)).map((c) => c.ease), [""], actuator);
  }
});

test("a pose is keyed on the rows that there are", () => {
  same(poseKeys(score, { nod: 1, arm: 20, leg: 3 }, 2.5), [{ do: "add-key", track: "arm", time: 2.5, value: 20 }, { do: "add-key", track: "nod", time: 2.5, value: 1 }], [["axis:arm", 2.5, 20], ["control:nod", 2.5, 1]]);
  same(poseKeys(score, { leg: 3 }, 2.5), [], [], /no values/);
  same(poseKeys(score, { toString: 3 }, 2.5), [], [], /no values/);
});
