// The solids of a rig's drawing, each in its joint's own frame: a sphere and a
// box are centred on the joint's origin, a cylinder stands on it, along z (so
// that a tower stands on its ground and a neck on its shoulders).
//
// All three are convex, and a line of sight meets each in closed form. That is
// what the drawing is built on: whether a point is hidden is computed, not sorted.

/** @typedef {import("../types.js").Solid} Solid */
/** @typedef {import("../types.js").Vector} Vector */

/**
 * A closed polyhedron: faces are corners in order, anticlockwise from outside.
 * @typedef {{vertices: Vector[], faces: number[][]}} Mesh
 */

/** @param {Solid} solid @returns {[number, number, number]} half edges of the box that holds it */
export function halves(solid) {
  const [a = 0, b = 0, c = 0] = solid.size;
  switch (solid.shape) {
    case "sphere": return [a, a, a];
    case "box": return [a / 2, b / 2, c / 2];
    case "cylinder": return [a, a, b / 2];
    default: return [0, 0, 0];
  }
}

/** @param {Solid} solid @returns {Vector} its middle */
export const middle = (solid) => [0, 0, solid.shape === "cylinder" ? (solid.size[1] ?? 0) / 2 : 0];

/** @param {Solid} solid @returns {number} radius of the ball about its middle that holds it */
export function reach(solid) {
  const [x, y, z] = halves(solid);
  switch (solid.shape) {
    case "sphere": return x;
    case "cylinder": return Math.hypot(x, z);
    default: return Math.hypot(x, y, z);
  }
}

/**
 * How far a point is outside (over 0) or inside; not the true distance, but
 * zero on the surface and nowhere else.
 * @param {Solid} solid
 * @param {Vector} p
 */
export function level(solid, p) {
  const [a = 0, b = 0] = solid.size;
  switch (solid.shape) {
    case "sphere":
      return Math.hypot(p[0], p[1], p[2]) - a;
    case "cylinder":
      return Math.max(Math.hypot(p[0], p[1]) - a, -p[2], p[2] - b);
    case "box": {
      const [x, y, z] = halves(solid);
      return Math.max(Math.abs(p[0]) - x, Math.abs(p[1]) - y, Math.abs(p[2]) - z);
    }
    default:
      return Infinity;
  }
}

/**
 * Where the line o + t d enters the solid: the least t of its inside, also below
 * 0 where o itself is inside; Infinity where it misses.
 * @param {Solid} solid
 * @param {Vector} o
 * @param {Vector} d
 */
export function entry(solid, o, d) {
  switch (solid.shape) {
    case "sphere": return enterBall(o, d, solid.size[0]);
    case "cylinder": return enterCylinder(o, d, solid.size[0], solid.size[1]);
    case "box": return enterBox(o, d, solid.size);
    default: return Infinity;
  }
}

/** @param {Vector} o @param {Vector} d @param {number} r */
function enterBall(o, d, r) {
  const a = d[0] * d[0] + d[1] * d[1] + d[2] * d[2];
  const b = o[0] * d[0] + o[1] * d[1] + o[2] * d[2];
  const c = o[0] * o[0] + o[1] * o[1] + o[2] * o[2] - r * r;
  const inside = b * b - a * c;
  return inside <= 0 || a === 0 ? Infinity : (-b - Math.sqrt(inside)) / a;
}

/** @param {Vector} o @param {Vector} d @param {number} r @param {number} h */
function enterCylinder(o, d, r, h) {
  const a = d[0] * d[0] + d[1] * d[1];
  const b = o[0] * d[0] + o[1] * d[1];
  const c = o[0] * o[0] + o[1] * o[1] - r * r;
  let from = -Infinity, to = Infinity;
  if (a < 1e-300) {
    if (c >= 0) return Infinity;
  } else {
    const inside = b * b - a * c;
    if (inside <= 0) return Infinity;
    const root = Math.sqrt(inside);
    from = (-b - root) / a;
    to = (-b + root) / a;
  }
  if (d[2] === 0) {
    if (o[2] <= 0 || o[2] >= h) return Infinity;
  } else {
    const one = -o[2] / d[2], other = (h - o[2]) / d[2];
    from = Math.max(from, Math.min(one, other));
    to = Math.min(to, Math.max(one, other));
  }
  return from < to ? from : Infinity;
}

