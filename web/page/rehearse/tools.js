// What is opened from the rehearsal, or beside it, and is fetched only then: the
// first load of the page stays as light as it is.

import { make } from "../dom.js";

/** @typedef {import("./words.js").Rehearsal} Rehearsal */
/** @typedef {{ok: boolean, text?: string, ports?: {port: string}[]}} Answer */

/**
 * The rehearsal, as its tools see it.
 * @typedef {object} RehearsalDesk
 * @property {() => Rehearsal} state        what the server told last
 * @property {() => string} page            this page's number, as state().driver has it; "" before the server has given it
 * @property {() => string} key             with which this page writes (header Limberjack-Page)
 * @property {() => boolean} drives         this page has the wheel
 * @property {() => boolean} conducts       this page's transport drives the boards: it has the wheel, and pulses leave
 * @property {(word: string, more?: object) => Promise<Answer>} ask  a request; answered, too, where the server is not reached
 * @property {(word: string, more?: object) => Promise<Answer>} wish  the same; what is refused is told in the strip
 * @property {(heard: (state: Rehearsal, before: Rehearsal) => void) => (() => void)} hear  calls with each state that is told, ten a second while boards are connected, and as soon as the socket is there or gone; gives what ends it
 * @property {() => number} now             the server's clock, ms since 1970, as it is known here
 * @property {() => void} stop              what the Stop button does
 */

/**
 * A tool's part of the page. The desk's Stop stays above it, and Esc stops before a
 * tool hears of it while anything may move.
 * @typedef {object} Tool
 * @property {() => void} [opened]  it is seen again
 * @property {() => void} [closed]  it is hidden: what it has begun on the boards it ends
 * @property {() => boolean} [stays] whether it has something to lose, and says so: then it is closed by its own button only, not with the rehearsal
 */

/**
 * What a tool is made of, once, when it is first opened.
 * @typedef {object} ToolOptions
 * @property {HTMLElement} element   its own section, empty
 * @property {RehearsalDesk} desk
 * @property {import("../types.js").Store} store
 * @property {import("../types.js").Actions} actions
 * @property {() => void} close      closes it, as its button does
 */

/**
 * @typedef {object} ToolEntry
 * @property {string} id       of its section: "ID-tool"
 * @property {string} label    of its button
 * @property {"rehearsal"|"beside"} where  its button stands in the rehearsal, or beside "Rehearse"
 * @property {string} css      its style sheet, linked when it is first opened; or ""
 * @property {() => Promise<{createTool: (options: ToolOptions) => Tool}>} load
 */

/** @type {ToolEntry[]} */
export const entries = [
  { id: "calibrate", label: "Calibrate", where: "rehearsal", css: "/page/calibrate/calibrate.css", load: () => import("../calibrate/calibrate.js") },
  { id: "perform", label: "Perform", where: "beside", css: "/page/perform/perform.css", load: () => import("../perform/perform.js") },
];

/**
 * Puts the buttons of the tools where they belong.
 * @param {object} o
 * @param {HTMLElement} o.row      of the rehearsal's buttons
 * @param {HTMLElement} o.body     of the rehearsal, under which its tools open
 * @param {HTMLElement} o.beside   the buttons beside "Rehearse"
 * @param {HTMLElement} o.after    the section after which the others open
 * @param {(text: string) => void} o.fault  tells what went wrong, or nothing
 * @param {RehearsalDesk} o.desk
 * @param {import("../types.js").Store} o.store
 * @param {import("../types.js").Actions} o.actions
 * @param {ToolEntry[]} [list]
 * @returns {{shut: () => boolean}}  shut closes the tools within the rehearsal, which is closed over them; false: one of them stays
 */
export function createTools(o, list = entries) {
  /** The tools within the rehearsal that are open. @type {Map<Tool, () => void>} */
  const within_ = new Map();
  for (const entry of list) {
    const within = entry.where === "rehearsal";
    const section = make("section", { id: `${entry.id}-tool`, class: "tool", "aria-label": entry.label, hidden: true });
    const button = make("button", { type: "button", class: within ? "" : "rehearse-open", text: entry.label, "aria-expanded": "false", "aria-pressed": "false", "aria-controls": section.id, click: () => void turn(section.hidden !== false) });
    (within ? o.row : o.beside).append(button);
    if (within) o.body.append(section);
    else {
      o.after.after(section);
      // Without a motion there is nothing for it, but to be closed.
      const allow = () => (button.disabled = section.hidden && !o.store.get().score);
      o.store.subscribe((s, before) => {
        if (s.score !== before.score) allow();
      });
      allow();
    }

    /** @type {Promise<Tool>|null} */
    let made = null;
    const first = async () => {
      const [module] = await Promise.all([entry.load(), entry.css ? linked(entry.css) : null]).catch((e) => {
        made = null; // it may be fetched once more
        throw e;
      });
      return module.createTool({ element: section, desk: o.desk, store: o.store, actions: o.actions, close: () => void turn(false) });
    };
    /** @param {boolean} open */
    async function turn(open) {
      if (open === !section.hidden) return;
      const making = (made ??= first());
      try {
        const tool = await making;
        if (open === !section.hidden) return; // turned twice while it was fetched
        show(tool, open);
        if (!open) button.focus();
        o.fault("");
      } catch (e) {
        o.fault(`${entry.label} could not be ${open ? "opened" : "closed"}: ${e instanceof Error ? e.message : e}`);
      }
    }
    /** @param {Tool} tool @param {boolean} open */
    function show(tool, open) {
      section.hidden = !open;
      button.setAttribute("aria-expanded", String(open));
      button.setAttribute("aria-pressed", String(open));
      if (within && open) within_.set(tool, () => show(tool, false));
      else within_.delete(tool);
      if (open) tool.opened?.();
      else tool.closed?.();
    }
  }
  return {
    shut() {
      if ([...within_.keys()].some((tool) => tool.stays?.())) return false;
      for (const hide of [...within_.values()]) hide();
      return true;
    },
  };
}

/** Sheets that are linked, or on their way. @type {Map<string, Promise<void>>} */
const sheets = new Map();

/** Links a style sheet once, and waits until it applies. @param {string} href @returns {Promise<void>} */
function linked(href) {
  const there = sheets.get(href);
  if (there) return there;
  /** @type {Promise<void>} */
  const coming = new Promise((done, fail) => {
    const link = make("link", { rel: "stylesheet", href, load: () => done(), error: () => {
      link.remove();
      sheets.delete(href);
      fail(new Error("its style sheet did not come"));
    } });
    document.head.append(link);
  });
  sheets.set(href, coming);
  return coming;
}
