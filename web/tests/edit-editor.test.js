import assert from "node:assert/strict";
import { afterEach, beforeEach, describe, mock, test } from "node:test";
import { createEditor } from "../page/edit/edit.js";
import { createStore, initialState } from "../page/store.js";
import { jobOf } from "./edit-job.js";
import { editCurves, editScore, keysOf, refs } from "./edit-score.js";

/** @typedef {import("../page/types.js").Score} Score */

const real = globalThis.fetch;

/** Curves as the server sends them. @param {Score} score */
function bytesOf(score) {
  const { rate, samples, count, data } = editCurves(score);
  const b = Buffer.alloc(24);
  b.write("LJCV", 0, "latin1");
  b.writeUInt16LE(1, 4);
  b.writeDoubleLE(rate, 8);
  b.writeUInt32LE(samples, 16);
  b.writeUInt32LE(count, 20);
  return Buffer.concat([b, ...data.map((d) => Buffer.from(d.buffer))]);
}

/** An editor with a server that makes each change an empty one, unless it is told what comes of it. */
function desk(score = editScore()) {
  const store = createStore({ ...initialState(), connected: true, motion: "greet", score, curves: editCurves(score), edit: { ...initialState().edit, on: true } });
  /** @type {string[]} */
  const said = [];
  /** @type {{verb: string, body: any}[]} */
  const sent = [];
  let serial = 1;
  let next = score;
  let fail = /** @type {object|null} */ (null);
  /** @type {((score: Score, verb: string, changes: any[]) => Score)|null} */
  let works = null;
  globalThis.fetch = /** @type {any} */ (async (/** @type {string} */ path, /** @type {RequestInit} */ init) => {
    const verb = path.split("/").pop() ?? "";
    if (verb === "curves") return new Response(bytesOf(next), { headers: { ETag: `"${next.revision}-curves"` } });
    if (verb === "score") return Response.json(next, { headers: { ETag: `"${next.revision}"` } });
    sent.push({ verb, body: JSON.parse(String(init.body)) });
    if (fail) return Response.json(fail, { status: 422 });
    if (works) next = works(next, verb, sent[sent.length - 1].body.changes);
    next = { ...next, revision: `r${++serial}`, text: `t${serial}`, undo: (next.undo ?? 0) + 1 };
    const { text, undo, redo, saved, conflict, trouble, revision, ...rest } = next;
    return Response.json({ text, undo, redo, saved, conflict, trouble, revision, score: rest, rows: [] });
  });
  const { job } = jobOf(score);
  const editor = createEditor({
    store, request() {}, follow() {}, rest() {}, key: () => "KEY",
    actions: /** @type {any} */ ({ announce: (/** @type {string} */ t) => said.push(t), selectRow: (/** @type {string} */ row) => store.set({ row }) }),
    ground: () => /** @type {any} */ ({ job: () => job }),
  });
  const changes = () => sent.filter((s) => s.verb === "changes").map((s) => s.body.changes);
  return {
    store, said, sent, editor, changes,
    edit: () => store.get().edit,
    /** What the server makes of the next changes. @param {Score} s */
    becomes(s) { next = s; },
    /** How the server makes changes. @param {(score: Score, verb: string, changes: any[]) => Score} w */
    serves(w) { works = w; },
    /** @param {object|null} f */
    refuses(f) { fail = f; },
    async idle() {
      for (let k = 0; k < 50; k++) await new Promise((done) => setImmediate(done));
      assert.equal(store.get().edit.busy, false);
    },
  };
}

beforeEach(() => mock.timers.enable({ apis: ["setTimeout"] }));
afterEach(() => {
  mock.timers.reset();
  globalThis.fetch = real;
});

