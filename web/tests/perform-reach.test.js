import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { createFinder, createPadHand } from "../page/perform/hands.js";
import { movedPart, padName, partId, partsOf, reachOfPart, still } from "../page/perform/pads.js";
import { angleBetween, deadZone, fromRest, fullWay, pushed, reachFor, reachOf, restOf, tiltOf, valueOf } from "../page/perform/reach.js";

/** @typedef {import("../page/perform/pads.js").Pad} Pad */

/** @param {number} a @param {number} b @param {number} [by] */
const near = (a, b, by = 1e-9) => assert.ok(Math.abs(a - b) <= by, `${a} is not ${b}`);

describe("dead zone by radius", () => {
  test("within it nothing moves, at the rim all of the way is there", () => {
    for (const angle of [0, 0.3, 1, 2, 3, 5]) {
      const [c, s] = [Math.cos(angle), Math.sin(angle)];
      assert.deepEqual(deadZone(0.1 * c, 0.1 * s, 0.1001), [0, 0]);
      const [x, y] = deadZone(c, s, 0.1);
      near(x, c);
      near(y, s);
    }
  });
  test("it keeps the direction, and the way from its edge is straight", () => {
    for (const r of [0.2, 0.5, 0.8]) {
      const [x, y] = deadZone(r * 0.6, r * 0.8, 0.1);
      near(y / x, 0.8 / 0.6);
      near(Math.hypot(x, y), (r - 0.1) / 0.9);
    }
  });
  test("a corner beyond the rim stays within the stick's way", () => {
    const [x, y] = deadZone(1, 1, 0.1);
    near(Math.hypot(x, y), 1);
  });
});

describe("rest", () => {
  test("all of the way is left on both sides of a stick that rests off its middle", () => {
    assert.deepEqual([fromRest(0.04, 0.04), fromRest(1, 0.04), fromRest(-1, 0.04)], [0, 1, -1]);
    near(fromRest(0.52, 0.04), 0.5);
    near(fromRest(-0.48, 0.04), -0.5);
    assert.deepEqual([fromRest(1, 1), fromRest(-1, -1)], [0, 0]);
  });
  test("a touch in between does not move the median", () => {
    assert.deepEqual(restOf([0.03, 0.03, 0.04, 0.03, 0.9, 0.03, 0.04]).rest, 0.03);
    assert.equal(restOf([1, 3]).rest, 2);
    near(restOf([0.03, 0.05, 0.04]).stray, 0.01);
    assert.deepEqual(restOf([]), { rest: 0, stray: 0 });
  });
});

describe("range", () => {
  const full = { low: -70, high: 70, invert: false, oneWay: false, steps: false };
  test("a reach is straight along the range, and back", () => {
    assert.deepEqual([0, 0.5, 1].map((u) => valueOf(u, full)), [-70, 0, 70]);
    assert.deepEqual([0, 0.25, 1].map((u) => valueOf(u, { ...full, invert: true })), [70, 35, -70]);
    for (const v of [-70, -10, 33]) for (const invert of [false, true]) near(valueOf(reachFor(v, { ...full, invert }), { ...full, invert }), v);
    assert.equal(reachFor(500, full), 1);
    assert.equal(reachFor(5, { ...full, low: 5, high: 5 }), 0);
  });
  test("what rests in its middle moves both ways, or one", () => {
    assert.deepEqual([-1, 0, 1].map((x) => reachOf(x, false)), [0, 0.5, 1]);
    assert.deepEqual([-1, 0, 0.5, 1].map((x) => reachOf(x, true)), [0, 0, 0.5, 1]);
  });
  test("a switch has nothing between", () => {
    const s = { ...full, low: 0, high: 1, steps: true };
    assert.deepEqual([0, 0.49, 0.5, 1].map((u) => valueOf(u, s)), [0, 0, 1, 1]);
  });
});

