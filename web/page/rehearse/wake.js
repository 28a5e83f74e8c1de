// The screen stays awake while this page drives boards that may move: a page that is
// hidden lets go, and a telephone that falls asleep hides it (Screen Wake Lock API, W3C).

/**
 * @param {() => boolean} wanted
 * @returns {() => void} to be called when it may have changed
 */
export function createWake(wanted) {
  /** @type {WakeLockSentinel|null} */
  let lock = null;
  let asking = false;

  async function look() {
    const want = wanted() && !document.hidden;
    if (asking || want === (lock !== null)) return;
    if (!want) {
      void lock?.release();
      lock = null;
      return;
    }
    if (!("wakeLock" in navigator)) return; // no secure context, or an old browser
    asking = true;
    try {
      const l = await navigator.wakeLock.request("screen");
      lock = l;
      l.addEventListener("release", () => {
        if (lock === l) lock = null;
      });
    } catch {
      // The system may say no, as with a battery that is low.
    } finally {
      asking = false;
    }
    if (lock && !wanted()) look();
  }
  return () => void look();
}
