// A take as it is drawn: the row as it is, dashed; the hand's samples, thin; the fitted
// curve, thick, with its keys.

import { make } from "../dom.js";
import { toldAt } from "./rows.js";
import { valueAt } from "./take.js";

/** @typedef {import("./take.js").Sample} Sample */

/**
 * @typedef {object} Drawing
 * @property {number} from   s
 * @property {number} to
 * @property {number} low
 * @property {number} high
 * @property {(time: number) => number} is       the row as it is
 * @property {Sample[]} samples                  of the hand, in the values of the row
 * @property {((time: number) => number)|null} fit
 * @property {{at: number, to: number}[]} keys   of the fit
 * @property {number|null} time                  where the motion is
 */

const pad = 9; // px
const sharpest = 2;

export function createPicture() {
  const canvas = make("canvas", { class: "perform-picture", role: "img", "aria-label": "No take" });
  const g = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));

  /** @type {Record<string, string>} */
  let colours = {};
  let theme = -1;

  /** @param {Drawing|null} d @param {string} words @param {number} themes  how often the colours have changed */
  function draw(d, words, themes) {
    if (theme !== themes) {
      theme = themes;
      const style = getComputedStyle(canvas);
      colours = Object.fromEntries(["ink", "slate", "pencil", "paper"].map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
    }
    if (canvas.getAttribute("aria-label") !== words) canvas.setAttribute("aria-label", words);
    const width = canvas.clientWidth, height = canvas.clientHeight;
    const sharp = Math.min(devicePixelRatio || 1, sharpest);
    if (width < 2 || height < 2) return;
    if (canvas.width !== Math.round(width * sharp) || canvas.height !== Math.round(height * sharp)) {
      canvas.width = Math.round(width * sharp);
      canvas.height = Math.round(height * sharp);
    }
    g.setTransform(sharp, 0, 0, sharp, 0, 0);
    g.clearRect(0, 0, width, height);
    if (!d || d.to <= d.from) return;
    /** @param {string} name */
    const colour = (name) => colours[name];
    const span = d.to - d.from, reach = d.high - d.low || 1;
    /** @param {number} t */
    const x = (t) => pad + ((t - d.from) / span) * (width - 2 * pad);
    /** @param {number} v */
    const y = (v) => height - pad - ((v - d.low) / reach) * (height - 2 * pad);

    /** @param {(t: number) => number} f @param {string} ink @param {number} wide @param {number[]} dash @param {number} [to] */
    function curve(f, ink, wide, dash, to = d?.to ?? 0) {
      g.strokeStyle = ink;
      g.lineWidth = wide;
      g.setLineDash(dash);
      g.beginPath();
      const end = x(to);
      for (let px = x(d?.from ?? 0); px <= end; px++) {
        const t = (d?.from ?? 0) + ((px - pad) / (width - 2 * pad)) * span;
        g.lineTo(px, y(f(t)));
      }
      g.stroke();
      g.setLineDash([]);
    }

    g.strokeStyle = colour("pencil");
    g.lineWidth = 1;
    for (const v of [d.low, d.high]) {
      g.beginPath();
      g.moveTo(pad, Math.round(y(v)) + 0.5);
      g.lineTo(width - pad, Math.round(y(v)) + 0.5);
      g.stroke();
    }
    curve(d.is, colour("slate"), 1.2, [5, 4]);
    const { samples } = d;
    if (samples.length > 1) curve((t) => valueAt(samples, Math.max(t, samples[0][0])), colour("ink"), 1, [], Math.min(d.to, samples[samples.length - 1][0]));
    if (d.fit) curve(d.fit, colour("ink"), 2.6, []);
    for (const k of d.keys) {
      g.fillStyle = colour("ink");
      g.strokeStyle = colour("paper");
      g.lineWidth = 2;
      g.beginPath();
      g.ellipse(x(k.at), y(k.to), 5, 4, -0.35, 0, 2 * Math.PI);
      g.stroke();
      g.fill();
    }
    if (d.time !== null && d.time >= d.from && d.time <= d.to) {
      g.fillStyle = colour("ink");
      g.fillRect(Math.round(x(d.time)), 0, 1, height);
    }
  }

  return { element: canvas, draw };
}

/**
 * The samples of a take in the values of its row: with add, over what is there.
 * @param {Sample[]} samples
 * @param {"replace"|"add"} over
 * @param {import("./rows.js").Choice} choice
 * @param {import("../types.js").Score} score
 * @param {import("../types.js").Curves} curves
 * @returns {Sample[]}
 */
export function asRow(samples, over, choice, score, curves) {
  return over === "add" ? samples.map(([t, v]) => [t, v + toldAt(choice, score, curves, t)]) : samples;
}
