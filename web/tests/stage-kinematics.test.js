import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { apply, cross, dot, inverse, multiply, origin, rotation, size, translation, turn, unit } from "../page/stage/matrix.js";
import { drivenBy, groups, leaves, poseOf, restValues, valuesAt } from "../page/stage/kinematics.js";
import { jointOf, rowOf } from "./stage-rig.js";

/** @typedef {import("../page/types.js").Vector} Vector */

/** @param {number[]} got @param {number[]} want @param {number} [tolerance] @param {string} [what] */
function close(got, want, tolerance = 1e-9, what = "") {
  assert.equal(got.length, want.length);
  got.forEach((v, i) => assert.ok(Math.abs(v - want[i]) <= tolerance, `${what} ${i}: ${got} where ${want} belongs`));
}

/** @param {number} seed @returns {() => number} numbers of -1 to 1 (Park and Miller's generator) */
function randoms(seed) {
  let s = seed;
  return () => {
    s = (s * 16807) % 2147483647;
    return (2 * s) / 2147483647 - 1;
  };
}

/** @param {() => number} next @returns {Vector} */
const vector = (next) => [next(), next(), next()];

describe("rotation", () => {
  // Made with Chromium 156: new DOMMatrix().rotateAxisAngle(x, y, z, degrees), whose
  // matrix is that of rotate3d() in CSS Transforms Level 2.
  const made = [
    { about: [1, 2, 3], degrees: 40, rows: [[0.7827555543247653, -0.4819544221406551, 0.3937177633188483], [0.5487988669638042, 0.8328888879421271, -0.07152554761601948], [-0.2934510960841245, 0.2720588820854669, 0.9164444439710636]] },
    { about: [-0.3, 0.5, 0.2], degrees: -137.5, rows: [[-0.32581691493404197, -0.46657696263059145, -0.8222829658245847], [-0.9049577769563487, 0.4056682795123261, 0.1283926357846621], [0.2736690699898086, 0.785963857273298, -0.554406038198532]] },
    { about: [0, 1, -1], degrees: 250, rows: [[-0.3420201433256687, -0.6644630243886747, -0.6644630243886747], [0.6644630243886747, 0.3289899283371655, -0.6710100716628342], [0.6644630243886747, -0.6710100716628342, 0.3289899283371655]] },
  ];
  for (const { about, degrees, rows } of made) {
    test(`about ${about} by ${degrees}`, () => {
      const m = rotation(/** @type {Vector} */ (about), degrees);
      close([...m.slice(0, 3), ...m.slice(4, 7), ...m.slice(8, 11)], rows.flat(), 1e-12);
    });
  }

  // The three turns about the axes of the frame, as every textbook of robotics has
  // them (J. J. Craig, Introduction to Robotics, chapter 2; from memory).
  test("about the axes of the frame", () => {
    const c = Math.cos(Math.PI / 6), s = Math.sin(Math.PI / 6);
    close(rotation([1, 0, 0], 30), [1, 0, 0, 0, 0, c, -s, 0, 0, s, c, 0], 1e-15);
    close(rotation([0, 1, 0], 30), [c, 0, s, 0, 0, 1, 0, 0, -s, 0, c, 0], 1e-15);
    close(rotation([0, 0, 5], 30), [c, -s, 0, 0, s, c, 0, 0, 0, 0, 1, 0], 1e-15);
  });

  test("a third of a turn about the diagonal changes the axes round", () => {
    close(apply(rotation([1, 1, 1], 120), [1, 2, 3]), [3, 1, 2], 1e-12);
  });

  test("is the product of quaternions q v q* (Hamilton)", () => {
    const next = randoms(7);
    /** @type {(a: number[], b: number[]) => number[]} */
    const times = (a, b) => [
      a[0] * b[0] - a[1] * b[1] - a[2] * b[2] - a[3] * b[3],
      a[0] * b[1] + a[1] * b[0] + a[2] * b[3] - a[3] * b[2],
      a[0] * b[2] - a[1] * b[3] + a[2] * b[0] + a[3] * b[1],
      a[0] * b[3] + a[1] * b[2] - a[2] * b[1] + a[3] * b[0],
    ];
    for (let k = 0; k < 200; k++) {
      const about = vector(next), v = vector(next), degrees = 400 * next();
      const n = unit(about), half = (degrees * Math.PI) / 360;
      const q = [Math.cos(half), ...n.map((x) => x * Math.sin(half))];
      const turned = times(times(q, [0, ...v]), [q[0], -q[1], -q[2], -q[3]]);
      close(apply(rotation(about, degrees), v), turned.slice(1), 1e-12);
    }
  });

  test("keeps lengths, angles and hands, and goes back", () => {
    const next = randoms(11);
    for (let k = 0; k < 100; k++) {
      const m = multiply(translation(vector(next)), rotation(vector(next), 360 * next()));
      const a = vector(next), b = vector(next);
      assert.ok(Math.abs(size(turn(m, a)) - size(a)) < 1e-12);
      assert.ok(Math.abs(dot(turn(m, a), turn(m, b)) - dot(a, b)) < 1e-12);
      close(cross(turn(m, a), turn(m, b)), turn(m, cross(a, b)), 1e-12, "hands");
      close(apply(inverse(m), apply(m, a)), a, 1e-12, "back");
    }
  });

  test("two turns about one line add up", () => {
    close(multiply(rotation([1, -2, 0.5], 25), rotation([1, -2, 0.5], 40)), rotation([1, -2, 0.5], 65), 1e-12);
  });
});

