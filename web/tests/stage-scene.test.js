import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { camera, project } from "../page/stage/camera.js";
import { multiply, rotation, translation, unit } from "../page/stage/matrix.js";
import { drawScene, facing, figureAt, findSeam, groundOf, outlineOf, pieceAt, seenShare, shadows } from "../page/stage/scene.js";
import { meshOf } from "../page/stage/solids.js";
import { area } from "../page/stage/hull.js";

/** @typedef {import("../page/types.js").Vector} Vector */
/** @typedef {import("../page/types.js").Solid} Solid */
/** @typedef {import("../page/stage/scene.js").Body} Body */

/** @type {(solid: Solid, at: Vector, more?: Partial<Body>) => Body} */
const body = (solid, at, more = {}) => ({ solid, world: translation(at), joint: 0, marked: false, lit: -1, ...more });
/** @type {(r: number) => Solid} */
const ball = (r) => ({ shape: "sphere", size: [r] });
/** @type {(x: number, y: number, z: number) => Solid} */
const box = (x, y, z) => ({ shape: "box", size: [x, y, z] });
/** @type {(r: number, h: number) => Solid} */
const cylinder = (r, h) => ({ shape: "cylinder", size: [r, h] });

const seen = camera({ yaw: 0, pitch: 0, distance: 1000, target: [0, 0, 0] }, 900, 600);
const above = camera({ yaw: 25, pitch: 30, distance: 1000, target: [0, 0, 0] }, 900, 600);
const light = unit([0.4, 0.5, 0.8]);

/** @param {import("../page/stage/camera.js").Camera} c */
const look = (c) => ({ camera: c, light, grain: 3, chalk: false, ground: -1 });

/** @param {number[]} lines @returns {{length: number, points: [number, number][], runs: number}} */
function measure(lines) {
  let length = 0, runs = 0, x = NaN, y = NaN;
  /** @type {[number, number][]} */
  const points = [];
  for (let k = 0; k < lines.length; k += 2) {
    if (Number.isNaN(lines[k])) {
      runs++;
      x = NaN;
      continue;
    }
    if (!Number.isNaN(x)) length += Math.hypot(lines[k] - x, lines[k + 1] - y);
    [x, y] = [lines[k], lines[k + 1]];
    points.push([x, y]);
  }
  return { length, points, runs };
}

