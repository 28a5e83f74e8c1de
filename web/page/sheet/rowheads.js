// The heads of rows: names, units, and buttons to fold, hide and move them; and
// the list that brings hidden ones back. All heads are one stop of the Tab key:
// arrows go from row to row, and along a row's buttons.

import { make, write } from "../dom.js";
import { inOrder, moved } from "./geometry.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").Actions} Actions */
/** @typedef {import("./geometry.js").Spec} Spec */
/** @typedef {import("./geometry.js").Place} Place */
/** @typedef {import("./geometry.js").Metrics} Metrics */

/**
 * @typedef {object} Head
 * @property {HTMLLIElement} item
 * @property {HTMLButtonElement} name
 * @property {HTMLElement} what
 * @property {Record<"fold"|"up"|"down"|"hide", HTMLButtonElement>} tools
 */

/**
 * @param {{get: () => State, actions: Actions}} options
 */
export function createRowHeads({ get, actions }) {
  const list = make("ol", { class: "sheet-heads", "aria-label": "Rows" });
  /** @type {Map<string, Head>} */
  const heads = new Map();
  /** @type {Spec[]} */
  let specs = [];
  let shown = "";
  /** @type {HTMLButtonElement|null} */
  let stop = null; // the name that Tab comes to: a row's tools show only while it has the focus

  /** @param {HTMLButtonElement} button */
  function stopAt(button) {
    if (stop) stop.tabIndex = -1;
    stop = button;
    stop.tabIndex = 0;
  }

  /** @param {Spec} spec @returns {Head} */
  function create(spec) {
    const { id } = spec;
    /** @param {string} text @param {string} label @param {() => void} press */
    const tool = (text, label, press) => make("button", { type: "button", tabindex: -1, text, "aria-label": label, click: press });
    const tools = {
      fold: tool("Fold", `Fold ${spec.name}`, () => fold(id)),
      up: tool("Up", `Move ${spec.name} up`, () => move(id, -1)),
      down: tool("Down", `Move ${spec.name} down`, () => move(id, 1)),
      hide: tool("Hide", `Hide ${spec.name}`, () => hide(id)),
    };
    const name = make("button", { type: "button", tabindex: -1, class: "sheet-name", text: spec.name, title: spec.name, "aria-pressed": "false", click: () => actions.selectRow(get().row === id ? null : id) });
    const what = make("span", { class: "sheet-what" });
    const item = make("li", { class: "sheet-head", focusin: () => stopAt(name), keydown: (/** @type {KeyboardEvent} */ event) => onKey(event, id) },
      name, what, make("span", { class: "sheet-tools" }, tools.fold, tools.up, tools.down, tools.hide));
    item.dataset.row = id;
    return { item, name, what, tools };
  }

  /** Arrows go about in the heads; with Alt, up and down move the row. @param {KeyboardEvent} event @param {string} id */
  function onKey(event, id) {
    if (event.ctrlKey || event.metaKey || event.shiftKey) return;
    const by = event.key === "ArrowUp" ? -1 : 1;
    const upright = event.key === "ArrowUp" || event.key === "ArrowDown";
    if (event.altKey && !upright) return;
    const to = event.altKey ? null : neighbour(event.key, id);
    if (!event.altKey && to === undefined) return;
    event.preventDefault();
    event.stopPropagation(); // arrows are the page's keys too
    if (event.altKey) move(id, by);
    else if (to) focusOn(to);
  }

  /** Focuses a button of a head: the tools of a row show only once it has the focus. @param {HTMLElement} button */
  function focusOn(button) {
    /** @type {HTMLElement|null|undefined} */ (button.closest("li")?.querySelector(".sheet-name"))?.focus({ preventScroll: true });
    button.focus({ preventScroll: true });
  }

  /** @param {string} id */
  function buttonsOf(id) {
    const head = heads.get(id);
    return head ? [head.name, ...Object.values(head.tools)] : [];
  }

  /**
   * The button that a key goes to: null at the end of a way, undefined where the
   * key is none of ours.
   * @param {string} key @param {string} id
   */
  function neighbour(key, id) {
    const { rows } = get();
    const ids = inOrder(specs, rows.order).filter((s) => !rows.hidden.has(s.id)).map((s) => s.id);
    const row = ids.indexOf(id);
    const at = buttonsOf(id).findIndex((b) => b === document.activeElement);
    /** @type {Record<string, [number, number]>} */
    const ways = { ArrowUp: [row - 1, at], ArrowDown: [row + 1, at], ArrowLeft: [row, at - 1], ArrowRight: [row, at + 1], Home: [0, at], End: [ids.length - 1, at] };
    const way = ways[key];
    return way && (buttonsOf(ids[way[0]] ?? "")[way[1]] ?? null);
  }

  /** @param {string} id */
  function nameOf(id) {
    return specs.find((s) => s.id === id)?.name ?? id;
  }

  /** @param {string} id */
  function fold(id) {
    const folded = new Set(get().rows.folded);
    const open = folded.delete(id);
    if (!open) folded.add(id);
    actions.setRows({ folded });
    actions.announce(`${nameOf(id)} ${open ? "unfolded" : "folded"}`);
  }

  /** @param {string} id */
  function hide(id) {
    const { rows } = get();
    const ids = inOrder(specs, rows.order).filter((s) => !rows.hidden.has(s.id)).map((s) => s.id);
    const k = ids.indexOf(id);
    actions.setRows({ hidden: new Set(rows.hidden).add(id) });
    actions.announce(`${nameOf(id)} hidden; the list of rows brings it back`);
    const next = heads.get(ids[k + 1] ?? ids[k - 1] ?? "");
    next?.name.focus();
  }

  /** @param {string} id @param {1|-1} direction */
  function move(id, direction) {
    const order = moved(specs, get().rows, id, direction);
    if (!order) return;
    actions.setRows({ order });
    actions.announce(`${nameOf(id)} moved ${direction < 0 ? "up" : "down"}`);
  }

  return {
    list,
    /** @param {Spec[]} now */
    setSpecs(now) {
      specs = now;
      const known = new Set(now.map((s) => s.id));
      for (const [id, head] of heads) {
        if (known.has(id)) continue;
        head.item.remove();
        heads.delete(id);
      }
      for (const s of now) {
        const head = heads.get(s.id) ?? create(s);
        heads.set(s.id, head);
        write(head.what, s.unit ? `${s.what}, ${s.unit === "deg" ? "deg" : s.unit}` : s.what);
      }
      shown = "";
    },
    /** @param {Place[]} places @param {Metrics} m @param {State} state */
    lay(places, m, state) {
      const ids = places.map((p) => p.spec.id).join("\n");
      if (ids !== shown) {
        shown = ids;
        arrange(places);
      }
      places.forEach((p, k) => {
        const head = heads.get(p.spec.id);
        if (!head) return;
        const { item, tools } = head;
        item.style.transform = `translateY(${p.top}px)`;
        item.style.height = `${m.narrow ? Math.min(p.height, m.head || p.height) : p.height}px`;
        item.classList.toggle("folded", p.folded);
        const chosen = state.row === p.spec.id;
        item.classList.toggle("chosen", chosen);
        head.name.setAttribute("aria-pressed", String(chosen));
        write(tools.fold, p.folded ? "Unfold" : "Fold");
        tools.fold.setAttribute("aria-label", `${p.folded ? "Unfold" : "Fold"} ${p.spec.name}`);
        disable(tools.up, k === 0);
        disable(tools.down, k === places.length - 1);
      });
    },
    destroy: () => list.remove(),
  };

  /** A disabled button would lose the focus. @param {HTMLButtonElement} button @param {boolean} off */
  function disable(button, off) {
    button.setAttribute("aria-disabled", String(off));
  }

  /** @param {Place[]} places */
  function arrange(places) {
    const items = places.map((p) => heads.get(p.spec.id)?.item).filter((x) => x !== undefined);
    const stays = new Set(items);
    const focus = document.activeElement;
    for (const child of [...list.children]) if (!stays.has(/** @type {HTMLLIElement} */ (child))) child.remove();
    items.forEach((item, k) => {
      if (list.children[k] !== item) list.insertBefore(item, list.children[k] ?? null);
    });
    // An element that changes places loses the focus.
    if (focus instanceof HTMLElement && focus !== document.activeElement && list.contains(focus)) focusOn(focus);
    const first = heads.get(places[0]?.spec.id ?? "");
    if (first && !(stop && list.contains(stop))) stopAt(first.name);
  }
}

