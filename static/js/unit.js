// The report page for one unit, filled in from what this phone carries (facts and table, see inspections/carried.py):
// heading, picture, parts, what is reported already, weather, places. The anonymous shell has every answer there is.
"use strict";
(() => {
  const { form, get, all, make, nameOf, clock } = Report;
  const OFFERED = 12; // findings reported already that are offered
  const QUESTIONS = ["unit", "end", "part", "sign", "situation", "more"];
  const LOOK = ["unit", "end", "situation"];
  const NUMBER = /^[0-9]{3,6}$/;
  const parts = all('input[name="part"]');
  const printed = new Map(parts.map((radio) => [radio.value, nameOf(radio)]));
  const capital = (words) => words[0].toUpperCase() + words.slice(1);

  // A unit's number as typed, tidied, or "" where it can be none. It need not be on the list. Of "205 A" it is 205.
  function tidy(typed, facts) {
    const number = typed.replace(/\s/g, "").toUpperCase();
    if (facts?.units[number]) return number;
    const [, bare = number] = number.match(/^([0-9]{3,6})[AB](?:END)?$/) ?? [];
    return NUMBER.test(bare) ? bare : "";
  }

  const patterns = (facts, unit) => Object.values(unit?.ends ?? {}).map((end) => facts.patterns[end.pattern]).filter(Boolean);

  function head(number, clean) {
    const title = clean ? "Looked, nothing found" : "Report damage";
    document.querySelector("h1").replaceChildren(title, ...(number ? [": unit ", make("span", "unit-number", number)] : []));
    document.title = `${title}${number && `, unit ${number}`} – Coupler Logbook`;
    const order = clean ? LOOK : QUESTIONS;
    const unit = number && `Unit ${number}, `;
    for (const line of all(".step")) {
      const place = order.indexOf(line.closest(".question").id.slice(2)) + 1;
      line.textContent = capital(`${unit}${place ? `question ${place} of ${order.length}` : "if you know it"}`);
      line.hidden = clean && !place;
    }
  }

  function line(number, unit, facts) {
    const known = unit ? unit.type : facts ? "not on the list on this phone" : "the list is not on this phone yet";
    const box = all("#q-unit details")[0];
    get("said-unit").textContent = `Unit ${number}, ${known}. Change`;
    box.firstElementChild.hidden = !number;
    box.open = !number;
    get("q-unit").querySelector(".step").hidden = Boolean(number);
    form.elements.unit.value = number;
    const link = get("sound")?.querySelector("a");
    if (link) link.href = `/reports/new/?found=nothing${number && `&unit=${number}`}`;
  }

  function picture(facts, unit) {
    const drawings = all("[data-drawing]");
    const [first] = patterns(facts, unit);
    const wanted = drawings.find((one) => one.dataset.drawing === first?.drawing) ?? drawings[0];
    for (const one of drawings) one.hidden = one !== wanted;
    const labels = new Map(patterns(facts, unit).flatMap((pattern) => pattern.parts).reverse());
    const order = [...labels.keys()].reverse();
    for (const radio of parts) {
      const mine = !order.length || labels.has(radio.value);
      radio.labels[0].textContent = labels.get(radio.value) ?? printed.get(radio.value);
      radio.parentElement.hidden = !mine;
      if (!mine) radio.checked = false;
    }
    for (const code of order) {
      const radio = parts.find((one) => one.value === code);
      radio?.closest(".answers").append(radio.parentElement);
    }
  }

  const endWords = (letter) => (letter === "?" ? "end not known" : `${letter} end`);
  const spoken = (ref) => `${ref.slice(0, 4)} ${ref.slice(4)}`;
  const day = (time) => new Date(time).toLocaleDateString("en-GB", { day: "numeric", month: "long" });

  function symptomWords(symptom, table) {
    return table?.symptoms[symptom]?.words ?? (nameOf(form.querySelector(`input[name="sign"][value="${symptom}"]`)) || "not known here");
  }

  function partWords(code) {
    return nameOf(parts.find((one) => one.value === code)) || code;
  }

  function reported(found, table) {
    const value = `still:${found.ref}`;
    const radio = Object.assign(document.createElement("input"), { type: "radio", name: "sign", value, id: `id_${value}` });
    Object.assign(radio.dataset, {
      for: `${found.part}:-1`, end: found.end, symptom: found.symptom, asks: (table?.symptoms[found.symptom]?.asks ?? []).join(" "),
    });
    const where = `${partWords(found.part)}, ${endWords(found.end)}, seen ${day(found.seen)} ${clock(found.seen)}, ${spoken(found.ref)}`;
    const label = Object.assign(make("label", "", `Already reported: ${symptomWords(found.symptom, table)}. ${where}`), { htmlFor: radio.id });
    return make("div", "answer", radio, label);
  }

  function offer(unit, table) {
    const old = all('input[name="sign"][value^="still:"]');
    const before = old.find((radio) => radio.checked)?.value;
    for (const radio of old) radio.parentElement.remove();
    const rows = (unit?.open ?? []).slice(0, OFFERED).map((found) => reported(found, table));
    all("#q-sign .answers")[0].prepend(...rows);
    const again = form.querySelector(`input[name="sign"][value="${before}"]`);
    if (again) again.checked = true;
  }

  // The class alerted or seen where the unit is, the worst of its ends; "" for the mildest.
  function alerted(unit, table) {
    const order = table.weathers.map(([code]) => code);
    const worst = Math.max(0, ...Object.values(unit?.ends ?? {}).map((end) => order.indexOf(end.weather)));
    return worst ? table.weathers[worst][1] : "";
  }

  function around(unit, facts, table) {
    const name = table ? alerted(unit, table) : "";
    all('input[name="weather"]')[0].labels[0].textContent = name ? `As alerted: ${name}` : "Not said";
    const named = (facts?.places ?? []).map(([, place]) => Object.assign(document.createElement("option"), { value: place }));
    get("places").replaceChildren(...named);
  }

  // Fill the page for the unit of this state ("" where none is picked yet).
  function fill({ number, facts, table, clean }) {
    const unit = facts?.units[number];
    head(number, clean);
    line(number, unit, facts);
    const beside = ["#q-part", "#q-sign", "#q-changed", "#q-facts", "#verdict", "#call", "#div_id_photos", "#sound", "#another"];
    for (const one of beside) if (clean) document.querySelector(one)?.toggleAttribute("hidden", true);
    picture(facts, unit);
    offer(unit, table);
    around(unit, facts, table);
    Report.show();
  }

  // Units lately reported on, to pick from while there is none.
  function recent(numbers, pick) {
    get("recent").hidden = !numbers.length;
    get("recent").replaceChildren(...numbers.map((number) => {
      const button = Object.assign(make("button", "", number), { type: "button" });
      button.onclick = () => pick(number);
      return button;
    }));
  }

  self.Unit = { tidy, fill, recent, symptomWords, partWords, endWords, spoken, day };
})();
