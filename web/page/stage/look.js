// What of a motion is shown at a time: which bodies, in which poses, and which
// of them break a limit.

import { driversOf, drivenBy, poseOf, restValues, valuesAt, groups, leaves } from "./kinematics.js";
import { apply, origin } from "./matrix.js";
import { middle, reach } from "./solids.js";
import { groundOf } from "./scene.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Curves} Curves */
/** @typedef {import("../types.js").Finding} Finding */
/** @typedef {import("../types.js").Vector} Vector */
/** @typedef {import("./matrix.js").Matrix} Matrix */
/** @typedef {import("./scene.js").Body} Body */
/** @typedef {import("./scene.js").Ground} Ground */

/** Poses that are kept: a second of trails at 60 film frames a second, and the skins. */
const most = 400;

/**
 * A motion with all that does not change while it plays.
 * @typedef {object} Puppet
 * @property {Score} score
 * @property {Curves|null} curves
 * @property {Matrix[]} rest
 * @property {number[]} groups   see kinematics.groups
 * @property {number[]} leaves   those that move
 * @property {Ground} ground
 * @property {{centre: Vector, radius: number}[]} balls  what has to be in the picture
 * @property {(number|null)[]} lamps  for each joint the row of the lamp that it is
 * @property {(time: number, which: "commanded"|"predicted") => Matrix[]} pose
 * @property {(time: number, which: "commanded"|"predicted") => number[]} values
 */

/**
 * @param {Score} score
 * @param {Curves|null} curves
 * @returns {Puppet}
 */
export function createPuppet(score, curves) {
  const { joints, rows } = score;
  const rest = poseOf(joints, rows, restValues(rows));
  const all = groups(joints);
  const ground = groundOf(bodiesOf(score, rest), (joint) => all[joint] < 0);
  /** @type {Map<string, Matrix[]>} */
  const kept = new Map();
  const values = (/** @type {number} */ time, /** @type {"commanded"|"predicted"} */ which) => valuesAt(rows, curves, time, which);
  return {
    score, curves, rest, groups: all, ground, values,
    leaves: leaves(joints).filter((j) => all[j] >= 0),
    balls: bodiesOf(score, rest).filter((b) => b.solid.shape !== "" && b.joint !== ground.joint)
      .map((b) => ({ centre: apply(b.world, middle(b.solid)), radius: reach(b.solid) })),
    lamps: lampsOf(score),
    pose(time, which) {
      const key = `${which} ${time.toFixed(6)}`;
      let pose = kept.get(key);
      if (!pose) {
        pose = poseOf(joints, rows, values(time, which));
        if (kept.size >= most) kept.delete(/** @type {string} */ (kept.keys().next().value));
        kept.set(key, pose);
      }
      return pose;
    },
  };
}

/** @param {Score} score @param {Matrix[]} pose @returns {Body[]} */
const bodiesOf = (score, pose) => score.joints.map((joint, i) => ({ solid: joint.solid, world: pose[i], joint: i, marked: false, lit: -1 }));

/** A joint is a lamp where a dimmer or a switch has its name or drives it. @param {Score} score @returns {(number|null)[]} */
export function lampsOf(score) {
  const shines = (/** @type {number} */ r) => ["dimmer", "switch"].includes(score.rows[r]?.actuator ?? "");
  return score.joints.map((joint) => {
    const named = score.rows.findIndex((row, r) => row.kind === "axis" && row.name === joint.name && shines(r));
    if (named >= 0) return named;
    return driversOf(joint).find(shines) ?? null;
  });
}

/** @param {Score} score @param {number} row @param {number} value @returns {number} 0 to 1 */
export function brightness(score, row, value) {
  const full = score.rows[row].unit === "%" ? 100 : 1;
  return Math.min(Math.max(value / full, 0), 1);
}

/**
 * The values that are commanded at a time; where a hand performs, its values.
 * @param {Puppet} puppet
 * @param {number} time s
 * @param {import("../types.js").Live|null} live
 * @returns {number[]}
 */
export function toldValues(puppet, time, live) {
  const values = puppet.values(time, "commanded");
  for (const [row, value] of live ?? []) if (row < values.length) values[row] = value;
  return values;
}

/**
 * The pose that they make.
 * @param {Puppet} puppet
 * @param {number} time s
 * @param {import("../types.js").Live|null} live
 */
export function toldPose(puppet, time, live) {
  if (!live) return puppet.pose(time, "commanded");
  return poseOf(puppet.score.joints, puppet.score.rows, toldValues(puppet, time, live));
}

