import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { axisLines, bodiesAt, brightness, createPuppet, findingsAt, jointsOf, lampsOf, skinTimes, trailTimes } from "../page/stage/look.js";
import { ends, layout, needle, onDial, reading, sweep, wordsHeight } from "../page/stage/dials.js";
import { findingOf, jointOf, rowOf, scoreOf } from "./stage-rig.js";

describe("findings at a time", () => {
  const score = scoreOf({ findings: [
    findingOf({ number: 1, from: 2, to: 3 }),
    findingOf({ number: 2, from: 5, to: 5 }),
    findingOf({ number: 3, from: 0, to: 9, severity: "note" }),
    findingOf({ number: 4, from: 0, to: 9, row: -1 }),
    findingOf({ number: 5, from: 2.5, to: 4, severity: "warning" }),
  ] });
  const at = (/** @type {number} */ t) => findingsAt(score, t).map((f) => f.number);
  test("hold over their span, notes and supplies not at all", () => {
    assert.deepEqual(at(1.9), []);
    assert.deepEqual(at(2), [1]);
    assert.deepEqual(at(2.7), [1, 5]);
    assert.deepEqual(at(3.01), [5]);
  });
  test("one without length holds for a film frame", () => {
    assert.deepEqual(at(5 - 0.49 / 24), [2]);
    assert.deepEqual(at(5 + 0.49 / 24), [2]);
    assert.deepEqual(at(5 + 0.51 / 24), []);
  });
});

describe("lamps", () => {
  const score = scoreOf({
    rows: [rowOf({ name: "lantern", unit: "%", actuator: "dimmer", travel: null }), rowOf({ name: "horn", unit: "on", actuator: "switch" }), rowOf({ name: "arm" }), rowOf({ name: "glow", unit: "%", actuator: "dimmer" })],
    joints: [jointOf({ name: "lantern", solid: { shape: "sphere", size: [5] } }), jointOf({ name: "horn" }), jointOf({ name: "arm" }), jointOf({ name: "other", turns: { about: [0, 0, 1], row: 3 } })],
  });
  test("are joints with a lamp's name, or driven by one", () => assert.deepEqual(lampsOf(score), [0, 1, null, 3]));
  test("brightness of a dimmer is per cent, of a switch on or off", () => {
    assert.equal(brightness(score, 0, 40), 0.4);
    assert.equal(brightness(score, 0, 140), 1);
    assert.equal(brightness(score, 1, 1), 1);
    assert.equal(brightness(score, 1, -3), 0);
  });
  test("bodies carry it, and their marks", () => {
    const curves = { rate: 1, samples: 2, count: 1, data: [new Float32Array([25, 25])] };
    const bodies = bodiesAt(createPuppet(score, curves), 0.5, new Set([2]));
    assert.equal(bodies[0].lit, 0.25);
    assert.deepEqual(bodies.map((b) => b.marked), [false, false, true, false]);
    assert.equal(bodies[2].lit, -1);
  });
});

describe("times", () => {
  test("a trail goes a second back by half frames, frames marked, and ends now", () => {
    const times = trailTimes(2.01, 24);
    assert.ok(Math.abs(times[0].time - 49 / 48) < 1e-9);
    assert.equal(times.at(-1)?.time, 2.01);
    assert.equal(times.filter((t) => t.frame).length, 24);
    for (const t of times) if (t.frame) assert.ok(Math.abs(t.time * 24 - Math.round(t.time * 24)) < 1e-9);
    for (let k = 1; k < times.length; k++) assert.ok(times[k].time > times[k - 1].time);
  });
  test("at the start there is no past", () => {
    assert.deepEqual(trailTimes(0, 24), [{ time: 0, frame: true }]);
    assert.deepEqual(skinTimes(0, 24, 6), []);
    assert.deepEqual(skinTimes(2 / 24, 24, 6), [1 / 24, 0]);
  });
  test("skins are the frames before the present one", () => {
    assert.deepEqual(skinTimes(1.999 / 24, 24, 1), [0]);
    assert.deepEqual(skinTimes(1, 30000 / 1001, 2).map((t) => Math.round((t * 30000) / 1001)), [28, 27]);
  });
});

