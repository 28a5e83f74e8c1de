import assert from "node:assert/strict";
import { describe, mock, test } from "node:test";
import { createEditHands } from "../page/edit/hands.js";
import { xIn, yIn } from "../page/edit/overlay.js";
import { jobOf } from "./edit-job.js";
import { editScore, refs } from "./edit-score.js";

/** @typedef {import("../page/types.js").KeyRef} KeyRef */

/** A sheet under hands, and what they ask of the editor. */
function ground({ on = true, many = false, refuses = false } = {}) {
  const { job } = jobOf(editScore());
  /** @type {string[]} */
  const did = [];
  let keys = /** @type {KeyRef[]} */ ([]);
  let dragging = false;
  let [busy, passed] = [false, 0];
  const editor = {
    on: () => on, many: () => many, keys: () => keys, redraw() {}, isBusy: () => busy, still: (/** @type {KeyRef} */ ref) => ({ ...ref, k: ref.k + passed }),
    select: (/** @type {KeyRef[]} */ list) => { keys = list; },
    tellSelection: () => did.push(`told ${keys.map((k) => `${k.row}/${k.k}`).join(" ")}`.trim()),
    chooseRow: (/** @type {string} */ id) => did.push(`row ${id}`),
    beginDrag: (/** @type {KeyRef} */ ref) => (did.push(`grasp ${ref.row}/${ref.k}`), (dragging = !refuses)),
    dragScore: () => (dragging ? job.scene.score : null),
    drag: (/** @type {{time: number, value: number, snapped: string}} */ to) => did.push(`by ${to.time.toFixed(3)} s ${to.value.toFixed(1)}${to.snapped && ` ${to.snapped}`}`),
    endDrag: (/** @type {boolean} */ keep) => { dragging = false; did.push(keep ? "keep" : "put back"); },
    addAt: (/** @type {string} */ id, /** @type {number} */ at, /** @type {number} */ to) => did.push(`add ${id} ${at.toFixed(3)} s ${to}`),
  };
  const canvas = new EventTarget();
  const hands = createEditHands({ canvas: /** @type {any} */ (canvas), job: () => job, toX: (x) => x, toY: (y) => y, tap: (x, y) => did.push(`tap ${x} ${y}`), editor: /** @type {any} */ (editor) });
  /** @param {string} type @param {number} x @param {number} y @param {object} [more] */
  function event(type, x, y, more = {}) {
    const e = Object.assign(new Event(type, { cancelable: true }), { clientX: x, clientY: y, button: 0, pointerId: 1, pointerType: "mouse", shiftKey: false, altKey: false, ctrlKey: false, metaKey: false }, more);
    canvas.dispatchEvent(e);
    return hands.taken(/** @type {any} */ (e));
  }
  /** @param {string} row @param {number} k @returns {[number, number]} */
  const head = (row, k) => {
    const r = job.scene.score.rows.find((x) => `${x.kind}:${x.name}` === row);
    const key = /** @type {import("../page/types.js").Key} */ (r?.keys[k]);
    return [xIn(job, key.at), yIn(job, row, key.to)];
  };
  return { job, did, hands, event, head, keys: () => keys, setKeys: (/** @type {KeyRef[]} */ list) => { keys = list; }, setMany: (/** @type {boolean} */ m) => { many = m; }, setBusy: (/** @type {boolean} */ b, by = 0) => { [busy, passed] = [b, by]; } };
}

const touch = { pointerType: "touch" };

