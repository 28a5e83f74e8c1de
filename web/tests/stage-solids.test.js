import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { edgesOf, entry, halves, level, meshOf, middle, patches, reach, volume } from "../page/stage/solids.js";
import { area, hull, within } from "../page/stage/hull.js";

/** @typedef {import("../page/types.js").Solid} Solid */
/** @typedef {import("../page/types.js").Vector} Vector */

/** @type {Solid[]} */
const solids = [
  { shape: "sphere", size: [34] },
  { shape: "box", size: [700, 500, 10] },
  { shape: "cylinder", size: [60, 120] },
];

describe("meshes", () => {
  for (const solid of solids) {
    for (const count of [4, 8, 24]) {
      test(`${solid.shape} of ${count}: Euler's V - E + F = 2, each edge once in each direction`, () => {
        const { vertices, faces } = meshOf(solid, count);
        const edges = edgesOf(faces);
        assert.equal(vertices.length - edges.length + faces.length, 2);
        assert.ok(edges.every((e) => e.left >= 0 && e.right >= 0));
        const ways = faces.flatMap((f) => f.map((a, k) => `${a}-${f[(k + 1) % f.length]}`));
        assert.equal(new Set(ways).size, ways.length);
        assert.equal(ways.length, 2 * edges.length);
      });
      test(`${solid.shape} of ${count}: corners on the surface, faces seen anticlockwise from outside`, () => {
        const { vertices, faces } = meshOf(solid, count);
        for (const v of vertices) assert.ok(Math.abs(level(solid, v)) < 1e-9);
        assert.ok(volume({ vertices, faces }) > 0);
        const centre = middle(solid);
        for (const face of faces) {
          const [a, b, c] = face.map((i) => vertices[i].map((x, k) => x - centre[k]));
          const det = a[0] * (b[1] * c[2] - b[2] * c[1]) + a[1] * (b[2] * c[0] - b[0] * c[2]) + a[2] * (b[0] * c[1] - b[1] * c[0]);
          assert.ok(det > 0, "the solids are convex: each face turns its back to the middle");
        }
      });
    }
  }

  test("a sphere of four is a regular octahedron: 4/3 r^3", () => {
    // Volume of the octahedron with edge a: sqrt(2)/3 a^3 (Euclid XIII; any table of Platonic solids), a = r sqrt(2)
    assert.ok(Math.abs(volume(meshOf({ shape: "sphere", size: [3] }, 4)) - (4 / 3) * 27) < 1e-9);
  });
  test("a cube is a cube", () => assert.equal(volume(meshOf({ shape: "box", size: [2, 3, 5] })), 30));
  test("a cylinder is a prism over a regular polygon: n/2 r^2 sin(2 pi/n) h", () => {
    for (const n of [6, 12, 48]) {
      const want = (n / 2) * 25 * Math.sin((2 * Math.PI) / n) * 7;
      assert.ok(Math.abs(volume(meshOf({ shape: "cylinder", size: [5, 7] }, n)) - want) < 1e-9);
    }
  });
  test("a sphere's volume comes up to 4/3 pi r^3 from below, four times nearer for each doubling", () => {
    const whole = (4 / 3) * Math.PI;
    const lacks = [12, 24, 48, 96].map((n) => 1 - volume(meshOf({ shape: "sphere", size: [1] }, n)) / whole);
    lacks.forEach((lack, k) => {
      assert.ok(lack > 0);
      if (k > 0) assert.ok(Math.abs(lacks[k - 1] / lack - 4) < 0.25, `${lacks}`);
    });
    assert.ok(lacks[3] < 0.002);
  });
});

