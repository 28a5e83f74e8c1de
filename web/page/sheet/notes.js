// Findings on the sheet: a button for each with its number, and the note that
// says what is wrong and what would mend it.

import { make } from "../dom.js";
import { clockTime } from "../time.js";
import { rowAt, sideBySide, spanAcross } from "./geometry.js";
import { leastHatch } from "./paper.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").Actions} Actions */
/** @typedef {import("../types.js").Finding} Finding */
/** @typedef {import("../types.js").Key} Key */
/** @typedef {import("./paper.js").Job} Job */
/** @typedef {import("./scene.js").Scene} Scene */

const fingertip = 22; // px about a number, in which a tap is meant for it
const leave = 220; // ms in which the pointer may cross to the note

/**
 * @param {Finding} f
 * @param {import("../types.js").Score} score
 */
export function headOf(f, score) {
  const subject = f.row >= 0 ? score.rows[f.row]?.name : f.supply >= 0 ? score.supplies[f.supply]?.name : "";
  const when = f.to > f.from ? `${clockTime(f.from)} to ${clockTime(f.to)}` : `at ${clockTime(f.from)}`;
  return [`${f.number}  ${f.severity}`, subject, when].filter(Boolean).join(", ");
}

/**
 * The note box: one for all findings and keys.
 */
export function createNote() {
  const id = "sheet-note";
  const box = make("div", { id, class: "sheet-note", role: "tooltip", hidden: true,
    pointerenter: () => clearTimeout(timer), pointerleave: (/** @type {PointerEvent} */ event) => event.pointerType !== "touch" && hideSoon(),
    click: (/** @type {PointerEvent} */ event) => event.pointerType === "touch" && hide() });
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let timer;
  let showing = "";
  /** @type {HTMLElement|null} */
  let owner = null;

  /** @param {{left: number, right: number, top: number, bottom: number}} at */
  function place(at) {
    box.style.maxWidth = `${Math.min(380, innerWidth - 16)}px`;
    const { width, height } = box.getBoundingClientRect();
    const left = Math.max(8, Math.min(innerWidth - width - 8, (at.left + at.right) / 2 - width / 2));
    const below = at.bottom + 6 + height <= innerHeight - 4;
    const top = below ? at.bottom + 6 : Math.max(4, at.top - 6 - height);
    box.style.left = `${Math.round(left)}px`;
    box.style.top = `${Math.round(top)}px`;
  }

  function hide() {
    clearTimeout(timer);
    box.hidden = true;
    showing = "";
    owner?.removeAttribute("aria-describedby");
    owner = null;
  }
  function hideSoon() {
    clearTimeout(timer);
    timer = setTimeout(hide, leave);
  }

  /** @param {string} key @param {HTMLElement[]} content @param {{left: number, right: number, top: number, bottom: number}} at @param {HTMLElement|null} by */
  function show(key, content, at, by) {
    clearTimeout(timer);
    if (showing === key && owner === by) return;
    owner?.removeAttribute("aria-describedby");
    showing = key;
    owner = by;
    by?.setAttribute("aria-describedby", id);
    box.replaceChildren(...content);
    box.hidden = false;
    place(at);
  }

  return {
    box,
    hide,
    hideSoon,
    isOpen: () => !box.hidden,
    /** @param {Finding[]} findings @param {Scene} scene @param {{left: number, right: number, top: number, bottom: number}} at @param {HTMLElement|null} by */
    showFindings(findings, scene, at, by) {
      show(findings.map((f) => f.number).join(" "), findings.map((f) => findingNote(f, scene)), at, by);
    },
    /** @param {Key} key @param {string} unit @param {string} text @param {{left: number, right: number, top: number, bottom: number}} at */
    showKey(key, unit, text, at) {
      const parts = [`${clockTime(key.at)}: ${text}`, key.ease || "first key", key.locked ? "locked" : "", key.line > 0 ? `line ${key.line}` : ""];
      show(`key ${unit} ${key.at}`, [make("p", { class: "key", text: parts.filter(Boolean).join(", ") })], at, null);
    },
  };
}

