// What the ends may still do with this report, as known on this phone: looked up and joined (rules.js), never worked
// out. self.Verdict = {show(), told(), compared(about, told)}; told() is what Receipt.told is, by ends.
"use strict";
(() => {
  const { form, get, all, make, value, clock } = Report;
  const { state, finding } = Answers;
  const SITUATIONS = ["U", "C", "R"];
  const WORDS = { U: "Uncoupled", C: "About to couple", R: "Coupled and running" };
  const INTOLERABLE = 3;

  // ---- what is reported, as the rules take it

  function curved() {
    const typed = form.elements.place.value.trim().toLowerCase();
    return (state.facts?.places ?? []).some(([code, name, curve]) => curve && [code, name].some((one) => one.toLowerCase() === typed));
  }

  function observed(row, symptom) {
    const back = state.facts?.units[state.number]?.ends[row.end]?.back?.[row.part];
    const told = {
      ...(back && { repeats: `${back}` }), ...(curved() && { curve: "yes" }),
      ...Body.facts(row, symptom), "seen-in": row.situation,
    };
    return { part: row.part, symptom, facts: told };
  }

  const union = (a, b) => [...new Set([...a, ...b])];

  // What was known of a finding, and this look at it: the same as inspections/rules/evidence.py folds them. Nothing seen
  // from clear takes the place of what a fitter found; it adds what may be. "Not there now" changes nothing.
  function folded(found, row) {
    const { known } = found;
    if (row.changed === "not there now") return known;
    const look = observed(row, found.symptom);
    const told = state.table.facts;
    const unsaid = (code) => (told[code].unknown ? [told[code].unknown] : told[code].words);
    const facts = { ...known.facts };
    if (row.changed === "worse") {
      for (const code of Object.keys(facts)) if (!(code in look.facts)) facts[code] = union(facts[code], unsaid(code));
    }
    for (const [code, word] of Object.entries(look.facts)) {
      if (told[code]) facts[code] = union(facts[code] ?? unsaid(code), [word]);
    }
    const { patterns, units } = state.facts;
    const pattern = patterns[units[state.number].ends[found.end]?.pattern] ?? {};
    const { modes } = Rules.verdict([look], pattern).faults[0];
    return { ...known, modes: union(known.modes, modes), facts };
  }

  // What the phone carries, less the findings this report speaks of: their new fold takes their place.
  function beside(meant) {
    const { facts, number } = state;
    const unit = facts?.units[number];
    if (!unit) return facts;
    const open = (unit.open ?? []).filter((found) => !meant.includes(found));
    return { ...facts, units: { ...facts.units, [number]: { ...unit, open } } };
  }

  // {worst, told: end → as Receipt.told} of these rows; null while the table is not here or nothing can be said yet.
  function of(rows) {
    const whole = rows.length && rows.every((row) => row.end && row.situation && (row.sign || state.clean));
    if (!state.table || !whole) return null;
    const named = [...new Set(rows.map((row) => row.end))];
    const known = state.facts?.units[state.number];
    const letters = known && named.includes("?") ? Object.keys(known.ends) : named.sort();
    const meant = rows.map((row) => finding(row.sign));
    const faults = state.clean ? [] : rows.map((row, place) => {
      const { end } = meant[place] ?? row;
      return { end, ...(meant[place] ? { known: folded(meant[place], row) } : observed(row, row.sign)) };
    });
    const facts = beside(meant);
    const answers = letters.map((letter) => [letter, Rules.end({
      facts, unit: state.number, letter, faults, weather: value("weather"), place: form.elements.place.value,
    })]);
    const worsts = answers.map(([, { worst }]) => worst).filter((worst) => worst !== null);
    const now = (letter) => rows.find((row) => row.end === letter)?.situation;
    return {
      worst: worsts.length ? Math.max(...worsts) : null,
      told: Object.fromEntries(answers.map(([letter, answer]) => [letter, asTold(answer, now(letter) ?? answer.now)])),
    };
  }

  function asTold({ weather, situations }, now) {
    const cells = SITUATIONS.map((code) => [code, { category: situations[code].category, words: situations[code].words }]);
    return { at: state.facts?.at ?? new Date().toISOString(), weather, now, ...Object.fromEntries(cells) };
  }

  // ---- in words

  function situation(code, cell, now) {
    const list = make("ul", "limits", ...cell.words.map((limit) => make("li", "", limit)));
    const when = make("p", "standing-when", now ? `Now: ${WORDS[code].toLowerCase()}` : WORDS[code]);
    return make("div", `standing-${now ? "now" : "then"}`, when, cell.words.length ? list : make("p", "limits", "No limit is recorded here."));
  }

  function standing(letter, unit, told) {
    const order = [told.now, ...SITUATIONS.filter((code) => code !== told.now)];
    const end = letter === "?" ? "the end" : `the ${letter} end`;
    const weather = state.table?.weathers.find(([code]) => code === told.weather)?.[1] ?? told.weather;
    return make("section", "standing", make("h2", "", `What ${end} of ${unit} may still do`),
      ...order.map((code) => situation(code, told[code], code === told.now)),
      make("p", "known", `As known at ${known(told.at)}${weather ? `, weather: ${weather}` : ""}. No entry here is leave to run: the rule book, the signaller and control decide.`));
  }

  function known(at) {
    const today = new Date(at).toDateString() === new Date().toDateString();
    return today ? clock(at) : `${Unit.day(at)} ${clock(at)}`;
  }

  function band(category) {
    const word = state.table.categories[category];
    return make("div", `band band-${word}`, make("p", "band-name", word[0].toUpperCase() + word.slice(1)));
  }

  // The box on the report page.
  function show() {
    const box = get("verdict");
    if (!box || !state.table) return;
    for (const button of all(".look")) button.hidden = true;
    const call = get("call");
    const found = state.clean ? null : of(Answers.rows());
    call.hidden = found?.worst !== INTOLERABLE;
    box.replaceChildren();
    if (!found) return;
    if (!call.hidden) box.append(make("p", "call", call.textContent));
    box.append(band(found.worst), ...Object.entries(found.told).map(([letter, told]) => standing(letter, state.number || "this unit", told)));
    if (!state.facts?.units[state.number]) box.append(make("p", "", "This unit is not on the list on this phone. Ask control what this end may still do."));
  }

  const told = () => of(Answers.rows()) ?? { worst: null, told: {} };

  // ---- on the receipt: the logbook's answer beside this phone's

  // How far a sentence ties down one dial: [dial, rank]; null for one that is of no dial.
  function rank(sentence, table) {
    for (const [dial, values] of Object.entries(table?.dials ?? {})) {
      const said = (value) => [table.words[dial]?.[value], table.running[dial]?.[value]].includes(sentence);
      const place = values.findIndex(said);
      if (place >= 0) return [dial, place];
    }
    return null;
  }

  // {tighter, looser}: whether `there` holds more, or less, than `here` in any situation.
  function between(here, there, table) {
    const found = { tighter: false, looser: false };
    for (const code of SITUATIONS) {
      const ranks = (cell) => new Map(cell.words.map((sentence) => rank(sentence, table) ?? [sentence, 1]));
      const [mine, theirs] = [ranks(here[code]), ranks(there[code])];
      for (const name of new Set([...mine.keys(), ...theirs.keys()])) {
        const step = (theirs.get(name) ?? 0) - (mine.get(name) ?? 0);
        if (step > 0) found.tighter = true;
        if (step < 0) found.looser = true;
      }
      if ((there[code].category ?? 0) > (here[code].category ?? 0)) found.tighter = true;
    }
    return found;
  }

  function difference(letter, here, there, table) {
    const { tighter, looser } = between(here, there, table);
    if (!tighter && !looser) return null;
    const way = tighter && looser ? "differs from" : tighter ? "is stricter than" : "is looser than";
    const weather = here.weather === there.weather ? "" : " It counts other weather there.";
    return make("p", "message warning", `For the ${letter} end the logbook’s answer ${way} this phone’s, because it knows of reports or limits this phone did not have.${weather} The logbook’s answer stands here.`);
  }

  // Lines for the receipt: what this phone told; once the logbook has answered, what it told, and where that differs.
  function compared(about, there) {
    const logbook = there && Object.keys(there).length ? there : null;
    const lines = [];
    const letters = Object.keys(about.told ?? {});
    for (const letter of letters) {
      const theirs = logbook?.[letter];
      const differs = theirs && difference(letter, about.told[letter], theirs, state.table);
      if (differs) lines.push(differs);
      lines.push(standing(letter, about.unit, theirs ?? about.told[letter]));
    }
    return lines;
  }

  self.Verdict = { show, told, compared };
})();
