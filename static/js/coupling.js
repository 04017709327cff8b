// Coupled or parted: the page's questions, and saving the record on this phone, so that it works without signal. Without
// this script, or where the browser keeps nothing, the page posts as a plain form. The body is the one that
// inspections/forms/couplings.py makes; what belongs together is checked as there.
"use strict";
(() => {
  const form = document.getElementById("coupling");
  const get = (id) => document.getElementById(id);
  const all = (query) => [...form.querySelectorAll(query)];
  const value = (name) => form.querySelector(`input[name="${name}"]:checked`)?.value ?? "";
  const nameOf = (name) => form.querySelector(`input[name="${name}"]:checked`)?.labels[0].textContent ?? "";
  const met = form.dataset.met.split(" ");
  const shell = !form.dataset.known;
  const HAPPENED = { coupled: "Coupled to", parted: "Parted from", "could not couple": "Could not couple to" };
  const OFFERED = 6; // other units to pick from
  const END_NOT_KNOWN = "end not known";
  let known = { unit: "", mates: {}, ...(shell ? {} : JSON.parse(form.dataset.known)) };
  let me = null;
  let facts = null;
  let number = "";
  let filled = false; // the other end was answered from what is on record
  let saving = false;

  function make(tag, css, ...inside) {
    const made = Object.assign(document.createElement(tag), { className: css });
    made.append(...inside);
    return made;
  }

  const para = (...inside) => make("p", "", ...inside);
  const link = (words, href, css = "") => Object.assign(make("a", css, words), { href });
  const clock = (time) => new Date(time).toTimeString().slice(0, 5);

  // A unit's number as typed, tidied; "" where it can be none. Of "205 A" it is 205. It need not be on the list.
  function tidy(typed) {
    const given = typed.replace(/\s/g, "").toUpperCase();
    return facts?.units[given] ? given : given.match(/^([0-9]{3,6})(?:[AB](?:END)?)?$/)?.[1] ?? "";
  }

  // ---- what belongs to what

  function show() {
    const what = value("what");
    const fits = (stage) => !what || (what === "coupled" ? met.includes(stage) : stage !== "full");
    get("div_id_stage").hidden = what === "parted";
    for (const radio of all('input[name="stage"]')) {
      radio.parentElement.hidden = !fits(radio.value);
      if (!fits(radio.value)) radio.checked = false;
    }
    get("div_id_number").hidden = !form.querySelector('input[name="other"][value="another"]').checked && !form.number.value;
    for (const name of ["other", "other_end", "stage"]) get(`div_id_${name}`).querySelector(".skippable")?.remove();
    const recorded = known.unit === number ? known.mates[value("end")] : "";
    get("recorded").hidden = !recorded;
    get("recorded").textContent = recorded ? `This end is recorded as coupled to ${recorded}.` : "";
    get("said-seen").textContent = `Time: ${form.seen.value.replace("T", " ") || "now"}. Change`;
    get("said-place").textContent = `Place: ${form.place.value.trim() || "not said"}. Change`;
  }

  // Of a parting the mate on record is the answer until somebody says another.
  function prefill() {
    if (filled) for (const name of ["other", "other_end"]) for (const radio of all(`input[name="${name}"]`)) radio.checked = false;
    filled = false;
    const mate = known.unit === number && value("what") === "parted" && known.mates[value("end")];
    if (!mate || value("other").replace("another", "") || form.number.value) return;
    const [unit, letter] = mate.split(" ");
    for (const [name, said] of [["other", unit], ["other_end", letter]]) {
      const radio = form.querySelector(`input[name="${name}"][value="${CSS.escape(said)}"]`);
      if (radio) radio.checked = filled = true;
    }
  }

  function offer(units) {
    const box = get("div_id_other").querySelector(".answers");
    const before = value("other");
    const rows = [...new Set(units)].filter((unit) => unit && unit !== number).slice(0, OFFERED).map((unit, i) => {
      const radio = Object.assign(make("input", ""), { type: "radio", name: "other", value: unit, id: `other_${i}`, checked: unit === before });
      return make("div", "answer", radio, Object.assign(make("label", "", unit), { htmlFor: radio.id }));
    });
    const another = form.querySelector('input[name="other"][value="another"]');
    if (!rows.length) another.checked = true;
    box.replaceChildren(...rows, another.parentElement);
  }

  function head() {
    const title = ["Coupled or parted", ...(number ? [": unit ", make("span", "unit-number", number)] : [])];
    document.querySelector("h1").replaceChildren(...title);
    if (get("said-unit")) get("said-unit").textContent = number ? `Unit ${number}. Change` : "Which unit do you have?";
    if (get("unit") && !number) get("unit").open = true;
    get("save").textContent = `Save${number ? ` for unit ${number}` : ""}`;
    form.unit.value ||= number;
  }

  // ---- what is known of mates: the logbook's word where it answers, else what was recorded on this phone

  async function recordedHere() {
    const mates = {};
    const mine = (await Store.all("reports")).filter((row) => row.author === me.id && row.unit === number && row.about.coupled);
    for (const { body } of mine.sort((a, b) => a.saved - b.saved)) {
      const [{ end, mate, coupled }] = JSON.parse(new TextDecoder().decode(body)).ends;
      if (coupled === "coupled" && /^\S+ [AB]$/.test(mate)) mates[end] = mate;
      else if (coupled === "parted") delete mates[end];
    }
    return mates;
  }

  async function askMates() {
    const asked = number;
    known = { unit: asked, mates: { ...(known.unit === asked ? known.mates : {}), ...(await recordedHere()) } };
    const answer = await fetch(`/phone/mates/?unit=${encodeURIComponent(asked)}`, { cache: "no-store", redirect: "manual" }).catch(() => null);
    if (answer?.status === 200 && asked === number) known.mates = { ...(await answer.json()).mates, ...(await recordedHere()) };
    await offerKnown();
  }

  async function offerKnown() {
    const recent = (await Store.read("meta", "recent")) ?? [];
    const printed = all('input[name="other"]').map((radio) => radio.value).filter((unit) => unit !== "another");
    offer([...Object.values(known.mates).map((mate) => mate.split(" ")[0]), ...printed, ...recent]);
    prefill();
    show();
  }

  // ---- what is wrong: [[question, words], …]

  function otherUnit(wrong) {
    const [tapped, typed] = [value("other").replace("another", ""), form.number.value.trim()];
    const unit = typed ? tidy(typed) : tapped;
    if (typed && !unit) wrong.push(["number", "Enter the unit number, 3 to 6 digits"]);
    else if (typed && tapped && tapped !== unit) wrong.push(["number", `You chose ${tapped} and typed ${unit}. Keep one of them`]);
    return unit;
  }

  // {unit, end, what, mate, stage, seen, place} and what is wrong with them.
  function read() {
    const wrong = [];
    const need = (name, given, words) => given || (wrong.push([name, words]), "");
    const unit = need("unit", tidy(form.unit.value), "Enter the unit number, 3 to 6 digits");
    const end = need("end", value("end"), "Choose which end");
    const what = need("what", value("what"), "Choose what happened");
    const [other, letter, parted] = [otherUnit(wrong), value("other_end"), what === "parted"];
    if (what && !parted && !other && !form.number.value.trim()) wrong.push(["other", "Choose the other unit, or type its number"]);
    else if (what && !parted && other && !letter) wrong.push(["other_end", "Choose which end of the other unit"]);
    else if (other && other === unit) wrong.push([form.number.value ? "number" : "other", `Both ends are of unit ${unit}`]);
    if (what && !parted && !value("stage")) wrong.push(["stage", "Choose how far they joined"]);
    if (form.seen.validity.badInput) wrong.push(["seen", "Enter a date and time, like 24/11/2026 05:50"]);
    const seen = moment(form.seen.value);
    if (seen > Date.now() + 600_000) wrong.push(["seen", "That time is still to come"]);
    return { told: { unit, end, what, mate: mateOf(unit, end, other, letter), stage: parted ? "" : value("stage"), seen, place: placeCode() }, wrong };
  }

  function mateOf(unit, end, other, letter) {
    const recorded = (known.unit === unit && known.mates[end]) || "";
    if (!other || (!letter && recorded.startsWith(`${other} `))) return recorded;
    return `${other} ${["A", "B"].includes(letter) ? letter : END_NOT_KNOWN}`;
  }

  function place([code, name]) {
    const option = Object.assign(make("option", ""), { value: name });
    option.dataset.code = code;
    return option;
  }

  function placeCode() {
    const typed = form.place.value.trim();
    return [...get("places").options].find((one) => one.value.toLowerCase() === typed.toLowerCase())?.dataset.code ?? typed;
  }

  // The time typed, ms; now without one. What comes twice when clocks go back is the later that is not to come.
  function moment(typed) {
    if (!typed) return Date.now();
    const first = new Date(typed).getTime();
    const again = new Date(first + 3600_000);
    const same = new Date(first).getMinutes() === again.getMinutes() && new Date(first).getHours() === again.getHours();
    return same && again <= Date.now() ? again.getTime() : first;
  }

  const two = (part) => String(part).padStart(2, "0");

  // ISO 8601 by this phone's clock and offset, to the second.
  function iso(time) {
    const at = new Date(time);
    const offset = -at.getTimezoneOffset();
    const date = [at.getFullYear(), at.getMonth() + 1, at.getDate()].map(two).join("-");
    const shown = [at.getHours(), at.getMinutes(), at.getSeconds()].map(two).join(":");
    return `${date}T${shown}${offset < 0 ? "-" : "+"}${two(Math.floor(Math.abs(offset) / 60))}:${two(Math.abs(offset) % 60)}`;
  }

  function bodyOf({ unit, end, what, mate, stage, seen, place }) {
    return {
      v: 1, id: form.id.value, author: me.id, sent: iso(Date.now()), occasion: what === "parted" ? "uncoupling" : "coupling",
      unit, seen: iso(seen), place, weather: "", note: "", faults: [],
      ends: [{ end, situation: what === "coupled" ? "R" : "U", clean: false, mate, stage, coupled: what }],
    };
  }

  function clear() {
    for (const old of document.querySelectorAll(".problems, .field.bad .error")) old.remove();
    for (const field of document.querySelectorAll(".field.bad")) {
      field.classList.remove("bad");
      field.removeAttribute("aria-describedby");
    }
    document.title = document.title.replace(/^Problem: /, "");
  }

  function mark([name, words]) {
    const field = get(`div_id_${name}`);
    const box = Object.assign(make("div", "error", para(words)), { id: `id_${name}_error` });
    const input = field.querySelector("input");
    field.hidden = false;
    field.classList.add("bad");
    field.closest("details")?.setAttribute("open", "");
    field.querySelector("legend, label").after(box);
    (field.tagName === "FIELDSET" ? field : input).setAttribute("aria-describedby", box.id);
    return make("li", "", link(words, `#${input.id}`));
  }

  function tellWrong(wrong) {
    clear();
    if (!wrong.length) return;
    const box = make("div", "problems", make("h2", "", "Problem: please put this right"), make("ul", "", ...wrong.map(mark)));
    box.setAttribute("role", "alert");
    box.tabIndex = -1;
    form.prepend(box);
    document.title = `Problem: ${document.title}`;
    box.focus();
  }

  // ---- saving

  const NOT_SAVED = {
    full: "Not saved: this phone has no room for it. Your answers are still on this page. Make room on the phone, then press Save again, or tell control.",
    nobody: "Not saved: nobody is signed in on this phone. Sign in where there is signal.",
    other: "Not saved: this browser did not keep it. Your answers are still on this page. Press Save again, or tell control.",
  };

  async function save() {
    const { told, wrong } = read();
    tellWrong(wrong);
    if (wrong.length) return;
    const about = {
      unit: told.unit, end: `${told.end} end`, part: `${HAPPENED[told.what]} ${told.mate || "a unit not said"}`, fault: nameOf("stage"),
      faults: [], worst: null, told: {}, coupled: told.what,
    };
    const body = bodyOf(told);
    await Outbox.save({ id: body.id, body, photos: [], about });
    await remember(told.unit, told.mate.split(" ")[0]).catch(() => {});
    await open(body.id);
    dispatchEvent(new Event("outbox-send"));
  }

  // The unit of the record is the unit of today; its mate is offered next time.
  async function remember(unit, mate) {
    const recent = [unit, mate, ...((await Store.read("meta", "recent")) ?? [])].filter(Boolean);
    await Store.write([
      ["put", "meta", unit, "unit"], ["put", "meta", unit, "unit-picked"], ["put", "meta", [...new Set(recent)].slice(0, OFFERED), "recent"],
    ]);
  }

  async function press() {
    if (saving) return;
    saving = true;
    try {
      await save();
    } catch (error) {
      get("words").replaceChildren(make("div", "message warning", NOT_SAVED[error.kind] ?? NOT_SAVED.other));
      get("words").scrollIntoView();
    } finally {
      saving = false;
    }
  }

  // ---- where it is, once saved

  function whereabouts(row) {
    const outcome = self.lastRun?.outcome;
    if (row.state === "received") return ["sync-received", row.filed === "quarantined" ? row.words : `The logbook has it, ${clock(row.received)}.`];
    if (row.state === "attention") return ["sync-failed", `We couldn’t send it. It is safe on this phone. Try again, or tell control. ${row.words}`];
    if (row.sending) return ["sync-sending", "Sending…"];
    if (outcome === "sign in") return ["sync-phone", "Saved on this phone. Sign in again to send."];
    if (outcome === "offline" || !navigator.onLine) {
      return ["sync-phone", "Saved on this phone. Not sent yet: no signal here. We’ll send it when this page is open where there is signal."];
    }
    return ["sync-phone", "Saved on this phone."];
  }

  async function render(id, state) {
    const row = (await Outbox.mine()).find((one) => one.id === id);
    if (!row) return;
    const [css, words] = whereabouts(row);
    state.className = `sync ${css}`;
    if (state.textContent !== words) state.textContent = words;
  }

  async function open(id) {
    const { about } = (await Outbox.mine()).find((one) => one.id === id);
    const heading = make("h1", "", "Unit ", make("span", "unit-number", about.unit), `, ${about.end}`);
    const state = make("div", "sync");
    state.setAttribute("role", "status");
    const caution = form.querySelector(".caution");
    get("main").replaceChildren(heading, state, para(`${about.part}${about.fault ? `: ${about.fault}` : ""}.`),
      make("div", "actions", link("Record another", "/couplings/new/", "secondary"), link("Report damage", `/reports/new/?unit=${encodeURIComponent(about.unit)}`, "secondary"), link("Done", "/", "primary")),
      caution);
    document.title = `Saved, unit ${about.unit} – Coupler Logbook`;
    scrollTo(0, 0);
    heading.tabIndex = -1;
    heading.focus();
    await render(id, state);
    const again = () => render(id, state).catch(() => {});
    Outbox.listen(again);
    addEventListener("outbox-run", again);
  }

  // ---- begin

  function blocked(error) {
    if (error.kind !== "blocked") get("words").replaceChildren(make("div", "message warning", "What this phone keeps could not be read. Load the page again."));
    else if (shell) location.replace("/couplings/new/?plain=1");
    else get("words").replaceChildren(make("div", "message warning", "This browser keeps nothing: the record is safe only once it is sent. Stay where there is signal."));
  }

  function nobody() {
    form.hidden = true;
    form.before(make("p", "message warning", "Nobody is signed in on this phone. ", link("Sign in", "/sign-in/?next=/couplings/new/"), " where there is signal."));
  }

  async function change() {
    const typed = tidy(form.unit.value);
    if (!typed || typed === number) return;
    number = typed;
    head();
    await askMates();
  }

  async function start() {
    const told = document.documentElement.dataset.person;
    me = told ? JSON.parse(told) : await Outbox.person();
    facts = Rules.unpack(await Store.read("facts", "facts"));
    if (!me) return nobody();
    form.id.value ||= crypto.randomUUID();
    const asked = new URLSearchParams(location.search).get("unit");
    number = tidy(form.unit.value || asked || (await Store.read("meta", "unit")) || "");
    if (shell) get("places").replaceChildren(...(facts?.places ?? []).map(place));
    form.addEventListener("change", (event) => {
      if (event.target.name === "unit") change().catch(() => {});
      if (["end", "what"].includes(event.target.name)) prefill();
      if (["other", "other_end"].includes(event.target.name)) filled = false;
      show();
    });
    form.onsubmit = (event) => {
      event.preventDefault();
      press();
    };
    head();
    await offerKnown();
    form.dataset.ready = "yes";
    if (number) await askMates();
  }

  start().catch(blocked);
})();
