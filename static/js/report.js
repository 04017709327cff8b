// The report page: one question in view, the picture, the verdict. Without it the page is a plain long form.
"use strict";
(() => {
  const form = document.getElementById("report");
  const page = JSON.parse(form.dataset.page);
  const get = (id) => document.getElementById(id);
  const all = (query) => [...form.querySelectorAll(query)];
  const picked = (name) => form.querySelector(`input[name="${name}"]:checked`);
  const value = (name) => picked(name)?.value ?? "";
  const nameOf = (radio) => radio.labels[0].textContent;
  const make = (tag, css, ...inside) => {
    const made = Object.assign(document.createElement(tag), { className: css });
    made.append(...inside);
    return made;
  };
  const cards = all(".question, .verdict");
  const face = form.querySelector("svg.face");
  const signs = all('input[name="sign"]');
  // They move about below: a browser that gives answers back by their places would give back another one.
  for (const radio of signs) radio.autocomplete = "off";
  const asks = () => (picked("sign")?.dataset.asks ?? "").split(" ");
  let table;

  function next(from) {
    const here = cards.indexOf(from.closest(".question"));
    cards.slice(here + 1).find((card) => card.offsetHeight)?.scrollIntoView();  // the stylesheet says how
  }

  function showPart() {
    const part = picked("part");
    const end = value("end");
    if (!face) return;
    for (const g of face.querySelectorAll(".part")) g.classList.toggle("picked", g.dataset.slot === part?.value);
    get("picked").textContent = part ? `Picked: ${nameOf(part)}` : "Nothing picked yet";
    get("facing").textContent = ["A", "B"].includes(end) ? `the ${end}` : "this";
    if (part) showSigns(part.value, end);
  }

  function showSigns(part, end) {
    const place = ({ dataset }) => {
      const mine = dataset.for.split(" ").find((word) => word.startsWith(`${part}:`));
      const elsewhere = dataset.end && end && dataset.end !== end && dataset.end !== "?" && end !== "?";
      return mine && !elsewhere ? Number(mine.split(":")[1]) : NaN;
    };
    for (const group of all("#q-sign .group")) group.hidden = true;
    for (const radio of signs) {
      radio.parentElement.hidden = isNaN(place(radio));
      if (radio.parentElement.hidden) radio.checked = false;
    }
    const mine = signs.filter((radio) => !radio.parentElement.hidden).sort((a, b) => place(a) - place(b));
    for (const radio of mine) radio.closest(".answers").append(radio.parentElement);
  }

  function showFacts() {
    const wanted = asks();
    const fields = all("#q-facts fieldset");
    for (const field of fields) field.hidden = !wanted.includes(field.id.replace("div_id_fact-", ""));
    get("q-facts")?.toggleAttribute("hidden", fields.every((field) => field.hidden));
    get("joining").hidden = !["C", "R"].includes(value("situation"));
  }

  function known({ modes, part }) {
    const facts = {};
    const { contacts_dead: dead, pipes } = page.pattern;
    if (dead !== "unknown") facts["contacts-dead"] = [dead];
    if (pipes[part]) facts.pipe = [pipes[part]];
    return { known: { modes, facts } };
  }

  function beside(end) {
    const back = Object.entries(page.back).filter(([letter]) => [letter, "?"].includes(end));
    const times = Math.max(0, ...back.map(([, of]) => of[page.components[value("part")]] || 0));
    const place = (form.elements.place?.value || "").trim().toLowerCase();
    const curve = page.curves.includes(place) ? "yes" : "";
    return [["seen-in", value("situation")], ["repeats", times ? `${times}` : ""], ["curve", curve]];
  }

  function faults(end) {
    const sign = picked("sign").value;
    const same = page.open.find(({ ref }) => sign === `still:${ref}`);
    const others = page.open.filter((f) => f !== same && (end === "?" || ["?", end].includes(f.end)));
    const said = asks().map((code) => [code, value(`fact-${code}`)]).concat(beside(end));
    const facts = Object.fromEntries(said.filter(([, word]) => word && word !== "not known"));
    return [same ? known(same) : { part: value("part"), symptom: sign, facts }, ...others.map(known)];
  }

  function told(words, limits, now) {
    const list = make("ul", "limits", ...limits.map((limit) => make("li", "", limit)));
    const when = make("p", "standing-when", now ? `Now: ${words.toLowerCase()}` : words);
    return make("div", `standing-${now ? "now" : "then"}`, when, limits.length ? list : "No limit is recorded here.");
  }

  function showVerdict() {
    const box = get("verdict");
    const now = value("situation");
    const end = value("end");
    const call = get("call");
    if (!box || !table) return;
    box.replaceChildren();
    call.hidden = true;
    if (!now || !end || !picked("sign")) return;
    const codes = table.weathers.map(([code]) => code);
    const weather = codes[Math.max(codes.indexOf(page.weather), codes.indexOf(value("weather")))];
    const verdict = Rules.verdict(faults(end), page.pattern);
    const set = Object.entries(page.restricted).filter(([letter]) => [letter, "?"].includes(end));
    const { worst } = verdict.faults[0];
    const word = table.categories[worst];
    const title = `What ${end === "?" ? "either" : `the ${end}`} end of ${form.elements.unit.value} may still do`;
    const standing = make("section", "standing", make("h2", "", title));
    for (const radio of all('input[name="situation"]').sort((a, b) => b.checked - a.checked)) {
      const code = radio.value;
      const limits = new Set([...verdict.end[code][weather].words, ...set.flatMap(([, said]) => said[code])]);
      standing.append(told(nameOf(radio), [...limits], radio.checked));
    }
    standing.append(make("p", "known", "The rule book, the signaller and control decide."));
    call.hidden = worst < table.categories.length - 1;
    const band = make("div", `band band-${word}`, make("p", "band-name", word[0].toUpperCase() + word.slice(1)));
    box.append(...(call.hidden ? [] : [make("p", "call", call.textContent)]), band, standing);
  }

  const [camera, album] = all('input[name="photos"]');
  const most = 4 - form.elements.kept.value;
  let files = [];

  function showPhotos() {
    const holder = new DataTransfer();
    files.forEach((file) => holder.items.add(file));
    album.files = holder.files;
    camera.value = "";
    get("shots").replaceChildren(...files.map(shot));
  }

  function shot(file, place) {
    const name = `photo ${place + 1}`;
    const image = Object.assign(make("img", ""), { src: URL.createObjectURL(file), alt: name });
    const button = Object.assign(make("button", "", `Remove ${name}`), { type: "button" });
    button.onclick = () => {
      files.splice(place, 1);
      showPhotos();
      camera.parentElement.dispatchEvent(new Event("change", { bubbles: true }));  // fields.js says what is left
    };
    return make("li", "", image, button);
  }

  for (const input of album ? [camera, album] : []) {
    input.onchange = () => {
      files = [...files, ...input.files].slice(0, most);
      showPhotos();
    };
  }

  function show() {
    showPart();
    showFacts();
    showVerdict();
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
    const part = face.querySelector(`[data-slot="${radio.value}"]`);
    radio.onfocus = radio.onblur = () => part?.classList.toggle("focused", radio.matches(":focus-visible"));
  }

  // "Now" is the first answer, counted from the page's own time: a phone's clock may be wrong.
  form.addEventListener("input", () => {
    const { made } = form.elements;
    made.value = new Date(Date.parse(made.value) + performance.now()).toISOString().replace("Z", "+00:00");
  }, { once: true });

  const send = get("send");
  const idle = send.textContent;
  let sent;
  form.onsubmit = () => {
    if (sent) return false;
    send.textContent = "Sending your report…";
    return (sent = true);
  };
  addEventListener("pageshow", () => {
    sent = false;
    send.textContent = idle;
    show();
  });

  fetch(form.dataset.table)
    .then((answer) => (answer.ok && !answer.redirected ? answer.json() : Promise.reject(answer.status)))
    .then((published) => {
      Rules.load(published);
      table = published;
      for (const button of all(".look")) button.hidden = true;
      showVerdict();
    })
    .catch(() => {});  // the button stays
  show();
})();
