import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { countIn, countLeft, createSmoother, goOn, loopOf, nextOf, passageAt, passes, positionIn, restOfPass, snapped, spanWithin, startWithin, stepped, trimmed, withEnd } from "../page/player.js";

/** @typedef {import("../page/player.js").Passage} Passage */

/** A small generator of numbers, the same on each run (Park and Miller 1988). @param {number} seed */
function numbers(seed) {
  let x = seed;
  return () => (x = (x * 48271) % 2147483647) / 2147483647;
}

/** @param {Partial<Passage>} p @returns {Passage} */
const passage = (p) => ({ start: 0, time: 0, rate: 1, loop: null, end: 10, ...p });

describe("position", () => {
  for (const [name, p, now, want, ended] of /** @type {[string, Partial<Passage>, number, number, boolean][]} */ ([
    ["waits before the start", { start: 5, time: 2 }, 3, 2, false],
    ["one second of clock is one of motion", { start: 5, time: 2 }, 6, 3, false],
    ["a tenth at 10 %", { time: 2, rate: 0.1 }, 5, 2.5, false],
    ["the end holds", { time: 8 }, 2, 10, true],
    ["and holds on", { time: 8 }, 900, 10, true],
    ["a loop's end is its beginning", { time: 2, loop: { from: 2, to: 4 } }, 2, 2, false],
    ["the third round", { time: 2, loop: { from: 2, to: 4 } }, 5.5, 3.5, false],
    ["from before the loop into it", { time: 0, loop: { from: 2, to: 4 } }, 4.25, 2.25, false],
    ["behind the loop to the end", { time: 5, loop: { from: 2, to: 4 } }, 9, 10, true],
    ["a slow loop", { time: 0, rate: 0.25, loop: { from: 0, to: 1 } }, 10, 0.5, false],
  ])) {
    test(name, () => assert.deepEqual(positionIn(passage(p), now), { time: want, ended }));
  }

  test("against a walk in steps of a 4096th of a second, which floats hold exactly", () => {
    const random = numbers(7);
    for (let trial = 0; trial < 60; trial++) {
      const rate = [0.125, 0.25, 0.5, 1][Math.floor(random() * 4)];
      const from = Math.floor(random() * 16) / 4;
      const loop = random() < 0.7 ? { from, to: from + (1 + Math.floor(random() * 8)) / 4 } : null;
      const p = passage({ time: Math.floor(random() * 12) / 4, rate, loop, end: 8 });
      let t = p.time;
      const inLoop = loop !== null && t < loop.to;
      for (let k = 0; k < 40000; k++) {
        const got = positionIn(p, k / 4096);
        if (got.time !== t) assert.equal(got.time, t, `${JSON.stringify(p)} after ${k} steps`);
        t += rate / 4096;
        if (inLoop && loop && t >= loop.to) t = loop.from;
        if (!inLoop && t > p.end) t = p.end;
      }
    }
  });
});

describe("a change while it plays", () => {
  test("time is the integral of the rate", () => {
    // 2 s at 100 %, 3 s at 50 %, 10 s at 10 %: 2 + 1.5 + 1 = 4.5 s of motion.
    const list = [passage({ start: 100, end: 60 })];
    list.push(goOn(list[0], 102, { rate: 0.5, loop: null, end: 60 }));
    list.push(goOn(list[1], 105, { rate: 0.1, loop: null, end: 60 }));
    const at = (/** @type {number} */ now) => positionIn(passageAt(list, now), now).time;
    assert.equal(at(101), 1);
    assert.equal(at(102), 2);
    assert.equal(at(104), 3);
    assert.ok(Math.abs(at(115) - 4.5) < 1e-12);
  });
  test("what is heard still follows the old rate until the change is heard", () => {
    const list = [passage({ start: 0 })];
    list.push(goOn(list[0], 4, { rate: 0.5, loop: null, end: 10 }));
    assert.equal(passageAt(list, 3.99), list[0]);
    assert.equal(passageAt(list, 4), list[1]);
  });
  test("no step of the picture over a change, whatever it is", () => {
    const random = numbers(11);
    for (let trial = 0; trial < 500; trial++) {
      const p = passage({ time: random() * 9, rate: 0.1 + 0.9 * random(), end: 1000 });
      const s = random() * 50;
      const q = goOn(p, s, { rate: 0.1 + 0.9 * random(), loop: null, end: 1000 });
      assert.ok(Math.abs(positionIn(p, s).time - positionIn(q, s).time) < 1e-9);
    }
  });
  test("a loop that is set behind begins at its beginning", () => {
    assert.equal(goOn(passage({ time: 6 }), 1, { rate: 1, loop: { from: 2, to: 4 }, end: 10 }).time, 2);
  });
});

