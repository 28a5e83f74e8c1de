// The transport's controls: what is pressed to play, and where the motion is.

import { make, write } from "./dom.js";
import { whyIdle } from "./panels.js";
import { rates } from "./player.js";
import { beatsAt, clockTime, counter, frameOf, timecode } from "./time.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").PartOptions} PartOptions */
/** @typedef {import("./types.js").Part} Part */

/**
 * @param {PartOptions} options
 * @returns {Part}
 */
export function createControls({ element, store, actions }) {
  const place = createPlace(actions);
  const buttons = createButtons(store, actions);
  // The span stands beside the slider, which makes room: the buttons would wrap, and the sheet move.
  place.element.append(buttons.span);
  element.replaceChildren(place.element, buttons.element);

  /** @param {State} state @param {State|null} before */
  function update(state, before) {
    place.update(state, before);
    buttons.update(state, before);
  }

  update(store.get(), null);
  const end = store.subscribe(update);
  return {
    draw: (state) => place.draw(state),
    destroy() {
      end();
      element.replaceChildren();
    },
  };
}

/**
 * Where the motion is: timecode, seconds and beat, and the slider.
 * @param {import("./types.js").Actions} actions
 */
function createPlace(actions) {
  const big = make("span", { class: "timecode" });
  const small = make("span", { class: "seconds" });
  const count = make("strong", { class: "count", hidden: true });
  const slider = make("input", { type: "range", id: "scrub", min: 0, max: 0, step: 1, value: 0, "aria-label": "Time" });
  const element = make("div", { class: "place" }, make("div", { class: "clock" }, big, small, count), slider);
  let spoken = -Infinity;

  slider.addEventListener("input", () => actions.scrub(timeOf(Number(slider.value))));
  slider.addEventListener("change", () => actions.scrubEnd());
  let timeOf = (/** @type {number} */ frame) => frame / 100;

  /** @param {State} state */
  function measure({ score }) {
    const rate = score?.fps?.rate ?? 100;
    timeOf = (frame) => Math.min(frame / rate, score?.length ?? 0);
    slider.max = String(Math.ceil((score?.length ?? 0) * rate - 1e-6));
    slider.disabled = !score;
  }

  /** @param {State} state */
  function draw(state) {
    const { score, time, playing } = state;
    const fps = score?.fps ?? null;
    write(big, fps ? timecode(frameOf(time, fps), fps) : counter(time));
    write(small, smallText(state));
    const frame = String(Math.round(time * (fps?.rate ?? 100)));
    if (slider.value !== frame) slider.value = frame;
    // A screen reader that rests on the slider must not be told of every frame.
    const now = performance.now();
    if (!playing || now - spoken > 2000) {
      spoken = now;
      slider.setAttribute("aria-valuetext", fps ? `${timecode(frameOf(time, fps), fps)}, ${clockTime(time)}` : clockTime(time));
    }
  }

  return {
    element, draw,
    /** @param {State} state @param {State|null} before */
    update(state, before) {
      if (!before || state.score !== before.score) {
        measure(state);
        draw(state);
      }
      if (!before || state.counting !== before.counting) {
        count.hidden = state.counting === 0;
        write(count, state.counting > 0 ? String(state.counting) : "");
        if (state.counting > 0) actions.announce(String(state.counting));
      }
    },
  };
}

/** @param {State} state */
function smallText({ score, time }) {
  if (!score) return "";
  const at = score.fps ? `${(Math.floor(time * 100 + 1e-6) / 100).toFixed(2)} s ` : "";
  const parts = [`${at}of ${clockTime(score.length)}`];
  if (score.tempo?.length) parts.push(`beat ${Math.floor(beatsAt(time, score.tempo) + 1e-6) + 1}`);
  return parts.join(", ");
}

/**
 * @param {import("./types.js").Store} store
 * @param {import("./types.js").Actions} actions
 */
