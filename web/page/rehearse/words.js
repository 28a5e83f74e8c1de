// What the rehearsal says and may do, worked out of the server's state. No DOM.

/**
 * @typedef {object} BoardState
 * @property {string} name
 * @property {string} at
 * @property {boolean} linked
 * @property {number} tick          us of the board's clock
 * @property {number|null} buffer_ms
 * @property {number} late
 * @property {number} clamped
 * @property {number} bad
 * @property {number} stale
 * @property {number|null} drift_ppm
 * @property {number|null} drift_sd
 * @property {number|null} round_trip_ms
 * @property {number} supply_mv     0: not measured
 * @property {boolean} stop_input
 * @property {number[]} inputs
 * @property {string} state
 * @property {string} why
 * @property {string} lost  why it was lost since it was armed, or ""
 * @property {string} help  what would help then, or ""
 */

/**
 * @typedef {object} Rehearsal
 * @property {string} phase
 * @property {string} driver   page; "": nobody
 * @property {boolean} beat    the page that drives has to send beats now
 * @property {string} motion
 * @property {string} revision  of what plays, or was played
 * @property {string} newest    of the motion now
 * @property {boolean} newer
 * @property {number|null} position
 * @property {number|null} begin
 * @property {number|null} length
 * @property {number|null} speed
 * @property {number} round
 * @property {boolean} loop
 * @property {number|null} every  s from the start of a round to that of the next
 * @property {number|null} sound_at  ms of the server's clock
 * @property {number} now_ms
 * @property {BoardState[]} boards
 * @property {Record<string, string>} places  where boards were last, or that were given, by their names
 * @property {number|null} skew_ms
 * @property {string} confirm
 * @property {string[]} loose   axes that were let go
 * @property {number|null} resume_at
 * @property {string} note
 * @property {CalibrationState|null} calibrate
 * @property {SlewState|null} slew
 */

/**
 * An axis whose ends are looked for; pulses in us, an end that is not confirmed is null.
 * @typedef {object} CalibrationState
 * @property {string} axis
 * @property {string} board
 * @property {string} unit
 * @property {[number, number]} travel
 * @property {number} us
 * @property {number} centre
 * @property {[number, number]} reached
 * @property {number} step
 * @property {number} least
 * @property {number} greatest
 * @property {[number|null, number|null]} ends
 * @property {boolean} written
 */

/**
 * A step that is filmed, and its runs.
 * @typedef {object} SlewState
 * @property {string} axis
 * @property {string} flash
 * @property {string} unit
 * @property {number} from
 * @property {number} to
 * @property {{flash_tick: number, command_us: number, pulse_us: number, at_ms: number, doubtful: boolean}[]} runs
 */

/** @type {Rehearsal} */
export const nothing = {
  phase: "apart", driver: "", beat: false, motion: "", revision: "", newest: "", newer: false, position: 0, begin: 0, length: 0, speed: 1, round: 0, loop: false, every: null,
  sound_at: null, now_ms: 0, boards: [], places: {}, skew_ms: null, confirm: "", loose: [], resume_at: null, note: "", calibrate: null, slew: null,
};

/** @type {Record<string, string>} */
const phases = {
  apart: "No boards are connected", connecting: "Connecting", connected: "Connected; no pulses leave", arming: "Taking hold", armed: "Armed: pulses leave, and hold a pose",
  moving: "Moving to the first pose, slowly", "count-in": "Counting in", playing: "Playing", held: "Held in mid-motion", stopping: "Stopping", stopped: "Stopped", lost: "A board was lost; the others were stopped",
};

const moving = new Set(["arming", "armed", "moving", "count-in", "playing", "held", "stopping"]);

/** Whether pulses leave that may move something. @param {Rehearsal} r */
export const live = (r) => moving.has(r.phase);

const played = new Set(["armed", "moving", "count-in", "playing", "held"]);

/**
 * Whether the transport of the page that drives is that of the boards: pulses leave,
 * and neither an axis's ends are looked for nor a step is filmed.
 * @param {Rehearsal} r
 */
export const conducted = (r) => played.has(r.phase) && r.motion !== "" && !r.calibrate && !r.slew;

/** @param {Rehearsal} r */
export const phaseText = (r) => phases[r.phase] ?? r.phase;

/** Whether it is known that no pulses leave. @param {Rehearsal} r */
const silent = (r) => r.boards.every((b) => b.linked && b.state === "silent") && !moving.has(r.phase);

/**
 * What the next press of Stop does: after a stop was asked for, it drops the pulses.
 * @param {Rehearsal} r
 * @param {boolean} pressed  a stop was asked for here since the boards took hold
 * @returns {{does: "stop"|"drop", label: string, note: string}}
 */
export function stopFace(r, pressed) {
  if (!silent(r) && (pressed || r.phase === "stopping" || r.phase === "stopped")) {
    return { does: "drop", label: "Drop the pulses", note: "Now all pulses end at once, and what carries weight falls." };
  }
  return { does: "stop", label: "Stop", note: "A controlled stop by software. It is no emergency stop: only a switch that cuts the power is." };
}