describe("a drag", () => {
  test("is one step from where the key was, however often it moves", async () => {
    const d = desk();
    d.editor.select(refs("axis:arm", 1), null);
    assert.equal(d.editor.beginDrag({ row: "axis:arm", k: 1 }), true);
    for (const value of [1, 2, 2, 3]) d.editor.drag({ time: 0.5, value, snapped: "boat", x: 1, y: 1 });
    assert.match(d.editor.dragged()?.text ?? "", /00:01:12, 1\.50 s \(boat\), 43/);
    d.editor.endDrag(true);
    await d.idle();
    assert.equal(d.editor.dragged(), null);
    // The first goes at once, the newest of the others when it is answered.
    assert.deepEqual(d.changes().map((c) => c[0].value), [41, 43]);
    assert.equal(new Set(d.sent.map((s) => s.body.step)).size, 1);
    assert.deepEqual(d.sent.map((s) => s.body.base), ["t1", "t2"]);
    assert.ok(d.said.some((t) => /1\.50 s \(boat\), 43/.test(t)));
  });
  test("that is put back sends the value from before", async () => {
    const d = desk();
    d.editor.select(refs("axis:arm", 1), null);
    d.editor.beginDrag({ row: "axis:arm", k: 1 });
    d.editor.drag({ time: 0.5, value: 3, snapped: "", x: 1, y: 1 });
    await d.idle();
    d.editor.endDrag(false);
    await d.idle();
    assert.deepEqual(d.changes().at(-1), [{ do: "set-key", track: "arm", index: 1, value: 40 }]);
    assert.equal(new Set(d.sent.map((s) => s.body.step)).size, 1);
  });
  test("of a bound key says why, and is none", () => {
    const d = desk();
    for (const [k, why] of /** @type {[number, RegExp][]} */ ([[2, /locked/], [3, /phrase wave, placed in line 61/]])) {
      d.editor.select(refs("axis:arm", k), null);
      assert.equal(d.editor.beginDrag({ row: "axis:arm", k }), false);
      assert.match(d.edit().fault, why);
      d.editor.drag({ time: 1, value: 0, snapped: "", x: 0, y: 0 });
      assert.equal(d.sent.length, 0);
    }
  });
  test("ends where another version comes under the hand", async () => {
    const d = desk();
    d.editor.select(refs("axis:arm", 1), null);
    d.editor.beginDrag({ row: "axis:arm", k: 1 });
    d.store.set({ score: editScore({ text: "t9", revision: "r9" }) });
    assert.equal(d.editor.dragged(), null);
    assert.match(d.edit().fault, /changed under the hand/);
    // The listing's own copy of the same text is no other version.
    d.editor.beginDrag({ row: "axis:arm", k: 1 });
    d.store.set({ score: editScore({ text: "t9", revision: "r9", saved: false }) });
    assert.notEqual(d.editor.dragged(), null);
  });
});

describe("nudges", () => {
  test("soon after each other are one step, later another", async () => {
    const d = desk();
    d.editor.select(refs("axis:arm", 1), null);
    d.editor.nudge(1, 0);
    d.editor.nudge(10, 0);
    d.editor.nudge(0, -1);
    await d.idle();
    assert.deepEqual(d.changes().at(-1), [{ do: "set-key", track: "arm", index: 1, time: 1 + 11 / 24, value: 39 }]);
    assert.equal(new Set(d.sent.map((s) => s.body.step)).size, 1);
    mock.timers.tick(901);
    d.editor.select(refs("axis:arm", 1), null);
    d.editor.nudge(0, 1);
    await d.idle();
    assert.equal(new Set(d.sent.map((s) => s.body.step)).size, 2);
  });
  test("without frames go by the board's", async () => {
    const d = desk(editScore({ fps: null }));
    d.editor.select(refs("axis:arm", 1), null);
    d.editor.nudge(-1, 0);
    await d.idle();
    assert.ok(Math.abs(d.changes()[0][0].time - 0.98) < 1e-9);
  });
  test("need a key", () => {
    const d = desk();
    d.editor.nudge(1, 0);
    assert.equal(d.edit().fault, "No key is selected");
    assert.equal(d.sent.length, 0);
  });
});

