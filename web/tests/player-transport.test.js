import assert from "node:assert/strict";
import { afterEach, describe, test } from "node:test";
import { createStore, initialState } from "../page/store.js";
import { createTransport } from "../page/transport.js";

/** @typedef {import("../page/types.js").Score} Score */
/** @typedef {{when: number, from: number, to: number, rate: number}} Sounded */

/** @type {(() => void)[]} */
const ends = [];
afterEach(() => {
  for (const end of ends.splice(0)) end();
});

/**
 * A sound card of which the test turns the clock.
 * @typedef {object} Card
 * @property {number} now      s
 * @property {number} latency  s until what is scheduled is heard
 * @property {boolean} asleep
 * @property {Sounded[]} sounded
 * @property {number[]} clicks
 * @property {number[]} cuts
 * @property {import("../page/sound.js").Sound} sound
 */

/** @returns {Card} */
function card() {
  /** @type {Card} */
  const c = {
    now: 100,
    latency: 0.08,
    asleep: false,
    sounded: [],
    clicks: [],
    cuts: [],
    sound: {
      start: async () => !c.asleep,
      rest() {},
      kind: () => (c.asleep ? "page" : "sound"),
      clock: () => (c.asleep ? 7000 + c.now : c.now - c.latency),
      soonest: () => (c.asleep ? 7000 + c.now : c.now + 0.03),
      decode: () => Promise.reject(new Error("not here")),
      use() {},
      sound: (pass, rate) => void c.sounded.push({ ...pass, rate }),
      click: (when) => void c.clicks.push(when),
      cut: (when) => void c.cuts.push(when),
      grain() {},
      mute() {},
    },
  };
  return c;
}

/** @param {Partial<Score>} [s] */
function desk(s = {}) {
  const c = card();
  const store = createStore(initialState());
  store.set({ score: /** @type {Score} */ ({ name: "storm", length: 10, fps: { rate: 24, count: 24, drop: false }, tempo: null, marks: [], boardRate: 50, ...s }) });
  /** @type {string[]} */
  const said = [];
  const t = createTransport({ store, sound: c.sound, request() {}, announce: (text) => said.push(text) });
  ends.push(() => t.stop());
  return {
    c, store, said, t,
    async play() {
      t.play();
      await new Promise((done) => setImmediate(done));
    },
    /** Goes on by some seconds in frames of a screen. @param {number} seconds */
    run(seconds) {
      const end = c.now + seconds;
      while (c.now < end - 1e-9) {
        c.now = Math.min(end, c.now + 1 / 60);
        t.tick(0);
      }
      return store.get().time;
    },
  };
}

/** @param {number} a @param {number} b @param {number} [by] */
const near = (a, b, by = 1e-6) => assert.ok(Math.abs(a - b) <= by, `${a} is not ${b}`);

describe("playing", () => {
  test("the picture is where the sound is heard", async () => {
    const d = desk();
    await d.play();
    const at = d.run(2);
    const [pass] = d.c.sounded;
    // What is heard now left the page a latency ago.
    near(at, pass.from + (d.c.now - d.c.latency - pass.when) * pass.rate);
    assert.equal(pass.to, 10);
    assert.equal(d.c.sounded.length, 1);
  });
  test("it waits until the sound is heard, and does not jump", async () => {
    const d = desk();
    d.store.set({ time: 3 });
    await d.play();
    near(d.run(0.1), 3);
    near(d.run(0.02), 3.01, 1e-6);
  });
  test("at the end it stops there", async () => {
    const d = desk();
    d.store.set({ time: 9.5 });
    await d.play();
    d.run(2);
    assert.deepEqual([d.store.get().time, d.store.get().playing], [10, false]);
    assert.match(d.said.at(-1) ?? "", /Stopped at the end/);
  });
  test("from the end it begins anew", async () => {
    const d = desk();
    d.store.set({ time: 10 });
    await d.play();
    near(d.run(1.11), 1);
  });
  test("stop is at once, and cuts the sound", async () => {
    const d = desk();
    await d.play();
    const at = d.run(1);
    const cuts = d.c.cuts.length;
    d.t.stop();
    d.run(1);
    assert.deepEqual([d.store.get().time, d.store.get().playing, d.c.cuts.length], [at, false, cuts + 1]);
  });
  test("stopped before the sound card woke, it does not start after all", async () => {
    const d = desk();
    d.t.play();
    d.t.stop();
    await new Promise((done) => setImmediate(done));
    d.run(1);
    assert.deepEqual([d.store.get().time, d.store.get().playing, d.c.sounded.length], [0, false, 0]);
  });
});

