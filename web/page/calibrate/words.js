// What calibrating says and may ask for, worked out of the server's state. No DOM.

/** @typedef {import("../rehearse/words.js").Rehearsal} Rehearsal */
/** @typedef {import("../rehearse/words.js").CalibrationState} CalibrationState */
/** @typedef {import("../rehearse/words.js").SlewState} SlewState */

/**
 * An axis in the rig's file. Pulses are in us, with the trim.
 * @typedef {object} RigAxis
 * @property {string} name
 * @property {string} kind
 * @property {string} unit
 * @property {string} board
 * @property {[number, number]|null} travel
 * @property {[number, number]|null} horn   where the horn is at the ends of the travel, where a linkage lies between
 * @property {[number, number][]} pulse     value of the horn, us; ascending
 * @property {number} trim
 * @property {boolean} weight               it carries weight
 * @property {number|null} speed            measured, unit/s
 * @property {number|null} delay            measured, s
 * @property {number|null} limit            unit/s, by which the check goes
 * @property {string} ends                  why its ends cannot be looked for; "": they can
 * @property {string} slews                 why its slew cannot be measured; "": it can
 */

/**
 * @typedef {object} Rig
 * @property {string} file
 * @property {string} text  its revision, the base of the next change
 * @property {number} undo
 * @property {RigAxis[]} axes
 * @property {string} beside
 * @property {Estimate} [estimate]
 */

/**
 * A figure with its standard and its expanded uncertainty, and the factor between them.
 * @typedef {{value: number, standard: number, expanded: number, factor: number}} Uncertain
 */

/**
 * What films tell: speed in unit/s and delay in s.
 * @typedef {object} Estimate
 * @property {Uncertain} speed
 * @property {Uncertain|null} per60
 * @property {Uncertain} delay
 * @property {string} unit
 * @property {number} moved
 * @property {boolean} linked
 * @property {string} how
 */

/**
 * The pulses that may be asked for now: where the axis has been, and one step beyond.
 * @param {CalibrationState} c
 * @returns {{least: number, greatest: number}}
 */
export function reach(c) {
  return { least: Math.max(c.least, c.reached[0] - c.step), greatest: Math.min(c.greatest, c.reached[1] + c.step) };
}

/**
 * The pulse that is asked for by a step from another one.
 * @param {CalibrationState} c
 * @param {number} from  us
 * @param {number} by    us
 */
export function stepped(c, from, by) {
  const { least, greatest } = reach(c);
  return Math.min(greatest, Math.max(least, tenth(from + by)));
}

/** Whether a pulse is further out than the axis has been. @param {CalibrationState} c @param {number} us */
export const isBeyond = (c, us) => us < c.reached[0] || us > c.reached[1];

/**
 * The step for a key, in us: as the slider's keys go everywhere, 1, with Shift 5, by
 * pages 10. null: it is no step.
 * @param {string} key
 * @param {boolean} shift
 * @returns {number|null}
 */
export function stepOfKey(key, shift) {
  const small = shift ? 5 : 1;
  switch (key) {
    case "ArrowRight": case "ArrowUp": return small;
    case "ArrowLeft": case "ArrowDown": return -small;
    case "PageUp": return 10;
    case "PageDown": return -10;
    default: return null;
  }
}

/** @param {number} v */
export const tenth = (v) => Math.round(v * 10) / 10;

/** @param {number} us */
export const pulseText = (us) => `${tenth(us)} \u00b5s`;

/** @param {number} value @param {string} unit */
export const valueText = (value, unit) => `${Math.round(value * 100) / 100}${unit === "deg" ? "\u00b0" : ` ${unit}`}`;

/**
 * An end of the travel, and whether it is known.
 * @param {CalibrationState} c
 * @param {0|1} end
 */
export function endText(c, end) {
  const us = c.ends[end];
  return us === null ? "not confirmed yet" : `confirmed at ${pulseText(us)}`;
}

/** Whether an end was confirmed that is in no file, so that it is lost with the calibration. @param {CalibrationState|null} c */
export const confirmed = (c) => c !== null && !c.written && c.ends.some((us) => us !== null);

