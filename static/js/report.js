// The report page's questions: one in view, the picture, which answers belong together. Without it the page is a plain
// long form. The rest of the page's scripts (data-late: verdict, photos, draft, saving) are fetched once it can be used.
"use strict";
(() => {
  const form = document.getElementById("report");
  const get = (id) => document.getElementById(id);
  const all = (query) => [...form.querySelectorAll(query)];
  const picked = (name) => form.querySelector(`input[name="${name}"]:checked`);
  const value = (name) => picked(name)?.value ?? "";
  const nameOf = (radio) => radio?.labels[0].textContent ?? "";
  const make = (tag, css, ...inside) => {
    const made = Object.assign(document.createElement(tag), { className: css });
    made.append(...inside);
    return made;
  };
  const still = (radio) => radio?.value.startsWith("still:");
  // They move about below: a browser that gives answers back by their places would give back another one.
  for (const radio of all('input[name="sign"]')) radio.autocomplete = "off";

  function next(from) {
    const cards = all(".question, .verdict");
    const here = cards.indexOf(from.closest(".question"));
    cards.slice(here + 1).find((card) => card.offsetHeight)?.scrollIntoView(); // the stylesheet says how
  }

  // ---- the picture

  const svg = (tag, attributes) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, said] of Object.entries(attributes)) made.setAttribute(name, said);
    return made;
  };

  // A hatch of one part: its outlines again, filled with lines.
  function hatch(part) {
    const lines = svg("pattern", { id: "hatch", width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
    lines.append(svg("path", { d: "M0 0V6", stroke: "currentColor", "stroke-width": 3 }));
    const drawn = [...part.querySelectorAll(".d")].map((outline) => outline.cloneNode());
    for (const outline of drawn) {
      outline.setAttribute("class", "h");
      outline.setAttribute("fill", "url(#hatch)");
    }
    part.querySelector(".n").before(lines, ...drawn);
  }

  function showPart() {
    const part = picked("part");
    const end = value("end");
    if (!get("picked")) return;
    for (const old of all("svg .h, svg pattern")) old.remove();
    for (const g of all("svg .part")) {
      const mine = g.dataset.slot === part?.value && !g.closest("[hidden]");
      g.classList.toggle("picked", mine);
      if (mine) hatch(g);
    }
    get("picked").textContent = part ? `Picked: ${nameOf(part)}` : "Nothing picked yet";
    get("facing").textContent = ["A", "B"].includes(end) ? `the ${end}` : "this";
    if (part) showSigns(part.value, end);
  }

  // ---- what belongs to what

  function showSigns(part, end) {
    const place = ({ dataset }) => {
      const mine = dataset.for.split(" ").find((word) => word.startsWith(`${part}:`));
      const elsewhere = dataset.end && end && dataset.end !== end && dataset.end !== "?" && end !== "?";
      return mine && !elsewhere ? Number(mine.split(":")[1]) : NaN;
    };
    const signs = all('input[name="sign"]');
    for (const group of all("#q-sign .group")) group.hidden = true;
    for (const radio of signs) {
      radio.parentElement.hidden = isNaN(place(radio));
      if (radio.parentElement.hidden) radio.checked = false;
    }
    const mine = signs.filter((radio) => !radio.parentElement.hidden).sort((a, b) => place(a) - place(b));
    for (const radio of mine) radio.closest(".answers").append(radio.parentElement);
  }

  function asks() {
    const sign = picked("sign");
    return value("changed") === "not there now" ? [] : (sign?.dataset.asks ?? "").split(" ");
  }

  function showFacts() {
    const again = get("q-changed");
    if (again) {
      again.hidden = !still(picked("sign"));
      if (again.hidden) for (const radio of all('input[name="changed"]')) radio.checked = false;
    }
    const wanted = asks();
    const questions = all("#q-facts fieldset");
    for (const one of questions) one.hidden = !wanted.includes(one.id.replace("div_id_fact-", ""));
    get("q-facts")?.toggleAttribute("hidden", questions.every((one) => one.hidden));
    get("joining").hidden = !["C", "R"].includes(value("situation"));
  }

  const clock = (time) => new Date(time).toTimeString().slice(0, 5);

  function showLines() {
    const { made, seen, place } = form.elements;
    const said = {
      other: nameOf(picked("other")).toLowerCase(),
      seen: seen.value || `now, ${clock(made.value || Date.now())}`,
      weather: nameOf(picked("weather")).toLowerCase(),
      place: place.value.trim() || "not said",
      occasion: nameOf(picked("occasion")).toLowerCase(),
    };
    for (const [name, words] of Object.entries(said)) {
      const line = get(`said-${name}`);
      line.textContent = `${line.textContent.split(":")[0]}: ${words}. Change`;
    }
  }

  function show() {
    showPart();
    showFacts();
    showLines();
  }

  form.addEventListener("change", show);
  form.addEventListener("click", (event) => {
    const slot = event.target.closest("svg.face .part")?.dataset.slot;
    const radio = slot && form.querySelector(`input[name="part"][value="${slot}"]`);
    if (radio) radio.click();
    // A tap, not an arrow key. The label ticks its radio after this.
    if (event.detail && (radio || event.target.closest(".answer label"))) setTimeout(() => next(radio || event.target));
  });
  for (const radio of all('input[name="part"]')) {
    radio.onfocus = radio.onblur = () => {
      for (const g of all(`svg [data-slot="${radio.value}"]`)) g.classList.toggle("focused", radio.matches(":focus-visible"));
    };
  }

  // "Now" is the first answer, counted from the page's own time where it has one: a phone's clock may be wrong.
  form.addEventListener("input", () => {
    const { made } = form.elements;
    if (form.dataset.begun) return;
    form.dataset.begun = "yes";
    const now = made.value ? Date.parse(made.value) + performance.now() : Date.now();
    made.value = new Date(now).toISOString().replace("Z", "+00:00");
  });

  // ---- sending, as a plain page or by what took it over (receipt.js)

  const send = get("send");
  const idle = send.textContent;
  let sent;
  form.onsubmit = (event) => {
    if (sent || (!form.dataset.page && !Report.take)) return false; // the phone's own page has nothing to post with
    if (Report.take?.(event.submitter)) return false;
    if (event.submitter === send) send.textContent = "Sending your report…";
    return (sent = true);
  };
  addEventListener("pageshow", () => {
    sent = false;
    if (send.textContent.endsWith("…")) send.textContent = idle;
    show();
  });

  self.Report = { form, get, all, picked, value, nameOf, make, still, asks, clock, show, next };
  addEventListener("load", () => {
    for (const src of form.dataset.late.split(" ")) {
      document.head.append(Object.assign(document.createElement("script"), { src, async: false }));
    }
  });
  show();
})();
