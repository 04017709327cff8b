// Reports on their way: saved on this phone → sending → the logbook has it → seen by control.
// Shared by the pages and the worker. Nothing leaves the phone before the logbook answered with its id and digest:
// a status alone proves nothing, a sign-in page or a café's portal answers 200 too.
// The logbook takes a report once however often it comes, so that sending again is always safe.
"use strict";
(() => {
  const DAY = 24 * 3600_000;
  const KEPT = 7 * DAY; // what the logbook has is kept this long: it may have to be offered again
  const FRESH = 60_000;
  const PACE = 2_000; // bytes a second that a slow link still carries
  const ASKED = 40; // receipts in one question
  const FILE_ROOM = 14_000_000; // bytes in one hand-over file; in base64 the logbook's 20 MB are not reached
  const DAMAGED = 3; // times a body may arrive damaged before a person is asked
  const channel = new BroadcastChannel("outbox");
  const listeners = new Set();
  let session; // {user, csrf} as the logbook last said
  let sending = "";
  let pause = 0; // ms that the logbook asked us to wait

  class NoAnswer extends Error {}
  class Stop extends Error {}

  const stop = (why) => {
    throw new Stop(why);
  };

  // ---- telling every page

  function tell() {
    for (const listener of listeners) listener();
  }

  function changed(now = sending) {
    sending = now;
    channel.postMessage({ sending });
    tell();
  }

  channel.onmessage = ({ data }) => {
    sending = data.sending;
    tell();
  };

  // ---- bytes

  async function digest(bytes) {
    const hash = new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
    return [...hash].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  function base64(bytes) {
    let text = "";
    const view = new Uint8Array(bytes);
    for (let at = 0; at < view.length; at += 30_000) text += String.fromCharCode(...view.subarray(at, at + 30_000));
    return btoa(text);
  }

  // ---- the store

  const person = () => Store.read("meta", "user").then((user) => user ?? null);
  const byTime = (a, b) => a.saved - b.saved;

  async function own(name) {
    const me = await person();
    return me ? (await Store.all(name)).filter((row) => row.author === me.id) : [];
  }

  // Photos whose bytes lie in the store already (a draft's) come without them: saving moves no bytes.
  async function save({ id, body, photos, about, draft }) {
    const me = await person();
    if (!me) throw Object.assign(new Error("nobody"), { kind: "nobody" });
    const known = await Store.read("reports", id);
    if (known) return known;
    const bytes = new TextEncoder().encode(JSON.stringify({ ...body, author: me.id })).buffer;
    const rows = [];
    const given = photos.filter((photo) => photo.bytes);
    for (const { bytes, ...photo } of photos) {
      const data = bytes ?? (await Store.read("bytes", photo.id));
      const told = { size: data.byteLength, sha256: await digest(data), state: "queued", words: "" };
      rows.push({ ...photo, ...told, report: id, author: me.id });
    }
    const report = {
      id, author: me.id, unit: body.unit, about, body: bytes, sha256: await digest(bytes), saved: Date.now(),
      state: "queued", tries: 0, refs: [], words: "", told: null, seen: null, photos: rows.map((row) => row.id),
    };
    const changes = [["put", "reports", report], ...rows.map((row) => ["put", "photos", row])];
    changes.push(...given.map((photo) => ["put", "bytes", photo.bytes, photo.id]));
    if (draft) changes.push(["delete", "drafts", draft]);
    await Store.write(changes);
    const back = await Store.read("reports", id); // "saved" is said of what was read back
    if (back?.sha256 !== report.sha256) throw Object.assign(new Error("not kept"), { kind: "blocked" });
    changed();
    self.registration?.sync?.register("outbox").catch(() => {});
    return back;
  }

  async function mine() {
    const photos = await own("photos");
    return (await own("reports")).sort(byTime).reverse().map(({ body, ...report }) => {
      const of = photos.filter((photo) => photo.report === report.id);
      const count = (state) => of.filter((photo) => photo.state === state).length;
      return {
        ...report,
        sending: sending === report.id,
        photos: { all: of.length, sent: count("sent"), attention: count("attention") },
        photoWords: [...new Set(of.map((photo) => photo.words).filter(Boolean))],
      };
    });
  }

  const waits = (report, photos) => report.state !== "received"
    || photos.some((photo) => photo.report === report.id && photo.state !== "sent");

  async function unsent() {
    const photos = await own("photos");
    return (await own("reports")).filter((report) => waits(report, photos)).length;
  }

  async function others() {
    const me = await person();
    const photos = await Store.all("photos");
    return (await Store.all("reports")).filter((row) => row.author !== me?.id && waits(row, photos)).length;
  }

  // ---- speaking with the logbook

  // {status, data, retry} of an answer in JSON; NoAnswer for anything else: no network, a redirect, a page.
  async function call(path, { method = "GET", headers = {}, body } = {}) {
    const control = new AbortController();
    const limit = setTimeout(() => control.abort(), 60_000 + (body?.byteLength ?? 0) / PACE * 1000);
    try {
      const answer = await fetch(path, {
        method, body, headers, signal: control.signal, redirect: "manual", cache: "no-store", credentials: "same-origin",
      });
      if (answer.status === 304) return { status: 304 };
      if ([429, 503].includes(answer.status)) { // the logbook or a gateway before it asks for patience
        pause = (Number(answer.headers.get("retry-after")) || 30) * 1000;
        stop("later");
      }
      if (!/json/.test(answer.headers.get("content-type"))) throw new NoAnswer(`${answer.status}`);
      return { status: answer.status, data: await answer.json(), headers: answer.headers };
    } catch (error) {
      throw error instanceof NoAnswer || error instanceof Stop ? error : new NoAnswer(error.message);
    } finally {
      clearTimeout(limit);
    }
  }

  // Who is signed in, as the logbook says it; that person is the one known on this phone from now on.
  async function hello() {
    const left = await Store.read("meta", "left");
    const { status, data } = await call("/phone/session/");
    if ((await Store.read("meta", "left")) !== left) stop("signed out"); // while the question was on its way
    if (status === 401) {
      session = undefined;
      stop("sign in");
    }
    if (status !== 200 || !data.user) throw new NoAnswer(`${status}`);
    session = data;
    await Store.write([
      ["put", "meta", data.user, "user"],
      ["put", "meta", Date.now() - Date.parse(data.now), "clock"],
      ["put", "meta", Date.now(), "met"],
    ]);
    return session;
  }

  // PUT bytes; a token that went stale is fetched again, once. Only an answer with our id and digest is given back.
  async function put(path, row, bytes, type, again = true) {
    session ??= await hello();
    if (session.user.id !== row.author) stop("other person");
    const { status, data } = await call(path, {
      method: "PUT",
      body: bytes,
      headers: {
        "Content-Type": type,
        "X-CSRFToken": session.csrf,
        "X-Content-SHA256": row.sha256,
        "X-Phone-Now": new Date().toISOString(),
      },
    });
    if (status === 403 && data.error === "csrf" && again) {
      session = undefined;
      return put(path, row, bytes, type, false);
    }
    if (status === 403 && data.error === "csrf") stop("later");
    if (status === 401 || (status === 403 && data.error === "other person")) {
      session = undefined;
      stop(data.error);
    }
    const ours = data.id === row.id && data.sha256 === row.sha256;
    if ([200, 201, 409].includes(status) && !ours) throw new NoAnswer("not a receipt of ours");
    return { status, data };
  }

  // What an answer other than a receipt means for one row: try it again later, or (`state`) ask a person.
  function refused(row, status, data) {
    const tries = (row.tries ?? 0) + 1;
    const final = [403, 404, 409, 413].includes(status) || (status === 400 && (data.error !== "damaged" || tries >= DAMAGED));
    const words = data.words || (final ? "The logbook did not take it. Tell control; it stays on this phone." : row.words);
    return { tries, words, ...(final && { state: "attention" }) };
  }

  const amend = (name, id, fields) => Store.change(name, id, (row) => row && { ...row, ...fields });

  async function sendWords(report) {
    changed(report.id);
    const { status, data } = await put(`/phone/reports/${report.id}/`, report, report.body, "application/json");
    const got = [200, 201].includes(status);
    const { refs = [], words = "", told = null, state } = data;
    const fields = got
      ? { state: "received", received: Date.now(), filed: state, refs, words, told, tries: 0 }
      : refused(report, status, data);
    await amend("reports", report.id, fields);
    changed();
    return !fields.state;
  }

  async function sendPhoto(photo) {
    changed(photo.report);
    const path = `/phone/faults/${photo.owner}/photos/${photo.id}/`;
    const bytes = await Store.read("bytes", photo.id);
    const { status, data } = await put(path, photo, bytes, photo.type || "application/octet-stream");
    const got = [200, 201].includes(status);
    const fields = got
      ? { state: "sent", sent: Date.now(), words: data.state === "refused" ? data.words : "" }
      : refused(photo, status, data);
    await amend("photos", photo.id, fields);
    changed();
    return !fields.state;
  }

  // Seen by control, and photos or whole reports that the logbook no longer has (it was restored from a copy): offer again.
  async function ask() {
    const rows = (await own("reports")).filter((report) => report.state === "received").sort(byTime).slice(-ASKED);
    if (!rows.length) return;
    const query = rows.map((report) => `id=${report.id}`).join("&");
    const { status, data } = await call(`/phone/receipts/?${query}`);
    if (status !== 200) return;
    for (const report of rows) {
      const said = data.receipts[report.id];
      if (!said) await amend("reports", report.id, { state: "queued" });
      else await amend("reports", report.id, { refs: said.refs, seen: said.seen, states: said.words });
      for (const id of said ? said.missing : report.photos) {
        await Store.change("photos", id, (photo) => photo?.state === "sent" ? { ...photo, state: "queued" } : undefined);
      }
    }
    changed();
  }

  function deletes(reports, photos) {
    const ids = new Set(reports.map((report) => report.id));
    const theirs = photos.filter((photo) => ids.has(photo.report));
    return [
      ...reports.map((report) => ["delete", "reports", report.id]),
      ...theirs.flatMap((photo) => [["delete", "photos", photo.id], ["delete", "bytes", photo.id]]),
    ];
  }

  async function tidy() {
    const old = (at) => at && Date.now() - at > KEPT;
    const photos = await Store.all("photos");
    const gone = (await Store.all("reports")).filter((report) => old(report.received) && !waits(report, photos));
    if (gone.length) await Store.write(deletes(gone, photos));
    await Store.ballast();
  }

  async function turn() {
    pause = 0;
    try {
      if (await Store.read("meta", "leaving")) return "signed out"; // the old session may still live
      if (!(await person())) await hello();
      const later = await deliver();
      await ask();
      await tidy();
      return later ? "later" : "done";
    } catch (error) {
      if (error instanceof Stop) return error.message;
      if (error instanceof NoAnswer) return "offline";
      throw error;
    } finally {
      changed("");
    }
  }

  // Words of all reports, oldest first, then photos. Looked up anew each time: words saved meanwhile go before photos.
  // True where something has to come again later.
  async function deliver() {
    const tried = new Set();
    const left = (rows) => rows.filter((row) => row.state === "queued" && !tried.has(row.id)).sort(byTime);
    let later = false;
    for (;;) {
      const reports = await own("reports");
      const kept = new Set(reports.filter((row) => row.state !== "attention").map((row) => row.id));
      const [report] = left(reports);
      const [photo] = report ? [] : left(await own("photos")).filter((row) => kept.has(row.report));
      if (!report && !photo) return later;
      session ??= await hello();
      tried.add((report ?? photo).id);
      later = (await once(report ? sendWords : sendPhoto, report ?? photo)) || later;
    }
  }

  // True where the logbook failed at this one and it has to come again: the others go on.
  async function once(send, row) {
    try {
      return await send(row);
    } catch (error) {
      if (!(error instanceof NoAnswer) || !/^5/.test(error.message)) throw error;
      return true;
    }
  }

  // One sender at a time over all tabs and the worker. Without locks the logbook's own "once" still holds.
  async function run() {
    if (!self.navigator.locks) return turn();
    return navigator.locks.request("outbox", { ifAvailable: true }, (held) => (held ? turn() : "busy"));
  }

  // ---- facts for reporting without signal

  let refreshing;
  const refresh = (force) => (refreshing ??= fetchFacts(force).finally(() => (refreshing = undefined)));

  async function fetchFacts(force = false) {
    const facts = await Store.read("facts", "facts");
    const etag = await Store.read("facts", "etag");
    const asked = await Store.read("meta", "asked");
    if (!force && facts && Date.now() - asked < FRESH) return;
    const answer = await call("/phone/facts/", { headers: etag && facts ? { "If-None-Match": etag } : {} });
    if (answer.status === 401) stop("sign in");
    if (answer.status === 200) {
      const table = await Store.read("facts", "table");
      if (table?.sha256 !== answer.data.rules) {
        const published = await call("/rules/table.json");
        if (published.status !== 200) return;
        await Store.write([["put", "facts", published.data, "table"]]);
      }
      const tag = answer.headers.get("etag");
      await Store.write([["put", "facts", answer.data, "facts"], ["put", "facts", tag ?? "", "etag"]]);
    }
    if ([200, 304].includes(answer.status)) {
      await Store.write([["put", "meta", Date.now(), "asked"]]);
      changed();
    }
  }

  // At sign-out: facts, the person and what the logbook has already go; what is not sent stays with its author.
  // `more` are changes for the person who comes next, made with it.
  async function forget(more = []) {
    const photos = await Store.all("photos");
    const done = (await Store.all("reports")).filter((report) => !waits(report, photos));
    await Store.write([
      ...["facts", "etag", "table", "kept"].map((key) => ["delete", "facts", key]),
      ...["user", "unit", "unit-told", "unit-picked", "recent", "asked"].map((key) => ["delete", "meta", key]),
      ...deletes(done, photos),
      ["put", "meta", crypto.randomUUID(), "left"],
      ...more,
    ]);
    session = undefined;
    changed();
  }

  // ---- by hand

  // What was refused goes again as well: it may have been a gateway's doing, and the logbook takes a report once.
  async function retryNow() {
    pause = 0;
    for (const name of ["reports", "photos"]) {
      const refusals = (await own(name)).filter((row) => row.state === "attention");
      for (const row of refusals) await amend(name, row.id, { state: "queued", tries: 0 });
    }
    return run();
  }

  // What is unsent of the person known here, as a file that control can load: all words, and photos while there is room.
  async function handOver() {
    const me = await person();
    const photos = (await own("photos")).filter((photo) => photo.state !== "sent");
    const waiting = (await own("reports")).sort(byTime).filter((report) => waits(report, photos));
    let room = FILE_ROOM - waiting.reduce((sum, report) => sum + report.body.byteLength, 0);
    const fits = (photo) => (room -= photo.size) > 0;
    const written = async ({ id, owner, sha256, type }) => ({
      id, owner, sha256, type, data: base64(await Store.read("bytes", id)),
    });
    const reports = await Promise.all(waiting.map(async (report) => ({
      id: report.id,
      sha256: report.sha256,
      body: base64(report.body),
      photos: await Promise.all(photos.filter((photo) => photo.report === report.id && fits(photo)).map(written)),
    })));
    const file = { v: 1, made: new Date().toISOString(), from: me.id, reports };
    return new Blob([JSON.stringify(file)], { type: "application/json" });
  }

  self.Outbox = {
    person, save, mine, unsent, others, run, retryNow, refresh, forget, handOver, digest,
    listen: (listener) => listeners.add(listener),
    pause: () => pause,
  };
})();
