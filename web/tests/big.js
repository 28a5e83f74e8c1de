// A motion as large as one may be, for tests of speed: invented data, the same at
// every run.

/** @typedef {import("../page/types.js").Score} Score */
/** @typedef {import("../page/types.js").Curves} Curves */
/** @typedef {import("../page/types.js").Head} Head */

/**
 * Numbers from 0 to 1 that look random (xorshift32).
 * @param {number} seed  not 0
 * @returns {() => number}
 */
export function random(seed) {
  let x = seed | 0;
  return () => {
    x ^= x << 13;
    x ^= x >>> 17;
    x ^= x << 5;
    return (x >>> 0) / 2 ** 32;
  };
}

/** @type {Head[]} */
const families = ["eased", "spline", "straight", "stepped", "springy", "soonest"];

/**
 * Axes that go from key to key on smooth curves, each with a predicted path that
 * comes late, one supply, marks, and findings all along.
 * @param {{axes?: number, seconds?: number, keys?: number, rate?: number, findings?: number}} [size]
 * @returns {{score: Score, curves: Curves}}
 */
export function createBig({ axes = 32, seconds = 600, keys = 20000, rate = 200, findings = 40 } = {}) {
  const next = random(20);
  const samples = Math.ceil(seconds * rate) + 1;
  const each = Math.floor(keys / axes);
  /** @type {Float32Array[]} */
  const data = [];
  const current = new Float32Array(samples);
  /** @type {Score["rows"]} */
  const rows = [];
  for (let a = 0; a < axes; a++) {
    const count = each + (a < keys - each * axes ? 1 : 0);
    const list = keysOf(count, seconds, next);
    const commanded = curveOf(list, samples, rate);
    data.push(commanded, late(commanded, current));
    rows.push({ kind: "axis", name: `axis-${a + 1}`, unit: "deg", low: -60, high: 60, travel: [-60, 60], rest: 0, actuator: "servo", board: "main", channel: a,
      supply: "rail", limits: { speed: 250, acceleration: 1500, jerk: null }, area: false, keys: list, commanded: 2 * a, predicted: 2 * a + 1 });
  }
  data.push(current, current.map((i) => 6 - 0.05 * i));
  return { score: scoreOf(rows, seconds, findings, next), curves: { rate, samples, count: data.length, data } };
}

/** @param {number} count @param {number} seconds @param {() => number} next */
function keysOf(count, seconds, next) {
  return Array.from({ length: count }, (_, k) => ({
    at: (seconds * (k + 0.2 + 0.6 * next())) / count, to: Math.round(100 * next() - 50), ease: k ? "in-out" : "",
    head: k ? families[Math.floor(next() * families.length)] : /** @type {Head} */ ("first"), line: k + 1, locked: next() < 0.02,
  }));
}

/** @param {{at: number, to: number}[]} keys @param {number} samples @param {number} rate */
function curveOf(keys, samples, rate) {
  const out = new Float32Array(samples);
  let k = 0;
  for (let s = 0; s < samples; s++) {
    const t = s / rate;
    while (k + 1 < keys.length && keys[k + 1].at <= t) k++;
    const a = keys[k];
    const b = keys[k + 1];
    if (!b || t <= a.at) {
      out[s] = a.to;
      continue;
    }
    const u = (t - a.at) / (b.at - a.at);
    out[s] = a.to + (b.to - a.to) * u * u * (3 - 2 * u);
  }
  return out;
}

/** A path that follows, and the current that it draws. @param {Float32Array} commanded @param {Float32Array} current */
function late(commanded, current) {
  const out = new Float32Array(commanded.length);
  let v = commanded[0];
  for (let s = 0; s < out.length; s++) {
    const step = 0.12 * (commanded[s] - v);
    v += step;
    out[s] = v;
    current[s] += 0.02 + 0.25 * Math.abs(step);
  }
  return out;
}

/** @param {Score["rows"]} rows @param {number} seconds @param {number} findings @param {() => number} next @returns {Score} */
function scoreOf(rows, seconds, findings, next) {
  const curve = 2 * rows.length;
  return {
    name: "big", title: "A long night", file: "big.motion.yaml", rig: "Many hands", revision: "1", length: seconds, loop: false,
    fps: { rate: 24, count: 24, drop: false }, tempo: [{ at: 0, beat: 0, bpm: 96 }], boardRate: 50, rows,
    marks: Array.from({ length: 20 }, (_, k) => ({ name: `mark-${k + 1}`, at: ((k + 0.5) * seconds) / 20, locked: false, line: k + 1 })),
    cues: [{ at: seconds / 3, say: "stand by", set: [], line: 1 }], quiet: [{ from: seconds / 2, to: seconds / 2 + 20, speed: 40, release: [] }],
    layers: [{ row: 0, from: 0, to: seconds / 4, what: "wiggle 1.5deg at 0.7Hz" }],
    supplies: [{ name: "rail", limit: 5, voltage: 6, brownout: 4.8, current: curve, volts: curve + 1, peak: null }],
    findings: Array.from({ length: findings }, (_, k) => {
      const from = next() * (seconds - 4);
      return { number: k + 1, severity: k % 2 ? "warning" : "error", rule: "speed", row: Math.floor(next() * rows.length), supply: -1, from, to: from + 3 * next(),
        text: "asks for more than it can do", remedy: "give it more time", file: "big.motion.yaml", line: k + 1 };
    }),
    joints: [], sound: null,
  };
}
