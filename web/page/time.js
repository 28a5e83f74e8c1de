// Time as it is written: film frames and timecode, beats, seconds, and the ticks
// of the rulers. Nothing here touches the document.

/** @typedef {import("./types.js").Fps} Fps */
/** @typedef {import("./types.js").Tempo} Tempo */
/** @typedef {import("./types.js").Span} Span */

// A time that was made from a frame or a beat number comes back a last bit
// short; this much of a frame or beat is taken for that.
const slack = 1e-6;

/**
 * The film frame that shows at a time.
 * @param {number} time  s
 * @param {Fps} fps
 * @returns {number}
 */
export function frameOf(time, fps) {
  return Math.floor(time * fps.rate + slack);
}

/**
 * The film frame whose start is nearest to a time.
 * @param {number} time  s
 * @param {Fps} fps
 * @returns {number}
 */
export function nearestFrame(time, fps) {
  return Math.round(time * fps.rate);
}

/**
 * When a film frame starts, in seconds.
 * @param {number} frame
 * @param {Fps} fps
 * @returns {number}
 */
export function timeOfFrame(frame, fps) {
  return frame / fps.rate;
}

/** @param {number} n */
const two = (n) => String(n).padStart(2, "0");

/**
 * A frame's timecode (SMPTE ST 12-1), with a semicolon where numbers are
 * dropped: two at the start of each minute but the tenth at 29.97 frames a
 * second, four at 59.94. It begins again after 24 hours, as timecode does. At a
 * rate that timecode does not count, the frame number: 123f.
 * @param {number} frame
 * @param {Fps} fps
 * @returns {string}
 */
export function timecode(frame, fps) {
  const n = fps.count;
  if (!(n > 0)) return `${frame}f`;
  if (frame < 0) return `-${timecode(-frame, fps)}`;
  const label = fps.drop ? withDropped(frame, n) : frame;
  const seconds = Math.floor(label / n);
  const hours = Math.floor(seconds / 3600) % 24;
  return `${two(hours)}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}${fps.drop ? ";" : ":"}${two(label % n)}`;
}

/**
 * The number that drop-frame counting gives to a frame: more than the frame by
 * what was left out before it.
 * @param {number} frame
 * @param {number} n  30 or 60
 */
function withDropped(frame, n) {
  const drop = n / 15;
  const minute = 60 * n - drop;
  const ten = 10 * minute + drop;
  const tens = Math.floor(frame / ten);
  const rest = frame % ten;
  const minutes = rest < 60 * n ? 0 : 1 + Math.floor((rest - 60 * n) / minute);
  return frame + drop * (9 * tens + minutes);
}

/**
 * The span of tempo that holds at a time; the first reaches back without end.
 * @param {number} time  s
 * @param {Tempo[]} tempo
 * @returns {number} index
 */
function spanAt(time, tempo) {
  let k = 0;
  while (k + 1 < tempo.length && tempo[k + 1].at <= time) k++;
  return k;
}

/**
 * Beats a second at a time. Between two entries the beats are linear, whatever
 * tempo they name: a pace may stretch them.
 * @param {number} time  s
 * @param {Tempo[]} tempo
 * @returns {number}
 */
export function beatRate(time, tempo) {
  const k = spanAt(time, tempo);
  const a = tempo[k];
  const b = tempo[k + 1];
  if (b && b.at > a.at) return (b.beat - a.beat) / (b.at - a.at);
  return a.bpm / 60;
}

/**
 * Beats since time 0.
 * @param {number} time  s
 * @param {Tempo[]} tempo
 * @returns {number}
 */
export function beatsAt(time, tempo) {
  const a = tempo[spanAt(time, tempo)];
  return a.beat + (time - a.at) * beatRate(time, tempo);
}

/**
 * When a beat falls, in seconds.
 * @param {number} beat
 * @param {Tempo[]} tempo
 * @returns {number}
 */
export function timeOfBeat(beat, tempo) {
  let k = 0;
  while (k + 1 < tempo.length && tempo[k + 1].beat <= beat) k++;
  const a = tempo[k];
  return a.at + (beat - a.beat) / beatRate(a.at, tempo);
}

/**
 * A time as a ruler writes it: 0.5, 12, 1:30, 2:00:05.
 * @param {number} time  s
 * @returns {string}
 */
export function clock(time) {
  if (time < 0) return `\u2212${clock(-time)}`;
  const ms = Math.round(time * 1000);
  const part = ms % 1000;
  const tail = part ? `.${String(part).padStart(3, "0").replace(/0+$/, "")}` : "";
  const s = Math.floor(ms / 1000);
  if (s < 60) return `${s}${tail}`;
  const m = Math.floor(s / 60);
  if (m < 60) return `${m}:${two(s % 60)}${tail}`;
  return `${Math.floor(m / 60)}:${two(m % 60)}:${two(s % 60)}${tail}`;
}

