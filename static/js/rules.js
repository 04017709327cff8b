/* The ruleset on the phone: look up finished cells, join them, never run a rule.
 *
 * self.Rules = {load(table), verdict(faults, pattern), join(a, b), words(limits, situation, done), unpack(facts), end(…)}.
 * The table is the one the server publishes (inspections/rules/publish.py says its shape); verdict() gives what
 * `publish.verdict` gives. A fault is one observation {part, symptom, mode, quality, facts} as just reported, or
 * {known: {modes, facts, raised}} as the server folded it. Limits are {couple, uncouple, move, passengers, rescue,
 * speed, isolations}; a dial left out is at its loosest. Facts: inspections/carried.py.
 */
"use strict";
(function () {
  let table = null;
  let modeNumber = new Map();
  const QUALITIES = ["not confirmed", "seen", "examined", "measured"];
  const PLAIN = /^[0-9]+(\.[0-9]+)?$/;

  function load(published) {
    table = published;
    modeNumber = new Map(table.modes.map((mode, number) => [mode.code, number]));
  }

  /* ---- limits: arrays of [one number per dial, speed, isolations], as in the table ---- */

  function joinRows(a, b) {
    const dials = a.length - 2;
    const joined = a.slice(0, dials).map((value, i) => Math.max(value, b[i]));
    joined.push(a[dials] === null || b[dials] === null ? a[dials] ?? b[dials] : Math.min(a[dials], b[dials]));
    const [mine, theirs] = [a[dials + 1], b[dials + 1]];
    joined.push(theirs.length ? [...new Set([...mine, ...theirs])].sort() : mine);
    return joined;
  }

  function meets(limits, when) {
    const dials = when.length - 2;
    return (
      when.slice(0, dials).every((value, i) => limits[i] >= value) &&
      (when[dials] === null || (limits[dials] !== null && limits[dials] <= when[dials])) &&
      when[dials + 1].every((code) => limits[dials + 1].includes(code))
    );
  }

  function settle(limits) {
    const named = [];
    for (let changed = true; changed; ) {
      changed = false;
      for (const conflict of table.conflicts) {
        if (!named.includes(conflict.code) && meets(limits, conflict.when)) {
          limits = joinRows(limits, conflict.then);
          named.push(conflict.code);
          changed = true;
        }
      }
    }
    return limits;
  }

  function toNames(limits) {
    const named = {};
    Object.entries(table.dials).forEach(([dial, values], i) => (named[dial] = values[limits[i]]));
    named.speed = limits[limits.length - 2];
    named.isolations = limits[limits.length - 1];
    return named;
  }

  function toRow(named) {
    const ranks = Object.entries(table.dials).map(([dial, values]) => values.indexOf(named[dial] || values[0]));
    return [...ranks, named.speed ?? null, [...(named.isolations || [])].sort()];
  }

  /* Two limits, or a standing and a restriction, joined and settled. */
  function join(a, b) {
    return toNames(settle(joinRows(toRow(a), toRow(b))));
  }

  function limitWords(limits, situation, done = []) {
    const named = toNames(limits);
    const running = situation === "R" ? table.running : {};
    const said = [];
    for (const dial of ["move", "couple", "uncouple", "passengers", "rescue"]) {
      if (named[dial] !== table.dials[dial][0]) {
        said.push((running[dial] || {})[named[dial]] || table.words[dial][named[dial]]);
      }
    }
    if (named.speed !== null) said.push(table.words.speed.cap.replace("{speed}", named.speed));
    const known = Object.keys(table.isolations);
    const asked = named.isolations.filter((code) => !done.includes(code));
    said.push(...known.filter((code) => asked.includes(code)).map((code) => table.isolations[code]));
    said.push(...asked.filter((code) => !known.includes(code)).map((code) => `Isolate: ${code}.`));
    said.push(...table.conflicts.filter((c) => meets(limits, c.when)).map((c) => c.words));
    return said;
  }

  /* ---- one observation: the words still possible per fact, and the candidate modes ---- */

  function unsaid(fact) {
    return fact.unknown ? [fact.unknown] : fact.words;
  }

  function scaled(text, places) {
    const [whole, part = ""] = text.split(".");
    return BigInt(whole + part.padEnd(places, "0"));
  }

  function bandOf(fact, number, places) {
    return fact.bands.findIndex(([, edge, closed]) => {
      if (edge === null) return true;
      const limit = scaled(edge, places);
      return number < limit || (closed && number === limit);
    });
  }

  function decimals(text) {
    return (text.split(".")[1] || "").length;
  }

  function wordsOf(fact, value, facts) {
    if (fact.words.includes(value)) return [value];
    const spread = fact.plus_minus ? String(facts[fact.plus_minus] ?? "") : "0";
    value = String(value);
    if (!fact.bands.length || !PLAIN.test(value) || !PLAIN.test(spread)) return fact.words;
    const edges = fact.bands.map((band) => band[1]).filter((edge) => edge !== null);
    const places = Math.max(...[value, spread, ...edges].map(decimals));
    const [middle, around] = [scaled(value, places), scaled(spread, places)];
    return fact.words.slice(bandOf(fact, middle - around, places), bandOf(fact, middle + around, places) + 1);
  }

  function said(observation, pattern) {
    const quality = Math.max(0, QUALITIES.indexOf(observation.quality ?? "seen"));
    const facts = observation.facts || {};
    const found = {};
    for (const [code, value] of Object.entries(facts)) {
      const fact = table.facts[code];
      if (!fact) continue;
      const words = wordsOf(fact, value, facts);
      found[code] = quality >= fact.needs ? words : [...words, ...unsaid(fact)];
    }
    const pipe = (pattern.pipes || {})[observation.part];
    if (table.facts.pipe && table.facts.pipe.words.includes(pipe)) found.pipe = [...(found.pipe || []), pipe];
    return found;
  }

  function possible(world, code) {
    return world[code] || unsaid(table.facts[code]);
  }

  function may(when, world) {
    return Object.entries(when).every(([code, words]) => possible(world, code).some((word) => words.includes(word)));
  }

  function candidates(observation, world) {
    const stated = modeNumber.has(observation.mode) ? [modeNumber.get(observation.mode)] : [];
    const quality = Math.max(0, QUALITIES.indexOf(observation.quality ?? "seen"));
    if (stated.length && quality >= 1) return stated;
    const symptom = table.symptoms[observation.symptom];
    if (symptom && !symptom.cant_tell) {
      return [...symptom.modes.filter((mode) => may(symptom.only[mode] || {}, world)), ...stated];
    }
    const part = table.parts[observation.part];
    const all = part ? part.modes : symptom ? symptom.modes : table.modes_in_use;
    const loose = world["may-fall"] || ["?"];
    const nothing = loose.every((word) => word === "no");
    return [...all.filter((mode) => !(nothing && table.modes[mode].obvious)), ...stated];
  }

  /* What the server folded; a code or word this table does not know counts as not said: the worst. */
  function recall({ modes = [], facts = {}, raised = 0 }) {
    const all = modes.every((code) => modeNumber.has(code));
    const told = ([code, words]) => table.facts[code] && words.every((word) => table.facts[code].words.includes(word));
    return {
      modes: all ? modes.map((code) => modeNumber.get(code)) : table.modes_in_use,
      world: Object.fromEntries(Object.entries(facts).filter(told)),
      raised,
    };
  }

  function read(fault, pattern) {
    if (fault.known) return recall(fault.known);
    const world = said(fault, pattern);
    const modes = [...new Set(candidates(fault, world))].sort((a, b) => a - b);
    const dead = table.facts["contacts-dead"];
    if (dead && dead.words.includes(pattern.contacts_dead)) world["contacts-dead"] = [pattern.contacts_dead];
    return { modes, world, raised: 0 };
  }

  /* ---- look up, join ---- */

  /* Numbers of the rows of a mode's sheet that are still possible. */
  function choices(mode, world) {
    let rows = [0];
    for (const [code, classes, count] of mode.facts) {
      const open = [...new Set(possible(world, code).map((word) => classes[word]))];
      rows = rows.flatMap((row) => open.map((choice) => row * count + choice));
    }
    return rows;
  }

  /* The join of finished cells (their numbers) at one place of the nine. */
  function joinCells(numbers, place, raised) {
    const cells = [...numbers].map((number) => table.cells[number]);
    const limits = settle(cells.map(([, number]) => table.limits[number]).reduce(joinRows, table.limits[0]));
    const situation = table.situations[Math.floor(place / table.weathers.length)];
    const category = Math.max(raised, ...cells.map(([worst]) => worst));
    return { category, limits: toNames(limits), words: limitWords(limits, situation) };
  }

  function gradeOne(mine, others) {
    const meet = (side, modes) => modes.some((mode) => side.includes(mode));
    const joined = table.combinations.filter(({ first, second }) =>
      others.some((o) => (meet(first, mine.modes) && meet(second, o.modes)) || (meet(second, mine.modes) && meet(first, o.modes))),
    );
    const found = Array.from({ length: table.situations.length * table.weathers.length }, () => new Set());
    for (const number of mine.modes) {
      const mode = table.modes[number];
      for (const row of choices(mode, mine.world)) mode.sheet[row].forEach((cell, i) => found[i].add(cell));
    }
    joined.forEach((rule) => rule.cells.forEach((cell, i) => found[i].add(cell)));
    return found.map((cells, i) => joinCells(cells, i, mine.raised));
  }

  function byCell(of) {
    const width = table.weathers.length;
    return Object.fromEntries(
      table.situations.map((situation, s) => [
        situation,
        Object.fromEntries(table.weathers.map(([weather], w) => [weather, of(s * width + w, situation)])),
      ]),
    );
  }

  function verdict(faults, pattern = {}) {
    const known = faults.map((fault) => read(fault, pattern));
    const graded = known.map((mine) => gradeOne(mine, known.filter((other) => other !== mine)));
    const end = (number, situation) => {
      const cells = graded.map((cells) => cells[number]);
      const all = cells.map((cell) => toRow(cell.limits)).reduce(joinRows, table.limits[0]);
      const limits = settle(all);
      return {
        category: Math.max(0, ...cells.map((cell) => cell.category)),
        limits: toNames(limits),
        words: limitWords(limits, situation),
      };
    };
    return {
      faults: graded.map((cells, i) => ({
        modes: known[i].modes.map((mode) => table.modes[mode].code),
        worst: Math.max(...cells.map((cell) => cell.category)),
        cells: byCell((number) => cells[number]),
      })),
      end: byCell(end),
    };
  }

  /* ---- the fleet: facts, and the standing of an end as known, with what is being reported ---- */

  const LETTERS = ["A", "B"];

  /* The facts with their columns made into units again; what is whole already is given back as it is. */
  function unpack(facts) {
    const from = facts?.units;
    if (!from?.runs) return facts;
    const units = from.runs.flatMap(([first, count, type, ...patterns]) =>
      [...Array(count).keys()].map((n) => {
        const ends = LETTERS.map((letter, i) => [letter, { pattern: patterns[i] }]).filter(([, made]) => made.pattern);
        return [n ? `${Number(first) + n}` : first, { type, ends: Object.fromEntries(ends) }];
      }),
    );
    const ends = units.flatMap(([, unit]) => Object.values(unit.ends));
    const column = (name, make) => from[name].split(",").forEach((word, i) => word && (ends[i][name] = make(word)));
    const parts = from.parts.length;
    column("now", String);
    column("weather", String);
    column("back", (word) =>
      Object.fromEntries(word.split(" ").map((n) => [from.parts[n % parts], n < parts ? 1 : 2])),
    );
    for (const [i, labels, shut] of from.on ?? []) Object.assign(ends[i], labels.length && { labels }, shut.length && { shut });
    for (const [i, set, set_in] of from.set) Object.assign(ends[i], Object.keys(set).length ? { set } : { set_in });
    for (const [i, ref, age, end, part, symptom, known, mode] of from.open) {
      const seen = new Date(Date.parse(facts.at) - age * 60000).toISOString().replace(/:\d\d\.\d+/, "");
      const found = { ref, seen, end, part, symptom, ...(mode && { mode }), known: { modes: [], facts: {}, raised: 0, ...known } };
      (units[i][1].open ??= []).push(found);
    }
    return { ...facts, units: Object.fromEntries(units) };
  }

  function worstWeather(...codes) {
    const order = table.weathers.map(([code]) => code);
    return order[Math.max(0, ...codes.map((code) => order.indexOf(code)))];
  }

  function alertAt(place, facts) {
    const typed = (place || "").trim().toLowerCase();
    const named = (facts?.places || []).find((row) => row.slice(0, 2).some((name) => name.toLowerCase() === typed));
    return named?.[3];
  }

  /* The standing of one end, {weather, now, shut, worst, findings, situations: {U, C, R: {category, limits, words}}}, or of
   * the worse of both for letter "?". Each fault counts at its `end`, without one at `letter`; faults combine with what is
   * open at the same end, those of an end not known among themselves. `weather` and `place` as the reporter says them.
   * worst: of the faults, null without any; findings: reference → worst of what is open; category: null without either.
   * sources: situation → [{ref, limits, category}] of each fault, and {limits} of what people set. */
  function end({ facts, unit, letter, faults = [], weather = "", place = "" }) {
    const known = facts?.units[unit];
    const reported = faults.map((fault) => ({ ...fault, end: fault.end || letter }));
    const all = [...reported, ...(known?.open || [])];
    const ends = known && letter === "?" ? Object.keys(known.ends) : [];
    const parts = (ends.length ? ends : [letter]).map((one) => {
      const at = known?.ends[one] || {};
      const mine = gradedAt(all, one, facts?.patterns?.[at.pattern]);
      const graded = one === "?" ? mine : [...mine, ...gradedAt(all, "?")];
      return { at, graded, weather: worstWeather(weather, alertAt(place, facts), at.weather) };
    });
    const graded = parts.flatMap((part) => part.graded);
    const worsts = graded.map((of) => [of.fault.ref, Math.max(...of.cells.map((cell) => cell.category))]);
    const fresh = worsts.filter(([ref]) => !ref).map(([, worst]) => worst);
    return {
      weather: worstWeather(...parts.map((part) => part.weather)),
      now: parts[0].at.now || "U",
      shut: shutAt(parts),
      worst: fresh.length ? Math.max(...fresh) : null,
      findings: Object.fromEntries(worsts.filter(([ref]) => ref)),
      situations: Object.fromEntries(table.situations.map((code) => [code, inSituation(code, parts)])),
      sources: Object.fromEntries(table.situations.map((code) => [code, sourcesIn(code, parts)])),
    };
  }

  function gradedAt(all, letter, pattern = {}) {
    const here = all.filter((fault) => fault.end === letter);
    const known = here.map((fault) => read(fault, pattern));
    return known.map((mine, i) => ({ fault: here[i], cells: gradeOne(mine, known.filter((other) => other !== mine)) }));
  }

  function sourcesIn(situation, parts) {
    const row = table.situations.indexOf(situation) * table.weathers.length;
    const cell = (of, weather) => of.cells[row + table.weathers.findIndex(([code]) => code === weather)];
    return parts.flatMap(({ at, graded, weather }) => [
      ...graded.map((of) => ({ ref: of.fault.ref, limits: cell(of, weather).limits, category: cell(of, weather).category })),
      { limits: at.set || at.set_in?.[situation] || {} },
    ]);
  }

  function inSituation(situation, parts) {
    const sources = sourcesIn(situation, parts);
    const limits = settle(sources.map((source) => toRow(source.limits)).reduce(joinRows, table.limits[0]));
    const categories = sources.filter((source) => "category" in source).map((source) => source.category);
    const category = categories.length ? Math.max(...categories) : null;
    return { category, limits: toNames(limits), words: limitWords(limits, situation, shutAt(parts)) };
  }

  const shutAt = ([first, ...more]) =>
    (first.at.shut || []).filter((code) => more.every(({ at }) => (at.shut || []).includes(code)));

  const words = (limits, situation, done) => limitWords(toRow(limits), situation, done);

  self.Rules = { load, verdict, join, words, unpack, end };
})();
