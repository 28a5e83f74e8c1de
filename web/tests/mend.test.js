import assert from "node:assert/strict";
import { afterEach, test } from "node:test";

import { createMend } from "../page/mend/mend.js";
import { createStore, initialState } from "../page/store.js";
import { editCurves, editScore } from "./edit-score.js";
import { buttonOf, openPage } from "./page.js";

/** @typedef {import("../page/types.js").Score} Score */
/** @typedef {import("../page/mend/door.js").Told} Told */

const real = globalThis.fetch;
/** @type {(() => void)[]} */
const ends = [];
afterEach(() => {
  for (const end of ends.splice(0)) end();
  globalThis.fetch = real;
});

/** Curves as the server sends them. @param {Score} score */
function bytesOf(score) {
  const { rate, samples, count, data } = editCurves(score);
  const b = Buffer.alloc(24);
  b.write("LJCV", 0, "latin1");
  b.writeUInt16LE(1, 4);
  b.writeDoubleLE(rate, 8);
  b.writeUInt32LE(samples, 16);
  b.writeUInt32LE(count, 20);
  return Buffer.concat([b, ...data.map((d) => Buffer.from(d.buffer))]);
}

/** The motion twice as long: what is at 2 s is at 4 s. */
function slower() {
  const score = editScore({ length: 16, revision: "p1", marks: [] });
  score.rows = score.rows.map((r) => ({ ...r, keys: r.keys.map((k) => ({ ...k, at: 2 * k.at })) }));
  return score;
}

const settle = async () => {
  for (let k = 0; k < 20; k++) await new Promise((done) => setImmediate(done));
};

function desk() {
  const page = openPage();
  ends.push(page.close);
  const score = editScore({ marks: [] });
  const store = createStore({ ...initialState(), connected: true, motion: "greet", score, curves: editCurves(score) });
  const d = {
    store, armed: false,
    /** @type {string[]} */
    said: [],
    /** @type {number[]} */
    seeks: [],
    /** @type {{done: (answer: {text: string, undo: number}) => void, failed: (text: string) => void}[]} */
    accepts: [],
    undone: 0,
    /** What comes between. @type {() => void} */
    onScore() {},
  };
  const findings = page.element("section");
  const scroll = page.element("div", "scroll");
  findings.append(scroll);
  /** @type {Map<string, Told>} */
  const proposals = new Map();
  const told = /** @type {Told} */ ({ motion: "greet", id: "A", kind: "retime", state: "ready", text: "longer", base: "t1", figures: { lengthBefore: 8, lengthAfter: 16, errorsBefore: 1, errorsAfter: 0, warningsBefore: 0, warningsAfter: 0 } });
  globalThis.fetch = /** @type {any} */ (async (/** @type {string} */ path) => {
    if (path.endsWith("/mend")) return Response.json({ proposal: "A" }, { status: 202 });
    if (path.endsWith("/score")) d.onScore();
    if (path.endsWith("/score")) return Response.json(slower());
    if (path.endsWith("/curves")) return new Response(bytesOf(slower()));
    return Response.json(told);
  });
  const button = page.element("button");
  const mend = createMend(/** @type {any} */ ({
    findings, sheet: page.element("section"), store, request() {}, follow() {}, key: () => "K", button, proposals, armed: () => d.armed,
    actions: { announce: (/** @type {string} */ text) => d.said.push(text), seek: (/** @type {number} */ time) => { d.seeks.push(time); store.set({ time }); } },
    editor: { undo: () => d.undone++, accept: (/** @type {string} */ _, /** @type {any} */ done, /** @type {any} */ failed) => d.accepts.push({ done, failed }) },
    ground: () => ({ window: page.element("div"), job: () => null }),
  }));
  mend.open(null);
  return {
    ...d, mend,
    /** @param {boolean} on */
    arms(on) {
      d.armed = on;
      mend.boards(on);
    },
    undone: () => d.undone,
    /** @param {() => void} does */
    whileFetched: (does) => void (d.onScore = does),
    /** @param {string} words */
    button: (words) => buttonOf(scroll, words),
    text: () => scroll.textContent,
    /** Asks for a proposal, which comes. */
    async proposes() {
      scroll.querySelector("form")?.requestSubmit();
      await settle();
      proposals.set("greet", told);
      mend.take(told);
      await settle();
    },
  };
}

