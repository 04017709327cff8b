// On every page: keeps the worker, sends what waits, says in the strip what is not sent, signs out without losing it.
"use strict";
(() => {
  const strip = document.getElementById("phone-strip");
  const FIRST = 5_000; // ms to the next try, doubled each time
  const LAST = 5 * 60_000;
  const LOOK = 60_000; // how often a page in front asks what became of its reports
  let wait = FIRST;
  let taken = false; // a person asked for the new version
  let old = ""; // why this page should be loaded again
  let timer;

  const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text }, more);
  const plural = (count, one, many) => (count === 1 ? `1 ${one}` : `${count} ${many}`);
  const inFront = () => document.visibilityState === "visible";

  // ---- sending

  async function send(why) {
    clearTimeout(timer);
    let outcome;
    try {
      await farewell();
      outcome = await (why === "now" ? Outbox.retryNow() : Outbox.run());
      if (outcome === "done") await catchUp().catch(() => {});
    } catch {
      outcome = "offline"; // the store failed: try again like without signal
    }
    self.lastRun = { outcome, why, at: Date.now() };
    dispatchEvent(new CustomEvent("outbox-run", { detail: outcome }));
    wait = outcome === "done" ? FIRST : Math.min(LAST, wait * 2);
    if (outcome === "busy") wait = FIRST; // another page sends: look again soon, it may just have ended
    const next = outcome === "done" ? LOOK : Outbox.pause() || wait * (0.75 + Math.random() / 2);
    timer = setTimeout(() => inFront() && send("timer"), next);
    await show(outcome);
  }

  async function catchUp() {
    await tellUnit();
    await Outbox.refresh();
    (await navigator.serviceWorker?.ready)?.active.postMessage("the rest");
  }

  // ---- the strip

  async function show(outcome = self.lastRun?.outcome) {
    const lines = await said(outcome).catch((error) => [storeWords(error)]);
    const line = lines.filter(Boolean);
    if (strip.dataset.said === line.map((one) => one.textContent).join()) return;
    strip.dataset.said = line.map((one) => one.textContent).join();
    strip.replaceChildren(...line);
  }

  async function said(outcome) {
    if (old) return [reload(old)];
    const [unsent, others] = [await Outbox.unsent(), await Outbox.others()];
    const lines = [];
    if (unsent) lines.push(waiting(unsent, outcome));
    if (others) lines.push(make("p", `${plural(others, "report of another person waits", "reports of other people wait")} on this phone.`));
    if (self.newVersion) lines.push(offer());
    return lines;
  }

  function waiting(unsent, outcome) {
    const line = make("p", "");
    line.append(make("a", `${plural(unsent, "report", "reports")} on this phone not sent`, { href: "/reports/" }));
    if (outcome === "sign in") {
      line.append(". ", make("a", "Sign in again to send", { href: `/sign-in/?next=${encodeURIComponent(location.pathname)}` }), ". Your report is kept.");
    }
    return line;
  }

  function storeWords(error) {
    return error.kind === "blocked"
      ? make("p", "This browser keeps nothing, so reports cannot wait here for signal.")
      : make("p", "This phone’s store could not be read. Load the page again.");
  }

  // ---- a new version waits until a person takes it

  function offer() {
    const line = make("p", "A new version is ready. ");
    const button = make("button", "Load it", { type: "button", className: "quiet" });
    button.onclick = () => {
      taken = true;
      self.newVersion.postMessage("take over");
    };
    line.append(button);
    return line;
  }

  function reload(words) {
    const line = make("p", `${words} `);
    const button = make("button", "Load this page again", { type: "button", className: "quiet" });
    button.onclick = () => location.reload();
    line.append(button);
    return line;
  }

  function outdated(words) {
    old = words;
    show();
  }

  async function keepWorker() {
    const container = navigator.serviceWorker;
    if (!container) return;
    const registration = await container.register("/sw.js", { scope: "/", updateViaCache: "imports" });
    const waits = () => {
      self.newVersion = container.controller ? registration.waiting : null;
      show();
    };
    registration.addEventListener("updatefound", () => {
      registration.installing?.addEventListener("statechange", waits);
    });
    const controlled = Boolean(container.controller);
    container.addEventListener("controllerchange", () => {
      if (taken) location.reload(); // drafts are on the disk
      else if (controlled) outdated("A new version of the logbook was loaded in another page.");
    });
    waits();
  }

  // ---- people

  async function greet() {
    const told = document.documentElement.dataset;
    if (!told.person) return;
    const person = JSON.parse(told.person);
    const known = await Outbox.person();
    const changes = [["put", "meta", person, "user"]];
    // The unit of today: the logbook's word counts where it is new, else what was picked here.
    if (told.unit !== ((await Store.read("meta", "unit-told")) ?? "")) {
      changes.push(["put", "meta", told.unit, "unit"], ["put", "meta", told.unit, "unit-told"]);
    }
    if (known && known.id !== person.id) await Outbox.forget(changes);
    else await Store.write(changes);
    navigator.storage?.persist?.().catch(() => {});
  }

  // A unit picked without signal, told to the logbook once there is some.
  async function tellUnit() {
    const unit = await Store.read("meta", "unit-picked");
    if (!unit) return;
    const answer = await fetch("/phone/session/", { cache: "no-store", redirect: "manual" });
    if (answer.status !== 200) return;
    const headers = { "X-CSRFToken": (await answer.json()).csrf };
    const took = await fetch("/units/pick/", { method: "POST", headers, body: new URLSearchParams({ unit }), redirect: "manual" });
    if (took.type !== "opaqueredirect") return;
    await Store.write([["delete", "meta", "unit-picked"], ["put", "meta", unit, "unit-told"]]);
  }

  // Signing out always works. Without signal the phone forgets at once and the logbook is told when there is some.
  async function leave(form) {
    const unsent = await Outbox.unsent().catch(() => 0);
    const kept = unsent === 1 ? "Your report is not sent. It stays" : `Your ${unsent} reports are not sent. They stay`;
    if (unsent && !confirm(`${kept} on this phone until you sign in here again. Sign out?`)) return;
    await Outbox.forget().catch(() => {});
    await Store.write([["put", "meta", true, "leaving"]]).catch(() => {});
    try {
      await tellLeaving(tokenOf(form));
      location.assign("/sign-in/");
    } catch {
      location.assign("/phone/");
    }
  }

  // Who signed out without signal is signed out of the logbook before anything else is said to it.
  async function farewell() {
    if (!(await Store.read("meta", "leaving"))) return;
    await tellLeaving(tokenOf(document.querySelector("form.person"))).catch(() => {});
    if (document.documentElement.dataset.person) location.assign("/sign-in/"); // a page of the session that was left
  }

  const tokenOf = (form) => (form ? new FormData(form).get("csrfmiddlewaretoken") : "");

  async function tellLeaving(token) {
    const options = { redirect: "manual", cache: "no-store" };
    if (!token) {
      const answer = await fetch("/phone/session/", options);
      if (answer.status === 200) token = (await answer.json()).csrf;
    }
    if (token) await fetch("/sign-out/", { ...options, method: "POST", headers: { "X-CSRFToken": token } });
    await Store.write([["delete", "meta", "leaving"]]).catch(() => {});
  }

  function catchSignOut() {
    for (const form of document.querySelectorAll("form.person")) {
      form.addEventListener("submit", (event) => {
        event.preventDefault();
        leave(form);
      });
    }
  }

  // ---- begin

  async function begin() {
    catchSignOut();
    Outbox.listen(() => show());
    addEventListener("store-old", () => outdated("A newer version is open on this phone."));
    keepWorker().catch(() => {}); // no worker here: pages need the network, reports do not
    try {
      await farewell();
      if (await Store.read("meta", "leaving")) return show();
      await greet();
    } catch (error) {
      return show();
    }
    addEventListener("online", () => send("online"));
    document.addEventListener("visibilitychange", () => inFront() && send("in front"));
    addEventListener("outbox-send", () => {
      wait = FIRST;
      send("now");
    });
    await send("open");
  }

  self.Phone = { leave };
  begin();
})();