describe("poses", () => {
  // Two links that turn in a plane, in closed form:
  // x = a cos p + b cos(p + q), y = a sin p + b sin(p + q)
  // (Denavit and Hartenberg's example in every textbook: Craig chapter 3, Spong
  // chapter 3; from memory).
  test("an arm of two links", () => {
    const rows = [rowOf({ name: "p" }), rowOf({ name: "q" })];
    const joints = [
      jointOf({ name: "shoulder", turns: { about: [0, 0, 1], row: 0 } }),
      jointOf({ name: "elbow", parent: 0, at: [100, 0, 0], turns: { about: [0, 0, 1], row: 1 } }),
      jointOf({ name: "hand", parent: 1, at: [70, 0, 0] }),
    ];
    for (const [p, q] of [[0, 0], [30, 60], [90, -90], [-45, 130], [200, 15]]) {
      const hand = origin(poseOf(joints, rows, [p, q])[2]);
      const one = (p * Math.PI) / 180, both = ((p + q) * Math.PI) / 180;
      close(hand, [100 * Math.cos(one) + 70 * Math.cos(both), 100 * Math.sin(one) + 70 * Math.sin(both), 0], 1e-9);
    }
  });

  // An arm that turns about the vertical and bends at shoulder and elbow
  // (Siciliano and others, Robotics, "anthropomorphic arm"; from memory):
  // reach r = a cos q + b cos(q + e), x = r cos p, y = r sin p, z = a sin q + b sin(q + e)
  test("an arm that turns, lifts and bends", () => {
    const rows = ["p", "q", "e"].map((name) => rowOf({ name }));
    const joints = [
      jointOf({ name: "base", turns: { about: [0, 0, 1], row: 0 } }),
      jointOf({ name: "shoulder", parent: 0, turns: { about: [0, -1, 0], row: 1 } }),
      jointOf({ name: "elbow", parent: 1, at: [120, 0, 0], turns: { about: [0, -1, 0], row: 2 } }),
      jointOf({ name: "hand", parent: 2, at: [80, 0, 0] }),
    ];
    for (const [p, q, e] of [[0, 0, 0], [40, 30, -20], [-120, 75, 60], [10, -30, 140]]) {
      const [a, b, c] = [p, q, q + e].map((d) => (d * Math.PI) / 180);
      const r = 120 * Math.cos(b) + 80 * Math.cos(c);
      close(origin(poseOf(joints, rows, [p, q, e])[3]), [r * Math.cos(a), r * Math.sin(a), 120 * Math.sin(b) + 80 * Math.sin(c)], 1e-9);
    }
  });

  test("a slide goes along its direction in the parent's frame, whatever length that has", () => {
    const rows = [rowOf({ name: "lift", unit: "mm" }), rowOf({ name: "pan" })];
    const joints = [
      jointOf({ name: "post", turns: { about: [0, 0, 1], row: 1 } }),
      jointOf({ name: "car", parent: 0, at: [0, 0, 10], slides: { along: [3, 0, 4], row: 0 } }),
    ];
    close(origin(poseOf(joints, rows, [50, 0])[1]), [30, 0, 50]);
    close(origin(poseOf(joints, rows, [50, 90])[1]), [0, 30, 50]);
  });

  test("revolutions are turned into degrees", () => {
    const joints = [jointOf({ turns: { about: [0, 0, 1], row: 0 } }), jointOf({ parent: 0, at: [1, 0, 0] })];
    close(origin(poseOf(joints, [rowOf({ unit: "rev" })], [0.25])[1]), [0, 1, 0]);
  });
});