describe("outlines", () => {
  test("a ball's is seen under asin(r/D) from its middle", () => {
    const eye = /** @type {Vector} */ ([30, -40, 120]), r = 50;
    const d = Math.hypot(...eye);
    for (let k = 0; k < 36; k++) {
      const p = outlineOf(eye, r)(k / 36);
      assert.ok(Math.abs(Math.hypot(...p) - r) < 1e-9, "on the ball");
      const way = p.map((x, i) => x - eye[i]);
      const cosine = way.reduce((sum, x, i) => sum - x * eye[i], 0) / d / Math.hypot(...way);
      assert.ok(Math.abs(cosine - Math.sqrt(1 - (r / d) ** 2)) < 1e-12);
    }
  });

  test("a ball in the middle of the picture has a circle: f r / sqrt(D^2 - r^2)", () => {
    const { ink } = drawScene([body(ball(80), [0, 0, 0])], look(seen));
    const r = (seen.focal * 80) / Math.sqrt(1000 ** 2 - 80 ** 2);
    for (const [x, y] of measure(ink.outline).points) assert.ok(Math.abs(Math.hypot(x - 450, y - 300) - r) < 1e-6);
    assert.ok(Math.abs(measure(ink.outline).length - 2 * Math.PI * r) < 0.01 * r);
  });

  test("a cylinder's sides touch the lines of sight: half of the arc is acos(r/D)", () => {
    const arc = facing([300, 400, 10], 250);
    assert.ok(Math.abs(arc.half - Math.PI / 3) < 1e-12);
    assert.ok(Math.abs(arc.middle - Math.atan2(4, 3)) < 1e-12);
    assert.equal(facing([3, 4, 500], 250).half, 0, "from over its end");
  });

  for (const solid of [ball(70), box(90, 60, 120), cylinder(40, 150)]) {
    test(`${solid.shape}: the figure holds the mesh's picture, and its lines`, () => {
      const world = multiply(translation([20, -30, 10]), rotation([1, 2, 0.5], 50));
      const figure = figureAt(solid, world, above);
      const points = meshOf(solid, 48).vertices.map((v) => project(above, /** @type {Vector} */ ([0, 4, 8].map((k) => world[k] * v[0] + world[k + 1] * v[1] + world[k + 2] * v[2] + world[k + 3]))));
      const { ink } = drawScene([{ ...body(solid, [0, 0, 0]), world }], look(above));
      const lines = [ink.outline, ink.edge, ink.hatch, ink.shade].flatMap((l) => measure(l).points);
      assert.ok(lines.length > 20);
      for (const p of [...points, ...lines]) assert.ok(outside(figure, p) < 0.9, `${outside(figure, p)} px outside`);
    });
  }

  test("of a box's edges only those are drawn that a viewer sees: 9 of 12 from a corner, 4 from the front", () => {
    const corner = camera({ yaw: 40, pitch: 25, distance: 1000, target: [0, 0, 0] }, 900, 600);
    const one = drawScene([body(box(100, 100, 100), [0, 0, 0])], look(corner));
    assert.equal(measure(one.ink.outline).runs, 6);
    assert.equal(measure(one.ink.edge).runs, 3);
    const other = drawScene([body(box(100, 100, 100), [0, 0, 0])], look(seen));
    assert.equal(measure(other.ink.outline).runs, 4);
    assert.equal(measure(other.ink.edge).runs, 0);
  });
});

/** @param {[number, number][]} figure @param {number[]} p @returns {number} px that a point is outside of an anticlockwise convex figure */
function outside(figure, p) {
  return Math.max(...figure.map((a, k) => {
    const b = figure[(k + 1) % figure.length];
    return -((b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])) / Math.hypot(b[0] - a[0], b[1] - a[1]);
  }));
}

