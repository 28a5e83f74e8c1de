import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { fields, spanText, verdict, whyIdle } from "../page/panels.js";
import { initialState } from "../page/store.js";

/** @typedef {import("../page/types.js").Score} Score */
/** @typedef {import("../page/types.js").State} State */

// The words are those of the sheet on paper (transport/plot, title.go).
describe("the verdict", () => {
  for (const [n, text, small] of /** @type {[{errors: number, warnings: number, notes?: number}, string, string][]} */ ([
    [{ errors: 0, warnings: 0 }, "passes", ""],
    [{ errors: 0, warnings: 0, notes: 2 }, "passes", "2 notes"],
    [{ errors: 0, warnings: 1 }, "passes with warnings", "1 warning"],
    [{ errors: 1, warnings: 3, notes: 1 }, "does not pass", "1 error, 3 warnings, 1 note"],
  ])) {
    test(text + small, () => assert.deepEqual(verdict(n), { text, small }));
  }
});

/** @param {Partial<Score>} s @returns {Score} */
const score = (s) => ({
  name: "storm", title: "Storm", file: "", rig: "Keeper", revision: "1", length: 24, loop: false, fps: null, tempo: null, boardRate: 50,
  rows: [], marks: [], cues: [], quiet: [], layers: [], supplies: [], findings: [], joints: [], sound: null, ...s,
});
/** @param {"good"|"broken"|"absent"} state @returns {Partial<State>} */
const listed = (state) => ({
  motion: "storm",
  project: { title: "Coast", kind: "show", file: "", revision: "1", problems: [], motions: [{ name: "storm", title: "Storm", file: "", revision: "1", state, passes: true, errors: 0, warnings: 0, length: 24 }] },
});

describe("the masthead", () => {
  /** @param {Partial<State>} s */
  const of = (s) => fields({ ...initialState(), ...s }).map((f) => `${f.label}: ${f.text}${f.small ? ` (${f.small})` : ""}`);
  test("before anything came", () => assert.deepEqual(of({}), ["Motion: \u2013"]));
  test("of a motion that never loaded there is only the name", () => assert.deepEqual(of(listed("absent")), ["Motion: Storm"]));
  test("of a plain motion", () => {
    assert.deepEqual(of({ ...listed("good"), score: score({}) }), ["Motion: Storm", "Rig: Keeper", "Length: 24 s", "Check: passes"]);
  });
  test("with frames and a tempo that changes", () => {
    const s = score({ length: 90, fps: { rate: 24000 / 1001, count: 24, drop: false }, tempo: [{ at: 0, beat: 0, bpm: 120 }, { at: 9, beat: 18, bpm: 96 }] });
    assert.deepEqual(of({ ...listed("good"), score: s }).slice(2, 5), ["Length: 1:30", "Frames: 23.976 fps", "Tempo: 96 to 120 bpm"]);
  });
  test("while the file is broken it says which version this is", () => {
    assert.equal(of({ ...listed("broken"), score: score({}) }).at(-1), "Check: passes (the last good version)");
  });
});

describe("why nothing can be played", () => {
  for (const [name, state, want] of /** @type {[string, Partial<State>, string][]} */ ([
    ["before anything came", {}, "Reading the motion \u2026"],
    ["while the motion comes", listed("good"), "Reading the motion \u2026"],
    ["with a motion", { ...listed("good"), score: score({}) }, ""],
    ["with the last good one of a broken file", { ...listed("broken"), score: score({}) }, ""],
    ["broken from the start", listed("absent"), "Nothing to play: storm does not load"],
    ["where it could not be read", { ...listed("good"), trouble: "no answer" }, "Nothing to play: the motion could not be shown"],
    ["in a show without motions", { project: { title: "Coast", kind: "show", file: "", revision: "1", problems: [], motions: [] } }, "Nothing to play: there is no motion"],
  ])) {
    test(name, () => assert.equal(whyIdle({ ...initialState(), ...state }), want));
  }
});

describe("when a finding is", () => {
  for (const [from, to, want] of /** @type {[number, number, string][]} */ ([
    [4.28, 4.42, "4.28 to 4.42 s"], [14.25, 14.25, "at 14.25 s"], [14.251, 14.254, "at 14.25 s"], [8, 8.53, "8 to 8.53 s"], [0, 24, ""], [0, 0, "at 0 s"], [3, 1, ""],
  ])) {
    test(`${from} to ${to}: ${want}`, () => assert.equal(spanText(/** @type {any} */ ({ from, to }), score({})), want));
  }
  test("over a minute", () => assert.equal(spanText(/** @type {any} */ ({ from: 59, to: 90 }), score({ length: 100 })), "59 s to 1:30"));
});
