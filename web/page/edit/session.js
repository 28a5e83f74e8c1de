// The changes on their way to the server: one at a time, and of those that replace
// each other only the newest. The score that comes back is the one to work on.

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Curves} Curves */
/** @typedef {import("./select.js").Spot} Spot */

/** What the server refuses (RFC 9457), with what it says of the motion's text. */
export class Refusal extends Error {
  /** @param {number} status @param {any} body */
  constructor(status, body) {
    super(wordsOf(status, body));
    this.status = status;
    this.kind = String(body?.type ?? "").replace("/problems/", "");
  }
}

/** @param {number} status @param {any} body */
function wordsOf(status, body) {
  const first = body?.problems?.[0];
  if (first?.text) return first.hint ? `${first.text}; ${first.hint}` : first.text;
  return [body?.title, body?.detail].filter((x) => typeof x === "string" && x).join(": ") || `the server answered ${status}`;
}

/**
 * Sends one thing.
 * @param {string} path
 * @param {object} body
 * @param {string} key  of the page, as the socket told it
 * @returns {Promise<any>}
 */
export async function post(path, body, key) {
  const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json", "Limberjack-Page": key }, body: JSON.stringify(body), cache: "no-store" })
    .catch(() => { throw new Error("the server does not answer: nothing was changed"); });
  const data = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refusal(answer.status, data);
  return data;
}

/**
 * A score with what an answer says of it.
 * @param {Score} score
 * @param {any} answer
 * @returns {Score}
 */
export function merged(score, answer) {
  const { text, undo, redo, saved, conflict, trouble, revision } = answer;
  const now = { ...score, ...answer.score, text, undo, redo, saved, conflict, trouble, revision };
  if (answer.rows?.length) {
    now.rows = [...now.rows];
    for (const { index, row } of answer.rows) now.rows[index] = row;
  }
  return now;
}

/**
 * Whose keys an errand is for: those that were selected when it was asked for; null: those
 * that the errand before it will leave.
 * @typedef {{keys: import("../types.js").KeyRef[]|null}} Aim
 */

/**
 * @typedef {object} Errand
 * @property {string} verb      changes, undo, redo, save, resolve, or a proposal's accept
 * @property {string} step      changes of one step replace each other
 * @property {object} body
 * @property {(() => {changes: object[], spots: Spot[]|null, said: string}|null)|null} plan  the changes, worked out when they are sent: the text they are meant for is not there before. null: none
 * @property {Aim} aim
 * @property {Spot[]|null} spots  where the selection is afterwards
 * @property {string} said      when it is done
 * @property {(answer: any) => void} [done]
 * @property {(text: string) => void} [failed]  who is told instead of everybody that it was refused
 * @property {string} motion
 */

/**
 * @param {object} o
 * @param {() => {motion: string, score: Score|null}} o.get
 * @param {(path: string, body: object) => Promise<any>} o.post
 * @param {(name: string, answer: any) => Promise<Curves|null>} o.curves  those that belong to an answer; null where they are of another version
 * @param {(score: Score, curves: Curves|null, errand: Errand) => void} o.take  curves null: those that are there hold
 * @param {(name: string) => Promise<void>} o.reload
 * @param {(text: string, errand: Errand) => void} o.fault
 * @param {(busy: boolean) => void} o.busy
 */
export function createSession(o) {
  /** @type {Errand[]} */
  const queue = [];
  let running = false;

  /** @param {Partial<Errand> & {verb: Errand["verb"]}} errand */
  function send({ verb, step = "", body = {}, plan = null, aim = { keys: null }, spots = null, said = "", done, failed }) {
    const errand = { verb, step, body, plan, aim, spots, said, done, failed, motion: o.get().motion };
    const last = queue.at(-1);
    if (last && verb === "changes" && last.verb === "changes" && last.step === step && last.motion === errand.motion) queue[queue.length - 1] = errand;
    else queue.push(errand);
    void pump();
  }

  async function pump() {
    if (running) return;
    running = true;
    o.busy(true);
    for (let errand = queue.shift(); errand; errand = queue.shift()) {
      // What was meant for one motion must not reach another.
      if (errand.motion === o.get().motion) await run(errand, true);
    }
    running = false;
    o.busy(false);
  }

  /** @param {Errand} errand @param {boolean} again */
  async function run(errand, again) {
    const { score, motion } = o.get();
    if (score?.name !== motion) return; // the one that is chosen is still being read
    const planned = errand.plan?.();
    if (planned === null) return;
    if (planned) Object.assign(errand, { body: { changes: planned.changes }, spots: planned.spots, said: planned.said });
    try {
      const path = `/api/motions/${encodeURIComponent(motion)}/${errand.verb}`;
      const body = { base: score.text, ...(errand.verb === "save" ? {} : { have: score.revision }), ...errand.body };
      const answer = await o.post(path, errand.verb === "changes" ? { step: errand.step, ...body } : body);
      await take(errand, score, answer);
      errand.done?.(answer);
    } catch (e) {
      await failed(errand, e, again);
    }
  }

  /** @param {Errand} errand @param {Score} before @param {any} answer */
  async function take(errand, before, answer) {
    const same = answer.revision === before.revision;
    // Another motion, or another version, may have come meanwhile: what differs does not belong to its curves.
    const curves = same || o.get().score?.revision !== before.revision ? null : await o.curves(errand.motion, answer);
    const now = o.get();
    if (now.motion !== errand.motion || !now.score) return;
    if (now.score.text !== before.text || now.score.revision !== before.revision || (!same && !curves)) await o.reload(errand.motion);
    else o.take(merged(now.score, answer), curves, errand);
  }

  /** @param {Errand} errand @param {unknown} e @param {boolean} again */
  async function failed(errand, e, again) {
    const kind = e instanceof Refusal ? e.kind : "";
    if (kind === "overtaken") return;
    if (kind === "another-version" || kind === "not-in-order") {
      await o.reload(errand.motion).catch(() => {});
      if (kind === "another-version" && again && errand.verb !== "changes") return run(errand, false);
      const others = kind === "another-version" ? "The motion is another one meanwhile, and what you did is not in it: do it again" : null;
      drop(errand);
      return o.fault(others ?? messageOf(e), errand);
    }
    drop(errand);
    o.fault(messageOf(e), errand);
  }

  /** What waits of a step that was refused still may be good: only its newest is there. What waits behind was meant for a text that never came. @param {Errand} errand */
  function drop(errand) {
    const first = queue[0];
    if (first && first.step === errand.step && first.verb === errand.verb) return;
    queue.length = 0;
  }

  return { send, isBusy: () => running, waiting: () => queue.map((errand) => errand.aim) };
}

/** @param {unknown} e */
function messageOf(e) {
  return e instanceof Error ? e.message : String(e);
}