describe("keys", () => {
  test("the way is the same however often it is looked at", () => {
    /** @param {number} steps */
    const after = (steps) => {
      let p = { reach: 0.1, speed: 0 };
      for (let k = 0; k < steps; k++) p = pushed(p, 1, 0.6 / steps);
      for (let k = 0; k < steps; k++) p = pushed(p, 0, 0.3 / steps);
      return p.reach;
    };
    near(after(1), after(90));
    near(after(7), after(300));
  });
  test("held, it goes over all of the range in the time that is said, less its soft start", () => {
    const p = pushed({ reach: 0, speed: 0 }, 1, 0.6);
    near(p.reach, (0.6 - 0.12 * (1 - Math.exp(-0.6 / 0.12))) / fullWay);
    near(p.speed, (1 / fullWay) * (1 - Math.exp(-5)));
  });
  test("it ends at the ends, and comes to rest", () => {
    assert.deepEqual(pushed({ reach: 0.99, speed: 0.5 }, 1, 0.1), { reach: 1, speed: 0 });
    assert.equal(pushed({ reach: 0.5, speed: 0.5 }, 0, 2).speed, 0);
  });
});

describe("tilt", () => {
  test("the shorter way round", () => {
    assert.deepEqual([angleBetween(170, -170), angleBetween(-170, 170), angleBetween(10, 40), angleBetween(0, 180)], [20, -20, 30, 180]);
  });
  // W3C Device Orientation and Motion: beta turns about the device's x axis, to its right, so that
  // its top comes up; gamma about its y axis, to its top, so that its right edge goes down. W3C
  // Screen Orientation: at 90 deg the device is turned to the left, so that its right edge is
  // the picture's upper one and its top the picture's left one; at 270 deg the other way.
  test("as the picture stands", () => {
    assert.deepEqual(tiltOf({ beta: 20, gamma: 5 }, 0), { pitch: 20, roll: 5 });
    assert.deepEqual(tiltOf({ beta: 20, gamma: 5 }, 180), { pitch: -20, roll: -5 });
    assert.deepEqual(tiltOf({ beta: 20, gamma: 5 }, 90), { pitch: -5, roll: 20 });
    assert.deepEqual(tiltOf({ beta: 20, gamma: 5 }, 270), { pitch: 5, roll: -20 });
    assert.equal(tiltOf({ beta: null, gamma: null }, 0), null);
  });
});

/** @param {Partial<Pad>} [p] @returns {Pad} */
const pad = (p = {}) => ({ index: 0, id: "Some pad (STANDARD GAMEPAD Vendor: 045e Product: 028e)", connected: true, mapping: "standard", timestamp: 1, axes: [0, 0, 0, 0], buttons: Array.from({ length: 17 }, () => ({ value: 0, pressed: false })), ...p });

