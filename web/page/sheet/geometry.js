// Where things lie on the sheet: rows, times, keys, findings, labels. Lengths are
// CSS pixels. Nothing here touches the document.

/** @typedef {import("../types.js").Score} Score */
/** @typedef {import("../types.js").Rows} Rows */
/** @typedef {import("../types.js").Span} Span */
/** @typedef {import("../types.js").Key} Key */

/**
 * What a row shows.
 * @typedef {object} Spec
 * @property {string} id
 * @property {"axis"|"control"|"supply"|"sound"} kind
 * @property {string} name
 * @property {string} what   for the head: "servo", "control" …
 * @property {string} unit
 * @property {number} index  in the score's rows or supplies; 0 for the sound
 */

/**
 * The rows of a motion from top to bottom, as the sheet on paper has them.
 * @param {Score} score
 * @returns {Spec[]}
 */
export function specsOf(score) {
  /** @type {Spec[]} */
  const list = [];
  if (score.sound) list.push({ id: "sound", kind: "sound", name: "sound", what: score.sound.file, unit: "", index: 0 });
  score.rows.forEach((r, index) => {
    const what = r.kind === "control" ? "control" : r.actuator.replaceAll("-", " ");
    list.push({ id: `${r.kind}:${r.name}`, kind: r.kind, name: r.name, what, unit: r.unit === "on" ? "" : r.unit, index });
  });
  score.supplies.forEach((s, index) => {
    list.push({ id: `supply:${s.name}`, kind: "supply", name: s.name, what: "supply", unit: "A, V", index });
  });
  return list;
}

/**
 * The rows in the order that was chosen; those that it does not name come after.
 * @param {Spec[]} specs
 * @param {string[]} order
 * @returns {Spec[]}
 */
export function inOrder(specs, order) {
  const place = new Map(order.map((id, k) => [id, k]));
  const of = (/** @type {Spec} */ s) => place.get(s.id) ?? Infinity;
  return [...specs].sort((a, b) => (of(a) === of(b) ? specs.indexOf(a) - specs.indexOf(b) : of(a) - of(b)));
}

/**
 * The order after a row has changed places with the next one that shows in a
 * direction; null where there is none. All rows are in the result.
 * @param {Spec[]} specs
 * @param {Rows} rows
 * @param {string} id
 * @param {1|-1} direction
 * @returns {string[]|null}
 */
export function moved(specs, rows, id, direction) {
  const ids = inOrder(specs, rows.order).map((s) => s.id);
  const from = ids.indexOf(id);
  let to = from + direction;
  while (rows.hidden.has(ids[to])) to += direction;
  if (from < 0 || to < 0 || to >= ids.length) return null;
  ids.splice(from, 1);
  ids.splice(to, 0, id);
  // Rows of another motion keep their places for when it is shown again.
  return [...ids, ...rows.order.filter((x) => !ids.includes(x))];
}

/**
 * What depends on the width of the sheet.
 * @typedef {object} Metrics
 * @property {boolean} narrow  row heads stand above their staves
 * @property {number} left     where the staves begin
 * @property {number} right    how much is free after them
 * @property {number} head     height of a row head above its stave; 0 where it stands at the left
 * @property {number} folded   height of a folded row
 */

/**
 * @param {number} width
 * @param {boolean} coarse  a finger points, not a mouse
 * @returns {Metrics}
 */
export function metricsOf(width, coarse) {
  if (width < 620) return { narrow: true, left: 40, right: 10, head: coarse ? 44 : 24, folded: coarse ? 44 : 26 };
  return { narrow: false, left: width < 1000 ? 164 : 196, right: 16, head: 0, folded: coarse ? 44 : 24 };
}

/**
 * A row that has its place.
 * @typedef {object} Place
 * @property {Spec} spec
 * @property {boolean} folded
 * @property {number} top     of the row, from the top of all rows
 * @property {number} height
 * @property {number} y0      top of the stave (current, of a supply)
 * @property {number} y1      its bottom
 * @property {number} v0      top of a supply's voltage; 0 without
 * @property {number} v1      its bottom
 */

/** Heights of staves, and the room above (for numbers of findings) and below. */
const above = 14;
const below = 12;
const bodies = { axis: 29, control: 29, supply: 40, sound: 30 };
const switchBody = 16;
const voltBody = 22;
const voltGap = 10;
const mostStretch = 2.2;
const leastRow = 46; // a name and what it is, beside the stave

/**
 * Gives rows that are not hidden their places, higher where there is room.
 * @param {Spec[]} specs  in order
 * @param {Rows} rows
 * @param {Metrics} m
 * @param {number} room   height that may be used
 * @returns {{places: Place[], height: number}}
 */
