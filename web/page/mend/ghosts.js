// The other of two versions, drawn over the sheet where it differs: its curves
// dashed, its keys as rings joined to those of the sheet, its marks with an arrow.

import { curveAt } from "../curves.js";
import { sizeCanvas } from "../dom.js";
import { stavesWidth, xIn, yIn } from "../edit/overlay.js";
import { firstFrom } from "../sheet/geometry.js";
import { createColumns, fold } from "../sheet/pyramid.js";

/** @typedef {import("../sheet/paper.js").Job} Job */
/** @typedef {import("../sheet/scene.js").Scene} Scene */
/** @typedef {import("../sheet/geometry.js").Place} Place */

const most = 3000; // keys that one frame draws
const apart = 0.9; // px by which two curves must differ
const mostColumns = 8192;
const dashes = [5, 4];
const ring = 3.2; // px

/** @param {HTMLCanvasElement} canvas */
export function createGhosts(canvas) {
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  const ink = createColumns(mostColumns);
  const other = createColumns(mostColumns);

  /** @param {Job} j @param {Scene} scene  the other version @param {boolean} later  whether it is what is proposed */
  function draw(j, scene, later) {
    sizeCanvas(canvas, j.width, j.height, j.ratio);
    pen.setTransform(j.ratio, 0, 0, j.ratio, 0, 0);
    pen.clearRect(0, 0, j.width, j.height);
    pen.save();
    pen.beginPath();
    pen.rect(j.metrics.left - 4, j.bands.head, j.width - j.metrics.left - j.metrics.right + 4, j.height - j.bands.head - j.bands.foot);
    pen.clip();
    pen.strokeStyle = j.colours.pencil;
    pen.lineJoin = "bevel";
    let left = most;
    for (const p of j.places) {
      const top = p.top + j.bands.head - j.scroll;
      if (top > j.height || top + p.height < j.bands.head) continue;
      curve(j, scene, p);
      if (!p.folded) left -= keys(j, scene, p, left);
    }
    marks(j, scene, later);
    pen.restore();
  }

  /** The curve of a row in a version; -1 where it has none. @param {Scene} scene @param {string} id */
  function curveOf({ score, bands }, id) {
    const spec = bands.get(id)?.spec;
    if (!spec || spec.kind === "sound") return -1;
    return spec.kind === "supply" ? score.supplies[spec.index].current : score.rows[spec.index].commanded;
  }

  /** @param {Job} j @param {Scene} scene @param {Place} p */
  function curve(j, scene, p) {
    const { id } = p.spec;
    const band = j.scene.bands.get(id);
    const a = j.scene.pyramid(curveOf(j.scene, id));
    const b = scene.pyramid(curveOf(scene, id));
    if (!band || !a || !b) return;
    const seconds = (j.view.to - j.view.from) / stavesWidth(j);
    const count = Math.max(0, Math.min(mostColumns, Math.ceil(stavesWidth(j)), Math.ceil((scene.score.length - j.view.from) / seconds)));
    const ends = (j.scene.score.length - j.view.from) / seconds; // column in which the sheet's own curve ends
    fold(a, j.scene.curves.rate, j.view.from, seconds, count, ink);
    fold(b, scene.curves.rate, j.view.from, seconds, count, other);
    const scale = (p.y1 - p.y0) / (band.high - band.low);
    const base = p.y1 + band.low * scale + j.bands.head - j.scroll;
    /** @param {number} k */
    const differs = (k) => k >= ends || Math.abs(other.edge[k] - ink.edge[k]) * scale > apart || Math.abs(other.edge[k + 1] - ink.edge[k + 1]) * scale > apart
      || Math.abs(other.hi[k] - ink.hi[k]) * scale > apart || Math.abs(other.lo[k] - ink.lo[k]) * scale > apart;
    pen.lineWidth = 1.2;
    pen.setLineDash(dashes);
    pen.beginPath();
    let on = false;
    for (let k = 0; k < count; k++) {
      const now = differs(k);
      const x = j.metrics.left + k;
      if (now && !on) pen.moveTo(x, base - other.edge[k] * scale);
      if (now) {
        const top = Math.max(other.edge[k], other.edge[k + 1]);
        const low = Math.min(other.edge[k], other.edge[k + 1]);
        if ((other.hi[k] - top) * scale > 0.5) pen.lineTo(x + 0.5, base - other.hi[k] * scale);
        if ((low - other.lo[k]) * scale > 0.5) pen.lineTo(x + 0.5, base - other.lo[k] * scale);
        pen.lineTo(x + 1, base - other.edge[k + 1] * scale);
      }
      on = now;
    }
    pen.stroke();
    pen.setLineDash([]);
  }

  /** @param {Job} j @param {Scene} scene @param {Place} p @param {number} left @returns {number} how many were drawn */
  function keys(j, scene, p, left) {
    const { id, kind, index } = p.spec;
    const spec = scene.bands.get(id)?.spec;
    if (!spec || (kind !== "axis" && kind !== "control")) return 0;
    const own = j.scene.score.rows[index];
    const row = scene.score.rows[spec.index];
    const matched = own.keys.length === row.keys.length;
    let drawn = 0;
    pen.lineWidth = 1;
    pen.fillStyle = j.colours.paper;
    for (let k = firstFrom(row.keys, j.view.from); k < row.keys.length && row.keys[k].at <= j.view.to && drawn < left; k++) {
      const x = xIn(j, row.keys[k].at);
      const y = yIn(j, id, curveAt(scene.curves, row.commanded, row.keys[k].at));
      const mate = matched ? own.keys[k] : null;
      const x1 = mate ? xIn(j, mate.at) : x;
      const y1 = mate ? yIn(j, id, curveAt(j.scene.curves, own.commanded, mate.at)) : y;
      if (mate && Math.hypot(x1 - x, y1 - y) < 1.5) continue;
      drawn++;
      if (mate) {
        pen.beginPath();
        pen.moveTo(x, y);
        pen.lineTo(x1, y1);
        pen.stroke();
      }
      pen.beginPath();
      pen.arc(x, y, ring, 0, 7);
      pen.fill();
      pen.stroke();
    }
    return drawn;
  }

  /** @param {Job} j @param {Scene} scene @param {boolean} later */
  function marks(j, scene, later) {
    const top = j.bands.head;
    const y = top + 6.5;
    pen.lineWidth = 1;
    for (const m of scene.score.marks) {
      const mate = j.scene.score.marks.find((x) => x.name === m.name);
      const x = Math.round(xIn(j, m.at)) + 0.5;
      const x1 = mate ? Math.round(xIn(j, mate.at)) + 0.5 : x;
      if (mate && Math.abs(x1 - x) < 2) continue;
      pen.setLineDash([2, 4]);
      pen.beginPath();
      pen.moveTo(x, top);
      pen.lineTo(x, j.height - j.bands.foot);
      pen.stroke();
      pen.setLineDash([]);
      if (mate) arrow(later ? x1 : x, later ? x : x1, y);
    }
  }

  /** From where a mark stands to where it would. @param {number} from @param {number} to @param {number} y */
  function arrow(from, to, y) {
    const way = Math.sign(to - from);
    const head = Math.min(5, Math.abs(to - from));
    pen.beginPath();
    pen.moveTo(from, y);
    pen.lineTo(to, y);
    pen.moveTo(to - way * head, y - 3);
    pen.lineTo(to, y);
    pen.lineTo(to - way * head, y + 3);
    pen.stroke();
  }

  return { draw, clear: () => pen.clearRect(0, 0, canvas.width, canvas.height) };
}
