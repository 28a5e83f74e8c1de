// The cue sheet: staves of axes and controls, sound and supplies over time.

import { curveAt } from "../curves.js";
import { make, sizeCanvas } from "../dom.js";
import { clockTime, frameOf, timecode } from "../time.js";
import { findingsAt, inOrder, keyNear, layOut, metricsOf, pushable, rowAt, scrolledTo, specsOf, timeAt, xOf } from "./geometry.js";
import { createFindingButtons, createNote } from "./notes.js";
import { createPaper, leastHatch } from "./paper.js";
import { createHands } from "./pointer.js";
import { createPyramid } from "./pyramid.js";
import { createRowHeads, createRowList } from "./rowheads.js";
import { bandsOf, createTicks, noBands } from "./ruler.js";
import { createScene, figure } from "./scene.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").Span} Span */
/** @typedef {import("./paper.js").Job} Job */
/** @typedef {import("./paper.js").Colours} Colours */

const handWidth = 17;   // px, of the canvas that holds the playhead
const stillness = 150;  // ms without a move, after which the sheet is at rest

/**
 * @param {import("../types.js").PartOptions & {taken?: (event: PointerEvent) => boolean}} options  taken: whether a hand does something else than to move the sheet
 * @returns {import("../types.js").Part & {ground: import("../edit/edit.js").Ground}}
 */
