// The eases that a key may arrive by, in the language's names.

const families = ["sine", "quad", "cubic", "quart", "quint", "expo", "circ", "back", "elastic", "bounce"];

/** @param {"in"|"out"|"in-out"} way */
const of = (way) => families.map((f) => `${f}-${way}`);

/** @type {{label: string, names: string[]}[]} */
export const easeGroups = [
  { label: "Plain", names: ["in-out", "in", "out", "ease", "linear", "hold"] },
  { label: "For mechanisms", names: ["min-jerk", "min-snap", "s-curve", "harmonic", "cycloid", "modified-sine", "trapezoid(0.3, 0.3)"] },
  { label: "Splines", names: ["pchip", "akima", "cubic", "natural", "catmull-rom"] },
  { label: "In", names: of("in") },
  { label: "Out", names: of("out") },
  { label: "In and out", names: of("in-out") },
  { label: "Others", names: ["cubic-bezier(0.3, 0, 0.2, 1)", "steps(4, jump-end)"] },
];
