// Least and greatest values over any stretch of a curve, and a curve folded into
// columns of pixels. Nothing here touches the document.

/** @typedef {Float32Array|Int16Array} Samples */

/**
 * A level of a pyramid: the least and greatest of each block of samples.
 * @typedef {{lo: Samples, hi: Samples}} Level
 */

/**
 * Level 0 has the samples themselves, each further one blocks of the one below.
 * @typedef {{length: number, levels: Level[]}} Pyramid
 */

// Blocks of 8 samples, then 4 blocks each: a third of the samples' memory, and at
// most some 40 comparisons a question.
const firstBlock = 8;
const nextBlock = 4;

/** @param {number} level  the one that is divided */
const blockOf = (level) => (level === 0 ? firstBlock : nextBlock);

/**
 * Builds a pyramid over samples, or over ranges that have a least and a greatest
 * value each.
 * @param {Samples} lo
 * @param {Samples} [hi]
 * @returns {Pyramid}
 */
export function createPyramid(lo, hi = lo) {
  const levels = [{ lo, hi }];
  for (let below = levels[0]; below.lo.length > firstBlock; below = levels[levels.length - 1]) {
    levels.push(blocks(below, blockOf(levels.length - 1)));
  }
  return { length: lo.length, levels };
}

/**
 * @param {Level} below
 * @param {number} size
 * @returns {Level}
 */
function blocks(below, size) {
  const n = Math.ceil(below.lo.length / size);
  const room = () => (below.lo instanceof Int16Array ? new Int16Array(n) : new Float32Array(n));
  const level = { lo: room(), hi: room() };
  const same = below.lo === below.hi;
  if (same) extremesOf(below.lo, size, level);
  else {
    least(below.lo, size, level.lo);
    greatest(below.hi, size, level.hi);
  }
  return level;
}

// One loop each, over arrays in variables of its own: a third of the time of one
// loop for all.

/** @param {Samples} values @param {number} size @param {Level} out */
function extremesOf(values, size, out) {
  const { lo, hi } = out;
  const n = values.length;
  for (let k = 0, i = 0; i < n; k++) {
    const end = Math.min(n, i + size);
    let a = values[i];
    let b = a;
    for (i++; i < end; i++) {
      const v = values[i];
      if (v < a) a = v;
      if (v > b) b = v;
    }
    lo[k] = a;
    hi[k] = b;
  }
}

/** @param {Samples} values @param {number} size @param {Samples} out */
function least(values, size, out) {
  const n = values.length;
  for (let k = 0, i = 0; i < n; k++) {
    const end = Math.min(n, i + size);
    let a = values[i];
    for (i++; i < end; i++) if (values[i] < a) a = values[i];
    out[k] = a;
  }
}

/** @param {Samples} values @param {number} size @param {Samples} out */
function greatest(values, size, out) {
  const n = values.length;
  for (let k = 0, i = 0; i < n; k++) {
    const end = Math.min(n, i + size);
    let a = values[i];
    for (i++; i < end; i++) if (values[i] > a) a = values[i];
    out[k] = a;
  }
}

/**
 * Writes the least and the greatest of samples from to to-1 into out[0] and
 * out[1], widening what stands there. Makes no garbage.
 * @param {Pyramid} p
 * @param {number} from
 * @param {number} to
 * @param {Float64Array} out
 */
export function extremes(p, from, to, out) {
  let a = Math.max(0, from);
  let b = Math.min(p.length, to);
  for (let l = 0; a < b; l++) {
    const level = p.levels[l];
    const size = blockOf(l);
    if (l + 1 >= p.levels.length || b - a <= 2 * size) {
      scan(level, a, b, out);
      return;
    }
    const first = Math.ceil(a / size);
    const last = Math.floor(b / size);
    scan(level, a, first * size, out);
    scan(level, last * size, b, out);
    a = first;
    b = last;
  }
}

/**
 * @param {Level} level
 * @param {number} a
 * @param {number} b
 * @param {Float64Array} out
 */
function scan(level, a, b, out) {
  const { lo, hi } = level;
  for (let i = a; i < b; i++) {
    if (lo[i] < out[0]) out[0] = lo[i];
    if (hi[i] > out[1]) out[1] = hi[i];
  }
}

/**
 * Room for the columns of a curve: in column k it begins at edge[k], ends at
 * edge[k+1] and stays within lo[k] and hi[k].
 * @typedef {{count: number, edge: Float32Array, lo: Float32Array, hi: Float32Array}} Columns
 */

/**
 * @param {number} most  columns
 * @returns {Columns}
 */
export function createColumns(most) {
  return { count: 0, edge: new Float32Array(most + 1), lo: new Float32Array(most), hi: new Float32Array(most) };
}

const range = new Float64Array(2);

/**
 * Folds a curve, straight between its samples and held beyond them, into n
 * columns of equal width. Makes no garbage.
 * @param {Pyramid} p
 * @param {number} rate   samples a second
 * @param {number} from   s, where column 0 begins
 * @param {number} width  of a column, s
 * @param {number} n
 * @param {Columns} out
 */
export function fold(p, rate, from, width, n, out) {
  const { edge, lo, hi } = out;
  const values = p.levels[0].lo;
  out.count = p.length > 0 ? Math.min(n, lo.length) : 0;
  if (out.count === 0) return;
  edge[0] = between(values, from * rate);
  for (let k = 0; k < out.count; k++) {
    const a = (from + k * width) * rate;
    const b = (from + (k + 1) * width) * rate;
    const before = edge[k];
    const after = between(values, b);
    edge[k + 1] = after;
    range[0] = before < after ? before : after;
    range[1] = before < after ? after : before;
    extremes(p, Math.ceil(a), Math.floor(b) + 1, range);
    lo[k] = range[0];
    hi[k] = range[1];
  }
}

/**
 * The value at a place between samples.
 * @param {Samples} values  at least one
 * @param {number} x        in samples
 * @returns {number}
 */
function between(values, x) {
  if (!(x > 0)) return values[0];
  const k = Math.floor(x);
  if (k >= values.length - 1) return values[values.length - 1];
  return values[k] + (values[k + 1] - values[k]) * (x - k);
}

/**
 * Folds ranges (a waveform) into n columns: the extremes of all buckets that a
 * column meets. Columns after the end stay out of the count.
 * @param {Pyramid} p
 * @param {number} rate  buckets a second
 * @param {number} from
 * @param {number} width
 * @param {number} n
 * @param {Columns} out
 */
export function foldRanges(p, rate, from, width, n, out) {
  const ends = Math.ceil((p.length / rate - from) / width);
  out.count = Math.max(0, Math.min(n, out.lo.length, ends));
  for (let k = 0; k < out.count; k++) {
    const a = Math.floor((from + k * width) * rate + 1e-9);
    const b = Math.max(a + 1, Math.ceil((from + (k + 1) * width) * rate - 1e-9));
    range[0] = Infinity;
    range[1] = -Infinity;
    extremes(p, a, b, range);
    out.lo[k] = range[0] <= range[1] ? range[0] : 0;
    out.hi[k] = range[0] <= range[1] ? range[1] : 0;
  }
}
