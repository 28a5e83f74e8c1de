// The keys of one row as a list for the keyboard and for screen readers: one stop
// of the Tab key, arrows go from key to key. It lies over the heads on the paper.

import { curveAt } from "../curves.js";
import { make, write } from "../dom.js";
import { keyText } from "./edit.js";
import { stavesWidth, xIn, yIn } from "./overlay.js";
import { among, joined, keyOf, nearestOf, rowOf, stretchOf, toggled } from "./select.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").KeyRef} KeyRef */
/** @typedef {import("../sheet/paper.js").Job} Job */

const around = 40; // keys before and after the one at hand that the list holds

/**
 * Which keys of a row the list holds.
 * @param {number} count
 * @param {number} at
 * @returns {{from: number, to: number}} to is not in it
 */
export function heldKeys(count, at) {
  return { from: Math.max(0, at - around), to: Math.min(count, at + around + 1) };
}

/**
 * @param {object} o
 * @param {HTMLElement} o.window
 * @param {() => State} o.get
 * @param {import("./edit.js").Editor} o.editor
 * @param {import("../types.js").Actions} o.actions
 * @param {(id: string) => void} o.reveal
 */
export function createKeyList({ window, get, editor, actions, reveal }) {
  const list = make("ul", { class: "edit-keys", role: "listbox", "aria-multiselectable": "true", hidden: true, keydown: onKey });
  window.append(list);
  /** @type {Map<number, HTMLLIElement>} */
  let items = new Map();
  /** @type {unknown[]} */
  let filled = [];
  /** @type {Job|null} */
  let placed = null;
  let wants = false; // the focus goes to the key at hand once it is there

  /** The key that Tab comes to. @param {State} state @returns {KeyRef|null} */
  function handOf(state) {
    const { score, edit: { cursor }, row, time } = state;
    if (!score) return null;
    if (cursor && keyOf(score, cursor)) return cursor;
    const id = rowOf(score, row) ? row : idWithKeys(state);
    return id === null ? null : nearestIn(state, id, time);
  }

  /** @param {State} state */
  function idWithKeys({ score }) {
    const r = score?.rows.find((x) => x.keys.length > 0);
    return r ? `${r.kind}:${r.name}` : null;
  }

  /** @param {State} state @param {string} id @param {number} time */
  const nearestIn = ({ score }, id, time) => score && nearestOf(score, id, time);

  /** @param {Job|null} j @param {State} state */
  function draw(j, state) {
    const hand = j && handOf(state);
    if (list.hidden !== !hand) list.hidden = !hand;
    if (!j || !hand || !state.score) return;
    const now = [state.score, state.edit.keys, hand.row, hand.k];
    if (now.some((x, k) => x !== filled[k])) {
      filled = now;
      fill(state, hand);
      placed = null;
    }
    if (placed !== j) lay(j, hand);
    placed = j;
  }

  /** @param {State} state @param {KeyRef} hand */
  function fill(state, hand) {
    const score = /** @type {import("../types.js").Score} */ (state.score);
    const row = /** @type {import("../types.js").Row} */ (rowOf(score, hand.row));
    const focused = list.contains(document.activeElement);
    const { from, to } = heldKeys(row.keys.length, hand.k);
    const old = list.dataset.row === hand.row ? items : new Map();
    list.dataset.row = hand.row;
    list.setAttribute("aria-label", `Keys of ${row.name}`);
    items = new Map();
    const selected = among(state.edit.keys);
    for (let k = from; k < to; k++) items.set(k, old.get(k) ?? make("li", { role: "option", tabindex: -1 }));
    for (const [k, item] of items) {
      write(item, `${row.name}, ${keyText(score, row, row.keys[k])}`);
      item.setAttribute("aria-selected", String(selected({ row: hand.row, k })));
      item.setAttribute("aria-posinset", String(k + 1));
      item.setAttribute("aria-setsize", String(row.keys.length));
      item.tabIndex = k === hand.k ? 0 : -1;
    }
    const kept = [...items.values()];
    if (kept.length !== list.children.length || kept.some((x, k) => list.children[k] !== x)) list.replaceChildren(...kept);
    if (focused || wants) items.get(hand.k)?.focus({ preventScroll: true });
    wants = false;
  }

  /** @param {Job} j @param {KeyRef} hand */
  function lay(j, hand) {
    const row = rowOf(j.scene.score, hand.row);
    if (!row) return;
    for (const [k, item] of items) {
      const key = row.keys[k];
      if (!key) continue;
      const x = Math.min(j.metrics.left + stavesWidth(j), Math.max(j.metrics.left, xIn(j, key.at)));
      const y = yIn(j, hand.row, curveAt(j.scene.curves, row.commanded, key.at));
      item.style.transform = `translate(${x - 12}px, ${(Number.isFinite(y) ? y : j.bands.head) - 12}px)`;
    }
  }

  /** @param {KeyboardEvent} event */
  function onKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const state = get();
    const hand = handOf(state);
    if (!hand || !state.score) return;
    const count = rowOf(state.score, hand.row)?.keys.length ?? 0;
    /** @type {Record<string, () => void>} */
    const does = {
      ArrowLeft: () => go({ row: hand.row, k: Math.max(0, hand.k - 1) }, event.shiftKey, hand),
      ArrowRight: () => go({ row: hand.row, k: Math.min(count - 1, hand.k + 1) }, event.shiftKey, hand),
      Home: () => go({ row: hand.row, k: 0 }, event.shiftKey, hand),
      End: () => go({ row: hand.row, k: count - 1 }, event.shiftKey, hand),
      ArrowUp: () => rowBy(-1, hand),
      ArrowDown: () => rowBy(1, hand),
      " ": () => {
        editor.select(toggled(state.edit.keys, hand), hand);
        editor.tellSelection();
      },
    };
    const act = does[event.key];
    if (!act) return;
    event.preventDefault();
    event.stopPropagation(); // arrows and Space are the page's keys too
    act();
  }

  /** @param {KeyRef} to @param {boolean} adds @param {KeyRef} from */
  function go(to, adds, from) {
    const { keys } = get().edit;
    editor.select(adds ? joined(keys, stretchOf(from, to)) : [to], to);
    show(to);
  }

  /** @param {1|-1} by @param {KeyRef} hand */
  function rowBy(by, hand) {
    const state = get();
    const { score } = state;
    const rows = placed?.places.filter((p) => !p.folded && (p.spec.kind === "axis" || p.spec.kind === "control")).map((p) => p.spec.id) ?? [];
    const at = keyOf(score ?? /** @type {any} */ ({ rows: [] }), hand)?.at ?? 0;
    for (let k = rows.indexOf(hand.row) + by; k >= 0 && k < rows.length; k += by) {
      const to = nearestIn(state, rows[k], at);
      if (!to) continue;
      editor.select([to], to);
      return show(to);
    }
  }

  /** @param {KeyRef} ref */
  function show(ref) {
    const { score, view } = get();
    const key = score && keyOf(score, ref);
    const row = score && rowOf(score, ref.row);
    if (!score || !key || !row) return;
    if (key.at < view.from || key.at > view.to) {
      const half = (view.to - view.from) / 2;
      actions.show({ from: key.at - half, to: key.at + half });
    }
    reveal(ref.row);
    actions.selectRow(ref.row);
    wants = true;
    editor.redraw();
  }

  return { draw, destroy: () => list.remove() };
}
