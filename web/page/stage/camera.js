// Where the rig is looked at from, and what that makes of a point in space.
//
// z is up. Yaw 0 looks at the rig's front, from +y; yaw 90 from +x, the rig's
// own right where it looks along +y. Pitch is how far from above: 90 is a plan.

import { dot, scale, subtract, add } from "./matrix.js";

/** @typedef {import("../types.js").Vector} Vector */
/** @typedef {import("../types.js").StageView} StageView */

/**
 * @typedef {object} Camera
 * @property {Vector} eye
 * @property {Vector} right    of the picture
 * @property {Vector} up       of the picture
 * @property {Vector} forward  into the picture
 * @property {number} focal    px: the picture of 1 mm at 1 mm
 * @property {number} x        px, middle of the picture
 * @property {number} y        px
 */

/**
 * The angle that the frame's height takes, in degrees: a 50 mm lens before a
 * frame 24 mm high, which neither stretches nor flattens.
 */
export const fieldOfView = (2 * Math.atan(12 / 50) * 180) / Math.PI;

/** How far one can go below the ground, and up to a plan, in degrees. */
const lowest = -20, highest = 90;

/** Limits of the distance, in millimetres: rigs are up to 100 m. */
const nearest = 20, farthest = 500_000;

/** @typedef {{name: string, yaw: number, pitch: number}} Preset */

/** @type {Preset[]} */
export const presets = [
  { name: "Front", yaw: 0, pitch: 6 },
  { name: "Side", yaw: 90, pitch: 6 },
  { name: "Top", yaw: 0, pitch: 90 },
  { name: "Three-quarter", yaw: -35, pitch: 18 },
];

/** @param {{yaw: number, pitch: number}} view @returns {string} the preset's name, or "" */
export function presetOf(view) {
  const yaw = wrap(view.yaw);
  return presets.find((p) => Math.abs(wrap(p.yaw - yaw)) < 0.5 && Math.abs(p.pitch - view.pitch) < 0.5)?.name ?? "";
}

/** @param {number} degrees @returns {number} over -180 to 180 */
export function wrap(degrees) {
  const turned = ((degrees % 360) + 360) % 360;
  return turned > 180 ? turned - 360 : turned;
}

/** @param {number} yaw @param {number} pitch @returns {[Vector, Vector, Vector]} right, up, forward */
function frame(yaw, pitch) {
  const y = (yaw * Math.PI) / 180, p = (pitch * Math.PI) / 180;
  const sy = Math.sin(y), cy = Math.cos(y), sp = Math.sin(p), cp = Math.cos(p);
  return [[-cy, sy, 0], [-sy * sp, -cy * sp, cp], [-sy * cp, -cy * cp, -sp]];
}

/**
 * @param {{yaw: number, pitch: number, distance: number, target: Vector}} view
 * @param {number} width  px of the whole stage
 * @param {number} height px of the whole stage
 * @param {number} across px that the field of view takes: the film frame's height, or the stage's
 * @returns {Camera}
 */
export function camera(view, width, height, across = height) {
  const [right, up, forward] = frame(view.yaw, view.pitch);
  return {
    eye: subtract(view.target, scale(forward, view.distance)),
    right, up, forward,
    focal: across / 2 / Math.tan((fieldOfView * Math.PI) / 360),
    x: width / 2,
    y: height / 2,
  };
}

/**
 * The picture of a point: x and y in px, and its depth in mm along the line of
 * sight; a depth of 0 or less is behind the eye and has no picture.
 * @param {Camera} c
 * @param {Vector} p
 * @returns {Vector}
 */
export function project(c, p) {
  const dx = p[0] - c.eye[0], dy = p[1] - c.eye[1], dz = p[2] - c.eye[2];
  const depth = dx * c.forward[0] + dy * c.forward[1] + dz * c.forward[2];
  const k = c.focal / Math.max(depth, 1e-3);
  return [
    c.x + k * (dx * c.right[0] + dy * c.right[1] + dz * c.right[2]),
    c.y - k * (dx * c.up[0] + dy * c.up[1] + dz * c.up[2]),
    depth,
  ];
}

/**
 * The direction in space of the line of sight through a point of the picture.
 * @param {Camera} c
 * @param {number} x px
 * @param {number} y px
 * @returns {Vector}
 */
