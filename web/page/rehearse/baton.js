// The transport of the page that drives, while pulses leave: play, stop, places,
// speed and loop go to the boards, and the page plays along with them.

import { nextOf, snapped, stepped } from "../player.js";
import { clockTime } from "../time.js";
import { playRequest, resumes } from "./words.js";

/** @typedef {import("./words.js").Rehearsal} Rehearsal */

const settle = 300; // ms for which hands may go on turning at speed and loop

/** What a transport does, wherever it plays. */
/** @typedef {Pick<import("../transport.js").Transport, "play"|"stop"|"seek"|"scrub"|"scrubEnd"|"step"|"toMark">} Hands */

/**
 * @param {object} o
 * @param {import("../types.js").Store} o.store
 * @param {Pick<import("../transport.js").Transport, "seek"|"stop">} o.page  the page's own transport
 * @param {import("./tools.js").RehearsalDesk} o.desk
 * @param {() => void} o.pressed   something is played anew: what was pressed before counts no more
 * @param {(text: string) => void} o.announce
 * waits says that the playhead is elsewhere than the boards, which come.
 * @returns {Hands & {told: (before: Rehearsal) => void, running: () => boolean, waits: () => boolean, label: () => string, toggle: () => void}}
 */
export function createBaton({ store, page, desk, pressed, announce }) {
  let scrubbing = false;
  let again = false; // it played before it was dragged
  let asked = false; // a play is on its way
  let holding = false; // a hold is on its way, or will be when that play has come
  let own = false; // the playhead was taken elsewhere meanwhile
  /** @type {{motion: string, rate: number, looping: boolean, loop: import("../types.js").Span|null, time: number}|null} */
  let held = null; // what was held, and where
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let later;

  const running = () => !holding && (asked || moving(desk.state()));

  function play() {
    clearTimeout(later);
    const s = store.get();
    if (!s.score) return;
    pressed();
    if (desk.state().phase === "held" && held && resumes(held, s)) {
      void desk.wish("resume");
      return;
    }
    begin(s.countIn);
  }

  /** @param {boolean} counted */
  function begin(counted) {
    const s = store.get();
    held = null;
    asked = true;
    holding = own = false;
    tell();
    void desk.wish("play", playRequest({ ...s, countIn: counted }, s.score?.length ?? 0)).then(() => {
      asked = false;
      if (holding) hold();
      tell();
    });
  }

  function hold() {
    void desk.wish("hold").then((a) => {
      if (!a.ok) holding = false;
      tell();
    });
  }

  function stop() {
    clearTimeout(later);
    if (!running()) return;
    holding = true;
    if (!asked) hold();
    tell();
  }

  /** Goes on from where the page is now, without a count-in: hands are on it already. */
  function anew() {
    clearTimeout(later);
    if (desk.conducts() && running()) begin(false);
  }

  /** Takes the playhead elsewhere; the boards stay. @param {number} time */
  function to(time) {
    own = holding;
    page.stop();
    page.seek(time);
  }

  /** @param {number} time */
  function seek(time) {
    const plays = running();
    to(time);
    if (plays && !scrubbing) anew();
  }

  /** @param {number} time */
  function scrub(time) {
    const { score } = store.get();
    if (!scrubbing) {
      scrubbing = true;
      again = running();
      if (again) stop();
    }
    to(snapped(time, score?.fps ?? null, score?.length ?? 0));
  }

  function scrubEnd() {
    if (!scrubbing) return;
    scrubbing = false;
    if (again && desk.conducts()) begin(false);
  }

  /** @param {number} frames */
  function step(frames) {
    const { score, time } = store.get();
    if (!score) return;
    stop();
    to(stepped(time, frames, score.fps?.rate ?? score.boardRate, score.length));
    announce(clockTime(store.get().time));
  }

  /** @param {1|-1} direction */
  function toMark(direction) {
    const { score, time } = store.get();
    const t = nextOf(score?.marks.map((m) => m.at) ?? [], running() && direction < 0 ? time - 0.5 : time, direction);
    if (t === null) announce(direction > 0 ? "No mark after this" : "No mark before this");
    else seek(t);
  }

  function here() {
    const { motion, rate, looping, loop, time } = store.get();
    return { motion, rate, looping, loop, time };
  }

  function tell() {
    store.set({ boards: desk.conducts() ? (running() ? "running" : "still") : "" });
  }

  store.subscribe((s, before) => {
    if (s.rate === before.rate && s.loop === before.loop && s.looping === before.looping) return;
    if (s.score !== before.score) return; // cut to another version, by nobody's hand: boards play on
    clearTimeout(later);
    if (desk.conducts() && running()) later = setTimeout(anew, settle);
  });

  return {
    play, stop, seek, scrub, scrubEnd, step, toMark, running,
    waits: () => asked || own || scrubbing,
    toggle: () => (running() ? stop() : play()),
    label() {
      const s = store.get();
      if (running()) return "Hold";
      if (desk.state().phase === "held" && held && resumes(held, s)) return "Go on";
      const lost = desk.state().resume_at;
      return lost === null ? "Play on the boards" : `Play from ${clockTime(s.time)}`;
    },
    told(before) {
      const now = desk.state();
      if (now.phase !== "held") held = null;
      else if (before.phase !== "held") held = own ? null : here();
      if (held && !scrubbing && now.position !== null && held.time === store.get().time) {
        page.seek(now.position);
        held.time = store.get().time;
      }
      if (!moving(now)) holding = own = false;
      if (now.resume_at !== null && before.resume_at === null) {
        page.stop();
        page.seek(now.resume_at);
      }
      if (!desk.conducts()) {
        clearTimeout(later);
        again = false;
      }
      tell();
    },
  };
}

/** Whether boards move, or are about to, for something that is played. @param {Rehearsal} r */
const moving = (r) => r.phase === "moving" || r.phase === "count-in" || r.phase === "playing";
