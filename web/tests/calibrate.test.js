import assert from "node:assert/strict";
import { test } from "node:test";

import { createEnds } from "../page/calibrate/ends.js";
import { createSlew } from "../page/calibrate/slew.js";
import { confirmed, countsOf, endText, figureText, filmed, hindrance, isBeyond, lateOf, numberIn, reach, stepOfKey, stepped, tableText, unwritten } from "../page/calibrate/words.js";
import { nothing } from "../page/rehearse/words.js";
import { plainDocument } from "./plain-dom.js";

/** @type {import("../page/rehearse/words.js").CalibrationState} */
const c = { axis: "jaw", board: "main", unit: "deg", travel: [0, 60], us: 1300, centre: 1300, reached: [1280, 1310], step: 10, least: 500, greatest: 2500, ends: [null, null], written: false };

test("no step goes more than 10 us beyond where the axis has been, nor beyond what a servo gets", () => {
  assert.deepEqual(reach(c), { least: 1270, greatest: 1320 });
  assert.equal(stepped(c, 1310, 10), 1320);
  assert.equal(stepped(c, 1320, 10), 1320, "that was asked for, but not reached yet");
  assert.equal(stepped(c, 1280, -5), 1275);
  assert.equal(stepped(c, 1300, -1000), 1270);
  assert.deepEqual(reach({ ...c, reached: [504, 2498] }), { least: 500, greatest: 2500 });
  assert.deepEqual([isBeyond(c, 1310), isBeyond(c, 1311), isBeyond(c, 1279)], [false, true, true]);
});

test("keys are steps of 1, 5 and 10 us", () => {
  assert.deepEqual(["ArrowRight", "ArrowUp", "ArrowLeft", "ArrowDown", "PageUp", "PageDown"].map((k) => stepOfKey(k, false)), [1, 1, -1, -1, 10, -10]);
  assert.deepEqual(["ArrowRight", "ArrowLeft"].map((k) => stepOfKey(k, true)), [5, -5]);
  for (const key of ["Home", "End", "a", "Enter", "Escape"]) assert.equal(stepOfKey(key, false), null, key);
});

test("ends that are not in the file are said to be unwritten", () => {
  assert.equal(endText(c, 0), "not confirmed yet");
  assert.equal(endText({ ...c, ends: [1205, null] }, 0), "confirmed at 1205 \u00b5s");
  assert.equal(unwritten(null), false);
  assert.equal(unwritten({ ...c, ends: [1205, null] }), false);
  assert.equal(unwritten({ ...c, ends: [1205, 1400] }), true);
  assert.equal(unwritten({ ...c, ends: [1205, 1400], written: true }), false);
  assert.deepEqual([confirmed(null), confirmed(c), confirmed({ ...c, ends: [null, 1400] }), confirmed({ ...c, ends: [1205, 1400], written: true })], [false, false, true, false], "one end is lost, too");
});

/** @type {import("../page/calibrate/words.js").RigAxis} */
const axis = { name: "jaw", kind: "servo", unit: "deg", board: "main", travel: [0, 24], horn: [0, 21.56], pulse: [[-45, 1030], [45, 1990]], trim: 0, weight: false, speed: null, delay: null, limit: 625, ends: "", slews: "" };

test("the table says where the horn is, and that the trim is in it", () => {
  assert.equal(tableText(axis), "1030 \u00b5s at -45\u00b0, 1990 \u00b5s at 45\u00b0 of the horn.");
  assert.equal(tableText({ ...axis, horn: null, unit: "mm", trim: -12.5 }), "1030 \u00b5s at -45 mm, 1990 \u00b5s at 45 mm; a trim of -12.5 \u00b5s is in these.");
  assert.equal(tableText({ ...axis, pulse: [] }), "It has no table of pulses.");
});

// GUM 7.2.6 (JCGM 100:2008): an uncertainty has two digits at most, a figure is rounded to its place.
test("figures have the digits that are known", () => {
  assert.equal(figureText({ value: 299.7, standard: 5.103, expanded: 10.206, factor: 2 }, "\u00b0/s"), "300 \u00b1 11 \u00b0/s (k = 2)");
  assert.equal(figureText({ value: 0.0708333, standard: 0.0026896, expanded: 0.0053791, factor: 2 }, "ms", 1000), "70.8 \u00b1 5.4 ms (k = 2)");
  assert.equal(figureText({ value: 0.2, standard: 0.0034, expanded: 0.0068, factor: 2.87 }, "s/60\u00b0"), "0.2000 \u00b1 0.0068 s/60\u00b0 (k = 2.87)");
  assert.equal(figureText({ value: 1234, standard: 61, expanded: 123, factor: 2 }, "mm/s"), "1230 \u00b1 130 mm/s (k = 2)");
});

test("a table of films is whole numbers, and says which cell is not", () => {
  assert.deepEqual(countsOf([["17", "65"], ["", " "], [" 18 ", "66"]]).counts, [[17, 65], [18, 66]]);
  assert.match(countsOf([["", ""]]).fault, /No film is counted/);
  for (const [rows, row, cell] of /** @type {[[string, string][], number, number][]} */ ([[[["17", ""]], 0, 1], [[["17", "65"], ["-1", "65"]], 1, 0], [[["1.5", "65"]], 0, 0], [[["1e3", "65"]], 0, 0]])) {
    const { fault, row: r, cell: k, counts } = countsOf(rows);
    assert.ok(fault.startsWith(`Film ${row + 1}`), fault);
    assert.deepEqual([r, k, counts], [row, cell, []]);
  }
});

