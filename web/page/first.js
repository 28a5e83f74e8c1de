// Asks for what the first picture shows while the rest of the page is still on its
// way. It leans on next to nothing, so that it runs first.

import { chosenIn, motionOf, motionPath } from "./which.js";

const keepFor = 10000; // ms in which the page must have come for them

/** @type {Map<string, {answer: Promise<Response|null>, flight: AbortController}>} */
const sent = new Map();
let over = false;

// A failure is no matter here: what did not come is asked for again, and that tells of it.
/** @param {string} path */
function send(path) {
  if (over) return Promise.resolve(null);
  const flight = new AbortController();
  const answer = fetch(path, { priority: "high", signal: flight.signal }).then((a) => (a.ok ? a : null), () => null);
  sent.set(path, { answer, flight });
  return answer;
}

async function begin() {
  const answer = await send("/api/project");
  const project = await answer?.clone().json().catch(() => null);
  if (!Array.isArray(project?.motions)) return;
  const name = motionOf(project, chosenIn(location.hash));
  if (!name || project.motions.find((/** @type {{name: string}} */ m) => m.name === name)?.state === "absent") return;
  send(motionPath(name, "score"));
  send(motionPath(name, "curves"));
}

/**
 * The answer to what was asked for early, once; null where there is none.
 * @param {string} path
 * @returns {Promise<Response|null>}
 */
export async function early(path) {
  const answer = sent.get(path)?.answer;
  sent.delete(path);
  return answer ?? null;
}

/** Lets go of the answers that nobody has come for: later they would be those of another version, and they fill memory. */
export function forget() {
  over = true;
  for (const { flight } of sent.values()) flight.abort();
  sent.clear();
}

setTimeout(forget, keepFor);

void begin();
