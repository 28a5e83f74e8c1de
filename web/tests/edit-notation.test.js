import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { timeText, typedTime, typedValue, valueText } from "../page/edit/notation.js";
import { editScore } from "./edit-score.js";

/** @typedef {import("../page/types.js").Score} Score */

const film = { rate: 24, count: 24, drop: false };
const ntsc = { rate: 30000 / 1001, count: 30, drop: true };
const near = (/** @type {number|null} */ a, /** @type {number} */ b) => a !== null && Math.abs(a - b) < 1e-9;

describe("a time", () => {
  for (const [text, want, fps = film] of /** @type {[string, number, typeof film?][]} */ ([
    ["1.2s", 1.2], ["1.2", 1.2], [" 1.2 s ", 1.2], [".5", 0.5], ["5.", 5], ["250ms", 0.25], ["12us", 12e-6], ["12µs", 12e-6], ["2min", 120], ["1h", 3600], ["1e1s", 10], ["+3s", 3],
    ["36f", 1.5], ["1f", 1 / 24], ["1f", 1001 / 30000, ntsc], ["3b", 1.5], ["0.5b", 0.25],
    // SMPTE ST 12-1: non-drop timecode counts every frame; drop-frame leaves the labels 00
    // and 01 of each minute out but of every tenth, so 00:01:00;02 is frame 1800 and
    // 00:10:00;00 is frame 17982.
    ["00:00:01:12", 1.5], ["00:00:01:12", 42 * (1001 / 30000), ntsc], ["01:00:00:00", 3600], ["00:01:00;02", 1800 * (1001 / 30000), ntsc], ["00:10:00;00", 17982 * (1001 / 30000), ntsc],
    ["boat", 1.5], ["boat+6f", 1.75], ["boat-0.25s", 1.25], ["boat + 500ms", 2], ["boat+1b", 2], ["boat-in", 3], ["boat-in-0.5", 2.5], ["boat-in+12f", 3.5], ["48h", 172800],
  ])) {
    test(`${text} at ${fps.rate.toFixed(2)}`, () => {
      const got = typedTime(text, { ...editScore(), fps });
      assert.ok(near(got.value, want) && got.wrong === "", `${got.value}, not ${want}: ${got.wrong}`);
    });
  }
  for (const [text, wrong, more = {}] of /** @type {[string, RegExp, Partial<Score>?][]} */ ([
    ["", /missing/], ["   ", /missing/], ["-1s", /before 0/], ["boat-2s", /before 0/], ["49h", /48 h/], ["1,5s", /decimal point, as 1\.5s/], ["3kg", /kg is no unit of time/], ["3deg", /no unit/],
    ["ship", /no mark ship: marks are boat, boat-in/], ["boat+", /offset/], ["boat+x", /offset/], ["boatx", /no mark boatx/], ["boat+3kg", /kg is no unit/],
    ["ship", /^there is no mark ship$/, { marks: [] }], ["36f", /no fps/, { fps: null }], ["3b", /no tempo/, { tempo: null }], ["00:00:01:12", /no fps/, { fps: null }],
    ["00:00:01;12", /29\.97/], ["00:60:00:00", /no timecode/], ["00:00:60:00", /no timecode/], ["00:00:00:24", /no timecode/],
    ["00:01:00;01", /leaves 00:01:00;01 out/, { fps: ntsc }], ["00:09:00;00", /leaves/, { fps: ntsc }], ["1e999s", /no number/],
  ])) {
    test(`${JSON.stringify(text)} is none`, () => {
      const got = typedTime(text, editScore(more));
      assert.equal(got.value, null);
      assert.match(got.wrong, wrong);
    });
  }
});

describe("a value", () => {
  const deg = { name: "arm", unit: "deg", travel: /** @type {[number, number]} */ ([-20, 120]) };
  const per = { name: "lantern", unit: "%", travel: /** @type {[number, number]} */ ([0, 100]) };
  const mm = { name: "boat", unit: "mm", travel: null };
  const rev = { name: "beacon", unit: "rev", travel: null };
  const on = { name: "horn", unit: "on", travel: null };
  for (const [text, row, want] of /** @type {[string, typeof deg|typeof mm, number][]} */ ([
    ["40", deg, 40], ["40deg", deg, 40], ["40 °", deg, 40], ["1rad", deg, 180 / Math.PI], ["0.25rev", deg, 90], ["-5.5deg", deg, -5.5], ["−5.5deg", deg, -5.5], ["120", deg, 120], ["-20", deg, -20],
    ["0%", deg, -20], ["100%", deg, 120], ["50%", deg, 50], ["50%", per, 50], ["50", per, 50],
    // An inch is 25.4 mm (ISO 80000-3, by the agreement of 1959).
    ["3cm", mm, 30], ["0.1m", mm, 100], ["1in", mm, 25.4], ["-3", mm, -3], ["1rev", rev, 1], ["90deg", rev, 0.25], ["on", on, 1], ["Off", on, 0], ["1", on, 1], ["false", on, 0],
  ])) {
    test(`${text} of ${row.name}`, () => assert.ok(near(typedValue(text, row).value, want), `${typedValue(text, row).value}, not ${want}`));
  }
  for (const [text, row, wrong] of /** @type {[string, typeof deg|typeof mm, RegExp][]} */ ([
    ["", deg, /missing, as 40deg/], ["x", deg, /missing/], ["3mm", deg, /mm is no unit of arm: deg, °, rad, rev/], ["4,5", deg, /as 4\.5/], ["121", deg, /from -20 to 120 deg/], ["-20.1", deg, /from -20/], ["101%", deg, /from -20/],
    ["50%", mm, /% is no unit of boat/], ["3deg", per, /deg is no unit/], ["half", on, /on or off/], ["2", on, /on or off/], ["1e999", mm, /no number/],
  ])) {
    test(`${JSON.stringify(text)} of ${row.name} is none`, () => {
      const got = typedValue(text, row);
      assert.equal(got.value, null);
      assert.match(got.wrong, wrong);
    });
  }
});

test("what is written can be typed, and is the same", () => {
  const score = editScore();
  for (const frame of [0, 1, 35, 36, 100000]) {
    assert.equal(timeText(frame / 24, score), `${frame}f`);
    assert.ok(near(typedTime(timeText(frame / 24, score), score).value, frame / 24));
  }
  assert.equal(timeText(0.9, score), "0.9s");
  assert.equal(timeText(0.5, { fps: null }), "0.5s");
  assert.equal(timeText(1.00004, { fps: null }), "1s");
  for (const [v, unit, want] of /** @type {[number, string, string][]} */ ([[40, "deg", "40deg"], [0.12345, "mm", "0.123mm"], [-0.0001, "%", "0%"], [1, "on", "on"], [0, "on", "off"], [-4.5, "deg", "-4.5deg"]])) assert.equal(valueText(v, { unit }), want);
});
