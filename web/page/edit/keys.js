// The keys of editing: one table, from which they work and the help is written.

/** @typedef {import("../types.js").State} State */
/** @typedef {import("./edit.js").Editor} Editor */

/**
 * @typedef {object} EditKey
 * @property {string[]} keys   as KeyboardEvent.key names them, letters small
 * @property {boolean} ctrl    with Ctrl, or the command key
 * @property {boolean} alt
 * @property {boolean|null} shift  null: with or without
 * @property {string} label
 * @property {string} words
 * @property {(e: Editor, many: number) => void} run  many: 10 with Shift, else 1
 */

/** @param {string[]} keys @param {string} label @param {string} words @param {EditKey["run"]} run @param {{ctrl?: boolean, alt?: boolean, shift?: boolean|null}} [how] @returns {EditKey} */
const entry = (keys, label, words, run, { ctrl = false, alt = false, shift = false } = {}) => ({ keys, ctrl, alt, shift, label, words, run });

/** @type {EditKey[]} */
export const editKeys = [
  entry(["arrowleft"], "Alt \u2190", "a film frame earlier; with Shift ten", (e, n) => e.nudge(-n, 0), { alt: true, shift: null }),
  entry(["arrowright"], "Alt \u2192", "a film frame later; with Shift ten", (e, n) => e.nudge(n, 0), { alt: true, shift: null }),
  entry(["arrowup"], "Alt \u2191", "a degree (or the row\u2019s unit) more; with Shift ten", (e, n) => e.nudge(0, n), { alt: true, shift: null }),
  entry(["arrowdown"], "Alt \u2193", "a degree less; with Shift ten", (e, n) => e.nudge(0, -n), { alt: true, shift: null }),
  entry(["enter"], "Enter", "a new key at the playhead", (e) => e.addHere()),
  entry(["delete", "backspace"], "Delete", "delete what is selected", (e) => void e.remove()),
  entry(["a"], "Ctrl A", "select all keys of the row", (e) => { const id = e.rowNow(); if (id) e.selectAll(id); }, { ctrl: true }),
  entry(["c"], "Ctrl C", "copy", (e) => e.copy(), { ctrl: true }),
  entry(["x"], "Ctrl X", "copy and delete", (e) => e.cut(), { ctrl: true }),
  entry(["v"], "Ctrl V", "paste at the playhead", (e) => void e.paste(), { ctrl: true }),
  entry(["z"], "Ctrl Z", "undo", (e) => e.undo(), { ctrl: true }),
  entry(["z"], "Ctrl Shift Z", "do again", (e) => e.redo(), { ctrl: true, shift: true }),
  entry(["y"], "Ctrl Y", "do again", (e) => e.redo(), { ctrl: true }),
  entry(["s"], "Ctrl S", "write the file now, and not a moment later", (e) => e.save(), { ctrl: true }),
];

/** What the list of a row's keys does with keys of its own, for the help. */
export const listKeys = [
  { labels: ["\u2190", "\u2192"], words: "to the key before or after, and select it" },
  { labels: ["Shift \u2190", "Shift \u2192"], words: "select that one too" },
  { labels: ["Shift Home", "Shift End"], words: "select all on the way there, too" },
  { labels: ["\u2191", "\u2193"], words: "to the keys of the row above or below" },
  { labels: ["Home", "End"], words: "to the row\u2019s first key, to its last" },
  { labels: ["Space"], words: "select the key, or no longer" },
];

/**
 * @param {{key: string, ctrlKey: boolean, metaKey: boolean, altKey: boolean, shiftKey: boolean}} event
 * @returns {EditKey|null}
 */
export function editKeyFor(event) {
  const key = event.key.toLowerCase();
  const ctrl = event.ctrlKey || event.metaKey;
  return editKeys.find((k) => k.keys.includes(key) && k.ctrl === ctrl && k.alt === event.altKey && (k.shift === null || k.shift === event.shiftKey)) ?? null;
}

// Parts that have nothing to do with the keys of a motion: there only what is asked for with
// Alt, or of the history and the file, is meant for the motion.
const apart = "#findings, #rehearse, .tool, .mend-strip";
const anywhere = ["z", "y", "s"];

/** Whether what has the focus has a use of its own for a key. @param {EventTarget|null} target @param {EditKey} key */
function needed(target, key) {
  // Text that is marked is what is to be copied.
  if (key.ctrl && key.keys[0] === "c" && !(globalThis.getSelection?.()?.isCollapsed ?? true)) return true;
  if (!(target instanceof HTMLElement)) return false;
  if (target.closest(apart) && !key.alt && !anywhere.includes(key.keys[0])) return true;
  if (target.isContentEditable || target.tagName === "TEXTAREA" || target.closest("dialog")) return true;
  if (target instanceof HTMLInputElement) return !["checkbox", "button", "range"].includes(target.type) || (!key.ctrl && !key.alt);
  if (target.tagName === "SELECT") return !key.ctrl;
  return key.label === "Enter" && ["BUTTON", "A", "SUMMARY"].includes(target.tagName);
}

/**
 * @param {Document} doc
 * @param {Editor} editor
 * @param {() => State} get
 * @returns {() => void} ends it
 */
export function listenForEdits(doc, editor, get) {
  /** @param {KeyboardEvent} event */
  function onKey(event) {
    if (event.defaultPrevented || event.isComposing || !get().edit.on || !get().score) return;
    const found = editKeyFor(event);
    if (!found || needed(event.target, found)) return;
    event.preventDefault();
    // What a held key does again and again must be harmless.
    if (event.repeat && !found.alt && !found.words.includes("undo") && !found.words.includes("again")) return;
    found.run(editor, event.shiftKey ? 10 : 1);
  }
  doc.addEventListener("keydown", onKey);
  return () => doc.removeEventListener("keydown", onKey);
}
