// Flat figures: hulls, and what of one lies within another.

/** @typedef {[number, number]} Point */

/**
 * The convex hull, anticlockwise where y goes up, without points on its edges
 * (Andrew's monotone chain).
 * @param {Point[]} points
 * @returns {Point[]}
 */
export function hull(points) {
  const sorted = points.slice().sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  if (sorted.length < 3) return sorted;
  const lower = chain(sorted);
  const upper = chain(sorted.reverse());
  return lower.concat(upper);
}

/** @param {Point[]} sorted @returns {Point[]} one side of the hull, without its last point */
function chain(sorted) {
  /** @type {Point[]} */
  const out = [];
  for (const p of sorted) {
    while (out.length > 1 && turning(out[out.length - 2], out[out.length - 1], p) <= 0) out.pop();
    out.push(p);
  }
  out.pop();
  return out;
}

/** @param {Point} a @param {Point} b @param {Point} c @returns {number} over 0 where the way turns left */
const turning = (a, b, c) => (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);

/**
 * The part of a convex figure within another convex one, both anticlockwise
 * (Sutherland and Hodgman's clipping, one edge after the other).
 * @param {Point[]} figure
 * @param {Point[]} frame
 * @returns {Point[]} no points where they do not meet
 */
export function within(figure, frame) {
  let out = figure;
  frame.forEach((from, k) => {
    out = leftOf(out, from, frame[(k + 1) % frame.length]);
  });
  return out;
}

/** @param {Point[]} figure @param {Point} from @param {Point} to @returns {Point[]} */
function leftOf(figure, from, to) {
  /** @type {Point[]} */
  const out = [];
  figure.forEach((p, k) => {
    const next = figure[(k + 1) % figure.length];
    const here = turning(from, to, p), there = turning(from, to, next);
    if (here >= 0) out.push(p);
    if (here > 0 && there < 0 || here < 0 && there > 0) {
      const share = here / (here - there);
      out.push([p[0] + (next[0] - p[0]) * share, p[1] + (next[1] - p[1]) * share]);
    }
  });
  return out;
}

/** @param {Point[]} figure @returns {number} its area, over 0 where it runs anticlockwise */
export function area(figure) {
  let sum = 0;
  figure.forEach((p, k) => {
    const next = figure[(k + 1) % figure.length];
    sum += p[0] * next[1] - next[0] * p[1];
  });
  return sum / 2;
}
