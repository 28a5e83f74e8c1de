// What becomes of a take: the server fits it and proposes the result, and somebody keeps
// or discards that.

import { ask } from "../api.js";
import { decodeCurves } from "../curves.js";
import { post, Refusal } from "../edit/session.js";
import { rounded } from "./take.js";

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Curves} Curves */
/** @typedef {import("../types.js").Store} Store */
/** @typedef {import("../types.js").Proposal} Proposal */

/**
 * @typedef {object} Fitted
 * @property {import("./studio.js").Take} take
 * @property {number} tolerance
 * @property {"sending"|"working"|"ready"|"refused"|"gone"|"keeping"|"kept"} state
 * @property {string} id
 * @property {string} base       text revision on which it is made
 * @property {string} text       in words, of the server
 * @property {Record<string, any>} figures
 * @property {Score|null} score  of the motion with it
 * @property {Curves|null} curves
 */

const askEvery = 1500; // ms: what the socket has to say may have been lost with it

/** @param {string} motion @param {string} [more] */
export const pathOf = (motion, more = "") => `/api/motions/${encodeURIComponent(motion)}${more}`;

/**
 * @param {object} o
 * @param {Store} o.store
 * @param {() => string} o.key
 * @param {() => void} o.changed
 * @param {(text: string) => void} o.fault
 */
export function createKeeping({ store, key, changed, fault }) {
  /** @type {Fitted|null} */
  let now = null;
  /** What came before its number was known here. @type {Map<string, Proposal>} */
  const early = new Map();
  /** @type {ReturnType<typeof setInterval>|undefined} */
  let asking;
  /** What was kept last, and the text after it, by which it is undone. @type {{take: import("./studio.js").Take, motion: string, text: string}|null} */
  let kept = null;

  /** @param {unknown} e */
  function tell(e) {
    fault(e instanceof Refusal && e.kind === "another-version" ? "The motion has changed meanwhile: fit the take once more" : e instanceof Error ? e.message : String(e));
  }

  function rest() {
    clearInterval(asking);
    asking = undefined;
  }

  /**
   * @param {import("./studio.js").Take} take
   * @param {import("./take.js").Sample[]} samples
   * @param {number} tolerance
   */
  async function propose(take, samples, tolerance) {
    const base = store.get().score?.text;
    if (!base) return fault("The motion is not one that can be changed");
    rest();
    /** @type {Fitted} */
    const f = { take, tolerance, state: "sending", id: "", base, text: "", figures: {}, score: null, curves: null };
    now = f;
    changed();
    try {
      const answer = await post(pathOf(take.motion, "/takes"), { base, row: take.choice.id, samples: rounded(samples), tolerance, over: take.over }, key());
      if (now !== f) return;
      f.id = String(answer.proposal);
      f.state = "working";
      const known = early.get(f.id);
      if (known) return take_(known);
      asking = setInterval(() => void look(f), askEvery);
    } catch (e) {
      if (now !== f) return;
      now = null;
      tell(e);
    }
    changed();
  }

  /** @param {Fitted} f */
  async function look(f) {
    try {
      const answer = await ask(pathOf(f.take.motion, `/proposals/${f.id}`));
      if (now === f && f.state === "working") take_(await answer.json());
    } catch (e) {
      if (now !== f || f.state !== "working" || /** @type {{status?: number}} */ (e).status !== 404) return;
      rest();
      now = null;
      fault("The proposal is gone: fit the take once more");
      changed();
    }
  }

  /** @param {Proposal} message */
  function take_(message) {
    const f = now;
    if (!f || f.id !== message.id) {
      early.set(message.id, message);
      if (early.size > 8) early.delete(/** @type {string} */ (early.keys().next().value));
      return;
    }
    // What was kept tells that it is gone, too.
    if (f.state === "keeping" || f.state === "kept" || message.state === "working" || f.state === message.state) return;
    rest();
    f.text = message.text ?? "";
    if (message.figures) f.figures = message.figures;
    if (message.state === "gone") {
      f.state = "gone";
      f.text = f.text || "The motion has changed meanwhile: fit the take once more";
    } else if (message.state === "refused") {
      f.state = "refused";
      f.text = (message.problems ?? []).map((p) => [p.line ? `${p.file}:${p.line}` : "", p.text, p.hint].filter((x) => x).join(": ")).join(". ") || f.text;
    } else void see(f);
    changed();
  }

  /** Reads what is proposed. @param {Fitted} f */
  async function see(f) {
    try {
      const [score, curves] = await Promise.all(["score", "curves"].map((part) => ask(pathOf(f.take.motion, `/proposals/${f.id}/${part}`))));
      const [s, c] = await Promise.all([score.json(), curves.arrayBuffer()]);
      if (now !== f) return;
      f.score = s;
      f.curves = decodeCurves(c);
      f.state = "ready";
    } catch (e) {
      if (now !== f) return;
      now = null;
      tell(e);
    }
    changed();
  }

  /** @returns {Promise<import("./studio.js").Take|null>} that is in the file now */
  async function keep() {
    const f = now;
    const { score, motion } = store.get();
    if (!f || f.state !== "ready" || f.take.motion !== motion) return null;
    f.state = "keeping";
    changed();
    try {
      // It is kept where it was fitted: by another text it would not be what was looked at.
      const answer = await post(pathOf(f.take.motion, `/proposals/${f.id}/accept`), { base: f.base, have: score?.revision ?? "" }, key());
      f.state = "kept";
      kept = { take: f.take, motion: f.take.motion, text: String(answer.text) };
    } catch (e) {
      if (now === f) now = null;
      tell(e);
      changed();
      return null;
    }
    changed();
    return f.take;
  }

  /** Lets the server forget it. @param {Fitted} f */
  function forget(f) {
    if (!f.id || f.state === "kept") return;
    void fetch(pathOf(f.take.motion, `/proposals/${f.id}`), { method: "DELETE", headers: { "Limberjack-Page": key() }, keepalive: true }).catch(() => {});
  }

  return {
    propose, keep,
    now: () => now,
    /** @param {Proposal} message */
    heard: (message) => take_(message),
    drop() {
      rest();
      if (now) forget(now);
      now = null;
      changed();
    },
    /** Whether what was kept last can be undone: nothing came after it. */
    undoable() {
      const { score, motion } = store.get();
      return kept !== null && kept.motion === motion && score?.text === kept.text;
    },
    /** @returns {Promise<import("./studio.js").Take|null>} whose keys are out of the file again */
    async undo() {
      if (!kept) return null;
      const { take, motion, text } = kept;
      try {
        await post(pathOf(motion, "/undo"), { base: text }, key());
        kept = null;
      } catch (e) {
        tell(e);
        return null;
      }
      changed();
      return take;
    },
  };
}
