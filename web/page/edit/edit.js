// Editing: what a puppeteer does to the keys, marks and poses of the motion that
// is shown, by hand on the sheet, from the bar above it, and by keys.

import { curveAt, decodeCurves, withSpans } from "../curves.js";
import { ask, loadMotion, motionPath, takeUp } from "../api.js";
import { make } from "../dom.js";
import { figure } from "../sheet/scene.js";
import { clockTime, frameOf, timeOfFrame, timecode } from "../time.js";
import { createBar } from "./bar.js";
import * as plans from "./changes.js";
import { createEditHands } from "./hands.js";
import { createKeyList } from "./keylist.js";
import { listenForEdits } from "./keys.js";
import { timeText, typedTime, typedValue, valueText } from "./notation.js";
import { createOverlay, ghostsOf } from "./overlay.js";
import { allOf, bound, carried, found, idOf, keyOf, movable, rowOf, sameKey, sameKeys } from "./select.js";
import { createSession, post } from "./session.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").KeyRef} KeyRef */
/** @typedef {import("../types.js").EditState} EditState */
/** @typedef {import("./changes.js").Plan} Plan */
/** @typedef {ReturnType<typeof createEditor>} Editor */
/** @typedef {import("../types.js").Part & {editor: Editor, taken: (event: PointerEvent) => boolean}} Editing */

/**
 * Where the sheet lies, and what it draws.
 * @typedef {object} Ground
 * @property {HTMLCanvasElement} canvas
 * @property {HTMLElement} window   that holds it
 * @property {() => import("../sheet/paper.js").Job|null} job
 * @property {(clientX: number) => number} toX
 * @property {(clientY: number) => number} toY
 * @property {(id: string) => void} reveal
 * @property {(x: number, y: number) => void} tap  what a tap on the sheet does
 */

const newsAfter = 1500; // ms that the listing may be behind an answer
const runFor = 900; // ms after which a nudge is a step of its own

/**
 * What moves keys bit by bit: one step of the history, from where they were.
 * @typedef {{step: string, aim: import("./session.js").Aim, score: Score, keys: KeyRef[], time: number, value: number, text: string, x: number, y: number, ghosts: import("./overlay.js").Ghost[], refused: boolean}} Run
 */

/**
 * Nudges soon after each other; run is null until the keys are known.
 * @typedef {{step: string, aim: import("./session.js").Aim, time: number, value: number, run: Run|null}} Nudge
 */

/**
 * @param {object} o
 * @param {import("../types.js").Store} o.store
 * @param {import("../types.js").Actions} o.actions
 * @param {() => void} o.request
 * @param {() => Ground} o.ground
 * @param {() => void} o.follow   what was put off while a change was on its way
 * @param {() => void} o.rest     lets go of a version that is being read
 * @param {() => string} o.key    of the page, for the server
 */
