// The words in the stage's corner.

import { make } from "../dom.js";
import { presets, presetOf } from "./camera.js";
import { maskNames } from "./mask.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").StageView} StageView */
/** @typedef {(patch: Partial<StageView>) => void} Change */

/**
 * @param {Change} change
 * @param {() => StageView} view
 * @returns {{element: HTMLElement, show: (state: State, what: "rig"|"dials"|"nothing") => void}}
 */
export function createTools(change, view) {
  const looks = presets.map(({ name, yaw, pitch }) => button(name, () => change({ yaw, pitch, distance: 0 })));
  const ghost = button("Ghost", () => change({ ghost: !view().ghost }));
  const trails = button("Trails", () => change({ trails: !view().trails }));
  const skins = choice("Onion skin", Array.from({ length: 9 }, (_, k) => [String(k), k === 0 ? "none" : k === 1 ? "1 frame" : `${k} frames`]), (v) => change({ onion: Number(v) }));
  const frames = choice("Frame", [["", "none"], ...maskNames.map((n) => /** @type {[string, string]} */ ([n, n]))], (v) => change({ mask: maskNames.find((n) => n === v) ?? null }));
  const views = make("div", { class: "stage-group", role: "group", "aria-label": "Seen from" }, ...looks);
  const shown = make("div", { class: "stage-group", role: "group", "aria-label": "Drawn besides" }, ghost, trails);
  const lists = make("div", { class: "stage-group" }, skins.element, frames.element);
  const panel = make("div", { class: "stage-panel", id: "stage-panel" }, views, shown, lists);
  const opener = button("View", () => open(opener.getAttribute("aria-expanded") !== "true"));
  opener.classList.add("stage-opener");
  opener.removeAttribute("aria-pressed");
  opener.setAttribute("aria-controls", "stage-panel");
  const element = make("div", { class: "stage-tools", role: "group", "aria-label": "Stage" }, opener, panel);

  /** @param {boolean} on */
  function open(on) {
    opener.setAttribute("aria-expanded", String(on));
    element.classList.toggle("stage-open", on);
  }
  open(false);
  element.addEventListener("keydown", (e) => {
    if (e.key !== "Escape" || !element.classList.contains("stage-open")) return;
    open(false);
    opener.focus();
    e.stopPropagation();
  });

  return {
    element,
    show(state, what) {
      const now = presetOf(state.stage);
      presets.forEach(({ name }, k) => press(looks[k], name === now));
      press(ghost, state.stage.ghost);
      press(trails, state.stage.trails);
      skins.show(String(state.stage.onion));
      frames.show(state.stage.mask ?? "");
      for (const e of [views, lists, trails]) hide(e, what !== "rig");
      hide(element, what === "nothing");
    },
  };
}

/** @param {string} text @param {() => void} act */
function button(text, act) {
  return make("button", { type: "button", class: "stage-button", "aria-pressed": "false", "data-text": text, text, click: act });
}

// Writing the same again still has the browser look at the style anew.
/** @param {HTMLElement} element @param {boolean} on */
function hide(element, on) {
  if (element.hidden !== on) element.hidden = on;
}

/** @param {HTMLElement} element @param {boolean} on */
function press(element, on) {
  const value = String(on);
  if (element.getAttribute("aria-pressed") !== value) element.setAttribute("aria-pressed", value);
}

/**
 * @param {string} name
 * @param {string[][]} options value and text
 * @param {(value: string) => void} act
 */
function choice(name, options, act) {
  const select = make("select", { class: "stage-select" }, ...options.map(([value, text]) => make("option", { value, text })));
  select.addEventListener("change", () => act(select.value));
  return {
    element: make("label", { class: "stage-choice" }, make("span", { text: name }), select),
    show(/** @type {string} */ value) {
      if (select.value !== value) select.value = value;
    },
  };
}