describe("axes", () => {
  const score = scoreOf({
    rows: [rowOf({ name: "pan" }), rowOf({ name: "nod" })],
    joints: [jointOf({ name: "collar", turns: { about: [0, 0, 2], row: 0 }, solid: { shape: "sphere", size: [1] } }), jointOf({ name: "head", parent: 0, at: [0, 0, 10], turns: { about: [1, 0, 0], row: 1 }, solid: { shape: "sphere", size: [1] } })],
  });
  test("lie in the pose of what carries them", () => {
    const puppet = createPuppet(score, { rate: 1, samples: 1, count: 1, data: [new Float32Array([90])] });
    const [line] = axisLines(score, puppet.pose(0, "commanded"), [1]);
    assert.deepEqual(line.at, [0, 0, 10]);
    [0, 1, 0].forEach((x, i) => assert.ok(Math.abs(line.along[i] - x) < 1e-12));
    assert.deepEqual([...jointsOf(score, [1])], [1]);
  });
});

describe("dials", () => {
  const servo = rowOf({ travel: [-15, 15] });
  const lamp = rowOf({ unit: "%", travel: null, low: 0, high: 100, actuator: "dimmer" });
  const beacon = rowOf({ travel: null, actuator: "stepper" });
  test("the arc covers the travel", () => {
    assert.equal(needle(servo, -15), -sweep);
    assert.equal(needle(servo, 0), 0);
    assert.equal(needle(servo, 15), sweep);
    assert.equal(needle(lamp, 50), 0);
    assert.deepEqual(ends(rowOf({ unit: "on", travel: null, actuator: "switch" })), [0, 1]);
    assert.deepEqual(ends(rowOf({ unit: "%", travel: null, low: -40, high: 20, actuator: "motor" })), [-100, 100]);
  });
  test("beyond the travel the needle goes beyond the arc, but never round", () => {
    assert.ok(needle(servo, 16) > sweep);
    assert.ok(needle(servo, 1e6) < 180 && needle(servo, -1e6) > -180);
  });
  test("what turns for ever is true to its degrees", () => {
    assert.equal(needle(beacon, 450), 450);
    assert.equal(needle(rowOf({ travel: null, unit: "rev" }), 0.5), 180);
  });
  test("readings", () => {
    assert.equal(reading(servo, -12.34), "\u221212.3°");
    assert.equal(reading(servo, -0.01), "0.0°");
    assert.equal(reading(lamp, 91.6), "92 %");
    assert.equal(reading(rowOf({ unit: "on" }), 1), "on");
    assert.equal(reading(rowOf({ unit: "mm" }), 123.4), "123 mm");
    assert.equal(reading(servo, NaN), "");
  });
  test("needles point clockwise from up", () => {
    const dial = { x: 0, y: 0, r: 10 };
    const [x, y] = onDial(dial, 90);
    assert.ok(Math.abs(x - 10) < 1e-9 && Math.abs(y) < 1e-9);
    assert.ok(onDial(dial, 0)[1] < 0);
  });
  for (const [w, h] of [[900, 500], [362, 380], [1200, 150]]) {
    for (const count of [1, 2, 12, 16]) {
      test(`${count} dials in ${w} x ${h} stand apart and inside`, () => {
        const all = layout(count, w, h);
        assert.equal(all.length, count);
        all.forEach((a, i) => {
          assert.ok(a.x - a.r >= 0 && a.x + a.r <= w && a.y - a.r >= 0 && a.y + a.r + wordsHeight / 2 <= h + 1, JSON.stringify(a));
          for (const b of all.slice(i + 1)) assert.ok(Math.abs(a.x - b.x) > a.r + b.r || Math.abs(a.y - b.y) > a.r + b.r + 12);
        });
      });
    }
  }
  test("no dials are no mistake", () => assert.deepEqual(layout(0, 100, 100), []));
});
