// A motion made ready for drawing: once for each score and its curves, so that a
// frame has nothing left to work out but where things lie.

import { createPyramid, extremes } from "./pyramid.js";
import { specsOf } from "./geometry.js";
import { rulersOf } from "./ruler.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Curves} Curves */
/** @typedef {import("../types.js").Finding} Finding */
/** @typedef {import("../types.js").Layer} Layer */
/** @typedef {import("../types.js").Waveform} Waveform */
/** @typedef {import("./geometry.js").Spec} Spec */
/** @typedef {import("./pyramid.js").Pyramid} Pyramid */

/**
 * What a row is drawn from.
 * @typedef {object} Band
 * @property {Spec} spec
 * @property {number} low         of the stave
 * @property {number} high
 * @property {Finding[]} findings by severity, notes first, then by time
 * @property {Layer[]} layers
 * @property {number[]} lines     values of the stave's two lines
 * @property {string[]} figures   what stands at them
 * @property {number} voltLow     of a supply
 * @property {number} voltHigh
 */

/**
 * A name at a time, or what happens then.
 * @typedef {{at: number, to: number, text: string, kind: "mark"|"quiet"|"cue"}} Moment
 */

/**
 * @typedef {object} Scene
 * @property {Score} score
 * @property {Curves} curves
 * @property {import("./ruler.js").Ruler[]} rulers
 * @property {{get: (id: string) => Band|undefined}} bands  by the row's id, made when first asked for
 * @property {Moment[]} marks           names of marks and quiet windows, by time
 * @property {Moment[]} cues            those at one time are one
 * @property {Finding[]} loose          findings of the whole rig
 * @property {(curve: number) => Pyramid|null} pyramid  built when first asked for
 */

/** A change leaves most curves as they are: they keep their pyramids. @type {WeakMap<Float32Array, Pyramid>} */
const pyramids = new WeakMap();

/** @param {Float32Array} samples */
function pyramidOf(samples) {
  const known = pyramids.get(samples);
  if (known) return known;
  const made = createPyramid(samples);
  pyramids.set(samples, made);
  return made;
}

/**
 * @param {Score} score
 * @param {Curves} curves
 * @returns {Scene}
 */
export function createScene(score, curves) {
  /** @param {number} k */
  function pyramid(k) {
    return k >= 0 && curves.data[k] ? pyramidOf(curves.data[k]) : null;
  }
  const specs = new Map(specsOf(score).map((spec) => [spec.id, spec]));
  /** @type {Map<string, Band>} */
  const made = new Map();
  /** @param {string} id */
  function get(id) {
    const band = made.get(id);
    const spec = specs.get(id);
    if (band || !spec) return band;
    const now = bandOf(spec, scene);
    made.set(id, now);
    return now;
  }
  const scene = { score, curves, rulers: rulersOf(score), bands: { get }, marks: marksOf(score), cues: cuesOf(score), pyramid,
    loose: inDrawingOrder(score.findings.filter((f) => f.row < 0 && f.supply < 0)) };
  return scene;
}

const severities = ["note", "warning", "error"];

/**
 * What is drawn at its place, the worst last. A note that holds for all of the motion has
 * no place: the list says it.
 * @param {Finding[]} findings
 */
function inDrawingOrder(findings) {
  const placed = findings.filter((f) => f.severity !== "note" || f.from > 0);
  return placed.sort((a, b) => severities.indexOf(a.severity) - severities.indexOf(b.severity) || a.from - b.from || a.number - b.number);
}

/** @typedef {Pick<Scene, "score"|"pyramid">} Source */

/**
 * @param {Spec} spec
 * @param {Source} scene
 * @returns {Band}
 */
