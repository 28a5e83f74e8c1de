// The words and sums of mending: the ways that there are, what is asked of the
// server, and what a proposal changes. Nothing here touches the page.

import { figure } from "../sheet/scene.js";
import { clockTime } from "../time.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("./door.js").Kind} Kind */
/** @typedef {import("./door.js").Told} Told */
/** @typedef {"fastest"|"stagger"|"catchUp"|"tolerance"} Option */

/**
 * A way to mend: what it does, what changes in the file, and what does not.
 * @typedef {{kind: Kind, name: string, does: string, file: string, options: Option[]}} Way
 */

/** @type {Way[]} */
export const ways = [
  {
    kind: "retime", name: "Retime by a pace",
    does: "The performance is slowed just where the rig cannot follow, all axes in step.",
    file: "In the file: pace: is added, or a long one goes into a file beside it. All keys, marks and cues stay as you wrote them. What is locked keeps its time.",
    options: ["fastest", "stagger", "catchUp", "tolerance"],
  },
  {
    kind: "retime-keys", name: "Retime the keys",
    does: "The keys themselves move apart where the rig cannot follow. It mostly gets longer than by a pace.",
    file: "In the file: the times of keys, marks, cues and placements change, each as you wrote it: frames stay frames. No pace is added. Where a lock cannot be kept, nothing is proposed.",
    options: ["fastest", "stagger", "catchUp"],
  },
  {
    kind: "shape", name: "Shape the moves",
    does: "The timing stays. Moves that are too fast give way: each axis goes the nearest way that keeps its limits of speed, acceleration and jerk.",
    file: "In the file: such moves get more keys, and keys there other values or eases. Keys with hold: true are met exactly; marks, cues and all other keys stay.",
    options: [],
  },
];

/** @param {string} kind */
export const nameOf = (kind) => ways.find((w) => w.kind === kind)?.name ?? (kind === "take" ? "A recorded take" : kind);

/** @type {Record<Option, {label: string, standing: string, low?: number, high?: number, unit?: string}>} */
export const options = {
  fastest: { label: "As fast as the limits allow, also where that is faster than written", standing: "" },
  stagger: { label: "First put off moves that have slack:, so that the peaks of a supply part", standing: "" },
  catchUp: { label: "Catch up before a lock by at most \u00d7", standing: "1.25", low: 1, high: 4 },
  tolerance: { label: "Stay below the limits by, in %", standing: "", low: 0.01, high: 10, unit: "%" },
};

/**
 * What is asked of the server.
 * @param {Kind} kind
 * @param {Partial<Record<Option, string|boolean>>} chosen  as it stands in the fields
 * @returns {{body: Record<string, string|number|boolean>, wrong: ""}|{body: null, wrong: string, option: Option}}
 */
export function requestOf(kind, chosen) {
  /** @type {Record<string, string|number|boolean>} */
  const body = { kind };
  for (const option of ways.find((w) => w.kind === kind)?.options ?? []) {
    const value = chosen[option];
    const { low, high, label } = options[option];
    if (typeof value === "boolean") {
      if (value) body[option] = true;
      continue;
    }
    const text = (value ?? "").replace(/[%\u00d7]/g, "").trim().replace(",", ".");
    if (text === "" || low === undefined || high === undefined) continue;
    const n = Number(text);
    if (!(n >= low && n <= high)) return { body: null, wrong: `${label}: ${text} cannot be; a number from ${low} to ${high} will do`, option };
    body[option] = n;
  }
  return { body, wrong: "" };
}

/**
 * The figures before and after, as a table has them.
 * @param {Told} told
 * @returns {{what: string, before: string, after: string}[]}
 */
export function figureRows({ figures }) {
  if (!figures) return [];
  /** @param {string} name */
  const n = (name) => Number(figures[name]);
  return [
    { what: "Length", before: clockTime(n("lengthBefore")), after: clockTime(n("lengthAfter")) },
    { what: "Errors", before: String(n("errorsBefore")), after: String(n("errorsAfter")) },
    { what: "Warnings", before: String(n("warningsBefore")), after: String(n("warningsAfter")) },
  ];
}

/**
 * What a shape does to each axis that it changes.
 * @param {Told} told
 * @returns {string[]}
 */
export function axisTexts({ figures }) {
  const axes = /** @type {any} */ (figures)?.axes;
  if (!Array.isArray(axes)) return [];
  return axes.map((/** @type {{axis: string, unit: string, largest: number, at: number, added: number, moved: number}} */ a) =>
    `${a.axis}: at most ${figure(a.largest, a.unit)} from what is written, at ${clockTime(a.at)}; ${plural(a.added, "key")} added, ${a.moved} changed`);
}

/** @param {number} n @param {string} noun */
const plural = (n, noun) => `${n} ${noun}${n === 1 ? "" : "s"}`;

/**
 * What a proposal comes to, in a few words.
 * @param {Told} told
 */