describe("commands", () => {
  test("what was added is selected", async () => {
    const d = desk();
    d.store.set({ row: "axis:lantern", time: 1.01 });
    const rows = [...editScore().rows];
    rows[1] = { ...rows[1], keys: keysOf("lantern", [[0.5, 0], [1, 45], [1.5, 90]]) };
    d.becomes(editScore({ rows }));
    d.editor.addHere();
    await d.idle();
    assert.deepEqual(d.changes(), [[{ do: "add-key", track: "lantern", time: 1, value: 45 }]]);
    assert.deepEqual(d.edit().keys, refs("axis:lantern", 1));
    assert.deepEqual(d.edit().cursor, { row: "axis:lantern", k: 1 });
  });
  test("without a row nothing is added", () => {
    const d = desk();
    d.editor.addHere();
    assert.match(d.edit().fault, /Choose a row first/);
    d.store.set({ row: "supply:rail" });
    d.editor.addHere();
    assert.equal(d.sent.length, 0);
  });
  test("cut copies, deletes, and leaves nothing selected", async () => {
    const d = desk();
    d.editor.select(refs("axis:lantern", 0, 1), null);
    const rows = [...editScore().rows];
    rows[1] = { ...rows[1], keys: [] };
    d.becomes(editScore({ rows }));
    d.editor.cut();
    await d.idle();
    assert.deepEqual(d.changes(), [[{ do: "delete-keys", keys: [{ track: "lantern", index: 0 }, { track: "lantern", index: 1 }] }]]);
    assert.deepEqual(d.edit().keys, []);
    d.store.set({ time: 3 });
    d.editor.paste();
    await d.idle();
    assert.deepEqual(d.changes()[1].map((/** @type {any} */ c) => [c.time, c.value]), [[3, 0], [4, 90]]);
  });
  test("typed times and values reach the keys, or say what is wrong", async () => {
    const d = desk();
    d.editor.select(refs("axis:arm", 1), null);
    for (const does of [() => d.editor.setTime("boat+6f"), () => d.editor.setValue("50%"), () => d.editor.setEase("linear")]) {
      assert.equal(does(), true);
      await d.idle();
      d.editor.select(refs("axis:arm", 1), null);
    }
    assert.deepEqual(d.changes(), [[{ do: "set-key", track: "arm", index: 1, time: 1.75 }], [{ do: "set-key", track: "arm", index: 1, value: 50 }], [{ do: "set-key", track: "arm", index: 1, ease: "linear" }]]);
    for (const [set, text, why] of /** @type {["setTime"|"setValue", string, RegExp][]} */ ([["setTime", "ship", /no mark ship/], ["setValue", "500", /from -20 to 120/]])) {
      assert.equal(d.editor[set](text), false);
      assert.match(d.edit().fault, why);
    }
    assert.equal(d.sent.length, 3);
  });
  test("the time of several is that of the first; the others come along", async () => {
    const d = desk();
    d.editor.select(refs("axis:lantern", 0, 1), null);
    d.editor.setTime("1s");
    await d.idle();
    assert.deepEqual(d.changes(), [[{ do: "shift-keys", keys: [{ track: "lantern", index: 0 }, { track: "lantern", index: 1 }], frames: 12 }]]);
  });
  test("stretch reads a factor", async () => {
    const d = desk();
    d.editor.select(refs("axis:lantern", 0, 1), null);
    d.editor.stretch("×2");
    await d.idle();
    assert.equal(d.changes()[0][0].factor, 2);
    d.editor.select(refs("axis:lantern", 0, 1), null);
    d.editor.stretch("2,5");
    assert.match(d.edit().fault, /factor above 0/);
  });
  test("undo and redo where there is something", async () => {
    const d = desk(editScore({ undo: 1, redo: 0 }));
    d.editor.redo();
    assert.match(d.edit().fault, /nothing to do again/);
    d.editor.undo();
    await d.idle();
    assert.deepEqual(d.sent.map((s) => s.verb), ["undo"]);
    assert.equal(d.edit().fault, "");
    const e = desk();
    e.editor.undo();
    assert.match(e.edit().fault, /nothing to undo/);
    assert.equal(e.sent.length, 0);
  });
  test("what the server refuses is said, and the selection stays", async () => {
    const d = desk();
    d.refuses({ type: "/problems/no-such-change", title: "No", problems: [{ text: "two keys at one time", hint: "move one" }] });
    d.editor.select(refs("axis:arm", 1), null);
    d.editor.setTime("2s");
    await d.idle();
    assert.equal(d.edit().fault, "two keys at one time; move one");
    assert.deepEqual(d.edit().keys, refs("axis:arm", 1));
    d.editor.select(refs("axis:arm", 0), null);
    assert.equal(d.edit().fault, "");
  });
});

/** A server of the lantern's keys, as API.md has the changes. @param {[number, number][]} undone  what undo brings back */
function serving(undone = []) {
  return (/** @type {Score} */ score, /** @type {string} */ verb, /** @type {any[]} */ changes) => {
    const rows = [...score.rows];
    let list = /** @type {[number, number][]} */ (rows[1].keys.map((k) => [k.at, k.to]));
    if (verb === "undo") list = undone;
    for (const c of changes ?? []) {
      if (c.do === "delete-keys") list = list.filter((_, index) => !c.keys.some((/** @type {any} */ k) => k.index === index));
      if (c.do === "add-key") list = [...list, /** @type {[number, number]} */ ([c.time, c.value])];
      if (c.do === "set-key") list = list.map((k, index) => (index === c.index ? [c.time ?? k[0], c.value ?? k[1]] : k));
    }
    rows[1] = { ...rows[1], keys: keysOf("lantern", list.sort((a, b) => a[0] - b[0])) };
    return { ...score, rows };
  };
}

