// Ink on a canvas.

import { reading, needle, ends, onDial, sweep, turnsRound } from "./dials.js";

/** @typedef {import("./hull.js").Point} Point */
/** @typedef {import("./scene.js").Drawing} Drawing */
/** @typedef {import("./scene.js").Ink} Ink */
/** @typedef {import("./dials.js").Dial} Dial */
/** @typedef {import("../types.js").Row} Row */
/** @typedef {{ink: string, pencil: string, slate: string, faint: string, wash: string, veil: string, iron: string, paper: string, sans: string, serif: string}} Colours */
/** @typedef {CanvasRenderingContext2D} Canvas */

/** Widths of the pens, in px. */
const weights = { outline: 1.5, edge: 0.9, hatch: 0.55, shade: 0.95 };

/** @param {Canvas} g @param {Point[]} figure */
function trace(g, figure) {
  figure.forEach(([x, y], k) => (k ? g.lineTo(x, y) : g.moveTo(x, y)));
  g.closePath();
}

/** @param {Canvas} g @param {Point[][]} figures @param {string} colour */
export function fill(g, figures, colour) {
  g.fillStyle = colour;
  g.beginPath();
  for (const figure of figures) trace(g, figure);
  g.fill();
}

/** @param {Canvas} g @param {number[]} lines x and y in turn, NaN where the pen is lifted */
function lay(g, lines) {
  g.beginPath();
  for (let k = 0; k < lines.length; k += 2) {
    if (Number.isNaN(lines[k])) {
      k += 2;
      g.moveTo(lines[k], lines[k + 1]);
    } else {
      g.lineTo(lines[k], lines[k + 1]);
    }
  }
  g.stroke();
}

/** @param {Canvas} g @param {Ink} ink @param {string} colour */
export function inkLines(g, ink, colour) {
  g.strokeStyle = colour;
  g.lineCap = "round";
  g.lineJoin = "round";
  for (const weight of /** @type {const} */ (["hatch", "shade", "edge", "outline"])) {
    g.lineWidth = weights[weight];
    lay(g, ink[weight]);
  }
}

/**
 * The solids: paper where they are, tints, and nothing of the lines yet.
 * @param {Canvas} g
 * @param {Drawing} drawing
 * @param {Colours} c
 * @param {boolean} dark
 */
export function bodies(g, drawing, c, dark) {
  fill(g, drawing.bodies, c.paper);
  for (const { piece, figure, before } of drawing.tints) {
    fill(g, [figure], c.paper);
    if (piece.body.lit > 0 && dark) {
      g.globalAlpha = 0.85 * piece.body.lit;
      fill(g, [figure], c.ink);
    }
    if (piece.body.marked) {
      g.globalAlpha = dark ? 0.3 : 0.14;
      fill(g, [figure], c.iron);
    }
    g.globalAlpha = 1;
    fill(g, before, c.paper);
  }
}

/**
 * Rays round lamps, longer the brighter they are.
 * @param {Canvas} g
 * @param {Drawing} drawing
 * @param {Colours} c
 */
export function rays(g, drawing, c) {
  g.strokeStyle = c.ink;
  g.lineCap = "round";
  g.lineWidth = 1;
  g.beginPath();
  for (const { piece, seen } of drawing.tints) {
    const bright = piece.body.lit * seen;
    if (bright < 0.02) continue;
    const x = (piece.left + piece.right) / 2, y = (piece.top + piece.bottom) / 2;
    const r = Math.hypot(piece.right - piece.left, piece.bottom - piece.top) / 2;
    for (let k = 0; k < 24; k++) {
      const a = (2 * Math.PI * k) / 24, from = r * 1.12 + 2;
      const to = from + (r * 0.85 + 5) * bright * (k % 2 ? 0.55 : 1);
      g.moveTo(x + from * Math.cos(a), y + from * Math.sin(a));
      g.lineTo(x + to * Math.cos(a), y + to * Math.sin(a));
    }
  }
  g.stroke();
}

