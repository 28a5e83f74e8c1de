// How fast a servo is: a lamp flashes as it is told to jump, a phone films both, and
// somebody counts the frames.

import { make, write } from "../dom.js";
import { countsOf, figureText, filmed, lateOf, numberIn, valueText } from "./words.js";

/** @typedef {import("./words.js").Estimate} Estimate */

const steps = [
  "Connect, answer the question, and set the phone up: slow motion, the lamp close beside the part, both in the picture, nothing moving but the part.",
  "Start the film, then press \u201cMove once\u201d: two seconds later the lamp flashes, and the part jumps.",
  "In the film, find the first frame with the light: that is frame 0. Count on to the first frame in which the part has moved, and to the first in which it rests.",
  "Write both numbers into the table. Three films or more tell how much your count scatters.",
];

/**
 * @param {import("./calibrate.js").Bench} bench
 * @returns {import("./calibrate.js").Part}
 */
export function createSlew(bench) {
  /** @type {Estimate|null} */
  let estimate = null;
  let axisWas = "";
  let late = 0; // s, of the last run that counts

  /** @param {string} text @param {() => void} click */
  const button = (text, click) => make("button", { type: "button", text, click });
  /** @param {string} label @param {string} value @param {string} [list] */
  const field = (label, value, list) => {
    const name = make("span", { text: label });
    const input = make("input", { type: "text", inputmode: "decimal", autocomplete: "off", spellcheck: "false", value, list: list ?? null, input: stale });
    return { name, input, label: make("label", {}, name, input) };
  };
  const from = field("From", "");
  const to = field("To", "");
  const lamp = make("select", {});
  const begin = button("Connect for the step", connectFor);
  const once = button("Move once", () => void bench.ask("play", { countIn: 2 }));
  const part = button("Disconnect", () => void bench.ask("part"));
  const runs = make("p", { class: "runs" });
  const able = make("p", { class: "able" });
  const caution = make("p", { class: "hint", text: "The servo jumps at its full speed, and nothing eases it: fasten what it carries, and keep hands out of its way." });

  const fps = field("Frames a second of the film", "240", "calibrate-fps");
  const rates = make("datalist", { id: "calibrate-fps" }, ...[24, 25, 29.97, 30, 50, 59.94, 60, 100, 119.88, 120, 239.76, 240, 480, 960].map((v) => make("option", { value: v })));
  const sureness = make("select", { change: stale }, make("option", { value: "1", text: "a count may be off by a frame" }), make("option", { value: "0.5", text: "the very frame is plain to see" }));
  const where = make("select", { change: stale }, make("option", { value: "beside", text: "beside the part" }), make("option", { value: "apart", text: "higher or lower in the picture" }));
  const body = make("tbody");
  const more = button("Another film", () => {
    addRow();
    /** @type {HTMLInputElement|null} */ (body.lastElementChild?.querySelector("input"))?.focus();
  });
  const work = button("Work it out", () => void reckon(false));
  const save = button("Write to the rig", () => void reckon(true));
  const result = make("div", { class: "result", role: "status" });
  const films = make("div", { class: "films" },
    make("div", { class: "row" }, fps.label, make("label", {}, make("span", { text: "Reading" }), sureness), make("label", {}, make("span", { text: "The lamp stands" }), where), rates),
    make("table", {}, make("caption", { text: "Frames, counted from the first with the light" }),
      make("thead", {}, make("tr", {}, make("th", { scope: "col", text: "Film" }), make("th", { scope: "col", text: "To the first movement" }), make("th", { scope: "col", text: "To rest" }))), body),
    make("div", { class: "row" }, more, work, save), result);
  const element = make("div", {}, make("ol", { class: "cautions" }, ...steps.map((text) => make("li", { text }))), caution, able,
    make("div", { class: "row" }, from.label, to.label, make("label", {}, make("span", { text: "Lamp" }), lamp), begin, once, part), runs, films);
  addRow();

  /** Counts are those of one axis: none may be written for another. */
  function clearRows() {
    const counted = [...body.querySelectorAll("input")].some((i) => i.value.trim() !== "");
    body.replaceChildren();
    addRow();
    if (counted) bench.tell(`The counts of ${axisWas} were cleared: they are of no other axis`);
  }

  function addRow() {
    const n = body.rows.length + 1;
    body.append(make("tr", {}, make("th", { scope: "row", text: String(n) }), ...["frames to the first movement", "frames to rest"].map((words) =>
      make("td", {}, make("input", { type: "text", inputmode: "numeric", autocomplete: "off", "aria-label": `Film ${n}: ${words}`, input: stale })))));
  }

  /** What was worked out is no longer what stands there. */
  function stale() {
    estimate = null;
    draw();
  }

  /** @param {ReturnType<typeof field>} f */
  function numberOf(f) {
    const v = numberIn(f.input.value);
    f.input.setAttribute("aria-invalid", String(v === null));
    if (v === null) {
      bench.fail(`${f.name.textContent} has to be a number, such as 30 or -12.5`);
      f.input.focus();
    }
    return v;
  }

  function connectFor() {
    const axis = bench.axis();
    const a = numberOf(from);
    const b = a === null ? null : numberOf(to);
    if (!axis || a === null || b === null) return;
    if (lamp.value === "") return bench.fail(`Board ${axis.board} has no lamp and no switch that could flash: the flash has to come from the board that moves ${axis.name}`);
    const place = bench.place();
    if (place) void bench.ask("slew", { axis: axis.name, from: a, to: b, flash: lamp.value, ...place });
  }

  /** @param {boolean} keep */
  async function reckon(keep) {
    const a = numberOf(from);
    const b = a === null ? null : numberOf(to);
    const rate = b === null ? null : numberOf(fps);
    if (a === null || b === null || rate === null) return;
    const inputs = [...body.rows].map((row) => [...row.querySelectorAll("input")]);
    inputs.flat().forEach((i) => i.removeAttribute("aria-invalid"));
    const found = countsOf(inputs.map(([x, y]) => [x.value, y.value]));
    if (found.fault) {
      bench.fail(found.fault);
      inputs[found.row][found.cell].setAttribute("aria-invalid", "true");
      inputs[found.row][found.cell].focus();
      return;
    }
    const rig = await bench.change("measured", { ...filmed({ from: a, to: b, fps: rate, counts: found.counts, plain: sureness.value === "0.5", beside: where.value === "beside", late }), write: keep });
    if (!rig?.estimate) return;
    estimate = rig.estimate;
    bench.tell(keep ? `Written into ${rig.file}: speed and delay of ${bench.axis()?.name}, which the check goes by from now on.` : "");
    draw();
  }

  function draw() {
    save.disabled = estimate === null || bench.why() !== "";
    if (!estimate) {
      result.replaceChildren();
      return;
    }
    const unit = estimate.unit === "deg" ? "\u00b0" : estimate.unit;
    const { speed, per60, delay, linked, moved, how } = estimate;
    /** @type {[string, string][]} */
    const list = [["Speed", figureText(speed, `${unit}/s`)], ...(per60 ? [/** @type {[string, string]} */ (["As in a data sheet", figureText(per60, "s/60\u00b0")])] : []), ["Delay from the pulse to the first movement", figureText(delay, "ms", 1000)]];
    result.replaceChildren(make("dl", {}, ...list.map(([label, text]) => make("div", {}, make("dt", { class: "label", text: label }), make("dd", { text })))),
      make("p", { class: "hint", text: `${how}.${linked ? ` The horn went by ${valueText(moved, estimate.unit)}: the speed is that of the horn, as in data sheets.` : ""}${late > 0 ? ` The pulse came ${(late * 1000).toFixed(1)} ms after the light, which is taken off.` : ""} True within this, in about 95 of 100 such measurements.` }));
    result.scrollIntoView({ block: "nearest" });
  }

  return {
    element,
    show(state) {
      const axis = bench.axis();
      const mine = bench.why() === "";
      const s = state.slew;
      if (axis && axis.name !== axisWas) {
        clearRows();
        axisWas = axis.name;
        estimate = null;
        late = 0;
        const [low, high] = axis.travel ?? [0, 0];
        from.input.value = String(Math.round(low + (high - low) / 4));
        to.input.value = String(Math.round(high - (high - low) / 4));
        const lamps = (bench.rig()?.axes ?? []).filter((a) => a.board === axis.board && (a.kind === "dimmer" || a.kind === "switch"));
        lamp.replaceChildren(...lamps.map((a) => make("option", { value: a.name, text: a.name })));
        draw();
      }
      if (s) {
        from.input.value = String(s.from);
        to.input.value = String(s.to);
        lamp.value = s.flash;
        if (lateOf(s) > 0) late = lateOf(s);
      }
      const unit = axis?.unit === "deg" ? "\u00b0" : axis?.unit ?? "";
      write(from.name, `From, ${unit}`);
      write(to.name, `To, ${unit}`);
      from.input.disabled = to.input.disabled = lamp.disabled = s !== null;
      begin.hidden = s !== null;
      once.hidden = part.hidden = s === null;
      begin.disabled = !mine || !axis || axis.slews !== "" || !["apart", "connected", "stopped", "lost"].includes(state.phase);
      once.disabled = !mine || state.phase !== "armed";
      part.disabled = !mine;
      write(able, axis?.slews ? `Its slew cannot be measured: ${axis.slews}.` : "");
      write(runs, s && s.runs.length > 0 ? runsText(s.runs) : "");
      save.disabled = estimate === null || !mine;
    },
  };
}

/** @param {import("../rehearse/words.js").SlewState["runs"]} runs */
function runsText(runs) {
  const last = runs[runs.length - 1];
  const words = last.doubtful ? "is doubtful: frames were late, missing or cut meanwhile, so do not count its film" : `went as it should: its pulse began ${(last.command_us / 1000).toFixed(1)} ms after the light`;
  return `Moved ${runs.length === 1 ? "once" : `${runs.length} times`}. The last one ${words}.`;
}
