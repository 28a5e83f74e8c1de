import assert from "node:assert/strict";
import { afterEach, beforeEach, test } from "node:test";

import { createKeeping } from "../page/perform/keeping.js";
import { createStore, initialState } from "../page/store.js";

/** What was asked of the server. @type {{path: string, body: any}[]} */
let asked = [];
const real = globalThis.fetch;

/** Curves with none in them, as the server sends them. */
function curves() {
  const view = new DataView(new ArrayBuffer(24));
  [..."LJCV"].forEach((c, k) => view.setUint8(k, c.charCodeAt(0)));
  view.setUint16(4, 1, true);
  view.setFloat64(8, 100, true);
  view.setUint32(16, 1, true);
  return view.buffer;
}

beforeEach(() => {
  asked = [];
  globalThis.fetch = async (url, init) => {
    const path = String(url);
    if (init?.method === "POST") asked.push({ path, body: JSON.parse(String(init.body)) });
    if (path.endsWith("/curves")) return new Response(curves());
    const body = path.endsWith("/takes") ? { proposal: "7" } : path.endsWith("/score") ? { name: "greet" } : { text: "t3" };
    return new Response(JSON.stringify(body));
  };
});
afterEach(() => {
  globalThis.fetch = real;
});

/** A take that is fitted and ready. */
async function ready() {
  const store = createStore(initialState());
  /** @param {string} name @param {string} text @returns {any} */
  const score = (name, text) => ({ name, text, revision: `r-${text}` });
  store.set({ motion: "greet", score: score("greet", "t1") });
  /** @type {() => void} */
  let settled = () => {};
  const keeping = createKeeping({ store, key: () => "k", fault: assert.fail, changed: () => keeping?.now()?.state === "ready" && settled() });
  /** @type {any} */
  const take = { number: 1, motion: "greet", choice: { id: "axis:pan" }, over: "replace", samples: [[0, 0], [1, 1]] };
  await keeping.propose(take, take.samples, 1);
  await new Promise((done) => {
    settled = () => done(null);
    keeping.heard(/** @type {any} */ ({ motion: "greet", id: "7", state: "ready", text: "" }));
  });
  return { store, score, keeping, take };
}

test("a take is kept on the text on which it was fitted, whatever the page shows by then", async () => {
  const { store, score, keeping, take } = await ready();
  store.set({ score: score("greet", "t2") });
  assert.equal(await keeping.keep(), take);
  assert.deepEqual(asked.at(-1), { path: "/api/motions/greet/proposals/7/accept", body: { base: "t1", have: "r-t2" } });
  store.set({ score: score("greet", "t3") });
  assert.equal(keeping.undoable(), true);
  assert.equal(await keeping.undo(), take);
});

test("a take of another motion than the one that is shown is not kept", async () => {
  const { store, score, keeping } = await ready();
  store.set({ motion: "storm", score: score("storm", "s1") });
  assert.equal(await keeping.keep(), null);
  assert.equal(asked.filter((a) => a.path.endsWith("/accept")).length, 0);
  assert.equal(keeping.now()?.state, "ready");
  keeping.drop();
});
