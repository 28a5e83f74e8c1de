import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { describe, test } from "node:test";
import { apart, contrast, eyes, lab, linear, seenBy } from "./colours.js";
import { hatching } from "../page/sheet/hatch.js";

const css = readFileSync(new URL("../page/style.css", import.meta.url), "utf8");

/** The colours that a rule of the style sheet sets. @param {string} selector @returns {Record<string, string>} */
function coloursOf(selector) {
  const start = css.indexOf(`${selector} {`);
  assert.ok(start >= 0, selector);
  const list = [...css.slice(start, css.indexOf("}", start)).matchAll(/--(\w+): (#[0-9a-f]{6});/g)];
  return Object.fromEntries(list.map((m) => [m[1], m[2]]));
}

/** @type {Record<string, Record<string, string>>} */
const themes = { paper: coloursOf(":root"), dark: coloursOf(':root[data-theme="dark"]') };

describe("the arithmetic", () => {
  // Sharma, Wu and Dalal 2005, table 1: pairs 1, 7, 17, 23 and 34.
  for (const [one, other, want] of /** @type {[[number, number, number], [number, number, number], number][]} */ ([
    [[50, 2.6772, -79.7751], [50, 0, -82.7485], 2.0425],
    [[50, 0, 0], [50, -1, 2], 2.3669],
    [[50, 2.5, 0], [73, 25, -18], 27.1492],
    [[50, 2.5, 0], [50, 1.8634, 0.5757], 1],
    [[2.0776, 0.0795, -1.135], [0.9033, -0.0636, -0.5514], 0.9082],
  ])) {
    test(`CIEDE2000 of ${one} and ${other}`, () => assert.ok(Math.abs(apart(one, other) - want) < 1e-4, String(apart(one, other))));
  }
  test("CIELAB of the primary red of sRGB, as colour tables have it", () => {
    lab(linear("#ff0000")).forEach((v, k) => assert.ok(Math.abs(v - [53.24, 80.09, 67.2][k]) < 0.01, String(v)));
  });
  test("the contrast of black and white is 21, and of #777777 on white 4.48 (WCAG 2.2)", () => {
    assert.equal(contrast(linear("#000000"), linear("#ffffff")).toFixed(2), "21.00");
    assert.equal(contrast(linear("#777777"), linear("#ffffff")).toFixed(2), "4.48");
  });
  test("greys stay grey to all eyes", () => {
    for (const eye of Object.keys(eyes)) assert.ok(apart(lab(seenBy(linear("#808080"), eye)), lab(linear("#808080"))) < 0.1, eye);
  });
  test("red and green of the same lightness come together for those without one of the two cones", () => {
    const red = linear("#c04040"), green = linear("#408030");
    const away = (/** @type {string} */ eye) => apart(lab(seenBy(red, eye)), lab(seenBy(green, eye)));
    assert.ok(away("deutan") < away("usual") / 2);
  });
});

// 1 is about what can just be told side by side. What is told at a glance by a thin line
// is ten times that and more (our choice; there is no standard for it).
const glance = 12, areas = 8;

for (const [theme, c] of Object.entries(themes)) {
  describe(`the ${theme} theme`, () => {
    test("has all its colours", () => assert.deepEqual(Object.keys(c).sort(), ["faint", "ink", "iron", "paper", "pencil", "slate", "veil", "wash"]));
    for (const eye of Object.keys(eyes)) {
      const of = (/** @type {string} */ name) => seenBy(linear(c[name]), eye);
      test(`${eye}: broken limits keep apart from everything else that is drawn`, () => {
        for (const other of ["ink", "slate", "pencil", "faint", "wash"]) {
          const d = apart(lab(of("iron")), lab(of(other)));
          assert.ok(d >= glance, `iron and ${other} are ${d.toFixed(1)} apart`);
        }
      });
      test(`${eye}: curves keep apart from the pencil's lines, and areas from paper`, () => {
        assert.ok(apart(lab(of("ink")), lab(of("pencil"))) >= glance);
        assert.ok(apart(lab(of("wash")), lab(of("paper"))) >= areas); // they have an edge of ink besides
      });
      test(`${eye}: words can be read (WCAG 2.2, 1.4.3: 4.5), and lines over areas seen (1.4.11: 3)`, () => {
        for (const name of ["ink", "slate", "pencil", "iron"]) {
          const n = contrast(of(name), of("paper"));
          assert.ok(n >= 4.5, `${name} on paper: ${n.toFixed(2)}`);
          const over = contrast(of(name), of("wash"));
          assert.ok(over >= 3, `${name} over an area: ${over.toFixed(2)}`);
        }
      });
    }
  });
}

describe("no colour stands alone", () => {
  test("on the sheet errors and warnings are hatched in other ways", () => {
    const { error, warning, note } = hatching;
    assert.ok(error && warning && !note && error.falling !== warning.falling && warning.step >= 1.5 * error.step);
  });
  test("and so are they in the list", () => {
    const of = (/** @type {string} */ kind) => /repeating-linear-gradient\((\d+)deg, var\(--\w+\) 0 1px, transparent 1px ([\d.]+)px\)/.exec(css.slice(css.indexOf(`.finding.${kind} .swatch`)))?.slice(1).map(Number) ?? [];
    const [error, warning] = [of("error"), of("warning")];
    assert.ok(Math.abs(error[0] - warning[0]) === 90 && warning[1] >= 1.5 * error[1], `${error} ${warning}`);
    assert.match(css, /\.finding\.note \.swatch \{[^}]*border-left/);
  });
});
