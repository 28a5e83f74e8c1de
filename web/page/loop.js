// The one frame loop.

/**
 * Calls draw at the next frame after a request, and again as long as draw says
 * that it has more to show.
 * @param {(now: number) => boolean} draw  now in ms, as requestAnimationFrame counts
 * @param {{request: (f: (now: number) => void) => number, cancel: (id: number) => void}} [frames]  for tests
 * @returns {{request: () => void, stop: () => void}}
 */
export function createLoop(draw, frames = browserFrames()) {
  let asked = 0;
  let stopped = false;
  /** @param {number} now */
  function frame(now) {
    asked = 0;
    if (draw(now)) request();
  }
  function request() {
    if (!asked && !stopped) asked = frames.request(frame);
  }
  return {
    request,
    stop() {
      stopped = true;
      if (asked) frames.cancel(asked);
      asked = 0;
    },
  };
}

function browserFrames() {
  return { request: requestAnimationFrame.bind(globalThis), cancel: cancelAnimationFrame.bind(globalThis) };
}
