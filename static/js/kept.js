// What is typed on a page of the work, kept on this phone as a draft until the logbook has it. It never sends and never
// signs. <form data-keep="KEY" data-keep-with="names of what the page was opened with" [data-fresh]>;
// [data-kept-offer="KEY"] where a draft may be opened; [data-kept-gone="KEY KEY"] once the logbook has it.
"use strict";
(() => {
  const PAUSE = 250; // ms of silence before typed words are written
  const NEVER = ["csrfmiddlewaretoken", "password", "version", "step"];
  const form = document.querySelector("form[data-keep]");
  const offer = document.querySelector("[data-kept-offer]");
  const gone = document.querySelector("[data-kept-gone]");
  const me = JSON.parse(document.documentElement.dataset.person || "{}").id;
  const nothing = () => {};
  const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text }, more);
  const clock = (at) => new Date(at).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
  const name = (key) => `${me} ${key}`;
  let said;
  let timer;
  let leaving = false; // signing out takes every draft: none is written after it

  const change = (act) => Store.change("facts", "kept", (kept = {}) => {
    act(kept);
    return kept;
  });
  const read = async (key) => (await Store.read("facts", "kept"))?.[name(key)];
  const drop = (keys) => change((kept) => keys.forEach((key) => delete kept[name(key)]));

  // ---- words above the form

  function say(...inside) {
    said ||= make("div", "", { className: "message", role: "status" });
    if (!said.isConnected) form.before(said);
    said.replaceChildren(...inside);
  }

  function discard(key) {
    const button = make("button", "Discard the draft", { type: "button", className: "quiet" });
    button.onclick = async () => {
      clearTimeout(timer);
      await drop([key]).catch(nothing);
      location.reload();
    };
    return button;
  }

  // ---- the form's values

  const typed = () => [...new FormData(form)].filter(([field, value]) => !NEVER.includes(field) && typeof value === "string");

  function opened() {
    const values = new FormData(form);
    const names = (form.dataset.keepWith || "").split(" ").filter(Boolean);
    const query = new URLSearchParams(names.map((field) => [field, values.get(field) ?? ""]));
    return names.length ? `${location.pathname}?${query}` : location.pathname;
  }

  function fill(fields) {
    const values = new Map();
    for (const [field, value] of fields) values.set(field, [...(values.get(field) ?? []), value]);
    for (const element of form.elements) {
      if (!element.name || NEVER.includes(element.name) || element.type === "submit") continue;
      const kept = values.get(element.name) ?? [];
      if (["radio", "checkbox"].includes(element.type)) element.checked = kept.includes(element.value);
      else if (kept.length) element.value = kept[0];
      if (kept[0] && element.type !== "hidden" && kept[0] !== element.options?.[0].value) element.closest("details")?.setAttribute("open", "");
    }
  }

  // ---- keeping

  async function keep() {
    clearTimeout(timer);
    timer = undefined;
    if (leaving) return;
    const draft = { at: Date.now(), page: opened(), fields: typed() };
    try {
      await change((kept) => (kept[name(form.dataset.keep)] = draft));
      say(make("p", "Kept on this phone as you type. It is not saved in the logbook and not signed."));
    } catch (error) {
      say(make("p", error.kind === "full"
        ? "This phone has no room: what you type is lost if the connection is."
        : "This browser keeps nothing: what you type is lost if the connection is."));
    }
  }

  function watch() {
    form.addEventListener("input", () => {
      leaving = false;
      clearTimeout(timer);
      timer = setTimeout(keep, PAUSE);
    });
    addEventListener("pagehide", () => timer && keep());
    for (const out of document.querySelectorAll("form.person")) out.addEventListener("submit", () => (leaving = true));
    form.addEventListener("submit", async (event) => {
      if (navigator.onLine) return;
      event.preventDefault();
      await keep();
      say(make("p", "No signal: nothing was sent or signed. What you typed is kept on this phone. Send it when there is signal."));
    });
  }

  // ---- begin

  async function restore() {
    const draft = await read(form.dataset.keep);
    if (!draft) return;
    const when = `You typed this at ${clock(draft.at)}.`;
    if (draft.page !== opened()) {
      const other = make("a", "Open what you typed", { href: draft.page });
      return say(make("p", `${when.replace("this", "results here")} They are on this phone only, not signed. `), other, " ", discard(form.dataset.keep));
    }
    fill(draft.fields);
    say(make("p", `${when} It is on this phone only: not saved in the logbook, not signed. `), discard(form.dataset.keep));
  }

  async function begin() {
    if (gone) await drop(gone.dataset.keptGone.split(" "));
    if (offer) {
      const draft = await read(offer.dataset.keptOffer);
      if (draft) {
        offer.replaceChildren(`You typed results here at ${clock(draft.at)}. They are on this phone only, not signed. `, make("a", "Open what you typed", { href: draft.page }));
        offer.hidden = false;
      }
    }
    if (!form) return;
    watch();
    if ("fresh" in form.dataset) await restore();
    else await keep(); // it came back from the logbook with what was sent
  }

  begin().catch(nothing); // nothing can be kept here: the page works without
})();
