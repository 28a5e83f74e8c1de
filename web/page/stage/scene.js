// What is to be drawn of a rig: lines of ink, each exactly as far as it is seen.
//
// All solids are convex and a line of sight meets them in closed form. So no
// faces are sorted and no picture has a depth for each of its points: every line
// is followed along the solid's surface, points that another solid hides are left
// out, and the end of each visible run is found by halving. Solids that stand in
// each other are right too, with the seam where they meet. The lines are as sharp
// as the screen, and nothing but a canvas is needed.

import { apply, inverse, multiply, origin, turn, unit, add, scale } from "./matrix.js";
import { project } from "./camera.js";
import { boxCorners, boxEdges, boxFaces, entry, halves, level, middle, patches, reach } from "./solids.js";
import { hull, within } from "./hull.js";

/** @typedef {import("../types.js").Solid} Solid */
/** @typedef {import("../types.js").Vector} Vector */
/** @typedef {import("./matrix.js").Matrix} Matrix */
/** @typedef {import("./camera.js").Camera} Camera */
/** @typedef {import("./hull.js").Point} Point */

/**
 * A solid in its place.
 * @typedef {object} Body
 * @property {Solid} solid
 * @property {Matrix} world   of its joint
 * @property {number} joint   index
 * @property {boolean} marked drawn in the colour of findings
 * @property {number} lit     0 to 1 for a lamp, -1 for what is none
 */

/**
 * A body and all that is worked out of it once a picture.
 * @typedef {object} Piece
 * @property {Body} body
 * @property {Solid} solid
 * @property {Matrix} world
 * @property {Matrix} back     from the world into its own frame
 * @property {Vector} eye      in its own frame
 * @property {Vector} light    in its own frame, a unit vector towards the light
 * @property {number} left     px of what holds its picture
 * @property {number} right
 * @property {number} top
 * @property {number} bottom
 * @property {boolean} seen    wholly before the eye
 * @property {Piece[]} others  the pieces that may hide some of it
 */

/**
 * Lines: x and y in turn, and two NaN where the pen is lifted.
 * @typedef {number[]} Lines
 */

/**
 * Lines by their weight.
 * @typedef {{outline: Lines, edge: Lines, hatch: Lines, shade: Lines}} Ink
 */

/**
 * A body that is not plain paper, with the figures of what stands before it and
 * the share of it that is seen.
 * @typedef {{piece: Piece, figure: Point[], before: Point[][], seen: number}} Tint
 */

/**
 * @typedef {object} Drawing
 * @property {Piece[]} pieces
 * @property {Point[][]} bodies   figures to be filled with paper
 * @property {Tint[]} tints  marked bodies and lamps, far ones first
 * @property {Ink} ink
 * @property {Ink} iron           of the marked bodies
 * @property {Ink} ground         of what all stands on
 */

/**
 * @typedef {object} Look
 * @property {Camera} camera
 * @property {Vector} light     a unit vector towards the light
 * @property {number} grain     mm between two lines of hatching
 * @property {number} ground     joint of the ground, or -1
 * @property {boolean} chalk    light lines on dark: they stand where light falls
 */

/** @returns {Ink} */
const freshInk = () => ({ outline: [], edge: [], hatch: [], shade: [] });

/**
 * @param {Body[]} bodies
 * @param {Look} look
 * @returns {Drawing}
 */
export function drawScene(bodies, look) {
  const pieces = bodies.filter((b) => b.solid.shape !== "").map((b) => pieceOf(b, look));
  const seen = pieces.filter((p) => p.seen);
  for (const p of seen) p.others = seen.filter((q) => q !== p && overlap(p, q));
  const drawing = { pieces: seen, bodies: seen.map((p) => figureOf(p, look.camera)), tints: tints(seen, look), ink: freshInk(), iron: freshInk(), ground: freshInk() };
  for (const p of seen) drawPiece(p, look, p.body.joint === look.ground ? drawing.ground : p.body.marked ? drawing.iron : drawing.ink);
  drawSeams(seen, look, drawing);
  return drawing;
}

