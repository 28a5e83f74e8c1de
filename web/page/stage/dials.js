// A row of dials, one an axis, for rigs whose joints nobody has drawn.

/** @typedef {import("../types.js").Row} Row */

/** @typedef {{x: number, y: number, r: number}} Dial px: the middle and the radius of its arc */

/** Half of the arc over a travel, in degrees from straight up. */
export const sweep = 135;

/** px of the words under a dial: its name and its value. */
export const wordsHeight = 40;

/** No dial is wider than this, in px: a single one should not fill the stage. */
const widest = 190;

/** Smaller dials, or narrower names, cannot be read, in px. */
const leastSize = 36;
const narrowest = 58;

/**
 * Places for a number of dials, as large as the room allows, in even rows. Where
 * the room is too small for any, they stay at a size that can be read and the
 * last rows are cut off.
 * @param {number} count
 * @param {number} width  px
 * @param {number} height px
 * @returns {Dial[]}
 */
export function layout(count, width, height) {
  let best = { size: 0, columns: 1 };
  const most = Math.min(count, Math.max(1, Math.floor(width / narrowest)));
  for (let columns = 1; columns <= most; columns++) {
    const lines = Math.ceil(count / columns);
    const size = Math.min(width / columns, height / lines - wordsHeight, widest);
    if (size > best.size || best.size < leastSize) best = { size, columns }; // the most columns where none is large enough
  }
  const size = Math.max(best.size, leastSize);
  const lines = Math.ceil(count / best.columns);
  const columns = Math.ceil(count / Math.max(lines, 1)); // no nearly empty last row
  const wide = Math.min(width / Math.max(columns, 1), size * 1.35), tall = size + wordsHeight;
  const top = Math.max((height - lines * tall) / 2, 0);
  return Array.from({ length: count }, (_, k) => {
    const line = Math.floor(k / columns);
    const here = Math.min(columns, count - line * columns);
    const left = (width - here * wide) / 2;
    return { x: left + ((k % columns) + 0.5) * wide, y: top + line * tall + size / 2, r: size * 0.38 };
  });
}

/**
 * The needle's angle in degrees, clockwise from straight up. The arc covers the
 * travel; values beyond it go on, a quarter of the open part at most, so that
 * they are seen to be beyond. An axis without a travel that turns has the whole
 * circle, true to its degrees.
 * @param {Row} row
 * @param {number} value
 */
export function needle(row, value) {
  if (turnsRound(row)) return row.unit === "rev" ? value * 360 : value;
  const [low, high] = ends(row);
  const share = high > low ? (value - low) / (high - low) : 0.5;
  const over = (180 - sweep) / 2;
  return Math.min(Math.max(-sweep + 2 * sweep * share, -sweep - over), sweep + over);
}

/** @param {Row} row @returns {boolean} whether it may turn for ever */
export const turnsRound = (row) => row.travel === null && (row.unit === "deg" || row.unit === "rev");

/** @param {Row} row @returns {[number, number]} values at the ends of the arc */
export function ends(row) {
  if (row.travel) return row.travel;
  if (row.unit === "on") return [0, 1];
  if (row.unit === "%") return [row.low < 0 ? -100 : 0, 100];
  return [row.low, row.high];
}

/**
 * A value as it is read: no more digits than a hand can set.
 * @param {Row} row
 * @param {number} value
 */
export function reading(row, value) {
  if (!Number.isFinite(value)) return "";
  if (row.unit === "on") return value >= 0.5 ? "on" : "off";
  const digits = row.unit === "%" || Math.abs(value) >= 100 ? 0 : 1;
  const text = value.toFixed(digits).replace(/^-(?=0(\.0+)?$)/, "").replace("-", "\u2212");
  return row.unit === "deg" ? `${text}°` : `${text} ${row.unit}`;
}

/**
 * A point on a dial.
 * @param {Dial} dial
 * @param {number} degrees clockwise from straight up
 * @param {number} share   of the radius
 * @returns {[number, number]}
 */
export function onDial(dial, degrees, share = 1) {
  const a = (degrees * Math.PI) / 180;
  return [dial.x + dial.r * share * Math.sin(a), dial.y - dial.r * share * Math.cos(a)];
}
