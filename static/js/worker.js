// The worker: keeps the shells and their files for when there is no signal, and nothing else.
// The server puts `const SHELL = {version, scripts, first, later, answers, other}` before these lines: answers says
// which shell answers which page at once, other the one for pages without signal. Only what SHELL lists is ever cached,
// fetched without credentials, so that nothing of a person can get in.
"use strict";
importScripts(SHELL.scripts);
const CACHE = `logbook-${SHELL.version}`;
const PATIENCE = 6_000; // ms that a page may take to begin before the shell answers
const AWAY = [502, 503, 504]; // what a proxy says when the logbook is not there

// Hashed files come from the browser's own cache: they were fetched for the page already.
const keep = async (cache, path) => {
  const mode = /^.static|[?]v=/.test(path) ? "default" : "no-cache";
  const answer = await fetch(path, { credentials: "omit", redirect: "error", cache: mode });
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  await cache.put(path, answer);
};

const install = async () => {
  const cache = await caches.open(CACHE);
  await Promise.all(SHELL.first.map((path) => keep(cache, path)));
};

// What is not needed for a report follows once a page has all that is: on a slow link the report comes first.
const rest = async () => {
  const cache = await caches.open(CACHE);
  for (const path of SHELL.later) if (!(await cache.match(path))) await keep(cache, path);
};

// The newest of the old caches stays: a page of the last version that is still open may ask for one of its scripts.
const tidy = async () => {
  const old = (await caches.keys()).filter((name) => name.startsWith("logbook-") && name !== CACHE);
  await Promise.all(old.slice(0, -1).map((name) => caches.delete(name)));
  await clients.claim();
};

const shell = async (path) => (await (await caches.open(CACHE)).match(path)) ?? (await caches.match(path));

const page = async (request) => {
  const path = SHELL.answers[new URL(request.url).pathname];
  const kept = path && (await shell(path));
  if (kept) return kept;
  const late = new Promise((resolve) => setTimeout(resolve, PATIENCE));
  const answer = await Promise.race([fetch(request).catch(() => undefined), late]);
  if (answer && !AWAY.includes(answer.status)) return answer;
  return (await shell(SHELL.other)) ?? answer ?? Response.error();
};

const file = async (path, request) => (await shell(path)) ?? fetch(request);

addEventListener("install", (event) => event.waitUntil(install()));
addEventListener("activate", (event) => event.waitUntil(tidy()));
addEventListener("message", (event) => {
  if (event.data === "take over") skipWaiting();
  if (event.data === "the rest") event.waitUntil(rest().catch(() => {}));
});
addEventListener("sync", (event) => {
  if (event.tag === "outbox") event.waitUntil(Outbox.run());
});
addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname, search, searchParams } = new URL(request.url);
  const path = pathname + search;
  if (request.method !== "GET" || origin !== location.origin) return;
  if (request.mode === "navigate") {
    if (!searchParams.has("plain")) event.respondWith(page(request));
  } else if (SHELL.first.includes(path) || pathname.startsWith("/static/")) event.respondWith(file(path, request));
});
