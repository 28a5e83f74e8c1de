// What is read: the masthead, the motions of a show, what is wrong with the
// files, and the findings.

import { make, write } from "./dom.js";
import { mendFor } from "./mend/door.js";
import { clockTime, rateText } from "./time.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Store} Store */
/** @typedef {import("./types.js").Score} Score */
/** @typedef {import("./types.js").Finding} Finding */
/** @typedef {import("./types.js").Problem} Problem */
/** @typedef {import("./types.js").MotionEntry} MotionEntry */
/** @typedef {import("./types.js").Actions} Actions */

/** @param {number} n @param {string} noun */
const plural = (n, noun) => `${n} ${noun}${n === 1 ? "" : "s"}`;

/**
 * Keeps a panel as the state is: fill is called when one of some keys of the
 * state has changed.
 * @param {Store} store
 * @param {(keyof State)[]} keys
 * @param {(state: State) => void} fill
 * @returns {() => void} ends it
 */
function keep(store, keys, fill) {
  fill(store.get());
  return store.subscribe((state, before) => {
    if (keys.some((k) => state[k] !== before[k])) fill(state);
  });
}

/** @param {State} state @returns {MotionEntry|null} */
function entryOf({ project, motion }) {
  return project?.motions.find((m) => m.name === motion) ?? null;
}

/**
 * What the check says of a motion, as the sheet on paper says it.
 * @param {{errors: number, warnings: number, notes?: number}} n
 * @returns {{text: string, small: string}}
 */
export function verdict(n) {
  const parts = [];
  if (n.errors) parts.push(plural(n.errors, "error"));
  if (n.warnings) parts.push(plural(n.warnings, "warning"));
  if (n.notes) parts.push(plural(n.notes, "note"));
  const text = n.errors ? "does not pass" : n.warnings ? "passes with warnings" : "passes";
  return { text, small: parts.join(", ") };
}

/** @param {Score} score */
function counted(score) {
  /** @param {string} severity */
  const n = (severity) => score.findings.filter((f) => f.severity === severity).length;
  return { errors: n("error"), warnings: n("warning"), notes: n("note") };
}

/**
 * The fields of a motion, as a form is filled in.
 * @param {State} state
 * @returns {{label: string, text: string, small?: string}[]} the title first
 */
export function fields(state) {
  const { project, score } = state;
  const entry = entryOf(state);
  const title = score?.title || entry?.title || entry?.name || project?.title || "";
  const list = [{ label: "Motion", text: title || "\u2013" }];
  if (!score) return list;
  list.push({ label: "Rig", text: score.rig }, { label: "Length", text: clockTime(score.length) });
  if (score.fps) list.push({ label: "Frames", text: `${rateText(score.fps)} fps` });
  if (score.tempo?.length) list.push({ label: "Tempo", text: tempoText(score.tempo.map((t) => t.bpm)) });
  const v = verdict(counted(score));
  return [...list, { label: "Check", text: v.text, small: entry?.state === "broken" ? "the last good version" : v.small }];
}

/** @param {number[]} bpm */
function tempoText(bpm) {
  const low = Math.min(...bpm);
  const high = Math.max(...bpm);
  return low === high ? `${low} bpm` : `${low} to ${high} bpm`;
}

/**
 * @param {HTMLElement} element
 * @param {Store} store
 * @param {{turnTheme: () => void, help: () => void}} page
 */
export function createMasthead(element, store, page) {
  const form = make("dl", { class: "form" });
  const title = make("h1");
  const theme = make("button", { type: "button", click: page.turnTheme });
  const help = make("button", { type: "button", text: "Keys", "aria-haspopup": "dialog", click: page.help });
  element.replaceChildren(make("div", { class: "title" }, make("span", { class: "label", text: "Motion" }), title), form, make("div", { class: "page-buttons" }, theme, help));

  /** @param {State} state */
  function fill(state) {
    const [first, ...rest] = fields(state);
    write(title, first.text);
    document.title = first.text === "\u2013" ? "limberjack" : `${first.text} \u2013 limberjack`;
    form.replaceChildren(...rest.map((f) => make("div", { class: `field ${f.label.toLowerCase()}` },
      make("dt", { class: "label", text: f.label }),
      make("dd", {}, f.text, ...(f.small ? [make("small", { text: f.small })] : [])))));
  }

  const ends = [
    keep(store, ["project", "motion", "score"], fill),
    keep(store, ["theme"], (s) => write(theme, s.theme === "dark" ? "Paper" : "Dark set")),
  ];
  return () => ends.forEach((end) => end());
}

/**
 * The motions of a show.
 * @param {HTMLElement} element
 * @param {Store} store
 * @param {Actions} actions
 */
