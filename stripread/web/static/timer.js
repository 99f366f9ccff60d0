// The dip timer: when to photograph the strip. It runs by the clock, so that reload and a dark screen do not stop it.
"use strict";
{
  const LONGEST_MS = 15 * 60_000; // a dip longer ago than this is forgotten
  const form = document.getElementById("taking");
  const words = JSON.parse(document.getElementById("words").textContent);
  const clock = document.getElementById("clock"), said = document.getElementById("said");
  const start = document.getElementById("start");
  const {after, before, point, batch, tube} = form.dataset;
  const which = JSON.stringify([outbox.account, point, batch, tube]);
  let dipped = null, ticking = 0, sound = null, awake = null;

  const beep = (times) => {
    if (navigator.vibrate) navigator.vibrate(Array(times * 2 - 1).fill(250));
    if (!sound) return;
    for (let i = 0; i < times; i += 1) {
      const tone = sound.createOscillator(), loud = sound.createGain(), at = sound.currentTime + i * 0.4;
      tone.frequency.value = 880;
      loud.gain.setValueAtTime(0.3, at);
      loud.gain.setValueAtTime(0, at + 0.25);
      tone.connect(loud).connect(sound.destination);
      tone.start(at);
      tone.stop(at + 0.3);
    }
  };
  const stages = [
    [Number(after), "wait", 3],
    [Number(before), "now", 1],
    [Infinity, "late", 0],
  ];
  let stage = -1;
  const tick = () => {
    const seconds = (Date.now() - dipped) / 1000;
    const now = stages.findIndex(([end]) => seconds < end);
    if (now !== stage) {
      if (stage >= 0) beep(stages[stage][2] || 1);
      stage = now;
      said.textContent = words[`dip-${stages[now][1]}`];
      form.dataset.stage = stages[now][1];
    }
    const left = stages[now][0] - seconds;
    clock.textContent = Number.isFinite(left) ? `${Math.ceil(left)} s` : "";
  };
  const stop = () => { clearInterval(ticking); ticking = 0; clock.textContent = ""; awake?.release(); awake = null; };
  const run = async (since) => {
    stop();
    dipped = since;
    stage = -1;
    start.textContent = words["dip-again"];
    ticking = setInterval(tick, 250);
    tick();
    try { awake = await navigator.wakeLock?.request("screen"); } catch { /* not on this device */ }
  };
  const stored = (what) => { try { return what(localStorage); } catch { return null; /* forbidden */ } };

  start.onclick = () => {
    sound ??= window.AudioContext ? new AudioContext() : null;
    sound?.resume();
    const now = Date.now();
    stored((s) => s.setItem("dip", JSON.stringify({which, at: now})));
    run(now);
  };

  window.dip = {
    // The time of the dip of the strip that is being photographed, or null; the next strip needs its own.
    take: () => {
      const at = dipped;
      stop();
      stored((s) => s.removeItem("dip"));
      dipped = null;
      said.textContent = words["dip-ready"];
      form.dataset.stage = "";
      return at;
    },
  };

  const earlier = JSON.parse(stored((s) => s.getItem("dip")) ?? "null");
  if (earlier?.which === which && Date.now() - earlier.at < LONGEST_MS) run(earlier.at);
}
