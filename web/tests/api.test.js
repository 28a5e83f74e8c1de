import assert from "node:assert/strict";
import { afterEach, describe, test } from "node:test";
import { ask, connect, createFollower, loadMotion, motionOf, motionPath, pause, projectIn, ServerError, takeUp } from "../page/api.js";
import { curveAt, decodeCurves, decodeWaveform, withSpans } from "../page/curves.js";
import { createStore, initialState } from "../page/store.js";

/** @typedef {import("../page/types.js").Score} Score */
/** @typedef {import("../page/types.js").Project} Project */
/** @typedef {import("../page/types.js").Finding} Finding */

/**
 * Curves as the description of the format says, byte by byte.
 * @param {number} rate
 * @param {number[][]} data
 */
function curvesBytes(rate, data) {
  const samples = data[0]?.length ?? 0;
  const b = Buffer.alloc(24 + 4 * samples * data.length);
  b.write("LJCV", 0, "latin1");
  b.writeUInt16LE(1, 4);
  b.writeDoubleLE(rate, 8);
  b.writeUInt32LE(samples, 16);
  b.writeUInt32LE(data.length, 20);
  data.flat().forEach((v, k) => b.writeFloatLE(v, 24 + 4 * k));
  return b;
}

/** @param {Buffer} b @returns {ArrayBuffer} */
const bare = (b) => /** @type {ArrayBuffer} */ (b.buffer.slice(b.byteOffset, b.byteOffset + b.length));

describe("curves", () => {
  test("are read", () => {
    const c = decodeCurves(bare(curvesBytes(50, [[1, 2, 3], [-0.5, 0, 1e6]])));
    assert.deepEqual([c.rate, c.samples, c.count], [50, 3, 2]);
    assert.deepEqual(c.data.map((d) => [...d]), [[1, 2, 3], [-0.5, 0, 1e6]]);
  });
  test("one sample is enough", () => assert.equal(curveAt(decodeCurves(bare(curvesBytes(50, [[7]]))), 0, 3), 7));
  describe("what differs is put in", () => {
    /** @param {number[]} list */
    const base64 = (list) => Buffer.from(new Float32Array(list).buffer).toString("base64");
    const old = decodeCurves(bare(curvesBytes(50, [[1, 2, 3], [4, 5, 6], [7, 8, 9]])));
    test("and what does not stays", () => {
      const now = withSpans(old, [{ curve: 1, from: 1, values: base64([-5.5, 60]) }, { curve: 2, from: 0, values: base64([0]) }]);
      assert.deepEqual(now.data.map((d) => [...d]), [[1, 2, 3], [4, -5.5, 60], [0, 8, 9]]);
      assert.deepEqual(old.data.map((d) => [...d]), [[1, 2, 3], [4, 5, 6], [7, 8, 9]]);
      assert.equal(now.data[0], old.data[0]);
    });
    for (const span of [{ curve: 3, from: 0, values: base64([1]) }, { curve: 0, from: 2, values: base64([1, 2]) }, { curve: 0, from: -1, values: base64([1]) }, { curve: 0, from: 0, values: "AAA=" }]) {
      test(`refused: ${JSON.stringify(span)}`, () => assert.throws(() => withSpans(old, [span]), /samples of curve/));
    }
  });
  test("none is none", () => assert.deepEqual(decodeCurves(bare(curvesBytes(50, []))).data, []));

  const good = curvesBytes(50, [[1, 2, 3]]);
  /** @param {(b: Buffer) => void} f */
  const but = (f) => {
    const b = Buffer.from(good);
    f(b);
    return b;
  };
  for (const [name, bytes, message] of /** @type {[string, Buffer, RegExp][]} */ ([
    ["nothing", Buffer.alloc(0), /came short: 0 bytes, where the header alone has 24/],
    ["half a header", good.subarray(0, 12), /came short: 12 bytes/],
    ["a page of text", Buffer.from("<!doctype html><title>x</title>"), /should begin with LJCV/],
    ["another version", but((b) => b.writeUInt16LE(2, 4)), /version 2; this page reads version 1/],
    ["a sample short", good.subarray(0, good.length - 4), /came short: 32 bytes, where its header says 36/],
    ["a byte long", Buffer.concat([good, Buffer.alloc(1)]), /came long: 37 bytes/],
    ["more than memory", but((b) => (b.writeUInt32LE(4294967295, 16), b.writeUInt32LE(4294967295, 20))), /came short/],
    ["a rate of 0", but((b) => b.writeDoubleLE(0, 8)), /0 Hz, which cannot be/],
    ["a rate of NaN", but((b) => b.writeDoubleLE(NaN, 8)), /NaN Hz/],
    ["curves without a sample", but((b) => b.writeUInt32LE(0, 16)).subarray(0, 24), /no sample/],
  ])) {
    test(`refused: ${name}`, () => assert.throws(() => decodeCurves(bare(bytes)), message));
  }
  test("every cut is refused, and none reads beyond", () => {
    for (let n = 0; n < good.length; n++) assert.throws(() => decodeCurves(bare(good.subarray(0, n))), /came short/);
  });

  test("values between samples lie on the line", () => {
    const c = decodeCurves(bare(curvesBytes(4, [[0, 1, 4, 4]])));
    for (const [t, want] of [[-1, 0], [0, 0], [0.125, 0.5], [0.25, 1], [0.4375, 3.25], [0.75, 4], [9, 4], [NaN, 0]]) assert.equal(curveAt(c, 0, t), want);
    assert.ok(Number.isNaN(curveAt(c, 1, 0)));
    assert.ok(Number.isNaN(curveAt(c, -1, 0)));
  });
});

