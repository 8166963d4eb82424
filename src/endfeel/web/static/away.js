/* The page for when the server is away: how many recordings wait here, and on as soon as it answers. */
"use strict";
(() => {
  const theme = /(?:^|; )endfeel_theme=(light|dark|auto)/.exec(document.cookie);
  if (theme) document.documentElement.dataset.theme = theme[1];
  let kept = [];
  try {
    /* what was on its way did not arrive: it waits like the rest */
    kept = (JSON.parse(localStorage.getItem("endfeel.queue")) || []).map(({ sent_from, ...e }) => e);
    localStorage.setItem("endfeel.queue", JSON.stringify(kept));
  } catch { /* nothing that can be read */ }
  document.getElementById("waiting").textContent = kept.length
    ? (kept.length === 1 ? "1 recording waits" : kept.length + " recordings wait") + " on this device, and will be sent when the server answers."
    : "No recording waits on this device.";
  let asking = false;
  async function ask() {
    if (asking || document.hidden) return;
    asking = true;
    try {
      await fetch("/away-worker.js", { cache: "no-store", signal: AbortSignal.timeout(5000) });
      if ("posted" in document.documentElement.dataset) location.replace(document.referrer || "/visits");
      else location.reload();
    } catch { asking = false; }
  }
  document.getElementById("again").addEventListener("click", ask);
  window.addEventListener("online", ask);
  document.addEventListener("visibilitychange", ask);
  setInterval(ask, 3000);
})();