describe("gamepads", () => {
  // W3C Gamepad, section "Remapping": the standard gamepad's axes and buttons by index.
  test("the standard layout has the standard's names", () => {
    const names = new Map(partsOf(pad()).map((p) => [partId(p), p.name]));
    assert.equal(names.size, 21);
    for (const [id, name] of [["axis-0", "left stick, left and right"], ["axis-1", "left stick, up and down"], ["axis-2", "right stick, left and right"], ["axis-3", "right stick, up and down"],
      ["button-0", "bottom button in right cluster"], ["button-3", "top button in right cluster"], ["button-6", "bottom left front button (trigger)"], ["button-12", "top button in left cluster"], ["button-16", "centre button in centre cluster"]]) assert.equal(names.get(id), name);
  });
  test("another layout has numbers, and nothing is missing", () => {
    assert.deepEqual(partsOf(pad({ mapping: "", axes: [0, 0], buttons: [{ value: 0, pressed: false }] })).map((p) => p.name), ["axis 0", "axis 1", "button 0"]);
    assert.equal(partsOf(pad({ axes: [0, 0, 0, 0, 0] })).at(4)?.name, "axis 4");
  });
  const how = { rests: new Map(), dead: 0.1, oneWay: false };
  /** @param {string} id */
  const part = (id) => /** @type {import("../page/perform/pads.js").Part} */ (partsOf(pad()).find((p) => partId(p) === id));
  test("up is more: the standard's sticks say minus for up", () => {
    assert.equal(reachOfPart(pad({ axes: [0, -1, 0, 0] }), part("axis-1"), how), 1);
    assert.equal(reachOfPart(pad({ axes: [0, 1, 0, 0] }), part("axis-1"), how), 0);
    assert.equal(reachOfPart(pad({ axes: [1, 0, 0, 0] }), part("axis-0"), how), 1);
    assert.equal(reachOfPart(pad(), part("axis-1"), how), 0.5);
  });
  test("the dead zone is that of the stick, not of the axis", () => {
    // 0.08 up by itself is within the zone; 0.6 to the side takes the stick out of it.
    assert.equal(reachOfPart(pad({ axes: [0, -0.08, 0, 0] }), part("axis-1"), how), 0.5);
    assert.ok(reachOfPart(pad({ axes: [0.6, -0.08, 0, 0] }), part("axis-1"), how) > 0.52);
  });
  test("a trigger goes from its dead zone to its end, a button is pressed or not", () => {
    /** @param {number} value @param {boolean} pressed */
    const pulled = (value, pressed) => reachOfPart(pad({ buttons: Array.from({ length: 17 }, () => ({ value, pressed })) }), part("button-7"), how);
    assert.deepEqual([pulled(0, false), pulled(0.1, false), pulled(1, true), pulled(0, true)], [0, 0, 1, 1]);
    near(pulled(0.55, true), 0.5);
  });
  test("what a gamepad lacks rests", () => {
    assert.equal(reachOfPart(pad({ axes: [], buttons: [] }), part("axis-1"), how), 0.5);
    assert.equal(reachOfPart(pad({ axes: [], buttons: [] }), part("button-7"), how), 0);
  });
  test("the part that was moved most is found, a tremble is not", () => {
    const moved = movedPart(pad(), pad({ axes: [0.1, -0.9, 0, 0.5] }));
    assert.equal(moved && partId(moved), "axis-1");
    assert.equal(movedPart(pad(), pad({ axes: [0.1, 0, 0, 0] })), null);
  });
  test("names without the maker's numbers; a copy does not change in the hand", () => {
    assert.equal(padName(pad()), "Some pad");
    assert.equal(padName(pad({ id: "" })), "gamepad 1");
    const live = pad({ axes: [0.5] });
    const copy = still(live);
    /** @type {number[]} */ (live.axes)[0] = 1;
    assert.deepEqual(copy.axes, [0.5]);
  });
  test("a part that is found by moving it rests where it was before, whatever way it goes", () => {
    for (const [speed, sign] of [[8, 1], [1, 1], [0.4, -1]]) { // of the way a second
      const finder = createFinder([pad({ axes: [0, 0.04, 0, 0] })]);
      let found = null;
      for (let k = 1; k < 1000 && !found; k++) {
        const t = k * 0.008, tremble = 0.002 * (k % 2 ? 1 : -1);
        found = finder.look([pad({ axes: [0, 0.04 + tremble + sign * Math.min(1, Math.max(0, t - 0.6) * speed), 0, 0] })]);
      }
      assert.equal(found?.id, "pad:0:axis-1");
      near(found?.rests.get(1) ?? 1, 0.04, 0.02);
      assert.equal(found?.rests.get(0), 0);
      assert.ok((found?.stray ?? 1) < 0.16);
    }
  });
  test("a trigger has no rest; a gamepad that comes later is found, too", () => {
    const finder = createFinder([]);
    assert.equal(finder.look([pad()]), null);
    const found = finder.look([pad({ buttons: Array.from({ length: 17 }, (_, k) => ({ value: k === 7 ? 0.8 : 0, pressed: k === 7 })) })]);
    assert.deepEqual([found?.id, found?.rests.size], ["pad:0:button-7", 0]);
  });
  test("a stick that was found moves from its rest at once; one that is gone is said to be", () => {
    /** @type {(Pad|null)[]} */
    let there = [pad({ axes: [0, -0.5, 0, 0] })];
    Object.defineProperty(globalThis, "navigator", { value: { getGamepads: () => there }, configurable: true });
    /** @type {number[]} */
    const told = [];
    const on = { tell: (/** @type {number} */ x) => void told.push(x), how: () => ({ dead: 0, oneWay: false }), lost() {}, learnt() {} };
    const hand = createPadHand("pad:0:axis-1", { ...on, known: { rests: new Map([[0, 0], [1, 0.04]]), stray: 0 } });
    hand.poll(1);
    near(told[0], (1 + 0.54 / 1.04) / 2);
    there = [pad({ axes: [0, 0.04, 0, 0] })];
    hand.poll(2);
    near(told[1], 0.5);
    assert.equal(hand.fault(), "");
    assert.equal(typeof hand.learn, "function");
    there = [null];
    hand.poll(3);
    assert.match(hand.fault(), /gamepad is gone/);
    assert.equal(createPadHand("pad:0:button-7", { ...on, known: null }).learn, undefined);
  });
});
