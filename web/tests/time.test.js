import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { describe, test } from "node:test";
import { beatRate, beatsAt, beatTicks, clock, clockTime, counter, frameOf, frameTicks, nearestFrame, rateText, ticks, timecode, timeOfBeat, timeOfFrame } from "../page/time.js";

/** @typedef {import("../page/types.js").Fps} Fps */

// Rates by definition (SMPTE ST 12-1): 1000/1001 of a whole number, or whole.
/** @type {Record<string, Fps>} */
const rates = {
  "23.976": { rate: 24000 / 1001, count: 24, drop: false },
  24: { rate: 24, count: 24, drop: false },
  25: { rate: 25, count: 25, drop: false },
  30: { rate: 30, count: 30, drop: false },
  "29.97": { rate: 30000 / 1001, count: 30, drop: true },
  "59.94": { rate: 60000 / 1001, count: 60, drop: true },
};

describe("timecode", () => {
  // SMPTE ST 12-1, drop-frame compensation. The table was made by labelling every
  // frame of a day one after another; the reader of times is held to it as well.
  const rows = readFileSync(new URL("../../sequence/testdata/smpte_dropframe.csv", import.meta.url), "utf8").split("\n").filter((row) => /^[0-9]/.test(row));
  for (const row of rows) {
    const [frame, drop30, count30, drop60, count25, count24] = row.split(",");
    test(`frame ${frame}`, () => {
      assert.equal(timecode(Number(frame), rates["29.97"]), drop30);
      assert.equal(timecode(Number(frame), rates["30"]), count30);
      assert.equal(timecode(Number(frame), rates["59.94"]), drop60);
      assert.equal(timecode(Number(frame), rates["25"]), count25);
      assert.equal(timecode(Number(frame), rates["24"]), count24);
    });
  }
  test("has enough rows", () => assert.ok(rows.length >= 40));

  for (const [name, per] of /** @type {const} */ ([["29.97", 30], ["59.94", 60]])) {
    test(`two hours of ${name} by counting, the first numbers of nine minutes in ten left out`, () => {
      const fps = rates[name];
      let frame = 0;
      for (let minute = 0; minute < 120; minute++) {
        for (let s = 0; s < 60; s++) {
          for (let f = s === 0 && minute % 10 !== 0 ? per / 15 : 0; f < per; f++) {
            const label = `${[Math.floor(minute / 60), minute % 60, s].map((n) => String(n).padStart(2, "0")).join(":")};${String(f).padStart(2, "0")}`;
            if (timecode(frame, fps) !== label) assert.equal(timecode(frame, fps), label, `frame ${frame}`);
            frame++;
          }
        }
      }
      // ST 12-1: 108 of 108000 numbers an hour are left out at 29.97.
      assert.equal(frame, 2 * (3600 * per - (108 * per) / 30));
    });
  }

  test("a rate that is no whole number has frame numbers", () => {
    assert.equal(timecode(37, { rate: 12.5, count: 0, drop: false }), "37f");
  });
});

describe("frames", () => {
  for (const [name, fps] of Object.entries(rates)) {
    test(`each frame of ${name} is found at its own start and just before its end`, () => {
      for (let f = 0; f < 200000; f += 97) {
        const t = timeOfFrame(f, fps);
        if (frameOf(t, fps) !== f || frameOf(t + 0.999 / fps.rate, fps) !== f || nearestFrame(t, fps) !== f) {
          assert.equal(frameOf(t, fps), f);
        }
      }
    });
  }
  test("an hour of 23.976 is 86313 frames and a part", () => {
    // 3600 s x 24000/1001 = 86313.6863
    assert.equal(frameOf(3600, rates["23.976"]), 86313);
  });
  test("rates are written as they are called", () => {
    assert.deepEqual(Object.values(rates).map(rateText), ["24", "25", "30", "23.976", "29.97", "59.94"]);
  });
});

