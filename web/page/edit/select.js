// Which keys are selected. A key is known by its row and its place in that row's
// keys, which go by time; another score numbers them anew.

import { firstFrom } from "../sheet/geometry.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Row} Row */
/** @typedef {import("../types.js").Key} Key */
/** @typedef {import("../types.js").KeyRef} KeyRef */
/** @typedef {{row: string, at: number, to: number}} Spot  where a key is looked for */

/** @param {Row} row */
export const idOf = (row) => `${row.kind}:${row.name}`;

/** The rows of a score by their ids. @type {WeakMap<Row[], Map<string, Row>>} */
const indices = new WeakMap();

/** @param {Score} score @param {string|null} id @returns {Row|null} */
export function rowOf({ rows }, id) {
  if (id === null) return null;
  let index = indices.get(rows);
  if (!index) indices.set(rows, (index = new Map(rows.map((r) => [idOf(r), r]))));
  return index.get(id) ?? null;
}

/** @param {Score} score @param {KeyRef|undefined} ref @returns {Key|null} */
export function keyOf(score, ref) {
  return (ref && rowOf(score, ref.row)?.keys[ref.k]) ?? null;
}

/** @param {KeyRef} a @param {KeyRef} b */
export const sameKey = (a, b) => a.row === b.row && a.k === b.k;

/** @param {KeyRef[]} a @param {KeyRef[]} b */
export const sameKeys = (a, b) => a.length === b.length && a.every((ref, k) => sameKey(ref, b[k]));

/** @param {KeyRef[]} list @param {KeyRef} ref */
export const has = (list, ref) => list.some((x) => sameKey(x, ref));

/** @param {KeyRef[]} list @param {KeyRef} ref @returns {KeyRef[]} */
export function toggled(list, ref) {
  return has(list, ref) ? list.filter((x) => !sameKey(x, ref)) : [...list, ref];
}

/** @param {KeyRef} ref */
const nameOf = (ref) => `${ref.k} ${ref.row}`;

/** Whether keys are in a list, where many are asked for. @param {KeyRef[]} list @returns {(ref: KeyRef) => boolean} */
export function among(list) {
  const known = new Set(list.map(nameOf));
  return (ref) => known.has(nameOf(ref));
}

/** @param {KeyRef[]} a @param {KeyRef[]} b @returns {KeyRef[]} */
export function joined(a, b) {
  const known = among(a);
  return [...a, ...b.filter((r) => !known(r))];
}

/** All keys of a row. @param {Score} score @param {string} id @returns {KeyRef[]} */
export function allOf(score, id) {
  return rowOf(score, id)?.keys.map((_, k) => ({ row: id, k })) ?? [];
}

/** The keys of a row from one to another. @param {KeyRef} a @param {KeyRef} b @returns {KeyRef[]} */
export function stretchOf(a, b) {
  const from = Math.min(a.k, b.k);
  return Array.from({ length: Math.abs(a.k - b.k) + 1 }, (_, k) => ({ row: a.row, k: from + k }));
}

/** The key of a row that is nearest to a time, of two the earlier. @param {Score} score @param {string} id @param {number} t  s @returns {KeyRef|null} */
export function nearestOf(score, id, t) {
  const keys = rowOf(score, id)?.keys ?? [];
  if (keys.length === 0) return null;
  const after = Math.min(keys.length - 1, firstFrom(keys, t));
  const before = Math.max(0, after - 1);
  return { row: id, k: Math.abs(keys[before].at - t) <= Math.abs(keys[after].at - t) ? before : after };
}

/** @param {Score} score @param {KeyRef[]} refs @returns {Spot[]} */
export function spotsOf(score, refs) {
  return refs.flatMap((r) => {
    const key = keyOf(score, r);
    return key ? [{ row: r.row, at: key.at, to: key.to }] : [];
  });
}

const near = 0.03; // s: a time is rounded to the notation in which it is written

/**
 * The keys at some places, each at most once: the nearest in time, and of several
 * there the nearest in value.
 * @param {Score} score
 * @param {Spot[]} spots
 * @returns {KeyRef[]}
 */
export function found(score, spots) {
  const taken = new Set();
  /** @type {KeyRef[]} */
  const list = [];
  for (const spot of spots) {
    const keys = rowOf(score, spot.row)?.keys ?? [];
    let best = -1;
    let least = Infinity;
    for (let k = firstFrom(keys, spot.at - near); k < keys.length && keys[k].at <= spot.at + near; k++) {
      if (taken.has(nameOf({ row: spot.row, k }))) continue;
      const far = Math.abs(keys[k].at - spot.at) + 1e-6 * Math.abs(keys[k].to - spot.to);
      if (far < least) [best, least] = [k, far];
    }
    if (best < 0) continue;
    const ref = { row: spot.row, k: best };
    taken.add(nameOf(ref));
    list.push(ref);
  }
  return list;
}

/**
 * Which keys of a row that has as many as before have kept their places in it: all, unless
 * one has passed another. Then those that moved are to be looked for, and better none is
 * selected than its neighbour.
 * @param {Key[]} old
 * @param {Key[]} keys
 * @returns {(k: number) => boolean}
 */
function keptPlaces(old, keys) {
  /** @param {Key} a @param {Key} b */
  const stands = (a, b) => Math.abs(a.at - b.at) < 1e-9 && Math.abs(a.to - b.to) < 1e-9;
  const moved = old.flatMap((key, k) => (stands(key, keys[k]) ? [] : [k]));
  // One that moved stands where another stood if it has passed that.
  const now = new Set(moved.map((k) => `${keys[k].at} ${keys[k].to}`));
  const doubtful = new Set(moved.some((k) => now.has(`${old[k].at} ${old[k].to}`)) ? moved : []);
  return (k) => !doubtful.has(k);
}

/**
 * The selection after the motion has become another: a row with as many keys as
 * before keeps its places, in others the keys are looked for.
 * @param {KeyRef[]} refs
 * @param {Score} old
 * @param {Score} score
 * @returns {KeyRef[]}
 */
export function carried(refs, old, score) {
  if (refs.length === 0) return refs;
  const keys = (/** @type {Score} */ s, /** @type {string} */ id) => rowOf(s, id)?.keys ?? [];
  const rows = new Map([...new Set(refs.map((r) => r.row))].map((id) => {
    const [was, is] = [keys(old, id), keys(score, id)];
    return [id, was.length === is.length ? keptPlaces(was, is) : null];
  }));
  const stay = refs.filter((r) => rows.get(r.row)?.(r.k));
  return [...stay, ...found(score, spotsOf(old, refs.filter((r) => !rows.get(r.row)?.(r.k))))];
}

/**
 * Which of some keys can be moved, and why not the others.
 * @param {Score} score
 * @param {KeyRef[]} refs
 * @returns {{free: KeyRef[], locked: number, placed: number, why: string}}
 */
export function movable(score, refs) {
  const free = [];
  let [locked, placed, why] = [0, 0, ""];
  for (const ref of refs) {
    const key = keyOf(score, ref);
    if (!key) continue;
    if (!key.address) placed++;
    else if (key.locked) locked++;
    else {
      free.push(ref);
      continue;
    }
    why ||= bound(key);
  }
  return { free, locked, placed, why };
}

/** Why a key stays where it is; "" where it does not. @param {Key} key */
export function bound(key) {
  if (!key.address) return key.from ? `This key belongs to the ${key.from.kind} ${key.from.name}, placed in line ${key.from.line}: that can be moved under Poses` : "This key cannot be changed here";
  return key.locked ? "This key is locked and keeps its time" : "";
}
