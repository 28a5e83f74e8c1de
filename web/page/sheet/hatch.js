// Hatching: lines at 45 degrees, errors dense and rising, warnings wide and
// falling, so that they stay apart without colour.

/** @typedef {import("../types.js").Severity} Severity */

/** @typedef {{step: number, falling: boolean, line: number}} Hatch  step between lines along an edge, pixels */

/** @type {Record<Severity, Hatch|null>} */
export const hatching = {
  error: { step: 4.5, falling: false, line: 0.9 },
  warning: { step: 9, falling: true, line: 0.8 },
  note: null,
};

/**
 * Gives the lines of a hatched box one after the other. All lie on one grid from
 * an origin, so that boxes side by side join and nothing swims when the sheet
 * moves under its window.
 * @param {number} x0
 * @param {number} y0
 * @param {number} x1
 * @param {number} y1
 * @param {Hatch} h
 * @param {number} origin  x + y of a rising line, x - y of a falling one
 * @param {(x0: number, y0: number, x1: number, y1: number) => void} line
 */
export function hatchBox(x0, y0, x1, y1, h, origin, line) {
  if (!(x1 > x0 && y1 > y0)) return;
  if (h.falling) {
    const last = x1 - y0;
    for (let c = first(x0 - y1, origin, h.step); c < last; c += h.step) {
      line(Math.max(x0, c + y0), Math.max(y0, x0 - c), Math.min(x1, c + y1), Math.min(y1, x1 - c));
    }
    return;
  }
  const last = x1 + y1;
  for (let c = first(x0 + y0, origin, h.step); c < last; c += h.step) {
    line(Math.max(x0, c - y1), Math.min(y1, c - x0), Math.min(x1, c - y0), Math.max(y0, c - x1));
  }
}

/**
 * The first place of a grid after a start; a line through a corner is none.
 * @param {number} start
 * @param {number} origin
 * @param {number} step
 */
function first(start, origin, step) {
  return origin + (Math.floor((start - origin) / step) + 1) * step;
}

/**
 * Joins spans that touch, in place: pairs of ends by their beginning.
 * @param {Float64Array} spans
 * @param {number} count  pairs
 * @returns {number} pairs that are left
 */
export function merge(spans, count) {
  let n = 0;
  for (let k = 0; k < count; k++) {
    const a = spans[2 * k];
    const b = spans[2 * k + 1];
    if (n > 0 && a <= spans[2 * n - 1]) {
      if (b > spans[2 * n - 1]) spans[2 * n - 1] = b;
      continue;
    }
    spans[2 * n] = a;
    spans[2 * n + 1] = b;
    n++;
  }
  return n;
}