describe("before it has started", () => {
  test("play, stop and play at once is one start", async () => {
    const d = desk();
    d.t.play();
    d.t.stop();
    await d.play();
    d.run(0.5);
    assert.equal(d.c.sounded.length, 1);
  });
  test("another speed during the count-in counts anew, at that speed", async () => {
    const d = desk({ tempo: [{ at: 0, beat: 0, bpm: 120 }] });
    d.store.set({ countIn: true, time: 2 });
    await d.play();
    d.run(1.2);
    d.c.clicks = [];
    d.store.set({ rate: 0.5 });
    assert.deepEqual(d.c.clicks.map((w) => Math.round((w - d.c.clicks[0]) * 1e6) / 1e6), [0, 1, 2, 3]);
    near(d.run(3.9), 2);
    assert.equal(d.store.get().counting, 1);
    near(d.run(1.21), 2.5);
  });
  test("a seek while it waits for the sound card plays from there", async () => {
    const d = desk();
    d.t.play();
    d.t.seek(4);
    await new Promise((done) => setImmediate(done));
    near(d.run(1.11), 5);
  });
});

describe("changes while it plays", () => {
  test("slower: the picture goes on without a step and sounds where it is", async () => {
    const d = desk();
    await d.play();
    const before = d.run(2);
    d.store.set({ rate: 0.5 });
    let last = before;
    for (let k = 0; k < 30; k++) {
      const t = d.run(1 / 60);
      assert.ok(t >= last && t - last < 1.01 / 60, `${last} to ${t}`);
      last = t;
    }
    const pass = d.c.sounded[1];
    assert.equal(pass.rate, 0.5);
    near(d.store.get().time, pass.from + (d.c.now - d.c.latency - pass.when) * 0.5);
    near(pass.when, d.c.cuts[1], 1e-9);
  });
  test("many changes of speed: time is the sum of the parts", async () => {
    const d = desk();
    await d.play();
    for (const rate of [1, 0.5, 0.25, 0.1, 1]) {
      d.store.set({ rate });
      d.run(1);
    }
    // 1 + 0.5 + 0.25 + 0.1 + 1 = 2.85, less what is not heard yet: lead and latency at the first, at the last only its share.
    near(d.store.get().time, 2.85 - 0.11, 1e-6);
  });
  test("a seek is seen at once and sounds there", async () => {
    const d = desk();
    await d.play();
    d.run(1);
    d.t.seek(7);
    assert.equal(d.store.get().time, 7);
    near(d.run(0.1), 7);
    near(d.run(0.51), 7.5);
    assert.equal(d.c.sounded.at(-1)?.from, 7);
  });
  test("a shorter version ends sooner", async () => {
    const d = desk();
    await d.play();
    d.run(1);
    d.store.set({ score: /** @type {Score} */ ({ .../** @type {Score} */ (d.store.get().score), length: 2 }) });
    d.run(2);
    assert.deepEqual([d.store.get().time, d.store.get().playing], [2, false]);
  });
  test("a sound that comes late joins in at its place", async () => {
    const d = desk();
    d.store.set({ sound: "loading" });
    await d.play();
    d.run(2);
    d.c.sounded = [];
    d.store.set({ sound: "ready" });
    d.run(0.1);
    const [pass] = d.c.sounded;
    near(pass.from + (d.c.now - d.c.latency - pass.when), d.store.get().time);
    assert.equal(d.c.sounded.length, 1);
  });
  test("where the sound card goes, the page's clock goes on from there", async () => {
    const d = desk();
    await d.play();
    const at = d.run(2);
    d.c.asleep = true;
    near(d.run(1), at + 1, 0.04);
    d.c.asleep = false;
    near(d.run(1), at + 2, 0.2);
  });
});

