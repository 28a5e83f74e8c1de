// The stage: the rig as it will really stand at the present time, in ink.

import { make, write } from "../dom.js";
import { add, apply, cross, origin, scale, unit } from "./matrix.js";
import { camera, fit, held, presetOf, project } from "./camera.js";
import { drawScene, figureAt, pieceAt, shadows } from "./scene.js";
import { axisLines, bodiesAt, createPuppet, findingsAt, isError, jointsOf, signsOf, skinTimes, toldPose, toldValues, trailTimes } from "./look.js";
import { drivenBy, driversOf } from "./kinematics.js";
import { maskFrame } from "./mask.js";
import { layout, reading } from "./dials.js";
import { middle, reach } from "./solids.js";
import * as paint from "./paint.js";
import { createTools } from "./tools.js";
import { takeHold } from "./hands.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../types.js").StageView} StageView */
/** @typedef {import("../types.js").Finding} Finding */
/** @typedef {import("../types.js").Vector} Vector */
/** @typedef {import("./matrix.js").Matrix} Matrix */
/** @typedef {import("./camera.js").Camera} Camera */
/** @typedef {import("./scene.js").Piece} Piece */
/** @typedef {import("./look.js").Puppet} Puppet */
/** @typedef {import("./paint.js").Colours} Colours */

/** px between two lines of hatching. */
const grain = 3.4;

/** px that a pose must differ by to be drawn beside another. */
const apart = 0.8;

/** px that are kept free round the rig, and for the words in the corners. */
const margin = 26;

/** px of the stage up to which its words are behind one button, as stage.css has it. */
const narrow = 560;

/** No more px of the screen to one of the page: more costs time and shows nothing. */
const sharpest = 2;

/**
 * @param {import("../types.js").PartOptions} options
 * @returns {import("../types.js").Part}
 */
export function createStage({ element, store, actions, request }) {
  const canvas = make("canvas", { class: "stage-canvas", role: "img", "aria-label": "The stage is empty" });
  const empty = make("p", { class: "stage-empty", hidden: true });
  const room = make("div", {
    class: "stage-room", tabindex: 0, role: "group",
    "aria-label": "Stage. Arrow keys turn the view, with Shift they move it; plus and minus go nearer and farther.",
  }, canvas, empty);
  const tools = createTools((patch) => actions.setStage(patch), () => store.get().stage);
  element.append(tools.element, room);
  const g = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));

  /** @type {Puppet|null} */
  let puppet = null;
  /** @type {Colours|null} */
  let colours = null;
  /** @type {Picture|null} */
  let picture = null;
  /** @type {unknown[]} */
  let drawn = [];
  const speak = createSpeaker(canvas);

  const letGo = takeHold(room, {
    view: () => held(store.get().stage, picture?.view),
    focal: () => picture?.camera.focal ?? 1000,
    change: (patch) => actions.setStage(patch),
    tap(x, y) {
      const row = picture && puppet ? rowAt(puppet, picture, x, y) : -1;
      if (puppet && row >= 0) actions.selectRow(`axis:${puppet.score.rows[row].name}`);
    },
  });
  const watch = new ResizeObserver(() => {
    drawn = [];
    request();
  });
  watch.observe(room);

  /** @param {State} state */
  function draw(state) {
    const { score, curves } = state;
    if (puppet?.score !== score || puppet?.curves !== curves) puppet = score ? createPuppet(score, curves) : null;
    const needs = [puppet, state.time, state.live, state.stage, state.themeCount, state.row, state.project === null, room.clientWidth, room.clientHeight, devicePixelRatio];
    if (needs.every((n, k) => Object.is(n, drawn[k]))) return;
    if (!colours || drawn[4] !== state.themeCount) colours = readColours(element);
    drawn = needs;
    const joints = puppet !== null && puppet.balls.length > 0;
    const why = whyEmpty(state);
    tools.show(state, joints ? "rig" : why ? "nothing" : "dials");
    write(empty, why);
    if (empty.hidden !== (why === "")) empty.hidden = why === "";
    const size = fitCanvas(canvas, g, room);
    if (size.width < 2 || size.height < 2) return;
    g.clearRect(0, 0, size.width, size.height);
    picture = null;
    if (!puppet || why) return speak(state, why);
    const found = findingsAt(puppet.score, state.time);
    const scene = { g, state, puppet, found, colours, dark: state.theme === "dark", ...size };
    if (joints) picture = drawRig(scene);
    else drawDials(scene);
    speak(state, summary(scene, joints));
  }

  return {
    draw,
    destroy() {
      letGo();
      watch.disconnect();
      speak.stop();
      element.replaceChildren();
    },
  };
}

