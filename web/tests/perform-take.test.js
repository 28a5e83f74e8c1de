import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { choicesOf, firstTolerance, liveOf, nice, rangeOf, tolerancesOf, withUnit } from "../page/perform/rows.js";
import { createStudio } from "../page/perform/studio.js";
import { cadence, createRecorder, longest, rounded, shifted, valueAt } from "../page/perform/take.js";
import { fitText, spanText, takeText } from "../page/perform/words.js";
import { createStore, initialState } from "../page/store.js";

/** @typedef {import("../page/types.js").Score} Score */

/** @param {number} a @param {number} b @param {number} [by] */
const near = (a, b, by = 1e-9) => assert.ok(Math.abs(a - b) <= by, `${a} is not ${b}`);

describe("recorder", () => {
  test("it begins at the span's beginning with what the hand held then, and ends at its end, in between", () => {
    const r = createRecorder({ from: 2, to: 3 });
    assert.equal(r.put(10, 1.9, 7), "before");
    assert.equal(r.put(10.11, 2.01, 8), "goes");
    for (let k = 2; k < 99; k++) assert.equal(r.put(10.1 + k / 100, 2 + k / 100, k), "goes");
    assert.equal(r.put(11.12, 3.02, 200), "over");
    assert.deepEqual(r.samples[0], [2, 7]);
    const [t, v] = r.samples[r.samples.length - 1];
    assert.equal(t, 3);
    near(v, 98 + (200 - 98) * (0.02 / 0.04));
    assert.ok(r.samples.every(([time], k) => k === 0 || time > r.samples[k - 1][0]));
  });
  test("a hand that says nothing holds; one at which nobody looked is bridged", () => {
    for (const [still, at] of /** @type {[boolean, number][]} */ ([[true, 1], [false, 3]])) {
      const r = createRecorder({ from: 0, to: 10 });
      r.put(0, 0, 1);
      r.put(0.02, 0.02, 1);
      r.put(1.02, 1.02, 5, still);
      near(valueAt(r.samples, 0.52), at);
      assert.equal(cadence(r.samples, 1).gap > 0.9, !still);
    }
  });
  test("at half the speed the same silence is half as long in the motion", () => {
    const r = createRecorder({ from: 0, to: 10 });
    r.put(0, 0, 1);
    r.put(1, 0.5, 2);
    near(cadence(r.samples, 0.5).gap, 1 / 60, 1e-3);
    near(valueAt(r.samples, 0.48), 1);
  });
  test("a clock that steps back a little changes the value only; a round of the loop ends the take", () => {
    const r = createRecorder({ from: 0, to: 4 });
    r.put(0, 0, 1);
    r.put(1, 1, 2, false);
    assert.equal(r.put(1.01, 0.995, 3), "goes");
    assert.deepEqual(r.samples, [[0, 1], [1, 3]]);
    assert.equal(r.put(1.02, 0.1, 3), "over");
  });
  test("it ends after ten minutes", () => {
    const r = createRecorder({ from: 0, to: 5000 });
    r.put(0, 0, 1);
    assert.equal(r.put(longest + 1, longest + 1, 2, false), "full");
    assert.equal(r.samples.at(-1)?.[0], longest);
  });
  test("closed, it holds its value up to the end", () => {
    const r = createRecorder({ from: 0, to: 4 });
    r.put(0, 0, 1);
    r.put(0.01, 0.01, 2);
    r.close(2, 2);
    assert.deepEqual(r.samples.at(-1), [2, 2]);
    near(cadence(r.samples, 1).gap, 1 / 60, 1e-3);
  });
  test("what is no number is left out", () => {
    const r = createRecorder({ from: 0, to: 4 });
    r.put(0, 0, 1);
    r.put(0.1, NaN, 1);
    r.put(0.2, 0.2, Infinity);
    assert.deepEqual(r.samples, [[0, 1]]);
  });
});

describe("take", () => {
  /** @type {[number, number][]} */
  const ramp = Array.from({ length: 101 }, (_, k) => [k / 100, k]);
  test("without its delay it comes sooner, and keeps its ends", () => {
    const s = shifted(ramp, 0.2);
    assert.deepEqual([s[0][0], s.at(-1)?.[0]], [0, 1]);
    near(valueAt(s, 0.3), 50);
    near(valueAt(s, 0.9), 100);
    assert.ok(s.every(([time], k) => k === 0 || time > s[k - 1][0]));
    assert.equal(shifted(ramp, 0), ramp);
    near(valueAt(shifted(ramp, 5), 0.5), 100);
  });
  test("between samples it is straight", () => {
    near(valueAt(ramp, 0.123), 12.3);
    assert.deepEqual([valueAt(ramp, -1), valueAt(ramp, 9)], [0, 100]);
  });
  test("it is sent to a microsecond and a ten-thousandth", () => {
    assert.deepEqual(rounded([[1 / 3, 2 / 3]]), [[0.333333, 0.6667]]);
  });
});

