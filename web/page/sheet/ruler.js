// The rulers over the sheet: which there are, how high, and their ticks, made
// anew only when what shows has changed.

import { beatTicks, frameTicks, rateText, ticks } from "../time.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Span} Span */
/** @typedef {import("../time.js").Tick} Tick */

/**
 * @typedef {object} Ruler
 * @property {"seconds"|"frames"|"beats"} kind
 * @property {string} name  as it is written at its left
 */

/**
 * @param {Score} score
 * @returns {Ruler[]}
 */
export function rulersOf(score) {
  /** @type {Ruler[]} */
  const list = [{ kind: "seconds", name: "seconds" }];
  if (score.fps) list.push({ kind: "frames", name: `${rateText(score.fps)} fps` });
  if (score.tempo && score.tempo.length > 0) list.push({ kind: "beats", name: "beats" });
  return list;
}

/**
 * Ticks of all rulers of a score, kept until score or width are others, or until
 * they do not reach over the view any more. While the sheet moves they are made for
 * three times what shows, so that not every frame makes new ones.
 * @returns {(score: Score, rulers: Ruler[], view: Span, width: number, moving?: boolean) => Tick[][]}
 */
export function createTicks() {
  /** @type {Score|null} */
  let ofScore = null;
  let span = NaN;
  let from = NaN;
  let to = NaN;
  let ofWidth = NaN;
  /** @type {Tick[][]} */
  let kept = [];
  return (score, rulers, view, width, moving = false) => {
    const length = view.to - view.from;
    const fits = Math.abs(length - span) <= 1e-7 * length && (moving ? view.from >= from && view.to <= to : view.from === from && view.to === to);
    if (score === ofScore && width === ofWidth && fits) return kept;
    ofScore = score;
    ofWidth = width;
    // While zooming they would not hold for longer anyway.
    const more = moving && Math.abs(length - span) <= 1e-7 * length ? 1 : 0;
    span = length;
    from = view.from - more * length;
    to = view.to + more * length;
    kept = rulers.map((r) => ticksOf(r, score, { from, to }, width * (1 + 2 * more)));
    return kept;
  };
}

/**
 * @param {Ruler} ruler
 * @param {Score} score
 * @param {Span} view
 * @param {number} width
 * @returns {Tick[]}
 */
function ticksOf(ruler, score, view, width) {
  if (!(width > 0 && view.to > view.from)) return [];
  if (ruler.kind === "frames" && score.fps) return frameTicks(view, width, score.fps);
  if (ruler.kind === "beats" && score.tempo) return beatTicks(view, width, score.tempo);
  return ticks(view, width);
}

/**
 * The bands of the sheet's head from top to bottom: names of marks, the loop,
 * the rulers, findings of the whole rig; and of its foot: cues.
 * @typedef {object} Bands
 * @property {number} marks   lanes of names
 * @property {number} loop    top of the lane where a loop span is drawn
 * @property {number} rulers  top of the first
 * @property {number} loose   top of the findings of the whole rig, or -1
 * @property {number} head    height of all
 * @property {number} cues    lanes in the foot
 * @property {number} foot    height
 */

/** Of a sheet that has not been laid out. @type {Bands} */
export const noBands = { marks: 0, loop: 0, rulers: 0, loose: -1, head: 0, cues: 0, foot: 0 };

export const laneHeight = 16;
export const loopHeight = 14;
export const rulerHeight = 18;
const coarseLoop = 26;
const coarseRuler = 26;

/**
 * @param {Score} score
 * @param {number} rulers
 * @param {boolean} coarse  a finger points
 * @param {boolean} low     there is little height
 * @returns {Bands}
 */
export function bandsOf(score, rulers, coarse, low) {
  const names = score.marks.length + score.quiet.length;
  const marks = names === 0 ? 0 : low && names === 1 ? 1 : 2;
  const loop = marks * laneHeight + (marks ? 2 : 0);
  const top = loop + (coarse ? coarseLoop : loopHeight);
  const loose = score.findings.some((f) => f.row < 0 && f.supply < 0) ? top + rulers * rulerStep(coarse) : -1;
  const head = top + rulers * rulerStep(coarse) + (loose >= 0 ? 24 : 0) + 2;
  const cues = score.cues.length === 0 ? 0 : low ? 1 : 2;
  return { marks, loop, rulers: top, loose, head, cues, foot: cues ? cues * laneHeight + 6 : 0 };
}

/**
 * The height of a ruler.
 * @param {boolean} coarse
 */
export function rulerStep(coarse) {
  return coarse ? coarseRuler : rulerHeight;
}
