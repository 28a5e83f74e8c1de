// Which motion the page shows, and where its data are.

/** @typedef {import("./types.js").Project} Project */

/**
 * The page's name for a motion's data.
 * @param {string} name
 * @param {"score"|"curves"|"sound"|"waveform"} part
 * @returns {string}
 */
export function motionPath(name, part) {
  return `/api/motions/${encodeURIComponent(name)}/${part}`;
}

/**
 * The motion to show: the one chosen while the project has it, else the first
 * that can be shown.
 * @param {Project} project
 * @param {string} chosen
 * @returns {string} "" where there is none
 */
export function motionOf(project, chosen) {
  if (project.motions.some((m) => m.name === chosen)) return chosen;
  return (project.motions.find((m) => m.state !== "absent") ?? project.motions[0])?.name ?? "";
}

/**
 * The motion that an address names.
 * @param {string} hash  of the address, with its #
 * @returns {string}
 */
export function chosenIn(hash) {
  try {
    return decodeURIComponent(hash.slice(1));
  } catch {
    return "";
  }
}
