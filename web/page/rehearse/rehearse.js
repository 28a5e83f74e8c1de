// Rehearsing on the real boards: who drives, what the boards do, and Stop, which
// is there for everyone.

import { ask as askServer } from "../api.js";
import { make, write } from "../dom.js";
import { createBaton } from "./baton.js";
import { createServerClock, leaderOf } from "./clock.js";
import { createTools } from "./tools.js";
import { createWake } from "./wake.js";
import { boardsOf, conducted, driverText, escDoes, figures, forgetsPress, live, nothing, phaseText, ruleText, stopDoes, stopFace } from "./words.js";

/** @typedef {import("./words.js").Rehearsal} Rehearsal */
/** @typedef {import("./tools.js").Answer} Answer */

const beatEvery = 250; // ms
const stopPatience = 300; // ms until a stop goes by the other way, too
const haltPatience = 1500; // ms until it is said that no way led to the server

/**
 * @param {object} options
 * @param {HTMLElement} options.element
 * @param {HTMLElement} options.beside   where the button stands that opens the part
 * @param {HTMLElement[]} options.dialogs  modal ones, in which Stop has to be, too
 * @param {import("../types.js").Store} options.store
 * @param {import("../types.js").Actions} options.actions
 * @param {import("../transport.js").Transport} options.transport  the page's own
 * @param {(text: string) => boolean} options.send  on the socket; false: there is none
 */
