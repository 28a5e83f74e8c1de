import assert from "node:assert/strict";
import { test } from "node:test";
import { snapTime, snapValue, valueStep } from "../page/edit/snap.js";

const fps = { rate: 24, count: 24, drop: false };
const marks = [{ name: "boat", at: 1.51, locked: false, line: 1 }, { name: "bell", at: 1.6, locked: false, line: 2 }];
const tempo = [{ at: 0.1, beat: 0, bpm: 120 }]; // a beat each 0.5 s from 0.1 s on

test("a hand comes to rest on a mark, else on a beat, else on a frame", () => {
  // 10 ms a pixel: marks hold 70 ms about them, beats 40 ms.
  for (const [t, at, to] of /** @type {[number, number, string][]} */ ([
    [1.5, 1.51, "boat"], [1.45, 1.51, "boat"], [1.57, 1.6, "bell"], [1.67, 1.6, "bell"],
    [1.39, 1.375, ""], [1.13, 1.1, "beat 3"], [1.15, 28 / 24, ""], [0.02, 0, ""], [-3, 0, ""], [2.08, 2.1, "beat 5"],
  ])) {
    const got = snapTime(t, { fps, marks, tempo }, 0.01);
    assert.ok(Math.abs(got.at - at) < 1e-9 && got.to === to, `${t}: ${got.at} ${got.to}, not ${at} ${to}`);
  }
});

test("the nearer one looks, the less is drawn in", () => {
  assert.deepEqual(snapTime(1.5, { fps: null, marks, tempo: null }, 0.0001), { at: 1.5, to: "" });
  assert.ok(Math.abs(snapTime(1.1, { fps, marks: [], tempo }, 1e-4).at - 1.1) < 1e-9);
});

test("without frames a time is whole hundredths", () => {
  for (const [t, at] of [[1.2345, 1.23], [1.235001, 1.24], [0, 0]]) assert.ok(Math.abs(snapTime(t, { fps: null, marks: [], tempo: [] }, 0.01).at - at) < 1e-9, String(t));
});

test("no beat before the first, which would be before 0 s", () => {
  // Beat 0 lies at 0.1 s; the one before at -0.4 s.
  assert.equal(snapTime(0, { fps: null, marks: [], tempo }, 0.2).to, "beat 1");
  assert.equal(snapTime(0, { fps: null, marks: [], tempo: [{ at: 0.01, beat: 0.04, bpm: 240 }] }, 1).at, 0);
});

test("values go by one, two or five, not finer than a tenth, and a pixel is more than a step", () => {
  for (const [perPixel, step] of [[0, 0.1], [0.4, 0.1], [0.41, 0.2], [0.8, 0.2], [0.9, 0.5], [2, 0.5], [2.1, 1], [4, 1], [4.1, 2], [20, 5], [21, 10], [-4.1, 2], [Infinity, 5e5]]) {
    const got = valueStep(perPixel);
    assert.ok(Math.abs(got - step) < 1e-9 * step, `${perPixel}: ${got}, not ${step}`);
  }
});

test("a value is a plain decimal of its step, never -0", () => {
  for (const [v, step, want] of [[0.30000004, 0.1, 0.3], [37.6, 5, 40], [-0.04, 0.1, 0], [-2.6, 0.5, -2.5], [1e5 + 0.12, 0.1, 100000.1]]) {
    assert.ok(Object.is(snapValue(v, step), want), `${v} by ${step}: ${snapValue(v, step)}`);
  }
});