/**
 * A time to a hundredth of a second, with its unit where that does not show:
 * 4.28 s, 1:30.
 * @param {number} time  s
 * @returns {string}
 */
export function clockTime(time) {
  const t = Math.round(time * 100) / 100;
  return Math.abs(t) < 60 ? `${clock(t)} s` : clock(t);
}

/**
 * A time as it stands still in a display: 00:04.28, 1:00:04.28.
 * @param {number} time  s
 * @returns {string}
 */
export function counter(time) {
  const cs = Math.floor(time * 100 + slack);
  const s = Math.floor(cs / 100);
  const hours = s >= 3600 ? `${Math.floor(s / 3600)}:` : "";
  return `${hours}${two(Math.floor(s / 60) % 60)}:${two(s % 60)}.${two(cs % 100)}`;
}

/**
 * A frame rate as it is named: 24, 29.97, 23.976.
 * @param {Fps} fps
 * @returns {string}
 */
export function rateText(fps) {
  return String(Math.round(fps.rate * 1000) / 1000);
}

/**
 * A place on a ruler; one without a text is a small one.
 * @typedef {{at: number, text: string}} Tick
 */

const secondSteps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600];
const fourParts = new Set([0.02, 0.2, 2, 120, 1800, 3600]);

/**
 * The first of ascending steps that is at least so wide; beyond the last, a
 * multiple of it.
 * @param {number[]} steps
 * @param {number} width  pixels
 * @param {number} scale  pixels a step of 1
 */
function stepFor(steps, width, scale) {
  for (const s of steps) if (s * scale >= width) return s;
  const last = steps[steps.length - 1];
  return last * Math.ceil(width / (last * scale));
}

/**
 * The ticks of a ruler of seconds.
 * @param {Span} view   what shows, s
 * @param {number} width  of the view in pixels
 * @returns {Tick[]}
 */
export function ticks(view, width) {
  const step = stepFor(secondSteps, 60, width / (view.to - view.from));
  const parts = fourParts.has(step) ? 4 : step === 15 ? 3 : 5;
  return evenTicks(view, step, parts, (k) => k * step, clock);
}

/**
 * The ticks of a ruler of film frames, written as timecode.
 * @param {Span} view
 * @param {number} width
 * @param {Fps} fps
 * @returns {Tick[]}
 */
export function frameTicks(view, width, fps) {
  const scale = width / (view.to - view.from) / fps.rate;
  const step = stepFor(frameSteps(fps.count), 92, scale);
  const parts = [6, 5, 4, 3, 2].find((p) => step % p === 0 && (step / p) * scale >= 5) ?? 1;
  return evenTicks(view, step / fps.rate, parts, (k) => timeOfFrame(k * step, fps), (_, k) => timecode(Math.round(k * step), fps));
}

/**
 * Steps of a ruler of frames: parts of a second, then whole seconds; where
 * timecode does not count, round numbers.
 * @param {number} n  frames that a timecode counts to a second, or 0
 */
function frameSteps(n) {
  if (!(n > 0)) return [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000];
  const within = [1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 24, 30].filter((f) => f < n && n % f === 0);
  return [...within, ...[1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600].map((s) => s * n)];
}

/**
 * The ticks of a ruler of beats, counted from 1 as musicians do.
 * @param {Span} view
 * @param {number} width
 * @param {Tempo[]} tempo
 * @returns {Tick[]}
 */
export function beatTicks(view, width, tempo) {
  const from = beatsAt(view.from, tempo);
  const to = beatsAt(view.to, tempo);
  const step = stepFor([1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024], 36, width / (to - from));
  return evenTicks({ from, to }, step, step === 1 ? 1 : 2, (k) => timeOfBeat(k * step, tempo), (_, k) => String(Math.round(k * step) + 1));
}

/**
 * Ticks at whole multiples of a step, with small ones between.
 * @param {Span} view
 * @param {number} step
 * @param {number} parts
 * @param {(k: number) => number} timeOf  of a count of steps
 * @param {(at: number, k: number) => string} text
 * @returns {Tick[]}
 */
function evenTicks(view, step, parts, timeOf, text) {
  /** @type {Tick[]} */
  const list = [];
  const small = step / parts;
  const last = Math.floor(view.to / small + slack);
  for (let k = Math.ceil(view.from / small - slack) + 0; k <= last; k++) { // + 0: no -0
    const at = timeOf(k / parts);
    list.push({ at, text: k % parts === 0 ? text(at, k / parts) : "" });
  }
  return list;
}
