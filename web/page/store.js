// The one store: all that two parts of the page need.

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Store} Store */

/** @returns {State} */
export function initialState() {
  return {
    project: null, motion: "", score: null, curves: null, waveform: null,
    problems: [], connected: false, trouble: "",
    time: 0, playing: false, rate: 1, loop: null, looping: false, countIn: false, counting: 0, boards: "", sound: "none", soundTrouble: "", muted: false,
    view: { from: 0, to: 1 },
    rows: { order: [], folded: new Set(), hidden: new Set() },
    finding: null, row: null,
    theme: "paper", themeCount: 0, shortcuts: true,
    stage: { yaw: 35, pitch: 15, distance: 0, target: [0, 0, 0], ghost: true, trails: false, onion: 0, mask: null },
    edit: { on: false, many: false, keys: [], cursor: null, busy: false, fault: "" },
    live: null,
    proposal: null,
    proposed: false,
  };
}

/**
 * A store tells everyone at once of each change. A change that is made while
 * others are being told waits until all have heard of the first, so that nobody
 * hears of the second before it. A listener that fails keeps no other from hearing;
 * its error reaches whoever made the change.
 * @param {State} initial
 * @returns {Store}
 */
export function createStore(initial) {
  let state = initial;
  /** @type {Set<(state: State, before: State) => void>} */
  const listeners = new Set();
  /** @type {[State, State][]} */
  const told = [];
  let telling = false;

  function tell() {
    if (telling) return;
    telling = true;
    /** @type {unknown[]} */
    const failures = [];
    for (let change = told.shift(); change; change = told.shift()) {
      for (const listen of [...listeners]) {
        try {
          if (listeners.has(listen)) listen(...change);
        } catch (e) {
          failures.push(e);
        }
      }
    }
    telling = false;
    if (failures.length > 0) throw failures[0];
  }

  return {
    get: () => state,
    set(patch) {
      const before = state;
      const keys = /** @type {(keyof State)[]} */ (Object.keys(patch));
      if (keys.every((k) => Object.is(patch[k], before[k]))) return;
      state = Object.freeze({ ...before, ...patch });
      told.push([state, before]);
      tell();
    },
    subscribe(listen) {
      listeners.add(listen);
      return () => void listeners.delete(listen);
    },
  };
}
