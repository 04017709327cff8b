// A report not sent yet: kept on this phone from the first tap, with its photos and the faults before this one, and
// given back without asking. Without a store (Store's kind "blocked") the page says so and posts as a plain form.
"use strict";
(() => {
  const { form, get, all, make, picked, clock } = Report;
  const { state } = Answers;
  const PAUSE = 250; // ms of silence before typed words are written
  const shell = !form.dataset.page;
  const page = shell ? {} : JSON.parse(form.dataset.page);
  const query = new URLSearchParams(location.search);
  const field = (name) => form.elements[name];
  const nothing = () => {};
  let over = true; // nothing is written before the page is ready, nor after the report is saved
  let timer;
  let line = Promise.resolve(); // writes, one after the other
  let picking = Promise.resolve(); // photos being made small

  // ---- words that stay until their owner takes them back

  function say(owner, ...inside) {
    const before = [...get("words").children].find((one) => one.dataset.owner === owner);
    const box = make("div", "message warning", ...inside);
    if (before?.textContent === box.textContent) return;
    box.dataset.owner = owner;
    before?.remove();
    if (inside.length) get("words").append(box);
  }

  function button(words, onclick) {
    return make("p", "", Object.assign(make("button", "", words), { type: "button", onclick }));
  }

  // ---- writing

  function record() {
    return {
      id: field("id").value, author: state.me.id, unit: Unit.tidy(field("unit").value, state.facts) || state.number,
      made: state.made, at: Date.now(), answers: Answers.everything(), faults: state.faults,
      photos: state.photos.map(({ bytes, ...photo }) => photo), // their bytes lie in a store of their own
    };
  }

  const LOST = {
    full: "This phone has no room: your answers are not kept here. Send the report now, or make room on the phone.",
    other: "This phone could not keep your answers. Send the report now, or load the page again.",
  };

  // Write the draft now; rejects where it could not be kept, which is said.
  function keep(more = {}, bytes = []) {
    clearTimeout(timer);
    timer = undefined;
    state.made ||= Date.now();
    const written = line.then(() => (over ? undefined : Store.write([["put", "drafts", { ...record(), ...more }], ...bytes], !bytes.length)));
    line = written.then(() => {
      say("draft");
      get("kept-here").hidden = over;
    }, (error) => say("draft", LOST[error.kind] ?? LOST.other));
    return written;
  }

  const kept = () => keep().catch(nothing);
  const without = (photos) => keep({}, photos.map(({ id }) => ["delete", "bytes", id])).catch(nothing);

  function later() {
    clearTimeout(timer);
    timer = setTimeout(kept, PAUSE);
  }

  // ---- photos

  function showPhotos(words) {
    const mine = Answers.shots();
    if (!get("shots")) return;
    Photo.show(get("shots"), mine, drop);
    all("p.picked")[0].textContent = mine.length ? `${mine.length === 1 ? "1 photo" : `${mine.length} photos`} picked` : "Nothing picked yet";
    get("photo-words").replaceChildren(...words.map((said) => make("p", "message warning", said)));
  }

  function drop(photo) {
    state.photos = state.photos.filter((one) => one !== photo);
    showPhotos([]);
    without([photo]);
  }

  async function add(files) {
    const { photos, words } = await Photo.take(files, Answers.shots(), Answers.shots().length + Answers.free().length);
    for (const photo of photos) {
      const made = { id: Answers.free()[0], owner: field("fault").value, ...photo };
      state.photos.push(made);
      await keep({}, [["put", "bytes", made.bytes, made.id]]).catch(() => {
        state.photos = state.photos.filter((one) => one !== made);
        words.push("This phone has no room for that photo. Your words and the other photos are kept.");
      });
    }
    showPhotos(words);
    if (photos.length) kept();
  }

  function takePhotos() {
    for (const input of all('input[name="photos"]')) {
      input.onchange = () => {
        const files = [...input.files];
        input.value = "";
        if (!files.length) return;
        get("photo-words").replaceChildren("Making it smaller…");
        picking = picking.then(() => add(files));
      };
    }
  }

  // ---- several faults

  function redraw() {
    Answers.list();
    showPhotos([]);
    Report.show();
    Verdict.show();
  }

  async function another() {
    await picking;
    const row = Answers.current();
    const wrong = Body.wrong(row);
    Receipt.tellWrong(wrong);
    if (wrong.length) return;
    state.faults.push({ ...row, situation: row.situation ?? state.faults.find(({ end }) => end === row.end)?.situation });
    Answers.anew();
    redraw();
    kept();
    get("so-far").querySelector("h2").focus();
    get("so-far").scrollIntoView();
  }

  function remove(fault) {
    state.faults = state.faults.filter((row) => row.fault !== fault);
    const gone = state.photos.filter((photo) => photo.owner === fault);
    state.photos = state.photos.filter((photo) => photo.owner !== fault);
    redraw();
    without(gone);
    Receipt.toHeading(document.querySelector("h1"));
  }

  // ---- another unit

  function address(number, found) {
    return `/reports/new/?${new URLSearchParams({ ...(number && { unit: number }), ...(found && { found }) })}`;
  }

  async function moveTo(typed) {
    const number = Unit.tidy(typed, state.facts);
    if (!number) return Receipt.tellWrong([["unit", Body.NEEDED.unit]]);
    field("unit").value = number;
    if (number === state.number) return all("#q-unit details")[0]?.removeAttribute("open");
    if (state.made) await keep({ moved: true }).catch(nothing);
    over = true;
    location.assign(address(number, state.clean && "nothing"));
  }

  // ---- a draft found

  async function restore(draft) {
    for (const photo of draft.photos) photo.bytes = await Store.read("bytes", photo.id);
    if (draft.photos.some((photo) => !photo.bytes)) say("lost", "A photo of this draft could not be read. Take it again.");
    draft.photos = draft.photos.filter((photo) => photo.bytes);
    for (const [name, words] of Object.entries(draft.answers)) Answers.put(name, words);
    field("unit").value = state.number;
    Object.assign(state, { faults: draft.faults, photos: draft.photos, made: draft.made });
    form.dataset.begun = "yes";
    Report.show();
    if (draft.answers.sign && !picked("sign")) say("sign", "What you said is wrong is not offered here. Choose it again.");
  }

  function about(draft) {
    const today = new Date(draft.made).toDateString() === new Date().toDateString();
    return [draft.unit && ` on unit ${draft.unit}`, `${today ? "" : `on ${Unit.day(draft.made)} `}at ${clock(draft.made)}`];
  }

  function offer(draft, fits) {
    const [unit, when] = about(draft);
    const carryOn = () => (fits ? say("found") : location.assign(address(draft.unit, draft.answers.found)));
    say("found", make("p", "", `You started a report${unit} ${when}. It’s all here.`),
      button("Carry on", carryOn), button("Discard the draft", () => ask(draft, fits)));
  }

  function ask(draft, fits) {
    const [unit] = about(draft);
    say("found", make("p", "", `Discard this draft${unit}? It was never sent.`),
      button("Discard", () => discard(draft, fits)), button("Keep it", () => offer(draft, fits)));
    get("words").querySelector("button").focus();
  }

  async function discard(draft, fits) {
    over = fits;
    await line;
    await Store.write([["delete", "drafts", draft.id], ...draft.photos.map(({ id }) => ["delete", "bytes", id])]);
    if (fits) location.replace(address(state.number, state.clean && "nothing"));
    else say("found");
  }

  async function find() {
    if (!page.fresh && !shell) return; // the page came back with its answers
    const mine = (await Store.all("drafts")).filter((draft) => draft.author === state.me.id).sort((a, b) => b.at - a.at);
    const found = query.get("found") ?? "";
    const fits = (draft) => draft.unit === state.number && (draft.answers.found ?? "") === found;
    const draft = mine.find(fits) ?? mine[0];
    if (!draft) return;
    if (fits(draft)) await restore(draft);
    if (!draft.moved || !fits(draft)) offer(draft, fits(draft));
  }

  // ---- begin

  // In the shell the facts may come, or come anew, while the page is open.
  function fill() {
    Unit.fill(state);
    const missing = state.facts ? `Unit ${state.number} is not on the list on this phone. We keep it as you give it.`
      : "The list of units is not on this phone yet. We keep the number as you give it.";
    say("unit", ...(state.number && !state.facts?.units[state.number] ? [missing] : []));
  }

  async function table() {
    const kept = await Store.read("facts", "table");
    if (shell || kept?.sha256 === state.facts.rules) return kept;
    await Outbox.refresh(true).catch(nothing); // what is fetched once is kept
    const fresh = await Store.read("facts", "table");
    if (fresh?.sha256 === state.facts.rules) return fresh;
    const published = await fetch(form.dataset.table).catch(() => ({}));
    return published.ok && !published.redirected ? published.json().catch(() => null) : null;
  }

  async function load() {
    state.facts = shell ? Rules.unpack(await Store.read("facts", "facts")) : page.facts;
    state.table = await table();
    if (state.table) Rules.load(state.table);
  }

  async function again() {
    const facts = await Store.read("facts", "facts");
    if (!facts || facts.at === state.facts?.at) return;
    await load();
    fill();
    redraw();
  }

  // Another tab may have saved this very report.
  async function watch() {
    if (over) return;
    const id = field("id").value;
    if ((await Outbox.mine()).some((report) => report.id === id)) {
      over = true;
      Receipt.open(id);
    } else if (shell) await again();
  }

  const ACTS = {
    look: () => false,
    another: () => another(),
    remove: (pressed) => remove(pressed.value),
    change: () => moveTo(field("unit").value),
    send: () => Receipt.send(),
  };

  function begin() {
    over = false;
    form.autocomplete = "off"; // answers come back from the draft, not from the browser
    takePhotos();
    form.addEventListener("change", (event) => {
      if (event.target.type === "file") return;
      if (event.target.name === "end") Answers.remember();
      Report.show();
      Verdict.show();
      kept();
    });
    form.addEventListener("input", (event) => ["radio", "file"].includes(event.target.type) || later());
    document.addEventListener("visibilitychange", () => timer && kept());
    Outbox.listen(() => watch().catch(nothing));
    for (const event of ["online", "offline", "outbox-run"]) addEventListener(event, sendWords);
    sendWords();
    Report.take = (pressed) => ACTS[pressed?.name ?? "send"](pressed) !== false;
    if (!state.made && form.dataset.begun) kept(); // taps made before this script was here
  }

  // Without signal the button does not say "Send".
  function sendWords() {
    if (!get("send")) return;
    const away = !navigator.onLine || self.lastRun?.outcome === "offline";
    get("send").textContent = away ? "Save and send later" : `Send${state.number && ` for unit ${state.number}`}`;
  }

  // This browser keeps nothing: said before anything is typed. The page then posts as it is.
  function blocked(error) {
    const unit = query.get("unit");
    if (error.kind !== "blocked") return say("store", "What this phone keeps could not be read. Load the page again.");
    if (shell) return location.replace(`/reports/new/?plain=1${unit ? `&unit=${encodeURIComponent(unit)}` : ""}`);
    say("store", "This browser keeps nothing: a report is safe only once it is sent. Stay where there is signal, or allow this site to keep data.");
  }

  function nobody() {
    form.hidden = true;
    const link = Object.assign(make("a", "", "Sign in"), { href: "/sign-in/?next=/reports/new/" });
    form.before(make("p", "message warning", "Nobody is signed in on this phone. ", link, " where there is signal. From then on reports are kept here."));
  }

  async function ready() {
    const told = document.documentElement.dataset.person;
    state.me = told ? JSON.parse(told) : await Outbox.person();
    await load();
    for (const name of ["id", "fault", "photo1", "photo2", "photo3", "photo4"]) field(name).value ||= crypto.randomUUID();
    if (shell) field("found").value = query.get("found") ?? "";
    const typed = shell ? query.get("unit") ?? (await Store.read("meta", "unit")) ?? "" : field("unit").value;
    state.number = Unit.tidy(typed, state.facts);
    state.faults = JSON.parse(field("said").value || "[]");
    state.clean = field("found").value === "nothing" && !state.faults.length;
  }

  async function start() {
    try {
      await ready();
    } catch (error) {
      return blocked(error);
    }
    if (location.hash.startsWith("#sent-")) return Receipt.open(location.hash.slice(6));
    if (!state.me) return nobody();
    if (shell) fill();
    await find();
    begin();
    redraw();
    if (shell && !state.number) Unit.recent((await Store.read("meta", "recent")) ?? [], moveTo);
    form.dataset.ready = "yes";
  }

  self.Draft = {
    start, say,
    settled: () => picking,
    stop: () => {
      over = true;
      return line;
    },
    go: () => {
      over = false;
    },
  };
})();