describe("what hides what", () => {
  test("half of a ball behind half of a wall", () => {
    const { ink } = drawScene([body(ball(50), [0, -200, 0]), body(box(400, 10, 400), [200, 0, 0])], look(seen));
    const r = (seen.focal * 50) / Math.sqrt(1200 ** 2 - 50 ** 2);
    const ring = measure(ink.outline).points.filter(([x, y]) => Math.abs(Math.hypot(x - 450, y - 300) - r) < 0.01);
    assert.ok(ring.length > 10);
    // +x is on the left: the wall covers it, to its near edge at x = 0, y = 5
    for (const [x] of ring) assert.ok(x > 449.5);
    assert.ok(Math.min(...ring.map(([x]) => x)) < 450.5, "up to the very edge of the wall");
  });

  test("a ball behind a wall is not drawn, one before it is drawn whole", () => {
    const wall = body(box(600, 10, 600), [0, 0, 0]);
    const alone = drawScene([body(ball(40), [0, 100, 0])], look(seen)).ink;
    const behind = drawScene([wall, body(ball(40), [0, -100, 0])], look(seen)).ink;
    const before = drawScene([wall, body(ball(40), [0, 100, 0])], look(seen)).ink;
    const bare = drawScene([wall], look(seen)).ink;
    assert.deepEqual(measure(behind.outline), measure(bare.outline));
    assert.deepEqual(measure(behind.shade), measure(bare.shade));
    assert.ok(Math.abs(measure(before.outline).length - measure(bare.outline).length - measure(alone.outline).length) < 1);
  });

  // An oracle of its own kind: the lines of each solid (drawn as marked, to know them)
  // are looked at through the triangles of all. Within 2 px of a line, that solid's own
  // triangles must be the nearest.
  const crowd = [
    body(box(500, 300, 10), [0, 0, -105]),
    body(cylinder(60, 150), [0, 0, -100]),
    body(ball(55), [0, 0, 80]),
    { ...body(box(40, 160, 30), [0, 0, 0]), world: multiply(translation([30, 60, 70]), rotation([1, 0, 1], 35)) },
  ];
  crowd.forEach((one, k) => test(`no line of the ${one.solid.shape} (${k}) runs behind another solid`, () => {
    const { iron } = drawScene(crowd.map((b) => ({ ...b, marked: b === one })), look(above));
    const points = [iron.outline, iron.hatch, iron.shade].flatMap((lines) => measure(lines).points);
    assert.ok(points.length > 30, `${points.length}`);
    for (const [x, y] of points) {
      const around = [[0, 0], [-2, 0], [2, 0], [0, -2], [0, 2], [-1.5, -1.5], [1.5, 1.5], [-1.5, 1.5], [1.5, -1.5]];
      assert.ok(around.some(([dx, dy]) => nearest(crowd, above, x + dx, y + dy) === k), `${x} ${y}`);
    }
  }));

  test("the share of a lamp that is seen", () => {
    const lamp = body(ball(30), [0, -100, 0], { lit: 1 });
    /** @param {Body[]} others */
    const share = (others) => {
      const d = drawScene([lamp, ...others], look(seen));
      return seenShare(d.pieces[0], seen);
    };
    assert.equal(share([]), 1);
    assert.equal(share([body(box(200, 10, 200), [0, 0, 0])]), 0);
    const half = share([body(box(200, 10, 200), [100, 0, 0])]);
    assert.ok(half > 0.3 && half < 0.7, `${half}`);
  });

  test("a piece wholly behind the eye, or round it, is left out", () => {
    assert.equal(drawScene([body(ball(10), [0, 2000, 0]), body(ball(300), [0, 900, 0])], look(seen)).pieces.length, 0);
  });
});

/** @param {Body[]} bodies @param {import("../page/stage/camera.js").Camera} c @param {number} x @param {number} y */
function nearest(bodies, c, x, y) {
  const way = c.forward.map((f, i) => f + (c.right[i] * (x - c.x)) / c.focal + (c.up[i] * (c.y - y)) / c.focal);
  let best = Infinity;
  /** @type {number|null} */
  let which = null;
  bodies.forEach((b, n) => {
    const { vertices, faces } = meshOf(b.solid, 64);
    const world = vertices.map((v) => [0, 4, 8].map((k) => b.world[k] * v[0] + b.world[k + 1] * v[1] + b.world[k + 2] * v[2] + b.world[k + 3]));
    for (const face of faces) {
      for (let k = 1; k + 1 < face.length; k++) {
        const t = triangle(c.eye, way, world[face[0]], world[face[k]], world[face[k + 1]]);
        if (t < best) [best, which] = [t, n];
      }
    }
  });
  return which;
}

/** Moeller and Trumbore. @param {number[]} o @param {number[]} d @param {number[]} a @param {number[]} b @param {number[]} c */
function triangle(o, d, a, b, c) {
  /** @type {(p: number[], q: number[]) => number[]} */
  const by = (p, q) => [p[1] * q[2] - p[2] * q[1], p[2] * q[0] - p[0] * q[2], p[0] * q[1] - p[1] * q[0]];
  /** @type {(p: number[], q: number[]) => number} */
  const on = (p, q) => p[0] * q[0] + p[1] * q[1] + p[2] * q[2];
  const e = b.map((x, i) => x - a[i]), f = c.map((x, i) => x - a[i]), p = by(d, f), det = on(e, p);
  if (Math.abs(det) < 1e-12) return Infinity;
  const s = o.map((x, i) => x - a[i]), u = on(s, p) / det, q = by(s, e), v = on(d, q) / det, t = on(f, q) / det;
  return u < 0 || v < 0 || u + v > 1 || t < 0 ? Infinity : t;
}

