// The dialog that lists the keys.

import { make } from "./dom.js";
import { shortcuts } from "./keys.js";

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
    make("div", { class: "columns" }, ...groups.map((g) => make("section", {},
      make("h3", { class: "label", text: g }),
      make("dl", {}, ...rows(g))))));
  return () => {
    box.checked = store.get().shortcuts;
    if (!dialog.open) dialog.showModal();
  };
}

/** @param {string} group */
function rows(group) {
  /** @type {{label: string, words: string}[]} */
  const list = shortcuts.filter((s) => s.group === group && !/^[0-9]$/.test(s.label));
  if (group === "Play") list.push({ label: "1 \u2026 9, 0", words: "speed 10 \u2026 90, 100 %" });
  return list.map((s) => make("div", {}, make("dt", {}, make("kbd", { text: s.label })), make("dd", { text: s.words })));
}