describe("a press", () => {
  test("selects a key, elsewhere none, and taps what lies there", () => {
    const g = ground();
    const [x, y] = g.head("axis:arm", 1);
    g.event("pointerdown", x + 4, y - 4);
    assert.equal(g.event("pointerup", x + 4, y - 4), true);
    assert.deepEqual(g.keys(), refs("axis:arm", 1));
    assert.deepEqual(g.did, ["row axis:arm", "told axis:arm/1"]);
    g.did.length = 0;
    g.event("pointerdown", x + 60, y);
    g.event("pointerup", x + 60, y);
    assert.deepEqual(g.keys(), []);
    assert.deepEqual(g.did, ["row axis:arm", `tap ${x + 60} ${y}`, "told"]);
  });
  test("with Shift, or more at a time, adds a key and takes it out again", () => {
    const g = ground();
    const [x, y] = g.head("axis:arm", 1);
    const [u, v] = g.head("axis:lantern", 1);
    for (const [a, b, more] of /** @type {[number, number, object][]} */ ([[x, y, {}], [u, v, { shiftKey: true }]])) {
      g.event("pointerdown", a, b, more);
      g.event("pointerup", a, b, more);
    }
    assert.deepEqual(g.keys(), [...refs("axis:arm", 1), ...refs("axis:lantern", 1)]);
    g.setMany(true);
    g.event("pointerdown", x, y);
    g.event("pointerup", x, y);
    assert.deepEqual(g.keys(), refs("axis:lantern", 1));
    g.event("pointerdown", x + 60, y);
    g.event("pointerup", x + 60, y);
    assert.deepEqual(g.keys(), refs("axis:lantern", 1), "beside a key nothing is lost");
  });
  test("is none where editing is off, with another button, or on the rulers", () => {
    for (const [o, more, y] of /** @type {[object, object, number][]} */ ([[{ on: false }, {}, 130], [{}, { button: 2 }, 130], [{}, {}, 30]])) {
      const g = ground(o);
      assert.equal(g.event("pointerdown", 200, y, more), false);
      g.event("pointermove", 300, y, more);
      assert.equal(g.event("pointerup", 300, y, more), false);
      assert.deepEqual(g.did, []);
    }
  });
});

describe("a drag", () => {
  // 10 ms a pixel, 1 deg a pixel: values go by 0.5 (of 1, 2, 5 the least over a quarter of a pixel).
  test("moves in time only, until it goes up or down by more than a slip", () => {
    const g = ground();
    const [x, y] = g.head("axis:arm", 1);
    g.event("pointerdown", x, y);
    g.event("pointermove", x + 4, y);
    assert.deepEqual(g.did, []);
    g.event("pointermove", x + 25, y + 7);
    g.event("pointermove", x + 25, y + 9);
    g.event("pointermove", x + 125, y - 31);
    g.event("pointerup", x + 125, y - 31);
    assert.deepEqual(g.did, ["grasp axis:arm/1", "by 0.250 s 0.0", "by 0.250 s -9.0", "by 1.250 s 31.0", "keep"]);
    assert.deepEqual(g.keys(), refs("axis:arm", 1));
  });
  test("straight up leaves the time as it is, to the bit", () => {
    const g = ground();
    const [x, y] = g.head("axis:arm", 1);
    g.event("pointerdown", x, y);
    g.event("pointermove", x + 2, y - 20);
    assert.deepEqual(g.did, ["grasp axis:arm/1", "by 0.000 s 20.0"]);
  });
  test("comes to rest on a mark, and with Alt goes freely", () => {
    const g = ground();
    const [x, y] = g.head("axis:arm", 1);
    g.event("pointerdown", x, y);
    g.event("pointermove", x + 47, y); // 1.47 s; the mark boat is at 1.5 s
    g.event("pointermove", x + 47.3, y - 10.26, { altKey: true });
    assert.deepEqual(g.did, ["grasp axis:arm/1", "by 0.500 s 0.0 boat", "by 0.473 s 10.3"]);
  });
  test("takes all that is selected along, and a key that is not alone", () => {
    const g = ground();
    g.setKeys([...refs("axis:arm", 1), ...refs("axis:lantern", 1)]);
    const [x, y] = g.head("axis:arm", 1);
    g.event("pointerdown", x, y);
    g.event("pointermove", x + 25, y);
    assert.equal(g.keys().length, 2);
    g.event("pointerup", x + 25, y);
    const [u, v] = g.head("control:nod", 1);
    g.event("pointerdown", u, v);
    g.event("pointermove", u + 25, v);
    assert.deepEqual(g.keys(), refs("control:nod", 1));
  });
  test("of a key that is bound does nothing more", () => {
    const g = ground({ refuses: true });
    const [x, y] = g.head("axis:arm", 2);
    g.event("pointerdown", x, y);
    g.event("pointermove", x + 25, y);
    g.event("pointermove", x + 45, y);
    g.event("pointerup", x + 45, y);
    assert.deepEqual(g.did, ["grasp axis:arm/2"]);
  });
  test("waits until what is on its way is here, and is of the key that was grasped", () => {
    const g = ground();
    const [x, y] = g.head("axis:arm", 0);
    g.setBusy(true);
    g.event("pointerdown", x, y);
    g.event("pointermove", x + 25, y);
    assert.deepEqual(g.did, []);
    g.setBusy(false, 1); // a key before it has come
    g.event("pointermove", x + 26, y);
    assert.equal(g.did[0], "grasp axis:arm/1");
    assert.deepEqual(g.keys(), refs("axis:arm", 1));
  });
  test("is put back where the browser, or a second finger, takes the hand away", () => {
    for (const end of ["cancel", "finger"]) {
      const g = ground();
      const [x, y] = g.head("axis:arm", 1);
      g.event("pointerdown", x, y, touch);
      g.event("pointermove", x + 25, y, touch);
      if (end === "cancel") g.event("pointercancel", x + 25, y, touch);
      else assert.equal(g.event("pointerdown", x + 90, y, { ...touch, pointerId: 2 }), false, "two fingers move the sheet");
      assert.deepEqual(g.did, ["grasp axis:arm/1", "by 0.250 s 0.0", "put back"]);
      assert.equal(g.event("pointermove", x + 45, y, touch), false);
      assert.equal(g.did.length, 3);
    }
  });
});

