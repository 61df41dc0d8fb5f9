"use strict";
/* Saves each reading by itself, as soon as its field is left. What cannot be sent stays on this phone and is sent
   later: a phone that sleeps or a wall of steel loses nothing. Without this script the same forms work one by one. */
(() => {
  const forms = () => [...document.querySelectorAll("form[data-reading]")];
  const key = (form) => `reading ${location.pathname} ${form.dataset.reading}`;
  const fields = (form) => [form.elements.value, form.elements.temperature];
  const waiting = new Set();
  const store = {
    get: (name) => { try { return localStorage.getItem(name); } catch { return null; } },
    set: (name, text) => { try { localStorage.setItem(name, text); } catch { /* private window: the field itself keeps it */ } },
    drop: (name) => { try { localStorage.removeItem(name); } catch { /* as above */ } },
  };

  function say(form, kind, text) {
    form.classList.remove("saved", "unsent", "wrong");
    if (kind) form.classList.add(kind);
    form.querySelector(".stop-state").textContent = text;
  }

  function typed(form) { return JSON.stringify(fields(form).map((f) => f.value.trim())); }

  function restore() {
    for (const form of forms()) {
      const kept = store.get(key(form));
      if (kept === null) continue;
      if (kept === typed(form)) { store.drop(key(form)); continue; }
      const values = JSON.parse(kept);
      fields(form).forEach((f, i) => { f.value = values[i]; });
      say(form, "unsent", "kept on this device, not sent yet");
      send(form);
    }
  }

  function swap(page) {
    for (const old of document.querySelectorAll("[data-part]")) {
      const next = page.querySelector(`[data-part="${CSS.escape(old.dataset.part)}"]`);
      if (!next) continue;
      const open = [...old.querySelectorAll("details")].map((d) => d.open);
      const fresh = document.importNode(next, true);
      fresh.querySelectorAll("details").forEach((d, i) => { d.open = Boolean(open[i]); });
      old.replaceWith(fresh);
    }
  }

  function rows(page) {
    // Rows that another person saved, and marks that the answer asks for.
    const theirs = [...page.querySelectorAll("form[data-reading]")];
    const mine = new Map(forms().map((f) => [f.dataset.reading, f]));
    let before = null;
    for (const their of theirs) {
      const own = mine.get(their.dataset.reading);
      if (!own) {
        const fresh = document.importNode(their, true);
        if (before) before.after(fresh); else if (forms()[0]) forms()[0].before(fresh);
        before = fresh;
        continue;
      }
      before = own;
      own.classList.toggle("wanted", their.classList.contains("wanted"));
      const busy = own.contains(document.activeElement) || store.get(key(own)) !== null;
      if (busy || own.classList.contains("wrong")) continue;
      fields(own).forEach((f, i) => { f.value = fields(their)[i].value; });
      const saved = their.classList.contains("saved");
      say(own, saved ? "saved" : "", saved ? "saved" : "");
    }
  }

  async function send(form) {
    if (waiting.has(form)) return;
    const sent = typed(form);
    waiting.add(form);
    say(form, "unsent", "saving …");
    try {
      const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)), signal: AbortSignal.timeout(15000) });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (new URL(answer.url).pathname === "/login") {
        say(form, "unsent", "kept on this device; sign in again to send it");
      } else if (answer.ok) {
        if (typed(form) === sent) store.drop(key(form));
        say(form, JSON.parse(sent)[0] ? "saved" : "", JSON.parse(sent)[0] ? "saved" : "");
        swap(page);
        rows(page);
      } else {
        store.drop(key(form));
        const said = page.querySelector(".said");
        say(form, "wrong", said ? said.textContent : `not saved: the gateway answers ${answer.status}`);
      }
    } catch {
      say(form, "unsent", "no connection: kept on this device, sent later");
    } finally {
      waiting.delete(form);
      if (store.get(key(form)) !== null && typed(form) !== sent) send(form);
    }
  }

  function retry() {
    for (const form of forms()) if (store.get(key(form)) !== null && form.elements.value.value.trim()) send(form);
  }

  async function refresh() {
    if (document.hidden || waiting.size) return;
    try {
      const answer = await fetch(location.pathname + location.search, { cache: "no-store", signal: AbortSignal.timeout(8000) });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      swap(page);
      rows(page);
    } catch { /* the rows say what is not sent */ }
  }

  document.addEventListener("input", (event) => {
    const form = event.target.closest("form[data-reading]");
    if (!form) return;
    store.set(key(form), typed(form));
    say(form, "unsent", "not saved yet");
  });
  document.addEventListener("focusout", (event) => {
    const form = event.target.closest("form[data-reading]");
    if (!form || form.contains(event.relatedTarget) || store.get(key(form)) === null) return;
    if (form.elements.value.value.trim() || !form.elements.temperature.value.trim()) send(form);
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-reading]");
    if (!form) return;
    event.preventDefault();
    const all = forms();
    const next = all[all.indexOf(form) + 1];
    const reached = document.activeElement === form.elements.value && !form.elements.temperature.value;
    store.set(key(form), typed(form));
    send(form);
    if (reached) form.elements.temperature.focus();
    else if (next) next.elements.value.focus();
  });
  addEventListener("online", retry);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { retry(); refresh(); } });
  if (forms().length) {
    restore();
    setInterval(retry, 10000);
    setInterval(refresh, 15000);
  }
})();
