// What can be performed: the rig's axes and controls, how far each goes, and what
// moves when one does. In numbers and words alone.

import { curveAt } from "../curves.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Curves} Curves */
/** @typedef {import("../types.js").Live} Live */

/**
 * @typedef {object} Choice
 * @property {string} id       "axis:NAME" or "control:NAME"
 * @property {"axis"|"control"} kind
 * @property {string} name
 * @property {string} unit
 * @property {number} low
 * @property {number} high
 * @property {boolean} steps   a switch, which has no values between
 * @property {number} row      index of its row; -1: a control that the motion does not use yet
 * @property {{row: number, share: number}[]} shares  of the axes that it moves
 */

/** @param {Score} score @returns {Choice[]} */
export function choicesOf(score) {
  /** @type {Choice[]} */
  const list = [];
  score.rows.forEach((row, k) => {
    if (row.kind !== "axis") return;
    const [low, high] = row.travel ?? usual(row.unit) ?? [row.low, row.high];
    list.push({ id: `axis:${row.name}`, kind: "axis", name: row.name, unit: row.unit, low, high, steps: row.unit === "on", row: k, shares: [{ row: k, share: 1 }] });
  });
  for (const c of score.controls ?? []) {
    list.push({ id: `control:${c.name}`, kind: "control", name: c.name, unit: c.unit, low: c.low ?? -90, high: c.high ?? 90, steps: false, row: c.row, shares: c.shares });
  }
  return list;
}

/** @param {string} unit @returns {[number, number]|null} */
function usual(unit) {
  return unit === "on" ? [0, 1] : null;
}

/**
 * The range that a take has at first: all that the row may do; what is added to it goes
 * an eighth of that each way, as small life does.
 * @param {Choice} c @param {"replace"|"add"} over
 * @returns {[number, number]}
 */
export function rangeOf(c, over) {
  if (over === "replace") return [c.low, c.high];
  const some = nice((c.high - c.low) / 8);
  return [-some, some];
}

/** What a row is told at a time; a control that is not used rests at 0. @param {Choice} c @param {Score} score @param {Curves} curves @param {number} time */
export function toldAt(c, score, curves, time) {
  const row = score.rows[c.row];
  if (!row) return 0;
  const value = curveAt(curves, row.commanded, time);
  return Number.isFinite(value) ? value : row.rest;
}

/**
 * The values of the axes while a hand gives a row a value.
 * @param {Choice} c
 * @param {number} value   of the row; with add, what is added
 * @param {"replace"|"add"} over
 * @param {Score} score
 * @param {Curves} curves
 * @param {number} time
 * @returns {Live}
 */
export function liveOf(c, value, over, score, curves, time) {
  const by = over === "add" ? value : value - toldAt(c, score, curves, time);
  /** @type {Live} */
  const live = [];
  for (const { row, share } of c.shares) {
    const axis = score.rows[row];
    if (!axis) continue;
    const told = curveAt(curves, axis.commanded, time);
    live.push([row, (Number.isFinite(told) ? told : axis.rest) + share * by]);
  }
  return live;
}

/**
 * What comes on top of a row's own keys, so that it moves by more than the hand: layers,
 * and controls that move it, too.
 * @param {Choice} c @param {Score} score
 * @returns {string}
 */
export function onTopOf(c, score) {
  const layers = score.layers.filter((l) => l.row >= 0 && l.row === c.row).length;
  const controls = c.kind === "axis" ? (score.controls ?? []).filter((x) => x.row >= 0 && x.shares.some((s) => s.row === c.row)).map((x) => x.name) : [];
  const parts = [...(layers > 0 ? [layers === 1 ? "its layer" : `its ${layers} layers`] : []), ...controls];
  if (parts.length === 0) return "";
  const all = parts.length > 1 ? `${parts.slice(0, -1).join(", ")} and ${parts[parts.length - 1]}` : parts[0];
  return `The take is what ${c.name} does by itself. On top of it come ${all}.`;
}

/** The nearest of 1, 2 and 5 times a power of ten, not above. @param {number} x */
export function nice(x) {
  if (!(x > 0)) return 0;
  const ten = 10 ** Math.floor(Math.log10(x) + 1e-9);
  const step = [5, 2, 1].find((s) => s * ten <= x * (1 + 1e-9)) ?? 1;
  return Number((step * ten).toPrecision(3));
}

/**
 * The tolerances that are offered, from a thousandth of the range to a tenth of it.
 * @param {number} range
 * @returns {number[]}  least first
 */
export function tolerancesOf(range) {
  const out = [];
  if (!(range > 0)) return [0.1];
  for (let ten = 10 ** (Math.floor(Math.log10(range)) - 4); ten <= range; ten *= 10) {
    for (const s of [1, 1.5, 2, 3, 5, 7]) {
      const t = Number((s * ten).toPrecision(3));
      if (t >= range / 1000 && t <= range / 10) out.push(t);
    }
  }
  return out;
}

/** Where the tolerance stands at first: about a hundredth of the range. @param {number[]} list @param {number} range */
export function firstTolerance(list, range) {
  let best = 0;
  list.forEach((t, k) => {
    if (Math.abs(Math.log(t / (range / 100))) < Math.abs(Math.log(list[best] / (range / 100)))) best = k;
  });
  return best;
}

/** A number of at most three figures after the point, and no more than it needs. @param {number} x */
export function plain(x) {
  const digits = Math.abs(x) >= 100 ? 1 : Math.abs(x) >= 10 ? 2 : 3;
  return String(Number(x.toFixed(digits))).replace("-", "\u2212");
}

/** A value with its unit. @param {number} x @param {string} unit @param {(x: number) => string} [number] */
export function withUnit(x, unit, number = plain) {
  if (unit === "on") return x >= 0.5 ? "on" : "off";
  return unit === "deg" ? `${number(x)}\u00b0` : `${number(x)} ${unit}`;
}
