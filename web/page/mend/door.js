// The door to mending: the button beside the findings, and what is told of
// proposals. The part itself comes when it is opened.

import { make, write } from "../dom.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").Finding} Finding */
/** @typedef {"retime"|"retime-keys"|"shape"} Kind */

/**
 * What the server tells of a proposal; lines and file only when it is asked.
 * @typedef {object} Told
 * @property {string} motion
 * @property {string} id
 * @property {string} kind   a Kind, or "take"
 * @property {"working"|"ready"|"refused"|"gone"} state
 * @property {string} text   a sentence
 * @property {string} base   revision of the text that it starts from
 * @property {Record<string, number|string>} [figures]
 * @property {import("../types.js").Problem[]} [problems]
 * @property {{before: number, after: number, lines: string[], cut?: number}[]} [lines]
 * @property {string} [file]
 */

/**
 * @typedef {object} Mend
 * @property {(finding: Finding|null) => void} open
 * @property {() => void} close
 * @property {(told: Told) => void} take
 * @property {() => void} turn        shows the other of the two
 * @property {(armed: boolean) => void} boards  boards are armed now, or no longer
 * @property {(revision: string) => boolean} holds  whether what stands is that version, while a proposal is looked at
 * @property {(state: State) => void} draw
 */

const tellsWithin = 1500; // ms from a hello until the server has told of all proposals

/** @type {Record<string, {kind: Kind, stagger: boolean}>} */
const mends = {
  "speed": { kind: "retime", stagger: false },
  "acceleration": { kind: "retime", stagger: false },
  "jerk": { kind: "retime", stagger: false },
  "quiet": { kind: "retime", stagger: false },
  "supply-current": { kind: "retime", stagger: true },
};

/**
 * The way that mends what was found; null where only hands can.
 * @param {{rule: string}} finding
 */
export const mendFor = ({ rule }) => mends[rule] ?? null;

/**
 * @param {object} o
 * @param {HTMLElement} o.findings
 * @param {HTMLElement} o.sheet
 * @param {import("../types.js").Store} o.store
 * @param {import("../types.js").Actions} o.actions
 * @param {() => void} o.request
 * @param {() => string} o.key      of the page, for the server
 * @param {import("../edit/edit.js").Editor} o.editor
 * @param {() => import("../edit/edit.js").Ground} o.ground
 * @param {() => void} o.follow     what was put off while a proposal was looked at
 */
export function createDoor(o) {
  const { findings, store, actions } = o;
  /** What there is, by motion. @type {Map<string, Told>} */
  const proposals = new Map();
  let armed = false;
  /** @type {Mend|null} */
  let mend = null;
  /** @type {Promise<Mend|null>|null} */
  let coming = null;

  const button = make("button", { type: "button", class: "mend-open", text: "Mend", "aria-expanded": "false", click: () => {
    if (button.getAttribute("aria-expanded") === "true") mend?.close();
    else void open(null);
  } });
  findings.querySelector(".head")?.append(button);

  /** @param {Finding|null} finding */
  async function open(finding) {
    coming ??= load();
    const part = await coming;
    if (part) return part.open(finding);
    coming = null;
    actions.announce("Mending could not be loaded: the server does not answer");
  }

  async function load() {
    try {
      const [{ createMend }] = await Promise.all([import("./mend.js"), styled("/page/mend/mend.css")]);
      mend = createMend({ ...o, button, proposals, armed: () => armed });
      return mend;
    } catch {
      return null;
    }
  }

  /** @param {State} state */
  function label({ motion, score }) {
    const told = proposals.get(motion);
    const more = told?.state === "working" ? "a proposal is being worked out" : told?.state === "ready" ? "there is a proposal" : "";
    write(button, more ? "Mend (1)" : "Mend");
    if (more) button.setAttribute("aria-label", `Mend (1): ${more}`);
    else button.removeAttribute("aria-label");
    button.disabled = !score;
  }
  label(store.get());
  store.subscribe((state, before) => {
    if (state.motion !== before.motion || state.score !== before.score) label(state);
  });

  /** After another hello the server tells of what there is: the rest went with a server that was started anew. */
  function anew() {
    const before = [...proposals.values()];
    proposals.clear();
    if (before.length === 0) return;
    setTimeout(() => {
      for (const told of before) if (proposals.get(told.motion)?.id !== told.id) mend?.take({ ...told, state: "gone", text: "the server does not know it any more" });
      label(store.get());
    }, tellsWithin);
  }

  return {
    open,
    /** Takes a message of the socket. @param {any} message */
    take(message) {
      if (message.type === "hello") anew();
      if (message.type !== "proposal") return;
      if (message.state === "gone") proposals.delete(message.motion);
      else proposals.set(message.motion, message);
      label(store.get());
      mend?.take(message);
    },
    turn: () => (mend ? mend.turn() : actions.announce("There is no proposal to compare with")),
    /** Whether pulses leave, here or elsewhere: what they play is the motion as it stands. @param {boolean} on */
    boards(on) {
      if (armed === on) return;
      armed = on;
      mend?.boards(on);
    },
    /** @param {string} revision */
    holds: (revision) => mend?.holds(revision) ?? false,
    /** @param {State} state */
    draw: (state) => mend?.draw(state),
    destroy: () => button.remove(),
  };
}

/** Brings a style sheet. @param {string} href @returns {Promise<void>} */
function styled(href) {
  return new Promise((done, failed) => {
    document.head.append(make("link", { rel: "stylesheet", href, load: () => done(), error: () => failed(new Error(href)) }));
  });
}