/** @param {Body} body @param {Look} look @returns {Piece} */
function pieceOf(body, look) {
  const back = inverse(body.world);
  const piece = {
    body, solid: body.solid, world: body.world, back,
    eye: apply(back, look.camera.eye), light: turn(back, look.light),
    left: Infinity, right: -Infinity, top: Infinity, bottom: -Infinity, seen: true, others: [],
  };
  const [x, y, z] = halves(body.solid);
  const centre = middle(body.solid);
  for (let k = 0; k < 8; k++) {
    const corner = /** @type {Vector} */ ([k & 1 ? x : -x, k & 2 ? y : -y, (k & 4 ? z : -z) + centre[2]]);
    const p = project(look.camera, apply(body.world, corner));
    if (p[2] < 1) piece.seen = false;
    piece.left = Math.min(piece.left, p[0]);
    piece.right = Math.max(piece.right, p[0]);
    piece.top = Math.min(piece.top, p[1]);
    piece.bottom = Math.max(piece.bottom, p[1]);
  }
  return piece;
}

/** @param {Piece} p @param {Piece} q */
const overlap = (p, q) => p.left < q.right && q.left < p.right && p.top < q.bottom && q.top < p.bottom;

/**
 * Whether one of the pieces stands between the eye and a point.
 * @param {Piece[]} pieces
 * @param {Vector} p
 * @param {number} x px of its picture
 * @param {number} y px
 * @param {number} slack share of the way that does not count, since lines lie on surfaces
 */
function hidden(pieces, p, x, y, slack) {
  for (const q of pieces) {
    if (x < q.left || x > q.right || y < q.top || y > q.bottom) continue;
    const m = q.back, e = q.eye;
    /** @type {Vector} */
    const way = [
      m[0] * p[0] + m[1] * p[1] + m[2] * p[2] + m[3] - e[0],
      m[4] * p[0] + m[5] * p[1] + m[6] * p[2] + m[7] - e[1],
      m[8] * p[0] + m[9] * p[1] + m[10] * p[2] + m[11] - e[2],
    ];
    const t = entry(q.solid, e, way);
    if (t > 0 && t < 1 - slack) return true;
  }
  return false;
}

/** Share of the way to a point that a hiding surface must be before it: a third of a px seen from the side. */
const slackOf = (/** @type {Look} */ look) => 0.35 / look.camera.focal;

/**
 * @typedef {object} Line
 * @property {(u: number) => Vector} at  a point for u from 0 to 1, in the piece's frame
 * @property {number} steps              how many parts it is looked at in
 * @property {boolean} [straight]        only the ends of what is seen are needed
 * @property {(p: Vector) => number} pen  which of the pens draws there, or -1
 */

/**
 * Follows a line and draws what is seen of it.
 * @param {Piece} piece
 * @param {Piece[]} others what may hide it
 * @param {Look} look
 * @param {Line} line
 * @param {Lines[]} pens
 */
function follow(piece, others, look, line, pens) {
  const slack = slackOf(look);
  let x = 0, y = 0;
  /** @param {Vector} own leaves the picture of a point in x and y @returns {Vector} the point in the world */
  const place = (own) => {
    const p = apply(piece.world, own);
    [x, y] = project(look.camera, p);
    return p;
  };
  /** @param {number} u @returns {number} the pen that is down there, or -1; where there is one, x and y are the point's picture */
  const penAt = (u) => {
    const own = line.at(u);
    const pen = line.pen(own);
    return pen >= 0 && hidden(others, place(own), x, y, slack) ? -1 : pen;
  };
  let pen = penAt(0);
  if (pen >= 0) pens[pen].push(NaN, NaN, x, y);
  for (let k = 1; k <= line.steps; k++) {
    const next = penAt(k / line.steps);
    const endX = x, endY = y;
    if (next !== pen) {
      place(line.at(change(penAt, (k - 1) / line.steps, k / line.steps, pen)));
      if (pen >= 0) pens[pen].push(x, y);
      if (next >= 0) pens[next].push(NaN, NaN, x, y, endX, endY);
    } else if (next >= 0 && (!line.straight || k === line.steps)) {
      pens[next].push(endX, endY);
    }
    if (line.straight && next >= 0 && next !== pen && k < line.steps) {
      pens[next].length -= 2; // the run's end takes its place
    }
    pen = next;
  }
}

/**
 * Where the pen changes, to a 64th of a step.
 * @param {(u: number) => number} penAt
 * @param {number} from
 * @param {number} to
 * @param {number} pen that is down at from
 */
