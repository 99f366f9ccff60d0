// The dip timer: when to photograph the strip. It runs by the clock, so that reload and a locked screen do not stop it.
"use strict";
{
  const LONGEST_MS = 15 * 60_000; // a dip longer ago than this is dropped
  const SCALE = 4 / 3; // the bar ends a third after the reading window
  const key = `dip ${outbox.account}`;
  const stored = (what) => { try { return what(localStorage); } catch { return null; /* forbidden */ } };
  let dip = JSON.parse(stored((s) => s.getItem(key)) ?? "null"), ticking = 0, sound = null, awake = null, stage = "", last = 0;

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
  const keep = () => stored((s) => dip ? s.setItem(key, JSON.stringify(dip)) : s.removeItem(key));
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
    since: (which) => dip && dip.which === which && now() - dip.at < LONGEST_MS ? dip.at : null,
    start: (which) => {
      sound ??= window.AudioContext ? new AudioContext() : null;
      sound?.resume();
      window.dip.resume(which, Date.now());
    },
    // Go on with a strip that was dipped before.
    resume: (which, at) => {
      dip = {which, at};
      last = 0;
      stage = "";
      keep();
    },
    // The time of the dip, or null; the next strip needs its own.
    take: (which) => {
      const at = window.dip.since(which);
      dip = null;
      keep();
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
