import assert from "node:assert/strict";
import { afterEach, describe, test } from "node:test";
import { createSession, merged, post, Refusal } from "../page/edit/session.js";
import { editCurves, editScore } from "./edit-score.js";

/** @typedef {import("../page/types.js").Score} Score */
/** @typedef {import("../page/edit/session.js").Errand} Errand */

const settle = () => new Promise((done) => setTimeout(done, 0));

/** A page and a server that answers when it is told to. */
function stage() {
  const s = {
    motion: "greet",
    score: /** @type {Score|null} */ (editScore()),
    /** @type {{path: string, body: any, answer: (a: object) => Promise<unknown>, refuse: (e: Error) => Promise<unknown>}[]} */
    sent: [],
    /** @type {[Score, unknown, Errand][]} */
    taken: [],
    /** @type {string[]} */
    faults: [],
    /** @type {boolean[]} */
    busy: [],
    reloads: 0,
    asked: 0, // times that curves were asked for
    /** What a reload brings. @type {() => void} */
    onReload: () => {},
    curves: /** @type {unknown} */ (editCurves(editScore())),
  };
  const session = createSession({
    get: () => ({ motion: s.motion, score: s.score }),
    post: (path, body) => new Promise((resolve, reject) => {
      s.sent.push({ path, body, answer: (a) => (resolve(a), settle()), refuse: (e) => (reject(e), settle()) });
    }),
    curves: async () => (s.asked++, /** @type {any} */ (s.curves)),
    take(score, curves, errand) {
      s.taken.push([score, curves, errand]);
      s.score = score;
    },
    async reload() {
      s.reloads++;
      s.onReload();
    },
    fault: (text) => s.faults.push(text),
    busy: (b) => s.busy.push(b),
  });
  return { s, session };
}

let serial = 1;
const answer = (more = {}) => ({ text: `t${++serial}`, revision: `r${serial}`, undo: 1, redo: 0, saved: false, conflict: null, trouble: "", score: {}, rows: [], ...more });
const refusal = (/** @type {string} */ type, status = 409) => new Refusal(status, { type: `/problems/${type}`, title: "No", detail: "it cannot be" });
const step = (/** @type {string} */ name, /** @type {number} */ value) => ({ verb: /** @type {"changes"} */ ("changes"), step: name, body: { changes: [value] } });

describe("merged", () => {
  test("members and rows that came take their places, the rest stays", () => {
    const score = editScore();
    const row = { ...score.rows[1], rest: 5 };
    const now = merged(score, answer({ text: "t9", revision: "r9", undo: 4, score: { marks: [], length: 9 }, rows: [{ index: 1, row }] }));
    assert.deepEqual([now.text, now.revision, now.undo, now.length, now.marks, now.saved], ["t9", "r9", 4, 9, [], false]);
    assert.ok(now.rows[1] === row && now.rows[0] === score.rows[0] && now.rows.length === 4 && now.title === "Greet");
    assert.notEqual(score.rows[1], row, "the score from before is what it was");
    assert.equal(merged(score, answer()).rows, score.rows);
  });
  test("all rows may come as a member", () => assert.deepEqual(merged(editScore(), answer({ score: { rows: [] } })).rows, []));
});

describe("the queue", () => {
  test("one at a time; of a step only the newest, each on the text before it", async () => {
    const { s, session } = stage();
    for (const v of [1, 2, 3]) session.send(step("drag", v));
    assert.equal(s.sent.length, 1);
    assert.equal(s.sent[0].path, "/api/motions/greet/changes");
    assert.deepEqual(s.sent[0].body, { step: "drag", base: "t1", have: "r1", changes: [1] });
    assert.equal(session.isBusy(), true);
    const first = answer();
    await s.sent[0].answer(first);
    assert.equal(s.sent.length, 2);
    assert.deepEqual(s.sent[1].body, { step: "drag", base: first.text, have: first.revision, changes: [3] });
    await s.sent[1].answer(answer());
    assert.deepEqual([s.sent.length, s.taken.length, session.isBusy(), s.busy], [2, 2, false, [true, false]]);
  });
  test("steps do not replace each other, nor what lies between", async () => {
    const { s, session } = stage();
    session.send(step("a", 1));
    session.send(step("b", 2));
    session.send({ verb: "undo" });
    session.send(step("b", 3));
    for (let k = 0; k < 4; k++) await s.sent[k].answer(answer());
    assert.deepEqual(s.sent.map((x) => [x.path.split("/").pop(), x.body.changes?.[0]]), [["changes", 1], ["changes", 2], ["undo", undefined], ["changes", 3]]);
    assert.equal("step" in s.sent[2].body, false);
  });
  test("a save says nothing of the score", async () => {
    const { s, session } = stage();
    session.send({ verb: "save" });
    assert.deepEqual(s.sent[0].body, { base: "t1" });
    await s.sent[0].answer(answer());
  });
  test("a name with a slash is one part of the path", () => {
    const { s, session } = stage();
    s.motion = "a/b ü";
    s.score = editScore({ name: "a/b ü" });
    session.send({ verb: "undo" });
    assert.equal(s.sent[0].path, "/api/motions/a%2Fb%20%C3%BC/undo");
  });
  test("what was meant for one motion does not reach another", async () => {
    const { s, session } = stage();
    session.send(step("a", 1));
    session.send(step("b", 2));
    s.motion = "storm";
    await s.sent[0].answer(answer());
    assert.equal(s.sent.length, 1);
    assert.equal(s.taken.length, 0, "and an answer is not taken for another");
    // The motion that is chosen is still being read.
    session.send({ verb: "undo" });
    await settle();
    assert.equal(s.sent.length, 1);
  });
});

