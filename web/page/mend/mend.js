// Mending: a proposal is asked for, looked at on the sheet beside the motion as it
// stands, played both ways, and accepted as one step, or discarded.

import { ask, takeUp } from "../api.js";
import { decodeCurves } from "../curves.js";
import { make, write } from "../dom.js";
import { post } from "../edit/session.js";
import { createScene } from "../sheet/scene.js";
import { mendFor } from "./door.js";
import { createGhosts } from "./ghosts.js";
import { axisTexts, figureRows, lineRows, linesText, movesText, nameOf, options, requestOf, shortText, timeMap, ways } from "./words.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Curves} Curves */
/** @typedef {import("./door.js").Told} Told */
/** @typedef {import("./door.js").Kind} Kind */
/** @typedef {import("./words.js").Option} Option */
/** @typedef {{score: Score, curves: Curves, scene: import("../sheet/scene.js").Scene, there: (time: number) => number}} Version  there: to the same moment of the other */

const whileArmed = "While boards are armed the sheet shows what they play: the motion as it stands";

const shownIn = /** @type {const} */ (["present", "proposed"]);

/**
 * @param {Parameters<typeof import("./door.js").createDoor>[0] & {button: HTMLElement, proposals: Map<string, Told>, armed: () => boolean}} o  armed: pulses leave, here or elsewhere
 * @returns {import("./door.js").Mend}
 */
