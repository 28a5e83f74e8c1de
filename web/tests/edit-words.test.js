import assert from "node:assert/strict";
import { test } from "node:test";
import { conflictOf, mineBeside, savedText } from "../page/edit/bar.js";
import { keyText, placeText, selectionText } from "../page/edit/edit.js";
import { heldKeys } from "../page/edit/keylist.js";
import { initialState } from "../page/store.js";
import { editScore, refs } from "./edit-score.js";

/** @typedef {import("../page/types.js").MotionEntry} MotionEntry */

/** @param {Partial<MotionEntry>} entry @param {object} score @param {object} state */
function stateWith(entry, score = {}, state = {}) {
  const motion = /** @type {MotionEntry} */ ({ name: "greet", text: "t1", saved: true, conflict: null, trouble: "", ...entry });
  return { ...initialState(), connected: true, motion: "greet", score: editScore(score), project: { title: "", kind: /** @type {"motion"} */ ("motion"), file: "", revision: "", motions: [motion], problems: [] }, ...state };
}

const busy = { ...initialState().edit, busy: true };
const conflict = { file: "greet.mine-20261127-051500.motion.yaml", at: "2026-11-27T05:15:00Z" };

test("saved or not", () => {
  for (const [what, state, want] of /** @type {[string, ReturnType<typeof stateWith>, string|RegExp][]} */ ([
    ["all is written", stateWith({}), "Saved"],
    ["a change is on its way", stateWith({}, {}, { edit: busy }), "Saving …"],
    ["the listing knows that the file has it", stateWith({ text: "t1", saved: true }, { saved: false }), "Saved"],
    ["the listing is of another text", stateWith({ text: "t0", saved: true }, { saved: false }), "Saving …"],
    ["the listing says that it is not", stateWith({ saved: false }, { saved: true }), "Saving …"],
    ["no disk", stateWith({ saved: false, trouble: "the disk is full" }), "Not saved: the disk is full"],
    ["trouble counts before busy", stateWith({ saved: false, trouble: "the disk is full" }, {}, { edit: busy }), "Not saved: the disk is full"],
    ["two versions", stateWith({ conflict }), "Two versions"],
    ["no connection", stateWith({}, {}, { connected: false }), /nothing can be changed/],
    ["nothing is known", { ...initialState(), connected: true }, ""],
  ])) {
    if (typeof want === "string") assert.equal(savedText(state), want, what);
    else assert.match(savedText(state), want, what);
  }
});

test("the listing rules on conflicts, the score where there is none", () => {
  assert.equal(conflictOf(stateWith({ conflict })), conflict);
  assert.equal(conflictOf(stateWith({}, { conflict })), null);
  assert.equal(conflictOf({ ...stateWith({}, { conflict }), project: null }), conflict);
  assert.equal(conflictOf(initialState()), null);
  for (const [file, mine] of /** @type {[string, boolean][]} */ ([[conflict.file, true], ["greet.mine-20261127-051500-2.motion.yaml", true], ["greet.other-20261127-051500.motion.yaml", false], ["a.mine-1.motion.yaml", false]])) {
    assert.equal(mineBeside({ file, at: "" }), mine, file);
  }
});

test("keys and selections in words", () => {
  const score = editScore();
  const [row] = score.rows;
  assert.equal(placeText(1.5, score), "00:01:12, 1.50 s");
  assert.equal(placeText(3661.5, score), "01:01:01:12, 3661.50 s");
  assert.equal(placeText(0.9, score), "0.90 s");
  assert.equal(placeText(0.5, { ...score, fps: null }), "0.50 s");
  assert.equal(keyText(score, row, row.keys[0]), "00:00:00, 0.00 s, 10deg");
  assert.equal(keyText(score, row, row.keys[2]), "00:02:00, 2.00 s, 60deg, in-out, locked");
  assert.equal(keyText(score, row, row.keys[3]), "00:04:00, 4.00 s, 100deg, in-out, of the phrase wave, line 61");
  assert.equal(selectionText(score, []), "Nothing selected");
  assert.equal(selectionText(score, refs("axis:leg", 1)), "Nothing selected");
  assert.equal(selectionText(score, refs("axis:arm", 1)), "arm, key 2 of 4: 00:01:00, 1.00 s, 40deg, in-out");
  assert.equal(selectionText(score, refs("axis:arm", 1, 2)), "2 keys selected of arm");
  assert.equal(selectionText(score, [...refs("axis:arm", 1, 2), ...refs("control:nod", 1)]), "3 keys selected on 2 rows");
});

test("a list of 20,000 keys holds those about the one at hand", () => {
  assert.deepEqual(heldKeys(20000, 0), { from: 0, to: 41 });
  assert.deepEqual(heldKeys(20000, 10000), { from: 9960, to: 10041 });
  assert.deepEqual(heldKeys(20000, 19999), { from: 19959, to: 20000 });
  assert.deepEqual(heldKeys(3, 1), { from: 0, to: 3 });
});