export function shortText({ figures }) {
  if (!figures) return "";
  const [before, after] = [Number(figures.lengthBefore), Number(figures.lengthAfter)];
  const length = clockTime(before) === clockTime(after) ? `${clockTime(after)} long as before` : `${clockTime(after)} instead of ${clockTime(before)}`;
  const errors = figures.errorsBefore === figures.errorsAfter ? `${plural(Number(figures.errorsAfter), "error")} as before` : `${plural(Number(figures.errorsAfter), "error")} instead of ${figures.errorsBefore}`;
  return `${length}, ${errors}`;
}

const same = 5e-4; // s within which a time is the same

/**
 * What moves in time from one score to another: keys and marks, and by how much at most.
 * Keys are matched by their place in the row, where it has as many of them.
 * @param {Score} a
 * @param {Score} b
 * @returns {string}
 */
export function movesText(a, b) {
  let keys = 0;
  let most = 0;
  /** @type {string[]} */
  const anew = [];
  for (const row of a.rows) {
    const other = b.rows.find((r) => r.kind === row.kind && r.name === row.name);
    if (!other) continue;
    if (other.keys.length !== row.keys.length) {
      anew.push(`${row.name} has ${plural(other.keys.length, "key")} instead of ${row.keys.length}`);
      continue;
    }
    row.keys.forEach((k, i) => {
      const by = other.keys[i].at - k.at;
      if (Math.abs(by) <= same) return;
      keys++;
      if (Math.abs(by) > Math.abs(most)) most = by;
    });
  }
  const marks = a.marks.filter((m) => Math.abs((b.marks.find((x) => x.name === m.name)?.at ?? m.at) - m.at) > same).length;
  const parts = [];
  if (keys > 0) parts.push(`${plural(keys, "key")} and ${plural(marks, "mark")} move, by ${Math.abs(most).toFixed(2)} s ${most > 0 ? "later" : "earlier"} at most`);
  parts.push(...anew.slice(0, 3));
  if (anew.length > 3) parts.push(`and ${anew.length - 3} more rows`);
  return parts.join("; ");
}

/**
 * Brings a time of one score to the same moment of the other: between keys and marks
 * that both have, in proportion.
 * @param {Score} a
 * @param {Score} b
 * @returns {(time: number) => number}
 */
export function timeMap(a, b) {
  /** @type {[number, number][]} */
  const pairs = [[0, 0], [a.length, b.length]];
  for (const m of a.marks) {
    const other = b.marks.find((x) => x.name === m.name);
    if (other) pairs.push([m.at, other.at]);
  }
  for (const row of a.rows) {
    const other = b.rows.find((r) => r.kind === row.kind && r.name === row.name);
    if (other?.keys.length === row.keys.length) row.keys.forEach((k, i) => pairs.push([k.at, other.keys[i].at]));
  }
  pairs.sort((p, q) => p[0] - q[0] || p[1] - q[1]);
  /** @type {[number, number][]} */
  const way = [];
  // Keys of different axes at one moment may have been rounded to different times.
  for (const p of pairs) {
    const last = way.at(-1);
    if (!last || (p[0] > last[0] + same && p[1] >= last[1])) way.push(p);
  }
  return (time) => {
    let k = 1;
    while (k < way.length - 1 && way[k][0] < time) k++;
    if (way.length < 2) return Math.min(time, b.length);
    const [[a0, b0], [a1, b1]] = [way[k - 1], way[k]];
    return Math.min(b.length, Math.max(0, b0 + ((time - a0) * (b1 - b0)) / (a1 - a0)));
  };
}

/**
 * The lines of the file that change, each with its sign.
 * @param {Told} told
 * @returns {{sign: ""|"\u2212"|"+", text: string, head: boolean}[]}
 */
export function lineRows({ lines = [] }) {
  return lines.flatMap((h) => [
    { sign: /** @type {const} */ (""), text: `from line ${h.before}`, head: true },
    ...h.lines.map((l) => ({ sign: l[0] === "-" ? /** @type {const} */ ("\u2212") : l[0] === "+" ? /** @type {const} */ ("+") : /** @type {const} */ (""), text: l.slice(1), head: false })),
    ...(h.cut ? [{ sign: /** @type {const} */ (""), text: `and ${plural(h.cut, "line")} more`, head: true }] : []),
  ]);
}

/** How many lines come and go. @param {Told} told */
export function linesText({ lines = [], file = "" }) {
  const all = lines.flatMap((h) => h.lines);
  const cut = lines.reduce((n, h) => n + (h.cut ?? 0), 0);
  const comes = all.filter((l) => l[0] === "+").length;
  const goes = all.filter((l) => l[0] === "-").length;
  const text = `${plural(comes, "line")} ${comes === 1 ? "comes" : "come"}, ${goes} ${goes === 1 ? "goes" : "go"}${cut ? ", and more than can be shown" : ""}`;
  return file ? `${text}; the file ${file} comes beside it` : text;
}
