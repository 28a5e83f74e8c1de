// The hands that may perform: a strip under mouse, finger or keys, a gamepad, the tilt of
// the device. Each tells a reach with its own moment.

import { make } from "../dom.js";
import { movedPart, padName, partId, partsOf, reachOfPart, restsBefore, still } from "./pads.js";
import { angleBetween, clamp, pushed, reachOf, restOf, tiltOf } from "./reach.js";

/** @typedef {import("./pads.js").Pad} Pad */
/** @typedef {import("./pads.js").Part} Part */
/**
 * @typedef {(reach: number, stamp: number, still?: boolean) => void} Tell  stamp: ms of the page's clock; still: a silence before
 *   this was stillness, for each move is told (true where it is left out); else it was that nobody looked
 */

/**
 * A hand: what is chosen, and how it says what it does.
 * @typedef {object} Hand
 * @property {() => void} begin           a take begins: what is level now is level for it
 * @property {(now: number) => boolean} poll  looks; whether it has to be looked at again soon
 * @property {() => void} end
 * @property {() => string} fault         why nothing can be recorded with it, in words; "": it can
 * @property {() => void} [learn]         it rests now, or is level; left out where there is nothing to learn
 */

const edge = 22; // px of the strip above and below its range, for a thumb
const slow = 0.3; // of the full speed, with Shift

/**
 * The strip: what is above is more.
 * @param {object} o
 * @param {Tell} o.tell
 * @param {() => number} o.reach   where it is now
 * @param {() => void} o.wake      asks for polls
 */
export function createStrip({ tell, reach, wake }) {
  const needle = make("div", { class: "perform-needle" });
  const element = make("div", { class: "perform-strip", role: "slider", tabindex: 0, "aria-orientation": "vertical", "aria-label": "Strip" }, make("div", { class: "perform-rail" }), needle);
  /** @type {Set<string>} */
  const held = new Set();
  let shift = false;
  let push = { reach: 0, speed: 0 };
  let last = 0;
  let on = true;

  /** @param {PointerEvent} event */
  function place(event) {
    const box = element.getBoundingClientRect();
    return clamp((box.bottom - edge - event.clientY) / Math.max(1, box.height - 2 * edge), 0, 1);
  }
  element.addEventListener("pointerdown", (event) => {
    if (!on || event.button !== 0) return;
    element.setPointerCapture(event.pointerId);
    element.focus({ preventScroll: true });
    event.preventDefault();
    tell(place(event), event.timeStamp);
  });
  element.addEventListener("pointermove", (event) => {
    if (!on || !element.hasPointerCapture(event.pointerId)) return;
    // A screen draws less often than a finger moves.
    const parts = event.getCoalescedEvents?.() ?? [];
    for (const e of parts.length > 0 ? parts : [event]) tell(place(e), e.timeStamp);
  });

  element.addEventListener("keydown", (event) => {
    shift = event.shiftKey;
    if (!on || event.ctrlKey || event.altKey || event.metaKey || (event.key !== "ArrowUp" && event.key !== "ArrowDown")) return;
    event.preventDefault();
    event.stopPropagation();
    if (held.size === 0) {
      push = { reach: reach(), speed: 0 };
      last = event.timeStamp;
    }
    held.add(event.key);
    wake();
  });
  element.addEventListener("keyup", (event) => {
    shift = event.shiftKey;
    held.delete(event.key);
  });
  element.addEventListener("blur", () => held.clear());

  return {
    element,
    /** @param {boolean} use whether the strip is the hand, or shows only what another does */
    use(use) {
      on = use;
      held.clear();
      push = { reach: reach(), speed: 0 };
      element.setAttribute("aria-readonly", String(!use));
    },
    /** @param {number|null} at @param {string} words */
    show(at, words) {
      // It is as tall as the range: moved by a transform, it has nothing laid out anew.
      needle.style.transform = `translateY(${(-100 * (at ?? 0)).toFixed(2)}%)`;
      if (needle.hidden !== (at === null)) needle.hidden = at === null;
      const now = String(Math.round(100 * (at ?? 0)));
      if (element.getAttribute("aria-valuenow") !== now) element.setAttribute("aria-valuenow", now);
      if (element.getAttribute("aria-valuetext") !== words) element.setAttribute("aria-valuetext", words);
    },
    begin() {},
    fault: () => "",
    /** @param {number} now */
    poll(now) {
      const way = (Number(held.has("ArrowUp")) - Number(held.has("ArrowDown"))) * (shift ? slow : 1);
      if (way === 0 && push.speed === 0) return false;
      const dt = clamp((now - last) / 1000, 0, 0.1);
      last = now;
      push = pushed(push, way, dt);
      tell(push.reach, now, false);
      return true;
    },
    end() {
      held.clear();
    },
  };
}