describe("loops", () => {
  test("a span goes round without a gap, in the sound to the last bit", async () => {
    const d = desk();
    d.store.set({ loop: { from: 2, to: 3.5 }, looping: true, time: 2 });
    await d.play();
    d.run(20);
    const { sounded } = d.c;
    assert.ok(sounded.length >= 13);
    for (let k = 1; k < sounded.length; k++) {
      near(sounded[k].when, sounded[k - 1].when + (sounded[k - 1].to - sounded[k - 1].from), 1e-9);
      assert.deepEqual([sounded[k].from, sounded[k].to], [2, 3.5]);
    }
    near(d.store.get().time, 2 + ((20 - 0.11) % 1.5));
  });
  test("a timer that comes once a second loses no round", async () => {
    const d = desk();
    d.store.set({ loop: { from: 0, to: 0.5 }, looping: true });
    await d.play();
    for (let k = 0; k < 10; k++) {
      d.c.now += 1;
      d.t.tick(0);
      // What is handed over reaches beyond the next second.
      assert.ok((d.c.sounded.at(-1)?.when ?? 0) > d.c.now + 1);
    }
    assert.ok(d.c.sounded.every((p, k) => k === 0 || Math.abs(p.when - d.c.sounded[k - 1].when - 0.5) < 1e-9));
  });
  test("switched off, it plays on to the end", async () => {
    const d = desk();
    d.store.set({ loop: { from: 2, to: 3 }, looping: true, time: 2 });
    await d.play();
    d.run(2.5);
    d.store.set({ looping: false });
    d.run(9);
    assert.deepEqual([d.store.get().time, d.store.get().playing], [10, false]);
  });
  test("all of the motion goes round where no span is set", async () => {
    const d = desk({ length: 2 });
    d.store.set({ looping: true });
    await d.play();
    near(d.run(5.11), 1);
  });
});

describe("count-in", () => {
  test("four beats of 120 are clicked and counted, then it plays", async () => {
    const d = desk({ tempo: [{ at: 0, beat: 0, bpm: 120 }] });
    d.store.set({ countIn: true });
    await d.play();
    assert.deepEqual(d.c.clicks.map((w) => Math.round((w - d.c.clicks[0]) * 1e6) / 1e6), [0, 0.5, 1, 1.5]);
    /** @type {number[]} */
    const counted = [];
    for (let k = 0; k < 130; k++) {
      d.run(1 / 60);
      const n = d.store.get().counting;
      if (n !== counted.at(-1)) counted.push(n);
    }
    assert.deepEqual(counted, [4, 3, 2, 1, 0]);
    near(d.c.sounded[0].when - d.c.clicks[0], 2, 1e-9);
    near(d.run(1), 130 / 60 + 1 - 2 - 0.11, 1e-6);
  });
  test("stopped while counting, it has gone nowhere", async () => {
    const d = desk();
    d.store.set({ countIn: true, time: 4 });
    await d.play();
    d.run(1.5);
    d.t.stop();
    assert.deepEqual([d.store.get().time, d.store.get().counting, d.store.get().playing], [4, 0, false]);
  });
});

describe("by hand", () => {
  test("scrubbing stops, snaps to frames, and plays on after", async () => {
    const d = desk();
    await d.play();
    d.run(1);
    d.t.scrub(5.03);
    assert.deepEqual([d.store.get().playing, d.store.get().time], [false, 121 / 24]);
    d.t.scrub(6);
    d.t.scrubEnd();
    await new Promise((done) => setImmediate(done));
    assert.equal(d.store.get().playing, true);
    near(d.run(1.11), 7);
  });
  test("steps stop and say where it is", async () => {
    const d = desk();
    await d.play();
    d.run(1);
    d.t.step(1);
    assert.equal(d.store.get().playing, false);
    assert.equal(d.said.at(-1), "00:00:00:22");
    near(d.store.get().time, 22 / 24);
  });
  test("marks by name, and none beyond the last", () => {
    const d = desk({ marks: [{ name: "gust", at: 2, locked: false, line: 1 }, { name: "rope", at: 8, locked: false, line: 2 }] });
    d.t.toMark(1);
    assert.deepEqual([d.store.get().time, d.said.at(-1)], [2, "gust"]);
    d.t.toMark(1);
    d.t.toMark(1);
    assert.deepEqual([d.store.get().time, d.said.at(-1)], [8, "No mark after this"]);
    d.t.toMark(-1);
    assert.equal(d.store.get().time, 2);
  });
  test("while it plays, the mark that has just gone by is not the one before", async () => {
    const d = desk({ marks: [{ name: "gust", at: 2, locked: false, line: 1 }, { name: "rope", at: 8, locked: false, line: 2 }] });
    d.store.set({ time: 8.2 });
    await d.play();
    d.t.toMark(-1);
    assert.equal(d.store.get().time, 2);
  });
});
