// The keys of the page: one table, from which the keys work and the help is
// written. Single characters can be switched off (WCAG 2.1.4).

import { whyIdle } from "./panels.js";

/** @typedef {import("./types.js").Actions} Actions */
/** @typedef {import("./types.js").State} State */

/**
 * @typedef {object} Shortcut
 * @property {string[]} keys    as KeyboardEvent.key names them, letters small
 * @property {boolean} [shift]  with Shift; characters that need it on some keyboards leave this out
 * @property {string} label     how the help writes the key
 * @property {string} words     what it does
 * @property {"Play"|"Move"|"Loop"|"Sheet"|"Page"} group
 * @property {(actions: Actions & PageActions, state: State) => void} run
 */

/** @typedef {{help: () => void, turnTheme: () => void, turnEdit: () => void, turnProposal: () => void}} PageActions */

/** @type {Shortcut[]} */
export const shortcuts = [
  { keys: [" "], label: "Space", words: "play or stop", group: "Play", run: (a) => a.toggle() },
  ...[1, 2, 3, 4, 5, 6, 7, 8, 9].map((n) => speed(String(n), n / 10)),
  speed("0", 1),
  { keys: ["c"], label: "C", words: "count-in on or off", group: "Play", run: (a, s) => a.setCountIn(!s.countIn) },
  { keys: ["m"], label: "M", words: "sound on or off", group: "Play", run: (a, s) => a.setMuted(!s.muted) },
  { keys: ["ArrowLeft"], shift: false, label: "\u2190", words: "a film frame back", group: "Move", run: (a) => a.step(-1) },
  { keys: ["ArrowRight"], shift: false, label: "\u2192", words: "a film frame on", group: "Move", run: (a) => a.step(1) },
  { keys: ["ArrowLeft"], shift: true, label: "Shift \u2190", words: "a second back", group: "Move", run: (a) => a.skip(-1) },
  { keys: ["ArrowRight"], shift: true, label: "Shift \u2192", words: "a second on", group: "Move", run: (a) => a.skip(1) },
  { keys: ["Home"], shift: false, label: "Home", words: "to the start", group: "Move", run: (a) => a.toStart() },
  { keys: ["End"], shift: false, label: "End", words: "to the end", group: "Move", run: (a) => a.toEnd() },
  { keys: [","], label: ",", words: "to the mark before", group: "Move", run: (a) => a.toMark(-1) },
  { keys: ["."], label: ".", words: "to the next mark", group: "Move", run: (a) => a.toMark(1) },
  { keys: ["n"], shift: false, label: "N", words: "to the next finding", group: "Move", run: (a) => a.toFinding(1) },
  { keys: ["n"], shift: true, label: "Shift N", words: "to the finding before", group: "Move", run: (a) => a.toFinding(-1) },
  { keys: ["l"], label: "L", words: "loop on or off", group: "Loop", run: (a, s) => a.setLooping(!s.looping) },
  { keys: ["["], label: "[", words: "the loop begins here", group: "Loop", run: (a) => a.setLoopEnd("from") },
  { keys: ["]"], label: "]", words: "the loop ends here", group: "Loop", run: (a) => a.setLoopEnd("to") },
  { keys: ["\\"], label: "\\", words: "no loop span", group: "Loop", run: (a) => a.setLoop(null) },
  { keys: ["+", "="], label: "+", words: "zoom in about the present time", group: "Sheet", run: (a) => a.zoom(1.5) },
  { keys: ["-", "\u2212", "_"], label: "\u2212", words: "zoom out", group: "Sheet", run: (a) => a.zoom(1 / 1.5) },
  { keys: ["<"], label: "<", words: "half a view back", group: "Sheet", run: (a, s) => a.pan(-0.5 * (s.view.to - s.view.from)) },
  { keys: [">"], label: ">", words: "half a view on", group: "Sheet", run: (a, s) => a.pan(0.5 * (s.view.to - s.view.from)) },
  { keys: ["a"], label: "A", words: "show all of the motion", group: "Sheet", run: (a) => a.fit() },
  { keys: ["Escape"], label: "Esc", words: "select nothing", group: "Sheet", run: (a) => a.selectFinding(null) },
  { keys: ["v"], label: "V", words: "a proposal, or the motion as it stands", group: "Sheet", run: (a) => a.turnProposal() },
  { keys: ["e"], label: "E", words: "edit on or off", group: "Page", run: (a) => a.turnEdit() },
  { keys: ["d"], label: "D", words: "paper or dark set", group: "Page", run: (a) => a.turnTheme() },
  { keys: ["?"], label: "?", words: "these keys", group: "Page", run: (a) => a.help() },
];

