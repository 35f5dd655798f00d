// Lastlook's script. Every page works without it as plain forms and links; the
// script adds what a scanner needs: a scan is taken at any time, lands in no
// field, and is not lost.
//
// A scanner is a keyboard that types quickly and ends with Enter or Tab. So keys
// are held back for a moment: a quick run of them is a scan and goes to the
// queue; anything else is given back to the field it was meant for.
"use strict";
(() => {
  // A bench with a slow scanner (or a slow machine) keeps a longer gap, in ms, in
  // its browser: localStorage "lastlook.gap".
  const slow = (() => { try { return Number(localStorage.getItem("lastlook.gap")) || 0; } catch { return 0; } })();
  const FIELD_GAP = Math.max(40, slow);    // ms between two keys of a scan while a field has the focus
  const FREE_GAP = Math.max(120, slow);    // the same with no field: nobody is typing, so slow scanners may be slow
  const LEAST = 4;         // fewer keys are no scan
  const LONGEST = 512;     // longer codes are cut, and the cut is told
  const QUEUE = "lastlook.scans";
  const PENDING = "lastlook.answer";
  const PARTIAL = "lastlook.partial";

  const $ = (id) => document.getElementById(id);
  const page = () => $("page");

  // ---- storage: of this tab, so that a scan survives the next page ----
  const memory = {};
  const store = {
    get(name) {
      try { return JSON.parse(sessionStorage.getItem(name)); } catch { return memory[name] ?? null; }
    },
    set(name, value) {
      memory[name] = value;
      try { sessionStorage.setItem(name, JSON.stringify(value)); } catch { /* kept in memory */ }
    },
    drop(name) {
      delete memory[name];
      try { sessionStorage.removeItem(name); } catch { /* kept in memory */ }
    },
  };
  const newKey = () => crypto.randomUUID?.() ??
    Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");

  // ---- keys ----
  let held = [];           // {key, code, target}
  let last = 0;            // time stamp of the last held key
  let endedAt = -1e9;      // time stamp of the key that ended the last scan
  let timer = 0;

  const editable = (el) => !!el && (el.isContentEditable || el.tagName === "TEXTAREA" || el.tagName === "SELECT" ||
    (el.tagName === "INPUT" && !["button", "submit", "reset", "checkbox", "radio", "file", "range", "color", "image"].includes(el.type)));
  // same reports whether two keys are meant for the same place. A page that
  // changes in the middle of a scan takes its focused element with it: what is
  // gone, or is no field, is no place of its own.
  const same = (a, b) => a === b || !a?.isConnected || (!editable(a) && !editable(b));
  const gap = (target) => editable(target) ? FIELD_GAP : FREE_GAP;

  // char gives the character a key event types, "" if none. Within a run of keys,
  // control characters such as the group separator of GS1 codes come as Ctrl+].
  function char(e) {
    if (e.ctrlKey && !e.altKey && !e.metaKey && held.length && /^[[\\\]^_]$/.test(e.key)) {
      return String.fromCharCode(e.key.charCodeAt(0) & 0x1f);
    }
    if (e.ctrlKey || e.altKey || e.metaKey) return "";
    return [...e.key].length === 1 ? e.key : "";
  }

  function onKey(e) {
    if (e.isComposing || e.keyCode === 229 || e.key === "Dead" || e.key === "Process") return giveBack();
    if (["Shift", "CapsLock", "Control", "Alt", "AltGraph", "Meta", "NumLock", "Unidentified"].includes(e.key)) return;
    if (e.key === "Enter" || e.key === "Tab") return onEnd(e);
    const c = char(e);
    if (!c || e.repeat) return giveBack();
    const target = document.activeElement;
    if (!held.length && c === " " && !editable(target)) return; // presses a button, scrolls
    if (held.length && (e.timeStamp - last > gap(target) || !same(held[0].target, target))) giveBack();
    e.preventDefault();
    e.stopPropagation();
    held.push({ key: c, target });
    last = e.timeStamp;
    clearTimeout(timer);
    timer = setTimeout(pause, gap(target));
  }

  // onEnd meets Enter or Tab: the end of a scan, or a key of its own.
  function onEnd(e) {
    if (held.length && (e.timeStamp - last > gap(held[0].target))) giveBack();
    if (held.length >= LEAST) {
      stop(e);
      endedAt = e.timeStamp;
      take();
    } else if (!held.length && e.timeStamp - endedAt < FIELD_GAP) {
      stop(e); // the second half of CR LF, or Enter and Tab
    } else {
      giveBack();
    }
  }
  function stop(e) { e.preventDefault(); e.stopPropagation(); }

  // pause is called when no key followed. Outside a field a run of keys is still
  // a scan, by a scanner that sends no end.
  function pause() {
    if (held.length && (performance.now() - last < gap(held[0].target) || navigator.scheduling?.isInputPending?.())) {
      timer = setTimeout(pause, 5); // events wait to be handled
      return;
    }
    if (held.length >= LEAST && !editable(held[0].target)) take(); else giveBack();
  }

  // take makes the held keys a scan.
  function take() {
    clearTimeout(timer);
    const code = held.map((h) => h.key).join("");
    held = [];
    enqueue(code);
  }

  // giveBack types the held keys where they were meant to go, or presses what
  // they are the short cut of.
  function giveBack() {
    clearTimeout(timer);
    if (!held.length) return;
    const keys = held;
    held = [];
    const target = keys[0].target;
    const text = keys.map((k) => k.key).join("");
    if (!editable(target)) {
      // A bouncing key counts once; a stray run of keys is nobody's short cut.
      if (new Set(text).size === 1) press(text[0]);
      return;
    }
    if (target.tagName === "SELECT") return choose(target, text);
    if (target.disabled || target.readOnly || !target.isConnected) return;
    if (document.activeElement === target && document.execCommand("insertText", false, text)) return;
    try {
      target.setRangeText(text, target.selectionStart, target.selectionEnd, "end");
    } catch {
      target.value += text;
    }
    target.dispatchEvent(new InputEvent("input", { bubbles: true, data: text, inputType: "insertText" }));
  }

  function choose(select, text) {
    const found = [...select.options].find((o) => o.text.toLowerCase().startsWith(text.toLowerCase()));
    if (!found || select.disabled) return;
    select.value = found.value;
    select.dispatchEvent(new Event("input", { bubbles: true }));
    select.dispatchEvent(new Event("change", { bubbles: true }));
  }

  function press(key) {
    if (document.querySelector("dialog[open]") || covering()) return;
    const el = page()?.querySelector(`[data-key="${CSS.escape(key.toLowerCase())}"]:not(:disabled)`);
    el?.click();
  }

  // Keys of a scan that a page change has cut in two are carried over.
  addEventListener("pagehide", () => {
    if (held.length && !editable(held[0].target)) store.set(PARTIAL, { keys: held.map((h) => h.key).join(""), at: Date.now() });
  });
  const partial = store.get(PARTIAL);
  store.drop(PARTIAL);
  if (partial && Date.now() - partial.at < 1500) {
    held = [...partial.keys].map((key) => ({ key, target: null }));
    last = performance.now();
    timer = setTimeout(pause, FREE_GAP);
  }
  document.addEventListener("keydown", onKey, true);
  // Keys held for a field that loses the focus still belong to it.
  document.addEventListener("focusout", (e) => { if (held.length && held[0].target === e.target && editable(e.target)) giveBack(); }, true);
  document.addEventListener("compositionstart", giveBack, true);

  // ---- the queue ----
  let sending = false, wait = 0, retry = 0;

  function enqueue(code) {
    const item = { code, key: newKey(), page: location.pathname + location.search };
    const all = [...code];
    if (all.length > LONGEST) { item.code = all.slice(0, LONGEST).join(""); item.length = all.length; }
    store.set(QUEUE, [...(store.get(QUEUE) ?? []), item]);
    if (document.querySelector("dialog[open]")) document.querySelector("dialog[open]").close();
    drain();
  }

  async function drain() {
    if (sending) return;
    sending = true;
    clearTimeout(retry);
    try {
      for (let queue; (queue = store.get(QUEUE) ?? []).length;) {
        status("sending", queue.length);
        const item = queue[0];
        const answer = await post(item);
        if (!answer) {
          wait = Math.min(Math.max(wait * 2, 500), 15000);
          retry = setTimeout(drain, wait);
          status("offline", queue.length);
          return;
        }
        wait = 0;
        store.set(QUEUE, (store.get(QUEUE) ?? []).filter((q) => q.key !== item.key));
        await show(item, answer);
      }
      status("idle", 0);
    } finally {
      sending = false;
    }
  }

  // post sends one scan. It gives null when the bench did not answer, so that the
  // scan is kept; any answer, also a refusal, is an answer.
  async function post(item) {
    // at is the page on which it was scanned, now the one that is shown since.
    const body = new URLSearchParams({ code: item.code, key: item.key, at: item.page, now: location.pathname + location.search });
    if (item.length) body.set("length", item.length);
    const version = page()?.dataset.version;
    if (version) body.set("version", version);
    try {
      const res = await fetch("/scan", { method: "POST", body, headers: { Accept: "application/json" }, signal: AbortSignal.timeout(15000) });
      const answer = await res.json().catch(() => null);
      if (answer?.tone) return answer;
      if (res.status >= 500 || !answer) {
        if (res.status < 500) return { tone: "wrong", text: $("words").dataset.refused };
        return null;
      }
      return { tone: "wrong", text: answer.detail || $("words").dataset.refused, stay: true };
    } catch {
      return null;
    }
  }

  function status(what, count) {
    const el = $("scans");
    if (!el) return;
    el.dataset.state = what;
    el.querySelector(".scans-word").textContent = el.dataset[what] + (count > 1 || (what === "offline" && count) ? " · " + count : "");
  }

  // show says the answer and goes where it leads. It waits until the new page is
  // there, so that the next scan is sent with what that page knows.
  async function show(item, answer) {
    const said = { ...answer, code: item.code };
    if (item.length) said.detail = [$("words").dataset.cut, answer.detail].filter(Boolean).join(" ");
    cover(said);
    const go = answer.go || (answer.stay ? "" : location.pathname + location.search);
    if (go) {
      store.set(PENDING, said);
      await visit(go);
      store.drop(PENDING);
    }
  }

  // visit shows another page in place, so that no key is lost while pages
  // change. Where that fails the browser goes there in its own way.
  async function visit(url) {
    const here = location.pathname + location.search;
    try {
      const res = await fetch(url, { headers: { Accept: "text/html", "HX-Request": "true" }, signal: AbortSignal.timeout(15000) });
      const next = new DOMParser().parseFromString(await res.text(), "text/html");
      const fresh = next.getElementById("page");
      if (!fresh) throw new Error("no page");
      const to = new URL(res.url);
      if (to.pathname + to.search !== here) history.pushState({ htmx: true }, "", to.pathname + to.search);
      document.title = next.title;
      page().replaceWith(document.adoptNode(fresh));
      window.htmx?.process(page());
      arrived();
    } catch {
      location.assign(url);
      await new Promise(() => {}); // the page is about to end
    }
  }

  // arrived is called whenever a page has come, however it came.
  function arrived() {
    const p = page();
    if (!p) return;
    document.documentElement.dataset.theme = p.dataset.theme;
    const at = document.querySelector('#type-a-code [name="at"]');
    if (at) at.value = location.pathname;
    p.querySelectorAll("[data-prints]").forEach((el) => { el.hidden = false; }); // only script can print
    const flash = p.querySelector("[data-flash]");
    if (flash) sound(flash.dataset.flash);
    const queue = store.get(QUEUE) ?? [];
    status(sending ? "sending" : queue.length ? "offline" : "idle", queue.length);
    document.dispatchEvent(new Event("lastlook:arrived"));
  }
  // Something else in the page has an answer to give, and a page to go to.
  document.addEventListener("lastlook:show", async (e) => {
    cover(e.detail);
    if (e.detail.go && !(store.get(QUEUE) ?? []).length) await visit(e.detail.go);
  });

  // ---- the answer ----
  let fade = 0;
  const covering = () => {
    const a = $("answer");
    return (a && !a.hidden && a.classList.contains("answer-wrong")) || !!page()?.querySelector(".answer-wrong");
  };

  function cover(said) {
    const a = $("answer");
    clearTimeout(fade);
    page()?.querySelector("[data-flash]")?.remove();
    a.hidden = true; // so that the same words are announced again
    a.className = "answer answer-" + said.tone + (said.whole ? " answer-whole" : "") + (said.stop ? " answer-stop" : "");
    a.querySelector(".answer-code").hidden = !said.code;
    a.querySelector(".answer-text").textContent = said.text || "";
    a.querySelector(".answer-detail").textContent = said.detail || "";
    a.querySelector(".answer-code code").textContent = readable(said.code || "");
    a.hidden = false;
    sound(said.tone);
    // Only wrong waits for a hand; the others go by themselves.
    if (said.tone !== "wrong") fade = setTimeout(uncover, said.tone === "right" ? 2200 : 6000);
  }
  function uncover() {
    clearTimeout(fade);
    const a = $("answer");
    if (a) a.hidden = true;
  }
  const readable = (code) => {
    const clean = code.replace(/[\x00-\x1f\x7f]/g, "·");
    return clean.length > 48 ? clean.slice(0, 47) + "…" : clean;
  };

  const players = {};
  function sound(tone) {
    const url = $("sounds")?.dataset[tone];
    if (!url) return;
    const player = players[tone] ??= new Audio(url);
    player.currentTime = 0;
    player.play().catch(() => {}); // a browser may want a touch first; the answer is visible too
  }

  // ---- taps ----
  document.addEventListener("click", (e) => {
    const over = e.target.closest(".answer");
    if (over) {
      e.preventDefault();
      if (over.id === "answer") uncover(); else over.remove();
      return;
    }
    const opens = e.target.closest("[data-opens]");
    if (opens) {
      const dialog = $(opens.dataset.opens);
      if (dialog?.showModal) { e.preventDefault(); e.stopPropagation(); dialog.showModal(); }
    }
    if (e.target.closest("[data-prints]")) print();
    const closes = e.target.closest("[data-closes]");
    if (closes) $(closes.dataset.closes)?.close();
  }, true);
  document.addEventListener("keydown", (e) => {
    if (e.key === "Escape") { uncover(); page()?.querySelector(".answer-wrong")?.remove(); }
  });

  // A form with one question goes on as soon as the answer is touched. Arrow keys
  // walk through the answers without sending.
  document.addEventListener("click", (e) => {
    const form = e.target.closest("form[data-autosubmit]");
    if (form && e.target.matches("input[type=radio]") && e.detail > 0) form.requestSubmit();
  });

  // ---- look-ups ----
  // A form marked data-live asks again while one types. Only the part of the page
  // that data-live names changes, so neither the field nor a scan notices.
  let liveTimer = 0, liveAsk = null;
  const LIVE_PAUSE = 200;
  function liveSoon(e) {
    const form = e.target.closest?.("form[data-live]");
    if (!form) return;
    clearTimeout(liveTimer);
    liveTimer = setTimeout(() => live(form), LIVE_PAUSE);
  }
  document.addEventListener("input", liveSoon);
  document.addEventListener("change", liveSoon);
  async function live(form) {
    liveAsk?.abort();
    const ask = liveAsk = new AbortController();
    const url = new URL(form.action);
    url.search = new URLSearchParams([...new FormData(form)].filter(([, value]) => value));
    try {
      const res = await fetch(url, { headers: { Accept: "text/html", "HX-Request": "true" }, signal: ask.signal });
      const next = new DOMParser().parseFromString(await res.text(), "text/html");
      const fresh = next.getElementById(form.dataset.live), old = $(form.dataset.live);
      if (!res.ok || !fresh || !old || !form.isConnected || ask.signal.aborted) return;
      old.replaceChildren(...fresh.childNodes);
      window.htmx?.process(old);
      history.replaceState(history.state, "", url.pathname + url.search);
    } catch { /* the button still asks */ }
  }

  // ---- forms ----
  // The code typed by hand goes the way of a scan.
  document.addEventListener("submit", (e) => {
    const form = e.target;
    if (form.closest("#type-a-code")) {
      e.preventDefault();
      const input = form.elements.code;
      const code = input.value.trim();
      input.value = "";
      if (code) enqueue(code); else form.closest("dialog").close();
      return;
    }
    // A second press while the first is on its way does nothing. The key in the
    // form protects as well; this only keeps the hand calm.
    if (form.dataset.busy) { e.preventDefault(); e.stopImmediatePropagation(); return; }
    if (form.method !== "post") return;
    form.dataset.busy = "1";
    form.setAttribute("aria-busy", "true");
  }, true);
  function release(form) {
    if (!form) return;
    delete form.dataset.busy;
    form.removeAttribute("aria-busy");
  }
  addEventListener("pageshow", (e) => {
    if (e.persisted) document.querySelectorAll("form[data-busy]").forEach(release);
  });
  document.addEventListener("htmx:finally:request", (e) => release(e.detail?.ctx?.sourceElement?.closest?.("form")));
  document.addEventListener("htmx:error", (e) => {
    release(e.detail?.ctx?.sourceElement?.closest?.("form"));
    cover({ tone: "wrong", text: $("words").dataset.notsent });
  });
  document.addEventListener("htmx:after:swap", () => {
    uncover();
    arrived();
    const main = $("main");
    if (main && !page().contains(document.activeElement)) main.focus({ preventScroll: false });
    scrollTo(0, 0);
  });

  // A photo is made smaller before it is sent, where the browser can.
  document.addEventListener("change", async (e) => {
    const input = e.target;
    if (!input.matches?.("input[type=file][data-shrink]") || input.files.length !== 1) return;
    const file = input.files[0];
    const most = Number(input.dataset.shrink);
    try {
      const image = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, most / Math.max(image.width, image.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.round(image.width * scale);
      canvas.height = Math.round(image.height * scale);
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85));
      if (!blob || (scale === 1 && blob.size >= file.size) || input.files[0] !== file) return;
      const list = new DataTransfer();
      list.items.add(new File([blob], file.name.replace(/\.\w+$/, "") + ".jpg", { type: "image/jpeg" }));
      input.files = list.files;
    } catch { /* sent as it is */ }
  });

  addEventListener("online", drain);
  document.addEventListener("DOMContentLoaded", () => {
    arrived();
    const said = store.get(PENDING);
    store.drop(PENDING);
    if (said) cover(said);
    drain();
  });
})();
