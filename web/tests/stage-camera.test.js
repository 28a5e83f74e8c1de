import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { approach, camera, fieldOfView, fit, orbit, presetOf, presets, project, shift, sight, wrap } from "../page/stage/camera.js";
import { aspects, maskFrame, maskNames } from "../page/stage/mask.js";
import { outlineOf } from "../page/stage/scene.js";

/** @typedef {import("../page/types.js").Vector} Vector */

const front = { yaw: 0, pitch: 0, distance: 1000, target: /** @type {Vector} */ ([0, 0, 0]) };

describe("camera", () => {
  // Angles of view of a 50 mm lens before 36 x 24 mm, as published tables have them:
  // 39.598 x 26.991, diagonal 46.793 (T. Bryant's table in a photographers' list, 1999).
  test("the field of view is a 50 mm lens's", () => {
    assert.ok(Math.abs(fieldOfView - 26.991) < 0.001);
    const half = Math.tan((fieldOfView * Math.PI) / 360) * 1.5;
    assert.ok(Math.abs((2 * Math.atan(half) * 180) / Math.PI - 39.598) < 0.001);
  });

  // The pinhole formula: a thing of height H at depth Z has a picture of f H / Z.
  test("is a pinhole", () => {
    const c = camera(front, 900, 600);
    const f = 300 / (12 / 50);
    assert.ok(Math.abs(c.focal - f) < 1e-9);
    for (const [x, y, z] of /** @type {Vector[]} */ ([[0, 0, 0], [100, 0, 50], [-200, 300, 20], [40, -700, -90]])) {
      const p = project(c, [x, y, z]);
      const depth = 1000 - y; // seen from +y
      assert.ok(Math.abs(p[2] - depth) < 1e-9);
      assert.ok(Math.abs(p[0] - (450 - (f * x) / depth)) < 1e-9, "the rig's right is on the left of who faces it");
      assert.ok(Math.abs(p[1] - (300 - (f * z) / depth)) < 1e-9, "up is up");
    }
  });

  // Four points of a line keep their cross-ratio in every central projection (Pappus).
  test("keeps cross-ratios", () => {
    const c = camera({ yaw: 33, pitch: 21, distance: 700, target: [10, 20, 30] }, 800, 500);
    const at = (/** @type {number} */ t) => project(c, [-200 + 70 * t, 50 - 35 * t, 10 + 22 * t]);
    const [a, b, d, e] = [0, 1, 3, 5].map((t) => at(t));
    const far = (/** @type {Vector} */ p, /** @type {Vector} */ q) => Math.hypot(p[0] - q[0], p[1] - q[1]);
    const ratio = (far(a, d) * far(b, e)) / (far(b, d) * far(a, e));
    assert.ok(Math.abs(ratio - (3 * 4) / (2 * 5)) < 1e-9);
  });

  test("presets look from where they say", () => {
    const eyes = presets.map(({ name, yaw, pitch }) => ({ name, eye: camera({ ...front, yaw, pitch }, 100, 100).eye }));
    const of = (/** @type {string} */ name) => /** @type {{eye: Vector}} */ (eyes.find((e) => e.name === name)).eye;
    assert.ok(of("Front")[1] > 990 && Math.abs(of("Front")[0]) < 1e-9);
    assert.ok(of("Side")[0] > 990 && Math.abs(of("Side")[1]) < 1e-9);
    assert.ok(of("Top")[2] > 999);
    const [x, y, z] = of("Three-quarter");
    assert.ok(Math.abs(x) > 300 && y > 300 && z > 100);
    for (const p of presets) assert.equal(presetOf({ yaw: p.yaw + 360, pitch: p.pitch }), p.name);
    assert.equal(presetOf({ yaw: 123, pitch: 5 }), "");
  });

  test("a plan has the rig's front below, and its frame stays whole", () => {
    const c = camera({ ...front, pitch: 90 }, 600, 600);
    assert.ok(project(c, [0, 100, 0])[1] > 300);
    const [r, u, f] = [c.right, c.up, c.forward];
    for (const v of [r, u, f]) assert.ok(Math.abs(Math.hypot(...v) - 1) < 1e-12);
    assert.ok(Math.abs(r[0] * u[0] + r[1] * u[1] + r[2] * u[2]) < 1e-12);
  });

  test("a line of sight meets its point", () => {
    const c = camera({ yaw: -35, pitch: 18, distance: 900, target: [5, -6, 7] }, 640, 480);
    const p = /** @type {Vector} */ ([40, 80, -25]);
    const s = project(c, p);
    const d = sight(c, s[0], s[1]);
    p.forEach((x, i) => assert.ok(Math.abs(c.eye[i] + d[i] * s[2] - x) < 1e-9));
  });
});

