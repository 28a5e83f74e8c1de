// Calibrating a rig as it is: the ends of a servo's travel by eye, its table of pulses,
// and its slew by film. What is found is written into the rig's file.

import { make, write } from "../dom.js";
import { post, Refusal } from "../edit/session.js";
import { remember, remembered } from "../rehearse/rehearse.js";
import { live } from "../rehearse/words.js";
import { createEnds } from "./ends.js";
import { createSlew } from "./slew.js";
import { createTable } from "./table.js";
import { confirmed, hindrance } from "./words.js";

/** @typedef {import("./words.js").Rig} Rig */
/** @typedef {import("./words.js").RigAxis} RigAxis */
/** @typedef {import("../rehearse/words.js").Rehearsal} Rehearsal */

/**
 * What the parts of the panel have in common.
 * @typedef {object} Bench
 * @property {import("../rehearse/tools.js").RehearsalDesk} desk
 * @property {() => Rig|null} rig
 * @property {() => RigAxis|null} axis          that is chosen
 * @property {() => string} why                 why this page may not calibrate now; "": it may
 * @property {(text: string) => void} tell      what has happened
 * @property {(text: string) => void} fail      what went wrong
 * @property {(what: string, body: object) => Promise<Rig|null>} change  writes for the chosen axis; null: refused, and told
 * @property {(word: string, more?: object) => Promise<boolean>} ask     a request of the rehearsal; what is refused is told
 * @property {() => {at?: string}|null} place   of the chosen axis's board, as it was given above, or where the server had it last; null: none is given, which is told
 */

/**
 * A part of the panel.
 * @typedef {object} Part
 * @property {HTMLElement} element
 * @property {(state: Rehearsal) => void} show
 */

/**
 * @param {import("../rehearse/tools.js").ToolOptions} options
 * @returns {import("../rehearse/tools.js").Tool}
 */
