// The arithmetic of playing: where the motion is when a clock shows a time. The
// clock is that of the sound where there is one; here it is only a number.

import { beatRate, beatsAt } from "./time.js";

/** @typedef {import("./types.js").Span} Span */
/** @typedef {import("./types.js").Tempo} Tempo */
/** @typedef {import("./types.js").Fps} Fps */

/**
 * Playing from a moment of the clock on: at one rate, round one loop or none.
 * @typedef {object} Passage
 * @property {number} start  clock, s
 * @property {number} time   of the motion at the start, s
 * @property {number} rate   seconds of motion a second of the clock
 * @property {Span|null} loop
 * @property {number} end    of the motion, s
 */

/**
 * A straight run of the motion within a passage.
 * @typedef {{when: number, from: number, to: number}} Pass  when by the clock
 */

export const rates = [0.1, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.9, 1];

// Shorter loops than this would be a tone, not a movement.
const shortestLoop = 0.04; // s, a film frame at 25

const slack = 1e-6; // of a frame; 1e-6 s for marks

/**
 * Where the motion is in a passage. Before its start it waits there.
 * @param {Passage} p
 * @param {number} now  clock, s
 * @returns {{time: number, ended: boolean}}
 */
export function positionIn(p, now) {
  const t = p.time + Math.max(0, now - p.start) * p.rate;
  if (p.loop && p.time < p.loop.to) {
    if (t < p.loop.to) return { time: t, ended: false };
    return { time: p.loop.from + ((t - p.loop.from) % (p.loop.to - p.loop.from)), ended: false };
  }
  return t < p.end ? { time: t, ended: false } : { time: p.end, ended: true };
}

/**
 * The passage that the clock is in: the last one that has started, else the
 * first.
 * @param {Passage[]} passages  by start, at least one
 * @param {number} now  clock, s
 * @returns {Passage}
 */
export function passageAt(passages, now) {
  for (let k = passages.length - 1; k > 0; k--) if (passages[k].start <= now) return passages[k];
  return passages[0];
}

/**
 * Goes on from where another passage is at a moment: with another rate, loop or
 * end. Past the loop's end it goes to its beginning.
 * @param {Passage} p
 * @param {number} start  clock, s
 * @param {{rate: number, loop: Span|null, end: number}} change
 * @returns {Passage}
 */
export function goOn(p, start, change) {
  return { start, time: startWithin(positionIn(p, start).time, change.loop, change.end), ...change };
}

/**
 * Where playing begins when asked to at a time: at the beginning of a loop that
 * is over, and at that of a motion that is over.
 * @param {number} time
 * @param {Span|null} loop
 * @param {number} end
 * @returns {number}
 */
export function startWithin(time, loop, end) {
  if (loop && time >= loop.to - 1e-3) return loop.from;
  if (!loop && time >= end - 1e-3) return 0;
  return Math.max(0, time);
}

/**
 * The runs of a passage that begin in [from, to) by the clock.
 * @param {Passage} p
 * @param {number} from
 * @param {number} to
 * @returns {Pass[]}
 */
export function passes(p, from, to) {
  /** @type {Pass[]} */
  const list = [];
  const looped = p.loop !== null && p.time < p.loop.to;
  const first = { when: p.start, from: p.time, to: looped && p.loop ? p.loop.to : p.end };
  if (first.when >= from && first.when < to && first.to > first.from) list.push(first);
  if (!looped || !p.loop) return list;
  const round = (p.loop.to - p.loop.from) / p.rate;
  const second = p.start + (p.loop.to - p.time) / p.rate;
  for (let k = Math.max(0, Math.ceil((from - second) / round)); second + k * round < to; k++) {
    list.push({ when: second + k * round, from: p.loop.from, to: p.loop.to });
  }
  return list;
}

/**
 * What is left of the run that a passage is in at a moment, or null where it is
 * over or has not started.
 * @param {Passage} p
 * @param {number} at  clock, s
 * @returns {Pass|null}
 */
export function restOfPass(p, at) {
  const { time, ended } = positionIn(p, at);
  if (ended || at < p.start) return null;
  return { when: at, from: time, to: p.loop && p.time < p.loop.to ? p.loop.to : p.end };
}

/**
 * A run that can still be sounded: its beginning is cut off where that is past.
 * Null where all of it is.
 * @param {Pass} pass
 * @param {number} soonest  clock, s
 * @param {number} rate
 * @returns {Pass|null}
 */
export function trimmed(pass, soonest, rate) {
  if (pass.when >= soonest) return pass;
  const from = pass.from + (soonest - pass.when) * rate;
  return from < pass.to ? { when: soonest, from, to: pass.to } : null;
}

/**
 * What loops: the span that is set, else all of the motion, where looping is on.
 * @param {{looping: boolean, loop: Span|null}} state
 * @param {number} length  s
 * @returns {Span|null}
 */