function change(penAt, from, to, pen) {
  for (let k = 0; k < 6; k++) {
    const half = (from + to) / 2;
    if (penAt(half) === pen) from = half;
    else to = half;
  }
  return (from + to) / 2;
}

/** @param {Piece} piece @param {Look} look @param {Ink} ink */
function drawPiece(piece, look, ink) {
  switch (piece.solid.shape) {
    case "sphere": return drawBall(piece, look, ink);
    case "cylinder": return drawCylinder(piece, look, ink);
    case "box": return drawBox(piece, look, ink);
  }
}

/** Parts that a line of so many mm is looked at in: one every 7 px or so. */
const steps = (/** @type {number} */ mm, /** @type {Look} */ look) => Math.min(Math.max(Math.ceil(mm / (look.grain * 1.6)), 2), 160);

/**
 * How dark a place is, by the cosine between its normal and the light: 1 is the
 * darkest. A lamp's own light takes the shade away.
 * @param {Piece} piece
 * @param {number} cosine
 * @param {Look} look
 */
function darkness(piece, cosine, look) {
  let dark = (1 - cosine) / 2;
  if (look.chalk) dark = 0.72 - dark;
  if (piece.body.marked) dark += 0.2;
  if (piece.body.lit >= 0) dark += look.chalk ? piece.body.lit * 0.7 - 0.25 : 0.3 - piece.body.lit;
  return dark;
}

/**
 * From which darkness on every fourth line of hatching is drawn, every other one,
 * all; and from which on they have more ink.
 */
const tones = [0.2, 0.32, 0.46], heavy = 0.62;

/** @param {number} k number of a line of hatching @returns {number} the darkness from which on it is drawn */
const toneOf = (k) => (k % 2 ? tones[2] : k % 4 ? tones[1] : tones[0]);

/** @param {number} dark @param {number} k @returns {number} 0 hatch, 1 shade, -1 none */
function penOf(dark, k) {
  if (dark < toneOf(k)) return -1;
  return dark > heavy ? 1 : 0;
}

/** @param {Piece} piece @param {Look} look @param {Ink} ink */
function drawBall(piece, look, ink) {
  const r = piece.solid.size[0];
  if (!(r > 0)) return;
  const ring = outlineOf(piece.eye, r);
  follow(piece, piece.others, look, { at: ring, steps: steps(6 * r, look), pen: () => 0 }, [ink.outline]);
  const count = Math.min(Math.max(Math.round((Math.PI * r) / look.grain), 6), 90);
  for (let k = 1; k < count; k++) {
    const up = Math.PI * (k / count - 0.5);
    const flat = r * Math.cos(up), z = r * Math.sin(up);
    follow(piece, piece.others, look, {
      at: (u) => [flat * Math.cos(2 * Math.PI * u), flat * Math.sin(2 * Math.PI * u), z],
      steps: Math.max(steps(6 * flat, look), 12),
      pen: (p) => {
        if (p[0] * piece.eye[0] + p[1] * piece.eye[1] + p[2] * piece.eye[2] < r * r) return -1;
        const cosine = (p[0] * piece.light[0] + p[1] * piece.light[1] + p[2] * piece.light[2]) / r;
        return penOf(darkness(piece, cosine, look), k);
      },
    }, [ink.hatch, ink.shade]);
  }
}

/**
 * The circle at which sight touches a ball about the origin: from D away, r/D of
 * the radius towards the eye.
 * @param {Vector} eye
 * @param {number} r
 * @returns {(u: number) => Vector}
 */
export function outlineOf(eye, r) {
  const d = Math.hypot(eye[0], eye[1], eye[2]);
  const towards = unit(eye);
  const aside = unit(Math.abs(towards[2]) < 0.9 ? [-towards[1], towards[0], 0] : [0, -towards[2], towards[1]]);
  const third = /** @type {Vector} */ ([
    towards[1] * aside[2] - towards[2] * aside[1],
    towards[2] * aside[0] - towards[0] * aside[2],
    towards[0] * aside[1] - towards[1] * aside[0],
  ]);
  const share = Math.min(r / Math.max(d, 1e-9), 1);
  const centre = scale(towards, r * share), wide = r * Math.sqrt(1 - share * share);
  return (u) => {
    const c = wide * Math.cos(2 * Math.PI * u), s = wide * Math.sin(2 * Math.PI * u);
    return add(centre, add(scale(aside, c), scale(third, s)));
  };
}

