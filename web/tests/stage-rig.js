// Rows, joints and scores for the tests of the stage.

/** @typedef {import("../page/types.js").Row} Row */
/** @typedef {import("../page/types.js").Joint} Joint */
/** @typedef {import("../page/types.js").Score} Score */
/** @typedef {import("../page/types.js").Finding} Finding */

/** @param {Partial<Row>} given @returns {Row} */
export const rowOf = (given) => ({
  kind: "axis", name: "axis", unit: "deg", low: -90, high: 90, travel: [-90, 90], rest: 0, actuator: "servo", board: "main", channel: 0,
  supply: "rail", limits: { speed: null, acceleration: null, jerk: null }, area: false, keys: [], commanded: 0, predicted: -1, ...given,
});

/** @param {Partial<Joint>} given @returns {Joint} */
export const jointOf = (given) => ({ name: "joint", parent: -1, at: [0, 0, 0], turns: null, slides: null, solid: { shape: "", size: [] }, ...given });

/** @param {Partial<Finding>} given @returns {Finding} */
export const findingOf = (given) => ({
  number: 1, severity: "error", rule: "speed", row: 0, supply: -1, from: 0, to: 0, text: "", remedy: "", file: "", line: 1, ...given,
});

/** @param {Partial<Score>} given @returns {Score} */
export const scoreOf = (given) => ({
  name: "m", title: "M", file: "m.motion.yaml", rig: "Rig", revision: "1", length: 10, loop: false, fps: { rate: 24, count: 24, drop: false },
  tempo: null, boardRate: 50, rows: [], marks: [], cues: [], quiet: [], layers: [], supplies: [], findings: [], joints: [], sound: null, ...given,
});