export function createMotions(element, store, actions) {
  /** @param {State} state */
  function fill({ project, motion }) {
    // A motion by itself has company where another version of it is kept.
    element.hidden = !project || project.motions.length < (project.kind === "show" ? 1 : 2);
    if (element.hidden || !project) return;
    const focused = element.contains(document.activeElement) ? document.activeElement?.getAttribute("data-name") : null;
    const list = project.motions.map((m) => make("li", {}, make("button", {
      type: "button", "data-name": m.name, "aria-current": m.name === motion ? "page" : null, click: () => actions.choose(m.name),
    }, make("span", { class: "name", text: m.name }), make("small", { text: entryText(m), class: m.state === "good" && m.passes ? "" : "wrong" }))));
    element.replaceChildren(make("span", { class: "label", text: project.kind === "show" ? "Show" : "Versions" }), make("ul", {}, ...list));
    const buttons = /** @type {HTMLElement[]} */ ([...element.querySelectorAll("button")]);
    buttons.find((b) => b.dataset.name === focused)?.focus();
  }
  return keep(store, ["project", "motion"], fill);
}

/** @param {MotionEntry} m */
function entryText(m) {
  if (m.state === "absent") return "does not load";
  if (m.state === "broken") return "does not load: the last good version";
  return `${clockTime(m.length)}, ${verdict(m).text}`;
}

/**
 * What keeps the page from showing the files as they are.
 * @param {HTMLElement} element
 * @param {Store} store
 * @param {{reconnect: () => void, announce: (text: string) => void}} page
 */
export function createNotices(element, store, page) {
  const lost = make("section", { class: "notice lost", "aria-label": "Connection", hidden: true },
    make("p", {}, make("strong", { text: "The connection is lost. " }),
      "What you see stays, and no longer follows the files. Trying again by itself; if preview was started anew, open the address that it prints."),
    make("button", { type: "button", text: "Try now", click: page.reconnect }));
  const files = make("section", { class: "notice files", "aria-label": "Errors in files", hidden: true });
  const trouble = make("section", { class: "notice", "aria-label": "Trouble", hidden: true });
  element.replaceChildren(lost, trouble, files);
  let wasConnected = false;

  /** @param {State} state */
  function fillFiles(state) {
    const { problems } = state;
    files.hidden = problems.length === 0;
    if (files.hidden) return void files.replaceChildren();
    files.replaceChildren(
      make("p", {}, make("strong", { text: `${plural(problems.length, "error")} in ${fileNames(problems)}. ` }), brokenText(state)),
      make("ul", { tabindex: 0, "aria-label": "Errors" }, ...problems.map(problemItem)));
  }

  const ends = [
    keep(store, ["connected"], ({ connected }) => {
      wasConnected ||= connected;
      lost.hidden = connected || !wasConnected;
      if (wasConnected) page.announce(connected ? "Connected" : "The connection is lost");
    }),
    keep(store, ["trouble"], ({ trouble: text }) => {
      trouble.hidden = text === "";
      trouble.replaceChildren(make("p", {}, make("strong", { text: "The motion could not be shown. " }), text));
      if (text) page.announce(`The motion could not be shown: ${text}`);
    }),
    keep(store, ["problems", "project", "motion", "score"], fillFiles),
    keep(store, ["problems"], ({ problems }) => {
      if (problems.length > 0) page.announce(`${plural(problems.length, "error")} in ${fileNames(problems)}: ${problems[0].text}`);
    }),
  ];
  return () => ends.forEach((end) => end());
}

/** @param {Problem[]} problems */
function fileNames(problems) {
  return [...new Set(problems.map((p) => p.file))].join(", ");
}

/** @param {State} state */
function brokenText(state) {
  const entry = entryOf(state);
  if (entry?.state === "broken") return "Showing the last good version.";
  if (entry?.state === "absent" || !state.score) return "There is no good version yet: it shows as soon as there is one.";
  return "";
}

/**
 * Why nothing can be played, in a few words; "" where there is a motion.
 * @param {State} state
 * @returns {string}
 */
export function whyIdle(state) {
  const { project, score, trouble } = state;
  if (score) return "";
  if (!project) return "Reading the motion \u2026";
  const entry = entryOf(state);
  if (!entry) return "Nothing to play: there is no motion";
  if (entry.state === "absent") return `Nothing to play: ${entry.file || entry.name} does not load`;
  return trouble ? "Nothing to play: the motion could not be shown" : "Reading the motion \u2026";
}

/** @param {Problem} p */
function problemItem(p) {
  return make("li", {},
    make("span", { class: "where", text: placeText(p.file, p.line, p.column) }),
    make("span", { class: "what", text: p.text }),
    ...(p.hint ? [make("span", { class: "hint", text: p.hint })] : []));
}

/** @param {string} file @param {number} line @param {number} [column] */
function placeText(file, line, column = 0) {
  return [file, line, column].filter((x) => x).join(":");
}

/**
 * The findings, numbered as in the sheet.
 * @param {HTMLElement} element
 * @param {Store} store
 * @param {Actions} actions
 * @param {(finding: Finding) => void} mend
 */
