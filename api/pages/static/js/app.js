// On every page: the worker that opens pages without a link, the count of what waits, the capture check, and a form
// for photos that goes through the phone's queue, so that nothing is lost or doubled when the link breaks.

import { known, keep, keepSending, KNOWLEDGE, onChange, queue } from "./link.js";

async function showCount() {
  const { length } = await (await queue()).store.items();
  for (const place of document.querySelectorAll("[data-queue-count]")) {
    place.textContent = length ? String(length) : "";
    place.hidden = length === 0;
  }
}

/** Looks at each photo as it is chosen and says what would mend it. */
function lookAtPhotos(input) {
  const answer = document.createElement("div");
  answer.setAttribute("role", "status");
  (input.closest("p") ?? input).after(answer);
  input.addEventListener("change", async () => {
    const [{ checkPhoto }, { verdictOn }] = await Promise.all([import("./capture.js"), import("./dom.js")]);
    const fitness = await known("/api/v1/fitness");
    const checked = fitness ? await Promise.all([...input.files].map((file) => checkPhoto(file, fitness))) : [];
    answer.replaceChildren(...checked.map(verdictOn));
  });
}

/** Photos go to the phone's disk first, then to the service; without script the form is posted as it stands. */
function keepForm(form) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const [{ gradeItems }, { heldInMemory }] = await Promise.all([import("./queue.js"), import("./dom.js")]);
    const data = new FormData(form);
    const files = await Promise.all(
      [...data.values()].filter((value) => value instanceof File && value.size).map(heldInMemory),
    );
    if (!files.length) return form.submit(); // the service says what is missing
    const fields = Object.fromEntries([...data].filter(([, value]) => typeof value === "string" && value));
    const items = gradeItems(files, fields);
    const grade = items.at(-1).id;
    form.setAttribute("aria-busy", "true");
    try {
      await keep(items);
    } catch {
      return form.submit(); // the phone's storage is full or shut off: straight to the service
    }
    await keepSending();
    const waits = (await (await queue()).store.items()).some((one) => one.id === grade);
    return location.assign(waits ? "/queue" : `/grades/${grade}`);
  });
}

/** A reading that could not be sent from its page goes in where it is kept. */
function offerQueue({ detail }) {
  const [, grade] = /^\/grades\/([0-9a-f-]{36})/.exec(location.pathname) ?? [];
  const link = document.createElement("a");
  link.href = grade ? `/offline#checks//${grade}` : "/offline";
  link.textContent = "Enter it where it is kept on this phone.";
  const alert = document.createElement("p");
  alert.className = "error";
  alert.setAttribute("role", "alert");
  alert.append("No link: it was not sent. ", link);
  detail.elt.append(alert);
}

function start() {
  document.addEventListener("htmx:sendError", offerQueue);
  document.querySelectorAll("input[type=file][data-capture]").forEach(lookAtPhotos);
  document.querySelectorAll("form[data-keep=grade]").forEach(keepForm);
  onChange(() => void showCount());
  void showCount();
  const send = async () => {
    await (await queue()).hurry();
    await keepSending();
  };
  window.addEventListener("online", send);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && void keepSending());
  void send();
}

// Without storage or locks (an insecure address, private windows) the forms work as plain ones.
if (window.isSecureContext && "indexedDB" in window && "locks" in navigator) start();
const { serviceWorker } = navigator;
if (serviceWorker && window.isSecureContext) {
  const controlled = new Promise((resolve) => (serviceWorker.oncontrollerchange = resolve));
  await serviceWorker.register("/sw.js", { type: "module", updateViaCache: "none" });
  if (!serviceWorker.controller) await controlled;
  if (navigator.onLine) await Promise.all(KNOWLEDGE.map(known)); // through the worker, which keeps them
}