/** @returns {Pad[]} what the browser lets the page see */
export function padsNow() {
  try {
    return [...(navigator.getGamepads?.() ?? [])].filter((p) => p !== null && p.connected).map((p) => still(/** @type {Pad} */ (/** @type {unknown} */ (p))));
  } catch {
    return []; // a policy forbids it
  }
}

/** @param {Pad[]} pads @returns {{id: string, pad: string, name: string}[]} */
export function padChoices(pads) {
  return pads.flatMap((pad) => partsOf(pad).map((part) => ({ id: `pad:${pad.index}:${partId(part)}`, pad: pads.length > 1 ? `${padName(pad)} (${pad.index + 1})` : padName(pad), name: part.name })));
}

const looksAtMost = 1000; // 8 s of them: a hand that is asked to move does so sooner

/**
 * Finds the part of a gamepad that somebody moves from now on, and where it rested until
 * then: once it is found, it is in mid-movement.
 * @param {Pad[]} first
 */
export function createFinder(first) {
  /** @type {Map<number, Pad[]>} */
  const looks = new Map(first.map((pad) => [pad.index, [pad]]));
  return {
    /** @param {Pad[]} pads @returns {{id: string, rests: Map<number, number>, stray: number}|null} */
    look(pads) {
      for (const pad of pads) {
        const seen = looks.get(pad.index);
        if (!seen || seen[0].axes.length !== pad.axes.length) {
          looks.set(pad.index, [pad]);
          continue;
        }
        const part = movedPart(seen[0], pad);
        if (part) return { id: `pad:${pad.index}:${partId(part)}`, ...restsBefore(seen, part) };
        seen.push(pad);
        if (seen.length > looksAtMost) seen.splice(1, 1);
      }
      return null;
    },
  };
}

const learnFor = 500; // ms in which a stick rests
const lately = 250;   // ms that a gamepad's own moment may be past

/**
 * @param {string} id  "pad:INDEX:PART"
 * @param {object} o
 * @param {Tell} o.tell
 * @param {() => {dead: number, oneWay: boolean}} o.how
 * @param {(lost: boolean) => void} o.lost  it is gone, or is back
 * @param {(rest: number, stray: number) => void} o.learnt
 * @param {{rests: Map<number, number>, stray: number}|null} o.known  where it rests, where that is known; else it is learnt
 * @returns {Hand}
 */
