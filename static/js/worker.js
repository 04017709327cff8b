// The worker: keeps the shells and their files for when there is no signal, and nothing else.
// The server puts `const SHELL = {version, files, pages, scripts}` before these lines. Only what SHELL lists is ever
// cached, fetched without credentials, so that nothing of a person can get in.
"use strict";
importScripts(...SHELL.scripts);
const CACHE = `logbook-${SHELL.version}`;
const PATIENCE = 6_000; // ms that a page may take to begin before the shell answers
const AWAY = [502, 503, 504]; // what a proxy says when the logbook is not there

const keep = async (cache, path, mode) => {
  const answer = await fetch(path, { credentials: "omit", redirect: "error", cache: mode });
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  await cache.put(path, answer);
};

const install = async () => {
  const cache = await caches.open(CACHE);
  // Hashed files come from the browser's own cache: they were fetched for the page already.
  await Promise.all(SHELL.files.map((path) => keep(cache, path, "default")));
  await Promise.all(SHELL.pages.map((path) => keep(cache, path, "no-cache")));
};

// The newest of the old caches stays: a page of the last version that is still open may ask for one of its scripts.
const tidy = async () => {
  const old = (await caches.keys()).filter((name) => name.startsWith("logbook-") && name !== CACHE);
  await Promise.all(old.slice(0, -1).map((name) => caches.delete(name)));
  await clients.claim();
};

const shell = async (path) => (await (await caches.open(CACHE)).match(path)) ?? (await caches.match(path));

const page = async (request) => {
  const path = new URL(request.url).pathname;
  if (path === "/reports/new/") return (await shell("/phone/report/")) ?? fetch(request);
  const late = new Promise((resolve) => setTimeout(resolve, PATIENCE));
  const answer = await Promise.race([fetch(request).catch(() => undefined), late]);
  if (answer && !AWAY.includes(answer.status)) return answer;
  return (await shell("/phone/")) ?? answer ?? Response.error();
};

const file = async (path, request) => (await shell(path)) ?? fetch(request);

addEventListener("install", (event) => event.waitUntil(install()));
addEventListener("activate", (event) => event.waitUntil(tidy()));
addEventListener("message", (event) => {
  if (event.data === "take over") skipWaiting();
});
addEventListener("sync", (event) => {
  if (event.tag === "outbox") event.waitUntil(Outbox.run());
});
addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname, searchParams } = new URL(request.url);
  if (request.method !== "GET" || origin !== location.origin) return;
  if (request.mode === "navigate") {
    if (!searchParams.has("plain")) event.respondWith(page(request));
  } else if (pathname.startsWith("/static/")) event.respondWith(file(pathname, request));
});
