// What the page asks of the server: the project over a socket, motions when they
// change. API.md describes each endpoint.

import { decodeCurves, decodeWaveform } from "./curves.js";
import { showsAll, within } from "./view.js";
import { spanWithin } from "./player.js";
import { motionPath } from "./which.js";

export { motionOf, motionPath } from "./which.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Store} Store */
/** @typedef {import("./types.js").Score} Score */
/** @typedef {import("./types.js").Curves} Curves */
/** @typedef {import("./types.js").Project} Project */
/** @typedef {import("./types.js").Waveform} Waveform */

const answerWithin = 4000; // ms

/** What the server says was wrong (RFC 9457), or what the answer was. */
export class ServerError extends Error {
  /** @param {string} text @param {number} status */
  constructor(text, status) {
    super(text);
    this.status = status;
  }
}

/**
 * Fetches, and turns what is not an answer into an error with the server's own
 * words.
 * @param {string} path
 * @param {AbortSignal} [signal]
 * @param {RequestInit} [init]
 * @returns {Promise<Response>}
 */
export async function ask(path, signal, init = {}) {
  const answer = await fetch(path, { ...init, signal: signal ?? null, cache: "no-cache" }).catch((e) => {
    throw e instanceof TypeError ? new Error("the server does not answer") : e;
  });
  if (!answer.ok) throw new ServerError(await problemText(answer), answer.status);
  return answer;
}

/** @param {Response} answer */
async function problemText(answer) {
  const plain = `the server answered ${answer.status} ${answer.statusText}`.trim();
  if (!(answer.headers.get("Content-Type") ?? "").startsWith("application/problem+json")) return plain;
  try {
    const p = /** @type {{title?: unknown, detail?: unknown}} */ (await answer.json());
    const parts = [p.title, p.detail].filter((s) => typeof s === "string" && s !== "");
    return parts.length > 0 ? parts.join(": ") : plain;
  } catch {
    return plain;
  }
}

/**
 * The score and the curves of one and the same version of a motion.
 * @param {string} name
 * @param {AbortSignal} [signal]
 * @param {(path: string) => Promise<Response|null>} [early]  an answer that is there already
 * @returns {Promise<{score: Score, curves: Curves}>}
 */
export async function loadMotion(name, signal, early = async () => null) {
  /** @param {"score"|"curves"} part */
  const answerOf = async (part) => await early(motionPath(name, part)) ?? ask(motionPath(name, part), signal);
  for (let tries = 0; ; tries++) {
    const [first, second] = await Promise.all([answerOf("score"), answerOf("curves")]);
    const [score, data] = await Promise.all([/** @type {Promise<Score>} */ (first.json()), second.arrayBuffer()]);
    // The file may have changed between the two answers.
    if (!isOf(second, score.revision) && tries < 3) continue;
    const curves = decodeCurves(data);
    checkIndices(score, curves);
    return { score, curves };
  }
}

/**
 * Whether an answer is of a version of the motion: its tag begins with it.
 * @param {Response} answer
 * @param {string} revision
 */
