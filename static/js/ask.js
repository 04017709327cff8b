// Can these two couple? The page of that name without signal: the same question and the same answer, made of what this
// phone keeps (facts and table). self.Ask = {answer(facts, asked), render(container)}; needs Store, Rules, Couple.
// asked: {one: [unit, letter], other: [unit, letter], place, apart, curve, gradient, weather}, texts, "" where nobody said.
"use strict";
(() => {
  const HOUR = 3600_000;
  const OLD = 12; // hours from which it is said aloud how old the facts are
  const LOOKED = ["heights.unknown", "curve.unknown", "gradient.unknown", "weather.unknown"];
  const PIPES = ["MRP", "BP"];
  const LETTERS = [["A", "A end"], ["B", "B end"]];
  const NOT_KNOWN = "not known";
  const BY_PEOPLE = "what people set";
  // Question → its label, help, most, pattern of a good answer.
  const MEASURED = {
    apart: ["Difference in height of the two heads, in mm", "As measured.", 2000, /^\d+(\.\d)?$/],
    curve: ["Radius of the curve there, in metres", "0 where it is straight.", 99_999, /^\d+$/],
    gradient: ["Gradient there, per mille", "0 where it is level.", 999, /^\d+(\.\d)?$/],
  };

  // ---- the answer

  const placeRow = (facts, code) => (facts.places ?? []).find(([one]) => one === code) ?? [];

  // The worst class that was said, is alerted at the place, or holds where either unit is.
  function weatherFor(facts, { one, other, place, weather }) {
    return [one, other].reduce((worst, [unit]) => Rules.end({ facts, unit, letter: "?", weather: worst, place }).weather, weather);
  }

  function sources(standing, situation) {
    return standing.sources[situation === "" ? standing.now : situation].map(({ ref, limits, category = 0 }) => {
      return { name: ref ? `report ${ref.slice(0, 4)} ${ref.slice(4)}` : BY_PEOPLE, limits, situation, category };
    });
  }

  // How the rest of the unit moves, not how its other end couples.
  function ofUnit({ limits: { move, passengers, speed, isolations } }) {
    return Rules.join({ move, passengers, speed, isolations }, {});
  }

  // [the end as Couple takes it, the standings it comes from]: of an end that is not here nothing is known.
  function side(facts, [unit, letter], weather, height) {
    const known = facts.units[unit]?.ends;
    if (!known?.[letter]) return { fact: { unit, letter, height }, far: [] };
    const pattern = facts.patterns[known[letter].pattern];
    const mine = Rules.end({ facts, unit, letter, weather });
    const far = Object.keys(known).filter((one) => one !== letter).map((one) => Rules.end({ facts, unit, letter: one, weather }));
    // What is shut or cut out there counts as well as what is asked to be.
    const cut = { isolations: known[letter].shut ?? [] };
    const cuts = ["C", "R"].map((situation) => ({ name: BY_PEOPLE, limits: cut, situation, category: 0 }));
    const fact = {
      unit, letter, height, pattern: known[letter].pattern, contacts: pattern.contacts, contacts_dead: pattern.contacts_dead,
      pipes: Object.values(pattern.pipes).filter((pipe) => PIPES.includes(pipe)),
      about: Rules.join(mine.situations.C.limits, cut), running: Rules.join(mine.situations.R.limits, cut),
      others: far.map((end) => ofUnit(end.situations[end.now])).reduce(Rules.join, Rules.join({}, {})),
      // Facts from before labels and contacts were carried: what hangs there is not known, so nothing may be joined.
      category: pattern.contacts === undefined ? null : mine.situations.C.category ?? 0, labels: known[letter].labels ?? [],
      sources: [...sources(mine, "C"), ...sources(mine, "R"), ...far.flatMap((end) => sources(end, "")), ...cuts],
    };
    return { fact, mine, far };
  }

  // {answer: as Couple gives it, sides, where, weather}.
  function answer(facts, asked) {
    const [, , , , radius, gradient] = placeRow(facts, asked.place);
    const weather = weatherFor(facts, asked);
    const where = { curve: asked.curve || radius || null, gradient: asked.gradient || gradient || null, weather };
    const sides = [side(facts, asked.one, weather, asked.apart || null), side(facts, asked.other, weather, asked.apart ? "0" : null)];
    return { answer: Couple.answer(sides[0].fact, sides[1].fact, where), sides, where, weather };
  }

  // ---- boxes

  function make(tag, css, ...inside) {
    const made = Object.assign(document.createElement(tag), { className: css });
    made.append(...inside);
    return made;
  }

  const para = (...inside) => make("p", "", ...inside);
  const strong = (words) => make("strong", "", words);
  const list = (css, items) => make("ul", css, ...items.map((item) => make("li", "", ...[].concat(item))));
  const capital = (words) => words[0].toUpperCase() + words.slice(1);
  const nameOf = ({ unit, letter }) => `${unit} ${letter}`;
  const plain = (text) => (text.includes(".") ? text.replace(/\.?0+$/, "") : text).replace(/^0+(?=\d)/, "");

  const titled = (title, items) => (items.length ? [make("h3", "", title), list("", items)] : []);

  function when(time) {
    const at = new Date(time);
    return `${at.toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" })}, ${at.toTimeString().slice(0, 5)}`;
  }

  function taken(facts, table, asked, { where, weather }) {
    const name = table.weathers.find(([code]) => code === weather)[1];
    const { curve, gradient } = where;
    const bend = curve === null ? NOT_KNOWN : Number(curve) ? `${plain(curve)} m` : "none, straight track";
    return [
      `Place: ${placeRow(facts, asked.place)[1] ?? "not said"}.`, `Weather: ${name}.`,
      `Heights: ${asked.apart ? `${plain(asked.apart)} mm apart` : NOT_KNOWN}.`, `Curve: ${bend}.`,
      `Gradient: ${gradient === null ? NOT_KNOWN : `${plain(gradient)} per mille`}.`,
    ].join(" ");
  }

  function why({ coupling }, { rule, about, words, source, level }) {
    const allowed = LOOKED.includes(rule) ? coupling.first : level === "full" ? "" : coupling.levels[level];
    const most = words.includes(allowed) ? [] : [" ", strong(allowed)];
    return [...(about ? [strong(`${about}:`), " "] : []), words, ...most, " ", make("span", "soft", `(${source})`)];
  }

  function known(kept) {
    const hours = Math.floor(age(kept) / HOUR);
    return `As known at ${when(kept.facts.at)}${hours ? `, ${hours === 1 ? "1 hour" : `${hours} hours`} ago` : ""}.`;
  }

  const age = ({ facts, now }) => Math.max(0, now - Date.parse(facts.at));

  function verdict(kept, asked, found) {
    const { answer: said, sides } = found;
    const { table } = kept;
    const train = said.train && Rules.words(said.train, "R");
    const box = make("section", "standing",
      make("h2", "", sides.map(({ fact }) => nameOf(fact)).join(" with ")),
      make("div", "standing-now", list("limits", said.words)),
      ...titled("Look first", said.first), ...titled("Who must agree", said.agree.map(capital)),
      ...titled("On these conditions", said.conditions), ...titled("Check", said.checks),
      ...(train ? titled("What holds for both once joined", train.length ? train : ["No limit is recorded here."]) : []),
      ...titled("Why", said.reasons.map((reason) => why(table, reason))),
      make("p", "known", `${known(kept)} ${taken(kept.facts, table, asked, found)} This says what joins. It never says that a unit may run: the rule book, the signaller and control decide.`));
    box.id = "answer";
    return box;
  }

  function caution(said) {
    const box = make("div", "caution", make("p", "caution-title", "Take care"), list("", said.cautions));
    box.setAttribute("role", "note");
    box.setAttribute("aria-label", "Take care");
    return box;
  }

  function notes({ mine, far }) {
    if (!mine) return ["Not on the list on this phone: nothing is known of it."];
    return [
      ...(mine.now === "R" ? ["This end is recorded as coupled now."] : []),
      ...(far.some((end) => end.now === "R") ? ["The other end is recorded as coupled: what is coupled there is not in this answer."] : []),
    ];
  }

  function card(one) {
    const { fact, mine } = one;
    const stand = mine ? mine.situations.C.words : [];
    const facts = make("dl", "facts");
    for (const [name, value] of [
      ["Pattern", fact.pattern ?? NOT_KNOWN], ["Labels", (fact.labels ?? []).join(", ") || "none recorded"],
      ["About to couple", stand.length ? list("", stand) : mine ? "No limit is recorded here." : NOT_KNOWN],
    ]) facts.append(make("dt", "", name), make("dd", "", value));
    return make("li", "card", make("h2", "", nameOf(fact)), facts, ...notes(one).map((said) => para(said)));
  }

  // ---- the question

  const field = (name, label, input, help) => {
    const title = Object.assign(make("label", "", label), { htmlFor: input.id });
    const box = make("div", "field", title, ...(help ? [Object.assign(make("div", "help", help), { id: `${input.id}_helptext` })] : []), input);
    if (help) input.setAttribute("aria-describedby", `${input.id}_helptext`);
    return Object.assign(box, { id: `div_id_${name}` });
  };

  const skippable = (words) => [words, " ", make("span", "skippable", "(you can skip this)")];

  function text(name, label, value, { help, mode = "numeric", optional = false } = {}) {
    const input = Object.assign(make("input", ""), { id: `id_${name}`, type: "text", name, value, autocomplete: "off", inputMode: mode });
    const box = field(name, "", input, help);
    box.firstElementChild.append(...(optional ? skippable(label) : [label]));
    return box;
  }

  function radios(name, label, choices, value, optional = false) {
    const answers = choices.map(([code, words], i) => {
      const input = Object.assign(make("input", ""), { type: "radio", name, value: code, id: `id_${name}_${i}`, checked: code === value });
      return make("div", "answer", input, Object.assign(make("label", "", words), { htmlFor: input.id }));
    });
    const legend = make("legend", "", ...(optional ? skippable(label) : [label]));
    return Object.assign(make("fieldset", "field", legend, make("div", "answers inline", ...answers)), { id: `div_id_${name}` });
  }

  function places(facts, value) {
    const rows = [["", "Not on the list, or not said"], ...(facts.places ?? [])];
    const select = Object.assign(make("select", ""), { id: "id_place", name: "place" });
    select.append(...rows.map(([code, name]) => Object.assign(make("option", "", name), { value: code, selected: code === value })));
    const box = field("place", "", select);
    box.firstElementChild.append(...skippable("Place"));
    return box;
  }

  function question({ facts, table, unit }, query) {
    const said = (name) => query.get(name) ?? "";
    const measured = (name) => text(name, MEASURED[name][0], said(name), { help: MEASURED[name][1], mode: "decimal", optional: true });
    const classes = [["", "As alerted"], ...table.weathers.map(([code, name]) => [code, capital(name)])];
    const form = make("form", "",
      text("one", "One unit", query.has("one") ? said("one") : unit), radios("one_end", "Its end", LETTERS, said("one_end")),
      text("other", "The other unit", said("other")), radios("other_end", "Its end", LETTERS, said("other_end")),
      make("h2", "", "Where, and what was looked at there"),
      para("Leave out what nobody looked at: then what is recorded of the place counts."),
      places(facts, said("place")), ...Object.keys(MEASURED).map(measured),
      radios("weather", "Weather there", classes, said("weather"), true),
      make("div", "actions", make("button", "primary", "Say whether they can couple")));
    return Object.assign(form, { method: "get", action: "/couple/", noValidate: true, autocomplete: "off" });
  }

  // A unit's number as typed, tidied; "" where it can be none. Of "205 A" it is 205.
  function tidy(typed, facts) {
    const given = typed.replace(/\s/g, "").toUpperCase();
    return facts.units[given] ? given : given.match(/^(\d{3,6})(?:[AB](?:END)?)?$/)?.[1] ?? "";
  }

  // {asked, wrong: [[question, words], …]}
  function read({ facts, table }, query) {
    const wrong = [];
    const said = (name) => (query.get(name) ?? "").trim();
    const ends = ["one", "other"].map((name) => {
      const [unit, letter] = [tidy(said(name), facts), said(`${name}_end`)];
      if (!unit) wrong.push([name, "Enter the unit number, 3 to 6 digits"]);
      if (!["A", "B"].includes(letter)) wrong.push([`${name}_end`, "Choose which end of each unit"]);
      return [unit, letter];
    });
    const numbers = Object.entries(MEASURED).map(([name, [label, , most, good]]) => {
      const given = said(name);
      if (given && !good.test(given)) wrong.push([name, `“${label}” is not understood`]);
      else if (given && Number(given) > most) wrong.push([name, `“${label}”: at most ${most}`]);
      return [name, given];
    });
    const weather = table.weathers.some(([code]) => code === said("weather")) ? said("weather") : "";
    return { asked: { one: ends[0], other: ends[1], place: said("place"), weather, ...Object.fromEntries(numbers) }, wrong };
  }

  function mark(form, [name, words]) {
    const box = form.querySelector(`#div_id_${name}`);
    const error = Object.assign(make("div", "error", para(words)), { id: `id_${name}_error` });
    box.classList.add("bad");
    box.querySelector("legend, label").after(error);
    const input = box.querySelector("input");
    (box.tagName === "FIELDSET" ? box : input).setAttribute("aria-describedby", error.id);
    if (input.type === "text") input.setAttribute("aria-invalid", "true");
    return [Object.assign(make("a", "", words), { href: `#${input.id}` })];
  }

  function problems(form, wrong) {
    const box = make("div", "problems", make("h2", "", "Problem: please put this right"), list("", wrong.map((one) => mark(form, one))));
    box.setAttribute("role", "alert");
    form.prepend(box);
  }

  // ---- the page

  async function kept() {
    const [facts, table] = [await Store.read("facts", "facts"), await Store.read("facts", "table")];
    if (!facts || !table) return null;
    Rules.load(table);
    Couple.load(table);
    const [unit, clock] = [await Store.read("meta", "unit"), await Store.read("meta", "clock")];
    return { facts: Rules.unpack(facts), table, unit: unit ?? "", now: Date.now() - (clock ?? 0) };
  }

  function stale(all) {
    const hours = Math.floor(age(all) / HOUR);
    if (hours < OLD) return [];
    return [make("p", "message warning", `This phone last heard of the units ${hours < 48 ? `${hours} hours` : `${Math.floor(hours / 24)} days`} ago. Ask control what they may do.`)];
  }

  // Fill the container for this page's address: the question, and with two ends in it the answer first.
  async function render(container) {
    const all = await kept();
    if (!all) return container.replaceChildren(make("p", "message", "The units are not on this phone yet. They come when this page is open where there is signal."));
    const query = new URLSearchParams(location.search);
    const form = question(all, query);
    if (!query.has("other")) return container.replaceChildren(...stale(all), form);
    const { asked, wrong } = read(all, query);
    if (wrong.length) {
      problems(form, wrong);
      return container.replaceChildren(form);
    }
    const found = answer(all.facts, asked);
    container.replaceChildren(...stale(all), verdict(all, asked, found), caution(found.answer),
      make("ul", "cards", ...found.sides.map(card)), make("h2", "", "Ask again"), form);
  }

  self.Ask = { answer, render };
})();