export function layOut(specs, rows, m, room) {
  const shown = specs.filter((s) => !rows.hidden.has(s.id));
  let fixed = 0;
  let free = 0;
  for (const s of shown) {
    if (rows.folded.has(s.id)) {
      fixed += m.folded;
      continue;
    }
    const body = bodyOf(s);
    fixed += heightOf(s, m, body) - body;
    free += body;
  }
  const stretch = free > 0 ? Math.min(mostStretch, Math.max(1, (room - fixed) / free)) : 1;
  let top = 0;
  const places = shown.map((spec) => {
    const place = placeOf(spec, rows.folded.has(spec.id), top, m, stretch);
    top += place.height;
    return place;
  });
  return { places, height: top };
}

/** @param {Spec} s */
function bodyOf(s) {
  return (s.kind === "axis" || s.kind === "control") && s.unit === "" ? switchBody : bodies[s.kind];
}

/** @param {Spec} s @param {Metrics} m @param {number} body */
function heightOf(s, m, body) {
  const volts = s.kind === "supply" ? voltGap + voltBody : 0;
  return Math.max(m.head + above + body + volts + below, m.head ? 0 : leastRow);
}

/**
 * @param {Spec} spec
 * @param {boolean} folded
 * @param {number} top
 * @param {Metrics} m
 * @param {number} stretch
 * @returns {Place}
 */
function placeOf(spec, folded, top, m, stretch) {
  if (folded) {
    const middle = top + m.folded / 2;
    return { spec, folded, top, height: m.folded, y0: middle - 8, y1: middle + 8, v0: 0, v1: 0 };
  }
  const body = Math.floor(bodyOf(spec) * stretch);
  const height = heightOf(spec, m, body);
  const volts = spec.kind === "supply" ? voltGap + voltBody : 0;
  const spare = height - m.head - above - body - volts - below;
  const y0 = top + m.head + above + Math.floor(spare / 2);
  const y1 = y0 + body;
  return { spec, folded, top, height, y0, y1, v0: volts ? y1 + voltGap : 0, v1: volts ? y1 + voltGap + voltBody : 0 };
}

/**
 * The row at a height, by halving; -1 where there is none.
 * @param {Place[]} places
 * @param {number} y
 * @returns {number}
 */
export function rowAt(places, y) {
  let a = 0;
  let b = places.length;
  while (a < b) {
    const k = (a + b) >> 1;
    if (places[k].top + places[k].height <= y) a = k + 1;
    else b = k;
  }
  return a < places.length && y >= places[a].top ? a : -1;
}

/**
 * Where a time lies across the sheet.
 * @param {number} t
 * @param {Span} view
 * @param {number} left
 * @param {number} width  of the staves
 * @returns {number}
 */
export function xOf(t, view, left, width) {
  return left + ((t - view.from) * width) / (view.to - view.from);
}

/**
 * The time at a place across the sheet.
 * @param {number} x
 * @param {Span} view
 * @param {number} left
 * @param {number} width
 * @returns {number}
 */
export function timeAt(x, view, left, width) {
  return view.from + ((x - left) * (view.to - view.from)) / width;
}

/**
 * The first of things in order of time that is not before a time.
 * @param {ArrayLike<{at: number}>} list
 * @param {number} t
 * @returns {number} index; the length where all are before
 */
export function firstFrom(list, t) {
  let a = 0;
  let b = list.length;
  while (a < b) {
    const k = (a + b) >> 1;
    if (list[k].at < t) a = k + 1;
    else b = k;
  }
  return a;
}

/**
 * The key nearest to a time among those within a reach; -1 where there is none.
 * @param {Key[]} keys
 * @param {number} t
 * @param {number} reach  s
 * @returns {number}
 */
export function keyNear(keys, t, reach) {
  let best = -1;
  for (let k = firstFrom(keys, t - reach); k < keys.length && keys[k].at <= t + reach; k++) {
    if (best < 0 || Math.abs(keys[k].at - t) < Math.abs(keys[best].at - t)) best = k;
  }
  return best;
}

/**
 * The ends of a span across the sheet, widened to a least width and kept within
 * it; false where it does not show.
 * @param {number} from
 * @param {number} to
 * @param {Span} view
 * @param {number} left
 * @param {number} width
 * @param {number} least
 * @param {Float64Array} out  the two ends
 * @returns {boolean}
 */
export function spanAcross(from, to, view, left, width, least, out) {
  if (to < view.from || from > view.to) return false;
  let a = xOf(Math.max(from, view.from), view, left, width);
  let b = xOf(Math.min(to, view.to), view, left, width);
  if (b - a < least) {
    const middle = Math.min(left + width - least / 2, Math.max(left + least / 2, (a + b) / 2));
    a = middle - least / 2;
    b = middle + least / 2;
  }
  out[0] = a;
  out[1] = b;
  return true;
}

/**
 * The findings whose spans meet a place, the narrowest first.
 * @param {{from: number, to: number, number: number}[]} findings
 * @param {number} x
 * @param {Span} view
 * @param {number} left
 * @param {number} width
 * @param {number} least
 * @returns {number[]} numbers
 */
