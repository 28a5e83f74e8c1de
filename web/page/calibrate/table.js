// The table of pulses as it stands in the rig's file: a point by its figures, the
// direction, the trim.

import { make, write } from "../dom.js";
import { numberIn, tableText, valueText } from "./words.js";

/**
 * @param {import("./calibrate.js").Bench} bench
 * @returns {import("./calibrate.js").Part}
 */
export function createTable(bench) {
  /** @param {string} text @param {() => void} click */
  const button = (text, click) => make("button", { type: "button", text, click });
  /** @param {string} label */
  const field = (label) => {
    const name = make("span", { text: label });
    const input = make("input", { type: "text", inputmode: "decimal", autocomplete: "off", spellcheck: "false" });
    return { name, input, label: make("label", {}, name, input) };
  };
  const points = make("p", { class: "points" });
  const value = field("At");
  const us = field("\u00b5s");
  const trim = field("Trim in \u00b5s");
  const set = button("Set the point", setPoint);
  const setTrim = button("Set the trim", trimmed);
  const reverse = button("Reverse the axis", async () => {
    const axis = bench.axis();
    const rig = await bench.change("reverse", {});
    if (rig && axis) bench.tell(`Written into ${rig.file}: ${axis.name} runs the other way round, between the same pulses.`);
  });
  const undo = button("Undo", async () => {
    const rig = await bench.change("undo", {});
    if (rig) bench.tell(`${rig.file} is as it was before.`);
  });
  const note = make("p", { class: "hint", text: "What is set here is in the rig's file at once, and boards hold it when they are connected anew. After a reversal or a trim begin with the horn off, or at a small speed: the part stands elsewhere than before." });
  const element = make("div", {}, points, make("div", { class: "row" }, value.label, us.label, set), make("div", { class: "row" }, trim.label, setTrim, reverse, undo), note);

  /** A field's number; null: there is none, which is told. @param {ReturnType<typeof field>} f */
  function numberOf(f) {
    const v = numberIn(f.input.value);
    f.input.setAttribute("aria-invalid", String(v === null));
    if (v === null) {
      bench.fail(`${f.name.textContent} has to be a number, such as 1500 or -12.5`);
      f.input.focus();
    }
    return v;
  }

  async function setPoint() {
    const axis = bench.axis();
    const at = numberOf(value);
    const pulse = at === null ? null : numberOf(us);
    if (!axis || at === null || pulse === null) return;
    const rig = await bench.change("pulse", { value: at, us: pulse });
    if (rig) bench.tell(`Written into ${rig.file}: ${pulse} \u00b5s at ${valueText(at, axis.unit)} of ${axis.name}.`);
  }

  async function trimmed() {
    const axis = bench.axis();
    const v = numberOf(trim);
    if (!axis || v === null) return;
    const rig = await bench.change("trim", { us: v });
    if (rig) bench.tell(`Written into ${rig.file}: a trim of ${v} \u00b5s for ${axis.name}.`);
  }

  return {
    element,
    show() {
      const axis = bench.axis();
      const mine = bench.why() === "";
      write(points, axis ? `${axis.name}: ${tableText(axis)}` : "");
      write(value.name, `At, in ${axis?.unit ?? "deg"}${axis?.horn ? " of the horn" : ""}`);
      const none = !mine || !axis || axis.pulse.length < 2;
      set.disabled = reverse.disabled = none;
      setTrim.disabled = none;
      undo.disabled = !mine || (bench.rig()?.undo ?? 0) === 0;
    },
  };
}
