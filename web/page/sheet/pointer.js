// Hands on the sheet: wheel, drag and pinch.

import { snapped } from "../player.js";
import { timeAt, xOf } from "./geometry.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").Actions} Actions */
/** @typedef {import("../types.js").Span} Span */

/**
 * @typedef {object} Ground
 * @property {HTMLElement} staves
 * @property {HTMLElement} ruler
 * @property {HTMLElement} scroller
 * @property {() => State} get
 * @property {Actions} actions
 * @property {() => {left: number, width: number, loop: number, loopEnd: number}} frame  where staves lie in the sheet, and the loop's lane
 * @property {(clientX: number) => number} toX  from the window to the sheet
 * @property {(clientY: number) => number} toY
 * @property {(x: number, y: number, event: PointerEvent) => void} onTap
 * @property {(x: number, y: number, event: PointerEvent) => void} onHover
 * @property {() => void} onLeave
 * @property {(span: Span|null) => void} onLoop  a loop that is being drawn
 * @property {() => void} request
 * @property {(event: PointerEvent) => boolean} taken  whether another hand has this pointer
 */

const slack = 5;      // px that a tap may move
const grip = 9;       // px around an end of the loop
const glide = 0.0035; // 1/ms by which a thrown sheet slows down
const lineHeight = 18; // px of a wheel that counts lines

/**
 * @param {Ground} ground
 * @returns {{glide: (now: number) => boolean, destroy: () => void}}
 */
