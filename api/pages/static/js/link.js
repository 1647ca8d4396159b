// The link to the service: is there one, who is logged in, what the phone must know without it, and sending.

import { openStore } from "./idb.js";
import { Queue } from "./queue.js";

const LOCK = "wearvision-queue";
const ANSWER_MS = 15_000;
/** What a walk, a reading and a capture check need; the worker keeps the newest copies. */
export const KNOWLEDGE = ["/api/v1/checks", "/api/v1/starts", "/api/v1/fitness", "/api/v1/machines?limit=200"];

const told = new BroadcastChannel("wearvision");
const listeners = new Set();
told.onmessage = () => listeners.forEach((listener) => listener());

/** Calls back after each change of the queue, in whichever window it was made. */
export function onChange(listener) {
  listeners.add(listener);
}

function changed() {
  told.postMessage("changed");
  listeners.forEach((listener) => listener());
}

/** {csrf, account} of the log-in, {login: true} where one is asked for, null without a link. */
async function askLink() {
  try {
    const init = { cache: "no-store", headers: { Accept: "application/json" }, signal: AbortSignal.timeout(ANSWER_MS) };
    const reply = await fetch("/queue/link", init);
    if (reply.status === 401) return { login: true };
    const said = await reply.json();
    return reply.ok && typeof said.account === "string" ? said : null;
  } catch {
    return null;
  }
}

let opened;
/** The queue over this phone's store; one a page. */
export function queue() {
  opened ??= openStore().then(
    (store) => new Queue(store, { fetch: (...call) => fetch(...call), link: askLink, changed }),
  );
  return opened;
}

let running = null;
let again = false;
/** Sends what waits; one window or worker at a time. Resolves with the last report. */
export async function sendAll() {
  again = true;
  running ??= (async () => {
    let report;
    try {
      while (again) {
        again = false;
        const waiting = await queue();
        report = await navigator.locks.request(LOCK, () => waiting.send());
      }
    } finally {
      running = null;
    }
    return report;
  })();
  return running;
}

let timer;
/** Sends now and keeps trying while this page is open. */
export async function keepSending() {
  clearTimeout(timer);
  const report = await sendAll();
  if (report.wait !== null) timer = setTimeout(keepSending, report.wait);
  return report;
}

/** Keeps items on the phone, asks the browser to hold on to its storage, and begins to send. */
export async function keep(items) {
  await (await queue()).keep(items);
  void navigator.storage?.persist?.();
  const worker = await navigator.serviceWorker?.getRegistration();
  // Where there is background sync the worker sends even after this page was closed.
  await worker?.sync?.register(LOCK).catch(() => {});
}

/** One of KNOWLEDGE, fresh or as last seen; null where the phone never saw it. */
export async function known(path) {
  try {
    const reply = await fetch(path, { headers: { Accept: "application/json" } });
    return reply.ok ? await reply.json() : null;
  } catch {
    return null;
  }
}