describe("fit", () => {
  const balls = [
    { centre: /** @type {Vector} */ ([0, 0, 200]), radius: 90 },
    { centre: /** @type {Vector} */ ([-220, 120, 100]), radius: 40 },
    { centre: /** @type {Vector} */ ([200, 210, 12]), radius: 55 },
  ];
  for (const [w, h] of [[900, 600], [390, 700], [1200, 300]]) {
    for (const p of [...presets, { name: "odd", yaw: 77, pitch: -12 }]) {
      test(`${w} x ${h}, ${p.name}: all in, and nothing to spare`, () => {
        const c = camera({ ...p, ...fit(balls, p, w, h) }, w, h);
        let least = Infinity;
        for (const b of balls) {
          // The outline of a ball is where sight touches it.
          const ring = outlineOf([c.eye[0] - b.centre[0], c.eye[1] - b.centre[1], c.eye[2] - b.centre[2]], b.radius);
          for (let k = 0; k < 720; k++) {
            const q = ring(k / 720);
            const s = project(c, [q[0] + b.centre[0], q[1] + b.centre[1], q[2] + b.centre[2]]);
            least = Math.min(least, s[0], w - s[0], s[1], h - s[1]);
          }
        }
        assert.ok(least > -1e-6 && least < 0.05, `${least} px`);
      });
    }
  }
  test("nothing to look at is no mistake", () => assert.ok(fit([], front, 100, 100).distance > 0));
});

describe("turning", () => {
  test("the picture follows the hand", () => {
    const near = /** @type {Vector} */ ([0, 300, 0]);
    const before = project(camera(front, 900, 600), near);
    assert.ok(project(camera(orbit(front, 10, 0), 900, 600), near)[0] > before[0], "to the right");
    assert.ok(project(camera(orbit(front, 0, 10), 900, 600), near)[1] > before[1], "down");
    const c = camera(front, 900, 600);
    const moved = project(camera(shift(front, 30, 20, c.focal), 900, 600), [0, 0, 0]);
    assert.ok(Math.abs(moved[0] - 480) < 1e-6 && Math.abs(moved[1] - 320) < 1e-6);
  });
  test("has ends", () => {
    assert.equal(orbit(front, 0, 500).pitch, 90);
    assert.ok(orbit(front, 0, -500).pitch >= -30);
    assert.equal(orbit(front, 190, 0).yaw, -170);
    assert.ok(approach(front, 1e9).distance > 0);
    assert.ok(Number.isFinite(approach(front, 1e-9).distance));
    assert.deepEqual([wrap(180), wrap(-180), wrap(540), wrap(-1)], [180, 180, 180, -1]);
  });
});

describe("mask", () => {
  // Containers: ITU-R BT.709 (1920 x 1080), BT.601 with square pixels (768 x 576), and
  // the DCI specification's flat (3996 x 2160) and scope (4096 x 1716, whole px).
  const containers = /** @type {const} */ ([["16:9", 1920, 1080], ["4:3", 768, 576], ["1.85:1", 3996, 2160], ["2.39:1", 4096, 1716], ["9:16", 1080, 1920]]);
  for (const [name, w, h] of containers) {
    test(`${name} is ${w} x ${h}`, () => assert.ok(Math.abs(aspects[name] - w / h) < 0.004));
  }
  test("is the greatest that the stage holds, in its middle", () => {
    for (const name of maskNames) {
      for (const [w, h] of [[900, 600], [390, 700], [1440, 200]]) {
        const f = maskFrame(name, w, h, 20);
        assert.ok(Math.abs(f.width / f.height - aspects[name]) < 1e-9);
        assert.ok(Math.abs(f.width - (w - 40)) < 1e-9 || Math.abs(f.height - (h - 40)) < 1e-9);
        assert.ok(f.width <= w - 40 + 1e-9 && f.height <= h - 40 + 1e-9);
        assert.ok(Math.abs(f.x * 2 + f.width - w) < 1e-9 && Math.abs(f.y * 2 + f.height - h) < 1e-9);
      }
    }
  });
  test("without one it is the stage", () => assert.deepEqual(maskFrame(null, 900, 600, 20), { x: 0, y: 0, width: 900, height: 600 }));
});
