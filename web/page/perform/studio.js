// Recording: the motion plays, and what the hand does meanwhile is kept in the motion's
// time. No elements: the panel shows what this says.

import { createRecorder, cadence } from "./take.js";

/** @typedef {import("../types.js").Store} Store */
/** @typedef {import("../types.js").Actions} Actions */
/** @typedef {import("./rows.js").Choice} Choice */
/** @typedef {import("./take.js").Sample} Sample */

/**
 * @typedef {object} Take
 * @property {number} number
 * @property {string} motion
 * @property {Choice} choice
 * @property {"replace"|"add"} over
 * @property {number} rate       seconds of motion a second of the clock, as it was played
 * @property {Sample[]} samples  as the hand gave them
 * @property {number} from       s
 * @property {number} to
 * @property {number} hertz      samples a second of the clock, in the middle
 * @property {number} gap        the longest time without one, s of the clock
 * @property {string} why        it ended, in words
 */

const shortest = 0.1; // s: less is a slip
const back = 0.3; // s by which the motion goes back when it plays a round again

/**
 * @param {object} o
 * @param {Store} o.store
 * @param {Actions} o.actions
 * @param {(take: Take|null, why: string) => void} o.ended  null: nothing was recorded
 */
export function createStudio({ store, actions, ended }) {
  const get = store.get;
  let count = 0;
  /**
   * @typedef {{choice: Choice, over: "replace"|"add", motion: string, rate: number, from: number, to: number, recorder: ReturnType<typeof createRecorder>, value: number, begun: boolean, seen: boolean, time: number}} Recording
   *   seen: it has played since it was asked to
   */
  /** @type {Recording|null} */
  let now_ = null;

  /**
   * Where a take would begin and end, now.
   * @returns {{from: number, to: number, looped: boolean}|null}
   */
  function span() {
    const { score, looping, loop, time, playing } = get();
    if (!score) return null;
    const within = looping && loop ? loop : null;
    if (within) return { from: playing && time < within.to ? Math.max(time, within.from) : within.from, to: within.to, looped: true };
    return { from: !playing && time >= score.length - shortest ? 0 : time, to: score.length, looped: false };
  }

  /** @param {{choice: Choice, over: "replace"|"add", value: number}} what  value: where the hand is */
  function begin({ choice, over, value }) {
    const at = span();
    const { motion, rate, playing } = get();
    if (!at || now_) return false;
    const recorder = createRecorder({ from: at.from, to: at.to });
    recorder.prepare(value);
    now_ = { choice, over, motion, rate, from: at.from, to: at.to, recorder, value, begun: false, seen: playing, time: at.from };
    if (!playing) {
      actions.seek(at.from);
      actions.play();
    }
    return true;
  }

  /**
   * What the hand does, at its own moment.
   * @param {number} value
   * @param {number} stamp  ms of the page's clock
   * @param {boolean} [still]  see the recorder's put
   */
  function heard(value, stamp, still = true) {
    const r = now_;
    if (!r) return;
    r.value = value;
    const at = actions.momentAt(stamp);
    if (!at || at.before > 0) return r.begun ? undefined : r.recorder.prepare(value);
    put(r, stamp, at.time, still);
  }

  /** @param {Recording} r @param {number} stamp @param {number} time @param {boolean} still */
  function put(r, stamp, time, still) {
    const state = r.recorder.put(stamp / 1000, time, r.value, still);
    if (state === "before") return;
    r.begun = true;
    r.time = Math.max(r.time, time);
    if (state === "over") finish(r, stamp, r.to, atEnd(r));
    else if (state === "full") finish(r, stamp, r.time, "it is as long as a take may be");
  }

  /** @param {Recording} r */
  const atEnd = (r) => (r.to < (get().score?.length ?? 0) - 1e-6 ? "the span is over" : "the motion is over");

  /** Looks whether the take begins or ends, though the hand is still. @param {number} stamp  ms */
  function look(stamp) {
    const r = now_;
    if (!r) return;
    const { playing, motion, score, time } = get();
    if (motion !== r.motion || !score) return finish(r, stamp, r.time, "another motion was chosen");
    if (playing) r.seen = true;
    else if (r.seen) return finish(r, stamp, r.time, time >= r.to - 1e-6 ? atEnd(r) : "it was stopped", time);
    const at = actions.momentAt(stamp);
    if (!at || at.before > 0) return;
    if (!r.begun) return put(r, stamp, at.time, true);
    if (at.time < r.time - back || at.time >= r.to) return finish(r, stamp, r.to, atEnd(r));
    r.time = Math.max(r.time, at.time);
  }

  /** @param {Recording} r @param {number} stamp @param {number} until @param {string} why @param {number} [stopped]  where the motion was stopped */
  function finish(r, stamp, until, why, stopped = until) {
    now_ = null;
    r.recorder.close(stamp / 1000, Math.max(until, Math.min(stopped, r.to)));
    if (get().playing) actions.stop();
    const { samples } = r.recorder;
    const to = samples.at(-1)?.[0] ?? r.from;
    if (samples.length < 2 || to - r.from < shortest) return ended(null, why);
    const { hertz, gap } = cadence(samples, r.rate);
    ended({ number: ++count, motion: r.motion, choice: r.choice, over: r.over, rate: r.rate, samples, from: r.from, to, hertz, gap, why }, why);
  }

  return {
    span, begin, heard, look,
    /** Ends the take here. @param {string} why */
    end(why) {
      const r = now_;
      if (!r) return;
      const stamp = performance.now();
      const at = actions.momentAt(stamp);
      finish(r, stamp, at && at.before === 0 ? Math.min(at.time, r.to) : r.time, why);
    },
    /** What is being recorded, or null. */
    now: () => (now_ ? { begun: now_.begun, seen: now_.seen, from: now_.from, to: now_.to, time: now_.time, choice: now_.choice, over: now_.over, samples: now_.recorder.samples } : null),
  };
}