/** @param {Vector} o @param {Vector} d @param {number[]} edges */
function enterBox(o, d, edges) {
  let from = -Infinity, to = Infinity;
  for (let i = 0; i < 3; i++) {
    const half = edges[i] / 2;
    if (d[i] === 0) {
      if (Math.abs(o[i]) >= half) return Infinity;
      continue;
    }
    const one = (-half - o[i]) / d[i], other = (half - o[i]) / d[i];
    from = Math.max(from, Math.min(one, other));
    to = Math.min(to, Math.max(one, other));
  }
  return from < to ? from : Infinity;
}

/** Corners of a box with edges of 2, and its faces, anticlockwise from outside. */
/** @type {Vector[]} */
const corners = [
  [-1, -1, -1], [1, -1, -1], [1, 1, -1], [-1, 1, -1],
  [-1, -1, 1], [1, -1, 1], [1, 1, 1], [-1, 1, 1],
];
export const boxFaces = [
  [0, 3, 2, 1], [4, 5, 6, 7], [0, 1, 5, 4], [2, 3, 7, 6], [1, 2, 6, 5], [3, 0, 4, 7],
];

/** Edges of a box: two corners, and the two faces that meet there. */
export const boxEdges = edgesOf(boxFaces);

/**
 * The edges of a closed polyhedron.
 * @param {number[][]} faces
 * @returns {{from: number, to: number, left: number, right: number}[]}
 */
export function edgesOf(faces) {
  /** @type {Map<string, {from: number, to: number, left: number, right: number}>} */
  const seen = new Map();
  faces.forEach((face, f) => face.forEach((from, k) => {
    const to = face[(k + 1) % face.length];
    const back = seen.get(`${to}-${from}`);
    if (back) {
      back.right = f;
    } else {
      seen.set(`${from}-${to}`, { from, to, left: f, right: -1 });
    }
  }));
  return [...seen.values()];
}

/** @param {Solid} solid @returns {Vector[]} the eight corners of a box */
export function boxCorners(solid) {
  const [x, y, z] = halves(solid);
  return corners.map((c) => [c[0] * x, c[1] * y, c[2] * z]);
}

/**
 * A polyhedron with its corners on the solid's surface. A sphere and a cylinder
 * are divided around by the count, a sphere from pole to pole by half of it.
 * @param {Solid} solid
 * @param {number} count 4 or more, even
 * @returns {Mesh}
 */
export function meshOf(solid, count = 24) {
  switch (solid.shape) {
    case "sphere": return sphereMesh(solid.size[0], count);
    case "cylinder": return cylinderMesh(solid.size[0], solid.size[1], count);
    case "box": return { vertices: boxCorners(solid), faces: boxFaces };
    default: return { vertices: [], faces: [] };
  }
}

/** @param {number} r @param {number} count @returns {Mesh} */
function sphereMesh(r, count) {
  const rings = count / 2;
  /** @type {Vector[]} */
  const vertices = [[0, 0, -r]];
  for (let ring = 1; ring < rings; ring++) {
    const up = -Math.PI / 2 + (Math.PI * ring) / rings;
    for (let k = 0; k < count; k++) {
      const round = (2 * Math.PI * k) / count;
      vertices.push([r * Math.cos(up) * Math.cos(round), r * Math.cos(up) * Math.sin(round), r * Math.sin(up)]);
    }
  }
  const top = vertices.push([0, 0, r]) - 1;
  /** @type {(ring: number, k: number) => number} */
  const at = (ring, k) => (ring === 0 ? 0 : ring === rings ? top : 1 + (ring - 1) * count + (k % count));
  const faces = [];
  for (let ring = 0; ring < rings; ring++) {
    for (let k = 0; k < count; k++) {
      const face = [at(ring, k), at(ring, k + 1), at(ring + 1, k + 1), at(ring + 1, k)];
      faces.push(face.filter((corner, i) => corner !== face[(i + 1) % 4]));
    }
  }
  return { vertices, faces };
}