describe("waveform", () => {
  function bytes() {
    const b = Buffer.alloc(24 + 8);
    b.write("LJWF", 0, "latin1");
    b.writeUInt16LE(1, 4);
    b.writeDoubleLE(200, 8);
    b.writeUInt32LE(2, 16);
    [-32768, 32767, -1, 0].forEach((v, k) => b.writeInt16LE(v, 24 + 2 * k));
    return b;
  }
  test("is read", () => {
    const w = decodeWaveform(bare(bytes()));
    assert.deepEqual([w.rate, [...w.low], [...w.high]], [200, [-32768, -1], [32767, 0]]);
  });
  test("every cut is refused", () => {
    for (let n = 0; n < 32; n++) assert.throws(() => decodeWaveform(bare(bytes().subarray(0, n))), /the waveform came short/);
  });
  test("curves are no waveform", () => assert.throws(() => decodeWaveform(bare(curvesBytes(1, [[1]]))), /should begin with LJWF/));
});

/** @param {Partial<Score>} s @returns {Score} */
function score(s) {
  return {
    name: "storm", title: "Storm", file: "storm.motion.yaml", rig: "Keeper", revision: "1", length: 10, loop: false, fps: null, tempo: null, boardRate: 50,
    rows: [], marks: [], cues: [], quiet: [], layers: [], supplies: [], findings: [], joints: [], sound: null, ...s,
  };
}

/** @param {string} name @returns {import("../page/types.js").Row} */
const row = (name) => ({
  kind: "axis", name, unit: "deg", low: 0, high: 1, travel: null, rest: 0, actuator: "servo", board: "b", channel: 0, supply: "s",
  limits: { speed: null, acceleration: null, jerk: null }, area: false, keys: [], commanded: 0, predicted: -1,
});

/** @param {Partial<Finding>} f @returns {Finding} */
const finding = (f) => ({ number: 1, severity: "error", rule: "speed", row: 0, supply: -1, from: 1, to: 2, text: "", remedy: "", file: "", line: 0, ...f });

const curves = { rate: 1, samples: 0, count: 0, data: [] };

