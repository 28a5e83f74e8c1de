// Gamepads: what of one can move a row, by the names of the standard layout (W3C
// Gamepad, "standard gamepad").

import { deadZone, fromRest, reachOf, restOf } from "./reach.js";

/**
 * What the page reads of a gamepad.
 * @typedef {{index: number, id: string, connected: boolean, mapping: string, timestamp: number, axes: readonly number[], buttons: readonly {value: number, pressed: boolean}[]}} Pad
 */

/**
 * A part of a gamepad: an axis, with the one that goes with it in a stick, or a button.
 * @typedef {{kind: "axis"|"button", index: number, other: number, up: -1|1, name: string}} Part  up: the sign by which an axis gives more
 */

/** @type {Part[]} */
const standardAxes = [
  { kind: "axis", index: 1, other: 0, up: -1, name: "left stick, up and down" },
  { kind: "axis", index: 0, other: 1, up: 1, name: "left stick, left and right" },
  { kind: "axis", index: 3, other: 2, up: -1, name: "right stick, up and down" },
  { kind: "axis", index: 2, other: 3, up: 1, name: "right stick, left and right" },
];

// In the words of the standard: the buttons in its layout, by index.
const standardButtons = [
  "bottom button in right cluster", "right button in right cluster", "left button in right cluster", "top button in right cluster",
  "top left front button", "top right front button", "bottom left front button (trigger)", "bottom right front button (trigger)",
  "left button in centre cluster", "right button in centre cluster", "left stick button", "right stick button",
  "top button in left cluster", "bottom button in left cluster", "left button in left cluster", "right button in left cluster", "centre button in centre cluster",
];

// Triggers first: of the buttons, they alone have a way between pressed and not.
const buttonOrder = [6, 7, 0, 1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 13, 14, 15, 16];

/** @param {Pad} pad @returns {Part[]} */
export function partsOf(pad) {
  const standard = pad.mapping === "standard";
  /** @type {Part[]} */
  const axes = standard ? standardAxes.filter((a) => a.index < pad.axes.length) : [];
  const known = new Set(axes.map((a) => a.index));
  pad.axes.forEach((_, index) => {
    if (!known.has(index)) axes.push({ kind: "axis", index, other: -1, up: 1, name: `axis ${index}` });
  });
  const order = standard ? buttonOrder : [];
  const buttons = [...order.filter((i) => i < pad.buttons.length), ...pad.buttons.keys()].filter((x, k, list) => list.indexOf(x) === k);
  return [...axes, ...buttons.map((index) => /** @type {Part} */ ({ kind: "button", index, other: -1, up: 1, name: standard ? standardButtons[index] ?? `button ${index}` : `button ${index}` }))];
}

/** @param {Part} part */
export const partId = (part) => `${part.kind}-${part.index}`;

/**
 * The reach of a part, and whether it is known: a gamepad may lack what another had.
 * @param {Pad} pad
 * @param {Part} part
 * @param {{rests: ReadonlyMap<number, number>, dead: number, oneWay: boolean}} how  rests: of axes, by index
 * @returns {number}
 */
export function reachOfPart(pad, part, { rests, dead, oneWay }) {
  if (part.kind === "button") {
    const b = pad.buttons[part.index];
    const pull = b ? b.value || (b.pressed ? 1 : 0) : 0;
    return pull <= dead ? 0 : Math.min(1, (pull - dead) / (1 - dead));
  }
  /** @param {number} i */
  const axis = (i) => (i >= 0 && Number.isFinite(pad.axes[i]) ? fromRest(pad.axes[i], rests.get(i) ?? 0) : 0);
  const [x] = deadZone(axis(part.index), axis(part.other), dead);
  return reachOf(part.up * x, oneWay);
}

/**
 * The part that was moved most since an earlier look, or null where none was by much.
 * @param {Pad} before
 * @param {Pad} now
 * @returns {Part|null}
 */
export function movedPart(before, now) {
  let best = null, most = 0.4;
  for (const part of partsOf(now)) {
    const by = part.kind === "axis" ? Math.abs((now.axes[part.index] ?? 0) - (before.axes[part.index] ?? 0))
      : Math.abs((now.buttons[part.index]?.value ?? 0) - (before.buttons[part.index]?.value ?? 0));
    if (by > most) {
      most = by;
      best = part;
    }
  }
  return best;
}

const tremble = 0.15; // of an axis's way, which it strays at most while nobody moves it

/**
 * Where the axes of a part rested before it was moved: what was seen of its gamepad from
 * the moment when somebody was asked to move it. What is off the first look by more than
 * a tremble is of the movement.
 * @param {Pad[]} looks  at one gamepad, the first first
 * @param {Part} part
 * @returns {{rests: Map<number, number>, stray: number}}
 */
export function restsBefore(looks, part) {
  const rests = new Map();
  let stray = 0;
  for (const i of part.kind === "axis" ? [part.index, part.other] : []) {
    const first = looks[0]?.axes[i];
    if (i < 0 || first === undefined) continue;
    const found = restOf(looks.map((l) => l.axes[i]).filter((x) => Math.abs(x - first) <= tremble));
    rests.set(i, found.rest);
    if (i === part.index) stray = found.stray;
  }
  return { rests, stray };
}

/** A gamepad as it is now: what the browser gives may change in the hand. @param {Pad} pad @returns {Pad} */
export function still(pad) {
  const { index, id, connected, mapping, timestamp } = pad;
  return { index, id, connected, mapping, timestamp, axes: [...pad.axes], buttons: pad.buttons.map(({ value, pressed }) => ({ value, pressed })) };
}

/** A short name: browsers add the maker's numbers in brackets. @param {Pad} pad */
export function padName(pad) {
  const name = pad.id.replace(/\s*\((?:STANDARD GAMEPAD|Vendor:).*$/i, "").trim();
  return name || `gamepad ${pad.index + 1}`;
}