/**
 * What is being drawn.
 * @typedef {object} Scene
 * @property {CanvasRenderingContext2D} g
 * @property {State} state
 * @property {Puppet} puppet
 * @property {Finding[]} found    that hold now
 * @property {Colours} colours
 * @property {boolean} dark
 * @property {number} width       px
 * @property {number} height      px
 */

/**
 * What has been drawn, for hands.
 * @typedef {{camera: Camera, pieces: Piece[], view: {distance: number, target: Vector}}} Picture
 */

/** Why there is nothing on the stage, or "". @param {State} state @returns {string} */
function whyEmpty({ project, score }) {
  if (!score) return project ? "No motion to show." : "Reading the motion \u2026";
  const nothing = score.joints.every((j) => j.solid.shape === "") && score.rows.every((r) => r.kind !== "axis");
  return nothing ? "The rig has no axes, so nothing moves." : "";
}

/** @param {Element} element @returns {Colours} */
function readColours(element) {
  const style = getComputedStyle(element);
  const of = (/** @type {string} */ name, /** @type {string} */ otherwise) => style.getPropertyValue(`--${name}`).trim() || otherwise;
  return {
    ink: of("ink", "#1b222c"), pencil: of("pencil", "#7d8288"), slate: of("slate", "#59616b"), faint: of("faint", "#d9d7cf"),
    wash: of("wash", "#d5d9de"), veil: of("veil", "#efede7"), iron: of("iron", "#9b2c1f"), paper: of("paper", "#fdfcf8"),
    sans: of("sans", "sans-serif"), serif: of("serif", "serif"),
  };
}

/** @param {HTMLCanvasElement} canvas @param {CanvasRenderingContext2D} g @param {Element} room */
function fitCanvas(canvas, g, room) {
  const width = room.clientWidth, height = room.clientHeight;
  const sharp = Math.min(devicePixelRatio || 1, sharpest);
  const w = Math.round(width * sharp), h = Math.round(height * sharp);
  if (canvas.width !== w || canvas.height !== h) {
    canvas.width = w;
    canvas.height = h;
  }
  g.setTransform(sharp, 0, 0, sharp, 0, 0);
  return { width, height };
}

