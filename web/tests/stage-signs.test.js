import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { findingsAt, isError, signsOf } from "../page/stage/look.js";
import { drawDial, label, legend } from "../page/stage/paint.js";
import { findingOf, rowOf, scoreOf } from "./stage-rig.js";

/** @typedef {import("../page/stage/paint.js").Sign} Sign */
/** @typedef {import("../page/stage/paint.js").Shown} Shown */

const names = /** @type {const} */ (["ink", "pencil", "slate", "faint", "wash", "veil", "iron", "paper"]);
const colours = /** @type {import("../page/stage/paint.js").Colours} */ ({ ...Object.fromEntries(names.map((n) => [n, n])), sans: "sans-serif", serif: "serif" });
const oneColour = /** @type {typeof colours} */ ({ ...Object.fromEntries(names.map((n) => [n, "black"])), sans: "sans-serif", serif: "serif" });

/** A canvas that writes down what is drawn on it: colours by what they were used for, and lines as ends. */
function notebook() {
  /** @type {{colour: string, width: number, dash: number[], lines: number[][]}[]} */
  const strokes = [];
  /** @type {string[]} */
  const calls = [];
  /** @type {Set<string>} */
  const used = new Set();
  let dash = /** @type {number[]} */ ([]), lines = /** @type {number[][]} */ ([]), at = [0, 0];
  const g = /** @type {any} */ ({
    beginPath: () => (lines = []),
    moveTo: (/** @type {number} */ x, /** @type {number} */ y) => (at = [x, y]),
    lineTo(/** @type {number} */ x, /** @type {number} */ y) {
      lines.push([...at, x, y]);
      at = [x, y];
    },
    arc: (/** @type {number[]} */ ...a) => void calls.push(`arc ${a.map((v) => v.toFixed(3))}`),
    setLineDash: (/** @type {number[]} */ d) => (dash = d),
    stroke() {
      used.add(g.strokeStyle);
      strokes.push({ colour: g.strokeStyle, width: g.lineWidth, dash, lines });
      calls.push(`stroke ${g.strokeStyle} ${g.lineWidth} ${dash} ${JSON.stringify(lines)}`);
    },
    fill: () => used.add(g.fillStyle),
    fillRect: () => used.add(g.fillStyle),
    fillText(/** @type {string} */ text) {
      used.add(g.fillStyle);
      calls.push(`text ${g.fillStyle} ${text}`);
    },
    measureText: (/** @type {string} */ text) => ({ width: 6 * text.length }),
  });
  return { g, strokes, calls, used };
}

/** @param {Sign} sign @param {typeof colours} c */
function dial(sign, c = colours) {
  const n = notebook();
  drawDial(n.g, { x: 100, y: 100, r: 60 }, rowOf({ name: "neck" }), { predicted: 10, commanded: 40, ghost: true, numbers: sign ? "3" : "", sign }, c);
  return n;
}

/** Lines that lean, as a share of their height: over 0 where they rise to the right. @param {ReturnType<typeof notebook>} n @param {string} colour */
const leaning = (n, colour) => n.strokes.filter((s) => s.colour === colour && s.width === 1.1).flatMap((s) => s.lines).filter(([x, , p]) => x !== p).map(([x, y, p, q]) => (y - q) / (p - x));

describe("what holds at a time", () => {
  const score = scoreOf({ findings: [
    findingOf({ number: 1, row: 0, severity: "error", from: 1, to: 2 }), findingOf({ number: 2, row: 1, severity: "warning", from: 1, to: 2 }),
    findingOf({ number: 3, row: 0, severity: "warning", from: 1, to: 2 }), findingOf({ number: 4, row: 2, severity: "note", from: 1, to: 2 }),
  ] });
  const found = findingsAt(score, 1.5);
  test("errors and warnings, and no notes", () => assert.deepEqual(found.map((f) => f.number), [1, 2, 3]));
  test("the worst gives the sign", () => {
    assert.deepEqual(signsOf(found, 0), { numbers: "1 3", sign: "error" });
    assert.deepEqual(signsOf(found, 1), { numbers: "2", sign: "warning" });
    assert.deepEqual(signsOf(found, 2), { numbers: "", sign: "" });
  });
  test("only errors are broken limits", () => assert.deepEqual(found.filter(isError).map((f) => f.number), [1]));
});

describe("a dial", () => {
  test("has the colour of broken limits for an error, and never for a warning", () => {
    assert.ok(dial("error").used.has("iron"));
    assert.ok(!dial("warning").used.has("iron"));
    assert.ok(!dial("").used.has("iron"));
  });
  test("is another one for an error, a warning and neither, even in one colour", () => {
    const pictures = /** @type {Sign[]} */ (["", "warning", "error"]).map((s) => dial(s, oneColour).calls.filter((c) => !c.startsWith("text")).join("\n"));
    assert.equal(new Set(pictures).size, 3);
  });
  test("has a dashed arc for a warning, a full one for an error", () => {
    const arc = (/** @type {Sign} */ s) => dial(s).strokes.find((x) => x.width === 2.5);
    assert.deepEqual(arc("error")?.dash, []);
    assert.ok((arc("warning")?.dash.length ?? 0) > 0);
    assert.equal(arc(""), undefined);
  });
  test("has the commanded hand dashed and the predicted one full", () => {
    const hands = dial("").strokes.filter((s) => s.lines.length === 1);
    assert.deepEqual(hands.map((s) => s.dash.length > 0), [true, false]);
  });
  test("says the numbers of what was found", () => assert.ok(dial("warning").calls.includes("text ink 3 neck")));
});

describe("the sign", () => {
  test("of an error rises and is dense, that of a warning falls and is wide, as on the sheet", () => {
    const error = leaning(dial("error"), "iron"), warning = leaning(dial("warning"), "ink");
    assert.ok(error.length >= 5 && error.every((k) => Math.abs(k - 1) < 1e-9), String(error));
    assert.ok(warning.length >= 2 && warning.every((k) => Math.abs(k + 1) < 1e-9), String(warning));
    assert.ok(error.length >= 1.5 * warning.length);
  });
  test("stays within its box", () => {
    for (const kind of /** @type {const} */ (["error", "warning"])) {
      const n = notebook();
      label(n.g, "3 neck", kind, 50, 20, "ink", colours);
      for (const [x, y, p, q] of n.strokes.flatMap((s) => s.lines)) {
        for (const v of [x, p]) assert.ok(v >= 51 && v <= 64, `x ${v}`);
        for (const v of [y, q]) assert.ok(v >= 15 - 1e-9 && v <= 25 + 1e-9, `y ${v}`);
      }
    }
  });
  test("is none where nothing was found", () => {
    const n = notebook();
    label(n.g, "neck", "", 50, 20, "ink", colours);
    assert.equal(n.strokes.length, 0);
  });
  test("stands in the legend as it is drawn", () => {
    const n = notebook();
    legend(n.g, [{ mark: "line", text: "as it will be" }, { mark: "error", text: "error" }, { mark: "warning", text: "warning" }], 0, 10, colours);
    assert.ok(leaning(n, "iron").every((k) => k > 0) && leaning(n, "iron").length > 0);
    assert.ok(leaning(n, "ink").every((k) => k < 0) && leaning(n, "ink").length > 0);
  });
});
