// The one place for what must be noticed (a lost link, a refusal), and the quiet line for what was just done.

import { byId, el } from "./dom.js";

/** Says something quietly: a line under the photo, read aloud by a screen reader. */
export function say(text) {
  byId("label-said").textContent = text;
}

/**
 * Says something that must be noticed; without text the place is cleared.
 * @param {string} text
 * @param {[string, () => void] | null} press A button: its words, what it does.
 */
export function notice(text = "", press = null) {
  const box = byId("label-notice");
  box.hidden = !text;
  const button = press && el("button", { type: "button", className: "second", onclick: press[1] }, press[0]);
  box.replaceChildren(
    ...(text ? [el("p", { role: "alert" }, text)] : []),
    ...(button ? [el("p", { className: "actions" }, button)] : []),
  );
}
