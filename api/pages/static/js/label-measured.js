// The measures that the service takes from what is drawn, while it is drawn. Nothing is saved by asking.

import { byId, el } from "./dom.js";
import { ask, NoLink } from "./label-send.js";
import { bodyOf } from "./label-state.js";

const REST_MS = 350; // after the last change

export class Measured {
  /** @param {(text: string) => void} say */
  constructor(say) {
    Object.assign(this, { say, timer: 0, asked: "", turn: 0 });
  }

  /** Another example: nothing is known. */
  clear() {
    clearTimeout(this.timer);
    this.asked = "";
    this.turn += 1;
    byId("label-measured").replaceChildren();
  }

  /** Asks a moment after the last change of marks, regions or matches. */
  follow(state, example, titles) {
    const { part, view, marks, matches, regions } = bodyOf(state);
    const drawn = JSON.stringify({ part, view, marks, matches, regions });
    if (drawn === this.asked) return;
    this.asked = drawn;
    clearTimeout(this.timer);
    if (![marks, matches, regions].some((one) => Object.keys(one).length)) return this.show({}, titles);
    this.timer = setTimeout(() => this.#ask(state, example, titles), REST_MS);
  }

  async #ask(state, example, titles) {
    const turn = ++this.turn;
    const { part, view, fit, marks, matches, regions } = bodyOf(state);
    try {
      const body = { part, view, fit, marks, matches, regions };
      const answer = await ask(`/examples/${example}/measure`, { method: "POST", body: { body } });
      if (turn === this.turn) this.show(answer.measured, titles, true);
    } catch (error) {
      if (turn === this.turn) this.note(error instanceof NoLink ? "No link: not measured yet." : error.message);
    }
  }

  note(text) {
    byId("label-measured").replaceChildren(el("div", {}, el("dt", {}, "Measured"), el("dd", {}, text)));
  }

  show(measured, titles, aloud = false) {
    const lines = Object.entries(measured).map(([name, found]) => [titles[name] ?? name, inWords(found)]);
    const nodes = lines.map(([title, words]) => el("div", {}, el("dt", {}, title), el("dd", {}, words)));
    byId("label-measured").replaceChildren(...nodes);
    if (aloud && lines.length) this.say(lines.map(([title, words]) => `${title}: ${words}`).join(". "));
  }
}

const short = (value) => Number(value).toFixed(3);

function inWords(found) {
  if (found.value === null || found.value === undefined) return `not measured: ${(found.note || found.reason).replaceAll("_", " ")}`;
  return `${short(found.value)} (${short(found.low)} to ${short(found.high)})`;
}