/**
 * The angles between which a cylinder's side faces the eye: the middle of the
 * arc and half of it; 0 where the eye is over the end.
 * @param {Vector} eye
 * @param {number} r
 */
export function facing(eye, r) {
  const away = Math.hypot(eye[0], eye[1]);
  return { middle: Math.atan2(eye[1], eye[0]), half: away > r ? Math.acos(r / away) : 0 };
}

/** @param {Piece} piece @param {Look} look @param {Ink} ink */
function drawCylinder(piece, look, ink) {
  const [r, h] = piece.solid.size;
  if (!(r > 0)) return;
  const arc = facing(piece.eye, r);
  for (const z of [0, h]) {
    const open = z === 0 ? piece.eye[2] < 0 : piece.eye[2] > h;
    const front = open && arc.half > 0 ? ink.edge : ink.outline;
    if (arc.half > 0) drawArc(piece, look, r, z, arc.middle - arc.half, 2 * arc.half, front);
    if (open) drawArc(piece, look, r, z, arc.middle + arc.half, 2 * Math.PI - 2 * arc.half, ink.outline);
    if (open) hatchEnd(piece, look, z, ink);
  }
  if (arc.half === 0) return;
  for (const angle of [arc.middle - arc.half, arc.middle + arc.half]) {
    const x = r * Math.cos(angle), y = r * Math.sin(angle);
    follow(piece, piece.others, look, { at: (u) => [x, y, h * u], steps: steps(h, look), straight: true, pen: () => 0 }, [ink.outline]);
  }
  hatchSide(piece, look, arc, ink);
}

/** @param {Piece} piece @param {Look} look @param {number} r @param {number} z @param {number} from @param {number} by @param {Lines} lines */
function drawArc(piece, look, r, z, from, by, lines) {
  follow(piece, piece.others, look, {
    at: (u) => [r * Math.cos(from + by * u), r * Math.sin(from + by * u), z],
    steps: Math.max(steps(r * by, look), 10),
    pen: () => 0,
  }, [lines]);
}

/** @param {Piece} piece @param {Look} look @param {{middle: number, half: number}} arc @param {Ink} ink */
function hatchSide(piece, look, arc, ink) {
  const [r, h] = piece.solid.size;
  const count = 2 * Math.min(Math.max(Math.round((Math.PI * r) / look.grain), 6), 180);
  for (let k = 0; k < count; k++) {
    const angle = (2 * Math.PI * k) / count;
    const c = Math.cos(angle), s = Math.sin(angle);
    if (Math.cos(angle - arc.middle) < Math.cos(arc.half)) continue;
    const pen = penOf(darkness(piece, c * piece.light[0] + s * piece.light[1], look), k);
    if (pen < 0) continue;
    follow(piece, piece.others, look, { at: (u) => [r * c, r * s, h * u], steps: steps(h, look), straight: true, pen: () => pen }, [ink.hatch, ink.shade]);
  }
}

/** @param {Piece} piece @param {Look} look @param {number} z @param {Ink} ink */
function hatchEnd(piece, look, z, ink) {
  const r = piece.solid.size[0];
  const dark = darkness(piece, z > 0 ? piece.light[2] : -piece.light[2], look);
  const count = Math.floor(r / look.grain);
  for (let k = -count; k <= count; k++) {
    const y = k * look.grain;
    const half = Math.sqrt(Math.max(r * r - y * y, 0));
    hatchLine(piece, look, [-half, y, z], [half, y, z], dark, Math.abs(k), ink);
  }
}

/**
 * A line of hatching over an even face. It grows from one end as the face turns
 * into the shade, so that no line comes or goes at once.
 * @param {Piece} piece
 * @param {Look} look
 * @param {Vector} a
 * @param {Vector} b
 * @param {number} dark
 * @param {number} k
 * @param {Ink} ink
 */
