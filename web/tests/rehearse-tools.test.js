import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";

import { entries } from "../page/rehearse/tools.js";
import { conducted, nothing } from "../page/rehearse/words.js";

test("each tool is fetched only when it is opened, and has its style sheet", () => {
  for (const e of entries) {
    if (e.css) assert.ok(readFileSync(new URL(`..${e.css}`, import.meta.url), "utf8").length > 0, e.id);
    assert.equal(typeof e.load, "function", e.id);
  }
  assert.deepEqual([...new Set(entries.map((e) => e.id))], entries.map((e) => e.id));
});

test("the transport is that of the boards while pulses leave to play", () => {
  for (const phase of ["armed", "moving", "count-in", "playing", "held"]) assert.equal(conducted({ ...nothing, motion: "greet", phase }), true, phase);
  for (const phase of ["apart", "connecting", "connected", "arming", "stopping", "stopped", "lost"]) assert.equal(conducted({ ...nothing, motion: "greet", phase }), false, phase);
  assert.equal(conducted({ ...nothing, phase: "armed" }), false, "no motion");
  const slew = { axis: "pan", flash: "lamp", unit: "deg", from: 0, to: 60, runs: [] };
  assert.equal(conducted({ ...nothing, motion: "greet", phase: "armed", slew }), false, "a step that is filmed");
});
