// Photos without a link: looked at when they are taken, kept on the phone, graded when there is a link.

import { checkPhoto } from "./capture.js";
import { notKept, PARTS } from "./checks.js";
import { byId, el, heldInMemory, verdictOn } from "./dom.js";
import { keep, keepSending, known, queue } from "./link.js";
import { gradeItems } from "./queue.js";

const MOST = 8; // photos of one part, as the service takes them
let photos = [];

export async function startTaking() {
  const { store } = await queue();
  photos = (await store.fact("draft")) ?? [];
  byId("take-file").onchange = byId("take-files").onchange = add;
  byId("take-form").onsubmit = keepThem;
  await draw();
}

async function add(event) {
  const taken = await Promise.all([...event.target.files].map(heldInMemory));
  event.target.value = "";
  photos = [...photos, ...taken].slice(0, MOST);
  await draft();
}

/** The phone may throw the page away while the camera is open, so a draft is on its disk, too. */
async function draft() {
  const { store } = await queue();
  try {
    await store.note("draft", photos);
  } catch (error) {
    byId("take-answer").replaceChildren(notKept(error));
  }
  await draw();
}

async function draw() {
  const fitness = await known("/api/v1/fitness");
  const rows = photos.map((photo, place) => {
    const verdict = el("div", { role: "status" }, el("p", {}, "Looking at it …"));
    const again = el("button", { type: "button" }, "Leave this one out");
    again.onclick = () => {
      photos = photos.filter((_, other) => other !== place);
      return draft();
    };
    const row = el("li", { className: "photo" }, verdict, again);
    if (fitness) {
      void checkPhoto(photo, fitness).then((checked) => {
        verdict.replaceChildren(verdictOn(checked));
        if (!checked) return;
        checked.canvas.setAttribute("role", "img");
        checked.canvas.setAttribute("aria-label", `Photo ${place + 1}`);
        row.prepend(checked.canvas);
      });
    } else verdict.replaceChildren();
    return row;
  });
  byId("take-photos").replaceChildren(...rows);
  byId("take-keep").disabled = photos.length === 0;
  const { store } = await queue();
  const visit = await store.fact("visit");
  byId("take-visit").textContent = visit ? `Belongs to the visit: ${visit.label}.` : "Belongs to no visit.";
}

async function keepThem(event) {
  event.preventDefault();
  const answer = byId("take-answer");
  const form = new FormData(event.target);
  const part = form.get("part");
  const { store } = await queue();
  const visit = await store.fact("visit");
  const items = gradeItems(photos, { part, purpose: form.get("purpose"), inspection: visit?.id ?? "" });
  byId("take-keep").disabled = true;
  try {
    await keep(items);
    photos = [];
    await store.note("draft", photos);
  } catch (error) {
    byId("take-keep").disabled = false;
    return answer.replaceChildren(notKept(error));
  }
  const grade = items.at(-1).id;
  const next = part
    ? el("a", { href: `#checks/${part}/${grade}` }, `Now the hand checks: ${PARTS[part]}`)
    : el("a", { href: "#checks" }, "Now the hand checks");
  answer.replaceChildren(el("p", { "data-kept": grade }, "Kept on this phone. "), el("p", {}, next));
  await draw();
  return keepSending();
}