export function sight(c, x, y) {
  const across = scale(c.right, (x - c.x) / c.focal);
  const up = scale(c.up, (c.y - y) / c.focal);
  return add(c.forward, add(across, up));
}

/**
 * The view that a hand changes: the one that is set, with distance and target of
 * the last picture where those are left to fit the rig. Angles are never the
 * picture's, since hands may be quicker than pictures.
 * @template {{distance: number, target: Vector}} V
 * @param {V} set
 * @param {{distance: number, target: Vector}|undefined} drawn
 * @returns {V}
 */
export const held = (set, drawn) => (set.distance > 0 || !drawn ? set : { ...set, distance: drawn.distance, target: drawn.target });

/** @typedef {{centre: Vector, radius: number}} Ball */

/**
 * The least distance and the target from which all the balls are in the picture
 * of the given size.
 *
 * Each side of the picture is a plane through the eye. A ball is inside where its
 * centre is at least its radius from the plane. For the two planes left and right
 * that gives least values of a - b and a + b, where a is the eye's way back and b
 * its way aside; above and below alike.
 * @param {Ball[]} balls
 * @param {{yaw: number, pitch: number}} view
 * @param {number} width  px of the frame
 * @param {number} height px of the frame
 * @returns {{distance: number, target: Vector}}
 */
export function fit(balls, view, width, height) {
  if (balls.length === 0) {
    return { distance: 1000, target: [0, 0, 0] };
  }
  const axes = frame(view.yaw, view.pitch);
  const forward = axes[2];
  const tangent = Math.tan((fieldOfView * Math.PI) / 360);
  const across = span(balls, axes[0], forward, tangent * (width / height));
  const along = span(balls, axes[1], forward, tangent);
  const back = Math.max(across.back, along.back);
  // The target lies in the middle of the rig's depth, so that it is what turns.
  const near = Math.min(...balls.map((b) => dot(b.centre, forward) - b.radius));
  const far = Math.max(...balls.map((b) => dot(b.centre, forward) + b.radius));
  const middle = (near + far) / 2;
  const distance = Math.min(Math.max(middle + back, nearest), farthest);
  const target = add(add(scale(axes[0], across.aside), scale(axes[1], along.aside)), scale(forward, middle));
  return { distance, target };
}

/**
 * @param {Ball[]} balls
 * @param {Vector} side
 * @param {Vector} forward
 * @param {number} tangent of half the angle
 */
function span(balls, side, forward, tangent) {
  const s = tangent / Math.hypot(1, tangent), c = 1 / Math.hypot(1, tangent);
  let plus = -Infinity, minus = -Infinity;
  for (const { centre, radius } of balls) {
    const aside = dot(centre, side), depth = dot(centre, forward);
    plus = Math.max(plus, (radius + c * aside) / s - depth);
    minus = Math.max(minus, (radius - c * aside) / s - depth);
  }
  return { back: (plus + minus) / 2, aside: ((plus - minus) * s) / (2 * c) };
}

/**
 * @template {{yaw: number, pitch: number}} V
 * @param {V} view
 * @param {number} yaw   deg to the left
 * @param {number} pitch deg up
 * @returns {V}
 */
export const orbit = (view, yaw, pitch) => ({
  ...view,
  yaw: wrap(view.yaw + yaw),
  pitch: Math.min(Math.max(view.pitch + pitch, lowest), highest),
});

/**
 * @template {{distance: number}} V
 * @param {V} view
 * @param {number} factor over 1 goes nearer
 * @returns {V}
 */
export const approach = (view, factor) => ({
  ...view,
  distance: Math.min(Math.max(view.distance / factor, nearest), farthest),
});

/**
 * Moves the picture by px at the target's depth.
 * @template {{yaw: number, pitch: number, distance: number, target: Vector}} V
 * @param {V} view
 * @param {number} dx px to the right
 * @param {number} dy px down
 * @param {number} focal px
 * @returns {V}
 */
export function shift(view, dx, dy, focal) {
  const [right, up] = frame(view.yaw, view.pitch);
  const k = view.distance / focal;
  return { ...view, target: add(view.target, add(scale(right, -dx * k), scale(up, dy * k))) };
}
