// A visit begun without a link: its machine, its hour meter, and the photos taken from then on.

import { notKept } from "./checks.js";
import { byId, el } from "./dom.js";
import { keep, keepSending, known, queue } from "./link.js";
import { item } from "./queue.js";

export async function showVisit() {
  const { store } = await queue();
  const visit = await store.fact("visit");
  byId("visit-now").textContent = visit ? `Photos and walks now belong to: ${visit.label}.` : "No visit is open on this phone.";
  byId("visit-end").hidden = !visit;
  const page = await known("/api/v1/machines?limit=200");
  const waiting = (await store.items()).filter((one) => one.kind === "machine").map((one) => one.body);
  const rows = [...(page?.items ?? []), ...waiting];
  byId("visit-machines").replaceChildren(...rows.map((one) => el("option", { value: one.identifier })));
  return rows;
}

async function begin(event) {
  event.preventDefault();
  const form = new FormData(event.target);
  const identifier = form.get("identifier").trim();
  const { store } = await queue();
  const machine = (await showVisit()).find((one) => one.identifier === identifier);
  const items = machine ? [] : [item("machine", "/api/v1/machines", { identifier }, { label: `Machine ${identifier}` })];
  const id = machine?.id ?? items[0].id;
  const body = { machine: id, begun_at: new Date().toISOString() };
  if (form.get("hours")) body.hours = Number(form.get("hours"));
  items.push(item("inspection", "/api/v1/inspections", body, { needs: [id], label: `Visit to ${identifier}` }));
  try {
    await keep(items);
    await store.note("visit", { id: items.at(-1).id, label: `${identifier}, ${new Date().toLocaleDateString()}` });
  } catch (error) {
    return byId("visit-answer").replaceChildren(notKept(error));
  }
  byId("visit-answer").replaceChildren(el("p", { "data-kept": "" }, "Kept on this phone."));
  await showVisit();
  return keepSending();
}

export function startVisit() {
  byId("visit-form").onsubmit = begin;
  byId("visit-end").onclick = async () => {
    await (await queue()).store.note("visit", null);
    await showVisit();
  };
}