export function createEditor({ store, actions, request, ground, follow, rest, key }) {
  const get = store.get;
  const edit = () => get().edit;
  /** @param {Partial<EditState>} patch */
  const set = (patch) => store.set({ edit: { ...edit(), ...patch } });
  let steps = 0;
  let mine = false; // the score that comes is an answer to us
  let chosen = true; // the selection is by hand, since something was asked of the server
  /** @type {Run|null} */
  let drag = null;
  /** @type {Nudge|null} */
  let nudged = null;
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let nudging;
  /** @type {import("./changes.js").Clip} */
  let clip = [];
  /** Versions that answers brought, and when: the listing tells of them later. @type {Map<string, number>} */
  const answered = new Map();
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let following;

  const session = createSession({
    get: () => ({ motion: get().motion, score: get().score }),
    post: (path, body) => post(path, body, key()),
    curves: curvesOf,
    take,
    reload,
    fault: (text, errand) => {
      if (drag && errand.step === drag.step) drag.refused = true;
      if (nudged && errand.step === nudged.step) nudged = null;
      if (errand.failed) errand.failed(text);
      else fault(text);
    },
    busy(busy) {
      set({ busy });
      if (busy) rest();
      else {
        clearTimeout(following);
        following = setTimeout(follow, newsAfter + 100);
        follow();
      }
      request();
    },
  });

  /** @param {string} text */
  function fault(text) {
    set({ fault: text });
    actions.announce(text);
  }

  /** @param {string} name @param {{revision: string, spans: import("../curves.js").Span[]|null}} of  what came of a change to what is shown */
  async function curvesOf(name, { revision, spans }) {
    const { curves } = get();
    if (spans && curves) return withSpans(curves, spans);
    const answer = await ask(motionPath(name, "curves"));
    const tag = (answer.headers.get("ETag") ?? "").replace(/^(W\/)?"/, "");
    return tag.startsWith(revision) ? decodeCurves(await answer.arrayBuffer()) : null;
  }

  /** @param {Score} score @param {import("../types.js").Curves|null} curves @param {import("./session.js").Errand} errand */
  function take(score, curves, errand) {
    const state = get();
    const have = curves ?? state.curves;
    if (!have) return;
    mine = true;
    answered.set(score.revision, performance.now());
    try {
      const keys = selectionAfter(/** @type {Score} */ (state.score), score, errand);
      store.set({ ...takeUp(state, score, have), edit: { ...state.edit, keys, cursor: cursorAmong(keys, score), fault: "" } });
    } finally {
      mine = false;
    }
    if (errand.said) actions.announce(errand.said);
  }

  /**
   * The keys that are selected after an errand; what waits hears where its own are then.
   * @param {Score} old @param {Score} score @param {import("./session.js").Errand} errand
   */
  function selectionAfter(old, score, errand) {
    const own = errand.aim.keys ?? edit().keys;
    const left = errand.spots ? found(score, errand.spots) : carried(own, old, score);
    /** @param {KeyRef[]} keys */
    const after = (keys) => (sameKeys(keys, own) ? left : carried(keys, old, score));
    session.waiting().forEach((aim, k) => {
      if (aim.keys) aim.keys = after(aim.keys);
      else if (k === 0) aim.keys = left;
    });
    return chosen ? after(edit().keys) : left;
  }

  /** What is asked of the server next is for the keys that are selected, or will be. @returns {import("./session.js").Aim} */
  function aimed() {
    const aim = { keys: session.isBusy() && !chosen ? null : edit().keys };
    chosen = false;
    return aim;
  }

  /** @param {KeyRef[]} keys @param {Score} score */
  function cursorAmong(keys, score) {
    const { cursor } = edit();
    if (cursor && keys.some((k) => sameKey(k, cursor))) return cursor;
    if (keys.length > 0) return keys[0];
    return cursor && keyOf(score, cursor) ? cursor : null;
  }

  /** @param {string} name */
  async function reload(name) {
    const { score, curves } = await loadMotion(name);
    if (get().motion === name) store.set(takeUp(get(), score, curves));
  }

  // Another text than ours: what a hand holds was meant for the one before.
  const end = store.subscribe((state, before) => {
    if (state.score === before.score || mine) return;
    if (state.score && state.score.name === before.score?.name && state.score.text !== undefined && state.score.text === before.score.text) return;
    if (drag) fault("The motion has changed under the hand");
    drag = nudged = null;
    const same = state.score && before.score && state.score.name === before.score.name;
    /** @param {KeyRef[]} list */
    const after = (list) => (same ? carried(list, /** @type {Score} */ (before.score), /** @type {Score} */ (state.score)) : []);
    for (const aim of session.waiting()) aim.keys &&= after(aim.keys);
    const keys = after(state.edit.keys);
    set({ keys, cursor: keys[0] ?? null });
  });

  /** @param {Parameters<typeof session.send>[0]} errand */
  const order = (errand) => session.send({ ...errand, aim: aimed() });

  /**
   * Does what is planned, or says why not. While something is on its way, that is known only
   * when its answer is here: keys have other places then.
   * @param {(score: Score, keys: KeyRef[]) => Plan} plan @param {string|((keys: number) => string)} said
   * @returns {boolean}
   */
  function doNow(plan, said) {
    endNudge();
    if (!get().score) return false;
    const aim = aimed();
    const step = `${++steps}`;
    const work = () => {
      const keys = (aim.keys ??= edit().keys);
      const { changes, spots, why } = plan(/** @type {Score} */ (get().score), keys);
      if (why) fault(why);
      return changes.length > 0 ? { changes, spots, said: why ? "" : typeof said === "string" ? said : said(keys.length) } : null;
    };
    if (session.isBusy()) {
      session.send({ verb: "changes", step, aim, plan: work });
      return true;
    }
    const now = work();
    if (now) session.send({ verb: "changes", step, aim, body: { changes: now.changes }, spots: now.spots, said: now.said });
    return now !== null;
  }

  /** @param {object[]} changes @param {string} said */
  const doChanges = (changes, said) => doNow(() => ({ changes, spots: /** @type {any} */ (null), why: "" }), said);

  /** Changes one of the placements, which have numbers anew once one has come or gone. @param {number} index @param {(now: number) => object} change @param {string} said */
  function placed(index, change, said) {
    const was = get().score?.placements?.find((p) => p.index === index);
    if (!was) return fault("It is not placed there any more"), false;
    return doNow((score) => {
      const now = score.placements?.find((p) => p.kind === was.kind && p.name === was.name && Math.abs(p.at - was.at) < 1e-6);
      return now ? { changes: [change(now.index)], spots: /** @type {any} */ (null), why: "" } : { changes: [], spots: [], why: "It is not placed there any more" };
    }, said);
  }

  // --- what moves keys bit by bit ---

  /** @param {import("./session.js").Aim} aim @param {string} step @returns {Run|null} */
  function run(aim, step) {
    const { score } = get();
    const keys = (aim.keys ??= edit().keys);
    if (!score) return null;
    if (keys.length === 0) return fault("No key is selected"), null;
    const { free, why } = movable(score, keys);
    if (why) fault(why);
    const j = ground().job();
    return free.length === 0 ? null : { step, aim, score, keys: free, time: 0, value: 0, text: "", x: 0, y: 0, ghosts: j ? ghostsOf(j, free) : [], refused: false };
  }

  /** @param {Run} r */
  function planOf(r) {
    const plan = plans.shift(r.score, r.keys, r);
    // Back where it began is a place too.
    const changes = plan.changes.length > 0 ? plan.changes : plans.setKeys(r.score, r.keys.slice(0, 1), { value: keyOf(r.score, r.keys[0])?.to }).changes;
    return { changes, spots: plan.spots, said: "" };
  }

  /** @param {Run} r */
  function sendRun(r) {
    const { changes, spots } = planOf(r);
    session.send({ verb: "changes", step: r.step, aim: r.aim, body: { changes }, spots });
    return spots[0];
  }

  /** @param {Run} r @param {import("./select.js").Spot|undefined} spot @param {string} snapped */
  function words(r, spot, snapped) {
    const row = spot && rowOf(r.score, spot.row);
    if (!spot || !row) return "";
    return `${placeText(spot.at, r.score)}${snapped ? ` (${snapped})` : ""}, ${figure(spot.to, row.unit)}`;
  }

  function endNudge() {
    clearTimeout(nudging);
    nudged = null;
  }

  /** @param {number} frames @param {number} steps_  of the row's unit */
  function nudge(frames, steps_) {
    const { score } = get();
    if (!score) return;
    const n = (nudged ??= { step: `${++steps}`, aim: aimed(), time: 0, value: 0, run: null });
    n.time += frames * (score.fps ? 1 / score.fps.rate : 1 / score.boardRate);
    n.value += steps_;
    clearTimeout(nudging);
    nudging = setTimeout(endNudge, runFor);
    // What it is to be moved from is known when nothing else is on its way any more.
    if (!n.run && session.isBusy()) return session.send({ verb: "changes", step: n.step, aim: n.aim, plan: () => nudgeOf(n) });
    const plan = nudgeOf(n);
    if (plan) session.send({ verb: "changes", step: n.step, aim: n.aim, body: { changes: plan.changes }, spots: plan.spots });
  }

  /** @param {Nudge} n */
  function nudgeOf(n) {
    n.run ??= run(n.aim, n.step);
    if (!n.run) {
      if (nudged === n) endNudge();
      return null;
    }
    const plan = planOf(Object.assign(n.run, { time: n.time, value: n.value }));
    actions.announce(words(n.run, plan.spots[0], ""));
    return plan;
  }

  // --- the commands ---

  /** @param {number} count @param {string} does */
  const counted = (count, does) => `${count} ${count === 1 ? "key" : "keys"} ${does}`;

  function rowNow() {
    const { row, score, edit: { cursor } } = get();
    if (!score) return null;
    const chosen = cursor?.row ?? row;
    return rowOf(score, chosen) ? chosen : null;
  }

  const editor = {
    on: () => edit().on,
    isBusy: () => session.isBusy(),
    many: () => edit().many,
    keys: () => edit().keys,
    redraw: request,
    /** @param {boolean} on */
    setOn(on) {
      if (on && get().proposed) return actions.announce("What is shown is a proposal: accept or discard it first");
      set({ on, fault: "" });
      actions.announce(on ? "Edit on: keys can be moved" : "Edit off");
    },
    /** @param {boolean} many */
    setMany(many) {
      set({ many });
      actions.announce(many ? "A tap adds to the selection" : "A tap selects one key");
    },
    /** @param {KeyRef[]} keys @param {KeyRef|null} cursor */
    select(keys, cursor) {
      endNudge();
      chosen = true;
      set({ keys, cursor: cursor ?? keys[0] ?? edit().cursor, fault: "" });
      request();
    },
    tellSelection() {
      const { score, edit: { keys } } = get();
      if (score) actions.announce(selectionText(score, keys));
    },
    /** @param {string} id */
    chooseRow: (id) => actions.selectRow(id),
    /** @param {string} id */
    selectAll(id) {
      const { score } = get();
      if (!score) return;
      editor.select(allOf(score, id), null);
      editor.tellSelection();
    },
    rowNow,

    /** The same key now, or null. @param {KeyRef} ref @param {Score} of  of which it is */
    still(ref, of) {
      const { score } = get();
      if (!score) return null;
      return score.rows === of.rows ? ref : carried([ref], of, score)[0] ?? null;
    },
    /** @param {KeyRef} ref */
    beginDrag(ref) {
      endNudge();
      const { score } = get();
      const grasped = keyOf(score ?? /** @type {any} */ ({ rows: [] }), ref);
      const why = grasped ? bound(grasped) : "";
      if (why) fault(why);
      drag = why ? null : run(aimed(), `${++steps}`);
      return drag !== null;
    },
    dragScore: () => drag?.score ?? null,
    /** @param {{time: number, value: number, snapped: string, x: number, y: number}} to */
    drag({ time, value, snapped, x, y }) {
      if (!drag) return;
      const moved = drag.time !== time || drag.value !== value;
      Object.assign(drag, { x, y });
      request();
      if (!moved) return;
      Object.assign(drag, { time, value });
      drag.text = words(drag, sendRun(drag), snapped);
    },
    /** @param {boolean} keep */
    endDrag(keep) {
      if (!drag) return;
      const r = drag;
      if (!keep && (r.time !== 0 || r.value !== 0)) {
        Object.assign(r, { time: 0, value: 0 });
        sendRun(r);
      } else if (keep && r.text) actions.announce(r.text);
      drag = null;
      request();
    },
    /** What is drawn of a drag. */
    dragged: () => drag,
    nudge,

    /** @param {string} id @param {number} at @param {number} to */
    addAt(id, at, to) {
      actions.selectRow(id);
      doNow((score) => plans.add(score, id, at, to), `Key added at ${clockTime(at)}`);
    },
    addHere() {
      const { score, curves, time } = get();
      const id = rowNow();
      const row = score && rowOf(score, id);
      if (!row || !curves || !id) return fault("Choose a row first: a key goes on the stave of an axis or a control");
      const at = score.fps ? timeOfFrame(frameOf(time, score.fps), score.fps) : Math.round(time * 100) / 100;
      editor.addAt(id, at, Math.round(curveAt(curves, row.commanded, at) * 10) / 10);
    },
    remove: () => doNow(plans.remove, (count) => counted(count, "deleted")),
    copy() {
      const { score, edit: { keys } } = get();
      if (!score || keys.length === 0) return fault("No key is selected");
      clip = plans.copy(score, keys);
      actions.announce(counted(clip.length, "copied"));
    },
    cut: () => doNow((score, keys) => {
      clip = plans.copy(score, keys);
      return plans.remove(score, keys);
    }, (count) => counted(count, "copied and deleted")),
    paste() {
      const { score, time } = get();
      const at = score?.fps ? timeOfFrame(frameOf(time, score.fps), score.fps) : time;
      return doNow((s) => plans.paste(s, clip, at), () => counted(clip.length, `pasted at ${clockTime(at)}`));
    },
    mirror: () => doNow(plans.mirror, (count) => counted(count, "mirrored")),
    /** @param {string} factor */
    stretch(factor) {
      const n = Number(factor.replace("\u00d7", "").trim());
      return doNow((score, keys) => plans.stretch(score, keys, n), (count) => counted(count, `stretched by ${n}`));
    },
    /** @param {string} text @returns {boolean} */
    setTime(text) {
      const { score } = get();
      if (!score) return false;
      const typed = typedTime(text, score);
      if (typed.value === null) return fault(typed.wrong), false;
      return doNow((s, keys) => {
        const first = keyOf(s, keys[0]);
        // Several keys go together, the first one to that time.
        return keys.length > 1 && first ? plans.shift(s, keys, { time: typed.value - first.at }) : plans.setKeys(s, keys, { time: typed.value });
      }, `Moved to ${clockTime(typed.value)}`);
    },
    /** @param {string} text @returns {boolean} */
    setValue(text) {
      const { score, edit: { keys } } = get();
      const row = score && rowOf(score, keys[0]?.row ?? null);
      if (!score || !row) return false;
      const typed = typedValue(text, row);
      if (typed.value === null) return fault(typed.wrong), false;
      return doNow((s, refs) => plans.setKeys(s, refs, { value: typed.value }), `${row.name} ${figure(typed.value, row.unit)}`);
    },
    /** @param {string} ease */
    setEase: (ease) => doNow((score, keys) => plans.setKeys(score, keys, { ease }), `Arrives by ${ease || "the row's own ease"}`),

    undo() {
      endNudge();
      if (!get().score?.undo && !session.isBusy()) return fault("There is nothing to undo");
      order({ verb: "undo", said: "Undone" });
    },
    redo() {
      endNudge();
      if (!get().score?.redo && !session.isBusy()) return fault("There is nothing to do again");
      order({ verb: "redo", said: "Done again" });
    },
    save() {
      endNudge();
      order({ verb: "save", said: "Saved" });
    },
    /** Takes a proposal over. @param {string} id @param {(answer: {text: string, undo: number}) => void} done @param {(text: string) => void} failed */
    accept(id, done, failed) {
      endNudge();
      order({ verb: `proposals/${id}/accept`, said: "Accepted: one step, which Undo takes back", done, failed });
    },
    /** @param {"file"|"mine"} keep */
    resolve(keep) {
      endNudge();
      order({ verb: "resolve", body: { keep }, said: keep === "mine" ? "Yours is in the file" : "The file's version holds" });
    },
    /**
     * Whether the page is ahead of what the listing says: a change is on its way, or
     * has just been answered.
     * @param {string} revision  of the listing
     */
    leads(revision) {
      const now = performance.now();
      for (const [known, at] of answered) if (now - at > newsAfter) answered.delete(known);
      return session.isBusy() || answered.has(revision);
    },

    // --- marks ---

    /** @param {string} name */
    addMark(name) {
      const { score, time } = get();
      if (!score || !name.trim()) return fault("Give the mark a name"), false;
      const at = score.fps ? timeOfFrame(frameOf(time, score.fps), score.fps) : Math.round(time * 100) / 100;
      return doChanges([{ do: "add-mark", name: name.trim(), time: at }], `Mark ${name.trim()} at ${clockTime(at)}`);
    },
    /** @param {string} name @param {string} text */
    setMark(name, text) {
      const { score } = get();
      if (!score) return false;
      if (score.marks.find((m) => m.name === name)?.locked) return fault(`The mark ${name} is locked and keeps its time`), false;
      const typed = typedTime(text, score);
      if (typed.value === null) return fault(typed.wrong), false;
      return doChanges([{ do: "set-mark", name, time: typed.value }], `Mark ${name} at ${clockTime(typed.value)}`);
    },
    /** @param {string} name @param {string} to */
    renameMark: (name, to) => doChanges([{ do: "rename-mark", name, to: to.trim() }], `Mark ${name} is now ${to.trim()}`),
    /** @param {string} name */
    deleteMark: (name) => doChanges([{ do: "delete-mark", name }], `Mark ${name} deleted`),

    // --- poses ---

    /**
     * Stores the values at the playhead.
     * @param {string} name
     * @param {boolean|null} whole  of all axes and controls; null: of what the pose has already
     */
    storePose(name, whole) {
      const { score, time } = get();
      if (!score || !name.trim()) return fault("Give the pose a name"), false;
      const known = score.poses?.find((p) => p.name === name);
      const of = whole === null ? Object.keys(known?.values ?? {}) : editor.poseRows(whole).map((r) => r.name);
      return doChanges([{ do: "store-pose", name: name.trim(), at: time, of }], `Pose ${name.trim()} stored`);
    },
    /** The rows that a stored pose takes its values from: those with selected keys, or the one that is chosen; else all but switches. @param {boolean} whole */
    poseRows(whole) {
      const { score, row, edit: { keys } } = get();
      if (!score) return [];
      const chosen = new Set(whole ? [] : keys.length > 0 ? keys.map((k) => k.row) : row && rowOf(score, row) ? [row] : []);
      return score.rows.filter((r) => (chosen.size > 0 ? chosen.has(idOf(r)) : r.unit !== "on"));
    },
    /** @param {string} name */
    keyPose(name) {
      const { score, time } = get();
      const pose = score?.poses?.find((p) => p.name === name);
      if (!score || !pose) return false;
      const at = score.fps ? timeOfFrame(frameOf(time, score.fps), score.fps) : Math.round(time * 100) / 100;
      return doNow((s) => plans.poseKeys(s, pose.values, at), `Pose ${name} keyed at ${clockTime(at)}`);
    },
    /** @param {string} name @param {string} to */
    renamePose: (name, to) => doChanges([{ do: "rename-pose", name, to: to.trim() }], `Pose ${name} is now ${to.trim()}`),
    /** @param {string} name */
    deletePose: (name) => doChanges([{ do: "delete-pose", name }], `Pose ${name} deleted`),
    /** Places a pose or phrase at the playhead. @param {"pose"|"phrase"} kind @param {string} name */
    place(kind, name) {
      const { score, time } = get();
      if (!score) return false;
      const at = score.fps ? timeOfFrame(frameOf(time, score.fps), score.fps) : Math.round(time * 100) / 100;
      return doChanges([{ do: "add-placement", [kind]: name, time: at }], `${kind} ${name} placed at ${clockTime(at)}`);
    },
    /** @param {number} index @param {string} text */
    setPlacement(index, text) {
      const { score } = get();
      const typed = score && typedTime(text, score);
      if (!typed) return false;
      if (typed.value === null) return fault(typed.wrong), false;
      return placed(index, (now) => ({ do: "set-placement", index: now, time: typed.value }), `Placed at ${clockTime(typed.value)}`);
    },
    /** @param {number} index */
    deletePlacement: (index) => placed(index, (now) => ({ do: "delete-placement", index: now }), "Taken away from where it was placed"),

    destroy: end,
  };
  return editor;
}

/** A time beside a hand: its timecode's last parts and seconds. @param {number} t @param {Score} score */
export function placeText(t, { fps }) {
  const seconds = `${(Math.round(t * 1000) / 1000).toFixed(2)} s`;
  if (!fps) return seconds;
  const text = timeText(t, { fps });
  return text.endsWith("f") ? `${timecode(Number(text.slice(0, -1)), fps).replace(/^00:/, "")}, ${seconds}` : seconds;
}

/** What is selected, in words. @param {Score} score @param {KeyRef[]} keys */
export function selectionText(score, keys) {
  const first = keyOf(score, keys[0]);
  if (!first) return "Nothing selected";
  const row = /** @type {import("../types.js").Row} */ (rowOf(score, keys[0].row));
  if (keys.length > 1) {
    const rows = new Set(keys.map((k) => k.row)).size;
    return `${keys.length} keys selected${rows > 1 ? ` on ${rows} rows` : ` of ${row.name}`}`;
  }
  return `${row.name}, key ${keys[0].k + 1} of ${row.keys.length}: ${keyText(score, row, first)}`;
}

/** @param {Score} score @param {import("../types.js").Row} row @param {import("../types.js").Key} key */
export function keyText(score, row, key) {
  const parts = [placeText(key.at, score), valueText(key.to, row)];
  if (key.ease && key.head !== "first") parts.push(key.ease);
  if (key.locked) parts.push("locked");
  if (!key.address && key.from) parts.push(`of the ${key.from.kind} ${key.from.name}, line ${key.from.line}`);
  return parts.join(", ");
}

/**
 * The parts of editing, joined.
 * @param {Parameters<typeof createEditor>[0] & {bar: HTMLElement, beside: HTMLElement}} o
 * @returns {Editing}
 */
export function createEdit(o) {
  const { store, actions, request } = o;
  const editor = createEditor(o);
  const at = o.ground();
  const canvas = make("canvas", { class: "edit-paper", "aria-hidden": "true" });
  at.window.append(canvas);
  const overlay = createOverlay(canvas);
  const hands = createEditHands({ canvas: at.canvas, job: at.job, toX: at.toX, toY: at.toY, tap: at.tap, editor });
  const list = createKeyList({ window: at.window, get: store.get, editor, actions, reveal: at.reveal });
  const bar = createBar({ element: o.bar, beside: o.beside, store, actions, editor });
  const endKeys = listenForEdits(document, editor, store.get);
  /** @type {unknown[]} */
  let drawn = [];

  return {
    editor,
    taken: hands.taken,
    draw(state) {
      const j = at.job();
      const shows = state.edit.on && j !== null;
      if (canvas.hidden === shows) canvas.hidden = !shows;
      list.draw(shows ? j : null, state);
      if (!shows || !j) return;
      const drag = editor.dragged();
      const box = hands.box();
      const now = [j, state.edit.keys, drag?.time, drag?.value, drag?.x, drag?.y, drag, box];
      if (now.every((x, k) => x === drawn[k])) return;
      drawn = now;
      overlay.draw(j, { rings: drag ? [] : ghostsOf(j, state.edit.keys), drag, box });
    },
    destroy() {
      editor.destroy();
      hands.destroy();
      list.destroy();
      bar.destroy();
      endKeys();
      canvas.remove();
      request();
    },
  };
}
