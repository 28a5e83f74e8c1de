// Times and values as they are typed, in the notations of the files: 36f, boat+6f,
// 3b, 00:00:01:12, 1.2s, 40deg, 50%. The server writes them into the file in the
// notation that stands there; here they only become numbers.

import { nearestFrame, timecode, timeOfBeat, timeOfFrame, beatsAt } from "../time.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Row} Row */

/**
 * What was typed, or why it is nothing.
 * @typedef {{value: number, wrong: ""}|{value: null, wrong: string}} Typed
 */

/** @param {string} wrong @returns {Typed} */
const no = (wrong) => ({ value: null, wrong });
/** @param {number} value @returns {Typed} */
const yes = (value) => (Number.isFinite(value) ? { value, wrong: "" } : no("that is no number of this world"));

const number = /^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?/;
const secondsIn = /** @type {Record<string, number>} */ ({ "": 1, s: 1, ms: 1e-3, us: 1e-6, "\u00b5s": 1e-6, min: 60, h: 3600 });
const greatestTime = 48 * 3600; // s

/**
 * A time: seconds, frames, beats, timecode, or a mark with or without an offset.
 * @param {string} text
 * @param {Pick<Score, "fps"|"tempo"|"marks">} score
 * @returns {Typed} s
 */
export function typedTime(text, score) {
  const t = text.trim();
  if (t === "") return no("a time is missing, as 1.2s or 36f");
  const found = plainTime(t, score) ?? markTime(t, score);
  if (found.value === null) return found;
  if (found.value < 0) return no("a time cannot be before 0 s");
  return found.value > greatestTime ? no("a time cannot be after 48 h") : found;
}

/**
 * A time that names no mark; null where it is none.
 * @param {string} t
 * @param {Pick<Score, "fps"|"tempo">} score
 * @returns {Typed|null}
 */
function plainTime(t, { fps, tempo }) {
  if (/^\d\d:\d\d:\d\d[:;]\d\d$/.test(t)) return typedCode(t, fps);
  const head = number.exec(t)?.[0];
  if (head === undefined) return null;
  const unit = t.slice(head.length).trim();
  const n = Number(head);
  if (unit.startsWith(",")) return no(`write a decimal point, as ${t.replace(",", ".")}`);
  if (Object.hasOwn(secondsIn, unit)) return yes(n * secondsIn[unit]);
  if (unit === "f") return fps ? yes(n / fps.rate) : no("the motion has no fps, so it knows no frames: write seconds, as 1.2s");
  if (unit === "b") return tempo?.length ? yes(timeOfBeat(n, tempo)) : no("the motion has no tempo, so it knows no beats: write seconds, as 1.2s");
  return no(`${unit} is no unit of time: s, ms, min, f (frames) and b (beats) are`);
}

/** @param {string} t @param {import("../types.js").Fps|null} fps @returns {Typed} */
function typedCode(t, fps) {
  if (!fps || !(fps.count > 0)) return no("the motion has no fps that timecode counts: write seconds, as 1.2s");
  const [h, m, s, f] = t.split(/[:;]/).map(Number);
  const drop = t.includes(";");
  if (drop && !fps.drop) return no("drop-frame timecode, with a semicolon, is for 29.97 and 59.94 fps");
  if (m > 59 || s > 59 || f >= fps.count) return no(`there is no timecode ${t} at ${fps.count} frames a second`);
  const minutes = 60 * h + m;
  const dropped = drop ? (fps.count / 15) * (minutes - Math.floor(minutes / 10)) : 0;
  const frame = (minutes * 60 + s) * fps.count + f - dropped;
  if (drop && timecode(frame, fps) !== t) return no(`drop-frame counting leaves ${t} out`);
  return yes(frame / fps.rate);
}

/**
 * @param {string} t
 * @param {Pick<Score, "fps"|"tempo"|"marks">} score
 * @returns {Typed}
 */
