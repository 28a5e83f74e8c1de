// The small motion laid out by hand: 100 px of names, 800 px of staves for 8 s, 50 px
// of rulers above and 30 px of cues below 600 px.

import { editCurves } from "./edit-score.js";

/** @typedef {import("../page/sheet/paper.js").Job} Job */

/**
 * @param {import("../page/types.js").Score} score
 * @returns {{job: Job}}
 */
export function jobOf(score) {
  let top = 0;
  const places = score.rows.map((row, index) => {
    const folded = row.name === "horn";
    const height = folded ? 40 : row.name === "arm" ? 160 : 140;
    const place = { spec: { id: `${row.kind}:${row.name}`, kind: row.kind, index, name: row.name }, top, height, y0: top + 10, y1: top + height - 10, v0: 0, v1: 0, folded };
    top += height;
    return place;
  });
  const bands = new Map(score.rows.map((row) => [`${row.kind}:${row.name}`, { low: row.low, high: row.high }]));
  const job = { scene: { score, curves: editCurves(score), bands }, places, scroll: 0, view: { from: 0, to: score.length }, width: 920, height: 600, metrics: { left: 100, right: 20 }, bands: { head: 50, foot: 30 }, coarse: false };
  return { job: /** @type {Job} */ (/** @type {unknown} */ (job)) };
}
