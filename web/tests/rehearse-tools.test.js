import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";

import { createTools, entries } from "../page/rehearse/tools.js";
import { conducted, nothing } from "../page/rehearse/words.js";
import { createStore, initialState } from "../page/store.js";
import { Plain, plainDocument } from "./plain-dom.js";

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

/** The tools' places on a page, with one tool of a test. @param {Partial<import("../page/rehearse/tools.js").Tool> & {css?: string, where?: "rehearsal"|"beside", load?: () => void}} tool */
function desk({ css = "", where = "rehearsal", load = () => {}, ...tool }) {
  const { head } = plainDocument();
  const [page, row, body, beside, after] = ["main", "div", "div", "div", "section"].map((tag) => new Plain(tag));
  page.append(row, body, beside, after);
  let made = 0;
  /** @type {string[]} */
  const faults = [];
  /** @type {any} */
  const o = { row, body, beside, after, store: createStore({ ...initialState(), score: /** @type {any} */ ({}) }), fault: (/** @type {string} */ text) => text && faults.push(text) };
  const tools = createTools(o, [{ id: "some", label: "Some", where, css, load: async () => {
    load();
    return { createTool: () => (made++, tool) };
  } }]);
  const section = (where === "rehearsal" ? body : page).querySelectorAll("section").at(-1);
  return {
    tools, head, faults, section: /** @type {Plain} */ (section), made: () => made,
    async press() {
      (where === "rehearsal" ? row : beside).button("Some").fire("click");
      await new Promise((done) => setImmediate(done));
    },
  };
}

test("a tool that fails as it is opened is made once, however often it is tried", async () => {
  let fails = true, opened = 0;
  const d = desk({ opened: () => {
    opened++;
    if (fails) throw new Error("no");
  } });
  await d.press();
  assert.deepEqual(d.faults, ["Some could not be opened: no"]);
  await d.press(); // closed
  fails = false;
  await d.press();
  assert.deepEqual([d.made(), opened, d.section.hidden, d.faults.length], [1, 2, false, 1]);
});

test("what did not come is fetched once more, and its style sheet is linked once", async () => {
  let fails = true;
  const d = desk({ css: "/some.css", load: () => {
    if (fails) throw new Error("gone");
  } });
  const links = () => d.head.querySelectorAll("link");
  await d.press();
  assert.deepEqual([d.faults.length, links().length], [1, 1]);
  links()[0].fire("error");
  await d.press();
  assert.equal(links().length, 1, "one that did not come is linked anew, in its place");
  links()[0].fire("load");
  fails = false;
  await d.press();
  assert.deepEqual([links().length, d.made(), d.section.hidden], [1, 1, false], "one that came is not linked again");
});

test("what is within the rehearsal is closed with it, unless it has something to lose", async () => {
  let stays = true, closed = 0;
  const d = desk({ stays: () => stays, closed: () => void closed++ });
  assert.equal(d.tools.shut(), true, "nothing is open");
  await d.press();
  assert.deepEqual([d.tools.shut(), closed, d.section.hidden], [false, 0, false]);
  stays = false;
  assert.deepEqual([d.tools.shut(), closed, d.section.hidden], [true, 1, true]);
  assert.deepEqual([d.tools.shut(), closed], [true, 1], "once");
  const beside = desk({ where: "beside", closed: () => void closed++ });
  await beside.press();
  assert.deepEqual([beside.tools.shut(), closed, beside.section.hidden], [true, 1, false], "what is beside it stays");
});

test("what stands beside the rehearsal waits for a motion", () => {
  plainDocument();
  const beside = new Plain("div"), after = new Plain("section");
  new Plain("main").append(after);
  const store = createStore(initialState());
  createTools(/** @type {any} */ ({ row: new Plain("div"), body: new Plain("div"), beside, after, store, fault() {} }),
    [{ id: "some", label: "Some", where: "beside", css: "", load: async () => ({ createTool: () => ({}) }) }]);
  const button = /** @type {any} */ (beside.querySelectorAll("button").at(-1));
  assert.equal(button.disabled, true);
  store.set({ score: /** @type {any} */ ({}) });
  assert.equal(button.disabled, false);
});
