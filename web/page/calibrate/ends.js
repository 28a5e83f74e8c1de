// Looking for the ends of a servo's travel: from its centre outwards in small steps,
// watched by somebody who says where the part stands.

import { make, write } from "../dom.js";
import { confirmed, endText, isBeyond, pulseText, reach, stepOfKey, stepped, unwritten, valueText } from "./words.js";

/** @typedef {import("./calibrate.js").Bench} Bench */
/** @typedef {import("../rehearse/words.js").CalibrationState} CalibrationState */

const cautions = [
  "Take the horn off, or see that the part can go to the centre freely. Hands, hair and cables out of its way.",
  "A servo that hums against a stop draws its stall current and gets hot: go back at once, by 10 \u00b5s or more, and confirm the end where it is silent.",
  "The board has to be opened for this axis: it then takes every pulse for it. Stop, or the key Esc, is a stop by software; have the power's switch at hand.",
];
// While pulses leave, these are on the page beside what is pressed.
const whileStepping = "Hands, hair and cables out of its way. If it hums against a stop, go back at once, by 10 \u00b5s or more: it draws its stall current and gets hot. Stop, or Esc, is a stop by software; keep the power's switch at hand.";
const whileSweeping = "The sweep moves the part through all of its travel, twice: clear its way first.";

/**
 * @param {Bench} bench
 * @returns {import("./calibrate.js").Part}
 */
