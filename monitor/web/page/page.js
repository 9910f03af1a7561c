"use strict";
// The page's own watch over the line: a viewer that is well sends a pulse twice a second, as long as it hears the monitor.
// When the pulse stops, the picture is old, and the page says so instead of showing it.

(() => {
  const STALE_MS = 3000;
  const OPENING_MS = 20000;
  let heard = performance.now();
  let first = false;
  let closed = false;

  const notice = (title, words, again) => {
    document.getElementById("notice-title").textContent = title;
    document.getElementById("notice-words").textContent = words;
    document.getElementById("again").hidden = !again;
    document.getElementById("notice").hidden = false;
    document.body.classList.add("stale");
  };

  const clear = () => {
    document.getElementById("notice").hidden = true;
    document.body.classList.remove("stale");
  };

  const Plain = window.WebSocket;
  window.WebSocket = class extends Plain {
    constructor(...words) {
      super(...words);
      this.addEventListener("message", () => {
        heard = performance.now();
        first = true;
      });
      this.addEventListener("close", (event) => {
        closed = true;
        const words = document.body.dataset;
        notice(words.old, event.reason || words.ended, true);
      });
    }
  };

  setInterval(() => {
    if (closed) {
      return;
    }
    const silent = performance.now() - heard;
    if (silent > (first ? STALE_MS : OPENING_MS)) {
      const words = document.body.dataset;
      notice(words.old, words.silent.replace("{seconds}", String(Math.round(silent / 1000))), true);
    } else {
      clear();
    }
  }, 500);

  document.addEventListener("DOMContentLoaded", () => {
    const terminal = document.getElementById("terminal");
    const place = new URL("ws", window.location.href);
    place.protocol = place.protocol === "https:" ? "wss:" : "ws:";
    place.search = "";
    terminal.dataset.sessionWebsocketUrl = place.href;
    const size = Number(new URLSearchParams(window.location.search).get("fontsize") || 16);
    terminal.dataset.fontSize = String(Math.min(40, Math.max(8, Number.isFinite(size) ? size : 16)));
    document.getElementById("again").addEventListener("click", () => window.location.reload());
  });
})();
