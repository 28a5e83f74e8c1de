// The takes that are in no file yet, and those that are: what the page keeps of them, in
// numbers alone. Nothing is thrown away that could not be had again.

/** @typedef {import("./studio.js").Take} Take */

export const most = 10; // takes of a motion

export function createShelf() {
  /** @type {Take[]} */
  let takes = [];
  /** @type {Set<Take>} */
  const kept = new Set();
  /** What was discarded last, and where it was. @type {{take: Take, at: number}|null} */
  let gone = null;

  /** @param {string} motion */
  const of = (motion) => takes.filter((t) => t.motion === motion);

  return {
    of,
    /** Whether a take of a motion has no place: all that are there would be lost. @param {string} motion */
    full: (motion) => of(motion).length >= most && of(motion).every((t) => !kept.has(t)),
    /** @param {Take} take @returns {Take|null} the one that gave way: the oldest that is in the file */
    add(take) {
      const others = of(take.motion);
      const oldest = others.length >= most ? others.find((t) => kept.has(t)) ?? null : null;
      takes = [...takes.filter((t) => t !== oldest), take];
      return oldest;
    },
    /** @param {Take} take @param {boolean} is  in the file */
    keep(take, is) {
      if (is) kept.add(take);
      else kept.delete(take);
    },
    /** @param {Take} take */
    discard(take) {
      gone = { take, at: takes.indexOf(take) };
      takes = takes.filter((t) => t !== take);
    },
    /** What can be put back, of a motion. @param {string} motion */
    discarded: (motion) => (gone?.take.motion === motion ? gone.take : null),
    /** Puts back what was discarded last. @returns {Take|null} */
    back() {
      if (!gone) return null;
      const { take, at } = gone;
      takes = [...takes.slice(0, at), take, ...takes.slice(at)];
      gone = null;
      return take;
    },
    /** How many takes would be lost with the page. */
    unkept: () => takes.filter((t) => !kept.has(t)).length,
  };
}