function bandOf(spec, scene) {
  const { score } = scene;
  const band = { spec, low: 0, high: 1, findings: /** @type {Finding[]} */ ([]), layers: /** @type {Layer[]} */ ([]), lines: [0, 1], figures: ["", ""], voltLow: 0, voltHigh: 1 };
  if (spec.kind === "sound") return band;
  if (spec.kind === "supply") return supplyBand(band, scene);
  const row = score.rows[spec.index];
  [band.low, band.high] = reach(scene, [row.commanded, row.predicted], row.low, row.high);
  band.lines = row.travel ?? [row.low, row.high];
  band.figures = band.lines.map((v) => figure(v, row.unit));
  band.findings = inDrawingOrder(score.findings.filter((f) => f.row === spec.index));
  band.layers = score.layers.filter((l) => l.row === spec.index);
  return band;
}

/** @param {Band} band @param {Source} scene */
function supplyBand(band, scene) {
  const s = scene.score.supplies[band.spec.index];
  const [, top] = reach(scene, [s.current], 0, s.limit ?? 0);
  band.high = 1.12 * (top > 0 ? top : 1);
  band.lines = [0, s.limit ?? top];
  band.figures = ["0", s.limit === null ? figure(top, "A") : `limit ${figure(s.limit, "A")}`];
  const [low, high] = reach(scene, [s.volts], Math.min(s.voltage, s.brownout ?? s.voltage), s.voltage);
  const margin = Math.max(0.1 * (high - low), 0.01 * high);
  band.voltLow = low - margin;
  band.voltHigh = high + margin;
  band.findings = inDrawingOrder(scene.score.findings.filter((f) => f.supply === band.spec.index));
  return band;
}

/**
 * A range widened to all that some curves do.
 * @param {Source} scene
 * @param {number[]} curves
 * @param {number} low
 * @param {number} high
 * @returns {[number, number]}
 */
function reach(scene, curves, low, high) {
  const range = new Float64Array([low, high]);
  for (const k of curves) {
    const p = scene.pyramid(k);
    if (p) extremes(p, 0, p.length, range);
  }
  return range[1] > range[0] ? [range[0], range[1]] : [range[0], range[0] + 1];
}

/**
 * A figure at a line, with its unit.
 * @param {number} v
 * @param {string} unit
 * @returns {string}
 */
export function figure(v, unit) {
  if (unit === "on") return v > 0.5 ? "on" : "off";
  const text = compact(v);
  if (unit === "deg") return `${text}°`;
  return unit ? `${text}\u00a0${unit}` : text;
}

/**
 * A number with at most five digits and two decimals.
 * @param {number} v
 * @returns {string}
 */
export function compact(v) {
  const text = String(Number((Math.round(v * 100) / 100).toPrecision(5)) + 0);
  return text.replace("-", "\u2212");
}

/** @param {Score} score @returns {Moment[]} */
function marksOf(score) {
  /** @type {Moment[]} */
  const list = score.marks.map((m) => ({ at: m.at, to: m.at, text: short(m.name, 26), kind: "mark" }));
  for (const q of score.quiet) {
    list.push({ at: q.from, to: q.to, text: q.speed === null ? "quiet" : `quiet, at most ${compact(q.speed)} deg/s`, kind: "quiet" });
  }
  return list.sort((a, b) => a.at - b.at);
}

/** @param {Score} score @returns {Moment[]} */
function cuesOf(score) {
  /** @type {Moment[]} */
  const list = [];
  for (const cue of score.cues) {
    const last = list.at(-1);
    if (last && last.at === cue.at) last.text += `, ${cueText(cue, score)}`;
    else list.push({ at: cue.at, to: cue.at, text: cueText(cue, score), kind: "cue" });
  }
  return list;
}

/**
 * @param {import("../types.js").Cue} cue
 * @param {Score} score
 */
function cueText(cue, score) {
  const parts = cue.set.map(({ axis, value }) => {
    const unit = score.rows.find((r) => r.kind === "axis" && r.name === axis)?.unit ?? "";
    return `${axis} ${typeof value === "number" ? figure(value, unit) : value}`;
  });
  if (cue.say) parts.push(`\u201c${short(cue.say, 40)}\u201d`);
  return parts.join(", ");
}

/** @param {string} text @param {number} most  characters */
function short(text, most) {
  const letters = [...text];
  return letters.length > most ? `${letters.slice(0, most - 1).join("")}\u2026` : text;
}
