"use strict";
/* Keeps a page fresh without flicker: asks a small JSON every few seconds, and only when its
   version differs fetches the page again and swaps the parts whose HTML has changed. */
(() => {
  const body = document.body;
  class Refused extends Error {}
  const api = body.dataset.api;
  if (!api) return;
  const every = Number(body.dataset.every);
  const patience = Math.max(4000, 2 * every);
  const banner = document.getElementById("banner");
  let version = body.dataset.version;
  let nowText = body.dataset.nowText;
  let plantNow = Number(body.dataset.now);
  let heard = clocks();

  /* Two clocks: one may stand still while a phone sleeps, the other may be set back. */
  function clocks() { return [performance.now(), Date.now()]; }
  function elapsed() {
    const now = clocks();
    return Math.max(now[0] - heard[0], now[1] - heard[1], 0) / 1000;
  }

  function ago(seconds) {
    const s = Math.round(Math.max(0, seconds));
    if (s < 60) return `${s} s ago`;
    if (s < 3600) return `${Math.floor(s / 60)} min ago`;
    if (s < 86400) {
      const minutes = Math.floor((s % 3600) / 60);
      return minutes ? `${Math.floor(s / 3600)} h ${minutes} min ago` : `${Math.floor(s / 3600)} h ago`;
    }
    const days = Math.floor(s / 86400);
    return days === 1 ? "1 day ago" : `${days} days ago`;
  }

  // Ages go on growing while the gateway is silent, so that nothing old looks fresh.
  function tick() {
    const now = plantNow + elapsed();
    for (const element of document.querySelectorAll("[data-at]")) {
      const text = ago(now - Number(element.dataset.at));
      if (element.textContent !== text) element.textContent = text;
    }
  }

  async function ask(url) {
    const control = new AbortController();
    const timer = setTimeout(() => control.abort(), patience);
    try {
      const answer = await fetch(url, { signal: control.signal, cache: "no-store" });
      if (!answer.ok) throw new Refused(`status ${answer.status}`);
      return await (url.startsWith("/api/") ? answer.json() : answer.text());
    } finally {
      clearTimeout(timer);
    }
  }

  function withoutAges(element) {
    const copy = element.cloneNode(true);
    for (const age of copy.querySelectorAll("[data-at]")) age.textContent = "";
    return copy.outerHTML;
  }

  async function swap() {
    const fresh = new DOMParser().parseFromString(await ask(location.pathname + location.search), "text/html");
    const parts = new Map([...fresh.querySelectorAll("[data-part]")].map((p) => [p.dataset.part, p]));
    const shown = [...document.querySelectorAll("[data-part]")];
    if (shown.length !== parts.size || shown.some((p) => !parts.has(p.dataset.part))) {
      location.reload(); // trains were added or taken away: another page altogether
      return;
    }
    for (const old of shown) {
      const next = parts.get(old.dataset.part);
      if (withoutAges(old) === withoutAges(next)) continue;
      const focused = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
      old.replaceWith(document.importNode(next, true));
      if (focused) {
        const part = document.querySelector(`[data-part="${CSS.escape(old.dataset.part)}"]`);
        const again = part.querySelector(`[href="${CSS.escape(focused)}"]`);
        if (again) again.focus({ preventScroll: true });
      }
    }
  }

  function connected() {
    if (banner.hidden) return;
    banner.hidden = true;
    banner.textContent = "";
    body.classList.remove("old");
  }

  function lost(error) {
    const what = error instanceof Refused ? "The gateway answers with an error" : "No connection to the gateway";
    const text = `${what} since ${nowText}; what you see is old.`;
    if (banner.textContent !== text) banner.textContent = text;
    banner.hidden = false;
    body.classList.add("old");
  }

  async function refresh() {
    if (document.hidden) { // nobody looks: ask again when somebody does
      document.addEventListener("visibilitychange", refresh, { once: true });
      return;
    }
    try {
      const news = await ask(api);
      if (news.version !== version) {
        await swap();
        version = news.version;
      }
      plantNow = news.now;
      nowText = news.now_text;
      heard = clocks();
      const clock = document.querySelector('[data-part="clock"] time');
      clock.textContent = news.now_text;
      clock.dateTime = news.now_iso;
      connected();
      document.dispatchEvent(new CustomEvent("page:news", { detail: news }));
    } catch (error) {
      console.warn("refresh failed:", error.message);
      lost(error);
    }
    tick();
    body.dataset.refreshed = String(Number(body.dataset.refreshed || 0) + 1);
    setTimeout(refresh, every);
  }

  document.addEventListener("visibilitychange", tick);
  setInterval(tick, 1000);
  tick();
  setTimeout(refresh, every);
})();
