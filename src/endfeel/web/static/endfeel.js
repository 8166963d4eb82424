/* What the pages do beyond links and forms: keep every recording until the server has it, the body figure, the keyboard. */
"use strict";
(() => {
  const KEEP = "endfeel.queue", KEYS = "endfeel.keys";
  const $ = (q, at) => (at || document).querySelector(q);
  const uuid = () => {
    if (crypto.randomUUID) return crypto.randomUUID();
    const b = crypto.getRandomValues(new Uint8Array(16));
    b[6] = (b[6] & 15) | 64; b[8] = (b[8] & 63) | 128;
    const h = [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
    return [h.slice(0, 8), h.slice(8, 12), h.slice(12, 16), h.slice(16, 20), h.slice(20)].join("-");
  };
  const token = () => $('meta[name="endfeel-token"]').content;

  /* ---- the queue: {id, who, path, body, at, words; sent_from while a form is on its way}, oldest first, in localStorage ---- */
  const read = () => { try { return JSON.parse(localStorage.getItem(KEEP)) || []; } catch { return []; } };
  const write = (list) => localStorage.setItem(KEEP, JSON.stringify(list));
  /* an entry goes out under the account that made it and no other: who is signed in now may be somebody else */
  const me = () => $('meta[name="endfeel-who"]').content;
  const mine = () => read().filter((e) => (!e.who || e.who === me()) && !e.sent_from);
  const add = (entry) => write([...read(), { who: me(), ...entry }]);
  const drop = (id) => write(read().filter((e) => e.id !== id));
  const settled = (status) => (status >= 200 && status < 400) || (status >= 400 && status < 500 && ![403, 408, 421, 425, 429].includes(status));
  let timer = 0, wait = 1000, draining = false, leaving = false;

  function line(text, retry) {
    const box = $("#line");
    box.replaceChildren();
    if (!text) return;
    const p = document.createElement("p");
    p.textContent = text;
    const b = document.createElement("button");
    b.type = "button"; b.className = "link"; b.textContent = retry ? "Send now" : "Close";
    b.addEventListener("click", () => (retry ? drain() : line("")));
    p.append(b);
    box.append(p);
  }
  function waiting() {
    const n = mine().length, other = read().find((e) => e.who && e.who !== me());
    document.documentElement.toggleAttribute("data-waiting", n > 0);
    if (n) line((n === 1 ? "1 entry is" : n + " entries are") + " kept on this device and will be sent when the server answers.", true);
    else if (other) line("What " + other.who + " recorded is kept on this device and will be sent when " + other.who + " signs in here.");
    else line("");
  }
  function later() {
    clearTimeout(timer);
    timer = setTimeout(drain, wait);
    wait = Math.min(wait * 1.6, 15000);
  }
  async function drain() {
    if (draining || !mine().length) return;
    draining = true;
    clearTimeout(timer);
    let refused = "", stuck = false, sent = 0;
    while (mine().length) {
      const e = mine()[0];
      let answer;
      try {
        answer = await fetch(e.path, { method: "POST", body: e.body + "&waited_ms=" + Math.max(0, Date.now() - e.at), redirect: "manual",
          signal: AbortSignal.timeout(8000),
          headers: { "Content-Type": "application/x-www-form-urlencoded", "X-Endfeel-Token": token(), "X-Endfeel-Queue": "1" } });
      } catch { stuck = true; break; }
      if (!settled(answer.status) && answer.type !== "opaqueredirect") {
        if (answer.status === 403) refused = await answer.text();
        stuck = true;
        break;
      }
      if (answer.status >= 400) refused = await answer.text();
      drop(e.id);
      sent += 1;
    }
    draining = false;
    if (stuck) { waiting(); if (refused) line(refused, true); later(); return; }
    wait = 1000;
    waiting();
    if (refused) line(refused);
    if (leaving) return;
    if (sent && !$("#bench") && !document.querySelector("form[data-dirty]")) location.reload();
    else if (sent && $("#bench")) htmx.ajax("GET", location.href, { target: "#bench", swap: "outerHTML", select: "#bench" });
  }
  /* a form that opens another page is kept too until that page is there: its client id makes sure that it counts once */
  const here = () => location.href.split("#")[0];
  document.addEventListener("submit", (event) => {
    const form = event.target, path = form.getAttribute("action");
    if (event.defaultPrevented || form.getAttribute("method") !== "post" || form.hasAttribute("hx-post") || !path.startsWith("/visits") || !form.elements.client_id) return;
    const id = form.elements.client_id.value;
    drop(id);
    add({ id, path, body: new URLSearchParams(new FormData(form, event.submitter)).toString(), at: Date.now(), words: "", sent_from: here() });
  });
  function arrived() {
    const how = performance.getEntriesByType("navigation")[0];
    const got = how && how.type === "navigate" ? document.referrer : "";
    write(read().filter((e) => !e.sent_from || e.sent_from !== got).map(({ sent_from, ...e }) => e));
  }
  /* a reload would take back a step to another page that is under way */
  window.addEventListener("beforeunload", () => { leaving = true; });
  window.addEventListener("pageshow", () => { leaving = false; });
  window.addEventListener("online", drain);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) drain(); });

  document.addEventListener("htmx:configRequest", (event) => {
    const d = event.detail;
    d.headers["X-Endfeel-Token"] = token();
    const form = d.elt;
    if (!form.dataset.record || d.verb !== "post") return;
    const id = uuid();
    d.parameters.client_id = id;
    d.headers["X-Endfeel-Id"] = id;
    const older = mine().length;
    add({ id, path: d.path, body: new URLSearchParams(d.formData || d.parameters).toString(), at: Date.now(), words: form.dataset.record });
    if (older) { event.preventDefault(); pend(form); drain(); }
  });
  const pend = (form) => {
    const note = $(".kept", form) || $(".kept", form.closest(".card, section") || form);
    if (note) note.textContent = "Kept on this device, not sent yet.";
  };
  document.addEventListener("htmx:afterRequest", (event) => {
    const d = event.detail, id = d.requestConfig && d.requestConfig.headers["X-Endfeel-Id"];
    const status = d.xhr ? d.xhr.status : 0;
    if (id) {
      if (settled(status)) { drop(id); waiting(); }
      else { pend(d.elt); waiting(); later(); }
    }
    if (status >= 400) line(d.xhr.responseText.length < 400 ? d.xhr.responseText : "The server could not do this (" + status + ").", id && !settled(status));
    else if (!status && !id) line("The server does not answer. What you have recorded is kept.");
    if (id && status >= 200 && status < 300) {
      const note = $(".kept", d.elt.closest("form") || d.elt);
      if (note) note.textContent = "Kept " + new Date().toTimeString().slice(0, 5);
    }
  });

  /* ---- what is being typed when the page is left goes into the queue too ---- */
  document.addEventListener("input", (event) => {
    const form = event.target.form;
    if (form && form.dataset.record && (form.getAttribute("hx-trigger") || "").includes("change")) form.dataset.dirty = "1";
  });
  document.addEventListener("htmx:afterRequest", (event) => { delete (event.detail.elt.closest("form") || {dataset: {}}).dataset.dirty; });
  window.addEventListener("pagehide", () => {
    for (const form of document.querySelectorAll("form[data-dirty]")) {
      add({ id: uuid(), path: form.getAttribute("hx-post"), body: new URLSearchParams(new FormData(form)).toString(), at: Date.now(), words: form.dataset.record });
      delete form.dataset.dirty;
    }
  });

  /* ---- sheets ---- */
  const sheet = () => $("#sheet");
  document.addEventListener("htmx:afterSwap", (event) => {
    if (event.detail.target.id === "sheet" && !sheet().open) { sheet().showModal(); sheet().scrollTop = 0; }
    if (event.detail.target.id === "bench" && sheet().open) sheet().close();
    if (["bench", "ahead"].includes(event.detail.target.id)) {
      quiet = performance.now() + 400;
      const next = $("#next-name") || $("#stop-words");
      if (next && document.activeElement === document.body) next.focus({ preventScroll: true });
    }
  });
  /* a second tap or a bouncing pedal just after a recording would land on the next finding: it is not counted */
  let quiet = 0;
  document.addEventListener("click", (event) => {
    if (performance.now() < quiet && event.target.closest("#ahead [data-acts] button")) { event.preventDefault(); event.stopPropagation(); }
  }, true);
  document.addEventListener("click", (event) => {
    if (event.target.closest("[data-close]")) { event.preventDefault(); sheet().close(); }
    if (event.target === sheet()) sheet().close();
    const copy = event.target.closest("[data-copy]");
    if (copy) navigator.clipboard.writeText($(copy.dataset.copy).textContent).then(() => { copy.textContent = "Copied"; });
    const print = event.target.closest("[data-print]");
    if (print) window.print();
  });

  /* ---- on a phone the two likeliest stand above the next finding; the rest a tap away, until folded again ---- */
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-unfold]")) return;
    const open = document.documentElement.toggleAttribute("data-unfolded");
    const less = $(".less-likely");
    if (less) less.open = open;
  });

  /* ---- a test of two positions: a tap for each; the second, or one that settles it, records ---- */
  document.addEventListener("click", (event) => {
    const said = event.target.closest("[data-says]");
    if (!said) return;
    const of = said.closest("fieldset"), form = said.form;
    $("input", of).value = said.dataset.says;
    for (const b of of.querySelectorAll("[data-says]")) b.setAttribute("aria-pressed", b === said);
    const open = [...form.querySelectorAll("[data-both] fieldset")].find((f) => !$("input", f).value);
    if (open && !("settles" in said.dataset)) $("[data-says]", open).focus();
    else form.requestSubmit();
  });

  /* ---- choices: a second tap on a chosen radio of an optional group takes it back ---- */
  document.addEventListener("click", (event) => {
    const input = event.target;
    if (!(input instanceof HTMLInputElement) || input.type !== "radio" || !input.closest("[data-optional]")) return;
    if (input.dataset.was === "1") {
      input.checked = false;
      input.dataset.was = "";
      input.dispatchEvent(new Event("change", { bubbles: true }));
    } else {
      for (const other of document.getElementsByName(input.name)) other.dataset.was = other === input ? "1" : "";
    }
  });

  /* ---- "3 days ago" and a date say the same thing: the last one tapped counts ---- */
  document.addEventListener("change", (event) => {
    const form = event.target.form;
    if (!form || !form.elements.onset_date) return;
    if (event.target.name === "ago") form.elements.onset_date.value = "";
    if (event.target.name === "onset_date") for (const one of document.getElementsByName("ago")) one.checked = false;
  }, true);

  /* ---- the body figure ---- */
  document.addEventListener("click", (event) => {
    const figure = event.target.closest("svg[data-view]");
    const form = $("#mark");
    if (!figure || !form || $("fieldset.off", form) || event.target.closest("a, button")) return;
    const box = figure.getBoundingClientRect();
    form.elements.view.value = figure.dataset.view;
    form.elements.x.value = ((event.clientX - box.left) / box.width).toFixed(4);
    form.elements.y.value = ((event.clientY - box.top) / box.height).toFixed(4);
    form.elements.place.value = "";
    form.requestSubmit();
  });

  /* ---- the keyboard and the pedal ---- */
  const standard = { negative: "PageUp", positive: "PageDown", open: "Enter", unclear: "u", "not-done": "x", undo: "z", find: "/", keys: "?", next: "n" };
  const keys = () => { try { return { ...standard, ...JSON.parse(localStorage.getItem(KEYS)) }; } catch { return { ...standard }; } };
  function does(key) {
    const all = keys();
    return Object.keys(all).find((name) => all[name] === key);
  }
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing || event.repeat) return;
    const setting = document.activeElement && document.activeElement.closest("[data-set-key]");
    if (setting && !["Tab", "Escape", "Shift"].includes(event.key)) {
      event.preventDefault();
      localStorage.setItem(KEYS, JSON.stringify({ ...keys(), [setting.dataset.setKey]: event.key }));
      showKeys();
      return;
    }
    const at = event.target, typing = at.matches("input:not([type=radio]):not([type=checkbox]), textarea, select");
    const what = does(event.key);
    if (!what || typing) return;
    if (event.key === "Enter" && at.closest("a, button, summary, label, [role=button]")) return;
    const open = sheet().open;
    const scope = open ? sheet() : document;
    let target = null;
    const both = $("[data-both]", open ? scope : $("#ahead") || scope);
    if (both && ["negative", "positive"].includes(what)) {
      /* the pedal goes through the answers of the position that is open; enter takes one */
      const of = [...both.querySelectorAll("fieldset")].find((f) => !$("input", f).value) || $("fieldset", both);
      const answers = [...of.querySelectorAll("[data-says]")], now = answers.indexOf(document.activeElement);
      const to = now < 0 ? 0 : now + (what === "positive" ? 1 : answers.length - 1);
      event.preventDefault();
      answers[to % answers.length].focus();
      return;
    }
    if (["negative", "positive", "unclear", "not-done"].includes(what)) target = $(`[data-acts] button[value="${what}"]`, scope);
    else if (what === "open") { if (open) { sheet().close(); event.preventDefault(); return; } target = $("[data-open-next]"); }
    else if (what === "undo") target = $("[data-undo]");
    else if (what === "find") { const box = $("#find"); if (box) { event.preventDefault(); box.focus(); box.select(); } return; }
    else if (what === "keys") {
      /* the keys, over the page where one is */
      event.preventDefault();
      if (!open && $("[data-keys]")) htmx.ajax("GET", $("[data-keys]").href, { target: "#sheet", swap: "innerHTML", select: "#keys" });
      return;
    }
    else if (what === "next") target = $("[data-onward]");
    if (target) { event.preventDefault(); target.click(); }
  });
  function showKeys() {
    const all = keys();
    for (const el of document.querySelectorAll("[data-key-name]")) {
      const key = all[el.dataset.keyName];
      el.textContent = { PageUp: "Page up", PageDown: "Page down", " ": "Space" }[key] || key;
    }
  }
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-standard-keys]")) return;
    localStorage.removeItem(KEYS);
    showKeys();
  });
  document.addEventListener("htmx:afterSettle", showKeys);

  /* ---- a page of words for when the server is away; where the browser will not have it, its own error page stays ---- */
  window.addEventListener("load", () => {
    const worker = $('meta[name="endfeel-away"]');
    if (worker && "serviceWorker" in navigator) navigator.serviceWorker.register(worker.content).catch(() => {});
  });

  /* ---- at the start ---- */
  const ready = () => {
    const here = $(".steps [aria-current]");
    if (here) here.parentElement.parentElement.scrollLeft = here.offsetLeft - 40;
    showKeys();
    if (read().length) arrived();
    if (read().length) { waiting(); drain(); }
  };
  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", ready); else ready();
})();