export function createTool({ element, desk, store, actions, close }) {
  /** @type {Rig|null} */
  let rig = null;
  let opened = false;
  let asking = false;

  const chosen = make("select", { id: "calibrate-axis", change: () => show() });
  const why = make("p", { class: "why" });
  const fault = make("p", { class: "fault", role: "alert" });
  const told = make("p", { class: "told", role: "status" });
  const question = make("div", { class: "ask", role: "group", tabindex: "-1", "aria-label": "Before pulses leave" });
  const asked = make("p");
  const sure = make("button", { type: "button", class: "sure", text: "Yes: arm", click: () => void bench.ask("arm", { confirmed: true }) });
  question.append(asked, sure);

  /** @type {Bench} */
  const bench = {
    desk, ask, change,
    rig: () => rig,
    axis: () => rig?.axes.find((a) => a.name === chosen.value) ?? null,
    why: () => hindrance(desk.state(), desk.page(), store.get().connected),
    tell(text) {
      write(fault, "");
      write(told, text);
    },
    fail(text) {
      write(told, "");
      write(fault, text);
    },
    place() {
      const board = bench.axis()?.board ?? "";
      const field = [.../** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll("#rehearse .places input"))].find((i) => i.name === board);
      const at = field?.value.trim() || desk.state().boards.find((b) => b.name === board)?.at || remembered(store.get().score?.rig ?? "", board);
      if (at) {
        remember(store.get().score?.rig ?? "", board, at);
        return { at };
      }
      if (!field) return {};
      bench.fail(`Board ${board} has no place: write its port or address above`);
      field.focus();
      return null;
    },
  };

  /** @type {Part[]} */
  const parts = [createEnds(bench), createSlew(bench), createTable(bench)];
  const names = ["Ends of the travel", "Slew by film", "Table of pulses"];
  let shown = 0;
  const turns = names.map((text, k) => make("button", { type: "button", text, "aria-controls": `calibrate-part-${k}`, click: () => {
    shown = k;
    bench.tell("");
    show();
  } }));
  parts.forEach((p, k) => (p.element.id = `calibrate-part-${k}`));
  const shut = make("button", { type: "button", class: "shut", text: "Close", click: close });
  element.append(
    make("div", { class: "choice" }, make("label", {}, make("span", { text: "Axis" }), chosen), make("div", { class: "turns", role: "group", "aria-label": "What is calibrated" }, ...turns), shut),
    why, fault, told, question, ...parts.map((p) => p.element));

  /** @param {string} word @param {object} [more] */
  async function ask(word, more) {
    write(fault, "");
    const a = await desk.ask(word, more);
    if (!a.ok) bench.fail(a.text ?? `${word} was refused`);
    return a.ok;
  }

  /** @param {string} what @param {object} body */
  async function change(what, body) {
    const axis = bench.axis();
    if (!rig || !axis) return null;
    try {
      const path = what === "undo" ? "/api/rig/undo" : `/api/rig/axes/${encodeURIComponent(axis.name)}/${what}`;
      const now = await post(path, { base: rig.text, ...body }, desk.key());
      took(now);
      if (now.beside) bench.fail(`Somebody else wrote the rig's file in that moment: that version is kept as ${now.beside}`);
      return /** @type {Rig} */ (now);
    } catch (e) {
      if (e instanceof Refusal && e.kind === "another-version") {
        await fetched();
        bench.fail("The rig's file has changed meanwhile. Nothing was written: look at what it says now, and write again");
      } else bench.fail(e instanceof Error ? e.message : String(e));
      return null;
    }
  }

  /** @param {Rig} now */
  function took(now) {
    rig = now;
    const was = chosen.value || element.dataset.axis;
    chosen.replaceChildren(...now.axes.filter((a) => a.kind === "servo").map((a) => make("option", { value: a.name, text: a.name })));
    if (now.axes.some((a) => a.name === was && a.kind === "servo")) chosen.value = was ?? "";
    show();
  }

  async function fetched() {
    const answer = await fetch("/api/rig", { cache: "no-store" }).catch(() => null);
    const body = await answer?.json().catch(() => null);
    if (answer?.ok && body) took(body);
    else bench.fail(body?.problems?.[0]?.text ?? body?.detail ?? "the server does not answer");
  }

  function show() {
    if (!opened) return;
    const state = desk.state();
    const busy = state.calibrate?.axis ?? state.slew?.axis;
    if (busy && busy !== chosen.value && [...chosen.options].some((o) => o.value === busy)) chosen.value = busy;
    if (state.calibrate) shown = 0;
    else if (state.slew) shown = 1;
    const mine = bench.why() === "";
    chosen.disabled = busy !== undefined;
    turns.forEach((b, k) => {
      b.setAttribute("aria-pressed", String(k === shown));
      b.disabled = busy !== undefined && k !== shown;
    });
    parts.forEach((p, k) => (p.element.hidden = k !== shown));
    write(why, bench.why());
    const asks = busy !== undefined && state.confirm !== "" && !live(state);
    question.hidden = !asks;
    element.toggleAttribute("data-asks", asks);
    write(asked, state.confirm);
    sure.disabled = !mine;
    write(shut, mine && confirmed(state.calibrate) ? "Close, without writing" : "Close");
    // What was pressed gives way to what comes next: the keyboard goes on from there.
    const lost = element.contains(document.activeElement) || document.activeElement === document.body;
    parts[shown].show(state);
    if (asks && !asking && lost) question.focus();
    asking = asks;
  }

  desk.hear(show);
  store.subscribe((s, before) => {
    if (opened && s.score !== before.score && s.score?.revision !== before.score?.revision) void fetched();
    if (s.connected !== before.connected) show();
  });

  return {
    opened() {
      opened = true;
      bench.tell("");
      show();
      void fetched();
      actions.announce("Calibrate: choose an axis");
    },
    stays() {
      if (bench.why() !== "" || !confirmed(desk.state().calibrate)) return false;
      bench.fail("An end is confirmed that is in no file: confirm both and write them to the rig, or close Calibrate without writing");
      fault.scrollIntoView({ block: "center" });
      return true;
    },
    closed() {
      opened = false;
      const { calibrate, slew, phase } = desk.state();
      if (!desk.drives() || (!calibrate && !slew)) return;
      void desk.wish(calibrate && phase === "armed" ? "done" : "part");
    },
  };
}
