// What hands do to the view: drag, pinch, wheel and keys.

import { approach, orbit, shift } from "./camera.js";

/** @typedef {import("../types.js").StageView} StageView */

/**
 * @typedef {object} Grip
 * @property {() => StageView} view  as it is seen, with its distance and target worked out
 * @property {() => number} focal    px
 * @property {(patch: Partial<StageView>) => void} change
 * @property {(x: number, y: number) => void} tap
 */

/** Degrees for each px of a drag: half a turn across a hand's width. */
const dragged = 0.4;

/** Degrees and px for each press of an arrow key. */
const turned = 5, moved = 24;

/** Nearer by this much for each press of + and each notch of a wheel. */
const step = 1.15;

/** A touch that moves less than this, in px, is a tap. */
const still = 5;

/** @param {Element} element @param {Grip} grip @returns {() => void} lets go */
export function takeHold(element, grip) {
  /** @type {Map<number, {x: number, y: number}>} */
  const fingers = new Map();
  let travelled = 0;
  const off = new AbortController();
  /** @type {<K extends keyof HTMLElementEventMap>(type: K, act: (e: HTMLElementEventMap[K]) => void, passive?: boolean) => void} */
  const on = (type, act, passive = true) => element.addEventListener(type, /** @type {EventListener} */ (act), { signal: off.signal, passive });

  /** @param {StageView} v */
  const keep = (v) => grip.change({ yaw: v.yaw, pitch: v.pitch, distance: v.distance, target: v.target });

  on("pointerdown", (e) => {
    if (fingers.size === 0) travelled = 0;
    fingers.set(e.pointerId, { x: e.clientX, y: e.clientY });
    element.setPointerCapture(e.pointerId);
  });
  on("pointermove", (e) => {
    const was = fingers.get(e.pointerId);
    if (!was) return;
    const now = { x: e.clientX, y: e.clientY };
    travelled += Math.hypot(now.x - was.x, now.y - was.y);
    const other = [...fingers].find(([id]) => id !== e.pointerId)?.[1];
    fingers.set(e.pointerId, now);
    if (travelled < still && fingers.size === 1) return;
    if (other) keep(pinched(grip, was, now, other));
    else if (e.shiftKey || e.buttons > 1) keep(shift(grip.view(), now.x - was.x, now.y - was.y, grip.focal()));
    else keep(orbit(grip.view(), (now.x - was.x) * dragged, (now.y - was.y) * dragged));
  });
  /** @param {PointerEvent} e */
  const up = (e) => {
    if (!fingers.delete(e.pointerId) || e.type !== "pointerup" || travelled >= still || fingers.size > 0) return;
    const box = element.getBoundingClientRect();
    grip.tap(e.clientX - box.left, e.clientY - box.top);
  };
  on("pointerup", up);
  on("pointercancel", up);
  // The hand on the picture takes no focus, or arrow keys would no longer step through
  // the motion; who comes with the Tab key wants them to turn the view.
  on("mousedown", (e) => e.preventDefault(), false);
  on("contextmenu", (e) => e.preventDefault(), false);
  on("wheel", (e) => {
    e.preventDefault();
    const notches = (e.deltaY * (e.deltaMode === 1 ? 16 : e.deltaMode === 2 ? 400 : 1)) / (e.ctrlKey ? 25 : 100);
    keep(approach(grip.view(), step ** -Math.min(Math.max(notches, -4), 4)));
  }, false);
  on("keydown", (e) => {
    const next = keyed(grip, e);
    if (!next) return;
    e.preventDefault();
    e.stopPropagation(); // the same keys step through the motion elsewhere
    keep(next);
  }, false);
  return () => off.abort();
}

/**
 * Two fingers: their distance comes nearer, their middle moves the picture.
 * @param {Grip} grip
 * @param {{x: number, y: number}} was
 * @param {{x: number, y: number}} now
 * @param {{x: number, y: number}} other
 */
function pinched(grip, was, now, other) {
  const before = Math.hypot(was.x - other.x, was.y - other.y), after = Math.hypot(now.x - other.x, now.y - other.y);
  const nearer = before > 8 && after > 8 ? after / before : 1;
  return shift(approach(grip.view(), nearer), (now.x - was.x) / 2, (now.y - was.y) / 2, grip.focal());
}

/** @param {Grip} grip @param {KeyboardEvent} e @returns {StageView|null} */
function keyed(grip, e) {
  if (e.ctrlKey || e.metaKey || e.altKey) return null;
  const ways = /** @type {Record<string, [number, number]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] });
  const way = ways[e.key];
  if (way && e.shiftKey) return shift(grip.view(), way[0] * moved, way[1] * moved, grip.focal());
  if (way) return orbit(grip.view(), way[0] * turned, way[1] * turned);
  if (e.key === "+" || e.key === "=") return approach(grip.view(), step);
  if (e.key === "-" || e.key === "_") return approach(grip.view(), 1 / step);
  return null;
}
