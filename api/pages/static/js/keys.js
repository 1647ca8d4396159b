// Keys of the returns desk. The page itself says which key does what: `data-key` on a link or button (pressed), or on a
// field (goes there); several with one key take turns; `data-row` marks the lines that j and k go along.
// Single keys can be switched off (WCAG 2.1.4), and none is taken from a field, from a menu or from the browser.

const OFF = "keys-off";
const turns = new Map();

const isOff = () => {
  try {
    return localStorage.getItem(OFF) === "yes";
  } catch {
    return false; // storage is shut off: keys stay on
  }
};

function switchTo(off) {
  try {
    localStorage.setItem(OFF, off ? "yes" : "no");
  } catch {
    return; // cannot be remembered, so nothing is promised
  }
  showSwitch();
}

function showSwitch() {
  const button = document.querySelector("[data-keys-switch]");
  if (!button) return;
  const off = isOff();
  button.setAttribute("aria-pressed", String(!off));
  document.documentElement.classList.toggle("with-keys", !off);
}

const isField = (node) =>
  node instanceof HTMLElement &&
  (node.isContentEditable || ["INPUT", "TEXTAREA", "SELECT"].includes(node.tagName));
/** Whether letters typed there mean something to it; a round or square box takes space and arrows only. */
const takesLetters = (node) => isField(node) && !(node.tagName === "INPUT" && ["radio", "checkbox"].includes(node.type));
const isSeen = (node) => node.getClientRects().length > 0;

/** The next of several places that share a key. */
function next(key, places) {
  const turn = ((turns.get(key) ?? -1) + 1) % places.length;
  turns.set(key, turn);
  return places[turn];
}

function go(place) {
  if (isField(place)) {
    place.focus();
    place.select?.();
  } else if (place.hash && place.pathname === location.pathname && place.search === location.search) {
    reach(place.hash);
  } else place.click();
}

/** Goes to a place on this page as its link would, whether or not the address names it already. */
function reach(hash) {
  const target = document.getElementById(decodeURIComponent(hash.slice(1)));
  if (!target) return;
  for (let box = target.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
  if (location.hash === hash) target.scrollIntoView();
  else location.hash = hash;
  target.focus();
}

function along(step) {
  const rows = [...document.querySelectorAll("[data-row]")].filter(isSeen);
  const now = rows.indexOf(document.activeElement);
  const place = rows[now < 0 ? (step > 0 ? 0 : rows.length - 1) : now + step];
  place?.focus();
  return Boolean(place);
}

/** A scanner types digits wherever the focus is: they go to the search field of a page that takes them. */
function toSearch() {
  const field = document.querySelector("[data-digits]");
  if (!field) return false;
  field.value = "";
  field.focus();
  return true;
}

function help() {
  const box = document.getElementById("keys");
  if (!box) return false;
  box.open = !box.open;
  box.querySelector("summary").focus();
  return true;
}

function act(event) {
  const { key, target } = event;
  if (key === "j" || key === "k") return along(key === "j" ? 1 : -1);
  if ((key === "ArrowDown" || key === "ArrowUp") && target.matches?.("[data-row]")) {
    return along(key === "ArrowDown" ? 1 : -1) || true;
  }
  if (key === "?") return help();
  if (/^[0-9]$/.test(key) && toSearch()) return false; // the digit itself is typed there
  const places = [...document.querySelectorAll("[data-key]")].filter((node) => node.dataset.key === key && isSeen(node));
  if (places.length) go(next(key, places));
  return places.length > 0;
}

document.addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
  const { target } = event;
  if (takesLetters(target)) {
    if (event.key === "Escape" && target.type !== "file") target.blur();
    return;
  }
  if (!isOff() && act(event)) event.preventDefault();
});

document.querySelectorAll("[data-keys]").forEach((box) => (box.hidden = false));
document.querySelector("[data-keys-switch]")?.addEventListener("click", () => switchTo(!isOff()));
showSwitch();