describe("beats", () => {
  test("a tempo of 120 has a beat every 500 ms", () => {
    // Standard MIDI Files 1.0 (RP-001): 120 beats a minute is 500,000 us a quarter note.
    const tempo = [{ at: 0, beat: 0, bpm: 120 }];
    assert.equal(beatsAt(0.5, tempo), 1);
    assert.equal(timeOfBeat(7, tempo), 3.5);
    assert.equal(beatRate(9, tempo), 2);
  });
  test("a change of tempo: eight beats of 120, then 60", () => {
    const tempo = [{ at: 0, beat: 0, bpm: 120 }, { at: 4, beat: 8, bpm: 60 }];
    assert.equal(beatsAt(3.75, tempo), 7.5);
    assert.equal(beatsAt(4, tempo), 8);
    assert.equal(beatsAt(6.5, tempo), 10.5);
    assert.equal(timeOfBeat(10, tempo), 6);
  });
  test("between two entries the beats are linear, whatever the tempo says", () => {
    const tempo = [{ at: 0, beat: 0, bpm: 96 }, { at: 10, beat: 8, bpm: 96 }];
    assert.equal(beatsAt(5, tempo), 4);
    assert.equal(beatRate(5, tempo), 0.8);
    assert.equal(beatRate(11, tempo), 1.6);
  });
  test("the third of three tempos, and the second between two that are not at 0", () => {
    const tempo = [{ at: 0, beat: 0, bpm: 60 }, { at: 10, beat: 10, bpm: 120 }, { at: 20, beat: 30, bpm: 90 }];
    assert.equal(beatsAt(15, tempo), 20);
    assert.equal(beatRate(15, tempo), 2);
    assert.equal(beatsAt(22, tempo), 33);
    assert.equal(timeOfBeat(25, tempo), 17.5);
  });
  test("beats and times are each other's inverse", () => {
    const tempo = [{ at: 0, beat: 0, bpm: 90 }, { at: 3.1, beat: 4.65, bpm: 143 }, { at: 7.9, beat: 16, bpm: 61 }];
    for (let t = 0; t < 20; t += 0.037) assert.ok(Math.abs(timeOfBeat(beatsAt(t, tempo), tempo) - t) < 1e-12);
  });
});

describe("times as text", () => {
  for (const [t, want] of /** @type {[number, string][]} */ ([[0, "0"], [0.5, "0.5"], [12, "12"], [59.9996, "1:00"], [90, "1:30"], [90.25, "1:30.25"], [7205, "2:00:05"], [-1.5, "\u22121.5"]])) {
    test(`ruler: ${t} is ${want}`, () => assert.equal(clock(t), want));
  }
  for (const [t, want] of /** @type {[number, string][]} */ ([[4.283, "4.28 s"], [59.999, "1:00"], [14.25, "14.25 s"], [125.5, "2:05.5"]])) {
    test(`message: ${t} is ${want}`, () => assert.equal(clockTime(t), want));
  }
  for (const [t, want] of /** @type {[number, string][]} */ ([[0, "00:00.00"], [4.289, "00:04.28"], [0.29, "00:00.29"], [61.5, "01:01.50"], [3600, "1:00:00.00"]])) {
    test(`counter: ${t} is ${want}`, () => assert.equal(counter(t), want));
  }
});

