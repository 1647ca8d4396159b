// What waits on this phone: each item with its state, retry, removal after a question, and a download of it all.

import { byId, el, when } from "./dom.js";
import { keepSending, onChange, queue } from "./link.js";
import { zip } from "./zip.js";

const STATES = { waiting: "Waiting for a link", parked: "Not taken by the service" };

export async function drawQueue() {
  const waiting = await queue();
  const items = await waiting.store.items();
  const sent = (await waiting.store.sent()).sort((a, b) => (a.at < b.at ? 1 : -1));
  byId("queue-count").textContent = items.length ? `${items.length} to send` : "Nothing waits: everything has been sent.";
  byId("queue-send").disabled = byId("queue-save").disabled = items.length === 0;
  byId("queue-items").replaceChildren(...items.map((item) => row(item, items, waiting)));
  byId("queue-sent").replaceChildren(...sent.map(sentRow));
  const kept = (await navigator.storage?.persisted?.()) ?? false;
  byId("queue-storage").textContent = kept
    ? "The browser keeps this storage until you clear it."
    : "The browser may clear this storage when space runs out: send soon, or download it.";
}

function row(item, items, waiting) {
  const needed = items.filter((one) => item.needs.includes(one.id)).map((one) => one.label);
  const state = item.message || (needed.length && item.state !== "parked" ? `Goes after: ${needed.join(", ")}` : "");
  const retry = el("button", { type: "button", "aria-label": `Retry: ${item.label}` }, "Retry");
  retry.onclick = async () => {
    await waiting.retry(item.seq);
    await keepSending();
  };
  const remove = el("button", { type: "button", "aria-label": `Remove: ${item.label}` }, "Remove …");
  remove.onclick = async () => {
    const gone = await waiting.withDependants(item.seq);
    const names = gone.map((one) => `– ${one.label}`).join("\n");
    if (window.confirm(`This was never recorded by the service. Remove it from this phone for good?\n${names}`)) {
      await waiting.remove(gone);
    }
  };
  const save = item.file ? el("button", { type: "button", "aria-label": `Download: ${item.label}` }, "Download") : null;
  if (save) save.onclick = () => download(item.file, item.file.name || `${item.id}.jpg`);
  return el(
    "li",
    { "data-id": item.id, "data-state": item.state },
    el("p", {}, el("strong", {}, item.label), ` · kept ${when(item.kept)}`),
    el("p", { className: item.state === "parked" ? "error" : "" }, STATES[item.state], state ? `. ${state}` : ""),
    el("p", { className: "actions" }, retry, save ?? "", remove),
  );
}

function sentRow(record) {
  const label = record.kind === "grade" ? el("a", { href: `/grades/${record.id}` }, record.label) : record.label;
  const asked = record.asked ? ` · A hand check is asked for. ${record.asked}` : "";
  return el("li", { "data-id": record.id }, label, ` · sent ${when(record.at)}${asked}`);
}

async function saveAll() {
  const { store } = await queue();
  const items = await store.items();
  const files = items.filter((item) => item.file).map((item) => [`${item.id}-${item.file.name || "photo.jpg"}`, item.file]);
  const records = items.map(({ file, ...rest }) => ({ ...rest, file: file ? `${rest.id}-${file.name || "photo.jpg"}` : null }));
  const list = new Blob([JSON.stringify(records, null, 2)], { type: "application/json" });
  download(await zip([["records.json", list], ...files]), "kept-on-this-phone.zip");
}

function download(blob, name) {
  const url = URL.createObjectURL(blob);
  el("a", { href: url, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(url), 60_000);
}

export function startQueue() {
  byId("queue-send").onclick = async () => {
    await (await queue()).hurry();
    const report = await keepSending();
    byId("queue-login").hidden = !report.login;
  };
  byId("queue-save").onclick = saveAll;
  onChange(() => !byId("queue").hidden && void drawQueue());
}
