// The page: puts its parts together.

import { ask, connect, createFollower, motionOf, motionPath, projectIn } from "./api.js";
import { createControls } from "./controls.js";
import { byId } from "./dom.js";
import { createEdit } from "./edit/edit.js";
import { early, forget } from "./first.js";
import { createHelp } from "./help.js";
import { listen } from "./keys.js";
import { createLoop } from "./loop.js";
import { createDoor } from "./mend/door.js";
import { createFindings, createLower, createMasthead, createMotions, createNotices } from "./panels.js";
import { nextOf, spanWithin, withEnd } from "./player.js";
import { createRehearse } from "./rehearse/rehearse.js";
import { live } from "./rehearse/words.js";
import { createSheet } from "./sheet/sheet.js";
import { createSound } from "./sound.js";
import { createStage } from "./stage/stage.js";
import { createStore, initialState } from "./store.js";
import { clockTime } from "./time.js";
import { createTransport } from "./transport.js";
import { panned, turned, within, zoomed } from "./view.js";
import { chosenIn } from "./which.js";

/** @typedef {import("./types.js").Actions} Actions */
/** @typedef {import("./types.js").Part} Part */
/** @typedef {import("./types.js").State} State */

// Decoded, a sound takes some four times as many bytes.
const greatestSound = 200 * 2 ** 20; // bytes

const store = createStore({ ...initialState(), theme: preferred("theme") === "dark" || (preferred("theme") === null && darkSystem().matches) ? "dark" : "paper", shortcuts: preferred("shortcuts") !== "off" });
document.documentElement.dataset.theme = store.get().theme;
const loop = createLoop(draw);
const sound = createSound();
const announce = createAnnouncer(byId("said"));
const transport = createTransport({ store, sound, request: loop.request, announce });
const actions = createActions();
const follower = createFollower(store, early);
const options = { store, actions, request: loop.request };

let pageKey = ""; // by which the server knows this page's changes
/** @type {import("./edit/edit.js").Editing|null} */
let edit = null;

const help = createHelp(/** @type {HTMLDialogElement} */ (byId("help")), store, actions);
const page = { help, turnEdit: () => edit?.editor.setOn(!edit.editor.on()), turnProposal: () => mend.turn(), turnTheme: () => actions.setTheme(store.get().theme === "dark" ? "paper" : "dark") };
createMasthead(byId("masthead"), store, page);
createMotions(byId("motions"), store, actions);
createLower(byId("lower"), byId("desk"), store, loop.request);
createFindings(byId("findings"), store, actions, (finding) => void mend.open(finding));
const sheet = createSheet({ element: byId("sheet"), ...options, taken: (event) => edit?.taken(event) ?? false });
/** @type {Part[]} */
const parts = [
  createControls({ element: byId("transport"), ...options }),
  sheet,
  createStage({ element: byId("stage"), ...options }),
];
edit = createEdit({ ...options, bar: byId("edit"), beside: /** @type {HTMLElement} */ (document.querySelector("#transport .place")), ground: () => sheet.ground, follow, rest: follower.rest, key: () => pageKey });
parts.push(edit);
const mend = createDoor({ ...options, findings: byId("findings"), sheet: byId("sheet"), key: () => pageKey, editor: edit.editor, ground: () => sheet.ground, follow });
parts.push(mend);
listen(document, { ...actions, ...page }, store.get);
followSystem();
followSound();

// The first answer comes sooner by itself than by the socket, which has to shake hands.
void early("/api/project").then(async (answer) => (answer ?? (await ask("/api/project"))).text()).then((text) => {
  const project = projectIn(`{"type":"project","project":${text}}`);
  if (project && !store.get().project) takeProject(project);
}, () => {});

const rehearse = createRehearse({ element: byId("rehearse"), beside: /** @type {HTMLElement} */ (document.querySelector("#transport .place")), dialogs: [byId("help")], store, actions, transport, send: (text) => link.send(text) });

const link = connect({
  url: `${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/api/socket`,
  onProject: takeProject,
  onMessage(message) {
    if (message.type === "hello") pageKey = message.key;
    if (message.type === "proposal") store.set({ proposal: message });
    // Before the boards' own transport counts: what they play is the motion as it stands.
    if (message.type === "rehearsal") mend.boards(live(message));
    mend.take(message);
    rehearse.take(message);
  },
  onConnection: (connected) => store.set({ connected }),
});
createNotices(byId("notices"), store, { reconnect: link.now, announce });
addEventListener("online", link.probe);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) link.probe();
});

