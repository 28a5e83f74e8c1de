// The bar of editing, above the sheet: what can be done with what is selected, its
// time, value and ease as they are typed, marks, poses, and whether it is saved.

import { make, write } from "../dom.js";
import { selectionText } from "./edit.js";
import { timeText, valueText } from "./notation.js";
import { easeGroups } from "./eases.js";
import { keyOf, movable, rowOf } from "./select.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("./edit.js").Editor} Editor */

/**
 * What is said of the text: saved or not, and why.
 * @param {State} state
 * @returns {string}
 */
export function savedText({ edit, score, connected, project, motion }) {
  const entry = project?.motions.find((m) => m.name === motion);
  // The listing tells when the file has been written.
  const now = entry && score && entry.text === score.text ? entry : score;
  if (!connected) return "Not connected: nothing can be changed";
  if (now?.trouble) return `Not saved: ${now.trouble}`;
  if (now?.conflict) return "Two versions";
  if (edit.busy || now?.saved === false) return "Saving \u2026";
  return now?.saved ? "Saved" : "";
}

/** @param {State} state */
export function conflictOf({ score, project, motion }) {
  const entry = project?.motions.find((m) => m.name === motion);
  return entry?.conflict !== undefined ? entry.conflict : score?.conflict ?? null;
}

/** Whether it is the page's version that was kept beside the file, as its name says. @param {import("../types.js").Conflict} conflict */
export const mineBeside = ({ file }) => /\.mine-\d{8}-\d{6}(-\d+)?\./.test(file);

/**
 * @param {object} o
 * @param {HTMLElement} o.element  the bar
 * @param {HTMLElement} o.beside   where the button that opens it stands
 * @param {import("../types.js").Store} o.store
 * @param {import("../types.js").Actions} o.actions
 * @param {Editor} o.editor
 */