export function loopOf(state, length) {
  if (!state.looping) return null;
  if (state.loop) return state.loop;
  return length >= shortestLoop ? { from: 0, to: length } : null;
}

/**
 * A span within the motion, its ends the right way round; null where nothing is
 * left that could loop.
 * @param {number} a  s
 * @param {number} b  s
 * @param {number} length  s
 * @returns {Span|null}
 */
export function spanWithin(a, b, length) {
  const from = Math.max(0, Math.min(a, b));
  const to = Math.min(length, Math.max(a, b));
  return to - from >= shortestLoop - 1e-9 ? { from, to } : null;
}

/**
 * The span after one end has been put at a time. The other end stays where it
 * makes a span; else it is the end of the motion on that side.
 * @param {Span|null} span
 * @param {"from"|"to"} end
 * @param {number} time
 * @param {number} length
 * @returns {Span|null}
 */
export function withEnd(span, end, time, length) {
  if (end === "from") return spanWithin(time, span && span.to > time + shortestLoop ? span.to : length, length);
  return spanWithin(span && span.from < time - shortestLoop ? span.from : 0, time, length);
}

/**
 * A click of a count-in: how long before the start, and what is counted then.
 * @typedef {{before: number, left: number, accent: boolean}} Click
 */

// Four counts are common practice. A slower beat than this is no help to anyone.
const counts = 4;
const slowestBeat = 2; // s of the clock
const seconds = 3;

/**
 * The clicks before a start: four beats of the tempo, on the beats, as fast as
 * the motion will go; else three seconds.
 * @param {number} time  of the motion where it starts, s
 * @param {Tempo[]|null} tempo
 * @param {number} rate
 * @returns {{length: number, clicks: Click[]}}  length in s of the clock
 */
export function countIn(time, tempo, rate) {
  const beat = tempo && tempo.length > 0 ? 1 / (beatRate(time, tempo) * rate) : Infinity;
  if (!tempo || !(beat <= slowestBeat)) return clicksOf(seconds, 1, 0);
  const at = beatsAt(time, tempo);
  const last = Math.ceil(at - slack) - 1; // the beat before the start
  const over = at - last - 1;
  return clicksOf(counts, beat, Math.abs(over) <= slack ? 0 : over);
}

/**
 * @param {number} n
 * @param {number} every  s
 * @param {number} over   how much later than one turn after the last click the start is, in turns: -1 to 0
 */
function clicksOf(n, every, over) {
  /** @type {Click[]} */
  const clicks = [];
  for (let k = 0; k < n; k++) clicks.push({ before: (n - k + over) * every, left: n - k, accent: k === 0 });
  return { length: (n + over) * every, clicks };
}

/**
 * What is counted at a moment before the start; 0 from the start on.
 * @param {Click[]} clicks
 * @param {number} before  s of the clock until the start
 * @returns {number}
 */
export function countLeft(clicks, before) {
  if (before <= 0) return 0;
  let left = clicks.length > 0 ? clicks[0].left : 0;
  for (const c of clicks) if (c.before >= before - 1e-9) left = c.left;
  return left;
}

/**
 * A time stepped by frames: to starts of frames, so that a step back from within
 * a frame goes to its own start.
 * @param {number} time  s
 * @param {number} frames
 * @param {number} rate  frames a second
 * @param {number} length  s
 * @returns {number}
 */
export function stepped(time, frames, rate, length) {
  const x = time * rate;
  const frame = frames > 0 ? Math.floor(x + slack) + frames : Math.ceil(x - slack) + frames;
  return Math.min(length, Math.max(0, frame / rate));
}

/**
 * A time put at the nearest start of a film frame, within the motion.
 * @param {number} time
 * @param {Fps|null} fps
 * @param {number} length
 * @returns {number}
 */
export function snapped(time, fps, length) {
  const t = fps ? Math.round(time * fps.rate) / fps.rate : time;
  return Math.min(length, Math.max(0, t));
}

/**
 * The next of some times after or before one; null where there is none.
 * @param {number[]} times
 * @param {number} time
 * @param {1|-1} direction
 * @returns {number|null}
 */
export function nextOf(times, time, direction) {
  let best = null;
  for (const t of times) {
    const away = (t - time) * direction;
    if (away > slack && (best === null || away < (best - time) * direction)) best = t;
  }
  return best;
}

/**
 * Smooths a sound card's clock, which moves on in blocks, by one that does not:
 * their difference is followed slowly, a leap at once.
 * @returns {(clock: number, now: number) => number} both in s; gives the smooth clock
 */
export function createSmoother() {
  let offset = NaN;
  let last = -Infinity;
  return (clock, now) => {
    const off = clock - now - offset;
    if (!(Math.abs(off) < 0.03)) {
      offset = clock - now;
      last = -Infinity;
    } else {
      offset += 0.08 * off;
    }
    last = Math.max(last, now + offset);
    return last;
  };
}