// Any change of the state may show; the loop draws it once a frame.
store.subscribe((state, before) => {
  if (state.time !== before.time) turnPage(state);
  loop.request();
});

/** @param {import("./types.js").Project} project */
function takeProject(project) {
  const motion = motionOf(project, store.get().motion || chosenIn(location.hash));
  const { problems } = store.get();
  // The same errors again are no news.
  const same = JSON.stringify(problems) === JSON.stringify(project.problems);
  store.set({ project, motion, problems: same ? problems : project.problems });
  follow();
}

/** What the page itself has changed comes as the answer to that. */
function follow() {
  const { project, motion } = store.get();
  const revision = project?.motions.find((m) => m.name === motion)?.revision ?? "";
  if (!edit?.editor.leads(revision) && !mend.holds(revision)) void follower.follow();
  forget(); // it has what was asked for early
}

// For the browser's console, and for tests that drive the page.
Object.assign(globalThis, { limberjack: { store, actions, sound, sheet, rehearse } });

// The even times of frames make an even movement. A frame that was held up says
// a time that is over, and the picture would trail the sound by as much.
const stale = 8; // ms

/** @param {number} frame ms @returns {boolean} */
function draw(frame) {
  const now = performance.now();
  let more = transport.tick(now - frame > stale ? now : frame);
  const state = store.get();
  for (const part of parts) more = part.draw(state) === true || more;
  return more;
}

/** @param {State} state */
function turnPage({ view, time, score, playing }) {
  if (score) store.set({ view: keepSame(view, turned(view, time, score.length, playing)) });
}

/** @param {import("./types.js").Span} a @param {import("./types.js").Span} b */
function keepSame(a, b) {
  return a.from === b.from && a.to === b.to ? a : b;
}

/** @returns {Actions} */
function createActions() {
  const length = () => store.get().score?.length ?? 0;
  const hands = () => rehearse.hands();
  /** @param {import("./types.js").Span} view */
  const setView = (view) => {
    if (store.get().score) store.set({ view: keepSame(store.get().view, view) });
  };
  /** @param {import("./types.js").Span|null} span */
  function setLoop(span) {
    const kept = span && spanWithin(span.from, span.to, length());
    store.set({ loop: kept, looping: kept ? true : store.get().looping });
    announce(kept ? `Loop from ${clockTime(kept.from)} to ${clockTime(kept.to)}` : "No loop span");
  }
  /** @param {number|null} number */
  function selectFinding(number) {
    const f = store.get().score?.findings.find((x) => x.number === number);
    store.set({ finding: f ? f.number : null });
    if (!f) return;
    const { view } = store.get();
    if (f.from < view.from || f.to > view.to) {
      const span = Math.max(view.to - view.from, 1.2 * (f.to - f.from));
      const middle = (f.from + f.to) / 2;
      setView(within({ from: middle - span / 2, to: middle + span / 2 }, length()));
    }
    hands().stop();
    hands().seek(f.from);
    announce(`Finding ${f.number}, ${f.severity}: ${f.text}`);
  }
  return {
    seek: (time) => hands().seek(time),
    scrub: (time) => hands().scrub(time),
    scrubEnd: () => hands().scrubEnd(),
    play: () => hands().play(),
    stop: () => hands().stop(),
    toggle: () => hands().toggle(),
    momentAt: transport.momentAt,
    step: (frames) => hands().step(frames),
    skip: (seconds) => hands().seek(store.get().time + seconds),
    toStart: () => hands().seek(0),
    toEnd: () => hands().seek(length()),
    toMark: (direction) => hands().toMark(direction),
    setRate(rate) {
      store.set({ rate: Math.min(1, Math.max(0.1, rate)) });
      announce(`Speed ${Math.round(store.get().rate * 100)} %`);
    },
    setLoop,
    setLoopEnd: (end) => setLoop(withEnd(store.get().loop, end, store.get().time, length())),
    setLooping(looping) {
      store.set({ looping });
      announce(looping ? "Loop on" : "Loop off");
    },
    setCountIn(countIn) {
      store.set({ countIn });
      announce(countIn ? "Count-in on" : "Count-in off");
    },
    setMuted(muted) {
      store.set({ muted });
      announce(muted ? "Sound off" : "Sound on");
    },
    zoom: (factor, about) => setView(zoomed(store.get().view, factor, about ?? store.get().time, length())),
    pan: (seconds) => setView(panned(store.get().view, seconds, length())),
    show: (span) => setView(within(span, length())),
    fit: () => setView(within({ from: 0, to: length() }, length())),
    selectFinding,
    toFinding(direction) {
      const { score, finding } = store.get();
      const numbers = score?.findings.map((f) => f.number) ?? [];
      const first = direction > 0 ? Math.min(...numbers) : Math.max(...numbers);
      if (numbers.length > 0) selectFinding(finding === null ? first : nextOf(numbers, finding, direction) ?? first);
    },
    selectRow: (row) => store.set({ row }),
    setRows: (rows) => store.set({ rows: { ...store.get().rows, ...rows } }),
    setStage: (patch) => store.set({ stage: { ...store.get().stage, ...patch } }),
    setTheme(theme) {
      prefer("theme", theme);
      turnTheme(theme);
    },
    setShortcuts(shortcuts) {
      prefer("shortcuts", shortcuts ? "on" : "off");
      store.set({ shortcuts });
    },
    choose(motion) {
      if (motion === store.get().motion) return;
      hands().stop();
      store.set({ motion, trouble: "" });
      history.replaceState(null, "", `#${encodeURIComponent(motion)}`);
      announce(store.get().project?.motions.find((m) => m.name === motion)?.title ?? motion);
      void follower.follow();
    },
    announce,
  };
}

