// The paper: all of the sheet that does not move while it plays.

import { curveAt } from "../curves.js";
import { firstFrom, intoLanes, pushed, rowAt, spanAcross, thinned, timeAt, xOf } from "./geometry.js";
import { hatchBox, hatching, merge } from "./hatch.js";
import { heads, reach, shapeOf, trace } from "./heads.js";
import { createColumns, fold, foldRanges } from "./pyramid.js";
import { laneHeight, rulerStep } from "./ruler.js";

/** @typedef {import("./scene.js").Scene} Scene */
/** @typedef {import("./scene.js").Band} Band */
/** @typedef {import("./scene.js").Moment} Moment */
/** @typedef {import("./geometry.js").Place} Place */
/** @typedef {import("./pyramid.js").Columns} Columns */
/** @typedef {import("./pyramid.js").Pyramid} Pyramid */
/** @typedef {import("../types.js").Finding} Finding */
/** @typedef {import("../types.js").Row} Row */

/**
 * @typedef {{ink: string, pencil: string, slate: string, faint: string, wash: string, veil: string, iron: string, paper: string, serif: string, sans: string}} Colours
 */

/**
 * What one drawing of the paper needs.
 * @typedef {object} Job
 * @property {Scene} scene
 * @property {{pyramid: Pyramid, rate: number}|null} wave
 * @property {Place[]} places
 * @property {number} scroll
 * @property {import("../types.js").Span} view
 * @property {number} width    CSS pixels
 * @property {number} height
 * @property {number} ratio    device pixels a CSS pixel
 * @property {boolean} coarse
 * @property {import("./geometry.js").Metrics} metrics
 * @property {import("./ruler.js").Bands} bands
 * @property {import("../time.js").Tick[][]} ticks  of each ruler
 * @property {Colours} colours
 * @property {number|null} finding
 * @property {import("../types.js").Span|null} loop  the span that is set, or is being drawn
 * @property {boolean} looping
 * @property {boolean} moving  the sheet is on its way: what is already drawn may be pushed along
 */

export const leastHatch = 5; // px: what happens in a moment is still seen
const headRadius = 3.3;      // px
const curveLine = 1.4;       // px
const shortestStill = 8;     // px of stillness that are worth a change of pen
const mostColumns = 8192;
const denseShare = 0.25;     // of the columns
const leastSpacing = 3;      // px between keys, on the mean, at which heads still say something
const still = [4, 3.5];
const dotted = [1.2, 2.6];
const spaced = [4, 3];
const limitDash = [7, 3];
const loopDash = [3, 2];
/** @type {number[]} */
const solid = [];

const before = 6;            // px left of the staves into which note heads reach
const edge = 16;             // px at the staves' ends in which something stands that does not go along
const spare = 14;            // px beside a part that is drawn: what lies there decides how it looks
const besidePeak = 10;       // px from a peak to what is said of it: the playhead stands there when it is chosen
const labelGap = 22;         // px between names, in which the count of those without room stands
const noKeys = new Uint8Array(0);

/**
 * How a row is drawn, which a part of it cannot say.
 * @typedef {object} Habit
 * @property {boolean} dense  as an area
 * @property {boolean} heads  with heads on its keys
 * @property {number} gap     s between heads that are shown
 * @property {Uint8Array} shown  1 for each key that has a head
 */

/**
 * @param {HTMLCanvasElement} canvas
 * @returns {(job: Job) => void}
 */