describe("what is done before the answer to what was done before", () => {
  /** @param {[number, number][]} keys */
  function lantern(keys) {
    const score = editScore({ undo: 1 });
    score.rows[1] = { ...score.rows[1], keys: keysOf("lantern", keys) };
    return desk(score);
  }
  /** @param {ReturnType<typeof desk>} d */
  const times = (d) => d.store.get().score?.rows[1].keys.map((k) => [k.at, k.to]);

  test("Delete twice deletes once", async () => {
    const d = lantern([[1, 10], [2, 20], [3, 30]]);
    d.serves(serving());
    d.editor.select(refs("axis:lantern", 0), null);
    d.editor.remove();
    d.editor.remove();
    await d.idle();
    assert.deepEqual(times(d), [[2, 20], [3, 30]]);
    assert.deepEqual(d.edit().keys, []);
  });
  test("another key that is chosen meanwhile is the one that is deleted, and stays chosen until then", async () => {
    const d = lantern([[1, 10], [2, 20], [3, 30], [4, 40]]);
    d.serves(serving());
    d.editor.select(refs("axis:lantern", 0), null);
    d.editor.remove();
    d.editor.select(refs("axis:lantern", 2), null);
    d.editor.remove();
    d.editor.select(refs("axis:lantern", 3), null);
    await d.idle();
    assert.deepEqual(times(d), [[2, 20], [4, 40]]);
    assert.deepEqual(d.edit().keys, refs("axis:lantern", 1));
  });
  test("Undo, then Delete", async () => {
    const d = lantern([[2, 20], [3, 30]]);
    d.serves(serving([[1, 10], [2, 20], [3, 30]]));
    d.editor.select(refs("axis:lantern", 0), null);
    d.editor.undo();
    d.editor.remove();
    await d.idle();
    assert.deepEqual(times(d), [[1, 10], [3, 30]]);
  });
  test("Paste, then a nudge: what was pasted moves, in one step of its own", async () => {
    const d = lantern([[1, 10], [3, 30]]);
    d.serves(serving());
    d.editor.select(refs("axis:lantern", 0), null);
    d.editor.copy();
    d.store.set({ time: 2 });
    d.editor.paste();
    d.editor.nudge(0, 1);
    d.editor.nudge(0, 1);
    await d.idle();
    assert.deepEqual(times(d), [[1, 10], [2, 12], [3, 30]]);
    assert.deepEqual(d.edit().keys, refs("axis:lantern", 1));
    assert.deepEqual(d.sent.map((s) => s.body.step).map((s, _, all) => all.indexOf(s)), [0, 1]);
  });
  test("a typed value is for the key that was chosen then", async () => {
    const d = lantern([[1, 10], [2, 20], [3, 30]]);
    d.serves(serving());
    d.editor.select(refs("axis:lantern", 0), null);
    d.editor.remove();
    d.editor.select(refs("axis:lantern", 1), null);
    d.editor.setValue("55");
    d.editor.select(refs("axis:lantern", 2), null);
    await d.idle();
    assert.deepEqual(times(d), [[2, 55], [3, 30]]);
    assert.deepEqual(d.edit().keys, refs("axis:lantern", 1));
  });
  test("another version meanwhile: a key is deleted where it is then", async () => {
    const d = lantern([[1, 10], [2, 20]]);
    const send = globalThis.fetch;
    const held = /** @type {(() => void)[]} */ ([]);
    globalThis.fetch = /** @type {any} */ (async (/** @type {[string, RequestInit]} */ ...a) => {
      if (a[0].endsWith("/save")) await new Promise((done) => held.push(() => done(null)));
      return send(...a);
    });
    d.serves(serving());
    d.editor.save();
    d.editor.select(refs("axis:lantern", 1), null);
    d.editor.remove();
    const other = serving()(/** @type {Score} */ (d.store.get().score), "changes", [{ do: "add-key", time: 0.5, value: 5 }]);
    d.becomes({ ...other, text: "t8", revision: "r8" });
    d.store.set({ score: { ...other, text: "t8", revision: "r8" } });
    held.forEach((go) => go());
    await d.idle();
    assert.deepEqual(d.changes(), [[{ do: "delete-keys", keys: [{ track: "lantern", index: 2 }] }]]);
  });
  test("a placement that was taken away is not taken away again", async () => {
    const at = (/** @type {number} */ index, /** @type {number} */ time) => ({ index, kind: /** @type {"phrase"} */ ("phrase"), name: "wave", at: time, locked: false, line: 60 + index });
    const d = desk(editScore({ placements: [at(1, 3.5), at(2, 5)] }));
    d.serves((score, _, changes) => ({ ...score, placements: (score.placements ?? []).filter((p) => p.index !== changes[0].index).map((p, k) => ({ ...p, index: k + 1 })) }));
    d.editor.deletePlacement(1);
    d.editor.deletePlacement(1);
    await d.idle();
    assert.deepEqual(d.store.get().score?.placements?.map((p) => p.at), [5]);
    assert.match(d.edit().fault, /not placed there/);
  });
});