function hatchLine(piece, look, a, b, dark, k, ink) {
  const grown = Math.min((dark - toneOf(k)) / 0.06, 1);
  if (grown <= 0) return;
  const mm = Math.hypot(b[0] - a[0], b[1] - a[1], b[2] - a[2]) * grown;
  const pen = dark > heavy ? 1 : 0;
  follow(piece, piece.others, look, {
    at: (u) => [a[0] + (b[0] - a[0]) * u * grown, a[1] + (b[1] - a[1]) * u * grown, a[2] + (b[2] - a[2]) * u * grown],
    steps: steps(mm, look), straight: true, pen: () => pen,
  }, [ink.hatch, ink.shade]);
}

/** Normals of a box's faces, in the order of boxFaces. */
/** @type {Vector[]} */
const normals = [[0, 0, -1], [0, 0, 1], [0, -1, 0], [0, 1, 0], [1, 0, 0], [-1, 0, 0]];

/** @param {Piece} piece @param {Look} look @param {Ink} ink */
function drawBox(piece, look, ink) {
  const half = halves(piece.solid);
  const open = normals.map((n) => n.some((v, i) => v * piece.eye[i] > half[i]));
  const all = boxCorners(piece.solid);
  for (const { from, to, left, right } of boxEdges) {
    if (!open[left] && !open[right]) continue;
    const a = all[from], b = all[to];
    follow(piece, piece.others, look, {
      at: (u) => [a[0] + (b[0] - a[0]) * u, a[1] + (b[1] - a[1]) * u, a[2] + (b[2] - a[2]) * u],
      steps: steps(Math.hypot(b[0] - a[0], b[1] - a[1], b[2] - a[2]), look), straight: true, pen: () => 0,
    }, [open[left] && open[right] ? ink.edge : ink.outline]);
  }
  boxFaces.forEach((face, f) => {
    if (open[f]) hatchFace(piece, look, face.map((i) => all[i]), normals[f], ink);
  });
}

/** Lines along the longer edge. @param {Piece} piece @param {Look} look @param {Vector[]} face @param {Vector} normal @param {Ink} ink */
function hatchFace(piece, look, face, normal, ink) {
  const light = piece.light;
  const dark = darkness(piece, normal[0] * light[0] + normal[1] * light[1] + normal[2] * light[2], look);
  if (dark < tones[0] || piece.body.joint === look.ground && look.chalk) return;
  let [o, p, , q] = face;
  const one = Math.hypot(p[0] - o[0], p[1] - o[1], p[2] - o[2]);
  const other = Math.hypot(q[0] - o[0], q[1] - o[1], q[2] - o[2]);
  if (one < other) [p, q] = [q, p];
  const across = Math.min(one, other);
  const count = Math.min(Math.max(Math.round(across / look.grain), 2), 120);
  for (let k = 1; k < count; k++) {
    const v = k / count;
    /** @type {Vector} */
    const a = [o[0] + (q[0] - o[0]) * v, o[1] + (q[1] - o[1]) * v, o[2] + (q[2] - o[2]) * v];
    hatchLine(piece, look, a, [a[0] + p[0] - o[0], a[1] + p[1] - o[1], a[2] + p[2] - o[2]], dark, k + 1, ink);
  }
}

// Seams: where one solid stands in another.

/** How far in mm a surface must reach into another to count: less is a touch. */
const touch = 0.02;

/** Seams that have been found, each with the motion from the first frame into the second for which it holds. */
/** @type {WeakMap<Solid, Map<Solid, {into: Matrix, lines: Vector[][]}>>} */
const seams = new WeakMap();

/** @param {Piece[]} pieces @param {Look} look @param {Drawing} drawing */
function drawSeams(pieces, look, drawing) {
  pieces.forEach((a, i) => {
    for (let j = i + 1; j < pieces.length; j++) {
      const b = pieces[j];
      if (!near(a, b)) continue;
      const [one, other] = rank(a) >= rank(b) ? [a, b] : [b, a];
      const pen = a.body.marked && b.body.marked ? drawing.iron.edge : drawing.ink.edge;
      // Both have to be asked as well: a seam goes round to their far sides.
      const may = [...new Set([one, other, ...one.others, ...other.others])];
      for (const line of seamOf(one, other)) {
        const [p, q] = line;
        follow(one, may, look, {
          at: (u) => [p[0] + (q[0] - p[0]) * u, p[1] + (q[1] - p[1]) * u, p[2] + (q[2] - p[2]) * u],
          steps: 1, pen: () => 0,
        }, [pen]);
      }
    }
  });
}

