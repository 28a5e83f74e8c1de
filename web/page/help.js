// The dialog that lists the keys.

import { make } from "./dom.js";
import { editKeys, listKeys } from "./edit/keys.js";
import { shortcuts } from "./keys.js";

/** @typedef {{labels: string[], words: string}} Entry */

/**
 * The keys that parts of the page have of their own, while they have the focus. A
 * browser test holds that these are all there are.
 * @type {{title: string, id: string, list: Entry[]}[]}
 */
export const besides = [
  {
    title: "On the stage", id: "stage", list: [
      { labels: ["\u2190", "\u2192", "\u2191", "\u2193"], words: "turn the view" },
      { labels: ["Shift \u2190", "Shift \u2192", "Shift \u2191", "Shift \u2193"], words: "move the view" },
      { labels: ["+", "\u2212"], words: "nearer, farther" },
    ],
  },
  {
    title: "On the ruler of time", id: "ruler", list: [
      { labels: ["\u2190", "\u2193"], words: "a film frame back" },
      { labels: ["\u2192", "\u2191"], words: "a film frame on" },
      { labels: ["Shift \u2190", "Shift \u2192"], words: "a second back or on" },
      { labels: ["Page down", "Page up"], words: "a tenth of the view back or on" },
      { labels: ["Home", "End"], words: "to the start, to the end" },
    ],
  },
  {
    title: "On the names of rows", id: "rows", list: [
      { labels: ["\u2191", "\u2193"], words: "to the row above or below" },
      { labels: ["\u2190", "\u2192"], words: "to a row\u2019s buttons: fold, move, hide" },
      { labels: ["Home", "End"], words: "to the first row, to the last" },
      { labels: ["Alt \u2191", "Alt \u2193"], words: "move the row up or down" },
      { labels: ["Enter", "Space"], words: "press: a name selects its row" },
    ],
  },
  { title: "While editing", id: "edit", list: editKeys.map(({ label, words }) => ({ labels: [label], words })) },
  { title: "On the keys of a row, while editing", id: "edit-keys", list: listKeys },
  { title: "While boards are armed, everywhere", id: "rehearse", list: [{ labels: ["Esc"], words: "stop the boards; again, in the same page within ten seconds: drop the pulses, and what carries weight falls" }, { labels: ["Space"], words: "in the page that drives: play on the boards, or hold them where they are" }] },
  {
    title: "On the strip of Perform", id: "strip", list: [
      { labels: ["\u2191", "\u2193"], words: "up or down as long as it is held; with Shift slower" },
    ],
  },
  {
    title: "On the pulse of Calibrate", id: "slider", list: [
      { labels: ["\u2190", "\u2193"], words: "1 \u00b5s less; with Shift 5" },
      { labels: ["\u2192", "\u2191"], words: "1 \u00b5s more; with Shift 5" },
      { labels: ["Page down", "Page up"], words: "10 \u00b5s less or more" },
    ],
  },
  {
    title: "Wherever something is open", id: "open", list: [
      { labels: ["Esc"], words: "close the note, list or dialog" },
      { labels: ["Tab", "Shift Tab"], words: "to the next thing or the one before" },
    ],
  },
];

/**
 * @param {HTMLDialogElement} dialog
 * @param {import("./types.js").Store} store
 * @param {import("./types.js").Actions} actions
 * @returns {() => void} opens it
 */
export function createHelp(dialog, store, actions) {
  const box = make("input", { type: "checkbox", change: () => actions.setShortcuts(box.checked) });
  const close = make("button", { type: "button", text: "Close", click: () => dialog.close() });
  const groups = /** @type {const} */ (["Play", "Move", "Loop", "Sheet", "Page"]);
  dialog.replaceChildren(
    make("div", { class: "head" }, make("h2", { id: "help-title", text: "Keys" }), close),
    make("label", { class: "single" }, box, make("span", { text: "Single characters work as keys. Switch them off where they get in the way of speech input; Space, the arrows, Home, End and Esc go on working." })),
    make("div", { class: "columns" },
      ...groups.map((g) => section(g, "page", everywhere(g))),
      ...besides.map((b) => section(b.title, b.id, b.list))));
  return () => {
    box.checked = store.get().shortcuts;
    if (!dialog.open) dialog.showModal();
  };
}

/** @param {string} title @param {string} id @param {Entry[]} list */
function section(title, id, list) {
  return make("section", { "data-keys": id }, make("h3", { class: "label", text: title }), make("dl", {}, ...list.map(row)));
}

/** @param {Entry} entry */
function row({ labels, words }) {
  return make("div", {}, make("dt", {}, ...labels.map((text) => make("kbd", { text }))), make("dd", { text: words }));
}

/**
 * What the help says of the page's keys of a group.
 * @param {string} group
 * @returns {Entry[]}
 */
export function everywhere(group) {
  const list = shortcuts.filter((s) => s.group === group && !/^[0-9]$/.test(s.label)).map((s) => ({ labels: [s.label], words: s.words }));
  if (group === "Play") list.push({ labels: ["1 \u2026 9, 0"], words: "speed 10 \u2026 90, 100 %" });
  return list;
}
