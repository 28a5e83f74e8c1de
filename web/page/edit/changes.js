// What the server is asked to change, worked out from the score: lists of changes
// as API.md has them, with the places where the keys are looked for afterwards.

import { idOf, keyOf, movable, rowOf } from "./select.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").KeyRef} KeyRef */
/** @typedef {import("./select.js").Spot} Spot */

/**
 * Why is not "" where there is nothing to do, or where some keys are left alone.
 * @typedef {{changes: object[], spots: Spot[], why: string}} Plan
 */

/** @typedef {{row: string, by: number, to: number, ease: string}[]} Clip  keys from the first one on, s */

const tiny = 1e-9;

/** @param {string} why @returns {Plan} */
const nothing = (why) => ({ changes: [], spots: [], why });

/** @param {Score} score @param {KeyRef[]} refs */
const addresses = (score, refs) => refs.map((r) => keyOf(score, r)?.address).filter((a) => a != null);

/**
 * Moves keys by a time and a value. Those that are locked, or belong to a pose or
 * phrase, stay. What is on whole frames goes by frames.
 * @param {Score} score
 * @param {KeyRef[]} refs
 * @param {{time?: number, value?: number}} by  s, and the row's unit
 * @returns {Plan}
 */
export function shift(score, refs, { time = 0, value = 0 }) {
  const { free, why } = movable(score, refs);
  if (free.length === 0) return nothing(why || "No key is selected");
  const [dt, dv] = held(score, free, time, value);
  const spots = free.map((r) => {
    const key = /** @type {import("../types.js").Key} */ (keyOf(score, r));
    return { row: r.row, at: key.at + dt, to: inTravel(score, r.row, key.to + dv) };
  });
  if (Math.abs(dt) < tiny && Math.abs(dv) < tiny) return { changes: [], spots, why };
  return { changes: score.paced || free.length === 1 || uneven(score, free) ? each(score, free, spots, dt, dv) : [together(score, free, dt, dv)], spots, why };
}

/** Whether values would not all move by the same. @param {Score} score @param {KeyRef[]} refs */
function uneven(score, refs) {
  return new Set(refs.map((r) => rowOf(score, r.row)?.unit === "on")).size > 1;
}

/** No key goes before 0 s, and none beyond its travel. @param {Score} score @param {KeyRef[]} refs @param {number} time @param {number} value @returns {[number, number]} */
function held(score, refs, time, value) {
  let [dt, dv] = [time, value];
  for (const r of refs) {
    const key = /** @type {import("../types.js").Key} */ (keyOf(score, r));
    dt = Math.max(dt, -key.at);
    const travel = travelOf(score, r.row);
    if (travel) dv = Math.min(Math.max(dv, travel[0] - key.to), travel[1] - key.to);
  }
  return [dt, dv];
}

/** @param {Score} score @param {string} id @returns {[number, number]|null} */
function travelOf(score, id) {
  const row = rowOf(score, id);
  return row?.unit === "on" ? [0, 1] : row?.travel ?? null;
}

/** @param {Score} score @param {string} id @param {number} v */
export function inTravel(score, id, v) {
  const travel = travelOf(score, id);
  const to = travel ? Math.min(travel[1], Math.max(travel[0], v)) : v;
  return Number(to.toFixed(6)) + 0;
}

/** @param {Score} score @param {KeyRef[]} refs @param {Spot[]} spots @param {number} dt @param {number} dv */
function each(score, refs, spots, dt, dv) {
  return refs.map((r, k) => ({
    do: "set-key", ...keyOf(score, r)?.address,
    ...(Math.abs(dt) < tiny ? {} : { time: spots[k].at }),
    ...(Math.abs(dv) < tiny ? {} : { value: spots[k].to }),
  }));
}

/** @param {Score} score @param {KeyRef[]} refs @param {number} dt @param {number} dv */
function together(score, refs, dt, dv) {
  const frames = score.fps ? dt * score.fps.rate : NaN;
  const whole = Math.abs(frames - Math.round(frames)) < 1e-6;
  return {
    do: "shift-keys", keys: addresses(score, refs),
    ...(Math.abs(dt) < tiny ? {} : whole ? { frames: Math.round(frames) } : { time: dt }),
    ...(Math.abs(dv) < tiny ? {} : { value: Number(dv.toFixed(6)) }),
  };
}

/**
 * Gives keys one time, value or ease. A locked key keeps its time.
 * @param {Score} score
 * @param {KeyRef[]} refs
 * @param {{time?: number, value?: number, ease?: string}} what
 * @returns {Plan}
 */
