// What editing draws over the sheet: rings about selected keys, the heads that a
// hand drags with the time and value beside it, and the band that it pulls.

import { curveAt } from "../curves.js";
import { sizeCanvas } from "../dom.js";
import { firstFrom, rowAt, xOf } from "../sheet/geometry.js";
import { shapeOf, trace } from "../sheet/heads.js";

/** @typedef {import("../sheet/paper.js").Job} Job */
/** @typedef {import("../types.js").KeyRef} KeyRef */
/** @typedef {{x: number, y: number, head: import("../types.js").Head, bound: boolean}} Dot */
/** @typedef {{row: string, at: number, v: number, head: import("../types.js").Head}} Ghost  v: where it is drawn */
/** @typedef {{x0: number, y0: number, x1: number, y1: number}} Box  px of the sheet */

const most = 3000; // rings that one frame draws

/** @param {Job} j */
export const stavesWidth = (j) => Math.max(1, j.width - j.metrics.left - j.metrics.right);

/** Where a time lies. @param {Job} j @param {number} t */
export const xIn = (j, t) => xOf(t, j.view, j.metrics.left, stavesWidth(j));

/**
 * Where a value of a row lies; NaN where the row shows no stave.
 * @param {Job} j
 * @param {string} id
 * @param {number} v
 */
export function yIn(j, id, v) {
  const p = j.places.find((x) => x.spec.id === id);
  const band = j.scene.bands.get(id);
  if (!p || !band || p.folded) return NaN;
  return p.y1 - ((v - band.low) * (p.y1 - p.y0)) / (band.high - band.low) + j.bands.head - j.scroll;
}

/** How much of a row's value one pixel is. @param {Job} j @param {string} id */
export function valuePerPixel(j, id) {
  const p = j.places.find((x) => x.spec.id === id);
  const band = j.scene.bands.get(id);
  return p && band && p.y1 > p.y0 ? (band.high - band.low) / (p.y1 - p.y0) : 0;
}

/** The row and value under a place of the sheet. @param {Job} j @param {number} x @param {number} y */
export function placeUnder(j, x, y) {
  if (x < j.metrics.left || y < j.bands.head || y > j.height - j.bands.foot) return null;
  const line = y - j.bands.head + j.scroll;
  const place = j.places[rowAt(j.places, line)];
  if (!place || (place.spec.kind !== "axis" && place.spec.kind !== "control")) return null;
  const band = j.scene.bands.get(place.spec.id);
  if (!band) return null;
  const value = band.low + ((place.y1 - line) * (band.high - band.low)) / (place.y1 - place.y0);
  return { id: place.spec.id, row: j.scene.score.rows[place.spec.index], folded: place.folded, value, line };
}

/** The key under a place, the nearest; null where none is within reach. @param {Job} j @param {number} x @param {number} y @param {number} reach  px @returns {KeyRef|null} */
export function keyUnder(j, x, y, reach) {
  const at = placeUnder(j, x, y);
  if (!at || at.folded) return null;
  const perPixel = (j.view.to - j.view.from) / stavesWidth(j);
  const t = j.view.from + (x - j.metrics.left) * perPixel;
  const { keys, commanded } = at.row;
  let best = null;
  let least = reach;
  for (let k = firstFrom(keys, t - reach * perPixel); k < keys.length && keys[k].at <= t + reach * perPixel; k++) {
    const off = Math.hypot(xIn(j, keys[k].at) - x, yIn(j, at.id, curveAt(j.scene.curves, commanded, keys[k].at)) - y);
    if (off <= least) [best, least] = [{ row: at.id, k }, off];
  }
  return best;
}

/** The keys within a box. @param {Job} j @param {Box} box @returns {KeyRef[]} */
export function keysWithin(j, box) {
  const [left, right] = [Math.min(box.x0, box.x1), Math.max(box.x0, box.x1)];
  const [top, bottom] = [Math.min(box.y0, box.y1), Math.max(box.y0, box.y1)];
  const perPixel = (j.view.to - j.view.from) / stavesWidth(j);
  const from = j.view.from + (left - j.metrics.left) * perPixel;
  const to = j.view.from + (right - j.metrics.left) * perPixel;
  /** @type {KeyRef[]} */
  const list = [];
  for (const p of j.places) {
    const above = p.top + j.bands.head - j.scroll;
    if (p.folded || above + p.height < top || above > bottom) continue;
    if (p.spec.kind !== "axis" && p.spec.kind !== "control") continue;
    const { keys, commanded } = j.scene.score.rows[p.spec.index];
    for (let k = firstFrom(keys, from); k < keys.length && keys[k].at <= to; k++) {
      const y = yIn(j, p.spec.id, curveAt(j.scene.curves, commanded, keys[k].at));
      if (y >= top && y <= bottom) list.push({ row: p.spec.id, k });
    }
  }
  return list;
}

