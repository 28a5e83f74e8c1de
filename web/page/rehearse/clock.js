// The server's clock as it is known in the page, and the boards' time by it. No DOM.

/** @typedef {import("./words.js").Rehearsal} Rehearsal */

const kept = 120; // messages: some 12 s, in which two clocks do not part by a millisecond

/**
 * Finds how far the page's clock is from the server's. A message takes its time, and never
 * less than none: of the last ones that which was quickest says it best.
 */
export function createServerClock() {
  /** @type {number[]} */
  let list = [];
  let offset = Infinity;
  return {
    /** Takes a message. @param {number} server  ms that it says @param {number} page  ms when it came */
    heard(server, page) {
      list.push(page - server);
      if (list.length > kept) list.shift();
      offset = Math.min(...list);
    },
    /** Forgets all: the computer slept, or the server is another. */
    forget() {
      list = [];
      offset = Infinity;
    },
    /** The server's time, in ms, at a moment of the page; -Infinity before a message came. @param {number} page */
    at: (page) => page - offset,
    /** The moment of the page at which the server's clock shows a time. @param {number} server */
    when: (server) => server + offset,
  };
}

/**
 * What a page plays along with: the boards' time, in moments of the page in ms.
 * @typedef {object} Leader
 * @property {(now: number) => number} at    time of the motion, s; within the round. Before the entry the boards are on their way to it, or count
 * @property {(now: number) => number} next  when the next round starts; Infinity: never
 * @property {number} entry     s, where the boards wait until they start
 * @property {number} from      s, of a round
 * @property {number} to
 * @property {number} rate
 * @property {boolean} counting
 */

/**
 * The leader that the boards are by a state, or null where nothing runs.
 * @param {Rehearsal} r
 * @param {{at: (page: number) => number, when: (server: number) => number}} clock
 * @returns {Leader|null}
 */
export function leaderOf(r, clock) {
  const runs = r.phase === "playing" || r.phase === "count-in" || r.phase === "moving";
  const { sound_at: start, begin: from, length, speed: rate, every, position } = r;
  if (!runs || start === null || from === null || !length || !rate) return null;
  const round = (every ?? 0) * 1000;
  /** @param {number} now  ms since this round started */
  const rounds = (now) => (round > 0 && now > 0 ? Math.floor(now / round) : 0);
  return {
    at(now) {
      const since = clock.at(now) - start;
      return Math.min(from + length, from + ((since - rounds(since) * round) / 1000) * rate);
    },
    next(now) {
      return round > 0 ? clock.when(start + (rounds(clock.at(now) - start) + 1) * round) : Infinity;
    },
    entry: r.phase === "playing" ? from : (position ?? from),
    from, to: from + length, rate, counting: r.phase === "count-in",
  };
}