/** Whether both ends were confirmed that are in no file: they can be written. @param {CalibrationState|null} c */
export const unwritten = (c) => c !== null && !c.written && c.ends[0] !== null && c.ends[1] !== null;

/**
 * The table of an axis in words.
 * @param {RigAxis} a
 */
export function tableText(a) {
  if (a.pulse.length === 0) return "It has no table of pulses.";
  const points = a.pulse.map(([value, us]) => `${pulseText(us)} at ${valueText(value, a.unit)}`).join(", ");
  const horn = a.horn ? " of the horn" : "";
  return `${points}${horn}${a.trim === 0 ? "" : `; a trim of ${pulseText(a.trim)} is in these`}.`;
}

/**
 * A figure with its uncertainty: both to the second digit of that (GUM 7.2.6), the
 * uncertainty rounded up.
 * @param {Uncertain} u
 * @param {string} unit
 * @param {number} [per]  of the unit to that of the figure
 */
export function figureText(u, unit, per = 1) {
  const expanded = u.expanded * per;
  if (!(expanded > 0)) return `${u.value * per} ${unit}`;
  const exponent = Math.floor(Math.log10(expanded)) - 1;
  const digits = Math.max(0, -exponent);
  const place = 10 ** exponent;
  const up = Math.ceil(expanded / place - 1e-9) * place;
  const value = Math.round((u.value * per) / place) * place;
  return `${value.toFixed(digits)} \u00b1 ${up.toFixed(digits)} ${unit} (k = ${Math.round(u.factor * 100) / 100})`;
}

/**
 * How much later than the lamp the pulse came, in s: of the newest run that is not
 * doubtful, or 0 where there is none.
 * @param {SlewState|null} s
 */
export function lateOf(s) {
  const good = s?.runs.filter((r) => !r.doubtful) ?? [];
  return good.length > 0 ? good[good.length - 1].command_us / 1e6 : 0;
}

/**
 * The counts of a table of films, or what is wrong with it. Rows with nothing in them
 * do not count.
 * @param {[string, string][]} rows
 * @returns {{counts: [number, number][], fault: string, row: number, cell: 0|1}}
 */
export function countsOf(rows) {
  /** @type {[number, number][]} */
  const counts = [];
  for (const [row, texts] of rows.entries()) {
    if (texts.every((t) => t.trim() === "")) continue;
    for (const cell of /** @type {const} */ ([0, 1])) {
      if (!/^\d{1,7}$/.test(texts[cell].trim())) {
        return { counts: [], row, cell, fault: `Film ${row + 1}: ${cell === 0 ? "frames to the first movement" : "frames to rest"} have to be a whole number, counted from the first frame with the light` };
      }
    }
    counts.push([Number(texts[0]), Number(texts[1])]);
  }
  const fault = counts.length === 0 ? "No film is counted yet: count the frames of one, and write them into the table" : "";
  return { counts, fault, row: 0, cell: 0 };
}

/**
 * A number as people type it, or null. A comma is no decimal point here, as in the files.
 * @param {string} text
 */
export function numberIn(text) {
  const t = text.trim().replace(/\u2212/g, "-");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(t) ? Number(t) : null;
}

/**
 * What films are worked out by, as the server takes it.
 * @param {object} f
 * @param {number} f.from
 * @param {number} f.to
 * @param {number} f.fps
 * @param {[number, number][]} f.counts
 * @param {boolean} f.plain   the very frame is plain to see
 * @param {boolean} f.beside  the lamp stands beside the part in the picture
 * @param {number} f.late     s
 */
export function filmed({ from, to, fps, counts, plain, beside, late }) {
  return { from, to, fps, films: counts, reading: plain ? 0.5 : 1, rolling: beside ? 0 : 1 / fps, late };
}

/**
 * What stands between a page and calibrating, or "".
 * @param {Rehearsal} r
 * @param {string} page
 * @param {boolean} connected
 */
export function hindrance(r, page, connected) {
  if (!connected) return "The server is not reached.";
  if (page !== "" && r.driver === page) return "";
  return r.driver === "" ? "Nobody drives: press Drive first." : "Another page drives, and may calibrate; this one watches, and can stop.";
}
