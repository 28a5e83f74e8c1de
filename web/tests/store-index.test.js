import assert from "node:assert/strict";
import { readdirSync, readFileSync } from "node:fs";
import { test } from "node:test";

const page = new URL("../page/", import.meta.url);
const index = readFileSync(new URL("index.html", page), "utf8");

const atOnce = /^(?:import|export)\b[^;]*?from "(\.[^"]+)";/gm;
const later = /\bimport\("(\.[^"]+)"\)/g;

/** The modules that are reached from one by import. @param {string} path @param {RegExp[]} ways @param {Set<string>} [found] */
function reached(path, ways, found = new Set()) {
  if (found.has(path)) return found;
  found.add(path);
  const text = readFileSync(new URL(path, page), "utf8").replace(/\/\*[\s\S]*?\*\//g, "");
  for (const way of ways) for (const m of text.matchAll(way)) reached(new URL(m[1], new URL(path, "x://y/")).pathname.slice(1), ways, found);
  return found;
}

test("index.html announces each module that comes first, so that they come side by side", () => {
  const announced = [...index.matchAll(/<link rel="modulepreload" href="\/page\/([^"]+)"(?: fetchpriority="low")?>/g)].map((m) => m[1]);
  const wanted = [...reached("main.js", [atOnce])].filter((m) => m !== "main.js" && m !== "first.js");
  assert.deepEqual(announced.sort(), wanted.sort());
});

test("every module of the page is one that it uses", () => {
  const all = readdirSync(page, { recursive: true }).map((f) => String(f).replaceAll("\\", "/")).filter((f) => f.endsWith(".js") && f !== "types.js");
  const used = reached("main.js", [atOnce, later]);
  assert.deepEqual(all.filter((f) => !used.has(f)), []);
});

// Content Security Policy Level 3: script-src and style-src 'self' allow neither.
test("no script and no style stands in the page's own text", () => {
  assert.doesNotMatch(index, /<style|\sstyle=|\son[a-z]+=|javascript:/i);
  for (const m of index.matchAll(/<script\b([^>]*)>([^<]*)<\/script>/g)) assert.ok(m[1].includes("src=") && m[2] === "");
});

test("nothing comes from elsewhere", () => {
  assert.doesNotMatch(index, /(?:src|href)="(?!\/page\/|\/api\/project"|#)/);
});