/** Round solids have the better surface to find a seam on. */
const rank = (/** @type {Piece} */ p) => ({ sphere: 2, cylinder: 1, box: 0, "": 0 })[p.solid.shape] - p.solid.size[0] * 1e-6;

/** @param {Piece} a @param {Piece} b */
function near(a, b) {
  if (!overlap(a, b)) return false;
  const p = apply(a.world, middle(a.solid)), q = apply(b.world, middle(b.solid));
  return Math.hypot(p[0] - q[0], p[1] - q[1], p[2] - q[2]) < reach(a.solid) + reach(b.solid);
}

/**
 * The seam on the surface of a, kept for as long as b does not move on it.
 * @param {Piece} a
 * @param {Piece} b
 */
function seamOf(a, b) {
  const into = multiply(b.back, a.world);
  let kept = seams.get(a.solid);
  if (!kept) seams.set(a.solid, (kept = new Map()));
  const old = kept.get(b.solid);
  if (old?.into.every((v, k) => Math.abs(v - into[k]) < 1e-5)) return old.lines;
  const lines = findSeam(a.solid, b.solid, (p) => apply(into, p));
  kept.set(b.solid, { into, lines });
  return lines;
}

/**
 * Where the surface of one solid passes through that of another: short lines
 * over the cells of its patches, their ends found by halving.
 * @param {Solid} a
 * @param {Solid} b
 * @param {(p: Vector) => Vector} into from a's frame into b's
 * @returns {Vector[][]}
 */
export function findSeam(a, b, into) {
  /** @type {Vector[][]} */
  const out = [];
  for (const { at, cells } of patches(a)) {
    const [nu, nv] = cells;
    const depth = (/** @type {number} */ u, /** @type {number} */ v) => level(b, into(at(u, v))) + touch;
    const grid = depths(nu, nv, (2 * Math.PI * reach(a)) / nu, depth);
    for (let v = 0; v < nv; v++) {
      for (let u = 0; u < nu; u++) {
        const k = v * (nu + 1) + u;
        const values = [grid[k], grid[k + 1], grid[k + nu + 2], grid[k + nu + 1]];
        if (values.every((d) => d >= 0) || values.every((d) => d < 0)) continue;
        const ends = crossings(values, u / nu, v / nv, 1 / nu, 1 / nv, depth).map(([x, y]) => at(x, y));
        for (let e = 0; e + 1 < ends.length; e += 2) out.push([ends[e], ends[e + 1]]);
      }
    }
  }
  return out;
}

/**
 * The depths at the corners of cells, row by row, as far as their signs go. A level never
 * changes by more than the point moves: what is farther from the surface than some
 * corners' way has the same sign at all of them.
 * @param {number} nu
 * @param {number} nv
 * @param {number} way  from corner to corner of a row, at most: no row is longer than round the solid
 * @param {(u: number, v: number) => number} depth
 * @returns {Float64Array}
 */
function depths(nu, nv, way, depth) {
  const grid = new Float64Array((nu + 1) * (nv + 1));
  for (let v = 0; v <= nv; v++) {
    for (let u = 0, d = 0; u <= nu;) {
      d = depth(u / nu, v / nv);
      const same = Math.min(nu, u + Math.max(0, Math.ceil(Math.abs(d) / way) - 1));
      for (; u <= same; u++) grid[v * (nu + 1) + u] = d;
    }
  }
  return grid;
}

/**
 * Where a cell's border changes sides, in order round the cell.
 * @param {number[]} values at its corners
 * @param {number} u
 * @param {number} v
 * @param {number} du
 * @param {number} dv
 * @param {(u: number, v: number) => number} depth
 * @returns {Point[]}
 */
function crossings(values, u, v, du, dv, depth) {
  /** @type {Point[]} */
  const corner = [[u, v], [u + du, v], [u + du, v + dv], [u, v + dv]];
  /** @type {Point[]} */
  const out = [];
  for (let k = 0; k < 4; k++) {
    const next = (k + 1) % 4;
    if (values[k] < 0 === values[next] < 0) continue;
    let from = corner[k], to = corner[next];
    for (let n = 0; n < 10; n++) {
      /** @type {Point} */
      const half = [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2];
      if (depth(half[0], half[1]) < 0 === values[k] < 0) from = half;
      else to = half;
    }
    out.push([(from[0] + to[0]) / 2, (from[1] + to[1]) / 2]);
  }
  return out;
}

