// Saving a report on this phone, and the panel that says where it is from then on: saved here, sending, the logbook has
// it, seen by control. self.Receipt = {send, open, tellWrong, toHeading}; the last of the report page's scripts.
"use strict";
(() => {
  const { form, get, make, clock } = Report;
  const { state } = Answers;
  const main = document.getElementById("main");
  const SLOW = 10_000; // ms of sending after which it says so
  const OLD = 3600_000; // ms on this phone after which it is said how long
  const INTOLERABLE = 3;
  const CALL = "Call control now. The call is the report.";
  let saving = false;
  let began = 0; // when the sending that is on was first seen

  // ---- what is wrong, as the server's page says it

  function clear() {
    document.querySelector(".problems")?.remove();
    for (const field of document.querySelectorAll(".field.bad")) {
      field.classList.remove("bad");
      field.querySelector(".error")?.remove();
      field.removeAttribute("aria-describedby");
    }
    document.title = document.title.replace(/^Problem: /, "");
  }

  function mark(name, words) {
    const field = get(`div_id_${name}`);
    field.classList.add("bad");
    field.closest("details")?.setAttribute("open", "");
    const box = Object.assign(make("div", "error", make("p", "", words)), { id: `id_${name}_error` });
    const input = field.querySelector("input, textarea");
    if (!field.querySelector(`#${box.id}`)) field.querySelector("legend, label").after(box);
    (field.tagName === "FIELDSET" ? field : input).setAttribute("aria-describedby", box.id);
    return input.id;
  }

  // A summary on top with ways to the questions, the same words by each of them, the summary in focus.
  function tellWrong(wrong) {
    clear();
    if (!wrong.length) return;
    const items = wrong.map(([name, words]) => {
      const way = name && Object.assign(make("a", "", words), { href: `#${mark(name, words)}` });
      return make("li", "", way || words);
    });
    const box = make("div", "problems", make("h2", "", "Problem: please put this right"), make("ul", "", ...items));
    box.setAttribute("role", "alert");
    box.tabIndex = -1;
    form.prepend(box);
    document.title = `Problem: ${document.title}`;
    box.focus();
  }

  // ---- saving

  function about(rows) {
    const { told, worst } = Verdict.told();
    const name = (row) => ({ end: Unit.endWords(row.end), part: Unit.partWords(row.part), fault: Answers.fault(row) });
    const faults = state.clean ? [] : rows.map(name);
    const ends = [...new Set(rows.map((row) => Unit.endWords(row.end)))].join(" and ");
    return { unit: state.number, end: ends, part: faults[0]?.part ?? "", fault: faults[0]?.fault ?? "", faults, worst, told };
  }

  // The id of the report once it is on this phone; "" where something is wrong with it.
  async function save() {
    await Draft.settled();
    const rows = Answers.rows();
    const wrong = Body.wrong(Answers.ended() ? null : Answers.current());
    tellWrong(wrong);
    if (wrong.length) return "";
    state.number = Unit.tidy(form.elements.unit.value, state.facts);
    const body = Body.make(rows);
    const photos = state.clean ? [] : state.photos.map(({ id, owner, type }) => ({ id, owner, type })); // their bytes are kept
    await Draft.stop();
    await Outbox.save({ id: body.id, body, photos, about: about(rows), draft: body.id });
    return body.id;
  }

  // The unit of the report is the unit of today.
  async function remember(unit) {
    const recent = ((await Store.read("meta", "recent")) ?? []).filter((number) => number !== unit);
    await Store.write([
      ["put", "meta", unit, "unit"], ["put", "meta", unit, "unit-picked"], ["put", "meta", [unit, ...recent].slice(0, 6), "recent"],
    ]);
  }

  async function send() {
    if (saving) return;
    saving = true;
    try {
      const id = await save();
      if (id) await saved(id);
    } catch (error) {
      Draft.go();
      Draft.say("save", NOT_SAVED[error.kind] ?? NOT_SAVED.other);
      get("words").scrollIntoView();
    } finally {
      saving = false;
    }
  }

  async function saved(id) {
    history.replaceState(null, "", `#sent-${id}`);
    await remember(state.number).catch(() => {});
    await open(id).catch(() => location.reload()); // it is saved: the page begins anew with it
    dispatchEvent(new Event("outbox-send"));
  }

  const NOT_SAVED = {
    full: "Not saved: this phone has no room for the report. Your words and the photos that fit are still on this page. Make room on the phone, then press Send again, or call control.",
    nobody: "Not saved: nobody is signed in on this phone. Sign in where there is signal; your answers are kept here.",
    other: "Not saved: this browser did not keep the report. Your answers are still on this page. Press Send again, or call control.",
  };

  // ---- the panel

  const paragraph = (words, css = "") => make("p", css, ...[].concat(words));
  const strong = (words) => make("strong", "", words);
  const plural = (count, one, many) => (count === 1 ? one : many.replace("#", count));

  function hours(ms) {
    const count = Math.floor(ms / 3600_000);
    return count < 48 ? plural(count, "an hour", "# hours") : `${Math.floor(count / 24)} days`;
  }

  // What keeps it here, in words; the last try tells.
  function waiting(row) {
    const outcome = self.lastRun?.outcome;
    const lines = [];
    if (outcome === "sign in") lines.push("Sign in again to send. Your report is kept.");
    else if (outcome === "other person") lines.push("Somebody else is signed in. Your report stays on this phone until you sign in again.");
    else if (outcome === "offline" || !navigator.onLine) {
      lines.push("Saved on this phone. Not sent yet: no signal here. If it can’t wait, tell control by radio.",
        "We’ll send it when this page is open where there is signal.");
    } else if (outcome === "later") lines.push("Saved on this phone. The logbook is busy: we’ll try again soon.");
    else lines.push("Saved on this phone.");
    const age = Date.now() - row.saved;
    if (age > OLD) lines.push(`This report has been on your phone for ${hours(age)}. Nobody else can see it.`);
    return lines.map((words) => paragraph(words));
  }

  function had(row) {
    if (row.filed === "quarantined") return [paragraph(row.words)];
    const at = clock(row.received);
    if (row.about?.coupled) return [paragraph(`The logbook has it, ${at}.`)];
    if (!row.refs.length) return [paragraph(`The logbook has your look, ${at}. Nothing was found.`)];
    const refs = row.refs.map((ref) => paragraph(["The logbook has your report, ", make("span", "ref ref-large", Unit.spoken(ref)), `, ${at}.`]));
    const now = (row.states ?? []).map((words) => words.replace(/^The logbook has it\. /, ""));
    if (!now.length) now.push(row.seen ? `Seen by control ${clock(row.seen)}.` : "Control has not looked yet.");
    const said = now.map((words) => paragraph([strong(words)]));
    return new Set(now).size > 1 ? refs.flatMap((line, place) => [line, said[place]]) : [...refs, said[0]];
  }

  // [class, lines] of the state box.
  function whereabouts(row) {
    if (row.state === "received") return ["sync-received", had(row)];
    if (row.state === "attention") {
      const words = "We couldn’t send it. Your report is safe on this phone. Try again, or call control.";
      return ["sync-failed", [paragraph(words), ...(row.words ? [paragraph(row.words)] : [])]];
    }
    if (!row.sending) return ["sync-phone", waiting(row)];
    const slow = Date.now() - began > SLOW;
    return ["sync-sending", [paragraph(slow ? "Still trying. It stays on this phone until it is sent." : "Sending your report…")]];
  }

  function photoLines(row) {
    const { all, sent, attention } = row.photos;
    const left = all - sent;
    const lines = [];
    if (left && row.state === "received") {
      lines.push(plural(left, "Your report is in. The photo is still on this phone.", "Your report is in. # photos are still on this phone."));
    }
    if (attention) lines.push(plural(attention, "A photo could not be sent.", "# photos could not be sent."));
    return [...lines, ...(row.photoWords ?? [])].map((words) => paragraph(words));
  }

  function facts(row) {
    const list = make("dl", "facts");
    row.about.faults.forEach(({ end, part, fault }, place) => {
      const ref = row.refs.length > 1 ? [", ", make("span", "ref", Unit.spoken(row.refs[place]))] : [];
      list.append(make("dt", "", end), make("dd", "", `${part}: ${fault}`, ...ref));
    });
    list.append(make("dt", "", "Saved here"), make("dd", "", `${Unit.day(row.saved)} ${clock(row.saved)}`));
    return list;
  }

  // The logbook told nothing of its ends: the unit is not on its list.
  function unlisted(row) {
    if (row.filed !== "stored" || Object.keys(row.told ?? {}).length) return [];
    return [paragraph(`Unit ${row.about.unit} is not on our list. We kept it as you gave it; control will sort it out. Is the number right? If not, tell control the reference.`, "message warning")];
  }

  function next(row) {
    const words = row.about.faults.length ? "Control looks at it and tells whom it must. A fitter examines it. You see each step here and under My reports. If it can’t wait, call control."
      : "Nothing more. Thank you for looking.";
    return make("div", "more", make("h2", "", "What happens next"), paragraph(words));
  }

  const link = (words, href, css) => Object.assign(make("a", css, words), { href });

  function actions(row) {
    const box = make("div", "actions");
    const done = row.state === "received" && row.photos.sent === row.photos.all;
    const again = Object.assign(make("button", "", row.state === "received" ? plural(row.photos.all - row.photos.sent, "Send the photo", "Send the photos") : "Try again"), {
      type: "button", onclick: () => Outbox.retryNow().finally(() => dispatchEvent(new Event("outbox-send"))),
    });
    if (!done) box.append(again);
    if (!done && self.lastRun?.outcome === "sign in") {
      box.append(link("Sign in again", `/sign-in/?next=${encodeURIComponent(`/reports/new/${location.hash}`)}`, "secondary"));
    }
    if (row.state === "received") box.append(link("Open the receipt", `/reports/${row.id}/`, "secondary"));
    box.append(link("Report something else", `/reports/new/?unit=${row.about.unit}`, "secondary"), link("Done", "/", "primary"));
    return box;
  }

  // True where the call is the report: by this phone's grade, or where the logbook's answer is the first to say so.
  function calls(row) {
    const worst = (told) => Math.max(-1, ...["U", "C", "R"].map((code) => told?.[code].category ?? -1));
    const graver = Object.entries(row.told ?? {}).some(([end, told]) => worst(told) === INTOLERABLE && worst(row.about.told[end]) < INTOLERABLE);
    return !row.seen && (row.about.worst === INTOLERABLE || graver);
  }

  function toHeading(heading) {
    heading.tabIndex = -1;
    heading.focus();
  }

  // Put new lines into a part of the panel only where they say something new: what is there is spoken once.
  function update(part, css, lines) {
    const words = lines.map((one) => one.textContent).join("\n");
    part.className = css;
    if (part.dataset.said === words) return;
    part.dataset.said = words;
    part.replaceChildren(...lines);
  }

  function build(row) {
    const parts = { call: make("p", "call", CALL) };
    for (const name of ["state", "photos", "facts", "told", "actions"]) parts[name] = make("div", "");
    parts.state.setAttribute("role", "status");
    parts.photos.setAttribute("role", "status");
    const caution = form.querySelector(".caution");
    const heading = make("h1", "", "Unit ", make("span", "unit-number", row.about.unit), `, ${row.about.end}`);
    const { call, state: where, photos, facts: what, told, actions: acts } = parts;
    main.replaceChildren(heading, call, where, photos, what, told, next(row), acts, ...(caution ? [caution] : []));
    document.title = `Receipt, unit ${row.about.unit} – Coupler Logbook`;
    scrollTo(0, 0);
    toHeading(heading);
    return parts;
  }

  function render(row, parts) {
    began = row.sending ? began || Date.now() : 0;
    parts.call.hidden = !calls(row);
    const [css, lines] = whereabouts(row);
    update(parts.state, `sync ${css}`, lines);
    const photos = photoLines(row);
    update(parts.photos, photos.length ? "message warning" : "", photos);
    update(parts.facts, "", [facts(row)]);
    update(parts.told, "", [...unlisted(row), ...Verdict.compared(row.about, row.told)]);
    update(parts.actions, "", [actions(row)]);
    if (row.sending) setTimeout(() => show(row.id, parts), SLOW);
  }

  async function show(id, parts) {
    const row = (await Outbox.mine()).find((one) => one.id === id);
    if (row) render(row, parts);
  }

  // The panel of one report of this phone. What is no longer here is in the logbook.
  async function open(id) {
    const row = (await Outbox.mine()).find((one) => one.id === id);
    if (!row) return location.replace(`/reports/${encodeURIComponent(id)}/`);
    const parts = build(row);
    render(row, parts);
    Outbox.listen(() => show(id, parts).catch(() => {}));
    addEventListener("outbox-run", () => show(id, parts).catch(() => {}));
  }

  self.Receipt = { send, open, tellWrong, toHeading };
  Draft.start();
})();