/** @param {Scene} scene @returns {Picture} */
function drawRig(scene) {
  const { g, state, puppet, colours, dark, width, height } = scene;
  const { stage } = state;
  const frame = maskFrame(stage.mask, width, height, margin);
  const free = stage.mask ? 10 : margin;
  const view = stage.distance > 0 ? stage : { ...stage, ...fit(puppet.balls, stage, frame.width - 2 * free, frame.height - 2 * free) };
  const across = stage.distance > 0 ? frame.height : frame.height - 2 * free;
  const c = camera(view, width, height, across);
  const marks = jointsOf(puppet.score, scene.found.filter(isError).map((f) => f.row));
  const bodies = bodiesAt(puppet, state.time, marks);
  const light = lightOf(c);
  const drawing = drawScene(bodies, { camera: c, light, grain: grainOf(view.distance / c.focal), chalk: dark, ground: puppet.ground.joint });

  drawGround(scene, c);
  const floor = drawing.pieces.find((p) => p.body.joint === puppet.ground.joint);
  const below = c.eye[2] < puppet.ground.z;
  if (floor && !below) paint.fill(g, [figureAt(floor.solid, floor.world, c)], colours.paper);
  if (!below) drawShadows(scene, c, shadows(bodies, puppet.ground, light));
  paint.bodies(g, { ...drawing, bodies: drawing.bodies.filter((_, k) => below || drawing.pieces[k] !== floor) }, colours, dark);
  drawSkins(scene, c);
  paint.inkLines(g, drawing.ground, colours.pencil);
  paint.inkLines(g, drawing.ink, colours.ink);
  paint.inkLines(g, drawing.iron, colours.iron);
  paint.rays(g, drawing, colours);
  if (stage.trails) drawTrails(scene, c);
  if (stage.ghost || state.live) drawGhost(scene, c);
  drawAxes(scene, c, drawing.pieces);
  if (stage.mask) paint.mask(g, frame, width, height, stage.mask, colours);
  paint.legend(g, entries(scene), 14, height - 13, colours);
  return { camera: c, pieces: drawing.pieces, view: { distance: view.distance * (frame.height / across), target: view.target } };
}

/** Light falls over the left shoulder of whoever looks, from 50 degrees above. @param {Camera} c @returns {Vector} */
function lightOf(c) {
  const up = /** @type {Vector} */ ([0, 0, 1]);
  const towards = unit(cross(c.right, up)); // level, from the rig to the eye
  return unit(add(add(scale(c.right, -0.62), scale(towards, 0.55)), scale(up, 1)));
}

/**
 * Hatching in mm, a step of a fourth of an octave at a time, so that it does not
 * crawl while the view comes nearer.
 * @param {number} mm that a px is at the target
 */
const grainOf = (mm) => 2 ** (Math.round(Math.log2(mm * grain) * 4) / 4);

/** @param {Scene} scene @param {Camera} c */
function drawGround({ g, puppet, colours }, c) {
  const { ground } = puppet;
  if (ground.joint >= 0 || !Number.isFinite(ground.z)) return;
  const corners = ground.corners.map(([x, y]) => project(c, [x, y, ground.z]));
  if (corners.some((p) => p[2] < 1)) return;
  paint.outlines(g, [corners.map((p) => [p[0], p[1]])], colours.pencil, 0.8, []);
}

/** @param {Scene} scene @param {Camera} c @param {import("./hull.js").Point[][]} figures mm on the ground */
function drawShadows({ g, puppet, colours, dark }, c, figures) {
  /** @type {import("./hull.js").Point[][]} */
  const seen = [];
  for (const figure of figures) {
    const points = figure.map(([x, y]) => project(c, [x, y, puppet.ground.z]));
    if (points.every((p) => p[2] > 1)) seen.push(points.map((p) => [p[0], p[1]]));
  }
  paint.fill(g, seen, dark ? colours.veil : colours.wash);
}

/** The points by which two poses of a solid are told apart. @param {import("../types.js").Solid} solid @returns {Vector[]} */
function probes(solid) {
  const r = reach(solid), m = middle(solid);
  return [m, [r, 0, m[2]], [0, r, m[2]], [0, 0, m[2] + r]];
}

/** @param {Camera} c @param {import("../types.js").Solid} solid @param {Matrix} a @param {Matrix} b */
function differ(c, solid, a, b) {
  return probes(solid).some((p) => {
    const one = project(c, apply(a, p)), other = project(c, apply(b, p));
    return Math.hypot(one[0] - other[0], one[1] - other[1]) > apart;
  });
}

/** The figures of what stands elsewhere in another pose. @param {Puppet} puppet @param {Camera} c @param {Matrix[]} pose @param {Matrix[]} other */
function figuresOf({ score, groups }, c, pose, other) {
  return score.joints.flatMap(({ solid }, i) => (solid.shape !== "" && groups[i] >= 0 && differ(c, solid, pose[i], other[i]) ? [figureAt(solid, pose[i], c)] : []));
}