/** @param {number} r @param {number} h @param {number} count @returns {Mesh} */
function cylinderMesh(r, h, count) {
  /** @type {Vector[]} */
  const vertices = [];
  for (let k = 0; k < count; k++) {
    const round = (2 * Math.PI * k) / count;
    vertices.push([r * Math.cos(round), r * Math.sin(round), 0], [r * Math.cos(round), r * Math.sin(round), h]);
  }
  const ring = Array.from({ length: count }, (_, k) => 2 * k);
  const faces = [ring.slice().reverse(), ring.map((k) => k + 1)];
  for (const k of ring) {
    const next = (k + 2) % (2 * count);
    faces.push([k, next, next + 1, k + 1]);
  }
  return { vertices, faces };
}

/**
 * The volume inside a closed polyhedron: the sum of the tetrahedra between its
 * triangles and the origin (divergence theorem).
 * @param {Mesh} mesh
 */
export function volume(mesh) {
  let sum = 0;
  for (const face of mesh.faces) {
    const a = mesh.vertices[face[0]];
    for (let i = 1; i + 1 < face.length; i++) {
      const b = mesh.vertices[face[i]], c = mesh.vertices[face[i + 1]];
      sum += a[0] * (b[1] * c[2] - b[2] * c[1]) + a[1] * (b[2] * c[0] - b[0] * c[2]) + a[2] * (b[0] * c[1] - b[1] * c[0]);
    }
  }
  return sum / 6;
}

/**
 * A piece of a surface over the unit square; cells are how finely it has to be
 * looked at.
 * @typedef {{at: (u: number, v: number) => Vector, cells: [number, number]}} Patch
 */

/**
 * The surface of a solid in patches.
 * @param {Solid} solid
 * @returns {Patch[]}
 */
export function patches(solid) {
  const [a = 0, b = 0] = solid.size;
  const round = 2 * Math.PI;
  switch (solid.shape) {
    case "sphere":
      return [{
        cells: [24, 16],
        at: (u, v) => {
          const up = Math.PI * (v - 0.5);
          return [a * Math.cos(up) * Math.cos(round * u), a * Math.cos(up) * Math.sin(round * u), a * Math.sin(up)];
        },
      }];
    case "cylinder":
      return [
        { cells: [20, 8], at: (u, v) => [a * Math.cos(round * u), a * Math.sin(round * u), b * v] },
        { cells: [20, 5], at: (u, v) => [a * v * Math.cos(round * u), a * v * Math.sin(round * u), 0] },
        { cells: [20, 5], at: (u, v) => [a * v * Math.cos(round * u), a * v * Math.sin(round * u), b] },
      ];
    case "box": {
      const all = boxCorners(solid);
      return boxFaces.map((face) => {
        const [o, p, , q] = face.map((i) => all[i]);
        return { cells: /** @type {[number, number]} */ ([8, 8]), at: (/** @type {number} */ u, /** @type {number} */ v) => blend(o, p, q, u, v) };
      });
    }
    default:
      return [];
  }
}

/** @param {Vector} o @param {Vector} p @param {Vector} q @param {number} u @param {number} v @returns {Vector} */
const blend = (o, p, q, u, v) => [
  o[0] + (p[0] - o[0]) * u + (q[0] - o[0]) * v,
  o[1] + (p[1] - o[1]) * u + (q[1] - o[1]) * v,
  o[2] + (p[2] - o[2]) * u + (q[2] - o[2]) * v,
];