export function createHands(ground) {
  const { staves, ruler, scroller, get, actions, frame, toX, toY, request } = ground;
  const off = new AbortController();
  const { signal } = off;
  /** @type {Map<number, {x: number, y: number}>} */
  const fingers = new Map();
  let travelled = 0;
  let thrown = { x: 0, y: 0, last: 0 };
  let moveAt = 0;
  /** @type {"none"|"scrub"|"loop"} */
  let doing = "none";
  let anchor = 0; // s, the end of the loop that stays

  const length = () => get().score?.length ?? 0;
  const perPixel = () => (get().view.to - get().view.from) / frame().width;
  /** @param {number} clientX */
  const timeUnder = (clientX) => timeAt(toX(clientX), get().view, frame().left, frame().width);
  /** @param {number} clientX */
  const frameUnder = (clientX) => snapped(timeUnder(clientX), get().score?.fps ?? null, length());

  /** @param {WheelEvent} event */
  function onWheel(event) {
    if (!get().score) return;
    const unit = event.deltaMode === 1 ? lineHeight : event.deltaMode === 2 ? frame().width : 1;
    const over = event.currentTarget === ruler;
    const sideways = event.shiftKey && event.deltaX === 0 ? event.deltaY : event.deltaX;
    if (event.ctrlKey || event.metaKey || (over && !event.shiftKey && Math.abs(event.deltaY) > Math.abs(event.deltaX))) {
      event.preventDefault();
      actions.zoom(Math.exp(-Math.max(-240, Math.min(240, event.deltaY * unit)) * (event.ctrlKey && Math.abs(event.deltaY) < 40 ? 0.01 : 0.0022)), timeUnder(event.clientX));
    } else if (sideways !== 0 && (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY))) {
      event.preventDefault();
      actions.pan(sideways * unit * perPixel());
    }
  }

  // --- staves: drag and pinch ---

  /** @param {PointerEvent} event */
  function down(event) {
    if (event.button !== 0) return;
    staves.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (fingers.size === 1) travelled = 0;
    else travelled = Infinity;
    thrown = { x: 0, y: 0, last: 0 };
    moveAt = event.timeStamp;
  }

  /** @param {PointerEvent} event */
  function move(event) {
    const was = fingers.get(event.pointerId);
    if (!was) {
      if (event.pointerType !== "touch") ground.onHover(toX(event.clientX), toY(event.clientY), event);
      return;
    }
    const dx = event.clientX - was.x;
    const dy = event.clientY - was.y;
    travelled += Math.abs(dx) + Math.abs(dy);
    if (fingers.size === 1 && travelled <= slack) return;
    if (fingers.size === 2) pinch(event, was);
    else if (fingers.size === 1) drag(dx, dy, event);
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  }

  /** @param {number} dx @param {number} dy @param {PointerEvent} event */
  function drag(dx, dy, event) {
    ground.onLeave();
    if (ground.taken(event)) return;
    actions.pan(-dx * perPixel());
    scroller.scrollTop -= dy;
    const dt = Math.max(1, event.timeStamp - moveAt);
    moveAt = event.timeStamp;
    thrown.x = 0.6 * thrown.x + 0.4 * (dx / dt);
    thrown.y = 0.6 * thrown.y + 0.4 * (dy / dt);
  }

  /** @param {PointerEvent} event @param {{x: number, y: number}} was */
  function pinch(event, was) {
    const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
    if (!other) return;
    const before = Math.hypot(was.x - other.x, was.y - other.y);
    const after = Math.hypot(event.clientX - other.x, event.clientY - other.y);
    const middle = (was.x + other.x) / 2;
    if (before > 8 && after > 8) actions.zoom(after / before, timeUnder(middle));
    actions.pan(-((event.clientX - was.x) / 2) * perPixel());
  }

  /** @param {PointerEvent} event */
  function up(event) {
    if (!fingers.delete(event.pointerId)) return;
    if (event.type === "pointercancel" || ground.taken(event)) {
      thrown = { x: 0, y: 0, last: 0 };
      return;
    }
    if (travelled <= slack) {
      ground.onTap(toX(event.clientX), toY(event.clientY), event);
      return;
    }
    const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
    if (fingers.size > 0 || calm || event.pointerType !== "touch" || event.timeStamp - moveAt > 60) thrown = { x: 0, y: 0, last: 0 };
    else request();
  }

  // --- ruler: seek, scrub, loop ---

  /** @param {PointerEvent} event */
  function rulerDown(event) {
    if (event.button !== 0 || !get().score || doing !== "none") return;
    ruler.setPointerCapture(event.pointerId);
    ruler.focus({ preventScroll: true });
    event.preventDefault();
    travelled = 0;
    const { loop, loopEnd, left, width } = frame();
    const y = toY(event.clientY);
    if (event.shiftKey || event.altKey || (y >= loop && y < loopEnd)) {
      doing = "loop";
      anchor = frameUnder(event.clientX);
      const span = get().loop;
      const x = toX(event.clientX);
      if (span && Math.abs(x - xOf(span.from, get().view, left, width)) < grip) anchor = span.to;
      else if (span && Math.abs(x - xOf(span.to, get().view, left, width)) < grip) anchor = span.from;
      return;
    }
    doing = "scrub";
    actions.scrub(timeUnder(event.clientX));
  }

  /** @param {PointerEvent} event */
  function rulerMove(event) {
    if (doing === "none") return;
    travelled += Math.abs(event.movementX);
    if (doing === "scrub") actions.scrub(timeUnder(event.clientX));
    else if (travelled > slack) ground.onLoop(spanTo(event));
  }

  /** @param {PointerEvent} event */
  function spanTo(event) {
    const t = frameUnder(event.clientX);
    return { from: Math.min(anchor, t), to: Math.max(anchor, t) };
  }

  /** @param {PointerEvent} event */
  function rulerUp(event) {
    const was = doing;
    doing = "none";
    if (was === "scrub") actions.scrubEnd();
    if (was !== "loop") return;
    ground.onLoop(null);
    if (event.type === "pointercancel") return;
    if (travelled > slack) actions.setLoop(spanTo(event));
    else if (get().loop) actions.setLoop(null);
  }

  for (const e of [staves, ruler]) e.addEventListener("wheel", onWheel, { passive: false, signal });
  staves.addEventListener("pointerdown", down, { signal });
  staves.addEventListener("pointermove", move, { signal });
  staves.addEventListener("pointerup", up, { signal });
  staves.addEventListener("pointercancel", up, { signal });
  // A finger that is lifted has not gone away from what its tap has opened.
  staves.addEventListener("pointerleave", (event) => event.pointerType !== "touch" && ground.onLeave(), { signal });
  ruler.addEventListener("pointerdown", rulerDown, { signal });
  ruler.addEventListener("pointermove", rulerMove, { signal });
  ruler.addEventListener("pointerup", rulerUp, { signal });
  ruler.addEventListener("pointercancel", rulerUp, { signal });

  return {
    /** Goes on with a sheet that was thrown; false when it lies still. */
    glide(now) {
      if (fingers.size > 0 || Math.hypot(thrown.x, thrown.y) < 0.02) return false;
      const dt = thrown.last ? Math.min(50, now - thrown.last) : 16;
      thrown.last = now;
      actions.pan(-thrown.x * dt * perPixel());
      scroller.scrollTop -= thrown.y * dt;
      const slower = Math.exp(-glide * dt);
      thrown.x *= slower;
      thrown.y *= slower;
      return true;
    },
    destroy: () => off.abort(),
  };
}