describe("ticks", () => {
  const tempo = [{ at: 0, beat: 0, bpm: 120 }, { at: 4, beat: 8, bpm: 71 }];
  /** @type {Record<string, (view: {from: number, to: number}, width: number) => {at: number, text: string}[]>} */
  const rulers = {
    seconds: ticks,
    "24 fps": (v, w) => frameTicks(v, w, rates["24"]),
    "29.97 fps": (v, w) => frameTicks(v, w, rates["29.97"]),
    "12.5 fps": (v, w) => frameTicks(v, w, { rate: 12.5, count: 0, drop: false }),
    beats: (v, w) => beatTicks(v, w, tempo),
  };
  // The widest text of each in a small face, measured on a sheet: timecode 66 px.
  // Nothing is finer than a frame, a beat, or a hundredth of a second.
  const finest = { seconds: 0.01, "24 fps": 1 / 24, "29.97 fps": 1001 / 30000, "12.5 fps": 0.08, beats: 60 / 71 };
  const room = { seconds: 60, "24 fps": 92, "29.97 fps": 92, "12.5 fps": 92, beats: 20 };
  for (const [name, ruler] of Object.entries(rulers)) {
    test(`${name}: in the view, in order, texts apart, never a crowd`, () => {
      for (const span of [0.1, 0.7, 3, 24, 100, 600, 7200, 172800]) {
        for (const from of [0, 0.013, 17.3]) {
          for (const width of [300, 820, 1600]) {
            const view = { from, to: from + span };
            const list = ruler(view, width);
            const where = `${span} s from ${from} on ${width} px`;
            for (let k = 0; k < list.length; k++) {
              assert.ok(list[k].at >= view.from - 1e-4 && list[k].at <= view.to + 1e-4, `${where}: ${list[k].at}`);
              if (k > 0) assert.ok(list[k].at > list[k - 1].at, where);
            }
            const named = list.filter((t) => t.text);
            for (let k = 1; k < named.length; k++) {
              const apart = ((named[k].at - named[k - 1].at) * width) / span;
              const least = room[/** @type {keyof typeof room} */ (name)];
              assert.ok(apart >= least - 1e-6 && (apart <= 5.1 * Math.max(36, least) || named[k].at - named[k - 1].at < 1.001 * finest[/** @type {keyof typeof room} */ (name)]), `${where}: ${named[k - 1].text} and ${named[k].text} are ${apart} px apart`);
            }
            assert.ok(list.length <= width / 2 + 2, `${where}: ${list.length} ticks`);
          }
        }
      }
    });
  }
  test("a tick of frames says the frame that starts there", () => {
    for (const t of frameTicks({ from: 58, to: 62 }, 900, rates["29.97"])) {
      if (t.text) assert.equal(t.text, timecode(frameOf(t.at, rates["29.97"]), rates["29.97"]));
    }
  });
  test("seconds are labelled with their own time", () => {
    for (const t of ticks({ from: 0, to: 24 }, 1000)) if (t.text) assert.equal(Number(t.text), t.at);
  });
  test("a second of film on 1000 px: every third frame named, each one marked", () => {
    const list = frameTicks({ from: 1, to: 2 }, 1000, rates["24"]);
    assert.equal(list.length, 25);
    assert.deepEqual(list.filter((t) => t.text).map((t) => t.text), ["00", "03", "06", "09", "12", "15", "18", "21"].map((f) => `00:00:01:${f}`).concat("00:00:02:00"));
  });
  test("frames are named so that each second's first is among them", () => {
    for (const name of ["24", "25", "30", "29.97", "59.94"]) {
      for (let width = 100; width < 9000; width *= 1.3) {
        const list = frameTicks({ from: 0, to: 3 }, width, rates[name]).filter((t) => t.text).map((t) => t.text);
        if (list.length > 3) assert.ok(list.includes(timecode(rates[name].count, rates[name])), `${name} on ${width} px: ${list}`);
      }
    }
  });
  test("a minute and a half of seconds: every 15 named, every 5 marked", () => {
    const list = ticks({ from: 0, to: 240 }, 1000);
    assert.deepEqual(list.slice(0, 4), [{ at: 0, text: "0" }, { at: 5, text: "" }, { at: 10, text: "" }, { at: 15, text: "15" }]);
  });
  test("many beats: every fourth named, every second marked", () => {
    const list = beatTicks({ from: 0, to: 3.9 }, 78, tempo);
    assert.deepEqual(list, [{ at: 0, text: "1" }, { at: 1, text: "" }, { at: 2, text: "5" }, { at: 3, text: "" }]);
  });
  test("beats are counted from one", () => {
    assert.deepEqual(beatTicks({ from: 0, to: 2 }, 400, tempo), [{ at: 0, text: "1" }, { at: 0.5, text: "2" }, { at: 1, text: "3" }, { at: 1.5, text: "4" }, { at: 2, text: "5" }]);
  });
});