export function createSheet({ element, store, actions, request, taken = () => false }) {
  const get = store.get;
  const canvas = make("canvas", { class: "sheet-paper", "aria-hidden": "true" });
  const hand = make("canvas", { class: "sheet-hand", "aria-hidden": "true" });
  const ruler = make("div", { class: "sheet-ruler", role: "slider", tabindex: 0, "aria-label": "Time on the sheet", "aria-valuemin": 0, "aria-valuemax": 0, "aria-valuenow": 0, keydown: onRulerKey });
  const note = createNote();
  const heads = createRowHeads({ get, actions });
  const rowList = createRowList({ get, actions });
  const found = createFindingButtons({ get, actions, note, reveal });
  const headClip = make("div", { class: "sheet-clip" }, heads.list);
  const foundClip = make("div", { class: "sheet-clip sheet-over" }, found.staves);
  const looseClip = make("div", { class: "sheet-over sheet-looseclip" }, found.loose);
  const empty = make("p", { class: "sheet-empty", hidden: true });
  const sheet = make("div", { class: "sheet-window" }, canvas, hand, ruler, looseClip, headClip, foundClip, rowList.opener, empty);
  const spacer = make("div", { class: "sheet-spacer" });
  const scroller = make("div", { class: "sheet-scroll", tabindex: 0, role: "group", "aria-label": "Staves" }, sheet, spacer);
  element.replaceChildren(scroller, rowList.panel, note.box);

  const paper = createPaper(canvas);
  const pen = /** @type {CanvasRenderingContext2D} */ (hand.getContext("2d"));
  const ticks = createTicks();
  const fine = matchMedia("(pointer: coarse)");
  /** @type {Job|null} */
  let job = null;
  /** @type {State|null} */
  let drawn = null; // the state of the paper
  /** @type {Span|null} */
  let drawing = null; // a loop that is being drawn
  let stale = true;
  let colours = readColours();
  let handAt = NaN;   // s, where the hand was drawn
  let handX = NaN;    // px
  let handY = NaN;    // px, how far the rows were scrolled then
  let scrollTop = 0;  // px, as the browser last said
  let movedAt = 0;    // ms
  /** Waits for rest. @type {ReturnType<typeof setTimeout>|undefined} */
  let resting;
  let spoken = 0;
  /** @type {import("./scene.js").Scene|null} */
  let scene = null;
  /** @type {Job["wave"]} */
  let wave = null;
  /** @type {import("../types.js").Waveform|null} */
  let waveOf = null;

  const hands = createHands({
    staves: canvas, ruler, scroller, get, actions, request, taken,
    frame: () => ({ left: job?.metrics.left ?? 0, width: job ? stavesWidth(job) : 1, loop: job?.bands.loop ?? 0, loopEnd: job?.bands.rulers ?? 0 }),
    toX: (clientX) => clientX - canvas.getBoundingClientRect().left,
    toY: (clientY) => clientY - canvas.getBoundingClientRect().top,
    onTap, onHover,
    onLeave: () => note.isOpen() && !(document.activeElement instanceof HTMLElement && document.activeElement.dataset.finding) && note.hideSoon(),
    onLoop(span) {
      drawing = span;
      stale = true;
      request();
    },
  });

  const resized = new ResizeObserver(refresh);
  resized.observe(element);
  resized.observe(scroller); // another part may take some of its height
  function refresh() {
    stale = true;
    request();
  }
  fine.addEventListener("change", refresh);
  scroller.addEventListener("scroll", () => {
    scrollTop = scroller.scrollTop;
    request();
  }, { passive: true });
  element.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && note.isOpen()) {
      note.hide();
      event.preventDefault();
    }
  });
  addEventListener("load", refresh);
  document.fonts?.ready.then(refresh);

  function readColours() {
    const style = getComputedStyle(element);
    /** @param {string} name */
    const of = (name) => style.getPropertyValue(`--${name}`).trim() || "#000";
    return /** @type {Colours} */ ({ ink: of("ink"), pencil: of("pencil"), slate: of("slate"), faint: of("faint"), wash: of("wash"), veil: of("veil"), iron: of("iron"), paper: of("paper"), serif: "", sans: "" });
  }

  /** @param {Job} j */
  function stavesWidth(j) {
    return Math.max(1, j.width - j.metrics.left - j.metrics.right);
  }

  /** Whether more has changed than the place at which the sheet is looked at. @param {State} state */
  function changed(state) {
    const d = drawn;
    return stale || !d || d.score !== state.score || d.curves !== state.curves || d.waveform !== state.waveform
      || d.rows !== state.rows || d.finding !== state.finding || d.row !== state.row || d.themeCount !== state.themeCount || d.loop !== state.loop || d.looping !== state.looping;
  }

  /** @param {State} state */
  function moved(state) {
    return job !== null && (drawn?.view !== state.view || scrollWithin(job) !== job.scroll);
  }

  /** @param {State} state @returns {boolean} */
  function draw(state) {
    const gliding = hands.glide(performance.now());
    const now = gliding ? get() : state;
    if (changed(now)) drawPaper(now);
    else if (moved(now)) movePaper(now);
    drawHand(now);
    return gliding;
  }

  /** @param {State} state */
  function drawPaper(state) {
    const before = drawn;
    stale = false;
    drawn = state;
    if (!before || before.themeCount !== state.themeCount) colours = readColours();
    const { score, curves } = state;
    const ready = Boolean(score && curves && specsOf(score).length > 0);
    element.classList.toggle("sheet-bare", !ready);
    if (empty.hidden !== ready) empty.hidden = ready;
    handAt = NaN;
    if (!score || !curves || !ready) {
      empty.textContent = score && curves ? "The rig has no axes, so there are no staves." : state.project ? "No motion to show." : "Reading the motion …";
      job = null;
      hand.style.visibility = "hidden";
      return;
    }
    if (!scene || scene.score !== score || scene.curves !== curves) take(score, curves);
    if (waveOf !== state.waveform) {
      waveOf = state.waveform;
      wave = waveOf ? { pyramid: createPyramid(waveOf.low, waveOf.high), rate: waveOf.rate } : null;
    }
    layOutAll(state);
    job = jobOf(state, state.view, false);
    sizeCanvas(canvas, job.width, job.height, job.ratio);
    sizeCanvas(hand, handWidth, job.height, job.ratio);
    paper(job);
    layElements(job, state);
    if (before && before.finding !== state.finding && state.finding !== null) showFinding(state.finding);
  }

  /**
   * Draws a sheet on its way: no element of the page changes but by its place, since
   * each such change may have the whole page laid out anew. At rest all is put right.
   * @param {State} state
   */
  function movePaper(state) {
    const was = /** @type {Job} */ (job);
    drawn = state;
    const next = jobOf(state, pushable(was.view, state.view, stavesWidth(was) * was.ratio), true);
    job = next;
    paper(next);
    if (next.scroll !== was.scroll) heads.list.style.transform = `translateY(${-next.scroll}px)`;
    found.push(next);
    movedAt = performance.now();
    resting ??= setTimeout(rest, stillness);
  }

  function rest() {
    const left = movedAt + stillness - performance.now();
    resting = left > 0 ? setTimeout(rest, left) : undefined;
    if (resting === undefined) refresh();
  }

  /** @param {import("../types.js").Score} score @param {import("../types.js").Curves} curves */
  function take(score, curves) {
    scene = createScene(score, curves);
    const specs = specsOf(score);
    heads.setSpecs(specs);
    rowList.setSpecs(specs);
    found.setScene(scene);
  }

  /** What depends on the rows and on the size of the sheet. */
  const frame = { score: /** @type {import("../types.js").Score|null} */ (null), rows: /** @type {State["rows"]|null} */ (null), coarse: false, width: 0, height: 0, all: 0, metrics: metricsOf(0, false), bands: noBands, places: /** @type {Job["places"]} */ ([]) };

  /** @param {State} state */
  function layOutAll(state) {
    const { score, rulers } = /** @type {import("./scene.js").Scene} */ (scene);
    const coarse = fine.matches;
    const width = scroller.clientWidth;
    const height = scroller.clientHeight;
    scrollTop = scroller.scrollTop;
    if (frame.score === score && frame.rows === state.rows && frame.coarse === coarse && frame.width === width && frame.height === height) return;
    const metrics = metricsOf(width, coarse);
    const bands = bandsOf(score, rulers.length, coarse, height < 420);
    const room = height - bands.head - bands.foot;
    const { places, height: all } = layOut(inOrder(specsOf(score), state.rows.order), state.rows, metrics, room - 4);
    Object.assign(frame, { score, rows: state.rows, coarse, width, height, all, metrics, bands, places });
    sheet.style.height = `${height}px`;
    spacer.style.height = `${Math.max(0, Math.ceil(all - room))}px`;
  }

  /** How far the rows are scrolled. @param {{bands: import("./ruler.js").Bands, height: number}} j */
  function scrollWithin(j) {
    return Math.min(Math.max(0, frame.all - (j.height - j.bands.head - j.bands.foot)), scrollTop);
  }

  /** @param {State} state @param {Span} view @param {boolean} moving @returns {Job} */
  function jobOf(state, view, moving) {
    const s = /** @type {import("./scene.js").Scene} */ (scene);
    const { coarse, width, height, metrics, bands, places } = frame;
    return { scene: s, wave, places, scroll: scrollWithin(frame), view, width, height, ratio: devicePixelRatio || 1, coarse, metrics, bands,
      ticks: ticks(s.score, s.rulers, view, width - metrics.left - metrics.right, moving), colours, finding: state.finding, loop: drawing ?? state.loop, looping: drawing !== null || state.looping, moving };
  }

  /** @param {Job} j @param {State} state */
  function layElements(j, state) {
    const { bands, metrics, scroll } = j;
    element.classList.toggle("sheet-narrow", metrics.narrow);
    element.classList.toggle("sheet-coarse", j.coarse);
    if (metrics.left !== leftSet) {
      leftSet = metrics.left;
      element.style.setProperty("--sheet-left", `${leftSet}px`);
    }
    for (const clip of [headClip, foundClip]) {
      clip.style.top = `${bands.head}px`;
      clip.style.bottom = `${bands.foot}px`;
    }
    looseClip.style.height = `${bands.head}px`;
    heads.list.style.transform = `translateY(${-scroll}px)`;
    ruler.style.left = `${metrics.left}px`;
    ruler.style.right = `${metrics.right}px`;
    ruler.style.height = `${bands.head}px`;
    rowList.panel.style.top = `${bands.head}px`;
    rowList.update(state, metrics.narrow);
    heads.lay(j.places, metrics, state);
    found.lay(j);
  }

  let leftSet = NaN; // px: setting it touches the style of all that is on the sheet

  /** @param {State} state */
  function drawHand(state) {
    const j = job;
    if (!j) return;
    const t = state.time;
    const at = Math.round(xOf(t, j.view, j.metrics.left, stavesWidth(j)) * j.ratio) / j.ratio;
    const same = t === handAt && j.scroll === handY;
    if (same && at === handX) return;
    const shows = t >= j.view.from - 1e-9 && t <= j.view.to + 1e-9;
    const visibility = shows ? "visible" : "hidden";
    if (hand.style.visibility !== visibility) hand.style.visibility = visibility;
    if (shows && at !== handX) hand.style.transform = `translateX(${at - (handWidth - 1) / 2}px)`;
    if (!same) {
      drawPlayhead(j, t);
      if (t !== handAt) tell(state);
    }
    handAt = t;
    handX = shows ? at : NaN;
    handY = j.scroll;
  }

  /** @param {Job} j @param {number} t */
  function drawPlayhead(j, t) {
    const { ratio, bands, scroll } = j;
    const middle = (handWidth - 1) / 2;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, handWidth, j.height);
    pen.fillStyle = colours.ink;
    pen.fillRect(middle - 0.5, bands.loop + 2, 2, j.height - bands.foot - bands.loop - 2);
    pen.beginPath();
    pen.moveTo(middle - 6.5, bands.head - 11);
    pen.lineTo(middle + 7.5, bands.head - 11);
    pen.lineTo(middle + 0.5, bands.head - 1);
    pen.fill();
    const room = j.height - bands.head - bands.foot;
    for (let k = Math.max(0, rowAt(j.places, scroll)); k < j.places.length && j.places[k].top - scroll < room; k++) drawDot(j, j.places[k], t, middle + 0.5);
  }

  /** Where the hand meets a curve. @param {Job} j @param {import("./geometry.js").Place} p @param {number} t @param {number} x */
  function drawDot(j, p, t, x) {
    const band = j.scene.bands.get(p.spec.id);
    if (!band || p.folded || p.spec.kind === "sound") return;
    const { score, curves } = j.scene;
    const index = p.spec.kind === "supply" ? score.supplies[p.spec.index].current : score.rows[p.spec.index].commanded;
    const v = curveAt(curves, index, t);
    const y = p.y1 - ((v - band.low) * (p.y1 - p.y0)) / (band.high - band.low) + j.bands.head - j.scroll;
    if (!(y > j.bands.head && y < j.height - j.bands.foot)) return;
    pen.fillStyle = colours.paper;
    pen.beginPath();
    pen.arc(x, y, 4.4, 0, 7);
    pen.fill();
    pen.fillStyle = colours.ink;
    pen.beginPath();
    pen.arc(x, y, 3, 0, 7);
    pen.fill();
  }

  /** Tells the slider's value, while it plays not at every frame. @param {State} state */
  function tell(state) {
    const now = performance.now();
    if (state.playing && now - spoken < 500) return;
    spoken = now;
    const { fps, length } = /** @type {import("../types.js").Score} */ (state.score);
    ruler.setAttribute("aria-valuemax", String(length));
    ruler.setAttribute("aria-valuenow", state.time.toFixed(3));
    ruler.setAttribute("aria-valuetext", fps ? `${clockTime(state.time)}, ${timecode(frameOf(state.time, fps), fps)}` : clockTime(state.time));
  }

  /** @param {KeyboardEvent} event */
  function onRulerKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { view } = get();
    const tenth = (view.to - view.from) / 10;
    /** @type {Record<string, () => void>} */
    const does = {
      ArrowLeft: () => (event.shiftKey ? actions.skip(-1) : actions.step(-1)), ArrowDown: () => actions.step(-1),
      ArrowRight: () => (event.shiftKey ? actions.skip(1) : actions.step(1)), ArrowUp: () => actions.step(1),
      PageDown: () => actions.skip(-tenth), PageUp: () => actions.skip(tenth),
      Home: () => actions.toStart(), End: () => actions.toEnd(),
    };
    const act = does[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  }

  // --- what is under a hand ---

  /** @param {number} x @param {number} y */
  function under(x, y) {
    const j = job;
    if (!j || y < j.bands.head || y > j.height - j.bands.foot) return null;
    const line = y - j.bands.head + j.scroll;
    const place = j.places[rowAt(j.places, line)];
    const band = place && j.scene.bands.get(place.spec.id);
    return place && band && x >= j.metrics.left ? { j, place, band, line } : null;
  }

  /** @param {number} x @param {number} y @returns {boolean} whether there was something to say */
  function point(x, y) {
    const at = under(x, y);
    if (!at) return false;
    const { j, place, band, line } = at;
    const box = canvas.getBoundingClientRect();
    const spot = { left: box.left + x, right: box.left + x, top: box.top + y - 8, bottom: box.top + y + 12 };
    if (place.spec.kind === "axis" || place.spec.kind === "control") {
      const row = j.scene.score.rows[place.spec.index];
      const t = timeAt(x, j.view, j.metrics.left, stavesWidth(j));
      const k = place.folded ? -1 : keyNear(row.keys, t, (7 * (j.view.to - j.view.from)) / stavesWidth(j));
      const key = row.keys[k];
      const v = key ? curveAt(j.scene.curves, row.commanded, key.at) : 0;
      const keyY = place.y1 - ((v - band.low) * (place.y1 - place.y0)) / (band.high - band.low);
      if (key && Math.abs(keyY - line) <= 8) {
        note.showKey(key, row.name, figure(key.to, row.unit), spot);
        return true;
      }
    }
    if (line < place.y0 - 2 || line > Math.max(place.y1, place.v1) + 2) return false;
    const numbers = findingsAt(band.findings, x, j.view, j.metrics.left, stavesWidth(j), leastHatch);
    if (numbers.length === 0) return false;
    const list = numbers.map((n) => band.findings.find((f) => f.number === n)).filter((f) => f !== undefined);
    note.showFindings(list.slice(0, 4), j.scene, spot, null);
    return true;
  }

  /** @param {number} x @param {number} y */
  function onHover(x, y) {
    if (!point(x, y) && note.isOpen()) note.hideSoon();
  }

  /** @param {number} x @param {number} y */
  function onTap(x, y) {
    if (numberAt(x, y)) return;
    const at = under(x, y);
    if (!at) return;
    if (!point(x, y)) note.hide();
    else if (at.band.findings.length > 0) {
      const [first] = findingsAt(at.band.findings, x, at.j.view, at.j.metrics.left, stavesWidth(at.j), leastHatch);
      if (first !== undefined) store.set({ finding: first });
    }
    actions.selectRow(at.place.spec.id);
  }

  /** Fingers find the numbers through the paper. @param {number} x @param {number} y */
  const numberAt = (x, y) => job !== null && job.coarse && y > job.bands.head && found.tap(x, y);

  /** Scrolls so that a row shows. @param {string} id */
  function reveal(id) {
    const j = job;
    const p = j?.places.find((x) => x.spec.id === id);
    if (!j || !p) return;
    scroller.scrollTop = scrolledTo(j.scroll, j.height - j.bands.head - j.bands.foot, p.top, p.height);
  }

  /** @param {number} number */
  function showFinding(number) {
    const score = job?.scene.score;
    const f = score?.findings.find((x) => x.number === number);
    const row = score?.rows[f?.row ?? -1];
    const supply = score?.supplies[f?.supply ?? -1];
    if (row) reveal(`${row.kind}:${row.name}`);
    else if (supply) reveal(`supply:${supply.name}`);
  }

  heads.list.addEventListener("focusin", (event) => {
    const item = event.target instanceof HTMLElement ? event.target.closest("li") : null;
    if (item?.dataset.row) reveal(item.dataset.row);
  });

  return {
    draw,
    ground: { canvas, window: sheet, job: () => job, toX: (x) => x - canvas.getBoundingClientRect().left, toY: (y) => y - canvas.getBoundingClientRect().top, reveal, tap: onTap },
    destroy() {
      resized.disconnect();
      clearTimeout(resting);
      hands.destroy();
      removeEventListener("load", refresh);
      fine.removeEventListener("change", refresh);
      rowList.destroy();
      heads.destroy();
      found.destroy();
      element.replaceChildren();
    },
  };
}