export function findingsAt(findings, x, view, left, width, least) {
  const ends = new Float64Array(2);
  return findings
    .filter((f) => spanAcross(f.from, f.to, view, left, width, least, ends) && x >= ends[0] && x <= ends[1])
    .sort((a, b) => a.to - a.from - (b.to - b.from) || a.number - b.number)
    .map((f) => f.number);
}

/**
 * Puts labels side by side as near to where they want to be as that goes (least
 * squares, by pooling those that push each other). Where they are too many for
 * the room they overlap evenly.
 * @param {number[]} wanted  left ends, ascending
 * @param {number} size      of each
 * @param {number} low       where the first may begin
 * @param {number} high      where the last must end
 * @returns {number[]} left ends
 */
export function sideBySide(wanted, size, low, high) {
  const n = wanted.length;
  const step = n > 1 ? Math.min(size, Math.max(0, high - low - size) / (n - 1)) : size;
  /** @type {{first: number, count: number, at: number}[]} */
  const pools = [];
  for (let k = 0; k < n; k++) {
    let pool = { first: k, count: 1, at: wanted[k] };
    for (let last = pools.at(-1); last && last.at + last.count * step > pool.at; last = pools.at(-1)) {
      pools.pop();
      const count = last.count + pool.count;
      const sum = last.count * last.at + pool.count * (pool.at - last.count * step);
      pool = { first: last.first, count, at: sum / count };
    }
    pools.push(pool);
  }
  const out = new Array(n).fill(0);
  for (const p of pools) for (let k = 0; k < p.count; k++) out[p.first + k] = p.at + k * step;
  for (let k = 0; k < n; k++) out[k] = Math.max(out[k], low + k * step);
  for (let k = n - 1; k >= 0; k--) out[k] = Math.min(out[k], high - size - (n - 1 - k) * step);
  return out;
}

/**
 * Puts labels into lanes, each where it belongs, so that none covers another; -1
 * for those that find no room. Makes no garbage.
 * @param {number} count
 * @param {ArrayLike<number>} starts  left ends, ascending
 * @param {ArrayLike<number>} widths
 * @param {number} lanes
 * @param {number} gap
 * @param {number} limit   where the paper ends
 * @param {Int8Array} out  lane of each
 * @param {Uint16Array} more  how many without room follow each one that has it
 */
export function intoLanes(count, starts, widths, lanes, gap, limit, out, more) {
  for (let lane = 0; lane < lanes; lane++) clear[lane] = -Infinity;
  let last = -1;
  for (let k = 0; k < count; k++) {
    out[k] = -1;
    more[k] = 0;
    for (let lane = 0; lane < lanes && out[k] < 0 && starts[k] + widths[k] <= limit; lane++) {
      if (starts[k] >= clear[lane]) out[k] = lane;
    }
    if (out[k] < 0) {
      if (last >= 0) more[last]++;
      continue;
    }
    clear[out[k]] = starts[k] + widths[k] + gap;
    last = k;
  }
}

const clear = new Float64Array(8);

/**
 * How far a list has to be scrolled so that a stretch of it shows.
 * @param {number} scroll
 * @param {number} room
 * @param {number} top
 * @param {number} height
 * @returns {number}
 */
export function scrolledTo(scroll, room, top, height) {
  if (top < scroll) return top;
  if (top + height > scroll + room) return Math.min(top, top + height - room);
  return scroll;
}

/**
 * How far what shows has to be pushed so that another span of the same length
 * shows.
 * @param {Span} was
 * @param {Span} now
 * @param {number} width  of the staves in device pixels
 * @returns {number} device pixels to the right; NaN where the spans differ in length, or lie apart by no whole number
 */
export function pushed(was, now, width) {
  const span = was.to - was.from;
  if (Math.abs(now.to - now.from - span) > 1e-7 * span) return NaN;
  const step = ((was.from - now.from) * width) / span;
  const whole = Math.round(step) + 0; // + 0: no -0
  return Math.abs(step - whole) < 0.01 ? whole : NaN;
}

/**
 * The span nearest to a wanted one that lies a whole number of device pixels from
 * what shows; the wanted one itself where it has another length.
 * @param {Span} was
 * @param {Span} wanted
 * @param {number} width  of the staves in device pixels
 * @returns {Span}
 */
export function pushable(was, wanted, width) {
  const span = was.to - was.from;
  if (Math.abs(wanted.to - wanted.from - span) > 1e-7 * span) return wanted;
  const from = was.from + (Math.round(((wanted.from - was.from) * width) / span) * span) / width;
  return { from, to: from + span };
}

/**
 * Marks the keys that are drawn where each needs so much time to itself: from the
 * first on, each one that keeps clear of the one before.
 * @param {ArrayLike<{at: number}>} keys  by time
 * @param {number} gap  s
 * @param {Uint8Array} out  1 for each that is drawn
 */
export function thinned(keys, gap, out) {
  let clear = -Infinity;
  for (let k = 0; k < keys.length; k++) {
    out[k] = keys[k].at >= clear ? 1 : 0;
    if (out[k]) clear = keys[k].at + gap;
  }
}
