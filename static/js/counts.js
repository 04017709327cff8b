// Keeps what control is told fresh while the page is in sight, and says as of when it is where that fails.
(() => {
  const EVERY = 30_000, PATIENCE = 10_000;
  const strip = document.getElementById("control-strip");
  const note = document.getElementById("as-it-was");
  let clock = strip.dataset.clock;
  let asking = false;

  const said = (root) => root.querySelector("[data-said]")?.dataset.said ?? "";

  function show(told) {
    clock = told.clock;
    const fresh = document.createElement("template");
    fresh.innerHTML = told.strip;
    // The age alone is not read out every minute; another report or a louder step is.
    strip.setAttribute("aria-live", said(fresh.content) === said(strip) ? "off" : "polite");
    if (fresh.innerHTML !== strip.innerHTML) strip.replaceChildren(fresh.content);
    for (const place of document.querySelectorAll("[data-count]")) {
      const words = String(told[place.dataset.count] ?? "");
      if (place.textContent !== words) place.textContent = words;
    }
    for (const place of document.querySelectorAll("[data-fresh]")) place.hidden = false;
    for (const place of document.querySelectorAll("[data-list]")) {
      place.hidden = place.dataset.list === told.list;
    }
    note.hidden = true;
  }

  // No claim that nothing waits may stand while nobody knows.
  function fail(why) {
    note.textContent = `As it was at ${clock}. ${why}`;
    note.hidden = false;
    for (const place of document.querySelectorAll("[data-fresh]")) place.hidden = true;
  }

  async function refresh() {
    if (document.visibilityState !== "visible" || asking) return;
    asking = true;
    try {
      const answer = await fetch(strip.dataset.counts, {
        cache: "no-store", redirect: "manual", signal: AbortSignal.timeout(PATIENCE),
      });
      if (answer.type === "opaqueredirect" || answer.status === 403) fail("Sign in again to see what came since.");
      else if (answer.ok) show(await answer.json());
      else fail("The logbook does not answer.");
    } catch {
      fail("The logbook cannot be reached.");
    } finally {
      asking = false;
    }
  }

  setInterval(refresh, EVERY);
  document.addEventListener("visibilitychange", refresh);
})();
