import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { needs, shortcutFor, shortcuts } from "../page/keys.js";
import { initialState } from "../page/store.js";

const plain = { shiftKey: false, ctrlKey: false, altKey: false, metaKey: false, altGraph: false, repeat: false };

/** @param {Partial<import("../page/keys.js").Target>} t */
const on = (t) => ({ tag: "div", type: "", role: "", editable: false, dialog: false, ...t });

describe("the table", () => {
  test("no key does two things", () => {
    for (const key of new Set(shortcuts.flatMap((s) => s.keys))) {
      for (const shiftKey of [false, true]) {
        const n = shortcuts.filter((s) => s.keys.includes(key) && (s.shift === undefined || s.shift === shiftKey)).length;
        assert.ok(n <= 1, `${key} ${shiftKey}`);
      }
    }
  });
  test("each key is reached by its own shortcut", () => {
    for (const s of shortcuts) {
      for (const key of s.keys) assert.equal(shortcutFor({ ...plain, key, shiftKey: s.shift ?? false }, true), s);
    }
  });
  test("each says what it does, in a few words", () => {
    for (const s of shortcuts) assert.ok(s.words.length > 3 && s.words.length < 40 && s.label.length < 12, s.words);
  });
  test("the browser's own keys stay the browser's", () => {
    // Tab moves the focus, Enter presses, F-keys and page keys belong to the browser and to reading aids.
    for (const key of ["Tab", "Enter", "F5", "F6", "F1", "PageUp", "PageDown", "ArrowUp", "ArrowDown", "Insert", "CapsLock", "ContextMenu"]) {
      assert.equal(shortcutFor({ ...plain, key }, true), null, key);
    }
  });
});

describe("what they do", () => {
  const state = { ...initialState(), view: { from: 2, to: 8 }, looping: true, countIn: false, muted: true };
  for (const [key, want] of /** @type {[string, [string, ...unknown[]]][]} */ ([
    [" ", ["toggle"]], ["1", ["setRate", 0.1]], ["9", ["setRate", 0.9]], ["0", ["setRate", 1]], ["c", ["setCountIn", true]], ["m", ["setMuted", false]],
    ["ArrowLeft", ["step", -1]], ["ArrowRight", ["step", 1]], ["Home", ["toStart"]], ["End", ["toEnd"]], [",", ["toMark", -1]], [".", ["toMark", 1]],
    ["n", ["toFinding", 1]], ["l", ["setLooping", false]], ["[", ["setLoopEnd", "from"]], ["]", ["setLoopEnd", "to"]], ["\\", ["setLoop", null]],
    ["+", ["zoom", 1.5]], ["-", ["zoom", 1 / 1.5]], ["<", ["pan", -3]], [">", ["pan", 3]], ["a", ["fit"]], ["Escape", ["selectFinding", null]], ["d", ["turnTheme"]], ["?", ["help"]],
  ])) {
    test(key, () => {
      /** @type {unknown[][]} */
      const done = [];
      const actions = /** @type {any} */ (new Proxy({}, { get: (_, name) => (/** @type {unknown[]} */ ...args) => done.push([name, ...args]) }));
      shortcutFor({ ...plain, key }, true)?.run(actions, state);
      assert.deepEqual(done, [want]);
    });
  }
});

describe("which shortcut", () => {
  for (const [name, event, characters, want] of /** @type {[string, object, boolean, string|null][]} */ ([
    ["a letter", { key: "l" }, true, "loop on or off"],
    ["a letter with the shift lock on", { key: "L" }, true, "loop on or off"],
    ["Ctrl and a letter is the browser's", { key: "l", ctrlKey: true }, true, null],
    ["so is Cmd", { key: "-", metaKey: true }, true, null],
    ["and Alt, with an arrow the way back", { key: "ArrowLeft", altKey: true }, true, null],
    ["a bracket by AltGr, which is Ctrl and Alt to some systems", { key: "[", ctrlKey: true, altKey: true, altGraph: true }, true, "the loop begins here"],
    ["a plus that needs Shift", { key: "+", shiftKey: true }, true, "zoom in about the present time"],
    ["an arrow", { key: "ArrowRight" }, true, "a film frame on"],
    ["an arrow with Shift", { key: "ArrowRight", shiftKey: true }, true, "a second on"],
    ["an arrow held down goes on", { key: "ArrowRight", repeat: true }, true, "a film frame on"],
    ["Space held down does not flutter", { key: " ", repeat: true }, true, null],
    ["nor a letter", { key: "l", repeat: true }, true, null],
    // WCAG 2.1, 2.1.4: letters, punctuation, numbers and symbols can be switched off.
    ["characters off: a letter", { key: "l" }, false, null],
    ["characters off: a number", { key: "5" }, false, null],
    ["characters off: punctuation", { key: "?" }, false, null],
    ["characters off: a symbol", { key: "+" }, false, null],
    ["characters off: an arrow works", { key: "ArrowRight" }, false, "a film frame on"],
    ["characters off: Home works", { key: "Home" }, false, "to the start"],
    ["characters off: Space is no such character", { key: " " }, false, "play or stop"],
  ])) {
    test(name, () => assert.equal(shortcutFor(/** @type {any} */ ({ ...plain, ...event }), characters)?.words ?? null, want));
  }
});

describe("what has the focus comes first", () => {
  // WAI-ARIA Authoring Practices: the keys of each pattern.
  for (const [name, target, taken, free] of /** @type {[string, object, string[], string[]][]} */ ([
    ["the page", {}, [], [" ", "l", "ArrowLeft", "Home", "5"]],
    ["a text field", { tag: "input", type: "text" }, ["l", " ", "ArrowLeft", "5"], []],
    ["a text area", { tag: "textarea" }, ["l", " "], []],
    ["edited text", { editable: true }, ["l", " "], []],
    ["a list, which is chosen from by letters", { tag: "select" }, ["l", " ", "5", "ArrowLeft"], []],
    ["a slider", { tag: "input", type: "range" }, ["ArrowLeft", "ArrowRight", "Home", "End", "PageUp"], [" ", "l", "["]],
    ["another slider", { role: "slider" }, ["ArrowLeft", "Home"], [" ", "l"]],
    ["a check box", { tag: "input", type: "checkbox" }, [" "], ["l", "ArrowLeft"]],
    ["a button", { tag: "button" }, [" ", "Enter"], ["l", "ArrowLeft", "5"]],
    ["a link", { tag: "a" }, ["Enter"], ["l", "ArrowLeft"]],
    ["what plays a button", { tag: "div", role: "button" }, [" "], ["l"]],
    ["a list box", { role: "listbox" }, ["l", "ArrowLeft", " "], []],
    ["a grid", { role: "grid" }, ["ArrowLeft"], []],
    ["tabs", { tag: "button", role: "tab" }, ["ArrowLeft", " "], ["l"]],
    ["a dialog, whatever is in it", { tag: "button", dialog: true }, ["l", " ", "Escape", "ArrowLeft"], []],
  ])) {
    test(name, () => {
      for (const key of taken) assert.equal(needs(on(target), key), true, `${key} belongs to it`);
      for (const key of free) assert.equal(needs(on(target), key), false, `${key} is free`);
    });
  }
});