/** Earlier film frames, older ones paler; only what has moved since. @param {Scene} scene @param {Camera} c */
function drawSkins({ g, state, puppet, colours }, c) {
  const { fps } = puppet.score;
  const times = skinTimes(state.time, fps?.rate ?? 24, state.stage.onion);
  let newer = puppet.pose(state.time, "predicted");
  times.forEach((time, k) => {
    const pose = puppet.pose(time, "predicted");
    g.globalAlpha = 0.75 * (1 - k / (times.length + 1));
    paint.outlines(g, figuresOf(puppet, c, pose, newer), colours.slate, 0.9, []);
    newer = pose;
  });
  g.globalAlpha = 1;
}

/** The commanded pose, or that of a hand which performs, where it is another than the predicted one. @param {Scene} scene @param {Camera} c */
function drawGhost({ g, state, puppet, colours }, c) {
  const told = toldPose(puppet, state.time, state.live), real = puppet.pose(state.time, "predicted");
  paint.outlines(g, figuresOf(puppet, c, told, real), state.live ? colours.ink : colours.slate, state.live ? 1.8 : 1.1, [4, 3]);
}

/** @param {Scene} scene @param {Camera} c */
function drawTrails({ g, state, puppet, colours }, c) {
  const times = trailTimes(state.time, puppet.score.fps?.rate ?? 24);
  const poses = times.map(({ time }) => puppet.pose(time, "predicted"));
  for (const leaf of puppet.leaves) {
    const points = poses.map((pose, k) => {
      const p = project(c, origin(pose[leaf]));
      return { x: p[0], y: p[1], depth: p[2], frame: times[k].frame };
    });
    const wide = Math.max(...points.map((p) => Math.hypot(p.x - points[0].x, p.y - points[0].y)));
    if (points.length > 1 && wide > 2 && points.every((p) => p.depth > 1)) paint.trail(g, points, colours);
  }
}

/** The lines about which axes turn that break a limit or are selected, with their names. @param {Scene} scene @param {Camera} c @param {Piece[]} pieces */
function drawAxes(scene, c, pieces) {
  const { g, state, puppet, found, colours } = scene;
  const { score } = puppet;
  const selected = score.rows.findIndex((row) => `${row.kind}:${row.name}` === state.row);
  const rows = [...new Set([...found.map((f) => f.row), ...(selected >= 0 ? [selected] : [])])];
  /** @type {Map<number, number>} */
  const named = new Map();
  for (const line of axisLines(score, puppet.pose(state.time, "predicted"), rows)) {
    const own = drivenBy(score.joints, line.row);
    const half = Math.max(...[...own].map((j) => reach(score.joints[j].solid)), 10) * 1.25 + 8;
    const a = project(c, add(line.at, scale(line.along, half))), b = project(c, add(line.at, scale(line.along, -half)));
    if (a[2] < 1 || b[2] < 1) continue;
    const colour = found.some((f) => f.row === line.row && isError(f)) ? colours.iron : colours.ink;
    paint.chain(g, [a[0], a[1]], [b[0], b[1]], colour);
    if (named.has(line.row)) continue;
    const right = Math.max(a[0], b[0], ...pieces.filter((p) => own.has(p.body.joint)).map((p) => p.right));
    const at = project(c, line.at);
    named.set(line.row, nameAxis(scene, line.row, colour, [at[0], at[1]], right + 12, [...named.values()]));
  }
}

/**
 * An axis's name beside what it drives, under no other name, with a line to its joint.
 * @param {Scene} scene
 * @param {number} row
 * @param {string} colour
 * @param {[number, number]} joint px
 * @param {number} x px from which on there is room
 * @param {number[]} taken px, heights of other names
 * @returns {number} px, its height
 */