describe("a new version of the motion", () => {
  const before = { ...initialState(), motion: "storm", score: score({ length: 10 }), time: 8, view: { from: 6, to: 9 } };
  test("keeps time, view and what is folded", () => {
    const rows = { order: ["axis:a"], folded: new Set(["axis:a"]), hidden: new Set(["axis:gone"]) };
    const patch = takeUp({ ...before, rows }, score({ length: 20 }), curves);
    assert.equal(patch.time, 8);
    assert.deepEqual(patch.view, { from: 6, to: 9 });
    assert.equal("rows" in patch, false);
    assert.equal("playing" in patch, false);
  });
  test("that is shorter holds all of it within", () => {
    const patch = takeUp({ ...before, loop: { from: 3, to: 8 } }, score({ length: 5 }), curves);
    assert.deepEqual([patch.time, patch.view, patch.loop], [5, { from: 2, to: 5 }, { from: 3, to: 5 }]);
    assert.equal(takeUp({ ...before, loop: { from: 6, to: 8 } }, score({ length: 5 }), curves).loop, null);
  });
  test("all of it stays all of it", () => {
    assert.deepEqual(takeUp({ ...before, view: { from: 0, to: 10 } }, score({ length: 12 }), curves).view, { from: 0, to: 12 });
  });
  test("finds the finding again under another number", () => {
    const old = score({ rows: [row("a"), row("b")], findings: [finding({ number: 1, row: 0 }), finding({ number: 2, row: 1, from: 4 })] });
    const now = score({ rows: [row("b"), row("a")], findings: [finding({ number: 1, row: 0, from: 0 }), finding({ number: 2, row: 0, from: 4.1 }), finding({ number: 3, row: 1, from: 4 })] });
    assert.equal(takeUp({ ...before, score: old, finding: 2 }, now, curves).finding, 2);
    assert.equal(takeUp({ ...before, score: old, finding: 1 }, now, curves).finding, 3);
    assert.equal(takeUp({ ...before, score: old, finding: 2 }, score({}), curves).finding, null);
  });
  test("keeps the row that is selected while there is one of that name", () => {
    const now = score({ rows: [row("a")] });
    assert.equal(takeUp({ ...before, row: "axis:a" }, now, curves).row, "axis:a");
    assert.equal(takeUp({ ...before, row: "axis:b" }, now, curves).row, null);
    const rail = score({ supplies: [{ name: "rail", limit: null, voltage: 6, brownout: null, current: -1, volts: -1, peak: null }] });
    assert.equal(takeUp({ ...before, row: "supply:rail" }, rail, curves).row, "supply:rail");
    assert.equal(takeUp({ ...before, row: "supply:else" }, rail, curves).row, null);
    assert.equal(takeUp({ ...before, row: "sound" }, now, curves).row, null);
  });
  test("another motion begins at its beginning", () => {
    const patch = takeUp({ ...before, finding: 4, loop: { from: 1, to: 2 } }, score({ name: "idle", length: 3, loop: true }), curves);
    assert.deepEqual([patch.time, patch.view, patch.loop, patch.looping, patch.finding], [0, { from: 0, to: 3 }, null, true, null]);
  });
});

/** @param {Partial<Project>} p @returns {Project} */
const project = (p) => ({ title: "", kind: "show", file: "", revision: "1", motions: [], problems: [], ...p });
/** @param {string} name @param {string} revision @param {"good"|"broken"|"absent"} [state] */
const entry = (name, revision, state = "good") => ({ name, title: name, file: "", revision, state, passes: true, errors: 0, warnings: 0, length: 1 });

test("the motion to show", () => {
  const p = project({ motions: [entry("a", "1", "absent"), entry("b", "1"), entry("c", "1", "broken")] });
  assert.equal(motionOf(p, "c"), "c");
  assert.equal(motionOf(p, "a"), "a");
  assert.equal(motionOf(p, "gone"), "b");
  assert.equal(motionOf(project({ motions: [entry("a", "1", "absent")] }), ""), "a");
  assert.equal(motionOf(project({}), "x"), "");
});

test("names with signs keep to their place in a path", () => {
  // RFC 3986, 2.2: reserved characters in a segment are percent-encoded.
  assert.equal(motionPath("a/../b?c#d e", "score"), "/api/motions/a%2F..%2Fb%3Fc%23d%20e/score");
});

test("waits grow to 8 s and differ by chance", () => {
  assert.equal(pause(0, 0), 250);
  assert.equal(pause(3, 0), 2000);
  assert.equal(pause(3, 1), 1000);
  for (let k = 5; k < 2000; k++) assert.ok(pause(k, 0) === 8000 && pause(k, 0.999) >= 4000);
});

describe("messages of the socket", () => {
  test("a project", () => assert.deepEqual(projectIn(JSON.stringify({ type: "project", project: { motions: [] } })), { motions: [], problems: [] }));
  for (const data of ["", "{", "null", "[]", '{"type":"project"}', '{"type":"else","project":{"motions":[]}}', '{"type":"project","project":{"motions":3}}', new ArrayBuffer(3), undefined]) {
    test(`not ${String(data) || "nothing"}`, () => assert.equal(projectIn(data), null));
  }
});

