// What span of time the sheet shows, and how that changes.

/** @typedef {import("./types.js").Span} Span */

const shortest = 0.1; // s, a few film frames across the sheet

/**
 * A span of the same length within the motion; all of it where it is longer.
 * @param {Span} view
 * @param {number} length  of the motion, s
 * @returns {Span}
 */
export function within(view, length) {
  const all = Math.max(length, shortest);
  const span = Math.min(all, Math.max(shortest, view.to - view.from));
  const from = Math.min(Math.max(0, view.from), all - span);
  return { from, to: from + span };
}

/**
 * A span that shows less time by a factor, and a time at the same place.
 * @param {Span} view
 * @param {number} factor  over 1 shows less
 * @param {number} about   s
 * @param {number} length  s
 * @returns {Span}
 */
export function zoomed(view, factor, about, length) {
  const old = view.to - view.from;
  const span = Math.min(Math.max(length, shortest), Math.max(shortest, old / factor));
  const at = Math.min(view.to, Math.max(view.from, about));
  const from = at - ((at - view.from) / old) * span;
  return within({ from, to: from + span }, length);
}

/**
 * @param {Span} view
 * @param {number} by  s
 * @param {number} length  s
 * @returns {Span}
 */
export function panned(view, by, length) {
  return within({ from: view.from + by, to: view.to + by }, length);
}

/**
 * The view turned like a page when a time leaves it, else the same view. While
 * playing the time comes to the left, so that what follows can be read; after a
 * jump to the middle.
 * @param {Span} view
 * @param {number} time  s
 * @param {number} length  s
 * @param {boolean} playing
 * @returns {Span}
 */
export function turned(view, time, length, playing) {
  const span = view.to - view.from;
  if (time >= view.from && time <= view.to) return view;
  const from = time - span * (playing && time > view.to ? 0.04 : 0.5);
  return within({ from, to: from + span }, length);
}

/**
 * Whether a view shows all of a motion.
 * @param {Span} view
 * @param {number} length  s
 * @returns {boolean}
 */
export function showsAll(view, length) {
  return view.from <= 1e-9 && view.to >= length - 1e-9;
}