describe("marks, poses, placements", () => {
  test("each is one change", async () => {
    const d = desk();
    d.store.set({ time: 2.01, row: null });
    d.editor.addMark(" bell ");
    d.editor.setMark("boat", "2s");
    d.editor.renameMark("boat", " ship ");
    d.editor.deleteMark("boat");
    d.editor.storePose("glad", false);
    d.editor.storePose("calm", null);
    d.editor.renamePose("calm", "still");
    d.editor.deletePose("calm");
    d.editor.keyPose("calm");
    d.editor.place("phrase", "wave");
    d.editor.setPlacement(1, "4s");
    await d.idle();
    d.editor.deletePlacement(1);
    await d.idle();
    assert.deepEqual(d.changes().flat(), [
      { do: "add-mark", name: "bell", time: 2 }, { do: "set-mark", name: "boat", time: 2 }, { do: "rename-mark", name: "boat", to: "ship" }, { do: "delete-mark", name: "boat" },
      { do: "store-pose", name: "glad", at: 2.01, of: ["arm", "lantern", "nod"] }, { do: "store-pose", name: "calm", at: 2.01, of: ["arm", "nod"] },
      { do: "rename-pose", name: "calm", to: "still" }, { do: "delete-pose", name: "calm" },
      { do: "add-key", track: "arm", time: 2, value: 20 }, { do: "add-key", track: "nod", time: 2, value: 1 },
      { do: "add-placement", phrase: "wave", time: 2 }, { do: "set-placement", index: 1, time: 4 }, { do: "delete-placement", index: 1 },
    ]);
  });
  test("a locked mark keeps its time; names and times that are none are said", () => {
    const d = desk();
    for (const [done, why] of /** @type {[boolean, RegExp][]} */ ([
      [d.editor.setMark("boat-in", "2s"), /boat-in is locked/], [d.editor.addMark("  "), /name/], [d.editor.storePose("", false), /name/],
      [d.editor.setMark("boat", "x"), /no mark x/], [d.editor.setPlacement(1, "-1s"), /before 0/],
    ])) {
      assert.equal(done, false);
      assert.match(d.said.shift() ?? "", why);
    }
    assert.equal(d.sent.length, 0);
  });
  test("a pose is of the rows with selected keys, the row that is chosen, or all but switches", () => {
    const d = desk();
    const names = (/** @type {boolean} */ whole) => d.editor.poseRows(whole).map((r) => r.name);
    assert.deepEqual(names(false), ["arm", "lantern", "nod"]);
    d.store.set({ row: "control:nod" });
    assert.deepEqual(names(false), ["nod"]);
    d.editor.select([...refs("axis:arm", 1), ...refs("axis:horn", 0)], null);
    assert.deepEqual(names(false), ["arm", "horn"]);
    assert.deepEqual(names(true), ["arm", "lantern", "nod"]);
  });
});

test("the listing is ahead of an answer only for a while", async () => {
  const now = mock.method(performance, "now", () => 1000);
  try {
    const d = desk();
    assert.equal(d.editor.leads("r1"), false);
    d.editor.select(refs("axis:arm", 1), null);
    d.editor.setValue("50");
    assert.equal(d.editor.leads("anything"), true, "a change is on its way");
    await d.idle();
    assert.equal(d.editor.leads("r2"), true);
    assert.equal(d.editor.leads("r9"), false);
    now.mock.mockImplementation(() => 3000);
    assert.equal(d.editor.leads("r2"), false);
  } finally {
    now.mock.restore();
  }
});
