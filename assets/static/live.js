// What a page learns without being asked: events that the bench sends
// (server-sent events). Every page works without it.
//
// The board (an element with data-events) keeps itself up to date for days. Any
// other page may listen: an element inside #page with data-watch opens one stream
// for the tab, and these events are sent to the document:
//
//   lastlook:stop     detail is {all, fresh}: what is stopped now, and what of it
//                     is so since the last event; each has code, number, text,
//                     detail and href
//   lastlook:changed  steps were kept
//   lastlook:lost     detail is {since}: not connected since then, or null again
//
// data-watch="CODE" asks for more: when that consignment is stopped, the stop is
// shown and said over it. A stop of another is said, and the page stays
// as it is, so that nothing moves under a finger.
"use strict";
(() => {
  const QUIET = 75000;     // ms: two rounds of events and some
  const FIRST = 1000, MOST = 20000; // ms before coming back
  const RELOADED = "lastlook.program";

  // follow keeps a stream open for as long as the page lives or until the function
  // it gives is called. A browser comes back by itself after a break, but not after
  // an answer that is no stream, nor from a connection that died silently.
  function follow(url, handlers, lost) {
    let source = null, wait = FIRST, timer = 0, watch = 0, since = null, ended = false;
    const down = () => {
      if (ended) return;
      if (!since) { since = new Date(); lost(since); }
    };
    const up = () => {
      wait = FIRST;
      clearTimeout(watch);
      watch = setTimeout(() => { down(); again(); }, QUIET);
      if (since) { since = null; lost(null); }
    };
    const again = () => {
      source?.close();
      source = null;
      clearTimeout(timer);
      clearTimeout(watch);
      if (ended) return;
      timer = setTimeout(open, wait);
      wait = Math.min(wait * 2, MOST);
    };
    const open = () => {
      source = new EventSource(url);
      const mine = source;
      for (const [name, take] of Object.entries(handlers)) {
        mine.addEventListener(name, (e) => { if (mine === source) { up(); take(e.data); } });
      }
      mine.onerror = () => {
        if (mine !== source) return;
        down();
        // Not left to the browser: Chromium gives up on some answers, and what it
        // waits grows unseen.
        again();
      };
      clearTimeout(watch);
      watch = setTimeout(() => { down(); again(); }, QUIET);
    };
    open();
    addEventListener("online", () => { if (since && !ended) { wait = FIRST; again(); } });
    return () => { ended = true; clearTimeout(timer); clearTimeout(watch); source?.close(); };
  }

  // ---- the board ----
  const wall = document.getElementById("wall");
  if (wall) {
    const board = document.getElementById("board");
    const banner = document.getElementById("wall-lost");
    const clock = (t) => String(t.getHours()).padStart(2, "0") + ":" + String(t.getMinutes()).padStart(2, "0");
    follow(wall.dataset.events, {
      // Another program serves now: its pages may look otherwise. Once a program,
      // so that two that take turns do not make the wall flicker.
      async hello(program) {
        if (program === wall.dataset.program) return;
        let before = "";
        try { before = sessionStorage.getItem(RELOADED); sessionStorage.setItem(RELOADED, program); } catch { before = program; }
        if (before === program) return;
        try { if ((await fetch(location.href, { cache: "no-store" })).ok) location.reload(); } catch { /* it went away again */ }
      },
      board(html) {
        const fresh = document.createElement("template");
        fresh.innerHTML = html;
        board.replaceChildren(fresh.content);
        wall.dataset.drawn = String(Number(wall.dataset.drawn ?? 0) + 1);
      },
    }, (since) => {
      wall.classList.toggle("is-lost", !!since);
      banner.hidden = !since;
      if (since) document.getElementById("wall-since").textContent = clock(since);
    });
    return;
  }

  // ---- any other page ----
  const STOPPING = /\/(stop|back|find|ladder|result|trace|f\/\d+)$/; // forms by which a stop is pressed
  const say = (name, detail) => document.dispatchEvent(new CustomEvent("lastlook:" + name, { detail }));
  let end = null, known = null, pressed = -1e9;
  document.addEventListener("submit", (e) => { if (STOPPING.test(e.target.action)) pressed = performance.now(); }, true);
  const page = () => document.getElementById("page");
  function stops(data) {
    let all;
    try { all = JSON.parse(data); } catch { return; }
    const fresh = known ? all.filter((s) => !known.has(s.code)) : [];
    known = new Set(all.map((s) => s.code));
    say("stop", { all, fresh });
    const watched = page()?.querySelector("[data-watch]")?.dataset.watch;
    const mine = fresh.find((s) => s.code === watched);
    // Whoever has just pressed it is on the way to it already.
    if (performance.now() - pressed < 10000) return;
    const gate = location.pathname === "/gate";
    if (mine) say("show", { tone: "wrong", stop: true, text: mine.text, detail: mine.detail, go: gate ? location.pathname + location.search : mine.href });
    else if (fresh.length) say("show", { tone: "note", text: fresh[0].text, detail: fresh[0].detail, go: "" });
  }
  function listen() {
    if (document.getElementById("wall")) return location.reload(); // came in place: it has a look and a script of its own
    const wanted = !!page()?.querySelector("[data-watch]");
    if (wanted && !end) {
      known = null;
      end = follow("/live", { hello() {}, stop: stops, changed: (data) => say("changed", data) }, (since) => say("lost", { since }));
    } else if (!wanted && end) {
      end();
      end = null;
    }
  }
  document.addEventListener("lastlook:arrived", listen);
  listen();
})();
