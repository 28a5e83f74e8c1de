import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { approach, camera, held, project } from "../page/stage/camera.js";
import { takeHold } from "../page/stage/hands.js";

/** @typedef {import("../page/types.js").StageView} StageView */

/** @type {StageView} */
const start = { yaw: 0, pitch: 10, distance: 1000, target: [0, 0, 0], ghost: true, trails: false, onion: 0, mask: null };

/** An element that only takes events, and the view that its hands change. */
function hold() {
  const element = new EventTarget();
  Object.assign(element, { setPointerCapture() {}, getBoundingClientRect: () => ({ left: 100, top: 50 }) });
  let view = start;
  /** @type {[number, number][]} */
  const taps = [];
  const letGo = takeHold(/** @type {Element} */ (/** @type {unknown} */ (element)), {
    view: () => view,
    focal: () => 1000,
    change: (patch) => {
      view = { ...view, ...patch };
    },
    tap: (x, y) => void taps.push([x, y]),
  });
  return {
    letGo, taps,
    view: () => view,
    /** @param {string} type @param {object} more @returns {Event} */
    send(type, more) {
      const e = Object.assign(new Event(type, { cancelable: true, bubbles: true }), { pointerId: 1, clientX: 0, clientY: 0, shiftKey: false, buttons: 1, ctrlKey: false, metaKey: false, altKey: false, deltaMode: 0, ...more });
      element.dispatchEvent(e);
      return e;
    },
  };
}

describe("hands", () => {
  test("a drag turns, and all of a quick one counts", () => {
    const h = hold();
    h.send("pointerdown", { clientX: 200, clientY: 100 });
    for (let k = 1; k <= 10; k++) h.send("pointermove", { clientX: 200 + 10 * k, clientY: 100 + 2 * k });
    h.send("pointerup", { clientX: 300, clientY: 120 });
    assert.ok(Math.abs(h.view().yaw - 40) < 1e-9 && Math.abs(h.view().pitch - 18) < 1e-9);
    assert.deepEqual(h.taps, []);
    h.send("pointermove", { clientX: 500 });
    assert.ok(Math.abs(h.view().yaw - 40) < 1e-9, "without a finger nothing turns");
  });
  test("with Shift it moves the picture, a point at the target as far as the hand", () => {
    const h = hold();
    h.send("pointerdown", {});
    h.send("pointermove", { clientX: 30, clientY: -12, shiftKey: true });
    const c = { ...camera(h.view(), 800, 600), focal: 1000 };
    const p = project(c, [0, 0, 0]);
    assert.ok(Math.abs(p[0] - 430) < 1e-6 && Math.abs(p[1] - 288) < 1e-6);
  });
  test("a touch without a way is a tap, in the element's own px", () => {
    const h = hold();
    h.send("pointerdown", { clientX: 160, clientY: 90 });
    h.send("pointermove", { clientX: 161, clientY: 91 });
    h.send("pointerup", { clientX: 161, clientY: 91 });
    assert.deepEqual(h.taps, [[61, 41]]);
    assert.deepEqual(h.view(), start);
    h.send("pointerdown", {});
    h.send("pointercancel", {});
    assert.equal(h.taps.length, 1);
  });
  test("two fingers twice as far apart bring it twice as near", () => {
    const h = hold();
    h.send("pointerdown", { pointerId: 1, clientX: 100, clientY: 100 });
    h.send("pointerdown", { pointerId: 2, clientX: 200, clientY: 100 });
    h.send("pointermove", { pointerId: 1, clientX: 50, clientY: 100 });
    h.send("pointermove", { pointerId: 2, clientX: 250, clientY: 100 });
    assert.ok(Math.abs(h.view().distance - 500) < 1e-9);
    assert.equal(h.view().yaw, 0);
    h.send("pointerup", { pointerId: 1 });
    h.send("pointerup", { pointerId: 2 });
    assert.deepEqual(h.taps, []);
  });
  test("arrows turn, with Shift move, and go no further up; other keys pass", () => {
    const h = hold();
    let outside = 0;
    const press = (/** @type {object} */ more) => {
      const e = h.send("keydown", more);
      if (!e.defaultPrevented) outside++;
      assert.equal(e.cancelBubble, e.defaultPrevented, "keys that are taken do nothing else");
    };
    press({ key: "ArrowRight" });
    press({ key: "ArrowRight" });
    press({ key: "ArrowDown" });
    assert.deepEqual([h.view().yaw, h.view().pitch], [10, 15]);
    press({ key: "ArrowLeft", shiftKey: true });
    assert.notDeepEqual(h.view().target, start.target);
    press({ key: "+" });
    assert.ok(h.view().distance < 1000);
    press({ key: "-" });
    assert.ok(Math.abs(h.view().distance - 1000) < 1e-9);
    assert.equal(outside, 0);
    press({ key: " " });
    press({ key: "ArrowRight", ctrlKey: true });
    assert.equal(outside, 2);
  });
  test("a wheel comes nearer and keeps the page where it is", () => {
    const h = hold();
    const e = h.send("wheel", { deltaY: -100 });
    assert.ok(e.defaultPrevented && h.view().distance < 1000);
    h.send("wheel", { deltaY: 1e9 });
    assert.ok(h.view().distance < 2000, "by a few notches at a time");
  });
  test("what is let go hears nothing", () => {
    const h = hold();
    h.letGo();
    h.send("keydown", { key: "+" });
    assert.deepEqual(h.view(), start);
  });
  test("a view that fits the rig is held as it was drawn, with the angles that are set", () => {
    const drawn = { yaw: 99, pitch: 99, distance: 700, target: /** @type {[number, number, number]} */ ([1, 2, 3]) };
    assert.deepEqual(held({ ...start, distance: 0 }, drawn), { ...start, distance: 700, target: [1, 2, 3] });
    assert.deepEqual(held(start, drawn), start);
    assert.deepEqual(held({ ...start, distance: 0 }, undefined).distance, 0);
    assert.ok(approach({ distance: 0 }, 2).distance > 0);
  });
});