export function createEnds(bench) {
  /** @type {CalibrationState|null} */
  let c = null;
  let aim = 0; // us that were asked for last
  let pending = 0; // requests of pulses that are not answered
  let live = false; // pulses leave, and this page may change them
  let held = false; // the slider is in somebody's hand: its ends stay where they are

  /** @param {string} text @param {() => void} click @param {string} [label] */
  const button = (text, click, label) => make("button", { type: "button", text, click, "aria-label": label ?? null });

  const list = make("ul", { class: "cautions" }, ...cautions.map((text) => make("li", { text })));
  const able = make("p", { class: "able" });
  const begin = button("Connect to find its ends", () => {
    const axis = bench.axis();
    const place = bench.place();
    if (place && axis) void bench.ask("calibrate", { axis: axis.name, ...place });
  });
  const before = make("div", {}, make("h3", { class: "label", text: "Before" }), list, able, make("div", { class: "row" }, begin));

  const now = make("output", { class: "pulse", for: "calibrate-slider" });
  const been = make("p", { class: "been" });
  const slider = make("input", { type: "range", id: "calibrate-slider", step: "1", "aria-label": "Pulse in microseconds",
    keydown: onKey, pointerdown: () => (held = true), pointerup: () => (held = false), pointercancel: () => (held = false), input: () => go(Number(slider.value)), change: () => {
      held = false;
      draw();
    } });
  const steps = [-10, -5, -1, 1, 5, 10].map((by) => {
    const b = button(`${by < 0 ? "\u2212" : "+"}${Math.abs(by)}`, () => step(by), `${Math.abs(by)} microseconds ${by < 0 ? "less" : "more"}`);
    return b;
  });
  const centre = button("Centre", () => {
    if (c) aim = c.centre;
    void bench.ask("centre");
  });
  const lowIs = make("p");
  const highIs = make("p");
  const low = button("This is the low end", () => void bench.ask("confirm", { end: "low" }));
  const high = button("This is the high end", () => void bench.ask("confirm", { end: "high" }));
  const sweep = button("Sweep twice", () => void bench.ask("sweep", { times: 2 }));
  const reverse = button("Swap the ends", () => void bench.ask("reverse"));
  const save = button("Write to the rig", writeEnds);
  const done = button("Done", () => void bench.ask("done"));
  const unsaved = make("p", { class: "unsaved" });
  const work = make("div", { class: "work" },
    make("div", { class: "reading" }, now, been),
    make("p", { class: "caution", id: "calibrate-caution", text: whileStepping }),
    make("div", { class: "row" }, slider),
    make("div", { class: "row steps", role: "group", "aria-label": "Steps in microseconds" }, ...steps, centre),
    make("p", { class: "hint", text: "Never more than 10 \u00b5s beyond where the axis has been." }, make("span", { class: "keys", text: " On the slider: arrow keys 1, with Shift 5, Page up and down 10 \u00b5s." })),
    make("div", { class: "found" }, make("div", {}, low, lowIs), make("div", {}, high, highIs)),
    make("div", { class: "row" }, sweep, make("p", { class: "caution", id: "calibrate-sweep-caution", text: whileSweeping })),
    make("div", { class: "row" }, reverse, save, done), unsaved);
  slider.setAttribute("aria-describedby", "calibrate-caution");
  sweep.setAttribute("aria-describedby", "calibrate-sweep-caution");
  const element = make("div", {}, before, work);

  /** @param {number} us */
  async function go(us) {
    if (!c) return;
    aim = us;
    draw();
    pending++;
    const a = await bench.desk.ask("pulse", { us });
    pending--;
    if (!a.ok && !/a later pulse was asked for/.test(a.text ?? "")) bench.fail(a.text ?? "the pulse was refused");
    else if (a.ok) bench.fail("");
    if (pending === 0 && c) aim = c.us;
    draw();
  }

  /** @param {number} by @param {boolean} [again]  a key that is held down */
  function step(by, again = false) {
    if (!c) return;
    const to = stepped(c, aim, by);
    // A key that is held down does not creep on towards a stop.
    if (again && isBeyond(c, to)) return;
    if (to !== aim) void go(to);
  }

  /** @param {KeyboardEvent} event */
  function onKey(event) {
    const by = stepOfKey(event.key, event.shiftKey);
    if (by === null || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    step(by, event.repeat);
  }

  async function writeEnds() {
    const was = bench.axis();
    const rig = await bench.change("pulse", {});
    if (rig && was) done.focus();
    if (rig && was) bench.tell(`Written into ${rig.file}: the ends of ${was.name}. What is connected goes on as it was set up; the next connection takes the new pulses.`);
  }

  function draw() {
    if (!c) return;
    const { least, greatest } = reach(c);
    if (!held) {
      slider.min = String(Math.ceil(least));
      slider.max = String(Math.floor(greatest));
    }
    if (!held) slider.value = String(aim);
    write(now, pulseText(c.us));
    slider.setAttribute("aria-valuetext", `${pulseText(c.us)}${aim === c.us ? "" : `, going to ${pulseText(aim)}`}`);
    write(been, `Has been from ${pulseText(c.reached[0])} to ${pulseText(c.reached[1])}; took hold at ${pulseText(c.centre)}.`);
  }

  return {
    element,
    show(state) {
      const mine = bench.why() === "";
      const began = c === null && state.calibrate !== null;
      const ended = c !== null && state.calibrate === null;
      const armed = mine && (state.phase === "armed" || state.phase === "moving");
      const within = element.contains(document.activeElement) || document.activeElement === document.body;
      c = state.calibrate;
      before.hidden = c !== null;
      work.hidden = c === null;
      if (!c) {
        const axis = bench.axis();
        write(able, axis?.ends ? `Its ends cannot be looked for: ${axis.ends}.` : "");
        begin.disabled = !mine || !axis || axis.ends !== "" || !["apart", "connected", "stopped", "lost"].includes(state.phase);
        held = live = false;
        if (ended && within) begin.focus();
        return;
      }
      if (began || (pending === 0 && !held)) aim = c.us;
      draw();
      // A move takes a moment, and takes the focus off nothing: the server refuses what comes too soon.
      const both = c.ends[0] !== null && c.ends[1] !== null;
      slider.disabled = centre.disabled = low.disabled = high.disabled = !armed;
      for (const b of steps) b.disabled = !armed;
      sweep.disabled = !armed || !both;
      reverse.disabled = !mine || !both;
      save.disabled = !mine || !both || c.written;
      done.disabled = !mine;
      write(done, confirmed(c) ? "Done, without writing" : "Done");
      write(lowIs, `Low, ${valueText(c.travel[0], c.unit)}: ${endText(c, 0)}`);
      write(highIs, `High, ${valueText(c.travel[1], c.unit)}: ${endText(c, 1)}`);
      write(unsaved, unwritten(c) ? "Both ends are confirmed, and are in no file yet." : "");
      if (armed && !live) slider.focus({ preventScroll: true });
      live = armed;
    },
  };
}
