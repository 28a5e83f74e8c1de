import assert from "node:assert/strict";
import { afterEach, beforeEach, mock, test } from "node:test";

import { createRehearse } from "../page/rehearse/rehearse.js";
import { nothing } from "../page/rehearse/words.js";
import { createStore, initialState } from "../page/store.js";
import { editScore } from "./edit-score.js";
import { openPage } from "./page.js";

/** @typedef {import("../page/rehearse/words.js").Rehearsal} Rehearsal */
/** @typedef {import("../page/rehearse/words.js").BoardState} BoardState */

const board = /** @type {BoardState} */ ({ name: "main", at: "ws://keeper/", linked: true, tick: 0, buffer_ms: 200, late: 0, clamped: 0, bad: 0, stale: 0, drift_ppm: null, drift_sd: null, round_trip_ms: 1, supply_mv: 0, stop_input: false, inputs: [], state: "playing", why: "", lost: "", help: "" });

/** @type {(() => void)[]} */
const ends = [];
beforeEach(() => mock.timers.enable({ apis: ["setInterval", "setTimeout"] }));
afterEach(() => {
  for (const end of ends.splice(0)) end();
  mock.timers.reset();
  mock.restoreAll();
});

/** A page of the rehearsal, whose clock the test turns. @param {boolean} drives */
function desk(drives = true) {
  const page = openPage();
  ends.push(page.close);
  let now = 1000;
  mock.method(performance, "now", () => now);
  const store = createStore({ ...initialState(), connected: true, motion: "greet", score: editScore() });
  /** @type {string[]} */
  const words = [];
  /** @type {unknown[]} */
  const along = [];
  const root = page.element("main");
  const element = page.element("section");
  root.append(element);
  const rehearse = createRehearse({
    element: /** @type {any} */ (element), beside: /** @type {any} */ (page.element("div")), dialogs: [], store,
    actions: /** @type {any} */ ({ announce() {} }), transport: /** @type {any} */ ({ stop() {}, seek() {}, along: (/** @type {unknown} */ leader) => along.push(leader) }),
    send: (text) => {
      const { type, do: word } = JSON.parse(text);
      if (type === "rehearse") words.push(word);
      return true;
    },
  });
  /** @type {Rehearsal} */
  let state = { ...nothing, motion: "greet", driver: drives ? "7" : "8", begin: 0, length: 10, speed: 1, sound_at: 0, boards: [board] };
  rehearse.take({ type: "hello", page: "7", key: "K" });
  return {
    words, along, key: page.key,
    note: () => element.querySelector(".halt-note")?.textContent ?? "",
    /** @param {string} phase @param {Partial<BoardState>[]} [boards] */
    tells(phase, boards = [{}]) {
      state = { ...state, phase, boards: boards.map((b) => ({ ...board, ...b })) };
      rehearse.take({ ...state, type: "rehearsal" });
    },
    /** @param {number} ms */
    after: (ms) => void (now += ms),
    /** @param {object} [how] */
    touch(how = {}) {
      element.querySelector(".halt")?.dispatchEvent(Object.assign(new Event("pointerdown"), { button: 0, isPrimary: true, ...how }));
    },
  };
}

test("two fingers on Stop stop, and drop nothing; neither does a press that bounces", () => {
  const d = desk();
  d.tells("playing");
  d.touch();
  d.after(3);
  d.touch({ isPrimary: false });
  d.after(150);
  d.touch();
  d.key("Escape");
  assert.deepEqual(d.words, ["stop"]);
  d.tells("stopping");
  d.after(300);
  d.touch();
  assert.deepEqual(d.words, ["stop", "drop"]);
});

test("Esc drops what these hands stopped, for ten seconds; later the button does", () => {
  const d = desk();
  d.tells("playing");
  assert.equal(d.key("Escape"), true);
  d.after(1000);
  d.tells("stopped", [{ state: "stopped" }]);
  assert.match(d.note(), /Key: Esc/);
  d.key("Escape");
  assert.deepEqual(d.words, ["stop", "drop"]);
  d.after(9500);
  d.tells("stopped", [{ state: "stopped" }]);
  assert.equal(d.key("Escape"), false);
  assert.doesNotMatch(d.note(), /Key: Esc/);
  assert.deepEqual(d.words, ["stop", "drop"]);
  d.touch();
  assert.deepEqual(d.words, ["stop", "drop", "drop"]);
});

test("in a page whose hands did not stop them, Esc leaves boards that are stopped alone", () => {
  const d = desk(false);
  d.tells("stopping", [{ state: "stopping" }]);
  d.tells("stopped", [{ state: "stopped" }]);
  assert.equal(d.key("Escape"), false);
  assert.deepEqual(d.words, []);
  d.touch(); // the button says what it does
  assert.deepEqual(d.words, ["drop"]);
});

test("while another page's stop is on its way, Esc stops too, and does not drop", () => {
  const d = desk(false);
  d.tells("stopping", [{ state: "stopping" }]);
  d.key("Escape");
  assert.deepEqual(d.words, ["stop"]);
});

test("after a loss Esc stops what still holds, then drops it; where nothing does it is left alone", () => {
  const d = desk();
  const lost = { linked: false, state: "silent", lost: "the cable" };
  d.tells("lost", [lost, { name: "shore", state: "armed" }]);
  assert.equal(d.key("Escape"), true);
  d.after(1000);
  d.key("Escape");
  assert.deepEqual(d.words, ["stop", "drop"]);
  const e = desk();
  e.tells("lost", [lost, { name: "shore", state: "silent" }]);
  assert.equal(e.key("Escape"), false);
});

test("after Stop the page's own playhead and sound are not begun anew by what was on its way", () => {
  const d = desk();
  d.tells("playing");
  assert.notEqual(d.along.at(-1) ?? null, null);
  d.touch();
  assert.equal(d.along.at(-1), null);
  const before = d.along.length;
  d.tells("playing");
  assert.deepEqual(d.along.slice(before).filter((leader) => leader !== null), []);
  d.tells("stopped", [{ state: "stopped" }]);
  d.tells("arming");
  d.tells("playing");
  assert.notEqual(d.along.at(-1), null);
});