describe("answers", () => {
  test("curves are asked for only where the version is another", async () => {
    const { s, session } = stage();
    session.send(step("a", 1));
    await s.sent[0].answer(answer({ revision: "r1" }));
    assert.equal(s.taken[0][1], null);
    session.send(step("b", 1));
    await s.sent[1].answer(answer());
    assert.equal(s.taken[1][1], s.curves);
  });
  test("curves of yet another version: all is read anew", async () => {
    const { s, session } = stage();
    s.curves = null;
    session.send(step("a", 1));
    await s.sent[0].answer(answer());
    assert.deepEqual([s.taken.length, s.reloads], [0, 1]);
  });
  test("a version that came meanwhile: all is read anew", async () => {
    const { s, session } = stage();
    session.send(step("a", 1));
    s.score = editScore({ text: "t1b", revision: "r1b" });
    await s.sent[0].answer(answer());
    assert.deepEqual([s.taken.length, s.reloads, s.asked], [0, 1, 0]);
  });
});

describe("refusals", () => {
  test("another version: what was done is not done blindly again, what waits goes", async () => {
    const { s, session } = stage();
    session.send(step("a", 1));
    session.send(step("b", 2));
    await s.sent[0].refuse(refusal("another-version"));
    assert.deepEqual([s.reloads, s.sent.length, session.isBusy()], [1, 1, false]);
    assert.match(s.faults[0], /do it again/);
  });
  test("undo on another version is tried once on the new one", async () => {
    const { s, session } = stage();
    s.onReload = () => { s.score = editScore({ text: "t7", revision: "r7" }); };
    session.send({ verb: "undo" });
    await s.sent[0].refuse(refusal("another-version"));
    assert.deepEqual([s.sent.length, s.sent[1].body.base], [2, "t7"]);
    await s.sent[1].refuse(refusal("another-version"));
    assert.equal(s.sent.length, 2);
    assert.equal(s.faults.length, 1);
  });
  test("overtaken is no fault", async () => {
    const { s, session } = stage();
    session.send(step("a", 1));
    session.send(step("a", 2));
    await s.sent[0].refuse(refusal("overtaken"));
    assert.deepEqual(s.faults, []);
    assert.equal(s.sent[1].body.changes[0], 2);
  });
  test("a step that was refused may be good further on; what waits behind it goes", async () => {
    const { s, session } = stage();
    session.send(step("a", 1));
    session.send(step("a", 2));
    await s.sent[0].refuse(refusal("no-such-change", 422));
    assert.equal(s.sent.length, 2);
    session.send(step("b", 3));
    await s.sent[1].refuse(refusal("no-such-change", 422));
    assert.equal(s.sent.length, 2);
    assert.equal(s.faults.length, 2);
    // And it is not stuck.
    session.send(step("c", 4));
    assert.equal(s.sent.length, 3);
  });
  test("files out of order are read anew, with the server's words", async () => {
    const { s, session } = stage();
    session.send(step("a", 1));
    await s.sent[0].refuse(refusal("not-in-order"));
    assert.equal(s.reloads, 1);
    assert.equal(s.faults[0], "No: it cannot be");
  });
  test("words: the first problem and its hint, else title and detail, else the status", () => {
    assert.equal(new Refusal(422, { problems: [{ text: "arm goes to 120 deg", hint: "write 120deg" }, { text: "x" }] }).message, "arm goes to 120 deg; write 120deg");
    assert.equal(new Refusal(422, { problems: [{ text: "arm goes to 120 deg", hint: "" }] }).message, "arm goes to 120 deg");
    assert.equal(new Refusal(409, { type: "/problems/overtaken", title: "Overtaken" }).message, "Overtaken");
    assert.equal(new Refusal(409, { type: "/problems/overtaken" }).kind, "overtaken");
    assert.equal(new Refusal(500, null).message, "the server answered 500");
  });
});

describe("post", () => {
  const real = globalThis.fetch;
  afterEach(() => { globalThis.fetch = real; });
  /** @param {() => Promise<Response>} answers */
  function listen(answers) {
    /** @type {[string, RequestInit][]} */
    const calls = [];
    globalThis.fetch = /** @type {any} */ ((/** @type {string} */ path, /** @type {RequestInit} */ init) => (calls.push([path, init]), answers()));
    return calls;
  }
  test("is JSON with the page's key", async () => {
    const calls = listen(async () => new Response('{"text":"t2"}'));
    assert.deepEqual(await post("/x", { base: "t1" }, "KEY"), { text: "t2" });
    const [path, init] = calls[0];
    assert.deepEqual([path, init.method, init.body], ["/x", "POST", '{"base":"t1"}']);
    assert.deepEqual(init.headers, { "Content-Type": "application/json", "Limberjack-Page": "KEY" });
  });
  test("a refusal has its kind, no answer says so", async () => {
    listen(async () => new Response('{"type":"/problems/overtaken","title":"Overtaken"}', { status: 409 }));
    await assert.rejects(post("/x", {}, ""), (e) => e instanceof Refusal && e.kind === "overtaken" && e.status === 409);
    listen(async () => new Response("<html>", { status: 502 }));
    await assert.rejects(post("/x", {}, ""), /answered 502/);
    listen(() => Promise.reject(new TypeError("failed")));
    await assert.rejects(post("/x", {}, ""), /does not answer: nothing was changed/);
  });
});