describe("seams", () => {
  // Two balls at distance d meet in a circle of radius
  // sqrt(4 d^2 R^2 - (d^2 - r^2 + R^2)^2) / 2d (MathWorld, Sphere-Sphere Intersection).
  test("of two balls", () => {
    const R = 34, r = 8, d = 31;
    const a = Math.sqrt(4 * d * d * R * R - (d * d - r * r + R * R) ** 2) / (2 * d);
    const lines = findSeam(ball(r), ball(R), (p) => [p[0] + d, p[1], p[2]]);
    let length = 0;
    for (const [p, q] of lines) {
      length += Math.hypot(p[0] - q[0], p[1] - q[1], p[2] - q[2]);
      for (const e of [p, q]) assert.ok(Math.abs(Math.hypot(e[1], e[2]) - a) < 0.1, `${Math.hypot(e[1], e[2])} for ${a}`);
    }
    assert.ok(Math.abs(length - 2 * Math.PI * a) < 0.02 * 2 * Math.PI * a, `${length} for ${2 * Math.PI * a}`);
  });
  test("of a ball and a wall: sqrt(r^2 - h^2)", () => {
    const lines = findSeam(ball(50), box(400, 400, 100), (p) => [p[0], p[1], p[2] - 80]);
    const a = Math.sqrt(50 ** 2 - 30 ** 2);
    assert.ok(lines.length > 10);
    for (const e of lines.flat()) assert.ok(Math.abs(Math.hypot(e[0], e[1]) - a) < 0.1);
  });
  test("what only touches has none", () => {
    assert.deepEqual(findSeam(cylinder(20, 50), box(200, 200, 10), (p) => [p[0], p[1], p[2] + 5]), []);
    assert.deepEqual(findSeam(cylinder(20, 50), box(200, 200, 10), (p) => [p[0], p[1], p[2] + 5 - 1e-9]), [], "nor what touches but for rounding");
    assert.deepEqual(findSeam(ball(10), ball(10), (p) => [p[0] + 25, p[1], p[2]]), []);
  });
  test("is drawn where it is seen", () => {
    // d = 45, R = 60, r = 30: a circle of 29.05 mm, 52.5 mm before the middle
    const two = drawScene([body(ball(60), [0, 0, 0]), body(ball(30), [0, 45, 0])], look(seen)).ink;
    const want = (2 * Math.PI * 29.05 * seen.focal) / (1000 - 52.5);
    assert.ok(Math.abs(measure(two.edge).length / want - 1) < 0.02, `${measure(two.edge).length} for ${want}`);
    const back = drawScene([body(ball(60), [0, 0, 0]), body(ball(30), [0, -45, 0])], look(seen)).ink;
    assert.equal(measure(back.edge).length, 0);
  });
});

