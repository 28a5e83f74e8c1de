// What is said of takes. No elements.

import { clockTime } from "../time.js";
import { withUnit } from "./rows.js";

/** @typedef {import("./studio.js").Take} Take */

/** @param {{from: number, to: number}} s */
function places({ from, to }) {
  const a = clockTime(from), b = clockTime(to);
  return a.endsWith(" s") && b.endsWith(" s") ? `${a.slice(0, -2)} to ${b}` : `${a} to ${b}`;
}

/** @param {Take} t */
export function takeText(t) {
  const slow = t.rate < 1 ? `, played at ${Math.round(100 * t.rate)} %` : "";
  return `Take ${t.number}: ${t.choice.name}, ${places(t)}${t.over === "add" ? ", added" : ""}, ${t.samples.length} samples${slow}`;
}

/** Where a take would be. @param {{from: number, to: number, looped: boolean}} s */
export function spanText(s) {
  return s.looped ? `From ${places(s)}, the loop span` : `From ${clockTime(s.from)} until you press Stop, ${clockTime(s.to)} at the latest`;
}

/** @param {import("./keeping.js").Fitted} f */
export function fitText(f) {
  const { figures, tolerance, take } = f;
  switch (f.state) {
    case "sending": case "working": return "Working out the keys";
    case "refused": return `Not done: ${f.text}`;
    case "gone": return f.text;
  }
  /** @param {unknown} x */
  const value = (x) => (typeof x === "number" && Number.isFinite(x) ? withUnit(x, take.choice.unit === "on" ? "" : take.choice.unit) : "\u2013");
  const keys = Number(figures.keys), samples = Number(figures.samples ?? take.samples.length);
  const fewer = keys > 0 && samples / keys >= 1.05 ? `, ${plainly(samples / keys)} times fewer` : "";
  const first = f.state === "kept" ? "Kept: " : "";
  return `${first}${keys} ${keys === 1 ? "key" : "keys"} for ${samples} samples${fewer}. At most ${value(figures.greatest)} from your hand, smoothed; ${value(figures.tolerance ?? tolerance)} is allowed. Root mean square from the samples: ${value(figures.rms)}.`
    + (figures.ease ? ` Ease: ${figures.ease}.` : "") + findings(figures);
}

/** @param {number} x */
const plainly = (x) => (x >= 10 ? String(Math.round(x)) : x.toFixed(1));

/** @param {Record<string, any>} figures */
function findings({ errorsBefore, errorsAfter, warningsBefore, warningsAfter }) {
  if (typeof errorsAfter !== "number" || typeof errorsBefore !== "number") return "";
  const errors = errorsAfter === errorsBefore ? `Errors: ${errorsAfter}, as before` : `Errors: ${errorsAfter}, before ${errorsBefore}`;
  if (typeof warningsAfter !== "number" || warningsAfter === warningsBefore) return ` ${errors}.`;
  return ` ${errors}; warnings: ${warningsAfter}, before ${warningsBefore}.`;
}