/** @param {"paper"|"dark"} theme */
function turnTheme(theme) {
  if (theme === store.get().theme) return;
  document.documentElement.dataset.theme = theme;
  store.set({ theme, themeCount: store.get().themeCount + 1 });
}

function darkSystem() {
  return matchMedia("(prefers-color-scheme: dark)");
}

/** The system's wish holds until someone chooses. */
function followSystem() {
  darkSystem().addEventListener("change", (event) => {
    if (preferred("theme") === null) turnTheme(event.matches ? "dark" : "paper");
  });
}

/** Fetches and decodes the sound when it is another one, behind everything else. */
function followSound() {
  let have = "";
  /** @type {AbortController|null} */
  let flight = null;
  store.subscribe((state, before) => {
    if (state.score !== before.score) void take(state);
  });

  /** @param {State} state */
  async function take({ score }) {
    flight?.abort();
    if (!score?.sound) {
      have = "";
      sound.use(null);
      store.set({ sound: "none", soundTrouble: "" });
      return;
    }
    const mine = (flight = new AbortController());
    const path = motionPath(score.name, "sound");
    try {
      const head = await ask(path, mine.signal, { method: "HEAD" });
      const version = `${path} ${head.headers.get("ETag")} ${head.headers.get("Last-Modified")} ${head.headers.get("Content-Length")}`;
      if (version === have) return;
      if (Number(head.headers.get("Content-Length")) > greatestSound) throw new Error("the file is too long to play in the page");
      store.set({ sound: "loading", soundTrouble: "" });
      const data = await (await ask(path, mine.signal)).arrayBuffer();
      const decoded = await sound.decode(data);
      if (mine.signal.aborted) return;
      sound.use(decoded);
      have = version;
      store.set({ sound: "ready" });
    } catch (e) {
      if (mine.signal.aborted) return;
      have = "";
      sound.use(null);
      const soundTrouble = e instanceof Error ? e.message : String(e);
      store.set({ sound: "failed", soundTrouble });
      announce(`No sound: ${soundTrouble}`);
    }
  }
}

// What was chosen for the page is remembered where the browser allows it.
/** @param {string} key @returns {string|null} */
function preferred(key) {
  try {
    return localStorage.getItem(`limberjack-${key}`);
  } catch {
    return null;
  }
}

/** @param {string} key @param {string} value */
function prefer(key, value) {
  try {
    localStorage.setItem(`limberjack-${key}`, value);
  } catch {
    // Without it the choice holds as long as the page.
  }
}

/**
 * Says things to screen readers: the newest, and not more than a few a second.
 * @param {HTMLElement} element
 * @returns {(text: string) => void}
 */
function createAnnouncer(element) {
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let later;
  return (text) => {
    clearTimeout(later);
    later = setTimeout(() => {
      // The same words again are said again only if they stand there anew.
      element.textContent = element.textContent === text ? `${text}\u00a0` : text;
    }, 120);
  };
}
