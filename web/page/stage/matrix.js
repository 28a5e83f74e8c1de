// Vectors and rigid motions in space. Lengths are millimetres, angles degrees,
// frames right-handed.

/** @typedef {import("../types.js").Vector} Vector */

/**
 * A rigid motion: three rows of a rotation, each with its part of the shift:
 * p -> [m0 m1 m2] p + m3, and so on.
 * @typedef {number[]} Matrix
 */

/** @param {Vector} a @param {Vector} b @returns {Vector} */
export const add = (a, b) => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];

/** @param {Vector} a @param {Vector} b @returns {Vector} */
export const subtract = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];

/** @param {Vector} a @param {number} k @returns {Vector} */
export const scale = (a, k) => [a[0] * k, a[1] * k, a[2] * k];

/** @param {Vector} a @param {Vector} b */
export const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

/** @param {Vector} a @param {Vector} b @returns {Vector} */
export const cross = (a, b) => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];

/** @param {Vector} a */
export const size = (a) => Math.hypot(a[0], a[1], a[2]);

/**
 * The direction of a vector; straight up for one without a direction, so that a
 * degenerate rig is still drawn.
 * @param {Vector} a
 * @returns {Vector}
 */
export function unit(a) {
  const n = size(a);
  return n > 0 ? scale(a, 1 / n) : [0, 0, 1];
}

/** @returns {Matrix} */
export const identity = () => [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0];

/** @param {Vector} v @returns {Matrix} */
export const translation = (v) => [1, 0, 0, v[0], 0, 1, 0, v[1], 0, 0, 1, v[2]];

/**
 * The turn about a direction through the origin, anticlockwise when the
 * direction points at the reader: R = I + sin a K + (1 - cos a) K K (Rodrigues).
 * @param {Vector} about any length but zero
 * @param {number} degrees
 * @returns {Matrix}
 */
export function rotation(about, degrees) {
  const [x, y, z] = unit(about);
  const angle = (degrees * Math.PI) / 180;
  const s = Math.sin(angle);
  const c = Math.cos(angle);
  const k = 1 - c;
  return [
    c + k * x * x, k * x * y - s * z, k * x * z + s * y, 0,
    k * x * y + s * z, c + k * y * y, k * y * z - s * x, 0,
    k * x * z - s * y, k * y * z + s * x, c + k * z * z, 0,
  ];
}

/**
 * First b, then a.
 * @param {Matrix} a
 * @param {Matrix} b
 * @returns {Matrix}
 */
export function multiply(a, b) {
  const out = new Array(12);
  for (let row = 0; row < 12; row += 4) {
    const x = a[row], y = a[row + 1], z = a[row + 2];
    out[row] = x * b[0] + y * b[4] + z * b[8];
    out[row + 1] = x * b[1] + y * b[5] + z * b[9];
    out[row + 2] = x * b[2] + y * b[6] + z * b[10];
    out[row + 3] = x * b[3] + y * b[7] + z * b[11] + a[row + 3];
  }
  return out;
}

/**
 * The motion back. Only for rigid motions, whose rotation's inverse is its transpose.
 * @param {Matrix} m
 * @returns {Matrix}
 */
export function inverse(m) {
  const x = m[3], y = m[7], z = m[11];
  return [
    m[0], m[4], m[8], -(m[0] * x + m[4] * y + m[8] * z),
    m[1], m[5], m[9], -(m[1] * x + m[5] * y + m[9] * z),
    m[2], m[6], m[10], -(m[2] * x + m[6] * y + m[10] * z),
  ];
}

/**
 * Where a point comes to lie.
 * @param {Matrix} m
 * @param {Vector} p
 * @returns {Vector}
 */
export const apply = (m, p) => [
  m[0] * p[0] + m[1] * p[1] + m[2] * p[2] + m[3],
  m[4] * p[0] + m[5] * p[1] + m[6] * p[2] + m[7],
  m[8] * p[0] + m[9] * p[1] + m[10] * p[2] + m[11],
];

/**
 * Where a direction comes to point.
 * @param {Matrix} m
 * @param {Vector} v
 * @returns {Vector}
 */
export const turn = (m, v) => [
  m[0] * v[0] + m[1] * v[1] + m[2] * v[2],
  m[4] * v[0] + m[5] * v[1] + m[6] * v[2],
  m[8] * v[0] + m[9] * v[1] + m[10] * v[2],
];

/** @param {Matrix} m @returns {Vector} */
export const origin = (m) => [m[3], m[7], m[11]];