// Figures: the outer shape of a picture.

const around = 28;

/**
 * The outer shape of a solid's picture. A point behind the eye gives none.
 * @param {{solid: Solid, world: Matrix, eye: Vector}} piece
 * @param {Camera} c
 * @returns {Point[]}
 */
export function figureOf(piece, c) {
  const points = rimOf(piece.solid, piece.eye).map((p) => project(c, apply(piece.world, p)));
  if (points.some((p) => p[2] < 1)) return [];
  return hull(points.map((p) => [p[0], p[1]]));
}

/** Points whose hull has the solid's shape, seen from an eye. @param {Solid} solid @param {Vector} eye @returns {Vector[]} */
function rimOf(solid, eye) {
  const [a = 0, b = 0] = solid.size;
  const round = Array.from({ length: around }, (_, k) => k / around);
  switch (solid.shape) {
    case "sphere": return round.map(outlineOf(eye, a));
    case "cylinder": return round.flatMap((u) => {
      const x = a * Math.cos(2 * Math.PI * u), y = a * Math.sin(2 * Math.PI * u);
      return /** @type {Vector[]} */ ([[x, y, 0], [x, y, b]]);
    });
    case "box": return boxCorners(solid);
    default: return [];
  }
}

/**
 * The outer shape of a solid that is not part of the drawing: a ghost or a skin.
 * @param {Solid} solid
 * @param {Matrix} world
 * @param {Camera} c
 */
export const figureAt = (solid, world, c) => figureOf({ solid, world, eye: apply(inverse(world), c.eye) }, c);

/**
 * Marked bodies and lamps, far ones first.
 * @param {Piece[]} pieces
 * @param {Look} look
 * @returns {Tint[]}
 */
function tints(pieces, look) {
  const depth = (/** @type {Piece} */ p) => project(look.camera, apply(p.world, middle(p.solid)))[2];
  const own = pieces.filter((p) => p.body.marked || p.body.lit >= 0);
  return own.sort((p, q) => depth(q) - depth(p)).map((piece) => ({
    piece,
    figure: figureOf(piece, look.camera),
    seen: seenShare(piece, look.camera),
    before: piece.others.filter((q) => before(q, piece, look.camera)).map((q) => figureOf(q, look.camera)),
  }));
}

/** Whether one piece covers more of the other than the other covers of it. @param {Piece} a @param {Piece} b @param {Camera} c */
function before(a, b, c) {
  const left = Math.max(a.left, b.left), right = Math.min(a.right, b.right);
  const top = Math.max(a.top, b.top), bottom = Math.min(a.bottom, b.bottom);
  let score = 0;
  for (let k = 0; k < 25; k++) {
    const x = left + ((right - left) * ((k % 5) + 0.5)) / 5, y = top + ((bottom - top) * (Math.floor(k / 5) + 0.5)) / 5;
    const one = depthAt(a, c, x, y), other = depthAt(b, c, x, y);
    if (one < Infinity && other < Infinity) score += one < other ? 1 : -1;
  }
  return score > 0;
}

/** @param {Piece} p @param {Camera} c @param {number} x px @param {number} y px */
function depthAt(p, c, x, y) {
  const k = (x - c.x) / c.focal, j = (c.y - y) / c.focal;
  /** @type {Vector} */
  const way = [
    c.forward[0] + c.right[0] * k + c.up[0] * j,
    c.forward[1] + c.right[1] * k + c.up[1] * j,
    c.forward[2] + c.right[2] * k + c.up[2] * j,
  ];
  const t = entry(p.solid, p.eye, turn(p.back, way));
  return t > 0 ? t : Infinity;
}

/**
 * The piece under a point of the picture.
 * @param {Piece[]} pieces
 * @param {Camera} c
 * @param {number} x px
 * @param {number} y px
 * @returns {Piece|null}
 */
export function pieceAt(pieces, c, x, y) {
  let best = null, least = Infinity;
  for (const p of pieces) {
    const t = depthAt(p, c, x, y);
    if (t < least) [best, least] = [p, t];
  }
  return best;
}

/**
 * How much of a piece's picture is not hidden, 0 to 1, by a look at a few points.
 * @param {Piece} piece
 * @param {Camera} c
 */