/** @param {Canvas} g @param {Point[][]} figures @param {string} colour @param {number} width @param {number[]} dashes */
export function outlines(g, figures, colour, width, dashes) {
  if (figures.length === 0) return;
  g.strokeStyle = colour;
  g.lineWidth = width;
  g.lineCap = "butt";
  g.setLineDash(dashes);
  g.beginPath();
  for (const figure of figures) if (figure.length > 0) trace(g, figure);
  g.stroke();
  g.setLineDash([]);
}

/**
 * A path through the last second, fading towards its past, with a dot at each
 * film frame: where dots crowd, the move is slow.
 * @param {Canvas} g
 * @param {{x: number, y: number, frame: boolean}[]} points oldest first
 * @param {Colours} c
 */
export function trail(g, points, c) {
  const bands = 4;
  g.strokeStyle = g.fillStyle = c.ink;
  g.lineWidth = 1;
  g.lineCap = "round";
  for (let band = 0; band < bands; band++) {
    const from = Math.floor(((points.length - 1) * band) / bands), to = Math.floor(((points.length - 1) * (band + 1)) / bands);
    g.globalAlpha = 0.2 + (0.6 * band) / (bands - 1);
    g.beginPath();
    for (let k = from; k <= to; k++) k === from ? g.moveTo(points[k].x, points[k].y) : g.lineTo(points[k].x, points[k].y);
    g.stroke();
    g.beginPath();
    for (let k = from; k < to; k++) {
      if (!points[k].frame) continue;
      g.moveTo(points[k].x + 1.8, points[k].y);
      g.arc(points[k].x, points[k].y, 1.8, 0, 2 * Math.PI);
    }
    g.fill();
  }
  g.globalAlpha = 1;
}

/**
 * A chain line, as drawings have for an axis (ISO 128: long dash, dot).
 * @param {Canvas} g
 * @param {Point} from
 * @param {Point} to
 * @param {string} colour
 */
export function chain(g, from, to, colour) {
  g.strokeStyle = colour;
  g.lineWidth = 1.25;
  g.lineCap = "butt";
  g.setLineDash([11, 3, 2, 3]);
  g.beginPath();
  g.moveTo(...from);
  g.lineTo(...to);
  g.stroke();
  g.setLineDash([]);
}

/** @param {Canvas} g @param {Point} from @param {Point} to @param {string} colour */
export function leader(g, from, to, colour) {
  g.strokeStyle = g.fillStyle = colour;
  g.lineWidth = 0.8;
  g.beginPath();
  g.moveTo(...from);
  g.lineTo(...to);
  g.stroke();
  g.beginPath();
  g.arc(from[0], from[1], 2, 0, 2 * Math.PI);
  g.fill();
}

/**
 * The sign of what was found: an error is hatched densely and rises, a warning widely
 * and falls, as on the sheet.
 * @typedef {""|"error"|"warning"} Sign
 */

/** px of a sign, and of its room before words. */
const signWide = 13, signHigh = 10, signRoom = 18;

/** px between the lines of a sign. */
const signStep = { error: 3.2, warning: 6.5 };

/**
 * A box of hatching between two uprights. Errors alone have the colour of broken limits.
 * @param {Canvas} g
 * @param {"error"|"warning"} kind
 * @param {number} x left
 * @param {number} y middle
 * @param {Colours} c
 */
function sign(g, kind, x, y, c) {
  const top = y - signHigh / 2, end = x + signWide;
  g.strokeStyle = kind === "error" ? c.iron : c.ink;
  g.lineWidth = 1.1;
  g.lineCap = "butt";
  g.beginPath();
  for (const at of [x, end]) {
    g.moveTo(at, top);
    g.lineTo(at, top + signHigh);
  }
  // A line is as high as the box and leans by as much; what is beside it is cut off.
  for (let foot = x - signHigh + signStep[kind]; foot < end; foot += signStep[kind]) {
    const from = Math.max(foot, x), to = Math.min(foot + signHigh, end);
    const high = (/** @type {number} */ at) => (kind === "error" ? top + signHigh - (at - foot) : top + (at - foot));
    g.moveTo(from, high(from));
    g.lineTo(to, high(to));
  }
  g.stroke();
}