describe("the tree", () => {
  /** @type {import("../page/types.js").Solid} */
  const ball = { shape: "sphere", size: [1] };
  const joints = [
    jointOf({ name: "ground", solid: ball }),
    jointOf({ name: "collar", parent: 0, turns: { about: [0, 0, 1], row: 0 } }),
    jointOf({ name: "nod-left", parent: 1, turns: { about: [1, 0, 0], row: 1 } }),
    jointOf({ name: "nod-right", parent: 2, turns: { about: [1, 0, 0], row: 2 } }),
    jointOf({ name: "head", parent: 3, solid: ball }),
    jointOf({ name: "cap", parent: 4, solid: ball }),
    jointOf({ name: "flag", parent: 0, solid: ball }),
  ];
  test("groups are rigid", () => assert.deepEqual(groups(joints), [-1, 1, 2, 3, 3, 3, -1]));
  test("leaves carry nothing", () => assert.deepEqual(leaves(joints), [5, 6]));
  test("what an axis drives reaches to the first solids", () => {
    assert.deepEqual([...drivenBy(joints, 2)], [3, 4, 5]);
    assert.deepEqual([...drivenBy(joints, 1)], [2, 3, 4, 5]);
    assert.deepEqual([...drivenBy(joints, 0)], [1, 2, 3, 4, 5]);
    assert.deepEqual([...drivenBy([jointOf({}), jointOf({ parent: 0, turns: { about: [0, 0, 1], row: 0 } })], 0)], [1]);
    assert.deepEqual([...drivenBy(joints, 9)], []);
  });
});

describe("values", () => {
  const rows = [rowOf({ name: "a", commanded: 0, predicted: 1, rest: 5 }), rowOf({ name: "b", commanded: 2, predicted: -1, rest: 7 }), rowOf({ name: "c", commanded: 9, rest: 8 })];
  const curves = { rate: 10, samples: 3, count: 3, data: [new Float32Array([0, 10, 20]), new Float32Array([0, 8, 16]), new Float32Array([1, 1, 3])] };
  test("between samples, and held beyond the ends", () => {
    assert.deepEqual(valuesAt(rows, curves, 0.05, "commanded"), [5, 1, 8]);
    assert.deepEqual(valuesAt(rows, curves, 0.15, "predicted"), [12, 2, 8]);
    assert.deepEqual(valuesAt(rows, curves, 99, "predicted"), [16, 3, 8]);
  });
  test("without curves all rest", () => {
    assert.deepEqual(valuesAt(rows, null, 1, "predicted"), [5, 7, 8]);
    assert.deepEqual(restValues(rows), [5, 7, 8]);
  });
});
