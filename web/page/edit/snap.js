// Where a hand that drags comes to rest: on a mark, a beat or a film frame, and
// on a round value.

import { beatsAt, nearestFrame, timeOfBeat, timeOfFrame } from "../time.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {{at: number, to: string}} Snapped  to: what it came to rest on, or "" */

const markReach = 7; // px
const beatReach = 4; // px
const centi = 0.01;  // s, where the motion has no frames

/**
 * @param {number} t  s
 * @param {Pick<Score, "fps"|"tempo"|"marks">} score
 * @param {number} perPixel  s
 * @returns {Snapped}
 */
export function snapTime(t, score, perPixel) {
  const time = Math.max(0, t);
  let mark = null;
  for (const m of score.marks) if (!mark || Math.abs(m.at - time) < Math.abs(mark.at - time)) mark = m;
  if (mark && Math.abs(mark.at - time) <= markReach * perPixel) return { at: mark.at, to: mark.name };
  if (score.tempo?.length) {
    const beat = Math.round(beatsAt(time, score.tempo));
    const at = timeOfBeat(beat, score.tempo);
    if (at >= 0 && Math.abs(at - time) <= beatReach * perPixel) return { at, to: `beat ${beat + 1}` };
  }
  if (score.fps) return { at: timeOfFrame(nearestFrame(time, score.fps), score.fps), to: "" };
  return { at: Math.round(time / centi) * centi, to: "" };
}

/**
 * The step of values that a hand can tell apart: one, two or five of a power of
 * ten, at least a tenth.
 * @param {number} perPixel  value a pixel
 */
export function valueStep(perPixel) {
  const least = Math.max(0.1, Math.min(Math.abs(perPixel), 1e6) / 4);
  const ten = 10 ** Math.floor(Math.log10(least) + 1e-9);
  for (const n of [1, 2, 5]) if (n * ten >= least - 1e-12) return n * ten;
  return 10 * ten;
}

/**
 * @param {number} v
 * @param {number} step
 */
export function snapValue(v, step) {
  return Number((Math.round(v / step) * step).toFixed(6)) + 0;
}
