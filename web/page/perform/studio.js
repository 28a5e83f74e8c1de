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
const jump = 0.15; // s of the clock by which the motion is elsewhere than it can have gone: more than the sound's clock strays
const slip = 0.05; // s of the clock by which it may be at an end before it is seen there
const lateStart = 1; // s of the clock after which a page that was busy first sees that it plays

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
   * @typedef {{choice: Choice, over: "replace"|"add", motion: string, rate: number, from: number, to: number, recorder: ReturnType<typeof createRecorder>, value: number, begun: boolean, seen: boolean, time: number, last: {stamp: number, time: number, waits: boolean}|null}} Recording
   *   seen: it has played since it was asked to; last: where the motion was seen last, and when, ms of the page's clock;
   *   waits: it stands there until then
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
    const { motion, rate, playing, time } = get();
    if (!at || now_) return false;
    const recorder = createRecorder({ from: at.from, to: at.to });
    recorder.prepare(value);
    // What plays beyond the span would not come to it any more.
    const there = playing && time < at.to;
    if (!there) actions.seek(at.from);
    if (!playing) actions.play();
    now_ = { choice, over, motion, rate, from: at.from, to: at.to, recorder, value, begun: false, seen: there, time: at.from, last: null };
    return true;
  }

  /**
   * Where the motion must be at a moment if it has only played on since it was seen last.
   * @param {Recording} r @param {number} stamp  ms
   */
  const due = (r, stamp) => (r.last ? r.last.time + ((stamp - r.last.stamp) / 1000) * get().rate : r.time);

  /** Whether the motion is where it can only have been taken. @param {Recording} r @param {number} stamp @param {{time: number, before: number}} at */
  function elsewhere(r, stamp, { time, before }) {
    const { rate } = get();
    if (!r.last) return time - r.from > lateStart * rate;
    // When it begins may yet change while it waits, where it begins may not.
    const place = r.last.waits && before > 0 ? r.last.time : due(r, stamp + before * 1000);
    return Math.abs(time - place) > jump * rate;
  }

  /**
   * The motion's moment, or null where the take has ended by it: what was done elsewhere
   * belongs to no place in this take.
   * @param {Recording} r @param {number} stamp  ms
   * @param {{time: number, before: number}|null} at
   */
  function kept(r, stamp, at) {
    const { motion, score, proposed } = get();
    if (motion !== r.motion || !score) finish(r, stamp, r.time, "another motion was chosen");
    else if (proposed) finish(r, stamp, r.time, "a proposal is shown instead of the motion");
    else if (at && elsewhere(r, stamp, at)) {
      // Round a loop it goes by itself: then the take is whole.
      if (r.begun && at.before === 0 && due(r, stamp) >= r.to - slip * r.rate) finish(r, stamp, r.to, atEnd(r));
      else finish(r, stamp, r.time, "the playhead was moved");
    } else {
      // What a hand did a moment ago is heard after what was seen since.
      if (at && at.before > 0 && !r.begun) r.last = { stamp: stamp + at.before * 1000, time: at.time, waits: true };
      else if (at?.before === 0 && !(r.last && stamp < r.last.stamp)) r.last = { stamp, time: at.time, waits: false };
      return at;
    }
    return null;
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
    const at = kept(r, stamp, actions.momentAt(stamp));
    if (now_ !== r) return;
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
    const { playing } = get();
    if (playing) r.seen = true;
    else if (r.seen) return stopped(r, stamp);
    const at = kept(r, stamp, actions.momentAt(stamp));
    if (now_ !== r || !at || at.before > 0) return;
    if (!r.begun) return put(r, stamp, at.time, true);
    if (at.time >= r.to) return finish(r, stamp, r.to, atEnd(r));
    r.time = Math.max(r.time, at.time);
  }

  /** It plays no more: it was stopped where it is, or was taken elsewhere then. @param {Recording} r @param {number} stamp */
  function stopped(r, stamp) {
    kept(r, stamp, null);
    if (now_ !== r) return;
    const { time, rate } = get();
    // It was stopped at some moment since it was seen last; frames are drawn more seldom than that.
    const here = r.begun && time >= r.time - jump * rate && time <= due(r, stamp) + slip * rate;
    if (!here) return finish(r, stamp, r.time, r.begun ? "the playhead was moved" : "it was stopped");
    finish(r, stamp, Math.max(r.time, Math.min(time, r.to)), time >= r.to - 1e-6 ? atEnd(r) : "it was stopped");
  }

  /** @param {Recording} r @param {number} stamp @param {number} until @param {string} why */
  function finish(r, stamp, until, why) {
    now_ = null;
    r.recorder.close(stamp / 1000, until);
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
      const at = kept(r, stamp, actions.momentAt(stamp));
      if (now_ === r) finish(r, stamp, at && at.before === 0 ? Math.min(at.time, r.to) : r.time, why);
    },
    /** What is being recorded, or null. */
    now: () => (now_ ? { begun: now_.begun, seen: now_.seen, from: now_.from, to: now_.to, time: now_.time, choice: now_.choice, over: now_.over, samples: now_.recorder.samples } : null),
  };
}