function isOf(answer, revision) {
  const tag = answer.headers.get("ETag");
  return tag === null || tag.replace(/^(W\/)?"/, "").startsWith(revision);
}

/**
 * Refuses curves that are not those of the score.
 * @param {Score} score
 * @param {Curves} curves
 */
function checkIndices(score, curves) {
  const asked = [...score.rows.flatMap((r) => [r.commanded, r.predicted]), ...score.supplies.flatMap((s) => [s.current, s.volts])];
  const most = Math.max(-1, ...asked);
  if (most >= curves.count) throw new Error(`the curves do not belong to the motion: it names curve ${most}, and ${curves.count} came`);
}

/**
 * @param {string} name
 * @param {AbortSignal} [signal]
 * @returns {Promise<Waveform>}
 */
export async function loadWaveform(name, signal) {
  return decodeWaveform(await (await ask(motionPath(name, "waveform"), signal)).arrayBuffer());
}

/**
 * How the state takes up a new version of its motion, or another motion: time,
 * view and selection are kept as far as they still mean something.
 * @param {State} state
 * @param {Score} score
 * @param {Curves} curves
 * @returns {Partial<State>}
 */
export function takeUp(state, score, curves) {
  const old = state.score;
  // What is drawn of the joints is kept by them.
  if (old && JSON.stringify(old.joints) === JSON.stringify(score.joints)) score.joints = old.joints;
  if (!old || old.name !== score.name) {
    return {
      score, curves, trouble: "", waveform: null, time: 0, loop: null, looping: score.loop, finding: null,
      view: within({ from: 0, to: score.length }, score.length), row: keptRow(state.row, score),
    };
  }
  return {
    score, curves, trouble: "",
    waveform: score.sound ? state.waveform : null,
    time: Math.min(state.time, score.length),
    loop: state.loop && spanWithin(state.loop.from, state.loop.to, score.length),
    view: showsAll(state.view, old.length) ? within({ from: 0, to: score.length }, score.length) : within(state.view, score.length),
    finding: keptFinding(state.finding, old, score),
    row: keptRow(state.row, score),
  };
}

/** @param {string|null} id @param {Score} score */
function keptRow(id, score) {
  if (id === "sound") return score.sound ? id : null;
  const known = score.rows.some((r) => `${r.kind}:${r.name}` === id) || score.supplies.some((s) => `supply:${s.name}` === id);
  return known ? id : null;
}

/**
 * Numbers are given anew with each version: the one that is selected is found
 * again by its rule and place, the nearest in time.
 * @param {number|null} number
 * @param {Score} old
 * @param {Score} score
 */
function keptFinding(number, old, score) {
  const was = old.findings.find((f) => f.number === number);
  if (!was) return null;
  /** @param {import("./types.js").Finding} f @param {Score} s */
  const where = (f, s) => `${f.rule} ${s.rows[f.row]?.name ?? ""} ${s.supplies[f.supply]?.name ?? ""}`;
  const same = score.findings.filter((f) => where(f, score) === where(was, old));
  same.sort((a, b) => Math.abs(a.from - was.from) - Math.abs(b.from - was.from));
  return same[0]?.number ?? null;
}

const nothing = { score: null, curves: null, waveform: null, time: 0, loop: null, finding: null };

/**
 * Keeps the store's motion as the project says it is.
 * @param {Store} store
 * @param {(path: string) => Promise<Response|null>} [early]  answers that are there already
 * @returns {{follow: () => Promise<void>, rest: () => void}} follow is called when the project or the chosen motion has changed;
 *   rest lets go of what is on its way
 */
export function createFollower(store, early = async () => null) {
  /** @type {AbortController|null} */
  let flight = null;
  let bound = ""; // what the flight is for

  /** @param {string} name @param {string} revision @param {AbortSignal} signal */
  async function load(name, revision, signal) {
    /** What came early may be of a version that is gone. @param {string} path */
    const known = async (path) => {
      const answer = await early(path);
      return answer && isOf(answer, revision) ? answer : null;
    };
    try {
      const { score, curves } = await loadMotion(name, signal, known);
      if (signal.aborted) return;
      store.set(takeUp(store.get(), score, curves));
      if (score.sound) await fillWaveform(name, signal);
    } catch (e) {
      if (!signal.aborted) store.set({ trouble: e instanceof Error ? e.message : String(e) });
    } finally {
      if (!signal.aborted) bound = "";
    }
  }

  /** @param {string} name @param {AbortSignal} signal */
  async function fillWaveform(name, signal) {
    const waveform = await loadWaveform(name, signal).catch((e) => {
      if (e instanceof ServerError) return null; // a sound without a picture of it
      throw e;
    });
    if (!signal.aborted) store.set({ waveform });
  }

  return {
    rest() {
      flight?.abort();
      bound = "";
    },
    async follow() {
      const { project, motion, score } = store.get();
      const entry = project?.motions.find((m) => m.name === motion);
      if (!entry) return;
      const want = `${entry.name} ${entry.revision}`;
      if (bound === want) return;
      if (entry.state === "absent" || (score?.name === entry.name && score.revision === entry.revision)) {
        flight?.abort();
        bound = "";
        store.set(entry.state === "absent" ? { ...nothing, trouble: "" } : { trouble: "" });
        return;
      }
      flight?.abort();
      flight = new AbortController();
      bound = want;
      await load(entry.name, entry.revision, flight.signal);
    },
  };
}

/**
 * How long to wait before another try to connect: twice as long each time up to
 * 8 s, less up to a half by chance, so that many pages do not come at once.
 * @param {number} tries  that failed
 * @param {number} chance  0 to 1
 * @returns {number} ms
 */
export function pause(tries, chance) {
  return Math.min(8000, 250 * 2 ** Math.min(tries, 10)) * (1 - 0.5 * chance);
}

/**
 * Holds a socket to the server, again and again.
 * @param {object} options
 * @param {string} options.url
 * @param {(project: Project) => void} options.onProject
 * @param {(message: any) => void} [options.onMessage]  any other than the project
 * @param {(connected: boolean) => void} options.onConnection
 * @returns {{now: () => void, probe: () => void, close: () => void, send: (text: string) => boolean}} now connects at once where there is no
 *   connection; probe finds out whether one that seems to be there is; send says whether there is one
 */
export function connect({ url, onProject, onConnection, onMessage }) {
  /** @type {WebSocket|null} */
  let socket = null;
  let tries = 0;
  let closed = false;
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let waiting;

  function open() {
    clearTimeout(waiting);
    const s = new WebSocket(url);
    socket = s;
    s.onmessage = (event) => {
      if (s !== socket) return;
      const project = projectIn(event.data);
      if (!project) {
        const message = messageIn(event.data);
        if (message) onMessage?.(message);
        return;
      }
      tries = 0;
      onConnection(true);
      onProject(project);
    };
    s.onclose = () => lost(s);
  }

  /** @param {WebSocket} s */
  function lost(s) {
    if (s !== socket) return;
    socket = null;
    onConnection(false);
    if (!closed) waiting = setTimeout(open, pause(tries++, Math.random()));
  }

  function now() {
    if (socket || closed) return;
    tries = 0;
    open();
  }

  open();
  return {
    now,
    send(text) {
      if (socket?.readyState !== WebSocket.OPEN) return false;
      socket.send(text);
      return true;
    },
    // A tablet that has slept may hold a socket that nobody answers any more.
    probe() {
      const s = socket;
      if (!s) return now();
      ask("/api/project", AbortSignal.timeout(answerWithin)).catch(() => {
        lost(s);
        s.close();
      });
    },
    close() {
      closed = true;
      clearTimeout(waiting);
      socket?.close();
    },
  };
}

/** @param {unknown} data @returns {{type: string}|null} */
function messageIn(data) {
  try {
    const message = JSON.parse(String(data));
    return typeof message?.type === "string" ? message : null;
  } catch {
    return null;
  }
}

/**
 * The project in a message of the socket; null in one of another kind.
 * @param {unknown} data
 * @returns {Project|null}
 */
export function projectIn(data) {
  if (typeof data !== "string") return null;
  try {
    const message = JSON.parse(data);
    if (message?.type !== "project" || !Array.isArray(message.project?.motions)) return null;
    return { ...message.project, problems: message.project.problems ?? [] };
  } catch {
    return null;
  }
}