describe("marks and shade", () => {
  test("what breaks a limit is in iron, all else in ink", () => {
    const bodies = [body(ball(40), [-100, 0, 0], { marked: true }), body(ball(40), [100, 0, 0])];
    const { ink, iron, tints } = drawScene(bodies, look(seen));
    for (const [x] of measure(iron.outline).points) assert.ok(x > 450);
    for (const [x] of measure(ink.outline).points) assert.ok(x < 450);
    assert.ok(iron.outline.length > 0 && tints.length === 1);
  });
  test("hatching stands on the side away from the light, in chalk on the other", () => {
    const left = { ...look(seen), light: unit([1, 0, 0]) }; // +x is on the left
    /** @param {import("../page/stage/scene.js").Ink} ink */
    const middleOf = (ink) => {
      const xs = measure([...ink.hatch, ...ink.shade]).points.map(([x]) => x);
      return xs.reduce((sum, x) => sum + x, 0) / xs.length;
    };
    assert.ok(middleOf(drawScene([body(ball(80), [0, 0, 0])], left).ink) > 460);
    assert.ok(middleOf(drawScene([body(ball(80), [0, 0, 0])], { ...left, chalk: true }).ink) < 440);
  });
  test("what stands before a marked body is known, so that its tint does not cover it", () => {
    const marked = body(ball(40), [0, 0, 0], { marked: true });
    assert.equal(drawScene([marked, body(ball(20), [0, 100, 0])], look(seen)).tints[0].before.length, 1);
    assert.equal(drawScene([marked, body(ball(20), [0, -100, 0])], look(seen)).tints[0].before.length, 0);
  });
  test("what lies behind the eye is met by no tap", () => {
    const { pieces } = drawScene([body(ball(40), [0, 0, 0])], look(seen));
    const turned = camera({ yaw: 0, pitch: 0, distance: 1000, target: [0, 2000, 0] }, 900, 600);
    pieces[0].eye = [0, -1000, 0];
    assert.equal(pieceAt(pieces, { ...turned, forward: [0, -1, 0] }, 450, 300), null);
  });
  test("a bright lamp has less shade than a dark one", () => {
    const shade = (/** @type {number} */ lit) => {
      const { ink } = drawScene([body(cylinder(30, 60), [0, 0, 0], { lit })], look(above));
      return measure(ink.hatch).length + measure(ink.shade).length;
    };
    assert.ok(shade(0) > shade(0.5) && shade(0.5) > shade(1));
  });
  test("the nearer of two is what a tap meets", () => {
    const { pieces } = drawScene([body(ball(40), [0, 0, 0], { joint: 1 }), body(ball(20), [0, 200, 0], { joint: 2 })], look(seen));
    assert.equal(pieceAt(pieces, seen, 450, 300)?.body.joint, 2);
    assert.equal(pieceAt(pieces, seen, 450 + 42, 300)?.body.joint, 1);
    assert.equal(pieceAt(pieces, seen, 10, 10), null);
  });
});

describe("the ground", () => {
  const floor = body(box(700, 500, 10), [0, 0, 0], { joint: 7 });
  test("is the flat box on which all stands", () => {
    const ground = groundOf([floor, body(cylinder(60, 120), [0, 0, 5])], () => true);
    assert.equal(ground.joint, 7);
    assert.equal(ground.z, 5);
    assert.equal(area(ground.corners), 700 * 500);
  });
  test("a box that moves, or one with things under it, is none", () => {
    assert.equal(groundOf([floor, body(ball(10), [0, 0, 50])], () => false).joint, -1);
    assert.equal(groundOf([floor, body(ball(10), [0, 0, -50])], () => true).joint, -1);
  });
  test("else it lies under the lowest point", () => {
    assert.equal(groundOf([body(ball(10), [0, 0, 50]), body(ball(5), [9, 0, 12])], () => true).z, 7);
    const lying = { ...body(cylinder(10, 80), [0, 0, 0]), world: multiply(translation([0, 0, 30]), rotation([1, 0, 0], 90)) };
    assert.ok(Math.abs(groundOf([lying], () => true).z - 20) < 1e-9);
  });
  // Light from 45 degrees: a shadow as long as its thing is high (Thales's pyramid).
  test("a post's shadow at 45 degrees is as long as the post is high", () => {
    const ground = { z: 0, corners: /** @type {[number, number][]} */ ([[-500, -500], [500, -500], [500, 500], [-500, 500]]), joint: -1 };
    const [figure] = shadows([body(box(2, 2, 100), [0, 0, 50])], ground, unit([1, 0, 1]));
    assert.ok(Math.abs(Math.min(...figure.map(([x]) => x)) + 101) < 1e-6);
    assert.ok(Math.abs(area(figure) - 2 * 102) < 1e-6);
  });
  test("a ball's shadow straight down is its circle, cut at the ground's end", () => {
    const ground = { z: 0, corners: /** @type {[number, number][]} */ ([[0, -500], [500, -500], [500, 500], [0, 500]]), joint: -1 };
    const [figure] = shadows([body(ball(50), [0, 0, 80])], ground, [0, 0, 1]);
    assert.ok(Math.abs(area(figure) / ((Math.PI * 50 * 50) / 2) - 1) < 0.01);
  });
});