describe("passes for the sound", () => {
  test("the whole motion is one", () => {
    assert.deepEqual(passes(passage({ start: 3, time: 2, rate: 0.5 }), 0, 100), [{ when: 3, from: 2, to: 10 }]);
  });
  test("rounds of a loop join without a gap: 1.5 s from 2.5 to 4, then 2 s each", () => {
    const p = passage({ start: 10, time: 2.5, loop: { from: 2, to: 4 } });
    assert.deepEqual(passes(p, 10, 16), [{ when: 10, from: 2.5, to: 4 }, { when: 11.5, from: 2, to: 4 }, { when: 13.5, from: 2, to: 4 }, { when: 15.5, from: 2, to: 4 }]);
  });
  test("asked piece by piece, each comes once", () => {
    const random = numbers(3);
    for (let trial = 0; trial < 100; trial++) {
      const p = passage({ start: random(), time: random(), rate: 0.1 + 0.9 * random(), loop: { from: 0.3, to: 0.4 + random() } });
      const all = passes(p, p.start, 40);
      const pieces = [];
      for (let from = p.start; from < 40; ) {
        const to = Math.min(40, from + random() * 3);
        pieces.push(...passes(p, from, to));
        from = to;
      }
      assert.deepEqual(pieces, all);
    }
  });
  test("at every moment the pass that sounds is where the picture is", () => {
    const random = numbers(5);
    for (let trial = 0; trial < 300; trial++) {
      const p = passage({ start: random(), time: random() * 3, rate: 0.1 + 0.9 * random(), loop: random() < 0.8 ? { from: 1, to: 1.1 + 2 * random() } : null, end: 5 });
      const list = passes(p, 0, 30);
      for (let k = 0; k < 50; k++) {
        const now = p.start + random() * 25;
        const on = list.filter((x) => x.when <= now).pop();
        const { time, ended } = positionIn(p, now);
        if (!on || ended) continue;
        const heard = on.from + (now - on.when) * p.rate;
        // At a seam the two may stand a rounding apart on either side of it.
        const off = Math.abs(heard - time);
        assert.ok(off < 1e-9 || Math.abs(off - (on.to - 1)) < 1e-9, `${JSON.stringify(p)} at ${now}: ${heard} and ${time}`);
      }
    }
  });
  test("what is left of one", () => {
    assert.deepEqual(restOfPass(passage({ time: 2, loop: { from: 2, to: 4 } }), 5), { when: 5, from: 3, to: 4 });
    assert.equal(restOfPass(passage({ time: 2 }), 9), null);
    assert.equal(restOfPass(passage({ start: 2 }), 1), null);
  });
  test("a late one loses its beginning, not its place", () => {
    assert.deepEqual(trimmed({ when: 1, from: 5, to: 8 }, 2, 0.5), { when: 2, from: 5.5, to: 8 });
    assert.deepEqual(trimmed({ when: 3, from: 5, to: 8 }, 2, 0.5), { when: 3, from: 5, to: 8 });
    assert.equal(trimmed({ when: 1, from: 5, to: 8 }, 7, 0.5), null);
  });
});

describe("count-in", () => {
  const of = (/** @type {number} */ bpm) => [{ at: 0, beat: 0, bpm }];
  test("four beats at 120 are 2 s", () => {
    // 60 s / 120 = 0.5 s a beat; four counts are common practice.
    const c = countIn(0, of(120), 1);
    assert.equal(c.length, 2);
    assert.deepEqual(c.clicks.map((k) => [k.before, k.left]), [[2, 4], [1.5, 3], [1, 2], [0.5, 1]]);
    assert.deepEqual(c.clicks.map((k) => k.accent), [true, false, false, false]);
  });
  test("at half speed they take twice as long", () => assert.equal(countIn(0, of(120), 0.5).length, 4));
  test("from within a beat the clicks stay on the beats", () => {
    // Start at 3.25 beats of 0.5 s: the beats before it are 3, 2, 1 and 0.
    const c = countIn(1.625, of(120), 1);
    assert.deepEqual(c.clicks.map((k) => k.before), [1.625, 1.125, 0.625, 0.125]);
    assert.equal(c.length, 1.625);
  });
  test("the tempo is that of the start", () => {
    assert.equal(countIn(4, [{ at: 0, beat: 0, bpm: 60 }, { at: 4, beat: 4, bpm: 240 }], 1).length, 1);
  });
  test("without a tempo, and where a beat is too slow to count, three seconds", () => {
    for (const c of [countIn(1.3, null, 1), countIn(0, [], 1), countIn(0, of(96), 0.1)]) {
      assert.equal(c.length, 3);
      assert.deepEqual(c.clicks.map((k) => k.before), [3, 2, 1]);
    }
  });
  test("what is counted when", () => {
    const { clicks } = countIn(0, of(120), 1);
    for (const [before, want] of [[2.1, 4], [2, 4], [1.6, 4], [1.5, 3], [0.9, 2], [0.2, 1], [0, 0], [-1, 0]]) assert.equal(countLeft(clicks, before), want);
  });
});

