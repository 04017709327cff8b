// The pages without signal, by their address, from what this phone keeps. On the logbook's own pages: what is on this
// phone and not sent (#on-phone), and whether it is ready without signal (#ready). Words only: nothing is taken as markup.
"use strict";
(() => {
  const HOUR = 3600_000;
  const INTOLERABLE = 3;
  const SITUATIONS = { U: "Uncoupled", C: "About to couple", R: "Coupled and running" };
  const get = (id) => document.getElementById(id);
  const shell = get("shell");
  const [at, query] = [location.pathname, new URLSearchParams(location.search)];
  let offer; // the browser's own way to put this page on the home screen

  // ---- words and boxes

  // "p.known" and what is in it.
  function make(what, ...inside) {
    const [tag, ...css] = what.split(".");
    const made = Object.assign(document.createElement(tag), { className: css.join(" ") });
    made.append(...inside);
    return made;
  }

  const link = (words, href, what = "a") => Object.assign(make(what, words), { href });
  const status = (id, ...inside) => Object.assign(make("p", ...inside), { id, role: "status" });
  const button = (id, words, what, onclick) => Object.assign(make(what, words), { type: "button", id, onclick });
  const plural = (count, one, many) => (count === 1 ? one : many.replace("#", count));
  const capital = (words) => words[0].toUpperCase() + words.slice(1);
  const number = (unit) => make("span.unit-number", unit);
  const reporting = (unit, more = "") => `/reports/new/?${unit ? `unit=${encodeURIComponent(unit)}` : ""}${more}`;
  const page = (unit) => `/units/${encodeURIComponent(unit)}/`;

  function when(time) {
    const day = new Date(time);
    const clock = day.toTimeString().slice(0, 5);
    if (day.toDateString() === new Date().toDateString()) return clock;
    return `${day.toLocaleDateString("en-GB", { day: "numeric", month: "long" })}, ${clock}`;
  }

  function age(ms) {
    const hours = Math.floor(ms / HOUR);
    return hours < 48 ? plural(hours, "1 hour", "# hours") : `${Math.floor(hours / 24)} days`;
  }

  const field = (id, words, input) => make("div.field", Object.assign(make("label", words), { htmlFor: id }), input);
  const typed = (id, type) => Object.assign(make("input"), { id, type, inputMode: "numeric", autocomplete: "off" });

  // ---- what this phone knows

  async function known() {
    const meta = (name, otherwise) => Store.read("meta", name).then((value) => value ?? otherwise);
    const [person, table, facts] = [await Outbox.person(), await Store.read("facts", "table"), await Store.read("facts", "facts")];
    if (table) Rules.load(table);
    return {
      person, table,
      facts: (table && Rules.unpack(facts)) || null,
      unit: await meta("unit", ""),
      recent: await meta("recent", []),
      now: Date.now() - (await meta("clock", 0)),
      reports: await Outbox.mine(),
      drafts: (await Store.all("drafts")).filter((draft) => draft.author === person?.id),
    };
  }

  const old = ({ facts, now }) => now - Date.parse(facts.at);

  // How old the facts are, in words; from half a day on a warning.
  function stale(all) {
    if (!all.facts) return [make("p.message", "The units are not on this phone yet. They come when this page is open where there is signal.")];
    return old(all) < 12 * HOUR ? [] : [make("p.message.warning", `What this phone knows is ${age(old(all))} old. Ask control what the unit may do.`)];
  }

  function knownLine(all, weather) {
    const named = all.table.weathers.find(([code]) => code === weather);
    const ago = old(all) < HOUR ? "" : `, ${age(old(all))} ago`;
    return make("p.known", `As known at ${when(all.facts.at)}${ago}${named ? `, weather: ${named[1]}` : ""}. No entry here is leave to run: the rule book, the signaller and control decide.`);
  }

  function standings({ facts }, unit) {
    return Object.keys(facts.units[unit].ends).map((letter) => [letter, Rules.end({ facts, unit, letter })]);
  }

  function limits(words) {
    return words.length ? make("ul.limits", ...words.map((said) => make("li", said))) : make("p.limits", "No limit is recorded here.");
  }

  const situation = (title, words, now) => make(`div.standing-${now ? "now" : "then"}`, make("p.standing-when", title), limits(words));
  const openWords = ({ open = [] }) => (open.length ? plural(open.length, "1 open report", "# open reports") : "no open reports");

  // ---- one's own reports

  const waits = ({ state, photos }) => state !== "received" || photos.sent < photos.all;

  function whereabouts({ state, refs, seen, words, filed, received, sending, photos, about = {}, states = [] }) {
    if (state === "attention") return ["We couldn’t send it. It is safe on this phone. Try again, or call control.", words];
    if (state !== "received") return [sending ? "Sending your report…" : "Saved on this phone. Not sent yet."];
    const left = photos.all - photos.sent;
    const looked = seen ? `Seen by control ${when(seen)}.` : "Control has not looked yet.";
    return [
      ...(filed === "quarantined" ? [words] : refs.length ? refs.map((ref) => `The logbook has your report, ${ref.slice(0, 4)} ${ref.slice(4)}, ${when(received)}.`)
        : [about.coupled ? `The logbook has it, ${when(received)}.` : `The logbook has your look, ${when(received)}. Nothing was found.`]),
      ...(states.length ? states : refs.length ? [looked] : []),
      ...(left ? [plural(left, "The photo is still on this phone.", "# photos are still on this phone.")] : []),
    ];
  }

  function card(report) {
    const { about = {}, id, unit, saved, state } = report;
    const title = `${unit}, ${about.end}: ${about.part || "looked, nothing found"}`;
    const css = state === "attention" ? ".sync-failed" : report.sending ? ".sync-sending" : waits(report) ? ".sync-phone" : "";
    const waited = Date.now() - saved;
    const nagging = waits(report) && waited > HOUR;
    const call = about.worst === INTOLERABLE && !report.seen;
    return make(`li.card${css}`, make("h2", link(title, `/reports/new/#sent-${id}`, "a.whole")), ...(about.fault ? [make("p", about.fault)] : []),
      ...(call ? [make("p.call", "Call control now. The call is the report.")] : []),
      ...[...new Set(whereabouts(report))].filter(Boolean).map((line) => make("p", make("strong", line))),
      ...(nagging ? [make("p.old", `This report has been on your phone for ${age(waited)}. Nobody else can see it.`)] : []),
      make("p.soft", `Saved ${when(saved)}`));
  }

  function begun({ unit, at: last }) {
    return make("p.message", `You started a report${unit && ` on unit ${unit}`} at ${when(last)}. It’s all here. `, link("Carry on", reporting(unit)));
  }

  async function handOver() {
    const name = `reports-${new Date().toISOString().slice(0, 16).replace(":", "")}.json`;
    const file = URL.createObjectURL(await Outbox.handOver());
    Object.assign(link("", file), { download: name }).click();
    setTimeout(() => URL.revokeObjectURL(file), 60_000);
    get("handed").textContent = `${name} is made. Give it to control: they load it under “New reports”, “Kept whole”, “Load a file that a phone handed over”. Your reports stay here until the logbook has them.`;
  }

  // Send now, hand over, and what became of it; nothing where all is sent.
  function sending(reports, what) {
    if (!reports.some(waits)) return [];
    return [
      make("div.actions", button("send-now", "Send now", what, () => dispatchEvent(new Event("outbox-send"))),
        button("hand-over", "Hand over a file", "button", handOver)),
      status("handed", "No signal for long? Control can load a file of what is not sent."),
    ];
  }

  // ---- the pages: {h1, body}

  const starting = (words = "Go to the start page") => link(words, "/", "a.primary");
  const notice = (title, words, ...links) => ({ h1: [title], body: [make("p", words), make("div.actions", ...links)] });

  function start(all) {
    const { unit, facts, reports, drafts } = all;
    const row = facts?.units[unit];
    const damage = link("Report damage", reporting(unit), unit ? "a.primary" : "a.secondary");
    const head = unit
      ? [make("p.beside", make("span", row?.type ?? ""), link("Change unit", "/units/pick/", "a.secondary")), make("div.actions", damage)]
      : [make("p", "Pick the unit you have today. Then it is here, large, with what it may still do."), make("div.actions", link("Pick a unit", "/units/pick/", "a.primary"), damage)];
    return {
      h1: unit ? ["Today’s unit ", number(unit)] : ["No unit picked yet"],
      body: [
        ...drafts.map(begun), ...head, ...stale(all), ...(unit ? today(all, row) : []), make("h2", "My reports"),
        ...(reports.length ? [make("ul.cards", ...reports.slice(0, 3).map(card)), make("p.links", link("All my reports on this phone", "/reports/"))]
          : [make("p.empty", "No report is on this phone.")]),
      ],
    };
  }

  function today(all, row) {
    const { unit } = all;
    const looked = make("div.actions", link("Looked, nothing found", reporting(unit, "&found=nothing"), "a.secondary"));
    const unknown = make("p.message", `Nothing is known of unit ${unit} on this phone. Ask control what it may do.`);
    if (!row) return [...(all.facts ? [unknown] : []), looked];
    const ends = standings(all, unit);
    const parts = ends.map(([letter, { now, situations }]) => situation(`${letter} end, ${SITUATIONS[now].toLowerCase()}`, situations[now].words, true));
    return [
      make("section.standing", make("h2", "What it may still do"), ...parts, knownLine(all, ends[0]?.[1].weather)), looked,
      make("p.links", link(`All of ${unit}: ${openWords(row)}, other situations`, page(unit))),
    ];
  }

  // The whole unit: the worst of its ends in what holds for a unit, the better end for rescue; then what one end adds.
  function unitWords(ends) {
    const now = ends.map(([, end]) => end.situations[end.now]);
    const joined = now.map((one) => ({ ...one.limits, couple: "", uncouple: "", rescue: "" })).reduce((a, b) => Rules.join(a, b), {});
    joined.rescue = now.every((one) => one.limits.rescue === "no") ? "no" : "yes";
    const asked = ends.flatMap(([, end]) => end.situations[end.now].limits.isolations.filter((code) => !end.shut.includes(code)));
    const whole = Rules.words(joined, "", (joined.isolations || []).filter((code) => !asked.includes(code)));
    return [...whole, ...ends.flatMap(([letter], i) => now[i].words.filter((said) => !whole.includes(said)).map((said) => `${letter} end: ${said}`))];
  }

  function units(all) {
    if (!all.facts) return { h1: ["Units"], body: stale(all) };
    const cards = Object.entries(all.facts.units).map(([unit, row]) => {
      const ends = standings(all, unit);
      const made = make("li.card", make("h2", link(unit, page(unit), "a.whole.unit-number"), ` ${row.type}`),
        limits(ends.length ? unitWords(ends) : []), make("p", capital(openWords(row))));
      made.dataset.unit = unit;
      return made;
    });
    const count = status("count");
    const input = typed("find", "search");
    input.oninput = () => {
      const wanted = input.value.replace(/\s/g, "").toUpperCase();
      for (const one of cards) one.hidden = !one.dataset.unit.includes(wanted);
      count.textContent = plural(cards.filter((one) => !one.hidden).length, "1 unit", "# units");
    };
    input.oninput();
    return { h1: ["Units"], body: [...stale(all), field("find", "Find a unit", input), count, knownLine(all), make("ul.cards", ...cards)] };
  }

  // ---- one unit

  function finding({ facts, table }, unit, found, worst) {
    const parts = Object.values(facts.units[unit].ends).flatMap((end) => facts.patterns[end.pattern].parts);
    const part = parts.find(([code]) => code === found.part)?.[1] ?? table.parts[found.part]?.name ?? found.part;
    const mode = found.mode && table.modes.find(({ code }) => code === found.mode)?.name;
    const fault = mode ?? (table.symptoms[found.symptom]?.words || found.symptom || "what is wrong was not said");
    const word = table.categories[worst];
    return make("li.card", make("h3", `${part}: ${fault}`), make(`div.band.band-${word}`, make("p.band-name", capital(word))),
      make("p", `First seen ${when(found.seen)}, `, make("span.ref", `${found.ref.slice(0, 4)} ${found.ref.slice(4)}`)));
  }

  function findings(all, unit, letter, graded) {
    const rows = (all.facts.units[unit].open ?? []).filter((found) => found.end === letter);
    return rows.map((found) => finding(all, unit, found, graded[found.ref]));
  }

  function oneEnd(all, unit, letter, end) {
    const order = [end.now, ...Object.keys(SITUATIONS).filter((code) => code !== end.now)];
    const parts = order.map((code, i) => situation(i ? SITUATIONS[code] : `Now: ${SITUATIONS[code].toLowerCase()}`, end.situations[code].words, !i));
    const cards = findings(all, unit, letter, end.findings);
    return [
      make("section.standing", make("h2", `What the ${letter} end of ${unit} may still do`), ...parts, knownLine(all, end.weather)),
      make("h2", `Open reports, ${letter} end`), ...picture(all, unit, letter),
      cards.length ? make("ul.cards", ...cards) : make("p", `No open reports on the ${letter} end of ${unit}.`),
    ];
  }

  // The coupler face with the parts that have an open report; the drawing is that of the report page this phone keeps.
  function picture({ facts, faces }, unit, letter) {
    const { ends, open = [] } = facts.units[unit];
    const slots = open.filter((found) => [letter, "?"].includes(found.end)).map((found) => found.part);
    const face = faces?.querySelector(`[data-drawing="${facts.patterns[ends[letter].pattern].drawing}"] svg`);
    const marked = [...(face?.querySelectorAll(".part") ?? [])].filter((part) => slots.includes(part.dataset.slot));
    if (!marked.length) return [];
    for (const part of face.querySelectorAll(".part")) part.classList.toggle("marked", marked.includes(part));
    return [document.importNode(face, true), make("p.help", `Seen facing the ${letter} end. Parts with an open report are drawn heavy.`)];
  }

  async function faces() {
    const kept = await self.caches?.match("/phone/report/");
    return kept && new DOMParser().parseFromString(await kept.text(), "text/html");
  }

  async function unit(all, wanted) {
    const row = all.facts?.units[wanted];
    const damage = link("Report damage on this unit", reporting(wanted), "a.primary");
    if (all.facts && !row) {
      return notice(`Unit ${wanted} is not on the list on this phone`, "Damage on it can be reported all the same. Is the number right?", damage, link("See all units", "/units/", "a.secondary"));
    }
    const body = [...(row ? [make("p", `${row.type}, ${openWords(row)}`)] : []), ...stale(all), make("div.actions", damage)];
    if (row) {
      const drawn = { ...all, faces: await faces().catch(() => null) };
      const ends = standings(all, wanted);
      const nowhere = findings(all, wanted, "?", ends[0]?.[1].findings ?? {});
      body.push(...ends.flatMap(([letter, end]) => oneEnd(drawn, wanted, letter, end)));
      if (nowhere.length) body.push(make("h2", "End not known: both ends carry the worst case"), make("ul.cards", ...nowhere));
    }
    return { h1: ["Unit ", number(wanted)], body };
  }

  // ---- which unit

  async function take(chosen) {
    const recent = ((await Store.read("meta", "recent")) ?? []).filter((other) => other !== chosen);
    const kept = { unit: chosen, "unit-picked": chosen, recent: [chosen, ...recent].slice(0, 6) };
    await Store.write(Object.entries(kept).map(([key, value]) => ["put", "meta", value, key]));
    location.assign(query.get("then") === "report" ? reporting(chosen) : "/");
  }

  // The number as typed, tidied; undefined where it can be none. Of "205 A" it is 205. It need not be on the list.
  function tidy(text, facts) {
    const given = text.replace(/\s/g, "").toUpperCase();
    return facts?.units[given] ? given : given.match(/^(\d{3,6})(?:[AB](?:END)?)?$/)?.[1];
  }

  function pick(all) {
    const input = typed("id_unit", "text");
    const box = field("id_unit", "Unit number", input);
    const error = Object.assign(make("p.error"), { id: "id_unit_error", role: "alert" });
    const form = Object.assign(make("form", box, make("div.actions", make("button.primary", "Use this unit"))), { noValidate: true });
    form.onsubmit = (event) => {
      event.preventDefault();
      const given = tidy(input.value, all.facts);
      if (given) return take(given);
      error.textContent = "Enter the unit number, 3 to 6 digits";
      input.before(error);
      box.classList.add("bad");
      Object.assign(input, { ariaInvalid: "true" }).setAttribute("aria-describedby", error.id);
      input.focus();
    };
    const recent = all.recent.map((other) => Object.assign(button("", "", "button", () => take(other)), { textContent: other }));
    return {
      h1: ["Which unit do you have?"],
      body: [
        form, ...(recent.length ? [make("h2", "Your recent units"), make("div.parts", ...recent)] : []),
        ...(all.unit ? [make("p.links", link(`Keep ${all.unit}`, "/"))] : []),
      ],
    };
  }

  function reports({ reports: mine, drafts }) {
    const cards = mine.length ? make("ul.cards", ...mine.map(card))
      : make("div.empty", make("p", "You have not reported anything on this phone."), make("p", link("Report damage", reporting())));
    return { h1: ["My reports"], body: [...drafts.map(begun), ...sending(mine, "button.primary"), cards] };
  }

  const elsewhere = () => notice("No signal here", "This page needs the logbook. What you have saved on this phone is safe.", starting(), link("Report damage", reporting(), "a.secondary"));
  const signedOut = () => notice("Nobody is signed in on this phone", "Units and reports are shown to whoever is signed in; signing in needs signal. What was saved here is kept for whoever saved it.", link("Sign in", `/sign-in/?next=${encodeURIComponent(at)}`, "a.primary"));
  const blocked = () => notice("This browser keeps nothing", "Without signal it can show nothing, and no report can wait here. Allow this site to keep data, or report where there is signal.", link("Report damage", "/reports/new/?plain=1", "a.primary"));

  function receipt(all, id) {
    if (!all.reports.some((report) => report.id === id)) return elsewhere();
    location.replace(`/reports/new/#sent-${id}`);
    return { h1: ["Receipt"], body: [] };
  }

  function plain(part) {
    try {
      return decodeURIComponent(part);
    } catch {
      return part;
    }
  }

  async function couple() {
    const box = make("div");
    await Ask.render(box);
    return { h1: ["Can these two couple?"], body: [box] };
  }

  // Address, what fills the page, and whether it changes with what is sent; the others change with the facts alone.
  const PAGES = [
    [/^\/(phone\/)?$/, start, true],
    [/^\/reports\/$/, reports, true],
    [/^\/reports\/([0-9a-f-]{36})\/$/, receipt],
    [/^\/couple\/$/, couple],
    [/^\/units\/$/, units],
    [/^\/units\/pick\/$/, pick],
    [/^\/units\/([^/]+)\/$/, (all, given) => unit(all, plain(given).toUpperCase())],
    [/^/, elsewhere],
  ];

  // ---- showing

  // New content only where it says something new; the focus stays on the button it was on.
  function put(box, content) {
    const holder = make("div", ...content);
    if (box.dataset.said === holder.textContent) return;
    box.dataset.said = holder.textContent;
    const focused = document.activeElement?.id;
    box.replaceChildren(...holder.childNodes);
    if (focused) get(focused)?.focus();
  }

  function frame(person) {
    const box = get("person");
    box.hidden = get("nav").hidden = !person;
    box.firstElementChild.textContent = person?.name ?? "";
    box.lastElementChild.onclick = () => Phone.leave(null);
    for (const one of get("nav").querySelectorAll("a")) if (one.pathname === at) one.setAttribute("aria-current", "page");
  }

  // {h1, body}; null where the page says it already.
  async function content() {
    const all = await known();
    frame(all.person);
    const [pattern, fill, live] = PAGES.find(([one]) => one.test(at));
    const from = `${all.person?.id} ${all.facts?.at}`;
    if (!live && shell.dataset.from === from) return null;
    shell.dataset.from = from;
    return all.person ? fill(all, at.match(pattern)[1]) : signedOut();
  }

  // What to show where the store cannot be read: nothing at all where something is shown already.
  function instead(error) {
    if (!error.kind) console.error(error);
    if (error.kind === "blocked") return blocked();
    return shell.dataset.said ? null : elsewhere();
  }

  async function showPage() {
    const shown = await content().catch(instead);
    if (!shown || shell.querySelector("input:focus")) return;
    const title = document.querySelector("h1");
    title.replaceChildren(...shown.h1);
    document.title = `${title.textContent} – Coupler Logbook`;
    put(shell, shown.body);
  }

  // The logbook answers: this page can be had anew.
  async function lookAgain() {
    const answer = await fetch("/phone/session/", { cache: "no-store", redirect: "manual" }).catch(() => null);
    const back = /json/.test(answer?.headers.get("content-type"));
    put(get("again"), back ? ["There is signal again. ", link("Load this page", location.href)] : []);
  }

  async function showUnsent() {
    const rows = (await Outbox.mine()).filter(waits);
    get("on-phone").hidden = !rows.length;
    put(get("on-phone"), [make("h2", "On this phone, not sent"), make("ul.cards", ...rows.map(card)), ...sending(rows, "button")]);
  }

  // Ready without signal? And the units picked in the logbook, for the page without it.
  async function showReady() {
    const box = get("ready");
    const recent = JSON.parse(box.dataset.recent);
    if (recent.length) await Store.write([["put", "meta", recent, "recent"]]);
    const worker = await navigator.serviceWorker?.getRegistration();
    const kept = (await Store.read("facts", "facts")) && (await Store.read("facts", "table")) && (await self.caches?.match("/phone/"));
    const ready = worker?.active && kept;
    if (!ready) setTimeout(show, 2000);
    const lines = [
      make("strong", ready ? "✓ Ready without signal." : "Not ready without signal yet. Keep this page open where there is signal."),
      (await navigator.storage?.persisted?.()) ? "This phone keeps reports until the logbook has them." : "This phone may clear what it keeps when it runs short of room. Send reports soon.",
      ...(navigator.standalone === false ? ["Add this page to your home screen: Share, then “Add to Home Screen”. Open it from there. A report saved in this tab stays in this tab: send it first."] : []),
    ];
    const install = button("install", "Put it on the home screen", "button", () => offer.prompt());
    box.hidden = false;
    put(box, [make("h2", "On this phone"), ...lines.map((line) => make("p", line)), ...(offer ? [install] : [])]);
  }

  const shows = [shell && showPage, get("on-phone") && showUnsent, get("ready") && showReady].filter(Boolean);
  const show = () => shows.forEach((one) => one().catch((error) => error.kind || console.error(error)));

  addEventListener("beforeinstallprompt", (event) => {
    event.preventDefault();
    offer = event;
    show();
  });
  if (shell) addEventListener("outbox-run", lookAgain);
  Outbox.listen(show);
  navigator.serviceWorker?.ready.then(show);
  show();
})();
