// The dip timer: when to photograph the strip. It runs by the clock, so that reload and a locked screen do not stop it.
"use strict";
{
  const LONGEST_MS = 15 * 60_000; // a dip longer ago than this is dropped
  const SCALE = 4 / 3; // the bar ends a third after the reading window
  const PREFIX = `dip ${outbox.account} `; // a key a sampling point and tube: two tabs may each time a strip
  const stored = (what) => { try { return what(localStorage); } catch { return null; /* forbidden */ } };
  let dip = null, ticking = 0, sound = null, awake = null, stage = "", last = 0;

  const signal = (times) => {
    navigator.vibrate?.(Array(times * 2 - 1).fill(250));
    for (let i = 0; sound && i < times; i += 1) {
      const tone = sound.createOscillator(), loud = sound.createGain(), at = sound.currentTime + i * 0.4;
      tone.frequency.value = 880;
      loud.gain.setValueAtTime(0.3, at);
      loud.gain.setValueAtTime(0, at + 0.25);
      tone.connect(loud).connect(sound.destination);
      tone.start(at);
      tone.stop(at + 0.3);
    }
  };
  const keep = () => stored((s) => s.setItem(PREFIX + dip.which, JSON.stringify(dip)));
  const read = (name) => JSON.parse(stored((s) => s.getItem(name)) ?? "null");
  const find = (which) => {
    if (dip?.which === which) return dip;
    last = 0;
    stage = "";
    return dip = read(PREFIX + which);
  };
  const stop = () => {
    clearInterval(ticking);
    ticking = 0;
    awake?.release();
    awake = null;
  };
  // A clock that is set back would otherwise stop the timer.
  const now = () => {
    const time = Date.now();
    if (dip && time < last) {
      dip.at += time - last;
      keep();
    }
    last = time;
    return time;
  };

  window.dip = {
    // Milliseconds of the phone's clock when the strip was dipped for `which` point and tube, or null.
    since: (which) => find(which) && now() - dip.at < LONGEST_MS ? dip.at : null,
    // Dips that are not photographed yet, also those of other tabs: `which`, the time `at` and the `label` of the point.
    all: () => (stored(Object.keys) ?? []).filter((name) => name.startsWith(PREFIX)).map(read),
    start: (which, label) => {
      sound ??= window.AudioContext ? new AudioContext() : null;
      sound?.resume();
      window.dip.resume(which, Date.now(), label);
    },
    // Go on with a strip that was dipped before.
    resume: (which, at, label) => {
      dip = {which, at, label};
      last = 0;
      stage = "";
      keep();
    },
    // The time of the dip, or null; the next strip needs its own.
    take: (which) => {
      const at = window.dip.since(which);
      dip = null;
      stored((s) => s.removeItem(PREFIX + which));
      stop();
      return at;
    },
    // Call `show` with seconds, stage and seconds left four times a second.
    run: async (which, after, before, show) => {
      stop();
      const tick = () => {
        if (window.dip.since(which) === null) return;
        const seconds = Math.max(0, (now() - dip.at) / 1000);
        const next = seconds < after ? "wait" : seconds < before ? "now" : "late";
        if (next !== stage) {
          if (stage) signal(next === "now" ? 3 : 1);
          stage = next;
        }
        show(seconds, stage, Math.ceil((stage === "wait" ? after : before) - seconds));
      };
      ticking = setInterval(tick, 250);
      tick();
      try { awake = await navigator.wakeLock?.request("screen"); } catch { /* not on this device */ }
    },
    stop,
    scale: (before) => SCALE * before,
  };
}
