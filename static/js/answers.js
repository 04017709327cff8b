// The answers on the report page: read, set, told in words; and the faults before the one that is asked for now.
// self.Answers; its `state` is what the page's other scripts share: who, unit, facts, table, faults so far, photos.
"use strict";
(() => {
  const { form, get, all, make, value, nameOf } = Report;
  const OF_ONE_FAULT = ["end", "part", "sign", "changed", "situation", "mate", "stage", "note"];
  const SLOTS = ["photo1", "photo2", "photo3", "photo4"];
  const MOST = 12; // faults of a report
  const NO_ANSWERS = ["file", "submit", "button", "fieldset"];
  const HERE_ONLY = ["csrfmiddlewaretoken", "said"];
  const state = { me: null, facts: null, table: null, number: "", clean: false, faults: [], photos: [], made: 0 };
  const field = (name) => form.elements[name];

  // ---- one by one

  const names = () => [...OF_ONE_FAULT, ...new Set(all('#q-facts input[type="radio"]').map((radio) => radio.name))];

  // What these questions are answered with; those without an answer are left out.
  function read(wanted = names()) {
    const answer = (name) => (field(name)?.type === undefined ? value(name) : field(name).value);
    return Object.fromEntries(wanted.map((name) => [name, answer(name)]).filter(([, words]) => words));
  }

  function everything() {
    const named = [...form.elements].filter((one) => one.name && !NO_ANSWERS.includes(one.type)).map((one) => one.name);
    return read([...new Set(named)].filter((name) => !HERE_ONLY.includes(name)));
  }

  function put(name, words) {
    const radios = all(`input[type="radio"][name="${name}"]`);
    for (const radio of radios) radio.checked = radio.value === words;
    if (!radios.length && field(name)) field(name).value = words;
  }

  function anew() {
    for (const name of names()) put(name, "");
    for (const name of ["fault", ...SLOTS]) field(name).value = crypto.randomUUID();
    field("kept").value = "0";
    get("kept-before")?.remove();
  }

  // ---- as faults

  const finding = (sign) => (state.facts?.units?.[state.number]?.open ?? []).find(({ ref }) => sign === `still:${ref}`);
  const kept = () => Number(field("kept").value); // photos that are in the logbook already
  const shots = () => state.photos.filter((photo) => photo.owner === field("fault").value);

  // Ids of photos still free for this fault.
  function free() {
    const used = shots().map((photo) => photo.id);
    return SLOTS.slice(kept()).map((slot) => field(slot).value).filter((id) => !used.includes(id));
  }

  // The answers to this fault as one row of `said`, see inspections/forms/earlier.py. What was reported already answers
  // the part, and the end where it was left out or could not be told.
  function current() {
    const row = read();
    const found = finding(row.sign);
    const meant = found && { part: found.part, end: found.end === "?" ? row.end ?? "" : found.end };
    const before = SLOTS.slice(0, kept()).map((slot) => field(slot).value);
    return { fault: field("fault").value, photos: [...before, ...shots().map((photo) => photo.id)], ...row, ...meant };
  }

  // True where the faults before are all there is: nothing is answered of one more.
  const ended = () => state.faults.length > 0 && !Object.keys(read()).length && !shots().length && !kept();
  const rows = () => (ended() ? state.faults : [...state.faults, current()]);

  // How an end is was said with an earlier fault of it.
  function remember() {
    const known = state.faults.find((row) => row.end === value("end"))?.situation;
    if (known && !value("situation")) put("situation", known);
  }

  // ---- in words

  const label = (name, answer) => nameOf(form.querySelector(`input[name="${name}"][value="${answer}"]`));

  // What is wrong; of what was reported already, its reference and what became of it.
  function fault(row) {
    const found = finding(row.sign);
    const what = Unit.symptomWords(found?.symptom ?? row.sign, state.table);
    return found ? `${what} (${Unit.spoken(found.ref)}: ${label("changed", row.changed || "still there").toLowerCase()})` : what;
  }

  function words(row) {
    const count = row.photos.length;
    const photos = count ? `. ${count} photo${count === 1 ? "" : "s"}` : "";
    const situation = label("situation", row.situation).toLowerCase();
    return `${label("end", row.end)}, ${situation}. ${Unit.partWords(row.part)}: ${fault(row)}${photos}`;
  }

  // "In this report so far", and what goes with it.
  function list() {
    field("said").value = state.faults.length ? JSON.stringify(state.faults) : "";
    const items = state.faults.map((row, place) => {
      const remove = Object.assign(make("button", "", `Remove fault ${place + 1}`), { name: "remove", value: row.fault });
      return make("li", "card", make("p", "", words(row)), remove);
    });
    get("so-far").querySelector("ol").replaceChildren(...items);
    get("so-far").hidden = !items.length;
    get("sound")?.toggleAttribute("hidden", items.length > 0 || state.clean);
    get("another")?.toggleAttribute("hidden", items.length >= MOST - 1 || state.clean);
  }

  self.Answers = { state, read, everything, put, anew, finding, shots, free, current, ended, rows, remember, label, fault, list };
})();
