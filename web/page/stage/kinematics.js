// From the values of the axes to the place of each joint.
//
// A joint's frame is its parent's, moved to the joint's place, slid, and turned.
// Both directions are the parent's, so a joint that slides and turns slides
// straight. A turn takes its row's value as degrees and a slide as millimetres,
// whatever the row's own unit: a motor's per cent only show which way it goes.

import { curveAt } from "../curves.js";
import { identity, multiply, rotation, scale, translation, unit } from "./matrix.js";

/** @typedef {import("../types.js").Joint} Joint */
/** @typedef {import("../types.js").Row} Row */
/** @typedef {import("../types.js").Curves} Curves */
/** @typedef {import("./matrix.js").Matrix} Matrix */

/**
 * The value of every row. What has no prediction does as it is told, and what
 * has no curve rests.
 * @param {Row[]} rows
 * @param {Curves|null} curves
 * @param {number} time s
 * @param {"commanded"|"predicted"} which
 * @returns {number[]}
 */
export function valuesAt(rows, curves, time, which) {
  return rows.map((row) => {
    if (!curves) {
      return row.rest;
    }
    const index = which === "predicted" && row.predicted >= 0 ? row.predicted : row.commanded;
    const value = curveAt(curves, index, time);
    return Number.isFinite(value) ? value : row.rest;
  });
}

/** @param {Row[]} rows */
export const restValues = (rows) => rows.map((row) => row.rest);

/**
 * Degrees or millimetres of a value. Only whole revolutions have to be turned into degrees.
 * @param {Row|undefined} row
 * @param {number} value
 */
const amount = (row, value) => (row?.unit === "rev" ? value * 360 : value);

/**
 * The motion of a joint on its parent.
 * @param {Joint} joint
 * @param {Row[]} rows
 * @param {number[]} values
 * @returns {Matrix}
 */
function local(joint, rows, values) {
  let m = translation(joint.at);
  if (joint.slides) {
    const { along, row } = joint.slides;
    m = multiply(m, translation(scale(unit(along), values[row] ?? 0)));
  }
  if (joint.turns) {
    const { about, row } = joint.turns;
    m = multiply(m, rotation(about, amount(rows[row], values[row] ?? 0)));
  }
  return m;
}

/**
 * The place of every joint in the world, parents before children.
 * @param {Joint[]} joints
 * @param {Row[]} rows
 * @param {number[]} values a row's value each
 * @returns {Matrix[]}
 */
export function poseOf(joints, rows, values) {
  /** @type {Matrix[]} */
  const out = [];
  joints.forEach((joint, i) => {
    const parent = joint.parent >= 0 && joint.parent < i ? out[joint.parent] : identity();
    out.push(multiply(parent, local(joint, rows, values)));
  });
  return out;
}

/** @param {Joint} joint */
export const driven = (joint) => joint.turns !== null || joint.slides !== null;

/** @param {Joint} joint @returns {number[]} the rows that drive it */
export function driversOf(joint) {
  const rows = [];
  if (joint.slides) rows.push(joint.slides.row);
  if (joint.turns) rows.push(joint.turns.row);
  return rows;
}

/**
 * For every joint, the nearest one up the tree (itself included) that an axis
 * drives, or -1: joints with the same one are rigid to each other.
 * @param {Joint[]} joints
 * @returns {number[]}
 */
export function groups(joints) {
  /** @type {number[]} */
  const out = [];
  joints.forEach((joint, i) => {
    out.push(driven(joint) ? i : joint.parent >= 0 && joint.parent < i ? out[joint.parent] : -1);
  });
  return out;
}

/**
 * Joints that carry none.
 * @param {Joint[]} joints
 * @returns {number[]}
 */
export function leaves(joints) {
  const carries = new Set(joints.map((joint) => joint.parent));
  return joints.map((_, i) => i).filter((i) => !carries.has(i));
}

/**
 * The joints that a row drives: those that it moves itself, with all that is
 * rigid to them. Where none of these has a solid (a neck of two servos is drawn
 * as bare joints), the ones that they carry stand for them.
 * @param {Joint[]} joints
 * @param {number} row
 * @returns {Set<number>}
 */
export function drivenBy(joints, row) {
  const all = groups(joints);
  const own = new Set(joints.flatMap((joint, i) => (driversOf(joint).includes(row) ? [i] : [])));
  /** @type {Set<number>} */
  const out = new Set();
  while (own.size > 0) {
    joints.forEach((_, i) => {
      if (own.has(all[i])) out.add(i);
    });
    if ([...out].some((i) => joints[i].solid.shape !== "")) {
      break;
    }
    own.clear();
    joints.forEach((joint, i) => {
      if (!out.has(i) && out.has(joint.parent)) own.add(all[i]);
    });
  }
  return out;
}
