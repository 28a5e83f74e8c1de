import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { createLoop } from "../page/loop.js";
import { createStore, initialState } from "../page/store.js";

describe("store", () => {
  test("tells at once, with what was before", () => {
    const store = createStore(initialState());
    /** @type {[number, number][]} */
    const told = [];
    store.subscribe((state, before) => told.push([state.time, before.time]));
    store.set({ time: 2 });
    store.set({ time: 3, playing: true });
    assert.deepEqual(told, [[2, 0], [3, 2]]);
    assert.equal(store.get().playing, true);
  });
  test("what does not change is not told", () => {
    const store = createStore(initialState());
    let n = 0;
    store.subscribe(() => n++);
    store.set({ time: 0 });
    store.set({});
    store.set({ time: NaN });
    store.set({ time: NaN });
    assert.equal(n, 1);
  });
  test("several things that belong together are told as one", () => {
    const store = createStore(initialState());
    let n = 0;
    store.subscribe(() => n++);
    store.set({ time: 1, rate: 0.5, finding: 3 });
    assert.equal(n, 1);
  });
  test("a change while telling: everyone hears of both in order", () => {
    const store = createStore(initialState());
    /** @type {number[]} */
    const second = [];
    store.subscribe((state) => {
      if (state.time === 1) store.set({ time: 2 });
      assert.equal(store.get().time, 2);
    });
    store.subscribe((state) => second.push(state.time));
    store.set({ time: 1 });
    assert.deepEqual(second, [1, 2]);
  });
  test("one that fails keeps no other from hearing, and its error is not lost", () => {
    const store = createStore(initialState());
    let heard = 0;
    store.subscribe(() => {
      throw new Error("torn paper");
    });
    store.subscribe(() => heard++);
    assert.throws(() => store.set({ time: 1 }), /torn paper/);
    assert.throws(() => store.set({ time: 2 }), /torn paper/);
    assert.equal(heard, 2);
  });
  test("who has left hears no more, even of the change that is being told", () => {
    const store = createStore(initialState());
    let heard = 0;
    store.subscribe(() => leave());
    const leave = store.subscribe(() => heard++);
    store.set({ time: 1 });
    assert.equal(heard, 0);
  });
  test("a state that was handed out does not change", () => {
    const store = createStore(initialState());
    store.set({ time: 1 });
    const state = store.get();
    store.set({ time: 2 });
    assert.equal(state.time, 1);
    assert.throws(() => Object.assign(state, { time: 5 }), TypeError);
  });
});

describe("frame loop", () => {
  function frames() {
    /** @type {Map<number, (now: number) => void>} */
    const waiting = new Map();
    let id = 0;
    return {
      request: (/** @type {(now: number) => void} */ f) => (waiting.set(++id, f), id),
      cancel: (/** @type {number} */ n) => void waiting.delete(n),
      waiting,
      run() {
        const list = [...waiting.values()];
        waiting.clear();
        for (const f of list) f(1);
      },
    };
  }
  test("many requests are one frame", () => {
    const f = frames();
    let drawn = 0;
    const loop = createLoop(() => (drawn++, false), f);
    loop.request();
    loop.request();
    f.run();
    f.run();
    assert.equal(drawn, 1);
  });
  test("it goes on as long as there is more, and a request while drawing counts", () => {
    const f = frames();
    let drawn = 0;
    const loop = createLoop(() => {
      if (drawn === 4) loop.request();
      return ++drawn < 4;
    }, f);
    loop.request();
    for (let k = 0; k < 9; k++) f.run();
    assert.equal(drawn, 4);
    loop.request();
    for (let k = 0; k < 9; k++) f.run();
    assert.equal(drawn, 6);
  });
  test("stopped, it draws no more", () => {
    const f = frames();
    const loop = createLoop(() => true, f);
    loop.request();
    loop.stop();
    loop.request();
    assert.equal(f.waiting.size, 0);
  });
});
