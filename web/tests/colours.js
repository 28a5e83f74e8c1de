// Colours as eyes see them that lack one kind of cone, and how far apart they are.

/** @typedef {[number, number, number]} Triple */

/**
 * Full loss of one kind of cone, over linear sRGB: Machado, Oliveira and Fernandes, "A
 * Physiologically-based Model for Simulation of Color Vision Deficiency", IEEE
 * Transactions on Visualization and Computer Graphics 15(6), 2009, severity 1.0.
 * @type {Record<string, number[][]>}
 */
export const eyes = {
  usual: [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
  protan: [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
  deutan: [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]],
  tritan: [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.3039]],
};

/**
 * Linear light of a colour (IEC 61966-2-1, sRGB).
 * @param {string} hex #rrggbb
 * @returns {Triple} 0 to 1
 */
export function linear(hex) {
  const of = (/** @type {number} */ k) => {
    const v = parseInt(hex.slice(k, k + 2), 16) / 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  };
  return [of(1), of(3), of(5)];
}

/** @param {Triple} rgb linear @param {string} eye @returns {Triple} linear, as it looks to them */
export const seenBy = (rgb, eye) => /** @type {Triple} */ (eyes[eye].map((row) => Math.min(1, Math.max(0, row[0] * rgb[0] + row[1] * rgb[1] + row[2] * rgb[2]))));

/** @param {Triple} rgb linear @returns {number} relative luminance (WCAG 2.2) */
export const luminance = (rgb) => 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2];

/** @param {Triple} a @param {Triple} b @returns {number} 1 to 21 (WCAG 2.2) */
export function contrast(a, b) {
  const [one, other] = [luminance(a), luminance(b)];
  return (Math.max(one, other) + 0.05) / (Math.min(one, other) + 0.05);
}

/**
 * CIELAB of a colour, for the white D65 (ISO/CIE 11664-4).
 * @param {Triple} rgb linear
 * @returns {Triple}
 */
export function lab([r, g, b]) {
  const x = (0.4124564 * r + 0.3575761 * g + 0.1804375 * b) / 0.95047;
  const y = 0.2126729 * r + 0.7151522 * g + 0.072175 * b;
  const z = (0.0193339 * r + 0.119192 * g + 0.9503041 * b) / 1.08883;
  const f = (/** @type {number} */ t) => (t > (6 / 29) ** 3 ? Math.cbrt(t) : t / (3 * (6 / 29) ** 2) + 4 / 29);
  return [116 * f(y) - 16, 500 * (f(x) - f(y)), 200 * (f(y) - f(z))];
}

/**
 * How far apart two colours look: CIEDE2000 (ISO/CIE 11664-6), written after Sharma, Wu
 * and Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes", 2005.
 * @param {Triple} one CIELAB
 * @param {Triple} other CIELAB
 */
export function apart(one, other) {
  const rad = Math.PI / 180;
  const mean = (Math.hypot(one[1], one[2]) + Math.hypot(other[1], other[2])) / 2;
  const g = 0.5 * (1 - Math.sqrt(mean ** 7 / (mean ** 7 + 25 ** 7)));
  const [a1, a2] = [(1 + g) * one[1], (1 + g) * other[1]];
  const [c1, c2] = [Math.hypot(a1, one[2]), Math.hypot(a2, other[2])];
  const hue = (/** @type {number} */ a, /** @type {number} */ b) => (a === 0 && b === 0 ? 0 : (Math.atan2(b, a) / rad + 360) % 360);
  const [h1, h2] = [hue(a1, one[2]), hue(a2, other[2])];
  let turn = c1 * c2 === 0 ? 0 : h2 - h1;
  if (turn > 180) turn -= 360;
  if (turn < -180) turn += 360;
  const dl = other[0] - one[0], dc = c2 - c1, dh = 2 * Math.sqrt(c1 * c2) * Math.sin((turn / 2) * rad);
  const l = (one[0] + other[0]) / 2, c = (c1 + c2) / 2;
  let h = c1 * c2 === 0 ? h1 + h2 : (h1 + h2) / 2;
  if (c1 * c2 !== 0 && Math.abs(h1 - h2) > 180) h += h1 + h2 < 360 ? 180 : -180;
  const t = 1 - 0.17 * Math.cos((h - 30) * rad) + 0.24 * Math.cos(2 * h * rad) + 0.32 * Math.cos((3 * h + 6) * rad) - 0.2 * Math.cos((4 * h - 63) * rad);
  const sl = 1 + (0.015 * (l - 50) ** 2) / Math.sqrt(20 + (l - 50) ** 2), sc = 1 + 0.045 * c, sh = 1 + 0.015 * c * t;
  const rt = -Math.sin(60 * Math.exp(-(((h - 275) / 25) ** 2)) * rad) * 2 * Math.sqrt(c ** 7 / (c ** 7 + 25 ** 7));
  return Math.sqrt((dl / sl) ** 2 + (dc / sc) ** 2 + (dh / sh) ** 2 + rt * (dc / sc) * (dh / sh));
}