export function setKeys(score, refs, what) {
  /** @type {Plan} */
  const plan = nothing("");
  for (const r of refs) {
    const key = keyOf(score, r);
    if (!key) continue;
    if (!key.address || (key.locked && what.time !== undefined)) {
      plan.why ||= movable(score, [r]).why;
      continue;
    }
    plan.changes.push({ do: "set-key", ...key.address, ...what });
    plan.spots.push({ row: r.row, at: what.time ?? key.at, to: what.value ?? key.to });
  }
  return plan;
}

/** @param {Score} score @param {KeyRef[]} refs @returns {Plan} */
export function remove(score, refs) {
  const { free, why } = movable(score, refs);
  if (free.length === 0) return nothing(why || "No key is selected");
  return { changes: [{ do: "delete-keys", keys: addresses(score, free) }], spots: [], why };
}

/** @param {Score} score @param {string} id @param {number} at @param {number} to @returns {Plan} */
export function add(score, id, at, to) {
  const row = rowOf(score, id);
  if (!row) return nothing("Choose a row first: a key goes on the stave of an axis or a control");
  const value = inTravel(score, id, row.unit === "on" ? Math.round(to) : to);
  return { changes: [{ do: "add-key", track: row.name, time: at, value }], spots: [{ row: id, at, to: value }], why: "" };
}

/** @param {Score} score @param {KeyRef[]} refs @param {number} factor  above 0 @returns {Plan} */
export function stretch(score, refs, factor) {
  const { free, why } = movable(score, refs);
  if (free.length < 2) return nothing(why || "Select two keys or more to stretch them");
  if (!(factor > 0) || factor > 1000) return nothing("Stretch by a factor above 0, as 1.5");
  const keys = free.map((r) => /** @type {import("../types.js").Key} */ (keyOf(score, r)));
  const anchor = Math.min(...keys.map((k) => k.at));
  return {
    changes: [{ do: "stretch-keys", keys: addresses(score, free), anchor, factor }],
    spots: keys.map((k, i) => ({ row: free[i].row, at: anchor + (k.at - anchor) * factor, to: k.to })), why,
  };
}

/** @param {Score} score @param {KeyRef[]} refs @returns {Plan} */
export function mirror(score, refs) {
  const list = refs.filter((r) => keyOf(score, r)?.address);
  if (list.length === 0) return nothing(movable(score, refs).why || "No key is selected");
  const spots = list.map((r) => {
    const key = /** @type {import("../types.js").Key} */ (keyOf(score, r));
    const rest = rowOf(score, r.row)?.rest ?? 0;
    return { row: r.row, at: key.at, to: 2 * rest - key.to };
  });
  return { changes: [{ do: "mirror-keys", keys: addresses(score, list) }], spots, why: "" };
}

/** The ease by which a row's keys arrive where none is written, as the language has it. @param {import("../types.js").Row} row */
export function ownEase({ actuator }) {
  if (actuator === "switch") return "hold";
  return ["dimmer", "motor", "continuous-servo"].includes(actuator) ? "linear" : "in-out";
}

/** What is copied: also keys of poses and phrases. @param {Score} score @param {KeyRef[]} refs @returns {Clip} */
export function copy(score, refs) {
  const keys = refs.flatMap((r) => {
    const key = keyOf(score, r);
    const row = rowOf(score, r.row);
    return key && row ? [{ row: r.row, key, bare: key.head === "first" || key.head === "soonest" || key.ease === ownEase(row) }] : [];
  });
  const from = Math.min(...keys.map(({ key }) => key.at));
  return keys.map(({ row, key, bare }) => ({ row, by: key.at - from, to: key.to, ease: bare ? "" : key.ease }))
    .sort((a, b) => a.by - b.by);
}

/** @param {Score} score @param {Clip} clip @param {number} at  s @returns {Plan} */
export function paste(score, clip, at) {
  if (clip.length === 0) return nothing("Nothing has been copied");
  const missing = clip.find((c) => !rowOf(score, c.row));
  if (missing) return nothing(`This motion has no row ${missing.row.replace(/^\w+:/, "")}`);
  return {
    changes: clip.map((c) => ({ do: "add-key", track: rowOf(score, c.row)?.name, time: at + c.by, value: c.to, ...(c.ease ? { ease: c.ease } : {}) })),
    spots: clip.map((c) => ({ row: c.row, at: at + c.by, to: c.to })), why: "",
  };
}

/**
 * The values of a pose, as plain keys at a time.
 * @param {Score} score
 * @param {Record<string, number>} values
 * @param {number} at
 * @returns {Plan}
 */
export function poseKeys(score, values, at) {
  const rows = score.rows.filter((r) => Object.hasOwn(values, r.name));
  return {
    changes: rows.map((r) => ({ do: "add-key", track: r.name, time: at, value: values[r.name] })),
    spots: rows.map((r) => ({ row: idOf(r), at, to: values[r.name] })), why: rows.length ? "" : "The pose has no values",
  };
}