export function createPadHand(id, { tell, how, lost, learnt, known }) {
  const [, index, part] = id.split(":");
  const button = part.startsWith("button");
  /** @type {Map<number, number>} */
  const rests = new Map();
  /** @type {{until: number, readings: Map<number, number[]>}|null} */
  let learning = null;
  let stamp = NaN;
  let gone = false;

  /** @param {Pad} pad @param {Part} of @param {number} now */
  function learnFrom(pad, of, now) {
    if (!learning) return;
    for (const i of [of.index, of.other]) {
      if (i < 0) continue;
      const list = learning.readings.get(i) ?? [];
      list.push(pad.axes[i] ?? 0);
      learning.readings.set(i, list);
    }
    if (now < learning.until) return;
    let stray = 0;
    /** @type {Map<number, number>} */
    const found = new Map();
    for (const [i, readings] of learning.readings) {
      const r = restOf(readings);
      found.set(i, r.rest);
      if (i === of.index) stray = r.stray;
    }
    learning = null;
    take({ rests: found, stray }, of.index);
  }

  /** @param {{rests: Map<number, number>, stray: number}} found @param {number} index  of the axis */
  function take(found, index) {
    for (const [i, rest] of found.rests) rests.set(i, clamp(rest, -0.5, 0.5));
    learnt(rests.get(index) ?? 0, found.stray);
  }

  function learn() {
    learning = { until: performance.now() + learnFor, readings: new Map() };
  }
  if (!button && known) take(known, Number(part.split("-")[1]));
  else if (!button) learn();

  return {
    begin() {},
    fault: () => (gone ? "The gamepad is gone: plug it in or press one of its buttons, or choose another hand" : ""),
    ...(button ? {} : { learn }),
    poll(now) {
      const pad = padsNow().find((p) => p.index === Number(index));
      const of = pad && partsOf(pad).find((p) => partId(p) === part);
      if (!pad || !of) {
        if (!gone) lost(true);
        gone = true;
        return true;
      }
      if (gone) lost(false);
      gone = false;
      if (of.kind === "axis") learnFrom(pad, of, now);
      const reach = reachOfPart(pad, of, { rests, ...how() });
      // The moment at which the browser heard of it (W3C Gamepad, timestamp): where it
      // says one of just now, that counts, else the look.
      const own = pad.timestamp > now - lately && pad.timestamp <= now + 1;
      const at = own && pad.timestamp !== stamp ? pad.timestamp : now;
      stamp = pad.timestamp;
      tell(reach, at, false);
      return true;
    },
    end() {},
  };
}

/**
 * Why the tilt cannot be had, or "". Asks the user where the browser wants that, so it
 * has to be called by a press.
 * @returns {Promise<string>}
 */
export async function askForTilt() {
  if (!globalThis.isSecureContext) return "Browsers tell the tilt to safe pages only: open the page over https (limberjack preview --tls-cert and --tls-key), or on the computer itself";
  if (typeof DeviceOrientationEvent === "undefined") return "This browser does not tell the tilt of the device";
  const ask = /** @type {{requestPermission?: () => Promise<string>}} */ (/** @type {unknown} */ (DeviceOrientationEvent)).requestPermission;
  if (typeof ask !== "function") return "";
  try {
    return (await ask.call(DeviceOrientationEvent)) === "granted" ? "" : "The tilt was not allowed: allow motion and orientation for this page in the browser's settings";
  } catch {
    return "The browser did not ask for the tilt: choose it once more by a tap";
  }
}

const silentFor = 2000; // ms

/**
 * @param {string} id  "tilt:pitch" or "tilt:roll"
 * @param {object} o
 * @param {Tell} o.tell
 * @param {() => {full: number, oneWay: boolean}} o.how  full: deg of tilt to either end
 * @param {(text: string) => void} o.fault
 * @returns {Hand}
 */
export function createTiltHand(id, { tell, how, fault }) {
  const of = id === "tilt:roll" ? "roll" : "pitch";
  /** deg @type {number|null} */
  let level = null;
  let now = NaN;

  /** @param {DeviceOrientationEvent} event */
  function heard(event) {
    const tilt = tiltOf(event, screen.orientation?.angle ?? 0);
    if (!tilt) return;
    clearTimeout(waiting);
    fault("");
    now = tilt[of];
    level ??= now;
    const { full, oneWay } = how();
    tell(reachOf(angleBetween(level, now) / full, oneWay), event.timeStamp);
  }
  addEventListener("deviceorientation", heard);
  const waiting = setTimeout(() => fault("No tilt comes: this device has no sensor for it, or keeps it from the page"), silentFor);

  return {
    begin() {
      if (Number.isFinite(now)) level = now;
    },
    learn() {
      level = Number.isFinite(now) ? now : null;
    },
    poll: () => false,
    fault: () => (Number.isFinite(now) ? "" : "No tilt has come yet: move the device a little, or choose another hand"),
    end() {
      clearTimeout(waiting);
      removeEventListener("deviceorientation", heard);
    },
  };
}
