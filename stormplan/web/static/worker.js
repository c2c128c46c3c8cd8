// Keeps the pages of this phone for when there is no coverage: the newest there is wins, the kept one
// is shown where none comes. It is emptied when a link is opened, the phone signed out or refused.
"use strict";
const KEPT = "stormplan-pages";
const PATIENCE_MS = 5000;
const SHELL_AGE_MS = 600000;
const NOBODY = { person: "", at: 0 };
let shellKept = NOBODY;

const forget = () => {
  shellKept = NOBODY;
  return caches.delete(KEPT);
};

const keep = async (request, reply) => {
  if (reply.status === 403) return forget();
  if (reply.status !== 200 || reply.redirected) return false;
  return (await caches.open(KEPT)).put(request, reply.clone());
};

const answer = async (event) => {
  const kept = await caches.match(event.request, { ignoreVary: true });
  const fresh = fetch(event.request).then(async (reply) => {
    await keep(event.request, reply);
    return reply;
  });
  if (!kept) return fresh;
  const late = new Promise((_, reject) => { setTimeout(() => reject(new Error("late")), PATIENCE_MS); });
  event.waitUntil(fresh.catch(() => {}));
  try {
    const reply = await Promise.race([fresh, late]);
    return reply.status >= 500 ? kept : reply;
  } catch (error) {
    return kept;
  }
};

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  const path = new URL(event.request.url).pathname;
  if (new URL(event.request.url).origin !== self.location.origin) return;
  if (path.startsWith("/open/") || path === "/leave") {
    event.waitUntil(forget());
  } else if (event.request.method === "GET" && !path.startsWith("/notices")) {
    event.respondWith(answer(event));
  }
});

// A page says which others its reader has: they are kept before coverage goes.
self.addEventListener("message", (event) => {
  const { person } = event.data;
  if (person === shellKept.person && Date.now() - shellKept.at < SHELL_AGE_MS) return;
  shellKept = { person, at: Date.now() };
  event.waitUntil(Promise.allSettled(event.data.pages.map(async (path) => {
    const request = new Request(path, { credentials: "same-origin" });
    await keep(request, await fetch(request));
  })));
});
