// The sound: its clock, which leads the picture, and what is heard. Where the
// browser gives no running sound, the page's own clock stands in.

import { createSmoother } from "./player.js";

/** @typedef {import("./player.js").Pass} Pass */

/**
 * @typedef {object} Sound
 * @property {() => Promise<boolean>} start  wakes the clock; only in answer to a key, click or touch. False where there is no sound.
 * @property {() => void} rest               lets the clock sleep after a while
 * @property {() => string} kind             which clock runs: it changes when the sound comes or goes
 * @property {(now: number) => number} clock what is heard at this moment, s; now in ms of the page
 * @property {() => number} soonest          the soonest moment that can still be sounded, s of the clock
 * @property {(data: ArrayBuffer) => Promise<AudioBuffer>} decode
 * @property {(buffer: AudioBuffer|null) => void} use  what is played from now on
 * @property {(pass: Pass, rate: number) => void} sound
 * @property {(when: number, accent: boolean) => void} click
 * @property {(when: number) => void} cut    silence from a moment on
 * @property {(time: number) => void} grain  a short bit of the sound, for scrubbing
 * @property {(muted: boolean) => void} mute
 */

const lead = 0.03;   // s: what is scheduled sooner may come late
const fade = 0.004;  // s: a cut without it clicks
const patience = 400; // ms to wait for the clock to wake
const sleepAfter = 5000; // ms: a clock that runs costs a tenth of a core
const grainLength = 0.07; // s

/** @returns {Sound} */
export function createSound() {
  /** @type {AudioContext|null} */
  let context = null;
  /** @type {GainNode|null} */
  let master = null;
  /** @type {AudioBuffer|null} */
  let buffer = null;
  /** @type {{gain: GainNode, sources: Set<AudioScheduledSourceNode>}|null} */
  let bus = null;
  let smooth = createSmoother();
  let muted = false;
  let stalled = false;
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let sleep;
  let beat = { clock: -1, now: 0 };

  const running = () => context !== null && context.state === "running" && !stalled;

  /** @returns {AudioContext|null} */
  function made() {
    if (context || typeof AudioContext === "undefined") return context;
    try {
      context = new AudioContext({ latencyHint: "interactive" });
    } catch {
      return null;
    }
    master = context.createGain();
    master.gain.value = muted ? 0 : 1;
    master.connect(context.destination);
    return context;
  }

  // A sound card that has been pulled out stops its clock without a word.
  /** @param {number} now ms */
  function watch(now) {
    if (!context || context.state !== "running") return;
    if (context.currentTime !== beat.clock) {
      beat = { clock: context.currentTime, now };
      stalled = false;
    } else if (now - beat.now > 500) {
      stalled = true;
    }
  }

  // What is at the loudspeaker now, in s of the context. A time stamp from before
  // a sleep would count the sleep, so it has to lie near the context's own time.
  /** @param {AudioContext} c @param {number} now ms */
  function heard(c, now) {
    const stamp = c.getOutputTimestamp?.();
    if (stamp?.contextTime && stamp.performanceTime) {
      const at = stamp.contextTime + (now - stamp.performanceTime) / 1000;
      if (at <= c.currentTime + 0.05 && at > c.currentTime - 1) return at;
    }
    return c.currentTime - (c.outputLatency || c.baseLatency || 0);
  }

  function current() {
    if (!context || !master) return null;
    if (!bus) {
      const gain = context.createGain();
      gain.connect(master);
      bus = { gain, sources: new Set() };
    }
    return bus;
  }

  /** @param {AudioScheduledSourceNode} source @param {AudioNode} [through] */
  function connect(source, through) {
    const b = current();
    if (!b) return;
    (through ? (source.connect(through), through) : source).connect(b.gain);
    b.sources.add(source);
    source.onended = () => {
      b.sources.delete(source);
      source.disconnect();
      through?.disconnect();
    };
  }

  return {
    async start() {
      clearTimeout(sleep);
      const c = made();
      if (!c) return false;
      if (c.state !== "running") {
        smooth = createSmoother();
        await Promise.race([c.resume().catch(() => {}), new Promise((done) => setTimeout(done, patience))]);
      }
      stalled = false;
      beat = { clock: -1, now: performance.now() };
      return running();
    },
    rest() {
      clearTimeout(sleep);
      sleep = setTimeout(() => void context?.suspend().catch(() => {}), sleepAfter);
    },
    kind: () => (running() ? "sound" : "page"),
    clock(now) {
      watch(now);
      if (!context || !running()) return now / 1000;
      return smooth(heard(context, now), now / 1000);
    },
    soonest: () => (context && running() ? context.currentTime + lead : performance.now() / 1000 + 0.001),
    async decode(data) {
      // An offline context decodes before any gesture allows sound; the rate is
      // the usual one of sound cards, and others are resampled as they play.
      const c = context ?? new OfflineAudioContext(1, 1, 48000);
      return c.decodeAudioData(data);
    },
    use(decoded) {
      buffer = decoded;
    },
    sound(pass, rate) {
      if (!context || !running() || !buffer || pass.from >= buffer.duration) return;
      const source = context.createBufferSource();
      source.buffer = buffer;
      source.playbackRate.value = rate;
      connect(source);
      source.start(pass.when, pass.from, pass.to - pass.from);
    },
    click(when, accent) {
      if (!context || !running()) return;
      const tone = context.createOscillator();
      const gain = context.createGain();
      tone.frequency.value = accent ? 1600 : 1100;
      gain.gain.setValueAtTime(0, when);
      gain.gain.linearRampToValueAtTime(0.35, when + 0.002);
      gain.gain.exponentialRampToValueAtTime(0.001, when + 0.06);
      connect(tone, gain);
      tone.start(when);
      tone.stop(when + 0.07);
    },
    cut(when) {
      if (!bus || !context) return;
      const old = bus;
      bus = null;
      old.gain.gain.setValueAtTime(1, when);
      old.gain.gain.linearRampToValueAtTime(0, when + fade);
      for (const s of old.sources) s.stop(when + fade);
      setTimeout(() => old.gain.disconnect(), 1000 * (when - context.currentTime + 0.2));
    },
    grain(time) {
      if (!context || !running() || !buffer || !master || time < 0 || time >= buffer.duration) return;
      const source = context.createBufferSource();
      const gain = context.createGain();
      const at = context.currentTime;
      source.buffer = buffer;
      gain.gain.setValueAtTime(0, at);
      gain.gain.linearRampToValueAtTime(0.8, at + 0.01);
      gain.gain.setValueAtTime(0.8, at + grainLength - 0.02);
      gain.gain.linearRampToValueAtTime(0, at + grainLength);
      source.connect(gain).connect(master);
      source.onended = () => gain.disconnect();
      source.start(at, time, grainLength);
    },
    mute(on) {
      muted = on;
      if (master && context) master.gain.setTargetAtTime(on ? 0 : 1, context.currentTime, 0.01);
    },
  };
}
