// Curves and waveforms as the server sends them: little-endian binary. What is
// short, long or of another kind is refused with a text that says so.

/** @typedef {import("./types.js").Curves} Curves */
/** @typedef {import("./types.js").Waveform} Waveform */

const curvesHeader = 24; // bytes
const waveformHeader = 24;
const version = 1;

/**
 * @param {DataView} view
 * @param {string} mark  its first four bytes
 * @param {string} what  for messages
 * @param {number} header  bytes
 */
function checkHeader(view, mark, what, header) {
  if (view.byteLength < header) {
    throw new Error(`the ${what} came short: ${view.byteLength} bytes, where the header alone has ${header}`);
  }
  const found = String.fromCharCode(view.getUint8(0), view.getUint8(1), view.getUint8(2), view.getUint8(3));
  if (found !== mark) throw new Error(`the ${what} should begin with ${mark}; something else came`);
  const v = view.getUint16(4, true);
  if (v !== version) throw new Error(`the ${what} is of version ${v}; this page reads version ${version}: load the page again`);
}

/**
 * @param {DataView} view
 * @param {string} what
 * @param {number} want  bytes
 */
function checkSize(view, what, want) {
  if (view.byteLength !== want) {
    throw new Error(`the ${what} came ${view.byteLength < want ? "short" : "long"}: ${view.byteLength} bytes, where its header says ${want}`);
  }
}

/**
 * @param {number} rate
 * @param {string} what
 */
function checkRate(rate, what) {
  if (!(rate > 0 && rate <= 1e6)) throw new Error(`the ${what} says ${rate} Hz, which cannot be`);
}

/**
 * Reads curves: "LJCV", version, rate, samples, count, then each curve's samples
 * as 32-bit floats.
 * @param {ArrayBuffer} buffer
 * @returns {Curves}
 */
export function decodeCurves(buffer) {
  const view = new DataView(buffer);
  checkHeader(view, "LJCV", "curves", curvesHeader);
  const rate = view.getFloat64(8, true);
  const samples = view.getUint32(16, true);
  const count = view.getUint32(20, true);
  checkRate(rate, "curves");
  checkSize(view, "curves", curvesHeader + 4 * samples * count);
  if (samples < 1 && count > 0) throw new Error("the curves have no sample");
  const data = [];
  for (let c = 0; c < count; c++) data.push(floats(view, curvesHeader + 4 * samples * c, samples));
  return { rate, samples, count, data };
}

/**
 * Where a curve differs from the version before: its samples from one on, as 32-bit floats
 * in base64.
 * @typedef {{curve: number, from: number, values: string}} Span
 */

/**
 * Curves with other samples in some places. Those that do not differ stay the same arrays.
 * @param {Curves} curves
 * @param {Span[]} spans
 * @returns {Curves}
 */
export function withSpans(curves, spans) {
  const data = [...curves.data];
  for (const { curve, from, values } of spans) {
    const view = new DataView(bytesOf(values));
    const n = view.byteLength / 4;
    if (!data[curve] || !(from >= 0) || from + n > curves.samples || !Number.isInteger(n)) {
      throw new Error(`${n} samples of curve ${curve} came from sample ${from} on; there are ${curves.count} curves of ${curves.samples}`);
    }
    data[curve] = data[curve].slice();
    data[curve].set(floats(view, 0, n), from);
  }
  return { ...curves, data };
}

/** @param {string} text  in base64 (RFC 4648) */
function bytesOf(text) {
  const letters = atob(text);
  const out = new Uint8Array(letters.length);
  for (let k = 0; k < out.length; k++) out[k] = letters.charCodeAt(k);
  return out.buffer;
}

const littleEndian = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;

/**
 * @param {DataView} view
 * @param {number} from  byte
 * @param {number} samples
 */
function floats(view, from, samples) {
  if (littleEndian) return new Float32Array(/** @type {ArrayBuffer} */ (view.buffer), from, samples);
  const out = new Float32Array(samples);
  for (let k = 0; k < samples; k++) out[k] = view.getFloat32(from + 4 * k, true);
  return out;
}

/**
 * Reads a waveform: "LJWF", version, buckets a second, buckets, then lowest and
 * highest sample of each as 16-bit integers.
 * @param {ArrayBuffer} buffer
 * @returns {Waveform}
 */
export function decodeWaveform(buffer) {
  const view = new DataView(buffer);
  checkHeader(view, "LJWF", "waveform", waveformHeader);
  const rate = view.getFloat64(8, true);
  const buckets = view.getUint32(16, true);
  checkRate(rate, "waveform");
  checkSize(view, "waveform", waveformHeader + 4 * buckets);
  const low = new Int16Array(buckets);
  const high = new Int16Array(buckets);
  for (let k = 0; k < buckets; k++) {
    low[k] = view.getInt16(waveformHeader + 4 * k, true);
    high[k] = view.getInt16(waveformHeader + 4 * k + 2, true);
  }
  return { rate, low, high };
}

/**
 * The value of a curve at a time, linear between samples, held beyond the ends.
 * NaN where there is no such curve.
 * @param {Curves} curves
 * @param {number} index
 * @param {number} time  s
 * @returns {number}
 */
export function curveAt(curves, index, time) {
  const data = curves.data[index];
  if (!data || data.length === 0) return NaN;
  const x = time * curves.rate;
  if (!(x > 0)) return data[0];
  const k = Math.floor(x);
  if (k >= data.length - 1) return data[data.length - 1];
  return data[k] + (data[k + 1] - data[k]) * (x - k);
}
