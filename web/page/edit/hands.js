// Hands on the staves while editing: a key is pressed and dragged, empty paper
// pulls a band, a double click or a long press puts a key there. Two fingers go on
// moving the sheet.

import { keysWithin, keyUnder, placeUnder, stavesWidth, valuePerPixel } from "./overlay.js";
import { has, joined, keyOf, toggled } from "./select.js";
import { snapTime, snapValue, valueStep } from "./snap.js";

/** @typedef {import("../sheet/paper.js").Job} Job */
/** @typedef {import("../types.js").KeyRef} KeyRef */
/** @typedef {import("./edit.js").Editor} Editor */

const slack = 5;       // px that a press may move
const valueSlack = 8;  // px before a drag begins to change the value too
const holdFor = 550;   // ms of a long press
const reaches = { mouse: 11, touch: 24 }; // px about a key

/**
 * What a hand drags, from where.
 * @typedef {object} Pull
 * @property {number} id  of the pointer
 * @property {number} x
 * @property {number} y
 * @property {KeyRef|null} key
 * @property {import("../types.js").Score} score  that the key is of
 * @property {KeyRef[]} before  what was selected
 * @property {boolean} adds
 * @property {"press"|"keys"|"box"|"nothing"} doing
 * @property {boolean} time   the drag has begun to change the time
 * @property {boolean} value  and the value
 */

/**
 * @param {object} o
 * @param {HTMLElement} o.canvas
 * @param {() => Job|null} o.job
 * @param {(clientX: number) => number} o.toX
 * @param {(clientY: number) => number} o.toY
 * @param {(x: number, y: number) => void} o.tap  what the sheet does where no key is
 * @param {Editor} o.editor
 * @returns {{taken: (event: PointerEvent) => boolean, box: () => import("./overlay.js").Box|null, destroy: () => void}}
 */
