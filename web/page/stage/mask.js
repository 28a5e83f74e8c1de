// The film frame as a mask over the stage.

/** @typedef {"16:9"|"1.85:1"|"2.39:1"|"4:3"|"9:16"} MaskName */

/**
 * Width over height: high-definition television (ITU-R BT.709), the two of
 * cinema (SMPTE ST 195 has 1.85 and 2.39), standard-definition television
 * (ITU-R BT.601), and a phone held upright.
 * @type {Record<MaskName, number>}
 */
export const aspects = { "16:9": 16 / 9, "1.85:1": 1.85, "2.39:1": 2.39, "4:3": 4 / 3, "9:16": 9 / 16 };

/** @type {MaskName[]} */
export const maskNames = ["16:9", "1.85:1", "2.39:1", "4:3", "9:16"];

/** @typedef {{x: number, y: number, width: number, height: number}} Rectangle */

/**
 * The greatest frame of an aspect in a stage, with a margin all round; the whole
 * stage without one.
 * @param {MaskName|null} name
 * @param {number} width  px
 * @param {number} height px
 * @param {number} margin px
 * @returns {Rectangle}
 */
export function maskFrame(name, width, height, margin) {
  if (name === null || !(name in aspects)) return { x: 0, y: 0, width, height };
  const room = { width: Math.max(width - 2 * margin, 1), height: Math.max(height - 2 * margin, 1) };
  const aspect = aspects[name];
  const w = Math.min(room.width, room.height * aspect), h = w / aspect;
  return { x: (width - w) / 2, y: (height - h) / 2, width: w, height: h };
}