/** @param {Canvas} g @param {string} text @param {Sign} kind @param {Colours} c @returns {number} px of a label */
export function lengthOf(g, text, kind, c) {
  g.font = labelFont(c);
  return g.measureText(text).width + (kind ? signRoom : 0);
}

const labelFont = (/** @type {Colours} */ c) => `bold 13px ${c.serif}`;

/**
 * Words on a patch of paper, so that lines under them do not disturb.
 * @param {Canvas} g
 * @param {string} text
 * @param {Sign} kind before the words
 * @param {number} x
 * @param {number} y middle
 * @param {string} colour
 * @param {Colours} c
 */
export function label(g, text, kind, x, y, colour, c) {
  const width = lengthOf(g, text, kind, c);
  g.textAlign = "left";
  g.textBaseline = "middle";
  g.globalAlpha = 0.86;
  g.fillStyle = c.paper;
  g.fillRect(x - 3, y - 9, width + 6, 18);
  g.globalAlpha = 1;
  if (kind) sign(g, kind, x + 1, y, c);
  g.fillStyle = colour;
  g.fillText(text, x + (kind ? signRoom : 0), y);
}

/**
 * The mask: what the film frame does not show under a veil of paper.
 * @param {Canvas} g
 * @param {import("./mask.js").Rectangle} frame
 * @param {number} width
 * @param {number} height
 * @param {string} name
 * @param {Colours} c
 */
export function mask(g, frame, width, height, name, c) {
  g.globalAlpha = 0.82;
  g.fillStyle = c.paper;
  g.beginPath();
  g.rect(0, 0, width, height);
  g.rect(frame.x, frame.y, frame.width, frame.height);
  g.fill("evenodd");
  g.globalAlpha = 1;
  g.strokeStyle = c.ink;
  g.lineWidth = 1;
  g.strokeRect(Math.round(frame.x) + 0.5, Math.round(frame.y) + 0.5, Math.round(frame.width), Math.round(frame.height));
  g.font = `11px ${c.sans}`;
  g.textAlign = "right";
  g.textBaseline = "bottom";
  g.fillStyle = c.pencil;
  g.fillText(name, frame.x + frame.width - 5, frame.y + frame.height - 4);
}

/** @typedef {{mark: "line"|"dash"|"dot"|"skin"|"error"|"warning", text: string}} Entry of the legend */

/**
 * What the lines mean, in a row.
 * @param {Canvas} g
 * @param {Entry[]} entries
 * @param {number} x
 * @param {number} y middle
 * @param {Colours} c
 */
export function legend(g, entries, x, y, c) {
  g.font = `11px ${c.sans}`;
  g.textAlign = "left";
  g.textBaseline = "middle";
  for (const { mark, text } of entries) {
    g.globalAlpha = 0.86;
    g.fillStyle = c.paper;
    g.fillRect(x - 4, y - 8, 34 + g.measureText(text).width, 16);
    g.globalAlpha = 1;
    if (mark === "error" || mark === "warning") sign(g, mark, x + 4, y, c);
    else stroke(g, mark, x, y, c);
    g.fillStyle = c.pencil;
    g.fillText(text, x + 26, y);
    x += 26 + g.measureText(text).width + 18;
  }
}

/** A stroke of the legend. @param {Canvas} g @param {"line"|"dash"|"dot"|"skin"} mark @param {number} x @param {number} y @param {Colours} c */
function stroke(g, mark, x, y, c) {
  g.strokeStyle = g.fillStyle = mark === "skin" || mark === "dash" ? c.slate : c.ink;
  g.lineWidth = mark === "skin" ? 0.8 : 1.4;
  g.setLineDash(mark === "dash" ? [4, 3] : []);
  g.beginPath();
  g.moveTo(x, y);
  g.lineTo(x + 20, y);
  g.stroke();
  g.setLineDash([]);
  if (mark !== "dot") return;
  g.beginPath();
  for (const at of [3, 10, 17]) g.arc(x + at, y, 2, 0, 2 * Math.PI);
  g.fill();
}

/** A dial as it is now: numbers and sign of the findings that hold. @typedef {{predicted: number, commanded: number, ghost: boolean, numbers: string, sign: Sign}} Shown */

