// A take: the samples of one row, in the motion's time, from the first that is wanted
// to the last.

import { clamp } from "./reach.js";

/** @typedef {[time: number, value: number]} Sample  s, and the row's unit */

export const longest = 600; // s of a take
export const most = 150000; // samples, as many as the server takes

// What moves tells so at least this often; who is silent for longer stands still.
const silence = 0.05; // s of the hand's clock
const fillEvery = 1 / 60; // s of the hand's clock
const least = 5e-4; // s of the motion between two samples

/**
 * Takes samples in, in the order of the motion's time. Values are put with their own
 * moments by the hand's clock: a hand that tells of each move and says nothing holds its
 * value, and what it says after a silence began then, not at the silence's beginning.
 * @param {object} o
 * @param {number} o.from  s, where the take begins
 * @param {number} o.to    s, where it ends at the latest
 */
export function createRecorder({ from, to }) {
  /** @type {Sample[]} */
  const samples = [];
  let lastClock = -Infinity; // s of the hand
  let before = NaN; // the value before the take begins
  const end = Math.min(to, from + longest);

  /** @param {number} time @param {number} value */
  function add(time, value) {
    const last = samples.at(-1);
    if (last && time - last[0] < least) {
      if (time >= last[0]) last[1] = value; // the newer of two that are as good as one
      return;
    }
    samples.push([time, value]);
  }

  /**
   * Fills a silence with what was held in it.
   * @param {number} clock @param {number} time
   */
  function hold(clock, time) {
    const last = samples.at(-1);
    const gap = clock - lastClock;
    if (!last || !(gap > silence) || time <= last[0]) return;
    const [t0, value] = last;
    const steps = Math.floor(gap / fillEvery);
    for (let k = 1; k < steps; k++) add(t0 + ((time - t0) * k) / steps, value);
  }

  return {
    samples,
    /** A value that is known before the take begins. @param {number} value */
    prepare(value) {
      before = value;
    },
    /**
     * @param {number} clock  when the hand had this value, s of its clock
     * @param {number} time   of the motion at that moment, s
     * @param {number} value
     * @param {boolean} [still]  whether a silence before this means that the hand was still; else nobody looked
     * @returns {"before"|"goes"|"over"|"full"}  over: the motion is past the end, or has gone back to play again
     */
    put(clock, time, value, still = true) {
      if (!Number.isFinite(time) || !Number.isFinite(value)) return samples.length > 0 ? "goes" : "before";
      if (samples.length === 0) {
        if (time < from - least) {
          before = value;
          return "before";
        }
        // The first is at the beginning itself, with what the hand held then.
        samples.push([from, Number.isFinite(before) ? before : value]);
        lastClock = clock;
        if (time > from) add(time, value);
        return "goes";
      }
      const last = samples[samples.length - 1];
      // A frame's clock may step back by a little; a round of the loop by more.
      if (time < last[0] - 0.3) return "over";
      if (samples.length >= most) return "full";
      if (time <= last[0]) {
        last[1] = value;
        return "goes";
      }
      if (still) hold(clock, time);
      lastClock = clock;
      if (time >= end) {
        const [t0, v0] = samples[samples.length - 1];
        if (end > t0 + least) add(end, v0 + ((value - v0) * (end - t0)) / (time - t0));
        return end < to ? "full" : "over";
      }
      add(time, value);
      return "goes";
    },
    /** Holds what the hand has up to a moment at which the take ends. @param {number} clock @param {number} time */
    close(clock, time) {
      const last = samples.at(-1);
      if (!last) return;
      const at = clamp(time, last[0], end);
      hold(clock, at);
      if (at - last[0] >= least) add(at, last[1]);
    },
  };
}

/**
 * The value of a take at a time, straight between samples, held beyond its ends.
 * @param {Sample[]} samples  at least one
 * @param {number} time  s
 */
export function valueAt(samples, time) {
  let low = 0, high = samples.length - 1;
  if (time <= samples[0][0]) return samples[0][1];
  if (time >= samples[high][0]) return samples[high][1];
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (samples[middle][0] <= time) low = middle;
    else high = middle;
  }
  const [t0, v0] = samples[low], [t1, v1] = samples[high];
  return v0 + ((v1 - v0) * (time - t0)) / (t1 - t0);
}

/**
 * A take without its hand's delay: what was done too late by some time comes earlier by
 * it, and the end holds its value. The beginning stays where it was.
 * @param {Sample[]} samples
 * @param {number} early  s of the motion
 * @returns {Sample[]}
 */
export function shifted(samples, early) {
  if (!(early > 0) || samples.length < 2) return samples;
  const from = samples[0][0], to = samples[samples.length - 1][0];
  const cut = Math.min(early, to - from);
  /** @type {Sample[]} */
  const out = [[from, valueAt(samples, from + cut)]];
  for (const [t, v] of samples) if (t - cut > from + least) out.push([t - cut, v]);
  const last = out[out.length - 1];
  if (to - last[0] > least) {
    const steps = Math.max(1, Math.ceil((to - last[0]) / fillEvery));
    const at = last[0], value = last[1];
    for (let k = 1; k <= steps; k++) out.push([at + ((to - at) * k) / steps, value]);
  }
  return out;
}

/**
 * As it is sent: times to a microsecond, values to a ten-thousandth, which is finer than
 * any pulse.
 * @param {Sample[]} samples
 * @returns {Sample[]}
 */
export function rounded(samples) {
  return samples.map(([t, v]) => [Math.round(t * 1e6) / 1e6, Math.round(v * 1e4) / 1e4]);
}

/**
 * How often samples come, in the middle, and the longest time without.
 * @param {Sample[]} samples
 * @param {number} rate  seconds of motion a second of the clock
 * @returns {{hertz: number, gap: number}}  gap in s of the clock
 */
export function cadence(samples, rate) {
  if (samples.length < 2) return { hertz: 0, gap: 0 };
  const gaps = samples.slice(1).map(([t], k) => (t - samples[k][0]) / rate).sort((a, b) => a - b);
  return { hertz: 1 / gaps[gaps.length >> 1], gap: gaps[gaps.length - 1] };
}
