import assert from "node:assert/strict";
import { test } from "node:test";

import { createServerClock, leaderOf } from "../page/rehearse/clock.js";
import { nothing } from "../page/rehearse/words.js";

test("the server's clock is found to the quickest message, whatever the others took", () => {
  // Of the delays of a network the least counts (as in NTP's clock filter, RFC 5905, section 10).
  const clock = createServerClock();
  const ahead = 1_795_754_159_000; // the server's clock, where the page's shows 0
  const delays = [80, 14, 3.5, 40, 2.25, 300, 7, 2.5, 19];
  delays.forEach((d, k) => clock.heard(ahead + 100 * k, 100 * k + d));
  assert.ok(Math.abs(clock.at(5000) - (ahead + 5000 - 2.25)) < 1e-3);
  assert.ok(Math.abs(clock.when(ahead) - 2.25) < 1e-3);
});

test("a quick message of long ago counts no more, and nothing does after a sleep", () => {
  const clock = createServerClock();
  for (let k = 0; k < 200; k++) clock.heard(100 * k, 100 * k + (k === 0 ? 1 : 5));
  assert.ok(Math.abs(clock.when(0) - 5) < 1e-9);
  clock.forget();
  assert.equal(clock.at(0), -Infinity);
  clock.heard(1000, 5000);
  assert.equal(clock.when(0), 4000);
});

const still = { at: (/** @type {number} */ t) => t, when: (/** @type {number} */ t) => t };
const playing = { ...nothing, phase: "playing", sound_at: 10_000, begin: 2, length: 3, speed: 0.5, position: 2.5 };

test("the boards' time goes at their speed from the moment of their start, and not beyond the end", () => {
  const l = leaderOf(playing, still);
  assert.ok(l);
  assert.deepEqual([9_000, 10_000, 12_000, 16_000, 20_000].map(l.at), [1.5, 2, 3, 5, 5]);
  assert.deepEqual([l.from, l.to, l.rate, l.entry, l.next(12_000)], [2, 5, 0.5, 2, Infinity]);
});

test("a round begins when the way back is over", () => {
  const l = leaderOf({ ...playing, every: 7 }, still); // 6 s of playing at half speed, 1 s back
  assert.ok(l);
  assert.deepEqual([15_999, 16_500, 17_000, 18_000, 24_000, 26_000].map(l.at), [2 + 2.9995, 5, 2, 2.5, 2, 3]);
  assert.deepEqual([9_000, 10_500, 17_500].map(l.next), [17_000, 17_000, 24_000]);
});

test("until they start the boards wait where they will enter", () => {
  for (const phase of ["moving", "count-in"]) {
    const l = leaderOf({ ...playing, phase, position: 3.25 }, still);
    assert.ok(l);
    assert.deepEqual([l.entry, l.counting], [3.25, phase === "count-in"]);
  }
});

test("nothing leads where nothing runs, or where it is not known yet how long it is", () => {
  for (const change of [{ phase: "held" }, { phase: "armed" }, { sound_at: null }, { length: 0 }, { length: null }, { begin: null }]) assert.equal(leaderOf({ ...playing, ...change }, still), null, JSON.stringify(change));
});