export function createFindings(element, store, actions, mend) {
  const count = make("span", { class: "count" });
  const before = make("button", { type: "button", text: "Before", "aria-label": "Before: the finding before", click: () => actions.toFinding(-1) });
  const next = make("button", { type: "button", text: "Next", "aria-label": "Next: the next finding", click: () => actions.toFinding(1) });
  const list = make("ol", { class: "list" });
  const none = make("p", { class: "none" });
  const scroll = make("div", { class: "scroll" }, none, list);
  element.replaceChildren(make("div", { class: "head" }, make("h2", { class: "label", text: "Findings" }), count, before, next), scroll);

  /** @param {State} state */
  function fill({ score }) {
    const findings = score?.findings ?? [];
    const focused = list.contains(document.activeElement) ? document.activeElement?.getAttribute("data-number") : null;
    write(count, score && findings.length > 0 ? verdict(counted(score)).small : "");
    write(none, score && findings.length === 0 ? "The check found nothing." : "");
    before.disabled = next.disabled = findings.length === 0;
    list.replaceChildren(...findings.map((f) => findingItem(f, /** @type {Score} */ (score), actions, mend)));
    if (focused) buttonOf(Number(focused))?.focus({ preventScroll: true });
    mark(store.get());
  }

  /** @param {number|null} number */
  function buttonOf(number) {
    return number === null ? null : /** @type {HTMLElement|null} */ (list.querySelector(`button[data-number="${number}"]`));
  }

  /** @param {State} state */
  function mark({ finding }) {
    for (const b of list.querySelectorAll("button[aria-current]")) b.removeAttribute("aria-current");
    const chosen = buttonOf(finding);
    chosen?.setAttribute("aria-current", "true");
    if (chosen) reveal(scroll, chosen);
  }

  const ends = [keep(store, ["score"], fill), keep(store, ["finding"], mark)];
  return () => ends.forEach((end) => end());
}

/**
 * Scrolls a box so that something in it shows, and nothing else of the page.
 * @param {HTMLElement} box
 * @param {HTMLElement} child
 */
function reveal(box, child) {
  const b = box.getBoundingClientRect();
  const c = child.getBoundingClientRect();
  if (c.top < b.top) box.scrollTop += c.top - b.top;
  else if (c.bottom > b.bottom) box.scrollTop += Math.min(c.bottom - b.bottom, c.top - b.top);
}

/** @param {Finding} f @param {Score} score @param {Actions} actions @param {(finding: Finding) => void} mend */
function findingItem(f, score, actions, mend) {
  const name = score.rows[f.row]?.name ?? score.supplies[f.supply]?.name ?? "";
  const head = [f.severity, name, spanText(f, score)].filter((s) => s).join(", ");
  return make("li", {}, make("button", { type: "button", class: `finding ${f.severity}`, "data-number": f.number, click: () => actions.selectFinding(f.number) },
    make("span", { class: "number", text: f.number }),
    make("span", { class: "swatch", "aria-hidden": "true" }),
    make("span", { class: "what", text: `${head} ` }),
    make("span", { class: "text", text: `${f.text} ` }),
    ...(f.remedy ? [make("span", { class: "remedy", text: `${f.remedy} ` })] : []),
    ...(f.file ? [make("span", { class: "where", text: placeText(f.file, f.line) })] : [])),
  ...(mendFor(f) ? [make("button", { type: "button", class: "mend-this", text: "Mend \u2026", "aria-label": `Mend \u2026: finding ${f.number}`, click: () => mend(f) })] : []));
}

/**
 * When a finding is: "at 14.25 s", "4.28 to 4.42 s"; nothing where it holds for
 * all of the motion.
 * @param {Finding} f
 * @param {Score} score
 */
export function spanText(f, score) {
  if (!(f.to >= f.from) || (f.from <= 0 && f.to >= score.length)) return "";
  const from = clockTime(f.from);
  const to = clockTime(f.to);
  if (from === to) return `at ${from}`;
  return `${from.endsWith(" s") && to.endsWith(" s") ? from.slice(0, -2) : from} to ${to}`;
}

/**
 * On a narrow page the sheet and the findings share one place.
 * @param {HTMLElement} element
 * @param {HTMLElement} desk
 * @param {Store} store
 * @param {() => void} changed
 */
export function createLower(element, desk, store, changed) {
  const sheet = make("button", { type: "button", text: "Sheet", click: () => show("sheet") });
  const findings = make("button", { type: "button", click: () => show("findings") });
  element.replaceChildren(sheet, findings);
  /** @param {"sheet"|"findings"} which */
  function show(which) {
    desk.dataset.lower = which;
    sheet.setAttribute("aria-pressed", String(which === "sheet"));
    findings.setAttribute("aria-pressed", String(which === "findings"));
    changed();
  }
  show("sheet");
  const end = keep(store, ["score"], ({ score }) => write(findings, score?.findings.length ? `Findings (${score.findings.length})` : "Findings"));
  return { show, end };
}
