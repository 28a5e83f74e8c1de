import assert from "node:assert/strict";
import { afterEach, mock, test } from "node:test";

import { createStore, initialState } from "../page/store.js";
import { createTransport } from "../page/transport.js";

/** @typedef {import("../page/rehearse/clock.js").Leader} Leader */

const latency = 0.08; // s until what is scheduled is heard

/** @type {(() => void)[]} */
const ends = [];
afterEach(() => {
  for (const end of ends.splice(0)) end();
  mock.restoreAll();
});

/** A transport, whose sound card and clock the test turns: now in s, of both. */
function desk() {
  const c = { now: 100, sounded: /** @type {{when: number, from: number, to: number, rate: number}[]} */ ([]), clicks: /** @type {number[]} */ ([]), cuts: 0 };
  mock.method(performance, "now", () => c.now * 1000);
  const store = createStore(initialState());
  store.set({ score: /** @type {import("../page/types.js").Score} */ ({ name: "storm", length: 10, fps: null, tempo: null, boardRate: 50 }) });
  const t = createTransport({
    store, request() {}, announce() {},
    sound: {
      start: async () => true, rest() {}, kind: () => "sound", clock: (now) => now / 1000 - latency, soonest: () => c.now + 0.03,
      decode: () => Promise.reject(new Error("not here")), use() {},
      sound: (pass, rate) => void c.sounded.push({ ...pass, rate }), click: (when) => void c.clicks.push(when), cut: () => void c.cuts++, grain() {}, mute() {},
    },
  });
  ends.push(() => t.stop());
  return {
    c, store, t,
    /** @param {Leader|null} leader */
    async along(leader) {
      t.along(leader);
      await new Promise((done) => setImmediate(done));
    },
    /** @param {number} seconds */
    run(seconds) {
      const end = c.now + seconds;
      while (c.now < end - 1e-9) {
        c.now = Math.min(end, c.now + 1 / 60);
        t.tick(c.now * 1000);
      }
      return store.get().time;
    },
  };
}

/** A leader that started at a moment of the page, in s. @param {number} start @param {Partial<Leader>} [more] @returns {Leader} */
const leads = (start, more = {}) => ({ at: (now) => Math.min(10, (now / 1000 - start) * (more.rate ?? 1)), next: () => Infinity, entry: 0, from: 0, to: 10, rate: 1, counting: false, ...more });

/** @param {number} a @param {number} b @param {number} [by] */
const near = (a, b, by = 1e-6) => assert.ok(Math.abs(a - b) <= by, `${a} is not ${b}`);

test("what is heard, and seen, is where the leader is", async () => {
  for (const rate of [1, 0.25]) {
    const d = desk();
    const leader = leads(98, { rate });
    await d.along(leader);
    const [pass] = d.c.sounded;
    near(pass.from, leader.at((pass.when + latency) * 1000));
    assert.equal(pass.rate, rate);
    near(d.run(1), leader.at(d.c.now * 1000));
    assert.equal(d.c.sounded.length, 1);
  }
});

test("off by more than half a film frame it is put right once, by less it is left", async () => {
  for (const [off, corrections] of [[0.008, 0], [-0.008, 0], [0.03, 1], [-0.03, 1], [1, 1]]) {
    const d = desk();
    await d.along(leads(98));
    d.run(1);
    const cuts = d.c.cuts;
    await d.along(leads(98 + off));
    d.run(1);
    assert.equal(d.c.cuts - cuts, corrections, `${off} s`);
    near(d.store.get().time, d.c.now - 98 - off, corrections ? 1e-6 : 0.009);
  }
});

test("it waits at the entry until the leader starts, and counts when that counts", async () => {
  const d = desk();
  await d.along(leads(104, { at: (now) => now / 1000 - 104 + 3, entry: 3 })); // on its way
  near(d.run(0.5), 3);
  assert.deepEqual(d.c.clicks, []);
  await d.along(leads(104, { at: (now) => now / 1000 - 104 + 3, entry: 3, counting: true }));
  assert.deepEqual(d.c.clicks.map((c) => Math.round((104 - c - latency) * 1000) / 1000), [3, 2, 1]);
  d.run(1.2);
  assert.equal(d.store.get().counting, 3);
  near(d.run(2.3), 3);
  near(d.run(0.5), 3.5);
  assert.equal(d.store.get().counting, 0);
});

test("the next round sounds when it starts, after the way back", async () => {
  const d = desk();
  const round = 4.5; // s, of which half a second is the way back
  const since = (/** @type {number} */ now) => now / 1000 - 99;
  const leader = leads(99, { from: 2, to: 6, entry: 2, at: (now) => Math.min(6, 2 + (since(now) % round)), next: (now) => (99 + Math.ceil(since(now) / round + 1e-9) * round) * 1000 });
  await d.along(leader);
  near(d.run(3.3), 6); // the way back: it stands at the end, and plays on
  assert.equal(d.store.get().playing, true);
  near(d.run(0.7), 2.5);
  const second = d.c.sounded[1];
  near(second.when + latency, 103.5);
  assert.deepEqual([second.from, second.to, d.c.sounded.length], [2, 6, 2]);
  near(d.run(4.5), 2.5);
  assert.equal(d.c.sounded.length, 3);
});

test("another speed begins anew at once; without a leader it stops", async () => {
  const d = desk();
  await d.along(leads(99));
  d.run(0.2);
  const half = leads(99, { rate: 0.5 });
  await d.along(half);
  assert.equal(d.c.sounded.at(-1)?.rate, 0.5);
  near(d.run(0.3), half.at(d.c.now * 1000));
  await d.along(null);
  assert.equal(d.store.get().playing, false);
  d.t.play();
  await new Promise((done) => setImmediate(done));
  assert.equal(d.store.get().playing, true, "its own");
  await d.along(null);
  assert.equal(d.store.get().playing, true, "is not stopped by a leader's end");
});

test("a hand on the transport has it", async () => {
  const d = desk();
  await d.along(leads(99));
  d.run(0.2);
  d.t.seek(7);
  near(d.run(0.5), 7.5, 0.12);
});