export function createPaper(canvas) {
  const kept = document.createElement("canvas");
  const c = penOn(canvas);
  const keeper = penOn(kept);
  const commanded = createColumns(mostColumns);
  const predicted = createColumns(mostColumns);
  const rests = new Uint8Array(mostColumns);
  const parts = new Uint8Array(mostColumns);
  const across = new Float64Array(2);
  let spans = new Float64Array(128);
  const sprites = createSprites();
  const placed = { count: 0, list: /** @type {Moment[]} */ ([]), starts: new Float64Array(256), widths: new Float64Array(256), lanes: new Int8Array(256), more: new Uint16Array(256) };
  /** @type {Job} */
  let job;
  /** @type {Job|null} */
  let drawn = null; // what is on the canvas
  /** What is decided for a whole row, and holds while the sheet moves, by id. @type {Map<string, Habit>} */
  let habits = new Map();
  let x0 = 0;    // where the staves begin
  let across1 = 0; // their width
  let ends = 0;  // where the motion ends across the sheet, or the staves
  let column = 1; // px
  let xc = 0;    // where the first column that is drawn begins
  let from = 0;  // s, the time there
  let count = 0; // columns
  let part = false; // not all columns are drawn
  let figures = true; // the figures beside the staves are drawn
  let seen0 = 0; // px, between which something is drawn
  let seen1 = 0;
  let seenFrom = 0; // s, at those
  let seenTo = 0;
  let hair = 1;  // px: the thinnest line

  /** @param {number} t */
  const x = (t) => xOf(t, job.view, x0, across1);
  /** @param {number} v */
  const crisp = (v) => Math.round(v * job.ratio) / job.ratio;

  /** @param {Job} now */
  return function draw(now) {
    const last = drawn;
    drawn = job = now;
    const { metrics, view, scene, ratio } = job;
    x0 = metrics.left;
    across1 = Math.max(1, job.width - metrics.left - metrics.right);
    hair = Math.max(1, Math.round(ratio)) / ratio;
    ends = Math.min(x0 + across1, x(scene.score.length));
    column = 1 / Math.min(2, Math.max(1, ratio));
    sprites.prepare(job.colours, ratio);
    if (last && pushes(last)) {
      push(last);
      return;
    }
    if (last?.scene !== scene) habits = new Map();
    clear(0, 0, canvas.width, canvas.height);
    if (!(view.to > view.from)) return;
    drawStaves();
    drawHead();
    drawFoot();
    drawLoop();
  };

  /** Which columns are drawn, so that all between two places are. @param {number} left @param {number} right */
  function chooseColumns(left, right) {
    const all = Math.max(0, Math.min(mostColumns, Math.ceil((ends - x0) / column - 1e-6)));
    const first = Math.min(all, Math.max(0, Math.floor((left - x0) / column)));
    xc = x0 + first * column;
    from = job.view.from + first * column * secondsPerPixel();
    count = Math.max(0, Math.min(all, Math.ceil((right - x0) / column - 1e-6)) - first);
    part = count < all;
  }

  /** Blank paper. @param {number} left @param {number} top @param {number} right @param {number} bottom  device pixels */
  function clear(left, top, right, bottom) {
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.fillStyle = job.colours.paper;
    c.fillRect(left, top, right - left, bottom - top);
    c.setTransform(job.ratio, 0, 0, job.ratio, 0, 0);
  }

  // --- a sheet that moves: what shows already is pushed along, and only what comes into
  // view is drawn. A stroke costs some hundred times as much as its copy. ---

  /** Whether the paper differs from what was drawn by its place only. @param {Job} last */
  function pushes(last) {
    return job.moving && last.scene === job.scene && last.wave === job.wave && last.places === job.places && last.colours === job.colours && last.metrics === job.metrics
      && last.bands === job.bands && last.width === job.width && last.height === job.height && last.ratio === job.ratio && last.finding === job.finding
      && last.loop === job.loop && last.looping === job.looping && showsEnd(last) === showsEnd(job)
      && Math.abs(stepAcross(last)) < 0.8 * across1 * job.ratio && Math.abs(stepDown(last)) < 0.8 * job.height * job.ratio;
  }

  /** @param {Job} last @returns {number} device pixels to the right; NaN where it does not go by whole ones */
  function stepAcross(last) {
    return pushed(last.view, job.view, across1 * job.ratio);
  }

  /** @param {Job} last @returns {number} device pixels down */
  function stepDown(last) {
    return Math.round((crisp(job.bands.head - job.scroll) - crisp(job.bands.head - last.scroll)) * job.ratio);
  }

  /** @param {Job} j */
  function showsEnd(j) {
    return j.scene.score.length <= j.view.to + 1e-9;
  }

  /** @param {Job} last */
  function push(last) {
    const { ratio, bands } = job;
    const top = Math.ceil(bands.head * ratio);
    const bottom = Math.floor((job.height - bands.foot) * ratio);
    const left = Math.floor((x0 - before) * ratio);
    const right = canvas.width;
    const down = stepDown(last);
    const over = stepAcross(last);
    if (bottom <= top) return;
    keepPicture(top, bottom);
    c.setTransform(1, 0, 0, 1, 0, 0);
    if (down !== 0 && left > 0) paste(0, top, left, bottom, 0, down);
    paste(left, top, right, bottom, over, down);
    if (down !== 0) redraw(0, down > 0 ? top : bottom + down, right, down > 0 ? top + down : bottom);
    if (over === 0) return;
    redraw(left, top, Math.ceil((x0 + before + 2) * ratio) + Math.max(0, over), bottom);
    redraw(Math.floor((x0 + across1 - edge) * ratio) + Math.min(0, over), top, right, bottom);
    redrawClinging(left, top, right, bottom);
    redrawFrame(0, top, drawHead);
    redrawFrame(bottom, canvas.height, drawFoot);
  }

  /**
   * Keeps what shows between two heights, for paste. A canvas that is drawn on itself is
   * copied by the browser to new memory each time, which takes some ten times as long.
   * @param {number} top @param {number} bottom  device pixels
   */
  function keepPicture(top, bottom) {
    if (kept.width !== canvas.width || kept.height !== canvas.height) {
      kept.width = canvas.width;
      kept.height = canvas.height;
    }
    keeper.drawImage(canvas, 0, top, canvas.width, bottom - top, 0, top, canvas.width, bottom - top);
  }

  /** Puts a part of what was kept in another place, within the part's bounds. All in device pixels. @param {number} left @param {number} top @param {number} right @param {number} bottom @param {number} over @param {number} down */
  function paste(left, top, right, bottom, over, down) {
    const wide = right - left - Math.abs(over);
    const high = bottom - top - Math.abs(down);
    const x1 = Math.max(left, left - over);
    const y1 = Math.max(top, top - down);
    c.drawImage(kept, x1, y1, wide, high, x1 + over, y1 + down, wide, high);
  }

  /** Draws a part of the staves anew. @param {number} left @param {number} top @param {number} right @param {number} bottom  device pixels */
  function redraw(left, top, right, bottom) {
    const { ratio } = job;
    within(left, top, right, bottom);
    drawStaves(top / ratio, bottom / ratio, left / ratio, right / ratio);
    drawLoop();
    c.restore();
  }

  /** Draws the head or the foot anew. @param {number} top @param {number} bottom  device pixels @param {() => void} draw */
  function redrawFrame(top, bottom, draw) {
    within(0, top, canvas.width, bottom);
    draw();
    drawLoop();
    c.restore();
  }

  /** Blank paper, and nothing is drawn outside of it until it is restored. @param {number} left @param {number} top @param {number} right @param {number} bottom  device pixels */
  function within(left, top, right, bottom) {
    c.save();
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.beginPath();
    c.rect(left, top, right - left, bottom - top);
    c.clip();
    clear(left, top, right, bottom);
  }

  /** Rows with words that stay in view while what they name moves. @param {number} left @param {number} top @param {number} right @param {number} bottom */
  function redrawClinging(left, top, right, bottom) {
    const { places, ratio } = job;
    const offset = crisp(job.bands.head - job.scroll);
    for (let k = Math.max(0, rowAt(places, job.scroll)); k < places.length; k++) {
      const p = places[k];
      const a = Math.max(top, Math.floor((p.top + offset) * ratio));
      const b = Math.min(bottom, Math.ceil((p.top + p.height + offset) * ratio));
      if (a >= bottom) break;
      if (clings(p)) redraw(left, a, right, b);
    }
  }

  /** @param {Place} p */
  function clings(p) {
    if (p.folded) return false;
    if (p.spec.kind === "supply") return job.scene.score.supplies[p.spec.index].peak !== null;
    return (job.scene.bands.get(p.spec.id)?.layers.length ?? 0) > 0;
  }

  /** @param {Place} p @returns {Habit} */
  function habitOf(p) {
    let h = habits.get(p.spec.id);
    if (!h) habits.set(p.spec.id, (h = { dense: false, heads: true, gap: NaN, shown: noKeys }));
    return h;
  }

  /**
   * Everything between head and foot that lies within some bounds.
   * @param {number} [from0] @param {number} [to0]  top and bottom, px
   * @param {number} [left] @param {number} [right]
   */
  function drawStaves(from0 = 0, to0 = job.height, left = 0, right = job.width) {
    const { bands, places, scroll, colours } = job;
    const top = bands.head;
    const room = job.height - bands.head - bands.foot;
    if (room <= 0 || places.length === 0) return;
    const last = places[places.length - 1];
    const bottom = Math.min(top + room, top + last.top + last.height - scroll);
    figures = left < x0 - before - 1;
    seen0 = Math.max(x0, left - spare);
    seen1 = Math.min(x0 + across1, right + spare);
    seenFrom = timeAt(seen0, job.view, x0, across1);
    seenTo = timeAt(seen1, job.view, x0, across1);
    chooseColumns(seen0, seen1);
    c.save();
    c.beginPath();
    c.rect(0, top, job.width, room);
    c.clip();
    drawQuiet(top, bottom);
    c.fillStyle = colours.faint;
    for (const t of job.ticks[0] ?? []) if (t.text) upright(t.at, top, bottom, hair);
    const offset = crisp(top - scroll);
    const first = Math.max(0, rowAt(places, Math.max(scroll, from0 - offset - 1)));
    c.setTransform(job.ratio, 0, 0, job.ratio, 0, offset * job.ratio);
    for (let k = first; k < places.length && places[k].top - scroll < room && places[k].top + offset <= to0; k++) drawRow(places[k]);
    c.setTransform(job.ratio, 0, 0, job.ratio, 0, 0);
    drawLines(top, bottom);
    drawEnds(top, bottom, Math.max(0, rowAt(places, scroll)));
    c.restore();
  }

  /** A line down at a time, where that shows. @param {number} t @param {number} top @param {number} bottom @param {number} width */
  function upright(t, top, bottom, width) {
    if (t < seenFrom || t > seenTo) return;
    c.fillRect(crisp(x(t) - width / 2), top, width, bottom - top);
  }

  /** @param {number} top @param {number} bottom */
  function drawQuiet(top, bottom) {
    for (const q of job.scene.score.quiet) {
      if (!spanAcross(q.from, q.to, job.view, x0, across1, 1, across)) continue;
      c.fillStyle = job.colours.veil;
      c.fillRect(across[0], top, across[1] - across[0], bottom - top);
      pen(job.colours.pencil, hair, dotted, job.scroll);
      c.beginPath();
      for (const edge of across) {
        c.moveTo(edge, top);
        c.lineTo(edge, bottom);
      }
      c.stroke();
    }
  }

  /** Marks and cues through all staves. @param {number} top @param {number} bottom */
  function drawLines(top, bottom) {
    c.fillStyle = job.colours.ink;
    for (const m of job.scene.score.marks) upright(m.at, top, bottom, hair);
    if (job.scene.cues.length === 0) return;
    pen(job.colours.ink, hair, dotted, job.scroll);
    c.beginPath();
    for (const q of job.scene.cues) {
      if (q.at < job.view.from || q.at > job.view.to) continue;
      const at = crisp(x(q.at)) + hair / 2;
      c.moveTo(at, top);
      c.lineTo(at, bottom);
    }
    c.stroke();
  }

  /** The staves are joined at the left, and closed where the motion ends. @param {number} top @param {number} bottom @param {number} first */
  function drawEnds(top, bottom, first) {
    const { score } = job.scene;
    c.fillStyle = job.colours.ink;
    c.fillRect(crisp(x0) - hair, top, hair * 1.5, bottom - top);
    if (score.length > job.view.to + 1e-9) return;
    const end = crisp(ends);
    c.fillRect(end - 6, top, hair, bottom - top);
    c.fillRect(end - 3, top, 3, bottom - top);
    if (!score.loop) return;
    for (let k = first; k < job.places.length; k++) {
      const middle = (job.places[k].y0 + job.places[k].y1) / 2 + job.bands.head - job.scroll;
      if (middle > bottom) break;
      c.beginPath();
      c.arc(end - 11, middle - 5, 1.8, 0, 7);
      c.arc(end - 11, middle + 5, 1.8, 0, 7);
      c.fill();
    }
  }

  /** @param {string} colour @param {number} width @param {number[]} dash @param {number} [gone]  px of the pattern before the line begins */
  function pen(colour, width, dash, gone = 0) {
    c.strokeStyle = colour;
    c.lineWidth = width;
    c.setLineDash(dash);
    c.lineDashOffset = gone;
  }

  /** @param {Place} p */
  function drawRow(p) {
    const band = job.scene.bands.get(p.spec.id);
    if (!band) return;
    drawHatches(band.findings, p.y0, Math.max(p.y1, p.v1));
    if (p.spec.kind === "sound") drawSound(p);
    else if (p.spec.kind === "supply") drawSupply(p, band);
    else drawAxis(p, band, job.scene.score.rows[p.spec.index]);
  }

  /** @param {Place} p @param {Band} band @param {Row} row */
  function drawAxis(p, band, row) {
    const { scene, colours } = job;
    const scale = (p.y1 - p.y0) / (band.high - band.low);
    const base = p.y1 + band.low * scale;
    for (let k = 0; k < 2; k++) {
      const y = crisp(base - band.lines[k] * scale);
      if (row.travel || row.unit === "on" || row.unit === "%") {
        c.fillStyle = colours.pencil;
        c.fillRect(x0, y, across1, hair);
      } else {
        level(y + hair / 2, colours.pencil, dotted, hair);
      }
      if (!p.folded) writeFigure(band.figures[k], y);
    }
    if (!p.folded && row.rest > band.lines[0] && row.rest < band.lines[1]) level(crisp(base - row.rest * scale) + hair / 2, colours.faint, spaced, hair);
    if (!p.folded) drawLayers(band, p);
    const shape = scene.pyramid(row.commanded);
    if (!shape || count === 0) return;
    fold(shape, scene.curves.rate, from, column * secondsPerPixel(), count, commanded);
    clipToStaves();
    if (row.area) fillUnder(commanded, base, scale, base - Math.max(band.low, 0) * scale, colours.wash);
    const real = scene.pyramid(row.predicted);
    const habit = habitOf(p);
    if (!part) habit.dense = isDense(commanded, scale);
    const { dense } = habit;
    if (real) {
      fold(real, scene.curves.rate, from, column * secondsPerPixel(), count, predicted);
      if (dense) fillReach(predicted, base, scale, colours.pencil);
      else drawRibbon(base, scale);
    }
    if (dense) {
      fillReach(commanded, base, scale, colours.ink);
    } else {
      findRests(commanded, scale);
      strokeCurve(base, scale, p.folded ? 1 : curveLine);
      strokeRests(base, scale);
    }
    c.restore();
    if (!p.folded) drawKeys(row, habit, base, scale);
  }

  function secondsPerPixel() {
    return (job.view.to - job.view.from) / across1;
  }

  function clipToStaves() {
    c.save();
    c.beginPath();
    c.rect(x0, -1e5, across1, 2e5);
    c.clip();
    c.lineJoin = "bevel";
  }

  /** A line across all staves, whose dashes go along with what they lie behind. @param {number} y @param {string} colour @param {number[]} dash @param {number} width */
  function level(y, colour, dash, width) {
    pen(colour, width, dash, (seen0 - x(0)) % (dash[0] + dash[1]));
    c.beginPath();
    c.moveTo(seen0, y);
    c.lineTo(seen1, y);
    c.stroke();
  }

  /** @param {string} text @param {number} y */
  function writeFigure(text, y) {
    const { metrics, colours } = job;
    if (!figures) return;
    c.font = metrics.narrow ? fonts.smallFigure : fonts.figure;
    c.fillStyle = colours.ink;
    c.textAlign = "right";
    c.textBaseline = "middle";
    if (metrics.narrow && text.startsWith("limit ")) text = text.slice(6);
    c.fillText(text, x0 - 6, y + 0.5);
  }

  // --- curves ---

  /** Whether a curve turns in so many columns that its line would be an area. @param {Columns} cols @param {number} scale */
  function isDense(cols, scale) {
    let turns = 0;
    for (let k = 0; k < cols.count; k++) {
      const beyond = cols.hi[k] - cols.lo[k] - Math.abs(cols.edge[k + 1] - cols.edge[k]);
      if (beyond * scale > 1) turns++;
    }
    return turns > denseShare * cols.count;
  }

  /** The area that a curve sweeps: filled, since so long a line takes much longer to stroke. @param {Columns} cols @param {number} base @param {number} scale @param {string} colour */
  function fillReach(cols, base, scale, colour) {
    c.beginPath();
    c.moveTo(xc, base - cols.edge[0] * scale);
    for (let k = 0; k < cols.count; k++) c.lineTo(xc + (k + 0.5) * column, base - cols.hi[k] * scale - 0.6);
    for (let k = cols.count - 1; k >= 0; k--) c.lineTo(xc + (k + 0.5) * column, base - cols.lo[k] * scale + 0.6);
    c.closePath();
    c.fillStyle = colour;
    c.fill();
  }

  /** Marks the columns in which the curve stands still for long enough. @param {Columns} cols @param {number} scale */
  function findRests(cols, scale) {
    const same = 0.05 / scale;
    const least = Math.ceil(shortestStill / column);
    let from = 0;
    for (let k = 0; k <= cols.count; k++) {
      const goesOn = k < cols.count && cols.hi[k] - cols.lo[k] <= same && Math.abs(cols.edge[k] - cols.edge[from]) <= same && Math.abs(cols.edge[k + 1] - cols.edge[from]) <= same;
      if (goesOn) continue;
      rests.fill(k - from >= least ? 1 : 0, from, k);
      if (k < cols.count) rests[k] = 0;
      from = k + 1;
    }
  }

  /**
   * Makes a path of the columns that are marked so: from edge to edge, and where
   * the curve went beyond both, by way of its extremes.
   * @param {Columns} cols @param {number} base @param {number} scale @param {Uint8Array} marks @param {number} mark
   */
  function strokeParts(cols, base, scale, marks, mark) {
    const slight = 0.2 / scale;
    let inside = false;
    let level = 0; // the value at which the path has stayed since it was last put down
    let held = false;
    c.beginPath();
    for (let k = 0; k < cols.count; k++) {
      if (marks[k] !== mark) {
        if (inside && held) c.lineTo(xc + k * column, base - level * scale);
        inside = held = false;
        continue;
      }
      const left = xc + k * column;
      const a = cols.edge[k];
      const b = cols.edge[k + 1];
      if (!inside) {
        c.moveTo(left, base - a * scale);
        level = a;
        inside = true;
      }
      if (cols.hi[k] - cols.lo[k] === 0 && b === level) {
        held = true;
        continue;
      }
      if (held) c.lineTo(left, base - level * scale);
      held = false;
      const up = b >= a;
      const over = cols.hi[k] - (up ? b : a) > slight;
      const under = (up ? a : b) - cols.lo[k] > slight;
      if (over || under) {
        const middle = left + column / 2;
        if (up && under) c.lineTo(middle, base - cols.lo[k] * scale);
        if (over) c.lineTo(middle, base - cols.hi[k] * scale);
        if (!up && under) c.lineTo(middle, base - cols.lo[k] * scale);
      }
      c.lineTo(left + column, base - b * scale);
      level = b;
    }
    if (inside && held) c.lineTo(xc + cols.count * column, base - level * scale);
  }

  /**
   * What is commanded, where it moves. While the sheet zooms, and all of it is drawn in each
   * frame, by the thinnest lines side by side: browsers have a way for those that is some
   * ten times as fast as a stroke of any other width.
   * @param {number} base @param {number} scale @param {number} width
   */
  function strokeCurve(base, scale, width) {
    const quick = job.moving && !part;
    const lines = quick ? Math.max(1, Math.round(width * job.ratio + 0.4)) : 1;
    const apart = lines > 1 ? (width - hair) / (lines - 1) : 0;
    pen(job.colours.ink, quick ? hair : width, solid);
    for (let k = 0; k < lines; k++) {
      strokeParts(commanded, base + (k - (lines - 1) / 2) * apart, scale, rests, 0);
      c.stroke();
    }
  }

  /** @param {number} base @param {number} scale */
  function strokeRests(base, scale) {
    const period = still[0] + still[1];
    const origin = x(0);
    c.beginPath();
    for (let k = 0; k < commanded.count; k++) {
      if (!rests[k]) continue;
      let to = k;
      while (to < commanded.count && rests[to] && Math.abs(commanded.edge[to + 1] - commanded.edge[k]) * scale < 0.5) to++;
      if (to === k) to++;
      dash(xc + k * column, xc + to * column, base - commanded.edge[k] * scale, origin, period);
      k = to - 1;
    }
    pen(job.colours.ink, Math.max(hair, 0.9), solid);
    c.stroke();
  }

  /** Dashes that go along with what they belong to. @param {number} a @param {number} b @param {number} y @param {number} origin @param {number} period */
  function dash(a, b, y, origin, period) {
    for (let at = origin + Math.floor((a - origin) / period) * period; at < b; at += period) {
      const left = Math.max(a, at);
      const right = Math.min(b, at + still[0]);
      if (right <= left) continue;
      c.moveTo(left, y);
      c.lineTo(right, y);
    }
  }

  /** @param {Columns} cols @param {number} base @param {number} scale @param {number} floor @param {string} colour */
  function fillUnder(cols, base, scale, floor, colour) {
    c.beginPath();
    c.moveTo(xc, floor);
    for (let k = 0; k < cols.count; k++) {
      const y = base - cols.hi[k] * scale;
      if (k > 0 && k + 1 < cols.count && cols.hi[k] === cols.hi[k - 1] && cols.hi[k] === cols.hi[k + 1]) continue;
      c.lineTo(xc + k * column, y);
      c.lineTo(xc + (k + 1) * column, y);
    }
    c.lineTo(xc + cols.count * column, floor);
    c.closePath();
    c.fillStyle = colour;
    c.fill();
  }

  /** The band between what is commanded and what will be, where that shows. @param {number} base @param {number} scale */
  function drawRibbon(base, scale) {
    const visible = 0.6 / scale;
    let any = false;
    for (let k = 0; k < commanded.count; k++) {
      const apart = Math.max(Math.abs(predicted.hi[k] - commanded.hi[k]), Math.abs(predicted.lo[k] - commanded.lo[k])) > visible;
      parts[k] = apart ? 1 : 0;
      any ||= apart;
    }
    if (!any) return;
    c.beginPath();
    for (let k = 0; k < commanded.count; k++) {
      if (!parts[k]) continue;
      let to = k;
      while (to < commanded.count && parts[to]) to++;
      ribbon(k, to, base, scale);
      k = to;
    }
    c.fillStyle = job.colours.wash;
    c.fill();
    strokeParts(predicted, base, scale, parts, 1);
    pen(job.colours.slate, 1, solid);
    c.stroke();
  }

  /** @param {number} from @param {number} to @param {number} base @param {number} scale */
  function ribbon(from, to, base, scale) {
    c.moveTo(xc + from * column, base - commanded.edge[from] * scale);
    for (let k = from; k < to; k++) c.lineTo(xc + (k + 0.5) * column, base - Math.max(commanded.hi[k], predicted.hi[k]) * scale);
    c.lineTo(xc + to * column, base - commanded.edge[to] * scale);
    for (let k = to - 1; k >= from; k--) c.lineTo(xc + (k + 0.5) * column, base - Math.min(commanded.lo[k], predicted.lo[k]) * scale);
    c.closePath();
  }

  /** Note heads on the curve; where they would cover each other some are left out. @param {Row} row @param {Habit} habit @param {number} base @param {number} scale */
  function drawKeys(row, habit, base, scale) {
    const { keys } = row;
    const { curves } = job.scene;
    const margin = headRadius * secondsPerPixel();
    const first = firstFrom(keys, seenFrom - margin);
    if (!part) habit.heads = (firstFrom(keys, job.view.to) - firstFrom(keys, job.view.from)) * leastSpacing <= across1;
    if (!habit.heads) return;
    choose(keys, habit);
    for (let k = first; k < keys.length && keys[k].at <= seenTo + margin; k++) {
      if (!habit.shown[k]) continue;
      const at = x(keys[k].at);
      const v = row.commanded >= 0 ? curveAt(curves, row.commanded, keys[k].at) : keys[k].to;
      const y = base - v * scale;
      sprites.put(c, keys[k].head, crisp(at), crisp(y));
      if (keys[k].locked) {
        c.fillStyle = job.colours.ink;
        c.fillRect(crisp(at - 4), crisp(y + 6), 8, hair);
      }
    }
  }

  /** Which heads show at this zoom: the same wherever the sheet is. @param {Row["keys"]} keys @param {Habit} habit */
  function choose(keys, habit) {
    const gap = 1.6 * headRadius * secondsPerPixel();
    if (Math.abs(habit.gap - gap) <= 1e-9 * gap) return;
    habit.gap = gap;
    if (habit.shown.length !== keys.length) habit.shown = new Uint8Array(keys.length);
    thinned(keys, gap, habit.shown);
  }

  /** Brackets under the stave, with what they add. @param {Band} band @param {Place} p */
  function drawLayers(band, p) {
    let clear = -Infinity;
    for (const l of band.layers) {
      if (!spanAcross(l.from, l.to, job.view, x0, across1, 2, across)) continue;
      const y = crisp(p.y1 + 8);
      const [a, b] = across;
      c.fillStyle = job.colours.pencil;
      c.fillRect(a, y, b - a, hair);
      if (l.from >= job.view.from) c.fillRect(crisp(a), y - 3, hair, 4);
      if (l.to <= job.view.to) c.fillRect(crisp(b) - hair, y - 3, hair, 4);
      c.font = fonts.layer;
      const width = widthOf(l.what, fonts.layer);
      if (a < clear || width + 8 > b - a || job.metrics.narrow && width > across1 / 2) continue;
      plate(a + 5, y - 6, width + 4, 12);
      c.fillStyle = job.colours.pencil;
      c.textAlign = "left";
      c.textBaseline = "middle";
      c.fillText(l.what, a + 7, y);
      clear = a + width + 16;
    }
  }

  /** Clears the paper behind a text. @param {number} left @param {number} top @param {number} width @param {number} height */
  function plate(left, top, width, height) {
    c.fillStyle = job.colours.paper;
    c.fillRect(left, top, width, height);
  }

  // --- sound and supplies ---

  /** @param {Place} p */
  function drawSound(p) {
    const middle = crisp((p.y0 + p.y1) / 2);
    c.fillStyle = job.colours.pencil;
    c.fillRect(x0, middle, across1, hair);
    if (!job.wave || count === 0) return;
    const half = (p.y1 - p.y0) / 2;
    foldRanges(job.wave.pyramid, job.wave.rate, from, column * secondsPerPixel(), count, predicted);
    const scale = half / 32768;
    c.fillStyle = job.colours.slate;
    c.beginPath();
    c.moveTo(xc, middle);
    for (let k = 0; k < predicted.count; k++) c.lineTo(xc + (k + 0.5) * column, middle - predicted.hi[k] * scale - 0.3);
    for (let k = predicted.count - 1; k >= 0; k--) c.lineTo(xc + (k + 0.5) * column, middle - predicted.lo[k] * scale + 0.3);
    c.closePath();
    c.fill();
  }

  /** @param {Place} p @param {Band} band */
  function drawSupply(p, band) {
    const { scene, colours } = job;
    const s = scene.score.supplies[p.spec.index];
    const scale = (p.y1 - p.y0) / (band.high - band.low);
    const base = crisp(p.y1 + band.low * scale);
    const shape = scene.pyramid(s.current);
    if (shape && count > 0) {
      fold(shape, scene.curves.rate, from, column * secondsPerPixel(), count, commanded);
      clipToStaves();
      fillUnder(commanded, base, scale, base, colours.wash);
      if (s.limit !== null) flood(commanded, base, scale, s.limit, 1);
      crest(commanded, base, scale);
      c.restore();
    }
    c.fillStyle = colours.pencil;
    c.fillRect(x0, base, across1, hair);
    if (s.limit !== null) level(crisp(base - s.limit * scale) + hair / 2, colours.iron, limitDash, 1.4);
    if (p.folded) return;
    writeFigure(band.figures[0], base);
    writeFigure(band.figures[1], base - band.lines[1] * scale);
    drawVoltage(p, band);
    drawPeak(p, s, base, scale);
  }

  /** The upper edge of a tide. @param {Columns} cols @param {number} base @param {number} scale */
  function crest(cols, base, scale) {
    c.beginPath();
    for (let k = 0; k < cols.count; k++) {
      if (k > 0 && k + 1 < cols.count && cols.hi[k] === cols.hi[k - 1] && cols.hi[k] === cols.hi[k + 1]) continue;
      const y = base - cols.hi[k] * scale;
      if (k === 0) c.moveTo(xc, y);
      else c.lineTo(xc + k * column, y);
      c.lineTo(xc + (k + 1) * column, y);
    }
    pen(job.colours.ink, 1, solid);
    c.stroke();
  }

  /** What lies over a limit, or (with sign -1) under one. @param {Columns} cols @param {number} base @param {number} scale @param {number} limit @param {1|-1} sign */
  function flood(cols, base, scale, limit, sign) {
    const line = base - limit * scale;
    c.beginPath();
    for (let k = 0; k < cols.count; k++) {
      const far = sign > 0 ? cols.hi[k] : cols.lo[k];
      if ((far - limit) * sign <= 0) continue;
      const y = base - far * scale;
      c.rect(xc + k * column, Math.min(y, line), column, Math.abs(y - line));
    }
    c.fillStyle = job.colours.iron;
    c.fill();
  }

  /** @param {Place} p @param {Band} band */
  function drawVoltage(p, band) {
    const { scene, colours } = job;
    const s = scene.score.supplies[p.spec.index];
    const scale = (p.v1 - p.v0) / (band.voltHigh - band.voltLow);
    const base = p.v1 + band.voltLow * scale;
    const rated = crisp(base - s.voltage * scale);
    level(rated + hair / 2, colours.faint, spaced, hair);
    const shape = scene.pyramid(s.volts);
    if (shape && count > 0) {
      fold(shape, scene.curves.rate, from, column * secondsPerPixel(), count, commanded);
      clipToStaves();
      if (s.brownout !== null) flood(commanded, base, scale, s.brownout, -1);
      rests.fill(0, 0, commanded.count);
      strokeParts(commanded, base, scale, rests, 0);
      pen(colours.ink, 1, solid);
      c.stroke();
      c.restore();
    }
    if (s.brownout !== null) {
      const y = crisp(base - s.brownout * scale);
      level(y + hair / 2, colours.iron, dotted, 1.4);
      if (y - rated >= 11) writeFigure(voltText(s.brownout), y);
    }
    writeFigure(voltText(s.voltage), rated);
  }

  /** Marks the greatest current, and says who draws it. @param {Place} p @param {import("../types.js").Supply} s @param {number} base @param {number} scale */
  function drawPeak(p, s, base, scale) {
    const peak = s.peak;
    if (!peak || peak.at < job.view.from || peak.at > job.view.to) return;
    const at = x(peak.at);
    const y = base - peak.amps * scale;
    c.fillStyle = job.colours.ink;
    c.beginPath();
    c.moveTo(at, y - 1);
    c.lineTo(at - 3.5, y - 7);
    c.lineTo(at + 3.5, y - 7);
    c.fill();
    c.font = fonts.figure;
    c.textBaseline = "middle";
    const right = x0 + across1 - at - besidePeak - 3;
    const left = at - x0 - besidePeak - 3;
    let text = peak.text;
    while (text.includes(", ") && widthOf(text, fonts.figure) > Math.max(left, right)) text = text.slice(0, text.lastIndexOf(", "));
    if (text === peak.text || widthOf(text, fonts.figure) <= Math.max(left, right)) {
      const width = widthOf(text, fonts.figure);
      const from = width <= right ? at + besidePeak : at - besidePeak - width;
      const line = Math.max(p.y0 - 8, y - 6);
      plate(from - 2, line - 6.5, width + 4, 13);
      c.fillStyle = job.colours.ink;
      c.textAlign = "left";
      c.fillText(text, from, line + 0.5);
    }
  }

  // --- findings ---

  /** Hatches findings; what overlaps at one level is hatched once. @param {Finding[]} findings @param {number} y0 @param {number} y1 */
  function drawHatches(findings, y0, y1) {
    if (findings.length * 2 > spans.length) spans = new Float64Array(findings.length * 4);
    for (let k = 0; k < findings.length; ) {
      const { severity } = findings[k];
      let n = 0;
      for (; k < findings.length && findings[k].severity === severity; k++) {
        const f = findings[k];
        if (f.to < seenFrom || f.from > seenTo || !spanAcross(f.from, severity === "note" ? f.from : f.to, job.view, x0, across1, leastHatch, across)) continue;
        spans[2 * n] = across[0];
        spans[2 * n + 1] = across[1];
        n++;
        if (f.number === job.finding) outline(across[0], across[1], y0, y1);
      }
      hatchSpans(merge(spans, n), severity, y0, y1);
    }
  }

  /** @param {number} a @param {number} b @param {number} y0 @param {number} y1 */
  function outline(a, b, y0, y1) {
    c.fillStyle = job.colours.veil;
    c.fillRect(a, y0, b - a, y1 - y0);
    pen(job.colours.iron, 2, solid);
    c.strokeRect(a - 2, y0 - 2, b - a + 4, y1 - y0 + 4);
  }

  /** @param {number} n @param {import("../types.js").Severity} severity @param {number} y0 @param {number} y1 */
  function hatchSpans(n, severity, y0, y1) {
    const h = hatching[severity];
    c.fillStyle = job.colours.iron;
    if (!h) {
      for (let k = 0; k < n; k++) c.fillRect(crisp((spans[2 * k] + spans[2 * k + 1]) / 2 - 0.75), y0 - 2, 1.5, 8);
      return;
    }
    const origin = x(0);
    c.beginPath();
    for (let k = 0; k < n; k++) {
      hatchBox(spans[2 * k], y0, spans[2 * k + 1], y1, h, origin, stroke);
    }
    pen(job.colours.iron, h.line, solid);
    c.stroke();
    for (let k = 0; k < 2 * n; k++) c.fillRect(crisp(spans[k] - hair / 2), y0, hair, y1 - y0);
  }

  /** @param {number} a @param {number} b @param {number} d @param {number} e */
  function stroke(a, b, d, e) {
    c.moveTo(a, b);
    c.lineTo(d, e);
  }

  // --- head and foot ---

  /** The span of the loop: a bar over the rulers, and lines down. */
  function drawLoop() {
    const { loop, looping, bands, coarse, colours } = job;
    if (!loop || !spanAcross(loop.from, loop.to, job.view, x0, across1, 1, across)) return;
    const high = coarse ? 18 : 9;
    const y = bands.loop + 2;
    const bottom = job.height - bands.foot;
    const a = crisp(across[0]);
    const b = crisp(across[1]);
    if (looping) {
      c.fillStyle = colours.ink;
      c.fillRect(a, y, b - a, high);
      c.fillRect(a, y, 1.5, bottom - y);
      c.fillRect(b - 1.5, y, 1.5, bottom - y);
      return;
    }
    pen(colours.pencil, hair, loopDash);
    c.beginPath();
    c.rect(a + hair / 2, y + hair / 2, b - a - hair, high - hair);
    for (const line of [a + hair / 2, b - hair / 2]) {
      c.moveTo(line, y + high);
      c.lineTo(line, bottom);
    }
    c.stroke();
  }

  function drawHead() {
    const { bands, scene, colours, coarse } = job;
    const step = rulerStep(coarse);
    scene.rulers.forEach((r, k) => {
      const bottom = crisp(bands.rulers + (k + 1) * step) - hair;
      c.fillStyle = colours.pencil;
      c.fillRect(x0, bottom, across1, hair);
      c.font = fonts.kind;
      c.textAlign = "right";
      c.textBaseline = "alphabetic";
      if (!job.metrics.narrow) c.fillText(r.name, x0 - 6, bottom - 4);
      drawTicks(job.ticks[k] ?? [], bottom);
    });
    if (bands.loose >= 0) {
      c.font = fonts.kind;
      c.fillStyle = colours.pencil;
      c.textAlign = "right";
      c.textBaseline = "middle";
      if (!job.metrics.narrow) c.fillText("whole rig", x0 - 6, bands.loose + 13);
      drawHatches(scene.loose, bands.loose + 5, bands.loose + 21);
    }
    drawNames();
  }

  /** @param {import("../time.js").Tick[]} list @param {number} bottom */
  function drawTicks(list, bottom) {
    c.font = fonts.ruler;
    c.textAlign = "left";
    c.textBaseline = "alphabetic";
    let clear = -Infinity;
    for (const t of list) {
      const at = x(t.at);
      if (at < x0 - 0.5 || at > x0 + across1 + 0.5) continue;
      c.fillStyle = t.text ? job.colours.ink : job.colours.pencil;
      const high = t.text ? 13 : 3;
      c.fillRect(crisp(at - hair / 2), bottom - high, hair, high);
      if (!t.text || at + 4 < clear) continue;
      const width = widthOf(t.text, fonts.ruler);
      if (at + 4 + width > job.width) continue;
      c.fillText(t.text, at + 4, bottom - 5);
      clear = at + width + 10;
    }
  }

  /** Names of marks and quiet windows, with a diamond and a line down for a mark. */
  function drawNames() {
    const { bands, scene, colours } = job;
    if (bands.marks === 0) return;
    const labels = placeMoments(scene.marks, fonts.mark, bands.marks, 7);
    for (let k = 0; k < labels.count; k++) {
      const m = labels.list[k];
      const lane = labels.lanes[k];
      const at = x(m.at);
      const shows = m.at >= job.view.from;
      const y = lane < 0 ? bands.loop : lane * laneHeight + laneHeight / 2;
      if (m.kind === "mark") {
        c.fillStyle = colours.ink;
        c.fillRect(crisp(at - hair / 2), y, hair, bands.head - y);
        c.beginPath();
        c.moveTo(at, y - 5);
        c.lineTo(at + 4, y);
        c.lineTo(at, y + 5);
        c.lineTo(at - 4, y);
        c.fill();
      } else if (shows) {
        pen(colours.pencil, hair, dotted);
        c.beginPath();
        c.moveTo(at, y);
        c.lineTo(at, bands.head);
        c.stroke();
      }
      if (lane < 0) continue;
      c.font = m.kind === "mark" ? fonts.mark : fonts.quiet;
      c.fillStyle = m.kind === "mark" ? colours.ink : colours.pencil;
      c.textAlign = "left";
      c.textBaseline = "middle";
      c.fillText(m.text, labels.starts[k], y + 0.5);
      writeMore(labels, k, y + 0.5);
    }
  }

  function drawFoot() {
    const { bands, scene, colours } = job;
    if (bands.cues === 0) return;
    const top = job.height - bands.foot;
    c.fillStyle = colours.pencil;
    c.fillRect(0, crisp(top), job.width, hair);
    c.font = fonts.kind;
    c.textAlign = "right";
    c.textBaseline = "middle";
    if (!job.metrics.narrow) c.fillText("cues", x0 - 6, top + 4 + laneHeight / 2);
    const labels = placeMoments(scene.cues, fonts.cue, bands.cues, 6);
    for (let k = 0; k < labels.count; k++) {
      const at = x(labels.list[k].at);
      const y = top + 4 + Math.max(0, labels.lanes[k]) * laneHeight + laneHeight / 2;
      pen(colours.ink, hair, dotted);
      c.beginPath();
      c.moveTo(at, top);
      c.lineTo(at, y);
      c.stroke();
      c.fillStyle = colours.ink;
      c.beginPath();
      c.arc(at, y, 2.2, 0, 7);
      c.fill();
      if (labels.lanes[k] < 0) continue;
      c.font = fonts.cue;
      c.textAlign = "left";
      c.textBaseline = "middle";
      c.fillText(labels.list[k].text, labels.starts[k], y + 0.5);
      writeMore(labels, k, y + 0.5);
    }
  }

  /** Those that show, with their labels in lanes. @param {Moment[]} moments @param {string} font @param {number} lanes @param {number} offset */
  function placeMoments(moments, font, lanes, offset) {
    if (placed.starts.length < moments.length) {
      placed.starts = new Float64Array(moments.length);
      placed.widths = new Float64Array(moments.length);
      placed.lanes = new Int8Array(moments.length);
      placed.more = new Uint16Array(moments.length);
    }
    let n = 0;
    for (const m of moments) {
      if (m.to < job.view.from || m.at > job.view.to) continue;
      placed.list[n] = m;
      placed.starts[n] = Math.max(x0, x(m.at)) + offset;
      placed.widths[n] = widthOf(m.text, m.kind === "quiet" ? fonts.quiet : font);
      n++;
    }
    placed.count = n;
    intoLanes(n, placed.starts, placed.widths, lanes, labelGap, job.width - 2, placed.lanes, placed.more);
    return placed;
  }

  /** Says how many names after one found no room. @param {typeof placed} labels @param {number} k @param {number} y */
  function writeMore(labels, k, y) {
    if (labels.more[k] === 0) return;
    c.font = fonts.smallFigure;
    c.fillText(`+${labels.more[k]}`, labels.starts[k] + labels.widths[k] + 4, y);
  }

  /** Text is measured once in each font. @param {string} text @param {string} font */
  function widthOf(text, font) {
    let of = widths.get(font);
    if (!of) widths.set(font, (of = new Map()));
    let width = of.get(text);
    if (width === undefined) {
      const before = c.font;
      c.font = font;
      width = c.measureText(text).width;
      c.font = before;
      if (of.size > 20000) of.clear();
      of.set(text, width);
    }
    return width;
  }
}