test("a band selects what it holds, with Shift beside what was", () => {
  const g = ground();
  g.event("pointerdown", 140, 190);
  g.event("pointermove", 320, 70);
  assert.deepEqual(g.hands.box(), { x0: 140, y0: 190, x1: 320, y1: 70 });
  assert.deepEqual(g.keys(), refs("axis:arm", 1, 2));
  g.event("pointerup", 320, 70);
  assert.equal(g.hands.box(), null);
  assert.deepEqual(g.did, ["told axis:arm/1 axis:arm/2"]);
  g.event("pointerdown", 240, 220, { shiftKey: true });
  g.event("pointermove", 260, 340, { shiftKey: true });
  assert.deepEqual(g.keys(), [...refs("axis:arm", 1, 2), ...refs("axis:lantern", 1)]);
  // Taken away, it leaves what was selected before.
  g.event("pointercancel", 260, 340, { shiftKey: true });
  assert.deepEqual(g.keys(), refs("axis:arm", 1, 2));
});

test("a double click on empty paper adds a key on the frame, not on a key or a folded row", () => {
  const g = ground();
  g.event("dblclick", 351, 100); // 2.51 s is nearest to frame 60; 100 px is 80 deg
  assert.deepEqual(g.did, ["add axis:arm 2.500 s 80"]);
  g.event("dblclick", ...g.head("axis:arm", 1));
  g.event("dblclick", 351, 370);
  g.event("dblclick", 351, 30);
  assert.equal(g.did.length, 1);
});

test("a long press of a finger adds a key; a mouse, a slip or a short one does not", () => {
  mock.timers.enable({ apis: ["setTimeout"] });
  try {
    const g = ground();
    g.event("pointerdown", 351, 100, touch);
    mock.timers.tick(549);
    assert.deepEqual(g.did, []);
    mock.timers.tick(1);
    assert.deepEqual(g.did, ["add axis:arm 2.500 s 80"]);
    g.event("pointerup", 351, 100, touch);
    assert.equal(g.did.length, 1, "and is no tap any more");
    for (const [type, dx] of /** @type {[string, number][]} */ ([["mouse", 0], ["touch", 9]])) {
      const h = ground();
      h.event("pointerdown", 351, 100, { pointerType: type });
      h.event("pointermove", 351 + dx, 100, { pointerType: type });
      mock.timers.tick(2000);
      assert.ok(!h.did.some((x) => x.startsWith("add")), type);
      h.event("pointerup", 351 + dx, 100, { pointerType: type });
    }
    const k = ground();
    k.event("pointerdown", 351, 100, touch);
    k.event("pointerup", 351, 100, touch);
    mock.timers.tick(2000);
    assert.ok(!k.did.some((x) => x.startsWith("add")));
  } finally {
    mock.timers.reset();
  }
});

test("a finger has more reach than a mouse", () => {
  const g = ground();
  const [x, y] = g.head("axis:arm", 1);
  g.event("pointerdown", x + 18, y);
  g.event("pointerup", x + 18, y);
  assert.deepEqual(g.keys(), []);
  g.event("pointerdown", x + 18, y, touch);
  g.event("pointerup", x + 18, y, touch);
  assert.deepEqual(g.keys(), refs("axis:arm", 1));
  g.hands.destroy();
  g.did.length = 0;
  g.event("pointerdown", x, y);
  g.event("pointerup", x, y);
  assert.deepEqual(g.did, []);
});