export function createBar({ element, beside, store, actions, editor }) {
  /** @param {string} text @param {string} label @param {() => void} press */
  const button = (text, label, press) => make("button", { type: "button", text, "aria-label": label === text ? null : label, click: press });
  const opener = make("button", { type: "button", class: "edit-on", text: "Edit", "aria-pressed": "false", click: () => editor.setOn(!editor.on()) });
  beside.append(opener);

  const undo = button("Undo", "Undo", () => editor.undo());
  const redo = button("Redo", "Redo: do again what was undone", () => editor.redo());
  const add = button("Add key", "Add key: at the playhead", () => editor.addHere());
  const remove = button("Delete", "Delete the selected keys", () => void editor.remove());
  const copy = button("Copy", "Copy the selected keys", () => editor.copy());
  const paste = button("Paste", "Paste at the playhead", () => void editor.paste());
  const mirror = button("Mirror", "Mirror the selected keys", () => void editor.mirror());
  const factor = make("input", { type: "text", class: "edit-factor", value: "1.5", inputmode: "decimal", autocomplete: "off", "aria-label": "Factor to stretch by" });
  const stretch = button("Stretch \u00d7", "Stretch \u00d7: the selected keys, from the first one", () => void editor.stretch(factor.value));
  const many = make("button", { type: "button", class: "edit-many", text: "Select more", "aria-pressed": "false", click: () => editor.setMany(!editor.many()) });
  const all = button("All in row", "All in row: select all keys of the row", () => {
    const id = editor.rowNow();
    if (id) editor.selectAll(id);
  });
  const moves = ["Earlier", "Later", "More", "Less"].map((text, k) => button(text, `${text}: ${["a frame earlier", "a frame later", "a degree more", "a degree less"][k]}`, () => editor.nudge([-1, 1, 0, 0][k], [0, 0, 1, -1][k])));
  const time = field("Time", "36f", (text) => editor.setTime(text));
  const value = field("Value", "40deg", (text) => editor.setValue(text));
  const ease = make("select", { "aria-label": "Ease", change: () => void editor.setEase(ease.value) });
  const marks = opens("Marks", () => marksPanel);
  const poses = opens("Poses", () => posesPanel);
  const picked = make("p", { class: "edit-picked" });
  const state = make("p", { class: "edit-state" });
  const wrong = make("p", { class: "edit-fault", role: "alert" });
  const conflict = make("div", { class: "edit-conflict", role: "group", "aria-label": "Two versions", hidden: true });
  let whole = false; // a pose is stored of all rows, whatever is chosen
  const marksPanel = make("div", { class: "edit-panel", role: "group", "aria-label": "Marks", hidden: true });
  const posesPanel = make("div", { class: "edit-panel", role: "group", "aria-label": "Poses", hidden: true });

  /** @param {string} label @param {...Node} children */
  const group = (label, ...children) => make("div", { class: "group", role: "group", "aria-label": label }, ...children);
  element.replaceChildren(
    make("div", { class: "edit-tools" },
      group("History", undo, redo), group("Keys", add, remove, copy, paste, mirror), group("Stretch", factor, stretch),
      group("Select", all, many), group("Nudge", ...moves), group("The selected key", time.element, value.element, make("label", { class: "edit-field" }, make("span", { text: "Ease" }), ease)),
      group("More", marks, poses)),
    make("div", { class: "edit-line" }, picked, wrong, state), conflict, marksPanel, posesPanel);

  /** A button that cannot do anything now still says why not. @param {HTMLElement} b @param {boolean} on */
  function ready(b, on) {
    const now = String(!on);
    if (b.getAttribute("aria-disabled") !== now) b.setAttribute("aria-disabled", now);
  }

  /** A field that is filled in: Enter or leaving it does it, Esc takes it back. @param {string} label @param {string} hint @param {(text: string) => boolean} done */
  function field(label, hint, done) {
    const input = make("input", { type: "text", placeholder: hint, autocomplete: "off", spellcheck: "false", "aria-label": label });
    let stands = "";
    let refused = "";
    function finish() {
      const text = input.value.trim();
      if (text === stands || text === refused || input.disabled) return;
      const good = done(text);
      refused = good ? "" : text;
      input.setAttribute("aria-invalid", String(!good));
      if (good) stands = text;
    }
    input.addEventListener("keydown", (event) => {
      if (event.key === "Enter") finish();
      else if (event.key === "Escape") put(stands, true);
      else return;
      event.preventDefault();
    });
    input.addEventListener("change", finish);
    /** @param {string} text @param {boolean} force */
    function put(text, force) {
      if (!force && stands === text) return;
      stands = text;
      refused = "";
      input.value = text;
      input.removeAttribute("aria-invalid");
    }
    return { element: make("label", { class: "edit-field" }, make("span", { text: label }), input), input, put };
  }

  /** @param {string} text @param {() => HTMLElement} panel */
  function opens(text, panel) {
    const b = make("button", { type: "button", text, "aria-expanded": "false", click: show });
    function show() {
      const hide = (panel().hidden = !panel().hidden);
      b.setAttribute("aria-expanded", String(!hide));
      shown.delete(panel());
      update(store.get(), store.get());
    }
    return b;
  }

  /** @param {State} s */
  function fillPicked(s) {
    const { score, edit } = s;
    if (!score) return;
    const key = keyOf(score, edit.keys[0]);
    const row = rowOf(score, edit.keys[0]?.row ?? null);
    write(picked, selectionText(score, edit.keys));
    const { free, why } = movable(score, edit.keys);
    const addressed = edit.keys.some((k) => keyOf(score, k)?.address);
    time.input.disabled = free.length === 0;
    value.input.disabled = !addressed || new Set(edit.keys.map((k) => rowOf(score, k.row)?.unit)).size > 1;
    ease.disabled = !addressed;
    time.put(key ? timeText(key.at, score) : "", false);
    value.put(key && row ? valueText(key.to, row) : "", false);
    fillEase(key?.head === "first" || !key ? "" : key.ease);
    for (const b of [remove, ...moves]) ready(b, free.length > 0);
    ready(stretch, free.length > 1);
    ready(copy, edit.keys.length > 0);
    ready(mirror, addressed);
    write(wrong, edit.fault || (edit.keys.length > 0 && free.length === 0 ? why : ""));
  }

  let eased = "\n";
  /** @param {string} now */
  function fillEase(now) {
    if (eased === now) return;
    const known = easeGroups.some((g) => g.names.includes(now));
    const groups = known || now === "" ? easeGroups : [{ label: "As it stands", names: [now] }, ...easeGroups];
    ease.replaceChildren(make("option", { value: "", text: "the row\u2019s own" }),
      ...groups.map((g) => make("optgroup", { label: g.label }, ...g.names.map((n) => make("option", { value: n, text: n })))));
    ease.value = now;
    eased = now;
  }

  /** @param {State} s */
  function fillConflict(s) {
    const c = conflictOf(s);
    conflict.hidden = !c;
    if (!c) return void (conflict.dataset.words = "");
    const beside = s.project?.motions.find((m) => m.file === c.file);
    const words = `The file was changed by another program while yours was not saved. Both are kept: ${mineBeside(c) ? "the sheet shows the file\u2019s, yours is in" : "the sheet shows yours, the file\u2019s is in"} ${c.file}.`;
    if (conflict.dataset.words === words && conflict.dataset.beside === beside?.name) return;
    Object.assign(conflict.dataset, { words, beside: beside?.name ?? "" });
    conflict.replaceChildren(make("p", { text: words }),
      ...(beside ? [button("Look at the other", `Look at the other: ${c.file}`, () => actions.choose(beside.name))] : []),
      button("Keep the file\u2019s", "Keep the file\u2019s version; yours stays beside it", () => editor.resolve("file")),
      button("Keep mine", "Keep mine: it is written into the file, and the file\u2019s version stays beside it", () => editor.resolve("mine")));
  }

  /** @param {State} s */
  function fillMarks({ score }) {
    if (!score || marksPanel.hidden) return;
    refill(marksPanel, [score.marks, score.fps], () => [
      asked("Name of a new mark", "Mark here", "Mark here: at the playhead", editor.addMark),
      ...score.marks.map((m) => make("div", { class: "edit-item" },
        typed(m.name, `Name of mark ${m.name}`, (text) => editor.renameMark(m.name, text)),
        typed(timeText(m.at, score), `Time of mark ${m.name}`, (text) => editor.setMark(m.name, text), m.locked),
        m.locked ? make("span", { class: "edit-note", text: "locked" }) : button("Delete", `Delete mark ${m.name}`, () => editor.deleteMark(m.name)))),
    ]);
  }

  /** @param {State} s */
  function fillPoses({ score }) {
    if (!score || posesPanel.hidden) return;
    const chosen = editor.poseRows(false).map((r) => r.name);
    const every = editor.poseRows(true).map((r) => r.name);
    refill(posesPanel, [score.poses, score.placements, score.fps, chosen.join(), every.join()], () => {
      const all = chosen.join() === every.join();
      const of = make("select", { "aria-label": "Rows of the pose", change: () => { whole = of.value === "all"; } },
        ...(all ? [] : [make("option", { value: "chosen", text: `of ${namesText(chosen)}` })]), make("option", { value: "all", text: "of all rows" }));
      of.value = all || whole ? "all" : "chosen";
      return [
        asked("Name of the pose to store", "Store pose", "Store pose: the values at the playhead", (name) => editor.storePose(name, of.value === "all"), of),
        ...(score.poses ?? []).map((p) => make("div", { class: "edit-item" },
          typed(p.name, `Name of pose ${p.name}`, (text) => editor.renamePose(p.name, text)),
          button("Place", `Place pose ${p.name} at the playhead`, () => editor.place("pose", p.name)),
          button("As keys", `As keys: the values of pose ${p.name} at the playhead`, () => editor.keyPose(p.name)),
          button("Store again", `Store again: pose ${p.name} from the playhead`, () => editor.storePose(p.name, null)),
          button("Delete", `Delete pose ${p.name}`, () => editor.deletePose(p.name)))),
        ...phrasesOf(score).map((name) => make("div", { class: "edit-item" }, make("span", { class: "edit-note", text: `phrase ${name}` }), button("Place", `Place phrase ${name} at the playhead`, () => editor.place("phrase", name)))),
        ...(score.placements ?? []).map((p) => placement(p, score)),
      ];
    });
  }

  /** @param {NonNullable<Score["placements"]>[0]} p @param {Score} score */
  function placement(p, score) {
    const what = `${p.kind} ${p.name}, line ${p.line}`;
    return make("div", { class: "edit-item" }, make("span", { class: "edit-note", text: what }),
      typed(timeText(p.at, score), `Time of ${what}`, (text) => editor.setPlacement(p.index, text), p.locked),
      p.locked ? make("span", { class: "edit-note", text: "locked" }) : button("Delete", `Delete ${what}, where it is placed`, () => editor.deletePlacement(p.index)));
  }

  /** A name to be given, and the button that uses it. @param {string} label @param {string} text @param {string} says @param {(name: string) => boolean} done @param {...Node} more */
  function asked(label, text, says, done, ...more) {
    const name = make("input", { type: "text", placeholder: "name", autocomplete: "off", "aria-label": label });
    const put = () => { if (done(name.value)) name.value = ""; };
    name.addEventListener("keydown", (e) => { if (e.key === "Enter") put(); });
    return make("div", { class: "edit-item" }, name, button(text, says, put), ...more);
  }

  /**
   * A text that may be written anew: Enter or leaving it does it, Esc takes it back.
   * @param {string} text @param {string} label @param {(text: string) => boolean} done @param {boolean} [off]
   */
  function typed(text, label, done, off = false) {
    const input = make("input", { type: "text", value: text, autocomplete: "off", spellcheck: "false", "aria-label": label, readonly: off });
    let sent = text;
    function finish() {
      const now = input.value.trim();
      if (!input.isConnected || now === sent) return;
      if (now !== "" && done(now)) sent = now;
    }
    input.addEventListener("keydown", (event) => {
      if (event.key === "Enter") finish();
      else if (event.key === "Escape") input.value = text;
      else return;
      event.preventDefault();
    });
    input.addEventListener("change", finish);
    input.addEventListener("blur", () => { input.value = text; });
    return input;
  }

  /** What the panels show. @type {Map<HTMLElement, unknown[]>} */
  const shown = new Map();

  /** Fills a panel that shows something else, and puts the focus where it was. @param {HTMLElement} panel @param {unknown[]} what @param {() => HTMLElement[]} build */
  function refill(panel, what, build) {
    if (shown.get(panel)?.every((x, k) => x === what[k])) return;
    shown.set(panel, what);
    const at = labelled(panel).findIndex((e) => e === document.activeElement);
    const old = labelled(panel)[at];
    panel.replaceChildren(...build());
    if (!old) return;
    const list = labelled(panel);
    const now = list.find((e) => e.getAttribute("aria-label") === old.getAttribute("aria-label")) ?? list[Math.min(at, list.length - 1)];
    now?.focus();
    // What is being typed is nobody else's.
    if (old instanceof HTMLInputElement && now instanceof HTMLInputElement && old.value !== old.defaultValue && old.getAttribute("aria-label") === now.getAttribute("aria-label")) now.value = old.value;
  }

  /** @param {HTMLElement} panel @returns {HTMLElement[]} */
  const labelled = (panel) => [...panel.querySelectorAll("input, button, select")].filter((e) => e instanceof HTMLElement);

  /** @param {State} s @param {State|null} before */
  function update(s, before) {
    const { on } = s.edit;
    if (!before || before.edit.on !== on) {
      element.hidden = !on;
      opener.setAttribute("aria-pressed", String(on));
    }
    opener.disabled = !s.score;
    if (!on) return;
    const opened = !before?.edit.on;
    if (opened || s.score !== before?.score || s.edit !== before?.edit) fillPicked(s);
    if (opened || s.score !== before?.score) {
      ready(undo, (s.score?.undo ?? 0) > 0);
      ready(redo, (s.score?.redo ?? 0) > 0);
    }
    // What was refused is not what stands there.
    if (s.edit.fault !== "" && s.edit.fault !== before?.edit.fault) shown.clear();
    fillMarks(s);
    fillPoses(s);
    if (opened || s.score !== before?.score || s.project !== before?.project) fillConflict(s);
    many.setAttribute("aria-pressed", String(s.edit.many));
    write(state, savedText(s));
  }

  update(store.get(), null);
  const end = store.subscribe(update);
  return {
    destroy() {
      end();
      opener.remove();
      element.replaceChildren();
    },
  };
}

/** The phrases that are placed somewhere. @param {Score} score */
function phrasesOf({ placements }) {
  return [...new Set((placements ?? []).filter((p) => p.kind === "phrase").map((p) => p.name))].sort();
}

/** @param {string[]} names */
function namesText(names) {
  return names.length > 4 ? `${names.slice(0, 3).join(", ")} and ${names.length - 3} more` : names.join(", ");
}