function createButtons(store, actions) {
  /** @param {string} text @param {string} label @param {() => void} press @param {string} [kind] */
  const button = (text, label, press, kind = "") => make("button", { type: "button", class: kind, "aria-label": label === text ? null : label, text, click: press });
  /** @param {string} text @param {string} label @param {() => void} press */
  const toggle = (text, label, press) => {
    const b = button(text, label, press);
    b.setAttribute("aria-pressed", "false");
    return b;
  };

  const play = button("Play", "Play", () => actions.toggle(), "play");
  const back = button("\u22121 frame", "\u22121 frame: a frame back", () => actions.step(-1));
  const on = button("+1 frame", "+1 frame: a frame on", () => actions.step(1));
  const loop = toggle("Loop", "Loop", () => actions.setLooping(!store.get().looping));
  const from = button("From here", "From here: the loop begins at this time", () => actions.setLoopEnd("from"));
  const to = button("To here", "To here: the loop ends at this time", () => actions.setLoopEnd("to"));
  const clear = button("No span", "No span: loop all of the motion", () => actions.setLoop(null));
  const count = toggle("Count-in", "Count-in", () => actions.setCountIn(!store.get().countIn));
  const sound = toggle("Sound", "Sound", () => actions.setMuted(!store.get().muted));
  const markBefore = button("Mark \u2212", "Mark \u2212: to the mark before", () => actions.toMark(-1));
  const markNext = button("Mark +", "Mark +: to the next mark", () => actions.toMark(1));
  const speed = make("select", { "aria-label": "Speed", change: () => actions.setRate(Number(speed.value)) },
    ...rates.slice().reverse().map((r) => make("option", { value: r, text: `${Math.round(r * 100)} %` })));
  const span = make("span", { class: "span" });
  const why = make("span", { class: "span" });
  const idle = make("p", { class: "idle", id: "transport-idle" });
  const more = toggle("More", "More controls", () => more.setAttribute("aria-expanded", String(element.classList.toggle("open"))));
  more.removeAttribute("aria-pressed");
  more.setAttribute("aria-expanded", "false");
  more.classList.add("more");

  /** @param {string} kind @param {string} label @param {...Node} children */
  const group = (kind, label, ...children) => make("div", { class: `group ${kind}`, role: "group", "aria-label": label }, ...children);
  const first = group("first", "Play", play, back, on, loop, more);
  first.setAttribute("aria-describedby", idle.id);
  const element = make("div", { class: "buttons" },
    first, idle,
    group("rest", "Move", button("Start", "Start: to the start", () => actions.toStart()), button("End", "End: to the end", () => actions.toEnd()), markBefore, markNext),
    group("rest", "Loop span", from, to, clear),
    group("rest", "How it plays", make("label", { class: "speed" }, make("span", { text: "Speed" }), speed), count, sound, why),
    group("rest zoom", "Zoom of the sheet", button("Zoom \u2212", "Zoom \u2212: zoom out", () => actions.zoom(1 / 1.5)),
      button("Zoom +", "Zoom +: zoom in", () => actions.zoom(1.5)), button("All", "All: show all of the motion", () => actions.fit())));

  /** @param {State} state */
  function ends({ score, loop: l }) {
    clear.disabled = !l || !score;
    write(span, l ? `loop ${shortPlace(l.from, score)} to ${shortPlace(l.to, score)}` : "");
  }

  /** @param {State} state */
  function sounding({ score, sound: kind, soundTrouble, muted }) {
    const silent = kind === "none" || kind === "failed";
    sound.disabled = silent || !score;
    sound.setAttribute("aria-pressed", String(!muted && !sound.disabled));
    write(why, soundTrouble);
    write(sound, kind === "loading" ? "Loading sound" : score && silent ? "No sound" : "Sound");
    sound.title = score && !score.sound ? "The motion names no sound file" : "";
  }

  /** Without a motion nothing here does anything; the reason stands beside it. @param {State} state */
  function wake(state) {
    const without = whyIdle(state);
    write(idle, without);
    for (const e of element.querySelectorAll("button, select")) {
      if (e !== more && (e instanceof HTMLButtonElement || e instanceof HTMLSelectElement)) e.disabled = without !== "";
    }
    for (const b of [markBefore, markNext]) b.disabled = !state.score?.marks.length;
    ends(state);
    sounding(state);
  }

  return {
    element, span,
    /** @param {State} state @param {State|null} before */
    update(state, before) {
      /** @param {(keyof State)[]} keys */
      const changed = (...keys) => !before || keys.some((k) => state[k] !== before[k]);
      if (changed("playing", "boards")) {
        write(play, state.boards === "running" ? "Hold" : state.boards === "" && state.playing ? "Stop" : "Play");
        if (state.boards) play.setAttribute("aria-label", `${play.textContent}: on the boards`);
        else play.removeAttribute("aria-label");
        play.classList.toggle("boards", state.boards !== "");
      }
      if (changed("looping")) loop.setAttribute("aria-pressed", String(state.looping));
      if (changed("countIn")) count.setAttribute("aria-pressed", String(state.countIn));
      if (changed("rate")) speed.value = String(state.rate);
      if (changed("score", "project", "motion", "trouble")) wake(state);
      if (changed("loop")) ends(state);
      if (changed("sound", "soundTrouble", "muted")) sounding(state);
    },
  };
}

/** @param {number} time @param {import("./types.js").Score|null} score */
function shortPlace(time, score) {
  if (!score?.fps) return clockTime(time);
  const code = timecode(Math.round(time * score.fps.rate), score.fps);
  // Within a minute the hours and minutes say nothing.
  return score.length < 60 ? code.replace(/^00:00:/, "") : code.replace(/^00:/, "");
}