/** @param {Finding} f @param {Scene} scene */
function findingNote(f, scene) {
  const note = make("div", { class: `found ${f.severity}` }, make("p", { class: "head", text: headOf(f, scene.score) }), make("p", { text: f.text }));
  if (f.remedy) note.append(make("p", { class: "remedy", text: `Mend: ${f.remedy}` }));
  if (f.file) note.append(make("p", { class: "where", text: f.line > 0 ? `${f.file}:${f.line}` : f.file }));
  return note;
}

/**
 * @param {object} options
 * @param {() => State} options.get
 * @param {Actions} options.actions
 * @param {ReturnType<typeof createNote>} options.note
 * @param {(id: string) => void} options.reveal  scrolls to a row
 */
export function createFindingButtons({ get, actions, note, reveal }) {
  const staves = make("div", { class: "sheet-found", role: "group", "aria-label": "Findings on the staves" });
  const loose = make("div", { class: "sheet-loose", role: "group", "aria-label": "Findings of the whole rig" });
  /** @type {Map<number, HTMLButtonElement>} */
  const buttons = new Map();
  /** @type {Scene|null} */
  let scene = null;
  const across = new Float64Array(2);
  /** @type {number[]} */
  let wanted = [];
  /** @type {{f: Finding, at: number}[]} */
  let here = [];
  /** Where those are that show. @type {Map<number, {x: number, y: number, chosen: boolean, turn: number}>} */
  const places = new Map();
  let turn = 0;
  /** @type {Job|null} */
  let laid = null; // where the numbers are right
  let back = 0; // number of the finding that had the focus before there was another motion

  /** @param {Finding} f @param {string} id of the row */
  function create(f, id) {
    /** @param {HTMLElement} by */
    const show = (by) => scene && note.showFindings([f], scene, by.getBoundingClientRect(), by);
    /** @type {HTMLButtonElement} */
    const button = make("button", {
      type: "button", class: `sheet-number ${f.severity}`, text: String(f.number), "aria-label": `Finding ${headOf(f, /** @type {Scene} */ (scene).score)}`,
      pointerenter: (/** @type {PointerEvent} */ e) => e.pointerType !== "touch" && show(button),
      pointerleave: () => document.activeElement !== button && note.hideSoon(),
      focus: () => { if (id) reveal(id); show(button); },
      blur: () => note.hideSoon(),
      click: () => { actions.selectFinding(f.number); show(button); },
    });
    button.dataset.finding = String(f.number);
    return button;
  }

  return {
    staves,
    loose,
    /** @param {Scene} now */
    setScene(now) {
      scene = now;
      note.hide();
      const focused = document.activeElement instanceof HTMLElement ? document.activeElement.dataset.finding : undefined;
      buttons.clear();
      places.clear();
      staves.replaceChildren();
      loose.replaceChildren();
      if (focused !== undefined) back = Number(focused);
    },
    /**
     * Pushes all numbers along with a sheet that moves; while it zooms they are away.
     * @param {Job} job
     */
    push(job) {
      if (!laid) return;
      const width = job.width - job.metrics.left - job.metrics.right;
      const span = laid.view.to - laid.view.from;
      const away = Math.abs(job.view.to - job.view.from - span) > 1e-6 * span;
      const over = away ? 0 : ((laid.view.from - job.view.from) * width) / span;
      put(staves, over, laid.scroll - job.scroll, away);
      put(loose, over, 0, away);
    },
    /** @param {Job} job */
    lay(job) {
      laid = job;
      put(staves, 0, 0, false);
      put(loose, 0, 0, false);
      turn++;
      const room = job.height - job.bands.head - job.bands.foot;
      for (let k = Math.max(0, rowAt(job.places, job.scroll)); k < job.places.length && job.places[k].top - job.scroll < room; k++) {
        const p = job.places[k];
        const findings = job.scene.bands.get(p.spec.id)?.findings;
        if (!findings || findings.length === 0) continue;
        const top = p.folded ? p.top + p.height / 2 - 10 : p.y0 - 17;
        layOne(job, findings, top - job.scroll, p.spec.id);
      }
      layOne(job, job.scene.loose, job.bands.loose + 3, "");
      for (const [number, place] of places) {
        if (place.turn === turn) continue;
        places.delete(number);
        buttons.get(number)?.remove();
      }
      if (back) buttons.get(back)?.focus({ preventScroll: true });
      back = 0;
    },
    /**
     * Presses the number on the staves nearest to a place that a finger has tapped.
     * @param {number} x @param {number} y  px of the sheet
     * @returns {boolean} whether one is in reach
     */
    tap(x, y) {
      if (!laid) return false;
      const size = laid.coarse ? 30 : 24;
      let least = fingertip;
      let nearest = 0;
      for (const [number, p] of places) {
        const off = Math.max(Math.abs(p.x + size / 2 - x), Math.abs(p.y + 10 + laid.bands.head - y));
        if (off < least && buttons.get(number)?.parentElement === staves) [least, nearest] = [off, number];
      }
      buttons.get(nearest)?.click();
      return nearest > 0;
    },
    destroy() {
      staves.remove();
      loose.remove();
    },
  };

  /** @param {HTMLElement} group @param {number} x @param {number} y @param {boolean} away */
  function put(group, x, y, away) {
    group.style.transform = `translate(${x}px, ${y}px)`;
    group.style.opacity = away ? "0" : "1";
  }

  /**
   * Puts the numbers of a row's findings that show. Where there are more than fit side by
   * side, the worst are kept: the list has all.
   * @param {Job} job @param {Finding[]} findings @param {number} top @param {string} id of the row
   */
  function layOne(job, findings, top, id) {
    const left = job.metrics.left;
    const width = Math.max(1, job.width - left - job.metrics.right);
    const size = job.coarse ? 30 : 24;
    wanted = [];
    here = [];
    for (let k = findings.length - 1; k >= 0 && here.length < width / size; k--) {
      const f = findings[k];
      if (f.to >= job.view.from && f.from <= job.view.to) here.push({ f, at: middle(f, job, left, width) });
    }
    here.sort((a, b) => a.at - b.at || a.f.number - b.f.number);
    for (const { at } of here) wanted.push(at - size / 2);
    const lefts = sideBySide(wanted, size, left - size / 2, left + width + size / 2);
    const { finding } = get();
    here.forEach(({ f }, k) => set(f, id, Math.round(lefts[k]), Math.round(top), f.number === finding));
  }

  /**
   * Changes of elements cost far more than drawing: only what is another is written.
   * @param {Finding} f @param {string} id @param {number} x @param {number} y @param {boolean} chosen
   */
  function set(f, id, x, y, chosen) {
    let b = buttons.get(f.number);
    if (!b) buttons.set(f.number, (b = create(f, id)));
    let p = places.get(f.number);
    if (!p) {
      places.set(f.number, (p = { x: NaN, y: NaN, chosen: b.classList.contains("chosen"), turn }));
      (id ? staves : loose).append(b);
    }
    p.turn = turn;
    if (p.x !== x || p.y !== y) b.style.transform = `translate(${x}px, ${y}px)`;
    if (p.chosen !== chosen) b.classList.toggle("chosen", chosen);
    p.x = x;
    p.y = y;
    p.chosen = chosen;
  }

  /** @param {Finding} f @param {Job} job @param {number} left @param {number} width */
  function middle(f, job, left, width) {
    const shown = spanAcross(f.from, f.severity === "note" ? f.from : f.to, job.view, left, width, leastHatch, across);
    return shown ? (across[0] + across[1]) / 2 : left;
  }
}