describe("spans", () => {
  test("loopOf", () => {
    assert.equal(loopOf({ looping: false, loop: { from: 1, to: 2 } }, 9), null);
    assert.deepEqual(loopOf({ looping: true, loop: { from: 1, to: 2 } }, 9), { from: 1, to: 2 });
    assert.deepEqual(loopOf({ looping: true, loop: null }, 9), { from: 0, to: 9 });
    assert.equal(loopOf({ looping: true, loop: null }, 0), null);
  });
  for (const [a, b, want] of /** @type {[number, number, object|null][]} */ ([[1, 2, { from: 1, to: 2 }], [2, 1, { from: 1, to: 2 }], [-1, 99, { from: 0, to: 10 }], [3, 3.01, null], [3, 3.04, { from: 3, to: 3.04 }], [11, 12, null]])) {
    test(`spanWithin ${a} ${b}`, () => assert.deepEqual(spanWithin(a, b, 10), want));
  }
  test("an end that passes the other takes the rest of the motion", () => {
    assert.deepEqual(withEnd(null, "from", 3, 10), { from: 3, to: 10 });
    assert.deepEqual(withEnd({ from: 1, to: 5 }, "from", 3, 10), { from: 3, to: 5 });
    assert.deepEqual(withEnd({ from: 1, to: 5 }, "from", 6, 10), { from: 6, to: 10 });
    assert.deepEqual(withEnd({ from: 4, to: 5 }, "to", 3, 10), { from: 0, to: 3 });
    assert.deepEqual(withEnd({ from: 1, to: 5 }, "from", 5.01, 10), { from: 5.01, to: 10 });
    assert.deepEqual(withEnd({ from: 4, to: 5 }, "to", 3.99, 10), { from: 0, to: 3.99 });
    assert.equal(withEnd(null, "to", 0, 10), null);
  });
  test("where playing begins", () => {
    assert.equal(startWithin(3, null, 10), 3);
    assert.equal(startWithin(10, null, 10), 0);
    assert.equal(startWithin(5, { from: 2, to: 4 }, 10), 2);
    assert.equal(startWithin(1, { from: 2, to: 4 }, 10), 1);
    assert.equal(startWithin(10, { from: 0, to: 10 }, 10), 0);
  });
});

describe("frames and marks", () => {
  test("a hundred steps at 23.976 are 100 x 1001/24000 s", () => {
    let t = 0;
    for (let k = 0; k < 100; k++) t = stepped(t, 1, 24000 / 1001, 60);
    assert.ok(Math.abs(t - (100 * 1001) / 24000) < 1e-12);
    for (let k = 0; k < 100; k++) t = stepped(t, -1, 24000 / 1001, 60);
    assert.equal(t, 0);
  });
  test("from within a frame: back to its own start, on to the next", () => {
    assert.equal(stepped(1.01, -1, 24, 60), 1);
    assert.equal(stepped(1.01, 1, 24, 60), 25 / 24);
  });
  test("not beyond the ends", () => {
    assert.equal(stepped(0, -1, 24, 60), 0);
    assert.equal(stepped(59.99, 1, 24, 60), 60);
  });
  test("snapped to the nearest start of a frame", () => {
    const fps = { rate: 25, count: 25, drop: false };
    assert.equal(snapped(1.019, fps, 9), 1);
    assert.equal(snapped(1.021, fps, 9), 1.04);
    assert.equal(snapped(1.021, null, 9), 1.021);
    assert.equal(snapped(99, fps, 9), 9);
  });
  test("marks after and before", () => {
    assert.equal(nextOf([8, 2, 12], 2, 1), 8);
    assert.equal(nextOf([8, 2, 12], 8, -1), 2);
    assert.equal(nextOf([8, 2, 12], 12, 1), null);
    assert.equal(nextOf([], 1, -1), null);
  });
});

describe("the smooth clock", () => {
  // W3C Web Audio API: currentTime moves on by a render quantum of 128 frames;
  // sound cards ask for several at once, here 512 frames at 48 kHz.
  const block = 512 / 48000;
  /** @param {number} now @param {number} ppm */
  const card = (now, ppm = 0) => Math.floor(((now + 3) * (1 + ppm / 1e6)) / block) * block;

  test("it is even where the card's moves in blocks, and stays within a block of it", () => {
    const smooth = createSmoother();
    let last = smooth(card(0), 0);
    let worst = 0;
    for (let now = 0.0167; now < 20; now += 0.0167) {
      const t = smooth(card(now), now);
      assert.ok(t >= last, "never back");
      assert.ok(Math.abs(t - card(now)) < block + 0.001);
      if (now > 2) worst = Math.max(worst, Math.abs(t - last - 0.0167));
      last = t;
    }
    assert.ok(worst < 0.0012, `steps of 16.7 ms are off by ${worst * 1000} ms`);
  });
  test("it follows a card that runs 300 ppm fast for ten minutes", () => {
    const smooth = createSmoother();
    for (let now = 0; now < 600; now += 0.0167) {
      const t = smooth(card(now, 300), now);
      assert.ok(Math.abs(t - (now + 3) * (1 + 300e-6)) < block + 0.002);
    }
  });
  test("a leap of the card's clock is taken at once, back as well", () => {
    const smooth = createSmoother();
    smooth(10, 1);
    assert.ok(Math.abs(smooth(12, 1.0167) - 12) < 1e-9);
    assert.ok(Math.abs(smooth(5, 1.0333) - 5) < 1e-9);
  });
});
