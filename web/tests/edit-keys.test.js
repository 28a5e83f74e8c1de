import assert from "node:assert/strict";
import { test } from "node:test";
import { editKeyFor, editKeys, listenForEdits, listKeys } from "../page/edit/keys.js";

/** @param {string} text  such as "Ctrl+Shift+z" */
function press(text) {
  const parts = text.split("+");
  return { key: parts.at(-1) ?? "", ctrlKey: parts.includes("Ctrl"), metaKey: parts.includes("Meta"), altKey: parts.includes("Alt"), shiftKey: parts.includes("Shift") };
}

test("each key does one thing, with its modifiers and no others", () => {
  for (const [text, label] of /** @type {[string, string|null][]} */ ([
    ["Alt+ArrowLeft", "Alt ←"], ["Alt+Shift+ArrowLeft", "Alt ←"], ["Alt+ArrowUp", "Alt ↑"], ["ArrowLeft", null], ["Ctrl+ArrowLeft", null],
    ["Enter", "Enter"], ["Shift+Enter", null], ["Delete", "Delete"], ["Backspace", "Delete"], ["Ctrl+Delete", null],
    ["Ctrl+a", "Ctrl A"], ["Meta+a", "Ctrl A"], ["a", null], ["Ctrl+A", "Ctrl A"], ["Ctrl+Shift+a", null], ["Ctrl+c", "Ctrl C"], ["Ctrl+x", "Ctrl X"], ["Ctrl+v", "Ctrl V"], ["Ctrl+Alt+v", null],
    ["Ctrl+z", "Ctrl Z"], ["Meta+z", "Ctrl Z"], ["Ctrl+Shift+z", "Ctrl Shift Z"], ["Ctrl+Shift+Z", "Ctrl Shift Z"], ["Ctrl+y", "Ctrl Y"], ["z", null], ["q", null],
  ])) {
    assert.equal(editKeyFor(press(text))?.label ?? null, label, text);
  }
  for (const k of [...editKeys.map((x) => x.words), ...listKeys.map((x) => x.words)]) assert.ok(k.length > 2);
});

// What the keys ask of, as a browser has it.
class Element {
  tagName = "DIV";
  isContentEditable = false;
  type = "";
  /** @type {string|null} */
  within = null;
  /** @param {string} selector */
  closest(selector) { return selector.split(", ").includes(this.within ?? "") ? this : null; }
}
class Input extends Element { tagName = "INPUT"; }

test("a key that what has the focus needs for itself is left to it", () => {
  const known = { HTMLElement: Reflect.get(globalThis, "HTMLElement"), HTMLInputElement: Reflect.get(globalThis, "HTMLInputElement") };
  Object.assign(globalThis, { HTMLElement: Element, HTMLInputElement: Input });
  try {
    /** @type {string[]} */
    const did = [];
    const editor = new Proxy({}, { get: (_, name) => (name === "rowNow" ? () => "axis:arm" : (/** @type {unknown[]} */ ...a) => did.push([String(name), ...a].join(" "))) });
    const state = { edit: { on: true }, score: {} };
    const doc = new EventTarget();
    const end = listenForEdits(/** @type {any} */ (doc), /** @type {any} */ (editor), () => /** @type {any} */ (state));
    /** @param {string} text @param {Element|null} target @param {object} [more] */
    const does = (text, target, more = {}) => {
      did.length = 0;
      const event = Object.assign(new Event("keydown", { cancelable: true }), press(text), { repeat: false, isComposing: false }, more);
      Object.defineProperty(event, "target", { value: target });
      doc.dispatchEvent(event);
      if (!event.repeat) assert.equal(event.defaultPrevented, did.length > 0, `${text} is taken where it does something`);
      return did.join();
    };
    const body = new Element();
    const field = Object.assign(new Input(), { type: "text" });
    const box = Object.assign(new Input(), { type: "checkbox" });
    const slider = Object.assign(new Input(), { type: "range" });
    const button = Object.assign(new Element(), { tagName: "BUTTON" });
    const choice = Object.assign(new Element(), { tagName: "SELECT" });
    const summary = Object.assign(new Element(), { tagName: "SUMMARY" });
    const [finding, rehearsal, tool] = ["#findings", "#rehearse", ".tool"].map((within) => Object.assign(new Element(), { within }));
    const dialog = Object.assign(new Element(), { within: "dialog" });
    for (const [text, target, want] of /** @type {[string, Element|null, string][]} */ ([
      ["Alt+ArrowLeft", body, "nudge -1 0"], ["Alt+Shift+ArrowRight", body, "nudge 10 0"], ["Alt+ArrowUp", null, "nudge 0 1"], ["Alt+Shift+ArrowDown", body, "nudge 0 -10"],
      ["Enter", body, "addHere"], ["Enter", button, ""], ["Delete", button, "remove"], ["Delete", body, "remove"], ["Ctrl+a", body, "selectAll axis:arm"],
      ["Ctrl+c", body, "copy"], ["Ctrl+x", body, "cut"], ["Ctrl+v", body, "paste"], ["Ctrl+z", body, "undo"], ["Ctrl+Shift+z", body, "redo"], ["Ctrl+y", body, "redo"], ["Ctrl+s", body, "save"], ["Ctrl+s", slider, "save"],
      ["Ctrl+z", field, ""], ["Delete", field, ""], ["Enter", field, ""], ["Ctrl+z", slider, "undo"], ["Delete", box, ""], ["Enter", slider, ""], ["Ctrl+z", choice, "undo"], ["Delete", choice, ""],
      ["Enter", summary, ""], ["Delete", summary, "remove"],
      ["Enter", finding, ""], ["Delete", finding, ""], ["Ctrl+a", finding, ""], ["Ctrl+c", finding, ""], ["Ctrl+v", finding, ""], ["Ctrl+z", finding, "undo"], ["Ctrl+Shift+z", finding, "redo"], ["Ctrl+s", finding, "save"],
      ["Delete", rehearsal, ""], ["Enter", rehearsal, ""], ["Delete", tool, ""], ["Enter", tool, ""], ["Alt+ArrowUp", tool, "nudge 0 1"],
      ["Delete", dialog, ""], ["Ctrl+z", dialog, ""], ["Delete", Object.assign(new Element(), { isContentEditable: true }), ""],
    ])) {
      assert.equal(does(text, target), want, `${text} on ${target?.tagName} ${target?.type}`);
    }
    // Text that is marked is what Ctrl C copies, wherever the focus is.
    for (const [isCollapsed, want] of /** @type {[boolean, string][]} */ ([[false, ""], [true, "copy"]])) {
      Object.assign(globalThis, { getSelection: () => ({ isCollapsed }) });
      assert.equal(does("Ctrl+c", body), want);
      assert.equal(does("Delete", body), "remove");
    }
    // Held down, what adds or deletes is done once; moving and undoing go on.
    assert.equal(does("Enter", body, { repeat: true }), "");
    assert.equal(does("Delete", body, { repeat: true }), "");
    assert.equal(does("Ctrl+v", body, { repeat: true }), "");
    assert.equal(does("Alt+ArrowLeft", body, { repeat: true }), "nudge -1 0");
    assert.equal(does("Ctrl+z", body, { repeat: true }), "undo");
    assert.equal(does("Ctrl+z", body, { isComposing: true }), "");
    state.edit.on = false;
    assert.equal(does("Delete", body), "");
    state.edit.on = true;
    end();
    assert.equal(does("Delete", body), "");
  } finally {
    Object.assign(globalThis, known);
    Reflect.deleteProperty(globalThis, "getSelection");
  }
});
