// Performing: a row is moved by hand while the motion plays, recorded as takes, and what
// is good of it becomes keys. Only the picture follows the hand; no board does.

import { curveAt } from "../curves.js";
import { make, write } from "../dom.js";
import { clockTime } from "../time.js";
import { askForTilt, createFinder, createPadHand, createStrip, createTiltHand, padChoices, padsNow } from "./hands.js";
import { createKeeping } from "./keeping.js";
import { asRow, createPicture } from "./picture.js";
import { reachFor, valueOf } from "./reach.js";
import { choicesOf, firstTolerance, liveOf, onTopOf, plain, rangeOf, toldAt, tolerancesOf, withUnit } from "./rows.js";
import { createShelf, most } from "./shelf.js";
import { createStudio } from "./studio.js";
import { shifted, valueAt } from "./take.js";
import { fitText, spanText, takeText } from "./words.js";

/** @typedef {import("./rows.js").Choice} Choice */
/** @typedef {import("./studio.js").Take} Take */

const lookEvery = 8; // ms: a hand is looked at 125 times a second while that matters
const longestGap = 0.12; // s without a sample, that is no matter
const moveIt = "Move the stick or press the button you want to use";
const proposalShown = "What is shown is a proposal: accept or discard it first";

/**
 * @param {import("../rehearse/tools.js").ToolOptions} o
 * @returns {import("../rehearse/tools.js").Tool}
 */
