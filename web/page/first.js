// Asks for what the first picture shows while the rest of the page is still on its
// way. It leans on next to nothing, so that it runs first.

import { chosenIn, motionOf, motionPath } from "./which.js";

/** @type {Map<string, Promise<Response|null>>} */
const sent = new Map();

// A failure is no matter here: what did not come is asked for again, and that tells of it.
/** @param {string} path */
function send(path) {
  const answer = fetch(path, { priority: "high" }).then((a) => (a.ok ? a : null), () => null);
  sent.set(path, answer);
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
  const answer = sent.get(path);
  sent.delete(path);
  return answer ?? null;
}

void begin();
