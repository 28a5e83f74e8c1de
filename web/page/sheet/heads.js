// Note heads: the shape of a key says by which kind of ease the axis arrives
// there. Paths are lists of commands around the middle of the head.

/** @typedef {import("../types.js").Head} Head */

/**
 * Move to, line to, an ellipse of two radii around the middle, close.
 * @typedef {["M", number, number]|["L", number, number]|["O", number, number]|["Z"]} Command
 */

/**
 * @typedef {object} Shape
 * @property {Command[]} path
 * @property {"ink"|"paper"|null} fill
 * @property {number} line  width of the outline in ink; 0 for none
 */

/** @type {Head[]} */
export const heads = ["first", "eased", "spline", "straight", "stepped", "springy", "soonest"];

/** What the shapes mean, in the words of the legend. */
export const headNames = /** @type {Record<Head, string>} */ ({
  first: "first key", eased: "eased", spline: "spline", straight: "straight",
  stepped: "held or stepped", springy: "overshoots", soonest: "soonest",
});

/** @param {...number} xy @returns {Command[]} */
function polygon(...xy) {
  /** @type {Command[]} */
  const path = [];
  for (let k = 0; k < xy.length; k += 2) path.push([k === 0 ? "M" : "L", xy[k], xy[k + 1]]);
  return [...path, ["Z"]];
}

/** @param {...number} xy  two ends a line @returns {Command[]} */
function strokes(...xy) {
  /** @type {Command[]} */
  const path = [];
  for (let k = 0; k < xy.length; k += 2) path.push([k % 4 === 0 ? "M" : "L", xy[k], xy[k + 1]]);
  return path;
}

/**
 * The shape of a head whose height is about 2r.
 * @param {Head} head
 * @param {number} r  pixels
 * @returns {Shape}
 */
export function shapeOf(head, r) {
  const outline = 0.36 * r;
  switch (head) {
    case "first":
      return { path: strokes(0, -1.3 * r, 0, 1.3 * r), fill: null, line: 0.62 * r };
    case "spline":
      return { path: [["O", 1.05 * r, 0.9 * r]], fill: "paper", line: outline };
    case "straight":
      return { path: polygon(0, -1.2 * r, 1.2 * r, 0, 0, 1.2 * r, -1.2 * r, 0), fill: "paper", line: outline };
    case "stepped":
      return { path: polygon(-0.9 * r, -0.9 * r, 0.9 * r, -0.9 * r, 0.9 * r, 0.9 * r, -0.9 * r, 0.9 * r), fill: "ink", line: 0 };
    case "springy":
      return { path: polygon(0, -1.25 * r, 1.25 * r, 0.9 * r, -1.25 * r, 0.9 * r), fill: "ink", line: 0 };
    case "soonest":
      return { path: strokes(-r, -r, r, r, -r, r, r, -r), fill: null, line: 0.48 * r };
    default:
      return { path: [["O", 1.12 * r, 0.92 * r]], fill: "ink", line: 0 };
  }
}

/** How far a head reaches from its middle, in r, outline included. */
export const reach = 1.7;

/**
 * Puts a shape's path on a canvas at a place.
 * @param {Pick<CanvasRenderingContext2D, "moveTo"|"lineTo"|"ellipse"|"closePath">} c
 * @param {Command[]} path
 * @param {number} x
 * @param {number} y
 */
export function trace(c, path, x, y) {
  for (const command of path) {
    switch (command[0]) {
      case "M":
        c.moveTo(x + command[1], y + command[2]);
        break;
      case "L":
        c.lineTo(x + command[1], y + command[2]);
        break;
      case "O":
        c.moveTo(x + command[1], y);
        c.ellipse(x, y, command[1], command[2], 0, 0, 2 * Math.PI);
        break;
      case "Z":
        c.closePath();
    }
  }
}