/** @param {HTMLCanvasElement} canvas */
function penOn(canvas) {
  const context = canvas.getContext("2d", { alpha: false });
  if (!context) throw new Error("this browser gives no canvas to draw on");
  return context;
}

/** @type {Map<string, Map<string, number>>} */
const widths = new Map();

const serif = '"Liberation Serif", Tinos, "Times New Roman", Times, serif';
const sans = '"Liberation Sans", Arimo, Arial, Helvetica, sans-serif';
const fonts = {
  figure: `11px ${sans}`,
  smallFigure: `10px ${sans}`,
  kind: `11px ${sans}`,
  ruler: `11.5px ${sans}`,
  mark: `bold 14px ${serif}`,
  quiet: `italic 13px ${serif}`,
  cue: `italic 13.5px ${serif}`,
  layer: `italic 11.5px ${serif}`,
};

/** @param {number} v */
const voltText = (v) => `${Math.round(v * 100) / 100}\u00a0V`;

/** Note heads drawn once, and copied. */
function createSprites() {
  const canvas = document.createElement("canvas");
  let made = "";
  let size = 0; // device px of one
  let half = 0; // CSS px
  return {
    /** @param {Colours} colours @param {number} ratio */
    prepare(colours, ratio) {
      const key = `${colours.ink} ${colours.paper} ${ratio}`;
      if (key === made) return;
      made = key;
      half = Math.ceil(headRadius * reach * ratio) / ratio;
      size = Math.round(2 * half * ratio);
      canvas.width = size * heads.length;
      canvas.height = size;
      const c = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
      c.setTransform(ratio, 0, 0, ratio, 0, 0);
      heads.forEach((head, k) => {
        const shape = shapeOf(head, headRadius);
        c.beginPath();
        trace(c, shape.path, (2 * k + 1) * half, half);
        if (shape.fill) {
          c.fillStyle = shape.fill === "ink" ? colours.ink : colours.paper;
          c.fill();
        }
        if (shape.line > 0) {
          c.strokeStyle = colours.ink;
          c.lineWidth = shape.line;
          c.stroke();
        }
      });
    },
    /** @param {CanvasRenderingContext2D} c @param {import("../types.js").Head} head @param {number} x @param {number} y */
    put(c, head, x, y) {
      const k = Math.max(0, heads.indexOf(head));
      c.drawImage(canvas, k * size, 0, size, size, x - half, y - half, 2 * half, 2 * half);
    },
  };
}