export function createEditHands({ canvas, job, toX, toY, tap, editor }) {
  const off = new AbortController();
  const { signal } = off;
  /** @type {Pull|null} */
  let pull = null;
  /** @type {import("./overlay.js").Box|null} */
  let box = null;
  let fingers = 0;
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let holding;
  let mine = -1; // the pointer whose press is ours to the end

  /** @param {PointerEvent|MouseEvent} event */
  const spot = (event) => ({ x: toX(event.clientX), y: toY(event.clientY) });

  /** @param {PointerEvent} event */
  function down(event) {
    if (event.pointerType === "touch") fingers++;
    if (!pull) mine = -1;
    if (!editor.on() || event.button !== 0) return;
    if (pull) return void giveUp();
    const j = job();
    const { x, y } = spot(event);
    if (!j || !placeUnder(j, x, y) || fingers > 1) return;
    const key = keyUnder(j, x, y, event.pointerType === "touch" ? reaches.touch : reaches.mouse);
    const adds = event.shiftKey || editor.many();
    pull = { id: event.pointerId, x, y, key, score: j.scene.score, before: editor.keys(), adds, doing: "press", time: false, value: false };
    mine = event.pointerId;
    if (key && !adds && !has(pull.before, key)) editor.select([key], key);
    if (!key && event.pointerType !== "mouse") holding = setTimeout(() => held(x, y), holdFor);
  }

  /** @param {number} x @param {number} y */
  function held(x, y) {
    if (pull?.doing !== "press") return;
    pull.doing = "nothing";
    addAt(x, y);
  }

  /** @param {PointerEvent} event */
  function move(event) {
    if (!pull || event.pointerId !== pull.id) return;
    const { x, y } = spot(event);
    if (pull.doing === "press" && Math.hypot(x - pull.x, y - pull.y) > slack) begin(pull);
    if (pull.doing === "keys") drag(pull, x, y, event.altKey || event.ctrlKey || event.metaKey);
    if (pull.doing === "box") rubber(pull, x, y);
  }

  /** @param {Pull} p */
  function begin(p) {
    clearTimeout(holding);
    if (!p.key) {
      p.doing = "box";
      return;
    }
    if (editor.isBusy()) return; // the drag begins when what is on its way is here
    p.key = editor.still(p.key, p.score);
    if (!p.key) {
      p.doing = "nothing";
      return;
    }
    if (!has(editor.keys(), p.key)) editor.select(p.adds ? [...p.before, p.key] : [p.key], p.key);
    p.doing = editor.beginDrag(p.key) ? "keys" : "nothing";
  }

  /** @param {Pull} p @param {number} x @param {number} y @param {boolean} freely */
  function drag(p, x, y, freely) {
    const j = job();
    const score = editor.dragScore();
    const key = score && keyOf(score, p.key ?? undefined);
    if (!j || !score || !key || !p.key) return;
    const perPixel = (j.view.to - j.view.from) / stavesWidth(j);
    p.time ||= Math.abs(x - p.x) > slack;
    p.value ||= Math.abs(y - p.y) > valueSlack;
    const scale = valuePerPixel(j, p.key.row);
    const wanted = { at: key.at + (p.time ? x - p.x : 0) * perPixel, to: key.to - (p.value ? y - p.y : 0) * scale };
    const at = !p.time ? { at: key.at, to: "" } : freely ? { at: Math.max(0, Math.round(wanted.at * 1000) / 1000), to: "" } : snapTime(wanted.at, score, perPixel);
    const to = p.value ? snapValue(wanted.to, freely ? 0.1 : valueStep(scale)) : key.to;
    editor.drag({ time: at.at - key.at, value: to - key.to, snapped: at.to, x, y });
  }

  /** @param {Pull} p @param {number} x @param {number} y */
  function rubber(p, x, y) {
    const j = job();
    if (!j) return;
    box = { x0: p.x, y0: p.y, x1: x, y1: y };
    const within = keysWithin(j, box);
    editor.select(p.adds ? joined(p.before, within) : within, null);
  }

  /** @param {PointerEvent} event */
  function up(event) {
    if (event.pointerType === "touch") fingers = Math.max(0, fingers - 1);
    if (!pull || event.pointerId !== pull.id) return;
    const p = pull;
    if (event.type === "pointercancel") return void giveUp();
    clearTimeout(holding);
    pull = null;
    box = null;
    if (p.doing === "keys") editor.endDrag(true);
    else if (p.doing === "box") editor.tellSelection();
    else if (p.doing === "press") press(p);
    editor.redraw();
  }

  /** A press that did not move. @param {Pull} p */
  function press(p) {
    const j = job();
    const at = j && placeUnder(j, p.x, p.y);
    if (at) editor.chooseRow(at.id);
    if (p.key) editor.select(p.adds ? toggled(p.before, p.key) : [p.key], p.key);
    else {
      if (!p.adds) editor.select([], null);
      tap(p.x, p.y); // a finding may lie there
    }
    editor.tellSelection();
  }

  /** A second finger, or the browser, takes the hand away. */
  function giveUp() {
    clearTimeout(holding);
    mine = -1;
    if (pull?.doing === "keys") editor.endDrag(false);
    else if (pull?.doing === "box") editor.select(pull.before, null);
    pull = null;
    box = null;
    editor.redraw();
  }

  /** @param {number} x @param {number} y */
  function addAt(x, y) {
    const j = job();
    const at = j && placeUnder(j, x, y);
    if (!j || !at || at.folded) return;
    const perPixel = (j.view.to - j.view.from) / stavesWidth(j);
    const { at: time } = snapTime(j.view.from + (x - j.metrics.left) * perPixel, j.scene.score, perPixel);
    editor.addAt(at.id, time, snapValue(at.value, valueStep(valuePerPixel(j, at.id))));
  }

  /** @param {MouseEvent} event */
  function double(event) {
    const j = job();
    const { x, y } = spot(event);
    if (!editor.on() || !j || !placeUnder(j, x, y) || keyUnder(j, x, y, reaches.mouse)) return;
    event.preventDefault();
    addAt(x, y);
  }

  canvas.addEventListener("pointerdown", down, { signal });
  canvas.addEventListener("pointermove", move, { signal });
  canvas.addEventListener("pointerup", up, { signal });
  canvas.addEventListener("pointercancel", up, { signal });
  canvas.addEventListener("dblclick", double, { signal });
  canvas.addEventListener("contextmenu", (event) => editor.on() && event.preventDefault(), { signal });

  return {
    // The sheet asks after the hands here have heard of an event, or before: both must agree.
    taken: (event) => editor.on() && event.pointerId === mine && fingers < 2,
    box: () => box,
    destroy: () => off.abort(),
  };
}
