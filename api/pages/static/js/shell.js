// The page that opens without a link: one section at a time, chosen by the address.

import { PARTS, showChecks, startChecks } from "./checks.js";
import { byId } from "./dom.js";
import { queue } from "./link.js";
import { showStart } from "./start.js";
import { startTaking } from "./take.js";
import { showVisit, startVisit } from "./visit.js";
import { drawQueue, startQueue } from "./waiting.js";

const SECTIONS = ["home", "take", "start", "checks", "visit", "queue"];

/** Section and what it shows; the address of a page that could not be fetched leads to its stand-in. */
async function place() {
  const [name, ...rest] = location.hash.slice(1).split("/");
  if (SECTIONS.includes(name)) return name === "checks" ? ["checks", rest[0] || (await partOf(rest[1])), rest[1]] : [name, ...rest];
  const [first, id] = location.pathname.slice(1).split("/");
  if (first === "grades" && id) return ["checks", await partOf(id), id];
  const stands = { grade: "take", queue: "queue", start: "start", machines: "visit", inspections: "visit" };
  return [stands[first] ?? "home", id ?? ""];
}

/** The part of a grade that this phone kept or sent; empty for others. */
async function partOf(grade) {
  const { store } = await queue();
  const record = [...(await store.items()), ...(await store.sent())].find((one) => one.id === grade);
  return record?.body?.part ?? record?.part ?? "";
}

async function show() {
  const [name, ...rest] = await place();
  for (const section of SECTIONS) byId(section).hidden = section !== name;
  if (name === "checks") await showChecks(rest[0] in PARTS ? rest[0] : "flame_cell", rest[1] ?? "");
  if (name === "start") await showStart(rest[0] ?? "");
  if (name === "visit") await showVisit();
  if (name === "queue") await drawQueue();
}

function tellLink() {
  byId("link").textContent = navigator.onLine
    ? ""
    : "No link. Everything here works; what you enter is kept on this phone and sent later.";
}

window.addEventListener("hashchange", async () => {
  await show();
  document.querySelector("main section:not([hidden]) h2")?.focus();
});
window.addEventListener("online", tellLink);
window.addEventListener("offline", tellLink);
tellLink();
startChecks();
startVisit();
startQueue();
await startTaking();
await show();