/** Where selected keys are drawn. @param {Job} j @param {KeyRef[]} refs @returns {Ghost[]} */
export function ghostsOf(j, refs) {
  const rows = new Map(j.scene.score.rows.map((r) => [`${r.kind}:${r.name}`, r]));
  return refs.slice(0, most).flatMap((r) => {
    const row = rows.get(r.row);
    const key = row?.keys[r.k];
    return row && key ? [{ row: r.row, at: key.at, v: curveAt(j.scene.curves, row.commanded, key.at), head: key.head }] : [];
  });
}

/**
 * @typedef {object} Drawn
 * @property {Ghost[]} rings
 * @property {{ghosts: Ghost[], time: number, value: number, text: string, x: number, y: number}|null} drag
 * @property {Box|null} box
 */

/** @param {HTMLCanvasElement} canvas */
export function createOverlay(canvas) {
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));

  /** @param {Job} j @param {Drawn} what */
  function draw(j, what) {
    sizeCanvas(canvas, j.width, j.height, j.ratio);
    pen.setTransform(j.ratio, 0, 0, j.ratio, 0, 0);
    pen.clearRect(0, 0, j.width, j.height);
    pen.save();
    pen.beginPath();
    pen.rect(j.metrics.left - 12, j.bands.head, j.width, j.height - j.bands.head - j.bands.foot);
    pen.clip();
    if (!what.drag) for (const g of what.rings) ring(j, g, 0, 0, false);
    else for (const g of what.drag.ghosts) ring(j, g, what.drag.time, what.drag.value, true);
    if (what.box) band(j, what.box);
    pen.restore();
    if (what.drag) say(j, what.drag);
  }

  /** @param {Job} j @param {Ghost} g @param {number} time @param {number} value @param {boolean} head */
  function ring(j, g, time, value, head) {
    const x = xIn(j, g.at + time);
    const y = yIn(j, g.row, g.v + value);
    if (!(y > j.bands.head - 12 && y < j.height) || x < j.metrics.left - 12 || x > j.width) return;
    pen.strokeStyle = j.colours.ink;
    pen.lineWidth = 1.6;
    pen.fillStyle = j.colours.paper;
    pen.beginPath();
    pen.arc(x, y, j.coarse ? 10 : 8, 0, 7);
    if (head) pen.fill();
    pen.stroke();
    if (!head) return;
    const shape = shapeOf(g.head, 4.2);
    pen.beginPath();
    trace(pen, shape.path, x, y);
    if (shape.fill) {
      pen.fillStyle = j.colours[shape.fill];
      pen.fill();
    }
    if (shape.line) {
      pen.lineWidth = shape.line;
      pen.stroke();
    }
  }

  /** @param {Job} j @param {Box} b */
  function band(j, b) {
    pen.strokeStyle = j.colours.ink;
    pen.lineWidth = 1;
    pen.setLineDash([4, 3]);
    pen.strokeRect(Math.min(b.x0, b.x1) + 0.5, Math.min(b.y0, b.y1) + 0.5, Math.abs(b.x1 - b.x0), Math.abs(b.y1 - b.y0));
    pen.setLineDash([]);
  }

  /** The time and value beside the hand. @param {Job} j @param {NonNullable<Drawn["drag"]>} drag */
  function say(j, { text, x, y }) {
    pen.font = `bold 13px ${getComputedStyle(canvas).getPropertyValue("--sans")}`;
    const w = pen.measureText(text).width + 12;
    const left = Math.min(Math.max(j.metrics.left, x + 16), Math.max(j.metrics.left, j.width - w - 2));
    const top = y - 38 > j.bands.head ? y - 38 : y + 16;
    pen.fillStyle = j.colours.paper;
    pen.fillRect(left, top, w, 22);
    pen.strokeStyle = j.colours.ink;
    pen.lineWidth = 1;
    pen.strokeRect(left + 0.5, top + 0.5, w - 1, 21);
    pen.fillStyle = j.colours.ink;
    pen.textBaseline = "middle";
    pen.fillText(text, left + 6, top + 11.5);
  }

  return { draw };
}