describe("lines of sight", () => {
  // A tangent from D to a ball has the length sqrt(D^2 - r^2), and any line through
  // the ball cuts off parts whose product is its square (Euclid III.36).
  test("the power of a point", () => {
    const ball = solids[0];
    for (const aside of [0, 0.1, 0.2, 0.3]) {
      const d = /** @type {Vector} */ ([-Math.cos(aside), Math.sin(aside), 0]);
      const there = entry(ball, [100, 0, 0], d);
      const back = entry(ball, [100 + 1000 * d[0], 1000 * d[1], 0], [-d[0], -d[1], 0]);
      assert.ok(Math.abs(there * (1000 - back) - (100 * 100 - 34 * 34)) < 1e-6);
    }
    assert.equal(entry(ball, [100, 0, 0], [-1, 1, 0]), Infinity);
  });

  test("agree with the mesh's triangles (Moeller and Trumbore) and with going there in small steps", () => {
    let seed = 5;
    const next = () => {
      seed = (seed * 16807) % 2147483647;
      return (2 * seed) / 2147483647 - 1;
    };
    for (const solid of solids) {
      const mesh = meshOf(solid, 96);
      const far = reach(solid) * 3;
      let hits = 0, misses = 0, grazes = 0;
      for (let k = 0; k < 160; k++) {
        const o = /** @type {Vector} */ ([next(), next(), next()].map((x) => x * far));
        if (level(solid, o) <= 0) continue;
        const h = halves(solid), m = middle(solid);
        const aim = [next() * h[0], next() * h[1], next() * h[2] + m[2]].map((x, i) => (k % 3 ? x : m[i] + (x - m[i]) * 2.5)); // every third may miss
        const d = /** @type {Vector} */ (aim.map((x, i) => x - o[i]));
        const t = entry(solid, o, d);
        const flat = hitMesh(mesh, o, d);
        if (t < Infinity) {
          hits++;
          const p = /** @type {Vector} */ (o.map((x, i) => x + t * d[i]));
          assert.ok(Math.abs(level(solid, p)) < 1e-6, `${solid.shape}: entry on the surface`);
          for (let s = 0.02; s < t - 1e-9; s += 0.02) {
            assert.ok(level(solid, /** @type {Vector} */ (o.map((x, i) => x + s * d[i]))) > 0, "nothing before it");
          }
        }
        // A mesh of 96 lies within the solid by 0.06 % of its radius at most: it is hit
        // later, or just missed.
        if (flat < Infinity) assert.ok(t <= flat + 1e-9 && flat - t < 0.25, `${solid.shape}: ${t} and ${flat}`);
        else misses++;
        if (flat === Infinity && t < Infinity) grazes++;
      }
      assert.ok(hits > 30 && misses > 5 && grazes < 3, `${solid.shape}: ${hits} hits, ${misses} misses, ${grazes} of them by the mesh alone`);
    }
  });

  test("from inside the entry lies behind, and beside there is none", () => {
    assert.ok(entry(solids[1], [0, 0, 0], [1, 0, 0]) < 0);
    assert.equal(entry(solids[1], [0, 0, 20], [1, 0, 0]), Infinity);
    assert.equal(entry(solids[2], [0, 70, 10], [1, 0, 0]), Infinity);
    assert.equal(entry(solids[2], [0, 0, 300], [0, 0, -1]), 180);
    assert.equal(entry({ shape: "", size: [] }, [0, 0, 0], [1, 0, 0]), Infinity);
  });
});

/** @param {import("../page/stage/solids.js").Mesh} mesh @param {Vector} o @param {Vector} d */
function hitMesh(mesh, o, d) {
  let best = Infinity;
  for (const face of mesh.faces) {
    for (let k = 1; k + 1 < face.length; k++) best = Math.min(best, hitTriangle(o, d, mesh.vertices[face[0]], mesh.vertices[face[k]], mesh.vertices[face[k + 1]]));
  }
  return best;
}

/** @param {Vector} o @param {Vector} d @param {Vector} a @param {Vector} b @param {Vector} c */
function hitTriangle(o, d, a, b, c) {
  /** @type {(p: number[], q: number[]) => number[]} */
  const less = (p, q) => p.map((x, i) => x - q[i]);
  /** @type {(p: number[], q: number[]) => number[]} */
  const by = (p, q) => [p[1] * q[2] - p[2] * q[1], p[2] * q[0] - p[0] * q[2], p[0] * q[1] - p[1] * q[0]];
  /** @type {(p: number[], q: number[]) => number} */
  const on = (p, q) => p[0] * q[0] + p[1] * q[1] + p[2] * q[2];
  const e = less(b, a), f = less(c, a), p = by(d, f), det = on(e, p);
  if (Math.abs(det) < 1e-12) return Infinity;
  const s = less(o, a), u = on(s, p) / det, q = by(s, e), v = on(d, q) / det, t = on(f, q) / det;
  return u < 0 || v < 0 || u + v > 1 || t < 0 ? Infinity : t;
}

describe("surfaces", () => {
  for (const solid of solids) {
    test(`${solid.shape}: patches lie on it`, () => {
      for (const { at } of patches(solid)) {
        for (let k = 0; k < 50; k++) assert.ok(Math.abs(level(solid, at((k % 7) / 7, k / 50))) < 1e-9);
      }
    });
  }
  test("reach holds the corners", () => {
    for (const solid of solids) {
      const m = middle(solid);
      const r = Math.max(...meshOf(solid, 24).vertices.map((v) => Math.hypot(v[0] - m[0], v[1] - m[1], v[2] - m[2])));
      assert.ok(Math.abs(r - reach(solid)) < 1e-9);
    }
  });
});

describe("hulls", () => {
  test("of a square with points in it", () => {
    const out = hull([[0, 0], [1, 0], [0.5, 0.5], [1, 1], [0.5, 0], [0, 1], [0.2, 0.9]]);
    assert.deepEqual(out, [[0, 0], [1, 0], [1, 1], [0, 1]]);
    assert.equal(area(out), 1);
  });
  test("holds every point and bends one way", () => {
    let seed = 3;
    const next = () => (seed = (seed * 16807) % 2147483647) / 2147483647;
    for (let k = 0; k < 50; k++) {
      const points = Array.from({ length: 40 }, () => /** @type {[number, number]} */ ([next(), next()]));
      const out = hull(points);
      out.forEach((a, i) => {
        const b = out[(i + 1) % out.length];
        for (const p of points) assert.ok((b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) > -1e-12);
      });
    }
  });
  test("two squares share a quarter", () => {
    const one = /** @type {[number, number][]} */ ([[0, 0], [2, 0], [2, 2], [0, 2]]);
    const shared = within(one, one.map(([x, y]) => [x + 1, y + 1]));
    assert.equal(area(shared), 1);
    assert.deepEqual(within(one, one.map(([x, y]) => [x + 5, y])), []);
  });
});
