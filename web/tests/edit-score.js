// A small motion that the tests of editing change: an arm, a lantern in per cent, a
// horn that is on or off, and a control.

/** @typedef {import("../page/types.js").Score} Score */
/** @typedef {import("../page/types.js").Key} Key */
/** @typedef {import("../page/types.js").Row} Row */

/** @param {string} track @param {[number, number, string?][]} list @returns {Key[]} */
export function keysOf(track, list) {
  return list.map(([at, to, ease = "in-out"], index) => ({ at, to, ease: index === 0 ? "" : ease, head: index === 0 ? "first" : "eased", line: 10 + index, locked: false, address: { track, index }, from: null }));
}

/** @param {Partial<Row> & {name: string, keys: Key[]}} what @returns {Row} */
export function rowWith(what) {
  return { kind: "axis", unit: "deg", low: -20, high: 120, travel: [-20, 120], rest: 10, actuator: "servo", board: "main", channel: 0, supply: "rail",
    limits: { speed: null, acceleration: null, jerk: null }, area: false, commanded: 0, predicted: -1, ...what };
}

/** @param {Partial<Score>} [more] @returns {Score} */
export function editScore(more = {}) {
  const arm = keysOf("arm", [[0, 10], [1, 40], [2, 60], [4, 100]]);
  arm[2].locked = true;
  arm[3] = { ...arm[3], address: null, from: { kind: "phrase", name: "wave", index: 1, line: 61 } };
  return {
    name: "greet", title: "Greet", file: "greet.motion.yaml", rig: "Keeper", revision: "r1", length: 8, loop: false,
    fps: { rate: 24, count: 24, drop: false }, tempo: [{ at: 0, beat: 0, bpm: 120 }], boardRate: 50,
    rows: [
      rowWith({ name: "arm", keys: arm, commanded: 0 }),
      rowWith({ name: "lantern", unit: "%", travel: [0, 100], low: 0, high: 100, rest: 0, keys: keysOf("lantern", [[0.5, 0], [1.5, 90, "linear"]]), commanded: 1 }),
      rowWith({ name: "horn", unit: "on", travel: null, low: 0, high: 1, rest: 0, keys: keysOf("horn", [[3, 1, "hold"]]), commanded: 2 }),
      rowWith({ name: "nod", kind: "control", travel: null, low: -10, high: 10, rest: 0, keys: keysOf("nod", [[1, 0], [2, 8]]), commanded: 3 }),
    ],
    marks: [{ name: "boat", at: 1.5, locked: false, line: 5 }, { name: "boat-in", at: 3, locked: true, line: 6 }],
    cues: [], quiet: [], layers: [], supplies: [], findings: [], joints: [], sound: null,
    text: "t1", undo: 0, redo: 0, saved: true, conflict: null, trouble: "", paced: false,
    poses: [{ name: "calm", values: { arm: 20, nod: 1 }, line: 30 }],
    placements: [{ index: 1, kind: "phrase", name: "wave", at: 3.5, locked: false, line: 61 }],
    ...more,
  };
}

/** Curves of the motion: each row's lie straight from key to key. @param {Score} score @returns {import("../page/types.js").Curves} */
export function editCurves({ rows, length }) {
  const rate = 50;
  const samples = length * rate + 1;
  const data = rows.map(({ keys }) => Float32Array.from({ length: samples }, (_, n) => {
    const t = n / rate;
    const k = keys.findIndex((key) => key.at > t);
    if (k <= 0) return keys.length === 0 ? 0 : keys[k === 0 ? 0 : keys.length - 1].to;
    const [a, b] = [keys[k - 1], keys[k]];
    return a.to + ((b.to - a.to) * (t - a.at)) / (b.at - a.at);
  }));
  return { rate, samples, count: data.length, data };
}

/** @param {string} row @param {...number} ks */
export const refs = (row, ...ks) => ks.map((k) => ({ row, k }));
