import assert from "node:assert/strict";
import { test } from "node:test";

import { createShelf, most } from "../page/perform/shelf.js";

/** @param {number} number @param {string} [motion] @returns {any} */
const take = (number, motion = "greet") => ({ number, motion });
/** @param {number} n */
const filled = (n) => {
  const shelf = createShelf();
  const takes = Array.from({ length: n }, (_, k) => take(k + 1));
  takes.forEach((t) => shelf.add(t));
  return { shelf, takes };
};

test("no take is thrown away that is in no file: the oldest of those in the file gives way", () => {
  const { shelf, takes } = filled(most);
  assert.equal(shelf.full("greet"), true);
  assert.equal(shelf.full("storm"), false, "each motion has its own");
  shelf.keep(takes[3], true);
  shelf.keep(takes[5], true);
  assert.equal(shelf.full("greet"), false);
  assert.equal(shelf.add(take(11)), takes[3]);
  assert.deepEqual(shelf.of("greet").map((t) => t.number), [1, 2, 3, 5, 6, 7, 8, 9, 10, 11]);
  shelf.keep(takes[5], false); // keeping it was undone
  assert.equal(shelf.full("greet"), true);
  assert.equal(shelf.add(take(12)), null);
  assert.equal(shelf.of("greet").length, most + 1);
});

test("what would be lost with the page is counted", () => {
  const { shelf, takes } = filled(2);
  assert.equal(shelf.unkept(), 2);
  shelf.keep(takes[0], true);
  assert.equal(shelf.unkept(), 1);
  shelf.discard(takes[1]);
  assert.equal(shelf.unkept(), 0);
});

test("what was discarded comes back to its place", () => {
  const { shelf, takes } = filled(3);
  assert.equal(shelf.discarded("greet"), null);
  shelf.discard(takes[1]);
  assert.deepEqual([shelf.of("greet").length, shelf.discarded("greet"), shelf.discarded("storm")], [2, takes[1], null]);
  assert.equal(shelf.back(), takes[1]);
  assert.deepEqual(shelf.of("greet"), takes);
  assert.deepEqual([shelf.back(), shelf.discarded("greet")], [null, null]);
});
