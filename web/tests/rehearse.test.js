import assert from "node:assert/strict";
import { test } from "node:test";

import { boardsOf, driverText, figures, forgetsPress, live, nothing, playRequest, resumes, ruleText, stopFace } from "../page/rehearse/words.js";

/** @type {import("../page/rehearse/words.js").BoardState} */
const board = { name: "main", at: "ws://keeper/", linked: true, tick: 2_500_000, buffer_ms: 276.4, late: 0, clamped: 0, bad: 0, stale: 0, drift_ppm: 26.9, drift_sd: 8.5, round_trip_ms: 0.94, supply_mv: 0, stop_input: false, inputs: [], state: "playing", why: "", lost: "", help: "" };

test("the first press stops, the second drops, and both say that they are no emergency stop or what falls", () => {
  const playing = { ...nothing, phase: "playing", boards: [board] };
  assert.deepEqual([stopFace(playing, false).does, stopFace(playing, true).does], ["stop", "drop"]);
  assert.match(stopFace(playing, false).note, /no emergency stop/);
  assert.match(stopFace(playing, true).note, /what carries weight falls/);
  for (const [phase, state, does] of [["stopping", "stopping", "drop"], ["stopped", "stopped", "drop"], ["stopped", "silent", "stop"], ["apart", "silent", "stop"]]) {
    assert.equal(stopFace({ ...nothing, phase, boards: [{ ...board, state }] }, false).does, does, `${phase} ${state}`);
  }
});

test("a press is remembered until boards take hold anew", () => {
  for (const phase of ["playing", "stopping", "stopped", "lost"]) assert.equal(forgetsPress({ ...nothing, phase }), false, phase);
  for (const phase of ["arming", "connected", "apart"]) assert.equal(forgetsPress({ ...nothing, phase }), true, phase);
});

test("what may move is live", () => {
  for (const phase of ["arming", "armed", "moving", "count-in", "playing", "held", "stopping"]) assert.equal(live({ ...nothing, phase }), true, phase);
  for (const phase of ["apart", "connecting", "connected", "stopped", "lost"]) assert.equal(live({ ...nothing, phase }), false, phase);
});

test("who drives", () => {
  assert.equal(driverText(nothing, ""), "Nobody drives");
  assert.equal(driverText({ ...nothing, driver: "7" }, "7"), "This page drives");
  assert.match(driverText({ ...nothing, driver: "7" }, "8"), /watches, and can stop/);
});

test("going on is going on with what was held", () => {
  const held = { motion: "greet", rate: 1, looping: false, loop: null, time: 2.5 };
  assert.equal(resumes(held, { ...held }), true);
  for (const change of [{ motion: "storm" }, { rate: 0.5 }, { looping: true }, { loop: { from: 0, to: 1 } }, { time: 2.6 }]) assert.equal(resumes(held, { ...held, ...change }), false, JSON.stringify(change));
});

test("one rule says whose transport it is", () => {
  assert.match(ruleText({ ...nothing, phase: "armed", motion: "greet" }), /those of the boards/);
  assert.match(ruleText({ ...nothing, phase: "stopped", motion: "greet" }), /this page alone/);
});

test("playing is from the playhead, within the loop", () => {
  const s = { motion: "greet", time: 3, rate: 0.5, looping: false, loop: null, countIn: true };
  assert.deepEqual(playRequest(s, 10), { motion: "greet", from: 3, speed: 0.5, loop: false, countIn: 3 });
  assert.equal(playRequest({ ...s, time: 10 }, 10).from, 0);
  assert.deepEqual(playRequest({ ...s, looping: true, countIn: false }, 10), { motion: "greet", from: 0, enter: 3, speed: 0.5, loop: true, countIn: 0 });
  const loop = { from: 2, to: 5 };
  assert.deepEqual(playRequest({ ...s, looping: true, loop }, 10), { motion: "greet", from: 2, to: 5, enter: 3, speed: 0.5, loop: true, countIn: 3 });
  assert.deepEqual(playRequest({ ...s, looping: true, loop, time: 8 }, 10), { motion: "greet", from: 2, to: 5, speed: 0.5, loop: true, countIn: 3 });
});

test("figures of a board", () => {
  const f = new Map(figures(board));
  assert.deepEqual([f.get("Time"), f.get("Buffer"), f.get("Drift"), f.get("Inputs"), f.get("Supply")], ["2.5 s", "276 ms", "27 \u00b1 9 ppm", "none", "not measured"]);
  assert.deepEqual([{ drift_ppm: -0.3, drift_sd: 1 }, { drift_ppm: -3.2, drift_sd: 1 }].map((c) => new Map(figures({ ...board, ...c })).get("Drift")), ["0 \u00b1 1 ppm", "\u22123 \u00b1 1 ppm"]);
  const g = new Map(figures({ ...board, buffer_ms: null, drift_ppm: null, supply_mv: 6020, inputs: [1, 3], stale: 2 }));
  assert.deepEqual([g.get("Buffer"), g.get("Drift"), g.get("Inputs"), g.get("Supply"), g.get("Frames cut, faulty, too late")], ["\u2013 ms", "\u2013", "1, 3", "6.02 V", "0, 0, 2"]);
});

test("each board once", () => assert.deepEqual(boardsOf([{ board: "main" }, { board: "" }, { board: "shore" }, { board: "main" }]), ["main", "shore"]));