export function createTool({ element, desk, store, actions, close }) {
  const get = store.get;
  let open = false;
  /** @type {Choice[]} */
  let choices = [];
  /** @type {Choice|null} */
  let choice = null;
  let over = /** @type {"replace"|"add"} */ ("replace");
  /** What the hand does, 0 to 1; null before it has done anything. @type {number|null} */
  let reach = null;
  let hand = "strip";
  /** @type {import("./hands.js").Hand|null} */
  let other = null; // than the strip
  /** Looks for what somebody moves. @type {ReturnType<typeof createFinder>|null} */
  let finder = null;
  let pads = padsNow();
  const shelf = createShelf();
  /** @type {Take|null} */
  let chosen = null;
  /** The take that plays in the picture. @type {Take|null} */
  let shown = null;
  let shownBegan = false;
  /** @type {ReturnType<typeof setInterval>|undefined} */
  let looking;
  let asked = false; // for a frame
  let listed = ""; // the choices that the lists show

  // --- what is said ---

  const note = make("p", { class: "perform-note", text: "Only the picture follows your hand. Boards play what is in the file, and a take is there once you have kept it." });
  const fault = make("p", { class: "perform-fault", role: "alert" });
  /** @param {string} text */
  function tell(text) {
    write(fault, text);
  }

  // --- the parts ---

  const keeping = createKeeping({ store, key: desk.key, changed: show, fault: tell });
  const studio = createStudio({ store, actions, ended });
  const placed = createPlace(element, () => studio.now() !== null);
  const strip = createStrip({ tell: (at, stamp, still) => hand === "strip" && moved(at, stamp, still), reach: () => reach ?? restReach(), wake });
  const value = make("output", { class: "perform-value" });

  /** @param {string} label @param {HTMLElement} input @param {string} [kind] */
  const field = (label, input, kind = "") => make("label", { class: `perform-field ${kind}` }, make("span", { text: label }), input);
  /** @param {string} text @param {() => void} click @param {string} [kind] */
  const button = (text, click, kind = "") => make("button", { type: "button", class: kind, text, click });
  /** @param {string} label @param {number} first @param {{min: number, max: number, step?: number}} limits @param {() => void} changed */
  const number = (label, first, { min, max, step }, changed) => make("input", { type: "number", value: first, min, max, step: step ?? "any", inputmode: "decimal", "aria-label": label, change: changed });

  const rowList = make("select", { change: () => chooseRow(rowList.value) });
  const handList = make("select", { change: () => void chooseHand(handList.value) });
  const overList = make("select", { change: () => chooseOver(overList.value === "add" ? "add" : "replace") },
    make("option", { value: "replace", text: "replaces what the row does" }), make("option", { value: "add", text: "is added to what the row does" }));
  const find = button("Find it by moving it", () => {
    finder = createFinder(padsNow());
    write(state, moveIt);
    wake();
  });
  const learn = button("It rests now", () => {
    other?.learn?.();
    wake();
  });
  const learned = make("span", { class: "perform-learned" });
  const onTop = make("p", { class: "perform-hint" });
  const low = number("Lowest value", 0, { min: -1e6, max: 1e6 }, ranged);
  const high = number("Highest value", 1, { min: -1e6, max: 1e6 }, ranged);
  const dead = number("Dead zone, per cent of the way", 8, { min: 0, max: 50 }, wake);
  const full = number("Degrees of tilt to either end", 30, { min: 5, max: 80 }, wake);
  const early = number("Milliseconds by which the hand is late", 0, { min: 0, max: 1000 }, () => keeping.drop());
  const turned = make("input", { type: "checkbox", change: fresh });
  const oneWay = make("input", { type: "checkbox", change: fresh });
  const fine = make("details", { class: "perform-fine" }, make("summary", { text: "Range and feel" }), make("div", { class: "perform-fields" },
    field("lowest", low), field("highest", high), field("reversed", turned, "check"),
    field("rests at its lowest", oneWay, "check middle"), field("dead zone, %", dead, "pad"), field("full at a tilt of, \u00b0", full, "tilt"),
    field("earlier by, ms", early)),
    make("p", { class: "perform-hint", text: "Earlier by: what hand, radio and screen take from the moment that you mean to the moment that the page hears of it. Measure it: clap along with a sharp sound in the motion, and read in the picture how much later you were." }));

  const record = button("Record", () => (studio.now() ? studio.end("you ended it") : begin()), "perform-record");
  const state = make("p", { class: "perform-state" });
  const moving = make("p", { class: "perform-hint" });
  const list = make("ol", { class: "perform-list", "aria-label": "Takes" });
  const picture = createPicture();
  const legend = make("p", { class: "perform-legend" });
  const tolerance = make("input", { type: "range", min: 0, max: 1, step: 1, value: 0, "aria-label": "Tolerance", input: () => tolerate(), change: () => refit() });
  const within = make("output", { class: "perform-within" });
  const fit = button("Fit", doFit);
  const result = make("p", { class: "perform-result", role: "status" });
  const keep = button("Keep", () => void doKeep(), "perform-keep");
  const drop = button("Discard the keys", () => {
    keeping.drop();
    actions.announce("Discarded: the file is as it was");
    fit.focus();
  });
  const undo = button("Undo keeping", () => void undoKeep());
  const fitting = make("div", { class: "perform-fit", role: "group", "aria-label": "From take to keys" },
    make("div", { class: "perform-line" }, field("within", tolerance, "wide"), within, fit, keep, drop, undo), result);
  const lost = make("span");
  const back = button("Put it back", putBack);
  const discarded = make("p", { class: "perform-line" }, lost, back);
  const empty = make("p", { class: "perform-empty", text: "No take yet. Choose a row, try it on the strip, then record: the motion plays, and your hand is kept until it ends or you press Stop." });

  element.append(
    make("div", { class: "perform-head" }, make("h2", { text: "Perform" }), note, button("Close", close)), fault,
    make("div", { class: "perform-body" },
      make("div", { class: "perform-hand" }, make("div", { class: "perform-grip" }, strip.element, value)),
      make("div", { class: "perform-go" }, record, state, moving),
      make("div", { class: "perform-setup" },
        make("div", { class: "perform-fields" }, field("Row", rowList), field("moved by", handList), field("The take", overList)),
        make("div", { class: "perform-line" }, find, learn, learned),
        onTop, fine),
      make("div", { class: "perform-takes" }, empty, list, discarded, picture.element, legend, fitting)));

  // --- rows and hands ---

  /** @returns {import("./reach.js").Reach} */
  function feel() {
    return { low: Number(low.value), high: Number(high.value), invert: turned.checked, oneWay: oneWay.checked, steps: choice?.steps === true && over === "replace" };
  }

  /** Where the strip stands before anybody has touched it: at what the row does now. */
  function restReach() {
    const { score, curves, time } = get();
    if (!choice || !score || !curves) return 0.5;
    return reachFor(over === "add" ? 0 : toldAt(choice, score, curves, time), feel());
  }

  /** @param {string} id */
  function chooseRow(id) {
    choice = choices.find((c) => c.id === id) ?? choices[0] ?? null;
    if (choice && rowList.value !== choice.id) rowList.value = choice.id;
    if (choice) actions.selectRow(choice.id);
    ranges();
  }

  /** @param {"replace"|"add"} how */
  function chooseOver(how) {
    over = how;
    overList.value = how;
    ranges();
  }

  function ranges() {
    if (choice) [low.value, high.value] = rangeOf(choice, over).map((x) => String(Number(x.toFixed(3))));
    fresh();
  }

  function ranged() {
    const bad = !(Number.isFinite(low.valueAsNumber) && Number.isFinite(high.valueAsNumber) && low.valueAsNumber < high.valueAsNumber);
    for (const input of [low, high]) input.setAttribute("aria-invalid", String(bad));
    if (bad) tell("The lowest value has to be less than the highest");
    else fresh();
  }

  /** What the hand meant before means nothing now. */
  function fresh() {
    tell("");
    reach = null;
    store.set({ live: null });
    strip.use(hand === "strip");
    wake();
    show();
  }

  /** @param {string} id @param {{rests: Map<number, number>, stray: number}|null} [known]  where it rests */
  async function chooseHand(id, known = null) {
    other?.end();
    other = null;
    hand = id;
    handList.value = id;
    write(learned, "");
    finder = null;
    if (id.startsWith("tilt:")) {
      const why = await askForTilt();
      if (hand !== id) return;
      if (why) {
        await chooseHand("strip");
        return tell(why);
      }
      other = createTiltHand(id, { tell: moved, how: () => ({ full: bounded(full, 5, 80, 30), oneWay: oneWay.checked }), fault: tell });
    } else if (id.startsWith("pad:")) {
      other = createPadHand(id, { known, tell: moved, how: () => ({ dead: bounded(dead, 0, 50, 8) / 100, oneWay: oneWay.checked }), lost: padLost,
        learnt: (rest, stray) => write(learned, `rests at ${plain(rest)}${stray > 0.01 ? `, and strays by ${plain(stray)}: a dead zone of ${Math.ceil(100 * stray) + 1} % or more keeps that out` : ""}`) });
    }
    fresh();
  }

  /** @param {HTMLInputElement} input @param {number} min @param {number} max @param {number} otherwise */
  function bounded(input, min, max, otherwise) {
    const x = input.valueAsNumber;
    return Number.isFinite(x) ? Math.min(max, Math.max(min, x)) : otherwise;
  }

  /** @param {boolean} gone */
  function padLost(gone) {
    const now = studio.now();
    if (gone) studio.end("the gamepad was lost");
    tell(!gone ? "" : now?.begun ? "The gamepad is gone: the take is kept until then" : "The gamepad is gone");
    fillHands();
  }

  /** What the hand does. @param {number} at @param {number} stamp @param {boolean} [still] */
  function moved(at, stamp, still) {
    if (!open) return;
    // A take that plays has the picture; a strip that is touched takes it back.
    if (shown && hand === "strip") endShown();
    reach = at;
    studio.heard(valueOf(at, feel()), stamp, still);
    frame();
  }

  // --- recording and playing ---

  function begin() {
    if (!choice) return;
    tell("");
    if (get().proposed) return tell(proposalShown);
    if (shelf.full(get().motion)) return tell(`${most} takes are here that are in no file: keep or discard one first`);
    endShown();
    other?.poll(performance.now());
    const why = (other ?? strip).fault();
    if (why) return tell(why);
    (other ?? strip).begin();
    if (!studio.begin({ choice, over, value: valueOf(reach ?? restReach(), feel()) })) return;
    if (reach === null) reach = restReach();
    keeping.drop();
    if (hand === "strip") strip.element.focus({ preventScroll: true });
    actions.announce(`Recording ${choice.name}`);
    wake();
    show();
  }

  /** @param {Take|null} take @param {string} why */
  function ended(take, why) {
    if (!take) tell(`Nothing was recorded: ${why}`);
    else {
      const given = shelf.add(take);
      choose(take);
      const ended = why === "you ended it" ? "" : `It ended because ${why}`;
      const busy = take.gap > longestGap ? `The page was busy: for ${plain(take.gap)} s it did not look at your hand, and the keys go straight on there` : "";
      const gone = given ? `Take ${given.number}, which is in the file, is no longer listed` : "";
      tell([why.startsWith("the playhead") || why.startsWith("a proposal") ? ended : "", busy, gone].filter((x) => x).join(". "));
      actions.announce([takeText(take), ended, gone].filter((x) => x).join(". "));
      watchLeaving();
    }
    if (document.activeElement === strip.element) record.focus({ preventScroll: true });
    placed.place();
    show();
  }

  /** A take that is in no file is lost with the page: whoever leaves it is asked. */
  function watchLeaving() {
    if (shelf.unkept() > 0) addEventListener("beforeunload", stay);
    else removeEventListener("beforeunload", stay);
  }

  /** @param {Event} event */
  function stay(event) {
    event.preventDefault();
  }

  /** @param {Take} take */
  function choose(take) {
    if (chosen !== take) keeping.drop();
    chosen = take;
    const options = tolerancesOf(take.choice.high - take.choice.low);
    tolerance.max = String(options.length - 1);
    tolerance.value = String(firstTolerance(options, take.choice.high - take.choice.low));
    tolerate();
  }

  /** @param {Take} take */
  function playTake(take) {
    tell("");
    if (get().proposed) return tell(proposalShown);
    if (shown) {
      const same = shown === take;
      endShown();
      actions.stop();
      if (same) return;
    }
    actions.stop();
    choose(take);
    shown = take;
    shownBegan = false;
    actions.seek(take.from);
    actions.play();
    wake();
    show();
  }

  function endShown() {
    if (!shown) return;
    shown = null;
    store.set({ live: null });
    show();
  }

  // --- keys ---

  function within_() {
    const take = chosen;
    return take ? tolerancesOf(take.choice.high - take.choice.low)[Number(tolerance.value)] ?? 0 : 0;
  }

  function tolerate() {
    const words = chosen ? withUnit(within_(), chosen.choice.unit === "on" ? "" : chosen.choice.unit) : "";
    write(within, words);
    tolerance.setAttribute("aria-valuetext", words);
    show();
  }

  function refit() {
    if (keeping.now() && keeping.now()?.take === chosen && keeping.now()?.state !== "kept") doFit();
  }

  /** A take without the hand's delay. @param {Take} take */
  function samplesOf(take) {
    return shifted(take.samples, (bounded(early, 0, 1000, 0) / 1000) * take.rate);
  }

  function doFit() {
    tell("");
    if (get().proposed) return tell(proposalShown);
    if (chosen?.motion === get().motion) void keeping.propose(chosen, samplesOf(chosen), within_());
  }

  async function undoKeep() {
    const take = await keeping.undo();
    if (!take) return;
    shelf.keep(take, false);
    watchLeaving();
    actions.announce("Undone");
  }

  async function doKeep() {
    if (get().proposed) return tell(proposalShown);
    const take = await keeping.keep();
    if (!take) return;
    shelf.keep(take, true);
    watchLeaving();
    actions.announce("Kept: it is in the file");
    endShown();
    if (document.activeElement === document.body || document.activeElement === keep) record.focus({ preventScroll: true });
  }

  // --- what is seen ---

  /** Asks to be looked at often, as long as something moves. */
  function wake() {
    if (open && looking === undefined) looking = setInterval(look, lookEvery);
  }

  function look() {
    const now = performance.now();
    let more = (other ?? strip).poll(now);
    if (finder) more = lookForMoved(finder) || more;
    studio.look(now);
    if (shown) lookShown();
    if (!more && !studio.now() && !shown) {
      clearInterval(looking);
      looking = undefined;
    }
    frame();
  }

  /** @param {ReturnType<typeof createFinder>} by */
  function lookForMoved(by) {
    const found = by.look(padsNow());
    if (found) void chooseHand(found.id, found);
    return true;
  }

  function lookShown() {
    const take = shown;
    if (!take) return;
    const { playing, time } = get();
    shownBegan ||= playing;
    if (shownBegan && (!playing || time >= take.to)) {
      endShown();
      if (playing) actions.stop();
    }
  }

  function frame() {
    if (asked || !open) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      if (open) drawNow();
    });
  }

  function drawNow() {
    const { score, curves, time } = get();
    const f = feel();
    const now = shown && score ? { choice: choiceOf(shown, score), over: shown.over, value: valueAt(takeSamples(shown), time) }
      : { choice, over, value: valueOf(reach ?? restReach(), f) };
    if (now.choice && score && curves && (shown || reach !== null)) goLive(liveOf(now.choice, now.value, now.over, score, curves, time));
    const [least, most] = shown ? rangeOf(shown.choice, shown.over) : [f.low, f.high];
    const at = shown ? reachFor(now.value, { ...f, low: least, high: most, invert: false }) : reach ?? restReach();
    const words = now.choice ? handText(now.value, now.choice, now.over) : "";
    strip.show(now.choice ? at : null, words);
    write(value, words);
    sayState();
    drawPicture();
  }

  /** @param {import("../types.js").Live} live */
  function goLive(live) {
    const was = get().live;
    if (was?.length === live.length && was.every(([row, v], k) => row === live[k][0] && v === live[k][1])) return;
    store.set({ live });
  }

  /** @param {number} v @param {Choice} c @param {"replace"|"add"} how */
  function handText(v, c, how) {
    const text = withUnit(v, c.unit === "on" && how === "add" ? "" : c.unit, (x) => plain(Number(x.toFixed(1))));
    return how === "add" && v >= 0 ? `+${text}` : text;
  }

  /** @param {Take} take @param {import("../types.js").Score} score */
  const choiceOf = (take, score) => (score.name === take.motion ? choicesOf(score).find((c) => c.id === take.choice.id) : undefined) ?? null;

  /** Samples for the picture, worked out once. @type {{take: Take, early: string, samples: import("./take.js").Sample[]}|null} */
  let worked = null;
  /** @param {Take} take */
  function takeSamples(take) {
    if (worked?.take !== take || worked.early !== early.value) worked = { take, early: early.value, samples: samplesOf(take) };
    return worked.samples;
  }

  function sayState() {
    const now = studio.now();
    const { counting, time, score } = get();
    const planned = studio.span();
    let text = "";
    if (now && counting > 0) text = `Counting in: ${counting}`;
    else if (now?.begun) text = `Recording ${now.choice.name}: ${clockTime(Math.max(0, time - now.from))} of ${clockTime(now.to - now.from)}`;
    else if (now) text = desk.conducts() ? "Waiting for the boards" : "Waiting for the motion";
    else if (finder) text = moveIt;
    else if (planned && score) text = spanText(planned);
    write(state, text);
  }

  /** Samples as values of the row, worked out once. @type {{of: unknown, curves: unknown, samples: import("./take.js").Sample[]}|null} */
  let drawn = null;

  function drawPicture() {
    const { score, curves, time, themeCount } = get();
    const now = studio.now();
    const take = now ? null : chosen;
    if (!score || !curves || (!now && !take)) return picture.draw(null, "No take", themeCount);
    const c = now?.choice ?? (take && choiceOf(take, score));
    if (!c) return picture.draw(null, "The take is of another motion", themeCount);
    const how = now?.over ?? /** @type {Take} */ (take).over;
    const samples = now ? now.samples : takeSamples(/** @type {Take} */ (take));
    if (now || drawn?.of !== samples || drawn.curves !== curves) drawn = { of: now ? null : samples, curves, samples: asRow(samples, how, c, score, curves) };
    const from = now?.from ?? /** @type {Take} */ (take).from, to = now?.to ?? /** @type {Take} */ (take).to;
    const pad = Math.min(1, 0.08 * (to - from));
    const span = { from: Math.max(0, from - pad), to: Math.min(score.length, to + pad) };
    const fitted = keeping.now();
    const ours = fitted && fitted.take === take && fitted.score && fitted.curves && fitted.state !== "gone" ? fitted : null;
    const row = ours?.score?.rows.find((r) => `${r.kind}:${r.name}` === c.id);
    const was = now ? null : was_(ours);
    picture.draw({
      ...span, low: c.low, high: c.high,
      is: (t) => (was ? toldAt(was.choice, was.score, was.curves, t) : toldAt(c, score, curves, t)),
      samples: drawn.samples,
      fit: row && ours?.curves ? (t) => curveAt(/** @type {import("../types.js").Curves} */ (ours.curves), row.commanded, t) : null,
      keys: row ? row.keys.filter((k) => k.at >= span.from && k.at <= span.to) : [],
      time,
    }, ours ? `${takeText(/** @type {Take} */ (ours.take))}. ${fitText(ours)}` : take ? takeText(take) : "Recording", themeCount);
  }

  /** The row as it was before the take, once that is kept. @type {{of: unknown, choice: Choice, score: import("../types.js").Score, curves: import("../types.js").Curves}|null} */
  let before = null;
  /** @param {import("./keeping.js").Fitted|null} f */
  function was_(f) {
    const { score, curves } = get();
    if (!f || !score || !curves) return null;
    if (f.state === "ready") before = { of: f, choice: f.take.choice, score, curves };
    return f.state === "kept" || f.state === "keeping" ? (before?.of === f ? before : null) : null;
  }

  function show() {
    if (!open) return;
    const now = studio.now();
    const f = keeping.now();
    const mine = f && f.take === chosen ? f : null;
    const boards = desk.conducts();
    const { score } = get();
    write(record, now ? "End the take" : boards ? "Record, boards play" : "Record");
    write(moving, boards ? "While you record, the boards move: they play what is in the file, not your hand." : "");
    write(onTop, choice && score ? onTopOf(choice, score) : "");
    record.setAttribute("aria-pressed", String(now !== null));
    record.disabled = !now && (!choice || !get().score);
    for (const e of [rowList, handList, overList, find, learn, low, high, turned, oneWay]) e.disabled = now !== null;
    find.hidden = pads.length === 0;
    learn.hidden = !other?.learn;
    write(learn, hand.startsWith("tilt:") ? "This is level" : "It rests now");
    element.dataset.hand = hand.split(":")[0];
    strip.element.setAttribute("aria-label", choice ? `${choice.name}, ${hand === "strip" ? "arrow keys up and down move it" : "moved by another hand"}` : "Strip");
    const none = shelf.of(get().motion).length === 0;
    empty.hidden = !none || now !== null;
    picture.element.hidden = none && now === null;
    const gone = shelf.discarded(get().motion);
    discarded.hidden = !gone || now !== null;
    write(lost, gone ? `Take ${gone.number} was discarded.` : "");
    write(legend, picture.element.hidden ? "" : `Dashed: as it is. Thin: your hand.${mine?.score ? " Thick, with its keys: as it would be." : ""}`);
    fitting.hidden = chosen === null || now !== null;
    const busy = mine !== null && ["sending", "working", "keeping"].includes(mine.state);
    fit.disabled = busy;
    write(fit, busy ? "Working" : "Fit");
    tolerance.disabled = mine?.state === "keeping";
    keep.disabled = mine?.state !== "ready";
    drop.disabled = !mine || mine.state === "kept" || mine.state === "keeping";
    undo.hidden = !keeping.undoable();
    write(result, mine ? fitText(mine) : "");
    showList();
    frame();
  }

  let listedTakes = "";
  function showList() {
    const boards = desk.conducts();
    const others = shelf.of(get().motion);
    const words = JSON.stringify([others.map((t) => t.number), chosen?.number, shown?.number, boards]);
    if (words === listedTakes) return;
    listedTakes = words;
    const focused = /** @type {HTMLElement|null} */ (list.contains(document.activeElement) ? document.activeElement : null)?.dataset.act;
    list.replaceChildren(...others.map((t) => make("li", {},
      make("button", { type: "button", class: "perform-take", "aria-pressed": String(t === chosen), "data-act": `choose ${t.number}`, text: takeText(t), click: () => {
        choose(t);
        show();
      } }),
      make("button", { type: "button", "data-act": `play ${t.number}`, "aria-label": `${t === shown ? "Stop" : boards ? "Play, boards too" : "Play"}, take ${t.number}`, text: t === shown ? "Stop" : boards ? "Play, boards too" : "Play", click: () => playTake(t) }),
      make("button", { type: "button", "data-act": `discard ${t.number}`, "aria-label": `Discard, take ${t.number}`, text: "Discard", click: () => discard(t) }))));
    if (focused) (/** @type {HTMLElement|null} */ (list.querySelector(`[data-act="${focused}"]`)) ?? record).focus({ preventScroll: true });
  }

  /** @param {Take} take */
  function discard(take) {
    if (shown === take) endShown();
    if (keeping.now()?.take === take) keeping.drop();
    shelf.discard(take);
    watchLeaving();
    if (chosen === take) chosen = null;
    chooseHere();
    actions.announce(`Take ${take.number} discarded. It can be put back until another one is`);
    show();
    if (document.activeElement === document.body || document.activeElement === record) back.focus({ preventScroll: true });
  }

  function putBack() {
    const take = shelf.back();
    if (!take) return;
    watchLeaving();
    choose(take);
    actions.announce(`Take ${take.number} is back`);
    show();
    record.focus({ preventScroll: true });
  }

  /** What is chosen is a take of the motion that is shown. */
  function chooseHere() {
    const { motion } = get();
    if (chosen && chosen.motion !== motion) {
      keeping.drop();
      chosen = null;
    }
    const last = shelf.of(motion).at(-1);
    if (!chosen && last) choose(last);
  }

  // --- lists ---

  function fillRows() {
    const { score, row } = get();
    choices = score ? choicesOf(score) : [];
    const words = JSON.stringify([score?.name, choices]);
    if (words === listed) return;
    listed = words;
    const was = choice?.id ?? row;
    /** @param {"axis"|"control"} kind @param {string} label */
    const group = (kind, label) => make("optgroup", { label }, ...choices.filter((c) => c.kind === kind).map((c) => make("option", { value: c.id, text: c.row < 0 ? `${c.name} (not used yet)` : c.name })));
    rowList.replaceChildren(...[group("control", "Controls"), group("axis", "Axes")].filter((g) => g.childElementCount > 0));
    const same = choices.find((c) => c.id === was) ?? null;
    const kept = choice !== null && same !== null && same.low === choice.low && same.high === choice.high;
    if (kept) {
      choice = same;
      rowList.value = /** @type {Choice} */ (same).id;
      return;
    }
    choice = same ?? choices[0] ?? null;
    if (choice) rowList.value = choice.id;
    ranges();
  }

  function fillHands() {
    pads = padsNow();
    const parts = padChoices(pads);
    /** @type {Map<string, HTMLOptGroupElement>} */
    const groups = new Map();
    for (const p of parts) {
      const g = groups.get(p.pad) ?? make("optgroup", { label: p.pad });
      groups.set(p.pad, g);
      g.append(make("option", { value: p.id, text: p.name }));
    }
    const none = make("option", { value: "", disabled: true, text: "Gamepad: press one of its buttons" });
    handList.replaceChildren(make("option", { value: "strip", text: "the strip: mouse, finger, keys \u2191 \u2193" }),
      make("option", { value: "tilt:pitch", text: "tilt of this device, forwards and back" }), make("option", { value: "tilt:roll", text: "tilt of this device, left and right" }),
      ...(parts.length > 0 ? [...groups.values()] : [none]));
    // A gamepad that is lost may come back: its choice stays.
    if (![...handList.options].some((x) => x.value === hand)) handList.append(make("option", { value: hand, text: "the gamepad that is gone" }));
    handList.value = hand;
    show();
  }

  addEventListener("gamepadconnected", () => open && fillHands());
  addEventListener("gamepaddisconnected", () => open && fillHands());
  new ResizeObserver(() => frame()).observe(picture.element);
  let conducted = false;
  desk.hear(() => {
    if (desk.conducts() !== conducted) show();
    conducted = desk.conducts();
  });

  store.subscribe((s, b) => {
    if (s.proposal !== b.proposal && s.proposal) keeping.heard(s.proposal);
    if (!open) return;
    if (s.proposed !== b.proposed || s.motion !== b.motion) {
      studio.look(performance.now());
      endShown();
    }
    if (s.motion !== b.motion) {
      chooseHere();
      show();
    }
    if (s.score !== b.score) {
      fillRows();
      show();
    }
    if (s.row !== b.row && s.row && !studio.now() && choices.some((c) => c.id === s.row) && s.row !== choice?.id) chooseRow(s.row);
    if (s.playing !== b.playing || s.time !== b.time || s.curves !== b.curves || s.loop !== b.loop || s.looping !== b.looping || s.themeCount !== b.themeCount || s.counting !== b.counting) frame();
    if (s.playing !== b.playing) wake();
  });

  return {
    opened() {
      open = true;
      placed.place();
      chooseHere();
      fillRows();
      fillHands();
      if (hand.startsWith("pad:")) void chooseHand(hand);
      show();
      wake();
    },
    closed() {
      finder = null;
      studio.end("the part was closed");
      endShown();
      keeping.drop();
      open = false;
      clearInterval(looking);
      looking = undefined;
      other?.end();
      if (hand.startsWith("tilt:")) void chooseHand("strip");
      reach = null;
      store.set({ live: null });
    },
  };
}

/**
 * On a phone the strip has to be where the thumb is: below all else.
 * @param {HTMLElement} element
 * @param {() => boolean} busy  it stays where it is: moved, it would lose the finger that is on it
 */
function createPlace(element, busy) {
  const desk = document.getElementById("desk");
  const narrow = matchMedia("(max-width: 700px)");
  const home = element.previousElementSibling;
  function place() {
    const after = narrow.matches ? desk : home;
    if (!busy() && element.previousElementSibling !== after) after?.after(element);
  }
  narrow.addEventListener("change", place);
  return { place };
}
