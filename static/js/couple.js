/* Can these two ends couple? The same answer as inspections/rules/coupling.py, from the published table's "coupling".
 *
 * self.Couple = {load(table), answer(one, other, place)}; Rules must hold the same table. answer() gives what
 * `coupling.told` gives. An end is {unit, letter, pattern, contacts, contacts_dead, pipes, about, running, others,
 * category, labels, height, sources: [{name, limits, situation, category}]}, a place {curve, gradient, weather}; what
 * is left out or null is not known. Limits are as Rules has them; heights and gradients are numbers or their text.
 */
"use strict";
(function () {
  let table = null;
  const SILENT = "This ruleset says nothing about coupling.";
  const LOOKED = ["heights", "curve", "gradient", "weather"];
  const APART = ["pair", "isolation"];
  const LIMITING = {
    about: "limits about to couple",
    running: "limits coupled and running",
    others: "limits of the rest of the unit",
    category: "open faults",
  };
  const PLAIN = /^[0-9]+(\.[0-9]+)?$/;

  function load(published) {
    table = published;
  }

  /* ---- exact numbers: [units, places] ---- */

  function number(value) {
    const text = String(value ?? "");
    if (!PLAIN.test(text)) return null;
    const [whole, part = ""] = text.split(".");
    return [BigInt(whole + part), part.length];
  }

  function difference(a, b) {
    const places = Math.max(a[1], b[1]);
    return [a[0] * 10n ** BigInt(places - a[1]) - b[0] * 10n ** BigInt(places - b[1]), places];
  }

  function size([units, places]) {
    return [units < 0n ? -units : units, places];
  }

  function plain([units, places]) {
    const digits = String(units).padStart(places + 1, "0");
    const part = digits.slice(digits.length - places).replace(/0+$/, "");
    return digits.slice(0, digits.length - places) + (places && part ? `.${part}` : "");
  }

  /* ---- the rungs, by ladder ---- */

  function rungs() {
    return Object.entries(table.coupling.rungs).map(([rule, rung], order) => {
      const [level, words = "", checks = [], conditions = [], agree = [], cautions = [], edge = "", source = ""] = rung;
      const dot = rule.indexOf(".");
      const [ladder, code] = [rule.slice(0, dot), rule.slice(dot + 1)];
      const look = code === "unknown" && LOOKED.includes(ladder);
      return { rule, ladder, code, order, look, level, words, checks, conditions, agree, cautions, edge, source };
    });
  }

  function range(all, ladder, value) {
    const within = all.filter((rung) => {
      if (rung.ladder !== ladder || !rung.edge) return false;
      const above = difference(value, number(rung.edge))[0];
      return ladder === "curve" ? above <= 0n : above > 0n;
    });
    return within.slice(-1).map((rung) => ({ ladder, code: rung.code, value: plain(value) }));
  }

  /* ---- what is so: {ladder, code, about, value, words, source} ---- */

  function ofBoth(all, one, other) {
    const so = [];
    const say = (ladder, code, source) => so.push({ ladder, code, source });
    if (one.unit && one.unit === other.unit) say("same", "unit", `unit ${one.unit}`);
    if (one.pattern && other.pattern) {
      const pair = [one.pattern, other.pattern].sort(byPoint).join(" ");
      say("pair", table.coupling.rungs[`pair.${pair}`] ? pair : "unsaid");
    }
    if (!one.contacts || one.contacts !== other.contacts) say("contacts", "differ", patterns(one, other));
    if (!(one.pipes || []).some((pipe) => (other.pipes || []).includes(pipe))) say("pipes", "none", patterns(one, other));
    const both = [name(one), name(other)].sort(byPoint).join(" and ");
    if (stands(one) && stands(other)) say("stand", "both", `limits of ${both}`);
    const [a, b] = [number(one.height), number(other.height)];
    return [...so, ...(a && b ? range(all, "heights", size(difference(a, b))) : [unknown("heights")])];
  }

  function unknown(ladder) {
    return { ladder, code: "unknown" };
  }

  function ofPlace(all, place) {
    const curve = number(place.curve);
    const gradient = number(String(place.gradient ?? "").replace(/^-/, ""));
    const straight = curve && curve[0] === 0n;
    const at = table.weathers.findIndex(([code]) => code === place.weather);
    const soFar = table.weathers.slice(0, at + 1).map(([code]) => code);
    const worst = all.filter((rung) => rung.ladder === "weather" && soFar.includes(rung.code)).slice(-1);
    return [
      ...(curve ? (straight ? [] : range(all, "curve", curve)) : [unknown("curve")]),
      ...(gradient ? range(all, "gradient", gradient) : [unknown("gradient")]),
      ...(at < 0 ? [unknown("weather")] : worst.map(({ ladder, code }) => ({ ladder, code }))),
    ];
  }

  function ofEnd(end) {
    const about = name(end);
    const so = [];
    const say = (ladder, code, more = {}) => so.push({ ladder, code, about, ...more });
    const missing = Object.keys(LIMITING).filter((key) => end[key] == null);
    if (!end.pattern) say("pattern", "unknown", { source: `what is known of ${about}` });
    if (end.contacts !== 0 && end.contacts_dead !== "yes") say("live", "maybe", { source: patterns(end) });
    if (missing.length) say("end", "unknown", { source: `not known: ${missing.map((key) => LIMITING[key]).join(", ")}` });
    if (end.category) {
      const same = (x) => situation(x) === "C" && x.category === end.category;
      say("category", table.categories[end.category], { source: named(end, same) });
    }
    (end.labels || []).forEach((value) => say("label", "fitted", { value, source: `label ${value}` }));
    if (stands(end)) say("stand", "one", { source: from(end, "move", "stand", ["C", ""]) });
    ofDials(end, say);
    ofIsolations(end, say);
    return so;
  }

  function ofDials(end, say) {
    const [about, running] = [end.about || {}, end.running || {}];
    const usual = (dial, value) => table.words[dial][value];
    const coupled = (dial, value) => (table.running[dial] || {})[value] || usual(dial, value);
    if (set(about, "couple")) {
      const [value, source] = [about.couple, from(end, "couple", about.couple, ["C"])];
      say("couple", value, { words: usual("couple", value), source });
    }
    if (set(running, "couple")) {
      const [value, source] = [running.couple, from(end, "couple", running.couple, ["R"])];
      say("running", value, { words: coupled("couple", value), source });
    }
    if (running.move === "stand") say("train", "stand", { source: from(end, "move", "stand", ["R"]) });
    for (const dial of ["uncouple", "rescue"]) {
      const values = table.dials[dial];
      const value = values[Math.max(0, values.indexOf(about[dial]), values.indexOf(running[dial]))];
      if (value !== values[0]) say(dial, value, { words: coupled(dial, value), source: from(end, dial, value, ["C", "R"]) });
    }
  }

  function ofIsolations(end, say) {
    for (const limits of [end.about, end.running]) {
      for (const code of (limits && limits.isolations) || []) {
        const here = (x) => situation(x) !== "" && (x.limits.isolations || []).includes(code);
        const own = table.coupling.rungs[`isolation.${code}`] ? code : "unlisted";
        say("isolation", own, { words: table.isolations[code] || `Isolate: ${code}.`, source: named(end, here) });
      }
    }
  }

  function name(end) {
    return `${end.unit || ""} ${end.letter || ""}`.trim();
  }

  function patterns(...ends) {
    return `pattern ${[...new Set(ends.map((end) => end.pattern || "not known"))].sort(byPoint).join(" and ")}`;
  }

  function set(limits, dial) {
    return table.dials[dial].indexOf(limits[dial]) > 0;
  }

  function stands(end) {
    return [end.about, end.others].some((limits) => limits && limits.move === "stand");
  }

  function situation(source) {
    return source.situation ?? "C";
  }

  function from(end, dial, value, situations) {
    const loosest = table.dials[dial][0];
    return named(end, (x) => situations.includes(situation(x)) && (x.limits[dial] || loosest) === value);
  }

  function named(end, which) {
    const names = [...new Set((end.sources || []).filter(which).map((x) => x.name))].sort(byPoint);
    return names.join("; ") || `limits of ${name(end)}, as known`;
  }

  /* ---- the answer ---- */

  /* In the order of Python: by code point, not by UTF-16 unit. */
  function byPoint(a, b) {
    const [left, right] = [a, b].map((text) => [...String(text)].map((point) => point.codePointAt(0)));
    const at = left.findIndex((point, i) => point !== right[i]);
    if (at < 0) return left.length - right.length;
    return at < right.length ? left[at] - right[at] : 1;
  }

  function climbed(all, { ladder, code }) {
    const ours = all.filter((rung) => rung.ladder === ladder);
    const top = ours.findIndex((rung) => rung.code === code);
    return code === "unknown" || APART.includes(ladder) ? [ours[top]] : ours.slice(0, top + 1);
  }

  function reasons(all, so) {
    const found = new Map();
    for (const { ladder, code, about = "", value = "", words, source } of so) {
      const rung = all.find((each) => each.rule === `${ladder}.${code}`);
      const said = (words || rung.words || pairWords(rung)).split("{value}").join(value);
      const reason = [rung.order, about, said, source || rung.source || table.coupling.source];
      found.set(JSON.stringify(reason), { reason, rung });
    }
    const sorted = [...found.values()].sort((a, b) => a.reason[0] - b.reason[0] || inOrder(a.reason, b.reason));
    const levels = Object.keys(table.coupling.levels);
    return sorted.map(({ reason: [, about, words, source], rung }) => {
      return { rule: rung.rule, about, level: levels[rung.level], words, source };
    });
  }

  function inOrder(a, b) {
    return byPoint(a[1], b[1]) || byPoint(a[2], b[2]) || byPoint(a[3], b[3]);
  }

  function pairWords(rung) {
    return rung.ladder === "pair" ? `${rung.code.replace(" ", " with ")}: ${Object.values(table.coupling.levels)[rung.level]}` : "";
  }

  function headline(section, level, once) {
    if (level === once) return [section.levels[level]];
    return [section.first, section.then.replace("{level}", () => section.levels[once])];
  }

  function answer(one, other, place) {
    const section = table && table.coupling;
    const lists = { words: [SILENT], reasons: [], cautions: [], first: [], checks: [], conditions: [], agree: [] };
    const none = { level: "no", once_checked: "no", ...lists, train: null };
    if (!section) return none;
    const all = rungs();
    const so = [...ofBoth(all, one, other), ...ofPlace(all, place), ...ofEnd(one), ...ofEnd(other)];
    const rules = new Set(["always.always", ...so.flatMap((x) => climbed(all, x)).map((rung) => rung.rule)]);
    const brought = all.filter((rung) => rules.has(rung.rule));
    const settled = brought.filter((rung) => !rung.look);
    const worst = (some) => Object.keys(section.levels)[Math.max(...some.map((rung) => rung.level))];
    const each = (some, key) => [...new Set(some.flatMap((rung) => rung[key]))];
    const [level, once] = [worst(brought), worst(settled)];
    const cautions = each(brought, "cautions").map((code) => section.cautions[code]);
    const told = { level, once_checked: once, words: headline(section, level, once), reasons: reasons(all, so), cautions };
    if (once === "no") return { ...none, ...told };
    return {
      ...told,
      first: each(brought.filter((rung) => rung.look), "checks"),
      checks: each(settled, "checks"),
      conditions: each(brought, "conditions"),
      agree: section.people.filter((person) => each(brought, "agree").includes(person)),
      train: [one.running, one.others, other.running, other.others].reduce((a, b) => Rules.join(a, b)),
    };
  }

  self.Couple = { load, answer };
})();