test("the pulse's lateness is that of the newest run that is not doubtful", () => {
  const run = { flash_tick: 5, command_us: 200, pulse_us: 1500, at_ms: 0, doubtful: false };
  const s = { axis: "pan", flash: "lamp", unit: "deg", from: 0, to: 60, runs: [run, { ...run, command_us: 400, doubtful: true }] };
  assert.equal(lateOf(s), 0.0002);
  assert.equal(lateOf({ ...s, runs: [] }), 0);
  assert.equal(lateOf(null), 0);
});

test("a film is worked out as the server takes it", () => {
  assert.deepEqual(filmed({ from: -30, to: 30, fps: 240, counts: [[17, 65]], plain: false, beside: true, late: 0.0002 }), { from: -30, to: 30, fps: 240, films: [[17, 65]], reading: 1, rolling: 0, late: 0.0002 });
  assert.deepEqual(filmed({ from: -30, to: 30, fps: 50, counts: [[17, 65]], plain: true, beside: false, late: 0 }), { from: -30, to: 30, fps: 50, films: [[17, 65]], reading: 0.5, rolling: 0.02, late: 0 });
});

test("numbers are typed with a point", () => {
  assert.deepEqual(["12", "-3.5", "\u22123.5", ".5", "+1."].map(numberIn), [12, -3.5, -3.5, 0.5, 1]);
  for (const text of ["", "1,5", "1e3", "x", "1 2", "NaN", "Infinity"]) assert.equal(numberIn(text), null, text);
});

test("who may not calibrate is told why", () => {
  assert.match(hindrance(nothing, "7", true), /press Drive/);
  assert.match(hindrance({ ...nothing, driver: "8" }, "7", true), /watches, and can stop/);
  assert.match(hindrance({ ...nothing, driver: "7" }, "7", false), /not reached/);
  assert.equal(hindrance({ ...nothing, driver: "7" }, "7", true), "");
});

/** What the panel's parts have in common, without a server. @param {() => any} axis */
function bench(axis) {
  /** @type {string[]} */
  const told = [];
  /** @type {any} */
  const b = { axis, rig: () => ({ axes: [axis()] }), why: () => "", tell: (/** @type {string} */ t) => told.push(t), fail() {}, ask: async () => true, place: () => ({}), desk: {} };
  return { b, told };
}

test("counts of films are those of one axis: another has none of them", () => {
  plainDocument();
  let on = { ...axis, name: "jaw" };
  const { b, told } = bench(() => on);
  const slew = createSlew(b);
  const state = { ...nothing, driver: "7" };
  slew.show(state);
  /** @type {any} */
  const element = slew.element;
  const counts = () => element.querySelectorAll("tbody")[0].querySelectorAll("input").map((/** @type {any} */ i) => i.value);
  element.button("Another film").fire("click");
  assert.equal(counts().length, 4);
  ["17", "65", "18", "66"].forEach((v, k) => (element.querySelectorAll("tbody")[0].querySelectorAll("input")[k].value = v));
  slew.show(state);
  assert.deepEqual(counts(), ["17", "65", "18", "66"], "the same axis keeps them");
  on = { ...axis, name: "brow" };
  slew.show(state);
  assert.deepEqual([counts(), told], [["", ""], ["The counts of jaw were cleared: they are of no other axis"]]);
});

test("while pulses leave, what may hurt is said beside what is pressed", () => {
  plainDocument();
  const { b } = bench(() => axis);
  const ends = createEnds(b);
  /** @type {any} */
  const element = ends.element;
  /** @param {RegExp} words */
  const said = (words) => element.querySelectorAll("p").concat(element.querySelectorAll("li")).some((/** @type {any} */ e) => e.seen && words.test(e.textContent));
  ends.show({ ...nothing, driver: "7" });
  assert.deepEqual([said(/horn off/), said(/stall current/)], [true, true]);
  ends.show({ ...nothing, driver: "7", phase: "armed", calibrate: c });
  for (const words of [/stall current/, /hands, hair and cables/i, /stop by software/, /sweep moves the part/i]) assert.ok(said(words), String(words));
  const [sweep] = element.querySelectorAll("button").filter((/** @type {any} */ e) => e.textContent === "Sweep twice");
  assert.match(sweep.parent.textContent, /sweep moves the part/i, "beside its button");
});

test("Done says what it drops", () => {
  plainDocument();
  const ends = createEnds(bench(() => axis).b);
  /** @type {any} */
  const element = ends.element;
  for (const [found, words] of /** @type {[any, string][]} */ ([[[null, null], "Done"], [[null, 1400], "Done, without writing"], [[1205, 1400], "Done, without writing"]])) {
    ends.show({ ...nothing, driver: "7", phase: "armed", calibrate: { ...c, ends: found } });
    assert.ok(element.button(words));
  }
});