export function createRehearse({ element, beside, dialogs, store, actions, transport, send }) {
  /** @type {Rehearsal} */
  let state = nothing;
  let page = "";
  let key = "";
  let open = false;
  let pressed = false;
  let stopped = -Infinity; // ms, when a stop was last asked for here
  let follows = false; // the page's transport runs with the boards
  let aside = false; // somebody at this page plays by themselves while boards run
  const clock = createServerClock();
  let last = 0;
  /** @type {Map<number, (a: Answer) => void>} */
  const waiting = new Map();

  /** @type {Set<(state: Rehearsal, before: Rehearsal) => void>} */
  const ears = new Set();

  const drives = () => page !== "" && state.driver === page;
  const conducts = () => drives() && conducted(state);
  /** @type {import("./tools.js").RehearsalDesk} */
  const desk = {
    state: () => state, page: () => page, key: () => key, drives, conducts, ask, wish, stop: () => press(),
    now: () => clock.at(performance.now()),
    hear(heard) {
      ears.add(heard);
      return () => ears.delete(heard);
    },
  };

  /** @param {string} word @param {object} [more] @returns {Promise<Answer>} */
  function ask(word, more = {}) {
    const id = ++last;
    return new Promise((done) => {
      waiting.set(id, done);
      if (!send(JSON.stringify({ type: "rehearse", do: word, id, ...more }))) {
        waiting.delete(id);
        done({ ok: false, text: "the server is not reached" });
      }
    });
  }

  /** Tells what was refused. @param {string} word @param {object} [more] */
  async function wish(word, more) {
    write(fault, "");
    const a = await ask(word, more);
    if (!a.ok) {
      write(fault, a.text ?? `${word} was refused`);
      if (note.textContent === fault.textContent) write(note, "");
      actions.announce(fault.textContent ?? "");
    }
    return a;
  }

  // Stop.

  /** @param {"stop"|"drop"} word */
  function halt(word) {
    const byHTTP = () => void haltByHTTP(word).catch((e) => {
      write(fault, `The stop may not have reached the boards (${e instanceof Error && e.name !== "TimeoutError" ? e.message : "the server does not answer"}): use the switch that cuts the power. Boards that hear of nobody stop by themselves.`);
      actions.announce(fault.textContent ?? "");
    });
    if (!store.get().connected) return byHTTP();
    const timer = setTimeout(byHTTP, stopPatience);
    void ask(word).then((a) => {
      clearTimeout(timer);
      if (!a.ok) byHTTP();
    });
  }

  const since = () => performance.now() - stopped;

  function press(does = stopDoes(state, pressed, since())) {
    if (does === "") return;
    halt(does);
    pressed = true;
    if (does === "stop") stopped = performance.now();
    follow();
    transport.stop();
    show();
    actions.announce(does === "stop" ? "Stop. Pressed again it drops the pulses, and what carries weight falls." : "The pulses are dropped.");
  }

  const stops = [element, ...dialogs].map(() => make("button", { type: "button", class: "halt", pointerdown: onPointer, click: onClick }));
  const stopNote = make("p", { class: "halt-note", id: "halt-note" });
  stops[0].setAttribute("aria-describedby", stopNote.id);
  // After what is there: the first button of a dialog has the focus, and must not be this one.
  dialogs.forEach((d, k) => d.querySelector(".head")?.append(stops[k + 1]));

  // It stops when it is touched, not when the finger leaves; the click that follows is the same press.
  let pointed = -Infinity;
  /** @param {PointerEvent} event */
  function onPointer(event) {
    if (event.button !== 0 || !event.isPrimary) return; // nor a second finger
    pointed = event.timeStamp;
    press();
  }
  /** @param {MouseEvent} event */
  function onClick(event) {
    if (event.detail > 0 && pointed > -Infinity) {
      pointed = -Infinity;
      return;
    }
    press();
  }

  addEventListener("keydown", (event) => {
    const does = event.key === "Escape" ? escDoes(state, pressed, since()) : null;
    if (does === null) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (!event.repeat) press(does);
  }, { capture: true });

  // Beats; and who goes lets go.

  setInterval(() => {
    if (drives()) send('{"type":"beat"}');
  }, beatEvery);

  function leave() {
    if (!drives()) return;
    if (live(state)) navigator.sendBeacon("/api/rehearsal/stop");
    send(JSON.stringify({ type: "rehearse", do: "hidden", id: ++last }));
  }
  addEventListener("pagehide", leave);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) leave();
    else clock.forget(); // the computer may have slept
    wake();
  });

  // What is seen.

  const toggle = make("button", { type: "button", class: "rehearse-open", text: "Rehearse", "aria-expanded": "false", "aria-controls": "rehearse-body", click: () => {
    if (open && !tools.shut()) return;
    open = !open;
    show();
  } });
  beside.append(toggle);
  /** @param {string} text @param {() => void} click */
  const button = (text, click) => make("button", { type: "button", text, click });

  const phase = make("strong", { class: "phase" });
  const who = make("span", { class: "who" });
  const note = make("p", { class: "note" });
  const fault = make("p", { class: "fault", role: "alert" });
  const places = make("div", { class: "places" });
  const ports = make("datalist", { id: "rehearse-ports" });
  const question = make("div", { class: "question", role: "group", "aria-label": "Before pulses leave" });
  const figuresOf = make("div", { class: "figures" });

  const drive = button("Drive", () => void wish("drive"));
  const letGo = button("Stop driving", () => void wish("let-go"));
  const find = button("Find ports", findPorts);
  const connect = button("Connect", connectAll);
  const part = button("Disconnect", () => void wish("part"));
  const play = button("Play on the boards", () => baton.toggle());
  const asked = make("p");
  const sure = button("Yes: arm", () => {
    pressed = false;
    void wish("arm", { confirmed: true });
  });
  question.append(asked, sure);

  const strip = make("div", { class: "strip" }, stops[0], make("div", { class: "now" }, phase, who), stopNote);
  const row = make("div", { class: "row" }, drive, letGo, find, connect, part, play);
  const rule = make("p", { class: "rule" });
  const losses = make("ul", { class: "losses", "aria-label": "Boards that were lost" });
  const body = make("div", { id: "rehearse-body" }, row, rule, losses, places, ports, question, note, figuresOf);
  element.replaceChildren(strip, fault, body);
  const baton = createBaton({ store, page: transport, desk, pressed: () => (pressed = false), announce: actions.announce });
  const wake = createWake(() => drives() && live(state));
  const tools = createTools({ row, body, beside, after: element, fault: (text) => write(fault, text), desk, store, actions });

  let placesFor = "";
  let listed = ""; // the ports that were found
  /** Fields for the places of the motion's boards. */
  function ground() {
    const { score } = store.get();
    const names = boardsOf(score?.rows ?? []);
    const rig = score?.rig ?? "";
    const wanted = `${rig} ${names} ${JSON.stringify(state.places)}`;
    if (placesFor === wanted) return;
    const typed = new Map(placesFor.startsWith(`${rig} `) ? [...places.querySelectorAll("input")].map((i) => [i.name, i.value]) : []);
    placesFor = wanted;
    places.replaceChildren(...names.map((name) => make("label", {}, make("span", { text: name }),
      make("input", { type: "text", name, list: "rehearse-ports", autocomplete: "off", spellcheck: "false", placeholder: "port, or ws://address", value: typed.get(name) || state.places[name] || remembered(rig, name) }))));
  }

  async function findPorts() {
    const a = await wish("ports");
    const list = a.ports ?? [];
    ports.replaceChildren(...list.map((p) => make("option", { value: p.port })));
    listed = list.length > 0 ? `Ports: ${list.map((p) => p.port).join(", ")}` : "No serial port was found";
    show();
    actions.announce(listed);
  }

  function connectAll() {
    const { motion, score } = store.get();
    /** @type {Record<string, string>} */
    const boards = {};
    for (const input of places.querySelectorAll("input")) {
      const at = input.value.trim();
      if (at === "") {
        write(fault, `Board ${input.name} has no place: write its port or address`);
        input.focus();
        return;
      }
      boards[input.name] = at;
      remember(score?.rig ?? "", input.name, at);
    }
    void wish("connect", { motion, boards });
  }

  function show() {
    const near = live(state) || state.boards.length > 0 || pressed;
    element.hidden = !open && !near && state.driver !== page;
    if (page === "" && !open && !near) element.hidden = true;
    body.hidden = !open;
    toggle.setAttribute("aria-expanded", String(open));
    toggle.setAttribute("aria-pressed", String(open));
    const face = stopFace(state, pressed);
    for (const s of stops) {
      write(s, face.label);
      s.classList.toggle("drop", face.does === "drop");
    }
    stops.slice(1).forEach((s) => (s.hidden = !near));
    const esc = escDoes(state, pressed, since());
    write(stopNote, `${face.note}${face.does === "drop" && (esc === null || esc === "stop") ? "" : " Key: Esc."}`);
    write(phase, store.get().connected ? phaseText(state) : "The server is not reached: without a beat for a second it stops the boards");
    write(who, driverText(state, page) + (aside ? ". This page plays by itself until they begin anew" : "") + (state.newer ? ". A newer version of the motion is taken at the next Play" : ""));
    if (!open) return;
    const mine = drives();
    const apart = state.phase === "apart";
    drive.hidden = mine;
    drive.disabled = state.driver !== "";
    letGo.hidden = !mine;
    find.hidden = connect.hidden = !apart;
    places.hidden = !apart;
    connect.disabled = !mine;
    part.hidden = apart;
    part.disabled = !mine;
    play.disabled = !conducts();
    write(play, conducts() ? baton.label() : "Play on the boards");
    rule.hidden = !mine;
    write(rule, ruleText(state));
    question.hidden = state.confirm === "" || live(state);
    write(asked, state.confirm);
    sure.disabled = !mine;
    const said = state.note === fault.textContent ? "" : state.note; // who asked has been told above
    write(note, said || listed);
    ground();
    draw();
  }

  function draw() {
    const lost = state.boards.filter((b) => b.lost !== "");
    losses.hidden = lost.length === 0;
    const text = JSON.stringify(lost.map((b) => [b.name, b.lost, b.linked]));
    if (losses.dataset.of !== text) {
      losses.dataset.of = text;
      losses.replaceChildren(...lost.map((b) => make("li", {}, make("strong", { text: `${b.name} was lost: ` }), `${b.lost}. ${b.help} ${b.linked ? "It is back; nothing moves because of that." : ""}`)));
    }
    figuresOf.replaceChildren(...state.boards.map((b) => make("dl", { class: "board" },
      make("div", { class: "name" }, make("dt", { text: b.name }), make("dd", { text: b.why || (b.linked ? b.state : "no link") })),
      ...figures(b).map(([label, text]) => make("div", {}, make("dt", { class: "label", text: label }), make("dd", { text }))))));
  }

  // The page's own playhead and sound run with the boards, in every page that shows what
  // they play. Who takes the transport there meanwhile has it, until boards begin anew.
  function follow() {
    const leader = !pressed && state.motion === store.get().motion && !baton.waits() ? leaderOf(state, clock) : null;
    if (!leader) aside = false;
    if (leader && !aside) transport.along(leader);
    else if (follows && !leader) transport.along(null);
    follows = leader !== null && !aside;
  }

  /** @param {Rehearsal} before */
  const tell = (before) => ears.forEach((heard) => heard(state, before));

  store.subscribe((s, before) => {
    if (s.connected !== before.connected || s.score !== before.score) show();
    if (s.connected !== before.connected) tell(state);
    if (conducts() && (s.time !== before.time || s.rate !== before.rate || s.loop !== before.loop || s.boards !== before.boards)) write(play, baton.label());
  });
  show();

  return {
    /** Takes a message of the socket. @param {any} message */
    take(message) {
      if (message.type === "hello") {
        page = String(message.page);
        key = String(message.key);
        clock.forget();
        for (const done of waiting.values()) done({ ok: false, text: "the connection to the server broke" });
        waiting.clear();
      } else if (message.type === "rehearsal-answer") {
        waiting.get(message.id)?.(message);
        waiting.delete(message.id);
        return;
      } else if (message.type === "rehearsal") {
        const was = state.phase;
        const before = state;
        state = message;
        clock.heard(state.now_ms, performance.now());
        if (forgetsPress(state)) pressed = false;
        if (was !== state.phase) actions.announce(phaseText(state));
        follow();
        baton.told(before);
        wake();
        tell(before);
      } else return;
      show();
    },
    desk,
    /** Whose hands are on the transport now: the boards', where this page conducts them. */
    hands() {
      if (conducts()) return baton;
      if (follows) {
        aside = true;
        follows = false;
        show();
      }
      return transport;
    },
  };
}

/** Stops without the socket, which may be dead. @param {"stop"|"drop"} word */
async function haltByHTTP(word) {
  await askServer(`/api/rehearsal/${word}`, AbortSignal.timeout(haltPatience), { method: "POST", keepalive: true });
}

/** @param {string} rig @param {string} board */
export function remembered(rig, board) {
  try {
    return localStorage.getItem(`limberjack-place ${rig} ${board}`) ?? "";
  } catch {
    return "";
  }
}

/** @param {string} rig @param {string} board @param {string} at */
export function remember(rig, board, at) {
  try {
    localStorage.setItem(`limberjack-place ${rig} ${board}`, at);
  } catch {
    // Then it is typed again.
  }
}