/**
 * The list of all rows, to show and hide them.
 * @param {{get: () => State, actions: Actions}} options
 */
export function createRowList({ get, actions }) {
  const opener = make("button", { type: "button", class: "sheet-rows", text: "Rows", "aria-expanded": "false", "aria-haspopup": "dialog", click: () => (panel.hidden ? open() : close()) });
  const boxes = make("div", { class: "sheet-boxes" });
  const panel = make("div", { class: "sheet-panel", role: "dialog", "aria-label": "Rows of the sheet", hidden: true },
    make("div", { class: "sheet-panel-head" },
      make("button", { type: "button", text: "Show all", click: () => actions.setRows({ hidden: new Set() }) }),
      make("button", { type: "button", text: "Fold all", click: () => actions.setRows({ folded: new Set(specs.map((s) => s.id)) }) }),
      make("button", { type: "button", text: "Unfold all", click: () => actions.setRows({ folded: new Set() }) }),
      make("button", { type: "button", text: "First order", click: () => actions.setRows({ order: [] }) }),
      make("button", { type: "button", text: "Close", click: () => close() })),
    boxes);
  /** @type {Spec[]} */
  let specs = [];
  /** @type {Map<string, HTMLInputElement>} */
  let inputs = new Map();

  function open() {
    panel.hidden = false;
    opener.setAttribute("aria-expanded", "true");
    fill();
    /** @type {HTMLElement|null} */ (panel.querySelector("input, button"))?.focus();
  }
  function close() {
    if (panel.hidden) return;
    panel.hidden = true;
    opener.setAttribute("aria-expanded", "false");
    opener.focus();
  }
  function fill() {
    inputs = new Map();
    boxes.replaceChildren(...inOrder(specs, get().rows.order).map((s) => {
      const input = make("input", { type: "checkbox", change: () => toggle(s.id, input.checked) });
      input.checked = !get().rows.hidden.has(s.id);
      inputs.set(s.id, input);
      return make("label", {}, input, s.name, make("small", { text: s.what }));
    }));
  }
  /** @param {string} id @param {boolean} on */
  function toggle(id, on) {
    const hidden = new Set(get().rows.hidden);
    if (on) hidden.delete(id);
    else hidden.add(id);
    actions.setRows({ hidden });
  }
  panel.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    event.stopPropagation();
    close();
  });
  /** @param {PointerEvent} event */
  function outside(event) {
    const at = /** @type {Node} */ (event.target);
    if (!panel.hidden && !panel.contains(at) && !opener.contains(at)) {
      panel.hidden = true;
      opener.setAttribute("aria-expanded", "false");
    }
  }
  document.addEventListener("pointerdown", outside);

  return {
    opener,
    panel,
    /** @param {Spec[]} now */
    setSpecs(now) {
      specs = now;
      if (!panel.hidden) fill();
    },
    /** @param {State} state @param {boolean} narrow */
    update({ rows }, narrow) {
      const n = specs.filter((s) => rows.hidden.has(s.id)).length;
      write(opener, n > 0 && !narrow ? `Rows (${n} hidden)` : "Rows");
      opener.classList.toggle("some", n > 0);
      opener.setAttribute("aria-label", n > 0 ? `Rows, ${n} hidden` : "Rows");
      for (const [id, input] of inputs) input.checked = !rows.hidden.has(id);
    },
    destroy() {
      document.removeEventListener("pointerdown", outside);
      opener.remove();
      panel.remove();
    },
  };
}