/** @type {any} */
const score = {
  name: "greet", length: 10, revision: "1", text: "t", rows: [
    { kind: "axis", name: "left", unit: "deg", travel: [-15, 15], rest: 0, low: -15, high: 15, commanded: 0 },
    { kind: "axis", name: "right", unit: "deg", travel: [-15, 15], rest: 0, low: -15, high: 15, commanded: 1 },
    { kind: "axis", name: "horn", unit: "on", travel: null, rest: 0, low: 0, high: 1, commanded: 2 },
    { kind: "control", name: "nod", unit: "deg", travel: null, rest: 0, low: -10, high: 10, commanded: 3 },
  ],
  controls: [{ name: "nod", unit: "deg", row: 3, low: -30, high: 30, shares: [{ row: 0, share: 0.5 }, { row: 1, share: 0.5 }] },
    { name: "tilt", unit: "deg", row: -1, low: -30, high: 30, shares: [{ row: 0, share: 0.5 }, { row: 1, share: -0.5 }] }],
};
/** @type {any} */
const curves = { rate: 1, samples: 2, count: 4, data: [[4, 4], [2, 2], [0, 0], [6, 6]].map((d) => Float32Array.from(d)) };

describe("rows", () => {
  test("all axes and all controls of the rig, as far as they go", () => {
    assert.deepEqual(choicesOf(score).map((c) => [c.id, c.low, c.high, c.steps, c.row]), [["axis:left", -15, 15, false, 0], ["axis:right", -15, 15, false, 1], ["axis:horn", 0, 1, true, 2],
      ["control:nod", -30, 30, false, 3], ["control:tilt", -30, 30, false, -1]]);
  });
  test("a control moves its axes by its shares, from where they are", () => {
    const [nod, tilt] = choicesOf(score).slice(3);
    assert.deepEqual(liveOf(nod, 10, "replace", score, curves, 0), [[0, 6], [1, 4]]); // 4 more than 6
    assert.deepEqual(liveOf(nod, 10, "add", score, curves, 0), [[0, 9], [1, 7]]);
    assert.deepEqual(liveOf(tilt, 10, "replace", score, curves, 0), [[0, 9], [1, -3]]); // it is not used: from 0
    assert.deepEqual(liveOf(choicesOf(score)[0], -12, "replace", score, curves, 0), [[0, -12]]);
  });
  test("what is added goes both ways by a round number", () => {
    assert.deepEqual(rangeOf(choicesOf(score)[0], "add"), [-2, 2]);
    assert.deepEqual([nice(7.5), nice(0.03), nice(100), nice(0)], [5, 0.02, 100, 0]);
  });
  test("tolerances from a thousandth to a tenth of the range, about a hundredth at first", () => {
    for (const range of [1, 24, 140, 200]) {
      const list = tolerancesOf(range);
      assert.ok(list[0] >= range / 1000 && list[list.length - 1] <= range / 10 && list.length >= 10, `${range}: ${list}`);
      assert.ok(list.every((x, k) => k === 0 || x > list[k - 1]));
      near(Math.log10(list[firstTolerance(list, range)] / range), -2, 0.1);
    }
  });
  test("values in words", () => {
    assert.deepEqual([withUnit(-3.14159, "deg"), withUnit(12, "%"), withUnit(1, "on")], ["\u22123.142\u00b0", "12 %", "on"]);
  });
});