/**
 * @param {Canvas} g
 * @param {Dial} dial
 * @param {Row} row
 * @param {Shown} now
 * @param {Colours} c
 */
export function drawDial(g, dial, row, now, c) {
  const colour = now.sign === "error" ? c.iron : c.ink;
  face(g, dial, row, now, c);
  if (now.ghost && Math.abs(needle(row, now.commanded) - needle(row, now.predicted)) > 0.3) {
    hand(g, dial, needle(row, now.commanded), c.slate, 1.2, [4, 3]);
  }
  hand(g, dial, needle(row, now.predicted), colour, 2.2, []);
  g.fillStyle = colour;
  g.beginPath();
  g.arc(dial.x, dial.y, Math.max(dial.r * 0.07, 2.5), 0, 2 * Math.PI);
  g.fill();
  const size = Math.min(Math.max(dial.r * 0.24, 11), 15);
  g.textAlign = "center";
  g.textBaseline = "top";
  g.font = `bold ${size}px ${c.serif}`;
  const below = dial.y + dial.r * (turnsRound(row) ? 1.16 : 0.98);
  const words = `${now.numbers} ${row.name}`.trim();
  g.fillText(words, dial.x + (now.sign ? signRoom / 2 : 0), below);
  if (now.sign) sign(g, now.sign, dial.x - (g.measureText(words).width + signRoom) / 2, below + size / 2, c);
  g.font = `${size - 1}px ${c.sans}`;
  g.fillStyle = c.slate;
  g.fillText(reading(row, now.predicted), dial.x, below + size + 3);
}

/** @param {Canvas} g @param {Dial} dial @param {Row} row @param {Shown} now @param {Colours} c */
function face(g, dial, row, now, c) {
  const round = turnsRound(row);
  const from = rad(round ? 0 : -sweep), to = rad(round ? 360 : sweep);
  if (row.area || row.actuator === "dimmer" || row.actuator === "switch") {
    const [low, high] = ends(row);
    const zero = needle(row, Math.min(Math.max(0, low), high)), at = needle(row, now.predicted);
    g.fillStyle = c.wash;
    g.beginPath();
    g.moveTo(dial.x, dial.y);
    g.arc(dial.x, dial.y, dial.r, rad(Math.min(zero, at)), rad(Math.max(zero, at)));
    g.fill();
  }
  g.lineCap = "butt";
  g.strokeStyle = now.sign === "error" ? c.iron : c.ink;
  g.lineWidth = now.sign ? 2.5 : 1.25;
  g.setLineDash(now.sign === "warning" ? [7, 4] : []);
  g.beginPath();
  g.arc(dial.x, dial.y, dial.r, from, to);
  g.stroke();
  g.setLineDash([]);
  g.lineWidth = 1;
  g.strokeStyle = c.slate;
  g.beginPath();
  for (let k = 0; k <= 8; k++) {
    const degrees = round ? 45 * k : -sweep + (2 * sweep * k) / 8;
    g.moveTo(...onDial(dial, degrees, k % 4 ? 0.93 : 0.86));
    g.lineTo(...onDial(dial, degrees));
  }
  g.stroke();
  // Rest, by a small wedge outside the arc
  const at = needle(row, row.rest);
  g.fillStyle = c.slate;
  g.beginPath();
  g.moveTo(...onDial(dial, at, 1.03));
  g.lineTo(...onDial(dial, at - 4, 1.13));
  g.lineTo(...onDial(dial, at + 4, 1.13));
  g.fill();
}

/** @param {number} degrees clockwise from up @returns {number} rad as a canvas counts them */
const rad = (degrees) => ((degrees - 90) * Math.PI) / 180;

/** @param {Canvas} g @param {Dial} dial @param {number} degrees @param {string} colour @param {number} width @param {number[]} dashes */
function hand(g, dial, degrees, colour, width, dashes) {
  g.strokeStyle = colour;
  g.lineWidth = width;
  g.lineCap = "butt";
  g.setLineDash(dashes);
  g.beginPath();
  g.moveTo(...onDial(dial, degrees + 180, 0.16));
  g.lineTo(...onDial(dial, degrees, 0.82));
  g.stroke();
  g.setLineDash([]);
}