/**
 * @param {string} key
 * @param {number} rate
 * @returns {Shortcut}
 */
function speed(key, rate) {
  return { keys: [key], label: key, words: `speed ${Math.round(rate * 100)} %`, group: "Play", run: (a) => a.setRate(rate) };
}

/**
 * What a key was pressed on, as far as that may need the key itself.
 * @typedef {{tag: string, type: string, role: string, editable: boolean, dialog: boolean}} Target
 */

const arrows = new Set(["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Home", "End", "PageUp", "PageDown"]);
const presses = new Set([" ", "Enter"]);
const ownKeys = new Set(["textbox", "searchbox", "combobox", "listbox", "spinbutton", "menu", "menubar", "tree", "grid"]);
const ownArrows = new Set(["slider", "radiogroup", "radio", "tablist", "tab", "toolbar"]);

/**
 * Whether what has the focus needs a key itself: typing, a list's choice by its
 * letters, a button's Space.
 * @param {Target} t
 * @param {string} key
 * @returns {boolean}
 */
export function needs(t, key) {
  if (t.editable || t.dialog || t.tag === "textarea" || t.tag === "select" || ownKeys.has(t.role)) return true;
  if (t.tag === "input") return inputNeeds(t.type, key);
  if (ownArrows.has(t.role) && arrows.has(key)) return true;
  const pressed = t.tag === "button" || t.tag === "a" || t.tag === "summary" || ["button", "link", "tab", "switch", "checkbox", "radio"].includes(t.role);
  return pressed && presses.has(key);
}

/** @param {string} type @param {string} key */
function inputNeeds(type, key) {
  if (type === "range") return arrows.has(key);
  if (type === "checkbox" || type === "button") return presses.has(key);
  return true;
}

/**
 * The shortcut for a key, or null.
 * @param {{key: string, shiftKey: boolean, ctrlKey: boolean, altKey: boolean, metaKey: boolean, altGraph: boolean, repeat: boolean}} event
 * @param {boolean} characters  whether single characters are switched on
 * @returns {Shortcut|null}
 */
export function shortcutFor(event, characters) {
  // On many keyboards brackets come by AltGr, which some systems report as Ctrl and Alt.
  if (event.metaKey || ((event.ctrlKey || event.altKey) && !event.altGraph)) return null;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (isCharacter(key) && !characters) return null;
  const found = shortcuts.find((s) => s.keys.includes(key) && (s.shift === undefined || s.shift === event.shiftKey));
  if (!found || (event.repeat && !repeats(found))) return null;
  return found;
}

/**
 * Whether a shortcut does something with the motion, as buttons do that are disabled
 * without one.
 * @param {Shortcut} s
 */
export const needsMotion = (s) => s.group !== "Page" && s.label !== "Esc";

/** @param {string} key */
function isCharacter(key) {
  return key.length === 1 && key !== " ";
}

// Held down, a step goes on; a switch must not flutter.
/** @param {Shortcut} s */
function repeats(s) {
  return s.group === "Move" || (s.group === "Sheet" && s.label !== "Esc");
}

/**
 * Listens for the keys.
 * @param {Document} doc
 * @param {Actions & PageActions} actions
 * @param {() => State} get
 * @returns {() => void} ends it
 */
export function listen(doc, actions, get) {
  /** @param {KeyboardEvent} event */
  function onKey(event) {
    if (event.defaultPrevented || event.isComposing) return;
    const target = described(event.target);
    if (needs(target, event.key)) return;
    const altGraph = event.getModifierState("AltGraph");
    const { key, shiftKey, ctrlKey, altKey, metaKey, repeat } = event;
    const found = shortcutFor({ key, shiftKey, ctrlKey, altKey, metaKey, altGraph, repeat }, get().shortcuts);
    if (!found) return;
    event.preventDefault();
    const idle = needsMotion(found) ? whyIdle(get()) : "";
    if (idle) actions.announce(idle);
    else found.run(actions, get());
  }
  doc.addEventListener("keydown", onKey);
  return () => doc.removeEventListener("keydown", onKey);
}

/** @param {EventTarget|null} target @returns {Target} */
function described(target) {
  if (!(target instanceof HTMLElement)) return { tag: "", type: "", role: "", editable: false, dialog: false };
  return {
    tag: target.tagName.toLowerCase(),
    type: target instanceof HTMLInputElement ? target.type : "",
    role: target.getAttribute("role") ?? "",
    editable: target.isContentEditable,
    dialog: target.closest("dialog") !== null,
  };
}