describe("asking the server", () => {
  const real = globalThis.fetch;
  afterEach(() => {
    globalThis.fetch = real;
  });

  /** @param {(path: string, signal: AbortSignal|null) => Promise<Response>|Response} f */
  function answers(f) {
    globalThis.fetch = /** @type {typeof fetch} */ (async (path, init) => f(String(path), init?.signal ?? null));
  }

  test("a problem speaks for itself (RFC 9457)", async () => {
    answers(() => new Response(JSON.stringify({ type: "x", title: "No such motion", detail: "the show has idle, greet" }), { status: 404, headers: { "Content-Type": "application/problem+json" } }));
    await assert.rejects(ask("/x"), (e) => e instanceof ServerError && e.status === 404 && e.message === "No such motion: the show has idle, greet");
  });
  for (const [name, response] of /** @type {[string, () => Response][]} */ ([
    ["no problem", () => new Response("<h1>Bad gateway</h1>", { status: 502, statusText: "Bad Gateway", headers: { "Content-Type": "text/html" } })],
    ["a broken one", () => new Response("{", { status: 502, statusText: "Bad Gateway", headers: { "Content-Type": "application/problem+json" } })],
    ["an empty one", () => new Response("{}", { status: 502, statusText: "Bad Gateway", headers: { "Content-Type": "application/problem+json" } })],
  ])) {
    test(`an error with ${name} is told by its number`, async () => {
      answers(response);
      await assert.rejects(ask("/x"), /the server answered 502 Bad Gateway/);
    });
  }

  test("where nobody answers it says so", async () => {
    answers(() => Promise.reject(new TypeError("Failed to fetch")));
    await assert.rejects(ask("/x"), /^Error: the server does not answer$/);
  });

  /** @param {string} path @param {string} revision @param {Partial<Score>} [s] */
  function motion(path, revision, s = {}) {
    const name = path.split("/")[3];
    const headers = { ETag: `"${revision}${path.endsWith("/curves") ? "-curves" : ""}"` };
    if (path.endsWith("/score")) return new Response(JSON.stringify(score({ name, revision, rows: [row("a")], ...s })), { headers });
    if (path.endsWith("/curves")) return new Response(bare(curvesBytes(50, [[Number(revision), 0]])), { headers });
    return new Response("{}", { status: 404 });
  }

  test("score and curves of one version: where the file changes between, both come again", async () => {
    let asked = 0;
    answers((path) => {
      asked++;
      return motion(path, path.endsWith("/score") && asked <= 2 ? "1" : "2");
    });
    const got = await loadMotion("storm");
    assert.equal(got.score.revision, "2");
    assert.equal(got.curves.data[0][0], 2);
    assert.equal(asked, 4);
  });
  test("curves that are not those of the score are refused", async () => {
    answers((path) => motion(path, "1", { rows: [{ ...row("a"), predicted: 7 }] }));
    await assert.rejects(loadMotion("storm"), /names curve 7, and 1 came/);
  });

  test("the store gets score and curves in one change", async () => {
    answers((path) => motion(path, "1"));
    const store = createStore(initialState());
    store.set({ project: project({ motions: [entry("storm", "1")] }), motion: "storm" });
    let changes = 0;
    store.subscribe((state) => {
      changes++;
      assert.equal(state.score !== null, state.curves !== null);
    });
    const follower = createFollower(store);
    await follower.follow();
    assert.equal(changes, 1);
    assert.equal(store.get().score?.revision, "1");
    await follower.follow();
    assert.equal(changes, 1, "what is there is not asked again");
  });
  test("a newer version overtakes the one on its way", async () => {
    /** @type {AbortSignal[]} */
    const given = [];
    answers(async (path, signal) => {
      if (signal) given.push(signal);
      const revision = String(Math.ceil(given.length / 2));
      if (revision === "1") await new Promise((done) => setTimeout(done, 30));
      return motion(path, revision);
    });
    const store = createStore(initialState());
    const follower = createFollower(store);
    store.set({ project: project({ motions: [entry("storm", "1")] }), motion: "storm" });
    const first = follower.follow();
    store.set({ project: project({ motions: [entry("storm", "2")] }) });
    await Promise.all([follower.follow(), first]);
    assert.equal(given[0].aborted, true);
    assert.equal(store.get().score?.revision, "2");
    assert.equal(store.get().trouble, "");
  });
  test("what fails is told, and the last good version stays", async () => {
    answers((path) => motion(path, "1"));
    const store = createStore(initialState());
    const follower = createFollower(store);
    store.set({ project: project({ motions: [entry("storm", "1")] }), motion: "storm" });
    await follower.follow();
    answers(() => new Response("x", { status: 500, statusText: "Oops" }));
    store.set({ project: project({ motions: [entry("storm", "2")] }) });
    await follower.follow();
    assert.match(store.get().trouble, /the server answered 500/);
    assert.equal(store.get().score?.revision, "1");
    answers((path) => motion(path, "2"));
    await follower.follow();
    assert.equal(store.get().trouble, "");
    assert.equal(store.get().score?.revision, "2");
  });
  test("a motion that never loaded leaves the page empty, not with another's sheet", async () => {
    answers((path) => motion(path, "1"));
    const store = createStore(initialState());
    const follower = createFollower(store);
    store.set({ project: project({ motions: [entry("storm", "1"), entry("idle", "", "absent")] }), motion: "storm" });
    await follower.follow();
    store.set({ motion: "idle" });
    await follower.follow();
    assert.equal(store.get().score, null);
    assert.equal(store.get().curves, null);
  });
});

