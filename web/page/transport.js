// Playing: the motion follows the clock of the sound, and the picture follows
// what is heard.

import { countIn, countLeft, goOn, loopOf, nextOf, passageAt, passes, positionIn, restOfPass, snapped, startWithin, stepped, trimmed } from "./player.js";
import { clockTime, frameOf, timecode } from "./time.js";

/** @typedef {import("./types.js").Store} Store */
/** @typedef {import("./types.js").State} State */
/** @typedef {import("./player.js").Passage} Passage */
/** @typedef {ReturnType<typeof createTransport>} Transport */
/** @typedef {import("./rehearse/clock.js").Leader} Leader */

// How far ahead passes are handed to the sound: longer than the second to which
// browsers slow the timers of a hidden page.
const ahead = 2.5; // s
const grainEvery = 45; // ms
const apart = 0.012; // s by which what is heard may be off the boards: half a film frame, less what a correction needs
const patient = 400; // ms between two corrections

/**
 * @param {object} options
 * @param {Store} options.store
 * @param {import("./sound.js").Sound} options.sound
 * @param {() => void} options.request
 * @param {(text: string) => void} options.announce
 */
export function createTransport({ store, sound, request, announce }) {
  /** @type {Passage[]} */
  let passages = [];
  /** @type {import("./player.js").Click[]} */
  let clicks = [];
  let kind = "";
  let handed = 0; // clock, s: passes that begin before are with the sound
  let take = 0;   // counts what was started, so that a late answer is known as late
  let scrubbing = false;
  let resume = false;
  let lastGrain = 0;
  /** The page's clock, ms, and the sound's at that moment, s. @type {{now: number, clock: number}|null} */
  let shown = null;
  /** @type {ReturnType<typeof setInterval>|undefined} */
  let timer;
  /** @type {Leader|null} */
  let leader = null;
  let corrected = 0; // ms

  const length = () => store.get().score?.length ?? 0;

  /** @param {number} time */
  function place(time) {
    const { score } = store.get();
    return score?.fps ? timecode(frameOf(time, score.fps), score.fps) : clockTime(time);
  }

  /** Begins anew at a time, at once. @param {number} time */
  function begin(time) {
    const state = store.get();
    kind = sound.kind();
    const start = sound.soonest();
    sound.cut(start);
    const loop = loopOf(state, length());
    passages = [{ start, time: startWithin(time, loop, length()), rate: state.rate, loop, end: length() }];
    handed = start;
    clicks = [];
  }

  /** Puts a count-in before the passage that has just begun. */
  function count() {
    const { score, rate } = store.get();
    const p = passages[0];
    const c = countIn(p.time, score?.tempo ?? null, rate);
    const zero = p.start;
    p.start += c.length;
    handed = p.start;
    clicks = c.clicks;
    for (const k of clicks) sound.click(zero + c.length - k.before, k.accent);
  }

  // Playing along.

  /** Begins anew where the leader is when that is heard, or will be when it starts. */
  function beginAlong() {
    if (!leader) return;
    const now = performance.now();
    kind = sound.kind();
    const start = sound.soonest();
    sound.cut(start);
    const { at, entry, to: end, rate, counting } = leader;
    const time = at(now + (start - sound.clock(now)) * 1000);
    const wait = Math.max(0, (entry - time) / rate);
    passages = [{ start: start + wait, time: Math.max(entry, time), rate, loop: null, end }];
    clicks = counting ? [3, 2, 1].filter((k) => k < wait + 0.5).map((k) => ({ before: k, left: k, accent: k === 3 })) : [];
    for (const c of clicks) if (c.before <= wait) sound.click(start + wait - c.before, c.accent);
    handed = start;
    corrected = now;
    hand();
  }

  /** Whether what is heard has gone off the leader. @param {number} now  ms */
  function off(now) {
    if (!leader || now - corrected < patient) return false;
    const at = sound.clock(now);
    const here = positionIn(passageAt(passages, at), at).time;
    return Math.abs(here - Math.max(leader.entry, leader.at(now))) > apart * leader.rate;
  }

  /** Hands the sound the leader's next round. */
  function handRound() {
    if (!leader) return;
    const now = performance.now();
    const start = sound.clock(now) + (leader.next(now) - now) / 1000;
    if (start > sound.soonest() + ahead || start < passages[passages.length - 1].start + 0.05) return;
    const { from, to, rate } = leader;
    passages = [...passages.slice(-3), { start, time: from, rate, loop: null, end: to }];
    sound.sound({ when: start, from, to }, rate);
  }

  /** @param {Leader} a @param {Leader} b */
  const otherWay = (a, b) => a.rate !== b.rate || a.from !== b.from || a.to !== b.to || a.counting !== b.counting && b.counting;

  /**
   * Plays along with another's time, as long as it is given; null: stops that.
   * @param {Leader|null} to
   */
  function along(to) {
    const before = leader;
    if (!to) {
      if (before) stop();
      return;
    }
    if (!before && store.get().playing) stop();
    leader = to;
    if (!store.get().playing) void start(beginAlong);
    else if (before && passages.length > 0 && otherWay(before, to)) beginAlong();
  }

  /** Goes on from where it is, with the rate, loop and length as they are now. */
  function change() {
    const state = store.get();
    if (!state.playing || passages.length === 0 || leader) return;
    const start = sound.soonest();
    const old = passageAt(passages, start);
    if (start <= old.start || kind !== sound.kind()) {
      const counting = clicks.length > 0 && start <= old.start;
      begin(old.time);
      if (counting) count();
      hand();
      return;
    }
    sound.cut(start);
    passages = [...passages.slice(-3), goOn(old, start, { rate: state.rate, loop: loopOf(state, length()), end: length() })];
    handed = start;
    hand();
  }

  /** Hands the sound what comes next: at once after a change, for a frame later is too late. */
  function hand() {
    const p = passages[passages.length - 1];
    const soonest = sound.soonest();
    const to = soonest + ahead;
    for (const pass of passes(p, handed, to)) {
      const rest = trimmed(pass, soonest, p.rate);
      if (rest) sound.sound(rest, p.rate);
    }
    handed = Math.max(handed, to);
    handRound();
  }

  /** @param {number} now ms @returns {boolean} whether it plays */
  function tick(now) {
    if (!store.get().playing || passages.length === 0) return false;
    const at = sound.clock(now);
    shown = { now, clock: at };
    if (leader && (kind !== sound.kind() || off(now))) {
      beginAlong();
      request();
      return true;
    }
    if (kind !== sound.kind()) {
      begin(store.get().time);
      hand();
      request();
      return true;
    }
    hand();
    const p = passageAt(passages, at);
    const { time, ended } = positionIn(p, at);
    store.set({ time, counting: countLeft(clicks, p.start - at) });
    if (ended && !leader) stop(true);
    return store.get().playing;
  }

  /**
   * Where the motion is at a moment near the present one. The clock of the sound is
   * read once a frame; between, the page's own goes on evenly.
   * @param {number} now ms
   */
  function momentAt(now) {
    if (!store.get().playing || passages.length === 0 || !shown) return null;
    const at = shown.clock + (now - shown.now) / 1000;
    const p = passageAt(passages, at);
    return { time: positionIn(p, at).time, before: Math.max(0, p.start - at) };
  }

  /** Wakes the sound, and begins. @param {() => void} how */
  async function start(how) {
    const mine = ++take;
    store.set({ playing: true });
    await sound.start();
    if (mine !== take || !store.get().playing) return;
    how();
    shown = null;
    store.set({ time: passages[0].time });
    clearInterval(timer);
    timer = setInterval(() => tick(performance.now()), 200);
    const { rate } = passages[0];
    announce(`Playing from ${place(passages[0].time)}${rate < 1 ? ` at ${Math.round(rate * 100)} %` : ""}`);
    request();
  }

  function play() {
    const state = store.get();
    if (!state.score || state.playing) return;
    void start(() => {
      begin(store.get().time);
      if (store.get().countIn) count();
      hand();
    });
  }

  /** @param {boolean} [atEnd] */
  function stop(atEnd = false) {
    leader = null;
    if (!store.get().playing) return;
    take++;
    clearInterval(timer);
    sound.cut(sound.soonest());
    sound.rest();
    passages = [];
    clicks = [];
    store.set({ playing: false, counting: 0 });
    announce(`${atEnd ? "Stopped at the end" : "Stopped at"} ${atEnd ? "" : place(store.get().time)}`.trim());
  }

  /** @param {number} time */
  function seek(time) {
    const t = Math.min(length(), Math.max(0, time));
    leader = null;
    if (store.get().playing && passages.length > 0) {
      begin(t);
      hand();
    }
    store.set({ time: t, counting: 0 });
    request();
  }

  /** Sounds a bit of the sound, for which its clock has to be awake. @param {number} time */
  function grain(time) {
    void sound.start().then(() => {
      sound.grain(time);
      if (!store.get().playing) sound.rest();
    });
  }

  /** @param {number} time */
  function scrub(time) {
    const { score, playing, time: before } = store.get();
    if (!scrubbing) {
      scrubbing = true;
      resume = playing;
      if (playing) stop();
    }
    const t = snapped(time, score?.fps ?? null, length());
    seek(t);
    const now = performance.now();
    if (t !== before && now - lastGrain > grainEvery) {
      lastGrain = now;
      grain(t);
    }
  }

  function scrubEnd() {
    if (!scrubbing) return;
    scrubbing = false;
    if (resume) play();
  }

  /** @param {number} frames */
  function step(frames) {
    const { score, time } = store.get();
    if (!score) return;
    stop();
    seek(stepped(time, frames, score.fps?.rate ?? score.boardRate, score.length));
    grain(store.get().time);
    announce(place(store.get().time));
  }

  /** @param {1|-1} direction */
  function toMark(direction) {
    const { score, time, playing } = store.get();
    if (!score) return;
    // While it plays, the mark that has just gone by is not the one before.
    const from = direction < 0 && playing ? time - 0.5 : time;
    const t = nextOf(score.marks.map((m) => m.at), from, direction);
    if (t === null) {
      announce(direction > 0 ? "No mark after this" : "No mark before this");
      return;
    }
    seek(t);
    announce(score.marks.filter((m) => m.at === t).map((m) => m.name).join(", "));
  }

  // A sound that comes while it plays joins in; what else is set applies at once.
  store.subscribe((state, before) => {
    if (state.muted !== before.muted) sound.mute(state.muted);
    if (!state.playing) return;
    if (state.score !== before.score && !state.score) stop();
    else if (state.rate !== before.rate || state.loop !== before.loop || state.looping !== before.looping || state.score !== before.score) change();
    else if (state.sound !== before.sound && passages.length > 0) joinIn();
  });

  function joinIn() {
    if (leader) {
      beginAlong();
      return;
    }
    const p = passages[passages.length - 1];
    const soonest = sound.soonest();
    sound.cut(soonest);
    for (const c of clicks) if (p.start - c.before >= soonest) sound.click(p.start - c.before, c.accent);
    const rest = restOfPass(p, soonest);
    if (rest) sound.sound(rest, p.rate);
    handed = Math.max(p.start, soonest);
    hand();
  }

  const toggle = () => (store.get().playing ? stop() : play());
  return { tick, momentAt, play, along, toggle, stop: () => stop(), seek, scrub, scrubEnd, step, toMark };
}
