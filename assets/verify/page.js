"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const say = (text) => { $("state").textContent = text; $("state").hidden = text === ""; };
  const marks = { holds: "\u2713", fails: "\u2717", unknown: "?" };
  const titles = { fails: "What does not hold", holds: "What holds", unknown: "What the file cannot tell" };
  let file = null;

  async function start() {
    const packed = Uint8Array.from(atob($("program").textContent), (c) => c.charCodeAt(0));
    const plain = new Response(new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip")));
    const go = new Go();
    const program = await WebAssembly.instantiate(await plain.arrayBuffer(), go.importObject);
    go.run(program.instance);
    document.documentElement.dataset.ready = "yes";
    say("");
  }

  const bytes = async (f) => new Uint8Array(await f.arrayBuffer());

  async function check() {
    if (!file) return;
    $("result").hidden = true;
    say("Checking …");
    await new Promise((done) => setTimeout(done, 30)); // so that it is seen
    try {
      await ready;
      const data = await bytes(file);
      const heads = await Promise.all([...$("heads").files].map(bytes));
      show(JSON.parse(lastlookVerify(data, $("paper").value, $("key").value, heads)), data);
      say("");
    } catch (err) {
      console.warn(err);
      say("The file could not be checked here: the browser is too old, or the file too large for it. Use lastlook verify instead.");
    }
  }

  function show(report, data) {
    const verdict = $("verdict");
    verdict.textContent = report.verdict;
    verdict.className = report.holds ? "holds" : "fails";
    verdict.dataset.mark = report.holds ? marks.holds : marks.fails;
    const facts = $("facts");
    facts.replaceChildren();
    const fact = (name, value) => {
      if (value === undefined || value === "" || value === 0) return;
      const dt = document.createElement("dt"), dd = document.createElement("dd");
      dt.textContent = name;
      dd.textContent = value;
      facts.append(dt, dd);
    };
    fact("File", file.name);
    fact("Consignment", report.number && report.number + " (" + report.consignment + ")");
    fact("Outcome by the file", report.outcome);
    fact("Invented data", report.invented ? "yes, by the file's own account" : "");
    fact("Site", report.site);
    fact("Head", report.fingerprint && report.fingerprint + ", " + report.size + " steps");
    fact("SHA-256 of the file", report.sha256);
    const lines = $("lines");
    lines.replaceChildren();
    for (const status of ["fails", "holds", "unknown"]) {
      const some = (report.findings || []).filter((f) => f.status === status);
      if (some.length === 0) continue;
      const h = document.createElement("h3"), ul = document.createElement("ul");
      h.textContent = titles[status];
      for (const f of some) {
        const li = document.createElement("li"), b = document.createElement("b");
        li.className = status;
        li.dataset.mark = marks[status];
        b.textContent = f.about;
        li.append(b, f.text);
        ul.append(li);
      }
      lines.append(h, ul);
    }
    $("page").hidden = true;
    $("read").hidden = !report.readable;
    $("read").textContent = report.holds ? "Read the record" : "Read it all the same";
    $("read").onclick = () => {
      const page = lastlookPage(data);
      $("page").srcdoc = page || "<p>The steps do not work out: there is no page to read.</p>";
      $("page").hidden = false;
    };
    $("result").hidden = false;
    verdict.focus();
  }

  const take = (f) => { if (f) { file = f; check(); } };
  $("file").addEventListener("change", () => take($("file").files[0]));
  for (const id of ["paper", "key", "heads"]) $(id).addEventListener("change", check);
  const drop = $("drop");
  for (const name of ["dragover", "dragleave", "drop"]) {
    addEventListener(name, (e) => {
      e.preventDefault();
      drop.classList.toggle("over", name === "dragover");
      if (name === "drop") take(e.dataTransfer.files[0]);
    });
  }
  const ready = start();
  ready.catch((err) => {
    console.warn(err);
    say("This browser cannot run the check: it is too old. Use a newer one, or lastlook verify.");
  });
})();