describe("the connection", () => {
  const real = { WebSocket: globalThis.WebSocket, setTimeout: globalThis.setTimeout, fetch: globalThis.fetch };
  afterEach(() => Object.assign(globalThis, real));

  /** Sockets that the test opens and closes, and timers that it lets run. */
  function wires() {
    const w = {
      /** @type {{onmessage?: (event: {data: string}) => void, onclose?: () => void, closed: boolean}[]} */
      sockets: [],
      /** @type {{run: () => void, ms: number}[]} */
      timers: [],
      /** @type {string[]} */
      told: [],
    };
    globalThis.WebSocket = /** @type {any} */ (class {
      closed = false;
      constructor() {
        w.sockets.push(this);
      }
      close() {
        this.closed = true;
      }
    });
    globalThis.setTimeout = /** @type {any} */ ((/** @type {() => void} */ run, /** @type {number} */ ms) => w.timers.push({ run, ms }));
    const link = connect({ url: "ws://x", onProject: (p) => w.told.push(p.revision), onConnection: (on) => w.told.push(on ? "on" : "off") });
    return { ...w, link };
  }
  const message = (/** @type {string} */ revision) => ({ data: JSON.stringify({ type: "project", project: project({ revision }) }) });

  test("projects come as they come; lost, it is made again, later each time", () => {
    const { sockets, timers, told } = wires();
    sockets[0].onmessage?.(message("1"));
    sockets[0].onclose?.();
    assert.deepEqual(told, ["on", "1", "off"]);
    for (let k = 0; k < 8; k++) {
      timers[k].run();
      sockets[k + 1].onclose?.();
    }
    assert.equal(sockets.length, 9);
    assert.ok(timers[0].ms <= 250 && timers[0].ms >= 125);
    assert.ok(timers[8].ms <= 8000 && timers[8].ms >= 4000);
    timers[8].run();
    sockets[9].onmessage?.(message("2"));
    sockets[9].onclose?.();
    assert.ok(timers[9].ms <= 250, "after a good one the waits are short again");
  });
  test("tried at once when asked, and not twice", () => {
    const { sockets, link } = wires();
    link.now();
    assert.equal(sockets.length, 1);
    sockets[0].onclose?.();
    link.now();
    link.now();
    assert.equal(sockets.length, 2);
  });
  test("an old socket's messages are nobody's", async () => {
    const { sockets, told, link } = wires();
    globalThis.fetch = () => Promise.reject(new TypeError("gone"));
    sockets[0].onmessage?.(message("1"));
    link.probe();
    await new Promise((done) => setImmediate(done));
    assert.equal(sockets[0].closed, true);
    sockets[0].onmessage?.(message("0"));
    sockets[0].onclose?.();
    assert.deepEqual(told, ["on", "1", "off"]);
  });
  test("a probe that is answered changes nothing", async () => {
    const { sockets, told, link } = wires();
    globalThis.fetch = async () => new Response("{}");
    sockets[0].onmessage?.(message("1"));
    link.probe();
    await new Promise((done) => setImmediate(done));
    assert.deepEqual([sockets[0].closed, told], [false, ["on", "1"]]);
  });
  test("closed, it stays closed", () => {
    const { sockets, timers, link } = wires();
    link.close();
    sockets[0].onclose?.();
    link.now();
    assert.deepEqual([sockets.length, timers.length], [1, 0]);
  });
});