/** A page with a transport of which the test turns the clock. @param {Partial<import("../page/types.js").State>} state */
function page(state) {
  const store = createStore(initialState());
  store.set({ score, curves, motion: "greet", ...state });
  const clock = { now: 1000, began: 0, from: 0 }; // ms
  /** @type {any} */
  const actions = {
    /** As the page's transport does, it begins anew a moment later. @param {number} time */
    seek(time) {
      Object.assign(clock, { began: clock.now + 30, from: time });
      store.set({ time });
    },
    play() {
      Object.assign(clock, { began: clock.now, from: store.get().time });
      store.set({ playing: true });
    },
    stop: () => store.set({ playing: false }),
    /** @param {number} now */
    momentAt(now) {
      const { playing, loop, looping, rate } = store.get();
      if (!playing) return null;
      const t = clock.from + Math.max(0, (now - clock.began) / 1000) * rate;
      return { time: looping && loop && t >= loop.to ? loop.from + (t - loop.to) : t, before: Math.max(0, (clock.began - now) / 1000) };
    },
  };
  /** @type {{take: import("../page/perform/studio.js").Take|null, why: string}[]} */
  const ends = [];
  const studio = createStudio({ store, actions, ended: (take, why) => ends.push({ take, why }) });
  return {
    store, clock, studio, ends, actions,
    /** @param {number} seconds @param {(t: number) => number|null} hand  null: it says nothing */
    run(seconds, hand) {
      for (const end = clock.now + 1000 * seconds; clock.now < end && ends.length === 0;) {
        clock.now += 8;
        const t = actions.momentAt(clock.now)?.time ?? 0;
        store.set({ time: t });
        const v = hand(t);
        if (v !== null) studio.heard(v, clock.now);
        studio.look(clock.now);
      }
    },
  };
}