function markTime(t, score) {
  const exact = score.marks.find((m) => m.name === t);
  if (exact) return yes(exact.at);
  // The longest name that fits: a name may hold a + or a -.
  const from = score.marks.filter((m) => t.startsWith(m.name) && /^\s*[+-]/.test(t.slice(m.name.length))).sort((a, b) => b.name.length - a.name.length)[0];
  if (!from) return no(`there is no mark ${t.split(/[+-]/)[0].trim()}${score.marks.length ? `: ${nearestNames(score.marks.map((m) => m.name))}` : ""}`);
  const tail = t.slice(from.name.length).trim();
  const sign = tail[0] === "-" ? -1 : 1;
  const rest = tail.slice(1).trim();
  const beats = /^(\d+\.?\d*|\.\d+)\s*b$/.exec(rest);
  if (beats && score.tempo?.length) return yes(timeOfBeat(beatsAt(from.at, score.tempo) + sign * Number(beats[1]), score.tempo));
  const by = /^[\d.]/.test(rest) ? plainTime(rest, score) : null;
  if (!by) return no(`after ${from.name} comes an offset, as ${from.name}+6f or ${from.name}-0.25s`);
  return by.value === null ? by : yes(from.at + sign * by.value);
}

/** @param {string[]} names */
function nearestNames(names) {
  return names.length > 5 ? `marks are ${names.slice(0, 5).join(", ")} …` : `marks are ${names.join(", ")}`;
}

const unitsOf = /** @type {Record<string, Record<string, number>>} */ ({
  deg: { "": 1, deg: 1, "\u00b0": 1, rad: 180 / Math.PI, rev: 360 },
  rev: { "": 1, rev: 1, deg: 1 / 360, "\u00b0": 1 / 360, rad: 1 / (2 * Math.PI) },
  mm: { "": 1, mm: 1, cm: 10, m: 1000, in: 25.4 },
  "%": { "": 1, "%": 1 },
});

/**
 * A value of a row in its unit.
 * @param {string} text
 * @param {Pick<Row, "unit"|"travel"|"name">} row
 * @returns {Typed}
 */
export function typedValue(text, row) {
  const t = text.trim().replaceAll("\u2212", "-");
  if (row.unit === "on") {
    if (/^(on|true|1)$/i.test(t)) return yes(1);
    return /^(off|false|0)$/i.test(t) ? yes(0) : no(`${row.name} is on or off`);
  }
  const head = number.exec(t)?.[0];
  if (head === undefined) return no(`a value is missing, as 40${row.unit || ""}`);
  const unit = t.slice(head.length).trim();
  if (unit.startsWith(",")) return no(`write a decimal point, as ${t.replace(",", ".")}`);
  const units = unitsOf[row.unit] ?? { "": 1 };
  const v = unit === "%" && row.unit !== "%" && row.travel ? row.travel[0] + (Number(head) / 100) * (row.travel[1] - row.travel[0]) : Number(head) * units[unit];
  if (!Object.hasOwn(units, unit) && !(unit === "%" && row.travel)) return no(`${unit} is no unit of ${row.name}: ${Object.keys(units).filter((u) => u).join(", ") || "a plain number"} would do`);
  if (row.travel && (v < row.travel[0] || v > row.travel[1])) return no(`${row.name} goes from ${row.travel[0]} to ${row.travel[1]} ${row.unit}`);
  return yes(v);
}

/**
 * A value as it is typed.
 * @param {number} v
 * @param {Pick<Row, "unit">} row
 */
export function valueText(v, { unit }) {
  if (unit === "on") return v > 0.5 ? "on" : "off";
  return `${Number(v.toFixed(3)) + 0}${unit}`;
}

/**
 * A time as it is typed: whole frames where it is on one, else seconds.
 * @param {number} t  s
 * @param {Pick<Score, "fps">} score
 */
export function timeText(t, { fps }) {
  if (fps) {
    const frame = nearestFrame(t, fps);
    if (Math.abs(timeOfFrame(frame, fps) - t) < 1e-6) return `${frame}f`;
  }
  return `${Number(t.toFixed(4))}s`;
}
