import assert from "node:assert/strict";
import { test } from "node:test";

import { createBaton } from "../page/rehearse/baton.js";
import { conducted, nothing } from "../page/rehearse/words.js";
import { createStore, initialState } from "../page/store.js";

/** @typedef {import("../page/rehearse/words.js").Rehearsal} Rehearsal */

/** A baton over boards that the test moves. */
function stand() {
  const store = createStore(initialState());
  store.set({ motion: "greet", score: /** @type {import("../page/types.js").Score} */ ({ name: "greet", length: 10, fps: { rate: 25, count: 25, drop: false }, boardRate: 50, marks: [{ name: "wave", at: 6, locked: false, line: 1 }] }) });
  /** @type {Rehearsal} */
  let state = { ...nothing, phase: "armed", motion: "greet" };
  /** @type {[string, any][]} */
  const asked = [];
  /** @type {((a: {ok: boolean}) => void)[]} */
  const answers = [];
  const baton = createBaton({
    store, pressed() {}, announce() {},
    page: { stop() {}, seek: (time) => store.set({ time }) },
    desk: /** @type {import("../page/rehearse/tools.js").RehearsalDesk} */ (/** @type {unknown} */ ({
      state: () => state, conducts: () => conducted(state),
      wish: (/** @type {string} */ word, /** @type {any} */ more) => {
        asked.push([word, more]);
        return new Promise((done) => answers.push(done));
      },
    })),
  });
  return {
    store, baton, asked,
    async answered(ok = true) {
      answers.shift()?.({ ok });
      await new Promise((done) => setImmediate(done));
    },
    /** @param {Partial<Rehearsal>} change */
    becomes(change) {
      const before = state;
      state = { ...state, ...change };
      baton.told(before);
    },
  };
}

test("play goes to the boards from the playhead, then hold, then on from there", async () => {
  const s = stand();
  s.store.set({ time: 2 });
  s.baton.told(nothing);
  assert.equal(s.store.get().boards, "still");
  s.baton.toggle();
  assert.deepEqual(s.asked.pop(), ["play", { motion: "greet", from: 2, speed: 1, loop: false, countIn: 0 }]);
  assert.equal(s.store.get().boards, "running");
  await s.answered();
  s.becomes({ phase: "playing" });
  s.baton.toggle();
  assert.equal(s.asked.pop()?.[0], "hold");
  assert.equal(s.baton.label(), "Play on the boards");
  await s.answered();
  s.becomes({ phase: "held", position: 3.25 });
  assert.deepEqual([s.store.get().time, s.baton.label()], [3.25, "Go on"]);
  s.becomes({ position: 3.26 }); // told a little later, to where they came to rest
  assert.equal(s.store.get().time, 3.26);
  s.baton.toggle();
  assert.equal(s.asked.pop()?.[0], "resume");
});

test("taken elsewhere while held, they play from there", async () => {
  const s = stand();
  s.becomes({ phase: "playing" });
  s.baton.stop();
  await s.answered();
  s.becomes({ phase: "held", position: 3 });
  s.asked.length = 0;
  s.baton.seek(5);
  s.becomes({ position: 3 });
  assert.deepEqual([s.asked.length, s.store.get().time], [0, 5]);
  s.baton.play();
  assert.deepEqual(s.asked.pop(), ["play", { motion: "greet", from: 5, speed: 1, loop: false, countIn: 0 }]);
});

test("a jump while they play is another play; stop, then a place, is none", async () => {
  const s = stand();
  s.becomes({ phase: "playing" });
  s.baton.toMark(1);
  assert.equal(s.asked.pop()?.[1].from, 6);
  await s.answered();
  s.baton.stop();
  s.baton.seek(1); // as a finding that is selected does
  assert.deepEqual(s.asked.map((a) => a[0]), ["hold"]);
  s.becomes({ phase: "held", position: 6.5 });
  assert.equal(s.store.get().time, 1);
});

test("they hold while the playhead is drawn, and play on from where it is let go", async () => {
  const s = stand();
  s.becomes({ phase: "playing" });
  s.baton.scrub(4.012);
  assert.deepEqual(s.asked.map((a) => a[0]), ["hold"]);
  await s.answered();
  s.becomes({ phase: "held", position: 2 });
  s.baton.scrub(4.2);
  assert.equal(s.store.get().time, 4.2);
  s.baton.scrubEnd();
  assert.deepEqual(s.asked.pop(), ["play", { motion: "greet", from: 4.2, speed: 1, loop: false, countIn: 0 }]);
});

test("drawn while they stand, they stay", () => {
  const s = stand();
  s.baton.scrub(4);
  s.baton.scrubEnd();
  s.baton.step(1);
  assert.deepEqual([s.asked.length, s.store.get().time], [0, 4.04]);
});

test("a hold before the play has begun comes after it", async () => {
  const s = stand();
  s.baton.play();
  s.baton.stop();
  assert.deepEqual(s.asked.map((a) => a[0]), ["play"]);
  await s.answered();
  assert.deepEqual(s.asked.map((a) => a[0]), ["play", "hold"]);
});

test("after a loss the playhead is where it was, and play says so", () => {
  const s = stand();
  s.becomes({ phase: "lost", resume_at: 3.2 });
  assert.equal(s.store.get().time, 3.2);
  s.becomes({ phase: "armed" });
  assert.equal(s.baton.label(), "Play from 3.2 s");
  s.baton.play();
  assert.equal(s.asked.pop()?.[1].from, 3.2);
});

test("a loop span that another version of the motion cuts is nobody's hand: boards play on", (t) => {
  t.mock.timers.enable({ apis: ["setTimeout"] });
  const s = stand();
  s.store.set({ looping: true, loop: { from: 2, to: 9 } });
  s.becomes({ phase: "playing" });
  const score = /** @type {import("../page/types.js").Score} */ (s.store.get().score);
  s.store.set({ score: { ...score, length: 8 }, loop: { from: 2, to: 8 } });
  t.mock.timers.tick(1000);
  assert.deepEqual(s.asked, []);
  s.store.set({ loop: { from: 3, to: 8 } });
  t.mock.timers.tick(1000);
  assert.deepEqual(/** @type {[string, any][]} */ (s.asked).map(([word, more]) => [word, more.from, more.to]), [["play", 3, 8]]);
});

test("speed and loop go to boards that play, when hands rest; not to those that stand", (t) => {
  t.mock.timers.enable({ apis: ["setTimeout"] });
  const s = stand();
  s.store.set({ rate: 0.5 });
  t.mock.timers.tick(1000);
  assert.equal(s.asked.length, 0);
  s.becomes({ phase: "playing" });
  for (const rate of [0.4, 0.3, 0.2]) s.store.set({ rate });
  s.store.set({ looping: true });
  t.mock.timers.tick(1000);
  assert.deepEqual(s.asked, [["play", { motion: "greet", from: 0, speed: 0.2, loop: true, countIn: 0 }]]);
});