test("a proposal that was asked for is shown when it is ready, at the same moment of the motion", async () => {
  const d = desk();
  d.store.set({ time: 2 });
  await d.proposes();
  assert.equal(d.store.get().proposed, true);
  assert.deepEqual(d.seeks, [4]);
});

test("while boards are armed it waits, says so, and no playhead is moved", async () => {
  const d = desk();
  d.store.set({ time: 2 });
  d.arms(true);
  await d.proposes();
  assert.deepEqual([d.store.get().proposed, d.store.get().time, d.seeks], [false, 2, []]);
  assert.match(d.said.at(-1) ?? "", /waits.*boards are armed/);
  assert.match(d.text(), /While boards are armed/);
  assert.equal(d.button("Show on the sheet")?.disabled, true);
  d.arms(false);
  d.button("Show on the sheet")?.click();
  await settle();
  assert.equal(d.store.get().proposed, true);
});

test("boards that are armed take it off the sheet with a word, and V does not bring it back", async () => {
  const d = desk();
  d.store.set({ time: 2, loop: { from: 1, to: 7 } });
  await d.proposes();
  d.seeks.length = 0;
  d.arms(true);
  assert.deepEqual([d.store.get().proposed, d.store.get().time, d.store.get().score?.length], [false, 2, 8]);
  assert.match(d.said.at(-1) ?? "", /off the sheet.*boards are armed/);
  d.mend.turn();
  assert.match(d.said.at(-1) ?? "", /boards are armed/);
  assert.deepEqual([d.store.get().proposed, d.seeks], [false, []]);
  d.arms(false);
  d.mend.turn();
  assert.equal(d.store.get().proposed, true);
});

test("armed while it is being fetched, it does not come on the sheet", async () => {
  const d = desk();
  let fetched = false;
  d.whileFetched(() => {
    fetched = true;
    d.arms(true);
  });
  await d.proposes();
  assert.equal(fetched, true);
  assert.deepEqual([d.store.get().proposed, d.seeks], [false, []]);
});

test("Undo is there as long as what was accepted is the last step", async () => {
  const d = desk();
  await d.proposes();
  d.button("Accept")?.click();
  assert.equal(d.button("Undo"), null, "the server has not said yet");
  /** @param {string} text @param {number} undo */
  const becomes = (text, undo) => d.store.set({ score: editScore({ length: 16, text, undo, revision: text }) });
  becomes("t2", 1);
  d.accepts[0].done({ text: "t2", undo: 1 });
  assert.notEqual(d.button("Undo"), null);
  assert.match(d.text(), /Accepted: it is in the file/);
  becomes("t3", 2); // an edit
  assert.equal(d.button("Undo"), null);
  assert.doesNotMatch(d.text(), /Accepted/);
  becomes("t2", 3); // typed back: the same text, by other steps
  assert.equal(d.button("Undo"), null);
  becomes("t2", 1); // both undone
  d.button("Undo")?.click();
  assert.equal(d.undone(), 1);
  becomes("t1", 0);
  assert.equal(d.button("Undo"), null);
});

test("another change that was still on its way is not what Undo takes back", async () => {
  const d = desk();
  await d.proposes();
  d.button("Accept")?.click();
  d.store.set({ score: editScore({ text: "t1b", undo: 1, revision: "t1b" }) }); // somebody's, before the server took it over
  assert.equal(d.button("Undo"), null);
  d.accepts[0].failed("no");
  assert.equal(d.button("Undo"), null);
});