/**
 * The bodies at a time, with what is to be seen of them.
 * @param {Puppet} puppet
 * @param {number} time s
 * @param {Set<number>} marked joints that break a limit
 * @returns {Body[]}
 */
export function bodiesAt(puppet, time, marked) {
  const values = puppet.values(time, "predicted");
  return bodiesOf(puppet.score, puppet.pose(time, "predicted")).map((body, i) => {
    const lamp = puppet.lamps[i];
    return { ...body, marked: marked.has(i), lit: lamp === null ? -1 : brightness(puppet.score, lamp, values[lamp]) };
  });
}

/**
 * The findings about rows that hold at a time. One that is over within a film
 * frame is shown for that frame, or nobody would see it.
 * @param {Score} score
 * @param {number} time s
 * @returns {Finding[]}
 */
export function findingsAt(score, time) {
  const frame = 1 / (score.fps?.rate ?? 24);
  return score.findings.filter((f) => {
    if (f.row < 0 || f.severity === "note") return false;
    const more = Math.max(frame - (f.to - f.from), 0) / 2;
    return time >= f.from - more - 1e-9 && time <= f.to + more + 1e-9;
  });
}

/** @param {Finding} f */
export const isError = (f) => f.severity === "error";

/**
 * How a row is marked: the numbers of what was found about it, and the sign of the
 * worst. An error is a broken limit and has the colour for it; a warning has none.
 * @param {Finding[]} found that hold now
 * @param {number} row
 * @returns {{numbers: string, sign: import("./paint.js").Sign}}
 */
export function signsOf(found, row) {
  const own = found.filter((f) => f.row === row);
  return { numbers: own.map((f) => f.number).join(" "), sign: own.some(isError) ? "error" : own.length > 0 ? "warning" : "" };
}

/**
 * The joints that some rows drive.
 * @param {Score} score
 * @param {number[]} rows
 * @returns {Set<number>}
 */
export function jointsOf(score, rows) {
  /** @type {Set<number>} */
  const out = new Set();
  for (const row of rows) for (const joint of drivenBy(score.joints, row)) out.add(joint);
  return out;
}

/**
 * Where a joint's line of turn or slide lies in a pose.
 * @typedef {{row: number, at: Vector, along: Vector, turns: boolean, joint: number}} AxisLine
 */

/**
 * @param {Score} score
 * @param {Matrix[]} pose
 * @param {number[]} rows
 * @returns {AxisLine[]}
 */
export function axisLines(score, pose, rows) {
  /** @type {AxisLine[]} */
  const out = [];
  score.joints.forEach((joint, i) => {
    const parent = pose[joint.parent];
    const move = /** @type {const} */ ([["turns", joint.turns, joint.turns?.about], ["slides", joint.slides, joint.slides?.along]]);
    for (const [kind, drive, direction] of move) {
      if (!drive || !direction || !rows.includes(drive.row)) continue;
      const n = Math.hypot(...direction) || 1;
      /** @type {Vector} */
      const d = [direction[0] / n, direction[1] / n, direction[2] / n];
      const along = parent ? apply([...parent.slice(0, 3), 0, ...parent.slice(4, 7), 0, ...parent.slice(8, 11), 0], d) : d;
      out.push({ row: drive.row, at: origin(pose[i]), along, turns: kind === "turns", joint: i });
    }
  });
  return out;
}

/**
 * The times at which trails are looked at: a second back from a time, on a grid
 * of half film frames, so that poses can be kept; then the time itself.
 * @param {number} time s
 * @param {number} rate film frames a second
 * @param {number} length s of the trail
 * @returns {{time: number, frame: boolean}[]} frame: on a film frame
 */
export function trailTimes(time, rate, length = 1) {
  const step = 1 / (2 * rate);
  const last = Math.floor(time / step + 1e-6);
  const first = Math.max(Math.ceil((time - length) / step - 1e-6), 0);
  const out = [];
  for (let k = first; k <= last; k++) out.push({ time: k * step, frame: k % 2 === 0 });
  if (time - last * step > 1e-6) out.push({ time, frame: false });
  return out;
}

/**
 * The times of the last film frames before the one that a time is in, newest first.
 * @param {number} time s
 * @param {number} rate film frames a second
 * @param {number} count
 * @returns {number[]}
 */
export function skinTimes(time, rate, count) {
  const frame = Math.floor(time * rate + 1e-6);
  const out = [];
  for (let k = 1; k <= count && frame - k >= 0; k++) out.push((frame - k) / rate);
  return out;
}
