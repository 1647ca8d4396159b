// Opens the pages without a link. VERSION and FILES stand above, written by the service from the files themselves.

import { sendAll } from "/static/js/link.js";

const SHELL = `shell-${VERSION}`;
const DATA = "knowledge";
const MACHINES = "/api/v1/machines";
const KNOWLEDGE = ["/api/v1/checks", "/api/v1/starts", "/api/v1/fitness", MACHINES];
const PATIENCE_MS = { page: 12_000, data: 4_000 };

self.addEventListener("install", (event) => {
  event.waitUntil(fill().then(() => self.skipWaiting()));
});

async function fill() {
  const cache = await caches.open(SHELL);
  await cache.addAll(FILES.map((path) => new Request(path, { cache: "reload" })));
}

self.addEventListener("activate", (event) => {
  event.waitUntil(tidy().then(() => self.clients.claim()));
});

async function tidy() {
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name !== SHELL && name !== DATA).map((name) => caches.delete(name)));
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (request.method !== "GET" || origin !== self.location.origin) return;
  if (request.mode === "navigate") event.respondWith(page(request));
  else if (KNOWLEDGE.includes(pathname)) event.respondWith(knowledge(event));
  else if (FILES.includes(pathname)) event.respondWith(shell(request));
});

const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

async function page(request) {
  const standIn = async () => (await caches.open(SHELL)).match("/offline");
  const fetched = fetch(request).catch(standIn);
  return Promise.race([fetched, pause(PATIENCE_MS.page).then(standIn)]).then((reply) => reply ?? fetched);
}

async function shell(request) {
  const kept = await (await caches.open(SHELL)).match(request, { ignoreSearch: true, ignoreVary: true });
  return kept ?? fetch(request);
}

/** Fresh where the link is quick, else as last seen. */
async function knowledge(event) {
  const cache = await caches.open(DATA);
  const fetched = fetch(event.request).then(async (reply) => {
    if (reply.ok) await cache.put(event.request, reply.clone());
    // Nobody is logged in any more: the next user of this phone sees no machines.
    if (reply.status === 401) await cache.delete(MACHINES, { ignoreSearch: true });
    return reply;
  });
  event.waitUntil(fetched.catch(() => {}));
  const kept = await cache.match(event.request, { ignoreVary: true });
  if (!kept) return fetched;
  const closed = (reply) => reply.status === 401 && event.request.url.includes(MACHINES);
  const good = fetched.then((reply) => (reply.ok || closed(reply) ? reply : kept)).catch(() => kept);
  return Promise.race([good, pause(PATIENCE_MS.data).then(() => kept)]);
}

self.addEventListener("sync", (event) => {
  event.waitUntil(
    sendAll().then((report) => {
      // A rejected sync is tried again by the browser.
      if (report.left && !report.login) throw new Error(`${report.left} items wait`);
    }),
  );
});