export function createMend({ findings, sheet, store, actions, request, key, editor, ground, follow, button, proposals, armed }) {
  const get = store.get;
  /** @type {Set<string>} */
  const asked = new Set(); // by this page
  /** @type {Told|null} */
  let told = null; // of the motion that is shown
  let fault = "";
  let asking = false;
  let accepted = ""; // id of what this page took over
  let pending = false; // and the server has not said yet that it is
  /** What the accepting made of the motion, which is what Undo takes back. @type {{text: string, undo: number}|null} */
  let settled = null;
  /** @type {Record<"present"|"proposed", Version>|null} */
  let pair = null;
  /** @type {"present"|"proposed"} */
  let shown = "present";
  let loading = ""; // id
  let hadEdit = false;
  let anew = false; // the ways are shown beside a proposal

  // --- what is seen ---

  /** @param {string} text @param {() => void} click @param {string} [label] */
  const press = (text, click, label) => make("button", { type: "button", text, "aria-label": label, click });

  const choices = ways.map((w) => {
    const radio = make("input", { type: "radio", name: "mend-way", value: w.kind, "aria-describedby": `mend-${w.kind}`, change: () => showOptions() });
    return { way: w, radio, element: make("div", { class: "mend-way" }, make("label", {}, radio, make("span", { text: w.name })),
      make("p", { id: `mend-${w.kind}` }, `${w.does} `, make("span", { class: "mend-file", text: w.file }))) };
  });
  choices[0].radio.checked = true;
  const fields = /** @type {Record<Option, HTMLInputElement>} */ ({});
  const optionList = make("div", { class: "mend-options" });
  for (const [name, { label, standing, low }] of /** @type {[Option, typeof options[Option]][]} */ (Object.entries(options))) {
    const input = low === undefined ? make("input", { type: "checkbox" }) : make("input", { type: "text", inputmode: "decimal", autocomplete: "off", value: standing, placeholder: name === "tolerance" ? "0.1" : "" });
    fields[name] = input;
    const text = make("span", { text: label });
    optionList.append(make("label", { "data-option": name }, ...(low === undefined ? [input, text] : [text, input])));
  }
  const propose = make("button", { type: "submit", class: "mend-propose", text: "Propose" });
  const details = make("details", {}, make("summary", { text: "Options" }), optionList);
  const form = make("form", { submit: onSubmit },
    make("p", { class: "mend-lead", text: "Nothing is written until you accept. Accepting is one step, and Undo takes it back." }),
    make("fieldset", {}, make("legend", { class: "label", text: "Ways to mend" }), ...choices.map((c) => c.element)), details, propose);
  const says = make("p", { class: "mend-says", role: "status" });
  const wrong = make("p", { class: "mend-wrong", role: "alert" });
  const about = make("div", { class: "mend-about" });
  const callOff = press("Call off", () => void leave());
  const look = press("Show on the sheet", () => void show());
  const turner = press("", turn);
  const accept = press("Accept", takeOver, "Accept the proposal: one step, which Undo takes back");
  const drop = press("Discard", () => void leave());
  const undo = press("Undo", () => (stands() && !get().edit.busy ? editor.undo() : actions.announce("A change is on its way")), "Undo: take the accepted proposal back");
  const again = press("Propose again", () => form.requestSubmit());
  const other = press("Another way", () => {
    anew = true;
    render();
    choices.find((c) => c.radio.checked)?.radio.focus();
  });
  const tools = make("div", { class: "mend-tools" }, callOff, look, turner, accept, drop, undo, again, other);
  const panel = make("section", { class: "mend", "aria-label": "Mend", tabindex: -1, hidden: true }, form, says, wrong, tools, about);
  findings.querySelector(".scroll")?.prepend(panel);

  // The line above the sheet, for where the panel is not in sight.
  const stripText = make("p", { class: "mend-strip-text" });
  const legend = make("p", { class: "mend-legend" });
  const stripTurn = press("", turn);
  const strip = make("div", { class: "mend-strip", role: "group", "aria-label": "Proposal on the sheet", hidden: true }, stripText, legend,
    make("div", { class: "mend-tools" }, stripTurn, press("Accept", takeOver, "Accept the proposal"), press("Discard", () => void leave(), "Discard the proposal")));
  sheet.append(strip);
  const canvas = make("canvas", { class: "mend-paper", "aria-hidden": "true", hidden: true });
  ground().window.append(canvas);
  const ghosts = createGhosts(canvas);
  new ResizeObserver(() => sheet.style.setProperty("--mend-strip", strip.hidden ? "0px" : `${strip.offsetHeight}px`)).observe(strip);

  const chosen = () => /** @type {Kind} */ (choices.find((c) => c.radio.checked)?.way.kind ?? "retime");

  function showOptions() {
    const mine = ways.find((w) => w.kind === chosen())?.options ?? [];
    for (const label of optionList.querySelectorAll("label")) label.hidden = !mine.includes(/** @type {Option} */ (label.dataset.option));
    details.hidden = mine.length === 0;
  }

  function render() {
    const state = told?.state ?? "";
    const ready = state === "ready";
    const gone = state === "gone";
    const here = pair !== null;
    const busy = state === "working" || asking;
    write(propose, told && !gone ? "Propose anew" : "Propose");
    propose.disabled = asking;
    write(says, saysText());
    write(wrong, fault);
    callOff.hidden = state !== "working";
    look.hidden = !ready || here;
    const waits = armed() && shown === "present";
    look.disabled = loading !== "" || waits;
    for (const b of [turner, stripTurn]) {
      b.hidden = !here;
      b.disabled = waits;
      write(b, shown === "proposed" ? "Show as it stands" : "Show as proposed");
      b.setAttribute("aria-keyshortcuts", "v");
    }
    accept.hidden = !ready;
    drop.hidden = !ready && state !== "refused";
    write(drop, ready ? "Discard" : "Put away");
    drop.setAttribute("aria-label", ready ? "Discard the proposal: the file stays as it is" : "Put away: what was refused");
    undo.hidden = !stands() || told !== null;
    again.hidden = !gone;
    const closed = (told !== null && !gone && !anew) || asking;
    other.hidden = told === null || gone || anew || busy;
    if (closed && form.contains(document.activeElement)) panel.focus({ preventScroll: true });
    form.hidden = closed;
    fillAbout();
    write(stripText, told && here ? `${nameOf(told.kind)}: ${shortText(told)}.${waits ? ` ${whileArmed}.` : ""}` : "");
    legend.replaceChildren(...(shown === "proposed" ? ["ink", " as proposed", "dash", " as it stands"] : ["ink", " as it stands", "dash", " as proposed"])
      .map((t) => (t[0] === " " ? make("span", { text: t }) : make("i", { class: `mend-${t}`, "aria-hidden": "true" }))), make("span", { class: "mend-key", text: " \u00a0V: the other one" }));
    const was = strip.hidden;
    strip.hidden = !here;
    sheet.classList.toggle("mend-shown", here);
    if (was !== strip.hidden) sheet.style.setProperty("--mend-strip", here ? `${strip.offsetHeight}px` : "0px");
    canvas.hidden = !here;
    request();
  }

  function saysText() {
    if (asking) return "Asking \u2026";
    if (pending) return "Accepting \u2026";
    if (!told) return stands() ? "Accepted: it is in the file, as one step." : "";
    switch (told.state) {
      case "working": return `${nameOf(told.kind)}: it is being worked out \u2026`;
      case "ready": return `${nameOf(told.kind)}: ${told.text}.${armed() ? ` ${whileArmed}.` : ""}`;
      case "refused": return `${nameOf(told.kind)}: nothing can be proposed. The file stays as it is.`;
      default: return `The proposal is gone: ${told.text}.`;
    }
  }

  /** @type {Told|null} */
  let aboutOf = null;
  let aboutPair = false;
  function fillAbout() {
    if (aboutOf === told && aboutPair === (pair !== null)) return;
    aboutOf = told;
    aboutPair = pair !== null;
    if (!told || told.state === "gone" || told.state === "working") return about.replaceChildren();
    const rows = figureRows(told);
    const parts = [];
    if (rows.length > 0) {
      parts.push(make("table", {}, make("thead", {}, make("tr", {}, make("td", {}), make("th", { scope: "col", text: "as it stands" }), make("th", { scope: "col", text: "as proposed" }))),
        make("tbody", {}, ...rows.map((r) => make("tr", {}, make("th", { scope: "row", text: r.what }), make("td", { text: r.before }), make("td", { text: r.after }))))));
    }
    const moves = pair ? movesText(pair.present.score, pair.proposed.score) : "";
    const axes = axisTexts(told);
    if (axes.length > 0) parts.push(make("ul", { class: "mend-problems" }, ...axes.map((text) => make("li", { text }))));
    else if (moves) parts.push(make("p", { class: "mend-moves", text: `${moves}.` }));
    if (told.problems?.length) {
      parts.push(make("h3", { class: "label", text: told.state === "ready" ? "What stays wrong" : "Why not" }),
        make("ul", { class: "mend-problems" }, ...told.problems.map((p) => make("li", {}, make("span", { class: "mend-where", text: p.line > 0 ? `${p.file}:${p.line} ` : "" }), `${p.text}${p.hint ? `; ${p.hint}` : ""}`))));
    }
    if (told.lines) {
      parts.push(make("h3", { class: "label", text: "In the file" }), make("p", { class: "mend-moves", text: `${linesText(told)}.` }),
        make("ol", { class: "mend-lines", tabindex: 0, "aria-label": "Lines that change" }, ...lineRows(told).map((l) => (l.head ? make("li", { class: "mend-head", text: l.text })
          : make("li", { class: l.sign === "+" ? "mend-comes" : l.sign ? "mend-goes" : "" }, make("span", { text: l.sign || "\u00a0" }), l.text)))));
    }
    return about.replaceChildren(...parts);
  }

  // --- asking ---

  /** @param {Event} event */
  function onSubmit(event) {
    event.preventDefault();
    void begin();
  }

  async function begin() {
    const wish = requestOf(chosen(), Object.fromEntries(Object.entries(fields).map(([name, f]) => [name, f.type === "checkbox" ? f.checked : f.value])));
    if (wish.body === null) {
      details.open = true;
      fields[wish.option].focus();
      return fail(wish.wrong);
    }
    toPresent();
    const { motion, score } = get();
    if (!score?.text) return fail("The motion is still being read");
    fault = "";
    accepted = "";
    settled = null;
    anew = false;
    asking = true;
    render();
    try {
      const { proposal } = await post(`${pathOf(motion)}/mend`, { base: score.text, ...wish.body }, key());
      asked.add(proposal);
      asking = false;
      // The socket may have told of it before this answer.
      const now = proposals.get(motion);
      if (now && now.id === proposal) take(now);
      actions.announce(`${nameOf(chosen())}: it is being worked out`);
      render();
    } catch (e) {
      asking = false;
      anew = true;
      fail(messageOf(e));
    }
  }

  /** @param {string} text */
  function fail(text) {
    fault = text;
    actions.announce(text);
    render();
  }

  /** Discards the proposal, or calls off the work on it. */
  async function leave() {
    const was = told;
    if (!was) return;
    hide();
    told = null;
    render();
    focusBack();
    try {
      const answer = await fetch(`${pathOf(was.motion)}/proposals/${was.id}`, { method: "DELETE", headers: { "Limberjack-Page": key() }, cache: "no-store" });
      if (!answer.ok && answer.status !== 404) throw new Error(`the server answered ${answer.status}`);
      if (was.state !== "refused") actions.announce(was.state === "working" ? "Called off" : "Discarded: the file stays as it is");
    } catch (e) {
      fail(messageOf(e));
    }
  }

  function takeOver() {
    if (!told || told.state !== "ready") return;
    const { id } = told;
    hide();
    told = null;
    accepted = id;
    pending = true;
    settled = null;
    editor.accept(id, ({ text, undo }) => {
      if (accepted !== id) return;
      pending = false;
      settled = { text, undo };
      render();
    }, (text) => {
      if (accepted !== id) return;
      accepted = "";
      pending = false;
      told = proposals.get(get().motion) ?? null;
      fail(text);
    });
    render();
    focusBack();
  }

  /** What had the focus may have gone with the strip. */
  function focusBack() {
    if (document.activeElement && document.activeElement !== document.body) return;
    (panel.hidden ? button : propose).focus({ preventScroll: true });
  }

  // --- hearing ---

  /** @param {Told} message */
  function take(message) {
    if (message.motion !== get().motion) return;
    if (message.state === "gone") {
      if (told?.id !== message.id) return;
      hide();
      told = message;
      actions.announce(`The proposal is gone: ${message.text}`);
      return render();
    }
    const known = told?.id === message.id && told.state === message.state;
    if (!known) {
      if (told?.id !== message.id) hide();
      told = message;
      fault = "";
      anew = false;
    }
    render();
    if (known && pair) return;
    if (message.state === "refused" && asked.has(message.id)) actions.announce(`Nothing can be proposed: ${message.text}`);
    if (message.state !== "ready" || !asked.has(message.id)) return;
    if (armed()) actions.announce(`${nameOf(message.kind)} is ready, and waits. ${whileArmed}`);
    else void show();
  }

  // --- looking ---

  /** Fetches what is proposed and shows it. */
  async function show() {
    const was = told;
    if (!was || was.state !== "ready" || loading === was.id) return;
    loading = was.id;
    const path = `${pathOf(was.motion)}/proposals/${was.id}`;
    try {
      const [more, score, curves] = await Promise.all([ask(path).then((a) => a.json()), ask(`${path}/score`).then((a) => a.json()), ask(`${path}/curves`).then((a) => a.arrayBuffer())]);
      loading = "";
      const state = get();
      if (told?.id !== was.id || !state.score || !state.curves) return;
      if (state.score.text !== was.base) return fail("The motion has changed meanwhile: propose again");
      told = more;
      const present = { score: state.score, curves: state.curves };
      const proposed = { score: /** @type {Score} */ (score), curves: decodeCurves(curves) };
      pair = {
        present: { ...present, scene: createScene(present.score, present.curves), there: timeMap(present.score, proposed.score) },
        proposed: { ...proposed, scene: createScene(proposed.score, proposed.curves), there: timeMap(proposed.score, present.score) },
      };
      shown = "present";
      if (!put("proposed")) return render();
      actions.announce(`${nameOf(more.kind)} is on the sheet: ${shortText(more)}`);
    } catch (e) {
      loading = "";
      fail(messageOf(e));
    }
  }

  /**
   * Puts one of the two on the page: sheet, stage and transport follow. What boards play is
   * what stands; nothing that is looked at here moves them.
   * @param {"present"|"proposed"} which
   */
  function put(which) {
    if (!pair || which === shown) return true;
    if (which === "proposed" && armed()) {
      actions.announce(whileArmed);
      return false;
    }
    const state = get();
    const time = pair[shown].there(state.time);
    const { score, curves } = pair[which];
    shown = which;
    if (which === "proposed") hadEdit = state.edit.on;
    store.set({ ...takeUp(state, score, curves), proposed: which === "proposed", edit: { ...state.edit, on: which === "present" && hadEdit, fault: "" } });
    if (time !== get().time) armed() ? store.set({ time }) : actions.seek(time);
    render();
    if (which === "present") follow();
    return true;
  }

  function turn() {
    if (!pair) return actions.announce(told?.state === "ready" ? "The proposal is not on the sheet" : "There is no proposal to compare with");
    if (!put(shown === "present" ? "proposed" : "present")) return;
    actions.announce(shown === "proposed" ? "As proposed" : "As it stands");
  }

  function toPresent() {
    put("present");
  }

  /** Takes the proposal off the sheet. */
  function hide() {
    put("present");
    pair = null;
  }

  store.subscribe((state, before) => {
    if (state.motion !== before.motion) {
      if (pair) {
        pair = null;
        if (shown === "proposed") store.set({ proposed: false, edit: { ...get().edit, on: hadEdit } });
        shown = "present";
      }
      told = proposals.get(state.motion) ?? null;
      fault = accepted = "";
      pending = false;
      settled = null;
      render();
    } else if (state.score !== before.score && pair && state.score !== pair[shown].score) lost(state);
    if (settled && state.score !== before.score) render();
  });

  /** Whether what was accepted is still the last step of the history. */
  function stands() {
    const { score } = get();
    return settled !== null && score?.text === settled.text && score.undo === settled.undo;
  }

  /** Another version came than the one that was put there. @param {State} state */
  function lost(state) {
    if (!pair || !state.score || !state.curves) return;
    if (shown === "present" && state.score.text === pair.present.score.text) {
      pair.present = { ...pair.present, score: state.score, curves: state.curves, scene: createScene(state.score, state.curves) };
      return;
    }
    pair = null;
    if (shown === "proposed") store.set({ proposed: false, edit: { ...get().edit, on: hadEdit } });
    shown = "present";
    render();
  }

  // --- the part ---

  function close() {
    panel.hidden = true;
    button.setAttribute("aria-expanded", "false");
  }

  findings.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || panel.hidden || !(event.target instanceof Node) || !panel.contains(event.target)) return;
    event.preventDefault();
    close();
    button.focus();
  });

  told = proposals.get(get().motion) ?? null;
  showOptions();
  render();
  /** @type {unknown[]} */
  let drawn = [];

  return {
    open(finding) {
      const way = finding && mendFor(finding);
      if (way) {
        for (const c of choices) c.radio.checked = c.way.kind === way.kind;
        fields.stagger.checked = way.stagger;
        details.open = way.stagger;
        anew = true;
        showOptions();
      }
      panel.hidden = false;
      button.setAttribute("aria-expanded", "true");
      render();
      const scroll = findings.querySelector(".scroll");
      if (scroll) scroll.scrollTop = 0;
      const first = form.hidden ? /** @type {HTMLElement|null} */ (tools.querySelector("button:not([hidden])")) : choices.find((c) => c.radio.checked)?.radio;
      first?.focus({ preventScroll: true });
    },
    close,
    take,
    turn,
    boards(on) {
      if (on && pair && shown === "proposed") {
        toPresent();
        actions.announce(`The proposal is off the sheet. ${whileArmed}`);
      }
      render();
    },
    holds: (revision) => pair !== null && shown === "proposed" && pair.present.score.revision === revision,
    draw() {
      const j = ground().job();
      if (!pair || !j) return;
      const scene = pair[shownIn[shown === "present" ? 1 : 0]].scene;
      if (drawn[0] === j && drawn[1] === scene) return;
      drawn = [j, scene];
      ghosts.draw(j, scene, shown === "present");
    },
  };
}

/** @param {string} motion */
const pathOf = (motion) => `/api/motions/${encodeURIComponent(motion)}`;

/** @param {unknown} e */
const messageOf = (e) => (e instanceof Error ? e.message : String(e));