export function seenShare(piece, c) {
  let all = 0, seen = 0;
  for (let k = 0; k < 25; k++) {
    const x = piece.left + ((piece.right - piece.left) * ((k % 5) + 0.5)) / 5;
    const y = piece.top + ((piece.bottom - piece.top) * (Math.floor(k / 5) + 0.5)) / 5;
    const depth = depthAt(piece, c, x, y);
    if (depth === Infinity) continue;
    all++;
    if (piece.others.every((q) => depthAt(q, c, x, y) >= depth)) seen++;
  }
  return all > 0 ? seen / all : 0;
}

// The ground, and the shadows on it.

/**
 * Where the rig stands: a height, and the corners that bound it.
 * @typedef {{z: number, corners: Point[], joint: number}} Ground
 */

/**
 * The ground of a rig at rest: the top of a flat box on which all else stands, if
 * there is one that no axis moves, else a square under everything.
 * @param {Body[]} bodies at rest
 * @param {(joint: number) => boolean} still whether no axis moves a joint
 * @returns {Ground}
 */
export function groundOf(bodies, still) {
  const solids = bodies.filter((b) => b.solid.shape !== "");
  for (const b of solids) {
    const [x, y, z] = halves(b.solid);
    const top = b.world[11] + z;
    const level = b.solid.shape === "box" && b.world[10] > 0.999999 && still(b.joint) && z < Math.min(x, y) / 4;
    if (level && solids.every((o) => o === b || apply(o.world, middle(o.solid))[2] >= top)) {
      const corners = /** @type {Point[]} */ ([[-x, -y], [x, -y], [x, y], [-x, y]].map(([u, v]) => apply(b.world, [u, v, z]).slice(0, 2)));
      return { z: top, corners, joint: b.joint };
    }
  }
  return { z: Math.min(...solids.map(lowest), Infinity), corners: square(solids), joint: -1 };
}

/** @param {Body} b @returns {number} mm, the height of its lowest point */
function lowest(b) {
  const [x, y, z] = halves(b.solid);
  const m = b.world, centre = apply(m, middle(b.solid))[2];
  switch (b.solid.shape) {
    case "sphere": return centre - x;
    case "cylinder": return centre - x * Math.hypot(m[8], m[9]) - z * Math.abs(m[10]);
    default: return centre - x * Math.abs(m[8]) - y * Math.abs(m[9]) - z * Math.abs(m[10]);
  }
}

/** @param {Body[]} solids @returns {Point[]} a square under all of them, to the next 100 mm */
function square(solids) {
  let left = Infinity, right = -Infinity, back = Infinity, front = -Infinity;
  for (const b of solids) {
    const p = apply(b.world, middle(b.solid)), r = reach(b.solid) * 1.3;
    left = Math.min(left, p[0] - r);
    right = Math.max(right, p[0] + r);
    back = Math.min(back, p[1] - r);
    front = Math.max(front, p[1] + r);
  }
  const half = Math.ceil(Math.max(right - left, front - back, 1) / 200) * 100;
  const x = (left + right) / 2, y = (back + front) / 2;
  return [[x - half, y - half], [x + half, y - half], [x + half, y + half], [x - half, y + half]];
}

/**
 * The shadows of bodies on the ground, as figures in mm on it.
 * @param {Body[]} bodies
 * @param {Ground} ground
 * @param {Vector} light a unit vector towards the light, which is above
 * @returns {Point[][]}
 */
export function shadows(bodies, ground, light) {
  /** @type {Point[][]} */
  const out = [];
  for (const b of bodies) {
    if (b.solid.shape === "" || b.joint === ground.joint) continue;
    const far = apply(inverse(b.world), add(origin(b.world), scale(light, 1e6)));
    const fallen = rimOf(b.solid, far).map((p) => fall(apply(b.world, p), ground.z, light));
    const figure = within(hull(fallen), ground.corners);
    if (figure.length > 2) out.push(figure);
  }
  return out;
}

/** @param {Vector} p @param {number} z @param {Vector} light @returns {Point} where its shadow falls; what is below the ground casts it straight up */
function fall(p, z, light) {
  const k = Math.max(p[2] - z, 0) / light[2];
  return [p[0] - light[0] * k, p[1] - light[1] * k];
}
