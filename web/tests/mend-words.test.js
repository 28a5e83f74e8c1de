import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { mendFor } from "../page/mend/door.js";
import { axisTexts, figureRows, lineRows, linesText, movesText, nameOf, requestOf, shortText, timeMap, ways } from "../page/mend/words.js";

/** @param {number} at @returns {any} */
const key = (at) => ({ at });

/** @param {number} length @param {number[]} keys @param {Record<string, number>} [marks] @returns {any} */
const score = (length, keys, marks = {}) => ({ length, rows: [{ kind: "axis", name: "arm", keys: keys.map(key) }], marks: Object.entries(marks).map(([name, at]) => ({ name, at })) });

/** @param {object} more @returns {any} */
const told = (more) => ({ motion: "storm", id: "A", kind: "retime", state: "ready", text: "", base: "", ...more });

describe("what is asked of the server", () => {
  for (const { what, kind, chosen, body } of /** @type {const} */ ([
    { what: "as the fields stand, the server's own values hold", kind: "retime", chosen: { fastest: false, stagger: false, catchUp: "", tolerance: "" }, body: { kind: "retime" } },
    { what: "what is ticked and typed", kind: "retime", chosen: { fastest: true, stagger: true, catchUp: "1.5", tolerance: "0.5 %" }, body: { kind: "retime", fastest: true, stagger: true, catchUp: 1.5, tolerance: 0.5 } },
    { what: "a comma is a point", kind: "retime", chosen: { catchUp: "1,25" }, body: { kind: "retime", catchUp: 1.25 } },
    { what: "moved keys have no tolerance", kind: "retime-keys", chosen: { fastest: false, tolerance: "0.5", catchUp: "4" }, body: { kind: "retime-keys", catchUp: 4 } },
    { what: "a shape has no options", kind: "shape", chosen: { fastest: true, catchUp: "9" }, body: { kind: "shape" } },
  ])) {
    test(what, () => assert.deepEqual(requestOf(kind, chosen).body, body));
  }
  for (const [option, text] of /** @type {const} */ ([["catchUp", "0.9"], ["catchUp", "4.1"], ["catchUp", "soon"], ["tolerance", "0"], ["tolerance", "11"], ["tolerance", "NaN"]])) {
    test(`${option} ${text} is refused with its bounds`, () => {
      const r = requestOf("retime", { [option]: text });
      assert.equal(r.body, null);
      assert.match(r.wrong, /a number from (1 to 4|0\.01 to 10) will do/);
    });
  }
});

test("each way says what it does to the file", () => {
  assert.deepEqual(ways.map((w) => w.kind), ["retime", "retime-keys", "shape"]);
  for (const w of ways) assert.match(w.file, /^In the file: /);
  assert.equal(nameOf("take"), "A recorded take");
});

test("findings that slowness mends have a way", () => {
  for (const rule of ["speed", "acceleration", "jerk", "quiet"]) assert.equal(mendFor({ rule })?.kind, "retime");
  assert.equal(mendFor({ rule: "supply-current" })?.stagger, true);
  for (const rule of ["never", "wear", "limit-origin", "travel"]) assert.equal(mendFor({ rule }), null);
});

describe("the same moment of both versions", () => {
  const a = score(10, [0, 2, 4, 8], { gust: 6 });
  const b = score(14, [0, 2, 6, 12], { gust: 9 });
  const there = timeMap(a, b);
  const back = timeMap(b, a);
  for (const [at, want] of [[0, 0], [1, 1], [2, 2], [3, 4], [4, 6], [5, 7.5], [6, 9], [8, 12], [9, 13], [10, 14], [12, 14]]) {
    test(`${at} s is ${want} s`, () => assert.ok(Math.abs(there(at) - want) < 1e-9, String(there(at))));
  }
  test("there and back is the same time", () => {
    for (let t = 0; t <= 10; t += 0.125) assert.ok(Math.abs(back(there(t)) - t) < 1e-9, String(t));
  });
  test("it never goes back, where keys were rounded against each other", () => {
    const c = score(10, [0, 4, 4.0002, 8]);
    const d = score(11, [0, 5, 4.9998, 9]);
    let last = -1;
    for (let t = 0; t <= 10; t += 0.01) {
      const now = timeMap(c, d)(t);
      assert.ok(now >= last);
      last = now;
    }
  });
  test("rows with other numbers of keys say nothing of time", () => assert.equal(timeMap(score(10, [0, 1]), score(20, [0, 5, 6]))(5), 10));
});

describe("what a proposal comes to", () => {
  const figures = { lengthBefore: 24, lengthAfter: 24.473, errorsBefore: 5, errorsAfter: 2, warningsBefore: 3, warningsAfter: 3 };
  test("in few words", () => assert.equal(shortText(told({ figures })), "24.47 s instead of 24 s, 2 errors instead of 5"));
  test("with nothing longer", () => assert.equal(shortText(told({ figures: { ...figures, lengthAfter: 24, errorsBefore: 1, errorsAfter: 1 } })), "24 s long as before, 1 error as before"));
  test("as a table", () => assert.deepEqual(figureRows(told({ figures })), [
    { what: "Length", before: "24 s", after: "24.47 s" }, { what: "Errors", before: "5", after: "2" }, { what: "Warnings", before: "3", after: "3" }]));
  test("of a shape, axis by axis", () => assert.deepEqual(axisTexts(told({ figures: { ...figures, axes: [{ axis: "arm", unit: "deg", largest: 3.25, at: 8.5, added: 1, moved: 2 }] } })),
    ["arm: at most 3.25\u00b0 from what is written, at 8.5 s; 1 key added, 2 changed"]));
  test("before it is ready there are no figures", () => assert.deepEqual([figureRows(told({})), shortText(told({}))], [[], ""]));
  test("keys and marks that move", () => assert.equal(movesText(score(10, [0, 2, 4], { gust: 2 }), score(11, [0, 2.5, 5], { gust: 2.5 })), "2 keys and 1 mark move, by 1.00 s later at most"));
  test("keys that are new", () => assert.equal(movesText(score(10, [0, 2]), score(10, [0, 1, 2])), "arm has 3 keys instead of 2"));
  test("nothing that moves", () => assert.equal(movesText(score(10, [0, 2]), score(10, [0, 2])), ""));
  // The form of the lines is that of unified diffs (POSIX.1-2017, diff, "-u") without the @@.
  const lines = [{ before: 3, after: 3, lines: [" a", "-b: 1s", "+b: 2s", " c"] }, { before: 20, after: 20, lines: ["+d"], cut: 4 }];
  test("lines with their signs", () => assert.deepEqual(lineRows(told({ lines })).map((l) => (l.head ? `# ${l.text}` : `${l.sign}|${l.text}`)),
    ["# from line 3", "|a", "\u2212|b: 1s", "+|b: 2s", "|c", "# from line 20", "+|d", "# and 4 lines more"]));
  test("their number", () => assert.equal(linesText(told({ lines, file: "storm.pace.csv" })), "2 lines come, 1 goes, and more than can be shown; the file storm.pace.csv comes beside it"));
});
