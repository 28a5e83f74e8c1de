// From what a hand does to a value of a row, in numbers alone: rest, dead zone,
// range. A reach is 0 to 1, from the lowest value to the highest.

/**
 * How a hand's way becomes a value.
 * @typedef {object} Reach
 * @property {number} low      value at reach 0
 * @property {number} high     at reach 1
 * @property {boolean} invert
 * @property {boolean} oneWay  what rests in its middle moves the value from its lowest only
 * @property {boolean} steps   only the two ends: a switch
 */

/** @param {number} x @param {number} low @param {number} high */
export const clamp = (x, low, high) => Math.min(high, Math.max(low, x));

/**
 * A stick's deflection from where it rests, each way -1 to 1: the travel that is left on
 * either side of the rest counts as all of it.
 * @param {number} x     as the gamepad says it, -1 to 1
 * @param {number} rest  likewise
 */
export function fromRest(x, rest) {
  const room = x >= rest ? 1 - rest : 1 + rest;
  return room > 0 ? clamp((x - rest) / room, -1, 1) : 0;
}

/**
 * A dead zone by radius: within it a stick rests, at the rim it is at its end, and
 * between it goes straight, in the direction in which it was pushed. A zone for each axis
 * by itself would pull a stick that is pushed aslant onto the nearest axis.
 * @param {number} x       -1 to 1
 * @param {number} y       -1 to 1; 0 for what has one axis only
 * @param {number} radius  0 to 0.9
 * @returns {[number, number]}
 */
export function deadZone(x, y, radius) {
  const r = Math.hypot(x, y);
  if (r <= radius) return [0, 0];
  const k = Math.min(1, (r - radius) / (1 - radius)) / r;
  return [clamp(x * k, -1, 1), clamp(y * k, -1, 1)];
}

/**
 * Where something rests, from what it said while nobody moved it: the median, which
 * a touch in between does not move; and how far it strayed from there.
 * @param {number[]} readings
 * @returns {{rest: number, stray: number}}
 */
export function restOf(readings) {
  if (readings.length === 0) return { rest: 0, stray: 0 };
  const sorted = [...readings].sort((a, b) => a - b);
  const half = sorted.length >> 1;
  const rest = sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
  return { rest, stray: Math.max(...readings.map((x) => Math.abs(x - rest))) };
}

/**
 * The reach of what rests in its middle.
 * @param {number} x  -1 to 1
 * @param {boolean} oneWay
 */
export function reachOf(x, oneWay) {
  return oneWay ? clamp(x, 0, 1) : (clamp(x, -1, 1) + 1) / 2;
}

/** @param {number} reach @param {Reach} r */
export function valueOf(reach, r) {
  const u = clamp(r.invert ? 1 - reach : reach, 0, 1);
  if (r.steps) return u >= 0.5 ? r.high : r.low;
  return r.low + u * (r.high - r.low);
}

/** The reach that gives a value. @param {number} value @param {Reach} r */
export function reachFor(value, r) {
  const u = r.high === r.low ? 0 : clamp((value - r.low) / (r.high - r.low), 0, 1);
  return r.invert ? 1 - u : u;
}

/** The way from one angle to another, the shorter way round. @param {number} from deg @param {number} to deg @returns {number} -180 to 180 */
export function angleBetween(from, to) {
  const d = (((to - from) % 360) + 360) % 360;
  return d > 180 ? d - 360 : d;
}

/**
 * A tilt as whoever holds the screen sees it: the device's own axes go with the device
 * (W3C Device Orientation and Motion), and the picture may stand turned on it (W3C
 * Screen Orientation, angle).
 * @param {{beta: number|null, gamma: number|null}} e  deg
 * @param {number} angle  of the screen: 0, 90, 180 or 270 deg
 * @returns {{pitch: number, roll: number}|null}  pitch: the upper edge comes up; roll: the right edge goes down
 */
export function tiltOf({ beta, gamma }, angle) {
  if (beta === null || gamma === null || !Number.isFinite(beta) || !Number.isFinite(gamma)) return null;
  switch (((angle % 360) + 360) % 360) {
    case 90: return { pitch: -gamma, roll: beta };
    case 180: return { pitch: -beta, roll: -gamma };
    case 270: return { pitch: gamma, roll: -beta };
    default: return { pitch: beta, roll: gamma };
  }
}

/**
 * Keys move a reach softly: the speed goes towards the one that is asked for with a
 * time constant, so that a tap is a small step and a held key a long way.
 * @typedef {{reach: number, speed: number}} Push
 */

const soft = 0.12; // s, the time constant; a hand's own start takes about as long
export const fullWay = 1.2; // s that a held key takes over all of the range

/**
 * @param {Push} p
 * @param {number} held  -1 to 1: the way and the share of the full speed
 * @param {number} dt    s
 * @returns {Push}
 */
export function pushed(p, held, dt) {
  const aim = held / fullWay;
  const kept = Math.exp(-dt / soft);
  const speed = aim + (p.speed - aim) * kept;
  // The way of a speed that nears its aim exponentially, whole, so that it does not
  // depend on how often it is looked at.
  const reach = p.reach + aim * dt + (p.speed - aim) * soft * (1 - kept);
  if (reach <= 0 || reach >= 1) return { reach: clamp(reach, 0, 1), speed: 0 };
  return { reach, speed: held === 0 && Math.abs(speed) < 1e-3 ? 0 : speed };
}