function nameAxis({ g, puppet, found, colours, width }, row, colour, joint, x, taken) {
  const signs = signsOf(found, row);
  const text = [signs.numbers, puppet.score.rows[row].name].join(" ").trim();
  let y = joint[1];
  while (taken.some((t) => Math.abs(t - y) < 19)) y -= 5;
  const left = Math.min(x, width - 8 - paint.lengthOf(g, text, signs.sign, colours));
  paint.leader(g, joint, [left - 5, y], colour);
  paint.label(g, text, signs.sign, left, y, colour, colours);
  return y;
}

/** @param {Scene} scene */
function entries({ state, puppet, found }) {
  /** @type {import("./paint.js").Entry[]} */
  const out = [{ mark: "line", text: "as it will be" }];
  if (state.stage.ghost || state.live) out.push({ mark: "dash", text: state.live ? "as you perform it" : "as commanded" });
  if (puppet.balls.length > 0 && state.stage.trails) out.push({ mark: "dot", text: "film frames" });
  if (puppet.balls.length > 0 && state.stage.onion > 0) out.push({ mark: "skin", text: "earlier frames" });
  if (found.some(isError)) out.push({ mark: "error", text: "error, by its number" });
  if (!found.every(isError)) out.push({ mark: "warning", text: "warning, by its number" });
  return out;
}

/** @param {Scene} scene */
function drawDials(scene) {
  const { g, state, puppet, found, colours, width, height } = scene;
  const rows = puppet.score.rows.flatMap((row, i) => (row.kind === "axis" ? [i] : []));
  const top = width <= narrow ? 46 : 10, foot = 30;
  const places = layout(rows.length, width - 2 * 14, height - top - foot);
  const real = puppet.values(state.time, "predicted"), told = toldValues(puppet, state.time, state.live);
  places.forEach((place, k) => {
    const row = rows[k];
    paint.drawDial(g, { ...place, x: place.x + 14, y: place.y + top }, puppet.score.rows[row],
      { predicted: real[row], commanded: told[row], ghost: state.stage.ghost || state.live !== null, ...signsOf(found, row) }, colours);
  });
  paint.legend(g, entries(scene), 14, height - 13, colours);
}

/** @param {Puppet} puppet @param {Picture} picture @param {number} x @param {number} y @returns {number} the row that moves what is there, or -1 */
function rowAt(puppet, picture, x, y) {
  const piece = pieceAt(picture.pieces, picture.camera, x, y);
  if (!piece) return -1;
  const lamp = puppet.lamps[piece.body.joint];
  if (lamp !== null) return lamp;
  const by = puppet.groups[piece.body.joint];
  return by < 0 ? -1 : driversOf(puppet.score.joints[by])[0];
}

/** The pose in words. @param {Scene} scene @param {boolean} joints */
function summary({ state, puppet, found }, joints) {
  const { score } = puppet;
  const values = puppet.values(state.time, "predicted");
  const view = presetOf(state.stage);
  const from = !joints ? " as dials" : view ? `, ${view.toLowerCase()} view` : "";
  const poses = score.rows.flatMap((row, i) => (row.kind === "axis" ? [`${row.name} ${reading(row, values[i])}`] : []));
  const broken = found.map((f) => `${f.severity}, ${score.rows[f.row].name}: ${f.text}`);
  const end = broken.length > 0 ? ` Findings: ${broken.join("; ")}.` : "";
  return `${score.rig}${from} at ${state.time.toFixed(2)} s. ${poses.join(", ")}.${end}`;
}

/**
 * Keeps the canvas's words: not while the motion plays, and once a second at most.
 * @param {Element} canvas
 */
function createSpeaker(canvas) {
  let last = -Infinity, waiting = 0, text = "";
  function say() {
    waiting = 0;
    last = performance.now();
    canvas.setAttribute("aria-label", text);
  }
  /** @param {State} state @param {string} words */
  function speak(state, words) {
    text = words;
    if (state.playing || waiting) return;
    const wait = last + 1000 - performance.now();
    if (wait <= 0) say();
    else waiting = window.setTimeout(say, wait);
  }
  speak.stop = () => clearTimeout(waiting);
  return speak;
}