/** Whether a board that is reached may still hold something. @param {Rehearsal} r */
const holds = (r) => r.boards.some((b) => b.linked && b.state !== "silent");

const bounce = 400; // ms within which a second press is the first one's: a double click, a key or a finger that bounces
const escFor = 10_000; // ms for which Esc, which is pressed for other things too, drops what it stopped

/**
 * What a press of Stop does, "" for nothing.
 * @param {Rehearsal} r
 * @param {boolean} pressed  as stopFace has it
 * @param {number} since  ms since a stop was asked for here
 * @returns {"stop"|"drop"|""}
 */
export function stopDoes(r, pressed, since) {
  const { does } = stopFace(r, pressed);
  return does === "drop" && pressed && since < bounce ? "" : does;
}

/**
 * What Esc does; null leaves it to whatever has the focus. It stops what may move, or holds
 * after a loss; it drops only where the same hands stopped, and not long ago.
 * @param {Rehearsal} r
 * @param {boolean} pressed
 * @param {number} since  ms since a stop was asked for here
 * @returns {"stop"|"drop"|""|null}
 */
export function escDoes(r, pressed, since) {
  const { does } = stopFace(r, pressed);
  if (does === "drop" && pressed && (live(r) || since < escFor)) return stopDoes(r, pressed, since);
  return live(r) || (r.phase === "lost" && holds(r)) ? "stop" : null;
}

/**
 * Whether a new state ends what was pressed: the boards take hold anew, or are gone.
 * @param {Rehearsal} r
 */
export const forgetsPress = (r) => r.phase === "arming" || r.phase === "apart" || r.phase === "connected";

/**
 * Who drives, in words for a page.
 * @param {Rehearsal} r
 * @param {string} page  this one
 */
export function driverText(r, page) {
  if (r.driver === "") return "Nobody drives";
  return r.driver === page && page !== "" ? "This page drives" : `Another page (${r.driver}) drives; this one watches, and can stop`;
}

/**
 * A board's figures, each with what it is.
 * @param {BoardState} b
 * @returns {[string, string][]}
 */
export function figures(b) {
  /** @param {number|null} v @param {number} digits */
  const n = (v, digits) => (v === null ? "\u2013" : v.toFixed(digits).replace(/^-(0(?:\.0+)?)$/, "$1").replace("-", "\u2212"));
  /** @type {[string, string][]} */
  const list = [
    ["Time", `${(b.tick / 1e6).toFixed(1)} s`],
    ["Buffer", `${n(b.buffer_ms, 0)} ms`],
    ["Late", String(b.late)],
    ["Drift", b.drift_ppm === null ? "\u2013" : `${n(b.drift_ppm, 0)} \u00b1 ${n(b.drift_sd, 0)} ppm`],
    ["Round trip", `${n(b.round_trip_ms, 2)} ms`],
    ["Inputs", b.inputs.length > 0 ? b.inputs.join(", ") : "none"],
    ["Supply", b.supply_mv > 0 ? `${(b.supply_mv / 1000).toFixed(2)} V` : "not measured"],
  ];
  if (b.clamped + b.bad + b.stale > 0) list.push(["Frames cut, faulty, too late", `${b.clamped}, ${b.bad}, ${b.stale}`]);
  return list;
}

/**
 * What is asked of the boards to play: the page's own transport, from the present time.
 * @param {{motion: string, time: number, rate: number, looping: boolean, loop: {from: number, to: number}|null, countIn: boolean}} s
 * @param {number} length  s
 */
export function playRequest(s, length) {
  const span = s.looping && s.loop ? s.loop : null;
  const within = span ? s.time >= span.from && s.time < span.to : s.time < length - 1e-3;
  const time = within ? s.time : span ? span.from : 0;
  const from = span ? span.from : s.looping ? 0 : time;
  return { motion: s.motion, from, ...(span ? { to: span.to } : {}), ...(time > from ? { enter: time } : {}), speed: s.rate, loop: s.looping, countIn: s.countIn ? 3 : 0 };
}

/**
 * Whether playing on from a hold is going on with what was held: nothing was changed since.
 * @param {{motion: string, rate: number, looping: boolean, loop: {from: number, to: number}|null, time: number}} held
 * @param {{motion: string, rate: number, looping: boolean, loop: {from: number, to: number}|null, time: number}} s
 */
export const resumes = (held, s) => held.motion === s.motion && held.rate === s.rate && held.looping === s.looping && held.loop === s.loop && Math.abs(held.time - s.time) < 1e-6;

/**
 * The one rule of whose transport it is, for the page that drives.
 * @param {Rehearsal} r
 */
export const ruleText = (r) => (conducted(r)
  ? "Play, Space, loop, speed and playhead are those of the boards now. Before they play from another place they come to rest, and go there softly."
  : "Play, Space, loop, speed and playhead are those of this page alone, until the boards are armed.");

/**
 * Names of the boards that a motion's rows are on, in their order.
 * @param {{board: string}[]} rows
 */
export const boardsOf = (rows) => [...new Set(rows.map((r) => r.board).filter((b) => b !== ""))];