describe("studio", () => {
  const choice = choicesOf(score)[0];
  test("the loop's span is punched in and out, and the motion stops", () => {
    const p = page({ looping: true, loop: { from: 2, to: 3 }, time: 7 });
    assert.ok(p.studio.begin({ choice, over: "replace", value: 1 }));
    p.run(5, (t) => 10 * t);
    const [{ take, why }] = p.ends;
    assert.equal(why, "the span is over");
    assert.deepEqual([take?.from, take?.to, p.store.get().playing, p.studio.now()], [2, 3, false, null]);
    near(valueAt(take?.samples ?? [], 2.5), 25, 1e-6);
    near(take?.hertz ?? 0, 125, 1);
  });
  test("a hand that never moves holds what it had", () => {
    const p = page({ looping: true, loop: { from: 2, to: 3 } });
    p.studio.begin({ choice, over: "add", value: 4 });
    p.run(5, () => null);
    const { take } = p.ends[0];
    assert.deepEqual([take?.from, take?.to, take?.over], [2, 3, "add"]);
    assert.ok(take?.samples.every(([, v]) => v === 4) && take.samples.length >= 60);
  });
  test("Stop ends it where it is; a slip is no take", () => {
    const p = page({ time: 1 });
    p.studio.begin({ choice, over: "replace", value: 1 });
    p.run(0.5, (t) => t);
    p.store.set({ playing: false });
    p.studio.look(p.clock.now);
    assert.equal(p.ends[0].why, "it was stopped");
    near(p.ends[0].take?.to ?? 0, 1.5, 0.02);
    const q = page({ time: 1 });
    q.studio.begin({ choice, over: "replace", value: 1 });
    q.run(0.05, (t) => t);
    q.store.set({ playing: false });
    q.studio.look(q.clock.now);
    assert.equal(q.ends[0].take, null);
  });
  test("at the end of the motion it begins anew; another motion ends it; slow motion is said", () => {
    const p = page({ time: 10, rate: 0.5 });
    assert.equal(p.studio.span()?.from, 0);
    p.studio.begin({ choice, over: "replace", value: 1 });
    p.run(1, (t) => t);
    p.store.set({ motion: "storm" });
    p.studio.look(p.clock.now);
    const { take, why } = p.ends[0];
    assert.equal(why, "another motion was chosen");
    near(take?.to ?? 0, 0.5, 0.02);
    assert.ok(take && takeText(take).endsWith("played at 50 %"), take ? takeText(take) : "");
  });
  // What the hand did is known up to where the motion was taken elsewhere; nothing after belongs to the take.
  for (const [name, to, looped] of /** @type {[string, number, boolean][]} */ ([["forward", 8, false], ["back", 0.5, false], ["forward within the loop", 3, true], ["back within the loop", 1.1, true], ["back by little", 1.2, false], ["forward by little", 1.75, false]])) {
    test(`a seek ends the take at its last true time: ${name}`, () => {
      const p = page(looped ? { looping: true, loop: { from: 1, to: 4 }, time: 1 } : { time: 1 });
      p.studio.begin({ choice, over: "replace", value: 10 });
      p.run(0.5, (t) => 10 * t);
      p.actions.seek(to);
      p.run(3, (t) => 10 * t);
      const [{ take, why }] = p.ends;
      assert.equal(why, "the playhead was moved");
      near(take?.to ?? 0, 1.5, 0.02);
      assert.ok(take?.samples.every(([t, v]) => Math.abs(v - 10 * t) < 0.2), "each sample is what the hand did then");
      assert.equal(p.store.get().playing, false);
    });
  }
  test("a hand that moves in the very moment of a seek does not fill the way to there", () => {
    const p = page({ time: 1 });
    p.studio.begin({ choice, over: "replace", value: 10 });
    p.run(0.5, (t) => 10 * t);
    p.actions.seek(8);
    p.clock.now += 50;
    p.studio.heard(80, p.clock.now);
    assert.equal(p.ends[0].why, "the playhead was moved");
    near(p.ends[0].take?.to ?? 0, 1.5, 0.02);
  });
  test("stopped and taken elsewhere, nothing is held up to there", () => {
    for (const to of [8, 0.2]) {
      const p = page({ time: 1 });
      p.studio.begin({ choice, over: "replace", value: 10 });
      p.run(0.5, (t) => 10 * t);
      p.actions.stop();
      p.actions.seek(to);
      p.studio.look(p.clock.now + 4);
      assert.equal(p.ends[0].why, "the playhead was moved");
      near(p.ends[0].take?.to ?? 0, 1.5, 0.02);
    }
  });
  test("taken elsewhere before it begins, nothing is recorded", () => {
    const p = page({ time: 1 });
    p.studio.begin({ choice, over: "replace", value: 10 });
    p.clock.began = p.clock.now + 2000; // a count-in
    p.run(1, () => null);
    assert.equal(p.studio.now()?.begun, false);
    p.actions.seek(6);
    p.run(1, (t) => t);
    assert.deepEqual(p.ends, [{ take: null, why: "the playhead was moved" }]);
  });
  test("a page that was busy for a second and more still has a whole take", () => {
    const p = page({ looping: true, loop: { from: 2, to: 5 }, time: 2 });
    p.studio.begin({ choice, over: "replace", value: 20 });
    p.run(0.5, (t) => 10 * t);
    p.clock.now += 1500;
    p.run(3, (t) => 10 * t);
    assert.deepEqual([p.ends[0].why, p.ends[0].take?.from, p.ends[0].take?.to], ["the span is over", 2, 5]);
  });
  test("what plays beyond the loop's span goes back to its beginning", () => {
    const p = page({ looping: true, loop: { from: 2, to: 3 }, time: 7, playing: true });
    p.clock.from = 7;
    p.clock.began = p.clock.now;
    p.studio.begin({ choice, over: "replace", value: 20 });
    p.run(3, (t) => 10 * t);
    assert.deepEqual([p.ends[0].why, p.ends[0].take?.from, p.ends[0].take?.to], ["the span is over", 2, 3]);
  });
  test("a proposal that is shown ends the take, for its times are others", () => {
    const p = page({ time: 1 });
    p.studio.begin({ choice, over: "replace", value: 10 });
    p.run(0.5, (t) => 10 * t);
    p.store.set({ proposed: true, time: 4 });
    p.run(0.1, (t) => 10 * t);
    assert.equal(p.ends[0].why, "a proposal is shown instead of the motion");
    near(p.ends[0].take?.to ?? 0, 1.5, 0.02);
  });
  test("no second take begins while one goes", () => {
    const p = page({});
    assert.equal(p.studio.begin({ choice, over: "replace", value: 1 }), true);
    assert.equal(p.studio.begin({ choice, over: "replace", value: 1 }), false);
  });
});

test("what came of a take is said in words", () => {
  assert.equal(spanText({ from: 2, to: 3.5, looped: true }), "From 2 to 3.5 s, the loop span");
  /** @type {any} */
  const f = { state: "ready", tolerance: 1, take: { choice: { unit: "deg" }, samples: new Array(352) }, figures: { samples: 352, keys: 12, greatest: 0.91234, rms: 0.3, tolerance: 1, ease: "cubic", errorsBefore: 0, errorsAfter: 2, warningsBefore: 1, warningsAfter: 1 } };
  assert.equal(fitText(f), "12 keys for 352 samples, 29 times fewer. At most 0.912\u00b0 from your hand, smoothed; 1\u00b0 is allowed. Root mean square from the samples: 0.3\u00b0. Ease: cubic. Errors: 2, before 0.");
  assert.equal(fitText({ ...f, state: "refused", text: "a key is locked" }), "Not done: a key is locked");
});
